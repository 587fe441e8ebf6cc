//! Keeps records safe on this device, in one `SQLite` file.
//!
//! One action is one transaction: the rows it changes and one line of the log.
//! The file is in WAL mode with `synchronous=FULL`, so an action whose commit
//! has returned survives a kill and, as far as the storage honours a flush, a
//! power cut.

mod ask;
pub mod blobs;
pub mod carry;
mod copy;
pub mod desk;
mod error;
mod ledger;
mod merge;
mod query;
mod stamps;
mod truck;
mod wipe;

pub use ask::{DueRange, DueRow, LoadEntry, SiteName, WorkRow};
pub use error::StoreError;
pub use ledger::{
    BlobRow, Conflict, DayFile, DoubtfulFile, NamedFile, PhoneKey, ReusedSequence, SequenceNote, Side, TakenIn,
};
pub use merge::{ActionRow, Merged, Merger};
pub use query::{BookList, BookRow, DayRow, HistoryRow};
pub use truck::{LoadRow, TruckRows};
pub use wipe::Wipe;

use crate::domain::pack::CellRef;
use crate::domain::record::{Cell, FieldChange, Kind, Op, StopId};
use merge::FromFiles;
use rusqlite::config::DbConfig;
use rusqlite::types::{ToSqlOutput, Value, ValueRef};
use rusqlite::{Connection, OpenFlags, OptionalExtension, ToSql, Transaction, TransactionBehavior, params};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// The schema this program writes; see the numbered `.sql` files beside this module.
pub const SCHEMA_VERSION: u32 = 12;

/// Every step from an empty file to [`SCHEMA_VERSION`], in order. A released step is never edited.
const MIGRATIONS: &[&str] = &[
    include_str!("0001_init.sql"),
    include_str!("0002_yard.sql"),
    include_str!("0003_position_source.sql"),
    include_str!("0004_truck.sql"),
    include_str!("0005_day_file.sql"),
    include_str!("0006_import.sql"),
    include_str!("0007_work_line.sql"),
    include_str!("0008_photo.sql"),
    include_str!("0009_checks.sql"),
    include_str!("0010_second_tank_gauge_and_tax.sql"),
    include_str!("0011_no_charge.sql"),
    include_str!("0012_stop_by_start.sql"),
];

/// Marks the file as ours ("LIDM"), as `SQLite`'s `application_id` asks.
pub const APPLICATION_ID: i32 = 0x4C49_444D;

/// How many pages the log holds before it is moved into the book; `SQLite`'s own (sqlite.org/pragma.html, `wal_autocheckpoint`).
const CHECKPOINT_PAGES: i64 = 1_000;

/// The open book.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    path: PathBuf,
    /// Whether the book's note says that it is open: from the first thing written until it is closed.
    is_noted: std::cell::Cell<bool>,
}

impl Store {
    /// Opens the book at `path`, making or migrating it when needed.
    ///
    /// # Errors
    /// [`StoreError::TooNew`] for a file of a newer program (left untouched),
    /// [`StoreError::NotOurs`] for another program's file, [`StoreError::Damaged`]
    /// when the check after an unclean end fails, [`StoreError::Open`] otherwise.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let (db, found) = connect(path, OpenFlags::default())?;
        let open = |source| StoreError::from_sqlite_open(path, source);
        db.pragma_update(None, "journal_mode", "WAL").map_err(open)?;
        db.pragma_update(None, "synchronous", "FULL").map_err(open)?;
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_FKEY, true)
            .map_err(open)?;
        let mut store = Self {
            db,
            path: path.to_owned(),
            is_noted: std::cell::Cell::new(false),
        };
        store.migrate(found)?;
        store.check_after_unclean_end()?;
        Ok(store)
    }

    /// Opens a book that is there to look something up: nothing is written, so that the file stays byte for byte as it is.
    ///
    /// A book of an older form is opened as [`Store::open`] does, which brings it to this program's form. One that may not
    /// be written, or lies where nothing may be, is read all the same as long as no log lies beside it.
    ///
    /// # Errors
    /// As [`Store::open`]; also when there is no file, and [`StoreError::Empty`] when nothing stands in it yet, as while
    /// another program is making the book.
    pub fn look(path: &Path) -> Result<Self, StoreError> {
        let (db, found) = connect_to_look(path)?;
        if found == 0 {
            return Err(StoreError::Empty { path: path.to_owned() });
        }
        if found < SCHEMA_VERSION {
            drop(db);
            return Self::open(path);
        }
        db.pragma_update(None, "query_only", true)
            .map_err(|source| StoreError::from_sqlite_open(path, source))?;
        Ok(Self {
            db,
            path: path.to_owned(),
            is_noted: std::cell::Cell::new(false),
        })
    }

    /// Opens the book at `path` a second time, to read it as it is at this moment while its owner goes on writing.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be opened or is not of this program's form.
    pub fn open_to_read(path: &Path) -> Result<Self, StoreError> {
        let open = |source| StoreError::from_sqlite_open(path, source);
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(path, flags).map_err(open)?;
        db.busy_timeout(std::time::Duration::from_secs(5)).map_err(open)?;
        db.pragma_update(None, "query_only", true).map_err(open)?;
        configure(&db).map_err(open)?;
        let found: u32 = db
            .pragma_query_value(None, "user_version", |row| row.get(0))
            .map_err(open)?;
        if found != SCHEMA_VERSION {
            return Err(StoreError::TooNew {
                found,
                known: SCHEMA_VERSION,
            });
        }
        // One transaction for all that is read, so that every answer is about the same moment.
        db.execute_batch("BEGIN").map_err(open)?;
        Ok(Self {
            db,
            path: path.to_owned(),
            is_noted: std::cell::Cell::new(false),
        })
    }

    /// Sets how long to wait for another program that has the book before giving up.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be set.
    pub fn set_patience(&self, patience: std::time::Duration) -> Result<(), StoreError> {
        self.db
            .busy_timeout(patience)
            .map_err(StoreError::sql("wait for the book"))
    }

    /// Returns where the book is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn migrate(&mut self, found: u32) -> Result<(), StoreError> {
        let doing = "bring the book to this program's form";
        for (step, sql) in MIGRATIONS.iter().enumerate().skip(found as usize) {
            let number = u32::try_from(step).unwrap_or(u32::MAX).saturating_add(1);
            // Another program may be opening the same new book at the same moment: the step is taken once.
            let tx = self
                .db
                .transaction_with_behavior(TransactionBehavior::Immediate)
                .map_err(StoreError::sql(doing))?;
            let reached: u32 = tx
                .pragma_query_value(None, "user_version", |row| row.get(0))
                .map_err(StoreError::sql(doing))?;
            if reached >= number {
                continue;
            }
            tx.execute_batch(sql).map_err(StoreError::sql(doing))?;
            tx.pragma_update(None, "application_id", APPLICATION_ID)
                .map_err(StoreError::sql(doing))?;
            tx.pragma_update(None, "user_version", number)
                .map_err(StoreError::sql(doing))?;
            tx.commit().map_err(StoreError::sql(doing))?;
        }
        Ok(())
    }

    /// The note that the book is open is made before anything is written and taken back by [`Store::close`]; finding it
    /// means the last run was cut off after it had begun to write.
    fn check_after_unclean_end(&self) -> Result<(), StoreError> {
        let was_open = self.meta("open")?.is_some_and(|flag| flag == "1");
        self.is_noted.set(was_open);
        if was_open {
            let verdict: String = self
                .db
                .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
                .map_err(StoreError::sql("check the book"))?;
            if verdict != "ok" {
                return Err(StoreError::Damaged { detail: verdict });
            }
        }
        Ok(())
    }

    /// Notes that the book is open, before the first thing is written to it. Who only looks leaves no note.
    ///
    /// Where the log is new the note is not flushed by itself, which would take three flushes: the commit that follows
    /// flushes the whole log. Until then no record is in it, and a power cut leaves the book as it was closed. A log that
    /// is used again is flushed at once: its old lines may only be believed or overwritten whole.
    fn note_open(&self) -> Result<(), StoreError> {
        if self.is_noted.get() {
            return Ok(());
        }
        let doing = "note that the book is open";
        let set = |name, value: i64| self.db.pragma_update(None, name, value).map_err(StoreError::sql(doing));
        let is_new = log_length(&self.path) == 0;
        // Nothing moves from the log into the book before the log is on the disk.
        set("wal_autocheckpoint", if is_new { 0 } else { CHECKPOINT_PAGES })?;
        set("synchronous", if is_new { 0 } else { 2 })?;
        let noted = self.write_meta("open", "1");
        set("synchronous", 2)?;
        set("wal_autocheckpoint", CHECKPOINT_PAGES)?;
        noted?;
        self.is_noted.set(true);
        Ok(())
    }

    /// Begins what is written in one go, the book being noted as open.
    fn begin(&mut self, doing: &'static str) -> Result<Transaction<'_>, StoreError> {
        self.note_open()?;
        self.db.transaction().map_err(StoreError::sql(doing))
    }

    /// Closes the book, noting that it was closed in order.
    ///
    /// # Errors
    /// [`StoreError`] when the note cannot be written; nothing recorded is lost by that.
    pub fn close(self) -> Result<(), StoreError> {
        if self.is_noted.get() {
            self.write_meta("open", "0")?;
        }
        self.db.close().map_err(|(_, source)| StoreError::Sql {
            doing: "close the book",
            source,
        })
    }

    fn meta(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.db
            .query_row("SELECT value FROM meta WHERE key = ?1", [key], |row| row.get(0))
            .optional()
            .map_err(StoreError::sql("read the book's notes"))
    }

    fn set_meta(&self, key: &str, value: &str) -> Result<(), StoreError> {
        self.note_open()?;
        self.write_meta(key, value)
    }

    fn write_meta(&self, key: &str, value: &str) -> Result<(), StoreError> {
        self.db
            .execute(
                "INSERT INTO meta VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2",
                [key, value],
            )
            .map(|_| ())
            .map_err(StoreError::sql("write the book's notes"))
    }

    /// Keeps one action: all of it, on disk, or none of it. The same action twice is kept once.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing of the action has been kept.
    pub fn keep(&mut self, op: &Op) -> Result<(), StoreError> {
        let tx = self.begin("begin")?;
        write_op(&tx, op, None)?;
        tx.commit().map_err(StoreError::sql("keep the action"))
    }

    /// Returns the label of the action [`Store::undo`] would take back.
    ///
    /// # Errors
    /// [`StoreError`] when the log cannot be read.
    pub fn undo_label(&self, stop: StopId) -> Result<Option<String>, StoreError> {
        Ok(last_undoable(&self.db, stop)?.map(|(_, label)| label))
    }

    /// Takes back the stop's last action that still stands, and returns its label.
    ///
    /// The log keeps both lines. A record the action made is marked removed.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing has changed.
    pub fn undo(
        &mut self,
        stop: StopId,
        id: Uuid,
        at: chrono::DateTime<chrono::FixedOffset>,
    ) -> Result<Option<String>, StoreError> {
        let doing = "undo";
        let tx = self.begin(doing)?;
        let Some((seq, label)) = last_undoable(&tx, stop)? else {
            return Ok(None);
        };
        let mut changes = Vec::new();
        {
            let mut select = tx
                .prepare_cached("SELECT record, id, field, old FROM change WHERE op = ?1 ORDER BY n DESC")
                .map_err(StoreError::sql(doing))?;
            let mut rows = select.query([seq]).map_err(StoreError::sql(doing))?;
            while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
                let (record, id, field, old): (String, String, String, Option<String>) =
                    (|| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))().map_err(StoreError::sql(doing))?;
                let (table, fields) = table_named(&record)?;
                let id = Uuid::parse_str(&id).map_err(|_| damaged(&record, "id"))?;
                let Some(field) = fields.iter().copied().find(|known| *known == field) else {
                    return Err(damaged(&record, &field));
                };
                // A field with no value before belongs to a record this action made: taking it back takes the record away.
                match old {
                    Some(json) => changes.push(FieldChange {
                        table,
                        id,
                        field,
                        value: cell_from_json(&json)?,
                    }),
                    None if field == "removed" => {
                        changes.push(FieldChange {
                            table,
                            id,
                            field,
                            value: Cell::Int(1),
                        });
                    }
                    None => {}
                }
            }
        }
        let undo = Op {
            id,
            stop: Some(stop),
            at,
            label: label.clone(),
            undoable: false,
            changes,
        };
        write_op(&tx, &undo, Some(seq))?;
        tx.commit().map_err(StoreError::sql(doing))?;
        Ok(Some(label))
    }

    /// Copies the book to `to` with `SQLite`'s online backup, then checks the copy.
    ///
    /// # Errors
    /// [`StoreError`] when the copy cannot be made or is not sound.
    pub fn backup(&self, to: &Path) -> Result<(), StoreError> {
        let doing = "copy the book";
        let mut copy = Connection::open(to).map_err(|source| StoreError::from_sqlite_open(to, source))?;
        {
            let backup = rusqlite::backup::Backup::new(&self.db, &mut copy).map_err(StoreError::sql(doing))?;
            backup
                .run_to_completion(1024, std::time::Duration::ZERO, None)
                .map_err(StoreError::sql(doing))?;
        }
        let verdict: String = copy
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(StoreError::sql(doing))?;
        if verdict == "ok" {
            Ok(())
        } else {
            Err(StoreError::Damaged { detail: verdict })
        }
    }

    /// Runs `SQLite`'s full integrity check.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] with the first fault found.
    pub fn check(&self) -> Result<(), StoreError> {
        let verdict: String = self
            .db
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(StoreError::sql("check the book"))?;
        if verdict == "ok" {
            Ok(())
        } else {
            Err(StoreError::Damaged { detail: verdict })
        }
    }
}

/// Opens the file and looks at it before anything is written; returns it with the form it has.
///
/// A file that is not ours or too new stays byte for byte as it was.
fn connect(path: &Path, flags: OpenFlags) -> Result<(Connection, u32), StoreError> {
    let open = |source| StoreError::from_sqlite_open(path, source);
    examined(Connection::open_with_flags(path, flags).map_err(open)?, path)
}

/// Opens a file that is there to read it, also where nothing may be written.
///
/// Reading a book with a log takes a file beside it (sqlite.org/wal.html, "Read-Only Databases"). Where that cannot be made
/// and no log is there, nobody has the book, and it is read as a file that does not change.
fn connect_to_look(path: &Path) -> Result<(Connection, u32), StoreError> {
    use rusqlite::ErrorCode::{CannotOpen, PermissionDenied, ReadOnly};
    use std::io::ErrorKind::{PermissionDenied as NotAllowed, ReadOnlyFilesystem};
    let has_log = || with_end(path, "-wal").exists() || with_end(path, "-journal").exists();
    let file = std::fs::OpenOptions::new().write(true).open(path);
    let is_protected = file.is_err_and(|error| matches!(error.kind(), NotAllowed | ReadOnlyFilesystem));
    if is_protected && !has_log() {
        return connect_unchanging(path);
    }
    // Not read-only: then SQLite could not take away the empty log it makes beside the file.
    match connect(path, OpenFlags::default() - OpenFlags::SQLITE_OPEN_CREATE) {
        Err(StoreError::Open { source, .. })
            if matches!(
                source.sqlite_error_code(),
                Some(CannotOpen | PermissionDenied | ReadOnly)
            ) && path.is_file()
                && !has_log() =>
        {
            connect_unchanging(path)
        }
        other => other,
    }
}

/// Opens a file nobody can change (sqlite.org/uri.html, `immutable`).
fn connect_unchanging(path: &Path) -> Result<(Connection, u32), StoreError> {
    let open = |source| StoreError::from_sqlite_open(path, source);
    let whole = std::path::absolute(path).map_err(StoreError::file("open the book", path))?;
    let mut name = "file:".to_owned();
    let bytes = whole.as_os_str().as_encoded_bytes();
    if !bytes.starts_with(b"/") {
        name.push('/');
    }
    for byte in bytes.iter().copied() {
        if cfg!(windows) && byte == b'\\' {
            name.push('/');
        } else if byte.is_ascii_alphanumeric() || b"/-._~:".contains(&byte) {
            name.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(name, "%{byte:02X}");
        }
    }
    name.push_str("?immutable=1");
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
    examined(Connection::open_with_flags(name, flags).map_err(open)?, path)
}

/// Looks at what has been opened before anything is written.
fn examined(db: Connection, path: &Path) -> Result<(Connection, u32), StoreError> {
    let open = |source| StoreError::from_sqlite_open(path, source);
    // Without this, closing it again would fold a log its own program left beside it into the file. Where there is none,
    // closing takes away the empty one that opening makes.
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, log_length(path) > 0)
        .map_err(open)?;
    // All of one moment: another program may be making the book meanwhile.
    db.execute_batch("BEGIN").map_err(open)?;
    let found: u32 = db
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .map_err(open)?;
    let owner: i32 = db
        .pragma_query_value(None, "application_id", |row| row.get(0))
        .map_err(open)?;
    let is_empty = || db.query_row("SELECT NOT EXISTS (SELECT 1 FROM sqlite_schema)", [], |row| row.get(0));
    if owner != APPLICATION_ID && (found > 0 || !is_empty().map_err(open)?) {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    if found > SCHEMA_VERSION {
        return Err(StoreError::TooNew {
            found,
            known: SCHEMA_VERSION,
        });
    }
    let page: u32 = db
        .pragma_query_value(None, "page_size", |row| row.get(0))
        .map_err(open)?;
    db.execute_batch("COMMIT").map_err(open)?;
    if is_cut_short(path, u64::from(page)) {
        return Err(StoreError::Damaged {
            detail: "the end of the file is missing".to_owned(),
        });
    }
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)
        .map_err(open)?;
    db.busy_timeout(std::time::Duration::from_secs(5)).map_err(open)?;
    configure(&db).map_err(open)?;
    db.pragma_update(None, "temp_store", "MEMORY").map_err(open)?;
    Ok((db, found))
}

/// What holds on every connection: nothing in the file itself is ever run, and a statement is made once.
///
/// Without the stability of plans (`SQLITE_DBCONFIG_ENABLE_QPSG`) the SQLite that is built in makes
/// a statement that was put by anew whenever a value is bound where an index is asked (sqlite.org/c3ref/prepare.html, what it
/// says of `SQLITE_ENABLE_STAT4`).
fn configure(db: &Connection) -> rusqlite::Result<()> {
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    db.set_prepared_statement_cache_capacity(64);
    Ok(())
}

/// Whether the file ends within a page. SQLite reads what is missing there as zeros and says nothing.
///
/// With a log beside the file the last page may be on its way from there, and SQLite mends it.
fn is_cut_short(path: &Path, page: u64) -> bool {
    let length = std::fs::metadata(path).map_or(0, |file| file.len());
    log_length(path) == 0 && page > 0 && !length.is_multiple_of(page)
}

/// How much stands in the log beside a database, bytes.
#[must_use]
pub fn log_length(path: &Path) -> u64 {
    std::fs::metadata(with_end(path, "-wal")).map_or(0, |file| file.len())
}

/// A file's name with something behind it, such as what `SQLite` lays beside a database.
#[must_use]
pub fn with_end(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

fn damaged(record: &str, field: &str) -> StoreError {
    StoreError::Damaged {
        detail: format!("the log names {record}.{field}, which does not exist"),
    }
}

/// Returns the fixed names of a record kind, so that no text from a file ever becomes part of a statement.
fn table_named(name: &str) -> Result<(&'static str, &'static [&'static str]), StoreError> {
    Kind::named(name)
        .map(|kind| (kind.table, kind.fields))
        .ok_or_else(|| damaged(name, "*"))
}

fn last_undoable(db: &Connection, stop: StopId) -> Result<Option<(i64, String)>, StoreError> {
    db.prepare_cached(
        "SELECT seq, label FROM op WHERE stop = ?1 AND undoable = 1 AND undoes IS NULL
           AND seq NOT IN (SELECT undoes FROM op WHERE stop = ?1 AND undoes IS NOT NULL)
         ORDER BY seq DESC LIMIT 1",
    )
    .and_then(|mut select| {
        select
            .query_row([stop.to_string()], |row| Ok((row.get(0)?, row.get(1)?)))
            .optional()
    })
    .map_err(StoreError::sql("look for the last action"))
}

fn write_op(tx: &Transaction<'_>, op: &Op, undoes: Option<i64>) -> Result<(), StoreError> {
    let doing = "keep the action";
    let groups = || op.changes.chunk_by(|a, b| a.id == b.id && a.table == b.table);
    let mut from_files = Vec::new();
    let mut at = op.at;
    for (place, group) in groups().enumerate() {
        let Some(standing) = FromFiles::read(tx, group)? else {
            continue;
        };
        at = at.max(standing.after(at));
        from_files.push((place, standing));
    }
    let mut from_files = from_files.into_iter().peekable();
    let is_new = tx
        .prepare_cached(
            "INSERT INTO op (id, stop, at, label, undoable, undoes) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT (id) DO NOTHING",
        )
        .and_then(|mut insert| {
            insert.execute(params![
                op.id.to_string(),
                op.stop.map(|stop| stop.to_string()),
                at.to_rfc3339_opts(chrono::SecondsFormat::Millis, false),
                op.label,
                op.undoable,
                undoes
            ])
        })
        .map_err(StoreError::sql(doing))?;
    if is_new == 0 {
        return Ok(());
    }
    let seq = tx.last_insert_rowid();
    let mut insert = tx
        .prepare_cached("INSERT INTO change (op, n, record, id, field, old, new) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")
        .map_err(StoreError::sql(doing))?;
    let mut n = 0_i64;
    for (place, group) in groups().enumerate() {
        let Some(first) = group.first() else { continue };
        let (table, fields) = table_named(first.table)?;
        let olds = write_row(tx, table, first.id, group)?;
        if let Some((_, standing)) = from_files.next_if(|(of, _)| *of == place) {
            standing.set_aside(tx, group, &olds)?;
        }
        for (change, old) in group.iter().zip(olds) {
            if !fields.contains(&change.field) {
                return Err(damaged(table, change.field));
            }
            insert
                .execute(params![
                    seq,
                    n,
                    table,
                    first.id.to_string(),
                    change.field,
                    old.as_ref().map(cell_to_json),
                    cell_to_json(&change.value)
                ])
                .map_err(StoreError::sql(doing))?;
            n += 1;
        }
    }
    Ok(())
}

/// Writes one record's changed fields and returns the values they had, `None` for a new record.
fn write_row(
    tx: &Transaction<'_>,
    table: &'static str,
    id: Uuid,
    changes: &[FieldChange],
) -> Result<Vec<Option<Cell>>, StoreError> {
    let doing = "write the record";
    let id = id.to_string();
    let columns = changes.iter().map(|change| change.field).collect::<Vec<_>>();
    let old = tx
        .prepare_cached(&format!("SELECT {} FROM {table} WHERE id = ?1", columns.join(", ")))
        .and_then(|mut select| {
            select
                .query_row([&id], |row| {
                    (0..columns.len())
                        .map(|i| row.get_ref(i).map(cell_of))
                        .collect::<Result<Vec<_>, _>>()
                })
                .optional()
        })
        .map_err(StoreError::sql(doing))?;
    let values = std::iter::once(&id as &dyn ToSql)
        .chain(changes.iter().map(|change| &change.value as &dyn ToSql))
        .collect::<Vec<_>>();
    let sql = if old.is_some() {
        let sets = columns
            .iter()
            .enumerate()
            .map(|(i, c)| format!("{c} = ?{}", i + 2))
            .collect::<Vec<_>>();
        format!("UPDATE {table} SET {} WHERE id = ?1", sets.join(", "))
    } else {
        let marks = (0..columns.len()).map(|i| format!("?{}", i + 2)).collect::<Vec<_>>();
        format!(
            "INSERT INTO {table} (id, {}) VALUES (?1, {})",
            columns.join(", "),
            marks.join(", ")
        )
    };
    tx.prepare_cached(&sql)
        .and_then(|mut write| write.execute(values.as_slice()))
        .map_err(StoreError::sql(doing))?;
    Ok(match old {
        Some(cells) => cells.into_iter().map(Some).collect(),
        None => vec![None; changes.len()],
    })
}

impl ToSql for CellRef<'_> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self {
            Self::Null => ToSqlOutput::Owned(Value::Null),
            Self::Int(whole) => ToSqlOutput::Owned(Value::Integer(*whole)),
            Self::Text(text) => ToSqlOutput::Borrowed(ValueRef::Text(text.as_bytes())),
        })
    }
}

impl ToSql for Cell {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self {
            Self::Null => ToSqlOutput::Owned(Value::Null),
            Self::Int(whole) => ToSqlOutput::Owned(Value::Integer(*whole)),
            Self::Text(text) => ToSqlOutput::Borrowed(ValueRef::Text(text.as_bytes())),
        })
    }
}

/// A stored value as a cell. The tables are STRICT with integer and text columns only, so nothing else arrives.
fn cell_of(value: ValueRef<'_>) -> Cell {
    match value {
        ValueRef::Integer(whole) => Cell::Int(whole),
        ValueRef::Text(text) => Cell::Text(String::from_utf8_lossy(text).into_owned()),
        ValueRef::Null | ValueRef::Real(_) | ValueRef::Blob(_) => Cell::Null,
    }
}

fn cell_to_json(cell: &Cell) -> String {
    match cell {
        Cell::Null => serde_json::Value::Null,
        Cell::Int(whole) => serde_json::Value::from(*whole),
        Cell::Text(text) => serde_json::Value::from(text.as_str()),
    }
    .to_string()
}

fn cell_from_json(json: &str) -> Result<Cell, StoreError> {
    match serde_json::from_str(json) {
        Ok(serde_json::Value::Null) => Some(Cell::Null),
        Ok(serde_json::Value::String(text)) => Some(Cell::Text(text)),
        Ok(serde_json::Value::Number(number)) => number.as_i64().map(Cell::Int),
        _ => None,
    }
    .ok_or_else(|| StoreError::Damaged {
        detail: format!("the log holds {json}, which is no value"),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_commit_is_flushed_and_every_reference_is_checked() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("book.sqlite");
        for _first_and_again in 0..2 {
            let store = Store::open(&path).unwrap();
            let number = |name: &str| {
                store
                    .db
                    .pragma_query_value(None, name, |row| row.get::<_, i64>(0))
                    .unwrap()
            };
            // sqlite.org/pragma.html: synchronous 2 is FULL, temp_store 2 is MEMORY.
            assert_eq!(number("synchronous"), 2);
            // sqlite.org/c3ref/wal_autocheckpoint.html: 1000 pages when nothing else is said.
            assert_eq!(number("wal_autocheckpoint"), 1000);
            assert_eq!(number("foreign_keys"), 1);
            assert_eq!(number("trusted_schema"), 0);
            assert_eq!(number("temp_store"), 2);
            let mode: String = store
                .db
                .pragma_query_value(None, "journal_mode", |row| row.get(0))
                .unwrap();
            assert_eq!(mode, "wal");
            let is_on = |config| store.db.db_config(config).unwrap();
            assert!(is_on(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG));
            // Closing the book folds its log into the file: what is copied by hand afterwards is whole.
            assert!(!is_on(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE));
            // The note that the book is open is not flushed by itself; what follows it is again.
            store.note_open().unwrap();
            assert_eq!((number("synchronous"), number("wal_autocheckpoint")), (2, 1000));
            store.close().unwrap();
        }
    }

    /// `SQLite` counts how often it made a statement anew by itself (`sqlite3_stmt_status`).
    #[test]
    fn a_statement_is_made_once_whatever_is_bound_to_it() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("book.sqlite")).unwrap();
        let made_anew = |db: &Connection| {
            let times = ["2026-06-17", "2026-06-18", "2026-06-19"].map(|day| {
                let mut select = db
                    .prepare_cached("SELECT id, site FROM stop WHERE day = ?1 ORDER BY place, id")
                    .unwrap();
                assert!(!select.exists([day]).unwrap());
                select.get_status(rusqlite::StatementStatus::RePrepare)
            });
            times[2]
        };
        assert_eq!(made_anew(&store.db), 0);
        // The test of the test: without being told, this SQLite makes it anew.
        store
            .db
            .set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, false)
            .unwrap();
        assert!(made_anew(&store.db) > 0);
    }

    #[test]
    fn whoever_only_looks_leaves_no_note_and_whoever_writes_does_before() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("book.sqlite");
        Store::open(&path).unwrap().close().unwrap();
        let before = std::fs::read(&path).unwrap();
        let store = Store::open(&path).unwrap();
        assert!(store.setup().unwrap().is_none());
        assert_eq!(log_length(&path), 0);
        store.close().unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), before);

        let store = Store::open(&path).unwrap();
        store.set_open_stop(None).unwrap();
        let log = std::fs::read(with_end(&path, "-wal")).unwrap();
        let killed = folder.path().join("killed.sqlite");
        std::fs::copy(&path, &killed).unwrap();
        std::fs::write(with_end(&killed, "-wal"), log).unwrap();
        store.close().unwrap();
        let note = |path: &Path| Store::look(path).unwrap().meta("open").unwrap();
        assert_eq!(note(&killed).as_deref(), Some("1"));
        assert_eq!(note(&path).as_deref(), Some("0"));
        assert!(
            Store::open(&killed).unwrap().is_noted.get(),
            "it is taken back when this one is closed"
        );
    }
}
