//! The facts of a stop as a work file, the way [`super::work::read`] takes them.

use crate::domain::assess::WorkInput;
use crate::domain::reading::{Reading, Visit};
use crate::domain::tank::TankShape;
use serde_json::{Map, Value, json};

/// Writes the facts of one or more tanks at one stop.
///
/// * `tanks`: a name and the facts of each tank; all share the first one's household and prices
#[must_use]
pub fn write(rule_set: &str, tanks: &[(String, WorkInput)]) -> Value {
    let mut file = Map::new();
    file.insert("rule_set".to_owned(), json!(rule_set));
    if let Some((_, first)) = tanks.first() {
        file.insert("site".to_owned(), site(first));
        if let Some(prices) = &first.prices {
            let sections = prices
                .sections
                .iter()
                .map(|(inches, price)| json!({"height_in": inches, "cents": price.0}))
                .collect::<Vec<_>>();
            file.insert(
                "prices".to_owned(),
                json!({"dig_cents": prices.dig.0, "fitting_cents": prices.fitting.0, "sections": sections}),
            );
        }
    }
    match tanks {
        [(_, only)] => file.extend(tank(only)),
        several => {
            let list = several
                .iter()
                .map(|(name, input)| {
                    let mut one = tank(input);
                    one.insert("name".to_owned(), json!(name));
                    Value::Object(one)
                })
                .collect::<Vec<_>>();
            file.insert("tanks".to_owned(), Value::Array(list));
        }
    }
    Value::Object(file)
}

fn site(input: &WorkInput) -> Value {
    let mut site = Map::new();
    put(&mut site, "residents", input.site.residents.map(|people| json!(people)));
    site.insert("grinder".to_owned(), json!(input.site.grinder));
    put(
        &mut site,
        "permit_date",
        input.site.permit_date.map(|date| json!(date.to_string())),
    );
    if input.site.new_work {
        site.insert("new_work".to_owned(), json!(true));
    }
    Value::Object(site)
}

fn put(map: &mut Map<String, Value>, key: &str, value: Option<Value>) {
    if let Some(value) = value {
        map.insert(key.to_owned(), value);
    }
}

fn tank(input: &WorkInput) -> Map<String, Value> {
    let compartments = input
        .tank
        .compartments
        .iter()
        .map(|compartment| {
            let mut map = Map::new();
            map.insert("shape".to_owned(), shape(&compartment.shape));
            if compartment.liquid_depth.as_mm() > 0 {
                map.insert("liquid_depth_mm".to_owned(), json!(compartment.liquid_depth.as_mm()));
            }
            put(
                &mut map,
                "air_space_mm",
                compartment.air_space.map(|length| json!(length.as_mm())),
            );
            put(
                &mut map,
                "outlet_device_mm",
                compartment.outlet_device.map(|length| json!(length.as_mm())),
            );
            put(
                &mut map,
                "outlet_top_mm",
                compartment.outlet_top.map(|length| json!(length.as_mm())),
            );
            Value::Object(map)
        })
        .collect::<Vec<_>>();
    let mut one = Map::new();
    one.insert("tank".to_owned(), json!({ "compartments": compartments }));
    put(
        &mut one,
        "last_emptied",
        input.last_emptied.map(|date| json!(date.to_string())),
    );
    one.insert("visit".to_owned(), Value::Object(visit(&input.visit)));
    let history = input
        .history
        .iter()
        .map(|past| {
            let mut map = visit(&past.visit);
            put(
                &mut map,
                "last_emptied",
                past.last_emptied.map(|date| json!(date.to_string())),
            );
            Value::Object(map)
        })
        .collect::<Vec<_>>();
    one.insert("history".to_owned(), Value::Array(history));
    let lids = input
        .lids
        .iter()
        .map(|lid| {
            let mut map = Map::new();
            map.insert("name".to_owned(), json!(lid.name));
            map.insert("cover_mm".to_owned(), json!(lid.cover.as_mm()));
            put(&mut map, "opening_mm", lid.opening.map(|length| json!(length.as_mm())));
            Value::Object(map)
        })
        .collect::<Vec<_>>();
    one.insert("lids".to_owned(), Value::Array(lids));
    one
}

fn visit(visit: &Visit) -> Map<String, Value> {
    let mut map = Map::new();
    map.insert("date".to_owned(), json!(visit.date.to_string()));
    map.insert("pumped".to_owned(), json!(visit.pumped));
    put(&mut map, "heel_l", visit.heel.map(|heel| json!(heel.as_litres())));
    put(&mut map, "residents", visit.residents.map(|people| json!(people)));
    put(&mut map, "grinder", visit.grinder.map(|grinder| json!(grinder)));
    let readings = visit
        .readings
        .iter()
        .map(|r| Value::Object(reading(r)))
        .collect::<Vec<_>>();
    if !readings.is_empty() {
        map.insert("compartments".to_owned(), Value::Array(readings));
    }
    map
}

fn reading(reading: &Reading) -> Map<String, Value> {
    let mut map = Map::new();
    map.insert("level_mm".to_owned(), json!(reading.level.as_mm()));
    put(&mut map, "scum_mm", reading.scum.map(|length| json!(length.as_mm())));
    put(
        &mut map,
        "sludge_mm",
        reading.sludge.map(|length| json!(length.as_mm())),
    );
    if !reading.sludge_probes.is_empty() {
        let probes = reading
            .sludge_probes
            .iter()
            .map(|length| length.as_mm())
            .collect::<Vec<_>>();
        map.insert("sludge_probes_mm".to_owned(), json!(probes));
    }
    put(&mut map, "edge_mm", reading.edge.map(|length| json!(length.as_mm())));
    put(
        &mut map,
        "outlet_device_mm",
        reading.outlet_device.map(|length| json!(length.as_mm())),
    );
    put(
        &mut map,
        "scum_top_mm",
        reading.scum_top.map(|height| json!(height.as_mm())),
    );
    map
}

fn shape(shape: &TankShape) -> Value {
    match shape {
        TankShape::Box { length, width } => {
            json!({"kind": "box", "length_mm": length.as_mm(), "width_mm": width.as_mm()})
        }
        TankShape::UprightCylinder { diameter } => json!({"kind": "upright_cylinder", "diameter_mm": diameter.as_mm()}),
        TankShape::LevelCylinder { diameter, length } => {
            json!({"kind": "level_cylinder", "diameter_mm": diameter.as_mm(), "length_mm": length.as_mm()})
        }
        TankShape::ObroundPlan { length, width } => {
            json!({"kind": "obround_plan", "length_mm": length.as_mm(), "width_mm": width.as_mm()})
        }
        TankShape::ObroundSection {
            radius,
            straight,
            length,
        } => json!({
            "kind": "obround_section",
            "radius_mm": radius.as_mm(),
            "straight_mm": straight.as_mm(),
            "length_mm": length.as_mm(),
        }),
        TankShape::EllipseSection { height, width, length } => json!({
            "kind": "ellipse_section",
            "height_mm": height.as_mm(),
            "width_mm": width.as_mm(),
            "length_mm": length.as_mm(),
        }),
        TankShape::DipTable { rows } => {
            let rows = rows
                .iter()
                .map(|row| json!([row.depth.as_mm(), row.volume.as_litres()]))
                .collect::<Vec<_>>();
            json!({"kind": "dip_table", "rows": rows})
        }
        TankShape::Nominal { capacity } => json!({"kind": "nominal", "litres": capacity.as_litres()}),
    }
}
