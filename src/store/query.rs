//! What the screens and the calculations ask of the book.

use super::{Store, StoreError, cell_of};
use crate::domain::record::{
    Compartment, CompartmentId, Condition, Fixture, Flush, Kept, LeakRun, Lid, Photo, Pin, Pumping, Reading, Record,
    RodProbe, Setup, SetupId, SignSeen, Site, SiteId, Station, Stop, StopId, Tank, TapeTie, TruckId, Visit, YardClue,
};
use chrono::{DateTime, FixedOffset, NaiveDate, SecondsFormat};
use rusqlite::{OptionalExtension, ToSql, params};
use std::collections::BTreeSet;
use uuid::Uuid;

/// One line of the list of all sites.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BookRow<'a> {
    /// The site.
    pub id: SiteId,
    /// What the crew calls it.
    pub name: &'a str,
    /// Address and town on one line.
    pub address: &'a str,
    /// Customer and telephone, searched but not shown.
    pub customer: &'a str,
    /// Position in 1e-7 degrees, latitude first.
    pub position_e7: Option<(i64, i64)>,
    /// When it is due.
    pub due_on: Option<NaiveDate>,
}

/// The list of all sites.
///
/// Their words lie in one piece: with strings of their own, 20,000 sites took three times the memory.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BookList {
    text: String,
    rows: Vec<Listed>,
}

/// Where a line's words are in the text, one after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Listed {
    id: SiteId,
    start: usize,
    name_end: usize,
    address_end: usize,
    end: usize,
    position_e7: Option<(i64, i64)>,
    due_on: Option<NaiveDate>,
}

impl BookList {
    /// Returns how many sites there are.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there is none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Returns a line by its place in the list.
    #[must_use]
    pub fn get(&self, index: usize) -> Option<BookRow<'_>> {
        self.rows.get(index).map(|row| row.in_words(&self.text))
    }

    /// Walks through the list.
    #[must_use]
    pub fn iter(&self) -> impl ExactSizeIterator<Item = BookRow<'_>> {
        self.rows.iter().map(|row| row.in_words(&self.text))
    }

    fn add(&mut self, row: &rusqlite::Row<'_>) -> rusqlite::Result<()> {
        let text_of = |column| -> rusqlite::Result<&str> { Ok(row.get_ref(column)?.as_str()?) };
        let start = self.text.len();
        self.text.push_str(text_of(1)?);
        let name_end = self.text.len();
        let (address, town) = (text_of(2)?, text_of(3)?);
        self.text.push_str(address);
        if !address.is_empty() && !town.is_empty() {
            self.text.push_str(", ");
        }
        self.text.push_str(town);
        let address_end = self.text.len();
        for part in [text_of(4)?, " ", text_of(5)?] {
            self.text.push_str(part);
        }
        let (lat, lon): (Option<i64>, Option<i64>) = (row.get(6)?, row.get(7)?);
        self.rows.push(Listed {
            id: SiteId(uuid_of(row, 0)?),
            start,
            name_end,
            address_end,
            end: self.text.len(),
            position_e7: lat.zip(lon),
            due_on: date_of(row, 8)?,
        });
        Ok(())
    }

    /// By name whatever its case, then by address, then by id.
    ///
    /// Here and not in the statement: `SQLite` would hold every line a second time to sort them, and takes longer.
    fn sort(&mut self) {
        let text = &self.text;
        self.rows.sort_unstable_by(|a, b| {
            let (a, b) = (a.in_words(text), b.in_words(text));
            small_letters(a.name)
                .cmp(small_letters(b.name))
                .then_with(|| a.address.cmp(b.address))
                .then_with(|| a.id.cmp(&b.id))
        });
    }
}

fn small_letters(name: &str) -> impl Iterator<Item = u8> {
    name.bytes().map(|byte| byte.to_ascii_lowercase())
}

impl Listed {
    fn in_words(self, text: &str) -> BookRow<'_> {
        let words = |from, to| text.get(from..to).unwrap_or_default();
        BookRow {
            id: self.id,
            name: words(self.start, self.name_end),
            address: words(self.name_end, self.address_end),
            customer: words(self.address_end, self.end),
            position_e7: self.position_e7,
            due_on: self.due_on,
        }
    }
}

/// One line of the day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayRow {
    /// The stop.
    pub stop: Stop,
    /// The site's name.
    pub site_name: String,
    /// The site's next due date.
    pub due_on: Option<NaiveDate>,
    /// The site's position in 1e-7 degrees, latitude first.
    pub position_e7: Option<(i64, i64)>,
    /// How many earlier stops there were.
    pub earlier: i64,
}

/// What one finished stop left behind for one compartment of one tank.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HistoryRow {
    /// The stop.
    pub stop: Stop,
    /// The readings of the stop.
    pub readings: Vec<Reading>,
    /// The pumpings of the stop.
    pub pumpings: Vec<Pumping>,
}

/// What belongs to the tanks of a site, tank by tank.
const OF_TANKS: &str = "JOIN tank k ON k.id = t.tank WHERE k.site = ?1 AND t.removed = 0 AND k.removed = 0
  ORDER BY k.place, k.id, t.place, t.id";

impl Store {
    pub(super) fn select<R: Record>(&self, tail: &str, values: &[&dyn ToSql]) -> Result<Vec<R>, StoreError> {
        let doing = "read the book";
        let sql = format!("SELECT t.id, {} FROM {} t {tail}", columns::<R>("t"), R::TABLE);
        let mut select = self.db.prepare_cached(&sql).map_err(StoreError::sql(doing))?;
        let mut rows = select.query(values).map_err(StoreError::sql(doing))?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            list.push(record_of(row, 0)?);
        }
        Ok(list)
    }

    /// Answers several questions about the same moment, in one transaction that only reads.
    ///
    /// # Errors
    /// What the questions return, or [`StoreError`] when the book cannot be read.
    pub fn at_one_moment<T>(&self, questions: impl FnOnce(&Self) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let reading = self
            .db
            .unchecked_transaction()
            .map_err(StoreError::sql("read the book"))?;
        let answer = questions(self);
        drop(reading);
        answer
    }

    pub(super) fn one<R: Record>(&self, id: Uuid) -> Result<R, StoreError> {
        self.select::<R>("WHERE t.id = ?1", &[&id.to_string()])?
            .pop()
            .ok_or(StoreError::Missing { record: R::TABLE })
    }

    /// Reads how the phone is set up, `None` before the first run has been answered.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn setup(&self) -> Result<Option<Setup>, StoreError> {
        Ok(self
            .select::<Setup>("WHERE t.id = ?1", &[&SetupId::OWN.to_string()])?
            .pop())
    }

    /// Reads how the phone that rides on a truck is set up, as its files say; `None` for a truck of no phone.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn setup_of_truck(&self, truck: TruckId) -> Result<Option<Setup>, StoreError> {
        Ok(self
            .select::<Setup>(
                "WHERE t.truck = ?1 AND t.removed = 0 ORDER BY t.id DESC",
                &[&truck.to_string()],
            )?
            .pop())
    }

    /// Reads a site.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is none.
    pub fn site(&self, id: SiteId) -> Result<Site, StoreError> {
        self.one(id.0)
    }

    /// Reads a site with its tanks, compartments and lids, without what has been removed. The stop is empty.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no such site.
    pub fn site_whole(&self, id: SiteId) -> Result<Visit, StoreError> {
        let key = id.to_string();
        let of_yard = "WHERE t.site = ?1 AND t.removed = 0 ORDER BY t.place, t.id";
        Ok(Visit {
            site: self.site(id)?,
            lids: self.select::<Lid>(OF_TANKS, &[&key])?,
            pins: self.select::<Pin>(of_yard, &[&key])?,
            ties: self.select::<TapeTie>(of_yard, &[&key])?,
            clues: self.select::<YardClue>(of_yard, &[&key])?,
            probes: self.select::<RodProbe>(of_yard, &[&key])?,
            fixtures: self.select::<Fixture>(of_yard, &[&key])?,
            ..self.tanks_of(id)?
        })
    }

    /// Reads the tanks of a site and their compartments, and nothing else of it.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn tanks_of(&self, site: SiteId) -> Result<Visit, StoreError> {
        let key = site.to_string();
        Ok(Visit {
            tanks: self.select::<Tank>("WHERE t.site = ?1 AND t.removed = 0 ORDER BY t.place, t.id", &[&key])?,
            compartments: self.select::<Compartment>(OF_TANKS, &[&key])?,
            ..Visit::default()
        })
    }

    /// Reads a stop with everything its screens need.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no such stop.
    pub fn visit(&self, id: StopId) -> Result<Visit, StoreError> {
        let stop: Stop = self.one(id.0)?;
        let key = id.to_string();
        let mut visit = self.site_whole(stop.site)?;
        let of_stop = "WHERE t.stop = ?1 AND t.removed = 0 ORDER BY t.id";
        visit.readings = self.select::<Reading>(of_stop, &[&key])?;
        visit.pumpings = self.select::<Pumping>(of_stop, &[&key])?;
        visit.flushes = self.select::<Flush>(of_stop, &[&key])?;
        visit.signs = self.select::<SignSeen>(of_stop, &[&key])?;
        visit.conditions = self.select::<Condition>(of_stop, &[&key])?;
        visit.leak_runs = self.select::<LeakRun>(
            "WHERE t.stop = ?1 AND t.removed = 0 ORDER BY t.started_at, t.id",
            &[&key],
        )?;
        visit.work = self.work_lines(id)?;
        visit.stop = stop;
        Ok(visit)
    }

    /// Reads the site's finished stops, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn history(&self, site: SiteId) -> Result<Vec<HistoryRow>, StoreError> {
        let stops = self.select::<Stop>(
            "WHERE t.site = ?1 AND t.removed = 0 AND t.finished_at IS NOT NULL ORDER BY t.day, t.finished_at, t.id",
            &[&site.to_string()],
        )?;
        stops
            .into_iter()
            .map(|stop| {
                let key = stop.id.to_string();
                Ok(HistoryRow {
                    readings: self.select("WHERE t.stop = ?1 AND t.removed = 0 ORDER BY t.id", &[&key])?,
                    pumpings: self.select("WHERE t.stop = ?1 AND t.removed = 0 ORDER BY t.id", &[&key])?,
                    stop,
                })
            })
            .collect()
    }

    /// Lists all sites by name.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn book(&self) -> Result<BookList, StoreError> {
        let doing = "list the sites";
        let mut select = self
            .db
            .prepare_cached(
                "SELECT id, name, address, town, customer, phone, lat_e7, lon_e7, due_on FROM site WHERE removed = 0",
            )
            .map_err(StoreError::sql(doing))?;
        let mut list = BookList::default();
        let mut rows = select.query([]).map_err(StoreError::sql(doing))?;
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            list.add(row).map_err(StoreError::sql(doing))?;
        }
        list.text.shrink_to_fit();
        list.rows.shrink_to_fit();
        list.sort();
        Ok(list)
    }

    /// Lists the stops of a day in their order.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn day(&self, day: NaiveDate) -> Result<Vec<DayRow>, StoreError> {
        let doing = "list the day's stops";
        let stops = self.select::<Stop>(
            "WHERE t.day = ?1 AND t.removed = 0 ORDER BY t.place, t.id",
            &[&iso(day)],
        )?;
        let mut select = self
            .db
            .prepare_cached(
                "SELECT s.name, s.due_on, s.lat_e7, s.lon_e7,
                   (SELECT count(*) FROM stop p WHERE p.site = s.id AND p.removed = 0 AND p.finished_at IS NOT NULL AND p.day < ?2)
                 FROM site s WHERE s.id = ?1",
            )
            .map_err(StoreError::sql(doing))?;
        stops
            .into_iter()
            .map(|stop| {
                select
                    .query_row(params![stop.site.to_string(), iso(day)], |row| {
                        let (lat, lon): (Option<i64>, Option<i64>) = (row.get(2)?, row.get(3)?);
                        Ok(DayRow {
                            site_name: row.get(0)?,
                            due_on: date_of(row, 1)?,
                            position_e7: lat.zip(lon),
                            earlier: row.get(4)?,
                            stop: stop.clone(),
                        })
                    })
                    .map_err(StoreError::sql(doing))
            })
            .collect()
    }

    /// Returns the stop that was begun and not finished and was touched last, so that a killed app reopens it.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn open_stop(&self) -> Result<Option<StopId>, StoreError> {
        let doing = "look for an open stop";
        let on_screen = self.meta("on_screen")?;
        let Some(on_screen) = on_screen.filter(|id| !id.is_empty()) else {
            return Ok(None);
        };
        self.db
            .query_row(
                "SELECT id FROM stop WHERE id = ?1 AND removed = 0 AND finished_at IS NULL",
                [on_screen],
                |row| uuid_of(row, 0),
            )
            .optional()
            .map(|id| id.map(StopId))
            .map_err(StoreError::sql(doing))
    }

    /// Notes which stop is on the screen, `None` when none is.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written.
    pub fn set_open_stop(&self, stop: Option<StopId>) -> Result<(), StoreError> {
        self.set_meta("on_screen", &stop.map(|id| id.to_string()).unwrap_or_default())
    }

    /// Counts actions kept, undone ones and undos included.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn op_count(&self) -> Result<i64, StoreError> {
        self.db
            .query_row("SELECT count(*) FROM op", [], |row| row.get(0))
            .map_err(StoreError::sql("count the actions"))
    }

    /// Returns when the last action of a stop was kept.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn last_kept(&self, stop: StopId) -> Result<Option<DateTime<FixedOffset>>, StoreError> {
        self.db
            .query_row(
                "SELECT at FROM op WHERE stop = ?1 ORDER BY seq DESC LIMIT 1",
                [stop.to_string()],
                |row| row.get::<_, String>(0),
            )
            .optional()
            .map(|at| at.and_then(|at| DateTime::parse_from_rfc3339(&at).ok()))
            .map_err(StoreError::sql("read the log"))
    }

    /// Returns the station a stop stands at.
    ///
    /// # Errors
    /// [`StoreError::Missing`] when there is no such stop.
    pub fn station(&self, stop: StopId) -> Result<Station, StoreError> {
        Ok(self.one::<Stop>(stop.0)?.station)
    }

    /// Reads a site's photos in the order they were taken in, without what has been removed.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn photos(&self, site: SiteId) -> Result<Vec<Photo>, StoreError> {
        self.select(
            "WHERE t.site = ?1 AND t.removed = 0 ORDER BY t.place, t.id",
            &[&site.to_string()],
        )
    }

    /// Returns the place after a site's last photo.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn next_photo_place(&self, site: SiteId) -> Result<i64, StoreError> {
        self.db
            .query_row(
                "SELECT coalesce(max(place) + 1, 0) FROM photo WHERE site = ?1",
                [site.to_string()],
                |row| row.get(0),
            )
            .map_err(StoreError::sql("count the photos"))
    }

    /// Whether a stop, or the site outside any stop, already has another photo with the same picture.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn has_same_photo(&self, photo: &Photo) -> Result<bool, StoreError> {
        self.db
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM photo WHERE site = ?1 AND stop IS ?2 AND hash = ?3 AND id <> ?4 AND removed = 0)",
            )
            .and_then(|mut select| {
                select.query_row(
                    params![
                        photo.site.to_string(),
                        photo.stop.map(|stop| stop.to_string()),
                        photo.hash,
                        photo.id.to_string()
                    ],
                    |row| row.get(0),
                )
            })
            .map_err(StoreError::sql("look for the photo"))
    }

    /// Lists the hash of every photo, removed ones too: an undo may bring them back.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn photo_hashes(&self) -> Result<BTreeSet<String>, StoreError> {
        let doing = "list the photos";
        let mut select = self
            .db
            .prepare("SELECT DISTINCT hash FROM photo")
            .map_err(StoreError::sql(doing))?;
        let rows = select.query_map([], |row| row.get(0)).map_err(StoreError::sql(doing))?;
        rows.collect::<Result<_, _>>().map_err(StoreError::sql(doing))
    }

    /// Returns the compartments a removed tank or an undone step left without an owner; always empty in a sound book.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn orphans(&self) -> Result<Vec<CompartmentId>, StoreError> {
        let list = self.select::<Compartment>("LEFT JOIN tank k ON k.id = t.tank WHERE k.id IS NULL", &[])?;
        Ok(list.into_iter().map(|compartment| compartment.id).collect())
    }
}

pub(super) fn iso(day: NaiveDate) -> String {
    day.format("%Y-%m-%d").to_string()
}

/// A moment as the book keeps it.
pub(super) fn text_of(at: DateTime<FixedOffset>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Millis, false)
}

pub(super) fn columns<R: Record>(alias: &str) -> String {
    R::FIELDS
        .iter()
        .map(|field| format!("{alias}.{field}"))
        .collect::<Vec<_>>()
        .join(", ")
}

pub(super) fn record_of<R: Record>(row: &rusqlite::Row<'_>, first: usize) -> Result<R, StoreError> {
    let doing = "read the book";
    let id = uuid_of(row, first).map_err(StoreError::sql(doing))?;
    let cells = (0..R::FIELDS.len())
        .map(|i| row.get_ref(first + 1 + i).map(cell_of))
        .collect::<Result<Vec<_>, _>>()
        .map_err(StoreError::sql(doing))?;
    R::from_cells(id, &cells).map_err(|field| StoreError::Damaged {
        detail: format!("{} {id} has an unreadable {field}", R::TABLE),
    })
}

pub(super) fn uuid_of(row: &rusqlite::Row<'_>, index: usize) -> rusqlite::Result<Uuid> {
    let text: String = row.get(index)?;
    Uuid::parse_str(&text)
        .map_err(|error| rusqlite::Error::FromSqlConversionFailure(index, rusqlite::types::Type::Text, Box::new(error)))
}

pub(super) fn date_of(row: &rusqlite::Row<'_>, index: usize) -> rusqlite::Result<Option<NaiveDate>> {
    Ok(Option::<NaiveDate>::from_cell(&cell_of(row.get_ref(index)?)).flatten())
}
