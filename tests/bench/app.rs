//! The app's parts: a touch until it is kept, the first frame, the search, figures, the card.

use std::cell::RefCell;
use std::hint::black_box;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::rc::Rc;
use std::time::Instant;

use lidmark::app::bind::{self, SharedApp};
use lidmark::app::card::{CardData, PageSize, lay_out};
use lidmark::app::demo::{self, do_tap};
use lidmark::app::device::Device;
use lidmark::app::session::Session;
use lidmark::app::shell::{App, Screen};
use lidmark::app::stop::Quantity;
use lidmark::domain::forecast::{forecast, years_to};
use lidmark::domain::tank::TankShape;
use lidmark::domain::units::{Length, Volume};
use lidmark::exchange::inputs::work_input;
use lidmark::exchange::rulefile;
use lidmark::platform::folders::Folders;
use lidmark::platform::start::{self, Opening, Parts};
use lidmark::platform::{picture_folder, position, screen};
use lidmark::say::paper;
use lidmark::store::Store;
use lidmark::ui::{AppWindow, BookApi};
use rusqlite::config::DbConfig;
use rusqlite::{Connection, params};
use slint::platform::WindowEvent;
use slint::{ComponentHandle, Global, PhysicalSize};

use crate::report::{self, Unit, at_share, each, median, seconds, written};
use crate::{drag, photo};

#[allow(
    warnings,
    clippy::all,
    clippy::pedantic,
    clippy::restriction,
    unsafe_code,
    reason = "generated code"
)]
pub mod least {
    slint::slint! {
        export component EmptyWindow inherits Window {}
        export component OneLine inherits Window {
            Text { text: "Lidmark"; }
        }
    }
}

/// Sites in the large book.
const SITES: usize = 20_000;
/// What a child process does; its book is the second variable.
pub const CHILD: &str = "LIDMARK_BENCH_CHILD";
pub const CHILD_BOOK: &str = "LIDMARK_BENCH_BOOK";

/// Does a child's work; returns whether this process is one.
pub fn is_child() -> bool {
    let Ok(what) = std::env::var(CHILD) else { return false };
    match what.as_str() {
        photo::CHILD_PHOTO => photo::take_one(),
        drag::CHILD_DRAG => drag::drag_all(),
        memory if drag::CHILD_MEMORY.contains(&memory) => drag::hold_memory(memory),
        _ => draw_first_frame(&what),
    }
    true
}

/// Measures the parts that are wanted.
pub fn lines(folder: &Path, wanted: &dyn Fn(&str) -> bool) {
    if wanted("tap") {
        tap_to_durable(folder);
    }
    let large = ["frame", "memory", "search"]
        .iter()
        .any(|part| wanted(part))
        .then(|| large_book(folder));
    if let Some(book) = &large {
        if wanted("frame") {
            first_frame(book);
        }
        if wanted("memory") {
            drag::memory(folder, book);
        }
        if wanted("search") {
            search(book);
        }
    }
    if wanted("drag") {
        drag::frames(folder);
    }
    if wanted("photo") {
        photo::photos(folder);
    }
    if wanted("figures") {
        figures(folder);
    }
    if wanted("card") {
        card(folder);
    }
}

fn row(what: &str, ours: f64, against: &str, least: f64) {
    report::line(what, ours, Unit::Seconds, against, least, None);
}

fn row_with_bar(what: &str, ours: f64, against: &str, least: f64, bar: f64) {
    report::line(what, ours, Unit::Seconds, against, least, Some(bar));
}

pub fn app_on(book: &Path) -> App {
    let store = Store::open(book).unwrap();
    let clock = Box::new(|| chrono::Local::now().fixed_offset());
    let session = Session::new(store, || rulefile::embedded().unwrap(), clock, || {}).unwrap();
    App::start(session, book.with_file_name("slips")).unwrap()
}

// --- a touch, until it is on the disk ------------------------------------------------------------

/// What one action wrote, to be written again without the app.
struct Written {
    op: (Option<String>, String, String, bool),
    changes: Vec<(String, String, String, Option<String>, String)>,
}

fn last_written(db: &Connection) -> Written {
    let seq: i64 = db.query_row("SELECT max(seq) FROM op", [], |row| row.get(0)).unwrap();
    let op = db
        .query_row(
            "SELECT stop, at, label, undoable FROM op WHERE seq = ?1",
            [seq],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
        )
        .unwrap();
    let mut select = db
        .prepare("SELECT record, id, field, old, new FROM change WHERE op = ?1 ORDER BY n")
        .unwrap();
    let changes = select
        .query_map([seq], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
        })
        .unwrap()
        .map(Result::unwrap)
        .collect();
    Written { op, changes }
}

/// The same rows in one transaction, and nothing else.
fn write_bare(db: &mut Connection, what: &Written, number: usize) {
    let id = format!("{number:032x}-0000");
    let tx = db.transaction().unwrap();
    tx.prepare_cached("INSERT INTO op (id, stop, at, label, undoable) VALUES (?1, ?2, ?3, ?4, ?5)")
        .unwrap()
        .execute(params![id, what.op.0, what.op.1, what.op.2, what.op.3])
        .unwrap();
    let seq = tx.last_insert_rowid();
    for (n, (record, id, field, old, new)) in what.changes.iter().enumerate() {
        // As JSON the value of a number is its digits, that of a text its quotes and what is between them.
        let value = match new.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')) {
            Some(text) => rusqlite::types::Value::from(text.to_owned()),
            None => new
                .parse::<i64>()
                .map_or(rusqlite::types::Value::Null, rusqlite::types::Value::from),
        };
        tx.prepare_cached(&format!("UPDATE {record} SET {field} = ?2 WHERE id = ?1"))
            .unwrap()
            .execute(params![id, value])
            .unwrap();
        tx.prepare_cached(
            "INSERT INTO change (op, n, record, id, field, old, new) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )
        .unwrap()
        .execute(params![seq, n as i64, record, id, field, old, new])
        .unwrap();
    }
    tx.commit().unwrap();
}

fn tap_to_durable(folder: &Path) {
    let book = folder.join("taps.sqlite");
    let mut app = app_on(&book);
    app.start_empty();
    demo::open_bundled(&mut app).unwrap();
    app.tap_stop(0);
    app.tap_quantity(Quantity::Sludge);
    app.nudge_reading(1);
    app.session_mut().settle().unwrap();
    let bare_file = folder.join("bare.sqlite");
    app.session()
        .ask({
            let to = bare_file.clone();
            move |store| store.backup(&to)
        })
        .unwrap();
    let reader = Connection::open(&book).unwrap();
    let mut up_and_down = Vec::new();
    for steps in [1, -1] {
        app.nudge_reading(steps);
        app.session_mut().settle().unwrap();
        up_and_down.push(last_written(&reader));
    }
    drop(reader);
    let mut bare = Connection::open(&bare_file).unwrap();
    for (name, value) in [
        ("journal_mode", "WAL"),
        ("synchronous", "FULL"),
        ("foreign_keys", "ON"),
        ("temp_store", "MEMORY"),
    ] {
        bare.pragma_update(None, name, value).unwrap();
    }
    // As the book's own connection: a statement is made once.
    bare.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true).unwrap();
    bare.set_prepared_statement_cache_capacity(64);
    let (mut ours, mut touch, mut floor) = (Vec::new(), Vec::new(), Vec::new());
    for number in 0..1_100_usize {
        let started = Instant::now();
        app.nudge_reading(if number % 2 == 0 { 1 } else { -1 });
        let handed_over = started.elapsed().as_secs_f64();
        app.session_mut().settle().unwrap();
        let kept = started.elapsed().as_secs_f64();
        let least = seconds(|| write_bare(&mut bare, &up_and_down[number % 2], number));
        if number >= 100 {
            ours.push(kept);
            touch.push(handed_over);
            floor.push(least);
        }
    }
    row_with_bar(
        "a touch, until it is on the disk",
        median(&ours),
        "the same rows in a bare transaction",
        median(&floor),
        1.3,
    );
    report::note(&format!(
        "until the touch is handed over and the screen is free {}; the slowest of a hundred {}, of the bare ones {}",
        written(median(&touch)),
        written(at_share(&ours, 0.99)),
        written(at_share(&floor, 0.99))
    ));
}

// --- a book of 20,000 ----------------------------------------------------------------------------

/// A book in a folder of its own, as the app keeps it.
fn own_folder(folder: &Path, name: &str) -> std::path::PathBuf {
    let folders = Folders::at(folder.join(name));
    std::fs::create_dir_all(folders.root()).unwrap();
    folders.book()
}

fn large_book(folder: &Path) -> std::path::PathBuf {
    const FIRST: [&str; 20] = [
        "Alder",
        "Birch",
        "Cedar",
        "Dogwood",
        "Elm",
        "Fern",
        "Gooseberry",
        "Hazel",
        "Ivy",
        "Juniper",
        "Kestrel",
        "Larch",
        "Maple",
        "Nettle",
        "Oak",
        "Poplar",
        "Quince",
        "Rowan",
        "Sorrel",
        "Thistle",
    ];
    const SECOND: [&str; 10] = [
        "Bend", "Creek", "Farm", "Hollow", "Lane", "Mill", "Point", "Ridge", "Spring", "Valley",
    ];
    let book = own_folder(folder, "large");
    let mut app = app_on(&book);
    app.start_empty();
    app.session_mut().settle().unwrap();
    drop(app);
    let mut db = Connection::open(&book).unwrap();
    let tx = db.transaction().unwrap();
    for number in 0..SITES {
        let street = format!(
            "{} {} {}",
            1 + number * 7 % 900,
            FIRST[number % 20],
            SECOND[number / 20 % 10]
        );
        tx.prepare_cached(
            "INSERT INTO site (id, name, address, town, customer, phone, lat_e7, lon_e7, due_on)
             VALUES (?1, ?2, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )
        .unwrap()
        .execute(params![
            format!("00000000-0000-7000-8000-{number:012x}"),
            street,
            format!("{} Falls", FIRST[number / 200 % 20]),
            format!("{} {}son", FIRST[number / 7 % 20], SECOND[number / 3 % 10]),
            format!("555-01{:02}", number % 100),
            440_000_000 + number as i64 * 137,
            -930_000_000 - number as i64 * 91,
            format!("20{:02}-{:02}-15", 26 + number % 6, 1 + number % 12),
        ])
        .unwrap();
    }
    tx.commit().unwrap();
    drop(db);
    // A usual day on top of it.
    let mut app = app_on(&book);
    app.go(Screen::Book);
    for place in 0..6 {
        let site = app.book().site(place * 3_000).unwrap();
        app.plan_stop(site).unwrap();
    }
    app.go(Screen::Day);
    app.session_mut().settle().unwrap();
    book
}

/// One frame at the window's own size.
fn draw(window: &slint::Window) {
    window
        .dispatch_event_with_result(WindowEvent::ScaleFactorChanged { scale_factor: 1.0 })
        .unwrap();
    window.set_size(PhysicalSize::new(412, 892));
    window.show().unwrap();
    slint::platform::update_timers_and_animations();
    black_box(window.take_snapshot().unwrap());
}

fn shared(book: &Path) -> SharedApp {
    Rc::new(RefCell::new(app_on(book)))
}

/// The child: a process that starts, draws one frame, says so, and closes in order.
fn draw_first_frame(what: &str) {
    let started = Instant::now();
    let since = || started.elapsed().as_secs_f64();
    let say = |made: f64, filled: f64| {
        let mut out = std::io::stdout().lock();
        writeln!(out, "{made} {filled} {}", since()).unwrap();
        out.flush().unwrap();
    };
    match what {
        "empty" => {
            screen::install().unwrap();
            let window = least::EmptyWindow::new().unwrap();
            let made = since();
            draw(window.window());
            say(made, made);
        }
        "line" => {
            screen::install().unwrap();
            let window = least::OneLine::new().unwrap();
            let made = since();
            draw(window.window());
            say(made, made);
        }
        _ => {
            // As `platform::desktop` starts, but for the window's place.
            let book = std::env::var_os(CHILD_BOOK).unwrap();
            let folders = Folders::at(Path::new(&book).parent().unwrap().to_owned());
            let opening = Opening::begin(&folders);
            screen::install().unwrap();
            let window = AppWindow::new().unwrap();
            let made = since();
            let (device, news) = (Device::default(), std::sync::mpsc::channel().1);
            let parts = Parts {
                clock: Box::new(|| chrono::Local::now().fixed_offset()),
                open_position: position::opener(1.0),
                position_source: None,
                pictures: picture_folder::source(None),
                device,
                news,
            };
            let app = start::fill(&window, &folders, opening, parts).unwrap();
            let filled = since();
            draw(window.window());
            say(made, filled);
            drop(app);
            // A window that shows is kept alive, and the book in it would not be closed in order.
            window.hide().unwrap();
        }
    }
}

/// From starting the process to its first frame, and the parts as the process itself saw them.
fn time_child(what: &str, book: &Path) -> (f64, [f64; 3]) {
    let started = Instant::now();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .env(CHILD, what)
        .env(CHILD_BOOK, book)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let whole = started.elapsed().as_secs_f64();
    assert!(child.wait().unwrap().success());
    let parts = line
        .split_whitespace()
        .map(|part| part.parse().unwrap())
        .collect::<Vec<f64>>();
    (whole, [parts[0], parts[1], parts[2]])
}

fn first_frame(book: &Path) {
    let small = own_folder(book.parent().unwrap().parent().unwrap(), "small");
    let mut app = app_on(&small);
    app.start_empty();
    app.session_mut().settle().unwrap();
    drop(app);
    let (mut large, mut few, mut line, mut empty) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let mut parts = Vec::new();
    for round in 0..33 {
        let (whole, part) = time_child("book", book);
        let others = (
            time_child("book", &small).0,
            time_child("line", book).0,
            time_child("empty", book).0,
        );
        if round >= 3 {
            large.push(whole);
            parts.push(part);
            few.push(others.0);
            line.push(others.1);
            empty.push(others.2);
        }
    }
    let what = format!("process start to first frame, {SITES} sites");
    row_with_bar(&what, median(&large), "an empty Slint window", median(&empty), 1.5);
    let part = |of: &dyn Fn(&[f64; 3]) -> f64| written(median(&parts.iter().map(of).collect::<Vec<_>>()));
    report::note(&format!(
        "of it: window made, the book being opened meanwhile, {}, filled {}, drawn {}; the rest is the process starting",
        part(&|p| p[0]),
        part(&|p| p[1] - p[0]),
        part(&|p| p[2] - p[1])
    ));
    row(
        &what,
        median(&large),
        "a Slint window with one line of text",
        median(&line),
    );
    row(&what, median(&large), "the same app on an empty book", median(&few));
}

fn search(book: &Path) {
    screen::install().unwrap();
    let app = shared(book);
    app.borrow_mut().go(Screen::Book);
    let db = Connection::open(book).unwrap();
    let listed = each(1, 30, || app.borrow_mut().go(Screen::Book));
    let read = each(1, 30, || {
        let mut select = db
            .prepare_cached(
                "SELECT id, name, address, town, customer, phone, lat_e7, lon_e7, due_on FROM site
                 WHERE removed = 0 ORDER BY name COLLATE NOCASE, address, id",
            )
            .unwrap();
        let mut rows = select.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            for column in 0..9 {
                black_box(row.get_ref(column).unwrap());
            }
        }
    });
    row(
        &format!("the book listed, {SITES} sites"),
        listed,
        "the same rows read and dropped",
        read,
    );
    let mut select = db
        .prepare("SELECT name, address, town, customer, phone FROM site")
        .unwrap();
    let texts = select
        .query_map([], |row| {
            let part = |at: usize| row.get::<_, String>(at);
            Ok(format!("{} {}, {} {} {}", part(0)?, part(1)?, part(2)?, part(3)?, part(4)?).to_lowercase())
        })
        .unwrap()
        .map(Result::unwrap)
        .collect::<Vec<_>>();
    let typed = [
        "m",
        "ma",
        "map",
        "mapl",
        "maple",
        "maple m",
        "maple mi",
        "maple mil",
        "maple mill",
        "zzz",
        "555-0142",
    ];
    let (mut ours, mut floor, mut drawn) = (Vec::new(), Vec::new(), Vec::new());
    let window = AppWindow::new().unwrap();
    bind::attach(&window, &app, Box::new(|_| Ok(())));
    draw(window.window());
    for round in 0..30 {
        for text in typed {
            let key = seconds(|| {
                let mut app = app.borrow_mut();
                app.edit_search(text);
                // What the screen asks for: as many rows as it shows.
                for place in 0..8 {
                    black_box(app.book().line(place, app.session().figures(), app.session().today()));
                }
            });
            let found = app.borrow().book().len();
            let mut counted = 0;
            let scan = seconds(|| {
                let terms = text.split_whitespace().collect::<Vec<_>>();
                counted = texts
                    .iter()
                    .filter(|line| terms.iter().all(|term| line.contains(term)))
                    .count();
            });
            assert_eq!(black_box(counted), found, "{text}");
            let frame = seconds(|| {
                BookApi::get(&window).invoke_edit_search(text.into());
                black_box(window.window().take_snapshot().unwrap());
            });
            if round >= 3 {
                ours.push(key);
                floor.push(scan);
                drawn.push(frame);
            }
        }
    }
    row(
        &format!("a key typed into the search, {SITES} sites"),
        median(&ours),
        "a plain scan of the same text",
        median(&floor),
    );
    report::note(&format!("with the screen drawn anew {}", written(median(&drawn))));
    row_with_bar(
        &format!("the slowest key of {} typed into the search, {SITES} sites", ours.len()),
        at_share(&ours, 1.0),
        "5 ms",
        0.005,
        1.0,
    );
}

// --- figures -------------------------------------------------------------------------------------

fn figures(folder: &Path) {
    let book = folder.join("figures.sqlite");
    let mut app = app_on(&book);
    app.start_empty();
    demo::open_bundled(&mut app).unwrap();
    app.session_mut().settle().unwrap();
    // The stop with the longest history: the more was learned, the more there is to weigh.
    let (visit, history) = app
        .session()
        .ask(|store| {
            let day = store.day(chrono::Local::now().date_naive())?;
            let mut all = Vec::new();
            for row in day {
                let visit = store.visit(row.stop.id)?;
                let history = store.history(visit.site.id)?;
                all.push((visit, history));
            }
            Ok(all.into_iter().max_by_key(|(_, history)| history.len()).unwrap())
        })
        .unwrap();
    let rule_set = app.session().rule_set(&visit.site).unwrap();
    let input = work_input(&visit, &history, &visit.tanks[0], app.session().setup());
    let question = input.question(&rule_set);
    assert!(forecast(&question).dates.is_some(), "there is nothing to forecast");
    let ours = each(20, 200, || {
        black_box(forecast(black_box(&question)));
    });
    let (limit, heel) = (Volume::from_litres(1_200.0), Volume::from_litres(60.0));
    let floor = each(10_000, 100, || {
        black_box(years_to(
            black_box(limit),
            black_box(heel),
            black_box(3.0),
            false,
            black_box(1.1),
        ));
    });
    row(
        &format!("a forecast with dates, curve and {} visits", history.len()),
        ours,
        "the closed form once",
        floor,
    );
    report::note(&format!("forecasts a second on one core: {:.0}", 1.0 / ours));

    let mm = Length::from_mm;
    for (name, shape) in [
        (
            "box",
            TankShape::Box {
                length: mm(2_438),
                width: mm(1_524),
            },
        ),
        (
            "level cylinder",
            TankShape::LevelCylinder {
                diameter: mm(1_524),
                length: mm(2_438),
            },
        ),
        (
            "ellipse from the end",
            TankShape::EllipseSection {
                height: mm(1_400),
                width: mm(1_800),
                length: mm(2_438),
            },
        ),
    ] {
        let mut depth = 0.0;
        let ours = each(10_000, 100, || {
            depth = if depth > 1_400.0 { 1.0 } else { depth + 0.37 };
            black_box(shape.volume_below(black_box(depth), black_box(1_219.0)));
        });
        // The circular segment: r² acos((r − h) / r) − (r − h) √(2rh − h²); the same for every shape, as the one yardstick.
        let mut depth = 0.0_f64;
        let floor = each(10_000, 100, || {
            depth = if depth > 1_400.0 { 1.0 } else { depth + 0.37 };
            let (r, h) = (black_box(762.0_f64), black_box(depth));
            black_box((r * r * ((r - h) / r).acos() - (r - h) * (2.0 * r * h - h * h).sqrt()) * 2_438.0);
        });
        row(
            &format!("volume below a depth, {name}"),
            ours,
            "a circular segment by its formula",
            floor,
        );
    }
}

fn card(folder: &Path) {
    let mut app = app_on(&folder.join("card.sqlite"));
    app.start_empty();
    demo::open_bundled(&mut app).unwrap();
    app.tap_stop(0);
    for tap in [
        "scum 3",
        "sludge 14",
        "out 900",
        "closed yes",
        "found-note The outlet baffle was set back.",
    ] {
        do_tap(&mut app, tap).unwrap();
    }
    app.session_mut().settle().unwrap();
    let data = app.card_data().unwrap();
    let ours = each(1, 40, || {
        black_box(paper::pdf(&lay_out(black_box(&data), PageSize::Letter)).unwrap());
    });
    // One word, so that a typeface is in it.
    let nothing = CardData {
        language: "en-US".to_owned(),
        date_text: "Soon".to_owned(),
        ..CardData::default()
    };
    let floor = each(1, 40, || {
        black_box(paper::pdf(&lay_out(black_box(&nothing), PageSize::Letter)).unwrap());
    });
    row(
        "the customer's card as a PDF",
        ours,
        "a card with one word on it",
        floor,
    );
}
