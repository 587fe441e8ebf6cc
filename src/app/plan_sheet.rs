//! The site's plan on one sheet: drawn to scale, with the tape ties in a table, to find every lid again without a phone.
//!
//! [`YardPlan`] is plain data; [`sheet`] words and draws it in one person's language and units.

mod drawing;
mod shapes;

use crate::app::card::{Anchor, CardPage, Frame, INK, Ink, PINK_TEXT, PageSize, QUIET, RULE, Type};
use crate::domain::locate::Position;
use crate::domain::locate::fix::PinKind;
pub use crate::domain::locate::plan::{LineKind, PlanLine, PlanMark, PlanTie, YardPlan};
use crate::domain::locate::plane::{Ellipse, Point};
use crate::domain::locate::yard::METRES_PER_FOOT;
use crate::domain::record::{Language, Units};
use crate::domain::units::{MM_PER_INCH, round_to_i64};
use crate::say::figures::Figures;
use crate::say::lettering::{self, Weight, count, shorten, wrap};

/// The most marks and ties each that one sheet shows; what is more is counted in words.
const MOST_ROWS: usize = 40;

/// A place farther than this from the plan's origin, m, is a slip and not drawn.
const FARTHEST_M: f64 = 1.0e6;

const MARGIN: f64 = 36.0;

/// The sheet a person with these units prints on.
#[must_use]
pub const fn page_for(units: Units) -> PageSize {
    match units {
        Units::UsCustomary => PageSize::Letter,
        Units::Metric => PageSize::A4,
    }
}

/// Writes an error: feet over a yard, inches below; metres, centimetres below a tenth.
fn error_text(figures: Figures, error_m: f64) -> String {
    let words = figures.words;
    match figures.units {
        Units::UsCustomary if error_m >= 3.0 * METRES_PER_FOOT => {
            words.f("± {0} ft", &[&format!("{:.0}", error_m / METRES_PER_FOOT)])
        }
        Units::UsCustomary => words.f(
            "± {0} in",
            &[&format!("{:.0}", (error_m * 1000.0 / MM_PER_INCH).ceil().max(1.0))],
        ),
        Units::Metric if error_m >= 1.0 => format!("± {error_m:.1} m"),
        Units::Metric => format!("± {:.0} cm", (error_m * 100.0).ceil().max(1.0)),
    }
}

fn residual_text(figures: Figures, residual_m: f64) -> String {
    let mm = round_to_i64(residual_m * 1000.0).unwrap_or(0);
    let text = figures.mm(mm);
    if mm > 0 && !text.starts_with('0') {
        format!("+{text}")
    } else {
        text
    }
}

fn position_text(position: Position) -> String {
    format!("{:.7}, {:.7}", position.latitude_deg(), position.longitude_deg())
}

/// What a kind of place is called.
#[must_use]
pub fn kind_text(kind: PinKind) -> &'static str {
    match kind {
        PinKind::TankLid => "tank lid",
        PinKind::Cleanout => "cleanout",
        PinKind::SewerExit => "sewer exit",
        PinKind::HouseCorner => "house corner",
        PinKind::DistributionBox => "distribution box",
        PinKind::FieldEnd => "field end",
        PinKind::Well => "well",
        PinKind::Obstacle => "obstacle",
        PinKind::TruckParking => "truck parking",
        PinKind::HosePath => "hose path",
        PinKind::Landmark => "point",
    }
}

/// The usual cautions before a rod or a spade goes in; sources in docs/probing.md.
const CAUTIONS: [&str; 3] = [
    "Call before you dig or probe: 811 in the US, two to three working days ahead; elsewhere the number of your country.",
    "Private lines are not marked: ask, then dig by hand near any mark.",
    "The tank can kill: never enter it, and never leave a lid open or unattended.",
];

/// A cell of a table: its left edge, its room and its text.
struct Cell {
    x: f64,
    room: f64,
    text: String,
    weight: Weight,
    anchor: Anchor,
}

impl Cell {
    fn lines(&self, setting: Setting) -> Vec<String> {
        wrap(&self.text, self.weight, setting.size, self.room, setting.lines)
    }
}

/// One row of a table.
struct Row {
    kind: Option<PinKind>,
    cells: Vec<Cell>,
}

/// How large a table is set, and how many lines a cell may take.
#[derive(Clone, Copy)]
struct Setting {
    size: f64,
    lines: usize,
}

impl Setting {
    /// From what reads well to what still holds the most rows.
    const ALL: [(f64, usize); 10] = [
        (9.5, 2),
        (9.0, 2),
        (8.5, 2),
        (8.0, 2),
        (7.5, 2),
        (7.0, 2),
        (7.0, 1),
        (6.5, 1),
        (6.0, 1),
        (5.5, 1),
    ];

    fn room_for(self, text: &str) -> f64 {
        lettering::width(text, Weight::Bold, self.size) + 1.0
    }

    fn leading(self) -> f64 {
        self.size * 1.2
    }
}

/// A table with its heading, laid out in one setting.
struct Table {
    x: f64,
    width: f64,
    setting: Setting,
    heading: String,
    rows: Vec<Row>,
}

impl Table {
    const HEADING: f64 = 16.0;

    fn row_height(&self, row: &Row) -> f64 {
        let most = row.cells.iter().map(|cell| cell.lines(self.setting).len()).max();
        count(most.unwrap_or(1).max(1)) * self.setting.leading() + 2.2
    }

    fn height(&self) -> f64 {
        if self.rows.is_empty() {
            return 0.0;
        }
        Self::HEADING + 2.0 + self.rows.iter().map(|row| self.row_height(row)).sum::<f64>()
    }

    fn set(&self, ink: &mut Ink, top: f64) {
        if self.rows.is_empty() {
            return;
        }
        let heading = Type::new(10.0, Weight::Bold, INK);
        let text = shorten(&self.heading, heading.weight, heading.size, self.width);
        ink.line(self.x, top, heading, Anchor::Start, &text);
        let mut y = top + Self::HEADING;
        for row in &self.rows {
            let rule = Frame {
                x: self.x,
                y,
                width: self.width,
                height: 0.4,
            };
            ink.rectangle(rule, 0.0, RULE);
            if let Some(kind) = row.kind {
                drawing::symbol(ink, kind, (self.x + 5.5, y + 1.4 + self.setting.size * 0.6));
            }
            for cell in &row.cells {
                let kind = Type::new(self.setting.size, cell.weight, INK);
                let x = if cell.anchor == Anchor::End {
                    cell.x + cell.room
                } else {
                    cell.x
                };
                for (index, line) in cell.lines(self.setting).iter().enumerate() {
                    ink.line(
                        x,
                        y + 1.4 + count(index) * self.setting.leading(),
                        kind,
                        cell.anchor,
                        line,
                    );
                }
            }
            y += self.row_height(row);
        }
    }
}

/// The plan with every text fit for the page, every place finite, every mark with a letter of its own.
fn cleaned(plan: &YardPlan) -> (YardPlan, usize) {
    let sound = |at: &Point| at.is_finite() && at.length_m() < FARTHEST_M;
    let kept: Vec<usize> = plan
        .marks
        .iter()
        .enumerate()
        .filter(|(_, mark)| sound(&mark.at))
        .map(|(index, _)| index)
        .take(MOST_ROWS)
        .collect();
    let marks: Vec<PlanMark> = kept
        .iter()
        .zip(1..)
        .filter_map(|(index, number)| Some((plan.marks.get(*index)?, number)))
        .map(|(mark, number): (&PlanMark, usize)| {
            let letter = lettering::clean(&mark.letter).chars().take(4).collect::<String>();
            let axis = |axis_m: f64| {
                if axis_m.is_finite() {
                    axis_m.clamp(0.0, FARTHEST_M)
                } else {
                    0.0
                }
            };
            PlanMark {
                letter: if letter.is_empty() { number.to_string() } else { letter },
                name: lettering::clean(&mark.name),
                ellipse: Ellipse {
                    major_m: axis(mark.ellipse.major_m),
                    minor_m: axis(mark.ellipse.minor_m),
                    bearing_deg: if mark.ellipse.bearing_deg.is_finite() {
                        mark.ellipse.bearing_deg
                    } else {
                        0.0
                    },
                },
                ..mark.clone()
            }
        })
        .collect();
    let place_of = |index: usize| kept.iter().position(|kept| *kept == index);
    let ties: Vec<PlanTie> = plan
        .ties
        .iter()
        .filter_map(|tie| {
            Some(PlanTie {
                from: place_of(tie.from)?,
                to: place_of(tie.to)?,
                residual_m: tie.residual_m.filter(|off| off.is_finite()),
                ..*tie
            })
        })
        .take(MOST_ROWS)
        .collect();
    let left_out = plan.marks.len() - marks.len() + plan.ties.len() - ties.len();
    let texts = |texts: &[String], most: usize| {
        texts
            .iter()
            .map(|text| lettering::clean(text))
            .filter(|text| !text.is_empty())
            .take(most)
            .collect()
    };
    let cleaned = YardPlan {
        site_lines: texts(&plan.site_lines, 4),
        date: plan.date,
        north_deg: plan.north_deg.filter(|deg| deg.is_finite()),
        house: plan.house.iter().copied().filter(sound).collect(),
        lines: plan
            .lines
            .iter()
            .map(|line| PlanLine {
                kind: line.kind,
                points: line.points.iter().copied().filter(sound).collect(),
            })
            .filter(|line| line.points.len() > 1)
            .collect(),
        marks,
        ties,
        notes: texts(&plan.notes, 4),
    };
    (cleaned, left_out)
}

fn marks_table(plan: &YardPlan, figures: Figures, (x, width): (f64, f64), setting: Setting) -> Table {
    let words = figures.words;
    let has_positions = plan.marks.iter().any(|mark| mark.position.is_some());
    let position_room = if has_positions {
        setting.room_for("-88.0000000, -188.0000000")
    } else {
        0.0
    };
    let errors: Vec<String> = plan
        .marks
        .iter()
        .map(|mark| error_text(figures, mark.error_m()))
        .collect();
    let error_room = errors
        .iter()
        .map(|text| setting.room_for(text))
        .fold(0.0, f64::max)
        .min(70.0);
    let letters = plan.marks.iter().map(|mark| setting.room_for(&mark.letter));
    let letter_room = letters.fold(10.0, f64::max).min(26.0);
    let letter_x = x + 14.0;
    let name_x = letter_x + letter_room + 4.0;
    let name_room = x + width - position_room - error_room - 12.0 - name_x;
    let cell = |x, room, text, weight, anchor| Cell {
        x,
        room,
        text,
        weight,
        anchor,
    };
    let row = |(mark, error): (&PlanMark, String)| {
        let kind = words.t(kind_text(mark.kind));
        let says_itself = matches!(mark.kind, PinKind::HouseCorner | PinKind::Landmark);
        let name = if mark.name.is_empty() || mark.name == kind {
            kind
        } else if says_itself {
            mark.name.clone()
        } else {
            words.f("{0}, {1}", &[&mark.name, &kind])
        };
        let mut cells = vec![
            cell(letter_x, letter_room, mark.letter.clone(), Weight::Bold, Anchor::Start),
            cell(name_x, name_room, name, Weight::Regular, Anchor::Start),
            cell(
                name_x + name_room + 4.0,
                error_room,
                error,
                Weight::Regular,
                Anchor::End,
            ),
        ];
        if has_positions {
            let text = mark.position.map_or_else(|| words.t("no position"), position_text);
            let position_x = x + width - position_room;
            cells.push(cell(position_x, position_room, text, Weight::Regular, Anchor::End));
        }
        Row {
            kind: Some(mark.kind),
            cells,
        }
    };
    Table {
        x,
        width,
        setting,
        heading: if has_positions {
            words.t("Places, error, latitude and longitude (WGS 84)")
        } else {
            words.t("Places and their error; no positions, the plan stands on tape")
        },
        rows: plan.marks.iter().zip(errors).map(row).collect(),
    }
}

fn ties_table(plan: &YardPlan, figures: Figures, (x, width): (f64, f64), setting: Setting) -> Table {
    let words = figures.words;
    let distances: Vec<String> = plan.ties.iter().map(|tie| figures.tape(tie.distance)).collect();
    let off = |tie: &PlanTie| {
        tie.residual_m
            .map(|off| residual_text(figures, off))
            .unwrap_or_default()
    };
    let room = |texts: &mut dyn Iterator<Item = String>| {
        texts.map(|text| setting.room_for(&text)).fold(0.0, f64::max).min(80.0)
    };
    let distance_room = room(&mut distances.iter().cloned());
    let off_room = room(&mut plan.ties.iter().map(off));
    let name_room = (width - distance_room - off_room - 16.0) / 2.0;
    let name = |index: usize| {
        plan.marks.get(index).map_or_else(String::new, |mark| {
            let own = if mark.name.is_empty() {
                words.t(kind_text(mark.kind))
            } else {
                mark.name.clone()
            };
            words.f("{0} {1}", &[&mark.letter, &own])
        })
    };
    let cell = |x, room, text, weight, anchor| Cell {
        x,
        room,
        text,
        weight,
        anchor,
    };
    let row = |(tie, distance): (&PlanTie, String)| {
        let from_x = x + name_room + 6.0;
        let distance_x = from_x + name_room + 4.0;
        Row {
            kind: None,
            cells: vec![
                cell(x, name_room, name(tie.to), Weight::Regular, Anchor::Start),
                cell(from_x, name_room, name(tie.from), Weight::Regular, Anchor::Start),
                cell(distance_x, distance_room, distance, Weight::Bold, Anchor::End),
                cell(x + width - off_room, off_room, off(tie), Weight::Regular, Anchor::End),
            ],
        }
    };
    Table {
        x,
        width,
        setting,
        heading: words.t("Tapes: to, from, length, how far off the plan"),
        rows: plan.ties.iter().zip(distances).map(row).collect(),
    }
}

/// Sets what stands at the foot: notes, cautions, what the sheet is not. Returns where it begins.
fn foot(ink: &mut Ink, plan: &YardPlan, figures: Figures, (width, height): (f64, f64), left_out: usize) -> f64 {
    let words = figures.words;
    let caution = Type::new(9.0, Weight::SemiBold, PINK_TEXT);
    let quiet = Type::new(8.0, Weight::Regular, QUIET);
    let mut lines: Vec<(Type, String)> = Vec::new();
    let mut add = |kind: Type, text: &str, most: usize| {
        for line in wrap(text, kind.weight, kind.size, width, most) {
            lines.push((kind, line));
        }
    };
    for note in &plan.notes {
        add(Type::new(9.0, Weight::Regular, INK), note, 2);
    }
    if left_out > 0 {
        add(
            quiet,
            &words.n(
                "{0} line is left out: there is no room",
                "{0} lines are left out: there is no room",
                left_out,
            ),
            1,
        );
    }
    for text in CAUTIONS {
        add(caution, &words.t(text), 2);
    }
    add(
        quiet,
        &words.t("Made by tape and phone to find lids again; not a survey, and nothing to set a boundary or a building by. Local rules go before it."),
        2,
    );
    let all: f64 = lines.iter().map(|(kind, _)| kind.leading()).sum();
    let top = height - 30.0 - all;
    let mut y = top;
    for (kind, line) in &lines {
        ink.line(MARGIN, y, *kind, Anchor::Start, line);
        y += kind.leading();
    }
    top - 6.0
}

/// Sets the head of the sheet; returns where it ends.
fn head(ink: &mut Ink, plan: &YardPlan, figures: Figures, width: f64) -> f64 {
    let words = figures.words;
    let first = Type::new(14.0, Weight::Bold, INK);
    let small = Type::new(9.5, Weight::Regular, QUIET);
    let half = width / 2.0 - 8.0;
    let (mut left, mut right) = (30.0, 30.0);
    for (index, line) in plan.site_lines.iter().enumerate() {
        let kind = if index == 0 { first } else { small };
        ink.line(
            MARGIN,
            left,
            kind,
            Anchor::Start,
            &shorten(line, kind.weight, kind.size, half),
        );
        left += kind.leading();
    }
    for (kind, line) in [(first, words.t("Site plan")), (small, figures.date(plan.date))] {
        let line = shorten(&line, kind.weight, kind.size, half);
        ink.line(MARGIN + width, right, kind, Anchor::End, &line);
        right += kind.leading();
    }
    left.max(right) + 4.0
}

/// Lays the sheet out in one person's language and units.
///
/// Never fails: names too long for their place end in an ellipsis, and what is more than a sheet holds is counted in
/// words.
#[must_use]
pub fn sheet(plan: &YardPlan, figures: Figures, page: PageSize) -> CardPage {
    let (page_width, page_height) = page.points();
    let (plan, left_out) = cleaned(plan);
    let width = page_width - 2.0 * MARGIN;
    let mut ink = Ink::default();
    let top = head(&mut ink, &plan, figures, width);
    let bottom = foot(&mut ink, &plan, figures, (width, page_height), left_out);

    // Two tables side by side; where there are no ties the places have the whole width.
    let gap = 14.0;
    let places_width = if plan.ties.is_empty() {
        width
    } else {
        width * 0.56 - gap / 2.0
    };
    let ties_width = width * 0.44 - gap / 2.0;
    let tables = |(size, lines)| {
        let setting = Setting { size, lines };
        [
            marks_table(&plan, figures, (MARGIN, places_width), setting),
            ties_table(&plan, figures, (MARGIN + width - ties_width, ties_width), setting),
        ]
    };
    let height = |tables: &[Table; 2]| tables.iter().map(Table::height).fold(0.0, f64::max);
    let most = (bottom - top) * 0.56;
    let [.., least] = Setting::ALL;
    let chosen = Setting::ALL
        .into_iter()
        .map(tables)
        .find(|tables| height(tables) <= most)
        .unwrap_or_else(|| tables(least));
    let tables_top = bottom - height(&chosen) - 8.0;
    for table in &chosen {
        table.set(&mut ink, tables_top);
    }
    let frame = Frame {
        x: MARGIN,
        y: top,
        width,
        height: tables_top - 10.0 - top,
    };
    drawing::draw(&mut ink, &plan, figures, frame);

    let title = figures.words.f(
        "{0}: site plan",
        &[plan.site_lines.first().map_or("Lidmark", String::as_str)],
    );
    CardPage {
        left_out,
        ..ink.page(
            &title,
            language_tag(figures.words.language()),
            (page_width, page_height),
        )
    }
}

/// The language of a page, as in BCP 47.
const fn language_tag(language: Language) -> &'static str {
    match language {
        Language::English => "en-US",
        Language::Spanish => "es-US",
    }
}
