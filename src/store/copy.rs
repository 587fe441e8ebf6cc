//! Whole copies of the book: made by `SQLite`'s online backup, checked, and put where they belong in one step.

use super::{Store, StoreError, connect, connect_to_look};
use rusqlite::{Connection, OpenFlags};
use std::path::Path;

impl Store {
    /// Copies the book at `from`, whatever its form, into a new file that is whole by itself, and checks the copy.
    ///
    /// * `watch`: hears how many pages there are and how many are left
    ///
    /// # Errors
    /// [`StoreError`] when the copy cannot be made or is not sound; what has been written of it is of no use then.
    pub fn copy(from: &Path, to: &Path, watch: &dyn Fn(u64, u64)) -> Result<(), StoreError> {
        let doing = "copy the book";
        let fail = StoreError::sql(doing);
        let (source, _) = connect_to_look(from)?;
        let mut copy = Connection::open(to).map_err(|source| StoreError::from_sqlite_open(to, source))?;
        {
            let backup = rusqlite::backup::Backup::new(&source, &mut copy).map_err(&fail)?;
            loop {
                use rusqlite::backup::StepResult;
                let step = backup.step(2_048).map_err(&fail)?;
                let progress = backup.progress();
                watch(number(progress.pagecount), number(progress.remaining));
                match step {
                    StepResult::Done => break,
                    StepResult::More => {}
                    // Another program is writing: its turn is short.
                    _ => std::thread::sleep(std::time::Duration::from_millis(20)),
                }
            }
        }
        // Without a log beside it: one file is all there is to keep, carry or lose.
        copy.pragma_update(None, "journal_mode", "DELETE").map_err(&fail)?;
        copy.pragma_update(None, "synchronous", "FULL").map_err(&fail)?;
        copy.execute("UPDATE meta SET value = '0' WHERE key = 'open'", [])
            .map_err(&fail)?;
        check(&copy)?;
        copy.close().map_err(|(_, source)| fail(source))
    }

    /// Puts the book at `from` in the place of this one, which nobody has begun.
    ///
    /// It is checked and brought to this program's form first; this phone gets a name of its own, because two phones that
    /// number their day files under one name would look like one that was set back.
    ///
    /// # Errors
    /// [`StoreError`] when it is not sound or this book is begun; then this book is as it was.
    pub fn take_over(&mut self, from: &Path) -> Result<(), StoreError> {
        let doing = "take the book over";
        let fail = StoreError::sql(doing);
        if self.setup()?.is_some() {
            return Err(StoreError::Busy { doing });
        }
        let other = Self::open(from)?;
        check(&other.db)?;
        other
            .db
            .execute("DELETE FROM meta WHERE key = 'phone'", [])
            .map_err(&fail)?;
        {
            let backup = rusqlite::backup::Backup::new(&other.db, &mut self.db).map_err(&fail)?;
            backup
                .run_to_completion(2_048, std::time::Duration::ZERO, None)
                .map_err(&fail)?;
        }
        other.close()?;
        check(&self.db)?;
        // The note came over with the rest, as the other book was closed.
        self.is_noted.set(false);
        self.note_open()
    }

    /// Makes sure that nobody has the book and that the file at `path` is all of it, with no log beside it.
    ///
    /// # Errors
    /// [`StoreError::Busy`] when another program has it; otherwise when it cannot be opened.
    pub fn settle_alone(path: &Path) -> Result<(), StoreError> {
        let doing = "close the book";
        let fail = StoreError::sql(doing);
        let (db, _) = connect(path, OpenFlags::default() - OpenFlags::SQLITE_OPEN_CREATE)?;
        db.busy_timeout(std::time::Duration::from_secs(5)).map_err(&fail)?;
        // Leaving the log is only granted to the one program that has the file, and folds the log in.
        let mode: String = db
            .pragma_update_and_check(None, "journal_mode", "DELETE", |row| row.get(0))
            .map_err(&fail)?;
        if mode != "delete" {
            return Err(StoreError::Busy { doing });
        }
        db.close().map_err(|(_, source)| fail(source))
    }
}

fn number(count: std::ffi::c_int) -> u64 {
    u64::try_from(count).unwrap_or(0)
}

fn check(db: &Connection) -> Result<(), StoreError> {
    let fail = StoreError::sql("check the book");
    let verdict: String = db
        .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
        .map_err(&fail)?;
    if verdict != "ok" {
        return Err(StoreError::Damaged { detail: verdict });
    }
    let loose: Option<String> = db
        .query_row(
            "SELECT \"table\" || ' names a ' || parent || ' that is not there' FROM pragma_foreign_key_check LIMIT 1",
            [],
            |row| row.get(0),
        )
        .map(Some)
        .or_else(|error| match error {
            rusqlite::Error::QueryReturnedNoRows => Ok(None),
            other => Err(other),
        })
        .map_err(&fail)?;
    loose.map_or(Ok(()), |detail| Err(StoreError::Damaged { detail }))
}
