//! From what is kept to what the calculations take.

use crate::domain::assess::{SiteFacts, WorkInput};
use crate::domain::reading::{PastVisit, Reading as ReadingFacts, Visit as VisitFacts};
use crate::domain::record::{Compartment, Pumping, Reading, Setup, ShapeKind, Stop, Tank, TankId, Visit};
use crate::domain::riser::{Lid as LidFacts, Prices};
use crate::domain::tank::{Compartment as CompartmentFacts, DipRow, Tank as TankFacts, TankShape};
use crate::domain::units::{Length, Offset, Volume};
use crate::store::HistoryRow;
use chrono::NaiveDate;

/// Returns the shape a compartment was recorded with, `None` while a size it needs is missing.
#[must_use]
pub fn shape_of(compartment: &Compartment) -> Option<TankShape> {
    Some(match compartment.shape {
        ShapeKind::Box => TankShape::Box {
            length: compartment.length_mm?,
            width: compartment.width_mm?,
        },
        ShapeKind::UprightCylinder => TankShape::UprightCylinder {
            diameter: compartment.diameter_mm?,
        },
        ShapeKind::LevelCylinder => TankShape::LevelCylinder {
            diameter: compartment.diameter_mm?,
            length: compartment.length_mm?,
        },
        ShapeKind::ObroundPlan => TankShape::ObroundPlan {
            length: compartment.length_mm?,
            width: compartment.width_mm?,
        },
        ShapeKind::ObroundSection => TankShape::ObroundSection {
            radius: compartment.radius_mm?,
            straight: compartment.straight_mm?,
            length: compartment.length_mm?,
        },
        ShapeKind::EllipseSection => TankShape::EllipseSection {
            height: compartment.height_mm?,
            width: compartment.width_mm?,
            length: compartment.length_mm?,
        },
        ShapeKind::DipTable => {
            let rows = dip_rows(&compartment.dip_rows);
            if rows.is_empty() {
                return None;
            }
            TankShape::DipTable {
                rows: rows
                    .into_iter()
                    .map(|(depth, ml)| DipRow {
                        depth,
                        volume: Volume::from_whole_ml(ml),
                    })
                    .collect(),
            }
        }
        ShapeKind::Nominal => TankShape::Nominal {
            capacity: Volume::from_whole_ml(compartment.nominal_ml?),
        },
    })
}

/// Reads a kept dip table: depth and millilitres. What cannot be read is an empty table.
#[must_use]
pub fn dip_rows(json: &str) -> Vec<(Length, i64)> {
    if json.is_empty() {
        return Vec::new();
    }
    serde_json::from_str::<Vec<(u32, i64)>>(json)
        .unwrap_or_default()
        .into_iter()
        .map(|(mm, ml)| (Length::from_mm(mm), ml))
        .collect()
}

/// Writes a dip table the way it is kept.
#[must_use]
pub fn dip_json(rows: &[(Length, i64)]) -> String {
    if rows.is_empty() {
        return String::new();
    }
    serde_json::Value::from(
        rows.iter()
            .map(|(depth, ml)| serde_json::json!([depth.as_mm(), ml]))
            .collect::<Vec<_>>(),
    )
    .to_string()
}

/// Reads kept sludge probes.
#[must_use]
pub fn probes(json: &str) -> Vec<Length> {
    if json.is_empty() {
        return Vec::new();
    }
    serde_json::from_str::<Vec<u32>>(json)
        .unwrap_or_default()
        .into_iter()
        .map(Length::from_mm)
        .collect()
}

/// Writes sludge probes the way they are kept.
#[must_use]
pub fn probes_json(list: &[Length]) -> String {
    if list.is_empty() {
        return String::new();
    }
    serde_json::Value::from(list.iter().map(|length| length.as_mm()).collect::<Vec<_>>()).to_string()
}

/// Returns a tank's compartments in the order of the flow.
#[must_use]
pub fn compartments_of(visit: &Visit, tank: TankId) -> Vec<&Compartment> {
    visit
        .compartments
        .iter()
        .filter(|compartment| compartment.tank == tank && !compartment.removed)
        .collect()
}

fn reading_facts(reading: Option<&Reading>, setup: &Setup) -> ReadingFacts {
    let Some(reading) = reading else {
        return ReadingFacts::default();
    };
    ReadingFacts {
        level: Offset::from_mm(reading.level_mm.and_then(|mm| i32::try_from(mm).ok()).unwrap_or(0)),
        scum: reading.scum_mm,
        sludge: reading.sludge_mm,
        sludge_probes: probes(&reading.probes_mm),
        edge: Some(setup.edge_mm),
        ..ReadingFacts::default()
    }
}

fn visit_facts(
    stop: &Stop,
    readings: &[Reading],
    pumpings: &[Pumping],
    compartments: &[&Compartment],
    tank: TankId,
    setup: &Setup,
) -> VisitFacts {
    let pumping = pumpings.iter().find(|pumping| pumping.tank == tank && !pumping.removed);
    VisitFacts {
        readings: compartments
            .iter()
            .map(|compartment| {
                let reading = readings.iter().find(|r| r.compartment == compartment.id && !r.removed);
                reading_facts(reading, setup)
            })
            .collect(),
        pumped: pumping.is_some_and(|pumping| pumping.pumped == Some(true)),
        heel: pumping.and_then(|pumping| pumping.heel_ml).map(Volume::from_whole_ml),
        residents: stop.residents_tenths.map(tenths),
        ..VisitFacts::on(stop.day)
    }
}

fn tenths(value: i64) -> f64 {
    i32::try_from(value).map_or(0.0, |value| f64::from(value) / 10.0)
}

/// Returns when the tank was last emptied before `day`, by the stops recorded or by what the record of the tank says.
#[must_use]
pub fn last_emptied_before(tank: &Tank, history: &[HistoryRow], day: NaiveDate) -> Option<NaiveDate> {
    history
        .iter()
        .filter(|row| row.stop.day < day)
        .filter(|row| {
            row.pumpings
                .iter()
                .any(|p| p.tank == tank.id && !p.removed && p.pumped == Some(true))
        })
        .map(|row| row.stop.day)
        .max()
        .max(tank.last_emptied.filter(|emptied| *emptied < day))
}

/// Gathers the facts of one tank at a stop.
#[must_use]
pub fn work_input(visit: &Visit, history: &[HistoryRow], tank: &Tank, setup: &Setup) -> WorkInput {
    let compartments = compartments_of(visit, tank.id);
    let past = history
        .iter()
        .filter(|row| row.stop.id != visit.stop.id && row.stop.day <= visit.stop.day)
        .map(|row| PastVisit {
            visit: visit_facts(&row.stop, &row.readings, &row.pumpings, &compartments, tank.id, setup),
            last_emptied: last_emptied_before(tank, history, row.stop.day),
        })
        .filter(|past| {
            past.visit.pumped
                || past
                    .visit
                    .readings
                    .iter()
                    .any(|r| r.scum.is_some() || r.sludge.is_some())
        })
        .collect();
    let mut now = visit_facts(
        &visit.stop,
        &visit.readings,
        &visit.pumpings,
        &compartments,
        tank.id,
        setup,
    );
    // The forecast is for the people who live here now; the record of the stop keeps who did.
    now.residents = None;
    WorkInput {
        site: SiteFacts {
            residents: visit.site.residents_tenths.map(tenths),
            grinder: visit.site.grinder == Some(true),
            permit_date: visit.site.permit_on,
            new_work: false,
        },
        tank: TankFacts {
            compartments: compartments
                .iter()
                .map(|compartment| CompartmentFacts {
                    // A shape that is not known yet holds nothing; the calculations say so instead of guessing.
                    shape: shape_of(compartment).unwrap_or(TankShape::Nominal { capacity: Volume::ZERO }),
                    liquid_depth: compartment.liquid_depth_mm.unwrap_or_default(),
                    air_space: compartment.air_mm,
                    outlet_device: compartment.outlet_device_mm,
                    outlet_top: compartment.outlet_top_mm,
                })
                .collect(),
        },
        last_emptied: last_emptied_before(tank, history, visit.stop.day),
        visit: now,
        history: past,
        lids: visit
            .lids
            .iter()
            .filter(|lid| lid.tank == tank.id && !lid.removed)
            .filter_map(|lid| {
                Some(LidFacts {
                    name: lid.name.clone(),
                    cover: Offset::from_mm(i32::try_from(lid.cover_mm?).ok()?),
                    opening: lid.width_mm,
                })
            })
            .collect(),
        prices: prices(setup),
    }
}

fn prices(setup: &Setup) -> Option<Prices> {
    let sections = [
        (6, setup.riser_6),
        (12, setup.riser_12),
        (18, setup.riser_18),
        (24, setup.riser_24),
    ];
    let sections = sections
        .into_iter()
        .filter(|(_, price)| price.0 > 0)
        .collect::<Vec<_>>();
    (setup.dig_fee.0 > 0 && !sections.is_empty()).then(|| Prices {
        dig: setup.dig_fee,
        sections,
        ..Prices::default()
    })
}

/// What a customer's tank holds up to its outlet, millilitres; `None` while that is not known.
#[must_use]
pub fn tank_volume_ml(visit: &Visit, tank: TankId) -> Option<i64> {
    let mut total = 0_i64;
    let compartments = compartments_of(visit, tank);
    if compartments.is_empty() {
        return None;
    }
    for compartment in compartments {
        let facts = crate::domain::tank::Compartment {
            shape: shape_of(compartment)?,
            liquid_depth: compartment.liquid_depth_mm.unwrap_or_default(),
            air_space: compartment.air_mm,
            outlet_device: compartment.outlet_device_mm,
            outlet_top: compartment.outlet_top_mm,
        };
        total = total.saturating_add(facts.liquid().as_whole_ml()?);
    }
    (total > 0).then_some(total)
}
