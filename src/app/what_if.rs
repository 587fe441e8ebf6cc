//! What if: other people, a grinder, another tank. Nothing here changes the record.

use crate::app::inputs::work_input;
use crate::app::overlay::{Answer, FigureView, PadKind, PadTarget, Verdict};
use crate::app::shell::App;
use crate::domain::forecast::{dates_for, forecast, published_table_years};
use crate::domain::units::Volume;
use chrono::NaiveDate;

/// What is being tried.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    residents_tenths: i64,
    grinder: bool,
    /// Liquid volume; `None`: the tank as it is.
    tank: Option<Volume>,
}

/// What What-if shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WhatIfView {
    /// The site.
    pub site_line: String,
    /// The date under the trial.
    pub date: String,
    /// How far it moves.
    pub detail: String,
    /// Something differs from the site as it is.
    pub changed: bool,
    /// People.
    pub residents: FigureView,
    /// Tank.
    pub tank: FigureView,
    /// Captions of the tank's keys.
    pub tank_nudges: (String, String),
    /// Grinder.
    pub grinder: Answer,
    /// What the answer rests on.
    pub note: String,
}

const TANK_STEP: (f64, f64) = (250.0, 1_000.0);

impl App {
    pub(crate) fn begin_trial(&mut self) {
        let Some(state) = self.stop.as_ref() else { return };
        self.trial = Some(Trial {
            residents_tenths: state.visit.site.residents_tenths.unwrap_or(30),
            grinder: state.visit.site.grinder == Some(true),
            tank: None,
        });
    }

    fn tank_now(&self) -> Volume {
        self.stop
            .as_ref()
            .and_then(|state| state.soonest())
            .map(|(_, a)| a.contents.liquid)
            .unwrap_or_default()
    }

    fn trial_date(&self, trial: Trial) -> Option<NaiveDate> {
        let state = self.stop.as_ref()?;
        let (place, _) = state.soonest()?;
        let visit = state.shown();
        let rule_set = self.session.rule_set(&visit.site)?;
        let input = work_input(visit, &state.history, visit.tanks.get(place)?, self.session.setup());
        let question = input.question(&rule_set);
        let residents = i32::try_from(trial.residents_tenths)
            .ok()
            .map(|tenths| f64::from(tenths) / 10.0);
        let capacity = trial.tank.unwrap_or_else(|| input.tank.liquid());
        let forecast = forecast(&question);
        dates_for(&question, &forecast, residents, trial.grinder, capacity)
            .ok()
            .map(|dates| dates.due)
    }

    /// Returns what What-if shows.
    #[must_use]
    pub fn what_if_view(&self) -> WhatIfView {
        let (Some(state), Some(trial)) = (self.stop.as_ref(), self.trial) else {
            return WhatIfView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let as_it_is = state
            .soonest()
            .and_then(|(_, soonest)| soonest.forecast.dates)
            .map(|dates| dates.due);
        let tried = self.trial_date(trial);
        let tank = trial.tank.unwrap_or_else(|| self.tank_now());
        let step = match figures.units {
            crate::domain::record::Units::UsCustomary => TANK_STEP.0,
            crate::domain::record::Units::Metric => TANK_STEP.1,
        };
        let site = &state.visit.site;
        let changed = trial.tank.is_some()
            || site.residents_tenths.unwrap_or(30) != trial.residents_tenths
            || (site.grinder == Some(true)) != trial.grinder;
        let detail = match (as_it_is, tried) {
            (Some(now), Some(then)) if then > now => words.f(
                "{0} later than {1}, as it is now",
                &[&figures.years_months(now, then), &figures.month(now)],
            ),
            (Some(now), Some(then)) if then < now => words.f(
                "{0} earlier than {1}, as it is now",
                &[&figures.years_months(then, now), &figures.month(now)],
            ),
            (Some(_), Some(_)) => words.t("as it is now"),
            _ => self.no_date_reason(),
        };
        WhatIfView {
            site_line: site.name.clone(),
            date: tried.map_or_else(|| words.t("No date yet"), |date| figures.month(date)),
            detail,
            changed,
            residents: FigureView {
                name: words.t("People"),
                value: figures.people_value(trial.residents_tenths),
                unit: String::new(),
                verdict: Verdict::Ok,
                message: String::new(),
            },
            tank: FigureView {
                name: words.t("Tank"),
                value: figures.volume_value(tank),
                unit: figures.volume_unit().to_owned(),
                verdict: Verdict::Ok,
                message: String::new(),
            },
            tank_nudges: (format!("+{step}"), format!("−{step}")),
            grinder: Some(trial.grinder).into(),
            note: match Self::published_years(trial, tank) {
                Some(years) => words.f(
                    "Published table: {0}. Nothing here changes the record.",
                    &[&figures.years(years)],
                ),
                None => words.t("Nothing here changes the record."),
            },
        }
    }

    /// The published table's figure for the trial, shown beside ours and never mixed into it.
    fn published_years(trial: Trial, tank: Volume) -> Option<f64> {
        let people = f64::from(i32::try_from(trial.residents_tenths).ok()?) / 10.0;
        published_table_years(tank, people)
    }

    /// One person more or less.
    pub fn nudge_trial_residents(&mut self, steps: i32) {
        if let Some(trial) = self.trial.as_mut() {
            trial.residents_tenths = (trial.residents_tenths + i64::from(steps) * 10).clamp(0, 10_000);
        }
    }

    /// Opens the number pad on the people.
    pub fn pad_trial_residents(&mut self) {
        self.open_pad(PadTarget::TrialResidents, PadKind::People, "People", String::new());
    }

    pub(crate) fn set_trial_residents(&mut self, tenths: i64) {
        if let Some(trial) = self.trial.as_mut() {
            trial.residents_tenths = tenths;
        }
    }

    /// A larger or smaller tank.
    pub fn nudge_trial_tank(&mut self, steps: i32) {
        let figures = self.session.figures();
        let now = self
            .trial
            .and_then(|trial| trial.tank)
            .unwrap_or_else(|| self.tank_now());
        self.set_trial_tank(figures.nudged_volume(now, steps, TANK_STEP.0, TANK_STEP.1));
    }

    /// Opens the number pad on the tank.
    pub fn pad_trial_tank(&mut self) {
        self.open_pad(PadTarget::TrialTank, PadKind::Volume, "Tank", String::new());
    }

    pub(crate) fn set_trial_tank(&mut self, volume: Volume) {
        if let Some(trial) = self.trial.as_mut() {
            trial.tank = (volume.as_litres() > 0.0).then_some(volume);
        }
    }

    /// With or without a grinder.
    pub fn tap_trial_grinder(&mut self, answer: Answer) {
        if let (Some(trial), Some(grinder)) = (self.trial.as_mut(), answer.fact()) {
            trial.grinder = grinder;
        }
    }

    /// Back to the site as it is.
    pub fn reset_trial(&mut self) {
        self.begin_trial();
    }
}
