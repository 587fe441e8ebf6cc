//! What was looked for, and what it comes to.

use super::{PageRow, PageView, Rows, Target, choice};
use crate::app::shell::App;
use crate::domain::causes::{Band, Weighed};
use crate::domain::cautions::Caution;
use crate::domain::record::{SignSeen, SignSeenId};
use crate::domain::signs::{Seen, Sign};
use crate::exchange::looked_at::is_asked;

/// The signs a person is asked about, in the order of the work: before, during and after pumping, around, in the house.
const ORDER: &[Sign] = &[
    Sign::LevelAboveOutlet,
    Sign::LevelBelowOutlet,
    Sign::HighWaterMark,
    Sign::Runback,
    Sign::InflowNothingRunning,
    Sign::InflowAtInlet,
    Sign::InflowAtWall,
    Sign::FilterClogged,
    Sign::OutletPlugged,
    Sign::OutletDeviceMissing,
    Sign::InletPlugged,
    Sign::Cracks,
    Sign::Roots,
    Sign::SolidsPastOutlet,
    Sign::WetOverField,
    Sign::WetRoundTank,
    Sign::GroundSaturated,
    Sign::PumpChamber,
    Sign::AlarmOn,
    Sign::PumpChamberHigh,
    Sign::PumpNotStarting,
    Sign::FloatStuck,
    Sign::BackupInHouse,
    Sign::CleanoutFull,
    Sign::Gurgling,
    Sign::FixtureRunning,
    Sign::HeavyUse,
    Sign::PumpedOften,
    Sign::NotYetRefilled,
];

impl App {
    pub(super) fn looks_page(&self) -> PageView {
        let (words, says) = (self.session.words(), self.findings());
        PageView {
            title: words.t("Levels and signs"),
            cautions: vec![
                says.caution(Caution::StayOut),
                says.caution(Caution::Gas),
                says.caution(Caution::Rescuers),
                says.caution(Caution::PumpPower),
            ],
            lead: vec![words.t("What was looked for and is not there counts too. What nobody looked for stays open.")],
            result: self.standing_lines(),
            keys: [words.t("What it says"), words.t("Parts")],
            ..PageView::default()
        }
    }

    /// What stands, in a sentence; or why nothing can be said.
    fn standing_lines(&self) -> Vec<String> {
        let figures = self.session.figures();
        let says = self.findings();
        match self.report(figures) {
            None => Vec::new(),
            Some(Ok(report)) => vec![says.summary(&report.diagnosis)],
            Some(Err(contradiction)) => vec![figures.words.f(
                "Two answers do not go together: {0} is said to be there and not there. Change one of them.",
                &[&says.sign(contradiction.sign)],
            )],
        }
    }

    pub(super) fn looks_rows(&self) -> Rows {
        let (words, says) = (self.session.words(), self.findings());
        let Some(state) = self.stop.as_ref() else {
            return Rows::new();
        };
        let visit = state.shown();
        let said = |sign: Sign| {
            visit
                .signs
                .iter()
                .find(|seen| seen.kind == sign && !seen.removed)
                .and_then(|seen| seen.present)
        };
        let known = match self.report(self.session.figures()) {
            Some(Ok(report)) => Some(report.signs),
            _ => None,
        };
        ORDER
            .iter()
            .filter(|sign| is_asked(**sign))
            .map(|sign| {
                let own = said(*sign);
                // What follows from something else is told, so that nobody has to say it twice.
                let follows = match known.as_ref().map(|signs| signs.seen(*sign)) {
                    Some(Seen::Present) if own.is_none() => words.t("there, from what else was recorded"),
                    Some(Seen::Absent) if own.is_none() => words.t("not there, from what else was recorded"),
                    _ => String::new(),
                };
                let row = PageRow {
                    title: crate::app::leave::capitalised(&says.sign(*sign)),
                    detail: follows,
                    choices: vec![
                        choice(words.t("There"), own == Some(true)),
                        choice(words.t("Not there"), own == Some(false)),
                    ],
                    ..PageRow::default()
                };
                (row, Target::Sign(*sign))
            })
            .collect()
    }

    pub(super) fn choose_sign(&mut self, sign: Sign, choice: usize) {
        let said = choice == 0;
        self.change("sign", |visit, new_id| {
            let stop = visit.stop.id;
            if let Some(seen) = visit.signs.iter_mut().find(|seen| seen.kind == sign && !seen.removed) {
                seen.present = if seen.present == Some(said) { None } else { Some(said) };
            } else {
                visit.signs.push(SignSeen {
                    id: SignSeenId(new_id()),
                    stop,
                    kind: sign,
                    present: Some(said),
                    removed: false,
                });
            }
        });
    }

    pub(super) fn found_page(&self) -> PageView {
        let figures = self.session.figures();
        let (words, says) = (figures.words, self.findings());
        let mut view = PageView {
            title: words.t("What it says"),
            lead: self.standing_lines(),
            ..PageView::default()
        };
        if let Some(Ok(report)) = self.report(figures) {
            if let Some(next) = report.diagnosis.checks.first() {
                view.lead
                    .push(words.f("The next look that would decide most: {0}", &[&says.check(next.check)]));
                view.cautions = crate::domain::cautions::of_check(next.check)
                    .iter()
                    .map(|caution| says.caution(*caution))
                    .collect();
            }
            view.result = vec![says.limit()];
        }
        view
    }

    pub(super) fn found_rows(&self) -> Rows {
        let figures = self.session.figures();
        let (words, says) = (figures.words, self.findings());
        let Some(Ok(report)) = self.report(figures) else {
            return Rows::new();
        };
        let evidence = |weighed: &Weighed| {
            let list = |label: String, evidence: &[crate::domain::causes::Evidence]| {
                let sentences: Vec<String> = evidence.iter().map(|each| says.evidence(each)).collect();
                (!sentences.is_empty()).then(|| format!("{label} {}.", sentences.join("; ")))
            };
            [
                list(words.t("Speaks for it:"), &weighed.speaks_for),
                list(words.t("Speaks against it:"), &weighed.speaks_against),
            ]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
        };
        report
            .diagnosis
            .causes
            .iter()
            .filter(|weighed| weighed.has_evidence())
            .map(|weighed| {
                let mut lines = Vec::new();
                let stands = matches!(weighed.band, Band::Likely | Band::Possible) && weighed.has_found();
                if stands {
                    lines.push(says.means(weighed.cause));
                    lines.push(says.waiting(weighed.cause));
                    lines.push(says.full_advice(weighed));
                }
                lines.extend(evidence(weighed));
                let row = PageRow {
                    title: says.finding(weighed),
                    detail: lines.join("\n"),
                    heading: stands,
                    ..PageRow::default()
                };
                (row, Target::Nothing)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sign_a_person_can_tell_is_asked_once() {
        for sign in Sign::ALL {
            let times = ORDER.iter().filter(|asked| *asked == sign).count();
            assert_eq!(times, usize::from(is_asked(*sign)), "{sign:?}");
        }
    }
}
