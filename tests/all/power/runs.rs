//! What the child does in the tests of the power: a stop, a day's file, an import, a book of an old form; and what must hold
//! wherever it was cut off.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::path::{Path, PathBuf};

use lidmark::app::send::{SendError, SendJob, make_file, phone_key};
use lidmark::domain::record::{
    Cell, Compartment, CompartmentId, FieldChange, Op, Photo, PhotoId, Reading, ReadingId, Site, SiteId, Stop, StopId,
    Tank, TankId, changes,
};
use lidmark::domain::units::Length;
use lidmark::exchange::dayfile::read::{Trust, open};
use lidmark::exchange::dayfile::seal::OfficeSecret;
use lidmark::exchange::photo::hash_of;
use lidmark::exchange::planfile::json_of;
use lidmark::office::context::Call;
use lidmark::office::import;
use lidmark::store::blobs::Blobs;
use lidmark::store::{Store, StoreError};
use rusqlite::{Connection, ToSql};
use uuid::Uuid;

use super::{END, say};
use crate::fixture::{Dice, agrees_with_log, dump, now, strings};

/// One thing the child can do.
pub struct Run {
    pub name: &'static str,
    /// Lays out what is there before: in the first folder, which may be cut off, and in the second, which is only read.
    pub prepare: fn(&Path, &Path),
    /// Does it, saying `kept N` of each thing that is kept.
    pub play: fn(&Path, &Path),
    /// Says what is wrong with what is left; the numbers are those that were said to be kept.
    pub faults: fn(&Path, &Path, &BTreeSet<usize>) -> Result<(), String>,
    /// How many things are said to be kept when nobody disturbs it.
    pub kept: usize,
}

impl Run {
    pub fn named(name: &str) -> &'static Self {
        ALL.iter().find(|run| run.name == name).unwrap()
    }
}

pub static ALL: [Run; 8] = [
    Run {
        name: "stop",
        prepare: nothing,
        play,
        faults,
        kept: 11,
    },
    // A book that is there already with one site, so that what fails is the work and not the making of the book.
    Run {
        name: "stop again",
        prepare: worked_book,
        play,
        faults: faults_again,
        kept: 11,
    },
    Run {
        name: "day file",
        prepare: phone,
        play: send,
        faults: send_faults,
        kept: 2,
    },
    Run {
        name: "import",
        prepare: day_files,
        play: take_in,
        faults: import_faults,
        kept: 2,
    },
    Run {
        name: "old book",
        prepare: old_book,
        play: migrate,
        faults: migrate_faults,
        kept: 1,
    },
    // The tests of the tests: written past the store, as it writes, then without what makes it safe.
    Run {
        name: "bare",
        prepare: nothing,
        play: bare,
        faults: bare_faults,
        kept: 7,
    },
    Run {
        name: "bare, not flushed",
        prepare: nothing,
        play: bare_not_flushed,
        faults: bare_faults,
        kept: 7,
    },
    Run {
        name: "bare, no transaction",
        prepare: nothing,
        play: bare_no_transaction,
        faults: bare_faults,
        kept: 7,
    },
];

fn nothing(_: &Path, _: &Path) {}

const STOP: StopId = StopId(Uuid::from_u128(5));

/// One thing the child does; its place in the list is its id in the log.
enum Step {
    Keep(Vec<FieldChange>, bool),
    Undo,
    Photo(u32),
    Reopen,
}

fn site() -> Site {
    Site {
        id: SiteId(Uuid::from_u128(1)),
        name: "1 Sample Lane".to_owned(),
        ..Site::default()
    }
}

fn reading(n: u128, sludge_mm: u32) -> Reading {
    Reading {
        id: ReadingId(Uuid::from_u128(100 + n)),
        stop: STOP,
        compartment: CompartmentId(Uuid::from_u128(3)),
        sludge_mm: Some(Length::from_mm(sludge_mm)),
        ..Reading::default()
    }
}

fn note(text: &str) -> Vec<FieldChange> {
    let before = site();
    let after = Site {
        note: text.to_owned(),
        ..before.clone()
    };
    changes(&[before], &[after])
}

/// A stop as it is played: small actions, one of many pages, two taken back, two photos, the app closed and opened again.
fn steps() -> Vec<Step> {
    let tank = Tank {
        id: TankId(Uuid::from_u128(2)),
        site: site().id,
        ..Tank::default()
    };
    let compartment = Compartment {
        id: CompartmentId(Uuid::from_u128(3)),
        tank: tank.id,
        ..Compartment::default()
    };
    let stop = Stop {
        id: STOP,
        site: site().id,
        day: now().date_naive(),
        ..Stop::default()
    };
    let mut first = changes(&[], &[site()]);
    first.extend(changes(&[], &[tank]));
    first.extend(changes(&[], &[compartment]));
    first.extend(changes(&[], &[stop]));
    vec![
        Step::Keep(first, false),
        Step::Keep(changes(&[], &[reading(1, 210)]), true),
        Step::Keep(changes(&[reading(1, 210)], &[reading(1, 220)]), true),
        Step::Undo,
        Step::Photo(1),
        Step::Keep(note(&"The lid is under the third flagstone. ".repeat(900)), true),
        Step::Keep(changes(&[], &[reading(2, 90)]), true),
        Step::Reopen,
        Step::Undo,
        Step::Photo(2),
        Step::Keep(changes(&[reading(1, 210)], &[reading(1, 230)]), true),
        Step::Keep(note("dog"), true),
    ]
}

fn picture(number: u32) -> (Vec<u8>, Vec<u8>) {
    let mut dice = Dice::new(u64::from(number));
    let noise = (0..3_000).map(|_| dice.roll().to_le_bytes()[3]).collect::<Vec<_>>();
    (noise[..2_400].to_vec(), noise[2_400..].to_vec())
}

fn photo(number: u32) -> Photo {
    let (large, _) = picture(number);
    Photo {
        id: PhotoId(Uuid::from_u128(200 + u128::from(number))),
        site: site().id,
        stop: Some(STOP),
        hash: hash_of(&large),
        ..Photo::default()
    }
}

fn op_id(step: usize) -> Uuid {
    Uuid::from_u128(1_000 + step as u128)
}

fn act(store: &mut Store, book: &Path, place: usize, step: &Step) -> Result<(), StoreError> {
    let op = |changes: &[FieldChange], undoable| Op {
        id: op_id(place),
        stop: Some(STOP),
        at: now(),
        label: place.to_string(),
        undoable,
        changes: changes.to_vec(),
    };
    match step {
        Step::Keep(list, undoable) => store.keep(&op(list, *undoable)),
        Step::Undo => store.undo(STOP, op_id(place), now()).map(drop),
        Step::Photo(number) => {
            let (large, small) = picture(*number);
            Blobs::beside(book).keep(&hash_of(&large), &large, &small)?;
            store.keep(&op(&changes(&[], &[photo(*number)]), true))
        }
        Step::Reopen => Ok(()),
    }
}

/// The child. What is refused is tried again once, as the desk tries it with the next action; then the child gives up, as
/// a person would with the app, and closes the book.
fn play(folder: &Path, _: &Path) {
    let book = folder.join("book.sqlite");
    let open = || {
        (0..2).find_map(|_| {
            Store::open(&book)
                .map_err(|error| say(&format!("no book: {error}")))
                .ok()
        })
    };
    let Some(mut store) = open() else {
        return say(END);
    };
    say("opened");
    for (place, step) in steps().iter().enumerate() {
        if matches!(step, Step::Reopen) {
            if let Err(error) = store.close() {
                say(&format!("not closed: {error}"));
            }
            let Some(again) = open() else {
                return say(END);
            };
            store = again;
            continue;
        }
        let kept = (0..2).any(|_| match act(&mut store, &book, place, step) {
            Ok(()) => true,
            Err(error) => {
                say(&format!("refused {place}: {error}"));
                false
            }
        });
        if !kept {
            break;
        }
        say(&format!("kept {place}"));
    }
    if let Err(error) = store.close() {
        say(&format!("not closed: {error}"));
    }
    say(END);
}

/// Opens the book that is left and says what is wrong with it; `kept` are the steps said to be kept.
fn faults(folder: &Path, _: &Path, kept: &BTreeSet<usize>) -> Result<(), String> {
    let book = &folder.join("book.sqlite");
    let all = steps();
    let done = (0..all.len()).filter(|place| !matches!(all[*place], Step::Reopen));
    log_faults(book, kept, &done.collect::<Vec<_>>())
}

/// The step that was done before was kept before.
fn faults_again(folder: &Path, inputs: &Path, kept: &BTreeSet<usize>) -> Result<(), String> {
    let mut kept = kept.clone();
    kept.insert(0);
    faults(folder, inputs, &kept)
}

#[expect(clippy::needless_pass_by_value, reason = "as `map_err` hands it over")]
fn wrong(error: StoreError) -> String {
    format!("{error} ({error:?})")
}

/// The log is a beginning of these steps with all that were kept, every row is as it says, and work goes on.
fn log_faults(book: &Path, kept: &BTreeSet<usize>, done: &[usize]) -> Result<(), String> {
    let store = Store::open(book).map_err(|error| format!("does not open: {}", wrong(error)))?;
    store.check().map_err(wrong)?;
    let found = store.orphans().map_err(wrong)?;
    if !found.is_empty() {
        return Err(format!("orphans {found:?}"));
    }
    let agreement = Blobs::beside(book)
        .agreement(&store.photo_hashes().map_err(wrong)?)
        .map_err(wrong)?;
    if !agreement.missing.is_empty() {
        return Err(format!("photos without a file: {:?}", agreement.missing));
    }
    for hash in store.photo_hashes().map_err(wrong)? {
        let file = Blobs::beside(book).picture(&hash).unwrap();
        if hash_of(&std::fs::read(file).unwrap()) != hash {
            return Err(format!("the file of photo {hash} holds something else"));
        }
    }
    let db = Connection::open(book).map_err(|error| error.to_string())?;
    let ids = strings(&db, "SELECT id FROM op ORDER BY seq");
    let expected = done.iter().map(|place| op_id(*place).to_string());
    let expected = expected.take(ids.len()).collect::<Vec<_>>();
    if ids != expected {
        return Err(format!("the log is no beginning of what was done: {ids:?}"));
    }
    if let Some(lost) = kept.iter().find(|place| !ids.contains(&op_id(**place).to_string())) {
        return Err(format!("step {lost} was said to be kept and is gone"));
    }
    agrees_with_log(&db)?;
    for (place, step) in steps().iter().enumerate() {
        let Step::Keep(list, _) = step else { continue };
        let fields = format!(
            "SELECT CAST(count(*) AS TEXT) FROM change JOIN op ON op.seq = change.op WHERE op.id = '{}'",
            op_id(place)
        );
        let there = ids.contains(&op_id(place).to_string());
        if there && strings(&db, &fields) != [list.len().to_string()] {
            return Err(format!("step {place} is there by half"));
        }
    }
    // Work goes on.
    drop(db);
    let mut store = store;
    let op = Op {
        id: op_id(900),
        stop: None,
        at: now(),
        label: "after".to_owned(),
        undoable: false,
        changes: changes(
            &[],
            &[Site {
                id: SiteId(Uuid::from_u128(77)),
                name: "2 Sample Lane".to_owned(),
                ..Site::default()
            }],
        ),
    };
    store.keep(&op).map_err(wrong)?;
    store.close().map_err(wrong)
}

// --- a book that is there already ----------------------------------------------------------------------

fn worked_book(folder: &Path, _: &Path) {
    let mut store = Store::open(&folder.join("book.sqlite")).unwrap();
    act(&mut store, &folder.join("book.sqlite"), 0, &steps()[0]).unwrap();
    store.close().unwrap();
}

// --- the day's file ------------------------------------------------------------------------------------

/// The phone whose book is sent.
const PHONE: Uuid = Uuid::from_u128(0xF001);

/// A phone after the stop.
fn phone(folder: &Path, inputs: &Path) {
    let book = folder.join("book.sqlite");
    let mut store = Store::open(&book).unwrap();
    for (place, step) in steps().iter().enumerate() {
        act(&mut store, &book, place, step).unwrap();
    }
    store.close().unwrap();
    std::fs::write(inputs.join("office.key"), OfficeSecret::generate().to_text()).unwrap();
}

fn office(inputs: &Path) -> OfficeSecret {
    OfficeSecret::parse(&std::fs::read_to_string(inputs.join("office.key")).unwrap()).unwrap()
}

/// Makes the day's file as the app does: numbered, written, noted.
fn send_one(store: &mut Store, folder: &Path, office: Option<&OfficeSecret>) -> Result<PathBuf, SendError> {
    let day = now().date_naive();
    let phone = store.phone(PHONE)?;
    let place = store.begin_file(day, now(), false)?;
    let sequence = place.sequence;
    let made = make_file(&SendJob {
        book: folder.join("book.sqlite"),
        folder: folder.join("day-files"),
        key_file: folder.join("phone.key"),
        phone,
        truck: "T1".to_owned(),
        day,
        partial: false,
        rest: true,
        place,
        now: now(),
        office: office.map(OfficeSecret::public),
    })?;
    let name = made.path.file_name().unwrap().to_string_lossy().into_owned();
    store.file_made(sequence, made.upto, &made.sha256.to_string(), made.bytes, &name)?;
    Ok(made.path)
}

/// Two files, the second one sealed.
fn send(folder: &Path, inputs: &Path) {
    let mut store = match Store::open(&folder.join("book.sqlite")) {
        Ok(store) => store,
        Err(error) => {
            say(&format!("no book: {error}"));
            return say(END);
        }
    };
    let office = office(inputs);
    for (place, sealed) in [None, Some(&office)].into_iter().enumerate() {
        let made = (0..2).any(|_| match send_one(&mut store, folder, sealed) {
            Ok(_) => true,
            Err(error) => {
                say(&format!("refused {place}: {error}"));
                false
            }
        });
        if !made {
            break;
        }
        say(&format!("kept {place}"));
    }
    if let Err(error) = store.close() {
        say(&format!("not closed: {error}"));
    }
    say(END);
}

/// Every file that bears a name is whole; every one said to be made is there; the phone signs as it did; the next one comes.
fn send_faults(folder: &Path, inputs: &Path, kept: &BTreeSet<usize>) -> Result<(), String> {
    let book = folder.join("book.sqlite");
    let mut store = Store::open(&book).map_err(wrong)?;
    store.check().map_err(wrong)?;
    let noted = store.files_made().map_err(wrong)?;
    // More may be noted than was said, and a number may have been taken by a file that was refused.
    if noted.len() < kept.len() {
        return Err(format!(
            "{} files were said to be made, {} are noted",
            kept.len(),
            noted.len()
        ));
    }
    let files = folder.join("day-files");
    for file in &noted {
        let path = files.join(&file.name);
        let bytes = std::fs::metadata(&path).map_err(|error| format!("{} was made and is gone: {error}", file.name))?;
        if bytes.len() != file.bytes {
            return Err(format!("{} has another size", file.name));
        }
    }
    let key = phone_key(&folder.join("phone.key"))
        .map_err(|error| error.to_string())?
        .public();
    let secret = [office(inputs)];
    let whole = |path: &Path| {
        let opened = open(File::open(path).unwrap(), &secret, Trust::Anyone);
        let file = opened.map_err(|error| format!("{} is not whole: {error}", path.display()))?;
        if file.signer() != Some(key) {
            return Err("the phone has another key than it signed with".to_owned());
        }
        Ok(())
    };
    let lies_there = std::fs::read_dir(&files)
        .into_iter()
        .flatten()
        .map(|entry| entry.unwrap().path());
    let named = lies_there.filter(|path| path.extension().is_some_and(|ending| ending == "lidmark"));
    let named = named.collect::<Vec<_>>();
    named.iter().try_for_each(|path| whole(path))?;
    let next = send_one(&mut store, folder, None).map_err(|error| format!("no file can be made: {error}"))?;
    if named.contains(&next) {
        return Err("a number is given twice".to_owned());
    }
    whole(&next)?;
    store.close().map_err(wrong)
}

// --- the office ----------------------------------------------------------------------------------------

/// Two day files of a phone, with photos, and the books that come of none, one and both of them.
fn day_files(_: &Path, inputs: &Path) {
    let place = inputs.join("phone");
    std::fs::create_dir(&place).unwrap();
    phone(&place, inputs);
    let mut store = Store::open(&place.join("book.sqlite")).unwrap();
    let first = send_one(&mut store, &place, None).unwrap();
    let op = Op {
        id: op_id(800),
        stop: Some(STOP),
        at: now(),
        label: "later".to_owned(),
        undoable: true,
        changes: changes(&[reading(1, 230)], &[reading(1, 250)]),
    };
    store.keep(&op).unwrap();
    let second = send_one(&mut store, &place, None).unwrap();
    store.close().unwrap();
    std::fs::rename(first, inputs.join("0.lidmark")).unwrap();
    std::fs::rename(second, inputs.join("1.lidmark")).unwrap();
    for files in 0..=2 {
        let folder = inputs.join(format!("office-{files}"));
        std::fs::create_dir(&folder).unwrap();
        Store::open(&folder.join("book.sqlite")).unwrap().close().unwrap();
        for file in 0..files {
            import_one(&folder, inputs, file).unwrap();
        }
    }
}

fn import_one(folder: &Path, inputs: &Path, file: usize) -> Result<(), String> {
    let call = Call {
        book: folder.join("book.sqlite"),
        json: false,
        units: None,
        language: None,
        now: now(),
    };
    let asked = import::Asked {
        files: vec![inputs.join(format!("{file}.lidmark"))],
        accept_unsigned: true,
        ..import::Asked::default()
    };
    let said = import::run(&call, &asked, &|_| ()).map_err(|refusal| refusal.what)?;
    said.refusals
        .first()
        .map_or(Ok(()), |refusal| Err(refusal.what.clone()))
}

fn take_in(folder: &Path, inputs: &Path) {
    for file in 0..2 {
        let taken = (0..2).any(|_| match import_one(folder, inputs, file) {
            Ok(()) => true,
            Err(reason) => {
                say(&format!("refused {file}: {reason}"));
                false
            }
        });
        if !taken {
            break;
        }
        say(&format!("kept {file}"));
    }
    say(END);
}

/// What a book holds, but for what it notes about itself.
fn held(book: &Path) -> BTreeMap<String, Vec<String>> {
    let mut tables = dump(book);
    tables.remove("meta");
    tables
}

/// Each file is there whole or not at all, with its photos; taking both in once more gives the book of both.
fn import_faults(folder: &Path, inputs: &Path, kept: &BTreeSet<usize>) -> Result<(), String> {
    let book = folder.join("book.sqlite");
    let sound = || -> Result<usize, String> {
        let store = Store::open(&book).map_err(wrong)?;
        store.check().map_err(wrong)?;
        for file in store.files_named().map_err(wrong)? {
            let path = Blobs::beside(&book).picture(&file.hash).unwrap();
            let bytes = std::fs::read(path).map_err(|error| format!("the file of photo {}: {error}", file.hash))?;
            if hash_of(&bytes) != file.hash {
                return Err(format!("the file of photo {} holds something else", file.hash));
            }
        }
        store.close().map_err(wrong)?;
        let held = held(&book);
        let taken = held["taken_in"].len();
        if held != self::held(&inputs.join(format!("office-{taken}/book.sqlite"))) {
            return Err(format!("the book is not that of {taken} files"));
        }
        Ok(taken)
    };
    // Before the first file the office may have no book yet.
    let taken = if book.exists() { sound()? } else { 0 };
    if taken < kept.len() {
        return Err(format!("{} files were said to be taken in, {taken} are", kept.len()));
    }
    for file in 0..2 {
        import_one(folder, inputs, file).map_err(|reason| format!("file {file} is not taken in any more: {reason}"))?;
    }
    if sound()? == 2 {
        Ok(())
    } else {
        Err("the files are not both there".to_owned())
    }
}

// --- a book of an old form -----------------------------------------------------------------------------

/// A book of the first form, and what it becomes undisturbed.
fn old_book(folder: &Path, inputs: &Path) {
    let text = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/books/form-1.sql");
    let text = std::fs::read_to_string(text).unwrap();
    for place in [folder, inputs] {
        let db = Connection::open(place.join("book.sqlite")).unwrap();
        db.pragma_update(None, "foreign_keys", false).unwrap();
        db.execute_batch(&text).unwrap();
    }
    Store::open(&inputs.join("book.sqlite")).unwrap().close().unwrap();
}

fn migrate(folder: &Path, _: &Path) {
    let opened = (0..2).find_map(|_| {
        let opened = Store::open(&folder.join("book.sqlite"));
        opened.map_err(|error| say(&format!("no book: {error}"))).ok()
    });
    if let Some(store) = opened {
        say("kept 0");
        if let Err(error) = store.close() {
            say(&format!("not closed: {error}"));
        }
    }
    say(END);
}

/// What an old book has become, with names for the truck and its tank, whose ids are drawn anew in every run.
fn become_of(book: &Path) -> BTreeMap<String, Vec<String>> {
    let db = Connection::open(book).unwrap();
    let mut tables = held(book);
    for table in ["truck", "truck_tank"] {
        for (number, id) in strings(&db, &format!("SELECT id FROM {table}")).iter().enumerate() {
            for row in tables.values_mut().flatten() {
                *row = row.replace(id, &format!("{table} {number}"));
            }
        }
    }
    tables
}

fn migrate_faults(folder: &Path, inputs: &Path, _: &BTreeSet<usize>) -> Result<(), String> {
    let book = folder.join("book.sqlite");
    let store = Store::open(&book).map_err(wrong)?;
    store.check().map_err(wrong)?;
    store.close().map_err(wrong)?;
    if become_of(&book) == become_of(&inputs.join("book.sqlite")) {
        Ok(())
    } else {
        Err("the book is not what an old book becomes".to_owned())
    }
}

// --- the tests of the tests ----------------------------------------------------------------------------

/// Writes the steps that only write, past the store; with or without what makes them safe.
fn write_past_the_store(folder: &Path, synchronous: &str, in_transactions: bool) {
    let book = folder.join("book.sqlite");
    Store::open(&book).unwrap().close().unwrap();
    let db = Connection::open(&book).unwrap();
    db.pragma_update(None, "journal_mode", "WAL").unwrap();
    db.pragma_update(None, "synchronous", synchronous).unwrap();
    for (place, step) in steps().iter().enumerate() {
        let Step::Keep(list, undoable) = step else { continue };
        if in_transactions {
            db.execute_batch("BEGIN").unwrap();
        }
        let id = op_id(place).to_string();
        db.execute(
            "INSERT INTO op (id, stop, at, label, undoable) VALUES (?1, ?2, ?3, ?4, ?5)",
            rusqlite::params![id, STOP.to_string(), now().to_rfc3339(), place.to_string(), undoable],
        )
        .unwrap();
        let seq = db.last_insert_rowid();
        let mut number = 0;
        for group in list.chunk_by(|a, b| a.id == b.id) {
            write_row(&db, group);
            for change in group {
                db.execute(
                    "INSERT INTO change (op, n, record, id, field, new) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    rusqlite::params![
                        seq,
                        number,
                        change.table,
                        change.id.to_string(),
                        change.field,
                        json_of(&change.value).to_string()
                    ],
                )
                .unwrap();
                number += 1;
            }
        }
        if in_transactions {
            db.execute_batch("COMMIT").unwrap();
        }
        say(&format!("kept {place}"));
    }
    say(END);
}

fn write_row(db: &Connection, group: &[FieldChange]) {
    let (table, id) = (group[0].table, group[0].id.to_string());
    let known = !strings(db, &format!("SELECT id FROM {table} WHERE id = '{id}'")).is_empty();
    let columns = group.iter().map(|change| change.field).collect::<Vec<_>>();
    let sql = if known {
        let sets = columns
            .iter()
            .enumerate()
            .map(|(n, column)| format!("{column} = ?{}", n + 2));
        format!(
            "UPDATE {table} SET {} WHERE id = ?1",
            sets.collect::<Vec<_>>().join(", ")
        )
    } else {
        let marks = (0..columns.len()).map(|n| format!("?{}", n + 2)).collect::<Vec<_>>();
        format!(
            "INSERT INTO {table} (id, {}) VALUES (?1, {})",
            columns.join(", "),
            marks.join(", ")
        )
    };
    let values = group.iter().map(|change| &change.value).collect::<Vec<&Cell>>();
    let mut all: Vec<&dyn ToSql> = vec![&id];
    all.extend(values.iter().map(|value| *value as &dyn ToSql));
    db.execute(&sql, all.as_slice()).unwrap();
}

fn bare(folder: &Path, _: &Path) {
    write_past_the_store(folder, "FULL", true);
}

fn bare_not_flushed(folder: &Path, _: &Path) {
    write_past_the_store(folder, "OFF", true);
}

fn bare_no_transaction(folder: &Path, _: &Path) {
    write_past_the_store(folder, "FULL", false);
}

fn bare_faults(folder: &Path, _: &Path, kept: &BTreeSet<usize>) -> Result<(), String> {
    let all = steps();
    let done = (0..all.len()).filter(|place| matches!(all[*place], Step::Keep(..)));
    log_faults(&folder.join("book.sqlite"), kept, &done.collect::<Vec<_>>())
}
