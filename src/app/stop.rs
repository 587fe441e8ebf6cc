//! One stop: what is on the screen, what has been kept, and one step back.

use crate::app::inputs::{compartments_of, work_input};
use crate::app::section::Edge;
use crate::app::shell::{App, NoticeKind, Screen};
use crate::domain::assess::{Assessment, assess};
use crate::domain::judge::Decision;
use crate::domain::record::{
    Compartment, CompartmentId, Lid, LidId, Pumping, PumpingId, Reading, ReadingId, Record, SiteId, Station, Stop,
    StopId, Tank, TankId, Visit,
};
use crate::store::{HistoryRow, StoreError};
use uuid::Uuid;

/// What can be read in a tank.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// Liquid level against the outlet.
    Level,
    /// Scum thickness.
    Scum,
    /// Sludge depth.
    #[default]
    Sludge,
    /// Outlet device depth.
    Device,
}

/// A stop on the screen.
#[derive(Debug)]
pub(crate) struct StopState {
    /// As kept, or handed over to be kept.
    pub visit: Visit,
    /// As a finger is dragging it, before it is let go.
    pub preview: Option<Visit>,
    pub history: Vec<HistoryRow>,
    pub tank: usize,
    pub compartment: usize,
    pub lid: usize,
    pub quantity: Quantity,
    pub dimension: usize,
    pub grabbed: Option<Edge>,
    /// The drawing as it was when a finger took hold: the scale must not move under the finger.
    pub held: Option<crate::app::section::SectionDrawing>,
    /// How deep the ground was drawn when a finger took hold.
    pub held_span_mm: Option<u32>,
    pub read_area: (f64, f64),
    pub dig_area: (f64, f64),
    pub tank_area: (f64, f64),
    pub door: crate::app::door::DoorState,
    pub photos: crate::app::photos::PhotoState,
    pub find: crate::app::find::FindState,
    pub page: crate::app::page::PageState,
    pub assessments: Vec<Assessment>,
    pub undo_label: Option<String>,
}

impl StopState {
    pub fn new(visit: Visit, history: Vec<HistoryRow>) -> Self {
        Self {
            visit,
            preview: None,
            history,
            tank: 0,
            compartment: 0,
            lid: 0,
            quantity: Quantity::default(),
            dimension: 0,
            grabbed: None,
            held: None,
            held_span_mm: None,
            read_area: (260.0, 480.0),
            dig_area: (396.0, 420.0),
            tank_area: (200.0, 180.0),
            door: crate::app::door::DoorState::default(),
            photos: crate::app::photos::PhotoState::default(),
            find: crate::app::find::FindState::default(),
            page: crate::app::page::PageState::default(),
            assessments: Vec::new(),
            undo_label: None,
        }
    }

    /// The stop, `None` while only the site's tanks are open.
    pub fn stop_id(&self) -> Option<StopId> {
        let id = self.visit.stop.id;
        (!id.0.is_nil()).then_some(id)
    }

    /// What the screen shows: the drag, or what is kept.
    pub fn shown(&self) -> &Visit {
        self.preview.as_ref().unwrap_or(&self.visit)
    }

    pub fn tank(&self) -> Option<&Tank> {
        self.shown().tanks.get(self.tank)
    }

    pub fn compartments(&self) -> Vec<&Compartment> {
        self.tank()
            .map(|tank| compartments_of(self.shown(), tank.id))
            .unwrap_or_default()
    }

    pub fn compartment(&self) -> Option<&Compartment> {
        self.compartments().get(self.compartment).copied()
    }

    pub fn reading_of(&self, compartment: CompartmentId) -> Option<&Reading> {
        self.shown()
            .readings
            .iter()
            .find(|reading| reading.compartment == compartment && !reading.removed)
    }

    pub fn pumping(&self) -> Option<&Pumping> {
        let tank = self.tank()?.id;
        self.shown()
            .pumpings
            .iter()
            .find(|pumping| pumping.tank == tank && !pumping.removed)
    }

    /// Lids of every tank, in order: digging does not stop at the edge of a tank.
    pub fn lids(&self) -> Vec<&Lid> {
        self.shown().lids.iter().filter(|lid| !lid.removed).collect()
    }

    pub fn assessment(&self) -> Option<&Assessment> {
        self.assessments.get(self.tank)
    }

    /// A rule asks for pumping a tank now, and it was not pumped at this stop.
    pub fn asks_for_pumping_now(&self) -> bool {
        self.shown()
            .tanks
            .iter()
            .zip(&self.assessments)
            .any(|(tank, assessment)| {
                let pumped = self
                    .shown()
                    .pumpings
                    .iter()
                    .any(|pumping| pumping.tank == tank.id && !pumping.removed && pumping.pumped == Some(true));
                assessment.verdict.decision == Decision::Pump && !pumped
            })
    }

    /// The tank that is due first, with its place.
    pub fn soonest(&self) -> Option<(usize, &Assessment)> {
        let dated = |assessment: &Assessment| assessment.forecast.dates.map(|dates| dates.due);
        self.assessments
            .iter()
            .enumerate()
            .min_by_key(|(_, assessment)| dated(assessment).unwrap_or(chrono::NaiveDate::MAX))
    }
}

/// Finds or makes the reading of a compartment.
pub(crate) fn reading_mut<'a>(
    visit: &'a mut Visit,
    compartment: CompartmentId,
    new_id: &mut dyn FnMut() -> Uuid,
) -> Option<&'a mut Reading> {
    let stop = visit.stop.id;
    let at = visit
        .readings
        .iter()
        .position(|r| r.compartment == compartment && !r.removed)
        .unwrap_or_else(|| {
            visit.readings.push(Reading {
                id: ReadingId(new_id()),
                stop,
                compartment,
                ..Reading::default()
            });
            visit.readings.len() - 1
        });
    visit.readings.get_mut(at)
}

/// Finds or makes the pumping of a tank.
pub(crate) fn pumping_mut<'a>(
    visit: &'a mut Visit,
    tank: TankId,
    new_id: &mut dyn FnMut() -> Uuid,
) -> Option<&'a mut Pumping> {
    let stop = visit.stop.id;
    let at = visit
        .pumpings
        .iter()
        .position(|p| p.tank == tank && !p.removed)
        .unwrap_or_else(|| {
            visit.pumpings.push(Pumping {
                id: PumpingId(new_id()),
                stop,
                tank,
                ..Pumping::default()
            });
            visit.pumpings.len() - 1
        });
    visit.pumpings.get_mut(at)
}

/// Adds a tank with one compartment and the two lids nearly every tank has, all still unknown.
pub(crate) fn add_tank(visit: &mut Visit, new_id: &mut dyn FnMut() -> Uuid) -> TankId {
    let place = i64::try_from(visit.tanks.len()).unwrap_or(0);
    let tank = Tank {
        id: TankId(new_id()),
        site: visit.site.id,
        place,
        ..Tank::default()
    };
    visit.compartments.push(Compartment {
        id: CompartmentId(new_id()),
        tank: tank.id,
        ..Compartment::default()
    });
    for (place, name) in [(0, "inlet"), (1, "outlet")] {
        visit.lids.push(Lid {
            id: LidId(new_id()),
            tank: tank.id,
            place,
            name: name.to_owned(),
            ..Lid::default()
        });
    }
    let id = tank.id;
    visit.tanks.push(tank);
    id
}

impl App {
    /// Opens a stop where it was left.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn open_stop(&mut self, id: StopId) -> Result<(), StoreError> {
        // What still waits to be kept is not in the book yet: a stop read now would show less than was recorded.
        self.session.settle()?;
        let (visit, history, photos, undo, kept) = self.session.ask(move |store| {
            let visit = store.visit(id)?;
            let history = store.history(visit.site.id)?;
            let photos = store.photos(visit.site.id)?;
            Ok((visit, history, photos, store.undo_label(id)?, store.last_kept(id)?))
        })?;
        let station = visit.stop.station;
        let mut state = StopState::new(visit, history);
        state.photos = crate::app::photos::PhotoState::with(photos);
        state.undo_label = undo;
        self.session.set_kept_at(kept);
        self.stop = Some(state);
        self.reload_truck()?;
        self.assess_stop();
        self.note_stop_on_screen(id);
        self.close_overlays();
        self.back.clear();
        self.screen = Screen::At(station);
        Ok(())
    }

    /// Puts a stop at a site on today's list and returns it.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn plan_stop(&mut self, site: SiteId) -> Result<StopId, StoreError> {
        // A stop at a site that is not there could never be kept, and would hold up everything after it.
        self.session.ask(move |store| store.site(site))?;
        let place = i64::try_from(self.day.len()).unwrap_or(0);
        let stop = Stop {
            id: StopId(self.session.new_id()),
            site,
            day: self.session.today(),
            place,
            ..Stop::default()
        };
        let id = stop.id;
        let list = crate::domain::record::changes(&[], std::slice::from_ref(&stop));
        self.session.keep(Some(id), "stop planned", false, list);
        self.reload_day()?;
        Ok(id)
    }

    /// Begins a stop: the truck has arrived.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn begin_stop(&mut self, id: StopId) -> Result<(), StoreError> {
        self.open_stop(id)?;
        let now = self.session.now();
        let begun = self
            .stop
            .as_ref()
            .is_some_and(|state| state.visit.stop.started_at.is_some());
        if !begun {
            self.change_plainly("stop begun", |visit, new_id| {
                visit.stop.started_at = Some(now);
                visit.stop.residents_tenths = visit.site.residents_tenths;
                if visit.tanks.is_empty() {
                    add_tank(visit, new_id);
                }
            });
        }
        Ok(())
    }

    /// Changes the stop: one action, kept at once, and one step of Undo.
    pub(crate) fn change(&mut self, label: &str, change: impl FnOnce(&mut Visit, &mut dyn FnMut() -> Uuid)) {
        self.change_with(label, true, change);
    }

    /// Changes the stop in a way that Undo leaves alone.
    pub(crate) fn change_plainly(&mut self, label: &str, change: impl FnOnce(&mut Visit, &mut dyn FnMut() -> Uuid)) {
        self.change_with(label, false, change);
    }

    fn change_with(&mut self, label: &str, undoable: bool, change: impl FnOnce(&mut Visit, &mut dyn FnMut() -> Uuid)) {
        let Some(state) = self.stop.as_mut() else { return };
        let before = state.visit.clone();
        state.preview = None;
        let after = &mut state.visit;
        let session = &self.session;
        change(after, &mut || session.new_id());
        if before.stop.id.0.is_nil() {
            // Only the site's tanks are open: there is no stop that a reading or a pump-out could belong to.
            after.stop.clone_from(&before.stop);
            after.readings.clone_from(&before.readings);
            after.pumpings.clone_from(&before.pumpings);
            after.flushes.clone_from(&before.flushes);
            after.signs.clone_from(&before.signs);
            after.conditions.clone_from(&before.conditions);
            after.leak_runs.clone_from(&before.leak_runs);
            after.work.clone_from(&before.work);
        }
        let below_site = before.changes_below_site_to(after);
        let is_the_same = below_site.is_empty() && after.site == before.site;
        self.assess_stop();
        if is_the_same {
            return;
        }
        // The site's date moves with the stop, in the same action, so that undoing one undoes both.
        if undoable && let Some(state) = self.stop.as_mut().filter(|state| state.stop_id().is_some()) {
            let due = state
                .soonest()
                .and_then(|(_, soonest)| soonest.forecast.dates)
                .map(|dates| dates.due);
            state.visit.site.due_on = due;
        }
        let Some(state) = self.stop.as_mut() else { return };
        let mut list = before.site_changes_to(&state.visit);
        list.extend(below_site);
        if undoable {
            state.undo_label = Some(label.to_owned());
        }
        // What has been taken away is kept in the book and leaves the screen.
        drop_removed(&mut state.visit);
        let stop = state.stop_id();
        self.session.keep(stop, label, undoable && stop.is_some(), list);
    }

    /// Shows a change without keeping it, while a finger drags.
    pub(crate) fn preview(&mut self, change: impl FnOnce(&mut Visit, &mut dyn FnMut() -> Uuid)) {
        let Some(state) = self.stop.as_mut() else { return };
        let mut visit = state.visit.clone();
        let session = &self.session;
        let mut new_id = || session.new_id();
        change(&mut visit, &mut new_id);
        state.preview = Some(visit);
        self.assess_stop();
    }

    /// Works out again what the stop's figures mean.
    pub(crate) fn assess_stop(&mut self) {
        self.refresh_yard();
        let Some(state) = self.stop.as_ref() else { return };
        let visit = state.shown();
        let Some(rule_set) = self.session.rule_set(&visit.site) else {
            return;
        };
        let assessments = visit
            .tanks
            .iter()
            .map(|tank| {
                assess(
                    &work_input(visit, &state.history, tank, self.session.setup()),
                    &rule_set,
                    &[],
                )
            })
            .collect();
        if let Some(state) = self.stop.as_mut() {
            state.assessments = assessments;
        }
    }

    /// Takes back the last action of the stop that still stands.
    pub fn undo(&mut self) {
        let Some(stop) = self.stop.as_ref().and_then(StopState::stop_id) else {
            return;
        };
        // While the last action waits to be kept, the book would take back the one before it.
        let settled = self.session.settle();
        if self.try_book(settled).is_none() {
            return;
        }
        let (id, at) = (self.session.new_id(), self.session.now());
        let result = self.session.ask(move |store| {
            let undone = store.undo(stop, id, at)?;
            let visit = store.visit(stop)?;
            let photos = store.photos(visit.site.id)?;
            Ok((undone, visit, photos, store.undo_label(stop)?))
        });
        if let Some((undone, visit, photos, next)) = self.try_book(result) {
            if let Some(state) = self.stop.as_mut() {
                state.visit = visit;
                state.photos.set(photos);
                state.preview = None;
                state.grabbed = None;
                state.find.settle_down();
                state.undo_label = next;
                state.tank = state.tank.min(state.visit.tanks.len().saturating_sub(1));
                state.lid = state.lid.min(state.lids().len().saturating_sub(1));
                state.compartment = state.compartment.min(state.compartments().len().saturating_sub(1));
            }
            if undone.is_some() {
                self.session.set_kept_at(Some(at));
            }
            self.assess_stop();
            self.leave_missing_photo();
        }
    }

    /// Stands at a station of the open stop; that is kept too.
    pub(crate) fn stand_at(&mut self, station: Station) {
        self.change_plainly("station", |visit, _| visit.stop.station = station);
    }

    /// Returns what all five stations show.
    #[must_use]
    pub fn stop_view(&self) -> StopView {
        let Some(state) = self.stop.as_ref() else {
            return StopView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let visit = state.shown();
        let mut detail = Vec::new();
        if let Some(liquid) = state
            .assessment()
            .map(|a| a.contents.liquid)
            .filter(|v| v.as_litres() > 0.5)
        {
            detail.push(figures.volume(liquid));
        }
        detail.push(words.n("{0} lid", "{0} lids", state.lids().len()));
        detail.push(
            visit
                .site
                .residents_tenths
                .map_or_else(|| words.t("people not asked"), |n| figures.people(n)),
        );
        let kept = match (self.session.is_kept(), self.session.kept_at()) {
            (false, _) => words.t("not kept yet"),
            (true, Some(at)) => words.f("kept {0}", &[&at.format("%H:%M").to_string()]),
            (true, None) => String::new(),
        };
        StopView {
            title: visit.site.name.clone(),
            detail: detail.join(" · "),
            kept,
            is_kept: self.session.is_kept(),
            quarters: quarters(state),
            can_undo: state.undo_label.is_some(),
            undo_text: state
                .undo_label
                .as_deref()
                .map(|label| words.t(label))
                .unwrap_or_default(),
        }
    }

    /// Moves to the next or the previous tank of the site.
    pub fn step_tank(&mut self, by: isize) {
        if let Some(state) = self.stop.as_mut() {
            state.tank = stepped(state.tank, by, state.visit.tanks.len());
            state.compartment = 0;
            state.dimension = 0;
        }
    }

    /// Shows a tank, counted from one.
    pub fn choose_tank(&mut self, number: usize) {
        if let Some(state) = self.stop.as_mut() {
            state.tank = number.saturating_sub(1).min(state.visit.tanks.len().saturating_sub(1));
            state.compartment = 0;
            state.dimension = 0;
        }
    }

    /// Moves to the next or the previous compartment, over to the next tank at the end of one.
    pub fn step_compartment(&mut self, by: isize) {
        let Some(state) = self.stop.as_mut() else { return };
        let count = state.compartments().len();
        let at_end = if by > 0 {
            state.compartment + 1 >= count
        } else {
            state.compartment == 0
        };
        if at_end && state.visit.tanks.len() > 1 {
            state.tank = stepped(state.tank, by, state.visit.tanks.len());
            state.compartment = if by > 0 {
                0
            } else {
                state.compartments().len().saturating_sub(1)
            };
        } else {
            state.compartment = stepped(state.compartment, by, count);
        }
        state.dimension = 0;
    }

    pub(crate) fn say_nothing_to_do(&mut self, what: &str, advice: &str) {
        let words = self.session.words();
        self.say(NoticeKind::Info, words.t(what), words.t(advice));
    }
}

/// Moves an index around a list, from its end to its start.
pub(crate) fn stepped(index: usize, by: isize, count: usize) -> usize {
    if count == 0 {
        return 0;
    }
    let count = isize::try_from(count).unwrap_or(isize::MAX);
    usize::try_from((isize::try_from(index).unwrap_or(0) + by).rem_euclid(count)).unwrap_or(0)
}

fn drop_removed(visit: &mut Visit) {
    visit.tanks.retain(|tank| !tank.is_removed());
    visit.compartments.retain(|compartment| !compartment.is_removed());
    visit.lids.retain(|lid| !lid.is_removed());
    visit.pins.retain(|pin| !pin.is_removed());
    visit.ties.retain(|tie| !tie.is_removed());
    visit.clues.retain(|clue| !clue.is_removed());
    visit.probes.retain(|probe| !probe.is_removed());
    visit.readings.retain(|reading| !reading.is_removed());
    visit.pumpings.retain(|pumping| !pumping.is_removed());
    visit.fixtures.retain(|fixture| !fixture.is_removed());
    visit.flushes.retain(|flush| !flush.is_removed());
    visit.signs.retain(|sign| !sign.is_removed());
    visit.conditions.retain(|condition| !condition.is_removed());
    visit.leak_runs.retain(|run| !run.is_removed());
    visit.work.retain(|line| !line.is_removed());
}

/// What all five stations show.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StopView {
    /// The site.
    pub title: String,
    /// Size, lids and people on one line.
    pub detail: String,
    /// When the last action was kept, or that it is not yet.
    pub kept: String,
    /// Everything shown is on disk.
    pub is_kept: bool,
    /// How far each station is, in quarters.
    pub quarters: [i32; 5],
    /// There is something to take back.
    pub can_undo: bool,
    /// What Undo would take back.
    pub undo_text: String,
}

/// How far each of the five stations is filled, 0 to 4.
pub(crate) fn quarters(state: &StopState) -> [i32; 5] {
    let visit = state.shown();
    let share = |done: usize, of: usize| {
        if of == 0 {
            0
        } else {
            i32::try_from((done * 4).div_ceil(of).min(4)).unwrap_or(4)
        }
    };
    let count = |list: &[bool]| share(list.iter().filter(|done| **done).count(), list.len());
    let placed = visit.site.lat_e7.is_some()
        || !visit.stop.find_note.is_empty()
        || !state.history.is_empty()
        || state.find.model.lids().next().is_some();
    let find = count(&[
        visit.stop.lid_found.is_some(),
        placed || visit.stop.lid_found == Some(true),
    ]);
    let lids = state.lids();
    let dig = share(lids.iter().filter(|lid| lid.cover_mm.is_some()).count(), lids.len());
    let readings = visit
        .compartments
        .iter()
        .flat_map(|c| {
            let reading = state.reading_of(c.id);
            [
                reading.is_some_and(|r| r.scum_mm.is_some()),
                reading.is_some_and(|r| r.sludge_mm.is_some() || !r.probes_mm.is_empty()),
            ]
        })
        .collect::<Vec<_>>();
    let pumped = visit
        .tanks
        .iter()
        .flat_map(|tank| {
            let pumping = visit.pumpings.iter().find(|p| p.tank == tank.id && !p.removed);
            match pumping.and_then(|p| p.pumped) {
                None => [false; 3],
                Some(false) => [true; 3],
                Some(true) => [
                    true,
                    pumping.is_some_and(|p| p.out_ml.is_some()),
                    pumping.is_some_and(|p| p.rinsed.is_some()),
                ],
            }
        })
        .collect::<Vec<_>>();
    let leave = count(&[visit.stop.lids_closed == Some(true), visit.stop.finished_at.is_some()]);
    [find, dig, count(&readings), count(&pumped), leave]
}
