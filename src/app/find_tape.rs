//! Lists, tapes and the house: what is asked before something stands on the plan.

use crate::app::dig::lid_title;
use crate::app::find::{Mode, Placing, Thing, capital, sides};
use crate::app::find_keys::next_place;
use crate::app::find_words::{CORNER_NAMES, clue_title, kind_title, mark_title, refusal_text};
use crate::app::overlay::{PadKind, PadTarget, Picker, PickerTarget, SheetTarget};
use crate::app::plan_files::PlanFile;
use crate::app::shell::App;
use crate::app::yard::{Taped, YardModel, YardRecords, millimetres};
use crate::domain::locate::Point;
use crate::domain::locate::fix::PinKind;
use crate::domain::record::{ClueKind, LidId, Pin, PinId, TapeTie, TapeTieId, Visit};
use crate::domain::units::{Length, round_to_i64};

/// What a tape is pulled to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TapeEnd {
    /// A pin that is there.
    Pin(PinId),
    /// A lid that has no pin yet.
    Lid(LidId),
    /// A point that is made with its first tape.
    New,
}

/// The wall that is taped first, by where the person stands who faces it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Wall {
    #[default]
    Back,
    Front,
    Side,
}

impl Wall {
    /// The corners' names: left and right as one faces the wall, then the far ones from the right.
    const fn corners(self) -> [&'static str; 4] {
        let [
            back_left,
            back_right,
            front_left,
            front_right,
            near_left,
            near_right,
            far_left,
            far_right,
        ] = CORNER_NAMES;
        match self {
            Self::Back => [back_left, back_right, front_right, front_left],
            Self::Front => [front_left, front_right, back_right, back_left],
            Self::Side => [near_left, near_right, far_right, far_left],
        }
    }
}

/// What a row of an open list stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Choice {
    House,
    Wall(Wall),
    NewPin(PinKind),
    Lid(LidId),
    Select(PinId),
    NewPoint,
    NewClue(ClueKind),
    TapeTo(TapeEnd),
    TapeFrom(PinId),
    TapeFromNew,
    Retape(TapeTieId),
    DropTape(TapeTieId),
    Rename(PinId),
    OtherSide(PinId),
    Remove(PinId),
    PlanOut(PlanFile),
    PlanIn(usize),
}

/// The pins a person makes, in the order of use.
const PIN_KINDS: [PinKind; 10] = [
    PinKind::Cleanout,
    PinKind::SewerExit,
    PinKind::HouseCorner,
    PinKind::DistributionBox,
    PinKind::FieldEnd,
    PinKind::Well,
    PinKind::Obstacle,
    PinKind::TruckParking,
    PinKind::HosePath,
    PinKind::Landmark,
];

/// Nothing on a lot is farther away.
const LONGEST_TAPE_MM: i64 = 300_000;

impl App {
    fn open_list(&mut self, title: &str, rows: Vec<(Choice, String, String)>) {
        let title = self.session.words().t(title);
        let (choices, rows) = rows
            .into_iter()
            .map(|(choice, text, detail)| (choice, (text, detail)))
            .unzip();
        if let Some(state) = self.stop.as_mut() {
            state.find.choices = choices;
            self.picker = Some(Picker {
                target: PickerTarget::Yard,
                title,
                rows,
                selected: None,
            });
        }
    }

    fn title_of(&self, pin: PinId) -> String {
        let words = self.session.words();
        self.stop
            .as_ref()
            .and_then(|state| {
                let mark = state.find.model.mark(pin)?;
                Some(mark_title(mark, &state.visit.lids, words))
            })
            .unwrap_or_default()
    }

    /// Asks what is to be pinned.
    pub(crate) fn open_pin_list(&mut self) {
        let words = self.session.words();
        let Some(state) = self.stop.as_ref() else { return };
        let mut rows = vec![(
            Choice::House,
            words.t("House, by tape"),
            words.t("two corners and the tape between them"),
        )];
        for lid in state.lids() {
            let pin = state.visit.pins.iter().find(|pin| pin.lid == Some(lid.id));
            let name = capital(&lid_title(&lid.name, words));
            rows.push(match pin {
                Some(pin) => (Choice::Select(pin.id), name, words.t("has a pin")),
                None => (Choice::Lid(lid.id), name, String::new()),
            });
        }
        for kind in PIN_KINDS {
            let detail = match kind {
                PinKind::Landmark => words.t("a fence post, a tree, anything that stays"),
                PinKind::HosePath => words.t("a line"),
                _ => String::new(),
            };
            let choice = if kind == PinKind::Landmark {
                Choice::NewPoint
            } else {
                Choice::NewPin(kind)
            };
            rows.push((choice, capital(&kind_title(kind, words)), detail));
        }
        // Pins that have no place yet can be reached from nowhere else.
        for mark in state
            .find
            .model
            .marks
            .iter()
            .filter(|mark| mark.placed.is_none() && mark.lid.is_none())
        {
            let name = capital(&mark_title(mark, &state.visit.lids, words));
            rows.push((Choice::Select(mark.id), name, words.t("has no place yet")));
        }
        rows.extend(self.plan_rows());
        self.open_list("Pin what?", rows);
    }

    /// Asks what was seen or said.
    pub(crate) fn open_clue_list(&mut self) {
        let words = self.session.words();
        let pin = |kind: PinKind| (Choice::NewPin(kind), capital(&kind_title(kind, words)), String::new());
        let mut rows = vec![
            pin(PinKind::SewerExit),
            pin(PinKind::Cleanout),
            pin(PinKind::FieldEnd),
            pin(PinKind::Well),
        ];
        for kind in ClueKind::ALL {
            let detail = match kind {
                ClueKind::Oval => words.t("an oval over a shallow tank"),
                ClueKind::Record => words.t("a distance from somewhere"),
                ClueKind::LotCorner => words.t("three or more close the lot"),
                _ => String::new(),
            };
            rows.push((Choice::NewClue(*kind), capital(&clue_title(*kind, words)), detail));
        }
        self.open_list("What do you see?", rows);
    }

    /// A tape: to the pin that is selected, else it is asked to what.
    pub(crate) fn begin_tape(&mut self) {
        let words = self.session.words();
        let Some(state) = self.stop.as_ref() else { return };
        if let Mode::Chosen(Thing::Pin(pin)) = state.find.mode {
            self.ask_origin(TapeEnd::Pin(pin));
            return;
        }
        let mut rows = Vec::new();
        for lid in state.lids() {
            let end = state
                .visit
                .pins
                .iter()
                .find(|pin| pin.lid == Some(lid.id))
                .map_or(TapeEnd::Lid(lid.id), |pin| TapeEnd::Pin(pin.id));
            rows.push((
                Choice::TapeTo(end),
                capital(&lid_title(&lid.name, words)),
                String::new(),
            ));
        }
        for mark in &state.find.model.marks {
            if mark.lid.is_none() && mark.kind != PinKind::HosePath {
                let name = capital(&mark_title(mark, &state.visit.lids, words));
                rows.push((Choice::TapeTo(TapeEnd::Pin(mark.id)), name, String::new()));
            }
        }
        rows.push((
            Choice::TapeTo(TapeEnd::New),
            words.t("Another point"),
            words.t("two tapes will give its place"),
        ));
        self.open_list("Tape to what?", rows);
    }

    /// Asks where the tape is held.
    fn ask_origin(&mut self, end: TapeEnd) {
        let words = self.session.words();
        let Some(state) = self.stop.as_mut() else { return };
        state.find.taping = Some(end);
        let mut rows: Vec<(Choice, String, String)> = state
            .find
            .model
            .marks
            .iter()
            .filter(|mark| Some(mark.id) != end.pin() && mark.kind != PinKind::HosePath)
            .map(|mark| {
                let name = capital(&mark_title(mark, &state.visit.lids, words));
                let detail = if mark.placed.is_none() {
                    words.t("has no place yet")
                } else {
                    String::new()
                };
                (Choice::TapeFrom(mark.id), name, detail)
            })
            .collect();
        // Corners first: they stay where they are.
        let corner = |choice: &Choice| {
            let Choice::TapeFrom(pin) = choice else { return true };
            let kind = state.find.model.mark(*pin).map(|mark| mark.kind);
            !matches!(kind, Some(PinKind::HouseCorner | PinKind::Landmark))
        };
        rows.sort_by_key(|(choice, _, _)| corner(choice));
        if rows.is_empty() {
            rows.push((
                Choice::House,
                words.t("House, by tape"),
                words.t("two corners and the tape between them"),
            ));
        }
        rows.push((
            Choice::TapeFromNew,
            words.t("Another point"),
            words.t("a fence post, a tree, anything that stays"),
        ));
        self.open_list("Tape from where?", rows);
    }

    /// Asks what the tape reads.
    pub(crate) fn ask_tape(&mut self, end: TapeEnd, from: PinId) {
        if end.pin() == Some(from) {
            self.say_nothing_to_do("A tape needs two ends.", "Choose another point to measure from.");
            return;
        }
        let title = self.session.words().f("Tape from {0}", &[&self.title_of(from)]);
        self.open_pad(PadTarget::Tape { end, from }, PadKind::Distance, &title, String::new());
    }

    /// What a row of the open list leads to.
    pub(crate) fn yard_chosen(&mut self, index: usize) {
        let Some(state) = self.stop.as_mut() else { return };
        let Some(choice) = state.find.choices.get(index).copied() else {
            return;
        };
        let taping = state.find.taping;
        match choice {
            Choice::House => self.open_walls(),
            Choice::Wall(wall) => {
                state.find.wall = wall;
                // In an empty plan the wall lies along its lower edge; else its corners are shown first.
                if state.find.model.extent().is_empty() {
                    self.ask_wall(Point::ORIGIN, Point::new(1.0, 0.0));
                } else {
                    self.begin_placing(Placing::WallLeft);
                }
            }
            Choice::NewPin(PinKind::HosePath) => self.begin_placing(Placing::Hose),
            Choice::NewPin(kind) => self.begin_placing(Placing::NewPin {
                kind,
                lid: None,
                name: String::new(),
            }),
            Choice::Lid(lid) => self.begin_placing(Placing::NewPin {
                kind: PinKind::TankLid,
                lid: Some(lid),
                name: String::new(),
            }),
            Choice::Select(pin) => state.find.mode = Mode::Chosen(Thing::Pin(pin)),
            Choice::PlanOut(form) => self.plan_out(form),
            Choice::PlanIn(index) => self.plan_in(index),
            Choice::NewPoint | Choice::TapeFromNew => {
                self.open_sheet(SheetTarget::NewPoint, "What is the point called?", String::new(), false);
            }
            Choice::NewClue(kind) => self.begin_placing(Placing::NewClue(kind)),
            Choice::TapeTo(TapeEnd::New) => {
                self.open_sheet(
                    SheetTarget::NewTapedPoint,
                    "What is the point called?",
                    String::new(),
                    false,
                );
            }
            Choice::TapeTo(end) => self.ask_origin(end),
            Choice::TapeFrom(from) => {
                if let Some(end) = taping {
                    state.find.taping = None;
                    self.ask_tape(end, from);
                }
            }
            Choice::Retape(tie) => self.open_pad(
                PadTarget::Retape(tie),
                PadKind::Distance,
                "What does the tape read now?",
                String::new(),
            ),
            Choice::DropTape(tie) => self.change("tape taken away", |visit, _| {
                if let Some(tie) = visit.ties.iter_mut().find(|other| other.id == tie) {
                    tie.removed = true;
                }
            }),
            Choice::Rename(pin) => {
                let name = state
                    .find
                    .model
                    .mark(pin)
                    .map(|mark| mark.name.clone())
                    .unwrap_or_default();
                self.open_sheet(SheetTarget::PinName(pin), "What is it called?", name, false);
            }
            Choice::OtherSide(pin) => state.find.mode = Mode::Side(pin),
            Choice::Remove(pin) => {
                self.remove_pin(pin);
                self.find_mode(Mode::Look);
            }
        }
    }

    /// A point has been named: it is placed next.
    pub(crate) fn place_named_point(&mut self, name: String) {
        let taping = self.stop.as_ref().and_then(|state| state.find.taping);
        self.begin_placing(Placing::NewPin {
            kind: PinKind::Landmark,
            lid: None,
            name,
        });
        if let Some(state) = self.stop.as_mut() {
            state.find.taping = taping;
        }
    }

    /// A point has been named whose place two tapes will give.
    pub(crate) fn add_taped_point(&mut self, name: String) {
        let stop = self.stop.as_ref().and_then(crate::app::stop::StopState::stop_id);
        let mut added = None;
        self.change("pin", |visit, new_id| {
            let id = PinId(new_id());
            added = Some(id);
            visit.pins.push(Pin {
                id,
                site: visit.site.id,
                stop,
                place: next_place(visit),
                kind: PinKind::Landmark,
                name,
                ..Pin::default()
            });
        });
        if let Some(pin) = added {
            self.ask_origin(TapeEnd::Pin(pin));
        }
    }

    pub(crate) fn rename_pin(&mut self, pin: PinId, name: String) {
        self.change("pin's name", |visit, _| {
            if let Some(pin) = visit.pins.iter_mut().find(|other| other.id == pin) {
                pin.name = name;
            }
        });
    }

    /// What else can be done with the pin that is selected.
    pub(crate) fn open_more(&mut self) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(state) = self.stop.as_ref() else { return };
        let Mode::Chosen(Thing::Pin(pin)) = state.find.mode else {
            return;
        };
        let Some(mark) = state.find.model.mark(pin) else { return };
        let mut rows = Vec::new();
        if sides(&state.find.model, pin).len() > 1 {
            rows.push((Choice::OtherSide(pin), words.t("The other side"), String::new()));
        }
        for tie in &mark.ties {
            let from = self.title_of(tie.origin);
            let off = tie
                .off_m
                .filter(|_| mark.ties.len() > 2)
                .map_or_else(String::new, |off| {
                    let mm = round_to_i64(off * 1000.0).unwrap_or(0);
                    words.f("off by {0}", &[&figures.mm(mm)])
                });
            rows.push((
                Choice::Retape(tie.id),
                words.f("Tape from {0}: {1}", &[&from, &figures.tape(tie.distance)]),
                if off.is_empty() { words.t("pull it again") } else { off },
            ));
            rows.push((
                Choice::DropTape(tie.id),
                words.f("Take away the tape from {0}", &[&from]),
                String::new(),
            ));
        }
        rows.push((Choice::Rename(pin), words.t("Name"), mark.name.clone()));
        rows.push((
            Choice::Remove(pin),
            words.t("Take away the pin"),
            words.t("Undo brings it back"),
        ));
        let title = capital(&mark_title(mark, &state.visit.lids, words));
        self.open_list(&title, rows);
    }

    pub(crate) fn remove_pin(&mut self, pin: PinId) {
        self.change("pin taken away", |visit, _| {
            for other in visit.pins.iter_mut().filter(|other| other.id == pin) {
                other.removed = true;
            }
            // A tape with one end says nothing.
            for tie in visit
                .ties
                .iter_mut()
                .filter(|tie| tie.target == pin || tie.origin == pin)
            {
                tie.removed = true;
            }
        });
    }

    // --- tapes -----------------------------------------------------------------------------------

    /// Why a tape of this length is refused, in plain words; `None` when it can be kept.
    pub(crate) fn tape_refusal(&self, target: PadTarget, mm: i64) -> Option<String> {
        let words = self.session.words();
        let state = self.stop.as_ref()?;
        let is_tape = matches!(
            target,
            PadTarget::Tape { .. }
                | PadTarget::Retape(_)
                | PadTarget::WallLength { .. }
                | PadTarget::HouseDepth { .. }
                | PadTarget::RecordDistance
        );
        if !is_tape {
            return None;
        }
        if !(1..=LONGEST_TAPE_MM).contains(&mm) {
            return Some(words.t("No tape on a lot is that long or that short. Check the digits."));
        }
        let distance = u32::try_from(mm).map(Length::from_mm).ok()?;
        let mut after = state.visit.clone();
        let pin = match target {
            PadTarget::Tape { end, from } => {
                let pin = end.pin()?;
                lay_tape(&mut after, TapeTieId::default(), pin, from, distance, None);
                pin
            }
            PadTarget::Retape(id) => {
                let tie = after.ties.iter_mut().find(|tie| tie.id == id)?;
                tie.distance_mm = distance;
                tie.target
            }
            _ => return None,
        };
        let model = YardModel::of(&YardRecords::of(&after));
        let mark = model.mark(pin)?;
        let Taped::Refused(error) = &mark.taped else {
            return None;
        };
        let origin = |tie: usize| {
            let from = mark.ties.get(tie).and_then(|tie| model.mark(tie.origin));
            from.map(|from| mark_title(from, &after.lids, words))
                .unwrap_or_default()
        };
        Some(refusal_text(error, &origin, self.session.figures()))
    }

    /// Keeps a tape, and asks for the side when two places fit.
    pub(crate) fn keep_tape(&mut self, end: TapeEnd, from: PinId, mm: i64) {
        let Ok(distance) = u32::try_from(mm).map(Length::from_mm) else {
            return;
        };
        let stop = self.stop.as_ref().and_then(crate::app::stop::StopState::stop_id);
        let mut to = end.pin();
        self.change("tape tie", |visit, new_id| {
            if let TapeEnd::Lid(lid) = end {
                let id = PinId(new_id());
                visit.pins.push(Pin {
                    id,
                    site: visit.site.id,
                    stop,
                    place: next_place(visit),
                    lid: Some(lid),
                    kind: PinKind::TankLid,
                    ..Pin::default()
                });
                to = Some(id);
            }
            if let Some(pin) = to {
                lay_tape(visit, TapeTieId(new_id()), pin, from, distance, stop);
            }
        });
        if let Some(pin) = to {
            self.show_taped(pin);
        }
    }

    pub(crate) fn keep_retape(&mut self, tie: TapeTieId, mm: i64) {
        let Ok(distance) = u32::try_from(mm).map(Length::from_mm) else {
            return;
        };
        let mut to = None;
        self.change("tape tie", |visit, _| {
            if let Some(tie) = visit.ties.iter_mut().find(|other| other.id == tie) {
                tie.distance_mm = distance;
                to = Some(tie.target);
            }
        });
        if let Some(pin) = to {
            self.show_taped(pin);
        }
    }

    /// Shows what the tapes came to: the question of the side, or the place.
    fn show_taped(&mut self, pin: PinId) {
        let Some(state) = self.stop.as_mut() else { return };
        let two = matches!(
            state.find.model.mark(pin).map(|mark| &mark.taped),
            Some(Taped::TwoSides(_))
        );
        state.find.mode = if two {
            Mode::Side(pin)
        } else {
            Mode::Chosen(Thing::Pin(pin))
        };
    }

    /// One of the two places that fit is the right one.
    pub(crate) fn choose_side(&mut self, place: usize) {
        let Some(state) = self.stop.as_ref() else { return };
        let Mode::Side(pin) = state.find.mode else { return };
        let side = sides(&state.find.model, pin).get(place).copied();
        let Some((x, y)) = side.and_then(millimetres) else {
            return;
        };
        self.change("side of the tapes", |visit, _| {
            if let Some(pin) = visit.pins.iter_mut().find(|other| other.id == pin) {
                (pin.x_mm, pin.y_mm) = (Some(x), Some(y));
            }
        });
        self.find_mode(Mode::Chosen(Thing::Pin(pin)));
    }

    // --- the house -------------------------------------------------------------------------------

    fn open_walls(&mut self) {
        let words = self.session.words();
        let row = |wall: Wall, text: &str| (Choice::Wall(wall), words.t(text), String::new());
        let rows = vec![
            row(Wall::Back, "The back of the house"),
            row(Wall::Front, "The front of the house"),
            row(Wall::Side, "A side of the house"),
        ];
        self.open_list("Which wall do you face?", rows);
    }

    /// Asks how long the wall is that runs from `left` toward `right`.
    pub(crate) fn ask_wall(&mut self, left: Point, right: Point) {
        if left.distance_m(right) < 0.3 {
            self.say_nothing_to_do("The two corners are one place.", "Tap where the right-hand corner is.");
            return;
        }
        let (Some(left), Some(right)) = (millimetres(left), millimetres(right)) else {
            return;
        };
        self.open_pad(
            PadTarget::WallLength { left, right },
            PadKind::Distance,
            "Tape from its left corner to its right corner",
            String::new(),
        );
    }

    /// Two corners and the tape between them: the plan's baseline. The far wall is asked for next.
    pub(crate) fn keep_wall(&mut self, left: (i64, i64), right: (i64, i64), mm: i64) {
        let Ok(distance) = u32::try_from(mm).map(Length::from_mm) else {
            return;
        };
        let Some(state) = self.stop.as_ref() else { return };
        let (stop, names) = (state.stop_id(), state.find.wall.corners());
        let (a, b) = (
            crate::app::yard::point_of(left.0, left.1),
            crate::app::yard::point_of(right.0, right.1),
        );
        let Some(along) = b.minus(a).unit() else { return };
        let b = a.plus(along.times(distance.mm() / 1000.0));
        let mut corners = None;
        self.change("house wall", |visit, new_id| {
            let first = add_corner(visit, PinId(new_id()), names[0], a, stop);
            let second = add_corner(visit, PinId(new_id()), names[1], b, stop);
            lay_tape(visit, TapeTieId(new_id()), second, first, distance, stop);
            corners = Some((first, second));
        });
        self.find_mode(Mode::Look);
        if let Some((first, second)) = corners {
            self.open_pad(
                PadTarget::HouseDepth { first, second },
                PadKind::Distance,
                "How deep is the house behind that wall? Cancel if not taped.",
                String::new(),
            );
        }
    }

    pub(crate) fn keep_house_depth(&mut self, first: PinId, second: PinId, mm: i64) {
        let Ok(distance) = u32::try_from(mm).map(Length::from_mm) else {
            return;
        };
        let Some(state) = self.stop.as_ref() else { return };
        let (stop, names) = (state.stop_id(), state.find.wall.corners());
        let place = |pin: PinId| state.find.model.mark(pin).and_then(|mark| Some(mark.placed?.at));
        let (Some(a), Some(b)) = (place(first), place(second)) else {
            return;
        };
        let Some(along) = b.minus(a).unit() else { return };
        let back = Point::new(-along.y_m, along.x_m).times(distance.mm() / 1000.0);
        self.change("house depth", |visit, new_id| {
            let third = add_corner(visit, PinId(new_id()), names[2], b.plus(back), stop);
            let fourth = add_corner(visit, PinId(new_id()), names[3], a.plus(back), stop);
            lay_tape(visit, TapeTieId(new_id()), third, second, distance, stop);
            lay_tape(visit, TapeTieId(new_id()), fourth, first, distance, stop);
        });
        self.find_mode(Mode::Look);
    }

    pub(crate) fn set_sewer_depth(&mut self, mm: i64) {
        let depth = u32::try_from(mm).ok().map(Length::from_mm);
        self.change("sewer depth", |visit, _| visit.site.sewer_invert_mm = depth);
    }

    /// Opens the number pad on the depth of the sewer at the house.
    pub fn tap_sewer_depth(&mut self) {
        self.open_pad(
            PadTarget::SewerDepth,
            PadKind::Length,
            "Bottom of the sewer below the ground, at the house",
            String::new(),
        );
    }

    /// The next of eight ways the plan's top may point, then unknown again; the compass sets it when there is one.
    pub fn tap_north(&mut self) {
        let heading = self.position().and_then(|here| here.heading_deg);
        self.change("plan's north", |visit, _| {
            let site = &mut visit.site;
            site.north_tenths = match (site.north_tenths, heading) {
                (None, Some(heading)) => round_to_i64(heading.rem_euclid(360.0) * 10.0).map(|tenths| tenths % 3_600),
                (None, None) => Some(0),
                (Some(tenths), _) if tenths >= 3_150 => None,
                (Some(tenths), _) => Some((tenths / 450 + 1) * 450),
            };
        });
    }
}

fn add_corner(
    visit: &mut Visit,
    id: PinId,
    name: &str,
    at: Point,
    stop: Option<crate::domain::record::StopId>,
) -> PinId {
    let (x_mm, y_mm) = millimetres(at).unzip();
    visit.pins.push(Pin {
        id,
        site: visit.site.id,
        stop,
        place: next_place(visit),
        kind: PinKind::HouseCorner,
        name: name.to_owned(),
        x_mm,
        y_mm,
        ..Pin::default()
    });
    id
}

/// Lays a tape between two pins; one that was pulled from the same point before is pulled again.
fn lay_tape(
    visit: &mut Visit,
    id: TapeTieId,
    target: PinId,
    origin: PinId,
    distance: Length,
    stop: Option<crate::domain::record::StopId>,
) {
    let place = next_place(visit);
    visit.ties.push(TapeTie {
        id,
        site: visit.site.id,
        stop,
        place,
        target,
        origin,
        distance_mm: distance,
        ..TapeTie::default()
    });
}
