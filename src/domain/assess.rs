//! Everything the program says about one tank.

use super::check::Flag;
use super::forecast::{Forecast, WhatIf};
use super::judge::{Contents, Verdict};
use super::reading::{PastVisit, Visit};
use super::riser::{Lid, Prices, RiserAdvice};
use super::rules::RuleSet;
use super::tank::Tank;
use chrono::NaiveDate;

/// What is known about the household.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SiteFacts {
    /// People living here, as full-time equivalents; `None` when nobody asked.
    pub residents: Option<f64>,
    /// Whether a garbage grinder is in use.
    pub grinder: bool,
    /// When the system was permitted; some riser rules depend on it.
    pub permit_date: Option<NaiveDate>,
    /// Whether the system is being built or altered now.
    pub new_work: bool,
}

/// The facts of one tank at one visit.
#[derive(Clone, Debug, PartialEq)]
pub struct WorkInput {
    /// The household.
    pub site: SiteFacts,
    /// The tank.
    pub tank: Tank,
    /// When it was last emptied before this visit.
    pub last_emptied: Option<NaiveDate>,
    /// This visit.
    pub visit: Visit,
    /// Earlier visits, in any order.
    pub history: Vec<PastVisit>,
    /// The lids.
    pub lids: Vec<Lid>,
    /// Prices, when money is to be shown.
    pub prices: Option<Prices>,
}

/// Everything the program says about one tank.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessment {
    /// What is in the tank.
    pub contents: Contents,
    /// What the chosen rule set says.
    pub verdict: Verdict,
    /// What every rule set says, in the order given.
    pub verdicts: Vec<Verdict>,
    /// When to come back.
    pub forecast: Forecast,
    /// When to look in at the latest, apart from pumping.
    pub inspect_by: Option<NaiveDate>,
    /// The published table's figure, years; `None` when it gives none.
    pub published_table_years: Option<f64>,
    /// How long water stays in the tank when it is empty of solids, days.
    pub retention_days: Option<f64>,
    /// Advice for each lid.
    pub risers: Vec<RiserAdvice>,
    /// What looks wrong in what was entered.
    pub flags: Vec<Flag>,
    /// What to tell the customer or the technician.
    pub warnings: Vec<Flag>,
    /// Other households and tanks.
    pub what_if: Vec<WhatIf>,
}

/// Returns everything the program says about one tank under `rule_set`, and what every set in `all` would say.
#[must_use]
pub fn assess(_input: &WorkInput, _rule_set: &RuleSet, _all: &[RuleSet]) -> Assessment {
    todo!("bodies follow")
}
