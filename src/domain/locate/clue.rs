//! What is seen or said about where the tank is, each as a likelihood over the yard.
//!
//! A clue that may be about something else entirely is a mixture: with its trust `w` it was made by the tank and lies
//! about it by a normal error; otherwise it could be anywhere in the yard. `L(c) = w · N(clue - c) + (1 - w) / area`.

use super::plane::{AXES_PER_RADIUS, Point, distance_to_piece_m};
use super::yard::{METRES_PER_FOOT, Yard};
use crate::domain::units::Length;
use std::f64::consts::TAU;

/// Something seen or said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Clue {
    /// Where the sewer leaves the house, and the bearing it leaves on if that was seen.
    SewerExit {
        /// Where.
        at: Point,
        /// The pipe's bearing away from the house, degrees from the plane's y axis.
        pipe_deg: Option<f64>,
    },
    /// A cleanout on the sewer.
    Cleanout {
        /// Where.
        at: Point,
        /// The pipe's bearing away from the house, degrees from the plane's y axis.
        pipe_deg: Option<f64>,
    },
    /// The end of a field line, or a ridge over one.
    Field {
        /// Where.
        at: Point,
    },
    /// A dead or lush oval.
    Oval {
        /// Its middle.
        at: Point,
        /// Half of its size.
        radius: Length,
    },
    /// A vent pipe standing in the yard.
    Vent {
        /// Where.
        at: Point,
    },
    /// A patch that has settled.
    Settled {
        /// Its middle.
        at: Point,
        /// Half of its size.
        radius: Length,
    },
    /// An old riser, a marker, a stone set on purpose.
    Marker {
        /// Where.
        at: Point,
    },
    /// "Somewhere there."
    Customer {
        /// Where they pointed.
        at: Point,
        /// How wide they waved.
        radius: Length,
    },
    /// A lid known by positions alone: near it, and no nearer than they are good.
    Pin {
        /// Where they put it.
        at: Point,
        /// Their error, radius of about 68 %.
        error: Length,
    },
    /// A distance to the tank on a record drawing.
    Record {
        /// From where.
        from: Point,
        /// How far.
        distance: Length,
    },
}

/// What a likelihood rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// A published figure.
    Published(&'static str),
    /// What everyone in the trade uses, without a source.
    CommonPractice,
}

impl Clue {
    /// What its likelihood rests on.
    #[must_use]
    pub const fn basis(&self) -> Basis {
        match self {
            Self::SewerExit { .. } | Self::Cleanout { .. } => Basis::Published(
                "distance: popular how-to pages, 10-25 ft, some 5-25 ft (weak); spread of the bearing: common practice",
            ),
            Self::Field { .. } => Basis::Published(
                "30 TAC 285.33(a)(4): field pipe 5 ft or more from the tank; lying between house and field: common practice",
            ),
            Self::Marker { .. } => Basis::Published("15A NCAC 18A .1955: marker over or within 5 ft of an access"),
            _ => Basis::CommonPractice,
        }
    }

    /// Where it is.
    #[must_use]
    pub const fn at(&self) -> Point {
        match self {
            Self::SewerExit { at, .. }
            | Self::Cleanout { at, .. }
            | Self::Field { at }
            | Self::Oval { at, .. }
            | Self::Vent { at }
            | Self::Settled { at, .. }
            | Self::Marker { at }
            | Self::Customer { at, .. }
            | Self::Pin { at, .. } => *at,
            Self::Record { from, .. } => *from,
        }
    }

    /// The trust and the standard deviation along an axis, m, of a clue that marks a spot.
    fn spot(&self) -> Option<(f64, f64)> {
        let half = |radius: &Length| radius.mm() / 1000.0;
        match self {
            // Dead in a drought over the tank, but lush over the field as often.
            Self::Oval { radius, .. } => Some((0.5, half(radius).max(1.0))),
            Self::Vent { .. } => Some((0.4, 3.0)),
            Self::Settled { radius, .. } => Some((0.4, half(radius).max(1.0))),
            Self::Marker { .. } => Some((0.85, 5.0 * METRES_PER_FOOT / 1.5)),
            Self::Customer { radius, .. } => Some((0.6, half(radius).max(3.0))),
            // A lid lies within half a tank of its middle; one in twenty was pinned at another place (common practice).
            Self::Pin { error, .. } => Some((0.95, (half(error) / AXES_PER_RADIUS).hypot(0.6))),
            _ => None,
        }
    }
}

/// The sewer's line as all clues about it tell it together; they share one distance from the house, counted once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SewerLine {
    /// The last place it was seen.
    pub from: Point,
    /// Its bearing, degrees, and one standard deviation of it.
    pub bearing: Option<(f64, f64)>,
    /// Whether the bearing was seen, not taken as square to the wall.
    pub seen: bool,
}

impl SewerLine {
    /// Puts together what is known of the sewer; `None` when nothing is.
    #[must_use]
    pub fn from_clues(yard: &Yard, clues: &[Clue], found_pipe: &[Point]) -> Option<Self> {
        let exit = clues.iter().find_map(|clue| match clue {
            Clue::SewerExit { at, pipe_deg } => Some((*at, *pipe_deg)),
            _ => None,
        });
        let mut seen: Vec<(Point, Option<f64>)> = clues
            .iter()
            .filter_map(|clue| match clue {
                Clue::Cleanout { at, pipe_deg } => Some((*at, *pipe_deg)),
                _ => None,
            })
            .chain(found_pipe.iter().map(|at| (*at, None)))
            .collect();
        let start = exit.or_else(|| seen.first().copied())?;
        seen.sort_by(|a, b| a.0.distance_m(start.0).total_cmp(&b.0.distance_m(start.0)));
        let last = seen.last().copied().unwrap_or(start);
        let given = last.1.or(start.1);
        let apart_m = last.0.distance_m(start.0);
        let (bearing, was_seen) = if let Some(bearing) = given {
            (Some((bearing, SEEN_SIGMA_DEG)), true)
        } else if apart_m > 0.5 {
            // Two places on the pipe a little apart say less of its bearing than two far apart.
            let sigma = SEEN_SIGMA_DEG.hypot((PLACE_SIGMA_M / apart_m).atan().to_degrees());
            (Some((start.0.bearing_deg(last.0), sigma)), true)
        } else {
            (
                yard.outward_deg(start.0).map(|bearing| (bearing, SQUARE_SIGMA_DEG)),
                false,
            )
        };
        Some(Self {
            from: last.0,
            bearing,
            seen: was_seen,
        })
    }

    /// Returns the density of a tank's middle at `at`, not scaled: how far out, how far off the bearing, over the
    /// distance that a bearing's width grows with.
    fn density(&self, wall_m: Option<f64>, at: Point) -> f64 {
        let out_m = self.from.distance_m(at);
        let wall_m = wall_m.unwrap_or(out_m);
        let turned = self.bearing.map_or(1.0 / TAU, |(bearing, sigma)| {
            let off = (self.from.bearing_deg(at) - bearing + 180.0).rem_euclid(360.0) - 180.0;
            let place = (PLACE_SIGMA_M / out_m.max(0.5)).atan().to_degrees();
            // Most sewers run straight; some are bent on the way, and those are only on the same side of the house.
            let straight = if self.seen { STRAIGHT_SEEN } else { STRAIGHT_SQUARE };
            straight * normal(off, sigma.hypot(place)).to_degrees()
                + (1.0 - straight) * normal(off, BENT_SIGMA_DEG).to_degrees()
        });
        from_wall(wall_m) * turned / out_m.max(1.0)
    }

    /// How far a place lies off the line, m, and how far along it.
    #[must_use]
    pub fn off_and_along_m(&self, at: Point) -> Option<(f64, f64)> {
        let (bearing, _) = self.bearing?;
        let along = Point::polar(bearing, 1.0);
        let arm = at.minus(self.from);
        Some((along.cross(arm).abs(), along.dot(arm)))
    }
}

/// A bearing seen is good to about 8°, a sewer square to the wall to about 10° (common practice).
const SEEN_SIGMA_DEG: f64 = 8.0;
const SQUARE_SIGMA_DEG: f64 = 10.0;
/// Nine sewers in ten keep a bearing that was seen, four in five leave square to the wall; the others may be bent on
/// the way, mostly by one fitting of 22½° or 45° (common practice).
const STRAIGHT_SEEN: f64 = 0.9;
const STRAIGHT_SQUARE: f64 = 0.8;
const BENT_SIGMA_DEG: f64 = 32.0;
/// A field begins 5 ft or more past the tank. Source: 30 TAC 285.33(a)(4).
const FIELD_NEAREST_M: f64 = 5.0 * METRES_PER_FOOT;
/// How far past it a ridge is seen, how much the line turns at the tank, and how often a ridge is one (common practice).
const FIELD_REACH_M: f64 = 10.0;
const TURN_SIGMA_DEG: f64 = 40.0;
const FIELD_TRUST: f64 = 0.85;
/// How well a place on the pipe is pointed out, m (common practice).
const PLACE_SIGMA_M: f64 = 0.4;

/// The density of the distance from the wall to the tank's middle, per metre, not scaled.
///
/// Source: popular how-to pages: usually 10-25 ft from the house, some say 5-25 ft (weak). "Usually" is read as seven in
/// ten; the tank's middle is taken as 1 m behind its near edge, and beyond 25 ft the chance falls by e every 2 m (common
/// practice).
fn from_wall(wall_m: f64) -> f64 {
    let edge_ft = (wall_m - 1.0) / METRES_PER_FOOT;
    if edge_ft < 5.0 {
        0.05
    } else if edge_ft < 10.0 {
        0.5
    } else if edge_ft < 25.0 {
        1.0
    } else {
        0.4 * (-(edge_ft - 25.0) * METRES_PER_FOOT / 2.0).exp()
    }
}

fn normal(off: f64, sigma: f64) -> f64 {
    (-0.5 * (off / sigma).powi(2)).exp() / (sigma * TAU.sqrt())
}

/// Everything the clues say together, ready to be asked cell by cell.
#[derive(Clone, Debug)]
pub struct Evidence<'a> {
    yard: &'a Yard,
    clues: &'a [Clue],
    sewer: Option<SewerLine>,
    area_m2: f64,
}

impl<'a> Evidence<'a> {
    /// Takes the clues for a yard of so many square metres; `found_pipe` are the places where a rod met the sewer.
    #[must_use]
    pub fn new(yard: &'a Yard, clues: &'a [Clue], found_pipe: &[Point], area_m2: f64) -> Self {
        Self {
            yard,
            clues,
            sewer: SewerLine::from_clues(yard, clues, found_pipe),
            area_m2: area_m2.max(1.0),
        }
    }

    /// The sewer's line, when anything is known of it.
    #[must_use]
    pub const fn sewer(&self) -> Option<SewerLine> {
        self.sewer
    }

    /// Returns what every clue says of a tank whose middle is at `at`, `wall_m` from the house, not scaled.
    ///
    /// What the yard itself says ([`Yard::weight`]) is not in it: it never changes, so a map keeps it.
    #[must_use]
    pub fn weight(&self, wall_m: Option<f64>, at: Point) -> f64 {
        self.clues.iter().fold(self.sewer_weight(wall_m, at), |weight, clue| {
            weight * self.likelihood(clue, at)
        })
    }

    /// Returns what the sewer, or the house alone, says of a place `wall_m` from the house.
    #[must_use]
    pub fn sewer_weight(&self, wall_m: Option<f64>, at: Point) -> f64 {
        match (self.sewer, wall_m) {
            (Some(sewer), _) => sewer.density(wall_m, at),
            // No sewer seen: any way out of the house, so that the distance spreads over a growing ring.
            (None, Some(wall_m)) => from_wall(wall_m) / (wall_m + 5.0),
            (None, None) => 1.0,
        }
    }

    /// Returns what one clue says of a place, per m², not scaled; the sewer's clues are in [`Self::sewer_weight`].
    #[must_use]
    pub fn likelihood(&self, clue: &Clue, at: Point) -> f64 {
        if let Some((trust, sigma)) = clue.spot() {
            let off = clue.at().distance_m(at);
            return trust * (-0.5 * (off / sigma).powi(2)).exp() / (TAU * sigma * sigma) + (1.0 - trust) / self.area_m2;
        }
        match clue {
            Clue::Field { at: field } => self.field_likelihood(*field, at),
            Clue::Record { from, distance } => {
                let distance_m = distance.mm() / 1000.0;
                // To which part of the tank it was drawn, and how well it was paced, is anyone's guess.
                let sigma = 1.0_f64.hypot(0.03 * distance_m);
                0.75 * normal(from.distance_m(at) - distance_m, sigma) + 0.25 / 30.0
            }
            _ => 1.0,
        }
    }

    /// A field lies on from the tank: the line turns there by some angle, and goes on 5 ft or more.
    fn field_likelihood(&self, field: Point, at: Point) -> f64 {
        let on_m = field.distance_m(at);
        let turned =
            (at.bearing_deg(field) - self.field_start(field).bearing_deg(at) + 180.0).rem_euclid(360.0) - 180.0;
        let range = if on_m < FIELD_NEAREST_M {
            0.1
        } else {
            (-(on_m - FIELD_NEAREST_M) / FIELD_REACH_M).exp()
        };
        let about_it =
            normal(turned, TURN_SIGMA_DEG).to_degrees() * range / (FIELD_REACH_M * on_m.max(FIELD_NEAREST_M));
        FIELD_TRUST * about_it + (1.0 - FIELD_TRUST) / self.area_m2
    }

    fn field_start(&self, field: Point) -> Point {
        let nearest_corner = || {
            let corners = self.yard.house.iter().copied();
            corners.min_by(|a, b| a.distance_m(field).total_cmp(&b.distance_m(field)))
        };
        self.sewer
            .map(|sewer| sewer.from)
            .or_else(nearest_corner)
            .unwrap_or(field)
    }

    /// How far a place lies off the line from the sewer to the field, m.
    #[must_use]
    pub fn field_off_m(&self, field: Point, at: Point) -> f64 {
        distance_to_piece_m(at, self.field_start(field), field).0
    }
}
