//! GPX plans out and in, and recorded tracks as a source of fixes.

use crate::geojson::plan;
use lidmark::domain::locate::fix::{PinKind, average};
use lidmark::domain::locate::plan::{Mark, MarkShape, SitePlan};
use lidmark::exchange::gpx::{read, replay, write};
use lidmark::exchange::position::PositionSource;
use proptest::prelude::*;

#[test]
fn a_plan_survives_gpx() {
    assert_eq!(read(write(&plan()).unwrap().as_bytes()).unwrap(), plan());
}

/// Source: the GPX 1.1 schema (topografix.com/GPX/1/1): version, creator and namespace on the root; waypoints before
/// tracks; cmt before desc before type within a waypoint.
#[test]
fn what_is_written_has_the_form_of_gpx_1_1() {
    let text = write(&plan()).unwrap();
    let order = [
        "<?xml",
        "<gpx",
        "<metadata",
        "<wpt",
        "<cmt",
        "<desc",
        "<type",
        "</wpt>",
        "<trk>",
        "<trkseg>",
        "<trkpt",
    ];
    let mut rest = text.as_str();
    for piece in order {
        let at = rest
            .find(piece)
            .unwrap_or_else(|| panic!("{piece} missing or out of order in {text}"));
        rest = &rest[at..];
    }
    assert!(text.contains(r#"version="1.1""#) && text.contains(r#"xmlns="http://www.topografix.com/GPX/1/1""#));
}

/// Source of the form: the sample track of the GPX 1.1 documentation; places and times invented.
const TRACK: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">
<trk><name>walk</name><trkseg>
<trkpt lat="47.644548" lon="-122.326897"><ele>4.46</ele><time>2009-10-17T18:37:26Z</time><hdop>1.2</hdop></trkpt>
<trkpt lat="47.644549" lon="-122.326898"><ele>4.94</ele><time>2009-10-17T18:37:31Z</time></trkpt>
</trkseg></trk></gpx>"#;

#[test]
fn a_track_replays_as_fixes() {
    let mut source = replay(TRACK.as_bytes()).unwrap();
    let mut fixes = Vec::new();
    while let Some(fix) = source.next_fix().unwrap() {
        fixes.push(fix);
    }
    assert_eq!(fixes.len(), 2);
    assert_eq!(fixes[0].time.unwrap().to_rfc3339(), "2009-10-17T18:37:26+00:00");
    assert!((fixes[0].accuracy_m.unwrap() - 5.88).abs() < 1e-9);
    assert!(average(&fixes).unwrap().error_m >= 4.9);
}

#[test]
fn a_bad_file_says_so() {
    for text in [
        "",
        "hello",
        "<gpx></gpx",
        r#"<gpx version="1.1"><wpt lat="95" lon="0"/></gpx>"#,
        "<kml/>",
    ] {
        assert!(
            read(text.as_bytes())
                .unwrap_err()
                .to_string()
                .starts_with("the file is not GPX"),
            "{text}"
        );
    }
    let bomb = "<?xml version=\"1.0\"?><!DOCTYPE gpx [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;\">\
        <!ENTITY c \"&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;\"><!ENTITY d \"&c;&c;&c;&c;&c;&c;&c;&c;&c;&c;\"><!ENTITY e \"&d;&d;&d;&d;&d;&d;&d;&d;&d;&d;\">\
        <!ENTITY f \"&e;&e;&e;&e;&e;&e;&e;&e;&e;&e;\"><!ENTITY g \"&f;&f;&f;&f;&f;&f;&f;&f;&f;&f;\">]>\
        <gpx version=\"1.1\" creator=\"x\"><wpt lat=\"1\" lon=\"1\"><name>&g;&g;</name></wpt></gpx>";
    assert!(read(bomb.as_bytes()).is_err());
}

proptest! {
    #[test]
    fn any_name_gives_a_readable_file(name in ".*") {
        let mut marks = plan().marks;
        marks.push(Mark { name: name.clone(), kind: PinKind::Well, error_m: None, note: Some(name.clone()), shape: marks[0].shape.clone() });
        let back = read(write(&SitePlan { name, marks }).unwrap().as_bytes()).unwrap();
        prop_assert_eq!(back.marks.iter().filter(|m| matches!(m.shape, MarkShape::Place(_))).count(), 2);
    }

    #[test]
    fn no_text_panics(text in ".{0,300}") {
        drop(read(text.as_bytes()));
        drop(read(format!("<gpx version=\"1.1\">{text}</gpx>").as_bytes()));
    }
}

/// A plan that a general tool carried into its own GPX keeps kinds and errors. Source of the form: what GDAL's `ogr2ogr`
/// 3.6 writes from our `GeoJSON` with `GPX_USE_EXTENSIONS=YES`.
#[test]
fn a_plan_keeps_its_kinds_through_a_general_tool() {
    let text = r#"<?xml version="1.0"?>
<gpx version="1.1" creator="GDAL 3.6.2" xmlns:ogr="http://osgeo.org/gdal" xmlns="http://www.topografix.com/GPX/1/1">
<wpt lat="45.0001012" lon="-93.0001012">
  <name>tapa norte «ñ» &amp; &lt;b&gt;</name>
  <extensions>
    <ogr:error_m>4.921</ogr:error_m>
    <ogr:kind>tank_lid</ogr:kind>
  </extensions>
</wpt>
<wpt lat="45.0" lon="-93.0"><name>other</name><extensions><ogr:kind>shed</ogr:kind></extensions></wpt>
</gpx>"#;
    let plan = read(text.as_bytes()).unwrap();
    assert_eq!(
        (plan.marks[0].kind, plan.marks[0].error_m),
        (PinKind::TankLid, Some(4.921))
    );
    assert_eq!((plan.marks[1].kind, plan.marks[1].error_m), (PinKind::Landmark, None));
}

/// A lid known to the centimetre is not called good to nothing.
#[test]
fn a_small_error_is_not_rounded_away() {
    let mut lid = plan();
    lid.marks.truncate(1);
    lid.marks[0].error_m = Some(0.024);
    assert!(write(&lid).unwrap().contains("<cmt>± 0.02 m</cmt>"));
}
