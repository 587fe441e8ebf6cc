//! Pump: what came out, what was left in, and what the truck holds after.

use crate::app::overlay::{Answer, FigureView, PadKind, PadTarget, Verdict, next_answer};
use crate::app::shell::App;
use crate::app::stop::pumping_mut;
use crate::domain::ledger::{Fit, Ledger};
use crate::domain::record::{Pumping, TruckTankId};
use crate::domain::units::Volume;
use crate::say::hauled::volume_of;

/// What the Pump station shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PumpView {
    /// More than one tank.
    pub many_tanks: bool,
    /// Which tank.
    pub tank_text: String,
    /// Pumped or not.
    pub pumped: Answer,
    /// Taken out.
    pub out: FigureView,
    /// Captions of its keys.
    pub out_nudges: (String, String),
    /// Left in.
    pub heel: FigureView,
    /// Captions of its keys.
    pub heel_nudges: (String, String),
    /// Rinsed or not.
    pub rinsed: Answer,
    /// What the truck holds after this.
    pub truck_text: String,
    /// Its share of the truck.
    pub truck_ratio: f64,
    /// More than it holds, or the same again will not fit.
    pub truck_over: bool,
    /// What stands under the keys to the pages: flush test, signs, leak gauge, work; empty for nothing yet.
    pub page_texts: [String; 4],
    /// One of them changes by itself.
    pub ticking: bool,
}

/// One touch of the keys, US gallons and litres.
const OUT_STEP: (f64, f64) = (50.0, 200.0);
const HEEL_STEP: (f64, f64) = (10.0, 50.0);

impl App {
    /// Returns what the Pump station shows.
    #[must_use]
    pub fn pump_view(&self) -> PumpView {
        let Some(state) = self.stop.as_ref() else {
            return PumpView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let pumping = state.pumping();
        let liquid = state
            .assessment()
            .map(|assessment| assessment.contents.liquid)
            .unwrap_or_default();
        let out = pumping.and_then(|pumping| pumping.out_ml).map(Volume::from_whole_ml);
        let heel = pumping.and_then(|pumping| pumping.heel_ml).map(Volume::from_whole_ml);
        let figure = |name: &str, volume: Option<Volume>| FigureView {
            name: words.t(name),
            value: volume.map_or_else(|| "–".to_owned(), |volume| figures.volume_value(volume)),
            unit: figures.volume_unit().to_owned(),
            verdict: if volume.is_some() { Verdict::Ok } else { Verdict::Empty },
            message: String::new(),
        };
        let mut out_figure = figure("Out of this tank", out);
        if let Some(out) = out
            && liquid.as_litres() > 0.5
            && out.as_litres() > liquid.as_litres() * 1.25
        {
            out_figure.verdict = Verdict::Warning;
            out_figure.message = words.f(
                "More than the tank's {0}: runback, rinse water, or a wrong size.",
                &[&figures.volume(liquid)],
            );
        }
        let step = |step: (f64, f64)| {
            let amount = match figures.units {
                crate::domain::record::Units::UsCustomary => step.0,
                crate::domain::record::Units::Metric => step.1,
            };
            (format!("+ {amount}"), format!("− {amount}"))
        };
        let (truck_text, truck_ratio, truck_over) = self.truck_after(pumping, liquid);
        PumpView {
            many_tanks: state.shown().tanks.len() > 1,
            tank_text: words.f(
                "tank {0} of {1}",
                &[&(state.tank + 1).to_string(), &state.shown().tanks.len().to_string()],
            ),
            pumped: pumping.and_then(|pumping| pumping.pumped).into(),
            out: out_figure,
            out_nudges: step(OUT_STEP),
            heel: figure("Solids left in", heel),
            heel_nudges: step(HEEL_STEP),
            rinsed: pumping.and_then(|pumping| pumping.rinsed).into(),
            truck_text,
            truck_ratio,
            truck_over,
            page_texts: self.page_key_texts(),
            ticking: self.gauge_runs(),
        }
    }

    /// What the truck holds with the figures on the screen, its share, and whether that is too much or the next will be.
    fn truck_after(&self, pumping: Option<&Pumping>, liquid: Volume) -> (String, f64, bool) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let ledger = self.ledger_now();
        let rows = &self.truck.rows;
        let tank = pumping.map_or_else(
            || rows.tanks.first().map(|tank| tank.id),
            |pumping| rows.tank_of(pumping),
        );
        let Some(tank) = tank else {
            return (String::new(), 0.0, false);
        };
        let (load_ml, room_ml) = (ledger.load_ml(tank), ledger.room_ml(tank));
        let (load, capacity) = (volume_of(load_ml), volume_of(load_ml + room_ml));
        let share = ratio(load, capacity);
        let name = self.truck_tank_name(tank);
        let (load_text, capacity_text) = (figures.volume_value(load), figures.volume(capacity));
        let text = if name.is_empty() {
            words.f("Truck after this: {0} of {1}.", &[&load_text, &capacity_text])
        } else {
            let line = words.f("{0} after this: {1} of {2}.", &[&name, &load_text, &capacity_text]);
            crate::app::leave::capitalised(&line)
        };
        let text = self
            .second_after(pumping, tank, &ledger)
            .map_or_else(|| text.clone(), |line| format!("{text} {line}"));
        if room_ml < 0 {
            let roomy = rows
                .tanks
                .iter()
                .any(|other| other.id != tank && ledger.room_ml(other.id) + room_ml >= 0);
            let over = if roomy && rows.tanks.len() > 1 {
                words.t("More than it holds: tap here to say what ran over into another tank.")
            } else {
                words.t("More than the truck holds: check the figures.")
            };
            return (format!("{text} {over}"), share, true);
        }
        let Some(next_ml) = liquid.as_whole_ml().filter(|ml| *ml > 0) else {
            return (text, share, room_ml == 0);
        };
        let collected = pumping.is_some_and(|pumping| pumping.out_ml.is_some() || pumping.pumped == Some(false));
        match (ledger.fit(next_ml), collected) {
            (Fit::TooMuch { .. }, true) => {
                let tight = words.t("One more tank this size will not fit.");
                (format!("{text} {tight}"), share, true)
            }
            (Fit::TooMuch { .. }, false) => {
                let room = figures.volume(volume_of(room_ml.max(0)));
                let line = words.f(
                    "This tank holds {0}, room for {1}: it will not fit. Empty the truck first.",
                    &[&figures.volume(liquid), &room],
                );
                (line, share, true)
            }
            (Fit::Fits { tank: other, .. }, false) if other != tank => {
                let line = words.f("It fits into {0} only.", &[&self.truck_tank_name(other)]);
                (format!("{text} {line}"), share, true)
            }
            (
                Fit::OverTwo {
                    tanks: [first, second], ..
                },
                false,
            ) => {
                let [first, second] = [first, second].map(|tank| self.truck_tank_name(tank));
                let line = words.f("It fits only into {0} and {1} together.", &[&first, &second]);
                (format!("{text} {line}"), share, true)
            }
            _ => (text, share, false),
        }
    }

    /// What the tank of the truck holds that took the rest.
    fn second_after(&self, pumping: Option<&Pumping>, first: TruckTankId, ledger: &Ledger) -> Option<String> {
        let (words, figures) = (self.session.words(), self.session.figures());
        let parts = pumping?.parts(Some(first));
        let (tank, _) = parts.iter().find(|(tank, _)| *tank != first)?;
        let (load_ml, room_ml) = (ledger.load_ml(*tank), ledger.room_ml(*tank));
        let line = words.f(
            "{0} after this: {1} of {2}.",
            &[
                &self.truck_tank_name(*tank),
                &figures.volume_value(volume_of(load_ml)),
                &figures.volume(volume_of(load_ml + room_ml)),
            ],
        );
        Some(crate::app::leave::capitalised(&line))
    }

    fn change_pumping(&mut self, label: &str, change: impl FnOnce(&mut Pumping)) {
        let Some(tank) = self.stop.as_ref().and_then(|state| state.tank()).map(|tank| tank.id) else {
            return;
        };
        self.change(label, |visit, new_id| {
            if let Some(pumping) = pumping_mut(visit, tank, new_id) {
                change(pumping);
            }
        });
    }

    fn current_out(&self) -> Option<Volume> {
        self.stop.as_ref()?.pumping()?.out_ml.map(Volume::from_whole_ml)
    }

    /// Pumped or not; tapping the answer that stands takes it back.
    pub fn tap_pumped(&mut self, answer: Answer) {
        self.change_pumping("pumped", |pumping| pumping.pumped = answer.tapped_on(pumping.pumped));
    }

    /// One step more or less taken out. The first touch starts from what the tank holds.
    pub fn nudge_out(&mut self, steps: i32) {
        let figures = self.session.figures();
        let liquid = self
            .stop
            .as_ref()
            .and_then(|state| state.assessment())
            .map(|a| a.contents.liquid);
        let volume = self.current_out().map_or_else(
            || figures.nudged_volume(liquid.unwrap_or_default(), 0, OUT_STEP.0, OUT_STEP.1),
            |now| figures.nudged_volume(now, steps, OUT_STEP.0, OUT_STEP.1),
        );
        self.set_out(volume);
    }

    pub(crate) fn set_out(&mut self, volume: Volume) {
        let tank = self.truck.rows.tanks.first().map(|tank| tank.id);
        self.change_pumping("taken out", |pumping| {
            pumping.out_ml = volume.as_whole_ml();
            // Written out, so that it stays where it went when the truck gets another tank.
            pumping.truck_tank = pumping.truck_tank.or(tank);
            // Something came out, so it was pumped; nobody should have to say so twice.
            if volume.as_litres() > 0.0 && pumping.pumped.is_none() {
                pumping.pumped = Some(true);
            }
        });
    }

    /// Opens the number pad on what came out.
    pub fn pad_out(&mut self) {
        self.open_pad(PadTarget::Out, PadKind::Volume, "Out of this tank", String::new());
    }

    /// One step more or less left in.
    pub fn nudge_heel(&mut self, steps: i32) {
        let figures = self.session.figures();
        let now = self
            .stop
            .as_ref()
            .and_then(|state| state.pumping())
            .and_then(|pumping| pumping.heel_ml);
        let volume = now.map_or(Volume::ZERO, |ml| {
            figures.nudged_volume(Volume::from_whole_ml(ml), steps, HEEL_STEP.0, HEEL_STEP.1)
        });
        self.set_heel(volume);
    }

    pub(crate) fn set_heel(&mut self, volume: Volume) {
        self.change_pumping("solids left in", |pumping| pumping.heel_ml = volume.as_whole_ml());
    }

    /// Opens the number pad on what was left in.
    pub fn pad_heel(&mut self) {
        self.open_pad(PadTarget::Heel, PadKind::Volume, "Solids left in", String::new());
    }

    /// Rinsed or not; tapping the answer that stands takes it back.
    pub fn tap_rinsed(&mut self, answer: Answer) {
        self.change_pumping("rinsed", |pumping| pumping.rinsed = answer.tapped_on(pumping.rinsed));
    }

    /// Not said, pumped, not pumped.
    pub fn turn_pumped(&mut self) {
        self.change_pumping("pumped", |pumping| pumping.pumped = next_answer(pumping.pumped));
    }

    /// Not said, rinsed, not rinsed.
    pub fn turn_rinsed(&mut self) {
        self.change_pumping("rinsed", |pumping| pumping.rinsed = next_answer(pumping.rinsed));
    }
}

/// Share of a whole, zero when there is no whole.
pub(crate) fn ratio(part: Volume, whole: Volume) -> f64 {
    if whole.as_litres() > 0.0 {
        (part.as_litres() / whole.as_litres()).max(0.0)
    } else {
        0.0
    }
}
