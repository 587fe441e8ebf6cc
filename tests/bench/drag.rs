//! Every edge of the section drawing dragged through a real window, each frame timed; and what windows hold in memory.

use std::cell::{Cell, RefCell};
use std::path::Path;
use std::process::{Command, Stdio};
use std::rc::Rc;
use std::time::{Duration, Instant};

use lidmark::app::bind;
use lidmark::app::demo;
use lidmark::app::section::EdgeKind;
use lidmark::app::shell::{App, Screen};
use lidmark::domain::record::Station;
use lidmark::ui::{AppApi, AppWindow, ReadApi};
use slint::platform::software_renderer::{MinimalSoftwareWindow, PremultipliedRgbaColor, RepaintBufferType};
use slint::platform::{Platform, PointerEventButton, WindowAdapter, WindowEvent};
use slint::{ComponentHandle, Global, LogicalPosition, PhysicalSize, PlatformError};

use crate::app::{CHILD, CHILD_BOOK, app_on, least};
use crate::report::{self, Unit, at_share, median};

/// A usual phone's screen, physical pixels, and its scale: 420 dpi, as Android counts it (developer.android.com, "Support
/// different pixel densities").
const WIDE: u32 = 1_080;
const HIGH: u32 = 2_400;
const SCALE: f32 = 2.625;
/// One frame of a 60 Hz screen is 16.7 ms; the bar is 16.
const FRAME_S: f64 = 0.016;

pub const CHILD_DRAG: &str = "drag";
pub const CHILD_MEMORY: [&str; 4] = ["memory-empty", "memory-line", "memory-day", "memory-tour"];

thread_local! {
    static WINDOW: RefCell<Option<Rc<MinimalSoftwareWindow>>> = const { RefCell::new(None) };
}

/// What a phone is for the renderer: one buffer that keeps its pixels, so that only what changed is drawn.
struct PhoneScreen {
    started: Instant,
}

impl Platform for PhoneScreen {
    fn create_window_adapter(&self) -> Result<Rc<dyn WindowAdapter>, PlatformError> {
        let window = MinimalSoftwareWindow::new(RepaintBufferType::ReusedBuffer);
        WINDOW.set(Some(window.clone()));
        Ok(window)
    }

    fn duration_since_start(&self) -> Duration {
        self.started.elapsed()
    }
}

struct Screenful {
    window: Rc<MinimalSoftwareWindow>,
    pixels: Vec<PremultipliedRgbaColor>,
}

impl Screenful {
    /// Shows the component's window at the phone's size.
    fn of(component: &impl ComponentHandle) -> Self {
        component.show().unwrap();
        let window = WINDOW.with_borrow(|window| window.clone().unwrap());
        window
            .dispatch_event_with_result(WindowEvent::ScaleFactorChanged { scale_factor: SCALE })
            .unwrap();
        window.set_size(PhysicalSize::new(WIDE, HIGH));
        let pixels = vec![PremultipliedRgbaColor::default(); (WIDE * HIGH) as usize];
        Self { window, pixels }
    }

    /// Draws what has changed; returns its bounding box as a share of the screen, nothing when nothing has.
    fn draw(&mut self) -> Option<f64> {
        slint::platform::update_timers_and_animations();
        let mut share = None;
        let pixels = &mut self.pixels;
        self.window.draw_if_needed(|renderer| {
            let size = renderer.render(pixels, WIDE as usize).bounding_box_size();
            share = Some(f64::from(size.width) * f64::from(size.height) / f64::from(WIDE * HIGH));
        });
        share
    }

    /// Draws until nothing changes any more: parts learn their size only when they are laid out.
    fn settle(&mut self) {
        for _ in 0..6 {
            std::thread::sleep(Duration::from_millis(4));
            self.draw();
        }
    }
}

fn install() {
    let started = Instant::now();
    slint::platform::set_platform(Box::new(PhoneScreen { started })).unwrap();
}

/// The child: drags every edge up and down at three tanks of different shape and prints what each frame took.
pub fn drag_all() {
    install();
    let app = Rc::new(RefCell::new(app_on(Path::new(&std::env::var_os(CHILD_BOOK).unwrap()))));
    let window = AppWindow::new().unwrap();
    bind::attach(&window, &app, Box::new(|_| Ok(())));
    let mut screen = Screenful::of(&window);
    let event = |event| window.window().dispatch_event_with_result(event).unwrap();
    let button = PointerEventButton::Left;
    let stops = app.borrow().day_view().stops.len();
    for stop in 0..stops.min(3) {
        app.borrow_mut().go(Screen::Day);
        app.borrow_mut().tap_stop(stop);
        app.borrow_mut().go(Screen::At(Station::Read));
        read_all(&mut app.borrow_mut());
        refresh(&window);
        screen.settle();
        let place = place_of_drawing(&window);
        bind::attach(&window, &app, Box::new(|_| Ok(())));
        let kinds = [
            EdgeKind::Level,
            EdgeKind::ScumBottom,
            EdgeKind::SludgeTop,
            EdgeKind::DeviceBottom,
        ];
        for kind in kinds {
            // Where the grip is now: the drags before have moved the edges.
            let handle = app
                .borrow()
                .read_view()
                .drawing
                .and_then(|drawing| drawing.handles.into_iter().find(|handle| handle.edge.kind == kind));
            let Some(handle) = handle else { continue };
            let at = |y: f64| LogicalPosition::new(place.0 + handle.x as f32, place.1 + (handle.y + y) as f32);
            event(WindowEvent::PointerMoved { position: at(0.0) });
            event(WindowEvent::PointerPressed {
                position: at(0.0),
                button,
            });
            screen.settle();
            for step in 1..=160 {
                // Up and down again by 80 dp either way, 4 dp a frame: a hand that is in no hurry.
                let y = 80.0 * (f64::from(step) * std::f64::consts::TAU / 80.0).sin();
                let started = Instant::now();
                event(WindowEvent::PointerMoved { position: at(y) });
                let reckoned = started.elapsed().as_secs_f64();
                let share = screen.draw().unwrap_or(0.0);
                let whole = started.elapsed().as_secs_f64();
                println!("{whole} {reckoned} {share}");
            }
            event(WindowEvent::PointerReleased {
                position: at(0.0),
                button,
            });
            app.borrow_mut().session_mut().settle().unwrap();
            screen.settle();
        }
    }
    window.hide().unwrap();
}

/// Gives every layer a value, so that every edge can be dragged.
fn read_all(app: &mut App) {
    for tap in ["scum 6", "sludge 12", "level 0", "device 18"] {
        demo::do_tap(app, tap).unwrap();
    }
    app.session_mut().settle().unwrap();
}

fn refresh(window: &AppWindow) {
    AppApi::get(window).invoke_news();
}

/// Where the drawing lies in the window: a touch in its middle says where it has come down in the drawing.
fn place_of_drawing(window: &AppWindow) -> (f32, f32) {
    let came_down = Rc::new(Cell::new(None));
    let told = came_down.clone();
    ReadApi::get(window).on_pressed(move |x, y| told.set(Some((x, y))));
    let (position, button) = (LogicalPosition::new(150.0, 350.0), PointerEventButton::Left);
    for event in [
        WindowEvent::PointerMoved { position },
        WindowEvent::PointerPressed { position, button },
        WindowEvent::PointerReleased { position, button },
    ] {
        window.window().dispatch_event_with_result(event).unwrap();
    }
    let (x, y) = came_down.get().expect("the touch did not meet the drawing");
    (position.x - x, position.y - y)
}

fn child(what: &str, book: &Path) -> Vec<Vec<f64>> {
    let output = Command::new(std::env::current_exe().unwrap())
        .env(CHILD, what)
        .env(CHILD_BOOK, book)
        .stderr(Stdio::inherit())
        .output()
        .unwrap();
    assert!(output.status.success(), "{what}");
    String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|line| line.split(' ').map(|number| number.parse().unwrap()).collect())
        .collect()
}

fn demo_book(folder: &Path, name: &str) -> std::path::PathBuf {
    let book = folder.join(name);
    let mut app = app_on(&book);
    app.start_empty();
    demo::open_bundled(&mut app).unwrap();
    app.session_mut().settle().unwrap();
    book
}

/// How often all is dragged: a frame that was slow once was held up by the machine, one that is slow each time is slow.
const DRAGS: usize = 3;

/// The frames of a drag, against the time between two frames.
pub fn frames(folder: &Path) {
    let drags = (0..DRAGS)
        .map(|number| child(CHILD_DRAG, &demo_book(folder, &format!("dragged-{number}.sqlite"))))
        .collect::<Vec<_>>();
    let drawn = drags[0].iter().filter(|frame| frame[2] > 0.0).count();
    assert!(drawn > 500, "only {drawn} frames were drawn");
    assert!(drags.iter().all(|drag| drag.len() == drags[0].len()));
    let column = |index: usize| drags.iter().flatten().map(|frame| frame[index]).collect::<Vec<_>>();
    let (whole, reckoned, share) = (column(0), column(1), column(2));
    let each_time = (0..drags[0].len())
        .map(|place| drags.iter().map(|drag| drag[place][0]).fold(f64::MAX, f64::min))
        .collect::<Vec<_>>();
    let limit = "the time between two frames of a 60 Hz screen";
    let what = "an edge of the section dragged at 1080 x 2400, drawn in software";
    report::line(
        &format!("{what}: the slowest of {} frames", whole.len()),
        at_share(&whole, 1.0),
        Unit::Seconds,
        limit,
        FRAME_S,
        Some(1.0),
    );
    report::note(&format!(
        "median {}, slowest of a hundred {}; dragged {DRAGS} times, the slowest frame of those that were slow each time {}",
        report::written(median(&whole)),
        report::written(at_share(&whole, 0.99)),
        report::written(at_share(&each_time, 1.0)),
    ));
    let drawing = whole.iter().zip(&reckoned).map(|(whole, reckoned)| whole - reckoned);
    report::note(&format!(
        "of it, median: touch, reckoning and new properties {}, drawing {}; bounding box of what is drawn {:.0} % of the screen",
        report::written(median(&reckoned)),
        report::written(median(&drawing.collect::<Vec<_>>())),
        median(&share) * 100.0
    ));
}

// --- memory --------------------------------------------------------------------------------------

/// The child: shows a window, draws it, and says what the process holds: resident and proportional, KiB.
pub fn hold_memory(what: &str) {
    install();
    match what {
        "memory-empty" => {
            let window = least::EmptyWindow::new().unwrap();
            let mut screen = Screenful::of(&window);
            screen.settle();
            say_memory();
        }
        "memory-line" => {
            let window = least::OneLine::new().unwrap();
            let mut screen = Screenful::of(&window);
            screen.settle();
            say_memory();
        }
        _ => {
            let app = Rc::new(RefCell::new(app_on(Path::new(&std::env::var_os(CHILD_BOOK).unwrap()))));
            let window = AppWindow::new().unwrap();
            bind::attach(&window, &app, Box::new(|_| Ok(())));
            let mut screen = Screenful::of(&window);
            screen.settle();
            if what == "memory-tour" {
                // The book listed, then each station of a stop.
                let mut show = |act: &dyn Fn(&mut App)| {
                    act(&mut app.borrow_mut());
                    refresh(&window);
                    screen.settle();
                };
                show(&|app| app.go(Screen::Book));
                show(&|app| app.go(Screen::Day));
                show(&|app| app.tap_stop(0));
                for station in [
                    Station::Find,
                    Station::Dig,
                    Station::Read,
                    Station::Pump,
                    Station::Leave,
                ] {
                    show(&|app| app.go(Screen::At(station)));
                }
                show(&|app| app.go(Screen::Book));
            }
            say_memory();
            window.hide().unwrap();
        }
    }
}

/// Linux only: proc(5), `VmRSS` and the proportional share in `smaps_rollup`.
fn say_memory() {
    let kib = |path: &str, name: &str| -> f64 {
        let text = std::fs::read_to_string(path).unwrap();
        let line = text.lines().find_map(|line| line.strip_prefix(name)).unwrap();
        line.trim().trim_end_matches(" kB").parse().unwrap()
    };
    println!(
        "{} {}",
        kib("/proc/self/status", "VmRSS:"),
        kib("/proc/self/smaps_rollup", "Pss:")
    );
}

/// What the app holds in memory, against an empty window drawn the same way.
pub fn memory(folder: &Path, large: &Path) {
    let demo = demo_book(folder, "demo.sqlite");
    let held = |what: &str, book: &Path| {
        let runs = (0..5).map(|_| child(what, book)[0].clone()).collect::<Vec<_>>();
        let column = |index: usize| median(&runs.iter().map(|run| run[index] * 1_024.0).collect::<Vec<_>>());
        (column(0), column(1))
    };
    let [empty, line, day, tour] = CHILD_MEMORY;
    let least = held(empty, &demo);
    let with_text = held(line, &demo);
    let peer = "an empty Slint window of that size";
    for (name, book, what) in [
        ("the demo book, its day on the screen", &demo, day),
        ("20,000 sites, the day on the screen", &large.to_owned(), day),
        (
            "20,000 sites, the book listed and a stop gone through",
            &large.to_owned(),
            tour,
        ),
    ] {
        let ours = held(what, book);
        report::line(
            &format!("resident memory at 1080 x 2400: {name}"),
            ours.0,
            Unit::Bytes,
            peer,
            least.0,
            Some(2.5),
        );
        report::note(&format!(
            "proportional share (Pss): {:.1} MB, against {:.1} MB; a window with one line of text {:.1} MB resident; the screen's buffer is {:.1} MB of each",
            ours.1 / 1e6,
            least.1 / 1e6,
            with_text.0 / 1e6,
            f64::from(WIDE * HIGH) * 4.0 / 1e6
        ));
    }
}
