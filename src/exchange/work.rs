//! One tank's work as JSON: the facts in, everything the program says out.
//!
//! All lengths are whole millimetres, all volumes litres, all money whole cents. The contract is `docs/schema/`.

use crate::domain::assess::{Assessment, SiteFacts, WorkInput, assess, what_ifs};
use crate::domain::flags::Flag;
use crate::domain::forecast::{Change, DueDates, FillLimit, WhatIf};
use crate::domain::judge::{ClauseResult, ClauseUnit, Decision, JudgedIn, Verdict};
use crate::domain::reading::{PastVisit, Reading, Visit};
use crate::domain::riser::{Lid, Need, Prices, RiserAdvice};
use crate::domain::rules::{Restraint, RuleSet, Sense};
use crate::domain::tank::{Compartment, DipRow, MAX_COMPARTMENTS, Tank, TankShape};
use crate::domain::units::{Cents, Length, Offset, Volume};
use chrono::{Datelike, NaiveDate};
use serde::de::{self, Deserializer, Visitor};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Longest length that is read: what is longer is not a length at a tank.
const MOST_MM: i64 = 1_000_000;

/// Largest volume that is read, litres.
const MOST_LITRES: f64 = 1.0e9;

/// Most people that are read.
const MOST_RESIDENTS: f64 = 100_000.0;

/// Largest amount of money that is read, cents.
const MOST_CENTS: i64 = 1_000_000_000_000;

/// Years of the calendar that are read.
const YEARS_READ: std::ops::RangeInclusive<i32> = 1900..=2199;

/// Most readings, visits, lids or rows in one list.
pub(super) const MOST_ENTRIES: usize = 10_000;

/// Why a work file was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{path}: {reason}")]
pub struct ReadWorkError {
    /// The field, for example `tank.shape.length_mm`.
    pub path: String,
    /// What is wrong and what was expected.
    pub reason: String,
}

impl ReadWorkError {
    fn new(path: impl Into<String>, reason: impl Into<String>) -> Self {
        Self {
            path: path.into(),
            reason: reason.into(),
        }
    }
}

/// One work file, read.
#[derive(Clone, Debug, PartialEq)]
pub struct Work {
    /// Id of the rule set asked for, `None` for the general one.
    pub rule_set: Option<String>,
    /// The tanks, with their names.
    pub tanks: Vec<(Option<String>, WorkInput)>,
    /// The file used `tanks`, so the answer is a list too.
    pub is_list: bool,
}

/// Reads a work file.
///
/// # Errors
///
/// The field's path and what was expected there.
pub fn read(text: &str) -> Result<Work, ReadWorkError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(ReadWorkError::new("file", "it is empty, expected a JSON object"));
    }
    let mut json = serde_json::Deserializer::from_str(text);
    let file: FileWork = serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let path = error.path().to_string();
        let path = if path == "." { "file".to_owned() } else { path };
        ReadWorkError::new(path, error.inner().to_string())
    })?;
    json.end()
        .map_err(|error| ReadWorkError::new("file", format!("something follows the JSON object: {error}")))?;
    file.into_work()
}

// ---- reading ---------------------------------------------------------------------------------------------------------

/// A number that must be whole and lie within limits, read from `152` or `152.0`.
pub(super) fn whole<'de, D: Deserializer<'de>>(
    deserializer: D,
    least: i64,
    most: i64,
    what: &'static str,
) -> Result<i64, D::Error> {
    struct Whole {
        least: i64,
        most: i64,
        what: &'static str,
    }
    impl Visitor<'_> for Whole {
        type Value = i64;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "{}, {} to {}", self.what, self.least, self.most)
        }
        fn visit_i64<E: de::Error>(self, value: i64) -> Result<i64, E> {
            if (self.least..=self.most).contains(&value) {
                Ok(value)
            } else {
                Err(E::invalid_value(de::Unexpected::Signed(value), &self))
            }
        }
        fn visit_u64<E: de::Error>(self, value: u64) -> Result<i64, E> {
            match i64::try_from(value) {
                Ok(value) => self.visit_i64(value),
                Err(_) => Err(E::invalid_value(de::Unexpected::Unsigned(value), &self)),
            }
        }
        fn visit_f64<E: de::Error>(self, value: f64) -> Result<i64, E> {
            let rounded = crate::domain::units::round_to_i64(value).filter(|_| value.fract().abs() <= 0.0);
            match rounded {
                Some(whole) => self.visit_i64(whole),
                None => Err(E::invalid_value(de::Unexpected::Float(value), &self)),
            }
        }
    }
    deserializer.deserialize_any(Whole { least, most, what })
}

/// A number within limits.
pub(super) fn number<'de, D: Deserializer<'de>>(
    deserializer: D,
    most: f64,
    what: &'static str,
) -> Result<f64, D::Error> {
    struct Number {
        most: f64,
        what: &'static str,
    }
    impl Visitor<'_> for Number {
        type Value = f64;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "{}, 0 to {}", self.what, self.most)
        }
        fn visit_i64<E: de::Error>(self, value: i64) -> Result<f64, E> {
            match u32::try_from(value) {
                Ok(value) => self.visit_f64(f64::from(value)),
                Err(_) => Err(E::invalid_value(de::Unexpected::Signed(value), &self)),
            }
        }
        fn visit_u64<E: de::Error>(self, value: u64) -> Result<f64, E> {
            match u32::try_from(value) {
                Ok(value) => self.visit_f64(f64::from(value)),
                Err(_) => Err(E::invalid_value(de::Unexpected::Unsigned(value), &self)),
            }
        }
        fn visit_f64<E: de::Error>(self, value: f64) -> Result<f64, E> {
            if value >= 0.0 && value <= self.most {
                Ok(value)
            } else {
                Err(E::invalid_value(de::Unexpected::Float(value), &self))
            }
        }
    }
    deserializer.deserialize_any(Number { most, what })
}

/// Whole millimetres.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mm(pub(super) Length);

impl<'de> Deserialize<'de> for Mm {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mm = whole(deserializer, 0, MOST_MM, "whole millimetres")?;
        u32::try_from(mm)
            .map(|mm| Self(Length::from_mm(mm)))
            .map_err(de::Error::custom)
    }
}

/// Whole millimetres against a mark, above is positive.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SignedMm(pub(super) Offset);

impl<'de> Deserialize<'de> for SignedMm {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let mm = whole(deserializer, -MOST_MM, MOST_MM, "whole millimetres")?;
        i32::try_from(mm)
            .map(|mm| Self(Offset::from_mm(mm)))
            .map_err(de::Error::custom)
    }
}

/// Litres.
#[derive(Clone, Copy, Debug)]
struct Litres(Volume);

impl<'de> Deserialize<'de> for Litres {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        number(deserializer, MOST_LITRES, "litres").map(|litres| Self(Volume::from_litres(litres)))
    }
}

/// People, as full-time equivalents.
#[derive(Clone, Copy, Debug)]
pub(super) struct People(pub(super) f64);

impl<'de> Deserialize<'de> for People {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        number(deserializer, MOST_RESIDENTS, "a number of people").map(Self)
    }
}

/// Whole cents.
#[derive(Clone, Copy, Debug, Default)]
struct Money(Cents);

impl<'de> Deserialize<'de> for Money {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        whole(deserializer, 0, MOST_CENTS, "whole cents").map(|cents| Self(Cents(cents)))
    }
}

/// Whole inches of a riser section.
#[derive(Clone, Copy, Debug)]
struct Inches(u32);

impl<'de> Deserialize<'de> for Inches {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let inches = whole(deserializer, 1, 240, "whole inches")?;
        u32::try_from(inches).map(Self).map_err(de::Error::custom)
    }
}

/// A day written like 2026-05-01.
#[derive(Clone, Copy, Debug)]
struct Day(NaiveDate);

impl<'de> Deserialize<'de> for Day {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct DayVisitor;
        impl Visitor<'_> for DayVisitor {
            type Value = Day;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(
                    f,
                    "a date like \"2026-05-01\" between {} and {}",
                    YEARS_READ.start(),
                    YEARS_READ.end()
                )
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Day, E> {
                let day = NaiveDate::parse_from_str(text, "%Y-%m-%d")
                    .ok()
                    .filter(|_| text.len() == 10);
                match day.filter(|day| YEARS_READ.contains(&day.year())) {
                    Some(day) => Ok(Day(day)),
                    None => Err(E::invalid_value(de::Unexpected::Str(text), &self)),
                }
            }
        }
        deserializer.deserialize_str(DayVisitor)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileWork {
    rule_set: Option<String>,
    #[serde(default)]
    site: FileSite,
    tank: Option<FileTank>,
    last_emptied: Option<Day>,
    visit: Option<FileVisit>,
    #[serde(default)]
    history: Vec<FileVisit>,
    #[serde(default)]
    lids: Vec<FileLid>,
    prices: Option<FilePrices>,
    tanks: Option<Vec<FileOneTank>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileOneTank {
    name: Option<String>,
    tank: FileTank,
    last_emptied: Option<Day>,
    visit: FileVisit,
    #[serde(default)]
    history: Vec<FileVisit>,
    #[serde(default)]
    lids: Vec<FileLid>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileSite {
    residents: Option<People>,
    #[serde(default)]
    grinder: bool,
    permit_date: Option<Day>,
    #[serde(default)]
    new_work: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
pub(super) struct FileTank {
    name: Option<String>,
    shape: Option<FileShape>,
    liquid_depth_mm: Option<Mm>,
    air_space_mm: Option<Mm>,
    outlet_device_mm: Option<Mm>,
    outlet_top_mm: Option<Mm>,
    compartments: Option<Vec<FileCompartment>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileCompartment {
    shape: FileShape,
    liquid_depth_mm: Option<Mm>,
    air_space_mm: Option<Mm>,
    outlet_device_mm: Option<Mm>,
    outlet_top_mm: Option<Mm>,
}

#[derive(Clone, Copy, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
enum FileKind {
    Box,
    UprightCylinder,
    LevelCylinder,
    ObroundPlan,
    ObroundSection,
    EllipseSection,
    DipTable,
    Nominal,
}

impl FileKind {
    const fn as_str(self) -> &'static str {
        match self {
            Self::Box => "box",
            Self::UprightCylinder => "upright_cylinder",
            Self::LevelCylinder => "level_cylinder",
            Self::ObroundPlan => "obround_plan",
            Self::ObroundSection => "obround_section",
            Self::EllipseSection => "ellipse_section",
            Self::DipTable => "dip_table",
            Self::Nominal => "nominal",
        }
    }
}

/// Flat instead of one variant per kind, so that a wrong number is reported with its own path.
#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileShape {
    kind: FileKind,
    length_mm: Option<Mm>,
    width_mm: Option<Mm>,
    diameter_mm: Option<Mm>,
    radius_mm: Option<Mm>,
    straight_mm: Option<Mm>,
    height_mm: Option<Mm>,
    rows: Option<Vec<(Mm, Litres)>>,
    litres: Option<Litres>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileVisit {
    date: Day,
    last_emptied: Option<Day>,
    residents: Option<People>,
    grinder: Option<bool>,
    #[serde(default)]
    pumped: bool,
    heel_l: Option<Litres>,
    level_mm: Option<SignedMm>,
    scum_mm: Option<Mm>,
    sludge_mm: Option<Mm>,
    sludge_probes_mm: Option<Vec<Mm>>,
    edge_mm: Option<Mm>,
    outlet_device_mm: Option<Mm>,
    scum_top_mm: Option<SignedMm>,
    compartments: Option<Vec<FileReading>>,
}

#[expect(clippy::struct_field_names, reason = "the names of the JSON contract carry the unit")]
#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileReading {
    level_mm: Option<SignedMm>,
    scum_mm: Option<Mm>,
    sludge_mm: Option<Mm>,
    sludge_probes_mm: Option<Vec<Mm>>,
    edge_mm: Option<Mm>,
    outlet_device_mm: Option<Mm>,
    scum_top_mm: Option<SignedMm>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileLid {
    name: String,
    cover_mm: SignedMm,
    opening_mm: Option<Mm>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FilePrices {
    dig_cents: Money,
    #[serde(default)]
    fitting_cents: Money,
    sections: Vec<FileSection>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, remote = "Self")]
struct FileSection {
    height_in: Inches,
    cents: Money,
}

/// Reads these from JSON objects only: serde would also take a list of the fields in order.
macro_rules! objects_only {
    ($($name:ident),+ $(,)?) => {$(
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                struct ObjectVisitor;
                impl<'de> Visitor<'de> for ObjectVisitor {
                    type Value = $name;
                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        f.write_str("a JSON object")
                    }
                    fn visit_map<A: de::MapAccess<'de>>(self, map: A) -> Result<$name, A::Error> {
                        // The function derived with `remote`, not the trait's.
                        $name::deserialize(de::value::MapAccessDeserializer::new(map))
                    }
                }
                deserializer.deserialize_map(ObjectVisitor)
            }
        }
    )+};
}

pub(super) use objects_only;

objects_only!(
    FileWork,
    FileOneTank,
    FileSite,
    FileTank,
    FileCompartment,
    FileShape,
    FileVisit,
    FileReading,
    FileLid,
    FilePrices,
    FileSection
);

impl FileWork {
    fn into_work(self) -> Result<Work, ReadWorkError> {
        let site = SiteFacts {
            residents: self.site.residents.map(|people| people.0),
            grinder: self.site.grinder,
            permit_date: self.site.permit_date.map(|day| day.0),
            new_work: self.site.new_work,
        };
        let prices = self.prices.map(|prices| Prices {
            dig: prices.dig_cents.0,
            fitting: prices.fitting_cents.0,
            sections: prices
                .sections
                .iter()
                .map(|section| (section.height_in.0, section.cents.0))
                .collect(),
        });
        let (files, is_list) = if let Some(tanks) = self.tanks {
            let beside = [
                ("tank", self.tank.is_some()),
                ("visit", self.visit.is_some()),
                ("last_emptied", self.last_emptied.is_some()),
                ("history", !self.history.is_empty()),
                ("lids", !self.lids.is_empty()),
            ];
            if let Some((name, _)) = beside.iter().find(|(_, given)| *given) {
                return Err(ReadWorkError::new(
                    *name,
                    "with `tanks` this belongs into each tank of the list",
                ));
            }
            if tanks.is_empty() || tanks.len() > MOST_ENTRIES {
                return Err(ReadWorkError::new(
                    "tanks",
                    format!("expected 1 to {MOST_ENTRIES} tanks"),
                ));
            }
            (tanks, true)
        } else {
            let missing = |field: &str| ReadWorkError::new(field, format!("missing field `{field}`"));
            let tank = self.tank.ok_or_else(|| missing("tank"))?;
            let visit = self.visit.ok_or_else(|| missing("visit"))?;
            let (last_emptied, history, lids) = (self.last_emptied, self.history, self.lids);
            (
                vec![FileOneTank {
                    name: None,
                    tank,
                    last_emptied,
                    visit,
                    history,
                    lids,
                }],
                false,
            )
        };
        let tanks = files
            .into_iter()
            .enumerate()
            .map(|(place, file)| {
                let prefix = if is_list {
                    format!("tanks[{place}].")
                } else {
                    String::new()
                };
                file.into_input(&site, prices.as_ref(), &prefix)
            })
            .collect::<Result<_, _>>()?;
        Ok(Work {
            rule_set: self.rule_set,
            tanks,
            is_list,
        })
    }
}

impl FileOneTank {
    fn into_input(
        self,
        site: &SiteFacts,
        prices: Option<&Prices>,
        prefix: &str,
    ) -> Result<(Option<String>, WorkInput), ReadWorkError> {
        if self.visit.last_emptied.is_some() {
            return Err(ReadWorkError::new(
                format!("{prefix}visit.last_emptied"),
                "this belongs beside `visit`, not into it; only earlier visits carry their own",
            ));
        }
        let name = self.name.or_else(|| self.tank.name.clone());
        let tank = self.tank.into_tank(&format!("{prefix}tank"))?;
        let history = self
            .history
            .into_iter()
            .enumerate()
            .map(|(place, file)| {
                let last_emptied = file.last_emptied.map(|day| day.0);
                Ok(PastVisit {
                    visit: file.into_visit(&format!("{prefix}history[{place}]"))?,
                    last_emptied,
                })
            })
            .collect::<Result<_, ReadWorkError>>()?;
        let input = WorkInput {
            site: site.clone(),
            tank,
            last_emptied: self.last_emptied.map(|day| day.0),
            visit: self.visit.into_visit(&format!("{prefix}visit"))?,
            history,
            lids: self
                .lids
                .into_iter()
                .map(|lid| Lid {
                    name: lid.name,
                    cover: lid.cover_mm.0,
                    opening: lid.opening_mm.map(|mm| mm.0),
                })
                .collect(),
            prices: prices.cloned(),
        };
        Ok((name, input))
    }
}

impl FileTank {
    pub(super) fn into_tank(self, path: &str) -> Result<Tank, ReadWorkError> {
        let files = match (self.compartments, self.shape) {
            (Some(compartments), None) => {
                let beside = [
                    ("liquid_depth_mm", self.liquid_depth_mm.is_some()),
                    ("air_space_mm", self.air_space_mm.is_some()),
                    ("outlet_device_mm", self.outlet_device_mm.is_some()),
                    ("outlet_top_mm", self.outlet_top_mm.is_some()),
                ];
                if let Some((name, _)) = beside.iter().find(|(_, given)| *given) {
                    return Err(ReadWorkError::new(
                        format!("{path}.{name}"),
                        "with `compartments` this belongs into each compartment",
                    ));
                }
                if !(1..=MAX_COMPARTMENTS).contains(&compartments.len()) {
                    return Err(ReadWorkError::new(
                        format!("{path}.compartments"),
                        format!("expected 1 to {MAX_COMPARTMENTS} compartments"),
                    ));
                }
                compartments
                    .into_iter()
                    .enumerate()
                    .map(|(place, file)| (format!("{path}.compartments[{place}]"), file))
                    .collect()
            }
            (None, Some(shape)) => vec![(
                path.to_owned(),
                FileCompartment {
                    shape,
                    liquid_depth_mm: self.liquid_depth_mm,
                    air_space_mm: self.air_space_mm,
                    outlet_device_mm: self.outlet_device_mm,
                    outlet_top_mm: self.outlet_top_mm,
                },
            )],
            (Some(_), Some(_)) => {
                return Err(ReadWorkError::new(
                    format!("{path}.shape"),
                    "give either `shape` or `compartments`, not both",
                ));
            }
            (None, None) => return Err(ReadWorkError::new(format!("{path}.shape"), "missing field `shape`")),
        };
        let compartments = files
            .into_iter()
            .map(|(path, file)| file.into_compartment(&path))
            .collect::<Result<_, _>>()?;
        Ok(Tank { compartments })
    }
}

impl FileCompartment {
    fn into_compartment(self, path: &str) -> Result<Compartment, ReadWorkError> {
        let is_nominal = self.shape.kind == FileKind::Nominal;
        let liquid_depth = match self.liquid_depth_mm {
            Some(depth) => depth.0,
            // A nominal size says how much the tank holds without it; zero stands for unknown.
            None if is_nominal => Length::ZERO,
            None => {
                return Err(ReadWorkError::new(
                    format!("{path}.liquid_depth_mm"),
                    "missing field `liquid_depth_mm`",
                ));
            }
        };
        Ok(Compartment {
            shape: self.shape.into_shape(&format!("{path}.shape"))?,
            liquid_depth,
            air_space: self.air_space_mm.map(|mm| mm.0),
            outlet_device: self.outlet_device_mm.map(|mm| mm.0),
            outlet_top: self.outlet_top_mm.map(|mm| mm.0),
        })
    }
}

impl FileShape {
    fn into_shape(mut self, path: &str) -> Result<TankShape, ReadWorkError> {
        let kind = self.kind.as_str();
        let missing = |field: &str| {
            ReadWorkError::new(
                format!("{path}.{field}"),
                format!("missing field `{field}`, a `{kind}` needs it"),
            )
        };
        let take = |size: &mut Option<Mm>, field: &str| size.take().map(|mm| mm.0).ok_or_else(|| missing(field));
        let shape = match self.kind {
            FileKind::Box => TankShape::Box {
                length: take(&mut self.length_mm, "length_mm")?,
                width: take(&mut self.width_mm, "width_mm")?,
            },
            FileKind::UprightCylinder => TankShape::UprightCylinder {
                diameter: take(&mut self.diameter_mm, "diameter_mm")?,
            },
            FileKind::LevelCylinder => TankShape::LevelCylinder {
                diameter: take(&mut self.diameter_mm, "diameter_mm")?,
                length: take(&mut self.length_mm, "length_mm")?,
            },
            FileKind::ObroundPlan => TankShape::ObroundPlan {
                length: take(&mut self.length_mm, "length_mm")?,
                width: take(&mut self.width_mm, "width_mm")?,
            },
            FileKind::ObroundSection => TankShape::ObroundSection {
                radius: take(&mut self.radius_mm, "radius_mm")?,
                straight: take(&mut self.straight_mm, "straight_mm")?,
                length: take(&mut self.length_mm, "length_mm")?,
            },
            FileKind::EllipseSection => TankShape::EllipseSection {
                height: take(&mut self.height_mm, "height_mm")?,
                width: take(&mut self.width_mm, "width_mm")?,
                length: take(&mut self.length_mm, "length_mm")?,
            },
            FileKind::DipTable => {
                let rows = self.rows.take().ok_or_else(|| missing("rows"))?;
                if rows.len() > MOST_ENTRIES {
                    return Err(ReadWorkError::new(
                        format!("{path}.rows"),
                        format!("expected at most {MOST_ENTRIES} rows"),
                    ));
                }
                TankShape::DipTable {
                    rows: rows
                        .into_iter()
                        .map(|(depth, litres)| DipRow {
                            depth: depth.0,
                            volume: litres.0,
                        })
                        .collect(),
                }
            }
            FileKind::Nominal => TankShape::Nominal {
                capacity: self.litres.take().ok_or_else(|| missing("litres"))?.0,
            },
        };
        let left = [
            ("length_mm", self.length_mm.is_some()),
            ("width_mm", self.width_mm.is_some()),
            ("diameter_mm", self.diameter_mm.is_some()),
            ("radius_mm", self.radius_mm.is_some()),
            ("straight_mm", self.straight_mm.is_some()),
            ("height_mm", self.height_mm.is_some()),
            ("rows", self.rows.is_some()),
            ("litres", self.litres.is_some()),
        ];
        match left.iter().find(|(_, given)| *given) {
            Some((field, _)) => Err(ReadWorkError::new(
                format!("{path}.{field}"),
                format!("this does not belong to a `{kind}`"),
            )),
            None => Ok(shape),
        }
    }
}

impl FileVisit {
    fn into_visit(self, path: &str) -> Result<Visit, ReadWorkError> {
        let own = FileReading {
            level_mm: self.level_mm,
            scum_mm: self.scum_mm,
            sludge_mm: self.sludge_mm,
            sludge_probes_mm: self.sludge_probes_mm,
            edge_mm: self.edge_mm,
            outlet_device_mm: self.outlet_device_mm,
            scum_top_mm: self.scum_top_mm,
        };
        let files = match self.compartments {
            None => vec![own],
            Some(compartments) => {
                if let Some(field) = own.first_given() {
                    return Err(ReadWorkError::new(
                        format!("{path}.{field}"),
                        "with `compartments` this belongs into each compartment",
                    ));
                }
                if compartments.len() > MAX_COMPARTMENTS {
                    return Err(ReadWorkError::new(
                        format!("{path}.compartments"),
                        format!("expected at most {MAX_COMPARTMENTS} compartments"),
                    ));
                }
                compartments
            }
        };
        if files.iter().any(|file| {
            file.sludge_probes_mm
                .as_ref()
                .is_some_and(|probes| probes.len() > MOST_ENTRIES)
        }) {
            return Err(ReadWorkError::new(
                format!("{path}.sludge_probes_mm"),
                format!("expected at most {MOST_ENTRIES} probes"),
            ));
        }
        Ok(Visit {
            date: self.date.0,
            readings: files.into_iter().map(FileReading::into_reading).collect(),
            pumped: self.pumped,
            heel: self.heel_l.map(|litres| litres.0),
            residents: self.residents.map(|people| people.0),
            grinder: self.grinder,
        })
    }
}

impl FileReading {
    fn first_given(&self) -> Option<&'static str> {
        let given = [
            ("level_mm", self.level_mm.is_some()),
            ("scum_mm", self.scum_mm.is_some()),
            ("sludge_mm", self.sludge_mm.is_some()),
            ("sludge_probes_mm", self.sludge_probes_mm.is_some()),
            ("edge_mm", self.edge_mm.is_some()),
            ("outlet_device_mm", self.outlet_device_mm.is_some()),
            ("scum_top_mm", self.scum_top_mm.is_some()),
        ];
        given.into_iter().find_map(|(name, given)| given.then_some(name))
    }

    fn into_reading(self) -> Reading {
        Reading {
            level: self.level_mm.unwrap_or_default().0,
            scum: self.scum_mm.map(|mm| mm.0),
            sludge: self.sludge_mm.map(|mm| mm.0),
            sludge_probes: self
                .sludge_probes_mm
                .unwrap_or_default()
                .into_iter()
                .map(|mm| mm.0)
                .collect(),
            edge: self.edge_mm.map(|mm| mm.0),
            outlet_device: self.outlet_device_mm.map(|mm| mm.0),
            scum_top: self.scum_top_mm.map(|mm| mm.0),
        }
    }
}

// ---- writing ---------------------------------------------------------------------------------------------------------

/// The answer for one tank. Compartments are counted from 1.
#[derive(Debug, Serialize)]
pub struct Answer {
    #[serde(skip_serializing_if = "Option::is_none")]
    name: Option<String>,
    liquid_l: f64,
    scum_l: Option<f64>,
    sludge_l: Option<f64>,
    solids_fraction_volume: Option<f64>,
    solids_fraction_depth: Option<f64>,
    compartments: Vec<AnswerCompartment>,
    clearances: AnswerClearances,
    verdict: AnswerVerdict,
    rule_sets: Vec<AnswerVerdict>,
    posterior: AnswerPosterior,
    due: Option<NaiveDate>,
    early: Option<NaiveDate>,
    late: Option<NaiveDate>,
    inspect_by: Option<NaiveDate>,
    caps: Vec<AnswerCap>,
    published_table_years: Option<f64>,
    risers: Vec<AnswerRiser>,
    flags: Vec<AnswerFlag>,
    warnings: Vec<AnswerFlag>,
    what_if: Vec<AnswerWhatIf>,
    forecast: AnswerForecast,
}

/// The answer for several tanks.
#[derive(Debug, Serialize)]
pub struct Answers {
    tanks: Vec<Answer>,
}

#[derive(Debug, Serialize)]
struct AnswerCompartment {
    compartment: usize,
    liquid_l: f64,
    scum_l: Option<f64>,
    sludge_l: Option<f64>,
    solids_fraction_volume: Option<f64>,
    solids_fraction_depth: Option<f64>,
    sludge_clearance_mm: Option<f64>,
    scum_clearance_mm: Option<f64>,
    scum_top_clearance_mm: Option<f64>,
}

/// The least of each over the compartments.
#[expect(clippy::struct_field_names, reason = "the names of the JSON contract carry the unit")]
#[derive(Debug, Serialize)]
struct AnswerClearances {
    sludge_mm: Option<f64>,
    scum_mm: Option<f64>,
    scum_top_mm: Option<f64>,
}

#[derive(Debug, Serialize)]
struct AnswerVerdict {
    rule_set: String,
    name: String,
    decision: &'static str,
    clause: Option<String>,
    words: Option<String>,
    margin: Option<f64>,
    unit: Option<&'static str>,
    at_limit: bool,
    clauses: Vec<AnswerClause>,
    note: &'static str,
}

#[derive(Debug, Serialize)]
struct AnswerClause {
    id: String,
    words: String,
    sense: &'static str,
    value: Option<f64>,
    limit: Option<f64>,
    unit: &'static str,
    at_limit: bool,
    met: bool,
    margin: Option<f64>,
    judged_in: &'static str,
    measured: bool,
    compartment: Option<usize>,
    why_not_measured: Option<String>,
}

#[derive(Debug, Serialize)]
struct AnswerPosterior {
    median_k: f64,
    spread: f64,
    spread_of_a_cycle: f64,
    evidence_used: Vec<AnswerEvidence>,
    evidence_not_used: Vec<AnswerNoEvidence>,
}

#[derive(Debug, Serialize)]
struct AnswerEvidence {
    date: NaiveDate,
    years: f64,
    solids_l: f64,
    heel_l: f64,
    k: f64,
    variance: f64,
}

#[derive(Debug, Serialize)]
struct AnswerNoEvidence {
    date: NaiveDate,
    reason: String,
}

#[derive(Debug, Serialize)]
struct AnswerCap {
    code: &'static str,
    words: String,
}

#[derive(Debug, Serialize)]
struct AnswerRiser {
    lid: String,
    cover_mm: i32,
    need: &'static str,
    words: String,
    clause: String,
    source: String,
    depends_on: Vec<String>,
    finish_mm: f64,
    sections_in: Vec<u32>,
    stack_mm: f64,
    excess_mm: f64,
    security: Vec<AnswerSecurity>,
    payback: Option<AnswerPayback>,
    caution: &'static str,
}

#[derive(Debug, Serialize)]
struct AnswerSecurity {
    kind: &'static str,
    words: String,
    source: String,
}

#[derive(Debug, Serialize)]
struct AnswerPayback {
    stack_cents: i64,
    dig_cents: i64,
    visits: Option<u32>,
    years: Option<f64>,
    year: Option<i32>,
}

#[derive(Debug, Serialize)]
struct AnswerFlag {
    code: &'static str,
    compartment: Option<usize>,
    words: String,
}

#[derive(Debug, Serialize)]
struct AnswerWhatIf {
    #[serde(skip_serializing_if = "Option::is_none")]
    residents: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    grinder: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    liquid_l: Option<f64>,
    due: Option<NaiveDate>,
    early: Option<NaiveDate>,
    late: Option<NaiveDate>,
    no_date: Option<String>,
}

#[derive(Debug, Serialize)]
struct AnswerForecast {
    start: Option<NaiveDate>,
    heel_l: f64,
    residents: Option<f64>,
    grinder: bool,
    limit_l: Option<f64>,
    clause: Option<String>,
    words: Option<String>,
    limits: Vec<AnswerLimit>,
    quantiles: Vec<AnswerQuantile>,
    no_date: Option<String>,
    retention_days: Option<f64>,
    curve: Vec<AnswerPoint>,
    at_due: Vec<AnswerLayers>,
}

#[derive(Debug, Serialize)]
struct AnswerLimit {
    clause: String,
    words: String,
    compartment: Option<usize>,
    limit_l: f64,
}

#[derive(Debug, Serialize)]
struct AnswerQuantile {
    q: f64,
    date: NaiveDate,
    years: f64,
    years_before_caps: Option<f64>,
}

#[derive(Debug, Serialize)]
struct AnswerPoint {
    years: f64,
    q25_l: f64,
    q50_l: f64,
    q75_l: f64,
    q90_l: f64,
}

#[derive(Debug, Serialize)]
struct AnswerLayers {
    compartment: usize,
    scum_mm: f64,
    sludge_mm: f64,
}

const LOCAL_CODE: &str = "Local code governs; check it before relying on this.";

const CAUTION: &str = "Never enter or lean into a tank, keep lids shut or guarded, have buried lines marked before digging, and leave riser work to those licensed for it.";

fn litres(volume: Volume) -> f64 {
    volume.as_litres()
}

fn from_one(place: Option<usize>) -> Option<usize> {
    place.map(|place| place + 1)
}

/// Returns the word a decision is written with.
#[must_use]
pub const fn decision_word(decision: Decision) -> &'static str {
    match decision {
        Decision::Pump => "pump",
        Decision::NotYet => "not_yet",
        Decision::NotMeasured => "not_measured",
    }
}

/// Returns the word a riser's need is written with.
#[must_use]
pub const fn need_word(need: Need) -> &'static str {
    match need {
        Need::NotNeeded => "not_needed",
        Need::YourChoice => "your_choice",
        Need::Recommended => "recommended",
        Need::Required => "required",
    }
}

/// Returns the word a sense is written with.
#[must_use]
pub const fn sense_word(sense: Sense) -> &'static str {
    match sense {
        Sense::At => "at",
        Sense::Past => "past",
    }
}

const fn unit_word(unit: ClauseUnit) -> &'static str {
    match unit {
        ClauseUnit::Millimetre => "mm",
        ClauseUnit::Share => "share",
        ClauseUnit::Year => "years",
    }
}

impl AnswerVerdict {
    fn new(verdict: &Verdict) -> Self {
        let binding = verdict.binding_clause();
        Self {
            rule_set: verdict.rule_set.clone(),
            name: verdict.name.clone(),
            decision: decision_word(verdict.decision),
            clause: binding.map(|clause| clause.id.clone()),
            words: binding.map(|clause| clause.words.clone()),
            margin: binding.and_then(|clause| clause.margin),
            unit: binding.map(|clause| unit_word(clause.unit)),
            at_limit: binding.is_some_and(|clause| clause.at_limit),
            clauses: verdict.clauses.iter().map(AnswerClause::new).collect(),
            note: LOCAL_CODE,
        }
    }
}

impl AnswerClause {
    fn new(clause: &ClauseResult) -> Self {
        Self {
            id: clause.id.clone(),
            words: clause.words.clone(),
            sense: sense_word(clause.sense),
            value: clause.value,
            limit: clause.limit,
            unit: unit_word(clause.unit),
            at_limit: clause.at_limit,
            met: clause.met,
            margin: clause.margin,
            judged_in: match clause.judged_in {
                JudgedIn::HalfInches => "half_inches",
                JudgedIn::Millimetres => "mm",
                JudgedIn::Years => "years",
            },
            measured: clause.is_measured(),
            compartment: from_one(clause.compartment),
            why_not_measured: clause.why_not.clone(),
        }
    }
}

impl AnswerRiser {
    fn new(advice: &RiserAdvice, visit: NaiveDate) -> Self {
        Self {
            lid: advice.lid.clone(),
            cover_mm: advice.cover.as_mm(),
            need: need_word(advice.need),
            words: advice.words.clone(),
            clause: advice.clause.clone(),
            source: advice.source.clone(),
            depends_on: advice.depends_on.clone(),
            finish_mm: advice.finish_mm,
            sections_in: advice.sections_in.clone(),
            stack_mm: advice.stack_mm,
            excess_mm: advice.excess_mm,
            security: advice
                .security
                .iter()
                .map(|demand| AnswerSecurity {
                    kind: match demand.restraint {
                        Restraint::LockOrWeight => "lock_or_weight",
                        Restraint::LockAndLabel => "lock_and_label",
                        Restraint::Lock => "lock",
                        Restraint::SecondBarrier => "second_barrier",
                    },
                    words: demand.words.clone(),
                    source: demand.source.clone(),
                })
                .collect(),
            payback: advice.payback.map(|payback| AnswerPayback {
                stack_cents: payback.stack.0,
                dig_cents: payback.dig.0,
                visits: payback.visits,
                years: payback.years,
                year: payback
                    .years
                    .and_then(|years| crate::domain::forecast::date_after(visit, years))
                    .map(|day| day.year()),
            }),
            caution: CAUTION,
        }
    }
}

fn answer_flags(flags: &[Flag]) -> Vec<AnswerFlag> {
    flags
        .iter()
        .map(|flag| AnswerFlag {
            code: flag.code.as_str(),
            compartment: from_one(flag.compartment),
            words: flag.words.clone(),
        })
        .collect()
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

impl AnswerForecast {
    fn new(assessment: &Assessment) -> Self {
        let forecast = &assessment.forecast;
        let limit = forecast.limit.as_ref();
        let quantiles = match (forecast.years, forecast.uncapped, forecast.dates) {
            (Some(years), Some(uncapped), Some(dates)) => [
                (0.25, dates.late, years.late, uncapped.late),
                (0.50, dates.median, years.median, uncapped.median),
                (0.75, dates.due, years.due, uncapped.due),
                (0.90, dates.early, years.early, uncapped.early),
            ]
            .into_iter()
            .map(|(q, date, years, uncapped)| AnswerQuantile {
                q,
                date,
                years,
                years_before_caps: finite(uncapped),
            })
            .collect(),
            _ => Vec::new(),
        };
        Self {
            start: forecast.start,
            heel_l: litres(forecast.heel),
            residents: forecast.residents,
            grinder: forecast.grinder,
            limit_l: limit.map(|limit| litres(limit.volume)),
            clause: limit.map(|limit| limit.clause.clone()),
            words: limit.map(|limit| limit.words.clone()),
            limits: forecast
                .limits
                .iter()
                .map(
                    |FillLimit {
                         clause,
                         words,
                         compartment,
                         volume,
                     }| AnswerLimit {
                        clause: clause.clone(),
                        words: words.clone(),
                        compartment: from_one(*compartment),
                        limit_l: litres(*volume),
                    },
                )
                .collect(),
            quantiles,
            no_date: forecast.no_date.clone(),
            retention_days: assessment.retention_days,
            curve: forecast
                .curve
                .iter()
                .map(|point| AnswerPoint {
                    years: point.years,
                    q25_l: point.q25,
                    q50_l: point.q50,
                    q75_l: point.q75,
                    q90_l: point.q90,
                })
                .collect(),
            at_due: forecast
                .at_due
                .iter()
                .enumerate()
                .map(|(place, layers)| AnswerLayers {
                    compartment: place + 1,
                    scum_mm: layers.scum_mm,
                    sludge_mm: layers.sludge_mm,
                })
                .collect(),
        }
    }
}

impl Answer {
    /// The answer of `assessment`, for a visit on this day, and what other households and tanks would mean.
    #[must_use]
    pub fn new(name: Option<String>, visit: NaiveDate, assessment: &Assessment, what_if: &[WhatIf]) -> Self {
        let contents = &assessment.contents;
        let posterior = &assessment.forecast.posterior;
        let dates = assessment.forecast.dates;
        let least = |distance: fn(&crate::domain::judge::CompartmentContents) -> Option<f64>| {
            contents.compartments.iter().filter_map(distance).min_by(f64::total_cmp)
        };
        Self {
            name,
            liquid_l: litres(contents.liquid),
            scum_l: contents.scum.map(litres),
            sludge_l: contents.sludge.map(litres),
            solids_fraction_volume: contents.fraction_volume,
            solids_fraction_depth: contents.fraction_depth,
            compartments: contents
                .compartments
                .iter()
                .enumerate()
                .map(|(place, each)| AnswerCompartment {
                    compartment: place + 1,
                    liquid_l: litres(each.liquid),
                    scum_l: each.scum.map(litres),
                    sludge_l: each.sludge.map(litres),
                    solids_fraction_volume: each.fraction_volume,
                    solids_fraction_depth: each.fraction_depth,
                    sludge_clearance_mm: each.sludge_clearance_mm,
                    scum_clearance_mm: each.scum_clearance_mm,
                    scum_top_clearance_mm: each.scum_top_clearance_mm,
                })
                .collect(),
            clearances: AnswerClearances {
                sludge_mm: least(|each| each.sludge_clearance_mm),
                scum_mm: least(|each| each.scum_clearance_mm),
                scum_top_mm: least(|each| each.scum_top_clearance_mm),
            },
            verdict: AnswerVerdict::new(&assessment.verdict),
            rule_sets: assessment.verdicts.iter().map(AnswerVerdict::new).collect(),
            posterior: AnswerPosterior {
                median_k: posterior.median_k(),
                spread: posterior.spread,
                spread_of_a_cycle: posterior.spread_of_a_cycle(),
                evidence_used: posterior
                    .used
                    .iter()
                    .map(|each| AnswerEvidence {
                        date: each.date,
                        years: each.years,
                        solids_l: litres(each.solids),
                        heel_l: litres(each.heel),
                        k: each.k,
                        variance: each.variance,
                    })
                    .collect(),
                evidence_not_used: posterior
                    .not_used
                    .iter()
                    .map(|each| AnswerNoEvidence {
                        date: each.date,
                        reason: each.reason.clone(),
                    })
                    .collect(),
            },
            due: dates.map(|dates| dates.due),
            early: dates.map(|dates| dates.early),
            late: dates.map(|dates| dates.late),
            inspect_by: assessment.inspect_by,
            caps: assessment
                .forecast
                .caps
                .iter()
                .map(|cap| AnswerCap {
                    code: cap.code(),
                    words: cap.words(),
                })
                .collect(),
            published_table_years: assessment.published_table_years,
            risers: assessment
                .risers
                .iter()
                .map(|advice| AnswerRiser::new(advice, visit))
                .collect(),
            flags: answer_flags(&assessment.flags),
            warnings: answer_flags(&assessment.warnings),
            what_if: what_if.iter().map(answer_what_if).collect(),
            forecast: AnswerForecast::new(assessment),
        }
    }
}

fn answer_what_if(what_if: &WhatIf) -> AnswerWhatIf {
    let (mut residents, mut grinder, mut liquid_l) = (None, None, None);
    match what_if.change {
        Change::Residents(people) => residents = Some(people),
        Change::Grinder(present) => grinder = Some(present),
        Change::Capacity(volume) => liquid_l = Some(litres(volume)),
    }
    let date = |of: fn(DueDates) -> NaiveDate| what_if.dates.map(of);
    AnswerWhatIf {
        residents,
        grinder,
        liquid_l,
        due: date(|dates| dates.due),
        early: date(|dates| dates.early),
        late: date(|dates| dates.late),
        no_date: what_if.no_date.clone(),
    }
}

/// Answers a work file as JSON text.
///
/// # Errors
///
/// `rule_set` names no set in `rule_sets`.
pub fn answer(work: &Work, rule_sets: &[RuleSet], default_rule_set: &str) -> Result<String, ReadWorkError> {
    let wanted = work.rule_set.as_deref().unwrap_or(default_rule_set);
    let Some(rule_set) = rule_sets.iter().find(|set| set.id == wanted) else {
        let known: Vec<&str> = rule_sets.iter().map(|set| set.id.as_str()).collect();
        return Err(ReadWorkError::new(
            "rule_set",
            format!("no rule set `{wanted}`, expected one of {}", known.join(", ")),
        ));
    };
    let mut answers: Vec<Answer> = work
        .tanks
        .iter()
        .map(|(name, input)| {
            let assessment = assess(input, rule_set, rule_sets);
            let what_if = what_ifs(input, rule_set, &assessment.forecast);
            Answer::new(name.clone(), input.visit.date, &assessment, &what_if)
        })
        .collect();
    let text = if work.is_list {
        serde_json::to_string_pretty(&Answers { tanks: answers })
    } else {
        serde_json::to_string_pretty(&answers.pop())
    };
    text.map_err(|error| ReadWorkError::new("file", error.to_string()))
}
