//! When the next service is due.

use super::judge::{Contents, DAYS_PER_YEAR, calendar_years, table_distance_mm};
use super::rules::{Clause, RuleSet, Test};
use super::tank::{Compartment, Tank};
use super::units::{Length, Volume, round_to_i64};
use chrono::{NaiveDate, TimeDelta};

/// Slowing of growth as solids digest and compact.
///
/// Two points of Gray N.F. 1995, Environ. Technol. 16(8):795-800: 92.7 L per person and year over the first 6 months, 64.9 after
/// 60 months, so ln(324.5 / 46.35) / ln 10.
pub const BETA: f64 = 0.845;

/// Solids of one person after one year, L: the median household.
///
/// Gray's two points give 83 L of sludge; 6 L of scum is the median of 10 household tanks in the openwashdata "fecalcanuga" data
/// set, doi 10.5281/zenodo.20795917.
pub const MEDIAN_K_LITRES: f64 = 89.0;

/// Spread of ln k between households; chosen so that the shown date reproduces the published table, see `docs/method.md`.
pub const SPREAD_HOUSE: f64 = 0.4915;

/// Spread of ln k between service cycles of one household; chosen.
pub const SPREAD_CYCLE: f64 = 0.20;

/// Load with a garbage grinder: about 30 % more (a lake association's reprint of the extension table).
pub const GRINDER_FACTOR: f64 = 1.3;

/// Standard normal quantile at 0.75, the date shown.
pub const Z_75: f64 = 0.674_489_750_196_082;

/// Standard normal quantile at 0.90, the early end of the window.
pub const Z_90: f64 = 1.281_551_565_544_6;

/// Stops sooner than this after a pump-out teach nothing.
pub const MIN_EVIDENCE_DAYS: i64 = 30;

/// Longest interval when the rule set gives none: the long end of the common 3-to-5-year advice.
pub const DEFAULT_MAX_INTERVAL_YEARS: f64 = 5.0;

/// Share of solids by volume the forecast uses when no clause gives a limit.
pub const FALLBACK_VOLUME_FRACTION: f64 = 0.30;

/// Name of the limit used when no clause gives one.
pub const FALLBACK_CLAUSE: &str = "forecast_fallback";

/// Below this the program asks to look for a cause.
pub const LOOK_FOR_CAUSE_YEARS: f64 = 0.5;

/// Water one person uses in a day, US gallons: the published table's own assumption.
pub const GALLONS_PER_PERSON_DAY: f64 = 50.0;

/// Sludge in the solids when no reading tells: 12 parts of 13.
const DEFAULT_SLUDGE_SHARE: f64 = 12.0 / 13.0;

/// Steps of the fill curve.
const CURVE_STEPS: u32 = 24;

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
        /// The date shown moved; when not, only the late end of the window did.
        moves_due: bool,
    },
    /// A calendar clause.
    Calendar {
        /// Years.
        years: f64,
        /// The date shown moved; when not, only the late end of the window did.
        moves_due: bool,
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
    /// One chance in two.
    pub median: NaiveDate,
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

impl Cap {
    /// Returns the cap's short name.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::MaxInterval { .. } => "max_interval",
            Self::Calendar { .. } => "calendar",
            Self::UnderSixMonths => "under_six_months",
        }
    }

    /// Returns one plain English sentence.
    #[must_use]
    pub fn words(&self) -> String {
        let whose = |is_default| {
            if is_default {
                "the usual longest interval"
            } else {
                "the rule's longest interval"
            }
        };
        match *self {
            Self::MaxInterval { years, is_default, moves_due: true } => {
                format!("The date is held to {} of {years} years; the tank would fill more slowly.", whose(is_default))
            }
            Self::MaxInterval { years, is_default, moves_due: false } => {
                format!("Only the late end of the window is held to {} of {years} years.", whose(is_default))
            }
            Self::Calendar { years, moves_due: true } => {
                format!("The local calendar asks for pumping every {years} years, before the tank would be due.")
            }
            Self::Calendar { years, moves_due: false } => {
                format!("Only the late end of the window is held to the local calendar of {years} years.")
            }
            Self::UnderSixMonths => {
                "Less than six months: look for a cause (wrong tank size, extra people, a grinder, a leak) before settling for this date.".to_owned()
            }
        }
    }
}

/// One stop as evidence about the household.
#[derive(Clone, Debug, PartialEq)]
pub struct Stop {
    /// Day of the stop.
    pub date: NaiveDate,
    /// Last pump-out before it, when known.
    pub last_emptied: Option<NaiveDate>,
    /// Solids found, `None` when not every layer was read.
    pub solids: Option<Volume>,
    /// Error of the solids from reading the edges.
    pub solids_error: Option<Volume>,
    /// Solids left behind by that pump-out.
    pub heel: Volume,
    /// People over that time.
    pub residents: Option<f64>,
    /// Whether a grinder was in use.
    pub grinder: bool,
}

impl Stop {
    /// Returns what the stop teaches, or why it teaches nothing.
    ///
    /// `x = ln((S − H) / (N·g·t^β))`, variance `σ_cycle² + (δS/S)²`.
    fn evidence(&self) -> Result<EvidenceUsed, &'static str> {
        let solids = self
            .solids
            .ok_or("scum and sludge were not both read in every compartment")?;
        let emptied = self.last_emptied.ok_or("the pump-out before it is not known")?;
        let residents = self.residents.ok_or("the number of people is not known")?;
        let days = (self.date - emptied).num_days();
        if days < 0 {
            return Err("it lies before the pump-out it is counted from");
        }
        if days < MIN_EVIDENCE_DAYS {
            return Err("less than 30 days after the pump-out");
        }
        if residents <= 0.0 {
            return Err("nobody lived here");
        }
        let gained = solids.as_litres() - self.heel.as_litres();
        if gained <= 0.0 {
            return Err("no more solids than the last pump-out left behind");
        }
        let years = days_as_years(days);
        let k = gained / (residents * grinder_factor(self.grinder) * years.powf(BETA));
        let relative = self.solids_error.unwrap_or_default().as_litres() / solids.as_litres();
        let variance = SPREAD_CYCLE.powi(2) + relative.powi(2);
        if !(k.is_finite() && k > 0.0 && variance.is_finite()) {
            return Err("its figures are too large or too small to count with");
        }
        Ok(EvidenceUsed {
            date: self.date,
            years,
            solids,
            heel: self.heel,
            k,
            variance,
        })
    }
}

/// Returns the load factor with or without a grinder.
#[must_use]
pub const fn grinder_factor(grinder: bool) -> f64 {
    if grinder { GRINDER_FACTOR } else { 1.0 }
}

/// Returns days as years of 365.25 days.
#[must_use]
pub fn days_as_years(days: i64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "chrono's whole calendar is under 2^28 days")]
    let days = days as f64;
    days / DAYS_PER_YEAR
}

/// Learns from measured stops: the precision-weighted mean of the prior and every stop (normal-normal, closed form).
#[must_use]
pub fn learn(stops: &[Stop]) -> Posterior {
    let mut precision = SPREAD_HOUSE.powi(-2);
    let mut weighted = MEDIAN_K_LITRES.ln() * precision;
    let mut used = Vec::new();
    let mut not_used = Vec::new();
    for stop in stops {
        match stop.evidence() {
            Ok(evidence) => {
                precision += evidence.variance.recip();
                weighted += evidence.k.ln() / evidence.variance;
                used.push(evidence);
            }
            Err(reason) => not_used.push(EvidenceNotUsed {
                date: stop.date,
                reason: reason.to_owned(),
            }),
        }
    }
    Posterior {
        mean: weighted / precision,
        spread: precision.sqrt().recip(),
        used,
        not_used,
    }
}

impl Posterior {
    /// Returns the median of k, litres per person after one year.
    #[must_use]
    pub fn median_k(&self) -> f64 {
        self.mean.exp()
    }

    /// Returns the spread of ln k for one coming cycle: household and cycle together.
    #[must_use]
    pub fn spread_of_a_cycle(&self) -> f64 {
        self.spread.hypot(SPREAD_CYCLE)
    }

    /// Returns k at `z` standard deviations: `exp(m + z·sqrt(s² + σ_cycle²))`.
    #[must_use]
    pub fn k_at(&self, z: f64) -> f64 {
        (self.mean + z * self.spread_of_a_cycle()).exp()
    }
}

/// Returns the years until solids reach `limit`: `((L − H) / (N·g·k))^(1/β)`; 0 when they are there, infinite when nothing fills.
#[must_use]
pub fn years_to(limit: Volume, heel: Volume, residents: f64, grinder: bool, k: f64) -> f64 {
    let room = limit.as_litres() - heel.as_litres();
    if room <= 0.0 {
        return 0.0;
    }
    let load = residents * grinder_factor(grinder) * k;
    if load <= 0.0 {
        f64::INFINITY
    } else {
        (room / load).powf(BETA.recip())
    }
}

/// Returns the solids after `years`: `H + N·g·k·t^β`.
#[must_use]
pub fn solids_after(years: f64, heel: Volume, residents: f64, grinder: bool, k: f64) -> Volume {
    Volume::from_litres(heel.as_litres() + residents * grinder_factor(grinder) * k * years.max(0.0).powf(BETA))
}

/// Returns the published table's figure `(V − 50 N) / (76.9 N)` (gal, people); `None` when it gives none.
///
/// Source: fitted to all 99 printed cells of Mancl 1984 as reprinted by state extension services, largest difference 0.09 years.
#[must_use]
pub fn published_table_years(capacity: Volume, residents: f64) -> Option<f64> {
    let gallons = capacity.as_us_gallons();
    let years = (gallons - GALLONS_PER_PERSON_DAY * residents) / (76.9 * residents);
    (residents > 0.0 && years > 0.0 && years.is_finite() && !is_under_one_day(capacity, residents)).then_some(years)
}

/// Returns how long water stays in the tank when it is empty of solids, days; `None` when nobody lives here.
#[must_use]
pub fn retention_days(capacity: Volume, residents: f64) -> Option<f64> {
    let days = capacity.as_us_gallons() / (GALLONS_PER_PERSON_DAY * residents);
    (residents > 0.0 && days.is_finite()).then_some(days)
}

/// Returns whether water stays a day or less even in the empty tank: a warning takes the place of a date.
#[must_use]
pub fn is_under_one_day(capacity: Volume, residents: f64) -> bool {
    // 500 gal entered in litres must still be exactly a day's water for ten people.
    residents > 0.0 && capacity.as_us_gallons() <= GALLONS_PER_PERSON_DAY * residents * (1.0 + 1e-9)
}

/// Which part of all the solids lies where: `(sludge, scum)` of each compartment, together 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Split(Vec<(f64, f64)>);

impl Split {
    /// The split when nothing was read: 12 : 1, all in the first compartment (common practice: most settles there).
    #[must_use]
    pub fn usual(compartments: usize) -> Self {
        let first = (DEFAULT_SLUDGE_SHARE, 1.0 - DEFAULT_SLUDGE_SHARE);
        Self(
            (0..compartments)
                .map(|place| if place == 0 { first } else { (0.0, 0.0) })
                .collect(),
        )
    }

    /// The split a reading shows; `None` when not everything was read or there were no solids.
    #[must_use]
    pub fn of(contents: &Contents) -> Option<Self> {
        let all = contents.solids()?.as_litres();
        (all > 0.0).then_some(())?;
        let parts: Option<Vec<(f64, f64)>> = contents
            .compartments
            .iter()
            .map(|each| Some((each.sludge?.as_litres() / all, each.scum?.as_litres() / all)))
            .collect();
        // Nonsense readings (a level far below the bottom) could give parts outside 0..1; they are flagged, not used.
        parts
            .filter(|parts| {
                parts
                    .iter()
                    .all(|(sludge, scum)| (0.0..=1.0).contains(sludge) && (0.0..=1.0).contains(scum))
            })
            .map(Self)
    }
}

/// Returns the layers that this much sludge and scum make with the liquid at the outlet invert.
#[must_use]
pub fn layers(compartment: &Compartment, sludge: Volume, scum: Volume) -> LayersAtDue {
    let depth = compartment.liquid_depth.mm();
    let under_scum = compartment.liquid() - scum;
    LayersAtDue {
        sludge_mm: compartment.depth_mm_for(sludge).unwrap_or(0.0).min(depth),
        scum_mm: compartment
            .depth_mm_for(under_scum)
            .map_or(0.0, |under| (depth - under).clamp(0.0, depth)),
    }
}

/// Everything a forecast is made from.
#[derive(Clone, Debug)]
pub struct Question<'a> {
    /// The tank.
    pub tank: &'a Tank,
    /// Outlet device of each compartment at this visit, below the outlet invert.
    pub outlet_devices: Vec<Option<Length>>,
    /// The rules.
    pub rule_set: &'a RuleSet,
    /// What is known about the household.
    pub posterior: Posterior,
    /// Start of the clock, when known.
    pub start: Option<NaiveDate>,
    /// "At once" is this day.
    pub today: NaiveDate,
    /// Solids left behind at the start.
    pub heel: Volume,
    /// People, when known.
    pub residents: Option<f64>,
    /// Whether a grinder is in use.
    pub grinder: bool,
    /// Where solids lie.
    pub split: Split,
}

impl Question<'_> {
    /// Returns the solids at which each clause makes the tank due; without any, the general share of solids.
    fn limits(&self) -> Vec<FillLimit> {
        let mut limits: Vec<FillLimit> = self
            .rule_set
            .clauses
            .iter()
            .flat_map(|clause| self.clause_limits(clause))
            .collect();
        if limits.is_empty() && self.tank.liquid().as_litres() > 0.0 {
            let share = self
                .rule_set
                .forecast_volume_fraction
                .unwrap_or(FALLBACK_VOLUME_FRACTION);
            limits.push(FillLimit {
                clause: FALLBACK_CLAUSE.to_owned(),
                words: format!(
                    "solids at {:.0} % of the volume, because the rules give no limit that can be forecast here",
                    share * 100.0
                ),
                compartment: None,
                volume: Volume::from_litres(share * self.tank.liquid().as_litres()),
            });
        }
        limits
    }

    fn clause_limits(&self, clause: &Clause) -> Vec<FillLimit> {
        let limit = |compartment, litres: f64| FillLimit {
            clause: clause.id.clone(),
            words: clause.words.clone(),
            compartment,
            volume: Volume::from_litres(litres),
        };
        if let Test::VolumeFraction(share) = &clause.test {
            let liquid = self.tank.liquid().as_litres();
            return if liquid > 0.0 {
                vec![limit(None, share.value * liquid)]
            } else {
                Vec::new()
            };
        }
        let parts = self
            .tank
            .compartments
            .iter()
            .zip(&self.split.0)
            .zip(&self.outlet_devices)
            .enumerate();
        parts
            .filter_map(|(place, ((compartment, split), device))| {
                let litres = self.compartment_limit(&clause.test, compartment, *split, *device)?;
                // A dip table that falls with depth (flagged) could give less than nothing.
                litres.is_finite().then(|| limit(Some(place), litres.max(0.0)))
            })
            .collect()
    }

    /// Litres of solids in the whole tank at which one compartment reaches the limit; `None` when it never does or cannot be told.
    fn compartment_limit(
        &self,
        test: &Test,
        compartment: &Compartment,
        (sludge, scum): (f64, f64),
        device: Option<Length>,
    ) -> Option<f64> {
        let depth = compartment.liquid_depth.mm();
        (depth > 0.0 && compartment.liquid().as_litres() > 0.0).then_some(())?;
        let sludge_reaches = |clearance: f64| {
            (sludge > 0.0).then_some(())?;
            Some(
                compartment
                    .volume_below((depth - device?.mm() - clearance).max(0.0))
                    .as_litres()
                    / sludge,
            )
        };
        match test {
            Test::SludgeClearance(limit) => sludge_reaches(limit.mm()),
            Test::SludgeDistanceTable(table) => sludge_reaches(table_distance_mm(table, self.tank.liquid(), depth)?.0),
            Test::ScumClearance(limit) => {
                (scum > 0.0).then_some(())?;
                let thickness = (device?.mm() - limit.mm()).clamp(0.0, depth);
                Some((compartment.liquid() - compartment.volume_below(depth - thickness)).as_litres() / scum)
            }
            Test::DepthFraction(share) => {
                let part = sludge + scum;
                (part > 0.0).then_some(())?;
                let (mut low, mut high) = (0.0, compartment.liquid().as_litres() / part);
                // The layers grow with the solids, so halving finds where they reach the share.
                for _ in 0..60 {
                    let middle = f64::midpoint(low, high);
                    let at = layers(
                        compartment,
                        Volume::from_litres(sludge * middle),
                        Volume::from_litres(scum * middle),
                    );
                    if at.sludge_mm + at.scum_mm < share.value * depth {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                Some(f64::midpoint(low, high))
            }
            // How far scum stands above the liquid is not predicted; a calendar caps the date instead.
            Test::VolumeFraction(_) | Test::ScumTopClearance(_) | Test::Calendar { .. } => None,
        }
    }

    /// Returns the longest intervals for this household: the calendar clauses and the rule set's own, or the default.
    fn longest(&self, residents: f64, grinder: bool, capacity: Volume) -> Vec<Cap> {
        let mut caps: Vec<Cap> = self
            .rule_set
            .clauses
            .iter()
            .filter_map(|clause| match clause.test {
                Test::Calendar { years, unless } => Some(Cap::Calendar {
                    years: calendar_years(years, unless, Some(residents), grinder, capacity),
                    moves_due: false,
                }),
                _ => None,
            })
            .collect();
        match self.rule_set.max_interval_years {
            Some(years) => caps.push(Cap::MaxInterval {
                years,
                is_default: false,
                moves_due: false,
            }),
            None if caps.is_empty() => {
                caps.push(Cap::MaxInterval {
                    years: DEFAULT_MAX_INTERVAL_YEARS,
                    is_default: true,
                    moves_due: false,
                });
            }
            None => {}
        }
        caps
    }

    /// Returns the dates for a household and a tank of this liquid volume, all else as asked.
    fn answer(
        &self,
        limit: &FillLimit,
        residents: Option<f64>,
        grinder: bool,
        capacity: Volume,
    ) -> Result<Answer, String> {
        let start = self.start.ok_or(
            "The last pump-out is not known, so there is no start to count from; look in by the inspection date.",
        )?;
        let residents = residents.ok_or("The number of people is not known; ask how many live here.")?;
        if is_under_one_day(capacity, residents) {
            return Err(format!(
                "A tank of {:.0} gal ({:.0} L) holds {residents} people's water for a day or less even when it is empty; no pumping interval makes up for that.",
                capacity.as_us_gallons(),
                capacity.as_litres()
            ));
        }
        let scale = capacity.as_litres() / self.tank.liquid().as_litres();
        let limit = Volume::from_litres(limit.volume.as_litres() * scale);
        let years_at = |z: f64| years_to(limit, self.heel, residents, grinder, self.posterior.k_at(z));
        let uncapped = DueYears {
            early: years_at(Z_90),
            due: years_at(Z_75),
            median: years_at(0.0),
            late: years_at(-Z_75),
        };
        let at_once = limit.as_litres() <= self.heel.as_litres();

        let mut caps = Vec::new();
        let mut longest = f64::INFINITY;
        for cap in self.longest(residents, grinder, capacity) {
            let (Cap::MaxInterval { years, .. } | Cap::Calendar { years, .. }) = cap else {
                continue;
            };
            if years < longest {
                longest = years;
                // Only the shortest cap moves anything, so only it is said.
                caps = if uncapped.late > years { vec![cap] } else { Vec::new() };
            }
        }
        for cap in &mut caps {
            if let Cap::MaxInterval { moves_due, .. } | Cap::Calendar { moves_due, .. } = cap {
                *moves_due = uncapped.due > longest;
            }
        }
        if uncapped.due < LOOK_FOR_CAUSE_YEARS {
            caps.push(Cap::UnderSixMonths);
        }
        let years = DueYears {
            early: uncapped.early.min(longest),
            due: uncapped.due.min(longest),
            median: uncapped.median.min(longest),
            late: uncapped.late.min(longest),
        };
        let from = if at_once { self.today } else { start };
        let on = |years: f64| {
            date_after(from, years)
                .ok_or_else(|| "The date lies outside the calendar; check the dates entered.".to_owned())
        };
        let dates = DueDates {
            early: on(years.early)?,
            due: on(years.due)?,
            median: on(years.median)?,
            late: on(years.late)?,
        };
        Ok(Answer {
            uncapped,
            years,
            dates,
            caps,
            longest,
        })
    }
}

/// Dates for one household and tank.
struct Answer {
    uncapped: DueYears,
    years: DueYears,
    dates: DueDates,
    caps: Vec<Cap>,
    longest: f64,
}

/// Returns the day `years` of 365.25 days after `start`, rounded to the day.
#[must_use]
pub fn date_after(start: NaiveDate, years: f64) -> Option<NaiveDate> {
    start.checked_add_signed(TimeDelta::try_days(round_to_i64(years * DAYS_PER_YEAR)?)?)
}

/// Answers when the next service is due.
#[must_use]
pub fn forecast(question: &Question<'_>) -> Forecast {
    let limits = question.limits();
    let earliest = limits
        .iter()
        .min_by(|a, b| a.volume.as_litres().total_cmp(&b.volume.as_litres()))
        .cloned();
    let capacity = question.tank.liquid();
    let answer = match &earliest {
        Some(limit) => question.answer(limit, question.residents, question.grinder, capacity),
        None => Err("The tank's liquid volume is not known; measure the tank or give its nominal size.".to_owned()),
    };
    let mut forecast = Forecast {
        posterior: question.posterior.clone(),
        residents: question.residents,
        grinder: question.grinder,
        start: question.start,
        heel: question.heel,
        limit: earliest,
        limits,
        uncapped: None,
        years: None,
        dates: None,
        no_date: None,
        caps: Vec::new(),
        curve: Vec::new(),
        at_due: Vec::new(),
    };
    match answer {
        Ok(answer) => {
            let solids = |years, z| {
                solids_after(
                    years,
                    question.heel,
                    question.residents.unwrap_or(0.0),
                    question.grinder,
                    question.posterior.k_at(z),
                )
            };
            let step = answer.longest / f64::from(CURVE_STEPS);
            forecast.curve = (0..=CURVE_STEPS)
                .map(|place| {
                    let years = f64::from(place) * step;
                    let litres = |z| solids(years, z).as_litres();
                    CurvePoint {
                        years,
                        q25: litres(-Z_75),
                        q50: litres(0.0),
                        q75: litres(Z_75),
                        q90: litres(Z_90),
                    }
                })
                .collect();
            let at_due = solids(answer.years.due, Z_75).as_litres();
            forecast.at_due = question
                .tank
                .compartments
                .iter()
                .zip(&question.split.0)
                .map(|(compartment, (sludge, scum))| {
                    layers(
                        compartment,
                        Volume::from_litres(sludge * at_due),
                        Volume::from_litres(scum * at_due),
                    )
                })
                .collect();
            forecast.uncapped = Some(answer.uncapped);
            forecast.years = Some(answer.years);
            forecast.dates = Some(answer.dates);
            forecast.caps = answer.caps;
        }
        Err(reason) => forecast.no_date = Some(reason),
    }
    forecast
}

/// Returns the dates of the same household with other people, another grinder or a tank of another capacity.
///
/// What was learned at the stops so far stays as it is.
///
/// # Errors
/// Why there is no date, as a plain sentence.
pub fn dates_for(
    question: &Question<'_>,
    forecast: &Forecast,
    residents: Option<f64>,
    grinder: bool,
    capacity: Volume,
) -> Result<DueDates, String> {
    match &forecast.limit {
        Some(limit) => question
            .answer(limit, residents, grinder, capacity)
            .map(|answer| answer.dates),
        None => Err(forecast.no_date.clone().unwrap_or_default()),
    }
}

/// Answers one "what if" against an earlier forecast of the same question.
#[must_use]
pub fn what_if(question: &Question<'_>, forecast: &Forecast, change: Change) -> WhatIf {
    let (mut residents, mut grinder, mut capacity) = (question.residents, question.grinder, question.tank.liquid());
    match change {
        Change::Residents(people) => residents = Some(people),
        Change::Grinder(present) => grinder = present,
        Change::Capacity(volume) => capacity = volume,
    }
    let (dates, no_date) = match dates_for(question, forecast, residents, grinder, capacity) {
        Ok(dates) => (Some(dates), None),
        Err(reason) => (None, Some(reason)),
    };
    WhatIf { change, dates, no_date }
}
