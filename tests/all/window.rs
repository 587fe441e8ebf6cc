//! The real program in a real window of an X server of its own, touched with a pointer, killed and started again.
//!
//! Beside it runs the same app in memory, on a book of its own with the same demo in it. It is touched at the same
//! places; its layout says where the keys lie, and its picture is what the real window must come to show.

use std::cell::RefCell;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::rc::Rc;
use std::time::{Duration, Instant};

use i_slint_backend_testing::ElementHandle;
use image::RgbaImage;
use lidmark::app::bind::{self, SharedApp};
use lidmark::app::demo;
use lidmark::app::section::{Edge, EdgeKind};
use lidmark::app::session::Session;
use lidmark::app::shell::{App, Screen};
use lidmark::domain::record::Station;
use lidmark::exchange::rulefile;
use lidmark::platform::screen;
use lidmark::store::Store;
use lidmark::ui::{AppApi, AppWindow};
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use slint::platform::{PointerEventButton, WindowEvent};
use slint::{ComponentHandle, Global, LogicalPosition};

/// The window's own size, `ui/app.slint`.
const SIZE: (u16, u16) = (412, 892);
/// Long enough for a slow machine in a debug build; nothing waits this long when all is well.
const PATIENCE: Duration = Duration::from_mins(2);

fn need(tool: &str) {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path).any(|folder| folder.join(tool).is_file());
    assert!(
        found,
        "`{tool}` is missing: install the packages xvfb, xdotool and imagemagick, then run this test again"
    );
}

fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let started = Instant::now();
    loop {
        if let Some(value) = look() {
            return value;
        }
        assert!(started.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A process that does not outlive the test.
struct Guarded(Child);

impl Guarded {
    fn kill(&mut self) {
        // It may have ended by itself; then there is nothing to end.
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

impl Drop for Guarded {
    fn drop(&mut self) {
        self.kill();
    }
}

// --- the real program ----------------------------------------------------------------------------

struct Display {
    _server: Guarded,
    name: String,
}

impl Display {
    fn start() -> Self {
        for tool in ["Xvfb", "xdotool", "import"] {
            need(tool);
        }
        // The server chooses a free number and says which; it stays up between two programs, which else might meet it restarting.
        let mut server = Command::new("Xvfb")
            .args([
                "-displayfd",
                "1",
                "-noreset",
                "-screen",
                "0",
                "600x1000x24",
                "-nolisten",
                "tcp",
            ])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut number = String::new();
        BufReader::new(server.stdout.take().unwrap())
            .read_line(&mut number)
            .unwrap();
        assert!(!number.trim().is_empty(), "Xvfb did not start");
        Self {
            _server: Guarded(server),
            name: format!(":{}", number.trim()),
        }
    }

    fn run(&self, tool: &str, arguments: &[&str]) -> Output {
        Command::new(tool)
            .args(arguments)
            .env("DISPLAY", &self.name)
            .output()
            .unwrap()
    }
}

struct Real<'a> {
    display: &'a Display,
    process: Guarded,
    window: String,
    book: PathBuf,
}

impl<'a> Real<'a> {
    fn start(display: &'a Display, data: &Path) -> Self {
        let process = Command::new(env!("CARGO_BIN_EXE_lidmark"))
            .arg("--data")
            .arg(data)
            .env("DISPLAY", &display.name)
            .env("WINIT_X11_SCALE_FACTOR", "1")
            .env_remove("WAYLAND_DISPLAY")
            .env_remove("WAYLAND_SOCKET")
            .env_remove("SLINT_BACKEND")
            .env_remove("SLINT_SCALE_FACTOR")
            .spawn()
            .unwrap();
        let mut process = Guarded(process);
        let window = until("the window", || {
            assert!(process.0.try_wait().unwrap().is_none(), "the program ended by itself");
            let found = display.run("xdotool", &["search", "--onlyvisible", "--name", "^Lidmark$"]);
            String::from_utf8(found.stdout)
                .unwrap()
                .lines()
                .next()
                .map(ToOwned::to_owned)
        });
        let geometry = display.run("xdotool", &["getwindowgeometry", "--shell", &window]);
        let geometry = String::from_utf8(geometry.stdout).unwrap();
        assert!(
            geometry.contains("WIDTH=412\n") && geometry.contains("HEIGHT=892\n"),
            "{geometry}"
        );
        Self {
            display,
            process,
            window,
            book: data.join("book.sqlite"),
        }
    }

    fn picture(&self) -> RgbaImage {
        let taken = self.display.run("import", &["-window", &self.window, "png:-"]);
        assert!(taken.status.success(), "{}", String::from_utf8_lossy(&taken.stderr));
        image::load_from_memory(&taken.stdout).unwrap().to_rgba8()
    }

    /// Moves the pointer along and does something with it on the way, in places of the window.
    fn pointer(&self, arguments: &[String]) {
        let mut line = Vec::new();
        for argument in arguments {
            match argument.split_once(' ') {
                Some((x, y)) => line.extend(["mousemove", "--window", &self.window, x, y]),
                None => line.extend([argument.as_str(), "1"]),
            }
        }
        let done = self.display.run("xdotool", &line);
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }

    /// The sludge kept for the stop on the screen, by the file alone.
    fn kept_sludge_mm(&self) -> Option<i64> {
        let db = Connection::open_with_flags(&self.book, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
        db.busy_timeout(Duration::from_secs(5)).unwrap();
        db.query_row(
            "SELECT r.sludge_mm FROM reading r JOIN meta m ON m.key = 'on_screen' AND m.value = r.stop
             WHERE r.removed = 0 AND r.sludge_mm IS NOT NULL",
            [],
            |row| row.get(0),
        )
        .optional()
        .unwrap()
    }
}

// --- its twin in memory --------------------------------------------------------------------------

struct Twin {
    window: AppWindow,
    app: SharedApp,
}

impl Twin {
    fn start(book: &Path) -> Self {
        let store = Store::open(book).unwrap();
        let clock = Box::new(|| chrono::Local::now().fixed_offset());
        let session = Session::new(store, || rulefile::embedded().unwrap(), clock, || {}).unwrap();
        let app: SharedApp = Rc::new(RefCell::new(App::start(session, book.with_file_name("slips")).unwrap()));
        let window = AppWindow::new().unwrap();
        bind::attach(
            &window,
            &app,
            Box::new(|app| demo::open_bundled(app).map_err(|error| error.to_string())),
        );
        Self { window, app }
    }

    fn picture(&self) -> RgbaImage {
        self.app.borrow_mut().session_mut().settle().unwrap();
        // Once for what the drawings ask for when they learn their size, once for what comes of it.
        for _ in 0..2 {
            AppApi::get(&self.window).invoke_news();
            screen::snapshot(self.window.window(), SIZE.0, SIZE.1, 1.0).unwrap();
        }
        screen::snapshot(self.window.window(), SIZE.0, SIZE.1, 1.0).unwrap()
    }

    fn element(&self, label: &str) -> ElementHandle {
        ElementHandle::find_by_accessible_label(&self.window, label)
            .next()
            .unwrap_or_else(|| panic!("nothing is labelled {label:?}"))
    }

    fn event(&self, event: WindowEvent) {
        self.window.window().dispatch_event_with_result(event).unwrap();
    }

    fn stroke(&self, points: &[(f32, f32)]) {
        let at = |(x, y): (f32, f32)| LogicalPosition::new(x, y);
        let button = PointerEventButton::Left;
        let (first, last) = (at(points[0]), at(points[points.len() - 1]));
        self.event(WindowEvent::PointerMoved { position: first });
        self.event(WindowEvent::PointerPressed {
            position: first,
            button,
        });
        for point in &points[1..] {
            self.event(WindowEvent::PointerMoved { position: at(*point) });
        }
        self.event(WindowEvent::PointerReleased { position: last, button });
        self.app.borrow_mut().session_mut().settle().unwrap();
    }

    fn sludge_mm(&self) -> Option<i64> {
        let app = self.app.borrow();
        app.session()
            .ask(|store| {
                let Some(stop) = store.open_stop()? else {
                    return Ok(None);
                };
                let mut readings = store.visit(stop)?.readings.into_iter();
                Ok(readings
                    .find_map(|reading| reading.sludge_mm)
                    .map(|length| i64::from(length.as_mm())))
            })
            .unwrap()
    }
}

impl Drop for Twin {
    fn drop(&mut self) {
        // A window that shows is kept alive by the toolkit, and its app and book with it.
        self.window.hide().unwrap();
    }
}

/// The share of pixels that differ plainly.
fn difference(one: &RgbaImage, other: &RgbaImage) -> f64 {
    if one.dimensions() != other.dimensions() {
        return 1.0;
    }
    let plainly = |(a, b): (&image::Rgba<u8>, &image::Rgba<u8>)| (0..3).any(|i| a.0[i].abs_diff(b.0[i]) > 48);
    let count = one.pixels().zip(other.pixels()).filter(|pair| plainly(*pair)).count();
    f64::from(u32::try_from(count).unwrap()) / f64::from(one.width() * one.height())
}

/// Waits until the real window shows what its twin shows.
///
/// One pixel in a hundred may differ: the time of the last action, which may be a minute apart.
fn same_picture(real: &Real, twin: &Twin, what: &str) {
    let expected = twin.picture();
    let colours = expected
        .pixels()
        .map(|pixel| pixel.0)
        .collect::<std::collections::BTreeSet<_>>();
    assert!(colours.len() > 8, "{what}: the twin is blank");
    let mut last = 1.0;
    let started = Instant::now();
    loop {
        let seen = real.picture();
        last = f64::min(last, difference(&seen, &expected));
        if last < 0.01 {
            return;
        }
        if started.elapsed() > PATIENCE {
            let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
            seen.save(folder.join("window-seen.png")).unwrap();
            expected.save(folder.join("window-expected.png")).unwrap();
            panic!(
                "{what}: {:.1} % of the window differs; compare window-seen.png and window-expected.png in {}",
                last * 100.0,
                folder.display()
            );
        }
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Touches the same points in both.
fn stroke(real: &Real, twin: &Twin, points: &[(f32, f32)]) {
    // Whole pixels, so that both get exactly the same.
    let points = points.iter().map(|(x, y)| (x.round(), y.round())).collect::<Vec<_>>();
    let place = |(x, y): &(f32, f32)| format!("{x} {y}");
    let mut line = vec![place(&points[0]), "mousedown".to_owned()];
    line.extend(points[1..].iter().map(place));
    line.push("mouseup".to_owned());
    real.pointer(&line);
    twin.stroke(&points);
}

fn tap(real: &Real, twin: &Twin, label: &str) {
    let element = twin.element(label);
    let (at, size) = (element.absolute_position(), element.size());
    stroke(real, twin, &[(at.x + size.width / 2.0, at.y + size.height / 2.0)]);
}

fn same_sludge(real: &Real, twin: &Twin, what: &str) -> i64 {
    let expected = twin.sludge_mm();
    until(what, || (real.kept_sludge_mm() == expected).then_some(()));
    expected.unwrap_or_else(|| panic!("{what}: no sludge is kept"))
}

#[test]
fn a_stop_in_the_real_window_survives_a_kill() {
    // A thread of its own: Slint has one platform a thread, and tests share threads.
    let run = std::thread::spawn(|| {
        screen::install().unwrap();
        let display = Display::start();
        let folder = tempfile::tempdir().unwrap();
        let (data, twin_data) = (folder.path().join("real"), folder.path().join("twin"));
        std::fs::create_dir(&twin_data).unwrap();
        let twin = Twin::start(&twin_data.join("book.sqlite"));
        let mut real = Real::start(&display, &data);

        same_picture(&real, &twin, "the first start");
        tap(&real, &twin, "Open the demo book");
        same_picture(&real, &twin, "the demo's day under its notice");
        tap(&real, &twin, "Close the notice");
        same_picture(&real, &twin, "the demo's day");
        let title = twin.app.borrow().day_view().stops[0].title.clone();
        tap(&real, &twin, &title);
        same_picture(&real, &twin, "the stop");
        tap(&real, &twin, "Read");
        same_picture(&real, &twin, "the Read station");

        // The first touch sets where the sludge starts from, so that there is an edge to drag.
        tap(&real, &twin, "More");
        let first = same_sludge(&real, &twin, "the first sludge");
        same_picture(&real, &twin, "a first sludge");

        let drawing = twin.app.borrow().read_view().drawing.unwrap();
        let edge = Edge {
            kind: EdgeKind::SludgeTop,
            part: 0,
        };
        let handle = drawing.handles.iter().find(|handle| handle.edge == edge).unwrap();
        let section = twin.element("Tank in section").absolute_position();
        #[allow(clippy::cast_possible_truncation, reason = "places on a screen")]
        let (x, y) = (section.x + handle.x as f32, section.y + handle.y as f32);
        let points = (0..=8_u8)
            .map(|step| (x, y - 4.0 * f32::from(step)))
            .collect::<Vec<_>>();
        stroke(&real, &twin, &points);
        let dragged = same_sludge(&real, &twin, "the dragged sludge");
        assert!(dragged > first, "dragged up from {first} mm, it is {dragged} mm");

        tap(&real, &twin, "More");
        let nudged = same_sludge(&real, &twin, "the nudged sludge");
        // Half an inch, 12.7 mm, kept in whole millimetres.
        assert!(
            (12..=13).contains(&(nudged - dragged)),
            "nudged from {dragged} to {nudged} mm"
        );
        tap(&real, &twin, "Undo");
        assert_eq!(same_sludge(&real, &twin, "the undo"), dragged);
        same_picture(&real, &twin, "the Read station after an undo");

        real.process.kill();
        assert_eq!(real.kept_sludge_mm(), Some(dragged), "after the kill");
        // What ends by itself hides its window, as closing it does, and has closed its book in order.
        drop(twin);
        let note = "SELECT value FROM meta WHERE key = 'open'";
        let closed = crate::fixture::strings(&Connection::open(twin_data.join("book.sqlite")).unwrap(), note);
        assert_eq!(closed, ["0"]);
        let twin = Twin::start(&twin_data.join("book.sqlite"));
        assert_eq!(twin.app.borrow().screen(), Screen::At(Station::Read));
        let real = Real::start(&display, &data);
        same_picture(&real, &twin, "the stop reopened after the kill");
        assert_eq!(same_sludge(&real, &twin, "the sludge after the kill"), dragged);
        // It is in use again, not only looked at.
        tap(&real, &twin, "Less");
        assert!(same_sludge(&real, &twin, "a touch after the kill") < dragged);
    });
    if let Err(panic) = run.join() {
        std::panic::resume_unwind(panic);
    }
}

#[test]
fn without_a_display_it_says_so_in_two_lines() {
    for display in [None, Some(":64999")] {
        let folder = tempfile::tempdir().unwrap();
        let mut program = Command::new(env!("CARGO_BIN_EXE_lidmark"));
        program.arg("--data").arg(folder.path());
        for name in ["DISPLAY", "WAYLAND_DISPLAY", "WAYLAND_SOCKET", "SLINT_BACKEND"] {
            program.env_remove(name);
        }
        if let Some(display) = display {
            program.env("DISPLAY", display);
        }
        let output = program.output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1), "{display:?}: {said}");
        let lines = said.lines().collect::<Vec<_>>();
        assert_eq!(lines.len(), 2, "{display:?}: {said}");
        assert!(
            lines[0].starts_with("error: ") && lines[1].starts_with("what to do: "),
            "{said}"
        );
        assert!(!said.contains("panicked"), "{said}");
        assert!(output.stdout.is_empty());
    }
}
