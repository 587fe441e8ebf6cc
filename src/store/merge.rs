//! Takes records from elsewhere into the book, field by field.
//!
//! What the book shows of a field is a function of all the values it has ever been told, with their marks: the one
//! with the greatest mark stands, the others are kept in the table `lost`. So files give the same book in any order
//! and any number of times. One field has a rule of its own: a stop is gone only when every phone that knows it says so.

use super::ledger::BlobRow;
use super::stamps::{Mark, decode, encode};
use super::{StoreError, cell_from_json, cell_of, cell_to_json};
use crate::domain::pack::{CellRef, Packed};
use crate::domain::record::{Cell, FieldChange, KINDS, Kind, Record, Setup, SetupId, Stamped, Stop};
use chrono::{DateTime, FixedOffset};
use rusqlite::{CachedStatement, OptionalExtension, ToSql, Transaction, params};
use std::collections::BTreeMap;
use uuid::Uuid;

/// What merging one file did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Merged {
    /// Records that were not in the book, by table.
    pub new: BTreeMap<&'static str, u64>,
    /// Records of which at least one field took another value, by table.
    pub changed: BTreeMap<&'static str, u64>,
    /// Values that did not come to stand, newly kept beside the book's own.
    pub lost: u64,
    /// Fields whose time cannot be right.
    pub doubtful: u64,
    /// The earliest and the latest time that cannot be right.
    pub doubtful_between: Option<(DateTime<FixedOffset>, DateTime<FixedOffset>)>,
}

/// One action of a phone's log, as the book keeps it.
#[derive(Clone, Copy, Debug)]
pub struct ActionRow<'a> {
    /// The action.
    pub id: Uuid,
    /// The stop it belongs to.
    pub stop: Option<Uuid>,
    /// When, by the clock of the phone.
    pub at: DateTime<FixedOffset>,
    /// What it was.
    pub label: &'a str,
    /// The action it took back.
    pub undoes: Option<Uuid>,
    /// The fields it changed, as the JSON list that came in the file.
    pub changes: &'a str,
}

/// A kind of record with what is needed to write it.
struct Table<'tx> {
    kind: &'static Kind,
    /// The number of each field's column, in the order of the fields.
    columns: Vec<u8>,
    insert: CachedStatement<'tx>,
}

/// The record whose fields are being gathered.
struct Gathered {
    table: usize,
    id: Uuid,
    fields: Vec<Option<(Cell, Mark)>>,
    filled: usize,
}

/// Merges fields into the book, within a transaction of the caller.
pub struct Merger<'tx> {
    tx: &'tx Transaction<'tx>,
    own: Uuid,
    now_ms: i64,
    tables: Vec<Table<'tx>>,
    stamp: CachedStatement<'tx>,
    /// The place of the kind of record that came last.
    likely: usize,
    gathered: Option<Gathered>,
    merged: Merged,
}

impl std::fmt::Debug for Merger<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Merger")
            .field("merged", &self.merged)
            .finish_non_exhaustive()
    }
}

const DOING: &str = "merge the file";

impl<'tx> Merger<'tx> {
    /// * `own`: the id under which this book's own changes are made
    /// * `now`: the clock by which times are judged
    pub(super) fn new(tx: &'tx Transaction<'tx>, own: Uuid, now: DateTime<FixedOffset>) -> Result<Self, StoreError> {
        // Records may come in any order; that each reference holds is checked when all are there.
        tx.pragma_update(None, "defer_foreign_keys", true)
            .map_err(StoreError::sql(DOING))?;
        let tables = KINDS
            .iter()
            .map(|kind| Table::new(tx, kind))
            .collect::<Result<_, _>>()?;
        let stamp = tx
            .prepare_cached("INSERT INTO stamp (record, id, marks) VALUES (?1, ?2, ?3)")
            .map_err(StoreError::sql(DOING))?;
        Ok(Self {
            tx,
            own,
            now_ms: now.timestamp_millis(),
            tables,
            stamp,
            likely: 0,
            gathered: None,
            merged: Merged::default(),
        })
    }

    /// Takes one field. The fields of a record come one after the other, or are merged in several goes.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] for a field or a value no record has; whatever the book refuses.
    pub fn field(&mut self, stamped: Stamped) -> Result<(), StoreError> {
        let unfit = StoreError::Unfit {
            record: stamped.table,
            id: stamped.id,
            field: stamped.field,
        };
        let Some((table, kind)) = self.kind_of(stamped.table) else {
            return Err(unfit);
        };
        if is_own_setup(kind, stamped.id) {
            return Ok(());
        }
        if !(kind.fits)(stamped.field, &stamped.value) {
            return Err(unfit);
        }
        let mark = Mark::new(stamped.at, stamped.by, stamped.op, self.now_ms);
        self.judge(stamped.at, mark);
        let likely = self.gathered.as_ref().map_or(0, |gathered| gathered.filled);
        let Some(place) = place_of(kind, stamped.field, likely) else {
            return Err(unfit);
        };
        if let Some(gathered) = &mut self.gathered
            && (gathered.table, gathered.id) == (table, stamped.id)
            && let Some(slot @ None) = gathered.fields.get_mut(place)
        {
            *slot = Some((stamped.value, mark));
            gathered.filled += 1;
            return Ok(());
        }
        self.flush()?;
        let mut fields = vec![None; kind.fields.len()];
        if let Some(slot) = fields.get_mut(place) {
            *slot = Some((stamped.value, mark));
        }
        self.gathered = Some(Gathered {
            table,
            id: stamped.id,
            fields,
            filled: 1,
        });
        Ok(())
    }

    /// Finds a kind of record, beginning with the last one found.
    fn kind_of(&mut self, name: &str) -> Option<(usize, &'static Kind)> {
        match KINDS.get(self.likely) {
            Some(kind) if kind.table == name => Some((self.likely, kind)),
            _ => {
                let found = KINDS.iter().enumerate().find(|(_, kind)| kind.table == name)?;
                self.likely = found.0;
                Some(found)
            }
        }
    }

    /// Takes a record whose values have been found to fit their fields.
    ///
    /// # Errors
    /// Whatever the book refuses.
    pub fn record(&mut self, record: &Packed<'_>) -> Result<(), StoreError> {
        self.flush()?;
        if record.is_whole() && !is_own_setup(record.kind(), record.id()) && self.new_record(record)? {
            return Ok(());
        }
        // One the book knows, or one of an older form: its fields are merged one by one.
        record.stamped().try_for_each(|stamped| self.field(stamped))
    }

    /// Writes a whole record that is not in the book yet; returns whether it was one.
    fn new_record(&mut self, record: &Packed<'_>) -> Result<bool, StoreError> {
        let Some((table, _)) = self.kind_of(record.kind().table) else {
            return Ok(false);
        };
        let stamps = record.stamps().collect::<Vec<_>>();
        let marks = stamps
            .iter()
            .map(|stamp| Mark::new(stamp.at, stamp.by, stamp.op, self.now_ms));
        let marks = marks.collect::<Vec<_>>();
        let of_fields = record.fields().filter_map(|(_, stamp, _)| marks.get(stamp).copied());
        if !self.insert(
            table,
            record.id(),
            record.fields().map(|(_, _, value)| value),
            of_fields,
        )? {
            return Ok(false);
        }
        if marks.iter().any(|mark| !mark.sound) {
            for (_, place, _) in record.fields() {
                if let (Some(stamp), Some(mark)) = (stamps.get(place), marks.get(place)) {
                    self.judge(stamp.at, *mark);
                }
            }
        }
        Ok(true)
    }

    /// Notes a time that cannot be right.
    fn judge(&mut self, at: DateTime<FixedOffset>, mark: Mark) {
        if !mark.sound {
            self.merged.doubtful += 1;
            let (first, last) = self.merged.doubtful_between.unwrap_or((at, at));
            self.merged.doubtful_between = Some((first.min(at), last.max(at)));
        }
    }

    /// Writes a whole record and its marks unless there is one of this id; returns whether it was written.
    ///
    /// Most records of a file are new: one row and its marks are all there is to write.
    fn insert<'a>(
        &mut self,
        table: usize,
        id: Uuid,
        cells: impl Iterator<Item = CellRef<'a>>,
        marks: impl Iterator<Item = Mark>,
    ) -> Result<bool, StoreError> {
        let Some(table) = self.tables.get_mut(table) else {
            return Ok(false);
        };
        let mut text = Uuid::encode_buffer();
        let id = &*id.as_hyphenated().encode_lower(&mut text);
        if !table.insert_whole(id, cells)? {
            return Ok(false);
        }
        let marks = table.columns.iter().copied().zip(marks).collect();
        self.stamp
            .execute(params![table.kind.table, id, encode(marks)])
            .map_err(StoreError::sql(DOING))?;
        *self.merged.new.entry(table.kind.table).or_default() += 1;
        Ok(true)
    }

    /// Takes one action of a phone's log. Of two that bear the same id the greater is kept, so that order does not matter.
    ///
    /// # Errors
    /// Whatever the book refuses.
    pub fn action(&mut self, phone: Uuid, action: ActionRow<'_>) -> Result<(), StoreError> {
        self.tx
            .prepare_cached(
                "INSERT INTO phone_action (id, phone, stop, at, label, undoes, changes) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
                 ON CONFLICT (id) DO UPDATE SET phone = excluded.phone, stop = excluded.stop, at = excluded.at,
                   label = excluded.label, undoes = excluded.undoes, changes = excluded.changes
                 WHERE (excluded.phone, excluded.at, excluded.label, excluded.changes) > (phone, at, label, changes)",
            )
            .and_then(|mut insert| {
                insert.execute(params![
                    action.id.to_string(),
                    phone.to_string(),
                    action.stop.map(|stop| stop.to_string()),
                    action.at.to_rfc3339_opts(chrono::SecondsFormat::Millis, false),
                    action.label,
                    action.undoes.map(|undone| undone.to_string()),
                    action.changes
                ])
            })
            .map(|_| ())
            .map_err(StoreError::sql(DOING))
    }

    /// Notes a photo or a signature that lies beside the book.
    ///
    /// # Errors
    /// Whatever the book refuses.
    pub fn blob(&mut self, blob: &BlobRow) -> Result<(), StoreError> {
        self.tx
            .prepare_cached(
                "INSERT INTO blob (hash, name, media_type, bytes) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT (hash, name) DO UPDATE SET media_type = max(media_type, excluded.media_type)",
            )
            .and_then(|mut insert| {
                insert.execute(params![
                    blob.hash,
                    blob.name,
                    blob.media_type,
                    i64::try_from(blob.bytes).unwrap_or(i64::MAX)
                ])
            })
            .map(|_| ())
            .map_err(StoreError::sql(DOING))
    }

    /// Merges what has been gathered and returns what was done.
    pub(super) fn finish(mut self) -> Result<Merged, StoreError> {
        self.flush()?;
        Ok(self.merged)
    }

    fn flush(&mut self) -> Result<(), StoreError> {
        let Some(gathered) = self.gathered.take() else {
            return Ok(());
        };
        if gathered.filled == gathered.fields.len() {
            let told = || gathered.fields.iter().flatten();
            let cells = told().map(|(cell, _)| CellRef::from(cell));
            if self.insert(gathered.table, gathered.id, cells, told().map(|(_, mark)| *mark))? {
                return Ok(());
            }
        }
        let Some(table) = self.tables.get(gathered.table) else {
            return Ok(());
        };
        let (tx, own, kind) = (self.tx, self.own, table.kind);
        let mut known = Known::read(tx, own, kind, table.columns.clone(), gathered.id)?;
        let was_there = known.is_there;
        for (place, slot) in gathered.fields.into_iter().enumerate() {
            if let Some((cell, mark)) = slot {
                self.merged.lost += known.tell(tx, place, cell, mark)?;
            }
        }
        if known.write(tx)? {
            let count = if was_there {
                &mut self.merged.changed
            } else {
                &mut self.merged.new
            };
            *count.entry(kind.table).or_default() += 1;
        }
        Ok(())
    }
}

/// How this device is set up is no other's business; a phone's own set-up comes under the phone's name.
fn is_own_setup(kind: &Kind, id: Uuid) -> bool {
    kind.table == Setup::TABLE && id == SetupId::OWN.0
}

/// Finds a field of a kind; `likely` is where it stands if the fields come in their order.
fn place_of(kind: &Kind, name: &str, likely: usize) -> Option<usize> {
    match kind.fields.get(likely) {
        Some(field) if *field == name => Some(likely),
        _ => kind.fields.iter().position(|field| *field == name),
    }
}

impl<'tx> Table<'tx> {
    fn new(tx: &'tx Transaction<'tx>, kind: &'static Kind) -> Result<Self, StoreError> {
        let columns = columns_of(tx, kind)?;
        let marks = (0..kind.fields.len())
            .map(|i| format!("?{}", i + 2))
            .collect::<Vec<_>>();
        let insert = tx
            .prepare_cached(&format!(
                "INSERT INTO {} (id, {}) VALUES (?1, {}) ON CONFLICT (id) DO NOTHING",
                kind.table,
                kind.fields.join(", "),
                marks.join(", ")
            ))
            .map_err(StoreError::sql(DOING))?;
        Ok(Self { kind, columns, insert })
    }

    /// Writes a whole record unless there is one of this id; returns whether it was written.
    fn insert_whole<'a>(&mut self, id: &str, cells: impl Iterator<Item = CellRef<'a>>) -> Result<bool, StoreError> {
        let write = || {
            self.insert.raw_bind_parameter(1, id)?;
            for (place, cell) in (2..).zip(cells) {
                self.insert.raw_bind_parameter(place, cell)?;
            }
            self.insert.raw_execute()
        };
        write().map(|rows| rows > 0).map_err(StoreError::sql(DOING))
    }
}

/// Returns the number of each field's column, in the order of the fields.
pub(super) fn columns_of(tx: &Transaction<'_>, kind: &Kind) -> Result<Vec<u8>, StoreError> {
    let numbers: BTreeMap<String, i64> = tx
        .prepare_cached("SELECT name, cid FROM pragma_table_info(?1)")
        .and_then(|mut select| {
            select
                .query_map([kind.table], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect()
        })
        .map_err(StoreError::sql(DOING))?;
    kind.fields
        .iter()
        .map(|field| {
            numbers
                .get(*field)
                .and_then(|number| u8::try_from(*number).ok())
                .filter(|number| *number < u8::MAX)
                .ok_or_else(|| StoreError::Damaged {
                    detail: format!("the table {} has no column {field}", kind.table),
                })
        })
        .collect()
}

/// What the book knows of one record, and what a file has told it since.
pub(super) struct Known {
    kind: &'static Kind,
    columns: Vec<u8>,
    uuid: Uuid,
    id: String,
    is_there: bool,
    /// By field: its value and mark; `None` where neither is known.
    fields: Vec<Option<(Cell, Mark)>>,
    /// By field: the mark of what came in files, where the book's own change stands above it.
    beneath: Vec<Option<Mark>>,
    /// By field: whether its value is another than the one in the book.
    dirty: Vec<bool>,
    /// Whether only a mark is another.
    remarked: bool,
    /// Whether the record came in files: then a value of unknown origin is what a new row begins with, nobody's word.
    is_stamped: bool,
}

impl Known {
    /// * `columns`: what [`columns_of`] says
    pub(super) fn read(
        tx: &Transaction<'_>,
        own: Uuid,
        kind: &'static Kind,
        columns: Vec<u8>,
        uuid: Uuid,
    ) -> Result<Self, StoreError> {
        let id = uuid.to_string();
        let cells: Option<Vec<Cell>> = tx
            .prepare_cached(&format!(
                "SELECT {} FROM {} WHERE id = ?1",
                kind.fields.join(", "),
                kind.table
            ))
            .and_then(|mut select| {
                select
                    .query_row([&id], |row| {
                        (0..kind.fields.len()).map(|i| row.get_ref(i).map(cell_of)).collect()
                    })
                    .optional()
            })
            .map_err(StoreError::sql(DOING))?;
        let stamped = stamped(tx, kind, &id)?;
        let is_stamped = stamped.is_some();
        let stamped = stamped.unwrap_or_default();
        let own_marks = own_marks(tx, own, kind, &id)?;
        let is_there = cells.is_some();
        let mut fields = Vec::with_capacity(kind.fields.len());
        let mut beneath = Vec::with_capacity(kind.fields.len());
        let mut cells = cells.into_iter().flatten();
        for (field, column) in kind.fields.iter().zip(&columns) {
            let (from_file, own) = (stamped.get(column).copied(), own_marks.get(*field).copied());
            let mark = from_file.max(own).unwrap_or(Mark::UNKNOWN);
            fields.push(cells.next().map(|cell| (cell, mark)));
            beneath.push(from_file.filter(|_| from_file < own));
        }
        Ok(Self {
            kind,
            columns,
            uuid,
            id,
            is_there,
            dirty: vec![false; fields.len()],
            fields,
            beneath,
            remarked: false,
            is_stamped,
        })
    }

    /// Whether this is what is known of that record.
    pub(super) fn is_of(&self, kind: &Kind, uuid: Uuid) -> bool {
        (self.kind.table, self.uuid) == (kind.table, uuid)
    }

    /// Returns what stands in a field.
    pub(super) fn of(&self, field: &str) -> Option<&Told> {
        let place = self.kind.fields.iter().position(|known| *known == field)?;
        self.fields.get(place)?.as_ref()
    }

    /// Tells the book one value; returns how many values were newly set aside.
    fn tell(&mut self, tx: &Transaction<'_>, place: usize, cell: Cell, mark: Mark) -> Result<u64, StoreError> {
        let (Some(slot), Some(dirty), Some(field)) = (
            self.fields.get_mut(place),
            self.dirty.get_mut(place),
            self.kind.fields.get(place),
        ) else {
            return Ok(0);
        };
        let Some((standing, standing_mark)) = slot else {
            *slot = Some((cell, mark));
            *dirty = true;
            return Ok(0);
        };
        let beneath = self.beneath.get(place).copied().flatten();
        if beneath.is_some_and(|known| known.is_same_action(&mark))
            || (standing_mark.is_same_action(&mark) && *standing == cell)
        {
            return Ok(0);
        }
        let aside = Aside {
            kind: self.kind,
            id: &self.id,
            field,
        };
        let told = (cell, mark);
        let was = (standing.clone(), *standing_mark);
        let asides = aside.read(tx)?;
        // What was set aside once stays aside, though its time may look right by now.
        if asides.iter().any(|known| is_same(known, &told)) {
            return Ok(0);
        }
        let winner = if self.kind.table == Stop::TABLE && *field == "removed" {
            standing_unless_all_agree(asides.iter().chain([&was, &told])).unwrap_or(&was)
        } else {
            std::cmp::max_by(&was, &told, |a, b| order(a).cmp(&order(b)))
        }
        .clone();
        if is_same(&winner, &was) {
            return aside.keep(tx, &told);
        }
        *dirty = *dirty || winner.0 != was.0;
        self.remarked = true;
        aside.forget(tx, &winner)?;
        let mut kept = 0;
        if !is_same(&winner, &told) {
            kept += aside.keep(tx, &told)?;
        }
        *slot = Some(winner);
        if was.1 == Mark::UNKNOWN && self.is_stamped {
            return Ok(kept);
        }
        Ok(kept + aside.keep(tx, &was)?)
    }

    /// Writes what has changed; returns whether the record itself has.
    fn write(&self, tx: &Transaction<'_>) -> Result<bool, StoreError> {
        let written = self
            .kind
            .fields
            .iter()
            .zip(&self.fields)
            .zip(&self.dirty)
            .filter(|(_, dirty)| **dirty)
            .filter_map(|((field, known), _)| known.as_ref().map(|(cell, _)| (*field, cell)))
            .collect::<Vec<_>>();
        if !written.is_empty() {
            let names = written.iter().map(|(field, _)| *field).collect::<Vec<_>>();
            let sql = if self.is_there {
                let sets = names.iter().enumerate().map(|(i, name)| format!("{name} = ?{}", i + 2));
                format!(
                    "UPDATE {} SET {} WHERE id = ?1",
                    self.kind.table,
                    sets.collect::<Vec<_>>().join(", ")
                )
            } else {
                let places = (0..names.len()).map(|i| format!("?{}", i + 2)).collect::<Vec<_>>();
                format!(
                    "INSERT INTO {} (id, {}) VALUES (?1, {})",
                    self.kind.table,
                    names.join(", "),
                    places.join(", ")
                )
            };
            let values =
                std::iter::once(&self.id as &dyn ToSql).chain(written.iter().map(|(_, cell)| *cell as &dyn ToSql));
            tx.prepare_cached(&sql)
                .and_then(|mut write| write.execute(rusqlite::params_from_iter(values)))
                .map_err(|source| self.refused(source))?;
        }
        if self.remarked || !written.is_empty() {
            let marks = self
                .columns
                .iter()
                .zip(&self.fields)
                .filter_map(|(column, known)| known.as_ref().map(|(_, mark)| (*column, *mark)))
                .filter(|(_, mark)| *mark != Mark::UNKNOWN)
                .collect();
            tx.prepare_cached(
                "INSERT INTO stamp (record, id, marks) VALUES (?1, ?2, ?3)
                 ON CONFLICT (record, id) DO UPDATE SET marks = excluded.marks",
            )
            .and_then(|mut write| write.execute(params![self.kind.table, self.id, encode(marks)]))
            .map_err(StoreError::sql(DOING))?;
        }
        Ok(!written.is_empty())
    }

    fn unfit(&self, field: &'static str) -> StoreError {
        StoreError::Unfit {
            record: self.kind.table,
            id: self.uuid,
            field,
        }
    }

    /// A value of the wrong kind, or a field without which there is no record, is the file's fault.
    fn refused(&self, source: rusqlite::Error) -> StoreError {
        if source.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) {
            let text = source.to_string();
            let named = self
                .kind
                .fields
                .iter()
                .find(|field| text.ends_with(&format!(".{field}")));
            return self.unfit(named.copied().unwrap_or("id"));
        }
        StoreError::sql(DOING)(source)
    }
}

/// The marks of a record's fields by column; `None` when no file has brought it.
fn stamped(tx: &Transaction<'_>, kind: &Kind, id: &str) -> Result<Option<BTreeMap<u8, Mark>>, StoreError> {
    let bytes: Option<Vec<u8>> = tx
        .prepare_cached("SELECT marks FROM stamp WHERE record = ?1 AND id = ?2")
        .and_then(|mut select| select.query_row([kind.table, id], |row| row.get(0)).optional())
        .map_err(StoreError::sql(DOING))?;
    let Some(bytes) = bytes else { return Ok(None) };
    let marks = decode(&bytes).ok_or_else(|| StoreError::Damaged {
        detail: format!("the marks of {} {id} cannot be read", kind.table),
    })?;
    Ok(Some(marks.into_iter().collect()))
}

/// The marks this book's own changes gave a record's fields, the last for each.
fn own_marks(
    tx: &Transaction<'_>,
    own: Uuid,
    kind: &Kind,
    id: &str,
) -> Result<BTreeMap<&'static str, Mark>, StoreError> {
    let mut marks = BTreeMap::new();
    let mut select = tx
        .prepare_cached(
            "SELECT c.field, o.at, o.id FROM change c JOIN op o ON o.seq = c.op
             WHERE c.id = ?1 AND c.record = ?2 ORDER BY o.seq",
        )
        .map_err(StoreError::sql(DOING))?;
    let mut rows = select.query([id, kind.table]).map_err(StoreError::sql(DOING))?;
    while let Some(row) = rows.next().map_err(StoreError::sql(DOING))? {
        let (field, at, op): (String, String, String) =
            (|| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))().map_err(StoreError::sql(DOING))?;
        let Some(field) = kind.field(&field) else { continue };
        let (Ok(at), Ok(op)) = (DateTime::parse_from_rfc3339(&at), Uuid::parse_str(&op)) else {
            return Err(StoreError::Damaged {
                detail: format!("the log has an unreadable time or id: {at}, {op}"),
            });
        };
        // The office's own clock is the one times are judged by, so its own times are sound.
        marks.insert(
            field,
            Mark {
                sound: true,
                ..Mark::new(at, own, op, i64::MAX)
            },
        );
    }
    Ok(marks)
}

/// What files brought to the fields an action of this book's own is about to change, where it still stands.
///
/// What is replaced here is set aside like what a file replaces, so that a change made before the file came and one made
/// after it leave the same list.
pub(super) struct FromFiles {
    kind: &'static Kind,
    id: String,
    marks: BTreeMap<&'static str, Mark>,
}

impl FromFiles {
    /// Reads it for changes of one record; `None` for a record no file has brought.
    pub(super) fn read(tx: &Transaction<'_>, changes: &[FieldChange]) -> Result<Option<Self>, StoreError> {
        let Some((first, kind)) = changes
            .first()
            .and_then(|first| Some((first, Kind::named(first.table)?)))
        else {
            return Ok(None);
        };
        let id = first.id.to_string();
        let Some(stamped) = stamped(tx, kind, &id)? else {
            return Ok(None);
        };
        let own: Option<String> = tx
            .prepare_cached("SELECT value FROM meta WHERE key = 'phone'")
            .and_then(|mut select| select.query_row([], |row| row.get(0)).optional())
            .map_err(StoreError::sql(DOING))?;
        let own = own.and_then(|text| Uuid::parse_str(&text).ok()).unwrap_or_default();
        let own_marks = own_marks(tx, own, kind, &id)?;
        let marks = kind
            .fields
            .iter()
            .zip(columns_of(tx, kind)?)
            .filter(|(field, _)| changes.iter().any(|change| change.field == **field))
            .filter_map(|(field, column)| Some((*field, *stamped.get(&column)?)))
            .filter(|(field, mark)| mark.by != own && own_marks.get(field).is_none_or(|own| own < mark))
            .collect();
        Ok(Some(Self { kind, id, marks }))
    }

    /// Returns a time later than all that is replaced: who changes a value has seen it, whatever the other clock said.
    pub(super) fn after(&self, at: DateTime<FixedOffset>) -> DateTime<FixedOffset> {
        let latest = self
            .marks
            .values()
            .filter(|mark| mark.sound)
            .map(|mark| mark.at_ms)
            .max();
        latest
            .filter(|latest| *latest >= at.timestamp_millis())
            .and_then(|latest| DateTime::from_timestamp_millis(latest.saturating_add(1)))
            .map_or(at, |later| later.with_timezone(at.offset()))
    }

    /// Keeps what the changes replaced; `olds` as they stood, in the same order.
    pub(super) fn set_aside(
        self,
        tx: &Transaction<'_>,
        changes: &[FieldChange],
        olds: &[Option<Cell>],
    ) -> Result<(), StoreError> {
        for (change, old) in changes.iter().zip(olds) {
            let (Some(mark), Some(old)) = (self.marks.get(change.field), old) else {
                continue;
            };
            let aside = Aside {
                kind: self.kind,
                id: &self.id,
                field: change.field,
            };
            aside.keep(tx, &(old.clone(), *mark))?;
        }
        Ok(())
    }
}

/// A value with its mark.
pub(super) type Told = (Cell, Mark);

/// Whether both are the same value from the same action, whatever was thought of its time.
pub(super) fn is_same(a: &Told, b: &Told) -> bool {
    a.1.is_same_action(&b.1) && a.0 == b.0
}

/// What values are ordered by: the mark, and the value where one action gave two.
pub(super) fn order((cell, mark): &Told) -> (Mark, u8, i64, &str) {
    match cell {
        Cell::Null => (*mark, 0, 0, ""),
        Cell::Int(whole) => (*mark, 1, *whole, ""),
        Cell::Text(text) => (*mark, 2, 0, text),
    }
}

/// Decides whether a stop is gone: only when the last word of every phone that knows it is that it is.
///
/// Otherwise the greatest of the last words by which it stands.
fn standing_unless_all_agree<'a>(all: impl Iterator<Item = &'a Told>) -> Option<&'a Told> {
    let mut last: BTreeMap<Uuid, &Told> = BTreeMap::new();
    for told in all {
        let word = last.entry(told.1.by).or_insert(told);
        if order(told) > order(word) {
            *word = told;
        }
    }
    let says_it_stands = |word: &Told| word.0 == Cell::Int(0);
    // Standing before gone, then the greater.
    last.into_values()
        .max_by(|a, b| (says_it_stands(a), order(a)).cmp(&(says_it_stands(b), order(b))))
}

/// The values of one field that did not come to stand.
struct Aside<'a> {
    kind: &'a Kind,
    id: &'a str,
    field: &'a str,
}

impl Aside<'_> {
    /// Keeps a value; returns 1 when it was not kept before.
    fn keep(&self, tx: &Transaction<'_>, (cell, mark): &Told) -> Result<u64, StoreError> {
        tx.prepare_cached(
            "INSERT INTO lost (record, id, field, at_ms, offset_min, by, op, sound, value)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
        )
        .and_then(|mut insert| {
            insert.execute(params![
                self.kind.table,
                self.id,
                self.field,
                mark.at_ms,
                mark.offset_min,
                mark.by.to_string(),
                mark.op.to_string(),
                mark.sound,
                cell_to_json(cell)
            ])
        })
        .map(|rows| u64::try_from(rows).unwrap_or(0))
        .map_err(StoreError::sql(DOING))
    }

    /// Takes a value back that has come to stand after all.
    fn forget(&self, tx: &Transaction<'_>, (cell, mark): &Told) -> Result<(), StoreError> {
        tx.prepare_cached(
            "DELETE FROM lost WHERE record = ?1 AND id = ?2 AND field = ?3 AND at_ms = ?4 AND by = ?5 AND op = ?6
               AND value = ?7",
        )
        .and_then(|mut delete| {
            delete.execute(params![
                self.kind.table,
                self.id,
                self.field,
                mark.at_ms,
                mark.by.to_string(),
                mark.op.to_string(),
                cell_to_json(cell)
            ])
        })
        .map(|_| ())
        .map_err(StoreError::sql(DOING))
    }

    fn read(&self, tx: &Transaction<'_>) -> Result<Vec<Told>, StoreError> {
        let mut select = tx
            .prepare_cached(
                "SELECT at_ms, offset_min, by, op, sound, value FROM lost WHERE record = ?1 AND id = ?2 AND field = ?3",
            )
            .map_err(StoreError::sql(DOING))?;
        let mut rows = select
            .query([self.kind.table, self.id, self.field])
            .map_err(StoreError::sql(DOING))?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(DOING))? {
            list.push(told_of(row, 0)?);
        }
        Ok(list)
    }
}

/// Reads a value set aside: when, offset, phone, action, soundness and value, from this column on.
pub(super) fn told_of(row: &rusqlite::Row<'_>, first: usize) -> Result<Told, StoreError> {
    let read = || -> rusqlite::Result<(i64, i16, String, String, bool, String)> {
        Ok((
            row.get(first)?,
            row.get(first + 1)?,
            row.get(first + 2)?,
            row.get(first + 3)?,
            row.get(first + 4)?,
            row.get(first + 5)?,
        ))
    };
    let (at_ms, offset_min, by, op, sound, value) = read().map_err(StoreError::sql(DOING))?;
    let uuid = |text: &str| {
        Uuid::parse_str(text).map_err(|_| StoreError::Damaged {
            detail: format!("a value set aside names {text}, which is no id"),
        })
    };
    let mark = Mark {
        sound,
        at_ms,
        by: uuid(&by)?,
        op: uuid(&op)?,
        offset_min,
    };
    Ok((cell_from_json(&value)?, mark))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use crate::domain::record::{Site, SiteId, Stamped, changes};
    use crate::store::{DayFile, Store, StoreError, TakenIn};
    use uuid::Uuid;

    /// SQLite says "full" for a limit of its own exactly as for a disk: `sqlite.org/pragma.html#pragma_max_page_count`.
    #[test]
    fn a_full_disk_at_any_page_takes_in_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("book.sqlite")).unwrap();
        let now = chrono::DateTime::parse_from_rfc3339("2026-06-17T09:00:00-05:00").unwrap();
        let sites = (1..=300)
            .map(|n| Site {
                id: SiteId(Uuid::from_u128(n)),
                ..Site::default()
            })
            .collect::<Vec<_>>();
        let told = changes(&[], &sites).into_iter().map(|change| Stamped {
            table: change.table,
            id: change.id,
            field: change.field,
            value: change.value,
            at: now,
            by: Uuid::from_u128(7),
            op: Uuid::from_u128(8),
        });
        let file = DayFile {
            hash: "e".repeat(64),
            phone: Uuid::from_u128(7),
            truck: String::new(),
            day: now.date_naive(),
            sequence: 1,
            follows: None,
            partial: false,
            made_at: now,
            signed_by: None,
        };
        let pages: i64 = store
            .db
            .pragma_query_value(None, "page_count", |row| row.get(0))
            .unwrap();
        let mut full = 0;
        for most in pages.. {
            store
                .db
                .pragma_update_and_check(None, "max_page_count", most, |_| Ok(()))
                .unwrap();
            let result = store.take_in(&file, now, |merger| -> Result<(), StoreError> {
                told.clone().try_for_each(|stamped| merger.field(stamped))
            });
            match result {
                Ok(done) => {
                    assert!(matches!(done, TakenIn::Merged(_)));
                    break;
                }
                Err(error) => assert!(matches!(error, StoreError::Full { .. }), "{error}"),
            }
            full += 1;
            assert_eq!(store.counts().unwrap().get("site"), Some(&0));
            assert!(!store.has_taken_in(&file.hash).unwrap());
        }
        assert!(full > 10, "{full}");
        assert_eq!(store.counts().unwrap().get("site"), Some(&300));
        store.check().unwrap();
    }
}
