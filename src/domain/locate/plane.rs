//! Points, errors and ellipses in a flat plane of metres.

/// The share of a round two-dimensional normal error that lies within its 68 % radius fixes the radius at
/// `√(-2 ln 0.32)` standard deviations of one axis.
///
/// Source: the Rayleigh distribution; platforms report accuracy as the radius of 68 % confidence
/// (Android `Location.getAccuracy` documentation).
pub const AXES_PER_RADIUS: f64 = 1.509_592_2;

/// How many standard deviations the 95 % ellipse reaches in two dimensions: `√(-2 ln 0.05)`.
pub const NINETY_FIVE: f64 = 2.447_746_8;

/// A place in a plane: x to the right (east), y ahead (north), metres.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Point {
    /// Metres to the right of the origin.
    pub x_m: f64,
    /// Metres ahead of the origin.
    pub y_m: f64,
}

impl Point {
    /// Where both axes start.
    pub const ORIGIN: Self = Self { x_m: 0.0, y_m: 0.0 };

    /// A point from its metres.
    #[must_use]
    pub const fn new(x_m: f64, y_m: f64) -> Self {
        Self { x_m, y_m }
    }

    /// The point `distance_m` from the origin on a bearing clockwise from the y axis.
    #[must_use]
    pub fn polar(bearing_deg: f64, distance_m: f64) -> Self {
        let (sin, cos) = bearing_deg.to_radians().sin_cos();
        Self {
            x_m: distance_m * sin,
            y_m: distance_m * cos,
        }
    }

    /// Returns the distance to `other`, m.
    #[must_use]
    pub fn distance_m(self, other: Self) -> f64 {
        (other.x_m - self.x_m).hypot(other.y_m - self.y_m)
    }

    /// Returns the bearing to `other`, degrees clockwise from the y axis, 0 to under 360.
    #[must_use]
    pub fn bearing_deg(self, other: Self) -> f64 {
        (other.x_m - self.x_m)
            .atan2(other.y_m - self.y_m)
            .to_degrees()
            .rem_euclid(360.0)
    }

    /// Returns the sum, axis by axis.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            x_m: self.x_m + other.x_m,
            y_m: self.y_m + other.y_m,
        }
    }

    /// Returns the difference, axis by axis.
    #[must_use]
    pub fn minus(self, other: Self) -> Self {
        Self {
            x_m: self.x_m - other.x_m,
            y_m: self.y_m - other.y_m,
        }
    }

    /// Returns the point stretched from the origin.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self {
            x_m: self.x_m * factor,
            y_m: self.y_m * factor,
        }
    }

    /// Returns the inner product.
    #[must_use]
    pub fn dot(self, other: Self) -> f64 {
        self.x_m.mul_add(other.x_m, self.y_m * other.y_m)
    }

    /// Returns the cross product; positive when `other` lies to the left of this direction.
    #[must_use]
    pub fn cross(self, other: Self) -> f64 {
        self.x_m.mul_add(other.y_m, -(self.y_m * other.x_m))
    }

    /// Returns the distance from the origin, m.
    #[must_use]
    pub fn length_m(self) -> f64 {
        self.x_m.hypot(self.y_m)
    }

    /// Returns this direction with length one, `None` at the origin.
    #[must_use]
    pub fn unit(self) -> Option<Self> {
        let length = self.length_m();
        (length > 0.0 && length.is_finite()).then(|| self.times(1.0 / length))
    }

    /// Returns the point turned clockwise about the origin.
    #[must_use]
    pub fn turned_deg(self, clockwise_deg: f64) -> Self {
        let (sin, cos) = clockwise_deg.to_radians().sin_cos();
        Self {
            x_m: self.x_m.mul_add(cos, self.y_m * sin),
            y_m: self.y_m.mul_add(cos, -(self.x_m * sin)),
        }
    }

    /// Whether both metres are finite numbers.
    #[must_use]
    pub const fn is_finite(self) -> bool {
        self.x_m.is_finite() && self.y_m.is_finite()
    }
}

/// The distance from a point to the piece of line from `a` to `b`, m, and how far along it the nearest place is, 0 to 1.
#[must_use]
pub fn distance_to_piece_m(p: Point, a: Point, b: Point) -> (f64, f64) {
    let along = b.minus(a);
    let squared = along.dot(along);
    let share = if squared > 0.0 {
        (p.minus(a).dot(along) / squared).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p.distance_m(a.plus(along.times(share))), share)
}

/// The covariance of a point's error, m².
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    /// Variance along x.
    pub xx: f64,
    /// Covariance of x and y.
    pub xy: f64,
    /// Variance along y.
    pub yy: f64,
}

impl Spread {
    /// No error.
    pub const NONE: Self = Self {
        xx: 0.0,
        xy: 0.0,
        yy: 0.0,
    };

    /// The same standard deviation `axis_m` along every axis.
    #[must_use]
    pub fn round(axis_m: f64) -> Self {
        Self {
            xx: axis_m * axis_m,
            xy: 0.0,
            yy: axis_m * axis_m,
        }
    }

    /// Returns the variance along the direction `unit`, m².
    #[must_use]
    pub fn along(self, unit: Point) -> f64 {
        unit.x_m * unit.x_m * self.xx + 2.0 * unit.x_m * unit.y_m * self.xy + unit.y_m * unit.y_m * self.yy
    }

    /// Returns the spread seen after the plane is turned clockwise.
    #[must_use]
    pub fn turned_deg(self, clockwise_deg: f64) -> Self {
        let (s, c) = clockwise_deg.to_radians().sin_cos();
        let (xx, xy, yy) = (self.xx, self.xy, self.yy);
        Self {
            xx: c * c * xx + 2.0 * s * c * xy + s * s * yy,
            xy: (c * c - s * s) * xy + s * c * (yy - xx),
            yy: s * s * xx - 2.0 * s * c * xy + c * c * yy,
        }
    }

    /// Returns the sum of two independent errors.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self {
            xx: self.xx + other.xx,
            xy: self.xy + other.xy,
            yy: self.yy + other.yy,
        }
    }

    /// Returns the ellipse of one standard deviation.
    #[must_use]
    pub fn ellipse(self) -> Ellipse {
        let mean = f64::midpoint(self.xx, self.yy);
        let half = (0.5 * (self.xx - self.yy)).hypot(self.xy);
        Ellipse {
            major_m: (mean + half).max(0.0).sqrt(),
            minor_m: (mean - half).max(0.0).sqrt(),
            // Half the angle of (yy - xx, 2xy) turns from the y axis; an ellipse has no front, so 0 to under 180.
            bearing_deg: (0.5 * (2.0 * self.xy).atan2(self.yy - self.xx))
                .to_degrees()
                .rem_euclid(180.0),
        }
    }
}

/// The ellipse of one standard deviation about a place.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ellipse {
    /// Half of the long axis, m.
    pub major_m: f64,
    /// Half of the short axis, m.
    pub minor_m: f64,
    /// Direction of the long axis, degrees clockwise from the y axis, 0 to under 180.
    pub bearing_deg: f64,
}

impl Ellipse {
    /// Returns half of the long axis of the ellipse that holds 95 %, m.
    #[must_use]
    pub fn ninety_five_m(self) -> f64 {
        self.major_m * NINETY_FIVE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn same(found: &[f64], expected: &[f64]) -> bool {
        found.len() == expected.len() && found.iter().zip(expected).all(|(a, b)| (a - b).abs() < 1e-6)
    }

    /// By hand: 3, 4 and 5; a quarter of a turn clockwise takes east to south.
    #[test]
    fn points_are_measured_and_turned() {
        let (a, b) = (Point::new(1.0, 2.0), Point::new(4.0, 6.0));
        assert!(same(&[a.distance_m(b), b.minus(a).length_m()], &[5.0, 5.0]));
        assert!(same(&[a.bearing_deg(b), b.bearing_deg(a)], &[36.869_898, 216.869_898]));
        assert!(same(&[a.dot(b), a.cross(b), b.cross(a)], &[16.0, -2.0, 2.0]));
        let turned = a.turned_deg(90.0);
        assert!(same(&[turned.x_m, turned.y_m], &[2.0, -1.0]));
        let polar = Point::polar(30.0, 10.0);
        assert!(same(&[polar.x_m, polar.y_m], &[5.0, 8.660_254]));
        let unit = b.minus(a).unit().map(|unit| [unit.x_m, unit.y_m]);
        assert!(unit.is_some_and(|unit| same(&unit, &[0.6, 0.8])));
        for none in [Point::ORIGIN, Point::new(f64::INFINITY, 0.0), Point::new(f64::NAN, 0.0)] {
            assert_eq!(none.unit(), None);
        }
        assert!(a.is_finite());
        assert!(!Point::new(f64::NAN, 0.0).is_finite() && !Point::new(0.0, f64::NAN).is_finite());
    }

    #[test]
    fn the_nearest_place_of_a_piece_may_be_its_end() {
        let (a, b) = (Point::ORIGIN, Point::new(10.0, 0.0));
        for (x, y, end, distance_m, share) in [
            (3.0, 4.0, b, 4.0, 0.3),
            (-3.0, 4.0, b, 5.0, 0.0),
            (13.0, -4.0, b, 5.0, 1.0),
            (3.0, 4.0, a, 5.0, 0.0),
        ] {
            let (found_m, found) = distance_to_piece_m(Point::new(x, y), a, end);
            assert!(
                same(&[found_m, found], &[distance_m, share]),
                "{x}, {y}: {found_m}, {found}"
            );
        }
    }

    /// By hand, of variances 4 and 2 with a covariance of 1: along 3 : 4, 0.36 · 4 + 2 · 0.48 + 0.64 · 2; turned by the rule
    /// R S Rᵀ; its axes √(3 ± √2), the long one at half of 135 degrees.
    #[test]
    fn a_spread_is_seen_along_turned_and_as_an_ellipse() {
        let spread = Spread {
            xx: 4.0,
            xy: 1.0,
            yy: 2.0,
        };
        assert!(same(&[spread.along(Point::new(0.6, 0.8))], &[3.68]));
        for (turn, expected) in [
            (90.0, [2.0, -1.0, 4.0]),
            (30.0, [4.366_025_4, -0.366_025_4, 1.633_974_6]),
        ] {
            let turned = spread.turned_deg(turn);
            assert!(same(&[turned.xx, turned.xy, turned.yy], &expected), "{turned:?}");
        }
        let sum = spread.plus(Spread::round(3.0));
        assert!(same(&[sum.xx, sum.xy, sum.yy], &[13.0, 1.0, 11.0]));
        let ellipse = spread.ellipse();
        assert!(same(
            &[ellipse.major_m, ellipse.minor_m, ellipse.bearing_deg],
            &[2.101_002_9, 1.259_280_1, 67.5]
        ));
        // Source: the 95 % point of chi-square with two degrees of freedom, 5.991 (handbook table), from memory.
        assert!((ellipse.ninety_five_m() - ellipse.major_m * 5.991_f64.sqrt()).abs() < 1e-3);
    }
}
