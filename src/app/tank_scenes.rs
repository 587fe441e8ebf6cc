//! From what was recorded to what is drawn in section.

use crate::app::inputs::{compartments_of, shape_of};
use crate::app::section::{CompartmentScene, DeviceScene, Edge, Fit, LidScene, SectionScene, SectionShape, TickUnit};
use crate::app::stop::StopState;
use crate::domain::assess::Assessment;
use crate::domain::record::{Compartment, Reading, ShapeKind, Tank, Units, Visit};
use crate::domain::rules::{RuleSet, Test};
use crate::domain::units::{Length, round_to_i64};

/// Liquid depth drawn while nobody has measured it; common practice, and said on the screen.
pub const USUAL_LIQUID_DEPTH_MM: u32 = 1_219;
/// Air space drawn while nobody has measured it: 9 in, NC 18A .1954 (a)(2).
const USUAL_AIR_MM: u32 = 229;
/// Length drawn for a tank whose length is not known.
const USUAL_LENGTH_MM: u32 = 2_400;
/// Width drawn for a lid nobody has measured: 24 in, common practice.
pub const USUAL_LID_MM: u32 = 610;

fn mm(length: Option<Length>, usual: u32) -> u32 {
    length.map_or(usual, Length::as_mm).max(1)
}

/// The true shape where it is known, a usual one of the same kind where it is not.
fn section_shape(compartment: &Compartment) -> SectionShape {
    let liquid = Length::from_mm(mm(compartment.liquid_depth_mm, USUAL_LIQUID_DEPTH_MM));
    if let Some(shape) = shape_of(compartment) {
        return SectionShape::of(&shape, liquid);
    }
    match compartment.shape {
        ShapeKind::Box | ShapeKind::ObroundPlan | ShapeKind::Nominal | ShapeKind::DipTable => SectionShape::Prism {
            width_mm: mm(compartment.length_mm, USUAL_LENGTH_MM),
        },
        ShapeKind::UprightCylinder => SectionShape::Prism {
            width_mm: mm(compartment.diameter_mm, 1_500),
        },
        ShapeKind::LevelCylinder => SectionShape::Circle {
            diameter_mm: mm(compartment.diameter_mm, 1_524),
        },
        ShapeKind::ObroundSection => SectionShape::Obround {
            radius_mm: mm(compartment.radius_mm, 600),
            straight_mm: compartment.straight_mm.map_or(300, Length::as_mm),
        },
        ShapeKind::EllipseSection => SectionShape::Ellipse {
            height_mm: mm(compartment.height_mm, 1_500),
            width_mm: mm(compartment.width_mm, 1_800),
        },
    }
}

/// What to draw of one reading; where nothing was read, nothing is drawn.
fn compartment_scene(
    compartment: &Compartment,
    reading: Option<&Reading>,
    limits: (Option<i32>, Option<i32>),
) -> CompartmentScene {
    let liquid = mm(compartment.liquid_depth_mm, USUAL_LIQUID_DEPTH_MM);
    let probes = reading
        .map(|reading| crate::app::inputs::probes(&reading.probes_mm))
        .unwrap_or_default();
    let sludge = mean_mm(&probes).or_else(|| reading_sludge(reading));
    CompartmentScene {
        shape: section_shape(compartment),
        liquid_depth_mm: liquid,
        air_mm: mm(compartment.air_mm, USUAL_AIR_MM),
        level_mm: reading
            .and_then(|r| r.level_mm)
            .and_then(|mm| i32::try_from(mm).ok())
            .unwrap_or(0),
        scum_mm: reading.and_then(|r| r.scum_mm).map(Length::as_mm),
        sludge_mm: sludge,
        device: compartment.outlet_device_mm.map(|bottom| DeviceScene {
            bottom_mm: bottom.as_mm(),
            top_mm: compartment.outlet_top_mm.map(Length::as_mm),
        }),
        sludge_limit_mm: limits.0,
        scum_limit_mm: limits.1,
    }
}

fn reading_sludge(reading: Option<&Reading>) -> Option<u32> {
    reading.and_then(|reading| reading.sludge_mm).map(Length::as_mm)
}

/// Returns the mean of several probes, whole millimetres.
#[must_use]
pub fn mean_mm(probes: &[Length]) -> Option<u32> {
    let count = u64::try_from(probes.len()).ok().filter(|count| *count > 0)?;
    let sum: u64 = probes.iter().map(|probe| u64::from(probe.as_mm())).sum();
    u32::try_from((sum + count / 2) / count).ok()
}

/// Returns the lowest a sludge top and a scum bottom may come to, against the outlet invert (below positive), by the rule set.
#[must_use]
pub fn limits(compartment: &Compartment, rule_set: Option<&RuleSet>) -> (Option<i32>, Option<i32>) {
    let (Some(rule_set), Some(device)) = (rule_set, compartment.outlet_device_mm) else {
        return (None, None);
    };
    let device = device.mm();
    let whole = |mm: f64| round_to_i64(mm).and_then(|mm| i32::try_from(mm).ok());
    let mut lines = (None, None);
    for clause in &rule_set.clauses {
        match &clause.test {
            Test::SludgeClearance(limit) => lines.0 = whole(device + limit.mm()),
            Test::ScumClearance(limit) => lines.1 = whole(device - limit.mm()),
            _ => {}
        }
    }
    lines
}

fn lid_scenes(visit: &Visit, tank: &Tank) -> Vec<LidScene> {
    visit
        .lids
        .iter()
        .filter(|lid| lid.tank == tank.id && !lid.removed)
        .map(|lid| LidScene {
            name: lid.name.clone(),
            cover_mm: lid.cover_mm.and_then(|mm| i32::try_from(mm).ok()).unwrap_or(150),
            width_mm: mm(lid.width_mm, USUAL_LID_MM),
            riser_top_mm: None,
        })
        .collect()
}

/// Returns the unit of the marks beside the drawing.
#[must_use]
pub const fn tick_unit(units: Units) -> TickUnit {
    match units {
        Units::UsCustomary => TickUnit::Inches,
        Units::Metric => TickUnit::Centimetres,
    }
}

/// The compartment a person is reading, with its lids.
pub(crate) fn reading_scene(
    state: &StopState,
    rule_set: Option<&RuleSet>,
    selected: Option<Edge>,
    units: Units,
) -> SectionScene {
    let visit = state.shown();
    let (Some(tank), Some(compartment)) = (state.tank(), state.compartment()) else {
        return SectionScene::default();
    };
    let reading = state.reading_of(compartment.id);
    let mut scene = compartment_scene(compartment, reading, limits(compartment, rule_set));
    // The edge that is dragged is the probe in hand, not the mean of those taken.
    scene.sludge_mm = reading_sludge(reading).or(scene.sludge_mm);
    let lids = lid_scenes(visit, tank);
    // One compartment is drawn at a time, as large as the screen allows, under the lid that opens it.
    let many = state.compartments().len() > 1;
    let lids = if many {
        lids.into_iter().skip(state.compartment).take(1).collect()
    } else {
        lids
    };
    SectionScene {
        compartments: vec![scene],
        lids,
        selected,
        fit: Fit::Tall,
        tick_unit: tick_unit(units),
    }
}

/// A whole tank as it stands today: as read, or with only what the pump-out left.
pub(crate) fn tank_today(visit: &Visit, tank: &Tank, pumped: bool, units: Units) -> SectionScene {
    let compartments = compartments_of(visit, tank.id)
        .into_iter()
        .map(|compartment| {
            let reading = visit
                .readings
                .iter()
                .find(|r| r.compartment == compartment.id && !r.removed);
            let mut scene = compartment_scene(compartment, reading, (None, None));
            if pumped {
                // Filled again by the next day; what was left behind is a film at this scale.
                scene.level_mm = 0;
                scene.scum_mm = Some(0);
                scene.sludge_mm = Some(0);
            }
            scene
        })
        .collect();
    SectionScene {
        compartments,
        lids: lid_scenes(visit, tank),
        selected: None,
        fit: Fit::Whole,
        tick_unit: tick_unit(units),
    }
}

/// A whole tank as it is expected to stand on the due date.
pub(crate) fn tank_when_due(visit: &Visit, tank: &Tank, assessment: &Assessment, units: Units) -> SectionScene {
    let mut scene = tank_today(visit, tank, false, units);
    for (compartment, layers) in scene.compartments.iter_mut().zip(&assessment.forecast.at_due) {
        compartment.level_mm = 0;
        compartment.scum_mm = Length::from_real_mm(layers.scum_mm).map(Length::as_mm);
        compartment.sludge_mm = Length::from_real_mm(layers.sludge_mm).map(Length::as_mm);
    }
    scene
}

/// The bare shape of a compartment with its liquid, for the tank sheet.
pub(crate) fn shape_scene(compartment: &Compartment, units: Units) -> SectionScene {
    let mut scene = compartment_scene(compartment, None, (None, None));
    scene.scum_mm = None;
    SectionScene {
        compartments: vec![scene],
        lids: Vec::new(),
        selected: None,
        fit: Fit::Whole,
        tick_unit: tick_unit(units),
    }
}
