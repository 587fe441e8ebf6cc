//! The way from where a person stands to a place: how far, which way, and whether the positions can still tell.

use super::fix::Fix;
use super::geodesy::Position;

/// What the arrow on the screen is turned against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ArrowFrom {
    /// The way the device points, by its compass.
    Heading,
    /// The way the person walks.
    Course,
    /// True north: nothing is known of the device, so up is north.
    North,
}

/// The way from here to a place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Guidance {
    /// How far, along the geodesic, m.
    pub distance_m: f64,
    /// Which way, degrees from true north, 0 to under 360.
    pub bearing_deg: f64,
    /// The error of the distance, radius of about 68 %, m: this fix's and the place's own together.
    pub error_m: f64,
    /// How far the bearing may be off, degrees, about 68 %; `None` inside the error, where every way is as good.
    pub bearing_error_deg: Option<f64>,
    /// Where the arrow points on the screen, degrees clockwise from up, 0 to under 360.
    pub arrow_deg: f64,
    /// What it is turned against.
    pub arrow_from: ArrowFrom,
    /// Whether the distance is within the error: from here on the tape finds the place, the positions do not.
    pub use_tape: bool,
}

/// Returns the way from a fix to a place known to `target_error_m`.
///
/// The two errors are independent (another day, other satellites) and add as squares. The arrow is turned against the
/// compass, else the course, else north.
///
/// * `heading_deg`: the way the device points, degrees from true north
/// * `target_error_m`: radius of about 68 %
#[must_use]
pub fn guide(here: &Fix, heading_deg: Option<f64>, target: Position, target_error_m: f64) -> Guidance {
    let distance_m = here.position.distance_m(target);
    let bearing_deg = here.position.bearing_deg(target);
    let own = |error_m: f64| if error_m.is_finite() { error_m.max(0.0) } else { 0.0 };
    let error_m = here.honest_error_m().hypot(own(target_error_m));
    let sound = |degrees: &f64| degrees.is_finite();
    let (up_deg, arrow_from) = match (heading_deg.filter(sound), here.course_deg.filter(sound)) {
        (Some(heading), _) => (heading, ArrowFrom::Heading),
        (None, Some(course)) => (course, ArrowFrom::Course),
        (None, None) => (0.0, ArrowFrom::North),
    };
    let use_tape = distance_m <= error_m;
    Guidance {
        distance_m,
        bearing_deg,
        error_m,
        bearing_error_deg: (!use_tape).then(|| (error_m / distance_m).min(1.0).asin().to_degrees()),
        // A hair left of up rounds to a whole turn, which is up.
        arrow_deg: (bearing_deg - up_deg).rem_euclid(360.0) % 360.0,
        arrow_from,
        use_tape,
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// By hand: 100 m to the north-east with errors of 8 m and 6 m, 10 m together, so asin(10 / 100) = 5.739 degrees to either
    /// side; facing east it lies 45 degrees to the left. Within 10 m the tape is used and every way is as good.
    #[test]
    fn the_arrow_points_where_the_place_lies() {
        let here = Fix::new(Position::new(44.0, -93.0).unwrap(), Some(8.0));
        let target = |metres| here.position.travel(45.0, metres);
        let far = guide(&here, Some(90.0), target(100.0), 6.0);
        let found = [
            far.distance_m,
            far.bearing_deg,
            far.error_m,
            far.bearing_error_deg.unwrap(),
            far.arrow_deg,
        ];
        for (found, expected) in found.into_iter().zip([100.0, 45.0, 10.0, 5.739_17, 315.0]) {
            assert!((found - expected).abs() < 1e-4, "{far:?}");
        }
        assert_eq!((far.arrow_from, far.use_tape), (ArrowFrom::Heading, false));
        let near = guide(&here, None, target(9.9), 6.0);
        assert_eq!((near.bearing_error_deg, near.use_tape), (None, true));
        assert!(!guide(&here, None, target(10.1), 6.0).use_tape);
        let walking = Fix {
            course_deg: Some(30.0),
            ..here
        };
        for (heading, fix, arrow_deg, from) in [
            (None, &walking, 15.0, ArrowFrom::Course),
            (Some(f64::NAN), &walking, 15.0, ArrowFrom::Course),
            (Some(0.0), &walking, 45.0, ArrowFrom::Heading),
            (None, &here, 45.0, ArrowFrom::North),
        ] {
            let way = guide(fix, heading, target(100.0), 6.0);
            assert!(
                (way.arrow_deg - arrow_deg).abs() < 1e-6 && way.arrow_from == from,
                "{way:?}"
            );
        }
        for unknown in [f64::INFINITY, f64::NAN, -6.0] {
            assert!((guide(&here, None, target(100.0), unknown).error_m - 8.0).abs() < 1e-12);
        }
    }
}
