//! `due` over a large book, against the same rows asked of SQLite and dropped.
//!
//! The book is invented and made anew by prepared statements.
use std::hint::black_box;
use std::path::{Path, PathBuf};

use lidmark::domain::record::{Language, Units};
use lidmark::office::context::Call;
use lidmark::office::due::{self, Asked};
use lidmark::store::Store;
use rusqlite::{Connection, params};

use crate::report::{self, Unit, median, seconds};

const SITES: u32 = 200_000;
const STOPS_EACH: u32 = 5;

/// Prints the lines of the table.
pub fn lines(folder: &Path) {
    let folder = folder.join("due");
    std::fs::create_dir_all(&folder).unwrap();
    let book = folder.join("book.sqlite");
    build(&book);
    let out = folder.join("due.csv");
    for (what, from, to) in [
        ("one month", "2027-03-01", "2027-03-31"),
        ("one year", "2027-01-01", "2027-12-31"),
        ("every site", "2000-01-01", "2099-12-31"),
    ] {
        let (mut ours, mut bare, mut rows) = (Vec::new(), Vec::new(), 0);
        for _ in 0..7 {
            ours.push(seconds(|| {
                black_box(due::run(&call(&book), &asked(from, to, &out)).unwrap());
            }));
            bare.push(seconds(|| rows = floor(&book, from, to)));
        }
        report::line(
            &format!(
                "due over {SITES} sites and {} stops as CSV, {what}, {rows} sites",
                SITES * STOPS_EACH
            ),
            median(&ours),
            Unit::Seconds,
            "the same rows from SQLite, dropped",
            median(&bare),
            None,
        );
    }
}

fn call(book: &Path) -> Call {
    Call {
        book: book.to_owned(),
        json: false,
        units: Some(Units::UsCustomary),
        language: Some(Language::English),
        now: chrono::DateTime::parse_from_rfc3339("2026-11-25T08:00:00-06:00").unwrap(),
    }
}

fn asked(from: &str, to: &str, csv: &Path) -> Asked {
    Asked {
        from: Some(from.to_owned()),
        to: Some(to.to_owned()),
        csv: Some(PathBuf::from(csv)),
        ..Asked::default()
    }
}

/// The same question as one statement on a connection of its own, every column read.
fn floor(book: &Path, from: &str, to: &str) -> usize {
    let db = Connection::open(book).unwrap();
    let mut select = db
        .prepare(
            "SELECT s.id, s.name, s.address, s.town, s.customer, s.phone, s.language, s.lat_e7, s.lon_e7, s.due_on,
               (SELECT max(day) FROM stop p WHERE p.site = s.id AND p.removed = 0 AND p.finished_at IS NOT NULL)
             FROM site s WHERE s.removed = 0 AND s.due_on BETWEEN ?1 AND ?2 ORDER BY s.due_on, s.town, s.name, s.id",
        )
        .unwrap();
    let mut rows = select.query([from, to]).unwrap();
    let mut count = 0;
    while let Some(row) = rows.next().unwrap() {
        for column in 0..11 {
            black_box(row.get_ref(column).unwrap());
        }
        count += 1;
    }
    count
}

fn build(book: &Path) {
    Store::open(book).unwrap().close().unwrap();
    let mut db = Connection::open(book).unwrap();
    let tx = db.transaction().unwrap();
    {
        let mut site = tx
            .prepare(
                "INSERT INTO site (id, name, address, town, customer, phone, language, lat_e7, lon_e7, due_on)
                 VALUES (?1, ?2, ?2, ?3, ?4, ?5, 'en', ?6, ?7, ?8)",
            )
            .unwrap();
        let mut stop = tx
            .prepare(
                "INSERT INTO stop (id, site, day, place, station, started_at, finished_at)
                 VALUES (?1, ?2, ?3, 0, 'leave', ?4, ?4)",
            )
            .unwrap();
        for n in 0..SITES {
            // Scattered ids, as real ones are.
            let mixed = u64::from(n).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            let id = format!("{:08x}-0000-7000-8000-{n:012x}", mixed >> 32);
            site.execute(params![
                id,
                format!("{} Invented Road {}", 1 + n % 900, n / 900),
                format!("Town {}", n % 40),
                format!("Customer {n}"),
                format!("555 {:04}", n % 10_000),
                450_000_000_i64 + i64::from(n % 1_000) * 1_000,
                -940_000_000_i64 - i64::from(n / 1_000) * 1_000,
                format!(
                    "{}-{:02}-{:02}",
                    2026 + mixed % 5,
                    1 + mixed / 7 % 12,
                    1 + mixed / 91 % 28
                ),
            ])
            .unwrap();
            for visit in 0..STOPS_EACH {
                let day = format!("{}-{:02}-{:02}", 2010 + visit * 3, 1 + n % 12, 1 + n % 28);
                stop.execute(params![
                    format!("{:08x}-{visit:04x}-7000-9000-{n:012x}", (mixed >> 16) & 0xFFFF_FFFF),
                    id,
                    day,
                    format!("{day}T10:00:00.000-06:00"),
                ])
                .unwrap();
            }
        }
    }
    tx.commit().unwrap();
}
