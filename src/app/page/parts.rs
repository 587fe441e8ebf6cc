//! What each part of the tank looks like, told by tapping it in the drawing.

use super::{PageChoice, PageRow, PageText, PageView, Rows, SpotView, Target};
use crate::app::leave::capitalised;
use crate::app::overlay::SheetTarget;
use crate::app::section::{Area, SectionDrawing, tank_section};
use crate::app::shell::App;
use crate::app::stop::StopState;
use crate::app::tank_scenes::tank_today;
use crate::domain::cautions::Caution;
use crate::domain::record::{Condition, ConditionId, LidId, PartState, PhotoPart, TankId, TankPart};
use crate::say::figures::Figures;

/// Room at the right of the drawing for the pump chamber, dp.
const CHAMBER_DP: f64 = 104.0;
/// A place to tap is this far from the edges of the drawing, dp.
const INSET_DP: f64 = 48.0;
/// Places to tap stand this far apart, dp.
const STEP_DP: f64 = 64.0;
/// The least distance of two places to tap that stand beside each other.
const ASIDE_DP: f64 = 92.0;

/// A place to tap, and what it stands for.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct PartSpot {
    pub part: TankPart,
    pub lid: Option<LidId>,
    pub x: f64,
    pub y: f64,
}

/// What a part can look like, the likeliest first.
pub(super) const fn states_of(part: TankPart) -> &'static [PartState] {
    use PartState::{
        Broken, Cleaned, Clogged, Corroded, Cracked, Dead, HighLevel, Leaking, Loose, Missing, Packed, Ringing, Roots,
        Sound, Stuck,
    };
    match part {
        TankPart::Inlet | TankPart::Outlet => &[Sound, Packed, Loose, Broken, Missing, Corroded, Roots],
        TankPart::Filter => &[Sound, Clogged, Cleaned, Broken, Missing],
        TankPart::Baffle => &[Sound, Cracked, Broken, Corroded, Missing],
        TankPart::Wall => &[Sound, Cracked, Corroded, Roots, Leaking],
        TankPart::Lid => &[Sound, Cracked, Broken, Missing, Corroded],
        TankPart::PumpChamber => &[Sound, HighLevel, Corroded, Roots, Leaking],
        TankPart::Alarm => &[Sound, Ringing, Dead, Missing],
        TankPart::Floats => &[Sound, Stuck, Broken, Missing],
    }
}

/// What a photo of the part shows.
pub(crate) const fn photo_part(part: TankPart) -> PhotoPart {
    match part {
        TankPart::Inlet => PhotoPart::Inlet,
        TankPart::Outlet => PhotoPart::Outlet,
        TankPart::Filter => PhotoPart::Filter,
        TankPart::Baffle => PhotoPart::Baffle,
        TankPart::Wall => PhotoPart::Wall,
        TankPart::Lid => PhotoPart::Lid,
        TankPart::PumpChamber | TankPart::Alarm | TankPart::Floats => PhotoPart::PumpChamber,
    }
}

fn part_text(part: TankPart, figures: Figures) -> String {
    figures.words.t(match part {
        TankPart::Inlet => "Inlet",
        TankPart::Outlet => "Outlet",
        TankPart::Filter => "Filter",
        TankPart::Baffle => "Dividing wall",
        TankPart::Wall => "Walls",
        TankPart::Lid => "Lid",
        TankPart::PumpChamber => "Pump chamber",
        TankPart::Alarm => "Alarm",
        TankPart::Floats => "Floats",
    })
}

fn state_text(part: TankPart, state: PartState, figures: Figures) -> String {
    figures.words.t(match (part, state) {
        (TankPart::Filter, PartState::Sound) => "clean",
        (TankPart::PumpChamber, PartState::Sound) => "level as it should be",
        (TankPart::Alarm, PartState::Sound) => "quiet, and works when tested",
        (TankPart::Floats, PartState::Sound) => "hang free",
        (_, PartState::Sound) => "sound",
        (_, PartState::Packed) => "packed with paper, grease or scum",
        (_, PartState::Clogged) => "clogged",
        (_, PartState::Cleaned) => "cleaned at this stop",
        (_, PartState::Loose) => "loose",
        (_, PartState::Cracked) => "cracked",
        (_, PartState::Broken) => "broken",
        (_, PartState::Missing) => "not there",
        (_, PartState::Corroded) => "eaten away",
        (_, PartState::Roots) => "roots grow in",
        (_, PartState::Leaking) => "water comes through",
        (_, PartState::HighLevel) => "level above where the pump should start",
        (_, PartState::Ringing) => "is on",
        (_, PartState::Dead) => "does not work when tested",
        (_, PartState::Stuck) => "stuck or tangled",
    })
}

const fn is_fault(state: PartState) -> bool {
    !matches!(state, PartState::Sound | PartState::Cleaned)
}

fn conditions_of(state: &StopState, tank: TankId, part: TankPart, lid: Option<LidId>) -> Vec<&Condition> {
    state
        .shown()
        .conditions
        .iter()
        .filter(|each| each.tank == tank && each.part == part && each.lid == lid && !each.removed)
        .collect()
}

/// The part by its name, with the lid's own.
fn title_of(state: &StopState, part: TankPart, lid: Option<LidId>, figures: Figures) -> String {
    let name = lid.and_then(|id| state.shown().lids.iter().find(|lid| lid.id == id));
    match name {
        Some(lid) => capitalised(&crate::app::dig::lid_title(&lid.name, figures.words)),
        None => part_text(part, figures),
    }
}

/// What was recorded of a part, states and notes.
fn standing(conditions: &[&Condition], figures: Figures) -> String {
    let states = conditions
        .iter()
        .filter_map(|each| each.state.map(|state| state_text(each.part, state, figures)));
    let notes = conditions
        .iter()
        .filter(|each| !each.note.is_empty())
        .map(|each| each.note.clone());
    states.chain(notes).collect::<Vec<_>>().join(", ")
}

/// What was recorded of every part, a line each, for the customer: what is sound in one line, the rest each on its own.
pub(super) fn part_lines(state: &StopState, figures: Figures) -> Vec<String> {
    let visit = state.shown();
    let many = visit.tanks.len() > 1;
    let mut seen: Vec<(TankId, TankPart, Option<LidId>)> = Vec::new();
    let mut lines = Vec::new();
    for each in visit.conditions.iter().filter(|each| !each.removed) {
        let key = (each.tank, each.part, each.lid);
        if seen.contains(&key) {
            continue;
        }
        seen.push(key);
        let text = standing(&conditions_of(state, each.tank, each.part, each.lid), figures);
        if text.is_empty() {
            continue;
        }
        let line = format!("{}: {text}.", title_of(state, each.part, each.lid, figures));
        let place = visit.tanks.iter().position(|tank| tank.id == each.tank);
        lines.push(match place.filter(|_| many) {
            Some(place) => figures.words.f("Tank {0}: {1}", &[&(place + 1).to_string(), &line]),
            None => line,
        });
    }
    lines
}

impl App {
    fn parts_drawing(&self) -> Option<SectionDrawing> {
        let state = self.stop.as_ref()?;
        let tank = state.tank()?;
        let scene = tank_today(state.shown(), tank, false, self.session.setup().units);
        let (width_px, height_px) = state.page.area;
        Some(tank_section(
            &scene,
            Area {
                width_px: (width_px - CHAMBER_DP).max(1.0),
                height_px,
            },
        ))
    }

    /// The places to tap, from the drawing itself: lids over their lids, inlet and outlet at the outlet's height.
    pub(super) fn part_spots(&self) -> Vec<PartSpot> {
        let (Some(drawing), Some(state)) = (self.parts_drawing(), self.stop.as_ref()) else {
            return Vec::new();
        };
        let Some(tank) = state.tank().map(|tank| tank.id) else {
            return Vec::new();
        };
        let (width, height) = state.page.area;
        let inner = (width - CHAMBER_DP).max(2.0 * INSET_DP);
        let within = |x: f64| x.clamp(INSET_DP, (inner - INSET_DP).max(INSET_DP));
        let top = 34.0;
        let low = (height - 34.0).max(top);
        let pipe_y = drawing
            .invert_y()
            .unwrap_or(height / 2.0)
            .max(top + STEP_DP)
            .min(low - STEP_DP);
        let spot = |part, lid, x: f64, y: f64| PartSpot { part, lid, x, y };
        let mut spots = Vec::new();
        let lids: Vec<_> = state
            .shown()
            .lids
            .iter()
            .filter(|lid| lid.tank == tank && !lid.removed)
            .collect();
        for (place, lid) in lids.iter().enumerate() {
            // Evenly, so that two lids close together can both be hit.
            let share = (index(place) + 0.5) / index(lids.len()).max(1.0);
            spots.push(spot(TankPart::Lid, Some(lid.id), within(inner * share), top));
        }
        spots.push(spot(TankPart::Inlet, None, INSET_DP, pipe_y));
        if state.compartments().len() > 1 {
            let middle = drawing.divide_x().unwrap_or(inner / 2.0);
            let (left, right) = (INSET_DP + ASIDE_DP, inner - INSET_DP - ASIDE_DP);
            // Where three do not fit beside each other, the wall's stands a step lower, clear of the filter's.
            spots.push(if left <= right {
                spot(TankPart::Baffle, None, middle.clamp(left, right), pipe_y)
            } else {
                spot(TankPart::Baffle, None, right.max(INSET_DP), (pipe_y + STEP_DP).min(low))
            });
        }
        spots.push(spot(TankPart::Outlet, None, inner - INSET_DP, pipe_y));
        spots.push(spot(
            TankPart::Filter,
            None,
            inner - INSET_DP,
            (pipe_y + STEP_DP).min(low),
        ));
        spots.push(spot(TankPart::Wall, None, within(inner / 2.0 - 40.0), low));
        let chamber = width - CHAMBER_DP / 2.0;
        for (place, part) in [TankPart::Alarm, TankPart::PumpChamber, TankPart::Floats]
            .into_iter()
            .enumerate()
        {
            let y = top + (low - top) * index(place) / 2.0;
            spots.push(spot(part, None, chamber, y));
        }
        spots
    }

    pub(super) fn parts_page(&self) -> PageView {
        let figures = self.session.figures();
        let (words, says) = (figures.words, self.findings());
        let Some(state) = self.stop.as_ref() else {
            return PageView::default();
        };
        let Some(tank) = state.tank().map(|tank| tank.id) else {
            return PageView::default();
        };
        let spots = self
            .part_spots()
            .into_iter()
            .map(|spot| {
                let conditions = conditions_of(state, tank, spot.part, spot.lid);
                let states: Vec<PartState> = conditions.iter().filter_map(|each| each.state).collect();
                let fault = states.iter().any(|state| is_fault(*state));
                SpotView {
                    x: spot.x,
                    y: spot.y,
                    name: title_of(state, spot.part, spot.lid, figures),
                    // In the drawing there is room for one word; the row below has them all.
                    state: match states.len() {
                        0 => String::new(),
                        _ if fault => words.t("see below"),
                        _ => words.t("sound"),
                    },
                    fault,
                }
            })
            .collect();
        let tanks = state.shown().tanks.len();
        let mut lead = vec![words.t("Tap a part in the drawing and say what it looks like from above.")];
        if tanks > 1 {
            lead.insert(
                0,
                words.f("tank {0} of {1}", &[&(state.tank + 1).to_string(), &tanks.to_string()]),
            );
        }
        PageView {
            title: words.t("Parts"),
            cautions: vec![
                says.caution(Caution::StayOut),
                says.caution(Caution::LidsShut),
                says.caution(Caution::PumpPower),
            ],
            lead,
            drawing: self.parts_drawing(),
            spots,
            keys: [words.t("What it says"), String::new()],
            ..PageView::default()
        }
    }

    pub(super) fn parts_rows(&self) -> Rows {
        let figures = self.session.figures();
        let words = figures.words;
        let Some(state) = self.stop.as_ref() else {
            return Rows::new();
        };
        let Some(tank) = state.tank().map(|tank| tank.id) else {
            return Rows::new();
        };
        let large = self.text_scale() > 1.3;
        self.part_spots()
            .into_iter()
            .filter_map(|spot| {
                let text = standing(&conditions_of(state, tank, spot.part, spot.lid), figures);
                let photos = self.photos_of_part(spot.part, spot.lid);
                let mut detail = vec![text];
                if photos > 0 {
                    detail.push(words.n("{0} photo", "{0} photos", photos));
                }
                detail.retain(|part| !part.is_empty());
                // The words in the drawing stay small; who reads large ones finds every part below it.
                (large || !detail.is_empty()).then(|| {
                    let row = PageRow {
                        title: title_of(state, spot.part, spot.lid, figures),
                        detail: detail.join(" · "),
                        opens: true,
                        ..PageRow::default()
                    };
                    (row, Target::Part(spot.part, spot.lid))
                })
            })
            .collect()
    }

    /// How many of the stop's photos show the part of the tank on the screen.
    fn photos_of_part(&self, part: TankPart, lid: Option<LidId>) -> usize {
        let Some(state) = self.stop.as_ref() else { return 0 };
        let tank = state.tank().map(|tank| tank.id);
        state
            .photos
            .list
            .iter()
            .filter(|photo| {
                photo.stop == state.stop_id()
                    && photo.part == photo_part(part)
                    && photo.tank == tank
                    && photo.lid == lid
                    && !photo.removed
            })
            .count()
    }

    pub(super) fn open_part(&mut self, part: TankPart, lid: Option<LidId>) {
        let figures = self.session.figures();
        let words = figures.words;
        let Some(state) = self.stop.as_mut() else { return };
        let Some(tank) = state.tank().map(|tank| tank.id) else {
            return;
        };
        state.page.part = Some((part, lid));
        state.page.states = states_of(part).to_vec();
        let title = title_of(state, part, lid, figures);
        let conditions = conditions_of(state, tank, part, lid);
        let mut rows: Vec<(String, String)> = states_of(part)
            .iter()
            .map(|each| {
                let stands = conditions.iter().any(|condition| condition.state == Some(*each));
                let mark = if stands {
                    words.t("recorded; a tap takes it back")
                } else {
                    String::new()
                };
                (capitalised(&state_text(part, *each, figures)), mark)
            })
            .collect();
        let note = conditions
            .iter()
            .find(|condition| !condition.note.is_empty())
            .map(|condition| condition.note.clone())
            .unwrap_or_default();
        rows.push((words.t("Note"), note));
        rows.push((words.t("Take a photo"), String::new()));
        rows.push((words.t("A photo from a file"), String::new()));
        self.open_page_list(PageChoice::Part, title, rows);
    }

    pub(super) fn part_chosen(&mut self, index: usize) {
        let Some(state) = self.stop.as_mut() else { return };
        let Some((part, lid)) = state.page.part else { return };
        let states = std::mem::take(&mut state.page.states);
        let Some(tank) = state.tank().map(|tank| tank.id) else {
            return;
        };
        if let Some(chosen) = states.get(index).copied() {
            self.change("condition", |visit, new_id| {
                let stop = visit.stop.id;
                let same =
                    |each: &Condition| each.tank == tank && each.part == part && each.lid == lid && !each.removed;
                let mut took_back = false;
                for each in visit.conditions.iter_mut().filter(|each| same(each)) {
                    if each.state == Some(chosen) {
                        each.removed = true;
                        took_back = true;
                    } else if (chosen == PartState::Sound && each.state.is_some_and(is_fault))
                        || (each.state == Some(PartState::Sound) && is_fault(chosen))
                    {
                        // Sound and a fault do not go together; the later word stands.
                        each.removed = true;
                    }
                }
                if !took_back {
                    visit.conditions.push(Condition {
                        id: ConditionId(new_id()),
                        stop,
                        tank,
                        lid,
                        part,
                        state: Some(chosen),
                        ..Condition::default()
                    });
                }
            });
            return;
        }
        match index - states.len() {
            0 => {
                let note = self
                    .stop
                    .as_ref()
                    .and_then(|state| {
                        conditions_of(state, tank, part, lid)
                            .into_iter()
                            .find(|each| !each.note.is_empty())
                            .map(|each| each.note.clone())
                    })
                    .unwrap_or_default();
                self.open_sheet(SheetTarget::Page(PageText::PartNote), "Note", note, true);
            }
            1 => self.tap_camera(),
            _ => self.tap_photo_file(),
        }
    }

    pub(super) fn set_part_note(&mut self, text: String) {
        let Some((part, lid)) = self.stop.as_ref().and_then(|state| state.page.part) else {
            return;
        };
        let Some(tank) = self.stop.as_ref().and_then(|state| state.tank()).map(|tank| tank.id) else {
            return;
        };
        self.change("condition", |visit, new_id| {
            let stop = visit.stop.id;
            let same = |each: &Condition| each.tank == tank && each.part == part && each.lid == lid && !each.removed;
            let noted = visit
                .conditions
                .iter()
                .position(|each| same(each) && each.state.is_none());
            if let Some(each) = noted.and_then(|at| visit.conditions.get_mut(at)) {
                each.removed = text.is_empty();
                each.note = text;
            } else if !text.is_empty() {
                visit.conditions.push(Condition {
                    id: ConditionId(new_id()),
                    stop,
                    tank,
                    lid,
                    part,
                    note: text,
                    ..Condition::default()
                });
            }
        });
    }
}

/// A place in a list as a number to draw with.
#[expect(clippy::cast_precision_loss, reason = "a handful of places")]
const fn index(place: usize) -> f64 {
    place as f64
}
