//! Truck: what is on board, room left, what was let out where, and corrections that leave a trace.

use crate::app::door::DoorState;
use crate::app::overlay::{PadKind, PadTarget, PadValue, Picker, PickerTarget, SheetTarget, Verdict};
use crate::app::pump::ratio;
use crate::app::shell::{App, NoticeKind, Screen};
use crate::app::stop::StopState;
use crate::domain::ledger::{Balance, EntryKind, Ledger};
use crate::domain::record::{
    Disposal, DisposalId, DisposalPlace, DisposalPlaceId, LoadCorrection, LoadCorrectionId, PumpingId, Record, SiteId,
    StopId, TankId, Truck, TruckId, TruckTank, TruckTankId, Units, Visit, changes,
};
use crate::domain::units::{Volume, round_to_i64};
use crate::exchange::inputs::tank_volume_ml;
use crate::say::figures::Figures;
use crate::say::hauled::{join, volume_of};
use crate::store::{DayRow, Store, StoreError, TruckRows};
use chrono::{NaiveDate, TimeDelta};
use std::cell::LazyCell;
use std::collections::BTreeMap;
use uuid::Uuid;

/// How far back the ledger is read line by line, days; what lies before is added up.
const PERIOD_DAYS: i64 = 40;

/// Who signs on the pad of these screens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SignTarget {
    /// Who took a load.
    Receiver(DisposalId),
    /// Who drove on a day.
    Driver(NaiveDate),
    /// Whose waste it was.
    Generator(PumpingId),
}

/// A correction that still needs its reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Unreasoned {
    pub tank: TruckTankId,
    pub change_ml: i64,
    pub of: Option<Uuid>,
}

/// What is to be read of the truck.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TruckAsked {
    truck: Option<TruckId>,
    since: NaiveDate,
}

/// What was read of the truck.
#[derive(Debug)]
pub(crate) struct TruckRead {
    rows: TruckRows,
    volumes: BTreeMap<TankId, Option<i64>>,
    coming: BTreeMap<StopId, Option<i64>>,
}

/// The stops of a day that are not begun, with their sites.
pub(crate) fn waiting(day: &[DayRow]) -> Vec<(StopId, SiteId)> {
    day.iter()
        .filter(|row| row.stop.started_at.is_none())
        .map(|row| (row.stop.id, row.stop.site))
        .collect()
}

/// Reads the truck, and what the tanks of its loads and of the stops that wait hold.
pub(crate) fn read_truck(
    store: &Store,
    asked: TruckAsked,
    waiting: &[(StopId, SiteId)],
) -> Result<TruckRead, StoreError> {
    let rows = store.truck(asked.truck, asked.since)?;
    let closed = |day: NaiveDate| rows.closes.iter().any(|c| c.day == day && c.closed_at.is_some());
    let mut volumes = BTreeMap::new();
    let mut whole: BTreeMap<SiteId, Visit> = BTreeMap::new();
    for row in rows
        .loads
        .iter()
        .filter(|row| row.at().is_none_or(|at| !closed(at.date_naive())))
    {
        if let std::collections::btree_map::Entry::Vacant(place) = whole.entry(row.site.id) {
            place.insert(store.tanks_of(row.site.id)?);
        }
        let volume = whole
            .get(&row.site.id)
            .and_then(|site| tank_volume_ml(site, row.tank.id));
        volumes.insert(row.tank.id, volume);
    }
    let mut coming = BTreeMap::new();
    for (stop, site) in waiting {
        let site = store.tanks_of(*site)?;
        let known = site.tanks.iter().filter_map(|tank| tank_volume_ml(&site, tank.id));
        let total = known.fold(0_i64, i64::saturating_add);
        coming.insert(*stop, (total > 0).then_some(total));
    }
    Ok(TruckRead { rows, volumes, coming })
}

/// The truck and what is open of its records.
#[derive(Debug, Default)]
pub(crate) struct TruckState {
    pub rows: TruckRows,
    /// What the tanks of loads and of coming stops hold, by customer's tank and by stop.
    pub volumes: BTreeMap<TankId, Option<i64>>,
    pub coming: BTreeMap<StopId, Option<i64>>,
    /// The tank of the truck that is chosen.
    pub tank: usize,
    /// The load, the disposal and the day that are open or being typed into.
    pub load: Option<PumpingId>,
    pub disposal: Option<DisposalId>,
    pub day: Option<NaiveDate>,
    /// The places that can be chosen, when they were shown last.
    pub places: Vec<DisposalPlace>,
    pub place: Option<DisposalPlace>,
    pub prefilled: Option<(String, i64)>,
    pub unreasoned: Option<Unreasoned>,
    /// The tank the rest of a load went into, while its amount is typed.
    pub second: Option<TruckTankId>,
    pub signing: Option<SignTarget>,
    pub pad: DoorState,
}

/// One tank of the truck as it is drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TruckTankView {
    /// Which one; empty for the only one.
    pub name: String,
    /// What is in it.
    pub load: String,
    /// What still fits.
    pub room: String,
    /// On board over capacity, 0 to 1.
    pub ratio: f64,
    /// More in it than it holds, or less than nothing.
    pub over: bool,
    /// The one that is let out or corrected next.
    pub chosen: bool,
}

/// One line of the ledger as it is shown.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EntryView {
    /// What and where.
    pub title: String,
    /// When, and what is on board after it.
    pub detail: String,
    /// The amount, signed by what it does to the load.
    pub right: String,
    /// What is still missing on its record.
    pub message: String,
    /// A tap opens it.
    pub opens: bool,
}

/// What Truck shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TruckView {
    /// The truck.
    pub title: String,
    /// Its plate.
    pub detail: String,
    /// Its tanks.
    pub tanks: Vec<TruckTankView>,
    /// The day's balance in one line.
    pub balance: String,
    /// What came over from an earlier day, and what looks odd.
    pub notes: Vec<String>,
    /// Today's entries, and those since the last closed day.
    pub entries: Vec<EntryView>,
}

impl App {
    /// Reads the truck again, giving the phone one when it has none yet.
    pub(crate) fn reload_truck(&mut self) -> Result<(), StoreError> {
        let Some(asked) = self.truck_asked() else { return Ok(()) };
        let waiting = waiting(&self.day);
        let read = self
            .session
            .ask(move |store| store.at_one_moment(|store| read_truck(store, asked, &waiting)))?;
        self.take_truck(read);
        Ok(())
    }

    /// Says what is to be read of the truck, giving the phone one when it has none yet; nothing on a phone nobody has begun
    /// to use.
    pub(crate) fn truck_asked(&mut self) -> Option<TruckAsked> {
        if self.session.is_new() {
            return None;
        }
        if self.session.setup().truck.is_none() {
            self.first_truck();
        }
        Some(TruckAsked {
            truck: self.session.setup().truck,
            since: self
                .session
                .today()
                .checked_sub_signed(TimeDelta::days(PERIOD_DAYS))
                .unwrap_or(NaiveDate::MIN),
        })
    }

    pub(crate) fn take_truck(&mut self, read: TruckRead) {
        self.truck.rows = read.rows;
        self.truck.volumes = read.volumes;
        self.truck.coming = read.coming;
        self.truck.tank = self.truck.tank.min(self.truck.rows.tanks.len().saturating_sub(1));
    }

    /// Gives the phone a truck of the size the set-up says.
    fn first_truck(&mut self) {
        let truck = Truck {
            id: TruckId(self.session.new_id()),
            ..Truck::default()
        };
        let tank = TruckTank {
            id: TruckTankId(self.session.new_id()),
            truck: truck.id,
            capacity_ml: self.session.setup().truck_ml,
            ..TruckTank::default()
        };
        let id = truck.id;
        let mut list = changes(&[], std::slice::from_ref(&truck));
        list.extend(changes(&[], std::slice::from_ref(&tank)));
        self.session.keep(None, "truck", false, list);
        self.session.change_setup("truck", |setup| setup.truck = Some(id));
    }

    /// Keeps a changed record and reads the truck again.
    ///
    /// * `stop`: the stop whose Undo takes it back; without one the log alone keeps the trace
    pub(crate) fn keep_record<R: Record>(&mut self, stop: Option<StopId>, label: &str, before: &[R], after: &R) {
        let list = changes(before, std::slice::from_ref(after));
        self.session.keep(stop, label, stop.is_some(), list);
        self.after_truck_change();
    }

    pub(crate) fn after_truck_change(&mut self) {
        let reloaded = self.reload_truck();
        self.try_book(reloaded);
        // The stop on the screen holds a copy of what may just have changed.
        let open = self.stop.as_ref().and_then(StopState::stop_id);
        if let Some(stop) = open {
            let read = self
                .session
                .ask(move |store| Ok((store.visit(stop)?, store.undo_label(stop)?)));
            if let Some((visit, undo)) = self.try_book(read)
                && let Some(state) = self.stop.as_mut()
            {
                state.visit = visit;
                state.undo_label = undo;
            }
            self.assess_stop();
        }
    }

    /// The ledger with the open stop's figures as they stand on the screen.
    pub(crate) fn ledger_now(&self) -> Ledger {
        match self.stop.as_ref().filter(|state| state.stop_id().is_some()) {
            Some(state) => self
                .truck
                .rows
                .ledger_of_stop(&state.shown().stop, &state.shown().pumpings),
            None => self.truck.rows.ledger(None),
        }
    }

    /// The name of a tank of the truck among several; nothing for the only one.
    pub(crate) fn truck_tank_name(&self, id: TruckTankId) -> String {
        let tanks = self.used_tanks();
        if tanks.len() < 2 {
            return String::new();
        }
        let place = tanks.iter().position(|tank| tank.id == id).unwrap_or(0);
        let given = tanks.get(place).map(|tank| tank.name.clone()).unwrap_or_default();
        if given.is_empty() {
            self.session.words().f("truck tank {0}", &[&(place + 1).to_string()])
        } else {
            given
        }
    }

    /// The truck's tanks that are in use: they hold something, or something is in them.
    pub(crate) fn used_tanks(&self) -> Vec<&TruckTank> {
        // Only a tank that is out of use has to be looked into.
        let ledger = LazyCell::new(|| self.truck.rows.ledger(None));
        self.truck
            .rows
            .tanks
            .iter()
            .filter(|tank| tank.capacity_ml > 0 || ledger.load_ml(tank.id) != 0)
            .collect()
    }

    fn chosen_tank(&self) -> Option<TruckTankId> {
        let used = self.used_tanks();
        used.get(self.truck.tank).or(used.first()).map(|tank| tank.id)
    }

    /// What the crew calls the truck, else what stands on its plate.
    pub(crate) fn truck_name(&self) -> String {
        let truck = &self.truck.rows.truck;
        if truck.name.is_empty() {
            truck.plate.clone()
        } else {
            truck.name.clone()
        }
    }

    /// Returns the truck's ledger of the last weeks as it is kept.
    #[must_use]
    pub fn ledger(&self) -> Ledger {
        self.truck.rows.ledger(None)
    }

    /// Returns what Truck shows.
    #[must_use]
    pub fn truck_view(&self) -> TruckView {
        let (words, figures) = (self.session.words(), self.session.figures());
        let rows = &self.truck.rows;
        let ledger = rows.ledger(None);
        let today = self.session.today();
        let chosen = self.chosen_tank();
        let used = self.used_tanks();
        let tanks = used
            .iter()
            .map(|tank| {
                let (load, room) = (ledger.load_ml(tank.id), ledger.room_ml(tank.id));
                let over = room < 0 || load < 0;
                TruckTankView {
                    name: self.truck_tank_name(tank.id),
                    load: words.f(
                        "{0} of {1}",
                        &[
                            &figures.volume_value(volume_of(load)),
                            &figures.volume(Volume::from_whole_ml(tank.capacity_ml)),
                        ],
                    ),
                    room: if load < 0 {
                        words.t("less than nothing: correct it")
                    } else if room < 0 {
                        words.t("over what it holds")
                    } else {
                        words.f("room for {0}", &[&figures.volume(volume_of(room))])
                    },
                    ratio: ratio(volume_of(load), Volume::from_whole_ml(tank.capacity_ml)).min(1.0),
                    over,
                    chosen: used.len() > 1 && Some(tank.id) == chosen,
                }
            })
            .collect();
        let balance = ledger.balance_of(today);
        let mut notes = Vec::new();
        if balance.carried_over_ml != 0 {
            notes.push(words.f(
                "{0} came over from an earlier day.",
                &[&figures.volume(volume_of(balance.carried_over_ml))],
            ));
        }
        if balance.on_board_ml < 0 {
            notes.push(words.t("More was let out than was collected: correct the entry that is wrong."));
        }
        let waiting = self.unclosed_days();
        if let Some(first) = waiting.iter().find(|day| **day < today) {
            notes.push(words.f("Not closed yet: {0}.", &[&figures.date(*first)]));
        }
        TruckView {
            title: if rows.truck.name.is_empty() {
                words.t("Truck")
            } else {
                rows.truck.name.clone()
            },
            detail: [rows.truck.plate.clone(), figures.date(today)]
                .into_iter()
                .filter(|part| !part.is_empty())
                .collect::<Vec<_>>()
                .join(" · "),
            tanks,
            balance: balance_text(&balance, figures),
            notes,
            entries: self.entry_list(&ledger).into_iter().map(|(view, _)| view).collect(),
        }
    }

    /// The entries shown, newest first, each with what it is.
    fn entry_list(&self, ledger: &Ledger) -> Vec<(EntryView, (EntryKind, Uuid))> {
        let (words, figures) = (self.session.words(), self.session.figures());
        let rows = &self.truck.rows;
        let today = self.session.today();
        let from = self.unclosed_days().first().copied().unwrap_or(today).min(today);
        let signed = |ml: i128| {
            let text = figures.volume(volume_of(ml.abs()));
            if ml < 0 {
                format!("− {text}")
            } else {
                format!("+ {text}")
            }
        };
        let fates = ledger.fates();
        let mut list = Vec::new();
        for (entry, after) in ledger.running().into_iter().filter(|(entry, _)| entry.day >= from) {
            let time = if entry.day == today {
                entry.at.format("%H:%M").to_string()
            } else {
                format!("{} {}", figures.date(entry.day), entry.at.format("%H:%M"))
            };
            let tank = self.truck_tank_name(entry.tank);
            let mut parts = vec![time, words.f("then {0} on board", &[&figures.volume(volume_of(after))])];
            if !tank.is_empty() {
                parts.push(tank);
            }
            let (title, message) = match entry.kind {
                EntryKind::Collected => {
                    let row = rows.loads.iter().find(|row| row.pumping.id.0 == entry.id);
                    let title = row
                        .map(|row| row.site.name.clone())
                        .or_else(|| self.open_site_name(entry.id));
                    let missing = row.map_or(0, |row| self.hauled().load_facts_with(row, &fates).missing.len());
                    (title.unwrap_or_default(), missing)
                }
                EntryKind::Disposed => {
                    let place = rows
                        .disposals
                        .iter()
                        .find(|d| d.id.0 == entry.id)
                        .map(|d| d.place.clone());
                    (words.f("Let out at {0}", &[&place.unwrap_or_default()]), 0)
                }
                EntryKind::Correction { .. } => {
                    let reason = rows
                        .corrections
                        .iter()
                        .find(|c| c.id.0 == entry.id)
                        .map(|c| c.reason.clone());
                    (words.f("Corrected: {0}", &[&reason.unwrap_or_default()]), 0)
                }
            };
            let view = EntryView {
                title,
                detail: parts.join(" · "),
                right: signed(entry.change_ml()),
                message: if message == 0 {
                    String::new()
                } else {
                    words.n("{0} field missing", "{0} fields missing", message)
                },
                opens: !matches!(entry.kind, EntryKind::Correction { .. }),
            };
            list.push((view, (entry.kind, entry.id)));
        }
        list.reverse();
        list
    }

    fn open_site_name(&self, pumping: Uuid) -> Option<String> {
        let state = self.stop.as_ref()?;
        let own = state.visit.pumpings.iter().any(|own| own.id.0 == pumping);
        own.then(|| state.visit.site.name.clone())
    }

    /// Opens the truck.
    pub fn tap_truck(&mut self) {
        self.go(Screen::Truck);
    }

    /// Chooses the tank of the truck that is let out or corrected next.
    pub fn tap_truck_tank(&mut self, index: usize) {
        if index < self.used_tanks().len() {
            self.truck.tank = index;
        }
    }

    /// Opens the record of an entry.
    pub fn tap_truck_entry(&mut self, index: usize) {
        let ledger = self.truck.rows.ledger(None);
        match self.entry_list(&ledger).get(index).map(|(_, what)| *what) {
            Some((EntryKind::Collected, id)) => self.open_load(PumpingId(id)),
            Some((EntryKind::Disposed, id)) => self.open_disposal(DisposalId(id)),
            _ => {}
        }
    }

    /// Asks where the chosen tank is let out.
    pub fn tap_dispose(&mut self) {
        let words = self.session.words();
        let Some(tank) = self.chosen_tank() else { return };
        if self.truck.rows.ledger(None).load_ml(tank) <= 0 {
            self.say_nothing_to_do("The truck is empty.", "What is pumped out is added at Pump.");
            return;
        }
        let places = self.session.ask(|store| store.disposal_places());
        let Some(places) = self.try_book(places) else { return };
        let mut rows = places
            .iter()
            .map(|place| (place.name.clone(), join(&[&place.address, &place.permit])))
            .collect::<Vec<_>>();
        self.truck.places = places;
        rows.push((
            words.t("A new place"),
            words.t("Type its name once; it is kept to be chosen again."),
        ));
        self.picker = Some(Picker {
            target: PickerTarget::DisposalPlace,
            title: words.t("Where is it let out?"),
            rows,
            selected: None,
        });
    }

    pub(crate) fn disposal_place_chosen(&mut self, index: usize) {
        if let Some(place) = self.truck.places.get(index).cloned() {
            self.ask_disposal_amount(place);
        } else {
            self.open_sheet(SheetTarget::PlaceName, "Name of the place", String::new(), false);
        }
    }

    pub(crate) fn disposal_place_named(&mut self, name: &str) {
        let name = name.trim();
        if name.is_empty() {
            return;
        }
        let known = self.truck.places.iter().find(|place| place.name == name).cloned();
        let place = known.unwrap_or_else(|| {
            let place = DisposalPlace {
                id: DisposalPlaceId(self.session.new_id()),
                name: name.to_owned(),
                ..DisposalPlace::default()
            };
            self.keep_record(None, "disposal place", &[], &place);
            place
        });
        self.ask_disposal_amount(place);
    }

    /// The amount stands there already: all of it.
    fn ask_disposal_amount(&mut self, place: DisposalPlace) {
        let Some(tank) = self.chosen_tank() else { return };
        let figures = self.session.figures();
        let load_ml = self.truck.rows.ledger(None).load_ml(tank).max(0);
        let text = figures.volume_value(volume_of(load_ml)).replace(',', "");
        self.truck.prefilled = i64::try_from(load_ml).ok().map(|ml| (text.clone(), ml));
        self.truck.place = Some(place);
        self.open_pad(PadTarget::DisposeAmount, PadKind::Volume, "Let out of the truck", text);
    }

    /// What was typed, or exactly the amount that was offered when it was left as it stood.
    fn exact(&mut self, typed: &str, value: Volume) -> i64 {
        let offered = self.truck.prefilled.take().filter(|(text, _)| text == typed);
        offered.map_or_else(|| value.as_whole_ml().unwrap_or(0), |(_, ml)| ml)
    }

    /// Takes in a number typed for the truck.
    pub(crate) fn truck_number(&mut self, target: PadTarget, typed: &str, value: PadValue) {
        let PadValue::Volume(volume) = value else { return };
        match target {
            PadTarget::DisposeAmount => {
                let out_ml = self.exact(typed, volume);
                self.dispose(out_ml);
            }
            PadTarget::OnBoardNow => {
                let Some(tank) = self.chosen_tank() else { return };
                let load = i64::try_from(self.truck.rows.ledger(None).load_ml(tank)).unwrap_or(0);
                let really = self.exact(typed, volume);
                self.ask_reason(tank, really.saturating_sub(load), None);
            }
            PadTarget::EntryAmount => {
                let really = self.exact(typed, volume);
                self.correct_entry(really);
            }
            PadTarget::Accepted => self.set_accepted(volume.as_whole_ml()),
            PadTarget::LoadAmount => self.set_load_amount(volume),
            PadTarget::SecondAmount => {
                let over_ml = self.exact(typed, volume);
                self.set_second_amount(over_ml);
            }
            _ => {}
        }
    }

    fn dispose(&mut self, out_ml: i64) {
        let (Some(tank), Some(place)) = (self.chosen_tank(), self.truck.place.take()) else {
            return;
        };
        let disposal = Disposal {
            id: DisposalId(self.session.new_id()),
            truck_tank: tank,
            at: Some(self.session.now()),
            place: place.name,
            address: place.address,
            permit: place.permit,
            operator: place.operator,
            method: place.method,
            out_ml,
            ..Disposal::default()
        };
        self.keep_record(None, "let out", &[], &disposal);
        self.open_disposal(disposal.id);
    }

    /// Asks what is really in the chosen tank.
    pub fn tap_correct(&mut self) {
        if self.chosen_tank().is_some() {
            self.truck.prefilled = None;
            self.open_pad(
                PadTarget::OnBoardNow,
                PadKind::Volume,
                "Really on board now",
                String::new(),
            );
        }
    }

    /// Works out the correction that makes an entry amount to what it really was.
    fn correct_entry(&mut self, really_ml: i64) {
        let rows = &self.truck.rows;
        // What earlier corrections of the same entry did is part of what it amounts to now.
        let earlier = |id: Uuid| {
            let of = id.to_string();
            rows.corrections
                .iter()
                .filter(|correction| correction.corrects == of)
                .fold(0_i64, |sum, correction| sum.saturating_add(correction.change_ml))
        };
        let entry = if self.screen == Screen::Disposal {
            self.truck.disposal.and_then(|id| {
                let disposal = rows.disposals.iter().find(|disposal| disposal.id == id)?;
                // Less let out than was written leaves more on board.
                let stands = disposal.out_ml.saturating_sub(earlier(id.0));
                Some((disposal.truck_tank, stands.saturating_sub(really_ml), id.0))
            })
        } else {
            self.truck.load.and_then(|id| {
                let row = rows.loads.iter().find(|row| row.pumping.id == id)?;
                let stands = row.pumping.out_ml?.saturating_add(earlier(id.0));
                Some((rows.tank_of(&row.pumping)?, really_ml.saturating_sub(stands), id.0))
            })
        };
        if let Some((tank, change_ml, of)) = entry {
            self.ask_reason(tank, change_ml, Some(of));
        }
    }

    fn ask_reason(&mut self, tank: TruckTankId, change_ml: i64, of: Option<Uuid>) {
        if change_ml == 0 {
            self.say_nothing_to_do("Nothing to correct.", "The ledger says the same amount already.");
            return;
        }
        self.truck.unreasoned = Some(Unreasoned { tank, change_ml, of });
        self.open_sheet(
            SheetTarget::CorrectionReason,
            "Why is it corrected?",
            String::new(),
            true,
        );
    }

    pub(crate) fn correction_reasoned(&mut self, reason: &str) {
        let Some(Unreasoned { tank, change_ml, of }) = self.truck.unreasoned.take() else {
            return;
        };
        let correction = LoadCorrection {
            id: LoadCorrectionId(self.session.new_id()),
            truck_tank: tank,
            at: Some(self.session.now()),
            change_ml,
            reason: reason.trim().to_owned(),
            corrects: of.map(|id| id.to_string()).unwrap_or_default(),
            ..LoadCorrection::default()
        };
        self.keep_record(None, "load corrected", &[], &correction);
        let (words, figures) = (self.session.words(), self.session.figures());
        let amount = figures.volume(volume_of(i128::from(change_ml).abs()));
        self.say(
            NoticeKind::Info,
            if change_ml < 0 {
                words.f("{0} taken off the load.", &[&amount])
            } else {
                words.f("{0} added to the load.", &[&amount])
            },
            words.t("The entry it corrects stays as it was."),
        );
    }

    /// Opens what is corrected of the load or disposal on the screen.
    pub(crate) fn pad_entry_amount(&mut self) {
        self.truck.prefilled = None;
        self.open_pad(PadTarget::EntryAmount, PadKind::Volume, "It really was", String::new());
    }

    /// The size of one of the truck's tanks; zero takes it out of use once nothing is in it.
    pub(crate) fn set_truck_tank(&mut self, place: usize, volume: Volume) {
        let capacity_ml = volume.as_whole_ml().unwrap_or(0);
        let existing = self.truck.rows.tanks.get(place).cloned();
        match existing {
            Some(before) => {
                let after = TruckTank {
                    capacity_ml,
                    ..before.clone()
                };
                self.keep_record(None, "truck", std::slice::from_ref(&before), &after);
            }
            None if capacity_ml > 0 => {
                let Some(truck) = self.session.setup().truck else {
                    return;
                };
                let tank = TruckTank {
                    id: TruckTankId(self.session.new_id()),
                    truck,
                    place: i64::try_from(self.truck.rows.tanks.len()).unwrap_or(0),
                    capacity_ml,
                    ..TruckTank::default()
                };
                self.keep_record(None, "truck", &[], &tank);
            }
            None => {}
        }
    }

    pub(crate) fn change_truck(&mut self, change: impl FnOnce(&mut Truck)) {
        let before = self.truck.rows.truck.clone();
        if before.id.0.is_nil() {
            return;
        }
        let mut after = before.clone();
        change(&mut after);
        self.keep_record(None, "truck", std::slice::from_ref(&before), &after);
    }

    /// Says that the load of every tank counts from now on and starts at nothing; for a demo that has lived through years.
    pub fn open_ledger_now(&mut self) {
        let now = self.session.now();
        for before in self.truck.rows.tanks.clone() {
            let after = TruckTank {
                opened_at: Some(now),
                opening_ml: 0,
                ..before.clone()
            };
            self.keep_record(None, "truck", std::slice::from_ref(&before), &after);
        }
    }
}

/// The balance in one line that adds up as it is read.
///
/// Whole gallons or litres where the rounded figures still add up, else with as many decimals as that takes.
pub(crate) fn balance_text(balance: &Balance, figures: Figures) -> String {
    let words = figures.words;
    let all = [
        balance.carried_over_ml,
        balance.collected_ml,
        balance.disposed_ml,
        balance.on_board_ml,
        balance.corrected_off_ml,
    ];
    let unit_ml = match figures.units {
        Units::UsCustomary => 3_785.411_784,
        Units::Metric => 1_000.0,
    };
    let rounded = |decimals: i32| {
        all.map(|ml| {
            let litres = volume_of(ml).as_litres();
            round_to_i64(litres * 1_000.0 / unit_ml * 10_f64.powi(decimals)).unwrap_or(0)
        })
    };
    let adds_up = |[carried, collected, disposed, on_board, corrected]: [i64; 5]| {
        carried.saturating_add(collected) == disposed.saturating_add(on_board).saturating_add(corrected)
    };
    let decimals = (0..=3).find(|decimals| adds_up(rounded(*decimals)));
    let [carried, collected, disposed, on_board, corrected] = rounded(decimals.unwrap_or(0));
    let text = |value: i64| {
        let places = usize::try_from(decimals.unwrap_or(0)).unwrap_or(0);
        let one = 10_i64.saturating_pow(u32::try_from(places).unwrap_or(0));
        let sign = if value < 0 { "−" } else { "" };
        let size = value.unsigned_abs();
        let whole = crate::say::figures::grouped(size / one.unsigned_abs());
        if places == 0 {
            format!("{sign}{whole}")
        } else {
            format!("{sign}{whole}.{:0places$}", size % one.unsigned_abs())
        }
    };
    let mut line = words.f(
        "{0} carried over + {1} collected = {2} let out + {3} on board",
        &[&text(carried), &text(collected), &text(disposed), &text(on_board)],
    );
    if balance.corrected_off_ml > 0 {
        line = format!("{line} {}", words.f("+ {0} corrected off", &[&text(corrected)]));
    } else if balance.corrected_off_ml < 0 {
        line = format!(
            "{line} {}",
            words.f("− {0} corrected on", &[&text(corrected.saturating_neg())])
        );
    }
    line = format!("{line} ({})", figures.volume_unit());
    if decimals.is_none() {
        line = format!("{line}, {}", words.t("rounded"));
    }
    line
}

/// How a row stands that may be empty.
pub(crate) const fn stands(empty: bool) -> Verdict {
    if empty { Verdict::Empty } else { Verdict::Ok }
}
