//! What goes to the office: the records of a day with their stamps, the day's log, and the list of files made.

use super::query::{iso, text_of};
use super::{Store, StoreError, cell_from_json, cell_of};
use crate::domain::record::{Cell, FieldChange, KINDS, Kept, Kind, Logged, Op, Record, Site, Stamped, Stop, StopId};
use chrono::{DateTime, FixedOffset, NaiveDate};
use rusqlite::{OptionalExtension, params};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

const DOING: &str = "gather the day for the office";

/// The records and actions one day file carries.
#[derive(Clone, Debug)]
pub struct Carry {
    ids: BTreeMap<&'static str, BTreeSet<Uuid>>,
    day: NaiveDate,
    /// Actions after this one are carried whatever their day; `None` when only the day's own are.
    after: Option<i64>,
    upto: i64,
}

impl Carry {
    /// Returns the records of one kind, in ascending order.
    pub fn ids(&self, table: &str) -> impl Iterator<Item = Uuid> + '_ {
        self.ids.get(table).into_iter().flatten().copied()
    }

    /// Counts the records of one kind.
    #[must_use]
    pub fn count(&self, table: &str) -> usize {
        self.ids.get(table).map_or(0, BTreeSet::len)
    }

    /// Returns the last action of the log that no later file needs to carry, when this one carries all before it.
    #[must_use]
    pub fn upto(&self) -> Option<i64> {
        self.after.map(|_| self.upto)
    }

    fn add(&mut self, table: &'static str, id: Uuid) -> bool {
        self.ids.entry(table).or_default().insert(id)
    }
}

/// The place of a new file among those of this phone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its number, larger than any before it.
    pub sequence: u64,
    /// The SHA-256 of the file before it, as 64 hexadecimal digits; `None` for the first.
    pub follows: Option<String>,
}

/// A day file made on this phone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SentFile {
    /// Its number.
    pub sequence: u64,
    /// Its day.
    pub day: NaiveDate,
    /// When it was begun.
    pub begun_at: DateTime<FixedOffset>,
    /// The day was not over.
    pub partial: bool,
    /// Its name.
    pub name: String,
    /// Its size, bytes.
    pub bytes: u64,
}

/// A day there is something to send of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WorkedDay {
    /// The day.
    pub day: NaiveDate,
    /// Its stops.
    pub stops: i64,
    /// The number of the last file made of it.
    pub sent: Option<i64>,
}

impl Store {
    /// Returns the name of this phone, which is `fresh` from now on if it has none.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read or written.
    pub fn phone(&self, fresh: Uuid) -> Result<Uuid, StoreError> {
        if let Some(known) = self.meta("phone")? {
            return Uuid::parse_str(&known).map_err(|_| StoreError::Damaged {
                detail: "the name of this phone cannot be read".to_owned(),
            });
        }
        self.set_meta("phone", &fresh.to_string())?;
        Ok(fresh)
    }

    /// Takes the next number for a day file. A number is never given twice, whatever becomes of the file.
    ///
    /// # Errors
    /// [`StoreError`]; then no number has been taken.
    pub fn begin_file(
        &mut self,
        day: NaiveDate,
        begun_at: DateTime<FixedOffset>,
        partial: bool,
    ) -> Result<Place, StoreError> {
        let doing = "number the day's file";
        let tx = self.begin(doing)?;
        let follows: Option<String> = tx
            .query_row(
                "SELECT sha256 FROM sent WHERE sha256 IS NOT NULL ORDER BY sequence DESC LIMIT 1",
                [],
                |row| row.get(0),
            )
            .optional()
            .map_err(StoreError::sql(doing))?;
        tx.execute(
            "INSERT INTO sent (sequence, day, begun_at, partial)
             VALUES ((SELECT coalesce(max(sequence), 0) + 1 FROM sent), ?1, ?2, ?3)",
            params![iso(day), text_of(begun_at), partial],
        )
        .map_err(StoreError::sql(doing))?;
        let sequence = tx.last_insert_rowid();
        tx.commit().map_err(StoreError::sql(doing))?;
        Ok(Place {
            sequence: u64::try_from(sequence).unwrap_or(0),
            follows,
        })
    }

    /// Notes that a day file lies where it belongs.
    ///
    /// * `upto`: what [`Carry::upto`] says
    /// * `sha256`: of the file before it was sealed
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written.
    pub fn file_made(
        &mut self,
        sequence: u64,
        upto: Option<i64>,
        sha256: &str,
        bytes: u64,
        name: &str,
    ) -> Result<(), StoreError> {
        self.note_open()?;
        self.db
            .execute(
                "UPDATE sent SET upto = ?2, sha256 = ?3, bytes = ?4, name = ?5 WHERE sequence = ?1",
                params![signed(sequence), upto, sha256, signed(bytes), name],
            )
            .map(|_| ())
            .map_err(StoreError::sql("note the day's file"))
    }

    /// Lists the day files made on this phone, newest first.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn files_made(&self) -> Result<Vec<SentFile>, StoreError> {
        let doing = "list the day files";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT sequence, day, begun_at, partial, name, bytes FROM sent
                 WHERE sha256 IS NOT NULL ORDER BY sequence DESC",
            )
            .map_err(StoreError::sql(doing))?;
        let mut rows = select.query([]).map_err(StoreError::sql(doing))?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            let get = || -> rusqlite::Result<_> {
                let cell = |i| row.get_ref(i).map(cell_of);
                Ok((row.get(0)?, cell(1)?, cell(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
            };
            let (sequence, day, begun_at, partial, name, bytes): (i64, Cell, Cell, bool, String, i64) =
                get().map_err(StoreError::sql(doing))?;
            if let (Some(day), Some(begun_at)) = (Kept::from_cell(&day), Kept::from_cell(&begun_at)) {
                list.push(SentFile {
                    sequence: u64::try_from(sequence).unwrap_or(0),
                    day,
                    begun_at,
                    partial,
                    name,
                    bytes: u64::try_from(bytes).unwrap_or(0),
                });
            }
        }
        Ok(list)
    }

    /// Lists the days up to `until` that have stops, newest first.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn days_worked(&self, until: NaiveDate, most: u32) -> Result<Vec<WorkedDay>, StoreError> {
        let doing = "list the days";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT day, count(*), (SELECT max(sequence) FROM sent WHERE sent.day = stop.day AND sha256 IS NOT NULL)
                 FROM stop WHERE removed = 0 AND day <= ?1 GROUP BY day ORDER BY day DESC LIMIT ?2",
            )
            .map_err(StoreError::sql(doing))?;
        let mut rows = select
            .query(params![iso(until), most])
            .map_err(StoreError::sql(doing))?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            let get = || -> rusqlite::Result<_> { Ok((cell_of(row.get_ref(0)?), row.get(1)?, row.get(2)?)) };
            let (day, stops, sent) = get().map_err(StoreError::sql(doing))?;
            if let Some(day) = NaiveDate::from_cell(&day) {
                list.push(WorkedDay { day, stops, sent });
            }
        }
        Ok(list)
    }

    /// Finds what the file of a day carries.
    ///
    /// That is every record an action of the day changed, the day's stops with what was read and pumped there, and the
    /// sites of all of these as they stand now, with their tanks and lids: so that the file can be understood alone.
    ///
    /// * `rest`: also what has been changed since the last file that carried all, so that nothing is ever left behind
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn carry(&self, day: NaiveDate, rest: bool) -> Result<Carry, StoreError> {
        let number = |sql| -> Result<i64, StoreError> {
            self.db
                .query_row(sql, [], |row| row.get(0))
                .map_err(StoreError::sql(DOING))
        };
        let mut carry = Carry {
            ids: BTreeMap::new(),
            day,
            after: if rest {
                Some(number(
                    "SELECT coalesce(max(upto), 0) FROM sent WHERE sha256 IS NOT NULL",
                )?)
            } else {
                None
            },
            upto: number("SELECT coalesce(max(seq), 0) FROM op")?,
        };
        self.add_touched(&mut carry)?;
        for id in self.ids("SELECT id FROM stop WHERE day = ?1", &iso(day))? {
            carry.add(Stop::TABLE, id);
        }
        let references = self.references()?;
        self.add_above(&mut carry, &references)?;
        self.add_below(&mut carry, &references)?;
        self.add_above(&mut carry, &references)?;
        Ok(carry)
    }

    fn add_touched(&self, carry: &mut Carry) -> Result<(), StoreError> {
        let mut select = self
            .db
            .prepare_cached(
                "SELECT DISTINCT record, id FROM change
                 WHERE op IN (SELECT seq FROM op WHERE substr(at, 1, 10) = ?1 OR seq > ?2)",
            )
            .map_err(StoreError::sql(DOING))?;
        let mut rows = select
            .query(params![iso(carry.day), carry.after.unwrap_or(i64::MAX)])
            .map_err(StoreError::sql(DOING))?;
        while let Some(row) = rows.next().map_err(StoreError::sql(DOING))? {
            let (table, id): (String, String) =
                (|| Ok((row.get(0)?, row.get(1)?)))().map_err(StoreError::sql(DOING))?;
            let kind = Kind::named(&table).ok_or_else(|| unreadable(&table))?;
            carry.add(kind.table, uuid(&table, &id)?);
        }
        Ok(())
    }

    /// Adds what the records carried refer to, and what those refer to.
    fn add_above(&self, carry: &mut Carry, references: &[Reference]) -> Result<(), StoreError> {
        for kind in KINDS.iter().rev() {
            for reference in references.iter().filter(|r| r.from.table == kind.table) {
                let sql = format!(
                    "SELECT {} FROM {} WHERE id = ?1 AND {0} IS NOT NULL",
                    reference.field, kind.table
                );
                for id in carry.ids(kind.table).collect::<Vec<_>>() {
                    for above in self.ids(&sql, &id.to_string())? {
                        carry.add(reference.to.table, above);
                    }
                }
            }
        }
        Ok(())
    }

    /// Adds what belongs to the records carried: what was read at a stop, the tanks of a site; but not a site's other stops,
    /// nor what else a truck has done.
    fn add_below(&self, carry: &mut Carry, references: &[Reference]) -> Result<(), StoreError> {
        let of_stop = |kind: &Kind| is_below(kind.table, Stop::TABLE, references);
        let of_site = |kind: &Kind| is_below(kind.table, Site::TABLE, references);
        for kind in KINDS.iter().filter(|kind| kind.table != Stop::TABLE) {
            for reference in references.iter().filter(|r| r.from.table == kind.table) {
                // What belongs to a stop goes with its stop, whatever else it refers to.
                let follow = if of_stop(kind) {
                    of_stop(reference.to)
                } else {
                    of_site(reference.to)
                };
                if !follow {
                    continue;
                }
                let sql = format!("SELECT id FROM {} WHERE {} = ?1", kind.table, reference.field);
                for id in carry.ids(reference.to.table).collect::<Vec<_>>() {
                    for below in self.ids(&sql, &id.to_string())? {
                        carry.add(kind.table, below);
                    }
                }
            }
        }
        Ok(())
    }

    fn ids(&self, sql: &str, key: &str) -> Result<Vec<Uuid>, StoreError> {
        let mut select = self.db.prepare_cached(sql).map_err(StoreError::sql(DOING))?;
        let rows = select
            .query_map([key], |row| row.get::<_, String>(0))
            .map_err(StoreError::sql(DOING))?;
        rows.map(|id| uuid("record", &id.map_err(StoreError::sql(DOING))?))
            .collect()
    }

    /// Which field of which kind refers to which kind, as the tables themselves declare it.
    fn references(&self) -> Result<Vec<Reference>, StoreError> {
        let mut select = self
            .db
            .prepare_cached("SELECT \"from\", \"table\" FROM pragma_foreign_key_list(?1)")
            .map_err(StoreError::sql(DOING))?;
        let mut list = Vec::new();
        for from in KINDS {
            let rows = select
                .query_map([from.table], |row| {
                    Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?))
                })
                .map_err(StoreError::sql(DOING))?;
            for row in rows {
                let (field, to) = row.map_err(StoreError::sql(DOING))?;
                if let (Some(field), Some(to)) = (from.field(&field), Kind::named(&to)) {
                    list.push(Reference { from, field, to });
                }
            }
        }
        Ok(list)
    }

    /// Hands out the carried records of one kind, in ascending order of their ids, each field with its stamp.
    ///
    /// * `phone`: whose book this is
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read, or the first error of `each`.
    pub fn each_carried<E: From<StoreError>>(
        &self,
        carry: &Carry,
        kind: &'static Kind,
        phone: Uuid,
        mut each: impl FnMut(Uuid, &[Stamped]) -> Result<(), E>,
    ) -> Result<(), E> {
        let sql = format!("SELECT {} FROM {} WHERE id = ?1", kind.fields.join(", "), kind.table);
        let mut fields = Vec::with_capacity(kind.fields.len());
        for id in carry.ids(kind.table) {
            let key = id.to_string();
            let cells = self
                .db
                .prepare_cached(&sql)
                .and_then(|mut select| {
                    select
                        .query_row([&key], |row| {
                            (0..kind.fields.len())
                                .map(|i| row.get_ref(i).map(cell_of))
                                .collect::<Result<Vec<_>, _>>()
                        })
                        .optional()
                })
                .map_err(StoreError::sql(DOING))?;
            let Some(cells) = cells else { continue };
            let (stamps, first) = self.stamps(kind.table, &key)?;
            fields.clear();
            for (field, value) in kind.fields.iter().copied().zip(cells) {
                // A field that is younger than the record has the value it was born with, and so the record's own stamp.
                let (at, op) = stamps.get(field).copied().unwrap_or(first);
                fields.push(Stamped {
                    table: kind.table,
                    id,
                    field,
                    value,
                    at,
                    by: phone,
                    op,
                });
            }
            each(id, &fields)?;
        }
        Ok(())
    }

    /// Hands out the carried records of one kind, in ascending order of their ids.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read, or the first error of `each`.
    pub fn each_record<R: Record, E: From<StoreError>>(
        &self,
        carry: &Carry,
        mut each: impl FnMut(R) -> Result<(), E>,
    ) -> Result<(), E> {
        for id in carry.ids(R::TABLE) {
            each(self.one(id)?)?;
        }
        Ok(())
    }

    /// Returns each field's last change of one record, and the first change of any.
    #[allow(clippy::type_complexity)] // two stamps by name, used once
    fn stamps(&self, table: &str, id: &str) -> Result<(BTreeMap<String, Stamp>, Stamp), StoreError> {
        let mut select = self
            .db
            .prepare_cached(
                "SELECT c.field, o.at, o.id FROM change c JOIN op o ON o.seq = c.op
                 WHERE c.id = ?2 AND c.record = ?1 ORDER BY c.op, c.n",
            )
            .map_err(StoreError::sql(DOING))?;
        let mut rows = select.query([table, id]).map_err(StoreError::sql(DOING))?;
        let mut first = None;
        let mut stamps = BTreeMap::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(DOING))? {
            let (field, at, op): (String, String, String) =
                (|| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))().map_err(StoreError::sql(DOING))?;
            let stamp = (moment(&at)?, uuid("op", &op)?);
            first.get_or_insert(stamp);
            stamps.insert(field, stamp);
        }
        let first = first.ok_or_else(|| StoreError::Damaged {
            detail: format!("the log knows nothing of {table} {id}"),
        })?;
        Ok((stamps, first))
    }

    /// Hands out the actions carried, in the order they were kept.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read, or the first error of `each`.
    pub fn each_logged<E: From<StoreError>>(
        &self,
        carry: &Carry,
        mut each: impl FnMut(&Logged) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut select = self
            .db
            .prepare_cached(
                "SELECT o.seq, o.id, o.stop, o.at, o.label, o.undoable, u.id FROM op o LEFT JOIN op u ON u.seq = o.undoes
                 WHERE substr(o.at, 1, 10) = ?1 OR o.seq > ?2 ORDER BY o.seq",
            )
            .map_err(StoreError::sql(DOING))?;
        let mut rows = select
            .query(params![iso(carry.day), carry.after.unwrap_or(i64::MAX)])
            .map_err(StoreError::sql(DOING))?;
        while let Some(row) = rows.next().map_err(StoreError::sql(DOING))? {
            let get = || -> rusqlite::Result<_> {
                Ok((
                    row.get::<_, i64>(0)?,
                    row.get::<_, String>(1)?,
                    row.get::<_, Option<String>>(2)?,
                    row.get::<_, String>(3)?,
                    row.get(4)?,
                    row.get(5)?,
                    row.get::<_, Option<String>>(6)?,
                ))
            };
            let (seq, id, stop, at, label, undoable, undoes) = get().map_err(StoreError::sql(DOING))?;
            let (changes, before) = self.logged_changes(seq)?;
            each(&Logged {
                op: Op {
                    id: uuid("op", &id)?,
                    stop: stop.map(|stop| uuid("stop", &stop)).transpose()?.map(StopId),
                    at: moment(&at)?,
                    label,
                    undoable,
                    changes,
                },
                undoes: undoes.map(|undone| uuid("op", &undone)).transpose()?,
                before,
            })?;
        }
        Ok(())
    }

    fn logged_changes(&self, seq: i64) -> Result<(Vec<FieldChange>, Vec<Option<Cell>>), StoreError> {
        let mut select = self
            .db
            .prepare_cached("SELECT record, id, field, old, new FROM change WHERE op = ?1 ORDER BY n")
            .map_err(StoreError::sql(DOING))?;
        let mut rows = select.query([seq]).map_err(StoreError::sql(DOING))?;
        let (mut changes, mut before) = (Vec::new(), Vec::new());
        while let Some(row) = rows.next().map_err(StoreError::sql(DOING))? {
            let get = || -> rusqlite::Result<(String, String, String, Option<String>, String)> {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?))
            };
            let (table, id, field, old, new) = get().map_err(StoreError::sql(DOING))?;
            let kind = Kind::named(&table).ok_or_else(|| unreadable(&table))?;
            changes.push(FieldChange {
                table: kind.table,
                id: uuid(&table, &id)?,
                field: kind.field(&field).ok_or_else(|| unreadable(&field))?,
                value: cell_from_json(&new)?,
            });
            before.push(old.as_deref().map(cell_from_json).transpose()?);
        }
        Ok((changes, before))
    }
}

type Stamp = (DateTime<FixedOffset>, Uuid);

struct Reference {
    from: &'static Kind,
    field: &'static str,
    to: &'static Kind,
}

/// Whether records of this kind belong to one of `root`, directly or through what they belong to.
fn is_below(table: &str, root: &str, references: &[Reference]) -> bool {
    // KINDS stands in the order of the references, so each step goes up and this ends.
    table == root
        || references
            .iter()
            .any(|r| r.from.table == table && r.to.table != table && is_below(r.to.table, root, references))
}

fn moment(text: &str) -> Result<DateTime<FixedOffset>, StoreError> {
    DateTime::parse_from_rfc3339(text).map_err(|_| unreadable(text))
}

fn uuid(record: &str, text: &str) -> Result<Uuid, StoreError> {
    Uuid::parse_str(text).map_err(|_| StoreError::Damaged {
        detail: format!("{record} {text} has an unreadable id"),
    })
}

fn unreadable(what: &str) -> StoreError {
    StoreError::Damaged {
        detail: format!("the log names {what}, which cannot be read"),
    }
}

/// `SQLite` holds signed numbers; what is past them is as good as the largest.
fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}
