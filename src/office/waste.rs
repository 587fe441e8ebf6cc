//! `records --pdf`: the hauled-waste record of each load of a period, as the phone writes it.

use super::Refusal;
use super::context::{Office, cannot_write};
use super::estimate::rule_sets;
use super::files::write_file;
use super::records::of_no_truck;
use crate::domain::record::{PumpingId, Setup, TankId, Truck};
use crate::domain::rules::RuleSet;
use crate::exchange::inputs::tank_volume_ml;
use crate::say::hauled::{Hauled, field_name};
use crate::say::words::Words;
use crate::store::{LoadRow, StoreError, TruckRows};
use chrono::NaiveDate;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// One load with what its record says.
struct Record {
    load: PumpingId,
    /// The truck's name; `None` for a load that names no truck.
    truck: Option<String>,
    day: NaiveDate,
    site: String,
    keep_until: Option<NaiveDate>,
    /// Fields that are asked for and not known: their words in files, and their names.
    missing: Vec<(&'static str, String)>,
    file: String,
}

/// What is needed to write the records of one truck, or of the loads that name none.
struct OneTruck {
    name: Option<String>,
    setup: Setup,
    rows: TruckRows,
    volumes: BTreeMap<TankId, Option<i64>>,
}

impl OneTruck {
    /// * `is_only`: there is no other truck, and so what names none is its own
    fn read(office: &Office, truck: &Truck, from: NaiveDate, is_only: bool) -> Result<Self, StoreError> {
        let mut rows = office.store.truck(Some(truck.id), from)?;
        if !is_only {
            let own = rows.tanks.iter().map(|tank| tank.id).collect::<Vec<_>>();
            rows.loads.retain(|row| {
                let named = [row.pumping.truck_tank, row.pumping.second_tank];
                named.into_iter().flatten().any(|tank| own.contains(&tank))
            });
        }
        // The crew's own set-up says who drives; what it leaves open is the office's to say.
        let own = office.store.setup_of_truck(truck.id)?;
        let mut setup = own.unwrap_or_else(|| office.setup.clone());
        for (mine, office) in [
            (&mut setup.company, &office.setup.company),
            (&mut setup.company_address, &office.setup.company_address),
            (&mut setup.company_phone, &office.setup.company_phone),
            (&mut setup.registration, &office.setup.registration),
            (&mut setup.rule_set, &office.setup.rule_set),
        ] {
            if mine.is_empty() {
                mine.clone_from(office);
            }
        }
        Self::new(office, Some(called(truck, office.words())), setup, rows)
    }

    /// The loads that name no truck. Who drove nobody can say.
    fn of_nobody(office: &Office, from: NaiveDate, is_one_truck: bool) -> Result<Self, StoreError> {
        let mut rows = office.store.truck_of_nobody(from)?;
        if is_one_truck {
            rows.loads.retain(|row| row.pumping.truck_tank.is_some());
        }
        Self::new(office, None, office.setup.clone(), rows)
    }

    fn new(office: &Office, name: Option<String>, setup: Setup, rows: TruckRows) -> Result<Self, StoreError> {
        let mut volumes = BTreeMap::new();
        for row in &rows.loads {
            if volumes.contains_key(&row.tank.id) {
                continue;
            }
            let site = office.store.site_whole(row.site.id)?;
            volumes.insert(row.tank.id, tank_volume_ml(&site, row.tank.id));
        }
        Ok(Self {
            name,
            setup,
            rows,
            volumes,
        })
    }

    fn hauled<'a>(&'a self, office: &Office, rules: &'a [RuleSet]) -> Hauled<'a> {
        Hauled {
            figures: office.figures,
            setup: &self.setup,
            rules,
            rows: &self.rows,
            volumes: &self.volumes,
        }
    }
}

/// Writes the records of the loads collected in a period: one file, or one for each load when `to_path` is a folder.
///
/// * `trucks`: those whose loads are asked for
/// * `all`: what names no truck is asked for, too
/// * `quiet`: say only what is missing
/// * returns: what to print
///
/// # Errors
/// What was refused, and what to do.
pub(super) fn write(
    office: &Office,
    trucks: &[Truck],
    all: bool,
    (from, to): (NaiveDate, NaiveDate),
    to_path: &Path,
    quiet: bool,
) -> Result<String, Refusal> {
    let words = office.words();
    let rules = rule_sets(office)?;
    let is_folder = to_path.is_dir() || to_path.as_os_str().to_string_lossy().ends_with(['/', '\\']);
    if !is_folder {
        office.kept.allow([to_path], words)?;
    }
    let read = || -> Result<Vec<OneTruck>, StoreError> {
        let known = office.store.trucks()?.len();
        let mut list = trucks
            .iter()
            .map(|truck| OneTruck::read(office, truck, from, known == 1))
            .collect::<Result<Vec<_>, _>>()?;
        if all {
            list.push(OneTruck::of_nobody(office, from, known == 1)?);
        }
        Ok(list)
    };
    let read = read().map_err(|error| office.refuse(&error))?;
    let loads = read
        .iter()
        .flat_map(|truck| truck.rows.loads.iter().map(move |row| (truck, row)))
        .filter(|(_, row)| (from..=to).contains(&day_of(row)))
        .collect::<Vec<_>>();
    if loads.is_empty() {
        return Err(Refusal::refused(
            words.t("No load was collected in that time."),
            words.t("Give other days with --from and --to; import the phones' day files first."),
        ));
    }
    if is_folder {
        std::fs::create_dir_all(to_path).map_err(|error| cannot_write(to_path, &error, words))?;
    }
    let mut records = Vec::<Record>::new();
    let mut whole = Vec::new();
    for (truck, row) in loads {
        let hauled = truck.hauled(office, &rules);
        let found = hauled.load_facts(row);
        let pages = hauled.record_pages(row);
        let path = if is_folder {
            let id = row.pumping.id.0.simple().to_string();
            let name = format!(
                "{}-{}-{}",
                day_of(row).format("%Y-%m-%d"),
                words.t("hauled-waste"),
                id.get(20..).unwrap_or(&id)
            );
            // What ran over into another truck has a record of each.
            let before = records.iter().filter(|record| record.load == row.pumping.id).count();
            let path = to_path.join(match before {
                0 => format!("{name}.pdf"),
                before => format!("{name}-{}.pdf", before + 1),
            });
            write_file(&path, &pdf(&pages, words)?, &office.kept, words)?;
            path
        } else {
            whole.extend(pages);
            to_path.to_owned()
        };
        records.push(Record {
            load: row.pumping.id,
            truck: truck.name.clone(),
            day: day_of(row),
            site: row.site.name.clone(),
            keep_until: found.keep_until,
            missing: found
                .missing
                .iter()
                .map(|field| (field.word(), words.t(field_name(*field))))
                .collect(),
            file: path.display().to_string(),
        });
    }
    if !is_folder {
        write_file(to_path, &pdf(&whole, words)?, &office.kept, words)?;
    }
    let unknown = unknown_rule_sets(&read, (from, to), &rules);
    let unnamed = records.iter().filter(|record| record.truck.is_none()).count();
    Ok(if office.json {
        json!({ "from": from.to_string(), "to": to.to_string(), "records": records.iter().map(row_of).collect::<Vec<_>>(),
            "unknown_rule_sets": unknown })
            .to_string()
    } else {
        let mut lines = said(&records, (!quiet).then_some(to_path), words);
        lines.extend(of_no_truck(unnamed, office)?);
        lines.extend(unknown.iter().map(|id| {
            words.f(
                "The rule set {0} is not known here, so another was used: put its file into the folder rules beside the book.",
                &[id],
            )
        }));
        lines.join("\n")
    })
}

/// The rule sets that sites or crews of the period name and nobody here has the file of.
fn unknown_rule_sets(read: &[OneTruck], (from, to): (NaiveDate, NaiveDate), rules: &[RuleSet]) -> BTreeSet<String> {
    read.iter()
        .flat_map(|truck| {
            let rows = truck.rows.loads.iter();
            rows.filter(|row| (from..=to).contains(&day_of(row)))
                .flat_map(|row| [&row.site.rule_set, &truck.setup.rule_set])
        })
        .filter(|id| !id.is_empty() && !rules.iter().any(|set| set.id == **id))
        .cloned()
        .collect()
}

/// What a truck is called.
pub(super) fn called(truck: &Truck, words: Words) -> String {
    [&truck.name, &truck.plate]
        .into_iter()
        .find(|name| !name.is_empty())
        .cloned()
        .unwrap_or_else(|| words.t("Truck"))
}

fn day_of(row: &LoadRow) -> NaiveDate {
    row.at().map_or(row.stop.day, |at| at.date_naive())
}

fn pdf(pages: &[crate::say::paper::CardPage], words: Words) -> Result<Vec<u8>, Refusal> {
    crate::say::paper::pdf_of(pages).map_err(|error| {
        Refusal::refused(
            words.f("The records cannot be set as PDF: {0}.", &[&error.to_string()]),
            words.t("Nothing is lost: write them as CSV, and tell whoever keeps the program."),
        )
    })
}

fn row_of(record: &Record) -> Value {
    json!({
        "load_id": record.load.to_string(),
        "truck": record.truck,
        "collected_on": record.day.to_string(),
        "site": record.site,
        "missing": record.missing.iter().map(|(word, _)| *word).collect::<Vec<_>>(),
        "keep_until": record.keep_until.map(|day| day.to_string()),
        "file": record.file,
    })
}

fn said(records: &[Record], to_path: Option<&Path>, words: Words) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(path) = to_path {
        lines.push(words.n("{0} record written.", "{0} records written.", records.len()));
        lines.push(words.f("Written: {0}", &[&path.display().to_string()]));
    }
    for record in records.iter().filter(|record| !record.missing.is_empty()) {
        let names = record.missing.iter().map(|(_, name)| name.as_str()).collect::<Vec<_>>();
        lines.push(words.f(
            "Missing on the record of {0}, {1}: {2}.",
            &[&record.day.to_string(), &record.site, &names.join(", ")],
        ));
    }
    for record in records.iter().filter(|record| record.truck.is_none()) {
        lines.push(words.f(
            "No truck is named on the record of {0}, {1}.",
            &[&record.day.to_string(), &record.site],
        ));
    }
    lines
}
