//! The app without its window: every touch changes what it says it changes, and Undo takes it back.

use std::collections::BTreeSet;
use std::path::Path;

use lidmark::app::book::BookSort;
use lidmark::app::demo;
use lidmark::app::device::{Moment, News};
use lidmark::app::overlay::{Answer, PadKey};
use lidmark::app::page::Page;
use lidmark::app::photos::{PictureSource, Tool};
use lidmark::app::position::Here;
use lidmark::app::section::{Edge, EdgeKind};
use lidmark::app::setup::SetupItem;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::app::site::SiteField;
use lidmark::app::stop::{Quantity, StopView};
use lidmark::domain::locate::Position;
use lidmark::domain::locate::fix::Fix;
use lidmark::domain::record::{Language, Lid, LidId, ShapeKind, Station, TankId, Units, changes};
use uuid::Uuid;

use crate::fixture::{Dice, app_at_a_stop, app_on, dump, dump_records, shown, taps};

/// A stop with a tank of known size and readings in it. A box of 96 x 60 in under 48 in of liquid.
const MEASURED: &str = "
    go read
    shape box
    size length 96
    size width 60
    size liquid 48
    size device 16
    level 0
    scum 3
    sludge 12
";

fn measured(path: &Path) -> App {
    let (mut app, _) = app_at_a_stop(path);
    taps(&mut app, MEASURED);
    app.session_mut().settle().unwrap();
    app
}

// --- every station -------------------------------------------------------------------------------

/// One action each, in the demo's own language; a line before the last only selects.
const ACTIONS: &[&str] = &[
    "found yes",
    "found no",
    "note Under the third flagstone",
    "cover 12",
    "nudge cover +1",
    "material concrete",
    "cracked yes",
    "secured yes",
    "add lid",
    "add tank",
    "compartments 2",
    "compartment 2\n size length 40",
    "shape upright_cylinder",
    "size diameter 70",
    "shape level_cylinder",
    "shape obround_section",
    "size radius 24",
    "size straight 12",
    "shape ellipse_section",
    "size height 60",
    "shape nominal",
    "size capacity 1000",
    "shape dip_table",
    "shape box",
    "size air 9",
    "size device-top 6",
    "emptied 2019-05-02",
    "level -2",
    "scum 4½",
    "sludge 14",
    "probe",
    "device 18",
    "out 900",
    "heel 20",
    "rinsed yes",
    "people 5",
    "closed yes",
    "pumped no",
    "found-note The outlet baffle is loose",
    "sign Ana Sample",
    "drag sludge 9",
];

#[test]
fn every_action_changes_what_shows_and_undo_takes_each_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    let mut states = vec![shown(&mut app)];
    for action in ACTIONS {
        taps(&mut app, action);
        app.session_mut().settle().unwrap();
        let after = shown(&mut app);
        let before = states.last().unwrap();
        assert_ne!(&after, before, "`{action}` changes nothing that shows");
        app.undo();
        assert_eq!(&shown(&mut app), before, "`{action}` is not taken back whole");
        taps(&mut app, action);
        app.session_mut().settle().unwrap();
        assert_eq!(shown(&mut app), after, "`{action}` done again is not the same");
        states.push(after);
    }
    // The app started again shows the same; then everything goes back, one by one.
    drop(app);
    let mut app = app_on(&path);
    while let Some(state) = states.pop() {
        assert_eq!(shown(&mut app), state);
        if states.is_empty() {
            break;
        }
        app.undo();
    }
    // Before the first state lie the sizes and readings the stop was prepared with.
    for _ in 0..MEASURED.lines().count() {
        app.undo();
    }
    let view = app.stop_view();
    assert!(!view.can_undo, "{}", view.undo_text);
    assert_eq!(app.read_view().values[2], "not read");
    app.session_mut().ask(|store| store.check()).unwrap();
}

#[test]
fn an_answer_tapped_again_is_taken_back() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.tap_found(Answer::Yes);
    assert_eq!(app.find_view().found, Answer::Yes);
    app.tap_found(Answer::Yes);
    assert_eq!(app.find_view().found, Answer::Unknown);
    app.tap_rinsed(Answer::No);
    assert_eq!(app.pump_view().rinsed, Answer::No);
    app.tap_closed(Answer::No);
    assert_eq!(app.leave_view().closed, Answer::No);
}

#[test]
fn a_position_is_kept_as_typed_and_a_wrong_one_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.tap_latitude();
    app.sheet_edit("91");
    app.sheet_keep();
    let sheet = app.sheet_view().expect("what cannot be used stays on the sheet");
    assert_eq!((sheet.text.as_str(), sheet.message.is_empty()), ("91", false));
    app.sheet_edit("44.1234567");
    app.sheet_keep();
    assert!(app.sheet_view().is_none());
    app.tap_longitude();
    app.sheet_edit("-93.5");
    app.sheet_keep();
    let view = app.find_view();
    assert_eq!(
        (view.latitude.text.as_str(), view.longitude.text.as_str()),
        ("44.1234567", "-93.5")
    );
    app.undo();
    app.undo();
    assert_eq!(app.find_view().latitude.text, "");
}

// --- units and languages -------------------------------------------------------------------------

fn look_everywhere(app: &mut App) {
    for station in Station::ALL {
        app.go(Screen::At(*station));
        drop((
            app.find_view(),
            app.dig_view(),
            app.read_view(),
            app.pump_view(),
            app.leave_view(),
        ));
    }
    for screen in [Screen::Tank, Screen::Door, Screen::WhatIf, Screen::Setup, Screen::About] {
        app.go(screen);
        drop((app.tank_view(), app.door_view(), app.what_if_view(), app.setup_view()));
    }
    app.go(Screen::At(Station::Read));
    app.session_mut().settle().unwrap();
}

#[test]
fn units_and_languages_to_and_fro_leave_every_record_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    taps(
        &mut app,
        "cover 13½\n out 1001\n heel 7\n add tank\n tank 2\n shape nominal\n size capacity 1250\n scum 2½",
    );
    look_everywhere(&mut app);
    let (rows, screens) = (dump_records(&path), shown(&mut app));
    assert!(rows["reading"].len() == 2 && rows["lid"].len() == 4, "{rows:?}");
    for _ in 0..3 {
        for (units, language) in [
            (Units::Metric, Language::English),
            (Units::Metric, Language::Spanish),
            (Units::UsCustomary, Language::Spanish),
        ] {
            app.choose_units(units);
            app.choose_language(language);
            look_everywhere(&mut app);
            assert_eq!(dump_records(&path), rows, "{units:?} {language:?}");
            assert_ne!(shown(&mut app), screens, "{units:?} {language:?} shows the same words");
        }
        app.choose_units(Units::UsCustomary);
        app.choose_language(Language::English);
        look_everywhere(&mut app);
        assert_eq!(dump_records(&path), rows);
        assert_eq!(shown(&mut app), screens);
    }
}

#[test]
fn half_inches_nudged_or_typed_read_back_as_they_were_meant() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    app.tap_quantity(Quantity::Sludge);
    app.nudge_reading(1);
    while app.read_view().figure.value != "0" {
        app.nudge_reading(-1);
    }
    for halves in 0..=160_u32 {
        let written = match (halves / 2, halves % 2) {
            (0, 1) => "½".to_owned(),
            (whole, 1) => format!("{whole}½"),
            (whole, _) => whole.to_string(),
        };
        let view = app.read_view();
        assert_eq!(
            (view.figure.value.as_str(), view.figure.unit.as_str()),
            (written.as_str(), "in")
        );
        assert_eq!(view.values[2], format!("{written} in"));
        // 1 in = 25.4 mm exactly (NIST SP 811, appendix B.8), so half an inch is 127 tenths of a millimetre.
        app.choose_units(Units::Metric);
        let tenths_of_mm = halves * 127;
        let mm = (tenths_of_mm + 5) / 10;
        let centimetres = if mm % 10 == 0 {
            (mm / 10).to_string()
        } else {
            format!("{}.{}", mm / 10, mm % 10)
        };
        assert_eq!(app.read_view().figure.value, centimetres, "{written} in");
        app.choose_units(Units::UsCustomary);
        if halves % 10 == 1 {
            taps(&mut app, &format!("sludge {written}"));
            assert_eq!(app.read_view().figure.value, written);
        }
        app.nudge_reading(1);
    }
    // A level below the outlet counts the same way down.
    taps(&mut app, "level 0");
    for written in ["−½", "−1", "−1½", "−2", "−2½"] {
        app.nudge_reading(-1);
        assert_eq!(app.read_view().figure.value, written);
    }
    app.session_mut().settle().unwrap();
}

// --- dragging ------------------------------------------------------------------------------------

#[test]
fn a_drag_sets_the_value_under_the_finger_and_is_one_step_of_undo() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    app.read_resized(260.0, 480.0);
    let ops = |app: &App| app.session().ask(|store| store.op_count()).unwrap();
    for (kind, quantity, value) in [
        (EdgeKind::SludgeTop, Quantity::Sludge, 2_usize),
        (EdgeKind::ScumBottom, Quantity::Scum, 1),
        (EdgeKind::DeviceBottom, Quantity::Device, 3),
        (EdgeKind::Level, Quantity::Level, 0),
    ] {
        app.tap_quantity(quantity);
        let drawing = app.read_view().drawing.unwrap();
        let edge = Edge { kind, part: 0 };
        let handle = drawing.handles.iter().find(|handle| handle.edge == edge).unwrap();
        let (x, y) = (handle.x, handle.y);
        // The scale of the drawing is known to the tank: liquid from the bottom to the outlet is 48 in = 1,219 mm.
        let sludge = Edge {
            kind: EdgeKind::SludgeTop,
            part: 0,
        };
        let bottom = drawing.y_of(sludge, 0).unwrap();
        let surface = drawing
            .y_of(
                Edge {
                    kind: EdgeKind::Level,
                    part: 0,
                },
                0,
            )
            .unwrap();
        let mm_per_px = 1_219.0 / (bottom - surface);
        for pixels in [-37.0, -11.0, 13.0, 29.0] {
            let before = (shown(&mut app), ops(&app));
            app.read_pressed(x, y);
            for step in 1..=10 {
                app.read_dragged(x, y + pixels * f64::from(step) / 10.0);
            }
            let while_held = app.read_view().figure.value;
            app.read_released();
            app.session_mut().settle().unwrap();
            let at = y + pixels;
            let mm = match kind {
                EdgeKind::SludgeTop => (bottom - at) * mm_per_px,
                EdgeKind::Level => (surface - at) * mm_per_px,
                _ => (at - surface) * mm_per_px,
            };
            let halves = (mm.max(if kind == EdgeKind::Level { -3_000.0 } else { 0.0 }) / 12.7).round();
            let written = app.read_view().values[value].replace(" in", "").replace('−', "-");
            let written = if written == "at outlet" {
                "0".to_owned()
            } else {
                written
            };
            let read_back = match written.strip_suffix('½') {
                Some("") => 0.5,
                Some("-") => -0.5,
                Some(whole) => {
                    let whole: f64 = whole.parse().unwrap();
                    whole + 0.5_f64.copysign(whole)
                }
                None => written.parse().unwrap(),
            };
            // Which half inch a pixel on the very edge between two belongs to is a matter of rounding.
            let distance: f64 = read_back * 2.0 - mm / 12.7;
            assert!(
                (read_back * 2.0 - halves).abs() < 1e-9 || (distance.abs() - 0.5).abs() < 0.02,
                "{kind:?} dragged {pixels} px: {written}, by the pixel {}",
                halves / 2.0
            );
            assert_eq!(app.read_view().figure.value.replace('−', "-"), written, "{kind:?}");
            assert_eq!(while_held, app.read_view().figure.value, "letting go moves it");
            assert_eq!(ops(&app), before.1 + 1, "{kind:?}: one drag is one action");
            app.undo();
            assert_eq!(
                shown(&mut app),
                before.0,
                "{kind:?}: one undo takes the whole drag back"
            );
            app.tap_quantity(quantity);
        }
    }
}

#[test]
fn a_lid_dragged_in_the_ground_is_one_step_of_undo() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, "go dig\n lid inlet\n cover 12");
    app.dig_resized(396.0, 420.0);
    let before = shown(&mut app);
    let drawing = app.dig_view().drawing.unwrap();
    let edge = drawing.handles[0].edge;
    let (x, y) = (drawing.handles[0].x, drawing.y_of(edge, 610).unwrap());
    app.dig_pressed(x, drawing.handles[0].y);
    app.dig_dragged(x, y);
    app.dig_released();
    // 610 mm is 24 in to the nearest half inch.
    assert_eq!(app.dig_view().cover.value, "24");
    app.undo();
    assert_eq!(shown(&mut app), before);
}

// --- nonsense is kept and said -------------------------------------------------------------------

#[test]
fn readings_that_cannot_be_are_kept_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    for (tap, value, place) in [
        ("sludge 90", "90 in", 2),
        ("scum 60", "60 in", 1),
        ("level 40", "40 in", 0),
        ("level -70", "−70 in", 0),
        ("device 90", "90 in", 3),
        ("sludge 47", "47 in", 2),
    ] {
        assert_eq!(app.read_view().flag_text, "", "before `{tap}`");
        taps(&mut app, tap);
        let view = app.read_view();
        assert_eq!(view.values[place], value, "`{tap}` is kept as read");
        assert!(!view.flag_text.is_empty(), "`{tap}` is not said");
        app.session_mut().settle().unwrap();
        app.undo();
    }
    taps(&mut app, "out 5000");
    let view = app.pump_view();
    assert_eq!(view.out.value, "5,000");
    assert!(view.truck_over && !view.out.message.is_empty(), "{view:?}");
    taps(&mut app, "go dig\n lid inlet\n cover 200");
    assert_eq!(app.dig_view().cover.value, "200");
    assert!(!app.dig_view().cover.message.is_empty());
    // A figure beyond all sense is not kept, and the pad says why.
    app.tap_cover();
    for _ in 0..6 {
        app.pad_key(PadKey::Digit(9));
    }
    app.pad_keep();
    let pad = app.pad_view().expect("the pad stays open");
    assert!(!pad.message.is_empty());
    app.cancel_overlay();
    assert_eq!(app.dig_view().cover.value, "200");
}

// --- several tanks -------------------------------------------------------------------------------

#[test]
fn tanks_and_compartments_are_read_each_for_itself() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    taps(
        &mut app,
        "compartments 2\n compartment 1\n sludge 10\n compartment 2\n sludge 4\n out 800",
    );
    taps(
        &mut app,
        "add tank\n tank 2\n shape nominal\n size capacity 500\n size liquid 40\n sludge 7\n out 300",
    );
    app.session_mut().settle().unwrap();
    let read = |app: &mut App| {
        let mut list = Vec::new();
        for (tank, compartment) in [(1, 0), (1, 1), (2, 0)] {
            app.choose_tank(tank);
            app.tap_compartment(compartment);
            list.push((app.read_view().values[2].clone(), app.pump_view().out.value));
        }
        list
    };
    let pair = |sludge: &str, out: &str| (sludge.to_owned(), out.to_owned());
    let expected = vec![pair("10 in", "800"), pair("4 in", "800"), pair("7 in", "300")];
    assert_eq!(read(&mut app), expected);
    app.choose_tank(1);
    app.tap_compartment(0);
    for (by, place) in [
        (1, "tank 1 of 2, outlet side, 2 of 2"),
        (1, "tank 2 of 2"),
        (1, "tank 1 of 2, inlet side, 1 of 2"),
    ] {
        app.step_compartment(by);
        assert_eq!(app.read_view().compartment_text, place);
    }
    drop(app);
    assert_eq!(read(&mut app_on(&path)), expected);
    // One compartment fewer, taken back: the reading of the second is there again.
    let mut app = app_on(&path);
    taps(&mut app, "tank 1\n compartments 1");
    app.undo();
    assert_eq!(read(&mut app), expected);
}

// --- finishing, first start, opening again -------------------------------------------------------

#[test]
fn finishing_asks_about_the_lids_until_someone_says_they_are_closed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    for said in [None, Some(Answer::No)] {
        if let Some(answer) = said {
            app.tap_closed(answer);
        }
        app.tap_finish();
        let question = app
            .confirm_view()
            .expect("nobody has said that the lids are closed")
            .clone();
        assert!(question.sentence.contains("closed"), "{}", question.sentence);
        app.confirm_answer(false);
        assert!(app.confirm_view().is_none() && !app.leave_view().finished);
    }
    app.tap_closed(Answer::Yes);
    app.tap_finish();
    assert!(app.confirm_view().is_none());
    assert_eq!(app.screen(), Screen::Day);
    assert!(
        app.day_view().stops[0].detail.starts_with("done"),
        "{:?}",
        app.day_view().stops
    );
    // Finished by mistake: open it from the day and take it back.
    app.tap_stop(0);
    assert!(app.leave_view().finished);
    app.undo();
    assert!(!app.leave_view().finished);
    app.session_mut().settle().unwrap();
    // With a lid open it can be finished all the same, by whoever answers the question.
    app.undo();
    app.tap_finish();
    app.confirm_answer(true);
    assert_eq!(app.screen(), Screen::Day);
}

#[test]
fn the_first_start_asks_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = app_on(&path);
    assert_eq!(app.screen(), Screen::FirstRun);
    for screen in [Screen::Day, Screen::Book, Screen::Setup, Screen::At(Station::Read)] {
        app.go(screen);
        assert_eq!(
            app.screen(),
            Screen::FirstRun,
            "{screen:?} before the question is answered"
        );
    }
    app.choose_language(Language::Spanish);
    drop(app);
    let mut app = app_on(&path);
    assert_eq!(app.screen(), Screen::FirstRun, "choosing a language is no answer");
    app.choose_language(Language::Spanish);
    app.start_empty();
    assert_eq!(app.screen(), Screen::Day);
    app.session_mut().settle().unwrap();
    drop(app);
    let mut app = app_on(&path);
    assert_eq!(app.screen(), Screen::Day);
    assert_eq!(app.session().setup().language, Language::Spanish);
    app.go(Screen::Book);
    assert!(app.book().is_empty());
    app.go(Screen::Day);
    assert!(app.day_view().stops.is_empty());
}

#[test]
fn the_demo_book_opens_and_says_that_it_is_invented() {
    let folder = tempfile::tempdir().unwrap();
    let mut app = app_on(&folder.path().join("book.sqlite"));
    app.start_demo(&|app| demo::open_bundled(app).map_err(|error| error.to_string()));
    let notice = app.notice().unwrap();
    assert_eq!(notice.kind, NoticeKind::Info);
    assert!(notice.text.what.contains("invented"), "{}", notice.text.what);
    assert_eq!(app.screen(), Screen::Day);
    assert!(app.day_view().stops.len() >= 3);
    app.go(Screen::Book);
    assert!(app.book().len() >= 3);
    app.session_mut().settle().unwrap();
    app.session_mut().ask(|store| store.check()).unwrap();
}

#[test]
fn a_stop_cut_off_at_a_station_opens_there_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut app = measured(&path);
    for station in Station::ALL {
        app.go(Screen::At(*station));
        app.session_mut().settle().unwrap();
        // The files as a kill would leave them: copied while the app has them open.
        let killed = folder.path().join(format!("{station:?}"));
        std::fs::create_dir(&killed).unwrap();
        for name in ["book.sqlite", "book.sqlite-wal"] {
            std::fs::copy(folder.path().join(name), killed.join(name)).unwrap();
        }
        let mut again = app_on(&killed.join("book.sqlite"));
        assert_eq!(again.screen(), Screen::At(*station));
        assert_eq!(shown(&mut again), shown(&mut app));
    }
    // A stop that was left for the day does not come back by itself.
    app.go(Screen::Day);
    app.session_mut().settle().unwrap();
    drop(app);
    assert_eq!(app_on(&path).screen(), Screen::Day);
}

#[test]
fn setup_counts_every_site_whatever_is_searched_for() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    drop(app);
    app = app_on(&folder.path().join("book.sqlite"));
    app.go(Screen::Setup);
    assert!(app.setup_view().book.starts_with("1 "), "{}", app.setup_view().book);
    app.go(Screen::Book);
    app.edit_search("nowhere");
    assert!(app.book().is_empty());
    app.go(Screen::Setup);
    assert!(app.setup_view().book.starts_with("1 "), "{}", app.setup_view().book);
}

#[test]
fn while_an_action_waits_to_be_kept_undo_does_not_take_back_the_one_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    taps(&mut app, MEASURED);
    // An action the book cannot take: the lid of a tank that is not there. A full device refuses in the same place.
    let lid = Lid {
        id: LidId(Uuid::from_u128(7)),
        tank: TankId(Uuid::from_u128(8)),
        ..Lid::default()
    };
    app.session_mut()
        .keep(Some(stop), "soil over the lid", true, changes(&[], &[lid]));
    app.undo();
    assert_eq!(
        app.read_view().values[2],
        "12 in",
        "the sludge was taken back in place of what waits"
    );
    assert!(!app.session().is_kept() && !app.stop_view().is_kept);
    let notice = app.notice().expect("what waits is said");
    assert_eq!(notice.kind, NoticeKind::Failure);
    assert!(
        app.open_stop(stop).is_err(),
        "read now, the stop would show less than was recorded"
    );
}

// --- anything at any time ------------------------------------------------------------------------

/// Text a person, a clumsy one or a malicious one might type.
const TEXTS: [&str; 12] = [
    "",
    " ",
    "2019",
    "2019-13-40",
    "44.5",
    "-181",
    "½",
    "9999999999999999999999",
    "O'Hara; DROP TABLE site",
    "señor\u{0}\u{202e}",
    "🪣🪣🪣",
    "NaN",
];

/// Places on a drawing, some of them nowhere.
const PLACES: [f64; 10] = [
    0.0,
    1.0,
    37.5,
    120.0,
    260.0,
    480.0,
    -50.0,
    1e9,
    f64::NAN,
    f64::NEG_INFINITY,
];

const SCREENS: [Screen; 21] = [
    Screen::FirstRun,
    Screen::Day,
    Screen::Book,
    Screen::Site,
    Screen::SiteEdit,
    Screen::At(Station::Find),
    Screen::At(Station::Dig),
    Screen::At(Station::Read),
    Screen::At(Station::Pump),
    Screen::At(Station::Leave),
    Screen::Tank,
    Screen::Photos,
    Screen::Photo,
    Screen::Door,
    Screen::WhatIf,
    Screen::Truck,
    Screen::Load,
    Screen::Disposal,
    Screen::CloseDay,
    Screen::Setup,
    Screen::About,
];

/// A camera whose only picture is this one.
fn source_of(picture: &Path) -> PictureSource {
    let list = |path: std::path::PathBuf| move || Ok(vec![path.clone()]);
    PictureSource {
        camera: Some(Box::new(list(picture.to_owned()))),
        files: Box::new(list(picture.to_owned())),
    }
}

/// Touches anything, sensible at this moment or not.
#[allow(clippy::too_many_lines, reason = "one line for each thing that can be touched")]
fn touch_anything(app: &mut App, dice: &mut Dice) {
    let index = dice.below(6);
    let steps = *dice.pick(&[1_i32, -1, 1, -1, 7, -40, i32::MAX, i32::MIN]);
    let by = *dice.pick(&[1_isize, -1]);
    let answer = *dice.pick(&[Answer::Yes, Answer::No, Answer::Unknown]);
    let language = *dice.pick(Language::ALL);
    let text = *dice.pick(&TEXTS);
    let (x, y) = (*dice.pick(&PLACES), *dice.pick(&PLACES));
    let quantity = *dice.pick(&[Quantity::Level, Quantity::Scum, Quantity::Sludge, Quantity::Device]);
    let item = *dice.pick(&[
        SetupItem::Company,
        SetupItem::CompanyPhone,
        SetupItem::Technician,
        SetupItem::DigFee,
        SetupItem::Riser(6),
        SetupItem::Riser(24),
        SetupItem::TruckTank(0),
        SetupItem::TruckTank(1),
        SetupItem::TruckPlate,
        SetupItem::Registration,
        SetupItem::MaxInterval,
        SetupItem::EdgeError,
        SetupItem::PositionSource,
        SetupItem::OfficeKey,
        SetupItem::PhoneKey,
    ]);
    let field = *dice.pick(&[
        SiteField::Name,
        SiteField::Address,
        SiteField::Note,
        SiteField::Town,
        SiteField::Customer,
        SiteField::Phone,
        SiteField::PermitDate,
        SiteField::Latitude,
        SiteField::Longitude,
    ]);
    match dice.below(201) {
        // Most of the time something is typed, moved or kept, or a stop is opened.
        0..=9 => {
            let key = match dice.below(14) {
                digit @ 0..=9 => PadKey::Digit(u8::try_from(digit).unwrap()),
                10 => PadKey::Point,
                11 => PadKey::Half,
                12 => PadKey::Sign,
                _ => PadKey::Back,
            };
            app.pad_key(key);
        }
        10..=12 => app.pad_keep(),
        13 => app.sheet_edit(text),
        14 | 15 => app.sheet_keep(),
        16 | 17 => app.go(*dice.pick(&SCREENS)),
        18 | 19 => app.go(Screen::At(*dice.pick(Station::ALL))),
        20 | 21 => {
            // Without a stop open most touches have nothing to touch.
            if app.stop_view() == StopView::default() {
                app.go(Screen::Day);
                app.tap_stop(dice.below(app.day_view().stops.len().max(1)));
            }
        }
        22 => app.back(),
        23 => app.dismiss_notice(),
        24 => app.start_empty(),
        25 => app.start_demo(&|_| Err("not here".to_owned())),
        26 => {
            app.poll();
        }
        27 => app.undo(),
        28 => app.step_tank(by),
        29 => app.choose_tank(index),
        30 => app.step_compartment(by),
        31 => {
            app.tap_start();
            if answer == Answer::Yes {
                app.tap_plans();
                app.import_plan_file(Path::new("no-such-plan.json"));
            }
        }
        32 => app.tap_truck(),
        33 => app.picker_choose(index),
        34 => app.confirm_answer(answer == Answer::Yes),
        35 => app.cancel_overlay(),
        36 => app.edit_search(text),
        37 => app.tap_sort(*dice.pick(&[BookSort::Name, BookSort::Nearest, BookSort::SoonestDue])),
        38 => app.tap_book_row(index),
        39 => app.tap_start_here(),
        40 => app.tap_edit_site(),
        41 => app.tap_new_site(),
        42 => app.edit_site_field(field, text),
        43 => app.choose_site_language(language),
        44 => app.nudge_form_residents(steps),
        45 => app.pad_form_residents(),
        46 => app.tap_form_grinder(answer),
        47 => app.tap_form_rule_set(),
        48 | 49 => app.keep_site_form(),
        50 => app.cancel_site_form(),
        51 => app.tap_found(answer),
        52 => app.tap_find_note(),
        53 => app.tap_latitude(),
        54 => app.tap_longitude(),
        55 => app.dig_resized(x, y),
        56 => app.dig_pressed(x, y),
        57 => app.dig_dragged(x, y),
        58 => app.dig_released(),
        59 => app.nudge_cover(steps),
        60 => app.tap_cover(),
        61 => app.step_lid(by),
        62 => {
            app.choose_lid(["inlet", "outlet", "middle", "none"][dice.below(4)]);
        }
        63 => app.add_lid(),
        64 => app.tap_material(),
        65 => app.tap_cracked(),
        66 => app.tap_secured(),
        67 => app.read_resized(x, y),
        68 => app.read_pressed(x, y),
        69 => app.read_dragged(x, y),
        70 => app.read_released(),
        71 => app.tap_quantity(quantity),
        72 => app.nudge_reading(steps),
        73 => app.tap_reading(),
        74 => app.tap_probe(),
        75 if index.is_multiple_of(2) => app.turn_pumped(),
        75 => app.tap_pumped(answer),
        76 => app.nudge_out(steps),
        77 => app.pad_out(),
        78 => app.nudge_heel(steps),
        79 => app.pad_heel(),
        80 if index.is_multiple_of(2) => app.turn_rinsed(),
        80 => app.tap_rinsed(answer),
        81 => app.tap_closed(answer),
        82 => app.nudge_people(steps),
        83 => app.pad_people(),
        84 => app.tap_found_note(),
        85 => app.show_customer(),
        86 => app.tap_what_if(),
        87 => app.tap_finish(),
        88 => {
            app.tap_add_tank();
            app.tap_shape(*dice.pick(ShapeKind::ALL));
        }
        89 => app.tap_compartment_count(index),
        90 => app.tap_compartment(index),
        91 => app.tap_dimension(index),
        92 => app.nudge_dimension(steps),
        93 => app.tap_dimension_figure(),
        94 => app.tap_dip_depth(index),
        95 => app.tap_dip_volume(index),
        96 => app.tap_add_dip_row(),
        97 => app.tap_remove_dip_row(index),
        98 => app.tap_tank_fact(index),
        99 => {
            app.tank_resized(x, y);
            app.chart_resized(x, y);
            app.door_tank_resized(y, x);
            app.pad_resized(x, y);
        }
        100 => {
            app.nudge_trial_residents(steps);
            app.pad_trial_residents();
        }
        101 => {
            app.nudge_trial_tank(steps);
            app.pad_trial_tank();
        }
        102 => app.tap_trial_grinder(answer),
        103 => app.reset_trial(),
        104 => app.choose_language(language),
        105 => app.choose_units(*dice.pick(Units::ALL)),
        106 => app.choose_night(answer == Answer::Yes),
        107 => app.tap_rule_set(),
        108 => app.tap_setup_item(item),
        109 => match dice.below(8) {
            0 => app.say_rule_file_refused(text, index),
            1 => app.tap_about(),
            2 => app.pad_clear(),
            3 => app.sign_cancel(),
            4 => app.edit_signer(text),
            // Paper takes long, so it is rare.
            5 if dice.below(8) == 0 => app.give_slip(),
            _ => app.tap_sign(),
        },
        110 => {
            app.pad_pressed(x, y);
            app.pad_dragged(y, x);
        }
        111 => app.tap_site_tank(index),
        112 => app.tap_site_add_tank(),
        113 => app.tap_site_visit(index),
        114 | 115 => app.acknowledge_cautions(),
        116..=125 => app.tap_find_key(index),
        126..=129 => {
            app.plan_pressed(x, y);
            app.plan_released();
        }
        130 => {
            app.plan_pressed(x, y);
            app.plan_dragged(y, x);
            app.plan_released();
        }
        131 => app.plan_zoom(steps),
        132 => app.plan_fit(),
        133 => app.plan_resized(x, y),
        134 => app.nudge_marker(steps, -steps.max(-1_000)),
        135 if steps > 0 => app.tap_earlier_photo(),
        135 => app.tap_find_notes(),
        136 => app.tap_sewer_depth(),
        137 => app.tap_north(),
        138..=141 => app.picker_choose(dice.below(16)),
        142 | 143 => app.take_position(here_somewhere(dice)),
        144 | 145 => app.go(Screen::At(Station::Find)),
        146 | 147 => {
            // A tape takes a list, another list and a number; alone each of them comes to nothing.
            app.go(Screen::At(Station::Find));
            app.tap_find_key(4);
            app.picker_choose(index);
            app.picker_choose(dice.below(4));
            app.pad_key(PadKey::Digit(9));
            app.pad_keep();
        }
        148..=150 => {
            // A form is rarely on the screen of its own accord.
            if app.form_view().rows.is_empty() {
                app.tap_truck_entry(index);
            }
            app.tap_form_row(dice.below(30));
        }
        // Paper takes long, so it is rare.
        151 => app.tap_form_key(if dice.below(12) == 0 { index % 3 } else { 0 }),
        152 => app.tap_truck_tank(index),
        153 => app.tap_truck_entry(index),
        154 => app.tap_dispose(),
        155 => app.tap_correct(),
        156 => {
            app.tap_close_day();
            app.tap_pump_record();
        }
        157 => app.tap_day_file(),
        158 => match dice.below(12) {
            0 => app.make_day_file(app.session().today()),
            1 => app.show_phone_key(),
            _ => app.settle_day_file(),
        },
        159..=161 => {
            // A clue takes a list, a place and a key, too.
            app.go(Screen::At(Station::Find));
            app.tap_find_key(3);
            app.picker_choose(index);
            app.plan_pressed(x, y);
            app.plan_released();
            app.tap_find_key(dice.below(6));
        }
        164 => match dice.below(4) {
            // A picture, a text that is none, and nothing at all.
            0 => app.take_photo(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml").as_path()),
            1 => app.take_photo(Path::new("/nowhere/at/all.jpg")),
            2 => app.tap_camera(),
            _ => app.tap_photo_file(),
        },
        165 => app.tap_photos(),
        195 => match dice.below(4) {
            0 => {
                app.tap_map();
                // Wiping has its own test; here it only opens its lists, which are closed again.
                app.tap_wipe_site();
                app.tap_wipe_all();
                app.tap_safe_copy();
                app.cancel_overlay();
                app.settle_copy();
            }
            1 => {
                app.tap_dial();
                // Turning it on takes a phrase and a second of work: that is tested by itself.
                app.choose_cloud(true);
                app.cancel_overlay();
                app.choose_cloud(false);
                app.tap_open_cloud_copy();
            }
            2 => app.keep_device_in_step(),
            _ => app.hear(match dice.below(8) {
                0 => News::Moment(Moment::Hidden),
                1 => News::Moment(Moment::Shown),
                2 => News::Moment(Moment::LowMemory),
                3 => News::Moment(Moment::ClockChanged),
                4 => News::Picture("/nowhere/at/all.jpg".into()),
                5 => News::File("/nowhere/at/all.gpx".into()),
                6 => News::Heading(x),
                _ => News::TextScale(y),
            }),
        },
        166 => app.tap_photo(index),
        167 => app.step_photo(by),
        168 => match dice.below(3) {
            0 => app.tap_photo_remove(),
            1 => app.tap_photo_note(),
            _ => app.tap_photo_part(),
        },
        169 => app.tap_tool(*dice.pick(&[Tool::None, Tool::Arrow, Tool::Circle, Tool::Known, Tool::Measure])),
        170 => {
            app.photo_resized(x, y);
            app.photo_pressed(x, y);
            app.photo_dragged(y, x);
            app.photo_released();
        }
        171 => match dice.below(4) {
            0 => app.tap_marks_off(),
            1 => app.tap_keep_camera_data(),
            _ => {
                app.poll();
            }
        },
        // A page is rarely on the screen of its own accord.
        172..=175 => app.tap_page(*dice.pick(Page::ALL)),
        176..=178 => app.tap_page_row(dice.below(30)),
        179..=188 => {
            app.tap_page(*dice.pick(Page::ALL));
            app.tap_page_choice(dice.below(12), dice.below(5));
        }
        189..=191 => {
            app.tap_page(*dice.pick(Page::ALL));
            app.tap_page_key(dice.below(3));
            app.pad_key(PadKey::Digit(4));
            app.pad_keep();
        }
        192 => {
            app.page_resized(x, y);
            app.tap_page_spot(dice.below(12));
        }
        193 => {
            // A part takes the page, the drawing and a list.
            app.tap_page(Page::Parts);
            app.tap_page_spot(dice.below(10));
            app.picker_choose(dice.below(10));
        }
        196..=198 => {
            // A price takes the page, a key and a name.
            app.tap_page(Page::Prices);
            app.tap_page_key(0);
            app.sheet_edit("hose over 100 ft");
            app.sheet_keep();
        }
        199 => {
            // A flush takes the fixtures that are there, whichever rows they stand in.
            app.tap_page(Page::Flush);
            for row in 0..10 {
                app.tap_page_choice(row, dice.below(4));
            }
        }
        _ => app.sign_accept(),
    }
}

/// A position report, sensible or not.
fn here_somewhere(dice: &mut Dice) -> Here {
    let degrees = |dice: &mut Dice, about: f64| about + f64::from(u16::try_from(dice.below(2_000)).unwrap()) * 1e-7;
    let (lat, lon) = (degrees(dice, 44.0), degrees(dice, -93.0));
    let accuracy = *dice.pick(&[None, Some(4.0), Some(-1.0), Some(f64::NAN), Some(1e12), Some(0.02)]);
    let position = Position::new(lat, lon).unwrap();
    let turned = *dice.pick(&[None, Some(12.0), Some(f64::NAN), Some(-720.0)]);
    Here {
        fix: (dice.below(8) > 0).then(|| Fix::new(position, accuracy)),
        heading_deg: turned,
        course_deg: Some(90.0),
        source: "test".to_owned(),
        bad_sentences: 3,
        at: crate::fixture::now(),
    }
}

/// Looks at what shows, as the window would.
fn look(app: &App) {
    drop((
        app.notice(),
        app.pad_view(),
        app.sheet_view(),
        app.picker_view(),
        app.confirm_view(),
        app.stop_view(),
    ));
    match app.screen() {
        Screen::FirstRun | Screen::About => drop(app.about_licences()),
        Screen::Day => drop(app.day_view()),
        Screen::Book => {
            for row in 0..app.book().len() {
                drop(app.book().line(row, app.session().figures(), app.session().today()));
            }
        }
        Screen::Site => drop(app.site_view()),
        Screen::SiteEdit => drop(app.site_form_view()),
        Screen::At(Station::Find) => drop(app.find_view()),
        Screen::At(Station::Dig) => drop(app.dig_view()),
        Screen::At(Station::Read) => drop(app.read_view()),
        Screen::At(Station::Pump) => drop(app.pump_view()),
        Screen::At(Station::Leave) => drop(app.leave_view()),
        Screen::Tank => drop(app.tank_view()),
        Screen::Page(_) => drop(app.page_view()),
        Screen::Photos => {
            drop(app.photos_view());
            for row in 0..app.photo_count() {
                drop((app.photo_line(row), app.photo_thumbnail(row)));
            }
            drop(app.photos_arrived());
        }
        Screen::Photo => drop(app.photo_view()),
        Screen::Door => drop((app.door_view(), app.card_data())),
        Screen::WhatIf => drop(app.what_if_view()),
        Screen::Truck => {
            drop(app.truck_view());
            assert!(app.ledger().balance().holds());
        }
        Screen::Load | Screen::Disposal | Screen::CloseDay => drop((app.form_view(), app.record_sign_view())),
        Screen::Setup => drop(app.setup_view()),
    }
}

#[test]
fn eight_thousand_touches_of_anything_break_nothing() {
    let seed: u64 = std::env::var("LIDMARK_SEED")
        .ok()
        .map_or(20_260_617, |text| text.parse().unwrap());
    println!("repeat with: LIDMARK_SEED={seed} cargo test --no-default-features --test all eight_thousand");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut dice = Dice::new(seed);
    let mut app = measured(&path);
    let mut met = BTreeSet::new();
    let camera = folder.path().join("camera.png");
    image::RgbImage::from_fn(40, 30, |x, y| image::Rgb([x as u8, y as u8, 90]))
        .save(&camera)
        .unwrap();
    app.set_picture_source(source_of(&camera));
    for step in 0..8_000 {
        touch_anything(&mut app, &mut dice);
        look(&app);
        met.insert(format!("{:?}", app.screen()));
        if step % 250 == 249 {
            app.session_mut().settle().unwrap();
            app.session().ask(|store| store.check()).unwrap();
            assert!(app.session().ask(|store| store.orphans()).unwrap().is_empty());
        }
        if step % 1_000 == 999 {
            // Closed and opened again in the middle of it all, the app goes on.
            drop(app);
            app = app_on(&path);
            app.set_picture_source(source_of(&camera));
        }
    }
    app.settle_photos();
    // Nothing shows FirstRun again; all the rest has been met.
    assert!(met.len() >= 20, "only {met:?} were met");
    let ops = app.session().ask(|store| store.op_count()).unwrap();
    assert!(ops > 500, "only {ops} actions were kept");
    drop(app);
    let tables = dump(&path);
    assert!(tables["change"].len() > 1_000);
    for table in [
        "pin",
        "tie",
        "clue",
        "probe",
        "fixture",
        "flush",
        "sign",
        "condition",
        "leak_run",
        "work_line",
        "price",
    ] {
        assert!(!tables[table].is_empty(), "no {table} was ever made");
    }
}

#[test]
fn nothing_that_can_be_touched_is_left_out_of_the_touches() {
    let here = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/all/stops.rs")).unwrap();
    let mut forgotten = Vec::new();
    for entry in std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/app")).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            // The drawings hold no touches.
            continue;
        }
        let text = std::fs::read_to_string(path).unwrap();
        // Only what belongs to the app itself: from `impl App {` to the brace that closes it.
        for block in text.split("\nimpl App {\n").skip(1) {
            let block = block.split_once("\n}\n").map_or(block, |(inside, _)| inside);
            for after in block.split("\n    pub fn ").skip(1) {
                let (name, rest) = after.split_once('(').unwrap();
                if rest.trim_start().starts_with("&mut self") && !here.contains(&format!("app.{name}(")) {
                    forgotten.push(name.to_owned());
                }
            }
        }
    }
    // These are no touches: the program or the demo calls them, and other tests do.
    let not_touched = [
        "connect_device",
        "connect_position",
        "export_plan",
        "import_plan",
        "take_position",
        "reload_day",
        "reload_book",
        "add_site",
        "plan_stop",
        "begin_stop",
        "open_stop",
        "open_site",
        "start_at",
        "set_picture_source",
        "settle_photos",
        "settle_cloud",
        "open_ledger_now",
    ];
    forgotten.retain(|name| !not_touched.contains(&name.as_str()));
    assert!(forgotten.is_empty(), "never touched: {forgotten:?}");
}
