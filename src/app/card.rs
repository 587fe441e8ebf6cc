//! The door card: one page that tells the customer when, and shows why.
//!
//! Every text arrives finished and in the customer's language; nothing is worded here.
//! One layout serves every page size. When there is much to say the drawings shrink first, then the type a little,
//! and only then lines are folded into the customer's own "and n more".

use std::fmt::Write as _;

use crate::say::lettering::{self, FAMILY, Weight, count, shorten, width, wrap};
use crate::say::paper::escape;
pub use crate::say::paper::{CardPage, PageSize};

use crate::app::section::{Area, LayerKind, SectionDrawing, SectionScene, tank_section};

/// Everything the card says and shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CardData {
    /// Language of all texts, as in BCP 47: "en-US", "es".
    pub language: String,
    /// Title of the document, never printed.
    pub title: String,
    /// Name of the company.
    pub company: String,
    /// Telephone, licence, address: one line each.
    pub company_lines: Vec<String>,
    /// Whose tank and where: the first line is set heavier.
    pub site_lines: Vec<String>,
    /// Words over the date: "Call us back by".
    pub date_label: String,
    /// The date as month and year, or a short sentence when there is none.
    pub date_text: String,
    /// How far off it is: "2 years 6 months from today".
    pub in_text: String,
    /// "3 chances in 4 it is not full before then."
    pub chance_text: String,
    /// "14 in of sludge after 4 years with 3 people."
    pub reason_text: String,
    /// "Likely between March 2028 and January 2031."
    pub window_text: String,
    /// Other dates and limits: a local inspection, a longest interval that was applied.
    pub notes: Vec<String>,
    /// How the tank fills; `None` when there is no forecast.
    pub curve: Option<FillCurve>,
    /// The tank today and at the due date, in this order; more tanks follow in pairs.
    pub tanks: Vec<TankPicture>,
    /// Words for the layers in the pictures, in the order they are listed.
    pub legend: Vec<(LayerKind, String)>,
    /// Lids and risers.
    pub lids: TextBlock,
    /// What was found and done.
    pub found: TextBlock,
    /// The work with what it costs, the total first.
    pub work: TextBlock,
    /// Cautions: kept longest when room is short.
    pub cautions: TextBlock,
    /// Who signed, or a line to sign on; `None` for neither.
    pub signature: Option<Signature>,
    /// Technician, date of the visit, rule set: set small at the foot, one line each.
    pub footer: Vec<String>,
    /// "… and {} more" with the number's place marked by `{}`.
    pub more_text: String,
}

/// A heading with lines under it; nothing is drawn when there are no lines.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TextBlock {
    /// Heading.
    pub heading: String,
    /// One entry each; long ones wrap.
    pub lines: Vec<String>,
}

/// One tank in section with words under it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TankPicture {
    /// What it shows: "Today, before pumping".
    pub caption: String,
    /// What stands in it: "scum 4 in, sludge 14 in".
    pub detail: String,
    /// The drawing.
    pub scene: SectionScene,
}

/// How the tank fills with time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FillCurve {
    /// In order of time.
    pub points: Vec<FillPoint>,
    /// Solids at which the tank is due.
    pub limit_litres: f64,
    /// Words for the limit: "full enough to pump".
    pub limit_text: String,
    /// Years from the start of the curve to the date shown.
    pub due_years: f64,
    /// The date at the marker, short.
    pub due_text: String,
    /// Years to the early and the late end of the window.
    pub window_years: Option<(f64, f64)>,
    /// Years to today with its word, when the curve did not start today.
    pub today: Option<(f64, String)>,
    /// Labels under the axis.
    pub axis: Vec<(f64, String)>,
}

/// Solids in the tank at one time, litres, at three odds.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct FillPoint {
    /// Years from the start of the curve.
    pub years: f64,
    /// Low end of the band.
    pub low_litres: f64,
    /// As likely more as less.
    pub middle_litres: f64,
    /// High end of the band.
    pub high_litres: f64,
}

/// A signature.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Signature {
    /// Words under the line: "Signed for".
    pub label: String,
    /// Name typed with it.
    pub name: String,
    /// Strokes of the finger, in any unit; empty for a line to sign on paper.
    pub strokes: Vec<Vec<(f64, f64)>>,
}

pub(crate) const INK: &str = "#14201B";
/// Secondary text.
pub(crate) const QUIET: &str = "#3F4C46";
/// Panels.
pub(crate) const PAPER: &str = "#F6F3EA";
pub(crate) const WHITE: &str = "#FFFFFF";
pub(crate) const RULE: &str = "#CFCBBF";
const SKY: &str = "#E7EEEC";
const BAND: &str = "#EACB8E";
const SLUDGE: &str = "#3A322A";
/// The marking pink, for lines.
pub(crate) const PINK: &str = "#D6006C";
/// The marking pink darkened, for words.
pub(crate) const PINK_TEXT: &str = "#A00050";

/// Colour of a layer, with the width of its line when it is one.
const fn colour(kind: LayerKind) -> (&'static str, f64) {
    match kind {
        LayerKind::Soil => ("#7A5638", 0.0),
        LayerKind::Turf => ("#4C7A36", 0.0),
        LayerKind::Concrete => ("#B9B6AD", 0.0),
        LayerKind::Air => (PAPER, 0.0),
        LayerKind::Scum => ("#D9A441", 0.0),
        LayerKind::Clear => ("#BFDCE3", 0.0),
        LayerKind::Sludge => (SLUDGE, 0.0),
        LayerKind::Device | LayerKind::Pipe => ("#1E7A3C", 0.0),
        LayerKind::Lid => ("#7F7C75", 0.0),
        LayerKind::Riser => ("#55655E", 0.0),
        LayerKind::Limit => (PINK, 1.3),
        LayerKind::OutletLine => (INK, 0.5),
        LayerKind::Hatch => (WHITE, 1.1),
    }
}

/// How much may be said.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Plan {
    /// Size of the type against the normal one.
    type_scale: f64,
    /// Lines each sentence may wrap to.
    sentence_lines: usize,
    /// Lines each entry of a list may wrap to.
    entry_lines: usize,
    /// Lines each caution may wrap to.
    caution_lines: usize,
    cautions: usize,
    lids: usize,
    found: usize,
    notes: usize,
}

impl Plan {
    /// So little that it fits any page, however long the texts.
    const LEAST: Self = Self {
        type_scale: 0.86,
        sentence_lines: 1,
        entry_lines: 1,
        caution_lines: 1,
        cautions: 3,
        lids: 1,
        found: 1,
        notes: 1,
    };

    const fn all(type_scale: f64) -> Self {
        let (lines, entries) = (30, 60);
        Self {
            type_scale,
            sentence_lines: lines,
            entry_lines: lines,
            caution_lines: lines,
            cautions: entries,
            lids: entries,
            found: entries,
            notes: entries,
        }
    }

    /// The same with a little more of one thing, most important first.
    const fn steps(self) -> [Self; 7] {
        [
            Self {
                caution_lines: self.caution_lines + 1,
                ..self
            },
            Self {
                sentence_lines: self.sentence_lines + 1,
                ..self
            },
            Self {
                cautions: self.cautions + 1,
                ..self
            },
            Self {
                lids: self.lids + 1,
                ..self
            },
            Self {
                found: self.found + 1,
                ..self
            },
            Self {
                entry_lines: self.entry_lines + 1,
                ..self
            },
            Self {
                notes: self.notes + 1,
                ..self
            },
        ]
    }

    /// Returns the plan that says the most beside the smallest drawings.
    fn choose(data: &CardData, page: PageSize, height: f64) -> Self {
        let sheet = (page, height);
        let fits = |plan: &Self| Layout::compose(data, sheet, *plan, Room::between(0.0, page)).spare() >= 0.0;
        if let Some(plan) = [1.0, 0.94, 0.88].map(Self::all).into_iter().find(fits) {
            return plan;
        }
        let mut plan = Self::LEAST;
        // A little more of each in turn, so that no long list starves the others.
        for _ in 0..6 {
            for step in 0..plan.steps().len() {
                plan = plan.steps().get(step).copied().filter(fits).unwrap_or(plan);
            }
        }
        plan
    }
}

/// Heights that give way.
#[derive(Clone, Copy, Debug)]
struct Room {
    curve: f64,
    tank: f64,
    gap: f64,
}

impl Room {
    /// From the smallest drawings that can still be read to the largest that are of use.
    fn between(part: f64, page: PageSize) -> Self {
        let most_tank = if page == PageSize::Phone { 150.0 } else { 215.0 };
        Self {
            curve: 84.0 + part * 76.0,
            tank: 62.0 + part * (most_tank - 62.0),
            gap: GAP,
        }
    }
}

/// Lays the card out.
///
/// Never fails: texts that cannot be written are marked, lines that cannot fit are counted in words.
#[must_use]
pub fn lay_out(data: &CardData, page: PageSize) -> CardPage {
    let data = cleaned(data);
    let page_width = page.points().0;
    let middling = |height: &&f64| {
        Layout::compose(&data, (page, **height), Plan::all(1.0), Room::between(0.4, page)).spare() >= 0.0
    };
    let heights = page.heights();
    let page_height = heights
        .iter()
        .find(middling)
        .or(heights.last())
        .copied()
        .unwrap_or(page.points().1);
    let sheet = (page, page_height);
    let plan = Plan::choose(&data, page, page_height);
    let compose = |part| Layout::compose(&data, sheet, plan, Room::between(part, page));
    let (mut part, mut chosen) = (0.0_f64, compose(0.0));
    // The largest drawings that still fit, then air between the parts.
    for step in [1.0, 0.5, 0.25, 0.125, 0.0625, 0.03125] {
        let larger = compose((part + step).min(1.0));
        if larger.spare() >= 0.0 {
            (part, chosen) = ((part + step).min(1.0), larger);
        }
    }
    let airy = Room {
        gap: GAP + (chosen.spare() / 8.0).clamp(0.0, 13.0),
        ..Room::between(part, page)
    };
    let aired = Layout::compose(&data, sheet, plan, airy);
    if aired.spare() >= 0.0 {
        chosen = aired;
    }
    CardPage {
        left_out: chosen.left_out,
        ..chosen.ink.page(&data.title, &data.language, (page_width, page_height))
    }
}

/// The same card with every text fit for XML and for the typeface, and with lists of a length that can be laid out.
fn cleaned(data: &CardData) -> CardData {
    let one = |text: &String| lettering::clean(text);
    let all = |texts: &[String]| {
        texts
            .iter()
            .map(one)
            .filter(|text| !text.is_empty())
            .collect::<Vec<_>>()
    };
    let block = |block: &TextBlock| TextBlock {
        heading: one(&block.heading),
        lines: all(&block.lines),
    };
    let tag = |c: &char| c.is_ascii_alphanumeric() || *c == '-';
    CardData {
        language: data.language.chars().filter(tag).take(35).collect(),
        title: one(&data.title),
        company: one(&data.company),
        company_lines: all(&data.company_lines),
        site_lines: all(&data.site_lines),
        date_label: one(&data.date_label),
        date_text: one(&data.date_text),
        in_text: one(&data.in_text),
        chance_text: one(&data.chance_text),
        reason_text: one(&data.reason_text),
        window_text: one(&data.window_text),
        notes: all(&data.notes),
        curve: data.curve.as_ref().map(|curve| FillCurve {
            limit_text: one(&curve.limit_text),
            due_text: one(&curve.due_text),
            today: curve.today.as_ref().map(|(years, text)| (*years, one(text))),
            axis: curve
                .axis
                .iter()
                .take(100)
                .map(|(years, text)| (*years, one(text)))
                .collect(),
            ..curve.clone()
        }),
        tanks: data
            .tanks
            .iter()
            .map(|tank| TankPicture {
                caption: one(&tank.caption),
                detail: one(&tank.detail),
                scene: tank.scene.clone(),
            })
            .collect(),
        legend: data.legend.iter().map(|(kind, text)| (*kind, one(text))).collect(),
        lids: block(&data.lids),
        found: block(&data.found),
        work: block(&data.work),
        cautions: block(&data.cautions),
        signature: data.signature.as_ref().map(|signature| Signature {
            label: one(&signature.label),
            name: one(&signature.name),
            strokes: signature.strokes.clone(),
        }),
        footer: all(&data.footer),
        more_text: one(&data.more_text),
    }
}

/// A place on the page.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Frame {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) width: f64,
    pub(crate) height: f64,
}

/// How a line of type looks.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Type {
    pub(crate) size: f64,
    pub(crate) weight: Weight,
    pub(crate) colour: &'static str,
}

impl Type {
    pub(crate) const fn new(size: f64, weight: Weight, colour: &'static str) -> Self {
        Self { size, weight, colour }
    }

    pub(crate) fn leading(self) -> f64 {
        self.size * 1.28
    }

    pub(crate) fn width(self, text: &str) -> f64 {
        width(text, self.weight, self.size)
    }
}

/// Which end of a line stands at the given x.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// SVG under construction.
#[derive(Debug, Default)]
pub(crate) struct Ink {
    svg: String,
    clips: u32,
}

impl Ink {
    pub(crate) fn put(&mut self, piece: std::fmt::Arguments<'_>) {
        // Writing to a String cannot fail.
        if self.svg.write_fmt(piece).is_err() {
            self.svg.clear();
        }
    }

    /// One line with its top at `y`.
    pub(crate) fn line(&mut self, x: f64, y: f64, kind: Type, anchor: Anchor, text: &str) {
        if text.is_empty() {
            return;
        }
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        self.put(format_args!(
            "<text x=\"{x:.2}\" y=\"{:.2}\" font-size=\"{:.2}\" font-weight=\"{}\" fill=\"{}\"{anchor}>{}</text>",
            y + kind.size * 0.95,
            kind.size,
            kind.weight.css(),
            kind.colour,
            escape(text),
        ));
    }

    /// Wrapped text with its top at `y`; returns its height.
    pub(crate) fn text(&mut self, x: f64, y: f64, room: f64, kind: Type, most: usize, text: &str) -> f64 {
        let lines = wrap(text, kind.weight, kind.size, room, most);
        let mut down = 0.0;
        for line in lines {
            self.line(x, y + down, kind, Anchor::Start, &line);
            down += kind.leading();
        }
        down
    }

    pub(crate) fn rectangle(&mut self, at: Frame, radius: f64, fill: &str) {
        self.put(format_args!(
            "<rect x=\"{:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"{:.2}\" rx=\"{radius}\" fill=\"{fill}\"/>",
            at.x,
            at.y,
            at.width.max(0.0),
            at.height.max(0.0)
        ));
    }

    pub(crate) fn path(&mut self, commands: &str, fill: &str, stroke: Option<(&str, f64)>) {
        if commands.is_empty() {
            return;
        }
        let stroke = stroke.map_or_else(String::new, |(colour, width)| {
            format!(
                " stroke=\"{colour}\" stroke-width=\"{width:.2}\" stroke-linecap=\"round\" stroke-linejoin=\"round\""
            )
        });
        self.put(format_args!("<path d=\"{commands}\" fill=\"{fill}\"{stroke}/>"));
    }

    /// Puts everything drawn on a sheet of its own.
    pub(crate) fn page(self, title: &str, language: &str, (width_pt, height_pt): (f64, f64)) -> CardPage {
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" xml:lang=\"{}\" width=\"{width_pt}\" height=\"{height_pt}\" \
             viewBox=\"0 0 {width_pt} {height_pt}\" font-family=\"{FAMILY}\"><title>{}</title>\
             <rect width=\"{width_pt}\" height=\"{height_pt}\" fill=\"{WHITE}\"/>{}</svg>",
            escape(language),
            escape(title),
            self.svg,
        );
        CardPage {
            svg,
            title: title.to_owned(),
            language: language.to_owned(),
            width_pt,
            height_pt,
            left_out: 0,
        }
    }

    /// Everything until [`Self::unclip`] stays inside a rounded frame.
    fn clip(&mut self, at: Frame, radius: f64) {
        self.clips += 1;
        let id = self.clips;
        self.put(format_args!("<clipPath id=\"c{id}\">"));
        self.rectangle(at, radius, "#000");
        self.put(format_args!("</clipPath><g clip-path=\"url(#c{id})\">"));
    }

    fn unclip(&mut self) {
        self.put(format_args!("</g>"));
    }
}

/// A composed page and how much height is left.
#[derive(Debug)]
struct Layout<'a> {
    data: &'a CardData,
    page: PageSize,
    height: f64,
    plan: Plan,
    room: Room,
    ink: Ink,
    y: f64,
    limit_y: f64,
    left_out: usize,
}

const MARGIN: f64 = 42.0;
/// Least air between the parts of the page.
const GAP: f64 = 11.0;
const LIMIT_WORDS: Type = Type::new(10.5, Weight::SemiBold, PINK_TEXT);
/// The date is never set larger.
const LARGEST_DATE: f64 = 74.0;

impl<'a> Layout<'a> {
    fn compose(data: &'a CardData, (page, height): (PageSize, f64), plan: Plan, room: Room) -> Self {
        let mut layout = Self {
            data,
            page,
            height,
            plan,
            room,
            ink: Ink::default(),
            y: 34.0,
            limit_y: 0.0,
            left_out: 0,
        };
        if page == PageSize::Phone {
            layout.y = 20.0;
        }
        layout.limit_y = layout.footer();
        layout.letterhead();
        layout.date();
        layout.why();
        layout.tanks();
        layout.lists();
        layout.closing();
        layout
    }

    fn spare(&self) -> f64 {
        self.limit_y - self.y
    }

    fn margin(&self) -> f64 {
        if self.page == PageSize::Phone { 22.0 } else { MARGIN }
    }

    fn inner_width(&self) -> f64 {
        self.page.points().0 - 2.0 * self.margin()
    }

    fn right(&self) -> f64 {
        self.margin() + self.inner_width()
    }

    fn kind(&self, size: f64, weight: Weight, colour: &'static str) -> Type {
        Type::new(size * self.plan.type_scale, weight, colour)
    }

    /// Sets the foot of the page and returns the height where it begins.
    fn footer(&mut self) -> f64 {
        let kind = Type::new(8.5, Weight::Regular, QUIET);
        let bottom = self.height - if self.page == PageSize::Phone { 16.0 } else { 30.0 };
        let room = self.inner_width();
        // Short lines run on after one another; what does not fit in three rows is counted.
        let joined = self.data.footer.join("  ·  ");
        let lines = wrap(&joined, kind.weight, kind.size, room, 3);
        let top = bottom - count(lines.len()) * kind.leading();
        for (n, line) in lines.iter().enumerate() {
            self.ink.line(
                self.margin(),
                top + count(n) * kind.leading(),
                kind,
                Anchor::Start,
                line,
            );
        }
        if lines.is_empty() {
            return bottom;
        }
        self.ink.rectangle(
            Frame {
                x: self.margin(),
                y: top - 6.0,
                width: room,
                height: 0.6,
            },
            0.0,
            RULE,
        );
        top - 14.0
    }

    fn letterhead(&mut self) {
        let (left, right, half) = (self.margin(), self.right(), self.inner_width() / 2.0 - 10.0);
        let name = Type::new(13.0, Weight::Bold, INK);
        let small = Type::new(9.5, Weight::Regular, QUIET);
        let site = Type::new(11.0, Weight::SemiBold, INK);
        let data = self.data;
        let mut down = 0.0;
        let mut depth = 0.0;
        for line in wrap(&self.data.company, name.weight, name.size, half, 2) {
            self.ink.line(left, self.y + down, name, Anchor::Start, &line);
            down += name.leading();
        }
        for line in self.fold_all(&data.company_lines, 3) {
            let line = shorten(&line, small.weight, small.size, half);
            self.ink.line(left, self.y + down, small, Anchor::Start, &line);
            down += small.leading();
        }

        for (n, line) in self.fold_all(&data.site_lines, 4).iter().enumerate() {
            let kind = if n == 0 { site } else { small };
            let line = shorten(line, kind.weight, kind.size, half);
            // Two points down, so that both first lines stand on one base line.
            self.ink.line(
                right,
                self.y + depth + if n == 0 { 1.9 } else { 2.6 },
                kind,
                Anchor::End,
                &line,
            );
            depth += kind.leading();
        }

        self.y += down.max(depth + 2.6) + 5.0;
        self.ink.rectangle(
            Frame {
                x: left,
                y: self.y,
                width: self.inner_width(),
                height: 1.6,
            },
            0.0,
            INK,
        );
        self.y += self.room.gap + 3.0;
    }

    /// The date, as large as the page lets it be.
    fn date(&mut self) {
        let (left, room) = (self.margin(), self.inner_width());
        let label = self.kind(17.0, Weight::Regular, INK);
        self.y += self.ink.text(left, self.y, room, label, 2, &self.data.date_label);
        let largest = LARGEST_DATE * self.plan.type_scale;
        let at_largest = width(&self.data.date_text, Weight::Bold, largest);
        let one_line = largest * (room / at_largest.max(1.0)).min(1.0);
        // A sentence in place of a date would become tiny on one line: it wraps instead.
        let size = if one_line >= 34.0 { one_line } else { 30.0 };
        let kind = Type::new(size, Weight::Bold, INK);
        let lines = if one_line >= 34.0 { 1 } else { 3 };
        // Figures and capitals leave air above and below that a title does not need.
        self.y -= size * 0.06;
        for line in wrap(&self.data.date_text, kind.weight, kind.size, room + 0.5, lines) {
            self.ink.line(left - size * 0.03, self.y, kind, Anchor::Start, &line);
            self.y += size * 1.17;
        }
        let away = self.kind(15.0, Weight::Regular, QUIET);
        self.y += self.ink.text(left, self.y, room, away, 2, &self.data.in_text);
        self.y += self.room.gap + 2.0;
    }

    /// Why: the sentences, with the fill curve beside them.
    fn why(&mut self) {
        let (left, room) = (self.margin(), self.inner_width());
        let curve = self.data.curve.as_ref().filter(|curve| curve.can_be_drawn());
        let narrow = self.page == PageSize::Phone;
        let text_room = if curve.is_none() || narrow { room } else { room * 0.4 };
        let top = self.y;
        let loud = self.kind(14.0, Weight::SemiBold, INK);
        let plain = self.kind(12.0, Weight::Regular, INK);
        let mut y = top;
        let lines = self.plan.sentence_lines;
        for (kind, text) in [
            (loud, &self.data.chance_text),
            (plain, &self.data.reason_text),
            (plain, &self.data.window_text),
        ] {
            if !text.is_empty() {
                y += self.ink.text(left, y, text_room, kind, lines, text) + 5.0;
            }
        }
        let note = self.kind(11.0, Weight::Regular, QUIET);
        let data = self.data;
        for text in &self.fold_all(&data.notes, self.plan.notes) {
            y += self.ink.text(left, y, text_room, note, lines, text) + 4.0;
        }
        if let Some(curve) = curve {
            let at = if narrow {
                Frame {
                    x: left,
                    y: y + 2.0,
                    width: room,
                    height: self.room.curve,
                }
            } else {
                let x = left + text_room + 20.0;
                Frame {
                    x,
                    y: top,
                    width: self.right() - x,
                    height: self.room.curve.max(y - top - 5.0),
                }
            };
            draw_curve(&mut self.ink, curve, at);
            y = y.max(at.y + at.height);
        }
        if y > top {
            self.y = y + self.room.gap;
        }
    }

    /// Entries that are shown, and the line that counts the rest.
    fn fold(&mut self, entries: &[String], most: usize) -> (Vec<String>, Option<String>) {
        let rest = entries.len().saturating_sub(most);
        if rest == 0 {
            return (entries.to_vec(), None);
        }
        self.left_out += rest;
        let more = if self.data.more_text.contains("{}") {
            self.data.more_text.replace("{}", &rest.to_string())
        } else {
            format!("… +{rest}")
        };
        (entries.iter().take(most).cloned().collect(), Some(more))
    }

    /// At most `most` lines, the last of them counting what is left.
    fn fold_all(&mut self, entries: &[String], most: usize) -> Vec<String> {
        let shown = if entries.len() > most {
            most.saturating_sub(1).max(1)
        } else {
            most
        };
        let (mut lines, more) = self.fold(entries, shown);
        lines.extend(more);
        lines
    }

    fn tanks(&mut self) {
        let pictures = &self.data.tanks;
        let most = if self.page == PageSize::Phone { 2 } else { 4 };
        let shown = pictures.len().min(most);
        if shown == 0 {
            return;
        }
        self.left_out += pictures.len() - shown;
        let gap = 16.0;
        let each = (self.inner_width() - gap * (count(shown) - 1.0)) / count(shown);
        let caption = self.kind(12.0, Weight::SemiBold, INK);
        let detail = self.kind(10.5, Weight::Regular, QUIET);
        // Two pictures leave room for their words beside them, which makes the pictures larger.
        let column = each * 0.34 - 10.0;
        let fits = |text: &str, kind: Type, lines| wrap(text, kind.weight, kind.size, column, lines + 1).len() <= lines;
        let beside = shown < 3
            && self.page != PageSize::Phone
            && pictures
                .iter()
                .all(|p| fits(&p.caption, caption, 3) && fits(&p.detail, detail, 4));
        let high = self.room.tank.min(each * 1.1);
        let wide = if beside { (each * 0.66).min(high * 1.75) } else { each };
        let draw = |picture: &TankPicture, height_px| {
            tank_section(
                &picture.scene,
                Area {
                    width_px: wide,
                    height_px,
                },
            )
        };
        // No more soil under the tanks than the deepest of them needs.
        let needed = pictures
            .iter()
            .take(shown)
            .map(|picture| draw(picture, high).needed_height_px);
        let high = needed.fold(0.0, f64::max).min(high);
        let mut deepest = 0.0_f64;
        for (n, picture) in pictures.iter().take(shown).enumerate() {
            let x = self.margin() + count(n) * (each + gap);
            let at = Frame {
                x,
                y: self.y,
                width: wide,
                height: high,
            };
            let drawing = draw(picture, high);
            draw_section(&mut self.ink, &drawing, at);
            let (text_x, text_room, lines, top) = if beside {
                (x + wide + 10.0, each - wide - 10.0, 3, 2.0)
            } else {
                (x, each, 2, high + 6.0)
            };
            let mut down = top;
            down += self
                .ink
                .text(text_x, at.y + down, text_room, caption, lines, &picture.caption);
            if beside && down > top {
                down += 3.0;
            }
            down += self
                .ink
                .text(text_x, at.y + down, text_room, detail, lines + 1, &picture.detail);
            deepest = deepest.max(down).max(high);
        }
        self.y += deepest;
        self.legend();
        if pictures.len() > shown {
            let (_, more) = self.fold(&vec![String::new(); pictures.len() - shown], 0);
            self.left_out -= pictures.len() - shown;
            self.y += self.ink.text(
                self.margin(),
                self.y,
                self.inner_width(),
                detail,
                1,
                &more.unwrap_or_default(),
            );
        }
        self.y += self.room.gap;
    }

    /// Swatches with words, so that no layer is known by its colour alone; eight of them fill two rows at most.
    fn legend(&mut self) {
        let kind = self.kind(9.5, Weight::Regular, QUIET);
        let (swatch, mut x) = (8.0, self.margin());
        let mut row = 0.0;
        for (layer, text) in self.data.legend.iter().take(8).filter(|entry| !entry.1.is_empty()) {
            let text = &shorten(text, kind.weight, kind.size, self.inner_width() / 4.0 - swatch - 21.0);
            let long = swatch + 5.0 + kind.width(text);
            if x + long > self.right() && x > self.margin() {
                x = self.margin();
                row += kind.leading() + 1.0;
            }
            let top = self.y + 5.0 + row;
            let (fill, stroke) = colour(*layer);
            if stroke > 0.0 {
                let middle = top + swatch / 2.0 + 1.0;
                let dashes = format!("M{x:.2} {middle:.2}h3M{:.2} {middle:.2}h3", x + 5.0);
                self.ink.path(&dashes, "none", Some((fill, stroke + 0.3)));
            } else {
                self.ink.rectangle(
                    Frame {
                        x,
                        y: top + 1.0,
                        width: swatch,
                        height: swatch,
                    },
                    1.5,
                    fill,
                );
            }
            self.ink.line(x + swatch + 5.0, top, kind, Anchor::Start, text);
            x += long + 16.0;
        }
        if x > self.margin() {
            self.y += 5.0 + row + kind.leading();
        }
    }

    fn lists(&mut self) {
        let data = self.data;
        let blocks = [
            (&data.lids, self.plan.lids),
            (&data.found, self.plan.found),
            (&data.work, self.plan.found),
        ];
        let blocks: Vec<_> = blocks
            .into_iter()
            .filter(|(block, _)| !block.lines.is_empty())
            .collect();
        if blocks.is_empty() {
            return;
        }
        let narrow = self.page == PageSize::Phone;
        let gap = 24.0;
        let columns = if narrow { 1.0 } else { count(blocks.len()) };
        let each = (self.inner_width() - gap * (columns - 1.0)) / columns;
        let top = self.y;
        let mut deepest = 0.0_f64;
        for (n, (block, most)) in blocks.into_iter().enumerate() {
            let (x, y) = if narrow {
                (self.margin(), top + if n == 0 { 0.0 } else { deepest + 6.0 })
            } else {
                (self.margin() + count(n) * (each + gap), top)
            };
            let end = self.block(block, x, y, each, self.plan.entry_lines, most) - top;
            deepest = deepest.max(end);
        }
        self.y = top + deepest + self.room.gap;
    }

    /// A heading with its entries; returns where it ends.
    fn block(&mut self, block: &TextBlock, x: f64, mut y: f64, room: f64, lines: usize, most: usize) -> f64 {
        let heading = self.kind(12.0, Weight::Bold, INK);
        let entry = self.kind(11.0, Weight::Regular, INK);
        y += self.ink.text(x, y, room, heading, lines.min(2), &block.heading) + 1.5;
        let (shown, more) = self.fold(&block.lines, most);
        for text in &shown {
            let dot = Frame {
                x,
                y: y + entry.size * 0.52,
                width: 3.4,
                height: 3.4,
            };
            self.ink.rectangle(dot, 0.6, QUIET);
            y += self.ink.text(x + 10.0, y, room - 10.0, entry, lines, text) + 1.5;
        }
        if let Some(more) = more {
            let kind = Type { colour: QUIET, ..entry };
            y += self.ink.text(x + 10.0, y, room - 10.0, kind, 1, &more) + 1.5;
        }
        y
    }

    /// Cautions, with the signature beside them.
    fn closing(&mut self) {
        let narrow = self.page == PageSize::Phone;
        let top = self.y;
        let has_cautions = !self.data.cautions.lines.is_empty();
        let mut end = top;
        let signature_width = if has_cautions && !narrow {
            self.inner_width() * 0.34
        } else {
            220.0
        };
        if has_cautions {
            let beside = self.data.signature.is_some() && !narrow;
            let wide = self.inner_width() - if beside { signature_width + 22.0 } else { 0.0 };
            // The panel is painted before its words, so its words are set once to learn its height.
            let (mark, clips, left_out) = (self.ink.svg.len(), self.ink.clips, self.left_out);
            let (x, data, plan) = (self.margin() + 16.0, self.data, self.plan);
            let set = |layout: &mut Self| {
                layout.block(
                    &data.cautions,
                    x,
                    top + 10.0,
                    wide - 28.0,
                    plan.caution_lines,
                    plan.cautions,
                )
            };
            let bottom = set(self) + 8.0;
            self.ink.svg.truncate(mark);
            (self.ink.clips, self.left_out) = (clips, left_out);
            let panel = Frame {
                x: self.margin(),
                y: top,
                width: wide,
                height: bottom - top,
            };
            self.ink.rectangle(panel, 6.0, PAPER);
            self.ink.rectangle(Frame { width: 4.0, ..panel }, 0.0, PINK);
            set(self);
            end = bottom;
        }
        if let Some(signature) = &self.data.signature {
            let (x, y) = if narrow {
                (self.margin(), end + 8.0)
            } else {
                (self.right() - signature_width, top)
            };
            let kind = self.kind(9.5, Weight::Regular, QUIET);
            let name = self.kind(9.5, Weight::SemiBold, INK);
            // The words under the line end level with the cautions.
            let rows = [(name, &signature.name), (kind, &signature.label)];
            let row = |(kind, text): &(Type, &String)| {
                count(wrap(text, kind.weight, kind.size, signature_width, 2).len()) * kind.leading()
            };
            let under = rows.iter().map(row).sum::<f64>() + 4.0;
            let high = if narrow { 34.0 } else { 46.0_f64.max(end - top - under) };
            let at = Frame {
                x,
                y,
                width: signature_width,
                height: high,
            };
            draw_strokes(&mut self.ink, &signature.strokes, at);
            self.ink.rectangle(
                Frame {
                    y: y + high,
                    height: 0.8,
                    ..at
                },
                0.0,
                INK,
            );
            let mut down = y + high + 4.0;
            for (kind, text) in rows {
                down += self.ink.text(x, down, signature_width, kind, 2, text);
            }
            end = end.max(down);
        }
        self.y = end;
    }
}

impl FillCurve {
    fn can_be_drawn(&self) -> bool {
        self.drawable().len() > 1 && self.limit_litres.is_finite() && self.limit_litres > 0.0
    }

    fn drawable(&self) -> Vec<FillPoint> {
        let fits = |value: f64| (0.0..1.0e9).contains(&value);
        let whole =
            |p: &&FillPoint| fits(p.years) && fits(p.low_litres) && fits(p.middle_litres) && fits(p.high_litres);
        let mut points: Vec<FillPoint> = self.points.iter().filter(whole).copied().collect();
        points.sort_by(|a, b| a.years.total_cmp(&b.years));
        points
    }
}

fn polyline(points: impl Iterator<Item = (f64, f64)>) -> String {
    let mut commands = String::new();
    for (n, (x, y)) in points.enumerate() {
        if write!(commands, "{}{x:.2} {y:.2}", if n == 0 { 'M' } else { 'L' }).is_err() {
            commands.clear();
        }
    }
    commands
}

fn draw_curve(ink: &mut Ink, curve: &FillCurve, at: Frame) {
    let points = curve.drawable();
    let finite = |years: f64| {
        if years.is_finite() {
            years.clamp(0.0, 1.0e9)
        } else {
            0.0
        }
    };
    let due = finite(curve.due_years);
    let last = points.last().map_or(1.0, |p| p.years).max(due).max(1e-6);
    let highest = points.iter().map(|p| p.high_litres).fold(0.0, f64::max);
    let limit = curve.limit_litres;
    let top_litres = highest.clamp(limit * 1.12, limit * 1.5);
    let early = curve.window_years.map_or(due, |(early, _)| finite(early).min(due));
    // The limit's words stand on its line at the left, where the tank is still empty. When it fills too soon for
    // that they go on top, with a piece of the line before them.
    let on_line = LIMIT_WORDS.width(&curve.limit_text) < early / last * (at.width - 28.0);
    let inset = if on_line { 12.0 } else { 24.0 };
    let plot = Frame {
        x: at.x + 14.0,
        y: at.y + inset,
        width: at.width - 28.0,
        height: (at.height - inset - 24.0).max(1.0),
    };
    let base = plot.y + plot.height;
    let x = |years: f64| plot.x + finite(years) / last * plot.width;
    let y = |litres: f64| base - litres / top_litres * plot.height;

    ink.rectangle(at, 6.0, PAPER);
    let over = if on_line { 12.0 } else { 4.0 };
    ink.clip(
        Frame {
            height: plot.height + over,
            y: plot.y - over,
            x: plot.x,
            width: plot.width,
        },
        0.0,
    );
    let up = points.iter().map(|p| (x(p.years), y(p.low_litres)));
    let back = points.iter().rev().map(|p| (x(p.years), y(p.high_litres)));
    let band = polyline(up.chain(back));
    ink.path(&format!("{band}Z"), BAND, None);
    let middle = polyline(points.iter().map(|p| (x(p.years), y(p.middle_litres))));
    ink.path(&middle, "none", Some((SLUDGE, 2.2)));
    ink.unclip();

    ink.rectangle(
        Frame {
            x: plot.x,
            y: base,
            width: plot.width,
            height: 0.8,
        },
        0.0,
        INK,
    );
    if let Some((early, late)) = curve.window_years {
        let (from, to) = (x(early.min(late)), x(early.max(late)).min(plot.x + plot.width));
        ink.rectangle(
            Frame {
                x: from,
                y: base - 1.6,
                width: to - from,
                height: 4.0,
            },
            2.0,
            SLUDGE,
        );
    }
    draw_limit(ink, curve, at, plot, (x(due), y(limit)), on_line);
    axis(ink, curve, plot, at, due, last);
}

/// The limit with its words, and the mark where the date meets it.
fn draw_limit(ink: &mut Ink, curve: &FillCurve, at: Frame, plot: Frame, (due_x, limit_y): (f64, f64), on_line: bool) {
    let base = plot.y + plot.height;
    let mut dashes = String::new();
    let mut dash = plot.x;
    while dash < plot.x + plot.width {
        if write!(
            dashes,
            "M{dash:.2} {limit_y:.2}H{:.2}",
            (dash + 5.0).min(plot.x + plot.width)
        )
        .is_err()
        {
            break;
        }
        dash += 8.5;
    }
    ink.path(&dashes, "none", Some((PINK, 1.4)));
    ink.rectangle(
        Frame {
            x: due_x - 1.0,
            y: limit_y,
            width: 2.0,
            height: base - limit_y,
        },
        0.0,
        INK,
    );
    ink.put(format_args!(
        "<circle cx=\"{due_x:.2}\" cy=\"{limit_y:.2}\" r=\"4.6\" fill=\"{INK}\"/>"
    ));

    let words = LIMIT_WORDS;
    let text = shorten(&curve.limit_text, words.weight, words.size, plot.width - 22.0);
    if on_line {
        ink.line(
            plot.x,
            (limit_y - words.size * 1.35).max(at.y),
            words,
            Anchor::Start,
            &text,
        );
    } else {
        let (from, y) = (plot.x, at.y + 11.5);
        ink.path(&format!("M{from:.2} {y:.2}h6m3 0h6"), "none", Some((PINK, 1.6)));
        ink.line(from + 21.0, at.y + 5.0, words, Anchor::Start, &text);
    }
}

/// Labels under the axis: the due date first, then today, then whichever of the others do not touch them.
fn axis(ink: &mut Ink, curve: &FillCurve, plot: Frame, at: Frame, due: f64, last: f64) {
    let plain = Type::new(9.5, Weight::Regular, QUIET);
    let bold = Type::new(9.5, Weight::Bold, INK);
    let mut wanted = vec![(due, curve.due_text.as_str(), bold)];
    wanted.extend(curve.today.iter().map(|(years, text)| (*years, text.as_str(), plain)));
    let firm = wanted.len();
    wanted.extend(curve.axis.iter().map(|(years, text)| (*years, text.as_str(), plain)));
    let mut taken: Vec<(f64, f64)> = Vec::new();
    for (n, (years, text, kind)) in wanted.into_iter().enumerate() {
        if !(0.0..=last).contains(&years) || text.is_empty() {
            continue;
        }
        let half = kind.width(text) / 2.0;
        let (from, to) = (at.x + 4.0 + half, at.x + at.width - 4.0 - half);
        if from > to {
            continue;
        }
        let mark = plot.x + years / last * plot.width;
        let touches = |middle: f64| {
            taken
                .iter()
                .find(|(left, right)| middle - half < right + 6.0 && middle + half > left - 6.0)
                .copied()
        };
        let mut middle = mark.clamp(from, to);
        if let (true, Some((left, right))) = (n < firm, touches(middle)) {
            // Today may step aside from the due date, to its own side of it.
            middle = if years <= due {
                left - 6.5 - half
            } else {
                right + 6.5 + half
            };
        }
        if touches(middle).is_some() || !(from..=to).contains(&middle) {
            continue;
        }
        taken.push((middle - half, middle + half));
        let base = plot.y + plot.height;
        ink.rectangle(
            Frame {
                x: mark - 0.4,
                y: base,
                width: 0.8,
                height: 4.5,
            },
            0.0,
            INK,
        );
        ink.line(middle, base + 7.0, kind, Anchor::Middle, text);
    }
}

fn draw_section(ink: &mut Ink, drawing: &SectionDrawing, at: Frame) {
    ink.clip(at, 6.0);
    ink.rectangle(at, 0.0, SKY);
    ink.put(format_args!("<g transform=\"translate({:.2} {:.2})\">", at.x, at.y));
    for layer in &drawing.layers {
        let (colour, line) = colour(layer.kind);
        if layer.kind.is_stroke() {
            ink.path(&layer.commands, "none", Some((colour, line)));
        } else {
            ink.path(&layer.commands, colour, None);
        }
    }
    ink.put(format_args!("</g>"));
    ink.unclip();
}

/// The signature in its own proportions, as large as its place allows.
fn draw_strokes(ink: &mut Ink, strokes: &[Vec<(f64, f64)>], at: Frame) {
    let usable = |p: &&(f64, f64)| p.0.abs() < 1.0e6 && p.1.abs() < 1.0e6;
    let points = || strokes.iter().flatten().filter(usable);
    let (left, right) = (
        points().map(|p| p.0).fold(f64::MAX, f64::min),
        points().map(|p| p.0).fold(f64::MIN, f64::max),
    );
    let (top, bottom) = (
        points().map(|p| p.1).fold(f64::MAX, f64::min),
        points().map(|p| p.1).fold(f64::MIN, f64::max),
    );
    if !(right >= left && bottom >= top) {
        return;
    }
    let place = Frame {
        x: at.x + 6.0,
        y: at.y + 4.0,
        width: at.width - 12.0,
        height: at.height - 8.0,
    };
    let scale = (place.width / (right - left).max(1e-3))
        .min(place.height / (bottom - top).max(1e-3))
        .min(10.0);
    let slack = (place.height - (bottom - top) * scale) / 2.0;
    for stroke in strokes {
        let inked = stroke.iter().filter(usable);
        let mut commands =
            polyline(inked.map(|p| (place.x + (p.0 - left) * scale, place.y + slack + (p.1 - top) * scale)));
        if !commands.is_empty() && !commands.contains('L') {
            // A dot of ink.
            commands.push_str("h0.1");
        }
        ink.path(&commands, "none", Some((INK, 1.5)));
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;

    /// Relative luminance and contrast as WCAG 2.2 defines them (success criterion 1.4.6 asks 7:1).
    fn contrast(a: &str, b: &str) -> f64 {
        let luminance = |hex: &str| {
            let channel = |at: usize| {
                let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
                if value <= 0.04045 {
                    value / 12.92
                } else {
                    ((value + 0.055) / 1.055).powf(2.4)
                }
            };
            0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
        };
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn every_text_stands_out_seven_to_one() {
        for ground in [WHITE, PAPER] {
            for text in [INK, QUIET, PINK_TEXT] {
                let ratio = contrast(text, ground);
                assert!(ratio >= 7.0, "{text} on {ground}: {ratio:.2}");
            }
        }
    }
}
