//! The Find station played through its view-model: pins, tapes, clues, pushes, undo, and finding it again.

use lidmark::app::overlay::{PadKey, Verdict};
use lidmark::app::plan_view::SpotKind;
use lidmark::app::position::Here;
use lidmark::app::shell::{App, Screen};
use lidmark::app::yard::{HeldBy, Mark, Taped, YardMap, YardModel, YardRecords, write_fixes};
use lidmark::domain::locate::fix::{Fix, FixQuality, PinKind};
use lidmark::domain::locate::ties::Agreement;
use lidmark::domain::locate::{Point, Position};
use lidmark::domain::record::{Pin, PinId, Station, Units, Visit};
use proptest::prelude::*;

use crate::fixture::{app_at_a_stop, app_on, dump, now, taps};

/// Metres in a foot, exact (NIST SP 811, appendix B.8).
const FOOT: f64 = 0.3048;

fn press(app: &mut App, text: &str) {
    let view = app.find_view();
    let keys: Vec<String> = view
        .upper
        .iter()
        .chain(&view.lower)
        .map(|key| key.text.clone())
        .collect();
    let index = keys
        .iter()
        .position(|key| key == text)
        .unwrap_or_else(|| panic!("no key {text:?} in {keys:?}"));
    app.tap_find_key(index);
}

fn choose(app: &mut App, text: &str) {
    let rows = &app.picker_view().unwrap_or_else(|| panic!("no list for {text:?}")).rows;
    let index = rows
        .iter()
        .position(|(row, _)| row.starts_with(text))
        .unwrap_or_else(|| panic!("no row {text:?} in {rows:?}"));
    app.picker_choose(index);
}

fn type_keys(app: &mut App, text: &str) {
    for c in text.chars() {
        app.pad_key(match c {
            '\'' | '.' => PadKey::Point,
            '½' => PadKey::Half,
            digit => PadKey::Digit(u8::try_from(digit.to_digit(10).unwrap()).unwrap()),
        });
    }
}

fn lid(app: &App) -> Mark {
    let yard = app.yard().unwrap();
    let lid = yard.marks.iter().find(|mark| mark.kind == PinKind::TankLid);
    lid.unwrap_or_else(|| panic!("no lid in {:?}", yard.marks)).clone()
}

fn feet(at: Point) -> (f64, f64) {
    (at.x_m / FOOT, at.y_m / FOOT)
}

fn here(position: Position, accuracy_m: f64, heading_deg: Option<f64>) -> Here {
    Here {
        fix: Some(Fix::new(position, Some(accuracy_m))),
        heading_deg,
        course_deg: None,
        source: "test".to_owned(),
        bad_sentences: 0,
        at: now(),
    }
}

// --- tapes ---------------------------------------------------------------------------------------

#[test]
fn two_tapes_show_both_places_and_the_person_picks() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(
        &mut app,
        "house back 30 26\n tie inlet-lid back-left-corner 25\n tie inlet-lid back-right-corner 20",
    );
    let view = app.find_view();
    assert_eq!(
        view.upper.iter().map(|key| key.text.as_str()).collect::<Vec<_>>(),
        ["Place 1", "Place 2"]
    );
    // The house reaches 26 ft out from that wall, to the side where the first place lies.
    assert!(
        view.detail.contains("Place 1 lies inside the house."),
        "{}",
        view.detail
    );
    assert!(!view.detail.contains("Place 2 lies inside"), "{}", view.detail);
    let choices = view.drawing.spots.iter().filter(|spot| spot.kind == SpotKind::Choice);
    assert_eq!(choices.count(), 2, "both places are on the screen");
    assert!(
        view.drawing.spots.iter().all(|spot| spot.kind != SpotKind::Best),
        "no other marks are numbered meanwhile"
    );
    // Corners (0, 0) and (30, 0), tapes 25 and 20: (18.75, ±16.5359), from x = (d² + r₁² - r₂²) / 2d by hand.
    let Taped::TwoSides(located) = lid(&app).taped else {
        panic!("{:?}", lid(&app))
    };
    let found: Vec<(f64, f64)> = located.candidates.iter().map(|candidate| feet(candidate.at)).collect();
    for (place, y) in found.iter().zip([16.5359, -16.5359]) {
        assert!(
            (place.0 - 18.75).abs() < 0.01 && (place.1 - y).abs() < 0.01,
            "{found:?}"
        );
    }
    assert!(lid(&app).placed.is_none(), "a side was picked for the person");
    press(&mut app, "Place 2");
    let placed = lid(&app).placed.unwrap();
    assert_eq!(placed.by, HeldBy::Tape);
    assert!((feet(placed.at).1 + 16.5359).abs() < 0.01, "{placed:?}");
    // One step back and the question is open again; the tapes are still there.
    app.undo();
    assert!(lid(&app).placed.is_none());
    assert_eq!(lid(&app).ties.len(), 2);
}

#[test]
fn tapes_that_cannot_meet_are_refused_with_the_shortfall_and_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, "house back 30 26\n tie inlet-lid back-left-corner 10");
    press(&mut app, "Tape tie");
    choose(&mut app, "Back-right corner");
    type_keys(&mut app, "15");
    // The corners are 30 ft apart, 10 and 15 make 25: 5 ft are missing.
    let pad = app.pad_view().unwrap();
    assert_eq!((pad.text.as_str(), pad.verdict), ("15", Verdict::Invalid));
    assert!(pad.message.contains("5 ft short"), "{}", pad.message);
    app.pad_keep();
    assert_eq!(app.pad_view().unwrap().text, "15", "what was typed is gone");
    assert_eq!(lid(&app).ties.len(), 1);
    // Corrected on the same pad, it is kept.
    app.pad_key(PadKey::Back);
    app.pad_key(PadKey::Back);
    type_keys(&mut app, "24'6½");
    assert_eq!(app.pad_view().unwrap().verdict, Verdict::Ok, "{:?}", app.pad_view());
    app.pad_keep();
    // 24 ft 6½ in = 294.5 in = 7480.3 mm (1 in = 25.4 mm exactly, NIST SP 811).
    assert_eq!(lid(&app).ties[1].distance.as_mm(), 7_480);
}

#[test]
fn a_tape_that_disagrees_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    // The lid at (10, -12) ft: 15.62, 23.32, 42.94 and 39.29 ft by Pythagoras; the second is pulled 2 ft too long.
    taps(
        &mut app,
        "house back 30 26
         tie inlet-lid back-left-corner 15'7½
         tie inlet-lid back-right-corner 25'4
         side 2
         tie inlet-lid front-right-corner 42'11½
         tie inlet-lid front-left-corner 39'3½",
    );
    let mark = lid(&app);
    let Taped::Placed(located) = &mark.taped else {
        panic!("{mark:?}")
    };
    let Agreement::OneDisagrees(suspect) = &located.agreement else {
        panic!("{located:?}")
    };
    assert_eq!(suspect.tie, 1);
    assert!((suspect.off_m / FOOT - 2.0).abs() < 0.15, "{suspect:?}");
    let at = feet(mark.placed.unwrap().at);
    assert!((at.0 - 10.0).hypot(at.1 + 12.0) < 0.2, "{at:?}");
    let detail = app.find_view().detail;
    assert!(
        detail.contains("The tape from the back-right corner (B) is"),
        "{detail}"
    );
    assert!(detail.contains("too long"), "{detail}");
}

#[test]
fn flat_arcs_are_called_weak() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(
        &mut app,
        "house back 30 26\n tie inlet-lid back-left-corner 14'4\n tie inlet-lid back-right-corner 16",
    );
    // 14.25 + 16 is 3 in more than the wall: the arcs graze (surveyors want no angle under 30°, common practice).
    assert!(app.find_view().detail.contains("Weak"), "{}", app.find_view().detail);
}

proptest! {
    #[test]
    fn a_tape_typed_is_the_tape_kept(feet in 0_u32..200, halves in 0_u32..24) {
        let figures = lidmark::say::figures::Figures::default();
        let (whole, half) = (halves / 2, if halves % 2 == 1 { "½" } else { "" });
        let inches = if whole == 0 && halves % 2 == 1 { "½".to_owned() } else { format!("{whole}{half}") };
        let mm = figures.parse_tape(&format!("{feet}′{inches}")).unwrap();
        // 1 ft = 304.8 mm and ½ in = 12.7 mm, exactly (NIST SP 811, appendix B.8).
        let exact = f64::from(feet) * 304.8 + f64::from(halves) * 12.7;
        // Half a millimetre of rounding, and what `f64` makes of tenths.
        prop_assert!((mm as f64 - exact).abs() <= 0.5 + 1e-9);
    }
}

// --- the hunt ------------------------------------------------------------------------------------

const HUNT: &str = "
    house back 36 26
    pin cleanout 29 -5
    clue field-ridge 24 -58
    clue dead-or-lush-grass 28 -22
    rod 20 -14 nothing
";

#[test]
fn clues_and_pushes_say_where_to_probe_and_a_kill_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, HUNT);
    app.session_mut().settle().unwrap();
    let view = app.find_view();
    assert!(view.title.starts_with("Probe mark 1 first"), "{}", view.title);
    assert!(view.detail.contains("cleanout to the field"), "{}", view.detail);
    assert!(view.drawing.shading.alpha.iter().any(|alpha| *alpha > 100));
    drop(app);
    // The map was grown step by step; read back from the book it is made in one go, and is the same.
    let app = app_on(&path);
    let again = app.find_view();
    assert_eq!((again.title, again.detail), (view.title, view.detail));
}

#[test]
fn a_miss_moves_the_best_place_and_a_hit_offers_the_lid() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, HUNT);
    let best = |app: &App| {
        let spot = app
            .find_view()
            .drawing
            .spots
            .into_iter()
            .find(|spot| spot.text == "1")
            .unwrap();
        (spot.x, spot.y)
    };
    let first = best(&app);
    press(&mut app, "Nothing here");
    press(&mut app, "Keep");
    assert_ne!(best(&app), first, "a push that met nothing leaves mark 1 where it is");
    press(&mut app, "Hit the tank");
    press(&mut app, "Tank");
    assert!(app.confirm_view().unwrap().title.contains("hit the tank"));
    app.confirm_answer(true);
    assert_eq!(lid(&app).placed.unwrap().by, HeldBy::Eye);
    assert!(app.find_view().drawing.shading.alpha.is_empty(), "the hunt goes on");
}

#[test]
fn everything_goes_back_to_the_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, HUNT);
    taps(
        &mut app,
        "tie inlet-lid back-left-corner 25\n tie inlet-lid back-right-corner 24\n side 2\n sewer-depth 24",
    );
    app.session_mut().settle().unwrap();
    assert!(app.yard().unwrap().marks.len() > 5);
    for _ in 0..40 {
        app.undo();
    }
    assert!(app.yard().unwrap().marks.is_empty());
    assert!(app.yard().unwrap().clues.is_empty() && app.yard().unwrap().probes.is_empty());
    assert_eq!(app.find_view().title, "Where is the tank?");
    assert!(
        dump(&path)["pin"].len() > 5,
        "what was taken back is not in the book any more"
    );
}

// --- position ------------------------------------------------------------------------------------

#[test]
fn a_pin_of_many_fixes_never_shows_less_than_open_sky_allows() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let start = Position::new(45.0, -93.0).unwrap();
    app.take_position(here(start, 3.0, None));
    press(&mut app, "Pin");
    choose(&mut app, "Inlet lid");
    press(&mut app, "Use position");
    for step in 0..200_u32 {
        app.take_position(here(start.travel(f64::from(step * 37), 1.0), 3.0, None));
    }
    press(&mut app, "Keep");
    let pinned = lid(&app).pinned.unwrap();
    // GPS.gov: 4.9 m (16 ft) under open sky; averaging does not cure what the fixes share.
    assert!(pinned.fixes > 100 && pinned.error_m >= 4.9, "{pinned:?}");
    assert!(app.find_view().detail.contains("±16 ft"), "{}", app.find_view().detail);
}

#[test]
fn the_second_visit_leads_to_the_lid_and_needs_no_position() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(
        &mut app,
        "house back 30 26\n tie inlet-lid back-left-corner 15'8\n tie inlet-lid back-right-corner 21'4\n side 2",
    );
    // The corners A and B get positions: B lies 30 ft due east of A, so the plan's top is north.
    let a = Position::new(45.0, -93.0).unwrap();
    for (name, at) in [("Back-left", a), ("Back-right", a.travel(90.0, 30.0 * FOOT))] {
        app.take_position(here(at, 3.0, None));
        press(&mut app, "Close");
        press(&mut app, "Tape tie");
        choose(&mut app, name);
        app.cancel_overlay();
        let spot = app
            .find_view()
            .drawing
            .spots
            .into_iter()
            .find(|spot| spot.title.to_lowercase().starts_with(&name.to_lowercase()))
            .unwrap();
        app.plan_pressed(spot.x, spot.y);
        app.plan_released();
        press(&mut app, "Take position");
        press(&mut app, "Keep");
    }
    // Station Dig takes its photos of the lid on show: the inlet's.
    app.go(Screen::At(Station::Dig));
    let picture = folder.path().join("lid.png");
    image::RgbImage::from_fn(64, 48, |x, y| image::Rgb([x as u8, y as u8, 9]))
        .save(&picture)
        .unwrap();
    app.take_photo(&picture);
    app.settle_photos();
    app.go(Screen::At(Station::Find));
    assert_eq!(app.find_view().photo_day, "", "a photo of this stop is not last time's");
    taps(&mut app, "closed yes\n finish");
    app.session_mut().settle().unwrap();
    drop(app);

    let mut app = app_on(&path);
    let site = app.session().ask(|store| Ok(store.book()?.get(0).unwrap().id)).unwrap();
    app.start_at(site).unwrap();
    app.go(Screen::At(Station::Find));
    let view = app.find_view();
    assert_eq!(
        view.title,
        "Inlet lid: 15 ft 8 in from the back-left corner (A), 21 ft 4 in from the back-right corner (B)"
    );
    assert_eq!(
        (view.distance.as_str(), view.arrow_deg),
        ("", None),
        "without a position nothing is led by one"
    );
    assert!(!view.photo_day.is_empty(), "the photo of the lid from the stop before");
    app.tap_earlier_photo();
    assert_eq!(app.screen(), Screen::Photo);
    app.back();
    assert_eq!(app.screen(), Screen::At(Station::Find));
    // From 60 ft north of A. The lid lies at (11.59, -10.53) ft, by x = (30² + 15.6667² - 21.3333²) / 60.
    let (x, y) = (11.59 * FOOT, -10.53 * FOOT);
    let from = a.travel(0.0, 60.0 * FOOT);
    app.take_position(here(from, 3.0, Some(90.0)));
    let view = app.find_view();
    let (away, bearing) = (
        x.hypot(60.0 * FOOT - y) / FOOT,
        x.atan2(y - 60.0 * FOOT).to_degrees().rem_euclid(360.0),
    );
    let shown: f64 = view.distance.trim_end_matches(" ft").parse().unwrap();
    assert!((shown - away).abs() < 1.0, "{shown} ft, by hand {away}");
    // The device points east: the arrow is turned by that much less.
    let arrow = view.arrow_deg.unwrap();
    assert!(
        (arrow - (bearing - 90.0)).abs() < 1.0,
        "{arrow}, by hand {}",
        bearing - 90.0
    );
    // Nearer than the errors the tape takes over.
    app.take_position(here(a, 5.0, None));
    let near = app.find_view();
    assert!(near.detail.contains("use the tape"), "{}", near.detail);
    // No inch and no arrow that the positions cannot know.
    assert!(
        near.distance.starts_with("within ") && near.arrow_deg.is_none(),
        "{}",
        near.distance
    );
    app.choose_units(Units::Metric);
    assert!(
        app.find_view().title.contains("4.78 m from"),
        "{}",
        app.find_view().title
    );
}

// --- cautions ------------------------------------------------------------------------------------

#[test]
fn nothing_is_dug_or_probed_before_the_cautions_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    app.go(Screen::At(Station::Dig));
    assert!(app.dig_view().cautions.iter().any(|line| line.contains("811")));
    app.nudge_cover(1);
    app.tap_cover();
    app.tap_material();
    app.dig_pressed(40.0, 200.0);
    app.dig_dragged(40.0, 260.0);
    app.dig_released();
    app.add_lid();
    assert!(app.pad_view().is_none());
    assert_eq!(
        (app.dig_view().cover.value.as_str(), app.dig_view().lid_count.as_str()),
        ("–", "1 of 2")
    );
    app.go(Screen::At(Station::Find));
    press(&mut app, "Nothing here");
    assert!(!app.find_view().cautions.is_empty());
    press(&mut app, "Read and understood");
    assert!(app.find_view().can_nudge, "the push goes on after the cautions");
    press(&mut app, "Cancel");
    app.go(Screen::At(Station::Dig));
    assert!(app.dig_view().cautions.is_empty(), "they show once a stop");
    app.nudge_cover(1);
    assert_ne!(app.dig_view().cover.value, "–");
    app.session_mut().settle().unwrap();
    // Kept in the record with the time, and Undo leaves it alone.
    for _ in 0..5 {
        app.undo();
    }
    assert!(app.is_cautioned());
    let stop = dump(&path)["stop"].join("");
    assert!(stop.contains("2026-06-17T09:00:00.000-05:00"), "{stop}");
}

/// A phone's pin is good to 4.9 m (GPS.gov): it does not end the map, it is a clue to it. A survey receiver's does.
#[test]
fn a_lid_known_by_positions_alone_keeps_the_map_going() {
    let a = Position::new(45.0, -93.0).unwrap();
    let pin = |number: u128, kind, plan: Option<(i64, i64)>, fix: Fix| Pin {
        id: PinId(uuid::Uuid::from_u128(number)),
        kind,
        x_mm: plan.map(|(x, _)| x),
        y_mm: plan.map(|(_, y)| y),
        fixes: write_fixes(&[fix]),
        ..Pin::default()
    };
    let fix = |east_m: f64, north_m: f64| {
        let at = a.travel(90.0, east_m).travel(0.0, north_m);
        Fix::new(at, Some(3.0))
    };
    let mut visit = Visit {
        pins: vec![
            pin(1, PinKind::HouseCorner, Some((0, 0)), fix(0.0, 0.0)),
            pin(2, PinKind::HouseCorner, Some((12_000, 0)), fix(12.0, 0.0)),
            pin(3, PinKind::TankLid, None, fix(6.0, -6.0)),
        ],
        ..Visit::default()
    };
    let follow = |visit: &Visit| {
        let (model, mut map) = (YardModel::of(&YardRecords::of(visit)), YardMap::default());
        map.follow(&model);
        (model, map)
    };
    let (model, map) = follow(&visit);
    let lid = model.lids().next().unwrap();
    assert!(lid.is_loose(), "{lid:?}");
    let best = map.best().first().expect("the map goes on");
    assert!(best.at.distance_m(Point::new(6.0, -6.0)) < 4.9, "{best:?}");
    visit.stop.lid_found = Some(true);
    assert!(follow(&visit).1.map().is_none());
    visit.stop.lid_found = None;
    let survey = Fix {
        quality: FixQuality::RtkFixed,
        accuracy_m: Some(0.02),
        ..fix(6.0, -6.0)
    };
    visit.pins[2].fixes = write_fixes(&[survey]);
    assert!(follow(&visit).1.map().is_none());
}
