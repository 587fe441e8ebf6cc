//! Marks drawn on a photo, and a length measured against a known one.

use crate::domain::units::Length;

/// A place in a kept photo, in its own pixels from the upper left corner.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spot {
    /// To the right.
    pub x: u32,
    /// Down.
    pub y: u32,
}

impl Spot {
    /// Returns the distance to another place, pixels.
    #[must_use]
    pub fn distance_px(self, other: Self) -> f64 {
        (f64::from(self.x) - f64::from(other.x)).hypot(f64::from(self.y) - f64::from(other.y))
    }
}

/// A straight line between two taps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stretch {
    /// The first tap.
    pub from: Spot,
    /// The second tap.
    pub to: Spot,
}

impl Stretch {
    /// Returns how long it is in the picture, pixels.
    #[must_use]
    pub fn length_px(self) -> f64 {
        self.from.distance_px(self.to)
    }
}

/// One mark on a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// An arrow; its head is at the end of the stretch.
    Arrow(Stretch),
    /// A circle around the first place, through the second.
    Circle(Stretch),
    /// Something whose length is known: a tape, a riser.
    Known {
        /// Where it lies in the picture.
        stretch: Stretch,
        /// How long it is.
        length: Length,
        /// How far a tap may have missed on this screen, pixels of the picture.
        aim_px: u32,
    },
    /// Something to be measured against the known length.
    Measured {
        /// Where it lies in the picture.
        stretch: Stretch,
        /// How far a tap may have missed on this screen, pixels of the picture.
        aim_px: u32,
    },
}

/// A length read off a photo.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// The length, millimetres.
    pub mm: f64,
    /// Half of the range it lies in with a chance of about 95 in 100, millimetres.
    pub error_mm: f64,
}

/// Why no length can be read off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MeasureError {
    /// The known length is so short in the picture that missing a tap decides the answer.
    KnownTooShort,
    /// The known length is zero.
    KnownIsZero,
}

/// Measures a stretch against a known length in the same photo.
///
/// `L = k · m / n`, with `k` the known length, `n` its pixels and `m` the pixels of what is measured.
///
/// The error is the law of propagation of uncertainty for a product (JCGM 100:2008, 5.1.6, equation 12) times the coverage
/// factor 2 (6.3.3): `2 L √((e/k)² + 2 (a/n)² + 2 (b/m)²)`, where `e` is the standard error of the known length and `a`, `b`
/// those of one tap along its line; each stretch has two taps.
///
/// * `known`, `known_px`: the known length and its pixels
/// * `known_error`: the standard error of the known length
/// * `stretch_px`: the pixels of what is measured
/// * `aims_px`: the standard error of a tap on the known stretch and on the measured one, pixels
/// * returns: millimetres
///
/// # Assumptions
/// Both lie in one plane that the camera looked at squarely. A photo cannot show whether they do, and the error does not
/// hold it: who shows the number says so.
///
/// # Errors
/// [`MeasureError`] when the known length cannot carry a measurement: it must be five taps' errors long, so that the
/// error of the scale stays below about 30 %.
pub fn measure(
    known: Length,
    known_error: Length,
    known_px: f64,
    stretch_px: f64,
    aims_px: (f64, f64),
) -> Result<Measured, MeasureError> {
    if known.as_mm() == 0 {
        return Err(MeasureError::KnownIsZero);
    }
    let (aim_known, aim) = aims_px;
    if !(known_px > 0.0 && known_px >= 5.0 * aim_known) {
        return Err(MeasureError::KnownTooShort);
    }
    let scale = known.mm() / known_px;
    let mm = scale * stretch_px;
    // Written without a division by the measured stretch, which may be nothing.
    let of_known = mm * (known_error.mm() / known.mm());
    let of_scale = mm * std::f64::consts::SQRT_2 * aim_known / known_px;
    let of_stretch = scale * std::f64::consts::SQRT_2 * aim;
    Ok(Measured {
        mm,
        error_mm: 2.0 * of_known.hypot(of_scale).hypot(of_stretch),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const SURE: Length = Length::from_mm(0);

    /// The triangle of 3, 4 and 5.
    #[test]
    fn a_stretch_is_as_long_as_the_way_between_its_ends() {
        let stretch = Stretch {
            from: Spot { x: 40, y: 7 },
            to: Spot { x: 10, y: 47 },
        };
        assert!((stretch.length_px() - 50.0).abs() < 1e-12);
    }

    #[test]
    fn a_stretch_twice_as_long_is_twice_the_length() {
        // By hand: 610 mm over 400 px; 800 px are 1,220 mm.
        let found = measure(Length::from_mm(610), SURE, 400.0, 800.0, (0.0, 0.0)).unwrap();
        assert!((found.mm - 1_220.0).abs() < 1e-9 && found.error_mm.abs() < 1e-9);
    }

    #[test]
    fn the_error_is_the_hand_worked_one() {
        // k = 610 ± 6.1 mm (1 %), n = 400 px, m = 200 px, taps ± 4 px: L = 305 mm.
        // Relative: 0.01² + 2 · 0.01² + 2 · 0.02² = 0.0011, root 0.0331662; 2 · 305 · 0.0331662 = 20.231 mm.
        let found = measure(Length::from_mm(610), Length::from_mm(6), 400.0, 200.0, (4.0, 4.0)).unwrap();
        assert!((found.mm - 305.0).abs() < 1e-9);
        // With 6 mm in place of 6.1: (6/610)² = 0.00009675 for 0.0001; 2 · 305 · √0.00109675 = 20.202 mm.
        assert!((found.error_mm - 20.202).abs() < 0.001, "{}", found.error_mm);
    }

    #[test]
    fn what_cannot_carry_a_measurement_is_refused() {
        let known = Length::from_mm(610);
        assert_eq!(
            measure(SURE, SURE, 400.0, 200.0, (4.0, 4.0)),
            Err(MeasureError::KnownIsZero)
        );
        for px in [0.0, 19.9, f64::NAN] {
            assert_eq!(
                measure(known, SURE, px, 200.0, (4.0, 4.0)),
                Err(MeasureError::KnownTooShort),
                "{px}"
            );
        }
        assert_eq!(
            measure(known, SURE, 0.0, 200.0, (0.0, 0.0)),
            Err(MeasureError::KnownTooShort)
        );
        // Nothing measured is nothing, give or take the taps: 2 · 1.525 · √2 · 4 = 17.25 mm.
        let nothing = measure(known, SURE, 400.0, 0.0, (4.0, 4.0)).unwrap();
        assert!(nothing.mm.abs() < 1e-9 && (nothing.error_mm - 17.253).abs() < 0.001);
    }
}
