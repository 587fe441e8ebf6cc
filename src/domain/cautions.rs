//! The usual cautions, and the steps they belong to.

use super::causes::Cause;
use super::coded::coded;
use super::flush::LineCheck;
use super::signs::Check;

coded! {
    /// One caution.
    Caution {
        /// Never enter or lean into a tank.
        StayOut = "stay_out",
        /// Its gas kills, and smell is no guide.
        Gas = "gas",
        /// Most who die in such places went in to help.
        Rescuers = "rescuers",
        /// Never leave a lid open or unattended.
        LidsShut = "lids_shut",
        /// Keep children away.
        Children = "children",
        /// Sewage can come out of a cleanout at once.
        CleanoutUnderPressure = "cleanout_under_pressure",
        /// Water and electricity in the pump chamber.
        PumpPower = "pump_power",
        /// Have lines marked before digging.
        CallBeforeDigging = "call_before_digging",
        /// An empty tank can float in high groundwater.
        FloatingTank = "floating_tank",
        /// A roof is for those who work on roofs.
        Roof = "roof",
    }
}

impl Caution {
    /// Those that hold whenever a lid is open.
    pub const AT_AN_OPEN_LID: &'static [Self] =
        &[Self::StayOut, Self::Gas, Self::Rescuers, Self::LidsShut, Self::Children];

    /// Returns the citation.
    #[must_use]
    pub const fn source(self) -> &'static str {
        match self {
            Self::StayOut | Self::Rescuers => "NIOSH Alert 86-110 (1986)",
            Self::Gas => "29 CFR 1910.1000 Z-2 and NIOSH limits for hydrogen sulfide (secondary)",
            Self::LidsShut | Self::Children => "Washington State Department of Health, lid safety",
            Self::PumpPower => "30 TAC 285.34(b)(1); usual caution",
            Self::CallBeforeDigging => "US call-before-you-dig service (811), city and co-operative pages",
            Self::FloatingTank => "from memory; usual caution",
            Self::CleanoutUnderPressure | Self::Roof => "common practice",
        }
    }
}

/// The cautions of a look, besides those of an open lid that hold all along.
#[must_use]
pub const fn of_check(check: Check) -> &'static [Caution] {
    match check {
        Check::ReadLevel
        | Check::LookAtWalls
        | Check::WatchOutlet
        | Check::WatchInflow
        | Check::GaugeInflow
        | Check::GaugeOutflow
        | Check::LookAtFilter
        | Check::LookAtOutlet
        | Check::LookAtInlet
        | Check::MeasureSolids
        | Check::FlushTest => &[Caution::StayOut, Caution::Gas, Caution::LidsShut],
        Check::LookDownstream => &[Caution::CallBeforeDigging, Caution::StayOut, Caution::LidsShut],
        Check::LookAtAlarm | Check::LookInPumpChamber | Check::TryPump => &[Caution::PumpPower, Caution::StayOut],
        Check::OpenCleanout => &[Caution::CleanoutUnderPressure],
        Check::AskRefill
        | Check::LookForPumpChamber
        | Check::WalkField
        | Check::WalkRoundTank
        | Check::AskWeather
        | Check::AskHouse
        | Check::CheckFixtures
        | Check::AskHistory => &[],
    }
}

/// The cautions of a step on the lines.
#[must_use]
pub const fn of_line_check(check: LineCheck) -> &'static [Caution] {
    match check {
        LineCheck::DrawDown | LineCheck::LookAtInlet => &[Caution::StayOut, Caution::Gas, Caution::LidsShut],
        LineCheck::OpenCleanout | LineCheck::ClearMain | LineCheck::ClearBranch => &[Caution::CleanoutUnderPressure],
        LineCheck::CheckVent => &[Caution::Roof],
        LineCheck::TryMore | LineCheck::ClearArm | LineCheck::CameraForBelly | LineCheck::RunAgain => &[],
    }
}

/// The cautions of dealing with a cause.
#[must_use]
pub const fn of_cause(cause: Cause) -> &'static [Caution] {
    match cause {
        Cause::OutletBlocked | Cause::InletBlocked => &[Caution::StayOut, Caution::Gas, Caution::LidsShut],
        Cause::GroundwaterEnters => &[Caution::FloatingTank],
        Cause::MainLineBlocked | Cause::BranchBlocked => &[Caution::CleanoutUnderPressure],
        Cause::SlowLineOrVent => &[Caution::CleanoutUnderPressure, Caution::Roof],
        Cause::PumpChamberFault => &[Caution::PumpPower],
        Cause::FieldSaturated => &[Caution::CallBeforeDigging],
        Cause::TankLeaks | Cause::SolidsCarriedOver => &[Caution::StayOut],
        Cause::FixtureRuns | Cause::TooMuchWater => &[],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A caution rests on a text that can be looked up, or says that it is what everybody in the trade knows.
    #[test]
    fn every_caution_says_what_it_rests_on() {
        for caution in Caution::ALL {
            let source = caution.source();
            let can_be_looked_up = source.contains(char::is_numeric) || source.contains("Department of Health");
            let is_usual = source.contains("usual caution") || source == "common practice";
            assert!(can_be_looked_up || is_usual, "{caution:?}: {source}");
        }
    }

    /// Source: NIOSH Alert 86-110 (never enter; gas), and what is usual beside open lids, live pumps and full lines.
    #[test]
    fn what_can_hurt_is_said_with_the_look_the_step_and_the_cause() {
        use Caution::{
            CallBeforeDigging, CleanoutUnderPressure, FloatingTank, Gas, LidsShut, PumpPower, Roof, StayOut,
        };
        let at_the_lid = [StayOut, Gas, LidsShut];
        assert_eq!(of_check(Check::ReadLevel), at_the_lid);
        assert_eq!(of_check(Check::FlushTest), at_the_lid);
        assert_eq!(of_check(Check::LookDownstream), [CallBeforeDigging, StayOut, LidsShut]);
        assert_eq!(of_check(Check::TryPump), [PumpPower, StayOut]);
        assert_eq!(of_check(Check::OpenCleanout), [CleanoutUnderPressure]);
        assert!(of_check(Check::AskHouse).is_empty());
        assert_eq!(of_line_check(LineCheck::LookAtInlet), at_the_lid);
        assert_eq!(of_line_check(LineCheck::ClearMain), [CleanoutUnderPressure]);
        assert_eq!(of_line_check(LineCheck::CheckVent), [Roof]);
        assert!(of_line_check(LineCheck::RunAgain).is_empty());
        assert_eq!(of_cause(Cause::OutletBlocked), at_the_lid);
        assert_eq!(of_cause(Cause::GroundwaterEnters), [FloatingTank]);
        assert_eq!(of_cause(Cause::SlowLineOrVent), [CleanoutUnderPressure, Roof]);
        assert_eq!(of_cause(Cause::PumpChamberFault), [PumpPower]);
        assert_eq!(of_cause(Cause::FieldSaturated), [CallBeforeDigging]);
        assert!(of_cause(Cause::FixtureRuns).is_empty());
    }
}
