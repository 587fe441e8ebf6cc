//! Which sites lie where: in a town, near a place, inside areas on a map.

use super::Refusal;
use super::due::degrees;
use super::files::Kept;
use super::options;
use crate::exchange::customer_list::folded;
use crate::say::figures::Figures;
use crate::say::words::Words;
use geo::{Contains, Distance, Geodesic, Intersects, MultiPolygon, Point, Polygon};
use geojson::{GeoJson, Geometry, GeometryValue};
use std::path::Path;

/// Where a site must lie; whatever is not said does not count.
#[derive(Clone, Debug, Default)]
pub struct Area {
    towns: Vec<String>,
    place_e7: Option<(i64, i64)>,
    within_m: Option<f64>,
    shapes: Option<MultiPolygon<f64>>,
}

/// Returns a position as a point, longitude first.
#[must_use]
pub fn point((lat, lon): (i64, i64)) -> Point<f64> {
    Point::new(degrees(lon), degrees(lat))
}

impl Area {
    /// Reads what was asked for.
    ///
    /// # Errors
    /// When a place, a distance or a map cannot be read.
    pub fn read(
        towns: &[String],
        near: Option<&str>,
        within: Option<&str>,
        map: Option<&Path>,
        figures: Figures,
        kept: &Kept,
    ) -> Result<Self, Refusal> {
        let words = figures.words;
        let place_e7 = near.map(|text| options::place(text, words)).transpose()?;
        let within_m = within.map(|text| options::distance(text, figures)).transpose()?;
        if within_m.is_some() && place_e7.is_none() {
            return Err(Refusal::input(
                words.t("A distance needs a place to measure from."),
                words.t("Give it with --near LATITUDE,LONGITUDE."),
            ));
        }
        Ok(Self {
            towns: towns.iter().map(|town| folded(town)).collect(),
            place_e7,
            within_m,
            shapes: map.map(|path| shapes(path, kept, words)).transpose()?,
        })
    }

    /// Whether there is a place to measure from.
    #[must_use]
    pub const fn has_place(&self) -> bool {
        self.place_e7.is_some()
    }

    /// Returns how far a position lies from the place, along the ellipsoid, metres.
    #[must_use]
    pub fn metres(&self, at_e7: (i64, i64)) -> Option<f64> {
        Some(Geodesic.distance(point(self.place_e7?), point(at_e7)))
    }

    /// Whether a site in `town` at a position lies in the area. A site with no position lies near nothing.
    #[must_use]
    pub fn holds(&self, town: &str, at_e7: Option<(i64, i64)>) -> bool {
        let in_town = self.towns.is_empty() || self.towns.contains(&folded(town));
        let is_near = self
            .within_m
            .is_none_or(|within| at_e7.is_some_and(|at| self.metres(at).is_some_and(|metres| metres <= within)));
        let is_inside = self
            .shapes
            .as_ref()
            .is_none_or(|shapes| at_e7.is_some_and(|at| shapes.contains(&point(at)) || shapes.intersects(&point(at))));
        in_town && is_near && is_inside
    }
}

/// Reads every polygon of a `GeoJSON` file (RFC 7946); holes count.
fn shapes(path: &Path, kept: &Kept, words: Words) -> Result<MultiPolygon<f64>, Refusal> {
    let shown = path.display().to_string();
    let bytes = kept.read(path, &mut std::io::empty(), words)?;
    let parsed = String::from_utf8(bytes)
        .map_err(|error| error.to_string())
        .and_then(|text| text.parse::<GeoJson>().map_err(|error| error.to_string()))
        .map_err(|error| {
            Refusal::refused(
                words.f("{0} is not a GeoJSON map: {1}", &[&shown, &error]),
                words.t("Export the area as GeoJSON from a map program."),
            )
        })?;
    let mut polygons = Vec::new();
    match &parsed {
        GeoJson::Geometry(geometry) => collect(geometry, &mut polygons),
        GeoJson::Feature(feature) => feature.geometry.iter().for_each(|g| collect(g, &mut polygons)),
        GeoJson::FeatureCollection(list) => list
            .features
            .iter()
            .filter_map(|feature| feature.geometry.as_ref())
            .for_each(|geometry| collect(geometry, &mut polygons)),
    }
    if polygons.is_empty() {
        return Err(Refusal::refused(
            words.f("{0} holds no area.", &[&shown]),
            words.t("Draw it as a polygon and export it again."),
        ));
    }
    Ok(MultiPolygon::new(polygons))
}

fn collect(geometry: &Geometry, into: &mut Vec<Polygon<f64>>) {
    match &geometry.value {
        GeometryValue::Polygon { .. } | GeometryValue::MultiPolygon { .. } => {
            match geo::Geometry::<f64>::try_from(geometry.clone()) {
                Ok(geo::Geometry::Polygon(polygon)) => into.push(polygon),
                Ok(geo::Geometry::MultiPolygon(many)) => into.extend(many.0),
                _ => {}
            }
        }
        GeometryValue::GeometryCollection { geometries } => {
            for geometry in geometries {
                collect(geometry, into);
            }
        }
        _ => {}
    }
}
