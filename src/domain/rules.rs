//! Rules as data: when a tank is to be pumped, looked at, and given risers.

use super::units::{Length, Offset, Volume};
use super::waste::{Condition, WasteField};
use chrono::NaiveDate;

/// Which side the limit itself belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Sense {
    /// The tank is due at the limit and past it.
    At,
    /// The tank is due only past the limit.
    Past,
}

/// How sure we are of a rule's figures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Confidence {
    /// Read in the source's own text.
    Verified,
    /// Read in a text that cites the source.
    Secondary,
    /// Known, not seen.
    Memory,
    /// What the trade does, without a source.
    CommonPractice,
    /// Entered by the user.
    User,
}

/// The unit a limit was written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LengthUnit {
    /// Inches.
    Inch,
    /// Millimetres.
    Millimetre,
}

/// A length limit, exact as written: 12 in is 304.8 mm here, not 305.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LengthLimit {
    /// The figure as written.
    pub value: f64,
    /// Its unit.
    pub unit: LengthUnit,
}

impl LengthLimit {
    /// Returns the limit in millimetres, exact.
    #[must_use]
    pub fn mm(self) -> f64 {
        match self.unit {
            LengthUnit::Inch => self.value * super::units::MM_PER_INCH,
            LengthUnit::Millimetre => self.value,
        }
    }
}

/// A share limit, with the text it was written as ("1/3", "0.25").
#[derive(Clone, Debug, PartialEq)]
pub struct ShareLimit {
    /// The share, 0 to 1.
    pub value: f64,
    /// As written.
    pub text: String,
}

/// Allowed distance from the outlet device to the sludge, by capacity and liquid depth.
#[derive(Clone, Debug, PartialEq)]
pub struct DistanceTable {
    /// Liquid depths of the columns, rising.
    pub depths_mm: Vec<f64>,
    /// Rows: capacity, rising, and one distance in millimetres per column.
    pub rows: Vec<(Volume, Vec<f64>)>,
}

/// A longer calendar for quiet houses; every condition given must hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CalendarException {
    /// Years instead.
    pub years: f64,
    /// At most this many people.
    pub residents_at_most: Option<f64>,
    /// At least this capacity.
    pub capacity_at_least: Option<Volume>,
    /// Only without a grinder.
    pub no_grinder: bool,
}

/// What a clause compares.
#[derive(Clone, Debug, PartialEq)]
pub enum Test {
    /// Solids over liquid, by volume, whole tank.
    VolumeFraction(ShareLimit),
    /// Scum and sludge over liquid depth, per compartment.
    DepthFraction(ShareLimit),
    /// Top of the sludge to the bottom of the outlet device.
    SludgeClearance(LengthLimit),
    /// Bottom of the scum to the bottom of the outlet device.
    ScumClearance(LengthLimit),
    /// Top of the scum to the top of the outlet device.
    ScumTopClearance(LengthLimit),
    /// Top of the sludge to the bottom of the outlet device, limit from a table.
    SludgeDistanceTable(DistanceTable),
    /// Years since the last pump-out.
    Calendar {
        /// Years.
        years: f64,
        /// A longer time under conditions.
        unless: Option<CalendarException>,
    },
}

/// One clause of a rule set; the tank is due when any clause is met.
#[derive(Clone, Debug, PartialEq)]
pub struct Clause {
    /// Short name, unique within the set.
    pub id: String,
    /// The clause in plain words.
    pub words: String,
    /// What it compares, and with what.
    pub test: Test,
    /// Which side the limit belongs to.
    pub sense: Sense,
}

/// Where a riser has to end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Finish {
    /// At least this far above grade (0: flush).
    AboveAtLeast(LengthLimit),
    /// At most this far below grade.
    BelowAtMost(LengthLimit),
}

/// How a lid has to be kept shut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Restraint {
    /// Locked or bolted, or a heavy lid.
    LockOrWeight,
    /// Locked, and a warning label.
    LockAndLabel,
    /// Locked.
    Lock,
    /// A second plug, cap or restraint below the lid.
    SecondBarrier,
}

/// One rule about risers or lids.
#[derive(Clone, Debug, PartialEq)]
pub struct RiserRule {
    /// Short name, unique within the set.
    pub id: String,
    /// The rule in plain words.
    pub words: String,
    /// Where it is written.
    pub source: String,
    /// How sure we are.
    pub confidence: Confidence,
    /// Applies to systems permitted on or after this day.
    pub permitted_from: Option<NaiveDate>,
    /// Applies to systems permitted before this day.
    pub permitted_before: Option<NaiveDate>,
    /// Applies to new work only.
    pub new_work_only: bool,
    /// Applies when the soil cover is deeper than this; `None`: at any cover short of the finish.
    pub deeper_than: Option<LengthLimit>,
    /// Where the riser must end; `None`: the rule is about the lid only.
    pub finish: Option<Finish>,
    /// How the lid must be kept shut.
    pub restraint: Option<Restraint>,
    /// The restraint applies only to openings wider than this at or above grade.
    pub opening_wider_than: Option<LengthLimit>,
}

/// What a record of hauled waste must say.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HauledWaste {
    /// Where it is written.
    pub source: String,
    /// How sure we are.
    pub confidence: Confidence,
    /// Asked for, each under its condition.
    pub required: Vec<(WasteField, Condition)>,
    /// Of these, the ones known but not seen in the source's text.
    pub from_memory: Vec<WasteField>,
    /// How long the record is to be kept, when the source says.
    pub retention_years: Option<u32>,
    /// Within how many days it is to be handed on, when the source says.
    pub report_within_days: Option<u32>,
    /// What else a reader should know, in plain words.
    pub notes: Vec<String>,
}

/// The rules of one place or one publication.
#[derive(Clone, Debug, PartialEq)]
pub struct RuleSet {
    /// Stable short name, for example `mn-7080.2450`.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Where it holds.
    pub jurisdiction: String,
    /// The section.
    pub section: String,
    /// In force since, when the source says.
    pub effective: Option<NaiveDate>,
    /// Citation or address of the text.
    pub source: String,
    /// How sure we are.
    pub confidence: Confidence,
    /// When to pump.
    pub clauses: Vec<Clause>,
    /// Longest time between pump-outs; `None`: the default of 5 years, unless a calendar clause says otherwise.
    pub max_interval_years: Option<f64>,
    /// Time between inspections.
    pub inspect_every_years: Option<f64>,
    /// Time between inspections where a grinder is in use.
    pub inspect_every_years_with_grinder: Option<f64>,
    /// Time to the next check after one that found no need to pump.
    pub recheck_years: Option<f64>,
    /// Share of solids the forecast uses when no clause gives a limit; `None`: 0.30.
    pub forecast_volume_fraction: Option<f64>,
    /// Rules about risers and lids.
    pub riser_rules: Vec<RiserRule>,
    /// What a record of hauled waste must say here; `None` where the source read says nothing.
    pub hauled_waste: Option<HauledWaste>,
    /// What else a reader should know.
    pub notes: Vec<String>,
}

/// Returns `length` in exact half inches when it is the millimetre rounding of a whole number of half inches.
#[must_use]
pub fn exact_half_inches_mm(length: Length) -> Option<f64> {
    let mm = u64::from(length.as_mm());
    let half_inches = (mm * 10 + 63) / 127;
    // Odd multiples of 5 half inches end in half a millimetre and may have been rounded either way.
    let is_rounding = (mm * 10).abs_diff(half_inches * 127) <= 5;
    is_rounding.then(|| length_from_half_inches_mm(half_inches))
}

fn length_from_half_inches_mm(half_inches: u64) -> f64 {
    // 2^32 mm is under 2^29 half inches, so the conversion to u32 and f64 is exact.
    f64::from(u32::try_from(half_inches).unwrap_or(u32::MAX)) * 12.7
}

/// Returns `offset` in exact half inches, sign kept, or `None` when it is not the rounding of a whole number of half inches.
#[must_use]
pub fn exact_half_inches_offset_mm(offset: Offset) -> Option<f64> {
    let size = exact_half_inches_mm(Length::from_mm(offset.as_mm().unsigned_abs()))?;
    Some(if offset.as_mm() < 0 { -size } else { size })
}
