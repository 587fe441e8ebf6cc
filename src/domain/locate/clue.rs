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

/// One way the sewer may run.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Lobe {
    share: f64,
    deg: f64,
    sigma: f64,
}

/// The sewer's line as all clues about it tell it together; they share one distance from the house, counted once.
#[derive(Clone, Debug, PartialEq)]
pub struct SewerLine {
    /// The last place it was seen.
    pub from: Point,
    /// Its most likely bearing, degrees; `None` when nothing says which way it runs.
    pub bearing_deg: Option<f64>,
    /// Whether the bearing was seen, not taken as square to the wall.
    pub seen: bool,
    /// The ways it may run, their shares adding to one.
    lobes: Vec<Lobe>,
}

impl SewerLine {
    /// Puts together what is known of the sewer; `None` when nothing is.
    ///
    /// What is known of its bearing is multiplied: that most leave square to the wall, the bearing that was seen, and
    /// the line from where it leaves the house to the last place it was met. Each holds with its trust and may be
    /// anything else with the rest, so that two which contradict each other leave both open.
    #[must_use]
    pub fn from_clues(yard: &Yard, clues: &[Clue], found_pipe: &[Point]) -> Option<Self> {
        let exit = clues.iter().find_map(|clue| match clue {
            Clue::SewerExit { at, pipe_deg } => Some((*at, *pipe_deg)),
            _ => None,
        });
        let mut met: Vec<(Point, Option<f64>)> = clues
            .iter()
            .filter_map(|clue| match clue {
                Clue::Cleanout { at, pipe_deg } => Some((*at, *pipe_deg)),
                _ => None,
            })
            .chain(found_pipe.iter().map(|at| (*at, None)))
            .collect();
        let start = exit.or_else(|| met.first().copied())?;
        met.sort_by(|a, b| a.0.distance_m(start.0).total_cmp(&b.0.distance_m(start.0)));
        let last = met.last().copied().unwrap_or(start);
        let apart_m = last.0.distance_m(start.0);
        let given = last.1.or(start.1).filter(|deg| deg.is_finite());
        let given = given.map(|deg| (deg.rem_euclid(360.0), SEEN_SIGMA_DEG, STRAIGHT_SEEN));
        // Two places on the pipe give its bearing by geometry: the nearer together, the less they say.
        let between = (apart_m > 0.5 && apart_m.is_finite()).then(|| {
            let sigma = (PLACE_SIGMA_M / apart_m).atan().to_degrees();
            (start.0.bearing_deg(last.0), sigma, STRAIGHT_SEEN)
        });
        let square = yard
            .outward_deg(start.0)
            .map(|deg| (deg, SQUARE_SIGMA_DEG, STRAIGHT_SQUARE));
        let mut lobes = [square, given, between]
            .into_iter()
            .flatten()
            .fold(Vec::new(), |lobes, said| narrowed(&lobes, said));
        let strongest = lobes.iter().max_by(|a, b| a.share.total_cmp(&b.share)).copied();
        let seen = given.is_some() || between.is_some();
        // However well its beginning is known, it may be bent farther on.
        if let Some(strongest) = strongest.filter(|_| seen) {
            for lobe in &mut lobes {
                lobe.share *= 1.0 - BENT_FARTHER_ON;
            }
            lobes.push(Lobe {
                share: BENT_FARTHER_ON,
                deg: strongest.deg,
                sigma: BENT_SIGMA_DEG,
            });
        }
        Some(Self {
            from: last.0,
            bearing_deg: strongest.map(|lobe| lobe.deg),
            seen,
            lobes,
        })
    }

    /// Returns the density of a tank's middle at `at`, not scaled: how far out, how far off the bearing, over the
    /// distance that a bearing's width grows with.
    fn density(&self, wall_m: Option<f64>, at: Point) -> f64 {
        let out_m = self.from.distance_m(at);
        let wall_m = wall_m.unwrap_or(out_m);
        let turned = if self.lobes.is_empty() {
            1.0 / TAU
        } else {
            let bearing = self.from.bearing_deg(at);
            let place = (PLACE_SIGMA_M / out_m.max(0.5)).atan().to_degrees();
            let widened = |sigma: f64| (sigma * sigma + place * place).sqrt();
            self.lobes
                .iter()
                .map(|lobe| {
                    let (off, sigma) = (turn(lobe.deg, bearing), widened(lobe.sigma));
                    // Six sigmas off, one in fifty million: not worth working out for every cell.
                    if off.abs() > 6.0 * sigma {
                        0.0
                    } else {
                        lobe.share * normal(off, sigma).to_degrees()
                    }
                })
                .sum()
        };
        from_wall(wall_m) * turned / out_m.max(1.0)
    }

    /// How far a place lies off the line, m, and how far along it.
    #[must_use]
    pub fn off_and_along_m(&self, at: Point) -> Option<(f64, f64)> {
        let bearing = self.bearing_deg?;
        let along = Point::polar(bearing, 1.0);
        let arm = at.minus(self.from);
        Some((along.cross(arm).abs(), along.dot(arm)))
    }
}

/// A bearing seen is good to about 8°, a sewer square to the wall to about 10° (common practice).
const SEEN_SIGMA_DEG: f64 = 8.0;
const SQUARE_SIGMA_DEG: f64 = 10.0;
/// Forty-nine bearings in fifty that were seen are the sewer's, and as many places on it lie on it; four sewers in five
/// leave square to the wall, the others any way on that side, mostly by one fitting of 22½° or 45° (common practice).
const STRAIGHT_SEEN: f64 = 0.98;
const STRAIGHT_SQUARE: f64 = 0.8;
const BENT_SIGMA_DEG: f64 = 32.0;
/// One sewer in twenty is bent past the last place where it was seen (common practice).
const BENT_FARTHER_ON: f64 = 0.05;
/// A way the sewer may run that is less likely than this is left out.
const LEAST_SHARE: f64 = 0.002;
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

/// Multiplies what is known of a bearing with one thing more: each pair of lobes makes a lobe between them.
fn narrowed(lobes: &[Lobe], (deg, sigma, straight): (f64, f64, f64)) -> Vec<Lobe> {
    let said = [(straight, sigma), (1.0 - straight, BENT_SIGMA_DEG)].map(|(share, sigma)| Lobe { share, deg, sigma });
    if lobes.is_empty() {
        return said.to_vec();
    }
    let mut both: Vec<Lobe> = lobes
        .iter()
        .flat_map(|a| {
            said.iter().map(|b| {
                let off = turn(a.deg, b.deg);
                let (va, vb) = (a.sigma.powi(2), b.sigma.powi(2));
                Lobe {
                    share: a.share * b.share * normal(off, a.sigma.hypot(b.sigma)),
                    deg: (a.deg + off * va / (va + vb)).rem_euclid(360.0),
                    sigma: (va * vb / (va + vb)).sqrt(),
                }
            })
        })
        .collect();
    let total: f64 = both.iter().map(|lobe| lobe.share).sum();
    both.retain(|lobe| lobe.share > total * LEAST_SHARE);
    let total: f64 = both.iter().map(|lobe| lobe.share).sum();
    for lobe in &mut both {
        lobe.share /= total;
    }
    both
}

/// How far one bearing is turned from another, -180 to 180 degrees; both from 0 to 360.
fn turn(from_deg: f64, to_deg: f64) -> f64 {
    let off = to_deg - from_deg;
    if off > 180.0 {
        off - 360.0
    } else if off < -180.0 {
        off + 360.0
    } else {
        off
    }
}

fn normal(off: f64, sigma: f64) -> f64 {
    (-0.5 * (off / sigma).powi(2)).exp() / (sigma * TAU.sqrt())
}

/// Everything the clues say together, ready to be asked cell by cell.
#[derive(Clone, Debug)]
pub struct Evidence<'a> {
    yard: &'a Yard,
    sewer: Option<SewerLine>,
    area_m2: f64,
}

impl<'a> Evidence<'a> {
    /// Takes the clues for a yard of so many square metres; `found_pipe` are the places where a rod met the sewer.
    #[must_use]
    pub fn new(yard: &'a Yard, clues: &[Clue], found_pipe: &[Point], area_m2: f64) -> Self {
        Self {
            yard,
            sewer: SewerLine::from_clues(yard, clues, found_pipe),
            area_m2: area_m2.max(1.0),
        }
    }

    /// The sewer's line, when anything is known of it.
    #[must_use]
    pub const fn sewer(&self) -> Option<&SewerLine> {
        self.sewer.as_ref()
    }

    /// Multiplies what is `said` of each place by what one clue says of it, and scales it so that the most is one: the
    /// product of many clues would be more than a number holds.
    pub fn multiply(&self, clue: &Clue, places: impl Iterator<Item = Point>, said: &mut [f64]) {
        if matches!(clue, Clue::SewerExit { .. } | Clue::Cleanout { .. }) {
            return;
        }
        let mut most = 0.0_f64;
        for (at, said) in places.zip(&mut *said) {
            if *said > 0.0 {
                *said *= self.likelihood(clue, at);
                most = most.max(*said);
            }
        }
        if most > 0.0 {
            for said in said {
                *said /= most;
            }
        }
    }

    /// Returns what the sewer, or the house alone, says of a place `wall_m` from the house.
    #[must_use]
    pub fn sewer_weight(&self, wall_m: Option<f64>, at: Point) -> f64 {
        match (&self.sewer, wall_m) {
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
        let turned = turn(self.field_start(field).bearing_deg(at), at.bearing_deg(field));
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
            .as_ref()
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

#[cfg(test)]
#[allow(clippy::panic, clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;

    fn m(metres: f64) -> Length {
        Length::from_real_mm(metres * 1_000.0).unwrap_or_default()
    }

    /// How sure each clue is and how far it reaches: the figures of `docs/probing.md`, marker within 5 ft and a half again as
    /// the worst, a pin's radius of 68 % over 1.5096 and half a tank beside it.
    #[test]
    fn each_spot_reaches_as_far_as_it_says() {
        let at = Point::ORIGIN;
        for (clue, spot) in [
            (Clue::Oval { at, radius: m(3.0) }, Some((0.5, 3.0))),
            (Clue::Oval { at, radius: m(0.4) }, Some((0.5, 1.0))),
            (Clue::Vent { at }, Some((0.4, 3.0))),
            (Clue::Settled { at, radius: m(2.5) }, Some((0.4, 2.5))),
            (Clue::Settled { at, radius: m(0.4) }, Some((0.4, 1.0))),
            (Clue::Marker { at }, Some((0.85, 1.016))),
            (Clue::Customer { at, radius: m(8.0) }, Some((0.6, 8.0))),
            (Clue::Customer { at, radius: m(1.0) }, Some((0.6, 3.0))),
            // √((6.038 / 1.509592)² + 0.6²) = √(15.9980 + 0.36)
            (Clue::Pin { at, error: m(6.038) }, Some((0.95, 4.0445))),
            (Clue::Field { at }, None),
            (
                Clue::Record {
                    from: at,
                    distance: m(5.0),
                },
                None,
            ),
            (Clue::SewerExit { at, pipe_deg: None }, None),
            (Clue::Cleanout { at, pipe_deg: None }, None),
        ] {
            match (clue.spot(), spot) {
                (None, None) => {}
                (Some((trust, sigma)), Some((expected, reach))) => {
                    assert!(
                        (trust - expected).abs() < 1e-12 && (sigma - reach).abs() < 1e-4,
                        "{clue:?}: {trust}, {sigma}"
                    );
                }
                found => panic!("{clue:?}: {found:?}"),
            }
        }
    }

    /// By hand: two places on the pipe, 3 m east and 4 m north of each other, give its bearing, atan(3 / 4) = 36.87 degrees,
    /// with an error of atan(0.4 / 5) = 4.574 degrees. So near to each other that both may be the same place, they give none.
    #[test]
    fn two_places_on_the_pipe_give_its_bearing() {
        let exit = |pipe_deg| Clue::SewerExit {
            at: Point::ORIGIN,
            pipe_deg,
        };
        let line = SewerLine::from_clues(&Yard::default(), &[exit(None)], &[Point::new(3.0, 4.0)]).unwrap();
        assert_eq!(line.from, Point::new(3.0, 4.0));
        assert!(line.seen);
        assert!((line.bearing_deg.unwrap() - 36.8699).abs() < 1e-4, "{line:?}");
        let narrowest = line.lobes.iter().map(|lobe| lobe.sigma).fold(f64::INFINITY, f64::min);
        assert!((narrowest - 4.5739).abs() < 1e-4, "{line:?}");
        let near = SewerLine::from_clues(&Yard::default(), &[exit(None)], &[Point::new(0.3, 0.3)]).unwrap();
        assert_eq!((near.bearing_deg, near.seen), (None, false), "{near:?}");
        // What was seen of the pipe where it leaves is narrowed by the second place, not replaced.
        let both = SewerLine::from_clues(&Yard::default(), &[exit(Some(40.0))], &[Point::new(3.0, 4.0)]).unwrap();
        let bearing = both.bearing_deg.unwrap();
        assert!(bearing > 36.87 && bearing < 40.0, "{both:?}");
    }

    /// Every way the sewer may run is one of its lobes: together they are certain, and with a bearing seen one in twenty is bent
    /// farther on.
    #[test]
    fn the_ways_a_sewer_may_run_add_to_one() {
        let exit = |pipe_deg| Clue::SewerExit {
            at: Point::ORIGIN,
            pipe_deg,
        };
        for (clue, found) in [
            (exit(Some(40.0)), vec![]),
            (exit(None), vec![Point::new(3.0, 4.0)]),
            (exit(Some(40.0)), vec![Point::new(3.0, 4.0)]),
        ] {
            let line = SewerLine::from_clues(&Yard::default(), &[clue], &found).unwrap();
            let sum: f64 = line.lobes.iter().map(|lobe| lobe.share).sum();
            assert!((sum - 1.0).abs() < 1e-12, "{line:?}");
            let bent = line.lobes.last().unwrap().share;
            assert!((bent - 0.05).abs() < 1e-12, "{line:?}");
        }
    }

    /// By hand, two bearings of 8 degrees that are 20 apart: both straight, the middle of both with 8 / √2 degrees and
    /// 0.98² · N(20, 11.314); one of them bent, 64 / 1,088 of the way from the straight one, 0.98 · 0.02 · N(20, 32.985) each;
    /// both bent, less than one in five hundred, is left out. Scaled to one: 0.9473 and twice 0.0263.
    #[test]
    fn two_bearings_narrow_each_other_by_how_well_they_agree() {
        let lobes = narrowed(&narrowed(&[], (0.0, 8.0, 0.98)), (20.0, 8.0, 0.98));
        let expected = [
            (0.947_35, 10.0, 5.656_85),
            (0.026_32, 1.176_47, 7.761_14),
            (0.026_32, 18.823_53, 7.761_14),
        ];
        assert_eq!(lobes.len(), expected.len(), "{lobes:?}");
        for (lobe, (share, deg, sigma)) in lobes.iter().zip(expected) {
            let off = [lobe.share - share, lobe.deg - deg, lobe.sigma - sigma];
            assert!(off.iter().all(|off| off.abs() < 1e-4), "{lobe:?}");
        }
    }

    /// By hand: a drawing that says 10 m is good to √(1² + 0.3²) m, so right there it says 0.75 · 0.398942 / 1.04403 + 0.25 / 30,
    /// and 2 m farther on e^(−0.5 · 4 / 1.09) of the first part.
    #[test]
    fn a_drawing_says_a_ring() {
        let yard = Yard::default();
        let evidence = Evidence::new(&yard, &[], &[], 1e4);
        let record = Clue::Record {
            from: Point::new(1.0, 1.0),
            distance: m(10.0),
        };
        for (at, expected) in [
            (Point::new(11.0, 1.0), 0.294_919),
            (Point::new(1.0, 13.0), 0.054_082),
            (Point::new(1.0, -7.0), 0.054_082),
        ] {
            let said = evidence.likelihood(&record, at);
            assert!((said - expected).abs() < 1e-5, "{at:?}: {said}");
        }
    }

    /// By hand, the sewer leaving at the origin and the field 20 m on: a tank half way has the field straight on and 10 m
    /// behind it, 0.85 · (0.398942 / 40 · 57.2958) · e^(−0.8476) / (10 · 10) + 0.15 / 10⁴; nearer to the field than 5 ft a tenth
    /// stands in for the e-th power; and where the line would turn by 90 degrees, e^(−0.5 · 2.25²) of it.
    #[test]
    fn a_field_lies_on_from_the_tank() {
        let exit = Clue::SewerExit {
            at: Point::ORIGIN,
            pipe_deg: None,
        };
        let yard = Yard::default();
        let evidence = Evidence::new(&yard, &[exit], &[], 1e4);
        let field = Clue::Field {
            at: Point::new(0.0, 20.0),
        };
        for (at, expected) in [
            (Point::new(0.0, 10.0), 2.096_02e-3),
            (Point::new(0.0, 19.0), 3.202_12e-3),
            (Point::new(10.0, 10.0), 9.236_8e-5),
            (Point::new(-10.0, 10.0), 9.236_8e-5),
        ] {
            let said = evidence.likelihood(&field, at);
            assert!((said / expected - 1.0).abs() < 1e-4, "{at:?}: {said}");
        }
        // Without a sewer the line begins at the corner of the house that is nearest to the field.
        let house = [(0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0)].map(|(x, y)| Point::new(x, y));
        let yard = Yard {
            house: house.to_vec(),
            ..Yard::default()
        };
        let evidence = Evidence::new(&yard, &[], &[], 1e4);
        let off_m = evidence.field_off_m(Point::new(10.0, 28.0), Point::new(13.0, 18.0));
        assert!((off_m - 3.0).abs() < 1e-9, "{off_m}");
    }

    /// Where no sewer was seen, a ring 5 m from the wall is 10 m wide around; where no house is drawn either, all is alike.
    #[test]
    fn without_a_sewer_the_distance_from_the_house_is_all_there_is() {
        let yard = Yard::default();
        let evidence = Evidence::new(&yard, &[], &[], 1e4);
        let weight = |wall_m| evidence.sewer_weight(wall_m, Point::ORIGIN);
        assert!((weight(Some(5.0)) - 0.1).abs() < 1e-12);
        assert!((weight(Some(7.0)) - 1.0 / 12.0).abs() < 1e-12);
        assert!((weight(None) - 1.0).abs() < 1e-12);
    }

    /// One clue more multiplies what was said and leaves the most at one; what is ruled out stays so; what the sewer's clues
    /// say is not said twice.
    #[test]
    fn a_clue_multiplies_what_was_said() {
        let yard = Yard::default();
        let evidence = Evidence::new(&yard, &[], &[], 1e4);
        let places = [Point::ORIGIN, Point::new(2.0, 0.0), Point::new(0.0, 1.0)];
        let marker = Clue::Marker { at: Point::ORIGIN };
        let likely = places.map(|at| evidence.likelihood(&marker, at));
        let mut said = [0.5, 1.0, 0.0];
        evidence.multiply(&marker, places.into_iter(), &mut said);
        let expected = [1.0, likely[1] / (0.5 * likely[0]), 0.0];
        for (said, expected) in said.iter().zip(expected) {
            assert!((said - expected).abs() < 1e-12, "{said} against {expected}");
        }
        let before = said;
        let exit = Clue::SewerExit {
            at: Point::ORIGIN,
            pipe_deg: None,
        };
        evidence.multiply(&exit, places.into_iter(), &mut said);
        assert!(
            said.iter()
                .zip(before)
                .all(|(now, before)| (now - before).abs() < 1e-15)
        );
        let mut nothing = [0.0; 3];
        evidence.multiply(&marker, places.into_iter(), &mut nothing);
        assert!(nothing.iter().all(|said| said.abs() < 1e-15));
    }

    /// What has a source names it; the rest says that it is common practice.
    #[test]
    fn a_likelihood_says_what_it_rests_on() {
        let at = Point::ORIGIN;
        for (clue, source) in [
            (Clue::SewerExit { at, pipe_deg: None }, "how-to pages"),
            (Clue::Cleanout { at, pipe_deg: None }, "how-to pages"),
            (Clue::Field { at }, "30 TAC 285.33"),
            (Clue::Marker { at }, "15A NCAC 18A .1955"),
        ] {
            assert!(
                matches!(clue.basis(), Basis::Published(text) if text.contains(source)),
                "{clue:?}"
            );
        }
        assert_eq!(Clue::Vent { at }.basis(), Basis::CommonPractice);
    }

    /// What a spot says is a density: over a yard of 100 x 100 m it adds to one.
    #[test]
    fn what_a_spot_says_adds_to_one() {
        let yard = Yard::default();
        let at = Point::new(50.0, 50.0);
        for clue in [Clue::Marker { at }, Clue::Vent { at }, Clue::Pin { at, error: m(5.0) }] {
            let evidence = Evidence::new(&yard, &[], &[], 1e4);
            let sum: f64 = (0..500)
                .flat_map(|x| (0..500).map(move |y| Point::new(0.1 + 0.2 * f64::from(x), 0.1 + 0.2 * f64::from(y))))
                .map(|at| evidence.likelihood(&clue, at) * 0.04)
                .sum();
            assert!((sum - 1.0).abs() < 1e-3, "{clue:?}: {sum}");
        }
    }

    /// Tenths of a foot around the bands of `docs/probing.md`: the near edge 5, 10 and 25 ft from the wall, then an e-th every
    /// 2 m. By hand at 35 ft: 0.4 · e^(−10 · 0.3048 / 2) = 0.4 · 0.21784.
    #[test]
    fn a_tank_lies_at_the_usual_distance_from_the_wall() {
        let edge = |feet: f64| from_wall(1.0 + feet * METRES_PER_FOOT);
        for (feet, expected) in [
            (4.9, 0.05),
            (5.1, 0.5),
            (9.9, 0.5),
            (10.1, 1.0),
            (24.9, 1.0),
            (25.0 + 1e-9, 0.4),
            (35.0, 0.087_136),
        ] {
            assert!((edge(feet) - expected).abs() < 1e-5, "{feet} ft: {}", edge(feet));
        }
    }

    /// One bearing of 8°, 10 m on. By hand: the place turns it by atan(0.4 / 10) = 2.2906°, together 8.3215°; straight ahead the
    /// bell is 0.398942 / 8.3215 a degree, or 2.74683 a radian, 5° off e^(−0.5 · (5 / 8.3215)²) = 0.83484 of it; 29.528 ft from
    /// the wall count 0.4 · e^(−4.528 · 0.3048 / 2) = 0.20062; over 10 m. Six widths off nothing is left.
    #[test]
    fn a_bearing_widens_with_the_place_and_thins_with_the_distance() {
        let line = SewerLine {
            from: Point::new(3.0, 2.0),
            bearing_deg: Some(0.0),
            seen: true,
            lobes: vec![Lobe {
                share: 1.0,
                deg: 0.0,
                sigma: SEEN_SIGMA_DEG,
            }],
        };
        let density = |deg: f64| line.density(None, line.from.plus(Point::polar(deg, 10.0)));
        let ahead = 0.200_62 * 2.746_83 / 10.0;
        assert!((density(0.0) - ahead).abs() < 2e-5, "{} against {ahead}", density(0.0));
        assert!((density(5.0) / density(0.0) - 0.834_84).abs() < 1e-4);
        assert!((density(355.0) - density(5.0)).abs() < 1e-12);
        assert!(density(49.0) > 0.0 && density(51.0) <= 0.0);
        // Nearer than a metre and a half metre it thins no more.
        let near = |metres: f64| line.density(Some(10.0), line.from.plus(Point::polar(0.0, metres)));
        assert!((near(0.2) - near(0.4)).abs() < 1e-12);
        assert_eq!(line.off_and_along_m(Point::new(6.0, 12.0)), Some((3.0, 10.0)));
        assert_eq!(line.off_and_along_m(Point::new(1.0, 0.0)), Some((2.0, -2.0)));
        // Nothing says which way: as much all around.
        let unknown = SewerLine {
            bearing_deg: None,
            lobes: Vec::new(),
            ..line.clone()
        };
        let at = |deg: f64| unknown.density(Some(5.0), line.from.plus(Point::polar(deg, 4.0)));
        assert!((at(0.0) - 1.0 / TAU / 4.0).abs() < 1e-12 && (at(0.0) - at(77.0)).abs() < 1e-12);
        assert_eq!(unknown.off_and_along_m(Point::ORIGIN), None);
    }
}
