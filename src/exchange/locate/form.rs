//! The file as it is read.

use super::ReadLocateError;
use crate::domain::locate::fix::{Fix, FixQuality, PinKind};
use crate::domain::locate::plan::{MarkShape, SitePlan};
use crate::domain::locate::{Point, Position};
use serde::Deserialize;
use serde::de::{self, Deserializer, MapAccess, Visitor};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::fmt;

/// Longest distance that is read, m: what is longer is not within a site.
pub(super) const MOST_M: f64 = 10_000.0;

/// Most entries in one list.
pub(super) const MOST_ENTRIES: usize = 10_000;

/// Most ties to one place; a tape is pulled by hand.
pub(super) const MOST_TIES: usize = 60;

/// One file, read but not yet worked out.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LocateFile {
    #[serde(default)]
    pub(super) tape_error: Option<FileTapeError>,
    #[serde(default)]
    pub(super) pins: Vec<FilePin>,
    #[serde(default)]
    pub(super) frame: Option<FileFrame>,
    #[serde(default)]
    pub(super) points: Vec<FilePoint>,
    #[serde(default)]
    pub(super) ties: Vec<FileTie>,
    #[serde(default)]
    pub(super) sides: BTreeMap<String, FileSide>,
    #[serde(default)]
    pub(super) yard: FileYard,
    #[serde(default, deserialize_with = "length_or_null")]
    pub(super) sewer_invert_m: Option<f64>,
    #[serde(default)]
    pub(super) clues: Vec<FileClue>,
    #[serde(default)]
    pub(super) probes: Vec<FileProbe>,
    #[serde(default)]
    pub(super) name: String,
    #[serde(default)]
    pub(super) kinds: BTreeMap<String, FileKind>,
    #[serde(default)]
    pub(super) paths: Vec<FilePath>,
    #[serde(default)]
    pub(super) here: Option<FileHere>,
    #[serde(default)]
    pub(super) geodesics: Vec<FileGeodesic>,
}

impl LocateFile {
    /// Takes the places and lines of a plan from elsewhere as pins and paths; a name that is there already gets a number.
    ///
    /// # Errors
    /// When the plan has more of them than are read.
    pub fn take_plan(&mut self, plan: SitePlan) -> Result<(), ReadLocateError> {
        let mut names = self.names();
        for mark in plan.marks {
            let name = names.free(if mark.name.trim().is_empty() {
                mark.kind.word()
            } else {
                mark.name.trim()
            });
            match mark.shape {
                MarkShape::Place(at) => self.pins.push(FilePin {
                    name,
                    kind: mark.kind,
                    fixes: vec![FileFix::of(&Fix::new(
                        at,
                        mark.error_m.filter(|error| error.is_finite()),
                    ))],
                }),
                MarkShape::Line(line) => self.paths.push(FilePath {
                    name,
                    places: line.into_iter().map(Place::Earth).collect(),
                }),
            }
        }
        self.check_sizes()
    }

    /// Takes a fix as where the person stands, unless the file says so itself.
    pub fn stand_at(&mut self, fix: &Fix) {
        self.here.get_or_insert_with(|| FileHere {
            fix: FileFix::of(fix),
            course_deg: fix.course_deg,
            heading_deg: None,
        });
    }

    fn names(&self) -> Names {
        let pins = self.pins.iter().map(|pin| &pin.name);
        let paths = self.paths.iter().map(|path| &path.name);
        let points = self.points.iter().map(|point| &point.name);
        Names {
            taken: pins.chain(paths).chain(points).cloned().collect(),
            last: HashMap::new(),
        }
    }

    fn check_sizes(&self) -> Result<(), ReadLocateError> {
        let yard = &self.yard;
        let lists = [
            ("pins", self.pins.len()),
            ("points", self.points.len()),
            ("ties", self.ties.len()),
            ("clues", self.clues.len()),
            ("probes", self.probes.len()),
            ("geodesics", self.geodesics.len()),
            ("paths", self.paths.iter().map(|path| path.places.len() + 1).sum()),
            ("yard", yard.house.len() + yard.lot.len() + yard.wells.len()),
            (
                "yard.blocked",
                yard.blocked.iter().map(|outline| outline.len() + 1).sum(),
            ),
        ];
        match lists.into_iter().find(|(_, length)| *length > MOST_ENTRIES) {
            Some((path, length)) => Err(ReadLocateError::new(
                path,
                format!("{length} entries, at most {MOST_ENTRIES} are read"),
            )),
            None => Ok(()),
        }
    }
}

/// The names a plan has, so that a file of ten thousand places without one is named in one go.
struct Names {
    taken: HashSet<String>,
    /// The last number given to a name that was taken.
    last: HashMap<String, usize>,
}

impl Names {
    /// Returns the name, or with the next number behind it where it is taken.
    fn free(&mut self, wanted: &str) -> String {
        let mut name = wanted.to_owned();
        while self.taken.contains(&name) {
            let last = self.last.entry(wanted.to_owned()).or_insert(1);
            *last += 1;
            name = format!("{wanted} ({last})");
        }
        self.taken.insert(name.clone());
        name
    }
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileTapeError {
    #[serde(deserialize_with = "length")]
    pub(super) fixed_m: f64,
    #[serde(deserialize_with = "length")]
    pub(super) per_mille: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FilePin {
    pub(super) name: String,
    #[serde(deserialize_with = "pin_kind")]
    pub(super) kind: PinKind,
    pub(super) fixes: Vec<FileFix>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileFix {
    pub(super) lat_deg: f64,
    pub(super) lon_deg: f64,
    #[serde(default, deserialize_with = "length_or_null")]
    pub(super) accuracy_m: Option<f64>,
    #[serde(default)]
    pub(super) quality: FileQuality,
}

/// The word for how a receiver arrived at a fix.
pub(super) const fn quality_word(quality: FixQuality) -> &'static str {
    match quality {
        FixQuality::Autonomous => "autonomous",
        FixQuality::Differential => "differential",
        FixQuality::RtkFloat => "rtk_float",
        FixQuality::RtkFixed => "rtk_fixed",
    }
}

impl FileFix {
    fn of(fix: &Fix) -> Self {
        Self {
            lat_deg: fix.position.latitude_deg(),
            lon_deg: fix.position.longitude_deg(),
            accuracy_m: fix.accuracy_m,
            quality: match fix.quality {
                FixQuality::Autonomous => FileQuality::Autonomous,
                FixQuality::Differential => FileQuality::Differential,
                FixQuality::RtkFloat => FileQuality::RtkFloat,
                FixQuality::RtkFixed => FileQuality::RtkFixed,
            },
        }
    }

    /// Returns the fix, or what is wrong with it under its path in the file.
    pub(super) fn fix(&self, path: &str) -> Result<Fix, ReadLocateError> {
        let position =
            Position::new(self.lat_deg, self.lon_deg).map_err(|error| ReadLocateError::new(path, error.to_string()))?;
        Ok(Fix {
            quality: match self.quality {
                FileQuality::Autonomous => FixQuality::Autonomous,
                FileQuality::Differential => FixQuality::Differential,
                FileQuality::RtkFloat => FixQuality::RtkFloat,
                FileQuality::RtkFixed => FixQuality::RtkFixed,
            },
            ..Fix::new(position, self.accuracy_m)
        })
    }
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum FileQuality {
    #[default]
    Autonomous,
    Differential,
    RtkFloat,
    RtkFixed,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileFrame {
    pub(super) from: String,
    pub(super) to: String,
    #[serde(deserialize_with = "length")]
    pub(super) distance_m: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FilePoint {
    pub(super) name: String,
    #[serde(deserialize_with = "coordinate")]
    pub(super) x_m: f64,
    #[serde(deserialize_with = "coordinate")]
    pub(super) y_m: f64,
    #[serde(default)]
    pub(super) kind: Option<FileKind>,
}

/// What a place of the plan marks.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(transparent)]
pub(super) struct FileKind(#[serde(deserialize_with = "pin_kind")] pub(super) PinKind);

/// A line over the yard: the way the hose lies.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FilePath {
    pub(super) name: String,
    pub(super) places: Vec<Place>,
}

/// Where the person stands.
#[derive(Clone, Copy, Debug)]
pub(super) struct FileHere {
    pub(super) fix: FileFix,
    pub(super) heading_deg: Option<f64>,
    pub(super) course_deg: Option<f64>,
}

impl<'de> Deserialize<'de> for FileHere {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Fields {
            lat_deg: f64,
            lon_deg: f64,
            #[serde(default, deserialize_with = "length_or_null")]
            accuracy_m: Option<f64>,
            #[serde(default)]
            quality: FileQuality,
            #[serde(default, deserialize_with = "bearing_or_null")]
            heading_deg: Option<f64>,
            #[serde(default, deserialize_with = "bearing_or_null")]
            course_deg: Option<f64>,
        }
        let fields = Fields::deserialize(deserializer)?;
        Ok(Self {
            fix: FileFix {
                lat_deg: fields.lat_deg,
                lon_deg: fields.lon_deg,
                accuracy_m: fields.accuracy_m,
                quality: fields.quality,
            },
            heading_deg: fields.heading_deg,
            course_deg: fields.course_deg,
        })
    }
}

/// A line on the ellipsoid: to a place, or so far on a bearing.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileGeodesic {
    pub(super) from: Place,
    #[serde(default)]
    pub(super) to: Option<Place>,
    #[serde(default, deserialize_with = "bearing_or_null")]
    pub(super) bearing_deg: Option<f64>,
    #[serde(default, deserialize_with = "far_or_null")]
    pub(super) distance_m: Option<f64>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileTie {
    pub(super) to: String,
    pub(super) from: String,
    #[serde(deserialize_with = "length")]
    pub(super) distance_m: f64,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub(super) enum FileSide {
    Left,
    Right,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileYard {
    #[serde(default)]
    pub(super) house: Vec<Place>,
    #[serde(default)]
    pub(super) lot: Vec<Place>,
    #[serde(default)]
    pub(super) blocked: Vec<Vec<Place>>,
    #[serde(default)]
    pub(super) wells: Vec<Place>,
    #[serde(default)]
    pub(super) setbacks: FileCode,
    #[serde(default)]
    pub(super) firmness: FileFirmness,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum FileCode {
    #[default]
    Shortest,
    Washington,
    Massachusetts,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum FileFirmness {
    #[default]
    Soft,
    Hard,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub(super) enum ClueKind {
    SewerExit,
    Cleanout,
    Field,
    Oval,
    Vent,
    Settled,
    Marker,
    Customer,
    Record,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileClue {
    pub(super) kind: ClueKind,
    pub(super) at: Place,
    #[serde(default, deserialize_with = "bearing_or_null")]
    pub(super) pipe_bearing_deg: Option<f64>,
    #[serde(default)]
    pub(super) pipe_toward: Option<Place>,
    #[serde(default, deserialize_with = "length_or_null")]
    pub(super) radius_m: Option<f64>,
    #[serde(default, deserialize_with = "length_or_null")]
    pub(super) distance_m: Option<f64>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileProbe {
    pub(super) at: Place,
    #[serde(deserialize_with = "length")]
    pub(super) depth_m: f64,
    pub(super) met: FileMet,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum FileMet {
    Nothing,
    Tank,
    Edge,
    Pipe,
}

/// A place in the file: a name, metres of the plan, or a position.
#[derive(Clone, Debug)]
pub(super) enum Place {
    Named(String),
    Plan(Point),
    Earth(Position),
}

impl<'de> Deserialize<'de> for Place {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct PlaceVisitor;
        impl<'de> Visitor<'de> for PlaceVisitor {
            type Value = Place;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a place: a name, or {\"x_m\", \"y_m\"}, or {\"lat_deg\", \"lon_deg\"}")
            }
            fn visit_str<E: de::Error>(self, name: &str) -> Result<Place, E> {
                Ok(Place::Named(name.to_owned()))
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Place, A::Error> {
                #[derive(Deserialize)]
                #[serde(deny_unknown_fields)]
                struct Fields {
                    x_m: Option<f64>,
                    y_m: Option<f64>,
                    lat_deg: Option<f64>,
                    lon_deg: Option<f64>,
                }
                let fields = Fields::deserialize(de::value::MapAccessDeserializer::new(map))?;
                match (fields.x_m, fields.y_m, fields.lat_deg, fields.lon_deg) {
                    (Some(x), Some(y), None, None) if x.abs() <= MOST_M && y.abs() <= MOST_M => {
                        Ok(Place::Plan(Point::new(x, y)))
                    }
                    (Some(_), Some(_), None, None) => Err(de::Error::custom("expected metres from -10000 to 10000")),
                    (None, None, Some(lat), Some(lon)) => {
                        Position::new(lat, lon).map(Place::Earth).map_err(de::Error::custom)
                    }
                    _ => Err(de::Error::custom(
                        "expected both of x_m and y_m, or both of lat_deg and lon_deg",
                    )),
                }
            }
        }
        deserializer.deserialize_any(PlaceVisitor)
    }
}

pub(super) fn within<'de, D: Deserializer<'de>>(deserializer: D, least: f64, most: f64) -> Result<f64, D::Error> {
    let number = f64::deserialize(deserializer)?;
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(de::Error::custom(format!(
            "{} is out of range, expected {least} to {most}",
            shown(number)
        )))
    }
}

pub(super) fn length<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    within(deserializer, 0.0, MOST_M)
}

pub(super) fn coordinate<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    within(deserializer, -MOST_M, MOST_M)
}

pub(super) fn length_or_null<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    match Option::<f64>::deserialize(deserializer)? {
        Some(number) if !(0.0..=MOST_M).contains(&number) => Err(de::Error::custom(format!(
            "{} is out of range, expected 0 to {MOST_M}",
            shown(number)
        ))),
        number => Ok(number),
    }
}

pub(super) fn bearing_or_null<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    match Option::<f64>::deserialize(deserializer)? {
        Some(number) if !(0.0..=360.0).contains(&number) => Err(de::Error::custom(format!(
            "{} is out of range, expected 0 to 360 degrees",
            shown(number)
        ))),
        number => Ok(number),
    }
}

/// No geodesic on the Earth that is the shortest between its ends is longer than half a meridian.
const FARTHEST_M: f64 = 20_004_000.0;

fn far_or_null<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    match Option::<f64>::deserialize(deserializer)? {
        Some(number) if !(0.0..=FARTHEST_M).contains(&number) => Err(de::Error::custom(format!(
            "{} is out of range, expected 0 to {FARTHEST_M}",
            shown(number)
        ))),
        number => Ok(number),
    }
}

pub(super) fn pin_kind<'de, D: Deserializer<'de>>(deserializer: D) -> Result<PinKind, D::Error> {
    let word = String::deserialize(deserializer)?;
    PinKind::from_word(&word).ok_or_else(|| {
        let words: Vec<&str> = PinKind::ALL.into_iter().map(PinKind::word).collect();
        de::Error::custom(format!("unknown kind `{word}`, expected one of {}", words.join(", ")))
    })
}

/// What the reader of JSON found wrong, without the words of the language this is written in.
fn plainly(error: &serde_json::Error) -> String {
    error
        .to_string()
        .replace("expected f64", "expected a number")
        .replace("expected a borrowed string", "expected a text")
        .replace("expected a string", "expected a text")
        .replace("expected a sequence", "expected a list")
        .replace(
            "expected value",
            "no JSON value stands here (NaN and Infinity are none)",
        )
}

/// A number out of range, short however large it is.
fn shown(number: f64) -> String {
    if number.abs() < 1.0e9 {
        number.to_string()
    } else {
        format!("{number:e}")
    }
}

/// Reads a file.
///
/// # Errors
/// The field's path and what was expected there.
pub fn read(text: &str) -> Result<LocateFile, ReadLocateError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if text.trim().is_empty() {
        return Err(ReadLocateError::new("file", "it is empty, expected a JSON object"));
    }
    if !text.trim_start().starts_with('{') {
        return Err(ReadLocateError::new("file", "expected a JSON object"));
    }
    let mut json = serde_json::Deserializer::from_str(text);
    let file: LocateFile = serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let path = error.path().to_string();
        ReadLocateError::new(
            if matches!(path.as_str(), "." | "?") {
                "file".to_owned()
            } else {
                path
            },
            plainly(error.inner()),
        )
    })?;
    json.end()
        .map_err(|error| ReadLocateError::new("file", format!("something follows the JSON object: {error}")))?;
    file.check_sizes()?;
    Ok(file)
}
