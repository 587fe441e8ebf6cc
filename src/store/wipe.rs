//! Wiping: unlike taking something off a list, nothing of it is left in the file, the log included.
//!
//! The lines of the log keep their numbers, emptied: the numbers say what a day file has carried already.

use super::{Store, StoreError};
use crate::domain::record::{SiteId, Stop, StopId};
use rusqlite::{Transaction, params};

/// What is wiped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wipe {
    /// What was done and found at one stop. The tank, its lids and the places taken there belong to the site and stay.
    Stop(StopId),
    /// A site with everything in its ground and every stop there.
    Site(SiteId),
    /// The whole book, the set-up with it.
    All,
}

const DOING: &str = "wipe";

/// Tables whose rows go with a stop, and how they are found: each statement lists the ids of rows of `doomed`.
const OF_STOPS: &[(&str, &str)] = &[
    (
        "waste_record",
        "pumping IN (SELECT id FROM pumping WHERE stop IN (SELECT id FROM doomed))",
    ),
    ("reading", "stop IN (SELECT id FROM doomed)"),
    ("pumping", "stop IN (SELECT id FROM doomed)"),
    ("flush", "stop IN (SELECT id FROM doomed)"),
    ("sign", "stop IN (SELECT id FROM doomed)"),
    ("condition", "stop IN (SELECT id FROM doomed)"),
    ("leak_run", "stop IN (SELECT id FROM doomed)"),
    ("work_line", "stop IN (SELECT id FROM doomed)"),
    ("photo", "stop IN (SELECT id FROM doomed)"),
    ("stop", "id IN (SELECT id FROM doomed)"),
];

/// Tables that name a stop without belonging to it.
const NAMING_STOPS: &[&str] = &["pin", "tie", "clue", "probe"];

/// Tables whose rows go with a site, beside its stops.
const OF_SITES: &[(&str, &str)] = &[
    ("photo", "site = ?1"),
    ("tie", "site = ?1"),
    ("pin", "site = ?1"),
    ("clue", "site = ?1"),
    ("probe", "site = ?1"),
    ("lid", "tank IN (SELECT id FROM tank WHERE site = ?1)"),
    ("compartment", "tank IN (SELECT id FROM tank WHERE site = ?1)"),
    ("tank", "site = ?1"),
    ("fixture", "site = ?1"),
    ("site", "id = ?1"),
];

impl Store {
    /// Returns every stop at a site, the newest first, begun or not: what can be wiped.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn stops_at(&self, site: SiteId) -> Result<Vec<Stop>, StoreError> {
        self.select::<Stop>(
            "WHERE t.site = ?1 AND t.removed = 0 ORDER BY t.day DESC, t.place DESC",
            &[&site.0.to_string()],
        )
    }

    /// Wipes, in one transaction, and gives the room back so that nothing of it can be read from the file.
    ///
    /// * returns: the hashes of photos that no record names any longer, to be removed from beside the book
    ///
    /// # Errors
    /// [`StoreError`]; then nothing was wiped, unless only giving the room back failed.
    pub fn wipe(&mut self, what: Wipe) -> Result<Vec<String>, StoreError> {
        let fail = StoreError::sql(DOING);
        self.db.pragma_update(None, "secure_delete", true).map_err(&fail)?;
        let tx = self.begin(DOING)?;
        // Rows name each other in both directions; what counts is that nothing dangles at the end.
        tx.pragma_update(None, "defer_foreign_keys", true).map_err(&fail)?;
        let before = hashes(&tx)?;
        match what {
            Wipe::Stop(stop) => wipe_records(&tx, None, Some(&stop.0.to_string())),
            Wipe::Site(site) => wipe_records(&tx, Some(&site.0.to_string()), None),
            Wipe::All => wipe_all(&tx),
        }
        .map_err(&fail)?;
        let after = hashes(&tx)?;
        tx.commit().map_err(&fail)?;
        // What was deleted may still stand in free pages and in the log beside the file.
        self.db
            .execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE);")
            .map_err(&fail)?;
        Ok(before.into_iter().filter(|hash| !after.contains(hash)).collect())
    }
}

fn hashes(tx: &Transaction<'_>) -> Result<Vec<String>, StoreError> {
    let fail = StoreError::sql(DOING);
    let mut select = tx.prepare("SELECT DISTINCT hash FROM photo").map_err(&fail)?;
    let rows = select.query_map([], |row| row.get(0)).map_err(&fail)?;
    rows.collect::<Result<_, _>>().map_err(fail)
}

fn wipe_records(tx: &Transaction<'_>, site: Option<&str>, stop: Option<&str>) -> rusqlite::Result<()> {
    tx.execute_batch("CREATE TEMP TABLE doomed (id TEXT PRIMARY KEY); CREATE TEMP TABLE gone (id TEXT PRIMARY KEY);")?;
    tx.execute(
        "INSERT INTO doomed SELECT id FROM stop WHERE id = ?1 OR site = ?2",
        params![stop, site],
    )?;
    for (table, rows) in OF_STOPS {
        tx.execute(
            &format!("INSERT OR IGNORE INTO gone SELECT id FROM {table} WHERE {rows}"),
            [],
        )?;
        tx.execute(&format!("DELETE FROM {table} WHERE {rows}"), [])?;
    }
    for table in NAMING_STOPS {
        tx.execute(
            &format!("UPDATE {table} SET stop = NULL WHERE stop IN (SELECT id FROM doomed)"),
            [],
        )?;
    }
    if let Some(site) = site {
        for (table, rows) in OF_SITES {
            tx.execute(
                &format!("INSERT OR IGNORE INTO gone SELECT id FROM {table} WHERE {rows}"),
                [site],
            )?;
            tx.execute(&format!("DELETE FROM {table} WHERE {rows}"), [site])?;
        }
    }
    // The log: its lines stay as empty ones, what they changed goes.
    tx.execute_batch(
        "UPDATE op SET label = '', undoable = 0, stop = NULL
             WHERE stop IN (SELECT id FROM doomed) OR seq IN (SELECT op FROM change WHERE id IN (SELECT id FROM gone));
         DELETE FROM change WHERE id IN (SELECT id FROM gone);
         DELETE FROM stamp WHERE id IN (SELECT id FROM gone);
         DELETE FROM lost WHERE id IN (SELECT id FROM gone);
         DELETE FROM phone_action WHERE stop IN (SELECT id FROM doomed)
             OR EXISTS (SELECT 1 FROM gone WHERE instr(phone_action.changes, gone.id) > 0);
         DELETE FROM meta WHERE key = 'on_screen' AND value IN (SELECT id FROM doomed);
         DROP TABLE doomed; DROP TABLE gone;",
    )
}

fn wipe_all(tx: &Transaction<'_>) -> rusqlite::Result<()> {
    let mut select = tx.prepare(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name <> 'meta'",
    )?;
    let tables = select
        .query_map([], |row| row.get::<_, String>(0))?
        .collect::<Result<Vec<_>, _>>()?;
    for table in tables {
        tx.execute(&format!("DELETE FROM {table}"), [])?;
    }
    // Whether the book was closed in order is not the person's; everything else in the notes is, the phone's name with it:
    // file numbers begin anew, and two files of one phone must never have the same.
    tx.execute("DELETE FROM meta WHERE key <> 'open'", []).map(|_| ())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Every table of the schema is thought of above: a new one must be sorted in, or here, before anything lands.
    #[test]
    fn every_table_is_wiped_with_something_or_is_the_companys_own() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&folder.path().join("book.sqlite")).unwrap();
        // The company's, the truck's and the office's own: they name no site, and only go with everything.
        let own = [
            "setup",
            "price",
            "truck",
            "truck_tank",
            "disposal_place",
            "disposal",
            "load_correction",
            "day_close",
            "sent",
            "taken_in",
            "phone_key",
            "blob",
            "meta",
        ];
        // By id, above.
        let by_id = ["op", "change", "stamp", "lost", "phone_action"];
        let mut select = store
            .db
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
            .unwrap();
        for table in select.query_map([], |row| row.get::<_, String>(0)).unwrap() {
            let table = table.unwrap();
            let known = own.contains(&table.as_str())
                || by_id.contains(&table.as_str())
                || OF_STOPS.iter().chain(OF_SITES).any(|(name, _)| *name == table);
            assert!(known, "{table}");
        }
    }
}
