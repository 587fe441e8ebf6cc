//! The door card as files, and the section drawing, judged by tools and formulas that are not the project's.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

mod sample;

use std::f64::consts::PI;
use std::process::Command;

use lidmark::app::card::{CardData, CardPage, PageSize, TextBlock, lay_out};
use lidmark::app::section::{Area, CompartmentScene, LayerKind, SectionScene, SectionShape, tank_section};
use lidmark::domain::reading::Reading;
use lidmark::domain::tank::{Compartment, DipRow, TankShape};
use lidmark::domain::units::{Length, Volume};
use lidmark::say::paper::{PHONE_WIDTH_PX, pdf, png, read_svg};
use proptest::prelude::*;
use resvg::usvg;

const SIZES: [PageSize; 3] = [PageSize::Letter, PageSize::A4, PageSize::Phone];

/// Runs one of poppler's tools on a PDF; without them nothing is checked, so their absence fails.
pub fn poppler(tool: &str, arguments: &[&str], pdf: &[u8]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("card.pdf");
    std::fs::write(&path, pdf).unwrap();
    let mut command = Command::new(tool);
    if tool == "pdftotext" {
        command.args(arguments).arg(&path).arg("-");
    } else {
        command.args(arguments).arg(&path);
    }
    let output = command.output().unwrap_or_else(|error| {
        panic!("{tool} cannot be run ({error}); install Debian's poppler-utils, this test means nothing without it")
    });
    assert!(
        output.status.success(),
        "{tool}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(
        output.stderr.is_empty(),
        "{tool} complains: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap()
}

/// Every text of the page with its box, in the order it is set.
pub fn texts(page: &CardPage) -> Vec<(String, f32, usvg::Rect)> {
    fn walk(group: &usvg::Group, found: &mut Vec<(String, f32, usvg::Rect)>) {
        for node in group.children() {
            match node {
                usvg::Node::Group(group) => walk(group, found),
                usvg::Node::Text(text) => {
                    let chunk = &text.chunks()[0];
                    let size = chunk.spans()[0].font_size().get();
                    found.push((chunk.text().to_owned(), size, text.abs_bounding_box()));
                }
                usvg::Node::Path(_) | usvg::Node::Image(_) => {}
            }
        }
    }
    let mut found = Vec::new();
    walk(read_svg(&page.svg).unwrap().root(), &mut found);
    found
}

pub fn assert_nothing_overlaps_or_leaves(page: &CardPage, size: PageSize) {
    let (width, height) = (page.width_pt, page.height_pt);
    let texts = texts(page);
    let boxes: Vec<[f64; 4]> = texts
        .iter()
        .map(|(_, _, b)| [b.left(), b.top(), b.right(), b.bottom()].map(f64::from))
        .collect();
    for (text, [left, top, right, bottom]) in texts.iter().zip(&boxes) {
        let inside = *left >= 10.0 && *top >= 5.0 && *right <= width - 10.0 && *bottom <= height - 5.0;
        assert!(
            inside,
            "{size:?}: {:?} leaves the page: {left} {top} {right} {bottom}",
            text.0
        );
    }
    for (n, a) in boxes.iter().enumerate() {
        for (m, b) in boxes.iter().enumerate().skip(n + 1) {
            // The boxes reach from ascender to descender of the face; the letters fill about 70 % of that.
            let (slack_a, slack_b) = (0.15 * (a[3] - a[1]), 0.15 * (b[3] - b[1]));
            let apart = a[2] <= b[0] + 0.5
                || b[2] <= a[0] + 0.5
                || a[3] - slack_a <= b[1] + slack_b
                || b[3] - slack_b <= a[1] + slack_a;
            assert!(
                apart,
                "{size:?}: {:?} and {:?} overlap: {a:?} {b:?}",
                texts[n].0, texts[m].0
            );
        }
    }
}

/// Every finished text of a card but those that may be left out of the axis and the legend.
fn said(data: &CardData) -> Vec<String> {
    let mut all = vec![
        data.company.clone(),
        data.date_label.clone(),
        data.date_text.clone(),
        data.in_text.clone(),
        data.chance_text.clone(),
        data.reason_text.clone(),
        data.window_text.clone(),
        data.lids.heading.clone(),
        data.found.heading.clone(),
        data.cautions.heading.clone(),
    ];
    for lines in [&data.company_lines, &data.site_lines, &data.notes, &data.footer] {
        all.extend(lines.iter().cloned());
    }
    for block in [&data.lids, &data.found, &data.cautions] {
        all.extend(block.lines.iter().cloned());
    }
    all.extend(
        data.tanks
            .iter()
            .flat_map(|tank| [tank.caption.clone(), tank.detail.clone()]),
    );
    all.extend(data.legend.iter().map(|(_, text)| text.clone()));
    all.extend(data.signature.iter().flat_map(|s| [s.name.clone(), s.label.clone()]));
    all.extend(data.curve.iter().map(|curve| curve.limit_text.clone()));
    all
}

#[test]
fn the_pdf_is_one_page_of_the_exact_size_with_title_and_language() {
    for data in [sample::english(), sample::spanish()] {
        for size in SIZES {
            let page = lay_out(&data, size);
            if size != PageSize::Phone {
                assert_eq!((page.width_pt, page.height_pt), size.points());
            }
            let bytes = pdf(&page).unwrap();
            // Oracle: lopdf, which shares no code with the writer.
            let document = lopdf::Document::load_mem(&bytes).unwrap();
            let pages = document.get_pages();
            assert_eq!(pages.len(), 1);
            let (width, height) = (page.width_pt, page.height_pt);
            let sheet = document.get_dictionary(pages[&1]).unwrap();
            let media: Vec<f64> = sheet
                .get(b"MediaBox")
                .unwrap()
                .as_array()
                .unwrap()
                .iter()
                .map(|side| f64::from(side.as_float().unwrap()))
                .collect();
            for (found, wanted) in media.iter().zip([0.0, 0.0, width, height]) {
                assert!((found - wanted).abs() < 1e-3, "{media:?}");
            }
            let language = document.catalog().unwrap().get(b"Lang").unwrap().as_str().unwrap();
            assert_eq!(language, data.language.as_bytes());
            // Oracle: poppler.
            let information = poppler("pdfinfo", &[], &bytes);
            assert!(
                information.contains(&format!("Title:           {}", data.title)),
                "{information}"
            );
            assert!(
                information.contains(&format!("Page size:       {width} x {height} pts")),
                "{information}"
            );
        }
    }
}

#[test]
fn every_font_is_embedded_and_the_text_is_text_with_its_accents() {
    let data = sample::spanish();
    for size in SIZES {
        let bytes = pdf(&lay_out(&data, size)).unwrap();
        let fonts = poppler("pdffonts", &[], &bytes);
        let rows: Vec<&str> = fonts.lines().skip(2).collect();
        assert_eq!(rows.len(), 3, "{fonts}");
        for row in rows {
            assert!(row.contains("AtkinsonHyperlegibleNext"), "{row}");
            // The columns emb, sub, uni: embedded, a subset, with a map back to characters.
            assert!(row.contains(" yes yes yes "), "{row}");
        }
        let text = poppler("pdftotext", &["-layout"], &bytes);
        for words in [
            "mayo de 2029",
            "Ñandú",
            "Familia Núñez",
            "dentro de 2 años y 6 meses",
            "Técnico",
        ] {
            assert!(text.contains(words), "{words} is not in\n{text}");
        }
    }
}

#[test]
fn the_picture_is_a_png_as_wide_as_asked_in_the_shape_of_the_page() {
    for size in SIZES {
        let page = lay_out(&sample::english(), size);
        let picture =
            image::load_from_memory_with_format(&png(&page, PHONE_WIDTH_PX).unwrap(), image::ImageFormat::Png);
        let picture = picture.unwrap().to_rgb8();
        let (width, height) = (page.width_pt, page.height_pt);
        assert_eq!(picture.width(), 1_080);
        assert!((f64::from(picture.height()) - 1_080.0 * height / width).abs() <= 1.0);
        // Corners are blank paper, and ink is on it: the date's colour is somewhere in the upper half.
        assert_eq!(picture.get_pixel(0, 0).0, [255, 255, 255]);
        let half = picture.height() / 2;
        let inked = picture
            .enumerate_pixels()
            .filter(|(_, y, pixel)| *y < half && pixel.0 == [0x14, 0x20, 0x1B]);
        assert!(inked.count() > 5_000);
    }
}

#[test]
fn a_picture_of_no_size_or_of_absurd_size_is_refused() {
    let page = lay_out(&sample::english(), PageSize::Letter);
    for width_px in [0, 1, 8_193, u32::MAX] {
        assert!(png(&page, width_px).is_err());
    }
}

#[test]
fn the_date_is_the_largest_thing_on_every_card() {
    for data in [sample::english(), sample::spanish()] {
        for size in SIZES {
            let texts = texts(&lay_out(&data, size));
            let date = texts.iter().find(|(text, ..)| *text == data.date_text).unwrap().1;
            let others = texts
                .iter()
                .filter(|(text, ..)| *text != data.date_text)
                .map(|(_, size, _)| *size);
            let next = others.fold(0.0, f32::max);
            assert!(date >= 2.0 * next, "{size:?}: {date} against {next}");
        }
    }
}

#[test]
fn an_ordinary_card_says_everything() {
    for data in [sample::english(), sample::spanish()] {
        for size in SIZES {
            let page = lay_out(&data, size);
            assert_eq!(page.left_out, 0);
            let set: Vec<String> = texts(&page).into_iter().map(|(text, ..)| text).collect();
            let joined = set.join(" ").split_whitespace().collect::<Vec<_>>().join(" ");
            for text in said(&data) {
                assert!(joined.contains(&text), "{size:?}: {text:?} is not in {joined}");
            }
        }
    }
}

#[test]
fn nothing_overlaps_or_leaves_the_page() {
    for data in [sample::english(), sample::spanish(), sample::overfull()] {
        for size in SIZES {
            assert_nothing_overlaps_or_leaves(&lay_out(&data, size), size);
        }
    }
}

#[test]
fn what_does_not_fit_is_counted_in_words() {
    for size in SIZES {
        let page = lay_out(&sample::overfull(), size);
        let set = texts(&page);
        let counted: usize = set
            .iter()
            .filter_map(|(text, ..)| {
                text.strip_prefix("… and ")?
                    .strip_suffix(" more")?
                    .parse::<usize>()
                    .ok()
            })
            .sum();
        assert!(counted > 400, "{counted}");
        assert_eq!(counted, page.left_out);
        // The date, the cautions and a line to sign stay.
        assert!(set.iter().any(|(text, ..)| text.starts_with("We cannot give a date")));
        assert!(set.iter().any(|(text, ..)| text == "Please keep safe"));
        assert!(set.iter().any(|(text, ..)| text == "R. Example"));
    }
}

#[test]
fn the_same_card_gives_the_same_bytes() {
    let page = || lay_out(&sample::spanish(), PageSize::A4);
    assert_eq!(pdf(&page()).unwrap(), pdf(&page()).unwrap());
    assert_eq!(png(&page(), 400).unwrap(), png(&page(), 400).unwrap());
}

#[test]
fn a_card_with_nothing_on_it_is_still_a_page() {
    for size in SIZES {
        let bytes = pdf(&lay_out(&CardData::default(), size)).unwrap();
        assert_eq!(lopdf::Document::load_mem(&bytes).unwrap().get_pages().len(), 1);
    }
}

#[test]
fn every_shape_can_stand_on_a_card() {
    for (name, shape) in sample::shapes() {
        let mut data = sample::english();
        for tank in &mut data.tanks {
            tank.scene = sample::scene(vec![sample::compartment(shape.clone(), 102, 356)]);
        }
        let page = lay_out(&data, PageSize::A4);
        assert_eq!(page.left_out, 0, "{name}");
        let bytes = pdf(&page).unwrap();
        assert!(poppler("pdftotext", &[], &bytes).contains("May 2029"), "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn no_text_can_break_the_page(
        words in proptest::collection::vec(any::<String>(), 12),
        numbers in proptest::collection::vec(any::<f64>(), 12),
    ) {
        let mut data = sample::english();
        data.language.clone_from(&words[0]);
        data.title.clone_from(&words[1]);
        data.company.clone_from(&words[2]);
        data.site_lines = words[2..5].to_vec();
        data.date_text.clone_from(&words[5]);
        data.chance_text.clone_from(&words[6]);
        data.notes = words.clone();
        data.lids = TextBlock { heading: words[7].clone(), lines: words.clone() };
        data.footer = words[8..].to_vec();
        data.more_text.clone_from(&words[9]);
        data.signature.as_mut().unwrap().strokes = vec![vec![(numbers[0], numbers[1]), (numbers[2], numbers[3])]];
        let curve = data.curve.as_mut().unwrap();
        curve.limit_text.clone_from(&words[10]);
        curve.limit_litres = numbers[4];
        curve.due_years = numbers[5];
        curve.window_years = Some((numbers[6], numbers[7]));
        curve.axis.push((numbers[8], words[11].clone()));
        curve.points[3].high_litres = numbers[9];
        curve.points[4].years = numbers[10];
        let page = lay_out(&data, PageSize::Letter);
        // Oracle: roxmltree, a conforming XML reader.
        usvg::roxmltree::Document::parse(&page.svg).unwrap();
        prop_assert!(!page.svg.contains("NaN") && !page.svg.contains("inf "));
        assert_nothing_overlaps_or_leaves(&page, PageSize::Letter);
        prop_assert!(pdf(&page).is_ok());
    }
}

/// Area of the polygons in path data, by the shoelace formula.
fn shoelace(commands: &str) -> f64 {
    commands
        .split('Z')
        .filter(|ring| !ring.is_empty())
        .map(|ring| {
            let points: Vec<(f64, f64)> = ring
                .split(['M', 'L'])
                .filter(|pair| !pair.is_empty())
                .map(|pair| pair.split_once(' ').unwrap())
                .map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()))
                .collect();
            let next = points.iter().cycle().skip(1);
            let twice: f64 = points.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum();
            (twice / 2.0).abs()
        })
        .sum()
}

/// Area of a circle's part below a depth, from the formula for the circular segment:
/// `A = r²·acos((r − h)/r) − (r − h)·√(2rh − h²)` (any table of plane geometry).
fn segment(radius: f64, depth: f64) -> f64 {
    let h = depth.clamp(0.0, 2.0 * radius);
    radius * radius * ((radius - h) / radius).acos() - (radius - h) * (2.0 * radius * h - h * h).max(0.0).sqrt()
}

fn area_below(shape: &SectionShape, depth: f64) -> f64 {
    match shape {
        SectionShape::Prism { width_mm } => f64::from(*width_mm) * depth,
        SectionShape::Circle { diameter_mm } => segment(f64::from(*diameter_mm) / 2.0, depth),
        SectionShape::Obround { radius_mm, straight_mm } => {
            let (r, s) = (f64::from(*radius_mm), f64::from(*straight_mm));
            let upper = (depth - r - s).max(0.0);
            segment(r, depth.min(r)) + 2.0 * r * (depth - r).clamp(0.0, s) + segment(r, r + upper) - PI * r * r / 2.0
        }
        SectionShape::Ellipse { height_mm, width_mm } => {
            // An ellipse is a circle of its height, stretched sideways.
            let (a, b) = (f64::from(*width_mm) / 2.0, f64::from(*height_mm) / 2.0);
            segment(b, depth) * a / b
        }
        SectionShape::Profile { rows } => rows
            .windows(2)
            .map(|pair| {
                let [(d0, w0), (d1, w1)] = [pair[0], pair[1]].map(|(d, w)| (f64::from(d), f64::from(w)));
                let top = depth.clamp(d0, d1);
                let width = if d1 > d0 {
                    w0 + (w1 - w0) * (top - d0) / (d1 - d0)
                } else {
                    w0
                };
                w0.midpoint(width) * (top - d0)
            })
            .sum(),
    }
}

#[test]
fn the_drawn_sludge_has_the_area_of_the_real_one_for_every_shape_at_every_depth() {
    for (name, shape) in sample::shapes() {
        let full = shape.full_height_mm().unwrap_or(1_473.0);
        for sludge_mm in (10_u32..1_700).step_by(37) {
            let mut compartment = sample::compartment(shape.clone(), 0, sludge_mm);
            compartment.device = None;
            let drawing = tank_section(
                &sample::scene(vec![compartment]),
                Area {
                    width_px: 4_000.0,
                    height_px: 4_000.0,
                },
            );
            let sludge = drawing
                .layers
                .iter()
                .find(|layer| layer.kind == LayerKind::Sludge)
                .unwrap();
            let drawn = shoelace(&sludge.commands) / drawing.px_per_mm.powi(2);
            let real = area_below(&shape, f64::from(sludge_mm).min(full));
            // One part in a thousand, and half a hundredth of a pixel along the outline.
            let allowed = 1e-3 * real + 0.01 * 8_000.0;
            assert!(
                (drawn - real).abs() <= allowed,
                "{name} at {sludge_mm} mm: drawn {drawn}, real {real}"
            );
        }
    }
}

#[test]
fn scum_clear_and_sludge_fill_the_liquid_and_nothing_twice() {
    for (name, shape) in sample::shapes() {
        for level_mm in [-300, 0, 120] {
            let mut compartment = sample::compartment(shape.clone(), 150, 400);
            compartment.level_mm = level_mm;
            let surface = f64::from(level_mm) + 1_219.0;
            let area = Area {
                width_px: 4_000.0,
                height_px: 4_000.0,
            };
            let drawing = tank_section(&sample::scene(vec![compartment]), area);
            let drawn = |kind| {
                let layers = drawing.layers.iter().filter(|layer| layer.kind == kind);
                layers.map(|layer| shoelace(&layer.commands)).sum::<f64>() / drawing.px_per_mm.powi(2)
            };
            let (scum, clear, sludge) = (
                drawn(LayerKind::Scum),
                drawn(LayerKind::Clear),
                drawn(LayerKind::Sludge),
            );
            let real = area_below(&shape, surface);
            let real_scum = real - area_below(&shape, surface - 150.0);
            assert!(
                (scum - real_scum).abs() < 1e-3 * real,
                "{name}: scum {scum}, real {real_scum}"
            );
            assert!(
                (scum + clear + sludge - real).abs() < 1e-3 * real,
                "{name}: together against {real}"
            );
        }
    }
}

/// Every kind of tank, with the share of its liquid that lies in the lowest 400 of 1200 mm.
fn tanks() -> Vec<(TankShape, f64)> {
    let mm = Length::from_mm;
    let litres = Volume::from_litres;
    let lying = |area: fn(f64) -> f64| area(400.0) / area(1_200.0);
    vec![
        (
            TankShape::Box {
                length: mm(2_400),
                width: mm(1_200),
            },
            1.0 / 3.0,
        ),
        (TankShape::UprightCylinder { diameter: mm(1_800) }, 1.0 / 3.0),
        (
            TankShape::ObroundPlan {
                length: mm(2_400),
                width: mm(1_200),
            },
            1.0 / 3.0,
        ),
        (
            TankShape::LevelCylinder {
                diameter: mm(1_500),
                length: mm(2_500),
            },
            lying(|h| segment(750.0, h)),
        ),
        (
            TankShape::ObroundSection {
                radius: mm(600),
                straight: mm(300),
                length: mm(2_500),
            },
            lying(|h| {
                segment(600.0, h.min(600.0))
                    + 1_200.0 * (h - 600.0).clamp(0.0, 300.0)
                    + (segment(600.0, (h - 300.0).max(600.0)) - segment(600.0, 600.0))
            }),
        ),
        (
            TankShape::EllipseSection {
                height: mm(1_500),
                width: mm(2_000),
                length: mm(2_500),
            },
            lying(|h| segment(750.0, h)),
        ),
        (
            TankShape::DipTable {
                rows: vec![
                    DipRow {
                        depth: mm(200),
                        volume: litres(300.0),
                    },
                    DipRow {
                        depth: mm(600),
                        volume: litres(1_500.0),
                    },
                    DipRow {
                        depth: mm(1_200),
                        volume: litres(3_000.0),
                    },
                ],
            },
            // 300 L below 200 mm and half of the 1200 L between 200 and 600 mm.
            900.0 / 3_000.0,
        ),
        (
            TankShape::Nominal {
                capacity: litres(3_785.0),
            },
            1.0 / 3.0,
        ),
    ]
}

#[test]
fn every_kind_of_tank_is_drawn_with_its_true_share_of_sludge() {
    for (shape, share) in tanks() {
        let compartment = Compartment {
            shape,
            liquid_depth: Length::from_mm(1_200),
            air_space: None,
            outlet_device: Some(Length::from_mm(400)),
            outlet_top: None,
        };
        let probes = [390, 400, 410].map(Length::from_mm).to_vec();
        let reading = Reading {
            sludge_probes: probes,
            scum: Some(Length::from_mm(100)),
            ..Reading::default()
        };
        let scene = SectionScene {
            compartments: vec![CompartmentScene::of(&compartment, Some(&reading))],
            ..SectionScene::default()
        };
        let drawing = tank_section(
            &scene,
            Area {
                width_px: 4_000.0,
                height_px: 4_000.0,
            },
        );
        let drawn = |kind| {
            let layers = drawing.layers.iter().filter(|layer| layer.kind == kind);
            layers.map(|layer| shoelace(&layer.commands)).sum::<f64>()
        };
        let sludge = drawn(LayerKind::Sludge);
        let liquid = sludge + drawn(LayerKind::Clear) + drawn(LayerKind::Scum);
        assert!(
            (sludge / liquid - share).abs() < 2e-3,
            "{compartment:?}: {} against {share}",
            sludge / liquid
        );
    }
}
