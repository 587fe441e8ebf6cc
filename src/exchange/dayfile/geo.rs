//! The sites of a day on a map, and the photos that know where they were taken: `GeoJSON` (RFC 7946).

use super::WriteError;
use crate::domain::record::{Photo, Record as _, Site};
use crate::store::Store;
use crate::store::carry::Carry;
use geojson::{Feature, Geometry, GeometryValue, JsonObject};
use std::io::Write;

/// Degrees from 1e-7 degrees, `None` past the range of a position.
#[must_use]
pub(super) fn degrees(e7: i64) -> Option<f64> {
    i32::try_from(e7).ok().map(|e7| f64::from(e7) / 1.0e7)
}

/// Writes the sites and then the photos; a site without a position has no geometry, as RFC 7946 3.2 allows, so that none is missing.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    out.write_all(b"{\"type\":\"FeatureCollection\",\"features\":[")?;
    let mut first = true;
    store.each_record(carry, |site: Site| -> Result<(), WriteError> {
        if site.is_removed() {
            return Ok(());
        }
        out.write_all(if first { b"\n" } else { b",\n" })?;
        first = false;
        serde_json::to_writer(&mut *out, &feature(&site))?;
        Ok(())
    })?;
    store.each_record(carry, |photo: Photo| -> Result<(), WriteError> {
        // A photo without a position is in the table of photos; on the map it would only repeat its site.
        let Some(place) = point(photo.lat_e7, photo.lon_e7).filter(|_| !photo.removed) else {
            return Ok(());
        };
        out.write_all(if first { b"\n" } else { b",\n" })?;
        first = false;
        serde_json::to_writer(&mut *out, &photo_feature(&photo, place))?;
        Ok(())
    })?;
    out.write_all(b"\n]}\n")?;
    Ok(())
}

fn feature(site: &Site) -> Feature {
    let mut properties = JsonObject::new();
    let mut put = |name: &str, text: &str| {
        if !text.is_empty() {
            properties.insert(name.to_owned(), text.into());
        }
    };
    put("kind", "site");
    put("name", &site.name);
    put("address", &site.address);
    put("town", &site.town);
    put("customer", &site.customer);
    put("phone", &site.phone);
    put("note", &site.note);
    if let Some(due) = site.due_on {
        put("next_due_on", &due.to_string());
    }
    Feature {
        id: Some(geojson::feature::Id::String(site.id.to_string())),
        geometry: point(site.lat_e7, site.lon_e7),
        properties: Some(properties),
        bbox: None,
        foreign_members: None,
    }
}

fn photo_feature(photo: &Photo, place: Geometry) -> Feature {
    let mut properties = JsonObject::new();
    properties.insert("kind".to_owned(), "photo".into());
    properties.insert("shows".to_owned(), photo.part.word().into());
    properties.insert("file".to_owned(), format!("photos/{}.jpg", photo.hash).into());
    properties.insert("site_id".to_owned(), photo.site.to_string().into());
    if !photo.note.is_empty() {
        properties.insert("note".to_owned(), photo.note.as_str().into());
    }
    Feature {
        id: Some(geojson::feature::Id::String(photo.id.to_string())),
        geometry: Some(place),
        properties: Some(properties),
        bbox: None,
        foreign_members: None,
    }
}

/// A place on the map; `None` when it is not known.
fn point(lat_e7: Option<i64>, lon_e7: Option<i64>) -> Option<Geometry> {
    let (longitude, latitude) = lon_e7.and_then(degrees).zip(lat_e7.and_then(degrees))?;
    Some(Geometry::new(GeometryValue::new_point([longitude, latitude])))
}
