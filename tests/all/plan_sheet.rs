//! The site's plan on a sheet: read back by other programs, measured against its own scale.

use crate::card::{assert_nothing_overlaps_or_leaves, poppler, texts};
use chrono::NaiveDate;
use lidmark::app::card::{CardPage, PageSize};
use lidmark::app::plan_sheet::{LineKind, PlanLine, PlanMark, PlanTie, YardPlan, page_for, sheet};
use lidmark::domain::locate::fix::PinKind;
use lidmark::domain::locate::{Ellipse, Point, Position};
use lidmark::domain::record::{Language, Units};
use lidmark::domain::units::Length;
use lidmark::say::figures::Figures;
use lidmark::say::paper::pdf;
use lidmark::say::words::Words;
use proptest::prelude::*;

const LONG: &str = "the lid behind the third peony bed beside grandmother's old wash-house pump";

const EVERY: [(Language, Units); 4] = [
    (Language::English, Units::UsCustomary),
    (Language::English, Units::Metric),
    (Language::Spanish, Units::UsCustomary),
    (Language::Spanish, Units::Metric),
];

fn figures((language, units): (Language, Units)) -> Figures {
    Figures {
        units,
        words: Words::new(language),
    }
}

/// The house of the drawings: 12.192 m (40 ft) by 9.144 m (30 ft).
fn house() -> Vec<Point> {
    [(0.0, 0.0), (12.192, 0.0), (12.192, -9.144), (0.0, -9.144)]
        .map(|(x, y)| Point::new(x, y))
        .to_vec()
}

/// An invented yard with so many marks and ties.
fn yard(marks: usize, ties: usize, name: &str, with_earth: bool) -> YardPlan {
    let corners = house();
    let origin = Position::new(44.123_456_7, -93.987_654_3).unwrap();
    let marks: Vec<PlanMark> = (0..marks)
        .map(|index| {
            let (letter, kind, at) = if index < 4 {
                (["A", "B", "C", "D"][index], PinKind::HouseCorner, corners[index])
            } else {
                // A few close together, as lids are, the others spread over the yard.
                let n = index as f64;
                let at = Point::new(2.0 + (n * 1.7) % 9.0, 3.0 + (n * n * 0.37) % 8.0);
                ("", PinKind::ALL[index % PinKind::ALL.len()], at)
            };
            PlanMark {
                letter: letter.into(),
                name: name.into(),
                kind,
                at,
                ellipse: Ellipse {
                    major_m: 0.06,
                    minor_m: 0.03,
                    bearing_deg: 30.0,
                },
                position: with_earth.then(|| origin.travel(index as f64 * 12.0, 9.0)),
            }
        })
        .collect();
    let ties = (0..ties)
        .map(|index| PlanTie {
            from: index % 2,
            to: (2 + index / 2).min(marks.len().saturating_sub(1)),
            distance: Length::from_mm(4_775 + 1_000 * index as u32),
            residual_m: (index % 3 > 0).then_some(0.013 * (index as f64 - 4.0)),
        })
        .collect();
    YardPlan {
        site_lines: vec!["1 Sample Lane (invented)".into(), "Sampleton".into()],
        date: NaiveDate::from_ymd_opt(2026, 6, 17).unwrap(),
        north_deg: with_earth.then_some(37.0),
        house: corners,
        marks,
        lines: vec![
            PlanLine {
                kind: LineKind::Pipe,
                points: vec![Point::new(6.0, 0.0), Point::new(6.5, 5.0)],
            },
            PlanLine {
                kind: LineKind::Hose,
                points: vec![Point::new(14.0, -12.0), Point::new(14.0, 2.0), Point::new(7.0, 5.0)],
            },
        ],
        ties,
        notes: vec!["Gate code with the neighbour.".into()],
    }
}

fn usual() -> YardPlan {
    let mut plan = yard(7, 6, "", true);
    for (mark, name) in plan.marks.iter_mut().zip([
        "back-left corner",
        "back-right corner",
        "front-right corner",
        "front-left corner",
        "inlet lid",
        "outlet lid",
        "cleanout",
    ]) {
        mark.name = name.into();
    }
    plan
}

fn normal(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn nothing_overlaps_or_leaves_the_sheet() {
    for every in EVERY {
        for (marks, ties) in [(1, 0), (2, 1), (3, 3), (7, 6), (12, 14), (30, 0), (30, 30)] {
            for name in ["", "lid", LONG] {
                for with_earth in [true, false] {
                    let figures = figures(every);
                    let size = page_for(figures.units);
                    let page = sheet(&yard(marks, ties, name, with_earth), figures, size);
                    assert_eq!(page.left_out, 0);
                    assert_nothing_overlaps_or_leaves(&page, size);
                }
            }
        }
    }
}

#[test]
fn the_sheet_says_ties_places_and_cautions() {
    let page = sheet(&usual(), figures(EVERY[0]), PageSize::Letter);
    let bytes = pdf(&page).unwrap();
    let text = normal(&poppler("pdftotext", &["-layout"], &bytes));
    // 4,775 mm is 15 ft 8 in, worked by hand: 15 × 304.8 + 8 × 25.4 = 4,775.2.
    for words in [
        "Site plan",
        "June 17, 2026",
        "15 ft 8 in",
        "1 in = ",
        "back-left corner",
        "44.1235377, -93.9876543",
        "811",
        "not a survey",
        "Gate code with the neighbour.",
    ] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
    let page = sheet(&usual(), figures(EVERY[3]), PageSize::A4);
    let text = normal(&poppler("pdftotext", &["-layout"], &pdf(&page).unwrap()));
    for words in ["4.78 m", "1:", "17 de junio de 2026"] {
        assert!(text.contains(words), "{words} is not in\n{text}");
    }
    assert!(!text.contains("Site plan"), "{text}");
}

#[test]
fn without_north_or_positions_the_sheet_says_so() {
    let text = normal(&poppler(
        "pdftotext",
        &["-layout"],
        &pdf(&sheet(&yard(6, 4, "", false), figures(EVERY[0]), PageSize::Letter)).unwrap(),
    ));
    assert!(
        text.contains("north not known") && text.contains("no positions"),
        "{text}"
    );
}

/// Every painted path of the first page, in points from its lower left corner, read by lopdf.
fn paths(bytes: &[u8]) -> Vec<Vec<(f64, f64)>> {
    let document = lopdf::Document::load_mem(bytes).unwrap();
    let page = *document.get_pages().values().next().unwrap();
    let content = document.get_and_decode_page_content(page).unwrap();
    let mut found = Vec::new();
    let (mut matrix, mut stack) = ([1.0, 0.0, 0.0, 1.0, 0.0, 0.0], Vec::new());
    let mut path: Vec<(f64, f64)> = Vec::new();
    for operation in content.operations {
        let n: Vec<f64> = operation
            .operands
            .iter()
            .filter_map(|operand| operand.as_float().ok())
            .map(f64::from)
            .collect();
        match operation.operator.as_str() {
            "q" => stack.push(matrix),
            "Q" => matrix = stack.pop().unwrap(),
            "cm" => {
                let m = matrix;
                matrix = [
                    n[0] * m[0] + n[1] * m[2],
                    n[0] * m[1] + n[1] * m[3],
                    n[2] * m[0] + n[3] * m[2],
                    n[2] * m[1] + n[3] * m[3],
                    n[4] * m[0] + n[5] * m[2] + m[4],
                    n[4] * m[1] + n[5] * m[3] + m[5],
                ];
            }
            "m" | "l" => path.push((
                n[0] * matrix[0] + n[1] * matrix[2] + matrix[4],
                n[0] * matrix[1] + n[1] * matrix[3] + matrix[5],
            )),
            "f" | "f*" | "S" | "s" | "B" | "b" | "B*" | "b*" | "n" => found.push(std::mem::take(&mut path)),
            _ => {}
        }
    }
    found
}

/// The ratio the sheet states: "1:120" is 120.
fn stated_ratio(page: &CardPage) -> f64 {
    let text = texts(page)
        .into_iter()
        .map(|(text, ..)| text)
        .find(|text| text.contains("1:"))
        .unwrap();
    let after = text.rsplit_once("1:").unwrap().1;
    after.trim_end_matches(')').parse().unwrap()
}

#[test]
fn the_house_is_drawn_to_the_stated_scale() {
    for every in EVERY {
        for marks in [1, 7, 30] {
            let figures = figures(every);
            let page = sheet(&yard(marks, marks - 1, "", true), figures, page_for(figures.units));
            let ratio = stated_ratio(&page);
            // A point is 1/72 in (ISO 32000-1, 8.3.2.3), an inch 25.4 mm.
            let points = |metres: f64| metres / ratio * 72.0 / 0.025_4;
            let (wide, high) = (points(12.192), points(9.144));
            let measured = paths(&pdf(&page).unwrap()).into_iter().any(|path| {
                let size = |axis: fn(&(f64, f64)) -> f64| {
                    let of = |start: f64, pick: fn(f64, f64) -> f64| path.iter().map(axis).fold(start, pick);
                    of(f64::NEG_INFINITY, f64::max) - of(f64::INFINITY, f64::min)
                };
                (4..=5).contains(&path.len())
                    && (size(|p| p.0) - wide).abs() < 0.05
                    && (size(|p| p.1) - high).abs() < 0.05
            });
            assert!(measured, "no path of {wide:.2} by {high:.2} points at 1:{ratio}");
        }
    }
}

#[test]
fn the_scale_bar_is_as_long_as_it_says() {
    for every in EVERY {
        let figures = figures(every);
        let page = sheet(&usual(), figures, page_for(figures.units));
        let unit = if every.1 == Units::Metric { " m" } else { " ft" };
        let unit = if every == EVERY[2] { " pies" } else { unit };
        // The length follows the bar's zero.
        let all = texts(&page);
        let zero = all.iter().position(|(text, ..)| text == "0").unwrap();
        let length: f64 = all[zero + 1].0.strip_suffix(unit).unwrap().parse().unwrap();
        let metres = if every.1 == Units::Metric {
            length
        } else {
            length * 0.3048
        };
        let wanted = metres / stated_ratio(&page) * 72.0 / 0.025_4;
        let measured = paths(&pdf(&page).unwrap()).into_iter().any(|path| {
            let xs = || path.iter().map(|p| p.0);
            let ys = || path.iter().map(|p| p.1);
            let wide = xs().fold(f64::NEG_INFINITY, f64::max) - xs().fold(f64::INFINITY, f64::min);
            let high = ys().fold(f64::NEG_INFINITY, f64::max) - ys().fold(f64::INFINITY, f64::min);
            (wide - wanted).abs() < 0.05 && (high - 5.0).abs() < 0.05
        });
        assert!(measured, "no bar of {wanted:.2} points");
    }
}

#[test]
fn more_than_a_sheet_holds_is_counted_in_words() {
    let page = sheet(&yard(300, 200, LONG, true), figures(EVERY[0]), PageSize::Letter);
    assert!(page.left_out > 400, "{}", page.left_out);
    assert!(texts(&page).iter().any(|(text, ..)| text.contains("left out")));
    assert_nothing_overlaps_or_leaves(&page, PageSize::Letter);
}

#[test]
fn an_empty_plan_is_still_a_page() {
    for every in EVERY {
        let page = sheet(&YardPlan::default(), figures(every), page_for(every.1));
        assert_eq!(
            lopdf::Document::load_mem(&pdf(&page).unwrap())
                .unwrap()
                .get_pages()
                .len(),
            1
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    #[test]
    fn no_plan_breaks_the_page(
        places in prop::collection::vec((any::<f64>(), -1e9..1e9_f64, any::<f64>(), "\\PC{0,40}"), 0..12),
        ties in prop::collection::vec((0..20_usize, 0..20_usize, any::<u32>(), prop::option::of(any::<f64>())), 0..12),
        north in prop::option::of(any::<f64>()),
        line in prop::collection::vec((-50.0..50.0_f64, any::<f64>()), 0..5),
        name in any::<String>(),
    ) {
        let mut plan = yard(0, 0, "", false);
        plan.north_deg = north;
        plan.site_lines = vec![name.clone()];
        plan.notes = vec![name];
        plan.lines = vec![PlanLine { kind: LineKind::Hose, points: line.into_iter().map(|(x, y)| Point::new(x, y)).collect() }];
        plan.marks = places.into_iter().map(|(x, y, axis, name)| PlanMark {
            letter: name.chars().take(6).collect(),
            name,
            kind: PinKind::Well,
            at: Point::new(x, y),
            ellipse: Ellipse { major_m: axis, minor_m: axis, bearing_deg: axis },
            position: None,
        }).collect();
        plan.ties = ties.into_iter().map(|(from, to, mm, residual_m)| PlanTie { from, to, distance: Length::from_mm(mm), residual_m }).collect();
        for every in EVERY {
            let page = sheet(&plan, figures(every), page_for(every.1));
            prop_assert!(pdf(&page).is_ok());
        }
    }
}
