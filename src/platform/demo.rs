//! `lidmark demo`: plays the invented day without a display and writes what came of it.

use crate::app::bind::{self, SharedApp};
use crate::app::card::{PageSize, lay_out};
use crate::app::demo::{BOOK_TOML, DAY_TOML, Demo, DemoError, Played};
use crate::app::device::{Device, News};
use crate::app::door::file_stem;
use crate::app::overlay::PadKey;
use crate::app::page::Page;
use crate::app::photos::Tool;
use crate::app::session::Session;
use crate::app::setup::SetupItem;
use crate::app::shell::{App, Screen};
use crate::domain::record::{Language, Station, StopId, Units};
use crate::exchange::inputs::work_input;
use crate::exchange::rulefile;
use crate::exchange::{facts, work};
use crate::platform::folders::own_rule_sets;
use crate::platform::picture_folder;
use crate::platform::screen::{self, PictureError};
use crate::say::paper::{self, PaperError};
use crate::store::{Store, StoreError};
use crate::ui;
use chrono::TimeDelta;
use slint::{ComponentHandle, Global};
use std::cell::RefCell;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::mpsc;

/// What the screens are drawn on.
#[derive(Clone, Copy, Debug)]
pub struct Glass {
    /// Width, dp.
    pub width_dp: u16,
    /// Height, dp.
    pub height_dp: u16,
    /// How much larger than usual the words are.
    pub text: f32,
}

impl Default for Glass {
    /// A common phone.
    fn default() -> Self {
        Self {
            width_dp: 412,
            height_dp: 892,
            text: 1.0,
        }
    }
}

/// Pixels per dp.
const SCALE: f32 = 1.5;

/// Why the demo could not be played or written.
#[derive(Debug, thiserror::Error)]
pub enum DemoRunError {
    /// A demo file, or a tap in it.
    #[error("{0}")]
    Demo(#[from] DemoError),
    /// The book.
    #[error("{0}")]
    Book(#[from] StoreError),
    /// A file or folder.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A picture of a screen.
    #[error("{0}")]
    Picture(#[from] PictureError),
    /// The window that is drawn from.
    #[error("{0}")]
    Window(#[from] slint::PlatformError),
    /// The card.
    #[error("{0}")]
    Paper(#[from] PaperError),
    /// The figures of a stop.
    #[error("{0}")]
    Work(#[from] work::ReadWorkError),
    /// A picture file.
    #[error("{path}: {source}")]
    Image {
        /// Which.
        path: PathBuf,
        /// What the encoder said.
        source: image::ImageError,
    },
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), DemoRunError> {
    std::fs::write(path, bytes).map_err(|source| DemoRunError::File {
        path: path.to_owned(),
        source,
    })
}

fn folder(path: PathBuf) -> Result<PathBuf, DemoRunError> {
    std::fs::create_dir_all(&path).map_err(|source| DemoRunError::File {
        path: path.clone(),
        source,
    })?;
    Ok(path)
}

fn read(path: &Path) -> Result<String, DemoRunError> {
    std::fs::read_to_string(path).map_err(|source| DemoRunError::File {
        path: path.to_owned(),
        source,
    })
}

/// Plays the demo and writes the book, each stop's figures, the door cards and a picture of every screen.
///
/// * `from`: a folder with `book.toml` and `day.toml`; the bundled ones when `None`
/// * `out`: the folder to write to; what an earlier demo left there is replaced
/// * `glass`: how large the screens are drawn
/// * returns: what was found, as text to print
///
/// # Errors
/// [`DemoRunError`] saying which file or tap.
pub fn run(from: Option<&Path>, out: &Path, glass: Glass) -> Result<String, DemoRunError> {
    let demo = match from {
        Some(folder) => Demo::read(&read(&folder.join("book.toml"))?, &read(&folder.join("day.toml"))?)?,
        None => Demo::read(BOOK_TOML, DAY_TOML)?,
    };
    folder(out.to_owned())?;
    let book = out.join("book.sqlite");
    for old in [book.clone(), out.join("book.sqlite-wal"), out.join("book.sqlite-shm")] {
        match std::fs::remove_file(&old) {
            Ok(()) => {}
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(source) => return Err(DemoRunError::File { path: old, source }),
        }
    }
    let store = Store::open(&book)?;
    let sets = rulefile::with_bundled(own_rule_sets(&out.join("rules")).0);
    let of_session = sets.clone();
    let session = Session::new(
        store,
        move || of_session,
        Box::new(|| chrono::Local::now().fixed_offset()),
        || {},
    )?;
    let app = App::start(session, out.join("cards"))?;
    screen::install()?;
    let window = ui::AppWindow::new()?;
    let screens = folder(out.join("screens"))?;
    // The first question shows before anything has been answered.
    let shared: SharedApp = Rc::new(RefCell::new(app));
    bind::attach(&window, &shared, Box::new(|_| Ok(())));
    let (tell, news) = mpsc::channel();
    if glass.text > 1.0 {
        // A phone tells how large its words are.
        shared.borrow_mut().connect_device(Device::default(), news);
        drop(tell.send(News::TextScale(f64::from(glass.text))));
    }
    let mut pictures = draw_first_run(&window, &shared, &screens, glass)?;
    let played = {
        let mut app = shared.borrow_mut();
        app.start_empty();
        demo.play_book(&mut app, TimeDelta::zero())?;
        demo.play_day(&mut app, TimeDelta::zero())?
    };
    let mut report = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        report,
        "Demo day {}: invented company, people, places and readings.\n",
        demo.date()
    );
    {
        let mut app = shared.borrow_mut();
        let works = folder(out.join("work"))?;
        let cards = folder(out.join("cards"))?;
        for stop in played.iter().filter(|stop| stop.begun) {
            report.push_str(&write_stop(&mut app, stop, &works, &cards, &sets)?);
        }
        app.go(Screen::Day);
        let day = app.day_view();
        let _ = writeln!(report, "Truck: {}, {}.", day.load_text, day.room_text);
        let _ = writeln!(report, "Ledger: {}.", app.truck_view().balance);
        let loads = app.loads_today();
        let records = folder(out.join("records"))?;
        let pdf = app.records_pdf(&loads).map_err(DemoError::Book)?;
        write(&records.join("hauled-waste.pdf"), &pdf)?;
        write(&records.join("hauled-waste.csv"), &app.records_csv(&loads))?;
    }
    if let Some(first) = played.iter().find(|stop| stop.begun) {
        take_photos(&shared, first.stop, out)?;
    }
    pictures += draw_all(&window, &shared, &screens, &played, glass)?;
    shared.borrow_mut().session_mut().settle()?;
    // A window that shows is kept alive, and with it the book: its log would stay beside it.
    window.hide()?;
    let _ = writeln!(
        report,
        "Written to {}: book.sqlite, work, cards, records, screens ({pictures} pictures), photos.",
        out.display()
    );
    Ok(report)
}

/// Writes one stop's facts, figures and card, and returns what was found as lines.
fn write_stop(
    app: &mut App,
    stop: &Played,
    works: &Path,
    cards: &Path,
    sets: &[crate::domain::rules::RuleSet],
) -> Result<String, DemoRunError> {
    app.open_stop(stop.stop)?;
    let stem = file_stem(&stop.name);
    let (visit, history) = {
        let id = stop.stop;
        app.session().ask(move |store| {
            let visit = store.visit(id)?;
            let history = store.history(visit.site.id)?;
            Ok((visit, history))
        })?
    };
    let rule_set = app.session().rule_set(&visit.site);
    let rule_id = rule_set.as_ref().map_or("general", |set| set.id.as_str());
    let tanks = visit
        .tanks
        .iter()
        .enumerate()
        .map(|(place, tank)| {
            (
                format!("tank {}", place + 1),
                work_input(&visit, &history, tank, app.session().setup()),
            )
        })
        .collect::<Vec<_>>();
    let facts = format!("{:#}\n", facts::write(rule_id, &tanks));
    write(&works.join(format!("{stem}.facts.json")), facts.as_bytes())?;
    let answer = work::answer(&work::read(&facts)?, sets, "general")?;
    write(&works.join(format!("{stem}.work.json")), answer.as_bytes())?;
    if let Some(card) = app.card_data() {
        for (size, name) in [(PageSize::Letter, "letter"), (PageSize::A4, "a4")] {
            let page = lay_out(&card, size);
            write(&cards.join(format!("{stem}.{name}.pdf")), &paper::pdf(&page)?)?;
            if size == PageSize::Letter {
                write(
                    &cards.join(format!("{stem}.png")),
                    &paper::png(&page, paper::PHONE_WIDTH_PX)?,
                )?;
            }
        }
    }
    let leave = app.leave_view();
    let mut lines = format!("{}\n  next: {} ({})\n", stop.name, leave.due_text, leave.due_detail);
    for line in leave.found.iter().chain(&leave.missing) {
        // Writing to a String cannot fail.
        let _ = writeln!(lines, "  {line}");
    }
    lines.push('\n');
    Ok(lines)
}

fn draw_first_run(window: &ui::AppWindow, app: &SharedApp, to: &Path, glass: Glass) -> Result<usize, DemoRunError> {
    let mut count = 0;
    for (language, name) in [(Language::English, "en"), (Language::Spanish, "es")] {
        app.borrow_mut().choose_language(language);
        count += draw(window, app, to, &format!("first-run.{name}"), glass)?;
    }
    app.borrow_mut().choose_language(Language::English);
    Ok(count)
}

/// Draws every screen in both languages, both unit systems, by day and by night.
fn draw_all(
    window: &ui::AppWindow,
    app: &SharedApp,
    to: &Path,
    played: &[Played],
    glass: Glass,
) -> Result<usize, DemoRunError> {
    let before = {
        let app = app.borrow();
        let setup = app.session().setup();
        (setup.language, setup.units, setup.night)
    };
    let mut count = 0;
    for (language, language_name) in [(Language::English, "en"), (Language::Spanish, "es")] {
        for (units, units_name) in [(Units::UsCustomary, "us"), (Units::Metric, "metric")] {
            for (night, night_name) in [(false, "day"), (true, "night")] {
                {
                    let mut app = app.borrow_mut();
                    app.choose_language(language);
                    app.choose_units(units);
                    app.choose_night(night);
                }
                let tail = format!("{language_name}.{units_name}.{night_name}");
                count += draw_tour(window, app, to, played, &tail, glass)?;
            }
        }
    }
    let mut app = app.borrow_mut();
    app.choose_language(before.0);
    app.choose_units(before.1);
    app.choose_night(before.2);
    Ok(count)
}

/// A picture for the demo, drawn here: grass, a round lid with a crack, a white stick 600 px long beside it.
fn invented_picture(shade: u8) -> image::RgbImage {
    const WIDTH: u32 = 1_200;
    const HEIGHT: u32 = 900;
    image::RgbImage::from_fn(WIDTH, HEIGHT, |x, y| {
        // Scattered by multiplying, so that it is the same on every machine.
        let speck = u8::try_from((x.wrapping_mul(0x9E37_79B1) ^ y.wrapping_mul(0x85EB_CA6B)) >> 27).unwrap_or(0);
        let (across, down) = (f64::from(x) - 540.0, f64::from(y) - 470.0);
        let from_middle = across.hypot(down);
        let crack = (across + 0.3 * down - 60.0).abs() < 5.0 && down < 40.0;
        if (980..1_010).contains(&x) && (170..770).contains(&y) {
            return image::Rgb([235, 235, 228]);
        }
        image::Rgb(match from_middle {
            d if d < 300.0 && crack => [40, 38, 36],
            d if d < 300.0 => [shade + speck, shade + speck, shade - 8 + speck],
            d if d < 330.0 => [70, 58, 44],
            _ => [52 + speck, 96 + speck, 38 + speck / 2],
        })
    })
}

/// Takes three invented pictures in as photos of the stop, with a note and marks on one.
fn take_photos(app: &SharedApp, stop: StopId, out: &Path) -> Result<(), DemoRunError> {
    let folder = folder(out.join("pictures"))?;
    for (name, shade, station) in [
        ("yard.png", 120, Station::Find),
        ("outlet.png", 150, Station::Read),
        ("lid.png", 176, Station::Dig),
    ] {
        let path = folder.join(name);
        invented_picture(shade)
            .save(&path)
            .map_err(|source| DemoRunError::Image {
                path: path.clone(),
                source,
            })?;
        let mut app = app.borrow_mut();
        app.set_picture_source(picture_folder::source(Some(folder.clone())));
        app.open_stop(stop)?;
        app.go(Screen::At(station));
        app.take_photo(&path);
        app.settle_photos();
    }
    let mut app = app.borrow_mut();
    app.tap_photos();
    app.tap_photo(0);
    app.tap_photo_note();
    app.sheet_edit("crack along the rim");
    app.sheet_keep();
    // At this size four pixels of the picture lie under one dp, with no margin.
    app.photo_resized(300.0, 225.0);
    let stroke = |app: &mut App, tool: Tool, from: (f64, f64), to: (f64, f64)| {
        app.tap_tool(tool);
        app.photo_pressed(from.0, from.1);
        app.photo_dragged(to.0, to.1);
        app.photo_released();
    };
    stroke(&mut app, Tool::Known, (249.0, 43.0), (249.0, 192.0));
    for digit in [3, 6] {
        app.pad_key(PadKey::Digit(digit));
    }
    app.pad_keep();
    stroke(&mut app, Tool::Measure, (60.0, 118.0), (210.0, 118.0));
    stroke(&mut app, Tool::Arrow, (120.0, 24.0), (150.0, 80.0));
    app.go(Screen::Day);
    Ok(())
}

/// A touch, or a few, that bring up one screen of the tour.
type Step = (&'static str, fn(&mut App));

/// Draws every screen once, in the set-up that holds.
#[allow(clippy::too_many_lines, reason = "a list: one entry a picture")]
fn draw_tour(
    window: &ui::AppWindow,
    app: &SharedApp,
    to: &Path,
    played: &[Played],
    tail: &str,
    glass: Glass,
) -> Result<usize, DemoRunError> {
    const LISTS: &[Step] = &[
        ("day", |app| app.go(Screen::Day)),
        ("day-files", App::tap_day_file),
        ("office-key", |app| {
            app.cancel_overlay();
            app.tap_setup_item(SetupItem::OfficeKey);
            app.sheet_edit("AGE-SECRET-KEY-1");
        }),
        ("phone-key", |app| {
            app.cancel_overlay();
            app.go(Screen::Setup);
            app.tap_setup_item(SetupItem::PhoneKey);
        }),
        ("truck", |app| {
            app.go(Screen::Day);
            app.tap_truck();
        }),
        ("load", |app| app.tap_truck_entry(2)),
        ("disposal", |app| {
            app.back();
            app.tap_truck_entry(1);
        }),
        ("close-day", |app| {
            app.back();
            app.tap_close_day();
        }),
        ("let-out", |app| {
            app.back();
            app.tap_dispose();
        }),
        ("start", |app| {
            app.go(Screen::Day);
            app.tap_start();
        }),
        ("book", |app| app.go(Screen::Book)),
        ("site", |app| app.tap_book_row(0)),
        ("wipe-site", App::tap_wipe_site),
        ("site-edit", |app| {
            app.cancel_overlay();
            app.tap_edit_site();
        }),
        ("setup", |app| app.go(Screen::Setup)),
        ("cloud-copy", |app| app.choose_cloud(true)),
        ("wipe-all", |app| {
            app.cancel_overlay();
            app.tap_wipe_all();
        }),
        ("rule-sets", |app| {
            app.cancel_overlay();
            app.tap_rule_set();
        }),
        ("about", App::tap_about),
    ];
    const STOP: &[Step] = &[
        ("find", |app| app.go(Screen::At(Station::Find))),
        ("find-lid", |app| {
            app.plan_zoom(1);
            app.tap_find_key(3);
        }),
        ("find-notes", |app| {
            app.plan_fit();
            app.tap_find_notes();
        }),
        ("find-pin-list", |app| {
            app.tap_find_notes();
            app.tap_find_key(2);
        }),
        ("find-place", |app| {
            app.picker_choose(3);
            app.nudge_marker(2, -6);
        }),
        ("find-tape", |app| {
            app.tap_find_key(0);
            app.tap_find_key(4);
            app.picker_choose(0);
            app.picker_choose(0);
            for key in [
                PadKey::Digit(1),
                PadKey::Digit(4),
                PadKey::Point,
                PadKey::Digit(3),
                PadKey::Half,
            ] {
                app.pad_key(key);
            }
        }),
        ("dig", |app| app.go(Screen::At(Station::Dig))),
        ("dig-2", |app| app.step_lid(1)),
        ("read", |app| app.go(Screen::At(Station::Read))),
        ("pad", |app| {
            app.tap_reading();
            app.pad_key(PadKey::Digit(1));
            app.pad_key(PadKey::Digit(4));
        }),
        ("tank", |app| app.go(Screen::Tank)),
        ("pump", |app| app.go(Screen::At(Station::Pump))),
        ("flush", |app| {
            app.tap_page(Page::Flush);
            let kinds = app.page_view().rows.len() - 2;
            if kinds < 3 {
                app.tap_page_choice(kinds, 0);
                app.tap_page_choice(kinds + 1, 0);
                app.tap_page_choice(kinds + 2, 2);
                app.tap_page_choice(0, 0);
                app.tap_page_choice(2, 1);
                app.tap_page_choice(3, 3);
            }
        }),
        ("signs", |app| {
            app.tap_page(Page::Looks);
            app.tap_page_choice(0, 0);
            app.tap_page_choice(3, 0);
        }),
        ("findings", |app| app.tap_page(Page::Found)),
        ("gauge", |app| app.tap_page(Page::Gauge)),
        ("parts", |app| app.tap_page(Page::Parts)),
        ("part", |app| app.tap_page_spot(2)),
        ("work", |app| {
            app.cancel_overlay();
            app.tap_page(Page::Work);
        }),
        ("work-price", |app| {
            // Agreed to without a price: it is asked for.
            app.tap_page_choice(0, 0);
        }),
        ("work-no-price", App::cancel_overlay),
        ("prices", |app| {
            app.undo();
            app.tap_page(Page::Prices);
        }),
        ("leave", |app| app.go(Screen::At(Station::Leave))),
        ("photos", App::tap_photos),
        ("photo", |app| app.tap_photo(0)),
        ("photo-tool", |app| app.tap_tool(Tool::Measure)),
        ("photo-part", App::tap_photo_part),
        ("note", |app| {
            app.cancel_overlay();
            app.go(Screen::At(Station::Leave));
            app.tap_found_note();
        }),
        ("what-if", |app| {
            app.cancel_overlay();
            app.tap_what_if();
            app.nudge_trial_residents(1);
        }),
        ("door", |app| {
            app.back();
            app.show_customer();
        }),
        ("sign", |app| {
            app.tap_sign();
            app.pad_pressed(40.0, 120.0);
            app.pad_dragged(160.0, 60.0);
            app.pad_dragged(220.0, 140.0);
        }),
    ];
    let mut count = 0;
    for (name, step) in LISTS {
        step(&mut app.borrow_mut());
        count += draw(window, app, to, &format!("{name}.{tail}"), glass)?;
    }
    for (place, stop) in played.iter().filter(|stop| stop.begun).enumerate() {
        open(app, stop.stop)?;
        // Every station of the first stop; of the others what differs: the tank.
        for (name, step) in STOP
            .iter()
            .filter(|(name, _)| place == 0 || matches!(*name, "find" | "read" | "tank" | "dig"))
        {
            step(&mut app.borrow_mut());
            let name = if place == 0 {
                (*name).to_owned()
            } else {
                format!("{name}-stop{}", place + 1)
            };
            count += draw(window, app, to, &format!("{name}.{tail}"), glass)?;
        }
    }
    app.borrow_mut().go(Screen::Day);
    Ok(count)
}

fn open(app: &SharedApp, stop: StopId) -> Result<(), DemoRunError> {
    Ok(app.borrow_mut().open_stop(stop)?)
}

/// Draws what shows now. The drawings ask for their size when they are first laid out, so two looks are taken.
fn draw(window: &ui::AppWindow, app: &SharedApp, to: &Path, name: &str, glass: Glass) -> Result<usize, DemoRunError> {
    {
        let mut app = app.borrow_mut();
        app.session_mut().settle()?;
    }
    let look = || -> Result<image::RgbaImage, DemoRunError> {
        bind::render(window, &app.borrow());
        Ok(screen::snapshot(
            window.window(),
            glass.width_dp,
            glass.height_dp,
            SCALE,
        )?)
    };
    // Lists learn of a new state as they do in the app.
    ui::AppApi::get(window).invoke_news();
    look()?;
    // Photos are read behind the screen; a picture of the screen waits for them as a person would.
    for _ in 0..100 {
        let waits = app.borrow().photos_coming();
        if !waits {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(20));
        ui::AppApi::get(window).invoke_news();
        look()?;
    }
    let image = look()?;
    let path = to.join(format!("{name}.png"));
    image
        .save(&path)
        .map_err(|source| DemoRunError::Image { path, source })?;
    Ok(1)
}
