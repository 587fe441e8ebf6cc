//! The screens as a person meets them: contrast, words, the size and place of keys.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test stops where it fails"
)]

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::rc::Rc;

use i_slint_backend_testing::{AccessibleRole, ElementHandle, ElementQuery};
use lidmark::platform::screen;
use lidmark::ui::{
    AppApi, AppWindow, ConfirmApi, PadApi, PhotoApi, PickerApi, PumpApi, ReadApi, Screen, SheetApi, TankApi, TankShape,
};
use slint::platform::{PointerEventButton, WindowEvent};
use slint::{ComponentHandle, Global, LogicalPosition};

const SCREENS: [Screen; 22] = [
    Screen::FirstRun,
    Screen::Day,
    Screen::Book,
    Screen::Site,
    Screen::SiteEdit,
    Screen::Find,
    Screen::Dig,
    Screen::Read,
    Screen::Pump,
    Screen::Page,
    Screen::Leave,
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
const STATIONS: [Screen; 5] = [Screen::Find, Screen::Dig, Screen::Read, Screen::Pump, Screen::Leave];
/// The sketches' size, a small phone, a tablet.
const SIZES: [(u16, u16); 3] = [(412, 892), (360, 640), (840, 1200)];

fn ui_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("ui")
}

fn slint_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            slint_files(&path, found);
        } else if path.extension().is_some_and(|end| end == "slint") {
            found.push(path);
        }
    }
}

/// Runs on a thread of its own: Slint has one platform a thread, and tests share threads.
fn on_own_thread(test: impl FnOnce(AppWindow) + Send + 'static) {
    let run = std::thread::spawn(|| {
        screen::install().unwrap();
        test(AppWindow::new().unwrap());
    });
    if let Err(panic) = run.join() {
        std::panic::resume_unwind(panic);
    }
}

fn find(window: &AppWindow, label: &str) -> ElementHandle {
    ElementHandle::find_by_accessible_label(window, label)
        .next()
        .unwrap_or_else(|| panic!("nothing is labelled {label:?}"))
}

// --- contrast -----------------------------------------------------------------------------------

/// Relative luminance as WCAG 2.2 defines it (w3.org/TR/WCAG22, "relative luminance").
fn luminance(hex: &str) -> f64 {
    let channel = |at: usize| {
        let value = f64::from(u8::from_str_radix(&hex[at..at + 2], 16).unwrap()) / 255.0;
        if value <= 0.04045 {
            value / 12.92
        } else {
            ((value + 0.055) / 1.055).powf(2.4)
        }
    };
    0.2126 * channel(0) + 0.7152 * channel(2) + 0.0722 * channel(4)
}

/// Contrast ratio as WCAG 2.2 defines it ("contrast ratio").
fn contrast(one: &str, other: &str) -> f64 {
    let (one, other) = (luminance(one), luminance(other));
    (one.max(other) + 0.05) / (one.min(other) + 0.05)
}

#[test]
fn the_contrast_measure_agrees_with_the_published_ends() {
    // WCAG 2.2: the ratio runs from 1:1 to 21:1; the pink of the sketches under white is below 7.
    assert!((contrast("000000", "FFFFFF") - 21.0).abs() < 1e-9);
    assert!((contrast("46504A", "46504A") - 1.0).abs() < 1e-9);
    assert!(contrast("D6006C", "FFFFFF") < 7.0);
}

#[test]
fn every_text_has_seven_to_one_by_day_and_by_night() {
    let tokens = std::fs::read_to_string(ui_folder().join("theme/tokens.slint")).unwrap();
    let mut colours: BTreeMap<&str, (String, String)> = BTreeMap::new();
    for line in tokens.lines() {
        let Some(rest) = line.trim().strip_prefix("out property <color> ") else {
            continue;
        };
        let (name, value) = rest.trim_end_matches(';').split_once(": ").unwrap();
        let hexes: Vec<&str> = value.split('#').skip(1).map(|after| after.get(..6).unwrap()).collect();
        let pair = match hexes.as_slice() {
            [both] => ((*both).to_owned(), (*both).to_owned()),
            [night, day] => ((*day).to_owned(), (*night).to_owned()),
            _ => colours[value].clone(), // named after another token
        };
        colours.insert(name, pair);
    }
    let pairs = [
        ("text", "surface"),
        ("text", "card"),
        ("text", "sky"),
        ("text-quiet", "surface"),
        ("text-quiet", "card"),
        ("text-mark", "surface"),
        ("text-mark", "card"),
        ("text-mark", "notice"),
        ("text-good", "surface"),
        ("text-good", "card"),
        ("text-warning", "surface"),
        ("text-warning", "card"),
        ("on-notice", "notice"),
        ("on-bar", "bar"),
        ("on-bar", "sludge"), // the truck's load lies under its words
        ("on-bar-quiet", "bar"),
        ("on-action", "action"),
        ("on-chosen", "chosen"),
        ("on-key", "key"),
        ("on-key", "key-down"),
        ("on-scum", "scum"),
        ("on-clear", "clear"),
        ("on-sludge", "sludge"),
    ];
    for (text, under) in pairs {
        let (text_day, text_night) = &colours[text];
        let (under_day, under_night) = &colours[under];
        let (day, night) = (contrast(text_day, under_day), contrast(text_night, under_night));
        assert!(day >= 7.0, "{text} on {under} by day: {day:.2}");
        assert!(night >= 7.0, "{text} on {under} by night: {night:.2}");
    }
}

// --- words --------------------------------------------------------------------------------------

#[test]
fn every_word_on_the_screens_is_translated() {
    let mut files = Vec::new();
    slint_files(&ui_folder(), &mut files);
    let mut words = BTreeSet::new();
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        for after in text.split("@tr(\"").skip(1) {
            words.insert(after.split_once('"').unwrap().0.to_owned());
        }
    }
    assert!(words.len() > 100, "found only {} words", words.len());
    let catalogue = polib::po_file::parse(&ui_folder().join("lang/es/LC_MESSAGES/lidmark.po")).unwrap();
    for word in &words {
        let message = catalogue
            .find_message(None, word, None)
            .unwrap_or_else(|| panic!("{word:?} is missing in the Spanish catalogue"));
        assert!(
            message.is_translated(),
            "{word:?} has no Spanish words in the catalogue"
        );
        for place in ["{}", "{0}", "{1}"] {
            assert_eq!(
                word.contains(place),
                message.msgstr().unwrap().contains(place),
                "{word:?} loses {place} in Spanish"
            );
        }
    }
}

// --- size and place -----------------------------------------------------------------------------

#[test]
fn undo_is_large_and_in_the_same_place_at_every_station() {
    on_own_thread(|window| {
        for (width, height) in SIZES {
            let mut places = BTreeSet::new();
            for station in STATIONS {
                AppApi::get(&window).set_screen(station);
                screen::snapshot(window.window(), width, height, 1.0).unwrap();
                let undo = find(&window, "Undo");
                let (at, size) = (undo.absolute_position(), undo.size());
                places.insert(format!("{at:?} {size:?}"));
                if height >= 892 {
                    assert!(size.width >= 125.9 && size.height >= 125.9, "{station:?}: {size:?}");
                }
                // Lower right: nothing but the margin beside it, the navigation below it.
                assert!(at.x + size.width > f32::from(width) - 10.0);
                assert!(at.y > f32::from(height) / 2.0);
            }
            assert_eq!(places.len(), 1, "{width} x {height}: {places:?}");
        }
    });
}

#[test]
fn keys_for_gloves_are_126_dp_on_a_usual_phone() {
    on_own_thread(|window| {
        let large = |label: &str| {
            let size = find(&window, label).size();
            assert!(size.width >= 125.9 && size.height >= 125.9, "{label}: {size:?}");
        };
        for station in [Screen::Dig, Screen::Read] {
            AppApi::get(&window).set_screen(station);
            screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
            large("More");
            large("Less");
        }
        AppApi::get(&window).set_screen(Screen::Pump);
        screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
        large("Out of this tank: more");
        large("Out of this tank: less");
        for (screen, keys) in [
            (Screen::Photos, &["Take a photo", "From a file", "Undo"]),
            (Screen::Photo, &["Take away", "Marks off", "Undo"]),
        ] {
            AppApi::get(&window).set_screen(screen);
            screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
            for key in keys {
                large(key);
            }
        }
        PadApi::get(&window).set_shown(true);
        screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
        for key in ["0", "1", "5", "9", "Take back a digit", "Keep"] {
            large(key);
        }
    });
}

#[test]
fn nothing_pushes_the_stations_off_the_screen() {
    on_own_thread(|window| {
        PumpApi::get(&window).set_many_tanks(true);
        ReadApi::get(&window).set_flag_text("Scum and sludge together are deeper than the liquid: read again.".into());
        // The longest that is said of the truck.
        PumpApi::get(&window).set_truck_over(true);
        PumpApi::get(&window).set_truck_text(
            "Tanque 1 del camión después de esto: 11,842 de 9,464 L. Más de lo que cabe en el camión: revise las cifras."
                .into(),
        );
        for (language, last) in [("en", "Leave"), ("es", "Cierre")] {
            slint::select_bundled_translation(language).unwrap();
            for (width, height) in SIZES {
                for station in STATIONS {
                    AppApi::get(&window).set_screen(station);
                    screen::snapshot(window.window(), width, height, 1.0).unwrap();
                    let tab = find(&window, last);
                    let bottom = tab.absolute_position().y + tab.size().height;
                    assert!(
                        bottom <= f32::from(height) + 0.5,
                        "{station:?} in {language} at {width} x {height}: ends at {bottom}"
                    );
                }
            }
        }
    });
}

#[test]
fn the_photo_key_stands_beside_the_kept_mark_at_every_station_and_nothing_hides_the_photo() {
    on_own_thread(|window| {
        for (language, photos, last) in [("en", "Photos", "Undo"), ("es", "Fotos", "Deshacer")] {
            slint::select_bundled_translation(language).unwrap();
            for (width, height) in SIZES {
                for station in STATIONS {
                    AppApi::get(&window).set_screen(station);
                    screen::snapshot(window.window(), width, height, 1.0).unwrap();
                    let key = find(&window, photos);
                    let (at, size) = (key.absolute_position(), key.size());
                    assert!(size.width >= 59.9 && size.height >= 55.9, "{station:?}: {size:?}");
                    assert!(at.y < 1.0 && at.x > f32::from(width) / 3.0, "{station:?}: {at:?}");
                }
                AppApi::get(&window).set_screen(Screen::Photo);
                PhotoApi::get(&window).set_part("tapa de entrada".into());
                screen::snapshot(window.window(), width, height, 1.0).unwrap();
                // The picture carries the part's name, the bar repeats it; the keys end on the screen.
                let place = ElementHandle::find_by_accessible_label(&window, "tapa de entrada")
                    .find(|element| element.accessible_role() == Some(AccessibleRole::Image))
                    .unwrap();
                assert!(place.size().height >= 120.0, "{width} x {height}: {:?}", place.size());
                let key = find(&window, last);
                assert!(key.absolute_position().y + key.size().height <= f32::from(height) + 0.5);
            }
        }
    });
}

/// Shows or hides one of the sheets that lie over a screen.
type Show = fn(&AppWindow, bool);

#[test]
fn every_screen_draws_something_at_every_size() {
    on_own_thread(|window| {
        for (width, height) in SIZES {
            for night in [false, true] {
                AppApi::get(&window).set_night(night);
                for screen in SCREENS {
                    AppApi::get(&window).set_screen(screen);
                    draws(&window, width, height, &format!("{screen:?}"));
                }
                TankApi::get(&window).set_shape(TankShape::DipTable);
                AppApi::get(&window).set_screen(Screen::Tank);
                draws(&window, width, height, "dip table");
                let sheets: [(&str, Show); 5] = [
                    ("pad", |window, shown| PadApi::get(window).set_shown(shown)),
                    ("sheet", |window, shown| SheetApi::get(window).set_shown(shown)),
                    ("picker", |window, shown| PickerApi::get(window).set_shown(shown)),
                    ("confirm", |window, shown| ConfirmApi::get(window).set_shown(shown)),
                    ("notice", |window, shown| AppApi::get(window).set_notice_shown(shown)),
                ];
                for (name, show) in sheets {
                    show(&window, true);
                    draws(&window, width, height, name);
                    show(&window, false);
                }
            }
        }
    });
}

#[test]
fn words_at_twice_the_size_stay_on_the_screen_and_whole() {
    on_own_thread(|window| {
        AppApi::get(&window).set_text_scale(2.0);
        let mut bad = BTreeSet::new();
        for language in ["en", "es"] {
            slint::select_bundled_translation(language).unwrap();
            let sheets: [(&str, Show); 4] = [
                ("no sheet", |_, _| {}),
                ("pad", |window, shown| PadApi::get(window).set_shown(shown)),
                ("picker", |window, shown| PickerApi::get(window).set_shown(shown)),
                ("confirm", |window, shown| ConfirmApi::get(window).set_shown(shown)),
            ];
            for (name, show) in sheets {
                show(&window, true);
                for screen in SCREENS
                    .into_iter()
                    .take(if name == "no sheet" { SCREENS.len() } else { 1 })
                {
                    AppApi::get(&window).set_screen(screen);
                    let picture = screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
                    if let Some(folder) = std::env::var_os("LIDMARK_LOOK") {
                        let file = format!("{language}-{screen:?}-{name}.png");
                        picture.save(Path::new(&folder).join(file)).unwrap();
                    }
                    // Every key lies within the width, and within what can be scrolled to.
                    for key in ElementQuery::from_root(&window)
                        .match_descendants()
                        .match_accessible_role(AccessibleRole::Button)
                        .find_all()
                    {
                        let (at, size) = (key.absolute_position(), key.size());
                        let label = key.accessible_label().unwrap_or_default();
                        if at.x < -0.5 || at.x + size.width > 412.5 {
                            bad.insert(format!("{language} {screen:?} {name} {label:?}: {at:?} {size:?}"));
                        }
                    }
                }
                show(&window, false);
            }
        }
        assert!(bad.is_empty(), "{}", bad.into_iter().collect::<Vec<_>>().join("\n"));
    });
}

#[test]
fn a_low_window_scrolls_and_nothing_is_squeezed() {
    // A phone on its side, and half of a split screen.
    on_own_thread(|window| {
        AppApi::get(&window).set_screen(Screen::Pump);
        screen::snapshot(window.window(), 360, 640, 1.0).unwrap();
        let upright = find(&window, "Out of this tank: more").size();
        for (width, height) in [(892, 412), (412, 400)] {
            screen::snapshot(window.window(), width, height, 1.0).unwrap();
            let size = find(&window, "Out of this tank: more").size();
            assert!(
                size.height >= upright.height - 0.5,
                "{width} x {height}: {size:?}, upright {upright:?}"
            );
        }
    });
}

/// Raises a phone's keyboard as Slint's Android backend does: the rectangle it covers, at the foot of the window.
fn raise_keyboard(window: &AppWindow, width: u16, height: u16, keyboard: f32) {
    let at = LogicalPosition::new(0.0, f32::from(height) - keyboard);
    let size = slint::LogicalSize::new(f32::from(width), keyboard);
    window
        .window()
        .set_virtual_keyboard(at, size, i_slint_core::InternalToken);
}

/// Scrolls as a finger would until the field is on the screen, then touches it.
fn tap_field(window: &AppWindow, field: &ElementHandle, height: u16) {
    let centre = || {
        let (at, size) = (field.absolute_position(), field.size());
        LogicalPosition::new(at.x + size.width / 2.0, at.y + size.height / 2.0)
    };
    for _ in 0..80 {
        let y = centre().y;
        let seen = 150.0..f32::from(height) - 110.0;
        if seen.contains(&y) {
            break;
        }
        let event = WindowEvent::PointerScrolled {
            position: LogicalPosition::new(centre().x, f32::from(height) / 2.0),
            delta_x: 0.0,
            delta_y: if y < 150.0 { 40.0 } else { -40.0 },
        };
        window.window().dispatch_event_with_result(event).unwrap();
        slint::platform::update_timers_and_animations();
    }
    let (position, button) = (centre(), PointerEventButton::Left);
    for event in [
        WindowEvent::PointerMoved { position },
        WindowEvent::PointerPressed { position, button },
        WindowEvent::PointerReleased { position, button },
    ] {
        window.window().dispatch_event_with_result(event).unwrap();
    }
}

#[test]
fn the_keyboard_of_a_phone_never_covers_the_field_that_is_typed_in() {
    // A usual phone upright and on its side; keyboards of 300 and 200 dp are common practice, 420 has a row of suggestions.
    for (width, height, keyboard) in [(412, 892, 420.0), (360, 640, 300.0), (892, 412, 200.0)] {
        on_own_thread(move |window| {
            let top = f32::from(height) - keyboard;
            let sheet = SheetApi::get(&window);
            sheet.set_title("Where the tank is".into());
            for many_lines in [false, true] {
                sheet.set_many_lines(many_lines);
                sheet.set_shown(true);
                draws(&window, width, height, "sheet");
                raise_keyboard(&window, width, height, keyboard);
                draws(&window, width, height, "sheet");
                let field = ElementQuery::from_root(&window)
                    .match_descendants()
                    .match_accessible_role(AccessibleRole::TextInput)
                    .find_first()
                    .expect("the field of the sheet");
                let keep = find(&window, "Keep");
                for (what, element) in [("field", field), ("Keep", keep)] {
                    let (at, size) = (element.absolute_position(), element.size());
                    assert!(
                        at.y >= 0.0 && at.y + size.height <= top + 0.5,
                        "{what} of the sheet at {width} x {height} ends at {} under a keyboard that begins at {top}",
                        at.y + size.height
                    );
                }
                sheet.set_shown(false);
                raise_keyboard(&window, width, height, 0.0);
            }
            // Every field of the longest form and the one of the book, each touched where it is seen.
            for screen in [Screen::SiteEdit, Screen::Book] {
                AppApi::get(&window).set_screen(screen);
                draws(&window, width, height, "form");
                let fields = ElementQuery::from_root(&window)
                    .match_descendants()
                    .match_accessible_role(AccessibleRole::TextInput)
                    .find_all();
                assert!(!fields.is_empty(), "{screen:?}");
                for field in fields {
                    let label = field.accessible_label().unwrap_or_default();
                    raise_keyboard(&window, width, height, 0.0);
                    tap_field(&window, &field, height);
                    draws(&window, width, height, "focused");
                    raise_keyboard(&window, width, height, keyboard);
                    draws(&window, width, height, "typed in");
                    let (at, size) = (field.absolute_position(), field.size());
                    assert!(
                        at.y >= -0.5 && at.y + size.height <= top + 0.5,
                        "{screen:?} {label:?} at {width} x {height}: {} to {}, keyboard from {top}",
                        at.y,
                        at.y + size.height
                    );
                }
                raise_keyboard(&window, width, height, 0.0);
            }
        });
    }
}

#[test]
fn whatever_can_be_touched_has_a_name_for_a_screen_reader() {
    on_own_thread(|window| {
        for screen in SCREENS {
            AppApi::get(&window).set_screen(screen);
            screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
            let mut named = 0;
            for role in [
                AccessibleRole::Button,
                AccessibleRole::Checkbox,
                AccessibleRole::TextInput,
                AccessibleRole::Tab,
                AccessibleRole::Slider,
                AccessibleRole::ListItem,
            ] {
                for element in ElementQuery::from_root(&window)
                    .match_descendants()
                    .match_accessible_role(role)
                    .find_all()
                {
                    let label = element.accessible_label().unwrap_or_default();
                    assert!(
                        !label.trim().is_empty(),
                        "{screen:?}: a {role:?} at {:?}",
                        element.absolute_position()
                    );
                    named += 1;
                }
            }
            assert!(named > 0, "{screen:?} has nothing to touch");
        }
    });
}

#[test]
fn every_component_that_is_touched_says_its_name() {
    // A TouchArea in a component without an accessible name cannot be found by a screen reader.
    let mut files = Vec::new();
    slint_files(&ui_folder(), &mut files);
    let texts: Vec<(PathBuf, String)> = files
        .into_iter()
        .map(|file| (file.clone(), std::fs::read_to_string(&file).unwrap()))
        .collect();
    // A drawing is named where it is used: only there it is known what it shows.
    let named_in_use = |name: &str| {
        let used = format!("{name} {{");
        texts.iter().any(|(_, text)| {
            text.match_indices(&used).any(|(at, _)| {
                text[at..]
                    .chars()
                    .take(600)
                    .collect::<String>()
                    .contains("accessible-label:")
            })
        })
    };
    let mut silent = Vec::new();
    for (file, text) in &texts {
        // One without a size only keeps the library from taking a screen for untouchable.
        let text = text.replace("TouchArea { width: 0px; height: 0px; }", "");
        for component in text.split("component ").skip(1) {
            let name = component.split_whitespace().next().unwrap_or_default();
            if component.contains("TouchArea {") && !component.contains("accessible-label:")
                // Handed on to the picture inside, which is what is read out.
                && !component.contains("label: root.label")
                && !named_in_use(name)
            {
                silent.push(format!("{}: {name}", file.file_name().unwrap().to_string_lossy()));
            }
        }
    }
    assert!(silent.is_empty(), "{silent:?}");
}

fn draws(window: &AppWindow, width: u16, height: u16, what: &str) {
    let picture = screen::snapshot(window.window(), width, height, 1.0).unwrap();
    assert_eq!(
        (picture.width(), picture.height()),
        (u32::from(width), u32::from(height))
    );
    let colours: BTreeSet<_> = picture.pixels().map(|pixel| pixel.0).collect();
    assert!(colours.len() > 8, "{what} at {width} x {height} is blank");
}

// --- touch --------------------------------------------------------------------------------------

#[test]
fn a_finger_in_the_drawing_is_reported_in_dp_of_the_drawing() {
    on_own_thread(|window| {
        let seen = Rc::new(RefCell::new(Vec::new()));
        let api = ReadApi::get(&window);
        let note = seen.clone();
        api.on_pressed(move |x, y| note.borrow_mut().push(("pressed", x, y)));
        let note = seen.clone();
        api.on_dragged(move |x, y| note.borrow_mut().push(("dragged", x, y)));
        let note = seen.clone();
        api.on_released(move || note.borrow_mut().push(("released", 0.0, 0.0)));
        let size = Rc::new(RefCell::new((0.0, 0.0)));
        let note = size.clone();
        api.on_resized(move |width, height| *note.borrow_mut() = (width, height));
        AppApi::get(&window).set_screen(Screen::Read);
        screen::snapshot(window.window(), 412, 892, 2.0).unwrap();

        let drawing = find(&window, "Tank in section");
        assert_eq!(*size.borrow(), (drawing.size().width, drawing.size().height));
        let at =
            |x: f32, y: f32| LogicalPosition::new(drawing.absolute_position().x + x, drawing.absolute_position().y + y);
        let button = PointerEventButton::Left;
        for event in [
            WindowEvent::PointerPressed {
                position: at(40.0, 100.0),
                button,
            },
            WindowEvent::PointerMoved {
                position: at(40.0, 130.0),
            },
            WindowEvent::PointerReleased {
                position: at(40.0, 130.0),
                button,
            },
        ] {
            window.window().dispatch_event_with_result(event).unwrap();
        }
        let near = |found: (&str, f32, f32), name: &str, x: f32, y: f32| {
            found.0 == name && (found.1 - x).abs() < 0.01 && (found.2 - y).abs() < 0.01
        };
        let seen = seen.borrow();
        assert_eq!(seen.len(), 3, "{seen:?}");
        assert!(near(seen[0], "pressed", 40.0, 100.0), "{seen:?}");
        assert!(near(seen[1], "dragged", 40.0, 130.0), "{seen:?}");
        assert_eq!(seen[2].0, "released");
    });
}

#[test]
fn a_text_typed_by_a_screen_reader_reaches_the_program() {
    on_own_thread(|window| {
        let seen = Rc::new(RefCell::new(String::new()));
        let note = seen.clone();
        SheetApi::get(&window).on_edit(move |text| *note.borrow_mut() = text.into());
        SheetApi::get(&window).set_title("Note".into());
        SheetApi::get(&window).set_text("old".into());
        SheetApi::get(&window).set_shown(true);
        screen::snapshot(window.window(), 412, 892, 1.0).unwrap();
        let field = ElementHandle::find_by_accessible_label(&window, "Note")
            .find(|element| element.accessible_role() == Some(AccessibleRole::TextInput))
            .unwrap();
        assert_eq!(field.accessible_value().as_deref(), Some("old"));
        field.set_accessible_value("Pozo junto al nogal");
        assert_eq!(*seen.borrow(), "Pozo junto al nogal");
        assert_eq!(field.accessible_value().as_deref(), Some("Pozo junto al nogal"));
    });
}
