//! The hauled-waste record: its fields, which are asked for, and which are missing.
//!
//! The fields are the union of what the states read so far ask for; a rule set says which of them it asks for and when.
//! A record's facts are texts in one neutral form, so that they can be kept as they stood and read again in any language.

use crate::domain::record::{Cell, Kept, words};
use crate::domain::rules::HauledWaste;
use chrono::{Months, NaiveDate};
use std::collections::BTreeMap;

words! {
    /// A field of the record, in the order it is shown.
    WasteField {
        /// Who hauled it.
        #[default]
        HaulerName = "hauler_name",
        /// Where the hauler is.
        HaulerAddress = "hauler_address",
        /// The hauler's telephone.
        HaulerPhone = "hauler_phone",
        /// The hauler's registration or licence.
        HaulerRegistration = "hauler_registration",
        /// Whose waste it was.
        GeneratorName = "generator_name",
        /// Where it was made.
        GeneratorAddress = "generator_address",
        /// That person's telephone.
        GeneratorPhone = "generator_phone",
        /// That person's signature.
        GeneratorSignature = "generator_signature",
        /// Where it was, when there is no address.
        Location = "location",
        /// The day it was collected.
        CollectedOn = "collected_on",
        /// The time of that day.
        CollectedTime = "collected_time",
        /// What it was, or what system it came out of.
        WasteKind = "waste_kind",
        /// How much was collected.
        AmountCollected = "amount_collected",
        /// What the customer's tank or trap holds.
        TankVolume = "tank_volume",
        /// The opening it was pumped through.
        AccessPoint = "access_point",
        /// Why it was pumped.
        PumpReason = "pump_reason",
        /// Leaks above or below the operating depth, the condition found.
        LeakNote = "leak_note",
        /// What is unsafe about the lids.
        LidNote = "lid_note",
        /// Repairs and faults looked into.
        RepairNote = "repair_note",
        /// Who drove.
        DriverName = "driver_name",
        /// The driver's certification or licence.
        DriverCertification = "driver_certification",
        /// The driver's signature.
        DriverSignature = "driver_signature",
        /// The vehicle.
        Vehicle = "vehicle",
        /// Where it was taken.
        DisposalPlace = "disposal_place",
        /// What became of it there.
        DisposalMethod = "disposal_method",
        /// The day it was let out.
        DisposalOn = "disposal_on",
        /// The time of that day.
        DisposalTime = "disposal_time",
        /// The place's permit or registration.
        DisposalPermit = "disposal_permit",
        /// Who runs the place.
        DisposalOperator = "disposal_operator",
        /// The number of the ticket.
        Ticket = "ticket",
        /// How much of this load was let out there.
        AmountDisposed = "amount_disposed",
        /// How much the place took, of this load and what came with it.
        AmountReceived = "amount_received",
        /// Who took it.
        ReceiverName = "receiver_name",
        /// That person's signature.
        ReceiverSignature = "receiver_signature",
        /// What the receiver noted where the amounts differ.
        Discrepancy = "discrepancy",
        /// How pathogens and insects were kept down on land.
        Treatment = "treatment",
        /// Nitrogen and liquid put on the land.
        LandRate = "land_rate",
    }
}

/// What kind of value a field holds, and so how it is written for a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FieldKind {
    /// Words, as typed.
    Text,
    /// One of a closed set of words, as it is kept.
    Word,
    /// Whole millilitres.
    Millilitres,
    /// A date, ISO 8601.
    Date,
    /// A time of day, `15:04`.
    Time,
    /// Strokes, as a stop keeps them.
    Signature,
}

impl WasteField {
    /// Returns what kind of value the field holds.
    #[must_use]
    pub const fn kind(self) -> FieldKind {
        match self {
            Self::GeneratorSignature | Self::DriverSignature | Self::ReceiverSignature => FieldKind::Signature,
            Self::CollectedOn | Self::DisposalOn => FieldKind::Date,
            Self::CollectedTime | Self::DisposalTime => FieldKind::Time,
            Self::AmountCollected | Self::TankVolume | Self::AmountDisposed | Self::AmountReceived => {
                FieldKind::Millilitres
            }
            Self::WasteKind | Self::AccessPoint | Self::DisposalMethod => FieldKind::Word,
            _ => FieldKind::Text,
        }
    }

    /// Whether the field can only be known once the load has been let out.
    #[must_use]
    pub const fn is_of_disposal(self) -> bool {
        matches!(
            self,
            Self::DisposalPlace
                | Self::DisposalMethod
                | Self::DisposalOn
                | Self::DisposalTime
                | Self::DisposalPermit
                | Self::DisposalOperator
                | Self::Ticket
                | Self::AmountDisposed
                | Self::AmountReceived
                | Self::ReceiverName
                | Self::ReceiverSignature
                | Self::Discrepancy
                | Self::Treatment
                | Self::LandRate
        )
    }
}

/// When a field is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Condition {
    /// On every record.
    Always,
    /// Where there is no address.
    WithoutAddress,
    /// Where the place took another amount than was let out.
    AmountsDiffer,
    /// Where it was spread on land.
    LandApplied,
    /// Where the tank was not pumped through its maintenance hole.
    NotByMaintenanceHole,
}

/// What of a load decides which fields are asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Circumstances {
    /// The place took another amount than was let out.
    pub amounts_differ: bool,
    /// It was spread on land.
    pub land_applied: bool,
    /// Nothing of it has been let out yet.
    pub on_board: bool,
}

/// What is known of a load, in the neutral form of [`FieldKind`]; what went to several places is divided by [`AND`].
pub type Facts = BTreeMap<WasteField, String>;

/// Stands between the values of one field where a load went to several places.
pub const AND: &str = " / ";

/// How long a record is kept where the rule set does not say, years: what the states that say ask for.
pub const USUAL_RETENTION_YEARS: u32 = 5;

impl HauledWaste {
    /// Whether a field is asked for on a load's record.
    #[must_use]
    pub fn asks_for(&self, field: WasteField, facts: &Facts, circumstances: Circumstances) -> bool {
        self.required.iter().any(|(asked, condition)| {
            *asked == field
                && match condition {
                    Condition::Always => true,
                    Condition::WithoutAddress => !facts.contains_key(&WasteField::GeneratorAddress),
                    Condition::AmountsDiffer => circumstances.amounts_differ,
                    Condition::LandApplied => circumstances.land_applied,
                    Condition::NotByMaintenanceHole => facts
                        .get(&WasteField::AccessPoint)
                        .is_some_and(|access| access != crate::domain::record::AccessPoint::MaintenanceHole.word()),
                }
        })
    }

    /// Lists the fields that are asked for and not known, in the order they are shown.
    ///
    /// What only the disposal place can tell is not missing while the load is on board. An address is not missing where
    /// the rule set takes a location instead and one is given.
    #[must_use]
    pub fn missing(&self, facts: &Facts, circumstances: Circumstances) -> Vec<WasteField> {
        let takes_location = self
            .required
            .contains(&(WasteField::Location, Condition::WithoutAddress));
        WasteField::ALL
            .iter()
            .copied()
            .filter(|field| !facts.contains_key(field))
            .filter(|field| self.asks_for(*field, facts, circumstances))
            .filter(|field| !(circumstances.on_board && field.is_of_disposal()))
            .filter(|field| {
                !(*field == WasteField::GeneratorAddress && takes_location && facts.contains_key(&WasteField::Location))
            })
            .collect()
    }

    /// Returns until when a record of `day` is to be kept.
    #[must_use]
    pub fn keep_until(&self, day: NaiveDate) -> Option<NaiveDate> {
        kept_until(day, self.retention_years.unwrap_or(USUAL_RETENTION_YEARS))
    }
}

/// Returns the day `years` after `day`: 29 February is followed by 28 February.
#[must_use]
pub fn kept_until(day: NaiveDate, years: u32) -> Option<NaiveDate> {
    day.checked_add_months(Months::new(years.saturating_mul(12)))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::domain::record::AccessPoint;
    use crate::domain::rules::Confidence;

    fn rule(required: Vec<(WasteField, Condition)>) -> HauledWaste {
        HauledWaste {
            source: String::new(),
            confidence: Confidence::User,
            required,
            from_memory: Vec::new(),
            retention_years: None,
            report_within_days: None,
            notes: Vec::new(),
        }
    }

    fn facts(list: &[(WasteField, &str)]) -> Facts {
        list.iter().map(|(field, text)| (*field, (*text).to_owned())).collect()
    }

    #[test]
    fn a_record_is_kept_as_long_as_the_rule_says() {
        let day = |year, month, day| NaiveDate::from_ymd_opt(year, month, day).unwrap();
        let seven = HauledWaste {
            retention_years: Some(7),
            ..rule(Vec::new())
        };
        assert_eq!(seven.keep_until(day(2024, 2, 29)), Some(day(2031, 2, 28)));
        let usual = i32::try_from(USUAL_RETENTION_YEARS).unwrap();
        let unsaid = rule(Vec::new()).keep_until(day(2026, 6, 17));
        assert_eq!(unsaid, Some(day(2026 + usual, 6, 17)));
        assert_eq!(kept_until(day(2026, 6, 17), u32::MAX), None);
    }

    #[test]
    fn a_location_stands_in_for_an_address_only_where_the_rule_says_so() {
        let both = rule(vec![
            (WasteField::GeneratorAddress, Condition::Always),
            (WasteField::Location, Condition::WithoutAddress),
        ]);
        let none = Circumstances::default();
        let missing = |list: &[(WasteField, &str)]| both.missing(&facts(list), none);
        assert_eq!(missing(&[]), [WasteField::GeneratorAddress, WasteField::Location]);
        assert_eq!(missing(&[(WasteField::GeneratorAddress, "1 Sample Lane")]), []);
        assert_eq!(missing(&[(WasteField::Location, "45.1, -93.2")]), []);
        let address_only = rule(vec![(WasteField::GeneratorAddress, Condition::Always)]);
        assert_eq!(
            address_only.missing(&facts(&[(WasteField::Location, "45.1, -93.2")]), none),
            [WasteField::GeneratorAddress]
        );
    }

    /// How a load was reached is asked only where it was not the maintenance hole, and not while nobody has said.
    #[test]
    fn a_field_is_asked_for_under_its_condition_alone() {
        let conditions = [
            Condition::Always,
            Condition::WithoutAddress,
            Condition::AmountsDiffer,
            Condition::LandApplied,
            Condition::NotByMaintenanceHole,
        ];
        let asked = |list: &[(WasteField, &str)], circumstances| {
            conditions.map(|condition| {
                rule(vec![(WasteField::Ticket, condition)]).asks_for(WasteField::Ticket, &facts(list), circumstances)
            })
        };
        let none = Circumstances::default();
        assert_eq!(asked(&[], none), [true, true, false, false, false]);
        let address = (WasteField::GeneratorAddress, "1 Sample Lane");
        let hole = (WasteField::AccessPoint, AccessPoint::MaintenanceHole.word());
        let port = (WasteField::AccessPoint, AccessPoint::InspectionPipe.word());
        assert_eq!(asked(&[address, hole], none), [true, false, false, false, false]);
        assert_eq!(asked(&[address, port], none), [true, false, false, false, true]);
        let all = Circumstances {
            amounts_differ: true,
            land_applied: true,
            on_board: true,
        };
        assert_eq!(asked(&[address], all), [true, false, true, true, false]);
        assert!(!rule(Vec::new()).asks_for(WasteField::Ticket, &facts(&[]), all));
    }

    #[test]
    fn each_field_holds_its_kind_of_value() {
        for (field, kind) in [
            (WasteField::DriverSignature, FieldKind::Signature),
            (WasteField::CollectedOn, FieldKind::Date),
            (WasteField::DisposalTime, FieldKind::Time),
            (WasteField::TankVolume, FieldKind::Millilitres),
            (WasteField::AccessPoint, FieldKind::Word),
            (WasteField::Ticket, FieldKind::Text),
        ] {
            assert_eq!(field.kind(), kind, "{field:?}");
        }
    }

    #[test]
    fn what_only_the_disposal_place_knows_is_not_missing_on_board() {
        let rule = rule(vec![
            (WasteField::Ticket, Condition::Always),
            (WasteField::PumpReason, Condition::Always),
        ]);
        let on_board = Circumstances {
            on_board: true,
            ..Circumstances::default()
        };
        assert_eq!(rule.missing(&Facts::new(), on_board), [WasteField::PumpReason]);
        assert_eq!(
            rule.missing(&Facts::new(), Circumstances::default()),
            [WasteField::PumpReason, WasteField::Ticket]
        );
    }

    #[test]
    fn a_leap_day_is_kept_until_the_last_of_february() {
        let day = NaiveDate::from_ymd_opt(2024, 2, 29).unwrap();
        assert_eq!(kept_until(day, 5), NaiveDate::from_ymd_opt(2029, 2, 28));
    }
}
