//! Faults that must not hurt: each ends in a clear sentence and the book as it was.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use lidmark::store::SCHEMA_VERSION;
use rusqlite::Connection;
use serde_json::Value;

use super::{Phone, contents, done, done_json, files_below, first_file, office, refused, said, text};
use crate::fixture::Dice;

/// A book with one file in it, and the next file of the same phone.
fn book_and_next(folder: &Path, photos: u64) -> (PathBuf, Phone, PathBuf) {
    let book = folder.join("office/book.sqlite");
    let (mut phone, first) = first_file(folder, &book);
    done(&book, &["import", text(&first)]);
    phone.stops(100..160);
    let next = phone.send(folder, 10..10 + photos);
    (book, phone, next)
}

#[test]
fn every_damaged_or_hostile_file_is_refused_and_changes_no_byte() {
    let vectors = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/dayfile");
    let expected = std::fs::read_to_string(vectors.join("expected.json")).unwrap();
    let expected: BTreeMap<String, Value> = serde_json::from_str(&expected).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let (book, _, _) = book_and_next(folder.path(), 0);
    let before = files_below(&folder.path().join("office"));
    let mut codes = BTreeMap::new();
    for (name, case) in &expected {
        let answer = case["answer"].as_str().unwrap();
        let file = vectors.join(name).with_extension("lidmark");
        let key = case["key"].as_str().map(|key| vectors.join(key));
        let mut arguments = vec!["import", text(&file)];
        if let Some(key) = &key {
            arguments.extend(["--key", text(key)]);
        }
        // What is said about trust needs the phones of the vector; it has tests of its own.
        if !["unsigned", "unknown-phone", "other-phone"].contains(&answer) {
            arguments.push("--accept-unsigned");
        }
        if answer == "other-phone" {
            continue;
        }
        if answer == "ok" {
            let own = folder.path().join(format!("ok-{name}/book.sqlite"));
            let row = done_json(&own, &arguments)["files"][0].clone();
            assert_eq!(row["status"], "taken-in", "{name}: {row}");
            assert_eq!(done_json(&own, &arguments)["files"][0]["status"], "already", "{name}");
            continue;
        }
        let code = match answer {
            "cut-off" | "damaged" | "wrong-size" | "wrong-hash" | "missing" | "bad-signature" | "seal-broken" => 3,
            _ => 1,
        };
        let why = refused(&book, &arguments, code);
        assert!(why.contains(&format!("{name}.lidmark: ")), "{why}");
        arguments.push("--json");
        let output = office(&book, &arguments);
        let json: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(json["files"][0]["code"], answer, "{name}");
        assert_eq!(json["files"][0]["exit"], code, "{name}");
        let after = files_below(&folder.path().join("office"));
        assert_eq!(
            after.keys().collect::<Vec<_>>(),
            before.keys().collect::<Vec<_>>(),
            "{name}"
        );
        assert!(after == before, "{name}: a file beside or in the book has changed");
        *codes.entry(answer.to_owned()).or_insert(0) += 1;
    }
    assert!(codes.len() >= 20, "{codes:?}");
    // And none of it in the way of a good file.
    assert!(done(&book, &["doctor"]).contains("sound"));
}

/// Made by Python's zipfile; APPNOTE.TXT 4.3.16: the end record counts entries in 16 bits.
#[test]
fn a_zip_of_65536_entries_is_refused_and_changes_no_byte() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _, _) = book_and_next(folder.path(), 0);
    let before = files_below(&folder.path().join("office"));
    let many = folder.path().join("many.lidmark");
    let script = "import sys, zipfile\nwith zipfile.ZipFile(sys.argv[1], 'w') as z:\n    for n in range(65536): z.writestr(f'csv/{n}.csv', b'')";
    let made = Command::new("python3")
        .args(["-c", script])
        .arg(&many)
        .status()
        .unwrap();
    assert!(made.success());
    let output = office(&book, &["import", "--json", text(&many)]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let json: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["files"][0]["code"], "too-many-entries");
    assert!(refused(&book, &["import", text(&many)], 1).contains("what to do: "));
    assert!(files_below(&folder.path().join("office")) == before);
}

#[test]
fn of_several_files_the_sound_ones_come_in() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _, next) = book_and_next(folder.path(), 1);
    let cut = folder.path().join("cut.lidmark");
    let bytes = std::fs::read(&next).unwrap();
    std::fs::write(&cut, &bytes[..bytes.len() - 100]).unwrap();
    let nowhere = folder.path().join("nowhere.lidmark");
    let output = office(&book, &["import", "--json", text(&cut), text(&nowhere), text(&next)]);
    assert_eq!(output.status.code(), Some(4), "{}", said(&output));
    let json: Value = serde_json::from_slice(&output.stdout).unwrap();
    let status = json["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|row| row["status"].as_str().unwrap())
        .collect::<Vec<_>>();
    assert_eq!(status, ["refused", "refused", "taken-in"]);
    assert_eq!(contents(&book)["stop"].len(), 62);
}

#[test]
fn cut_off_anywhere_a_file_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _, next) = book_and_next(folder.path(), 1);
    let before = files_below(&folder.path().join("office"));
    let bytes = std::fs::read(&next).unwrap();
    let cut = folder.path().join("cut.lidmark");
    let mut dice = Dice::new(3);
    for round in 0..25 {
        let at = if round == 0 {
            bytes.len() - 1
        } else {
            dice.below(bytes.len())
        };
        std::fs::write(&cut, &bytes[..at]).unwrap();
        let output = office(&book, &["import", text(&cut)]);
        assert!(
            matches!(output.status.code(), Some(1 | 3)),
            "cut at {at}: {}",
            said(&output)
        );
        assert!(files_below(&folder.path().join("office")) == before, "cut at {at}");
    }
    for _ in 0..25 {
        let mut flipped = bytes.clone();
        let at = dice.below(bytes.len());
        flipped[at] ^= 1 << dice.below(8);
        std::fs::write(&cut, &flipped).unwrap();
        let output = office(&book, &["import", text(&cut)]);
        // A bit that means nothing (a date in the zip's directory, say) may be turned over without harm.
        if output.status.code() == Some(0) {
            let fresh = folder.path().join("fresh/book.sqlite");
            done(&fresh, &["import", "--accept-unsigned", text(&next)]);
            let again = folder.path().join("again/book.sqlite");
            done(&again, &["import", "--accept-unsigned", text(&cut)]);
            let without_ledger = |book: &Path| {
                let mut tables = contents(book);
                tables.remove("taken_in");
                tables
            };
            assert_eq!(without_ledger(&fresh), without_ledger(&again), "byte {at}");
            return;
        }
        assert!(files_below(&folder.path().join("office")) == before, "byte {at}");
    }
}

#[test]
fn a_newer_book_is_refused_and_left_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _, next) = book_and_next(folder.path(), 0);
    let db = Connection::open(&book).unwrap();
    db.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    drop(db);
    let before = files_below(&folder.path().join("office"));
    for arguments in [
        vec!["import", text(&next)],
        vec!["conflicts"],
        vec!["doctor"],
        vec!["doctor", "--clean"],
        vec!["phones"],
        vec!["phones", "remove", "Rosa"],
        vec!["backup", "/nowhere/at/all.sqlite"],
    ] {
        let why = refused(&book, &arguments, 1);
        assert!(why.contains("newer version"), "{arguments:?}: {why}");
        assert!(files_below(&folder.path().join("office")) == before, "{arguments:?}");
    }
}

#[test]
fn what_is_no_book_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (_, _, next) = book_and_next(folder.path(), 0);
    let notes = folder.path().join("notes.sqlite");
    Connection::open(&notes)
        .unwrap()
        .execute_batch("CREATE TABLE notes (text)")
        .unwrap();
    let before = std::fs::read(&notes).unwrap();
    refused(&notes, &["import", "--accept-unsigned", text(&next)], 1);
    assert_eq!(std::fs::read(&notes).unwrap(), before);
    refused(&folder.path().join("nowhere.sqlite"), &["conflicts"], 4);
    refused(&folder.path().join("nowhere.sqlite"), &["doctor"], 4);
}

/// A file may not grow past a limit: to SQLite and to the photos that is a full disk. `ulimit -f` counts 512 bytes in
/// POSIX shells (POSIX.1-2017, ulimit); the signal is ignored so that the write fails instead of the process.
#[test]
#[cfg(unix)]
fn a_full_disk_at_any_moment_leaves_the_book_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _, next) = book_and_next(folder.path(), 3);
    let before = contents(&book);
    let photos = |book: &Path| {
        let mut files = files_below(&book.with_file_name("photos"));
        files.retain(|path, _| !path.ends_with(".turn"));
        files
    };
    let photos_before = photos(&book);
    let mut failures = 0;
    for blocks in (0..4_000).step_by(16) {
        let output = Command::new("sh")
            .args(["-c", "trap '' XFSZ; ulimit -f \"$0\"; exec \"$@\""])
            .arg(blocks.to_string())
            .arg(env!("CARGO_BIN_EXE_lidmark-office"))
            .args(["--book", text(&book), "import", text(&next)])
            .output()
            .unwrap();
        if output.status.success() {
            break;
        }
        failures += 1;
        assert_eq!(output.status.code(), Some(4), "{blocks} blocks: {}", said(&output));
        let why = String::from_utf8_lossy(&output.stderr);
        assert!(why.contains("what to do: "), "{why}");
        assert_eq!(contents(&book), before, "{blocks} blocks: {}", said(&output));
        assert_eq!(photos(&book), photos_before, "{blocks} blocks");
    }
    assert!(failures >= 3, "the limit was met {failures} times only");
    assert_eq!(contents(&book)["stop"].len(), 62, "and with room it comes in");
    assert!(done(&book, &["doctor"]).contains("sound"));
}

#[test]
#[cfg(unix)]
fn a_folder_that_may_not_be_written_to_is_named() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let folder = tempfile::tempdir().unwrap();
    let (book, _, next) = book_and_next(folder.path(), 1);
    let office = folder.path().join("office");
    let before = files_below(&office);
    let mode = |path: &Path, mode| std::fs::set_permissions(path, PermissionsExt::from_mode(mode)).unwrap();
    let is_root = folder.path().metadata().unwrap().uid() == 0;
    // Nothing is read-only for root: then the command runs as nobody, who must be able to reach it.
    let program = folder.path().join("lidmark-office");
    std::fs::copy(env!("CARGO_BIN_EXE_lidmark-office"), &program).unwrap();
    for path in [folder.path(), &program, &next] {
        mode(path, 0o755);
    }
    for (path, _) in files_below(&office) {
        mode(&path, 0o444);
    }
    mode(&office, 0o555);
    mode(&office.join("photos"), 0o555);
    let run = |arguments: &[&str]| {
        let mut command = Command::new(&program);
        command.args(["--book", text(&book)]).args(arguments);
        if is_root {
            command.uid(65_534);
        }
        command.output().unwrap()
    };
    let unread = run(&["import", text(&next)]);
    let copied = run(&["backup", text(&office.join("copy.sqlite"))]);
    mode(&office, 0o755);
    mode(&office.join("photos"), 0o755);
    for output in [unread, copied] {
        assert_eq!(output.status.code(), Some(4), "{}", said(&output));
        assert!(
            String::from_utf8_lossy(&output.stderr).contains("what to do: "),
            "{}",
            said(&output)
        );
    }
    assert!(files_below(&office) == before);
}

// --- killed, and racing --------------------------------------------------------------------------

/// Kills the real command at random moments; what it leaves is the book before or the book after, never between.
#[test]
fn killed_at_any_moment_a_file_is_in_the_book_whole_or_not_at_all() {
    let kills: u64 = std::env::var("LIDMARK_KILLS")
        .ok()
        .map_or(40, |text| text.parse().unwrap());
    let folder = tempfile::tempdir().unwrap();
    let (book, mut phone, _) = book_and_next(folder.path(), 0);
    phone.stops(1_000..1_800);
    let next = phone.send(folder.path(), 20..60);
    let before = contents(&book);
    let whole = folder.path().join("whole");
    copy_folder(&folder.path().join("office"), &whole);
    let started = std::time::Instant::now();
    done(&whole.join("book.sqlite"), &["import", text(&next)]);
    let takes = started.elapsed();
    let after = contents(&whole.join("book.sqlite"));
    let mut dice = Dice::new(std::time::UNIX_EPOCH.elapsed().unwrap().as_secs());
    let (mut kept, mut dropped) = (0, 0);
    for round in 0..kills {
        let copy = folder.path().join(format!("round-{round}"));
        copy_folder(&folder.path().join("office"), &copy);
        let book = copy.join("book.sqlite");
        let mut child = Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
            .args(["--book", text(&book), "import", text(&next)])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let micros = u64::try_from(takes.as_micros()).unwrap();
        std::thread::sleep(Duration::from_micros(dice.roll() % (micros + micros / 8)));
        // On Unix this is SIGKILL.
        child.kill().unwrap();
        child.wait().unwrap();
        let found = contents(&book);
        if found == after {
            kept += 1;
        } else {
            assert_eq!(found, before, "round {round}: neither before nor after");
            dropped += 1;
        }
        // Whatever lies beside it: nothing the book names is missing, and the next import goes through.
        let checked = office(&book, &["doctor"]);
        assert_eq!(checked.status.code(), Some(0), "round {round}: {}", said(&checked));
        done(&book, &["import", text(&next)]);
        assert_eq!(contents(&book), after, "round {round}");
        done(&book, &["doctor", "--clean"]);
        assert!(!done(&book, &["doctor"]).contains("does not name"));
        std::fs::remove_dir_all(&copy).unwrap();
    }
    println!("{kills} kills: {dropped} before the commit, {kept} after it");
    assert!(dropped > 0, "every kill came too late");
}

fn copy_folder(from: &Path, to: &Path) {
    for (path, bytes) in files_below(from) {
        let target = to.join(path.strip_prefix(from).unwrap());
        std::fs::create_dir_all(target.parent().unwrap()).unwrap();
        std::fs::write(target, bytes).unwrap();
    }
}

#[test]
fn imports_that_race_each_get_their_turn() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("office/book.sqlite");
    let mut files = Vec::new();
    for number in 1..=4_u8 {
        let mut phone = Phone::new(folder.path(), number);
        phone.knows_the_site();
        let first = u128::from(number) * 1_000;
        phone.stops(first..first + 150);
        files.push(phone.send(folder.path(), 0..u64::from(number) * 3));
    }
    // Each file twice, all eight at once, and no book there yet.
    let children = (0..8)
        .map(|i| {
            Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
                .args([
                    "--book",
                    text(&book),
                    "import",
                    "--accept-unsigned",
                    "--json",
                    text(&files[i % 4]),
                ])
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect::<Vec<_>>();
    let mut taken_in = 0;
    for child in children {
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        let json: Value = serde_json::from_slice(&output.stdout).unwrap();
        taken_in += usize::from(json["files"][0]["status"] == "taken-in");
    }
    assert_eq!(taken_in, 4, "each once");
    let alone = folder.path().join("alone/book.sqlite");
    for file in &files {
        done(&alone, &["import", "--accept-unsigned", text(file)]);
    }
    assert_eq!(contents(&book), contents(&alone));
    assert!(done(&book, &["doctor"]).contains("sound"));
}

#[test]
fn a_book_that_is_only_being_made_is_none_yet() {
    let folder = tempfile::tempdir().unwrap();
    let mut phone = Phone::new(folder.path(), 1);
    phone.knows_the_site();
    phone.stops(1_000..1_010);
    let file = phone.send(folder.path(), 0..1);
    let book = folder.path().join("book.sqlite");
    // Another program has begun the book: a log with pages in it, and nothing committed.
    let other = Connection::open(&book).unwrap();
    other
        .execute_batch(
            "PRAGMA journal_mode = WAL; PRAGMA cache_size = 1; BEGIN IMMEDIATE; CREATE TABLE t (a);
             WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 2000)
             INSERT INTO t SELECT zeroblob(1000) FROM n",
        )
        .unwrap();
    assert!(lidmark::store::log_length(&book) > 1_000_000);
    assert!(done(&book, &["phones"]).contains("No phone is trusted yet"));
    let why = refused(&book, &["doctor"], 4);
    assert!(why.contains("nothing stands in it"), "{why}");
    let importing = std::thread::scope(|scope| {
        let importing = scope.spawn(|| done(&book, &["import", "--accept-unsigned", text(&file)]));
        std::thread::sleep(Duration::from_millis(500));
        other.execute_batch("ROLLBACK").unwrap();
        importing.join().unwrap()
    });
    drop(other);
    assert!(importing.contains("New stops: 10"), "{importing}");
    assert!(done(&book, &["doctor"]).contains("sound"));
}

#[test]
fn who_holds_the_book_too_long_is_told_of() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _, _) = book_and_next(folder.path(), 0);
    let before = contents(&book);
    let other = Connection::open(&book).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let why = refused(&book, &["phones", "remove", "Rosa"], 4);
    assert!(why.contains("Another program is using the book"), "{why}");
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(contents(&book), before);
}
