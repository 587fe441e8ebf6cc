//! Close the day: what is missing, load by load, and the records kept for five years or longer.

use crate::app::form::{FormRow, FormTap, FormView, Rows};
use crate::app::overlay::{Picker, PickerTarget, SheetTarget, Verdict};
use crate::app::shell::{App, NoticeKind, Screen};
use crate::app::truck::{SignTarget, balance_text, stands};
use crate::domain::record::{DayClose, DayCloseId, TruckId, WasteRecord, WasteRecordId, changes};
use crate::domain::units::Volume;
use crate::domain::waste::WasteField;
use crate::say::hauled::{facts_json, field_name, is_signed, volume_of};
use crate::store::LoadRow;
use chrono::NaiveDate;
use std::collections::BTreeSet;

impl App {
    /// Days with something on the ledger that are not closed, oldest first; today is among them only when it has something.
    pub(crate) fn unclosed_days(&self) -> Vec<NaiveDate> {
        let rows = &self.truck.rows;
        let entries = rows.ledger(None).running().into_iter().map(|(entry, _)| entry.day);
        let loads = rows.loads.iter().filter_map(LoadRow::at).map(|at| at.date_naive());
        let closed = |day: &NaiveDate| rows.closes.iter().any(|c| c.day == *day && c.closed_at.is_some());
        let days = entries.chain(loads).filter(|day| !closed(day)).collect::<BTreeSet<_>>();
        days.into_iter().collect()
    }

    /// The day that is being closed: the one chosen, else the oldest that is not closed, else today.
    pub(crate) fn closing_day(&self) -> NaiveDate {
        let today = self.session.today();
        self.truck
            .day
            .unwrap_or_else(|| self.unclosed_days().first().copied().unwrap_or(today).min(today))
    }

    /// The loads whose records belong to a day: those collected on it, and earlier ones of which some was let out on it.
    pub(crate) fn loads_of(&self, day: NaiveDate) -> Vec<LoadRow> {
        let rows = &self.truck.rows;
        let fates = rows.ledger(None).fates();
        let let_out = rows
            .disposals
            .iter()
            .filter(|disposal| disposal.at.is_some_and(|at| at.date_naive() == day))
            .map(|disposal| disposal.id.0)
            .collect::<BTreeSet<_>>();
        rows.loads
            .iter()
            .filter(|row| {
                row.at().is_some_and(|at| at.date_naive() == day)
                    || fates
                        .get(&row.pumping.id.0)
                        .is_some_and(|fate| fate.shares.iter().any(|share| let_out.contains(&share.disposal)))
            })
            .cloned()
            .collect()
    }

    /// Returns the loads whose records belong to today.
    #[must_use]
    pub fn loads_today(&self) -> Vec<LoadRow> {
        self.loads_of(self.session.today())
    }

    /// Opens the day to be closed.
    pub fn tap_close_day(&mut self) {
        self.truck.day = None;
        self.go(Screen::CloseDay);
    }

    fn close_of(&self, day: NaiveDate) -> Option<&DayClose> {
        self.truck.rows.closes.iter().find(|close| close.day == day)
    }

    /// The day's balance, what stays on board, and how it was closed.
    fn close_lead(&self, day: NaiveDate) -> Vec<String> {
        let (words, figures) = (self.session.words(), self.session.figures());
        let balance = self.truck.rows.ledger(None).balance_of(day);
        let close = self.close_of(day);
        let closed = close.and_then(|close| close.closed_at);
        let mut lead = vec![balance_text(&balance, figures)];
        lead.push(words.f(
            "{0} stays on board for the next day.",
            &[&figures.volume(volume_of(balance.on_board_ml))],
        ));
        if let (Some(close), Some(at)) = (close, closed) {
            let when = format!("{} {}", figures.date(at.date_naive()), at.format("%H:%M"));
            lead.push(words.f("Closed {0}.", &[&when]));
            if !close.reason.is_empty() {
                lead.push(words.f("Closed with something missing: {0}", &[&close.reason]));
            }
            if i128::from(close.carried_ml) != balance.on_board_ml {
                lead.push(words.f(
                    "It was closed with {0} on board and has been changed since: close it again.",
                    &[&figures.volume(Volume::from_whole_ml(close.carried_ml))],
                ));
            }
        }
        lead
    }

    pub(crate) fn close_form(&self) -> (FormView, Rows) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let day = self.closing_day();
        let close = self.close_of(day);
        let closed = close.and_then(|close| close.closed_at);
        let mut lead = self.close_lead(day);
        let mut rows: Rows = vec![(
            FormRow {
                title: words.t("Day"),
                right: figures.date(day),
                verdict: Verdict::Ok,
                ..FormRow::default()
            },
            FormTap::OtherDay,
        )];
        let signed = close.is_some_and(|close| is_signed(&close.driver_signature));
        rows.push((
            FormRow {
                title: words.t("Driver"),
                detail: close
                    .map(|close| close.driver.clone())
                    .filter(|name| !name.is_empty())
                    .unwrap_or_else(|| self.session.setup().technician.clone()),
                right: words.t(if signed { "signed" } else { "not signed" }),
                verdict: stands(!signed),
                ..FormRow::default()
            },
            FormTap::Sign(SignTarget::Driver(day)),
        ));
        let mut total = 0;
        for load in self.loads_of(day) {
            let found = self.hauled().load_facts(&load);
            total += found.missing.len();
            let amount = found.facts.get(&WasteField::AmountCollected).map_or_else(
                || "–".to_owned(),
                |ml| crate::say::hauled::fact_text(WasteField::AmountCollected, ml, figures),
            );
            rows.push((
                FormRow {
                    title: load.site.name.clone(),
                    detail: if found.circumstances.on_board {
                        words.t("still on board")
                    } else {
                        words.t("let out")
                    },
                    right: amount,
                    verdict: Verdict::Ok,
                    heading: true,
                    ..FormRow::default()
                },
                FormTap::Load(load.pumping.id),
            ));
            for field in found.missing {
                rows.push((
                    FormRow {
                        title: words.t(field_name(field)),
                        detail: load.site.name.clone(),
                        verdict: Verdict::Invalid,
                        message: words.t("missing"),
                        ..FormRow::default()
                    },
                    FormTap::Field(load.pumping.id, field),
                ));
            }
        }
        lead.push(match total {
            0 => words.t("Nothing that is asked for is missing."),
            count => words.n("{0} field missing", "{0} fields missing", count),
        });
        (
            FormView {
                title: words.t("Close the day"),
                detail: figures.date(day),
                cautions: Vec::new(),
                lead,
                rows: Vec::new(),
                keys: [
                    words.t(if closed.is_some() {
                        "Close it again"
                    } else {
                        "Close the day"
                    }),
                    words.t("As PDF"),
                    words.t("As CSV"),
                ],
            },
            rows,
        )
    }

    pub(crate) fn tap_other_day(&mut self) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let days = self.choosable_days();
        let rows = days
            .iter()
            .map(|day| {
                let state = if self.close_of(*day).is_some_and(|close| close.closed_at.is_some()) {
                    words.t("closed")
                } else {
                    words.t("not closed")
                };
                (figures.date(*day), state)
            })
            .collect();
        let selected = days.iter().position(|day| *day == self.closing_day());
        self.picker = Some(Picker {
            target: PickerTarget::CloseDay,
            title: words.t("Which day?"),
            rows,
            selected,
        });
    }

    /// Newest first: today, the days not closed, the days closed.
    fn choosable_days(&self) -> Vec<NaiveDate> {
        let closed = self.truck.rows.closes.iter().map(|close| close.day);
        let days = self
            .unclosed_days()
            .into_iter()
            .chain(closed)
            .chain([self.session.today()])
            .collect::<BTreeSet<_>>();
        days.into_iter().rev().collect()
    }

    pub(crate) fn day_chosen(&mut self, index: usize) {
        self.truck.day = self.choosable_days().get(index).copied();
    }

    pub(crate) fn driver_signed(&mut self, day: NaiveDate, signature: String, signer: String) {
        let Some(truck) = self.session.setup().truck else {
            return;
        };
        let before = self.close_of(day).cloned();
        let after = DayClose {
            driver: signer,
            driver_certification: self.session.setup().certification.clone(),
            driver_signature: signature,
            ..before.clone().unwrap_or_else(|| self.new_close(truck, day))
        };
        self.keep_record(None, "signature", before.as_slice(), &after);
    }

    fn new_close(&self, truck: TruckId, day: NaiveDate) -> DayClose {
        DayClose {
            id: DayCloseId(self.session.new_id()),
            truck,
            day,
            ..DayClose::default()
        }
    }

    /// Closes the day, or asks first why while something is missing.
    pub(crate) fn tap_close(&mut self) {
        let day = self.closing_day();
        let missing = self
            .loads_of(day)
            .iter()
            .map(|load| self.hauled().load_facts(load).missing.len())
            .sum::<usize>();
        if missing > 0 {
            self.truck.day = Some(day);
            self.open_sheet(
                SheetTarget::CloseReason,
                "Why is it closed with something missing?",
                String::new(),
                true,
            );
        } else {
            self.close_day("");
        }
    }

    /// Closes the day: one action writes the day and the record of every load as it stands now.
    pub(crate) fn close_day(&mut self, reason: &str) {
        let Some(truck) = self.session.setup().truck else {
            return;
        };
        let day = self.closing_day();
        let balance = self.truck.rows.ledger(None).balance_of(day);
        let mut list = Vec::new();
        let mut missing = Vec::new();
        let fates = self.truck.rows.ledger(None).fates();
        for load in self.loads_of(day) {
            let found = self.hauled().live_facts(&load, &fates);
            missing.extend(
                found
                    .missing
                    .iter()
                    .map(|field| serde_json::json!({ "load": load.pumping.id.to_string(), "field": field.word() })),
            );
            let before = self
                .truck
                .rows
                .records
                .iter()
                .find(|record| record.pumping == load.pumping.id)
                .cloned();
            let words = found.missing.iter().map(|field| field.word()).collect::<Vec<_>>();
            let after = WasteRecord {
                day: load.at().map_or(load.stop.day, |at| at.date_naive()),
                rule_set: found.rule_id.clone(),
                facts: facts_json(&found.facts),
                missing: if words.is_empty() {
                    String::new()
                } else {
                    serde_json::json!(words).to_string()
                },
                keep_until: found.keep_until,
                ..before.clone().unwrap_or_else(|| WasteRecord {
                    id: WasteRecordId(self.session.new_id()),
                    pumping: load.pumping.id,
                    ..WasteRecord::default()
                })
            };
            list.extend(changes(before.as_slice(), std::slice::from_ref(&after)));
        }
        let before = self.close_of(day).cloned();
        let stands = before.clone().unwrap_or_else(|| self.new_close(truck, day));
        let driver = if stands.driver.is_empty() {
            self.session.setup().technician.clone()
        } else {
            stands.driver.clone()
        };
        let after = DayClose {
            closed_at: Some(self.session.now()),
            reason: reason.trim().to_owned(),
            missing: if missing.is_empty() {
                String::new()
            } else {
                serde_json::Value::from(missing).to_string()
            },
            carried_ml: i64::try_from(balance.on_board_ml).unwrap_or(i64::MAX),
            driver,
            driver_certification: self.session.setup().certification.clone(),
            ..stands
        };
        list.extend(changes(before.as_slice(), std::slice::from_ref(&after)));
        self.session.keep(None, "day closed", false, list);
        self.truck.day = Some(day);
        self.after_truck_change();
        self.renew_cloud(true);
        let words = self.session.words();
        self.say(
            NoticeKind::Info,
            words.t("The day is closed."),
            words.t("Its records are kept; it can be closed again after a correction."),
        );
    }

    /// Writes the records of the day as one PDF or one table.
    pub(crate) fn write_day(&mut self, pdf: bool) {
        let day = self.closing_day();
        let loads = self.loads_of(day);
        if loads.is_empty() {
            self.say_nothing_to_do("No loads on this day.", "There is nothing to write.");
            return;
        }
        let words = self.session.words();
        let stem = format!("{}-{}", day.format("%Y-%m-%d"), words.t("hauled-waste"));
        self.write_records(pdf, &stem, &loads);
    }
}
