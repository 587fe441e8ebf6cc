//! Plays an invented book and day through the same touches as a finger would.
//!
//! The input is text a person can edit: one tap a line, as `docs/demo.md` lists.

use crate::app::form::DisposalField;
use crate::app::overlay::{Answer, PadKey};
use crate::app::shell::{App, Screen};
use crate::app::site::SiteField;
use crate::app::stop::Quantity;
use crate::app::tank::{Dimension, dimensions_of};
use crate::domain::record::{
    AccessPoint, DisposalMethod, DisposalPlace, DisposalPlaceId, Language, ShapeKind, SiteId, Station, StopId,
    WasteKind,
};
use crate::domain::units::{Cents, Volume};
use crate::domain::waste::WasteField;
use chrono::{DateTime, Datelike, FixedOffset, NaiveDate, NaiveTime, TimeDelta};
use serde::Deserialize;
use std::cell::Cell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// The bundled demo book.
pub const BOOK_TOML: &str = include_str!("../../demo/book.toml");
/// The bundled demo day.
pub const DAY_TOML: &str = include_str!("../../demo/day.toml");

/// Why the demo cannot be played.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DemoError {
    /// A file is not in the form described in `docs/demo.md`.
    #[error("{file}: {reason}")]
    File {
        /// Which file.
        file: &'static str,
        /// Where and what, as the TOML reader says it.
        reason: String,
    },
    /// A tap that does not exist, or that cannot be done at that moment.
    #[error("{place}, tap {line} `{tap}`: {reason}")]
    Tap {
        /// The site or stop.
        place: String,
        /// Its line within `taps`.
        line: usize,
        /// The tap as written.
        tap: String,
        /// What was expected.
        reason: String,
    },
    /// The book refused.
    #[error("the book: {0}")]
    Book(String),
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct BookFile {
    company: Company,
    truck: DemoTruck,
    #[serde(default)]
    disposal_place: Vec<DemoPlace>,
    #[serde(default)]
    site: Vec<DemoSite>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Company {
    name: String,
    phone: String,
    technician: String,
    rule_set: String,
    dig_fee: f64,
    risers: BTreeMap<String, f64>,
    #[serde(default)]
    address: String,
    #[serde(default)]
    registration: String,
    #[serde(default)]
    certification: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DemoTruck {
    name: String,
    plate: String,
    #[serde(default)]
    registration: String,
    tanks: Vec<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DemoPlace {
    name: String,
    #[serde(default)]
    address: String,
    #[serde(default)]
    permit: String,
    #[serde(default)]
    operator: String,
    #[serde(default)]
    method: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DemoSite {
    name: String,
    #[serde(default)]
    address: String,
    #[serde(default)]
    town: String,
    #[serde(default)]
    customer: String,
    #[serde(default)]
    phone: String,
    language: Option<String>,
    residents: Option<f64>,
    grinder: Option<bool>,
    permit: Option<String>,
    position: Option<[f64; 2]>,
    #[serde(default)]
    note: String,
    #[serde(default)]
    visit: Vec<DemoVisit>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DemoVisit {
    day: String,
    taps: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DayFile {
    day: String,
    #[serde(default)]
    stop: Vec<DemoStop>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DemoStop {
    site: String,
    arrive: Option<String>,
    #[serde(default)]
    taps: String,
}

/// A demo, read and checked.
#[derive(Debug)]
pub struct Demo {
    book: BookFile,
    day: DayFile,
    date: NaiveDate,
}

/// What came of one stop of the day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Played {
    /// The stop.
    pub stop: StopId,
    /// The site.
    pub name: String,
    /// The technician did something there.
    pub begun: bool,
}

fn parse<'a, T: Deserialize<'a>>(file: &'static str, text: &'a str) -> Result<T, DemoError> {
    toml::from_str(text).map_err(|error| DemoError::File {
        file,
        reason: error.to_string(),
    })
}

fn date_in(file: &'static str, text: &str) -> Result<NaiveDate, DemoError> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d")
        .ok()
        .filter(|date| (1900..=2200).contains(&date.year()))
        .ok_or_else(|| DemoError::File {
            file,
            reason: format!("`{text}` is not a date like 2026-06-17"),
        })
}

fn book_error(error: impl std::fmt::Display) -> DemoError {
    DemoError::Book(error.to_string())
}

impl Demo {
    /// Reads a demo from its two files.
    ///
    /// # Errors
    /// [`DemoError::File`] with the line and the reason.
    pub fn read(book: &str, day: &str) -> Result<Self, DemoError> {
        let day: DayFile = parse("day.toml", day)?;
        let date = date_in("day.toml", &day.day)?;
        Ok(Self {
            book: parse("book.toml", book)?,
            day,
            date,
        })
    }

    /// Returns the day that is played.
    #[must_use]
    pub const fn date(&self) -> NaiveDate {
        self.date
    }

    /// Fills the book: company, sites, earlier visits.
    ///
    /// * `shift`: added to every date, so that the demo's day can be today
    ///
    /// # Errors
    /// [`DemoError`] naming the tap or the file.
    pub fn play_book(&self, app: &mut App, shift: TimeDelta) -> Result<(), DemoError> {
        let clock = Rc::new(Cell::new(at(self.date + shift, NaiveTime::MIN)));
        set_clock(app, &clock);
        let company = &self.book.company;
        let cents = |amount: f64| Cents(crate::domain::units::round_to_i64(amount * 100.0).unwrap_or(0));
        let riser = |inches: &str| company.risers.get(inches).map_or(Cents(0), |amount| cents(*amount));
        app.session_mut().change_setup("set-up", |setup| {
            setup.company.clone_from(&company.name);
            setup.company_phone.clone_from(&company.phone);
            setup.technician.clone_from(&company.technician);
            setup.rule_set.clone_from(&company.rule_set);
            setup.dig_fee = cents(company.dig_fee);
            setup.riser_6 = riser("6");
            setup.riser_12 = riser("12");
            setup.riser_18 = riser("18");
            setup.riser_24 = riser("24");
            setup.company_address.clone_from(&company.address);
            setup.registration.clone_from(&company.registration);
            setup.certification.clone_from(&company.certification);
        });
        app.reload_day().map_err(book_error)?;
        let truck = &self.book.truck;
        app.change_truck(|record| {
            record.name.clone_from(&truck.name);
            record.plate.clone_from(&truck.plate);
            record.registration.clone_from(&truck.registration);
        });
        for (place, gallons) in truck.tanks.iter().enumerate() {
            app.set_truck_tank(place, Volume::from_us_gallons(*gallons));
        }
        for place in &self.book.disposal_place {
            let record = DisposalPlace {
                id: DisposalPlaceId(app.session().new_id()),
                name: place.name.clone(),
                address: place.address.clone(),
                permit: place.permit.clone(),
                operator: place.operator.clone(),
                method: DisposalMethod::from_word(&place.method),
                ..DisposalPlace::default()
            };
            app.keep_record(None, "disposal place", &[], &record);
        }
        for site in &self.book.site {
            let id = add_site(app, site)?;
            for visit in &site.visit {
                let day = date_in("book.toml", &visit.day)? + shift;
                clock.set(at(day, NaiveTime::from_hms_opt(9, 0, 0).unwrap_or(NaiveTime::MIN)));
                app.start_at(id).map_err(book_error)?;
                play(app, &clock, &format!("{} on {}", site.name, visit.day), &visit.taps)?;
            }
        }
        // The truck was empty on the demo's morning: what was pumped in the years before is not on it.
        clock.set(at(
            self.date + shift,
            NaiveTime::from_hms_opt(6, 0, 0).unwrap_or(NaiveTime::MIN),
        ));
        app.open_ledger_now();
        app.reload_day().map_err(book_error)
    }

    /// Puts the day's stops on the list without playing them.
    ///
    /// # Errors
    /// [`DemoError`] when a site is not in the book.
    pub fn plan_day(&self, app: &mut App) -> Result<Vec<StopId>, DemoError> {
        self.day
            .stop
            .iter()
            .map(|stop| {
                let site = find_site(app, &stop.site)?;
                app.plan_stop(site).map_err(book_error)
            })
            .collect()
    }

    /// Plays the day: every stop in order, each tap kept before the next.
    ///
    /// # Errors
    /// [`DemoError`] naming the tap.
    pub fn play_day(&self, app: &mut App, shift: TimeDelta) -> Result<Vec<Played>, DemoError> {
        let morning = NaiveTime::from_hms_opt(7, 0, 0).unwrap_or(NaiveTime::MIN);
        let clock = Rc::new(Cell::new(at(self.date + shift, morning)));
        set_clock(app, &clock);
        let stops = self.plan_day(app)?;
        let mut played = Vec::new();
        for (stop, id) in self.day.stop.iter().zip(stops) {
            let begun = !stop.taps.trim().is_empty();
            if begun {
                if let Some(time) = stop
                    .arrive
                    .as_deref()
                    .and_then(|t| NaiveTime::parse_from_str(t, "%H:%M").ok())
                {
                    clock.set(at(self.date + shift, time));
                }
                app.begin_stop(id).map_err(book_error)?;
                play(app, &clock, &stop.site, &stop.taps)?;
            }
            played.push(Played {
                stop: id,
                name: stop.site.clone(),
                begun,
            });
        }
        app.go(Screen::Day);
        Ok(played)
    }
}

/// Opens the bundled demo book into an app that is in use: its day becomes today, its stops wait.
///
/// # Errors
/// [`DemoError`] when the bundled files are not sound.
pub fn open_bundled(app: &mut App) -> Result<(), DemoError> {
    let demo = Demo::read(BOOK_TOML, DAY_TOML)?;
    let shift = app.session().today() - demo.date();
    // A clock that nobody can set has no place in years that are made up.
    let steady = app.session_mut().set_steady_clock(Box::new(|| None));
    let played = demo.play_book(app, shift);
    drop(app.session_mut().set_steady_clock(steady));
    played?;
    app.session_mut()
        .set_clock(Box::new(|| chrono::Local::now().fixed_offset()));
    app.reload_day().map_err(book_error)?;
    demo.plan_day(app)?;
    Ok(())
}

fn at(day: NaiveDate, time: NaiveTime) -> DateTime<FixedOffset> {
    // The demo's valley keeps one offset all year; it is only ever shown back in the same offset.
    let offset = FixedOffset::west_opt(5 * 3600).unwrap_or_else(|| chrono::Utc.fix());
    day.and_time(time)
        .and_local_timezone(offset)
        .single()
        .unwrap_or_else(|| DateTime::<chrono::Utc>::from(std::time::UNIX_EPOCH).with_timezone(&offset))
}

use chrono::Offset as _;

fn set_clock(app: &mut App, clock: &Rc<Cell<DateTime<FixedOffset>>>) {
    let clock = clock.clone();
    app.session_mut().set_clock(Box::new(move || clock.get()));
}

fn add_site(app: &mut App, site: &DemoSite) -> Result<SiteId, DemoError> {
    app.tap_new_site();
    app.edit_site_field(SiteField::Name, &site.name);
    app.edit_site_field(SiteField::Address, &site.address);
    app.edit_site_field(SiteField::Town, &site.town);
    app.edit_site_field(SiteField::Customer, &site.customer);
    app.edit_site_field(SiteField::Phone, &site.phone);
    app.edit_site_field(SiteField::Note, &site.note);
    if let Some(permit) = &site.permit {
        app.edit_site_field(SiteField::PermitDate, permit);
    }
    if let Some([lat, lon]) = site.position {
        app.edit_site_field(SiteField::Latitude, &lat.to_string());
        app.edit_site_field(SiteField::Longitude, &lon.to_string());
    }
    match site.language.as_deref() {
        Some("es") => app.choose_site_language(Language::Spanish),
        _ => app.choose_site_language(Language::English),
    }
    if let Some(people) = site.residents {
        app.pad_form_residents();
        type_number(app, &people.to_string()).map_err(|reason| DemoError::Book(format!("{}: {reason}", site.name)))?;
    }
    if let Some(grinder) = site.grinder {
        app.tap_form_grinder(if grinder { Answer::Yes } else { Answer::No });
    }
    let form = app.site_form_view();
    if !form.can_keep {
        return Err(DemoError::Book(format!("{}: {}", site.name, form.message)));
    }
    app.keep_site_form();
    find_site(app, &site.name)
}

fn find_site(app: &mut App, name: &str) -> Result<SiteId, DemoError> {
    app.go(Screen::Book);
    app.edit_search(name);
    let found = (0..app.book().len())
        .find(|row| {
            app.book()
                .line(*row, app.session().figures(), app.session().today())
                .is_some_and(|line| line.title == name)
        })
        .and_then(|row| app.book().site(row));
    app.edit_search("");
    found.ok_or_else(|| DemoError::Book(format!("no site called `{name}` is in the book")))
}

/// Types a number on the open pad and keeps it, key by key.
fn type_number(app: &mut App, text: &str) -> Result<(), String> {
    type_keys(app, text)?;
    match app.pad_view() {
        None => Ok(()),
        Some(pad) => {
            app.cancel_overlay();
            Err(if pad.message.is_empty() {
                "expected a number".to_owned()
            } else {
                pad.message
            })
        }
    }
}

/// Types on the open pad, key by key, and keeps it.
fn type_keys(app: &mut App, text: &str) -> Result<(), String> {
    for c in text.chars() {
        let key = match c {
            '0'..='9' => PadKey::Digit(u8::try_from(c.to_digit(10).unwrap_or(0)).unwrap_or(0)),
            '.' | '\'' | '′' => PadKey::Point,
            '½' => PadKey::Half,
            '-' => PadKey::Sign,
            _ => return Err(format!("`{c}` is not a key of the number pad")),
        };
        app.pad_key(key);
    }
    app.pad_keep();
    Ok(())
}

fn play(app: &mut App, clock: &Rc<Cell<DateTime<FixedOffset>>>, place: &str, taps: &str) -> Result<(), DemoError> {
    for (index, tap) in taps.lines().enumerate() {
        let tap = tap.trim();
        if tap.is_empty() || tap.starts_with('#') {
            continue;
        }
        clock.set(clock.get() + TimeDelta::seconds(20));
        do_tap(app, tap).map_err(|reason| DemoError::Tap {
            place: place.to_owned(),
            line: index + 1,
            tap: tap.to_owned(),
            reason,
        })?;
        app.session_mut().settle().map_err(book_error)?;
    }
    Ok(())
}

fn answer(word: &str) -> Result<Answer, String> {
    match word {
        "yes" => Ok(Answer::Yes),
        "no" => Ok(Answer::No),
        _ => Err("expected yes or no".to_owned()),
    }
}

fn type_text(app: &mut App, text: &str) -> Result<(), String> {
    app.sheet_edit(text);
    app.sheet_keep();
    match app.sheet_view() {
        Some(sheet) if !sheet.message.is_empty() => Err(sheet.message),
        _ => Ok(()),
    }
}

fn quantity(word: &str) -> Result<Quantity, String> {
    match word {
        "level" => Ok(Quantity::Level),
        "scum" => Ok(Quantity::Scum),
        "sludge" => Ok(Quantity::Sludge),
        "device" => Ok(Quantity::Device),
        _ => Err("expected level, scum, sludge or device".to_owned()),
    }
}

fn steps(word: &str) -> Result<i32, String> {
    word.parse()
        .map_err(|_| "expected a number of steps like +2".to_owned())
}

/// Does one tap of the script.
///
/// # Errors
/// What was expected, in a few words.
pub fn do_tap(app: &mut App, tap: &str) -> Result<(), String> {
    let (verb, rest) = tap.split_once(' ').unwrap_or((tap, ""));
    let rest = rest.trim();
    let digs = matches!(verb, "cover" | "material" | "cracked" | "secured" | "rod")
        || matches!((verb, rest), ("add", "lid"))
        || (verb == "nudge" && rest.starts_with("cover"));
    if digs && !app.is_cautioned() {
        // As a person must, before the station takes anything.
        app.acknowledge_cautions();
    }
    match verb {
        "go" => {
            let station = Station::from_word(rest).ok_or("expected find, dig, read, pump or leave")?;
            app.go(Screen::At(station));
        }
        "found" => app.tap_found(answer(rest)?),
        "note" => {
            app.tap_find_note();
            type_text(app, rest)?;
        }
        "found-note" => {
            app.tap_found_note();
            type_text(app, rest)?;
        }
        "lid" => app.choose_lid(rest).ok_or("expected the name of a lid")?,
        "add" if rest == "lid" => app.add_lid(),
        "add" if rest == "tank" => app.tap_add_tank(),
        "cover" => {
            app.tap_cover();
            type_number(app, rest)?;
        }
        "material" => choose_material(app, rest)?,
        "cracked" => until(answer(rest)?, app, App::tap_cracked, |app| app.dig_view().cracked),
        "secured" => until(answer(rest)?, app, App::tap_secured, |app| app.dig_view().secured),
        "tank" => app.choose_tank(number(rest)?),
        "compartments" => app.tap_compartment_count(number(rest)?),
        "compartment" => app.tap_compartment(number(rest)?.saturating_sub(1)),
        "shape" => app.tap_shape(ShapeKind::from_word(rest).ok_or("expected a shape like level_cylinder")?),
        "size" => size(app, rest)?,
        "emptied" => {
            app.tap_tank_fact(1);
            type_text(app, rest)?;
        }
        "level" | "scum" | "sludge" | "device" => {
            app.tap_quantity(quantity(verb)?);
            app.tap_reading();
            type_number(app, rest)?;
        }
        "probe" => app.tap_probe(),
        "house" | "pin" | "clue" | "tie" | "side" | "rod" | "sewer-depth" => {
            yard_taps::do_tap(app, verb, rest)?;
        }
        "nudge" => {
            let (what, by) = rest.split_once(' ').ok_or("expected what and how many steps")?;
            let by = steps(by)?;
            if what == "cover" {
                app.nudge_cover(by);
            } else {
                app.tap_quantity(quantity(what)?);
                app.nudge_reading(by);
            }
        }
        "drag" => drag(app, rest)?,
        "pumped" => app.tap_pumped(answer(rest)?),
        "out" => {
            app.pad_out();
            type_number(app, rest)?;
        }
        "heel" => {
            app.pad_heel();
            type_number(app, rest)?;
        }
        "rinsed" => app.tap_rinsed(answer(rest)?),
        "people" => {
            app.pad_people();
            type_number(app, rest)?;
        }
        "closed" => app.tap_closed(answer(rest)?),
        "sign" => sign(app, rest),
        "undo" => app.undo(),
        "finish" => app.tap_finish(),
        _ => return do_truck_tap(app, verb, rest),
    }
    Ok(())
}

/// Does one tap on the truck, on a load's record or at the close of the day.
fn do_truck_tap(app: &mut App, verb: &str, rest: &str) -> Result<(), String> {
    match verb {
        "waste" => {
            let kind = WasteKind::from_word(rest).ok_or("expected a kind of waste like septage")?;
            of_load(app, |app| app.waste_chosen(place_in(WasteKind::ALL, &kind)))?;
        }
        "access" => {
            let access = AccessPoint::from_word(rest).ok_or("expected an opening like maintenance_hole")?;
            of_load(app, |app| app.access_chosen(place_in(AccessPoint::ALL, &access)))?;
        }
        "why" => of_load(app, |app| app.load_typed(WasteField::PumpReason, rest.to_owned()))?,
        "leaks" => of_load(app, |app| app.load_typed(WasteField::LeakNote, rest.to_owned()))?,
        "lids" => of_load(app, |app| app.load_typed(WasteField::LidNote, rest.to_owned()))?,
        "repairs" => of_load(app, |app| app.load_typed(WasteField::RepairNote, rest.to_owned()))?,
        "dispose" => dispose(app, rest)?,
        "ticket" => {
            app.type_disposal_field(DisposalField::Ticket);
            type_text(app, rest)?;
        }
        "accepted" => {
            app.pad_accepted();
            type_number(app, rest)?;
        }
        "receiver" => {
            app.tap_form_key(0);
            scribble(app, rest);
        }
        "correct" => {
            let (amount, reason) = rest.split_once(' ').ok_or("expected what is on board and why")?;
            app.go(Screen::Truck);
            app.tap_correct();
            type_number(app, amount)?;
            type_text(app, reason)?;
        }
        "driver" => {
            app.tap_close_day();
            app.tap_form_row(1);
            scribble(app, rest);
        }
        "close-day" => {
            app.tap_close_day();
            app.tap_form_key(0);
            if app.sheet_view().is_some() {
                type_text(app, rest)?;
            }
        }
        _ => return Err("no such tap; docs/demo.md lists them".to_owned()),
    }
    Ok(())
}

mod yard_taps;

fn number(word: &str) -> Result<usize, String> {
    word.parse().map_err(|_| "expected a whole number".to_owned())
}

/// Taps a key that goes round until it shows the wanted answer; three rounds are all there are.
fn until(wanted: Answer, app: &mut App, tap: fn(&mut App), shown: fn(&App) -> Answer) {
    for _ in 0..3 {
        if shown(app) == wanted {
            return;
        }
        tap(app);
    }
}

fn choose_material(app: &mut App, word: &str) -> Result<(), String> {
    let wanted =
        crate::domain::record::LidMaterial::from_word(word).ok_or("expected concrete, plastic, metal or other")?;
    let wanted = app.session().words().t(wanted.word());
    for _ in 0..5 {
        if app.dig_view().material == wanted {
            return Ok(());
        }
        app.tap_material();
    }
    Err("the lid does not take this material".to_owned())
}

fn size(app: &mut App, rest: &str) -> Result<(), String> {
    let (name, value) = rest.split_once(' ').ok_or("expected a size and a number")?;
    let dimension = match name {
        "length" => Dimension::Length,
        "width" => Dimension::Width,
        "diameter" => Dimension::Diameter,
        "radius" => Dimension::Radius,
        "straight" => Dimension::Straight,
        "height" => Dimension::Height,
        "capacity" => Dimension::Capacity,
        "liquid" => Dimension::LiquidDepth,
        "air" => Dimension::Air,
        "device" => Dimension::OutletDevice,
        "device-top" => Dimension::OutletTop,
        _ => return Err("expected a size like length, liquid or device".to_owned()),
    };
    let list = dimensions_of(app.tank_view().shape);
    let index = list
        .iter()
        .position(|known| *known == dimension)
        .ok_or("this shape has no such size")?;
    app.tap_dimension(index);
    app.tap_dimension_figure();
    type_number(app, value)
}

/// Drags an edge of the drawing to a value, as a finger would: down on the edge, along, up.
fn drag(app: &mut App, rest: &str) -> Result<(), String> {
    use crate::app::section::{Edge, EdgeKind};
    let (what, value) = rest.split_once(' ').ok_or("expected an edge and a number")?;
    let figures = app.session().figures();
    let mm = figures.parse_mm(value).map_err(|error| error.to_string())?;
    let wanted = quantity(what)?;
    app.tap_quantity(wanted);
    if app.read_view().figure.value == "–" {
        app.nudge_reading(1);
    }
    let kind = match wanted {
        Quantity::Level => EdgeKind::Level,
        Quantity::Scum => EdgeKind::ScumBottom,
        Quantity::Sludge => EdgeKind::SludgeTop,
        Quantity::Device => EdgeKind::DeviceBottom,
    };
    let drawing = app.read_view().drawing.ok_or("there is nothing to drag")?;
    let edge = Edge { kind, part: 0 };
    let handle = drawing
        .handles
        .iter()
        .find(|handle| handle.edge == edge)
        .ok_or("that edge is not in the drawing")?;
    let to = i32::try_from(mm)
        .ok()
        .and_then(|mm| drawing.y_of(edge, mm))
        .ok_or("that value is outside the drawing")?;
    let (x, from) = (handle.x, handle.y);
    app.read_pressed(x, from);
    for step in 1..=8 {
        app.read_dragged(x, from + (to - from) * f64::from(step) / 8.0);
    }
    app.read_released();
    Ok(())
}

/// Opens the record of the load at the open stop and does something to it.
fn of_load(app: &mut App, act: impl FnOnce(&mut App)) -> Result<(), String> {
    app.tap_pump_record();
    if app.screen() != Screen::Load {
        return Err("nothing has been pumped out of this tank".to_owned());
    }
    act(app);
    app.back();
    Ok(())
}

fn place_in<T: PartialEq>(list: &[T], wanted: &T) -> usize {
    list.iter().position(|own| own == wanted).unwrap_or(usize::MAX)
}

/// Lets the truck out: all of it at a place, or `1000 PLACE`.
fn dispose(app: &mut App, rest: &str) -> Result<(), String> {
    let (amount, name) = match rest.split_once(' ') {
        Some((first, name)) if first.chars().all(|c| c.is_ascii_digit()) => (Some(first), name),
        _ => (None, rest),
    };
    app.go(Screen::Truck);
    app.tap_dispose();
    let rows = app.picker_view().map(|picker| picker.rows.clone()).unwrap_or_default();
    let place = rows
        .iter()
        .position(|(title, _)| title == name)
        .ok_or("the truck is empty, or no such place is in the book")?;
    app.picker_choose(place);
    let Some(amount) = amount else {
        app.pad_keep();
        return Ok(());
    };
    while app.pad_view().is_some_and(|pad| !pad.text.is_empty()) {
        app.pad_key(PadKey::Back);
    }
    type_number(app, amount)
}

/// Signs with a few strokes, as a finger would.
fn sign(app: &mut App, name: &str) {
    app.show_customer();
    app.tap_sign();
    scribble(app, name);
    app.back();
}

fn scribble(app: &mut App, name: &str) {
    app.edit_signer(name);
    let letters = u32::try_from(name.chars().count()).unwrap_or(10).max(1);
    app.pad_pressed(30.0, 160.0);
    for step in 0..(letters * 10) {
        let t = f64::from(step) / f64::from(letters * 10);
        let wave = t * f64::from(letters) * 6.0;
        app.pad_dragged(
            30.0 + 300.0 * t + 9.0 * wave.cos(),
            150.0 + 26.0 * wave.sin() * (1.2 - t) - 18.0 * t,
        );
    }
    app.sign_accept();
}
