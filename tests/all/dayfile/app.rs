//! The day's file as it is made from the Day screen.

use std::fs::File;
use std::path::{Path, PathBuf};

use lidmark::app::overlay::Verdict;
use lidmark::app::setup::SetupItem;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::domain::record::Language;
use lidmark::exchange::dayfile::digest_of;
use lidmark::exchange::dayfile::read::{DayFile, Trust, open};
use lidmark::exchange::dayfile::seal::OfficeSecret;
use lidmark::exchange::dayfile::sign::TrustedPhone;

use crate::fixture::{app_at_a_stop, taps};

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
