//! Files with one fault each are refused by name, and nothing of them is handed out.

use std::collections::BTreeMap;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};

use lidmark::domain::record::Cell;
use lidmark::exchange::dayfile::read::{Trust, open, open_keeping};
use lidmark::exchange::dayfile::seal::OfficeSecret;
use lidmark::exchange::dayfile::sign::{PhoneKey, TrustedPhone};
use lidmark::exchange::dayfile::{DayFileError, MOST_ENTRIES};
use proptest::prelude::*;
use serde_json::Value;
use uuid::Uuid;
use zip::write::SimpleFileOptions;

use super::book::{Book, day};
use super::{made, read_back, stamped};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/dayfile")
}

fn vector(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name).with_extension("lidmark")).unwrap()
}

/// The vectors are written by `tests/vectors/dayfile/make.py` from docs/dayfile.md, not by this program.
#[test]
fn every_vector_gets_its_answer() {
    let expected = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let expected: BTreeMap<String, Value> = serde_json::from_str(&expected).unwrap();
    assert!(expected.len() >= 85, "{} vectors", expected.len());
    let mut wrong = Vec::new();
    for (name, case) in &expected {
        let keys = case["key"].as_str().map(|file| {
            let text = std::fs::read_to_string(folder().join(file)).unwrap();
            OfficeSecret::parse(&text).unwrap()
        });
        let trusted = case["trust"].as_array().map(|list| {
            list.iter()
                .map(|pair| TrustedPhone {
                    phone: Uuid::parse_str(pair[0].as_str().unwrap()).unwrap(),
                    key: PhoneKey::parse(pair[1].as_str().unwrap()).unwrap(),
                })
                .collect::<Vec<_>>()
        });
        let trust = trusted.as_deref().map_or(Trust::Anyone, Trust::Only);
        let answer = match open(Cursor::new(vector(name)), keys.as_slice(), trust) {
            Ok(file) => {
                // What was checked can be read.
                assert!(file.stamped().all(|field| field.is_ok()), "{name}");
                assert!(file.log().all(|logged| logged.is_ok()), "{name}");
                "ok".to_owned()
            }
            Err(error) => {
                assert!(!error.remedy().is_empty());
                error.code().to_owned()
            }
        };
        if answer != case["answer"].as_str().unwrap() {
            wrong.push(format!("{name}: {answer}, not {}", case["answer"]));
        }
    }
    assert_eq!(wrong, Vec::<String>::new());
    let on_disk = std::fs::read_dir(folder())
        .unwrap()
        .filter(|entry| {
            entry
                .as_ref()
                .unwrap()
                .path()
                .extension()
                .is_some_and(|e| e == "lidmark")
        })
        .count();
    assert_eq!(on_disk, expected.len(), "a vector without an answer");
}

#[test]
fn the_good_vector_says_what_its_maker_put_in() {
    let bytes = vector("good");
    let file = read_back(&bytes).unwrap();
    let fields = stamped(&file);
    assert_eq!(fields.len(), 5 + 4 + 5);
    let name = &fields[0];
    assert_eq!((name.table, name.field), ("site", "name"));
    assert_eq!(name.value, Cell::Text("Invented farm, Ñandú".to_owned()));
    assert_eq!(
        name.by,
        file.manifest().phone,
        "a field without a phone of its own is the file's phone's"
    );
    assert_eq!(name.at.to_rfc3339(), "2026-06-17T09:00:00-05:00");
    let log = file.log().map(Result::unwrap).collect::<Vec<_>>();
    assert_eq!(log.len(), 2);
    assert_eq!(log[0].before, [None], "a new record had nothing before");
    assert_eq!(log[1].before, [Some(Cell::Text(String::new())), Some(Cell::Null)]);
    assert_eq!(file.blobs().count(), 2);
}

/// Every error has a sentence of its own and says what to do; a code never changes, so the list stands here.
#[test]
fn every_code_is_met_by_a_vector_or_a_test() {
    let expected = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    let expected: BTreeMap<String, Value> = serde_json::from_str(&expected).unwrap();
    let mut met = expected
        .values()
        .map(|case| case["answer"].as_str().unwrap().to_owned())
        .collect::<Vec<_>>();
    met.sort();
    met.dedup();
    // `too-many-entries` and `unreadable` are met below; the file for the first would be too large to keep.
    assert_eq!(
        met,
        [
            "bad-line",
            "bad-manifest",
            "bad-name",
            "bad-signature",
            "cut-off",
            "damaged",
            "duplicate",
            "missing",
            "no-manifest",
            "not-a-day-file",
            "not-a-file",
            "ok",
            "other-phone",
            "packing",
            "seal-broken",
            "sealed",
            "too-dense",
            "too-large",
            "too-new",
            "unknown-phone",
            "unlisted",
            "unsigned",
            "wrong-hash",
            "wrong-key",
            "wrong-size",
        ]
    );
}

/// APPNOTE.TXT 4.3.16: the end record counts entries in 16 bits; 65,536 need a zip64 record.
#[test]
fn too_many_entries_are_refused_before_they_are_listed() {
    let many = |count: u64| {
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        let options = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
        for number in 0..count {
            zip.start_file(format!("csv/{number}.csv"), options).unwrap();
        }
        zip.finish().unwrap().into_inner()
    };
    let bytes = many(MOST_ENTRIES + 1);
    let error = read_back(&bytes).unwrap_err();
    assert!(
        matches!(error, DayFileError::TooManyEntries { found } if found == MOST_ENTRIES + 1),
        "{error}"
    );
    // One fewer is refused for what it is: a zip that does not begin with a manifest.
    assert_eq!(read_back(&many(MOST_ENTRIES)).unwrap_err().code(), "no-manifest");
}

#[derive(Debug)]
struct Failing(u64);

impl std::io::Read for Failing {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        if self.0 > 4 {
            return Err(std::io::Error::from_raw_os_error(5));
        }
        self.0 += 4;
        buf[..4].copy_from_slice(b"PK\x03\x04");
        Ok(4)
    }
}

impl std::io::Seek for Failing {
    fn seek(&mut self, _: std::io::SeekFrom) -> std::io::Result<u64> {
        Ok(0)
    }
}

#[test]
fn a_disk_that_cannot_be_read_is_not_called_a_damaged_file() {
    let error = open(Failing(0), &[], Trust::Anyone).unwrap_err();
    assert_eq!(error.code(), "unreadable");
}

/// A file cut after any byte is refused.
#[test]
fn cut_anywhere_it_is_refused() {
    let whole = vector("good");
    for length in 0..whole.len() {
        let error = read_back(&whole[..length]).expect_err("a part of it was taken for the whole");
        assert!(
            ["cut-off", "not-a-day-file"].contains(&error.code()),
            "cut after {length}: {error}"
        );
    }
    let sealed = vector("sealed");
    let key = OfficeSecret::parse(&std::fs::read_to_string(folder().join("office.key")).unwrap()).unwrap();
    for length in 0..sealed.len() {
        let error = open(
            Cursor::new(&sealed[..length]),
            std::slice::from_ref(&key),
            Trust::Anyone,
        )
        .expect_err("a part of it was taken for the whole");
        assert!(
            ["seal-broken", "not-a-day-file"].contains(&error.code()),
            "cut after {length}: {error}"
        );
    }
}

/// A file with any byte changed is refused, or says exactly what it said before: dates of entries, for one, mean nothing.
#[test]
fn changed_anywhere_it_is_refused_or_says_the_same() {
    let whole = vector("good");
    let file = read_back(&whole).unwrap();
    let (said, manifest) = (stamped(&file), file.manifest().clone());
    let mut refused = 0;
    for place in 0..whole.len() {
        for change in [1, 0x80, 0xff] {
            let mut bytes = whole.clone();
            bytes[place] ^= change;
            match read_back(&bytes) {
                Err(_) => refused += 1,
                Ok(file) => {
                    assert_eq!(*file.manifest(), manifest, "byte {place}");
                    assert_eq!(stamped(&file), said, "byte {place}");
                    assert_eq!(
                        file.signer().map(|key| key.to_string()),
                        manifest.key.map(|key| key.to_string())
                    );
                }
            }
        }
    }
    assert!(refused > whole.len(), "{refused} refused of {}", whole.len() * 3);
    let sealed = vector("sealed");
    let key = OfficeSecret::parse(&std::fs::read_to_string(folder().join("office.key")).unwrap()).unwrap();
    for place in 0..sealed.len() {
        let mut bytes = sealed.clone();
        bytes[place] ^= 1;
        assert!(
            open(Cursor::new(bytes), std::slice::from_ref(&key), Trust::Anyone).is_err(),
            "byte {place} of a sealed file"
        );
    }
}

/// What changes between the check and the reading is noticed while reading.
#[test]
fn a_file_that_changes_after_the_check_is_noticed() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let photos = [super::book::photo(3, 20_000)];
    let (_, bytes) = made(&book.store, &carry, &photos);
    let path = book.path.with_file_name("changing.lidmark");
    std::fs::write(&path, &bytes).unwrap();
    let file = open(std::fs::File::open(&path).unwrap(), &[], Trust::Anyone).unwrap();
    let place = bytes.windows(64).position(|w| w == &photos[0].1[5_000..5_064]).unwrap();
    let mut changed = bytes;
    changed[place] ^= 1;
    std::fs::OpenOptions::new()
        .write(true)
        .open(&path)
        .unwrap()
        .write_all(&changed)
        .unwrap();
    let mut part = file.open_part(&photos[0].0.part_name()).unwrap();
    let error = std::io::copy(&mut part, &mut std::io::sink()).unwrap_err();
    assert!(error.to_string().contains("has been changed"), "{error}");
}

/// However little is kept in memory, the same is handed out; what is read a second time is checked a second time.
#[test]
fn what_is_not_kept_is_read_again_and_says_the_same() {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[]);
    let said = stamped(&read_back(&bytes).unwrap());
    assert!(said.len() > 50, "{}", said.len());
    for most in [0, 1, 1_000, 4_000, usize::MAX] {
        let file = open_keeping(Cursor::new(&bytes[..]), &[], Trust::Anyone, most).unwrap();
        assert_eq!(stamped(&file), said, "{most} bytes kept");
        let whole = file
            .log()
            .map(Result::unwrap)
            .map(|logged| logged.op.id)
            .collect::<Vec<_>>();
        let texts = file
            .log_texts()
            .map(Result::unwrap)
            .map(|logged| logged.id)
            .collect::<Vec<_>>();
        assert_eq!(whole, texts);
    }
    let path = book.path.with_file_name("changing.lidmark");
    for (most, is_noticed) in [(0, true), (usize::MAX, false)] {
        std::fs::write(&path, &bytes).unwrap();
        let file = open_keeping(std::fs::File::open(&path).unwrap(), &[], Trust::Anyone, most).unwrap();
        // Every byte after the first entry's: whatever is read from the file now is another.
        let mut changed = bytes.clone();
        changed[1_000..].iter_mut().for_each(|byte| *byte ^= 1);
        std::fs::OpenOptions::new()
            .write(true)
            .open(&path)
            .unwrap()
            .write_all(&changed)
            .unwrap();
        assert_eq!(
            file.stamped().any(|field| field.is_err()),
            is_noticed,
            "{most} bytes kept"
        );
        assert!(
            file.log_texts().any(|action| action.is_err()),
            "the log is always read from the file"
        );
    }
}

proptest! {
    /// Nothing a stranger sends ends the program.
    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..2_000)) {
        prop_assert!(read_back(&bytes).is_err());
        prop_assert!(read_back(&[b"PK\x03\x04".as_slice(), &bytes].concat()).is_err());
        prop_assert!(read_back(&[b"age-encryption.org/v1\n".as_slice(), &bytes].concat()).is_err());
    }

    /// Several changes at once, and pieces moved about.
    #[test]
    fn no_damage_makes_it_panic(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..20),
        cut in any::<prop::sample::Index>(),
        again in any::<prop::sample::Index>(),
    ) {
        let mut bytes = vector("good");
        for (place, byte) in changes {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        let piece = bytes[cut.index(bytes.len())..].to_vec();
        let at = again.index(bytes.len());
        bytes.splice(at..at, piece);
        // It may be refused or, when only dates were hit and the piece was empty, read; either way it ends.
        drop(read_back(&bytes).map(|file| stamped(&file).len()));
    }
}
