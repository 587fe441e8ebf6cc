//! Setup: company, language, units, rule set, prices, limits; and About.

use crate::app::overlay::{PadKind, PadTarget, PadValue, Picker, PickerTarget, SheetTarget, Verdict};
use crate::app::session::Session;
use crate::app::shell::{App, Screen};
use crate::domain::record::{Language, Setup, Units};
use crate::domain::rules::{Clause, LengthLimit, RuleSet, Sense, Test};
use crate::domain::units::{Cents, Length, Volume, round_to_i64};
use crate::exchange::dayfile::seal::OfficeKey;
use crate::say::figures::Figures;
use crate::say::hauled::confidence_text;

/// A truck has at most so many tanks of its own.
const MOST_TRUCK_TANKS: u8 = 4;

/// Every row of the set-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SetupItem {
    /// Company.
    Company,
    /// Its telephone.
    CompanyPhone,
    /// Technician.
    Technician,
    /// What digging out a lid costs.
    DigFee,
    /// A riser section of this many inches.
    Riser(u8),
    /// The company's address.
    CompanyAddress,
    /// Its registration as a hauler.
    Registration,
    /// The driver's certification.
    Certification,
    /// What the crew calls the truck.
    TruckName,
    /// Its number plate.
    TruckPlate,
    /// Its registration.
    TruckRegistration,
    /// What a tank of the truck holds, from 0.
    TruckTank(u8),
    /// The longest interval promised.
    MaxInterval,
    /// How well an edge is read.
    EdgeError,
    /// Where positions come from.
    PositionSource,
    /// The key day files are sealed to.
    OfficeKey,
    /// The key this phone signs with.
    PhoneKey,
}

/// One row: its name, its value, how it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetupRow {
    /// Which.
    pub item: SetupItem,
    /// Its name.
    pub name: String,
    /// Its value.
    pub value: String,
    /// How it stands.
    pub verdict: Verdict,
    /// Why.
    pub message: String,
}

/// What Setup shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SetupView {
    /// Language of the screens.
    pub language: Language,
    /// Units of the screens.
    pub units: Units,
    /// Night colours.
    pub night: bool,
    /// Company and technician.
    pub company: Vec<SetupRow>,
    /// The truck and its tanks.
    pub truck: Vec<SetupRow>,
    /// Rule set: name, jurisdiction, section, in force since, how sure, in words.
    pub rule: [String; 6],
    /// Prices.
    pub prices: Vec<SetupRow>,
    /// Limits.
    pub limits: Vec<SetupRow>,
    /// Where positions come from.
    pub position: Vec<SetupRow>,
    /// The office: its key and the phone's.
    pub office: Vec<SetupRow>,
    /// How many lines of the price list have a price.
    pub price_list: String,
    /// Where the book is.
    pub book: String,
}

impl App {
    fn setup_row(&self, item: SetupItem) -> SetupRow {
        let (words, figures) = (self.session.words(), self.session.figures());
        let setup = self.session.setup();
        let text = |value: &str| value.to_owned();
        let money = |amount: Cents| {
            if amount.0 == 0 {
                String::new()
            } else {
                figures.money(amount)
            }
        };
        let (name, value) = match item {
            SetupItem::Company => (words.t("Company"), text(&setup.company)),
            SetupItem::CompanyPhone => (words.t("Phone"), text(&setup.company_phone)),
            SetupItem::Technician => (words.t("Technician"), text(&setup.technician)),
            SetupItem::DigFee => (words.t("Digging out one lid"), money(setup.dig_fee)),
            SetupItem::Riser(inches) => {
                let height = Length::from_inches(f64::from(inches)).unwrap_or_default();
                (
                    words.f("Riser section {0}", &[&figures.length(height)]),
                    money(riser_price(setup, inches)),
                )
            }
            SetupItem::CompanyAddress => (words.t("Address"), text(&setup.company_address)),
            SetupItem::Registration => (words.t("Hauler's registration"), text(&setup.registration)),
            SetupItem::Certification => (words.t("Driver's certification"), text(&setup.certification)),
            SetupItem::TruckName => (words.t("Truck"), text(&self.truck.rows.truck.name)),
            SetupItem::TruckPlate => (words.t("Number plate"), text(&self.truck.rows.truck.plate)),
            SetupItem::TruckRegistration => (
                words.t("Truck's registration"),
                text(&self.truck.rows.truck.registration),
            ),
            SetupItem::TruckTank(place) => {
                let tank = self.truck.rows.tanks.get(usize::from(place));
                let capacity = tank.filter(|tank| tank.capacity_ml > 0);
                (
                    if place == 0 {
                        words.t("Truck holds")
                    } else {
                        words.f("Truck tank {0} holds", &[&(u32::from(place) + 1).to_string()])
                    },
                    capacity
                        .map(|tank| figures.volume(Volume::from_whole_ml(tank.capacity_ml)))
                        .unwrap_or_default(),
                )
            }
            SetupItem::MaxInterval => (
                words.t("Longest interval"),
                setup.max_months.map_or_else(
                    || words.t("as the rule set says"),
                    |months| figures.years(f64::from(i32::try_from(months).unwrap_or(i32::MAX)) / 12.0),
                ),
            ),
            SetupItem::EdgeError => (words.t("Reading error of an edge"), figures.length(setup.edge_mm)),
            SetupItem::PositionSource => (words.t("Position source"), self.position_source().to_owned()),
            SetupItem::OfficeKey => (words.t("Office key"), short_key(&setup.office_key)),
            SetupItem::PhoneKey => (words.t("This phone's key"), words.t("show")),
        };
        let empty = value.is_empty();
        SetupRow {
            item,
            name,
            verdict: match item {
                _ if empty => Verdict::Empty,
                SetupItem::PositionSource if self.position_is_in_trouble() => Verdict::Warning,
                _ => Verdict::Ok,
            },
            message: match (empty, item) {
                (true, SetupItem::DigFee | SetupItem::Riser(_)) => words.t("without it, no cost is shown"),
                (true, SetupItem::PositionSource) => words.t("a receiver can be named here"),
                (false, SetupItem::PositionSource) => self.position_status(),
                (true, SetupItem::TruckTank(0)) => words.t("without it, no room is shown"),
                (true, SetupItem::OfficeKey) => words.t("without it, day files are not sealed"),
                _ => String::new(),
            },
            value,
        }
    }

    /// Returns what Setup shows.
    #[must_use]
    pub fn setup_view(&self) -> SetupView {
        let words = self.session.words();
        let setup = self.session.setup();
        let rows = |items: &[SetupItem]| items.iter().map(|item| self.setup_row(*item)).collect();
        let rule = self
            .session
            .rule_set_named(&setup.rule_set)
            .map(|set| rule_lines(set, &self.session))
            .unwrap_or_default();
        SetupView {
            language: setup.language,
            units: setup.units,
            night: setup.night,
            company: rows(&[
                SetupItem::Company,
                SetupItem::CompanyAddress,
                SetupItem::CompanyPhone,
                SetupItem::Registration,
                SetupItem::Technician,
                SetupItem::Certification,
            ]),
            truck: {
                let mut items = vec![
                    SetupItem::TruckName,
                    SetupItem::TruckPlate,
                    SetupItem::TruckRegistration,
                ];
                // One more than there are, to add another.
                let tanks = u8::try_from(self.truck.rows.tanks.len()).unwrap_or(MOST_TRUCK_TANKS);
                items.extend(
                    (0..=tanks)
                        .filter(|place| *place < MOST_TRUCK_TANKS)
                        .map(SetupItem::TruckTank),
                );
                rows(&items)
            },
            rule,
            prices: rows(&[
                SetupItem::DigFee,
                SetupItem::Riser(6),
                SetupItem::Riser(12),
                SetupItem::Riser(18),
                SetupItem::Riser(24),
            ]),
            limits: rows(&[SetupItem::MaxInterval, SetupItem::EdgeError]),
            position: rows(&[SetupItem::PositionSource]),
            office: rows(&[SetupItem::OfficeKey, SetupItem::PhoneKey]),
            price_list: words.n("{0} line with a price", "{0} lines with a price", self.priced_count()),
            book: words.n("{0} site in this book", "{0} sites in this book", self.book.total()),
        }
    }

    /// The language of the screens; nothing stored changes.
    pub fn choose_language(&mut self, language: Language) {
        if self.session.is_new() {
            self.session.prefer_language(language);
        } else {
            self.session.change_setup("language", |setup| setup.language = language);
        }
    }

    /// The units of the screens; nothing stored changes.
    pub fn choose_units(&mut self, units: Units) {
        self.session.change_setup("units", |setup| setup.units = units);
    }

    /// Day or night colours.
    pub fn choose_night(&mut self, night: bool) {
        self.session.change_setup("colours", |setup| setup.night = night);
    }

    /// Opens the list of rule sets.
    pub fn tap_rule_set(&mut self) {
        let words = self.session.words();
        let rows = self
            .session
            .rules()
            .iter()
            .map(|set| {
                (
                    words.rule_set(set),
                    format!(
                        "{} · {}",
                        words.rule_place(set),
                        words.t(confidence_text(set.confidence))
                    ),
                )
            })
            .collect();
        let selected = self
            .session
            .rules()
            .iter()
            .position(|set| set.id == self.session.setup().rule_set);
        self.picker = Some(Picker {
            target: PickerTarget::RuleSet,
            title: words.t("Rule set"),
            rows,
            selected,
        });
    }

    /// Opens what a row is changed with.
    pub fn tap_setup_item(&mut self, item: SetupItem) {
        let row = self.setup_row(item);
        match item {
            SetupItem::Company
            | SetupItem::CompanyAddress
            | SetupItem::CompanyPhone
            | SetupItem::Registration
            | SetupItem::Technician
            | SetupItem::Certification
            | SetupItem::TruckName
            | SetupItem::TruckPlate
            | SetupItem::TruckRegistration
            | SetupItem::PositionSource => {
                self.open_sheet(SheetTarget::Setup(item), "", row.value, false);
                if let Some(sheet) = self.sheet.as_mut() {
                    sheet.title = row.name;
                }
            }
            SetupItem::OfficeKey => {
                let key = self.session.setup().office_key.clone();
                // Room for the whole key to be seen.
                self.open_sheet(SheetTarget::Setup(item), "Office key", key, true);
            }
            SetupItem::PhoneKey => self.show_phone_key(),
            SetupItem::DigFee | SetupItem::Riser(_) => self.open_setup_pad(item, PadKind::Money, row.name),
            SetupItem::TruckTank(_) => self.open_setup_pad(item, PadKind::Volume, row.name),
            SetupItem::MaxInterval => self.open_setup_pad(item, PadKind::Years, row.name),
            SetupItem::EdgeError => self.open_setup_pad(item, PadKind::Length, row.name),
        }
    }

    fn open_setup_pad(&mut self, item: SetupItem, kind: PadKind, title: String) {
        self.open_pad(PadTarget::Setup(item), kind, "", String::new());
        if let Some(pad) = self.pad.as_mut() {
            pad.title = title;
        }
    }

    pub(crate) fn set_setup_text(&mut self, item: SetupItem, text: &str) {
        match item {
            SetupItem::TruckName => return self.change_truck(|truck| text.clone_into(&mut truck.name)),
            SetupItem::TruckPlate => return self.change_truck(|truck| text.clone_into(&mut truck.plate)),
            SetupItem::TruckRegistration => return self.change_truck(|truck| text.clone_into(&mut truck.registration)),
            _ => {}
        }
        self.session.change_setup("set-up", |setup| match item {
            SetupItem::CompanyAddress => text.clone_into(&mut setup.company_address),
            SetupItem::Registration => text.clone_into(&mut setup.registration),
            SetupItem::Certification => text.clone_into(&mut setup.certification),
            SetupItem::Company => text.clone_into(&mut setup.company),
            SetupItem::CompanyPhone => text.clone_into(&mut setup.company_phone),
            SetupItem::Technician => text.clone_into(&mut setup.technician),
            SetupItem::PositionSource => text.clone_into(&mut setup.position_source),
            // As it is written everywhere, however it was pasted.
            SetupItem::OfficeKey => {
                setup.office_key = OfficeKey::parse(text).map_or_else(|_| String::new(), |key| key.to_string());
            }
            _ => {}
        });
        if item == SetupItem::PositionSource {
            self.use_position_source_of_setup();
        }
    }

    pub(crate) fn set_setup_number(&mut self, item: SetupItem, value: PadValue) {
        if let (SetupItem::TruckTank(place), PadValue::Volume(volume)) = (item, value) {
            return self.set_truck_tank(usize::from(place), volume);
        }
        self.session.change_setup("set-up", |setup| match (item, value) {
            (SetupItem::DigFee, PadValue::Money(amount)) => setup.dig_fee = amount,
            (SetupItem::Riser(6), PadValue::Money(amount)) => setup.riser_6 = amount,
            (SetupItem::Riser(12), PadValue::Money(amount)) => setup.riser_12 = amount,
            (SetupItem::Riser(18), PadValue::Money(amount)) => setup.riser_18 = amount,
            (SetupItem::Riser(24), PadValue::Money(amount)) => setup.riser_24 = amount,
            (SetupItem::MaxInterval, PadValue::Months(months)) => setup.max_months = (months > 0).then_some(months),
            (SetupItem::EdgeError, PadValue::Mm(mm)) => {
                setup.edge_mm = u32::try_from(mm).map_or(setup.edge_mm, Length::from_mm);
            }
            _ => {}
        });
        let reloaded = self.reload_day();
        self.try_book(reloaded);
    }

    /// Says that a rule file of one's own was refused, with its line and reason.
    pub fn say_rule_file_refused(&mut self, first: &str, count: usize) {
        let words = self.session.words();
        self.say(
            crate::app::shell::NoticeKind::Warning,
            words.n(
                "A rule file of your own was refused.",
                "{0} rule files of your own were refused.",
                count,
            ),
            first.to_owned(),
        );
    }

    /// Opens About.
    pub fn tap_about(&mut self) {
        self.go(Screen::About);
    }

    /// The version and the licences of what is bundled: title and a line under it.
    #[must_use]
    pub fn about_licences(&self) -> Vec<(String, String)> {
        let words = self.session.words();
        [
            ("Lidmark", "MIT"),
            (
                "Slint",
                "Slint Royalty-free Desktop, Mobile, and Web Applications License 2.0",
            ),
            ("Atkinson Hyperlegible Next", "SIL Open Font License 1.1"),
            ("SQLite", "public domain"),
            (
                "Rust crates",
                "MIT, Apache-2.0, BSD, ISC, Zlib, MPL-2.0, Unicode-3.0; listed in Cargo.lock",
            ),
            (
                "openwashdata fecalcanuga: one figure of the method",
                "CC BY 4.0, doi 10.5281/zenodo.20795917",
            ),
        ]
        .into_iter()
        .map(|(title, detail)| (words.t(title), words.t(detail)))
        .collect()
    }
}

/// The beginning and end of a key, enough to tell two apart.
fn short_key(key: &str) -> String {
    match (key.get(..9), key.len().checked_sub(6).and_then(|from| key.get(from..))) {
        (Some(start), Some(end)) if key.len() > 20 => format!("{start}…{end}"),
        _ => key.to_owned(),
    }
}

fn riser_price(setup: &Setup, inches: u8) -> Cents {
    match inches {
        6 => setup.riser_6,
        12 => setup.riser_12,
        18 => setup.riser_18,
        _ => setup.riser_24,
    }
}

/// Words one clause, whatever language its file was written in.
#[must_use]
pub fn clause_text(clause: &Clause, figures: Figures) -> String {
    let words = figures.words;
    let length = |limit: &LengthLimit| figures.mm(round_to_i64(limit.mm()).unwrap_or(0));
    let at = clause.sense == Sense::At;
    match &clause.test {
        Test::VolumeFraction(limit) if at => words.f(
            "Pump when scum and sludge are {0} of the liquid or more.",
            &[&figures.percent(limit.value)],
        ),
        Test::VolumeFraction(limit) => words.f(
            "Pump when scum and sludge are more than {0} of the liquid.",
            &[&figures.percent(limit.value)],
        ),
        Test::DepthFraction(limit) if at => words.f(
            "Pump when scum and sludge are {0} of the liquid depth or more.",
            &[&figures.percent(limit.value)],
        ),
        Test::DepthFraction(limit) => words.f(
            "Pump when scum and sludge are more than {0} of the liquid depth.",
            &[&figures.percent(limit.value)],
        ),
        Test::SludgeClearance(limit) if at => words.f(
            "Pump when the sludge comes to {0} below the outlet device, or nearer.",
            &[&length(limit)],
        ),
        Test::SludgeClearance(limit) => words.f(
            "Pump when the sludge is less than {0} below the outlet device.",
            &[&length(limit)],
        ),
        Test::ScumClearance(limit) if at => words.f(
            "Pump when the scum comes to {0} above the bottom of the outlet device, or nearer.",
            &[&length(limit)],
        ),
        Test::ScumClearance(limit) => words.f(
            "Pump when the scum is less than {0} above the bottom of the outlet device.",
            &[&length(limit)],
        ),
        Test::ScumTopClearance(limit) => words.f(
            "Pump when the scum comes within {0} of the top of the outlet device.",
            &[&length(limit)],
        ),
        Test::SludgeDistanceTable(_) => words
            .t("Pump when the sludge comes nearer to the outlet device than the table for this size and depth says."),
        Test::Calendar { years, .. } => words.f("Pump every {0}.", &[&figures.years(*years)]),
    }
}

fn rule_lines(set: &RuleSet, session: &Session) -> [String; 6] {
    let (words, figures) = (session.words(), session.figures());
    let mut sentences = set
        .clauses
        .iter()
        .map(|clause| clause_text(clause, figures))
        .collect::<Vec<_>>();
    if let Some(years) = set.inspect_every_years {
        sentences.push(words.f("Look in every {0}.", &[&figures.years(years)]));
    }
    if let Some(years) = set.max_interval_years {
        sentences.push(words.f("Pump every {0} at the latest.", &[&figures.years(years)]));
    }
    sentences.push(words.t("Your local code comes first."));
    [
        words.rule_set(set),
        words.rule_place(set),
        if set.section == "none" {
            String::new()
        } else {
            set.section.clone()
        },
        set.effective.map_or_else(
            || words.t("date in force not stated"),
            |date| words.f("in force since {0}", &[&figures.date(date)]),
        ),
        words.t(confidence_text(set.confidence)),
        sentences.join(" "),
    ]
}
