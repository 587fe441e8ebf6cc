//! Work that is offered because something was recorded; nothing is ever added by itself.

use super::flush::{Comparison, FlushFinding, Outcome, Verdict};
use super::record::{LidId, PartState, TankPart, Visit, WorkKind};
use super::units::Length;

/// What an offer rests on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ground {
    /// Tanks that were pumped.
    Pumped(usize),
    /// A lid that lay under soil.
    Dug {
        /// Which.
        lid: LidId,
        /// What the crew calls it.
        name: String,
        /// The soil over it.
        cover: Length,
    },
    /// The flush test came back after clearing.
    Cleared,
    /// A filter said to be cleaned.
    FilterCleaned,
    /// Sections of hose laid beyond the usual.
    Hose,
}

/// One offer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offer {
    /// What kind of work.
    pub kind: WorkKind,
    /// How many, in thousandths.
    pub quantity_thousandths: i64,
    /// What it rests on.
    pub grounds: Vec<Ground>,
}

/// Returns what the records of a stop give reason to offer, in the order of the work.
///
/// What already stands on the slip, accepted or declined or open, is not offered again.
///
/// * `flush`: what the flush test said before clearing, and the comparison with the run after it
#[must_use]
pub fn offers(visit: &Visit, flush: Option<(&FlushFinding, &Comparison)>) -> Vec<Offer> {
    let thousandths = |count: usize| i64::try_from(count).unwrap_or(i64::MAX).saturating_mul(1_000);
    let mut list = Vec::new();
    let mut offer = |kind, count, grounds: Vec<Ground>| {
        let stands = visit.work.iter().any(|line| line.kind == Some(kind) && !line.removed);
        if count > 0 && !stands {
            list.push(Offer {
                kind,
                quantity_thousandths: thousandths(count),
                grounds,
            });
        }
    };
    let pumped = visit
        .pumpings
        .iter()
        .filter(|pumping| pumping.pumped == Some(true) && !pumping.removed)
        .count();
    offer(WorkKind::Pumping, pumped, vec![Ground::Pumped(pumped)]);
    let dug: Vec<Ground> = visit
        .lids
        .iter()
        .filter(|lid| !lid.removed)
        .filter_map(|lid| {
            let cover = u32::try_from(lid.cover_mm?).ok().filter(|mm| *mm > 0)?;
            Some(Ground::Dug {
                lid: lid.id,
                name: lid.name.clone(),
                cover: Length::from_mm(cover),
            })
        })
        .collect();
    offer(WorkKind::Digging, dug.len(), dug);
    if let Some((before, comparison)) = flush
        && matches!(comparison.outcome, Outcome::Cleared | Outcome::Better)
    {
        let main = matches!(
            before.verdict,
            Verdict::MainLine | Verdict::MainLinePartly | Verdict::PartialOrVent
        );
        let kind = if main {
            WorkKind::ClearMain
        } else {
            WorkKind::ClearBranch
        };
        let count = if main { 1 } else { before.faults.len().max(1) };
        offer(kind, count, vec![Ground::Cleared]);
    }
    let cleaned = visit
        .conditions
        .iter()
        .filter(|each| each.part == TankPart::Filter && each.state == Some(PartState::Cleaned) && !each.removed)
        .count();
    offer(WorkKind::CleanFilter, cleaned, vec![Ground::FilterCleaned]);
    let hose = visit
        .stop
        .hose_sections
        .and_then(|n| usize::try_from(n).ok())
        .unwrap_or(0);
    offer(WorkKind::ExtraHose, hose, vec![Ground::Hose]);
    list
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use crate::domain::flush::{Came, Fixture, FixtureKind, FlushTest, compare, reason};
    use crate::domain::record::{Accepted, Condition, Lid, Pumping, Stop, WorkLine};

    fn lid(cover_mm: Option<i64>) -> Lid {
        Lid {
            cover_mm,
            ..Lid::default()
        }
    }

    #[test]
    fn only_what_was_recorded_is_offered() {
        assert!(offers(&Visit::default(), None).is_empty());
        let cleaned = Condition {
            part: TankPart::Filter,
            state: Some(PartState::Cleaned),
            ..Condition::default()
        };
        let visit = Visit {
            // Soil over one lid; another stands proud, one is level with the ground, the last was not measured.
            lids: vec![lid(Some(127)), lid(Some(-20)), lid(Some(0)), lid(None)],
            // Two tanks; one more was taken away again, and one was left full.
            pumpings: [
                (Some(true), false),
                (Some(true), false),
                (Some(true), true),
                (Some(false), false),
            ]
            .map(|(pumped, removed)| Pumping {
                pumped,
                removed,
                ..Pumping::default()
            })
            .to_vec(),
            conditions: vec![
                cleaned.clone(),
                cleaned.clone(),
                // Taken away again; a filter nobody cleaned, and another part that was.
                Condition {
                    removed: true,
                    ..cleaned
                },
                Condition {
                    part: TankPart::Filter,
                    ..Condition::default()
                },
                Condition {
                    part: TankPart::Outlet,
                    state: Some(PartState::Cleaned),
                    ..Condition::default()
                },
            ],
            stop: Stop {
                hose_sections: Some(2),
                ..Stop::default()
            },
            ..Visit::default()
        };
        let list = offers(&visit, None);
        let kinds: Vec<_> = list.iter().map(|each| (each.kind, each.quantity_thousandths)).collect();
        assert_eq!(
            kinds,
            [
                (WorkKind::Pumping, 2_000),
                (WorkKind::Digging, 1_000),
                (WorkKind::CleanFilter, 2_000),
                (WorkKind::ExtraHose, 2_000)
            ]
        );
    }

    #[test]
    fn what_was_declined_is_not_offered_again() {
        let visit = Visit {
            lids: vec![lid(Some(127))],
            work: vec![WorkLine {
                kind: Some(WorkKind::Digging),
                accepted: Accepted::No,
                ..WorkLine::default()
            }],
            ..Visit::default()
        };
        assert!(offers(&visit, None).is_empty());
        // A line taken off again, and one of other work, do not stand in its way.
        for (kind, removed) in [(WorkKind::Digging, true), (WorkKind::Pumping, false)] {
            let line = WorkLine {
                kind: Some(kind),
                removed,
                ..WorkLine::default()
            };
            let other = Visit {
                work: vec![line],
                ..visit.clone()
            };
            assert_eq!(offers(&other, None).len(), 1, "{kind:?}");
        }
    }

    #[test]
    fn clearing_is_offered_when_the_second_run_shows_it() {
        let run = |upstairs: Came| FlushTest {
            drawn_down: Some(true),
            fixtures: vec![
                Fixture {
                    name: "upstairs".to_owned(),
                    kind: FixtureKind::Toilet,
                    floor: None,
                    branch: None,
                    came: upstairs,
                },
                Fixture {
                    name: "hall".to_owned(),
                    kind: FixtureKind::Toilet,
                    floor: None,
                    branch: None,
                    came: Came::Promptly { after_s: Some(9) },
                },
            ],
        };
        let before = run(Came::Nothing);
        let finding = reason(&before);
        let offered = |after: Came| {
            let comparison = compare(&before, &run(after));
            offers(&Visit::default(), Some((&finding, &comparison)))
        };
        assert!(offered(Came::Nothing).is_empty());
        assert!(offered(Came::NotTried).is_empty());
        assert_eq!(
            offered(Came::Promptly { after_s: Some(12) })[0].kind,
            WorkKind::ClearBranch
        );
    }
}
