//! The house frame: corners and posts known to each other by tape, and how the frame lies on the pins.

use super::plane::{AXES_PER_RADIUS, Point, Spread};
use super::ties::{TapeError, limit};
use crate::domain::units::Length;

/// A place of the frame with its error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// The place.
    pub at: Point,
    /// Its error.
    pub spread: Spread,
}

/// Starts a frame from two corners and the tape between them: the first is the origin, the x axis runs to the second.
///
/// The whole error of the tape is given to the second corner.
#[must_use]
pub fn baseline(distance: Length, error: TapeError) -> [Known; 2] {
    let distance_m = distance.mm() / 1000.0;
    let sigma_m = error.sigma_m(distance_m);
    [
        Known {
            at: Point::ORIGIN,
            spread: Spread::NONE,
        },
        Known {
            at: Point::new(distance_m, 0.0),
            spread: Spread {
                xx: sigma_m * sigma_m,
                xy: 0.0,
                yy: 0.0,
            },
        },
    ]
}

/// A place known both in the frame and by a pin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shared {
    /// Where the tapes put it in the frame.
    pub frame: Point,
    /// Where its pin lies on the site's plane.
    pub pin: Point,
    /// The pin's error, radius of about 68 %, m.
    pub pin_error_m: f64,
}

/// Why a frame cannot be laid on pins.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Fewer than two shared places.
    #[error("{0} shared place is not enough: two places of the frame need a pin")]
    TooFew(usize),
    /// All shared places are one place, so the frame could point anywhere.
    #[error("the shared places lie on one spot: the direction of the frame cannot be told")]
    OneSpot,
    /// A number is not finite or an error is not above zero.
    #[error("shared place {} has no usable numbers", .0 + 1)]
    NotAPlace(usize),
}

/// How the frame lies on the site's plane: turned, then moved, never stretched.
#[derive(Clone, Debug, PartialEq)]
pub struct RigidFit {
    /// How far the frame is turned clockwise, degrees, 0 to under 360: the bearing of its y axis.
    pub turned_deg: f64,
    /// One standard deviation of the turn, degrees, from the pins' errors and how far apart they are.
    pub turned_sigma_deg: f64,
    /// Weighted middle of the shared places in the frame.
    pub frame_middle: Point,
    /// Weighted middle of the pins on the plane.
    pub pin_middle: Point,
    /// One standard deviation of the middle along any axis, m.
    pub middle_sigma_m: f64,
    /// Per shared place, how far its pin lies from where the frame puts it, m.
    pub residuals_m: Vec<f64>,
    /// Root mean square of those, m.
    pub rms_m: f64,
    /// Whether frame and pins agree within the pins' errors.
    pub agrees: bool,
    /// The shared place that lies off by most of its own error, when they do not agree and there are more than two.
    pub worst: Option<usize>,
}

impl RigidFit {
    /// Returns where a place of the frame lies on the site's plane.
    #[must_use]
    pub fn to_plane(&self, frame: Point) -> Point {
        frame
            .minus(self.frame_middle)
            .turned_deg(self.turned_deg)
            .plus(self.pin_middle)
    }

    /// Returns where a place of the site's plane lies in the frame.
    #[must_use]
    pub fn to_frame(&self, plane: Point) -> Point {
        plane
            .minus(self.pin_middle)
            .turned_deg(-self.turned_deg)
            .plus(self.frame_middle)
    }

    /// Returns the error of a place of the frame on the site's plane: its own, the middle's, and the turn's at its arm.
    #[must_use]
    pub fn spread_on_plane(&self, known: Known) -> Spread {
        let arm = known.at.minus(self.frame_middle).turned_deg(self.turned_deg);
        let turn_sq = self.turned_sigma_deg.to_radians().powi(2);
        let across = Spread {
            xx: turn_sq * arm.y_m * arm.y_m,
            xy: -turn_sq * arm.x_m * arm.y_m,
            yy: turn_sq * arm.x_m * arm.x_m,
        };
        known
            .spread
            .turned_deg(self.turned_deg)
            .plus(Spread::round(self.middle_sigma_m))
            .plus(across)
    }
}

/// Lays the frame on the pins by the weighted least-squares turn and move, without scaling.
///
/// With both sets taken about their weighted middles, the clockwise turn is `atan2(Σ w (p × f), Σ w (p · f))`; each
/// weight is `1 / σ²` of the pin.
///
/// Source: the two-dimensional case of Horn (1987), J. Opt. Soc. Am. A 4:629, doi:10.1364/JOSAA.4.000629 (paper not
/// seen; the result follows from setting the derivative of the sum of squares to zero).
///
/// # Errors
/// With fewer than two places, all on one spot, or numbers that are not usable.
pub fn fit_rigid(shared: &[Shared]) -> Result<RigidFit, FitError> {
    if shared.len() < 2 {
        return Err(FitError::TooFew(shared.len()));
    }
    for (index, one) in shared.iter().enumerate() {
        let usable = one.frame.is_finite() && one.pin.is_finite() && one.pin_error_m > 0.0 && one.pin_error_m < 1.0e6;
        if !usable {
            return Err(FitError::NotAPlace(index));
        }
    }
    let weight = |one: &Shared| (one.pin_error_m / AXES_PER_RADIUS).powi(-2);
    let total: f64 = shared.iter().map(weight).sum();
    let middle = |of: fn(&Shared) -> Point| {
        shared
            .iter()
            .fold(Point::ORIGIN, |sum, one| sum.plus(of(one).times(weight(one) / total)))
    };
    let (frame_middle, pin_middle) = (middle(|one| one.frame), middle(|one| one.pin));
    let (mut cross, mut dot, mut arm_sq) = (0.0, 0.0, 0.0);
    for one in shared {
        let (frame, pin) = (one.frame.minus(frame_middle), one.pin.minus(pin_middle));
        cross += weight(one) * pin.cross(frame);
        dot += weight(one) * pin.dot(frame);
        arm_sq += weight(one) * frame.dot(frame);
    }
    if arm_sq / total < 1.0e-6 || cross.hypot(dot) <= 0.0 {
        return Err(FitError::OneSpot);
    }
    let mut fit = RigidFit {
        turned_deg: cross.atan2(dot).to_degrees().rem_euclid(360.0),
        turned_sigma_deg: arm_sq.powf(-0.5).to_degrees().min(180.0),
        frame_middle,
        pin_middle,
        middle_sigma_m: total.powf(-0.5),
        residuals_m: Vec::new(),
        rms_m: 0.0,
        agrees: true,
        worst: None,
    };
    fit.residuals_m = shared
        .iter()
        .map(|one| fit.to_plane(one.frame).distance_m(one.pin))
        .collect();
    let weighted_sq = || {
        shared
            .iter()
            .zip(&fit.residuals_m)
            .map(|(one, off)| weight(one) * off * off)
    };
    let chi: f64 = weighted_sq().sum();
    let worst = weighted_sq()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(index, _)| index);
    fit.rms_m = (chi / total).sqrt();
    fit.agrees = chi <= limit(2 * shared.len() - 3);
    // Two places share what they disagree by: neither can be named.
    fit.worst = worst.filter(|_| !fit.agrees && shared.len() > 2);
    Ok(fit)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn close(found: Spread, (xx, xy, yy): (f64, f64, f64)) -> bool {
        [found.xx - xx, found.xy - xy, found.yy - yy]
            .iter()
            .all(|off| off.abs() < 1e-9)
    }

    /// The tape's whole error lies with the second corner, along the tape.
    #[test]
    fn a_frame_begins_with_two_corners() {
        let error = TapeError::default();
        let [first, second] = baseline(Length::from_mm(8_000), error);
        assert_eq!((first.at, first.spread), (Point::ORIGIN, Spread::NONE));
        assert_eq!(second.at, Point::new(8.0, 0.0));
        assert!(close(second.spread, (error.sigma_m(8.0).powi(2), 0.0, 0.0)));
    }

    /// By hand: a turn known to 0.1 radian moves a place 10 m from the middle by 1 m across its arm, and 20 m from it by 2 m; an
    /// arm of 3 m and 4 m to the north-east, 0.3 m down and 0.4 m up, both together. The middle's own error and the place's are
    /// added.
    #[test]
    fn the_error_of_a_turn_grows_with_the_arm() {
        let fit = |turned_deg, middle_sigma_m| RigidFit {
            turned_deg,
            turned_sigma_deg: 0.1_f64.to_degrees(),
            frame_middle: Point::new(5.0, 7.0),
            pin_middle: Point::new(-2.0, 3.0),
            middle_sigma_m,
            residuals_m: Vec::new(),
            rms_m: 0.0,
            agrees: true,
            worst: None,
        };
        let known = |x, y, spread| Known {
            at: Point::new(5.0 + x, 7.0 + y),
            spread,
        };
        let bare = |turned_deg, x, y| fit(turned_deg, 0.0).spread_on_plane(known(x, y, Spread::NONE));
        assert!(close(bare(0.0, 10.0, 0.0), (0.0, 0.0, 1.0)));
        assert!(close(bare(0.0, 0.0, 20.0), (4.0, 0.0, 0.0)));
        assert!(close(bare(0.0, 3.0, 4.0), (0.16, -0.12, 0.09)));
        // A quarter of a turn clockwise takes the arm from east to south.
        assert!(close(bare(90.0, 10.0, 0.0), (1.0, 0.0, 0.0)));
        let own = Spread {
            xx: 0.5,
            xy: 0.0,
            yy: 0.25,
        };
        let all = fit(90.0, 3.0).spread_on_plane(known(10.0, 0.0, own));
        assert!(close(all, (1.0 + 9.0 + 0.25, 0.0, 9.0 + 0.5)), "{all:?}");
    }

    /// One unusable number, wherever it stands, and the place is named.
    #[test]
    fn a_shared_place_without_usable_numbers_is_refused() {
        let shared = |x, y, pin_error_m| Shared {
            frame: Point::new(x, 0.0),
            pin: Point::new(0.0, y),
            pin_error_m,
        };
        let good = shared(0.0, 0.0, 1.0);
        assert!(fit_rigid(&[good, shared(8.0, 8.0, 1.0)]).is_ok());
        for bad in [
            shared(f64::NAN, 8.0, 1.0),
            shared(8.0, f64::INFINITY, 1.0),
            shared(8.0, 8.0, 0.0),
            shared(8.0, 8.0, 1.0e6),
            shared(8.0, 8.0, f64::NAN),
        ] {
            assert_eq!(fit_rigid(&[good, bad]), Err(FitError::NotAPlace(1)), "{bad:?}");
        }
        assert_eq!(fit_rigid(&[good]), Err(FitError::TooFew(1)));
    }

    /// By hand: of two places 10 m apart whose pins are good to 1 m along each axis, the middle is good to 1 / √2 m and the turn
    /// to 1 / √50 radian. Of three that do not fit, no other turn about the same middles fits better.
    #[test]
    fn the_frame_lies_where_the_squares_are_least() {
        let one = |fx, fy, px, py, sigma_m| Shared {
            frame: Point::new(fx, fy),
            pin: Point::new(px, py),
            pin_error_m: sigma_m * AXES_PER_RADIUS,
        };
        let fit = fit_rigid(&[one(0.0, 0.0, 3.0, 4.0, 1.0), one(10.0, 0.0, 3.0, -6.0, 1.0)]).unwrap();
        let found = [fit.turned_deg, fit.middle_sigma_m, fit.turned_sigma_deg.to_radians()];
        for (found, expected) in found.into_iter().zip([90.0, 0.5_f64.sqrt(), 0.02_f64.sqrt()]) {
            assert!((found - expected).abs() < 1e-9, "{fit:?}");
        }
        let shared = [
            one(0.0, 0.0, 1.0, 2.0, 0.5),
            one(12.0, 0.0, 10.0, -5.0, 2.0),
            one(4.0, 9.0, 9.0, 8.5, 1.0),
        ];
        let fit = fit_rigid(&shared).unwrap();
        let squares = |turn: f64| -> f64 {
            let turned = RigidFit {
                turned_deg: fit.turned_deg + turn,
                ..fit.clone()
            };
            let off = |one: &Shared| turned.to_plane(one.frame).distance_m(one.pin) * AXES_PER_RADIUS / one.pin_error_m;
            shared.iter().map(|one| off(one).powi(2)).sum()
        };
        assert!(squares(0.0) < squares(0.01) && squares(0.0) < squares(-0.01), "{fit:?}");
    }

    /// A millimetre apart, in the frame or on the pins, tells no direction; pins a kilometre good still tell one.
    #[test]
    fn one_spot_tells_no_direction() {
        let pair = |frame_m, pin_m, pin_error_m| {
            let shared = |frame_m, pin_m| Shared {
                frame: Point::new(frame_m, 0.0),
                pin: Point::new(0.0, pin_m),
                pin_error_m,
            };
            fit_rigid(&[shared(0.0, 0.0), shared(frame_m, pin_m)])
        };
        assert_eq!(pair(0.0, 10.0, 1.0), Err(FitError::OneSpot));
        assert_eq!(pair(0.001, 10.0, 1.0), Err(FitError::OneSpot));
        assert_eq!(pair(10.0, 0.0, 1.0), Err(FitError::OneSpot));
        assert!(pair(10.0, 10.0, 1_000.0).is_ok());
    }

    /// By hand: pins drawn apart by the same stretch at both ends lie off by it; of errors of 1 m along each axis the squares
    /// sum to twice its square, against 10.828 for two places and 16.266 for three (chi-square, one in a thousand, handbook
    /// table, from memory). Of two the worse cannot be told.
    #[test]
    fn pins_that_do_not_fit_the_tapes_are_said() {
        let fit = |places: &[f64], off_m: f64| {
            let last = places.len() - 1;
            let shared: Vec<Shared> = places
                .iter()
                .enumerate()
                .map(|(index, x)| {
                    let off = if index == 0 {
                        -off_m
                    } else if index == last {
                        off_m
                    } else {
                        0.0
                    };
                    Shared {
                        frame: Point::new(*x, 0.0),
                        pin: Point::new(x + off, 0.0),
                        pin_error_m: AXES_PER_RADIUS,
                    }
                })
                .collect();
            fit_rigid(&shared).unwrap()
        };
        for (off_m, agrees) in [(2.32, true), (2.33, false)] {
            let two = fit(&[0.0, 10.0], off_m);
            assert!((two.rms_m - off_m).abs() < 1e-9, "{two:?}");
            assert_eq!((two.agrees, two.worst), (agrees, None), "{off_m} m");
        }
        for (off_m, agrees) in [(2.85, true), (2.86, false)] {
            let three = fit(&[-10.0, 0.0, 10.0], off_m);
            assert!((three.rms_m - off_m * (2.0_f64 / 3.0).sqrt()).abs() < 1e-9, "{three:?}");
            assert_eq!((three.agrees, three.worst.is_some()), (agrees, !agrees), "{off_m} m");
        }
    }
}
