//! The flush test: every fixture run, one after the other, and the inlet watched.

use super::{PageChoice, PageRow, PageText, PageView, Rows, Target, choice, flush_sentences};
use crate::app::findings::Findings;
use crate::app::overlay::SheetTarget;
use crate::app::shell::App;
use crate::domain::cautions::Caution;
use crate::domain::flush::{Came, FixtureKind};
use crate::domain::record::{Fixture, FixtureId, Flush, FlushId, FlushResult, FlushRound, Visit};
use crate::exchange::looked_at::{came, flush_of};
use crate::say::figures::Figures;
use chrono::{DateTime, FixedOffset};

/// Nobody waits longer than this for one fixture, s (common practice): a longer count is that of a changed clock.
const MOST_COUNTED_S: i64 = 1_800;

/// What a fixture is called: its own name, or its kind; with a number when there are several of one name.
pub(super) fn fixture_title(visit: &Visit, fixture: &Fixture, figures: Figures) -> String {
    let base = |fixture: &Fixture| {
        let name = fixture.name.trim();
        if name.is_empty() {
            crate::app::leave::capitalised(&Findings::new(figures).fixture_kind(fixture.kind))
        } else {
            name.to_owned()
        }
    };
    let own = base(fixture);
    let place = visit
        .fixtures
        .iter()
        .filter(|other| !other.removed && base(other) == own)
        .position(|other| other.id == fixture.id)
        .unwrap_or(0);
    if place == 0 {
        own
    } else {
        format!("{own} {}", place + 1)
    }
}

/// Writes what came, in a few words.
fn came_text(flush: Option<&Flush>, figures: Figures) -> String {
    let words = figures.words;
    let seconds = flush.and_then(|flush| flush.after_s).map(|s| s.to_string());
    match (came(flush), seconds) {
        (Came::NotTried, _) => words.t("not run yet"),
        (Came::Promptly { .. }, Some(s)) => words.f("came after {0} s", &[&s]),
        (Came::Promptly { .. }, None) => words.t("came"),
        (Came::Slowly { .. }, Some(s)) => words.f("slow: after {0} s", &[&s]),
        (Came::Slowly { .. }, None) => words.t("came slowly"),
        (Came::Nothing, Some(s)) => words.f("nothing after {0} s", &[&s]),
        (Came::Nothing, None) => words.t("nothing came"),
    }
}

impl App {
    /// The run that is being filled in: the one chosen, else the second once it has begun.
    fn round(&self) -> FlushRound {
        let Some(state) = self.stop.as_ref() else {
            return FlushRound::Before;
        };
        let begun = state
            .shown()
            .flushes
            .iter()
            .any(|flush| flush.round == FlushRound::After && !flush.removed);
        state
            .page
            .round
            .unwrap_or(if begun { FlushRound::After } else { FlushRound::Before })
    }

    pub(super) fn flush_page(&self) -> PageView {
        let figures = self.session.figures();
        let (words, says) = (figures.words, self.findings());
        let Some(state) = self.stop.as_ref() else {
            return PageView::default();
        };
        let mut result = Vec::new();
        if let Some(Ok(report)) = self.report(figures) {
            let shown = match self.round() {
                FlushRound::Before => report.flush.as_ref(),
                FlushRound::After => report.flush_after.as_ref(),
            };
            if let Some(finding) = shown {
                result.extend(flush_sentences(finding, says));
                result.extend(finding.caveats.iter().map(|caveat| says.caveat(*caveat)));
                result.extend(
                    finding
                        .next
                        .iter()
                        .enumerate()
                        .map(|(place, check)| format!("{}. {}", place + 1, says.line_check(*check))),
                );
                if !finding.carry.is_empty() {
                    let carry: Vec<String> = finding.carry.iter().map(|each| says.carry(*each)).collect();
                    result.push(words.f("Carry from the truck: {0}.", &[&carry.join(", ")]));
                }
            }
            if let Some(comparison) = &report.comparison {
                result.push(says.outcome(comparison.outcome));
                result.extend(
                    comparison
                        .fixtures
                        .iter()
                        .map(|each| format!("{}: {}", each.name, says.change(each.change))),
                );
            }
        }
        let running = state
            .shown()
            .flushes
            .iter()
            .any(|flush| flush.started_at.is_some() && flush.result.is_none() && !flush.removed);
        PageView {
            title: words.t("Flush test"),
            cautions: vec![
                says.caution(Caution::StayOut),
                says.caution(Caution::Gas),
                says.caution(Caution::CleanoutUnderPressure),
            ],
            lead: vec![
                words.t(
                    "With the tank drawn down, have each fixture run, one at a time, and watch the inlet from above.",
                ),
            ],
            ticking: running,
            result,
            keys: [words.t("What it says"), String::new()],
            ..PageView::default()
        }
    }

    pub(super) fn flush_rows(&self) -> Rows {
        let figures = self.session.figures();
        let (words, says) = (figures.words, self.findings());
        let Some(state) = self.stop.as_ref() else {
            return Rows::new();
        };
        let visit = state.shown();
        let round = self.round();
        let yes_no = |fact: Option<bool>| {
            vec![
                choice(words.t("Yes"), fact == Some(true)),
                choice(words.t("No"), fact == Some(false)),
            ]
        };
        let mut rows = vec![
            (
                PageRow {
                    title: words.t("Drawn down below the inlet"),
                    choices: yes_no(visit.stop.drawn_down),
                    ..PageRow::default()
                },
                Target::DrawnDown,
            ),
            (
                PageRow {
                    title: words.t("Which run"),
                    choices: vec![
                        choice(words.t("As found"), round == FlushRound::Before),
                        choice(words.t("After clearing"), round == FlushRound::After),
                    ],
                    ..PageRow::default()
                },
                Target::Round,
            ),
        ];
        for fixture in visit.fixtures.iter().filter(|fixture| !fixture.removed) {
            let flush = flush_of(visit, fixture, round);
            let running = flush
                .filter(|flush| flush.result.is_none())
                .and_then(|flush| flush.started_at);
            let standing = match running {
                Some(from) => match self.counted(fixture.id, from) {
                    Some(seconds) => words.f("running for {0} s", &[&seconds.to_string()]),
                    None => words.t("running"),
                },
                None => came_text(flush, figures),
            };
            let mut parts: Vec<String> = [&fixture.floor, &fixture.branch]
                .into_iter()
                .filter(|part| !part.trim().is_empty())
                .cloned()
                .collect();
            parts.push(standing);
            if round == FlushRound::After {
                let before = came_text(flush_of(visit, fixture, FlushRound::Before), figures);
                parts.push(words.f("as found: {0}", &[&before]));
            }
            let result = flush.and_then(|flush| flush.result);
            rows.push((
                PageRow {
                    title: fixture_title(visit, fixture, figures),
                    detail: parts.join(" · "),
                    choices: vec![
                        choice(words.t("Run"), running.is_some()),
                        choice(words.t("Came"), result == Some(FlushResult::Came)),
                        choice(words.t("Slow"), result == Some(FlushResult::Slowly)),
                        choice(words.t("Nothing"), result == Some(FlushResult::Nothing)),
                    ],
                    opens: true,
                    ..PageRow::default()
                },
                Target::Fixture(fixture.id),
            ));
        }
        for (place, kinds) in FixtureKind::ALL.chunks(3).enumerate() {
            rows.push((
                PageRow {
                    title: if place == 0 {
                        words.t("Add a fixture with one tap")
                    } else {
                        String::new()
                    },
                    choices: kinds
                        .iter()
                        .map(|kind| {
                            let name = crate::app::leave::capitalised(&says.fixture_kind(*kind));
                            choice(name, false)
                        })
                        .collect(),
                    ..PageRow::default()
                },
                Target::AddFixture(kinds.to_vec()),
            ));
        }
        rows
    }

    pub(super) fn choose_drawn_down(&mut self, choice: usize) {
        let said = choice == 0;
        self.change("tank drawn down", |visit, _| {
            let now = visit.stop.drawn_down;
            visit.stop.drawn_down = if now == Some(said) { None } else { Some(said) };
        });
    }

    pub(super) fn choose_round(&mut self, choice: usize) {
        if let Some(state) = self.stop.as_mut() {
            state.page.round = FlushRound::ALL.get(choice).copied();
        }
    }

    pub(super) fn add_fixture(&mut self, kind: FixtureKind) {
        self.change("fixture", |visit, new_id| {
            let place = visit
                .fixtures
                .iter()
                .map(|fixture| fixture.place + 1)
                .max()
                .unwrap_or(0);
            visit.fixtures.push(Fixture {
                id: FixtureId(new_id()),
                site: visit.site.id,
                place,
                kind,
                ..Fixture::default()
            });
        });
    }

    /// Seconds a fixture has run: by the clock that nobody can set where it has counted, else by the time of day; nothing when
    /// that makes no sense, because the clock was changed.
    fn counted(&self, fixture: FixtureId, from: DateTime<FixedOffset>) -> Option<i64> {
        let since = self.stop.as_ref().and_then(|state| state.page.running.as_ref());
        let steady = since
            .filter(|(running, _)| *running == fixture)
            .and_then(|(_, from)| self.session.steady()?.since(&from.boot, from.seconds));
        let seconds = steady.unwrap_or_else(|| (self.session.now() - from).num_seconds());
        (0..=MOST_COUNTED_S).contains(&seconds).then_some(seconds)
    }

    pub(super) fn choose_flush(&mut self, fixture: FixtureId, choice: usize) {
        let (round, now, steady) = (self.round(), self.session.now(), self.session.steady());
        let counted = self.stop.as_ref().and_then(|state| {
            let flush = state
                .visit
                .flushes
                .iter()
                .find(|flush| flush.fixture == fixture && flush.round == round && !flush.removed)?;
            let from = flush.started_at.filter(|_| flush.result.is_none())?;
            self.counted(fixture, from)
        });
        if let Some(state) = self.stop.as_mut() {
            state.page.running = steady.filter(|_| choice == 0).map(|from| (fixture, from));
        }
        self.change("flush test", |visit, new_id| {
            let stop = visit.stop.id;
            let at = visit
                .flushes
                .iter()
                .position(|flush| flush.fixture == fixture && flush.round == round && !flush.removed)
                .unwrap_or_else(|| {
                    visit.flushes.push(Flush {
                        id: FlushId(new_id()),
                        stop,
                        fixture,
                        round,
                        ..Flush::default()
                    });
                    visit.flushes.len() - 1
                });
            let Some(flush) = visit.flushes.get_mut(at) else { return };
            let running = flush.started_at.filter(|_| flush.result.is_none());
            let result = match choice {
                0 => {
                    // A second tap takes the start back.
                    flush.started_at = if running.is_some() { None } else { Some(now) };
                    flush.result = None;
                    flush.after_s = None;
                    return;
                }
                1 => FlushResult::Came,
                2 => FlushResult::Slowly,
                _ => FlushResult::Nothing,
            };
            if flush.result == Some(result) {
                flush.result = None;
                flush.after_s = None;
                flush.started_at = None;
                return;
            }
            // What was counted says itself whether it was slow.
            flush.result = match counted.and_then(|s| u32::try_from(s).ok()).map(Came::after) {
                Some(Came::Slowly { .. }) if result == FlushResult::Came => Some(FlushResult::Slowly),
                _ => Some(result),
            };
            flush.after_s = if running.is_some() { counted } else { flush.after_s };
        });
    }

    pub(super) fn open_fixture(&mut self, id: FixtureId) {
        let words = self.session.words();
        let Some(state) = self.stop.as_ref() else { return };
        let Some(fixture) = state.shown().fixtures.iter().find(|fixture| fixture.id == id) else {
            return;
        };
        let title = fixture_title(state.shown(), fixture, self.session.figures());
        let rows = vec![
            (words.t("Name"), fixture.name.clone()),
            (words.t("Floor"), fixture.floor.clone()),
            (words.t("Branch"), fixture.branch.clone()),
            (words.t("Take off the list"), String::new()),
        ];
        self.open_page_list(PageChoice::Fixture(id), title, rows);
    }

    pub(super) fn fixture_chosen(&mut self, id: FixtureId, index: usize) {
        let found = self
            .stop
            .as_ref()
            .and_then(|state| state.visit.fixtures.iter().find(|fixture| fixture.id == id).cloned());
        let Some(fixture) = found else { return };
        let sheet = |target| SheetTarget::Page(target);
        match index {
            0 => self.open_sheet(sheet(PageText::FixtureName(id)), "Name", fixture.name, false),
            1 => self.open_sheet(sheet(PageText::FixtureFloor(id)), "Floor", fixture.floor, false),
            2 => self.open_sheet(sheet(PageText::FixtureBranch(id)), "Branch", fixture.branch, false),
            _ => self.change("fixture", |visit, _| {
                for fixture in visit.fixtures.iter_mut().filter(|fixture| fixture.id == id) {
                    fixture.removed = true;
                }
            }),
        }
    }

    pub(super) fn change_fixture(&mut self, id: FixtureId, change: impl FnOnce(&mut Fixture)) {
        self.change("fixture", |visit, _| {
            if let Some(fixture) = visit.fixtures.iter_mut().find(|fixture| fixture.id == id) {
                change(fixture);
            }
        });
    }
}
