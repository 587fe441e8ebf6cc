//! Copies of the book and the way back, and what the doctor finds.

use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::{contents, done, done_json, files_below, first_file, office, refused, said, text};

fn filled(folder: &Path) -> PathBuf {
    let book = folder.join("office/book.sqlite");
    let (_, file) = first_file(folder, &book);
    done(&book, &["import", text(&file)]);
    book
}

fn photos(book: &Path) -> Vec<PathBuf> {
    let mut found = files_below(&book.with_file_name("photos"))
        .into_keys()
        .collect::<Vec<_>>();
    found.retain(|path| path.extension().is_some_and(|end| end == "jpg"));
    found
}

#[test]
fn a_copy_is_whole_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let book = filled(folder.path());
    let copy = folder.path().join("copies/monday.sqlite");
    refused(&book, &["backup", text(&copy)], 4);
    std::fs::create_dir(folder.path().join("copies")).unwrap();
    let answer = done_json(&book, &["backup", text(&copy)]);
    assert_eq!(answer["records"]["stop"], 2);
    assert_eq!((contents(&copy), photos(&copy).len()), (contents(&book), 3));
    // One file by itself, sound to SQLite's own command.
    let beside = std::fs::read_dir(copy.parent().unwrap()).unwrap().count();
    assert_eq!(beside, 2, "the copy and its photos");
    let sqlite = std::process::Command::new("sqlite3")
        .args([text(&copy), "PRAGMA integrity_check"])
        .output()
        .expect("install sqlite3");
    assert_eq!(String::from_utf8_lossy(&sqlite.stdout).trim(), "ok");
    // Never over another; into a folder with the date in its name.
    let before = files_below(&folder.path().join("copies"));
    refused(&book, &["backup", text(&copy)], 1);
    assert!(files_below(&folder.path().join("copies")) == before);
    let named = done_json(&book, &["backup", text(&folder.path().join("copies"))])["backup"]
        .as_str()
        .unwrap()
        .to_owned();
    assert_eq!(contents(Path::new(&named)), contents(&book));

    // Something happens to the book, and it comes back as it was; what was there is kept.
    let kept = contents(&book);
    let db = Connection::open(&book).unwrap();
    db.execute("UPDATE site SET name = 'overwritten'", []).unwrap();
    drop(db);
    std::fs::remove_file(&photos(&book)[0]).unwrap();
    let answer = done_json(&book, &["restore", text(&copy)]);
    assert_eq!((contents(&book), photos(&book).len()), (kept.clone(), 3));
    let aside = PathBuf::from(answer["kept_aside"].as_str().unwrap());
    assert!(contents(&aside)["site"][0].contains("overwritten"));
    assert!(done(&book, &["doctor"]).contains("sound"));
    // Into a place where there was nothing.
    let elsewhere = folder.path().join("new/book.sqlite");
    assert!(done_json(&elsewhere, &["restore", text(&copy)])["kept_aside"].is_null());
    assert_eq!((contents(&elsewhere), photos(&elsewhere).len()), (kept, 3));
}

#[test]
fn a_book_that_cannot_be_opened_any_more_is_kept_aside_all_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let book = filled(folder.path());
    let copy = folder.path().join("copy.sqlite");
    done(&book, &["backup", text(&copy)]);
    let ruin = std::fs::read(&book).unwrap()[..5_000].to_vec();
    std::fs::write(&book, &ruin).unwrap();
    refused(&book, &["doctor"], 3);
    let answer = done_json(&book, &["restore", text(&copy)]);
    assert_eq!(std::fs::read(answer["kept_aside"].as_str().unwrap()).unwrap(), ruin);
    assert_eq!(contents(&book), contents(&copy));
}

#[test]
fn a_copy_that_is_not_sound_is_refused_and_the_book_stays() {
    let folder = tempfile::tempdir().unwrap();
    let book = filled(folder.path());
    let copy = folder.path().join("copy.sqlite");
    done(&book, &["backup", text(&copy)]);
    let bytes = std::fs::read(&copy).unwrap();
    let before = files_below(&folder.path().join("office"));
    let unchanged = |what: &str| {
        assert!(
            files_below(&folder.path().join("office")) == before,
            "{what}: the book or what lies beside it has changed"
        );
    };
    std::fs::write(&copy, &bytes[..bytes.len() - 4_096]).unwrap();
    refused(&book, &["restore", text(&copy)], 3);
    unchanged("cut");
    std::fs::write(&copy, b"these are no records at all").unwrap();
    refused(&book, &["restore", text(&copy)], 1);
    unchanged("text");
    refused(&book, &["restore", text(&folder.path().join("nowhere.sqlite"))], 4);
    refused(&book, &["restore", text(&book)], 1);
    unchanged("itself");
    std::fs::write(&copy, &bytes).unwrap();
    let db = Connection::open(&copy).unwrap();
    db.pragma_update(None, "user_version", 9_999).unwrap();
    drop(db);
    assert!(refused(&book, &["restore", text(&copy)], 1).contains("newer version"));
    unchanged("newer");
    // A photo of the copy is gone: that is no copy of the book.
    std::fs::write(&copy, &bytes).unwrap();
    std::fs::write(&photos(&copy)[1], b"another picture").unwrap();
    assert!(refused(&book, &["restore", text(&copy)], 3).contains("has been changed"));
    unchanged("photo");
}

#[test]
fn a_copy_of_the_first_form_comes_back_in_todays() {
    let folder = tempfile::tempdir().unwrap();
    let old = folder.path().join("old.sqlite");
    let db = Connection::open(&old).unwrap();
    db.execute_batch(include_str!("../../../src/store/0001_init.sql"))
        .unwrap();
    // "LIDM" and form 1, as the first version marks its books.
    db.execute_batch(
        "PRAGMA application_id = 0x4C49444D; PRAGMA user_version = 1;
         INSERT INTO site (id, name) VALUES ('00000000-0000-0000-0000-000000000001', '1 Sample Lane')",
    )
    .unwrap();
    drop(db);
    let before = std::fs::read(&old).unwrap();
    let book = folder.path().join("book.sqlite");
    assert_eq!(done_json(&book, &["restore", text(&old)])["records"]["site"], 1);
    assert_eq!(std::fs::read(&old).unwrap(), before, "the copy stays as it is");
    assert!(done(&book, &["doctor"]).contains("sound"));
}

#[test]
fn a_restore_waits_for_nobody_who_has_the_book() {
    let folder = tempfile::tempdir().unwrap();
    let book = filled(folder.path());
    let copy = folder.path().join("copy.sqlite");
    done(&book, &["backup", text(&copy)]);
    let other = Connection::open(&book).unwrap();
    let _: i64 = other
        .query_row("SELECT count(*) FROM site", [], |row| row.get(0))
        .unwrap();
    assert!(refused(&book, &["restore", text(&copy)], 4).contains("Another program"));
    drop(other);
    done(&book, &["restore", text(&copy)]);
}

#[test]
fn the_doctor_finds_what_is_missing_changed_or_left_over() {
    let folder = tempfile::tempdir().unwrap();
    let book = filled(folder.path());
    let codes = |arguments: &[&str], exit| {
        let mut all = vec!["doctor", "--json"];
        all.extend(arguments);
        let output = office(&book, &all);
        assert_eq!(output.status.code(), Some(exit), "{}", said(&output));
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(json["sound"], exit == 0);
        json["findings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| row["code"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    let before = std::fs::read(&book).unwrap();
    assert_eq!(codes(&[], 0), [""; 0]);
    assert_eq!(done(&book, &["doctor", "--quiet"]), "");
    // Left over: harmless, said, and taken away when asked; what the book names stays.
    let beside = book.with_file_name("photos");
    std::fs::create_dir_all(beside.join("ab")).unwrap();
    std::fs::write(beside.join(format!("ab/ab{}.jpg", "0".repeat(62))), b"stray").unwrap();
    std::fs::write(beside.join(".part-77"), b"half").unwrap();
    assert_eq!(codes(&[], 0), ["left-over"]);
    assert!(beside.join(format!("ab/ab{}.jpg", "0".repeat(62))).exists());
    assert_eq!(codes(&["--clean"], 0), ["left-over"]);
    assert_eq!(codes(&[], 0), [""; 0]);
    assert_eq!(photos(&book).len(), 3);
    // Changed without a change of size is found by reading it, gone by looking.
    let first = photos(&book)[0].clone();
    let bytes = std::fs::read(&first).unwrap();
    let mut changed = bytes.clone();
    changed[2_000] ^= 1;
    std::fs::write(&first, &changed).unwrap();
    assert_eq!(codes(&["--quick"], 0), [""; 0]);
    assert_eq!(codes(&[], 3), ["photo-changed"]);
    std::fs::remove_file(&first).unwrap();
    assert_eq!(codes(&["--quick"], 3), ["photo-missing"]);
    std::fs::write(&first, &bytes).unwrap();
    assert_eq!(std::fs::read(&book).unwrap(), before, "looking changes nothing");
    // A record that belongs to nothing, and marks of none.
    let db = Connection::open(&book).unwrap();
    db.execute_batch(
        "PRAGMA foreign_keys = OFF; DELETE FROM site; DELETE FROM tank;
         INSERT INTO tank (id, site, place) VALUES ('00000000-0000-0000-0000-0000000000aa', 'gone', 0)",
    )
    .unwrap();
    drop(db);
    let found = codes(&[], 3);
    assert!(
        found.iter().all(|code| code == "loose-end") && found.len() >= 3,
        "{found:?}"
    );
}

#[test]
fn the_doctor_finds_a_damaged_page() {
    let folder = tempfile::tempdir().unwrap();
    let book = filled(folder.path());
    let db = Connection::open(&book).unwrap();
    let page: u32 = db
        .query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'stop'", [], |row| {
            row.get(0)
        })
        .unwrap();
    let size: u32 = db.pragma_query_value(None, "page_size", |row| row.get(0)).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(db);
    let mut bytes = std::fs::read(&book).unwrap();
    let at = usize::try_from((page - 1) * size).unwrap();
    bytes[at..at + 200].fill(0xA5);
    std::fs::write(&book, &bytes).unwrap();
    refused_with_findings(&book);
    assert_eq!(std::fs::read(&book).unwrap(), bytes, "nothing is mended by itself");
}

fn refused_with_findings(book: &Path) {
    let output = office(book, &["doctor"]);
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    assert!(
        String::from_utf8_lossy(&output.stdout).contains("damaged"),
        "{}",
        said(&output)
    );
    assert!(
        String::from_utf8_lossy(&output.stderr).contains("what to do: "),
        "{}",
        said(&output)
    );
}
