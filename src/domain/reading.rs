//! What was read in a tank, and when.

use super::units::{Length, Offset, Volume};
use chrono::NaiveDate;

/// What was read in one compartment. Everything is optional: `None` is "not read", zero is "read, and there was none".
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reading {
    /// Liquid surface against the outlet invert, above is positive.
    pub level: Offset,
    /// Thickness of the scum, measured down from the liquid surface.
    pub scum: Option<Length>,
    /// Depth of the sludge, measured up from the bottom.
    pub sludge: Option<Length>,
    /// Depths of the sludge at several places; their mean is the depth, their sample deviation the error.
    pub sludge_probes: Vec<Length>,
    /// Recorded error of the instrument at a layer's edge, instead of 25 mm.
    pub edge: Option<Length>,
    /// Bottom of the outlet device below the outlet invert, instead of the tank's.
    pub outlet_device: Option<Length>,
    /// Top of the scum above the liquid surface.
    pub scum_top: Option<Offset>,
}

/// One stop at a tank.
#[derive(Clone, Debug, PartialEq)]
pub struct Visit {
    /// The day.
    pub date: NaiveDate,
    /// One reading per compartment, in the tank's order; missing ones were not read.
    pub readings: Vec<Reading>,
    /// Whether the tank was emptied.
    pub pumped: bool,
    /// Solids left behind by the pump-out of this visit, zero when not recorded.
    pub heel: Option<Volume>,
    /// People living here over the time before this visit, instead of the site's.
    pub residents: Option<f64>,
    /// Whether a garbage grinder was in use, instead of the site's.
    pub grinder: Option<bool>,
}

impl Visit {
    /// A visit on `date` at which nothing was read and nothing was pumped.
    #[must_use]
    pub fn on(date: NaiveDate) -> Self {
        Self {
            date,
            readings: Vec::new(),
            pumped: false,
            heel: None,
            residents: None,
            grinder: None,
        }
    }
}

/// An earlier visit, with the pump-out its solids are counted from.
#[derive(Clone, Debug, PartialEq)]
pub struct PastVisit {
    /// The visit.
    pub visit: Visit,
    /// When the tank had last been emptied before it; `None` when nobody knows.
    pub last_emptied: Option<NaiveDate>,
}
