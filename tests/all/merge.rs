//! Merging: what two phones changed comes together field by field, in any order, with nothing lost.
//!
//! The oracle is a plain set of everything told, in memory, with the rules of docs/decisions/0004 written out anew.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use chrono::{DateTime, Duration, FixedOffset, NaiveDate};
use lidmark::domain::pack::{CellRef, Pack, Stamp};
use lidmark::domain::record::{
    Cell, FieldChange, KINDS, Op, Pumping, PumpingId, Reading, ReadingId, Record, Setup, SetupId, Site, SiteId,
    Stamped, Stop, StopId, Tank, TankId, changes,
};
use lidmark::store::{ActionRow, DayFile, Merged, SequenceNote, Store, StoreError, TakenIn};
use proptest::prelude::*;
use uuid::Uuid;

use crate::fixture::{dump, now};

pub fn phone(n: u128) -> Uuid {
    Uuid::from_u128(0xF000 + n)
}

/// A moment so many minutes before the import.
fn ago(minutes: i64) -> DateTime<FixedOffset> {
    now() - Duration::minutes(minutes)
}

/// Every field of a record under one stamp.
pub fn whole<R: Record>(record: &R, at: DateTime<FixedOffset>, by: Uuid, op: u128) -> Vec<Stamped> {
    changes(&[], std::slice::from_ref(record))
        .into_iter()
        .map(|change| Stamped {
            table: change.table,
            id: change.id,
            field: change.field,
            value: change.value,
            at,
            by,
            op: Uuid::from_u128(op),
        })
        .collect()
}

/// The record with one field told anew.
pub fn with(
    mut list: Vec<Stamped>,
    field: &str,
    value: Cell,
    at: DateTime<FixedOffset>,
    by: Uuid,
    op: u128,
) -> Vec<Stamped> {
    let told = list.iter_mut().find(|told| told.field == field).unwrap();
    (told.value, told.at, told.by, told.op) = (value, at, by, Uuid::from_u128(op));
    list
}

fn text(text: &str) -> Cell {
    Cell::Text(text.to_owned())
}

pub fn site(n: u128) -> Site {
    Site {
        id: SiteId(Uuid::from_u128(n)),
        name: format!("{n} Sample Lane"),
        ..Site::default()
    }
}

pub fn stop(n: u128, site: u128) -> Stop {
    Stop {
        id: StopId(Uuid::from_u128(n)),
        site: SiteId(Uuid::from_u128(site)),
        day: now().date_naive(),
        ..Stop::default()
    }
}

/// A file of a phone; its hash is made of its number.
fn file(by: Uuid, sequence: u64) -> DayFile {
    DayFile {
        hash: format!("{:032x}{sequence:032x}", by.as_u128()),
        phone: by,
        truck: "T1".to_owned(),
        day: now().date_naive(),
        sequence,
        follows: (sequence > 1).then(|| format!("{:032x}{:032x}", by.as_u128(), sequence - 1)),
        partial: false,
        made_at: ago(1_000 - i64::try_from(sequence).unwrap()),
        signed_by: None,
    }
}

fn take(store: &mut Store, file: &DayFile, told: &[Stamped]) -> Result<TakenIn, StoreError> {
    store.take_in(file, now(), |merger| {
        for stamped in told {
            merger.field(stamped.clone())?;
        }
        Ok(())
    })
}

fn merged(store: &mut Store, file: &DayFile, told: &[Stamped]) -> Merged {
    match take(store, file, told).unwrap() {
        TakenIn::Merged(merged) => merged,
        TakenIn::Already => panic!("already there"),
    }
}

fn open(folder: &Path, name: &str) -> Store {
    Store::open(&folder.join(name)).unwrap()
}

/// Everything merging writes, read past the program.
fn contents(path: &Path) -> BTreeMap<String, Vec<String>> {
    let mut tables = dump(path);
    tables.remove("meta");
    tables
}

// --- against the model ---------------------------------------------------------------------------

/// What a value is ordered by in the model: sound, when, phone, action, then the value itself.
type Rank = (bool, i64, Uuid, Uuid, ValueRank);
type ValueRank = (u8, i64, String);

fn value_rank(cell: &Cell) -> ValueRank {
    match cell {
        Cell::Null => (0, 0, String::new()),
        Cell::Int(whole) => (1, *whole, String::new()),
        Cell::Text(text) => (2, 0, text.clone()),
    }
}

#[derive(Default)]
struct Model(BTreeMap<(&'static str, Uuid, &'static str), BTreeSet<Rank>>);

impl Model {
    fn tell(&mut self, told: &Stamped) {
        let start = DateTime::parse_from_rfc3339("2020-01-01T00:00:00Z").unwrap();
        let sound = told.at >= start && told.at <= now() + Duration::days(1);
        self.0.entry((told.table, told.id, told.field)).or_default().insert((
            sound,
            told.at.timestamp_millis(),
            told.by,
            told.op,
            value_rank(&told.value),
        ));
    }

    fn stands(key: &(&str, Uuid, &str), all: &BTreeSet<Rank>) -> Rank {
        if (key.0, key.2) == ("stop", "removed") {
            let mut last: BTreeMap<Uuid, &Rank> = BTreeMap::new();
            for rank in all {
                last.insert(rank.2, rank);
            }
            if let Some(standing) = last.values().filter(|rank| rank.4.1 == 0).max() {
                return (*standing).clone();
            }
            return (*last.values().max().unwrap()).clone();
        }
        all.last().unwrap().clone()
    }
}

/// The value in the book, read past the program.
fn value_in(db: &rusqlite::Connection, table: &str, id: Uuid, field: &str) -> ValueRank {
    let value: rusqlite::types::Value = db
        .query_row(
            &format!("SELECT {field} FROM {table} WHERE id = ?1"),
            [id.to_string()],
            |row| row.get(0),
        )
        .unwrap();
    match value {
        rusqlite::types::Value::Null => (0, 0, String::new()),
        rusqlite::types::Value::Integer(whole) => (1, whole, String::new()),
        rusqlite::types::Value::Text(text) => (2, 0, text),
        other => panic!("{other:?}"),
    }
}

fn lost_in(db: &rusqlite::Connection, table: &str, id: Uuid, field: &str) -> BTreeSet<Rank> {
    let mut select = db
        .prepare("SELECT sound, at_ms, by, op, value FROM lost WHERE record = ?1 AND id = ?2 AND field = ?3")
        .unwrap();
    let rows = select
        .query_map([table, &id.to_string(), field], |row| {
            let value: String = row.get(4)?;
            let value = match serde_json::from_str(&value).unwrap() {
                serde_json::Value::Null => (0, 0, String::new()),
                serde_json::Value::Number(whole) => (1, whole.as_i64().unwrap(), String::new()),
                serde_json::Value::String(text) => (2, 0, text),
                other => panic!("{other}"),
            };
            let uuid = |i| row.get::<_, String>(i).map(|text| Uuid::parse_str(&text).unwrap());
            Ok((row.get(0)?, row.get(1)?, uuid(2)?, uuid(3)?, value))
        })
        .unwrap();
    rows.map(Result::unwrap).collect()
}

/// One thing a phone says: a record of a small world, or some fields of a site.
fn saying() -> impl Strategy<Value = Vec<Stamped>> {
    let moment = prop_oneof![
        6 => (0..5_i64).prop_map(|step| ago(100 - step)),
        // A clock set back to its maker's date, and one years ahead.
        1 => Just(DateTime::parse_from_rfc3339("1980-01-06T00:00:00Z").unwrap()),
        1 => Just(now() + Duration::days(800)),
    ];
    let stamp = (moment, 1..4_u128, 1..5_u128).prop_map(|(at, by, op)| (at, phone(by), by * 100 + op));
    let value = 0..3_i64;
    (
        0..6_usize,
        1..3_u128,
        stamp.clone(),
        stamp,
        value,
        any::<bool>(),
        any::<prop::sample::Index>(),
    )
        .prop_map(|(kind, n, (at, by, op), (at2, by2, op2), value, removed, pick)| {
            let note = ["", "gate 4", "dog"][usize::try_from(value).unwrap()];
            match kind {
                0 => with(whole(&site(n), at, by, op), "note", text(note), at2, by2, op2),
                1 => {
                    // Some fields only, as an older program would write them.
                    let list = whole(&site(n), at, by, op);
                    let from = pick.index(list.len());
                    list[from..].to_vec()
                }
                2 => {
                    let tank = Tank {
                        id: TankId(Uuid::from_u128(20 + n)),
                        site: SiteId(Uuid::from_u128(n)),
                        ..Tank::default()
                    };
                    with(whole(&tank, at, by, op), "place", Cell::Int(value), at2, by2, op2)
                }
                _ => {
                    let list = with(
                        whole(&stop(10 + n, n), at, by, op),
                        "found_note",
                        text(note),
                        at2,
                        by2,
                        op2,
                    );
                    with(list, "removed", Cell::Int(i64::from(removed)), at2, by2, op2)
                }
            }
        })
}

/// The sites every file carries, so that it can be understood alone.
fn ground() -> Vec<Stamped> {
    [site(1), site(2)]
        .iter()
        .flat_map(|site| whole(site, ago(5_000), phone(9), 1))
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn files_in_any_order_give_the_book_of_the_model(
        files in prop::collection::vec(prop::collection::vec(saying(), 0..5), 1..6),
        order in any::<u64>(),
    ) {
        let files = files.into_iter().map(|says| {
            let mut told = ground();
            told.extend(says.into_iter().flatten());
            told
        }).collect::<Vec<_>>();
        let mut model = Model::default();
        for told in files.iter().flatten() {
            model.tell(told);
        }
        let folder = tempfile::tempdir().unwrap();
        let mut shuffled = (0..files.len()).collect::<Vec<_>>();
        let mut dice = crate::fixture::Dice::new(order);
        for i in (1..shuffled.len()).rev() {
            shuffled.swap(i, dice.below(i + 1));
        }
        let straight = (0..files.len()).collect::<Vec<_>>();
        let mut books = Vec::new();
        for (name, order) in [("straight", straight), ("shuffled", shuffled)] {
            let path = folder.path().join(name);
            let mut store = Store::open(&path).unwrap();
            for i in order {
                let ledger = file(phone(1), i as u64 + 1);
                take(&mut store, &ledger, &files[i]).unwrap();
                prop_assert_eq!(take(&mut store, &ledger, &files[i]).unwrap(), TakenIn::Already);
                // The same things under another name: nothing but the ledger grows.
                let before = contents(&path);
                take(&mut store, &file(phone(2), i as u64 + 1), &files[i]).unwrap();
                let mut after = contents(&path);
                after.insert("taken_in".to_owned(), before["taken_in"].clone());
                prop_assert_eq!(after, before);
            }
            prop_assert_eq!(store.loose_ends().unwrap(), Vec::<String>::new());
            let conflicts = format!("{:?}", store.conflicts().unwrap());
            store.close().unwrap();
            books.push((contents(&path), conflicts));
        }
        prop_assert_eq!(&books[0], &books[1]);
        let db = rusqlite::Connection::open(folder.path().join("straight")).unwrap();
        for (key, all) in &model.0 {
            let stands = Model::stands(key, all);
            prop_assert_eq!(value_in(&db, key.0, key.1, key.2), stands.4.clone(), "{:?} of {:?}", key, all);
            let mut lost = all.clone();
            lost.remove(&stands);
            prop_assert_eq!(lost_in(&db, key.0, key.1, key.2), lost, "{:?}", key);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// However what three phones said is put into files, the book is the same: merging is associative.
    #[test]
    fn how_it_is_put_into_files_does_not_change_the_book(
        says in prop::collection::vec(prop::collection::vec(saying(), 0..4), 3),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let mut books = Vec::new();
        for (name, files) in [
            ("one by one", vec![vec![0], vec![1], vec![2]]),
            ("the first two together", vec![vec![0, 1], vec![2]]),
            ("the last two together", vec![vec![0], vec![1, 2]]),
            ("all together", vec![vec![0, 1, 2]]),
        ] {
            let path = folder.path().join(name);
            let mut store = Store::open(&path).unwrap();
            for (number, parts) in files.into_iter().enumerate() {
                let mut told = ground();
                told.extend(parts.into_iter().flat_map(|part| says[part].iter().flatten().cloned()));
                take(&mut store, &file(phone(1), number as u64 + 1), &told).unwrap();
            }
            let conflicts = format!("{:?}", store.conflicts().unwrap());
            store.close().unwrap();
            let mut held = contents(&path);
            // Which files came is noted there, and nothing else may differ.
            held.remove("taken_in");
            books.push((held, conflicts));
        }
        for book in &books[1..] {
            prop_assert_eq!(book, &books[0]);
        }
    }
}

// --- told one by one -----------------------------------------------------------------------------

#[test]
fn two_phones_that_changed_one_site_keep_both_what_each_changed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let base = whole(&site(1), ago(900), phone(9), 1);
    let first = with(base.clone(), "note", text("gate code 4711"), ago(60), phone(1), 101);
    let first = with(first, "phone", text("555-0100"), ago(60), phone(1), 101);
    let second = with(base, "note", text("dog in the yard"), ago(30), phone(2), 201);
    let second = with(second, "residents_tenths", Cell::Int(40), ago(30), phone(2), 201);
    merged(&mut store, &file(phone(1), 1), &first);
    let done = merged(&mut store, &file(phone(2), 1), &second);
    assert_eq!((done.changed["site"], done.lost, done.new.len()), (1, 3, 0), "{done:?}");
    let found = store.site(SiteId(Uuid::from_u128(1))).unwrap();
    assert_eq!(
        (found.note.as_str(), found.phone.as_str(), found.residents_tenths),
        ("dog in the yard", "555-0100", Some(40))
    );
    let conflicts = store.conflicts().unwrap();
    let note = conflicts
        .iter()
        .find(|conflict| conflict.field == "note" && conflict.lost.by == phone(1))
        .unwrap();
    assert_eq!(note.lost.value, text("gate code 4711"));
    assert_eq!(note.lost.at, Some(ago(60)));
    assert_eq!(
        (note.stands.by, &note.stands.value),
        (phone(2), &text("dog in the yard"))
    );
    assert_eq!(note.site.as_ref().unwrap().1, "1 Sample Lane");
}

#[test]
fn what_a_phone_replaced_itself_is_kept_and_is_no_conflict() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let monday = with(
        whole(&site(1), ago(900), phone(1), 1),
        "note",
        text("gate 1"),
        ago(60),
        phone(1),
        2,
    );
    let tuesday = with(monday.clone(), "note", text("gate 2"), ago(30), phone(1), 3);
    merged(&mut store, &file(phone(1), 1), &monday);
    assert_eq!(merged(&mut store, &file(phone(1), 2), &tuesday).lost, 1);
    assert_eq!(store.conflicts().unwrap(), []);
    assert_eq!(store.site(SiteId(Uuid::from_u128(1))).unwrap().note, "gate 2");
}

#[test]
fn a_stop_is_gone_only_when_every_phone_that_knows_it_says_so() {
    let gone = |by, minutes, op| {
        let mut told = whole(&site(1), ago(900), phone(9), 1);
        told.extend(with(
            whole(&stop(5, 1), ago(800), phone(by), op),
            "removed",
            Cell::Int(1),
            ago(minutes),
            phone(by),
            op + 1,
        ));
        told
    };
    let here = |by, op| {
        let mut told = whole(&site(1), ago(900), phone(9), 1);
        told.extend(whole(&stop(5, 1), ago(800), phone(by), op));
        told
    };
    let says = [
        (file(phone(1), 1), gone(1, 10, 100)),
        (file(phone(2), 1), here(2, 200)),
        (file(phone(2), 2), gone(2, 50, 200)),
    ];
    // After each file, in each of these orders: is the stop there?
    for (order, there) in [
        ([0, 1, 2], [false, true, false]),
        ([1, 0, 2], [true, true, false]),
        ([2, 0, 1], [false, false, false]),
        ([0, 2, 1], [false, false, false]),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let mut store = open(folder.path(), "book.sqlite");
        for (i, there) in order.into_iter().zip(there) {
            merged(&mut store, &says[i].0, &says[i].1);
            assert_eq!(
                store.day(now().date_naive()).unwrap().len() == 1,
                there,
                "{order:?}, file {i}"
            );
        }
    }
}

#[test]
fn two_stops_at_one_site_on_one_day_stay_two() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    for by in 1..3 {
        let mut told = whole(&site(1), ago(900), phone(9), 1);
        told.extend(whole(&stop(10 + by, 1), ago(60), phone(by), by * 100));
        merged(&mut store, &file(phone(by), 1), &told);
    }
    assert_eq!(store.day(now().date_naive()).unwrap().len(), 2);
}

#[test]
fn a_clock_years_off_is_kept_listed_and_never_wins_over_a_sound_one() {
    for wrong in ["2041-03-01T08:00:00-05:00", "1999-12-31T23:59:00-05:00"] {
        let wrong = DateTime::parse_from_rfc3339(wrong).unwrap();
        let base = whole(&site(1), ago(900), phone(9), 1);
        let off = with(base.clone(), "note", text("by the wrong clock"), wrong, phone(1), 101);
        let right = with(base, "note", text("by the right clock"), ago(700), phone(2), 201);
        for off_first in [true, false] {
            let folder = tempfile::tempdir().unwrap();
            let mut store = open(folder.path(), "book.sqlite");
            let both = [(file(phone(1), 1), &off), (file(phone(2), 1), &right)];
            let order = if off_first { [0, 1] } else { [1, 0] };
            let mut doubtful = 0;
            for i in order {
                let done = merged(&mut store, &both[i].0, both[i].1);
                doubtful += done.doubtful;
                if i == 0 {
                    assert_eq!(done.doubtful_between, Some((wrong, wrong)));
                }
            }
            assert_eq!(doubtful, 1);
            assert_eq!(
                store.site(SiteId(Uuid::from_u128(1))).unwrap().note,
                "by the right clock"
            );
            let conflicts = store.conflicts().unwrap();
            let lost = &conflicts
                .iter()
                .find(|conflict| conflict.lost.by == phone(1))
                .unwrap()
                .lost;
            assert_eq!(
                (&lost.value, lost.at, lost.is_sound),
                (&text("by the wrong clock"), Some(wrong), false)
            );
            // Years later its time looks right; what was decided stays decided.
            let later = wrong.max(now()) + Duration::days(30);
            let again = DayFile {
                sequence: 2,
                hash: "b".repeat(64),
                ..file(phone(1), 2)
            };
            store
                .take_in(&again, later, |merger| -> Result<(), StoreError> {
                    off.iter().try_for_each(|told| merger.field(told.clone()))
                })
                .unwrap();
            assert_eq!(
                store.site(SiteId(Uuid::from_u128(1))).unwrap().note,
                "by the right clock"
            );
        }
    }
}

#[test]
fn what_the_office_changed_itself_is_a_side_like_any_other() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let base = whole(&site(1), ago(900), phone(1), 1);
    merged(&mut store, &file(phone(1), 1), &base);
    let change = FieldChange {
        table: "site",
        id: Uuid::from_u128(1),
        field: "note",
        value: text("by the office"),
    };
    let op = Op {
        id: Uuid::from_u128(7),
        stop: None,
        at: ago(50),
        label: "note".to_owned(),
        undoable: false,
        changes: vec![change],
    };
    store.keep(&op).unwrap();
    // Older than the office's: it does not stand. Newer: it does, and the office's is kept.
    let older = with(base.clone(), "note", text("older"), ago(60), phone(1), 2);
    assert_eq!(merged(&mut store, &file(phone(1), 2), &older).lost, 1);
    assert_eq!(store.site(SiteId(Uuid::from_u128(1))).unwrap().note, "by the office");
    let newer = with(base, "note", text("newer"), ago(40), phone(1), 3);
    merged(&mut store, &file(phone(1), 3), &newer);
    assert_eq!(store.site(SiteId(Uuid::from_u128(1))).unwrap().note, "newer");
    let conflicts = store.conflicts().unwrap();
    assert_eq!(conflicts.len(), 1, "{conflicts:?}");
    assert_eq!(
        (conflicts[0].lost.by, &conflicts[0].lost.value),
        (Uuid::nil(), &text("by the office"))
    );
}

/// The office's own change of a note, at a time.
fn edit(n: u128, note: &str, at: DateTime<FixedOffset>) -> Op {
    Op {
        id: Uuid::from_u128(n),
        stop: None,
        at,
        label: "note".to_owned(),
        undoable: false,
        changes: vec![FieldChange {
            table: "site",
            id: Uuid::from_u128(1),
            field: "note",
            value: text(note),
        }],
    }
}

#[test]
fn what_the_office_changes_after_an_import_is_set_aside_as_if_the_file_came_after_the_change() {
    let base = whole(&site(1), ago(900), phone(1), 1);
    let first = with(base.clone(), "note", text("gate on the left"), ago(90), phone(1), 2);
    let second = with(base.clone(), "note", text("gate on the right"), ago(60), phone(2), 3);
    let mut seen = BTreeSet::new();
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        let folder = tempfile::tempdir().unwrap();
        let mut store = open(folder.path(), "book.sqlite");
        merged(&mut store, &file(phone(1), 1), &base);
        for step in order {
            match step {
                0 => drop(merged(&mut store, &file(phone(1), 2), &first)),
                1 => drop(merged(&mut store, &file(phone(2), 1), &second)),
                _ => store.keep(&edit(7, "by the office", ago(50))).unwrap(),
            }
        }
        // The same files again, as part of later ones: nothing more is set aside.
        assert_eq!(merged(&mut store, &file(phone(1), 3), &first).lost, 0, "{order:?}");
        assert_eq!(merged(&mut store, &file(phone(2), 2), &second).lost, 0, "{order:?}");
        assert_eq!(store.site(SiteId(Uuid::from_u128(1))).unwrap().note, "by the office");
        let conflicts = store.conflicts().unwrap();
        let said = conflicts
            .iter()
            .map(|c| (c.lost.by, c.lost.value.clone()))
            .collect::<Vec<_>>();
        assert_eq!(said.len(), 2, "{order:?}: {said:?}");
        assert!(
            said.contains(&(phone(1), text("gate on the left"))),
            "{order:?}: {said:?}"
        );
        assert!(
            said.contains(&(phone(2), text("gate on the right"))),
            "{order:?}: {said:?}"
        );
        store.close().unwrap();
        let db = rusqlite::Connection::open(folder.path().join("book.sqlite")).unwrap();
        seen.insert(lost_in(&db, "site", Uuid::from_u128(1), "note"));
    }
    assert_eq!(seen.len(), 1, "every order keeps the same values: {seen:?}");
}

#[test]
fn what_the_office_changes_stands_over_what_it_has_seen_though_the_phones_clock_is_ahead() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let base = whole(&site(1), ago(900), phone(1), 1);
    // Three hours ahead of the office: it may be, a day is the most.
    let ahead = with(base, "note", text("from the phone"), ago(-180), phone(1), 2);
    merged(&mut store, &file(phone(1), 1), &ahead);
    store.keep(&edit(7, "by the office", ago(0))).unwrap();
    assert_eq!(merged(&mut store, &file(phone(1), 2), &ahead).lost, 0);
    assert_eq!(store.site(SiteId(Uuid::from_u128(1))).unwrap().note, "by the office");
    let conflicts = store.conflicts().unwrap();
    assert_eq!(conflicts.len(), 1, "{conflicts:?}");
    assert_eq!(conflicts[0].lost.value, text("from the phone"));
    // What the phone says after that is later again.
    let later = with(
        whole(&site(1), ago(900), phone(1), 1),
        "note",
        text("the phone once more"),
        ago(-181),
        phone(1),
        3,
    );
    merged(&mut store, &file(phone(1), 3), &later);
    assert_eq!(
        store.site(SiteId(Uuid::from_u128(1))).unwrap().note,
        "the phone once more"
    );
}

#[test]
fn records_may_come_before_what_they_belong_to() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let tank = Tank {
        id: TankId(Uuid::from_u128(3)),
        site: SiteId(Uuid::from_u128(1)),
        ..Tank::default()
    };
    let pumping = Pumping {
        id: PumpingId(Uuid::from_u128(4)),
        stop: stop(5, 1).id,
        tank: tank.id,
        out_ml: Some(3_785_000),
        ..Pumping::default()
    };
    let mut told = whole(&pumping, ago(9), phone(1), 1);
    told.extend(whole(&stop(5, 1), ago(9), phone(1), 1));
    told.extend(whole(&tank, ago(9), phone(1), 1));
    told.extend(whole(&site(1), ago(9), phone(1), 1));
    merged(&mut store, &file(phone(1), 1), &told);
    assert_eq!(store.visit(stop(5, 1).id).unwrap().pumpings, [pumping]);
}

#[test]
fn a_file_that_names_what_is_nowhere_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    merged(&mut store, &file(phone(1), 1), &whole(&site(1), ago(9), phone(1), 1));
    let before = contents(store.path());
    let mut told = whole(&site(2), ago(9), phone(1), 2);
    told.extend(whole(&stop(5, 77), ago(9), phone(1), 2));
    let error = take(&mut store, &file(phone(1), 2), &told).unwrap_err();
    assert!(
        matches!(&error, StoreError::Dangling { record, parent } if record == "stop" && parent == "site"),
        "{error}"
    );
    assert_eq!(contents(store.path()), before);
    // What belongs together may come in two files, as long as what is named comes first or with it.
    merged(&mut store, &file(phone(1), 3), &whole(&site(77), ago(9), phone(1), 2));
    merged(&mut store, &file(phone(1), 2), &told);
}

#[test]
fn a_value_no_record_can_hold_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    merged(&mut store, &file(phone(1), 1), &whole(&site(1), ago(9), phone(1), 1));
    let before = contents(store.path());
    let reading = Reading {
        id: ReadingId(Uuid::from_u128(8)),
        stop: stop(5, 1).id,
        ..Reading::default()
    };
    for (record, field, value) in [
        (whole(&site(1), ago(8), phone(1), 2), "note", Cell::Int(4)),
        (whole(&site(1), ago(8), phone(1), 2), "due_on", text("soon")),
        (whole(&site(3), ago(8), phone(1), 2), "name", Cell::Null),
        (whole(&stop(5, 1), ago(8), phone(1), 2), "station", text("lunch")),
        (whole(&stop(5, 1), ago(8), phone(1), 2), "site", text("not an id")),
        (whole(&reading, ago(8), phone(1), 2), "scum_mm", Cell::Int(-4)),
    ] {
        let mut told = whole(&site(2), ago(8), phone(1), 2);
        told.extend(with(record, field, value, ago(8), phone(1), 2));
        let error = take(&mut store, &file(phone(1), 2), &told).unwrap_err();
        assert!(
            matches!(&error, StoreError::Unfit { field: named, .. } if *named == field),
            "{field}: {error}"
        );
        assert_eq!(contents(store.path()), before, "{field}");
    }
    // A record without what makes it one.
    let mut told = whole(&stop(5, 1), ago(8), phone(1), 2);
    told.retain(|told| told.field != "day");
    let error = take(&mut store, &file(phone(1), 2), &told).unwrap_err();
    assert!(
        matches!(
            &error,
            StoreError::Unfit {
                record: "stop",
                field: "day",
                ..
            }
        ),
        "{error}"
    );
    assert_eq!(contents(store.path()), before);
}

#[test]
fn how_a_phone_is_set_up_never_becomes_how_the_office_is() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let mut setup = Setup {
        id: SetupId::OWN,
        technician: "Rosa".to_owned(),
        ..Setup::default()
    };
    let done = merged(&mut store, &file(phone(1), 1), &whole(&setup, ago(9), phone(1), 1));
    assert_eq!(done, Merged::default());
    // Under the phone's name, as its files carry it, it is a record like any other.
    setup.id = SetupId(phone(1));
    merged(&mut store, &file(phone(1), 2), &whole(&setup, ago(9), phone(1), 1));
    assert_eq!(store.counts().unwrap()["setup"], 1);
    assert_eq!(store.setup().unwrap(), None);
}

#[test]
fn the_log_of_the_phones_is_kept_once_whatever_the_order() {
    let stop = stop(5, 1).id;
    let changes =
        |label: &str| format!(r#"[{{"table":"stop","id":"{stop}","field":"found_note","old":"","new":"{label}"}}]"#);
    let mut books = Vec::new();
    for order in [["one", "two"], ["two", "one"]] {
        let folder = tempfile::tempdir().unwrap();
        let mut store = open(folder.path(), "book.sqlite");
        for (i, label) in order.into_iter().enumerate() {
            for again in 0..2 {
                store
                    .take_in(&file(phone(again), i as u64), now(), |merger| {
                        merger.action(
                            phone(1),
                            ActionRow {
                                id: Uuid::from_u128(70),
                                stop: Some(stop.0),
                                at: ago(9),
                                label,
                                undoes: None,
                                changes: &changes(label),
                            },
                        )
                    })
                    .unwrap();
            }
        }
        let rows = contents(store.path())["phone_action"].clone();
        assert_eq!(rows.len(), 1);
        assert!(
            rows[0].contains("found_note") && rows[0].contains("\\\"old\\\":\\\"\\\""),
            "{rows:?}"
        );
        books.push(rows);
    }
    assert_eq!(books[0], books[1]);
}

/// The way a whole record goes in one go is a shorter one to the same place.
#[test]
fn records_that_come_whole_make_the_book_they_make_field_by_field() {
    let far_off = now() + Duration::days(400);
    let mut dirty = site(3);
    dirty.note = "two\nlines, \u{1F69A}".to_owned();
    let told = |op: u128, at: DateTime<FixedOffset>| {
        vec![
            whole(&site(1), at, phone(1), op),
            whole(
                &Site {
                    town: format!("Town {op}"),
                    ..site(2)
                },
                at,
                phone(1),
                op,
            ),
            whole(&dirty, far_off, phone(1), op),
            whole(&stop(5, 1), at, phone(1), op),
            whole(
                &Setup {
                    id: SetupId::OWN,
                    ..Setup::default()
                },
                at,
                phone(1),
                op,
            ),
            // A record of an older form lacks fields.
            whole(&site(9), at, phone(1), op)
                .into_iter()
                .filter(|told| told.field != "note")
                .collect(),
        ]
    };
    let files = [told(1, ago(9)), told(2, ago(7)), told(3, ago(8))];
    let folder = tempfile::tempdir().unwrap();
    let (mut one_by_one, mut at_once) = (open(folder.path(), "one.sqlite"), open(folder.path(), "all.sqlite"));
    for (number, records) in (1..).zip(&files) {
        let file = file(phone(1), number);
        let fields = merged(&mut one_by_one, &file, &records.concat());
        let done = at_once.take_in(&file, now(), |merger| -> Result<(), StoreError> {
            for record in records {
                let kind = KINDS.iter().find(|kind| kind.table == record[0].table).unwrap();
                let mut pack = Pack::of(kind);
                let list = record.iter().map(|told| {
                    let place = kind.fields.iter().position(|field| *field == told.field).unwrap();
                    let stamp = Stamp {
                        at: told.at,
                        by: told.by,
                        op: told.op,
                    };
                    (u8::try_from(place).unwrap(), CellRef::from(&told.value), stamp)
                });
                pack.push(record[0].id, 0, &list.collect::<Vec<_>>());
                pack.records().try_for_each(|packed| merger.record(&packed))?;
            }
            Ok(())
        });
        assert_eq!(done.unwrap(), TakenIn::Merged(fields), "file {number}");
        assert_eq!(contents(at_once.path()), contents(one_by_one.path()), "file {number}");
    }
    assert!(at_once.counts().unwrap()["site"] == 4 && at_once.doubtful_files().unwrap().len() == 3);
}

// --- the files of a phone ------------------------------------------------------------------------

#[test]
fn a_phone_put_back_to_an_older_state_is_noticed() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    let told = whole(&site(1), ago(9), phone(1), 1);
    for n in [1, 2, 3] {
        let file = file(phone(1), n);
        assert_eq!(store.sequence_notes(&file).unwrap(), []);
        merged(&mut store, &file, &told);
        assert_eq!(
            store.sequence_notes(&file).unwrap(),
            [],
            "the file itself is no other file"
        );
    }
    let day = NaiveDate::from_ymd_opt(2026, 6, 18).unwrap();
    let restored = DayFile {
        hash: "c".repeat(64),
        day,
        made_at: ago(5),
        ..file(phone(1), 2)
    };
    assert_eq!(
        store.sequence_notes(&restored).unwrap(),
        [
            SequenceNote::Reused {
                day: now().date_naive()
            },
            SequenceNote::WentBack { higher: 3 }
        ]
    );
    // A late file is no such thing; a gap is said; neither is another phone's number.
    merged(&mut store, &file(phone(1), 7), &told);
    assert_eq!(
        store.sequence_notes(&file(phone(1), 6)).unwrap(),
        [SequenceNote::Missing { first: 4, last: 5 }]
    );
    assert_eq!(store.sequence_notes(&file(phone(1), 8)).unwrap(), []);
    assert_eq!(store.sequence_notes(&file(phone(2), 2)).unwrap(), []);
    let strange = DayFile {
        follows: Some("d".repeat(64)),
        ..file(phone(1), 8)
    };
    assert_eq!(store.sequence_notes(&strange).unwrap(), [SequenceNote::OtherBranch]);
}

#[test]
fn looking_at_a_book_changes_no_byte_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = open(folder.path(), "book.sqlite");
    merged(&mut store, &file(phone(1), 1), &whole(&site(1), ago(9), phone(1), 1));
    let path = store.path().to_owned();
    store.close().unwrap();
    let before = std::fs::read(&path).unwrap();
    let mut looking = Store::look(&path).unwrap();
    assert_eq!(looking.counts().unwrap()["site"], 1);
    assert_eq!(looking.conflicts().unwrap(), []);
    assert!(looking.trust("key", "name", now()).is_err(), "nothing can be written");
    drop(looking);
    assert_eq!(std::fs::read(&path).unwrap(), before);
    assert_eq!(
        std::fs::read_dir(folder.path()).unwrap().count(),
        1,
        "nothing is left beside it"
    );
    let error = Store::look(&folder.path().join("nowhere.sqlite")).unwrap_err();
    assert!(matches!(error, StoreError::Open { .. }), "{error}");
}
