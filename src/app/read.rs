//! Read: what is in the tank?

use crate::app::overlay::{FigureView, PadKind, PadTarget, Verdict};
use crate::app::section::{Area, Edge, EdgeKind, SectionDrawing, SectionView, tank_section};
use crate::app::shell::App;
use crate::app::stop::{Quantity, reading_mut};
use crate::app::tank_scenes::{USUAL_LIQUID_DEPTH_MM, mean_mm, reading_scene};
use crate::domain::flags::{Flag, FlagCode};
use crate::domain::judge::{ClauseResult, ClauseUnit, Decision};
use crate::domain::record::{Compartment, CompartmentId, Visit};
use crate::domain::rules::RuleSet;
use crate::domain::units::{Length, round_to_i64};
use crate::exchange::inputs::{probes, probes_json};
use crate::say::figures::Figures;
use crate::say::words::Words;
use uuid::Uuid;

/// What the Read station shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadView {
    /// The tank in section.
    pub drawing: Option<SectionDrawing>,
    /// Which way the drawing looks.
    pub view_text: String,
    /// What is being read.
    pub quantity: Quantity,
    /// Its value, large.
    pub figure: FigureView,
    /// Captions of the nudge keys.
    pub nudges: (String, String),
    /// Values on the keys: level, scum, sludge, outlet device.
    pub values: [String; 4],
    /// More than one compartment or tank.
    pub many: bool,
    /// Which one.
    pub compartment_text: String,
    /// Several probes can be taken of what is selected.
    pub can_probe: bool,
    /// How many probes.
    pub probe_count: String,
    /// How far they lie apart.
    pub probe_spread: String,
    /// What the rule set says.
    pub decision: Option<Decision>,
    /// In a few words.
    pub verdict_title: String,
    /// Which clause, and by how much.
    pub verdict_line: String,
    /// Share of solids, 0 to 1, and the rule's limit.
    pub share: Option<f64>,
    /// The limit of the share, 0 to 1.
    pub limit: Option<f64>,
    /// The limit as text.
    pub limit_text: String,
    /// What looks odd: kept, and said.
    pub flag_text: String,
}

impl App {
    fn selected_edge(&self) -> Option<Edge> {
        let state = self.stop.as_ref()?;
        let kind = match state.quantity {
            Quantity::Level => EdgeKind::Level,
            Quantity::Scum => EdgeKind::ScumBottom,
            Quantity::Sludge => EdgeKind::SludgeTop,
            Quantity::Device => EdgeKind::DeviceBottom,
        };
        Some(Edge { kind, part: 0 })
    }

    fn read_drawing(&self) -> Option<SectionDrawing> {
        let state = self.stop.as_ref()?;
        let rule_set = self.session.rule_set(&state.shown().site);
        let scene = reading_scene(
            state,
            rule_set.as_deref(),
            self.selected_edge(),
            self.session.setup().units,
        );
        let (width_px, height_px) = state.read_area;
        Some(tank_section(&scene, Area { width_px, height_px }))
    }

    fn quantity_mm(&self, quantity: Quantity) -> Option<i64> {
        let state = self.stop.as_ref()?;
        let compartment = state.compartment()?;
        let reading = state.reading_of(compartment.id);
        match quantity {
            Quantity::Level => reading.and_then(|reading| reading.level_mm),
            Quantity::Scum => reading.and_then(|reading| reading.scum_mm).map(whole_mm),
            // The depth at the tool in hand; with probes taken, their mean is what counts, and it is shown beside them.
            Quantity::Sludge => {
                let probed = reading
                    .and_then(|reading| mean_mm(&probes(&reading.probes_mm)))
                    .map(i64::from);
                reading.and_then(|reading| reading.sludge_mm).map(whole_mm).or(probed)
            }
            Quantity::Device => compartment.outlet_device_mm.map(whole_mm),
        }
    }

    /// Returns what the Read station shows.
    #[must_use]
    pub fn read_view(&self) -> ReadView {
        let Some(state) = self.stop.as_ref() else {
            return ReadView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let drawing = self.read_drawing();
        let value = self.quantity_mm(state.quantity);
        let (name, message) = match state.quantity {
            Quantity::Level => (words.t("Liquid level"), level_message(value, figures)),
            Quantity::Scum => (words.t("Scum thickness"), String::new()),
            Quantity::Sludge => (words.t("Sludge depth"), String::new()),
            Quantity::Device => (words.t("Outlet device, below outlet"), String::new()),
        };
        let key = |quantity: Quantity| match (quantity, self.quantity_mm(quantity)) {
            (_, None) => words.t("not read"),
            (Quantity::Level, Some(0)) => words.t("at outlet"),
            (_, Some(mm)) => figures.mm(mm),
        };
        let compartments = state.compartments().len();
        let tanks = state.shown().tanks.len();
        let probe_list = state
            .compartment()
            .and_then(|compartment| state.reading_of(compartment.id))
            .map(|reading| probes(&reading.probes_mm))
            .unwrap_or_default();
        let contents = state.assessment().map(|assessment| &assessment.contents);
        let verdict = state.assessment().map(|assessment| &assessment.verdict);
        let clause = verdict.and_then(|verdict| verdict.binding_clause());
        let share_limit = verdict.and_then(|verdict| verdict.clauses.iter().find(|c| c.unit == ClauseUnit::Share));
        // A rule that counts depth is shown against the share by depth, not by volume.
        let by_depth = share_limit.is_some_and(|c| c.id.contains("depth"));
        let share = contents.and_then(|c| {
            if by_depth {
                c.fraction_depth
            } else {
                c.fraction_volume.or(c.fraction_depth)
            }
        });
        let rule_name = self
            .session
            .rule_set(&state.shown().site)
            .map(|set| rule_name(&set, words))
            .unwrap_or_default();
        ReadView {
            view_text: drawing
                .as_ref()
                .map(|drawing| {
                    words.t(match drawing.view {
                        SectionView::Lengthwise => "seen lengthwise",
                        SectionView::Across => "seen across",
                        SectionView::Derived => "drawn from the dip table",
                    })
                })
                .unwrap_or_default(),
            drawing,
            quantity: state.quantity,
            figure: FigureView {
                name,
                value: value.map_or_else(|| "–".to_owned(), |mm| figures.mm_value(mm)),
                unit: figures.length_unit().to_owned(),
                verdict: if value.is_some() { Verdict::Ok } else { Verdict::Empty },
                message,
            },
            nudges: (
                figures.nudge_captions().0.to_owned(),
                figures.nudge_captions().1.to_owned(),
            ),
            values: [
                key(Quantity::Level),
                key(Quantity::Scum),
                key(Quantity::Sludge),
                key(Quantity::Device),
            ],
            many: compartments > 1 || tanks > 1,
            compartment_text: place_text(state.tank, tanks, state.compartment, compartments, figures),
            can_probe: state.quantity == Quantity::Sludge,
            probe_count: match probe_list.len() {
                0 => words.t("at this depth"),
                count => words.n("{0} probe", "{0} probes", count),
            },
            probe_spread: spread_text(&probe_list, figures),
            decision: verdict.map(|verdict| verdict.decision),
            verdict_title: share.map_or_else(
                || words.t("Read scum and sludge"),
                |share| words.f("{0} of the liquid is solids", &[&figures.percent(share)]),
            ),
            verdict_line: verdict_line(verdict.map(|verdict| verdict.decision), clause, &rule_name, figures),
            share,
            limit: share_limit.and_then(|clause| clause.limit),
            limit_text: share_limit
                .and_then(|clause| clause.limit)
                .map(|l| figures.percent(l))
                .unwrap_or_default(),
            flag_text: self.read_flags(),
        }
    }

    /// What looks odd in the readings, worst first; what is merely missing is said elsewhere.
    fn read_flags(&self) -> String {
        let Some(assessment) = self.stop.as_ref().and_then(|state| state.assessment()) else {
            return String::new();
        };
        let figures = self.session.figures();
        let sizes_missing = self
            .stop
            .as_ref()
            .is_some_and(|state| state.compartments().iter().any(|c| is_unmeasured(c)));
        if sizes_missing {
            return figures
                .words
                .t("Tank size not known yet: tap Tank. Drawn at a usual size meanwhile.");
        }
        // A level off the outlet is no fault of the reading but of the tank: it is a warning, and the place to say it is here.
        let level = |flag: &&Flag| matches!(flag.code, FlagCode::LevelHigh | FlagCode::LevelLow);
        assessment
            .flags
            .iter()
            .chain(assessment.warnings.iter().filter(level))
            .filter_map(|flag| flag_text(flag, figures))
            .collect::<Vec<_>>()
            .join(" ")
    }

    /// The drawing's area has changed size.
    pub fn read_resized(&mut self, width_px: f64, height_px: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.read_area = (width_px, height_px);
        }
    }

    /// A finger came down on the drawing: the nearest edge is taken hold of.
    pub fn read_pressed(&mut self, x: f64, y: f64) {
        let Some(drawing) = self.read_drawing() else { return };
        let edge = drawing.to_edge(x, y);
        let Some(state) = self.stop.as_mut() else { return };
        if let Some(edge) = edge {
            state.quantity = match edge.kind {
                EdgeKind::Level => Quantity::Level,
                EdgeKind::ScumBottom => Quantity::Scum,
                EdgeKind::SludgeTop => Quantity::Sludge,
                EdgeKind::DeviceBottom => Quantity::Device,
                EdgeKind::LidTop => return,
            };
            state.grabbed = Some(edge);
            state.held = Some(drawing);
        }
    }

    /// The finger moves: the edge follows, to the nudge's own steps.
    pub fn read_dragged(&mut self, _x: f64, y: f64) {
        let figures = self.session.figures();
        let Some(state) = self.stop.as_ref() else { return };
        let (Some(held), Some(edge), Some(compartment)) = (state.held.as_ref(), state.grabbed, state.compartment())
        else {
            return;
        };
        let Some(mm) = held.value_at(edge, y) else { return };
        let (quantity, id) = (state.quantity, compartment.id);
        let snapped = match figures.units {
            crate::domain::record::Units::UsCustomary => figures.nudged(i64::from(mm), 0),
            crate::domain::record::Units::Metric => (i64::from(mm) + 5).div_euclid(10) * 10,
        };
        let mm = if quantity == Quantity::Level {
            snapped.clamp(-3_000, 1_000)
        } else {
            snapped.clamp(0, 5_000)
        };
        self.preview(|visit, new_id| set_quantity(visit, id, quantity, mm, new_id));
    }

    /// The finger let go: what it drew is kept.
    pub fn read_released(&mut self) {
        let Some(state) = self.stop.as_mut() else { return };
        let dragged = state.preview.clone();
        let label = quantity_label(state.quantity);
        state.grabbed = None;
        state.held = None;
        if let Some(dragged) = dragged {
            self.change(label, |visit, _| *visit = dragged);
        }
    }

    /// What is to be read.
    pub fn tap_quantity(&mut self, quantity: Quantity) {
        if let Some(state) = self.stop.as_mut() {
            state.quantity = quantity;
        }
    }

    /// One step more or less of what is selected.
    pub fn nudge_reading(&mut self, steps: i32) {
        let figures = self.session.figures();
        let Some(quantity) = self.stop.as_ref().map(|state| state.quantity) else {
            return;
        };
        let mm = self.quantity_mm(quantity).map_or_else(
            // The first touch on a layer nobody has read shows where it starts from.
            || figures.nudged(first_mm(quantity), 0),
            |mm| figures.nudged(mm, i64::from(steps)),
        );
        let mm = if quantity == Quantity::Level { mm } else { mm.max(0) };
        self.set_reading(quantity, mm);
    }

    /// Opens the number pad on what is selected.
    pub fn tap_reading(&mut self) {
        let Some(quantity) = self.stop.as_ref().map(|state| state.quantity) else {
            return;
        };
        let (kind, title) = match quantity {
            Quantity::Level => (PadKind::SignedLength, "Liquid level above the outlet"),
            Quantity::Scum => (PadKind::Length, "Scum thickness"),
            Quantity::Sludge => (PadKind::Length, "Sludge depth"),
            Quantity::Device => (PadKind::Length, "Outlet device, below outlet"),
        };
        self.open_pad(PadTarget::Reading(quantity), kind, title, String::new());
    }

    pub(crate) fn set_reading(&mut self, quantity: Quantity, mm: i64) {
        let Some(id) = self
            .stop
            .as_ref()
            .and_then(|state| state.compartment())
            .map(|compartment| compartment.id)
        else {
            return;
        };
        self.change(quantity_label(quantity), |visit, new_id| {
            set_quantity(visit, id, quantity, mm, new_id);
        });
    }

    /// Adds the sludge depth shown to the probes; from then on their mean is the depth and their spread its error.
    pub fn tap_probe(&mut self) {
        let Some(state) = self.stop.as_ref() else { return };
        let Some(id) = state.compartment().map(|compartment| compartment.id) else {
            return;
        };
        let depth_read = state.reading_of(id).and_then(|reading| reading.sludge_mm);
        let Some(depth) = depth_read.or_else(|| {
            self.quantity_mm(Quantity::Sludge)
                .and_then(|mm| u32::try_from(mm).ok())
                .map(Length::from_mm)
        }) else {
            self.say_nothing_to_do(
                "No sludge depth to add yet.",
                "Set the depth, then tap Probe; set the next, tap again.",
            );
            return;
        };
        self.change("sludge probe", |visit, new_id| {
            if let Some(reading) = reading_mut(visit, id, new_id) {
                let mut taken = probes(&reading.probes_mm);
                taken.push(depth);
                reading.probes_mm = probes_json(&taken);
            }
        });
    }
}

/// Whether a size that volumes need is still missing.
pub(crate) fn is_unmeasured(compartment: &Compartment) -> bool {
    crate::exchange::inputs::shape_of(compartment).is_none() || compartment.liquid_depth_mm.is_none()
}

fn whole_mm(length: Length) -> i64 {
    i64::from(length.as_mm())
}

fn first_mm(quantity: Quantity) -> i64 {
    match quantity {
        Quantity::Level => 0,
        Quantity::Scum => 51,
        Quantity::Sludge => 152,
        // 40 % of the usual depth at the most: NC 18A .1954 (a)(6) gives 25 to 40 %.
        Quantity::Device => i64::from(USUAL_LIQUID_DEPTH_MM) / 3,
    }
}

const fn quantity_label(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Level => "liquid level",
        Quantity::Scum => "scum",
        Quantity::Sludge => "sludge",
        Quantity::Device => "outlet device",
    }
}

fn set_quantity(visit: &mut Visit, id: CompartmentId, quantity: Quantity, mm: i64, new_id: &mut dyn FnMut() -> Uuid) {
    let length = u32::try_from(mm).ok().map(Length::from_mm);
    if quantity == Quantity::Device {
        if let Some(compartment) = visit.compartments.iter_mut().find(|compartment| compartment.id == id) {
            compartment.outlet_device_mm = length;
        }
        return;
    }
    let Some(reading) = reading_mut(visit, id, new_id) else {
        return;
    };
    match quantity {
        Quantity::Level => reading.level_mm = Some(mm),
        Quantity::Scum => reading.scum_mm = length,
        // With probes taken, this is the next probe's depth; it counts when Probe is tapped.
        Quantity::Sludge => reading.sludge_mm = length,
        Quantity::Device => {}
    }
}

fn level_message(mm: Option<i64>, figures: Figures) -> String {
    match mm {
        None => String::new(),
        Some(0) => figures.words.t("at the outlet"),
        Some(mm) if mm > 0 => figures.words.t("above the outlet"),
        Some(_) => figures.words.t("below the outlet"),
    }
}

fn spread_text(list: &[Length], figures: Figures) -> String {
    match (list.iter().min(), list.iter().max()) {
        (Some(least), Some(most)) if list.len() > 1 => {
            let mean = i64::from(mean_mm(list).unwrap_or(0));
            figures.words.f(
                "mean {2}, from {0} to {1}",
                &[
                    &figures.mm_value(whole_mm(*least)),
                    &figures.mm_value(whole_mm(*most)),
                    &figures.mm(mean),
                ],
            )
        }
        _ => String::new(),
    }
}

fn place_text(tank: usize, tanks: usize, compartment: usize, compartments: usize, figures: Figures) -> String {
    let words = figures.words;
    let side = if compartments < 2 {
        String::new()
    } else if compartment == 0 {
        words.f("inlet side, {0} of {1}", &["1", &compartments.to_string()])
    } else if compartment + 1 == compartments {
        words.f(
            "outlet side, {0} of {1}",
            &[&(compartment + 1).to_string(), &compartments.to_string()],
        )
    } else {
        words.f(
            "middle, {0} of {1}",
            &[&(compartment + 1).to_string(), &compartments.to_string()],
        )
    };
    if tanks < 2 {
        return side;
    }
    let tank = words.f("tank {0} of {1}", &[&(tank + 1).to_string(), &tanks.to_string()]);
    if side.is_empty() {
        tank
    } else {
        format!("{tank}, {side}")
    }
}

/// The name of a rule set with its section, as it is quoted.
#[must_use]
pub fn rule_name(set: &RuleSet, words: Words) -> String {
    let name = words.rule_set(set);
    if set.section.is_empty() || set.section == "none" {
        name
    } else {
        format!("{name}, {}", set.section)
    }
}

/// Says which clause binds and by how much.
#[must_use]
pub fn verdict_line(
    decision: Option<Decision>,
    clause: Option<&ClauseResult>,
    rule_name: &str,
    figures: Figures,
) -> String {
    let words = figures.words;
    let Some(clause) = clause else {
        return words.f("{0}: scum and sludge are not both read yet", &[rule_name]);
    };
    let amount = |value: f64| match clause.unit {
        ClauseUnit::Millimetre => figures.mm(round_to_i64(value).unwrap_or(0)),
        ClauseUnit::Share => figures.percent(value),
        ClauseUnit::Year => figures.years(value),
    };
    let (Some(value), Some(limit)) = (clause.value, clause.limit) else {
        return words.f("{0}: scum and sludge are not both read yet", &[rule_name]);
    };
    let subject = words.t(match (clause.unit, clause.id.as_str()) {
        (ClauseUnit::Share, _) => "solids",
        (ClauseUnit::Year, _) => "time since pumped",
        (ClauseUnit::Millimetre, id) if id.contains("top") => "scum top to top of outlet device",
        (ClauseUnit::Millimetre, id) if id.contains("scum") => "scum to bottom of outlet device",
        (ClauseUnit::Millimetre, _) => "sludge to bottom of outlet device",
    });
    let what = words.f("{0} {1}, limit {2}", &[&subject, &amount(value), &amount(limit)]);
    let end = match decision {
        Some(Decision::Pump) if clause.at_limit => words.t("pump: at the limit"),
        Some(Decision::Pump) => words.t("pump"),
        Some(Decision::NotYet) => words.t("not yet"),
        Some(Decision::NotMeasured) | None => words.t("not measured"),
    };
    format!("{end} · {what} · {rule_name}")
}

/// Words a flag about the readings or the tank; `None` for what another line already says.
#[must_use]
pub fn flag_text(flag: &Flag, figures: Figures) -> Option<String> {
    let text = match flag.code {
        FlagCode::LayersOverlap => "Scum and sludge overlap: kept as read. Read both again.",
        FlagCode::SludgeAboveTop => "Sludge deeper than the tank: kept as read. Check the tank's depth.",
        FlagCode::ScumBelowBottom => "Scum thicker than the liquid: kept as read. Read it again.",
        FlagCode::LevelAboveTop => "Liquid above the top of the tank: kept as read. Check the level.",
        FlagCode::LevelBelowBottom => "Liquid below the bottom: kept as read. Check the level.",
        FlagCode::LevelHigh => "Liquid above the outlet: outlet, filter or field may be blocked.",
        FlagCode::LevelLow => "Liquid below the outlet: pumped lately, or the tank leaks.",
        FlagCode::HeelAboveCapacity => "More left in than the tank holds: kept. Check the figure.",
        FlagCode::LiquidAboveTop => "The outlet lies above the inside height: check the sizes.",
        FlagCode::OutletBelowBottom => "The outlet device reaches below the bottom: check its depth.",
        FlagCode::ZeroSize => "A size is zero: check the tank.",
        FlagCode::ImplausibleSize => "A size is larger than any tank: check the digits.",
        FlagCode::WiderThanLong => "Wider than long: check the two sizes.",
        FlagCode::DipNotMonotone => "The dip table does not rise row by row: check it.",
        FlagCode::DipEmpty => "The dip table is empty.",
        FlagCode::DipTooShort => "The dip table ends below the liquid depth: add a row.",
        FlagCode::FractionsAssumedEqual => "Only the capacity is known: shares by depth and volume are taken as equal.",
        FlagCode::CompartmentNotRead => "A compartment is not read yet: the share is at least this.",
        FlagCode::VisitBeforeLastEmptied => "The last pump-out lies after this stop: check its date at Tank.",
        FlagCode::HistoryAfterVisit => "An earlier stop is dated after this one: check the phone's date.",
        FlagCode::ManyResidents => "More people than a household: check the number.",
        FlagCode::OutsideTable => "This size is outside the published table: its nearest row is used.",
        _ => return None,
    };
    Some(figures.words.t(text))
}
