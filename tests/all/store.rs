//! The store against real `SQLite` files: all or nothing, undo without end, and no file opened that should not be.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use lidmark::domain::flush::FixtureKind;
use lidmark::domain::leak::Direction;
use lidmark::domain::record::{
    Cell, Compartment, CompartmentId, Condition, ConditionId, DayClose, Disposal, DisposalPlace, FieldChange, Fixture,
    FixtureId, Flush, FlushId, FlushResult, FlushRound, LeakRun, LeakRunId, Lid, LidId, LoadCorrection, Op, PartState,
    Photo, Pin, PinId, Price, Pumping, PumpingId, Reading, ReadingId, Record, RodProbe, RodProbeId, Setup, ShapeKind,
    SignSeen, SignSeenId, Site, SiteId, Station, Stop, StopId, Tank, TankId, TankPart, TapeTie, TapeTieId, Truck,
    TruckTank, Visit, WasteRecord, WorkKind, WorkLine, WorkLineId, YardClue, YardClueId, changes,
};
use lidmark::domain::signs::Sign;
use lidmark::domain::units::{Cents, Length};
use lidmark::store::desk::{Desk, Outcome};
use lidmark::store::{SCHEMA_VERSION, Store, StoreError};
use proptest::prelude::any;
use proptest::test_runner::{Config, TestCaseError, TestRunner};
use rusqlite::Connection;
use uuid::Uuid;

use crate::fixture::{dump, now, strings};

fn op(stop: Option<StopId>, label: &str, undoable: bool, changes: Vec<FieldChange>) -> Op {
    Op {
        id: next_id(),
        stop,
        at: now(),
        label: label.to_owned(),
        undoable,
        changes,
    }
}

/// Ids for tests: counted up, so that a failure can be read.
fn next_id() -> Uuid {
    static NEXT: AtomicUsize = AtomicUsize::new(1_000);
    Uuid::from_u128(NEXT.fetch_add(1, Ordering::Relaxed) as u128)
}

/// A site with one tank, one compartment and one lid, and a stop there.
fn first_visit() -> Visit {
    let site = SiteId(Uuid::from_u128(1));
    let tank = TankId(Uuid::from_u128(2));
    Visit {
        site: Site {
            id: site,
            name: "1 Sample Lane".to_owned(),
            ..Site::default()
        },
        tanks: vec![Tank {
            id: tank,
            site,
            ..Tank::default()
        }],
        compartments: vec![Compartment {
            id: CompartmentId(Uuid::from_u128(3)),
            tank,
            ..Compartment::default()
        }],
        lids: vec![Lid {
            id: LidId(Uuid::from_u128(4)),
            tank,
            name: "inlet".to_owned(),
            ..Lid::default()
        }],
        stop: Stop {
            id: StopId(Uuid::from_u128(5)),
            site,
            day: now().date_naive(),
            ..Stop::default()
        },
        ..Visit::default()
    }
}

/// Everything of a visit as new records.
fn as_new(visit: &Visit) -> Vec<FieldChange> {
    let mut list = changes(&[], std::slice::from_ref(&visit.site));
    list.extend(changes(&[], &visit.tanks));
    list.extend(changes(&[], &visit.compartments));
    list.extend(changes(&[], &visit.lids));
    list.extend(changes(&[], std::slice::from_ref(&visit.stop)));
    list
}

fn store_with_visit(path: &Path) -> (Store, Visit) {
    let mut store = Store::open(path).unwrap();
    let visit = first_visit();
    store
        .keep(&op(Some(visit.stop.id), "first", false, as_new(&visit)))
        .unwrap();
    (store, visit)
}

// --- one action, one transaction -----------------------------------------------------------------

/// Counts the transactions in a write-ahead log: the frames whose header says how large the database is after a commit.
///
/// Layout: sqlite.org/fileformat2.html, section 4.1, "WAL File Format".
fn commits_in_wal(path: &Path) -> usize {
    let wal = std::fs::read(path.with_extension("sqlite-wal")).unwrap();
    let word = |at: usize| u32::from_be_bytes(wal[at..at + 4].try_into().unwrap());
    assert!(matches!(word(0), 0x377f_0682 | 0x377f_0683), "not a write-ahead log");
    let page = word(8) as usize;
    let salt = (word(16), word(20));
    let mut at = 32;
    let mut commits = 0;
    while at + 24 + page <= wal.len() {
        // Frames of an earlier round carry other salts and count no more.
        if (word(at + 8), word(at + 12)) != salt {
            break;
        }
        if word(at + 4) != 0 {
            commits += 1;
        }
        at += 24 + page;
    }
    commits
}

#[test]
fn one_action_is_one_transaction_of_rows_and_one_line_of_the_log() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut store, visit) = store_with_visit(&path);
    for step in 1..=5_u32 {
        let mut after = visit.clone();
        after.lids[0].cover_mm = Some(i64::from(step));
        after.compartments[0].length_mm = Some(Length::from_mm(step));
        after.readings.push(Reading {
            id: ReadingId(Uuid::from_u128(100 + u128::from(step))),
            stop: visit.stop.id,
            compartment: visit.compartments[0].id,
            ..Reading::default()
        });
        let before = (commits_in_wal(&path), store.op_count().unwrap());
        store
            .keep(&op(
                Some(visit.stop.id),
                "three records",
                true,
                visit.changes_to(&after),
            ))
            .unwrap();
        assert_eq!(
            (commits_in_wal(&path), store.op_count().unwrap()),
            (before.0 + 1, before.1 + 1)
        );
    }
    let before = commits_in_wal(&path);
    store.undo(visit.stop.id, next_id(), now()).unwrap().unwrap();
    assert_eq!(commits_in_wal(&path), before + 1, "an undo is one transaction too");
}

#[test]
fn an_action_that_cannot_be_kept_whole_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut store, visit) = store_with_visit(&path);
    let before = dump(&path);
    let mut after = visit.clone();
    after.lids[0].cover_mm = Some(305);
    let mut list = visit.changes_to(&after);
    // The last of the action's rows points to a tank that does not exist: foreign keys are on.
    let astray = Pumping {
        id: PumpingId(Uuid::from_u128(77)),
        stop: visit.stop.id,
        tank: TankId(Uuid::from_u128(999)),
        ..Pumping::default()
    };
    list.extend(changes(&[], &[astray]));
    let error = store.keep(&op(Some(visit.stop.id), "half", true, list)).unwrap_err();
    assert!(matches!(error, StoreError::Sql { .. }), "{error}");
    assert_eq!(dump(&path), before);
}

#[test]
fn the_same_action_twice_is_kept_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut store, visit) = store_with_visit(&path);
    let mut after = visit.clone();
    after.lids[0].cover_mm = Some(305);
    let once = op(Some(visit.stop.id), "cover", true, visit.changes_to(&after));
    store.keep(&once).unwrap();
    let before = dump(&path);
    store.keep(&once).unwrap();
    assert_eq!(dump(&path), before);
}

#[test]
fn the_file_says_whose_it_is_and_writes_ahead() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let store = Store::open(&path).unwrap();
    let db = Connection::open(&path).unwrap();
    assert_eq!(strings(&db, "PRAGMA journal_mode"), ["wal"]);
    let number = |name: &str| db.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(number("application_id").to_be_bytes()[4..], *b"LIDM");
    assert_eq!(number("user_version"), i64::from(SCHEMA_VERSION));
    store.close().unwrap();
}

// --- the schema and the records are twins --------------------------------------------------------

fn columns_are_fields<R: Record>(db: &Connection) {
    let columns = strings(db, &format!("SELECT name FROM pragma_table_info('{}')", R::TABLE));
    let fields = std::iter::once("id").chain(R::FIELDS.iter().copied());
    assert_eq!(
        columns.iter().map(String::as_str).collect::<BTreeSet<_>>(),
        fields.collect::<BTreeSet<_>>(),
        "{}",
        R::TABLE
    );
    assert_eq!(columns.len(), R::FIELDS.len() + 1, "{} names a field twice", R::TABLE);
}

#[test]
fn every_field_of_every_record_has_a_column_and_no_column_is_left_over() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    drop(Store::open(&path).unwrap());
    let db = Connection::open(&path).unwrap();
    columns_are_fields::<Site>(&db);
    columns_are_fields::<Tank>(&db);
    columns_are_fields::<Compartment>(&db);
    columns_are_fields::<Lid>(&db);
    columns_are_fields::<Pin>(&db);
    columns_are_fields::<TapeTie>(&db);
    columns_are_fields::<YardClue>(&db);
    columns_are_fields::<RodProbe>(&db);
    columns_are_fields::<Stop>(&db);
    columns_are_fields::<Reading>(&db);
    columns_are_fields::<Pumping>(&db);
    columns_are_fields::<Photo>(&db);
    columns_are_fields::<Setup>(&db);
    columns_are_fields::<Truck>(&db);
    columns_are_fields::<TruckTank>(&db);
    columns_are_fields::<DisposalPlace>(&db);
    columns_are_fields::<Disposal>(&db);
    columns_are_fields::<LoadCorrection>(&db);
    columns_are_fields::<DayClose>(&db);
    columns_are_fields::<WasteRecord>(&db);
    columns_are_fields::<Fixture>(&db);
    columns_are_fields::<Flush>(&db);
    columns_are_fields::<SignSeen>(&db);
    columns_are_fields::<Condition>(&db);
    columns_are_fields::<LeakRun>(&db);
    columns_are_fields::<WorkLine>(&db);
    columns_are_fields::<Price>(&db);
    let tables = strings(&db, "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name");
    let records = [
        "clue",
        "compartment",
        "condition",
        "day_close",
        "disposal",
        "disposal_place",
        "fixture",
        "flush",
        "leak_run",
        "lid",
        "photo",
        "pin",
        "probe",
        "load_correction",
        "price",
        "pumping",
        "reading",
        "setup",
        "sign",
        "site",
        "stop",
        "tank",
        "tie",
        "truck",
        "truck_tank",
        "waste_record",
        "work_line",
    ];
    let rest = tables
        .iter()
        .map(String::as_str)
        .filter(|name| !records.contains(name))
        .collect::<Vec<_>>();
    // The log, the notes, and what the office keeps of files taken in.
    let others = [
        "blob",
        "change",
        "lost",
        "meta",
        "op",
        "phone_action",
        "phone_key",
        "sent",
        "stamp",
        "taken_in",
    ];
    assert_eq!(rest, others, "a table belongs to no record");
}

// --- undo against a model ------------------------------------------------------------------------

/// One random touch: which kind, which record, which value.
type Touch = (u8, u8, u32);

/// The plain model of a change: the visit as a person sees it afterwards.
#[allow(clippy::too_many_lines, reason = "one arm for each kind of touch")]
fn touched(visit: &Visit, (kind, which, value): Touch) -> Visit {
    let mut after = visit.clone();
    let which = usize::from(which);
    let tank = after.tanks[which % after.tanks.len()].id;
    let compartments = after.compartments.len();
    let compartment = after.compartments[which % compartments].id;
    let length = Length::from_mm(value);
    match kind {
        0 => after.site.name = format!("place {value}"),
        1 => after.site.residents_tenths = (value % 7 != 0).then_some(i64::from(value)),
        2 => after.stop.find_note = format!("\"{value}\" — ñ\n{}", "x".repeat(which)),
        3 => after.stop.station = Station::ALL[which % Station::ALL.len()],
        4 => after.stop.lids_closed = [None, Some(true), Some(false)][which % 3],
        5 => {
            let place = i64::try_from(after.tanks.len()).unwrap();
            after.tanks.push(Tank {
                id: TankId(next_id()),
                site: after.site.id,
                place,
                ..Tank::default()
            });
        }
        6 => after.compartments.push(Compartment {
            id: CompartmentId(next_id()),
            tank,
            shape: ShapeKind::ALL[which % ShapeKind::ALL.len()],
            ..Compartment::default()
        }),
        7 => after.compartments[which % compartments].liquid_depth_mm = Some(length),
        8 => after.compartments[which % compartments].dip_rows = format!("[[{value},1000]]"),
        9 => after.lids.push(Lid {
            id: LidId(next_id()),
            tank,
            ..Lid::default()
        }),
        10 => {
            if let Some(lid) = after.lids.get_mut(which) {
                lid.cover_mm = Some(i64::from(value) - 1_000);
            }
        }
        11 => {
            if let Some(lid) = after.lids.get_mut(which) {
                lid.removed = true;
            }
        }
        12 => after.readings.push(Reading {
            id: ReadingId(next_id()),
            stop: after.stop.id,
            compartment,
            sludge_mm: Some(length),
            ..Reading::default()
        }),
        13 => {
            if let Some(reading) = after.readings.first_mut() {
                reading.scum_mm = Some(length);
                reading.level_mm = Some(-i64::from(value));
            }
        }
        14 => after.pumpings.push(Pumping {
            id: PumpingId(next_id()),
            stop: after.stop.id,
            tank,
            out_ml: Some(i64::from(value)),
            ..Pumping::default()
        }),
        15 => after.pins.push(Pin {
            id: PinId(next_id()),
            site: after.site.id,
            stop: Some(after.stop.id),
            name: format!("post {value}"),
            x_mm: Some(i64::from(value) - 500),
            fixes: format!("[{{\"lat\":{which},\"lon\":0}}]"),
            ..Pin::default()
        }),
        16 => {
            if let (Some(target), Some(origin)) = (after.pins.first(), after.pins.last()) {
                after.ties.push(TapeTie {
                    id: TapeTieId(next_id()),
                    site: after.site.id,
                    target: target.id,
                    origin: origin.id,
                    distance_mm: length,
                    ..TapeTie::default()
                });
            }
        }
        17 => after.clues.push(YardClue {
            id: YardClueId(next_id()),
            site: after.site.id,
            stop: Some(after.stop.id),
            x_mm: i64::from(value),
            radius_mm: Some(length),
            ..YardClue::default()
        }),
        18 => after.probes.push(RodProbe {
            id: RodProbeId(next_id()),
            site: after.site.id,
            stop: Some(after.stop.id),
            depth_mm: length,
            ..RodProbe::default()
        }),
        19 => {
            if let Some(pin) = after.pins.get_mut(which) {
                pin.removed = true;
            }
        }
        20 => {
            let fixture = FixtureId(next_id());
            after.fixtures.push(Fixture {
                id: fixture,
                site: after.site.id,
                place: i64::from(value),
                kind: FixtureKind::ALL[which % FixtureKind::ALL.len()],
                ..Fixture::default()
            });
            after.flushes.push(Flush {
                id: FlushId(next_id()),
                stop: after.stop.id,
                fixture,
                round: FlushRound::ALL[which % 2],
                started_at: (which % 3 == 0).then(now),
                result: Some(FlushResult::ALL[which % 3]),
                after_s: (which % 3 < 2).then_some(i64::from(value)),
                removed: false,
            });
        }
        21 => after.signs.push(SignSeen {
            id: SignSeenId(next_id()),
            stop: after.stop.id,
            kind: Sign::ALL[which % Sign::ALL.len()],
            present: [None, Some(true), Some(false)][which % 3],
            removed: false,
        }),
        22 => after.conditions.push(Condition {
            id: ConditionId(next_id()),
            stop: after.stop.id,
            tank,
            compartment: (which % 2 == 0).then_some(compartment),
            part: TankPart::ALL[which % TankPart::ALL.len()],
            state: Some(PartState::ALL[which % PartState::ALL.len()]),
            ..Condition::default()
        }),
        23 => after.leak_runs.push(LeakRun {
            id: LeakRunId(next_id()),
            stop: after.stop.id,
            tank,
            direction: Direction::ALL[which % 2],
            started_at: now(),
            level_start_mm: -i64::from(value),
            ..LeakRun::default()
        }),
        24 => {
            if let Some(run) = after.leak_runs.last_mut() {
                run.ended_at = Some(now() + chrono::TimeDelta::seconds(i64::from(value)));
                run.level_end_mm = Some(-i64::from(value));
            }
        }
        25 => {
            if let Some(fixture) = after.fixtures.last_mut() {
                fixture.name = format!("tub {value}");
            }
        }
        26 => after.work.push(WorkLine {
            id: WorkLineId(next_id()),
            stop: after.stop.id,
            place: i64::from(value),
            quantity_thousandths: 1_000,
            unit_price: Cents(i64::from(value)),
            kind: (which % 2 == 0).then_some(WorkKind::ALL[which % WorkKind::ALL.len()]),
            ..WorkLine::default()
        }),
        27 => {
            if let Some(line) = after.work.last_mut() {
                line.removed = true;
            }
        }
        // Nothing but taking a compartment away when there is another.
        _ if compartments > 1 => after.compartments[which % compartments].removed = true,
        _ => {}
    }
    after
}

/// What a person sees: without what has been taken away, in an order that does not depend on the file.
fn seen(mut visit: Visit) -> Visit {
    visit.tanks.retain(|record| !record.removed);
    visit.compartments.retain(|record| !record.removed);
    visit.lids.retain(|record| !record.removed);
    visit.readings.retain(|record| !record.removed);
    visit.pumpings.retain(|record| !record.removed);
    visit.pins.retain(|record| !record.removed);
    visit.ties.retain(|record| !record.removed);
    visit.clues.retain(|record| !record.removed);
    visit.probes.retain(|record| !record.removed);
    visit.work.retain(|record| !record.removed);
    visit.fixtures.sort_by_key(|record| record.id);
    visit.flushes.sort_by_key(|record| record.id);
    visit.signs.sort_by_key(|record| record.id);
    visit.conditions.sort_by_key(|record| record.id);
    visit.leak_runs.sort_by_key(|record| record.id);
    visit.work.sort_by_key(|record| record.id);
    visit.pins.sort_by_key(|record| record.id);
    visit.ties.sort_by_key(|record| record.id);
    visit.clues.sort_by_key(|record| record.id);
    visit.probes.sort_by_key(|record| record.id);
    visit.tanks.sort_by_key(|record| record.id);
    visit.compartments.sort_by_key(|record| record.id);
    visit.lids.sort_by_key(|record| record.id);
    visit.readings.sort_by_key(|record| record.id);
    visit.pumpings.sort_by_key(|record| record.id);
    visit
}

fn log_of(path: &Path) -> (Vec<String>, Vec<String>) {
    let mut tables = dump(path);
    (tables.remove("op").unwrap(), tables.remove("change").unwrap())
}

fn check_undo(steps: &[Option<Touch>]) -> Result<(), TestCaseError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut store, first) = store_with_visit(&path);
    let stop = first.stop.id;
    let first = seen(first);
    // The model is a stack of what was seen; undo takes the top away.
    let mut model = vec![first.clone()];
    let mut log = log_of(&path);
    let mut lines = 1;
    let all_back = std::iter::repeat_n(&None, steps.len() + 1);
    for step in steps.iter().chain(all_back) {
        let now_seen = model.last().unwrap().clone();
        if let Some(touch) = step {
            let after = touched(&now_seen, *touch);
            store
                .keep(&op(Some(stop), "touch", true, now_seen.changes_to(&after)))
                .unwrap();
            model.push(seen(after));
            lines += 1;
        } else {
            let undone = store.undo(stop, next_id(), now()).unwrap();
            proptest::prop_assert_eq!(undone.is_some(), model.len() > 1);
            if model.len() > 1 {
                model.pop();
                lines += 1;
            }
        }
        proptest::prop_assert_eq!(&seen(store.visit(stop).unwrap()), model.last().unwrap());
        proptest::prop_assert_eq!(store.undo_label(stop).unwrap().is_some(), model.len() > 1);
        proptest::prop_assert_eq!(store.op_count().unwrap(), lines);
        // The log only ever grows.
        let grown = log_of(&path);
        proptest::prop_assert!(
            grown.0.starts_with(&log.0) && grown.1.starts_with(&log.1),
            "the log was rewritten"
        );
        log = grown;
    }
    proptest::prop_assert_eq!(&seen(store.visit(stop).unwrap()), &first);
    proptest::prop_assert!(store.orphans().unwrap().is_empty());
    store.check().unwrap();
    Ok(())
}

#[test]
fn any_number_of_actions_can_be_taken_back_one_by_one() {
    let touch = (0_u8..29, any::<u8>(), 0_u32..100_000);
    // Three touches to one undo in between; all the rest is taken back at the end.
    let step = proptest::option::weighted(0.75, touch);
    let steps = proptest::collection::vec(step, 1..30);
    let mut runner = TestRunner::new(Config {
        cases: 48,
        failure_persistence: None,
        ..Config::default()
    });
    runner.run(&steps, |steps| check_undo(&steps)).unwrap();
}

#[test]
fn undo_leaves_alone_what_is_not_to_be_undone_and_other_stops() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut store, visit) = store_with_visit(&path);
    let mut dug = visit.clone();
    dug.lids[0].cover_mm = Some(305);
    store
        .keep(&op(Some(visit.stop.id), "cover", true, visit.changes_to(&dug)))
        .unwrap();
    let mut moved = dug.clone();
    moved.stop.station = Station::Read;
    store
        .keep(&op(Some(visit.stop.id), "station", false, dug.changes_to(&moved)))
        .unwrap();
    let other = Stop {
        id: StopId(Uuid::from_u128(6)),
        ..visit.stop.clone()
    };
    let note = Stop {
        found_note: "other".to_owned(),
        ..other.clone()
    };
    store
        .keep(&op(
            Some(other.id),
            "planned",
            false,
            changes(&[], std::slice::from_ref(&other)),
        ))
        .unwrap();
    store
        .keep(&op(
            Some(other.id),
            "note",
            true,
            changes(std::slice::from_ref(&other), &[note]),
        ))
        .unwrap();

    assert_eq!(
        store.undo(visit.stop.id, next_id(), now()).unwrap().as_deref(),
        Some("cover")
    );
    let back = store.visit(visit.stop.id).unwrap();
    assert_eq!((back.lids[0].cover_mm, back.stop.station), (None, Station::Read));
    assert_eq!(store.undo(visit.stop.id, next_id(), now()).unwrap(), None);
    assert_eq!(store.visit(other.id).unwrap().stop.found_note, "other");
}

// --- files that are not to be opened -------------------------------------------------------------

/// What a folder holds, byte for byte, but for the shared memory, which belongs to whoever looks.
fn bytes_in(folder: &Path) -> Vec<(std::ffi::OsString, Vec<u8>)> {
    let mut files = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .filter(|entry| !entry.file_name().to_string_lossy().ends_with("-shm"))
        .map(|entry| (entry.file_name(), std::fs::read(entry.path()).unwrap()))
        // An empty log is the same as none.
        .filter(|(_, bytes)| !bytes.is_empty())
        .collect::<Vec<_>>();
    files.sort();
    files
}

fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}

#[test]
fn a_newer_book_is_refused_and_not_a_byte_of_it_changes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, _) = store_with_visit(&path);
    store.close().unwrap();
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    drop(db);
    let before = bytes_in(folder.path());
    let error = Store::open(&path).unwrap_err();
    assert!(
        matches!(error, StoreError::TooNew { found, known } if found == SCHEMA_VERSION + 1 && known == SCHEMA_VERSION),
        "{error}"
    );
    assert_eq!(bytes_in(folder.path()), before);
}

#[test]
fn a_newer_book_that_was_cut_off_keeps_its_unfinished_log_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, _) = store_with_visit(&path);
    store.close().unwrap();
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    db.execute("INSERT INTO meta VALUES ('newer', 'program')", []).unwrap();
    // As a kill leaves it: the log is still beside the file.
    let killed = folder.path().join("killed");
    let source = folder.path().join("source");
    std::fs::create_dir(&source).unwrap();
    for name in ["book.sqlite", "book.sqlite-wal"] {
        std::fs::copy(folder.path().join(name), source.join(name)).unwrap();
    }
    drop(db);
    copy_folder(&source, &killed);
    let before = bytes_in(&killed);
    assert_eq!(before.len(), 2, "the log is part of what is to be kept");
    let error = Store::open(&killed.join("book.sqlite")).unwrap_err();
    assert!(matches!(error, StoreError::TooNew { .. }), "{error}");
    assert_eq!(bytes_in(&killed), before);
}

#[test]
fn another_programs_database_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.sqlite");
    let db = Connection::open(&path).unwrap();
    db.execute_batch("CREATE TABLE notes (text); INSERT INTO notes VALUES ('milk')")
        .unwrap();
    drop(db);
    let before = bytes_in(folder.path());
    let error = Store::open(&path).unwrap_err();
    assert!(matches!(error, StoreError::NotOurs { .. }), "{error}");
    assert_eq!(bytes_in(folder.path()), before);
    // An empty file becomes a book when it is opened, not when somebody looks.
    let path = folder.path().join("empty.sqlite");
    std::fs::write(&path, "").unwrap();
    let error = Store::look(&path).unwrap_err();
    assert!(matches!(error, StoreError::Empty { .. }), "{error}");
    assert!(std::fs::read(&path).unwrap().is_empty());
    Store::open(&path).unwrap().close().unwrap();
    drop(Store::look(&path).unwrap());
    // One that has no tables yet but carries a number of its own is theirs as well.
    let path = folder.path().join("numbered.sqlite");
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "user_version", 1).unwrap();
    drop(db);
    let error = Store::open(&path).unwrap_err();
    assert!(matches!(error, StoreError::NotOurs { .. }), "{error}");
}

#[test]
fn what_is_no_database_is_named_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in [
        (
            "text",
            b"These are the notes of a Tuesday, and no database at all.\n".repeat(40),
        ),
        ("noise", {
            let mut dice = crate::fixture::Dice::new(7);
            (0..9_000).map(|_| dice.roll().to_le_bytes()[0]).collect()
        }),
        ("zeros", vec![0; 4_096]),
        ("short", b"SQLite".to_vec()),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, &bytes).unwrap();
        let error = Store::open(&path).unwrap_err();
        assert!(
            matches!(error, StoreError::NotOurs { .. } | StoreError::Damaged { .. }),
            "{name}: {error}"
        );
        assert_eq!(std::fs::read(&path).unwrap(), bytes, "{name}");
    }
}

#[test]
fn an_empty_file_becomes_a_new_book() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    std::fs::write(&path, b"").unwrap();
    let store = Store::open(&path).unwrap();
    assert_eq!(store.op_count().unwrap(), 0);
    store.check().unwrap();
}

#[test]
fn a_book_cut_short_is_refused_wherever_it_was_cut() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.sqlite");
    let (store, _) = store_with_visit(&whole);
    store.close().unwrap();
    let bytes = std::fs::read(&whole).unwrap();
    let cuts = [
        1,
        15,
        16,
        99,
        100,
        511,
        512,
        4_095,
        4_096,
        8_192,
        bytes.len() / 2,
        bytes.len() - 4_096,
        bytes.len() - 1,
    ];
    for cut in cuts {
        let path = folder.path().join("cut.sqlite");
        std::fs::write(&path, &bytes[..cut]).unwrap();
        let Err(error) = Store::open(&path) else {
            panic!("cut at {cut} of {}, it opens", bytes.len())
        };
        assert!(
            matches!(error, StoreError::Damaged { .. } | StoreError::NotOurs { .. }),
            "cut at {cut} of {}: {error:?}",
            bytes.len()
        );
        assert_eq!(std::fs::read(&path).unwrap(), &bytes[..cut], "cut at {cut}");
    }
}

#[test]
fn a_folder_that_is_not_there_or_is_a_file_is_named() {
    let folder = tempfile::tempdir().unwrap();
    for path in [folder.path().join("nowhere/book.sqlite"), folder.path().to_owned()] {
        let error = Store::open(&path).unwrap_err();
        assert!(
            matches!(&error, StoreError::Open { path: named, .. } if *named == path),
            "{error}"
        );
        assert!(error.to_string().contains(path.to_str().unwrap()), "{error}");
    }
}

/// Set in the child that looks at a folder it may not write to.
const READ_ONLY_BOOK: &str = "LIDMARK_TEST_READ_ONLY_BOOK";

#[test]
#[cfg(unix)]
fn a_folder_that_may_not_be_written_to_is_named() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    if let Some(path) = std::env::var_os(READ_ONLY_BOOK) {
        // Here in the child: an old book can at best be refused, and so can a new one.
        for path in [
            Path::new(&path).to_owned(),
            Path::new(&path).with_file_name("new.sqlite"),
        ] {
            let error = Store::open(&path).unwrap_err();
            let named = matches!(error, StoreError::ReadOnly { .. } | StoreError::Open { .. });
            assert!(named, "{error:?}");
        }
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, _) = store_with_visit(&path);
    store.close().unwrap();
    let before = bytes_in(folder.path());
    let mode = |path: &Path, mode| std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
    mode(&path, 0o444);
    mode(folder.path(), 0o555);
    let mut child = std::process::Command::new(std::env::current_exe().unwrap());
    child.args([
        "--exact",
        "store::a_folder_that_may_not_be_written_to_is_named",
        "--nocapture",
    ]);
    child.env(READ_ONLY_BOOK, &path);
    if folder.path().metadata().unwrap().uid() == 0 {
        // Nothing is read-only for root: look as nobody.
        child.uid(65_534);
    }
    let output = child.output().unwrap();
    mode(folder.path(), 0o755);
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains("1 passed"), "{said}");
    assert_eq!(bytes_in(folder.path()), before);
}

// --- after an unclean end ------------------------------------------------------------------------

/// Copies a book as it lies there while it is open, which is what a kill leaves.
fn as_killed(path: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for name in ["book.sqlite", "book.sqlite-wal"] {
        std::fs::copy(path.with_file_name(name), to.join(name)).unwrap();
    }
}

#[test]
fn a_killed_book_opens_with_all_that_was_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, visit) = store_with_visit(&path);
    let killed = folder.path().join("killed");
    as_killed(&path, &killed);
    let again = Store::open(&killed.join("book.sqlite")).unwrap();
    assert_eq!(seen(again.visit(visit.stop.id).unwrap()), seen(visit));
    again.check().unwrap();
    drop(store);
}

/// Overwrites the inside of one page of a table with noise, past the program.
fn damage(path: &Path) {
    let db = Connection::open(path).unwrap();
    let page: i64 = db
        .query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'change'", [], |row| {
            row.get(0)
        })
        .unwrap();
    let size: i64 = db.pragma_query_value(None, "page_size", |row| row.get(0)).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(db);
    let mut bytes = std::fs::read(path).unwrap();
    let at = usize::try_from((page - 1) * size).unwrap();
    let mut dice = crate::fixture::Dice::new(11);
    for byte in &mut bytes[at..at + usize::try_from(size).unwrap()] {
        *byte = dice.roll().to_le_bytes()[0];
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn a_page_damaged_by_an_unclean_end_is_found_before_anything_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, _) = store_with_visit(&path);
    let killed = folder.path().join("killed");
    as_killed(&path, &killed);
    drop(store);
    let path = killed.join("book.sqlite");
    damage(&path);
    let before = std::fs::read(&path).unwrap();
    let error = Store::open(&path).unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap(), before, "nothing is mended by itself");
}

#[test]
fn damage_met_in_use_is_called_damage() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, visit) = store_with_visit(&path);
    store.close().unwrap();
    damage(&path);
    // Closed in order, so it is not searched on opening; the first use of the page says so.
    let mut store = Store::open(&path).unwrap();
    assert!(matches!(store.check().unwrap_err(), StoreError::Damaged { .. }));
    let mut after = visit.clone();
    after.lids[0].cover_mm = Some(305);
    let error = store
        .keep(&op(Some(visit.stop.id), "cover", true, visit.changes_to(&after)))
        .unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
}

#[test]
fn a_copy_of_the_book_holds_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, _) = store_with_visit(&path);
    let copy = folder.path().join("copy.sqlite");
    store.backup(&copy).unwrap();
    assert_eq!(dump(&copy), dump(&path));
}

// --- the desk ------------------------------------------------------------------------------------

fn wait_for(what: &str, mut done: impl FnMut() -> bool) {
    let started = Instant::now();
    while !done() {
        assert!(started.elapsed() < Duration::from_mins(1), "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn the_desk_keeps_the_order_and_reports_each_action() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, visit) = store_with_visit(&path);
    let woken = Arc::new(AtomicUsize::new(0));
    let count = woken.clone();
    let desk = Desk::new(store, move || {
        count.fetch_add(1, Ordering::SeqCst);
    });
    let mut now_seen = visit.clone();
    for n in 0..200_i64 {
        let mut after = now_seen.clone();
        after.lids[0].cover_mm = Some(n);
        desk.keep(op(
            Some(visit.stop.id),
            &format!("cover {n}"),
            true,
            now_seen.changes_to(&after),
        ))
        .unwrap();
        now_seen = after;
    }
    // A question is answered after everything handed over before it.
    let stop = visit.stop.id;
    let cover = desk.ask(move |store| Ok(store.visit(stop)?.lids[0].cover_mm)).unwrap();
    assert_eq!(cover, Some(199));
    wait_for("the last wake", || woken.load(Ordering::SeqCst) >= 200);
    assert_eq!(
        desk.outcomes()
            .filter(|outcome| matches!(outcome, Outcome::Kept))
            .count(),
        200
    );
    drop(desk);
    let db = Connection::open(&path).unwrap();
    let labels = strings(&db, "SELECT label FROM op WHERE label LIKE 'cover %' ORDER BY seq");
    assert_eq!(labels, (0..200).map(|n| format!("cover {n}")).collect::<Vec<_>>());
}

#[test]
fn what_another_program_keeps_waiting_is_kept_later_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, visit) = store_with_visit(&path);
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let desk = Desk::new(store, || {});
    let cover = |mm: i64| {
        vec![FieldChange {
            table: "lid",
            id: visit.lids[0].id.0,
            field: "cover_mm",
            value: Cell::Int(mm),
        }]
    };
    desk.keep(op(Some(visit.stop.id), "cover 1", true, cover(1))).unwrap();
    let mut said = Vec::new();
    wait_for("the desk to give up", || {
        said.extend(desk.outcomes());
        !said.is_empty()
    });
    assert!(
        matches!(said[..], [Outcome::Waiting(StoreError::Busy { .. })]),
        "{said:?}"
    );
    other.execute_batch("ROLLBACK").unwrap();
    // The next touch is all it takes; the one that waited goes first.
    desk.keep(op(Some(visit.stop.id), "cover 2", true, cover(2))).unwrap();
    let stop = visit.stop.id;
    assert_eq!(
        desk.ask(move |store| Ok(store.visit(stop)?.lids[0].cover_mm)).unwrap(),
        Some(2)
    );
    assert_eq!(
        desk.outcomes()
            .filter(|outcome| matches!(outcome, Outcome::Kept))
            .count(),
        2
    );
    let labels = strings(&other, "SELECT label FROM op WHERE label LIKE 'cover %' ORDER BY seq");
    assert_eq!(labels, ["cover 1", "cover 2"]);
}

#[test]
fn closing_the_desk_keeps_what_was_handed_over_and_closes_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (store, visit) = store_with_visit(&path);
    let desk = Desk::new(store, || {});
    for mm in 0..20 {
        let change = FieldChange {
            table: "lid",
            id: visit.lids[0].id.0,
            field: "cover_mm",
            value: Cell::Int(mm),
        };
        desk.keep(op(Some(visit.stop.id), "cover", true, vec![change])).unwrap();
    }
    drop(desk);
    let tables = dump(&path);
    assert!(
        tables["meta"]
            .iter()
            .any(|row| row.contains("open") && row.contains("\"0\"")),
        "{:?}",
        tables["meta"]
    );
    assert!(tables["lid"][0].contains("Integer(19)"), "{:?}", tables["lid"]);
}

/// Oracle: SQLite's own `NOCASE` and byte order (sqlite.org/datatype3.html, 7.1).
#[test]
fn the_book_lists_its_sites_in_the_order_sqlite_would() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let names = [
        "mill House",
        "Mill house",
        "mill",
        "MILL",
        "Mill",
        "Ñandú",
        "ñandú",
        "_yard",
        "[yard",
        "",
        "Zoe",
        "zoe's",
        "a\u{1F600}",
        "12",
        "9",
        "mill house 2",
    ];
    let mut store = Store::open(&path).unwrap();
    for (n, name) in (0_u128..).zip(names.iter().cycle().take(3 * names.len())) {
        let site = Site {
            id: SiteId(Uuid::from_u128(0x9000 + (n * 7919) % 97)),
            name: (*name).to_owned(),
            address: format!("{} Lane", n % 2),
            customer: format!("Customer {n}"),
            due_on: (n % 3 == 0).then(|| now().date_naive()),
            ..Site::default()
        };
        store
            .keep(&op(None, "new", false, changes(&[], std::slice::from_ref(&site))))
            .unwrap();
    }
    let listed = store.book().unwrap();
    assert_eq!(listed.len(), 3 * names.len());
    let db = Connection::open(&path).unwrap();
    let mut select = db
        .prepare("SELECT id, name, address, customer, due_on FROM site ORDER BY name COLLATE NOCASE, address, id")
        .unwrap();
    let expected = select
        .query_map([], |row| {
            let text = |column: usize| row.get::<_, String>(column);
            Ok((text(0)?, text(1)?, text(2)?, text(3)?, row.get::<_, Option<String>>(4)?))
        })
        .unwrap()
        .map(Result::unwrap)
        .collect::<Vec<_>>();
    let found = listed
        .iter()
        .map(|row| {
            let due = row.due_on.map(|day| day.to_string());
            let customer = row.customer.trim_end().to_owned();
            (
                row.id.0.to_string(),
                row.name.to_owned(),
                row.address.to_owned(),
                customer,
                due,
            )
        })
        .collect::<Vec<_>>();
    assert_eq!(found, expected);
}
