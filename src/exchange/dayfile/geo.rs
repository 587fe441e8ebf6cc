//! The sites of a day on a map: `GeoJSON` (RFC 7946), one feature a site.

use super::WriteError;
use crate::domain::record::{Record as _, Site};
use crate::store::Store;
use crate::store::carry::Carry;
use geojson::{Feature, Geometry, GeometryValue, JsonObject};
use std::io::Write;

/// Degrees from 1e-7 degrees, `None` past the range of a position.
#[must_use]
pub(super) fn degrees(e7: i64) -> Option<f64> {
    i32::try_from(e7).ok().map(|e7| f64::from(e7) / 1.0e7)
}

/// Writes the sites; one without a position has no geometry, as RFC 7946 3.2 allows, so that none is missing.
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
    put("name", &site.name);
    put("address", &site.address);
    put("town", &site.town);
    put("customer", &site.customer);
    put("phone", &site.phone);
    put("note", &site.note);
    if let Some(due) = site.due_on {
        put("next_due_on", &due.to_string());
    }
    let position = site
        .lon_e7
        .and_then(degrees)
        .zip(site.lat_e7.and_then(degrees))
        .map(|(longitude, latitude)| Geometry::new(GeometryValue::new_point([longitude, latitude])));
    Feature {
        id: Some(geojson::feature::Id::String(site.id.to_string())),
        geometry: position,
        properties: Some(properties),
        bbox: None,
        foreign_members: None,
    }
}
