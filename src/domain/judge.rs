//! Judging a reading against a rule set.

use super::reading::Reading;
use super::rules::{
    CalendarException, Clause, DistanceTable, RuleSet, Sense, Test, exact_half_inches_mm, exact_half_inches_offset_mm,
};
use super::tank::{Compartment, Tank, TankShape};
use super::units::{Length, Offset, Volume};

/// What a rule set says about a tank.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Decision {
    /// At least one clause is met: pump.
    Pump,
    /// Clauses were judged and none is met.
    NotYet,
    /// No clause could be judged.
    NotMeasured,
}

/// The lengths a clause was judged in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum JudgedIn {
    /// Exact half inches, because every length of the reading is one.
    HalfInches,
    /// Whole millimetres as kept.
    Millimetres,
    /// Calendar time.
    Years,
}

/// The unit of a clause's value, limit and margin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ClauseUnit {
    /// Millimetres.
    Millimetre,
    /// A share, 0 to 1.
    Share,
    /// Years.
    Year,
}

/// One clause, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct ClauseResult {
    /// The clause's short name.
    pub id: String,
    /// The clause in plain words.
    pub words: String,
    /// Which side the limit belongs to.
    pub sense: Sense,
    /// What was found, `None` when not measured.
    pub value: Option<f64>,
    /// The limit, `None` when it needs something not known (the published sludge table without a capacity).
    pub limit: Option<f64>,
    /// Unit of value, limit and margin.
    pub unit: ClauseUnit,
    /// The value is the limit, within what can be told apart.
    pub at_limit: bool,
    /// The clause asks for pumping.
    pub met: bool,
    /// Room left before the limit, negative when it is past; in the clause's unit.
    pub margin: Option<f64>,
    /// The lengths used.
    pub judged_in: JudgedIn,
    /// The compartment that binds, counted from 0; `None`: whole tank.
    pub compartment: Option<usize>,
    /// Why it was not judged.
    pub why_not: Option<String>,
}

impl ClauseResult {
    /// Returns whether the clause could be judged.
    #[must_use]
    pub const fn is_measured(&self) -> bool {
        self.value.is_some() && self.limit.is_some()
    }
}

/// One rule set, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The rule set's short name.
    pub rule_set: String,
    /// Its name for people.
    pub name: String,
    /// What it says.
    pub decision: Decision,
    /// Every clause.
    pub clauses: Vec<ClauseResult>,
    /// Place in `clauses` of the one that binds: exceeded by most, else nearest to its limit.
    pub binding: Option<usize>,
}

impl Verdict {
    /// Returns the clause that binds.
    #[must_use]
    pub fn binding_clause(&self) -> Option<&ClauseResult> {
        self.binding.and_then(|place| self.clauses.get(place))
    }
}

/// Layers and distances of one compartment, from the millimetres as kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CompartmentContents {
    /// Liquid below the outlet invert, litres inside.
    pub liquid: Volume,
    /// Scum.
    pub scum: Option<Volume>,
    /// Sludge.
    pub sludge: Option<Volume>,
    /// Sludge depth used (the mean of the probes when there are any), mm.
    pub sludge_mm: Option<f64>,
    /// Scum thickness used, mm.
    pub scum_mm: Option<f64>,
    /// Solids over liquid, by volume.
    pub fraction_volume: Option<f64>,
    /// Solids over liquid, by depth.
    pub fraction_depth: Option<f64>,
    /// Sludge top below the bottom of the outlet device, mm, negative when above it.
    pub sludge_clearance_mm: Option<f64>,
    /// Scum bottom above the bottom of the outlet device, mm, negative when below it.
    pub scum_clearance_mm: Option<f64>,
    /// Scum top below the top of the outlet device, mm, negative when above it.
    pub scum_top_clearance_mm: Option<f64>,
    /// Error of the solids' volume from reading the layers' edges.
    pub solids_error: Option<Volume>,
}

/// What is in the tank.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contents {
    /// Liquid below the outlet invert, all compartments.
    pub liquid: Volume,
    /// Scum, all compartments; `None` unless every compartment was read.
    pub scum: Option<Volume>,
    /// Sludge, all compartments; `None` unless every compartment was read.
    pub sludge: Option<Volume>,
    /// Solids over liquid by volume.
    pub fraction_volume: Option<f64>,
    /// Largest share by depth of any compartment.
    pub fraction_depth: Option<f64>,
    /// Each compartment.
    pub compartments: Vec<CompartmentContents>,
}

/// Two clearances closer than this are the same: a tape is not read finer.
pub(super) const CLEARANCE_TOLERANCE_MM: f64 = 0.5;

/// Two shares closer than this part of the limit are the same.
const SHARE_TOLERANCE: f64 = 1e-9;

/// Days in a year, over the leap years.
pub const DAYS_PER_YEAR: f64 = 365.25;

/// Reading error at a layer's edge when none is recorded: 25 mm (1 in).
pub const DEFAULT_EDGE_MM: f64 = 25.0;

/// The lengths of one compartment as they enter a calculation: whole millimetres, or exact half inches.
#[derive(Clone, Copy, Debug, Default)]
struct Lengths {
    liquid_depth: f64,
    level: f64,
    scum: Option<f64>,
    sludge: Option<f64>,
    outlet_device: Option<f64>,
    outlet_top: Option<f64>,
    scum_top: Option<f64>,
    /// The two tops are in the same lengths as the rest; they do not decide how the rest is judged.
    tops_as_the_rest: bool,
}

impl Lengths {
    /// The lengths in whole millimetres; the sludge is the mean of the probes when there are any.
    fn as_kept(compartment: &Compartment, reading: &Reading) -> Self {
        Self {
            liquid_depth: compartment.liquid_depth.mm(),
            level: reading.level.mm(),
            scum: reading.scum.map(Length::mm),
            sludge: mean_mm(&reading.sludge_probes).or(reading.sludge.map(Length::mm)),
            outlet_device: reading.outlet_device.or(compartment.outlet_device).map(Length::mm),
            outlet_top: compartment.outlet_top.map(Length::mm),
            scum_top: reading.scum_top.map(Offset::mm),
            tops_as_the_rest: true,
        }
    }

    /// The lengths in exact half inches, or `None` when one of them is not the rounding of a whole number of half inches.
    fn in_half_inches(compartment: &Compartment, reading: &Reading) -> Option<Self> {
        #[expect(clippy::option_option, reason = "outer: is it half inches; inner: was it read")]
        fn each(length: Option<Length>) -> Option<Option<f64>> {
            length.map_or(Some(None), |length| exact_half_inches_mm(length).map(Some))
        }
        let sludge = if reading.sludge_probes.is_empty() {
            each(reading.sludge)?
        } else {
            let exact: Option<Vec<f64>> = reading
                .sludge_probes
                .iter()
                .map(|probe| exact_half_inches_mm(*probe))
                .collect();
            mean(&exact?)
        };
        let outlet_top = compartment
            .outlet_top
            .map(|top| exact_half_inches_mm(top).ok_or(top.mm()));
        let scum_top = reading
            .scum_top
            .map(|top| exact_half_inches_offset_mm(top).ok_or(top.mm()));
        let either = |top: Result<f64, f64>| top.unwrap_or_else(|kept| kept);
        Some(Self {
            liquid_depth: exact_half_inches_mm(compartment.liquid_depth)?,
            level: exact_half_inches_offset_mm(reading.level)?,
            scum: each(reading.scum)?,
            sludge,
            outlet_device: each(reading.outlet_device.or(compartment.outlet_device))?,
            outlet_top: outlet_top.map(either),
            scum_top: scum_top.map(either),
            tops_as_the_rest: !matches!(outlet_top, Some(Err(_))) && !matches!(scum_top, Some(Err(_))),
        })
    }

    fn surface(&self) -> f64 {
        self.liquid_depth + self.level
    }

    fn sludge_volume(&self, compartment: &Compartment) -> Option<Volume> {
        self.sludge
            .map(|sludge| compartment.volume_below_with(sludge, self.liquid_depth))
    }

    fn scum_volume(&self, compartment: &Compartment) -> Option<Volume> {
        self.scum.map(|scum| {
            let surface = self.surface();
            compartment.volume_below_with(surface, self.liquid_depth)
                - compartment.volume_below_with(surface - scum, self.liquid_depth)
        })
    }

    fn liquid(&self, compartment: &Compartment) -> Volume {
        match compartment.shape {
            TankShape::Nominal { capacity } => capacity,
            _ => compartment.volume_below_with(self.liquid_depth, self.liquid_depth),
        }
    }

    /// `S = H − OB − sl`
    fn sludge_clearance(&self) -> Option<f64> {
        Some(self.liquid_depth - self.outlet_device? - self.sludge?)
    }

    /// `C = OB + level − sc`
    fn scum_clearance(&self) -> Option<f64> {
        Some(self.outlet_device? + self.level - self.scum?)
    }

    /// Top of the device less top of the scum, both above the outlet invert.
    fn scum_top_clearance(&self) -> Option<f64> {
        Some(self.outlet_top? - self.level - self.scum_top?)
    }

    fn depth_share(&self) -> Option<f64> {
        (self.liquid_depth > 0.0).then_some(())?;
        Some((self.scum? + self.sludge?) / self.liquid_depth)
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    let count = u32::try_from(values.len()).ok().filter(|count| *count > 0)?;
    Some(values.iter().sum::<f64>() / f64::from(count))
}

fn mean_mm(lengths: &[Length]) -> Option<f64> {
    mean(&lengths.iter().map(|length| length.mm()).collect::<Vec<_>>())
}

/// Sample standard deviation of two or more probes.
fn deviation_mm(lengths: &[Length]) -> Option<f64> {
    let count = u32::try_from(lengths.len()).ok().filter(|count| *count >= 2)?;
    let mean = mean_mm(lengths)?;
    let squares: f64 = lengths.iter().map(|length| (length.mm() - mean).powi(2)).sum();
    Some((squares / f64::from(count - 1)).sqrt())
}

/// Returns the layers, shares and distances of one compartment, from the millimetres as kept.
#[must_use]
pub fn compartment_contents(compartment: &Compartment, reading: &Reading) -> CompartmentContents {
    let lengths = Lengths::as_kept(compartment, reading);
    let usable = lengths.liquid_depth > 0.0;
    let liquid = compartment.liquid();
    let scum = lengths.scum_volume(compartment).filter(|_| usable);
    let sludge = lengths.sludge_volume(compartment).filter(|_| usable);
    CompartmentContents {
        liquid,
        scum,
        sludge,
        sludge_mm: lengths.sludge,
        scum_mm: lengths.scum,
        fraction_volume: share(scum.zip(sludge).map(|(scum, sludge)| scum + sludge), liquid),
        fraction_depth: lengths.depth_share(),
        sludge_clearance_mm: lengths.sludge_clearance().filter(|_| usable),
        scum_clearance_mm: lengths.scum_clearance(),
        scum_top_clearance_mm: lengths.scum_top_clearance(),
        solids_error: (usable && scum.is_some() && sludge.is_some())
            .then(|| solids_error(compartment, reading, &lengths)),
    }
}

fn share(solids: Option<Volume>, liquid: Volume) -> Option<f64> {
    (liquid.as_litres() > 0.0).then_some(())?;
    Some(solids?.as_litres() / liquid.as_litres())
}

/// Root sum of squares over the edges that were read, each `plan area × error of the edge`.
fn solids_error(compartment: &Compartment, reading: &Reading, lengths: &Lengths) -> Volume {
    let edge = reading.edge.map_or(DEFAULT_EDGE_MM, Length::mm);
    let mut squares = 0.0;
    if let Some(sludge) = lengths.sludge.filter(|sludge| *sludge > 0.0) {
        let error = deviation_mm(&reading.sludge_probes).unwrap_or(edge);
        squares += (compartment.plan_area_mm2_at(sludge) * error / 1.0e6).powi(2);
    }
    if let Some(scum) = lengths.scum.filter(|scum| *scum > 0.0) {
        squares += (compartment.plan_area_mm2_at(lengths.surface() - scum) * edge / 1.0e6).powi(2);
    }
    Volume::from_litres(squares.sqrt())
}

/// Returns what is in the tank; compartments without a reading count as not read.
#[must_use]
pub fn contents(tank: &Tank, readings: &[Reading]) -> Contents {
    let not_read = Reading::default();
    let compartments: Vec<CompartmentContents> = tank
        .compartments
        .iter()
        .enumerate()
        .map(|(place, compartment)| compartment_contents(compartment, readings.get(place).unwrap_or(&not_read)))
        .collect();
    let liquid = tank.liquid();
    let scum = total(compartments.iter().map(|each| each.scum));
    let sludge = total(compartments.iter().map(|each| each.sludge));
    Contents {
        liquid,
        scum,
        sludge,
        fraction_volume: share(scum.zip(sludge).map(|(scum, sludge)| scum + sludge), liquid),
        fraction_depth: compartments
            .iter()
            .filter_map(|each| each.fraction_depth)
            .fold(None, |most, each| Some(most.map_or(each, |most: f64| most.max(each)))),
        compartments,
    }
}

impl Contents {
    /// Returns scum and sludge together, `None` unless every compartment was read.
    #[must_use]
    pub fn solids(&self) -> Option<Volume> {
        Some(self.scum? + self.sludge?)
    }

    /// Returns the error of the solids' volume from reading the edges, all compartments.
    #[must_use]
    pub fn solids_error(&self) -> Option<Volume> {
        let mut squares = 0.0;
        for compartment in &self.compartments {
            squares += compartment.solids_error?.as_litres().powi(2);
        }
        Some(Volume::from_litres(squares.sqrt()))
    }
}

/// The sum, or `None` when there is nothing to add or one of them is missing.
fn total(mut volumes: impl Iterator<Item = Option<Volume>>) -> Option<Volume> {
    let first = volumes.next()??;
    volumes.try_fold(first, |sum, volume| Some(sum + volume?))
}

/// A tank as it enters judging: each compartment in the lengths it is judged in.
///
/// A reading in half inches is judged twice. Its millimetres are roundings, three of which can miss a limit that the inches
/// meet exactly, so where the half inches stand at the limit they decide; everywhere else the millimetres as kept do, and the
/// figures are those that everyone else computes from them.
struct Judged<'a> {
    parts: Vec<(&'a Compartment, Lengths, JudgedIn)>,
}

impl<'a> Judged<'a> {
    fn new(tank: &'a Tank, readings: &[Reading], judged_in: JudgedIn) -> Self {
        let not_read = Reading::default();
        let exact = judged_in == JudgedIn::HalfInches;
        let parts = tank
            .compartments
            .iter()
            .enumerate()
            .map(|(place, compartment)| {
                let reading = readings.get(place).unwrap_or(&not_read);
                match Lengths::in_half_inches(compartment, reading).filter(|_| exact) {
                    Some(lengths) => (compartment, lengths, JudgedIn::HalfInches),
                    None => (
                        compartment,
                        Lengths::as_kept(compartment, reading),
                        JudgedIn::Millimetres,
                    ),
                }
            })
            .collect();
        Self { parts }
    }

    /// Half inches only when every compartment is.
    fn judged_in(&self) -> JudgedIn {
        if self.parts.iter().all(|(_, _, judged)| *judged == JudgedIn::HalfInches) {
            JudgedIn::HalfInches
        } else {
            JudgedIn::Millimetres
        }
    }

    fn liquid(&self) -> Volume {
        self.parts
            .iter()
            .map(|(compartment, lengths, _)| lengths.liquid(compartment))
            .sum()
    }

    /// Share of solids by volume: what was read over all the liquid, and whether everything was read.
    fn volume_share(&self) -> Option<(f64, bool)> {
        let mut solids = Volume::ZERO;
        let mut complete = true;
        let mut any = false;
        for (compartment, lengths, _) in &self.parts {
            for layer in [lengths.sludge_volume(compartment), lengths.scum_volume(compartment)] {
                match layer.filter(|_| lengths.liquid_depth > 0.0) {
                    Some(volume) => {
                        solids = solids + volume;
                        any = true;
                    }
                    None => complete = false,
                }
            }
        }
        any.then_some(())?;
        Some((share(Some(solids), self.liquid())?, complete))
    }
}

/// Distance the published sludge table asks for at this capacity and liquid depth, mm, and whether both lie inside the table.
///
/// Straight lines between the cells in both directions, exact at the cells, held at the edges.
#[must_use]
pub fn table_distance_mm(table: &DistanceTable, capacity: Volume, liquid_depth_mm: f64) -> Option<(f64, bool)> {
    let row_marks: Vec<f64> = table.rows.iter().map(|(capacity, _)| capacity.as_litres()).collect();
    let (row, next_row, down, row_inside) = bracket(&row_marks, capacity.as_litres())?;
    let (column, next_column, across, column_inside) = bracket(&table.depths_mm, liquid_depth_mm)?;
    let cell = |row: usize, column: usize| table.rows.get(row).and_then(|(_, cells)| cells.get(column)).copied();
    let upper = cell(row, column)? * (1.0 - across) + cell(row, next_column)? * across;
    let lower = cell(next_row, column)? * (1.0 - across) + cell(next_row, next_column)? * across;
    Some((upper * (1.0 - down) + lower * down, row_inside && column_inside))
}

/// The two marks around `value`, how far it is from the first to the second, and whether it lies between the outermost marks.
fn bracket(marks: &[f64], value: f64) -> Option<(usize, usize, f64, bool)> {
    let (first, last) = (*marks.first()?, *marks.last()?);
    // A nominal 750 gal is 2839.06 L however it was entered; rounding must not put it outside the table.
    let slack = 1e-9 * last.abs();
    let inside = value >= first - slack && value <= last + slack;
    if value <= first {
        return Some((0, 0, 0.0, inside));
    }
    for (place, pair) in marks.windows(2).enumerate() {
        if let [low, high] = pair
            && value <= *high
        {
            let part = if high > low { (value - low) / (high - low) } else { 0.0 };
            return Some((place, place + 1, part, inside));
        }
    }
    Some((marks.len() - 1, marks.len() - 1, 0.0, inside))
}

/// The years a calendar clause gives this household.
#[must_use]
pub fn calendar_years(
    years: f64,
    unless: Option<CalendarException>,
    residents: Option<f64>,
    grinder: bool,
    capacity: Volume,
) -> f64 {
    let Some(exception) = unless else { return years };
    let few_enough = exception
        .residents_at_most
        .is_none_or(|most| residents.is_some_and(|residents| residents <= most));
    let large_enough = exception
        .capacity_at_least
        // A size given as whole gallons or whole litres is that size: half a gallon is rounding, not a smaller tank.
        .is_none_or(|least| capacity.as_us_gallons() >= least.as_us_gallons() - 0.5);
    if few_enough && large_enough && !(exception.no_grinder && grinder) {
        exception.years
    } else {
        years
    }
}

/// What a verdict needs besides the reading.
#[derive(Clone, Copy, Debug)]
pub struct Household {
    /// People, when known.
    pub residents: Option<f64>,
    /// Whether a garbage grinder is in use.
    pub grinder: bool,
    /// Years since the last pump-out, when known.
    pub years_since_emptied: Option<f64>,
}

/// Judges one reading against one rule set.
#[must_use]
pub fn judge(tank: &Tank, readings: &[Reading], household: Household, rule_set: &RuleSet) -> Verdict {
    let as_kept = Judged::new(tank, readings, JudgedIn::Millimetres);
    let in_half_inches = Judged::new(tank, readings, JudgedIn::HalfInches);
    let clauses: Vec<ClauseResult> = rule_set
        .clauses
        .iter()
        .map(|clause| {
            let exact = judge_clause(clause, &in_half_inches, household);
            if exact.at_limit {
                exact
            } else {
                judge_clause(clause, &as_kept, household)
            }
        })
        .collect();
    // A layer that nobody read may be past its limit: what was read can ask for pumping, and cannot say "not yet".
    let is_read = !tank.compartments.is_empty()
        && tank.compartments.iter().enumerate().all(|(place, _)| {
            readings.get(place).is_some_and(|reading| {
                reading.scum.is_some() && (reading.sludge.is_some() || !reading.sludge_probes.is_empty())
            })
        });
    let decision = if clauses.iter().any(|clause| clause.met) {
        Decision::Pump
    } else if clauses.iter().any(ClauseResult::is_measured) && (is_read || !asks_for_layers(rule_set)) {
        Decision::NotYet
    } else {
        Decision::NotMeasured
    };
    let binding = (decision != Decision::NotMeasured)
        .then(|| binding_place(&clauses, decision))
        .flatten();
    Verdict {
        rule_set: rule_set.id.clone(),
        name: rule_set.name.clone(),
        decision,
        clauses,
        binding,
    }
}

/// Whether a set judges anything but the calendar.
fn asks_for_layers(rule_set: &RuleSet) -> bool {
    rule_set
        .clauses
        .iter()
        .any(|clause| !matches!(clause.test, Test::Calendar { .. }))
}

/// The measured clause with the smallest room relative to its limit: exceeded by most when pumping, nearest otherwise.
fn binding_place(clauses: &[ClauseResult], decision: Decision) -> Option<usize> {
    let mut best: Option<(usize, f64)> = None;
    for (place, clause) in clauses.iter().enumerate() {
        let (Some(margin), Some(limit)) = (clause.margin, clause.limit) else {
            continue;
        };
        if !clause.is_measured() || (decision == Decision::Pump && !clause.met) {
            continue;
        }
        let relative = if limit.abs() > 0.0 {
            margin / limit.abs()
        } else {
            margin
        };
        if best.is_none_or(|(_, least)| relative < least) {
            best = Some((place, relative));
        }
    }
    best.map(|(place, _)| place)
}

/// Which side of the limit asks for pumping.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Side {
    Below,
    Above,
}

fn judge_clause(clause: &Clause, judged: &Judged<'_>, household: Household) -> ClauseResult {
    match &clause.test {
        Test::VolumeFraction(limit) => judge_volume(clause, limit.value, judged),
        Test::DepthFraction(limit) => worst(
            clause,
            judged,
            ClauseUnit::Share,
            Side::Above,
            SHARE_TOLERANCE * limit.value,
            "scum and sludge were not read",
            |lengths| Some((lengths.depth_share()?, limit.value)),
        ),
        Test::SludgeClearance(limit) => worst(
            clause,
            judged,
            ClauseUnit::Millimetre,
            Side::Below,
            CLEARANCE_TOLERANCE_MM,
            "the sludge or the outlet device was not measured",
            |lengths| {
                Some((
                    lengths.sludge_clearance().filter(|_| lengths.liquid_depth > 0.0)?,
                    limit.mm(),
                ))
            },
        ),
        Test::ScumClearance(limit) => worst(
            clause,
            judged,
            ClauseUnit::Millimetre,
            Side::Below,
            CLEARANCE_TOLERANCE_MM,
            "the scum or the outlet device was not measured",
            |lengths| Some((lengths.scum_clearance()?, limit.mm())),
        ),
        Test::ScumTopClearance(limit) => {
            let mut result = worst(
                clause,
                judged,
                ClauseUnit::Millimetre,
                Side::Below,
                CLEARANCE_TOLERANCE_MM,
                "the top of the scum or the top of the outlet device was not measured",
                |lengths| Some((lengths.scum_top_clearance()?, limit.mm())),
            );
            let tops = result
                .compartment
                .and_then(|place| judged.parts.get(place))
                .is_none_or(|(_, lengths, _)| lengths.tops_as_the_rest);
            if !tops {
                result.judged_in = JudgedIn::Millimetres;
            }
            result
        }
        Test::SludgeDistanceTable(table) => {
            let capacity = judged.liquid();
            worst(
                clause,
                judged,
                ClauseUnit::Millimetre,
                Side::Below,
                CLEARANCE_TOLERANCE_MM,
                "the sludge or the outlet device was not measured",
                |lengths| {
                    let value = lengths.sludge_clearance().filter(|_| lengths.liquid_depth > 0.0)?;
                    Some((value, table_distance_mm(table, capacity, lengths.liquid_depth)?.0))
                },
            )
        }
        Test::Calendar { years, unless } => {
            let limit = calendar_years(*years, *unless, household.residents, household.grinder, judged.liquid());
            let mut result = blank(clause, ClauseUnit::Year, Some(limit), JudgedIn::Years);
            match household.years_since_emptied {
                // Two days cover the leap days that make n calendar years a little more or less than n · 365.25 days.
                Some(value) => settle(&mut result, clause.sense, Side::Above, value, 2.0 / DAYS_PER_YEAR),
                None => result.why_not = Some("the last pump-out is not known".to_owned()),
            }
            result
        }
    }
}

/// Judges the share of solids by volume over the whole tank.
fn judge_volume(clause: &Clause, limit: f64, judged: &Judged<'_>) -> ClauseResult {
    let mut result = blank(clause, ClauseUnit::Share, Some(limit), judged.judged_in());
    match judged.volume_share() {
        Some((value, true)) => settle(&mut result, clause.sense, Side::Above, value, SHARE_TOLERANCE * limit),
        Some((value, false)) => {
            settle(&mut result, clause.sense, Side::Above, value, SHARE_TOLERANCE * limit);
            // What was read is a lower bound: enough to ask for pumping, not enough to say "not yet".
            if !result.met {
                result.value = None;
                result.margin = None;
                result.at_limit = false;
                result.why_not = Some(
                    "not every layer of every compartment was read, so the share of solids is not known".to_owned(),
                );
            }
        }
        None => result.why_not = Some("scum and sludge were not read".to_owned()),
    }
    result
}

fn blank(clause: &Clause, unit: ClauseUnit, limit: Option<f64>, judged_in: JudgedIn) -> ClauseResult {
    ClauseResult {
        id: clause.id.clone(),
        words: clause.words.clone(),
        sense: clause.sense,
        value: None,
        limit,
        unit,
        at_limit: false,
        met: false,
        margin: None,
        judged_in,
        compartment: None,
        why_not: None,
    }
}

/// Enters a value and decides.
fn settle(result: &mut ClauseResult, sense: Sense, side: Side, value: f64, tolerance: f64) {
    let Some(limit) = result.limit else { return };
    let margin = match side {
        Side::Below => value - limit,
        Side::Above => limit - value,
    };
    result.value = Some(value);
    result.margin = Some(margin);
    result.at_limit = margin.abs() <= tolerance;
    result.met = if result.at_limit {
        sense == Sense::At
    } else {
        margin < 0.0
    };
}

/// Judges each compartment and keeps the one with the least room.
fn worst(
    clause: &Clause,
    judged: &Judged<'_>,
    unit: ClauseUnit,
    side: Side,
    tolerance: f64,
    why_not: &str,
    value_and_limit: impl Fn(&Lengths) -> Option<(f64, f64)>,
) -> ClauseResult {
    let mut least: Option<ClauseResult> = None;
    for (place, (_, lengths, judged_in)) in judged.parts.iter().enumerate() {
        let Some((value, limit)) = value_and_limit(lengths) else {
            continue;
        };
        let mut result = blank(clause, unit, Some(limit), *judged_in);
        result.compartment = Some(place);
        settle(&mut result, clause.sense, side, value, tolerance);
        if least
            .as_ref()
            .and_then(|least| least.margin)
            .is_none_or(|margin| result.margin.is_some_and(|here| here < margin))
        {
            least = Some(result);
        }
    }
    least.unwrap_or_else(|| {
        let limit = match &clause.test {
            Test::DepthFraction(limit) => Some(limit.value),
            Test::SludgeClearance(limit) | Test::ScumClearance(limit) | Test::ScumTopClearance(limit) => {
                Some(limit.mm())
            }
            _ => None,
        };
        let mut result = blank(clause, unit, limit, judged.judged_in());
        result.why_not = Some(why_not.to_owned());
        result
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::domain::rules::{LengthLimit, LengthUnit};
    use crate::domain::units::Length;

    /// 2 m by 1 m inside, 1 m of liquid.
    fn compartment() -> Compartment {
        Compartment {
            shape: TankShape::Box {
                length: Length::from_mm(2_000),
                width: Length::from_mm(1_000),
            },
            liquid_depth: Length::from_mm(1_000),
            air_space: None,
            outlet_device: None,
            outlet_top: None,
        }
    }

    /// By hand: with the liquid 100 mm below the outlet, 150 mm of scum lie between 750 and 900 mm: 2 m x 1 m x 0.15 m, which
    /// with 400 L of sludge are 700 of 2,000 L.
    #[test]
    fn scum_is_measured_down_from_where_the_liquid_stands() {
        let reading = Reading {
            level: Offset::from_mm(-100),
            scum: Some(Length::from_mm(150)),
            sludge: Some(Length::from_mm(200)),
            ..Reading::default()
        };
        let contents = compartment_contents(&compartment(), &reading);
        assert!((contents.scum.unwrap().as_litres() - 300.0).abs() < 1e-9);
        assert!((contents.fraction_volume.unwrap() - 0.35).abs() < 1e-9);
        let surface_mm = Lengths::as_kept(&compartment(), &reading).surface();
        assert!((surface_mm - 900.0).abs() < 1e-9);
    }

    #[test]
    fn a_compartment_without_a_depth_or_half_read_has_no_error() {
        let reading = Reading {
            scum: Some(Length::from_mm(0)),
            sludge: Some(Length::from_mm(0)),
            ..Reading::default()
        };
        for half_read in [
            Reading {
                scum: None,
                ..reading.clone()
            },
            Reading {
                sludge: None,
                ..reading.clone()
            },
        ] {
            assert_eq!(compartment_contents(&compartment(), &half_read).solids_error, None);
        }
        let empty = Compartment {
            liquid_depth: Length::from_mm(0),
            ..compartment()
        };
        let contents = compartment_contents(&empty, &reading);
        assert_eq!(contents.fraction_depth, None);
        assert_eq!(contents.solids_error, None);
    }

    #[test]
    fn of_a_tank_that_holds_nothing_nothing_is_a_share() {
        let nothing = Compartment {
            shape: TankShape::Nominal { capacity: Volume::ZERO },
            ..compartment()
        };
        let reading = Reading {
            scum: Some(Length::from_mm(50)),
            sludge: Some(Length::from_mm(50)),
            ..Reading::default()
        };
        assert_eq!(compartment_contents(&nothing, &reading).fraction_volume, None);
    }

    /// 13 mm are the rounding of half an inch, 11 mm of no number of half inches.
    #[test]
    fn one_top_in_other_lengths_is_enough_to_tell_the_tops_from_the_rest() {
        for (outlet, scum, same) in [(13, 13, true), (11, 13, false), (13, 11, false), (11, 11, false)] {
            let compartment = Compartment {
                liquid_depth: Length::from_mm(1_016),
                outlet_top: Some(Length::from_mm(outlet)),
                ..compartment()
            };
            let reading = Reading {
                scum_top: Some(Offset::from_mm(scum)),
                ..Reading::default()
            };
            let lengths = Lengths::in_half_inches(&compartment, &reading).unwrap();
            assert_eq!(lengths.tops_as_the_rest, same, "{outlet} and {scum} mm");
        }
    }

    fn clause(test: Test, sense: Sense) -> Clause {
        Clause {
            id: "one".to_owned(),
            words: String::new(),
            test,
            sense,
        }
    }

    fn result(margin: f64, limit: f64, met: bool) -> ClauseResult {
        let calendar = Test::Calendar {
            years: 1.0,
            unless: None,
        };
        let mut result = blank(
            &clause(calendar, Sense::At),
            ClauseUnit::Millimetre,
            Some(limit),
            JudgedIn::Millimetres,
        );
        (result.value, result.margin, result.met) = (Some(limit + margin), Some(margin), met);
        result
    }

    /// By hand: room over limit, 2 / 100 is less than 1 / 20; of equal ones the first; what asks for pumping comes before what
    /// has less room but does not ask; a limit of nothing leaves the room as it is.
    #[test]
    fn the_clause_with_the_least_room_for_its_limit_binds() {
        let not_yet = |clauses: &[ClauseResult]| binding_place(clauses, Decision::NotYet);
        assert_eq!(not_yet(&[result(1.0, 20.0, false), result(2.0, 100.0, false)]), Some(1));
        assert_eq!(not_yet(&[result(1.0, 20.0, false), result(1.0, -20.0, false)]), Some(0));
        assert_eq!(not_yet(&[result(0.5, 0.0, false), result(9.0, 10.0, false)]), Some(0));
        let at_its_limit = [result(0.2, 76.0, true), result(0.1, 76.0, false)];
        assert_eq!(binding_place(&at_its_limit, Decision::Pump), Some(0));
        assert_eq!(not_yet(&at_its_limit), Some(1));
        let mut unknown = result(0.1, 76.0, false);
        unknown.margin = None;
        assert_eq!(not_yet(&[unknown, result(1.0, 20.0, false)]), Some(1));
    }

    /// Of a table up to 2,839.06 L, a millionth of a millilitre is rounding and a millilitre is not.
    #[test]
    fn rounding_puts_no_nominal_size_outside_the_table() {
        let marks = [1_892.706, 2_839.059];
        for (value, is_inside) in [
            (2_839.059 + 1e-9, true),
            (2_839.06, false),
            (1_892.706 - 1e-9, true),
            (1_892.705, false),
        ] {
            assert_eq!(bracket(&marks, value).unwrap().3, is_inside, "{value}");
        }
        let (_, _, part, _) = bracket(&[1_000.0, 2_000.0], 1_250.0).unwrap();
        assert!((part - 0.25).abs() < 1e-12);
    }

    /// What was read in a compartment without a depth is no reading of it: neither part of the share nor a clearance.
    #[test]
    fn a_compartment_without_a_depth_is_not_read() {
        let mm = Length::from_mm;
        let tank = |depth| Tank {
            compartments: vec![
                Compartment {
                    outlet_device: Some(mm(300)),
                    ..compartment()
                },
                Compartment {
                    liquid_depth: mm(depth),
                    ..compartment()
                },
            ],
        };
        let reading = |scum, sludge| Reading {
            scum: Some(mm(scum)),
            sludge: Some(mm(sludge)),
            outlet_device: Some(mm(300)),
            ..Reading::default()
        };
        let readings = [reading(10, 10), reading(0, 0)];
        let share = |depth| {
            Judged::new(&tank(depth), &readings, JudgedIn::Millimetres)
                .volume_share()
                .map(|(_, whole)| whole)
        };
        assert_eq!((share(1_000), share(0)), (Some(true), Some(false)));
        let household = Household {
            residents: None,
            grinder: false,
            years_since_emptied: None,
        };
        let clearance = clause(
            Test::SludgeClearance(LengthLimit {
                value: 300.0,
                unit: LengthUnit::Millimetre,
            }),
            Sense::Past,
        );
        let of_second = |depth| {
            let second = Tank {
                compartments: tank(depth).compartments.split_off(1),
            };
            judge_clause(
                &clearance,
                &Judged::new(&second, &readings[1..], JudgedIn::Millimetres),
                household,
            )
            .is_measured()
        };
        assert_eq!((of_second(1_000), of_second(0)), (true, false));
    }
}
