//! Tanks: shapes, and how much lies below a given depth.

use super::flags::{Flag, FlagCode};
use super::units::{Length, Volume};
use std::f64::consts::PI;

/// One row of a dip table: the volume below a depth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DipRow {
    /// Depth above the bottom.
    pub depth: Length,
    /// Volume below it.
    pub volume: Volume,
}

/// The inside of one compartment.
///
/// Box, upright cylinder and obround plan have straight walls and no top of their own; their height is the liquid depth plus the
/// air space when that is known.
#[derive(Clone, Debug, PartialEq)]
pub enum TankShape {
    /// Straight walls, rectangular plan.
    Box {
        /// Inside length.
        length: Length,
        /// Inside width.
        width: Length,
    },
    /// Straight walls, round plan.
    UprightCylinder {
        /// Inside diameter.
        diameter: Length,
    },
    /// A cylinder on its side, flat ends.
    LevelCylinder {
        /// Inside diameter.
        diameter: Length,
        /// Inside length.
        length: Length,
    },
    /// Straight walls; the plan is a rectangle with half circles of `width` at both ends.
    ObroundPlan {
        /// Inside length over the rounded ends.
        length: Length,
        /// Inside width, the diameter of the ends.
        width: Length,
    },
    /// Lying; the cross-section is a half circle below, a straight wall, a half circle above.
    ObroundSection {
        /// Radius of both half circles.
        radius: Length,
        /// Height of the straight wall between them.
        straight: Length,
        /// Inside length.
        length: Length,
    },
    /// Lying; the cross-section is an ellipse.
    EllipseSection {
        /// Inside height.
        height: Length,
        /// Inside width.
        width: Length,
        /// Inside length.
        length: Length,
    },
    /// Measured volumes at depths, straight lines between them; an empty tank at depth zero is implied.
    DipTable {
        /// The rows, shallowest first.
        rows: Vec<DipRow>,
    },
    /// Only the capacity below the outlet is known; depth and volume shares are taken as equal.
    Nominal {
        /// Capacity below the outlet invert.
        capacity: Volume,
    },
}

/// One compartment: its shape and where the outlet stands in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Compartment {
    /// The inside.
    pub shape: TankShape,
    /// Bottom of the tank to the outlet invert. Zero means unknown, and only a nominal shape can work with that.
    pub liquid_depth: Length,
    /// Air space above the outlet invert, when known.
    pub air_space: Option<Length>,
    /// Bottom of the outlet device (baffle, tee, filter) below the outlet invert.
    pub outlet_device: Option<Length>,
    /// Top of the outlet device above the outlet invert.
    pub outlet_top: Option<Length>,
}

/// A tank: one to three compartments in the order of the flow.
#[derive(Clone, Debug, PartialEq)]
pub struct Tank {
    /// The compartments, inlet first.
    pub compartments: Vec<Compartment>,
}

/// Most compartments a tank can have here.
pub const MAX_COMPARTMENTS: usize = 3;

/// Lengths above this are flagged: no septic tank is 30 m long (common practice).
const IMPLAUSIBLE_MM: u32 = 30_000;

/// Area of the part of a unit circle below `depth` (0 to 2), by symmetry exact at 0, 1 and 2.
///
/// `acos(1−h) − (1−h)·sqrt(2h−h²)`; source: circular segment, references in `docs/method.md`.
fn unit_segment(depth: f64) -> f64 {
    let h = depth.clamp(0.0, 2.0);
    if h > 1.0 {
        return PI - unit_segment(2.0 - h);
    }
    let c = 1.0 - h;
    c.acos() - c * unit_half_chord(h)
}

/// Half the chord of a unit circle at `depth` (0 to 2).
fn unit_half_chord(depth: f64) -> f64 {
    let h = depth.clamp(0.0, 2.0);
    (h * (2.0 - h)).max(0.0).sqrt()
}

/// Returns `a / b`, or 0 when `b` is not above 0.
fn ratio(a: f64, b: f64) -> f64 {
    if b > 0.0 { a / b } else { 0.0 }
}

impl TankShape {
    /// Returns the inside height the shape itself gives, mm; `None` for straight walls and nominal sizes.
    #[must_use]
    pub fn own_height_mm(&self) -> Option<f64> {
        match self {
            Self::Box { .. } | Self::UprightCylinder { .. } | Self::ObroundPlan { .. } | Self::Nominal { .. } => None,
            Self::LevelCylinder { diameter, .. } => Some(diameter.mm()),
            Self::ObroundSection { radius, straight, .. } => Some(2.0 * radius.mm() + straight.mm()),
            Self::EllipseSection { height, .. } => Some(height.mm()),
            Self::DipTable { rows } => Some(rows.last().map_or(0.0, |row| row.depth.mm())),
        }
    }

    /// Volume below `depth_mm` above the bottom; a nominal size needs the liquid depth it belongs to.
    ///
    /// Closed forms: prism `A·h`; circle and ellipse segment `a·b·(acos(1−u) − (1−u)·sqrt(2u−u²))·L`, `u = h/b`;
    /// obround section: half circles below and above a rectangle. A dip table is read along straight lines.
    /// Below 0 it is 0; above the shape's own height it is the full volume. Never negative, never NaN.
    ///
    /// Source: plane geometry; partial volumes checked against the table of h/D in the tests.
    #[must_use]
    pub fn volume_below(&self, depth_mm: f64, liquid_depth_mm: f64) -> Volume {
        let depth = if depth_mm > 0.0 { depth_mm } else { 0.0 };
        let depth = self.own_height_mm().map_or(depth, |full| depth.min(full));
        let mm3 = match self {
            Self::Box { .. } | Self::UprightCylinder { .. } | Self::ObroundPlan { .. } => {
                self.straight_area_mm2() * depth
            }
            Self::LevelCylinder { diameter, length } => {
                let r = diameter.mm() / 2.0;
                length.mm() * r * r * unit_segment(ratio(depth, r))
            }
            Self::EllipseSection { height, width, length } => {
                let b = height.mm() / 2.0;
                length.mm() * (width.mm() / 2.0) * b * unit_segment(ratio(depth, b))
            }
            Self::ObroundSection {
                radius,
                straight,
                length,
            } => {
                let (r, s) = (radius.mm(), straight.mm());
                let in_wall = (depth - r).clamp(0.0, s);
                let in_circle = depth - in_wall;
                length.mm() * (r * r * unit_segment(ratio(in_circle, r)) + 2.0 * r * in_wall)
            }
            Self::DipTable { rows } => return Volume::from_litres(dip_litres(rows, depth).0),
            Self::Nominal { capacity } => {
                return Volume::from_litres(capacity.as_litres() * ratio(depth, liquid_depth_mm));
            }
        };
        Volume::from_mm3(mm3)
    }

    /// Plan area of straight walls, 0 for other shapes.
    fn straight_area_mm2(&self) -> f64 {
        match self {
            Self::Box { length, width } => length.mm() * width.mm(),
            Self::UprightCylinder { diameter } => PI / 4.0 * diameter.mm() * diameter.mm(),
            Self::ObroundPlan { length, width } => {
                PI / 4.0 * width.mm() * width.mm() + length.saturating_sub(*width).mm() * width.mm()
            }
            _ => 0.0,
        }
    }

    /// Area of the liquid surface at `depth_mm`, mm²: the derivative of the volume. 0 outside the tank.
    #[must_use]
    pub fn plan_area_mm2_at(&self, depth_mm: f64, liquid_depth_mm: f64) -> f64 {
        if depth_mm < 0.0 || self.own_height_mm().is_some_and(|full| depth_mm > full) {
            return 0.0;
        }
        match self {
            Self::Box { .. } | Self::UprightCylinder { .. } | Self::ObroundPlan { .. } => self.straight_area_mm2(),
            Self::LevelCylinder { length, .. }
            | Self::ObroundSection { length, .. }
            | Self::EllipseSection { length, .. } => {
                2.0 * self.half_width_mm_at(depth_mm, liquid_depth_mm) * length.mm()
            }
            Self::DipTable { rows } => dip_litres(rows, depth_mm).1 * 1.0e6,
            Self::Nominal { capacity } => ratio(capacity.as_litres() * 1.0e6, liquid_depth_mm),
        }
    }

    /// Half the inside width of the drawn section at `depth_mm`, mm.
    ///
    /// The section is the one that shows the shape: across a lying tank, across the plan of a straight-walled one. A dip table or
    /// a nominal size has no outline of its own and is drawn as the round tank of equal area at each depth.
    #[must_use]
    pub fn half_width_mm_at(&self, depth_mm: f64, liquid_depth_mm: f64) -> f64 {
        if depth_mm < 0.0 || self.own_height_mm().is_some_and(|full| depth_mm > full) {
            return 0.0;
        }
        match self {
            Self::Box { width, .. } | Self::ObroundPlan { width, .. } => width.mm() / 2.0,
            Self::UprightCylinder { diameter } => diameter.mm() / 2.0,
            Self::LevelCylinder { diameter, .. } => {
                let r = diameter.mm() / 2.0;
                r * unit_half_chord(ratio(depth_mm, r))
            }
            Self::EllipseSection { height, width, .. } => {
                let b = height.mm() / 2.0;
                width.mm() / 2.0 * unit_half_chord(ratio(depth_mm, b))
            }
            Self::ObroundSection { radius, straight, .. } => {
                let r = radius.mm();
                let in_wall = (depth_mm - r).clamp(0.0, straight.mm());
                r * unit_half_chord(ratio(depth_mm - in_wall, r))
            }
            Self::DipTable { .. } | Self::Nominal { .. } => {
                (self.plan_area_mm2_at(depth_mm, liquid_depth_mm).max(0.0) / PI).sqrt()
            }
        }
    }

    /// The shape's sizes with their names, for checks.
    fn sizes(&self) -> Vec<(&'static str, Length)> {
        match self {
            Self::Box { length, width } | Self::ObroundPlan { length, width } => {
                vec![("length", *length), ("width", *width)]
            }
            Self::UprightCylinder { diameter } => vec![("diameter", *diameter)],
            Self::LevelCylinder { diameter, length } => vec![("diameter", *diameter), ("length", *length)],
            Self::ObroundSection { radius, length, .. } => vec![("radius", *radius), ("length", *length)],
            Self::EllipseSection { height, width, length } => {
                vec![("height", *height), ("width", *width), ("length", *length)]
            }
            Self::DipTable { .. } | Self::Nominal { .. } => Vec::new(),
        }
    }
}

/// Litres below `depth` and litres per millimetre there, along the straight lines of a dip table that starts at (0, 0).
fn dip_litres(rows: &[DipRow], depth: f64) -> (f64, f64) {
    let mut below = (0.0, 0.0);
    let mut slope = 0.0;
    for row in rows {
        let here = (row.depth.mm(), row.volume.as_litres());
        if here.0 > below.0 {
            slope = (here.1 - below.1) / (here.0 - below.0);
            if depth < here.0 {
                return (below.1 + slope * (depth - below.0), slope);
            }
        }
        // A row that is not deeper is kept and flagged by `check`; its volume counts from its own depth on.
        below = here;
    }
    (below.1, slope)
}

impl Compartment {
    /// A compartment of this shape and liquid depth, nothing else known.
    #[must_use]
    pub const fn new(shape: TankShape, liquid_depth: Length) -> Self {
        Self {
            shape,
            liquid_depth,
            air_space: None,
            outlet_device: None,
            outlet_top: None,
        }
    }

    /// Returns the inside height, mm; `None` when the shape has none and the air space is not known.
    #[must_use]
    pub fn full_height_mm(&self) -> Option<f64> {
        self.shape
            .own_height_mm()
            .or_else(|| self.air_space.map(|air| self.liquid_depth.mm() + air.mm()))
    }

    /// Volume below `depth_mm` above the bottom, the full volume above the top.
    #[must_use]
    pub fn volume_below(&self, depth_mm: f64) -> Volume {
        self.volume_below_with(depth_mm, self.liquid_depth.mm())
    }

    /// As [`Self::volume_below`] with the liquid depth given as a real number, for judging in exact half inches.
    #[must_use]
    pub fn volume_below_with(&self, depth_mm: f64, liquid_depth_mm: f64) -> Volume {
        let depth = self
            .full_height_mm()
            .map_or(depth_mm, |full| depth_mm.min(full.max(liquid_depth_mm)));
        self.shape.volume_below(depth, liquid_depth_mm)
    }

    /// Liquid below the outlet invert.
    ///
    /// A nominal size is its own answer, whether or not the liquid depth is known.
    #[must_use]
    pub fn liquid(&self) -> Volume {
        match self.shape {
            TankShape::Nominal { capacity } => capacity,
            _ => self.volume_below(self.liquid_depth.mm()),
        }
    }

    /// Area of the liquid surface at `depth_mm`, mm².
    #[must_use]
    pub fn plan_area_mm2_at(&self, depth_mm: f64) -> f64 {
        self.shape.plan_area_mm2_at(depth_mm, self.liquid_depth.mm())
    }

    /// Half the inside width of the drawn section at `depth_mm`, mm; see [`TankShape::half_width_mm_at`].
    #[must_use]
    pub fn half_width_mm_at(&self, depth_mm: f64) -> f64 {
        self.shape.half_width_mm_at(depth_mm, self.liquid_depth.mm())
    }

    /// Returns the depth below which `volume` lies, mm: the inverse of [`Self::volume_below`].
    ///
    /// 0 for no volume; the full height when the volume is more than the tank holds; `None` when the tank has no size.
    #[must_use]
    pub fn depth_mm_for(&self, volume: Volume) -> Option<f64> {
        let wanted = volume.as_litres();
        if wanted.is_nan() {
            return None;
        }
        if wanted <= 0.0 {
            return Some(0.0);
        }
        let mut high = match self.full_height_mm() {
            Some(full) => full,
            // Straight walls: the area is the same everywhere, so the depth is a division.
            None => ratio(wanted * 1.0e6, self.plan_area_mm2_at(0.0)),
        };
        if high <= 0.0 || !high.is_finite() || self.volume_below(high).as_litres() <= 0.0 {
            return None;
        }
        if self.volume_below(high).as_litres() <= wanted {
            return Some(high);
        }
        let mut low = 0.0;
        // 100 halvings take any height far below what an f64 can tell apart.
        for _ in 0..100 {
            let middle = f64::midpoint(low, high);
            if self.volume_below(middle).as_litres() < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(f64::midpoint(low, high))
    }

    /// Lists what is impossible or implausible about the compartment, `place` counted from 0.
    #[must_use]
    pub fn check(&self, place: usize) -> Vec<Flag> {
        let mut flags = Vec::new();
        let mut flag = |code, words: String| flags.push(Flag::in_compartment(code, place, words));
        for (name, size) in self.shape.sizes() {
            if size == Length::ZERO {
                flag(
                    FlagCode::ZeroSize,
                    format!("The tank's {name} is zero; measure it again."),
                );
            } else if size.as_mm() > IMPLAUSIBLE_MM {
                flag(
                    FlagCode::ImplausibleSize,
                    format!("The tank's {name} of {size} is larger than any septic tank; check the unit."),
                );
            }
        }
        if self.liquid_depth == Length::ZERO {
            flag(
                FlagCode::NoLiquidDepth,
                "The liquid depth is zero or not known, so scum and sludge cannot be turned into volumes; measure from the outlet invert to the bottom.".to_owned(),
            );
        } else if self.liquid_depth.as_mm() > IMPLAUSIBLE_MM {
            flag(
                FlagCode::ImplausibleSize,
                format!(
                    "The liquid depth of {} is larger than in any septic tank; check the unit.",
                    self.liquid_depth
                ),
            );
        }
        if let Some(full) = self.shape.own_height_mm()
            && self.liquid_depth.mm() > full
        {
            let code = if matches!(self.shape, TankShape::DipTable { .. }) {
                FlagCode::DipTooShort
            } else {
                FlagCode::LiquidAboveTop
            };
            flag(
                code,
                format!(
                    "The liquid depth of {} is above the inside height of {full:.0} mm; check both.",
                    self.liquid_depth
                ),
            );
        }
        if let Some(device) = self.outlet_device
            && device > self.liquid_depth
            && self.liquid_depth > Length::ZERO
        {
            flag(
                FlagCode::OutletBelowBottom,
                format!(
                    "The outlet device at {device} below the invert would reach below the bottom of the tank; check it against the liquid depth of {}.",
                    self.liquid_depth
                ),
            );
        }
        self.check_shape(&mut flag);
        flags
    }

    /// Lists what is impossible about the shape alone.
    fn check_shape(&self, flag: &mut impl FnMut(FlagCode, String)) {
        match &self.shape {
            TankShape::ObroundPlan { length, width } if width > length => {
                flag(
                    FlagCode::WiderThanLong,
                    format!(
                        "The rounded plan is {width} wide and only {length} long; the length goes over the rounded ends and cannot be the smaller one."
                    ),
                );
            }
            TankShape::DipTable { rows } => {
                if rows.iter().all(|row| row.depth == Length::ZERO) {
                    flag(
                        FlagCode::DipEmpty,
                        "The dip table has no row above the bottom; give at least one depth with its litres."
                            .to_owned(),
                    );
                }
                let mut below = DipRow {
                    depth: Length::ZERO,
                    volume: Volume::ZERO,
                };
                for (row, number) in rows.iter().zip(1_u32..) {
                    let is_origin = number == 1 && row.depth == Length::ZERO && row.volume.as_litres() <= 0.0;
                    if !is_origin && (row.depth <= below.depth || row.volume.as_litres() <= below.volume.as_litres()) {
                        flag(
                            FlagCode::DipNotMonotone,
                            format!(
                                "Row {number} of the dip table ({}, {:.1} L) is not deeper and fuller than the row before it; check the row.",
                                row.depth,
                                row.volume.as_litres()
                            ),
                        );
                    }
                    below = *row;
                }
            }
            TankShape::Nominal { capacity } => {
                if capacity.as_litres() <= 0.0 {
                    flag(
                        FlagCode::ZeroSize,
                        "The tank's nominal size is zero; ask for it or measure the tank.".to_owned(),
                    );
                }
                flag(FlagCode::FractionsAssumedEqual, "Only a nominal size is known, so shares by depth and by volume are taken as equal; measure the tank to tell them apart.".to_owned());
            }
            _ => {}
        }
    }
}

impl Tank {
    /// Liquid below the outlet invert, all compartments.
    #[must_use]
    pub fn liquid(&self) -> Volume {
        self.compartments.iter().map(Compartment::liquid).sum()
    }

    /// Lists what is impossible or implausible about the tank.
    #[must_use]
    pub fn check(&self) -> Vec<Flag> {
        let mut flags = Vec::new();
        if self.compartments.is_empty() || self.compartments.len() > MAX_COMPARTMENTS {
            flags.push(Flag::new(
                FlagCode::CompartmentCount,
                format!(
                    "A tank has one to {MAX_COMPARTMENTS} compartments, not {}; describe each tank on its own.",
                    self.compartments.len()
                ),
            ));
        }
        for (place, compartment) in self.compartments.iter().enumerate() {
            flags.extend(compartment.check(place));
        }
        flags
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const GALLON: f64 = crate::domain::units::LITRES_PER_US_GALLON;

    fn mm(mm: u32) -> Length {
        Length::from_mm(mm)
    }

    /// By hand: half of what a drawing shows; a tank without an outline is drawn round, half its width √(area / π). A dip table
    /// of 1,000 L in the lowest metre and 500 L in the half above it has a plan of 1 m² everywhere, and none beyond its top.
    #[test]
    fn a_section_is_drawn_half_as_wide_to_each_side() {
        let row = |depth, litres| DipRow {
            depth: mm(depth),
            volume: Volume::from_litres(litres),
        };
        let dipped = TankShape::DipTable {
            rows: vec![row(1_000, 1_000.0), row(1_500, 1_500.0)],
        };
        let round_mm = (1.0e6 / PI).sqrt();
        let nominal = TankShape::Nominal {
            capacity: Volume::from_litres(1_200.0),
        };
        for (shape, depth_mm, half_mm) in [
            (TankShape::UprightCylinder { diameter: mm(1_500) }, 700.0, 750.0),
            (
                TankShape::Box {
                    length: mm(2_400),
                    width: mm(1_200),
                },
                700.0,
                600.0,
            ),
            (dipped.clone(), 700.0, round_mm),
            (dipped.clone(), 1_500.0, round_mm),
            (dipped.clone(), 1_501.0, 0.0),
            (dipped, -1.0, 0.0),
            (nominal, 700.0, round_mm),
        ] {
            let found = shape.half_width_mm_at(depth_mm, 1_200.0);
            assert!((found - half_mm).abs() < 1e-9, "{shape:?} at {depth_mm} mm: {found}");
        }
        let boxed = TankShape::Box {
            length: mm(2_400),
            width: mm(1_200),
        };
        let areas_mm2 = [-1.0, 0.0, 5_000.0].map(|depth_mm| boxed.plan_area_mm2_at(depth_mm, 1_200.0));
        assert!(areas_mm2[0].abs() < 1e-9 && areas_mm2[1..].iter().all(|area| (area - 2.88e6).abs() < 1e-3));
    }

    /// What is said of a tank: nothing at the limit, something one millimetre beyond it.
    #[test]
    fn a_tank_is_doubted_only_beyond_its_limits() {
        let codes = |compartment: &Compartment| {
            compartment
                .check(0)
                .into_iter()
                .map(|flag| flag.code)
                .collect::<Vec<_>>()
        };
        let boxed = |length, width, depth| {
            Compartment::new(
                TankShape::Box {
                    length: mm(length),
                    width: mm(width),
                },
                mm(depth),
            )
        };
        assert_eq!(codes(&boxed(30_000, 1_000, 30_000)), []);
        assert_eq!(codes(&boxed(30_001, 1_000, 1_000)), [FlagCode::ImplausibleSize]);
        assert_eq!(codes(&boxed(2_000, 0, 1_000)), [FlagCode::ZeroSize]);
        assert_eq!(codes(&boxed(2_000, 1_000, 30_001)), [FlagCode::ImplausibleSize]);
        assert_eq!(codes(&boxed(2_000, 1_000, 0)), [FlagCode::NoLiquidDepth]);
        let lying = |depth| {
            let shape = TankShape::LevelCylinder {
                diameter: mm(1_200),
                length: mm(2_000),
            };
            Compartment::new(shape, mm(depth))
        };
        assert_eq!(codes(&lying(1_200)), []);
        assert_eq!(codes(&lying(1_201)), [FlagCode::LiquidAboveTop]);
        let with_device = |device, depth| Compartment {
            outlet_device: Some(mm(device)),
            ..boxed(2_000, 1_000, depth)
        };
        assert_eq!(codes(&with_device(1_000, 1_000)), []);
        assert_eq!(codes(&with_device(1_001, 1_000)), [FlagCode::OutletBelowBottom]);
        assert_eq!(codes(&with_device(1_001, 0)), [FlagCode::NoLiquidDepth]);
        let oval = |length, width| {
            let shape = TankShape::ObroundPlan {
                length: mm(length),
                width: mm(width),
            };
            codes(&Compartment::new(shape, mm(1_000)))
        };
        assert_eq!(oval(1_200, 1_200), []);
        assert_eq!(oval(1_200, 1_201), [FlagCode::WiderThanLong]);
        let dipped = |rows: &[(u32, f64)], depth| {
            let rows = rows
                .iter()
                .map(|(depth, litres)| DipRow {
                    depth: mm(*depth),
                    volume: Volume::from_litres(*litres),
                })
                .collect();
            codes(&Compartment::new(TankShape::DipTable { rows }, mm(depth)))
        };
        assert_eq!(dipped(&[(0, 0.0), (500, 400.0), (1_000, 900.0)], 1_000), []);
        assert_eq!(dipped(&[(500, 400.0), (1_000, 900.0)], 1_001), [FlagCode::DipTooShort]);
        assert_eq!(dipped(&[(0, 0.0)], 1_000), [FlagCode::DipTooShort, FlagCode::DipEmpty]);
        for second in [(500, 900.0), (1_000, 400.0), (0, 0.0)] {
            let said = dipped(&[(500, 400.0), second, (1_200, 1_100.0)], 1_000);
            assert_eq!(said, [FlagCode::DipNotMonotone], "{second:?}");
        }
        // No litres at the bottom is where every table begins; a litre there is not.
        assert_eq!(dipped(&[(0, 1.0), (1_000, 900.0)], 1_000), [FlagCode::DipNotMonotone]);
        let many = |count| Tank {
            compartments: vec![boxed(2_000, 1_000, 1_000); count],
        };
        for (count, is_doubted) in [(0, true), (1, false), (3, false), (4, true)] {
            let said = many(count)
                .check()
                .into_iter()
                .map(|flag| flag.code)
                .collect::<Vec<_>>();
            assert_eq!(said.contains(&FlagCode::CompartmentCount), is_doubted, "{count}");
        }
    }

    /// A tank's inside is the liquid and the air above it; a tank without a plan holds nothing, so that no depth answers.
    #[test]
    fn the_air_space_stands_above_the_liquid() {
        let compartment = |width| Compartment {
            air_space: Some(mm(200)),
            ..Compartment::new(
                TankShape::Box {
                    length: mm(2_000),
                    width: mm(width),
                },
                mm(1_000),
            )
        };
        let litres = Volume::from_litres;
        assert_eq!(compartment(1_000).full_height_mm(), Some(1_200.0));
        assert_eq!(compartment(1_000).depth_mm_for(litres(5_000.0)), Some(1_200.0));
        assert_eq!(compartment(0).depth_mm_for(litres(5_000.0)), None);
        // Two half circles of 600 mm and a wall of 300 mm between them, whatever the air space is said to be.
        let lying = TankShape::ObroundSection {
            radius: mm(600),
            straight: mm(300),
            length: mm(2_000),
        };
        let own = Compartment {
            shape: lying,
            ..compartment(1_000)
        };
        assert_eq!(own.full_height_mm(), Some(1_500.0));
        let open = Compartment {
            air_space: None,
            ..compartment(0)
        };
        assert_eq!(open.depth_mm_for(litres(5_000.0)), None);
        assert_eq!(open.depth_mm_for(litres(f64::NAN)), None);
        let endless = Compartment {
            air_space: None,
            ..compartment(1_000)
        };
        assert_eq!(endless.depth_mm_for(litres(f64::INFINITY)), None);
        assert_eq!(open.depth_mm_for(litres(0.0)), Some(0.0));
    }

    /// Each shape with the half chord of its lying section (or the whole plan area) written down anew, as the witness.
    type Witness = Box<dyn Fn(f64) -> f64>;

    fn shapes() -> Vec<(&'static str, TankShape, f64, Witness)> {
        let plan = |length: f64, width: f64| {
            // Plan of the rounded rectangle by strips across its length.
            let strips = 200_000;
            let dx = length / f64::from(strips);
            let r = width / 2.0;
            (0..strips)
                .map(|strip| {
                    let x = (f64::from(strip) + 0.5) * dx;
                    let into_end = (r - x).max(x - (length - r)).max(0.0);
                    2.0 * (r * r - into_end * into_end).max(0.0).sqrt() * dx
                })
                .sum::<f64>()
        };
        let oval = plan(2500.0, 1200.0);
        let round = plan(1500.0, 1500.0);
        vec![
            (
                "box",
                TankShape::Box {
                    length: mm(2400),
                    width: mm(1200),
                },
                1500.0,
                Box::new(|_| 2400.0 * 1200.0),
            ),
            (
                "upright",
                TankShape::UprightCylinder { diameter: mm(1500) },
                1500.0,
                Box::new(move |_| round),
            ),
            (
                "oval plan",
                TankShape::ObroundPlan {
                    length: mm(2500),
                    width: mm(1200),
                },
                1500.0,
                Box::new(move |_| oval),
            ),
            (
                "level",
                TankShape::LevelCylinder {
                    diameter: mm(1524),
                    length: mm(2438),
                },
                1524.0,
                Box::new(|h| 2438.0 * 2.0 * (762.0_f64.powi(2) - (h - 762.0).powi(2)).max(0.0).sqrt()),
            ),
            (
                "ellipse",
                TankShape::EllipseSection {
                    height: mm(1300),
                    width: mm(1900),
                    length: mm(2000),
                },
                1300.0,
                Box::new(|h| 2000.0 * 1900.0 * (1.0 - ((h - 650.0) / 650.0).powi(2)).max(0.0).sqrt()),
            ),
            (
                "oval section",
                TankShape::ObroundSection {
                    radius: mm(600),
                    straight: mm(300),
                    length: mm(2200),
                },
                1500.0,
                Box::new(|h| {
                    let centre = h.clamp(600.0, 900.0);
                    2200.0 * 2.0 * (600.0_f64.powi(2) - (h - centre).powi(2)).max(0.0).sqrt()
                }),
            ),
        ]
    }

    /// Witness: midpoint sums over the chords, written without the closed forms.
    #[test]
    fn closed_forms_agree_with_integration_at_many_depths() {
        for (name, shape, height, area) in shapes() {
            let full = shape.volume_below(height, height).as_litres();
            let strips = 60_000_u32;
            let dh = height / f64::from(strips);
            let mut sum = 0.0;
            for strip in 0..strips {
                sum += area((f64::from(strip) + 0.5) * dh) * dh / 1.0e6;
                if strip % 600 == 599 {
                    let depth = f64::from(strip + 1) * dh;
                    let closed = shape.volume_below(depth, height).as_litres();
                    assert!(
                        (closed - sum).abs() < 2e-7 * full,
                        "{name} at {depth}: {closed} against {sum}"
                    );
                }
            }
        }
    }

    #[test]
    fn the_plan_area_is_the_derivative_and_the_depth_the_inverse() {
        for (name, shape, height, area) in shapes() {
            let tank = Compartment::new(shape, mm(1200));
            for step in 1..100 {
                let depth = height * f64::from(step) / 100.0;
                let up = tank.volume_below(depth + 0.01).as_litres() - tank.volume_below(depth - 0.01).as_litres();
                let slope = up * 1.0e6 / 0.02;
                assert!(
                    (slope / tank.plan_area_mm2_at(depth) - 1.0).abs() < 1e-5,
                    "{name} at {depth}"
                );
                assert!(
                    (area(depth) / tank.plan_area_mm2_at(depth) - 1.0).abs() < 1e-6,
                    "{name} at {depth}"
                );
                let back = tank.depth_mm_for(tank.volume_below(depth)).unwrap();
                assert!((back - depth).abs() < 1e-5, "{name} at {depth}: {back}");
            }
        }
    }

    /// Source: partial volumes of a lying cylinder, h/D against V/Vfull (the table of chemical engineers' handbooks; its values
    /// follow from the segment formula, mycalculations.com chem12, egpet.net).
    #[test]
    fn the_lying_cylinder_follows_the_handbook_table() {
        let table = [
            (0.05, 0.01869),
            (0.10, 0.05204),
            (0.15, 0.09406),
            (0.20, 0.14238),
            (0.25, 0.19550),
            (0.30, 0.25232),
            (0.35, 0.31192),
            (0.40, 0.37353),
            (0.45, 0.43644),
            (0.50, 0.5),
            (0.60, 0.62647),
            (0.70, 0.74768),
            (0.75, 0.80450),
            (0.80, 0.85762),
            (0.90, 0.94796),
            (0.95, 0.98131),
            (1.0, 1.0),
        ];
        let shape = TankShape::LevelCylinder {
            diameter: mm(2000),
            length: mm(3000),
        };
        let full = shape.volume_below(2000.0, 0.0).as_litres();
        assert!((full - PI * 3000.0).abs() < 1e-6);
        for (depth, share) in table {
            let found = shape.volume_below(2000.0 * depth, 0.0).as_litres() / full;
            assert!((found - share).abs() < 0.6e-5, "{depth}: {found}");
        }
    }

    /// Source: trade-training column "Onsite Arithmetic", July and August 2017, onsiteinstaller.com, with the exact figures
    /// recomputed (231 in³ to the gallon). Sizes that are not whole millimetres are scaled back.
    #[test]
    fn worked_tanks_of_the_trade_press() {
        // 60 x 108 x 72 in: 2,019.74 gal.
        let box_tank = TankShape::Box {
            length: mm(1524),
            width: mm(2743),
        };
        let gallons = box_tank.volume_below(72.0 * 25.4, 0.0).as_litres() / GALLON * (2743.2 / 2743.0);
        assert!((gallons - 2_019.74).abs() < 0.006, "{gallons}");
        // 6 ft across, 5.5 ft deep: 1,163.29 gal; the column prints 1,166 with pi 3.14 and 7.5 gal/ft3.
        let upright = TankShape::UprightCylinder { diameter: mm(1829) };
        let gallons = upright.volume_below(66.0 * 25.4, 0.0).as_litres() / GALLON * (1828.8_f64 / 1829.0).powi(2);
        assert!((gallons - 1_163.29).abs() < 0.006, "{gallons}");
        // Lying, 60 in across, 96 in long, 48 in of liquid: derived from the formula above.
        let level = TankShape::LevelCylinder {
            diameter: mm(1524),
            length: mm(2438),
        };
        let gallons = |inches: f64| level.volume_below(inches * 25.4, 0.0).as_litres() / GALLON * (2438.4 / 2438.0);
        assert!((gallons(60.0) - 1_175.04).abs() < 0.006);
        assert!((gallons(48.0) - 1_007.74).abs() < 0.006);
        assert!((gallons(12.0) - 167.30).abs() < 0.006);
        assert!((gallons(48.0) - gallons(42.0) - 129.18).abs() < 0.006);
    }

    #[test]
    fn a_dip_table_reads_straight_lines_and_stops_at_its_last_row() {
        let row = |depth, litres| DipRow {
            depth: mm(depth),
            volume: Volume::from_litres(litres),
        };
        let tank = Compartment::new(
            TankShape::DipTable {
                rows: vec![row(500, 1000.0), row(1000, 3000.0)],
            },
            mm(900),
        );
        for (depth, litres) in [
            (0.0, 0.0),
            (250.0, 500.0),
            (500.0, 1000.0),
            (750.0, 2000.0),
            (1000.0, 3000.0),
            (5000.0, 3000.0),
        ] {
            assert!((tank.volume_below(depth).as_litres() - litres).abs() < 1e-9, "{depth}");
        }
        assert!((tank.depth_mm_for(Volume::from_litres(2000.0)).unwrap() - 750.0).abs() < 1e-6);
        assert!(tank.check(0).is_empty());
        let bad = Compartment::new(
            TankShape::DipTable {
                rows: vec![row(500, 1000.0), row(400, 3000.0)],
            },
            mm(300),
        );
        let flags = bad.check(0);
        assert!(
            flags
                .iter()
                .any(|flag| flag.code == FlagCode::DipNotMonotone && flag.words.contains("Row 2")),
            "{flags:?}"
        );
    }

    #[test]
    fn what_cannot_be_is_listed() {
        let cases = [
            (
                TankShape::Box {
                    length: mm(0),
                    width: mm(1),
                },
                1000,
                FlagCode::ZeroSize,
            ),
            (
                TankShape::Box {
                    length: mm(40_000),
                    width: mm(1),
                },
                1000,
                FlagCode::ImplausibleSize,
            ),
            (
                TankShape::LevelCylinder {
                    diameter: mm(1000),
                    length: mm(2000),
                },
                1001,
                FlagCode::LiquidAboveTop,
            ),
            (
                TankShape::ObroundPlan {
                    length: mm(1000),
                    width: mm(1001),
                },
                1000,
                FlagCode::WiderThanLong,
            ),
            (TankShape::DipTable { rows: vec![] }, 1000, FlagCode::DipEmpty),
            (
                TankShape::Nominal {
                    capacity: Volume::from_litres(3000.0),
                },
                1000,
                FlagCode::FractionsAssumedEqual,
            ),
            (
                TankShape::UprightCylinder { diameter: mm(1000) },
                0,
                FlagCode::NoLiquidDepth,
            ),
        ];
        for (shape, depth, code) in cases {
            let flags = Compartment::new(shape.clone(), mm(depth)).check(0);
            assert!(flags.iter().any(|flag| flag.code == code), "{shape:?}: {flags:?}");
        }
    }

    fn any_length() -> impl Strategy<Value = Length> {
        prop_oneof![0_u32..4_000, any::<u32>()].prop_map(Length::from_mm)
    }

    fn any_shape() -> impl Strategy<Value = TankShape> {
        let rows = prop::collection::vec((any_length(), 0.0..1.0e9), 0..6).prop_map(|rows| TankShape::DipTable {
            rows: rows
                .into_iter()
                .map(|(depth, litres)| DipRow {
                    depth,
                    volume: Volume::from_litres(litres),
                })
                .collect(),
        });
        prop_oneof![
            (any_length(), any_length()).prop_map(|(length, width)| TankShape::Box { length, width }),
            any_length().prop_map(|diameter| TankShape::UprightCylinder { diameter }),
            (any_length(), any_length()).prop_map(|(diameter, length)| TankShape::LevelCylinder { diameter, length }),
            (any_length(), any_length()).prop_map(|(length, width)| TankShape::ObroundPlan { length, width }),
            (any_length(), any_length(), any_length()).prop_map(|(radius, straight, length)| {
                TankShape::ObroundSection {
                    radius,
                    straight,
                    length,
                }
            }),
            (any_length(), any_length(), any_length()).prop_map(|(height, width, length)| TankShape::EllipseSection {
                height,
                width,
                length
            }),
            rows,
            (0.0..1.0e9).prop_map(|litres| TankShape::Nominal {
                capacity: Volume::from_litres(litres)
            }),
        ]
    }

    proptest! {
        #[test]
        fn nothing_is_ever_nan_and_deeper_is_never_less(shape in any_shape(), liquid in any_length(), a in 0.0..1.0e10_f64, b in 0.0..5.0e3_f64) {
            let is_table = matches!(shape, TankShape::DipTable { .. });
            let tank = Compartment::new(shape, liquid);
            for depth in [-a, -1.0, 0.0, b, a, liquid.mm()] {
                prop_assert!(tank.volume_below(depth).as_litres().is_finite());
                prop_assert!(tank.plan_area_mm2_at(depth).is_finite());
                prop_assert!(tank.half_width_mm_at(depth).is_finite() && tank.half_width_mm_at(depth) >= 0.0);
                let back = tank.depth_mm_for(tank.volume_below(depth));
                prop_assert!(back.is_none_or(f64::is_finite));
            }
            let (low, high) = (a.min(b), a.max(b));
            let (less, more) = (tank.volume_below(low).as_litres(), tank.volume_below(high).as_litres());
            prop_assert!(is_table || more >= less * (1.0 - 1e-12), "{less} at {low}, {more} at {high}");
            let _flags = tank.check(0);
        }
    }

    /// Below the bottom nothing is drawn, on it the whole width is; the compartment draws what its shape draws.
    #[test]
    fn a_straight_wall_stands_on_the_bottom() {
        let shape = TankShape::Box {
            length: mm(2_400),
            width: mm(1_200),
        };
        let half = |depth_mm| shape.half_width_mm_at(depth_mm, 1_000.0);
        for (depth_mm, half_mm) in [(-0.5, 0.0), (0.0, 600.0), (0.5, 600.0)] {
            assert!((half(depth_mm) - half_mm).abs() < 1e-9, "{depth_mm} mm");
        }
        let lying = TankShape::LevelCylinder {
            diameter: mm(1_500),
            length: mm(2_000),
        };
        // By hand: 150 mm up a circle of 750 mm, √(150 · 1,350) = 450 mm.
        let compartment = Compartment::new(lying, mm(1_200));
        assert!((compartment.half_width_mm_at(150.0) - 450.0).abs() < 1e-9);
    }

    /// A row as deep as the one before it has no slope of its own: beyond it the plan stays what it was, half a litre a
    /// millimetre.
    #[test]
    fn a_dip_table_that_stays_at_one_depth_keeps_its_plan() {
        let row = |depth, litres| DipRow {
            depth: mm(depth),
            volume: Volume::from_litres(litres),
        };
        let rows = [row(100, 50.0), row(100, 60.0)];
        let (litres, slope) = dip_litres(&rows, 120.0);
        assert!((litres - 60.0).abs() < 1e-9 && (slope - 0.5).abs() < 1e-9);
    }

    #[test]
    fn a_nominal_size_of_nothing_is_said_and_any_other_is_not() {
        let says_zero = |litres| {
            let shape = TankShape::Nominal {
                capacity: Volume::from_litres(litres),
            };
            let flags = Compartment::new(shape, mm(1_000)).check(0);
            flags.iter().any(|flag| flag.code == FlagCode::ZeroSize)
        };
        assert_eq!([0.0, 0.5, 4_000.0].map(says_zero), [true, false, false]);
    }
}
