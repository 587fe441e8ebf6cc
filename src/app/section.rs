//! The tank and the ground in section, to scale, for the touch screen and the card.
//!
//! A scene is plain data in whole millimetres; a drawing is SVG path data in pixels of the given area.
//! Both axes share one scale, so a height or an area taken from the drawing is the real one.
//!
//! Elevations are millimetres above the outlet invert, negative below; depths inside a compartment start at its bottom.
//! Wall and slab thickness, pipe size and the drop from inlet to outlet are nobody's reading: they are drawn at
//! the usual size (common practice) and nothing is computed from them.

mod ground;
#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests;

use std::fmt::Write as _;

use crate::domain::units::{MM_PER_INCH, round_to_i64};

pub use ground::{GroundScene, ground_section};

/// Wall, slab and baffle thickness as drawn; common practice is 3 to 4 in of concrete.
const WALL_MM: f64 = 90.0;
/// Thickness of a lid as drawn.
const LID_MM: f64 = 70.0;
/// Inside size of the sewer pipe as drawn; common practice is a nominal 4 in pipe.
const PIPE_MM: f64 = 100.0;
/// How much higher the inlet enters than the outlet leaves, as drawn; common practice is 2 to 3 in.
const INLET_DROP_MM: f64 = 60.0;
/// Cover drawn when no lid was recorded.
const UNKNOWN_COVER_MM: f64 = 300.0;
/// How far an outlet device is drawn above the invert when its top was not measured.
const UNKNOWN_DEVICE_TOP_MM: f64 = 150.0;
/// A curved side is drawn with one point every two degrees: within 0.02 % of its true area.
const ARC_STEP: f64 = std::f64::consts::PI / 90.0;
/// A finger in a glove may miss an edge by this many pixels.
const REACH_PX: f64 = 72.0;
/// The selected edge is preferred by this many pixels, so that a second touch keeps hold of it.
const SELECTED_BONUS_PX: f64 = 16.0;

/// The true shape of one compartment in the drawn section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SectionShape {
    /// Straight walls seen lengthwise: a box, an upright cylinder, an obround in plan. Height comes from the readings.
    Prism {
        /// Inside length of the section.
        width_mm: u32,
    },
    /// A level cylinder seen across its axis.
    Circle {
        /// Inside diameter.
        diameter_mm: u32,
    },
    /// Two half circles with a straight wall between them, seen across.
    Obround {
        /// Inside radius of both half circles.
        radius_mm: u32,
        /// Height of the straight wall.
        straight_mm: u32,
    },
    /// An ellipse seen across.
    Ellipse {
        /// Inside height.
        height_mm: u32,
        /// Inside width.
        width_mm: u32,
    },
    /// A shape known only by its width at each depth, as derived from a dip table; straight between rows.
    ///
    /// A row repeated at the same depth makes a step. Rows that go back down are left out.
    Profile {
        /// Depth from the bottom and full width there.
        rows: Vec<(u32, u32)>,
    },
}

/// Which way the section looks at the tank.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SectionView {
    /// Along the flow, inlet at the left and outlet at the right.
    Lengthwise,
    /// Across the axis of a level tank, which shows the shape that decides its volume.
    Across,
    /// Not a real section: widths derived from a dip table.
    Derived,
}

/// The pipe or baffle through which liquid leaves a compartment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DeviceScene {
    /// How far its bottom reaches below the outlet invert.
    pub bottom_mm: u32,
    /// How far its top stands above the outlet invert, when measured.
    pub top_mm: Option<u32>,
}

/// One compartment with what was read in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CompartmentScene {
    /// True shape of the section.
    pub shape: SectionShape,
    /// From the bottom up to the outlet invert.
    pub liquid_depth_mm: u32,
    /// From the outlet invert up to the ceiling; closed shapes end at their own crown.
    pub air_mm: u32,
    /// Liquid surface against the outlet invert, above positive.
    pub level_mm: i32,
    /// Scum thickness below the surface, when read.
    pub scum_mm: Option<u32>,
    /// Sludge depth above the bottom, when read.
    pub sludge_mm: Option<u32>,
    /// Outlet device, when there is one.
    pub device: Option<DeviceScene>,
    /// Depth below the outlet invert that the sludge top must not reach.
    pub sludge_limit_mm: Option<i32>,
    /// Depth below the outlet invert that the scum bottom must not reach.
    pub scum_limit_mm: Option<i32>,
}

/// One lid.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LidScene {
    /// What people call it.
    pub name: String,
    /// Soil over it; negative when it stands proud of the ground.
    pub cover_mm: i32,
    /// Width of the lid.
    pub width_mm: u32,
    /// Top of a riser on it, proposed or there, against the ground: above positive.
    pub riser_top_mm: Option<i32>,
}

/// Unit of the tick labels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TickUnit {
    /// Whole inches.
    #[default]
    Inches,
    /// Whole centimetres.
    Centimetres,
}

/// How the tank is fitted into the area.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Fit {
    /// All of it at its true length.
    #[default]
    Whole,
    /// Depth as large as the area allows: straight-walled tanks are cut short in length, with a break line.
    ///
    /// Heights keep one scale with widths, so edges stay true; a finger gets more pixels per millimetre.
    Tall,
}

/// Everything the tank's section shows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SectionScene {
    /// From inlet to outlet; an empty list draws ground only.
    pub compartments: Vec<CompartmentScene>,
    /// From inlet to outlet.
    pub lids: Vec<LidScene>,
    /// The edge being worked on, which a touch prefers.
    pub selected: Option<Edge>,
    /// How to fill the area.
    pub fit: Fit,
    /// Unit of the tick labels.
    pub tick_unit: TickUnit,
}

/// Size of the drawing area in pixels (any unit of length works: the card uses points).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// Width of the area.
    pub width_px: f64,
    /// Height of the area.
    pub height_px: f64,
}

/// Something a finger can move.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EdgeKind {
    /// Liquid surface; value against the invert, above positive.
    Level,
    /// Bottom of the scum; value is its thickness.
    ScumBottom,
    /// Top of the sludge; value is its depth.
    SludgeTop,
    /// Bottom of the outlet device; value is its depth below the invert.
    DeviceBottom,
    /// Top of a lid; value is the soil over it, negative when proud.
    LidTop,
}

/// An edge of one compartment or lid, counted from zero at the inlet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Edge {
    /// What it is.
    pub kind: EdgeKind,
    /// Which compartment, or which lid for [`EdgeKind::LidTop`].
    pub part: usize,
}

/// What a layer is, from which its colour follows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LayerKind {
    /// Earth. Filled.
    Soil,
    /// Grass along the grade line. Filled.
    Turf,
    /// Walls, slabs, baffles. Filled.
    Concrete,
    /// Air inside tank and risers. Filled.
    Air,
    /// Floating layer. Filled.
    Scum,
    /// Liquid between the layers. Filled.
    Clear,
    /// Settled layer. Filled.
    Sludge,
    /// Outlet device. Filled.
    Device,
    /// Sewer pipes. Filled.
    Pipe,
    /// Lids. Filled.
    Lid,
    /// Riser walls, with seams left open between the sections. Filled.
    Riser,
    /// Limits, wanted finish and dimensions. Stroked, already dashed where it should be.
    Limit,
    /// Outlet invert and break lines. Stroked.
    OutletLine,
    /// Diagonal lines: scum and sludge claimed for the same place, or soil to dig. Stroked.
    Hatch,
}

impl LayerKind {
    /// Returns whether the path is a set of lines to stroke instead of an area to fill.
    #[must_use]
    pub const fn is_stroke(self) -> bool {
        matches!(self, Self::Limit | Self::OutletLine | Self::Hatch)
    }
}

/// One path, painted in the order of the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layer {
    /// What it is.
    pub kind: LayerKind,
    /// SVG path data (`M`, `L`, `Z` only) in pixels of the area.
    pub commands: String,
}

/// A part of a layer with a place of its own.
///
/// A renderer that draws again only what changed goes by places: a layer that is as large as the drawing would have all of
/// the drawing drawn anew whenever anything in it moves.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Pixels from the left.
    pub x: f64,
    /// Pixels from the top.
    pub y: f64,
    /// Pixels.
    pub width: f64,
    /// Pixels.
    pub height: f64,
    /// Path data in pixels of the whole area; `None` when the piece is just this rectangle, filled.
    pub commands: Option<String>,
}

/// Room around a path for half of the thickest stroke, and for an edge that is drawn softly, pixels.
const PIECE_MARGIN_PX: f64 = 3.0;

impl Piece {
    /// What lies inside the area between two corners; `None` when nothing does.
    fn within(area: Area, low: (f64, f64), high: (f64, f64), commands: Option<&str>) -> Option<Self> {
        let (left, top) = (low.0.max(0.0), low.1.max(0.0));
        let (right, bottom) = (high.0.min(area.width_px), high.1.min(area.height_px));
        (right > left && bottom > top).then(|| Self {
            x: left,
            y: top,
            width: right - left,
            height: bottom - top,
            commands: commands.map(str::to_owned),
        })
    }

    /// An outline, or lines to stroke, as a path with room around it.
    fn path(area: Area, commands: &str, points: &[(f64, f64)]) -> Option<Self> {
        let (mut low, mut high) = ((f64::MAX, f64::MAX), (f64::MIN, f64::MIN));
        for &(x, y) in points {
            low = (low.0.min(x - PIECE_MARGIN_PX), low.1.min(y - PIECE_MARGIN_PX));
            high = (high.0.max(x + PIECE_MARGIN_PX), high.1.max(y + PIECE_MARGIN_PX));
        }
        Self::within(area, low, high, Some(commands))
    }
}

/// Two opposite corners of an outline that is an upright rectangle.
fn corners(points: &[(f64, f64)]) -> Option<[(f64, f64); 2]> {
    let &[a, b, c, d] = points else { return None };
    let same = |one: f64, other: f64| (one - other).abs() < 1e-9;
    let lying = same(a.1, b.1) && same(b.0, c.0) && same(c.1, d.1) && same(d.0, a.0);
    let standing = same(a.0, b.0) && same(b.1, c.1) && same(c.0, d.0) && same(d.1, a.1);
    (lying || standing).then(|| [(a.0.min(c.0), a.1.min(c.1)), (a.0.max(c.0), a.1.max(c.1))])
}

impl Layer {
    /// Returns the layer in parts that are each no larger than they have to be.
    ///
    /// Outlines of one layer are of one colour and never cut holes into each other, so each may be filled by itself.
    ///
    /// * `area`: what lies outside is left out
    #[must_use]
    pub fn pieces(&self, area: Area) -> Vec<Piece> {
        if self.kind.is_stroke() {
            let whole = Piece::path(area, &self.commands, &points_of(&self.commands));
            return whole.into_iter().collect();
        }
        self.commands
            .split_inclusive('Z')
            .filter_map(|outline| {
                let points = points_of(outline);
                match corners(&points) {
                    Some([low, high]) => Piece::within(area, low, high, None),
                    None => Piece::path(area, outline, &points),
                }
            })
            .collect()
    }
}

/// The points of path data as [`Pen`] writes it.
fn points_of(commands: &str) -> Vec<(f64, f64)> {
    commands
        .split(['M', 'L', 'Z'])
        .filter_map(|pair| {
            let (x, y) = pair.split_once(' ')?;
            Some((x.parse().ok()?, y.parse().ok()?))
        })
        .collect()
}

/// A place with words.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// Pixels from the left.
    pub x: f64,
    /// Pixels from the top.
    pub y: f64,
    /// What stands there.
    pub text: String,
}

/// Where to take hold of an edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Handle {
    /// The edge it moves.
    pub edge: Edge,
    /// Pixels from the left.
    pub x: f64,
    /// Pixels from the top.
    pub y: f64,
    /// The value it stands at; its meaning is told by the [`EdgeKind`].
    pub value_mm: i32,
    /// Whether it is the selected one.
    pub selected: bool,
}

/// An edge as the inverse of a drag needs it: `value = direction · (zero_y − y) / px_per_mm`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct EdgeLine {
    edge: Edge,
    left: f64,
    right: f64,
    y: f64,
    zero_y: f64,
    direction: f64,
}

/// A finished drawing.
#[derive(Clone, Debug, PartialEq)]
pub struct SectionDrawing {
    /// The area it was drawn for.
    pub area: Area,
    /// Paths from back to front.
    pub layers: Vec<Layer>,
    /// Depth marks below the outlet invert, or below grade in the ground section.
    pub ticks: Vec<Tick>,
    /// Names of the lids, centred over each.
    pub lid_labels: Vec<Tick>,
    /// Where to take hold.
    pub handles: Vec<Handle>,
    /// The one scale of both axes.
    pub px_per_mm: f64,
    /// The ground.
    pub grade_y: f64,
    /// How much of the area's height the drawing needs at this scale; the rest is only more sky and soil.
    pub needed_height_px: f64,
    /// Which way it looks.
    pub view: SectionView,
    /// Whether lengths are cut short with a break line.
    pub broken: bool,
    edges: Vec<EdgeLine>,
    selected: Option<Edge>,
}

impl SectionDrawing {
    /// Returns the edge nearest to a touch, `None` when every edge is out of reach.
    ///
    /// Scum bottom and surface may lie on one line: a touch above it takes the surface, below it the scum.
    #[must_use]
    pub fn to_edge(&self, x: f64, y: f64) -> Option<Edge> {
        let mut best: Option<(f64, Edge)> = None;
        for line in &self.edges {
            let aside = (line.left - x).max(x - line.right).max(0.0);
            let lean = match line.edge.kind {
                EdgeKind::Level => -3.0,
                EdgeKind::ScumBottom => 3.0,
                _ => 0.0,
            };
            let mut far = aside.hypot(line.y + lean - y);
            // A touch that is nowhere takes nothing.
            if far.is_nan() || far > REACH_PX {
                continue;
            }
            if self.selected == Some(line.edge) {
                far -= SELECTED_BONUS_PX;
            }
            if best.is_none_or(|(nearest, _)| far < nearest) {
                best = Some((far, line.edge));
            }
        }
        best.map(|(_, edge)| edge)
    }

    /// Returns the whole millimetres an edge stands for when dragged to `y`, `None` when it is not in this drawing.
    ///
    /// Nothing is clamped: a surface dragged through the ceiling gives its value, and the checks speak about it.
    #[must_use]
    pub fn value_at(&self, edge: Edge, y: f64) -> Option<i32> {
        let line = self.edges.iter().find(|line| line.edge == edge)?;
        let whole = round_to_i64(line.direction * (line.zero_y - y) / self.px_per_mm)?;
        Some(i32::try_from(whole).unwrap_or(if whole < 0 { i32::MIN } else { i32::MAX }))
    }

    /// Returns where the outlet invert of the last compartment lies, `None` when no tank is drawn.
    #[must_use]
    pub fn invert_y(&self) -> Option<f64> {
        let levels = self.edges.iter().filter(|line| line.edge.kind == EdgeKind::Level);
        levels.map(|line| line.zero_y).next_back()
    }

    /// Returns the middle of the wall between the first two compartments, `None` when there is only one.
    #[must_use]
    pub fn divide_x(&self) -> Option<f64> {
        let mut levels = self.edges.iter().filter(|line| line.edge.kind == EdgeKind::Level);
        let (first, second) = (levels.next()?, levels.next()?);
        Some(f64::midpoint(first.right, second.left))
    }

    /// Returns where an edge stands for a value: the inverse of [`Self::value_at`].
    #[must_use]
    pub fn y_of(&self, edge: Edge, value_mm: i32) -> Option<f64> {
        let line = self.edges.iter().find(|line| line.edge == edge)?;
        Some(line.zero_y - line.direction * f64::from(value_mm) * self.px_per_mm)
    }
}

impl SectionShape {
    /// Returns which way a section of this shape looks.
    #[must_use]
    pub const fn view(&self) -> SectionView {
        match self {
            Self::Prism { .. } => SectionView::Lengthwise,
            Self::Circle { .. } | Self::Obround { .. } | Self::Ellipse { .. } => SectionView::Across,
            Self::Profile { .. } => SectionView::Derived,
        }
    }

    /// Returns the inside height, `None` when the shape leaves it to the readings.
    #[must_use]
    pub fn full_height_mm(&self) -> Option<f64> {
        match self {
            Self::Prism { .. } | Self::Profile { .. } => None,
            Self::Circle { diameter_mm } => Some(f64::from(*diameter_mm)),
            Self::Obround { radius_mm, straight_mm } => Some(2.0 * f64::from(*radius_mm) + f64::from(*straight_mm)),
            Self::Ellipse { height_mm, .. } => Some(f64::from(*height_mm)),
        }
    }

    /// Returns the greatest inside width.
    #[must_use]
    pub fn widest_mm(&self) -> f64 {
        match self {
            Self::Prism { width_mm } | Self::Ellipse { width_mm, .. } => f64::from(*width_mm),
            Self::Circle { diameter_mm } => f64::from(*diameter_mm),
            Self::Obround { radius_mm, .. } => 2.0 * f64::from(*radius_mm),
            Self::Profile { rows } => rows.iter().map(|row| f64::from(row.1)).fold(0.0, f64::max),
        }
    }

    /// Returns half the inside width at a depth above the bottom.
    #[must_use]
    pub fn half_width_at(&self, depth_mm: f64) -> f64 {
        self.side(depth_mm, depth_mm).first().map_or(0.0, |point| point.0)
    }

    /// Returns the right-hand side as (half width, depth) from `low` up to `high`.
    fn side(&self, low: f64, high: f64) -> Vec<(f64, f64)> {
        let mut points = Vec::new();
        match self {
            Self::Prism { width_mm } => {
                let half = f64::from(*width_mm) / 2.0;
                points.extend([(half, low), (half, high)]);
            }
            Self::Circle { diameter_mm } => {
                let radius = f64::from(*diameter_mm) / 2.0;
                arc(&mut points, radius, radius, radius, low, high);
            }
            Self::Ellipse { height_mm, width_mm } => {
                let (half_height, half_width) = (f64::from(*height_mm) / 2.0, f64::from(*width_mm) / 2.0);
                arc(&mut points, half_width, half_height, half_height, low, high);
            }
            Self::Obround { radius_mm, straight_mm } => {
                let (radius, straight) = (f64::from(*radius_mm), f64::from(*straight_mm));
                let shoulder = radius + straight;
                if low <= radius {
                    arc(&mut points, radius, radius, radius, low, high.min(radius));
                }
                if high > radius && low < shoulder {
                    points.extend([(radius, low.max(radius)), (radius, high.min(shoulder))]);
                }
                if high > shoulder {
                    arc(&mut points, radius, radius, shoulder, low.max(shoulder), high);
                } else if points.is_empty() {
                    points.push((radius, low));
                }
            }
            Self::Profile { rows } => profile_side(&mut points, rows, low, high),
        }
        points
    }

    /// Returns the same shape grown by the wall, for the outside of the concrete.
    fn shell(&self) -> Option<Self> {
        let wall = 90; // WALL_MM as a whole number, because shapes hold whole millimetres
        match self {
            Self::Prism { .. } | Self::Profile { .. } => None,
            Self::Circle { diameter_mm } => Some(Self::Circle {
                diameter_mm: diameter_mm.saturating_add(2 * wall),
            }),
            Self::Obround { radius_mm, straight_mm } => Some(Self::Obround {
                radius_mm: radius_mm.saturating_add(wall),
                straight_mm: *straight_mm,
            }),
            Self::Ellipse { height_mm, width_mm } => Some(Self::Ellipse {
                height_mm: height_mm.saturating_add(2 * wall),
                width_mm: width_mm.saturating_add(2 * wall),
            }),
        }
    }
}

/// Adds the part of an ellipse's right side between two depths; `centre` is its centre's depth.
fn arc(points: &mut Vec<(f64, f64)>, half_width: f64, half_height: f64, centre: f64, low: f64, high: f64) {
    if half_height <= 0.0 {
        points.extend([(half_width, low), (half_width, high)]);
        return;
    }
    let angle = |depth: f64| ((depth - centre) / half_height).clamp(-1.0, 1.0).asin();
    let (from, to) = (angle(low), angle(high));
    let steps = ((to - from) / ARC_STEP).ceil().max(1.0);
    let mut step = 0.0;
    while step <= steps {
        let at = from + (to - from) * step / steps;
        points.push((half_width * at.cos(), centre + half_height * at.sin()));
        step += 1.0;
    }
}

/// Adds the part of a profile's right side between two depths.
fn profile_side(points: &mut Vec<(f64, f64)>, rows: &[(u32, u32)], low: f64, high: f64) {
    let mut kept: Vec<(f64, f64)> = Vec::new();
    for row in rows {
        let (depth, half) = (f64::from(row.0), f64::from(row.1) / 2.0);
        if kept.last().is_none_or(|last| depth >= last.1) {
            kept.push((half, depth));
        }
    }
    let half_at = |depth: f64| {
        let mut below: Option<(f64, f64)> = None;
        for &(half, row) in &kept {
            if row >= depth {
                return match below {
                    Some((low_half, low_row)) if row > low_row => {
                        low_half + (half - low_half) * (depth - low_row) / (row - low_row)
                    }
                    _ => half,
                };
            }
            below = Some((half, row));
        }
        below.map_or(0.0, |(half, _)| half)
    };
    // Just inside the range, so that a step lying on its end takes the side that belongs to the range.
    let sliver = (high - low) * 1e-9;
    points.push((half_at(low + sliver), low));
    points.extend(kept.iter().copied().filter(|row| row.1 > low && row.1 < high));
    points.push((half_at(high), high));
}

/// Path data under construction.
#[derive(Debug, Default)]
struct Pen(String);

impl Pen {
    fn point(&mut self, command: char, x: f64, y: f64) {
        // "+ 0.0" turns a negative zero positive; writing to a String cannot fail.
        let (x, y) = ((x * 100.0).round() / 100.0 + 0.0, (y * 100.0).round() / 100.0 + 0.0);
        if write!(self.0, "{command}{x} {y}").is_err() {
            self.0.clear();
        }
    }

    fn polygon(&mut self, points: &[(f64, f64)]) {
        for (n, &(x, y)) in points.iter().enumerate() {
            self.point(if n == 0 { 'M' } else { 'L' }, x, y);
        }
        if !points.is_empty() {
            self.0.push('Z');
        }
    }

    fn rectangle(&mut self, left: f64, top: f64, right: f64, bottom: f64) {
        if right > left && bottom > top {
            self.polygon(&[(left, top), (right, top), (right, bottom), (left, bottom)]);
        }
    }

    fn line(&mut self, from: (f64, f64), to: (f64, f64)) {
        self.point('M', from.0, from.1);
        self.point('L', to.0, to.1);
    }

    /// A level dashed line, dashed here because not every renderer can.
    fn dashes(&mut self, left: f64, right: f64, y: f64) {
        let (dash, gap) = (7.0, 4.0);
        // A finite number of dashes whatever the width.
        let stretch = ((right - left) / 2_000.0).max(1.0);
        let mut x = left;
        while x < right {
            self.line((x, y), ((x + dash * stretch).min(right), y));
            x += (dash + gap) * stretch;
        }
    }

    fn dashes_down(&mut self, x: f64, top: f64, bottom: f64) {
        let (dash, gap) = (7.0, 4.0);
        // A finite number of dashes whatever the height.
        let stretch = ((bottom - top) / 2_000.0).max(1.0);
        let mut y = top;
        while y < bottom {
            self.line((x, y), (x, (y + dash * stretch).min(bottom)));
            y += (dash + gap) * stretch;
        }
    }

    /// Lines rising to the right, clipped to a polygon.
    fn hatch(&mut self, polygon: &[(f64, f64)], spacing: f64) {
        let sums = polygon.iter().map(|p| p.0 + p.1);
        let (low, high) = (sums.clone().fold(f64::MAX, f64::min), sums.fold(f64::MIN, f64::max));
        let spacing = spacing.max((high - low) / 2_000.0);
        if spacing <= 0.0 || polygon.len() < 3 {
            return;
        }
        let mut sum = (low / spacing).ceil() * spacing;
        while sum < high {
            let mut cuts: Vec<(f64, f64)> = Vec::new();
            for (&a, &b) in polygon.iter().zip(polygon.iter().cycle().skip(1)) {
                let (sum_a, sum_b) = (a.0 + a.1, b.0 + b.1);
                if (sum_a <= sum) != (sum_b <= sum) {
                    let part = (sum - sum_a) / (sum_b - sum_a);
                    cuts.push((a.0 + (b.0 - a.0) * part, a.1 + (b.1 - a.1) * part));
                }
            }
            cuts.sort_by(|a, b| a.0.total_cmp(&b.0));
            for pair in cuts.chunks_exact(2) {
                if let [from, to] = pair {
                    self.line(*from, *to);
                }
            }
            sum += spacing;
        }
    }
}

/// Layers under construction; each kind is one path, painted in the order first asked for.
#[derive(Debug, Default)]
struct Layers(Vec<(LayerKind, Pen)>);

impl Layers {
    fn pen(&mut self, kind: LayerKind) -> &mut Pen {
        let at = self.0.iter().position(|(k, _)| *k == kind).unwrap_or_else(|| {
            self.0.push((kind, Pen::default()));
            self.0.len() - 1
        });
        #[expect(clippy::indexing_slicing, reason = "found or pushed just above")]
        let (_, pen) = &mut self.0[at];
        pen
    }

    fn finish(self) -> Vec<Layer> {
        let drawn = self.0.into_iter().filter(|(_, pen)| !pen.0.is_empty());
        drawn.map(|(kind, pen)| Layer { kind, commands: pen.0 }).collect()
    }
}

/// From millimetres (x from the left inner wall, elevation from the invert) to pixels.
#[derive(Clone, Copy, Debug)]
struct Frame {
    scale: f64,
    zero_x: f64,
    zero_y: f64,
}

impl Frame {
    fn x(self, mm: f64) -> f64 {
        self.zero_x + mm * self.scale
    }

    fn y(self, elevation_mm: f64) -> f64 {
        self.zero_y - elevation_mm * self.scale
    }
}

/// A side of the area that can be divided by, whatever was given.
fn side_px(px: f64) -> f64 {
    if px.is_finite() { px.clamp(1.0, 100_000.0) } else { 1.0 }
}

/// A compartment placed beside its neighbours.
#[derive(Debug)]
struct Placed<'a> {
    scene: &'a CompartmentScene,
    /// Middle, mm from the left inner wall of the tank.
    middle: f64,
    /// Drawn inside width; shorter than the real one when the drawing is broken.
    width: f64,
    /// Elevation of the inside bottom.
    bottom: f64,
    /// Elevation of the inside top.
    ceiling: f64,
}

impl Placed<'_> {
    fn half_width(&self, elevation: f64) -> f64 {
        match self.scene.shape {
            SectionShape::Prism { .. } => self.width / 2.0,
            _ => self
                .scene
                .shape
                .half_width_at((elevation - self.bottom).clamp(0.0, self.ceiling - self.bottom)),
        }
    }

    /// The part of the inside between two elevations, clipped to the shape; empty when there is none.
    fn slice(&self, frame: Frame, low: f64, high: f64) -> Vec<(f64, f64)> {
        let (low, high) = (low.max(self.bottom), high.min(self.ceiling));
        if high <= low {
            return Vec::new();
        }
        let side = match self.scene.shape {
            SectionShape::Prism { .. } => vec![
                (self.width / 2.0, low - self.bottom),
                (self.width / 2.0, high - self.bottom),
            ],
            _ => self.scene.shape.side(low - self.bottom, high - self.bottom),
        };
        let right = side
            .iter()
            .map(|&(half, depth)| (frame.x(self.middle + half), frame.y(self.bottom + depth)));
        let left = side
            .iter()
            .rev()
            .map(|&(half, depth)| (frame.x(self.middle - half), frame.y(self.bottom + depth)));
        right.chain(left).collect()
    }

    fn surface(&self) -> f64 {
        f64::from(self.scene.level_mm)
    }

    fn sludge_top(&self) -> f64 {
        self.bottom + f64::from(self.scene.sludge_mm.unwrap_or(0))
    }

    fn scum_bottom(&self) -> f64 {
        self.surface() - f64::from(self.scene.scum_mm.unwrap_or(0))
    }

    /// Middle of the outlet device, mm. Across, the device stands in the end wall, on the axis.
    fn device_middle(&self) -> f64 {
        match self.scene.shape.view() {
            SectionView::Across => self.middle,
            SectionView::Lengthwise | SectionView::Derived => {
                let half = self.half_width(0.0);
                self.middle + half - (PIPE_MM * 1.1).min(half)
            }
        }
    }
}

/// Returns how many of something there are, as a real number.
fn count(n: usize) -> f64 {
    u32::try_from(n).map_or(f64::from(u32::MAX), f64::from)
}

/// Sets compartments side by side; `share` shortens straight-walled ones.
fn place(compartments: &[CompartmentScene], share: f64) -> (Vec<Placed<'_>>, f64) {
    let mut x = 0.0;
    let mut placed = Vec::new();
    for (n, scene) in compartments.iter().enumerate() {
        if n > 0 {
            x += WALL_MM;
        }
        let real = scene.shape.widest_mm();
        let width = match scene.shape {
            SectionShape::Prism { .. } => real * share,
            _ => real,
        };
        let bottom = -f64::from(scene.liquid_depth_mm);
        let open_top = f64::from(scene.air_mm).max(0.0);
        let ceiling = scene.shape.full_height_mm().map_or(open_top, |height| bottom + height);
        placed.push(Placed {
            scene,
            middle: x + width / 2.0,
            width,
            bottom,
            ceiling: ceiling.max(bottom),
        });
        x += width;
    }
    (placed, x)
}

/// Draws the tank from ground to bottom.
///
/// Works for every shape and any size of area: sizes that are zero, absurd or not finite give a small or empty
/// drawing, never a panic and never a number that is not finite.
#[must_use]
pub fn tank_section(scene: &SectionScene, area: Area) -> SectionDrawing {
    let (width_px, height_px) = (side_px(area.width_px), side_px(area.height_px));
    let (placed, inner) = place(&scene.compartments, 1.0);
    let lowest = placed.iter().map(|p| p.bottom).fold(0.0, f64::min);
    let crown = placed.iter().map(|p| p.ceiling).fold(lowest, f64::max);
    let top_out = crown + WALL_MM;
    let covers = scene.lids.iter().map(|lid| f64::from(lid.cover_mm));
    // The deepest lid lies on the tank itself, let into a slab or resting on a crown; shallower ones stand on what
    // is already there.
    let cover = covers.reduce(f64::max).unwrap_or(UNKNOWN_COVER_MM);
    let grade = top_out + cover + if has_crown(&placed) { LID_MM } else { 0.0 };
    let tops = scene.lids.iter().map(|lid| grade + lid_top(lid));
    let highest = tops.fold(grade.max(top_out), f64::max) + 90.0;
    let base = lowest - WALL_MM - 80.0;
    let tall_mm = highest - base;

    // Straight-walled tanks may be cut short so that depth gets the pixels.
    let margin = if scene.fit == Fit::Tall { 60.0 } else { 150.0 };
    let aside = 2.0 * (WALL_MM + margin);
    let all_straight = placed
        .iter()
        .all(|p| matches!(p.scene.shape, SectionShape::Prism { .. }));
    let walls = WALL_MM * (count(placed.len()) - 1.0).max(0.0);
    let straight = (inner - walls).max(1.0);
    let mut share = 1.0;
    if scene.fit == Fit::Tall && all_straight && !placed.is_empty() {
        let room = width_px * tall_mm / height_px - aside - walls;
        let least = 700.0 * count(placed.len());
        share = (room.max(least) / straight).min(1.0);
    }
    let broken = share < 1.0;
    let (placed, inner) = if broken {
        place(&scene.compartments, share)
    } else {
        (placed, inner)
    };

    let wide_mm = (inner + aside).max(1.0);
    let scale = (width_px / wide_mm).min(height_px / tall_mm.max(1.0));
    let frame = Frame {
        scale,
        zero_x: (width_px - inner * scale) / 2.0,
        // Room to spare in height goes below, as more soil: the ground stays near the top.
        zero_y: highest * scale + ((height_px - tall_mm * scale) / 3.0).max(0.0),
    };

    let mut layers = Layers::default();
    let grade_y = frame.y(grade);
    earth(&mut layers, width_px, height_px, grade_y, scale);
    let lid_labels = risers(&mut layers, scene, &placed, inner, grade, top_out, lowest, frame);
    shell(&mut layers, &placed, top_out, frame);
    let openings = openings(scene, &placed, inner, grade, frame);
    contents(&mut layers, &placed, openings, frame);
    pipes(&mut layers, &placed, inner, width_px, frame);
    lids(&mut layers, scene, inner, grade, frame);
    lines(&mut layers, &placed, broken, frame);

    let edges = edges(&placed, frame);
    let handles = handles(&placed, &edges, scene.selected, frame);
    let ticks = placed.first().map_or_else(Vec::new, |first| {
        let x = frame.x(first.middle - first.half_width(first.bottom.midpoint(0.0)));
        depth_ticks(scene.tick_unit, x, frame.y(0.0), frame.y(first.bottom), scale)
    });
    let view = placed.first().map_or(SectionView::Lengthwise, |p| p.scene.shape.view());
    SectionDrawing {
        area: Area { width_px, height_px },
        layers: layers.finish(),
        ticks,
        lid_labels,
        handles,
        px_per_mm: scale,
        grade_y,
        needed_height_px: tall_mm * scale,
        view,
        broken,
        edges,
        selected: scene.selected,
    }
}

/// Top of a lid, or of the riser on it, against the ground.
fn lid_top(lid: &LidScene) -> f64 {
    let own = -f64::from(lid.cover_mm);
    lid.riser_top_mm.map_or(own, |top| f64::from(top).max(own))
}

fn earth(layers: &mut Layers, width: f64, height: f64, grade_y: f64, scale: f64) {
    layers.pen(LayerKind::Soil).rectangle(0.0, grade_y, width, height);
    let turf = (50.0 * scale).clamp(2.5, 9.0).min((height - grade_y).max(0.0));
    layers
        .pen(LayerKind::Turf)
        .rectangle(0.0, grade_y, width, grade_y + turf);
}

/// Middle of each lid, mm from the left inner wall: the first near the inlet, the last near the outlet.
fn lid_middles(lids: &[LidScene], inner: f64) -> Vec<f64> {
    let n = count(lids.len());
    let widest = lids.iter().map(|lid| f64::from(lid.width_mm)).fold(0.0, f64::max);
    let first = (inner / (2.0 * n.max(1.0))).min(widest * 0.5 + 60.0);
    let step = if lids.len() > 1 {
        (inner - 2.0 * first) / (n - 1.0)
    } else {
        0.0
    };
    let first = if lids.len() > 1 { first } else { inner / 2.0 };
    (0..lids.len()).map(|i| first + step * count(i)).collect()
}

/// Lid widths as drawn: side by side they never overlap.
fn lid_half_width(lid: &LidScene, lids: usize, inner: f64) -> f64 {
    f64::from(lid.width_mm).min(0.92 * inner / count(lids).max(1.0)) / 2.0
}

#[expect(
    clippy::too_many_arguments,
    reason = "one drawing, split only so that each part can be read"
)]
fn risers(
    layers: &mut Layers,
    scene: &SectionScene,
    placed: &[Placed<'_>],
    inner: f64,
    grade: f64,
    top_out: f64,
    lowest: f64,
    frame: Frame,
) -> Vec<Tick> {
    // On a round tank the neck runs down behind the shell, which is painted over it.
    let foot = if has_crown(placed) {
        lowest.midpoint(top_out)
    } else {
        top_out
    };
    let mut labels = Vec::new();
    for (lid, middle) in scene.lids.iter().zip(lid_middles(&scene.lids, inner)) {
        let half = lid_half_width(lid, scene.lids.len(), inner);
        let top = grade + lid_top(lid);
        let under = top - LID_MM;
        if under > foot {
            let (left, right) = (frame.x(middle - half * 0.94), frame.x(middle + half * 0.94));
            let wall = ((right - left) * 0.08).min(40.0 * frame.scale);
            let (upper, lower) = (frame.y(under), frame.y(foot));
            layers.pen(LayerKind::Riser).rectangle(left, upper, right, lower);
            layers
                .pen(LayerKind::Air)
                .rectangle(left + wall, upper, right - wall, lower);
        }
        labels.push(Tick {
            x: frame.x(middle),
            y: frame.y(top),
            text: lid.name.clone(),
        });
    }
    labels
}

fn shell(layers: &mut Layers, placed: &[Placed<'_>], top_out: f64, frame: Frame) {
    for part in placed {
        let concrete = layers.pen(LayerKind::Concrete);
        if let Some(outer) = part.scene.shape.shell() {
            let height = outer.full_height_mm().unwrap_or(0.0);
            let low = part.bottom - WALL_MM;
            let side = outer.side(0.0, height);
            let right = side
                .iter()
                .map(|&(half, depth)| (frame.x(part.middle + half), frame.y(low + depth)));
            let left = side
                .iter()
                .rev()
                .map(|&(half, depth)| (frame.x(part.middle - half), frame.y(low + depth)));
            concrete.polygon(&right.chain(left).collect::<Vec<_>>());
        } else {
            let half = part.width / 2.0 + WALL_MM;
            let (left, right) = (frame.x(part.middle - half), frame.x(part.middle + half));
            // Same direction as the curved shells, so that overlapping walls stay filled.
            let (top, low) = (frame.y(top_out), frame.y(part.bottom - WALL_MM));
            concrete.polygon(&[(right, low), (right, top), (left, top), (left, low)]);
        }
    }
}

fn has_crown(placed: &[Placed<'_>]) -> bool {
    placed.iter().any(|p| p.scene.shape.full_height_mm().is_some())
}

/// The way in under each lid, through the slab down to the ceiling; painted as air after the concrete.
///
/// Across a level tank the lids stand along the axis, before and behind the section, so its shell stays whole.
fn openings(scene: &SectionScene, placed: &[Placed<'_>], inner: f64, grade: f64, frame: Frame) -> Pen {
    let mut air = Pen::default();
    if has_crown(placed) {
        return air;
    }
    for (lid, middle) in scene.lids.iter().zip(lid_middles(&scene.lids, inner)) {
        let outer = lid_half_width(lid, scene.lids.len(), inner) * 0.94;
        let half = outer - (outer * 0.16).min(40.0);
        let under = grade + lid_top(lid) - LID_MM;
        let away = |p: &&Placed<'_>| (p.middle - middle).abs();
        let Some(part) = placed.iter().min_by(|a, b| away(a).total_cmp(&away(b))) else {
            continue;
        };
        // Never past the side wall: a lid beside the tank opens onto what there is.
        let (left, right) = (part.middle - part.width / 2.0, part.middle + part.width / 2.0);
        let (from, to) = ((middle - half).max(left), (middle + half).min(right));
        air.rectangle(frame.x(from), frame.y(under), frame.x(to), frame.y(part.ceiling - 1.0));
    }
    air
}

fn contents(layers: &mut Layers, placed: &[Placed<'_>], openings: Pen, frame: Frame) {
    // Necks were painted before the shell, so the inside needs an air path of its own after it.
    let mut air = Pen::default();
    let mut overlap = Pen::default();
    for part in placed {
        air.polygon(&part.slice(frame, part.bottom, part.ceiling));
        let (sludge, scum, surface) = (part.sludge_top(), part.scum_bottom(), part.surface());
        layers.pen(LayerKind::Clear).polygon(&part.slice(frame, sludge, scum));
        layers.pen(LayerKind::Scum).polygon(&part.slice(frame, scum, surface));
        layers
            .pen(LayerKind::Sludge)
            .polygon(&part.slice(frame, part.bottom, sludge));
        overlap.hatch(&part.slice(frame, scum, sludge.min(surface)), 7.0);
    }
    let at = layers
        .0
        .iter()
        .position(|(kind, _)| *kind == LayerKind::Clear)
        .unwrap_or(layers.0.len());
    // Apart, because two overlapping outlines in one path may cancel each other out.
    layers.0.insert(at, (LayerKind::Air, air));
    layers.0.insert(at, (LayerKind::Air, openings));
    layers.0.push((LayerKind::Hatch, overlap));
}

fn pipes(layers: &mut Layers, placed: &[Placed<'_>], inner: f64, width_px: f64, frame: Frame) {
    let (Some(first), Some(last)) = (placed.first(), placed.last()) else {
        return;
    };
    let lengthwise = |part: &Placed<'_>| part.scene.shape.view() != SectionView::Across;
    for part in placed {
        let Some(device) = part.scene.device else { continue };
        let middle = part.device_middle();
        let half = (PIPE_MM / 2.0).min(part.width / 4.0);
        let top = device.top_mm.map_or(UNKNOWN_DEVICE_TOP_MM, f64::from);
        let (left, right) = (frame.x(middle - half), frame.x(middle + half));
        let pen = layers.pen(LayerKind::Device);
        // Never thinner than two pixels: it is what two of the limits are measured from.
        let spare = (1.0 - (right - left) / 2.0).max(0.0);
        pen.rectangle(
            left - spare,
            frame.y(top),
            right + spare,
            frame.y(-f64::from(device.bottom_mm)),
        );
    }
    let pen = layers.pen(LayerKind::Pipe);
    if lengthwise(first) {
        let end = frame.x(first.middle - first.half_width(0.0)) + 40.0 * frame.scale;
        pen.rectangle(0.0, frame.y(INLET_DROP_MM + PIPE_MM), end, frame.y(INLET_DROP_MM));
    }
    if lengthwise(last) {
        let start = match last.scene.device {
            Some(_) => frame.x(last.device_middle()),
            None => frame.x(last.middle + last.half_width(0.0)) - 20.0 * frame.scale,
        };
        pen.rectangle(start.min(frame.x(inner)), frame.y(PIPE_MM), width_px, frame.y(0.0));
    } else if last.scene.device.is_some() {
        // Across: the pipe leaves towards the reader, so its round end shows.
        let mut mouth = Vec::new();
        let radius = PIPE_MM / 2.0;
        arc(&mut mouth, radius, radius, radius, 0.0, PIPE_MM);
        let right = mouth
            .iter()
            .map(|&(half, up)| (frame.x(last.middle + half * 1.3), frame.y(up)));
        let left = mouth
            .iter()
            .rev()
            .map(|&(half, up)| (frame.x(last.middle - half * 1.3), frame.y(up)));
        pen.polygon(&right.chain(left).collect::<Vec<_>>());
    }
}

fn lids(layers: &mut Layers, scene: &SectionScene, inner: f64, grade: f64, frame: Frame) {
    for (lid, middle) in scene.lids.iter().zip(lid_middles(&scene.lids, inner)) {
        let half = lid_half_width(lid, scene.lids.len(), inner);
        let top = grade + lid_top(lid);
        let pen = layers.pen(LayerKind::Lid);
        pen.rectangle(
            frame.x(middle - half),
            frame.y(top),
            frame.x(middle + half),
            frame.y(top - LID_MM),
        );
    }
}

fn lines(layers: &mut Layers, placed: &[Placed<'_>], broken: bool, frame: Frame) {
    for part in placed {
        let across = |elevation: f64| {
            let half = part.half_width(elevation);
            (
                frame.x(part.middle - half),
                frame.x(part.middle + half),
                frame.y(elevation),
            )
        };
        let (left, right, y) = across(0.0);
        layers.pen(LayerKind::OutletLine).line((left, y), (right, y));
        for depth in [part.scene.sludge_limit_mm, part.scene.scum_limit_mm]
            .into_iter()
            .flatten()
        {
            let elevation = -f64::from(depth);
            // A limit outside the tank is drawn at its nearest end: it is already passed, or cannot be.
            let (left, right, y) = across(elevation.clamp(part.bottom, part.ceiling));
            layers.pen(LayerKind::Limit).dashes(left, right, y);
        }
        if broken {
            break_line(layers.pen(LayerKind::OutletLine), part, frame);
        }
    }
}

/// Two parallel lines with a kink, floor to ceiling: length has been left out here.
fn break_line(pen: &mut Pen, part: &Placed<'_>, frame: Frame) {
    let (top, low) = (frame.y(part.ceiling + WALL_MM), frame.y(part.bottom - WALL_MM));
    let kink = ((low - top) * 0.03).clamp(1.0, 8.0);
    let middle = top.midpoint(low);
    for x in [frame.x(part.middle) - kink * 0.6, frame.x(part.middle) + kink * 0.6] {
        let bend = [
            (x, top),
            (x, middle - kink),
            (x - kink, middle - kink / 3.0),
            (x + kink, middle + kink / 3.0),
        ];
        let rest = [(x, middle + kink), (x, low)];
        for (n, &(px, py)) in bend.iter().chain(rest.iter()).enumerate() {
            pen.point(if n == 0 { 'M' } else { 'L' }, px, py);
        }
    }
}

fn edges(placed: &[Placed<'_>], frame: Frame) -> Vec<EdgeLine> {
    let mut edges = Vec::new();
    for (part, p) in placed.iter().enumerate() {
        let (left, right) = (frame.x(p.middle - p.width / 2.0), frame.x(p.middle + p.width / 2.0));
        let mut add = |kind, elevation: f64, zero: f64, direction: f64| {
            let (y, zero_y) = (frame.y(elevation), frame.y(zero));
            edges.push(EdgeLine {
                edge: Edge { kind, part },
                left,
                right,
                y,
                zero_y,
                direction,
            });
        };
        add(EdgeKind::Level, p.surface(), 0.0, 1.0);
        add(EdgeKind::ScumBottom, p.scum_bottom(), p.surface(), -1.0);
        add(EdgeKind::SludgeTop, p.sludge_top(), p.bottom, 1.0);
        if let Some(device) = p.scene.device {
            let (x, reach) = (frame.x(p.device_middle()), 24.0);
            let (y, zero_y) = (frame.y(-f64::from(device.bottom_mm)), frame.y(0.0));
            let edge = Edge {
                kind: EdgeKind::DeviceBottom,
                part,
            };
            edges.push(EdgeLine {
                edge,
                left: x - reach,
                right: x + reach,
                y,
                zero_y,
                direction: -1.0,
            });
        }
    }
    edges
}

fn handles(placed: &[Placed<'_>], edges: &[EdgeLine], selected: Option<Edge>, frame: Frame) -> Vec<Handle> {
    let mut handles = Vec::new();
    for line in edges {
        let Some(p) = placed.get(line.edge.part) else { continue };
        let read = |mm: Option<u32>| mm.map_or(0, |mm| i32::try_from(mm).unwrap_or(i32::MAX));
        let half = |elevation: f64| p.half_width(elevation.clamp(p.bottom, p.ceiling));
        // The surface is taken at the left wall and the layers at the right one, so that a thin scum layer
        // does not put two handles on one spot.
        let (x, value_mm) = match line.edge.kind {
            EdgeKind::Level => (frame.x(p.middle - half(p.surface())), p.scene.level_mm),
            EdgeKind::ScumBottom => (frame.x(p.middle + half(p.scum_bottom())), read(p.scene.scum_mm)),
            EdgeKind::SludgeTop => (frame.x(p.middle + half(p.sludge_top())), read(p.scene.sludge_mm)),
            EdgeKind::DeviceBottom => (
                frame.x(p.device_middle()),
                read(p.scene.device.map(|device| device.bottom_mm)),
            ),
            EdgeKind::LidTop => continue,
        };
        handles.push(Handle {
            edge: line.edge,
            x,
            y: line.y,
            value_mm,
            selected: selected == Some(line.edge),
        });
    }
    handles
}

/// Marks every so many whole units downwards from `zero_y`, far enough apart to be read.
fn depth_ticks(unit: TickUnit, x: f64, zero_y: f64, end_y: f64, scale: f64) -> Vec<Tick> {
    let (mm, mut step) = match unit {
        TickUnit::Inches => (MM_PER_INCH, 6_u32),
        TickUnit::Centimetres => (10.0, 10_u32),
    };
    while f64::from(step) * mm * scale < 26.0 {
        let Some(next) = step.checked_mul(2) else { break };
        step = next;
    }
    let mut ticks = Vec::new();
    let mut value = 0_u32;
    loop {
        let y = zero_y + f64::from(value) * mm * scale;
        if y > end_y + 0.5 || ticks.len() > 1_000 {
            return ticks;
        }
        ticks.push(Tick {
            x,
            y,
            text: value.to_string(),
        });
        let Some(next) = value.checked_add(step) else {
            return ticks;
        };
        value = next;
    }
}
