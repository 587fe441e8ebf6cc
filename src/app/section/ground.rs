//! The ground over one lid, in section.

use super::{
    Area, Edge, EdgeKind, EdgeLine, Frame, Handle, LID_MM, LayerKind, Layers, Pen, SectionDrawing, SectionView,
    TickUnit, WALL_MM, depth_ticks, earth, side_px,
};

/// Air drawn under the slab: 9 in, NC 18A .1954 (a)(2).
const USUAL_AIR_MM: f64 = 229.0;

/// The ground over one lid.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct GroundScene {
    /// Soil over the lid; negative when it stands proud.
    pub cover_mm: i32,
    /// Width of the lid.
    pub width_mm: u32,
    /// Riser sections to set on it, from the bottom up; empty for none.
    pub stack_mm: Vec<u32>,
    /// Where the finished top is wanted against the ground, above positive, when a rule or a wish says so.
    pub finish_mm: Option<i32>,
    /// Deepest cover the drawing has room for; hold it still during a drag so that the scale does not move.
    pub span_mm: u32,
    /// Which lid it is among the site's, counted from zero, for the handle.
    pub part: usize,
    /// Whether the lid's edge is being worked on.
    pub selected: bool,
    /// Unit of the tick labels.
    pub tick_unit: TickUnit,
}

impl GroundScene {
    /// Returns a span with room to drag on from this cover: a whole number of 300 mm, at least 600.
    #[must_use]
    pub fn span_for(cover_mm: i32) -> u32 {
        let cover = u32::try_from(cover_mm).unwrap_or(0);
        cover.saturating_add(300).div_ceil(300).saturating_mul(300).max(600)
    }
}

/// Draws the ground over one lid: soil to dig as a hatched column, riser sections to scale, grade and finish lines.
#[must_use]
pub fn ground_section(scene: &GroundScene, area: Area) -> SectionDrawing {
    let (width_px, height_px) = (side_px(area.width_px), side_px(area.height_px));
    let span = f64::from(scene.span_mm.max(100));
    let cover = f64::from(scene.cover_mm);
    let stack: f64 = scene.stack_mm.iter().copied().map(f64::from).sum();
    let half = f64::from(scene.width_mm.max(1)) / 2.0;
    let finish = scene.finish_mm.map_or(0.0, f64::from);
    // Elevations here are against the ground.
    // Room for a lid standing a hand proud, so that dragging it there does not move the scale.
    let above = (stack - cover).max(-cover).max(finish).max(150.0) + LID_MM + 40.0;
    let below = span.max(cover) + WALL_MM + 160.0;
    let scale = (height_px / (above + below)).min(width_px / (2.0 * half + 500.0));
    let frame = Frame {
        scale,
        zero_x: width_px / 2.0,
        zero_y: above * scale + ((height_px - (above + below) * scale) / 4.0).max(0.0),
    };
    let grade_y = frame.y(0.0);
    let (left, right) = (frame.x(-half), frame.x(half));
    // The lid rests on the tank; its top is what the cover is measured to.
    let slab_top = -cover - LID_MM;

    let mut layers = Layers::default();
    earth(&mut layers, width_px, height_px, grade_y, scale);
    if cover > 0.0 {
        let column = [
            (left, grade_y),
            (right, grade_y),
            (right, frame.y(-cover)),
            (left, frame.y(-cover)),
        ];
        layers.pen(LayerKind::Hatch).hatch(&column, 9.0);
    }
    let slab_low = slab_top - WALL_MM;
    layers
        .pen(LayerKind::Concrete)
        .rectangle(0.0, frame.y(slab_top), width_px, frame.y(slab_low));
    let air = layers.pen(LayerKind::Air);
    air.rectangle(0.0, frame.y(slab_low), width_px, height_px);
    air.rectangle(
        frame.x(-half * 0.88),
        frame.y(slab_top),
        frame.x(half * 0.88),
        frame.y(slab_low),
    );

    // The tank under the slab, with its liquid, so that the lid is seen for what it closes.
    layers
        .pen(LayerKind::Clear)
        .rectangle(0.0, frame.y(slab_low - USUAL_AIR_MM), width_px, height_px);
    layers.pen(LayerKind::Lid).rectangle(
        frame.x(-half * 1.04),
        frame.y(slab_top + LID_MM),
        frame.x(half * 1.04),
        frame.y(slab_top),
    );
    let limit = layers.pen(LayerKind::Limit);
    propose_stack(limit, scene, -cover, frame);
    let (rule_x, lid_y) = (left - 26.0_f64.min(left / 2.0), frame.y(-cover));
    let foot_half = 7.0_f64.min(left / 4.0).max(0.0);
    for y in [grade_y, lid_y] {
        limit.line((rule_x - foot_half, y), (rule_x + foot_half, y));
    }
    limit.line((rule_x, grade_y), (rule_x, lid_y));
    if scene.finish_mm.is_some() {
        limit.dashes(
            left - 30.0_f64.min(left.max(0.0)),
            (right + 30.0).min(width_px),
            frame.y(finish),
        );
    }
    layers
        .pen(LayerKind::OutletLine)
        .line((0.0, grade_y), (width_px, grade_y));

    let edge = Edge {
        kind: EdgeKind::LidTop,
        part: scene.part,
    };
    let line = EdgeLine {
        edge,
        left,
        right,
        y: lid_y,
        zero_y: grade_y,
        direction: -1.0,
    };
    let selected = scene.selected.then_some(edge);
    SectionDrawing {
        area: Area { width_px, height_px },
        layers: layers.finish(),
        ticks: depth_ticks(scene.tick_unit, 0.0, grade_y, frame.y(-span), scale),
        lid_labels: Vec::new(),
        handles: vec![Handle {
            edge,
            x: right,
            y: lid_y,
            value_mm: scene.cover_mm,
            selected: scene.selected,
        }],
        px_per_mm: scale,
        grade_y,
        needed_height_px: (above + below) * scale,
        view: SectionView::Across,
        broken: false,
        edges: vec![line],
        selected,
    }
}

/// Outlines the riser sections that would stand on the lid, from `foot` up: proposed, so dashed.
fn propose_stack(limit: &mut Pen, scene: &GroundScene, foot: f64, frame: Frame) {
    let half = f64::from(scene.width_mm.max(1)) / 2.0;
    let (left, right) = (frame.x(-half), frame.x(half));
    let mut top = foot;
    for section in &scene.stack_mm {
        let under = top;
        top += f64::from(*section);
        limit.dashes(left, right, frame.y(top));
        for x in [left, right] {
            limit.dashes_down(x, frame.y(top), frame.y(under));
        }
    }
}
