//! The store against a plain model in memory, under any run of actions: keep, take back, take in from a phone, kill,
//! close and open again.
//!
//! The model is a map from record and field to value, and a list of what was done; its rules are those of
//! docs/decisions, written out anew. Merging alone, in any order, has a model of its own in `merge`.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{DateTime, Duration, FixedOffset};
use lidmark::domain::record::{
    Cell, Compartment, CompartmentId, FieldChange, Op, Reading, ReadingId, Site, SiteId, Stamped, Stop, StopId, Tank,
    TankId, changes,
};
use lidmark::domain::units::Length;
use lidmark::store::{DayFile, Store, StoreError};
use proptest::prelude::*;
use rusqlite::Connection;
use uuid::Uuid;

use crate::fixture::now;

const STOPS: [StopId; 2] = [StopId(Uuid::from_u128(5)), StopId(Uuid::from_u128(6))];
const PHONE: Uuid = Uuid::from_u128(0xF001);

#[derive(Clone, Debug)]
enum Step {
    /// The site's note, by an action of one of the stops.
    Note {
        stop: usize,
        text: String,
        undoable: bool,
    },
    /// A reading that may be new.
    Reading {
        stop: usize,
        which: u128,
        sludge_mm: u32,
    },
    /// A reading taken away.
    Remove {
        stop: usize,
        which: u128,
    },
    /// The same action handed over a second time.
    Again,
    Undo {
        stop: usize,
    },
    /// A phone's file says what the site's note and name are.
    TakeIn {
        note: String,
        name: String,
    },
    /// The same file again.
    TakeInAgain,
    Reopen,
    /// The app dies: the book is opened as the files stand.
    Kill,
}

fn step() -> impl Strategy<Value = Step> {
    let stop = 0..2_usize;
    prop_oneof![
        3 => (stop.clone(), "[a-zñ \"'%]{0,12}", prop::bool::weighted(0.8))
            .prop_map(|(stop, text, undoable)| Step::Note { stop, text, undoable }),
        4 => (stop.clone(), 0..4_u128, 0..900_u32)
            .prop_map(|(stop, which, sludge_mm)| Step::Reading { stop, which, sludge_mm }),
        1 => (stop.clone(), 0..4_u128).prop_map(|(stop, which)| Step::Remove { stop, which }),
        1 => Just(Step::Again),
        4 => stop.prop_map(|stop| Step::Undo { stop }),
        1 => ("[a-z]{0,6}", "[a-z]{1,6}").prop_map(|(note, name)| Step::TakeIn { note, name }),
        1 => Just(Step::TakeInAgain),
        1 => Just(Step::Reopen),
        1 => Just(Step::Kill),
    ]
}

type Row = BTreeMap<&'static str, Cell>;

struct Done {
    stop: StopId,
    label: String,
    undoable: bool,
    undone: bool,
    /// What each field was before; nothing for a record that was not there.
    was: Vec<(&'static str, Uuid, &'static str, Option<Cell>)>,
}

#[derive(Default)]
struct Model {
    rows: BTreeMap<(&'static str, Uuid), Row>,
    done: Vec<Done>,
    /// Lines of the log, those that took something back among them.
    lines: i64,
}

impl Model {
    fn set(&mut self, list: &[FieldChange]) -> Vec<(&'static str, Uuid, &'static str, Option<Cell>)> {
        let before = list
            .iter()
            .map(|change| self.rows.contains_key(&(change.table, change.id)))
            .collect::<Vec<_>>();
        list.iter()
            .zip(before)
            .map(|(change, was_there)| {
                let row = self.rows.entry((change.table, change.id)).or_default();
                let old = row.insert(change.field, change.value.clone());
                (
                    change.table,
                    change.id,
                    change.field,
                    if was_there { old } else { None },
                )
            })
            .collect()
    }

    fn keep(&mut self, stop: StopId, label: &str, undoable: bool, list: &[FieldChange]) {
        let was = self.set(list);
        self.lines += 1;
        self.done.push(Done {
            stop,
            label: label.to_owned(),
            undoable,
            undone: false,
            was,
        });
    }

    fn next_undo(&self, stop: StopId) -> Option<usize> {
        self.done
            .iter()
            .rposition(|done| done.stop == stop && done.undoable && !done.undone)
    }

    fn undo(&mut self, stop: StopId) -> Option<String> {
        let place = self.next_undo(stop)?;
        self.done[place].undone = true;
        self.lines += 1;
        let label = self.done[place].label.clone();
        for (table, id, field, old) in self.done[place].was.iter().rev() {
            let row = self.rows.get_mut(&(*table, *id)).unwrap();
            match old {
                Some(value) => drop(row.insert(field, value.clone())),
                // What was not there before is not there any more: marked, never deleted.
                None if *field == "removed" => drop(row.insert(field, Cell::Int(1))),
                None => {}
            }
        }
        Some(label)
    }
}

fn reading(which: u128, stop: StopId, sludge_mm: u32, removed: bool) -> Reading {
    Reading {
        id: ReadingId(Uuid::from_u128(100 + which)),
        stop,
        compartment: CompartmentId(Uuid::from_u128(3)),
        sludge_mm: Some(Length::from_mm(sludge_mm)),
        removed,
        ..Reading::default()
    }
}

/// The book of the tests' world: one site, two stops there.
fn ground() -> Vec<FieldChange> {
    let site = Site {
        id: SiteId(Uuid::from_u128(1)),
        name: "1 Sample Lane".to_owned(),
        ..Site::default()
    };
    let tank = Tank {
        id: TankId(Uuid::from_u128(2)),
        site: site.id,
        ..Tank::default()
    };
    let compartment = Compartment {
        id: CompartmentId(Uuid::from_u128(3)),
        tank: tank.id,
        ..Compartment::default()
    };
    let stops = STOPS.map(|id| Stop {
        id,
        site: site.id,
        day: now().date_naive(),
        ..Stop::default()
    });
    let mut list = changes(&[], &[site]);
    list.extend(changes(&[], &[tank]));
    list.extend(changes(&[], &[compartment]));
    list.extend(changes(&[], &stops));
    list
}

fn check(path: &Path, store: &Store, model: &Model) -> Result<(), TestCaseError> {
    prop_assert_eq!(store.op_count().unwrap(), model.lines);
    for stop in STOPS {
        let expected = model.next_undo(stop).map(|place| model.done[place].label.clone());
        prop_assert_eq!(store.undo_label(stop).unwrap(), expected);
    }
    // Read past the program.
    let db = Connection::open(path).unwrap();
    for ((table, id), row) in &model.rows {
        for (field, value) in row {
            let held = db
                .query_row(
                    &format!("SELECT {field} FROM {table} WHERE id = ?1"),
                    [id.to_string()],
                    |row| row.get::<_, rusqlite::types::Value>(0),
                )
                .unwrap();
            let held = match held {
                rusqlite::types::Value::Integer(whole) => Cell::Int(whole),
                rusqlite::types::Value::Text(text) => Cell::Text(text),
                _ => Cell::Null,
            };
            prop_assert_eq!(&held, value, "{} {}.{}", id, table, field);
        }
    }
    Ok(())
}

fn play(steps: &[Step]) -> Result<(), TestCaseError> {
    let folder = tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .unwrap();
    let mut path = folder.path().join("book.sqlite");
    let mut store = Store::open(&path).unwrap();
    let mut model = Model::default();
    let mut clock = now();
    let mut file: Option<(DayFile, Vec<Stamped>)> = None;
    let site = Uuid::from_u128(1);
    let keep = |store: &mut Store, model: &mut Model, stop: StopId, undoable, list: Vec<FieldChange>, at| {
        let op = Op {
            id: Uuid::from_u128(1_000_000 + u128::try_from(model.lines).unwrap()),
            stop: Some(stop),
            at,
            label: format!("action {}", model.lines),
            undoable,
            changes: list,
        };
        store.keep(&op).unwrap();
        model.keep(stop, &op.label, undoable, &op.changes);
        op
    };
    let mut last_op = keep(&mut store, &mut model, STOPS[0], false, ground(), clock);
    for (place, step) in steps.iter().enumerate() {
        clock += Duration::seconds(7);
        match step {
            Step::Note { stop, text, undoable } => {
                let change = FieldChange {
                    table: "site",
                    id: site,
                    field: "note",
                    value: Cell::Text(text.clone()),
                };
                last_op = keep(&mut store, &mut model, STOPS[*stop], *undoable, vec![change], clock);
            }
            Step::Reading { stop, which, sludge_mm } => {
                let after = reading(*which, STOPS[*stop], *sludge_mm, false);
                let list = if model.rows.contains_key(&("reading", after.id.0)) {
                    vec![
                        FieldChange {
                            table: "reading",
                            id: after.id.0,
                            field: "sludge_mm",
                            value: Cell::Int(i64::from(*sludge_mm)),
                        },
                        FieldChange {
                            table: "reading",
                            id: after.id.0,
                            field: "removed",
                            value: Cell::Int(0),
                        },
                    ]
                } else {
                    changes(&[], &[after])
                };
                last_op = keep(&mut store, &mut model, STOPS[*stop], true, list, clock);
            }
            Step::Remove { stop, which } => {
                let id = Uuid::from_u128(100 + which);
                if model.rows.contains_key(&("reading", id)) {
                    let change = FieldChange {
                        table: "reading",
                        id,
                        field: "removed",
                        value: Cell::Int(1),
                    };
                    last_op = keep(&mut store, &mut model, STOPS[*stop], true, vec![change], clock);
                }
            }
            Step::Again => store.keep(&last_op).unwrap(),
            Step::Undo { stop } => {
                let id = Uuid::from_u128(2_000_000 + place as u128);
                let said = store.undo(STOPS[*stop], id, clock).unwrap();
                prop_assert_eq!(said, model.undo(STOPS[*stop]));
            }
            Step::TakeIn { note, name } => {
                let stamp = |field, text: &str| Stamped {
                    table: "site",
                    id: site,
                    field,
                    value: Cell::Text(text.to_owned()),
                    at: clock,
                    by: PHONE,
                    op: Uuid::from_u128(3_000_000 + place as u128),
                };
                let told = vec![stamp("note", note), stamp("name", name)];
                let sequence = place as u64 + 1;
                let day = day_file(sequence, clock);
                take_in(&mut store, &day, &told, clock);
                // Told later than anything before it, so it is what stands.
                let list = told
                    .iter()
                    .map(|told| FieldChange {
                        table: told.table,
                        id: told.id,
                        field: told.field,
                        value: told.value.clone(),
                    })
                    .collect::<Vec<_>>();
                model.set(&list);
                file = Some((day, told));
            }
            Step::TakeInAgain => {
                if let Some((day, told)) = &file {
                    take_in(&mut store, day, told, clock);
                }
            }
            Step::Reopen => {
                store.close().unwrap();
                store = Store::open(&path).unwrap();
            }
            Step::Kill => {
                // The files as they stand while the book is open are what a kill leaves.
                let left = folder.path().join(place.to_string());
                std::fs::create_dir(&left).unwrap();
                for ending in ["", "-wal"] {
                    let name = format!("book.sqlite{ending}");
                    let from = path.with_file_name(&name);
                    if from.exists() {
                        std::fs::copy(from, left.join(&name)).unwrap();
                    }
                }
                path = left.join("book.sqlite");
                store = Store::open(&path).unwrap();
            }
        }
        check(&path, &store, &model)?;
    }
    store.check().unwrap();
    Ok(())
}

fn day_file(sequence: u64, made_at: DateTime<FixedOffset>) -> DayFile {
    DayFile {
        hash: format!("{sequence:064x}"),
        phone: PHONE,
        truck: "T1".to_owned(),
        day: now().date_naive(),
        sequence,
        follows: None,
        partial: false,
        made_at,
        signed_by: None,
    }
}

fn take_in(store: &mut Store, day: &DayFile, told: &[Stamped], at: DateTime<FixedOffset>) {
    store
        .take_in(day, at, |merger| {
            for stamped in told {
                merger.field(stamped.clone())?;
            }
            Ok::<_, StoreError>(())
        })
        .unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, max_shrink_iters: 400, ..ProptestConfig::default() })]
    #[test]
    fn any_run_of_actions_gives_the_book_of_the_model(steps in prop::collection::vec(step(), 1..60)) {
        play(&steps)?;
    }
}

/// The long form: `LIDMARK_MODEL=5000 cargo test --test all model`.
#[test]
fn many_runs_of_actions_give_the_book_of_the_model() {
    let cases = std::env::var("LIDMARK_MODEL")
        .ok()
        .map_or(16, |text| text.parse().unwrap());
    let config = ProptestConfig {
        cases,
        ..ProptestConfig::default()
    };
    proptest::test_runner::TestRunner::new(config)
        .run(&prop::collection::vec(step(), 60..200), |steps| play(&steps))
        .unwrap();
}
