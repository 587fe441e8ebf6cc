//! The yard as its records tell it: every pin in one frame, and the map of where the tank may be.
//!
//! The plan's axes are the house's: metres, y ahead. Pins laid down by tape or by hand are known in them; pins known
//! by position alone come in through the rigid fit of the places that are known both ways.

use crate::domain::locate::clue::Clue;
use crate::domain::locate::depth::SewerDepth;
use crate::domain::locate::fix::{Fix, FixQuality, PinKind, PinPlace, average};
use crate::domain::locate::frame::{RigidFit, Shared, fit_rigid};
use crate::domain::locate::plane::AXES_PER_RADIUS;
use crate::domain::locate::probe::{BestPlace, MapError, Met, Probe, ProbeMap};
use crate::domain::locate::ties::{Located, TapeError, Tie, TieError, locate};
use crate::domain::locate::yard::Yard;
use crate::domain::locate::{LocalPlane, Point, Position, Spread};
use crate::domain::record::{
    ClueKind, LidId, Pin, PinId, ProbeMet, RodProbe, TapeTie, TapeTieId, Visit, YardClue, YardClueId,
};
use crate::domain::units::{Length, round_to_i64};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How far off a place may be that was tapped on the plan by eye, radius of about 68 %, m (common practice).
pub const BY_EYE_M: f64 = 1.0;

/// How deep a house is drawn whose second wall nobody has taped, m (common practice; drawn dashed).
pub const USUAL_HOUSE_M: f64 = 8.0;

/// Half of the size of an obstacle nobody has measured, m (common practice for a tree or a slab).
pub const USUAL_OBSTACLE_MM: u32 = 1_000;

/// One standard deviation of a plan's north set by compass or by eye, degrees (common practice).
const NORTH_SIGMA_DEG: f64 = 5.0;

/// A lid known by positions alone is still looked for when they are no better than this, m: a tank's width (common
/// practice).
const LOOSE_M: f64 = 1.5;

/// How a place is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeldBy {
    /// By tape from places that are known.
    Tape,
    /// By position fixes alone.
    Position,
    /// By a tap on the plan.
    Eye,
}

/// A place of the plan with its error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// Where.
    pub at: Point,
    /// Its error.
    pub spread: Spread,
    /// How it is known.
    pub by: HeldBy,
}

impl Placed {
    /// Returns the radius of about 68 % in which the place lies, m.
    #[must_use]
    pub fn error_m(&self) -> f64 {
        AXES_PER_RADIUS * self.spread.ellipse().major_m
    }
}

/// What the tapes to a pin come to.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Taped {
    /// None was pulled, or one: not enough.
    #[default]
    TooFew,
    /// One of the places they start at is not known itself.
    Loose,
    /// Two places fit, and a person must pick.
    TwoSides(Located),
    /// They give the place.
    Placed(Located),
    /// They cannot.
    Refused(TieError),
}

/// One tape to a pin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TapeLine {
    /// The record.
    pub id: TapeTieId,
    /// Where the tape was held.
    pub origin: PinId,
    /// What it read.
    pub distance: Length,
    /// Tape less the distance on the plan, m, where both ends are known.
    pub off_m: Option<f64>,
}

/// One pin as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// The record.
    pub id: PinId,
    /// What it marks.
    pub kind: PinKind,
    /// Which lid.
    pub lid: Option<LidId>,
    /// The corner's letter; empty for anything else.
    pub letter: String,
    /// What the crew calls it.
    pub name: String,
    /// Where, when that is known.
    pub placed: Option<Placed>,
    /// Its position fixes, averaged.
    pub pinned: Option<PinPlace>,
    /// The tapes to it.
    pub ties: Vec<TapeLine>,
    /// What they come to.
    pub taped: Taped,
    /// The bearing of the pipe, degrees from the plan's y axis.
    pub pipe_deg: Option<f64>,
    /// Half of its size, m, of an obstacle.
    pub radius_m: f64,
    /// The places of a line.
    pub line: Vec<Point>,
}

impl Mark {
    /// Whether it is known by positions alone and no better than a rod can be put down without a map.
    #[must_use]
    pub fn is_loose(&self) -> bool {
        self.placed
            .is_some_and(|placed| placed.by == HeldBy::Position && placed.error_m() > LOOSE_M)
    }
}

/// Who gave a clue, for the words of a reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClueFrom {
    /// A pin.
    Pin(PinId),
    /// A clue.
    Clue(YardClueId, ClueKind),
}

/// A position fix as it is kept.
#[derive(Deserialize, Serialize)]
struct KeptFix {
    lat: f64,
    lon: f64,
    accuracy_m: Option<f64>,
    #[serde(default)]
    quality: u8,
    time: Option<chrono::DateTime<chrono::Utc>>,
}

/// Writes fixes as they are kept.
#[must_use]
pub fn write_fixes(fixes: &[Fix]) -> String {
    let kept: Vec<KeptFix> = fixes
        .iter()
        .map(|fix| KeptFix {
            lat: fix.position.latitude_deg(),
            lon: fix.position.longitude_deg(),
            accuracy_m: fix.accuracy_m,
            quality: match fix.quality {
                FixQuality::Autonomous => 0,
                FixQuality::Differential => 1,
                FixQuality::RtkFloat => 2,
                FixQuality::RtkFixed => 3,
            },
            time: fix.time,
        })
        .collect();
    // A list of numbers and times always has a JSON form; were it not so, no fix would be better than half of one.
    serde_json::to_string(&kept).unwrap_or_default()
}

/// Reads kept fixes back; what makes no sense is left out.
#[must_use]
pub fn read_fixes(text: &str) -> Vec<Fix> {
    let kept: Vec<KeptFix> = serde_json::from_str(text).unwrap_or_default();
    kept.into_iter()
        .filter_map(|fix| {
            Some(Fix {
                quality: match fix.quality {
                    1 => FixQuality::Differential,
                    2 => FixQuality::RtkFloat,
                    3 => FixQuality::RtkFixed,
                    _ => FixQuality::Autonomous,
                },
                time: fix.time,
                ..Fix::new(Position::new(fix.lat, fix.lon).ok()?, fix.accuracy_m)
            })
        })
        .collect()
}

/// Writes the places of a line as they are kept.
#[must_use]
pub fn write_line(line: &[(i64, i64)]) -> String {
    serde_json::to_string(line).unwrap_or_default()
}

/// Reads a kept line back.
#[must_use]
pub fn read_line(text: &str) -> Vec<(i64, i64)> {
    serde_json::from_str(text).unwrap_or_default()
}

/// A place of the plan from whole millimetres.
#[must_use]
pub fn point_of(x_mm: i64, y_mm: i64) -> Point {
    // Ten kilometres of millimetres stand exactly in an f64; a record from elsewhere may hold anything.
    let metres = |mm: i64| i32::try_from(mm.clamp(-10_000_000, 10_000_000)).map_or(0.0, |mm| f64::from(mm) / 1000.0);
    Point::new(metres(x_mm), metres(y_mm))
}

/// Whole millimetres of a place of the plan; `None` when it is not within ten kilometres.
#[must_use]
pub fn millimetres(at: Point) -> Option<(i64, i64)> {
    let whole = |metres: f64| round_to_i64(metres * 1000.0).filter(|mm| mm.abs() <= 10_000_000);
    Some((whole(at.x_m)?, whole(at.y_m)?))
}

/// The yard in one frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct YardModel {
    /// Every pin, in the order made.
    pub marks: Vec<Mark>,
    /// How the plan lies on the Earth, when it is known.
    pub fit: Option<RigidFit>,
    /// The plane of east and north that pins are on.
    earth: Option<LocalPlane>,
    /// The true bearing of the plan's y axis, degrees, when it is known.
    pub north_deg: Option<f64>,
    /// How many places are known both by position and on the plan.
    pub shared: usize,
    /// The house's outline; empty when fewer than two corners are known.
    pub house: Vec<Point>,
    /// Whether the far side of the house is only drawn as usual.
    pub house_assumed: bool,
    /// What limits where the tank can be.
    pub yard: Yard,
    /// What speaks for places, with who said it.
    pub clues: Vec<(Clue, ClueFrom)>,
    /// The pushes of the rod.
    pub probes: Vec<Probe>,
    /// What is known of the sewer's depth.
    pub sewer: SewerDepth,
    /// Whether the lid was found at this stop.
    pub lid_found: bool,
}

/// The records a yard is worked out from: of a visit, what has to do with places.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct YardRecords {
    pins: Vec<Pin>,
    ties: Vec<TapeTie>,
    clues: Vec<YardClue>,
    probes: Vec<RodProbe>,
    north_tenths: Option<i64>,
    sewer_invert_mm: Option<Length>,
    lid_found: bool,
}

impl YardRecords {
    /// Takes them from a visit.
    #[must_use]
    pub fn of(visit: &Visit) -> Self {
        Self {
            pins: visit.pins.clone(),
            ties: visit.ties.clone(),
            clues: visit.clues.clone(),
            probes: visit.probes.clone(),
            north_tenths: visit.site.north_tenths,
            sewer_invert_mm: visit.site.sewer_invert_mm,
            lid_found: visit.stop.lid_found == Some(true),
        }
    }

    /// Whether these are still the records of a visit: most touches change nothing about the yard.
    #[must_use]
    pub fn are_of(&self, visit: &Visit) -> bool {
        let Self {
            pins,
            ties,
            clues,
            probes,
            north_tenths,
            sewer_invert_mm,
            lid_found,
        } = self;
        *pins == visit.pins
            && *ties == visit.ties
            && *clues == visit.clues
            && *probes == visit.probes
            && *north_tenths == visit.site.north_tenths
            && *sewer_invert_mm == visit.site.sewer_invert_mm
            && *lid_found == (visit.stop.lid_found == Some(true))
    }
}

/// Finds places from records, step by step.
struct Solver<'a> {
    records: &'a YardRecords,
    placed: BTreeMap<PinId, Placed>,
    taped: BTreeMap<PinId, Taped>,
    pinned: BTreeMap<PinId, PinPlace>,
}

impl<'a> Solver<'a> {
    fn ties_to(&self, pin: PinId) -> impl Iterator<Item = &'a TapeTie> + use<'a> {
        self.records
            .ties
            .iter()
            .filter(move |tie| tie.target == pin && !tie.removed && tie.origin != pin)
    }

    fn is_corner(&self, pin: PinId) -> bool {
        let found = self.records.pins.iter().find(|other| other.id == pin);
        found.is_some_and(|pin| pin.kind == PinKind::HouseCorner)
    }

    fn by_eye(&self, pin: &Pin) -> Option<Placed> {
        let at = point_of(pin.x_mm?, pin.y_mm?);
        // The corner that the baseline starts at is where the frame starts: it has no error of its own.
        let starts_the_frame = pin.kind == PinKind::HouseCorner
            && self
                .records
                .ties
                .iter()
                .any(|tie| tie.origin == pin.id && self.is_corner(tie.target))
            && self.ties_to(pin.id).next().is_none();
        // Taken by position, the place is no better than that, whatever the plan is drawn from.
        if let Some(pinned) = self
            .pinned
            .get(&pin.id)
            .filter(|_| pin.kind != PinKind::HouseCorner && self.ties_to(pin.id).next().is_none())
        {
            return Some(Placed {
                at,
                spread: pinned.spread(),
                by: HeldBy::Position,
            });
        }
        let spread = if starts_the_frame {
            Spread::NONE
        } else {
            Spread::round(BY_EYE_M / AXES_PER_RADIUS)
        };
        Some(Placed {
            at,
            spread,
            by: HeldBy::Eye,
        })
    }

    /// One tape and a tap: the tape gives how far, the tap which way.
    fn by_one_tape(&self, pin: &Pin, tie: &TapeTie) -> Option<Placed> {
        let (origin, eye) = (self.placed.get(&tie.origin)?, self.by_eye(pin)?);
        let along = eye.at.minus(origin.at).unit()?;
        let distance_m = tie.distance_mm.mm() / 1000.0;
        let sigma_m = TapeError::default().sigma_m(distance_m);
        // Between corners the frame itself says which way: the walls are taken as square (common practice).
        let across_m = if pin.kind == PinKind::HouseCorner && self.is_corner(tie.origin) {
            sigma_m
        } else {
            BY_EYE_M / AXES_PER_RADIUS
        };
        let (a, c) = (sigma_m * sigma_m, across_m * across_m);
        let own = Spread {
            xx: a * along.x_m * along.x_m + c * along.y_m * along.y_m,
            xy: (a - c) * along.x_m * along.y_m,
            yy: a * along.y_m * along.y_m + c * along.x_m * along.x_m,
        };
        Some(Placed {
            at: origin.at.plus(along.times(distance_m)),
            spread: own.plus(origin.spread),
            by: HeldBy::Tape,
        })
    }

    fn tie(&self, tie: &TapeTie) -> Option<Tie> {
        let origin = self.placed.get(&tie.origin)?;
        Some(Tie {
            from: origin.at,
            from_spread: origin.spread,
            distance: tie.distance_mm,
            error: TapeError::default(),
        })
    }

    /// Tries to place one pin from its tapes; returns whether that settled it.
    fn try_tapes(&mut self, pin: &Pin, hint: Option<Point>) -> bool {
        let all: Vec<&TapeTie> = self.ties_to(pin.id).collect();
        let Some(ties) = all.iter().map(|tie| self.tie(tie)).collect::<Option<Vec<Tie>>>() else {
            self.taped.insert(pin.id, Taped::Loose);
            return false;
        };
        match (all.as_slice(), locate(&ties)) {
            ([], _) => false,
            ([only], _) => {
                let placed = self.by_one_tape(pin, only);
                self.taped.insert(pin.id, Taped::TooFew);
                self.settle(pin.id, placed)
            }
            (_, Err(error)) => {
                self.taped.insert(pin.id, Taped::Refused(error));
                let placed = self.by_eye(pin);
                self.settle(pin.id, placed)
            }
            (_, Ok(located)) => {
                let candidates = located.candidates.iter();
                let chosen = match (located.candidates.as_slice(), hint) {
                    ([only], _) => Some(only),
                    (_, Some(hint)) => {
                        candidates.min_by(|a, b| a.at.distance_m(hint).total_cmp(&b.at.distance_m(hint)))
                    }
                    _ => None,
                };
                let placed = chosen.map(|candidate| Placed {
                    at: candidate.at,
                    spread: candidate.spread,
                    by: HeldBy::Tape,
                });
                let taped = if placed.is_some() {
                    Taped::Placed(located)
                } else {
                    Taped::TwoSides(located)
                };
                self.taped.insert(pin.id, taped);
                self.settle(pin.id, placed)
            }
        }
    }

    fn settle(&mut self, pin: PinId, placed: Option<Placed>) -> bool {
        placed.is_some_and(|placed| self.placed.insert(pin, placed).is_none())
    }

    /// Places every pin that can be placed from what is placed already.
    fn spread_out(&mut self, on_plan: &dyn Fn(&PinPlace) -> Option<Point>) {
        loop {
            let mut progress = false;
            for pin in &self.records.pins {
                if self.placed.contains_key(&pin.id) {
                    continue;
                }
                let tapes = self.ties_to(pin.id).count();
                if tapes == 0 {
                    let placed = self.by_eye(pin);
                    progress |= self.settle(pin.id, placed);
                } else {
                    let tapped = pin.x_mm.zip(pin.y_mm).map(|(x, y)| point_of(x, y));
                    // A phone's fix tells the side only where the two sides lie further apart than it is wrong.
                    let fixed = || self.pinned.get(&pin.id).and_then(on_plan);
                    let hint = tapped.or_else(fixed);
                    progress |= self.try_tapes(pin, hint);
                }
            }
            if progress {
                continue;
            }
            // Tapes that hang on each other in a ring: the oldest place that was tapped starts it.
            let start = self
                .records
                .pins
                .iter()
                .filter(|pin| !self.placed.contains_key(&pin.id) && self.taped.get(&pin.id) == Some(&Taped::Loose))
                .find_map(|pin| Some((pin.id, self.by_eye(pin)?)));
            match start {
                Some((pin, placed)) => self.settle(pin, Some(placed)),
                None => return,
            };
        }
    }
}

impl YardModel {
    /// Works the yard out from a site's records.
    #[must_use]
    pub fn of(records: &YardRecords) -> Self {
        let pinned: BTreeMap<PinId, PinPlace> = records
            .pins
            .iter()
            .filter_map(|pin| Some((pin.id, average(&read_fixes(&pin.fixes))?)))
            .collect();
        let mut solver = Solver {
            records,
            placed: BTreeMap::new(),
            taped: BTreeMap::new(),
            pinned,
        };
        solver.spread_out(&|_| None);
        let mut model = Self {
            lid_found: records.lid_found,
            ..Self::default()
        };
        model.lie_on_earth(records, &solver);
        // What is known by position alone comes in, and with it whatever hangs on it by tape.
        for pin in &records.pins {
            let has_tapes = solver.ties_to(pin.id).count() > 1;
            if let Some(place) = solver.pinned.get(&pin.id)
                && !solver.placed.contains_key(&pin.id)
                && !has_tapes
                && let Some(at) = model.to_plan(place.position)
            {
                let placed = Placed {
                    at,
                    spread: place.spread(),
                    by: HeldBy::Position,
                };
                solver.placed.insert(pin.id, placed);
            }
        }
        solver.spread_out(&|place| model.to_plan(place.position));
        model.take_marks(records, &solver);
        model.take_limits(records);
        model.take_clues(records);
        model
    }

    /// Lays the plan on the positions of the places known both ways.
    fn lie_on_earth(&mut self, records: &YardRecords, solver: &Solver<'_>) {
        let north = records
            .north_tenths
            .and_then(|tenths| i32::try_from(tenths.rem_euclid(3_600)).ok())
            .map(|tenths| f64::from(tenths) / 10.0);
        self.north_deg = north;
        let both: Vec<(Placed, PinPlace)> = records
            .pins
            .iter()
            .filter_map(|pin| Some((*solver.placed.get(&pin.id)?, *solver.pinned.get(&pin.id)?)))
            .collect();
        self.shared = both.len();
        let Some((_, first)) = both.first() else { return };
        let plane = LocalPlane::at(first.position);
        let shared: Vec<Shared> = both
            .iter()
            .map(|(placed, pinned)| Shared {
                frame: placed.at,
                pin: plane.point(pinned.position),
                pin_error_m: pinned.error_m,
            })
            .collect();
        self.earth = Some(plane);
        let fitted = fit_rigid(&shared).ok();
        self.fit = match (fitted, north) {
            (Some(fit), None) => Some(fit),
            (Some(fit), Some(_)) if fit.turned_sigma_deg <= NORTH_SIGMA_DEG => Some(fit),
            // Pins so near each other say less of north than the compass does; the middle is still theirs.
            (Some(fit), Some(north)) => Some(RigidFit {
                turned_deg: north,
                turned_sigma_deg: NORTH_SIGMA_DEG,
                ..fit
            }),
            (None, Some(north)) => shared.first().map(|one| RigidFit {
                turned_deg: north,
                turned_sigma_deg: NORTH_SIGMA_DEG,
                frame_middle: one.frame,
                pin_middle: one.pin,
                middle_sigma_m: one.pin_error_m / AXES_PER_RADIUS,
                residuals_m: vec![0.0],
                rms_m: 0.0,
                agrees: true,
                worst: None,
            }),
            (None, None) => None,
        };
        self.north_deg = self.fit.as_ref().map(|fit| fit.turned_deg).or(north);
    }

    fn take_marks(&mut self, records: &YardRecords, solver: &Solver<'_>) {
        let mut corners = 0_u32;
        for pin in &records.pins {
            let letter = if pin.kind == PinKind::HouseCorner {
                corners += 1;
                letter(corners)
            } else {
                String::new()
            };
            let placed = solver.placed.get(&pin.id).copied();
            let ties = solver
                .ties_to(pin.id)
                .map(|tie| TapeLine {
                    id: tie.id,
                    origin: tie.origin,
                    distance: tie.distance_mm,
                    off_m: placed
                        .zip(solver.placed.get(&tie.origin))
                        .map(|(here, origin)| tie.distance_mm.mm() / 1000.0 - here.at.distance_m(origin.at)),
                })
                .collect();
            self.marks.push(Mark {
                id: pin.id,
                kind: pin.kind,
                lid: pin.lid,
                letter,
                name: pin.name.clone(),
                placed,
                pinned: solver.pinned.get(&pin.id).copied(),
                ties,
                taped: solver.taped.get(&pin.id).cloned().unwrap_or_default(),
                pipe_deg: pin
                    .pipe_tenths
                    .and_then(|tenths| i32::try_from(tenths.rem_euclid(3_600)).ok())
                    .map(|tenths| f64::from(tenths) / 10.0),
                radius_m: pin.radius_mm.unwrap_or(Length::from_mm(USUAL_OBSTACLE_MM)).mm() / 1000.0,
                line: read_line(&pin.line_mm)
                    .into_iter()
                    .map(|(x, y)| point_of(x, y))
                    .collect(),
            });
        }
    }

    fn take_limits(&mut self, records: &YardRecords) {
        let places = |kind: PinKind| {
            self.marks
                .iter()
                .filter(move |mark| mark.kind == kind)
                .filter_map(|mark| Some((mark.placed?.at, mark.radius_m)))
        };
        let corners: Vec<Point> = places(PinKind::HouseCorner).map(|(at, _)| at).collect();
        let (house, assumed) = house_outline(&corners);
        let lot: Vec<Point> = records
            .clues
            .iter()
            .filter(|clue| clue.kind == ClueKind::LotCorner)
            .map(|clue| point_of(clue.x_mm, clue.y_mm))
            .collect();
        self.yard = Yard {
            house: house.clone(),
            lot: if lot.len() > 2 { ring(&lot) } else { Vec::new() },
            blocked: places(PinKind::Obstacle).map(|(at, half)| square(at, half)).collect(),
            wells: places(PinKind::Well).map(|(at, _)| at).collect(),
            ..Yard::default()
        };
        (self.house, self.house_assumed) = (house, assumed);
    }

    fn take_clues(&mut self, records: &YardRecords) {
        let of_pin = |pin: &Pin| {
            let mark = self.marks.iter().find(|mark| mark.id == pin.id)?;
            let at = mark.placed?.at;
            let clue = match pin.kind {
                PinKind::SewerExit => Clue::SewerExit {
                    at,
                    pipe_deg: mark.pipe_deg,
                },
                PinKind::Cleanout => Clue::Cleanout {
                    at,
                    pipe_deg: mark.pipe_deg,
                },
                PinKind::FieldEnd | PinKind::DistributionBox => Clue::Field { at },
                PinKind::TankLid if mark.is_loose() => Clue::Pin {
                    at,
                    error: Length::from_real_mm(mark.placed?.error_m() * 1000.0)?,
                },
                _ => return None,
            };
            Some((pin.place, clue, ClueFrom::Pin(pin.id)))
        };
        let mut clues: Vec<(i64, Clue, ClueFrom)> = records.pins.iter().filter_map(of_pin).collect();
        for clue in &records.clues {
            let at = point_of(clue.x_mm, clue.y_mm);
            let radius = clue.radius_mm.unwrap_or_default();
            let said = match clue.kind {
                ClueKind::Field => Clue::Field { at },
                ClueKind::Oval => Clue::Oval { at, radius },
                ClueKind::Vent => Clue::Vent { at },
                ClueKind::Settled => Clue::Settled { at, radius },
                ClueKind::Marker => Clue::Marker { at },
                ClueKind::Customer => Clue::Customer { at, radius },
                ClueKind::Record => match clue.distance_mm {
                    Some(distance) => Clue::Record { from: at, distance },
                    None => continue,
                },
                ClueKind::LotCorner => continue,
            };
            clues.push((clue.place, said, ClueFrom::Clue(clue.id, clue.kind)));
        }
        // In the order they were learnt, so that a new one can be added to the map that stands.
        clues.sort_by_key(|(place, _, _)| *place);
        self.clues = clues.into_iter().map(|(_, clue, from)| (clue, from)).collect();
        self.probes = records
            .probes
            .iter()
            .map(|probe| Probe {
                at: point_of(probe.x_mm, probe.y_mm),
                depth: probe.depth_mm,
                met: match probe.met {
                    ProbeMet::Nothing => Met::Nothing,
                    ProbeMet::Tank => Met::Tank,
                    ProbeMet::Edge => Met::Edge,
                    ProbeMet::Pipe => Met::Pipe,
                },
            })
            .collect();
        self.sewer = SewerDepth {
            invert: records.sewer_invert_mm,
        };
    }

    /// Returns where a position lies on the plan, when the plan lies on the Earth.
    #[must_use]
    pub fn to_plan(&self, position: Position) -> Option<Point> {
        let at = self.fit.as_ref()?.to_frame(self.earth?.point(position));
        (at.length_m() < 10_000.0).then_some(at)
    }

    /// Returns the position of a place of the plan, when the plan lies on the Earth.
    #[must_use]
    pub fn to_earth(&self, at: Point) -> Option<Position> {
        Some(self.earth?.position(self.fit.as_ref()?.to_plane(at)))
    }

    /// Returns one pin.
    #[must_use]
    pub fn mark(&self, id: PinId) -> Option<&Mark> {
        self.marks.iter().find(|mark| mark.id == id)
    }

    /// The lids that have a place, in order.
    pub fn lids(&self) -> impl Iterator<Item = &Mark> {
        self.marks
            .iter()
            .filter(|mark| mark.kind == PinKind::TankLid && mark.placed.is_some())
    }

    /// Everything that has a place, for the view to take in.
    #[must_use]
    pub fn extent(&self) -> Vec<Point> {
        let mut all: Vec<Point> = self.house.clone();
        all.extend(self.marks.iter().filter_map(|mark| Some(mark.placed?.at)));
        all.extend(self.marks.iter().flat_map(|mark| mark.line.iter().copied()));
        for mark in &self.marks {
            if let Taped::TwoSides(located) = &mark.taped {
                all.extend(located.candidates.iter().map(|candidate| candidate.at));
            }
        }
        all.extend(self.clues.iter().map(|(clue, _)| clue.at()));
        all.extend(self.yard.lot.iter().copied());
        all.extend(self.probes.iter().map(|probe| probe.at));
        all
    }
}

/// A, B … Z, then A2 and so on: a house with more corners than letters is still named.
fn letter(number: u32) -> String {
    let place = number.saturating_sub(1);
    let letter = char::from_u32(u32::from('A') + place % 26).unwrap_or('A');
    if place < 26 {
        letter.to_string()
    } else {
        format!("{letter}{}", place / 26 + 1)
    }
}

/// The house from its corners; two are completed to the left of the wall, which is beyond it for whoever faces it.
fn house_outline(corners: &[Point]) -> (Vec<Point>, bool) {
    match corners {
        [a, b] => {
            let Some(along) = b.minus(*a).unit() else {
                return (Vec::new(), false);
            };
            let back = Point::new(-along.y_m, along.x_m).times(USUAL_HOUSE_M);
            (vec![*a, *b, b.plus(back), a.plus(back)], true)
        }
        [] | [_] => (Vec::new(), false),
        many => (ring(many), false),
    }
}

/// Corners as an outline: in the order given when that does not cross itself, else around their middle.
fn ring(corners: &[Point]) -> Vec<Point> {
    if !crosses_itself(corners) {
        return corners.to_vec();
    }
    let count = f64::from(u32::try_from(corners.len()).unwrap_or(1).max(1));
    let middle = corners
        .iter()
        .fold(Point::ORIGIN, |sum, corner| sum.plus(*corner))
        .times(1.0 / count);
    let mut around = corners.to_vec();
    around.sort_by(|a, b| middle.bearing_deg(*a).total_cmp(&middle.bearing_deg(*b)));
    around
}

fn crosses_itself(corners: &[Point]) -> bool {
    let edges: Vec<(Point, Point)> = corners
        .iter()
        .copied()
        .zip(corners.iter().copied().cycle().skip(1))
        .collect();
    let side = |a: Point, b: Point, p: Point| b.minus(a).cross(p.minus(a));
    edges.iter().enumerate().any(|(index, (a, b))| {
        edges
            .iter()
            .skip(index + 1)
            .any(|(c, d)| side(*a, *b, *c) * side(*a, *b, *d) < 0.0 && side(*c, *d, *a) * side(*c, *d, *b) < 0.0)
    })
}

fn square(at: Point, half: f64) -> Vec<Point> {
    [(-half, -half), (half, -half), (half, half), (-half, half)]
        .map(|(x, y)| at.plus(Point::new(x, y)))
        .to_vec()
}

/// The map of where the tank may be, kept in step with the records without making it anew for every push.
#[derive(Debug, Default)]
pub struct YardMap {
    made_of: Option<(Yard, SewerDepth)>,
    clues: Vec<Clue>,
    probes: Vec<Probe>,
    map: Option<Result<ProbeMap, MapError>>,
    best: Vec<BestPlace>,
    /// Changes with every change of the map, so that a picture of it can be kept.
    pub revision: u64,
}

impl YardMap {
    /// The map; `None` when a lid has been found or is known by more than positions, or nothing says where to look.
    #[must_use]
    pub fn map(&self) -> Option<&ProbeMap> {
        self.map.as_ref()?.as_ref().ok()
    }

    /// Why there is no map.
    #[must_use]
    pub fn error(&self) -> Option<MapError> {
        self.map.as_ref()?.as_ref().err().copied()
    }

    /// The best three places, the best first.
    #[must_use]
    pub fn best(&self) -> &[BestPlace] {
        &self.best
    }

    /// Brings the map in step with the yard.
    ///
    /// Only a clue or a push more is added to the map that stands; anything else makes it anew. Either way it is the
    /// same map, because the grid is the same.
    pub fn follow(&mut self, model: &YardModel) {
        if model.lid_found || model.lids().any(|mark| !mark.is_loose()) {
            if self.map.is_some() {
                *self = Self {
                    revision: self.revision + 1,
                    ..Self::default()
                };
            }
            return;
        }
        let clues: Vec<Clue> = model.clues.iter().map(|(clue, _)| *clue).collect();
        let frame = (model.yard.clone(), model.sewer);
        let same_frame = self.made_of.as_ref() == Some(&frame);
        if same_frame && self.clues == clues && self.probes == model.probes {
            return;
        }
        self.revision += 1;
        let grows = same_frame && clues.starts_with(&self.clues) && model.probes.starts_with(&self.probes);
        let standing = match self.map.take() {
            Some(Ok(map)) if grows && (clues.len() == self.clues.len() || map.lies_on_the_grid_of(&clues)) => Some(map),
            _ => None,
        };
        self.map = Some(if let Some(mut map) = standing {
            for clue in clues.iter().skip(self.clues.len()) {
                map.add_clue(*clue);
            }
            for probe in model.probes.iter().skip(self.probes.len()) {
                map.add_probe(*probe);
            }
            Ok(map)
        } else {
            ProbeMap::with_probes(frame.0.clone(), clues.clone(), frame.1, model.probes.clone())
        });
        self.best = self.map().map(|map| map.best_places(3)).unwrap_or_default();
        (self.made_of, self.clues, self.probes) = (Some(frame), clues, model.probes.clone());
    }
}
