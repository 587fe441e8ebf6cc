//! Load: the hauled-waste record of one pumping, what the rule set asks of it, and its files.

use crate::app::door::file_stem;
use crate::app::form::{FormRow, FormTap, FormView, Rows};
use crate::app::overlay::{PadKind, PadTarget, Picker, PickerTarget, SheetTarget, Verdict};
use crate::app::setup::SetupItem;
use crate::app::shell::{App, NoticeKind, Screen};
use crate::app::truck::SignTarget;
use crate::domain::record::{AccessPoint, Pumping, PumpingId, Record, Stop, TruckTankId, WasteKind};
use crate::domain::units::Volume;
use crate::domain::waste::WasteField;
use crate::say::hauled::{
    Hauled, SAME_AMOUNT_ML, access_name, fact_text, field_name, load_lead, volume_of, waste_name,
};
use crate::store::LoadRow;

impl App {
    /// The truck's loads with what is needed to write their records.
    pub(crate) fn hauled(&self) -> Hauled<'_> {
        Hauled {
            figures: self.session.figures(),
            setup: self.session.setup(),
            rules: self.session.rules(),
            rows: &self.truck.rows,
            volumes: &self.truck.volumes,
        }
    }

    /// Returns the records of loads as a PDF, a page or more each.
    ///
    /// # Errors
    /// A sentence with what happened.
    pub fn records_pdf(&self, loads: &[LoadRow]) -> Result<Vec<u8>, String> {
        self.hauled().records_pdf(loads)
    }

    /// Returns the records of loads as CSV, one row each.
    #[must_use]
    pub fn records_csv(&self, loads: &[LoadRow]) -> Vec<u8> {
        self.hauled().records_csv(loads)
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
        let found = self.hauled().load_facts(row);
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
        let text = self
            .hauled()
            .load_facts(&row)
            .facts
            .get(&field)
            .cloned()
            .unwrap_or_default();
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
                let share = self.hauled().load_facts(&row).fate.shares.last().copied();
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
        let Some(tank) = index
            .checked_sub(1)
            .and_then(|place| self.second_tanks().get(place).copied())
        else {
            self.change_load("truck tank", |pumping| {
                pumping.second_tank = None;
                pumping.second_ml = None;
            });
            return;
        };
        let Some(pumping) = self
            .truck
            .load
            .and_then(|id| self.load_row(id))
            .map(|row| row.pumping.clone())
        else {
            return;
        };
        // What stands there already, else what the first tank could not hold.
        let stands_ml = pumping.second_ml.filter(|_| pumping.second_tank == Some(tank));
        let ledger = self.truck.rows.ledger(None);
        let over_ml = self
            .truck
            .rows
            .tank_of(&pumping)
            .map_or(0, |first| -ledger.room_ml(first));
        let offered_ml = stands_ml.or_else(|| i64::try_from(over_ml).ok().filter(|ml| *ml > 0));
        let figures = self.session.figures();
        let text = offered_ml.map(|ml| {
            let text = figures.volume_value(Volume::from_whole_ml(ml)).replace(',', "");
            (text, ml)
        });
        self.truck.prefilled.clone_from(&text);
        self.truck.second = Some(tank);
        let title = self.session.words().f("Of it into {0}", &[&self.truck_tank_name(tank)]);
        self.open_pad_titled(
            PadTarget::SecondAmount,
            PadKind::Volume,
            title,
            text.map(|(text, _)| text).unwrap_or_default(),
        );
    }

    pub(crate) fn set_second_amount(&mut self, over_ml: i64) {
        let Some(tank) = self.truck.second.take() else { return };
        let out_ml = self
            .truck
            .load
            .and_then(|id| self.load_row(id))
            .and_then(|row| row.pumping.out_ml);
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
            .and_then(|row| self.hauled().load_facts(row).facts.get(&field).cloned());
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
