//! Everything that is read from elsewhere, one entry for each kind: any bytes in, and what must hold whatever they are.
//!
//! The fuzz targets call these, and so does `tests/all/hostile.rs` with every input that was kept.

use chrono::{DateTime, FixedOffset, NaiveDate};
use lidmark::app::session::Session;
use lidmark::app::shell::App;
use lidmark::domain::locate::plan::SitePlan;
use lidmark::domain::record::{
    Cell, Compartment, CompartmentId, Condition, ConditionId, DayClose, DayCloseId, Disposal, DisposalId,
    DisposalPlace, DisposalPlaceId, Fixture, FixtureId, Flush, FlushId, LeakRun, LeakRunId, Lid, LidId, LoadCorrection,
    LoadCorrectionId, Photo, PhotoId, Pin, PinId, Price, PriceId, Pumping, PumpingId, Reading, ReadingId, Record,
    RodProbe, RodProbeId, Setup, SetupId, SignSeen, SignSeenId, Site, SiteId, Stop, StopId, Tank, TankId, TapeTie,
    TapeTieId, Truck, TruckId, TruckTank, TruckTankId, WasteRecord, WasteRecordId, WorkLine, WorkLineId, YardClue,
    YardClueId,
};
use lidmark::domain::units::{Cents, Length};
use lidmark::exchange::customer_list::{self, Mapping};
use lidmark::exchange::dayfile::read::{Trust, open};
use lidmark::exchange::dayfile::seal::OfficeSecret;
use lidmark::exchange::gpx::PlanError;
use lidmark::exchange::nmea::NmeaReader;
use lidmark::exchange::position::PositionSource as _;
use lidmark::exchange::{diagnose, geojson, gpx, locate, photo, planfile, rulefile, work};
use lidmark::office::context::Call;
use lidmark::office::{self, due, import, money, plan, records, site};
use lidmark::store::{SCHEMA_VERSION, Store};
use rusqlite::Connection;
use rusqlite::types::Value;
use serde_json::json;
use sha2::{Digest as _, Sha256};
use std::io::{Cursor, Write as _};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use uuid::Uuid;

/// One kind of input: what it is called, and what is done with it.
pub type Entry = (&'static str, fn(&[u8]));

/// Every kind there is, by the name of its fuzz target.
pub const ALL: [Entry; 12] = [
    ("dayfile", dayfile),
    ("dayfile_fault", dayfile_fault),
    ("planfile", plan_file),
    ("rulefile", rule_file),
    ("nmea", nmea),
    ("gpx", gpx_file),
    ("geojson", geojson_file),
    ("list", list),
    ("work", work_file),
    ("locate", locate_file),
    ("diagnose", diagnose_file),
    ("photo", picture),
];

/// A day file of any bytes, sealed to the office of the tests or not; what opens is read to its end.
pub fn dayfile(data: &[u8]) {
    static KEY: OnceLock<Option<OfficeSecret>> = OnceLock::new();
    let key = KEY.get_or_init(|| OfficeSecret::parse(include_str!("../../vectors/dayfile/office.key")));
    if let Ok(file) = open(Cursor::new(data), key.as_slice(), Trust::Anyone) {
        assert!(
            file.stamped().all(|field| field.is_ok()),
            "what was checked can be read"
        );
        assert!(file.log().all(|action| action.is_ok()), "what was checked can be read");
    }
}

/// A sound day file with one fault, told to the office: taken in whole or not at all, and every command has an answer.
pub fn dayfile_fault(data: &[u8]) {
    let Some(bytes) = with_a_fault(data) else { return };
    if let Ok(file) = open(Cursor::new(&bytes[..]), &[], Trust::Anyone) {
        assert!(
            file.stamped().all(|field| field.is_ok()),
            "what was checked can be read"
        );
        assert!(file.log().all(|action| action.is_ok()), "what was checked can be read");
        // In words or as JSON, by the input, so that both are tried and each takes half the time.
        drop(told_to_the_office(&bytes, data.len().is_multiple_of(2)));
    }
}

/// Has a new office take a file in and asks it everything; returns why it was refused.
fn told_to_the_office(bytes: &[u8], json: bool) -> Option<String> {
    let folder = folder();
    let call = Call {
        book: new_book(folder.path()),
        json,
        units: None,
        language: None,
        now: now(),
    };
    let path = folder.path().join("day.lidmark");
    std::fs::write(&path, bytes).expect("the folder can be written");
    let asked = import::Asked {
        files: vec![path],
        accept_unsigned: true,
        ..import::Asked::default()
    };
    let before = rows(&call.book);
    let said = import::run(&call, &asked, &|_| ()).expect("there is a book");
    if let Some(refusal) = said.refusals.into_iter().next() {
        assert!(rows(&call.book) == before, "a file that is refused changes nothing");
        return Some(refusal.what);
    }
    let sound = Store::open(&call.book).and_then(|store| store.check());
    sound.expect("a book stays sound");
    let kept = rows(&call.book);
    let again = import::run(&call, &asked, &|_| ()).expect("there is a book");
    assert!(
        again.refusals.is_empty() && rows(&call.book) == kept,
        "the same file again changes nothing"
    );
    ask_everything(&call);
    None
}

/// Asks the office all it can be asked without more input: an answer or a refusal, whatever the book holds.
fn ask_everything(call: &Call) {
    let (from, to) = (Some("1900-01-01".to_owned()), Some("2200-01-01".to_owned()));
    drop(due::run(
        call,
        &due::Asked {
            from: from.clone(),
            to: to.clone(),
            near: Some("44,-93".to_owned()),
            ..due::Asked::default()
        },
    ));
    drop(records::run(
        call,
        &records::Asked {
            from: from.clone(),
            to: to.clone(),
            ..records::Asked::default()
        },
    ));
    drop(money::run(
        call,
        &money::Asked {
            from: from.clone(),
            to: to.clone(),
            lines: call.json,
            csv: None,
        },
    ));
    drop(office::conflicts::run(call, false));
    drop(office::doctor::run(call, office::doctor::Asked::default(), &|_| ()));
    let sites = texts(&read(&call.book), "SELECT id FROM site")
        .into_iter()
        .take(4)
        .collect::<Vec<_>>();
    for place in &sites {
        drop(site::site(call, place));
        drop(site::history(call, place));
    }
    drop(plan::run(
        call,
        &plan::Asked {
            sites: sites.clone(),
            day: Some("2026-06-18".to_owned()),
            dry_run: true,
            ..plan::Asked::default()
        },
    ));
}

/// A day's plan of any text; what is read is written and read back the same, and the phone that takes it in goes on.
pub fn plan_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(plan) = planfile::read(text) else { return };
    let again = planfile::read(&planfile::write(&plan));
    assert!(
        again.is_ok_and(|again| again == plan),
        "a plan written is the plan read"
    );
    let folder = folder();
    let book = new_book(folder.path());
    let before = rows(&book);
    let mut store = Store::open(&book).expect("the book opens");
    let taken = planfile::take_in(&mut store, &plan, now());
    store.check().expect("a book stays sound");
    if taken.is_err() {
        drop(store);
        assert!(rows(&book) == before, "a plan that is refused changes nothing");
        return;
    }
    let kept = rows(&book);
    assert!(
        planfile::take_in(&mut store, &plan, now()).is_ok() && rows(&book) == kept,
        "the same plan again changes nothing"
    );
    drop(store);
    for stop in plan.stops.iter().take(3) {
        look_at(&book, StopId(stop.stop_id));
    }
}

/// Opens a stop as a person does and goes through its stations.
fn look_at(book: &Path, stop: StopId) {
    let store = Store::open(book).expect("the book opens");
    let rules = || rulefile::embedded().expect("the rule sets are sound");
    let session = Session::new(store, rules, Box::new(now), || {}).expect("the book is read");
    let mut app = App::start(session, book.with_file_name("slips")).expect("the app starts");
    app.start_empty();
    drop(app.day_view());
    if app.begin_stop(stop).is_err() {
        return;
    }
    drop(app.stop_view());
    drop(app.find_view());
    drop(app.dig_view());
    for tank in 1..=3 {
        app.choose_tank(tank);
        for compartment in 0..app.tank_view().compartment_count.min(4) {
            app.tap_compartment(compartment);
            drop(app.read_view());
        }
        drop(app.pump_view());
    }
    drop(app.leave_view());
    drop(app.card_data());
}

/// A rule set of any text.
pub fn rule_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    drop(rulefile::parse(text));
}

/// What a receiver sends, any bytes: every position is on the earth.
pub fn nmea(data: &[u8]) {
    let mut reader = NmeaReader::new(data);
    while let Ok(Some(fix)) = reader.next_fix() {
        let place = fix.position;
        assert!(
            place.latitude_deg().abs() <= 90.0 && place.longitude_deg().abs() <= 180.0,
            "{fix:?}"
        );
    }
}

/// Whether what was read can be read again once written: a great many small marks may be more than a file may hold.
fn can_be_read_again(again: &Result<SitePlan, PlanError>) -> bool {
    matches!(again, Ok(_) | Err(PlanError::TooMuch { .. } | PlanError::TooLarge))
}

/// A GPX file of any bytes, as a site plan and as a track.
pub fn gpx_file(data: &[u8]) {
    if let Ok(plan) = gpx::read(data)
        && let Ok(text) = gpx::write(&plan)
    {
        // What cannot be said in GPX is refused; what is written can be read.
        assert!(
            can_be_read_again(&gpx::read(text.as_bytes())),
            "a plan written can be read"
        );
    }
    drop(gpx::replay(data));
}

/// A GeoJSON map of any bytes; what is read is written and read back.
pub fn geojson_file(data: &[u8]) {
    if let Ok(plan) = geojson::read(data) {
        let again = geojson::read(geojson::write(&plan).as_bytes());
        assert!(can_be_read_again(&again), "a map written can be read");
    }
}

/// A customer list of any bytes.
pub fn list(data: &[u8]) {
    let today = NaiveDate::from_ymd_opt(2026, 6, 17).unwrap_or_default();
    drop(customer_list::read(data, &Mapping::default(), today));
}

/// A visit as JSON, any text; what is read is answered.
pub fn work_file(data: &[u8]) {
    static RULES: OnceLock<Vec<lidmark::domain::rules::RuleSet>> = OnceLock::new();
    let rules = RULES.get_or_init(|| rulefile::embedded().unwrap_or_default());
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(work) = work::read(text) {
        drop(work::answer(&work, rules, rulefile::GENERAL));
    }
}

/// Where a lid lies as JSON, any text; what is read is answered.
pub fn locate_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(file) = locate::read(text) {
        drop(locate::work_out(&file).and_then(|worked| worked.answer(None, &|_| String::new())));
    }
}

/// Signs as JSON, any text; what is read is answered.
pub fn diagnose_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(facts) = diagnose::read(text) {
        drop(diagnose::answer(&facts, &|_| String::new()));
    }
}

/// A picture of any bytes: its header, its sizes, its camera data.
pub fn picture(data: &[u8]) {
    drop(photo::prepare(data, true));
}

// --- what they share -------------------------------------------------------------------------------

fn now() -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339("2026-06-17T09:00:00-05:00").unwrap_or_default()
}

/// A folder in memory where there is one: what is tried here is not whether a disk keeps it.
fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .expect("there is a folder for what is tried")
}

/// A new book, whose making is not repeated for every input.
fn new_book(folder: &Path) -> PathBuf {
    static EMPTY: OnceLock<Vec<u8>> = OnceLock::new();
    let path = folder.join("book.sqlite");
    let bytes = EMPTY.get_or_init(|| {
        let place = self::folder();
        let path = place.path().join("book.sqlite");
        Store::open(&path)
            .and_then(Store::close)
            .expect("a new book can be made");
        std::fs::read(path).expect("the book is there")
    });
    std::fs::write(&path, bytes).expect("the folder can be written");
    path
}

fn read(book: &Path) -> Connection {
    Connection::open(book).expect("the book opens")
}

/// Every row of every table of the book but the notes about the book itself, read past the program.
fn rows(book: &Path) -> Vec<String> {
    let db = read(book);
    let names = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'meta' ORDER BY name";
    texts(&db, names)
        .iter()
        .flat_map(|name| {
            let rows = texts(&db, &format!("SELECT * FROM \"{name}\" ORDER BY 1, 2"));
            rows.into_iter().map(move |row| format!("{name}: {row}"))
        })
        .collect()
}

/// What a query returns, a row a text.
fn texts(db: &Connection, sql: &str) -> Vec<String> {
    let mut select = db.prepare(sql).expect("it can be asked");
    let columns = select.column_count();
    let text = |value: Value| match value {
        Value::Text(text) => text,
        other => format!("{other:?}"),
    };
    let rows = select.query_map([], |row| {
        let cells = (0..columns).map(|place| row.get(place).map(text));
        cells.collect::<Result<Vec<_>, _>>()
    });
    let rows = rows
        .expect("it can be asked")
        .map(|row| row.map(|cells| cells.join("|")));
    rows.collect::<Result<_, _>>().expect("it can be read")
}

/// The moment every field of the sound file was changed.
const AT: &str = "2026-06-17T09:00:00.000-05:00";

/// One record as a line of a day file.
fn line<R: Record>(record: &R) -> (&'static str, Vec<u8>) {
    let field = |cell: &Cell| {
        let value = planfile::json_of(cell);
        json!({ "value": value, "at": AT, "op": Uuid::from_u128(1) })
    };
    let fields = R::FIELDS.iter().zip(record.cells());
    let fields = fields.map(|(name, cell)| ((*name).to_owned(), field(&cell)));
    let fields = fields.collect::<serde_json::Map<_, _>>();
    let line = json!({ "id": record.uuid(), "fields": fields });
    (R::TABLE, format!("{line}\n").into_bytes())
}

/// One record of every kind, each belonging to the ones before it, as a stop would leave them. All of it is invented.
fn one_of_each() -> Vec<(&'static str, Vec<u8>)> {
    let id = |n: u128| Uuid::from_u128(0x100 + n);
    let day = NaiveDate::from_ymd_opt(2026, 6, 17).unwrap_or_default();
    let mm = Length::from_mm;
    let (site, tank, compartment, lid) = (SiteId(id(1)), TankId(id(2)), CompartmentId(id(3)), LidId(id(4)));
    let (stop, pumping, fixture) = (StopId(id(5)), PumpingId(id(6)), FixtureId(id(7)));
    let (truck, truck_tank, pins) = (TruckId(id(8)), TruckTankId(id(9)), [PinId(id(10)), PinId(id(11))]);
    let pin = |id: PinId, place: i64| Pin {
        id,
        site,
        stop: Some(stop),
        place,
        x_mm: Some(4_000),
        y_mm: Some(0),
        ..Pin::default()
    };
    let (table, mut two_pins) = line(&pin(pins[0], 0));
    two_pins.extend(line(&pin(pins[1], 1)).1);
    vec![
        line(&Site {
            id: site,
            name: "Invented farm, Ñandú".to_owned(),
            town: "Sampleton".to_owned(),
            lat_e7: Some(441_234_567),
            lon_e7: Some(-939_876_543),
            residents_tenths: Some(40),
            due_on: NaiveDate::from_ymd_opt(2029, 6, 17),
            ..Site::default()
        }),
        line(&Tank {
            id: tank,
            site,
            ..Tank::default()
        }),
        line(&Compartment {
            id: compartment,
            tank,
            length_mm: Some(mm(2_400)),
            width_mm: Some(mm(1_200)),
            liquid_depth_mm: Some(mm(1_200)),
            air_mm: Some(mm(250)),
            outlet_device_mm: Some(mm(450)),
            ..Compartment::default()
        }),
        line(&Lid {
            id: lid,
            tank,
            cover_mm: Some(300),
            width_mm: Some(mm(600)),
            ..Lid::default()
        }),
        line(&Stop {
            id: stop,
            site,
            day,
            residents_tenths: Some(40),
            ..Stop::default()
        }),
        (table, two_pins),
        line(&TapeTie {
            id: TapeTieId(id(12)),
            site,
            target: pins[0],
            origin: pins[1],
            distance_mm: mm(5_000),
            ..TapeTie::default()
        }),
        line(&YardClue {
            id: YardClueId(id(13)),
            site,
            x_mm: 1_000,
            y_mm: 2_000,
            ..YardClue::default()
        }),
        line(&RodProbe {
            id: RodProbeId(id(14)),
            site,
            depth_mm: mm(700),
            ..RodProbe::default()
        }),
        line(&Photo {
            id: PhotoId(id(15)),
            site,
            stop: Some(stop),
            hash: "ab".repeat(32),
            width_px: 640,
            height_px: 480,
            ..Photo::default()
        }),
        line(&Reading {
            id: ReadingId(id(16)),
            stop,
            compartment,
            level_mm: Some(0),
            scum_mm: Some(mm(90)),
            sludge_mm: Some(mm(210)),
            ..Reading::default()
        }),
        line(&Truck {
            id: truck,
            name: "Truck 2".to_owned(),
            ..Truck::default()
        }),
        line(&TruckTank {
            id: truck_tank,
            truck,
            capacity_ml: 11_000_000,
            ..TruckTank::default()
        }),
        line(&Pumping {
            id: pumping,
            stop,
            tank,
            pumped: Some(true),
            out_ml: Some(3_785_000),
            truck_tank: Some(truck_tank),
            ..Pumping::default()
        }),
        line(&DisposalPlace {
            id: DisposalPlaceId(id(17)),
            name: "Invented plant".to_owned(),
            ..DisposalPlace::default()
        }),
        line(&Disposal {
            id: DisposalId(id(18)),
            truck_tank,
            out_ml: 3_000_000,
            ..Disposal::default()
        }),
        line(&LoadCorrection {
            id: LoadCorrectionId(id(19)),
            truck_tank,
            change_ml: -5,
            ..LoadCorrection::default()
        }),
        line(&DayClose {
            id: DayCloseId(id(20)),
            truck,
            day,
            carried_ml: 785_000,
            ..DayClose::default()
        }),
        line(&WasteRecord {
            id: WasteRecordId(id(21)),
            pumping,
            day,
            rule_set: "general".to_owned(),
            facts: r#"{"gallons":"1000"}"#.to_owned(),
            ..WasteRecord::default()
        }),
        line(&Fixture {
            id: fixture,
            site,
            ..Fixture::default()
        }),
        line(&Flush {
            id: FlushId(id(22)),
            stop,
            fixture,
            after_s: Some(20),
            ..Flush::default()
        }),
        line(&SignSeen {
            id: SignSeenId(id(23)),
            stop,
            present: Some(true),
            ..SignSeen::default()
        }),
        line(&Condition {
            id: ConditionId(id(24)),
            stop,
            tank,
            ..Condition::default()
        }),
        line(&LeakRun {
            id: LeakRunId(id(25)),
            stop,
            tank,
            wait_s: 600,
            level_start_mm: 1,
            ..LeakRun::default()
        }),
        line(&WorkLine {
            id: WorkLineId(id(26)),
            stop,
            label: "Pump out".to_owned(),
            quantity_thousandths: 1_000,
            unit_price: Cents(45_000),
            tax_permille: 60,
            ..WorkLine::default()
        }),
        line(&Price {
            id: PriceId(id(27)),
            label: "Pump out".to_owned(),
            unit_price: Cents(45_000),
            ..Price::default()
        }),
        line(&Setup {
            id: SetupId(id(0xAA)),
            truck: Some(truck),
            ..Setup::default()
        }),
    ]
}

/// The parts of a sound file that nobody has signed, so that a changed part needs no key; the manifest left out.
fn sound() -> &'static [(String, Vec<u8>)] {
    static PARTS: OnceLock<Vec<(String, Vec<u8>)>> = OnceLock::new();
    PARTS.get_or_init(|| {
        let records = one_of_each().into_iter();
        let mut parts = records
            .map(|(kind, bytes)| (format!("records/{kind}.jsonl"), bytes))
            .collect::<Vec<_>>();
        let change = json!({ "table": "site", "id": Uuid::from_u128(0x101), "field": "note", "old": "", "new": "dog" });
        let action =
            json!({ "id": Uuid::from_u128(1), "at": AT, "label": "note", "undoable": true, "changes": [change] });
        parts.push(("log.jsonl".to_owned(), format!("{action}\n").into_bytes()));
        parts
    })
}

fn manifest(parts: &[(String, Vec<u8>)]) -> serde_json::Value {
    let listed = parts.iter().map(|(name, bytes)| {
        let sha256 = Sha256::digest(bytes).iter().fold(String::new(), |mut hex, byte| {
            hex.push_str(&format!("{byte:02x}"));
            hex
        });
        json!({ "name": name, "media_type": "application/jsonl", "bytes": bytes.len(), "sha256": sha256 })
    });
    json!({
        "format": 1, "needs": "0.1.0", "program": "made for this test", "phone": Uuid::from_u128(0x1AA), "truck": "Truck 2",
        "day": "2026-06-17", "partial": false, "sequence": 1, "follows": null, "created_at": "2026-06-17T18:00:00-05:00",
        "book_form": SCHEMA_VERSION, "key": null, "parts": listed.collect::<Vec<_>>(),
    })
}

/// A value that is at the edge of what a field holds, or past it.
const VALUES: [&str; 16] = [
    "null",
    "0",
    "1",
    "-1",
    "9223372036854775807",
    "-9223372036854775808",
    "2147483648",
    "4294967295",
    "100000000000000",
    "\"\"",
    "\"x\"",
    "\"9999-12-31\"",
    "\"0001-01-01\"",
    "\"9999-12-31T23:59:59+14:00\"",
    "\"[[1,2],[3,1e308]]\"",
    "\"\\u0000\\u202e<b>&\"",
];

/// Changes a part at places: three bytes say where and how, the fourth what.
fn change(bytes: &mut Vec<u8>, edits: &[u8]) {
    for edit in edits.chunks_exact(4) {
        let at = (usize::from(edit[0]) << 8 | usize::from(edit[1])) % bytes.len().max(1);
        match edit[2] % 8 {
            0 if at < bytes.len() => bytes[at] = edit[3],
            1 => bytes.insert(at.min(bytes.len()), edit[3]),
            2 if at < bytes.len() => drop(bytes.remove(at)),
            3 => {
                // A line told twice.
                let lines = bytes
                    .split_inclusive(|byte| *byte == b'\n')
                    .map(<[u8]>::to_vec)
                    .collect::<Vec<_>>();
                // What has no end of line is told twice as a whole: so often only that it stays a small file.
                if let Some(line) = lines.get(at % lines.len().max(1))
                    && bytes.len() < 1 << 20
                {
                    bytes.extend_from_slice(line);
                }
            }
            4 => bytes.truncate(bytes.len() - usize::from(edit[3]).min(bytes.len())),
            // The value of one field, or of an action's change, is another.
            _ => {
                let text = String::from_utf8_lossy(bytes).into_owned();
                let starts = text.match_indices(':').map(|(place, _)| place + 1).collect::<Vec<_>>();
                let values = starts.iter().filter(|start| text[..**start].ends_with("\"value\":"));
                let values = values.copied().collect::<Vec<_>>();
                let Some(start) = values.get(at % values.len().max(1)).copied() else {
                    continue;
                };
                let Some(length) = text[start..].find([',', '}']) else {
                    continue;
                };
                let value = VALUES[usize::from(edit[3]) % VALUES.len()];
                *bytes = [&text[..start], value, &text[start + length..]].concat().into_bytes();
            }
        }
    }
}

/// The sound day file with one part changed, its manifest fitting again; or with its manifest changed.
fn with_a_fault(data: &[u8]) -> Option<Vec<u8>> {
    let (selector, edits) = data.split_first()?;
    let mut parts = sound().to_vec();
    let which = usize::from(*selector & 0x7f) % (parts.len() + 1);
    if let Some((_, bytes)) = parts.get_mut(which) {
        if *selector & 0x80 == 0 {
            change(bytes, edits);
        } else {
            // A whole line of the fuzzer's own.
            bytes.extend_from_slice(edits);
            bytes.push(b'\n');
        }
    }
    let mut manifest = serde_json::to_vec(&manifest(&parts)).ok()?;
    if which == parts.len() {
        change(&mut manifest, edits);
    }
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let stored = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    let first = std::iter::once(("manifest.json", &manifest));
    for (name, bytes) in first.chain(parts.iter().map(|(name, bytes)| (name.as_str(), bytes))) {
        zip.start_file(name, stored).ok()?;
        zip.write_all(bytes).ok()?;
    }
    Some(zip.finish().ok()?.into_inner())
}

/// The sound file itself is taken in: what is tried is the fault and nothing else.
pub fn the_sound_file_is_taken_in() {
    let bytes = with_a_fault(&[0]).expect("it can be made");
    let file = open(Cursor::new(&bytes[..]), &[], Trust::Anyone).expect("the sound file is sound");
    assert_eq!(file.log().count(), 1);
    for json in [false, true] {
        assert_eq!(told_to_the_office(&bytes, json), None);
    }
}
