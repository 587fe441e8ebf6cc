//! `site` and `history`: everything known of one place, and everything done there.

use super::Refusal;
use super::context::{Call, Office};
use super::estimate;
use crate::domain::assess::{Assessment, assess};
use crate::domain::money::totals;
use crate::domain::record::{Language, Lid, LidMaterial, Site, Tank, Units, Visit};
use crate::domain::rules::RuleSet;
use crate::domain::units::{Volume, round_to_i64};
use crate::exchange::inputs::{compartments_of, probes, shape_of, work_input};
use crate::store::HistoryRow;
use serde_json::{Value, json};

/// A heading and what stands under it.
type Lines = Vec<(String, String)>;

struct Whole {
    visit: Visit,
    history: Vec<HistoryRow>,
    rules: Option<RuleSet>,
}

fn read(office: &Office, asked: &str) -> Result<Whole, Refusal> {
    let id = office.site_meant(asked)?;
    let visit = office.store.site_whole(id).map_err(|error| office.refuse(&error))?;
    let history = office.store.history(id).map_err(|error| office.refuse(&error))?;
    let sets = estimate::rule_sets(office)?;
    Ok(Whole {
        rules: estimate::rule_set_for(&sets, &visit.site.rule_set, &office.setup),
        visit,
        history,
    })
}

/// What the program says of a tank as of one of the stops.
fn assessed(office: &Office, whole: &Whole, row: &HistoryRow, tank: &Tank) -> Option<Assessment> {
    let rules = whole.rules.as_ref()?;
    let mut then = whole.visit.clone();
    then.stop = row.stop.clone();
    then.readings.clone_from(&row.readings);
    then.pumpings.clone_from(&row.pumpings);
    Some(assess(
        &work_input(&then, &whole.history, tank, &office.setup),
        rules,
        &[],
    ))
}

/// Says everything known of a site.
///
/// # Errors
/// What was refused, and what to do.
pub fn site(call: &Call, asked: &str) -> Result<String, Refusal> {
    call.on_book(|office| {
        let whole = read(office, asked)?;
        if office.json {
            return Ok(site_json(office, &whole).to_string());
        }
        let mut lines = facts(office, &whole.visit.site);
        for tank in &whole.visit.tanks {
            lines.extend(tank_lines(office, &whole, tank));
        }
        let words = office.words();
        lines.push((words.t("Stops"), whole.history.len().to_string()));
        Ok(laid_out(&lines))
    })
}

/// Says everything that was done at a site, oldest first.
///
/// # Errors
/// What was refused, and what to do.
pub fn history(call: &Call, asked: &str) -> Result<String, Refusal> {
    call.on_book(|office| {
        let whole = read(office, asked)?;
        let stops = whole
            .history
            .iter()
            .map(|row| stop_json(office, &whole, row))
            .collect::<Result<Vec<_>, _>>()?;
        if office.json {
            return Ok(
                json!({"site_id": whole.visit.site.id.to_string(), "name": whole.visit.site.name, "stops": stops})
                    .to_string(),
            );
        }
        let words = office.words();
        let mut out = vec![whole.visit.site.name.clone()];
        if whole.history.is_empty() {
            out.push(words.t("No stop has been finished here."));
        }
        for row in &whole.history {
            out.push(String::new());
            out.push(office.figures.date(row.stop.day));
            out.push(laid_out(&stop_lines(office, &whole, row)?).trim_end().to_owned());
        }
        let planned = office
            .store
            .stops_of(whole.visit.site.id)
            .map_err(|error| office.refuse(&error))?;
        for stop in planned.iter().filter(|stop| stop.finished_at.is_none()) {
            out.push(String::new());
            out.push(words.f("Planned for {0}, not finished.", &[&office.figures.date(stop.day)]));
        }
        Ok(out.join("\n"))
    })
}

fn laid_out(lines: &[(String, String)]) -> String {
    let widest = lines.iter().map(|(head, _)| head.chars().count()).max().unwrap_or(0);
    let mut out = String::new();
    for (head, text) in lines.iter().filter(|(_, text)| !text.is_empty()) {
        out.push_str(head);
        out.push_str(&" ".repeat(widest.saturating_sub(head.chars().count()) + 2));
        out.extend(text.chars().map(|c| if c.is_control() { ' ' } else { c }));
        out.push('\n');
    }
    out
}

fn facts(office: &Office, site: &Site) -> Lines {
    let (words, figures) = (office.words(), office.figures);
    let yes_no =
        |fact: Option<bool>| fact.map_or_else(String::new, |yes| if yes { words.t("yes") } else { words.t("no") });
    let degrees = |e7: i64| format!("{:.7}°", super::due::degrees(e7));
    vec![
        (words.t("Site"), site.name.clone()),
        (words.t("Address"), site.address.clone()),
        (words.t("Town"), site.town.clone()),
        (words.t("Customer"), site.customer.clone()),
        (words.t("Telephone"), site.phone.clone()),
        (
            words.t("Language"),
            site.language.map_or_else(String::new, |language| match language {
                Language::English => "English".to_owned(),
                Language::Spanish => "Español".to_owned(),
            }),
        ),
        (
            words.t("Residents"),
            site.residents_tenths
                .map_or_else(String::new, |tenths| figures.people(tenths)),
        ),
        (words.t("Garbage grinder"), yes_no(site.grinder)),
        (
            words.t("Position"),
            site.lat_e7
                .zip(site.lon_e7)
                .map_or_else(String::new, |(lat, lon)| format!("{}, {}", degrees(lat), degrees(lon))),
        ),
        (
            words.t("Permitted"),
            site.permit_on.map_or_else(String::new, |day| figures.date(day)),
        ),
        (words.t("Rule set"), site.rule_set.clone()),
        (words.t("Note"), site.note.clone()),
        (
            words.t("Due"),
            site.due_on
                .map_or_else(|| words.t("no date yet"), |day| figures.date(day)),
        ),
    ]
}

/// What a tank holds below its outlet, when every compartment's size is known.
#[must_use]
pub fn capacity(visit: &Visit, tank: &Tank) -> Option<Volume> {
    let compartments = compartments_of(visit, tank.id);
    if compartments.is_empty() {
        return None;
    }
    compartments
        .into_iter()
        .map(|compartment| {
            let shape = shape_of(compartment)?;
            let depth = compartment.liquid_depth_mm.unwrap_or_default();
            let volume = crate::domain::tank::Compartment {
                shape,
                liquid_depth: depth,
                air_space: compartment.air_mm,
                outlet_device: compartment.outlet_device_mm,
                outlet_top: compartment.outlet_top_mm,
            }
            .liquid();
            (volume.as_litres() > 0.0).then_some(volume)
        })
        .sum()
}

fn tank_lines(office: &Office, whole: &Whole, tank: &Tank) -> Lines {
    let (words, figures) = (office.words(), office.figures);
    let called = if tank.name.is_empty() {
        words.t("Tank")
    } else {
        tank.name.clone()
    };
    let size = capacity(&whole.visit, tank).map_or_else(|| words.t("size not known"), |volume| figures.volume(volume));
    let mut lines = vec![(called, size)];
    let count = compartments_of(&whole.visit, tank.id).len();
    if count > 1 {
        lines.push((String::new(), words.f("{0} compartments", &[&count.to_string()])));
    }
    let pumped = crate::exchange::inputs::last_emptied_before(
        tank,
        &whole.history,
        office.today().succ_opt().unwrap_or_else(|| office.today()),
    );
    lines.push((
        format!("  {}", words.t("Last emptied")),
        pumped.map_or_else(String::new, |day| figures.date(day)),
    ));
    for lid in whole.visit.lids.iter().filter(|lid| lid.tank == tank.id) {
        let title = match lid.name.as_str() {
            "inlet" => words.t("inlet lid"),
            "outlet" => words.t("outlet lid"),
            "middle" => words.t("middle lid"),
            "other" => words.t("other lid"),
            own => words.f("{0} lid", &[own]),
        };
        lines.push((format!("  {title}"), lid_text(office, lid)));
    }
    let dates = whole
        .history
        .last()
        .and_then(|last| assessed(office, whole, last, tank))
        .and_then(|assessment| assessment.forecast.dates);
    if let Some(dates) = dates {
        lines.push((
            format!("  {}", words.t("Likely full")),
            words.f(
                "between {0} and {1}; call by {2}",
                &[
                    &figures.month(dates.early),
                    &figures.month(dates.late),
                    &figures.month(dates.due),
                ],
            ),
        ));
    }
    lines
}

fn lid_text(office: &Office, lid: &Lid) -> String {
    let (words, figures) = (office.words(), office.figures);
    let mut parts = Vec::new();
    if let Some(mm) = lid.cover_mm {
        parts.push(words.f("{0} of soil", &[&figures.mm(mm)]));
    }
    if let Some(material) = lid.material {
        parts.push(match material {
            LidMaterial::Concrete => words.t("concrete"),
            LidMaterial::Plastic => words.t("plastic"),
            LidMaterial::Metal => words.t("metal"),
            LidMaterial::Other => words.t("other material"),
        });
    }
    if lid.cracked == Some(true) {
        parts.push(words.t("CRACKED: keep people off it"));
    }
    if lid.secured == Some(false) {
        parts.push(words.t("NOT SECURED: an open or loose lid can kill"));
    }
    parts.join(", ")
}

fn stop_lines(office: &Office, whole: &Whole, row: &HistoryRow) -> Result<Lines, Refusal> {
    let (words, figures) = (office.words(), office.figures);
    let mut lines = Vec::new();
    for tank in &whole.visit.tanks {
        let pumping = row.pumpings.iter().find(|pumping| pumping.tank == tank.id);
        let called = if tank.name.is_empty() {
            words.t("Tank")
        } else {
            tank.name.clone()
        };
        let done = match pumping {
            Some(pumping) if pumping.pumped == Some(true) || pumping.out_ml.is_some() => {
                let mut parts = vec![pumping.out_ml.map_or_else(
                    || words.t("pumped"),
                    |ml| words.f("pumped {0}", &[&figures.volume(Volume::from_whole_ml(ml))]),
                )];
                if let Some(ml) = pumping.heel_ml.filter(|ml| *ml > 0) {
                    parts.push(words.f("{0} left in", &[&figures.volume(Volume::from_whole_ml(ml))]));
                }
                if pumping.rinsed == Some(true) {
                    parts.push(words.t("rinsed"));
                }
                parts.join(", ")
            }
            _ => words.t("not pumped"),
        };
        lines.push((called, done));
        if let Some(share) = assessed(office, whole, row, tank).and_then(|a| a.contents.fraction_volume) {
            lines.push((format!("  {}", words.t("Solids")), figures.percent(share)));
        }
        for (index, compartment) in compartments_of(&whole.visit, tank.id).iter().enumerate() {
            let Some(reading) = row.readings.iter().find(|r| r.compartment == compartment.id) else {
                continue;
            };
            let mut parts = Vec::new();
            if let Some(mm) = reading.level_mm {
                parts.push(words.f("level {0}", &[&figures.mm(mm)]));
            }
            if let Some(scum) = reading.scum_mm {
                parts.push(words.f("scum {0}", &[&figures.length(scum)]));
            }
            if let Some(sludge) = reading.sludge_mm {
                parts.push(words.f("sludge {0}", &[&figures.length(sludge)]));
            }
            let count = probes(&reading.probes_mm).len();
            if count > 1 {
                parts.push(words.n("{0} probe", "{0} probes", count));
            }
            lines.push((
                format!("  {}", words.f("Compartment {0}", &[&(index + 1).to_string()])),
                parts.join(", "),
            ));
        }
    }
    lines.push((words.t("Where"), row.stop.find_note.clone()));
    lines.push((words.t("Found"), row.stop.found_note.clone()));
    lines.push((words.t("Signed by"), row.stop.signed_name.clone()));
    let work = office
        .store
        .work_lines(row.stop.id)
        .map_err(|error| office.refuse(&error))?;
    if let Some(total) = totals(&work).filter(|_| !work.is_empty()) {
        lines.push((
            words.t("Work"),
            words.f(
                "{0} with tax {1}",
                &[&figures.money(total.gross()), &figures.money(total.tax)],
            ),
        ));
    }
    Ok(lines)
}

fn site_json(office: &Office, whole: &Whole) -> Value {
    let site = &whole.visit.site;
    let tanks = whole
        .visit
        .tanks
        .iter()
        .map(|tank| {
            let lids = whole
                .visit
                .lids
                .iter()
                .filter(|lid| lid.tank == tank.id)
                .map(|lid| {
                    json!({
                        "lid_id": lid.id.to_string(), "name": lid.name, "cover_mm": lid.cover_mm,
                        "width_mm": lid.width_mm.map(crate::domain::units::Length::as_mm),
                        "material": lid.material.map(LidMaterial::word), "cracked": lid.cracked, "secured": lid.secured,
                    })
                })
                .collect::<Vec<_>>();
            json!({
                "tank_id": tank.id.to_string(),
                "name": tank.name,
                "capacity_l": capacity(&whole.visit, tank).and_then(|v| round_to_i64(v.as_litres())),
                "last_emptied": tank.last_emptied.map(|day| day.to_string()),
                "lids": lids,
            })
        })
        .collect::<Vec<_>>();
    json!({
        "site_id": site.id.to_string(),
        "name": site.name, "address": site.address, "town": site.town, "customer": site.customer, "phone": site.phone,
        "language": site.language.map(Language::word),
        "residents": site.residents_tenths.map(|tenths| office.figures.people_value(tenths)),
        "grinder": site.grinder,
        "permit_on": site.permit_on.map(|day| day.to_string()),
        "latitude_deg": site.lat_e7.map(super::due::degrees),
        "longitude_deg": site.lon_e7.map(super::due::degrees),
        "rule_set": site.rule_set, "note": site.note,
        "due_on": site.due_on.map(|day| day.to_string()),
        "stops": whole.history.len(),
        "tanks": tanks,
        "units": match office.figures.units { Units::UsCustomary => "us", Units::Metric => "metric" },
    })
}

fn stop_json(office: &Office, whole: &Whole, row: &HistoryRow) -> Result<Value, Refusal> {
    let readings = row
        .readings
        .iter()
        .map(|reading| {
            json!({
                "compartment_id": reading.compartment.to_string(),
                "level_mm": reading.level_mm,
                "scum_mm": reading.scum_mm.map(crate::domain::units::Length::as_mm),
                "sludge_mm": reading.sludge_mm.map(crate::domain::units::Length::as_mm),
            })
        })
        .collect::<Vec<_>>();
    let pumpings = row
        .pumpings
        .iter()
        .map(|pumping| {
            json!({
                "tank_id": pumping.tank.to_string(), "pumped": pumping.pumped,
                "out_ml": pumping.out_ml, "heel_ml": pumping.heel_ml, "rinsed": pumping.rinsed,
            })
        })
        .collect::<Vec<_>>();
    let solids = whole
        .visit
        .tanks
        .iter()
        .map(|tank| {
            let share = assessed(office, whole, row, tank).and_then(|a| a.contents.fraction_volume);
            json!({"tank_id": tank.id.to_string(), "solids_share": share})
        })
        .collect::<Vec<_>>();
    let work = office
        .store
        .work_lines(row.stop.id)
        .map_err(|error| office.refuse(&error))?;
    let total = totals(&work).filter(|_| !work.is_empty());
    Ok(json!({
        "stop_id": row.stop.id.to_string(),
        "day": row.stop.day.to_string(),
        "found_note": row.stop.found_note,
        "find_note": row.stop.find_note,
        "signed_name": row.stop.signed_name,
        "readings": readings,
        "pumpings": pumpings,
        "solids": solids,
        "gross_cents": total.map(|total| total.gross().0),
    }))
}
