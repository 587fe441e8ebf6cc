//! `lidmark-office locate`: the JSON contract, and what is refused.

use lidmark::office::{Refusal, locate};
use proptest::prelude::*;
use serde_json::{Value, json};
use std::path::Path;

fn run(text: &str) -> Result<Value, Refusal> {
    locate::run(Path::new("-"), text.as_bytes()).map(|answer| serde_json::from_str(&answer).unwrap())
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
