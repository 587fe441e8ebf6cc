//! `lidmark-office locate`: the JSON contract, and what is refused.
#![allow(
    clippy::unreadable_literal,
    clippy::excessive_precision,
    reason = "figures as their source prints them"
)]

use lidmark::app::plan_sheet;
use lidmark::domain::locate::plan::YardPlan;
use lidmark::office::Refusal;
use lidmark::office::locate::{self, Asked};
use lidmark::say::figures::Figures;
use lidmark::say::paper;
use proptest::prelude::*;
use serde_json::{Value, json};
use std::path::Path;

fn run(text: &str) -> Result<Value, Refusal> {
    run_with(text, Asked::default())
}

fn run_with(text: &str, asked: Asked) -> Result<Value, Refusal> {
    let asked = Asked {
        file: Some("-".into()),
        ..asked
    };
    answer(&asked, text)
}

fn answer(asked: &Asked, text: &str) -> Result<Value, Refusal> {
    let draw = |plan: &YardPlan, figures: Figures| {
        let page = plan_sheet::sheet(plan, figures, plan_sheet::page_for(figures.units));
        paper::pdf(&page).map_err(|error| error.to_string())
    };
    let answer = locate::run(asked, &draw, text.as_bytes())?;
    Ok(serde_json::from_str(&answer).unwrap())
}

fn validator(name: &str) -> jsonschema::Validator {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema").join(name);
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    jsonschema::meta::validate(&schema).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

fn vector(name: &str) -> String {
    std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/vectors/locate")
            .join(name),
    )
    .unwrap()
}

fn fits(schema: &jsonschema::Validator, value: &Value) {
    let faults: Vec<String> = schema
        .iter_errors(value)
        .map(|e| format!("{}: {e}", e.instance_path()))
        .collect();
    assert!(faults.is_empty(), "{faults:?}");
}

#[test]
fn every_example_fits_the_schemas() {
    let (input, output) = (
        validator("locate-input.schema.json"),
        validator("locate-output.schema.json"),
    );
    for name in ["invented-lot.json", "mahun.json"] {
        let text = vector(name);
        fits(&input, &serde_json::from_str(&text).unwrap());
        fits(&output, &run(&text).unwrap());
    }
    fits(&output, &run("{}").unwrap());
}

/// Source: Mahun, COGO chapter E, as in `locate.rs`; T and its mirror.
#[test]
fn mahuns_case_comes_out_of_the_file() {
    let answer = run(&vector("mahun.json")).unwrap();
    let candidates = answer["positions"][0]["candidates"].as_array().unwrap();
    for (n, e) in [(2178.973, 3069.302), (1378.854, 2633.716)] {
        assert!(candidates.iter().any(|c| {
            (c["x_m"].as_f64().unwrap() - e).abs() < 0.002 && (c["y_m"].as_f64().unwrap() - n).abs() < 0.002
        }));
    }
}

/// Corners (0,0) and (30,0) ft, tapes 25 and 20 ft: (18.75, 16.5359) ft on the left, by the circle equations.
#[test]
fn the_picked_side_is_the_one_answered_and_stands_on_the_earth() {
    let answer = run(&vector("invented-lot.json")).unwrap();
    let candidates = answer["positions"][0]["candidates"].as_array().unwrap();
    assert_eq!(candidates.len(), 1);
    assert!((candidates[0]["x_m"].as_f64().unwrap() / 0.3048 - 18.75).abs() < 1e-3);
    assert!((candidates[0]["y_m"].as_f64().unwrap() / 0.3048 - 16.5359).abs() < 1e-3);
    // The baseline runs east, so the lid is about 5.04 m north of the corners' latitude.
    assert!(candidates[0]["lat_deg"].as_f64().unwrap() > 44.98);
    assert_eq!(answer["map"]["places"].as_array().unwrap().len(), 3);
    assert!(
        answer["pins"]
            .as_array()
            .unwrap()
            .iter()
            .all(|pin| pin["error_m"].as_f64().unwrap() >= 4.9)
    );
    assert!(answer["map"]["cautions"][0].as_str().unwrap().contains("811"));
}

/// Source: Flinders Peak to Buninyong, GDA technical manual (ICSM), read in public test suites, recomputed with
/// geographiclib 2.1; short lines: Karney's `GeodTest` (doi 10.5281/zenodo.32156), read in geographiclib-rs.
#[test]
fn published_geodesics_come_out_of_the_file() {
    let dms = |d: f64, m: f64, s: f64| d + m / 60.0 + s / 3600.0;
    let karney = [
        (
            18.725775553796,
            98.927919777265,
            18.724785210853172866,
            0.006615636046166963,
            98.930043600815390181,
            706.2676803,
        ),
        (
            47.900780879363,
            148.758779524609,
            47.899309788344023215,
            0.001327005894209747,
            148.759764131627358008,
            191.3088022,
        ),
        (
            2.514600234503,
            166.362139719401,
            2.506446532968658234,
            0.00196695535966103,
            166.362225877709852834,
            927.7647972,
        ),
    ];
    let mut lines = vec![json!({
        "from": {"lat_deg": -dms(37.0, 57.0, 3.7203), "lon_deg": dms(144.0, 25.0, 29.5244)},
        "to": {"lat_deg": -dms(37.0, 39.0, 10.1561), "lon_deg": dms(143.0, 55.0, 35.3839)},
    })];
    for (lat1, azi1, lat2, lon2, _, s12) in karney {
        let from = json!({"lat_deg": lat1, "lon_deg": 0});
        lines.push(json!({"from": from, "to": {"lat_deg": lat2, "lon_deg": lon2}}));
        lines.push(json!({"from": from, "bearing_deg": azi1, "distance_m": s12}));
    }
    let answer = run(&json!({"geodesics": lines}).to_string()).unwrap();
    fits(&validator("locate-output.schema.json"), &answer);
    let near = |value: &Value, expected: f64, within: f64| {
        assert!(
            (value.as_f64().unwrap() - expected).abs() < within,
            "{value} for {expected}"
        );
    };
    let flinders = &answer["geodesics"][0];
    near(&flinders["distance_m"], 54_972.271, 0.0006);
    near(&flinders["bearing_deg"], dms(306.0, 52.0, 5.37), 0.006 / 3600.0);
    near(&flinders["bearing_back_deg"], dms(127.0, 10.0, 25.07), 0.006 / 3600.0);
    for (index, (_, azi1, lat2, lon2, azi2, s12)) in karney.into_iter().enumerate() {
        let (inverse, direct) = (&answer["geodesics"][1 + 2 * index], &answer["geodesics"][2 + 2 * index]);
        near(&inverse["distance_m"], s12, 2e-7);
        // Over 200 m a hundredth of a micrometre turns a bearing by 3e-9 degrees.
        near(&inverse["bearing_deg"], azi1, 1e-7);
        near(&inverse["bearing_onward_deg"], azi2, 1e-7);
        near(&direct["to"]["lat_deg"], lat2, 2e-9);
        near(&direct["to"]["lon_deg"], lon2, 2e-9);
    }
    for line in [
        json!({"from": "a", "to": "b"}),
        json!({"from": {"lat_deg": 1, "lon_deg": 1}, "bearing_deg": 4}),
    ] {
        let refusal = run(&json!({"geodesics": [line]}).to_string()).unwrap_err();
        assert!(
            refusal.code == 2 && refusal.what.starts_with("geodesics[0]"),
            "{}",
            refusal.what
        );
    }
}

/// 100 m due south of a lid by the published length of a degree: the meridian's radius at 45° is 6,367,382 m (WGS 84,
/// M = a(1 - e²)/(1 - e² sin² φ)^1.5), so 100 m is 0.000899830°. Two errors of 4.9 and 12 m add to 12.96 m.
#[test]
fn the_way_to_a_lid_has_its_distance_bearing_and_both_errors() {
    let text = json!({
        "pins": [{"name": "lid", "kind": "tank_lid", "fixes": [{"lat_deg": 45.0, "lon_deg": -93.0, "accuracy_m": 3}]}],
        "here": {"lat_deg": 44.999_100_17, "lon_deg": -93.0, "accuracy_m": 12, "heading_deg": 90}
    });
    let answer = run(&text.to_string()).unwrap();
    fits(&validator("locate-output.schema.json"), &answer);
    let way = &answer["ways"][0];
    assert!((way["distance_m"].as_f64().unwrap() - 100.0).abs() < 0.005, "{way}");
    assert!(way["bearing_deg"].as_f64().unwrap().abs() < 1e-3, "{way}");
    assert!((way["error_m"].as_f64().unwrap() - 12.962).abs() < 0.001, "{way}");
    assert_eq!(
        (&way["arrow_deg"], &way["arrow_from"]),
        (&json!(270.0), &json!("heading"))
    );
    assert_eq!(way["use_tape"], false);
    let mut near = text;
    near["here"]["lat_deg"] = json!(44.99995);
    assert_eq!(run(&near.to_string()).unwrap()["ways"][0]["use_tape"], true);
}

fn made_in(folder: &tempfile::TempDir, name: &str) -> std::path::PathBuf {
    folder.path().join(name)
}

#[test]
fn a_plan_leaves_as_geojson_gpx_and_a_page_and_comes_back_as_pins() {
    let folder = tempfile::tempdir().unwrap();
    let (geojson, gpx, pdf) = (
        made_in(&folder, "p.geojson"),
        made_in(&folder, "p.gpx"),
        made_in(&folder, "p.pdf"),
    );
    let asked = Asked {
        geojson: Some(geojson.clone()),
        gpx: Some(gpx.clone()),
        pdf: Some(pdf.clone()),
        ..Asked::default()
    };
    let mut text: Value = serde_json::from_str(&vector("invented-lot.json")).unwrap();
    text["name"] = json!("Invented lot");
    text["paths"] = json!([{"name": "hose", "places": ["back-left corner", {"x_m": 4, "y_m": -20}]}]);
    let there = run_with(&text.to_string(), asked).unwrap();
    assert!(std::fs::read(&pdf).unwrap().starts_with(b"%PDF"));
    let lid = &there["positions"][0]["candidates"][0];
    for file in [geojson, gpx] {
        let asked = Asked {
            pins: vec![file],
            ..Asked::default()
        };
        let back = answer(&asked, "").unwrap();
        let pins = back["pins"].as_array().unwrap();
        let pin = pins.iter().find(|pin| pin["name"] == "inlet lid").unwrap();
        assert_eq!(pin["kind"], "tank_lid");
        for field in ["lat_deg", "lon_deg"] {
            // Seven decimals are written.
            assert!((pin[field].as_f64().unwrap() - lid[field].as_f64().unwrap()).abs() < 6e-8);
        }
        assert!(pin["error_m"].as_f64().unwrap() >= 4.9);
    }
    // Nothing of this plan lies on the Earth: no map, and the sentence says so.
    let asked = Asked {
        gpx: Some(made_in(&folder, "none.gpx")),
        ..Asked::default()
    };
    let refusal = run_with(&vector("mahun.json"), asked).unwrap_err();
    assert!(refusal.code == 1 && refusal.what.contains("no place of this plan has a position"));
}

/// The checksum is the exclusive-or of all between `$` and `*`, as NMEA 0183 has it, worked out here on its own.
#[test]
fn a_stream_is_read_averaged_and_its_bad_sentences_counted() {
    let sum = |body: &str| body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
    let good = |second: u32, north: &str| {
        let body = format!("GPGGA,1200{second:02}.00,{north},N,09300.0000,W,1,08,1.0,250.0,M,-30.0,M,,");
        format!("${body}*{:02X}\r\n", sum(&body))
    };
    let folder = tempfile::tempdir().unwrap();
    let file = made_in(&folder, "walk.nmea");
    let bad = good(3, "4500.0000").replace("4500", "4600");
    let cut = "$GPGGA,120004.00,45";
    std::fs::write(
        &file,
        format!("{}{bad}{}{cut}", good(1, "4500.0000"), good(2, "4500.0060")),
    )
    .unwrap();
    let asked = Asked {
        fixes: Some(file),
        ..Asked::default()
    };
    let answer = answer(&asked, "").unwrap();
    fits(&validator("locate-output.schema.json"), &answer);
    let track = &answer["track"];
    assert_eq!(track["fixes"].as_array().unwrap().len(), 2, "{track}");
    assert_eq!(track["sentences"]["bad_checksum"], 1, "{track}");
    assert_eq!(track["sentences"]["skipped"], 2, "{track}");
    // 0.003 minutes are 0.00005 degrees.
    assert!((track["mean"]["lat_deg"].as_f64().unwrap() - 45.00005).abs() < 1e-8);
    assert!(track["mean"]["error_m"].as_f64().unwrap() >= 4.9);
    let asked = Asked {
        fixes: Some(made_in(&folder, "none.nmea")),
        ..Asked::default()
    };
    assert_eq!(self::answer(&asked, "").unwrap_err().code, 4);
    assert_eq!(self::answer(&Asked::default(), "").unwrap_err().code, 2);
}

#[test]
fn bad_input_names_the_field() {
    let cases = [
        (String::new(), "file: it is empty"),
        ("[]".into(), "file: expected a JSON object"),
        ("{".into(), "file:"),
        (json!({"lids": 1}).to_string(), "unknown field `lids`"),
        (
            json!({"ties": [{"to": "lid", "from": "a", "distance_m": -1}]}).to_string(),
            "ties[0].distance_m: -1 is out of range",
        ),
        (
            json!({"ties": [{"to": "lid", "from": "a", "distance_m": 4}]}).to_string(),
            "ties[0].from: `a` is no place of the plan",
        ),
        (
            json!({"points": [{"name": "a", "x_m": "1", "y_m": 0}]}).to_string(),
            "points[0].x_m: invalid type: string",
        ),
        (
            json!({"pins": [{"name": "a", "kind": "well", "fixes": []}]}).to_string(),
            "pins[0].fixes: it is empty",
        ),
        (
            json!({"pins": [{"name": "a", "kind": "pond", "fixes": []}]}).to_string(),
            "pins[0].kind: unknown kind `pond`",
        ),
        (
            json!({"pins": [{"name": "a", "kind": "well", "fixes": [{"lat_deg": 91, "lon_deg": 0}]}]}).to_string(),
            "pins[0].fixes[0]: latitude 91",
        ),
        (
            json!({"clues": [{"kind": "vent", "at": {"x_m": 1}}]}).to_string(),
            "clues[0].at: expected both of x_m and y_m",
        ),
        (
            json!({"clues": [{"kind": "vent", "at": {"lat_deg": 1, "lon_deg": 2}}]}).to_string(),
            "clues[0].at: a position needs pins",
        ),
        (
            json!({"clues": [{"kind": "record", "at": {"x_m": 1, "y_m": 1}}]}).to_string(),
            "clues[0].distance_m: it is missing",
        ),
        (
            json!({"clues": [{"kind": "vent", "at": {"x_m": 1, "y_m": 1}, "radius_m": 1}]}).to_string(),
            "clues[0].radius_m: it does not go",
        ),
        (
            json!({"probes": [{"at": {"x_m": 1, "y_m": 1}, "depth_m": 1, "met": "nothing"}]}).to_string(),
            "yard: nothing says where to look",
        ),
    ];
    for (text, expected) in cases {
        let refusal = run(&text).unwrap_err();
        assert_eq!(refusal.code, 2, "{text}");
        assert!(refusal.what.contains(expected), "{text}: {}", refusal.what);
        assert!(!refusal.remedy.is_empty() && !refusal.what.contains('\n'));
    }
}

#[test]
fn tapes_that_cannot_meet_are_refused_with_field_and_shortfall() {
    let text = json!({
        "frame": {"from": "a", "to": "b", "distance_m": 10},
        "ties": [{"to": "lid", "from": "a", "distance_m": 3}, {"to": "lid", "from": "b", "distance_m": 5.5}]
    });
    let refusal = run(&text.to_string()).unwrap_err();
    assert_eq!(refusal.code, 2);
    assert!(
        refusal.what.starts_with("ties[1].distance_m: ") && refusal.what.contains("1.500 m short"),
        "{}",
        refusal.what
    );
}

/// Three lids, one with tapes that cannot meet and one tied to that one: the third is answered.
#[test]
fn a_place_whose_tapes_cannot_meet_costs_no_other_place() {
    let text = json!({
        "frame": {"from": "a", "to": "b", "distance_m": 10},
        "ties": [{"to": "inlet", "from": "a", "distance_m": 3}, {"to": "inlet", "from": "b", "distance_m": 5.5},
            {"to": "outlet", "from": "a", "distance_m": 6}, {"to": "outlet", "from": "b", "distance_m": 8},
            {"to": "box", "from": "a", "distance_m": 6}, {"to": "box", "from": "inlet", "distance_m": 8},
            {"to": "well", "from": "b", "distance_m": 9}],
        "sides": {"outlet": "left"}
    });
    let answer = run(&text.to_string()).unwrap();
    fits(&validator("locate-output.schema.json"), &answer);
    let named = |name: &str| {
        let all = answer["positions"].as_array().unwrap();
        all.iter().find(|position| position["name"] == name).unwrap().clone()
    };
    // Circles of 6 and 8 about (0,0) and (10,0): the right triangle 6, 8, 10 has its corner at (3.6, 4.8).
    let outlet = named("outlet");
    assert!(outlet["refused"].is_null());
    assert!((outlet["candidates"][0]["x_m"].as_f64().unwrap() - 3.6).abs() < 1e-3);
    assert!((outlet["candidates"][0]["y_m"].as_f64().unwrap() - 4.8).abs() < 1e-3);
    let inlet = named("inlet");
    assert_eq!(
        (&inlet["agreement"], &inlet["candidates"]),
        (&json!("refused"), &json!([]))
    );
    // 10 - 3 - 5.5 = 1.5 m short.
    assert_eq!(inlet["refused"]["shortfall_m"], 1.5);
    assert_eq!(inlet["refused"]["tie"], 1);
    assert!(inlet["refused"]["text"].as_str().unwrap().contains("cannot meet"));
    assert!(
        named("box")["refused"]["text"]
            .as_str()
            .unwrap()
            .contains("`inlet` is not placed")
    );
    assert!(
        named("well")["refused"]["text"]
            .as_str()
            .unwrap()
            .contains("one tie to `well` is not enough")
    );
}

#[test]
fn a_blunder_is_named_in_words() {
    let at = |x: f64, y: f64| (6.0 - x).hypot(7.0 - y);
    let text = json!({
        "points": [{"name": "a", "x_m": 0, "y_m": 0}, {"name": "b", "x_m": 12, "y_m": 0}, {"name": "c", "x_m": 12, "y_m": 9}, {"name": "post", "x_m": -3, "y_m": 8}],
        "ties": [{"to": "lid", "from": "a", "distance_m": at(0.0, 0.0)}, {"to": "lid", "from": "b", "distance_m": at(12.0, 0.0)},
            {"to": "lid", "from": "c", "distance_m": at(12.0, 9.0) + 1.0}, {"to": "lid", "from": "post", "distance_m": at(-3.0, 8.0)}]
    });
    let answer = run(&text.to_string()).unwrap();
    assert_eq!(answer["positions"][0]["agreement"], "one_disagrees");
    assert_eq!(answer["positions"][0]["suspects"][0]["tie"], 2);
    assert!(
        answer["positions"][0]["suspects"][0]["text"]
            .as_str()
            .unwrap()
            .starts_with("the tape from c reads 1.00 m")
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_text_panics(text in ".{0,200}") {
        prop_assert!(run(&text).is_ok_and(|answer| answer.is_object()) || run(&text).is_err_and(|refusal| refusal.code == 2));
    }

    /// Breaks the example in one place and holds the answer, when there is one, against the schema.
    #[test]
    fn a_damaged_example_is_answered_within_the_schema_or_refused(at in any::<prop::sample::Index>(), with in prop::sample::select(vec!["0", "-1", "1e300", "null", "\"\"", "[]", "{}", "9999"])) {
        let text = vector("mahun.json");
        let numbers: Vec<(usize, usize)> = text.match_indices(": ").map(|(i, _)| (i + 2, text[i + 2..].find([',', '\n', '}']).map_or(text.len(), |n| i + 2 + n))).collect();
        let (from, to) = numbers[at.index(numbers.len())];
        let damaged = format!("{}{with}{}", &text[..from], &text[to..]);
        match run(&damaged) {
            Ok(answer) => fits(&validator("locate-output.schema.json"), &answer),
            Err(refusal) => prop_assert_eq!(refusal.code, 2),
        }
    }
}

/// A file of thousands of pushes is answered, and with chances; the least of them is still a number.
#[test]
fn thousands_of_pushes_in_a_file_are_answered() {
    let met = ["nothing", "tank", "edge", "pipe"];
    let probes: Vec<Value> = (0..3_000_u32)
        .map(|n| json!({"at": {"x_m": f64::from(n % 61) * 0.3, "y_m": f64::from(n % 53) * 0.3}, "depth_m": 1.0, "met": met[n as usize % 4]}))
        .collect();
    let file = json!({"clues": [{"kind": "vent", "at": {"x_m": 1, "y_m": 2}}], "probes": probes});
    let answer = run(&file.to_string()).unwrap();
    fits(&validator("locate-output.schema.json"), &answer);
    let places = answer["map"]["places"].as_array().unwrap();
    assert!(!places.is_empty() && places.iter().all(|place| place["chance"].is_f64()));
}

/// Ten thousand places without a name are each given one of their own.
#[test]
fn ten_thousand_places_of_one_name_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("places.geojson");
    let feature = |n: u32| json!({"type": "Feature", "properties": {"name": "lid"}, "geometry": {"type": "Point", "coordinates": [f64::from(n) * 1e-6, 45.0]}});
    let features: Vec<Value> = (0..10_000).map(feature).collect();
    let text = json!({"type": "FeatureCollection", "features": features}).to_string();
    std::fs::write(&path, text).unwrap();
    let asked = Asked {
        pins: vec![path],
        ..Asked::default()
    };
    let answer = answer(&asked, "").unwrap();
    let pins = answer["pins"].as_array().unwrap();
    let names: std::collections::HashSet<&str> = pins.iter().map(|pin| pin["name"].as_str().unwrap()).collect();
    assert_eq!((pins.len(), names.len()), (10_000, 10_000));
    assert!(names.contains("lid") && names.contains("lid (10000)"));
}

/// What is no number is said in words a person knows, and briefly.
#[test]
fn a_number_that_is_none_is_refused_in_plain_words() {
    let pin = |latitude: &str| {
        format!(r#"{{"pins":[{{"name":"a","kind":"well","fixes":[{{"lat_deg":{latitude},"lon_deg":1}}]}}]}}"#)
    };
    for (latitude, said) in [("NaN", "NaN and Infinity are none"), (r#""45""#, "expected a number")] {
        let refusal = format!("{:?}", run(&pin(latitude)).unwrap_err());
        assert!(
            refusal.contains(said) && refusal.contains("pins[0].fixes[0].lat_deg"),
            "{refusal}"
        );
    }
    let long = format!(
        "{:?}",
        run(r#"{"frame":{"from":"a","to":"b","distance_m":1e300}}"#).unwrap_err()
    );
    assert!(long.contains("1e300 is out of range"), "{long}");
}
