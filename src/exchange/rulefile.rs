//! Rule sets as TOML text: one set per file, those of the program embedded.
//!
//! The form is described in `docs/rules.md`.

use crate::domain::rules::{
    CalendarException, Clause, Confidence, DistanceTable, Finish, HauledWaste, LengthLimit, LengthUnit, Restraint,
    RiserRule, RuleSet, Sense, ShareLimit, Test,
};
use crate::domain::units::{MM_PER_INCH, Volume};
use crate::domain::waste::{Condition, WasteField};
use chrono::NaiveDate;
use serde::Deserialize;
use std::fmt;
use std::ops::Range;
use toml::Spanned;

/// Why a rule file was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {reason}")]
pub struct ReadRuleError {
    /// Line in the file, counted from 1.
    pub line: usize,
    /// What is wrong and what was expected.
    pub reason: String,
}

/// Id of the rule set for people with no local rule.
pub const GENERAL: &str = "general";

/// The embedded files, in the order they are listed.
const EMBEDDED: [&str; 18] = [
    include_str!("rulesets/general.toml"),
    include_str!("rulesets/epa-septicsmart.toml"),
    include_str!("rulesets/usphs-526.toml"),
    include_str!("rulesets/mn-7080.2450.toml"),
    include_str!("rulesets/mn-north-st-paul.toml"),
    include_str!("rulesets/ma-310-cmr-15.351.toml"),
    include_str!("rulesets/ne-title-124.toml"),
    include_str!("rulesets/wi-kenosha-15.06.030.toml"),
    include_str!("rulesets/nh-env-wq-1023.01.toml"),
    include_str!("rulesets/ca-el-dorado.toml"),
    include_str!("rulesets/oh-pepper-pike-1044.10.toml"),
    include_str!("rulesets/oh-orange-915.10.toml"),
    include_str!("rulesets/tx-285.38.toml"),
    include_str!("rulesets/nc-130a-335.1.toml"),
    include_str!("rulesets/ie-epa.toml"),
    include_str!("rulesets/au-sa-wattle-range.toml"),
    include_str!("rulesets/au-sa-mount-barker.toml"),
    include_str!("rulesets/au-nt.toml"),
];

/// Returns the rule sets of the program, `general` first.
///
/// # Errors
///
/// Never in a released program: the tests read every embedded file.
pub fn embedded() -> Result<Vec<RuleSet>, ReadRuleError> {
    EMBEDDED.iter().map(|text| parse(text)).collect()
}

/// Reads rule files of one's own, each its name and its text.
///
/// A file that cannot be used does not keep the others from being read.
///
/// * returns: the sets, and one line for each file that was refused: which, where and why
#[must_use]
pub fn read_own(files: impl IntoIterator<Item = (String, std::io::Result<String>)>) -> (Vec<RuleSet>, Vec<String>) {
    let (mut own, mut refused) = (Vec::new(), Vec::new());
    for (name, text) in files {
        match text.map(|text| parse(&text)) {
            Ok(Ok(set)) => own.push(set),
            Ok(Err(error)) => refused.push(format!("{name}: {error}")),
            Err(error) => refused.push(format!("{name}: {error}")),
        }
    }
    (own, refused)
}

/// Joins the rule sets of the program with one's own: one's own takes the place of another of the same id.
#[must_use]
pub fn with_bundled(own: Vec<RuleSet>) -> Vec<RuleSet> {
    // The tests read every bundled file: there is no program in which this fails.
    let mut sets = embedded().unwrap_or_default();
    for set in own {
        sets.retain(|known| known.id != set.id);
        sets.push(set);
    }
    sets
}

/// The largest rule file that is read, bytes. The largest of ours has two kilobytes.
pub const MOST_BYTES: usize = 64 * 1024;

/// Reads one rule set.
///
/// # Errors
///
/// The line and the reason, in plain words.
pub fn parse(text: &str) -> Result<RuleSet, ReadRuleError> {
    if text.len() > MOST_BYTES {
        return Err(ReadRuleError {
            line: 1,
            reason: format!("the file is larger than {} kB", MOST_BYTES / 1024),
        });
    }
    let file: FileSet = toml::from_str(text).map_err(|error| {
        let at = error.span().map_or(0, |span| span.start);
        ReadRuleError {
            line: line_of(text, at),
            reason: error.message().to_owned(),
        }
    })?;
    file.into_rule_set().map_err(|problem| ReadRuleError {
        line: line_of(text, problem.at),
        reason: problem.reason,
    })
}

fn line_of(text: &str, at: usize) -> usize {
    text.bytes().take(at).filter(|byte| *byte == b'\n').count() + 1
}

/// What is wrong, and at which byte of the file.
struct Problem {
    at: usize,
    reason: String,
}

fn problem<T>(span: &Range<usize>, reason: impl Into<String>) -> Result<T, Problem> {
    Err(Problem {
        at: span.start,
        reason: reason.into(),
    })
}

type Text = Spanned<String>;
type Number = Spanned<f64>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileSet {
    id: Text,
    name: Text,
    jurisdiction: String,
    section: String,
    effective: Option<Spanned<toml::value::Datetime>>,
    source: String,
    confidence: Text,
    max_interval_years: Option<Number>,
    inspect_every_years: Option<Number>,
    inspect_every_years_with_grinder: Option<Number>,
    recheck_years: Option<Number>,
    forecast_volume_fraction: Option<Text>,
    #[serde(default)]
    notes: Vec<String>,
    #[serde(default)]
    clause: Vec<Spanned<FileClause>>,
    #[serde(default)]
    riser: Vec<Spanned<FileRiser>>,
    hauled_waste: Option<FileWaste>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileWaste {
    source: String,
    confidence: Text,
    #[serde(default)]
    required: Vec<Text>,
    #[serde(default)]
    required_without_address: Vec<Text>,
    #[serde(default)]
    required_if_amounts_differ: Vec<Text>,
    #[serde(default)]
    required_if_land_applied: Vec<Text>,
    #[serde(default)]
    required_if_not_by_maintenance_hole: Vec<Text>,
    #[serde(default)]
    from_memory: Vec<Text>,
    retention_years: Option<Spanned<u32>>,
    report_within_days: Option<Spanned<u32>>,
    #[serde(default)]
    notes: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileClause {
    id: Text,
    words: String,
    kind: Text,
    sense: Text,
    fraction: Option<Text>,
    limit_in: Option<Number>,
    limit_mm: Option<Number>,
    years: Option<Number>,
    unless: Option<FileException>,
    depths_in: Option<Spanned<Vec<f64>>>,
    capacities_gal: Option<Spanned<Vec<f64>>>,
    distances_in: Option<Spanned<Vec<Vec<f64>>>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileException {
    years: Number,
    residents_at_most: Option<Number>,
    capacity_at_least_gal: Option<Number>,
    #[serde(default)]
    no_grinder: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FileRiser {
    id: Text,
    words: String,
    source: String,
    confidence: Text,
    permitted_from: Option<Spanned<toml::value::Datetime>>,
    permitted_before: Option<Spanned<toml::value::Datetime>>,
    #[serde(default)]
    new_work_only: bool,
    deeper_than_in: Option<Number>,
    finish_above_at_least_in: Option<Number>,
    finish_below_at_most_in: Option<Number>,
    restraint: Option<Text>,
    opening_wider_than_in: Option<Number>,
}

impl FileSet {
    fn into_rule_set(self) -> Result<RuleSet, Problem> {
        let id = short_name(&self.id)?;
        if self.name.get_ref().trim().is_empty() {
            return problem(&self.name.span(), "`name` must not be empty");
        }
        let mut clauses: Vec<Clause> = Vec::new();
        for clause in self.clause {
            let span = clause.span();
            let clause = clause.into_inner().into_clause(&span)?;
            if clauses.iter().any(|other| other.id == clause.id) {
                return problem(
                    &span,
                    format!("there is already a clause `{}`; give each its own id", clause.id),
                );
            }
            clauses.push(clause);
        }
        let mut riser_rules = Vec::new();
        for riser in self.riser {
            riser_rules.push(riser.into_inner().into_rule()?);
        }
        Ok(RuleSet {
            id,
            name: self.name.into_inner(),
            jurisdiction: self.jurisdiction,
            section: self.section,
            effective: self.effective.map(|day| date("effective", &day)).transpose()?,
            source: self.source,
            confidence: confidence(&self.confidence)?,
            clauses,
            max_interval_years: years("max_interval_years", self.max_interval_years)?,
            inspect_every_years: years("inspect_every_years", self.inspect_every_years)?,
            inspect_every_years_with_grinder: years(
                "inspect_every_years_with_grinder",
                self.inspect_every_years_with_grinder,
            )?,
            recheck_years: years("recheck_years", self.recheck_years)?,
            forecast_volume_fraction: self
                .forecast_volume_fraction
                .map(|text| fraction("forecast_volume_fraction", &text).map(|share| share.value))
                .transpose()?,
            riser_rules,
            hauled_waste: self.hauled_waste.map(FileWaste::into_rule).transpose()?,
            notes: self.notes,
        })
    }
}

impl FileWaste {
    fn into_rule(self) -> Result<HauledWaste, Problem> {
        let mut required: Vec<(WasteField, Condition)> = Vec::new();
        let lists = [
            (&self.required, Condition::Always),
            (&self.required_without_address, Condition::WithoutAddress),
            (&self.required_if_amounts_differ, Condition::AmountsDiffer),
            (&self.required_if_land_applied, Condition::LandApplied),
            (
                &self.required_if_not_by_maintenance_hole,
                Condition::NotByMaintenanceHole,
            ),
        ];
        for (list, condition) in lists {
            for text in list {
                let field = waste_field(text)?;
                if required.iter().any(|(known, _)| *known == field) {
                    return problem(&text.span(), format!("`{}` is listed twice", field.word()));
                }
                required.push((field, condition));
            }
        }
        let mut from_memory = Vec::new();
        for text in &self.from_memory {
            let field = waste_field(text)?;
            if !required.iter().any(|(known, _)| *known == field) {
                return problem(&text.span(), "`from_memory` names a field that is not required");
            }
            from_memory.push(field);
        }
        let bounded = |name: &str, number: Option<Spanned<u32>>, most: u32| match number {
            Some(number) if *number.get_ref() == 0 || *number.get_ref() > most => {
                problem(&number.span(), format!("`{name}` must be 1 to {most}"))
            }
            other => Ok(other.map(Spanned::into_inner)),
        };
        Ok(HauledWaste {
            source: self.source,
            confidence: confidence(&self.confidence)?,
            required,
            from_memory,
            retention_years: bounded("retention_years", self.retention_years, 100)?,
            report_within_days: bounded("report_within_days", self.report_within_days, 3_660)?,
            notes: self.notes,
        })
    }
}

fn waste_field(text: &Text) -> Result<WasteField, Problem> {
    WasteField::from_word(text.get_ref()).map_or_else(
        || {
            let known = WasteField::ALL.iter().map(|field| field.word()).collect::<Vec<_>>();
            problem(
                &text.span(),
                format!(
                    "`{}` is no field of the record; known are {}",
                    text.get_ref(),
                    known.join(", ")
                ),
            )
        },
        Ok,
    )
}

impl FileClause {
    fn into_clause(self, span: &Range<usize>) -> Result<Clause, Problem> {
        let sense = match self.sense.get_ref().as_str() {
            "at" => Sense::At,
            "past" => Sense::Past,
            _ => return problem(&self.sense.span(), "`sense` must be \"at\" or \"past\""),
        };
        let kind = self.kind.get_ref().clone();
        let allowed: &[&str] = match kind.as_str() {
            "volume_fraction" | "depth_fraction" => &["fraction"],
            "sludge_clearance" | "scum_clearance" | "scum_top_clearance" => &["limit_in", "limit_mm"],
            "sludge_distance_table" => &["depths_in", "capacities_gal", "distances_in"],
            "calendar" => &["years", "unless"],
            _ => {
                return problem(
                    &self.kind.span(),
                    "`kind` must be one of \"volume_fraction\", \"depth_fraction\", \"sludge_clearance\", \"scum_clearance\", \"scum_top_clearance\", \"sludge_distance_table\", \"calendar\"",
                );
            }
        };
        let given = [
            ("fraction", self.fraction.as_ref().map(Spanned::span)),
            ("limit_in", self.limit_in.as_ref().map(Spanned::span)),
            ("limit_mm", self.limit_mm.as_ref().map(Spanned::span)),
            ("years", self.years.as_ref().map(Spanned::span)),
            ("unless", self.unless.as_ref().map(|unless| unless.years.span())),
            ("depths_in", self.depths_in.as_ref().map(Spanned::span)),
            ("capacities_gal", self.capacities_gal.as_ref().map(Spanned::span)),
            ("distances_in", self.distances_in.as_ref().map(Spanned::span)),
        ];
        for (name, at) in given {
            if let Some(at) = at.filter(|_| !allowed.contains(&name)) {
                return problem(&at, format!("`{name}` does not belong to a `{kind}` clause"));
            }
        }
        let needs = |what: &str| problem(span, format!("a `{kind}` clause needs {what}"));
        let test = match kind.as_str() {
            "volume_fraction" | "depth_fraction" => {
                let Some(text) = &self.fraction else {
                    return needs("`fraction`");
                };
                let share = fraction("fraction", text)?;
                if kind == "volume_fraction" {
                    Test::VolumeFraction(share)
                } else {
                    Test::DepthFraction(share)
                }
            }
            "calendar" => {
                let Some(calendar) = years("years", self.years)? else {
                    return needs("`years`");
                };
                Test::Calendar {
                    years: calendar,
                    unless: self.unless.map(exception).transpose()?,
                }
            }
            "sludge_distance_table" => {
                let (Some(depths), Some(capacities), Some(distances)) =
                    (&self.depths_in, &self.capacities_gal, &self.distances_in)
                else {
                    return needs("`depths_in`, `capacities_gal` and `distances_in`");
                };
                Test::SludgeDistanceTable(table(depths, capacities, distances)?)
            }
            _ => {
                let limit = match (self.limit_in, self.limit_mm) {
                    (Some(limit), None) => length("limit_in", &limit, LengthUnit::Inch)?,
                    (None, Some(limit)) => length("limit_mm", &limit, LengthUnit::Millimetre)?,
                    _ => return needs("either `limit_in` or `limit_mm`"),
                };
                match kind.as_str() {
                    "sludge_clearance" => Test::SludgeClearance(limit),
                    "scum_clearance" => Test::ScumClearance(limit),
                    _ => Test::ScumTopClearance(limit),
                }
            }
        };
        Ok(Clause {
            id: short_name(&self.id)?,
            words: self.words,
            test,
            sense,
        })
    }
}

impl FileRiser {
    fn into_rule(self) -> Result<RiserRule, Problem> {
        let inches = |name, number: &Option<Number>| {
            number
                .as_ref()
                .map(|number| length(name, number, LengthUnit::Inch))
                .transpose()
        };
        let finish = match (&self.finish_above_at_least_in, &self.finish_below_at_most_in) {
            (Some(limit), None) => Some(Finish::AboveAtLeast(length(
                "finish_above_at_least_in",
                limit,
                LengthUnit::Inch,
            )?)),
            (None, Some(limit)) => Some(Finish::BelowAtMost(length(
                "finish_below_at_most_in",
                limit,
                LengthUnit::Inch,
            )?)),
            (None, None) => None,
            (Some(_), Some(limit)) => {
                return problem(
                    &limit.span(),
                    "give either `finish_above_at_least_in` or `finish_below_at_most_in`, not both",
                );
            }
        };
        let restraint = match &self.restraint {
            None => None,
            Some(text) => Some(match text.get_ref().as_str() {
                "lock_or_weight" => Restraint::LockOrWeight,
                "lock_and_label" => Restraint::LockAndLabel,
                "lock" => Restraint::Lock,
                "second_barrier" => Restraint::SecondBarrier,
                _ => {
                    return problem(
                        &text.span(),
                        "`restraint` must be \"lock_or_weight\", \"lock_and_label\", \"lock\" or \"second_barrier\"",
                    );
                }
            }),
        };
        Ok(RiserRule {
            id: short_name(&self.id)?,
            words: self.words,
            source: self.source,
            confidence: confidence(&self.confidence)?,
            permitted_from: self
                .permitted_from
                .map(|day| date("permitted_from", &day))
                .transpose()?,
            permitted_before: self
                .permitted_before
                .map(|day| date("permitted_before", &day))
                .transpose()?,
            new_work_only: self.new_work_only,
            deeper_than: inches("deeper_than_in", &self.deeper_than_in)?,
            finish,
            restraint,
            opening_wider_than: inches("opening_wider_than_in", &self.opening_wider_than_in)?,
        })
    }
}

fn short_name(text: &Text) -> Result<String, Problem> {
    let name = text.get_ref();
    let fits = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || b".-_".contains(&byte);
    if name.is_empty() || name.len() > 60 || !name.bytes().all(fits) {
        return problem(&text.span(), "`id` must be 1 to 60 of a-z, 0-9, `.`, `-`, `_`");
    }
    Ok(name.clone())
}

fn confidence(text: &Text) -> Result<Confidence, Problem> {
    Ok(match text.get_ref().as_str() {
        "verified" => Confidence::Verified,
        "secondary" => Confidence::Secondary,
        "memory" => Confidence::Memory,
        "common practice" => Confidence::CommonPractice,
        "user" => Confidence::User,
        _ => {
            return problem(
                &text.span(),
                "`confidence` must be \"verified\", \"secondary\", \"memory\", \"common practice\" or \"user\"",
            );
        }
    })
}

fn date(name: &str, day: &Spanned<toml::value::Datetime>) -> Result<NaiveDate, Problem> {
    let found = match day.get_ref() {
        toml::value::Datetime {
            date: Some(date),
            time: None,
            offset: None,
        } => NaiveDate::from_ymd_opt(i32::from(date.year), u32::from(date.month), u32::from(date.day)),
        _ => None,
    };
    found.map_or_else(
        || problem(&day.span(), format!("`{name}` must be a date like 2023-09-01")),
        Ok,
    )
}

fn years(name: &str, number: Option<Number>) -> Result<Option<f64>, Problem> {
    let Some(number) = number else { return Ok(None) };
    let years = *number.get_ref();
    if years > 0.0 && years <= 100.0 {
        Ok(Some(years))
    } else {
        problem(
            &number.span(),
            format!("`{name}` must be more than 0 and at most 100 years"),
        )
    }
}

fn length(name: &str, number: &Number, unit: LengthUnit) -> Result<LengthLimit, Problem> {
    let value = *number.get_ref();
    let limit = LengthLimit { value, unit };
    if value >= 0.0 && limit.mm() <= 10_000.0 {
        Ok(limit)
    } else {
        problem(&number.span(), format!("`{name}` must lie between 0 and 10 m"))
    }
}

/// A share written as "1/3" (exact) or "0.25".
fn fraction(name: &str, text: &Text) -> Result<ShareLimit, Problem> {
    let written = text.get_ref().trim();
    let value = match written.split_once('/') {
        Some((above, below)) => match (above.trim().parse::<u32>(), below.trim().parse::<u32>()) {
            (Ok(above), Ok(below)) if below > 0 => Some(f64::from(above) / f64::from(below)),
            _ => None,
        },
        None => written.parse::<f64>().ok(),
    };
    match value {
        Some(value) if value > 0.0 && value <= 1.0 => Ok(ShareLimit {
            value,
            text: written.to_owned(),
        }),
        _ => problem(
            &text.span(),
            format!("`{name}` must be a share like \"0.25\" or \"1/3\", more than 0 and at most 1"),
        ),
    }
}

fn exception(file: FileException) -> Result<CalendarException, Problem> {
    let at_least_0 = |name, number: Option<Number>| match number {
        None => Ok(None),
        Some(number) if *number.get_ref() >= 0.0 && number.get_ref().is_finite() => Ok(Some(*number.get_ref())),
        Some(number) => problem(&number.span(), format!("`{name}` must not be negative")),
    };
    let span = file.years.span();
    let Some(years) = years("years", Some(file.years))? else {
        return problem(&span, "`unless` needs `years`");
    };
    Ok(CalendarException {
        years,
        residents_at_most: at_least_0("residents_at_most", file.residents_at_most)?,
        capacity_at_least: at_least_0("capacity_at_least_gal", file.capacity_at_least_gal)?
            .map(Volume::from_us_gallons),
        no_grinder: file.no_grinder,
    })
}

fn table(
    depths: &Spanned<Vec<f64>>,
    capacities: &Spanned<Vec<f64>>,
    distances: &Spanned<Vec<Vec<f64>>>,
) -> Result<DistanceTable, Problem> {
    let rising = |marks: &[f64]| {
        !marks.is_empty()
            && marks.iter().all(|mark| mark.is_finite() && *mark > 0.0)
            && marks.windows(2).all(|pair| matches!(pair, [a, b] if a < b))
    };
    if !rising(depths.get_ref()) {
        return problem(&depths.span(), "`depths_in` must be rising numbers above 0");
    }
    if !rising(capacities.get_ref()) {
        return problem(&capacities.span(), "`capacities_gal` must be rising numbers above 0");
    }
    let columns = depths.get_ref().len();
    let rows = distances.get_ref();
    let good = |row: &Vec<f64>| row.len() == columns && row.iter().all(|cell| (0.0..=400.0).contains(cell));
    if rows.len() != capacities.get_ref().len() || !rows.iter().all(good) {
        return problem(
            &distances.span(),
            "`distances_in` must have one row per capacity and one number (0 to 400) per depth",
        );
    }
    Ok(DistanceTable {
        depths_mm: depths.get_ref().iter().map(|inches| inches * MM_PER_INCH).collect(),
        rows: capacities
            .get_ref()
            .iter()
            .zip(rows)
            .map(|(gallons, row)| {
                (
                    Volume::from_us_gallons(*gallons),
                    row.iter().map(|inches| inches * MM_PER_INCH).collect(),
                )
            })
            .collect(),
    })
}

impl fmt::Display for Confidence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Verified => "verified",
            Self::Secondary => "secondary",
            Self::Memory => "memory",
            Self::CommonPractice => "common practice",
            Self::User => "user",
        })
    }
}
