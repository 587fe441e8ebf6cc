//! The plan itself: its scale, what is drawn at it, and where the letters find room.

use super::shapes::{Look, polyline};
use super::{LineKind, PlanMark, YardPlan};
use crate::app::card::{Anchor, Frame, INK, Ink, PAPER, PINK, QUIET, Type, WHITE};
use crate::domain::locate::fix::PinKind;
use crate::domain::locate::plane::{AXES_PER_RADIUS, Point};
use crate::domain::locate::yard::METRES_PER_FOOT;
use crate::domain::record::Units;
use crate::say::figures::Figures;
use crate::say::lettering::{Weight, shorten};

/// Points of the page in a metre: 72 in an inch of 25.4 mm.
const POINTS_PER_METRE: f64 = 72.0 / 0.025_4;

/// Sewer green, by the colour code for marking lines on the ground (APWA).
const SEWER: &str = "#1E7A3C";

/// The least extent drawn, m: a lone lid needs some ground about it.
const LEAST_EXTENT_M: f64 = 6.0;

impl LineKind {
    const fn colour(self) -> &'static str {
        match self {
            Self::Pipe => SEWER,
            Self::Hose => QUIET,
        }
    }

    const fn is_dashed(self) -> bool {
        matches!(self, Self::Hose)
    }
}

/// Half of a symbol's size, points.
const SYMBOL: f64 = 4.2;

/// Height of the strip under the drawing that holds scale bar and north arrow.
pub(super) const STRIP: f64 = 46.0;

/// Letters on the drawing.
const LETTER: Type = Type::new(8.5, Weight::Bold, INK);
const LABEL: Type = Type::new(7.5, Weight::Regular, INK);

/// How much of the ground an inch or a centimetre of paper stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    /// The ratio: 120 for 1 in = 10 ft.
    pub(super) ratio: f64,
    units: Units,
}

impl Scale {
    /// The largest usual scale at which an area of the ground fits a frame of the page.
    ///
    /// Usual are an engineer's scales, 1 in to 10, 20, 30, 40, 50 or 60 ft and the like, and in metric those of a
    /// three-edged rule, 1 to 100, 200, 250, 300, 400, 500 (common practice).
    fn fitting(units: Units, ground_m: (f64, f64), frame_pt: (f64, f64)) -> Self {
        let (unit, steps): (f64, &[f64]) = match units {
            Units::UsCustomary => (12.0, &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0]),
            Units::Metric => (1.0, &[1.0, 2.0, 2.5, 3.0, 4.0, 5.0]),
        };
        let needed = (ground_m.0 / frame_pt.0).max(ground_m.1 / frame_pt.1) * POINTS_PER_METRE;
        let mut decade = if units == Units::Metric { 10.0 } else { 1.0 };
        // Eight decades reach far past the ten thousand kilometres that any place may lie from the plan's middle.
        for _ in 0..9 {
            for step in steps {
                let ratio = unit * step * decade;
                if ratio >= needed {
                    return Self { ratio, units };
                }
            }
            decade *= 10.0;
        }
        Self { ratio: needed, units }
    }

    /// Points of the page for metres of the ground.
    pub(super) fn points(self, metres: f64) -> f64 {
        metres * POINTS_PER_METRE / self.ratio
    }

    /// Says the scale: "1 in = 10 ft (1:120)", "1:100".
    fn text(self, figures: Figures) -> String {
        match self.units {
            Units::UsCustomary => figures.words.f(
                "1 in = {0} ft (1:{1})",
                &[&plain(self.ratio / 12.0), &plain(self.ratio)],
            ),
            Units::Metric => format!("1:{}", plain(self.ratio)),
        }
    }

    /// A round length for the bar, in the unit shown and in points.
    fn bar(self, room_pt: f64) -> (f64, f64) {
        let unit_m = match self.units {
            Units::UsCustomary => METRES_PER_FOOT,
            Units::Metric => 1.0,
        };
        let most = room_pt / self.points(unit_m);
        let decade = 10.0_f64.powf(most.max(1e-6).log10().floor());
        let round = [5.0, 4.0, 2.0, 1.0]
            .into_iter()
            .map(|step| step * decade)
            .find(|length| *length <= most)
            .unwrap_or(decade);
        (round, self.points(round * unit_m))
    }
}

/// A whole number where it is one, else to two digits.
fn plain(number: f64) -> String {
    let text = format!("{number:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The ground laid on a frame of the page.
struct View {
    scale: Scale,
    middle: Point,
    frame: Frame,
}

impl View {
    fn of(plan: &YardPlan, units: Units, frame: Frame) -> Self {
        // Room for a letter beside what stands at the edge.
        let pad = 22.0;
        let ([left, bottom], [right, top]) = extent(plan);
        let middle = Point::new(f64::midpoint(left, right), f64::midpoint(bottom, top));
        let ground = ((right - left).max(LEAST_EXTENT_M), (top - bottom).max(LEAST_EXTENT_M));
        let room = (frame.width - 2.0 * pad, frame.height - 2.0 * pad);
        Self {
            scale: Scale::fitting(units, ground, room),
            middle,
            frame,
        }
    }

    fn page(&self, at: Point) -> (f64, f64) {
        (
            self.frame.x + self.frame.width / 2.0 + self.scale.points(at.x_m - self.middle.x_m),
            self.frame.y + self.frame.height / 2.0 - self.scale.points(at.y_m - self.middle.y_m),
        )
    }

    fn commands(&self, points: &[Point], closed: bool) -> String {
        polyline(points.iter().map(|point| self.page(*point)), closed)
    }
}

/// The box around everything with a place, error ellipses among it.
fn extent(plan: &YardPlan) -> ([f64; 2], [f64; 2]) {
    let mut low = [f64::INFINITY; 2];
    let mut high = [f64::NEG_INFINITY; 2];
    let mut reach = |at: Point, by_m: f64| {
        for (index, value) in [at.x_m, at.y_m].into_iter().enumerate() {
            if let (Some(low), Some(high)) = (low.get_mut(index), high.get_mut(index)) {
                *low = low.min(value - by_m);
                *high = high.max(value + by_m);
            }
        }
    };
    for mark in &plan.marks {
        reach(mark.at, mark.error_m());
    }
    for at in plan.house.iter().chain(plan.lines.iter().flat_map(|line| &line.points)) {
        reach(*at, 0.0);
    }
    if low.iter().chain(&high).all(|value| value.is_finite()) {
        (low, high)
    } else {
        ([0.0; 2], [0.0; 2])
    }
}

/// Draws the plan into a frame, with the strip of scale bar and north arrow at its foot.
pub(super) fn draw(ink: &mut Ink, plan: &YardPlan, figures: Figures, frame: Frame) -> Scale {
    let look = Look {
        fill: WHITE,
        edge: INK,
        width: 0.8,
    };
    ink.edged(frame, look);
    let drawing = Frame {
        height: frame.height - STRIP,
        ..frame
    };
    let view = View::of(plan, figures.units, drawing);
    ink.path(&view.commands(&plan.house, true), PAPER, Some((INK, 1.4)));
    for line in &plan.lines {
        ink.drawn(
            &view.commands(&line.points, false),
            line.kind.colour(),
            1.8,
            line.kind.is_dashed(),
        );
    }
    for tie in &plan.ties {
        if let (Some(from), Some(to)) = (plan.marks.get(tie.from), plan.marks.get(tie.to)) {
            ink.drawn(&view.commands(&[from.at, to.at], false), QUIET, 0.5, false);
        }
    }
    for mark in &plan.marks {
        ellipse(ink, &view, mark);
    }
    for mark in &plan.marks {
        symbol(ink, mark.kind, view.page(mark.at));
    }
    labels(ink, plan, &view, figures);
    strip(ink, plan, figures, &view, frame);
    view.scale
}

fn ellipse(ink: &mut Ink, view: &View, mark: &PlanMark) {
    let (x, y) = view.page(mark.at);
    let half = |axis_m: f64| view.scale.points(axis_m * AXES_PER_RADIUS);
    let (major, minor) = (half(mark.ellipse.major_m), half(mark.ellipse.minor_m));
    // Smaller than its own line it says nothing.
    if major < 1.0 {
        return;
    }
    ink.oval((x, y), (major, minor.max(0.4)), mark.ellipse.bearing_deg, PINK);
}

/// The sign of a kind: each has a shape of its own, never a colour alone.
pub(super) fn symbol(ink: &mut Ink, kind: PinKind, (x, y): (f64, f64)) {
    let s = SYMBOL;
    let look = |fill, edge| Look { fill, edge, width: 1.1 };
    let circle = |ink: &mut Ink, radius: f64, fill, edge| ink.disc((x, y), radius, look(fill, edge));
    let square = |ink: &mut Ink, half: f64, fill, edge| {
        let frame = Frame {
            x: x - half,
            y: y - half,
            width: 2.0 * half,
            height: 2.0 * half,
        };
        ink.edged(frame, look(fill, edge));
    };
    let strokes = |ink: &mut Ink, pieces: &[[f64; 4]], colour: &str| {
        for [x1, y1, x2, y2] in pieces {
            let piece = polyline([(x + s * x1, y + s * y1), (x + s * x2, y + s * y2)], false);
            ink.drawn(&piece, colour, 1.1, false);
        }
    };
    let cross = [[-1.0, -1.0, 1.0, 1.0], [-1.0, 1.0, 1.0, -1.0]];
    match kind {
        PinKind::TankLid => {
            circle(ink, s, WHITE, PINK);
            circle(ink, s * 0.35, PINK, PINK);
        }
        PinKind::Cleanout => circle(ink, s * 0.7, SEWER, SEWER),
        PinKind::SewerExit => {
            let triangle = polyline([(x, y - s), (x + s, y + s * 0.8), (x - s, y + s * 0.8)], true);
            ink.path(&triangle, SEWER, Some((SEWER, 1.1)));
        }
        PinKind::HouseCorner => square(ink, s * 0.5, INK, INK),
        PinKind::DistributionBox => {
            square(ink, s * 0.9, WHITE, SEWER);
            strokes(ink, &cross.map(|piece| piece.map(|v| v * 0.9)), SEWER);
        }
        PinKind::FieldEnd => strokes(ink, &[[-1.0, -0.8, 1.0, -0.8], [0.0, -0.8, 0.0, 1.0]], SEWER),
        PinKind::Well => {
            circle(ink, s, WHITE, INK);
            strokes(ink, &[[-0.7, 0.0, 0.7, 0.0], [0.0, -0.7, 0.0, 0.7]], INK);
        }
        PinKind::Obstacle => strokes(ink, &cross, INK),
        PinKind::TruckParking => square(ink, s * 0.9, WHITE, INK),
        PinKind::HosePath => strokes(ink, &[[-1.0, 0.0, 1.0, 0.0]], QUIET),
        PinKind::Landmark => strokes(ink, &[[-1.0, 0.0, 1.0, 0.0], [0.0, -1.0, 0.0, 1.0]], INK),
    }
}

fn overlap(a: Frame, b: Frame) -> bool {
    a.x < b.x + b.width && b.x < a.x + a.width && a.y < b.y + b.height && b.y < a.y + a.height
}

fn inside(inner: Frame, outer: Frame) -> bool {
    inner.x >= outer.x
        && inner.y >= outer.y
        && inner.x + inner.width <= outer.x + outer.width
        && inner.y + inner.height <= outer.y + outer.height
}

/// Finds room for every mark's letter, and for its name where there is room close by; then for distances on the ties.
fn labels(ink: &mut Ink, plan: &YardPlan, view: &View, figures: Figures) {
    let mut taken: Vec<Frame> = plan
        .marks
        .iter()
        .map(|mark| {
            let (x, y) = view.page(mark.at);
            Frame {
                x: x - SYMBOL,
                y: y - SYMBOL,
                width: 2.0 * SYMBOL,
                height: 2.0 * SYMBOL,
            }
        })
        .collect();
    let lines = lines_of(plan, view);
    for mark in &plan.marks {
        let at = view.page(mark.at);
        let letter_width = LETTER.width(&mark.letter) + 2.0;
        let name = shorten(&mark.name, LABEL.weight, LABEL.size, 110.0);
        let whole = letter_width + LABEL.width(&name) + 3.0;
        let near = place(at, whole, 2, view.frame, &taken, &lines).filter(|_| !name.is_empty());
        let (frame, with_name) = match near {
            Some(frame) => (frame, true),
            None => match place(at, letter_width, 40, view.frame, &taken, &lines) {
                Some(frame) => (frame, false),
                None => continue,
            },
        };
        taken.push(frame);
        let middle = (frame.x + frame.width / 2.0, frame.y + frame.height / 2.0);
        if (middle.0 - at.0).hypot(middle.1 - at.1) > frame.width / 2.0 + 18.0 {
            ink.drawn(&polyline([at, middle], false), QUIET, 0.4, false);
        }
        ink.halo(frame);
        ink.line(frame.x + 1.0, frame.y, LETTER, Anchor::Start, &mark.letter);
        if with_name {
            ink.line(frame.x + letter_width + 2.0, frame.y + 0.9, LABEL, Anchor::Start, &name);
        }
    }
    for tie in &plan.ties {
        let (Some(from), Some(to)) = (plan.marks.get(tie.from), plan.marks.get(tie.to)) else {
            continue;
        };
        let text = figures.tape(tie.distance);
        let (width, height) = (LABEL.width(&text) + 2.0, LABEL.leading());
        // Beside the middle, or nearer to where the tape was held: the table has it anyway.
        let spot = [0.5, 0.35, 0.65].into_iter().find_map(|share| {
            let (x, y) = view.page(from.at.plus(to.at.minus(from.at).times(share)));
            let frame = Frame {
                x: x - width / 2.0,
                y: y - height / 2.0,
                width,
                height,
            };
            let free = inside(frame, view.frame) && !taken.iter().any(|other| overlap(frame, *other));
            free.then_some(frame)
        });
        if let Some(frame) = spot {
            taken.push(frame);
            ink.halo(frame);
            ink.line(frame.x + 1.0, frame.y + 0.6, LABEL, Anchor::Start, &text);
        }
    }
}

type PagePoint = (f64, f64);

/// Every line of the drawing that a letter should rather not stand on.
fn lines_of(plan: &YardPlan, view: &View) -> Vec<(PagePoint, PagePoint)> {
    let mut lines = Vec::new();
    let mut add = |points: &[Point]| {
        for pair in points.windows(2) {
            if let [from, to] = pair {
                lines.push((view.page(*from), view.page(*to)));
            }
        }
    };
    add(&plan.house);
    if let (Some(last), Some(first)) = (plan.house.last(), plan.house.first()) {
        add(&[*last, *first]);
    }
    for line in &plan.lines {
        add(&line.points);
    }
    for tie in &plan.ties {
        if let (Some(from), Some(to)) = (plan.marks.get(tie.from), plan.marks.get(tie.to)) {
            add(&[from.at, to.at]);
        }
    }
    lines
}

/// Whether a piece of line runs through a frame: what is left of it after cutting at each of the four sides.
fn crosses((from, to): (PagePoint, PagePoint), frame: Frame) -> bool {
    let (dx, dy) = (to.0 - from.0, to.1 - from.1);
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (step, room) in [
        (-dx, from.0 - frame.x),
        (dx, frame.x + frame.width - from.0),
        (-dy, from.1 - frame.y),
        (dy, frame.y + frame.height - from.1),
    ] {
        if step < 0.0 {
            enter = enter.max(room / step);
        } else if step > 0.0 {
            leave = leave.min(room / step);
        } else if room < 0.0 {
            return false;
        }
    }
    enter <= leave
}

/// A free place for a label, looked for in widening rings about its mark: the nearest that stands on no line, else the
/// nearest on the fewest.
fn place(
    (x, y): PagePoint,
    width: f64,
    rings: u32,
    room: Frame,
    taken: &[Frame],
    lines: &[(PagePoint, PagePoint)],
) -> Option<Frame> {
    let height = LETTER.leading();
    let mut best: Option<(usize, Frame)> = None;
    for ring in 0..rings {
        // Past the first rings any free place is better than one still farther out.
        if ring > 3
            && let Some((_, frame)) = best
        {
            return Some(frame);
        }
        let out = SYMBOL + 1.5 + 6.0 * f64::from(ring);
        let directions = 8 + 4 * ring;
        for step in 0..directions {
            let angle = std::f64::consts::TAU * f64::from(step) / f64::from(directions);
            let (sin, cos) = angle.sin_cos();
            // The label's edge, not its middle, stands at that distance.
            let frame = Frame {
                x: x + cos * (out + width / 2.0) - width / 2.0,
                y: y - sin * (out + height / 2.0) - height / 2.0,
                width,
                height,
            };
            if !inside(frame, room) || taken.iter().any(|other| overlap(frame, *other)) {
                continue;
            }
            let on = lines.iter().filter(|line| crosses(**line, frame)).count();
            if on == 0 {
                return Some(frame);
            }
            if best.is_none_or(|(fewest, _)| on < fewest) {
                best = Some((on, frame));
            }
        }
    }
    best.map(|(_, frame)| frame)
}

/// Scale bar at the left, what the lines mean in the middle, north at the right.
fn strip(ink: &mut Ink, plan: &YardPlan, figures: Figures, view: &View, frame: Frame) {
    let words = figures.words;
    let top = frame.y + frame.height - STRIP;
    ink.rectangle(
        Frame {
            x: frame.x,
            y: top,
            width: frame.width,
            height: 0.6,
        },
        0.0,
        INK,
    );
    let kind = Type::new(8.5, Weight::Regular, INK);
    let left = frame.x + 10.0;
    let (round, length) = view.scale.bar(150.0);
    for (part, fill) in [(length, WHITE), (length / 2.0, INK)] {
        let bar = Frame {
            x: left,
            y: top + 9.0,
            width: part,
            height: 5.0,
        };
        let look = Look {
            fill,
            edge: INK,
            width: 0.6,
        };
        ink.edged(bar, look);
    }
    let length_text = match figures.units {
        Units::UsCustomary => words.f("{0} ft", &[&plain(round)]),
        Units::Metric => format!("{} m", plain(round)),
    };
    ink.line(left, top + 16.0, kind, Anchor::Start, "0");
    ink.line(left + length, top + 16.0, kind, Anchor::Middle, &length_text);
    ink.line(
        left,
        top + 29.0,
        kind,
        Anchor::Start,
        &words.f("Scale {0}", &[&view.scale.text(figures)]),
    );

    let mut x = frame.x + 210.0;
    for (line, word) in [(LineKind::Pipe, "sewer pipe"), (LineKind::Hose, "hose path")] {
        if plan.lines.iter().any(|drawn| drawn.kind == line) {
            let y = top + 13.0;
            let sample = polyline([(x, y), (x + 24.0, y)], false);
            ink.drawn(&sample, line.colour(), 1.8, line.is_dashed());
            let word = words.t(word);
            ink.line(x + 28.0, y - 5.5, kind, Anchor::Start, &word);
            x += 40.0 + kind.width(&word);
        }
    }
    if plan.ties.len() + plan.marks.len() > 0 {
        ink.line(
            frame.x + 210.0,
            top + 29.0,
            Type::new(7.5, Weight::Regular, QUIET),
            Anchor::Start,
            &words.t("thin lines: tapes; dashed ovals: error, 2 times in 3"),
        );
    }
    north(ink, plan.north_deg, figures, (frame.x + frame.width, top));
}

fn north(ink: &mut Ink, north_deg: Option<f64>, figures: Figures, (right, top): (f64, f64)) {
    let words = figures.words;
    let Some(up_deg) = north_deg.filter(|deg| deg.is_finite()) else {
        let kind = Type::new(8.5, Weight::Regular, QUIET);
        ink.line(right - 10.0, top + 16.0, kind, Anchor::End, &words.t("north not known"));
        return;
    };
    let (x, y) = (right - 34.0, top + STRIP / 2.0);
    // The plan's up lies on this bearing, so north lies as far the other way from up.
    ink.arrow((x, y), -up_deg, INK);
    let letter = Type::new(12.0, Weight::Bold, INK);
    ink.line(x - 24.0, y - 8.0, letter, Anchor::End, &words.t("N"));
}
