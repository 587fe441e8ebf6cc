//! The lines of one run: printed, held against the last kept run, and kept on request.
//!
//! `LIDMARK_KEEP=1 cargo bench --bench performance` writes `tests/bench/kept.json` and the table in docs/performance.md.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::time::Instant;

use serde::{Deserialize, Serialize};

/// What a number counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    Seconds,
    Bytes,
}

impl Unit {
    fn written(self, value: f64) -> String {
        match self {
            Self::Seconds => written(value),
            Self::Bytes => format!("{:.1} MB", value / 1e6),
        }
    }
}

/// Something measured against a peer or a limit, in one run.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Line {
    what: String,
    ours: f64,
    unit: Unit,
    against: String,
    least: f64,
    /// The most the ratio may be; `None` where none is set.
    #[serde(skip_serializing_if = "Option::is_none")]
    bar: Option<f64>,
    /// Where it goes, and what belongs to it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    notes: Vec<String>,
}

impl Line {
    fn ratio(&self) -> f64 {
        self.ours / self.least
    }
}

/// One whole run.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Run {
    measured_on: String,
    machine: String,
    settings: String,
    load: String,
    lines: Vec<Line>,
}

static LINES: Mutex<Vec<Line>> = Mutex::new(Vec::new());

/// Writes a duration with the unit that suits it.
pub fn written(seconds: f64) -> String {
    match seconds {
        s if s < 1e-6 => format!("{:.1} ns", s * 1e9),
        s if s < 1e-3 => format!("{:.1} µs", s * 1e6),
        s if s < 1.0 => format!("{:.2} ms", s * 1e3),
        s => format!("{s:.2} s"),
    }
}

/// Adds a line.
///
/// * `bar`: the most the ratio may be
pub fn line(what: &str, ours: f64, unit: Unit, against: &str, least: f64, bar: Option<f64>) {
    let line = Line {
        what: what.to_owned(),
        ours,
        unit,
        against: against.to_owned(),
        least,
        bar,
        notes: Vec::new(),
    };
    println!("{}", row(&line));
    LINES.lock().unwrap().push(line);
}

/// Adds to the last line where its time goes, or what belongs to it.
pub fn note(text: &str) {
    println!("| — {text} | | | | | |");
    if let Some(last) = LINES.lock().unwrap().last_mut() {
        last.notes.push(text.to_owned());
    }
}

pub fn seconds(work: impl FnOnce()) -> f64 {
    let started = Instant::now();
    work();
    started.elapsed().as_secs_f64()
}

pub fn at_share(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

pub fn median(values: &[f64]) -> f64 {
    at_share(values, 0.5)
}

/// The median time of one of many calls, after warming up; short work is timed in batches.
#[cfg(feature = "ui")]
pub fn each(batch: u32, rounds: usize, mut work: impl FnMut()) -> f64 {
    let mut once = || {
        seconds(|| {
            for _ in 0..batch {
                work();
            }
        }) / f64::from(batch)
    };
    for _ in 0..rounds.div_ceil(10) {
        once();
    }
    median(&(0..rounds).map(|_| once()).collect::<Vec<_>>())
}

const HEAD: &str = "| What | Lidmark | Against | Ratio | Bar | |\n|---|---|---|---|---|---|";

pub fn head() {
    println!("{HEAD}");
}

fn row(line: &Line) -> String {
    let (bar, met) = match line.bar {
        Some(bar) if line.ratio() <= bar => (format!("{bar:.1}"), "met"),
        Some(bar) => (format!("{bar:.1}"), "**not met**"),
        None => (String::new(), ""),
    };
    format!(
        "| {} | {} | {}: {} | {:.2} | {bar} | {met} |",
        line.what,
        line.unit.written(line.ours),
        line.against,
        line.unit.written(line.least),
        line.ratio()
    )
}

fn kept_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/kept.json")
}

/// Compares the run with the kept one, says which bars were not met, and keeps the run when asked to.
pub fn finish(load_before: &str) {
    let lines = std::mem::take(&mut *LINES.lock().unwrap());
    let kept: Option<Run> = std::fs::read(kept_path())
        .ok()
        .map(|bytes| serde_json::from_slice(&bytes).expect("tests/bench/kept.json cannot be read"));
    println!();
    match &kept {
        None => println!("No run has been kept to compare with."),
        Some(kept) => compare(&lines, kept),
    }
    let (met, not): (Vec<_>, Vec<_>) = lines
        .iter()
        .filter_map(|line| Some((line, line.bar?)))
        .partition(|(line, bar)| line.ratio() <= *bar);
    println!("\nBars met: {} of {}.", met.len(), met.len() + not.len());
    for (line, bar) in not {
        println!("NOT MET: {}: {:.2}, the bar is {bar:.1}", line.what, line.ratio());
    }
    let run = Run {
        measured_on: chrono::Local::now().format("%Y-%m-%d").to_string(),
        machine: machine(),
        settings: settings(),
        load: format!("{load_before} before, {} after", load()),
        lines,
    };
    println!("\n{}; {}; load {}", run.machine, run.settings, run.load);
    if std::env::var_os("LIDMARK_KEEP").is_some() {
        let optimised = !cfg!(debug_assertions);
        assert!(optimised, "a debug build is not kept: use cargo bench");
        let json = serde_json::to_string_pretty(&run).unwrap() + "\n";
        std::fs::write(kept_path(), json).unwrap();
        write_page(&run);
        println!("Kept: tests/bench/kept.json and docs/performance.md.");
    }
}

fn compare(lines: &[Line], kept: &Run) {
    println!(
        "Against the run kept on {} ({}, load {}):\n",
        kept.measured_on, kept.settings, kept.load
    );
    println!("| What | Ratio kept | Ratio now | Change |\n|---|---|---|---|");
    for line in lines {
        let before = kept
            .lines
            .iter()
            .find(|other| (&other.what, &other.against) == (&line.what, &line.against));
        let Some(before) = before else {
            println!("| {} | – | {:.2} | new |", line.what, line.ratio());
            continue;
        };
        let change = (line.ratio() / before.ratio() - 1.0) * 100.0;
        let word = match change {
            c if c > 10.0 => " **worse**",
            c if c < -10.0 => " better",
            _ => "",
        };
        println!(
            "| {} | {:.2} | {:.2} | {change:+.0} %{word} |",
            line.what,
            before.ratio(),
            line.ratio()
        );
    }
}

/// Writes the table into docs/performance.md, between its marks.
fn write_page(run: &Run) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/performance.md");
    let text = std::fs::read_to_string(&path).unwrap();
    let (open, close) = ("<!-- table -->\n", "<!-- /table -->");
    let start = text.find(open).expect("docs/performance.md has lost its mark") + open.len();
    let end = start
        + text[start..]
            .find(close)
            .expect("docs/performance.md has lost its mark");
    let mut table = format!(
        "Measured {}: {}; {}; load {}.\n\n{HEAD}\n",
        run.measured_on, run.machine, run.settings, run.load
    );
    for line in &run.lines {
        let _ = writeln!(table, "{}", row(line));
        for note in &line.notes {
            let _ = writeln!(table, "| — {note} | | | | | |");
        }
    }
    std::fs::write(&path, format!("{}{table}{}", &text[..start], &text[end..])).unwrap();
}

/// How busy the machine is, by the average of the last minute: proc(5), loadavg.
pub fn load() -> String {
    std::fs::read_to_string("/proc/loadavg")
        .ok()
        .and_then(|text| text.split(' ').next().map(str::to_owned))
        .unwrap_or_else(|| "unknown".to_owned())
}

fn machine() -> String {
    let processor = std::fs::read_to_string("/proc/cpuinfo")
        .unwrap_or_default()
        .lines()
        .find_map(|line| {
            line.strip_prefix("model name")?
                .split_once(": ")
                .map(|(_, name)| name.to_owned())
        })
        .unwrap_or_else(|| std::env::consts::ARCH.to_owned());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let compiler = Command::new("rustc")
        .arg("--version")
        .output()
        .map(|output| String::from_utf8_lossy(&output.stdout).trim().to_owned())
        .unwrap_or_default();
    format!("{processor}, {cores} cores, {}, {compiler}", std::env::consts::OS)
}

/// What the run was built with, as far as it was asked to differ from Cargo.toml.
fn settings() -> String {
    if cfg!(debug_assertions) {
        return "a debug build, which is no measure".to_owned();
    }
    match (
        option_env!("CARGO_PROFILE_BENCH_LTO"),
        option_env!("CARGO_PROFILE_RELEASE_LTO"),
    ) {
        (Some(lto), _) | (None, Some(lto)) => format!("link-time optimisation {lto}"),
        (None, None) => "release settings of Cargo.toml".to_owned(),
    }
}
