//! How long an import takes against the same rows through bare prepared statements, and what it holds in memory.

use std::io::{BufRead, BufReader, Cursor, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use chrono::{DateTime, FixedOffset};
use lidmark::domain::record::{
    Cell, FieldChange, Op, Pumping, PumpingId, Site, SiteId, Stop, StopId, Tank, TankId, changes,
};
use lidmark::exchange::dayfile::Digest;
use lidmark::exchange::dayfile::sign::SecretKey;
use lidmark::exchange::dayfile::write::{Blob, Media, Order, write};
use lidmark::office::context::Call;
use lidmark::office::import;
use lidmark::store::Store;
use lidmark::store::carry::Place;
use rusqlite::Connection;
use rusqlite::types::Value;
use uuid::Uuid;

use crate::report::{self, Unit};

const STOPS: u128 = 100_000;
const SITES: u128 = 20_000;
/// What a child process takes in, and into which book.
const CHILD: &str = "LIDMARK_BENCH_IMPORT";

fn now() -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339("2026-06-17T18:00:00-05:00").unwrap()
}

/// The child: takes one file in and says how much memory it has held at the most.
///
/// * returns: whether this process is such a child
pub fn is_child() -> bool {
    let Some(job) = std::env::var_os(CHILD) else {
        return false;
    };
    let job = job.into_string().unwrap();
    let (file, book) = job.split_once('\n').unwrap();
    let started = Instant::now();
    take_in(Path::new(file), Path::new(book));
    let seconds = started.elapsed().as_secs_f64();
    // Linux only: proc(5), VmHWM is the peak resident set size.
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    let kib: u64 = peak.trim().trim_end_matches(" kB").parse().unwrap();
    println!("{seconds} {kib}");
    true
}

fn take_in(file: &Path, book: &Path) {
    let call = Call {
        book: book.to_owned(),
        json: true,
        units: None,
        language: None,
        now: now(),
    };
    let asked = import::Asked {
        files: vec![file.to_owned()],
        accept_unsigned: true,
        ..import::Asked::default()
    };
    let answer = import::run(&call, &asked, &|_| {}).unwrap();
    assert!(answer.refusals.is_empty(), "{:?}", answer.refusals);
    assert!(answer.text.contains("taken-in"), "{}", answer.text);
}

fn in_child(file: &Path, book: &Path) -> (f64, f64) {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .env(CHILD, format!("{}\n{}", file.display(), book.display()))
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    assert!(child.wait().unwrap().success());
    let (seconds, kib) = line.trim().split_once(' ').unwrap();
    (seconds.parse().unwrap(), kib.parse::<f64>().unwrap() / 1024.0)
}

/// A phone's book of so many stops on one day, each made by one action and finished by another.
fn phone_with(folder: &Path, stops: u128) -> Store {
    let mut store = Store::open(&folder.join(format!("phone-{stops}.sqlite"))).unwrap();
    let mut op = 0;
    let mut keep = |store: &mut Store, changes: Vec<FieldChange>| {
        op += 1;
        store
            .keep(&Op {
                id: Uuid::from_u128(0x0190_0000 << 96 | op),
                stop: None,
                at: now() - chrono::Duration::seconds(40_000 - i64::try_from(op).unwrap()),
                label: "bench".to_owned(),
                undoable: true,
                changes,
            })
            .unwrap();
    };
    let sites = SITES.min(stops);
    let id = |kind: u128, n: u128| Uuid::from_u128(0x0190_0000 << 96 | 0x7000 << 64 | kind << 40 | n);
    for first in (0..sites).step_by(100) {
        let mut list = Vec::new();
        for n in first..(first + 100).min(sites) {
            let site = Site {
                id: SiteId(id(1, n)),
                name: format!("{n} Sample Lane"),
                address: format!("{n} Sample Lane"),
                town: "Nowhere".to_owned(),
                ..Site::default()
            };
            let tank = Tank {
                id: TankId(id(2, n)),
                site: site.id,
                ..Tank::default()
            };
            list.extend(changes(&[], &[site]));
            list.extend(changes(&[], &[tank]));
        }
        keep(&mut store, list);
    }
    for first in (0..stops).step_by(20) {
        let (mut begun, mut ended) = (Vec::new(), Vec::new());
        for n in first..(first + 20).min(stops) {
            let stop = Stop {
                id: StopId(id(3, n)),
                site: SiteId(id(1, n % sites)),
                day: now().date_naive(),
                place: i64::try_from(n).unwrap(),
                ..Stop::default()
            };
            let pumping = Pumping {
                id: PumpingId(id(4, n)),
                stop: stop.id,
                tank: TankId(id(2, n % sites)),
                pumped: Some(true),
                out_ml: Some(3_785_000),
                ..Pumping::default()
            };
            begun.extend(changes(&[], std::slice::from_ref(&stop)));
            begun.extend(changes(&[], &[pumping]));
            for (field, value) in [
                ("finished_at", "2026-06-17T10:00:00.000-05:00"),
                ("found_note", "The outlet baffle was set back."),
                ("signed_name", "A. Sample"),
            ] {
                ended.push(FieldChange {
                    table: "stop",
                    id: stop.id.0,
                    field,
                    value: Cell::Text(value.to_owned()),
                });
            }
        }
        keep(&mut store, begun);
        keep(&mut store, ended);
    }
    store
}

/// Bytes that look like a photo to whoever does not open it, made anew wherever they are needed.
struct Noise {
    state: u64,
    left: u64,
}

impl Read for Noise {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        let count = buf.len().min(usize::try_from(self.left).unwrap());
        for byte in &mut buf[..count] {
            self.state ^= self.state << 13;
            self.state ^= self.state >> 7;
            self.state ^= self.state << 17;
            *byte = self.state.to_le_bytes()[3];
        }
        self.left -= count as u64;
        Ok(count)
    }
}

const PHOTO_BYTES: u64 = 300_000;

fn day_file(folder: &Path, store: &Store, name: &str, photos: u64) -> PathBuf {
    let carry = store.carry(now().date_naive(), true).unwrap();
    let noise = |n: u64| Noise {
        state: n * 2 + 1,
        left: PHOTO_BYTES,
    };
    let seeds = (0..photos)
        .map(|n| {
            let mut bytes = Vec::new();
            noise(n).read_to_end(&mut bytes).unwrap();
            let blob = Blob {
                sha256: Digest::of(&bytes),
                bytes: PHOTO_BYTES,
                media: Media::Jpeg,
            };
            (blob, n)
        })
        .collect::<Vec<_>>();
    let blobs = seeds.iter().map(|(blob, _)| blob.clone()).collect::<Vec<_>>();
    let open = |wanted: &Blob| -> std::io::Result<Box<dyn Read>> {
        let (_, n) = seeds.iter().find(|(blob, _)| blob == wanted).unwrap();
        Ok(Box::new(noise(*n)))
    };
    let key = SecretKey::from_seed([1; 32]);
    let place = Place {
        sequence: 1,
        follows: None,
    };
    let order = Order {
        phone: Uuid::from_u128(0xBE7C4),
        truck: "Truck 1",
        day: now().date_naive(),
        partial: false,
        place: &place,
        created_at: now(),
        carry: &carry,
        key: Some(&key),
        blobs: &blobs,
    };
    let path = folder.join(name);
    let (_, mut out) = write(store, &order, &open, Cursor::new(Vec::new())).unwrap();
    out.seek(SeekFrom::Start(0)).unwrap();
    std::fs::write(&path, out.into_inner()).unwrap();
    path
}

/// Every row of these tables of a book, in memory.
fn rows_of(book: &Path, tables: &[&str]) -> Vec<(String, Vec<Vec<Value>>)> {
    let db = Connection::open(book).unwrap();
    tables
        .iter()
        .map(|table| {
            let mut select = db.prepare(&format!("SELECT * FROM {table}")).unwrap();
            let columns = select.column_count();
            let rows = select
                .query_map([], |row| (0..columns).map(|i| row.get(i)).collect())
                .unwrap()
                .map(Result::unwrap)
                .collect();
            ((*table).to_owned(), rows)
        })
        .collect()
}

/// The same rows into a new book, through bare prepared statements in one transaction with the same settings.
fn bare(book: &Path, tables: &[(String, Vec<Vec<Value>>)]) -> f64 {
    Store::open(book).unwrap().close().unwrap();
    let mut db = Connection::open(book).unwrap();
    for (name, value) in [
        ("journal_mode", "WAL"),
        ("synchronous", "FULL"),
        ("foreign_keys", "ON"),
        ("temp_store", "MEMORY"),
        ("cache_size", "-65536"),
    ] {
        db.pragma_update(None, name, value).unwrap();
    }
    let started = Instant::now();
    let tx = db.transaction().unwrap();
    for (table, rows) in tables {
        let Some(first) = rows.first() else { continue };
        let marks = vec!["?"; first.len()].join(", ");
        let mut insert = tx.prepare(&format!("INSERT INTO {table} VALUES ({marks})")).unwrap();
        for row in rows {
            insert.execute(rusqlite::params_from_iter(row)).unwrap();
        }
    }
    tx.commit().unwrap();
    started.elapsed().as_secs_f64()
}

/// What an import writes, each table after those it refers to.
const RECORDS: [&str; 4] = ["site", "tank", "stop", "pumping"];
const BESIDE: [&str; 3] = ["stamp", "phone_action", "taken_in"];

/// The size of a day file, and the sum of its parts as its directory lists them, bytes.
fn sizes(file: &Path) -> (f64, f64) {
    let mut archive = zip::ZipArchive::new(std::fs::File::open(file).unwrap()).unwrap();
    let parts = (0..archive.len())
        .map(|index| archive.by_index_raw(index).unwrap().size())
        .sum::<u64>();
    (std::fs::metadata(file).unwrap().len() as f64, parts as f64)
}

/// Prints the lines of the table.
pub fn lines(folder: &Path) {
    let folder = folder.join("import");
    std::fs::create_dir_all(&folder).unwrap();
    let store = phone_with(&folder, STOPS);
    let file = day_file(&folder, &store, "day.lidmark", 0);
    let (mut ours, mut floor, mut records_only) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..5 {
        let book = folder.join(format!("{round}/book.sqlite"));
        ours.push(in_child(&file, &book));
        let all = rows_of(&book, &[RECORDS.as_slice(), BESIDE.as_slice()].concat());
        let into = |name: &str| folder.join(format!("{round}/{name}.sqlite"));
        floor.push(bare(&into("bare"), &all));
        records_only.push(bare(&into("records"), &all[..RECORDS.len()]));
    }
    let middle = |values: &[f64]| {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted[sorted.len() / 2]
    };
    let (seconds, peak): (Vec<f64>, Vec<f64>) = ours.into_iter().unzip();
    let (seconds, floor, records_only) = (middle(&seconds), middle(&floor), middle(&records_only));
    report::line(
        &format!("import of {STOPS} stops at {SITES} sites, checked and signed"),
        seconds,
        Unit::Seconds,
        "the same rows through bare prepared statements in one transaction",
        floor,
        Some(2.0),
    );
    report::note(&format!(
        "the rows of the records alone, without stamps and log, bare: {records_only:.2} s; memory of the import at the most {:.0} MiB",
        middle(&peak)
    ));
    let few = phone_with(&folder, 200);
    let many = day_file(&folder, &few, "photos.lidmark", 1_000);
    let none = day_file(&folder, &few, "plain.lidmark", 0);
    let (packed, parts) = sizes(&many);
    report::line(
        "the file of a day of 200 stops and 1000 photos of 300 kB",
        packed,
        Unit::Bytes,
        "the sum of its parts",
        parts,
        None,
    );
    let (seconds, with) = in_child(&many, &folder.join("photos/book.sqlite"));
    let (_, without) = in_child(&none, &folder.join("plain/book.sqlite"));
    report::line(
        "import of that day, memory at the most",
        with * 1_048_576.0,
        Unit::Bytes,
        "the same day without photos",
        without * 1_048_576.0,
        None,
    );
    report::note(&format!("it takes {seconds:.1} s"));
}
