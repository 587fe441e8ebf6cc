//! Leave: close up, and tell the customer.

use crate::app::dig::{advice_text, cost_text, lid_title, need_title, security_texts, stack_text};
use crate::app::overlay::{Answer, Confirm, ConfirmTarget, FigureView, PadKind, PadTarget, SheetTarget, Verdict};
use crate::app::read::rule_name;
use crate::app::shell::{App, Screen};
use crate::domain::judge::Decision;
use crate::domain::riser::Need;
use crate::domain::units::Volume;
use crate::exchange::inputs::last_emptied_before;

/// What the Leave station shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LeaveView {
    /// When to call back.
    pub due_text: String,
    /// How long that is, and how sure.
    pub due_detail: String,
    /// What was found, line by line.
    pub found: Vec<String>,
    /// What is still empty.
    pub missing: Vec<String>,
    /// Every lid closed and secured.
    pub closed: Answer,
    /// What was found, in the technician's words for the customer.
    pub note: String,
    /// How many people live here; the date depends on it.
    pub people: FigureView,
    /// The stop has been finished.
    pub finished: bool,
}

impl App {
    /// Returns what the Leave station shows.
    #[must_use]
    pub fn leave_view(&self) -> LeaveView {
        let Some(state) = self.stop.as_ref() else {
            return LeaveView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let visit = state.shown();
        let today = self.session.today();
        let (due_text, due_detail) = match state.soonest().and_then(|(_, soonest)| soonest.forecast.dates) {
            _ if state.asks_for_pumping_now() => (words.t("Due now"), words.t("the rule asks for pumping now")),
            Some(dates) if dates.due <= visit.stop.day => {
                (words.t("Due now"), words.f("since {0}", &[&figures.month(dates.due)]))
            }
            Some(dates) => (
                figures.month(dates.due),
                words.f(
                    "{0} from today · 3 chances in 4 it is not due before then",
                    &[&figures.years_months(today, dates.due)],
                ),
            ),
            None => (words.t("No date yet"), self.no_date_reason()),
        };
        LeaveView {
            due_text,
            due_detail,
            found: self.leave_lines(figures),
            missing: self.missing_lines(),
            closed: visit.stop.lids_closed.into(),
            note: visit.stop.found_note.clone(),
            people: FigureView {
                name: words.t("People living here"),
                value: visit
                    .site
                    .residents_tenths
                    .map_or_else(|| "–".to_owned(), |n| figures.people_value(n)),
                unit: String::new(),
                verdict: if visit.site.residents_tenths.is_some() {
                    Verdict::Ok
                } else {
                    Verdict::Empty
                },
                message: String::new(),
            },
            finished: visit.stop.finished_at.is_some(),
        }
    }

    /// Why no date can be given, and what to do.
    pub(crate) fn no_date_reason(&self) -> String {
        let words = self.session.words();
        let Some(state) = self.stop.as_ref() else {
            return String::new();
        };
        let visit = state.shown();
        let known = visit
            .tanks
            .iter()
            .any(|tank| last_emptied_before(tank, &state.history, visit.stop.day).is_some());
        let pumped = visit
            .pumpings
            .iter()
            .any(|pumping| pumping.pumped == Some(true) && !pumping.removed);
        words.t(if visit.site.residents_tenths.is_none() {
            "Ask how many people live here: the date depends on it."
        } else if !known && !pumped {
            "The last pump-out is not known: say Pumped at Pump, or give the date at Tank."
        } else {
            "The tank's size is not known: give a shape or the capacity at Tank."
        })
    }

    /// What was found, as finished lines in the words of `figures`.
    pub(crate) fn found_lines(&self, figures: crate::say::figures::Figures) -> Vec<String> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let words = figures.words;
        let visit = state.shown();
        let many = visit.tanks.len() > 1;
        let rule = self
            .session
            .rule_set(&visit.site)
            .map(|set| rule_name(&set, figures.words))
            .unwrap_or_default();
        let mut lines = Vec::new();
        for (place, (tank, assessment)) in visit.tanks.iter().zip(&state.assessments).enumerate() {
            let named = |line: String| {
                if many {
                    words.f("Tank {0}: {1}", &[&(place + 1).to_string(), &line])
                } else {
                    line
                }
            };
            if let Some(share) = assessment
                .contents
                .fraction_volume
                .or(assessment.contents.fraction_depth)
            {
                let end = match assessment.verdict.decision {
                    Decision::Pump => words.f("time to pump by {0}", &[&rule]),
                    Decision::NotYet => words.f("not yet due by {0}", &[&rule]),
                    Decision::NotMeasured => String::new(),
                };
                let line = words.f("{0} of the liquid was solids", &[&figures.percent(share)]);
                lines.push(named(if end.is_empty() {
                    line
                } else {
                    format!("{line}: {end}.")
                }));
            }
            if let Some(pumping) = visit
                .pumpings
                .iter()
                .find(|pumping| pumping.tank == tank.id && !pumping.removed)
            {
                let volume = |ml: i64| figures.volume(Volume::from_whole_ml(ml));
                match (pumping.pumped, pumping.out_ml) {
                    (Some(false), _) => lines.push(named(words.t("Not pumped this time."))),
                    (Some(true), Some(ml)) => {
                        let mut parts = vec![words.f("{0} out", &[&volume(ml)])];
                        if let Some(heel) = pumping.heel_ml.filter(|ml| *ml > 0) {
                            parts.push(words.f("{0} of solids left in", &[&volume(heel)]));
                        }
                        if pumping.rinsed == Some(true) {
                            parts.push(words.t("rinsed"));
                        }
                        lines.push(named(format!("{}.", parts.join(", "))));
                    }
                    (Some(true), None) => lines.push(named(words.t("Pumped."))),
                    (None, _) => {}
                }
            }
            for lid in visit
                .lids
                .iter()
                .filter(|lid| lid.tank == tank.id && lid.cracked == Some(true))
            {
                let lid = lid_title(&lid.name, words);
                let line = words.f("{0} is cracked: have it replaced before anyone walks there.", &[&lid]);
                lines.push(named(capitalised(&line)));
            }
        }
        lines.extend(self.check_lines(figures));
        lines
    }

    /// What the Leave station shows as found: besides what the card says, the work.
    fn leave_lines(&self, figures: crate::say::figures::Figures) -> Vec<String> {
        let mut lines = self.found_lines(figures);
        if let Some(state) = self.stop.as_ref() {
            lines.extend(crate::app::page::slip_lines(&state.shown().work, figures));
        }
        lines
    }

    /// Lid depths and what to say about risers, in the words of `figures`.
    pub(crate) fn lid_lines(&self, figures: crate::say::figures::Figures) -> Vec<String> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let words = figures.words;
        let today = self.session.today();
        let mut lines = Vec::new();
        let mut security = Vec::new();
        for advice in state.assessments.iter().flat_map(|assessment| &assessment.risers) {
            let cover = figures.mm(i64::from(advice.cover.as_mm()));
            let head = words.f("{0} {1} down", &[&lid_title(&advice.lid, words), &cover]);
            // Short lines, and few: the paper card has one page. What the heading says already is not said again.
            let mut first = format!("{}. {}.", capitalised(&head), words.t(need_title(advice.need)));
            if advice.need >= Need::Recommended {
                first = format!("{first} {}", advice_text(advice, figures));
            }
            lines.push(first);
            let stack = stack_text(advice, figures);
            let stack = if stack.is_empty() {
                stack
            } else {
                format!("{}.", capitalised(&stack))
            };
            let cost = cost_text(advice, figures, today);
            lines.push(
                [stack, cost]
                    .iter()
                    .filter(|part| !part.is_empty())
                    .cloned()
                    .collect::<Vec<_>>()
                    .join(" "),
            );
            // That lids are kept locked stands among the cautions; what a rule asks for beyond that stands here.
            let usual = words.t("Keep the lid locked, bolted or too heavy for a child.");
            for sentence in security_texts(advice, figures) {
                if sentence != usual && !security.contains(&sentence) {
                    security.push(sentence);
                }
            }
        }
        lines.extend(security);
        lines.retain(|line| !line.is_empty());
        lines
    }

    fn missing_lines(&self) -> Vec<String> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let words = self.session.words();
        let visit = state.shown();
        let mut lines = Vec::new();
        if visit.stop.lids_closed != Some(true) {
            lines.push(words.t("Lids: not yet said to be closed and secured."));
        }
        if state.lids().iter().any(|lid| lid.cover_mm.is_none()) {
            lines.push(words.t("Dig: a lid's soil cover is not known."));
        }
        let unread = visit.compartments.iter().any(|compartment| {
            state
                .reading_of(compartment.id)
                .is_none_or(|r| r.scum_mm.is_none() || (r.sludge_mm.is_none() && r.probes_mm.is_empty()))
        });
        if unread {
            lines.push(words.t("Read: scum or sludge is not read."));
        }
        let unsaid = visit.tanks.iter().any(|tank| {
            visit
                .pumpings
                .iter()
                .find(|p| p.tank == tank.id && !p.removed)
                .is_none_or(|p| p.pumped.is_none())
        });
        if unsaid {
            lines.push(words.t("Pump: pumped or not is not said."));
        }
        if visit.site.residents_tenths.is_none() {
            lines.push(words.t("Ask how many people live here: the date depends on it."));
        }
        lines
    }

    /// Every lid is closed and secured, or not; tapping the answer that stands takes it back.
    pub fn tap_closed(&mut self, answer: Answer) {
        self.change("lids closed", |visit, _| {
            visit.stop.lids_closed = answer.tapped_on(visit.stop.lids_closed);
        });
    }

    /// One person more or less.
    pub fn nudge_people(&mut self, steps: i32) {
        let now = self.stop.as_ref().and_then(|state| state.visit.site.residents_tenths);
        // The first touch on a number nobody has asked for shows where it starts from.
        self.set_people(now.map_or(30, |tenths| (tenths + i64::from(steps) * 10).clamp(0, 10_000)));
    }

    /// Opens the number pad on the people.
    pub fn pad_people(&mut self) {
        self.open_pad(PadTarget::People, PadKind::People, "People living here", String::new());
    }

    pub(crate) fn set_people(&mut self, tenths: i64) {
        self.change("people", |visit, _| {
            visit.site.residents_tenths = Some(tenths);
            visit.stop.residents_tenths = Some(tenths);
        });
    }

    /// Opens the note for the customer.
    pub fn tap_found_note(&mut self) {
        let text = self
            .stop
            .as_ref()
            .map(|state| state.visit.stop.found_note.clone())
            .unwrap_or_default();
        self.open_sheet(SheetTarget::FoundNote, "What was found", text, true);
    }

    /// Shows the customer the card.
    pub fn show_customer(&mut self) {
        self.go(Screen::Door);
    }

    /// Opens what-if.
    pub fn tap_what_if(&mut self) {
        self.go(Screen::WhatIf);
    }

    /// Finishes the stop; asks first while a lid is not known to be closed.
    pub fn tap_finish(&mut self) {
        let closed = self
            .stop
            .as_ref()
            .is_some_and(|state| state.visit.stop.lids_closed == Some(true));
        if closed {
            self.finish_stop();
            return;
        }
        let words = self.session.words();
        // Nothing may cover this question.
        self.notice = None;
        self.confirm = Some(Confirm {
            target: ConfirmTarget::FinishWithLids,
            title: words.t("Are the lids closed?"),
            sentence: words.t(
                "Nobody has said that every lid is closed and secured. An open tank kills. Look before you drive off.",
            ),
            yes: words.t("Finish all the same"),
            no: words.t("Go and look"),
        });
    }

    pub(crate) fn finish_stop(&mut self) {
        let now = self.session.now();
        self.change("stop finished", |visit, _| {
            visit.stop.finished_at = Some(now);
        });
        self.go(Screen::Day);
    }
}

pub(crate) fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}
