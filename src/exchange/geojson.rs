//! A site's plan as `GeoJSON` (RFC 7946), written and read with the `geojson` crate.

use super::gpx::{PlanError, read_capped};
use crate::domain::locate::fix::PinKind;
use crate::domain::locate::geodesy::Position;
use crate::domain::locate::plan::{Mark, MarkShape, SitePlan};
use geojson::{Feature, FeatureCollection, GeoJson, Geometry, GeometryValue, JsonObject};
use std::io::Read;

/// Returns the plan as a feature collection: a place is a `Point`, a line a `LineString`; properties `name`, `kind`,
/// `error_m` and `note`.
#[must_use]
pub fn write(plan: &SitePlan) -> String {
    let features = plan.marks.iter().map(|mark| {
        let value = match &mark.shape {
            MarkShape::Place(position) => GeometryValue::new_point(pair(*position)),
            MarkShape::Line(line) => GeometryValue::new_line_string(line.iter().map(|at| pair(*at))),
        };
        let mut properties = JsonObject::new();
        properties.insert("name".into(), mark.name.clone().into());
        properties.insert("kind".into(), mark.kind.word().into());
        if let Some(error_m) = mark.error_m.filter(|error| error.is_finite()) {
            properties.insert("error_m".into(), ((error_m * 1000.0).round() / 1000.0).into());
        }
        if let Some(note) = &mark.note {
            properties.insert("note".into(), note.clone().into());
        }
        Feature {
            properties: Some(properties),
            ..Feature::from(Geometry::new(value))
        }
    });
    let mut collection = FeatureCollection::new(features);
    let mut foreign = JsonObject::new();
    foreign.insert("name".into(), plan.name.clone().into());
    collection.foreign_members = Some(foreign);
    GeoJson::from(collection).to_string()
}

/// Longitude first, to the nine decimals (0.1 mm) that survive a round trip.
fn pair(position: Position) -> [f64; 2] {
    let short = |degrees: f64| (degrees * 1.0e9).round() / 1.0e9;
    [short(position.longitude_deg()), short(position.latitude_deg())]
}

/// Reads a plan from any `GeoJSON`: a feature collection, one feature or a bare geometry.
///
/// Points become places; lines and the outer rings of polygons become lines. A feature without our `kind` is a landmark.
///
/// # Errors
/// When it is too large, not `GeoJSON`, or holds a coordinate that is not on the Earth; the feature is named by its number.
pub fn read(input: impl Read) -> Result<SitePlan, PlanError> {
    let text = read_capped(input)?;
    let parsed: GeoJson = text
        .parse()
        .map_err(|error: geojson::Error| PlanError::NotGeoJson(error.to_string()))?;
    let (name, features) = match parsed {
        GeoJson::FeatureCollection(all) => {
            let name = all
                .foreign_members
                .as_ref()
                .and_then(|members| members.get("name")?.as_str().map(str::to_owned));
            (name, all.features)
        }
        GeoJson::Feature(feature) => (None, vec![feature]),
        GeoJson::Geometry(geometry) => (None, vec![Feature::from(geometry)]),
    };
    let mut plan = SitePlan {
        name: name.unwrap_or_default(),
        marks: Vec::new(),
    };
    for (index, feature) in features.into_iter().enumerate() {
        let number = index + 1;
        let text = |key: &str| {
            feature
                .property(key)
                .and_then(|value| value.as_str())
                .map(str::to_owned)
        };
        let mark = |shape| Mark {
            name: text("name").unwrap_or_else(|| format!("mark {number}")),
            kind: text("kind")
                .and_then(|word| PinKind::from_word(&word))
                .unwrap_or(PinKind::Landmark),
            error_m: feature
                .property("error_m")
                .and_then(serde_json::Value::as_f64)
                .filter(|error| *error >= 0.0),
            note: text("note"),
            shape,
        };
        if let Some(geometry) = &feature.geometry {
            let mut shapes = Vec::new();
            collect(&geometry.value, &mut shapes, number)?;
            plan.marks.extend(shapes.into_iter().map(mark));
        }
    }
    Ok(plan)
}

fn collect(value: &GeometryValue, into: &mut Vec<MarkShape>, feature: usize) -> Result<(), PlanError> {
    let place = |at: &geojson::Position| match at.as_slice() {
        [longitude, latitude, ..] => {
            Position::new(*latitude, *longitude).map_err(|source| PlanError::Position { mark: feature, source })
        }
        _ => Err(PlanError::ShortCoordinate { mark: feature }),
    };
    let line = |path: &[geojson::Position]| {
        path.iter()
            .map(place)
            .collect::<Result<Vec<_>, _>>()
            .map(MarkShape::Line)
    };
    match value {
        GeometryValue::Point { coordinates } => into.push(MarkShape::Place(place(coordinates)?)),
        GeometryValue::MultiPoint { coordinates } => {
            for at in coordinates {
                into.push(MarkShape::Place(place(at)?));
            }
        }
        GeometryValue::LineString { coordinates } => into.push(line(coordinates)?),
        GeometryValue::MultiLineString { coordinates } => {
            for path in coordinates {
                into.push(line(path)?);
            }
        }
        GeometryValue::Polygon { coordinates } => {
            if let Some(outer) = coordinates.first() {
                into.push(line(outer)?);
            }
        }
        GeometryValue::MultiPolygon { coordinates } => {
            for outer in coordinates.iter().filter_map(|rings| rings.first()) {
                into.push(line(outer)?);
            }
        }
        GeometryValue::GeometryCollection { geometries } => {
            for part in geometries {
                collect(&part.value, into, feature)?;
            }
        }
    }
    Ok(())
}
