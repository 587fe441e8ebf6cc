//! Causes behind the signs, ranked by a small model that anyone can redo with a pencil.
//!
//! Each cause starts at a weight of its own and each sign, there or looked for and not there, adds or takes a stated
//! weight. Weights are decibans: ten times the logarithm (base 10) of a likelihood ratio, so 10 is ten to one, 3 is two to
//! one, and they add. Causes are judged one by one, because a tank can have several troubles at once.
//!
//! Sources stand for the direction of a link: that the sign speaks for or against the cause. How much it does is common
//! practice throughout; no published frequencies were found. The table is in `docs/findings.md`, made from this file.

use super::coded::coded;
use super::signs::{Check, Seen, Sign, Signs, TankState};
use std::collections::BTreeMap;

coded! {
    /// What may be wrong.
    Cause {
        /// The filter, the outlet device or the pipe behind it is blocked.
        OutletBlocked = "outlet_or_filter_blocked",
        /// The field does not take the water.
        FieldSaturated = "field_saturated",
        /// Water leaves through the tank itself.
        TankLeaks = "tank_leaks",
        /// Groundwater or rain enters.
        GroundwaterEnters = "groundwater_enters",
        /// A fixture runs on.
        FixtureRuns = "fixture_runs",
        /// The main line from the house is blocked.
        MainLineBlocked = "main_line_blocked",
        /// The inlet of the tank is blocked.
        InletBlocked = "inlet_blocked",
        /// A branch in the house is blocked.
        BranchBlocked = "branch_blocked",
        /// The main line is partly blocked or bellied, or a vent is stopped.
        SlowLineOrVent = "slow_line_or_vent",
        /// Solids leave the tank toward the field.
        SolidsCarriedOver = "solids_carried_over",
        /// More water than the system is made for.
        TooMuchWater = "too_much_water",
        /// The pump, its floats or its power.
        PumpChamberFault = "pump_chamber_fault",
    }
}

coded! {
    /// Who should deal with a cause.
    Who {
        /// The crew, today.
        Crew = "crew",
        /// The household.
        Household = "household",
        /// A person licensed for onsite systems.
        LicensedPerson = "licensed_person",
        /// A person licensed for the pump's electricity.
        LicensedElectrician = "licensed_electrician",
    }
}

coded! {
    /// What a link rests on.
    Source {
        /// Everyone in the trade uses it; no source was found.
        CommonPractice = "common_practice",
        /// Liquid above inlet or outlet means a blockage in the distribution, a tank out of level or a field not working.
        MaineChapter241 = "me-10-144-241",
        /// Failure signs: static level above the outlet, pumping more than four times a year.
        Massachusetts15303 = "ma-310-cmr-15.303",
        /// Pumping must assess leaks below and above the operating depth.
        Minnesota7080 = "mn-7080.2450",
        /// A filter must not need service more often than once in three years.
        NorthCarolinaFilter = "nc-130a-335.1",
        /// Alarms belong to screens too.
        Minnesota7081 = "mn-7081.0240",
        /// Household leaks: one home in ten loses 90 gal a day or more; dye and meter tests.
        EpaWaterSense = "epa-watersense-2012",
        /// Inspectors' reference pages, read second hand.
        InspectorsPages = "inspectors-pages",
    }
}

impl Source {
    /// Returns the citation.
    #[must_use]
    pub const fn citation(self) -> &'static str {
        match self {
            Self::CommonPractice => "common practice",
            Self::MaineChapter241 => "Maine 10-144 CMR ch. 241 sec. 17",
            Self::Massachusetts15303 => "310 CMR 15.303(1)",
            Self::Minnesota7080 => "Minn. R. 7080.2450 subp. 2",
            Self::NorthCarolinaFilter => "N.C. G.S. 130A-335.1(a)",
            Self::Minnesota7081 => "Minn. R. 7081.0240 subp. 3",
            Self::EpaWaterSense => "EPA WaterSense 2012, nepis P100YTRV",
            Self::InspectorsPages => "inspectors' reference pages (secondary)",
        }
    }
}

impl Cause {
    /// Returns the weight the cause starts at, decibans.
    ///
    /// A fixture that runs on: one home in ten leaks 90 gal a day or more (EPA `WaterSense` 2012), which is −9.5. The others are
    /// judgement about stops where something besides a full tank is asked about (common practice).
    #[must_use]
    pub const fn start_db(self) -> i32 {
        match self {
            Self::OutletBlocked | Self::BranchBlocked => -9,
            Self::FieldSaturated
            | Self::FixtureRuns
            | Self::MainLineBlocked
            | Self::SlowLineOrVent
            | Self::SolidsCarriedOver
            | Self::TooMuchWater => -10,
            Self::GroundwaterEnters | Self::InletBlocked => -11,
            Self::TankLeaks | Self::PumpChamberFault => -12,
        }
    }

    /// Returns who should deal with it.
    #[must_use]
    pub const fn who(self) -> Who {
        match self {
            Self::OutletBlocked
            | Self::MainLineBlocked
            | Self::InletBlocked
            | Self::BranchBlocked
            | Self::SlowLineOrVent => Who::Crew,
            Self::FixtureRuns | Self::TooMuchWater => Who::Household,
            Self::FieldSaturated | Self::TankLeaks | Self::GroundwaterEnters | Self::SolidsCarriedOver => {
                Who::LicensedPerson
            }
            Self::PumpChamberFault => Who::LicensedElectrician,
        }
    }
}

/// What one sign does to one cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Link {
    /// The sign.
    pub sign: Sign,
    /// The cause.
    pub cause: Cause,
    /// Decibans when it is there.
    pub present_db: i32,
    /// Decibans when it was looked for and is not there; of the other sign.
    pub absent_db: i32,
    /// What the direction rests on.
    pub source: Source,
}

impl Link {
    /// Returns the decibans the sign adds to the cause.
    #[must_use]
    pub const fn weight_db(&self, seen: Seen) -> i32 {
        match seen {
            Seen::Present => self.present_db,
            Seen::Absent => self.absent_db,
            Seen::NotLooked => 0,
        }
    }

    /// The share of tanks with, and of tanks without the cause, that show the sign.
    ///
    /// From the two ratios `a = P(s|c)/P(s|¬c)` and `b = (1−P(s|c))/(1−P(s|¬c))`: `P(s|¬c) = (1−b)/(a−b)`, `P(s|c) = a·P(s|¬c)`.
    fn shares(&self) -> (f64, f64) {
        let (a, b) = (ratio(self.present_db), ratio(self.absent_db));
        let without = (1.0 - b) / (a - b);
        (a * without, without)
    }
}

const fn link(sign: Sign, cause: Cause, present_db: i32, absent_db: i32, source: Source) -> Link {
    Link {
        sign,
        cause,
        present_db,
        absent_db,
        source,
    }
}

/// Every link.
pub const LINKS: &[Link] = {
    use Cause::{
        BranchBlocked, FieldSaturated, FixtureRuns, GroundwaterEnters, InletBlocked, MainLineBlocked, OutletBlocked,
        PumpChamberFault, SlowLineOrVent, SolidsCarriedOver, TankLeaks, TooMuchWater,
    };
    use Source::{
        CommonPractice, EpaWaterSense, InspectorsPages, MaineChapter241, Massachusetts15303, Minnesota7080,
        Minnesota7081, NorthCarolinaFilter,
    };
    &[
        link(Sign::LevelAboveOutlet, OutletBlocked, 8, -8, MaineChapter241),
        link(Sign::LevelAboveOutlet, FieldSaturated, 8, -6, MaineChapter241),
        link(Sign::LevelAboveOutlet, PumpChamberFault, 4, -3, CommonPractice),
        link(Sign::LevelAboveOutlet, TooMuchWater, 2, -1, CommonPractice),
        link(Sign::LevelAboveOutlet, GroundwaterEnters, 2, -1, CommonPractice),
        link(Sign::LevelAboveOutlet, TankLeaks, -8, 1, CommonPractice),
        link(Sign::LevelAboveOutlet, MainLineBlocked, -3, 1, CommonPractice),
        link(Sign::LevelBelowOutlet, TankLeaks, 12, -5, InspectorsPages),
        link(Sign::LevelBelowOutlet, OutletBlocked, -9, 1, CommonPractice),
        link(Sign::LevelBelowOutlet, FieldSaturated, -7, 1, CommonPractice),
        link(Sign::LevelBelowOutlet, GroundwaterEnters, -4, 1, CommonPractice),
        link(Sign::LevelBelowOutlet, FixtureRuns, -4, 1, CommonPractice),
        link(Sign::LevelBelowOutlet, TooMuchWater, -4, 1, CommonPractice),
        link(Sign::LevelBelowOutlet, PumpChamberFault, -4, 1, CommonPractice),
        link(Sign::NotYetRefilled, TankLeaks, -9, 3, CommonPractice),
        link(Sign::HighWaterMark, OutletBlocked, 4, -2, CommonPractice),
        link(Sign::HighWaterMark, FieldSaturated, 4, -2, CommonPractice),
        link(Sign::HighWaterMark, PumpChamberFault, 2, -1, CommonPractice),
        link(Sign::HighWaterMark, TooMuchWater, 1, -1, CommonPractice),
        link(Sign::Runback, FieldSaturated, 11, -5, InspectorsPages),
        link(Sign::Runback, OutletBlocked, -5, 2, CommonPractice),
        link(Sign::InflowNothingRunning, FixtureRuns, 7, -6, EpaWaterSense),
        link(Sign::InflowNothingRunning, GroundwaterEnters, 7, -6, Minnesota7080),
        link(Sign::InflowNothingRunning, FieldSaturated, 2, -1, CommonPractice),
        link(Sign::InflowAtInlet, FixtureRuns, 5, -5, CommonPractice),
        link(Sign::InflowAtInlet, GroundwaterEnters, -2, 2, CommonPractice),
        link(Sign::InflowAtWall, GroundwaterEnters, 9, -4, Minnesota7080),
        link(Sign::InflowAtWall, FixtureRuns, -5, 2, CommonPractice),
        link(Sign::InflowAtWall, TankLeaks, 3, -1, CommonPractice),
        link(Sign::GaugeInflow, FixtureRuns, 8, -8, EpaWaterSense),
        link(Sign::GaugeInflow, GroundwaterEnters, 8, -8, Minnesota7080),
        link(Sign::GaugeInflow, FieldSaturated, 2, -1, CommonPractice),
        link(Sign::GaugeOutflow, TankLeaks, 16, -10, Minnesota7080),
        link(Sign::FilterClogged, OutletBlocked, 11, -5, NorthCarolinaFilter),
        link(Sign::FilterClogged, FieldSaturated, -3, 1, CommonPractice),
        link(Sign::FilterClogged, SolidsCarriedOver, 3, -2, CommonPractice),
        link(Sign::OutletPlugged, OutletBlocked, 13, -4, MaineChapter241),
        link(Sign::OutletPlugged, FieldSaturated, -3, 1, CommonPractice),
        link(Sign::OutletDeviceMissing, SolidsCarriedOver, 9, -3, CommonPractice),
        link(Sign::OutletDeviceMissing, FieldSaturated, 2, -1, CommonPractice),
        link(Sign::InletPlugged, InletBlocked, 14, -6, CommonPractice),
        link(Sign::InletPlugged, MainLineBlocked, -3, 1, CommonPractice),
        link(Sign::SolidsPastLimit, SolidsCarriedOver, 4, -5, CommonPractice),
        link(Sign::SolidsPastLimit, OutletBlocked, 3, -1, CommonPractice),
        link(Sign::SolidsPastLimit, InletBlocked, 2, -1, CommonPractice),
        link(Sign::SolidsPastOutlet, SolidsCarriedOver, 11, -5, CommonPractice),
        link(Sign::SolidsPastOutlet, FieldSaturated, 3, -1, CommonPractice),
        link(Sign::Cracks, TankLeaks, 6, -3, Minnesota7080),
        link(Sign::Cracks, GroundwaterEnters, 5, -3, Minnesota7080),
        link(Sign::Roots, MainLineBlocked, 3, -1, CommonPractice),
        link(Sign::Roots, OutletBlocked, 3, -1, CommonPractice),
        link(Sign::Roots, TankLeaks, 3, -1, CommonPractice),
        link(Sign::Roots, GroundwaterEnters, 2, -1, CommonPractice),
        link(Sign::WetOverField, FieldSaturated, 9, -4, CommonPractice),
        link(Sign::WetOverField, SolidsCarriedOver, 2, -1, CommonPractice),
        link(Sign::WetOverField, TooMuchWater, 1, -1, CommonPractice),
        link(Sign::WetRoundTank, TankLeaks, 5, -2, Minnesota7080),
        link(Sign::GroundSaturated, GroundwaterEnters, 4, -4, CommonPractice),
        link(Sign::GroundSaturated, FieldSaturated, 2, -1, CommonPractice),
        link(Sign::AlarmOn, PumpChamberFault, 11, -4, CommonPractice),
        link(Sign::AlarmOn, OutletBlocked, 2, -1, Minnesota7081),
        link(Sign::PumpChamber, PumpChamberFault, 5, -15, CommonPractice),
        link(Sign::PumpChamberHigh, PumpChamberFault, 8, -6, CommonPractice),
        link(Sign::PumpChamberHigh, OutletBlocked, -6, 1, CommonPractice),
        link(Sign::PumpNotStarting, PumpChamberFault, 10, -5, CommonPractice),
        link(Sign::FloatStuck, PumpChamberFault, 10, -3, CommonPractice),
        link(Sign::BackupInHouse, MainLineBlocked, 5, -3, CommonPractice),
        link(Sign::BackupInHouse, InletBlocked, 5, -3, CommonPractice),
        link(Sign::BackupInHouse, OutletBlocked, 3, -2, CommonPractice),
        link(Sign::BackupInHouse, FieldSaturated, 3, -2, CommonPractice),
        link(Sign::BackupInHouse, PumpChamberFault, 2, -1, CommonPractice),
        link(Sign::CleanoutFull, MainLineBlocked, 8, -6, CommonPractice),
        link(Sign::CleanoutFull, InletBlocked, 6, -5, CommonPractice),
        link(Sign::CleanoutFull, SlowLineOrVent, 3, -2, CommonPractice),
        link(Sign::CleanoutFull, BranchBlocked, -4, 2, CommonPractice),
        link(Sign::Gurgling, SlowLineOrVent, 5, -2, CommonPractice),
        link(Sign::Gurgling, MainLineBlocked, 2, -1, CommonPractice),
        link(Sign::FixtureRunning, FixtureRuns, 13, -5, EpaWaterSense),
        link(Sign::FixtureRunning, GroundwaterEnters, -3, 1, CommonPractice),
        link(Sign::HeavyUse, TooMuchWater, 9, -4, CommonPractice),
        link(Sign::PumpedOften, FieldSaturated, 6, -1, Massachusetts15303),
        link(Sign::PumpedOften, TooMuchWater, 3, -1, CommonPractice),
        link(Sign::PumpedOften, GroundwaterEnters, 2, -1, CommonPractice),
        link(Sign::FlushNothing, MainLineBlocked, 13, -10, CommonPractice),
        link(Sign::FlushNothing, InletBlocked, 7, -5, CommonPractice),
        link(Sign::FlushSomeMissing, BranchBlocked, 13, -7, CommonPractice),
        link(Sign::FlushSomeMissing, MainLineBlocked, -6, 1, CommonPractice),
        link(Sign::FlushAllSlow, SlowLineOrVent, 13, -6, CommonPractice),
        link(Sign::FlushAllSlow, InletBlocked, 3, -1, CommonPractice),
        link(Sign::FlushAllSlow, BranchBlocked, -4, 1, CommonPractice),
        link(Sign::FlushSomeSlow, BranchBlocked, 11, -2, CommonPractice),
        link(Sign::FlushSlowAndNothing, SlowLineOrVent, 13, -1, CommonPractice),
        link(Sign::FlushSlowAndNothing, MainLineBlocked, 8, -1, CommonPractice),
        link(Sign::FlushSlowAndNothing, BranchBlocked, 5, -1, CommonPractice),
        link(Sign::FlushUndecided, MainLineBlocked, 6, -1, CommonPractice),
        link(Sign::FlushUndecided, BranchBlocked, 6, -1, CommonPractice),
        link(Sign::FlushUndecided, InletBlocked, 3, -1, CommonPractice),
    ]
};

/// No sum of signs makes more, or less, of a cause than this, decibans: 95 and 5 in a hundred.
pub const MOST_DB: i32 = 13;

/// From here on a cause is likely: two to one, decibans.
pub const LIKELY_DB: i32 = 3;

/// From here on it is possible: one to three.
pub const POSSIBLE_DB: i32 = -5;

/// From here on it is not ruled out: one to twenty. Below, little speaks for it.
pub const NOT_RULED_OUT_DB: i32 = -13;

coded! {
    /// How sure, in words. There is no word for certain.
    Band {
        /// Two to one or better.
        Likely = "likely",
        /// One to three or better.
        Possible = "possible",
        /// One to twenty or better.
        NotRuledOut = "not_ruled_out",
        /// Less than that.
        Unlikely = "unlikely",
    }
}

impl Band {
    /// Returns the band of a weight.
    #[must_use]
    pub const fn of(total_db: i32) -> Self {
        if total_db >= LIKELY_DB {
            Self::Likely
        } else if total_db >= POSSIBLE_DB {
            Self::Possible
        } else if total_db >= NOT_RULED_OUT_DB {
            Self::NotRuledOut
        } else {
            Self::Unlikely
        }
    }
}

/// One sign as evidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Evidence {
    /// The sign.
    pub sign: Sign,
    /// There, or not there.
    pub seen: Seen,
    /// Decibans; positive speaks for.
    pub weight_db: i32,
    /// What the direction rests on.
    pub source: Source,
}

/// One cause, weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighed {
    /// The cause.
    pub cause: Cause,
    /// Start and all evidence, decibans, not capped: the order of the list.
    pub total_db: i32,
    /// The same as a chance, never above 0.95 nor below 0.05.
    pub chance: f64,
    /// In words.
    pub band: Band,
    /// What speaks for it, strongest first.
    pub speaks_for: Vec<Evidence>,
    /// What speaks against it, strongest first.
    pub speaks_against: Vec<Evidence>,
}

impl Weighed {
    /// Returns whether anything that was looked at bears on the cause.
    #[must_use]
    pub fn has_evidence(&self) -> bool {
        !(self.speaks_for.is_empty() && self.speaks_against.is_empty())
    }

    /// Returns whether something that was found speaks for it; what was not found alone makes no cause.
    #[must_use]
    pub fn has_found(&self) -> bool {
        self.speaks_for.iter().any(|evidence| evidence.seen == Seen::Present)
    }
}

/// A look that has not been done, and what it is worth.
#[derive(Clone, Debug, PartialEq)]
pub struct NextCheck {
    /// The look.
    pub check: Check,
    /// What it is expected to tell about the causes in play together, bits.
    pub bits: f64,
    /// The open signs it would settle, most telling first.
    pub signs: Vec<Sign>,
    /// The cause it tells most about.
    pub about: Cause,
}

/// What the signs say.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnosis {
    /// Every cause, likeliest first.
    pub causes: Vec<Weighed>,
    /// Every look that is still open, most telling first.
    pub checks: Vec<NextCheck>,
}

impl Diagnosis {
    /// Returns the causes that are likely or possible and that something found speaks for.
    pub fn standing(&self) -> impl Iterator<Item = &Weighed> {
        self.causes
            .iter()
            .filter(|each| matches!(each.band, Band::Likely | Band::Possible) && each.has_found())
    }
}

/// Ten to the tenth of decibans.
fn ratio(db: i32) -> f64 {
    10.0_f64.powf(f64::from(db) / 10.0)
}

/// The chance of a weight, held within [`MOST_DB`].
fn chance(total_db: i32) -> f64 {
    let odds = ratio(total_db.clamp(-MOST_DB, MOST_DB));
    // 13 decibans are a hair more than 19 to 1.
    (odds / (1.0 + odds)).clamp(0.05, 0.95)
}

/// Weighs every cause and every open look.
#[must_use]
pub fn weigh(signs: &Signs, state: Option<TankState>) -> Diagnosis {
    let mut causes: Vec<Weighed> = Cause::ALL.iter().map(|cause| weigh_one(*cause, signs)).collect();
    causes.sort_by_key(|each| std::cmp::Reverse(each.total_db));
    let checks = open_checks(signs, state, &causes);
    Diagnosis { causes, checks }
}

fn weigh_one(cause: Cause, signs: &Signs) -> Weighed {
    let evidence = LINKS
        .iter()
        .filter(|link| link.cause == cause && !signs.is_superseded(link.sign))
        .filter_map(|link| {
            let seen = signs.seen(link.sign);
            (seen != Seen::NotLooked).then(|| Evidence {
                sign: link.sign,
                seen,
                weight_db: link.weight_db(seen),
                source: link.source,
            })
        });
    let (mut speaks_for, mut speaks_against): (Vec<_>, Vec<_>) = evidence.partition(|each| each.weight_db > 0);
    speaks_for.sort_by_key(|each| std::cmp::Reverse(each.weight_db));
    speaks_against.sort_by_key(|each| each.weight_db);
    let sum: i32 = speaks_for
        .iter()
        .chain(&speaks_against)
        .map(|each| each.weight_db)
        .sum();
    let total_db = cause.start_db() + sum;
    Weighed {
        cause,
        total_db,
        chance: chance(total_db),
        band: Band::of(total_db),
        speaks_for,
        speaks_against,
    }
}

/// Entropy of a yes-or-no with this chance, bits.
fn entropy(p: f64) -> f64 {
    let part = |p: f64| if p > 0.0 { -p * p.log2() } else { 0.0 };
    part(p) + part(1.0 - p)
}

/// What looking for one sign is expected to tell about one cause, bits: the mutual information of the two.
fn bits_about(link: &Link, chance: f64) -> f64 {
    let (with, without) = link.shares();
    let shown = chance * with + (1.0 - chance) * without;
    (entropy(shown) - chance * entropy(with) - (1.0 - chance) * entropy(without)).max(0.0)
}

/// Whether looking for the sign can still add something.
fn is_open(sign: Sign, signs: &Signs) -> bool {
    let known = |sign| signs.seen(sign) != Seen::NotLooked;
    match sign {
        // What an eye and what the gauge say of one flow is one piece of evidence.
        Sign::GaugeInflow => !known(sign) && !known(Sign::InflowNothingRunning),
        Sign::InflowNothingRunning => !known(sign) && !known(Sign::GaugeInflow),
        // Where nothing enters there is nothing to see.
        Sign::InflowAtInlet | Sign::InflowAtWall => !known(sign) && signs.inflow() != Seen::Absent,
        // Whether there is a chamber comes first: without one there is no pump to look at.
        Sign::PumpChamberHigh | Sign::PumpNotStarting | Sign::FloatStuck => {
            !known(sign) && signs.seen(Sign::PumpChamber) == Seen::Present
        }
        // A test that has said something about the lines is done; one that stayed undecided is not.
        Sign::FlushNothing
        | Sign::FlushSomeMissing
        | Sign::FlushAllSlow
        | Sign::FlushSomeSlow
        | Sign::FlushSlowAndNothing => !known(Sign::FlushNothing) && !known(sign),
        Sign::FlushUndecided => false,
        _ => !known(sign),
    }
}

/// The causes a look is judged by: those that something speaks for and that are not unlikely; all while there are none.
fn in_play(causes: &[Weighed]) -> BTreeMap<Cause, f64> {
    let chances = |wanted: &dyn Fn(&Weighed) -> bool| -> BTreeMap<Cause, f64> {
        causes
            .iter()
            .filter(|each| wanted(each))
            .map(|each| (each.cause, each.chance))
            .collect()
    };
    let standing = chances(&|each| each.band != Band::Unlikely && each.has_found());
    if standing.is_empty() {
        chances(&|_| true)
    } else {
        standing
    }
}

fn open_checks(signs: &Signs, state: Option<TankState>, causes: &[Weighed]) -> Vec<NextCheck> {
    let chances = in_play(causes);
    let mut by_check: BTreeMap<Check, Vec<(f64, Sign, Cause)>> = BTreeMap::new();
    for sign in Sign::ALL.iter().copied().filter(|sign| is_open(*sign, signs)) {
        let check = sign.check();
        if !check.is_possible(state) {
            continue;
        }
        let told: Vec<(f64, Cause)> = LINKS
            .iter()
            .filter(|link| link.sign == sign)
            .filter_map(|link| {
                let chance = chances.get(&link.cause)?;
                Some((bits_about(link, *chance), link.cause))
            })
            .collect();
        let most = told.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, about)) = most {
            let bits = told.iter().map(|(bits, _)| bits).sum();
            by_check.entry(check).or_default().push((bits, sign, about));
        }
    }
    let mut checks: Vec<NextCheck> = by_check
        .into_iter()
        .filter_map(|(check, mut told)| {
            told.sort_by(|a, b| b.0.total_cmp(&a.0));
            // One look can settle several signs that hang together; it is worth at least its most telling one.
            let (bits, _, about) = *told.first()?;
            Some(NextCheck {
                check,
                bits,
                signs: told.iter().map(|(_, sign, _)| *sign).collect(),
                about,
            })
        })
        .collect();
    checks.sort_by(|a, b| b.bits.total_cmp(&a.bits));
    checks
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use crate::domain::signs::Origin;
    use proptest::prelude::*;

    fn signs(list: &[(Sign, Seen)]) -> Signs {
        let mut signs = Signs::new();
        for (sign, seen) in list {
            signs.add(*sign, *seen, Origin::Said).unwrap();
        }
        signs
    }

    fn find(diagnosis: &Diagnosis, cause: Cause) -> &Weighed {
        diagnosis.causes.iter().find(|each| each.cause == cause).unwrap()
    }

    /// The ratios of a sign there and not there must be those of some pair of shares, else the model contradicts itself.
    #[test]
    fn every_link_is_coherent_and_stands_once() {
        for (place, link) in LINKS.iter().enumerate() {
            assert!(link.present_db * link.absent_db < 0, "{link:?}");
            let (with, without) = link.shares();
            assert!(
                (0.0..=1.0).contains(&with) && (0.0..=1.0).contains(&without),
                "{link:?}"
            );
            assert!(
                (10.0 * (with / without).log10() - f64::from(link.present_db)).abs() < 1e-9,
                "{link:?}"
            );
            assert!(
                (10.0 * ((1.0 - with) / (1.0 - without)).log10() - f64::from(link.absent_db)).abs() < 1e-9,
                "{link:?}"
            );
            for other in &LINKS[place + 1..] {
                assert!(
                    (other.sign, other.cause) != (link.sign, link.cause),
                    "{link:?} stands twice"
                );
            }
        }
        for sign in Sign::ALL {
            assert!(LINKS.iter().any(|link| link.sign == *sign), "{sign:?} says nothing");
        }
        for cause in Cause::ALL {
            assert!(
                LINKS.iter().filter(|link| link.cause == *cause).count() >= 2,
                "{cause:?} can hardly be found"
            );
        }
    }

    /// What nothing was found for does not stand, however open it is; what was found for is let go when more speaks against it.
    #[test]
    fn only_what_was_found_and_is_not_outweighed_stands() {
        let nothing = weigh(&Signs::new(), None);
        assert!(nothing.causes.iter().any(|each| each.band != Band::Unlikely));
        assert_eq!(nothing.standing().count(), 0);
        for link in LINKS.iter().filter(|link| link.present_db > 0) {
            let against = LINKS
                .iter()
                .filter(|other| other.cause == link.cause && other.sign != link.sign);
            for other in against {
                let seen = if other.absent_db < 0 {
                    Seen::Absent
                } else {
                    Seen::Present
                };
                let mut both = Signs::new();
                if both.add(link.sign, Seen::Present, Origin::Said).is_err()
                    || both.add(other.sign, seen, Origin::Said).is_err()
                {
                    continue;
                }
                let found = weigh(&both, None);
                let cause = find(&found, link.cause);
                let stands = found.standing().any(|each| each.cause == link.cause);
                assert_eq!(
                    stands,
                    cause.has_found() && cause.total_db >= -5,
                    "{link:?} {other:?} {cause:?}"
                );
            }
        }
    }

    /// Two to one are 3.01 decibans, one to three −4.77, one to twenty −13.01: in whole ones 3, −5 and −13.
    #[test]
    fn a_band_begins_where_its_odds_do() {
        for (db, band) in [
            (13, Band::Likely),
            (3, Band::Likely),
            (2, Band::Possible),
            (-5, Band::Possible),
            (-6, Band::NotRuledOut),
            (-13, Band::NotRuledOut),
            (-14, Band::Unlikely),
        ] {
            assert_eq!(Band::of(db), band, "{db}");
        }
    }

    /// Of the textbook: the entropy of 0.11 is half a bit, and a channel that turns a share `p` round tells `1 − H(p)` bits
    /// (Cover and Thomas, "Elements of Information Theory", 2nd ed. 2006, 2.1 and 7.1.4; from memory).
    #[test]
    fn the_worth_of_a_look_is_mutual_information() {
        assert!((entropy(0.5) - 1.0).abs() < 1e-12);
        assert!((entropy(0.11) - 0.5).abs() < 1e-4 && (entropy(0.89) - 0.5).abs() < 1e-4);
        assert!(entropy(0.0).abs() < 1e-12 && entropy(1.0).abs() < 1e-12);
        // Ten to one either way, 10 decibans: ten in eleven with the cause, one in eleven without.
        let even = Link {
            present_db: 10,
            absent_db: -10,
            ..LINKS[0]
        };
        let (with, without) = even.shares();
        assert!((with - 10.0 / 11.0).abs() < 1e-12 && (without - 1.0 / 11.0).abs() < 1e-12);
        assert!((bits_about(&even, 0.5) - (1.0 - entropy(1.0 / 11.0))).abs() < 1e-12);
        // And by its definition over the four cases, for every link and whatever the cause's chance.
        for link in LINKS {
            let (with, without) = link.shares();
            for chance in [0.05, 0.3, 0.5, 0.95] {
                let shown = chance * with + (1.0 - chance) * without;
                let cases = [
                    (chance * with, chance * shown),
                    (chance * (1.0 - with), chance * (1.0 - shown)),
                    ((1.0 - chance) * without, (1.0 - chance) * shown),
                    ((1.0 - chance) * (1.0 - without), (1.0 - chance) * (1.0 - shown)),
                ];
                let told: f64 = cases
                    .iter()
                    .filter(|(both, _)| *both > 0.0)
                    .map(|(both, apart)| both * (both / apart).log2())
                    .sum();
                assert!((bits_about(link, chance) - told).abs() < 1e-12, "{link:?} at {chance}");
            }
        }
    }

    /// What is still worth a look, case by case.
    #[test]
    fn a_look_is_open_until_something_answers_it() {
        use Seen::{Absent, Present};
        let open = |sign, known: &[(Sign, Seen)]| is_open(sign, &signs(known));
        for (one, other) in [
            (Sign::GaugeInflow, Sign::InflowNothingRunning),
            (Sign::InflowNothingRunning, Sign::GaugeInflow),
        ] {
            assert!(open(one, &[]));
            assert!(
                !open(one, &[(one, Absent)]) && !open(one, &[(other, Absent)]),
                "{one:?}"
            );
        }
        for place in [Sign::InflowAtInlet, Sign::InflowAtWall] {
            assert!(open(place, &[]) && open(place, &[(Sign::InflowNothingRunning, Present)]));
            assert!(!open(place, &[(Sign::InflowNothingRunning, Absent)]) && !open(place, &[(place, Present)]));
        }
        for part in [Sign::PumpChamberHigh, Sign::PumpNotStarting, Sign::FloatStuck] {
            assert!(!open(part, &[]) && !open(part, &[(Sign::PumpChamber, Absent)]));
            assert!(open(part, &[(Sign::PumpChamber, Present)]));
            assert!(!open(part, &[(Sign::PumpChamber, Present), (part, Absent)]));
        }
        for came in [
            Sign::FlushNothing,
            Sign::FlushSomeMissing,
            Sign::FlushAllSlow,
            Sign::FlushSomeSlow,
            Sign::FlushSlowAndNothing,
        ] {
            assert!(open(came, &[]) && !open(came, &[(Sign::FlushNothing, Absent)]));
            assert!(!open(came, &[(came, Absent)]));
        }
        assert!(
            !open(Sign::FlushUndecided, &[]),
            "that it stays undecided is nothing to look for"
        );
        assert!(open(Sign::FilterClogged, &[]) && !open(Sign::FilterClogged, &[(Sign::FilterClogged, Absent)]));
    }

    /// Looks are judged by the causes something was found for; by all while there are none.
    #[test]
    fn looks_are_judged_by_the_causes_that_stand() {
        let nothing = weigh(&signs(&[]), None);
        assert_eq!(in_play(&nothing.causes).len(), Cause::ALL.len());
        let only_absent = weigh(&signs(&[(Sign::FilterClogged, Seen::Absent)]), None);
        assert!(only_absent.causes.iter().all(|each| !each.has_found()));
        assert_eq!(only_absent.standing().count(), 0);
        let found = weigh(&signs(&[(Sign::FilterClogged, Seen::Present)]), None);
        let chances = in_play(&found.causes);
        assert!(chances.contains_key(&Cause::OutletBlocked) && chances.len() < Cause::ALL.len());
        for each in &found.causes {
            let stands = each.band != Band::Unlikely && each.has_found();
            assert_eq!(chances.contains_key(&each.cause), stands, "{each:?}");
        }
    }

    /// By hand: outlet −9 + 8 + 11 + 2 = 12, 10^1.2 = 15.85 to one, 0.9407; field −10 + 8 − 3 − 5 = −10, 1 to 10, 0.0909.
    #[test]
    fn a_sum_done_by_hand() {
        let found = weigh(
            &signs(&[
                (Sign::LevelAboveOutlet, Seen::Present),
                (Sign::FilterClogged, Seen::Present),
                (Sign::Runback, Seen::Absent),
            ]),
            None,
        );
        // That it is not below is in the level above already and is not counted again.
        let outlet = find(&found, Cause::OutletBlocked);
        assert_eq!((outlet.total_db, outlet.band), (12, Band::Likely));
        assert!((outlet.chance - 0.9407).abs() < 1e-4, "{}", outlet.chance);
        assert_eq!(outlet.speaks_for[0].sign, Sign::FilterClogged);
        let field = find(&found, Cause::FieldSaturated);
        assert_eq!(field.total_db, -10);
        assert!((field.chance - 0.0909).abs() < 1e-4, "{}", field.chance);
        assert_eq!(found.causes[0].cause, Cause::OutletBlocked);
    }

    #[test]
    fn unknown_is_not_absent() {
        let nothing = weigh(&Signs::new(), None);
        assert!(
            nothing
                .causes
                .iter()
                .all(|each| !each.has_evidence() && each.band == Band::NotRuledOut)
        );
        assert_eq!(nothing.standing().count(), 0);
        let looked = weigh(&signs(&[(Sign::WetOverField, Seen::Absent)]), None);
        assert!(find(&looked, Cause::FieldSaturated).total_db < find(&nothing, Cause::FieldSaturated).total_db);
        let said = weigh(&signs(&[(Sign::WetOverField, Seen::NotLooked)]), None);
        assert_eq!(said, nothing);
    }

    /// Cases as the trade tells them (common practice), each with the cause it is known by.
    #[test]
    fn cases_of_the_trade() {
        use Seen::{Absent, Present};
        type Case = (&'static str, &'static [(Sign, Seen)], Cause);
        let cases: [Case; 12] = [
            (
                "filter",
                &[(Sign::LevelAboveOutlet, Present), (Sign::FilterClogged, Present)],
                Cause::OutletBlocked,
            ),
            (
                "field",
                &[(Sign::LevelAboveOutlet, Present), (Sign::Runback, Present)],
                Cause::FieldSaturated,
            ),
            (
                "lush",
                &[(Sign::Runback, Present), (Sign::WetOverField, Present)],
                Cause::FieldSaturated,
            ),
            (
                "leak",
                &[(Sign::LevelBelowOutlet, Present), (Sign::NotYetRefilled, Absent)],
                Cause::TankLeaks,
            ),
            (
                "gauge",
                &[(Sign::GaugeOutflow, Present), (Sign::Cracks, Present)],
                Cause::TankLeaks,
            ),
            (
                "toilet",
                &[(Sign::InflowNothingRunning, Present), (Sign::FixtureRunning, Present)],
                Cause::FixtureRuns,
            ),
            (
                "spring",
                &[(Sign::InflowAtWall, Present), (Sign::GroundSaturated, Present)],
                Cause::GroundwaterEnters,
            ),
            (
                "main",
                &[
                    (Sign::FlushNothing, Present),
                    (Sign::CleanoutFull, Present),
                    (Sign::InletPlugged, Absent),
                ],
                Cause::MainLineBlocked,
            ),
            (
                "inlet",
                &[(Sign::FlushNothing, Present), (Sign::InletPlugged, Present)],
                Cause::InletBlocked,
            ),
            (
                "branch",
                &[(Sign::FlushSomeMissing, Present), (Sign::FlushNothing, Absent)],
                Cause::BranchBlocked,
            ),
            (
                "vent",
                &[(Sign::FlushAllSlow, Present), (Sign::Gurgling, Present)],
                Cause::SlowLineOrVent,
            ),
            (
                "pump",
                &[(Sign::AlarmOn, Present), (Sign::PumpChamberHigh, Present)],
                Cause::PumpChamberFault,
            ),
        ];
        for (name, list, cause) in cases {
            let found = weigh(&signs(list), None);
            assert_eq!(
                (found.causes[0].cause, found.causes[0].band),
                (cause, Band::Likely),
                "{name}: {found:#?}"
            );
        }
    }

    #[test]
    fn one_look_is_proposed_that_is_open_and_possible() {
        let found = weigh(&signs(&[(Sign::LevelAboveOutlet, Seen::Present)]), None);
        assert!(
            matches!(
                found.checks[0].check,
                Check::LookAtFilter | Check::WatchOutlet | Check::LookAtOutlet | Check::WalkField
            ),
            "{:?}",
            found.checks[0]
        );
        let later = weigh(&signs(&[]), Some(TankState::DrawnDown));
        assert!(
            later
                .checks
                .iter()
                .all(|each| each.check.is_possible(Some(TankState::DrawnDown)))
        );
        assert!(later.checks.iter().all(|each| each.check != Check::ReadLevel));
        let watched = weigh(&signs(&[(Sign::InflowNothingRunning, Seen::Present)]), None);
        assert!(watched.checks.iter().all(|each| each.check != Check::GaugeInflow));
        assert!(
            watched.checks.iter().any(|each| each.check == Check::WatchInflow),
            "where it enters is open"
        );
    }

    fn any_signs() -> impl Strategy<Value = Vec<(Sign, Seen)>> {
        prop::collection::vec(
            (prop::sample::select(Sign::ALL), prop::sample::select(Seen::ALL)),
            0..12,
        )
    }

    proptest! {
        #[test]
        fn a_sign_that_speaks_for_a_cause_never_lowers_it(list in any_signs(), link in prop::sample::select(LINKS), present in any::<bool>()) {
            let mut before = Signs::new();
            for (sign, seen) in list {
                // What contradicts is refused and left out.
                before.add(sign, seen, Origin::Said).ok();
            }
            let seen = if present { Seen::Present } else { Seen::Absent };
            let mut after = before.clone();
            prop_assume!(before.seen(link.sign) == Seen::NotLooked && after.add(link.sign, seen, Origin::Said).is_ok());
            let of = |signs: &Signs| find(&weigh(signs, None), link.cause).total_db;
            let (was, is) = (of(&before), of(&after));
            if link.weight_db(seen) > 0 {
                prop_assert!(is >= was, "{link:?} {seen:?}: {was} to {is}");
            } else if after.known().count() == before.known().count() + 1 {
                // A sign that brings another with it (water at the inlet is water coming in) may raise by that one.
                prop_assert!(is <= was, "{link:?} {seen:?}: {was} to {is}");
            }
        }

        #[test]
        fn nothing_is_ever_certain_and_every_look_is_worth_something(list in any_signs()) {
            let mut signs = Signs::new();
            for (sign, seen) in list {
                signs.add(sign, seen, Origin::Said).ok();
            }
            let found = weigh(&signs, None);
            prop_assert_eq!(found.causes.len(), Cause::ALL.len());
            for each in &found.causes {
                prop_assert!((0.05..=0.95).contains(&each.chance));
                let sum: i32 = each.speaks_for.iter().chain(&each.speaks_against).map(|one| one.weight_db).sum();
                prop_assert_eq!(each.total_db, each.cause.start_db() + sum);
            }
            prop_assert!(found.causes.is_sorted_by(|a, b| a.total_db >= b.total_db));
            for check in &found.checks {
                prop_assert!(check.bits.is_finite() && check.bits >= 0.0 && check.bits < 12.0);
                prop_assert!(check.signs.iter().all(|sign| signs.seen(*sign) == Seen::NotLooked));
            }
            prop_assert!(found.checks.is_sorted_by(|a, b| a.bits >= b.bits));
        }
    }
}
