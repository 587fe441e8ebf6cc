//! The office command, run as a program on books of its own; what it writes is read back by other programs.
//!
//! Names, places and sums are invented. Readers: Python's `csv` (RFC 4180), the `icalendar` package (RFC 5545),
//! GDAL's `ogrinfo` (RFC 7946), `pdftotext`, the `jsonschema` crate.

mod asking;
mod outputs;
mod planning;

use std::collections::BTreeSet;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use chrono::{DateTime, NaiveDate};
use lidmark::app::demo;
use lidmark::domain::record::{
    Accepted, Disposal, DisposalId, FieldChange, Language, LoadCorrection, LoadCorrectionId, Op, Pumping, PumpingId,
    Setup, SetupId, Site, SiteId, Stop, StopId, Tank, TankId, Truck, TruckId, TruckTank, TruckTankId, WorkLine,
    WorkLineId, changes,
};
use lidmark::domain::units::Cents;
use lidmark::exchange::planfile::{self, PlanFileError};
use lidmark::store::Store;
use serde_json::Value;
use uuid::Uuid;

use crate::fixture::{app_on, dump_records, now};

/// The day these tests live on, whatever day they are run on.
const TODAY: &str = "2026-11-28";

/// Debian's own Python, which the packages are installed for.
const PYTHON: &str = "/usr/bin/python3";

struct Desk {
    folder: tempfile::TempDir,
}

impl Desk {
    fn new() -> Self {
        Self {
            folder: tempfile::tempdir().unwrap(),
        }
    }

    /// A desk with the invented customers of the documentation.
    fn with_customers() -> Self {
        let desk = Self::new();
        for name in ["customers.csv", "customers-monday.txt"] {
            let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/examples").join(name);
            std::fs::copy(from, desk.path(name)).unwrap();
        }
        desk
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, bytes: &[u8]) {
        std::fs::write(self.path(name), bytes).unwrap();
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    fn run(&self, arguments: &[&str]) -> Output {
        let today: &[&str] = if arguments.contains(&"--today") {
            &[]
        } else {
            &["--today", TODAY]
        };
        Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
            .args(arguments)
            .args(today)
            .current_dir(self.folder.path())
            .env("LIDMARK_BOOK", self.path("book.sqlite"))
            .output()
            .unwrap()
    }

    /// Runs a command that must be done, and returns what it prints.
    fn done(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let wrong = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {wrong}");
        assert_eq!(wrong, "", "{arguments:?}");
        String::from_utf8(output.stdout).unwrap()
    }

    fn json(&self, arguments: &[&str]) -> Value {
        serde_json::from_str(&self.done(arguments)).unwrap()
    }

    /// The plan as JSON, and what is said beside it.
    fn plan_as_json(&self, arguments: &[&str]) -> (Value, String) {
        let output = self.run(&[&["plan", "--json"], arguments].concat());
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
        let plan = serde_json::from_slice(&output.stdout).unwrap();
        (plan, String::from_utf8(output.stderr).unwrap())
    }

    /// Runs a command that must be refused with this code, and returns what it says.
    fn refused(&self, code: i32, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let wrong = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {wrong}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
        let has_advice = wrong.contains("what to do: ") || wrong.contains("qué hacer: ");
        assert!(has_advice || code == 2, "{wrong}");
        wrong
    }

    fn store(&self) -> Store {
        Store::open(&self.path("book.sqlite")).unwrap()
    }

    fn keep(&self, list: Vec<FieldChange>) {
        let mut store = self.store();
        let op = Op {
            id: Uuid::now_v7(),
            stop: None,
            at: now(),
            label: "test".to_owned(),
            undoable: false,
            changes: list,
        };
        store.keep(&op).unwrap();
        store.close().unwrap();
    }

    /// Runs a script of Python's and returns what it prints; a package that is missing is said.
    fn python(&self, script: &str, arguments: &[&str]) -> String {
        let output = Command::new(PYTHON)
            .arg("-c")
            .arg(script)
            .args(arguments)
            .current_dir(self.folder.path())
            .output()
            .unwrap_or_else(|error| panic!("{PYTHON}: {error}; install python3 and python3-icalendar (tests/run.sh)"));
        assert!(
            output.status.success(),
            "{}\nIs python3-icalendar installed? tests/run.sh does it.",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    }
}

fn tool(name: &str, package: &str, arguments: &[&str], folder: &Path) -> String {
    let output = Command::new(name)
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap_or_else(|error| panic!("{name}: {error}; install {package} (tests/run.sh does)"));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The demo's book with its invented day, as a phone leaves it.
fn demo_book(path: &Path) {
    let mut app = app_on(path);
    app.start_empty();
    demo::open_bundled(&mut app).unwrap();
    app.session_mut().settle().unwrap();
}

fn id_of(desk: &Desk, name: &str) -> String {
    desk.json(&["site", name, "--json"])["site_id"]
        .as_str()
        .unwrap()
        .to_owned()
}

// --- the page that describes it -------------------------------------------------------------------

/// Every example of docs/office.md prints what stands there. `LIDMARK_UPDATE_DOCS=1` writes it anew.
#[test]
fn every_example_of_the_page_prints_what_it_says() {
    let desk = Desk::with_customers();
    let day = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/dayfile/good.lidmark");
    std::fs::copy(day, desk.path("day.lidmark")).unwrap();
    examples_of("docs/office.md", &desk, 8);
}

/// The same of docs/locate.md.
#[test]
fn every_example_of_the_page_on_lids_prints_what_it_says() {
    let desk = Desk::with_customers();
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/examples/locate-lid.json");
    std::fs::copy(example, desk.path("locate-lid.json")).unwrap();
    examples_of("docs/locate.md", &desk, 3);
}

fn examples_of(page: &str, desk: &Desk, least: usize) {
    let page = Path::new(env!("CARGO_MANIFEST_DIR")).join(page);
    let text = std::fs::read_to_string(&page).unwrap();
    // On the page it is always the same day.
    let bin = desk.path("bin");
    std::fs::create_dir(&bin).unwrap();
    let script = bin.join("lidmark-office");
    let real = env!("CARGO_BIN_EXE_lidmark-office");
    std::fs::write(&script, format!("#!/bin/sh\nexec '{real}' \"$@\" --today {TODAY}\n")).unwrap();
    std::fs::set_permissions(&script, std::fs::Permissions::from_mode(0o755)).unwrap();
    let path = format!("{}:{}", bin.display(), std::env::var("PATH").unwrap());
    let mut made = String::new();
    let (mut rest, mut count) = (text.as_str(), 0);
    while let Some((before, after)) = rest.split_once("```sh\n") {
        let (command, after) = after.split_once("```\n").unwrap();
        let output = Command::new("sh")
            .args(["-c", command])
            .env("PATH", &path)
            .env("LIDMARK_BOOK", desk.path("book.sqlite"))
            .current_dir(desk.folder.path())
            .output()
            .unwrap();
        let wrong = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{command}{wrong}");
        let printed = String::from_utf8(output.stdout).unwrap().replace('\r', "");
        let printed = printed.trim_end();
        let after = after
            .strip_prefix("\n```text\n")
            .unwrap_or_else(|| panic!("no output under {command}"));
        let (shown, after) = after.split_at(after.find("```\n").unwrap());
        if std::env::var_os("LIDMARK_UPDATE_DOCS").is_none() {
            assert_eq!(shown.trim_end(), printed, "{command}");
        }
        made.push_str(&format!("{before}```sh\n{command}```\n\n```text\n{printed}\n"));
        rest = after;
        count += 1;
    }
    made.push_str(rest);
    assert!(count >= least, "only {count} examples were found");
    if std::env::var_os("LIDMARK_UPDATE_DOCS").is_some() {
        std::fs::write(page, made).unwrap();
    }
}

// --- a customer list -----------------------------------------------------------------------------

/// A list as they come: a title, semicolons, Windows-1252, CRLF, quoted line breaks, blank, short, long and double rows.
const DIRTY: &str = "Kundenliste / Customers 2026;;;;;;;;\n;;;;;;;;\nCustomer no;Customer Name;Street;City;Phone;Tank Size;Last Pumped;Lat;Lon;Speaks\n\
1;\"Núñez, Marta\";12 Elm St;Osier Ford;555 0101;1,000 gal;5/13/2022;45,4120;-94,2210;español\n\
2;O'Brien;\"9 Oak\nLane\";Osier Ford;555 0102;1250;2021-06-01;45,42;-94,23;en\n\
3;Short;1 Pine;Weir\n\
4;Ambiguous;2 Pine;Weir;;1000;3/4/2022;;;\n\
2;O'Brien;\"9 Oak\nLane\";Osier Ford;555 0102;1250;2021-06-01;45,42;-94,23;en\n\
2;O'Brien;\"9 Oak\nLane\";Osier Ford;555 9999;1250;2021-06-01;45,42;-94,23;en\n\
5;Too;many;cells;;1000;;;;;x;y\n\
;;;;;;;;\n\
6;Half;3 Pine;Weir;;1500;May 2023;45,4;;\n\
7;Null;4 Pine;Weir;;1500;;0;0;\n\
8;Tiny;5 Pine;Weir;;12;;;;\n\
9;Later;6 Pine;Weir;;1500;2099-01-01;;;\n\
10;Year;7 Pine;Weir;;1500;5/13/19;;;\n\
;;;Weir;;1500;;;;\n\
12;Zed;8 Pine;Weir;n/a;1500;mayo de 2023;;;\n";

/// Python's csv module with strict=True refuses the same two rows: RFC 4180, 2.5 to 2.7.
#[test]
fn a_quotation_mark_that_is_not_closed_takes_no_site_in() {
    let desk = Desk::new();
    let list = "name;address\n\"Whole, inside\"\"\";\"1 Elm\nLane\"\n\"Broken\" off;2 Elm\nGood;3 \"Elm\"\n\"Open;4 Elm\nSwallowed;5 Elm\n";
    desk.write("list.csv", list.as_bytes());
    let said = desk.json(&["read-csv", "list.csv", "--json"]);
    assert_eq!(
        (&said["sites_added"], &said["rows_refused"]),
        (&Value::from(2), &Value::from(2)),
        "{said}"
    );
    let rejects = std::fs::read_to_string(desk.path("list-rejected.csv")).unwrap();
    assert!(rejects.contains("Swallowed"), "nothing is lost: {rejects}");
    let script = "import csv\nfor start in ('\"Broken\" off;2 Elm\\n', '\"Open;4 Elm\\nSwallowed;5 Elm\\n'):\n    try:\n        list(csv.reader([start], delimiter=';', strict=True)); print('read')\n    except csv.Error: print('refused')";
    assert_eq!(
        desk.python(script, &[]).split_whitespace().collect::<Vec<_>>(),
        ["refused", "refused"]
    );
}

fn windows_1252(text: &str) -> Vec<u8> {
    encoding_rs::WINDOWS_1252
        .encode(&text.replace('\n', "\r\n"))
        .0
        .into_owned()
}

#[test]
fn a_list_full_of_dirt_goes_in_row_by_row_and_every_refusal_has_its_line() {
    let desk = Desk::new();
    desk.write("list.csv", &windows_1252(DIRTY));
    let said = desk.json(&["read-csv", "list.csv", "--json", "--dry-run"]);
    assert_eq!(said["encoding"], "windows-1252");
    assert_eq!(said["delimiter"], ";");
    assert_eq!(said["sites_added"], 4);
    assert!(!desk.path("book.sqlite").exists(), "a trial made a book");
    drop(desk.store());
    desk.json(&["read-csv", "list.csv", "--json", "--dry-run"]);
    let untouched = dump_records(&desk.path("book.sqlite"));
    assert!(untouched.values().all(Vec::is_empty), "a trial wrote into the book");
    let said = desk.json(&["read-csv", "list.csv", "--json"]);
    assert_eq!(
        (&said["sites_added"], &said["rows_refused"]),
        (&Value::from(4), &Value::from(10))
    );
    assert_eq!(said["rows_shorter_than_the_heads"], 1);
    // Python's csv reads the refused rows back, line breaks and all.
    let script = "import csv,sys\nfor r in list(csv.reader(open(sys.argv[1],newline='',encoding='utf-8')))[1:]: print(r[0], r[2], r[1], sep='|')";
    let rows = desk.python(script, &["list-rejected.csv"]);
    let found = rows
        .lines()
        .map(|line| line.split('|').collect::<Vec<_>>())
        .collect::<Vec<_>>();
    let lines = found.iter().map(|row| (row[0], row[1])).collect::<Vec<_>>();
    // Counted in the list by hand: quoted line breaks make rows 5, 9 and 11 two lines long.
    assert_eq!(
        lines,
        [
            ("8", "4"),
            ("9", "2"),
            ("11", "2"),
            ("13", "5"),
            ("15", "6"),
            ("16", "7"),
            ("17", "8"),
            ("18", "9"),
            ("19", "10"),
            ("20", "")
        ],
        "{rows}"
    );
    assert!(
        rows.contains("could be two days") && rows.contains("The same as line 5"),
        "{rows}"
    );
    let marta = desk.json(&["site", "nunez", "--json"]);
    assert_eq!(marta["customer"], "Núñez, Marta");
    assert_eq!(
        (&marta["latitude_deg"], &marta["longitude_deg"]),
        (&Value::from(45.412), &Value::from(-94.221))
    );
    assert_eq!(marta["language"], "es");
    // 1,000 US gallons: 3,785.411784 L (NIST SP 811, appendix B.8).
    assert_eq!(marta["tanks"][0]["capacity_l"], 3785);
    assert_eq!(marta["tanks"][0]["last_emptied"], "2022-05-13");
    // Again, and from another encoding: nothing is there twice.
    let before = dump_records(&desk.path("book.sqlite"));
    desk.done(&["read-csv", "list.csv"]);
    desk.write(
        "list16.csv",
        &[
            &[0xFF, 0xFE][..],
            &DIRTY.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<_>>(),
        ]
        .concat(),
    );
    let said = desk.json(&["read-csv", "list16.csv", "--json"]);
    assert_eq!(
        (&said["sites_added"], &said["sites_already_in_the_book"]),
        (&Value::from(0), &Value::from(4))
    );
    assert_eq!(before, dump_records(&desk.path("book.sqlite")));
}

#[test]
fn heads_of_ones_own_are_mapped_and_what_cannot_be_read_at_all_is_refused() {
    let desk = Desk::new();
    desk.write(
        "own.csv",
        b"\xEF\xBB\xBFWho|House|Road|Tk|LP\nKim|7|Elm|1000|04/03/2020\n",
    );
    desk.write(
        "map.toml",
        b"delimiter = \"|\"\ndates = \"dmy\"\n[columns]\nname = \"Who\"\naddress = [\"House\", \"Road\"]\ntank_litres = \"Tk\"\nlast_pumped = \"LP\"\n",
    );
    desk.done(&["read-csv", "own.csv", "--map", "map.toml"]);
    let kim = desk.json(&["site", "kim", "--json"]);
    assert_eq!(
        (&kim["address"], &kim["tanks"][0]["capacity_l"]),
        (&Value::from("7 Elm"), &Value::from(1000))
    );
    assert_eq!(kim["tanks"][0]["last_emptied"], "2020-03-04");
    desk.write("bad.toml", b"[columns]\nnope = \"Who\"\n");
    assert!(
        desk.refused(1, &["read-csv", "own.csv", "--map", "bad.toml"])
            .contains("nope")
    );
    desk.write(
        "gone.toml",
        b"delimiter = \"|\"\n[columns]\nname = \"Who\"\nphone = \"Nobody\"\n",
    );
    assert!(
        desk.refused(1, &["read-csv", "own.csv", "--map", "gone.toml"])
            .contains("Nobody")
    );
    desk.write("empty.csv", b"");
    desk.refused(1, &["read-csv", "empty.csv"]);
    // ISO/IEC 29500-2: a workbook is a zip; [MS-CFB] 2.2: an older one begins with D0CF11E0A1B11AE1.
    for start in [&b"PK\x03\x04\x14\0"[..], b"\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1"] {
        desk.write("book.csv", start);
        assert!(desk.refused(1, &["read-csv", "book.csv"]).contains("save it as CSV"));
    }
    desk.write("headless.csv", b"a,b\n1,2\n");
    desk.refused(1, &["read-csv", "headless.csv"]);
    desk.refused(4, &["read-csv", "missing.csv"]);
    desk.refused(2, &["read-csv"]);
}

// --- due -----------------------------------------------------------------------------------------

#[test]
fn what_due_writes_is_read_by_others() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    // A customer whose name asks for every escape there is.
    let site = Site {
        id: SiteId(Uuid::from_u128(0xE5C)),
        name: "Smith; \"Sons\", Ñandú \\ & <Co>\nback door, a name long enough that a calendar has to fold its line"
            .to_owned(),
        town: "Kiln End".to_owned(),
        customer: "=1+1".to_owned(),
        due_on: NaiveDate::from_ymd_opt(2026, 2, 3),
        lat_e7: Some(454_000_000),
        lon_e7: Some(-942_000_000),
        ..Site::default()
    };
    desk.keep(changes(&[], std::slice::from_ref(&site)));
    let range = ["due", "--from", "2024-01-01", "--to", "2030-12-31"];
    let with = |more: &[&'static str]| [&range[..], more].concat();
    desk.done(&with(&[
        "--csv",
        "due.csv",
        "--ics",
        "due.ics",
        "--geojson",
        "due.json",
    ]));
    let listed = desk.json(&with(&["--json"]));
    let count = listed["sites"].as_array().unwrap().len();
    assert!(count >= 4);
    let csv = desk.python(
        "import csv,sys,json\nprint(json.dumps(list(csv.DictReader(open('due.csv',newline='',encoding='utf-8'),strict=True))))",
        &[],
    );
    let rows: Vec<Value> = serde_json::from_str(&csv).unwrap();
    assert_eq!(rows.len(), count);
    let odd = rows.iter().find(|row| row["site_id"] == site.id.to_string()).unwrap();
    assert_eq!(
        (&odd["name"], &odd["customer"]),
        (&Value::from(site.name.as_str()), &Value::from("'=1+1"))
    );
    assert!(desk.read("due.csv").ends_with("\r\n"));
    let dates = rows
        .iter()
        .map(|row| row["due_on"].as_str().unwrap().to_owned())
        .collect::<Vec<_>>();
    assert!(dates.is_sorted(), "{dates:?}");
    let events = desk.python(
        "import icalendar,json\nc=icalendar.Calendar.from_ical(open('due.ics','rb').read())\nassert c['VERSION']=='2.0' and c['PRODID']\nprint(json.dumps([[str(e['UID']),str(e['SUMMARY']),e['DTSTART'].dt.isoformat(),'DTEND' in e,e['DTSTAMP'].dt.isoformat()[-6:]] for e in c.walk('VEVENT')]))",
        &[],
    );
    let events: Vec<Value> = serde_json::from_str(&events).unwrap();
    assert_eq!(events.len(), count);
    let event = events
        .iter()
        .find(|event| event[0].as_str().unwrap().contains(&site.id.to_string()))
        .unwrap();
    assert_eq!(event[1], format!("Call: {}", site.name));
    assert_eq!(
        (&event[2], &event[3], &event[4]),
        (&Value::from("2026-02-03"), &Value::from(false), &Value::from("+00:00"))
    );
    // RFC 5545, 3.1: lines end in CRLF and are no longer than 75 octets.
    let ics = desk.read("due.ics");
    assert!(ics.split("\r\n").all(|line| line.len() <= 75 && !line.contains('\n')));
    let uids = events.iter().map(|event| event[0].to_string()).collect::<BTreeSet<_>>();
    assert_eq!(uids.len(), count);
    let layer = tool(
        "ogrinfo",
        "gdal-bin",
        &["-ro", "-al", "-so", "due.json"],
        desk.folder.path(),
    );
    assert!(layer.contains(&format!("Feature Count: {count}")), "{layer}");
    assert!(layer.contains("due_on"), "{layer}");
}

#[test]
fn due_is_narrowed_by_date_town_distance_and_area() {
    let desk = Desk::new();
    // A square grid of sites 0.01 degrees apart, due one a day.
    let sites = (0..25_i64)
        .map(|n| Site {
            id: SiteId(Uuid::from_u128(0x9000 + n as u128)),
            name: format!("Grid {n:02}"),
            town: if n % 2 == 0 { "Even Falls" } else { "Odd Creek" }.to_owned(),
            lat_e7: Some(450_000_000 + n / 5 * 100_000),
            lon_e7: Some(-940_000_000 + n % 5 * 100_000),
            due_on: NaiveDate::from_ymd_opt(2026, 3, 1 + u32::try_from(n).unwrap()),
            ..Site::default()
        })
        .collect::<Vec<_>>();
    drop(desk.store());
    desk.keep(changes(&[], &sites));
    let names = |more: &[&str]| {
        let listed = desk.json(&[&["due", "--json"], more].concat());
        let sites = listed["sites"].as_array().unwrap().clone();
        sites
            .iter()
            .map(|site| site["name"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(names(&["--month", "2026-03"]).len(), 25);
    assert_eq!(names(&["--month", "2026-02"]).len(), 0);
    assert_eq!(
        names(&["--from", "2026-03-02", "--to", "2026-03-04"]),
        ["Grid 01", "Grid 02", "Grid 03"]
    );
    assert_eq!(names(&["--month", "2026-03", "--town", "even falls"]).len(), 13);
    // One hundredth of a degree of longitude at 45° north is 788.47 m, of latitude 1,111.32 m (series of the WGS 84
    // ellipsoid, NGA.STND.0036, to the metre): within 1,000 m of the corner lie two, within 1,200 m three.
    let near = [
        "--month",
        "2026-03",
        "--near",
        "45.0,-94.0",
        "--sort",
        "distance",
        "--within",
    ];
    assert_eq!(names(&[&near[..], &["1000m"]].concat()), ["Grid 00", "Grid 01"]);
    assert_eq!(
        names(&[&near[..], &["1.2km"]].concat()),
        ["Grid 00", "Grid 01", "Grid 05"]
    );
    // A square around the nine in the middle with a hole around the very middle.
    desk.write(
        "area.geojson",
        br#"{"type":"Feature","properties":{},"geometry":{"type":"Polygon","coordinates":[
        [[-93.995,45.005],[-93.965,45.005],[-93.965,45.035],[-93.995,45.035],[-93.995,45.005]],
        [[-93.985,45.015],[-93.985,45.025],[-93.975,45.025],[-93.975,45.015],[-93.985,45.015]]]}}"#,
    );
    let inside = names(&["--month", "2026-03", "--area", "area.geojson"]);
    assert_eq!(
        inside,
        ["06", "07", "08", "11", "13", "16", "17", "18"].map(|n| format!("Grid {n}"))
    );
    for (code, wrong) in [
        (2, vec!["--from", "yesterday"]),
        (2, vec!["--from", "2026-03-02", "--to", "2026-03-01"]),
        (2, vec!["--month", "2026-13"]),
        (2, vec!["--within", "10mi"]),
        (2, vec!["--near", "91,0"]),
        (2, vec!["--sort", "distance"]),
        (4, vec!["--area", "missing.geojson"]),
    ] {
        desk.refused(code, &[&["due"], &wrong[..]].concat());
    }
    desk.write("noarea.geojson", br#"{"type":"Point","coordinates":[0,0]}"#);
    desk.refused(1, &["due", "--area", "noarea.geojson"]);
}

#[test]
fn a_book_that_is_not_there_not_ours_newer_or_damaged_is_said_and_left_alone() {
    let desk = Desk::new();
    assert!(desk.refused(4, &["due"]).contains("There is no book"));
    assert!(!desk.path("book.sqlite").exists());
    assert!(
        desk.refused(4, &["due", "--lang", "es"])
            .contains("No hay ningún libro")
    );
    desk.write(
        "book.sqlite",
        b"This is no database, and it is long enough to be looked at as one. "
            .repeat(20)
            .as_slice(),
    );
    let before = std::fs::read(desk.path("book.sqlite")).unwrap();
    desk.refused(1, &["due"]);
    assert_eq!(before, std::fs::read(desk.path("book.sqlite")).unwrap());
    std::fs::remove_file(desk.path("book.sqlite")).unwrap();
    demo_book(&desk.path("book.sqlite"));
    desk.done(&["due"]);
    let sound = std::fs::read(desk.path("book.sqlite")).unwrap();
    desk.write("book.sqlite", &sound[..sound.len() - 700]);
    desk.refused(3, &["due"]);
}

#[test]
fn a_day_that_never_was_is_no_day_and_a_spreadsheets_number_is_explained() {
    let desk = Desk::new();
    desk.write(
        "list.csv",
        b"name,last pumped,tank size\nAsh,never,1000\nBirch,0000-00-00 00:00:00,1000\nCedar,44694,1000\n",
    );
    let said = desk.done(&["read-csv", "list.csv"]);
    assert!(
        said.contains("2 sites added.") && said.contains("2 without one."),
        "{said}"
    );
    assert!(
        said.contains("line 4: \"44694\" is a day as a spreadsheet counts it"),
        "{said}"
    );
}

// --- what a spreadsheet would take for a formula ---------------------------------------------------

/// Everything a spreadsheet may take for a formula (the OWASP page "CSV Injection"), and what only looks like it.
const CELLS: [&str; 12] = [
    "=HYPERLINK(\"http://example.invalid\")",
    "@SUM(A1)",
    "+1+cmd|x",
    "-2+3*A1",
    "'=behind an apostrophe",
    "＝1+1",
    "+1 (555) 014-2",
    "-94.2052",
    "O'Neil, \"quoted\"; lane",
    "'single'",
    "- a dash",
    "plain",
];

#[test]
fn no_list_holds_a_formula_and_every_name_comes_back_as_it_was() {
    let desk = Desk::new();
    drop(desk.store());
    let sites = (1..).zip(CELLS).map(|(n, name)| Site {
        id: SiteId(Uuid::from_u128(n)),
        name: name.to_owned(),
        customer: name.to_owned(),
        town: "Kiln End".to_owned(),
        due_on: NaiveDate::from_ymd_opt(2026, 12, 9),
        ..Site::default()
    });
    desk.keep(changes(&[], &sites.collect::<Vec<_>>()));
    desk.done(&["due", "--month", "2026-12", "--csv", "due.csv"]);
    // Read by Python's csv: no cell a spreadsheet would compute, and without the apostrophe each name is there.
    let names = "import csv,json,sys\nr=list(csv.DictReader(open('due.csv',newline='',encoding='utf-8'),strict=True))\nprint(json.dumps([[x['name'],x['customer']] for x in r]))";
    let read: Vec<[String; 2]> = serde_json::from_str(&desk.python(names, &[])).unwrap();
    let mut seen = BTreeSet::new();
    for [name, customer] in &read {
        assert_eq!(name, customer);
        assert!(!name.starts_with(['=', '@', '\t', '\r', '＝']), "{name}");
        let is_number = |rest: &str| rest.chars().all(|c| "0123456789 .()-".contains(c));
        assert!(name.strip_prefix(['+', '-']).is_none_or(is_number), "{name}");
        seen.insert(match name.strip_prefix('\'') {
            Some(rest) if CELLS.contains(&rest) => rest,
            _ => name,
        });
    }
    assert_eq!(seen, CELLS.into_iter().collect::<BTreeSet<_>>());
    // Our own reader takes the apostrophe off again: the list makes the same customers in another book.
    desk.done(&["--book", "other.sqlite", "read-csv", "due.csv"]);
    let other = desk.json(&["--book", "other.sqlite", "due", "--month", "2026-12", "--json"]);
    let back = other["sites"]
        .as_array()
        .unwrap()
        .iter()
        .map(|site| site["customer"].as_str().unwrap());
    assert_eq!(
        back.collect::<BTreeSet<_>>(),
        CELLS.into_iter().collect::<BTreeSet<_>>()
    );
    // And so does the plan's list.
    desk.write("list.csv", b"name\n'@SUM(A1)\n");
    let (plan, beside) = desk.plan_as_json(&["--list", "list.csv", "--dry-run"]);
    assert_eq!(beside, "Without a position, and so at the end: @SUM(A1).\n");
    assert_eq!(plan["stops"][0]["site_id"], Uuid::from_u128(2).to_string());
    // What is refused goes into a list, too.
    desk.write("bad.csv", b"name,town,last pumped\n=1+1,Kiln End,never ever\n");
    assert_eq!(desk.run(&["read-csv", "bad.csv"]).status.code(), Some(1));
    assert!(
        desk.read("bad-rejected.csv").contains(",'=1+1,"),
        "{}",
        desk.read("bad-rejected.csv")
    );
}

// --- quiet and json ---------------------------------------------------------------------------------

#[test]
fn every_command_is_quiet_when_all_went_well_and_answers_json_when_asked() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let plan = ["plan", "Weir House", "--day", "2026-12-01", "--out", "p.json"];
    let letters = [
        "remind",
        "--month",
        "2026-02",
        "--out",
        "l",
        "--company",
        "x",
        "--company-phone",
        "y",
    ];
    let key = "197f6b23e16c8532c6abc838facd5ea789be0c76b2920334039bfa8b3d368d61";
    // What they do is all that was asked for.
    let does: &[&[&str]] = &[
        &["backup", "a.sqlite"],
        &["--book", "b.sqlite", "restore", "a.sqlite"],
        &["conflicts"],
        &["doctor"],
        &["phones", "add", key, "--name", "Rosa"],
        &["phones", "remove", "Rosa"],
        &plan,
        &["read-csv", "docs.csv"],
        &letters,
        &["due", "--month", "2026-02", "--csv", "d.csv"],
        &["money", "--csv", "m.csv"],
        &["records", "--csv", "r.csv"],
    ];
    std::fs::copy(desk.path("customers.csv"), desk.path("docs.csv")).unwrap();
    let rows = desk.read("docs.csv");
    // The two rows that are refused belong to what went wrong: a list without them.
    desk.write(
        "docs.csv",
        rows.lines().take(6).collect::<Vec<_>>().join("\n").as_bytes(),
    );
    for asked in does {
        assert_eq!(
            desk.done(&[asked, &["--quiet"][..]].concat()),
            "",
            "{asked:?} says something"
        );
    }
    std::fs::remove_file(desk.path("a.sqlite")).unwrap();
    for asked in does {
        // Asked for both, JSON is printed.
        let said = desk.json(&[asked, &["--quiet", "--json"][..]].concat());
        assert!(said.is_object(), "{asked:?}: {said}");
    }
    // What they print is what was asked for.
    let prints: &[&[&str]] = &[
        &["due", "--month", "2026-02"],
        &["site", "Weir House"],
        &["history", "Weir House"],
        &["money"],
        &["records"],
        &["phones"],
        &["office-key"],
        &["plan", "Weir House", "--day", "2026-12-01", "--dry-run"],
    ];
    for asked in prints {
        assert_ne!(desk.done(&[asked, &["--quiet"][..]].concat()), "", "{asked:?}");
        assert!(desk.json(&[asked, &["--json"][..]].concat()).is_object(), "{asked:?}");
    }
    // What went wrong is said however quiet it is to be.
    let late = [
        &plan[..],
        &["--start", "45,-94", "--window", "Weir House=00:00-00:01", "--quiet"],
    ]
    .concat();
    let said = desk.done(&late);
    assert!(said.contains("1 time window cannot be met"), "{said}");
    assert_eq!(said.lines().count(), 1, "{said}");
}

#[test]
fn a_trial_makes_no_book_and_a_list_of_many_columns_is_said_in_few_words() {
    let desk = Desk::new();
    let heads = (0..50_000).map(|n| format!("c{n}")).collect::<Vec<_>>().join(",");
    desk.write(
        "wide.csv",
        format!("Name,{heads}\n{}\n", "x,".repeat(50_000)).as_bytes(),
    );
    let said = desk.done(&["read-csv", "wide.csv", "--dry-run"]);
    assert!(
        said.contains("1 site added.") && said.contains("and 49980 more"),
        "{said}"
    );
    assert!(said.len() < 2_000, "{}", said.len());
    assert!(!desk.path("book.sqlite").exists());
}

#[test]
fn a_book_is_spoken_of_in_its_own_language_by_every_command() {
    let desk = Desk::new();
    drop(desk.store());
    desk.keep(changes(
        &[],
        &[Setup {
            id: SetupId::OWN,
            language: Language::Spanish,
            ..Setup::default()
        }],
    ));
    assert!(
        desk.refused(4, &["--book", "none.sqlite", "conflicts"])
            .contains("There is no book")
    );
    assert!(
        desk.refused(4, &["--book", "none.sqlite", "doctor"])
            .contains("There is no book")
    );
    assert!(
        desk.refused(4, &["backup", "nowhere/copy.sqlite"])
            .contains("nowhere/copy.sqlite")
    );
    for (asked, said) in [
        (&["conflicts"][..], "Ningún conflicto"),
        (&["doctor"], "El libro está sano"),
        (&["due"], "0 sitios"),
    ] {
        let text = desk.done(asked);
        assert!(text.contains(said), "{asked:?}: {text}");
        assert!(
            !desk.done(&[asked, &["--lang", "en"]].concat()).contains(said),
            "{asked:?}"
        );
    }
}

// --- plan ----------------------------------------------------------------------------------------

#[test]
fn a_plan_that_cannot_be_written_or_is_too_long_leaves_the_book_as_it_was() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let before = dump_records(&desk.path("book.sqlite"));
    std::fs::create_dir(desk.path("folder")).unwrap();
    for out in ["nowhere/p.json", "folder"] {
        desk.refused(4, &["plan", "Weir House", "--day", "2026-12-01", "--out", out]);
        assert_eq!(dump_records(&desk.path("book.sqlite")), before, "{out}");
    }
    // Made anew for the same day it holds the same stops; for another day there is nobody left.
    let december = |day| ["plan", "--due", "2026-12", "--day", day, "--json"];
    let stops = |plan: Value| plan["stops"].as_array().unwrap().len();
    assert_eq!(stops(desk.json(&december("2026-12-05"))), 1);
    assert_eq!(stops(desk.json(&december("2026-12-05"))), 1);
    let said = desk.refused(1, &december("2026-12-06"));
    assert!(said.contains("Nobody due in 2026-12"), "{said}");
    let sites = (1..=1_001).map(|n| Site {
        id: SiteId(Uuid::from_u128(n)),
        name: format!("Place {n}"),
        due_on: NaiveDate::from_ymd_opt(2027, 1, 9),
        ..Site::default()
    });
    desk.keep(changes(&[], &sites.collect::<Vec<_>>()));
    let before = dump_records(&desk.path("book.sqlite"));
    let said = desk.refused(
        1,
        &["plan", "--due", "2027-01", "--day", "2027-01-02", "--out", "p.json"],
    );
    assert!(said.contains("1001 stops are more than a plan holds (1000)"), "{said}");
    assert_eq!(dump_records(&desk.path("book.sqlite")), before);
    assert!(!desk.path("p.json").exists());
}

#[test]
fn a_plan_fits_its_schema_and_a_phone_takes_it_in_once() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let out = "tomorrow.lidmark-plan.json";
    let day = now().date_naive().to_string();
    let plan = [
        "--today",
        "2026-06-16",
        "plan",
        "--list",
        "customers-monday.txt",
        "--day",
        &day,
        "--start",
        "45.4,-94.2",
        "--out",
        out,
    ];
    desk.done(&plan);
    let written: Value = serde_json::from_str(&desk.read(out)).unwrap();
    let schema = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema/planfile.schema.json");
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(schema).unwrap()).unwrap();
    jsonschema::meta::validate(&schema).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let complaints = validator
        .iter_errors(&written)
        .map(|error| error.to_string())
        .collect::<Vec<_>>();
    assert_eq!(complaints, Vec::<String>::new());
    assert_eq!(written["stops"].as_array().unwrap().len(), 4);
    // The office's own book has the stops too, so that nobody is called twice.
    let sam = desk.json(&[
        "--today",
        "2026-06-01",
        "due",
        "--from",
        "2024-01-01",
        "--to",
        "2030-01-01",
        "--not-planned",
        "--json",
    ]);
    assert!(!sam.to_string().contains("Sam Ortiz"));

    let phone = Desk::new();
    let book = phone.path("book.sqlite");
    let mut app = app_on(&book);
    app.start_empty();
    // The app of the tests lives on a day of its own; the office made the plan the evening before.
    let mut first: Value = written.clone();
    first["made_at"] = "2026-06-16T18:00:00-05:00".into();
    phone.write(out, first.to_string().as_bytes());
    app.import_plan_file(&phone.path(out));
    app.session_mut().settle().unwrap();
    assert_eq!(app.day_view().stops.len(), 4);
    let ops = app.session().ask(|store| store.op_count()).unwrap();
    let order = app
        .day_view()
        .stops
        .iter()
        .map(|stop| stop.title.clone())
        .collect::<Vec<_>>();
    app.import_plan_file(&phone.path(out));
    app.session_mut().settle().unwrap();
    assert_eq!(
        app.session().ask(|store| store.op_count()).unwrap(),
        ops,
        "the same plan changed something"
    );
    // The technician begins the first stop and corrects a name; the office makes the plan anew the other way round.
    app.tap_stop(0);
    app.session_mut().settle().unwrap();
    let begun = order[0].clone();
    let visit = app.session().ask(|store| store.open_stop()).unwrap().unwrap();
    let (before, after) = app
        .session()
        .ask(move |store| {
            let site = store.visit(visit)?.site;
            let after = Site {
                phone: "555 0999".to_owned(),
                ..site.clone()
            };
            Ok((site, after))
        })
        .unwrap();
    let id = after.id;
    app.session_mut()
        .keep(None, "site facts", false, changes(&[before], &[after]));
    app.session_mut().settle().unwrap();
    let mut other: Value = written.clone();
    other["made_at"] = "2026-06-17T06:00:00-05:00".into();
    other["stops"].as_array_mut().unwrap().reverse();
    for record in other["records"].as_array_mut().unwrap() {
        if record["table"] == "site" {
            // Long before the technician's change, and long after anything else.
            let stamp = if record["id"] == id.to_string() {
                "2001-01-01T00:00:00Z"
            } else {
                "2099-01-01T00:00:00Z"
            };
            record["fields"]["phone"] = serde_json::json!({"value": "555 0000", "at": stamp});
        }
    }
    phone.write("again.lidmark-plan.json", other.to_string().as_bytes());
    app.import_plan_file(&phone.path("again.lidmark-plan.json"));
    app.session_mut().settle().unwrap();
    let phones = app
        .session()
        .ask(move |store| {
            let rows = store.day(now().date_naive())?;
            rows.iter()
                .map(|row| Ok((row.stop.place, row.site_name.clone(), store.site(row.stop.site)?.phone)))
                .collect()
        })
        .unwrap();
    let phones: Vec<(i64, String, String)> = phones;
    for (place, name, number) in phones {
        if name == begun {
            assert_eq!(
                (place, number.as_str()),
                (0, "555 0999"),
                "what was begun and newer here must stand"
            );
        } else {
            assert_eq!(number, "555 0000", "{name}");
        }
    }
    drop(app);
}

/// A forged plan may say what it likes, and cannot say it for ever: what the technician says a day later stands.
#[test]
fn a_plan_from_the_future_does_not_win_over_what_is_said_after_it() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(&folder.path().join("book.sqlite")).unwrap();
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus/planfile/plan.json");
    let mut plan: Value = serde_json::from_str(&std::fs::read_to_string(kept).unwrap()).unwrap();
    let site = SiteId(Uuid::parse_str(plan["records"][0]["id"].as_str().unwrap()).unwrap());
    let take_in = |store: &mut Store, plan: &Value, at| {
        planfile::take_in(store, &planfile::read(&plan.to_string()).unwrap(), at).unwrap()
    };
    take_in(&mut store, &plan, now());
    plan["made_at"] = "9999-12-31T23:59:59Z".into();
    plan["records"][0]["fields"]["note"] =
        serde_json::json!({"value": "no dog, walk in", "at": "9999-12-31T23:59:59Z"});
    take_in(&mut store, &plan, now());
    assert_eq!(store.site(site).unwrap().note, "no dog, walk in");
    let before = store.site(site).unwrap();
    let after = Site {
        note: "the dog bites".to_owned(),
        ..before.clone()
    };
    let later = now() + chrono::Duration::days(2);
    let op = Op {
        id: Uuid::from_u128(77),
        stop: None,
        at: later,
        label: "note".to_owned(),
        undoable: true,
        changes: changes(&[before], &[after]),
    };
    store.keep(&op).unwrap();
    plan["made_at"] = "2026-06-19T06:00:00Z".into();
    take_in(&mut store, &plan, later);
    assert_eq!(store.site(site).unwrap().note, "the dog bites");
}

#[test]
fn a_plan_that_cannot_be_taken_in_leaves_the_book_as_it_was() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    desk.done(&[
        "plan",
        "--list",
        "customers-monday.txt",
        "--day",
        "2026-12-01",
        "--out",
        "a.lidmark-plan.json",
        "--dry-run",
    ]);
    let sound: Value = serde_json::from_str(&desk.read("a.lidmark-plan.json")).unwrap();
    let phone = Desk::new();
    let mut store = phone.store();
    let mut check = |change: &dyn Fn(&mut Value), what: &dyn Fn(&PlanFileError) -> bool| {
        let mut plan = sound.clone();
        change(&mut plan);
        let result = planfile::read(&plan.to_string()).and_then(|plan| planfile::take_in(&mut store, &plan, now()));
        let error = result.unwrap_err();
        assert!(what(&error), "{error:?}");
        assert_eq!(store.op_count().unwrap(), 0);
    };
    let wrong = |error: &PlanFileError| matches!(error, PlanFileError::Wrong(_));
    let no_plan = |error: &PlanFileError| matches!(error, PlanFileError::NotAPlan(_));
    check(&|plan| plan["version"] = 2.into(), &|error| {
        matches!(error, PlanFileError::TooNew { found: 2, known: 1 })
    });
    check(&|plan| plan["format"] = "other".into(), &no_plan);
    check(&|plan| plan["day"] = "tomorrow".into(), &no_plan);
    check(&|plan| plan["stops"][1] = plan["stops"][0].clone(), &wrong);
    check(
        &|plan| plan["stops"][0]["site_id"] = Uuid::nil().to_string().into(),
        &wrong,
    );
    check(&|plan| plan["records"][0]["table"] = "setup".into(), &wrong);
    check(
        &|plan| plan["records"][0]["fields"]["lat_e7"]["value"] = "north".into(),
        &wrong,
    );
    check(
        &|plan| plan["records"][0]["fields"]["name"]["value"] = serde_json::json!([1]),
        &no_plan,
    );
    // A tank of a site that is nowhere: the book refuses, whole.
    check(
        &|plan| {
            for record in plan["records"].as_array_mut().unwrap() {
                if record["table"] == "tank" {
                    record["fields"]["site"]["value"] = Uuid::from_u128(1).to_string().into();
                }
            }
        },
        &|error| matches!(error, PlanFileError::Book(_)),
    );
    for cut in [0, 1, 10, 500] {
        let text = sound.to_string();
        assert!(planfile::read(&text[..cut]).is_err());
    }
}

#[test]
fn a_window_that_cannot_be_met_and_a_truck_that_is_full_are_said() {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    let base = [
        "plan",
        "--list",
        "customers-monday.txt",
        "--day",
        "2026-12-01",
        "--start",
        "45.4,-94.2",
        "--dry-run",
    ];
    let said = desk.done(
        &[
            &base[..],
            &["--window", "Sam Ortiz=08:00-08:00", "--window", "Quiroga=08:00-08:01"],
        ]
        .concat(),
    );
    assert!(said.contains("cannot be met"), "{said}");
    let said = desk.done(&[&base[..], &["--capacity", "2000gal"]].concat());
    assert!(said.contains("name a disposal place"), "{said}");
    let said = desk.done(
        &[
            &base[..],
            &["--capacity", "2000gal", "--disposal", "Plant@45.42,-94.15"],
        ]
        .concat(),
    );
    assert!(said.contains("Disposal: Plant"), "{said}");
    let said = desk.done(&[&base[..], &["--lang", "es", "--units", "metric"]].concat());
    assert!(
        said.contains("ahorro") && said.contains(" km") && said.contains(" L"),
        "{said}"
    );
    desk.refused(1, &["plan", "Nobody At All"]);
    desk.refused(1, &["plan"]);
    desk.refused(2, &["plan", "Sam Ortiz", "--window", "Sam Ortiz=8-9"]);
    assert!(
        desk.refused(1, &["plan", "Alder Creek Road"])
            .contains("No site matches")
    );
    assert!(desk.refused(1, &["plan", "osier ford"]).contains("Several sites match"));
}

// --- records and money ---------------------------------------------------------------------------

#[test]
fn the_ledger_of_a_period_balances_in_another_program() {
    let desk = Desk::new();
    demo_book(&desk.path("book.sqlite"));
    // A second truck of our own, so that nothing depends on what the demo's truck did.
    let (truck, tank) = (TruckId(Uuid::from_u128(0xA1)), TruckTankId(Uuid::from_u128(0xA2)));
    let mut list = changes(
        &[],
        &[Truck {
            id: truck,
            name: "Truck Nine".to_owned(),
            ..Truck::default()
        }],
    );
    list.extend(changes(
        &[],
        &[TruckTank {
            id: tank,
            truck,
            capacity_ml: 9_000_000,
            opening_ml: 500_000,
            ..TruckTank::default()
        }],
    ));
    let at = |text: &str| Some(DateTime::parse_from_rfc3339(text).unwrap());
    let correction = |n: u128, when: &str, change_ml| LoadCorrection {
        id: LoadCorrectionId(Uuid::from_u128(n)),
        truck_tank: tank,
        at: at(when),
        change_ml,
        reason: "sight glass".to_owned(),
        ..LoadCorrection::default()
    };
    list.extend(changes(
        &[],
        &[
            correction(0xB1, "2025-12-30T10:00:00-06:00", 3_000_000),
            correction(0xB2, "2026-01-10T10:00:00-06:00", -250_001),
        ],
    ));
    list.extend(changes(
        &[],
        &[Disposal {
            id: DisposalId(Uuid::from_u128(0xC1)),
            truck_tank: tank,
            at: at("2026-01-09T10:00:00-06:00"),
            place: "Invented Plant".to_owned(),
            ticket: "T-7".to_owned(),
            out_ml: 2_000_000,
            accepted_ml: Some(1_990_000),
            ..Disposal::default()
        }],
    ));
    desk.keep(list);
    let nine = [
        "records",
        "--from",
        "2026-01-01",
        "--to",
        "2026-12-31",
        "--truck",
        "truck nine",
    ];
    let said = desk.json(&[&nine[..], &["--json"]].concat());
    // By hand, litres: 500 + 3,000 carried over; + 0 collected = 2,000 disposed + 1,249.999 on board + 250.001 off.
    for (key, litres) in [
        ("carried_over_l", 3_500.0),
        ("collected_l", 0.0),
        ("disposed_l", 2_000.0),
        ("corrected_off_l", 250.001),
        ("on_board_l", 1_249.999),
    ] {
        assert_eq!(said[key].as_f64(), Some(litres), "{key}");
    }
    assert_eq!(said["balances"], true);
    // Five years, as 30 TAC 312.145, NR 113.11 and Minn. R. 7083.0770 ask for.
    let kept = said["entries"].as_array().unwrap().iter();
    let kept = kept.map(|row| row["keep_until"].as_str().unwrap()).collect::<Vec<_>>();
    assert_eq!(kept, ["2031-01-09", "2031-01-10"]);
    let sums = "import csv,sys\nfrom decimal import Decimal as D\nr=list(csv.DictReader(open('r.csv',newline=''),strict=True))\nassert r[0]['kind']=='carried_over' and r[-1]['kind']=='on_board'\ns=sum(D(x['change_l']) for x in r[1:-1])\nprint(D(r[0]['on_board_after_l'])+s==D(r[-1]['on_board_after_l']), len(r)-2)";
    desk.done(&[&nine[..], &["--csv", "r.csv"]].concat());
    assert_eq!(desk.python(sums, &[]).trim(), "True 2");
    // All trucks over all time: the demo's pump-outs are among them, and it still balances.
    let all = ["records", "--from", "2000-01-01", "--to", "2099-12-31"];
    desk.done(&[&all[..], &["--csv", "r.csv"]].concat());
    let sums = desk.python(sums, &[]);
    let (balances, count) = sums.trim().split_once(' ').unwrap();
    assert_eq!(balances, "True");
    assert!(count.parse::<usize>().unwrap() > 5, "{count}");
    assert!(desk.done(&all).contains("balances"));
    desk.refused(1, &["records", "--truck", "nobody's"]);
    desk.refused(2, &["records", "--from", "2026-02-01", "--to", "2026-01-01"]);
}

/// One pump-out of 1,000 gal at a site of its own on 2026-06-17.
fn pumped(n: u128, truck_tank: Option<TruckTankId>, second: Option<(TruckTankId, i64)>) -> Vec<FieldChange> {
    let (site, tank, stop) = (
        SiteId(Uuid::from_u128(n)),
        TankId(Uuid::from_u128(n)),
        StopId(Uuid::from_u128(n)),
    );
    let mut list = changes(
        &[],
        &[Site {
            id: site,
            name: format!("{n} Sample Lane"),
            rule_set: "my-county".to_owned(),
            ..Site::default()
        }],
    );
    list.extend(changes(
        &[],
        &[Tank {
            id: tank,
            site,
            ..Tank::default()
        }],
    ));
    list.extend(changes(
        &[],
        &[Stop {
            id: stop,
            site,
            day: now().date_naive(),
            started_at: Some(now()),
            ..Stop::default()
        }],
    ));
    list.extend(changes(
        &[],
        &[Pumping {
            id: PumpingId(Uuid::from_u128(n)),
            stop,
            tank,
            pumped: Some(true),
            out_ml: Some(3_785_412),
            truck_tank,
            second_tank: second.map(|(tank, _)| tank),
            second_ml: second.map(|(_, ml)| ml),
            ..Pumping::default()
        }],
    ));
    list
}

fn truck_named(n: u128, name: &str) -> (Vec<FieldChange>, TruckTankId) {
    let (truck, tank) = (TruckId(Uuid::from_u128(n)), TruckTankId(Uuid::from_u128(n)));
    let mut list = changes(
        &[],
        &[Truck {
            id: truck,
            name: name.to_owned(),
            ..Truck::default()
        }],
    );
    list.extend(changes(
        &[],
        &[TruckTank {
            id: tank,
            truck,
            capacity_ml: 9_000_000,
            ..TruckTank::default()
        }],
    ));
    (list, tank)
}

/// A rule set of somebody's own that asks for one thing more than any of ours does without being asked.
const MY_COUNTY: &str = r#"
id = "my-county"
name = "My invented county"
jurisdiction = "nowhere"
section = "1"
source = "invented"
confidence = "user"
[hauled_waste]
source = "invented"
confidence = "user"
required = ["generator_phone"]
retention_years = 9
"#;

#[test]
fn records_follow_ones_own_rules_and_leave_no_load_out() {
    let desk = Desk::new();
    drop(desk.store());
    desk.keep(pumped(0x21, None, None));
    let period = ["records", "--from", "2026-06-01", "--to", "2026-06-30"];
    // No truck at all: neither list speaks of several.
    for asked in [&period[..], &["doctor"]] {
        let said = desk.done(asked);
        assert!(
            said.contains("1 pump-out names no truck, and the book knows none"),
            "{said}"
        );
        assert!(!said.contains("several"), "{said}");
    }
    let pdf = [&period[..], &["--pdf", "r.pdf", "--json"]].concat();
    let said = desk.json(&pdf);
    assert_eq!(said["records"][0]["truck"], Value::Null, "{said}");
    assert_eq!(said["unknown_rule_sets"][0], "my-county", "{said}");
    assert_eq!(
        said["records"][0]["keep_until"], "2031-06-17",
        "five years by the general set"
    );

    std::fs::create_dir(desk.path("rules")).unwrap();
    desk.write("rules/county.toml", MY_COUNTY.as_bytes());
    let said = desk.json(&pdf);
    assert_eq!(said["unknown_rule_sets"].as_array().unwrap().len(), 0, "{said}");
    assert_eq!(said["records"][0]["missing"], serde_json::json!(["generator_phone"]));
    assert_eq!(
        said["records"][0]["keep_until"], "2035-06-17",
        "nine years by one's own"
    );
    let text = tool(
        "pdftotext",
        "poppler-utils",
        &["-layout", "r.pdf", "-"],
        desk.folder.path(),
    );
    assert!(text.contains("My invented county"), "{text}");

    // Two trucks, a load that ran over from one into the other, and two that name none.
    let ((one, first), (two, second)) = (truck_named(0xA1, "Truck One"), truck_named(0xA2, "Truck Two"));
    desk.keep(
        [
            one,
            two,
            pumped(0x22, Some(first), Some((second, 1_000_000))),
            pumped(0x23, None, None),
        ]
        .concat(),
    );
    let said = desk.json(&pdf);
    let list = said["records"].as_array().unwrap();
    let of = |truck: &Value| list.iter().filter(|record| record["truck"] == *truck).count();
    assert_eq!(
        (of(&"Truck One".into()), of(&"Truck Two".into()), of(&Value::Null)),
        (1, 1, 2),
        "{said}"
    );
    let folder = [&period[..], &["--pdf", "each/"]].concat();
    let said = desk.done(&folder);
    assert!(said.contains("4 records written."), "{said}");
    assert!(
        said.contains("No truck is named on the record of 2026-06-17, 35 Sample Lane."),
        "{said}"
    );
    assert!(said.contains("with several trucks nobody can say"), "{said}");
    assert_eq!(
        std::fs::read_dir(desk.path("each")).unwrap().count(),
        4,
        "no record over another"
    );
    let said = desk.json(&[&pdf[..], &["--truck", "Truck Two"]].concat());
    assert_eq!(said["records"].as_array().unwrap().len(), 1, "{said}");

    // A file of one's own that cannot be read stops the work: by other rules nothing is to be worked out.
    desk.write(
        "rules/county.toml",
        MY_COUNTY
            .replace("retention_years = 9", "retention_years = nine")
            .as_bytes(),
    );
    let said = desk.refused(2, &[&period[..], &["--pdf", "not.pdf"]].concat());
    assert!(said.contains("county.toml: line 12"), "{said}");
    assert!(!desk.path("not.pdf").exists());
    desk.refused(2, &["site", "33 Sample Lane"]);
}

#[test]
fn money_is_what_a_calculator_with_decimals_makes_of_it() {
    let desk = Desk::new();
    demo_book(&desk.path("book.sqlite"));
    let store = desk.store();
    let names = store.site_names().unwrap();
    let stops = names
        .iter()
        .flat_map(|site| store.history(site.id).unwrap())
        .map(|row| row.stop)
        .collect::<Vec<_>>();
    store.close().unwrap();
    assert!(stops.len() >= 2);
    let line = |n: u64, stop: usize, quantity, cents, tax, accepted| WorkLine {
        id: WorkLineId(Uuid::from_u128(0xD0 + u128::from(n))),
        stop: stops[stop].id,
        place: i64::try_from(n).unwrap(),
        label: format!("line {n}"),
        quantity_thousandths: quantity,
        unit_price: Cents(cents),
        tax_permille: tax,
        accepted,
        ..WorkLine::default()
    };
    let lines = [
        line(1, 0, 1_000, 29_500, 0, Accepted::Yes),
        line(2, 0, 333, 1_005, 65, Accepted::Yes),
        line(3, 0, 2_500, 9_501, 65, Accepted::Yes),
        line(4, 0, 1_000, 7_000, 65, Accepted::No),
        line(5, 1, 3_000, 1_235, 73, Accepted::Yes),
        line(6, 1, 1_000, 100, 73, Accepted::Open),
    ];
    desk.keep(changes(&[], &lines));
    let base = ["money", "--from", "2000-01-01", "--to", "2099-12-31"];
    desk.done(&[&base[..], &["--lines", "--csv", "lines.csv"]].concat());
    // Python's decimal with ROUND_HALF_UP, which is half away from zero, from the unrounded columns alone.
    let script = "import csv\nfrom decimal import Decimal as D, ROUND_HALF_UP as H\nfrom collections import defaultdict\nq=lambda x: x.quantize(D('0.01'),H)\nby=defaultdict(D)\nfor r in csv.DictReader(open('lines.csv',newline=''),strict=True):\n  n=q(D(r['quantity'])*D(r['unit_price']))\n  assert n==D(r['net']), r\n  if r['accepted']=='yes': by[r['stop_id'],r['tax_percent']]+=n\nnet=sum(by.values())\ntax=sum(q(n*D(t)/100) for (_,t),n in by.items())\nprint(int(net*100), int(tax*100))";
    let sums = desk.python(script, &[]);
    let said = desk.json(&[&base[..], &["--json"]].concat());
    assert_eq!(sums.trim(), format!("{} {}", said["net_cents"], said["tax_cents"]));
    assert_eq!(
        (&said["open_cents"], &said["declined_cents"]),
        (&Value::from(100), &Value::from(7_000))
    );
    assert_eq!(said["slips"], 2);
}

// --- letters -------------------------------------------------------------------------------------

#[test]
fn letters_speak_the_customers_language_and_a_bad_template_writes_none() {
    let desk = Desk::new();
    drop(desk.store());
    let site = |n: u128, name: &str, language| Site {
        id: SiteId(Uuid::from_u128(n)),
        name: name.to_owned(),
        customer: format!("{name} & <Family>"),
        address: "1 Weir Road".to_owned(),
        language,
        due_on: NaiveDate::from_ymd_opt(2026, 12, 9),
        ..Site::default()
    };
    desk.keep(changes(
        &[],
        &[
            site(1, "Ash", Some(Language::English)),
            site(2, "Birch", Some(Language::Spanish)),
            site(3, "Cedar", None),
        ],
    ));
    let base = ["remind", "--month", "2026-12", "--out", "letters"];
    assert!(desk.refused(1, &base).contains("--company"));
    assert!(!desk.path("letters").exists());
    let full = [
        &base[..],
        &["--company", "Invented Pumping", "--company-phone", "555 0117"],
    ]
    .concat();
    desk.done(&full);
    let text = tool(
        "pdftotext",
        "poppler-utils",
        &["-layout", "letters/reminders-2026-12.pdf", "-"],
        desk.folder.path(),
    );
    assert_eq!(text.matches('\u{c}').count(), 3, "three pages");
    for part in [
        "due in December 2026",
        "diciembre de 2026",
        "Ash & <Family>",
        "555 0117",
        "El gas del tanque mata",
        "not on record",
    ] {
        assert!(text.contains(part), "{part} is missing in {text}");
    }
    assert!(!text.contains(", ,") && !text.contains(" ,"), "{text}");
    desk.done(&[&full[..], &["--each"]].concat());
    assert_eq!(std::fs::read_dir(desk.path("letters")).unwrap().count(), 4);
    // Nobody was there yet; when the tank was last emptied is known from the customer list.
    let tank = Tank {
        id: TankId(Uuid::from_u128(9)),
        site: SiteId(Uuid::from_u128(1)),
        last_emptied: NaiveDate::from_ymd_opt(2023, 5, 13),
        ..Tank::default()
    };
    desk.keep(changes(&[], &[tank]));
    desk.done(&full);
    let all = ["-layout", "letters/reminders-2026-12.pdf", "-"];
    let text = tool("pdftotext", "poppler-utils", &all, desk.folder.path());
    assert!(text.contains("May 13, 2023"), "{text}");
    let template = desk.done(&["remind", "--print-template"]);
    desk.write(
        "own.toml",
        template.replace("Dear {customer}", "Dear {cusomer}").as_bytes(),
    );
    let other = [
        &full[..4],
        &[
            "none",
            "--company",
            "x",
            "--company-phone",
            "y",
            "--template",
            "own.toml",
        ],
    ]
    .concat();
    assert!(desk.refused(1, &other).contains("{cusomer}"));
    desk.write(
        "own.toml",
        template.replace("Dear {customer}", &"word ".repeat(3_000)).as_bytes(),
    );
    assert!(desk.refused(1, &other).contains("does not fit"));
    desk.write(
        "own.toml",
        template.replace("Dear {customer}", "Dear {customer").as_bytes(),
    );
    desk.refused(1, &other);
    assert!(!desk.path("none").exists());
    desk.write(
        "own.toml",
        template
            .replace("letter\"", "card\"")
            .replace("Dear {customer}", "Dear {{you}} {customer}")
            .as_bytes(),
    );
    desk.done(&other);
    let text = tool(
        "pdftotext",
        "poppler-utils",
        &["none/reminders-2026-12.pdf", "-"],
        desk.folder.path(),
    );
    assert!(text.contains("Dear {you} Ash"), "{text}");
    let info = tool(
        "pdfinfo",
        "poppler-utils",
        &["none/reminders-2026-12.pdf"],
        desk.folder.path(),
    );
    assert!(info.contains("432 x 306"), "{info}");
}

// --- one place -----------------------------------------------------------------------------------

#[test]
fn a_place_is_found_by_any_of_its_names_and_says_what_was_done() {
    let desk = Desk::new();
    demo_book(&desk.path("book.sqlite"));
    let id = id_of(&desk, "9 juniper bend");
    assert_eq!(id, id_of(&desk, &id));
    assert_eq!(id, id_of(&desk, "quiroga"));
    let history = desk.json(&["history", &id, "--json"]);
    let stops = history["stops"].as_array().unwrap();
    // demo/book.toml, the second visit: 10½ in of sludge are 267 mm, 1,100 gallons 4,163,953 ml (NIST SP 811).
    let second = stops.iter().find(|stop| stop["day"] == "2023-05-22").unwrap();
    let sludge = second["readings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["sludge_mm"].clone())
        .collect::<Vec<_>>();
    assert!(sludge.contains(&Value::from(267)), "{sludge:?}");
    assert_eq!(second["pumpings"][0]["out_ml"], 4_163_953);
    let text = desk.done(&["history", &id]);
    assert!(text.contains("1,100 gal") && text.contains("May 22, 2023"), "{text}");
    let text = desk.done(&["history", &id, "--lang", "es", "--units", "metric"]);
    assert!(
        text.contains("4,164 L") && text.contains("22 de mayo de 2023"),
        "{text}"
    );
    assert!(desk.done(&["site", &id]).contains("Marta Quiroga"));
    desk.refused(1, &["site", "nobody at all"]);
    desk.refused(1, &["site", &Uuid::from_u128(9).to_string()]);
}
