//! A book of every form there has been opens, is brought to today's form, and has lost nothing on the way.
//!
//! The books are `tests/vectors/books/form-N.sql`, made once by `make.py` beside them from the steps of their time.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use lidmark::domain::record::{SiteId, StopId};
use lidmark::store::{SCHEMA_VERSION, Store};
use rusqlite::Connection;
use uuid::Uuid;

use crate::fixture::{app_on, dump, strings};

const SITE: SiteId = SiteId(Uuid::from_u128(0x0197_0000_0000_7000_8000_0000_0000_0001));
const STOP: StopId = StopId(Uuid::from_u128(0x0197_0000_0000_7000_8000_0000_0000_0005));

fn vector(form: u32) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/vectors/books/form-{form}.sql"))
}

fn book_of(form: u32, folder: &Path) -> PathBuf {
    let path = folder.join("book.sqlite");
    let text = std::fs::read_to_string(vector(form))
        .unwrap_or_else(|_| panic!("there is no book of form {form}: run python3 tests/vectors/books/make.py"));
    let db = Connection::open(&path).unwrap();
    // The text names tables in the order of their names, not of what refers to what.
    db.pragma_update(None, "foreign_keys", false).unwrap();
    db.execute_batch(&text).unwrap();
    path
}

/// Every row of every table, column by column with its name.
fn rows(path: &Path) -> BTreeMap<String, Vec<BTreeMap<String, String>>> {
    let db = Connection::open(path).unwrap();
    let tables = strings(&db, "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name");
    tables
        .into_iter()
        .map(|table| {
            let mut select = db.prepare(&format!("SELECT * FROM {table} ORDER BY 1, 2")).unwrap();
            let names = select.column_names().map(ToString::to_string).collect::<Vec<_>>();
            let rows = select
                .query_map([], |row| {
                    let cell = |place: usize| row.get::<_, rusqlite::types::Value>(place).unwrap();
                    Ok(names
                        .iter()
                        .enumerate()
                        .map(|(i, name)| (name.clone(), format!("{:?}", cell(i))))
                        .collect())
                })
                .unwrap()
                .map(Result::unwrap)
                .collect();
            (table, rows)
        })
        .collect()
}

/// Tables with their columns, and the indices, without the layout of the text that made them.
fn shape(path: &Path) -> Vec<String> {
    let db = Connection::open(path).unwrap();
    strings(
        &db,
        "SELECT m.name || ' ' || c.name || ' ' || c.type || ' ' || c.\"notnull\" || ' ' || coalesce(c.dflt_value, '-') || ' ' || c.pk
           FROM sqlite_schema m, pragma_table_info(m.name) c WHERE m.type = 'table'
         UNION ALL SELECT name || ' on ' || tbl_name || ' ' || coalesce(sql, '') FROM sqlite_schema WHERE type = 'index'
         UNION ALL SELECT m.name || ' refers ' || f.\"from\" || ' ' || f.\"table\" FROM sqlite_schema m, pragma_foreign_key_list(m.name) f
         ORDER BY 1",
    )
}

#[test]
fn a_book_of_every_form_opens_and_has_lost_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let fresh = folder.path().join("fresh.sqlite");
    Store::open(&fresh).unwrap().close().unwrap();
    let fresh = shape(&fresh);
    for form in 1..=SCHEMA_VERSION {
        let folder = tempfile::tempdir().unwrap();
        let path = book_of(form, folder.path());
        let before = rows(&path);
        assert!(
            before["site"].len() == 1 && before["change"].len() == 1,
            "form {form} is no book"
        );

        let mut store = Store::open(&path).unwrap_or_else(|error| panic!("form {form}: {error} ({error:?})"));
        store.check().unwrap();
        assert!(store.orphans().unwrap().is_empty(), "form {form}");
        let visit = store.visit(STOP).unwrap();
        assert_eq!(visit.site.name, "1 Sample Lane");
        assert_eq!(visit.site.id, SITE);
        assert_eq!(visit.readings[0].sludge_mm.unwrap().as_mm(), 210);
        assert_eq!(store.setup().unwrap().unwrap().company, "Invented Pumping");
        // The last action of the book of then can be taken back by the program of today.
        let label = store.undo(STOP, Uuid::from_u128(9_000), crate::fixture::now()).unwrap();
        assert_eq!(label.as_deref(), Some("sludge"), "form {form}");
        assert_eq!(store.visit(STOP).unwrap().readings[0].sludge_mm.unwrap().as_mm(), 200);
        store.close().unwrap();

        assert_eq!(
            shape(&path),
            fresh,
            "form {form} is not brought to the form of a new book"
        );
        let after = rows(&path);
        for (table, list) in &before {
            if ["meta", "op", "change"].contains(&table.as_str()) {
                continue;
            }
            for row in list {
                let kept = after[table].iter().any(|now| {
                    row.iter().all(|(column, value)| {
                        // The reading just taken back, and the truck a phone on one truck is given by form 4.
                        now.get(column) == Some(value)
                            || (table == "reading" && column == "sludge_mm")
                            || (table == "setup" && column == "truck")
                    })
                });
                assert!(kept, "form {form}: a row of {table} is gone or changed: {row:?}");
            }
        }

        // The app starts on it as on any book.
        let app = app_on(&path);
        app.session().ask(|store| store.check()).unwrap();
        drop(app);
        let once = dump(&path);
        Store::open(&path).unwrap().close().unwrap();
        assert_eq!(dump(&path), once, "form {form}: opening it again changes it");
    }
    assert!(!vector(SCHEMA_VERSION + 1).exists(), "a book of a form nobody knows");
}

/// The files that were written in each form there has been, by the newest form that reads them: a new form without a file
/// of the old one kept fails here.
#[test]
fn a_file_of_every_form_is_read() {
    use lidmark::exchange::dayfile::read::{Trust, open};
    use lidmark::exchange::{dayfile, planfile};
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (form, path) in (1..=dayfile::FORMAT).zip(["tests/vectors/dayfile/good.lidmark"]) {
        let file = open(std::fs::File::open(root.join(path)).unwrap(), &[], Trust::Anyone).unwrap();
        assert_eq!(file.manifest().format, form);
        assert!(file.stamped().all(|field| field.is_ok()) && file.log().all(|action| action.is_ok()));
    }
    for (form, path) in (1..=planfile::VERSION).zip(["tests/fuzz/corpus/planfile/plan.json"]) {
        let plan = planfile::read(&std::fs::read_to_string(root.join(path)).unwrap()).unwrap();
        assert_eq!(plan.version, form);
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("book.sqlite")).unwrap();
        assert_eq!(
            planfile::take_in(&mut store, &plan, crate::fixture::now())
                .unwrap()
                .stops,
            1
        );
    }
    assert_eq!(
        (dayfile::FORMAT, planfile::VERSION),
        (1, 1),
        "keep a file of the new form above"
    );
}
