//! The hauled-waste record of a load: what is known of it, what the rule set asks for and is missing, and its files.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use uuid::Uuid;

use crate::domain::ledger::Fate;
use crate::domain::record::{AccessPoint, Disposal, DisposalMethod, Language, Setup, Site, TankId, Units, WasteKind};
use crate::domain::rules::{Confidence, HauledWaste, RuleSet};
use crate::domain::units::Volume;
use crate::domain::waste::{AND, Circumstances, Facts, FieldKind, WasteField};
use crate::exchange::rulefile::GENERAL;
use crate::exchange::table;
use crate::say::figures::Figures;
use crate::say::paper::{self, CardPage, PageSize};
use crate::say::waste_page::{PageGroup, PageLine, PageSignature, WastePage, lay_out};
use crate::store::{LoadRow, TruckRows};

/// A truck's loads with what is needed to write their records.
#[derive(Clone, Copy, Debug)]
pub struct Hauled<'a> {
    /// How figures are written.
    pub figures: Figures,
    /// Who hauls.
    pub setup: &'a Setup,
    /// Every rule set.
    pub rules: &'a [RuleSet],
    /// The truck's loads, disposals and kept records.
    pub rows: &'a TruckRows,
    /// What customers' tanks hold, where it is known.
    pub volumes: &'a BTreeMap<TankId, Option<i64>>,
}

/// Amounts that differ by less than this are the same amount read in whole gallons or litres: half a US gallon.
pub const SAME_AMOUNT_ML: i64 = 1_893;

/// A load's record as it stands.
#[derive(Clone, Debug)]
pub struct LoadFacts {
    /// The rule set that asks.
    pub rule_id: String,
    /// Its name.
    pub rule_name: String,
    /// What it asks for.
    pub rule: HauledWaste,
    /// What is known.
    pub facts: Facts,
    /// What of the load decides which fields are asked for.
    pub circumstances: Circumstances,
    /// What is asked for and not known.
    pub missing: Vec<WasteField>,
    /// What became of the load.
    pub fate: Fate,
    /// Until when the record is to be kept.
    pub keep_until: Option<NaiveDate>,
}

/// Reads the facts a record was kept with.
#[must_use]
pub fn read_facts(json: &str) -> Facts {
    serde_json::from_str::<BTreeMap<String, String>>(json)
        .unwrap_or_default()
        .into_iter()
        .filter_map(|(word, value)| Some((WasteField::from_word(&word)?, value)))
        .collect()
}

/// Writes facts the way a record keeps them.
#[must_use]
pub fn facts_json(facts: &Facts) -> String {
    let map = facts
        .iter()
        .map(|(field, value)| (field.word().to_owned(), serde_json::Value::from(value.as_str())))
        .collect::<serde_json::Map<_, _>>();
    serde_json::Value::from(map).to_string()
}

/// Facts that are fixed when the day is closed: who hauled, who drove, whose waste it was.
const fn is_fixed(field: WasteField) -> bool {
    matches!(
        field,
        WasteField::HaulerName
            | WasteField::HaulerAddress
            | WasteField::HaulerPhone
            | WasteField::HaulerRegistration
            | WasteField::GeneratorName
            | WasteField::GeneratorAddress
            | WasteField::GeneratorPhone
            | WasteField::TankVolume
            | WasteField::DriverName
            | WasteField::DriverCertification
            | WasteField::DriverSignature
            | WasteField::Vehicle
    )
}

/// What stands above a load's record: by which rules, what is missing, until when it is kept.
#[must_use]
pub fn load_lead(row: &LoadRow, found: &LoadFacts, figures: Figures) -> Vec<String> {
    let words = figures.words;
    let day = row.at().map_or(row.stop.day, |at| at.date_naive());
    let name = if found.rule_id == GENERAL {
        words.t("General advice")
    } else {
        found.rule_name.clone()
    };
    let mut lead = vec![words.f("{0}: {1}.", &[&name, &words.t(confidence_text(found.rule.confidence))])];
    lead.push(match found.missing.len() {
        0 => words.t("Nothing that is asked for is missing."),
        count => words.n("{0} field missing", "{0} fields missing", count),
    });
    if found.fate.on_board_ml > 0 && !found.fate.shares.is_empty() {
        lead.push(words.f(
            "{0} of it is still on board.",
            &[&figures.volume(volume_of(found.fate.on_board_ml))],
        ));
    }
    let report = found
        .rule
        .report_within_days
        .and_then(|days| day.checked_add_days(chrono::Days::new(u64::from(days))));
    if let Some(report) = report {
        lead.push(words.f("To be handed on by {0}.", &[&figures.date(report)]));
    }
    if let Some(until) = found.keep_until {
        lead.push(words.f(
            "Kept until {0} at least: nothing is ever deleted.",
            &[&figures.date(until)],
        ));
    }
    lead.push(words.t("Your permit and local code say what a record must hold."));
    lead
}

fn put_work(row: &LoadRow, put: &mut impl FnMut(WasteField, String)) {
    let pumping = &row.pumping;
    let position = row
        .site
        .lat_e7
        .zip(row.site.lon_e7)
        .map(|(lat, lon)| format!("{}, {}", degrees_text(lat), degrees_text(lon)))
        .unwrap_or_default();
    put(WasteField::Location, join(&[&position, &row.stop.find_note]));
    if let Some(at) = row.at() {
        put(WasteField::CollectedOn, at.date_naive().to_string());
        put(WasteField::CollectedTime, at.format("%H:%M").to_string());
    }
    if let Some(kind) = pumping.waste {
        put(WasteField::WasteKind, kind.word().to_owned());
    }
    if let Some(access) = pumping.access {
        put(WasteField::AccessPoint, access.word().to_owned());
    }
    put(WasteField::PumpReason, pumping.why.clone());
    put(WasteField::LeakNote, pumping.leak_note.clone());
    put(WasteField::LidNote, pumping.lid_note.clone());
    put(WasteField::RepairNote, pumping.repair_note.clone());
}

/// What the places say; a field is known when every place a part went to has it.
fn put_disposals(taken: &[(&Disposal, i128)], put: &mut impl FnMut(WasteField, String)) {
    if taken.is_empty() {
        return;
    }
    let mut all = |field: WasteField, value: &dyn Fn(&Disposal) -> String| {
        let values = taken.iter().map(|(disposal, _)| value(disposal)).collect::<Vec<_>>();
        if values.iter().all(|value| !value.is_empty()) {
            let mut once = values.clone();
            once.dedup();
            // The same place twice is one place; amounts and times stand for each.
            let list = if field.kind() == FieldKind::Text { once } else { values };
            put(field, list.join(AND));
        }
    };
    all(WasteField::DisposalPlace, &|d| {
        if d.address.is_empty() {
            d.place.clone()
        } else {
            format!("{}, {}", d.place, d.address)
        }
    });
    all(WasteField::DisposalMethod, &|d| {
        d.method.map(|method| method.word().to_owned()).unwrap_or_default()
    });
    all(WasteField::DisposalOn, &|d| {
        d.at.map(|at| at.date_naive().to_string()).unwrap_or_default()
    });
    all(WasteField::DisposalTime, &|d| {
        d.at.map(|at| at.format("%H:%M").to_string()).unwrap_or_default()
    });
    all(WasteField::DisposalPermit, &|d| d.permit.clone());
    all(WasteField::DisposalOperator, &|d| d.operator.clone());
    all(WasteField::Ticket, &|d| d.ticket.clone());
    all(WasteField::AmountReceived, &|d| {
        d.accepted_ml.map(|ml| ml.to_string()).unwrap_or_default()
    });
    all(WasteField::ReceiverName, &|d| d.receiver_name.clone());
    all(WasteField::ReceiverSignature, &|d| {
        if is_signed(&d.receiver_signature) {
            d.receiver_signature.clone()
        } else {
            String::new()
        }
    });
    all(WasteField::Treatment, &|d| d.treatment.clone());
    all(WasteField::LandRate, &|d| d.land_rate.clone());
    let amounts = taken.iter().map(|(_, ml)| ml.to_string()).collect::<Vec<_>>();
    put(WasteField::AmountDisposed, amounts.join(AND));
    let noted = taken
        .iter()
        .map(|(disposal, _)| disposal.discrepancy.clone())
        .filter(|note| !note.is_empty())
        .collect::<Vec<_>>();
    put(WasteField::Discrepancy, noted.join(AND));
}

/// Whether the place says that it took another amount than was let out.
#[must_use]
pub fn differs(disposal: &Disposal, out_ml: i64) -> bool {
    disposal
        .accepted_ml
        .is_some_and(|accepted| accepted.saturating_sub(out_ml).saturating_abs() >= SAME_AMOUNT_ML)
}

/// A value in a table: numbers bare, dates as ISO 8601.
fn csv_text(field: WasteField, value: &str, figures: Figures) -> String {
    match field.kind() {
        FieldKind::Date | FieldKind::Time | FieldKind::Text => value.to_owned(),
        FieldKind::Millilitres => value
            .split(AND)
            .map(|part| {
                part.parse()
                    .map_or_else(|_| part.to_owned(), |ml| csv_amount(ml, figures))
            })
            .collect::<Vec<_>>()
            .join(AND),
        FieldKind::Signature | FieldKind::Word => fact_text(field, value, figures),
    }
}

/// An amount to the tenth, with a point and no commas, so that a program reads it as a number.
fn csv_amount(ml: i128, figures: Figures) -> String {
    let volume = volume_of(ml);
    let value = match figures.units {
        Units::UsCustomary => volume.as_us_gallons(),
        Units::Metric => volume.as_litres(),
    };
    format!("{value:.1}")
}

/// Whether kept strokes are a signature.
#[must_use]
pub fn is_signed(strokes: &str) -> bool {
    read_strokes(strokes).iter().any(|stroke| stroke.len() > 1)
}

/// The name of a field of the hauled-waste record, as a message id.
#[must_use]
pub const fn field_name(field: WasteField) -> &'static str {
    match field {
        WasteField::HaulerName => "Hauler",
        WasteField::HaulerAddress => "Hauler's address",
        WasteField::HaulerPhone => "Hauler's phone",
        WasteField::HaulerRegistration => "Hauler's registration",
        WasteField::GeneratorName => "Generator",
        WasteField::GeneratorAddress => "Generator's address",
        WasteField::GeneratorPhone => "Generator's phone",
        WasteField::GeneratorSignature => "Generator's signature",
        WasteField::Location => "Location",
        WasteField::CollectedOn => "Collected on",
        WasteField::CollectedTime => "Collected at",
        WasteField::WasteKind => "Type of waste",
        WasteField::AmountCollected => "Amount collected",
        WasteField::TankVolume => "Tank volume",
        WasteField::AccessPoint => "Pumped through",
        WasteField::PumpReason => "Reason for pumping",
        WasteField::LeakNote => "Leaks, condition found",
        WasteField::LidNote => "Lid safety",
        WasteField::RepairNote => "Repairs, faults looked into",
        WasteField::DriverName => "Driver",
        WasteField::DriverCertification => "Driver's certification",
        WasteField::DriverSignature => "Driver's signature",
        WasteField::Vehicle => "Vehicle",
        WasteField::DisposalPlace => "Disposal place",
        WasteField::DisposalMethod => "Disposal method",
        WasteField::DisposalOn => "Let out on",
        WasteField::DisposalTime => "Let out at",
        WasteField::DisposalPermit => "Place's permit",
        WasteField::DisposalOperator => "Place's operator",
        WasteField::Ticket => "Ticket number",
        WasteField::AmountDisposed => "Of this load let out there",
        WasteField::AmountReceived => "Amount received there",
        WasteField::ReceiverName => "Receiver",
        WasteField::ReceiverSignature => "Receiver's signature",
        WasteField::Discrepancy => "Difference noted",
        WasteField::Treatment => "Pathogens and insects",
        WasteField::LandRate => "Nitrogen and liquid per area",
    }
}

/// The name of a kind of waste, as a message id.
#[must_use]
pub const fn waste_name(kind: WasteKind) -> &'static str {
    match kind {
        WasteKind::Septage => "Septic tank",
        WasteKind::HoldingTank => "Holding tank",
        WasteKind::PumpChamber => "Pump chamber",
        WasteKind::Grease => "Grease trap",
        WasteKind::PortableToilet => "Portable toilets",
        WasteKind::Other => "Other waste",
    }
}

/// The name of an opening, as a message id.
#[must_use]
pub const fn access_name(access: AccessPoint) -> &'static str {
    match access {
        AccessPoint::MaintenanceHole => "Maintenance hole",
        AccessPoint::InspectionPipe => "Inspection pipe",
        AccessPoint::Other => "Another opening",
    }
}

/// The name of what becomes of a load, as a message id.
#[must_use]
pub const fn method_name(method: DisposalMethod) -> &'static str {
    match method {
        DisposalMethod::TreatmentPlant => "Treatment plant",
        DisposalMethod::ReceivingStation => "Receiving station",
        DisposalMethod::LandApplied => "Spread on land",
        DisposalMethod::Other => "Another way",
    }
}

/// Writes a field's neutral value for a person.
#[must_use]
pub fn fact_text(field: WasteField, value: &str, figures: Figures) -> String {
    let words = figures.words;
    let one = |value: &str| match field.kind() {
        FieldKind::Text | FieldKind::Time => value.to_owned(),
        FieldKind::Signature => words.t("signed"),
        FieldKind::Date => value
            .parse()
            .map_or_else(|_| value.to_owned(), |date| figures.date(date)),
        FieldKind::Millilitres => value
            .parse()
            .map_or_else(|_| value.to_owned(), |ml| figures.volume(Volume::from_whole_ml(ml))),
        FieldKind::Word => WasteKind::from_word(value)
            .filter(|_| field == WasteField::WasteKind)
            .map(waste_name)
            .or_else(|| {
                AccessPoint::from_word(value)
                    .filter(|_| field == WasteField::AccessPoint)
                    .map(access_name)
            })
            .or_else(|| DisposalMethod::from_word(value).map(method_name))
            .map_or_else(|| value.to_owned(), |name| words.t(name)),
    };
    if field.kind() == FieldKind::Text {
        return value.to_owned();
    }
    if field.kind() == FieldKind::Signature {
        return words.t("signed");
    }
    value.split(AND).map(one).collect::<Vec<_>>().join(AND)
}

/// How sure a rule set is, as a message id.
#[must_use]
pub const fn confidence_text(confidence: Confidence) -> &'static str {
    match confidence {
        Confidence::Verified => "read in the rule's own text",
        Confidence::Secondary => "read in a reprint",
        Confidence::Memory => "from memory, not checked",
        Confidence::CommonPractice => "common practice",
        Confidence::User => "from your own file",
    }
}

/// Writes 1e-7 degrees as decimal degrees.
#[must_use]
pub fn degrees_text(e7: i64) -> String {
    let sign = if e7 < 0 { "-" } else { "" };
    let e7 = e7.unsigned_abs();
    let digits = format!("{sign}{}.{:07}", e7 / 10_000_000, e7 % 10_000_000);
    digits.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[must_use]
pub fn read_strokes(json: &str) -> Vec<Vec<(i32, i32)>> {
    if json.is_empty() {
        Vec::new()
    } else {
        serde_json::from_str(json).unwrap_or_default()
    }
}

/// Millilitres of a sum as a volume.
#[must_use]
pub fn volume_of(ml: i128) -> Volume {
    Volume::from_whole_ml(i64::try_from(ml).unwrap_or(if ml < 0 { i64::MIN } else { i64::MAX }))
}

/// The parts that are not empty, on one line.
#[must_use]
pub fn join(parts: &[&str]) -> String {
    parts
        .iter()
        .filter(|part| !part.is_empty())
        .copied()
        .collect::<Vec<_>>()
        .join(" · ")
}

impl Hauled<'_> {
    /// The rule set of a site that says what its record must hold; the general one where its own says nothing.
    fn waste_rule(&self, site: &Site) -> Option<(String, String, HauledWaste)> {
        let named = |id: &str| self.rules.iter().find(|set| set.id == id);
        let own = [&site.rule_set, &self.setup.rule_set]
            .into_iter()
            .find_map(|id| named(id));
        own.into_iter().chain(named(GENERAL)).find_map(|set| {
            let rule = set.hauled_waste.clone()?;
            Some((set.id.clone(), set.name.clone(), rule))
        })
    }

    /// Gathers what is known of a load now, with what was fixed when its day was closed.
    #[must_use]
    pub fn load_facts(&self, row: &LoadRow) -> LoadFacts {
        self.load_facts_with(row, &self.rows.ledger(None).fates())
    }

    /// The same for many loads of one ledger, whose fates are worked out once.
    #[must_use]
    pub fn load_facts_with(&self, row: &LoadRow, fates: &BTreeMap<Uuid, Fate>) -> LoadFacts {
        let mut found = self.live_facts(row, fates);
        let kept = self.rows.records.iter().find(|record| record.pumping == row.pumping.id);
        if let Some(record) = kept {
            for (field, value) in read_facts(&record.facts) {
                if is_fixed(field) {
                    found.facts.insert(field, value);
                }
            }
            found.keep_until = record.keep_until.or(found.keep_until);
        }
        found.missing = found.rule.missing(&found.facts, found.circumstances);
        found
    }

    /// Gathers what is known of a load now.
    #[must_use]
    pub fn live_facts(&self, row: &LoadRow, fates: &BTreeMap<Uuid, Fate>) -> LoadFacts {
        let rows = self.rows;
        let fate = fates.get(&row.pumping.id.0).cloned().unwrap_or_default();
        let (rule_id, rule_name, rule) = self.waste_rule(&row.site).unwrap_or_else(|| {
            let rule = HauledWaste {
                source: String::new(),
                confidence: crate::domain::rules::Confidence::CommonPractice,
                required: Vec::new(),
                from_memory: Vec::new(),
                retention_years: None,
                report_within_days: None,
                notes: Vec::new(),
            };
            (String::new(), String::new(), rule)
        });
        let day = row.at().map_or(row.stop.day, |at| at.date_naive());
        let mut facts = Facts::new();
        let mut put = |field: WasteField, value: String| {
            if !value.trim().is_empty() {
                facts.insert(field, value);
            }
        };
        self.put_people(row, day, &mut put);
        put_work(row, &mut put);
        if row.pumping.out_ml.is_some() {
            put(WasteField::AmountCollected, fate.amount_ml.to_string());
        }
        // Of days that are closed the tank is not measured again; its record says what it held.
        let kept = rows.records.iter().find(|record| record.pumping == row.pumping.id);
        match self.volumes.get(&row.tank.id) {
            Some(Some(ml)) => put(WasteField::TankVolume, ml.to_string()),
            Some(None) => {}
            None => put(
                WasteField::TankVolume,
                kept.and_then(|record| read_facts(&record.facts).remove(&WasteField::TankVolume))
                    .unwrap_or_default(),
            ),
        }
        let taken = fate
            .shares
            .iter()
            .filter_map(|share| Some((rows.disposals.iter().find(|d| d.id.0 == share.disposal)?, share.ml)))
            .collect::<Vec<_>>();
        put_disposals(&taken, &mut put);
        let circumstances = Circumstances {
            amounts_differ: taken
                .iter()
                .any(|(disposal, _)| differs(disposal, self.let_out_ml(disposal))),
            land_applied: taken
                .iter()
                .any(|(disposal, _)| disposal.method == Some(DisposalMethod::LandApplied)),
            on_board: taken.is_empty(),
        };
        LoadFacts {
            rule_id,
            rule_name,
            missing: rule.missing(&facts, circumstances),
            keep_until: rule.keep_until(day),
            rule,
            facts,
            circumstances,
            fate,
        }
    }

    fn put_people(&self, row: &LoadRow, day: NaiveDate, put: &mut impl FnMut(WasteField, String)) {
        let (setup, rows, site) = (self.setup, self.rows, &row.site);
        put(WasteField::HaulerName, setup.company.clone());
        put(WasteField::HaulerAddress, setup.company_address.clone());
        put(WasteField::HaulerPhone, setup.company_phone.clone());
        put(
            WasteField::HaulerRegistration,
            if setup.registration.is_empty() {
                rows.truck.registration.clone()
            } else {
                setup.registration.clone()
            },
        );
        put(WasteField::GeneratorName, site.customer.clone());
        let address = [&site.address, &site.town]
            .into_iter()
            .filter(|part| !part.is_empty())
            .cloned()
            .collect::<Vec<_>>();
        put(WasteField::GeneratorAddress, address.join(", "));
        put(WasteField::GeneratorPhone, site.phone.clone());
        if is_signed(&row.stop.signature) {
            put(WasteField::GeneratorSignature, row.stop.signature.clone());
        }
        let close = rows.closes.iter().find(|close| close.day == day);
        let driver = close.map(|close| close.driver.clone()).filter(|name| !name.is_empty());
        put(
            WasteField::DriverName,
            driver.unwrap_or_else(|| setup.technician.clone()),
        );
        put(WasteField::DriverCertification, setup.certification.clone());
        if let Some(close) = close.filter(|close| is_signed(&close.driver_signature)) {
            put(WasteField::DriverSignature, close.driver_signature.clone());
        }
        put(WasteField::Vehicle, join(&[&rows.truck.name, &rows.truck.plate]));
    }

    /// What was let out by a disposal, with the corrections that name it.
    #[must_use]
    pub fn let_out_ml(&self, disposal: &Disposal) -> i64 {
        let of = disposal.id.to_string();
        self.rows
            .corrections
            .iter()
            .filter(|correction| correction.corrects == of)
            .fold(disposal.out_ml, |ml, correction| {
                ml.saturating_sub(correction.change_ml)
            })
    }

    /// Lays the record of one load out, a page or more.
    #[must_use]
    pub fn record_pages(&self, row: &LoadRow) -> Vec<CardPage> {
        let size = match self.figures.units {
            Units::UsCustomary => PageSize::Letter,
            Units::Metric => PageSize::A4,
        };
        lay_out(&self.waste_page(row), size)
    }

    /// Returns the records of loads as a PDF, a page or more each.
    ///
    /// # Errors
    /// A sentence with what happened.
    pub fn records_pdf(&self, loads: &[LoadRow]) -> Result<Vec<u8>, String> {
        let pages = loads.iter().flat_map(|row| self.record_pages(row)).collect::<Vec<_>>();
        paper::pdf_of(&pages).map_err(|error| error.to_string())
    }

    /// Returns the records of loads as CSV, one row each.
    #[must_use]
    pub fn records_csv(&self, loads: &[LoadRow]) -> Vec<u8> {
        let (words, figures) = (self.figures.words, self.figures);
        let mut heading = vec![words.t("Record"), words.t("Rule set")];
        heading.extend(WasteField::ALL.iter().map(|field| {
            let name = words.t(field_name(*field));
            if field.kind() == FieldKind::Millilitres {
                format!("{name} ({})", figures.volume_unit())
            } else {
                name
            }
        }));
        heading.extend([words.t("Missing"), words.t("Still on board"), words.t("Keep until")]);
        let rows = loads
            .iter()
            .map(|row| {
                let found = self.load_facts(row);
                let mut cells = vec![row.pumping.id.to_string(), found.rule_id.clone()];
                cells.extend(WasteField::ALL.iter().map(|field| {
                    found
                        .facts
                        .get(field)
                        .map(|value| csv_text(*field, value, figures))
                        .unwrap_or_default()
                }));
                let missing = found
                    .missing
                    .iter()
                    .map(|field| words.t(field_name(*field)))
                    .collect::<Vec<_>>();
                cells.push(missing.join("; "));
                cells.push(csv_amount(found.fate.on_board_ml, figures));
                cells.push(found.keep_until.map(|day| day.to_string()).unwrap_or_default());
                cells
            })
            .collect::<Vec<_>>();
        table::csv(&heading, &rows)
    }

    fn waste_page(&self, row: &LoadRow) -> WastePage {
        let (words, figures) = (self.figures.words, self.figures);
        let found = self.load_facts(row);
        let line = |field: &WasteField| {
            let missing = found.missing.contains(field);
            let waits = found.circumstances.on_board && field.is_of_disposal();
            let asked = found.rule.asks_for(*field, &found.facts, found.circumstances);
            let value = match found.facts.get(field) {
                Some(value) => fact_text(*field, value, figures),
                None if missing => words.t("missing"),
                None if waits && asked => words.t("still on board"),
                None => return None,
            };
            (field.kind() != FieldKind::Signature || missing).then(|| PageLine {
                name: words.t(field_name(*field)),
                value,
                missing,
            })
        };
        let group = |heading: &str, first: WasteField, last: WasteField| PageGroup {
            heading: words.t(heading),
            lines: WasteField::ALL
                .iter()
                .filter(|field| (first..=last).contains(*field))
                .filter_map(line)
                .collect(),
        };
        let corrections = self
            .rows
            .corrections
            .iter()
            .filter(|correction| correction.corrects == row.pumping.id.to_string())
            .map(|correction| {
                let ml = i128::from(correction.change_ml);
                let amount = figures.volume(volume_of(ml.abs()));
                let sign = if ml < 0 { "−" } else { "+" };
                words.f(
                    "Corrected by {0}: {1}",
                    &[&format!("{sign} {amount}"), &correction.reason],
                )
            });
        let mut notes = load_lead(row, &found, figures);
        notes.extend(corrections);
        let names = [
            (WasteField::GeneratorSignature, row.stop.signed_name.clone()),
            (
                WasteField::DriverSignature,
                found.facts.get(&WasteField::DriverName).cloned().unwrap_or_default(),
            ),
            (
                WasteField::ReceiverSignature,
                found.facts.get(&WasteField::ReceiverName).cloned().unwrap_or_default(),
            ),
        ];
        let signatures = names
            .into_iter()
            .filter_map(|(field, name)| {
                let strokes = found.facts.get(&field)?.split(AND).next().map(read_strokes)?;
                Some(PageSignature {
                    label: words.t(field_name(field)),
                    name,
                    strokes: strokes
                        .into_iter()
                        .map(|stroke| stroke.into_iter().map(|(x, y)| (f64::from(x), f64::from(y))).collect())
                        .collect(),
                })
            })
            .collect();
        WastePage {
            language: match words.language() {
                Language::English => "en-US",
                Language::Spanish => "es-US",
            }
            .to_owned(),
            title: words.f("Hauled-waste record: {0}", &[&row.site.name]),
            heading: words.t("Hauled-waste record"),
            groups: vec![
                group("Hauler", WasteField::HaulerName, WasteField::HaulerRegistration),
                group("Generator", WasteField::GeneratorName, WasteField::Location),
                group("Collected", WasteField::CollectedOn, WasteField::RepairNote),
                group("Driver and vehicle", WasteField::DriverName, WasteField::Vehicle),
                group("Let out", WasteField::DisposalPlace, WasteField::LandRate),
            ],
            signatures,
            notes,
            footer: words.f("Record {0}", &[&row.pumping.id.to_string()]),
        }
    }
}
