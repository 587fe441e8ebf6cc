//! What the office asks of the book: many sites at once, over years.

use super::query::{date_of, iso, uuid_of};
use super::stamps::decode;
use super::truck::parts;
use super::{Store, StoreError, write_op};
use crate::domain::record::{
    Accepted, Op, Price, Record, SiteId, Stop, StopId, Truck, TruckTank, TruckTankId, WorkKind, WorkLine,
};
use chrono::{DateTime, FixedOffset, NaiveDate};
use rusqlite::{OptionalExtension, params};
use std::collections::HashMap;
use uuid::Uuid;

/// One site that is due, or has no date at all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueRow {
    /// The site.
    pub id: SiteId,
    /// What the crew calls it.
    pub name: String,
    /// Street address.
    pub address: String,
    /// Town.
    pub town: String,
    /// The customer's name.
    pub customer: String,
    /// The customer's telephone number.
    pub phone: String,
    /// The word for the language the customer reads; empty when not known.
    pub language: String,
    /// Position in 1e-7 degrees, latitude first.
    pub position_e7: Option<(i64, i64)>,
    /// When it is due.
    pub due_on: Option<NaiveDate>,
    /// The last finished stop.
    pub last_visit: Option<NaiveDate>,
    /// The next day it is already planned for.
    pub planned_for: Option<NaiveDate>,
    /// The truck that pumped there last, by name or plate; empty when not known.
    pub truck: String,
}

/// Which sites are asked for by date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DueRange {
    /// Due within these days, both included; an open end is `None`.
    Between(Option<NaiveDate>, Option<NaiveDate>),
    /// With no date at all.
    Undated,
}

/// One line of the trucks' ledger, with where it happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoadEntry {
    /// `collected`, `disposed` or `correction`.
    pub kind: String,
    /// The record it comes from.
    pub id: Uuid,
    /// When, as kept; a day alone when the hour is not known.
    pub at: String,
    /// The day of it.
    pub day: NaiveDate,
    /// The truck's tank, when it can be told.
    pub tank: Option<TruckTankId>,
    /// The amount, millilitres; of a correction with its sign.
    pub ml: i64,
    /// The site's or the disposal place's name.
    pub name: String,
    /// Its address.
    pub address: String,
    /// The site's town.
    pub town: String,
    /// The customer.
    pub customer: String,
    /// The ticket's number.
    pub ticket: String,
    /// The disposal place's permit.
    pub permit: String,
    /// What the place says it took, millilitres.
    pub accepted_ml: Option<i64>,
    /// Who took it.
    pub receiver: String,
    /// What was noted.
    pub note: String,
    /// Until when its record says that it is kept; `None` where there is no record of the load.
    pub keep_until: Option<NaiveDate>,
    /// It counts toward the load: it happened after the tank's load began to be counted.
    pub is_counted: bool,
}

/// One line of work with where and when it belongs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WorkRow {
    /// The day of the stop.
    pub day: NaiveDate,
    /// The site's name.
    pub name: String,
    /// The customer.
    pub customer: String,
    /// The line.
    pub line: WorkLine,
}

/// A site by what it is called.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteName {
    /// The site.
    pub id: SiteId,
    /// Its name.
    pub name: String,
    /// Street address.
    pub address: String,
    /// Town.
    pub town: String,
    /// The customer.
    pub customer: String,
}

impl Store {
    /// Lists the sites of a range of dates in order of date, those for which `passes` says so.
    ///
    /// `passes` is asked before the site's stops are looked up, so that a narrow area stays cheap.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn due(
        &self,
        range: DueRange,
        today: NaiveDate,
        mut passes: impl FnMut(&DueRow) -> bool,
    ) -> Result<Vec<DueRow>, StoreError> {
        let doing = "list what is due";
        let (from, to) = match range {
            // Text sorts as dates do; these stand before and after every date there is.
            DueRange::Between(from, to) => (
                from.map_or_else(String::new, iso),
                to.map_or_else(|| "9".to_owned(), iso),
            ),
            DueRange::Undated => (String::new(), String::new()),
        };
        let columns = "SELECT id, name, address, town, customer, phone, coalesce(language, ''), lat_e7, lon_e7, due_on
             FROM site WHERE removed = 0 AND";
        let sql = match range {
            DueRange::Between(..) => format!("{columns} due_on BETWEEN ?1 AND ?2 ORDER BY due_on, town, name, id"),
            DueRange::Undated => format!("{columns} due_on IS NULL AND ?1 = ?2 ORDER BY town, name, id"),
        };
        let mut select = self.db.prepare_cached(&sql).map_err(StoreError::sql(doing))?;
        let mut stops = self
            .db
            .prepare_cached(
                "SELECT max(day) FILTER (WHERE finished_at IS NOT NULL),
                        min(day) FILTER (WHERE finished_at IS NULL AND day >= ?2)
                 FROM stop WHERE site = ?1 AND removed = 0",
            )
            .map_err(StoreError::sql(doing))?;
        // Which truck came is looked up only where there are trucks at all.
        let any_truck: bool = self
            .db
            .query_row("SELECT EXISTS (SELECT 1 FROM truck WHERE removed = 0)", [], |row| {
                row.get(0)
            })
            .map_err(StoreError::sql(doing))?;
        let mut trucks = self
            .db
            .prepare_cached(
                "SELECT coalesce(nullif(c.name, ''), c.plate)
                 FROM stop s JOIN pumping p ON p.stop = s.id JOIN truck_tank k ON k.id = p.truck_tank
                   JOIN truck c ON c.id = k.truck
                 WHERE s.site = ?1 AND s.removed = 0 AND p.removed = 0 AND s.finished_at IS NOT NULL
                 ORDER BY s.day DESC, s.finished_at DESC LIMIT 1",
            )
            .map_err(StoreError::sql(doing))?;
        let today = iso(today);
        let mut list = Vec::new();
        let mut rows = select.query([&from, &to]).map_err(StoreError::sql(doing))?;
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            let mut due = (|| {
                let (lat, lon): (Option<i64>, Option<i64>) = (row.get(7)?, row.get(8)?);
                Ok(DueRow {
                    id: SiteId(uuid_of(row, 0)?),
                    name: row.get(1)?,
                    address: row.get(2)?,
                    town: row.get(3)?,
                    customer: row.get(4)?,
                    phone: row.get(5)?,
                    language: row.get(6)?,
                    position_e7: lat.zip(lon),
                    due_on: date_of(row, 9)?,
                    last_visit: None,
                    planned_for: None,
                    truck: String::new(),
                })
            })()
            .map_err(StoreError::sql(doing))?;
            if !passes(&due) {
                continue;
            }
            let key: String = row.get(0).map_err(StoreError::sql(doing))?;
            (due.last_visit, due.planned_for) = stops
                .query_row(params![key, today], |row| Ok((date_of(row, 0)?, date_of(row, 1)?)))
                .map_err(StoreError::sql(doing))?;
            if any_truck && due.last_visit.is_some() {
                due.truck = trucks
                    .query_row([&key], |row| row.get(0))
                    .optional()
                    .map_err(StoreError::sql(doing))?
                    .unwrap_or_default();
            }
            list.push(due);
        }
        Ok(list)
    }

    /// Lists every site that was not taken away, by id and by what it is called.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn site_names(&self) -> Result<Vec<SiteName>, StoreError> {
        let doing = "list the sites";
        let mut select = self
            .db
            .prepare_cached("SELECT id, name, address, town, customer FROM site WHERE removed = 0 ORDER BY name, id")
            .map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([], |row| {
                Ok(SiteName {
                    id: SiteId(uuid_of(row, 0)?),
                    name: row.get(1)?,
                    address: row.get(2)?,
                    town: row.get(3)?,
                    customer: row.get(4)?,
                })
            })
            .map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
    }

    /// Lists everything that went on or off any truck up to a day, in order of time.
    ///
    /// A pumping that names no tank of a truck is given the first tank of the only truck; with several trucks nobody can
    /// say which, and its tank stays unknown.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn load_entries(&self, to: NaiveDate) -> Result<Vec<LoadEntry>, StoreError> {
        let doing = "list the loads";
        let mut select = self
            .db
            .prepare_cached(
                &format!("WITH {},
                 tanks (id, opened_at) AS (
                   SELECT k.id, k.opened_at FROM truck_tank k JOIN truck c ON c.id = k.truck WHERE k.removed = 0),
                 only_tank (id) AS (
                   SELECT k.id FROM truck_tank k JOIN truck c ON c.id = k.truck
                   WHERE k.removed = 0 AND c.removed = 0 AND (SELECT count(*) FROM truck WHERE removed = 0) = 1
                   ORDER BY k.place, k.id LIMIT 1),
                 entries (kind, id, at, tank, ml, name, address, town, customer, ticket, permit, accepted_ml, receiver, note, keep_until) AS (
                   SELECT 'collected', p.id, coalesce(s.started_at, s.day), coalesce(p.tank, (SELECT id FROM only_tank)),
                          p.ml, t.name, t.address, t.town, t.customer, '', '', NULL, '', '',
                          (SELECT max(w.keep_until) FROM waste_record w WHERE w.pumping = p.id AND w.removed = 0)
                   FROM part p JOIN stop s ON s.id = p.stop JOIN site t ON t.id = s.site
                   UNION ALL
                   SELECT 'disposed', d.id, d.at, d.truck_tank, d.out_ml, d.place, d.address, '', '', d.ticket, d.permit,
                          d.accepted_ml, d.receiver_name, d.discrepancy, NULL
                   FROM disposal d WHERE d.removed = 0 AND d.at IS NOT NULL
                   UNION ALL
                   SELECT 'correction', c.id, c.at, c.truck_tank, c.change_ml, '', '', '', '', '', '', NULL, '', c.reason, NULL
                   FROM load_correction c WHERE c.removed = 0 AND c.at IS NOT NULL)
                 SELECT e.*, k.opened_at IS NULL OR julianday(e.at) > julianday(k.opened_at)
                 FROM entries e LEFT JOIN tanks k ON k.id = e.tank
                 WHERE substr(e.at, 1, 10) <= ?1
                 ORDER BY julianday(e.at), e.id, e.tank",
                    parts("true")
                ),
            )
            .map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([iso(to)], |row| {
                let at: String = row.get(2)?;
                let tank: Option<String> = row.get(3)?;
                Ok(LoadEntry {
                    kind: row.get(0)?,
                    id: uuid_of(row, 1)?,
                    day: at
                        .get(..10)
                        .and_then(|day| NaiveDate::parse_from_str(day, "%Y-%m-%d").ok())
                        .unwrap_or_default(),
                    at,
                    tank: tank.and_then(|id| Uuid::parse_str(&id).ok()).map(TruckTankId),
                    ml: row.get(4)?,
                    name: row.get(5)?,
                    address: row.get(6)?,
                    town: row.get(7)?,
                    customer: row.get(8)?,
                    ticket: row.get(9)?,
                    permit: row.get(10)?,
                    accepted_ml: row.get(11)?,
                    receiver: row.get(12)?,
                    note: row.get(13)?,
                    keep_until: date_of(row, 14)?,
                    is_counted: row.get(15)?,
                })
            })
            .map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
    }

    /// Lists every truck with its tanks, by name and place.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn trucks(&self) -> Result<Vec<(Truck, Vec<TruckTank>)>, StoreError> {
        self.select::<Truck>("WHERE t.removed = 0 ORDER BY t.name, t.id", &[])?
            .into_iter()
            .map(|truck| {
                let tanks = self.select::<TruckTank>(
                    "WHERE t.truck = ?1 AND t.removed = 0 ORDER BY t.place, t.id",
                    &[&truck.id.to_string()],
                )?;
                Ok((truck, tanks))
            })
            .collect()
    }

    /// Lists the work lines of the stops between two days, both included, in order of day, stop and place.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn work_between(&self, from: NaiveDate, to: NaiveDate) -> Result<Vec<WorkRow>, StoreError> {
        let doing = "list the work";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT s.day, t.name, t.customer, w.id, w.stop, w.place, w.label, w.quantity_thousandths, w.unit_price,
                        w.tax_permille, w.accepted, w.kind, w.tax_rest_ppm, w.no_charge
                 FROM stop s JOIN work_line w ON w.stop = s.id JOIN site t ON t.id = s.site
                 WHERE s.day BETWEEN ?1 AND ?2 AND s.removed = 0 AND w.removed = 0
                 ORDER BY s.day, s.place, s.id, w.place, w.id",
            )
            .map_err(StoreError::sql(doing))?;
        let mut rows = select.query([iso(from), iso(to)]).map_err(StoreError::sql(doing))?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            let accepted: String = row.get(10).map_err(StoreError::sql(doing))?;
            let accepted = Accepted::from_word(&accepted).ok_or_else(|| StoreError::Damaged {
                detail: format!("a work line is accepted \"{accepted}\""),
            })?;
            let read = (|| {
                Ok(WorkRow {
                    day: date_of(row, 0)?.unwrap_or_default(),
                    name: row.get(1)?,
                    customer: row.get(2)?,
                    line: WorkLine {
                        id: crate::domain::record::WorkLineId(uuid_of(row, 3)?),
                        stop: StopId(uuid_of(row, 4)?),
                        place: row.get(5)?,
                        label: row.get(6)?,
                        quantity_thousandths: row.get(7)?,
                        unit_price: crate::domain::units::Cents(row.get(8)?),
                        tax_permille: row.get(9)?,
                        tax_rest_ppm: row.get(12)?,
                        accepted,
                        kind: row
                            .get::<_, Option<String>>(11)?
                            .as_deref()
                            .and_then(WorkKind::from_word),
                        no_charge: row.get(13)?,
                        removed: false,
                    },
                })
            })();
            list.push(read.map_err(StoreError::sql(doing))?);
        }
        Ok(list)
    }

    /// Reads the work lines of a stop in their order.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn work_lines(&self, stop: StopId) -> Result<Vec<WorkLine>, StoreError> {
        self.select(
            "WHERE t.stop = ?1 AND t.removed = 0 ORDER BY t.place, t.id",
            &[&stop.to_string()],
        )
    }

    /// Reads the price list in its order.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn prices(&self) -> Result<Vec<Price>, StoreError> {
        self.select("WHERE t.removed = 0 ORDER BY t.place, t.id", &[])
    }

    /// Reads every stop of a site that was not taken away, finished or not, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn stops_of(&self, site: SiteId) -> Result<Vec<Stop>, StoreError> {
        self.select(
            "WHERE t.site = ?1 AND t.removed = 0 ORDER BY t.day, t.place, t.id",
            &[&site.to_string()],
        )
    }

    /// Reads one record of any kind, taken away or not; `None` when it was never there.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn find<R: Record>(&self, id: Uuid) -> Result<Option<R>, StoreError> {
        Ok(self.select::<R>("WHERE t.id = ?1", &[&id.to_string()])?.pop())
    }

    /// Returns when each field of a record was last changed: here, as the log says, or elsewhere, as the file said that
    /// brought it. A field of which only a time that cannot be right is known is left out.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn last_changes<R: Record>(&self, id: Uuid) -> Result<HashMap<String, DateTime<FixedOffset>>, StoreError> {
        let doing = "read the log";
        let mut last = HashMap::new();
        let mut select = self
            .db
            .prepare_cached(
                "SELECT c.field, o.at FROM change c JOIN op o ON o.seq = c.op WHERE c.id = ?1 AND c.record = ?2",
            )
            .map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([&id.to_string(), R::TABLE], |row| {
                Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?))
            })
            .map_err(StoreError::sql(doing))?;
        for row in rows {
            let (field, at) = row.map_err(StoreError::sql(doing))?;
            if let Ok(at) = DateTime::parse_from_rfc3339(&at) {
                note_later(&mut last, field, at);
            }
        }
        let marks: Option<Vec<u8>> = self
            .db
            .prepare_cached("SELECT marks FROM stamp WHERE record = ?1 AND id = ?2")
            .and_then(|mut select| {
                select
                    .query_row([R::TABLE, &id.to_string()], |row| row.get(0))
                    .optional()
            })
            .map_err(StoreError::sql(doing))?;
        let marks = marks.as_deref().and_then(decode).unwrap_or_default();
        if marks.is_empty() {
            return Ok(last);
        }
        let mut select = self
            .db
            .prepare_cached("SELECT cid, name FROM pragma_table_info(?1)")
            .map_err(StoreError::sql(doing))?;
        let columns = select
            .query_map([R::TABLE], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)))
            .and_then(Iterator::collect::<Result<HashMap<_, _>, _>>)
            .map_err(StoreError::sql(doing))?;
        for (column, mark) in marks.into_iter().filter(|(_, mark)| mark.sound) {
            if let (Some(field), Some(at)) = (columns.get(&i64::from(column)), mark.at()) {
                note_later(&mut last, field.clone(), at);
            }
        }
        Ok(last)
    }

    /// Keeps several actions: all of them or none. An action that is kept already is left as it is.
    ///
    /// # Errors
    /// [`StoreError`]; then nothing of any of them has been kept.
    pub fn keep_all(&mut self, ops: &[Op]) -> Result<(), StoreError> {
        let doing = "keep the actions";
        let tx = self.begin(doing)?;
        for op in ops {
            let known: i64 = tx
                .query_row("SELECT count(*) FROM op WHERE id = ?1", [op.id.to_string()], |row| {
                    row.get(0)
                })
                .map_err(StoreError::sql(doing))?;
            if known == 0 {
                write_op(&tx, op, None)?;
            }
        }
        tx.commit().map_err(StoreError::sql(doing))
    }
}

fn note_later(last: &mut HashMap<String, DateTime<FixedOffset>>, field: String, at: DateTime<FixedOffset>) {
    let entry = last.entry(field).or_insert(at);
    *entry = at.max(*entry);
}
