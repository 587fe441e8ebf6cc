//! The day file: made from a book, read back, opened with other people's tools, and refused when anything is wrong with it.

mod app;
mod book;
mod faults;
mod memory;
mod outside;

use std::io::{Cursor, Read};

use lidmark::domain::record::{Cell, KINDS, Kind, Logged, Record, Setup, Site, Stamped};
use lidmark::exchange::dayfile::read::{DayFile, Trust, open};
use lidmark::exchange::dayfile::seal::{OfficeSecret, seal};
use lidmark::exchange::dayfile::sign::{SecretKey, TrustedPhone};
use lidmark::exchange::dayfile::write::{Blob, Order, write};
use lidmark::exchange::dayfile::{DayFileError, Digest, Manifest};
use lidmark::store::Store;
use lidmark::store::carry::{Carry, Place};
use uuid::Uuid;

use book::{Book, PHONE, at, day};

/// The key of these tests.
pub fn key() -> SecretKey {
    SecretKey::from_seed([42; 32])
}

/// Makes the file of a day in memory, with these photos.
pub fn made(store: &Store, carry: &Carry, photos: &[(Blob, Vec<u8>)]) -> (Manifest, Vec<u8>) {
    let place = Place {
        sequence: 7,
        follows: Some(Digest::of(b"the file before").to_string()),
    };
    let key = key();
    let blobs = photos.iter().map(|(blob, _)| blob.clone()).collect::<Vec<_>>();
    let order = Order {
        phone: PHONE,
        truck: "Truck 2",
        day: day(17),
        partial: true,
        place: &place,
        created_at: at(17, 18),
        carry,
        key: Some(&key),
        blobs: &blobs,
    };
    let opened = |wanted: &Blob| -> std::io::Result<Box<dyn Read>> {
        let (_, bytes) = photos.iter().find(|(blob, _)| blob == wanted).unwrap();
        Ok(Box::new(Cursor::new(bytes.clone())))
    };
    let (manifest, out) = write(store, &order, &opened, Cursor::new(Vec::new())).unwrap();
    (manifest, out.into_inner())
}

pub fn read_back(bytes: &[u8]) -> Result<DayFile<Cursor<&[u8]>>, DayFileError> {
    open(Cursor::new(bytes), &[], Trust::Anyone)
}

pub fn stamped<R: Read + std::io::Seek>(file: &DayFile<R>) -> Vec<Stamped> {
    file.stamped().collect::<Result<_, _>>().unwrap()
}

fn text(cell: &Cell) -> &str {
    match cell {
        Cell::Text(text) => text,
        other => panic!("{other:?} is no text"),
    }
}

#[test]
fn what_a_book_holds_of_a_day_comes_out_of_its_file() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let (manifest, bytes) = made(&book.store, &carry, &[]);
    let file = read_back(&bytes).unwrap();
    assert_eq!(*file.manifest(), manifest);
    assert_eq!((manifest.sequence, manifest.partial), (7, true));
    assert_eq!(manifest.follows, Some(Digest::of(b"the file before")));
    assert_eq!(file.signer(), Some(key().public()));
    assert_eq!(file.sha256(), Digest::of(&bytes));

    // Every carried record of every kind, field by field, against the rows and the log of the book read past the program.
    let db = rusqlite::Connection::open(&book.path).unwrap();
    let all = stamped(&file);
    let mut expected = 0;
    for kind in KINDS {
        expected += carry.count(kind.table) * kind.fields.len();
    }
    assert_eq!(all.len(), expected);
    for field in &all {
        let id = if field.table == Setup::TABLE {
            assert_eq!(field.id, PHONE, "a set-up travels under its phone's name");
            Uuid::from_u128(1)
        } else {
            field.id
        };
        let sql = format!("SELECT {} FROM {} WHERE id = ?1", field.field, field.table);
        let row: rusqlite::types::Value = db.query_row(&sql, [id.to_string()], |row| row.get(0)).unwrap();
        let cell = match row {
            rusqlite::types::Value::Null => Cell::Null,
            rusqlite::types::Value::Integer(whole) => Cell::Int(whole),
            rusqlite::types::Value::Text(text) => Cell::Text(text),
            other => panic!("{other:?}"),
        };
        assert_eq!(field.value, cell, "{field:?}");
        let (moment, op): (String, String) = db
            .query_row(
                "SELECT at, op.id FROM op JOIN change ON change.op = op.seq
                 WHERE record = ?1 AND change.id = ?2 AND field = ?3 ORDER BY seq DESC LIMIT 1",
                [field.table, &id.to_string(), field.field],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .unwrap();
        assert_eq!(field.at.to_rfc3339_opts(chrono::SecondsFormat::Millis, false), moment);
        assert_eq!((field.op.to_string(), field.by), (op, PHONE));
    }

    // The log: the day's actions and no others, in their order.
    let log = file.log().collect::<Result<Vec<Logged>, _>>().unwrap();
    let mut select = db
        .prepare("SELECT id FROM op WHERE at LIKE '2026-06-17%' ORDER BY seq")
        .unwrap();
    let ids = select
        .query_map([], |row| row.get::<_, String>(0))
        .unwrap()
        .map(Result::unwrap)
        .collect::<Vec<_>>();
    assert_eq!(log.iter().map(|l| l.op.id.to_string()).collect::<Vec<_>>(), ids);
    assert!(log.iter().any(|l| l.undoes.is_some()), "an undone action is in it");
    assert!(log.iter().all(|l| l.op.changes.len() == l.before.len()));
}

#[test]
fn records_come_before_those_that_refer_to_them() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[]);
    let db = rusqlite::Connection::open(&book.path).unwrap();
    let mut seen = std::collections::HashSet::new();
    for field in stamped(&read_back(&bytes).unwrap()) {
        let to: Option<String> = db
            .query_row(
                "SELECT \"table\" FROM pragma_foreign_key_list(?1) WHERE \"from\" = ?2",
                [field.table, field.field],
                |row| row.get(0),
            )
            .ok();
        if let (Some(to), Cell::Text(id)) = (to, &field.value) {
            assert!(
                seen.contains(&(to.clone(), id.clone())),
                "{} before its {to}",
                field.table
            );
        }
        seen.insert((field.table.to_owned(), field.id.to_string()));
    }
}

/// A kind of record somebody adds must be listed, or it would never leave the phone.
#[test]
fn every_table_of_records_is_a_kind() {
    let book = Book::of_two_days();
    let db = rusqlite::Connection::open(&book.path).unwrap();
    let mut tables = crate::fixture::strings(
        &db,
        "SELECT m.name FROM sqlite_schema m JOIN pragma_table_info(m.name) c ON c.name = 'removed' WHERE m.type = 'table'",
    );
    tables.sort();
    let mut kinds = KINDS.iter().map(|kind| kind.table.to_owned()).collect::<Vec<_>>();
    kinds.sort();
    assert_eq!(kinds, tables, "list the kind in KINDS, after the kinds it refers to");
    // And each stands after what it refers to.
    for (place, kind) in KINDS.iter().enumerate() {
        let mut select = db.prepare("SELECT \"table\" FROM pragma_foreign_key_list(?1)").unwrap();
        for to in select.query_map([kind.table], |row| row.get::<_, String>(0)).unwrap() {
            let to = to.unwrap();
            let known = KINDS[..=place].iter().any(|earlier| earlier.table == to);
            assert!(known, "{} refers to {to}, which stands after it", kind.table);
        }
    }
}

#[test]
fn a_file_carries_the_day_its_sites_and_what_was_changed_that_day_and_nothing_else() {
    let book = Book::of_two_days();
    let names = |carry: &Carry| {
        let (_, bytes) = made(&book.store, carry, &[]);
        let mut names = stamped(&read_back(&bytes).unwrap())
            .iter()
            .filter(|field| field.table == Site::TABLE && field.field == "name")
            .map(|field| text(&field.value).to_owned())
            .collect::<Vec<_>>();
        names.sort();
        names
    };
    // Day 17 has stops at A and B, and on it the note of C was changed, where there was no stop that day.
    let carry = book.store.carry(day(17), false).unwrap();
    assert_eq!(names(&carry), ["A", "B", "C, visited on the 16th only"]);
    // The stop of the 16th at A is not of this day, though its site is.
    assert_eq!(carry.ids("stop").collect::<Vec<_>>(), book.stops_of(17));
    assert_eq!(carry.count("reading"), 2, "those of the day's stops");
    assert_eq!(carry.count("lid"), carry.count("tank") * 2, "whole sites");
    // Day 16: A and C.
    let carry = book.store.carry(day(16), false).unwrap();
    assert_eq!(names(&carry), ["A", "C, visited on the 16th only"]);
    // A day without work is a file all the same.
    let carry = book.store.carry(day(1), false).unwrap();
    assert_eq!(names(&carry), Vec::<String>::new());
}

#[test]
fn what_no_file_has_carried_goes_with_the_next() {
    let mut book = Book::of_two_days();
    let carry = book.store.carry(day(17), true).unwrap();
    assert_eq!(
        carry.count("site"),
        4,
        "all: D has never been visited, and no file has carried it"
    );
    let place = book.store.begin_file(day(17), at(17, 18), false).unwrap();
    assert_eq!((place.sequence, place.follows), (1, None));
    book.store
        .file_made(place.sequence, carry.upto(), &"ab".repeat(32), 10, "x.lidmark")
        .unwrap();
    // The next evening nothing is left but what has been changed since.
    let carry = book.store.carry(day(18), true).unwrap();
    assert_eq!(carry.count("site"), 0);
    book.rename("D", "D at the crossing", at(17, 22));
    let carry = book.store.carry(day(18), true).unwrap();
    assert_eq!(carry.count("site"), 1, "changed on the 17th after its file was made");
    // A file that was begun and never finished has carried nothing, and its number is spent.
    let place = book.store.begin_file(day(18), at(18, 18), false).unwrap();
    assert_eq!(place.sequence, 2);
    assert_eq!(place.follows, Some("ab".repeat(32)));
    assert_eq!(book.store.carry(day(18), true).unwrap().count("site"), 1);
    // A past day made again carries its own and does not count as having carried the rest.
    let past = book.store.carry(day(16), false).unwrap();
    assert_eq!(past.upto(), None);
    let place = book.store.begin_file(day(16), at(18, 19), false).unwrap();
    assert_eq!(place.sequence, 3);
    book.store
        .file_made(place.sequence, past.upto(), &"cd".repeat(32), 10, "y.lidmark")
        .unwrap();
    assert_eq!(book.store.carry(day(18), true).unwrap().count("site"), 1);
    let made = book.store.files_made().unwrap();
    assert_eq!(made.iter().map(|f| f.sequence).collect::<Vec<_>>(), [3, 1]);
    assert_eq!(made[0].day, day(16));
}

#[test]
fn a_phone_has_one_name_for_ever() {
    let book = Book::of_two_days();
    let first = book.store.phone(Uuid::from_u128(77)).unwrap();
    assert_eq!(book.store.phone(Uuid::from_u128(78)).unwrap(), first);
    assert_eq!(first, Uuid::from_u128(77));
}

#[test]
fn a_second_reader_sees_one_moment_while_the_owner_writes_on() {
    let mut book = Book::of_two_days();
    let reader = Store::open_to_read(&book.path).unwrap();
    let before = reader.op_count().unwrap();
    book.rename("D", "D, changed while it is being read", at(17, 23));
    assert_eq!(reader.op_count().unwrap(), before);
    assert_eq!(book.store.op_count().unwrap(), before + 1);
}

#[test]
fn a_sealed_file_opens_with_its_key_only() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let photos = [book::photo(1, 200_000)];
    let (_, bytes) = made(&book.store, &carry, &photos);
    let office = OfficeSecret::generate();
    let mut sealing = seal(&office.public(), Vec::new()).unwrap();
    std::io::Write::write_all(&mut sealing, &bytes).unwrap();
    let sealed = sealing.finish().unwrap();
    assert!(sealed.starts_with(b"age-encryption.org/v1\n"));

    let other = OfficeSecret::generate();
    let opened = |keys: &[OfficeSecret]| open(Cursor::new(&sealed[..]), keys, Trust::Anyone).map(|_| ());
    assert_eq!(opened(&[]).unwrap_err().code(), "sealed");
    assert_eq!(opened(std::slice::from_ref(&other)).unwrap_err().code(), "wrong-key");
    let file = open(Cursor::new(&sealed[..]), &[other, office], Trust::Anyone).unwrap();
    assert!(file.is_sealed());
    assert_eq!(file.sha256(), Digest::of(&bytes), "the same file, sealed or not");
    assert_eq!(stamped(&file), stamped(&read_back(&bytes).unwrap()));
    let mut photo = Vec::new();
    file.open_part(&photos[0].0.part_name())
        .unwrap()
        .read_to_end(&mut photo)
        .unwrap();
    assert_eq!(photo, photos[0].1);
}

#[test]
fn only_phones_the_office_trusts_are_read() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[]);
    let with = |phones: &[TrustedPhone]| {
        open(Cursor::new(&bytes[..]), &[], Trust::Only(phones))
            .map(|file| file.signer())
            .map_err(|error| error.code())
    };
    let trusted = |phone, key: &SecretKey| TrustedPhone {
        phone,
        key: key.public(),
    };
    let stranger = SecretKey::from_seed([1; 32]);
    assert_eq!(with(&[]), Err("unknown-phone"));
    assert_eq!(with(&[trusted(PHONE, &stranger)]), Err("unknown-phone"));
    assert_eq!(with(&[trusted(Uuid::from_u128(5), &key())]), Err("other-phone"));
    let both = [trusted(Uuid::from_u128(5), &stranger), trusted(PHONE, &key())];
    assert_eq!(with(&both), Ok(Some(key().public())));
}

/// Values no editor of ours makes, but the store can hold: the file must carry any of them unchanged.
#[test]
fn any_text_survives() {
    let mut book = Book::of_two_days();
    let odd = "=1+2\",\r\n;\u{feff}\u{0}\u{1F6BD} ñ \u{202e}<script>&amp;\\u0041 \t' '";
    book.rename("B", odd, at(17, 12));
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[]);
    let file = read_back(&bytes).unwrap();
    assert!(
        stamped(&file)
            .iter()
            .any(|field| field.value == Cell::Text(odd.to_owned()))
    );
    let mut table = String::new();
    file.open_part("tables/site.csv")
        .unwrap()
        .read_to_string(&mut table)
        .unwrap();
    assert!(table.contains(&odd.replace('"', "\"\"")), "{table}");
}

#[test]
fn a_photo_that_is_not_what_it_was_stops_the_file() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let (blob, bytes) = book::photo(1, 50_000);
    for wrong in [&bytes[..bytes.len() - 1], &[bytes.as_slice(), b"x"].concat(), b""] {
        let place = Place {
            sequence: 1,
            follows: None,
        };
        let order = Order {
            phone: PHONE,
            truck: "",
            day: day(17),
            partial: false,
            place: &place,
            created_at: at(17, 18),
            carry: &carry,
            key: None,
            blobs: std::slice::from_ref(&blob),
        };
        let opened = |_: &Blob| -> std::io::Result<Box<dyn Read>> { Ok(Box::new(Cursor::new(wrong.to_vec()))) };
        let error = write(&book.store, &order, &opened, Cursor::new(Vec::new())).unwrap_err();
        assert!(error.to_string().contains("has been changed"), "{error}");
    }
}

#[test]
fn a_kind_knows_its_fields_and_what_fits_them() {
    let site = Kind::named("site").unwrap();
    assert_eq!(site.field("due_on"), Some("due_on"));
    assert_eq!(site.field("due_on; DROP TABLE site"), None);
    assert!((site.fits)("due_on", &Cell::Null) && (site.fits)("due_on", &Cell::Text("2026-06-17".to_owned())));
    assert!(!(site.fits)("due_on", &Cell::Text("soon".to_owned())) && !(site.fits)("name", &Cell::Int(1)));
    assert!(!(site.fits)("no_such_field", &Cell::Null));
    assert!(Kind::named("sqlite_schema").is_none());
}
