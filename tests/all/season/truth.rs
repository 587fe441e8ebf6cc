//! What the books have to hold, worked out from the logs alone, past the program.
//!
//! The rules are those of docs/decisions/0004, written out anew: of all a field was ever told, the word with the greatest
//! stamp stands (when, which phone, which action); a stop is gone only when the last word of every phone that knows it is
//! that it is; every other word is kept aside; how a phone is set up comes under the phone's name.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};

use chrono::DateTime;
use lidmark::domain::record::{KINDS, SetupId};
use rusqlite::Connection;
use serde_json::Value;

use crate::fixture::agrees_with_log;

/// A book that says something: the office's, a phone's, or a phone's as it was before it was put back to a copy.
pub struct Teller {
    book: PathBuf,
    name: String,
    is_office: bool,
}

impl Teller {
    pub fn office(book: &Path) -> Self {
        Self {
            book: book.to_owned(),
            name: "the office".to_owned(),
            is_office: true,
        }
    }

    pub fn phone(book: &Path, name: &str) -> Self {
        Self {
            book: book.to_owned(),
            name: name.to_owned(),
            is_office: false,
        }
    }
}

/// When, which phone, which action, and the value as JSON.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Word {
    at_ms: i64,
    by: String,
    op: String,
    value: String,
}

/// A record's table and id, and a field of it.
type Field = (String, String, String);

/// What the check came to.
#[derive(Debug, Default)]
pub struct Agreed {
    pub records: usize,
    pub fields: usize,
    pub told_by_several: usize,
    pub set_aside: usize,
    /// Words the office knew of and changed: they stand in its own log as what was there before.
    pub replaced: usize,
    pub actions: usize,
    /// By phone: fields compared with the office, and those where another's later word stands at the office.
    pub phones: Vec<(String, usize, usize)>,
}

impl fmt::Display for Agreed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "the books agree: {} records, {} fields, {} told by several books, {} words set aside and {} replaced by the office, all kept, {} actions in the log;",
            self.records, self.fields, self.told_by_several, self.set_aside, self.replaced, self.actions
        )?;
        for (name, fields, other) in &self.phones {
            write!(
                f,
                " {name}: {fields} fields, {other} with another's later word at the office;"
            )?;
        }
        Ok(())
    }
}

fn phone_of(db: &Connection) -> String {
    db.query_row("SELECT value FROM meta WHERE key = 'phone'", [], |row| row.get(0))
        .unwrap_or_else(|_| uuid::Uuid::nil().to_string())
}

/// The last word a book has on each field, up to its last file; `BTreeMap` because a later line replaces an earlier one.
fn last_words(teller: &Teller) -> (BTreeMap<Field, Word>, BTreeSet<String>) {
    let db = Connection::open(&teller.book).unwrap();
    let by = phone_of(&db);
    // What no file has carried was told to nobody: the office's own book tells itself everything.
    let upto: i64 = if teller.is_office {
        i64::MAX
    } else {
        db.query_row("SELECT max(upto) FROM sent WHERE sha256 IS NOT NULL", [], |row| {
            row.get(0)
        })
        .unwrap()
    };
    let mut select = db
        .prepare(
            "SELECT c.record, c.id, c.field, c.new, o.at, o.id FROM change c JOIN op o ON o.seq = c.op
             WHERE o.seq <= ?1 ORDER BY o.seq, c.n",
        )
        .unwrap();
    let mut words = BTreeMap::new();
    let mut actions = BTreeSet::new();
    let mut rows = select.query([upto]).unwrap();
    while let Some(row) = rows.next().unwrap() {
        let text = |i: usize| row.get::<_, String>(i).unwrap();
        let (table, mut id, op) = (text(0), text(1), text(5));
        if table == "setup" && id == SetupId::OWN.0.to_string() && !teller.is_office {
            id.clone_from(&by);
        }
        let at_ms = DateTime::parse_from_rfc3339(&text(4)).unwrap().timestamp_millis();
        actions.insert(op.clone());
        words.insert(
            (table, id, text(2)),
            Word {
                at_ms,
                by: by.clone(),
                op,
                value: canonical(&text(3)),
            },
        );
    }
    (words, actions)
}

fn canonical(json: &str) -> String {
    serde_json::from_str::<Value>(json).unwrap().to_string()
}

fn stands<'a>(field: &Field, words: &[&'a Word]) -> &'a Word {
    if (field.0.as_str(), field.2.as_str()) == ("stop", "removed") {
        let mut last: BTreeMap<&str, &'a Word> = BTreeMap::new();
        for &word in words {
            let known = last.entry(&word.by).or_insert(word);
            *known = word.max(known);
        }
        let standing = last.values().copied().filter(|word| word.value == "0").max();
        return standing.unwrap_or_else(|| last.values().copied().max().unwrap());
    }
    words.iter().copied().max().unwrap()
}

/// Every record of a book, as JSON values by field.
fn records(book: &Path) -> BTreeMap<Field, String> {
    let db = Connection::open(book).unwrap();
    let by = phone_of(&db);
    let mut all = BTreeMap::new();
    for kind in KINDS {
        let mut select = db
            .prepare(&format!("SELECT id, {} FROM {}", kind.fields.join(", "), kind.table))
            .unwrap();
        let mut rows = select.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            let mut id: String = row.get(0).unwrap();
            if kind.table == "setup" && id == SetupId::OWN.0.to_string() {
                id.clone_from(&by);
            }
            for (place, field) in kind.fields.iter().enumerate() {
                let value = match row.get::<_, rusqlite::types::Value>(place + 1).unwrap() {
                    rusqlite::types::Value::Null => Value::Null,
                    rusqlite::types::Value::Integer(whole) => whole.into(),
                    rusqlite::types::Value::Text(text) => text.into(),
                    other => panic!("{other:?}"),
                };
                all.insert(
                    (kind.table.to_owned(), id.clone(), (*field).to_owned()),
                    value.to_string(),
                );
            }
        }
    }
    all
}

/// Compares the office's book and the phones' with what the logs say, field by field.
pub fn check(office: &Path, tellers: &[Teller]) -> Agreed {
    let mut agreed = Agreed::default();
    let said = tellers.iter().map(last_words).collect::<Vec<_>>();
    let mut told: BTreeMap<&Field, Vec<&Word>> = BTreeMap::new();
    for (words, _) in &said {
        for (field, word) in words {
            told.entry(field).or_default().push(word);
        }
    }
    let own = {
        let db = Connection::open(office).unwrap();
        phone_of(&db)
    };
    let mut held = records(office);
    // The office's own set-up goes under the office's name here, as it does in what it told.
    let own_setup = SetupId::OWN.0.to_string();
    held = held
        .into_iter()
        .map(|((table, id, field), value)| {
            let id = if table == "setup" && id == own {
                own_setup.clone()
            } else {
                id
            };
            ((table, id, field), value)
        })
        .collect();

    // 1. At the office stands, field by field, the word with the greatest stamp; nothing is missing and nothing is made up.
    let mut ids = BTreeSet::new();
    let db = Connection::open(office).unwrap();
    let mut aside = db
        .prepare("SELECT value FROM lost WHERE record = ?1 AND id = ?2 AND field = ?3 AND by = ?4 AND op = ?5")
        .unwrap();
    let mut replaced = db
        .prepare("SELECT old FROM change WHERE record = ?1 AND id = ?2 AND field = ?3 AND old IS NOT NULL")
        .unwrap();
    for (field, words) in &told {
        let winner = stands(field, words);
        let here = held
            .get(*field)
            .unwrap_or_else(|| panic!("{field:?} is not at the office; {words:?}"));
        assert_eq!(
            here, &winner.value,
            "{field:?}: of {words:?} another stands at the office"
        );
        agreed.fields += 1;
        ids.insert((&field.0, &field.1));
        let by = words.iter().map(|word| &word.by).collect::<BTreeSet<_>>();
        agreed.told_by_several += usize::from(by.len() > 1);
        // 2. What does not stand is set aside, with who said it; what the office itself changed later, knowing it, stands in
        // its own log.
        for word in words.iter().filter(|word| word.value != winner.value) {
            let kept = aside
                .query_map([&field.0, &field.1, &field.2, &word.by, &word.op], |row| {
                    row.get::<_, String>(0)
                })
                .unwrap()
                .any(|value| canonical(&value.unwrap()) == word.value);
            if kept {
                agreed.set_aside += 1;
                continue;
            }
            let changed = winner.by == own
                && replaced
                    .query_map([&field.0, &field.1, &field.2], |row| row.get::<_, String>(0))
                    .unwrap()
                    .any(|value| canonical(&value.unwrap()) == word.value);
            assert!(changed, "{field:?}: {word:?} is lost; {winner:?} stands");
            agreed.replaced += 1;
        }
    }
    agreed.records = ids.len();
    for field in held.keys() {
        assert!(told.contains_key(field), "nobody has told the office {field:?}");
    }

    // 3. A phone's book is what its own log says; where the office's differs, somebody else said something later.
    for (teller, (words, _)) in tellers.iter().zip(&said).filter(|(teller, _)| !teller.is_office) {
        let db = Connection::open(&teller.book).unwrap();
        agrees_with_log(&db).unwrap_or_else(|fault| panic!("{}: {fault}", teller.name));
        drop(db);
        let (mut same, mut other) = (0, 0);
        for (field, word) in words {
            let winner = stands(field, &told[&field]);
            if winner.value == word.value {
                same += 1;
            } else {
                assert!(
                    winner > word || field.2 == "removed",
                    "{}: {field:?}: {winner:?} over {word:?}",
                    teller.name
                );
                other += 1;
            }
        }
        agreed.phones.push((teller.name.clone(), same + other, other));
    }

    // 4. Every action a file has carried is in the office's log once.
    let phones = said
        .iter()
        .zip(tellers)
        .filter(|(_, teller)| !teller.is_office)
        .flat_map(|((_, actions), _)| actions)
        .collect::<BTreeSet<_>>();
    let log = crate::fixture::strings(&db, "SELECT id FROM phone_action");
    assert_eq!(log.len(), phones.len());
    assert!(log.iter().all(|id| phones.contains(&id)));
    agreed.actions = log.len();
    agreed
}
