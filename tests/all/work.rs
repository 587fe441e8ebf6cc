//! `lidmark-office work`, run as a program: its answers, its refusals, its exit codes.

use lidmark::domain::rules::Confidence;
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

fn vector(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/vectors/work")
        .join(name)
}

fn office(arguments: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A refused file may close its input before all of it is written.
    drop(child.stdin.take().unwrap().write_all(input));
    child.wait_with_output().unwrap()
}

fn answer(input: &Value) -> Value {
    let output = office(&["work", "-"], input.to_string().as_bytes());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn base() -> Value {
    serde_json::from_str(&std::fs::read_to_string(vector("lying-cylinder.json")).unwrap()).unwrap()
}

fn near(value: &Value, expected: f64, tolerance: f64) {
    let found = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((found - expected).abs() <= tolerance, "{found} against {expected}");
}

/// Worked example: lying cylinder 60 x 96 in, 48 in of liquid, 12 in of sludge, 6 in of scum. Gallons from the segment formula
/// (1,007.74, 167.30, 129.18); dates by hand from the method: ln k = (ln 89 / 0.4915² + x / v) / (1 / 0.4915² + 1 / v) and so on.
#[test]
fn the_worked_example_of_a_lying_cylinder() {
    let output = office(&["work", vector("lying-cylinder.json").to_str().unwrap()], b"");
    assert_eq!(output.status.code(), Some(0));
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    near(&answer["liquid_l"], 1007.74 * 3.785_411_784, 2.5);
    near(&answer["sludge_l"], 167.30 * 3.785_411_784, 1.2);
    near(&answer["scum_l"], 129.18 * 3.785_411_784, 2.5);
    near(&answer["solids_fraction_volume"], 0.2942, 0.0005);
    near(&answer["solids_fraction_depth"], 0.375, 0.0005);
    // 48 - 18 - 12 in and 18 - 6 in, in kept millimetres.
    assert_eq!(answer["clearances"]["sludge_mm"], json!(457.0));
    assert_eq!(answer["clearances"]["scum_mm"], json!(305.0));
    assert_eq!(
        (&answer["verdict"]["decision"], &answer["verdict"]["clause"]),
        (&json!("pump"), &json!("solids-volume"))
    );
    near(&answer["verdict"]["margin"], 0.25 - 0.2942, 0.0005);

    let (liquid, solids) = (
        answer["liquid_l"].as_f64().unwrap(),
        answer["sludge_l"].as_f64().unwrap() + answer["scum_l"].as_f64().unwrap(),
    );
    let chord = |depth: f64| 2.0 * (762.0_f64.powi(2) - (depth - 762.0).powi(2)).sqrt();
    let error = 25.0 * 2438.0 * chord(305.0).hypot(chord(1219.0 - 152.0)) / 1.0e6;
    let variance = 0.04 + (error / solids).powi(2);
    let x = (solids / (4.0 * 4.0_f64.powf(0.845))).ln();
    let (a, b) = (1.0 / 0.4915_f64.powi(2), 1.0 / variance);
    let (mean, spread) = ((a * 89.0_f64.ln() + b * x) / (a + b), (1.0 / (a + b)).sqrt());
    near(&answer["posterior"]["median_k"], mean.exp(), 1e-6);
    near(&answer["posterior"]["spread"], spread, 1e-9);
    let start = chrono::NaiveDate::from_ymd_opt(2026, 5, 1).unwrap();
    for (name, z) in [
        ("due", 0.674_489_750_196_082),
        ("early", 1.281_551_565_544_6),
        ("late", -0.674_489_750_196_082),
    ] {
        let k = (mean + z * spread.hypot(0.2)).exp();
        let days = ((0.25 * liquid / (4.0 * k)).powf(1.0 / 0.845) * 365.25).round();
        assert_eq!(
            answer[name],
            json!((start + chrono::TimeDelta::days(days as i64)).to_string()),
            "{name}"
        );
    }
    // The document tells the same figures.
    let document = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/method.md")).unwrap();
    let alone = answer["posterior"]["evidence_used"][0]["k"].as_f64().unwrap();
    for figure in [
        format!("k = {alone:.1} L; with the prior {:.1} L", mean.exp()),
        format!("the limit is {:.0} L", 0.25 * liquid),
        format!(
            "due on {}, between {} and {}",
            answer["due"].as_str().unwrap(),
            answer["early"].as_str().unwrap(),
            answer["late"].as_str().unwrap()
        ),
    ] {
        assert!(document.contains(&figure), "docs/method.md does not say: {figure}");
    }
    assert_eq!(answer["inspect_by"], json!("2029-05-01"));
    near(&answer["published_table_years"], (1007.5 - 200.0) / (76.9 * 4.0), 0.005);
    assert_eq!(answer["rule_sets"].as_array().unwrap().len(), 18);
    let keys = [
        "liquid_l",
        "scum_l",
        "sludge_l",
        "solids_fraction_volume",
        "solids_fraction_depth",
        "clearances",
        "verdict",
        "rule_sets",
        "posterior",
        "due",
        "early",
        "late",
        "inspect_by",
        "caps",
        "published_table_years",
        "risers",
        "flags",
        "warnings",
        "what_if",
        "forecast",
    ];
    for key in keys {
        assert!(answer.get(key).is_some(), "{key}");
    }
}

#[test]
fn nothing_measured_gives_the_prior_forecast() {
    let input: Value =
        serde_json::from_str(&std::fs::read_to_string(vector("nothing-measured.json")).unwrap()).unwrap();
    let answer = answer(&input);
    assert_eq!(answer["verdict"]["decision"], json!("not_measured"));
    near(&answer["posterior"]["median_k"], 89.0, 1e-9);
    near(&answer["posterior"]["spread"], 0.4915, 1e-12);
    assert!(answer["due"].is_string() && answer["sludge_l"].is_null());
}

#[test]
fn an_unknown_start_gives_no_date_but_a_reason() {
    let mut input = base();
    input["visit"]["pumped"] = json!(false);
    input["last_emptied"] = json!(null);
    let answer = answer(&input);
    assert!(
        answer["due"].is_null()
            && answer["forecast"]["no_date"]
                .as_str()
                .unwrap()
                .contains("last pump-out")
    );
    assert!(answer["inspect_by"].is_string());
}

#[test]
fn caps_are_applied_and_said() {
    let mut input = base();
    input["visit"] = json!({"date": "2026-05-01", "pumped": true});
    input["site"]["residents"] = json!(1);
    let single = answer(&input);
    // Nothing fills a 1000 gal tank of one person to 25 % within 5 years; 5 · 365.25 days after 2026-05-01.
    assert_eq!(
        (&single["due"], &single["late"]),
        (&json!("2031-05-01"), &json!("2031-05-01"))
    );
    assert_eq!(single["caps"][0]["code"], json!("max_interval"));
    let words = |answer: &Value| answer["caps"][0]["words"].as_str().unwrap().to_owned();
    assert!(words(&single).starts_with("The date is held to"), "{}", words(&single));
    // Where only the late end lies beyond it, the date itself stays.
    let four = answer(&nearly_empty(&[]));
    assert!(four["due"].as_str().unwrap() < "2027" && four["late"] == json!("2027-05-01"));
    assert!(words(&four).starts_with("Only the late end"), "{}", words(&four));
    input["site"]["residents"] = json!(0);
    let empty = answer(&input);
    assert_eq!(empty["due"], json!("2031-05-01"));
    assert!(
        empty["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .any(|flag| flag["code"] == json!("no_residents"))
    );
    input["rule_set"] = json!("au-sa-wattle-range");
    let calendar = answer(&input);
    assert_eq!(
        (&calendar["due"], &calendar["caps"][0]["code"]),
        (&json!("2030-05-01"), &json!("calendar"))
    );
    assert_eq!(calendar["forecast"]["clause"], json!("forecast_fallback"));
    input["site"]["residents"] = json!(18);
    input["rule_set"] = json!("general");
    let many = answer(&input);
    assert!(
        many["caps"]
            .as_array()
            .unwrap()
            .iter()
            .any(|cap| cap["code"] == json!("under_six_months")),
        "{}",
        many["due"]
    );
}

/// Published table: no figure for 500 gal and 10 people, less than a day's water.
#[test]
fn under_a_day_of_water_is_a_warning_not_a_date() {
    let mut input = base();
    input["tank"] = json!({"shape": {"kind": "nominal", "litres": 500.0 * 3.785_411_784}});
    input["site"]["residents"] = json!(10);
    let answer = answer(&input);
    assert!(answer["due"].is_null() && answer["published_table_years"].is_null());
    assert!(
        answer["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .any(|flag| flag["code"] == json!("under_one_day"))
    );
}

#[test]
fn nonsense_is_kept_and_flagged() {
    let cases = [
        (
            json!({"date": "2026-05-01", "scum_mm": 900, "sludge_mm": 900}),
            "layers_overlap",
        ),
        (
            json!({"date": "2026-05-01", "scum_mm": 1, "sludge_mm": 2000}),
            "sludge_above_top",
        ),
        (
            json!({"date": "2026-05-01", "scum_mm": 1500, "sludge_mm": 1}),
            "scum_below_bottom",
        ),
        (
            json!({"date": "2026-05-01", "outlet_device_mm": 1300}),
            "outlet_below_bottom",
        ),
        (json!({"date": "2026-05-01", "level_mm": 500}), "level_above_top"),
        (
            json!({"date": "2026-05-01", "level_mm": -1500, "scum_mm": 3, "sludge_mm": 3}),
            "level_below_bottom",
        ),
        (
            json!({"date": "2026-05-01", "pumped": true, "heel_l": 9000}),
            "heel_above_capacity",
        ),
        (
            json!({"date": "2020-05-01", "scum_mm": 10, "sludge_mm": 10}),
            "visit_before_last_emptied",
        ),
        (
            json!({"date": "2026-05-01", "sludge_mm": 10, "sludge_probes_mm": [300, 310]}),
            "probes_used",
        ),
    ];
    for (visit, code) in cases {
        let mut input = base();
        input["visit"] = visit;
        let answer = answer(&input);
        assert!(
            answer["flags"]
                .as_array()
                .unwrap()
                .iter()
                .any(|flag| flag["code"] == json!(code)),
            "{code}: {}",
            answer["flags"]
        );
        if code == "layers_overlap" {
            assert_eq!(answer["clearances"]["scum_mm"], json!(457.0 - 900.0));
        }
        if code == "visit_before_last_emptied" {
            assert_eq!(answer["posterior"]["evidence_used"], json!([]));
        }
    }
}

/// Worked by hand: probes 300, 320, 340 mm: mean 320, sample deviation 20 in place of 25 mm at the sludge's edge.
#[test]
fn probes_give_the_mean_and_their_own_error() {
    let mut input = base();
    input["tank"] = json!({"shape": {"kind": "box", "length_mm": 2000, "width_mm": 1000}, "liquid_depth_mm": 1200});
    input["visit"] = json!({"date": "2026-05-01", "scum_mm": 100, "sludge_probes_mm": [300, 320, 340]});
    let answer = answer(&input);
    near(&answer["sludge_l"], 640.0, 1e-9);
    // 2 m²: 40 L at the sludge, 50 L at the scum.
    let error = 40.0_f64.hypot(50.0) / 840.0;
    near(
        &answer["posterior"]["evidence_used"][0]["variance"],
        0.04 + error * error,
        1e-9,
    );
}

/// A heel recorded at a pump-out counts for the stop after it, and for the next clock.
#[test]
fn the_heel_of_a_pump_out_is_found_by_its_date() {
    let mut input = base();
    input["history"] = json!([{"date": "2022-05-01", "pumped": true, "heel_l": 121.0}]);
    input["visit"]["heel_l"] = json!(150.0);
    let answer = answer(&input);
    assert_eq!(answer["posterior"]["evidence_used"][0]["heel_l"], json!(121.0));
    assert_eq!(answer["forecast"]["heel_l"], json!(150.0));
    assert_eq!(answer["posterior"]["evidence_not_used"][0]["date"], json!("2022-05-01"));
    let mut full = input.clone();
    full["visit"]["heel_l"] = json!(1000.0);
    let full = crate::work::answer(&full);
    assert_eq!(full["due"], json!("2026-05-01"));
    assert!(
        full["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .any(|flag| flag["code"] == json!("due_at_once"))
    );
}

/// Two boxes of 2240 and 1260 L per metre of depth: solids over all the liquid, clearance in the second only.
#[test]
fn compartments_add_up_and_the_worst_clearance_binds() {
    let output = office(&["work", vector("two-compartments.json").to_str().unwrap()], b"");
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    near(&answer["liquid_l"], (2.24 + 1.26) * 1219.0, 1e-6);
    let solids = 2.24 * (102.0 + 343.0) + 1.26 * (25.0 + 102.0);
    near(&answer["solids_fraction_volume"], solids / (3.5 * 1219.0), 1e-9);
    near(&answer["clearances"]["sludge_mm"], 1219.0 - 406.0 - 102.0, 1e-9);
    near(&answer["clearances"]["scum_mm"], 406.0 + 6.0 - 25.0, 1e-9);
    near(&answer["clearances"]["scum_top_mm"], 152.0 - 6.0 - 20.0, 1e-9);
    // A grinder brings Massachusetts' look-in down to a year.
    assert_eq!(answer["inspect_by"], json!("2027-06-01"));
}

#[test]
fn several_tanks_are_answered_as_a_list() {
    let output = office(&["work", vector("three-tanks.json").to_str().unwrap()], b"");
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    let names: Vec<&Value> = answer["tanks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|tank| &tank["name"])
        .collect();
    assert_eq!(names, ["first", "second", "third"]);
}

#[test]
fn bad_input_is_refused_with_the_field_and_what_to_do() {
    let with = |pointer: &str, value: Value| {
        let mut input = base();
        let (parent, key) = pointer.rsplit_once('/').unwrap();
        input.pointer_mut(parent).unwrap()[key] = value;
        input.to_string().into_bytes()
    };
    let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    let cases: Vec<(Vec<u8>, &str)> = vec![
        (b"".to_vec(), "empty"),
        (b"  \n".to_vec(), "empty"),
        (b"{".to_vec(), "EOF"),
        (b"[]".to_vec(), "file"),
        (b"{} {}".to_vec(), "file"),
        (b"\xff\xfe{}".to_vec(), "UTF-8"),
        (deep.into_bytes(), "file"),
        (vec![b' '; 17 * 1024 * 1024], "16 MiB"),
        (with("/tank/shape/length_mm", json!("long")), "tank.shape.length_mm"),
        (
            with("/tank/shape/length_mm", json!(4_294_967_296_u64)),
            "tank.shape.length_mm",
        ),
        (with("/tank/shape/length_mm", json!(null)), "tank.shape.length_mm"),
        (with("/tank/shape/width_mm", json!(5)), "tank.shape.width_mm"),
        (with("/tank/shape/kind", json!("sphere")), "tank.shape.kind"),
        (with("/tank/liquid_depth_mm", json!(null)), "tank.liquid_depth_mm"),
        (with("/tank/outlet_device_mm", json!(-1)), "tank.outlet_device_mm"),
        (with("/visit/scum_mm", json!(1e300)), "visit.scum_mm"),
        (with("/visit/scum_mm", json!(1.5)), "visit.scum_mm"),
        (with("/visit/date", json!("2026-02-30")), "visit.date"),
        (with("/visit/date", json!("yesterday")), "visit.date"),
        (with("/visit/date", json!("+262142-01-01")), "visit.date"),
        (with("/visit/depth", json!(5)), "visit.depth"),
        (with("/visit/heel_l", json!(-1)), "visit.heel_l"),
        (with("/visit/last_emptied", json!("2020-01-01")), "visit.last_emptied"),
        (with("/site/residents", json!(-1)), "site.residents"),
        (
            with("/history", json!([{"date": "2020-01-01", "sludge_mm": true}])),
            "history[0].sludge_mm",
        ),
        (with("/lids", json!([{"name": "x"}])), "lids[0]"),
        (with("/rule_set", json!("nowhere")), "rule_set"),
        (with("/tanks", json!([])), "tank"),
        (
            b"{\"tank\": {}, \"visit\": {\"date\": \"2026-05-01\"}}".to_vec(),
            "tank.shape",
        ),
    ];
    for (input, expected) in cases {
        let output = office(&["work", "-"], &input);
        let message = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{expected}: {message}");
        let lines: Vec<&str> = message.lines().collect();
        assert_eq!(lines.len(), 2, "{message}");
        assert!(
            lines[0].starts_with("error: ") && lines[0].contains(expected),
            "{expected}: {message}"
        );
        assert!(lines[1].starts_with("what to do: "), "{message}");
        assert!(output.stdout.is_empty());
    }
    let missing = office(&["work", "no-such-file.json"], b"");
    assert_eq!(missing.status.code(), Some(4));
    assert_eq!(office(&["work"], b"").status.code(), Some(2));
    assert_eq!(office(&["work", "--help"], b"").status.code(), Some(0));
}

#[test]
fn a_rule_set_of_ones_own_is_added() {
    let folder = tempfile::tempdir().unwrap();
    let rules = folder.path().join("mine.toml");
    let text = "id = \"mine\"\nname = \"Mine\"\njurisdiction = \"here\"\nsection = \"1\"\nsource = \"the county\"\nconfidence = \"user\"\nmax_interval_years = 2\n[[clause]]\nid = \"a\"\nwords = \"a fifth full\"\nkind = \"volume_fraction\"\nsense = \"at\"\nfraction = \"1/5\"\n";
    std::fs::write(&rules, text).unwrap();
    let mut input = base();
    input["rule_set"] = json!("mine");
    let run = |rules: &std::path::Path| {
        office(
            &["work", "-", "--rules", rules.to_str().unwrap()],
            input.to_string().as_bytes(),
        )
    };
    let answer: Value = serde_json::from_slice(&run(&rules).stdout).unwrap();
    assert_eq!(
        (
            &answer["verdict"]["rule_set"],
            &answer["rule_sets"].as_array().unwrap().len()
        ),
        (&json!("mine"), &19)
    );
    std::fs::write(&rules, text.replace("\"at\"", "\"near\"")).unwrap();
    let refused = run(&rules);
    let message = String::from_utf8(refused.stderr).unwrap();
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        message.contains("line 12: `sense` must be \"at\" or \"past\""),
        "{message}"
    );
    std::fs::write(&rules, text.replace("\"mine\"", "\"general\"")).unwrap();
    assert_eq!(run(&rules).status.code(), Some(2));
}

/// The layers drawn for the due date stand at the limit of the clause that binds, by each clause's own definition.
#[test]
fn the_due_date_is_where_the_binding_clause_is_reached() {
    let with = |rules: &str, residents: f64, visit: Value| {
        let mut input = base();
        input["rule_set"] = json!(rules);
        input["last_emptied"] = json!(null); // so that a reading tells where solids lie, and nothing more
        input["site"]["residents"] = json!(residents);
        input["tank"]["outlet_device_mm"] = json!(457);
        input["visit"] = visit;
        answer(&input)
    };
    let pumped = json!({"date": "2026-05-01", "pumped": true});
    let due = |answer: &Value, layer: &str| answer["forecast"]["at_due"][0][layer].as_f64().unwrap();
    // Clearance: sludge top 12 in under the device; liquid 1219, device 457 mm.
    let clearance = with("ca-el-dorado", 9.0, pumped.clone());
    assert_eq!(clearance["forecast"]["clause"], json!("sludge-clearance"));
    assert_eq!(clearance["caps"], json!([]));
    assert!(
        (1219.0 - 457.0 - due(&clearance, "sludge_mm") - 304.8).abs() < 0.01,
        "{}",
        clearance["forecast"]["at_due"]
    );
    // With the last reading all scum, the scum's bottom is what comes down: 3 in above the device.
    let scum = with(
        "ca-el-dorado",
        9.0,
        json!({"date": "2026-05-01", "pumped": true, "scum_mm": 200, "sludge_mm": 0}),
    );
    assert_eq!(scum["forecast"]["clause"], json!("scum-clearance"));
    assert!(
        (457.0 - due(&scum, "scum_mm") - 76.2).abs() < 0.01,
        "{}",
        scum["forecast"]["at_due"]
    );
    // Share by depth: a third of the depth, though the tank is round.
    let depth = with("nh-env-wq-1023.01", 6.0, pumped.clone());
    assert!((due(&depth, "sludge_mm") + due(&depth, "scum_mm") - 1219.0 / 3.0).abs() < 0.01);
    // Share by volume: the layers' volumes, by the segment formula, are 30 % of the liquid.
    let volume = with("general", 6.0, pumped);
    let below = |h: f64| {
        2438.0 * (762.0_f64.powi(2) * ((762.0 - h) / 762.0).acos() - (762.0 - h) * (2.0 * 762.0 * h - h * h).sqrt())
            / 1.0e6
    };
    let solids = below(due(&volume, "sludge_mm")) + below(1219.0) - below(1219.0 - due(&volume, "scum_mm"));
    assert!((solids / below(1219.0) - 0.30).abs() < 1e-6, "{solids}");
}

/// The published sludge table at 1000 gal and 48 in asks for 6 in, so the forecast stops there too.
#[test]
fn the_published_sludge_table_gives_a_forecast_limit() {
    let mut input = base();
    input["rule_set"] = json!("usphs-526");
    input["site"]["residents"] = json!(12);
    input["tank"] = json!({"shape": {"kind": "nominal", "litres": 1000.0 * 3.785_411_784}, "liquid_depth_mm": 1219, "outlet_device_mm": 406});
    input["visit"] = json!({"date": "2026-05-01", "pumped": true});
    let answer = answer(&input);
    assert_eq!(answer["forecast"]["clause"], json!("sludge-distance"));
    let sludge = answer["forecast"]["at_due"][0]["sludge_mm"].as_f64().unwrap();
    // 1219 mm is 0.2 mm short of 48 in: the table asks for a hair less than 6 in there.
    assert!((1219.0 - 406.0 - sludge - 152.4).abs() < 0.2, "{sludge}");
    assert!(
        answer["flags"]
            .as_array()
            .unwrap()
            .iter()
            .any(|flag| flag["code"] == json!("fractions_assumed_equal"))
    );
}

fn has(answer: &Value, list: &str, code: &str) -> bool {
    answer[list]
        .as_array()
        .unwrap()
        .iter()
        .any(|flag| flag["code"] == json!(code))
}

/// [`base`] with a little in the tank, and what else is named.
fn nearly_empty(changed: &[(&str, Value)]) -> Value {
    let mut input = base();
    input["visit"] = json!({"date": "2026-05-01", "scum_mm": 10, "sludge_mm": 10});
    for (pointer, value) in changed {
        let (whose, name) = pointer.rsplit_once('/').unwrap();
        input.pointer_mut(whose).unwrap()[name] = value.clone();
    }
    input
}

/// A date is wrong from the day on which it cannot be, not before.
#[test]
fn dates_out_of_order_are_flagged_from_the_first_day_on() {
    for (day, wrong) in [("2026-04-30", false), ("2026-05-01", false), ("2026-05-02", true)] {
        for (pointer, value, code) in [
            ("/last_emptied", json!(day), "visit_before_last_emptied"),
            ("/history", json!([{"date": day}]), "history_after_visit"),
            (
                "/history",
                json!([{"date": "2026-05-01", "last_emptied": day}]),
                "visit_before_last_emptied",
            ),
        ] {
            let answer = answer(&nearly_empty(&[(pointer, value)]));
            assert_eq!(has(&answer, "flags", code), wrong, "{pointer} {day}: {code}");
        }
    }
}

/// Only the compartment nobody read is named, and none where nothing or everything was read.
#[test]
fn the_compartment_left_out_is_named() {
    let two: Value = serde_json::from_str(&std::fs::read_to_string(vector("two-compartments.json")).unwrap()).unwrap();
    for (readings, left_out) in [
        (json!([{}, {}]), vec![]),
        (json!([{"scum_mm": 20}, {}]), vec![json!(2)]),
        (json!([{}, {"sludge_mm": 20}]), vec![json!(1)]),
        (json!([{"scum_mm": 20}, {"sludge_mm": 20}]), vec![]),
    ] {
        let mut input = two.clone();
        input["visit"]["compartments"] = readings.clone();
        let answer = answer(&input);
        let flags = answer["flags"].as_array().unwrap();
        let named = flags
            .iter()
            .filter(|flag| flag["code"] == json!("compartment_not_read"))
            .map(|flag| flag["compartment"].clone())
            .collect::<Vec<_>>();
        assert_eq!(named, left_out, "{readings}");
    }
}

/// A county's rule of two intervals: look again after one year where a measurement found no need to pump, else after three
/// (Kenosha County, Wisconsin, 15.06.030).
#[test]
fn a_shorter_look_follows_only_what_was_measured_and_left() {
    for (visit, day, warned) in [
        (
            json!({"date": "2026-05-01", "scum_mm": 10, "sludge_mm": 10}),
            "2027-05-01",
            false,
        ),
        (
            json!({"date": "2026-05-01", "scum_mm": 10, "sludge_mm": 10, "pumped": true}),
            "2029-05-01",
            false,
        ),
        (json!({"date": "2026-05-01", "scum_mm": 10}), "2029-05-01", false),
        (
            json!({"date": "2026-05-01", "scum_mm": 300, "sludge_mm": 500}),
            "2029-05-01",
            true,
        ),
        (
            json!({"date": "2026-05-01", "scum_mm": 300, "sludge_mm": 500, "pumped": true}),
            "2029-05-01",
            false,
        ),
    ] {
        let answer = answer(&nearly_empty(&[
            ("/rule_set", json!("wi-kenosha-15.06.030")),
            ("/visit", visit.clone()),
        ]));
        assert_eq!(answer["inspect_by"], json!(day), "{visit}");
        // That it ought to be pumped now is said where it was not.
        assert_eq!(has(&answer, "warnings", "pump_now_not_pumped"), warned, "{visit}");
    }
}

/// A village's rule of a plain calendar: every three years (Orange, Ohio, 915.10); a pump-out of today counts from today, one
/// that is still to come does not count.
#[test]
fn a_calendar_counts_from_the_day_itself_on() {
    for (emptied, decision) in [
        ("2022-05-01", "pump"),
        ("2024-05-01", "not_yet"),
        ("2026-05-01", "not_yet"),
        ("2026-05-02", "not_measured"),
    ] {
        let answer = answer(&nearly_empty(&[
            ("/rule_set", json!("oh-orange-915.10")),
            ("/last_emptied", json!(emptied)),
        ]));
        assert_eq!(answer["verdict"]["decision"], json!(decision), "{emptied}");
    }
}

/// A date is past from the day after it on: what is due at once is due today.
#[test]
fn what_is_due_today_is_not_past() {
    let left_full = answer(&nearly_empty(&[
        ("/visit/pumped", json!(true)),
        ("/visit/heel_l", json!(3_000)),
    ]));
    assert_eq!(left_full["due"], json!("2026-05-01"));
    assert!(has(&left_full, "warnings", "due_at_once"));
    assert!(!has(&left_full, "warnings", "due_in_past"));
    assert!(has(&answer(&nearly_empty(&[])), "warnings", "due_in_past"));
    let lately = answer(&nearly_empty(&[("/last_emptied", json!("2026-04-30"))]));
    assert!(!has(&lately, "warnings", "due_in_past"));
}

/// What a rule set leaves open is said: a clause that could not be judged, a table left, figures not seen in the rule itself.
#[test]
fn what_the_rules_leave_open_is_said() {
    let without_device =
        json!({"shape": {"kind": "level_cylinder", "diameter_mm": 1524, "length_mm": 2438}, "liquid_depth_mm": 1219});
    let not_judged = |input: &Value| {
        let answer = answer(input);
        let warnings = answer["warnings"].as_array().unwrap();
        warnings
            .iter()
            .filter(|warning| warning["code"] == json!("clause_not_measured"))
            .count()
    };
    // Minnesota judges two clearances below the outlet and the volume.
    let tank = ("/tank", without_device);
    assert_eq!(not_judged(&nearly_empty(&[])), 0);
    assert_eq!(not_judged(&nearly_empty(std::slice::from_ref(&tank))), 2);
    let full = json!({"date": "2026-05-01", "scum_mm": 300, "sludge_mm": 500});
    assert_eq!(not_judged(&nearly_empty(&[tank, ("/visit", full)])), 0);

    // The published sludge table goes from 750 to 1,000 gal (2,839 to 3,785 L) and from 30 to 60 in (762 to 1,524 mm).
    for (length_mm, depth_mm, outside) in [(2_000, 1_219, false), (3_000, 1_219, true), (3_500, 700, true)] {
        let answer = answer(&nearly_empty(&[
            ("/rule_set", json!("usphs-526")),
            (
                "/tank",
                json!({"shape": {"kind": "box", "length_mm": length_mm, "width_mm": 1_300},
                    "liquid_depth_mm": depth_mm, "outlet_device_mm": 400}),
            ),
        ]));
        assert_eq!(
            has(&answer, "warnings", "outside_table"),
            outside,
            "{length_mm} x {depth_mm}"
        );
    }

    for set in lidmark::exchange::rulefile::embedded().unwrap() {
        let answer = answer(&nearly_empty(&[("/rule_set", json!(set.id))]));
        let unsure = matches!(set.confidence, Confidence::Secondary | Confidence::Memory);
        assert_eq!(has(&answer, "warnings", "rule_unsure"), unsure, "{}", set.id);
    }
}

/// What another household or tank would mean, beside the same facts: one person fewer, one and two more, the other grinder, the
/// next two sizes of the trade above 1,007 gal (1,250 and 1,500 gal: common practice).
#[test]
fn other_households_and_tanks_are_reckoned_beside() {
    let own = answer(&base());
    let changes = own["what_if"].as_array().unwrap();
    let residents = changes.iter().filter_map(|change| change["residents"].as_f64());
    assert_eq!(residents.collect::<Vec<_>>(), [3.0, 5.0, 6.0]);
    let grinders = changes.iter().filter_map(|change| change["grinder"].as_bool());
    assert_eq!(grinders.collect::<Vec<_>>(), [true]);
    let litres = changes.iter().filter_map(|change| change["liquid_l"].as_f64());
    for (found, gallons) in litres.zip([1_250.0, 1_500.0]) {
        assert!((found - gallons * 3.785_411_784).abs() < 1e-6, "{found}");
    }
    assert_eq!(changes.len(), 6);
    // Nobody at all is no other household.
    let one = answer(&nearly_empty(&[("/site/residents", json!(1))]));
    let others = one["what_if"].as_array().unwrap().iter();
    let others = others.filter_map(|change| change["residents"].as_f64());
    assert_eq!(others.collect::<Vec<_>>(), [2.0, 3.0]);
    // 2.4 m · 1.3 m · 1.504 m are 1,240 gal: a tank of 1,250 gal by its trade name, so the next is 1,500.
    let named = answer(&nearly_empty(&[(
        "/tank",
        json!({"shape": {"kind": "box", "length_mm": 2400, "width_mm": 1300}, "liquid_depth_mm": 1504}),
    )]));
    let next = named["what_if"]
        .as_array()
        .unwrap()
        .iter()
        .find_map(|change| change["liquid_l"].as_f64());
    assert!((next.unwrap() - 1_500.0 * 3.785_411_784).abs() < 1e-6, "{next:?}");
    let due = |change: &Value| change["due"].as_str().unwrap().to_owned();
    // More people fill it sooner, a larger tank later.
    assert!(due(&changes[0]) > due(&own) && due(&changes[1]) < due(&own) && due(&changes[2]) < due(&changes[1]));
    assert!(due(&changes[4]) > due(&own) && due(&changes[5]) > due(&changes[4]));
}

/// Where a figure turns is where it is said to turn. By hand: a third of a box 2400 x 1300 mm with 1219 mm of liquid is
/// 2.4 · 1.3 · 1.219 / 3 m³ = 1,267.76 L, whichever of the two layers is the thicker.
#[test]
fn flags_and_curves_turn_where_they_say() {
    let mut input = base();
    for (residents, many) in [(20, false), (21, true)] {
        input["site"]["residents"] = json!(residents);
        assert_eq!(has(&answer(&input), "flags", "many_residents"), many, "{residents}");
    }

    let measured = answer(&base());
    assert!(!has(&measured, "warnings", "forecast_fallback"));
    let mut input = base();
    input["rule_set"] = json!("au-sa-wattle-range");
    assert!(has(&answer(&input), "warnings", "forecast_fallback"));

    let years = |point: &Value| point["years"].as_f64().unwrap();
    let curve = measured["forecast"]["curve"].as_array().unwrap();
    let (last, latest) = (
        years(curve.last().unwrap()),
        years(&measured["forecast"]["quantiles"][0]),
    );
    assert!((latest..2.0 * latest).contains(&last), "{last} against {latest}");
    for pair in curve.windows(2) {
        let step = last / f64::from(u16::try_from(curve.len() - 1).unwrap());
        assert!((years(&pair[1]) - years(&pair[0]) - step).abs() < 1e-9);
    }

    let mut input = base();
    input["rule_set"] = json!("nh-env-wq-1023.01");
    input["tank"] = json!({"shape": {"kind": "box", "length_mm": 2400, "width_mm": 1300}, "liquid_depth_mm": 1219, "outlet_device_mm": 457});
    for (scum, sludge) in [(100, 250), (250, 100)] {
        input["visit"]["scum_mm"] = json!(scum);
        input["visit"]["sludge_mm"] = json!(sludge);
        near(&answer(&input)["forecast"]["limit_l"], 1_267.76, 0.01);
    }

    // A layer nobody read may be past its limit.
    let mut input = base();
    input["visit"] = json!({"date": "2026-05-01", "scum_mm": 10, "sludge_mm": 10});
    assert_eq!(answer(&input)["verdict"]["decision"], json!("not_yet"));
    for layer in ["scum_mm", "sludge_mm"] {
        let mut partly = input.clone();
        partly["visit"].as_object_mut().unwrap().remove(layer);
        assert_ne!(answer(&partly)["verdict"]["decision"], json!("not_yet"), "{layer}");
    }

    let mut input: Value =
        serde_json::from_str(&std::fs::read_to_string(vector("two-compartments.json")).unwrap()).unwrap();
    input["visit"]["compartments"][1] = json!({"scum_mm": 25});
    assert!(!has(&answer(&input), "flags", "compartment_not_read"));
    input["visit"]["compartments"][1] = json!({"level_mm": 6});
    assert!(has(&answer(&input), "flags", "compartment_not_read"));
}
