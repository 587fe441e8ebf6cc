//! What the office asks of the book: many sites at once, over years.

use super::query::{date_of, iso, uuid_of};
use super::{Store, StoreError};
use crate::domain::record::{Accepted, Price, Record, SiteId, Stop, StopId, WorkLine};
use chrono::NaiveDate;
use rusqlite::params;

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
}

/// Which sites are asked for by date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DueRange {
    /// Due within these days, both included; an open end is `None`.
    Between(Option<NaiveDate>, Option<NaiveDate>),
    /// With no date at all.
    Undated,
}

/// One pump-out, with what is needed to account for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PumpedRow {
    /// The day of the stop.
    pub day: NaiveDate,
    /// When the truck arrived, as kept.
    pub started_at: Option<String>,
    /// The stop.
    pub stop: StopId,
    /// The site.
    pub site: SiteId,
    /// The site's name.
    pub name: String,
    /// Street address.
    pub address: String,
    /// Town.
    pub town: String,
    /// The customer.
    pub customer: String,
    /// The tank's name, empty for the only one.
    pub tank: String,
    /// Taken out, millilitres.
    pub out_ml: i64,
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

    /// Lists what was pumped out between two days, both included, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn pumped_between(&self, from: NaiveDate, to: NaiveDate) -> Result<Vec<PumpedRow>, StoreError> {
        let doing = "list what was pumped";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT s.day, s.started_at, s.id, t.id, t.name, t.address, t.town, t.customer, k.name, p.out_ml
                 FROM stop s JOIN pumping p ON p.stop = s.id JOIN site t ON t.id = s.site JOIN tank k ON k.id = p.tank
                 WHERE s.day BETWEEN ?1 AND ?2 AND s.removed = 0 AND p.removed = 0 AND p.out_ml IS NOT NULL
                 ORDER BY s.day, s.place, s.id, k.place",
            )
            .map_err(StoreError::sql(doing))?;
        let rows = select
            .query_map([iso(from), iso(to)], |row| {
                Ok(PumpedRow {
                    day: date_of(row, 0)?.unwrap_or_default(),
                    started_at: row.get(1)?,
                    stop: StopId(uuid_of(row, 2)?),
                    site: SiteId(uuid_of(row, 3)?),
                    name: row.get(4)?,
                    address: row.get(5)?,
                    town: row.get(6)?,
                    customer: row.get(7)?,
                    tank: row.get(8)?,
                    out_ml: row.get(9)?,
                })
            })
            .map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
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
                        w.tax_permille, w.accepted
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
                        accepted,
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
        self.select("WHERE t.stop = ?1 AND t.removed = 0 ORDER BY t.place, t.id", &[&stop.to_string()])
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

    /// Whether a record is in the book, taken away or not.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn has<R: Record>(&self, id: uuid::Uuid) -> Result<bool, StoreError> {
        Ok(!self.select::<R>("WHERE t.id = ?1", &[&id.to_string()])?.is_empty())
    }
}
