//! What the truck's ledger and the hauled-waste records are made of.

use super::query::{columns, iso, record_of, text_of};
use super::{Store, StoreError};
use crate::domain::ledger::{Entry, EntryKind, Ledger, LedgerTank};
use crate::domain::record::{
    DayClose, Disposal, DisposalPlace, LoadCorrection, Pumping, Record, Site, Stop, StopId, Tank, Truck, TruckId,
    TruckTank, TruckTankId, WasteRecord,
};
use chrono::{DateTime, FixedOffset, NaiveDate};
use rusqlite::ToSql;
use uuid::Uuid;

/// What went into which tank of a truck, as [`Pumping::parts`] says it: the table `part` of a statement, with when the stop
/// was begun. Its tank is null where the pumping names none.
///
/// * `stops`: which stops `s` are meant, as a condition
pub(super) fn parts(stops: &str) -> String {
    format!(
        "spread (id, stop, at, tank, out_ml, second, over_ml) AS (
           SELECT p.id, p.stop, s.started_at, truck_tank, out_ml, second_tank, {OVER}
           FROM stop s CROSS JOIN pumping p ON p.stop = s.id
           WHERE s.removed = 0 AND {stops} AND p.removed = 0 AND out_ml IS NOT NULL AND pumped IS NOT 0),
         part (id, stop, at, tank, ml) AS (
           SELECT id, stop, at, tank, out_ml - over_ml FROM spread WHERE over_ml = 0 OR over_ml <> out_ml
           UNION ALL SELECT id, stop, at, second, over_ml FROM spread WHERE over_ml > 0)"
    )
}

/// What of a pumping `p` ran over into a second tank.
const OVER: &str = "CASE WHEN p.second_tank IS NULL OR p.second_tank IS p.truck_tank THEN 0
    ELSE max(0, min(coalesce(p.second_ml, 0), p.out_ml)) END";

/// An amount, of which no more is believed than a thousand million litres.
fn bounded(amount: &str) -> String {
    format!("max(-1000000000000, min({amount}, 1000000000000))")
}

/// The stops begun, in the words of the index `stop_by_start`.
const BEGUN: &str = "s.started_at IS NOT NULL AND substr(s.started_at, 1, 10)";

/// One pumping with where it was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoadRow {
    /// The pumping.
    pub pumping: Pumping,
    /// The stop.
    pub stop: Stop,
    /// The site.
    pub site: Site,
    /// The customer's tank.
    pub tank: Tank,
}

impl LoadRow {
    /// Returns when it was collected: when the stop was begun.
    #[must_use]
    pub fn at(&self) -> Option<DateTime<FixedOffset>> {
        self.stop.started_at
    }
}

/// One truck with everything of its ledger since a day.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TruckRows {
    /// The truck; its id is nil while there is none.
    pub truck: Truck,
    /// Its tanks, in order.
    pub tanks: Vec<TruckTank>,
    /// What was in each tank when the period begins, millilitres.
    pub before_ml: Vec<(TruckTankId, i64)>,
    /// What was pumped in the period, in order of time.
    pub loads: Vec<LoadRow>,
    /// What was let out in the period, in order of time.
    pub disposals: Vec<Disposal>,
    /// What was corrected in the period, in order of time.
    pub corrections: Vec<LoadCorrection>,
    /// The days closed in the period.
    pub closes: Vec<DayClose>,
    /// The records kept when days were closed.
    pub records: Vec<WasteRecord>,
}

impl TruckRows {
    /// Returns the tank a pumping went into: the one it names, else the first.
    #[must_use]
    pub fn tank_of(&self, pumping: &Pumping) -> Option<TruckTankId> {
        pumping.truck_tank.or_else(|| self.tanks.first().map(|tank| tank.id))
    }

    /// Returns the ledger of the period.
    ///
    /// * `without`: a stop whose pumpings are left out, because the caller has newer ones
    #[must_use]
    pub fn ledger(&self, without: Option<StopId>) -> Ledger {
        self.ledger_with(without, &[])
    }

    /// Returns the ledger of the period with the pumpings of one stop as they are now.
    #[must_use]
    pub fn ledger_of_stop(&self, stop: &Stop, pumpings: &[Pumping]) -> Ledger {
        let now = pumpings
            .iter()
            .filter(|pumping| !pumping.removed)
            .flat_map(|pumping| self.collected(pumping, stop))
            .collect::<Vec<_>>();
        self.ledger_with(Some(stop.id), &now)
    }

    fn ledger_with(&self, without: Option<StopId>, more: &[Entry]) -> Ledger {
        let tanks = self
            .tanks
            .iter()
            .map(|tank| LedgerTank {
                id: tank.id,
                capacity_ml: tank.capacity_ml,
                before_ml: self
                    .before_ml
                    .iter()
                    .find(|(id, _)| *id == tank.id)
                    .map_or(0, |(_, ml)| *ml),
            })
            .collect();
        let collected = self
            .loads
            .iter()
            .filter(|row| Some(row.stop.id) != without)
            .flat_map(|row| self.collected(&row.pumping, &row.stop));
        let disposed = self.disposals.iter().filter_map(|disposal| {
            let at = disposal.at?;
            Some(Entry {
                id: disposal.id.0,
                at,
                day: at.date_naive(),
                tank: disposal.truck_tank,
                kind: EntryKind::Disposed,
                amount_ml: disposal.out_ml,
            })
        });
        let corrected = self.corrections.iter().filter_map(|correction| {
            let at = correction.at?;
            Some(Entry {
                id: correction.id.0,
                at,
                day: at.date_naive(),
                tank: correction.truck_tank,
                kind: EntryKind::Correction {
                    of: Uuid::parse_str(&correction.corrects).ok(),
                },
                amount_ml: correction.change_ml,
            })
        });
        Ledger::new(
            tanks,
            collected
                .chain(disposed)
                .chain(corrected)
                .chain(more.iter().copied())
                .collect(),
        )
    }

    /// A pumping as entries, one for each tank of a truck it went into: nothing is collected where somebody said that it was
    /// not pumped.
    fn collected(&self, pumping: &Pumping, stop: &Stop) -> Vec<Entry> {
        let Some(at) = stop.started_at.filter(|_| pumping.pumped != Some(false)) else {
            return Vec::new();
        };
        pumping
            .parts(self.tank_of(pumping))
            .into_iter()
            .filter(|(tank, _)| self.opened(*tank).is_none_or(|opened| at > opened))
            .map(|(tank, amount_ml)| Entry {
                id: pumping.id.0,
                at,
                day: at.date_naive(),
                tank,
                kind: EntryKind::Collected,
                amount_ml,
            })
            .collect()
    }

    fn opened(&self, tank: TruckTankId) -> Option<DateTime<FixedOffset>> {
        self.tanks.iter().find(|own| own.id == tank)?.opened_at
    }
}

impl Store {
    /// Reads the truck this phone rides on, with its ledger since `since`. The load before that is added up.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn truck(&self, id: Option<TruckId>, since: NaiveDate) -> Result<TruckRows, StoreError> {
        let Some(id) = id else {
            return Ok(TruckRows::default());
        };
        let (key, day) = (id.to_string(), iso(since));
        let truck = self.one::<Truck>(id.0)?;
        let tanks = self.select::<TruckTank>("WHERE t.truck = ?1 AND t.removed = 0 ORDER BY t.place, t.id", &[&key])?;
        let first = tanks.first().map(|tank| tank.id.to_string()).unwrap_or_default();
        let of_truck = "JOIN truck_tank k ON k.id = t.truck_tank
             WHERE k.truck = ?1 AND t.removed = 0 AND substr(t.at, 1, 10) >= ?2
               AND (k.opened_at IS NULL OR julianday(t.at) > julianday(k.opened_at))
             ORDER BY julianday(t.at), t.id";
        let mut rows = TruckRows {
            before_ml: self.before_ml(&tanks, &day)?,
            disposals: self.select(of_truck, &[&key, &day])?,
            corrections: self.select(of_truck, &[&key, &day])?,
            closes: self.select(
                "WHERE t.truck = ?1 AND t.removed = 0 AND t.day >= ?2 ORDER BY t.day, t.id",
                &[&key, &day],
            )?,
            records: self.select("WHERE t.removed = 0 AND t.day >= ?1 ORDER BY t.day, t.id", &[&day])?,
            loads: self.loads(&key, &first, &day)?,
            truck,
            tanks,
        };
        // What was pumped before a tank's load began to be counted is on nobody's record here.
        let is_counted = |tank: TruckTankId, row: &LoadRow| {
            rows.opened(tank)
                .is_none_or(|opened| row.at().is_some_and(|at| at > opened))
        };
        let kept = rows
            .loads
            .iter()
            .filter(|row| {
                let parts = row.pumping.parts(rows.tank_of(&row.pumping));
                let alone = rows.tank_of(&row.pumping).filter(|_| parts.is_empty());
                let mut tanks = parts.iter().map(|(tank, _)| *tank).chain(alone).peekable();
                tanks.peek().is_none() || tanks.any(|tank| is_counted(tank, row))
            })
            .cloned()
            .collect();
        rows.loads = kept;
        Ok(rows)
    }

    /// Reads every place waste was ever taken to, by name.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn disposal_places(&self) -> Result<Vec<DisposalPlace>, StoreError> {
        self.select("WHERE t.removed = 0 ORDER BY t.name COLLATE NOCASE, t.id", &[])
    }

    /// What was in each tank of a truck when `day` began. One amount is never counted as more than a thousand million litres,
    /// so that no sum can overflow whatever a file holds.
    ///
    /// Three small statements for each tank: made into one, it takes longer to make than to answer.
    fn before_ml(&self, tanks: &[TruckTank], day: &str) -> Result<Vec<(TruckTankId, i64)>, StoreError> {
        let first = tanks.first().map(|tank| tank.id.to_string()).unwrap_or_default();
        let collected = format!(
            "SELECT coalesce(sum({}), 0) FROM stop s CROSS JOIN pumping p ON p.stop = s.id
             WHERE s.removed = 0 AND {BEGUN} < ?2 AND p.removed = 0 AND p.out_ml IS NOT NULL AND p.pumped IS NOT 0
               AND ?1 IN (coalesce(p.truck_tank, ?4), p.second_tank)
               AND (?3 IS NULL OR julianday(s.started_at) > julianday(?3))",
            bounded(&format!(
                "iif(?1 = coalesce(p.truck_tank, ?4), p.out_ml - ({OVER}), 0) + iif(?1 = p.second_tank, ({OVER}), 0)"
            ))
        );
        let since_opened = |table: &str, amount: &str| {
            format!(
                "SELECT coalesce(sum({}), 0) FROM {table} t
                 WHERE t.truck_tank = ?1 AND t.removed = 0 AND substr(t.at, 1, 10) < ?2
                   AND (?3 IS NULL OR julianday(t.at) > julianday(?3))",
                bounded(amount)
            )
        };
        let (disposed, corrected) = (
            since_opened(Disposal::TABLE, "t.out_ml"),
            since_opened(LoadCorrection::TABLE, "t.change_ml"),
        );
        tanks
            .iter()
            .map(|tank| {
                let (key, opened) = (tank.id.to_string(), tank.opened_at.map(text_of));
                let sum = |sql: &str, values: &[&dyn ToSql]| -> Result<i64, StoreError> {
                    self.db
                        .prepare_cached(sql)
                        .and_then(|mut select| select.query_row(values, |row| row.get(0)))
                        .map_err(StoreError::sql("add up the truck's load"))
                };
                let before_ml = tank
                    .opening_ml
                    .saturating_add(sum(&collected, &[&key, &day, &opened, &first])?)
                    .saturating_sub(sum(&disposed, &[&key, &day, &opened])?)
                    .saturating_add(sum(&corrected, &[&key, &day, &opened])?);
                Ok((tank.id, before_ml))
            })
            .collect()
    }

    /// Reads what was collected since a day and lies in no tank of any truck: the truck is nobody's, and so is what was let
    /// out and corrected without one.
    ///
    /// * returns: a truck without tanks; what its ledger holds is on board of no truck
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn truck_of_nobody(&self, since: NaiveDate) -> Result<TruckRows, StoreError> {
        let day = iso(since);
        let of_nobody = "WHERE t.removed = 0 AND t.truck_tank IS NULL AND substr(t.at, 1, 10) >= ?1
             ORDER BY julianday(t.at), t.id";
        Ok(TruckRows {
            loads: self.loads_where(
                "?1",
                "NOT EXISTS (
                   SELECT 1 FROM truck_tank o JOIN truck c ON c.id = o.truck
                   WHERE o.removed = 0 AND c.removed = 0 AND o.id IN (p.truck_tank, p.second_tank))",
                &[&day],
            )?,
            disposals: self.select(of_nobody, &[&day])?,
            corrections: self.select(of_nobody, &[&day])?,
            records: self.select("WHERE t.removed = 0 AND t.day >= ?1 ORDER BY t.day, t.id", &[&day])?,
            ..TruckRows::default()
        })
    }

    fn loads(&self, truck: &str, first: &str, day: &str) -> Result<Vec<LoadRow>, StoreError> {
        self.loads_where(
            "?3",
            "(coalesce(p.truck_tank, ?2) IN (SELECT id FROM truck_tank WHERE truck = ?1)
               OR p.second_tank IN (SELECT id FROM truck_tank WHERE truck = ?1))",
            &[&truck, &first, &day],
        )
    }

    /// * `since`: the parameter that says from which day on
    fn loads_where(&self, since: &str, condition: &str, values: &[&dyn ToSql]) -> Result<Vec<LoadRow>, StoreError> {
        let doing = "list the truck's loads";
        let sql = format!(
            "SELECT p.id, {}, s.id, {}, h.id, {}, k.id, {}
             FROM stop s CROSS JOIN pumping p ON p.stop = s.id JOIN site h ON h.id = s.site JOIN tank k ON k.id = p.tank
             WHERE s.removed = 0 AND {BEGUN} >= {since} AND p.removed = 0 AND p.pumped IS NOT 0 AND (p.out_ml IS NOT NULL OR p.pumped = 1)
               AND {condition}
             ORDER BY julianday(s.started_at), k.place, p.id",
            columns::<Pumping>("p"),
            columns::<Stop>("s"),
            columns::<Site>("h"),
            columns::<Tank>("k")
        );
        let mut select = self.db.prepare_cached(&sql).map_err(StoreError::sql(doing))?;
        let mut rows = select.query(values).map_err(StoreError::sql(doing))?;
        let mut list = Vec::new();
        let (stop_at, site_at) = (
            1 + Pumping::FIELDS.len(),
            2 + Pumping::FIELDS.len() + Stop::FIELDS.len(),
        );
        let tank_at = site_at + 1 + Site::FIELDS.len();
        while let Some(row) = rows.next().map_err(StoreError::sql(doing))? {
            list.push(LoadRow {
                pumping: record_of(row, 0)?,
                stop: record_of(row, stop_at)?,
                site: record_of(row, site_at)?,
                tank: record_of(row, tank_at)?,
            });
        }
        Ok(list)
    }
}
