//! How deep the lid lies, from how deep the sewer leaves the house.

use crate::domain::units::{Length, MM_PER_INCH};

/// The flattest and steepest usual slope of a building sewer: 1/8 and 1/4 inch in a foot.
///
/// Source: Chicago 18-29-704.1 (IPC table) and Vienna IL 53.073 for 1/8; 1/4 is the rule for smaller pipe there.
pub const SEWER_SLOPES: [f64; 2] = [1.0 / 96.0, 1.0 / 48.0];

/// The air space above the liquid, inches. Source: 15A NCAC 18A .1954(a)(2).
const AIR_SPACE_IN: f64 = 9.0;

/// The thickness of a concrete lid, inches: 3 to 4, common practice.
const LID_IN: [f64; 2] = [4.0, 3.0];

/// The deepest lid looked for where the sewer's depth is not known, m: 4 ft.
///
/// Source: Carver County MN 52.021(E), top of the tank not deeper than 4 ft.
pub const DEEPEST_LID_M: f64 = 1.2192;

/// How far the ground may rise or fall between wall and tank, m, one way (common practice for a lawn).
const GROUND_M: f64 = 0.15;

/// A rod that passes over a tank that is there: it slips past an edge or stops short (common practice).
const ROD_SURE: f64 = 0.93;

/// What is known of the sewer's depth.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SewerDepth {
    /// How far under the ground the bottom of the pipe lies where it leaves the house.
    pub invert: Option<Length>,
}

/// A range of depths of the lid's top under the ground, m; the shallower first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DepthRange {
    /// The shallow end.
    pub from_m: f64,
    /// The deep end.
    pub to_m: f64,
}

impl SewerDepth {
    /// Returns where the lid's top is to be expected `distance_m` along the sewer.
    ///
    /// `top = invert + slope · distance - air space - lid`, on level ground, the flattest slope with the thickest lid
    /// and the steepest with the thinnest. Without the sewer's depth: from the ground to [`DEEPEST_LID_M`].
    #[must_use]
    pub fn lid(self, distance_m: f64) -> DepthRange {
        let Some(invert) = self.invert else {
            return DepthRange {
                from_m: 0.0,
                to_m: DEEPEST_LID_M,
            };
        };
        let distance_m = if distance_m.is_finite() {
            distance_m.max(0.0)
        } else {
            0.0
        };
        let top = |slope: f64, lid_in: f64| {
            let above_m = (AIR_SPACE_IN + lid_in) * MM_PER_INCH / 1000.0;
            (invert.mm() / 1000.0 + slope * distance_m - above_m).max(0.0)
        };
        let ([flat, steep], [thick, thin]) = (SEWER_SLOPES, LID_IN);
        DepthRange {
            from_m: top(flat, thick),
            to_m: top(steep, thin),
        }
    }

    /// Returns the chance that a rod pushed to `depth` over a tank at `distance_m` would have met it.
    #[must_use]
    pub fn reached(self, distance_m: f64, depth: Length) -> f64 {
        let mut range = self.lid(distance_m);
        if self.invert.is_some() {
            range = DepthRange {
                from_m: range.from_m - GROUND_M,
                to_m: range.to_m + GROUND_M,
            };
        }
        let share = (depth.mm() / 1000.0 - range.from_m) / (range.to_m - range.from_m).max(0.01);
        ROD_SURE * share.clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: with nothing known, 2 of 4 ft are half way. A sewer 700 mm down, 6 m on: 0.7 + 6 / 96 - 13 · 0.0254 = 0.4323 m and
    /// 0.7 + 6 / 48 - 12 · 0.0254 = 0.5202 m, and 0.15 m of ground to either side; 476 mm are 0.1937 of the 0.3879 m between.
    #[test]
    fn a_rod_has_looked_as_deep_as_it_went() {
        let reached = |invert: Option<u32>, mm| {
            let sewer = SewerDepth {
                invert: invert.map(Length::from_mm),
            };
            sewer.reached(6.0, Length::from_mm(mm))
        };
        for (invert, mm, expected) in [
            (None, 0, 0.0),
            (None, 305, 0.93 * 0.305 / 1.2192),
            (None, 1_300, 0.93),
            (Some(700), 282, 0.0),
            (Some(700), 476, 0.93 * 0.1937 / 0.3879),
            (Some(700), 671, 0.93),
        ] {
            let found = reached(invert, mm);
            assert!((found - expected).abs() < 1e-9, "{invert:?}, {mm} mm: {found}");
        }
    }
}
