//! Tanks: shapes, and how much lies below a given depth.

use super::check::{Flag, FlagCode};
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

    /// The right half of the drawn section from the bottom to the top: `steps + 1` pairs of depth and half width, mm.
    ///
    /// Without a known top the section ends at the liquid depth.
    #[must_use]
    pub fn section_outline(&self, steps: u16) -> Vec<(f64, f64)> {
        let top = self.full_height_mm().unwrap_or_else(|| self.liquid_depth.mm());
        let steps = steps.max(1);
        (0..=steps)
            .map(|step| {
                let depth = top * f64::from(step) / f64::from(steps);
                (depth, self.half_width_mm_at(depth))
            })
            .collect()
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
