//! Everything the program says about one tank.

use super::flags::{Flag, FlagCode, check_heel, check_level, check_reading};
use super::forecast::{self, Cap, Change, Forecast, Question, Split, Stop, WhatIf};
use super::judge::{self, Contents, Decision, Household, Verdict};
use super::reading::{PastVisit, Visit};
use super::riser::{self, Lid, Prices, RiserAdvice};
use super::rules::{Confidence, RuleSet, Test};
use super::tank::Tank;
use super::units::{Volume, round_to_i64};
use chrono::{Months, NaiveDate};

/// Tank sizes on the market, US gallons, for the "what if" (common practice).
const USUAL_SIZES_GAL: [f64; 5] = [1000.0, 1250.0, 1500.0, 2000.0, 2500.0];

/// More people than this are not a household; ask (common practice).
const MANY_RESIDENTS: f64 = 20.0;

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
}

impl WorkInput {
    /// Returns the people the forecast counts with: the visit's, else the site's.
    #[must_use]
    pub fn residents(&self) -> Option<f64> {
        self.visit.residents.or(self.site.residents)
    }

    /// Returns whether the forecast counts with a grinder: the visit's word, else the site's.
    #[must_use]
    pub fn grinder(&self) -> bool {
        self.visit.grinder.unwrap_or(self.site.grinder)
    }

    /// Solids left behind by the pump-out on `day`, when a visit on record pumped on that day; else none.
    fn heel_of(&self, day: Option<NaiveDate>) -> Volume {
        let visits = self.history.iter().map(|past| &past.visit).chain([&self.visit]);
        visits
            .filter(|visit| visit.pumped && Some(visit.date) == day)
            .find_map(|visit| visit.heel)
            .unwrap_or_default()
    }

    fn stop(&self, visit: &Visit, last_emptied: Option<NaiveDate>) -> Stop {
        let contents = judge::contents(&self.tank, &visit.readings);
        Stop {
            date: visit.date,
            last_emptied,
            solids: contents.solids(),
            solids_error: contents.solids_error(),
            heel: self.heel_of(last_emptied),
            residents: visit.residents.or(self.site.residents),
            grinder: visit.grinder.unwrap_or(self.site.grinder),
        }
    }

    /// Every stop as evidence, oldest first, this visit last.
    fn stops(&self) -> Vec<Stop> {
        let mut past: Vec<&PastVisit> = self.history.iter().collect();
        past.sort_by_key(|past| past.visit.date);
        let past = past.into_iter().map(|past| self.stop(&past.visit, past.last_emptied));
        past.chain([self.stop(&self.visit, self.last_emptied)]).collect()
    }

    /// Where solids lie: as in the last reading that shows it, else as usual.
    fn split(&self) -> Split {
        let mut visits: Vec<&Visit> = self.history.iter().map(|past| &past.visit).collect();
        visits.sort_by_key(|visit| visit.date);
        visits.push(&self.visit);
        visits
            .into_iter()
            .rev()
            .find_map(|visit| Split::of(&judge::contents(&self.tank, &visit.readings)))
            .unwrap_or_else(|| Split::usual(self.tank.compartments.len()))
    }

    /// Returns the question the forecast answers.
    #[must_use]
    pub fn question<'a>(&'a self, rule_set: &'a RuleSet) -> Question<'a> {
        let (start, heel) = if self.visit.pumped {
            (Some(self.visit.date), self.visit.heel.unwrap_or_default())
        } else {
            (self.last_emptied, self.heel_of(self.last_emptied))
        };
        Question {
            tank: &self.tank,
            outlet_devices: self
                .tank
                .compartments
                .iter()
                .enumerate()
                .map(|(place, compartment)| {
                    self.visit
                        .readings
                        .get(place)
                        .and_then(|reading| reading.outlet_device)
                        .or(compartment.outlet_device)
                })
                .collect(),
            rule_set,
            posterior: forecast::learn(&self.stops()),
            start,
            today: self.visit.date,
            heel,
            residents: self.residents(),
            grinder: self.grinder(),
            split: self.split(),
        }
    }

    fn household(&self) -> Household {
        let days = self
            .last_emptied
            .map(|emptied| (self.visit.date - emptied).num_days())
            .filter(|days| *days >= 0);
        Household {
            residents: self.residents(),
            grinder: self.grinder(),
            years_since_emptied: days.map(forecast::days_as_years),
        }
    }
}

/// Returns everything the program says about one tank under `rule_set`, and what every set in `all` would say.
#[must_use]
pub fn assess(input: &WorkInput, rule_set: &RuleSet, all: &[RuleSet]) -> Assessment {
    let contents = judge::contents(&input.tank, &input.visit.readings);
    let household = input.household();
    let verdict = judge::judge(&input.tank, &input.visit.readings, household, rule_set);
    let verdicts = all
        .iter()
        .map(|each| judge::judge(&input.tank, &input.visit.readings, household, each))
        .collect();
    let question = input.question(rule_set);
    let forecast = forecast::forecast(&question);
    let capacity = input.tank.liquid();
    let residents = input.residents();
    let years_between_visits = forecast.years.map(|years| years.median);
    Assessment {
        inspect_by: inspect_by(input, rule_set, &verdict),
        published_table_years: residents.and_then(|residents| forecast::published_table_years(capacity, residents)),
        retention_days: residents.and_then(|residents| forecast::retention_days(capacity, residents)),
        risers: input
            .lids
            .iter()
            .map(|lid| {
                riser::advise(
                    lid,
                    &input.site,
                    &rule_set.riser_rules,
                    input.prices.as_ref(),
                    years_between_visits,
                )
            })
            .collect(),
        flags: flags(input, &contents),
        warnings: warnings(input, rule_set, &verdict, &forecast),
        contents,
        verdict,
        verdicts,
        forecast,
    }
}

/// The visit plus the rule set's inspection interval, or the shorter recheck after "not yet".
fn inspect_by(input: &WorkInput, rule_set: &RuleSet, verdict: &Verdict) -> Option<NaiveDate> {
    let usual = rule_set
        .inspect_every_years_with_grinder
        .filter(|_| input.grinder())
        .or(rule_set.inspect_every_years);
    let recheck = rule_set
        .recheck_years
        .filter(|_| verdict.decision == Decision::NotYet && !input.visit.pumped);
    let years = match (usual, recheck) {
        (Some(usual), Some(recheck)) => usual.min(recheck),
        (usual, recheck) => usual.or(recheck)?,
    };
    // Whole months keep the day of the month: three years after 1 May is 1 May.
    let months = u32::try_from(round_to_i64(years * 12.0)?).ok()?;
    input.visit.date.checked_add_months(Months::new(months))
}

fn flags(input: &WorkInput, contents: &Contents) -> Vec<Flag> {
    let mut flags = input.tank.check();
    for (place, reading) in input.visit.readings.iter().enumerate() {
        match input.tank.compartments.get(place) {
            Some(compartment) => flags.extend(check_reading(compartment, reading, place)),
            None => flags.push(Flag::new(
                FlagCode::ReadingWithoutCompartment,
                format!(
                    "Reading {} belongs to no compartment; describe the compartment or leave the reading out.",
                    place + 1
                ),
            )),
        }
    }
    let read = contents
        .compartments
        .iter()
        .filter(|each| each.scum.is_some() || each.sludge.is_some())
        .count();
    if read > 0 && read < contents.compartments.len() {
        for (place, each) in contents.compartments.iter().enumerate() {
            if each.scum.is_none() && each.sludge.is_none() {
                flags.push(Flag::in_compartment(
                    FlagCode::CompartmentNotRead,
                    place,
                    format!("Compartment {} was not read, so the share of solids in the tank is a lower bound; read it too.", place + 1),
                ));
            }
        }
    }
    flags.extend(input.visit.heel.and_then(|heel| check_heel(heel, contents.liquid)));
    if let Some(emptied) = input.last_emptied.filter(|emptied| *emptied > input.visit.date) {
        flags.push(Flag::new(
            FlagCode::VisitBeforeLastEmptied,
            format!(
                "The visit on {} lies before the last pump-out on {emptied}; check both dates.",
                input.visit.date
            ),
        ));
    }
    for past in &input.history {
        let day = past.visit.date;
        if day > input.visit.date {
            flags.push(Flag::new(
                FlagCode::HistoryAfterVisit,
                format!("The earlier visit on {day} lies after this one; check the dates."),
            ));
        }
        if past.last_emptied.is_some_and(|emptied| emptied > day) {
            flags.push(Flag::new(
                FlagCode::VisitBeforeLastEmptied,
                format!("The earlier visit on {day} lies before the pump-out it is counted from; check both dates."),
            ));
        }
        flags.extend(past.visit.heel.and_then(|heel| check_heel(heel, contents.liquid)));
    }
    if input.residents().is_some_and(|residents| residents > MANY_RESIDENTS) {
        flags.push(Flag::new(
            FlagCode::ManyResidents,
            "More people than a household; the method is made for homes, so have a larger system designed and timed by a licensed practitioner.",
        ));
    }
    flags
}

fn warnings(input: &WorkInput, rule_set: &RuleSet, verdict: &Verdict, forecast: &Forecast) -> Vec<Flag> {
    let mut warnings = Vec::new();
    let mut warn = |code, words: String| warnings.push(Flag::new(code, words));
    let (capacity, residents) = (input.tank.liquid(), input.residents());
    if verdict.decision == Decision::Pump && !input.visit.pumped {
        warn(
            FlagCode::PumpNowNotPumped,
            "The rule asks for pumping now; the date below only says when it was expected.".to_owned(),
        );
    }
    if residents.is_some_and(|residents| forecast::is_under_one_day(capacity, residents)) {
        warn(FlagCode::UnderOneDay, forecast.no_date.clone().unwrap_or_default());
    } else if let Some(reason) = &forecast.no_date {
        warn(FlagCode::NoDate, reason.clone());
    }
    if let (Some(limit), Some(_)) = (&forecast.limit, forecast.dates)
        && limit.volume.as_litres() <= forecast.heel.as_litres()
    {
        warn(
            FlagCode::DueAtOnce,
            format!(
                "Due at once: {:.0} L were left behind and the limit is {:.0} L ({}).",
                forecast.heel.as_litres(),
                limit.volume.as_litres(),
                limit.words
            ),
        );
    }
    if forecast.dates.is_some_and(|dates| dates.due < input.visit.date) {
        warn(
            FlagCode::DueInPast,
            "The expected date has passed; pump, or read the tank to see whether it can wait.".to_owned(),
        );
    }
    if forecast.caps.contains(&Cap::UnderSixMonths) {
        warn(FlagCode::UnderSixMonths, Cap::UnderSixMonths.words());
    }
    if residents.is_some_and(|residents| residents <= 0.0) {
        warn(
            FlagCode::NoResidents,
            "Nobody lives here, so nothing fills the tank; the date is the longest interval.".to_owned(),
        );
    }
    if forecast
        .limits
        .iter()
        .any(|limit| limit.clause == forecast::FALLBACK_CLAUSE)
    {
        let share = rule_set
            .forecast_volume_fraction
            .unwrap_or(forecast::FALLBACK_VOLUME_FRACTION);
        warn(
            FlagCode::ForecastFallback,
            format!(
                "These rules give no limit that can be forecast here, so the forecast uses solids at {:.0} % of the volume.",
                share * 100.0
            ),
        );
    }
    warnings.extend(rule_warnings(input, rule_set, verdict));
    for (place, reading) in input
        .visit
        .readings
        .iter()
        .enumerate()
        .take(input.tank.compartments.len())
    {
        warnings.extend(check_level(reading.level, place));
    }
    warnings
}

/// What to say about the rules themselves: clauses not judged, tables left, figures not seen.
fn rule_warnings(input: &WorkInput, rule_set: &RuleSet, verdict: &Verdict) -> Vec<Flag> {
    let mut warnings = Vec::new();
    let mut warn = |code, words: String| warnings.push(Flag::new(code, words));
    let capacity = input.tank.liquid();
    if verdict.decision == Decision::NotYet {
        for clause in verdict.clauses.iter().filter(|clause| !clause.is_measured()) {
            let why = clause.why_not.as_deref().unwrap_or("something is missing");
            warn(
                FlagCode::ClauseNotMeasured,
                format!("Not judged: {} ({why}).", clause.words),
            );
        }
    }
    for clause in &rule_set.clauses {
        if let Test::SludgeDistanceTable(table) = &clause.test {
            for compartment in &input.tank.compartments {
                if judge::table_distance_mm(table, capacity, compartment.liquid_depth.mm())
                    .is_some_and(|(_, inside)| !inside)
                {
                    warn(
                        FlagCode::OutsideTable,
                        "The tank's size or depth lies outside the published sludge table; its nearest edge is used."
                            .to_owned(),
                    );
                }
            }
        }
    }
    match rule_set.confidence {
        Confidence::Verified | Confidence::CommonPractice | Confidence::User => {}
        Confidence::Secondary => warn(
            FlagCode::RuleUnsure,
            "The figures of this rule set were read in a reprint, not in the rule itself; check the rule.".to_owned(),
        ),
        Confidence::Memory => warn(
            FlagCode::RuleUnsure,
            "The figures of this rule set were not checked against any text; check the rule before relying on it."
                .to_owned(),
        ),
    }
    warnings
}

/// What other households and tanks would mean: one person less, one and two more, the other grinder, the next two tank sizes.
///
/// * `forecast`: what [`assess`] has found for the same facts and rule set
#[must_use]
pub fn what_ifs(input: &WorkInput, rule_set: &RuleSet, forecast: &Forecast) -> Vec<WhatIf> {
    let question = &input.question(rule_set);
    let mut changes = Vec::new();
    if let Some(residents) = question.residents {
        changes.extend(
            [-1.0, 1.0, 2.0]
                .map(|more| residents + more)
                .into_iter()
                .filter(|residents| *residents > 0.0)
                .map(Change::Residents),
        );
    }
    changes.push(Change::Grinder(!question.grinder));
    let gallons = question.tank.liquid().as_us_gallons();
    // A size within 2 % is the tank itself under its trade name.
    let larger = USUAL_SIZES_GAL
        .into_iter()
        .filter(|size| *size > gallons * 1.02)
        .take(2);
    changes.extend(larger.map(|size| Change::Capacity(Volume::from_us_gallons(size))));
    changes
        .into_iter()
        .map(|change| forecast::what_if(question, forecast, change))
        .collect()
}
