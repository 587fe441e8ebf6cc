//! When the next service is due.

use super::units::Volume;
use chrono::NaiveDate;

/// A measured stop that taught something about the household.
#[derive(Clone, Debug, PartialEq)]
pub struct EvidenceUsed {
    /// Day of the stop.
    pub date: NaiveDate,
    /// Years since the pump-out before it.
    pub years: f64,
    /// Solids found.
    pub solids: Volume,
    /// Solids the pump-out had left behind.
    pub heel: Volume,
    /// Litres per person after one year that this stop alone says.
    pub k: f64,
    /// Variance of its logarithm.
    pub variance: f64,
}

/// A stop that teaches nothing, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EvidenceNotUsed {
    /// Day of the stop.
    pub date: NaiveDate,
    /// One plain English sentence.
    pub reason: String,
}

/// What is known about ln k after all measured stops.
#[derive(Clone, Debug, PartialEq)]
pub struct Posterior {
    /// Mean of ln k (k in litres per person after one year).
    pub mean: f64,
    /// Standard deviation of ln k between what the household may be.
    pub spread: f64,
    /// Stops used.
    pub used: Vec<EvidenceUsed>,
    /// Stops not used.
    pub not_used: Vec<EvidenceNotUsed>,
}

/// The solids at which one clause makes the tank due.
#[derive(Clone, Debug, PartialEq)]
pub struct FillLimit {
    /// The clause's short name, or `forecast_fallback`.
    pub clause: String,
    /// The clause in plain words.
    pub words: String,
    /// The compartment it binds in, counted from 0; `None`: whole tank.
    pub compartment: Option<usize>,
    /// Solids in the whole tank at the limit.
    pub volume: Volume,
}

/// What moved a date, or asks for a second look at it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cap {
    /// The rule set's longest interval, or the default.
    MaxInterval {
        /// Years.
        years: f64,
        /// The rule set gives none, so the default applies.
        is_default: bool,
    },
    /// A calendar clause.
    Calendar {
        /// Years.
        years: f64,
    },
    /// Less than six months: the date stays, look for a cause.
    UnderSixMonths,
}

/// The three dates; the shown one is `due`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DueDates {
    /// Nine chances in ten that the tank is not yet due.
    pub early: NaiveDate,
    /// Three chances in four that the tank is not yet due: the date shown.
    pub due: NaiveDate,
    /// One chance in four.
    pub late: NaiveDate,
}

/// Years from the start of the clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DueYears {
    /// At q = 0.90.
    pub early: f64,
    /// At q = 0.75.
    pub due: f64,
    /// At q = 0.50, for money.
    pub median: f64,
    /// At q = 0.25.
    pub late: f64,
}

/// Solids after `years`, litres: the fill is below `q75` with three chances in four.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// Years from the start of the clock.
    pub years: f64,
    /// Quarter of the households below.
    pub q25: f64,
    /// Half.
    pub q50: f64,
    /// Three quarters.
    pub q75: f64,
    /// Nine tenths.
    pub q90: f64,
}

/// Layers expected in one compartment on the due date (the q = 0.75 case), for a drawing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LayersAtDue {
    /// Scum thickness, mm.
    pub scum_mm: f64,
    /// Sludge depth, mm.
    pub sludge_mm: f64,
}

/// Everything about the next service.
#[derive(Clone, Debug, PartialEq)]
pub struct Forecast {
    /// What is known about the household.
    pub posterior: Posterior,
    /// People the forecast counts with.
    pub residents: Option<f64>,
    /// Whether it counts with a grinder.
    pub grinder: bool,
    /// Start of the clock: the last pump-out.
    pub start: Option<NaiveDate>,
    /// Solids it left behind.
    pub heel: Volume,
    /// The limit that binds.
    pub limit: Option<FillLimit>,
    /// Every clause's limit.
    pub limits: Vec<FillLimit>,
    /// Years before any cap (infinite when nothing fills the tank).
    pub uncapped: Option<DueYears>,
    /// Years after caps.
    pub years: Option<DueYears>,
    /// The dates.
    pub dates: Option<DueDates>,
    /// Why there is no date.
    pub no_date: Option<String>,
    /// Caps that applied.
    pub caps: Vec<Cap>,
    /// Solids over time.
    pub curve: Vec<CurvePoint>,
    /// Layers on the due date, per compartment.
    pub at_due: Vec<LayersAtDue>,
}

/// One "what if", with its answer.
#[derive(Clone, Debug, PartialEq)]
pub struct WhatIf {
    /// What is changed.
    pub change: Change,
    /// The new dates, `None` with the reason in `no_date`.
    pub dates: Option<DueDates>,
    /// Why there is no date.
    pub no_date: Option<String>,
}

/// A change to try.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Another number of people.
    Residents(f64),
    /// With or without a grinder.
    Grinder(bool),
    /// A tank of this liquid volume and the same proportions.
    Capacity(Volume),
}
