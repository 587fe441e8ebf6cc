//! What the office's book knows of files taken in: which, from which phone, signed by whom, and what did not come to stand.

use super::merge::{Known, Merged, Merger, Told, columns_of, is_same, order, told_of};
use super::query::text_of;
use super::{Store, StoreError, cell_of, connect};
use crate::domain::record::{Cell, KINDS, Kept, Kind, Record, Site, SiteId};
use chrono::{DateTime, FixedOffset, NaiveDate};
use rusqlite::{OpenFlags, OptionalExtension, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use uuid::Uuid;

/// How much of the book is held in memory while a file is taken in: KiB, below zero as SQLite asks.
const CACHE_KIB: i64 = -64 * 1024;

/// A day file, as the ledger of files taken in knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayFile {
    /// The SHA-256 of the file before it was sealed, as 64 hexadecimal digits.
    pub hash: String,
    /// The phone that made it.
    pub phone: Uuid,
    /// The truck.
    pub truck: String,
    /// The day.
    pub day: NaiveDate,
    /// Its number among the files of its phone.
    pub sequence: u64,
    /// The hash of the file before it; `None` for the first.
    pub follows: Option<String>,
    /// The day was not over.
    pub partial: bool,
    /// When it was made, by the phone's clock.
    pub made_at: DateTime<FixedOffset>,
    /// The key that signed it; `None` when nobody did.
    pub signed_by: Option<String>,
}

/// What became of a file that was taken in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TakenIn {
    /// The book had it already; nothing has changed.
    Already,
    /// It is in the book now.
    Merged(Merged),
}

/// Something odd about a file's place among those of its phone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SequenceNote {
    /// Another file of the same phone has the same number: the phone has been put back to an older state, or copied.
    Reused {
        /// The day of the other file.
        day: NaiveDate,
    },
    /// A file with a higher number was made before this one.
    WentBack {
        /// The number of that file.
        higher: u64,
    },
    /// It follows a file that is not the one the book knows under the number before it.
    OtherBranch,
    /// Files between those known and this one have not come yet.
    Missing {
        /// The first missing number.
        first: u64,
        /// The last missing number.
        last: u64,
    },
}

/// A key the office trusts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PhoneKey {
    /// The public key, as text.
    pub key: String,
    /// Whose phone it is.
    pub name: String,
    /// The phone that has used it, once one has.
    pub phone: Option<Uuid>,
    /// When it was added.
    pub added_at: String,
    /// How many files with its signature have been taken in.
    pub files: u64,
    /// The highest number among them.
    pub last_sequence: Option<u64>,
    /// The latest day among them.
    pub last_day: Option<NaiveDate>,
}

/// A photo or signature that ought to lie beside the book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BlobRow {
    /// The SHA-256 of its bytes, as 64 hexadecimal digits.
    pub hash: String,
    /// Its name in the day file: the folder says what it is, a signature's name whose.
    pub name: String,
    /// What kind of file it is.
    pub media_type: String,
    /// Its size.
    pub bytes: u64,
}

/// A file that ought to lie beside the book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedFile {
    /// The SHA-256 of its bytes, as 64 hexadecimal digits.
    pub hash: String,
    /// The end of its name, without the dot.
    pub ending: String,
    /// Its size; `None` when only a record names it and no day file has brought it.
    pub bytes: Option<u64>,
}

/// A number under which a phone has sent more than one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReusedSequence {
    /// The phone.
    pub phone: Uuid,
    /// The number.
    pub sequence: u64,
    /// How many files bear it.
    pub files: u64,
}

/// A file taken in that holds times that cannot be right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DoubtfulFile {
    /// The phone.
    pub phone: Uuid,
    /// The day of the file, as it says.
    pub day: String,
    /// How many fields.
    pub fields: u64,
}

/// One side of a conflict: a value, and when and where it was given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Side {
    /// The value.
    pub value: Cell,
    /// When, by the clock of the phone; `None` when nobody knows.
    pub at: Option<DateTime<FixedOffset>>,
    /// The phone; all zeros for this book itself.
    pub by: Uuid,
    /// Whether the time can be right.
    pub is_sound: bool,
}

/// Two phones that gave one field different values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Conflict {
    /// The kind of record.
    pub record: &'static str,
    /// The record.
    pub id: Uuid,
    /// The field.
    pub field: &'static str,
    /// The site it belongs to, when it belongs to one.
    pub site: Option<(SiteId, String)>,
    /// What stands in the book.
    pub stands: Side,
    /// What another phone said last.
    pub lost: Side,
}

impl Store {
    /// Takes a day file into the book: all of it, or nothing. A file the book has already changes nothing.
    ///
    /// * `now`: the clock by which the phone's times are judged
    /// * `tell`: hands everything the file holds to the merger
    ///
    /// # Errors
    /// The first error of `tell` or of the book; then nothing has changed.
    pub fn take_in<E: From<StoreError>>(
        &mut self,
        file: &DayFile,
        now: DateTime<FixedOffset>,
        tell: impl FnOnce(&mut Merger<'_>) -> Result<(), E>,
    ) -> Result<TakenIn, E> {
        let doing = "take in the file";
        let own = self.own()?;
        self.note_open()?;
        // The pages of the indexes are written again and again: they stay in memory until the end.
        self.db
            .pragma_update(None, "cache_size", CACHE_KIB)
            .map_err(StoreError::sql(doing))?;
        let tx = self
            .db
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(StoreError::sql(doing))?;
        let known: bool = tx
            .query_row(
                "SELECT EXISTS (SELECT 1 FROM taken_in WHERE hash = ?1)",
                [&file.hash],
                |row| row.get(0),
            )
            .map_err(StoreError::sql(doing))?;
        if known {
            return Ok(TakenIn::Already);
        }
        let mut merger = Merger::new(&tx, own, now)?;
        tell(&mut merger)?;
        let done = merger.finish()?;
        note(&tx, file, &done, now)?;
        let committed = tx.execute_batch("COMMIT");
        if let Err(source) = committed {
            let dangling = dangling(&tx, &source)?;
            drop(tx);
            return Err(dangling.unwrap_or_else(|| StoreError::sql(doing)(source)).into());
        }
        Ok(TakenIn::Merged(done))
    }

    /// The id under which this book's own changes are made; all zeros in a book that is no phone's.
    fn own(&self) -> Result<Uuid, StoreError> {
        Ok(self
            .meta("phone")?
            .and_then(|text| Uuid::parse_str(&text).ok())
            .unwrap_or_default())
    }

    /// Whether this file has been taken in.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn has_taken_in(&self, hash: &str) -> Result<bool, StoreError> {
        self.db
            .query_row(
                "SELECT EXISTS (SELECT 1 FROM taken_in WHERE hash = ?1)",
                [hash],
                |row| row.get(0),
            )
            .map_err(StoreError::sql("look for the file"))
    }

    /// Says what is odd about a file's place among those of its phone.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn sequence_notes(&self, file: &DayFile) -> Result<Vec<SequenceNote>, StoreError> {
        let doing = "look at the files of the phone";
        let mut select = self
            .db
            .prepare_cached("SELECT sequence, hash, day, made_at FROM taken_in WHERE phone = ?1 AND hash <> ?2")
            .map_err(StoreError::sql(doing))?;
        let mut rows = select
            .query([&file.phone.to_string(), &file.hash])
            .map_err(StoreError::sql(doing))?;
        let mut known: BTreeMap<u64, Vec<(String, NaiveDate, String)>> = BTreeMap::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            let get = || -> rusqlite::Result<(i64, String, String, String)> {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
            };
            let (sequence, hash, day, made_at) = get().map_err(StoreError::sql(doing))?;
            let day = NaiveDate::from_cell(&Cell::Text(day)).unwrap_or_default();
            known
                .entry(u64::try_from(sequence).unwrap_or(0))
                .or_default()
                .push((hash, day, made_at));
        }
        let mut notes = Vec::new();
        if let Some((_, day, _)) = known.get(&file.sequence).and_then(|files| files.first()) {
            notes.push(SequenceNote::Reused { day: *day });
        }
        let made_before = |made_at: &str| DateTime::parse_from_rfc3339(made_at).is_ok_and(|at| at < file.made_at);
        let above = known
            .range(file.sequence.saturating_add(1)..)
            .find(|(_, files)| files.iter().any(|(_, _, made_at)| made_before(made_at)));
        if let Some((higher, _)) = above {
            notes.push(SequenceNote::WentBack { higher: *higher });
        }
        if let Some((before, files)) = known.range(..file.sequence).next_back() {
            let is_next = before.saturating_add(1) == file.sequence;
            let follows_one = file
                .follows
                .as_ref()
                .is_some_and(|follows| files.iter().any(|(hash, _, _)| hash == follows));
            if is_next && !follows_one {
                notes.push(SequenceNote::OtherBranch);
            } else if !is_next && !follows_one {
                notes.push(SequenceNote::Missing {
                    first: before.saturating_add(1),
                    last: file.sequence.saturating_sub(1),
                });
            }
        }
        Ok(notes)
    }

    /// Adds a key to those trusted, or gives a trusted one another name; returns whether it is new.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing has changed.
    pub fn trust(&self, key: &str, name: &str, now: DateTime<FixedOffset>) -> Result<bool, StoreError> {
        let doing = "trust the phone";
        let known: bool = self
            .db
            .query_row("SELECT EXISTS (SELECT 1 FROM phone_key WHERE key = ?1)", [key], |row| {
                row.get(0)
            })
            .map_err(StoreError::sql(doing))?;
        self.note_open()?;
        self.db
            .execute(
                "INSERT INTO phone_key (key, name, added_at) VALUES (?1, ?2, ?3)
                 ON CONFLICT (key) DO UPDATE SET name = excluded.name",
                params![key, name, text_of(now)],
            )
            .map_err(StoreError::sql(doing))?;
        Ok(!known)
    }

    /// Takes a key from those trusted; what it signed before stays in the book.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing has changed.
    pub fn distrust(&self, key: &str) -> Result<bool, StoreError> {
        self.note_open()?;
        self.db
            .execute("DELETE FROM phone_key WHERE key = ?1", [key])
            .map(|rows| rows > 0)
            .map_err(StoreError::sql("trust the phone no more"))
    }

    /// Lists the keys trusted, by name.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn phone_keys(&self) -> Result<Vec<PhoneKey>, StoreError> {
        let doing = "list the phones";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT k.key, k.name, k.phone, k.added_at, count(t.hash), max(t.sequence), max(t.day)
                 FROM phone_key k LEFT JOIN taken_in t ON t.signed_by = k.key GROUP BY k.key ORDER BY k.name, k.key",
            )
            .map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([], |row| {
                let number = |i| -> rusqlite::Result<Option<u64>> {
                    Ok(row.get::<_, Option<i64>>(i)?.and_then(|n| u64::try_from(n).ok()))
                };
                Ok(PhoneKey {
                    key: row.get(0)?,
                    name: row.get(1)?,
                    phone: row
                        .get::<_, Option<String>>(2)?
                        .and_then(|text| Uuid::parse_str(&text).ok()),
                    added_at: row.get(3)?,
                    files: number(4)?.unwrap_or(0),
                    last_sequence: number(5)?,
                    last_day: Option::<NaiveDate>::from_cell(&cell_of(row.get_ref(6)?)).flatten(),
                })
            })
            .map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
    }

    /// Lists the photos and signatures that ought to lie beside the book, by hash: those that came in day files, and those
    /// that records name, removed ones too, because an undo may bring them back.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn files_named(&self) -> Result<Vec<NamedFile>, StoreError> {
        let doing = "list the photos";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT hash, replace(name, rtrim(name, replace(name, '.', '')), ''), max(bytes) FROM blob GROUP BY 1, 2
                 UNION ALL SELECT DISTINCT hash, 'jpg', NULL FROM photo
                   WHERE NOT EXISTS (SELECT 1 FROM blob WHERE blob.hash = photo.hash AND blob.name LIKE '%.jpg')
                 ORDER BY 1, 2",
            )
            .map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([], |row| {
                Ok(NamedFile {
                    hash: row.get(0)?,
                    ending: row.get(1)?,
                    bytes: row
                        .get::<_, Option<i64>>(2)?
                        .map(|bytes| u64::try_from(bytes).unwrap_or(0)),
                })
            })
            .map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
    }

    /// Lists the hashes that another book in the same folder names, whatever its form; nothing for a file of another program.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read, or is of a newer form, so that nobody knows what it names.
    pub fn hashes_named_in(path: &Path) -> Result<BTreeSet<String>, StoreError> {
        let doing = "look into the other book";
        let db = match connect(path, OpenFlags::default() - OpenFlags::SQLITE_OPEN_CREATE) {
            Ok((db, _)) => db,
            Err(StoreError::NotOurs { .. }) => return Ok(BTreeSet::new()),
            Err(error) => return Err(error),
        };
        db.pragma_update(None, "query_only", true)
            .map_err(StoreError::sql(doing))?;
        let mut hashes = BTreeSet::new();
        for table in ["blob", "photo"] {
            // An older form may not have the table yet.
            if !db.table_exists(None, table).map_err(StoreError::sql(doing))? {
                continue;
            }
            let mut select = db
                .prepare(&format!("SELECT hash FROM {table}"))
                .map_err(StoreError::sql(doing))?;
            let rows = select.query_map([], |row| row.get(0)).map_err(StoreError::sql(doing))?;
            for hash in rows {
                hashes.insert(hash.map_err(StoreError::sql(doing))?);
            }
        }
        Ok(hashes)
    }

    /// Lists the numbers under which a phone has sent more than one file.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn reused_sequences(&self) -> Result<Vec<ReusedSequence>, StoreError> {
        self.per_phone(
            "SELECT phone, '', sequence, count(*) FROM taken_in GROUP BY phone, sequence HAVING count(*) > 1 ORDER BY 1, 3",
            |phone, _, sequence, files| ReusedSequence { phone, sequence, files },
        )
    }

    /// Lists the files taken in that hold times that cannot be right.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn doubtful_files(&self) -> Result<Vec<DoubtfulFile>, StoreError> {
        self.per_phone(
            "SELECT phone, day, sequence, doubtful FROM taken_in WHERE doubtful > 0 ORDER BY phone, sequence, hash",
            |phone, day, _, fields| DoubtfulFile { phone, day, fields },
        )
    }

    fn per_phone<T>(&self, sql: &str, of: impl Fn(Uuid, String, u64, u64) -> T) -> Result<Vec<T>, StoreError> {
        let doing = "look at the files of the phones";
        let mut select = self.db.prepare_cached(sql).map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([], |row| {
                let number = |i| row.get::<_, i64>(i).map(|n| u64::try_from(n).unwrap_or(0));
                let phone: String = row.get(0)?;
                Ok(of(
                    Uuid::parse_str(&phone).unwrap_or_default(),
                    row.get(1)?,
                    number(2)?,
                    number(3)?,
                ))
            })
            .map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
    }

    /// Lists every field to which two phones, or a phone and this book, gave different values.
    ///
    /// Of each phone its last word counts: what it has itself replaced is no conflict, but is kept all the same.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn conflicts(&mut self) -> Result<Vec<Conflict>, StoreError> {
        let doing = "list the conflicts";
        let own = self.own()?;
        let tx = self.db.transaction().map_err(StoreError::sql(doing))?;
        let mut told: BTreeMap<(String, String, String), Vec<Told>> = BTreeMap::new();
        {
            let mut select = tx
                .prepare_cached("SELECT record, id, field, at_ms, offset_min, by, op, sound, value FROM lost")
                .map_err(StoreError::sql(doing))?;
            let mut rows = select.query([]).map_err(StoreError::sql(doing))?;
            while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
                let key = (|| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))().map_err(StoreError::sql(doing))?;
                told.entry(key).or_default().push(told_of(row, 3)?);
            }
        }
        let mut known: Option<Known> = None;
        let mut list = Vec::new();
        for ((record, id, field), asides) in &told {
            let unreadable = || StoreError::Damaged {
                detail: format!("a value set aside names {record}.{field} of {id}, which does not exist"),
            };
            let kind = Kind::named(record).ok_or_else(unreadable)?;
            let field = kind.field(field).ok_or_else(unreadable)?;
            let uuid = Uuid::parse_str(id).map_err(|_| unreadable())?;
            if known.as_ref().is_none_or(|known| !known.is_of(kind, uuid)) {
                known = Some(Known::read(&tx, own, kind, columns_of(&tx, kind)?, uuid)?);
            }
            let stands = known
                .as_ref()
                .and_then(|known| known.of(field))
                .ok_or_else(unreadable)?;
            let mut words: BTreeMap<Uuid, &Told> = BTreeMap::new();
            for aside in asides.iter().chain([stands]) {
                let word = words.entry(aside.1.by).or_insert(aside);
                if order(aside) > order(word) {
                    *word = aside;
                }
            }
            for word in words.into_values() {
                if word.1.by != stands.1.by && word.0 != stands.0 && !is_same(word, stands) {
                    list.push(Conflict {
                        record: kind.table,
                        id: uuid,
                        field,
                        site: None,
                        stands: side(stands),
                        lost: side(word),
                    });
                }
            }
        }
        for conflict in &mut list {
            conflict.site = site_above(&tx, conflict.record, &conflict.id.to_string())?;
        }
        Ok(list)
    }

    /// Lists what refers to records that are not there, and marks and values set aside of records that are not there.
    ///
    /// Empty in a sound book.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn loose_ends(&self) -> Result<Vec<String>, StoreError> {
        let doing = "look for loose ends";
        let mut list = Vec::new();
        {
            let mut select = self
                .db
                .prepare("SELECT \"table\", parent, count(*) FROM pragma_foreign_key_check GROUP BY 1, 2")
                .map_err(StoreError::sql(doing))?;
            let mut rows = select.query([]).map_err(StoreError::sql(doing))?;
            while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
                let (table, parent, count): (String, String, i64) =
                    (|| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))().map_err(StoreError::sql(doing))?;
                list.push(format!("{count} of {table} name a {parent} that is not there"));
            }
        }
        for kind in KINDS {
            for (table, what) in [("stamp", "marks"), ("lost", "values set aside")] {
                let count: i64 = self
                    .db
                    .query_row(
                        &format!(
                            "SELECT count(*) FROM {table} WHERE record = ?1 AND id NOT IN (SELECT id FROM {})",
                            kind.table
                        ),
                        [kind.table],
                        |row| row.get(0),
                    )
                    .map_err(StoreError::sql(doing))?;
                if count > 0 {
                    list.push(format!("{count} {what} belong to no {}", kind.table));
                }
            }
        }
        Ok(list)
    }

    /// Returns how many records of each kind the book holds, the removed ones included.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn counts(&self) -> Result<BTreeMap<&'static str, u64>, StoreError> {
        KINDS
            .iter()
            .map(|kind| {
                self.db
                    .query_row(&format!("SELECT count(*) FROM {}", kind.table), [], |row| {
                        row.get::<_, i64>(0)
                    })
                    .map(|count| (kind.table, u64::try_from(count).unwrap_or(0)))
                    .map_err(StoreError::sql("count the records"))
            })
            .collect()
    }
}

fn side(told: &Told) -> Side {
    Side {
        value: told.0.clone(),
        at: told.1.at(),
        by: told.1.by,
        is_sound: told.1.sound,
    }
}

/// Writes the line of the ledger, and which phone used the key first.
fn note(tx: &Transaction<'_>, file: &DayFile, merged: &Merged, now: DateTime<FixedOffset>) -> Result<(), StoreError> {
    let doing = "note the file";
    tx.execute(
        "INSERT INTO taken_in (hash, phone, truck, day, sequence, follows, partial, made_at, signed_by, doubtful, taken_at)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        params![
            file.hash,
            file.phone.to_string(),
            file.truck,
            file.day.format("%Y-%m-%d").to_string(),
            i64::try_from(file.sequence).unwrap_or(i64::MAX),
            file.follows,
            file.partial,
            text_of(file.made_at),
            file.signed_by,
            i64::try_from(merged.doubtful).unwrap_or(i64::MAX),
            text_of(now),
        ],
    )
    .map_err(StoreError::sql(doing))?;
    if let Some(key) = &file.signed_by {
        tx.execute(
            "UPDATE phone_key SET phone = ?2 WHERE key = ?1 AND phone IS NULL",
            [key, &file.phone.to_string()],
        )
        .map_err(StoreError::sql(doing))?;
    }
    Ok(())
}

/// Names a reference to a record that is not there, when that is why the commit was refused.
fn dangling(tx: &Transaction<'_>, source: &rusqlite::Error) -> Result<Option<StoreError>, StoreError> {
    if source.sqlite_error_code() != Some(rusqlite::ErrorCode::ConstraintViolation) {
        return Ok(None);
    }
    tx.query_row(
        "SELECT \"table\", parent FROM pragma_foreign_key_check LIMIT 1",
        [],
        |row| {
            Ok(StoreError::Dangling {
                record: row.get(0)?,
                parent: row.get(1)?,
            })
        },
    )
    .optional()
    .map_err(StoreError::sql("look for loose ends"))
}

/// Finds the site a record belongs to by following its references.
fn site_above(tx: &Transaction<'_>, table: &str, id: &str) -> Result<Option<(SiteId, String)>, StoreError> {
    let doing = "look for the site";
    let (mut table, mut id) = (table.to_owned(), id.to_owned());
    // Kinds refer to kinds that stand before them, so this many steps always suffice.
    for _ in KINDS {
        if table == Site::TABLE {
            let name: Option<String> = tx
                .query_row("SELECT name FROM site WHERE id = ?1", [&id], |row| row.get(0))
                .optional()
                .map_err(StoreError::sql(doing))?;
            return Ok(Uuid::parse_str(&id).ok().zip(name).map(|(id, name)| (SiteId(id), name)));
        }
        let parent: Option<(String, String)> = tx
            .query_row(
                "SELECT \"from\", \"table\" FROM pragma_foreign_key_list(?1) ORDER BY id DESC LIMIT 1",
                [&table],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()
            .map_err(StoreError::sql(doing))?;
        let Some((field, parent)) = parent else { return Ok(None) };
        let (Some(kind), Some(above)) = (Kind::named(&table), Kind::named(&parent)) else {
            return Ok(None);
        };
        let Some(field) = kind.field(&field) else {
            return Ok(None);
        };
        let next: Option<Option<String>> = tx
            .query_row(
                &format!("SELECT {field} FROM {} WHERE id = ?1", kind.table),
                [&id],
                |row| row.get(0),
            )
            .optional()
            .map_err(StoreError::sql(doing))?;
        let Some(next) = next.flatten() else { return Ok(None) };
        (table, id) = (above.table.to_owned(), next);
    }
    Ok(None)
}
