//! The day as plain tables (RFC 4180, UTF-8, a header line that names the units), for an office without this program.

use super::WriteError;
use super::geo::degrees;
use super::write::Blob;
use crate::domain::money::line_amount;
use crate::domain::record::{
    Cell, Compartment, Disposal, Kind, LoadCorrection, Photo, Pumping, Reading, Record, Site, SiteId, Stop, StopId,
    Tank, TankId, Truck, TruckTank, TruckTankId, WorkLine,
};
use crate::domain::units::Length;
use crate::exchange::table::TableWriter;
use crate::store::Store;
use crate::store::carry::Carry;
use chrono::{DateTime, FixedOffset};
use std::collections::{HashMap, HashSet};
use std::io::Write;
use uuid::Uuid;

type Table<'a> = TableWriter<&'a mut dyn Write>;

fn table<'a>(out: &'a mut dyn Write, header: &[&str]) -> Result<Table<'a>, WriteError> {
    let mut table = TableWriter::new(out);
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

/// Millionths as percent, with a decimal at the least and none that is needless.
fn percent(ppm: i64) -> String {
    let text = decimal(ppm, 10_000, 4);
    let needless = text.bytes().rev().take(3).take_while(|digit| *digit == b'0').count();
    text.get(..text.len() - needless).map(str::to_owned).unwrap_or(text)
}

fn moment(at: Option<DateTime<FixedOffset>>) -> String {
    at.map(|at| at.to_rfc3339_opts(chrono::SecondsFormat::Secs, false))
        .unwrap_or_default()
}

/// Degrees, exactly; nothing past the range of a position.
fn angle(e7: Option<i64>) -> String {
    e7.filter(|e7| degrees(*e7).is_some())
        .map(|e7| decimal(e7, 10_000_000, 7))
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
    let (names, trucks) = (Names::read(store, carry)?, truck_names(store, carry)?);
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
            "waste",
            "truck",
            "truck_tank",
            "into_second_l",
            "second_truck",
            "second_truck_tank",
            "stop_id",
            "tank_id",
        ],
    )?;
    store.each_record(carry, |pumping: Pumping| -> Result<(), WriteError> {
        let Some([day, place, site, address]) = names.stop(pumping.stop).filter(|_| !pumping.removed) else {
            return Ok(());
        };
        let called = |tank: Option<TruckTankId>| tank.and_then(|tank| trucks.get(&tank).cloned()).unwrap_or_default();
        let [truck, truck_tank] = called(pumping.truck_tank);
        let over = pumping
            .parts(pumping.truck_tank)
            .into_iter()
            .find(|(tank, _)| Some(*tank) != pumping.truck_tank);
        let [second_truck, second_tank] = called(over.map(|(tank, _)| tank));
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
            pumping.waste.map(|waste| waste.word().to_owned()).unwrap_or_default(),
            truck,
            truck_tank,
            litres(over.map(|(_, ml)| ml)),
            second_truck,
            second_tank,
            pumping.stop.to_string(),
            pumping.tank.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// The trucks and their tanks, by name.
fn truck_names(store: &Store, carry: &Carry) -> Result<HashMap<TruckTankId, [String; 2]>, WriteError> {
    let mut trucks = HashMap::new();
    store.each_record(carry, |truck: Truck| -> Result<(), WriteError> {
        let name = if truck.name.is_empty() { truck.plate } else { truck.name };
        trucks.insert(truck.id, name);
        Ok(())
    })?;
    let mut tanks = HashMap::new();
    store.each_record(carry, |tank: TruckTank| -> Result<(), WriteError> {
        let number = if tank.name.is_empty() {
            tank.place.saturating_add(1).to_string()
        } else {
            tank.name
        };
        tanks.insert(tank.id, [trucks.get(&tank.truck).cloned().unwrap_or_default(), number]);
        Ok(())
    })?;
    Ok(tanks)
}

/// What was let out, where, and who took it.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_disposals(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let trucks = truck_names(store, carry)?;
    let mut table = table(
        out,
        &[
            "at",
            "truck",
            "truck_tank",
            "place",
            "address",
            "permit",
            "operator",
            "method",
            "let_out_l",
            "accepted_l",
            "ticket",
            "receiver",
            "signed_at",
            "discrepancy",
            "treatment",
            "land_rate",
            "disposal_id",
        ],
    )?;
    store.each_record(carry, |disposal: Disposal| -> Result<(), WriteError> {
        if disposal.removed {
            return Ok(());
        }
        let [truck, tank] = trucks.get(&disposal.truck_tank).cloned().unwrap_or_default();
        table.write_record([
            moment(disposal.at),
            truck,
            tank,
            disposal.place,
            disposal.address,
            disposal.permit,
            disposal.operator,
            disposal
                .method
                .map(|method| method.word().to_owned())
                .unwrap_or_default(),
            litres(Some(disposal.out_ml)),
            litres(disposal.accepted_ml),
            disposal.ticket,
            disposal.receiver_name,
            moment(disposal.receiver_signed_at),
            disposal.discrepancy,
            disposal.treatment,
            disposal.land_rate,
            disposal.id.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// What was put right in the load, and why.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_corrections(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let trucks = truck_names(store, carry)?;
    let mut table = table(
        out,
        &[
            "at",
            "truck",
            "truck_tank",
            "change_l",
            "reason",
            "corrects_id",
            "correction_id",
        ],
    )?;
    store.each_record(carry, |correction: LoadCorrection| -> Result<(), WriteError> {
        if correction.removed {
            return Ok(());
        }
        let [truck, tank] = trucks.get(&correction.truck_tank).cloned().unwrap_or_default();
        table.write_record([
            moment(correction.at),
            truck,
            tank,
            litres(Some(correction.change_ml)),
            correction.reason,
            correction.corrects,
            correction.id.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// The lines of the slips, each with what it comes to before tax; tax is taken once a slip and rate, not here.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_work(store: &Store, carry: &Carry, out: &mut dyn Write) -> Result<(), WriteError> {
    let names = Names::read(store, carry)?;
    let mut table = table(
        out,
        &[
            "day",
            "place",
            "site",
            "address",
            "line",
            "work",
            "quantity",
            "unit_price",
            "amount_before_tax",
            "tax_percent",
            "accepted",
            "stop_id",
            "work_line_id",
        ],
    )?;
    store.each_record(carry, |line: WorkLine| -> Result<(), WriteError> {
        let Some([day, place, site, address]) = names.stop(line.stop).filter(|_| !line.removed) else {
            return Ok(());
        };
        // A price that nobody gave is an empty cell, not 0.00.
        let priced = !line.unpriced();
        let price = priced.then(|| decimal(line.unit_price.0, 100, 2));
        let amount = line_amount(&line)
            .filter(|_| priced)
            .map(|cents| decimal(cents.0, 100, 2));
        let tax = percent(line.tax_ppm());
        table.write_record([
            day,
            place,
            site,
            address,
            line.place.saturating_add(1).to_string(),
            line.label,
            decimal(line.quantity_thousandths, 1_000, 3),
            price.unwrap_or_default(),
            amount.unwrap_or_default(),
            tax,
            line.accepted.word().to_owned(),
            line.stop.to_string(),
            line.id.to_string(),
        ])?;
        Ok(())
    })?;
    table.flush()?;
    Ok(())
}

/// The photos: what each shows, where it lies in the file, and whether it does.
///
/// # Errors
/// When the book cannot be read or the output not written.
pub fn write_photos(store: &Store, carry: &Carry, blobs: &[Blob], out: &mut dyn Write) -> Result<(), WriteError> {
    let names = Names::read(store, carry)?;
    let there = blobs.iter().map(|blob| blob.sha256.to_string()).collect::<HashSet<_>>();
    let mut table = table(
        out,
        &[
            "day",
            "place",
            "site",
            "address",
            "shows",
            "tank",
            "taken_at",
            "added_at",
            "width_px",
            "height_px",
            "latitude_deg",
            "longitude_deg",
            "note",
            "file",
            "in_this_file",
            "stop_id",
            "site_id",
            "photo_id",
        ],
    )?;
    store.each_record(carry, |photo: Photo| -> Result<(), WriteError> {
        if photo.removed {
            return Ok(());
        }
        let [day, place, site, address] = photo.stop.and_then(|stop| names.stop(stop)).unwrap_or_else(|| {
            let (site, address) = names.sites.get(&photo.site).cloned().unwrap_or_default();
            [String::new(), String::new(), site, address]
        });
        let tank = photo.tank.and_then(|tank| names.tanks.get(&tank).cloned());
        table.write_record([
            day,
            place,
            site,
            address,
            photo.part.word().to_owned(),
            tank.unwrap_or_default(),
            moment(photo.taken_at),
            moment(Some(photo.added_at)),
            photo.width_px.to_string(),
            photo.height_px.to_string(),
            angle(photo.lat_e7),
            angle(photo.lon_e7),
            photo.note,
            format!("photos/{}.jpg", photo.hash),
            yes_no(Some(there.contains(&photo.hash))).to_owned(),
            shown(photo.stop),
            photo.site.to_string(),
            photo.id.to_string(),
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
