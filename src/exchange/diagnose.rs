//! What the yard, the house and the tank tell, as JSON: signs, fixtures, levels and the leak gauge in; causes, the next
//! look and figures out.
//!
//! Lengths are whole millimetres, volumes litres, times seconds. The contract is `docs/schema/`.

use super::work::{FileTank, MOST_ENTRIES, Mm, People, ReadWorkError, SignedMm, number, objects_only, whole};
use crate::domain::causes::{Band, Cause, Diagnosis, Evidence, NextCheck, Weighed};
use crate::domain::cautions::{self, Caution};
use crate::domain::diagnose::{Facts, Gauged, Report, diagnose};
use crate::domain::flush::{
    BranchState, Came, Carry, Caveat, Change, Comparison, Fixture, FixtureKind, FlushFinding, FlushTest, Group,
    LineCheck, Outcome, Verdict,
};
use crate::domain::leak::{
    self, GaugeFinding, GaugeNote, GaugeRefusal, Mark, average_home_litres_per_day, worst_tenth_litres_per_day,
};
use crate::domain::signs::{Check, Seen, Sign, TankState};
use crate::domain::tank::{MAX_COMPARTMENTS, Tank};
use crate::domain::units::{Length, Offset};
use serde::de::{self, Deserializer, MapAccess, Visitor};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

/// Longest time a fixture's water is waited for, s.
const MOST_FIXTURE_S: i64 = 86_400;

/// Latest time that is read, s from any start: some thirty thousand years, well within what adds without overflow.
const MOST_TIME_S: i64 = 1_000_000_000_000;

/// Largest error of a time that is read, s.
const MOST_TIME_ERROR_S: f64 = 86_400.0;

/// Longest name that is read, letters.
const MOST_NAME: usize = 200;

/// Why a file was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{path}: {reason}")]
pub struct ReadDiagnoseError {
    /// The field, for example `flush_test.fixtures[2].seconds`.
    pub path: String,
    /// What is wrong and what was expected.
    pub reason: String,
}

impl ReadDiagnoseError {
    fn new(path: impl Into<String>, reason: impl Into<String>) -> Self {
        Self {
            path: path.into(),
            reason: reason.into(),
        }
    }
}

impl From<ReadWorkError> for ReadDiagnoseError {
    fn from(error: ReadWorkError) -> Self {
        Self::new(error.path, error.reason)
    }
}

// ---- reading ---------------------------------------------------------------------------------------------------------

/// Reads one word of a closed set.
macro_rules! file_word {
    ($($name:ident = $of:ty, $what:literal;)+) => {$(
        #[derive(Clone, Copy, Debug)]
        struct $name($of);
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let word = String::deserialize(deserializer)?;
                <$of>::from_word(&word).map(Self).ok_or_else(|| {
                    let known: Vec<&str> = <$of>::ALL.iter().map(|each| each.word()).collect();
                    let word: String = word.chars().take(60).collect();
                    de::Error::custom(format!("unknown {} `{word}`, expected one of {}", $what, known.join(", ")))
                })
            }
        }
    )+};
}

file_word! {
    FileSeen = Seen, "state";
    FileKind = FixtureKind, "kind";
    FileTankState = TankState, "tank state";
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum FileResult {
    Came,
    Slow,
    Nothing,
    NotTried,
}

/// Whole seconds a fixture's water took.
#[derive(Clone, Copy, Debug)]
struct FixtureSeconds(u32);

impl<'de> Deserialize<'de> for FixtureSeconds {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let seconds = whole(deserializer, 0, MOST_FIXTURE_S, "whole seconds")?;
        u32::try_from(seconds).map(Self).map_err(de::Error::custom)
    }
}

/// Whole seconds from any start.
#[derive(Clone, Copy, Debug)]
struct At(i64);

impl<'de> Deserialize<'de> for At {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        whole(deserializer, -MOST_TIME_S, MOST_TIME_S, "whole seconds").map(Self)
    }
}

/// Seconds of error.
#[derive(Clone, Copy, Debug)]
struct TimeError(f64);

impl<'de> Deserialize<'de> for TimeError {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        number(deserializer, MOST_TIME_ERROR_S, "seconds").map(Self)
    }
}

/// A compartment, counted from 1.
#[derive(Clone, Copy, Debug)]
struct Place(usize);

impl<'de> Deserialize<'de> for Place {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let most = i64::try_from(MAX_COMPARTMENTS).unwrap_or(i64::MAX);
        let place = whole(deserializer, 1, most, "a compartment")?;
        usize::try_from(place - 1).map(Self).map_err(de::Error::custom)
    }
}

/// The signs of a file: a sign that is named twice is refused, nothing is overwritten in silence.
#[derive(Clone, Debug, Default)]
struct FileSigns(Vec<(Sign, Seen)>);

impl<'de> Deserialize<'de> for FileSigns {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct SignsVisitor;
        impl<'de> Visitor<'de> for SignsVisitor {
            type Value = FileSigns;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object of signs, like {\"runback\": \"present\"}")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<FileSigns, A::Error> {
                let mut named = BTreeSet::new();
                let mut signs = Vec::new();
                while let Some(word) = map.next_key::<String>()? {
                    let Some(sign) = Sign::from_word(&word) else {
                        let known: Vec<&str> = Sign::ALL.iter().map(|sign| sign.word()).collect();
                        let word: String = word.chars().take(60).collect();
                        return Err(de::Error::custom(format!(
                            "unknown sign `{word}`, expected one of {}",
                            known.join(", ")
                        )));
                    };
                    if !named.insert(sign) {
                        return Err(de::Error::custom(format!("`{word}` stands twice")));
                    }
                    signs.push((sign, map.next_value::<FileSeen>()?.0));
                }
                Ok(FileSigns(signs))
            }
        }
        deserializer.deserialize_map(SignsVisitor)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileDiagnose {
    tank: Option<FileTank>,
    residents: Option<People>,
    tank_state: Option<FileTankState>,
    #[serde(default)]
    signs: FileSigns,
    levels: Option<FileLevels>,
    flush_test: Option<FileFlush>,
    flush_test_after: Option<FileFlush>,
    leak_gauge: Option<FileGauge>,
}

#[expect(clippy::struct_field_names, reason = "the names of the JSON contract carry the unit")]
#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileLevels {
    before_pumping_mm: Option<SignedMm>,
    high_water_mark_mm: Option<SignedMm>,
    edge_mm: Option<Mm>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileFlush {
    drawn_down: Option<bool>,
    fixtures: Vec<FileFixture>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileFixture {
    name: String,
    kind: FileKind,
    floor: Option<String>,
    branch: Option<String>,
    result: FileResult,
    seconds: Option<FixtureSeconds>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileGauge {
    compartment: Option<Place>,
    first: FileMark,
    second: FileMark,
    edge_mm: Option<Mm>,
    time_error_s: Option<TimeError>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileMark {
    level_mm: Option<SignedMm>,
    depth_mm: Option<Mm>,
    at_s: At,
    steady_s: Option<At>,
}

objects_only!(FileDiagnose, FileLevels, FileFlush, FileFixture, FileGauge, FileMark);

/// Reads a file.
///
/// # Errors
///
/// The field's path and what was expected there.
pub fn read(text: &str) -> Result<Facts, ReadDiagnoseError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(ReadDiagnoseError::new("file", "it is empty, expected a JSON object"));
    }
    let mut json = serde_json::Deserializer::from_str(text);
    let file: FileDiagnose = serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let path = error.path().to_string();
        let path = if matches!(path.as_str(), "." | "?") {
            "file".to_owned()
        } else {
            path
        };
        ReadDiagnoseError::new(path, error.inner().to_string())
    })?;
    json.end()
        .map_err(|error| ReadDiagnoseError::new("file", format!("something follows the JSON object: {error}")))?;
    file.into_facts()
}

impl FileDiagnose {
    fn into_facts(self) -> Result<Facts, ReadDiagnoseError> {
        let tank = self.tank.map(|tank| tank.into_tank("tank")).transpose()?;
        let flush = self.flush_test.map(|test| test.into_test("flush_test")).transpose()?;
        let flush_after = self
            .flush_test_after
            .map(|test| test.into_test("flush_test_after"))
            .transpose()?;
        if flush_after.is_some() && flush.is_none() {
            return Err(ReadDiagnoseError::new(
                "flush_test",
                "missing field `flush_test`, the test after clearing is compared with it",
            ));
        }
        let gauge = match (self.leak_gauge, &tank) {
            (None, _) => None,
            (Some(gauge), Some(tank)) => Some(gauge.into_gauged(tank)?),
            (Some(_), None) => {
                return Err(ReadDiagnoseError::new(
                    "tank",
                    "missing field `tank`, the leak gauge turns levels into litres by its shape",
                ));
            }
        };
        let levels = self.levels.as_ref();
        Ok(Facts {
            tank,
            residents: self.residents.map(|people| people.0),
            tank_state: self.tank_state.map(|state| state.0),
            signs: self.signs.0,
            level_before: levels.and_then(|levels| levels.before_pumping_mm).map(|mm| mm.0),
            high_water_mark: levels.and_then(|levels| levels.high_water_mark_mm).map(|mm| mm.0),
            level_edge: levels.and_then(|levels| levels.edge_mm).map(|mm| mm.0),
            flush,
            flush_after,
            gauge,
        })
    }
}

impl FileFlush {
    fn into_test(self, path: &str) -> Result<FlushTest, ReadDiagnoseError> {
        if self.fixtures.len() > MOST_ENTRIES {
            return Err(ReadDiagnoseError::new(
                format!("{path}.fixtures"),
                format!("{} entries, at most {MOST_ENTRIES} are read", self.fixtures.len()),
            ));
        }
        let mut names: BTreeMap<String, usize> = BTreeMap::new();
        let mut fixtures = Vec::with_capacity(self.fixtures.len());
        for (place, file) in self.fixtures.into_iter().enumerate() {
            let path = format!("{path}.fixtures[{place}]");
            let fixture = file.into_fixture(&path)?;
            if let Some(first) = names.insert(fixture.name.clone(), place) {
                return Err(ReadDiagnoseError::new(
                    format!("{path}.name"),
                    format!(
                        "`{}` is the name of fixture [{first}] already; give each its own",
                        fixture.name
                    ),
                ));
            }
            fixtures.push(fixture);
        }
        Ok(FlushTest {
            drawn_down: self.drawn_down,
            fixtures,
        })
    }
}

/// A name, trimmed; refused when it is empty or longer than any name.
fn name(text: &str, path: impl FnOnce() -> String) -> Result<String, ReadDiagnoseError> {
    let text = text.trim();
    if text.is_empty() {
        Err(ReadDiagnoseError::new(path(), "it is empty, expected a name"))
    } else if text.chars().nth(MOST_NAME).is_some() {
        Err(ReadDiagnoseError::new(
            path(),
            format!("it is longer than {MOST_NAME} letters"),
        ))
    } else {
        Ok(text.to_owned())
    }
}

impl FileFixture {
    fn into_fixture(self, path: &str) -> Result<Fixture, ReadDiagnoseError> {
        let after_s = self.seconds.map(|seconds| seconds.0);
        let came = match (self.result, after_s) {
            (FileResult::Came, Some(seconds)) => Came::after(seconds),
            (FileResult::Came, None) => Came::Promptly { after_s: None },
            (FileResult::Slow, after_s) => Came::Slowly { after_s },
            (FileResult::Nothing, None) => Came::Nothing,
            (FileResult::NotTried, None) => Came::NotTried,
            (FileResult::Nothing | FileResult::NotTried, Some(_)) => {
                return Err(ReadDiagnoseError::new(
                    format!("{path}.seconds"),
                    "only water that came takes seconds; leave it out, or say `came` or `slow`",
                ));
            }
        };
        let optional =
            |text: Option<String>, field: &str| text.map(|text| name(&text, || format!("{path}.{field}"))).transpose();
        Ok(Fixture {
            name: name(&self.name, || format!("{path}.name"))?,
            kind: self.kind.0,
            floor: optional(self.floor, "floor")?,
            branch: optional(self.branch, "branch")?,
            came,
        })
    }
}

impl FileGauge {
    fn into_gauged(self, tank: &Tank) -> Result<Gauged, ReadDiagnoseError> {
        let place = self.compartment.map(|place| place.0);
        let Some(marked) = tank.compartments.get(place.unwrap_or_default()) else {
            return Err(ReadDiagnoseError::new(
                "leak_gauge.compartment",
                format!("the tank has {} compartments", tank.compartments.len()),
            ));
        };
        let depth = marked.liquid_depth;
        Ok(Gauged {
            compartment: place,
            first: self.first.into_mark("leak_gauge.first", depth)?,
            second: self.second.into_mark("leak_gauge.second", depth)?,
            edge: self.edge_mm.map_or(leak::DEFAULT_EDGE, |mm| mm.0),
            time_error_s: self.time_error_s.map_or(leak::DEFAULT_TIME_ERROR_S, |error| error.0),
        })
    }
}

impl FileMark {
    fn into_mark(self, path: &str, liquid_depth: Length) -> Result<Mark, ReadDiagnoseError> {
        let level = match (self.level_mm, self.depth_mm) {
            (Some(level), None) => level.0,
            (None, Some(depth)) => {
                let mm = i64::from(depth.0.as_mm()) - i64::from(liquid_depth.as_mm());
                let mm = i32::try_from(mm)
                    .map_err(|_| ReadDiagnoseError::new(format!("{path}.depth_mm"), "it is out of range"))?;
                Offset::from_mm(mm)
            }
            _ => {
                return Err(ReadDiagnoseError::new(
                    path,
                    "expected one of `level_mm` (against the outlet) and `depth_mm` (above the bottom)",
                ));
            }
        };
        Ok(Mark {
            level,
            at_s: self.at_s.0,
            steady_s: self.steady_s.map(|at| at.0),
        })
    }
}

// ---- writing ---------------------------------------------------------------------------------------------------------

/// What is to be worded for a person.
#[derive(Clone, Copy, Debug)]
pub enum Said<'a> {
    /// A sign.
    Sign(Sign),
    /// A sign as evidence.
    Evidence(&'a Evidence),
    /// A cause.
    Cause(Cause),
    /// A cause with how sure.
    Finding(&'a Weighed),
    /// What a cause means.
    Means(Cause),
    /// What it costs to wait.
    Waiting(Cause),
    /// What to do, with the reason where someone is sent for.
    Advice(&'a Weighed),
    /// How sure.
    Band(Band),
    /// A look.
    Check(Check),
    /// What stands.
    Summary(&'a Diagnosis),
    /// How far a finding goes.
    Limit,
    /// What a flush test says.
    Verdict(Verdict),
    /// What is wrong with one place.
    BranchState(BranchState),
    /// What makes a flush test thin.
    Caveat(Caveat),
    /// A step on the lines.
    LineCheck(LineCheck),
    /// A tool.
    Carry(Carry),
    /// A kind of fixture.
    FixtureKind(FixtureKind),
    /// How a fixture did the second time.
    Change(Change),
    /// What the clearing did.
    Outcome(Outcome),
    /// A measured flow.
    Gauge(&'a GaugeFinding),
    /// Why no flow is given.
    GaugeRefusal(&'a GaugeRefusal),
    /// What to know about a flow.
    GaugeNote(GaugeNote),
    /// A caution.
    Caution(Caution),
}

/// Words what is said.
pub type Say<'a> = &'a dyn Fn(Said<'_>) -> String;

#[derive(Debug, Serialize)]
struct Answer {
    summary: String,
    limit: String,
    causes: Vec<AnswerCause>,
    next_check: Option<AnswerCheck>,
    other_checks: Vec<AnswerCheck>,
    signs: Vec<AnswerSign>,
    tank_state: Option<&'static str>,
    flush: Option<AnswerFlush>,
    flush_after: Option<AnswerFlush>,
    comparison: Option<AnswerComparison>,
    leak_gauge: Option<AnswerGauge>,
    cautions: Vec<AnswerCaution>,
}

#[derive(Debug, Serialize)]
struct AnswerCause {
    cause: &'static str,
    words: String,
    band: &'static str,
    band_words: String,
    chance: f64,
    start_db: i32,
    total_db: i32,
    has_evidence: bool,
    #[serde(rename = "for")]
    speaks_for: Vec<AnswerEvidence>,
    against: Vec<AnswerEvidence>,
    who: &'static str,
    means: String,
    waiting: String,
    advice: String,
    cautions: Vec<&'static str>,
}

#[derive(Debug, Serialize)]
struct AnswerEvidence {
    sign: &'static str,
    seen: &'static str,
    weight_db: i32,
    source: &'static str,
    words: String,
}

#[derive(Debug, Serialize)]
struct AnswerCheck {
    check: &'static str,
    words: String,
    bits: f64,
    about: &'static str,
    signs: Vec<&'static str>,
    cautions: Vec<&'static str>,
}

#[derive(Debug, Serialize)]
struct AnswerSign {
    sign: &'static str,
    seen: &'static str,
    from: &'static str,
    counted: bool,
    words: String,
}

#[derive(Debug, Serialize)]
struct AnswerFlush {
    verdict: &'static str,
    words: String,
    thin: bool,
    tried: usize,
    listed: usize,
    faults: Vec<AnswerFault>,
    caveats: Vec<Coded>,
    next: Vec<AnswerStep>,
    carry: Vec<Coded>,
}

#[derive(Debug, Serialize)]
struct AnswerFault {
    place: String,
    place_is: &'static str,
    state: &'static str,
    words: String,
    fixtures: Vec<String>,
}

#[derive(Debug, Serialize)]
struct AnswerStep {
    code: &'static str,
    words: String,
    cautions: Vec<&'static str>,
}

#[derive(Debug, Serialize)]
struct Coded {
    code: &'static str,
    words: String,
}

#[derive(Debug, Serialize)]
struct AnswerComparison {
    outcome: &'static str,
    words: String,
    fixtures: Vec<AnswerCompared>,
}

#[derive(Debug, Serialize)]
struct AnswerCompared {
    name: String,
    before: &'static str,
    before_s: Option<u32>,
    after: &'static str,
    after_s: Option<u32>,
    change: &'static str,
    words: String,
}

#[derive(Debug, Serialize)]
struct AnswerGauge {
    words: String,
    refused: Option<AnswerRefusal>,
    flow: Option<AnswerFlow>,
    published: AnswerPublished,
}

#[derive(Debug, Serialize)]
struct AnswerRefusal {
    code: &'static str,
    wait_s: Option<u64>,
    most_l_per_day: Option<f64>,
}

#[derive(Debug, Serialize)]
struct AnswerFlow {
    direction: &'static str,
    elapsed_s: u64,
    change_l: f64,
    change_error_l: f64,
    l_per_day: f64,
    error_l_per_day: f64,
    average_home: &'static str,
    worst_tenth: &'static str,
    retention: Option<AnswerRetention>,
    compartments: Vec<usize>,
    notes: Vec<Coded>,
}

#[derive(Debug, Serialize)]
struct AnswerRetention {
    usual_l_per_day: f64,
    before_days: f64,
    after_days: Option<f64>,
    share_of_usual: f64,
}

#[derive(Debug, Serialize)]
struct AnswerPublished {
    average_home_l_per_day: f64,
    worst_tenth_l_per_day: f64,
    source: &'static str,
}

#[derive(Debug, Serialize)]
struct AnswerCaution {
    caution: &'static str,
    words: String,
    source: &'static str,
}

fn words_of(cautions: &[Caution]) -> Vec<&'static str> {
    cautions.iter().map(|caution| caution.word()).collect()
}

impl AnswerEvidence {
    fn new(evidence: Evidence, say: Say<'_>) -> Self {
        Self {
            sign: evidence.sign.word(),
            seen: evidence.seen.word(),
            weight_db: evidence.weight_db,
            source: evidence.source.citation(),
            words: say(Said::Evidence(&evidence)),
        }
    }
}

impl AnswerCause {
    fn new(weighed: &Weighed, say: Say<'_>) -> Self {
        let each = |list: &[Evidence]| list.iter().map(|one| AnswerEvidence::new(*one, say)).collect();
        Self {
            cause: weighed.cause.word(),
            words: say(Said::Cause(weighed.cause)),
            band: weighed.band.word(),
            band_words: say(Said::Band(weighed.band)),
            chance: weighed.chance,
            start_db: weighed.cause.start_db(),
            total_db: weighed.total_db,
            has_evidence: weighed.has_evidence(),
            speaks_for: each(&weighed.speaks_for),
            against: each(&weighed.speaks_against),
            who: weighed.cause.who().word(),
            means: say(Said::Means(weighed.cause)),
            waiting: say(Said::Waiting(weighed.cause)),
            advice: say(Said::Advice(weighed)),
            cautions: words_of(cautions::of_cause(weighed.cause)),
        }
    }
}

impl AnswerCheck {
    fn new(next: &NextCheck, say: Say<'_>) -> Self {
        Self {
            check: next.check.word(),
            words: say(Said::Check(next.check)),
            bits: next.bits,
            about: next.about.word(),
            signs: next.signs.iter().map(|sign| sign.word()).collect(),
            cautions: words_of(cautions::of_check(next.check)),
        }
    }
}

impl AnswerFlush {
    fn new(finding: &FlushFinding, say: Say<'_>) -> Self {
        Self {
            verdict: finding.verdict.word(),
            words: say(Said::Verdict(finding.verdict)),
            thin: finding.is_thin(),
            tried: finding.tried,
            listed: finding.listed,
            faults: finding
                .faults
                .iter()
                .map(|fault| AnswerFault {
                    place: fault.group.name().to_owned(),
                    place_is: match fault.group {
                        Group::Branch(_) => "branch",
                        Group::Floor(_) => "floor",
                        Group::Own(_) => "fixture",
                    },
                    state: fault.state.word(),
                    words: say(Said::BranchState(fault.state)),
                    fixtures: fault.fixtures.clone(),
                })
                .collect(),
            caveats: finding
                .caveats
                .iter()
                .map(|caveat| Coded {
                    code: caveat.word(),
                    words: say(Said::Caveat(*caveat)),
                })
                .collect(),
            next: finding
                .next
                .iter()
                .map(|check| AnswerStep {
                    code: check.word(),
                    words: say(Said::LineCheck(*check)),
                    cautions: words_of(cautions::of_line_check(*check)),
                })
                .collect(),
            carry: finding
                .carry
                .iter()
                .map(|carry| Coded {
                    code: carry.word(),
                    words: say(Said::Carry(*carry)),
                })
                .collect(),
        }
    }
}

const fn came_word(came: Came) -> &'static str {
    match came {
        Came::Promptly { .. } => "came",
        Came::Slowly { .. } => "slow",
        Came::Nothing => "nothing",
        Came::NotTried => "not_tried",
    }
}

impl AnswerComparison {
    fn new(comparison: &Comparison, say: Say<'_>) -> Self {
        Self {
            outcome: comparison.outcome.word(),
            words: say(Said::Outcome(comparison.outcome)),
            fixtures: comparison
                .fixtures
                .iter()
                .map(|each| AnswerCompared {
                    name: each.name.clone(),
                    before: came_word(each.before),
                    before_s: each.before.seconds(),
                    after: came_word(each.after),
                    after_s: each.after.seconds(),
                    change: each.change.word(),
                    words: say(Said::Change(each.change)),
                })
                .collect(),
        }
    }
}

impl AnswerGauge {
    fn new(result: &Result<GaugeFinding, GaugeRefusal>, say: Say<'_>) -> Self {
        let (words, flow, refused) = match result {
            Ok(found) => (say(Said::Gauge(found)), Some(AnswerFlow::new(found, say)), None),
            Err(refusal) => (
                say(Said::GaugeRefusal(refusal)),
                None,
                Some(AnswerRefusal {
                    code: refusal.code(),
                    wait_s: match refusal {
                        GaugeRefusal::WithinError { wait_s, .. } => Some(*wait_s),
                        _ => None,
                    },
                    most_l_per_day: match refusal {
                        GaugeRefusal::WithinError {
                            most_litres_per_day, ..
                        } => Some(*most_litres_per_day),
                        _ => None,
                    },
                }),
            ),
        };
        Self {
            words,
            refused,
            flow,
            published: AnswerPublished {
                average_home_l_per_day: average_home_litres_per_day(),
                worst_tenth_l_per_day: worst_tenth_litres_per_day(),
                source: "EPA WaterSense 2012, nepis P100YTRV: the average home leaks more than 10,000 US gal a year, one in ten 90 US gal a day or more",
            },
        }
    }
}

impl AnswerFlow {
    fn new(found: &GaugeFinding, say: Say<'_>) -> Self {
        Self {
            direction: found.direction.word(),
            elapsed_s: found.elapsed_s,
            change_l: found.change.as_litres(),
            change_error_l: found.change_error.as_litres(),
            l_per_day: found.litres_per_day,
            error_l_per_day: found.error_litres_per_day,
            average_home: found.average_home.word(),
            worst_tenth: found.worst_tenth.word(),
            retention: found.retention.map(|retention| AnswerRetention {
                usual_l_per_day: retention.usual_litres_per_day,
                before_days: retention.before_days,
                after_days: retention.after_days,
                share_of_usual: retention.share_of_usual,
            }),
            compartments: found.counted.iter().map(|place| place + 1).collect(),
            notes: found
                .notes
                .iter()
                .map(|note| Coded {
                    code: note.word(),
                    words: say(Said::GaugeNote(*note)),
                })
                .collect(),
        }
    }
}

/// The cautions of an open lid, and those of every step and standing cause in the report.
fn all_cautions(report: &Report) -> BTreeSet<Caution> {
    let checks = report
        .diagnosis
        .checks
        .first()
        .map(|next| cautions::of_check(next.check));
    let causes = report.diagnosis.standing().map(|each| cautions::of_cause(each.cause));
    let lines = report
        .flush
        .iter()
        .chain(&report.flush_after)
        .flat_map(|finding| finding.next.iter().map(|check| cautions::of_line_check(*check)));
    Caution::AT_AN_OPEN_LID
        .iter()
        .chain(checks.into_iter().chain(causes).chain(lines).flatten())
        .copied()
        .collect()
}

impl Answer {
    fn new(report: &Report, say: Say<'_>) -> Self {
        let mut checks = report.diagnosis.checks.iter().map(|next| AnswerCheck::new(next, say));
        Self {
            summary: say(Said::Summary(&report.diagnosis)),
            limit: say(Said::Limit),
            causes: report
                .diagnosis
                .causes
                .iter()
                .map(|each| AnswerCause::new(each, say))
                .collect(),
            next_check: checks.next(),
            other_checks: checks.collect(),
            signs: report
                .signs
                .known()
                .map(|(sign, seen, origin)| AnswerSign {
                    sign: sign.word(),
                    seen: seen.word(),
                    from: origin.word(),
                    counted: !report.signs.is_superseded(sign),
                    words: say(Said::Sign(sign)),
                })
                .collect(),
            tank_state: report.tank_state.map(TankState::word),
            flush: report.flush.as_ref().map(|finding| AnswerFlush::new(finding, say)),
            flush_after: report
                .flush_after
                .as_ref()
                .map(|finding| AnswerFlush::new(finding, say)),
            comparison: report.comparison.as_ref().map(|both| AnswerComparison::new(both, say)),
            leak_gauge: report.gauge.as_ref().map(|result| AnswerGauge::new(result, say)),
            cautions: all_cautions(report)
                .into_iter()
                .map(|caution| AnswerCaution {
                    caution: caution.word(),
                    words: say(Said::Caution(caution)),
                    source: caution.source(),
                })
                .collect(),
        }
    }
}

/// Answers the facts as JSON text.
///
/// # Errors
///
/// A sign is there by one field and not there by another.
pub fn answer(facts: &Facts, say: Say<'_>) -> Result<String, ReadDiagnoseError> {
    let report = diagnose(facts).map_err(|opposite| {
        let of = |seen: Seen| if seen == Seen::Present { "present" } else { "absent" };
        ReadDiagnoseError::new(
            format!("signs.{}", opposite.sign.word()),
            format!(
                "it is {} by one field and {} by another (a sign, a level, the flush test or the leak gauge); correct one of them",
                of(opposite.was),
                of(opposite.is)
            ),
        )
    })?;
    serde_json::to_string_pretty(&Answer::new(&report, say))
        .map_err(|error| ReadDiagnoseError::new("file", error.to_string()))
}
