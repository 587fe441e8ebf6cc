//! How a season grows, as a table and a plot: both are written by the run that measured them.

use std::fmt::{self, Write as _};
use std::path::Path;

use super::{Done, Measured, PHOTOS_A_STOP, Plan, TRUCKS, mb, truth};

/// How sizes and times changed from the beginning to the end.
pub struct Growth {
    days: usize,
    /// Bytes of the office's book and of one phone's a stop recorded in it, and how far the books were off that line.
    office: Line,
    phone: Line,
    /// The last quarter's median day over that of the second quarter.
    import: f64,
    phone_work: f64,
    /// Handles at the end of the second day, the most ever, and at the end.
    handles: (usize, usize, usize),
    /// Resident memory after a quarter of the season and at its end, KiB; by then in how many stops.
    resident: (u64, u64),
}

/// A straight line through sizes.
struct Line {
    bytes_a_stop: f64,
    /// The largest distance from the line as a share of the last size.
    off: f64,
}

impl Line {
    /// Least squares.
    fn through(points: &[(f64, f64)]) -> Self {
        let n = points.len() as f64;
        let (mx, my) = (
            points.iter().map(|p| p.0).sum::<f64>() / n,
            points.iter().map(|p| p.1).sum::<f64>() / n,
        );
        let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>()
            / points.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>();
        let last = points.last().unwrap().1;
        let off = points
            .iter()
            .map(|p| (p.1 - (my + slope * (p.0 - mx))).abs() / last)
            .fold(0.0, f64::max);
        Self {
            bytes_a_stop: slope,
            off,
        }
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted = values.collect::<Vec<_>>();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

impl Growth {
    pub fn of(all: &[Measured]) -> Self {
        let days = all.len();
        let line = |size: &dyn Fn(&Measured) -> u64| {
            let points = all.iter().map(|m| (m.stops as f64, size(m) as f64)).collect::<Vec<_>>();
            Line::through(&points)
        };
        let (second, last) = (&all[days / 4..days / 2], &all[days - days / 4..]);
        let ratio =
            |of: &dyn Fn(&Measured) -> f64| median(last.iter().map(of)) / median(second.iter().map(of)).max(1.0);
        Self {
            days,
            office: line(&|m| m.office_bytes),
            phone: Line {
                // A third of the stops are the first phone's.
                bytes_a_stop: line(&|m| m.phone_bytes).bytes_a_stop * TRUCKS as f64,
                ..line(&|m| m.phone_bytes)
            },
            import: ratio(&|m| m.import_ms),
            phone_work: ratio(&|m| m.phone_ms),
            handles: (
                all[1].handles,
                all[1..].iter().map(|m| m.handles).max().unwrap(),
                all[days - 1].handles,
            ),
            resident: (all[days / 4].resident_kib, all[days - 1].resident_kib),
        }
    }

    /// The promises. Those about shares need a season; no handle may be left open in any.
    pub fn hold(&self) {
        let (first, most, last) = self.handles;
        assert!(
            last <= first && most <= first + 2,
            "handles grow: {first}, at most {most}, {last}"
        );
        if self.days < 100 {
            return;
        }
        assert!(
            self.office.off < 0.05 && self.phone.off < 0.05,
            "sizes are no straight line: {self}"
        );
        assert!(
            self.import < 1.5 && self.phone_work < 2.0,
            "the days grow longer: {self}"
        );
        let (quarter, end) = self.resident;
        assert!(end <= quarter + quarter / 4, "memory grows: {self}");
    }
}

impl fmt::Display for Growth {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "office {:.0} bytes a stop (off the line by {:.1} % at most), phone {:.0} ({:.1} %); \
             last quarter's day over the second's: office {:.2}, phones {:.2}; handles {}, at most {}, {} at the end; \
             resident {:.1} MiB after a quarter, {:.1} MiB at the end",
            self.office.bytes_a_stop,
            self.office.off * 100.0,
            self.phone.bytes_a_stop,
            self.phone.off * 100.0,
            self.import,
            self.phone_work,
            self.handles.0,
            self.handles.1,
            self.handles.2,
            self.resident.0 as f64 / 1_024.0,
            self.resident.1 as f64 / 1_024.0,
        )
    }
}

/// Writes docs/season.svg and docs/season.md.
pub fn write(all: &[Measured], done: &Done, agreed: &truth::Agreed, growth: &Growth, plan: Plan) {
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
    std::fs::write(docs.join("season.svg"), svg(all)).unwrap();
    std::fs::write(docs.join("season.md"), page(all, done, agreed, growth, plan)).unwrap();
}

fn page(all: &[Measured], done: &Done, agreed: &truth::Agreed, growth: &Growth, plan: Plan) -> String {
    let mut text = format!(
        "# A season\n\n\
         ```sh\nLIDMARK_SEASON={} cargo test --release --no-default-features --test all season -- --nocapture\n```\n\n\
         lives through a season and writes this page; nothing on it is typed. A few days of it run with the other tests.\n\
         This run was of a {} build, on {}.\n\n\
         {TRUCKS} trucks, {} days, {} stops a day each ({PHOTOS_A_STOP} photos at every stop), done by taps on the app's\n\
         view-models; {} stops, {} photos. Each evening the phones make the day's file, the office takes in what has arrived\n\
         and makes the next day's plans. People, places and readings are invented. And what goes wrong on the way:\n\n\
         - {} of {} day files came late, by up to five days, {} came twice, each evening's in no order;\n\
         - on day {} a phone broke in the middle of a stop and was put back to a copy of two days before;\n\
         - {} times a stop was handed from one truck to another at noon, with what the first had been told at the door;\n\
         - {} times a truck and the office changed the same customer's note on the same day;\n\
         - truck loads stayed on board overnight, and were corrected by the sight glass.\n\n\
         ## The books agree\n\n",
        plan.days,
        if cfg!(debug_assertions) { "debug" } else { "release" },
        chrono::Local::now().date_naive(),
        plan.days,
        plan.stops_a_day,
        done.stops,
        done.photos,
        done.late,
        done.files,
        done.twice,
        plan.breaks_on() + 1,
        done.handed_over,
        done.both_sides,
    );
    let _ = write!(
        text,
        "Checked field by field, from the logs alone and past the program (`tests/all/season/truth.rs`):\n\n\
         1. Each phone's book holds what its own log says was written last.\n\
         2. At the office stands, for every field of every record, the word with the greatest stamp (when, which phone, which\n\
         \u{20}  action) of all that any phone, the office itself, or the broken phone before it was put back has told: {} fields of\n\
         \u{20}  {} records, {} of them told by more than one. No record is missing and none is there that nobody made.\n\
         3. Every other word is kept: {} beside it, with who said it, {} that the office knew and changed in its own log.\n\
         4. Each of the {} actions the files have carried is in the office's log once.\n\n\
         | book | fields | of them another's later word stands at the office |\n|---|---|---|\n",
        agreed.fields, agreed.records, agreed.told_by_several, agreed.set_aside, agreed.replaced, agreed.actions
    );
    for (name, fields, other) in &agreed.phones {
        let _ = writeln!(text, "| {name} | {fields} | {other} |");
    }
    let litres = |ml: i128| ml / 1_000;
    let on_board = done.on_board_ml.iter().sum::<i128>();
    let _ = write!(
        text,
        "\nThe ledger, office and phones, to the millilitre what was typed: collected {} L = disposed {} L + on board {} L\n\
         + corrected off {} L. `doctor` reads every photo and finds nothing but that a phone has used its numbers twice,\n\
         which is so.\n\n\
         ## Sizes and times\n\n![Sizes and times over the season](season.svg)\n\n\
         | day | stops so far | office's book, MB | one phone's book, MB | day files, MB | office, CPU s | phones, CPU s | handles | resident, MiB |\n\
         |---|---|---|---|---|---|---|---|---|\n",
        litres(done.collected_ml),
        litres(done.disposed_ml),
        litres(on_board),
        litres(done.corrected_off_ml),
    );
    let step = (all.len() / 10).max(1);
    for line in all.iter().skip(step - 1).step_by(step) {
        let _ = writeln!(
            text,
            "| {} | {} | {:.1} | {:.1} | {:.2} | {:.2} | {:.2} | {} | {:.1} |",
            line.day,
            line.stops,
            mb(line.office_bytes),
            mb(line.phone_bytes),
            mb(line.file_bytes),
            line.import_ms / 1e3,
            line.phone_ms / 1e3,
            line.handles,
            line.resident_kib as f64 / 1_024.0,
        );
    }
    let _ = write!(
        text,
        "\n- Sizes grow with the stops along a straight line: {:.1} kB a stop at the office (never further than {:.1} % of the\n\
         \u{20} last size off it), {:.1} kB a stop on its phone ({:.1} %); photos are not in the books.\n\
         - A day costs the office {:.2} times in the last quarter of the season what it cost in the second, the phones {:.2} times.\n\
         \u{20} The phones add up what a truck carried before its last 40 days from every pump-out there is, and look through all\n\
         \u{20} actions for those of the day when its file is made; both grow with the stops, along a straight line.\n\
         - Handles: {} after the second day, {} at the most, {} at the end. Memory of the one process in which all phones and the\n\
         \u{20} office live: {:.1} MiB after a quarter, {:.1} MiB at the end.\n\n\
         The run fails when books or ledger disagree, when a size is more than 5 % off its line, when a day costs the office 1.5\n\
         times or the phones twice as much, when more handles are open at the end than after the second day, or when memory grows\n\
         by more than a quarter.\n",
        growth.office.bytes_a_stop / 1e3,
        growth.office.off * 100.0,
        growth.phone.bytes_a_stop / 1e3,
        growth.phone.off * 100.0,
        growth.import,
        growth.phone_work,
        growth.handles.0,
        growth.handles.1,
        growth.handles.2,
        growth.resident.0 as f64 / 1_024.0,
        growth.resident.1 as f64 / 1_024.0,
    );
    text
}

/// One curve: its name, its colour, its points.
type Curve<'a> = (&'a str, &'a str, Vec<(f64, f64)>);

const WIDE: f64 = 380.0;
const HIGH: f64 = 200.0;

/// Four plots beside and below each other.
fn svg(all: &[Measured]) -> String {
    let by_stops = |of: &dyn Fn(&Measured) -> f64| all.iter().map(|m| (m.stops as f64, of(m))).collect::<Vec<_>>();
    let by_day = |of: &dyn Fn(&Measured) -> f64| all.iter().map(|m| (m.day as f64, of(m))).collect::<Vec<_>>();
    let (blue, red) = ("#1b5e9e", "#b3401f");
    let plots: [(&str, &str, Vec<Curve<'_>>); 4] = [
        (
            "Size of the books, MB",
            "stops",
            vec![
                ("office", blue, by_stops(&|m| mb(m.office_bytes))),
                ("one phone", red, by_stops(&|m| mb(m.phone_bytes))),
            ],
        ),
        (
            "Day files of an evening, MB",
            "day",
            vec![("three phones", blue, by_day(&|m| mb(m.file_bytes)))],
        ),
        (
            "Processor time of a day, s",
            "day",
            vec![
                ("office", blue, by_day(&|m| m.import_ms / 1e3)),
                ("three phones", red, by_day(&|m| m.phone_ms / 1e3)),
            ],
        ),
        (
            "Open handles, and resident memory in MiB",
            "day",
            vec![
                ("memory", blue, by_day(&|m| m.resident_kib as f64 / 1_024.0)),
                ("handles", red, by_day(&|m| m.handles as f64)),
            ],
        ),
    ];
    let (width, height) = (2.0 * (WIDE + 80.0), 2.0 * (HIGH + 90.0));
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\" font-size=\"13\">\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>\n"
    );
    for (index, (title, across, curves)) in plots.iter().enumerate() {
        let (x, y) = (
            60.0 + (index % 2) as f64 * (WIDE + 80.0),
            45.0 + (index / 2) as f64 * (HIGH + 90.0),
        );
        let _ = writeln!(out, "<g transform=\"translate({x} {y})\">");
        plot(&mut out, title, across, curves);
        out += "</g>\n";
    }
    out += "</svg>\n";
    out
}

fn plot(out: &mut String, title: &str, across: &str, curves: &[Curve<'_>]) {
    let most = |of: &dyn Fn(&(f64, f64)) -> f64| {
        curves
            .iter()
            .flat_map(|(_, _, points)| points)
            .map(of)
            .fold(0.0, f64::max)
    };
    let (right, top) = (round_up(most(&|p| p.0)), round_up(most(&|p| p.1)));
    let _ = writeln!(out, "<text x=\"0\" y=\"-14\" font-weight=\"bold\">{title}</text>");
    for step in 0..=4 {
        let share = f64::from(step) / 4.0;
        let (x, y) = (share * WIDE, HIGH - share * HIGH);
        let _ = writeln!(
            out,
            "<path d=\"M0 {y}H{WIDE}\" stroke=\"#ddd\"/><text x=\"-6\" y=\"{}\" text-anchor=\"end\">{}</text>\
             <text x=\"{x}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            y + 4.0,
            figure(top * share),
            HIGH + 18.0,
            figure(right * share),
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{WIDE}\" y=\"{}\" text-anchor=\"end\">{across}</text><path d=\"M0 0V{HIGH}H{WIDE}\" fill=\"none\" stroke=\"#333\"/>",
        HIGH + 34.0
    );
    for (index, (name, colour, points)) in curves.iter().enumerate() {
        let path = points
            .iter()
            .map(|(x, y)| format!("{:.1},{:.1}", x / right * WIDE, HIGH - y / top * HIGH))
            .collect::<Vec<_>>()
            .join(" ");
        let _ = writeln!(
            out,
            "<polyline points=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>\
             <text x=\"8\" y=\"{}\" fill=\"{colour}\">{name}</text>",
            14 + 16 * index
        );
    }
}

/// The next number with one or two digits and zeros behind them.
fn round_up(value: f64) -> f64 {
    let unit = 10_f64.powf(value.max(1e-9).log10().floor()) / 5.0;
    (value / unit).ceil() * unit
}

fn figure(value: f64) -> String {
    if value.abs() < 10.0 && value.fract().abs() > 1e-9 {
        format!("{value:.2}")
    } else {
        format!("{value:.0}")
    }
}
