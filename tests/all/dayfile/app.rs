//! The day's file as it is made from the Day screen.

use std::fs::File;
use std::path::{Path, PathBuf};

use lidmark::app::overlay::Verdict;
use lidmark::app::setup::SetupItem;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::domain::record::{Language, Station};
use lidmark::exchange::dayfile::digest_of;
use lidmark::exchange::dayfile::read::{DayFile, Trust, open};
use lidmark::exchange::dayfile::seal::OfficeSecret;
use lidmark::exchange::dayfile::sign::TrustedPhone;
use lidmark::store::blobs::Blobs;

use crate::fixture::{Dice, app_at_a_stop, app_on, taps};

fn make(app: &mut App) {
    app.go(Screen::Day);
    app.tap_day_file();
    app.picker_choose(0);
    app.settle_day_file();
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut list = std::fs::read_dir(folder)
        .map(|entries| entries.map(|entry| entry.unwrap().path()).collect::<Vec<_>>())
        .unwrap_or_default();
    list.sort();
    list
}

fn read(path: &Path, keys: &[OfficeSecret]) -> DayFile<File> {
    open(File::open(path).unwrap(), keys, Trust::Anyone).unwrap()
}

#[test]
fn a_touch_makes_the_file_and_says_where_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, stop) = app_at_a_stop(&folder.path().join("book.sqlite"));
    taps(&mut app, "sludge 12");
    make(&mut app);
    let notice = app.notice().unwrap();
    assert_eq!(notice.kind, NoticeKind::Info, "{notice:?}");
    let made = files(&folder.path().join("day-files"));
    assert_eq!(made.len(), 1, "{made:?}");
    assert_eq!(notice.text.advice, made[0].display().to_string());
    assert!(notice.text.what.ends_with("kB."), "{}", notice.text.what);
    assert!(
        app.day_view().counts.ends_with("file 1 made at 09:00"),
        "{}",
        app.day_view().counts
    );

    let first = read(&made[0], &[]);
    assert!(first.manifest().partial, "the stop is not finished");
    assert_eq!((first.manifest().sequence, first.manifest().follows), (1, None));
    assert_eq!(first.manifest().day, app.session().today());
    assert_eq!(first.signer(), Some(app.phone_public_key().unwrap()));
    assert!(!first.is_sealed());
    assert!(first.stamped().any(|field| field.unwrap().id == stop.0));
    // The set-up travels under the phone's name.
    let phone = first.manifest().phone;
    assert!(
        first
            .stamped()
            .map(Result::unwrap)
            .any(|f| f.table == "setup" && f.id == phone)
    );
    let (first_hash, _) = digest_of(File::open(&made[0]).unwrap()).unwrap();
    assert_eq!(first.sha256(), first_hash);

    // Made again it has the next number and names the first; the office can put the two in order.
    make(&mut app);
    let made = files(&folder.path().join("day-files"));
    assert_eq!(made.len(), 2, "the first is left as it is");
    let second = read(&made[1], &[]);
    assert_eq!(
        (second.manifest().sequence, second.manifest().follows),
        (2, Some(first_hash))
    );
    assert_eq!(second.manifest().phone, phone);
    // The key is the phone's own for good.
    let trusted = [TrustedPhone {
        phone,
        key: app.phone_public_key().unwrap(),
    }];
    for path in &made {
        open(File::open(path).unwrap(), &[], Trust::Only(&trusted)).unwrap();
    }
}

#[cfg(unix)]
#[test]
fn the_phones_key_is_for_its_owner_only() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let (app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let key = app.phone_public_key().unwrap();
    let path = folder.path().join("phone.key");
    assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(app.phone_public_key().unwrap(), key);
}

#[test]
fn with_an_office_key_the_file_is_sealed_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let office = OfficeSecret::generate();
    app.go(Screen::Setup);
    app.tap_setup_item(SetupItem::OfficeKey);
    let secret = office.to_text().lines().last().unwrap().to_owned();
    for (typed, said) in [
        ("hello", "An office key begins with age1."),
        (
            secret.as_str(),
            "This is the office's secret key. The phone needs the other one, which begins with age1.",
        ),
        (
            "age1qqq",
            "The key is incomplete or has a wrong letter. Copy or scan it again.",
        ),
    ] {
        app.sheet_edit(typed);
        let sheet = app.sheet_view().unwrap();
        assert_eq!((sheet.verdict, sheet.message.as_str()), (Verdict::Invalid, said));
        app.sheet_keep();
        assert!(app.sheet_view().is_some(), "what cannot be used is not kept");
    }
    app.sheet_edit(&format!(" {}\n", office.public().to_string().to_uppercase()));
    app.sheet_keep();
    assert_eq!(app.session().setup().office_key, office.public().to_string());
    make(&mut app);
    assert!(app.notice().unwrap().text.what.contains("sealed"), "{:?}", app.notice());
    let made = files(&folder.path().join("day-files"));
    assert_eq!(made.len(), 1, "the unsealed file is gone: {made:?}");
    let bytes = std::fs::read(&made[0]).unwrap();
    assert!(bytes.starts_with(b"age-encryption.org/v1\n"));
    let place = b"Sample Lane";
    assert!(!bytes.windows(place.len()).any(|w| w == place));
    let file = read(&made[0], &[office]);
    assert!(file.is_sealed());
    // The next file names this one by what is under the seal.
    let sha256 = file.sha256();
    app.tap_setup_item(SetupItem::OfficeKey);
    app.sheet_edit("");
    app.sheet_keep();
    make(&mut app);
    let made = files(&folder.path().join("day-files"));
    assert_eq!(read(&made[1], &[]).manifest().follows, Some(sha256));
}

#[test]
fn where_nothing_can_be_written_nothing_is_left_and_a_sentence_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    // A file stands where the folder should be: the same for every user, root too.
    let place = folder.path().join("day-files");
    std::fs::write(&place, "in the way").unwrap();
    for language in [Language::English, Language::Spanish] {
        app.choose_language(language);
        make(&mut app);
        let notice = app.notice().unwrap();
        assert_eq!(notice.kind, NoticeKind::Failure);
        assert!(!notice.text.what.is_empty() && !notice.text.advice.is_empty());
        app.dismiss_notice();
    }
    app.choose_language(Language::English);
    assert!(!app.day_view().counts.contains("file"), "{}", app.day_view().counts);
    std::fs::remove_file(&place).unwrap();
    make(&mut app);
    let made = files(&place);
    assert_eq!(made.len(), 1);
    assert_eq!(
        read(&made[0], &[]).manifest().sequence,
        3,
        "a number is never given twice"
    );
    assert_eq!(
        read(&made[0], &[]).manifest().follows,
        None,
        "the two before it were never made"
    );
}

#[test]
fn a_damaged_phone_key_is_never_made_anew_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let path = folder.path().join("phone.key");
    std::fs::write(&path, "lidmark-phone-secret:12").unwrap();
    make(&mut app);
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Failure);
    assert!(app.notice().unwrap().text.what.contains("phone.key"));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "lidmark-phone-secret:12");
    assert_eq!(files(&folder.path().join("day-files")), Vec::<PathBuf>::new());
}

#[test]
fn what_a_killed_app_left_half_written_goes_with_the_next_file() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let place = folder.path().join("day-files");
    std::fs::create_dir(&place).unwrap();
    std::fs::write(place.join("2026-06-17-0-1.lidmark.unfinished"), "half").unwrap();
    make(&mut app);
    assert_eq!(files(&place).len(), 1, "{:?}", files(&place));
}

#[test]
fn a_past_day_is_made_again_from_the_list() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    make(&mut app);
    // Two days later.
    app.session_mut()
        .set_clock(Box::new(|| crate::fixture::now() + chrono::TimeDelta::days(2)));
    app.go(Screen::Day);
    app.tap_day_file();
    let picker = app.picker_view().unwrap();
    assert_eq!(picker.rows.len(), 2, "{:?}", picker.rows);
    assert!(picker.rows[0].0.starts_with("Today, ") && picker.rows[0].1.ends_with("no file yet"));
    assert!(
        picker.rows[1].1.ends_with("1 stop · file 1 made"),
        "{:?}",
        picker.rows[1]
    );
    app.picker_choose(1);
    app.settle_day_file();
    let made = files(&folder.path().join("day-files"));
    let again = read(&made[1], &[]);
    assert_eq!(again.manifest().sequence, 2);
    assert_eq!(again.manifest().day, crate::fixture::now().date_naive());
    assert!(!again.manifest().partial, "that day is over");
    assert!(again.stamped().any(|field| field.unwrap().id == stop.0));
}

/// A disk of 4 kB, which is full before the file is whole.
#[cfg(target_os = "linux")]
#[test]
fn with_no_room_left_nothing_is_left_and_a_sentence_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.phone_public_key().unwrap();
    let place = folder.path().join("day-files");
    std::fs::create_dir(&place).unwrap();
    let mounted = std::process::Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=4k", "tmpfs"])
        .arg(&place)
        .status();
    assert!(
        mounted.is_ok_and(|status| status.success()),
        "needs the right to mount a small disk in memory: run the tests as root"
    );
    make(&mut app);
    let (notice, left) = (app.notice(), files(&place));
    let gone = std::process::Command::new("umount").arg(&place).status().unwrap();
    assert!(gone.success());
    let notice = notice.unwrap();
    assert_eq!(notice.kind, NoticeKind::Failure);
    assert_eq!(notice.text.what, "No room is left on this device for the day's file.");
    assert_eq!(left, Vec::<PathBuf>::new());
    make(&mut app);
    assert_eq!(files(&place).len(), 1, "with room again it is made");
}

/// The day's photos go along; one that is lost is named and stops nothing; the office lays them where the records look.
#[test]
fn photos_go_along_and_a_lost_one_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    app.go(Screen::At(Station::Dig));
    for number in 0..2_u8 {
        let path = folder.path().join(format!("{number}.png"));
        image::RgbImage::from_fn(320, 240, |x, y| {
            image::Rgb([(x % 251) as u8, (y % 241) as u8, 90 + 60 * number])
        })
        .save(&path)
        .unwrap();
        app.take_photo(&path);
        app.settle_photos();
    }
    make(&mut app);
    assert_eq!(app.notice().unwrap().kind, NoticeKind::Info, "{:?}", app.notice());
    let blobs = Blobs::beside(app.session().book());
    let hashes = app.session().ask(|store| store.photo_hashes()).unwrap();
    let hashes = hashes.into_iter().collect::<Vec<_>>();
    assert_eq!(hashes.len(), 2);
    std::fs::write(blobs.picture(&hashes[0]).unwrap(), b"changed").unwrap();
    make(&mut app);
    let notice = app.notice().unwrap().clone();
    assert_eq!(notice.kind, NoticeKind::Warning);
    assert!(notice.text.what.contains("1 photo is not in it"), "{notice:?}");
    let made = files(&folder.path().join("day-files"));
    let photos = |path: &Path| {
        let file = read(path, &[]);
        let names = file.blobs().map(|part| part.name.clone()).collect::<Vec<_>>();
        names
            .into_iter()
            .filter(|name| name.starts_with("photos/"))
            .collect::<Vec<_>>()
    };
    assert_eq!(
        photos(&made[0]),
        [format!("photos/{}.jpg", hashes[0]), format!("photos/{}.jpg", hashes[1])]
    );
    assert_eq!(photos(&made[1]), [format!("photos/{}.jpg", hashes[1])]);

    let book = folder.path().join("office/book.sqlite");
    let office = |arguments: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
            .arg("--book")
            .arg(&book)
            .args(arguments)
            .output()
            .unwrap();
        assert!(
            output.status.success(),
            "{arguments:?}: {}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    };
    let there = Blobs::beside(&book);
    let lies = |hash: &str| there.picture(hash).unwrap().is_file();
    let import = |path: &Path| office(&["import", "--accept-unsigned", path.to_str().unwrap()]);
    assert!(import(&made[1]).contains("1 photo it names was not on the phone any more"));
    assert_eq!((lies(&hashes[0]), lies(&hashes[1])), (false, true));
    assert!(office(&["doctor"]).contains("1 photo is named in the book and no day file has brought it"));
    // The copy of a book that waits for a photo is a copy all the same.
    office(&["backup", folder.path().join("copy.sqlite").to_str().unwrap()]);
    assert!(!import(&made[0]).contains("not on the phone any more"));
    assert_eq!((lies(&hashes[0]), lies(&hashes[1])), (true, true));
    assert_eq!(office(&["doctor"]).trim(), "The book is sound.");
}

const FULL_DISK: &str = "LIDMARK_TEST_FULL_DISK";

/// A file may not grow past a limit: to the phone that is a full disk (`ulimit -f`, POSIX.1-2017, in units of 512 bytes).
#[cfg(unix)]
#[test]
fn a_full_disk_on_the_phone_leaves_no_half_a_file() {
    if let Ok(book) = std::env::var(FULL_DISK) {
        let mut app = app_on(Path::new(&book));
        make(&mut app);
        let notice = app.notice().unwrap();
        println!("\nsaid: {:?} {} {}", notice.kind, notice.text.what, notice.text.advice);
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&book);
    app.go(Screen::At(Station::Dig));
    // Noise does not pack: the photo alone is larger than the limit, and the book is far smaller.
    let mut dice = Dice::new(7);
    let path = folder.path().join("noise.png");
    image::RgbImage::from_fn(1_600, 1_200, |_, _| {
        let roll = dice.roll().to_le_bytes();
        image::Rgb([roll[0], roll[1], roll[2]])
    })
    .save(&path)
    .unwrap();
    app.take_photo(&path);
    app.settle_photos();
    assert_eq!(app.photo_count(), 1);
    drop(app);
    let make_with = |blocks: &str| {
        let output = std::process::Command::new("sh")
            .args(["-c", "trap '' XFSZ; ulimit -f \"$0\"; exec \"$@\"", blocks])
            .arg(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "dayfile::app::a_full_disk_on_the_phone_leaves_no_half_a_file",
                "--nocapture",
            ])
            .env(FULL_DISK, &book)
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let said = text.lines().find_map(|line| line.strip_prefix("said: "));
        said.unwrap_or_else(|| panic!("{text}{}", String::from_utf8_lossy(&output.stderr)))
            .to_owned()
    };
    let said = make_with("2048");
    assert!(said.starts_with("Failure"), "{said}");
    assert_eq!(files(&folder.path().join("day-files")), Vec::<PathBuf>::new(), "{said}");
    let said = make_with("unlimited");
    assert!(said.starts_with("Info"), "{said}");
    let made = files(&folder.path().join("day-files"));
    assert_eq!(made.len(), 1, "{made:?}");
    assert_eq!(read(&made[0], &[]).blobs().count(), 1);
}
