//! From what was looked at during a stop to what is weighed.

use crate::domain::diagnose::{Facts, Gauged};
use crate::domain::flush::{Came, Fixture as FlushFixture, FlushTest};
use crate::domain::judge::Decision;
use crate::domain::leak::{DEFAULT_EDGE, DEFAULT_TIME_ERROR_S, Mark};
use crate::domain::record::{
    Compartment, Condition, Fixture, Flush, FlushResult, FlushRound, LeakRun, PartState, Reading, TankPart, Visit,
};
use crate::domain::signs::{Origin, Seen, Sign, Signs, TankState};
use crate::domain::tank::{Compartment as CompartmentFacts, Tank as TankFacts, TankShape};
use crate::domain::units::{Length, Offset, Volume};
use crate::exchange::inputs::{compartments_of, shape_of};

/// Returns what was seen of one fixture in one run.
#[must_use]
pub fn flush_of<'a>(visit: &'a Visit, fixture: &Fixture, round: FlushRound) -> Option<&'a Flush> {
    visit
        .flushes
        .iter()
        .find(|flush| flush.fixture == fixture.id && flush.round == round && !flush.removed)
}

/// Returns what came, as the reasoning takes it.
#[must_use]
pub fn came(flush: Option<&Flush>) -> Came {
    let after_s = flush
        .and_then(|flush| flush.after_s)
        .and_then(|seconds| u32::try_from(seconds).ok());
    match flush.and_then(|flush| flush.result) {
        None => Came::NotTried,
        Some(FlushResult::Came) => Came::Promptly { after_s },
        Some(FlushResult::Slowly) => Came::Slowly { after_s },
        Some(FlushResult::Nothing) => Came::Nothing,
    }
}

/// Returns one run of the flush test, `None` when nothing was seen in it.
///
/// * `name`: what a fixture is called; each its own
#[must_use]
pub fn flush_test(visit: &Visit, round: FlushRound, name: &dyn Fn(&Fixture) -> String) -> Option<FlushTest> {
    let known = |text: &str| (!text.trim().is_empty()).then(|| text.trim().to_owned());
    let fixtures: Vec<FlushFixture> = visit
        .fixtures
        .iter()
        .filter(|fixture| !fixture.removed)
        .map(|fixture| FlushFixture {
            name: name(fixture),
            kind: fixture.kind,
            floor: known(&fixture.floor),
            branch: known(&fixture.branch),
            came: came(flush_of(visit, fixture, round)),
        })
        .collect();
    fixtures
        .iter()
        .any(|fixture| fixture.came != Came::NotTried)
        .then_some(FlushTest {
            drawn_down: visit.stop.drawn_down,
            fixtures,
        })
}

/// Returns the signs that follow from what the parts look like.
#[must_use]
pub fn signs_of(condition: &Condition) -> &'static [(Sign, Seen)] {
    use Seen::{Absent, Present};
    let Some(state) = condition.state else { return &[] };
    match (condition.part, state) {
        (TankPart::Inlet, PartState::Sound) => &[(Sign::InletPlugged, Absent)],
        (TankPart::Inlet, PartState::Packed) => &[(Sign::InletPlugged, Present)],
        (TankPart::Outlet, PartState::Sound) => &[(Sign::OutletPlugged, Absent), (Sign::OutletDeviceMissing, Absent)],
        (TankPart::Outlet, PartState::Packed) => &[(Sign::OutletPlugged, Present)],
        (TankPart::Outlet, PartState::Missing | PartState::Broken | PartState::Corroded) => {
            &[(Sign::OutletDeviceMissing, Present)]
        }
        (TankPart::Filter, PartState::Sound) => &[(Sign::FilterClogged, Absent)],
        (TankPart::Filter, PartState::Clogged) => &[(Sign::FilterClogged, Present)],
        (TankPart::Wall, PartState::Sound) => &[(Sign::Cracks, Absent), (Sign::Roots, Absent)],
        (TankPart::Wall, PartState::Cracked) => &[(Sign::Cracks, Present)],
        (TankPart::Wall, PartState::Leaking) => &[(Sign::InflowAtWall, Present)],
        (TankPart::Wall | TankPart::Inlet | TankPart::Outlet, PartState::Roots) => &[(Sign::Roots, Present)],
        (TankPart::PumpChamber, PartState::Sound) => &[(Sign::PumpChamber, Present), (Sign::PumpChamberHigh, Absent)],
        (TankPart::PumpChamber, PartState::HighLevel) => {
            &[(Sign::PumpChamber, Present), (Sign::PumpChamberHigh, Present)]
        }
        (TankPart::Floats, PartState::Sound) => &[(Sign::PumpChamber, Present), (Sign::FloatStuck, Absent)],
        (TankPart::Floats, PartState::Stuck | PartState::Broken) => {
            &[(Sign::PumpChamber, Present), (Sign::FloatStuck, Present)]
        }
        (TankPart::Alarm, PartState::Sound) => &[(Sign::AlarmOn, Absent)],
        (TankPart::Alarm, PartState::Ringing) => &[(Sign::AlarmOn, Present)],
        _ => &[],
    }
}

/// A sign that a person is asked about: what follows from a test or a measurement is not.
#[must_use]
pub const fn is_asked(sign: Sign) -> bool {
    !matches!(
        sign,
        Sign::GaugeInflow
            | Sign::GaugeOutflow
            | Sign::SolidsPastLimit
            | Sign::FlushNothing
            | Sign::FlushSomeMissing
            | Sign::FlushAllSlow
            | Sign::FlushSomeSlow
            | Sign::FlushSlowAndNothing
            | Sign::FlushUndecided
    )
}

/// Returns the level before pumping, of the first compartment it was read in.
#[must_use]
pub fn level_before(visit: &Visit) -> Option<Offset> {
    // In the order of tank and flow: readings have none of their own.
    visit
        .compartments
        .iter()
        .flat_map(|compartment| {
            let read_here = move |reading: &&Reading| reading.compartment == compartment.id && !reading.removed;
            visit.readings.iter().filter(read_here)
        })
        .find_map(|reading| reading.level_mm)
        .and_then(|mm| i32::try_from(mm).ok())
        .map(Offset::from_mm)
}

/// Returns the last run of the leak gauge that was ended.
#[must_use]
pub fn ended_run(visit: &Visit) -> Option<&LeakRun> {
    visit
        .leak_runs
        .iter()
        .rev()
        .find(|run| !run.removed && run.ended_at.is_some() && run.level_end_mm.is_some())
}

/// Returns the tank of a run, as the gauge takes it.
#[must_use]
pub fn tank_of(compartments: &[&Compartment]) -> TankFacts {
    TankFacts {
        compartments: compartments
            .iter()
            .map(|compartment| {
                // What is not known yet holds nothing; the gauge says so instead of guessing.
                let shape = shape_of(compartment).unwrap_or(TankShape::Nominal { capacity: Volume::ZERO });
                CompartmentFacts::new(shape, compartment.liquid_depth_mm.unwrap_or(Length::ZERO))
            })
            .collect(),
    }
}

/// Returns the marks of a run, `None` while the second is to be made.
#[must_use]
pub fn gauged(run: &LeakRun, compartments: &[&Compartment]) -> Option<Gauged> {
    let offset = |mm: i64| i32::try_from(mm).ok().map(Offset::from_mm);
    Some(Gauged {
        compartment: run
            .compartment
            // A compartment that was taken away since is none, and the gauge says so.
            .map(|id| compartments.iter().position(|c| c.id == id).unwrap_or(usize::MAX)),
        first: Mark {
            level: offset(run.level_start_mm)?,
            at_s: run.started_at.timestamp(),
            steady_s: run.steady_start_s,
        },
        second: Mark {
            level: offset(run.level_end_mm?)?,
            at_s: run.ended_at?.timestamp(),
            steady_s: run.steady_end_s,
        },
        edge: DEFAULT_EDGE,
        time_error_s: DEFAULT_TIME_ERROR_S,
    })
}

/// Returns everything that was looked at during the stop.
///
/// What somebody said stands before what follows from the condition of a part; a measured level stands before both.
///
/// * `decisions`: what the rule in use says of each tank
/// * `name`: what a fixture is called
#[must_use]
pub fn facts(visit: &Visit, decisions: &[Decision], name: &dyn Fn(&Fixture) -> String) -> Facts {
    let level_before = level_before(visit);
    let mut signs: Vec<(Sign, Seen)> = visit
        .signs
        .iter()
        .filter(|sign| !sign.removed)
        .filter(|sign| level_before.is_none() || !matches!(sign.kind, Sign::LevelAboveOutlet | Sign::LevelBelowOutlet))
        .filter_map(|sign| sign.present.map(|there| (sign.kind, seen(there))))
        .collect();
    let mut stands = Signs::new();
    for (sign, seen) in &signs {
        // Two statements that do not go together are left for the person who made them to settle.
        let _ = stands.add(*sign, *seen, Origin::Said);
    }
    let limit = if decisions.contains(&Decision::Pump) {
        Some(Seen::Present)
    } else if !decisions.is_empty() && decisions.iter().all(|decision| *decision == Decision::NotYet) {
        Some(Seen::Absent)
    } else {
        None
    };
    let mut follow: Vec<(Sign, Seen)> = visit
        .conditions
        .iter()
        .filter(|condition| !condition.removed)
        .flat_map(|condition| signs_of(condition).iter().copied())
        .collect();
    // One part with a fault outweighs another of the same kind without.
    follow.sort_by_key(|(_, seen)| *seen != Seen::Present);
    follow.extend(limit.map(|seen| (Sign::SolidsPastLimit, seen)));
    for (sign, seen) in follow {
        if stands.seen(sign) == Seen::NotLooked && stands.add(sign, seen, Origin::Said).is_ok() {
            signs.push((sign, seen));
        }
    }
    let run = ended_run(visit);
    let compartments = run.map(|run| compartments_of(visit, run.tank)).unwrap_or_default();
    let pumped = visit
        .pumpings
        .iter()
        .any(|pumping| pumping.pumped == Some(true) && !pumping.removed);
    Facts {
        tank: run.map(|_| tank_of(&compartments)),
        residents: visit
            .site
            .residents_tenths
            .and_then(|tenths| i32::try_from(tenths).ok())
            .map(|tenths| f64::from(tenths) / 10.0),
        tank_state: match visit.stop.drawn_down {
            Some(true) => Some(TankState::DrawnDown),
            Some(false) if !pumped => Some(TankState::Full),
            _ => pumped.then_some(TankState::DrawnDown),
        },
        signs,
        level_before,
        high_water_mark: None,
        level_edge: None,
        flush: flush_test(visit, FlushRound::Before, name),
        flush_after: flush_test(visit, FlushRound::After, name),
        gauge: run.and_then(|run| gauged(run, &compartments)),
    }
}

const fn seen(there: bool) -> Seen {
    if there { Seen::Present } else { Seen::Absent }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::domain::record::{SignSeen, Stop};

    fn condition(part: TankPart, state: PartState) -> Condition {
        Condition {
            part,
            state: Some(state),
            ..Condition::default()
        }
    }

    #[test]
    fn what_was_said_stands_before_what_follows_from_a_part() {
        let visit = Visit {
            signs: vec![SignSeen {
                kind: Sign::FilterClogged,
                present: Some(false),
                ..SignSeen::default()
            }],
            conditions: vec![
                condition(TankPart::Filter, PartState::Clogged),
                condition(TankPart::Wall, PartState::Cracked),
            ],
            ..Visit::default()
        };
        let facts = facts(&visit, &[], &|_| String::new());
        assert!(facts.signs.contains(&(Sign::FilterClogged, Seen::Absent)));
        assert!(!facts.signs.contains(&(Sign::FilterClogged, Seen::Present)));
        assert!(facts.signs.contains(&(Sign::Cracks, Seen::Present)));
    }

    #[test]
    fn an_answer_taken_back_is_no_sign() {
        let visit = Visit {
            signs: vec![SignSeen {
                kind: Sign::Runback,
                ..SignSeen::default()
            }],
            ..Visit::default()
        };
        assert!(facts(&visit, &[], &|_| String::new()).signs.is_empty());
    }

    #[test]
    fn a_tank_said_to_be_drawn_down_is() {
        let visit = Visit {
            stop: Stop {
                drawn_down: Some(true),
                ..Stop::default()
            },
            ..Visit::default()
        };
        let facts = facts(&visit, &[Decision::NotYet], &|_| String::new());
        assert_eq!(facts.tank_state, Some(TankState::DrawnDown));
        assert_eq!(facts.signs, [(Sign::SolidsPastLimit, Seen::Absent)]);
    }
}
