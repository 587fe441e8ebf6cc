//! The plan file: a day's stops from the office to a phone, with what the office knows of the places.
//!
//! `docs/planfile.md` describes it for everyone else; `docs/schema/planfile.schema.json` is its schema.

use crate::domain::record::{
    Cell, Compartment, FieldChange, Lid, Op, Record, Site, SiteId, Stop, StopId, Tank, changes,
};
use crate::store::{DayRow, Store, StoreError};
use chrono::{DateTime, FixedOffset, NaiveDate, TimeDelta};
use serde::de::{Deserializer, Visitor};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;
use uuid::Uuid;

/// The word every plan file begins with.
pub const FORMAT: &str = "lidmark-plan";

/// The newest form written and read here.
pub const VERSION: u32 = 1;

/// How a plan file's name ends.
pub const EXTENSION: &str = "lidmark-plan.json";

/// Largest plan that is read, bytes: three times what the most stops take.
pub const MOST_BYTES: usize = 16 * 1024 * 1024;

/// More stops than this are no day.
pub const MOST_STOPS: usize = 1_000;

/// The name space of ids made for plans.
const NAMESPACE: Uuid = Uuid::from_u128(0x6c69_646d_6172_6b00_8000_706c_616e_0001);

/// Why a plan file cannot be taken in. Nothing has been changed then.
#[derive(Debug, thiserror::Error)]
pub enum PlanFileError {
    /// Not a plan file.
    #[error("this is no plan file: {0}")]
    NotAPlan(String),
    /// Made by a newer program.
    #[error("the plan has form {found}, this program reads up to {known}")]
    TooNew {
        /// The form found.
        found: u64,
        /// The newest form known here.
        known: u32,
    },
    /// Something in it cannot be true.
    #[error("{0}")]
    Wrong(String),
    /// The book refused.
    #[error(transparent)]
    Book(#[from] StoreError),
}

/// A place in degrees.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Degrees north.
    pub latitude_deg: f64,
    /// Degrees east.
    pub longitude_deg: f64,
}

/// A day's plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlanFile {
    /// Always [`FORMAT`].
    pub format: String,
    /// The form.
    pub version: u32,
    /// Names the plan of this day and truck, however often it is made anew.
    pub plan_id: Uuid,
    /// When it was made.
    pub made_at: DateTime<FixedOffset>,
    /// The day.
    pub day: NaiveDate,
    /// The truck's name; empty when the company has one.
    #[serde(default)]
    pub truck: String,
    /// How far the order entered would have driven, metres along the ellipsoid.
    pub entered_m: f64,
    /// How far this order drives, metres along the ellipsoid.
    pub driven_m: f64,
    /// Where the day begins.
    pub start: Option<Place>,
    /// Where it ends.
    pub end: Option<Place>,
    /// The stops in their order.
    pub stops: Vec<PlannedStop>,
    /// The trips to a disposal place.
    #[serde(default)]
    pub disposal_trips: Vec<PlannedTrip>,
    /// What the office knows of the sites, their tanks, compartments and lids.
    pub records: Vec<PlannedRecord>,
}

/// One stop of the plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlannedStop {
    /// The stop's id, the same whenever the plan is made anew.
    pub stop_id: Uuid,
    /// The site.
    pub site_id: Uuid,
    /// What is expected to come out, millilitres.
    pub expected_ml: Option<i64>,
    /// When the truck may come, `HH:MM`, local time.
    pub window: Option<Window>,
    /// When it is expected, `HH:MM`, local time; `null` for a site without a position.
    pub arrive: Option<String>,
    /// Minutes behind the window.
    #[serde(default)]
    pub late_min: i64,
}

/// Two times of the day, `HH:MM`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Window {
    /// Not before.
    pub from: String,
    /// Not after.
    pub to: String,
}

/// One trip to a disposal place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlannedTrip {
    /// Before the stop at this place of the order, counted from 0.
    pub before: usize,
    /// The place's name.
    pub name: String,
    /// Where it is.
    pub at: Place,
}

/// One record with its fields.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlannedRecord {
    /// Its table: `site`, `tank`, `compartment` or `lid`.
    pub table: String,
    /// Its id.
    pub id: Uuid,
    /// Its fields.
    pub fields: BTreeMap<String, PlannedField>,
}

/// A field's value and when it was last changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedField {
    /// `null`, a whole number or text.
    #[serde(deserialize_with = "one_value")]
    pub value: serde_json::Value,
    /// When it was last changed; `null` when nobody knows, which counts as longer ago than anything.
    pub at: Option<DateTime<FixedOffset>>,
}

/// What taking a plan in came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Taken {
    /// The day of the plan.
    pub day: NaiveDate,
    /// Stops added or moved.
    pub stops: usize,
    /// Stops that were on the day already, as planned or begun, and were left alone.
    pub stops_left: usize,
    /// Disposal trips in the plan.
    pub trips: usize,
    /// Fields of sites, tanks and lids brought up to date.
    pub fields: usize,
    /// Fields whose newer value on this device was left standing.
    pub newer_here: usize,
}

/// Returns the id of a day's plan for a truck.
#[must_use]
pub fn plan_id(day: NaiveDate, truck: &str) -> Uuid {
    Uuid::new_v5(&NAMESPACE, format!("plan\u{1f}{day}\u{1f}{truck}").as_bytes())
}

/// Returns the id of the stop at a site in a plan.
#[must_use]
pub fn stop_id(plan: Uuid, site: SiteId) -> StopId {
    StopId(Uuid::new_v5(&plan, site.0.as_bytes()))
}

/// Returns the plan as it is written: JSON, indented, so that it can be looked at.
#[must_use]
pub fn write(plan: &PlanFile) -> String {
    // Maps have text keys and every number is finite: writing cannot fail.
    serde_json::to_string_pretty(plan).unwrap_or_default() + "\n"
}

/// Reads a plan.
///
/// # Errors
/// [`PlanFileError`] saying what is wrong.
pub fn read(text: &str) -> Result<PlanFile, PlanFileError> {
    #[derive(Deserialize)]
    struct Head {
        format: Option<String>,
        version: Option<u64>,
    }
    let not = |error: serde_json::Error| PlanFileError::NotAPlan(error.to_string());
    if text.len() > MOST_BYTES {
        return Err(PlanFileError::NotAPlan("larger than 16 MiB".to_owned()));
    }
    let text = text.trim_start_matches('\u{feff}');
    let head: Head = serde_json::from_str(text).map_err(not)?;
    if head.format.as_deref() != Some(FORMAT) {
        return Err(PlanFileError::NotAPlan(format!(
            "it does not say \"format\": \"{FORMAT}\""
        )));
    }
    match head.version {
        Some(found) if found > u64::from(VERSION) => return Err(PlanFileError::TooNew { found, known: VERSION }),
        Some(_) => {}
        None => return Err(PlanFileError::NotAPlan("it has no version".to_owned())),
    }
    let plan: PlanFile = serde_json::from_str(text).map_err(not)?;
    check(&plan)?;
    Ok(plan)
}

fn check(plan: &PlanFile) -> Result<(), PlanFileError> {
    let wrong = |text: String| Err(PlanFileError::Wrong(text));
    if plan.stops.len() > MOST_STOPS {
        return wrong(format!("{} stops in one day", plan.stops.len()));
    }
    let mut seen = std::collections::BTreeSet::new();
    for stop in &plan.stops {
        if !seen.insert(stop.stop_id) {
            return wrong(format!("the stop {} stands twice", stop.stop_id));
        }
        let known = |record: &PlannedRecord| record.table == Site::TABLE && record.id == stop.site_id;
        if !plan.records.iter().any(known) {
            return wrong(format!("the site {} of a stop is not in the plan", stop.site_id));
        }
    }
    let mut records = std::collections::BTreeSet::new();
    for record in &plan.records {
        if ![Site::TABLE, Tank::TABLE, Compartment::TABLE, Lid::TABLE].contains(&record.table.as_str()) {
            return wrong(format!("a plan holds no \"{}\"", record.table));
        }
        if !records.insert((record.table.as_str(), record.id)) {
            return wrong(format!("the {} {} stands twice", record.table, record.id));
        }
    }
    Ok(())
}

/// Reads one value that holds no others: what no field can be takes no memory either.
fn one_value<'de, D: Deserializer<'de>>(deserializer: D) -> Result<serde_json::Value, D::Error> {
    struct One;
    impl Visitor<'_> for One {
        type Value = serde_json::Value;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("null, true, false, a number or text")
        }
        fn visit_unit<E>(self) -> Result<Self::Value, E> {
            Ok(serde_json::Value::Null)
        }
        fn visit_bool<E>(self, flag: bool) -> Result<Self::Value, E> {
            Ok(flag.into())
        }
        fn visit_i64<E>(self, whole: i64) -> Result<Self::Value, E> {
            Ok(whole.into())
        }
        fn visit_u64<E>(self, whole: u64) -> Result<Self::Value, E> {
            Ok(whole.into())
        }
        fn visit_f64<E>(self, number: f64) -> Result<Self::Value, E> {
            Ok(number.into())
        }
        fn visit_str<E>(self, text: &str) -> Result<Self::Value, E> {
            Ok(text.into())
        }
    }
    deserializer.deserialize_any(One)
}

fn cell(value: &serde_json::Value) -> Option<Cell> {
    match value {
        serde_json::Value::Null => Some(Cell::Null),
        serde_json::Value::Bool(flag) => Some(Cell::Int(i64::from(*flag))),
        serde_json::Value::Number(number) => number.as_i64().map(Cell::Int),
        serde_json::Value::String(text) => Some(Cell::Text(text.clone())),
        _ => None,
    }
}

/// Returns a kept value as JSON.
#[must_use]
pub fn json_of(cell: &Cell) -> serde_json::Value {
    match cell {
        Cell::Null => serde_json::Value::Null,
        Cell::Int(whole) => serde_json::Value::from(*whole),
        Cell::Text(text) => serde_json::Value::from(text.as_str()),
    }
}

/// Returns a record with the time each field was last changed, for a plan.
///
/// # Errors
/// [`StoreError`] when the log cannot be read.
pub fn planned<R: Record>(store: &Store, record: &R) -> Result<PlannedRecord, StoreError> {
    let stamps = store.last_changes::<R>(record.uuid())?;
    Ok(PlannedRecord {
        table: R::TABLE.to_owned(),
        id: record.uuid(),
        fields: R::FIELDS
            .iter()
            .zip(record.cells())
            .map(|(field, cell)| {
                let value = PlannedField {
                    value: json_of(&cell),
                    at: stamps.get(*field).copied(),
                };
                ((*field).to_owned(), value)
            })
            .collect(),
    })
}

/// Takes a plan in, whole or not at all: new places are added, known ones brought up to date field by field where the
/// office's value is the newer one, and the day's stops are put in the plan's order. Stops already begun stay as they are.
/// The same plan again changes nothing. No change counts as later than the plan itself, nor than a day from `now`: a plan
/// cannot say something that wins over all that will ever be said here.
///
/// # Errors
/// [`PlanFileError`]; then nothing has been changed.
pub fn take_in(store: &mut Store, plan: &PlanFile, now: DateTime<FixedOffset>) -> Result<Taken, PlanFileError> {
    put(store, plan, now, None)
}

/// Puts a plan into the book of the office that has made it, as [`take_in`] does; and a stop that was taken off the day stands
/// there again, because the plan is the office's last word.
///
/// * `take_off`: stops that are taken off the day in the same breath; one that has been begun stays
///
/// # Errors
/// [`PlanFileError`]; then nothing has been changed.
pub fn make(
    store: &mut Store,
    plan: &PlanFile,
    now: DateTime<FixedOffset>,
    take_off: &[Stop],
) -> Result<Taken, PlanFileError> {
    put(store, plan, now, Some(take_off))
}

/// Returns the stops of the plan's day that an earlier plan for the same truck has put there and this one leaves out, except
/// those that were begun.
///
/// # Errors
/// [`StoreError`] when the book cannot be read.
pub fn left_standing(store: &Store, day: NaiveDate, plan: Uuid, sites: &[SiteId]) -> Result<Vec<DayRow>, StoreError> {
    let mut rows = store.day(day)?;
    rows.retain(|row| {
        let stop = &row.stop;
        is_open(stop) && stop.id == stop_id(plan, stop.site) && !sites.contains(&stop.site)
    });
    Ok(rows)
}

/// Whether nobody has begun it.
fn is_open(stop: &Stop) -> bool {
    stop.started_at.is_none() && stop.finished_at.is_none()
}

/// * `own`: the plan was made over this very book; then the stops to be taken off
fn put(
    store: &mut Store,
    plan: &PlanFile,
    now: DateTime<FixedOffset>,
    own: Option<&[Stop]>,
) -> Result<Taken, PlanFileError> {
    let latest = now
        .checked_add_signed(TimeDelta::days(1))
        .map_or(plan.made_at, |tomorrow| plan.made_at.min(tomorrow));
    let mut taken = Taken {
        day: plan.day,
        trips: plan.disposal_trips.len(),
        ..Taken::default()
    };
    // One action for each time a change was made, so that the log keeps that time: what somebody else has changed since, and
    // nobody here has heard of yet, has to stay the later word.
    let mut by_time = BTreeMap::<String, (DateTime<FixedOffset>, Vec<FieldChange>)>::new();
    let mut keep = |at: DateTime<FixedOffset>, change: FieldChange| {
        let (_, list) = by_time
            .entry(at.to_utc().to_rfc3339())
            .or_insert_with(|| (at, Vec::new()));
        list.push(change);
    };
    let mut fresh = Vec::new();
    for table in [Site::TABLE, Tank::TABLE, Compartment::TABLE, Lid::TABLE] {
        for record in plan.records.iter().filter(|record| record.table == table) {
            let changed = match table {
                Site::TABLE => merged::<Site>(store, record, latest, &mut taken)?,
                Tank::TABLE => merged::<Tank>(store, record, latest, &mut taken)?,
                Compartment::TABLE => merged::<Compartment>(store, record, latest, &mut taken)?,
                _ => merged::<Lid>(store, record, latest, &mut taken)?,
            };
            match changed {
                Merged::New(list) => fresh.extend(list),
                Merged::Known(list) => {
                    for (at, change) in list {
                        keep(at.unwrap_or(latest), change);
                    }
                }
            }
        }
    }
    // New records are there whole from the earliest of their times on.
    let begun_at = fresh.iter().filter_map(|(at, _)| *at).min().unwrap_or(latest);
    for (at, change) in &fresh {
        if let Some(at) = at.filter(|at| *at > begun_at) {
            keep(at, change.clone());
        }
    }
    let fresh = fresh.into_iter().map(|(_, change)| change).collect::<Vec<_>>();
    let mut stops = stops(store, plan, own.is_some(), &mut taken)?;
    for stop in own.unwrap_or_default().iter().filter(|stop| is_open(stop)) {
        let off = Stop {
            removed: true,
            ..stop.clone()
        };
        stops.extend(changes(std::slice::from_ref(stop), &[off]));
    }
    let op = |at: DateTime<FixedOffset>, changes: Vec<FieldChange>| {
        // The id follows from what is done, so that an action is never kept twice.
        let what = format!("{} {at} {changes:?}", plan.plan_id);
        Op {
            id: Uuid::new_v5(&NAMESPACE, what.as_bytes()),
            stop: None,
            at,
            label: "plan taken in".to_owned(),
            undoable: false,
            changes,
        }
    };
    let mut ops = Vec::new();
    if !fresh.is_empty() {
        taken.fields += fresh.len();
        ops.push(op(begun_at, fresh));
    }
    ops.extend(by_time.into_values().map(|(at, list)| op(at, list)));
    if !stops.is_empty() {
        ops.push(op(latest, stops));
    }
    store.keep_all(&ops)?;
    Ok(taken)
}

/// What is to be written, each with the time of the change as the plan knows it.
enum Merged {
    New(Vec<(Option<DateTime<FixedOffset>>, FieldChange)>),
    Known(Vec<(Option<DateTime<FixedOffset>>, FieldChange)>),
}

/// What of a record is to be written here; no change of it counts as later than `latest`.
fn merged<R: Record>(
    store: &Store,
    record: &PlannedRecord,
    latest: DateTime<FixedOffset>,
    taken: &mut Taken,
) -> Result<Merged, PlanFileError> {
    let wrong = |field: &str| PlanFileError::Wrong(format!("{} {} has an unreadable {field}", R::TABLE, record.id));
    let own = store.find::<R>(record.id)?;
    let stamps = store.last_changes::<R>(record.id)?;
    let own_cells = own.as_ref().map(Record::cells).unwrap_or_default();
    let mut cells = Vec::new();
    let mut list = Vec::new();
    for (index, field) in R::FIELDS.iter().enumerate() {
        let Some(offered) = record.fields.get(*field) else {
            match own_cells.get(index) {
                Some(cell) => cells.push(cell.clone()),
                // A field the maker of the plan did not know yet; a new record needs it all the same.
                None if *field == "removed" => cells.push(Cell::Int(0)),
                None => cells.push(Cell::Null),
            }
            continue;
        };
        let value = cell(&offered.value).ok_or_else(|| wrong(field))?;
        let Some(current) = own_cells.get(index) else {
            cells.push(value);
            continue;
        };
        let offered_at = offered.at.map(|at| at.min(latest));
        let is_newer = match (offered_at, stamps.get(*field)) {
            (Some(theirs), Some(ours)) => theirs > *ours,
            (Some(_), None) => true,
            (None, _) => false,
        };
        if *current == value || !is_newer {
            taken.newer_here += usize::from(*current != value);
            cells.push(current.clone());
        } else {
            cells.push(value.clone());
            taken.fields += 1;
            list.push((
                offered_at,
                FieldChange {
                    table: R::TABLE,
                    id: record.id,
                    field,
                    value,
                },
            ));
        }
    }
    let whole = R::from_cells(record.id, &cells).map_err(wrong)?;
    Ok(if own.is_some() {
        Merged::Known(list)
    } else {
        let list = changes(&[], std::slice::from_ref(&whole));
        let timed = |change: FieldChange| {
            let at = record.fields.get(change.field).and_then(|field| field.at);
            (at.map(|at| at.min(latest)), change)
        };
        Merged::New(list.into_iter().map(timed).collect())
    })
}

/// The changes to the day's stops.
///
/// * `again`: what was taken off stands on the day again
fn stops(store: &Store, plan: &PlanFile, again: bool, taken: &mut Taken) -> Result<Vec<FieldChange>, PlanFileError> {
    let on_day = store.day(plan.day)?;
    let mut list = Vec::new();
    for (place, planned) in plan.stops.iter().enumerate() {
        let place = i64::try_from(place).unwrap_or(i64::MAX);
        let own = store.find::<Stop>(planned.stop_id)?;
        let other = on_day
            .iter()
            .map(|row| &row.stop)
            .find(|stop| stop.site.0 == planned.site_id && stop.id.0 != planned.stop_id);
        let (before, after) = match (&own, other) {
            (Some(own), _) if is_open(own) && (!own.removed || again && other.is_none()) => {
                let after = Stop {
                    day: plan.day,
                    place,
                    removed: false,
                    ..own.clone()
                };
                (Some(own.clone()), after)
            }
            // The technician has this site on the day already: it takes the plan's place.
            (None, Some(other)) if is_open(other) => (Some(other.clone()), Stop { place, ..other.clone() }),
            (Some(_), _) | (None, Some(_)) => {
                taken.stops_left += 1;
                continue;
            }
            (None, None) => (
                None,
                Stop {
                    id: StopId(planned.stop_id),
                    site: SiteId(planned.site_id),
                    day: plan.day,
                    place,
                    ..Stop::default()
                },
            ),
        };
        let changed = changes(before.as_slice(), std::slice::from_ref(&after));
        if changed.is_empty() {
            taken.stops_left += 1;
        } else {
            taken.stops += 1;
            list.extend(changed);
        }
    }
    Ok(list)
}
