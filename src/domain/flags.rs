//! What looks wrong or deserves a word: kept, said, never changed.

use super::reading::Reading;
use super::tank::Compartment;
use super::units::{Length, Offset, Volume};
use std::fmt;

/// What a [`Flag`] is about; stable, for programs and translations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum FlagCode {
    /// A size of the tank is zero.
    ZeroSize,
    /// A size is larger than any septic tank.
    ImplausibleSize,
    /// The liquid depth is zero or missing, so no reading can become a volume.
    NoLiquidDepth,
    /// The liquid depth is above the inside height.
    LiquidAboveTop,
    /// The plan is longer across than along.
    WiderThanLong,
    /// A row of the dip table is not deeper and fuller than the row before it.
    DipNotMonotone,
    /// The dip table has no usable row.
    DipEmpty,
    /// The dip table ends below the liquid depth.
    DipTooShort,
    /// The outlet device reaches below the bottom of the tank.
    OutletBelowBottom,
    /// The tank has no compartment, or more than three.
    CompartmentCount,
    /// More readings than compartments.
    ReadingWithoutCompartment,
    /// Shares by depth and by volume are taken as equal, because only a nominal size is known.
    FractionsAssumedEqual,
    /// Scum and sludge together are thicker than the liquid is deep.
    LayersOverlap,
    /// The sludge is deeper than the tank.
    SludgeAboveTop,
    /// The scum is thicker than the liquid is deep.
    ScumBelowBottom,
    /// The liquid stands above the inside height.
    LevelAboveTop,
    /// The liquid surface is below the bottom of the tank.
    LevelBelowBottom,
    /// The liquid stands above the outlet invert.
    LevelHigh,
    /// The liquid stands below the outlet invert.
    LevelLow,
    /// The solids left behind are more than the tank holds.
    HeelAboveCapacity,
    /// Both a sludge depth and probes were given; the mean of the probes is used.
    ProbesUsed,
    /// The visit lies before the last pump-out.
    VisitBeforeLastEmptied,
    /// A past visit lies after this one.
    HistoryAfterVisit,
    /// A compartment was not read, so the tank's share of solids is a lower bound.
    CompartmentNotRead,
    /// The tank's size and depth lie outside the published sludge table.
    OutsideTable,
    /// Nobody lives here: nothing fills the tank.
    NoResidents,
    /// More people than a household.
    ManyResidents,
    /// Clean water stays in the tank for a day or less even when it is empty of solids.
    UnderOneDay,
    /// The limit lies at or below what the last pump-out left behind.
    DueAtOnce,
    /// The date shown lies before this visit.
    DueInPast,
    /// The rule asks for pumping now and the tank was not pumped.
    PumpNowNotPumped,
    /// The next date is less than six months away.
    UnderSixMonths,
    /// The rule set gives only a calendar; the forecast uses the general share of solids.
    ForecastFallback,
    /// A clause could not be judged.
    ClauseNotMeasured,
    /// A rule's figures come from memory or a reprint, or it has no date.
    RuleUnsure,
    /// No date can be given.
    NoDate,
}

impl FlagCode {
    /// Returns the code as it is written in files: lower case, underscores.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::ZeroSize => "zero_size",
            Self::ImplausibleSize => "implausible_size",
            Self::NoLiquidDepth => "no_liquid_depth",
            Self::LiquidAboveTop => "liquid_above_top",
            Self::WiderThanLong => "wider_than_long",
            Self::DipNotMonotone => "dip_not_monotone",
            Self::DipEmpty => "dip_empty",
            Self::DipTooShort => "dip_too_short",
            Self::OutletBelowBottom => "outlet_below_bottom",
            Self::CompartmentCount => "compartment_count",
            Self::ReadingWithoutCompartment => "reading_without_compartment",
            Self::FractionsAssumedEqual => "fractions_assumed_equal",
            Self::LayersOverlap => "layers_overlap",
            Self::SludgeAboveTop => "sludge_above_top",
            Self::ScumBelowBottom => "scum_below_bottom",
            Self::LevelAboveTop => "level_above_top",
            Self::LevelBelowBottom => "level_below_bottom",
            Self::LevelHigh => "level_high",
            Self::LevelLow => "level_low",
            Self::HeelAboveCapacity => "heel_above_capacity",
            Self::ProbesUsed => "probes_used",
            Self::VisitBeforeLastEmptied => "visit_before_last_emptied",
            Self::HistoryAfterVisit => "history_after_visit",
            Self::CompartmentNotRead => "compartment_not_read",
            Self::OutsideTable => "outside_table",
            Self::NoResidents => "no_residents",
            Self::ManyResidents => "many_residents",
            Self::UnderOneDay => "under_one_day",
            Self::DueAtOnce => "due_at_once",
            Self::DueInPast => "due_in_past",
            Self::PumpNowNotPumped => "pump_now_not_pumped",
            Self::UnderSixMonths => "under_six_months",
            Self::ForecastFallback => "forecast_fallback",
            Self::ClauseNotMeasured => "clause_not_measured",
            Self::RuleUnsure => "rule_unsure",
            Self::NoDate => "no_date",
        }
    }
}

impl fmt::Display for FlagCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// One thing to say about what was entered or found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Flag {
    /// What it is about.
    pub code: FlagCode,
    /// The compartment it belongs to, counted from 0, or `None` for the tank or the site.
    pub compartment: Option<usize>,
    /// One plain English sentence: what, and what to do.
    pub words: String,
}

impl Flag {
    /// A flag about the whole tank or the site.
    #[must_use]
    pub fn new(code: FlagCode, words: impl Into<String>) -> Self {
        Self {
            code,
            compartment: None,
            words: words.into(),
        }
    }

    /// A flag about one compartment, counted from 0.
    #[must_use]
    pub fn in_compartment(code: FlagCode, compartment: usize, words: impl Into<String>) -> Self {
        Self {
            code,
            compartment: Some(compartment),
            words: words.into(),
        }
    }
}

/// Lists what cannot be, or needs a word, in the reading of one compartment. Nothing is changed.
#[must_use]
pub fn check_reading(compartment: &Compartment, reading: &Reading, place: usize) -> Vec<Flag> {
    let mut flags = Vec::new();
    let mut flag = |code, words: String| flags.push(Flag::in_compartment(code, place, words));
    let liquid_depth = compartment.liquid_depth;
    if !reading.sludge_probes.is_empty() && reading.sludge.is_some() {
        flag(
            FlagCode::ProbesUsed,
            "A sludge depth and probes were both given; the mean of the probes is used.".to_owned(),
        );
    }
    if let Some(device) = reading.outlet_device
        && device > liquid_depth
        && liquid_depth > Length::ZERO
    {
        flag(
            FlagCode::OutletBelowBottom,
            format!(
                "The outlet device was read at {device} below the invert, below the bottom of the tank; check it against the liquid depth of {liquid_depth}."
            ),
        );
    }
    if liquid_depth == Length::ZERO {
        return flags;
    }
    let surface_mm = liquid_depth.mm() + reading.level.mm();
    let full_mm = compartment.full_height_mm();
    if surface_mm < 0.0 {
        flag(
            FlagCode::LevelBelowBottom,
            "The liquid surface was read below the bottom of the tank; check the level and its sign.".to_owned(),
        );
    }
    if full_mm.is_some_and(|full| surface_mm > full) {
        flag(
            FlagCode::LevelAboveTop,
            format!(
                "The liquid surface at {surface_mm:.0} mm is above the inside height of the tank; check the level and the sizes."
            ),
        );
    }
    let mut sludge_mm = reading.sludge.map(Length::mm);
    if let Some(deepest) = reading.sludge_probes.iter().max() {
        sludge_mm = Some(deepest.mm());
    }
    let scum_mm = reading.scum.map(Length::mm);
    if sludge_mm.is_some_and(|sludge| sludge > full_mm.unwrap_or(surface_mm)) {
        flag(
            FlagCode::SludgeAboveTop,
            format!(
                "The sludge at {:.0} mm is deeper than the tank; check the reading.",
                sludge_mm.unwrap_or(0.0)
            ),
        );
    }
    if scum_mm.is_some_and(|scum| scum > surface_mm) {
        flag(
            FlagCode::ScumBelowBottom,
            format!(
                "The scum of {:.0} mm is thicker than the liquid is deep; check the reading.",
                scum_mm.unwrap_or(0.0)
            ),
        );
    }
    if let (Some(scum), Some(sludge)) = (scum_mm, sludge_mm)
        && scum + sludge > surface_mm
    {
        flag(
            FlagCode::LayersOverlap,
            format!(
                "Scum and sludge together, {:.0} mm, are more than the {surface_mm:.0} mm of liquid; check both edges.",
                scum + sludge
            ),
        );
    }
    if let Some(top) = reading.scum_top
        && scum_mm.is_some_and(|scum| top.mm() > scum)
    {
        flag(
            FlagCode::LayersOverlap,
            "The scum stands higher above the liquid than it is thick; check both.".to_owned(),
        );
    }
    flags
}

/// Says what a liquid level away from the outlet invert may mean.
#[must_use]
pub fn check_level(level: Offset, place: usize) -> Option<Flag> {
    // Sources: Maine 10-144 CMR ch. 241 sec. 17 (liquid above the outlet); inspectors' pages (liquid below it).
    match level.as_mm() {
        0 => None,
        above if above > 0 => Some(Flag::in_compartment(
            FlagCode::LevelHigh,
            place,
            format!(
                "The liquid stands {above} mm above the outlet: look for a blocked outlet or filter, a tank out of level, or a field that does not take water."
            ),
        )),
        below => Some(Flag::in_compartment(
            FlagCode::LevelLow,
            place,
            format!(
                "The liquid stands {} mm below the outlet: the tank may leak, or has been emptied not long ago.",
                below.unsigned_abs()
            ),
        )),
    }
}

/// Checks what a pump-out left behind against the size of the tank.
#[must_use]
pub fn check_heel(heel: Volume, liquid: Volume) -> Option<Flag> {
    (heel.as_litres() > liquid.as_litres()).then(|| {
        Flag::new(
            FlagCode::HeelAboveCapacity,
            format!(
                "{:.0} L left behind is more than the {:.0} L the tank holds; check the figure.",
                heel.as_litres(),
                liquid.as_litres()
            ),
        )
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use crate::domain::tank::TankShape;

    fn mm(mm: u32) -> Length {
        Length::from_mm(mm)
    }

    /// A tank 1,200 mm high inside, with 1,000 mm of liquid.
    fn tank() -> Compartment {
        Compartment::new(
            TankShape::LevelCylinder {
                diameter: mm(1_200),
                length: mm(2_400),
            },
            mm(1_000),
        )
    }

    /// Each word is said from the first millimetre on that cannot be, and not at the last that can.
    #[test]
    fn a_reading_is_flagged_from_the_first_millimetre_that_cannot_be() {
        let none = Reading::default();
        let level = |mm| Reading {
            level: Offset::from_mm(mm),
            ..none.clone()
        };
        let layers = |scum: Option<u32>, sludge: Option<u32>| Reading {
            scum: scum.map(mm),
            sludge: sludge.map(mm),
            ..none.clone()
        };
        let device = |depth| Reading {
            outlet_device: Some(mm(depth)),
            ..none.clone()
        };
        let top = |above| Reading {
            scum_top: Some(Offset::from_mm(above)),
            ..layers(Some(40), None)
        };
        let probes = |depths: &[u32]| Reading {
            sludge_probes: depths.iter().copied().map(mm).collect(),
            ..none.clone()
        };
        for (fits, does_not, code) in [
            (device(1_000), device(1_001), FlagCode::OutletBelowBottom),
            (level(-1_000), level(-1_001), FlagCode::LevelBelowBottom),
            (level(200), level(201), FlagCode::LevelAboveTop),
            (
                layers(None, Some(1_200)),
                layers(None, Some(1_201)),
                FlagCode::SludgeAboveTop,
            ),
            (probes(&[1_200, 3]), probes(&[3, 1_201, 5]), FlagCode::SludgeAboveTop),
            (
                layers(Some(1_000), None),
                layers(Some(1_001), None),
                FlagCode::ScumBelowBottom,
            ),
            (
                layers(Some(400), Some(600)),
                layers(Some(400), Some(601)),
                FlagCode::LayersOverlap,
            ),
            (top(40), top(41), FlagCode::LayersOverlap),
        ] {
            let said = |reading| {
                let flags = check_reading(&tank(), reading, 1);
                assert!(flags.iter().all(|flag| flag.compartment == Some(1)));
                flags.iter().map(|flag| flag.code).collect::<Vec<_>>()
            };
            assert_eq!(said(&fits), [], "{fits:?}");
            assert!(said(&does_not).contains(&code), "{does_not:?}");
        }
        // Whose height nobody knows is as high as its liquid stands.
        let mut nominal = tank();
        nominal.shape = TankShape::Box {
            length: mm(2_400),
            width: mm(1_200),
        };
        for (sludge, said) in [(1_000, 0), (1_001, 1)] {
            assert_eq!(
                check_reading(&nominal, &layers(None, Some(sludge)), 0).len(),
                said,
                "{sludge}"
            );
        }
        // Where no liquid depth is known nothing can be held against it.
        nominal.liquid_depth = mm(0);
        assert_eq!(check_reading(&nominal, &layers(Some(50), Some(50)), 0), []);
        assert_eq!(check_reading(&nominal, &device(400), 0), []);
        let both = Reading {
            sludge: Some(mm(10)),
            ..probes(&[9])
        };
        assert_eq!(check_reading(&tank(), &both, 0)[0].code, FlagCode::ProbesUsed);
    }

    #[test]
    fn a_level_off_the_outlet_and_more_left_than_the_tank_holds_are_said() {
        let code = |mm| check_level(Offset::from_mm(mm), 0).map(|flag| flag.code);
        assert_eq!(code(0), None);
        assert_eq!(code(1), Some(FlagCode::LevelHigh));
        assert_eq!(code(-1), Some(FlagCode::LevelLow));
        let holds = Volume::from_litres(3_000.0);
        assert_eq!(check_heel(holds, holds), None);
        let more = check_heel(Volume::from_litres(3_001.0), holds).unwrap();
        assert_eq!(more.code, FlagCode::HeelAboveCapacity);
    }

    #[test]
    fn a_flag_is_written_as_it_stands_in_files() {
        assert_eq!(FlagCode::ZeroSize.to_string(), "zero_size");
        assert_eq!(FlagCode::NoDate.to_string(), "no_date");
    }
}
