//! `records`: hauled waste by period: what was collected, what was disposed of where, and what is on board.

use super::Refusal;
use super::context::{Call, Office, hand_over};
use super::options;
use super::sheet::{Cell, Sheet};
use crate::domain::record::{Truck, TruckTank, TruckTankId};
use crate::domain::units::{LITRES_PER_US_GALLON, Volume};
use crate::domain::waste::{USUAL_RETENTION_YEARS, kept_until};
use crate::exchange::customer_list::folded;
use crate::say::words::Words;
use crate::store::LoadEntry;
use chrono::NaiveDate;
use serde_json::{Value, json};
use std::collections::HashMap;
use std::path::PathBuf;

/// What was asked of `records`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// First day.
    pub from: Option<String>,
    /// Last day.
    pub to: Option<String>,
    /// Only this truck, by name, plate or id.
    pub truck: Option<String>,
    /// Write CSV there.
    pub csv: Option<PathBuf>,
    /// Write the record of each load there, as PDF: one file, or one for each load in a folder.
    pub pdf: Option<PathBuf>,
    /// Of records written as PDF print only what is missing.
    pub quiet: bool,
}

/// The five figures of a period's balance, millilitres.
///
/// carried over + collected = disposed + on board + corrected off; the right-hand side is counted entry by entry and not
/// worked out from the left, so that a line that was missed would show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Balance {
    /// On board when the period began.
    pub carried_over_ml: i128,
    /// Pumped out of customers' tanks.
    pub collected_ml: i128,
    /// Let out at disposal places.
    pub disposed_ml: i128,
    /// Taken off by corrections; below zero when they added.
    pub corrected_off_ml: i128,
    /// On board when the period ended.
    pub on_board_ml: i128,
}

impl Balance {
    /// Whether both sides are equal.
    #[must_use]
    pub const fn holds(&self) -> bool {
        self.carried_over_ml + self.collected_ml == self.disposed_ml + self.on_board_ml + self.corrected_off_ml
    }
}

/// What an entry does to the load, millilitres.
pub(super) fn change(entry: &LoadEntry) -> i128 {
    match (entry.is_counted, entry.kind.as_str()) {
        (false, _) => 0,
        (true, "disposed") => -i128::from(entry.ml),
        (true, _) => i128::from(entry.ml),
    }
}

/// The trucks asked for.
struct Trucks {
    /// For each tank, the truck's name and its own; none of its own for the only one.
    names: HashMap<TruckTankId, [String; 2]>,
    list: Vec<Truck>,
    /// What was in the tanks when their load began to be counted, millilitres.
    opening_ml: i128,
}

impl Trucks {
    fn read(office: &Office, asked: Option<&str>, to: NaiveDate) -> Result<Self, Refusal> {
        let words = office.words();
        let (mut names, mut list, mut opening_ml) = (HashMap::new(), Vec::new(), 0_i128);
        for (truck, tanks) in trucks_named(office, asked)? {
            list.push(truck.clone());
            let called = super::waste::called(&truck, words);
            let several = tanks.len() > 1;
            for (number, tank) in (1..).zip(tanks) {
                if tank.opened_at.is_none_or(|opened| opened.date_naive() <= to) {
                    opening_ml += i128::from(tank.opening_ml);
                }
                let own = match tank.name.as_str() {
                    "" if several => words.f("truck tank {0}", &[&number.to_string()]),
                    name => name.to_owned(),
                };
                names.insert(tank.id, [called.clone(), own]);
            }
        }
        Ok(Self {
            names,
            list,
            opening_ml,
        })
    }
}

/// Lists hauled waste of a period with its balance.
///
/// # Errors
/// What was refused, and what to do.
pub fn run(call: &Call, asked: &Asked) -> Result<String, Refusal> {
    call.on_book(|office| {
        let words = office.words();
        let (from, to) = options::period(asked.from.as_deref(), asked.to.as_deref(), office.today(), words)?;
        let trucks = Trucks::read(office, asked.truck.as_deref(), to)?;
        if let Some(path) = &asked.pdf {
            let all = asked.truck.is_none();
            return super::waste::write(office, &trucks.list, all, (from, to), path, asked.quiet);
        }
        let mut entries = office.store.load_entries(to).map_err(|error| office.refuse(&error))?;
        // What no truck is named for belongs to the company all the same, unless one truck was asked for.
        entries
            .retain(|entry| asked.truck.is_none() || entry.tank.is_some_and(|tank| trucks.names.contains_key(&tank)));
        let (before, within): (Vec<_>, Vec<_>) = entries.into_iter().partition(|entry| entry.day < from);
        let carried_over_ml = trucks.opening_ml + before.iter().map(change).sum::<i128>();
        let sum = |kind: &str| {
            within
                .iter()
                .filter(|entry| entry.kind == kind && entry.is_counted)
                .map(|entry| i128::from(entry.ml))
                .sum::<i128>()
        };
        let mut running = carried_over_ml;
        let mut sheet = empty_sheet(words);
        for entry in &within {
            running += change(entry);
            sheet.rows.push(row(office, entry, &trucks.names, running));
        }
        let balance = Balance {
            carried_over_ml,
            collected_ml: sum("collected"),
            disposed_ml: sum("disposed"),
            corrected_off_ml: -sum("correction"),
            on_board_ml: running,
        };
        if let Some(path) = &asked.csv {
            let frame = |kind, day: NaiveDate, ml| frame_row(office, kind, &day.to_string(), ml, sheet.columns.len());
            let (first, last) = (
                frame("carried_over", from, carried_over_ml),
                frame("on_board", to, running),
            );
            sheet.rows.insert(0, first);
            sheet.rows.push(last);
            return hand_over(path, sheet.csv(), office);
        }
        if office.json {
            return Ok(balance_json(from, to, &balance, &sheet).to_string());
        }
        let mut lines = vec![words.f(
            "Hauled waste from {0} to {1}",
            &[&office.figures.date(from), &office.figures.date(to)],
        )];
        lines.push(String::new());
        lines.push(sheet.text());
        lines.extend(balance_lines(office, &balance));
        lines.extend(remarks(&within, office)?);
        Ok(lines.join("\n"))
    })
}

fn empty_sheet(words: Words) -> Sheet {
    Sheet::new(vec![
        ("kind", words.t("Entry"), false),
        ("at", words.t("When"), false),
        ("truck", words.t("Truck"), false),
        ("place", words.t("Where"), false),
        ("address", words.t("Address"), false),
        ("town", String::new(), false),
        ("customer", words.t("Customer"), false),
        ("amount_l", String::new(), true),
        ("amount_gal", words.t("Amount"), true),
        ("change_l", String::new(), true),
        ("on_board_after_l", words.t("On board"), true),
        ("ticket", words.t("Ticket"), false),
        ("permit", String::new(), false),
        ("accepted_l", String::new(), true),
        ("receiver", words.t("Receiver"), false),
        ("note", words.t("Note"), false),
        ("keep_until", words.t("Keep until"), false),
        ("truck_tank", String::new(), false),
        ("record_id", String::new(), false),
    ])
}

fn balance_json(from: NaiveDate, to: NaiveDate, balance: &Balance, sheet: &Sheet) -> Value {
    json!({
        "from": from.to_string(),
        "to": to.to_string(),
        "carried_over_l": litres(balance.carried_over_ml),
        "collected_l": litres(balance.collected_ml),
        "disposed_l": litres(balance.disposed_ml),
        "corrected_off_l": litres(balance.corrected_off_ml),
        "on_board_l": litres(balance.on_board_ml),
        "balances": balance.holds(),
        "entries": sheet.json(),
    })
}

/// What a person has to know about entries that could not be counted as they stand.
fn remarks(within: &[LoadEntry], office: &Office) -> Result<Vec<String>, Refusal> {
    let words = office.words();
    let mut lines = Vec::new();
    let early = within.iter().filter(|entry| !entry.is_counted).count();
    if early > 0 {
        lines.push(words.n(
            "{0} entry is from before its truck's load began to be counted: it is listed, and not in the balance.",
            "{0} entries are from before their truck's load began to be counted: they are listed, and not in the balance.",
            early,
        ));
    }
    let unnamed = within
        .iter()
        .filter(|entry| entry.tank.is_none() && entry.kind == "collected");
    lines.extend(of_no_truck(unnamed.count(), office)?);
    Ok(lines)
}

/// Says that pump-outs name no truck, and why nobody can say which it was; nothing when there are none.
pub(super) fn of_no_truck(count: usize, office: &Office) -> Result<Option<String>, Refusal> {
    let trucks = office.store.trucks().map_err(|error| office.refuse(&error))?;
    Ok(no_truck_named(count, trucks.len(), office.words()))
}

/// The same for this many trucks.
pub(super) fn no_truck_named(count: usize, trucks: usize, words: Words) -> Option<String> {
    (count > 0).then(|| {
        if trucks > 1 {
            words.n(
                "{0} pump-out names no truck: with several trucks nobody can say which tank it went into.",
                "{0} pump-outs name no truck: with several trucks nobody can say which tank they went into.",
                count,
            )
        } else {
            words.n(
                "{0} pump-out names no truck, and the book knows none it could have gone into: set the truck up on the phone.",
                "{0} pump-outs name no truck, and the book knows none they could have gone into: set the truck up on the phone.",
                count,
            )
        }
    })
}

/// Returns the trucks called so, by name, plate or id; all of them when none is asked for.
///
/// # Errors
/// When no truck is called so; those that are known are named.
pub(super) fn trucks_named(office: &Office, asked: Option<&str>) -> Result<Vec<(Truck, Vec<TruckTank>)>, Refusal> {
    let words = office.words();
    let mut trucks = office.store.trucks().map_err(|error| office.refuse(&error))?;
    let Some(asked) = asked else {
        return Ok(trucks);
    };
    let known = trucks
        .iter()
        .map(|(truck, _)| super::waste::called(truck, words))
        .collect::<Vec<_>>();
    let wanted = folded(asked);
    trucks.retain(|(truck, _)| {
        let own = [folded(&truck.name), folded(&truck.plate), folded(&truck.id.to_string())];
        !wanted.is_empty() && own.contains(&wanted)
    });
    if !trucks.is_empty() {
        return Ok(trucks);
    }
    let what = words.f("No truck is called \"{0}\".", &[asked]);
    Err(if known.is_empty() {
        Refusal::refused(
            what,
            words.t("The book knows no truck yet: take in the phones' day files first, or leave --truck out."),
        )
    } else {
        let known = super::due::some_of(known.iter().map(String::as_str), words);
        Refusal::refused(
            what,
            words.f(
                "Give a name, plate or id as the phone has it; trucks in the book: {0}.",
                &[&known],
            ),
        )
    })
}

/// Millilitres as litres, exact: three decimals are all there are.
fn litres(ml: i128) -> Value {
    let whole = i64::try_from(ml).unwrap_or(i64::MAX);
    json!(Volume::from_whole_ml(whole).as_litres())
}

fn gallons(ml: i128) -> Value {
    let whole = i64::try_from(ml).unwrap_or(i64::MAX);
    let gallons = Volume::from_whole_ml(whole).as_litres() / LITRES_PER_US_GALLON;
    json!((gallons * 100.0).round() / 100.0)
}

fn volume_text(office: &Office, ml: i128) -> String {
    let whole = i64::try_from(ml).unwrap_or(i64::MAX);
    office.figures.volume(Volume::from_whole_ml(whole))
}

fn row(office: &Office, entry: &LoadEntry, names: &HashMap<TruckTankId, [String; 2]>, running: i128) -> Vec<Cell> {
    let words = office.words();
    let kind = match entry.kind.as_str() {
        "collected" => words.t("collected"),
        "disposed" => words.t("disposed"),
        _ => words.t("correction"),
    };
    let when = entry.at.get(..16).unwrap_or(&entry.at).replace('T', " ");
    let accepted = entry
        .accepted_ml
        .map_or_else(Cell::default, |ml| Cell::shown(litres(i128::from(ml)), ""));
    let [truck, truck_tank] = entry
        .tank
        .and_then(|tank| names.get(&tank).cloned())
        .unwrap_or_default();
    let (ml, amount) = (change(entry), i128::from(entry.ml));
    vec![
        Cell::shown(entry.kind.clone(), kind),
        Cell::shown(entry.at.clone(), when),
        Cell::text(truck),
        Cell::text(entry.name.clone()),
        Cell::text(entry.address.clone()),
        Cell::text(entry.town.clone()),
        Cell::text(entry.customer.clone()),
        Cell::shown(litres(amount), ""),
        Cell::shown(gallons(amount), volume_text(office, amount)),
        Cell::shown(litres(ml), ""),
        Cell::shown(litres(running), volume_text(office, running)),
        Cell::text(entry.ticket.clone()),
        Cell::text(entry.permit.clone()),
        accepted,
        Cell::text(entry.receiver.clone()),
        Cell::text(entry.note.clone()),
        keep_until(entry).map_or_else(Cell::default, |day| {
            Cell::shown(day.to_string(), office.figures.date(day))
        }),
        Cell::text(truck_tank),
        Cell::text(entry.id.to_string()),
    ]
}

/// Until when the entry is to be kept: what its record says by its rule set, else the years the states that say ask for.
fn keep_until(entry: &LoadEntry) -> Option<NaiveDate> {
    entry
        .keep_until
        .or_else(|| kept_until(entry.day, USUAL_RETENTION_YEARS))
}

/// The first and the last line of the CSV: what was on board when the period began and when it ended.
fn frame_row(office: &Office, kind: &str, at: &str, ml: i128, columns: usize) -> Vec<Cell> {
    let mut row = vec![Cell::default(); columns];
    for (index, cell) in [
        (0, Cell::text(kind)),
        (1, Cell::text(at)),
        (10, Cell::shown(litres(ml), volume_text(office, ml))),
    ] {
        if let Some(place) = row.get_mut(index) {
            *place = cell;
        }
    }
    row
}

fn balance_lines(office: &Office, balance: &Balance) -> Vec<String> {
    let words = office.words();
    let volume = |ml: i128| volume_text(office, ml);
    let mut lines = vec![
        words.f(
            "Carried over {0} + collected {1} = disposed {2} + on board {3} + corrected off {4}",
            &[
                &volume(balance.carried_over_ml),
                &volume(balance.collected_ml),
                &volume(balance.disposed_ml),
                &volume(balance.on_board_ml),
                &volume(balance.corrected_off_ml),
            ],
        ),
        if balance.holds() {
            words.t("The ledger balances to the millilitre.")
        } else {
            words.t("The ledger does not balance: run doctor.")
        },
    ];
    if balance.on_board_ml < 0 {
        lines.push(words.t("Less than nothing is on board: a pump-out is missing, or a disposal is too large."));
    }
    lines
}
