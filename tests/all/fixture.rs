//! What several of these tests need: an app on a book of its own, what it shows, and what lies in the file.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

use chrono::{DateTime, FixedOffset};
use lidmark::app::demo::do_tap;
use lidmark::app::session::Session;
use lidmark::app::shell::App;
use lidmark::domain::record::{Site, SiteId, StopId};
use lidmark::exchange::rulefile;
use lidmark::store::Store;
use rusqlite::Connection;
use uuid::Uuid;

/// One moment for every test, so that nothing depends on the day it is run.
pub fn now() -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339("2026-06-17T09:00:00-05:00").unwrap()
}

/// Starts the app on the book at `path`, as the program does.
pub fn app_on(path: &Path) -> App {
    let store = Store::open(path).unwrap();
    let session = Session::new(store, || rulefile::embedded().unwrap(), Box::new(now), || {}).unwrap();
    App::start(session, path.with_file_name("slips")).unwrap()
}

/// Starts the app on a new book with one site and begins a stop there. The place is invented.
pub fn app_at_a_stop(path: &Path) -> (App, StopId) {
    let mut app = app_on(path);
    app.start_empty();
    let site = Site {
        id: SiteId(Uuid::from_u128(0x51)),
        name: "1 Sample Lane".to_owned(),
        residents_tenths: Some(40),
        ..Site::default()
    };
    let site = app.add_site(site, true).unwrap();
    let stop = app.plan_stop(site).unwrap();
    app.begin_stop(stop).unwrap();
    app.session_mut().settle().unwrap();
    (app, stop)
}

/// Does taps of the demo's own language, one a line.
pub fn taps(app: &mut App, lines: &str) {
    for line in lines.lines().map(str::trim).filter(|line| !line.is_empty()) {
        do_tap(app, line).unwrap_or_else(|reason| panic!("`{line}`: {reason}"));
    }
}

/// Everything the open stop shows, tank by tank and lid by lid, whatever was selected. Clock times are left out.
pub fn shown(app: &mut App) -> String {
    let mut text = String::new();
    app.choose_tank(1);
    let stop = app.stop_view();
    writeln!(text, "{:?} {} {}", app.screen(), stop.title, stop.detail).unwrap();
    writeln!(text, "{:?} undo {} {:?}", stop.quarters, stop.can_undo, stop.undo_text).unwrap();
    writeln!(text, "{:?}", app.find_view()).unwrap();
    let lids: usize = last_number(&app.dig_view().lid_count);
    for _ in 0..lids {
        if app.dig_view().lid_count.starts_with("1 ") {
            break;
        }
        app.step_lid(1);
    }
    for _ in 0..lids {
        let lid = app.dig_view();
        writeln!(text, "{} {} {:?}", lid.lid_name, lid.lid_count, lid.cover).unwrap();
        writeln!(text, "{} {:?} {:?}", lid.material, lid.cracked, lid.secured).unwrap();
        writeln!(text, "{} {} {}", lid.stack_text, lid.advice_title, lid.advice_text).unwrap();
        app.step_lid(1);
    }
    app.choose_tank(1);
    let tanks: usize = last_number(&app.tank_view().tank_text);
    for tank in 1..=tanks {
        app.choose_tank(tank);
        for compartment in 0..app.tank_view().compartment_count {
            app.tap_compartment(compartment);
            let (tank, read) = (app.tank_view(), app.read_view());
            writeln!(text, "{} {} {:?}", tank.tank_text, tank.compartment_text, tank.shape).unwrap();
            writeln!(text, "{:?} {}", tank.dimensions, tank.capacity_text).unwrap();
            writeln!(text, "{:?} {:?}", tank.dip_rows, tank.facts).unwrap();
            writeln!(text, "{:?} {} {}", read.values, read.probe_count, read.probe_spread).unwrap();
            writeln!(text, "{} {} {}", read.verdict_title, read.verdict_line, read.flag_text).unwrap();
        }
        let pump = app.pump_view();
        writeln!(
            text,
            "{:?} {:?} {:?} {:?} {}",
            pump.pumped, pump.out, pump.heel, pump.rinsed, pump.truck_text
        )
        .unwrap();
    }
    app.choose_tank(1);
    writeln!(text, "{:?}", app.leave_view()).unwrap();
    let card = app
        .card_data()
        .map(|card| format!("{:?}", card.signature))
        .unwrap_or_default();
    writeln!(text, "{card}").unwrap();
    text
}

fn last_number(text: &str) -> usize {
    text.split_whitespace()
        .next_back()
        .and_then(|word| word.parse().ok())
        .unwrap_or(0)
}

/// The rows of every table of a book, as text, read past the program.
pub fn dump(path: &Path) -> BTreeMap<String, Vec<String>> {
    let db = rusqlite::Connection::open(path).unwrap();
    let names = strings(&db, "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name");
    names
        .into_iter()
        .map(|name| {
            let mut select = db.prepare(&format!("SELECT * FROM {name} ORDER BY 1, 2")).unwrap();
            let columns = select.column_count();
            let rows = select
                .query_map([], |row| {
                    (0..columns)
                        .map(|i| {
                            row.get::<_, rusqlite::types::Value>(i)
                                .map(|value| format!("{value:?}"))
                        })
                        .collect::<Result<Vec<_>, _>>()
                })
                .unwrap()
                .map(|row| row.unwrap().join("|"))
                .collect();
            (name, rows)
        })
        .collect()
}

/// The rows of the records alone: without the log, the notes and the set-up of the phone.
pub fn dump_records(path: &Path) -> BTreeMap<String, Vec<String>> {
    let mut tables = dump(path);
    for name in ["op", "change", "meta", "setup"] {
        tables.remove(name).unwrap();
    }
    tables
}

/// The first column of what a query returns.
pub fn strings(db: &rusqlite::Connection, sql: &str) -> Vec<String> {
    let mut select = db.prepare(sql).unwrap();
    select
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect()
}

/// Every row holds what the log says was written last, field by field: no action is there by half.
pub fn agrees_with_log(db: &Connection) -> Result<(), String> {
    let mut select = db
        .prepare("SELECT record, change.id, field, new FROM change JOIN op ON op.seq = change.op ORDER BY op.seq, n")
        .map_err(|error| error.to_string())?;
    let mut last = BTreeMap::new();
    let mut rows = select.query([]).map_err(|error| error.to_string())?;
    while let Some(row) = rows.next().map_err(|error| error.to_string())? {
        let key: (String, String, String) = (row.get(0).unwrap(), row.get(1).unwrap(), row.get(2).unwrap());
        last.insert(key, row.get::<_, String>(3).unwrap());
    }
    let mut records: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for ((record, id, field), new) in &last {
        records.entry(record).or_default().insert(id);
        let held = db
            .query_row(&format!("SELECT {field} FROM {record} WHERE id = ?1"), [id], |row| {
                row.get::<_, rusqlite::types::Value>(0)
            })
            .map_err(|error| format!("{record} {id}: {error}"))?;
        let held = match held {
            rusqlite::types::Value::Null => serde_json::Value::Null,
            rusqlite::types::Value::Integer(whole) => whole.into(),
            rusqlite::types::Value::Text(text) => text.into(),
            other => return Err(format!("{record}.{field} holds {other:?}")),
        };
        if serde_json::from_str::<serde_json::Value>(new).ok() != Some(held) {
            return Err(format!("{record} {id}: {field} is not what the log says"));
        }
    }
    for (record, ids) in records {
        let there = strings(db, &format!("SELECT id FROM {record}"));
        if there.len() != ids.len() {
            return Err(format!("{record} has rows no action made"));
        }
    }
    Ok(())
}

/// A small generator of its own, so that a seed means the same touches on every machine and in every year.
///
/// Marsaglia's xorshift with the shifts 13, 7, 17 (Journal of Statistical Software 8(14), 2003).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        // Zero is the one state it never leaves.
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    pub fn roll(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A number from 0 to `below` - 1.
    pub fn below(&mut self, below: usize) -> usize {
        usize::try_from(self.roll() >> 33).unwrap() % below
    }

    pub fn pick<'a, T>(&mut self, list: &'a [T]) -> &'a T {
        &list[self.below(list.len())]
    }
}
