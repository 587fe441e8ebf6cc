//! Judging a reading against a rule set.

use super::rules::Sense;

/// What a rule set says about a tank.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Decision {
    /// At least one clause is met: pump.
    Pump,
    /// Clauses were judged and none is met.
    NotYet,
    /// No clause could be judged.
    NotMeasured,
}

/// The lengths a clause was judged in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum JudgedIn {
    /// Exact half inches, because every length of the reading is one.
    HalfInches,
    /// Whole millimetres as kept.
    Millimetres,
    /// Calendar time.
    Years,
}

/// The unit of a clause's value, limit and margin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ClauseUnit {
    /// Millimetres.
    Millimetre,
    /// A share, 0 to 1.
    Share,
    /// Years.
    Year,
}

/// One clause, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct ClauseResult {
    /// The clause's short name.
    pub id: String,
    /// The clause in plain words.
    pub words: String,
    /// Which side the limit belongs to.
    pub sense: Sense,
    /// What was found, `None` when not measured.
    pub value: Option<f64>,
    /// The limit, `None` when it needs something not known (the published sludge table without a capacity).
    pub limit: Option<f64>,
    /// Unit of value, limit and margin.
    pub unit: ClauseUnit,
    /// The value is the limit, within what can be told apart.
    pub at_limit: bool,
    /// The clause asks for pumping.
    pub met: bool,
    /// Room left before the limit, negative when it is past; in the clause's unit.
    pub margin: Option<f64>,
    /// The lengths used.
    pub judged_in: JudgedIn,
    /// The compartment that binds, counted from 0; `None`: whole tank.
    pub compartment: Option<usize>,
    /// Why it was not judged.
    pub why_not: Option<String>,
}

impl ClauseResult {
    /// Returns whether the clause could be judged.
    #[must_use]
    pub const fn is_measured(&self) -> bool {
        self.value.is_some() && self.limit.is_some()
    }
}

/// One rule set, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The rule set's short name.
    pub rule_set: String,
    /// Its name for people.
    pub name: String,
    /// What it says.
    pub decision: Decision,
    /// Every clause.
    pub clauses: Vec<ClauseResult>,
    /// Place in `clauses` of the one that binds: exceeded by most, else nearest to its limit.
    pub binding: Option<usize>,
}

impl Verdict {
    /// Returns the clause that binds.
    #[must_use]
    pub fn binding_clause(&self) -> Option<&ClauseResult> {
        self.binding.and_then(|place| self.clauses.get(place))
    }
}

/// Layers and distances of one compartment, from the millimetres as kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CompartmentContents {
    /// Liquid below the outlet invert, litres inside.
    pub liquid: super::units::Volume,
    /// Scum.
    pub scum: Option<super::units::Volume>,
    /// Sludge.
    pub sludge: Option<super::units::Volume>,
    /// Sludge depth used (the mean of the probes when there are any), mm.
    pub sludge_mm: Option<f64>,
    /// Scum thickness used, mm.
    pub scum_mm: Option<f64>,
    /// Solids over liquid, by volume.
    pub fraction_volume: Option<f64>,
    /// Solids over liquid, by depth.
    pub fraction_depth: Option<f64>,
    /// Sludge top below the bottom of the outlet device, mm, negative when above it.
    pub sludge_clearance_mm: Option<f64>,
    /// Scum bottom above the bottom of the outlet device, mm, negative when below it.
    pub scum_clearance_mm: Option<f64>,
    /// Scum top below the top of the outlet device, mm, negative when above it.
    pub scum_top_clearance_mm: Option<f64>,
    /// Error of the solids' volume from reading the layers' edges.
    pub solids_error: Option<super::units::Volume>,
}

/// What is in the tank.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contents {
    /// Liquid below the outlet invert, all compartments.
    pub liquid: super::units::Volume,
    /// Scum, all compartments; `None` unless every compartment was read.
    pub scum: Option<super::units::Volume>,
    /// Sludge, all compartments; `None` unless every compartment was read.
    pub sludge: Option<super::units::Volume>,
    /// Solids over liquid by volume.
    pub fraction_volume: Option<f64>,
    /// Largest share by depth of any compartment.
    pub fraction_depth: Option<f64>,
    /// Each compartment.
    pub compartments: Vec<CompartmentContents>,
}
