//! The sealed copy for a phone's own cloud backup: off until it is turned on, sealed by the `age` program's own measure,
//! never half written, gone when it is turned off, and a book again on another phone.
//!
//! What the system takes are the folders its rules name (developer.android.com, "Back up user data with Auto Backup"), so
//! that what lies in the folder `cloud` is what can leave the phone.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::mpsc::channel;

use chrono::TimeDelta;
use lidmark::app::device::{Device, Moment, News};
use lidmark::app::overlay::ConfirmTarget;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::store::Store;

use crate::fixture::{app_at_a_stop, app_on, dump_records, now, taps};

const PHRASE: &str = "walnut barrow sled nine";

fn source(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).unwrap()
}

fn as_phone(app: &mut App) {
    app.connect_device(Device::new(Arc::new(|_| ())), channel().1);
}

fn turn_on(app: &mut App, phrase: &str) {
    app.choose_cloud(true);
    let confirm = app.confirm_view().expect("the risk is said first");
    assert_eq!(confirm.target, ConfirmTarget::CloudCopy);
    app.confirm_answer(true);
    app.sheet_edit(phrase);
    app.sheet_keep();
    app.settle_cloud();
}

/// Everything in the folder a cloud may take.
fn taken(path: &Path) -> Vec<String> {
    let Ok(folder) = std::fs::read_dir(path.with_file_name("cloud")) else {
        return Vec::new();
    };
    let mut names: Vec<String> = folder
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn book_file(path: &Path) -> PathBuf {
    path.with_file_name("cloud").join("book.age")
}

/// What is inside the copy, opened with the key that the phrase seals, and unpacked by Info-ZIP.
fn opened(path: &Path, phrase: &str, to: &Path) -> Option<PathBuf> {
    let cloud = path.with_file_name("cloud");
    let secret = age_opens(&std::fs::read(cloud.join("key.age")).unwrap(), phrase)?;
    let key = to.join("key.txt");
    std::fs::write(&key, secret).unwrap();
    let archive = to.join("book.zip");
    let done = Command::new("age")
        .args(["-d", "-i"])
        .arg(&key)
        .arg("-o")
        .arg(&archive)
        .arg(cloud.join("book.age"))
        .status()
        .expect("install the package age, then run this test again");
    assert!(done.success(), "the age program opens the book with the key");
    let folder = to.join("book");
    let done = Command::new("unzip")
        .arg("-q")
        .arg("-o")
        .arg(&archive)
        .arg("-d")
        .arg(&folder)
        .status()
        .expect("install the package unzip, then run this test again");
    assert!(done.success());
    Some(folder.join("book.sqlite"))
}

/// The `age` program asks for a phrase on a terminal only, so that the key is opened by the library of the format's authors.
fn age_opens(sealed: &[u8], phrase: &str) -> Option<Vec<u8>> {
    use std::io::Read as _;
    // The first line of the format, age-encryption.org/v1, and of its stanza for a phrase.
    assert!(sealed.starts_with(b"age-encryption.org/v1\n-> scrypt "));
    let identity = age::scrypt::Identity::new(age::secrecy::SecretString::from(phrase.to_owned()));
    let mut plain = Vec::new();
    age::Decryptor::new(sealed)
        .unwrap()
        .decrypt(std::iter::once(&identity as &dyn age::Identity))
        .ok()?
        .read_to_end(&mut plain)
        .ok()?;
    Some(plain)
}

#[test]
fn nothing_is_left_for_a_cloud_until_it_is_turned_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    assert!(!app.cloud_view().shown, "a desktop has no such backup");
    as_phone(&mut app);
    let view = app.cloud_view();
    assert!(view.shown && !view.on && !view.warns && !view.text.is_empty());
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    // No at the question, and leaving the phrase's sheet, both leave it off; so does a phrase anyone can guess.
    app.choose_cloud(true);
    app.confirm_answer(false);
    app.choose_cloud(true);
    app.confirm_answer(true);
    app.sheet_edit("too short");
    app.sheet_keep();
    assert!(app.sheet_view().is_some());
    app.cancel_overlay();
    app.settle_cloud();
    assert_eq!(taken(&path), [] as [&str; 0]);
    assert!(!app.cloud_view().on);
    // The rules name this one folder and no other, in both forms that Android reads.
    for (file, part) in [
        ("android/res/xml/backup_rules.xml", "full-backup-content"),
        ("android/res/xml/extraction_rules.xml", "cloud-backup"),
    ] {
        let text = source(file);
        let (_, rest) = text.split_once(&format!("<{part}>")).unwrap();
        let (rules, _) = rest.split_once(&format!("</{part}>")).unwrap();
        let included: Vec<&str> = rules.split("<include ").skip(1).collect();
        assert_eq!(included.len(), 1, "{file}");
        assert!(included[0].contains("domain=\"file\" path=\"cloud/\""), "{file}");
    }
}

#[test]
fn turned_on_the_copy_is_the_book_sealed_and_turned_off_it_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    as_phone(&mut app);
    taps(&mut app, "note Behind the Zirkel shed");
    turn_on(&mut app, PHRASE);
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Info, "{:?}", app.notice());
    assert_eq!(taken(&path), ["book.age", "key.age"]);
    assert!(app.cloud_view().on && !app.cloud_view().warns);
    // Neither a word of the book nor of the phrase stands in what may leave, nor the phrase anywhere on the phone.
    let has = |bytes: &[u8], words: &str| bytes.windows(words.len()).any(|window| window == words.as_bytes());
    for name in taken(&path) {
        let bytes = std::fs::read(path.with_file_name("cloud").join(name)).unwrap();
        assert!(!has(&bytes, "Zirkel") && !has(&bytes, "Sample Lane") && !has(&bytes, "SECRET"));
    }
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        let entry = entry.unwrap().path();
        if entry.is_file() {
            assert!(!has(&std::fs::read(&entry).unwrap(), "walnut"), "{}", entry.display());
        }
    }
    assert!(!path.with_file_name("cloud-part").join("book.sqlite").exists());
    let there = tempfile::tempdir().unwrap();
    assert_eq!(opened(&path, "walnut barrow sled ten", there.path()), None);
    let copy = opened(&path, PHRASE, there.path()).unwrap();
    Store::open(&copy).unwrap().check().unwrap();
    assert_eq!(dump_records(&copy), dump_records(&path));

    app.choose_cloud(false);
    assert!(!app.cloud_view().on);
    assert!(!path.with_file_name("cloud").exists() && !path.with_file_name("cloud.key").exists());
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    assert_eq!(taken(&path), [] as [&str; 0], "off is off");
}

#[test]
fn the_copy_is_made_anew_when_it_was_promised_and_never_cut_short() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    as_phone(&mut app);
    turn_on(&mut app, PHRASE);
    let first = std::fs::read(book_file(&path)).unwrap();
    let same = |bytes: &[u8]| std::fs::read(book_file(&path)).unwrap() == bytes;
    let mut minutes = 0;
    let mut leave = |app: &mut App, after: i64| {
        minutes += after;
        let at = now() + TimeDelta::minutes(minutes);
        app.session_mut().set_clock(Box::new(move || at));
        taps(app, &format!("note Minute {minutes}"));
        app.session_mut().settle().unwrap();
        app.hear(News::Moment(Moment::Hidden));
        app.settle_cloud();
    };
    leave(&mut app, 10);
    assert!(same(&first), "within the hour it is left");
    leave(&mut app, 60);
    assert!(!same(&first), "after an hour it is made anew");
    let second = std::fs::read(book_file(&path)).unwrap();
    app.session_mut().set_clock(Box::new(|| now() + TimeDelta::hours(9)));
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    assert!(same(&second), "nothing was kept since");
    let there = tempfile::tempdir().unwrap();
    let copy = opened(&path, PHRASE, there.path()).expect("the same phrase opens it, which nobody was asked for again");
    assert_eq!(dump_records(&copy), dump_records(&path));
    // Closing the day does not wait for the hour.
    close_day(&mut app);
    assert_eq!(app.notice().unwrap().text.what, "The day is closed.");
    assert!(!same(&second), "a day was closed");
    let third = std::fs::read(book_file(&path)).unwrap();

    // A run that was killed in the middle leaves its plain book outside the folder; the next one removes it. The copy of
    // before stays whole until then.
    drop(app);
    let part = path.with_file_name("cloud-part");
    std::fs::create_dir_all(&part).unwrap();
    std::fs::copy(&path, part.join("book.sqlite")).unwrap();
    std::fs::write(part.join("sealed"), b"half of it").unwrap();
    let mut app = app_on(&path);
    assert!(!part.exists());
    assert!(same(&third));
    as_phone(&mut app);
    assert!(app.cloud_view().on, "it stays on over a new start");
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    assert!(!same(&third), "what the run before may have kept last is in it now");

    // No room: the copy of before stays, Setup says so, and the next time it is tried again.
    let fourth = std::fs::read(book_file(&path)).unwrap();
    if part.exists() {
        std::fs::remove_dir_all(&part).unwrap();
    }
    std::fs::write(&part, b"in the way").unwrap();
    app.session_mut().set_clock(Box::new(|| now() + TimeDelta::hours(20)));
    app.choose_night(true);
    app.session_mut().settle().unwrap();
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    assert!(same(&fourth));
    assert!(app.cloud_view().warns, "{}", app.cloud_view().text);
    std::fs::remove_file(&part).unwrap();
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    assert!(!same(&fourth) && !app.cloud_view().warns);
}

/// Closes the day, with a reason if something is missing.
fn close_day(app: &mut App) {
    app.tap_close_day();
    app.tap_form_key(0);
    if app.sheet_view().is_some() {
        app.sheet_edit("Invented day");
        app.sheet_keep();
    }
    app.session_mut().settle().unwrap();
    app.settle_cloud();
}

#[test]
fn what_is_wiped_is_not_left_for_a_cloud_either() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    as_phone(&mut app);
    taps(&mut app, "note Behind the Zirkel shed");
    turn_on(&mut app, PHRASE);
    let site = app.session().ask(move |store| store.visit(stop)).unwrap().site.id;
    app.open_site(site);
    app.tap_wipe_site();
    app.picker_choose(1);
    app.picker_choose(1);
    app.confirm_answer(true);
    assert!(
        app.confirm_view().unwrap().sentence.contains("cloud"),
        "what is out of reach is said"
    );
    app.confirm_answer(true);
    app.settle_cloud();
    let there = tempfile::tempdir().unwrap();
    let copy = opened(&path, PHRASE, there.path()).expect("it stays on");
    assert_eq!(dump_records(&copy), dump_records(&path));
    let bytes = std::fs::read(&copy).unwrap();
    assert!(!bytes.windows(6).any(|window| window == b"Zirkel"));
    app.tap_wipe_all();
    app.picker_choose(1);
    app.confirm_answer(true);
    app.confirm_answer(true);
    app.settle_cloud();
    for name in ["cloud", "cloud.key", "cloud-part"] {
        assert!(!path.with_file_name(name).exists(), "{name}");
    }
}

#[test]
fn a_copy_that_came_back_is_offered_opened_by_its_phrase_and_never_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let old = folder.path().join("old phone/book.sqlite");
    std::fs::create_dir_all(old.parent().unwrap()).unwrap();
    let (mut app, _) = app_at_a_stop(&old);
    as_phone(&mut app);
    taps(&mut app, "note Behind the Zirkel shed");
    turn_on(&mut app, PHRASE);
    let records = dump_records(&old);
    drop(app);
    // Android gives the new phone back what it took: the one folder, and nothing beside it.
    let new = folder.path().join("new phone/book.sqlite");
    let cloud = new.with_file_name("cloud");
    std::fs::create_dir_all(&cloud).unwrap();
    for name in ["book.age", "key.age"] {
        std::fs::copy(old.with_file_name("cloud").join(name), cloud.join(name)).unwrap();
    }
    let sealed = std::fs::read(book_file(&new)).unwrap();
    let mut app = app_on(&new);
    as_phone(&mut app);
    assert_eq!(app.screen(), Screen::FirstRun);
    assert!(app.cloud_copy_found().is_some());
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    // Another phrase, and a copy that lost its end, change nothing and are said.
    let open = |app: &mut App, phrase: &str| {
        app.tap_open_cloud_copy();
        app.sheet_edit(phrase);
        app.sheet_keep();
        app.settle_cloud();
    };
    open(&mut app, "walnut barrow sled ten");
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Failure);
    std::fs::write(book_file(&new), &sealed[..sealed.len() / 2]).unwrap();
    open(&mut app, PHRASE);
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Failure);
    assert_eq!(app.screen(), Screen::FirstRun);
    std::fs::write(book_file(&new), &sealed).unwrap();
    open(&mut app, PHRASE);
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Info, "{:?}", app.notice());
    assert_eq!(app.screen(), Screen::Day);
    assert_eq!(dump_records(&new), records);
    assert!(!new.with_file_name("cloud-part").exists(), "no plain book stays behind");
    assert!(app.cloud_view().on);
    // It is a book to work on, the copy follows it, and the next start opens it.
    app.session_mut().settle().unwrap();
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    drop(app);
    Store::open(&new).unwrap().check().unwrap();
    assert_ne!(app_on(&new).screen(), Screen::FirstRun);
    let there = tempfile::tempdir().unwrap();
    assert!(opened(&new, PHRASE, there.path()).is_some());

    // Whoever starts with an empty book keeps the copy of the old one until the switch is turned on again.
    let third = folder.path().join("third phone/book.sqlite");
    let cloud = third.with_file_name("cloud");
    std::fs::create_dir_all(&cloud).unwrap();
    for name in ["book.age", "key.age"] {
        std::fs::copy(old.with_file_name("cloud").join(name), cloud.join(name)).unwrap();
    }
    let mut app = app_on(&third);
    as_phone(&mut app);
    app.start_empty();
    app.session_mut().settle().unwrap();
    app.hear(News::Moment(Moment::Hidden));
    app.settle_cloud();
    assert_eq!(std::fs::read(book_file(&third)).unwrap(), sealed);
    assert!(!app.cloud_view().on);
    app.choose_cloud(true);
    let asked = app.confirm_view().unwrap().sentence.clone();
    assert!(asked.contains("replaced"), "{asked}");
}
