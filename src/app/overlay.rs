//! What opens over any screen: the number pad, the text sheet, the list to choose from, the question.

use crate::app::explain;
use crate::app::find_tape::TapeEnd;
use crate::app::form::DisposalField;
use crate::app::page::{PageChoice, PageNumber, PageText};
use crate::app::position::SourceChoice;
use crate::app::setup::SetupItem;
use crate::app::shell::App;
use crate::app::stop::Quantity;
use crate::app::wipe::LEAST_PHRASE;
use crate::domain::record::{ClueKind, LidId, PinId, TapeTieId};
use crate::domain::units::{Cents, Volume, round_to_i64};
use crate::domain::waste::WasteField;
use crate::exchange::dayfile::seal::OfficeKey;
use crate::say::figures::{Figures, TypedError, parse_date, parse_plain};
use crate::store::Wipe;
use chrono::{NaiveDate, NaiveTime};

/// How a typed value stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing typed.
    #[default]
    Empty,
    /// It can be kept.
    Ok,
    /// It can be kept, and deserves a look.
    Warning,
    /// It cannot be used.
    Invalid,
}

/// A typed line: the text as typed, how it stands, and why.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Field {
    /// As typed.
    pub text: String,
    /// How it stands.
    pub verdict: Verdict,
    /// Why, in one sentence.
    pub message: String,
}

/// One large number with its unit.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FigureView {
    /// What it is.
    pub name: String,
    /// The number.
    pub value: String,
    /// Its unit.
    pub unit: String,
    /// How it stands.
    pub verdict: Verdict,
    /// Why.
    pub message: String,
}

/// A yes-or-no fact that may not have been looked at yet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Answer {
    /// Not looked at.
    #[default]
    Unknown,
    /// Yes.
    Yes,
    /// No.
    No,
}

impl From<Option<bool>> for Answer {
    fn from(fact: Option<bool>) -> Self {
        match fact {
            None => Self::Unknown,
            Some(true) => Self::Yes,
            Some(false) => Self::No,
        }
    }
}

impl Answer {
    /// Returns the fact.
    #[must_use]
    pub const fn fact(self) -> Option<bool> {
        match self {
            Self::Unknown => None,
            Self::Yes => Some(true),
            Self::No => Some(false),
        }
    }

    /// Returns what the fact becomes when this answer is tapped: tapping the one that stands takes it back.
    #[must_use]
    pub fn tapped_on(self, fact: Option<bool>) -> Option<bool> {
        if self.fact() == fact { None } else { self.fact() }
    }
}

/// Returns what follows in the round of not looked at, yes, no.
#[must_use]
pub(crate) const fn next_answer(fact: Option<bool>) -> Option<bool> {
    match fact {
        None => Some(true),
        Some(true) => Some(false),
        Some(false) => None,
    }
}

/// What the number pad is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PadTarget {
    /// Soil over the lid.
    Cover,
    /// A reading.
    Reading(Quantity),
    /// A size on the tank sheet, by its place in the list.
    Dimension(usize),
    /// The depth of a dip row.
    DipDepth(usize),
    /// The volume of a dip row.
    DipVolume(usize),
    /// Taken out.
    Out,
    /// Left in.
    Heel,
    /// People, at the stop.
    People,
    /// People on the site's form.
    FormResidents,
    /// People on trial.
    TrialResidents,
    /// Tank on trial.
    TrialTank,
    /// The length of what was marked on a photo.
    KnownLength,
    /// What is let out of the truck.
    DisposeAmount,
    /// What is really in a tank of the truck.
    OnBoardNow,
    /// What a load or a disposal really was.
    EntryAmount,
    /// What a disposal place took.
    Accepted,
    /// The amount of a load that had none.
    LoadAmount,
    /// How much of a load went into the second tank of the truck.
    SecondAmount,
    /// A number of the set-up.
    Setup(SetupItem),
    /// A tape to something from a pin.
    Tape {
        /// To what.
        end: TapeEnd,
        /// From where.
        from: PinId,
    },
    /// A tape that is pulled again.
    Retape(TapeTieId),
    /// The tape between two corners, whose places on the plan are given in millimetres.
    WallLength {
        /// The left-hand corner.
        left: (i64, i64),
        /// Toward the right-hand one.
        right: (i64, i64),
    },
    /// How deep the house is behind the wall between two corners.
    HouseDepth {
        /// The left-hand corner.
        first: PinId,
        /// The right-hand one.
        second: PinId,
    },
    /// How deep the rod was pushed.
    PushDepth,
    /// The distance on a record drawing.
    RecordDistance,
    /// How deep the sewer leaves the house.
    SewerDepth,
    /// A number of a page behind the Pump station.
    Page(PageNumber),
}

/// What the number on the pad counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PadKind {
    /// A length of zero or more.
    Length,
    /// A length that may be below zero.
    SignedLength,
    /// A taped distance: feet and inches, or metres.
    Distance,
    /// A volume.
    Volume,
    /// People, to the tenth.
    People,
    /// Money.
    Money,
    /// Years, to the half.
    Years,
    /// How many of something, to the thousandth.
    Quantity,
    /// A share in percent, to the tenth.
    Percent,
}

/// What was typed on the pad, understood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum PadValue {
    /// Millimetres.
    Mm(i64),
    /// A volume.
    Volume(Volume),
    /// Tenths of a person.
    Tenths(i64),
    /// Money.
    Money(Cents),
    /// Months.
    Months(i64),
    /// Thousandths.
    Thousandths(i64),
    /// Millionths of a whole, from percent.
    Ppm(i64),
}

/// A key of the pad.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PadKey {
    /// 0 to 9.
    Digit(u8),
    /// The decimal point.
    Point,
    /// Half an inch.
    Half,
    /// Plus or minus.
    Sign,
    /// Takes the last key back.
    Back,
}

/// The number pad.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pad {
    /// What it is for.
    pub target: PadTarget,
    /// What it counts.
    pub kind: PadKind,
    /// What is asked for.
    pub title: String,
    /// As typed.
    pub text: String,
    /// Feet and inches are typed, with a key that ends the feet.
    pub in_feet: bool,
}

impl Pad {
    /// Understands what was typed.
    ///
    /// # Errors
    /// [`TypedError`] saying why it cannot be used.
    pub fn value(&self, figures: Figures) -> Result<PadValue, TypedError> {
        let scaled = |factor: f64, most: i64| {
            let number = parse_plain(&self.text)?;
            if number < 0.0 {
                return Err(TypedError::Negative);
            }
            let whole = round_to_i64(number * factor).ok_or(TypedError::TooLarge)?;
            if whole > most {
                Err(TypedError::TooLarge)
            } else {
                Ok(whole)
            }
        };
        match self.kind {
            PadKind::Length => figures
                .parse_length(&self.text)
                .map(|length| PadValue::Mm(i64::from(length.as_mm()))),
            PadKind::SignedLength => figures.parse_mm(&self.text).map(PadValue::Mm),
            PadKind::Distance => figures.parse_tape(&self.text).map(PadValue::Mm),
            PadKind::Volume => figures.parse_volume(&self.text).map(PadValue::Volume),
            PadKind::People => scaled(10.0, 10_000).map(PadValue::Tenths),
            PadKind::Money => scaled(100.0, 100_000_000).map(|cents| PadValue::Money(Cents(cents))),
            PadKind::Years => scaled(12.0, 1_200).map(PadValue::Months),
            PadKind::Quantity => scaled(1_000.0, 1_000_000_000).map(PadValue::Thousandths),
            // To the thousandth of a percent: sales taxes have up to three decimals.
            PadKind::Percent => scaled(1_000.0, 100_000).map(|parts| PadValue::Ppm(parts * 10)),
        }
    }

    fn press(&mut self, key: PadKey) {
        match key {
            PadKey::Digit(digit) => {
                let open = !self.text.ends_with('½') && self.text.chars().count() < 9;
                if let (true, Some(c)) = (open, char::from_digit(u32::from(digit), 10)) {
                    self.text.push(c);
                }
            }
            PadKey::Point if self.in_feet => {
                if !self.text.is_empty() && !self.text.contains(['′', '½']) {
                    self.text.push('′');
                }
            }
            PadKey::Point => {
                if !self.text.contains(['.', '½']) {
                    self.text.push('.');
                }
            }
            PadKey::Half => {
                if !self.text.contains(['.', '½']) {
                    self.text.push('½');
                }
            }
            PadKey::Sign => {
                if let Some(rest) = self.text.strip_prefix('-') {
                    self.text = rest.to_owned();
                } else {
                    self.text.insert(0, '-');
                }
            }
            PadKey::Back => {
                self.text.pop();
            }
        }
    }
}

/// What the pad shows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PadView {
    /// What is asked for.
    pub title: String,
    /// As typed.
    pub text: String,
    /// The unit.
    pub unit: String,
    /// There is a key for half an inch.
    pub has_half: bool,
    /// There is a key for the sign.
    pub has_sign: bool,
    /// What stands on the key for the decimal point; empty when there is none.
    pub point_text: String,
    /// How it stands.
    pub verdict: Verdict,
    /// Why.
    pub message: String,
}

/// What the text sheet is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SheetTarget {
    /// How the tank was found.
    FindNote,
    /// The site's latitude.
    Latitude,
    /// The site's longitude.
    Longitude,
    /// The name of a point that is placed next.
    NewPoint,
    /// The name of a point that two tapes will place.
    NewTapedPoint,
    /// The name of a pin.
    PinName(PinId),
    /// What was found, for the customer.
    FoundNote,
    /// The tank's name.
    TankName,
    /// When the tank was last emptied.
    LastEmptied,
    /// What a photo shows.
    PhotoNote,
    /// A text of a page behind the Pump station.
    Page(PageText),
    /// The name of a new disposal place.
    PlaceName,
    /// A text of a disposal.
    Disposal(DisposalField),
    /// A text of a load's record.
    Load(WasteField),
    /// Why the load is corrected.
    CorrectionReason,
    /// Why the day is closed with something missing.
    CloseReason,
    /// A text of the set-up.
    Setup(SetupItem),
    /// The phrase a copy of the book is sealed with.
    CopyPhrase,
    /// The phrase the copy for the phone's cloud backup is sealed with.
    CloudPhrase,
    /// The phrase that opens a copy that came back from a cloud.
    CloudOpen,
}

/// The text sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    /// What it is for.
    pub target: SheetTarget,
    /// What is asked for.
    pub title: String,
    /// As typed.
    pub text: String,
    /// More than one line is welcome.
    pub many_lines: bool,
}

/// What the text sheet shows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SheetView {
    /// What is asked for.
    pub title: String,
    /// As typed.
    pub text: String,
    /// More than one line is welcome.
    pub many_lines: bool,
    /// How it stands.
    pub verdict: Verdict,
    /// Why.
    pub message: String,
}

/// What a choice is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PickerTarget {
    /// The company's usual rule set.
    RuleSet,
    /// The rule set of the site on its form.
    SiteRuleSet,
    /// Where to begin a stop.
    Start,
    /// A picture to take in.
    PhotoFile,
    /// What a photo shows.
    PhotoPart,
    /// A choice of a page behind the Pump station.
    Page(PageChoice),
    /// Something of the yard; the Find station knows what the rows stand for.
    Yard,
    /// A plan from the office.
    Plan,
    /// Where the truck is let out.
    DisposalPlace,
    /// What becomes of it there.
    Method,
    /// What a load was.
    Waste,
    /// Which opening it was pumped through.
    Access,
    /// A usual note, or one to be typed.
    Note(WasteField),
    /// The truck's tank a load went into.
    TruckTank,
    /// The truck's tank the rest of a load went into.
    SecondTank,
    /// The day to close.
    CloseDay,
    /// Which day's file to make.
    DayFile,
    /// Where a file that was made goes.
    FileOut,
    /// What of a site is wiped.
    Wipe,
    /// Whether a copy is made first.
    WipeFirst(Wipe),
}

/// One choice out of several.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picker {
    /// What it is for.
    pub target: PickerTarget,
    /// What is asked.
    pub title: String,
    /// The choices: title and a line under it.
    pub rows: Vec<(String, String)>,
    /// Which one stands.
    pub selected: Option<usize>,
}

/// What a question is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConfirmTarget {
    /// Finishing with a lid not known to be closed.
    FinishWithLids,
    /// Taking a photo off the list.
    RemovePhoto,
    /// Pinning a lid where the rod met the tank.
    PinLid(LidId),
    /// Wiping; the second time it is asked, it is done.
    Wipe(Wipe, bool),
    /// Leaving a sealed copy for the phone's cloud backup.
    CloudCopy,
}

/// A question with two answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Confirm {
    /// What it is about.
    pub target: ConfirmTarget,
    /// In a few words.
    pub title: String,
    /// In one sentence.
    pub sentence: String,
    /// The answer that does it.
    pub yes: String,
    /// The answer that does not.
    pub no: String,
}

/// Reads a typed latitude or longitude into 1e-7 degrees.
///
/// # Errors
/// [`TypedError`] saying why it cannot be used.
pub fn parse_degrees_e7(text: &str, limit: f64) -> Result<i64, TypedError> {
    let degrees = parse_plain(text)?;
    if degrees.abs() > limit {
        return Err(TypedError::TooLarge);
    }
    round_to_i64(degrees * 1e7).ok_or(TypedError::TooLarge)
}

impl App {
    pub(crate) fn open_pad(&mut self, target: PadTarget, kind: PadKind, title: &str, text: String) {
        self.open_pad_titled(target, kind, self.session.words().t(title), text);
    }

    /// The same with a title that is said already.
    pub(crate) fn open_pad_titled(&mut self, target: PadTarget, kind: PadKind, title: String, text: String) {
        let us = self.session.setup().units == crate::domain::record::Units::UsCustomary;
        self.pad = Some(Pad {
            target,
            kind,
            title,
            text,
            in_feet: us && kind == PadKind::Distance,
        });
    }

    pub(crate) fn open_sheet(&mut self, target: SheetTarget, title: &str, text: String, many_lines: bool) {
        self.sheet = Some(Sheet {
            target,
            title: self.session.words().t(title),
            text,
            many_lines,
        });
    }

    /// A key of the number pad. The first digit replaces what stood there.
    pub fn pad_key(&mut self, key: PadKey) {
        if let Some(pad) = self.pad.as_mut() {
            pad.press(key);
        }
    }

    /// Returns what the number pad shows.
    #[must_use]
    pub fn pad_view(&self) -> Option<PadView> {
        let pad = self.pad.as_ref()?;
        let (words, figures) = (self.session.words(), self.session.figures());
        let (verdict, message) = match pad.value(figures) {
            Ok(PadValue::Mm(mm)) => match self.tape_refusal(pad.target, mm) {
                Some(refusal) => (Verdict::Invalid, refusal),
                None => (Verdict::Ok, String::new()),
            },
            Ok(_) => (Verdict::Ok, String::new()),
            Err(TypedError::Empty) => (Verdict::Empty, String::new()),
            Err(error) => (Verdict::Invalid, figures.explain(error)),
        };
        let lengths = matches!(pad.kind, PadKind::Length | PadKind::SignedLength);
        let us = self.session.setup().units == crate::domain::record::Units::UsCustomary;
        // A mark of the leak gauge is read finer than to the half inch.
        let fine = pad.target == PadTarget::Page(PageNumber::Level);
        Some(PadView {
            title: pad.title.clone(),
            text: pad.text.replace('-', "−"),
            unit: match pad.kind {
                PadKind::Length | PadKind::SignedLength => figures.length_unit().to_owned(),
                // The unit of what is typed next: feet, and after them inches.
                PadKind::Distance if pad.in_feet && !pad.text.contains('′') => words.t("ft"),
                PadKind::Distance if pad.in_feet => figures.length_unit().to_owned(),
                PadKind::Distance => "m".to_owned(),
                PadKind::Volume => figures.volume_unit().to_owned(),
                PadKind::People => words.t("people"),
                PadKind::Money => "$".to_owned(),
                PadKind::Years => words.t("years"),
                PadKind::Quantity => String::new(),
                PadKind::Percent => "%".to_owned(),
            },
            has_half: (lengths && us) || pad.in_feet,
            has_sign: pad.kind == PadKind::SignedLength,
            point_text: match (lengths && us && !fine, pad.in_feet) {
                (true, _) => String::new(),
                (false, true) => words.t("ft"),
                (false, false) => ".".to_owned(),
            },
            verdict,
            message,
        })
    }

    /// Keeps the number on the pad.
    pub fn pad_keep(&mut self) {
        let figures = self.session.figures();
        let Some(Ok(value)) = self.pad.as_ref().map(|pad| pad.value(figures)) else {
            return;
        };
        // What is refused stays on the pad as typed.
        if self.pad_view().is_none_or(|pad| pad.verdict != Verdict::Ok) {
            return;
        }
        let Some(pad) = self.pad.take() else { return };
        match (pad.target, value) {
            (PadTarget::Cover, PadValue::Mm(mm)) => self.set_cover(mm),
            (PadTarget::Reading(quantity), PadValue::Mm(mm)) => self.set_reading(quantity, mm),
            (PadTarget::Dimension(index), PadValue::Mm(mm)) => self.set_dimension(index, mm),
            (PadTarget::Dimension(_), PadValue::Volume(volume)) => self.set_nominal(volume),
            (PadTarget::DipDepth(row), PadValue::Mm(mm)) => self.set_dip_depth(row, mm),
            (PadTarget::DipVolume(row), PadValue::Volume(volume)) => self.set_dip_volume(row, volume),
            (PadTarget::Out, PadValue::Volume(volume)) => self.set_out(volume),
            (PadTarget::Heel, PadValue::Volume(volume)) => self.set_heel(volume),
            (PadTarget::People, PadValue::Tenths(tenths)) => self.set_people(tenths),
            (PadTarget::FormResidents, PadValue::Tenths(tenths)) => self.set_form_residents(tenths),
            (PadTarget::TrialResidents, PadValue::Tenths(tenths)) => self.set_trial_residents(tenths),
            (PadTarget::TrialTank, PadValue::Volume(volume)) => self.set_trial_tank(volume),
            (PadTarget::KnownLength, PadValue::Mm(mm)) => self.set_known_length(mm),
            (PadTarget::Setup(item), value) => self.set_setup_number(item, value),
            (PadTarget::Tape { end, from }, PadValue::Mm(mm)) => self.keep_tape(end, from, mm),
            (PadTarget::Retape(tie), PadValue::Mm(mm)) => self.keep_retape(tie, mm),
            (PadTarget::WallLength { left, right }, PadValue::Mm(mm)) => self.keep_wall(left, right, mm),
            (PadTarget::HouseDepth { first, second }, PadValue::Mm(mm)) => self.keep_house_depth(first, second, mm),
            (PadTarget::PushDepth, PadValue::Mm(mm)) => self.set_push_depth(mm),
            (PadTarget::RecordDistance, PadValue::Mm(mm)) => {
                let distance = u32::try_from(mm).ok().map(crate::domain::units::Length::from_mm);
                self.add_clue(ClueKind::Record, distance);
            }
            (PadTarget::SewerDepth, PadValue::Mm(mm)) => self.set_sewer_depth(mm),
            (PadTarget::Page(number), value) => self.page_number(number, value),
            (
                PadTarget::DisposeAmount
                | PadTarget::OnBoardNow
                | PadTarget::EntryAmount
                | PadTarget::Accepted
                | PadTarget::LoadAmount
                | PadTarget::SecondAmount,
                value,
            ) => self.truck_number(pad.target, &pad.text, value),
            _ => {}
        }
    }

    /// Closes whatever is open over the screen, changing nothing.
    pub fn cancel_overlay(&mut self) {
        self.close_overlays();
    }

    /// The text on the sheet has changed.
    pub fn sheet_edit(&mut self, text: &str) {
        if let Some(sheet) = self.sheet.as_mut() {
            text.clone_into(&mut sheet.text);
        }
    }

    /// Returns what the text sheet shows.
    #[must_use]
    pub fn sheet_view(&self) -> Option<SheetView> {
        let sheet = self.sheet.as_ref()?;
        let error = self.sheet_error(sheet);
        Some(SheetView {
            title: sheet.title.clone(),
            text: sheet.text.clone(),
            many_lines: sheet.many_lines,
            verdict: match error {
                Some(_) => Verdict::Invalid,
                None if sheet.text.trim().is_empty() => Verdict::Empty,
                None => Verdict::Ok,
            },
            message: error.unwrap_or_default(),
        })
    }

    /// Says why what was typed cannot be kept; nothing when it can.
    fn sheet_error(&self, sheet: &Sheet) -> Option<String> {
        let text = sheet.text.trim();
        if sheet.target == SheetTarget::Setup(SetupItem::OfficeKey) && !text.is_empty() {
            let error = OfficeKey::parse(text).err()?;
            return Some(explain::office_key(error, self.session.words()));
        }
        if matches!(sheet.target, SheetTarget::CopyPhrase | SheetTarget::CloudPhrase)
            && text.chars().count() < LEAST_PHRASE
        {
            let least = LEAST_PHRASE.to_string();
            return Some(self.session.words().f(
                "At least {0} characters: several words are easier to keep in mind.",
                &[&least],
            ));
        }
        sheet_error(sheet).map(|error| self.session.figures().explain(error))
    }

    /// Keeps the text on the sheet.
    pub fn sheet_keep(&mut self) {
        if self
            .sheet
            .as_ref()
            .is_none_or(|sheet| self.sheet_error(sheet).is_some())
        {
            return;
        }
        let Some(sheet) = self.sheet.take() else { return };
        let text = sheet.text.trim().to_owned();
        let latitude = parse_degrees_e7(&text, 90.0).ok();
        let longitude = parse_degrees_e7(&text, 180.0).ok();
        let date: Option<NaiveDate> = parse_date(&text).ok();
        match sheet.target {
            SheetTarget::FindNote => self.change("where the tank is", |visit, _| visit.stop.find_note = text),
            SheetTarget::FoundNote => self.change("what was found", |visit, _| visit.stop.found_note = text),
            SheetTarget::Latitude => self.change("position", |visit, _| visit.site.lat_e7 = latitude),
            SheetTarget::Longitude => self.change("position", |visit, _| visit.site.lon_e7 = longitude),
            SheetTarget::NewPoint => self.place_named_point(text),
            SheetTarget::NewTapedPoint => self.add_taped_point(text),
            SheetTarget::PinName(pin) => self.rename_pin(pin, text),
            SheetTarget::TankName => self.change_tank("tank name", |tank| tank.name = text),
            SheetTarget::LastEmptied => self.change_tank("last emptied", |tank| tank.last_emptied = date),
            SheetTarget::PhotoNote => self.set_photo_note(text),
            SheetTarget::Page(target) => self.page_text(target, text),
            SheetTarget::Setup(item) => self.set_setup_text(item, &text),
            SheetTarget::PlaceName => self.disposal_place_named(&text),
            SheetTarget::Disposal(field) => self.disposal_typed(field, &text),
            SheetTarget::Load(field) => self.load_typed(field, text),
            SheetTarget::CorrectionReason => self.correction_reasoned(&text),
            SheetTarget::CloseReason => self.close_day(&text),
            SheetTarget::CopyPhrase => self.make_copy(text),
            SheetTarget::CloudPhrase => self.begin_cloud(text),
            SheetTarget::CloudOpen => self.open_cloud(text),
        }
    }

    /// Returns the list to choose from.
    #[must_use]
    pub const fn picker_view(&self) -> Option<&Picker> {
        self.picker.as_ref()
    }

    /// One of the choices was tapped.
    pub fn picker_choose(&mut self, index: usize) {
        let Some(picker) = self.picker.take() else { return };
        if index >= picker.rows.len() {
            return;
        }
        match picker.target {
            PickerTarget::RuleSet => {
                if let Some(id) = self.session.rules().get(index).map(|set| set.id.clone()) {
                    self.session.change_setup("rule set", |setup| setup.rule_set = id);
                }
            }
            PickerTarget::SiteRuleSet => {
                let id = index
                    .checked_sub(1)
                    .and_then(|i| self.session.rules().get(i))
                    .map(|set| set.id.clone());
                if let Some(form) = self.form.as_mut() {
                    form.rule_set = id.unwrap_or_default();
                }
            }
            PickerTarget::Start => self.start_chosen(index),
            PickerTarget::PhotoFile => self.choose_photo_file(index),
            PickerTarget::PhotoPart => self.choose_photo_part(index),
            PickerTarget::Page(target) => self.page_chosen(target, index),
            PickerTarget::Yard => self.yard_chosen(index),
            PickerTarget::Plan => {
                if let Some((name, _)) = picker.rows.get(index) {
                    self.plan_chosen(name);
                }
            }
            PickerTarget::DisposalPlace => self.disposal_place_chosen(index),
            PickerTarget::Method => self.method_chosen(index),
            PickerTarget::Waste => self.waste_chosen(index),
            PickerTarget::Access => self.access_chosen(index),
            PickerTarget::Note(field) => self.note_chosen(field, index),
            PickerTarget::TruckTank => self.truck_tank_chosen(index),
            PickerTarget::SecondTank => self.second_tank_chosen(index),
            PickerTarget::CloseDay => self.day_chosen(index),
            PickerTarget::DayFile => self.day_file_chosen(index),
            PickerTarget::Wipe => self.wipe_chosen(index),
            PickerTarget::WipeFirst(what) => self.wipe_first_chosen(what, index),
            PickerTarget::FileOut => self.file_out_chosen(index),
        }
    }

    /// Returns the question.
    #[must_use]
    pub const fn confirm_view(&self) -> Option<&Confirm> {
        self.confirm.as_ref()
    }

    /// The question was answered.
    pub fn confirm_answer(&mut self, yes: bool) {
        let Some(confirm) = self.confirm.take() else { return };
        if yes {
            match confirm.target {
                ConfirmTarget::FinishWithLids => self.finish_stop(),
                ConfirmTarget::RemovePhoto => self.remove_photo(),
                ConfirmTarget::PinLid(lid) => self.pin_lid_at_hit(lid),
                ConfirmTarget::Wipe(what, false) => self.ask_wipe_again(what),
                ConfirmTarget::Wipe(what, true) => self.wipe(what),
                ConfirmTarget::CloudCopy => self.ask_cloud_phrase(),
            }
        }
    }
}

fn sheet_error(sheet: &Sheet) -> Option<TypedError> {
    let text = sheet.text.trim();
    if text.is_empty() {
        // A reason and a name are what these sheets are for.
        return matches!(
            sheet.target,
            SheetTarget::CorrectionReason
                | SheetTarget::CloseReason
                | SheetTarget::PlaceName
                | SheetTarget::CloudOpen
                | SheetTarget::Page(PageText::NewPrice | PageText::PriceName(_))
                | SheetTarget::Disposal(DisposalField::Time | DisposalField::Place)
        )
        .then_some(TypedError::Empty);
    }
    match sheet.target {
        SheetTarget::Latitude => parse_degrees_e7(text, 90.0).err(),
        SheetTarget::Longitude => parse_degrees_e7(text, 180.0).err(),
        SheetTarget::LastEmptied => parse_date(text).err(),
        SheetTarget::Setup(SetupItem::PositionSource) => text.parse::<SourceChoice>().err().map(TypedError::NotASource),
        SheetTarget::Disposal(DisposalField::Time) => NaiveTime::parse_from_str(text, "%H:%M")
            .is_err()
            .then_some(TypedError::NotATime),
        SheetTarget::FindNote
        | SheetTarget::FoundNote
        | SheetTarget::TankName
        | SheetTarget::PhotoNote
        | SheetTarget::Page(_)
        | SheetTarget::PlaceName
        | SheetTarget::Disposal(_)
        | SheetTarget::Load(_)
        | SheetTarget::CorrectionReason
        | SheetTarget::CloseReason
        | SheetTarget::CopyPhrase
        | SheetTarget::CloudPhrase
        | SheetTarget::CloudOpen
        | SheetTarget::NewPoint
        | SheetTarget::NewTapedPoint
        | SheetTarget::PinName(_)
        | SheetTarget::Setup(_) => None,
    }
}
