//! GeoJSON plans out and in (RFC 7946).
#![allow(clippy::doc_markdown, reason = "GeoJSON is a name")]

use lidmark::domain::locate::Position;
use lidmark::domain::locate::fix::PinKind;
use lidmark::domain::locate::plan::{Mark, MarkShape, SitePlan};
use lidmark::exchange::geojson::{read, write};
use proptest::prelude::*;
use serde_json::Value;

pub fn plan() -> SitePlan {
    let at = |lat, lon| Position::new(lat, lon).unwrap();
    let mark = |name: &str, kind, shape| Mark {
        name: name.into(),
        kind,
        error_m: Some(4.9),
        note: None,
        shape,
    };
    SitePlan {
        name: "Invented farm <&\"> Ñandú".into(),
        marks: vec![
            Mark {
                note: Some("under the peonies".into()),
                ..mark(
                    "inlet lid",
                    PinKind::TankLid,
                    MarkShape::Place(at(44.123_456_8, -93.987_654_3)),
                )
            },
            mark(
                "hose",
                PinKind::HosePath,
                MarkShape::Line(vec![at(44.1, -93.1), at(44.2, -93.2), at(-44.3, -93.3)]),
            ),
        ],
    }
}

#[test]
fn a_plan_survives_geojson() {
    assert_eq!(read(write(&plan()).as_bytes()).unwrap(), plan());
}

/// Source: RFC 7946 sections 3.1.1 (longitude first), 3.2 (a feature has geometry and properties), 3.3.
#[test]
fn what_is_written_has_the_form_of_rfc_7946() {
    let value: Value = serde_json::from_str(&write(&plan())).unwrap();
    assert_eq!(value["type"], "FeatureCollection");
    let features = value["features"].as_array().unwrap();
    assert_eq!(features.len(), 2);
    for feature in features {
        assert_eq!(feature["type"], "Feature");
        assert!(feature["properties"].is_object() && feature["geometry"].is_object());
    }
    assert_eq!(features[0]["geometry"]["type"], "Point");
    assert_eq!(features[0]["geometry"]["coordinates"][0], -93.987_654_3);
    assert_eq!(features[1]["geometry"]["type"], "LineString");
    assert!(value.get("crs").is_none(), "RFC 7946 section 4 takes crs away");
}

/// Source: the example in RFC 7946 section 1.5, word for word.
#[test]
fn the_rfcs_own_example_reads_as_marks() {
    let text = r#"{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Point","coordinates":[102.0,0.5]},
    "properties":{"prop0":"value0"}},{"type":"Feature","geometry":{"type":"LineString","coordinates":[[102.0,0.0],[103.0,1.0],[104.0,0.0],[105.0,1.0]]},
    "properties":{"prop0":"value0","prop1":0.0}},{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[[100.0,0.0],[101.0,0.0],[101.0,1.0],[100.0,1.0],[100.0,0.0]]]},
    "properties":{"prop0":"value0","prop1":{"this":"that"}}}]}"#;
    let plan = read(text.as_bytes()).unwrap();
    assert_eq!(plan.marks.len(), 3);
    assert_eq!(
        plan.marks[0].shape,
        MarkShape::Place(Position::new(0.5, 102.0).unwrap())
    );
    assert_eq!(plan.marks[0].kind, PinKind::Landmark);
    let MarkShape::Line(ring) = &plan.marks[2].shape else {
        panic!("a ring")
    };
    assert_eq!(ring.len(), 5);
}

#[test]
fn a_bad_plan_says_what_is_wrong() {
    let said = |text: &str| read(text.as_bytes()).unwrap_err().to_string();
    assert!(said("").starts_with("the file is not GeoJSON"));
    assert!(said("[1,2]").starts_with("the file is not GeoJSON"));
    let off = said(r#"{"type":"Feature","properties":null,"geometry":{"type":"Point","coordinates":[0,95]}}"#);
    assert!(off.contains("mark 1") && off.contains("latitude 95"), "{off}");
    assert_eq!(
        read(&[0xff, 0xfe][..]).unwrap_err().to_string(),
        "the file is not UTF-8 text"
    );
    let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    assert!(said(&deep).starts_with("the file is not GeoJSON"));
}

/// A hose over the antimeridian, as on Taveuni in Fiji; the places are invented.
pub fn over_the_antimeridian() -> SitePlan {
    let at = |lat, lon| Position::new(lat, lon).unwrap();
    SitePlan {
        name: "Taveuni".into(),
        marks: vec![Mark {
            name: "hose".into(),
            kind: PinKind::HosePath,
            error_m: None,
            note: None,
            shape: MarkShape::Line(vec![
                at(-16.9, 179.999_9),
                at(-16.900_2, -179.999_9),
                at(-16.9, 179.999_8),
            ]),
        }],
    }
}

/// Source: RFC 7946 section 3.1.9: a line over the antimeridian is cut in two, neither part crossing it.
#[test]
fn a_line_over_the_antimeridian_is_cut_there_and_joined_again() {
    let text = write(&over_the_antimeridian());
    let value: Value = serde_json::from_str(&text).unwrap();
    let geometry = &value["features"][0]["geometry"];
    assert_eq!(geometry["type"], "MultiLineString");
    let parts = geometry["coordinates"].as_array().unwrap();
    assert_eq!(parts.len(), 3);
    // Halfway between the first two places, worked by hand.
    assert_eq!(parts[0][1], serde_json::json!([180.0, -16.900_1]));
    assert_eq!(parts[1][0], serde_json::json!([-180.0, -16.900_1]));
    assert_eq!(read(text.as_bytes()).unwrap(), over_the_antimeridian());
}

proptest! {
    #[test]
    fn every_name_and_place_survives(name in ".*", lat in -90.0..=90.0_f64, lon in -180.0..=180.0_f64) {
        let mark = Mark {
            name: name.clone(),
            kind: PinKind::Well,
            error_m: None,
            note: None,
            shape: MarkShape::Place(Position::new(lat, lon).unwrap()),
        };
        let back = read(write(&SitePlan { name, marks: vec![mark.clone()] }).as_bytes()).unwrap();
        let MarkShape::Place(at) = back.marks[0].shape else { panic!("a place") };
        prop_assert_eq!(&back.marks[0].name, &mark.name);
        prop_assert!((at.latitude_deg() - lat).abs() < 0.51e-7 && (at.longitude_deg() - lon).abs() < 0.51e-7);
    }
}

/// What GDAL's `ogr2ogr` 3.6 makes of our GPX keeps kinds, errors and notes.
#[test]
fn a_plan_keeps_its_kinds_through_a_general_tool() {
    let text = r#"{"type": "FeatureCollection", "name": "waypoints",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
        "features": [{"type": "Feature",
            "properties": {"name": "inlet lid", "cmt": "± 4.9 m", "desc": "under the slab", "type": "tank_lid", "lidmark_error_m": 4.921},
            "geometry": {"type": "Point", "coordinates": [-93.0001012, 45.0001012]}}]}"#;
    let read = read(text.as_bytes()).unwrap();
    let mark = &read.marks[0];
    assert_eq!((mark.kind, mark.error_m), (PinKind::TankLid, Some(4.921)));
    assert_eq!(mark.note.as_deref(), Some("under the slab"));
}
