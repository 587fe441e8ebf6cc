//! `lidmark-office import` and what belongs to it, run as a program: files from phones, and everything that may be wrong.

mod copies;
mod faults;

use std::collections::BTreeMap;
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use chrono::{DateTime, Duration, FixedOffset};
use lidmark::domain::record::{Cell, FieldChange, Op, Site, SiteId, Stop, StopId, Tank, TankId, changes};
use lidmark::exchange::dayfile::Digest;
use lidmark::exchange::dayfile::sign::SecretKey;
use lidmark::exchange::dayfile::write::{Blob, Media, Order, write};
use lidmark::store::Store;
use lidmark::store::carry::Place;
use serde_json::Value;
use uuid::Uuid;

use crate::fixture::{Dice, dump, now};

/// Runs the office command on a book.
pub fn office(book: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
        .arg("--book")
        .arg(book)
        .args(arguments)
        .output()
        .unwrap()
}

/// Runs it, and asks for success.
pub fn done(book: &Path, arguments: &[&str]) -> String {
    let output = office(book, arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", said(&output));
    String::from_utf8(output.stdout).unwrap()
}

pub fn done_json(book: &Path, arguments: &[&str]) -> Value {
    let mut arguments = arguments.to_vec();
    arguments.push("--json");
    serde_json::from_str(&done(book, &arguments)).unwrap()
}

pub fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Asks for a refusal with this exit code: what happened and what to do, one line each, and nothing else.
pub fn refused(book: &Path, arguments: &[&str], code: i32) -> String {
    let output = office(book, arguments);
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {}", said(&output));
    let text = String::from_utf8(output.stderr).unwrap();
    let lines = text.lines().collect::<Vec<_>>();
    assert!(
        matches!(lines[..], [what, remedy] if what.starts_with("error: ") && remedy.starts_with("what to do: ")),
        "{text}"
    );
    text
}

/// A phone with a book of its own. Everything in it is invented.
pub struct Phone {
    pub id: Uuid,
    pub key: SecretKey,
    store: Store,
    next: u128,
    sequence: u64,
    follows: Option<String>,
}

impl Phone {
    pub fn new(folder: &Path, number: u8) -> Self {
        Self {
            id: Uuid::from_u128(0x7000_0000 + u128::from(number)),
            key: SecretKey::from_seed([number; 32]),
            store: Store::open(&folder.join(format!("phone-{number}.sqlite"))).unwrap(),
            next: u128::from(number) << 64,
            sequence: 0,
            follows: None,
        }
    }

    pub fn keep(&mut self, at: DateTime<FixedOffset>, changes: Vec<FieldChange>) {
        self.next += 1;
        let op = Op {
            id: Uuid::from_u128(self.next),
            stop: None,
            at,
            label: "test".to_owned(),
            undoable: true,
            changes,
        };
        self.store.keep(&op).unwrap();
    }

    /// The site both phones know, as it was set up.
    pub fn knows_the_site(&mut self) {
        let site = Site {
            id: SiteId(Uuid::from_u128(1)),
            name: "1 Sample Lane".to_owned(),
            ..Site::default()
        };
        let tank = Tank {
            id: TankId(Uuid::from_u128(2)),
            site: site.id,
            ..Tank::default()
        };
        let mut list = changes(&[], &[site]);
        list.extend(changes(&[], &[tank]));
        self.keep(now() - Duration::days(2), list);
    }

    pub fn note(&mut self, at: DateTime<FixedOffset>, note: &str) {
        let value = Cell::Text(note.to_owned());
        self.keep(
            at,
            vec![FieldChange {
                table: "site",
                id: Uuid::from_u128(1),
                field: "note",
                value,
            }],
        );
    }

    pub fn stop(&mut self, number: u128) {
        self.stops(number..number + 1);
    }

    pub fn stops(&mut self, numbers: std::ops::Range<u128>) {
        let stops = numbers
            .map(|number| Stop {
                id: StopId(Uuid::from_u128(number)),
                site: SiteId(Uuid::from_u128(1)),
                day: now().date_naive(),
                found_note: format!("stop {number}"),
                ..Stop::default()
            })
            .collect::<Vec<_>>();
        self.keep(now(), changes(&[], &stops));
    }

    /// Makes the file of the day, with photos of noise.
    pub fn send(&mut self, to: &Path, photos: std::ops::Range<u64>) -> PathBuf {
        self.sequence += 1;
        self.send_as(self.sequence, to, photos)
    }

    pub fn send_as(&mut self, sequence: u64, to: &Path, photos: std::ops::Range<u64>) -> PathBuf {
        let carry = self.store.carry(now().date_naive(), true).unwrap();
        let place = Place {
            sequence,
            follows: self.follows.clone(),
        };
        let photos = photos.map(photo).collect::<Vec<_>>();
        let blobs = photos.iter().map(|(blob, _)| blob.clone()).collect::<Vec<_>>();
        let order = Order {
            phone: self.id,
            truck: "Truck 1",
            day: now().date_naive(),
            partial: false,
            place: &place,
            created_at: now() + Duration::minutes(i64::try_from(self.next % 1_000).unwrap()),
            carry: &carry,
            key: Some(&self.key),
            blobs: &blobs,
        };
        let open = |wanted: &Blob| -> std::io::Result<Box<dyn Read>> {
            let (_, bytes) = photos.iter().find(|(blob, _)| blob == wanted).unwrap();
            Ok(Box::new(Cursor::new(bytes.clone())))
        };
        let (_, out) = write(&self.store, &order, &open, Cursor::new(Vec::new())).unwrap();
        let bytes = out.into_inner();
        self.follows = Some(Digest::of(&bytes).to_string());
        let path = to.join(format!("{}-{sequence}-{}.lidmark", self.id.simple(), self.next % 1_000));
        std::fs::write(&path, bytes).unwrap();
        path
    }

    pub fn public(&self) -> String {
        self.key.public().to_string()
    }
}

fn photo(seed: u64) -> (Blob, Vec<u8>) {
    let mut dice = Dice::new(seed + 1);
    let bytes = (0..4_000).map(|_| dice.roll().to_le_bytes()[3]).collect::<Vec<_>>();
    let blob = Blob {
        sha256: Digest::of(&bytes),
        bytes: 4_000,
        media: Media::Jpeg,
    };
    (blob, bytes)
}

pub fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Everything a book holds but the notes of the program and the time at which files came in.
pub fn contents(book: &Path) -> BTreeMap<String, Vec<String>> {
    let mut tables = dump(book);
    tables.remove("meta");
    tables.remove("phone_key");
    let db = rusqlite::Connection::open(book).unwrap();
    let taken = crate::fixture::strings(
        &db,
        "SELECT hash || phone || sequence || coalesce(signed_by, '') FROM taken_in ORDER BY 1",
    );
    tables.insert("taken_in".to_owned(), taken);
    tables
}

/// The files below a folder with what is in them.
pub fn files_below(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut waiting = vec![folder.to_owned()];
    while let Some(path) = waiting.pop() {
        if path.is_dir() {
            waiting.extend(std::fs::read_dir(&path).unwrap().map(|entry| entry.unwrap().path()));
        } else {
            found.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
    found
}

/// A trusted phone, its book with two stops, and its file with three photos.
pub fn first_file(folder: &Path, book: &Path) -> (Phone, PathBuf) {
    let mut phone = Phone::new(folder, 1);
    phone.knows_the_site();
    phone.stop(11);
    phone.stop(12);
    let file = phone.send(folder, 0..3);
    done(book, &["phones", "add", &phone.public(), "--name", "Rosa"]);
    (phone, file)
}

// --- the way it should go ------------------------------------------------------------------------

#[test]
fn a_file_comes_into_the_book_once() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("office/book.sqlite");
    let (phone, file) = first_file(folder.path(), &book);
    let answer = done_json(&book, &["import", text(&file)]);
    let row = &answer["files"][0];
    assert_eq!(row["status"], "taken-in", "{answer}");
    assert_eq!(
        (&row["new"]["stop"], &row["new"]["site"]),
        (&2.into(), &1.into()),
        "{answer}"
    );
    assert_eq!(
        (&row["photos_and_signatures"], &row["trusted"]),
        (&3.into(), &true.into())
    );
    assert_eq!(row["warnings"], serde_json::json!([]));
    // Every photo lies beside the book under its hash, as sha256sum sees it.
    let beside = folder.path().join("office/photos");
    let photos = files_below(&beside)
        .into_keys()
        .filter(|path| path.extension().is_some())
        .collect::<Vec<_>>();
    assert_eq!(photos.len(), 3);
    let sums = Command::new("sha256sum").args(&photos).output().unwrap();
    for line in String::from_utf8(sums.stdout).unwrap().lines() {
        let (sum, path) = line.split_once("  ").unwrap();
        assert_eq!(Path::new(path).file_stem().unwrap().to_str(), Some(sum));
    }
    // The rows are those of the phone.
    let db = rusqlite::Connection::open(&book).unwrap();
    db.execute("ATTACH ?1 AS phone", [text(&folder.path().join("phone-1.sqlite"))])
        .unwrap();
    for table in ["site", "tank", "stop"] {
        let differ: i64 = db
            .query_row(
                &format!("SELECT count(*) FROM (SELECT * FROM phone.{table} EXCEPT SELECT * FROM main.{table})"),
                [],
                |row| row.get(0),
            )
            .unwrap();
        assert_eq!(differ, 0, "{table}");
    }
    drop(db);
    let before = (contents(&book), files_below(&beside), std::fs::read(&book).unwrap());
    assert_eq!(
        done_json(&book, &["import", text(&file)])["files"][0]["status"],
        "already"
    );
    assert_eq!(
        (contents(&book), files_below(&beside), std::fs::read(&book).unwrap()),
        before
    );
    let phones = done_json(&book, &["phones"]);
    assert_eq!(phones["phones"][0]["name"], "Rosa");
    assert_eq!(phones["phones"][0]["phone"], phone.id.to_string());
    assert_eq!(phones["phones"][0]["files"], 1);
    assert!(done(&book, &["doctor"]).contains("sound"));
}

#[test]
fn files_of_two_phones_in_any_order_give_one_book_with_their_conflict() {
    let folder = tempfile::tempdir().unwrap();
    let (mut one, mut two) = (Phone::new(folder.path(), 1), Phone::new(folder.path(), 2));
    one.knows_the_site();
    two.knows_the_site();
    one.note(now() - Duration::hours(3), "gate code 4711");
    one.stop(11);
    two.stop(21);
    let mut files = vec![one.send(folder.path(), 0..2), two.send(folder.path(), 1..3)];
    two.note(now() - Duration::hours(2), "dog in the yard");
    files.push(two.send(folder.path(), 2..4));
    let mut books = Vec::new();
    for (n, order) in [[0, 1, 2], [2, 1, 0], [1, 2, 0]].into_iter().enumerate() {
        let book = folder.path().join(format!("{n}/book.sqlite"));
        for i in order {
            done(&book, &["import", "--trust-new", text(&files[i])]);
        }
        let conflicts = done_json(&book, &["conflicts"]);
        let list = conflicts["conflicts"].as_array().unwrap();
        let note = list
            .iter()
            .find(|row| row["set_aside"]["value"] == "gate code 4711")
            .unwrap();
        assert_eq!(note["stands"]["value"], "dog in the yard");
        assert_eq!(note["site"]["name"], "1 Sample Lane");
        assert_eq!(note["set_aside"]["phone"], one.id.to_string());
        assert!(done(&book, &["conflicts"]).contains("gate code 4711"));
        assert!(done(&book, &["--lang", "es", "conflicts"]).contains("apartado: \"gate code 4711\""));
        let names = files_below(&book.with_file_name("photos"))
            .into_iter()
            .map(|(path, bytes)| (path.file_name().unwrap().to_owned(), bytes))
            .collect::<Vec<_>>();
        books.push((contents(&book), conflicts, names));
    }
    assert_eq!(books[0], books[1]);
    assert_eq!(books[0], books[2]);
    assert_eq!(books[0].0["stop"].len(), 2);
    assert_eq!(
        books[0].2.iter().filter(|(name, _)| name != ".turn").count(),
        4,
        "four photos, two of them sent twice"
    );
}

#[test]
fn only_trusted_phones_are_taken_in() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let mut phone = Phone::new(folder.path(), 1);
    phone.knows_the_site();
    let file = phone.send(folder.path(), 0..0);
    let why = refused(&book, &["import", text(&file)], 1);
    assert!(why.contains(&phone.public()) && why.contains("phones add"), "{why}");
    assert!(!book.exists(), "not even a book has been made");
    assert!(done(&book, &["phones"]).contains("No phone is trusted yet"));
    // Once, without trusting it.
    let answer = done_json(&book, &["import", "--accept-unsigned", text(&file)]);
    assert_eq!(answer["files"][0]["trusted"], false);
    assert_eq!(done_json(&book, &["phones"])["phones"], serde_json::json!([]));
    // The key can be read from a file, pasted in groups, named anew, and taken back by its name.
    done(&book, &["phones", "add", text(&file), "--name", "Rosa"]);
    let again = done_json(
        &book,
        &[
            "phones",
            "add",
            &phone.key.public().grouped().to_uppercase(),
            "--name",
            "Luz",
        ],
    );
    assert_eq!(again["is_new"], false);
    phone.stop(5);
    let second = phone.send(folder.path(), 0..0);
    assert_eq!(
        done_json(&book, &["import", text(&second)])["files"][0]["trusted"],
        true
    );
    refused(&book, &["phones", "remove", "Rosa"], 1);
    done(&book, &["phones", "remove", "Luz"]);
    phone.stop(6);
    let third = phone.send(folder.path(), 0..0);
    refused(&book, &["import", text(&third)], 1);
    for bad in ["hello", &"01".repeat(32)[..62], &phone.key.to_text()] {
        refused(&book, &["phones", "add", bad], 1);
    }
}

#[test]
fn a_trusted_key_speaks_for_its_own_phone_only() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let (mut phone, file) = first_file(folder.path(), &book);
    done(&book, &["import", text(&file)]);
    phone.id = Uuid::from_u128(0x666);
    phone.stop(13);
    let forged = phone.send(folder.path(), 0..0);
    let before = std::fs::read(&book).unwrap();
    let why = refused(&book, &["import", "--accept-unsigned", "--trust-new", text(&forged)], 1);
    assert!(why.contains("signed by phone"), "{why}");
    assert_eq!(std::fs::read(&book).unwrap(), before);
}

#[test]
fn a_phone_put_back_to_an_older_state_is_merged_and_said() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let (mut phone, first) = first_file(folder.path(), &book);
    phone.stop(13);
    let second = phone.send(folder.path(), 0..0);
    phone.stop(14);
    // The phone has forgotten its second file and gives its number again.
    let again = phone.send_as(2, folder.path(), 0..0);
    let answer = done_json(&book, &["import", text(&first), text(&second), text(&again)]);
    assert_eq!(answer["files"][1]["warnings"], serde_json::json!([]));
    let warnings = answer["files"][2]["warnings"].to_string();
    assert!(warnings.contains("same number 2"), "{warnings}");
    assert_eq!(contents(&book)["stop"].len(), 4);
    assert!(done(&book, &["doctor"]).contains("under the number 2"));
    // It is said even when only what goes wrong is asked for.
    phone.stop(15);
    let third = phone.send_as(2, folder.path(), 0..0);
    assert!(done(&book, &["import", "--quiet", text(&third)]).contains("same number 2"));
    phone.stop(16);
    let fourth = phone.send_as(3, folder.path(), 0..0);
    assert_eq!(done(&book, &["import", "--quiet", text(&fourth)]), "");
}

#[test]
fn a_clock_years_off_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let (mut phone, _) = first_file(folder.path(), &book);
    phone.note(
        DateTime::parse_from_rfc3339("2061-01-01T00:00:00Z").unwrap(),
        "from the future",
    );
    let file = phone.send(folder.path(), 0..0);
    let answer = done_json(&book, &["import", text(&file)]);
    assert_eq!(answer["files"][0]["doubtful_times"], 1);
    assert!(
        answer["files"][0]["warnings"][0]
            .as_str()
            .unwrap()
            .contains("2061-01-01"),
        "{answer}"
    );
    assert!(done(&book, &["doctor"]).contains("1 fields whose time cannot be right"));
}

#[test]
fn a_file_sealed_by_the_age_program_is_opened_with_the_offices_key() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("office/book.sqlite");
    let (_, file) = first_file(folder.path(), &book);
    let png = folder.path().join("key.png");
    let public = done_json(&book, &["office-key", "--png", text(&png)])["public_key"]
        .as_str()
        .unwrap()
        .to_owned();
    // The outside reader of QR codes (Debian package zbar-tools) and the outside implementation of age.
    let scanned = Command::new("zbarimg")
        .args(["--quiet", "--raw", text(&png)])
        .output()
        .expect("install zbar-tools");
    assert_eq!(String::from_utf8(scanned.stdout).unwrap().trim().to_lowercase(), public);
    let sealed = folder.path().join("sealed.lidmark");
    let age = Command::new("age")
        .args(["-r", &public, "-o", text(&sealed), text(&file)])
        .status()
        .expect("install age");
    assert!(age.success());
    assert_eq!(done_json(&book, &["import", text(&sealed)])["files"][0]["sealed"], true);
    // Sealed or not, it is the same file.
    assert_eq!(
        done_json(&book, &["import", text(&file)])["files"][0]["status"],
        "already"
    );
    let secret = folder.path().join("office/office-key.txt");
    #[cfg(unix)]
    assert_eq!(
        std::os::unix::fs::PermissionsExt::mode(&secret.metadata().unwrap().permissions()) & 0o777,
        0o600
    );
    assert_eq!(
        done(&book, &["office-key", "--quiet"]).trim(),
        public,
        "the key is made once"
    );
    assert!(done(&book, &["office-key"]).contains('█'));
    // Without the key, and with another.
    let other = folder.path().join("other/book.sqlite");
    assert!(refused(&other, &["import", "--accept-unsigned", text(&sealed)], 1).contains("office key"));
    done(&other, &["office-key"]);
    assert!(refused(&other, &["import", "--accept-unsigned", text(&sealed)], 1).contains("another office key"));
    done(
        &other,
        &["import", "--accept-unsigned", "--key", text(&secret), text(&sealed)],
    );
}
