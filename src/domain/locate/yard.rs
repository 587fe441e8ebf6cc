//! What limits where a tank can lie: the house, the lot, the well, and the distances codes keep from them.

use super::plane::{Point, distance_to_piece_m};

/// Metres in a foot, exact (NIST SP 811, appendix B.8).
pub const METRES_PER_FOOT: f64 = 0.3048;

/// What a distance is kept from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SetbackFrom {
    /// The house's foundation.
    Foundation,
    /// The edge of the lot.
    PropertyLine,
    /// A private well.
    Well,
}

/// One distance a code keeps between a tank and something else.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setback {
    /// From what.
    pub from: SetbackFrom,
    /// How far, m.
    pub distance_m: f64,
    /// Where it is written.
    pub source: &'static str,
}

const WASHINGTON: &str = "Clark County 24.17.120 Table IV, from WAC 246-272A-0210";
const MASSACHUSETTS: &str = "310 CMR 15.211";

/// Which code's distances are used.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SetbackCode {
    /// The shortest of the published distances: what any tank may be expected to keep.
    #[default]
    Shortest,
    /// Washington's.
    Washington,
    /// Massachusetts'.
    Massachusetts,
}

impl SetbackCode {
    /// The distances of this code.
    #[must_use]
    pub const fn setbacks(self) -> [Setback; 3] {
        let (line_ft, wall_ft, source) = match self {
            Self::Shortest | Self::Washington => (5.0, 5.0, WASHINGTON),
            Self::Massachusetts => (10.0, 10.0, MASSACHUSETTS),
        };
        [
            Setback {
                from: SetbackFrom::Foundation,
                distance_m: wall_ft * METRES_PER_FOOT,
                source,
            },
            Setback {
                from: SetbackFrom::PropertyLine,
                distance_m: line_ft * METRES_PER_FOOT,
                source,
            },
            Setback {
                from: SetbackFrom::Well,
                distance_m: 50.0 * METRES_PER_FOOT,
                source,
            },
        ]
    }
}

/// How firmly setbacks hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Firmness {
    /// A tank inside one is twenty times less likely: old tanks are older than the codes (common practice).
    #[default]
    Soft,
    /// No tank lies inside one.
    Hard,
}

impl Firmness {
    /// Returns how much less likely a tank is inside a distance that codes keep.
    #[must_use]
    pub const fn inside(self) -> f64 {
        match self {
            Self::Soft => 0.05,
            Self::Hard => 0.0,
        }
    }
}

/// The site as far as it limits where a tank can lie. Outlines are corners in order, closed by themselves.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Yard {
    /// The house's outline.
    pub house: Vec<Point>,
    /// The lot's outline; no tank lies beyond it.
    pub lot: Vec<Point>,
    /// Where no tank can be: another building, a pool, a pond.
    pub blocked: Vec<Vec<Point>>,
    /// Private wells.
    pub wells: Vec<Point>,
    /// Whose distances are kept.
    pub code: SetbackCode,
    /// How firmly.
    pub firmness: Firmness,
}

/// Half of the width of the narrowest tank, m: its middle keeps a setback and this.
pub(super) const HALF_TANK_M: f64 = 0.6;

impl Yard {
    /// Returns how the yard weighs a tank whose middle is at `at`: 0 where none can be, 1 where nothing speaks against.
    #[must_use]
    pub fn weight(&self, at: Point) -> f64 {
        self.weight_from_wall(at, self.wall_distance_m(at))
    }

    /// As [`Self::weight`], where the distance from the wall is known already.
    pub(super) fn weight_from_wall(&self, at: Point, wall_m: Option<f64>) -> f64 {
        if contains(&self.house, at) || self.blocked.iter().any(|outline| contains(outline, at)) {
            return 0.0;
        }
        if self.lot.len() > 2 && !contains(&self.lot, at) {
            return 0.0;
        }
        let inside = self.firmness.inside();
        self.code.setbacks().into_iter().fold(1.0, |weight, setback| {
            let clear_m = match setback.from {
                SetbackFrom::Foundation => wall_m,
                SetbackFrom::PropertyLine => outline_distance_m(&self.lot, at),
                SetbackFrom::Well => self.wells.iter().map(|well| well.distance_m(at)).reduce(f64::min),
            };
            if clear_m.is_some_and(|clear| clear < setback.distance_m + HALF_TANK_M) {
                weight * inside
            } else {
                weight
            }
        })
    }

    /// Returns the distance from the house's wall, m; `None` without a house.
    #[must_use]
    pub fn wall_distance_m(&self, at: Point) -> Option<f64> {
        outline_distance_m(&self.house, at)
    }

    /// Returns the bearing square away from the wall nearest to `at`, degrees; `None` without a house.
    #[must_use]
    pub fn outward_deg(&self, at: Point) -> Option<f64> {
        let wall = edges(&self.house).min_by(|a, b| {
            distance_to_piece_m(at, a.0, a.1)
                .0
                .total_cmp(&distance_to_piece_m(at, b.0, b.1).0)
        })?;
        let along = wall.1.minus(wall.0).unit()?;
        let left = Point::new(-along.y_m, along.x_m);
        let middle = wall.0.plus(wall.1).times(0.5);
        // A step off the wall is outside on one side of it only.
        let outward = if contains(&self.house, middle.plus(left.times(0.01))) {
            left.times(-1.0)
        } else {
            left
        };
        Some(Point::ORIGIN.bearing_deg(outward))
    }

    /// Returns the bearing of the house's longest wall's right angle: the way a grid is turned to lie square with it.
    #[must_use]
    pub fn turned_deg(&self) -> f64 {
        let longest = edges(&self.house).max_by(|a, b| a.0.distance_m(a.1).total_cmp(&b.0.distance_m(b.1)));
        longest.map_or(0.0, |(a, b)| (a.bearing_deg(b) - 90.0).rem_euclid(90.0))
    }
}

fn edges(outline: &[Point]) -> impl Iterator<Item = (Point, Point)> {
    outline.iter().copied().zip(outline.iter().copied().cycle().skip(1))
}

/// Whether a place lies inside an outline (crossings of a ray).
#[must_use]
pub fn contains(outline: &[Point], at: Point) -> bool {
    outline.len() > 2
        && edges(outline).fold(false, |inside, (a, b)| {
            let crosses = (a.y_m > at.y_m) != (b.y_m > at.y_m)
                && at.x_m < (b.x_m - a.x_m) * (at.y_m - a.y_m) / (b.y_m - a.y_m) + a.x_m;
            inside != crosses
        })
}

/// The distance to the nearest edge of an outline, m; asked for every cell, so squares are compared.
fn outline_distance_m(outline: &[Point], at: Point) -> Option<f64> {
    edges(outline)
        .map(|(a, b)| {
            let (along, arm) = (b.minus(a), at.minus(a));
            let squared = along.x_m * along.x_m + along.y_m * along.y_m;
            let share = if squared > 0.0 {
                ((arm.x_m * along.x_m + arm.y_m * along.y_m) / squared).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let off = arm.minus(along.times(share));
            off.x_m * off.x_m + off.y_m * off.y_m
        })
        .reduce(f64::min)
        .map(f64::sqrt)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn outline(corners: &[(f64, f64)]) -> Vec<Point> {
        corners.iter().map(|(x, y)| Point::new(*x, *y)).collect()
    }

    /// 10 m by 8 m.
    fn house() -> Vec<Point> {
        outline(&[(0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0)])
    }

    /// An L with a slanted side, looked at from all around and in its notch; a line of two corners holds nothing.
    #[test]
    fn a_place_lies_inside_or_outside() {
        let shape = outline(&[
            (0.0, 0.0),
            (10.0, 0.0),
            (10.0, 4.0),
            (4.0, 4.0),
            (4.0, 10.0),
            (-2.0, 10.0),
        ]);
        for (x, y, inside) in [
            (1.0, 1.0, true),
            (9.0, 3.0, true),
            (3.0, 9.0, true),
            (-1.0, 9.0, true),
            (7.0, 7.0, false),
            (-1.0, 3.0, false),
            (-1.9, 9.0, false),
            (11.0, 1.0, false),
            (5.0, -1.0, false),
            (1.0, 11.0, false),
        ] {
            assert_eq!(contains(&shape, Point::new(x, y)), inside, "{x}, {y}");
            let backwards: Vec<Point> = shape.iter().rev().copied().collect();
            assert_eq!(
                contains(&backwards, Point::new(x, y)),
                inside,
                "{x}, {y} the other way round"
            );
        }
        assert!(!contains(&outline(&[(0.0, 0.0), (9.0, 9.0)]), Point::new(1.0, 2.0)));
    }

    /// By hand: beside a wall, off a corner (3, 4 and 5), inside, off a slanted wall (from (0, 0) to (3, 4): 5 m off its middle).
    #[test]
    fn the_wall_is_as_far_as_its_nearest_place() {
        let yard = Yard {
            house: house(),
            ..Yard::default()
        };
        for (x, y, metres) in [
            (5.0, -3.0, 3.0),
            (13.0, 12.0, 5.0),
            (-3.0, -4.0, 5.0),
            (5.0, 6.5, 1.5),
            (10.0, 2.0, 0.0),
        ] {
            let found = yard.wall_distance_m(Point::new(x, y)).unwrap();
            assert!((found - metres).abs() < 1e-12, "{x}, {y}: {found}");
        }
        let slanted = outline(&[(0.0, 0.0), (3.0, 4.0)]);
        let found = outline_distance_m(&slanted, Point::new(1.5 + 4.0, 2.0 - 3.0)).unwrap();
        assert!((found - 5.0).abs() < 1e-12, "{found}");
        assert_eq!(
            outline_distance_m(&outline(&[(1.0, 1.0), (1.0, 1.0)]), Point::new(1.0, 4.0)),
            Some(3.0)
        );
        assert_eq!(Yard::default().wall_distance_m(Point::ORIGIN), None);
    }

    /// Source: the distances of Clark County 24.17.120 and 310 CMR 15.211 (5 and 10 ft to wall and line, 50 ft to the well), and
    /// half of the narrowest tank beside them: 2.124 m, 3.648 m and 15.84 m.
    #[test]
    fn a_tank_keeps_its_distances() {
        let lot = outline(&[(-40.0, -40.0), (60.0, -40.0), (60.0, 60.0), (-40.0, 60.0)]);
        let yard = Yard {
            house: house(),
            lot,
            blocked: vec![outline(&[(20.0, 20.0), (30.0, 20.0), (30.0, 30.0)])],
            wells: vec![Point::new(-30.0, 30.0), Point::new(50.0, 40.0)],
            ..Yard::default()
        };
        let weigh = |yard: &Yard, x, y| yard.weight(Point::new(x, y));
        for (x, y, weight) in [
            (5.0, -2.13, 1.0),
            (5.0, -2.12, 0.05),
            (5.0, 4.0, 0.0),
            (28.0, 23.0, 0.0),
            (5.0, -37.87, 1.0),
            (5.0, -37.88, 0.05),
            (5.0, -41.0, 0.0),
            (-30.0, 14.15, 1.0),
            (-30.0, 14.17, 0.05),
            (34.15, 40.0, 1.0),
            (34.17, 40.0, 0.05),
            (59.0, 45.0, 0.0025),
        ] {
            assert!(
                (weigh(&yard, x, y) - weight).abs() < 1e-12,
                "{x}, {y}: {}",
                weigh(&yard, x, y)
            );
        }
        let hard = Yard {
            firmness: Firmness::Hard,
            ..yard.clone()
        };
        assert!(weigh(&hard, 5.0, -2.12).abs() < 1e-12 && (weigh(&hard, 5.0, -2.13) - 1.0).abs() < 1e-12);
        let wide = Yard {
            code: SetbackCode::Massachusetts,
            ..yard.clone()
        };
        assert!((weigh(&wide, 5.0, -3.65) - 1.0).abs() < 1e-12 && (weigh(&wide, 5.0, -3.64) - 0.05).abs() < 1e-12);
        assert!((weigh(&wide, 5.0, -36.36) - 0.05).abs() < 1e-12);
        // Two corners are no lot yet.
        let begun = Yard {
            lot: outline(&[(-40.0, -40.0), (60.0, -40.0)]),
            ..yard.clone()
        };
        assert!((weigh(&begun, 5.0, -10.0) - 1.0).abs() < 1e-12);
        let open = Yard {
            lot: Vec::new(),
            ..yard
        };
        assert!((weigh(&open, 5.0, -41.0) - 1.0).abs() < 1e-12);
    }

    /// Out of the south wall is south, whichever way the corners were entered; a house turned by 30 degrees turns the grid so.
    #[test]
    fn a_wall_faces_away_from_the_house() {
        for corners in [house(), house().into_iter().rev().collect()] {
            let yard = Yard {
                house: corners,
                ..Yard::default()
            };
            for (x, y, deg) in [
                (5.0, -1.0, 180.0),
                (11.0, 4.0, 90.0),
                (5.0, 9.0, 0.0),
                (-1.0, 4.0, 270.0),
                (5.0, 1.0, 180.0),
            ] {
                let found = yard.outward_deg(Point::new(x, y)).unwrap();
                assert!((found - deg).abs() < 1e-9, "{x}, {y}: {found}");
            }
        }
        assert_eq!(Yard::default().outward_deg(Point::ORIGIN), None);
        let turned = Yard {
            house: house().into_iter().map(|corner| corner.turned_deg(30.0)).collect(),
            ..Yard::default()
        };
        assert!((turned.turned_deg() - 30.0).abs() < 1e-9);
        assert!(Yard::default().turned_deg().abs() < 1e-12);
    }
}
