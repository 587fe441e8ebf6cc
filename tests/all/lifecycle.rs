//! What a phone does to an app, done to this one: ended while the camera is open, locked in mid-drag, out of room, its
//! clock set, its permission taken away. The moments and their order are those of Android's documentation
//! (developer.android.com, "The activity lifecycle" and "Processes and app lifecycle").

use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};

use chrono::TimeDelta;
use lidmark::app::device::{Device, FileKind, Lack, Moment, News, Request};
use lidmark::app::overlay::PickerTarget;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::app::site::SiteField;
use lidmark::domain::record::{Language, Station};
use lidmark::store::Store;

use crate::fixture::{app_at_a_stop, app_on, now, shown, taps};

/// A tank that is read. The place is invented.
const MEASURED: &str = "
    go read
    shape box
    size length 96
    size width 60
    size liquid 48
    size device 16
    level 0
    scum 3
    sludge 12
";

/// A device that does nothing but remember what it was asked.
struct Phone {
    asked: Arc<Mutex<Vec<Request>>>,
    tell: Sender<News>,
}

impl Phone {
    fn connect(app: &mut App) -> Self {
        let asked = Arc::new(Mutex::new(Vec::new()));
        let (tell, news): (Sender<News>, Receiver<News>) = channel();
        let list = asked.clone();
        let device = Device::new(Arc::new(move |request| list.lock().unwrap().push(request)));
        app.connect_device(device, news);
        Self { asked, tell }
    }

    /// What was asked since the last time.
    fn asked(&self) -> Vec<Request> {
        std::mem::take(&mut *self.asked.lock().unwrap())
    }

    fn tell(&self, app: &mut App, news: News) {
        self.tell.send(news).unwrap();
        assert!(app.poll(), "what the phone tells is drawn");
        app.keep_device_in_step();
    }
}

fn notice(app: &App) -> (NoticeKind, String) {
    let notice = app.notice().expect("a sentence on the screen");
    assert!(!notice.text.advice.is_empty(), "what to do: {}", notice.text.what);
    (notice.kind, notice.text.what)
}

/// A picture of one colour, as a camera might write it.
fn write_picture(path: &Path) {
    image::RgbImage::from_pixel(640, 480, image::Rgb([90, 120, 60]))
        .save(path)
        .unwrap();
}

fn photos(app: &mut App) -> usize {
    app.settle_photos();
    app.session_mut().settle().unwrap();
    app.settle_photos();
    app.photo_count()
}

#[test]
fn what_was_tapped_is_on_the_disk_before_the_app_is_out_of_sight() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    let phone = Phone::connect(&mut app);
    taps(&mut app, "note Behind the shed");
    phone.tell(&mut app, News::Moment(Moment::Hidden));
    // Nothing more is heard of it: Android may end the process from here on. The file is read by another opening of it.
    let read = Store::open_to_read(&path).unwrap().visit(stop).unwrap();
    assert_eq!(read.stop.find_note, "Behind the shed");
    std::mem::forget(app);
    let mut again = app_on(&path);
    assert!(shown(&mut again).contains("Behind the shed"));
}

#[test]
fn a_finger_that_dragged_when_the_screen_went_dark_sets_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    taps(&mut app, MEASURED);
    app.go(Screen::At(Station::Read));
    app.read_resized(300.0, 600.0);
    let before = shown(&mut app);
    app.go(Screen::At(Station::Read));
    app.read_pressed(150.0, 450.0);
    app.read_dragged(150.0, 300.0);
    phone.tell(&mut app, News::Moment(Moment::Hidden));
    phone.tell(&mut app, News::Moment(Moment::Shown));
    app.read_released();
    app.session_mut().settle().unwrap();
    assert_eq!(shown(&mut app), before);
}

#[test]
fn a_picture_taken_while_the_app_was_ended_is_taken_in_once() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_at_a_stop(&path);
    let phone = Phone::connect(&mut app);
    app.tap_camera();
    let asked = phone.asked();
    let [Request::TakePicture(file)] = asked.as_slice() else {
        panic!("the camera was not asked: {asked:?}")
    };
    // The camera needs the memory: the app is ended, then the picture is written, then the app is started anew.
    drop(app);
    write_picture(file);
    let mut app = app_on(&path);
    let phone = Phone::connect(&mut app);
    assert_eq!(photos(&mut app), 1, "taken in by itself");
    assert!(!file.exists(), "the camera's own file only takes room");
    phone.tell(&mut app, News::Picture(file.clone()));
    assert_eq!(photos(&mut app), 1, "told of again, not taken in again");
    assert_eq!(app.notice(), None, "and nobody is bothered");
}

#[test]
fn a_camera_left_without_a_picture_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.tap_camera();
    let asked = phone.asked();
    let [Request::TakePicture(file)] = asked.as_slice() else {
        panic!("the camera was not asked: {asked:?}")
    };
    std::fs::write(file, b"").unwrap();
    phone.tell(&mut app, News::NoPicture(file.clone()));
    drop(phone.asked());
    assert!(!file.exists());
    assert_eq!(photos(&mut app), 0);
    assert_eq!(app.notice(), None);
    // Where nothing can be written, the camera is not opened for nothing.
    std::fs::remove_dir_all(folder.path().join("camera")).unwrap();
    std::fs::write(folder.path().join("camera"), b"in the way").unwrap();
    app.tap_camera();
    assert_eq!(phone.asked(), []);
    assert_eq!(notice(&app).0, NoticeKind::Failure);
}

#[test]
fn a_picture_that_comes_when_no_stop_is_open_waits() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, stop) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.tap_camera();
    let asked = phone.asked();
    let [Request::TakePicture(file)] = asked.as_slice() else {
        panic!("the camera was not asked: {asked:?}")
    };
    write_picture(file);
    app.go(Screen::Day);
    phone.tell(&mut app, News::Picture(file.clone()));
    notice(&app);
    assert!(file.exists());
    app.open_stop(stop).unwrap();
    app.tap_photos();
    assert_eq!(photos(&mut app), 1);
}

#[test]
fn without_the_permission_everything_but_the_position_works() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.go(Screen::At(Station::Find));
    app.keep_device_in_step();
    assert!(
        phone.asked().contains(&Request::Position(true)),
        "asked when first needed"
    );
    phone.tell(&mut app, News::Lacks(Lack::PositionNotPermitted));
    assert_eq!(notice(&app).0, NoticeKind::Warning);
    taps(&mut app, "found yes\nnote Under the third flagstone");
    assert!(shown(&mut app).contains("Under the third flagstone"));
    // Every lack has its own sentence, in both languages.
    for language in [Language::English, Language::Spanish] {
        app.choose_language(language);
        let mut said = std::collections::BTreeSet::new();
        for lack in [
            Lack::PositionNotPermitted,
            Lack::PositionOff,
            Lack::Camera,
            Lack::FileChooser,
            Lack::ShareTarget,
            Lack::Map,
            Lack::Telephone,
        ] {
            app.hear(News::Lacks(lack));
            assert!(said.insert(notice(&app).1), "{lack:?}");
        }
    }
}

#[test]
fn a_clock_that_is_set_during_a_stop_changes_nothing_that_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, stop) = app_at_a_stop(&path);
    let phone = Phone::connect(&mut app);
    let begun = Store::open_to_read(&path).unwrap().visit(stop).unwrap().stop.started_at;
    assert!(begun.is_some());
    // Back by two days, and into another zone.
    let zone = chrono::FixedOffset::east_opt(2 * 3600).unwrap();
    app.session_mut()
        .set_clock(Box::new(move || (now() - TimeDelta::days(2)).with_timezone(&zone)));
    phone.tell(&mut app, News::Moment(Moment::ClockChanged));
    assert_eq!(notice(&app).0, NoticeKind::Warning);
    assert_eq!(app.screen(), Screen::At(Station::Find), "the stop stays open");
    taps(&mut app, "note Still here");
    app.session_mut().settle().unwrap();
    let read = Store::open_to_read(&path).unwrap().visit(stop).unwrap();
    assert_eq!(read.stop.started_at, begun);
    assert_eq!(read.stop.find_note, "Still here");
    // Outside a stop a new clock only asks for today's list.
    app.dismiss_notice();
    app.go(Screen::Day);
    phone.tell(&mut app, News::Moment(Moment::ClockChanged));
    assert_eq!(app.notice(), None);
    assert!(app.day_view().stops.is_empty(), "two days ago nothing was planned");
}

#[test]
fn the_phone_is_kept_awake_and_asked_for_its_place_only_as_long_as_needed() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.go(Screen::At(Station::Find));
    app.keep_device_in_step();
    assert_eq!(phone.asked(), [Request::Position(true), Request::KeepScreenOn(true)]);
    app.keep_device_in_step();
    assert_eq!(phone.asked(), [], "asked once");
    taps(&mut app, "note Near the oak");
    app.session_mut().settle().unwrap();
    app.keep_device_in_step();
    // The fixture's clock stands still: what was kept at the same moment is felt when the clock has moved on.
    app.session_mut().set_clock(Box::new(|| now() + TimeDelta::seconds(1)));
    taps(&mut app, "note Near the old oak");
    app.session_mut().settle().unwrap();
    app.keep_device_in_step();
    assert_eq!(phone.asked(), [Request::Buzz], "a kept tap is felt");
    app.go(Screen::At(Station::Pump));
    app.keep_device_in_step();
    assert_eq!(phone.asked(), [Request::Position(false)]);
    app.go(Screen::Day);
    app.keep_device_in_step();
    assert_eq!(phone.asked(), [Request::KeepScreenOn(false)]);
}

#[test]
fn back_leads_out_only_from_the_first_screen() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    for screen in [Screen::At(Station::Read), Screen::Book, Screen::Setup, Screen::Truck] {
        app.go(screen);
        app.back();
        assert_eq!(phone.asked(), [], "{screen:?}");
    }
    app.go(Screen::Day);
    app.back();
    assert_eq!(phone.asked(), [Request::LeaveApp]);
    assert_eq!(app.screen(), Screen::Day);
}

#[test]
fn the_phones_size_of_text_is_followed_within_what_the_screens_bear() {
    let folder = tempfile::tempdir().unwrap();
    let mut app = app_on(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    for (told, follows) in [
        (1.0, 1.0),
        (1.3, 1.3),
        (2.0, 2.0),
        (3.5, 2.0),
        (0.5, 1.0),
        (f64::NAN, 1.0),
    ] {
        phone.tell(&mut app, News::TextScale(told));
        assert!((app.text_scale() - follows).abs() < 1e-9, "{told}");
    }
}

#[test]
fn a_file_that_was_made_goes_where_the_person_says() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.go(Screen::Door);
    app.give_slip();
    app.keep_device_in_step();
    drop(phone.asked());
    let picker = app.picker_view().expect("the ways out");
    assert_eq!(picker.target, PickerTarget::FileOut);
    app.picker_choose(0);
    let asked = phone.asked();
    let [
        Request::Share {
            file,
            kind: FileKind::Pdf,
        },
    ] = asked.as_slice()
    else {
        panic!("not shared: {asked:?}")
    };
    assert!(file.exists());
    app.keep_device_in_step();
    assert_eq!(app.picker_view(), None, "asked once");
    app.give_slip();
    app.keep_device_in_step();
    app.picker_choose(1);
    assert!(matches!(
        phone.asked().as_slice(),
        [Request::SaveTo {
            kind: FileKind::Pdf,
            ..
        }]
    ));
    app.hear(News::NotSaved("no room on the card".to_owned()));
    assert!(notice(&app).1.contains("no room on the card"));
    app.give_slip();
    app.keep_device_in_step();
    app.cancel_overlay();
    app.keep_device_in_step();
    assert_eq!((app.picker_view(), phone.asked()), (None, Vec::new()));
    // The day's file takes the same way.
    app.go(Screen::Day);
    app.make_day_file(app.session().today());
    app.settle_day_file();
    app.keep_device_in_step();
    drop(phone.asked());
    app.picker_choose(0);
    assert!(matches!(
        phone.asked().as_slice(),
        [Request::Share {
            kind: FileKind::Own,
            ..
        }]
    ));
}

#[test]
fn a_file_from_the_phone_is_known_by_the_folder_it_was_asked_into() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.tap_photo_file();
    let asked = phone.asked();
    let [
        Request::PickFile {
            folder: camera,
            kind: FileKind::Picture,
        },
    ] = asked.as_slice()
    else {
        panic!("no chooser: {asked:?}")
    };
    let picture = camera.join("from another app.jpg");
    write_picture(&picture);
    phone.tell(&mut app, News::File(picture));
    assert_eq!(photos(&mut app), 1);
    app.go(Screen::Day);
    app.tap_plans();
    let asked = phone.asked();
    let inbox: Vec<&PathBuf> = asked
        .iter()
        .filter_map(|request| match request {
            Request::PickFile {
                folder,
                kind: FileKind::Any,
            } => Some(folder),
            _ => None,
        })
        .collect();
    let map = inbox[0].join("yard.gpx");
    std::fs::write(&map, b"<gpx/>").unwrap();
    phone.tell(&mut app, News::File(map));
    assert_eq!(notice(&app).0, NoticeKind::Info);
    let none = inbox[0].join("holiday.txt");
    std::fs::write(&none, b"no plan at all").unwrap();
    phone.tell(&mut app, News::File(none));
    assert_eq!(notice(&app).0, NoticeKind::Failure);
    phone.tell(&mut app, News::NoFile("the cloud is not reached".to_owned()));
    assert!(notice(&app).1.contains("the cloud is not reached"));
}

#[test]
fn a_site_is_opened_in_a_map_and_called_only_where_that_can_be() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, stop) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let site = app.session().ask(move |store| store.visit(stop)).unwrap().site.id;
    app.open_site(site);
    assert!(
        !app.site_view().can_map && !app.site_view().can_call,
        "a desktop calls nobody"
    );
    let phone = Phone::connect(&mut app);
    app.tap_dial();
    notice(&app);
    app.tap_edit_site();
    app.edit_site_field(SiteField::Phone, "555 0142");
    app.edit_site_field(SiteField::Address, "1 Sample Lane");
    app.keep_site_form();
    app.open_site(site);
    assert!(app.site_view().can_map && app.site_view().can_call);
    app.tap_dial();
    app.tap_map();
    app.tap_edit_site();
    app.edit_site_field(SiteField::Latitude, "44.5");
    app.edit_site_field(SiteField::Longitude, "-93.25");
    app.keep_site_form();
    app.open_site(site);
    app.tap_map();
    let asked = phone.asked();
    let [
        Request::Dial(number),
        Request::OpenMap { at: None, label },
        Request::OpenMap { at: Some(at), .. },
    ] = asked.as_slice()
    else {
        panic!("{asked:?}")
    };
    assert_eq!((number.as_str(), label.as_str()), ("555 0142", "1 Sample Lane"));
    assert!((at.latitude_deg() - 44.5).abs() < 1e-9 && (at.longitude_deg() + 93.25).abs() < 1e-9);
}

#[test]
fn short_of_memory_the_list_of_all_sites_is_given_up_and_read_again() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_at_a_stop(&folder.path().join("book.sqlite"));
    let phone = Phone::connect(&mut app);
    app.go(Screen::Book);
    let before = app.book_count_text();
    phone.tell(&mut app, News::Moment(Moment::LowMemory));
    assert_eq!(app.book_count_text(), before, "what is looked at stays");
    app.go(Screen::Day);
    phone.tell(&mut app, News::Moment(Moment::LowMemory));
    app.go(Screen::Book);
    assert_eq!(app.book_count_text(), before);
}
