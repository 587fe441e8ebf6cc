//! Findings and advice in plain sentences: the one place they are worded.
//!
//! What it means, what it costs to wait, what to do. No blame and no alarm; how sure is always said with it.
//! No wildcard arm: a new sign or cause does not compile until it is worded.

use crate::domain::causes::{Band, Cause, Diagnosis, Evidence, Weighed, Who};
use crate::domain::cautions::Caution;
use crate::domain::flush::{BranchState, Carry, Caveat, Change, FixtureKind, LineCheck, Outcome, Verdict};
use crate::domain::leak::{
    Against, Direction, GaugeFinding, GaugeNote, GaugeRefusal, average_home_litres_per_day, worst_tenth_litres_per_day,
};
use crate::domain::signs::{Check, Seen, Sign};
use crate::domain::units::{Volume, round_to_i64};
use crate::exchange::diagnose::Said;
use crate::say::figures::Figures;

/// Words findings for one person.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Findings {
    /// The language and units spoken.
    pub figures: Figures,
}

impl Findings {
    /// Words findings in this language and these units.
    #[must_use]
    pub const fn new(figures: Figures) -> Self {
        Self { figures }
    }

    /// Words whatever the office command says.
    #[must_use]
    pub fn say(self, said: Said<'_>) -> String {
        match said {
            Said::Sign(sign) => self.sign(sign),
            Said::Evidence(evidence) => self.evidence(evidence),
            Said::Cause(cause) => self.cause(cause),
            Said::Finding(weighed) => self.finding(weighed),
            Said::Means(cause) => self.means(cause),
            Said::Waiting(cause) => self.waiting(cause),
            Said::Advice(weighed) => self.full_advice(weighed),
            Said::Band(band) => self.band(band),
            Said::Check(check) => self.check(check),
            Said::Summary(diagnosis) => self.summary(diagnosis),
            Said::Limit => self.limit(),
            Said::Verdict(verdict) => self.verdict(verdict),
            Said::BranchState(state) => self.branch_state(state),
            Said::Caveat(caveat) => self.caveat(caveat),
            Said::LineCheck(check) => self.line_check(check),
            Said::Carry(carry) => self.carry(carry),
            Said::FixtureKind(kind) => self.fixture_kind(kind),
            Said::Change(change) => self.change(change),
            Said::Outcome(outcome) => self.outcome(outcome),
            Said::Gauge(found) => self.gauge(found),
            Said::GaugeRefusal(refusal) => self.gauge_refusal(refusal),
            Said::GaugeNote(note) => self.gauge_note(note),
            Said::Caution(caution) => self.caution(caution),
        }
    }

    /// Names a sign, as what was looked for.
    #[must_use]
    pub fn sign(self, sign: Sign) -> String {
        let words = self.figures.words;
        match sign {
            Sign::LevelAboveOutlet => words.t("liquid above the outlet before pumping"),
            Sign::LevelBelowOutlet => words.t("liquid below the outlet before pumping"),
            Sign::NotYetRefilled => {
                words.t("a pump-out or an empty house so lately that the tank may not have filled again")
            }
            Sign::HighWaterMark => words.t("a high-water mark on the wall"),
            Sign::Runback => words.t("runback from the outlet while pumping"),
            Sign::InflowNothingRunning => words.t("water coming in with nothing running"),
            Sign::InflowAtInlet => words.t("water coming in at the inlet pipe with nothing running"),
            Sign::InflowAtWall => words.t("water coming in through a wall, joint, riser or lid"),
            Sign::GaugeInflow => words.t("water coming in by the leak gauge"),
            Sign::GaugeOutflow => words.t("water leaving the tank by the leak gauge"),
            Sign::FilterClogged => words.t("a clogged filter"),
            Sign::OutletPlugged => words.t("something blocking the outlet or the pipe behind it"),
            Sign::OutletDeviceMissing => words.t("an outlet baffle or tee missing or broken"),
            Sign::InletPlugged => words.t("paper, grease or scum packed in the inlet"),
            Sign::SolidsPastLimit => words.t("scum or sludge past the limit"),
            Sign::SolidsPastOutlet => words.t("solids beyond the outlet"),
            Sign::Cracks => words.t("cracks or open joints"),
            Sign::Roots => words.t("roots in the tank or its pipes"),
            Sign::WetOverField => words.t("wet or lush ground over the field"),
            Sign::WetRoundTank => words.t("wet ground round the tank"),
            Sign::GroundSaturated => words.t("hard rain, snow melt or high groundwater"),
            Sign::AlarmOn => words.t("an alarm that is on"),
            Sign::PumpChamber => words.t("a pump chamber"),
            Sign::PumpChamberHigh => words.t("a high level in the pump chamber"),
            Sign::PumpNotStarting => words.t("a pump that does not start when it should"),
            Sign::FloatStuck => words.t("a float that is stuck, tangled or broken"),
            Sign::BackupInHouse => words.t("water backing up in the house"),
            Sign::CleanoutFull => words.t("water standing in the cleanout with the tank drawn down"),
            Sign::Gurgling => words.t("gurgling traps or sewer smell"),
            Sign::FixtureRunning => words.t("a fixture that runs on"),
            Sign::HeavyUse => words.t("more people or water than usual"),
            Sign::PumpedOften => words.t("more than four pump-outs in a year"),
            Sign::FlushNothing => words.t("nothing from any fixture in the flush test"),
            Sign::FlushSomeMissing => words.t("nothing from some fixtures in the flush test"),
            Sign::FlushAllSlow => words.t("every fixture slow in the flush test"),
            Sign::FlushSomeSlow => words.t("some fixtures slow in the flush test"),
            Sign::FlushSlowAndNothing => words.t("slow or nothing from every fixture in the flush test"),
            Sign::FlushUndecided => words.t("slow or nothing in a flush test of one place only"),
        }
    }

    /// Names a cause.
    #[must_use]
    pub fn cause(self, cause: Cause) -> String {
        let words = self.figures.words;
        match cause {
            Cause::OutletBlocked => words.t("The outlet or its filter is blocked"),
            Cause::FieldSaturated => words.t("The field is not taking the water"),
            Cause::TankLeaks => words.t("Water is leaving through the tank itself"),
            Cause::GroundwaterEnters => words.t("Groundwater or rain is getting in"),
            Cause::FixtureRuns => words.t("Something in the house keeps running"),
            Cause::MainLineBlocked => words.t("The main line from the house is blocked"),
            Cause::InletBlocked => words.t("The inlet of the tank is blocked"),
            Cause::BranchBlocked => words.t("A branch in the house is blocked, wholly or in part"),
            Cause::SlowLineOrVent => words.t("The main line is partly blocked or sags, or a vent is stopped"),
            Cause::SolidsCarriedOver => words.t("Solids are leaving the tank toward the field"),
            Cause::TooMuchWater => words.t("More water comes than the system is made for"),
            Cause::PumpChamberFault => words.t("The pump, its float or its power is at fault"),
        }
    }

    /// Says what a cause means.
    #[must_use]
    pub fn means(self, cause: Cause) -> String {
        let words = self.figures.words;
        match cause {
            Cause::OutletBlocked => words.t("Water cannot leave the tank as fast as it comes."),
            Cause::FieldSaturated => {
                words.t("The ground or the pipes of the field are full, so water stands in the tank or runs back.")
            }
            Cause::TankLeaks => words.t("The level falls below the outlet, which a sound tank does not let happen."),
            Cause::GroundwaterEnters => {
                words.t("Clean water takes up the room and the time that household water needs to settle.")
            }
            Cause::FixtureRuns => words.t("A toilet, a tap or a softener sends water to the tank day and night."),
            Cause::MainLineBlocked => {
                words.t("Water from the house does not reach the tank, whatever the tank looks like.")
            }
            Cause::InletBlocked => {
                words.t("Paper, grease or scum holds the water back at the last step before the tank.")
            }
            Cause::BranchBlocked => words.t("One part of the house drains badly while the main line is open."),
            Cause::SlowLineOrVent => words.t("Water gets through from everywhere, but slowly."),
            Cause::SolidsCarriedOver => {
                words.t("What should settle in the tank goes on to the filter, the pump or the field.")
            }
            Cause::TooMuchWater => words.t("Water passes through the tank too fast to settle."),
            Cause::PumpChamberFault => words.t("Water waits in the pump chamber instead of going on."),
        }
    }

    /// Says what it costs to wait.
    #[must_use]
    pub fn waiting(self, cause: Cause) -> String {
        let words = self.figures.words;
        match cause {
            Cause::OutletBlocked => words.t("If it waits: the level rises until the drains in the house slow down or back up."),
            Cause::FieldSaturated => words.t("If it waits: pumping gives only the days the tank takes to fill, then water can show in the yard or the house."),
            Cause::TankLeaks => words.t("If it waits: untreated water reaches the ground round the tank, which matters sooner with a well nearby."),
            Cause::GroundwaterEnters => words.t("If it waits: the field gets more water than it was made for, and solids settle less well."),
            Cause::FixtureRuns => words.t("If it waits: it costs water every day and leaves the field no rest."),
            Cause::MainLineBlocked => words.t("If it waits: the line fills up and the lowest drain in the house backs up first."),
            Cause::InletBlocked => words.t("If it waits: the line behind it fills up and the lowest drain in the house backs up first."),
            Cause::BranchBlocked => words.t("If it waits: the fixtures on it slow down and stop; the rest of the house goes on."),
            Cause::SlowLineOrVent => words.t("If it waits: paper and grease catch in a slow line, so it tends to close up."),
            Cause::SolidsCarriedOver => words.t("If it waits: solids in the field cannot be pumped out again, and its life gets shorter."),
            Cause::TooMuchWater => words.t("If it waits: the field gets no rest, and solids travel on with the water."),
            Cause::PumpChamberFault => words.t("If it waits: the chamber fills, and the tank behind it follows."),
        }
    }

    /// Says what to do about a cause.
    #[must_use]
    pub fn advice(self, cause: Cause) -> String {
        let words = self.figures.words;
        match cause {
            Cause::OutletBlocked => words.t("Clean the filter and clear the outlet while the tank is open, then see the level settle at the outlet."),
            Cause::FieldSaturated => words.t("Have a licensed person look at the field. Until then use little water and keep vehicles off it."),
            Cause::TankLeaks => words.t("Have a licensed person look at the tank."),
            Cause::GroundwaterEnters => words.t("Have a licensed person look at the walls, the joints, the riser and the line from the house."),
            Cause::FixtureRuns => words.t("Dye the toilet tanks and wait 15 minutes; read the water meter twice, 2 hours apart, with nothing in use. Mend what runs."),
            Cause::MainLineBlocked => words.t("Clear the line from the cleanout or back from the tank, then run every fixture again."),
            Cause::InletBlocked => words.t("Clear the inlet from above without leaning in, then run every fixture again."),
            Cause::BranchBlocked => words.t("Clear that branch, then run its fixtures again."),
            Cause::SlowLineOrVent => words.t("Look through the line with a camera, and have the roof vent looked at, before clearing it again and again."),
            Cause::SolidsCarriedOver => words.t("Have a licensed person look at the outlet device and the field."),
            Cause::TooMuchWater => words.t("Spread laundry and baths over the week, and mend what drips."),
            Cause::PumpChamberFault => words.t("Use little water, and have a licensed electrician look at the pump, the floats and the power."),
        }
    }

    /// Says how sure.
    #[must_use]
    pub fn band(self, band: Band) -> String {
        let words = self.figures.words;
        match band {
            Band::Likely => words.t("likely"),
            Band::Possible => words.t("possible"),
            Band::NotRuledOut => words.t("not ruled out"),
            Band::Unlikely => words.t("little speaks for it"),
        }
    }

    /// Says what to look at.
    #[must_use]
    pub fn check(self, check: Check) -> String {
        let words = self.figures.words;
        match check {
            Check::ReadLevel => words.t("Read the level against the outlet before pumping."),
            Check::AskRefill => words.t("Ask when the tank was last pumped and whether the house stood empty."),
            Check::LookAtWalls => words.t("Look at the walls from above: stains, cracks, open joints, roots."),
            Check::WatchOutlet => words.t("Watch the outlet while pumping: does water run back?"),
            Check::WatchInflow => {
                words.t("With everything off, watch the drawn-down tank: does water come in, and where?")
            }
            Check::GaugeInflow => {
                words.t("With everything off, mark the level in the drawn-down tank, wait, and mark it again.")
            }
            Check::GaugeOutflow => words
                .t("With the tank filled to the outlet and everything off, mark the level, wait, and mark it again."),
            Check::LookAtFilter => words.t("Pull the filter and look at it."),
            Check::LookAtOutlet => words.t("Look at the outlet device and into its pipe, from above."),
            Check::LookAtInlet => words.t("Look at the inlet from above."),
            Check::MeasureSolids => words.t("Measure scum and sludge."),
            Check::LookDownstream => {
                words.t("Look for solids in the distribution box, the pump chamber or the outlet pipe.")
            }
            Check::WalkField => words.t("Walk the field: wet, greener or smelling ground?"),
            Check::WalkRoundTank => words.t("Walk round the tank: wet ground?"),
            Check::AskWeather => words.t("Ask about rain, snow melt and groundwater."),
            Check::LookAtAlarm => words.t("Look at the alarm."),
            Check::LookForPumpChamber => words.t("Look for a pump chamber behind the tank."),
            Check::LookInPumpChamber => words.t("Look into the pump chamber from above."),
            Check::TryPump => words.t("Have the pump tried by someone licensed for it."),
            Check::AskHouse => words.t("Ask what happens in the house: backing up, gurgling, more people?"),
            Check::OpenCleanout => words.t("Open the cleanout between house and tank: full or empty?"),
            Check::CheckFixtures => words.t("Dye the toilet tanks, read the meter twice, look at the softener."),
            Check::AskHistory => words.t("Ask how often it was pumped in the last year."),
            Check::FlushTest => words.t("Run every fixture and watch the inlet."),
        }
    }

    /// Says what a flush test says.
    #[must_use]
    pub fn verdict(self, verdict: Verdict) -> String {
        let words = self.figures.words;
        match verdict {
            Verdict::NothingTried => words.t("No fixture was tried."),
            Verdict::AllCame => words.t("Everything that was tried came promptly."),
            Verdict::MainLine => words.t("Nothing came from any fixture: it points to the main line, or the inlet of the tank."),
            Verdict::BranchOrMain => words.t("Something was held back, but only one place was tried: its branch or the main line."),
            Verdict::MainLinePartly => words.t("What came was slow and the rest did not come: it points to a partly blocked main line, a branch perhaps too."),
            Verdict::Branches => words.t("Some came promptly, so the main line is open: it points to these places."),
            Verdict::PartialOrVent => words.t("Everything was slow: it points to a partly blocked or sagging line, or a vent."),
            Verdict::SlowBranchOrMain => words.t("It was slow, but only one place was tried: its branch or the main line."),
            Verdict::InletNotSeen => words.t("Something was not seen to come, but the tank was not drawn down: it may have come under water."),
        }
    }

    /// Says what is wrong with one place.
    #[must_use]
    pub fn branch_state(self, branch_state: BranchState) -> String {
        let words = self.figures.words;
        match branch_state {
            BranchState::Blocked => words.t("nothing from any of it: its common pipe"),
            BranchState::Slow => words.t("all of it slow: its common pipe"),
            BranchState::OwnArm => words.t("the rest of it came: the pipes of these fixtures alone"),
            BranchState::ArmOrBranch => words.t("only one was tried: its own pipe or the branch"),
            BranchState::Partly => words.t("slow or nothing from all of it: its common pipe is partly blocked"),
        }
    }

    /// Says where to look when fixtures stand for themselves.
    #[must_use]
    pub fn own_pipes(self, fixtures: &[&str]) -> String {
        let english = if fixtures.len() == 1 {
            "{0}: its own pipe or its branch."
        } else {
            "{0}: their own pipes or branches."
        };
        self.figures.words.f(english, &[&fixtures.join(", ")])
    }

    /// Says what makes a flush test thin.
    #[must_use]
    pub fn caveat(self, caveat: Caveat) -> String {
        let words = self.figures.words;
        match caveat {
            Caveat::OneFixture => words.t("Only one fixture was tried."),
            Caveat::OneBranch => words.t("Only one branch was tried."),
            Caveat::DrawnDownNotSaid => words.t("Nobody said whether the tank was drawn down."),
            Caveat::NotDrawnDown => words.t("The tank was not drawn down: water may have come unseen."),
            Caveat::SomeNotTried => words.t("Some fixtures were not tried."),
            Caveat::ToiletNotTried => words.t("Not every toilet was tried."),
            Caveat::FloorsAsBranches => words.t("Fixtures of one floor were taken as one branch."),
        }
    }

    /// Says the next step on the lines.
    #[must_use]
    pub fn line_check(self, line_check: LineCheck) -> String {
        let words = self.figures.words;
        match line_check {
            LineCheck::DrawDown => words.t("Draw the tank down below the inlet."),
            LineCheck::TryMore => words.t("Run the other fixtures, on another branch first."),
            LineCheck::LookAtInlet => words.t("Look at the inlet from above: paper, grease, roots?"),
            LineCheck::OpenCleanout => {
                words.t("Open the cleanout: full means the stop is toward the tank, empty toward the house.")
            }
            LineCheck::ClearArm => words.t("Clear the trap and the pipe of that fixture."),
            LineCheck::ClearBranch => words.t("Clear the branch from its cleanout or its highest fixture."),
            LineCheck::ClearMain => words.t("Clear the main line from the cleanout, or back from the tank."),
            LineCheck::CheckVent => words.t("Listen for gurgling traps, and have the roof vent looked at."),
            LineCheck::CameraForBelly => words.t("Look through the line with a camera for a sag, roots or a break."),
            LineCheck::RunAgain => words.t("Run every fixture again and compare."),
        }
    }

    /// Names what to carry.
    #[must_use]
    pub fn carry(self, carry: Carry) -> String {
        let words = self.figures.words;
        match carry {
            Carry::HandSnake => words.t("hand snake"),
            Carry::RibbonSnake => words.t("ribbon snake"),
            Carry::FlexShaft => words.t("flex shaft"),
            Carry::Jetter => words.t("jetter"),
        }
    }

    /// Names a kind of fixture.
    #[must_use]
    pub fn fixture_kind(self, fixture_kind: FixtureKind) -> String {
        let words = self.figures.words;
        match fixture_kind {
            FixtureKind::Toilet => words.t("toilet"),
            FixtureKind::Tub => words.t("tub or shower"),
            FixtureKind::Kitchen => words.t("kitchen sink"),
            FixtureKind::Laundry => words.t("laundry"),
            FixtureKind::FloorDrain => words.t("floor drain"),
            FixtureKind::Other => words.t("other fixture"),
        }
    }

    /// Says how a fixture did the second time.
    #[must_use]
    pub fn change(self, change: Change) -> String {
        let words = self.figures.words;
        match change {
            Change::Opened => words.t("came now, not before"),
            Change::Faster => words.t("came sooner than before"),
            Change::Same => words.t("as before"),
            Change::Slower => words.t("came later than before"),
            Change::Closed => words.t("came before, not now"),
            Change::NotRunAgain => words.t("not run again"),
            Change::OnlyAfter => words.t("run the second time only"),
            Change::NeverTried => words.t("not tried"),
        }
    }

    /// Says what the clearing did.
    #[must_use]
    pub fn outcome(self, outcome: Outcome) -> String {
        let words = self.figures.words;
        match outcome {
            Outcome::Cleared => words.t("Cleared: everything that was held back comes promptly now."),
            Outcome::Better => words.t("Better than before, but not all of it comes promptly yet."),
            Outcome::StillClear => words.t("Clear before and after."),
            Outcome::Unchanged => words.t("No change: what was held back still is."),
            Outcome::Worse => words.t("Something comes later than before, or no longer."),
            Outcome::NotShown => words.t("What was held back was not run again, so nothing is shown."),
        }
    }

    /// Says what to know about a gauge's figure.
    #[must_use]
    pub fn gauge_note(self, gauge_note: GaugeNote) -> String {
        let words = self.figures.words;
        match gauge_note {
            GaugeNote::OutletMayPass => words.t("A mark stands above the outlet: water may have left through it, so at least this much comes in."),
            GaugeNote::FallIsTheOutlet => words.t("The level started above the outlet, and a working outlet lets it fall: this says nothing about the tank."),
            GaugeNote::FieldMayRunBack => words.t("Water running back from the field counts too: watch the outlet."),
            GaugeNote::StraightWallsAssumed => words.t("Only the size of the tank is known, so straight walls were assumed."),
            GaugeNote::CompartmentsJoined => words.t("All compartments were taken to stand at one level."),
            GaugeNote::ClockChanged => words.t("The clock was changed between the marks; the time was taken from a clock that nobody can set."),
            GaugeNote::LongWait => words.t("More than a day lies between the marks: was everything off all that time, and is the date right?"),
            GaugeNote::StartedAgain => words.t("The phone was started again between the marks, so the time rests on its clock alone: check that date and time are right."),
            GaugeNote::OneCompartment => words.t("Only the compartment that was marked is counted."),
        }
    }

    /// Words a caution.
    #[must_use]
    pub fn caution(self, caution: Caution) -> String {
        let words = self.figures.words;
        match caution {
            Caution::StayOut => words.t("Never enter a tank, and never lean into one."),
            Caution::Gas => words.t("Tank gas can kill in a breath, and smell is no guide."),
            Caution::Rescuers => words.t("If someone goes down, stay out and call the emergency number: most who die in such places went in to help."),
            Caution::LidsShut => words.t("Never leave a lid open or unattended; fasten it before you go."),
            Caution::Children => words.t("Keep children and animals away while a lid is open."),
            Caution::CleanoutUnderPressure => words.t("A full line can let go at once: open the cleanout slowly, stand aside, wear gloves and eye protection."),
            Caution::PumpPower => words.t("Water and electricity: power off and secured before anyone reaches into a pump chamber. Pump and alarm have separate circuits."),
            Caution::CallBeforeDigging => words.t("Have buried lines marked before digging: 811 in the US, two to three working days ahead."),
            Caution::FloatingTank => words.t("In high groundwater an empty tank can float up: ask before drawing it down all the way."),
            Caution::Roof => words.t("Leave the roof to those equipped for it."),
        }
    }

    /// Words one piece of evidence: found, or looked for and not found.
    #[must_use]
    pub fn evidence(self, evidence: &Evidence) -> String {
        let words = self.figures.words;
        let sign = self.sign(evidence.sign);
        match evidence.seen {
            Seen::Present => words.f("{0} (found)", &[&sign]),
            Seen::Absent | Seen::NotLooked => words.f("{0} (looked for, not found)", &[&sign]),
        }
    }

    /// Words one cause with how sure: "The field is not taking the water: likely."
    #[must_use]
    pub fn finding(self, weighed: &Weighed) -> String {
        let (cause, band) = (self.cause(weighed.cause), self.band(weighed.band));
        self.figures.words.f("{0}: {1}.", &[&cause, &band])
    }

    /// Says what to do about a cause; where a licensed person is sent for, with the reason.
    #[must_use]
    pub fn full_advice(self, weighed: &Weighed) -> String {
        let advice = self.advice(weighed.cause);
        let licensed = matches!(weighed.cause.who(), Who::LicensedPerson | Who::LicensedElectrician);
        if !licensed || weighed.speaks_for.is_empty() {
            return advice;
        }
        let reasons: Vec<String> = weighed
            .speaks_for
            .iter()
            .filter(|evidence| evidence.seen == Seen::Present)
            .take(3)
            .map(|evidence| self.sign(evidence.sign))
            .collect();
        if reasons.is_empty() {
            return advice;
        }
        let reason = self.figures.words.f("The reason: {0}.", &[&reasons.join("; ")]);
        [advice, reason].join(" ")
    }

    /// Says in one or two sentences what stands.
    #[must_use]
    pub fn summary(self, diagnosis: &Diagnosis) -> String {
        let words = self.figures.words;
        if !diagnosis.causes.iter().any(Weighed::has_evidence) {
            return words.t("Nothing that decides has been looked at yet.");
        }
        let standing: Vec<String> = diagnosis.standing().take(3).map(|each| self.finding(each)).collect();
        if standing.is_empty() && diagnosis.causes.iter().any(Weighed::has_found) {
            return words.t("What was found does not point to one cause yet.");
        }
        if standing.is_empty() {
            return words.t("Nothing that was looked at points to a trouble besides the filling of the tank.");
        }
        standing.join(" ")
    }

    /// Says how far a finding goes.
    #[must_use]
    pub fn limit(self) -> String {
        self.figures
            .words
            .t("What was found is what can be seen from above; it does not replace an inspection by a licensed person.")
    }

    /// Writes a flow.
    #[must_use]
    pub fn flow(self, litres_per_day: f64) -> String {
        let volume = self.figures.volume(Volume::from_litres(litres_per_day));
        self.figures.words.f("{0} a day", &[&volume])
    }

    /// Writes a time to wait, in minutes or hours, rounded up.
    #[must_use]
    pub fn wait(self, seconds: u64) -> String {
        let words = self.figures.words;
        if seconds < 60 {
            return words.f("{0} s", &[&seconds.to_string()]);
        }
        let minutes = seconds.div_ceil(60);
        let (hours, rest) = (minutes / 60, minutes % 60);
        match (hours, rest) {
            (0, _) => words.f("{0} min", &[&minutes.to_string()]),
            (_, 0) => words.f("{0} h", &[&hours.to_string()]),
            _ => words.f("{0} h {1} min", &[&hours.to_string(), &rest.to_string()]),
        }
    }

    /// Writes days to a tenth.
    fn days(self, days: f64) -> String {
        let tenths = round_to_i64(days * 10.0).unwrap_or(i64::MAX);
        let text = self.figures.people_value(tenths);
        self.figures.words.f("{0} days", &[&text])
    }

    /// Says what the leak gauge measured, against the published figures, and what it does.
    #[must_use]
    pub fn gauge(self, found: &GaugeFinding) -> String {
        let words = self.figures.words;
        let (flow, error) = (self.flow(found.litres_per_day), self.flow(found.error_litres_per_day));
        let mut sentences = vec![match found.direction {
            Direction::Inflow => words.f(
                "Water comes in: {0}, give or take {1}, with everything off.",
                &[&flow, &error],
            ),
            Direction::Outflow => words.f(
                "Water leaves: {0}, give or take {1}, with everything off.",
                &[&flow, &error],
            ),
        }];
        let tenth = self.flow(worst_tenth_litres_per_day());
        if found.direction == Direction::Inflow {
            sentences.push(match (found.worst_tenth, found.average_home) {
                (Against::Above, _) => {
                    words.f("Nine homes in ten lose less than {0} through leaks; this is more.", &[&tenth])
                }
                (Against::CannotTell, _) => words.f(
                    "One home in ten loses {0} or more through leaks; with the error of this reading it may be that much or not.",
                    &[&tenth],
                ),
                (Against::Below, Against::Below) => words.f(
                    "The average home loses {0} through leaks; this is less.",
                    &[&self.flow(average_home_litres_per_day())],
                ),
                (Against::Below, _) => {
                    words.f("One home in ten loses {0} or more through leaks; this is less.", &[&tenth])
                }
            });
        }
        if let Some(retention) = found.retention {
            sentences.push(match retention.after_days {
                Some(after) => words.f(
                    "Water would stay {0} in the clean tank instead of {1}.",
                    &[&self.days(after), &self.days(retention.before_days)],
                ),
                None => words.f(
                    "That is {0} of the water this household is reckoned to use.",
                    &[&self.figures.percent(retention.share_of_usual)],
                ),
            });
        }
        sentences.push(words.t("One reading can mislead: with everything still off, mark once more."));
        sentences.join(" ")
    }

    /// Says why the leak gauge gives no figure, and what to do.
    #[must_use]
    pub fn gauge_refusal(self, refusal: &GaugeRefusal) -> String {
        let words = self.figures.words;
        match refusal {
            GaugeRefusal::NoGeometry => {
                words.t("The tank has no size yet, so a level is no volume. Enter the tank, then mark again.")
            }
            GaugeRefusal::NoSuchCompartment => {
                words.t("That compartment is not in the tank's record. Choose one that is.")
            }
            GaugeRefusal::BelowBottom => {
                words.t("A mark lies below the bottom of the tank. Check the reading and the liquid depth.")
            }
            GaugeRefusal::AboveTop => words.t("A mark lies above the top of the tank. Check the reading."),
            GaugeRefusal::NoTime => words.t("No time went by between the marks. Mark the level again later."),
            GaugeRefusal::TimeBackwards => words.t("The second mark is earlier than the first: the clock was set back. Set it right, then start again."),
            GaugeRefusal::WithinError {
                wait_s,
                most_litres_per_day,
            } => words.f(
                "The change is within the error of reading it. No more than {0} can have hidden in it. Wait at least {1} between the marks to see {2}.",
                &[
                    &self.flow(*most_litres_per_day),
                    &self.wait(*wait_s),
                    &self.flow(worst_tenth_litres_per_day()),
                ],
            ),
        }
    }
}
