//! `records --pdf`: the hauled-waste record of each load of a period, as the phone writes it.

use super::Refusal;
use super::context::{Office, cannot_write, write_file};
use super::estimate::rule_sets;
use crate::domain::record::{PumpingId, Setup, TankId, Truck};
use crate::domain::rules::RuleSet;
use crate::exchange::inputs::tank_volume_ml;
use crate::say::hauled::{Hauled, field_name};
use crate::say::words::Words;
use crate::store::{LoadRow, StoreError, TruckRows};
use chrono::NaiveDate;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::Path;

/// One load with what its record says.
struct Record {
    load: PumpingId,
    day: NaiveDate,
    site: String,
    keep_until: Option<NaiveDate>,
    /// Fields that are asked for and not known: their words in files, and their names.
    missing: Vec<(&'static str, String)>,
    file: String,
}

/// What is needed to write the records of one truck.
struct OneTruck {
    setup: Setup,
    rows: TruckRows,
    volumes: BTreeMap<TankId, Option<i64>>,
}

impl OneTruck {
    fn read(office: &Office, truck: &Truck, from: NaiveDate) -> Result<Self, StoreError> {
        let rows = office.store.truck(Some(truck.id), from)?;
        let mut volumes = BTreeMap::new();
        for row in &rows.loads {
            if volumes.contains_key(&row.tank.id) {
                continue;
            }
            let site = office.store.site_whole(row.site.id)?;
            volumes.insert(row.tank.id, tank_volume_ml(&site, row.tank.id));
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
        Ok(Self { setup, rows, volumes })
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
/// * `quiet`: say only what is missing
/// * returns: what to print
///
/// # Errors
/// What was refused, and what to do.
pub(super) fn write(
    office: &Office,
    trucks: &[Truck],
    (from, to): (NaiveDate, NaiveDate),
    to_path: &Path,
    quiet: bool,
) -> Result<String, Refusal> {
    let words = office.words();
    let rules = rule_sets();
    let is_folder = to_path.is_dir() || to_path.as_os_str().to_string_lossy().ends_with(['/', '\\']);
    let read = trucks
        .iter()
        .map(|truck| OneTruck::read(office, truck, from))
        .collect::<Result<Vec<_>, _>>();
    let read = read.map_err(|error| office.refuse(&error))?;
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
    let mut records = Vec::new();
    let mut whole = Vec::new();
    for (truck, row) in loads {
        let hauled = truck.hauled(office, &rules);
        let found = hauled.load_facts(row);
        let pages = hauled.record_pages(row);
        let path = if is_folder {
            let id = row.pumping.id.0.simple().to_string();
            let name = format!(
                "{}-{}-{}.pdf",
                day_of(row).format("%Y-%m-%d"),
                words.t("hauled-waste"),
                id.get(20..).unwrap_or(&id)
            );
            let path = to_path.join(name);
            write_file(&path, &pdf(&pages, words)?, words)?;
            path
        } else {
            whole.extend(pages);
            to_path.to_owned()
        };
        records.push(Record {
            load: row.pumping.id,
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
        write_file(to_path, &pdf(&whole, words)?, words)?;
    }
    Ok(if office.json {
        json!({ "from": from.to_string(), "to": to.to_string(), "records": records.iter().map(row_of).collect::<Vec<_>>() })
            .to_string()
    } else {
        said(&records, (!quiet).then_some(to_path), words)
    })
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
        "collected_on": record.day.to_string(),
        "site": record.site,
        "missing": record.missing.iter().map(|(word, _)| *word).collect::<Vec<_>>(),
        "keep_until": record.keep_until.map(|day| day.to_string()),
        "file": record.file,
    })
}

fn said(records: &[Record], to_path: Option<&Path>, words: Words) -> String {
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
    lines.join("\n")
}
