//! Disposal: one ticket: where, how much was let out, how much was taken, by whom.

use crate::app::form::{DisposalField, FormRow, FormTap, FormView, Rows};
use crate::app::overlay::{PadKind, PadTarget, Picker, PickerTarget, SheetTarget, Verdict};
use crate::app::shell::App;
use crate::app::truck::{SignTarget, stands};
use crate::domain::record::{Disposal, DisposalId, DisposalMethod, DisposalPlace};
use crate::domain::units::Volume;
use crate::say::hauled::{differs, is_signed, method_name};
use chrono::NaiveTime;

impl App {
    #[expect(clippy::too_many_lines, reason = "one row of the ticket after the other")]
    pub(crate) fn disposal_form(&self) -> Option<(FormView, Rows)> {
        let id = self.truck.disposal?;
        let disposal = self.truck.rows.disposals.iter().find(|d| d.id == id)?;
        let (words, figures) = (self.session.words(), self.session.figures());
        let out_ml = self.hauled().let_out_ml(disposal);
        let differ = differs(disposal, out_ml);
        let typed = |title: &str, value: &str, field: DisposalField| {
            (
                FormRow {
                    title: words.t(title),
                    right: if value.is_empty() {
                        words.t("not given")
                    } else {
                        value.to_owned()
                    },
                    verdict: stands(value.is_empty()),
                    ..FormRow::default()
                },
                FormTap::Typed(field),
            )
        };
        let amount =
            |ml: Option<i64>| ml.map_or_else(|| words.t("not given"), |ml| figures.volume(Volume::from_whole_ml(ml)));
        let time = disposal.at.map(|at| at.format("%H:%M").to_string()).unwrap_or_default();
        let mut rows = vec![
            (
                FormRow {
                    title: words.t("Let out of the truck"),
                    detail: if out_ml == disposal.out_ml {
                        String::new()
                    } else {
                        words.f("was written as {0}", &[&amount(Some(disposal.out_ml))])
                    },
                    right: amount(Some(out_ml)),
                    verdict: Verdict::Ok,
                    ..FormRow::default()
                },
                FormTap::Correct,
            ),
            (
                FormRow {
                    title: words.t("Amount received there"),
                    right: amount(disposal.accepted_ml),
                    verdict: if differ {
                        Verdict::Warning
                    } else {
                        stands(disposal.accepted_ml.is_none())
                    },
                    message: if differ {
                        words.t("Not what was let out: have the receiver note why.")
                    } else {
                        String::new()
                    },
                    ..FormRow::default()
                },
                FormTap::Accepted,
            ),
            typed("Ticket number", &disposal.ticket, DisposalField::Ticket),
        ];
        if differ || !disposal.discrepancy.is_empty() {
            rows.push(typed(
                "Difference noted",
                &disposal.discrepancy,
                DisposalField::Discrepancy,
            ));
        }
        let signed = is_signed(&disposal.receiver_signature);
        rows.push((
            FormRow {
                title: words.t("Receiver"),
                detail: disposal.receiver_name.clone(),
                right: words.t(if signed { "signed" } else { "not signed" }),
                verdict: stands(!signed),
                ..FormRow::default()
            },
            FormTap::Sign(SignTarget::Receiver(id)),
        ));
        rows.extend([
            typed("Let out at", &time, DisposalField::Time),
            typed("Disposal place", &disposal.place, DisposalField::Place),
            typed("Address", &disposal.address, DisposalField::Address),
            typed("Place's permit", &disposal.permit, DisposalField::Permit),
            typed("Place's operator", &disposal.operator, DisposalField::Operator),
            (
                FormRow {
                    title: words.t("Disposal method"),
                    right: disposal
                        .method
                        .map_or_else(|| words.t("not given"), |method| words.t(method_name(method))),
                    verdict: stands(disposal.method.is_none()),
                    ..FormRow::default()
                },
                FormTap::Method,
            ),
        ]);
        let mut cautions = vec![words.t(
            "Never climb into the truck's tank or lean over its hatch: the gas kills. Wheels chocked, valve closed before the hose comes off.",
        )];
        if disposal.method == Some(DisposalMethod::LandApplied) {
            rows.push(typed(
                "Pathogens and insects",
                &disposal.treatment,
                DisposalField::Treatment,
            ));
            rows.push(typed(
                "Nitrogen and liquid per area",
                &disposal.land_rate,
                DisposalField::LandRate,
            ));
            cautions.push(words.t("Land application needs a permitted field: keep to its rates and setbacks."));
        }
        let tank = self.truck_tank_name(disposal.truck_tank);
        Some((
            FormView {
                title: words.f("Let out at {0}", &[&disposal.place]),
                detail: disposal
                    .at
                    .map(|at| {
                        let when = format!("{} {}", figures.date(at.date_naive()), at.format("%H:%M"));
                        crate::say::hauled::join(&[&when, &tank])
                    })
                    .unwrap_or_default(),
                cautions,
                lead: Vec::new(),
                rows: Vec::new(),
                keys: [words.t("Receiver signs"), words.t("Correct the amount"), String::new()],
            },
            rows,
        ))
    }

    pub(crate) fn change_disposal(&mut self, id: DisposalId, label: &str, change: impl FnOnce(&mut Disposal)) {
        let Some(before) = self.truck.rows.disposals.iter().find(|d| d.id == id).cloned() else {
            return;
        };
        let mut after = before.clone();
        change(&mut after);
        self.keep_record(None, label, std::slice::from_ref(&before), &after);
    }

    pub(crate) fn pad_accepted(&mut self) {
        self.open_pad(
            PadTarget::Accepted,
            PadKind::Volume,
            "Amount received there",
            String::new(),
        );
    }

    pub(crate) fn set_accepted(&mut self, ml: Option<i64>) {
        if let Some(id) = self.truck.disposal {
            self.change_disposal(id, "amount received", |disposal| disposal.accepted_ml = ml);
        }
    }

    pub(crate) fn tap_method(&mut self) {
        let words = self.session.words();
        let now = self
            .truck
            .disposal
            .and_then(|id| self.truck.rows.disposals.iter().find(|d| d.id == id))
            .and_then(|disposal| disposal.method);
        self.picker = Some(Picker {
            target: PickerTarget::Method,
            title: words.t("Disposal method"),
            rows: DisposalMethod::ALL
                .iter()
                .map(|method| (words.t(method_name(*method)), String::new()))
                .collect(),
            selected: DisposalMethod::ALL.iter().position(|method| Some(*method) == now),
        });
    }

    pub(crate) fn method_chosen(&mut self, index: usize) {
        let method = DisposalMethod::ALL.get(index).copied();
        let Some(id) = self.truck.disposal else { return };
        self.change_disposal(id, "disposal method", |disposal| disposal.method = method);
        self.keep_for_next_time(id, |place| place.method = method);
    }

    pub(crate) fn type_disposal_field(&mut self, field: DisposalField) {
        let Some(disposal) = self
            .truck
            .disposal
            .and_then(|id| self.truck.rows.disposals.iter().find(|d| d.id == id))
        else {
            return;
        };
        let (title, text, long) = match field {
            DisposalField::Place => ("Disposal place", disposal.place.clone(), false),
            DisposalField::Address => ("Address", disposal.address.clone(), false),
            DisposalField::Permit => ("Place's permit", disposal.permit.clone(), false),
            DisposalField::Operator => ("Place's operator", disposal.operator.clone(), false),
            DisposalField::Time => {
                let time = disposal.at.map(|at| at.format("%H:%M").to_string());
                ("Let out at", time.unwrap_or_default(), false)
            }
            DisposalField::Ticket => ("Ticket number", disposal.ticket.clone(), false),
            DisposalField::Discrepancy => ("Difference noted", disposal.discrepancy.clone(), true),
            DisposalField::Treatment => ("Pathogens and insects", disposal.treatment.clone(), true),
            DisposalField::LandRate => ("Nitrogen and liquid per area", disposal.land_rate.clone(), true),
        };
        self.open_sheet(SheetTarget::Disposal(field), title, text, long);
    }

    pub(crate) fn disposal_typed(&mut self, field: DisposalField, text: &str) {
        let Some(id) = self.truck.disposal else { return };
        let text = text.to_owned();
        if field == DisposalField::Time {
            let Ok(time) = NaiveTime::parse_from_str(&text, "%H:%M") else {
                return;
            };
            self.change_disposal(id, "when it was let out", |disposal| {
                disposal.at = disposal.at.and_then(|at| at.with_time(time).single()).or(disposal.at);
            });
            return;
        }
        // The place's own facts are kept with the place too, so that they are typed once.
        match field {
            DisposalField::Address => self.keep_for_next_time(id, |place| place.address.clone_from(&text)),
            DisposalField::Permit => self.keep_for_next_time(id, |place| place.permit.clone_from(&text)),
            DisposalField::Operator => self.keep_for_next_time(id, |place| place.operator.clone_from(&text)),
            _ => {}
        }
        self.change_disposal(id, "disposal", |disposal| match field {
            DisposalField::Place => disposal.place = text,
            DisposalField::Address => disposal.address = text,
            DisposalField::Permit => disposal.permit = text,
            DisposalField::Operator => disposal.operator = text,
            DisposalField::Ticket => disposal.ticket = text,
            DisposalField::Discrepancy => disposal.discrepancy = text,
            DisposalField::Treatment => disposal.treatment = text,
            DisposalField::LandRate => disposal.land_rate = text,
            DisposalField::Time => {}
        });
    }

    fn keep_for_next_time(&mut self, id: DisposalId, change: impl FnOnce(&mut DisposalPlace)) {
        let disposals = &self.truck.rows.disposals;
        let name = disposals.iter().find(|d| d.id == id).map(|d| d.place.clone());
        let places = self.session.ask(|store| store.disposal_places());
        let Some(before) = self
            .try_book(places)
            .and_then(|places| places.into_iter().find(|place| Some(&place.name) == name.as_ref()))
        else {
            return;
        };
        let mut after = before.clone();
        change(&mut after);
        self.keep_record(None, "disposal place", std::slice::from_ref(&before), &after);
    }
}
