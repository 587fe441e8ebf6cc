//! The pages behind the Pump station, played through the view-models: flush test, signs, leak gauge, parts, work.

use chrono::TimeDelta;
use lidmark::app::overlay::PadKey;
use lidmark::app::page::{Page, PageRow, PageView};
use lidmark::app::session::Steady;
use lidmark::app::shell::{App, Screen};
use lidmark::domain::record::{Language, Station, Units};

use crate::fixture::{app_at_a_stop, app_on, dump, now, taps};

/// A box of 96 x 60 in under 48 in of liquid.
const TANK: &str = "
    go read
    shape box
    size length 96
    size width 60
    size liquid 48
    go pump
";

/// A page, and something done on it.
type Step<'a> = (Page, &'a dyn Fn(&mut App));

fn row(app: &App, title: &str) -> (usize, PageRow) {
    let view = app.page_view();
    let found = view.rows.iter().position(|row| row.title == title);
    let at = found.unwrap_or_else(|| {
        let titles: Vec<_> = view.rows.iter().map(|row| &row.title).collect();
        panic!("no row {title}: {titles:?}")
    });
    (at, view.rows[at].clone())
}

/// Taps the answer with this caption on the row with this title.
fn answer(app: &mut App, title: &str, caption: &str) {
    let (at, row) = row(app, title);
    let choice = row.choices.iter().position(|choice| choice.text == caption);
    app.tap_page_choice(at, choice.unwrap_or_else(|| panic!("no answer {caption} on {row:?}")));
}

/// Taps a caption wherever it stands: those of the rows that add a fixture are unlike any other.
fn tap_caption(app: &mut App, caption: &str) {
    let view = app.page_view();
    let found = view.rows.iter().enumerate().find_map(|(at, row)| {
        let choice = row.choices.iter().position(|choice| choice.text == caption)?;
        Some((at, choice))
    });
    let (at, choice) = found.unwrap_or_else(|| panic!("no {caption}"));
    app.tap_page_choice(at, choice);
}

fn chosen(app: &App, title: &str) -> Vec<String> {
    let (_, row) = row(app, title);
    row.choices
        .into_iter()
        .filter(|choice| choice.chosen)
        .map(|choice| choice.text)
        .collect()
}

fn type_keys(app: &mut App, text: &str) {
    for letter in text.chars() {
        app.pad_key(match letter {
            '.' => PadKey::Point,
            '-' => PadKey::Sign,
            digit => PadKey::Digit(u8::try_from(digit.to_digit(10).unwrap()).unwrap()),
        });
    }
    app.pad_keep();
    assert!(app.pad_view().is_none(), "{text} is not taken: {:?}", app.pad_view());
}

/// Sets the clock to so many seconds after the moment of every test.
fn later(app: &mut App, seconds: i64) {
    app.session_mut()
        .set_clock(Box::new(move || now() + TimeDelta::seconds(seconds)));
}

fn says(view: &PageView, words: &str) -> bool {
    view.result.iter().chain(&view.lead).any(|line| line.contains(words))
}

#[test]
fn fixtures_are_added_with_one_tap_counted_in_seconds_and_remembered() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, TANK);
    app.tap_page(Page::Flush);
    for kind in ["Toilet", "Toilet", "Kitchen sink", "Laundry"] {
        tap_caption(&mut app, kind);
    }
    // Two of a kind are told apart without anybody typing.
    assert_eq!(row(&app, "Toilet").1.detail, "not run yet");
    assert_eq!(row(&app, "Toilet 2").1.detail, "not run yet");
    answer(&mut app, "Drawn down below the inlet", "Yes");
    // Run at 0 s, came at 9 s.
    later(&mut app, 0);
    answer(&mut app, "Toilet", "Run");
    later(&mut app, 7);
    assert!(app.page_view().ticking);
    assert_eq!(row(&app, "Toilet").1.detail, "running for 7 s");
    later(&mut app, 9);
    answer(&mut app, "Toilet", "Came");
    assert_eq!(row(&app, "Toilet").1.detail, "came after 9 s");
    assert!(!app.page_view().ticking);
    // What took longer than a minute is slow, whatever was tapped (common practice, `domain::flush`).
    answer(&mut app, "Kitchen sink", "Run");
    later(&mut app, 84);
    answer(&mut app, "Kitchen sink", "Came");
    assert_eq!(row(&app, "Kitchen sink").1.detail, "slow: after 75 s");
    answer(&mut app, "Toilet 2", "Nothing");
    let view = app.page_view();
    assert!(says(&view, "the main line is open"), "{:?}", view.result);
    assert!(says(&view, "Toilet 2"), "{:?}", view.result);
    assert!(says(&view, "hand snake"), "{:?}", view.result);
    // Cleared and run again, both runs side by side.
    answer(&mut app, "Which run", "After clearing");
    for name in ["Toilet", "Toilet 2", "Kitchen sink"] {
        answer(&mut app, name, "Came");
    }
    assert_eq!(row(&app, "Toilet 2").1.detail, "came · as found: nothing came");
    assert!(says(
        &app.page_view(),
        "Cleared: everything that was held back comes promptly now."
    ));
    app.session_mut().settle().unwrap();
    drop(app);
    let mut app = app_on(&path);
    app.tap_page(Page::Flush);
    assert_eq!(chosen(&app, "Which run"), ["After clearing"], "where it was left");
    // The next visit knows the fixtures and nothing of what came.
    let site = lidmark::domain::record::SiteId(uuid::Uuid::from_u128(0x51));
    let next = app.plan_stop(site).unwrap();
    app.begin_stop(next).unwrap();
    app.tap_page(Page::Flush);
    for name in ["Toilet", "Toilet 2", "Kitchen sink", "Laundry"] {
        assert_eq!(row(&app, name).1.detail, "not run yet");
    }
    assert!(app.page_view().result.is_empty());
    app.session().ask(|store| store.check()).unwrap();
}

#[test]
fn every_tap_of_a_page_is_one_step_of_undo() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, TANK);
    let steps: &[Step<'_>] = &[
        (Page::Flush, &|app| tap_caption(app, "Toilet")),
        (Page::Flush, &|app| answer(app, "Toilet", "Slow")),
        (Page::Flush, &|app| answer(app, "Drawn down below the inlet", "No")),
        (Page::Looks, &|app| {
            answer(app, "Runback from the outlet while pumping", "There");
        }),
        (Page::Looks, &|app| {
            answer(app, "Runback from the outlet while pumping", "Not there");
        }),
        (Page::Parts, &|app| {
            app.tap_page_spot(0);
            app.picker_choose(1);
        }),
        (Page::Gauge, &|app| {
            app.tap_page_key(0);
            type_keys(app, "36");
        }),
        (Page::Work, &|app| answer(app, "Hose sections beyond the usual", "+ 1")),
        (Page::Work, &|app| answer(app, "Extra hose, one section", "Declined")),
        (Page::Work, &|app| answer(app, "Extra hose, one section", "Accepted")),
    ];
    for (page, step) in steps {
        app.tap_page(*page);
        let before = app.page_view();
        step(&mut app);
        app.session_mut().settle().unwrap();
        let after = app.page_view();
        assert_ne!(after, before, "{page:?}");
        app.undo();
        assert_eq!(app.page_view(), before, "{page:?}");
        step(&mut app);
        assert_eq!(app.page_view(), after, "{page:?}");
    }
    app.session_mut().settle().unwrap();
    app.session().ask(|store| store.check()).unwrap();
}

#[test]
fn the_wait_of_the_leak_gauge_goes_on_while_the_program_is_closed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, TANK);
    app.tap_page(Page::Gauge);
    answer(&mut app, "Wait", "1 h");
    app.tap_page_key(0);
    // Read when the key was tapped; typing takes its time.
    later(&mut app, 40);
    type_keys(&mut app, "36");
    assert_eq!(app.page_view().figure, "59:20");
    app.session_mut().settle().unwrap();
    drop(app);
    // Twenty minutes later, from the file alone.
    let mut app = app_on(&path);
    later(&mut app, 20 * 60);
    assert_eq!(app.screen(), Screen::At(Station::Pump));
    assert_eq!(app.pump_view().page_texts[2], "40:00");
    app.tap_page(Page::Gauge);
    assert_eq!(app.page_view().figure, "40:00");
    assert!(app.page_view().ticking);
    later(&mut app, 60 * 60);
    assert_eq!(app.page_view().figure, "00:00");
    assert!(!app.page_view().ticking);
    // By hand: 36 in and 35 in are kept as 914 mm and 889 mm. 2438 x 1524 x 25 mm³ = 92.9 L in an hour, 2229 L a day,
    // at 3.785412 L to the gallon (NIST SP 811, appendix B.8) 589 gal a day.
    app.tap_page_key(0);
    type_keys(&mut app, "35");
    let view = app.page_view();
    assert!(says(&view, "589 gal a day"), "{:?}", view.result);
    assert!(says(&view, "Water comes in"), "{:?}", view.result);
    // Finer than half an inch is taken, in either units.
    app.tap_page_key(0);
    type_keys(&mut app, "34.875");
    app.session_mut().settle().unwrap();
    let runs = dump(&path).remove("leak_run").unwrap();
    assert!(runs.iter().any(|run| run.contains("Integer(-886)")), "{runs:?}");
    app.choose_units(Units::Metric);
    assert!(app.page_view().lead.iter().any(|line| line.contains("88.6 cm")));
}

/// The phone's two clocks: the time of day, and the seconds since its start by a clock that nobody can set.
fn clocks(app: &mut App, day: i64, boot: &'static str, steady: i64) {
    later(app, day);
    drop(app.session_mut().set_steady_clock(Box::new(move || {
        Some(Steady {
            boot: boot.to_owned(),
            seconds: steady,
        })
    })));
}

#[test]
fn a_clock_that_is_changed_during_the_wait_is_noticed_and_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, TANK);
    app.tap_page(Page::Gauge);
    clocks(&mut app, 0, "a", 1_000);
    answer(&mut app, "Wait", "1 h");
    app.tap_page_key(0);
    type_keys(&mut app, "36");
    app.session_mut().settle().unwrap();
    drop(app);
    // Killed and started again; in between somebody set the clock five hours back. Twenty minutes have gone by.
    let mut app = app_on(&path);
    clocks(&mut app, -5 * 3_600, "a", 2_200);
    app.tap_page(Page::Gauge);
    assert_eq!(app.page_view().figure, "40:00");
    assert!(
        says(&app.page_view(), "was changed during the wait"),
        "{:?}",
        app.page_view().lead
    );
    clocks(&mut app, 9 * 3_600, "a", 4_600);
    app.tap_page_key(0);
    type_keys(&mut app, "35");
    // As by hand above: 92.9 L in the hour that went by, whatever the time of day says.
    let view = app.page_view();
    assert!(says(&view, "589 gal a day"), "{:?}", view.result);
    assert!(
        says(&view, "The clock was changed between the marks"),
        "{:?}",
        view.result
    );

    // Started again: only the time of day is left, and that is said.
    app.tap_page_key(0);
    type_keys(&mut app, "36");
    clocks(&mut app, 10 * 3_600, "b", 50);
    app.tap_page_key(0);
    type_keys(&mut app, "35");
    let view = app.page_view();
    assert!(says(&view, "589 gal a day"), "{:?}", view.result);
    assert!(says(&view, "was started again between the marks"), "{:?}", view.result);

    // Set back behind the first mark, with nothing else to go by: no figure, and why.
    app.tap_page_key(0);
    type_keys(&mut app, "36");
    clocks(&mut app, 8 * 3_600, "c", 50);
    assert!(says(&app.page_view(), "it was set back"), "{:?}", app.page_view().lead);
    app.tap_page_key(0);
    type_keys(&mut app, "35");
    let view = app.page_view();
    assert!(says(&view, "the clock was set back"), "{:?}", view.result);
    assert!(!says(&view, "gal a day,"), "{:?}", view.result);

    // A year forward is asked about.
    app.tap_page_key(0);
    type_keys(&mut app, "36");
    clocks(&mut app, 366 * 86_400, "d", 50);
    app.tap_page_key(0);
    type_keys(&mut app, "10");
    assert!(
        says(&app.page_view(), "More than a day lies between the marks"),
        "{:?}",
        app.page_view().result
    );
    app.session_mut().settle().unwrap();
    app.session().ask(|store| store.check()).unwrap();
}

#[test]
fn a_clock_that_is_changed_while_a_fixture_runs_counts_nothing_false() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, TANK);
    app.tap_page(Page::Flush);
    tap_caption(&mut app, "Toilet");
    clocks(&mut app, 0, "a", 100);
    answer(&mut app, "Toilet", "Run");
    clocks(&mut app, 7_200, "a", 109);
    assert_eq!(row(&app, "Toilet").1.detail, "running for 9 s");
    answer(&mut app, "Toilet", "Came");
    assert_eq!(row(&app, "Toilet").1.detail, "came after 9 s");
    // With no such clock a jump of hours is no count at all.
    drop(app.session_mut().set_steady_clock(Box::new(|| None)));
    answer(&mut app, "Toilet", "Run");
    later(&mut app, -7_200);
    assert_eq!(row(&app, "Toilet").1.detail, "running");
    answer(&mut app, "Toilet", "Came");
    assert_eq!(row(&app, "Toilet").1.detail, "came");
}

#[test]
fn two_answers_that_do_not_go_together_are_said() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, TANK);
    app.tap_page(Page::Looks);
    answer(&mut app, "Water coming in with nothing running", "Not there");
    answer(
        &mut app,
        "Water coming in at the inlet pipe with nothing running",
        "There",
    );
    assert!(
        says(&app.page_view(), "do not go together"),
        "{:?}",
        app.page_view().result
    );
    // Neither the customer nor the list of causes is told what cannot be.
    assert!(app.leave_view().found.iter().all(|line| !line.contains("likely")));
    answer(&mut app, "Water coming in with nothing running", "There");
    assert!(!says(&app.page_view(), "do not go together"));
}

#[test]
fn a_part_tapped_in_the_drawing_speaks_in_the_findings() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    taps(&mut app, TANK);
    app.tap_page(Page::Parts);
    app.page_resized(396.0, 340.0);
    let spots = app.page_view().spots;
    let spot = |name: &str| spots.iter().position(|spot| spot.name == name).unwrap();
    // Every part the trade looks at can be tapped, and no two lie on each other.
    for (place, one) in spots.iter().enumerate() {
        for other in spots.iter().skip(place + 1) {
            let apart = (one.x - other.x).abs() >= 92.0 || (one.y - other.y).abs() >= 56.0;
            assert!(apart, "{one:?} lies on {other:?}");
        }
    }
    let pick = |app: &mut App, name: &str, state: &str| {
        app.tap_page_spot(spot(name));
        let rows = &app.picker_view().unwrap().rows;
        let at = rows.iter().position(|(title, _)| title == state).unwrap();
        app.picker_choose(at);
    };
    pick(&mut app, "Filter", "Clogged");
    pick(&mut app, "Filter", "Cleaned at this stop");
    pick(&mut app, "Outlet", "Sound");
    pick(&mut app, "Walls", "Cracked");
    // Sound and a fault do not go together; the later word stands.
    pick(&mut app, "Outlet", "Broken");
    assert_eq!(row(&app, "Outlet").1.detail, "broken");
    assert_eq!(row(&app, "Filter").1.detail, "clogged, cleaned at this stop");
    app.tap_page_spot(spot("Walls"));
    let note = app.picker_view().unwrap().rows.len() - 3;
    app.picker_choose(note);
    app.sheet_edit("north side");
    app.sheet_keep();
    assert_eq!(row(&app, "Walls").1.detail, "cracked, north side");
    app.tap_page(Page::Looks);
    let seen = row(&app, "A clogged filter").1;
    assert_eq!(seen.detail, "there, from what else was recorded");
    let found = app.leave_view().found;
    assert!(
        found
            .iter()
            .any(|line| line == "Filter: clogged, cleaned at this stop."),
        "{found:?}"
    );
    app.session_mut().settle().unwrap();
    app.session().ask(|store| store.check()).unwrap();
}

#[test]
fn work_is_offered_from_what_was_recorded_and_nothing_is_added_silently() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    taps(&mut app, TANK);
    app.go(Screen::Setup);
    app.tap_page(Page::Prices);
    let set = |app: &mut App, title: &str, price: &str, tax: &str| {
        let (at, _) = row(app, title);
        app.tap_page_row(at);
        app.picker_choose(0);
        type_keys(app, price);
        app.tap_page_row(at);
        app.picker_choose(1);
        type_keys(app, tax);
    };
    set(&mut app, "Pumping a tank", "295", "0");
    set(&mut app, "Digging out a lid", "45.50", "8.25");
    assert_eq!(row(&app, "Digging out a lid").1.right, "$45.50");
    app.tap_page_key(0);
    app.sheet_edit("Bacteria test");
    app.sheet_keep();
    app.open_stop(stop).unwrap();
    taps(&mut app, "go dig\ncover 5\ngo pump\npumped yes");
    app.tap_page(Page::Work);
    assert_eq!(app.page_view().figure, "$0.00", "nothing is on the slip");
    app.session_mut().settle().unwrap();
    assert!(dump(&path)["work_line"].is_empty(), "nothing was added silently");
    let offered = row(&app, "Digging out a lid").1;
    assert!(offered.detail.contains("5 in"), "{offered:?}");
    answer(&mut app, "Pumping a tank", "Accepted");
    answer(&mut app, "Digging out a lid", "Accepted");
    // By hand: 295.00 + 45.50 = 340.50; 8.25 % of 45.50 = 3.75375, so 3.75; 344.25.
    assert_eq!(app.page_view().figure, "$344.25");
    answer(&mut app, "Hose sections beyond the usual", "+ 1");
    answer(&mut app, "Extra hose, one section", "Declined");
    // Both answers are kept, and the one declined is not offered again.
    app.session_mut().settle().unwrap();
    let lines = dump(&path).remove("work_line").unwrap();
    assert_eq!(
        lines.iter().filter(|line| line.contains("\"yes\"")).count(),
        2,
        "{lines:?}"
    );
    assert_eq!(
        lines.iter().filter(|line| line.contains("\"no\"")).count(),
        1,
        "{lines:?}"
    );
    let slip = app.card_data().unwrap().work.lines;
    assert_eq!(slip[0], "Total with $3.75 tax: $344.25.");
    assert!(
        slip.iter()
            .any(|line| line.starts_with("Offered and declined: Extra hose")),
        "{slip:?}"
    );
    // A line of one's own from the list, three of them, taken off again.
    app.tap_page_key(0);
    let own = app.picker_view().unwrap().rows.len() - 1;
    app.picker_choose(own);
    // It has no price in the list, so that is asked for at once; cancelled, it stands without.
    assert!(app.pad_view().is_some());
    app.cancel_overlay();
    let (at, own) = row(&app, "Bacteria test");
    assert!(own.choices.iter().all(|choice| !choice.chosen));
    app.tap_page_row(at);
    app.picker_choose(0);
    type_keys(&mut app, "3");
    assert_eq!(
        row(&app, "Bacteria test").1.detail,
        "3 ×, no price yet: tap here to give it"
    );
    app.tap_page_row(at);
    app.picker_choose(4);
    assert!(app.page_view().rows.iter().all(|row| row.title != "Bacteria test"));
    // Usual work is said in the customer's language, whoever wrote it down.
    app.choose_language(Language::Spanish);
    assert!(
        app.page_view()
            .rows
            .iter()
            .any(|row| row.title == "Bombeo de un tanque")
    );
    // The price list is there again after the program was closed.
    app.session_mut().settle().unwrap();
    drop(app);
    let mut app = app_on(&path);
    app.go(Screen::Setup);
    app.tap_page(Page::Prices);
    assert_eq!(row(&app, "Excavar una tapa").1.right, "$45.50");
    app.session().ask(|store| store.check()).unwrap();
}

/// A price that nobody gave is said to be missing, wherever the line stands; one that is nothing on purpose is no charge.
#[test]
fn a_line_without_a_price_is_never_a_silent_zero() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    let missing = "1 accepted line has no price yet and is not in the total.";
    taps(&mut app, "go dig\ncover 5\ngo pump\npumped yes");
    app.tap_page(Page::Work);
    answer(&mut app, "Pumping a tank", "Accepted");
    let asked = app.pad_view().unwrap();
    assert_eq!((asked.title.as_str(), asked.unit.as_str()), ("Price of one", "$"));
    app.cancel_overlay();
    assert_eq!(row(&app, "Pumping a tank").1.right, "–");
    assert_eq!(app.page_view().figure, "–");
    assert!(app.page_view().figure_text.starts_with(missing));
    assert_eq!(
        app.card_data().unwrap().work.lines,
        [missing, "Pumping a tank: no price yet."]
    );
    // One with a price beside it: the total is said, and that it is not all.
    answer(&mut app, "Digging out a lid", "Accepted");
    type_keys(&mut app, "45.50");
    assert_eq!(
        app.card_data().unwrap().work.lines,
        [
            "Total: $45.50.",
            missing,
            "Pumping a tank: no price yet.",
            "Digging out a lid: $45.50."
        ]
    );
    // What was declined without a price makes up none.
    answer(&mut app, "Hose sections beyond the usual", "+ 1");
    answer(&mut app, "Extra hose, one section", "Declined");
    assert!(
        app.pad_view().is_none(),
        "nobody asks what something declined would have cost"
    );
    assert_eq!(
        app.card_data().unwrap().work.lines.last().unwrap(),
        "Offered and declined: Extra hose, one section."
    );
    // Typed as nothing, it is meant.
    let (at, _) = row(&app, "Pumping a tank");
    app.tap_page_row(at);
    app.picker_choose(1);
    type_keys(&mut app, "0");
    assert_eq!(row(&app, "Pumping a tank").1.right, "no charge");
    assert_eq!(
        app.card_data().unwrap().work.lines[..2],
        ["Total: $45.50.", "Pumping a tank: no charge."]
    );
    // Priced after all; and given away again by its own row.
    app.tap_page_row(at);
    app.picker_choose(1);
    type_keys(&mut app, "295");
    assert_eq!(app.page_view().figure, "$340.50");
    app.tap_page_row(at);
    app.picker_choose(3);
    assert_eq!(app.page_view().figure, "$45.50");
    app.undo();
    assert_eq!(app.page_view().figure, "$340.50");
    app.session_mut().settle().unwrap();
}

#[test]
fn what_was_found_reaches_the_customer_in_their_language() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, TANK);
    app.tap_page(Page::Looks);
    for sign in [
        "Liquid above the outlet before pumping",
        "Runback from the outlet while pumping",
        "Wet or lush ground over the field",
    ] {
        answer(&mut app, sign, "There");
    }
    app.tap_page_key(0);
    assert_eq!(app.screen(), Screen::Page(Page::Found));
    let first = &app.page_view().rows[0];
    assert!(
        first.title.starts_with("The field is not taking the water"),
        "{first:?}"
    );
    assert!(
        first.detail.contains("Have a licensed person look at the field"),
        "{first:?}"
    );
    assert!(first.detail.contains("Speaks for it:"), "{first:?}");
    assert!(says(&app.page_view(), "The next look that would decide most"));
    let english = app.leave_view().found;
    assert!(
        english
            .iter()
            .any(|line| line.contains("Have a licensed person look at the field"))
    );
    app.choose_language(Language::Spanish);
    let spanish = app.leave_view().found;
    assert_eq!(english.len(), spanish.len());
    assert!(
        english.iter().zip(&spanish).all(|(one, other)| one != other),
        "{spanish:?}"
    );
}
