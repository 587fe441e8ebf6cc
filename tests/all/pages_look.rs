//! The pages behind the Pump station as a person meets them: filled by a real stop, in both languages and unit systems, at
//! every size, and with words at twice the size.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test stops where it fails"
)]

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::path::Path;
use std::rc::Rc;

use i_slint_backend_testing::{AccessibleRole, ElementQuery};
use lidmark::app::bind;
use lidmark::app::device::{Device, News};
use lidmark::app::overlay::PadKey;
use lidmark::app::page::Page;
use lidmark::app::shell::App;
use lidmark::domain::record::{Language, Units};
use lidmark::platform::screen;
use lidmark::ui::{AppApi, AppWindow};
use slint::{ComponentHandle, Global};

use crate::fixture::{app_at_a_stop, now, taps};

/// What was recorded before the pages are drawn: two compartments, two lids under soil, a flush test and its repeat, signs,
/// parts, a leak gauge, work.
fn fill(app: &mut App) {
    taps(
        app,
        "
        go dig
        cover 14
        go read
        shape box
        size length 96
        size width 60
        size liquid 48
        go pump
        ",
    );
    app.tap_page(Page::Flush);
    for (row, choice) in [(2, 0), (3, 0), (4, 2)] {
        // The rows that add a fixture stand last, and move down by each one added.
        app.tap_page_choice(row, choice);
    }
    app.tap_page_choice(0, 0);
    app.tap_page_choice(2, 3);
    app.tap_page_choice(3, 1);
    app.tap_page_choice(4, 2);
    app.tap_page_choice(1, 1);
    app.tap_page_choice(2, 1);
    app.tap_page(Page::Looks);
    app.tap_page_choice(0, 0);
    app.tap_page_choice(3, 0);
    app.tap_page_choice(7, 1);
    app.tap_page(Page::Parts);
    app.tap_page_spot(0);
    app.picker_choose(1);
    app.tap_page_spot(2);
    app.picker_choose(2);
    app.tap_page(Page::Gauge);
    let mark = |app: &mut App, digits: &[u8]| {
        app.tap_page_key(0);
        for digit in digits {
            app.pad_key(PadKey::Digit(*digit));
        }
        app.pad_keep();
    };
    mark(app, &[3, 6]);
    app.session_mut()
        .set_clock(Box::new(|| now() + chrono::TimeDelta::minutes(30)));
    mark(app, &[3, 5]);
    mark(app, &[3, 5]);
    app.session_mut()
        .set_clock(Box::new(|| now() + chrono::TimeDelta::minutes(37)));
    app.tap_page(Page::Work);
    let offers = app.page_view().rows.len();
    app.tap_page_choice(0, 0);
    // Its price is asked for; here nobody knows it.
    app.cancel_overlay();
    assert!(offers > 1, "digging and hose");
    app.tap_page(Page::Work);
    app.tap_page_choice(app.page_view().rows.len() - 1, 1);
    app.session_mut().settle().unwrap();
}

/// Keys that reach past the width of the window, or are lower than a finger.
fn bad_keys(window: &AppWindow, width: u16, what: &str, bad: &mut BTreeSet<String>) {
    for key in ElementQuery::from_root(window)
        .match_descendants()
        .match_accessible_role(AccessibleRole::Button)
        .find_all()
    {
        let (at, size) = (key.absolute_position(), key.size());
        let label = key.accessible_label().unwrap_or_default();
        if at.x < -0.5 || at.x + size.width > f32::from(width) + 0.5 {
            bad.insert(format!("{what} {label:?} leaves the screen: {at:?} {size:?}"));
        }
        // Android asks for 48 dp (support.google.com/accessibility/android/answer/7101858).
        if size.height < 48.0 || size.width < 48.0 {
            bad.insert(format!("{what} {label:?} is small: {size:?}"));
        }
    }
}

#[test]
fn every_page_stays_on_the_screen_at_every_size_in_both_languages() {
    let run = std::thread::spawn(|| {
        screen::install().unwrap();
        let window = AppWindow::new().unwrap();
        let folder = tempfile::tempdir().unwrap();
        let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
        fill(&mut app);
        let (tell, news) = std::sync::mpsc::channel();
        app.connect_device(Device::default(), news);
        let app = Rc::new(RefCell::new(app));
        bind::attach(&window, &app, Box::new(|_| Ok(())));
        let mut bad = BTreeSet::new();
        for (language, units, night) in [
            (Language::English, Units::UsCustomary, false),
            (Language::Spanish, Units::Metric, true),
        ] {
            {
                let mut app = app.borrow_mut();
                app.choose_language(language);
                app.choose_units(units);
                app.choose_night(night);
            }
            for (width, height, scale) in [(412, 892, 1.0), (360, 640, 1.0), (840, 1_200, 1.0), (412, 892, 2.0)] {
                tell.send(News::TextScale(scale)).unwrap();
                AppApi::get(&window).invoke_news();
                for page in Page::ALL {
                    app.borrow_mut().tap_page(*page);
                    AppApi::get(&window).invoke_news();
                    let what = format!("{language:?}-{page:?}-{width}x{height}-{scale}");
                    let drawn = screen::snapshot(window.window(), width, height, 1.0).unwrap();
                    bad_keys(&window, width, &what, &mut bad);
                    if let Some(folder) = std::env::var_os("LIDMARK_LOOK") {
                        // The whole page, as far down as it goes.
                        let whole_page = screen::snapshot(window.window(), width, 3_400, 1.0).unwrap();
                        drawn.save(Path::new(&folder).join(format!("{what}.png"))).unwrap();
                        whole_page
                            .save(Path::new(&folder).join(format!("{what}-whole.png")))
                            .unwrap();
                    }
                }
            }
        }
        assert!(bad.is_empty(), "{}", bad.into_iter().collect::<Vec<_>>().join("\n"));
    });
    if let Err(panic) = run.join() {
        std::panic::resume_unwind(panic);
    }
}
