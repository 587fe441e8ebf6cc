//! Everything the program says about what the yard, the house and the tank tell.

use super::causes::{Diagnosis, weigh};
use super::flush::{self, Came, Comparison, FlushFinding, FlushTest};
use super::leak::{GaugeFinding, GaugeInput, GaugeRefusal, Mark, gauge};
use super::signs::{Contradiction, Origin, Seen, Sign, Signs, TankState};
use super::tank::Tank;
use super::units::{Length, Offset};

/// Two marks of the level, as they were made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gauged {
    /// The compartment marked, counted from 0; `None`: all at one level.
    pub compartment: Option<usize>,
    /// The first mark.
    pub first: Mark,
    /// The second mark.
    pub second: Mark,
    /// Error of each level.
    pub edge: Length,
    /// Error of each time, s.
    pub time_error_s: f64,
}

/// What was looked at during one stop.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// The tank, when it is known; the leak gauge needs it.
    pub tank: Option<Tank>,
    /// People living here.
    pub residents: Option<f64>,
    /// How far the pumping has come.
    pub tank_state: Option<TankState>,
    /// Signs somebody set.
    pub signs: Vec<(Sign, Seen)>,
    /// Liquid before pumping, against the outlet invert.
    pub level_before: Option<Offset>,
    /// Highest stain on the wall, against the outlet invert.
    pub high_water_mark: Option<Offset>,
    /// Error of those two; [`super::signs::DEFAULT_LEVEL_EDGE`] when not given.
    pub level_edge: Option<Length>,
    /// The flush test as found.
    pub flush: Option<FlushTest>,
    /// The flush test after clearing. It is compared, and changes no cause: those are as found.
    pub flush_after: Option<FlushTest>,
    /// The leak gauge.
    pub gauge: Option<Gauged>,
}

/// What they say.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// The signs, set and derived.
    pub signs: Signs,
    /// How far the pumping has come, as far as is known.
    pub tank_state: Option<TankState>,
    /// The causes and the looks still open.
    pub diagnosis: Diagnosis,
    /// What the flush test says.
    pub flush: Option<FlushFinding>,
    /// What it says after clearing.
    pub flush_after: Option<FlushFinding>,
    /// Both side by side.
    pub comparison: Option<Comparison>,
    /// What the leak gauge says.
    pub gauge: Option<Result<GaugeFinding, GaugeRefusal>>,
}

/// Returns what the facts say.
///
/// # Errors
///
/// A sign is there by one account and not there by another.
pub fn diagnose(facts: &Facts) -> Result<Report, Contradiction> {
    let edge = facts.level_edge.unwrap_or(super::signs::DEFAULT_LEVEL_EDGE);
    let mut signs = Signs::new();
    for (sign, seen) in &facts.signs {
        signs.add(*sign, *seen, Origin::Said)?;
    }
    signs.add_levels(facts.level_before, facts.high_water_mark, edge)?;
    let flush = facts.flush.as_ref().map(flush::reason);
    if let (Some(test), Some(finding)) = (&facts.flush, &flush) {
        let any = |wanted: fn(Came) -> bool| test.fixtures.iter().any(|fixture| wanted(fixture.came));
        signs.add_flush(
            finding,
            any(|came| came == Came::Nothing),
            any(|came| matches!(came, Came::Slowly { .. })),
        )?;
    }
    let gauge = facts.gauge.map(|gauged| run_gauge(facts, gauged));
    if let (Some(result), Some(gauged)) = (&gauge, facts.gauge) {
        let from_full = gauged.first.level.mm() >= -edge.mm();
        signs.add_gauge(result, from_full)?;
    }
    let tank_state = facts.tank_state.or_else(|| {
        let drawn_down = facts.flush.as_ref().and_then(|test| test.drawn_down) == Some(true);
        drawn_down.then_some(TankState::DrawnDown)
    });
    Ok(Report {
        diagnosis: weigh(&signs, tank_state),
        comparison: facts
            .flush
            .as_ref()
            .zip(facts.flush_after.as_ref())
            .map(|(before, after)| flush::compare(before, after)),
        flush_after: facts.flush_after.as_ref().map(flush::reason),
        signs,
        tank_state,
        flush,
        gauge,
    })
}

fn run_gauge(facts: &Facts, gauged: Gauged) -> Result<GaugeFinding, GaugeRefusal> {
    let tank = facts.tank.as_ref().ok_or(GaugeRefusal::NoGeometry)?;
    gauge(&GaugeInput {
        tank,
        compartment: gauged.compartment,
        first: gauged.first,
        second: gauged.second,
        edge: gauged.edge,
        time_error_s: gauged.time_error_s,
        residents: facts.residents,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::domain::flush::{Fixture, FixtureKind};

    /// Of three fixtures one is slow, or one brings nothing: each is seen for itself and the other is not.
    #[test]
    fn what_came_slowly_and_what_did_not_come_are_told_apart() {
        let seen = |came: Came| {
            let fixture = |name: &str, came| Fixture {
                name: name.to_owned(),
                kind: FixtureKind::Toilet,
                floor: None,
                branch: None,
                came,
            };
            let prompt = Came::Promptly { after_s: None };
            let facts = Facts {
                flush: Some(FlushTest {
                    drawn_down: Some(true),
                    fixtures: vec![fixture("a", prompt), fixture("b", prompt), fixture("c", came)],
                }),
                ..Facts::default()
            };
            let signs = diagnose(&facts).unwrap().signs;
            (signs.seen(Sign::FlushSomeMissing), signs.seen(Sign::FlushSomeSlow))
        };
        assert_eq!(seen(Came::Slowly { after_s: None }), (Seen::Absent, Seen::Present));
        assert_eq!(seen(Came::Nothing), (Seen::Present, Seen::Absent));
        assert_eq!(seen(Came::Promptly { after_s: None }), (Seen::Absent, Seen::Absent));
    }
}
