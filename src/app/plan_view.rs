//! The yard from above, drawn: where everything stands on the screen, with no colour and no window in it.

use crate::app::find_words::{clue_title, mark_title, met_title, near_m};
use crate::app::yard::{HeldBy, Taped, YardModel};
use crate::domain::locate::clue::Clue;
use crate::domain::locate::fix::PinKind;
use crate::domain::locate::plane::NINETY_FIVE;
use crate::domain::locate::probe::{BestPlace, Met, ProbeMap};
use crate::domain::locate::{Point, Spread};
use crate::domain::record::{ClueKind, Lid, PinId, ProbeMet, Units};
use crate::domain::units::round_to_i64;
use crate::say::figures::Figures;
use std::fmt::Write as _;

/// Between the plan and the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    /// What the middle of the screen shows.
    pub centre: Point,
    /// How large a metre is drawn, dp.
    pub per_m: f64,
    /// The drawing's width, dp.
    pub width: f64,
    /// The drawing's height, dp.
    pub height: f64,
}

impl Lens {
    /// The lens that takes in every place, with room for what stands over the drawing's edges.
    #[must_use]
    pub fn over(places: &[Point], width: f64, height: f64) -> Self {
        let (width, height) = (sound(width, 120.0), sound(height, 120.0));
        let mut places = places.iter().filter(|p| p.is_finite());
        let first = places.next().copied().unwrap_or(Point::ORIGIN);
        let (low, high) = places.fold((first, first), |(low, high), p| {
            (
                Point::new(low.x_m.min(p.x_m), low.y_m.min(p.y_m)),
                Point::new(high.x_m.max(p.x_m), high.y_m.max(p.y_m)),
            )
        });
        let span = |size: f64| (size + 2.0).max(12.0);
        // Keys stand at the right edge, chips along the upper and lower ones, a key in the upper left corner: where there
        // is room, nothing is put under that one either.
        let top = if height > 240.0 { 64.0 } else { 38.0 };
        let per_m = ((width - 84.0).max(60.0) / span(high.x_m - low.x_m))
            .min((height - 38.0 - top).max(60.0) / span(high.y_m - low.y_m));
        let aside = Point::new(24.0, (top - 38.0) / 2.0).times(1.0 / per_m);
        Self {
            centre: low.plus(high).times(0.5).plus(aside),
            per_m,
            width,
            height,
        }
    }

    /// Where a place stands on the screen, dp from the upper left.
    #[must_use]
    pub fn to_screen(self, at: Point) -> (f64, f64) {
        let off = at.minus(self.centre);
        (
            self.width / 2.0 + off.x_m * self.per_m,
            self.height / 2.0 - off.y_m * self.per_m,
        )
    }

    /// Which place stands there on the screen; `None` when that is no number or nowhere near.
    #[must_use]
    pub fn to_plan(self, x: f64, y: f64) -> Option<Point> {
        let off = Point::new(x - self.width / 2.0, self.height / 2.0 - y).times(1.0 / self.per_m);
        let at = self.centre.plus(off);
        (at.is_finite() && at.length_m() < 5_000.0).then_some(at)
    }
}

fn sound(size: f64, least: f64) -> f64 {
    if size.is_finite() {
        size.clamp(least, 8_192.0)
    } else {
        least
    }
}

/// What a line or area of the plan is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlanKind {
    /// The house.
    House,
    /// The edge of the house or lot where it is only assumed, or the lot.
    Dashed,
    /// A sewer pipe.
    Pipe,
    /// The field.
    Field,
    /// Grass or soil that looks different.
    Ground,
    /// Something in the way.
    Blocked,
    /// A tape.
    Tape,
    /// The error of a place, or a tape that disagrees.
    Doubt,
    /// The hose.
    Hose,
    /// The way from here.
    Way,
    /// Where the device is.
    Here,
    /// How far off that may be.
    HereError,
    /// Scale bar and north.
    Scale,
    /// What is being placed.
    Aim,
}

/// One line or area, as path commands in dp.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanLayer {
    /// What it is.
    pub kind: PlanKind,
    /// The path.
    pub commands: String,
}

/// What a round mark of the plan is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpotKind {
    /// A corner or another point to measure from.
    Point,
    /// On the sewer or the field.
    Sewer,
    /// A lid.
    Lid,
    /// One of the best places.
    Best,
    /// A push that met nothing.
    Miss,
    /// A push that met something.
    Hit,
    /// Anything else.
    Other,
    /// One of two places that fit the tapes.
    Choice,
}

/// A round mark, with a word in it or not.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanSpot {
    /// What it is.
    pub kind: SpotKind,
    /// Where its middle is, dp.
    pub x: f64,
    /// The same, down.
    pub y: f64,
    /// A number or letter within.
    pub text: String,
    /// What it is called.
    pub title: String,
    /// Whether it is the one selected.
    pub chosen: bool,
}

/// A word beside a mark, on a patch of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanLabel {
    /// Left edge, dp.
    pub x: f64,
    /// Middle, dp.
    pub y: f64,
    /// The words.
    pub text: String,
}

/// The shading as a small picture: how strong each pixel is, 0 to 255, row by row.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Shading {
    /// Pixels in a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// The strengths.
    pub alpha: Vec<u8>,
}

impl Shading {
    /// Shades a map as a lens shows it; `most` is the chance of its best place.
    #[must_use]
    pub fn of(map: &ProbeMap, most: f64, lens: Lens) -> Self {
        let count = |size: f64| {
            let cells = round_to_i64((size / SHADE_DP).ceil()).unwrap_or(1);
            u32::try_from(cells.clamp(1, 2_048)).unwrap_or(1)
        };
        let (width, height) = (count(lens.width), count(lens.height));
        let most = most.max(f64::MIN_POSITIVE);
        let mut alpha = Vec::new();
        for row in 0..height {
            for column in 0..width {
                let (x, y) = ((f64::from(column) + 0.5) * SHADE_DP, (f64::from(row) + 0.5) * SHADE_DP);
                let chance = lens.to_plan(x, y).map_or(0.0, |at| map.chance(at));
                // The strongest place is always as strong: the eye compares places, the number says how sure.
                let share = (chance / most).clamp(0.0, 1.0);
                let strength = if share < 0.04 { 0.0 } else { 165.0 * share.sqrt() };
                alpha.push(round_to_i64(strength).and_then(|s| u8::try_from(s).ok()).unwrap_or(0));
            }
        }
        Self { width, height, alpha }
    }
}

/// The yard, ready to be drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlanDrawing {
    /// Lines and areas, the lowest first.
    pub layers: Vec<PlanLayer>,
    /// Round marks.
    pub spots: Vec<PlanSpot>,
    /// Words.
    pub labels: Vec<PlanLabel>,
    /// Where the tank may be.
    pub shading: Shading,
}

/// Where the device is, on the plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HereOnPlan {
    /// Where.
    pub at: Point,
    /// Radius of about 68 %, m.
    pub error_m: f64,
    /// The way it points or moves, degrees from the plan's y axis.
    pub toward_deg: Option<f64>,
}

/// What is being placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aim {
    /// Where.
    pub at: Point,
    /// How large it is, m; zero for a point.
    pub radius_m: f64,
    /// From where a direction is asked.
    pub from: Option<Point>,
}

/// Everything a drawing is made from.
#[derive(Debug)]
pub struct PlanScene<'a> {
    /// The yard.
    pub model: &'a YardModel,
    /// The lids, for their names.
    pub lids: &'a [Lid],
    /// The map, while the tank is looked for.
    pub map: Option<&'a ProbeMap>,
    /// The best places.
    pub best: &'a [BestPlace],
    /// What the rod met, in the order of the model's probes.
    pub met: &'a [ProbeMet],
    /// Where the device is.
    pub here: Option<HereOnPlan>,
    /// Where it is led.
    pub target: Option<Point>,
    /// What is being placed.
    pub aim: Option<Aim>,
    /// The line being laid.
    pub laying: &'a [Point],
    /// The pin that is selected.
    pub chosen: Option<PinId>,
    /// How numbers and words are written.
    pub figures: Figures,
}

/// How many dp one pixel of the shading covers; it is drawn smooth.
const SHADE_DP: f64 = 4.0;

struct Pen<'a> {
    lens: Lens,
    scene: &'a PlanScene<'a>,
    drawing: PlanDrawing,
    taken: Vec<(f64, f64, f64, f64)>,
}

/// Draws the yard.
#[must_use]
pub fn draw(scene: &PlanScene<'_>, lens: Lens) -> PlanDrawing {
    let mut pen = Pen {
        lens,
        scene,
        drawing: PlanDrawing::default(),
        taken: Vec::new(),
    };
    pen.reserve();
    pen.shade();
    pen.ground();
    pen.house();
    pen.sewer();
    pen.tapes();
    pen.doubts();
    pen.probes();
    pen.marks();
    pen.best();
    pen.choices();
    pen.here();
    pen.aim();
    pen.scale();
    pen.drawing
}

impl Pen<'_> {
    /// Keeps the places of the round marks free, so that no word is hidden under one.
    fn reserve(&mut self) {
        let model = self.scene.model;
        let marks = model.marks.iter().filter_map(|mark| Some((mark.placed?.at, 15.0)));
        let probes = model.probes.iter().map(|probe| (probe.at, 11.0));
        let best = self.scene.best.iter().map(|best| (best.at, 20.0));
        for (at, half) in marks.chain(probes).chain(best).collect::<Vec<_>>() {
            let (x, y) = self.lens.to_screen(at);
            self.taken.push((x - half, y - half, x + half, y + half));
        }
        // The keys over the drawing.
        let width = self.lens.width;
        self.taken.push((0.0, 0.0, 92.0, 64.0));
        self.taken.push((width - 72.0, 0.0, width, 214.0));
        self.taken.push((width - 130.0, 0.0, width, 44.0));
    }

    fn shade(&mut self) {
        let Some(map) = self.scene.map else { return };
        let most = self.scene.best.first().map_or(0.0, |best| best.chance);
        self.drawing.shading = Shading::of(map, most, self.lens);
    }

    fn path(&mut self, kind: PlanKind, commands: String) {
        if !commands.is_empty() {
            self.drawing.layers.push(PlanLayer { kind, commands });
        }
    }

    fn outline(&self, places: &[Point]) -> String {
        let mut text = String::new();
        for (index, at) in places.iter().enumerate() {
            let (x, y) = self.lens.to_screen(*at);
            // Writing to a String cannot fail.
            let _ = write!(text, "{}{x:.1} {y:.1}", if index == 0 { 'M' } else { 'L' });
        }
        if places.len() > 2 {
            text.push('Z');
        }
        text
    }

    /// A line in dashes: the renderer knows no dashes, so they are in the path itself.
    fn dashes(&self, places: &[Point], on: f64, off: f64) -> String {
        let mut text = String::new();
        let (mut drawn, mut left) = (true, on);
        for pair in places.windows(2) {
            let [a, b] = pair else { continue };
            let ((ax, ay), (bx, by)) = (self.lens.to_screen(*a), self.lens.to_screen(*b));
            let length = (bx - ax).hypot(by - ay);
            // A line far off the screen is not worth ten thousand dashes.
            if !(0.1..=20_000.0).contains(&length) {
                continue;
            }
            let mut done = 0.0;
            while done < length {
                let step = left.min(length - done);
                let at = |d: f64| (ax + (bx - ax) * d / length, ay + (by - ay) * d / length);
                if drawn {
                    let ((x1, y1), (x2, y2)) = (at(done), at(done + step));
                    let _ = write!(text, "M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}");
                }
                done += step;
                left -= step;
                if left <= 1.0e-6 {
                    drawn = !drawn;
                    left = if drawn { on } else { off };
                }
            }
        }
        text
    }

    fn ring(at: Point, radius_m: f64) -> Vec<Point> {
        (0..=36)
            .map(|step| at.plus(Point::polar(f64::from(step) * 10.0, radius_m)))
            .collect()
    }

    fn ellipse(at: Point, spread: Spread) -> Vec<Point> {
        let ellipse = spread.ellipse();
        let (long, short) = (ellipse.major_m * NINETY_FIVE, ellipse.minor_m * NINETY_FIVE);
        (0..=40)
            .map(|step| {
                let (sin, cos) = (f64::from(step) * 9.0).to_radians().sin_cos();
                at.plus(Point::new(short * sin, long * cos).turned_deg(ellipse.bearing_deg))
            })
            .collect()
    }

    fn ground(&mut self) {
        let model = self.scene.model;
        if model.yard.lot.len() > 2 {
            let mut lot = model.yard.lot.clone();
            lot.extend(model.yard.lot.first().copied());
            let path = self.dashes(&lot, 14.0, 8.0);
            self.path(PlanKind::Dashed, path);
        }
        for outline in &model.yard.blocked {
            let path = self.outline(outline);
            self.path(PlanKind::Blocked, path);
        }
        for (clue, _) in &model.clues {
            match clue {
                Clue::Oval { at, radius } | Clue::Settled { at, radius } | Clue::Customer { at, radius } => {
                    let path = self.dashes(&Self::ring(*at, radius.mm().max(500.0) / 1000.0), 8.0, 5.0);
                    self.path(PlanKind::Ground, path);
                }
                Clue::Field { at } => {
                    // Three short runs of pipe across the way from the house.
                    let start = model.house.first().copied().unwrap_or(Point::ORIGIN);
                    let toward = start.bearing_deg(*at);
                    for step in -1..=1 {
                        let middle = at.plus(Point::polar(toward, f64::from(step) * 1.2));
                        let side = Point::polar(toward + 90.0, 3.0);
                        let path = self.dashes(&[middle.minus(side), middle.plus(side)], 9.0, 6.0);
                        self.path(PlanKind::Field, path);
                    }
                }
                Clue::Record { from, distance } => {
                    let path = self.dashes(&Self::ring(*from, distance.mm() / 1000.0), 6.0, 8.0);
                    self.path(PlanKind::Doubt, path);
                }
                _ => {}
            }
        }
    }

    fn house(&mut self) {
        let model = self.scene.model;
        if model.house.len() < 3 {
            return;
        }
        let path = self.outline(&model.house);
        self.path(PlanKind::House, path);
        if model.house_assumed {
            let far: Vec<Point> = model.house.iter().skip(1).chain(model.house.first()).copied().collect();
            let path = self.dashes(&far, 10.0, 7.0);
            self.path(PlanKind::Dashed, path);
        }
        let count = f64::from(u32::try_from(model.house.len()).unwrap_or(1));
        let middle = model
            .house
            .iter()
            .fold(Point::ORIGIN, |sum, corner| sum.plus(*corner))
            .times(1.0 / count);
        let (x, y) = self.lens.to_screen(middle);
        let text = self.scene.figures.words.t("house");
        self.label_at(x - text_width(&text) / 2.0, y, text);
    }

    /// Pipes: from the sewer's exit through its cleanouts and on the way it was seen to go.
    fn sewer(&mut self) {
        let model = self.scene.model;
        let mut places: Vec<(f64, Point)> = Vec::new();
        let exit = model
            .marks
            .iter()
            .find(|mark| mark.kind == PinKind::SewerExit)
            .and_then(|mark| mark.placed);
        let from_house = |at: Point| model.yard.wall_distance_m(at).unwrap_or(0.0);
        if let Some(exit) = exit {
            places.push((-1.0, exit.at));
        }
        for mark in &model.marks {
            if let (PinKind::Cleanout, Some(placed)) = (mark.kind, mark.placed) {
                places.push((from_house(placed.at), placed.at));
            }
        }
        for probe in &model.probes {
            if probe.met == Met::Pipe {
                places.push((from_house(probe.at), probe.at));
            }
        }
        places.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut line: Vec<Point> = places.into_iter().map(|(_, at)| at).collect();
        if exit.is_none()
            && let (Some(first), true) = (line.first().copied(), model.house.len() > 2)
            && let Some(outward) = model.yard.outward_deg(first)
        {
            // A cleanout without an exit: the pipe comes from the wall.
            let wall = first.plus(Point::polar(outward + 180.0, from_house(first)));
            let path = self.dashes(&[wall, first], 6.0, 4.0);
            self.path(PlanKind::Pipe, path);
        }
        let seen = model
            .marks
            .iter()
            .filter(|mark| matches!(mark.kind, PinKind::Cleanout | PinKind::SewerExit))
            .filter_map(|mark| Some((mark.placed?.at, mark.pipe_deg?)))
            .next_back();
        if let Some((at, bearing)) = seen {
            let path = self.dashes(&[at, at.plus(Point::polar(bearing, 3.0))], 6.0, 4.0);
            self.path(PlanKind::Pipe, path);
        }
        if line.len() > 1 {
            let path = self.outline_open(&line);
            self.path(PlanKind::Pipe, path);
        }
        line.clear();
        for mark in &model.marks {
            if mark.line.len() > 1 {
                let path = self.dashes(&mark.line, 12.0, 4.0);
                self.path(PlanKind::Hose, path);
            }
        }
        let laying = self.dashes(self.scene.laying, 12.0, 4.0);
        self.path(PlanKind::Hose, laying);
    }

    fn outline_open(&self, places: &[Point]) -> String {
        self.outline(places).trim_end_matches('Z').to_owned()
    }

    fn tapes(&mut self) {
        let model = self.scene.model;
        for mark in &model.marks {
            for tie in &mark.ties {
                let Some(origin) = model.mark(tie.origin).and_then(|origin| origin.placed) else {
                    continue;
                };
                let Some(placed) = mark.placed else { continue };
                let between_corners = mark.kind == PinKind::HouseCorner;
                if between_corners && self.scene.chosen != Some(mark.id) {
                    continue;
                }
                let path = self.outline(&[origin.at, placed.at]);
                let disagrees = tie.off_m.is_some_and(|off| off.abs() > 0.3);
                self.path(if disagrees { PlanKind::Doubt } else { PlanKind::Tape }, path);
                if self.scene.chosen == Some(mark.id) {
                    // Only the ties of one mark are written on the plan: all of them would hide it.
                    let text = self.scene.figures.tape(tie.distance);
                    let half = text_width(&text) / 2.0;
                    let along = |share: f64| {
                        let (x, y) = self
                            .lens
                            .to_screen(origin.at.plus(placed.at.minus(origin.at).times(share)));
                        (x - half, y)
                    };
                    let middles = [0.5, 0.4, 0.6, 0.3, 0.7].map(along);
                    if let Some((x, y)) = middles.into_iter().find(|(x, y)| self.is_free(*x, *y, 2.0 * half)) {
                        self.label_at(x, y, text);
                    }
                }
            }
        }
    }

    fn doubts(&mut self) {
        for mark in &self.scene.model.marks {
            let Some(placed) = mark.placed else { continue };
            let wide = placed.error_m() * self.lens.per_m > 8.0;
            let matters = mark.kind == PinKind::TankLid || self.scene.chosen == Some(mark.id);
            if wide && matters && placed.by != HeldBy::Eye {
                let path = self.dashes(&Self::ellipse(placed.at, placed.spread), 5.0, 4.0);
                self.path(PlanKind::Doubt, path);
            }
            if self.scene.chosen == Some(mark.id)
                && let Taped::Placed(located) | Taped::TwoSides(located) = &mark.taped
                && let Some(advice) = &located.advice
            {
                let [a, b] = advice.from;
                let path = self.dashes(&[a, b], 4.0, 6.0);
                self.path(PlanKind::Doubt, path);
            }
        }
    }

    fn spot(&mut self, kind: SpotKind, at: Point, text: &str, title: String, chosen: bool) {
        let (x, y) = self.lens.to_screen(at);
        // What is off the drawing is not drawn at its edge as if it were there.
        if !(x > -20.0 && x < self.lens.width + 20.0 && y > -20.0 && y < self.lens.height + 20.0) {
            return;
        }
        self.drawing.spots.push(PlanSpot {
            kind,
            x,
            y,
            text: text.to_owned(),
            title,
            chosen,
        });
    }

    fn probes(&mut self) {
        let words = self.scene.figures.words;
        let misses = self.scene.met.iter().filter(|met| **met == ProbeMet::Nothing).count();
        for (probe, met) in self.scene.model.probes.iter().zip(self.scene.met) {
            let kind = if *met == ProbeMet::Nothing {
                SpotKind::Miss
            } else {
                SpotKind::Hit
            };
            let title = met_title(*met, words);
            self.spot(kind, probe.at, "", title.clone(), false);
            // Many misses need no words each.
            if misses < 3 || *met != ProbeMet::Nothing {
                self.label_beside(probe.at, title);
            }
        }
    }

    fn marks(&mut self) {
        let words = self.scene.figures.words;
        for mark in &self.scene.model.marks {
            let Some(placed) = mark.placed else { continue };
            let kind = match mark.kind {
                PinKind::TankLid => SpotKind::Lid,
                PinKind::Cleanout | PinKind::SewerExit | PinKind::DistributionBox | PinKind::FieldEnd => {
                    SpotKind::Sewer
                }
                PinKind::HouseCorner | PinKind::Landmark => SpotKind::Point,
                _ => SpotKind::Other,
            };
            let title = mark_title(mark, self.scene.lids, words);
            let chosen = self.scene.chosen == Some(mark.id);
            self.spot(kind, placed.at, "", title.clone(), chosen);
            let text = if mark.letter.is_empty() {
                title
            } else {
                mark.letter.clone()
            };
            self.label_beside(placed.at, text);
        }
        for (clue, from) in &self.scene.model.clues {
            if let crate::app::yard::ClueFrom::Clue(_, kind) = from {
                let title = clue_title(*kind, words);
                if matches!(kind, ClueKind::Vent | ClueKind::Marker | ClueKind::Record) {
                    self.spot(SpotKind::Other, clue.at(), "", title.clone(), false);
                }
                self.label_beside(clue.at(), title);
            }
        }
    }

    fn best(&mut self) {
        let words = self.scene.figures.words;
        let places: Vec<Point> = self.scene.best.iter().map(|best| best.at).collect();
        for (number, at) in (1..).zip(places).collect::<Vec<_>>().into_iter().rev() {
            let number = u32::to_string(&number);
            let title = words.f("mark {0}", &[&number]);
            self.spot(SpotKind::Best, at, &number, title, false);
        }
        // The chance of each beside it, the same as its words say.
        let figures = self.scene.figures;
        if let Some(map) = self.scene.map {
            for best in self.scene.best {
                let chance = map.chance_within(best.at, near_m(figures));
                self.label_off(best.at, 21.0, figures.percent(chance));
            }
        }
    }

    fn choices(&mut self) {
        let Some(mark) = self.scene.chosen.and_then(|id| self.scene.model.mark(id)) else {
            return;
        };
        if let Taped::TwoSides(located) = &mark.taped {
            let words = self.scene.figures.words;
            for (number, candidate) in (1..).zip(&located.candidates) {
                for tie in &mark.ties {
                    if let Some(origin) = self.scene.model.mark(tie.origin).and_then(|origin| origin.placed) {
                        let path = self.dashes(&[origin.at, candidate.at], 10.0, 5.0);
                        self.path(PlanKind::Tape, path);
                    }
                }
                let number = u32::to_string(&number);
                let title = words.f("place {0}", &[&number]);
                self.spot(SpotKind::Choice, candidate.at, &number, title, false);
            }
        }
    }

    fn here(&mut self) {
        let Some(here) = self.scene.here else { return };
        if let Some(target) = self.scene.target {
            let path = self.dashes(&[here.at, target], 4.0, 7.0);
            self.path(PlanKind::Way, path);
        }
        let radius = (here.error_m * self.lens.per_m).min(4_000.0);
        if radius > 10.0 {
            let path = self.dashes(&Self::ring(here.at, here.error_m), 3.0, 5.0);
            self.path(PlanKind::HereError, path);
        }
        let (x, y) = self.lens.to_screen(here.at);
        let path = here.toward_deg.map_or_else(
            || round(x, y, 8.0),
            |toward| arrow(x, y, toward, &[(0.0, -15.0), (10.0, 12.0), (0.0, 6.0), (-10.0, 12.0)]),
        );
        self.path(PlanKind::Here, path);
    }

    fn aim(&mut self) {
        let Some(aim) = self.scene.aim else { return };
        if let Some(from) = aim.from {
            let path = self.outline(&[from, aim.at]);
            self.path(PlanKind::Aim, path);
        }
        if aim.radius_m > 0.0 {
            let path = self.dashes(&Self::ring(aim.at, aim.radius_m), 7.0, 4.0);
            self.path(PlanKind::Aim, path);
        }
        let (x, y) = self.lens.to_screen(aim.at);
        let path = format!(
            "M{:.1} {y:.1}H{:.1}M{:.1} {y:.1}H{:.1}M{x:.1} {:.1}V{:.1}M{x:.1} {:.1}V{:.1}{}",
            x - 26.0,
            x - 6.0,
            x + 6.0,
            x + 26.0,
            y - 26.0,
            y - 6.0,
            y + 6.0,
            y + 26.0,
            round(x, y, 17.0),
        );
        self.path(PlanKind::Aim, path);
    }

    /// A scale bar of a round length, and north when it is known.
    fn scale(&mut self) {
        let figures = self.scene.figures;
        let unit_m = match figures.units {
            Units::UsCustomary => crate::domain::locate::yard::METRES_PER_FOOT,
            Units::Metric => 1.0,
        };
        let lengths = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000];
        let fits = |length: &&i32| f64::from(**length) * unit_m * self.lens.per_m <= 90.0;
        let length = lengths.iter().rev().find(fits).copied().unwrap_or(1);
        let px = f64::from(length) * unit_m * self.lens.per_m;
        let (right, y) = (self.lens.width - 12.0, self.lens.height - 12.0);
        let left = right - px;
        self.path(
            PlanKind::Scale,
            format!("M{left:.1} {:.1}V{y:.1}H{right:.1}V{:.1}", y - 7.0, y - 7.0),
        );
        let unit = match figures.units {
            Units::UsCustomary => figures.words.f("{0} ft", &[&length.to_string()]),
            Units::Metric => format!("{length} m"),
        };
        let width = text_width(&unit);
        self.label_at(right - width, y - 20.0, unit);
        if let Some(north) = self.scene.model.north_deg {
            let (x, y) = (self.lens.width - 26.0, self.lens.height - 64.0);
            let path = arrow(x, y, -north, &[(0.0, -16.0), (7.0, 8.0), (0.0, 3.0), (-7.0, 8.0)]);
            self.path(PlanKind::Scale, path);
            let tip = Point::polar(-north, 25.0);
            self.label_at(x + tip.x_m - 8.0, y - tip.y_m, figures.words.t("N"));
        }
    }

    fn label_at(&mut self, x: f64, y: f64, text: String) {
        let width = text_width(&text);
        let x = x.clamp(2.0, (self.lens.width - width - 2.0).max(2.0));
        if !(y > 10.0 && y < self.lens.height - 4.0) {
            return;
        }
        self.taken.push((x, y - 11.0, x + width, y + 11.0));
        self.drawing.labels.push(PlanLabel { x, y, text });
    }

    /// Puts words where they cover nothing: right, left, below, above; leaves them out where there is no room.
    fn label_beside(&mut self, at: Point, text: String) {
        self.label_off(at, 16.0, text);
    }

    /// As [`Self::label_beside`], clear of a mark that is `half` so large.
    fn label_off(&mut self, at: Point, half: f64, text: String) {
        let (x, y) = self.lens.to_screen(at);
        let width = text_width(&text);
        let tries = [
            (x + half, y),
            (x - half - width, y),
            (x - width / 2.0, y + half + 11.5),
            (x - width / 2.0, y - half - 11.5),
            (x + 12.0, y + 22.0),
            (x + 12.0, y - 22.0),
        ];
        let free = |(left, middle): &(f64, f64)| self.is_free(*left, *middle, width);
        if let Some((left, middle)) = tries.into_iter().find(free) {
            self.label_at(left, middle, text);
        }
    }

    /// Whether words so wide cover nothing there.
    fn is_free(&self, left: f64, middle: f64, width: f64) -> bool {
        let (right, top, bottom) = (left + width, middle - 11.0, middle + 11.0);
        left >= 2.0
            && right <= self.lens.width - 2.0
            && top >= 0.0
            && bottom <= self.lens.height
            && !self
                .taken
                .iter()
                .any(|(l, t, r, b)| left < *r && right > *l && top < *b && bottom > *t)
    }
}

/// About how wide words are drawn, dp: the bundled typeface at 15 dp is a little over half as wide as high.
fn text_width(text: &str) -> f64 {
    f64::from(u32::try_from(text.chars().count()).unwrap_or(0)) * 8.0 + 8.0
}

fn round(x: f64, y: f64, radius: f64) -> String {
    format!(
        "M{:.1} {y:.1}A{radius:.1} {radius:.1} 0 1 1 {:.1} {y:.1}A{radius:.1} {radius:.1} 0 1 1 {:.1} {y:.1}Z",
        x - radius,
        x + radius,
        x - radius,
    )
}

/// A shape around a place, turned clockwise from up.
#[must_use]
pub fn arrow(x: f64, y: f64, turned_deg: f64, corners: &[(f64, f64)]) -> String {
    let (sin, cos) = turned_deg.to_radians().sin_cos();
    let mut text = String::new();
    for (index, (dx, dy)) in corners.iter().enumerate() {
        let (px, py) = (x + dx * cos - dy * sin, y + dx * sin + dy * cos);
        let _ = write!(text, "{}{px:.1} {py:.1}", if index == 0 { 'M' } else { 'L' });
    }
    text.push('Z');
    text
}
