//! Find: where is the tank, and where was it last time?

use crate::app::dig::lid_depths;
use crate::app::find_words::{
    clue_title, depth_text, held_text, kind_title, mark_title, met_title, near_m, reason_text, taped_text, ties_text,
};
use crate::app::overlay::{Answer, Field, SheetTarget, Verdict};
use crate::app::photos::Picture;
use crate::app::plan_view::{Aim, HereOnPlan, Lens, PlanDrawing, PlanScene, draw};
use crate::app::shell::App;
use crate::app::yard::{Mark, Taped, YardMap, YardModel, YardRecords, point_of, read_fixes};
use crate::domain::locate::fix::{Fix, PinKind, average};
use crate::domain::locate::guide::{Guidance, guide};
use crate::domain::locate::{Point, Position};
use crate::domain::record::{ClueKind, LidId, PinId, ProbeMet, RodProbeId, YardClueId};
use crate::domain::units::Length;
use crate::exchange::inputs::last_emptied_before;
use crate::say::hauled::degrees_text;

/// How deep a rod is pushed when nobody has said: 3 ft (common practice).
pub(crate) const USUAL_PUSH_MM: u32 = 914;

/// How much of the yard shows around the best place while the tank is looked for, m.
const HUNT_REACH_M: f64 = 11.0;

/// Something on the plan that can be selected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Thing {
    /// A pin.
    Pin(PinId),
    /// A clue.
    Clue(YardClueId),
    /// A push of the rod.
    Probe(RodProbeId),
    /// One of the best places, counted from zero.
    Best(usize),
}

/// What is being placed on the plan.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Placing {
    /// A new pin.
    NewPin {
        kind: PinKind,
        lid: Option<LidId>,
        name: String,
    },
    /// A pin that is there.
    MovePin(PinId),
    /// More position fixes for a pin that is there.
    FixPin(PinId),
    /// A new clue.
    NewClue(ClueKind),
    /// A clue that is there.
    MoveClue(YardClueId),
    /// A push that met something.
    Hit,
    /// A push that met nothing.
    Nothing,
    /// The left-hand corner of a wall.
    WallLeft,
    /// The right-hand corner of it.
    WallRight(Point),
    /// The next place of the hose.
    Hose,
}

/// What the station is doing.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) enum Mode {
    /// Looking at the plan.
    #[default]
    Look,
    /// The cautions, and what comes after them: a hit or a miss.
    Cautions { hit: bool },
    /// Something is selected.
    Chosen(Thing),
    /// Something is being placed.
    Place(Placing),
    /// Which way does the pipe go from there?
    Toward {
        placing: Placing,
        at: Point,
        fixes: Vec<Fix>,
    },
    /// Two places fit; which one?
    Side(PinId),
    /// The notes, the position, the depth of the sewer.
    Notes,
}

/// What the station keeps between touches; nothing of it is worth keeping for ever.
#[derive(Debug)]
pub(crate) struct FindState {
    pub mode: Mode,
    /// What the yard was worked out from.
    pub records: Option<YardRecords>,
    pub model: YardModel,
    pub map: YardMap,
    pub area: (f64, f64),
    pub zoom: i32,
    /// The whole plan shows, also while the tank is looked for.
    pub whole: bool,
    pub centre: Option<Point>,
    /// Where the thing being placed is.
    pub aim: Point,
    pub radius_mm: u32,
    /// Fixes being averaged, while a pin takes them.
    pub taking: Option<Vec<Fix>>,
    pub depth_mm: u32,
    pub pressed: Option<(f64, f64)>,
    pub dragged: bool,
    pub laying: Vec<Point>,
    /// What the rows of the open list stand for.
    pub choices: Vec<crate::app::find_tape::Choice>,
    /// What a tape is being pulled to, while its start is made.
    pub taping: Option<crate::app::find_tape::TapeEnd>,
    pub wall: crate::app::find_tape::Wall,
    /// The lid that is led to, by its pin.
    pub led_to: Option<PinId>,
}

impl Default for FindState {
    fn default() -> Self {
        Self {
            mode: Mode::Look,
            records: None,
            model: YardModel::default(),
            map: YardMap::default(),
            area: (412.0, 360.0),
            zoom: 0,
            whole: false,
            centre: None,
            aim: Point::ORIGIN,
            radius_mm: 1_200,
            taking: None,
            depth_mm: USUAL_PUSH_MM,
            pressed: None,
            dragged: false,
            laying: Vec::new(),
            choices: Vec::new(),
            taping: None,
            wall: crate::app::find_tape::Wall::default(),
            led_to: None,
        }
    }
}

/// How a key of the panel looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PanelLook {
    /// One of several.
    #[default]
    Plain,
    /// The main one.
    Action,
    /// The answer that stands.
    Chosen,
}

/// A key of the panel under the plan.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PanelKey {
    /// Its words.
    pub text: String,
    /// A line under them.
    pub detail: String,
    /// How it looks.
    pub look: PanelLook,
}

/// What the Find station shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FindView {
    /// What is known from before.
    pub known: Vec<String>,
    /// The note of this stop.
    pub note: String,
    /// The site's latitude.
    pub latitude: Field,
    /// The site's longitude.
    pub longitude: Field,
    /// Whether a lid has been found.
    pub found: Answer,
    /// The notes show instead of the plan.
    pub notes: bool,
    /// How deep the sewer leaves the house, with its unit; empty when not known.
    pub sewer_text: String,
    /// Which way the plan's top points; empty when not known.
    pub north_text: String,
    /// The cautions before digging, while they are to be read.
    pub cautions: Vec<String>,
    /// What to do next, in a few words.
    pub title: String,
    /// Why, or more of it.
    pub detail: String,
    /// The title is the ties to a lid: it is drawn large.
    pub large: bool,
    /// Arrows that move what is being placed.
    pub can_nudge: bool,
    /// The keys, the upper row first; two go beside Undo.
    pub upper: Vec<PanelKey>,
    /// The keys of the lower row.
    pub lower: Vec<PanelKey>,
    /// How good the position is: "±16 ft"; "no position".
    pub accuracy: String,
    /// How far it is to where the person is led; empty when that is not known.
    pub distance: String,
    /// Where the arrow beside it points, degrees clockwise from up.
    pub arrow_deg: Option<f64>,
    /// The day of the photo that the lid has from an earlier stop; empty when there is none to show.
    pub photo_day: String,
    /// The plan.
    pub drawing: PlanDrawing,
}

impl App {
    /// Brings the yard in step with the records.
    pub(crate) fn refresh_yard(&mut self) {
        let Some(state) = self.stop.as_mut() else { return };
        if state
            .find
            .records
            .as_ref()
            .is_some_and(|records| records.are_of(&state.visit))
        {
            return;
        }
        let records = YardRecords::of(&state.visit);
        let model = YardModel::of(&records);
        state.find.records = Some(records);
        if model != state.find.model {
            if state.find.model == YardModel::default()
                && let Some(last) = model.probes.last()
            {
                // The rod that reached so far here last time does so again.
                state.find.depth_mm = last.depth.as_mm();
            }
            state.find.map.follow(&model);
            state.find.model = model;
        }
    }

    /// Returns the yard of the open stop in one frame, for its plan on paper and in files.
    #[must_use]
    pub fn yard(&self) -> Option<&YardModel> {
        self.stop.as_ref().map(|state| &state.find.model)
    }

    /// The place of what the screen shows.
    pub(crate) fn plan_lens(&self) -> Option<Lens> {
        let find = &self.stop.as_ref()?.find;
        let mut places = find.model.extent();
        let two_sides = match find.mode {
            Mode::Side(pin) => find.model.mark(pin).map(|mark| &mark.taped),
            _ => None,
        };
        if let Some(Taped::TwoSides(located)) = two_sides {
            // A person picks between two places: both are on the screen, with the house they are told apart by.
            places = located.candidates.iter().map(|candidate| candidate.at).collect();
            places.extend(find.model.house.iter().copied());
        } else {
            if let (Some(best), false) = (find.map.best().first(), find.whole) {
                // While the tank is looked for, what is near the best place matters; "All" shows the rest.
                places.retain(|at| at.distance_m(best.at) < HUNT_REACH_M);
            }
            places.extend(find.map.best().iter().map(|best| best.at));
        }
        let mut lens = Lens::over(&places, find.area.0, find.area.1);
        lens.per_m = (lens.per_m * 1.4_f64.powi(find.zoom)).clamp(0.5, 400.0);
        if let Some(centre) = find.centre {
            lens.centre = centre;
        }
        Some(lens)
    }

    /// The latest fix, when there is one.
    pub(crate) fn here_fix(&self) -> Option<Fix> {
        self.position()?.fix
    }

    fn here_on_plan(&self) -> Option<HereOnPlan> {
        let find = &self.stop.as_ref()?.find;
        let here = self.position()?;
        let fix = here.fix?;
        let toward = here.heading_deg.or(here.course_deg);
        Some(HereOnPlan {
            at: find.model.to_plan(fix.position)?,
            error_m: fix.honest_error_m(),
            toward_deg: toward.zip(find.model.north_deg).map(|(toward, north)| toward - north),
        })
    }

    /// Where the person is led: the lid or mark selected, else the first lid with a place, else the best place.
    pub(crate) fn led_to(&self) -> Option<(Point, f64, Option<Position>)> {
        let find = &self.stop.as_ref()?.find;
        let of_mark = |mark: &Mark| {
            let placed = mark.placed?;
            // A lid known by its own position alone is led to by that, whether or not the plan lies on the Earth.
            let position = find.model.to_earth(placed.at).or(mark.pinned.map(|pin| pin.position));
            Some((placed.at, placed.error_m(), position))
        };
        let best = |index: usize| {
            let at = find.map.best().get(index)?.at;
            Some((at, 0.0, find.model.to_earth(at)))
        };
        let chosen = match find.mode {
            Mode::Chosen(Thing::Pin(pin)) => find.model.mark(pin).and_then(of_mark),
            Mode::Chosen(Thing::Best(index)) => best(index),
            _ => None,
        };
        chosen
            .or_else(|| self.lid_mark().and_then(of_mark))
            .or_else(|| {
                // Pinned, and the plan does not lie on the Earth: positions lead there all the same.
                let mark = find.model.marks.iter().find(|mark| mark.kind == PinKind::TankLid)?;
                let pin = mark.pinned?;
                Some((Point::ORIGIN, pin.error_m, Some(pin.position))).filter(|_| mark.placed.is_none())
            })
            .or_else(|| best(0))
    }

    /// The lid shown of those that have a place.
    pub(crate) fn lid_mark(&self) -> Option<&Mark> {
        let find = &self.stop.as_ref()?.find;
        find.led_to
            .and_then(|pin| find.model.lids().find(|mark| mark.id == pin))
            .or_else(|| find.model.lids().next())
    }

    /// The lid that the words under the plan are about.
    pub(crate) fn lid_on_show(&self) -> Option<LidId> {
        let find = &self.stop.as_ref()?.find;
        match find.mode {
            Mode::Look => self.lid_mark()?.lid,
            Mode::Chosen(Thing::Pin(pin)) => find.model.mark(pin)?.lid,
            _ => None,
        }
    }

    /// Returns the thumbnail of the photo that the lid has from an earlier stop.
    #[must_use]
    pub fn find_photo(&self) -> Option<(String, Picture)> {
        self.earlier_photo(self.lid_on_show()?)
    }

    fn way(&self) -> Option<Guidance> {
        let find = &self.stop.as_ref()?.find;
        let here = self.position()?;
        let fix = Fix {
            course_deg: here.course_deg,
            ..here.fix?
        };
        let (_, error_m, position) = self.led_to()?;
        // With neither compass nor course the arrow lies as the plan is drawn.
        let as_drawn = || find.model.north_deg.filter(|_| fix.course_deg.is_none());
        Some(guide(&fix, here.heading_deg.or_else(as_drawn), position?, error_m))
    }

    /// Returns what the Find station shows.
    #[must_use]
    pub fn find_view(&self) -> FindView {
        let Some(state) = self.stop.as_ref() else {
            return FindView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let visit = state.shown();
        let degrees = |e7: Option<i64>| Field {
            text: e7.map(degrees_text).unwrap_or_default(),
            verdict: if e7.is_some() { Verdict::Ok } else { Verdict::Empty },
            message: String::new(),
        };
        let (title, detail, large) = self.find_words();
        let way = self.way();
        let (upper, lower) = self.panel();
        let key = |(_, key): &(crate::app::find_keys::Act, PanelKey)| key.clone();
        FindView {
            known: self.known_from_before(),
            note: visit.stop.find_note.clone(),
            latitude: degrees(visit.site.lat_e7),
            longitude: degrees(visit.site.lon_e7),
            found: visit.stop.lid_found.into(),
            notes: state.find.mode == Mode::Notes,
            sewer_text: visit
                .site
                .sewer_invert_mm
                .map(|depth| figures.length(depth))
                .unwrap_or_default(),
            north_text: state
                .find
                .model
                .north_deg
                .map(|north| words.f("top of the plan: {0}", &[&bearing_text(north, words)]))
                .unwrap_or_default(),
            cautions: if matches!(state.find.mode, Mode::Cautions { .. }) {
                crate::app::find_words::dig_cautions(words).to_vec()
            } else {
                Vec::new()
            },
            title,
            detail,
            large,
            can_nudge: matches!(state.find.mode, Mode::Place(_)) && state.find.taking.is_none(),
            upper: upper.iter().map(key).collect(),
            lower: lower.iter().map(key).collect(),
            accuracy: self.here_fix().map_or_else(
                || words.t("no position"),
                |fix| words.f("you ±{0}", &[&figures.stride(fix.honest_error_m())]),
            ),
            // Within the error an inch and an arrow would be made up: the ring on the plan is all there is to say.
            distance: way
                .as_ref()
                .map(|way| {
                    if way.use_tape {
                        words.f("within {0}", &[&figures.stride(way.error_m)])
                    } else {
                        figures.stride(way.distance_m)
                    }
                })
                .unwrap_or_default(),
            arrow_deg: way.as_ref().filter(|way| !way.use_tape).map(|way| way.arrow_deg),
            photo_day: self.find_photo().map(|(day, _)| day).unwrap_or_default(),
            drawing: self.plan_drawing().unwrap_or_default(),
        }
    }

    fn plan_drawing(&self) -> Option<PlanDrawing> {
        let state = self.stop.as_ref()?;
        let find = &state.find;
        let lens = self.plan_lens()?;
        let visit = state.shown();
        let met: Vec<ProbeMet> = visit.probes.iter().map(|probe| probe.met).collect();
        let aim = match &find.mode {
            Mode::Place(placing) if find.taking.is_none() => Some(Aim {
                at: find.aim,
                radius_m: if placing.has_size() {
                    f64::from(find.radius_mm) / 1000.0
                } else {
                    0.0
                },
                from: match placing {
                    Placing::WallRight(left) => Some(*left),
                    _ => None,
                },
            }),
            Mode::Toward { at, .. } => Some(Aim {
                at: find.aim,
                radius_m: 0.0,
                from: Some(*at),
            }),
            _ => None,
        };
        let chosen = match find.mode {
            Mode::Chosen(Thing::Pin(pin)) | Mode::Side(pin) => Some(pin),
            // Nothing selected: the tapes of the lid the words are about.
            Mode::Look => self.lid_mark().map(|mark| mark.id),
            _ => None,
        };
        let here = self.here_on_plan();
        // While two places are told apart no other marks are numbered.
        let hunting = !matches!(find.mode, Mode::Side(_));
        let scene = PlanScene {
            model: &find.model,
            lids: &visit.lids,
            map: find.map.map().filter(|_| hunting),
            best: if hunting { find.map.best() } else { &[] },
            met: &met,
            here,
            target: here.and_then(|_| self.led_to()).map(|(at, _, _)| at),
            aim,
            laying: &find.laying,
            chosen,
            figures: self.session.figures(),
        };
        Some(draw(&scene, lens))
    }

    /// What is said under the plan: a title, the rest of it, and whether the title is drawn large.
    fn find_words(&self) -> (String, String, bool) {
        let Some(state) = self.stop.as_ref() else {
            return Default::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let find = &state.find;
        let lids = &state.shown().lids;
        let title_of = |pin: PinId| {
            find.model
                .mark(pin)
                .map(|mark| mark_title(mark, lids, words))
                .unwrap_or_default()
        };
        match &find.mode {
            Mode::Notes => Default::default(),
            Mode::Cautions { .. } => (words.t("Before a rod or a spade goes in"), String::new(), false),
            Mode::Side(pin) => (
                words.f("{0}: two places fit", &[&title_of(*pin)]),
                find.model
                    .mark(*pin)
                    .map(|mark| taped_text(mark, &find.model, lids, figures))
                    .unwrap_or_default(),
                false,
            ),
            Mode::Toward { .. } => (
                words.t("Which way does the pipe go?"),
                words.t("Tap the plan where it points, away from the house."),
                false,
            ),
            Mode::Place(placing) => self.placing_words(placing),
            Mode::Chosen(thing) => self.chosen_words(*thing),
            Mode::Look => self.looking_words(),
        }
    }

    fn placing_words(&self, placing: &Placing) -> (String, String, bool) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(state) = self.stop.as_ref() else {
            return Default::default();
        };
        let find = &state.find;
        let title = match placing {
            Placing::NewPin { kind, lid, name } => {
                let lid = lid.and_then(|id| state.visit.lids.iter().find(|lid| lid.id == id));
                match (lid, name.as_str()) {
                    (Some(lid), _) => crate::app::dig::lid_title(&lid.name, words),
                    (None, "") => kind_title(*kind, words),
                    (None, name) => name.to_owned(),
                }
            }
            Placing::MovePin(pin) | Placing::FixPin(pin) => find
                .model
                .mark(*pin)
                .map(|mark| mark_title(mark, &state.visit.lids, words))
                .unwrap_or_default(),
            Placing::NewClue(kind) => clue_title(*kind, words),
            Placing::MoveClue(_) => words.t("clue"),
            Placing::Hit => words.t("The rod met something"),
            Placing::Nothing => words.t("The rod met nothing"),
            Placing::WallLeft => words.t("Left-hand corner of the wall you face"),
            Placing::WallRight(_) => words.t("Right-hand corner of that wall"),
            Placing::Hose => words.t("hose path"),
        };
        let detail = if let Some(fixes) = &find.taking {
            match average(fixes) {
                None => words.t("Waiting for a position. Hold the device over the place."),
                Some(pin) => words.f(
                    "{0}, ±{1}. A minute over the place is enough; more fixes do not cure what they share.",
                    &[
                        &words.n("{0} fix", "{0} fixes", pin.fixes),
                        &figures.stride(pin.error_m),
                    ],
                ),
            }
        } else {
            match placing {
                Placing::Nothing => words.f(
                    "Tap where, nudge, then Keep. Pushed {0} deep.",
                    &[&figures.length(Length::from_mm(find.depth_mm))],
                ),
                Placing::Hit => words.t("Tap where, nudge, then say what it met."),
                Placing::Hose => words.t("Tap each bend in turn, then Done."),
                Placing::NewPin { .. } | Placing::FixPin(_) if self.here_fix().is_some() => {
                    words.t("Tap where on the plan, or stand over it and use the position.")
                }
                _ => words.t("Tap where on the plan, nudge, then Keep."),
            }
        };
        (capital(&title), detail, false)
    }

    fn chosen_words(&self, thing: Thing) -> (String, String, bool) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(state) = self.stop.as_ref() else {
            return Default::default();
        };
        let find = &state.find;
        let visit = state.shown();
        match thing {
            Thing::Pin(pin) => {
                let Some(mark) = find.model.mark(pin) else {
                    return Default::default();
                };
                let ties = if mark.ties.is_empty() {
                    String::new()
                } else {
                    ties_text(mark, &find.model, &visit.lids, figures) + "."
                };
                let parts = [
                    ties,
                    taped_text(mark, &find.model, &visit.lids, figures),
                    held_text(mark, figures),
                ];
                let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
                (capital(&mark_title(mark, &visit.lids, words)), parts.join(" "), false)
            }
            Thing::Clue(id) => {
                let clue = visit.clues.iter().find(|clue| clue.id == id);
                let title = clue.map(|clue| clue_title(clue.kind, words)).unwrap_or_default();
                let size = clue
                    .and_then(|clue| {
                        clue.distance_mm
                            .or(clue.radius_mm.map(|r| Length::from_mm(r.as_mm() * 2)))
                    })
                    .map(|size| figures.tape(size))
                    .unwrap_or_default();
                (capital(&title), size, false)
            }
            Thing::Probe(id) => {
                let probe = visit.probes.iter().find(|probe| probe.id == id);
                let title = probe.map(|probe| met_title(probe.met, words)).unwrap_or_default();
                let depth = probe
                    .map(|probe| words.f("{0} deep", &[&figures.length(probe.depth_mm)]))
                    .unwrap_or_default();
                (capital(&title), depth, false)
            }
            Thing::Best(index) => self.best_words(index),
        }
    }

    fn best_words(&self, index: usize) -> (String, String, bool) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(find) = self.stop.as_ref().map(|state| &state.find) else {
            return Default::default();
        };
        let (Some(best), Some(map)) = (find.map.best().get(index), find.map.map()) else {
            return Default::default();
        };
        let near_m = near_m(figures);
        let inside = figures.percent(map.chance_within(best.at, near_m));
        let radius = figures.stride(near_m);
        let number = (index + 1).to_string();
        let title = if index == 0 {
            words.f("Probe mark 1 first: {0} inside {1} of it", &[&inside, &radius])
        } else {
            words.f("Mark {0}: {1} inside {2} of it", &[&number, &inside, &radius])
        };
        let push = words.f(
            "A push there meets the tank {0} of the time.",
            &[&figures.percent(best.chance)],
        );
        let detail = [reason_text(best, &find.model, figures), depth_text(best, figures), push].join(" ");
        (title, detail, false)
    }

    fn looking_words(&self) -> (String, String, bool) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(state) = self.stop.as_ref() else {
            return Default::default();
        };
        let find = &state.find;
        let lids = &state.shown().lids;
        if let Some(mark) = self.lid_mark() {
            let ties = ties_text(mark, &find.model, lids, figures);
            let name = capital(&mark_title(mark, lids, words));
            let title = if ties.is_empty() {
                name.clone()
            } else {
                words.f("{0}: {1}", &[&name, &ties])
            };
            let doubt = taped_text(mark, &find.model, lids, figures);
            let way = self.way_text();
            let held = held_text(mark, figures);
            if mark.is_loose() && !find.map.best().is_empty() {
                // Positions alone do not find a lid: the map goes on, with them as a clue.
                let (probe, why, _) = self.best_words(0);
                let parts = [format!("{name}."), way, held, why];
                let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
                return (probe, parts.join(" "), false);
            }
            let parts = [way, held, doubt];
            let parts: Vec<String> = parts.into_iter().filter(|part| !part.is_empty()).collect();
            return (title, parts.join(" "), true);
        }
        if !find.map.best().is_empty() {
            return self.best_words(0);
        }
        if let Some(error) = find.map.error()
            && !(find.model.clues.is_empty() && find.model.marks.is_empty())
        {
            use crate::domain::locate::probe::MapError;
            let detail = match error {
                MapError::NothingKnown => words.t("Give the house, or one clue, and the plan says where to probe."),
                MapError::TooWide => words.t("Two places lie kilometers apart. Move or take away the wrong one."),
                MapError::NothingLeft => {
                    words.t("The setbacks and outlines leave no place for a tank. Check the house and the lot.")
                }
            };
            return (words.t("Where is the tank?"), detail, false);
        }
        (
            words.t("Where is the tank?"),
            words.t("Begin with the house: Pin, then House by tape. Then tap Clue for what you see."),
            false,
        )
    }

    fn way_text(&self) -> String {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(way) = self.way() else {
            return String::new();
        };
        if way.use_tape {
            return words.f(
                "You are within the error of the positions (±{0}): from here use the tape.",
                &[&figures.stride(way.error_m)],
            );
        }
        words.f(
            "{0} {1}, ±{2}.",
            &[
                &figures.stride(way.distance_m),
                &bearing_text(way.bearing_deg, words),
                &figures.stride(way.error_m),
            ],
        )
    }

    fn known_from_before(&self) -> Vec<String> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let visit = state.shown();
        let mut known = Vec::new();
        for mark in state.find.model.lids() {
            let ties = ties_text(mark, &state.find.model, &visit.lids, figures);
            if !ties.is_empty() {
                let name = capital(&mark_title(mark, &visit.lids, words));
                known.push(words.f("{0}: {1}", &[&name, &ties]));
            }
        }
        for row in state
            .history
            .iter()
            .rev()
            .filter(|row| row.stop.id != visit.stop.id)
            .take(2)
        {
            if !row.stop.find_note.is_empty() {
                known.push(words.f("{0}: {1}", &[&figures.date(row.stop.day), &row.stop.find_note]));
            }
        }
        let covers = lid_depths(&state.lids(), figures);
        if !covers.is_empty() {
            known.push(covers.join(", "));
        }
        for tank in &visit.tanks {
            if let Some(date) = last_emptied_before(tank, &state.history, visit.stop.day) {
                known.push(words.f("Last emptied {0}", &[&figures.date(date)]));
            }
        }
        if let Some(fit) = state.find.model.fit.as_ref().filter(|_| state.find.model.shared > 1) {
            let off = figures.stride(fit.rms_m);
            known.push(if fit.agrees {
                words.f("Plan and positions agree within {0}.", &[&off])
            } else {
                words.f("Plan and positions disagree by {0}: a pin or a tape is wrong.", &[&off])
            });
        }
        if !visit.site.note.is_empty() {
            known.push(visit.site.note.clone());
        }
        if known.is_empty() {
            known.push(words.t("Nothing on record here yet."));
            known.push(words.t("An oval of dead or lush grass marks a shallow tank (common practice)."));
        }
        known
    }

    /// The lid has been found, or not; tapping the answer that stands takes it back.
    pub fn tap_found(&mut self, answer: Answer) {
        self.change("lid found", |visit, _| {
            visit.stop.lid_found = answer.tapped_on(visit.stop.lid_found);
        });
    }

    /// Opens the note on where the tank is.
    pub fn tap_find_note(&mut self) {
        let text = self
            .stop
            .as_ref()
            .map(|state| state.visit.stop.find_note.clone())
            .unwrap_or_default();
        self.open_sheet(SheetTarget::FindNote, "Where the tank is", text, true);
    }

    /// Opens the latitude.
    pub fn tap_latitude(&mut self) {
        let text = self
            .stop
            .as_ref()
            .and_then(|state| state.visit.site.lat_e7)
            .map(degrees_text)
            .unwrap_or_default();
        self.open_sheet(SheetTarget::Latitude, "Latitude, degrees", text, false);
    }

    /// Opens the longitude.
    pub fn tap_longitude(&mut self) {
        let text = self
            .stop
            .as_ref()
            .and_then(|state| state.visit.site.lon_e7)
            .map(degrees_text)
            .unwrap_or_default();
        self.open_sheet(SheetTarget::Longitude, "Longitude, degrees", text, false);
    }

    /// The device has moved: a pin that takes fixes takes this one.
    pub(crate) fn moved(&mut self) {
        let fix = self.here_fix();
        let Some(state) = self.stop.as_mut() else { return };
        if let (Some(fix), Some(taking)) = (fix, state.find.taking.as_mut())
            // A receiver that repeats itself has not looked again.
            && taking.last() != Some(&fix)
            && taking.len() < 3_600
        {
            taking.push(fix);
        }
    }
}

impl Placing {
    /// Whether it is asked how large it is.
    pub(crate) const fn has_size(&self) -> bool {
        matches!(
            self,
            Self::NewClue(ClueKind::Oval | ClueKind::Settled | ClueKind::Customer)
                | Self::NewPin {
                    kind: PinKind::Obstacle,
                    ..
                }
        )
    }

    /// Whether the position of the device can be taken for it, fix by fix.
    pub(crate) const fn takes_fixes(&self) -> bool {
        matches!(self, Self::NewPin { .. } | Self::FixPin(_))
    }
}

/// A bearing in words a person walks by: one of eight.
pub(crate) fn bearing_text(degrees: f64, words: crate::say::words::Words) -> String {
    let names = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"];
    let place = crate::domain::units::round_to_i64(degrees.rem_euclid(360.0) / 45.0).unwrap_or(0) % 8;
    let name = usize::try_from(place).ok().and_then(|place| names.get(place));
    words.t(name.copied().unwrap_or("N"))
}

/// The first letter as a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}

/// The places of things that can be selected.
pub(crate) fn things(state: &crate::app::stop::StopState) -> Vec<(Thing, Point)> {
    let find = &state.find;
    let visit = state.shown();
    let mut list: Vec<(Thing, Point)> = find
        .map
        .best()
        .iter()
        .enumerate()
        .map(|(index, best)| (Thing::Best(index), best.at))
        .collect();
    list.extend(
        find.model
            .marks
            .iter()
            .filter_map(|mark| Some((Thing::Pin(mark.id), mark.placed?.at))),
    );
    list.extend(
        visit
            .clues
            .iter()
            .map(|clue| (Thing::Clue(clue.id), point_of(clue.x_mm, clue.y_mm))),
    );
    list.extend(
        visit
            .probes
            .iter()
            .map(|probe| (Thing::Probe(probe.id), point_of(probe.x_mm, probe.y_mm))),
    );
    list
}

/// The two places that fit a pin's tapes, while nobody has picked.
pub(crate) fn sides(model: &YardModel, pin: PinId) -> Vec<Point> {
    match model.mark(pin).map(|mark| &mark.taped) {
        Some(Taped::TwoSides(located) | Taped::Placed(located)) => {
            located.candidates.iter().map(|candidate| candidate.at).collect()
        }
        _ => Vec::new(),
    }
}

/// How many fixes a pin has been given.
pub(crate) fn fixes_of(text: &str) -> Vec<Fix> {
    read_fixes(text)
}
