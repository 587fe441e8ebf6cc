//! The JSON contract: the schemas describe exactly what is read, and everything that is written.

use jsonschema::Validator;
use lidmark::exchange::{rulefile, work};
use proptest::prelude::*;
use serde_json::{Value, json};
use std::path::Path;
use std::sync::LazyLock;

fn schema(name: &str) -> Validator {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema").join(name);
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    jsonschema::meta::validate(&schema).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

static INPUT: LazyLock<Validator> = LazyLock::new(|| schema("work-input.schema.json"));
static OUTPUT: LazyLock<Validator> = LazyLock::new(|| schema("work-output.schema.json"));

fn complaints(validator: &Validator, value: &Value) -> Vec<String> {
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

/// Reads, answers, and holds both sides against the schemas; returns the answer.
fn answer(input: &Value) -> Value {
    assert_eq!(complaints(&INPUT, input), Vec::<String>::new(), "{input}");
    let work = work::read(&input.to_string()).unwrap_or_else(|error| panic!("{error} in {input}"));
    let text = work::answer(&work, &rulefile::embedded().unwrap(), rulefile::GENERAL).unwrap();
    let output: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(complaints(&OUTPUT, &output), Vec::<String>::new());
    output
}

#[test]
fn every_example_fits_the_schemas() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/work");
    let mut count = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "json") {
            continue;
        }
        answer(&serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap());
        count += 1;
    }
    assert!(count >= 4);
}

fn mm() -> impl Strategy<Value = Value> {
    prop_oneof![9 => 0..3_000_i64, 1 => 0..=1_000_000_i64, 1 => Just(0)].prop_map(Value::from)
}

fn signed() -> impl Strategy<Value = Value> {
    prop_oneof![9 => -600..600_i64, 1 => -1_000_000..=1_000_000_i64].prop_map(Value::from)
}

fn litres() -> impl Strategy<Value = Value> {
    prop_oneof![9 => 0.0..9_000.0, 1 => 0.0..1.0e9, 1 => Just(0.0)].prop_map(Value::from)
}

fn day() -> impl Strategy<Value = Value> {
    prop_oneof![9 => 2000..2030_i32, 1 => 1900..2200_i32]
        .prop_flat_map(|year| (Just(year), 1..=12_u32, 1..=28_u32))
        .prop_map(|(y, m, d)| Value::from(format!("{y}-{m:02}-{d:02}")))
}

fn people() -> impl Strategy<Value = Value> {
    prop_oneof![6 => (0..12_u32).prop_map(f64::from), 3 => 0.0..12.0, 1 => 0.0..100_000.0].prop_map(Value::from)
}

fn shape() -> impl Strategy<Value = Value> {
    prop_oneof![
        (mm(), mm()).prop_map(|(l, w)| json!({"kind": "box", "length_mm": l, "width_mm": w})),
        mm().prop_map(|d| json!({"kind": "upright_cylinder", "diameter_mm": d})),
        (mm(), mm()).prop_map(|(d, l)| json!({"kind": "level_cylinder", "diameter_mm": d, "length_mm": l})),
        (mm(), mm()).prop_map(|(l, w)| json!({"kind": "obround_plan", "length_mm": l, "width_mm": w})),
        (mm(), mm(), mm())
            .prop_map(|(r, s, l)| json!({"kind": "obround_section", "radius_mm": r, "straight_mm": s, "length_mm": l})),
        (mm(), mm(), mm())
            .prop_map(|(h, w, l)| json!({"kind": "ellipse_section", "height_mm": h, "width_mm": w, "length_mm": l})),
        prop::collection::vec((mm(), litres()), 0..5).prop_map(|rows| {
            let rows: Vec<Value> = rows.into_iter().map(|(depth, litres)| json!([depth, litres])).collect();
            json!({"kind": "dip_table", "rows": rows})
        }),
        litres().prop_map(|litres| json!({"kind": "nominal", "litres": litres})),
    ]
}

/// An object of these fields, each there or not.
fn some_of(fields: Vec<(&'static str, BoxedStrategy<Value>)>) -> impl Strategy<Value = Value> {
    let fields: Vec<_> = fields
        .into_iter()
        .map(|(name, value)| prop::option::of(value).prop_map(move |value| value.map(|value| (name.to_owned(), value))))
        .collect();
    fields.prop_map(|fields| Value::Object(fields.into_iter().flatten().collect()))
}

fn with(mut object: Value, more: &[(&str, Value)]) -> Value {
    for (name, value) in more {
        object[*name] = value.clone();
    }
    object
}

fn compartment() -> impl Strategy<Value = Value> {
    let rest = some_of(vec![
        ("air_space_mm", mm().boxed()),
        ("outlet_device_mm", mm().boxed()),
        ("outlet_top_mm", mm().boxed()),
    ]);
    (shape(), mm(), rest).prop_map(|(shape, depth, rest)| with(rest, &[("shape", shape), ("liquid_depth_mm", depth)]))
}

fn reading() -> impl Strategy<Value = Value> {
    some_of(vec![
        ("level_mm", signed().boxed()),
        ("scum_mm", mm().boxed()),
        ("sludge_mm", mm().boxed()),
        (
            "sludge_probes_mm",
            prop::collection::vec(mm(), 0..5).prop_map(Value::from).boxed(),
        ),
        ("edge_mm", mm().boxed()),
        ("outlet_device_mm", mm().boxed()),
        ("scum_top_mm", signed().boxed()),
    ])
}

fn visit(past: bool) -> impl Strategy<Value = Value> {
    let mut rest = vec![
        ("residents", people().boxed()),
        ("grinder", any::<bool>().prop_map(Value::from).boxed()),
        ("pumped", any::<bool>().prop_map(Value::from).boxed()),
        ("heel_l", litres().boxed()),
    ];
    if past {
        rest.push(("last_emptied", day().boxed()));
    }
    let readings = prop_oneof![
        reading(),
        prop::collection::vec(reading(), 0..=3).prop_map(|list| json!({"compartments": list}))
    ];
    (day(), some_of(rest), readings).prop_map(|(date, rest, readings)| {
        let mut visit = with(rest, &[("date", date)]);
        visit
            .as_object_mut()
            .unwrap()
            .extend(readings.as_object().unwrap().clone());
        visit
    })
}

fn tank() -> impl Strategy<Value = Value> {
    prop_oneof![
        compartment(),
        prop::collection::vec(compartment(), 1..=3).prop_map(|list| json!({"compartments": list}))
    ]
}

fn input() -> impl Strategy<Value = Value> {
    let ids: Vec<String> = rulefile::embedded().unwrap().into_iter().map(|set| set.id).collect();
    let site = some_of(vec![
        ("residents", people().boxed()),
        ("grinder", any::<bool>().prop_map(Value::from).boxed()),
        ("permit_date", day().boxed()),
        ("new_work", any::<bool>().prop_map(Value::from).boxed()),
    ]);
    let lid = (signed(), prop::option::of(mm())).prop_map(|(cover, opening)| match opening {
        Some(opening) => json!({"name": "a lid", "cover_mm": cover, "opening_mm": opening}),
        None => json!({"name": "a lid", "cover_mm": cover}),
    });
    let section =
        (1..=30_u32, 0..1_000_000_i64).prop_map(|(height, cents)| json!({"height_in": height, "cents": cents}));
    let prices = (0..1_000_000_i64, 0..1_000_000_i64, prop::collection::vec(section, 0..4))
        .prop_map(|(dig, fitting, sections)| json!({"dig_cents": dig, "fitting_cents": fitting, "sections": sections}));
    let rest = some_of(vec![
        ("rule_set", prop::sample::select(ids).prop_map(Value::from).boxed()),
        ("site", site.boxed()),
        ("last_emptied", day().boxed()),
        (
            "history",
            prop::collection::vec(visit(true), 0..3).prop_map(Value::from).boxed(),
        ),
        ("lids", prop::collection::vec(lid, 0..3).prop_map(Value::from).boxed()),
        ("prices", prices.boxed()),
    ]);
    (tank(), visit(false), rest).prop_map(|(tank, visit, rest)| with(rest, &[("tank", tank), ("visit", visit)]))
}

/// Every place in a value, as JSON pointers.
fn places(value: &Value, at: String, found: &mut Vec<String>) {
    match value {
        Value::Object(map) => map
            .iter()
            .for_each(|(key, value)| places(value, format!("{at}/{key}"), found)),
        Value::Array(list) => list
            .iter()
            .enumerate()
            .for_each(|(index, value)| places(value, format!("{at}/{index}"), found)),
        _ => {}
    }
    found.push(at);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whatever_the_schema_allows_is_answered_within_the_schema(input in input()) {
        let output = answer(&input);
        // ISO dates sort as text.
        let dates: Vec<&str> = ["early", "due", "late"].iter().filter_map(|name| output[*name].as_str()).collect();
        prop_assert!(dates.is_empty() || dates.len() == 3);
        prop_assert!(dates.is_sorted(), "{:?}", dates);
        prop_assert_eq!(dates.is_empty(), output["forecast"]["no_date"].is_string());
        for point in output["forecast"]["curve"].as_array().unwrap() {
            let litres: Vec<f64> = ["q25_l", "q50_l", "q75_l", "q90_l"].iter().map(|q| point[*q].as_f64().unwrap()).collect();
            prop_assert!(litres.is_sorted(), "{:?}", litres);
        }
        for verdict in output["rule_sets"].as_array().unwrap() {
            let met = verdict["clauses"].as_array().unwrap().iter().any(|clause| clause["met"] == json!(true));
            prop_assert_eq!(met, verdict["decision"] == json!("pump"));
            prop_assert_eq!(verdict["decision"] == json!("not_measured"), verdict["clause"].is_null());
        }
    }

    #[test]
    fn what_is_read_is_what_the_schema_allows(input in input(), place in any::<prop::sample::Index>(), bad in prop::sample::select(vec![
        json!(null), json!(true), json!(-1), json!(0.5), json!(1e300), json!(4_294_967_296_u64), json!(u64::MAX), json!(i64::MIN),
        json!("x"), json!(""), json!("2026-13-01"), json!([]), json!({}), json!({"kind": "box"}), json!([[[[]]]]),
    ])) {
        let mut input = input;
        let mut all = Vec::new();
        places(&input, String::new(), &mut all);
        let at: &String = place.get(&all);
        *input.pointer_mut(at).unwrap() = bad;
        match work::read(&input.to_string()) {
            Ok(_) => prop_assert_eq!(complaints(&INPUT, &input), Vec::<String>::new(), "{}", input),
            Err(error) => {
                prop_assert!(!INPUT.is_valid(&input), "{} in {}", error, input);
                prop_assert!(!error.path.is_empty() && !error.reason.is_empty());
            }
        }
    }

    #[test]
    fn no_text_makes_the_reader_panic(text in "[\\[{\"a-z_0-9:,.\\]}\\s-]{0,80}") {
        if let Err(error) = work::read(&text) {
            prop_assert!(!error.to_string().is_empty());
        }
        drop(rulefile::parse(&text));
    }
}
