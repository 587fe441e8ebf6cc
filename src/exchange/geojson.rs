//! A site's plan as `GeoJSON` (RFC 7946), written and read with the `geojson` crate.

use super::gpx::{PlanError, read_capped};
use crate::domain::locate::fix::PinKind;
use crate::domain::locate::geodesy::Position;
use crate::domain::locate::plan::{Mark, MarkShape, SitePlan};
use geojson::{Feature, FeatureCollection, GeoJson, Geometry, GeometryValue, JsonObject};
use std::io::Read;

/// The most values, and of them objects, that a map may hold: each takes far more memory than it has bytes in the file.
const MOST_VALUES: usize = 400_000;
const MOST_OBJECTS: usize = 100_000;

/// Returns the plan as a feature collection: a place is a `Point`, a line a `LineString`; properties `name`, `kind`,
/// `error_m` and `note`.
///
/// Degrees have seven decimals, about a centimetre; a line over the antimeridian is cut there into a
/// `MultiLineString`, as RFC 7946 section 3.1.9 asks. Heights are not known and not written.
#[must_use]
pub fn write(plan: &SitePlan) -> String {
    let features = plan.marks.iter().map(|mark| {
        let value = match &mark.shape {
            MarkShape::Place(position) => GeometryValue::new_point(pair(*position)),
            MarkShape::Line(line) => {
                let mut parts = cut_at_antimeridian(line);
                match parts.len() {
                    0 | 1 => GeometryValue::new_line_string(parts.pop().unwrap_or_default()),
                    _ => GeometryValue::new_multi_line_string(parts),
                }
            }
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

/// Longitude first, to seven decimals.
fn pair(position: Position) -> [f64; 2] {
    [seven(position.longitude_deg()), seven(position.latitude_deg())]
}

fn seven(degrees: f64) -> f64 {
    (degrees * 1.0e7).round() / 1.0e7
}

/// The pieces of a line on either side of the antimeridian, each ending on it.
fn cut_at_antimeridian(line: &[Position]) -> Vec<Vec<[f64; 2]>> {
    let mut parts: Vec<Vec<[f64; 2]>> = Vec::new();
    let mut before: Option<Position> = None;
    for at in line {
        let step = before.map_or(0.0, |last| at.longitude_deg() - last.longitude_deg());
        if let Some(last) = before.filter(|_| step.abs() > 180.0) {
            let edge = 180.0_f64.copysign(last.longitude_deg());
            // Within a site a line is straight in degrees too; both ends on the edge meet where they are.
            let whole = step - 360.0_f64.copysign(step);
            let share = if whole.abs() > 0.0 {
                (edge - last.longitude_deg()) / whole
            } else {
                0.0
            };
            let latitude = seven(last.latitude_deg() + share * (at.latitude_deg() - last.latitude_deg()));
            if let Some(part) = parts.last_mut() {
                part.push([edge, latitude]);
            }
            parts.push(vec![[-edge, latitude]]);
        }
        match parts.last_mut() {
            Some(part) => part.push(pair(*at)),
            None => parts.push(vec![pair(*at)]),
        }
        before = Some(*at);
    }
    parts
}

/// Puts lines together again that were cut at the antimeridian.
fn join_at_antimeridian(parts: Vec<Vec<Position>>) -> Vec<Vec<Position>> {
    let on_edge = |at: &Position, edge: f64| (at.longitude_deg() - edge).abs() < 1.0e-9;
    let mut joined: Vec<Vec<Position>> = Vec::new();
    for part in parts {
        let cut = joined
            .last()
            .and_then(|last| last.last())
            .zip(part.first())
            .is_some_and(|(end, start)| {
                let same = (end.latitude_deg() - start.latitude_deg()).abs() < 1.0e-9;
                same && (on_edge(end, 180.0) && on_edge(start, -180.0) || on_edge(end, -180.0) && on_edge(start, 180.0))
            });
        match joined.last_mut() {
            Some(last) if cut => {
                last.pop();
                last.extend(part.into_iter().skip(1));
            }
            _ => joined.push(part),
        }
    }
    joined
}

/// Reads a plan from any `GeoJSON`: a feature collection, one feature or a bare geometry.
///
/// Points become places; lines and the outer rings of polygons become lines. A feature without our `kind`, or the `type` of our
/// GPX, is a landmark.
///
/// # Errors
/// When it is too large, not `GeoJSON`, or holds a coordinate that is not on the Earth; the feature is named by its number.
pub fn read(input: impl Read) -> Result<SitePlan, PlanError> {
    let text = read_capped(input)?;
    let count = |signs: &[u8]| text.bytes().filter(|byte| signs.contains(byte)).count();
    for (found, most, what) in [
        (count(b",[{"), MOST_VALUES, "values"),
        (count(b"{"), MOST_OBJECTS, "objects"),
    ] {
        if found > most {
            return Err(PlanError::TooMuch { most, what });
        }
    }
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
            // The second word of each is what a general tool makes of our GPX.
            kind: ["kind", "type"]
                .into_iter()
                .find_map(|key| PinKind::from_word(&text(key)?))
                .unwrap_or(PinKind::Landmark),
            error_m: ["error_m", "lidmark_error_m"]
                .into_iter()
                .find_map(|key| feature.property(key)?.as_f64())
                .filter(|error| *error >= 0.0),
            note: text("note").or_else(|| text("desc")),
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
    let places = |path: &[geojson::Position]| path.iter().map(place).collect::<Result<Vec<_>, _>>();
    let line = |path: &[geojson::Position]| places(path).map(MarkShape::Line);
    match value {
        GeometryValue::Point { coordinates } => into.push(MarkShape::Place(place(coordinates)?)),
        GeometryValue::MultiPoint { coordinates } => {
            for at in coordinates {
                into.push(MarkShape::Place(place(at)?));
            }
        }
        GeometryValue::LineString { coordinates } => into.push(line(coordinates)?),
        GeometryValue::MultiLineString { coordinates } => {
            let parts = coordinates
                .iter()
                .map(|path| places(path))
                .collect::<Result<Vec<_>, _>>()?;
            into.extend(join_at_antimeridian(parts).into_iter().map(MarkShape::Line));
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
