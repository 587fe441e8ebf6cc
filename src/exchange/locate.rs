//! Finding a lid as JSON: pins, ties, clues and probes in; positions, ellipses and best places out.
//!
//! All lengths are metres, all angles and positions degrees. The contract is `docs/schema/`.

use crate::domain::locate::clue::Clue;
use crate::domain::locate::depth::SewerDepth;
use crate::domain::locate::fix::{self, Fix, FixQuality, PinKind, PinPlace};
use crate::domain::locate::frame::{self, Known, RigidFit, Shared, fit_rigid};
use crate::domain::locate::probe::{BestPlace, Met, Probe, ProbeMap, Reason};
use crate::domain::locate::ties::{Agreement, Located, Side, TapeError, Tie, TieError, locate};
use crate::domain::locate::yard::{Firmness, SetbackCode, Yard};
use crate::domain::locate::{LocalPlane, Point, Position, Spread};
use crate::domain::units::Length;
use serde::de::{self, Deserializer, MapAccess, Visitor};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// Longest distance that is read, m: what is longer is not within a site.
const MOST_M: f64 = 10_000.0;

/// Most entries in one list.
const MOST_ENTRIES: usize = 10_000;

/// Most ties to one place; a tape is pulled by hand.
const MOST_TIES: usize = 60;

/// Why a file was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{path}: {reason}")]
pub struct ReadLocateError {
    /// The field, for example `ties[2].distance_m`.
    pub path: String,
    /// What is wrong and what was expected.
    pub reason: String,
}

impl ReadLocateError {
    fn new(path: impl Into<String>, reason: impl Into<String>) -> Self {
        Self {
            path: path.into(),
            reason: reason.into(),
        }
    }
}

// ---- reading ---------------------------------------------------------------------------------------------------------

/// One file, read but not yet worked out.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LocateFile {
    #[serde(default)]
    tape_error: Option<FileTapeError>,
    #[serde(default)]
    pins: Vec<FilePin>,
    #[serde(default)]
    frame: Option<FileFrame>,
    #[serde(default)]
    points: Vec<FilePoint>,
    #[serde(default)]
    ties: Vec<FileTie>,
    #[serde(default)]
    sides: BTreeMap<String, FileSide>,
    #[serde(default)]
    yard: FileYard,
    #[serde(default, deserialize_with = "length_or_null")]
    sewer_invert_m: Option<f64>,
    #[serde(default)]
    clues: Vec<FileClue>,
    #[serde(default)]
    probes: Vec<FileProbe>,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileTapeError {
    #[serde(deserialize_with = "length")]
    fixed_m: f64,
    #[serde(deserialize_with = "length")]
    per_mille: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FilePin {
    name: String,
    #[serde(deserialize_with = "pin_kind")]
    kind: PinKind,
    fixes: Vec<FileFix>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileFix {
    lat_deg: f64,
    lon_deg: f64,
    #[serde(default, deserialize_with = "length_or_null")]
    accuracy_m: Option<f64>,
    #[serde(default)]
    quality: FileQuality,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
enum FileQuality {
    #[default]
    Autonomous,
    Differential,
    RtkFloat,
    RtkFixed,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileFrame {
    from: String,
    to: String,
    #[serde(deserialize_with = "length")]
    distance_m: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FilePoint {
    name: String,
    #[serde(deserialize_with = "coordinate")]
    x_m: f64,
    #[serde(deserialize_with = "coordinate")]
    y_m: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileTie {
    to: String,
    from: String,
    #[serde(deserialize_with = "length")]
    distance_m: f64,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
enum FileSide {
    Left,
    Right,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileYard {
    #[serde(default)]
    house: Vec<Place>,
    #[serde(default)]
    lot: Vec<Place>,
    #[serde(default)]
    blocked: Vec<Vec<Place>>,
    #[serde(default)]
    wells: Vec<Place>,
    #[serde(default)]
    setbacks: FileCode,
    #[serde(default)]
    firmness: FileFirmness,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
enum FileCode {
    #[default]
    Shortest,
    Washington,
    Massachusetts,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
enum FileFirmness {
    #[default]
    Soft,
    Hard,
}

#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
enum ClueKind {
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
struct FileClue {
    kind: ClueKind,
    at: Place,
    #[serde(default, deserialize_with = "bearing_or_null")]
    pipe_bearing_deg: Option<f64>,
    #[serde(default)]
    pipe_toward: Option<Place>,
    #[serde(default, deserialize_with = "length_or_null")]
    radius_m: Option<f64>,
    #[serde(default, deserialize_with = "length_or_null")]
    distance_m: Option<f64>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileProbe {
    at: Place,
    #[serde(deserialize_with = "length")]
    depth_m: f64,
    met: FileMet,
}

#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum FileMet {
    Nothing,
    Tank,
    Edge,
    Pipe,
}

/// A place in the file: a name, metres of the plan, or a position.
#[derive(Clone, Debug)]
enum Place {
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

fn within<'de, D: Deserializer<'de>>(deserializer: D, least: f64, most: f64) -> Result<f64, D::Error> {
    let number = f64::deserialize(deserializer)?;
    if (least..=most).contains(&number) {
        Ok(number)
    } else {
        Err(de::Error::custom(format!(
            "{number} is out of range, expected {least} to {most}"
        )))
    }
}

fn length<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    within(deserializer, 0.0, MOST_M)
}

fn coordinate<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    within(deserializer, -MOST_M, MOST_M)
}

fn length_or_null<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    match Option::<f64>::deserialize(deserializer)? {
        Some(number) if !(0.0..=MOST_M).contains(&number) => Err(de::Error::custom(format!(
            "{number} is out of range, expected 0 to {MOST_M}"
        ))),
        number => Ok(number),
    }
}

fn bearing_or_null<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<f64>, D::Error> {
    match Option::<f64>::deserialize(deserializer)? {
        Some(number) if !(0.0..=360.0).contains(&number) => Err(de::Error::custom(format!(
            "{number} is out of range, expected 0 to 360 degrees"
        ))),
        number => Ok(number),
    }
}

fn pin_kind<'de, D: Deserializer<'de>>(deserializer: D) -> Result<PinKind, D::Error> {
    let word = String::deserialize(deserializer)?;
    PinKind::from_word(&word).ok_or_else(|| {
        let words: Vec<&str> = PinKind::ALL.into_iter().map(PinKind::word).collect();
        de::Error::custom(format!("unknown kind `{word}`, expected one of {}", words.join(", ")))
    })
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
            error.inner().to_string(),
        )
    })?;
    json.end()
        .map_err(|error| ReadLocateError::new("file", format!("something follows the JSON object: {error}")))?;
    let lists = [
        ("pins", file.pins.len()),
        ("points", file.points.len()),
        ("ties", file.ties.len()),
        ("clues", file.clues.len()),
        ("probes", file.probes.len()),
        (
            "yard",
            file.yard.house.len() + file.yard.lot.len() + file.yard.wells.len(),
        ),
        (
            "yard.blocked",
            file.yard.blocked.iter().map(|outline| outline.len() + 1).sum(),
        ),
    ];
    match lists.into_iter().find(|(_, length)| *length > MOST_ENTRIES) {
        Some((path, length)) => Err(ReadLocateError::new(
            path,
            format!("{length} entries, at most {MOST_ENTRIES} are read"),
        )),
        None => Ok(file),
    }
}

// ---- working out -----------------------------------------------------------------------------------------------------

/// A place of the plan that was found by tape.
#[derive(Clone, Debug)]
struct Found {
    name: String,
    ties: Vec<usize>,
    located: Located,
}

/// A place whose tapes do not give it: the others are answered all the same.
#[derive(Clone, Debug)]
struct Refused {
    name: String,
    /// The tie to look at first.
    tie: usize,
    /// Its field.
    field: &'static str,
    /// By how much two tapes fall short of meeting, m.
    shortfall_m: Option<f64>,
    reason: String,
}

impl Refused {
    fn path(&self) -> String {
        match self.field {
            "" => format!("ties[{}]", self.tie),
            field => format!("ties[{}].{field}", self.tie),
        }
    }
}

/// The site's plan as it fills up.
struct Plan<'a> {
    file: &'a LocateFile,
    known: BTreeMap<String, Known>,
    found: Vec<Found>,
    refused: Vec<Refused>,
    pins: Vec<(&'a FilePin, PinPlace)>,
    fit: Option<RigidFit>,
    /// The pins the fit was made from, in its order.
    shared: Vec<&'a str>,
    /// The plane of east and north that pins are on.
    earth: Option<LocalPlane>,
    /// Whether the plan itself is that plane.
    on_pins: bool,
}

impl<'a> Plan<'a> {
    fn new(file: &'a LocateFile) -> Result<Self, ReadLocateError> {
        let mut plan = Self {
            file,
            known: BTreeMap::new(),
            found: Vec::new(),
            refused: Vec::new(),
            pins: Vec::new(),
            fit: None,
            shared: Vec::new(),
            earth: None,
            on_pins: false,
        };
        plan.average_pins()?;
        plan.start_frame()?;
        plan.on_pins = plan.known.is_empty();
        plan.lay_ties()?;
        plan.lay_pins()?;
        plan.lay_ties()?;
        plan.refuse_loose_ties()?;
        Ok(plan)
    }

    fn average_pins(&mut self) -> Result<(), ReadLocateError> {
        for (index, pin) in self.file.pins.iter().enumerate() {
            let mut fixes = Vec::with_capacity(pin.fixes.len());
            for (number, fix) in pin.fixes.iter().enumerate() {
                let position = Position::new(fix.lat_deg, fix.lon_deg).map_err(|error| {
                    ReadLocateError::new(format!("pins[{index}].fixes[{number}]"), error.to_string())
                })?;
                let quality = match fix.quality {
                    FileQuality::Autonomous => FixQuality::Autonomous,
                    FileQuality::Differential => FixQuality::Differential,
                    FileQuality::RtkFloat => FixQuality::RtkFloat,
                    FileQuality::RtkFixed => FixQuality::RtkFixed,
                };
                fixes.push(Fix {
                    quality,
                    ..Fix::new(position, fix.accuracy_m)
                });
            }
            let place = fix::average(&fixes).ok_or_else(|| {
                ReadLocateError::new(
                    format!("pins[{index}].fixes"),
                    "it is empty, a pin needs one fix at least",
                )
            })?;
            self.pins.push((pin, place));
        }
        self.earth = self.pins.first().map(|(_, place)| LocalPlane::at(place.position));
        Ok(())
    }

    fn start_frame(&mut self) -> Result<(), ReadLocateError> {
        if let Some(frame) = &self.file.frame {
            if frame.from == frame.to || frame.distance_m < 0.001 {
                return Err(ReadLocateError::new(
                    "frame",
                    "a baseline runs between two places, a millimetre apart at least",
                ));
            }
            let [from, to] = frame::baseline(metres(frame.distance_m), self.tape_error());
            self.known.insert(frame.from.clone(), from);
            self.known.insert(frame.to.clone(), to);
        }
        for (index, point) in self.file.points.iter().enumerate() {
            let known = Known {
                at: Point::new(point.x_m, point.y_m),
                spread: Spread::NONE,
            };
            if self.known.insert(point.name.clone(), known).is_some() {
                return Err(ReadLocateError::new(
                    format!("points[{index}].name"),
                    format!("`{}` is already a place of the plan", point.name),
                ));
            }
        }
        Ok(())
    }

    fn tape_error(&self) -> TapeError {
        self.file.tape_error.map_or_else(TapeError::default, |given| TapeError {
            fixed: metres(given.fixed_m),
            per_mille: given.per_mille,
        })
    }

    /// Finds every place whose ties all start at known places, until no more can be found.
    fn lay_ties(&mut self) -> Result<(), ReadLocateError> {
        let mut to: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (index, tie) in self.file.ties.iter().enumerate() {
            to.entry(&tie.to).or_default().push(index);
        }
        loop {
            let mut progress = false;
            for (name, indices) in &to {
                let done = self.found.iter().any(|found| found.name == *name) || self.is_refused(name);
                let ties: Option<Vec<Tie>> = indices.iter().map(|index| self.tie(*index)).collect();
                if let (false, Some(ties)) = (done, ties) {
                    self.find(name, indices, &ties)?;
                    progress = true;
                }
            }
            if !progress {
                return Ok(());
            }
        }
    }

    fn tie(&self, index: usize) -> Option<Tie> {
        let tie = self.file.ties.get(index)?;
        let from = self.known.get(&tie.from)?;
        Some(Tie {
            from: from.at,
            from_spread: from.spread,
            distance: metres(tie.distance_m),
            error: self.tape_error(),
        })
    }

    fn find(&mut self, name: &str, indices: &[usize], ties: &[Tie]) -> Result<(), ReadLocateError> {
        let at = |tie: usize| indices.get(tie).copied().unwrap_or(0);
        let from = |tie: usize| self.file.ties.get(at(tie)).map_or("", |tie| tie.from.as_str());
        if ties.len() > MOST_TIES {
            return Err(ReadLocateError::new(
                "ties",
                format!("{} ties to `{name}`, at most {MOST_TIES} are read", ties.len()),
            ));
        }
        let mut located = match locate(ties) {
            Ok(located) => located,
            Err(error) => {
                let (tie, field, shortfall_m, reason) = match error {
                    TieError::TooFew(_) => (
                        at(0),
                        "",
                        None,
                        format!("one tie to `{name}` is not enough, measure from a second place"),
                    ),
                    TieError::SamePlace { .. } => (
                        at(1),
                        "from",
                        None,
                        format!("all ties to `{name}` start at one place, measure from another"),
                    ),
                    TieError::CannotMeet {
                        first,
                        second,
                        shortfall_m,
                    } => (
                        at(second),
                        "distance_m",
                        Some(shortfall_m),
                        format!(
                            "the tapes from `{}` and `{}` to `{name}` cannot meet, they fall {shortfall_m:.3} m short; measure both again",
                            from(first),
                            from(second)
                        ),
                    ),
                    TieError::NotAPlace(tie) => (at(tie), "from", None, error.to_string()),
                };
                self.refused.push(Refused {
                    name: name.to_owned(),
                    tie,
                    field,
                    shortfall_m,
                    reason,
                });
                return Ok(());
            }
        };
        if let Some(side) = self.file.sides.get(name) {
            let wanted = if *side == FileSide::Left {
                Side::Left
            } else {
                Side::Right
            };
            if located.candidates.iter().any(|candidate| candidate.side == wanted) {
                located.candidates.retain(|candidate| candidate.side == wanted);
            }
        }
        if let [only] = located.candidates.as_slice() {
            // A place of the plan keeps what it was given; ties to it only check it.
            self.known.entry(name.to_owned()).or_insert(Known {
                at: only.at,
                spread: only.spread,
            });
        }
        self.found.push(Found {
            name: name.to_owned(),
            ties: indices.to_vec(),
            located,
        });
        Ok(())
    }

    /// Brings pins and plan together: the plan is the pins' own plane, or its frame is laid on the pins it shares.
    fn lay_pins(&mut self) -> Result<(), ReadLocateError> {
        let Some(earth) = self.earth else { return Ok(()) };
        if !self.on_pins {
            let shared: Vec<Shared> = self
                .pins
                .iter()
                .filter_map(|(pin, place)| {
                    let known = self.known.get(&pin.name)?;
                    Some(Shared {
                        frame: known.at,
                        pin: earth.point(place.position),
                        pin_error_m: place.error_m,
                    })
                })
                .collect();
            if shared.len() < 2 {
                return Ok(());
            }
            let known = self.pins.iter().filter(|(pin, _)| self.known.contains_key(&pin.name));
            self.shared = known.map(|(pin, _)| pin.name.as_str()).collect();
            self.fit = Some(fit_rigid(&shared).map_err(|error| ReadLocateError::new("pins", error.to_string()))?);
        }
        for (pin, place) in &self.pins {
            let on_earth = earth.point(place.position);
            let at = self.fit.as_ref().map_or(on_earth, |fit| fit.to_frame(on_earth));
            self.known.entry(pin.name.clone()).or_insert(Known {
                at,
                spread: place.spread(),
            });
        }
        Ok(())
    }

    fn is_refused(&self, name: &str) -> bool {
        self.refused.iter().any(|refused| refused.name == name)
    }

    /// Refuses every place with a tie from where nothing is known; a name that stands nowhere else is a slip of the
    /// whole file.
    fn refuse_loose_ties(&mut self) -> Result<(), ReadLocateError> {
        for (index, tie) in self.file.ties.iter().enumerate() {
            let answered = self.found.iter().any(|found| found.name == tie.to) || self.is_refused(&tie.to);
            if answered || self.known.contains_key(&tie.from) {
                continue;
            }
            let is_named = self.pins.iter().any(|(pin, _)| pin.name == tie.from)
                || self.file.ties.iter().any(|other| other.to == tie.from);
            let error = self.unknown(format!("ties[{index}].from"), &tie.from);
            if !is_named {
                return Err(error);
            }
            self.refused.push(Refused {
                name: tie.to.clone(),
                tie: index,
                field: "from",
                shortfall_m: None,
                reason: error.reason,
            });
        }
        Ok(())
    }

    /// Refuses the file when tapes were pulled, none of them gives a place, and there is no map to answer with either.
    fn refuse_if_nothing_is_left(&self, has_map: bool) -> Result<(), ReadLocateError> {
        match self.refused.first() {
            Some(first) if self.found.is_empty() && !has_map => {
                Err(ReadLocateError::new(first.path(), first.reason.clone()))
            }
            _ => Ok(()),
        }
    }

    fn unknown(&self, path: String, name: &str) -> ReadLocateError {
        let why = if self.found.iter().any(|found| found.name == name) {
            "could lie on either side, give its side in `sides`"
        } else if self.is_refused(name) || self.file.ties.iter().any(|tie| tie.to == name) {
            "is not placed by its own ties"
        } else if self.pins.iter().any(|(pin, _)| pin.name == name) {
            "is a pin, and the plan shares fewer than two places with the pins, so it cannot be put on the plan"
        } else {
            "is no place of the plan: name it in `frame`, `points`, `pins` or as the end of ties"
        };
        ReadLocateError::new(path, format!("`{name}` {why}"))
    }

    /// Returns where a position lies on the plan.
    fn on_plan(&self, position: Position) -> Option<Point> {
        let on_earth = self.earth?.point(position);
        if self.on_pins {
            Some(on_earth)
        } else {
            self.fit.as_ref().map(|fit| fit.to_frame(on_earth))
        }
    }

    /// Returns the position of a place of the plan.
    fn to_earth(&self, at: Point) -> Option<Position> {
        let earth = self.earth?;
        if self.on_pins {
            Some(earth.position(at))
        } else {
            self.fit.as_ref().map(|fit| earth.position(fit.to_plane(at)))
        }
    }

    /// The bearing of the plan's y axis, when north is known.
    fn y_axis_deg(&self) -> Option<f64> {
        if self.on_pins {
            self.earth.map(|_| 0.0)
        } else {
            self.fit.as_ref().map(|fit| fit.turned_deg)
        }
    }

    fn place(&self, place: &Place, path: impl Into<String>) -> Result<Point, ReadLocateError> {
        match place {
            Place::Plan(at) => Ok(*at),
            Place::Named(name) => self
                .known
                .get(name)
                .map(|known| known.at)
                .ok_or_else(|| self.unknown(path.into(), name)),
            Place::Earth(position) => {
                let at = self.on_plan(*position).filter(|at| at.length_m() <= MOST_M);
                at.ok_or_else(|| {
                    ReadLocateError::new(path, "a position needs pins near it that the plan is laid on: two places with pins, or a plan of pins alone")
                })
            }
        }
    }

    fn places(&self, places: &[Place], path: &str) -> Result<Vec<Point>, ReadLocateError> {
        places
            .iter()
            .enumerate()
            .map(|(index, place)| self.place(place, format!("{path}[{index}]")))
            .collect()
    }

    fn yard(&self) -> Result<Yard, ReadLocateError> {
        let yard = &self.file.yard;
        let mut wells = self.places(&yard.wells, "yard.wells")?;
        let pinned = self.pins.iter().filter(|(pin, _)| pin.kind == PinKind::Well);
        wells.extend(pinned.filter_map(|(_, place)| self.on_plan(place.position)));
        let blocked = yard.blocked.iter().enumerate();
        Ok(Yard {
            house: self.places(&yard.house, "yard.house")?,
            lot: self.places(&yard.lot, "yard.lot")?,
            blocked: blocked
                .map(|(i, outline)| self.places(outline, &format!("yard.blocked[{i}]")))
                .collect::<Result<_, _>>()?,
            wells,
            code: match yard.setbacks {
                FileCode::Shortest => SetbackCode::Shortest,
                FileCode::Washington => SetbackCode::Washington,
                FileCode::Massachusetts => SetbackCode::Massachusetts,
            },
            firmness: match yard.firmness {
                FileFirmness::Soft => Firmness::Soft,
                FileFirmness::Hard => Firmness::Hard,
            },
        })
    }

    fn clue(&self, index: usize, clue: &FileClue) -> Result<Clue, ReadLocateError> {
        let path = |field: &str| format!("clues[{index}].{field}");
        let at = self.place(&clue.at, path("at"))?;
        let sewer = matches!(clue.kind, ClueKind::SewerExit | ClueKind::Cleanout);
        let wide = matches!(clue.kind, ClueKind::Oval | ClueKind::Settled | ClueKind::Customer);
        for (given, wanted, field) in [
            (clue.pipe_bearing_deg.is_some(), sewer, "pipe_bearing_deg"),
            (
                clue.pipe_toward.is_some(),
                sewer && clue.pipe_bearing_deg.is_none(),
                "pipe_toward",
            ),
            (clue.radius_m.is_some(), wide, "radius_m"),
            (clue.distance_m.is_some(), clue.kind == ClueKind::Record, "distance_m"),
        ] {
            if given && !wanted {
                return Err(ReadLocateError::new(path(field), "it does not go with this clue"));
            }
        }
        let toward = match &clue.pipe_toward {
            Some(toward) => Some(at.bearing_deg(self.place(toward, path("pipe_toward"))?)),
            None => None,
        };
        // A bearing is from true north where the plan knows it, from its y axis where it does not.
        let given = clue
            .pipe_bearing_deg
            .map(|bearing| bearing - self.y_axis_deg().unwrap_or(0.0));
        let pipe_deg = toward.or(given);
        let radius = metres(clue.radius_m.unwrap_or(0.0));
        Ok(match clue.kind {
            ClueKind::SewerExit => Clue::SewerExit { at, pipe_deg },
            ClueKind::Cleanout => Clue::Cleanout { at, pipe_deg },
            ClueKind::Field => Clue::Field { at },
            ClueKind::Oval => Clue::Oval { at, radius },
            ClueKind::Vent => Clue::Vent { at },
            ClueKind::Settled => Clue::Settled { at, radius },
            ClueKind::Marker => Clue::Marker { at },
            ClueKind::Customer => Clue::Customer { at, radius },
            ClueKind::Record => Clue::Record {
                from: at,
                distance: metres(clue.distance_m.ok_or_else(|| {
                    ReadLocateError::new(
                        path("distance_m"),
                        "it is missing, a record drawing's tie needs its distance",
                    )
                })?),
            },
        })
    }

    fn probe_map(&self) -> Result<Option<(ProbeMap, Vec<Clue>)>, ReadLocateError> {
        let yard = self.yard()?;
        if self.file.clues.is_empty() && self.file.probes.is_empty() && yard.house.is_empty() && yard.lot.is_empty() {
            return Ok(None);
        }
        let clues = self
            .file
            .clues
            .iter()
            .enumerate()
            .map(|(index, clue)| self.clue(index, clue))
            .collect::<Result<Vec<_>, _>>()?;
        let depth = SewerDepth {
            invert: self.file.sewer_invert_m.map(metres),
        };
        let mut map = ProbeMap::new(yard, clues.clone(), depth)
            .map_err(|error| ReadLocateError::new("yard", error.to_string()))?;
        for (index, probe) in self.file.probes.iter().enumerate() {
            map.add_probe(Probe {
                at: self.place(&probe.at, format!("probes[{index}].at"))?,
                depth: metres(probe.depth_m),
                met: match probe.met {
                    FileMet::Nothing => Met::Nothing,
                    FileMet::Tank => Met::Tank,
                    FileMet::Edge => Met::Edge,
                    FileMet::Pipe => Met::Pipe,
                },
            });
        }
        Ok(Some((map, clues)))
    }

    fn outward(&self, at: Point) -> AnswerPlace {
        let earth = self.to_earth(at);
        AnswerPlace {
            x_m: short(at.x_m),
            y_m: short(at.y_m),
            lat_deg: earth.map(|position| degrees(position.latitude_deg())),
            lon_deg: earth.map(|position| degrees(position.longitude_deg())),
        }
    }

    fn bearing(&self, on_plan_deg: f64) -> f64 {
        (on_plan_deg + self.y_axis_deg().unwrap_or(0.0)).rem_euclid(180.0)
    }

    fn position(&self, found: &Found, say: &dyn Fn(Said<'_>) -> String) -> AnswerPosition {
        let from = |tie: usize| {
            let index = found.ties.get(tie).copied().unwrap_or(0);
            (index, self.file.ties.get(index).map_or("", |tie| tie.from.as_str()))
        };
        let suspect = |suspect: &crate::domain::locate::ties::Suspect| {
            let (index, from) = from(suspect.tie);
            AnswerSuspect {
                tie: index,
                from: from.to_owned(),
                off_m: short(suspect.off_m),
                standardised: short(suspect.standardised),
                text: say(Said::Suspect {
                    from,
                    off_m: suspect.off_m,
                }),
            }
        };
        let (agreement, suspects) = match &found.located.agreement {
            Agreement::Unchecked => ("unchecked", Vec::new()),
            Agreement::Agree => ("agree", Vec::new()),
            Agreement::OneDisagrees(one) => ("one_disagrees", vec![suspect(one)]),
            Agreement::SomeDisagree(some) => ("some_disagree", some.iter().map(suspect).collect()),
        };
        let candidates = found.located.candidates.iter().map(|candidate| AnswerCandidate {
            place: self.outward(candidate.at),
            ellipse: AnswerEllipse {
                major_m: short(candidate.ellipse.major_m),
                minor_m: short(candidate.ellipse.minor_m),
                bearing_deg: short(self.bearing(candidate.ellipse.bearing_deg)),
                major_95_m: short(candidate.ellipse.ninety_five_m()),
            },
            crossing_deg: short(candidate.crossing_deg),
            weak: candidate.is_weak(),
            side: match candidate.side {
                Side::Left => "left",
                Side::Right => "right",
                Side::On => "on",
            },
            residuals: candidate
                .residuals_m
                .iter()
                .zip(&candidate.standardised)
                .enumerate()
                .map(|(tie, (off_m, standardised))| AnswerResidual {
                    from: from(tie).1.to_owned(),
                    off_m: short(*off_m),
                    standardised: short(*standardised),
                })
                .collect(),
        });
        let advice = found.located.advice.map(|advice| AnswerAdvice {
            bearing_deg: short(self.bearing(advice.bearing_deg)),
            from: advice.from.map(|at| self.outward(at)),
            major_m: short(advice.now_m),
            major_then_m: short(advice.then_m),
            text: say(Said::WeakTies {
                bearing_deg: self.bearing(advice.bearing_deg),
                now_m: advice.now_m,
                then_m: advice.then_m,
            }),
        });
        AnswerPosition {
            name: found.name.clone(),
            candidates: candidates.collect(),
            agreement,
            suspects,
            advice,
            refused: None,
        }
    }
}

fn refused_position(refused: &Refused) -> AnswerPosition {
    AnswerPosition {
        name: refused.name.clone(),
        candidates: Vec::new(),
        agreement: "refused",
        suspects: Vec::new(),
        advice: None,
        refused: Some(AnswerRefused {
            tie: refused.tie,
            shortfall_m: refused.shortfall_m.map(short),
            text: refused.reason.clone(),
        }),
    }
}

/// Something to be put in words where a language is known.
#[derive(Clone, Copy, Debug)]
pub enum Said<'a> {
    /// A tie that may be wrong.
    Suspect {
        /// Where its tape was held.
        from: &'a str,
        /// By how much it is off, m.
        off_m: f64,
    },
    /// Arcs that graze.
    WeakTies {
        /// Where to hold the next tape, degrees.
        bearing_deg: f64,
        /// Half of the long axis now, m.
        now_m: f64,
        /// And after such a tie.
        then_m: f64,
    },
    /// Why a place is worth a push of the rod.
    Reason {
        /// The reason.
        reason: Reason,
        /// The clue it speaks of, if any.
        clue: Option<&'a Clue>,
    },
    /// A caution that goes with every map.
    Caution(usize),
}

/// How many cautions there are.
pub const CAUTIONS: usize = 3;

/// Works out everything the file asks for, as JSON; `say` puts things in words.
///
/// # Errors
/// The field that makes it impossible, and why.
pub fn answer(file: &LocateFile, say: &dyn Fn(Said<'_>) -> String) -> Result<String, ReadLocateError> {
    let plan = Plan::new(file)?;
    let map = plan.probe_map()?;
    plan.refuse_if_nothing_is_left(map.is_some())?;
    let pins = plan.pins.iter().map(|(pin, place)| AnswerPin {
        name: pin.name.clone(),
        kind: pin.kind.word(),
        lat_deg: degrees(place.position.latitude_deg()),
        lon_deg: degrees(place.position.longitude_deg()),
        error_m: short(place.error_m),
        floor_m: short(place.floor_m),
        scatter_m: short(place.scatter_m),
        fixes: place.fixes,
    });
    let fit = plan.fit.as_ref().map(|fit| AnswerFit {
        y_axis_sigma_deg: short(fit.turned_sigma_deg),
        rms_m: short(fit.rms_m),
        agrees: fit.agrees,
        worst: fit
            .worst
            .and_then(|worst| plan.shared.get(worst))
            .map(|name| (*name).to_owned()),
    });
    let map = map.map(|(map, clues)| {
        let place = |best: BestPlace| AnswerBest {
            place: plan.outward(best.at),
            chance: short(best.chance),
            lid_depth_m: [short(best.lid.from_m), short(best.lid.to_m)],
            reasons: best
                .reasons
                .into_iter()
                .map(|reason| answer_reason(reason, &clues, say))
                .collect(),
        };
        AnswerMap {
            cell_m: short(map.grid().cell_m()),
            area_90_m2: short(map.area(0.9).square_m),
            next_probe: map.next_probe().map(|at| plan.outward(at)),
            places: map.best_places(3).into_iter().map(place).collect(),
            cautions: (0..CAUTIONS).map(|index| say(Said::Caution(index))).collect(),
        }
    });
    let answer = Answer {
        y_axis_bearing_deg: plan.y_axis_deg().map(short),
        fit,
        pins: pins.collect(),
        positions: plan
            .found
            .iter()
            .map(|found| plan.position(found, say))
            .chain(plan.refused.iter().map(refused_position))
            .collect(),
        map,
    };
    serde_json::to_string_pretty(&answer).map_err(|error| ReadLocateError::new("file", error.to_string()))
}

fn answer_reason(reason: Reason, clues: &[Clue], say: &dyn Fn(Said<'_>) -> String) -> AnswerReason {
    let (kind, clue, probe, distance_m, off_m, count) = match reason {
        Reason::SewerLine { off_m, along_m, .. } => ("sewer_line", None, None, Some(along_m), Some(off_m), None),
        Reason::FromWall { distance_m } => ("from_wall", None, None, Some(distance_m), None, None),
        Reason::TowardField { clue, off_m } => ("toward_field", Some(clue), None, None, Some(off_m), None),
        Reason::NearClue { clue, distance_m } => ("near_clue", Some(clue), None, Some(distance_m), None, None),
        Reason::Record { clue, off_m } => ("record", Some(clue), None, None, Some(off_m), None),
        Reason::Hit { probe, distance_m } => ("hit", None, Some(probe), Some(distance_m), None, None),
        Reason::Misses { count } => ("misses", None, None, None, None, Some(count)),
    };
    AnswerReason {
        kind,
        clue,
        probe,
        distance_m: distance_m.map(short),
        off_m: off_m.map(short),
        count,
        text: say(Said::Reason {
            reason,
            clue: clue.and_then(|index| clues.get(index)),
        }),
    }
}

fn metres(metres: f64) -> Length {
    Length::from_real_mm(metres * 1000.0).unwrap_or_default()
}

/// A tenth of a millimetre is finer than anything that is measured.
fn short(number: f64) -> f64 {
    let rounded = (number * 1.0e4).round() / 1.0e4;
    // No "-0.0" for people to wonder at.
    if rounded == 0.0 { 0.0 } else { rounded }
}

fn degrees(number: f64) -> f64 {
    (number * 1.0e9).round() / 1.0e9
}

// ---- writing ---------------------------------------------------------------------------------------------------------

#[derive(Serialize)]
struct Answer {
    y_axis_bearing_deg: Option<f64>,
    fit: Option<AnswerFit>,
    pins: Vec<AnswerPin>,
    positions: Vec<AnswerPosition>,
    map: Option<AnswerMap>,
}

#[derive(Serialize)]
struct AnswerFit {
    y_axis_sigma_deg: f64,
    rms_m: f64,
    agrees: bool,
    worst: Option<String>,
}

#[derive(Serialize)]
struct AnswerPin {
    name: String,
    kind: &'static str,
    lat_deg: f64,
    lon_deg: f64,
    error_m: f64,
    floor_m: f64,
    scatter_m: f64,
    fixes: usize,
}

#[derive(Serialize)]
struct AnswerPlace {
    x_m: f64,
    y_m: f64,
    lat_deg: Option<f64>,
    lon_deg: Option<f64>,
}

#[derive(Serialize)]
struct AnswerPosition {
    name: String,
    candidates: Vec<AnswerCandidate>,
    agreement: &'static str,
    suspects: Vec<AnswerSuspect>,
    advice: Option<AnswerAdvice>,
    refused: Option<AnswerRefused>,
}

#[derive(Serialize)]
struct AnswerRefused {
    tie: usize,
    shortfall_m: Option<f64>,
    text: String,
}

#[derive(Serialize)]
struct AnswerCandidate {
    #[serde(flatten)]
    place: AnswerPlace,
    ellipse: AnswerEllipse,
    crossing_deg: f64,
    weak: bool,
    side: &'static str,
    residuals: Vec<AnswerResidual>,
}

#[derive(Serialize)]
struct AnswerEllipse {
    major_m: f64,
    minor_m: f64,
    bearing_deg: f64,
    major_95_m: f64,
}

#[derive(Serialize)]
struct AnswerResidual {
    from: String,
    off_m: f64,
    standardised: f64,
}

#[derive(Serialize)]
struct AnswerSuspect {
    tie: usize,
    from: String,
    off_m: f64,
    standardised: f64,
    text: String,
}

#[derive(Serialize)]
struct AnswerAdvice {
    bearing_deg: f64,
    from: [AnswerPlace; 2],
    major_m: f64,
    major_then_m: f64,
    text: String,
}

#[derive(Serialize)]
struct AnswerMap {
    cell_m: f64,
    area_90_m2: f64,
    next_probe: Option<AnswerPlace>,
    places: Vec<AnswerBest>,
    cautions: Vec<String>,
}

#[derive(Serialize)]
struct AnswerBest {
    #[serde(flatten)]
    place: AnswerPlace,
    chance: f64,
    lid_depth_m: [f64; 2],
    reasons: Vec<AnswerReason>,
}

#[derive(Serialize)]
struct AnswerReason {
    kind: &'static str,
    clue: Option<usize>,
    probe: Option<usize>,
    distance_m: Option<f64>,
    off_m: Option<f64>,
    count: Option<usize>,
    text: String,
}
