//! From a tank and what was read in it to what the drawing shows.

use crate::app::card::FillPoint;
use crate::app::section::{CompartmentScene, DeviceScene, SectionShape};
use crate::domain::forecast::CurvePoint;
use crate::domain::reading::Reading;
use crate::domain::tank::{Compartment, DipRow, TankShape};
use crate::domain::units::{Length, Offset};

/// Air over the invert drawn when it was not recorded; common practice is about 9 in.
const UNKNOWN_AIR_MM: u32 = 230;
/// Depth drawn when it was not recorded.
const UNKNOWN_DEPTH_MM: u32 = 1_200;

impl SectionShape {
    /// Returns the section that shows what decides a compartment's volume.
    ///
    /// A dip table or a bare capacity has no shape of its own: it is drawn as a tank twice as long as wide (common
    /// practice) whose level areas are the ones the volumes ask for, so that shares of the picture are true.
    #[must_use]
    pub fn of(shape: &TankShape, liquid_depth: Length) -> Self {
        match shape {
            TankShape::Box { length, .. } | TankShape::ObroundPlan { length, .. } => Self::Prism {
                width_mm: length.as_mm(),
            },
            TankShape::UprightCylinder { diameter } => Self::Prism {
                width_mm: diameter.as_mm(),
            },
            TankShape::LevelCylinder { diameter, .. } => Self::Circle {
                diameter_mm: diameter.as_mm(),
            },
            TankShape::ObroundSection { radius, straight, .. } => Self::Obround {
                radius_mm: radius.as_mm(),
                straight_mm: straight.as_mm(),
            },
            TankShape::EllipseSection { height, width, .. } => Self::Ellipse {
                height_mm: height.as_mm(),
                width_mm: width.as_mm(),
            },
            TankShape::DipTable { rows } => Self::derived(rows),
            TankShape::Nominal { capacity } => {
                let depth = if liquid_depth == Length::ZERO {
                    Length::from_mm(UNKNOWN_DEPTH_MM)
                } else {
                    liquid_depth
                };
                Self::derived(&[DipRow {
                    depth,
                    volume: *capacity,
                }])
            }
        }
    }

    /// The profile whose area between two rows is in proportion to the volume between them.
    fn derived(rows: &[DipRow]) -> Self {
        let mut steps: Vec<(Length, Length, f64)> = Vec::new();
        let (mut depth, mut litres) = (Length::ZERO, 0.0);
        for row in rows {
            // Rows that do not go up are flagged by the checks; the picture goes on with the next good one.
            let area_mm2 = (row.volume.as_litres() - litres) * 1.0e6 / row.depth.saturating_sub(depth).mm();
            if row.depth > depth && area_mm2.is_finite() && area_mm2 >= 0.0 {
                steps.push((depth, row.depth, area_mm2));
                (depth, litres) = (row.depth, row.volume.as_litres());
            }
        }
        let widest_mm2 = steps.iter().map(|step| step.2).fold(0.0, f64::max);
        // Twice as long as wide where it is widest: length = √(2A), plan width = √(A/2).
        let plan_width_mm = (widest_mm2 / 2.0).sqrt();
        let mut profile = Vec::new();
        for (low, high, area_mm2) in steps {
            let width = Length::from_real_mm(area_mm2 / plan_width_mm).unwrap_or_default();
            profile.push((low.as_mm(), width.as_mm()));
            profile.push((high.as_mm(), width.as_mm()));
        }
        Self::Profile { rows: profile }
    }
}

impl CompartmentScene {
    /// Returns a compartment as it stood when it was read; without a reading it is full of clear liquid.
    ///
    /// Limits are not the compartment's own: the caller sets them from the rule set.
    #[must_use]
    pub fn of(compartment: &Compartment, reading: Option<&Reading>) -> Self {
        let device = reading
            .and_then(|reading| reading.outlet_device)
            .or(compartment.outlet_device);
        let depth = match compartment.shape {
            TankShape::Nominal { .. } if compartment.liquid_depth == Length::ZERO => UNKNOWN_DEPTH_MM,
            _ => compartment.liquid_depth.as_mm(),
        };
        Self {
            shape: SectionShape::of(&compartment.shape, compartment.liquid_depth),
            liquid_depth_mm: depth,
            air_mm: compartment.air_space.map_or(UNKNOWN_AIR_MM, Length::as_mm),
            level_mm: reading.map_or(0, |reading| Offset::as_mm(reading.level)),
            scum_mm: reading.and_then(|reading| reading.scum).map(Length::as_mm),
            sludge_mm: reading.and_then(sludge).map(Length::as_mm),
            device: device.map(|bottom| DeviceScene {
                bottom_mm: bottom.as_mm(),
                top_mm: compartment.outlet_top.map(Length::as_mm),
            }),
            sludge_limit_mm: None,
            scum_limit_mm: None,
        }
    }
}

/// Depth of the sludge: the mean of the probes where it was probed.
fn sludge(reading: &Reading) -> Option<Length> {
    let probes = &reading.sludge_probes;
    let total: f64 = probes.iter().map(|probe| probe.mm()).sum();
    let mean = u32::try_from(probes.len())
        .ok()
        .filter(|n| *n > 0)
        .map(|n| total / f64::from(n));
    mean.and_then(Length::from_real_mm).or(reading.sludge)
}

impl From<CurvePoint> for FillPoint {
    /// The band runs from q = 0.25 to q = 0.90, as the window of dates does.
    fn from(point: CurvePoint) -> Self {
        Self {
            years: point.years,
            low_litres: point.q25,
            middle_litres: point.q50,
            high_litres: point.q90,
        }
    }
}
