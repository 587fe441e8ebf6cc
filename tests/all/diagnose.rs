//! `lidmark-office diagnose`: the JSON contract, cases of the trade, what is refused, and the table in `docs/findings.md`.

use lidmark::app::findings::Findings;
use lidmark::domain::causes::{Cause, LINKS, Source};
use lidmark::domain::record::{Language, Units};
use lidmark::domain::signs::Sign;
use lidmark::office::{Refusal, diagnose};
use lidmark::say::figures::Figures;
use lidmark::say::words::Words;
use proptest::prelude::*;
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::Path;
use std::sync::LazyLock;

fn schema(name: &str) -> jsonschema::Validator {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema").join(name);
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    jsonschema::meta::validate(&schema).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

static INPUT: LazyLock<jsonschema::Validator> = LazyLock::new(|| schema("diagnose-input.schema.json"));
static OUTPUT: LazyLock<jsonschema::Validator> = LazyLock::new(|| schema("diagnose-output.schema.json"));

fn complaints(validator: &jsonschema::Validator, value: &Value) -> Vec<String> {
    validator
        .iter_errors(value)
        .map(|error| {
            format!("{}: {error}", error.instance_path())
                .chars()
                .take(300)
                .collect()
        })
        .collect()
}

fn run_in(language: Language, units: Units, text: &str) -> Result<Value, Refusal> {
    let findings = Findings::new(Figures {
        units,
        words: Words::new(language),
    });
    let answer = diagnose::run(Path::new("-"), &|said| findings.say(said), text.as_bytes())?;
    Ok(serde_json::from_str(&answer).unwrap())
}

fn run(text: &str) -> Result<Value, Refusal> {
    run_in(Language::English, Units::UsCustomary, text)
}

/// Answers, and holds both sides against the schemas.
fn answer(input: &Value) -> Value {
    assert_eq!(complaints(&INPUT, input), Vec::<String>::new(), "{input}");
    let output = run(&input.to_string()).unwrap();
    assert_eq!(complaints(&OUTPUT, &output), Vec::<String>::new());
    output
}

/// A level that has not moved in three days rules out a loss where the tank stood full, to within an inch, and water coming in
/// where it was drawn down; and a tank that was drawn down for the flush test is one.
#[test]
fn what_a_still_level_rules_out_depends_on_where_it_stood() {
    let tank = json!({"shape": {"kind": "box", "length_mm": 2400, "width_mm": 1200}, "liquid_depth_mm": 1200});
    for (level_mm, ruled_out) in [
        (0, "gauge_outflow"),
        (-25, "gauge_outflow"),
        (-26, "gauge_inflow"),
        (-900, "gauge_inflow"),
    ] {
        let mark = |at_s: i64| json!({"level_mm": level_mm, "at_s": at_s});
        let output = answer(&json!({"tank": tank, "leak_gauge": {"first": mark(0), "second": mark(3 * 86_400)}}));
        let signs = output["signs"].as_array().unwrap();
        let absent = signs.iter().filter(|sign| sign["seen"] == json!("absent"));
        let absent = absent.map(|sign| sign["sign"].as_str().unwrap()).collect::<Vec<_>>();
        assert_eq!(absent, [ruled_out], "{level_mm} mm");
    }
    let fixtures = json!([{"name": "a", "kind": "toilet", "result": "came"}]);
    for (drawn_down, state) in [(true, json!("drawn_down")), (false, Value::Null)] {
        let output = answer(&json!({"flush_test": {"drawn_down": drawn_down, "fixtures": fixtures}}));
        assert_eq!(output["tank_state"], state, "{drawn_down}");
    }
}

#[test]
fn every_example_fits_the_schemas_in_both_languages() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/examples");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if !path.file_name().unwrap().to_string_lossy().starts_with("diagnose-") {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        let english = answer(&serde_json::from_str(&text).unwrap());
        let spanish = run_in(Language::Spanish, Units::Metric, &text).unwrap();
        assert_eq!(complaints(&OUTPUT, &spanish), Vec::<String>::new());
        assert_ne!(english["summary"], spanish["summary"]);
        assert_eq!(english["causes"][0]["cause"], spanish["causes"][0]["cause"]);
        count += 1;
    }
    assert!(count >= 3);
    answer(&json!({}));
}

/// Cases as the trade tells them (common practice), each with the cause it is known by, its band, and who is sent for.
#[test]
fn cases_of_the_trade() {
    let fixtures = |results: &[&str]| {
        let fixtures: Vec<Value> = results
            .iter()
            .enumerate()
            .map(|(place, result)| json!({"name": format!("fixture {place}"), "kind": "toilet", "result": result}))
            .collect();
        json!({"drawn_down": true, "fixtures": fixtures})
    };
    let cases = [
        (
            json!({"levels": {"before_pumping_mm": 80}, "signs": {"filter_clogged": "present", "runback": "absent"}}),
            "outlet_or_filter_blocked",
            "crew",
        ),
        (
            json!({"levels": {"before_pumping_mm": 80}, "signs": {"runback": "present", "filter_clogged": "absent"}}),
            "field_saturated",
            "licensed_person",
        ),
        (
            json!({"levels": {"before_pumping_mm": -200}, "signs": {"not_yet_refilled": "absent", "cracks": "present"}}),
            "tank_leaks",
            "licensed_person",
        ),
        (
            json!({"signs": {"inflow_at_wall": "present", "ground_saturated": "present"}}),
            "groundwater_enters",
            "licensed_person",
        ),
        (
            json!({"signs": {"inflow_at_inlet": "present", "fixture_running": "present"}}),
            "fixture_runs",
            "household",
        ),
        (
            json!({"signs": {"alarm_on": "present", "pump_chamber_high": "present"}}),
            "pump_chamber_fault",
            "licensed_electrician",
        ),
        (
            json!({"signs": {"outlet_device_missing": "present", "solids_past_outlet": "present"}}),
            "solids_carried_over",
            "licensed_person",
        ),
        (
            json!({"flush_test": fixtures(&["nothing", "nothing", "nothing"]), "signs": {"inlet_plugged": "absent"}}),
            "main_line_blocked",
            "crew",
        ),
        (
            json!({"flush_test": fixtures(&["came", "nothing", "came"])}),
            "branch_blocked",
            "crew",
        ),
        (
            json!({"flush_test": fixtures(&["slow", "slow", "slow"])}),
            "slow_line_or_vent",
            "crew",
        ),
    ];
    for (input, cause, who) in cases {
        let output = answer(&input);
        let first = &output["causes"][0];
        assert_eq!(
            (&first["cause"], &first["band"], &first["who"]),
            (&json!(cause), &json!("likely"), &json!(who)),
            "{input}"
        );
        assert!(
            output["summary"]
                .as_str()
                .unwrap()
                .starts_with(first["words"].as_str().unwrap())
        );
        if who.starts_with("licensed") {
            let advice = first["advice"].as_str().unwrap();
            assert!(
                advice.contains("licensed") && advice.contains("The reason: "),
                "{advice}"
            );
        }
    }
}

/// More cases of the trade (common practice): the causes that must stand first, whichever of them leads, and those that must
/// not be called likely.
#[test]
#[allow(clippy::too_many_lines, reason = "a table of cases")]
fn the_order_of_causes_is_the_one_a_pumper_would_give() {
    let flush = |results: &[(&str, &str)]| {
        let fixtures: Vec<Value> = results
            .iter()
            .enumerate()
            .map(|(place, (result, branch))| {
                json!({"name": format!("fixture {place}"), "kind": "toilet", "branch": branch, "result": result})
            })
            .collect();
        json!({"drawn_down": true, "fixtures": fixtures})
    };
    let tank = json!({"shape": {"kind": "box", "length_mm": 2400, "width_mm": 1200}, "liquid_depth_mm": 1200});
    let gauge = |from: i64, to: i64, hours: i64| json!({"first": {"level_mm": from, "at_s": 0}, "second": {"level_mm": to, "at_s": hours * 3_600}});
    let cases: [(Value, &[&str], &[&str]); 22] = [
        // Downstream of the tank.
        (
            json!({"levels": {"before_pumping_mm": 75}}),
            &["outlet_or_filter_blocked", "field_saturated"],
            &["outlet_or_filter_blocked", "field_saturated"],
        ),
        (
            json!({"levels": {"before_pumping_mm": 75}, "signs": {"runback": "absent", "filter_clogged": "absent"}}),
            &["outlet_or_filter_blocked"],
            &["outlet_or_filter_blocked"],
        ),
        (
            json!({"levels": {"before_pumping_mm": 0, "high_water_mark_mm": 120}}),
            &["outlet_or_filter_blocked"],
            &["outlet_or_filter_blocked", "field_saturated"],
        ),
        (
            json!({"levels": {"before_pumping_mm": 120}, "signs": {"backup_in_house": "present"}}),
            &["outlet_or_filter_blocked", "field_saturated"],
            &["main_line_blocked"],
        ),
        (
            json!({"signs": {"runback": "present", "pumped_often": "present"}}),
            &["field_saturated"],
            &["outlet_or_filter_blocked"],
        ),
        // What waits in the chamber has passed the outlet.
        (
            json!({"levels": {"before_pumping_mm": 60}, "signs": {"alarm_on": "present", "pump_chamber_high": "present", "runback": "absent"}}),
            &["pump_chamber_fault"],
            &["outlet_or_filter_blocked", "field_saturated"],
        ),
        (
            json!({"signs": {"float_stuck": "present"}}),
            &["pump_chamber_fault"],
            &[],
        ),
        // The tank.
        (
            json!({"levels": {"before_pumping_mm": -150}, "signs": {"not_yet_refilled": "present"}}),
            &["tank_leaks"],
            &["tank_leaks"],
        ),
        (
            json!({"tank": tank, "leak_gauge": gauge(0, -40, 2)}),
            &["tank_leaks"],
            &[],
        ),
        (
            json!({"tank": tank, "leak_gauge": gauge(-900, -880, 1)}),
            &["fixture_runs", "groundwater_enters"],
            &["fixture_runs", "groundwater_enters"],
        ),
        (
            json!({"tank": tank, "leak_gauge": gauge(-900, -900, 4)}),
            &[],
            &["fixture_runs", "groundwater_enters", "tank_leaks"],
        ),
        (
            json!({"signs": {"inflow_at_inlet": "present", "fixture_running": "absent", "ground_saturated": "present"}}),
            &["groundwater_enters"],
            &["fixture_runs"],
        ),
        // The lines.
        (
            json!({"flush_test": flush(&[("slow", "kitchen"), ("came", "a"), ("came", "b")])}),
            &["branch_blocked"],
            &["main_line_blocked", "slow_line_or_vent"],
        ),
        (
            json!({"flush_test": flush(&[("slow", "kitchen"), ("nothing", "a"), ("came", "b")])}),
            &["branch_blocked"],
            &["main_line_blocked", "slow_line_or_vent"],
        ),
        (
            json!({"flush_test": flush(&[("slow", "a"), ("nothing", "b")])}),
            &["slow_line_or_vent"],
            &["inlet_blocked"],
        ),
        (
            json!({"flush_test": flush(&[("nothing", "a"), ("nothing", "b")]), "signs": {"cleanout_full": "absent"}}),
            &["main_line_blocked"],
            &["main_line_blocked", "inlet_blocked"],
        ),
        (
            json!({"flush_test": flush(&[("nothing", "a"), ("nothing", "b")]), "signs": {"cleanout_full": "present", "inlet_plugged": "present"}}),
            &["inlet_blocked"],
            &[],
        ),
        (
            json!({"flush_test": flush(&[("slow", "a"), ("slow", "b")]), "signs": {"gurgling": "present"}}),
            &["slow_line_or_vent"],
            &["main_line_blocked", "branch_blocked"],
        ),
        // One thing seen is not two.
        (
            json!({"signs": {"heavy_use": "present"}}),
            &["too_much_water"],
            &["too_much_water", "field_saturated"],
        ),
        (
            json!({"signs": {"roots": "present"}}),
            &[],
            &["main_line_blocked", "outlet_or_filter_blocked", "tank_leaks"],
        ),
        (
            json!({"signs": {"outlet_device_missing": "present", "solids_past_outlet": "present", "wet_over_field": "present"}}),
            &["solids_carried_over", "field_saturated"],
            &["outlet_or_filter_blocked"],
        ),
        // All looked at, all in order.
        (
            json!({"levels": {"before_pumping_mm": 0}, "flush_test": flush(&[("came", "a"), ("came", "b")]),
                "signs": {"runback": "absent", "filter_clogged": "absent", "wet_over_field": "absent", "inflow_nothing_running": "absent", "cracks": "absent"}}),
            &[],
            &[
                "outlet_or_filter_blocked",
                "field_saturated",
                "tank_leaks",
                "fixture_runs",
                "groundwater_enters",
                "branch_blocked",
                "main_line_blocked",
            ],
        ),
    ];
    for (input, first, not_likely) in cases {
        let said = answer(&input);
        let ranked = said["causes"].as_array().unwrap();
        let mut leading: Vec<&str> = ranked[..first.len()]
            .iter()
            .map(|each| each["cause"].as_str().unwrap())
            .collect();
        let mut wanted = first.to_vec();
        leading.sort_unstable();
        wanted.sort_unstable();
        assert_eq!(leading, wanted, "{input}");
        for each in ranked {
            let (cause, chance) = (each["cause"].as_str().unwrap(), each["chance"].as_f64().unwrap());
            assert!((0.05..=0.95).contains(&chance), "{input} {cause} {chance}");
            assert!(
                each["band"] != "likely" || !not_likely.contains(&cause),
                "{input}: {cause}"
            );
        }
    }
}

#[test]
fn thin_evidence_stays_thin() {
    let output = answer(&json!({"flush_test": {"drawn_down": true, "fixtures": [
        {"name": "toilet", "kind": "toilet", "result": "nothing"}, {"name": "tub", "kind": "tub", "result": "not_tried"}]}}));
    assert_eq!(output["flush"]["verdict"], "branch_or_main");
    assert_eq!(output["flush"]["thin"], true);
    assert!(
        output["causes"]
            .as_array()
            .unwrap()
            .iter()
            .all(|cause| cause["band"] != "likely")
    );
    let nothing = answer(&json!({}));
    assert_eq!(nothing["summary"], "Nothing that decides has been looked at yet.");
    assert!(
        nothing["causes"]
            .as_array()
            .unwrap()
            .iter()
            .all(|cause| cause["has_evidence"] == false)
    );
}

/// By hand: 1.8 x 1.5 m is 2.7 L a millimetre; 10 mm in an hour is 27 L, 648 L a day; the error is 2.7·3·√2 = 11.455 L.
#[test]
fn the_gauge_of_one_compartment_by_hand() {
    let text =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/examples/diagnose-leak-gauge.json"))
            .unwrap();
    let mut input: Value = serde_json::from_str(&text).unwrap();
    let output = answer(&input);
    let flow = &output["leak_gauge"]["flow"];
    assert!((flow["l_per_day"].as_f64().unwrap() - 648.0).abs() < 1e-6);
    assert!((flow["change_error_l"].as_f64().unwrap() - 11.4551).abs() < 1e-3);
    assert_eq!(flow["compartments"], json!([1]));
    assert!(output["leak_gauge"]["words"].as_str().unwrap().contains("171 gal"));
    // The same marks as depths above the bottom, and both compartments together: 4.05 L a millimetre.
    input["leak_gauge"]["compartment"] = Value::Null;
    input["leak_gauge"]["first"] = json!({"depth_mm": 200, "at_s": 0});
    input["leak_gauge"]["second"] = json!({"depth_mm": 210, "at_s": 3600});
    let both = answer(&input);
    assert!((both["leak_gauge"]["flow"]["l_per_day"].as_f64().unwrap() - 972.0).abs() < 1e-6);
    for (second, code) in [
        (json!({"depth_mm": 210, "at_s": 0}), "no_time"),
        (json!({"depth_mm": 210, "at_s": -5}), "time_backwards"),
        (json!({"depth_mm": 202, "at_s": 600}), "within_error"),
    ] {
        input["leak_gauge"]["second"] = second;
        let refused = answer(&input);
        assert_eq!(refused["leak_gauge"]["refused"]["code"], code);
        assert!(refused["leak_gauge"]["flow"].is_null());
    }
}

#[test]
fn bad_input_names_the_field() {
    let fixture = |more: Value| {
        let mut one = json!({"name": "a", "kind": "toilet", "result": "nothing"});
        one.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!({"flush_test": {"fixtures": [one, {"name": "b", "kind": "tub", "result": "came"}]}}).to_string()
    };
    let cases = [
        (String::new(), "file: it is empty"),
        ("[]".into(), "file: invalid type: sequence"),
        ("{} {}".into(), "file: something follows"),
        ("{".into(), "file: EOF"),
        (json!({"lids": 1}).to_string(), "unknown field `lids`"),
        (json!({"signs": {"smoke": "present"}}).to_string(), "signs"),
        (json!({"signs": {"runback": "maybe"}}).to_string(), "signs.runback: unknown state `maybe`"),
        (r#"{"signs": {"runback": "present", "runback": "absent"}}"#.into(), "`runback` stands twice"),
        (json!({"signs": {"level_above_outlet": "present", "level_below_outlet": "present"}}).to_string(), "signs.level_"),
        (json!({"signs": {"flush_nothing": "present", "flush_all_slow": "present"}}).to_string(), "it is present by one field and absent by another"),
        (json!({"signs": {"flush_all_slow": "present"}, "flush_test": {"drawn_down": true, "fixtures": [{"name": "a", "kind": "toilet", "result": "nothing"}, {"name": "b", "kind": "tub", "result": "nothing"}]}}).to_string(), "signs.flush_all_slow: it is present by one field"),
        (json!({"signs": {"pump_chamber": "absent", "float_stuck": "present"}}).to_string(), "signs.pump_chamber: it is "),
        (json!({"signs": {"level_above_outlet": "absent"}, "levels": {"before_pumping_mm": 90}}).to_string(), "signs.level_above_outlet: it is absent by one field and present by another"),
        (json!({"levels": {"before_pumping_mm": 1.5}}).to_string(), "levels.before_pumping_mm"),
        (fixture(json!({"seconds": 4})), "flush_test.fixtures[0].seconds"),
        (fixture(json!({"name": "b"})), "flush_test.fixtures[1].name"),
        (fixture(json!({"name": "  "})), "flush_test.fixtures[0].name: it is empty"),
        (fixture(json!({"kind": "pond"})), "flush_test.fixtures[0].kind: unknown kind `pond`"),
        (json!({"flush_test_after": {"fixtures": []}}).to_string(), "flush_test: missing"),
        (json!({"leak_gauge": {"first": {"level_mm": 0, "at_s": 0}, "second": {"level_mm": 0, "at_s": 9}}}).to_string(), "tank: missing"),
        (json!({"tank": {"shape": {"kind": "nominal", "litres": 1}}, "leak_gauge": {"first": {"at_s": 0}, "second": {"level_mm": 0, "at_s": 9}}}).to_string(), "leak_gauge.first: expected one of"),
    ];
    for (text, wanted) in cases {
        let refusal = run(&text).unwrap_err();
        assert_eq!(refusal.code, 2);
        assert!(refusal.what.contains(wanted), "{text}: {}", refusal.what);
        assert!(!refusal.remedy.is_empty());
    }
}

fn any_fixture() -> impl Strategy<Value = Value> {
    (0..9_u8, prop::option::of(0..3_u8), prop::option::of(0..200_u32), prop::sample::select(vec!["came", "slow", "nothing", "not_tried"]))
        .prop_map(|(name, branch, seconds, result)| {
            let seconds = seconds.filter(|_| matches!(result, "came" | "slow"));
            json!({"name": name.to_string(), "kind": "other", "branch": branch.map(|b| b.to_string()), "result": result, "seconds": seconds})
        })
}

fn any_test() -> impl Strategy<Value = Value> {
    (
        prop::option::of(any::<bool>()),
        prop::collection::vec(any_fixture(), 0..6),
    )
        .prop_map(|(drawn_down, mut fixtures)| {
            let mut names = std::collections::BTreeSet::new();
            fixtures.retain(|fixture| names.insert(fixture["name"].to_string()));
            json!({"drawn_down": drawn_down, "fixtures": fixtures})
        })
}

fn any_input() -> impl Strategy<Value = Value> {
    let signs = prop::collection::btree_map(
        prop::sample::select(Sign::ALL).prop_map(|sign| sign.word().to_owned()),
        prop::sample::select(vec!["present", "absent", "not_looked"]),
        0..10,
    );
    let mark = || (-2_000..2_000_i64, any::<i32>()).prop_map(|(level, at)| json!({"level_mm": level, "at_s": at}));
    let gauge = (mark(), mark()).prop_map(|(first, second)| json!({"first": first, "second": second}));
    (signs, prop::option::of(any_test()), prop::option::of(gauge), prop::option::of(-400..400_i64), 1..4_000_u32).prop_map(
        |(signs, flush, gauge, level, size)| {
            json!({
                "tank": {"shape": {"kind": "level_cylinder", "diameter_mm": size, "length_mm": 2000}, "liquid_depth_mm": size * 3 / 4},
                "residents": 3, "signs": signs, "levels": {"before_pumping_mm": level},
                "flush_test": flush.clone(), "flush_test_after": flush, "leak_gauge": gauge,
            })
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_the_schema_allows_is_answered_within_the_schema(input in any_input()) {
        prop_assert_eq!(complaints(&INPUT, &input), Vec::<String>::new());
        match run(&input.to_string()) {
            Ok(output) => {
                prop_assert_eq!(complaints(&OUTPUT, &output), Vec::<String>::new());
                let totals: Vec<i64> = output["causes"].as_array().unwrap().iter().map(|each| each["total_db"].as_i64().unwrap()).collect();
                prop_assert!(totals.is_sorted_by(|a, b| a >= b));
            }
            // Signs drawn at random may contradict each other or a level; nothing else may be refused.
            Err(refusal) => prop_assert!(refusal.what.starts_with("signs."), "{}", refusal.what),
        }
    }

    #[test]
    fn what_is_read_is_what_the_schema_allows(input in any_input(), place in any::<prop::sample::Index>(), bad in prop::sample::select(vec![
        json!(null), json!(true), json!(-1), json!(0.5), json!(1e300), json!(u64::MAX), json!(i64::MIN), json!("x"), json!(""), json!([]),
        json!({}), json!({"kind": "box"}), json!([[[[]]]]),
    ])) {
        let mut input = input;
        let mut all = Vec::new();
        places(&input, String::new(), &mut all);
        let at: &String = place.get(&all);
        *input.pointer_mut(at).unwrap() = bad;
        match run(&input.to_string()) {
            Ok(_) => prop_assert_eq!(complaints(&INPUT, &input), Vec::<String>::new(), "{}", input),
            Err(refusal) => {
                prop_assert_eq!(refusal.code, 2);
                let beyond = ["by one field and", "is the name of fixture"].iter().any(|text| refusal.what.contains(text));
                prop_assert!(beyond || !INPUT.is_valid(&input), "{} in {}", refusal.what, input);
            }
        }
    }

    #[test]
    fn no_text_makes_the_reader_panic(text in "[\\[{\"a-z_0-9:,.\\]}\\s-]{0,80}") {
        if let Err(refusal) = run(&text) {
            prop_assert_eq!(refusal.code, 2);
        }
    }
}

/// Every place in a value, as JSON pointers.
fn places(value: &Value, at: String, found: &mut Vec<String>) {
    match value {
        Value::Object(map) => map
            .iter()
            .for_each(|(key, value)| places(value, format!("{at}/{key}"), found)),
        Value::Array(list) => {
            list.iter()
                .enumerate()
                .for_each(|(index, value)| places(value, format!("{at}/{index}"), found));
        }
        _ => {}
    }
    found.push(at);
}

#[test]
fn the_table_in_the_document_is_the_one_in_use() {
    let findings = Findings::default();
    let mut starts = String::from("| cause | | starts at, dB | who |\n|---|---|---|---|\n");
    for cause in Cause::ALL {
        writeln!(
            starts,
            "| `{}` | {} | {} | `{}` |",
            cause.word(),
            findings.cause(*cause),
            cause.start_db(),
            cause.who().word()
        )
        .unwrap();
    }
    crate::check_generated_block("docs/findings.md", "causes", &starts);
    let mut links = String::from(
        "| sign | | cause | there, dB | not there, dB | source of the direction |\n|---|---|---|---|---|---|\n",
    );
    for link in LINKS {
        writeln!(
            links,
            "| `{}` | {} | `{}` | {:+} | {:+} | {} |",
            link.sign.word(),
            findings.sign(link.sign),
            link.cause.word(),
            link.present_db,
            link.absent_db,
            link.source.citation()
        )
        .unwrap();
    }
    crate::check_generated_block("docs/findings.md", "links", &links);
    for source in Source::ALL {
        assert!(
            LINKS.iter().any(|link| link.source == *source),
            "no link rests on {source:?}"
        );
    }
}
