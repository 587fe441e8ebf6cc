//! Tape ties: a place from its distances to places already known.

use super::plane::{Ellipse, Point, Spread};
use crate::domain::units::Length;

/// Arcs that cross more flatly than this are a weak fix.
///
/// Source: common practice in surveying, triangles with no angle under 30°.
pub const WEAK_CROSSING_DEG: f64 = 30.0;

/// A standardised residual larger than this is a disagreement: one honest tie in a thousand passes it.
///
/// Source: Baarda (1968), "A testing procedure for use in geodetic networks", critical value 3.29 at 0.1 %
/// (value of the normal distribution; paper not seen).
pub const DISAGREES_AT: f64 = 3.29;

/// How much better, in sums of squares, leaving one tie out must fit than leaving any other out before it is named:
/// the chi-square distribution's 99 % value for one degree of freedom.
const NAMED_AT: f64 = 6.635;

/// The chi-square distribution's 99.9 % values for 1 to 8 degrees of freedom.
const CHI_SQUARE_999: [f64; 8] = [10.828, 13.816, 16.266, 18.467, 20.515, 22.458, 24.322, 26.124];

/// How far a tape reading may be off.
///
/// One standard deviation is `√(fixed² + (per_mille · distance / 1000)²)`: finding the middle of the lid and the edge
/// of the corner, then sag and slope, which grow with the distance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TapeError {
    /// The part that does not depend on the distance.
    pub fixed: Length,
    /// The part that grows with the distance, thousandths.
    pub per_mille: f64,
}

impl Default for TapeError {
    /// 25 mm and 2 ‰: common practice for a cloth or steel tape pulled over a lawn by one person.
    fn default() -> Self {
        Self {
            fixed: Length::from_mm(25),
            per_mille: 2.0,
        }
    }
}

impl TapeError {
    /// Returns one standard deviation at `distance_m`, m; a millimetre at least, the finest a tape reads.
    #[must_use]
    pub fn sigma_m(self, distance_m: f64) -> f64 {
        (self.fixed.mm() / 1000.0)
            .hypot(self.per_mille * distance_m / 1000.0)
            .max(0.001)
    }
}

/// One tape distance from a known place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tie {
    /// The place the tape was held at.
    pub from: Point,
    /// How well that place is known.
    pub from_spread: Spread,
    /// What the tape read.
    pub distance: Length,
    /// How far off the reading may be.
    pub error: TapeError,
}

impl Tie {
    fn distance_m(&self) -> f64 {
        self.distance.mm() / 1000.0
    }

    /// Standard deviation of the distance as seen from `at`, with the error of the known place along the tape.
    fn sigma_m(&self, at: Point) -> f64 {
        let along = at
            .minus(self.from)
            .unit()
            .map_or(0.0, |unit| self.from_spread.along(unit).max(0.0));
        self.error.sigma_m(self.distance_m()).hypot(along.sqrt())
    }
}

/// Which side of the line from the first tie's place to the second's, looking along it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// To the left of it.
    Left,
    /// To the right of it.
    Right,
    /// On the line.
    On,
}

impl Side {
    /// Which side of the line from `a` to `b` the place lies on.
    #[must_use]
    pub fn of(at: Point, a: Point, b: Point) -> Self {
        let cross = b.minus(a).cross(at.minus(a));
        if cross > 0.0 {
            Self::Left
        } else if cross < 0.0 {
            Self::Right
        } else {
            Self::On
        }
    }
}

/// One place that fits the ties.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// The place.
    pub at: Point,
    /// Its error from tape error and geometry, before any look at how well the ties agree.
    pub spread: Spread,
    /// The same as an ellipse of one standard deviation.
    pub ellipse: Ellipse,
    /// The best angle at which two of the tapes cross, 0 to 90 degrees.
    pub crossing_deg: f64,
    /// Which side of the line from the first place to the second.
    pub side: Side,
    /// Per tie, tape reading less calculated distance, m.
    pub residuals_m: Vec<f64>,
    /// Per tie, the residual in its own standard deviations; zero where nothing checks the tie.
    pub standardised: Vec<f64>,
}

impl Candidate {
    /// Whether the arcs graze, so that the place is poorly held along the long axis.
    #[must_use]
    pub fn is_weak(&self) -> bool {
        self.crossing_deg < WEAK_CROSSING_DEG
    }
}

/// What the ties say together.
#[derive(Clone, Debug, PartialEq)]
pub struct Located {
    /// The places that fit: one, or two mirrored ones where the ties cannot tell and a person must pick the side.
    pub candidates: Vec<Candidate>,
    /// Whether the ties agree within the tape's error.
    pub agreement: Agreement,
    /// Where to hold the tape next, when the fix is weak.
    pub advice: Option<NextTie>,
}

/// Whether the ties fit each other.
#[derive(Clone, Debug, PartialEq)]
pub enum Agreement {
    /// Two ties always fit; nothing checks them.
    Unchecked,
    /// They fit within the tape's error.
    Agree,
    /// One tie disagrees with all the others, which agree without it; the place is from the others.
    OneDisagrees(Suspect),
    /// They disagree and any of these could be the one; another tie would tell.
    SomeDisagree(Vec<Suspect>),
}

/// A tie that may be wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Suspect {
    /// Which tie, counted from zero.
    pub tie: usize,
    /// Tape reading less the distance that the other ties call for, m.
    pub off_m: f64,
    /// The same in standard deviations.
    pub standardised: f64,
}

/// Where a further tie would help most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NextTie {
    /// Hold the tape along this bearing from the lid (or along its reverse), degrees from the plane's y axis.
    pub bearing_deg: f64,
    /// Two places on that line, as far from the lid as the tapes already pulled.
    pub from: [Point; 2],
    /// The long half axis now and after such a tie, m, one standard deviation.
    pub now_m: f64,
    /// What it would become.
    pub then_m: f64,
}

/// Why ties give no place.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum TieError {
    /// Fewer than two.
    #[error("{0} tape tie is not enough: two at least are needed")]
    TooFew(usize),
    /// Two tapes were held at the same place.
    #[error("ties {} and {} start at the same place: measure from another", .first + 1, .second + 1)]
    SamePlace {
        /// One tie, counted from zero.
        first: usize,
        /// The other.
        second: usize,
    },
    /// Two arcs do not touch.
    #[error("the tapes of ties {} and {} cannot meet: {:.3} m short", .first + 1, .second + 1, .shortfall_m)]
    CannotMeet {
        /// One tie, counted from zero.
        first: usize,
        /// The other.
        second: usize,
        /// How much longer one tape would have to be, m.
        shortfall_m: f64,
    },
    /// A place is not a finite number, or so far off that nothing can be calculated.
    #[error("tie {} starts at no usable place", .0 + 1)]
    NotAPlace(usize),
}

/// Where two circles cross, left of the line from the first to the second and then right of it.
///
/// `x = (d² + r₁² - r₂²) / 2d`, `y = ±√(r₁² - x²)` along and across the line between the centres.
///
/// Source: distance-distance intersection, as in Mahun, Open Surveying Library, COGO chapter E.
///
/// # Errors
/// How much the radii fall short of meeting, m.
pub fn cross_circles(first: Point, first_m: f64, second: Point, second_m: f64) -> Result<[Point; 2], f64> {
    let apart_m = first.distance_m(second);
    let shortfall = (apart_m - first_m - second_m).max((first_m - second_m).abs() - apart_m);
    // Rounding alone must not refuse arcs that just touch.
    if shortfall > 1.0e-9 {
        return Err(shortfall);
    }
    let along = second.minus(first).times(1.0 / apart_m);
    let left = Point::new(-along.y_m, along.x_m);
    let ahead_m = (apart_m * apart_m + (first_m - second_m) * (first_m + second_m)) / (2.0 * apart_m);
    let aside_m = ((first_m - ahead_m) * (first_m + ahead_m)).max(0.0).sqrt();
    let foot = first.plus(along.times(ahead_m));
    Ok([foot.plus(left.times(aside_m)), foot.minus(left.times(aside_m))])
}

/// Finds the place that fits the tape ties.
///
/// Two ties give both crossings. Three or more give the weighted least-squares place: the sum of
/// `((tape - distance) / σ)²` made least by Gauss-Newton steps from every crossing of two arcs. Where two places fit
/// about equally (all tapes held along one wall) both are returned.
///
/// # Errors
/// With fewer than two ties, two from one place, tapes that cannot meet, or places that are not numbers.
pub fn locate(ties: &[Tie]) -> Result<Located, TieError> {
    check(ties)?;
    let all: Vec<&Tie> = ties.iter().collect();
    if let [first, second] = all.as_slice() {
        let crossings =
            cross_circles(first.from, first.distance_m(), second.from, second.distance_m()).map_err(|shortfall_m| {
                TieError::CannotMeet {
                    first: 0,
                    second: 1,
                    shortfall_m,
                }
            })?;
        let [left, right] = crossings;
        let mut places = vec![left];
        if right != left {
            places.push(right);
        }
        let candidates: Vec<_> = places.into_iter().map(|at| candidate(&all, at)).collect();
        let advice = advise(&all, &candidates);
        return Ok(Located {
            candidates,
            agreement: Agreement::Unchecked,
            advice,
        });
    }
    let fitted = fit(&all);
    let consistent = fitted.first().is_some_and(|(_, chi)| *chi <= limit(all.len() - 2));
    if consistent {
        return Ok(settled(&all, &fitted, Agreement::Agree));
    }
    blame(&all, &fitted)
}

fn check(ties: &[Tie]) -> Result<(), TieError> {
    if ties.len() < 2 {
        return Err(TieError::TooFew(ties.len()));
    }
    for (index, tie) in ties.iter().enumerate() {
        // Ten thousand kilometres: past it a square of millimetres starts to lose whole metres.
        if !(tie.from.is_finite() && tie.from.length_m() < 1.0e7) {
            return Err(TieError::NotAPlace(index));
        }
    }
    // Ties from one place are welcome as repeats, but there must be two places.
    let first = ties.first().map_or(Point::ORIGIN, |tie| tie.from);
    let apart = ties.iter().any(|tie| tie.from.distance_m(first) > 0.001);
    if apart {
        Ok(())
    } else {
        Err(TieError::SamePlace { first: 0, second: 1 })
    }
}

/// The sum of squares that so many surplus measurements exceed once in a thousand (the chi-square distribution; past
/// the table Wilson and Hilferty's approximation, 1931).
pub(super) fn limit(extra: usize) -> f64 {
    let tabled = extra.checked_sub(1).and_then(|row| CHI_SQUARE_999.get(row));
    tabled.copied().unwrap_or_else(|| {
        let k = f64::from(u32::try_from(extra).unwrap_or(u32::MAX)).max(1.0);
        let a = 2.0 / (9.0 * k);
        k * (1.0 - a + 3.0902 * a.sqrt()).powi(3)
    })
}

/// The places that make the squares least, best first, each with its sum of squares; two where they fit alike.
fn fit(ties: &[&Tie]) -> Vec<(Point, f64)> {
    let mut found: Vec<(Point, f64)> = Vec::new();
    for start in starts(ties) {
        let at = descend(ties, start);
        let chi = sum_of_squares(ties, at);
        if chi.is_finite() {
            found.push((at, chi));
        }
    }
    found.sort_by(|a, b| a.1.total_cmp(&b.1));
    let Some(best) = found.first().copied() else {
        return found;
    };
    let reach = 10.0 * ties.iter().map(|tie| tie.sigma_m(best.0)).fold(0.0, f64::max);
    // Another place is a real alternative when it fits almost as well and is not the same place reached again.
    let other = found
        .iter()
        .find(|(at, chi)| *chi < best.1 + limit(1) && at.distance_m(best.0) > reach.min(0.5));
    let mut places = vec![best];
    places.extend(other.copied());
    places
}

/// Every crossing of two arcs, and the nearest approach of arcs that do not meet; no number where two tapes start at one place.
fn starts(ties: &[&Tie]) -> Vec<Point> {
    // Enough pairs for any real site; a list of hundreds must not cost its square.
    let few = ties.iter().take(12);
    let mut starts = Vec::new();
    for (index, a) in few.clone().enumerate() {
        for b in few.clone().skip(index + 1) {
            if let Ok(both) = cross_circles(a.from, a.distance_m(), b.from, b.distance_m()) {
                starts.extend(both);
            } else {
                let share = a.distance_m() / a.from.distance_m(b.from);
                starts.push(a.from.plus(b.from.minus(a.from).times(share)));
            }
        }
    }
    starts
}

/// Gauss-Newton with the step halved until the sum of squares falls.
fn descend(ties: &[&Tie], start: Point) -> Point {
    let mut at = start;
    let mut chi = sum_of_squares(ties, at);
    for _ in 0..60 {
        let (normal, right) = normal_equations(ties, at);
        let Some(mut step) = solve(normal, right) else {
            return at;
        };
        let mut moved = false;
        for _ in 0..30 {
            let next = at.plus(step);
            let next_chi = sum_of_squares(ties, next);
            if next_chi <= chi {
                moved = next.distance_m(at) > 1.0e-10;
                (at, chi) = (next, next_chi);
                break;
            }
            step = step.times(0.5);
        }
        if !moved {
            break;
        }
    }
    at
}

fn sum_of_squares(ties: &[&Tie], at: Point) -> f64 {
    ties.iter()
        .map(|tie| ((tie.distance_m() - at.distance_m(tie.from)) / tie.sigma_m(at)).powi(2))
        .sum()
}

/// `AᵀPA` and `AᵀPv` at a place; each row of `A` points from the known place to it.
///
/// All tapes in one line leave the direction across it unheld. The place still lies on each arc, so along an arc it is
/// never less certain than the shortest tape: one weight of that size keeps every matrix invertible, and a further tie
/// can only add to it.
fn normal_equations(ties: &[&Tie], at: Point) -> (Spread, Point) {
    let shortest_m = ties.iter().map(|tie| tie.distance_m()).fold(1.0e6, f64::min).max(0.1);
    let start = (Spread::round(1.0 / shortest_m), Point::ORIGIN);
    ties.iter().fold(start, |(normal, right), tie| {
        let Some(unit) = at.minus(tie.from).unit() else {
            return (normal, right);
        };
        let weight = tie.sigma_m(at).powi(-2);
        let residual = tie.distance_m() - at.distance_m(tie.from);
        (
            normal.plus(information(unit, weight)),
            right.plus(unit.times(weight * residual)),
        )
    })
}

/// What one distance along `unit` says.
fn information(unit: Point, weight: f64) -> Spread {
    Spread {
        xx: weight * unit.x_m * unit.x_m,
        xy: weight * unit.x_m * unit.y_m,
        yy: weight * unit.y_m * unit.y_m,
    }
}

/// Solves the two normal equations.
fn solve(normal: Spread, right: Point) -> Option<Point> {
    let inverse = invert(normal)?;
    Some(Point::new(
        inverse.xx * right.x_m + inverse.xy * right.y_m,
        inverse.xy * right.x_m + inverse.yy * right.y_m,
    ))
}

fn invert(normal: Spread) -> Option<Spread> {
    let determinant = normal.xx * normal.yy - normal.xy * normal.xy;
    (determinant > 0.0 && determinant.is_finite()).then(|| Spread {
        xx: normal.yy / determinant,
        xy: -normal.xy / determinant,
        yy: normal.xx / determinant,
    })
}

/// Works out everything about one place; ties not in the adjustment get their residual too.
fn candidate(ties: &[&Tie], at: Point) -> Candidate {
    candidate_from(ties, ties, at)
}

fn candidate_from(all: &[&Tie], used: &[&Tie], at: Point) -> Candidate {
    let spread = invert(normal_equations(used, at).0).unwrap_or_else(|| Spread::round(1.0e3));
    let mut residuals_m = Vec::with_capacity(all.len());
    let mut standardised = Vec::with_capacity(all.len());
    for tie in all {
        let residual = tie.distance_m() - at.distance_m(tie.from);
        let sigma_sq = tie.sigma_m(at).powi(2);
        let held = at.minus(tie.from).unit().map_or(0.0, |unit| spread.along(unit));
        // σ of a residual: the tie's own less what the fit has taken up, or plus it when the tie was left out.
        let was_used = used.iter().any(|other| std::ptr::eq(*other, *tie));
        let variance = if was_used { sigma_sq - held } else { sigma_sq + held };
        residuals_m.push(residual);
        standardised.push(if variance > 1.0e-6 * sigma_sq {
            residual / variance.sqrt()
        } else {
            0.0
        });
    }
    let side = match all {
        [first, second, ..] => Side::of(at, first.from, second.from),
        _ => Side::On,
    };
    Candidate {
        at,
        spread,
        ellipse: spread.ellipse(),
        crossing_deg: best_crossing_deg(used, at),
        side,
        residuals_m,
        standardised,
    }
}

fn best_crossing_deg(ties: &[&Tie], at: Point) -> f64 {
    let mut best = 0.0_f64;
    for (index, a) in ties.iter().enumerate() {
        for b in ties.iter().skip(index + 1) {
            let (Some(u), Some(v)) = (at.minus(a.from).unit(), at.minus(b.from).unit()) else {
                continue;
            };
            best = best.max(u.cross(v).abs().min(1.0).asin().to_degrees());
        }
    }
    best
}

fn settled(ties: &[&Tie], fitted: &[(Point, f64)], agreement: Agreement) -> Located {
    let candidates: Vec<_> = fitted.iter().map(|(at, _)| candidate(ties, *at)).collect();
    let advice = advise(ties, &candidates);
    Located {
        candidates,
        agreement,
        advice,
    }
}

/// A tie without which the others agree.
struct Cleared<'a> {
    suspect: Suspect,
    chi: f64,
    places: Vec<(Point, f64)>,
    rest: Vec<&'a Tie>,
}

/// Leaves each tie out in turn to see whether the others agree without it.
fn blame(ties: &[&Tie], fitted: &[(Point, f64)]) -> Result<Located, TieError> {
    let mut cleared: Vec<Cleared<'_>> = Vec::new();
    for index in 0..ties.len() {
        let rest: Vec<&Tie> = ties
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != index)
            .map(|(_, tie)| *tie)
            .collect();
        let places = fit(&rest);
        let Some((_, chi)) = places.first().copied() else {
            continue;
        };
        let fits = match rest.len() {
            // Two ties fit exactly or their arcs do not meet.
            2 => chi < limit(1),
            more => chi <= limit(more - 2),
        };
        if !fits {
            continue;
        }
        // Of two mirrored places the one nearer to what this tape read speaks best for it.
        let suspect = places
            .iter()
            .map(|(at, _)| candidate_from(ties, &rest, *at))
            .filter_map(|c| Some((*c.residuals_m.get(index)?, *c.standardised.get(index)?)))
            .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
            .map(|(off_m, standardised)| Suspect {
                tie: index,
                off_m,
                standardised,
            });
        if let Some(suspect) = suspect {
            cleared.push(Cleared {
                suspect,
                chi,
                places,
                rest,
            });
        }
    }
    cleared.sort_by(|a, b| a.chi.total_cmp(&b.chi));
    let second = cleared.get(1).map_or(f64::INFINITY, |next| next.chi);
    if let Some(Cleared {
        suspect, places, rest, ..
    }) = cleared.first().filter(|best| second - best.chi > NAMED_AT)
    {
        let candidates: Vec<_> = places.iter().map(|(at, _)| candidate_from(ties, rest, *at)).collect();
        let advice = advise(rest, &candidates);
        return Ok(Located {
            candidates,
            agreement: Agreement::OneDisagrees(*suspect),
            advice,
        });
    }
    if cleared.is_empty()
        && let Some(refused) = cannot_meet(ties)
    {
        return Err(refused);
    }
    let mut suspects: Vec<Suspect> = cleared.into_iter().map(|one| one.suspect).collect();
    if suspects.is_empty() {
        // More than one is wrong: name those that stick out of the common fit, worst first.
        let standardised = fitted
            .first()
            .map(|(at, _)| (candidate(ties, *at).residuals_m, candidate(ties, *at).standardised));
        if let Some((residuals, standardised)) = standardised {
            suspects = residuals
                .into_iter()
                .zip(standardised)
                .enumerate()
                .filter(|(_, (_, w))| w.abs() > DISAGREES_AT)
                .map(|(tie, (off_m, standardised))| Suspect {
                    tie,
                    off_m,
                    standardised,
                })
                .collect();
        }
    }
    suspects.sort_by(|a, b| b.standardised.abs().total_cmp(&a.standardised.abs()));
    Ok(settled(ties, fitted, Agreement::SomeDisagree(suspects)))
}

/// The pair of tapes that falls furthest short of meeting, beyond what tape error explains.
fn cannot_meet(ties: &[&Tie]) -> Option<TieError> {
    let mut worst: Option<(f64, TieError)> = None;
    for (first, a) in ties.iter().enumerate() {
        for (second, b) in ties.iter().enumerate().skip(first + 1) {
            let allowed = DISAGREES_AT * a.sigma_m(b.from).hypot(b.sigma_m(a.from));
            if a.from.distance_m(b.from) < 0.001 {
                continue;
            }
            if let Err(shortfall_m) = cross_circles(a.from, a.distance_m(), b.from, b.distance_m())
                && shortfall_m > allowed
                && worst.as_ref().is_none_or(|(most, _)| shortfall_m > *most)
            {
                worst = Some((
                    shortfall_m,
                    TieError::CannotMeet {
                        first,
                        second,
                        shortfall_m,
                    },
                ));
            }
        }
    }
    worst.map(|(_, refused)| refused)
}

/// A tape pulled along the long axis of the ellipse holds what the others leave loose.
fn advise(ties: &[&Tie], candidates: &[Candidate]) -> Option<NextTie> {
    let weak = candidates.iter().find(|candidate| candidate.is_weak())?;
    let mean_m = ties.iter().map(|tie| tie.distance_m()).sum::<f64>()
        / f64::from(u32::try_from(ties.len()).unwrap_or(u32::MAX)).max(1.0);
    let reach_m = mean_m.max(3.0);
    let direction = Point::polar(weak.ellipse.bearing_deg, reach_m);
    let error = ties.first().map_or_else(TapeError::default, |tie| tie.error);
    let weight = error.sigma_m(reach_m).powi(-2);
    let unit = direction.unit()?;
    let improved = invert(weak.spread)?.plus(information(unit, weight));
    Some(NextTie {
        bearing_deg: weak.ellipse.bearing_deg,
        from: [weak.at.plus(direction), weak.at.minus(direction)],
        now_m: weak.ellipse.major_m,
        then_m: invert(improved)?.ellipse().major_m,
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// By hand: 5 mm and 1 mm a metre over 30 m are √(5² + 30²) = 30.414 mm; no tape reads finer than a millimetre.
    #[test]
    fn a_tape_errs_by_its_ends_and_by_its_length() {
        let tape = |fixed_mm, per_mille| TapeError {
            fixed: Length::from_mm(fixed_mm),
            per_mille,
        };
        assert!((tape(5, 1.0).sigma_m(30.0) - 0.030_413_8).abs() < 1e-6);
        assert!((tape(0, 1.0).sigma_m(0.5) - 0.001).abs() < 1e-12);
    }

    #[test]
    fn a_place_lies_left_right_or_on_the_line() {
        let (a, b) = (Point::ORIGIN, Point::new(2.0, 0.0));
        for (x, y, side) in [
            (1.0, 1.0, Side::Left),
            (1.0, -1.0, Side::Right),
            (5.0, 0.0, Side::On),
            (-5.0, 0.0, Side::On),
        ] {
            assert_eq!(Side::of(Point::new(x, y), a, b), side, "{x}, {y}");
        }
    }

    fn tie(x: f64, y: f64, distance_mm: u32) -> Tie {
        Tie {
            from: Point::new(x, y),
            from_spread: Spread::NONE,
            distance: Length::from_mm(distance_mm),
            error: TapeError {
                fixed: Length::from_mm(10),
                per_mille: 0.0,
            },
        }
    }

    /// Source: chi-square exceeded once in a thousand, handbook table, from memory; past the table the approximation is good to
    /// a fifth of a percent.
    #[test]
    fn the_limits_are_those_of_the_table() {
        for (extra, expected, within) in [
            (1, 10.828, 0.001),
            (2, 13.816, 0.001),
            (3, 16.266, 0.001),
            (30, 59.703, 0.12),
            (100, 149.449, 0.3),
        ] {
            assert!((limit(extra) - expected).abs() < within, "{extra}: {}", limit(extra));
        }
    }

    /// By hand: two tapes of 10 m held from either side, both too long by as much, miss by that each; good to 10 mm, 23 mm are
    /// 2 · 2.3² = 10.58 and fit, 24 mm are 11.52 and do not, against 10.83 for one tape more than needed.
    #[test]
    fn tapes_that_miss_each_other_disagree() {
        for (off_mm, agree) in [(23, true), (24, false)] {
            let ties = [
                tie(-10.0, 0.0, 10_000 + off_mm),
                tie(10.0, 0.0, 10_000 + off_mm),
                tie(0.0, 10.0, 10_000),
            ];
            let found = locate(&ties).map(|found| found.agreement == Agreement::Agree);
            assert_eq!(found, Ok(agree), "{off_mm} mm");
        }
        // Each of the two has taken up half of its own error, so what is left is counted in √(1 / 2) of 10 mm; nothing checks the
        // third.
        let ties = [tie(-10.0, 0.0, 10_023), tie(10.0, 0.0, 10_023), tie(0.0, 10.0, 10_000)];
        let found = locate(&ties).unwrap();
        let standardised = &found.candidates.first().unwrap().standardised;
        for (found, expected) in standardised.iter().zip([3.2527, 3.2527, 0.0]) {
            assert!((found - expected).abs() < 1e-3, "{standardised:?}");
        }
    }

    #[test]
    fn a_tape_held_nowhere_is_named() {
        for nowhere in [f64::NAN, f64::INFINITY, 1.1e7] {
            let ties = [tie(0.0, 0.0, 10_000), tie(nowhere, 0.0, 10_000)];
            assert_eq!(locate(&ties), Err(TieError::NotAPlace(1)), "{nowhere}");
        }
        let one_place = [tie(0.0, 0.0, 10_000), tie(0.0, 0.0, 9_000)];
        assert_eq!(locate(&one_place), Err(TieError::SamePlace { first: 0, second: 1 }));
    }

    /// By hand: with seven tapes held around one place, five of them right, and two from either side too long by as much, five are
    /// more than needed for a place: chi-square of 5 at one in a thousand is 20.515 (handbook table, from memory), and 2 · 3.2² is
    /// 20.48, 2 · 3.21² is 20.61.
    #[test]
    fn more_tapes_may_miss_by_more() {
        for (off_mm, agree) in [(32, true), (33, false)] {
            let mut ties = vec![tie(-10.0, 0.0, 10_000 + off_mm), tie(10.0, 0.0, 10_000 + off_mm)];
            ties.extend([9, 11, 12].map(|m: u32| tie(0.0, f64::from(m), m * 1_000)));
            ties.extend([8, 13].map(|m: u32| tie(0.0, -f64::from(m), m * 1_000)));
            let found = locate(&ties).map(|found| found.agreement == Agreement::Agree);
            assert_eq!(found, Ok(agree), "{off_mm} mm");
        }
    }

    /// All tapes held along one wall fit as well on either side of it: also where the two places are nearer to each other than half a
    /// metre, and also where one held a hand off the wall speaks for one of them, and not enough.
    #[test]
    fn tapes_along_one_wall_leave_two_places() {
        let near = [tie(0.0, 0.0, 3_004), tie(5.0, 0.0, 2_006), tie(10.0, 0.0, 7_002)];
        let off = [tie(0.0, 0.0, 5_000), tie(6.0, 0.0, 5_000), tie(10.0, 0.025, 8_050)];
        for (ties, aside_m) in [(near, 0.15), (off, 4.0)] {
            let found = locate(&ties).unwrap();
            assert_eq!(found.agreement, Agreement::Agree);
            let sides: Vec<f64> = found.candidates.iter().map(|place| place.at.y_m).collect();
            assert_eq!(sides.len(), 2, "{sides:?}");
            for expected in [aside_m, -aside_m] {
                assert!(sides.iter().any(|side| (side - expected).abs() < 0.03), "{sides:?}");
            }
        }
    }

    /// Two tapes in one line that just meet say nothing of the way across it: there it is as uncertain as the shorter is long.
    #[test]
    fn tapes_in_one_line_leave_the_way_across_open() {
        let found = locate(&[tie(0.0, 0.0, 4_000), tie(10.0, 0.0, 6_000)]).unwrap();
        let [place] = found.candidates.as_slice() else {
            unreachable!("{found:?}");
        };
        assert!((place.at.x_m - 4.0).abs() < 1e-9 && place.at.y_m.abs() < 1e-9);
        assert!((place.ellipse.major_m - 4.0).abs() < 1e-3, "{:?}", place.ellipse);
        assert!(place.is_weak());
        // As far off as the tapes are long on the average, a tape good to 10 mm holds it to that.
        let advice = found.advice.unwrap();
        for from in advice.from {
            assert!(
                (from.x_m - 4.0).abs() < 1e-3 && (from.y_m.abs() - 5.0).abs() < 1e-6,
                "{advice:?}"
            );
        }
        assert!(advice.from[0].distance_m(advice.from[1]) > 9.9);
        assert!(
            (advice.now_m - 4.0).abs() < 1e-3 && (advice.then_m - 0.01).abs() < 1e-4,
            "{advice:?}"
        );
        // Not nearer than 3 m.
        let short = locate(&[tie(0.0, 0.0, 1_000), tie(2.5, 0.0, 1_500)])
            .unwrap()
            .advice
            .unwrap();
        assert!(
            (short.from[0].distance_m(short.from[1]) - 6.0).abs() < 1e-6,
            "{short:?}"
        );
    }

    /// By hand, by Cramer's rule: 2x + y = 3 and x + 3y = 5 at x = 4/5 and y = 7/5.
    #[test]
    fn two_equations_are_solved() {
        let normal = Spread {
            xx: 2.0,
            xy: 1.0,
            yy: 3.0,
        };
        let found = solve(normal, Point::new(3.0, 5.0)).unwrap();
        assert!((found.x_m - 0.8).abs() < 1e-12 && (found.y_m - 1.4).abs() < 1e-12);
        assert_eq!(invert(Spread::NONE), None);
        assert_eq!(invert(Spread::round(1.0e100)), None, "its determinant is no number");
    }

    /// Tapes held at the four quarters of the sky, 10 m off, each longer by so much than right.
    fn four(west_mm: u32, east_mm: u32, north_mm: u32, south_mm: u32) -> Vec<Tie> {
        vec![
            tie(-10.0, 0.0, 10_000 + west_mm),
            tie(10.0, 0.0, 10_000 + east_mm),
            tie(0.0, 10.0, 10_000 + north_mm),
            tie(0.0, -10.0, 10_000 + south_mm),
        ]
    }

    fn suspects(ties: &[Tie]) -> (bool, Vec<usize>) {
        match locate(ties).unwrap().agreement {
            Agreement::OneDisagrees(one) => (true, vec![one.tie]),
            Agreement::SomeDisagree(some) => (false, some.iter().map(|suspect| suspect.tie).collect()),
            other => unreachable!("{other:?}"),
        }
    }

    /// By hand: west and east are 200 mm too long together, so either is off by that against a place that the other holds to 10 mm:
    /// by 200 / √(10² + 10²) = 14.14 of its own errors.
    #[test]
    fn a_tape_left_out_is_judged_by_its_error_and_the_places() {
        let found = locate(&four(0, 200, 0, 0)).unwrap();
        let Agreement::SomeDisagree(suspects) = found.agreement else {
            unreachable!("{found:?}");
        };
        assert_eq!(suspects.len(), 2);
        for suspect in suspects {
            assert!((suspect.off_m - 0.2).abs() < 1e-3, "{suspect:?}");
            assert!((suspect.standardised - 14.14).abs() < 0.01, "{suspect:?}");
        }
    }

    /// By hand: north and south are 30 mm too long together, which is 30² / 200 = 4.5 whichever of west and east is left out: each
    /// clears the rest as well as the other, so neither is named alone.
    #[test]
    fn of_two_tapes_that_clear_the_rest_alike_neither_is_named_alone() {
        let (alone, mut named) = suspects(&four(0, 60, 30, 0));
        named.sort_unstable();
        assert_eq!((alone, named), (false, vec![0, 1]));
    }

    /// By hand: without the tape to the east all agree; without the one to the west they miss by 60² / (10² + 40²) = 2.1, which is
    /// not so much worse that it could not be that one.
    #[test]
    fn a_tape_that_might_be_right_keeps_the_other_from_being_named_alone() {
        let mut loose = tie(-12.0, 0.0, 12_000);
        loose.error.fixed = Length::from_mm(40);
        let (alone, mut named) = suspects(&[four(0, 60, 0, 0).as_slice(), &[loose]].concat());
        named.sort_unstable();
        assert_eq!((alone, named), (false, vec![0, 1]));
    }

    /// By hand: a tape 100 mm off leaves four that may miss by a sum of 13.816 and do by 2 · 3² = 18, so that it is not it alone; or
    /// five, which may miss by 16.266 and do by 2 · 2.8² = 15.68, so that it is.
    #[test]
    fn what_is_left_must_agree_for_a_tape_to_be_named() {
        let far = tie(9.0, 12.0, 15_100);
        let ties = [four(30, 30, 0, 0).as_slice(), &[far]].concat();
        let (alone, mut named) = suspects(&ties);
        assert!(!alone);
        // None clears the rest: named is what sticks out of the common fit.
        let standardised = locate(&ties).unwrap().candidates.remove(0).standardised;
        let mut out: Vec<usize> = (0..5)
            .filter(|tie| standardised.get(*tie).unwrap().abs() > 3.29)
            .collect();
        named.sort_unstable();
        out.sort_unstable();
        assert!(
            named == out && (1..5).contains(&out.len()),
            "{named:?}, {standardised:?}"
        );
        let named = suspects(&[four(28, 28, 0, 0).as_slice(), &[tie(0.0, 12.0, 12_000), far]].concat());
        assert_eq!(named, (true, vec![5]));
    }

    /// By hand: three tapes of 1 m and less from corners metres apart meet nowhere; of two from one place none is to meet the other,
    /// though one reaches 30 m and the other 1 m. A tenth of a metre is more than the tapes' errors, 3.29 · √(10² + 10²) = 47 mm.
    #[test]
    fn the_two_tapes_farthest_from_meeting_are_named() {
        let refused = |ties: &[Tie]| match locate(ties) {
            Err(TieError::CannotMeet {
                first,
                second,
                shortfall_m,
            }) => format!("{first} and {second}: {shortfall_m:.3} m"),
            other => unreachable!("{other:?}"),
        };
        let around = [
            tie(-10.0, 0.0, 3_000),
            tie(10.0, 0.0, 4_000),
            tie(0.0, 10.0, 3_000),
            tie(0.0, -10.0, 3_500),
        ];
        assert!(refused(&around) == "2 and 3: 13.500 m");
        let one_place = [tie(0.0, 0.0, 30_000), tie(0.0, 0.0, 1_000), tie(20.0, 0.0, 1_000)];
        assert!(refused(&one_place) == "1 and 2: 18.000 m");
        let by_a_hand = [tie(0.0, 0.0, 950), tie(2.0, 0.0, 950), tie(1.0, 1.732, 950)];
        assert!(refused(&by_a_hand).ends_with(": 0.100 m"));
    }
}
