//! The hauled-waste record on paper: names and values in two columns, signatures, as many pages as it takes.
//!
//! Every text arrives finished; nothing is worded here.

use std::fmt::Write as _;

use crate::say::lettering::{self, FAMILY, Weight, count, wrap};
use crate::say::paper::{CardPage, PageSize, escape};

/// One record.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WastePage {
    /// Language of all texts, as in BCP 47.
    pub language: String,
    /// Title of the document, never printed.
    pub title: String,
    /// Large, at the top of each page.
    pub heading: String,
    /// Names and values.
    pub groups: Vec<PageGroup>,
    /// Signatures, side by side.
    pub signatures: Vec<PageSignature>,
    /// Sentences at the end.
    pub notes: Vec<String>,
    /// Small, at the foot of each page.
    pub footer: String,
}

/// Lines under a heading.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PageGroup {
    /// The heading.
    pub heading: String,
    /// The lines.
    pub lines: Vec<PageLine>,
}

/// A name and its value.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PageLine {
    /// The name.
    pub name: String,
    /// The value.
    pub value: String,
    /// Asked for and not known: set heavier.
    pub missing: bool,
}

/// A signature.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PageSignature {
    /// Whose, under the line.
    pub label: String,
    /// The name typed with it.
    pub name: String,
    /// Strokes of the finger, in any unit.
    pub strokes: Vec<Vec<(f64, f64)>>,
}

const MARGIN: f64 = 48.0;
const NAME_WIDTH: f64 = 170.0;
const TYPE: f64 = 9.5;
const LEADING: f64 = 12.0;
const INK: &str = "#14201B";
const QUIET: &str = "#3F4C46";
const RULE: &str = "#CFCBBF";

struct Sheets<'a> {
    page: &'a WastePage,
    size: (f64, f64),
    done: Vec<String>,
    svg: String,
    y: f64,
}

/// Lays a record out.
#[must_use]
pub fn lay_out(page: &WastePage, size: PageSize) -> Vec<CardPage> {
    let (width_pt, height_pt) = size.points();
    let mut sheets = Sheets {
        page,
        size: (width_pt, height_pt),
        done: Vec::new(),
        svg: String::new(),
        y: 0.0,
    };
    sheets.begin();
    for group in page.groups.iter().filter(|group| !group.lines.is_empty()) {
        sheets.room(3.0 * LEADING);
        sheets.y += 6.0;
        sheets.text(MARGIN, 11.0, Weight::Bold, INK, &group.heading);
        sheets.y += LEADING + 2.0;
        sheets.rule();
        for line in &group.lines {
            sheets.line(line);
        }
    }
    sheets.signatures();
    sheets.y += 4.0;
    let room = width_pt - 2.0 * MARGIN;
    for note in &page.notes {
        for line in wrap(&lettering::clean(note), Weight::Regular, 9.0, room, 30) {
            sheets.room(12.0);
            sheets.text(MARGIN, 9.0, Weight::Regular, QUIET, &line);
            sheets.y += 12.0;
        }
    }
    let Sheets { mut done, svg, .. } = sheets;
    done.push(svg);
    let pages = done.len();
    done.into_iter()
        .enumerate()
        .map(|(place, body)| {
            let mut foot = String::new();
            let number = if pages > 1 { format!("  ·  {}/{pages}", place + 1) } else { String::new() };
            put(
                &mut foot,
                MARGIN,
                height_pt - 30.0,
                (8.5, Weight::Regular, QUIET),
                &format!("{}{number}", lettering::clean(&page.footer)),
            );
            CardPage {
                svg: format!(
                    "<svg xmlns=\"http://www.w3.org/2000/svg\" xml:lang=\"{}\" width=\"{width_pt}\" height=\"{height_pt}\" \
                     viewBox=\"0 0 {width_pt} {height_pt}\" font-family=\"{FAMILY}\"><title>{}</title>\
                     <rect width=\"{width_pt}\" height=\"{height_pt}\" fill=\"#FFFFFF\"/>{body}{foot}</svg>",
                    escape(&page.language),
                    escape(&lettering::clean(&page.title)),
                ),
                title: lettering::clean(&page.title),
                language: page.language.clone(),
                width_pt,
                height_pt,
                left_out: 0,
            }
        })
        .collect()
}

fn put(svg: &mut String, x: f64, top: f64, (size, weight, colour): (f64, Weight, &str), text: &str) {
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        "<text x=\"{x:.2}\" y=\"{:.2}\" font-size=\"{size:.2}\" font-weight=\"{}\" fill=\"{colour}\">{}</text>",
        top + size * 0.95,
        weight.css(),
        escape(text)
    );
}

impl Sheets<'_> {
    fn begin(&mut self) {
        self.y = 40.0;
        let heading = lettering::clean(&self.page.heading);
        self.text(MARGIN, 18.0, Weight::Bold, INK, &heading);
        self.y += 26.0;
    }

    /// Begins another page when so much does not fit on this one.
    fn room(&mut self, height: f64) {
        if self.y + height > self.size.1 - 44.0 {
            self.done.push(std::mem::take(&mut self.svg));
            self.begin();
        }
    }

    fn text(&mut self, x: f64, size: f64, weight: Weight, colour: &str, text: &str) {
        put(&mut self.svg, x, self.y, (size, weight, colour), text);
    }

    fn rule(&mut self) {
        let _ = write!(
            self.svg,
            "<rect x=\"{MARGIN}\" y=\"{:.2}\" width=\"{:.2}\" height=\"0.7\" fill=\"{RULE}\"/>",
            self.y,
            self.size.0 - 2.0 * MARGIN
        );
        self.y += 4.0;
    }

    fn line(&mut self, line: &PageLine) {
        let weight = if line.missing { Weight::Bold } else { Weight::SemiBold };
        let names = wrap(
            &lettering::clean(&line.name),
            Weight::Regular,
            TYPE,
            NAME_WIDTH - 10.0,
            3,
        );
        let room = self.size.0 - 2.0 * MARGIN - NAME_WIDTH;
        let values = wrap(&lettering::clean(&line.value), weight, TYPE, room, 60);
        for place in 0..names.len().max(values.len()) {
            self.room(LEADING);
            if let Some(name) = names.get(place) {
                self.text(MARGIN, TYPE, Weight::Regular, QUIET, name);
            }
            if let Some(value) = values.get(place) {
                self.text(MARGIN + NAME_WIDTH, TYPE, weight, INK, value);
            }
            self.y += LEADING;
        }
        self.y += 0.8;
    }

    fn signatures(&mut self) {
        let list = &self.page.signatures;
        if list.is_empty() {
            return;
        }
        self.room(76.0);
        self.y += 6.0;
        let width = (self.size.0 - 2.0 * MARGIN) / count(list.len().max(3));
        for (place, signature) in list.iter().enumerate() {
            let x = MARGIN + width * count(place);
            let path = strokes(signature, x, self.y, (width - 16.0, 40.0));
            let _ = write!(
                self.svg,
                "<path d=\"{path}\" fill=\"none\" stroke=\"{INK}\" stroke-width=\"1.2\" stroke-linecap=\"round\" \
                 stroke-linejoin=\"round\"/><rect x=\"{x:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"0.7\" fill=\"{INK}\"/>",
                self.y + 43.0,
                width - 16.0
            );
            let label = lettering::shorten(&lettering::clean(&signature.label), Weight::Regular, 8.5, width - 16.0);
            let name = lettering::shorten(&lettering::clean(&signature.name), Weight::SemiBold, 9.0, width - 16.0);
            put(&mut self.svg, x, self.y + 46.0, (8.5, Weight::Regular, QUIET), &label);
            put(&mut self.svg, x, self.y + 57.0, (9.0, Weight::SemiBold, INK), &name);
        }
        self.y += 68.0;
    }
}

/// Strokes as a path that fits a box, in their own proportions.
fn strokes(signature: &PageSignature, x: f64, y: f64, (width, height): (f64, f64)) -> String {
    let points = signature.strokes.iter().flatten();
    let (mut left, mut right, mut top, mut bottom) = (f64::MAX, f64::MIN, f64::MAX, f64::MIN);
    for (px, py) in points {
        (left, right) = (left.min(*px), right.max(*px));
        (top, bottom) = (top.min(*py), bottom.max(*py));
    }
    let scale = (width / (right - left).max(1.0)).min(height / (bottom - top).max(1.0));
    let mut path = String::new();
    for stroke in &signature.strokes {
        for (place, (px, py)) in stroke.iter().enumerate() {
            let pen = if place == 0 { 'M' } else { 'L' };
            // Writing to a String cannot fail.
            let _ = write!(
                path,
                "{pen}{:.2} {:.2}",
                x + (px - left) * scale,
                y + (py - top) * scale
            );
        }
    }
    path
}
