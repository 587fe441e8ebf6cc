//! `due`: who to call, by date, area and truck.

use super::Refusal;
use super::area::Area;
use super::context::{Call, Office, hand_over};
use super::options;
use super::records::trucks_named;
use super::sheet::{Cell, Sheet};
use super::waste::called;
use crate::domain::record::Language;
use crate::domain::units::round_to_i64;
use crate::exchange::customer_list::folded;
use crate::say::words::Words;
use crate::store::{DueRange, DueRow};
use chrono::{DateTime, FixedOffset, NaiveDate, TimeDelta, Utc};
use geojson::{Feature, FeatureCollection, GeoJson, Geometry, GeometryValue, JsonObject};
use icalendar::{Calendar, Component, Event, EventLike, Property};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// How far ahead is looked when no end is given: far enough to call this month and next.
const DAYS_AHEAD: i64 = 31;

/// What was asked of `due`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// First due date.
    pub from: Option<String>,
    /// Last due date.
    pub to: Option<String>,
    /// One month instead of both.
    pub month: Option<String>,
    /// Sites that have no date, instead.
    pub undated: bool,
    /// Leave out who already stands on a coming day.
    pub not_planned: bool,
    /// Towns; any of them.
    pub towns: Vec<String>,
    /// The truck that pumped there last, by name or plate.
    pub truck: Option<String>,
    /// A place, `LATITUDE,LONGITUDE`.
    pub near: Option<String>,
    /// How far from the place.
    pub within: Option<String>,
    /// A `GeoJSON` file with areas.
    pub area: Option<PathBuf>,
    /// The order.
    pub sort: Sort,
    /// Write CSV there.
    pub csv: Option<PathBuf>,
    /// Write a calendar there.
    pub ics: Option<PathBuf>,
    /// Write a map there.
    pub geojson: Option<PathBuf>,
}

/// The order of the rows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sort {
    /// By date, then town, then name.
    #[default]
    Date,
    /// By town, then date.
    Town,
    /// By name.
    Name,
    /// By distance from `--near`.
    Distance,
}

/// Lists who is due.
///
/// # Errors
/// What was refused, and what to do.
pub fn run(call: &Call, asked: &Asked) -> Result<String, Refusal> {
    call.on_book(|office| {
        let (rows, area) = rows(office, asked)?;
        let words = office.words();
        let outputs = [&asked.csv, &asked.ics, &asked.geojson];
        office
            .kept
            .allow(outputs.into_iter().flatten().map(PathBuf::as_path), words)?;
        let mut said = Vec::new();
        if let Some(path) = &asked.csv {
            said.push(hand_over(path, sheet(office, &rows, &area).csv(), office)?);
        }
        if let Some(path) = &asked.ics {
            said.push(hand_over(path, ics(office, &rows), office)?);
        }
        if let Some(path) = &asked.geojson {
            said.push(hand_over(path, map(&rows), office)?);
        }
        if said.is_empty() {
            if office.json {
                let sheet = sheet(office, &rows, &area);
                return Ok(json!({"count": rows.len(), "sites": sheet.json()}).to_string());
            }
            let count = words.n("{0} site", "{0} sites", rows.len());
            return Ok(format!("{}{count}", sheet(office, &rows, &area).text()));
        }
        // One alone is handed over to the last line break, as its form wants it.
        if let [one] = said.as_slice() {
            return Ok(one.clone());
        }
        Ok(said.iter().map(|text| text.trim_end()).collect::<Vec<_>>().join("\n"))
    })
}

/// Reads the range of dates that was asked for.
fn range(office: &Office, asked: &Asked) -> Result<DueRange, Refusal> {
    let words = office.words();
    if asked.undated {
        return Ok(DueRange::Undated);
    }
    if let Some(month) = &asked.month {
        let (first, last) = options::month(month, words)?;
        return Ok(DueRange::Between(Some(first), Some(last)));
    }
    let from = asked
        .from
        .as_deref()
        .map(|text| options::day(text, words))
        .transpose()?;
    let to = asked.to.as_deref().map(|text| options::day(text, words)).transpose()?;
    if let (Some(from), Some(to)) = (from, to)
        && from > to
    {
        return Err(options::backwards(from, to, words));
    }
    let ahead = || {
        let start = from.unwrap_or_default().max(office.today());
        start.checked_add_signed(TimeDelta::days(DAYS_AHEAD))
    };
    Ok(DueRange::Between(from, to.or_else(ahead)))
}

/// Returns the rows that were asked for, in order.
pub(super) fn rows(office: &Office, asked: &Asked) -> Result<(Vec<DueRow>, Area), Refusal> {
    let words = office.words();
    let range = range(office, asked)?;
    let area = Area::read(
        &asked.towns,
        asked.near.as_deref(),
        asked.within.as_deref(),
        asked.area.as_deref(),
        office.figures,
        &office.kept,
    )?;
    known_towns(office, &asked.towns)?;
    if asked.sort == Sort::Distance && !area.has_place() {
        return Err(Refusal::input(
            words.t("Ordering by distance needs a place to measure from."),
            words.t("Give it with --near LATITUDE,LONGITUDE."),
        ));
    }
    let mut rows = office
        .store
        .due(range, office.today(), |row| area.holds(&row.town, row.position_e7))
        .map_err(|error| office.refuse(&error))?;
    if asked.not_planned {
        rows.retain(|row| row.planned_for.is_none());
    }
    if let Some(truck) = &asked.truck {
        let wanted = folded(truck);
        // One that was taken away still came there.
        if rows.iter().any(|row| folded(&row.truck) == wanted) {
            rows.retain(|row| folded(&row.truck) == wanted);
        } else {
            let named = trucks_named(office, Some(truck))?;
            let called = named
                .iter()
                .map(|(truck, _)| folded(&called(truck, words)))
                .collect::<Vec<_>>();
            rows.retain(|row| called.contains(&folded(&row.truck)));
        }
    }
    match asked.sort {
        // The book hands them over in this order.
        Sort::Date => {}
        Sort::Town => rows.sort_by_cached_key(|row| (row.town.to_lowercase(), row.due_on, row.name.to_lowercase())),
        Sort::Name => rows.sort_by_cached_key(|row| (row.name.to_lowercase(), row.due_on)),
        Sort::Distance => rows.sort_by(|a, b| {
            let metres = |row: &DueRow| row.position_e7.and_then(|at| area.metres(at)).unwrap_or(f64::INFINITY);
            metres(a).total_cmp(&metres(b))
        }),
    }
    Ok((rows, area))
}

/// Refuses a town in which no site lies.
fn known_towns(office: &Office, towns: &[String]) -> Result<(), Refusal> {
    if towns.is_empty() {
        return Ok(());
    }
    let words = office.words();
    let sites = office.store.site_names().map_err(|error| office.refuse(&error))?;
    let known = sites
        .iter()
        .map(|site| (folded(&site.town), site.town.as_str()))
        .filter(|(key, _)| !key.is_empty())
        .collect::<BTreeMap<_, _>>();
    match towns.iter().find(|town| !known.contains_key(&folded(town))) {
        None => Ok(()),
        Some(town) if known.is_empty() => Err(Refusal::refused(
            words.f("No site lies in a town called \"{0}\".", &[town]),
            words.t("The book names no town at all: leave --town out."),
        )),
        Some(town) => Err(Refusal::refused(
            words.f("No site lies in a town called \"{0}\".", &[town]),
            words.f("Towns in the book: {0}.", &[&some_of(known.values().copied(), words)]),
        )),
    }
}

/// The first names of a list, and how many more there are.
pub(super) fn some_of<'a>(names: impl ExactSizeIterator<Item = &'a str>, words: Words) -> String {
    const MOST_NAMED: usize = 20;
    let more = names.len().saturating_sub(MOST_NAMED);
    let mut list = names.take(MOST_NAMED).map(str::to_owned).collect::<Vec<_>>();
    if more > 0 {
        list.push(words.f("and {0} more", &[&more.to_string()]));
    }
    list.join(", ")
}

fn iso(day: Option<NaiveDate>) -> Value {
    day.map_or(Value::Null, |day| Value::from(day.format("%Y-%m-%d").to_string()))
}

fn day_cell(day: Option<NaiveDate>) -> Cell {
    let value = iso(day);
    let text = value.as_str().unwrap_or_default().to_owned();
    Cell { value, text }
}

/// Degrees with the seven decimals that are kept.
pub(super) fn degrees(e7: i64) -> f64 {
    // A position is at most 1.8e9, which an f64 holds exactly; what is larger is no position.
    i32::try_from(e7).map_or(f64::NAN, |e7| f64::from(e7) / 1e7)
}

fn sheet(office: &Office, rows: &[DueRow], area: &Area) -> Sheet {
    let words = office.words();
    let mut sheet = Sheet::new(vec![
        ("due_on", words.t("Due"), false),
        ("name", words.t("Site"), false),
        ("customer", words.t("Customer"), false),
        ("phone", words.t("Telephone"), false),
        ("address", words.t("Address"), false),
        ("town", words.t("Town"), false),
        ("language", String::new(), false),
        ("last_visit_on", words.t("Last visit"), false),
        ("planned_for", words.t("Planned"), false),
        ("last_truck", words.t("Truck"), false),
        ("distance_m", words.t("Distance"), true),
        ("latitude_deg", String::new(), true),
        ("longitude_deg", String::new(), true),
        ("site_id", String::new(), false),
    ]);
    sheet.rows = rows
        .iter()
        .map(|row| {
            let metres = row.position_e7.and_then(|at| area.metres(at));
            let place = |part: fn((i64, i64)) -> i64| {
                row.position_e7
                    .map_or_else(Cell::default, |at| Cell::shown(degrees(part(at)), ""))
            };
            vec![
                day_cell(row.due_on),
                Cell::text(&row.name),
                Cell::text(&row.customer),
                Cell::text(&row.phone),
                Cell::text(&row.address),
                Cell::text(&row.town),
                Cell::text(&row.language),
                day_cell(row.last_visit),
                day_cell(row.planned_for),
                Cell::text(&row.truck),
                metres.map_or_else(Cell::default, |metres| {
                    Cell::shown(round_to_i64(metres), office.figures.distance(metres))
                }),
                place(|at| at.0),
                place(|at| at.1),
                Cell::text(row.id.to_string()),
            ]
        })
        .collect();
    sheet
}

/// One line of an address: what is there of street and town.
fn address_of(row: &DueRow) -> String {
    [row.address.as_str(), row.town.as_str()]
        .into_iter()
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(", ")
}

/// What a calendar may hold: line breaks are kept, other control characters are not allowed in text (RFC 5545, 3.3.11).
fn calendar_text(text: &str) -> String {
    text.replace("\r\n", "\n")
        .chars()
        .map(|c| match c {
            '\n' | '\r' => '\n',
            c if c.is_control() => ' ',
            c => c,
        })
        .collect()
}

/// Returns the rows as an iCalendar file: one all-day event a site, whose UID is the site's own, so that taking the
/// file in again moves the event instead of doubling it.
fn ics(office: &Office, rows: &[DueRow]) -> String {
    let mut calendar = Calendar::empty();
    calendar.append_property(Property::new("VERSION", "2.0"));
    calendar.append_property(Property::new("PRODID", "-//Lidmark//lidmark-office//EN"));
    calendar.append_property(Property::new("CALSCALE", "GREGORIAN"));
    calendar.append_property(Property::new("METHOD", "PUBLISH"));
    let stamp = stamp(office.now);
    for row in rows {
        let Some(due) = row.due_on else { continue };
        calendar.push(event(office, row, due, stamp));
    }
    calendar.to_string()
}

fn stamp(now: DateTime<FixedOffset>) -> DateTime<Utc> {
    now.with_timezone(&Utc)
}

fn event(office: &Office, row: &DueRow, due: NaiveDate, stamp: DateTime<Utc>) -> Event {
    // The event is read at the office; the language to call in is said in it.
    let words = office.words();
    let mut lines = Vec::new();
    if !row.customer.is_empty() {
        lines.push(words.f("Customer: {0}", &[&row.customer]));
    }
    if !row.phone.is_empty() {
        lines.push(words.f("Telephone: {0}", &[&row.phone]));
    }
    if Language::from_word(&row.language) == Some(Language::Spanish) {
        lines.push(words.t("Speaks Spanish"));
    }
    if let Some(last) = row.last_visit {
        lines.push(words.f("Last visit: {0}", &[&office.figures.date(last)]));
    }
    let mut event = Event::with_uid(&format!("due-{}@lidmark", row.id));
    event
        .timestamp(stamp)
        // Without an end an event on a date lasts that day (RFC 5545, 3.6.1).
        .starts(due)
        .summary(&calendar_text(&words.f("Call: {0}", &[&row.name])))
        .description(&calendar_text(&lines.join("\n")))
        .add_property("TRANSP", "TRANSPARENT");
    let address = address_of(row);
    if !address.is_empty() {
        event.location(&calendar_text(&address));
    }
    if let Some((lat, lon)) = row.position_e7 {
        event.add_property("GEO", format!("{:.7};{:.7}", degrees(lat), degrees(lon)));
    }
    event.done()
}

/// Returns the rows as `GeoJSON` (RFC 7946); a site without a position is a feature with no geometry.
fn map(rows: &[DueRow]) -> String {
    let features = rows.iter().map(|row| {
        let mut properties = JsonObject::new();
        for (key, value) in [
            ("name", Value::from(row.name.as_str())),
            ("customer", Value::from(row.customer.as_str())),
            ("phone", Value::from(row.phone.as_str())),
            ("address", Value::from(row.address.as_str())),
            ("town", Value::from(row.town.as_str())),
            ("due_on", iso(row.due_on)),
            ("last_visit_on", iso(row.last_visit)),
            ("planned_for", iso(row.planned_for)),
            ("last_truck", Value::from(row.truck.as_str())),
        ] {
            properties.insert(key.to_owned(), value);
        }
        Feature {
            id: Some(geojson::feature::Id::String(row.id.to_string())),
            geometry: row
                .position_e7
                .map(|(lat, lon)| Geometry::new(GeometryValue::new_point([degrees(lon), degrees(lat)]))),
            properties: Some(properties),
            ..Feature::default()
        }
    });
    GeoJson::from(FeatureCollection::new(features)).to_string()
}
