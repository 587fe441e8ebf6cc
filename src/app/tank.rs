//! The tank sheet: how many, which shape, how large.

use crate::app::inputs::{dip_json, dip_rows};
use crate::app::overlay::{FigureView, PadKind, PadTarget, SheetTarget, Verdict};
use crate::app::read::{flag_text, is_unmeasured};
use crate::app::section::{Area, SectionDrawing, SectionView, tank_section};
use crate::app::shell::App;
use crate::app::stop::add_tank;
use crate::app::tank_scenes::shape_scene;
use crate::domain::record::{Compartment, CompartmentId, ShapeKind, Tank};
use crate::domain::units::{Length, Volume};

/// One size on the sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    /// Inside length.
    Length,
    /// Inside width.
    Width,
    /// Inside diameter.
    Diameter,
    /// Radius of the half rounds.
    Radius,
    /// Straight part of the side.
    Straight,
    /// Inside height.
    Height,
    /// Capacity, when nothing else is known.
    Capacity,
    /// Bottom to outlet invert.
    LiquidDepth,
    /// Outlet invert to the underside of the top.
    Air,
    /// Outlet invert to the bottom of the outlet device.
    OutletDevice,
    /// Outlet invert to the top of the outlet device.
    OutletTop,
}

impl Dimension {
    const fn name(self) -> &'static str {
        match self {
            Self::Length => "Inside length",
            Self::Width => "Inside width",
            Self::Diameter => "Inside diameter",
            Self::Radius => "Radius of the rounds",
            Self::Straight => "Straight side",
            Self::Height => "Inside height",
            Self::Capacity => "Capacity below the outlet",
            Self::LiquidDepth => "Liquid depth",
            Self::Air => "Air above the outlet",
            Self::OutletDevice => "Outlet device, below outlet",
            Self::OutletTop => "Outlet device, above outlet",
        }
    }

    /// What a first touch of the keys starts from: a usual household tank, common practice.
    const fn first_mm(self) -> i64 {
        match self {
            Self::Length => 2_438,
            Self::Width | Self::Diameter | Self::Height => 1_524,
            Self::Radius => 610,
            Self::Straight => 305,
            Self::Capacity => 0,
            Self::LiquidDepth => 1_219,
            Self::Air => 229,
            Self::OutletDevice => 406,
            Self::OutletTop => 152,
        }
    }

    const fn of(self, c: &Compartment) -> Option<Length> {
        match self {
            Self::Length => c.length_mm,
            Self::Width => c.width_mm,
            Self::Diameter => c.diameter_mm,
            Self::Radius => c.radius_mm,
            Self::Straight => c.straight_mm,
            Self::Height => c.height_mm,
            Self::Capacity => None,
            Self::LiquidDepth => c.liquid_depth_mm,
            Self::Air => c.air_mm,
            Self::OutletDevice => c.outlet_device_mm,
            Self::OutletTop => c.outlet_top_mm,
        }
    }

    const fn set(self, c: &mut Compartment, length: Option<Length>) {
        match self {
            Self::Length => c.length_mm = length,
            Self::Width => c.width_mm = length,
            Self::Diameter => c.diameter_mm = length,
            Self::Radius => c.radius_mm = length,
            Self::Straight => c.straight_mm = length,
            Self::Height => c.height_mm = length,
            Self::Capacity => {}
            Self::LiquidDepth => c.liquid_depth_mm = length,
            Self::Air => c.air_mm = length,
            Self::OutletDevice => c.outlet_device_mm = length,
            Self::OutletTop => c.outlet_top_mm = length,
        }
    }
}

/// The sizes a shape is asked for, in the order they are measured.
#[must_use]
pub const fn dimensions_of(shape: ShapeKind) -> &'static [Dimension] {
    use Dimension::{
        Air, Capacity, Diameter, Height, Length, LiquidDepth, OutletDevice, OutletTop, Radius, Straight, Width,
    };
    match shape {
        ShapeKind::Box | ShapeKind::ObroundPlan => &[Length, Width, LiquidDepth, OutletDevice, Air, OutletTop],
        ShapeKind::UprightCylinder => &[Diameter, LiquidDepth, OutletDevice, Air, OutletTop],
        ShapeKind::LevelCylinder => &[Diameter, Length, LiquidDepth, OutletDevice, OutletTop],
        ShapeKind::ObroundSection => &[Radius, Straight, Length, LiquidDepth, OutletDevice, OutletTop],
        ShapeKind::EllipseSection => &[Height, Width, Length, LiquidDepth, OutletDevice, OutletTop],
        ShapeKind::DipTable => &[LiquidDepth, OutletDevice, OutletTop],
        ShapeKind::Nominal => &[Capacity, LiquidDepth, OutletDevice, Air, OutletTop],
    }
}

/// One row of a dip table on the sheet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct DipRowView {
    /// Depth with its unit.
    pub depth: String,
    /// Volume with its unit.
    pub volume: String,
    /// How it stands.
    pub verdict: Verdict,
    /// Why.
    pub message: String,
}

/// What the tank sheet shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TankView {
    /// Which tank of how many.
    pub tank_text: String,
    /// More than one tank.
    pub many_tanks: bool,
    /// Which compartment of how many.
    pub compartment_text: String,
    /// How many compartments.
    pub compartment_count: usize,
    /// Which is shown.
    pub compartment: usize,
    /// Its shape.
    pub shape: ShapeKind,
    /// Its sizes.
    pub dimensions: Vec<FigureView>,
    /// Which size the keys move.
    pub selected: usize,
    /// That size, large.
    pub figure: FigureView,
    /// Captions of the keys.
    pub nudges: (String, String),
    /// The shape to scale.
    pub drawing: Option<SectionDrawing>,
    /// What it holds.
    pub capacity_text: String,
    /// What to know about the figures.
    pub notes: Vec<String>,
    /// The dip table.
    pub dip_rows: Vec<DipRowView>,
    /// Name and last pump-out.
    pub facts: Vec<(String, String)>,
}

const CAPACITY_STEP: (f64, f64) = (50.0, 100.0);

impl App {
    /// Returns what the tank sheet shows.
    #[must_use]
    pub fn tank_view(&self) -> TankView {
        let Some(state) = self.stop.as_ref() else {
            return TankView::default();
        };
        let (Some(tank), Some(compartment)) = (state.tank(), state.compartment()) else {
            return TankView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let list = dimensions_of(compartment.shape);
        let dimensions = list
            .iter()
            .map(|dimension| self.dimension_view(*dimension, compartment))
            .collect::<Vec<_>>();
        let selected = state.dimension.min(list.len().saturating_sub(1));
        let (width_px, height_px) = state.tank_area;
        let drawing = tank_section(&shape_scene(compartment, figures.units), Area { width_px, height_px });
        let contents = state.assessment().map(|assessment| &assessment.contents);
        let own = contents
            .and_then(|contents| contents.compartments.get(state.compartment))
            .map(|c| c.liquid);
        let total = contents.map(|contents| contents.liquid);
        let count = state.compartments().len();
        let capacity_text = match (own.filter(|v| v.as_litres() > 0.5), total) {
            (Some(own), Some(total)) if count > 1 => words.f(
                "{0} below the outlet here, {1} in all",
                &[&figures.volume(own), &figures.volume(total)],
            ),
            (Some(own), _) => words.f("{0} below the outlet", &[&figures.volume(own)]),
            (None, _) => words.t("Give the sizes, or choose Capacity only."),
        };
        // While a size is missing every other flag only follows from that.
        let mut notes = match state.assessment() {
            _ if state
                .compartments()
                .iter()
                .any(|compartment| is_unmeasured(compartment)) =>
            {
                vec![words.t("A size is still missing: volumes and dates wait for it.")]
            }
            Some(assessment) => assessment
                .flags
                .iter()
                .filter_map(|flag| flag_text(flag, figures))
                .collect(),
            None => Vec::new(),
        };
        notes.push(words.t(match drawing.view {
            SectionView::Lengthwise => "Drawn lengthwise, to scale.",
            SectionView::Across => "Drawn across, to scale.",
            SectionView::Derived => "Drawn from the dip table.",
        }));
        let capacity_step = match figures.units {
            crate::domain::record::Units::UsCustomary => CAPACITY_STEP.0,
            crate::domain::record::Units::Metric => CAPACITY_STEP.1,
        };
        let nudges = if list.get(selected) == Some(&Dimension::Capacity) {
            (format!("+ {capacity_step}"), format!("− {capacity_step}"))
        } else {
            (
                figures.nudge_captions().0.to_owned(),
                figures.nudge_captions().1.to_owned(),
            )
        };
        TankView {
            tank_text: words.f(
                "tank {0} of {1}",
                &[&(state.tank + 1).to_string(), &state.shown().tanks.len().to_string()],
            ),
            many_tanks: state.shown().tanks.len() > 1,
            compartment_text: words.f(
                "compartment {0} of {1}",
                &[&(state.compartment + 1).to_string(), &count.to_string()],
            ),
            compartment_count: count,
            compartment: state.compartment,
            shape: compartment.shape,
            figure: dimensions.get(selected).cloned().unwrap_or_default(),
            dimensions,
            selected,
            nudges,
            drawing: Some(drawing),
            capacity_text,
            notes,
            dip_rows: self.dip_views(compartment),
            facts: vec![
                (
                    words.t("Name"),
                    if tank.name.is_empty() {
                        words.t("none")
                    } else {
                        tank.name.clone()
                    },
                ),
                (
                    words.t("Last emptied"),
                    tank.last_emptied
                        .map_or_else(|| words.t("not known"), |date| figures.date(date)),
                ),
            ],
        }
    }

    fn dimension_view(&self, dimension: Dimension, compartment: &Compartment) -> FigureView {
        let (words, figures) = (self.session.words(), self.session.figures());
        let value = if dimension == Dimension::Capacity {
            compartment
                .nominal_ml
                .map(|ml| figures.volume_value(Volume::from_whole_ml(ml)))
        } else {
            dimension
                .of(compartment)
                .map(|length| figures.mm_value(i64::from(length.as_mm())))
        };
        let unit = if dimension == Dimension::Capacity {
            figures.volume_unit()
        } else {
            figures.length_unit()
        };
        let optional = matches!(dimension, Dimension::Air | Dimension::OutletTop);
        FigureView {
            name: words.t(dimension.name()),
            verdict: if value.is_some() { Verdict::Ok } else { Verdict::Empty },
            message: match (&value, optional) {
                (None, true) => words.t("not measured: rules about it are left out"),
                (None, false) => words.t("needed"),
                (Some(_), _) => String::new(),
            },
            value: value.unwrap_or_else(|| "–".to_owned()),
            unit: unit.to_owned(),
        }
    }

    fn dip_views(&self, compartment: &Compartment) -> Vec<DipRowView> {
        if compartment.shape != ShapeKind::DipTable {
            return Vec::new();
        }
        let (words, figures) = (self.session.words(), self.session.figures());
        let mut before = (Length::ZERO, 0_i64);
        dip_rows(&compartment.dip_rows)
            .into_iter()
            .enumerate()
            .map(|(index, (depth, ml))| {
                let rises = index == 0 || (depth > before.0 && ml > before.1);
                before = (depth, ml);
                DipRowView {
                    depth: figures.length(depth),
                    volume: figures.volume(Volume::from_whole_ml(ml)),
                    verdict: if rises { Verdict::Ok } else { Verdict::Invalid },
                    message: if rises {
                        String::new()
                    } else {
                        words.f(
                            "Row {0} is not deeper and fuller than the row before. Check both.",
                            &[&(index + 1).to_string()],
                        )
                    },
                }
            })
            .collect()
    }

    /// The drawing's area has changed size.
    pub fn tank_resized(&mut self, width_px: f64, height_px: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.tank_area = (width_px, height_px);
        }
    }

    /// Adds a tank and shows it.
    pub fn tap_add_tank(&mut self) {
        self.change("another tank", |visit, new_id| {
            add_tank(visit, new_id);
        });
        if let Some(state) = self.stop.as_mut() {
            state.tank = state.visit.tanks.len().saturating_sub(1);
            state.compartment = 0;
            state.dimension = 0;
        }
    }

    /// Makes the tank one, two or three compartments. The last ones go first, and their readings stay in the record.
    pub fn tap_compartment_count(&mut self, count: usize) {
        let Some(tank) = self.stop.as_ref().and_then(|state| state.tank()).map(|tank| tank.id) else {
            return;
        };
        let count = count.clamp(1, 3);
        self.change("compartments", |visit, new_id| {
            let mut seen = 0_usize;
            let mut first: Option<Compartment> = None;
            for compartment in visit.compartments.iter_mut().filter(|c| c.tank == tank && !c.removed) {
                seen += 1;
                first.get_or_insert_with(|| compartment.clone());
                compartment.removed = seen > count;
            }
            while seen < count {
                let id = CompartmentId(new_id());
                let place = i64::try_from(seen).unwrap_or(0);
                // Compartments of one tank share its width and depths; only the length along the flow differs.
                let copied = first.clone().map_or_else(Compartment::default, |c| Compartment {
                    length_mm: None,
                    nominal_ml: None,
                    ..c
                });
                let at = visit
                    .compartments
                    .iter()
                    .rposition(|c| c.tank == tank)
                    .map_or(0, |at| at + 1);
                visit.compartments.insert(
                    at,
                    Compartment {
                        id,
                        tank,
                        place,
                        ..copied
                    },
                );
                seen += 1;
            }
        });
        if let Some(state) = self.stop.as_mut() {
            state.compartment = state.compartment.min(count - 1);
            state.dimension = 0;
        }
    }

    /// Shows another compartment.
    pub fn tap_compartment(&mut self, index: usize) {
        if let Some(state) = self.stop.as_mut() {
            state.compartment = index.min(state.compartments().len().saturating_sub(1));
            state.dimension = 0;
        }
    }

    fn change_compartment(&mut self, label: &str, change: impl FnOnce(&mut Compartment)) {
        let Some(id) = self.stop.as_ref().and_then(|state| state.compartment()).map(|c| c.id) else {
            return;
        };
        self.change(label, |visit, _| {
            if let Some(compartment) = visit.compartments.iter_mut().find(|compartment| compartment.id == id) {
                change(compartment);
            }
        });
    }

    pub(crate) fn change_tank(&mut self, label: &str, change: impl FnOnce(&mut Tank)) {
        let Some(id) = self.stop.as_ref().and_then(|state| state.tank()).map(|tank| tank.id) else {
            return;
        };
        self.change(label, |visit, _| {
            if let Some(tank) = visit.tanks.iter_mut().find(|tank| tank.id == id) {
                change(tank);
            }
        });
    }

    /// Chooses the shape. Sizes of other shapes stay in the record for when it is chosen back.
    pub fn tap_shape(&mut self, shape: ShapeKind) {
        self.change_compartment("tank shape", |compartment| compartment.shape = shape);
        if let Some(state) = self.stop.as_mut() {
            state.dimension = 0;
        }
    }

    /// Chooses which size the keys move.
    pub fn tap_dimension(&mut self, index: usize) {
        if let Some(state) = self.stop.as_mut() {
            state.dimension = index;
        }
    }

    fn selected_dimension(&self) -> Option<Dimension> {
        let state = self.stop.as_ref()?;
        dimensions_of(state.compartment()?.shape).get(state.dimension).copied()
    }

    /// One step more or less of the selected size.
    pub fn nudge_dimension(&mut self, steps: i32) {
        let figures = self.session.figures();
        let Some(dimension) = self.selected_dimension() else {
            return;
        };
        let Some(compartment) = self.stop.as_ref().and_then(|state| state.compartment()).cloned() else {
            return;
        };
        if dimension == Dimension::Capacity {
            let volume = compartment.nominal_ml.map_or_else(
                || figures.nudged_volume(Volume::from_us_gallons(1_000.0), 0, CAPACITY_STEP.0, CAPACITY_STEP.1),
                |ml| figures.nudged_volume(Volume::from_whole_ml(ml), steps, CAPACITY_STEP.0, CAPACITY_STEP.1),
            );
            self.set_nominal(volume);
            return;
        }
        let mm = dimension.of(&compartment).map_or_else(
            || figures.nudged(dimension.first_mm(), 0),
            |length| figures.nudged(i64::from(length.as_mm()), i64::from(steps)),
        );
        self.set_dimension_value(dimension, mm.max(0));
    }

    /// Opens the number pad on the selected size.
    pub fn tap_dimension_figure(&mut self) {
        let Some(dimension) = self.selected_dimension() else {
            return;
        };
        let index = self.stop.as_ref().map_or(0, |state| state.dimension);
        let kind = if dimension == Dimension::Capacity {
            PadKind::Volume
        } else {
            PadKind::Length
        };
        self.open_pad(PadTarget::Dimension(index), kind, dimension.name(), String::new());
    }

    pub(crate) fn set_dimension(&mut self, index: usize, mm: i64) {
        let shape = self
            .stop
            .as_ref()
            .and_then(|state| state.compartment())
            .map(|compartment| compartment.shape);
        if let Some(dimension) = shape.and_then(|shape| dimensions_of(shape).get(index).copied()) {
            self.set_dimension_value(dimension, mm);
        }
    }

    fn set_dimension_value(&mut self, dimension: Dimension, mm: i64) {
        let length = u32::try_from(mm).ok().map(Length::from_mm);
        self.change_compartment("tank size", |compartment| dimension.set(compartment, length));
    }

    pub(crate) fn set_nominal(&mut self, volume: Volume) {
        self.change_compartment("tank size", |compartment| compartment.nominal_ml = volume.as_whole_ml());
    }

    fn change_dip(&mut self, change: impl FnOnce(&mut Vec<(Length, i64)>)) {
        self.change_compartment("dip table", |compartment| {
            let mut rows = dip_rows(&compartment.dip_rows);
            change(&mut rows);
            compartment.dip_rows = dip_json(&rows);
        });
    }

    /// Opens the number pad on a row's depth.
    pub fn tap_dip_depth(&mut self, row: usize) {
        self.open_pad(PadTarget::DipDepth(row), PadKind::Length, "Depth", String::new());
    }

    /// Opens the number pad on a row's volume.
    pub fn tap_dip_volume(&mut self, row: usize) {
        self.open_pad(
            PadTarget::DipVolume(row),
            PadKind::Volume,
            "Volume below this depth",
            String::new(),
        );
    }

    pub(crate) fn set_dip_depth(&mut self, row: usize, mm: i64) {
        let Some(depth) = u32::try_from(mm).ok().map(Length::from_mm) else {
            return;
        };
        self.change_dip(|rows| {
            if let Some(row) = rows.get_mut(row) {
                row.0 = depth;
            }
        });
    }

    pub(crate) fn set_dip_volume(&mut self, row: usize, volume: Volume) {
        let Some(ml) = volume.as_whole_ml() else { return };
        self.change_dip(|rows| {
            if let Some(row) = rows.get_mut(row) {
                row.1 = ml;
            }
        });
    }

    /// Adds a row below the last, a step deeper and fuller.
    pub fn tap_add_dip_row(&mut self) {
        self.change_dip(|rows| {
            let (depth, ml) = rows.last().copied().unwrap_or_default();
            let added = Volume::from_us_gallons(250.0).as_whole_ml().unwrap_or(0);
            rows.push((
                Length::from_mm(depth.as_mm().saturating_add(305)),
                ml.saturating_add(added),
            ));
        });
    }

    /// Takes a row away.
    pub fn tap_remove_dip_row(&mut self, row: usize) {
        self.change_dip(|rows| {
            if row < rows.len() {
                rows.remove(row);
            }
        });
    }

    /// Opens the sheet on the tank's name or its last pump-out.
    pub fn tap_tank_fact(&mut self, index: usize) {
        let Some(tank) = self.stop.as_ref().and_then(|state| state.tank()).cloned() else {
            return;
        };
        if index == 0 {
            self.open_sheet(SheetTarget::TankName, "Tank name", tank.name, false);
        } else {
            let text = tank
                .last_emptied
                .map(|date| date.format("%Y-%m-%d").to_string())
                .unwrap_or_default();
            self.open_sheet(
                SheetTarget::LastEmptied,
                "Last emptied (year, or 2022-05-30)",
                text,
                false,
            );
        }
    }
}
