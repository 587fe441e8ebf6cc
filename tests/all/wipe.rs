//! Wiping: asked twice, gone from the bytes of the file, and a sealed copy first.

use std::io::Read as _;
use std::path::Path;

use lidmark::app::overlay::ConfirmTarget;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::domain::record::StopId;
use lidmark::store::Store;

use crate::fixture::{app_at_a_stop, app_on, taps};

/// Words that stand nowhere else, so that they can be looked for in the bytes of files.
const WORK: &str = "
    note Hidegewächs-Nine
    go read
    shape box
    size length 96
    size width 60
    size liquid 48
    size device 16
    level 0
    scum 3
    sludge 12
    pumped yes
    out 900
    found-note Zirkel-Baffle
    sign Ottoline Sample
    closed yes
";

fn worked(path: &Path) -> (App, StopId) {
    let (mut app, stop) = app_at_a_stop(path);
    taps(&mut app, WORK);
    let picture = path.with_file_name("yard.png");
    image::RgbImage::from_pixel(64, 48, image::Rgb([90, 120, 60]))
        .save(&picture)
        .unwrap();
    app.take_photo(&picture);
    app.settle_photos();
    app.session_mut().settle().unwrap();
    (app, stop)
}

/// How often `words` stands in the book's files, read as bytes.
fn in_the_bytes(path: &Path, words: &str) -> usize {
    ["", "-wal", "-shm"]
        .iter()
        .filter_map(|end| std::fs::read(format!("{}{end}", path.display())).ok())
        .map(|bytes| {
            bytes
                .windows(words.len())
                .filter(|window| *window == words.as_bytes())
                .count()
        })
        .sum()
}

fn pictures(path: &Path) -> usize {
    let photos = path.with_file_name("photos");
    let Ok(folders) = std::fs::read_dir(photos) else {
        return 0;
    };
    folders
        .flatten()
        .filter(|entry| entry.path().is_dir() && entry.file_name() != "inbox")
        .flat_map(|entry| std::fs::read_dir(entry.path()).unwrap().flatten())
        .count()
}

/// Taps through to the end, answering the two questions; before the second answer nothing is wiped.
fn wipe(app: &mut App, path: &Path, row: Option<usize>) {
    match row {
        Some(row) => {
            app.tap_wipe_site();
            app.picker_choose(row);
        }
        None => app.tap_wipe_all(),
    }
    app.picker_choose(1);
    for again in [false, true] {
        let confirm = app.confirm_view().expect("a question").clone();
        assert!(matches!(confirm.target, ConfirmTarget::Wipe(_, asked) if asked == again));
        assert!(
            in_the_bytes(path, "Zirkel-Baffle") > 0,
            "still there before it is answered"
        );
        app.confirm_answer(true);
    }
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Info, "{:?}", app.notice());
}

#[test]
fn a_stop_is_gone_from_the_bytes_and_its_site_stays() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = worked(&path);
    let site = app.session().ask(move |store| store.visit(stop)).unwrap().site.id;
    app.open_site(site);
    for words in ["Hidegewächs-Nine", "Zirkel-Baffle", "Ottoline Sample"] {
        assert!(in_the_bytes(&path, words) > 0, "{words} was never there");
    }
    assert!(pictures(&path) > 0);
    // No at either question keeps all.
    app.tap_wipe_site();
    app.picker_choose(1);
    app.picker_choose(1);
    app.confirm_answer(true);
    app.confirm_answer(false);
    assert!(in_the_bytes(&path, "Zirkel-Baffle") > 0);
    wipe(&mut app, &path, Some(1));
    for words in ["Hidegewächs-Nine", "Zirkel-Baffle", "Ottoline Sample"] {
        assert_eq!(in_the_bytes(&path, words), 0, "{words} is still in the file");
    }
    assert!(in_the_bytes(&path, "1 Sample Lane") > 0, "the site stays");
    assert_eq!(pictures(&path), 0);
    let visit = app.session().ask(move |store| store.site_whole(site)).unwrap();
    assert_eq!(visit.tanks.len(), 1, "what is in the ground stays");
    // The book is sound, a day file can be made of it, and the app starts on it.
    app.go(Screen::Day);
    app.make_day_file(app.session().today());
    app.settle_day_file();
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Info, "{:?}", app.notice());
    drop(app);
    Store::open(&path).unwrap().check().unwrap();
    assert_eq!(app_on(&path).screen(), Screen::Day);
}

#[test]
fn a_site_is_gone_with_everything_in_its_ground() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = worked(&path);
    let site = app.session().ask(move |store| store.visit(stop)).unwrap().site.id;
    app.open_site(site);
    wipe(&mut app, &path, Some(0));
    for words in [
        "1 Sample Lane",
        "Hidegewächs-Nine",
        "Zirkel-Baffle",
        &site.0.to_string(),
    ] {
        assert_eq!(in_the_bytes(&path, words), 0, "{words} is still in the file");
    }
    assert_eq!(pictures(&path), 0);
    assert!(app.session().ask(move |store| store.site_whole(site)).is_err());
    drop(app);
    Store::open(&path).unwrap().check().unwrap();
}

#[test]
fn everything_is_gone_and_the_app_begins_anew() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = worked(&path);
    app.go(Screen::Door);
    app.give_slip();
    app.go(Screen::Day);
    app.make_day_file(app.session().today());
    app.settle_day_file();
    wipe(&mut app, &path, None);
    assert_eq!(app.screen(), Screen::FirstRun);
    for words in ["1 Sample Lane", "Hidegewächs-Nine", "Zirkel-Baffle"] {
        assert_eq!(in_the_bytes(&path, words), 0, "{words} is still in the file");
    }
    for name in ["slips", "day-files", "photos", "phone.key"] {
        assert!(!folder.path().join(name).exists(), "{name}");
    }
    app.start_empty();
    assert!(app.day_view().stops.is_empty());
    app.session_mut().settle().unwrap();
    drop(app);
    assert_eq!(app_on(&path).screen(), Screen::Day);
}

#[test]
fn the_sealed_copy_opens_with_its_phrase_alone_and_is_the_whole_book() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = worked(&path);
    app.tap_wipe_all();
    app.picker_choose(0);
    app.sheet_edit("too short");
    app.sheet_keep();
    assert!(app.sheet_view().is_some(), "a phrase anyone can guess is not taken");
    app.sheet_edit("walnut barrow sled nine");
    app.sheet_keep();
    app.settle_copy();
    let out = std::fs::read_dir(folder.path().join("out"))
        .unwrap()
        .flatten()
        .collect::<Vec<_>>();
    assert_eq!(out.len(), 1, "one file, nothing half written: {out:?}");
    let sealed = std::fs::read(out[0].path()).unwrap();
    // The first line of the format, age-encryption.org/v1, and of its stanza for a phrase.
    assert!(sealed.starts_with(b"age-encryption.org/v1\n-> scrypt "));
    let open = |phrase: &str| -> Result<Vec<u8>, String> {
        let identity = age::scrypt::Identity::new(age::secrecy::SecretString::from(phrase.to_owned()));
        let decryptor = age::Decryptor::new(&sealed[..]).map_err(|error| error.to_string())?;
        let mut plain = Vec::new();
        decryptor
            .decrypt(std::iter::once(&identity as &dyn age::Identity))
            .map_err(|error| error.to_string())?
            .read_to_end(&mut plain)
            .map_err(|error| error.to_string())?;
        Ok(plain)
    };
    assert!(open("walnut barrow sled ten").is_err());
    let plain = open("walnut barrow sled nine").unwrap();
    let archive = folder.path().join("book.zip");
    std::fs::write(&archive, plain).unwrap();
    // Unpacked by Info-ZIP, which knows nothing of this program.
    let there = folder.path().join("new phone");
    let done = std::process::Command::new("unzip")
        .arg("-q")
        .arg(&archive)
        .arg("-d")
        .arg(&there)
        .status()
        .expect("install the package unzip, then run this test again");
    assert!(done.success());
    let book = there.join("book.sqlite");
    Store::open(&book).unwrap().check().unwrap();
    assert!(in_the_bytes(&book, "Zirkel-Baffle") > 0);
    assert_eq!(pictures(&book), pictures(&path));
}
