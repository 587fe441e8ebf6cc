//! Quantities: each type holds one unit and says so.

use std::fmt;

/// Millimetres in one inch, exact by definition (NIST SP 811, appendix B.8).
pub const MM_PER_INCH: f64 = 25.4;

/// Litres in one US liquid gallon, exact: 231 in³ (NIST SP 811, appendix B.8).
pub const LITRES_PER_US_GALLON: f64 = 3.785_411_784;

/// A length, held as whole millimetres.
///
/// A tape reads to the millimetre, so nothing finer is kept and two equal
/// readings compare equal. Negative lengths do not exist; see [`Offset`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Length(u32);

impl Length {
    /// No length.
    pub const ZERO: Self = Self(0);

    /// A length of whole millimetres.
    #[must_use]
    pub const fn from_mm(mm: u32) -> Self {
        Self(mm)
    }

    /// Returns the whole millimetres.
    #[must_use]
    pub const fn as_mm(self) -> u32 {
        self.0
    }

    /// Returns the millimetres as a real number, for formulas.
    #[must_use]
    pub fn mm(self) -> f64 {
        f64::from(self.0)
    }

    /// Returns the nearest whole millimetre to `inches`, `None` when it is negative, not finite or too long to hold.
    #[must_use]
    pub fn from_inches(inches: f64) -> Option<Self> {
        Self::from_real_mm(inches * MM_PER_INCH)
    }

    /// Returns the nearest whole millimetre, half away from zero; `None` when negative, not finite or too long.
    #[must_use]
    pub fn from_real_mm(mm: f64) -> Option<Self> {
        round_to_i64(mm).and_then(|mm| u32::try_from(mm).ok()).map(Self)
    }

    /// Returns the difference, or zero when `other` is longer.
    #[must_use]
    pub const fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} mm", self.0)
    }
}

/// A signed height against a mark, held as whole millimetres; above is positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Offset(i32);

impl Offset {
    /// At the mark.
    pub const AT: Self = Self(0);

    /// A height of whole millimetres above (positive) or below (negative) the mark.
    #[must_use]
    pub const fn from_mm(mm: i32) -> Self {
        Self(mm)
    }

    /// Returns the whole millimetres, above positive.
    #[must_use]
    pub const fn as_mm(self) -> i32 {
        self.0
    }

    /// Returns the millimetres as a real number, for formulas.
    #[must_use]
    pub fn mm(self) -> f64 {
        f64::from(self.0)
    }
}

/// A volume, held as litres.
///
/// Calculated, so a real number: rounding happens when text is made.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Volume(f64);

impl Volume {
    /// Nothing.
    pub const ZERO: Self = Self(0.0);

    /// A volume in litres.
    #[must_use]
    pub const fn from_litres(litres: f64) -> Self {
        Self(litres)
    }

    /// A volume in cubic millimetres.
    #[must_use]
    pub fn from_mm3(mm3: f64) -> Self {
        Self(mm3 / 1.0e6)
    }

    /// A volume in US liquid gallons.
    #[must_use]
    pub fn from_us_gallons(gallons: f64) -> Self {
        Self(gallons * LITRES_PER_US_GALLON)
    }

    /// Returns litres.
    #[must_use]
    pub const fn as_litres(self) -> f64 {
        self.0
    }

    /// Returns US liquid gallons.
    #[must_use]
    pub fn as_us_gallons(self) -> f64 {
        self.0 / LITRES_PER_US_GALLON
    }

    /// Returns whole millilitres, the form a captured volume is stored in; `None` when it does not fit.
    #[must_use]
    pub fn as_whole_ml(self) -> Option<i64> {
        round_to_i64(self.0 * 1000.0)
    }

    /// A captured volume of whole millilitres.
    #[must_use]
    pub fn from_whole_ml(ml: i64) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "exact below 9e15 ml, far above any tank")]
        let litres = ml as f64 / 1000.0;
        Self(litres)
    }
}

impl std::ops::Add for Volume {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl std::ops::Sub for Volume {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl std::iter::Sum for Volume {
    fn sum<I: Iterator<Item = Self>>(volumes: I) -> Self {
        volumes.fold(Self::ZERO, |a, b| a + b)
    }
}

/// Money in the smallest unit of its currency (cents).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cents(pub i64);

impl std::ops::Add for Cents {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Cents {
    /// Returns the amount `times` over, at the largest amount that can be held when it would not fit.
    #[must_use]
    pub const fn times(self, times: i64) -> Self {
        Self(self.0.saturating_mul(times))
    }
}

/// Returns the nearest integer, half away from zero, or `None` when `value` is not finite or does not fit.
#[must_use]
pub fn round_to_i64(value: f64) -> Option<i64> {
    let rounded = value.round();
    // 2^53: every integer up to here is exact in an f64, and nothing measured comes near it.
    if rounded.is_finite() && rounded.abs() <= 9_007_199_254_740_992.0 {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "integral and within range, checked above"
        )]
        let whole = rounded as i64;
        Some(whole)
    } else {
        None
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::float_cmp)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use uom::si::f64 as si;
    use uom::si::length::{inch, millimeter};
    use uom::si::volume::{gallon, liter};

    /// Source of the oracle: the uom crate's conversion constants.
    #[test]
    fn conversions_agree_with_uom() {
        let one_inch = si::Length::new::<inch>(1.0).get::<millimeter>();
        assert!((one_inch - MM_PER_INCH).abs() < 1e-12);
        let one_gallon = si::Volume::new::<gallon>(1.0).get::<liter>();
        assert!((one_gallon - LITRES_PER_US_GALLON).abs() < 1e-6, "{one_gallon}");
    }

    #[test]
    fn a_length_is_written_with_its_unit_and_money_is_counted() {
        assert_eq!(Length::from_mm(305).to_string(), "305 mm");
        assert_eq!(Cents(250).times(3), Cents(750));
        assert_eq!(Cents(i64::MAX).times(2), Cents(i64::MAX));
    }

    #[test]
    fn what_no_whole_number_can_tell_apart_is_none() {
        assert_eq!(round_to_i64(-2.5), Some(-3));
        assert_eq!(round_to_i64(9_007_199_254_740_992.0), Some(9_007_199_254_740_992));
        for value in [1.0e17, -1.0e17, f64::INFINITY, f64::NAN] {
            assert_eq!(round_to_i64(value), None, "{value}");
        }
    }

    #[test]
    fn a_length_that_cannot_exist_is_none() {
        for inches in [-1.0, f64::NAN, f64::INFINITY, 1.0e12] {
            assert_eq!(Length::from_inches(inches), None);
        }
    }

    proptest! {
        #[test]
        fn every_half_inch_survives_millimetres(half_inches in 0_u32..20_000) {
            let inches = f64::from(half_inches) / 2.0;
            let kept = Length::from_inches(inches).unwrap();
            prop_assert_eq!((kept.mm() / MM_PER_INCH * 2.0).round(), f64::from(half_inches));
        }

        #[test]
        fn every_captured_volume_survives_millilitres(ml in 0_i64..1_000_000_000_000) {
            prop_assert_eq!(Volume::from_whole_ml(ml).as_whole_ml(), Some(ml));
        }
    }
}
