//! Signs at a tank: what was looked for, and whether it was there.

use super::coded::coded;
use super::flush::{FlushFinding, Verdict};
use super::leak::{Direction, GaugeFinding, GaugeNote, GaugeRefusal};
use super::units::{Length, Offset};
use std::collections::BTreeMap;

/// Levels nearer to the outlet than this are at the outlet, when no reading error is given: 25 mm (1 in), as for layers.
pub const DEFAULT_LEVEL_EDGE: Length = Length::from_mm(25);

coded! {
    /// Something to look for. Looked for and not there is evidence too; not looked for is none.
    #[derive(Default)]
    Sign {
        /// Before pumping the liquid stood above the outlet.
        #[default]
        LevelAboveOutlet = "level_above_outlet",
        /// Before pumping the liquid stood below the outlet.
        LevelBelowOutlet = "level_below_outlet",
        /// The tank was pumped, or the house stood empty, so lately that it may not have filled again.
        NotYetRefilled = "not_yet_refilled",
        /// A mark on the wall shows that liquid has stood well above the outlet.
        HighWaterMark = "high_water_mark",
        /// While pumping, water ran back in from the outlet.
        Runback = "runback",
        /// Water enters the tank with nothing running in the house.
        InflowNothingRunning = "inflow_nothing_running",
        /// That water comes out of the inlet pipe.
        InflowAtInlet = "inflow_at_inlet",
        /// That water comes through a wall, a joint, a riser or a lid.
        InflowAtWall = "inflow_at_wall",
        /// The leak gauge measured water coming in.
        GaugeInflow = "gauge_inflow",
        /// The leak gauge measured water leaving a tank filled to the outlet.
        GaugeOutflow = "gauge_outflow",
        /// The effluent filter was clogged.
        FilterClogged = "filter_clogged",
        /// Something blocks the outlet device or the pipe behind it.
        OutletPlugged = "outlet_plugged",
        /// The outlet baffle or tee is missing, broken or eaten away.
        OutletDeviceMissing = "outlet_device_missing",
        /// Paper, grease or scum is packed in the inlet device.
        InletPlugged = "inlet_plugged",
        /// Scum or sludge is past the limit of the rule in use.
        SolidsPastLimit = "solids_past_limit",
        /// Solids lie behind the outlet: in the distribution box, the pump chamber or the outlet pipe.
        SolidsPastOutlet = "solids_past_outlet",
        /// The wall or the bottom is cracked, or a joint is open.
        Cracks = "cracks",
        /// Roots grow into the tank or its pipes.
        Roots = "roots",
        /// The ground over the field is wet, or greener than round it, or smells.
        WetOverField = "wet_over_field",
        /// The ground round the tank is wet.
        WetRoundTank = "wet_round_tank",
        /// It has rained hard, snow is melting, or groundwater is known to be high.
        GroundSaturated = "ground_saturated",
        /// An alarm is on.
        AlarmOn = "alarm_on",
        /// A pump chamber follows the tank.
        PumpChamber = "pump_chamber",
        /// The level in the pump chamber is above the pump's start level.
        PumpChamberHigh = "pump_chamber_high",
        /// The pump does not start when the level or its float says it should.
        PumpNotStarting = "pump_not_starting",
        /// A float in the pump chamber is stuck, tangled or broken.
        FloatStuck = "float_stuck",
        /// Water backs up at the lowest fixture of the house.
        BackupInHouse = "backup_in_house",
        /// With the tank drawn down, water still stands in the cleanout between house and tank.
        CleanoutFull = "cleanout_full",
        /// Traps gurgle, or smell of sewer gas.
        Gurgling = "gurgling",
        /// A toilet, tap or softener is seen, heard, dyed or metered running on.
        FixtureRunning = "fixture_running",
        /// More people or more water than usual of late.
        HeavyUse = "heavy_use",
        /// The tank had to be pumped more than four times in a year.
        PumpedOften = "pumped_often",
        /// Flush test: nothing came from any of several fixtures.
        FlushNothing = "flush_nothing",
        /// Flush test: nothing from some fixtures, while others came.
        FlushSomeMissing = "flush_some_missing",
        /// Flush test: everything came, and slowly.
        FlushAllSlow = "flush_all_slow",
        /// Flush test: some came slowly, the others promptly.
        FlushSomeSlow = "flush_some_slow",
        /// Flush test: what came was slow and the rest did not come.
        FlushSlowAndNothing = "flush_slow_and_nothing",
        /// Flush test: nothing, or slowly, but only one fixture or branch was tried.
        FlushUndecided = "flush_undecided",
    }
}

coded! {
    /// Whether a sign was there.
    Seen {
        /// It was there.
        Present = "present",
        /// It was looked for and was not there.
        Absent = "absent",
        /// Nobody looked.
        NotLooked = "not_looked",
    }
}

coded! {
    /// Where a sign comes from.
    Origin {
        /// Somebody said so.
        Said = "said",
        /// It follows from measured levels.
        Levels = "levels",
        /// It follows from the flush test.
        FlushTest = "flush_test",
        /// It follows from the leak gauge.
        LeakGauge = "leak_gauge",
        /// It follows from another sign.
        Implied = "implied",
    }
}

coded! {
    /// A look that settles one or more signs.
    Check {
        /// Read the level against the outlet before pumping.
        ReadLevel = "read_level",
        /// Ask when the tank was last pumped and whether the house stood empty.
        AskRefill = "ask_refill",
        /// Look at the walls: stains, cracks, open joints, roots, water coming through.
        LookAtWalls = "look_at_walls",
        /// Watch the outlet while pumping.
        WatchOutlet = "watch_outlet",
        /// Have everything turned off and watch the drawn-down tank.
        WatchInflow = "watch_inflow",
        /// Mark the level, wait, mark it again.
        GaugeInflow = "gauge_inflow",
        /// With the tank filled to the outlet and everything off, mark the level, wait, mark it again.
        GaugeOutflow = "gauge_outflow",
        /// Pull the filter and look at it.
        LookAtFilter = "look_at_filter",
        /// Look at the outlet device and into its pipe, from above.
        LookAtOutlet = "look_at_outlet",
        /// Look at the inlet device, from above.
        LookAtInlet = "look_at_inlet",
        /// Measure scum and sludge.
        MeasureSolids = "measure_solids",
        /// Look for solids in the distribution box, pump chamber or outlet pipe.
        LookDownstream = "look_downstream",
        /// Walk the field.
        WalkField = "walk_field",
        /// Walk round the tank.
        WalkRoundTank = "walk_round_tank",
        /// Ask about rain, snow melt and groundwater.
        AskWeather = "ask_weather",
        /// Look at the alarm.
        LookAtAlarm = "look_at_alarm",
        /// Look for a pump chamber behind the tank.
        LookForPumpChamber = "look_for_pump_chamber",
        /// Look into the pump chamber.
        LookInPumpChamber = "look_in_pump_chamber",
        /// Have the pump's start tried by someone licensed for it.
        TryPump = "try_pump",
        /// Ask what happens in the house: backing up, gurgling, guests.
        AskHouse = "ask_house",
        /// Open the cleanout between house and tank.
        OpenCleanout = "open_cleanout",
        /// Dye the toilet tanks, read the water meter twice, look at the softener.
        CheckFixtures = "check_fixtures",
        /// Ask how often it was pumped in the last year.
        AskHistory = "ask_history",
        /// Run every fixture and watch the inlet.
        FlushTest = "flush_test",
    }
}

coded! {
    /// How far the pumping has come: some looks are no longer possible.
    TankState {
        /// Not yet pumped.
        Full = "full",
        /// Drawn down.
        DrawnDown = "drawn_down",
    }
}

impl Sign {
    /// Returns the look that settles it.
    #[must_use]
    pub const fn check(self) -> Check {
        match self {
            Self::LevelAboveOutlet | Self::LevelBelowOutlet => Check::ReadLevel,
            Self::NotYetRefilled => Check::AskRefill,
            Self::HighWaterMark | Self::Cracks | Self::Roots => Check::LookAtWalls,
            Self::Runback => Check::WatchOutlet,
            Self::InflowNothingRunning | Self::InflowAtInlet | Self::InflowAtWall => Check::WatchInflow,
            Self::GaugeInflow => Check::GaugeInflow,
            Self::GaugeOutflow => Check::GaugeOutflow,
            Self::FilterClogged => Check::LookAtFilter,
            Self::OutletPlugged | Self::OutletDeviceMissing => Check::LookAtOutlet,
            Self::InletPlugged => Check::LookAtInlet,
            Self::SolidsPastLimit => Check::MeasureSolids,
            Self::SolidsPastOutlet => Check::LookDownstream,
            Self::WetOverField => Check::WalkField,
            Self::WetRoundTank => Check::WalkRoundTank,
            Self::GroundSaturated => Check::AskWeather,
            Self::AlarmOn => Check::LookAtAlarm,
            Self::PumpChamber => Check::LookForPumpChamber,
            Self::PumpChamberHigh | Self::FloatStuck => Check::LookInPumpChamber,
            Self::PumpNotStarting => Check::TryPump,
            Self::BackupInHouse | Self::Gurgling | Self::HeavyUse => Check::AskHouse,
            Self::CleanoutFull => Check::OpenCleanout,
            Self::FixtureRunning => Check::CheckFixtures,
            Self::PumpedOften => Check::AskHistory,
            Self::FlushNothing
            | Self::FlushSomeMissing
            | Self::FlushAllSlow
            | Self::FlushSomeSlow
            | Self::FlushSlowAndNothing
            | Self::FlushUndecided => Check::FlushTest,
        }
    }
}

impl Check {
    /// Returns whether it can still be done.
    #[must_use]
    pub const fn is_possible(self, state: Option<TankState>) -> bool {
        match state {
            Some(TankState::DrawnDown) => !matches!(self, Self::ReadLevel | Self::MeasureSolids | Self::GaugeOutflow),
            Some(TankState::Full) | None => true,
        }
    }
}

/// Two signs that say the opposite of each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{}` is {} here and {} there", sign.word(), was.word(), is.word())]
pub struct Contradiction {
    /// The sign.
    pub sign: Sign,
    /// What stands.
    pub was: Seen,
    /// What was to be added.
    pub is: Seen,
}

/// What was looked for at one stop. A sign that is not in it was not looked for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Signs {
    seen: BTreeMap<Sign, (Seen, Origin)>,
}

impl Signs {
    /// Nothing looked at.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Records a sign; what follows from it is recorded with it. Not looked for records nothing.
    ///
    /// # Errors
    ///
    /// The sign stands with the opposite.
    pub fn add(&mut self, sign: Sign, seen: Seen, origin: Origin) -> Result<(), Contradiction> {
        if seen == Seen::NotLooked {
            return Ok(());
        }
        self.fits(sign, seen)?;
        let implied = implied(sign, seen);
        for (other, follows) in implied {
            self.fits(*other, *follows)?;
        }
        if seen == Seen::Present {
            for other in excluded(sign) {
                self.fits(*other, Seen::Absent)?;
            }
        }
        // What somebody said or measured replaces what merely followed.
        let entry = self.seen.entry(sign).or_insert((seen, origin));
        if entry.1 == Origin::Implied {
            *entry = (seen, origin);
        }
        for (other, follows) in implied {
            self.seen.entry(*other).or_insert((*follows, Origin::Implied));
        }
        Ok(())
    }

    fn fits(&self, sign: Sign, is: Seen) -> Result<(), Contradiction> {
        let was = self.seen(sign);
        if was == Seen::NotLooked || was == is {
            Ok(())
        } else {
            Err(Contradiction { sign, was, is })
        }
    }

    /// Returns whether the sign was there.
    #[must_use]
    pub fn seen(&self, sign: Sign) -> Seen {
        self.seen.get(&sign).map_or(Seen::NotLooked, |(seen, _)| *seen)
    }

    /// Returns every sign that was looked for, with where it comes from.
    pub fn known(&self) -> impl Iterator<Item = (Sign, Seen, Origin)> + '_ {
        self.seen.iter().map(|(sign, (seen, origin))| (*sign, *seen, *origin))
    }

    /// Returns whether the sign is left out of the count because a better one of the same thing is in it.
    ///
    /// What the gauge measured takes the place of what an eye saw of the same flow; where a flow enters says nothing when
    /// there is none; a level on one side of the outlet already says that it is not on the other; a mark that liquid has left
    /// higher up says more of what happens here than where it stands today; and of the results of one flush test, those that
    /// were there already say that the others were not.
    #[must_use]
    pub fn is_superseded(&self, sign: Sign) -> bool {
        let gauged = self.seen(Sign::GaugeInflow);
        match sign {
            Sign::InflowNothingRunning => gauged != Seen::NotLooked,
            Sign::InflowAtInlet | Sign::InflowAtWall => self.inflow() == Seen::Absent,
            Sign::LevelAboveOutlet => {
                self.seen(Sign::LevelBelowOutlet) == Seen::Present
                    || (self.seen(sign) == Seen::Absent && self.seen(Sign::HighWaterMark) == Seen::Present)
            }
            Sign::LevelBelowOutlet => self.seen(Sign::LevelAboveOutlet) == Seen::Present,
            Sign::FlushSomeMissing => {
                self.seen(sign) == Seen::Absent && self.seen(Sign::FlushSomeSlow) == Seen::Present
            }
            Sign::FlushSomeSlow => {
                self.seen(sign) == Seen::Absent && self.seen(Sign::FlushSomeMissing) == Seen::Present
            }
            Sign::FlushNothing => {
                self.seen(sign) == Seen::Absent && self.seen(Sign::FlushSlowAndNothing) == Seen::Present
            }
            _ => false,
        }
    }

    /// Whether water comes in with nothing running: by the gauge, else by eye.
    #[must_use]
    pub fn inflow(&self) -> Seen {
        match self.seen(Sign::GaugeInflow) {
            Seen::NotLooked => self.seen(Sign::InflowNothingRunning),
            gauged => gauged,
        }
    }

    /// Records what measured levels say.
    ///
    /// * `before`: liquid before pumping, against the outlet invert
    /// * `high_mark`: highest stain on the wall, against the outlet invert
    /// * `edge`: how far a level may be off; nearer to the outlet than that is at the outlet
    ///
    /// # Errors
    ///
    /// A sign stands with the opposite.
    pub fn add_levels(
        &mut self,
        before: Option<Offset>,
        high_mark: Option<Offset>,
        edge: Length,
    ) -> Result<(), Contradiction> {
        let yes = |holds| if holds { Seen::Present } else { Seen::Absent };
        if let Some(before) = before {
            let (above, below) = (before.mm() > edge.mm(), -before.mm() > edge.mm());
            // What holds first, so that a contradiction names what was measured.
            self.add(Sign::LevelAboveOutlet, yes(above), Origin::Levels)?;
            self.add(Sign::LevelBelowOutlet, yes(below), Origin::Levels)?;
        }
        if let Some(mark) = high_mark {
            let stands = before.map_or(0.0, Offset::mm).max(0.0);
            self.add(Sign::HighWaterMark, yes(mark.mm() > stands + edge.mm()), Origin::Levels)?;
        }
        Ok(())
    }

    /// Records what a flush test says. What it leaves open is not recorded.
    ///
    /// # Errors
    ///
    /// A sign stands with the opposite.
    pub fn add_flush(
        &mut self,
        finding: &FlushFinding,
        any_nothing: bool,
        any_slow: bool,
    ) -> Result<(), Contradiction> {
        use Seen::{Absent, Present};
        let said: &[(Sign, Seen)] = match finding.verdict {
            Verdict::NothingTried | Verdict::InletNotSeen => &[],
            // One open fixture clears the main line, not the other branches.
            Verdict::AllCame if finding.is_thin() => &[(Sign::FlushNothing, Absent), (Sign::FlushAllSlow, Absent)],
            Verdict::AllCame => &[
                (Sign::FlushNothing, Absent),
                (Sign::FlushSomeMissing, Absent),
                (Sign::FlushAllSlow, Absent),
                (Sign::FlushSomeSlow, Absent),
            ],
            Verdict::MainLine => &[(Sign::FlushNothing, Present)],
            Verdict::MainLinePartly => &[(Sign::FlushSlowAndNothing, Present), (Sign::FlushNothing, Absent)],
            Verdict::PartialOrVent => &[(Sign::FlushAllSlow, Present), (Sign::FlushNothing, Absent)],
            Verdict::BranchOrMain | Verdict::SlowBranchOrMain => &[(Sign::FlushUndecided, Present)],
            Verdict::Branches => &[(Sign::FlushNothing, Absent), (Sign::FlushAllSlow, Absent)],
        };
        for (sign, seen) in said {
            self.add(*sign, *seen, Origin::FlushTest)?;
        }
        if finding.verdict == Verdict::Branches {
            let yes = |holds| if holds { Present } else { Absent };
            self.add(Sign::FlushSomeMissing, yes(any_nothing), Origin::FlushTest)?;
            self.add(Sign::FlushSomeSlow, yes(any_slow), Origin::FlushTest)?;
        }
        Ok(())
    }

    /// Records what the leak gauge says: a flow beyond its error is there; one of 90 gal a day that could not have hidden
    /// in the error is not; anything else stays open.
    ///
    /// # Errors
    ///
    /// A sign stands with the opposite.
    pub fn add_gauge(
        &mut self,
        result: &Result<GaugeFinding, GaugeRefusal>,
        from_full: bool,
    ) -> Result<(), Contradiction> {
        match result {
            Ok(found) => match found.direction {
                Direction::Inflow => self.add(Sign::GaugeInflow, Seen::Present, Origin::LeakGauge),
                Direction::Outflow if found.notes.contains(&GaugeNote::FallIsTheOutlet) => Ok(()),
                Direction::Outflow => self.add(Sign::GaugeOutflow, Seen::Present, Origin::LeakGauge),
            },
            Err(refusal) if refusal.rules_out_a_leak() => {
                // A full tank shows no inflow (it leaves through the outlet), a drawn-down one no small outflow above its level.
                let sign = if from_full {
                    Sign::GaugeOutflow
                } else {
                    Sign::GaugeInflow
                };
                self.add(sign, Seen::Absent, Origin::LeakGauge)
            }
            Err(_) => Ok(()),
        }
    }
}

/// What follows from a sign.
const fn implied(sign: Sign, seen: Seen) -> &'static [(Sign, Seen)] {
    match (sign, seen) {
        // A pump that is seen stands in a chamber.
        (Sign::PumpChamberHigh | Sign::PumpNotStarting | Sign::FloatStuck, Seen::Present) => {
            &[(Sign::PumpChamber, Seen::Present)]
        }
        // A level is on one side of the outlet.
        (Sign::LevelAboveOutlet, Seen::Present) => &[(Sign::LevelBelowOutlet, Seen::Absent)],
        (Sign::LevelBelowOutlet, Seen::Present) => &[(Sign::LevelAboveOutlet, Seen::Absent)],
        // Water seen to come in somewhere comes in.
        (Sign::InflowAtInlet | Sign::InflowAtWall, Seen::Present) => &[(Sign::InflowNothingRunning, Seen::Present)],
        _ => &[],
    }
}

/// What cannot be there together with a sign: one flush test has one result.
///
/// Some missing and some slow go together, for both mean that others came promptly.
const fn excluded(sign: Sign) -> &'static [Sign] {
    use Sign::{FlushAllSlow, FlushNothing, FlushSlowAndNothing, FlushSomeMissing, FlushSomeSlow, FlushUndecided};
    match sign {
        FlushNothing => &[
            FlushAllSlow,
            FlushSlowAndNothing,
            FlushSomeMissing,
            FlushSomeSlow,
            FlushUndecided,
        ],
        FlushAllSlow => &[
            FlushNothing,
            FlushSlowAndNothing,
            FlushSomeMissing,
            FlushSomeSlow,
            FlushUndecided,
        ],
        FlushSlowAndNothing => &[
            FlushNothing,
            FlushAllSlow,
            FlushSomeMissing,
            FlushSomeSlow,
            FlushUndecided,
        ],
        FlushSomeMissing | FlushSomeSlow => &[FlushNothing, FlushAllSlow, FlushSlowAndNothing, FlushUndecided],
        FlushUndecided => &[
            FlushNothing,
            FlushAllSlow,
            FlushSlowAndNothing,
            FlushSomeMissing,
            FlushSomeSlow,
        ],
        _ => &[],
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;
    use crate::domain::flush::{Came, Fixture, FixtureKind, FlushTest, reason};
    use crate::domain::leak::Against;
    use crate::domain::units::Volume;

    #[test]
    fn every_word_reads_back() {
        for sign in Sign::ALL {
            assert_eq!(Sign::from_word(sign.word()), Some(*sign));
        }
        assert_eq!(Sign::from_word("drain"), None);
    }

    /// A level is on one side of the outlet. What somebody said takes the place of what only followed, and nothing takes its.
    #[test]
    fn what_follows_is_held_until_somebody_says_so() {
        for (there, not_there) in [
            (Sign::LevelAboveOutlet, Sign::LevelBelowOutlet),
            (Sign::LevelBelowOutlet, Sign::LevelAboveOutlet),
        ] {
            let mut signs = Signs::new();
            signs.add(there, Seen::Present, Origin::Said).unwrap();
            let origin = |signs: &Signs| {
                let known = signs.known().find(|(sign, ..)| *sign == not_there);
                known.map(|(_, seen, origin)| (seen, origin))
            };
            assert_eq!(origin(&signs), Some((Seen::Absent, Origin::Implied)));
            signs.add(not_there, Seen::Absent, Origin::Said).unwrap();
            assert_eq!(origin(&signs), Some((Seen::Absent, Origin::Said)));
            signs.add(not_there, Seen::Absent, Origin::LeakGauge).unwrap();
            assert_eq!(origin(&signs), Some((Seen::Absent, Origin::Said)));
        }
    }

    #[test]
    fn opposites_are_refused_and_nothing_is_lost() {
        let mut signs = Signs::new();
        signs.add(Sign::LevelAboveOutlet, Seen::Present, Origin::Said).unwrap();
        assert_eq!(signs.seen(Sign::LevelBelowOutlet), Seen::Absent);
        let refused = signs
            .add(Sign::LevelBelowOutlet, Seen::Present, Origin::Said)
            .unwrap_err();
        assert_eq!(refused.sign, Sign::LevelBelowOutlet);
        assert!(
            signs
                .add_levels(Some(Offset::from_mm(-300)), None, DEFAULT_LEVEL_EDGE)
                .is_err()
        );
        signs
            .add_levels(Some(Offset::from_mm(60)), None, DEFAULT_LEVEL_EDGE)
            .unwrap();
        assert_eq!(signs.seen(Sign::LevelAboveOutlet), Seen::Present);
    }

    #[test]
    fn one_flush_test_has_one_result() {
        let mut signs = Signs::new();
        signs.add(Sign::FlushSomeSlow, Seen::Present, Origin::Said).unwrap();
        signs.add(Sign::FlushSomeMissing, Seen::Present, Origin::Said).unwrap();
        let refused = signs.add(Sign::FlushNothing, Seen::Present, Origin::Said).unwrap_err();
        assert_eq!((refused.was, refused.is), (Seen::Present, Seen::Absent));
        for sign in Sign::ALL {
            for other in excluded(*sign) {
                assert!(excluded(*other).contains(sign), "{sign:?} {other:?}");
            }
        }
    }

    /// Of the results of one flush test those that were there say that the others were not; one that was there itself counts.
    #[test]
    fn a_result_that_was_not_there_is_left_out_where_another_says_so() {
        for (there, other) in [
            (Sign::FlushSomeSlow, Sign::FlushSomeMissing),
            (Sign::FlushSomeMissing, Sign::FlushSomeSlow),
            (Sign::FlushSlowAndNothing, Sign::FlushNothing),
        ] {
            let mut signs = Signs::new();
            assert!(!signs.is_superseded(other), "{other:?} before anything is known");
            signs.add(there, Seen::Present, Origin::Said).unwrap();
            let is_out = signs.seen(other) == Seen::Absent;
            assert_eq!(signs.is_superseded(other), is_out, "{other:?} beside {there:?}");
            if signs.seen(other) == Seen::NotLooked {
                signs.add(other, Seen::Absent, Origin::Said).unwrap();
                assert!(signs.is_superseded(other), "{other:?} beside {there:?}");
            }
            let mut itself = Signs::new();
            itself.add(other, Seen::Present, Origin::Said).unwrap();
            assert!(!itself.is_superseded(other), "{other:?} was there");
        }
    }

    /// What the gauge measured takes the place of what an eye saw, and a level on one side of the outlet says that of the other.
    #[test]
    fn what_was_measured_takes_the_place_of_what_was_seen() {
        let known = |list: &[(Sign, Seen)]| {
            let mut signs = Signs::new();
            for (sign, seen) in list {
                signs.add(*sign, *seen, Origin::Said).unwrap();
            }
            signs
        };
        let seen = known(&[(Sign::InflowNothingRunning, Seen::Present)]);
        assert!(!seen.is_superseded(Sign::InflowNothingRunning));
        for measured in [Seen::Present, Seen::Absent] {
            let gauged = known(&[(Sign::GaugeInflow, measured)]);
            assert!(gauged.is_superseded(Sign::InflowNothingRunning));
            assert_eq!(gauged.is_superseded(Sign::InflowAtInlet), measured == Seen::Absent);
            assert_eq!(gauged.is_superseded(Sign::InflowAtWall), measured == Seen::Absent);
        }
        for (sign, other) in [
            (Sign::LevelAboveOutlet, Sign::LevelBelowOutlet),
            (Sign::LevelBelowOutlet, Sign::LevelAboveOutlet),
        ] {
            let there = known(&[(sign, Seen::Present)]);
            assert!(there.is_superseded(other) && !there.is_superseded(sign), "{sign:?}");
        }
        let left = known(&[
            (Sign::LevelAboveOutlet, Seen::Absent),
            (Sign::HighWaterMark, Seen::Present),
        ]);
        assert!(left.is_superseded(Sign::LevelAboveOutlet));
        let no_mark = known(&[(Sign::LevelAboveOutlet, Seen::Absent)]);
        assert!(!no_mark.is_superseded(Sign::LevelAboveOutlet));
    }

    /// A fall that the outlet explains is no leak; one that it does not explain is.
    #[test]
    fn a_fall_through_the_outlet_is_no_outflow() {
        let found = |notes| GaugeFinding {
            direction: Direction::Outflow,
            elapsed_s: 3_600,
            change: Volume::from_litres(10.0),
            change_error: Volume::from_litres(1.0),
            litres_per_day: 240.0,
            error_litres_per_day: 24.0,
            average_home: Against::Above,
            worst_tenth: Against::Below,
            retention: None,
            counted: vec![0],
            notes,
        };
        for (notes, seen) in [
            (vec![], Seen::Present),
            (vec![GaugeNote::FallIsTheOutlet], Seen::NotLooked),
        ] {
            let mut signs = Signs::new();
            signs.add_gauge(&Ok(found(notes)), true).unwrap();
            assert_eq!(signs.seen(Sign::GaugeOutflow), seen);
        }
    }

    /// A gauge that could not be read says nothing of a leak.
    #[test]
    fn a_refusal_that_rules_out_no_leak_leaves_it_open() {
        for from_full in [true, false] {
            let mut signs = Signs::new();
            signs.add_gauge(&Err(GaugeRefusal::NoGeometry), from_full).unwrap();
            assert_eq!(signs.known().count(), 0);
        }
    }

    #[test]
    fn levels_within_their_error_are_at_the_outlet() {
        let seen = |mm| {
            let mut signs = Signs::new();
            signs
                .add_levels(
                    Some(Offset::from_mm(mm)),
                    Some(Offset::from_mm(100)),
                    DEFAULT_LEVEL_EDGE,
                )
                .unwrap();
            (
                signs.seen(Sign::LevelAboveOutlet),
                signs.seen(Sign::LevelBelowOutlet),
                signs.seen(Sign::HighWaterMark),
            )
        };
        assert_eq!(seen(25), (Seen::Absent, Seen::Absent, Seen::Present));
        assert_eq!(seen(-25), (Seen::Absent, Seen::Absent, Seen::Present));
        assert_eq!(seen(26), (Seen::Present, Seen::Absent, Seen::Present));
        assert_eq!(seen(-26), (Seen::Absent, Seen::Present, Seen::Present));
        // A mark stands higher when it is more than the error above the level: 100 mm against 74 and 75.
        assert_eq!(seen(74), (Seen::Present, Seen::Absent, Seen::Present));
        assert_eq!(seen(75), (Seen::Present, Seen::Absent, Seen::Absent));
        assert_eq!(seen(90), (Seen::Present, Seen::Absent, Seen::Absent));
    }

    #[test]
    fn thin_flush_tests_say_little() {
        let run = |came: &[Came]| {
            let test = FlushTest {
                drawn_down: Some(true),
                fixtures: came
                    .iter()
                    .enumerate()
                    .map(|(place, came)| Fixture {
                        name: place.to_string(),
                        kind: FixtureKind::Toilet,
                        floor: None,
                        branch: None,
                        came: *came,
                    })
                    .collect(),
            };
            let mut signs = Signs::new();
            let nothing = came.contains(&Came::Nothing);
            signs.add_flush(&reason(&test), nothing, false).unwrap();
            signs
        };
        let prompt = Came::Promptly { after_s: None };
        assert_eq!(run(&[Came::Nothing]).seen(Sign::FlushNothing), Seen::NotLooked);
        assert_eq!(run(&[Came::Nothing]).seen(Sign::FlushUndecided), Seen::Present);
        assert_eq!(run(&[prompt]).seen(Sign::FlushSomeMissing), Seen::NotLooked);
        assert_eq!(
            run(&[prompt, Came::Nothing]).seen(Sign::FlushSomeMissing),
            Seen::Present
        );
        assert_eq!(run(&[Came::NotTried]).known().count(), 0);
    }
}
