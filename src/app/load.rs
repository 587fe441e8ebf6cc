//! Load: the hauled-waste record of one pumping, what the rule set asks of it, and its files.

use crate::app::door::{file_stem, read_strokes};
use crate::app::form::{FormRow, FormTap, FormView, Rows, access_name, fact_text, field_name, is_signed, waste_name};
use crate::app::overlay::{PadKind, PadTarget, Picker, PickerTarget, SheetTarget, Verdict, degrees_text};
use crate::app::setup::{SetupItem, confidence_text};
use crate::app::shell::{App, NoticeKind, Screen};
use crate::app::truck::{SignTarget, join, volume_of};
use crate::app::waste_page::{PageGroup, PageLine, PageSignature, WastePage, lay_out};
use crate::app::{card::PageSize, paper};
use crate::domain::ledger::Fate;
use crate::domain::record::{
    AccessPoint, Disposal, DisposalMethod, Language, Pumping, PumpingId, Record, Site, Stop, TruckTankId, Units,
    WasteKind,
};
use crate::domain::rules::HauledWaste;
use crate::domain::units::Volume;
use crate::domain::waste::{AND, Circumstances, Facts, FieldKind, WasteField};
use crate::exchange::{rulefile, table};
use crate::say::figures::Figures;
use crate::store::LoadRow;
use chrono::NaiveDate;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Amounts that differ by less than this are the same amount read in whole gallons or litres: half a US gallon.
const SAME_AMOUNT_ML: i64 = 1_893;

/// A load's record as it stands.
#[derive(Clone, Debug)]
pub(crate) struct LoadFacts {
    pub rule_id: String,
    pub rule_name: String,
    pub rule: HauledWaste,
    pub facts: Facts,
    pub circumstances: Circumstances,
    pub missing: Vec<WasteField>,
    pub fate: Fate,
    pub keep_until: Option<NaiveDate>,
}

/// Reads the facts a record was kept with.
pub(crate) fn read_facts(json: &str) -> Facts {
    serde_json::from_str::<BTreeMap<String, String>>(json)
        .unwrap_or_default()
        .into_iter()
        .filter_map(|(word, value)| Some((WasteField::from_word(&word)?, value)))
        .collect()
}

/// Writes facts the way a record keeps them.
pub(crate) fn facts_json(facts: &Facts) -> String {
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

impl App {
    /// The rule set of a site that says what its record must hold; the general one where its own says nothing.
    fn waste_rule(&self, site: &Site) -> Option<(String, String, HauledWaste)> {
        let own = self.session.rule_set(site);
        let general = self.session.rule_set_named(rulefile::GENERAL).cloned();
        own.into_iter()
            .chain(general)
            .find_map(|set| set.hauled_waste.map(|rule| (set.id, set.name, rule)))
    }

    /// Gathers what is known of a load now, with what was fixed when its day was closed.
    pub(crate) fn load_facts(&self, row: &LoadRow) -> LoadFacts {
        self.load_facts_with(row, &self.truck.rows.ledger(None).fates())
    }

    /// The same for many loads of one ledger, whose fates are worked out once.
    pub(crate) fn load_facts_with(&self, row: &LoadRow, fates: &BTreeMap<Uuid, Fate>) -> LoadFacts {
        let mut found = self.live_facts(row, fates);
        let kept = self
            .truck
            .rows
            .records
            .iter()
            .find(|record| record.pumping == row.pumping.id);
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
    pub(crate) fn live_facts(&self, row: &LoadRow, fates: &BTreeMap<Uuid, Fate>) -> LoadFacts {
        let rows = &self.truck.rows;
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
        match self.truck.volumes.get(&row.tank.id) {
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
        let (setup, rows, site) = (self.session.setup(), &self.truck.rows, &row.site);
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
    pub(crate) fn let_out_ml(&self, disposal: &Disposal) -> i64 {
        let of = disposal.id.to_string();
        self.truck
            .rows
            .corrections
            .iter()
            .filter(|correction| correction.corrects == of)
            .fold(disposal.out_ml, |ml, correction| {
                ml.saturating_sub(correction.change_ml)
            })
    }

    fn load_row(&self, id: PumpingId) -> Option<&LoadRow> {
        self.truck.rows.loads.iter().find(|row| row.pumping.id == id)
    }

    /// Opens the record of what is pumped at the open stop.
    pub fn tap_pump_record(&mut self) {
        let pumping = self
            .stop
            .as_ref()
            .and_then(|state| state.pumping())
            .map(|pumping| pumping.id);
        let reloaded = self.reload_truck();
        self.try_book(reloaded);
        match pumping.filter(|id| self.load_row(*id).is_some()) {
            Some(id) => self.open_load(id),
            None => self.say_nothing_to_do("No load yet.", "Say first what came out of this tank."),
        }
    }

    pub(crate) fn load_form(&self) -> Option<(FormView, Rows)> {
        let id = self.truck.load?;
        let row = self.load_row(id)?;
        let (words, figures) = (self.session.words(), self.session.figures());
        let found = self.load_facts(row);
        let mut rows = Rows::new();
        let used = self.used_tanks();
        if used.len() > 1 {
            let tank = self.truck.rows.tank_of(&row.pumping);
            rows.push((
                FormRow {
                    title: words.t("Went into"),
                    right: tank.map(|tank| self.truck_tank_name(tank)).unwrap_or_default(),
                    ..FormRow::default()
                },
                FormTap::TruckTank(id),
            ));
            rows.push((
                FormRow {
                    title: words.t("What ran over"),
                    right: self.second_text(&row.pumping),
                    ..FormRow::default()
                },
                FormTap::SecondTank(id),
            ));
        }
        for field in WasteField::ALL {
            let asked = found.rule.asks_for(*field, &found.facts, found.circumstances);
            let value = found.facts.get(field);
            let waits = found.circumstances.on_board && field.is_of_disposal();
            // What nobody asks for and nobody has given is left out.
            if value.is_none() && !asked && !is_offered(*field) {
                continue;
            }
            let missing = found.missing.contains(field);
            let detail = match (asked, found.rule.from_memory.contains(field)) {
                (true, false) => words.t("asked for"),
                (true, true) => words.t("asked for, from memory: check your form"),
                (false, _) => String::new(),
            };
            rows.push((
                FormRow {
                    title: words.t(field_name(*field)),
                    detail,
                    right: value.map_or_else(
                        || {
                            if waits {
                                words.t("still on board")
                            } else if missing {
                                String::new()
                            } else {
                                words.t("not given")
                            }
                        },
                        |value| fact_text(*field, value, figures),
                    ),
                    verdict: if missing { Verdict::Invalid } else { Verdict::Ok },
                    message: if missing { words.t("missing") } else { String::new() },
                    ..FormRow::default()
                },
                FormTap::Field(id, *field),
            ));
        }
        // What is missing comes first: that is what the screen was opened for.
        rows.sort_by_key(|(row, _)| row.verdict != Verdict::Invalid);
        Some((
            FormView {
                title: words.f("Load from {0}", &[&row.site.name]),
                detail: row
                    .at()
                    .map(|at| format!("{} {}", figures.date(at.date_naive()), at.format("%H:%M")))
                    .unwrap_or_default(),
                cautions: Vec::new(),
                lead: load_lead(row, &found, figures),
                rows: Vec::new(),
                keys: [words.t("As PDF"), words.t("As CSV"), words.t("Correct the amount")],
            },
            rows,
        ))
    }

    /// Opens what a field of a load's record is changed with, wherever it is kept.
    pub(crate) fn tap_waste_field(&mut self, id: PumpingId, field: WasteField) {
        let Some(row) = self.load_row(id).cloned() else { return };
        self.truck.load = Some(id);
        let words = self.session.words();
        let text = self.load_facts(&row).facts.get(&field).cloned().unwrap_or_default();
        match field {
            WasteField::HaulerName => self.tap_setup_item(SetupItem::Company),
            WasteField::HaulerAddress => self.tap_setup_item(SetupItem::CompanyAddress),
            WasteField::HaulerPhone => self.tap_setup_item(SetupItem::CompanyPhone),
            WasteField::HaulerRegistration => self.tap_setup_item(SetupItem::Registration),
            WasteField::DriverName => self.tap_setup_item(SetupItem::Technician),
            WasteField::DriverCertification => self.tap_setup_item(SetupItem::Certification),
            WasteField::Vehicle => self.tap_setup_item(SetupItem::TruckPlate),
            WasteField::DriverSignature => {
                let day = row.at().map_or(row.stop.day, |at| at.date_naive());
                self.open_record_pad(SignTarget::Driver(day));
            }
            WasteField::GeneratorSignature => self.open_record_pad(SignTarget::Generator(id)),
            WasteField::GeneratorAddress => {
                self.open_sheet(
                    SheetTarget::Load(field),
                    field_name(field),
                    row.site.address.clone(),
                    false,
                );
            }
            WasteField::Location => {
                self.open_sheet(
                    SheetTarget::Load(field),
                    field_name(field),
                    row.stop.find_note.clone(),
                    true,
                );
            }
            WasteField::GeneratorName | WasteField::GeneratorPhone => {
                self.open_sheet(SheetTarget::Load(field), field_name(field), text, false);
            }
            WasteField::WasteKind => {
                let rows = WasteKind::ALL
                    .iter()
                    .map(|kind| (words.t(waste_name(*kind)), String::new()))
                    .collect();
                let selected = WasteKind::ALL.iter().position(|kind| Some(*kind) == row.pumping.waste);
                self.choose_of(PickerTarget::Waste, field, rows, selected);
            }
            WasteField::AccessPoint => {
                let rows = AccessPoint::ALL
                    .iter()
                    .map(|access| (words.t(access_name(*access)), String::new()))
                    .collect();
                let selected = AccessPoint::ALL
                    .iter()
                    .position(|access| Some(*access) == row.pumping.access);
                self.choose_of(PickerTarget::Access, field, rows, selected);
            }
            WasteField::PumpReason | WasteField::LeakNote | WasteField::LidNote | WasteField::RepairNote => {
                let mut rows = usual_notes(field)
                    .iter()
                    .map(|note| (words.t(note), String::new()))
                    .collect::<Vec<_>>();
                rows.push((words.t("Write it down"), text));
                self.choose_of(PickerTarget::Note(field), field, rows, None);
            }
            WasteField::AmountCollected if row.pumping.out_ml.is_none() => {
                self.open_pad(PadTarget::LoadAmount, PadKind::Volume, field_name(field), String::new());
            }
            WasteField::AmountCollected => {
                // The amount of a load is corrected, not overwritten, and the pad asks for it on the load's own screen.
                if self.screen != Screen::Load {
                    self.open_load(id);
                }
                self.pad_entry_amount();
            }
            WasteField::TankVolume => {
                let opened = self.open_stop(row.stop.id);
                if self.try_book(opened).is_some() {
                    self.go(Screen::Tank);
                }
            }
            WasteField::CollectedOn | WasteField::CollectedTime => {
                self.say_nothing_to_do("This is when the stop was begun.", "It is noted by itself.");
            }
            _ => {
                let share = self.load_facts(&row).fate.shares.last().copied();
                match share {
                    Some(share) => self.open_disposal(crate::domain::record::DisposalId(share.disposal)),
                    None => self.say_nothing_to_do(
                        "This load is still on board.",
                        "It is filled in when the truck is let out.",
                    ),
                }
            }
        }
    }

    fn choose_of(
        &mut self,
        target: PickerTarget,
        field: WasteField,
        rows: Vec<(String, String)>,
        selected: Option<usize>,
    ) {
        self.picker = Some(Picker {
            target,
            title: self.session.words().t(field_name(field)),
            rows,
            selected,
        });
    }

    pub(crate) fn tap_load_tank(&mut self, id: PumpingId) {
        let words = self.session.words();
        self.truck.load = Some(id);
        let now = self.load_row(id).and_then(|row| self.truck.rows.tank_of(&row.pumping));
        let ledger = self.truck.rows.ledger(None);
        let figures = self.session.figures();
        let used = self.used_tanks();
        let rows = used
            .iter()
            .map(|tank| {
                let room = figures.volume(volume_of(ledger.room_ml(tank.id).max(0)));
                (self.truck_tank_name(tank.id), words.f("room for {0}", &[&room]))
            })
            .collect();
        let selected = used.iter().position(|tank| Some(tank.id) == now);
        self.picker = Some(Picker {
            target: PickerTarget::TruckTank,
            title: words.t("Went into"),
            rows,
            selected,
        });
    }

    /// Where the rest of a load went and how much that was.
    fn second_text(&self, pumping: &Pumping) -> String {
        let first = self.truck.rows.tank_of(pumping);
        let (words, figures) = (self.session.words(), self.session.figures());
        let parts = pumping.parts(first);
        match parts.iter().find(|(tank, _)| Some(*tank) != first) {
            Some((tank, ml)) => {
                let amount = figures.volume(Volume::from_whole_ml(*ml));
                words.f("{0} into {1}", &[&amount, &self.truck_tank_name(*tank)])
            }
            None => words.t("nothing"),
        }
    }

    /// The tanks of the truck that can take what the first tank of the open load did not.
    fn second_tanks(&self) -> Vec<TruckTankId> {
        let row = self.truck.load.and_then(|id| self.load_row(id));
        let first = row.and_then(|row| self.truck.rows.tank_of(&row.pumping));
        let used = self.used_tanks().into_iter().map(|tank| tank.id);
        used.filter(|tank| Some(*tank) != first).collect()
    }

    /// Asks which tank of the truck took what the first one did not.
    pub(crate) fn tap_second_tank(&mut self, id: PumpingId) {
        self.truck.load = Some(id);
        let Some(pumping) = self.load_row(id).map(|row| row.pumping.clone()) else {
            return;
        };
        if pumping.out_ml.is_none_or(|ml| ml <= 0) {
            self.say_nothing_to_do("No load yet.", "Say first what came out of this tank.");
            return;
        }
        let (words, figures) = (self.session.words(), self.session.figures());
        let ledger = self.truck.rows.ledger(None);
        let first = self.truck.rows.tank_of(&pumping).map(|tank| self.truck_tank_name(tank));
        let mut rows = vec![(
            words.f("All of it into {0}", &[&first.unwrap_or_default()]),
            String::new(),
        )];
        let tanks = self.second_tanks();
        rows.extend(tanks.iter().map(|tank| {
            let room = figures.volume(volume_of(ledger.room_ml(*tank).max(0)));
            (self.truck_tank_name(*tank), words.f("room for {0}", &[&room]))
        }));
        let selected = tanks.iter().position(|tank| pumping.second_tank == Some(*tank));
        self.picker = Some(Picker {
            target: PickerTarget::SecondTank,
            title: words.t("Where did the rest go?"),
            rows,
            selected: Some(selected.map_or(0, |place| place + 1)),
        });
    }

    pub(crate) fn second_tank_chosen(&mut self, index: usize) {
        let Some(tank) = index.checked_sub(1).and_then(|place| self.second_tanks().get(place).copied()) else {
            self.change_load("truck tank", |pumping| {
                pumping.second_tank = None;
                pumping.second_ml = None;
            });
            return;
        };
        let Some(pumping) = self.truck.load.and_then(|id| self.load_row(id)).map(|row| row.pumping.clone()) else {
            return;
        };
        // What stands there already, else what the first tank could not hold.
        let stands_ml = pumping.second_ml.filter(|_| pumping.second_tank == Some(tank));
        let ledger = self.truck.rows.ledger(None);
        let over_ml = self.truck.rows.tank_of(&pumping).map_or(0, |first| -ledger.room_ml(first));
        let offered_ml = stands_ml.or_else(|| i64::try_from(over_ml).ok().filter(|ml| *ml > 0));
        let figures = self.session.figures();
        let text = offered_ml.map(|ml| {
            let text = figures.volume_value(Volume::from_whole_ml(ml)).replace(',', "");
            (text, ml)
        });
        self.truck.prefilled.clone_from(&text);
        self.truck.second = Some(tank);
        let title = self.session.words().f("Of it into {0}", &[&self.truck_tank_name(tank)]);
        self.open_pad_titled(PadTarget::SecondAmount, PadKind::Volume, title, text.map(|(text, _)| text).unwrap_or_default());
    }

    pub(crate) fn set_second_amount(&mut self, over_ml: i64) {
        let Some(tank) = self.truck.second.take() else { return };
        let out_ml = self.truck.load.and_then(|id| self.load_row(id)).and_then(|row| row.pumping.out_ml);
        let out_ml = out_ml.unwrap_or(0);
        // Typed in whole gallons or litres, all of it may be a little more than all of it.
        if over_ml.saturating_sub(out_ml) >= SAME_AMOUNT_ML {
            let (words, figures) = (self.session.words(), self.session.figures());
            self.say(
                NoticeKind::Failure,
                words.f(
                    "Only {0} came out of this tank.",
                    &[&figures.volume(Volume::from_whole_ml(out_ml))],
                ),
                words.t("Say how much of it went into the second tank of the truck."),
            );
            return;
        }
        self.change_load("truck tank", |pumping| {
            let over_ml = over_ml.min(out_ml);
            pumping.second_tank = Some(tank).filter(|_| over_ml > 0);
            pumping.second_ml = Some(over_ml).filter(|ml| *ml > 0);
        });
    }

    fn change_load(&mut self, label: &str, change: impl FnOnce(&mut Pumping)) {
        let Some(row) = self.truck.load.and_then(|id| self.load_row(id)).cloned() else {
            return;
        };
        let mut after = row.pumping.clone();
        change(&mut after);
        self.keep_record(Some(row.stop.id), label, std::slice::from_ref(&row.pumping), &after);
    }

    pub(crate) fn waste_chosen(&mut self, index: usize) {
        let kind = WasteKind::ALL.get(index).copied();
        self.change_load("type of waste", |pumping| pumping.waste = kind);
    }

    pub(crate) fn access_chosen(&mut self, index: usize) {
        let access = AccessPoint::ALL.get(index).copied();
        self.change_load("pumped through", |pumping| pumping.access = access);
    }

    pub(crate) fn truck_tank_chosen(&mut self, index: usize) {
        let tank: Option<TruckTankId> = self.used_tanks().get(index).map(|tank| tank.id);
        self.change_load("truck tank", |pumping| pumping.truck_tank = tank);
    }

    pub(crate) fn note_chosen(&mut self, field: WasteField, index: usize) {
        if let Some(note) = usual_notes(field).get(index) {
            let text = self.session.words().t(note);
            self.load_typed(field, text);
            return;
        }
        let text = self
            .truck
            .load
            .and_then(|id| self.load_row(id))
            .and_then(|row| self.load_facts(row).facts.get(&field).cloned());
        self.open_sheet(
            SheetTarget::Load(field),
            field_name(field),
            text.unwrap_or_default(),
            true,
        );
    }

    pub(crate) fn set_load_amount(&mut self, volume: Volume) {
        self.change_load("taken out", |pumping| pumping.out_ml = volume.as_whole_ml());
    }

    /// Keeps a text typed for a load's record, wherever it belongs.
    pub(crate) fn load_typed(&mut self, field: WasteField, text: String) {
        let Some(row) = self.truck.load.and_then(|id| self.load_row(id)).cloned() else {
            return;
        };
        match field {
            WasteField::PumpReason => self.change_load("reason for pumping", |pumping| pumping.why = text),
            WasteField::LeakNote => self.change_load("leaks", |pumping| pumping.leak_note = text),
            WasteField::LidNote => self.change_load("lid safety", |pumping| pumping.lid_note = text),
            WasteField::RepairNote => self.change_load("repairs", |pumping| pumping.repair_note = text),
            WasteField::Location => {
                let after = Stop {
                    find_note: text,
                    ..row.stop.clone()
                };
                self.keep_record(
                    Some(row.stop.id),
                    "where the tank is",
                    std::slice::from_ref(&row.stop),
                    &after,
                );
            }
            WasteField::GeneratorName | WasteField::GeneratorAddress | WasteField::GeneratorPhone => {
                let mut after = row.site.clone();
                match field {
                    WasteField::GeneratorName => after.customer = text,
                    WasteField::GeneratorAddress => after.address = text,
                    _ => after.phone = text,
                }
                self.keep_record(Some(row.stop.id), "customer", std::slice::from_ref(&row.site), &after);
            }
            _ => {}
        }
    }

    /// Writes one load's record as a PDF or as CSV and says where.
    pub(crate) fn write_load(&mut self, pdf: bool) {
        let Some(row) = self.truck.load.and_then(|id| self.load_row(id)).cloned() else {
            return;
        };
        let day = row.at().map_or(row.stop.day, |at| at.date_naive());
        // Two tanks of one site on one day are two loads: the end of the id tells their files apart.
        let id = row.pumping.uuid().simple().to_string();
        let tail = id.get(26..).unwrap_or_default();
        let stem = format!("{}-{}-{tail}", day.format("%Y-%m-%d"), file_stem(&row.site.name));
        self.write_records(pdf, &stem, &[row]);
    }

    pub(crate) fn write_records(&mut self, pdf: bool, stem: &str, loads: &[LoadRow]) {
        let words = self.session.words();
        let path = self.slips.join(format!("{stem}.{}", if pdf { "pdf" } else { "csv" }));
        let made = if pdf {
            self.records_pdf(loads)
        } else {
            Ok(self.records_csv(loads))
        };
        let written = made.and_then(|bytes| {
            let cannot = |error: std::io::Error| {
                words.f(
                    "The record {0} cannot be written: {1}.",
                    &[&path.display().to_string(), &error.to_string()],
                )
            };
            std::fs::create_dir_all(&self.slips).map_err(cannot)?;
            std::fs::write(&path, bytes).map_err(cannot)
        });
        match written {
            Ok(()) => {
                self.say(
                    NoticeKind::Info,
                    words.t("The record is written."),
                    path.display().to_string(),
                );
                self.hand_out(&path);
            }
            Err(what) => self.say(
                NoticeKind::Failure,
                what,
                words.t("Free some room or choose another folder, then try again."),
            ),
        }
    }

    /// Returns the records of loads as a PDF, a page or more each.
    ///
    /// # Errors
    /// A sentence with what happened.
    pub fn records_pdf(&self, loads: &[LoadRow]) -> Result<Vec<u8>, String> {
        let size = match self.session.setup().units {
            Units::UsCustomary => PageSize::Letter,
            Units::Metric => PageSize::A4,
        };
        let pages = loads
            .iter()
            .flat_map(|row| lay_out(&self.waste_page(row), size))
            .collect::<Vec<_>>();
        paper::pdf_of(&pages).map_err(|error| error.to_string())
    }

    /// Returns the records of loads as CSV, one row each.
    #[must_use]
    pub fn records_csv(&self, loads: &[LoadRow]) -> Vec<u8> {
        let (words, figures) = (self.session.words(), self.session.figures());
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
        let (words, figures) = (self.session.words(), self.session.figures());
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
            .truck
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

/// What stands above a load's record: by which rules, what is missing, until when it is kept.
fn load_lead(row: &LoadRow, found: &LoadFacts, figures: Figures) -> Vec<String> {
    let words = figures.words;
    let day = row.at().map_or(row.stop.day, |at| at.date_naive());
    let mut lead = vec![words.f(
        "{0}: {1}.",
        &[&found.rule_name, &words.t(confidence_text(found.rule.confidence))],
    )];
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
pub(crate) fn differs(disposal: &Disposal, out_ml: i64) -> bool {
    disposal
        .accepted_ml
        .is_some_and(|accepted| accepted.saturating_sub(out_ml).saturating_abs() >= SAME_AMOUNT_ML)
}

/// Fields that are worth giving though the rule set does not ask for them.
const fn is_offered(field: WasteField) -> bool {
    matches!(
        field,
        WasteField::WasteKind | WasteField::AccessPoint | WasteField::PumpReason
    )
}

/// What is usual to note, as message ids.
const fn usual_notes(field: WasteField) -> &'static [&'static str] {
    match field {
        WasteField::PumpReason => &[
            "Routine, it was due",
            "Readings were over the limit",
            "Backup or alarm",
            "The owner asked",
            "Sale or inspection",
        ],
        WasteField::LeakNote => &["No leaks seen"],
        WasteField::LidNote => &["Lids sound and secured"],
        WasteField::RepairNote => &["None done"],
        _ => &[],
    }
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
