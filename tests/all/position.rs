//! Position sources read as the app reads them, and the way from a fix to a place.

use crate::fixture::app_on;
use lidmark::app::overlay::Verdict;
use lidmark::app::position::{ChoiceError, Here, SourceChoice, SourceState, SourceTrouble};
use lidmark::app::setup::SetupItem;
use lidmark::app::shell::App;
use lidmark::domain::locate::Position;
use lidmark::domain::locate::fix::{Fix, FixQuality};
use lidmark::domain::locate::guide::{ArrowFrom, guide};
use lidmark::platform::position::opener;
use proptest::prelude::*;
use std::io::Write as _;
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Two seconds of a real receiver's log, see `nmea.rs` for its source.
const LOG: &str = "\
$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,*76\r
$GPRMC,092750.000,A,5321.6802,N,00630.3372,W,0.02,31.66,280511,,,A*43\r
$GPGGA,092751.000,5321.6802,N,00630.3371,W,1,8,1.03,61.7,M,55.3,M,,*75\r
$GPRMC,092751.000,A,5321.6802,N,00630.3371,W,0.06,31.66,280511,,,A*45\r
";

/// An app that reads `source` for this run alone, recordings as fast as they can be read.
fn app_reading(folder: &tempfile::TempDir, source: &str) -> App {
    let mut app = app_on(&folder.path().join("book.sqlite"));
    app.start_empty();
    app.connect_position(opener(f64::INFINITY), Arc::new(|| ()), Some(source.to_owned()));
    app
}

/// Polls until it is so, or says what was seen last.
fn until(app: &mut App, mut so: impl FnMut(&App) -> bool) {
    let end = Instant::now() + Duration::from_secs(20);
    loop {
        app.poll();
        if so(app) {
            return;
        }
        assert!(
            Instant::now() < end,
            "not within 20 s; the source stands at {:?}, here is {:?}",
            app.position_state(),
            app.position()
        );
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn fix_of(app: &App) -> Option<Fix> {
    app.position().and_then(|here| here.fix)
}

fn at_the_logs_end(app: &App) -> bool {
    // 6° 30.3371' W, worked by hand.
    fix_of(app).is_some_and(|fix| (fix.position.longitude_deg() + 6.0 + 30.3371 / 60.0).abs() < 1e-9)
}

#[test]
fn every_kind_of_source_is_read_from_its_text() {
    let read = |text: &str| text.parse::<SourceChoice>();
    assert_eq!(read("  "), Ok(SourceChoice::Device));
    assert_eq!(
        read("nmea:C:\\logs\\a b.txt"),
        Ok(SourceChoice::NmeaFile(PathBuf::from("C:\\logs\\a b.txt")))
    );
    assert_eq!(read("GPX: walk.gpx"), Ok(SourceChoice::Gpx(PathBuf::from("walk.gpx"))));
    let tcp = |host: &str, port| {
        Ok(SourceChoice::Tcp {
            host: host.into(),
            port,
        })
    };
    assert_eq!(read("tcp:rover.local:10110"), tcp("rover.local", 10_110));
    assert_eq!(read("tcp:[fe80::1]:2000"), tcp("fe80::1", 2_000));
    let serial = |device: &str, baud| {
        Ok(SourceChoice::Serial {
            device: device.into(),
            baud,
        })
    };
    // NMEA 0183 runs at 4,800 bits per second (NMEA 0183 standard, as described in GPSD's "NMEA Revealed").
    assert_eq!(read("serial:/dev/ttyUSB0"), serial("/dev/ttyUSB0", 4_800));
    assert_eq!(read("serial:COM3:115200"), serial("COM3", 115_200));
    for (text, error) in [
        ("hello", ChoiceError::Kind),
        ("ftp:a:1", ChoiceError::Kind),
        ("gpx:", ChoiceError::File),
        ("nmea: ", ChoiceError::File),
        ("tcp:rover", ChoiceError::Address),
        ("tcp::5", ChoiceError::Address),
        ("tcp:rover:0", ChoiceError::Address),
        ("tcp:rover:70000", ChoiceError::Address),
        ("serial:", ChoiceError::Device),
        ("serial:COM3:fast", ChoiceError::Baud),
        ("serial:COM3:1", ChoiceError::Baud),
    ] {
        assert_eq!(read(text), Err(error), "{text}");
    }
}

#[test]
fn a_log_is_read_and_its_bad_sentences_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.nmea");
    std::fs::write(&path, format!("noise\r\n$GPRMC,broken*00\r\n{LOG}$GPGGA,cut")).unwrap();
    let mut app = app_reading(&folder, &format!("nmea:{}", path.display()));
    until(&mut app, |app| *app.position_state() == SourceState::Ended);
    assert!(at_the_logs_end(&app));
    let here = app.position().unwrap();
    // One with a wrong checksum, one cut off by the end of the file.
    assert_eq!((here.bad_sentences, here.course_deg), (2, None));
    assert!(app.notice().unwrap().text.what.contains("ended"));
    assert!(app.setup_view().position[0].message.contains("bad sentence"));
}

#[test]
fn a_track_is_replayed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("walk.gpx");
    // Invented: 5 s apart, 0.0001° of latitude is 11.1 m, so this walk goes north at 2.2 m/s.
    let track = r#"<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
        <trkpt lat="44.1000" lon="-93.1"><time>2026-06-17T14:00:00Z</time></trkpt>
        <trkpt lat="44.1001" lon="-93.1"><time>2026-06-17T14:00:05Z</time></trkpt></trkseg></trk></gpx>"#;
    std::fs::write(&path, track).unwrap();
    let mut app = app_reading(&folder, &format!("gpx:{}", path.display()));
    until(&mut app, |app| *app.position_state() == SourceState::Ended);
    let here = app.position().unwrap();
    assert!((here.fix.unwrap().position.latitude_deg() - 44.1001).abs() < 1e-9);
    let course = here.course_deg.unwrap();
    assert!(!(1.0..=359.0).contains(&course), "{course}");
}

#[test]
fn a_recording_keeps_its_pace() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.nmea");
    std::fs::write(&path, LOG).unwrap();
    let mut app = app_on(&folder.path().join("book.sqlite"));
    app.start_empty();
    let begun = Instant::now();
    let source = format!("nmea:{}", path.display());
    app.connect_position(opener(2.0), Arc::new(|| ()), Some(source));
    until(&mut app, at_the_logs_end);
    // One second of the log at twice its pace; the machine may be slow, never fast.
    assert!(begun.elapsed() >= Duration::from_millis(495), "{:?}", begun.elapsed());
}

#[test]
fn a_dropped_line_is_said_and_opened_again() {
    let folder = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let mut app = app_reading(&folder, &format!("tcp:127.0.0.1:{port}"));
    let (mut line, _) = listener.accept().unwrap();
    line.write_all(format!("{LOG}$GPGGA,1*00\r\n").as_bytes()).unwrap();
    // The receiver falls still after its burst: the last second is given without waiting for the next.
    until(&mut app, at_the_logs_end);
    assert_eq!(app.notice(), None);
    drop(line);
    until(&mut app, |app| app.notice().is_some());
    assert!(app.notice().unwrap().text.what.contains("has dropped"));
    assert_eq!(fix_of(&app), None, "an old place is not where the device is now");
    assert_eq!(app.setup_view().position[0].verdict, Verdict::Warning);
    let (mut line, _) = listener.accept().unwrap();
    line.write_all(format!("{LOG}$GPGGA,1*00\r\n").as_bytes()).unwrap();
    until(&mut app, at_the_logs_end);
    until(&mut app, |app| app.position().unwrap().bad_sentences == 2);
    assert_eq!(
        app.notice(),
        None,
        "what was said of the line is taken away when it works"
    );
}

#[test]
fn a_receiver_that_speaks_slowly_is_heard_whole() {
    let folder = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let mut app = app_reading(&folder, &format!("tcp:127.0.0.1:{port}"));
    let (mut line, _) = listener.accept().unwrap();
    line.set_nodelay(true).unwrap();
    // Split inside a sentence for longer than the reader waits, and the RMC late.
    let (first, second) = LOG.split_at(30);
    line.write_all(first.as_bytes()).unwrap();
    std::thread::sleep(Duration::from_millis(700));
    line.write_all(second.as_bytes()).unwrap();
    until(&mut app, at_the_logs_end);
    assert_eq!(app.position().unwrap().bad_sentences, 0);
}

#[cfg(unix)]
#[test]
fn a_serial_line_is_read_and_its_loss_said() {
    use serialport::SerialPort as _;
    let folder = tempfile::tempdir().unwrap();
    // A pair of pseudo-terminals stands in for the receiver's cable.
    let (mut receiver, cable) = serialport::TTYPort::pair().unwrap();
    let name = cable.name().unwrap();
    drop(cable);
    let mut app = app_reading(&folder, &format!("serial:{name}:9600"));
    until(&mut app, |app| {
        // While nobody has the other end open, writing fails and nothing arrives.
        drop(receiver.write_all(LOG.as_bytes()));
        fix_of(app).is_some()
    });
    until(&mut app, at_the_logs_end);
    drop(receiver);
    until(&mut app, |app| matches!(app.position_state(), SourceState::Trouble(_)));
    assert!(app.notice().unwrap().text.advice.len() > 10);
}

#[test]
fn every_failure_is_a_sentence_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let bad = folder.path().join("bad.gpx");
    std::fs::write(&bad, "<kml/>").unwrap();
    // A port nobody listens at: bound and let go.
    let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let cases = [
        ("nmea:/no/such/file".to_owned(), SourceTrouble::NotThere),
        ("gpx:/no/such/file".to_owned(), SourceTrouble::NotThere),
        ("serial:/dev/no-such-line".to_owned(), SourceTrouble::NotThere),
        (format!("tcp:127.0.0.1:{port}"), SourceTrouble::Refused),
        (
            format!("nmea:{}", folder.path().display()),
            SourceTrouble::Unusable("it is a folder".into()),
        ),
    ];
    for (source, trouble) in cases {
        let mut app = app_reading(&folder, &source);
        until(&mut app, |app| {
            *app.position_state() == SourceState::Trouble(trouble.clone())
        });
        let text = app.notice().unwrap().text;
        assert!(text.what.contains(&source) && !text.advice.is_empty(), "{text:?}");
    }
    let mut app = app_reading(&folder, &format!("gpx:{}", bad.display()));
    until(&mut app, |app| {
        matches!(app.position_state(), SourceState::Trouble(SourceTrouble::Unusable(_)))
    });
    let mut app = app_reading(&folder, "");
    until(&mut app, |app| {
        *app.position_state() == SourceState::Trouble(SourceTrouble::NoneHere)
    });
    assert_eq!(app.notice(), None, "a device without a position is no news");
}

#[test]
fn the_source_is_chosen_in_setup_and_kept() {
    let folder = tempfile::tempdir().unwrap();
    let book = folder.path().join("book.sqlite");
    let log = folder.path().join("log.nmea");
    std::fs::write(&log, LOG).unwrap();
    let mut app = app_on(&book);
    app.start_empty();
    app.connect_position(opener(f64::INFINITY), Arc::new(|| ()), None);
    app.tap_setup_item(SetupItem::PositionSource);
    app.sheet_edit("tpc:rover:1");
    let sheet = app.sheet_view().unwrap();
    assert_eq!(sheet.verdict, Verdict::Invalid);
    assert!(sheet.message.contains("tcp:HOST:PORT"), "{}", sheet.message);
    app.sheet_keep();
    assert!(app.sheet_view().is_some(), "nothing typed is lost");
    let source = format!("nmea:{}", log.display());
    app.sheet_edit(&source);
    app.sheet_keep();
    until(&mut app, at_the_logs_end);
    app.session_mut().settle().unwrap();
    drop(app);
    let mut app = app_on(&book);
    app.connect_position(opener(f64::INFINITY), Arc::new(|| ()), None);
    assert_eq!(app.setup_view().position[0].value, source);
    until(&mut app, at_the_logs_end);
}

#[test]
fn a_position_handed_in_is_the_one_that_shows() {
    let folder = tempfile::tempdir().unwrap();
    let mut app = app_on(&folder.path().join("book.sqlite"));
    let here = Here {
        fix: Some(Fix::new(Position::new(44.0, -93.0).unwrap(), Some(4.0))),
        heading_deg: Some(12.0),
        course_deg: None,
        source: "the device".into(),
        bad_sentences: 0,
        at: crate::fixture::now(),
    };
    app.take_position(here.clone());
    assert_eq!(app.position(), Some(&here));
}

// ---- the way to a place ----------------------------------------------------------------------------------------------

fn place(latitude: f64, longitude: f64) -> Position {
    Position::new(latitude, longitude).unwrap()
}

/// Source: `GeodTest` short lines (Karney, doi:10.5281/zenodo.32156): lat1, azi1, lat2, lon2, s12; lon1 is 0.
const LINES: [(f64, f64, f64, f64, f64); 3] = [
    (
        18.725_775_553_796,
        98.927_919_777_265,
        18.724_785_210_853_17,
        0.006_615_636_046_166_963,
        706.267_680_3,
    ),
    (
        47.900_780_879_363,
        148.758_779_524_609,
        47.899_309_788_344_02,
        0.001_327_005_894_209_747,
        191.308_802_2,
    ),
    (
        2.514_600_234_503,
        166.362_139_719_401,
        2.506_446_532_968_658,
        0.001_966_955_359_661_03,
        927.764_797_2,
    ),
];

#[test]
fn distance_and_bearing_are_the_geodesics() {
    for (lat1, azi1, lat2, lon2, s12) in LINES {
        let here = Fix::new(place(lat1, 0.0), Some(3.0));
        let way = guide(&here, None, place(lat2, lon2), 0.5);
        assert!((way.distance_m - s12).abs() < 1e-6, "{}", way.distance_m);
        assert!((way.bearing_deg - azi1).abs() < 1e-6, "{}", way.bearing_deg);
        assert_eq!((way.arrow_deg, way.arrow_from), (way.bearing_deg, ArrowFrom::North));
        assert!(!way.use_tape);
        // 3 m reported is shown as no less than the open-sky 4.9 m; hypot(4.9, 0.5) = 4.925 m.
        assert!((way.error_m - 4.925).abs() < 1e-3);
    }
}

#[test]
fn the_arrow_turns_against_the_compass_then_the_course_then_north() {
    let (lat1, azi1, lat2, lon2, _) = LINES[0];
    let mut here = Fix::new(place(lat1, 0.0), None);
    here.course_deg = Some(100.0);
    let there = place(lat2, lon2);
    let by_compass = guide(&here, Some(350.0), there, 1.0);
    assert_eq!(by_compass.arrow_from, ArrowFrom::Heading);
    assert!((by_compass.arrow_deg - (azi1 + 10.0)).abs() < 1e-6);
    let by_course = guide(&here, None, there, 1.0);
    assert_eq!(by_course.arrow_from, ArrowFrom::Course);
    assert!((by_course.arrow_deg - (azi1 - 100.0 + 360.0)).abs() < 1e-6);
    let broken = guide(&here, Some(f64::NAN), there, f64::NAN);
    assert_eq!(broken.arrow_from, ArrowFrom::Course);
    assert!(broken.error_m.is_finite());
}

#[test]
fn inside_the_error_the_tape_takes_over() {
    let lid = place(44.0, -93.0);
    let mut here = Fix::new(lid.travel(20.0, 6.0), Some(4.0));
    // hypot(4.9, 4.9) = 6.93 m: six metres cannot be told from none.
    let way = guide(&here, None, lid, 4.9);
    assert!(way.use_tape && way.bearing_error_deg.is_none());
    // A survey receiver and a lid tied by tape: 3 cm and 5 cm, 6 m off is 6 m off.
    here.quality = FixQuality::RtkFixed;
    here.accuracy_m = Some(0.03);
    let way = guide(&here, None, lid, 0.05);
    assert!(!way.use_tape && (way.error_m - 0.0583).abs() < 1e-3);
    assert!((way.bearing_error_deg.unwrap() - 0.557).abs() < 0.01);
    let on_it = guide(&Fix::new(lid, Some(0.0)), None, lid, 0.0);
    assert!(on_it.use_tape && on_it.arrow_deg.is_finite());
}

proptest! {
    #[test]
    fn no_text_for_a_source_panics(text in ".{0,60}", kind in prop::sample::select(vec!["", "nmea:", "tcp:", "serial:", "gpx:"])) {
        drop(format!("{kind}{text}").parse::<SourceChoice>());
    }

    #[test]
    fn the_way_is_whole_everywhere(
        lat in -90.0..=90.0_f64, lon in -180.0..=180.0_f64, bearing in 0.0..360.0_f64, far in 0.0..2000.0_f64,
        heading in prop::option::of(-720.0..720.0_f64), accuracy in prop::option::of(-1.0..1e9_f64), own in -1.0..1e6_f64,
    ) {
        let there = place(lat, lon);
        let here = Fix::new(there.travel(bearing, far), accuracy);
        let way = guide(&here, heading, there, own);
        prop_assert!((way.distance_m - far).abs() < 1e-6);
        prop_assert!((0.0..360.0).contains(&way.arrow_deg) && (0.0..=360.0).contains(&way.bearing_deg));
        prop_assert!(way.error_m >= 4.9 && way.use_tape == (way.distance_m <= way.error_m));
        prop_assert_eq!(way.use_tape, way.bearing_error_deg.is_none());
    }
}
