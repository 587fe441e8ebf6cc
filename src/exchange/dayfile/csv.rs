//! The day as plain tables (RFC 4180, UTF-8, a header line that names the units), for an office without this program.

use super::WriteError;
use super::geo::degrees;
use crate::domain::record::{
    Cell, Compartment, Kind, Pumping, Reading, Record, Site, SiteId, Stop, StopId, Tank, TankId,
};
use crate::domain::units::Length;
use crate::store::Store;
use crate::store::carry::Carry;
use chrono::{DateTime, FixedOffset};
use std::collections::HashMap;
use std::io::Write;
use uuid::Uuid;

type Table<'a> = ::csv::Writer<&'a mut dyn Write>;

fn table<'a>(out: &'a mut dyn Write, header: &[&str]) -> Result<Table<'a>, WriteError> {
    let mut table = ::csv::WriterBuilder::new()
        .terminator(::csv::Terminator::CRLF)
        .from_writer(out);
    table.write_record(header)?;
    Ok(table)
}

fn yes_no(fact: Option<bool>) -> &'static str {
    match fact {
        Some(true) => "yes",
        Some(false) => "no",
        None => "",
    }
}

fn litres(ml: Option<i64>) -> String {
    ml.map(|ml| decimal(ml, 1_000, 3)).unwrap_or_default()
}

/// Writes `parts / per` with that many decimals, exactly.
fn decimal(parts: i64, per: u64, decimals: usize) -> String {
    let sign = if parts < 0 { "-" } else { "" };
    let parts = parts.unsigned_abs();
    let (whole, rest) = (parts / per, parts % per);
    format!("{sign}{whole}.{rest:0decimals$}")
}

fn moment(at: Option<DateTime<FixedOffset>>) -> String {
    at.map(|at| at.to_rfc3339_opts(chrono::SecondsFormat::Secs, false))
        .unwrap_or_default()
}

fn shown<T: ToString>(value: Option<T>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// One kind of record as it is kept: the id and every field, the unit in the field's name, taken-away records included.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_kind(
    store: &Store,
    carry: &Carry,
    kind: &'static Kind,
    phone: Uuid,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    let header = std::iter::once("id")
        .chain(kind.fields.iter().copied())
        .collect::<Vec<_>>();
    let mut table = table(out, &header)?;
    store.each_carried(carry, kind, phone, |id, fields| -> Result<(), WriteError> {
        let values = fields.iter().map(|field| match &field.value {
            Cell::Null => String::new(),
            Cell::Int(whole) => whole.to_string(),
            Cell::Text(text) => text.clone(),
        });
        table.write_record(std::iter::once(id.to_string()).chain(values))?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// The sites.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_sites(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let mut table = table(
        out,
        &[
            "name",
            "address",
            "town",
            "customer",
            "phone",
            "language",
            "people",
            "garbage_grinder",
            "permitted_on",
            "latitude_deg",
            "longitude_deg",
            "note",
            "rule_set",
            "next_due_on",
            "site_id",
        ],
    )?;
    store.each_record(carry, |site: Site| -> Result<(), WriteError> {
        if site.is_removed() {
            return Ok(());
        }
        let angle = |e7: Option<i64>| {
            e7.filter(|e7| degrees(*e7).is_some())
                .map(|e7| decimal(e7, 10_000_000, 7))
                .unwrap_or_default()
        };
        table.write_record([
            site.name,
            site.address,
            site.town,
            site.customer,
            site.phone,
            site.language
                .map(|language| language.word().to_owned())
                .unwrap_or_default(),
            site.residents_tenths
                .map(|tenths| decimal(tenths, 10, 1))
                .unwrap_or_default(),
            yes_no(site.grinder).to_owned(),
            shown(site.permit_on),
            angle(site.lat_e7),
            angle(site.lon_e7),
            site.note,
            site.rule_set,
            shown(site.due_on),
            site.id.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// The names that rows of other tables show.
struct Names {
    sites: HashMap<SiteId, (String, String)>,
    tanks: HashMap<TankId, String>,
    stops: HashMap<StopId, Stop>,
}

impl Names {
    fn read(store: &Store, carry: &Carry) -> Result<Self, WriteError> {
        let mut names = Self {
            sites: HashMap::new(),
            tanks: HashMap::new(),
            stops: HashMap::new(),
        };
        store.each_record(carry, |site: Site| -> Result<(), WriteError> {
            let address = [site.address, site.town]
                .into_iter()
                .filter(|part| !part.is_empty())
                .collect::<Vec<_>>()
                .join(", ");
            names.sites.insert(site.id, (site.name, address));
            Ok(())
        })?;
        store.each_record(carry, |tank: Tank| -> Result<(), WriteError> {
            names.tanks.insert(tank.id, tank.name);
            Ok(())
        })?;
        store.each_record(carry, |stop: Stop| -> Result<(), WriteError> {
            let kept = Stop {
                // The strokes are a part of their own.
                signature: String::new(),
                ..stop
            };
            names.stops.insert(kept.id, kept);
            Ok(())
        })?;
        Ok(names)
    }

    /// The stop's day, place, site and address.
    fn stop(&self, id: StopId) -> Option<[String; 4]> {
        let stop = self.stops.get(&id).filter(|stop| !stop.removed)?;
        let (site, address) = self.sites.get(&stop.site).cloned().unwrap_or_default();
        Some([
            stop.day.to_string(),
            stop.place.saturating_add(1).to_string(),
            site,
            address,
        ])
    }
}

/// The stops, in the order of the day.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_stops(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let names = Names::read(store, carry)?;
    let mut out_ml: HashMap<StopId, i64> = HashMap::new();
    store.each_record(carry, |pumping: Pumping| -> Result<(), WriteError> {
        if let (false, Some(ml)) = (pumping.removed, pumping.out_ml) {
            let sum = out_ml.entry(pumping.stop).or_default();
            *sum = sum.saturating_add(ml);
        }
        Ok(())
    })?;
    let mut table = table(
        out,
        &[
            "day",
            "place",
            "site",
            "address",
            "arrived_at",
            "finished_at",
            "people",
            "taken_out_l",
            "how_found",
            "found",
            "lids_closed",
            "signed_by",
            "signed_at",
            "stop_id",
            "site_id",
        ],
    )?;
    let mut stops = names.stops.values().filter(|stop| !stop.removed).collect::<Vec<_>>();
    stops.sort_by_key(|stop| (stop.day, stop.place, stop.id));
    for stop in stops {
        let Some([day, place, site, address]) = names.stop(stop.id) else {
            continue;
        };
        table.write_record([
            day,
            place,
            site,
            address,
            moment(stop.started_at),
            moment(stop.finished_at),
            stop.residents_tenths
                .map(|tenths| decimal(tenths, 10, 1))
                .unwrap_or_default(),
            litres(out_ml.get(&stop.id).copied()),
            stop.find_note.clone(),
            stop.found_note.clone(),
            yes_no(stop.lids_closed).to_owned(),
            stop.signed_name.clone(),
            moment(stop.signed_at),
            stop.id.to_string(),
            stop.site.to_string(),
        ])?;
    }
    table.flush()?;
    Ok(())
}

/// What was taken out of each tank.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_loads(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let names = Names::read(store, carry)?;
    let mut table = table(
        out,
        &[
            "day",
            "place",
            "site",
            "address",
            "tank",
            "pumped",
            "taken_out_l",
            "left_in_l",
            "rinsed",
            "stop_id",
            "tank_id",
        ],
    )?;
    store.each_record(carry, |pumping: Pumping| -> Result<(), WriteError> {
        let Some([day, place, site, address]) = names.stop(pumping.stop).filter(|_| !pumping.removed) else {
            return Ok(());
        };
        table.write_record([
            day,
            place,
            site,
            address,
            names.tanks.get(&pumping.tank).cloned().unwrap_or_default(),
            yes_no(pumping.pumped).to_owned(),
            litres(pumping.out_ml),
            litres(pumping.heel_ml),
            yes_no(pumping.rinsed).to_owned(),
            pumping.stop.to_string(),
            pumping.tank.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// What was read in each compartment.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_readings(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let names = Names::read(store, carry)?;
    let mut compartments = HashMap::new();
    store.each_record(carry, |compartment: Compartment| -> Result<(), WriteError> {
        compartments.insert(compartment.id, (compartment.tank, compartment.place));
        Ok(())
    })?;
    let mut table = table(
        out,
        &[
            "day",
            "place",
            "site",
            "address",
            "tank",
            "compartment",
            "level_above_outlet_mm",
            "scum_mm",
            "sludge_mm",
            "sludge_probes_mm",
            "stop_id",
            "compartment_id",
        ],
    )?;
    store.each_record(carry, |reading: Reading| -> Result<(), WriteError> {
        let Some([day, place, site, address]) = names.stop(reading.stop).filter(|_| !reading.removed) else {
            return Ok(());
        };
        let (tank, number) = compartments
            .get(&reading.compartment)
            .map(|(tank, place)| {
                let name = names.tanks.get(tank).cloned().unwrap_or_default();
                (name, place.saturating_add(1).to_string())
            })
            .unwrap_or_default();
        table.write_record([
            day,
            place,
            site,
            address,
            tank,
            number,
            shown(reading.level_mm),
            shown(reading.scum_mm.map(Length::as_mm)),
            shown(reading.sludge_mm.map(Length::as_mm)),
            reading.probes_mm.trim_matches(['[', ']']).replace(',', " "),
            reading.stop.to_string(),
            reading.compartment.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fractions_are_written_exactly() {
        assert_eq!(litres(Some(3_785_412)), "3785.412");
        assert_eq!(litres(Some(5)), "0.005");
        assert_eq!(litres(None), "");
        assert_eq!(decimal(-1_234_567, 10_000_000, 7), "-0.1234567");
        assert_eq!(decimal(i64::MIN, 10, 1), "-922337203685477580.8");
    }
}
