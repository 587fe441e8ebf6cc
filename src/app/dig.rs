//! Dig: how deep are the lids, and does a riser make sense?

use crate::app::overlay::{Answer, FigureView, PadKind, PadTarget, Verdict, next_answer};
use crate::app::section::{Area, Edge, EdgeKind, GroundScene, SectionDrawing, ground_section};
use crate::app::shell::App;
use crate::app::stop::stepped;
use crate::app::tank_scenes::{USUAL_LID_MM, tick_unit};
use crate::domain::record::{Lid, LidId, LidMaterial};
use crate::domain::riser::{Need, RiserAdvice};
use crate::domain::rules::Restraint;
use crate::domain::units::{Length, round_to_i64};
use crate::say::figures::Figures;
use crate::say::words::Words;

/// What the Dig station shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DigView {
    /// The lid.
    pub lid_name: String,
    /// Which of how many.
    pub lid_count: String,
    /// There is a lid before it.
    pub can_previous: bool,
    /// There is a lid after it.
    pub can_next: bool,
    /// Soil over the lid.
    pub cover: FigureView,
    /// Captions of the nudge keys.
    pub nudges: (String, String),
    /// The ground in section.
    pub drawing: Option<SectionDrawing>,
    /// What the stack of sections would come to.
    pub stack_text: String,
    /// The advice in a few words.
    pub advice_title: String,
    /// Why.
    pub advice_text: String,
    /// What the lid is made of.
    pub material: String,
    /// Cracked.
    pub cracked: Answer,
    /// Secured.
    pub secured: Answer,
    /// What has to be read before anything is recorded here; empty once it has been.
    pub cautions: Vec<String>,
}

/// Soil over a lid that nobody has touched yet, for the drawing and the first nudge.
const FIRST_COVER_MM: i64 = 152;

impl App {
    fn lid(&self) -> Option<Lid> {
        let state = self.stop.as_ref()?;
        state.lids().get(state.lid).map(|lid| (*lid).clone())
    }

    fn lid_advice(&self, lid: &Lid) -> Option<RiserAdvice> {
        let state = self.stop.as_ref()?;
        let tank = state.shown().tanks.iter().position(|tank| tank.id == lid.tank)?;
        // Advice is listed in the order of the lids whose cover is known.
        let place = state
            .lids()
            .iter()
            .filter(|other| other.tank == lid.tank && other.cover_mm.is_some())
            .position(|other| other.id == lid.id)?;
        state.assessments.get(tank)?.risers.get(place).cloned()
    }

    fn ground_drawing(&self) -> Option<SectionDrawing> {
        let state = self.stop.as_ref()?;
        let lid = self.lid()?;
        let cover = i32::try_from(lid.cover_mm.unwrap_or(FIRST_COVER_MM)).unwrap_or(0);
        let advice = self.lid_advice(&lid);
        let whole = |mm: f64| round_to_i64(mm).and_then(|mm| i32::try_from(mm).ok());
        let scene = GroundScene {
            cover_mm: cover,
            width_mm: lid.width_mm.map_or(USUAL_LID_MM, Length::as_mm),
            stack_mm: advice
                .as_ref()
                .map(|advice| {
                    advice
                        .sections_in
                        .iter()
                        .filter_map(|inches| section_mm(*inches))
                        .collect()
                })
                .unwrap_or_default(),
            finish_mm: advice
                .as_ref()
                .filter(|advice| !advice.sections_in.is_empty())
                .and_then(|a| whole(a.finish_mm)),
            // While a finger holds the lid the scale stands still.
            span_mm: state.held_span_mm.unwrap_or_else(|| GroundScene::span_for(cover)),
            part: state.lid,
            selected: true,
            tick_unit: tick_unit(self.session.setup().units),
        };
        let (width_px, height_px) = state.dig_area;
        Some(ground_section(&scene, Area { width_px, height_px }))
    }

    /// Returns what the Dig station shows.
    #[must_use]
    pub fn dig_view(&self) -> DigView {
        let Some(state) = self.stop.as_ref() else {
            return DigView::default();
        };
        let Some(lid) = self.lid() else {
            return DigView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let count = state.lids().len();
        let advice = self.lid_advice(&lid);
        let drawing = self.ground_drawing();
        let many_tanks = state.shown().tanks.len() > 1;
        let tank_place = state
            .shown()
            .tanks
            .iter()
            .position(|tank| tank.id == lid.tank)
            .unwrap_or(0);
        let name = lid_title(&lid.name, words);
        DigView {
            lid_name: if many_tanks {
                words.f("tank {0}: {1}", &[&(tank_place + 1).to_string(), &name])
            } else {
                name
            },
            lid_count: words.f("{0} of {1}", &[&(state.lid + 1).to_string(), &count.to_string()]),
            can_previous: count > 1,
            can_next: count > 1,
            cover: FigureView {
                name: words.t("Soil over lid"),
                value: lid.cover_mm.map_or_else(|| "–".to_owned(), |mm| figures.mm_value(mm)),
                unit: figures.length_unit().to_owned(),
                verdict: match lid.cover_mm {
                    None => Verdict::Empty,
                    Some(mm) if mm > 3_000 => Verdict::Warning,
                    Some(_) => Verdict::Ok,
                },
                message: match lid.cover_mm {
                    Some(mm) if mm > 3_000 => words.t("Deeper than anyone digs by hand. Kept; check the figure."),
                    Some(mm) if mm < 0 => words.t("stands proud of the ground"),
                    _ => String::new(),
                },
            },
            // A whole inch or a centimetre: soil is not measured finer.
            nudges: ("+ 1".to_owned(), "− 1".to_owned()),
            drawing,
            stack_text: advice
                .as_ref()
                .map(|advice| stack_text(advice, figures))
                .unwrap_or_default(),
            advice_title: advice.as_ref().map_or_else(
                || words.t("How deep is this lid?"),
                |advice| words.t(need_title(advice.need)),
            ),
            advice_text: advice.as_ref().map_or_else(
                || words.t("Drag the lid in the drawing, nudge, or tap the figure."),
                |advice| {
                    let mut parts = vec![
                        advice_text(advice, figures),
                        cost_text(advice, figures, self.session.today()),
                    ];
                    parts.extend(security_texts(advice, figures));
                    parts.retain(|part| !part.is_empty());
                    parts.join(" ")
                },
            ),
            material: words.t(lid.material.map_or("made of?", material_name)),
            cracked: lid.cracked.into(),
            secured: lid.secured.into(),
            cautions: if self.is_cautioned() {
                Vec::new()
            } else {
                crate::app::find_words::dig_cautions(words).to_vec()
            },
        }
    }

    /// The drawing's area has changed size.
    pub fn dig_resized(&mut self, width_px: f64, height_px: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.dig_area = (width_px, height_px);
        }
    }

    /// A finger came down on the drawing.
    pub fn dig_pressed(&mut self, _x: f64, y: f64) {
        let (drawing, lid) = (self.ground_drawing(), self.lid());
        if !self.is_cautioned() {
            return;
        }
        let Some(state) = self.stop.as_mut() else { return };
        state.grabbed = Some(Edge {
            kind: EdgeKind::LidTop,
            part: state.lid,
        });
        state.held = drawing;
        let cover = lid.and_then(|lid| lid.cover_mm).unwrap_or(FIRST_COVER_MM);
        state.held_span_mm = Some(GroundScene::span_for(i32::try_from(cover).unwrap_or(0)));
        self.dig_dragged(0.0, y);
    }

    /// The finger moves.
    pub fn dig_dragged(&mut self, _x: f64, y: f64) {
        let figures = self.session.figures();
        let Some(state) = self.stop.as_ref() else { return };
        let (Some(held), Some(edge)) = (state.held.as_ref(), state.grabbed) else {
            return;
        };
        let Some(mm) = held.value_at(edge, y) else { return };
        let mm = figures.nudged(i64::from(mm), 0).clamp(-600, 3_000);
        let Some(id) = self.lid().map(|lid| lid.id) else { return };
        self.preview(|visit, _| set_cover_of(visit, id, mm));
    }

    /// The finger let go: what it drew is kept.
    pub fn dig_released(&mut self) {
        let dragged = self.stop.as_ref().and_then(|state| state.preview.clone());
        if let Some(state) = self.stop.as_mut() {
            state.grabbed = None;
            state.held = None;
            state.held_span_mm = None;
        }
        if let Some(dragged) = dragged {
            self.change("soil over the lid", |visit, _| *visit = dragged);
        }
    }

    /// One step more or less soil.
    pub fn nudge_cover(&mut self, steps: i32) {
        let figures = self.session.figures();
        let Some(lid) = self.lid() else { return };
        let steps = i64::from(steps)
            * if figures.units == crate::domain::record::Units::UsCustomary {
                2
            } else {
                1
            };
        // The first touch on an unknown depth shows where it starts from.
        let mm = lid
            .cover_mm
            .map_or_else(|| figures.nudged(FIRST_COVER_MM, 0), |mm| figures.nudged(mm, steps));
        self.set_cover(mm);
    }

    pub(crate) fn set_cover(&mut self, mm: i64) {
        if !self.is_cautioned() {
            return;
        }
        let Some(id) = self.lid().map(|lid| lid.id) else { return };
        self.change("soil over the lid", |visit, _| set_cover_of(visit, id, mm));
    }

    /// Opens the number pad on the soil over the lid.
    pub fn tap_cover(&mut self) {
        if !self.is_cautioned() {
            return;
        }
        self.open_pad(PadTarget::Cover, PadKind::SignedLength, "Soil over lid", String::new());
    }

    /// Moves to another lid.
    pub fn step_lid(&mut self, by: isize) {
        if let Some(state) = self.stop.as_mut() {
            state.lid = stepped(state.lid, by, state.lids().len());
            state.preview = None;
        }
        self.assess_stop();
    }

    /// Shows the lid with this name of the tank shown; `None` when it has none.
    pub fn choose_lid(&mut self, name: &str) -> Option<()> {
        let state = self.stop.as_mut()?;
        let tank = state.tank()?.id;
        state.lid = state
            .lids()
            .iter()
            .position(|lid| lid.tank == tank && lid.name == name)?;
        Some(())
    }

    /// Adds a lid to the tank of the lid shown.
    pub fn add_lid(&mut self) {
        if !self.is_cautioned() {
            return;
        }
        let tank = self
            .lid()
            .map(|lid| lid.tank)
            .or_else(|| self.stop.as_ref()?.tank().map(|tank| tank.id));
        let Some(tank) = tank else { return };
        let mut added = None;
        self.change("another lid", |visit, new_id| {
            let of_tank = visit.lids.iter().filter(|lid| lid.tank == tank && !lid.removed).count();
            let id = LidId(new_id());
            added = Some(id);
            let place = i64::try_from(of_tank).unwrap_or(0);
            let name = if of_tank == 2 { "middle" } else { "other" };
            let lid = Lid {
                id,
                tank,
                place,
                name: name.to_owned(),
                ..Lid::default()
            };
            // Beside its own tank's lids, so that the order on the screen is the order in the book.
            let at = visit
                .lids
                .iter()
                .rposition(|lid| lid.tank == tank)
                .map_or(visit.lids.len(), |at| at + 1);
            visit.lids.insert(at, lid);
        });
        if let (Some(state), Some(id)) = (self.stop.as_mut(), added) {
            state.lid = state.lids().iter().position(|lid| lid.id == id).unwrap_or(0);
        }
    }

    fn change_lid(&mut self, label: &str, change: impl FnOnce(&mut Lid)) {
        if !self.is_cautioned() {
            return;
        }
        let Some(id) = self.lid().map(|lid| lid.id) else { return };
        self.change(label, |visit, _| {
            if let Some(lid) = visit.lids.iter_mut().find(|lid| lid.id == id) {
                change(lid);
            }
        });
    }

    /// The next material in the round.
    pub fn tap_material(&mut self) {
        self.change_lid("lid material", |lid| {
            let next = lid.material.map_or(0, |now| {
                LidMaterial::ALL
                    .iter()
                    .position(|material| *material == now)
                    .map_or(0, |at| at + 1)
            });
            lid.material = LidMaterial::ALL.get(next).copied();
        });
    }

    /// Not looked at, cracked, sound.
    pub fn tap_cracked(&mut self) {
        self.change_lid("lid cracked", |lid| lid.cracked = next_answer(lid.cracked));
    }

    /// Not looked at, secured, loose.
    pub fn tap_secured(&mut self) {
        self.change_lid("lid secured", |lid| lid.secured = next_answer(lid.secured));
    }
}

/// The lid with its name, for the middle of a sentence: "inlet lid".
///
/// Whole phrases, because other languages put the name after the lid or bend it to fit.
#[must_use]
pub fn lid_title(name: &str, words: Words) -> String {
    match name {
        "inlet" => words.t("inlet lid"),
        "outlet" => words.t("outlet lid"),
        "middle" => words.t("middle lid"),
        "other" => words.t("other lid"),
        "" => words.t("lid"),
        name => words.f("lid {0}", &[name]),
    }
}

/// How deep each lid lies whose cover is known: "inlet lid 4 in down".
#[must_use]
pub fn lid_depths(lids: &[&Lid], figures: Figures) -> Vec<String> {
    lids.iter()
        .filter_map(|lid| {
            let title = lid_title(&lid.name, figures.words);
            Some(figures.words.f("{0} {1} down", &[&title, &figures.mm(lid.cover_mm?)]))
        })
        .collect()
}

/// What a lid is made of, as a message id.
const fn material_name(material: LidMaterial) -> &'static str {
    match material {
        LidMaterial::Concrete => "concrete",
        LidMaterial::Plastic => "plastic",
        LidMaterial::Metal => "metal",
        LidMaterial::Other => "other material",
    }
}

fn set_cover_of(visit: &mut crate::domain::record::Visit, id: LidId, mm: i64) {
    if let Some(lid) = visit.lids.iter_mut().find(|lid| lid.id == id) {
        lid.cover_mm = Some(mm);
    }
}

fn section_mm(inches: u32) -> Option<u32> {
    Length::from_inches(f64::from(inches)).map(Length::as_mm)
}

/// The words for how strongly a riser is advised.
#[must_use]
pub const fn need_title(need: Need) -> &'static str {
    match need {
        Need::NotNeeded => "Riser: not needed",
        Need::YourChoice => "Riser: your choice",
        Need::Recommended => "Riser: recommended",
        Need::Required => "Riser: required",
    }
}

/// What the stack of sections comes to against where it should end.
#[must_use]
pub fn stack_text(advice: &RiserAdvice, figures: Figures) -> String {
    if advice.sections_in.is_empty() {
        return String::new();
    }
    let whole = |mm: f64| round_to_i64(mm).unwrap_or(0);
    let sections = advice
        .sections_in
        .iter()
        .filter_map(|inches| section_mm(*inches).map(|mm| figures.mm_value(i64::from(mm))))
        .collect::<Vec<_>>()
        .join(" + ");
    let sections = format!("{sections} {}", figures.length_unit());
    let excess = whole(advice.excess_mm);
    if excess <= 6 {
        figures.words.f("{0} of riser fits", &[&sections])
    } else {
        figures.words.f(
            "{0} of riser: trim {1}, or leave it proud",
            &[&sections, &figures.mm(excess)],
        )
    }
}

/// Why, in the customer's or the technician's words.
#[must_use]
pub fn advice_text(advice: &RiserAdvice, figures: Figures) -> String {
    let words = figures.words;
    let cover = figures.mm(i64::from(advice.cover.as_mm()));
    let mut text = match advice.need {
        Need::NotNeeded if advice.cover.as_mm() <= 0 => words.t("The lid is at the surface. Keep it locked or bolted."),
        Need::NotNeeded => words.f("{0} of soil: found and lifted without digging much.", &[&cover]),
        Need::YourChoice => words.f("{0} of soil. A riser saves digging; it is for you to say.", &[&cover]),
        Need::Recommended => words.f("{0} of soil is a long dig at every visit.", &[&cover]),
        Need::Required => words.f(
            "{0} of soil. The rule asks for a riser: {1}.",
            &[&cover, &advice.clause],
        ),
    };
    if !advice.depends_on.is_empty() {
        text.push(' ');
        text.push_str(&words.t("Ask when it was permitted: another rule may hold."));
    }
    text
}

/// What the sections cost against digging again, and when that is paid back; empty without prices.
#[must_use]
pub fn cost_text(advice: &RiserAdvice, figures: Figures, today: chrono::NaiveDate) -> String {
    let words = figures.words;
    let Some(payback) = advice.payback else {
        return String::new();
    };
    let (stack, dig) = (figures.money(payback.stack), figures.money(payback.dig));
    let year = payback.years.filter(|years| *years < 60.0).and_then(|years| {
        let days = round_to_i64(years * 365.25)?;
        Some(chrono::Datelike::year(&today.checked_add_signed(chrono::TimeDelta::try_days(days)?)?).to_string())
    });
    match (payback.visits, year) {
        (Some(visits), Some(year)) => words.f(
            "{0} against {1} a dig: paid back by {2}, after {3}.",
            &[
                &stack,
                &dig,
                &year,
                &words.n("{0} visit", "{0} visits", usize::try_from(visits).unwrap_or(usize::MAX)),
            ],
        ),
        _ => words.f("{0} against {1} a dig.", &[&stack, &dig]),
    }
}

/// How the rules and the trade want the lid kept shut, one sentence each.
#[must_use]
pub fn security_texts(advice: &RiserAdvice, figures: Figures) -> Vec<String> {
    let mut texts = Vec::new();
    for security in &advice.security {
        let sentence = figures.words.t(match security.restraint {
            Restraint::Lock => "The rule asks for a locked lid.",
            Restraint::LockAndLabel => "The rule asks for a locked lid with a warning label.",
            Restraint::LockOrWeight => "Keep the lid locked, bolted or too heavy for a child.",
            Restraint::SecondBarrier => "A second barrier below the lid is safer.",
        });
        // Two rules may ask for the same; once is enough.
        if !texts.contains(&sentence) {
            texts.push(sentence);
        }
    }
    texts
}
