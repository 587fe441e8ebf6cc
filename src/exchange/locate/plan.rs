//! The site's plan as a file tells it.

use super::form::{
    ClueKind, FileClue, FileCode, FileFirmness, FileMet, FilePin, FileProbe, FileSide, LocateFile, MOST_M, MOST_TIES,
    Place,
};
use super::{ReadLocateError, metres};
use crate::domain::locate::clue::Clue;
use crate::domain::locate::depth::SewerDepth;
use crate::domain::locate::fix::{self, PinKind, PinPlace};
use crate::domain::locate::frame::{self, Known, RigidFit, Shared, fit_rigid};
use crate::domain::locate::plane::AXES_PER_RADIUS;
use crate::domain::locate::probe::{Met, Probe, ProbeMap};
use crate::domain::locate::ties::{Located, Side, TapeError, Tie, TieError, locate};
use crate::domain::locate::yard::{Firmness, SetbackCode, Yard};
use crate::domain::locate::{LocalPlane, Point, Position, Spread};
use std::collections::BTreeMap;

/// A place of the plan that was found by tape.
#[derive(Clone, Debug)]
pub(super) struct Found {
    pub(super) name: String,
    pub(super) ties: Vec<usize>,
    pub(super) located: Located,
}

/// A place whose tapes do not give it: the others are answered all the same.
#[derive(Clone, Debug)]
pub(super) struct Refused {
    pub(super) name: String,
    /// The tie to look at first.
    pub(super) tie: usize,
    /// Its field.
    pub(super) field: &'static str,
    /// By how much two tapes fall short of meeting, m.
    pub(super) shortfall_m: Option<f64>,
    pub(super) reason: String,
}

impl Refused {
    pub(super) fn path(&self) -> String {
        match self.field {
            "" => format!("ties[{}]", self.tie),
            field => format!("ties[{}].{field}", self.tie),
        }
    }
}

/// The site's plan as it fills up.
#[derive(Debug)]
pub(super) struct Plan<'a> {
    pub(super) file: &'a LocateFile,
    pub(super) known: BTreeMap<String, Known>,
    pub(super) found: Vec<Found>,
    pub(super) refused: Vec<Refused>,
    pub(super) pins: Vec<(&'a FilePin, PinPlace)>,
    pub(super) fit: Option<RigidFit>,
    /// The pins the fit was made from, in its order.
    pub(super) shared: Vec<&'a str>,
    /// The plane of east and north that pins are on.
    pub(super) earth: Option<LocalPlane>,
    /// Whether the plan itself is that plane.
    pub(super) on_pins: bool,
}

impl<'a> Plan<'a> {
    pub(super) fn new(file: &'a LocateFile) -> Result<Self, ReadLocateError> {
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

    pub(super) fn average_pins(&mut self) -> Result<(), ReadLocateError> {
        for (index, pin) in self.file.pins.iter().enumerate() {
            let mut fixes = Vec::with_capacity(pin.fixes.len());
            for (number, fix) in pin.fixes.iter().enumerate() {
                fixes.push(fix.fix(&format!("pins[{index}].fixes[{number}]"))?);
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

    pub(super) fn start_frame(&mut self) -> Result<(), ReadLocateError> {
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

    pub(super) fn tape_error(&self) -> TapeError {
        self.file.tape_error.map_or_else(TapeError::default, |given| TapeError {
            fixed: metres(given.fixed_m),
            per_mille: given.per_mille,
        })
    }

    /// Finds every place whose ties all start at known places, until no more can be found.
    pub(super) fn lay_ties(&mut self) -> Result<(), ReadLocateError> {
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

    pub(super) fn tie(&self, index: usize) -> Option<Tie> {
        let tie = self.file.ties.get(index)?;
        let from = self.known.get(&tie.from)?;
        Some(Tie {
            from: from.at,
            from_spread: from.spread,
            distance: metres(tie.distance_m),
            error: self.tape_error(),
        })
    }

    pub(super) fn find(&mut self, name: &str, indices: &[usize], ties: &[Tie]) -> Result<(), ReadLocateError> {
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
    pub(super) fn lay_pins(&mut self) -> Result<(), ReadLocateError> {
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

    pub(super) fn is_refused(&self, name: &str) -> bool {
        self.refused.iter().any(|refused| refused.name == name)
    }

    /// Refuses every place with a tie from where nothing is known; a name that stands nowhere else is a slip of the
    /// whole file.
    pub(super) fn refuse_loose_ties(&mut self) -> Result<(), ReadLocateError> {
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
    pub(super) fn refuse_if_nothing_is_left(&self, has_map: bool) -> Result<(), ReadLocateError> {
        match self.refused.first() {
            Some(first) if self.found.is_empty() && !has_map => {
                Err(ReadLocateError::new(first.path(), first.reason.clone()))
            }
            _ => Ok(()),
        }
    }

    pub(super) fn unknown(&self, path: String, name: &str) -> ReadLocateError {
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
    pub(super) fn on_plan(&self, position: Position) -> Option<Point> {
        let on_earth = self.earth?.point(position);
        if self.on_pins {
            Some(on_earth)
        } else {
            self.fit.as_ref().map(|fit| fit.to_frame(on_earth))
        }
    }

    /// Returns the position of a place of the plan.
    pub(super) fn to_earth(&self, at: Point) -> Option<Position> {
        let earth = self.earth?;
        if self.on_pins {
            Some(earth.position(at))
        } else {
            self.fit.as_ref().map(|fit| earth.position(fit.to_plane(at)))
        }
    }

    /// The bearing of the plan's y axis, when north is known.
    pub(super) fn y_axis_deg(&self) -> Option<f64> {
        if self.on_pins {
            self.earth.map(|_| 0.0)
        } else {
            self.fit.as_ref().map(|fit| fit.turned_deg)
        }
    }

    pub(super) fn place(&self, place: &Place, path: impl Into<String>) -> Result<Point, ReadLocateError> {
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

    pub(super) fn places(&self, places: &[Place], path: &str) -> Result<Vec<Point>, ReadLocateError> {
        places
            .iter()
            .enumerate()
            .map(|(index, place)| self.place(place, format!("{path}[{index}]")))
            .collect()
    }

    pub(super) fn yard(&self) -> Result<Yard, ReadLocateError> {
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

    pub(super) fn clue(&self, index: usize, clue: &FileClue) -> Result<Clue, ReadLocateError> {
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

    pub(super) fn probe_map(&self) -> Result<Option<(ProbeMap, Vec<Clue>)>, ReadLocateError> {
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
        let probe = |(index, probe): (usize, &FileProbe)| {
            Ok(Probe {
                at: self.place(&probe.at, format!("probes[{index}].at"))?,
                depth: metres(probe.depth_m),
                met: match probe.met {
                    FileMet::Nothing => Met::Nothing,
                    FileMet::Tank => Met::Tank,
                    FileMet::Edge => Met::Edge,
                    FileMet::Pipe => Met::Pipe,
                },
            })
        };
        let probes = self.file.probes.iter().enumerate().map(probe);
        let probes = probes.collect::<Result<Vec<_>, ReadLocateError>>()?;
        let map = ProbeMap::with_probes(yard, clues.clone(), depth, probes)
            .map_err(|error| ReadLocateError::new("yard", error.to_string()))?;
        Ok(Some((map, clues)))
    }

    /// Every place that is known, each name once: pins, the frame and its points, then what tapes gave.
    pub(super) fn named(&self) -> Vec<Named<'_>> {
        let file = self.file;
        let pins = self.pins.iter().map(|(pin, _)| pin.name.as_str());
        let frame = file
            .frame
            .iter()
            .flat_map(|frame| [frame.from.as_str(), frame.to.as_str()]);
        let points = file.points.iter().map(|point| point.name.as_str());
        let found = self.found.iter().map(|found| found.name.as_str());
        let mut names: Vec<&str> = Vec::new();
        for name in pins.chain(frame).chain(points).chain(found) {
            if !names.contains(&name) {
                names.push(name);
            }
        }
        names.into_iter().filter_map(|name| self.one_named(name)).collect()
    }

    fn one_named<'b>(&self, name: &'b str) -> Option<Named<'b>> {
        let pin = self.pins.iter().find(|(pin, _)| pin.name == name);
        let known = self.known.get(name).copied();
        // Where the plan lies on the Earth, a place of it is known better by its tapes than by its own pin.
        let placed = known.and_then(|known| {
            let spread = match &self.fit {
                Some(fit) => fit.spread_on_plane(known),
                None => known.spread,
            };
            Some((self.to_earth(known.at)?, AXES_PER_RADIUS * spread.ellipse().major_m))
        });
        let earth = placed.or_else(|| pin.map(|(_, place)| (place.position, place.error_m)));
        (known.is_some() || earth.is_some()).then(|| Named {
            name,
            kind: self.kind_of(name),
            known,
            earth,
        })
    }

    /// What a place marks: as its pin, its point or `kinds` says; else an end of the frame is a corner, and what tapes
    /// lead to is a lid, unless other tapes start there.
    pub(super) fn kind_of(&self, name: &str) -> PinKind {
        let file = self.file;
        let pinned = || file.pins.iter().find(|pin| pin.name == name).map(|pin| pin.kind);
        let pointed = || {
            let point = file.points.iter().find(|point| point.name == name);
            point.and_then(|point| point.kind).map(|kind| kind.0)
        };
        let in_frame = file
            .frame
            .as_ref()
            .is_some_and(|frame| frame.from == name || frame.to == name);
        let led_to = file.ties.iter().any(|tie| tie.to == name) && !file.ties.iter().any(|tie| tie.from == name);
        file.kinds
            .get(name)
            .map(|kind| kind.0)
            .or_else(pinned)
            .or_else(pointed)
            .unwrap_or(match (in_frame, led_to) {
                (true, _) => PinKind::HouseCorner,
                (_, true) => PinKind::TankLid,
                _ => PinKind::Landmark,
            })
    }

    /// Returns the position of a place given in the file.
    pub(super) fn place_on_earth(&self, place: &Place, path: &str) -> Result<Position, ReadLocateError> {
        if let Place::Earth(position) = place {
            return Ok(*position);
        }
        if let Place::Named(name) = place
            && let Some(earth) = self.one_named(name).and_then(|named| named.earth)
        {
            return Ok(earth.0);
        }
        let at = self.place(place, path)?;
        self.to_earth(at).ok_or_else(|| {
            ReadLocateError::new(path, "the plan does not lie on the Earth: two of its places need a pin")
        })
    }
}

/// A place of the file that is known.
#[derive(Clone, Copy, Debug)]
pub(super) struct Named<'a> {
    pub(super) name: &'a str,
    pub(super) kind: PinKind,
    /// Where on the plan.
    pub(super) known: Option<Known>,
    /// Where on the Earth, and its error there, radius of about 68 %, m.
    pub(super) earth: Option<(Position, f64)>,
}
