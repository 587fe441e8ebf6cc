//! The leak gauge: the level marked, a wait, the level marked again.
//!
//! The first mark is kept when it is made, with its time and with the count of a clock that nobody can set. What is left of
//! the wait follows from that, so that neither a locked phone, nor a killed program, nor a clock that is changed loses it.

use super::{PageNumber, PageRow, PageView, Rows, Target, choice};
use crate::app::inputs::compartments_of;
use crate::app::overlay::{PadKind, PadTarget};
use crate::app::shell::App;
use crate::domain::cautions::Caution;
use crate::domain::diagnose::{Facts, diagnose};
use crate::domain::leak::{CLOCKS_AGREE_S, Direction};
use crate::domain::record::{LeakRun, LeakRunId, Units};
use crate::domain::units::MM_PER_INCH;
use crate::exchange::looked_at;
use chrono::{DateTime, FixedOffset};

/// How long one may wait, minutes; common practice, the more the smaller the leak.
const WAITS_MIN: [i64; 4] = [15, 30, 60, 120];

/// A time as hours, minutes and seconds: "1:04:09", "04:09".
fn clock_text(seconds: i64) -> String {
    let (hours, minutes, rest) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    if hours > 0 {
        format!("{hours}:{minutes:02}:{rest:02}")
    } else {
        format!("{minutes:02}:{rest:02}")
    }
}

/// A level in inches. What is kept in whole millimetres as the rounding of an eighth of an inch is that eighth.
fn inches_text(mm: f64) -> String {
    let eighths = (mm * 8.0 / MM_PER_INCH).round();
    let text = if (eighths * MM_PER_INCH / 8.0 - mm).abs() <= 0.5 {
        format!("{:.3}", eighths / 8.0)
    } else {
        format!("{:.2}", mm / MM_PER_INCH)
    };
    format!("{} in", text.trim_end_matches('0').trim_end_matches('.'))
}

impl App {
    /// The run whose second mark is still to be made.
    fn open_run(&self) -> Option<&LeakRun> {
        self.stop
            .as_ref()?
            .shown()
            .leak_runs
            .iter()
            .rev()
            .find(|run| run.ended_at.is_none() && !run.removed)
    }

    /// Seconds of the wait that are left, zero when it is over.
    fn wait_left(&self, run: &LeakRun) -> i64 {
        let gone = self
            .steady_gone(run)
            .unwrap_or_else(|| (self.session.now() - run.started_at).num_seconds());
        run.wait_s.saturating_sub(gone).clamp(0, run.wait_s.max(0))
    }

    /// Seconds since the first mark by the clock that nobody can set; nothing when the phone was started again since.
    fn steady_gone(&self, run: &LeakRun) -> Option<i64> {
        self.session.steady()?.since(&run.boot, run.steady_start_s?)
    }

    /// What there is to say about the clock while a wait goes on.
    fn clock_line(&self, run: &LeakRun) -> Option<String> {
        let words = self.session.words();
        let by_day = (self.session.now() - run.started_at).num_seconds();
        match self.steady_gone(run) {
            Some(gone) => {
                let apart = by_day.saturating_sub(gone).unsigned_abs();
                (apart > CLOCKS_AGREE_S).then(|| {
                    words.t("The clock of this phone was changed during the wait. The wait goes on by a clock that nobody can set.")
                })
            }
            None if by_day < 0 => Some(words.t(
                "The clock of this phone stands before the first mark: it was set back. Set it right, or begin the measurement again.",
            )),
            None => None,
        }
    }

    /// What the Pump station says of the leak gauge; empty when none runs.
    pub(crate) fn gauge_key_text(&self) -> String {
        let words = self.session.words();
        self.open_run()
            .map_or_else(String::new, |run| match self.wait_left(run) {
                0 => words.t("mark again"),
                left => clock_text(left),
            })
    }

    /// Whether a wait goes on that has not ended.
    pub(crate) fn gauge_runs(&self) -> bool {
        self.open_run().is_some_and(|run| self.wait_left(run) > 0)
    }

    /// A level of the gauge: finer than a reading, for it is read at a mark.
    fn fine_level(&self, mm: i64) -> String {
        let words = self.session.words();
        #[expect(clippy::cast_precision_loss, reason = "a level is far inside f64's whole numbers")]
        let real = mm.abs() as f64;
        let text = match self.session.setup().units {
            Units::UsCustomary => inches_text(real),
            Units::Metric => format!("{:.1} cm", real / 10.0),
        };
        if mm > 0 {
            words.f("{0} above the outlet", &[&text])
        } else {
            words.f("{0} below the outlet", &[&text])
        }
    }

    pub(super) fn gauge_page(&self) -> PageView {
        let figures = self.session.figures();
        let (words, says) = (figures.words, self.findings());
        let mut view = PageView {
            title: words.t("Leak gauge"),
            cautions: vec![
                says.caution(Caution::StayOut),
                says.caution(Caution::LidsShut),
                says.caution(Caution::Children),
                says.caution(Caution::FloatingTank),
            ],
            lead: vec![
                words.t("Have everything in the house turned off. Measure from one fixed point, the same both times."),
            ],
            keys: [words.t("Mark the level now"), String::new()],
            ..PageView::default()
        };
        if let Some(run) = self.open_run() {
            let left = self.wait_left(run);
            view.figure = clock_text(left);
            view.figure_text = if left > 0 {
                words.f(
                    "left of {0}; the wait goes on with the phone locked or the program closed",
                    &[&says.wait(u64::try_from(run.wait_s).unwrap_or(0))],
                )
            } else {
                words.t("The time is up: read the level and mark it again.")
            };
            view.ticking = left > 0;
            let at = run.started_at.format("%H:%M").to_string();
            view.lead
                .push(words.f("First mark at {0}: {1}.", &[&at, &self.fine_level(run.level_start_mm)]));
            view.lead.extend(self.clock_line(run));
            view.keys = [words.t("Mark again"), String::new()];
        }
        let ended = self.stop.as_ref().and_then(|state| looked_at::ended_run(state.shown()));
        if let Some(run) = ended {
            view.result = self.run_lines(run);
        }
        view
    }

    /// What one run says, alone.
    fn run_lines(&self, run: &LeakRun) -> Vec<String> {
        let says = self.findings();
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let visit = state.shown();
        let compartments = compartments_of(visit, run.tank);
        let facts = Facts {
            tank: Some(looked_at::tank_of(&compartments)),
            residents: visit
                .site
                .residents_tenths
                .and_then(|tenths| i32::try_from(tenths).ok())
                .map(|tenths| f64::from(tenths) / 10.0),
            gauge: looked_at::gauged(run, &compartments),
            ..Facts::default()
        };
        match diagnose(&facts).ok().and_then(|report| report.gauge) {
            Some(Ok(found)) => std::iter::once(says.gauge(&found))
                .chain(found.notes.iter().map(|note| says.gauge_note(*note)))
                .collect(),
            Some(Err(refusal)) => vec![says.gauge_refusal(&refusal)],
            None => Vec::new(),
        }
    }

    pub(super) fn gauge_rows(&self) -> Rows {
        let (words, says) = (self.session.words(), self.findings());
        let Some(state) = self.stop.as_ref() else {
            return Rows::new();
        };
        let mut rows = Rows::new();
        if self.open_run().is_none() {
            rows.push((
                PageRow {
                    title: words.t("Looking for"),
                    choices: vec![
                        choice(words.t("Water coming in"), state.page.direction == Direction::Inflow),
                        choice(words.t("Water leaving"), state.page.direction == Direction::Outflow),
                    ],
                    detail: words.t(match state.page.direction {
                        Direction::Inflow => "in the drawn-down tank",
                        Direction::Outflow => "from the tank filled to the outlet",
                    }),
                    ..PageRow::default()
                },
                Target::Direction,
            ));
            let compartments = state.compartments().len();
            if compartments > 1 {
                let mut choices = vec![choice(words.t("All at one level"), state.page.compartment.is_none())];
                choices.extend(
                    (0..compartments)
                        .map(|place| choice((place + 1).to_string(), state.page.compartment == Some(place))),
                );
                rows.push((
                    PageRow {
                        title: words.t("Compartment"),
                        detail: words.t("one alone when the wall between them cuts the water off"),
                        choices,
                        ..PageRow::default()
                    },
                    Target::GaugeCompartment,
                ));
            }
            rows.push((
                PageRow {
                    title: words.t("Wait"),
                    detail: words.t("The longer, the smaller the leak that shows."),
                    choices: WAITS_MIN
                        .iter()
                        .enumerate()
                        .map(|(place, minutes)| {
                            let seconds = u64::try_from(*minutes).unwrap_or(0) * 60;
                            choice(says.wait(seconds), state.page.wait == place)
                        })
                        .collect(),
                    ..PageRow::default()
                },
                Target::Wait,
            ));
        }
        for run in state.shown().leak_runs.iter().rev().filter(|run| !run.removed) {
            let (Some(end), Some(level)) = (run.ended_at, run.level_end_mm) else {
                continue;
            };
            let hour = |at: DateTime<FixedOffset>| at.format("%H:%M").to_string();
            rows.push((
                PageRow {
                    title: words.f("{0} to {1}", &[&hour(run.started_at), &hour(end)]),
                    detail: format!("{} → {}", self.fine_level(run.level_start_mm), self.fine_level(level)),
                    choices: vec![choice(words.t("Take off"), false)],
                    ..PageRow::default()
                },
                Target::Run(run.id),
            ));
        }
        rows
    }

    pub(super) fn choose_direction(&mut self, choice: usize) {
        if let (Some(state), Some(direction)) = (self.stop.as_mut(), Direction::ALL.get(choice)) {
            state.page.direction = *direction;
        }
    }

    pub(super) fn choose_gauge_compartment(&mut self, choice: usize) {
        if let Some(state) = self.stop.as_mut() {
            state.page.compartment = choice.checked_sub(1);
        }
    }

    pub(super) fn choose_wait(&mut self, choice: usize) {
        if let Some(state) = self.stop.as_mut()
            && choice < WAITS_MIN.len()
        {
            state.page.wait = choice;
        }
    }

    pub(super) fn drop_run(&mut self, id: LeakRunId) {
        self.change("leak gauge", |visit, _| {
            for run in visit.leak_runs.iter_mut().filter(|run| run.id == id) {
                run.removed = true;
            }
        });
    }

    /// The level has been read at this moment; it is typed next.
    pub(super) fn mark_level(&mut self) {
        let moment = (self.session.now(), self.session.steady());
        let Some(state) = self.stop.as_mut() else { return };
        state.page.marked_at = Some(moment);
        self.open_pad(
            PadTarget::Page(PageNumber::Level),
            PadKind::SignedLength,
            "How far below the outlet is the surface?",
            String::new(),
        );
    }

    pub(super) fn keep_mark(&mut self, below_mm: i64) {
        let now = (self.session.now(), self.session.steady());
        let open = self.open_run().map(|run| run.id);
        let Some(state) = self.stop.as_mut() else { return };
        let (at, steady) = state.page.marked_at.take().unwrap_or(now);
        let level_mm = below_mm.saturating_neg();
        if let Some(id) = open {
            self.change("leak gauge", |visit, _| {
                if let Some(run) = visit.leak_runs.iter_mut().find(|run| run.id == id) {
                    run.ended_at = Some(at);
                    run.level_end_mm = Some(level_mm);
                    run.steady_end_s = steady
                        .filter(|steady| steady.boot == run.boot)
                        .map(|steady| steady.seconds);
                }
            });
            return;
        }
        let Some(tank) = state.tank().map(|tank| tank.id) else {
            return;
        };
        let compartment = state
            .page
            .compartment
            .and_then(|place| state.compartments().get(place).map(|compartment| compartment.id));
        let direction = state.page.direction;
        let wait_s = WAITS_MIN.get(state.page.wait).copied().unwrap_or(30) * 60;
        let (boot, steady_start_s) = steady.map_or((String::new(), None), |steady| (steady.boot, Some(steady.seconds)));
        self.change("leak gauge", |visit, new_id| {
            let stop = visit.stop.id;
            visit.leak_runs.push(LeakRun {
                id: LeakRunId(new_id()),
                stop,
                tank,
                compartment,
                direction,
                wait_s,
                started_at: at,
                level_start_mm: level_mm,
                ended_at: None,
                level_end_mm: None,
                boot,
                steady_start_s,
                steady_end_s: None,
                removed: false,
            });
        });
    }
}

#[cfg(test)]
mod tests {
    use super::inches_text;

    #[test]
    fn a_level_is_said_as_it_was_typed() {
        // 36 in are 914.4 mm, 35 1/8 in 892.2 mm; 900 mm are no eighth of an inch.
        assert_eq!(inches_text(914.0), "36 in");
        assert_eq!(inches_text(892.0), "35.125 in");
        assert_eq!(inches_text(900.0), "35.43 in");
        assert_eq!(inches_text(0.0), "0 in");
    }
}
