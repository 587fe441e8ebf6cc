//! What the record screens share: rows of a name and a value, each a tap away from where it is changed.

use crate::app::door::strokes_path;
use crate::app::overlay::Verdict;
use crate::app::shell::{App, Screen};
use crate::app::truck::SignTarget;
use crate::domain::record::{DisposalId, PumpingId};
use crate::domain::waste::WasteField;

/// One row of a record.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FormRow {
    /// Its name.
    pub title: String,
    /// What it belongs to, or who asks for it.
    pub detail: String,
    /// Its value.
    pub right: String,
    /// How it stands.
    pub verdict: Verdict,
    /// What is wrong or missing.
    pub message: String,
    /// A tap opens what it is changed with.
    pub opens: bool,
    /// It heads the rows below it.
    pub heading: bool,
}

/// What a record screen shows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FormView {
    /// What it is the record of.
    pub title: String,
    /// When, or where.
    pub detail: String,
    /// Cautions for what is done here.
    pub cautions: Vec<String>,
    /// Sentences above the rows.
    pub lead: Vec<String>,
    /// The rows.
    pub rows: Vec<FormRow>,
    /// The keys below, the main one first; an empty one is not there.
    pub keys: [String; 3],
}

/// What the sign pad of the record screens shows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SignView {
    /// It shows.
    pub shown: bool,
    /// Its heading.
    pub heading: String,
    /// Over the name.
    pub name_label: String,
    /// Who signs.
    pub name: String,
    /// The strokes, as path commands.
    pub strokes: String,
    /// Wipes the pad.
    pub clear: String,
    /// Leaves it.
    pub cancel: String,
    /// Keeps it.
    pub accept: String,
    /// There is something to keep.
    pub can_accept: bool,
}

/// A field of a disposal that is typed or chosen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DisposalField {
    /// The place's name.
    Place,
    /// Its address.
    Address,
    /// Its permit.
    Permit,
    /// Who runs it.
    Operator,
    /// When it was let out.
    Time,
    /// The number of the ticket.
    Ticket,
    /// What the receiver noted.
    Discrepancy,
    /// How pathogens were kept down on land.
    Treatment,
    /// What was put on the land.
    LandRate,
}

/// What a tap on a row does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum FormTap {
    Nothing,
    Load(PumpingId),
    Field(PumpingId, WasteField),
    TruckTank(PumpingId),
    SecondTank(PumpingId),
    Correct,
    Typed(DisposalField),
    Method,
    Accepted,
    Sign(SignTarget),
    OtherDay,
}

pub(crate) type Rows = Vec<(FormRow, FormTap)>;

impl App {
    fn form(&self) -> Option<(FormView, Rows)> {
        match self.screen {
            Screen::Load => self.load_form(),
            Screen::Disposal => self.disposal_form(),
            Screen::CloseDay => Some(self.close_form()),
            _ => None,
        }
    }

    /// Returns what the record on the screen shows.
    #[must_use]
    pub fn form_view(&self) -> FormView {
        self.form()
            .map(|(mut view, rows)| {
                view.rows = rows
                    .into_iter()
                    .map(|(row, tap)| FormRow {
                        opens: tap != FormTap::Nothing,
                        ..row
                    })
                    .collect();
                view
            })
            .unwrap_or_default()
    }

    /// A row of the record was tapped.
    pub fn tap_form_row(&mut self, index: usize) {
        let Some((_, rows)) = self.form() else { return };
        match rows.get(index).map(|(_, tap)| *tap) {
            None | Some(FormTap::Nothing) => {}
            Some(FormTap::Load(id)) => self.open_load(id),
            Some(FormTap::Field(id, field)) => self.tap_waste_field(id, field),
            Some(FormTap::TruckTank(id)) => self.tap_load_tank(id),
            Some(FormTap::SecondTank(id)) => self.tap_second_tank(id),
            Some(FormTap::Correct) => self.pad_entry_amount(),
            Some(FormTap::Typed(field)) => self.type_disposal_field(field),
            Some(FormTap::Method) => self.tap_method(),
            Some(FormTap::Accepted) => self.pad_accepted(),
            Some(FormTap::Sign(target)) => self.open_record_pad(target),
            Some(FormTap::OtherDay) => self.tap_other_day(),
        }
    }

    /// A key below the record was tapped, counted from zero.
    pub fn tap_form_key(&mut self, index: usize) {
        match (self.screen, index) {
            (Screen::Load, 0) => self.write_load(true),
            (Screen::Load, 1) => self.write_load(false),
            (Screen::Disposal, 0) => {
                if let Some(id) = self.truck.disposal {
                    self.open_record_pad(SignTarget::Receiver(id));
                }
            }
            (Screen::Load, 2) | (Screen::Disposal, 1) => self.pad_entry_amount(),
            (Screen::CloseDay, 0) => self.tap_close(),
            (Screen::CloseDay, 1) => self.write_day(true),
            (Screen::CloseDay, 2) => self.write_day(false),
            _ => {}
        }
    }

    /// Opens the pad for a signature of these records.
    pub(crate) fn open_record_pad(&mut self, target: SignTarget) {
        let rows = &self.truck.rows;
        let name = match target {
            SignTarget::Receiver(id) => rows
                .disposals
                .iter()
                .find(|disposal| disposal.id == id)
                .map(|disposal| disposal.receiver_name.clone()),
            SignTarget::Driver(_) => Some(self.session.setup().technician.clone()),
            SignTarget::Generator(id) => rows
                .loads
                .iter()
                .find(|row| row.pumping.id == id)
                .map(|row| row.site.customer.clone()),
        };
        self.truck.pad.strokes.clear();
        self.truck.pad.signer = name.unwrap_or_default();
        self.truck.pad.signing = true;
        self.truck.signing = Some(target);
    }

    /// Keeps a signature of these records.
    pub(crate) fn record_signed(&mut self, target: SignTarget, signature: String, signer: String) {
        let now = self.session.now();
        match target {
            SignTarget::Receiver(id) => self.change_disposal(id, "signature", |disposal| {
                disposal.receiver_signature = signature;
                disposal.receiver_name = signer;
                disposal.receiver_signed_at = Some(now);
            }),
            SignTarget::Driver(day) => self.driver_signed(day, signature, signer),
            SignTarget::Generator(id) => {
                let Some(before) = self
                    .truck
                    .rows
                    .loads
                    .iter()
                    .find(|row| row.pumping.id == id)
                    .map(|row| row.stop.clone())
                else {
                    return;
                };
                let mut after = before.clone();
                after.signature = signature;
                after.signed_name = signer;
                after.signed_at = Some(now);
                self.keep_record(Some(before.id), "signature", std::slice::from_ref(&before), &after);
            }
        }
    }

    /// Returns what the sign pad of the record screens shows.
    #[must_use]
    pub fn record_sign_view(&self) -> SignView {
        let words = self.session.words();
        let pad = &self.truck.pad;
        SignView {
            shown: pad.signing,
            heading: match self.truck.signing {
                Some(SignTarget::Receiver(_)) => words.t("The receiver signs here"),
                Some(SignTarget::Driver(_)) => words.t("The driver signs here"),
                _ => words.t("Sign here with a finger"),
            },
            name_label: words.t("Name"),
            name: pad.signer.clone(),
            strokes: strokes_path(&pad.strokes, pad.pad_area.0),
            clear: words.t("Wipe"),
            cancel: words.t("Cancel"),
            accept: words.t("Accept"),
            can_accept: pad.strokes.iter().any(|stroke| stroke.len() > 1),
        }
    }

    pub(crate) fn open_load(&mut self, id: PumpingId) {
        self.truck.load = Some(id);
        self.go(Screen::Load);
    }

    pub(crate) fn open_disposal(&mut self, id: DisposalId) {
        self.truck.disposal = Some(id);
        self.go(Screen::Disposal);
    }
}
