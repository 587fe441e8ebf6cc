//! The keys under the plan, and fingers on it.

use crate::app::find::{FindState, Mode, PanelKey, PanelLook, Placing, Thing, capital, fixes_of, sides, things};
use crate::app::find_tape::TapeEnd;
use crate::app::overlay::{Confirm, ConfirmTarget, PadKind, PadTarget};
use crate::app::shell::App;
use crate::app::stop::StopState;
use crate::app::yard::{millimetres, write_fixes, write_line};
use crate::domain::locate::Point;
use crate::domain::locate::fix::{Fix, PinKind};
use crate::domain::locate::yard::METRES_PER_FOOT;
use crate::domain::record::{
    ClueKind, LidId, Pin, PinId, ProbeMet, RodProbe, RodProbeId, Units, Visit, YardClue, YardClueId,
};
use crate::domain::units::Length;

/// What a key of the panel does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Act {
    Hit,
    Nothing,
    Pin,
    Clue,
    Tape,
    Found,
    NotFound,
    NextLid,
    Understood,
    Keep,
    Cancel,
    Position,
    Depth,
    Met(ProbeMet),
    Bigger,
    Smaller,
    NotSeen,
    Side(usize),
    Done,
    Move,
    TakePosition,
    Remove,
    More,
}

/// The keys of the upper row and those beside Undo, each with what it does.
pub(crate) type Panel = (Vec<(Act, PanelKey)>, Vec<(Act, PanelKey)>);

/// How near a finger must come to a thing to mean it, dp.
const REACH_DP: f64 = 44.0;
/// How far a finger may slip and still have tapped, dp.
const SLIP_DP: f64 = 12.0;
/// The longest line of a hose: nobody lays more bends.
const MOST_BENDS: usize = 100;

/// The next place in the order in which the yard was learnt.
pub(crate) fn next_place(visit: &Visit) -> i64 {
    let pins = visit.pins.iter().map(|pin| pin.place);
    let ties = visit.ties.iter().map(|tie| tie.place);
    let clues = visit.clues.iter().map(|clue| clue.place);
    let probes = visit.probes.iter().map(|probe| probe.place);
    pins.chain(ties).chain(clues).chain(probes).max().unwrap_or(-1) + 1
}

impl App {
    fn plain(&self, act: Act, text: &str) -> (Act, PanelKey) {
        let key = PanelKey {
            text: self.session.words().t(text),
            ..PanelKey::default()
        };
        (act, key)
    }

    fn main_key(&self, act: Act, text: &str) -> (Act, PanelKey) {
        let (act, key) = self.plain(act, text);
        (
            act,
            PanelKey {
                look: PanelLook::Action,
                ..key
            },
        )
    }

    /// The keys that are offered now.
    pub(crate) fn panel(&self) -> Panel {
        let Some(state) = self.stop.as_ref() else {
            return Panel::default();
        };
        match &state.find.mode {
            Mode::Notes => Panel::default(),
            Mode::Cautions { .. } => (
                vec![self.main_key(Act::Understood, "Read and understood")],
                vec![self.plain(Act::Cancel, "Not now")],
            ),
            Mode::Look => self.look_panel(state),
            Mode::Chosen(thing) => self.chosen_panel(state, *thing),
            Mode::Place(placing) => self.place_panel(state, placing),
            Mode::Toward { .. } => (
                vec![
                    self.main_key(Act::Keep, "This way"),
                    self.plain(Act::NotSeen, "Not seen"),
                ],
                vec![self.plain(Act::Cancel, "Cancel")],
            ),
            Mode::Side(pin) => {
                let words = self.session.words();
                let places = sides(&state.find.model, *pin).len().min(2);
                let key = |place: usize| {
                    let key = PanelKey {
                        text: words.f("Place {0}", &[&(place + 1).to_string()]),
                        ..PanelKey::default()
                    };
                    (Act::Side(place), key)
                };
                ((0..places).map(key).collect(), vec![self.plain(Act::Cancel, "Later")])
            }
        }
    }

    fn look_panel(&self, state: &StopState) -> Panel {
        if state.find.model.lids().next().is_none() {
            return (
                vec![
                    self.plain(Act::Hit, "Hit the tank"),
                    self.plain(Act::Nothing, "Nothing here"),
                    self.plain(Act::Pin, "Pin"),
                ],
                vec![self.plain(Act::Clue, "Clue"), self.plain(Act::Tape, "Tape tie")],
            );
        }
        let answer = |act, text, is_so: bool| {
            let (act, key) = self.plain(act, text);
            let look = if is_so { PanelLook::Chosen } else { PanelLook::Plain };
            (act, PanelKey { look, ..key })
        };
        let found = state.visit.stop.lid_found;
        let second = if state.find.model.lids().count() > 1 {
            self.plain(Act::NextLid, "Next lid")
        } else {
            self.plain(Act::Clue, "Clue")
        };
        (
            vec![
                answer(Act::Found, "Lid found", found == Some(true)),
                answer(Act::NotFound, "Not found", found == Some(false)),
                self.plain(Act::Pin, "Pin"),
            ],
            vec![second, self.plain(Act::Tape, "Tape tie")],
        )
    }

    fn chosen_panel(&self, state: &StopState, thing: Thing) -> Panel {
        let close = vec![self.plain(Act::Cancel, "Close")];
        match thing {
            Thing::Pin(pin) => {
                let kind = state.find.model.mark(pin).map(|mark| mark.kind);
                let mut upper = vec![self.plain(Act::Tape, "Tape tie"), self.plain(Act::Move, "Move")];
                if kind == Some(PinKind::HosePath) {
                    upper.clear();
                } else if self.here_fix().is_some() {
                    upper.push(self.plain(Act::TakePosition, "Take position"));
                }
                let more = self.plain(Act::More, "More");
                (upper, [vec![more], close].concat())
            }
            Thing::Clue(_) => (
                vec![self.plain(Act::Move, "Move"), self.plain(Act::Remove, "Take away")],
                close,
            ),
            Thing::Probe(_) => (vec![self.plain(Act::Remove, "Take away")], close),
            Thing::Best(_) => (
                vec![
                    self.plain(Act::Hit, "Hit the tank"),
                    self.plain(Act::Nothing, "Nothing here"),
                ],
                close,
            ),
        }
    }

    fn place_panel(&self, state: &StopState, placing: &Placing) -> Panel {
        let cancel = self.plain(Act::Cancel, "Cancel");
        let keep = self.main_key(Act::Keep, "Keep");
        let has_fix = self.here_fix().is_some();
        let position = if state.find.taking.is_some() {
            self.plain(Act::Position, "Plan instead")
        } else if placing.takes_fixes() {
            self.plain(Act::Position, "Use position")
        } else {
            self.plain(Act::Position, "Where I stand")
        };
        let mut upper = Vec::new();
        let mut lower = vec![cancel, keep];
        match placing {
            Placing::Hit => {
                upper.push(self.main_key(Act::Met(ProbeMet::Tank), "Tank"));
                upper.push(self.plain(Act::Met(ProbeMet::Edge), "Its edge"));
                upper.push(self.plain(Act::Met(ProbeMet::Pipe), "A pipe"));
                lower.truncate(1);
                if has_fix {
                    lower.push(position);
                }
                return (upper, lower);
            }
            Placing::Nothing => {
                let (act, mut key) = self.plain(Act::Depth, "Depth");
                key.detail = self.session.figures().length(Length::from_mm(state.find.depth_mm));
                upper.push((act, key));
            }
            Placing::Hose => {
                upper.push(self.plain(Act::Keep, "Bend here"));
                lower.truncate(1);
                if state.find.laying.len() > 1 {
                    lower.push(self.main_key(Act::Done, "Done"));
                }
            }
            _ if placing.has_size() && state.find.taking.is_none() => {
                upper.push(self.plain(Act::Smaller, "Smaller"));
                upper.push(self.plain(Act::Bigger, "Bigger"));
            }
            _ => {}
        }
        if has_fix || state.find.taking.is_some() {
            upper.push(position);
        }
        (upper, lower)
    }

    /// A key under the plan: the upper row is counted first.
    pub fn tap_find_key(&mut self, index: usize) {
        let (upper, lower) = self.panel();
        if let Some((act, _)) = upper.into_iter().chain(lower).nth(index) {
            self.act(act);
        }
    }

    pub(crate) fn find_mode(&mut self, mode: Mode) {
        if let Some(state) = self.stop.as_mut() {
            state.find.mode = mode;
        }
    }

    fn act(&mut self, act: Act) {
        match act {
            Act::Hit => self.begin_probe(true),
            Act::Nothing => self.begin_probe(false),
            Act::Pin => self.open_pin_list(),
            Act::Clue => self.open_clue_list(),
            Act::Tape => self.begin_tape(),
            Act::Found => self.tap_found(crate::app::overlay::Answer::Yes),
            Act::NotFound => self.tap_found(crate::app::overlay::Answer::No),
            Act::NextLid => self.next_lid(),
            Act::Understood => {
                let then = self.stop.as_ref().map(|state| state.find.mode.clone());
                self.acknowledge_cautions();
                if let Some(Mode::Cautions { hit }) = then {
                    self.begin_probe(hit);
                }
            }
            Act::Keep => self.keep_placing(),
            Act::Cancel => self.stop_placing(),
            Act::Position => self.toggle_position(),
            Act::Depth => self.open_pad(
                PadTarget::PushDepth,
                PadKind::Length,
                "How deep was it pushed?",
                String::new(),
            ),
            Act::Met(met) => self.keep_probe(met),
            Act::Bigger => self.resize(1),
            Act::Smaller => self.resize(-1),
            Act::NotSeen => self.keep_toward(false),
            Act::Side(place) => self.choose_side(place),
            Act::Done => self.keep_hose(),
            Act::Move => self.begin_move(),
            Act::TakePosition => {
                if let Some(Mode::Chosen(Thing::Pin(pin))) = self.stop.as_ref().map(|state| state.find.mode.clone()) {
                    self.begin_placing(Placing::FixPin(pin));
                    self.toggle_position();
                }
            }
            Act::Remove => self.remove_chosen(),
            Act::More => self.open_more(),
        }
    }

    fn next_lid(&mut self) {
        let Some(state) = self.stop.as_mut() else { return };
        let lids: Vec<PinId> = state.find.model.lids().map(|mark| mark.id).collect();
        let at = state
            .find
            .led_to
            .and_then(|pin| lids.iter().position(|lid| *lid == pin))
            .unwrap_or(0);
        state.find.led_to = lids.get((at + 1) % lids.len().max(1)).copied();
    }

    /// Whether the cautions before digging were read at this stop.
    #[must_use]
    pub fn is_cautioned(&self) -> bool {
        self.stop
            .as_ref()
            .is_some_and(|state| state.visit.stop.cautioned_at.is_some())
    }

    /// The cautions before digging have been read: the time is kept, and Undo leaves it alone.
    pub fn acknowledge_cautions(&mut self) {
        let now = self.session.now();
        self.change_plainly("cautions read", |visit, _| {
            visit.stop.cautioned_at = visit.stop.cautioned_at.or(Some(now));
        });
        self.find_mode(Mode::Look);
    }

    fn begin_probe(&mut self, hit: bool) {
        if !self.is_cautioned() {
            self.find_mode(Mode::Cautions { hit });
            return;
        }
        self.begin_placing(if hit { Placing::Hit } else { Placing::Nothing });
    }

    /// Begins to place something: where it most likely is, or in the middle of what shows.
    pub(crate) fn begin_placing(&mut self, placing: Placing) {
        let middle = self.plan_lens().map(|lens| lens.centre);
        let best = self.led_to().map(|(at, _, _)| at);
        let Some(state) = self.stop.as_mut() else { return };
        let find = &mut state.find;
        let chosen = match find.mode {
            Mode::Chosen(Thing::Best(index)) => find.map.best().get(index).map(|best| best.at),
            _ => None,
        };
        let last_hit = || {
            let hit = |probe: &&RodProbe| probe.met == ProbeMet::Tank;
            let probe = state.visit.probes.iter().rev().find(hit)?;
            Some(crate::app::yard::point_of(probe.x_mm, probe.y_mm))
        };
        let start = match &placing {
            Placing::Hit | Placing::Nothing => chosen.or(best).or(middle),
            Placing::MovePin(pin) | Placing::FixPin(pin) => {
                find.model.mark(*pin).and_then(|mark| Some(mark.placed?.at)).or(middle)
            }
            Placing::MoveClue(id) => things(state)
                .into_iter()
                .find(|(thing, _)| *thing == Thing::Clue(*id))
                .map(|(_, at)| at)
                .or(middle),
            Placing::NewPin {
                kind: PinKind::TankLid, ..
            } => last_hit().or(middle),
            Placing::WallRight(left) => Some(left.plus(Point::new(8.0, 0.0))),
            _ => middle,
        };
        let find = &mut state.find;
        find.aim = start.unwrap_or(Point::ORIGIN);
        find.taking = None;
        find.laying.clear();
        find.radius_mm = 1_200;
        find.mode = Mode::Place(placing);
    }

    fn begin_move(&mut self) {
        match self.stop.as_ref().map(|state| state.find.mode.clone()) {
            Some(Mode::Chosen(Thing::Pin(pin))) => self.begin_placing(Placing::MovePin(pin)),
            Some(Mode::Chosen(Thing::Clue(clue))) => self.begin_placing(Placing::MoveClue(clue)),
            _ => {}
        }
    }

    fn stop_placing(&mut self) {
        if let Some(state) = self.stop.as_mut() {
            state.find.mode = Mode::Look;
            state.find.taking = None;
            state.find.taping = None;
            state.find.laying.clear();
        }
    }

    /// Uses the device's position: averaged, fix by fix, for a pin; once, for anything else.
    fn toggle_position(&mut self) {
        let fix = self.here_fix();
        let Some(state) = self.stop.as_mut() else { return };
        let find = &mut state.find;
        match (&find.mode, find.taking.is_some()) {
            (Mode::Place(placing), false) if placing.takes_fixes() => {
                find.taking = Some(fix.into_iter().collect());
            }
            (Mode::Place(_), true) => find.taking = None,
            (Mode::Place(_), false) => match fix.and_then(|fix| find.model.to_plan(fix.position)) {
                Some(at) => find.aim = at,
                None => self.say_nothing_to_do(
                    "The plan does not know where on the Earth it lies.",
                    "Take the position of two points of the plan, or tap the place.",
                ),
            },
            _ => {}
        }
    }

    fn resize(&mut self, by: i32) {
        let step = match self.session.setup().units {
            Units::UsCustomary => 305,
            Units::Metric => 250,
        };
        if let Some(state) = self.stop.as_mut() {
            let radius = state.find.radius_mm;
            let radius = if by > 0 {
                radius.saturating_add(step)
            } else {
                radius.saturating_sub(step)
            };
            state.find.radius_mm = radius.clamp(300, 20_000);
        }
    }

    /// Moves what is being placed by steps to the right and ahead.
    pub fn nudge_marker(&mut self, right: i32, ahead: i32) {
        let step_m = match self.session.setup().units {
            Units::UsCustomary => METRES_PER_FOOT / 2.0,
            Units::Metric => 0.1,
        };
        if let Some(state) = self.stop.as_mut()
            && matches!(state.find.mode, Mode::Place(_) | Mode::Toward { .. })
        {
            let by = Point::new(f64::from(right.clamp(-50, 50)), f64::from(ahead.clamp(-50, 50)));
            let to = state.find.aim.plus(by.times(step_m));
            if to.length_m() < 5_000.0 {
                state.find.aim = to;
            }
        }
    }

    /// Brings what is being placed to a place in feet of the plan; `None` when nothing is being placed.
    pub(crate) fn aim_at_feet(&mut self, right: f64, ahead: f64) -> Option<()> {
        let state = self.stop.as_mut()?;
        let to = Point::new(right, ahead).times(METRES_PER_FOOT);
        (matches!(state.find.mode, Mode::Place(_) | Mode::Toward { .. }) && to.length_m() < 5_000.0)
            .then(|| state.find.aim = to)
    }

    /// Keeps what is being placed where it is.
    pub(crate) fn keep_placing(&mut self) {
        let Some(state) = self.stop.as_ref() else { return };
        let find = &state.find;
        let at = find.aim;
        let Some((x, y)) = millimetres(at) else { return };
        let fixes = find.taking.clone();
        if fixes.as_ref().is_some_and(Vec::is_empty) {
            self.say_nothing_to_do(
                "No position has come yet.",
                "Wait for one, or tap the place on the plan.",
            );
            return;
        }
        let fixes = fixes.unwrap_or_default();
        let mode = find.mode.clone();
        match mode {
            Mode::Toward { .. } => self.keep_toward(true),
            Mode::Place(Placing::Nothing) => self.keep_probe(ProbeMet::Nothing),
            Mode::Place(Placing::Hose) => self.add_bend(),
            Mode::Place(Placing::NewPin { kind, lid, name }) => {
                if matches!(kind, PinKind::SewerExit | PinKind::Cleanout) {
                    let away = find.model.yard.outward_deg(at).unwrap_or(180.0);
                    let placing = Placing::NewPin { kind, lid, name };
                    self.begin_toward(placing, at, fixes, away);
                } else {
                    self.add_pin(kind, lid, &name, at, &fixes, None);
                }
            }
            Mode::Place(Placing::MovePin(pin)) => {
                self.change("pin moved", |visit, _| {
                    if let Some(pin) = visit.pins.iter_mut().find(|other| other.id == pin) {
                        (pin.x_mm, pin.y_mm) = (Some(x), Some(y));
                    }
                });
                self.find_mode(Mode::Chosen(Thing::Pin(pin)));
            }
            Mode::Place(Placing::FixPin(pin)) => self.keep_fixes(pin, &fixes, (x, y)),
            Mode::Place(Placing::MoveClue(clue)) => {
                self.change("clue moved", |visit, _| {
                    if let Some(clue) = visit.clues.iter_mut().find(|other| other.id == clue) {
                        (clue.x_mm, clue.y_mm) = (x, y);
                    }
                });
                self.find_mode(Mode::Chosen(Thing::Clue(clue)));
            }
            Mode::Place(Placing::NewClue(ClueKind::Record)) => self.open_pad(
                PadTarget::RecordDistance,
                PadKind::Distance,
                "How far is the tank from there on the drawing?",
                String::new(),
            ),
            Mode::Place(Placing::NewClue(kind)) => self.add_clue(kind, None),
            Mode::Place(Placing::WallLeft) => self.begin_placing(Placing::WallRight(at)),
            Mode::Place(Placing::WallRight(left)) => self.ask_wall(left, at),
            _ => {}
        }
    }

    fn begin_toward(&mut self, placing: Placing, at: Point, fixes: Vec<Fix>, away_deg: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.find.taking = None;
            state.find.aim = at.plus(Point::polar(away_deg, 3.0));
            state.find.mode = Mode::Toward { placing, at, fixes };
        }
    }

    fn keep_toward(&mut self, seen: bool) {
        let Some(state) = self.stop.as_ref() else { return };
        let Mode::Toward { placing, at, fixes } = state.find.mode.clone() else {
            return;
        };
        let aim = state.find.aim;
        let bearing = (seen && aim.distance_m(at) > 0.05)
            .then(|| crate::domain::units::round_to_i64(at.bearing_deg(aim) * 10.0))
            .flatten();
        if let Placing::NewPin { kind, lid, name } = placing {
            self.add_pin(kind, lid, &name, at, &fixes, bearing);
        }
    }

    /// Adds a pin: by its fixes when it has any, else where it was put on the plan.
    pub(crate) fn add_pin(
        &mut self,
        kind: PinKind,
        lid: Option<LidId>,
        name: &str,
        at: Point,
        fixes: &[Fix],
        pipe_tenths: Option<i64>,
    ) {
        let Some(state) = self.stop.as_ref() else { return };
        let find = &state.find;
        let Some((x, y)) = millimetres(at) else { return };
        let on_earth = find.model.fit.is_some();
        let is_empty = find.model.extent().is_empty();
        let radius = find.radius_mm;
        let stop = state.stop_id();
        let mut added = None;
        self.change("pin", |visit, new_id| {
            let id = PinId(new_id());
            added = Some(id);
            let place = next_place(visit);
            // The first place of an empty plan known by position starts it: there, with north up.
            let starts = !fixes.is_empty() && is_empty && !on_earth;
            if starts {
                visit.site.north_tenths = Some(0);
            }
            let (x_mm, y_mm) = match (fixes.is_empty(), starts) {
                (true, _) => (Some(x), Some(y)),
                (false, true) => (Some(0), Some(0)),
                (false, false) => (None, None),
            };
            visit.pins.push(Pin {
                id,
                site: visit.site.id,
                stop,
                place,
                lid,
                kind,
                name: name.to_owned(),
                x_mm,
                y_mm,
                pipe_tenths,
                radius_mm: (kind == PinKind::Obstacle).then(|| Length::from_mm(radius)),
                fixes: if fixes.is_empty() {
                    String::new()
                } else {
                    write_fixes(fixes)
                },
                ..Pin::default()
            });
        });
        let taping = self.stop.as_mut().and_then(|state| {
            state.find.taking = None;
            state.find.mode = added.map_or(Mode::Look, |pin| Mode::Chosen(Thing::Pin(pin)));
            state.find.taping.take()
        });
        if let (Some(end), Some(pin)) = (taping, added) {
            self.ask_tape(end, pin);
        }
    }

    fn keep_fixes(&mut self, pin: PinId, fixes: &[Fix], (x, y): (i64, i64)) {
        if fixes.is_empty() {
            // The plan was tapped instead: then that is its place.
            self.change("pin moved", |visit, _| {
                if let Some(pin) = visit.pins.iter_mut().find(|other| other.id == pin) {
                    (pin.x_mm, pin.y_mm) = (Some(x), Some(y));
                }
            });
        } else {
            self.change("pin's position", |visit, _| {
                if let Some(pin) = visit.pins.iter_mut().find(|other| other.id == pin) {
                    let mut all = fixes_of(&pin.fixes);
                    all.extend_from_slice(fixes);
                    pin.fixes = write_fixes(&all);
                }
            });
        }
        if let Some(state) = self.stop.as_mut() {
            state.find.taking = None;
            state.find.mode = Mode::Chosen(Thing::Pin(pin));
        }
    }

    pub(crate) fn add_clue(&mut self, kind: ClueKind, distance: Option<Length>) {
        let Some(state) = self.stop.as_ref() else { return };
        let Some((x_mm, y_mm)) = millimetres(state.find.aim) else {
            return;
        };
        let radius = Length::from_mm(state.find.radius_mm);
        let stop = state.stop_id();
        let sized = matches!(kind, ClueKind::Oval | ClueKind::Settled | ClueKind::Customer);
        self.change("clue", |visit, new_id| {
            visit.clues.push(YardClue {
                id: YardClueId(new_id()),
                site: visit.site.id,
                stop,
                place: next_place(visit),
                kind,
                x_mm,
                y_mm,
                radius_mm: sized.then_some(radius),
                distance_mm: distance,
                ..YardClue::default()
            });
        });
        self.find_mode(Mode::Look);
    }

    fn keep_probe(&mut self, met: ProbeMet) {
        let Some(state) = self.stop.as_ref() else { return };
        let Some((x_mm, y_mm)) = millimetres(state.find.aim) else {
            return;
        };
        let (depth, stop) = (Length::from_mm(state.find.depth_mm), state.stop_id());
        self.change("push of the rod", |visit, new_id| {
            visit.probes.push(RodProbe {
                id: RodProbeId(new_id()),
                site: visit.site.id,
                stop,
                place: next_place(visit),
                x_mm,
                y_mm,
                depth_mm: depth,
                met,
                ..RodProbe::default()
            });
        });
        self.find_mode(Mode::Look);
        if met == ProbeMet::Tank {
            self.offer_lid();
        }
    }

    /// The tank was hit: asks whether a lid is to be pinned there.
    fn offer_lid(&mut self) {
        let words = self.session.words();
        let Some(state) = self.stop.as_ref() else { return };
        let free = state
            .lids()
            .into_iter()
            .find(|lid| !state.visit.pins.iter().any(|pin| pin.lid == Some(lid.id)));
        let Some(lid) = free else { return };
        let name = crate::app::dig::lid_title(&lid.name, words);
        let id = lid.id;
        self.confirm = Some(Confirm {
            target: ConfirmTarget::PinLid(id),
            title: words.t("You hit the tank"),
            sentence: words.f(
                "Pin it here as the {0}? The pin can be moved, and taped from the house, when the lid is bare.",
                &[&name],
            ),
            yes: words.f("Pin here: {0}", &[&capital(&name)]),
            no: words.t("No, go on probing"),
        });
    }

    pub(crate) fn pin_lid_at_hit(&mut self, lid: LidId) {
        let Some(state) = self.stop.as_ref() else { return };
        let Some((x, y)) = millimetres(state.find.aim) else {
            return;
        };
        let stop = state.stop_id();
        let mut added = None;
        self.change("lid pinned", |visit, new_id| {
            let id = PinId(new_id());
            added = Some(id);
            visit.stop.lid_found = Some(true);
            visit.pins.push(Pin {
                id,
                site: visit.site.id,
                stop,
                place: next_place(visit),
                lid: Some(lid),
                kind: PinKind::TankLid,
                x_mm: Some(x),
                y_mm: Some(y),
                ..Pin::default()
            });
        });
        if let Some(pin) = added {
            self.find_mode(Mode::Chosen(Thing::Pin(pin)));
        }
    }

    pub(crate) fn set_push_depth(&mut self, mm: i64) {
        if let (Some(state), Ok(mm)) = (self.stop.as_mut(), u32::try_from(mm)) {
            state.find.depth_mm = mm.min(10_000);
        }
    }

    fn add_bend(&mut self) {
        if let Some(state) = self.stop.as_mut()
            && state.find.laying.len() < MOST_BENDS
        {
            let aim = state.find.aim;
            if state.find.laying.last() != Some(&aim) {
                state.find.laying.push(aim);
            }
        }
    }

    fn keep_hose(&mut self) {
        let Some(state) = self.stop.as_mut() else { return };
        let bends: Vec<(i64, i64)> = state.find.laying.drain(..).filter_map(millimetres).collect();
        let stop = state.stop_id();
        let first = bends.first().copied();
        self.change("hose path", |visit, new_id| {
            visit.pins.push(Pin {
                id: PinId(new_id()),
                site: visit.site.id,
                stop,
                place: next_place(visit),
                kind: PinKind::HosePath,
                x_mm: first.map(|(x, _)| x),
                y_mm: first.map(|(_, y)| y),
                line_mm: write_line(&bends),
                ..Pin::default()
            });
        });
        self.find_mode(Mode::Look);
    }

    fn remove_chosen(&mut self) {
        let Some(Mode::Chosen(thing)) = self.stop.as_ref().map(|state| state.find.mode.clone()) else {
            return;
        };
        match thing {
            Thing::Pin(pin) => self.remove_pin(pin),
            Thing::Clue(id) => self.change("clue taken away", |visit, _| {
                if let Some(clue) = visit.clues.iter_mut().find(|clue| clue.id == id) {
                    clue.removed = true;
                }
            }),
            Thing::Probe(id) => self.change("push taken away", |visit, _| {
                if let Some(probe) = visit.probes.iter_mut().find(|probe| probe.id == id) {
                    probe.removed = true;
                }
            }),
            Thing::Best(_) => {}
        }
        self.find_mode(Mode::Look);
    }

    // --- the plan under a finger -----------------------------------------------------------------

    /// The drawing's area has changed size.
    pub fn plan_resized(&mut self, width_px: f64, height_px: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.find.area = (width_px, height_px);
        }
    }

    /// A finger came down on the plan.
    pub fn plan_pressed(&mut self, x: f64, y: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.find.pressed = Some((x, y));
            state.find.dragged = false;
        }
    }

    /// The finger moves: it takes along what is being placed, or the plan.
    pub fn plan_dragged(&mut self, x: f64, y: f64) {
        let Some(lens) = self.plan_lens() else { return };
        let Some(state) = self.stop.as_mut() else { return };
        let find = &mut state.find;
        let Some((from_x, from_y)) = find.pressed else { return };
        if !(x.is_finite() && y.is_finite()) {
            return;
        }
        if !find.dragged && (x - from_x).hypot(y - from_y) < SLIP_DP {
            return;
        }
        find.dragged = true;
        if matches!(find.mode, Mode::Place(_) | Mode::Toward { .. }) {
            if let Some(at) = lens.to_plan(x, y) {
                find.aim = at;
            }
            return;
        }
        let (Some(was), Some(is)) = (lens.to_plan(from_x, from_y), lens.to_plan(x, y)) else {
            return;
        };
        let centre = lens.centre.plus(was.minus(is));
        if centre.length_m() < 2_000.0 {
            find.centre = Some(centre);
        }
        find.pressed = Some((x, y));
    }

    /// The finger let go: a tap places or selects.
    pub fn plan_released(&mut self) {
        let Some(lens) = self.plan_lens() else { return };
        let Some(state) = self.stop.as_mut() else { return };
        let Some((x, y)) = state.find.pressed.take() else {
            return;
        };
        if std::mem::take(&mut state.find.dragged) {
            return;
        }
        let Some(at) = lens.to_plan(x, y) else { return };
        let reach_m = REACH_DP / lens.per_m;
        match state.find.mode.clone() {
            Mode::Place(placing) => {
                state.find.aim = at;
                if placing == Placing::Hose {
                    self.add_bend();
                }
            }
            Mode::Toward { .. } => state.find.aim = at,
            Mode::Side(pin) => {
                let nearest = sides(&state.find.model, pin)
                    .into_iter()
                    .enumerate()
                    .map(|(place, side)| (place, side.distance_m(at)))
                    .min_by(|a, b| a.1.total_cmp(&b.1))
                    .filter(|(_, away)| *away < 2.0 * reach_m);
                if let Some((place, _)) = nearest {
                    self.choose_side(place);
                }
            }
            Mode::Look | Mode::Chosen(_) => {
                let nearest = things(state)
                    .into_iter()
                    .map(|(thing, place)| (thing, place.distance_m(at)))
                    .min_by(|a, b| a.1.total_cmp(&b.1))
                    .filter(|(_, away)| *away < reach_m);
                state.find.mode = nearest.map_or(Mode::Look, |(thing, _)| Mode::Chosen(thing));
                if let Some((Thing::Pin(pin), _)) = nearest
                    && state.find.model.lids().any(|mark| mark.id == pin)
                {
                    state.find.led_to = Some(pin);
                }
            }
            Mode::Notes | Mode::Cautions { .. } => {}
        }
    }

    /// Draws the plan larger or smaller about what matters.
    pub fn plan_zoom(&mut self, by: i32) {
        let Some(lens) = self.plan_lens() else { return };
        let led_to = self.led_to().map(|(at, _, _)| at);
        let Some(state) = self.stop.as_mut() else { return };
        let find = &mut state.find;
        let about = match &find.mode {
            Mode::Place(_) | Mode::Toward { .. } => Some(find.aim),
            Mode::Chosen(chosen) => {
                let chosen = *chosen;
                things(state)
                    .into_iter()
                    .find(|(thing, _)| *thing == chosen)
                    .map(|(_, at)| at)
            }
            _ => led_to,
        };
        let find = &mut state.find;
        find.centre = Some(about.unwrap_or(lens.centre));
        find.zoom = find.zoom.saturating_add(by.clamp(-1, 1)).clamp(-4, 10);
    }

    /// Shows the whole plan again.
    pub fn plan_fit(&mut self) {
        if let Some(state) = self.stop.as_mut() {
            state.find.centre = None;
            state.find.zoom = 0;
            state.find.whole = true;
        }
    }

    /// Shows the notes instead of the plan, or the plan again.
    pub fn tap_find_notes(&mut self) {
        let is_notes = self.stop.as_ref().is_some_and(|state| state.find.mode == Mode::Notes);
        self.stop_placing();
        self.find_mode(if is_notes { Mode::Look } else { Mode::Notes });
    }
}

impl FindState {
    /// Forgets what was going on, after records were taken back under it.
    pub(crate) fn settle_down(&mut self) {
        self.mode = if self.mode == Mode::Notes {
            Mode::Notes
        } else {
            Mode::Look
        };
        self.taking = None;
        self.taping = None;
        self.laying.clear();
    }
}

impl TapeEnd {
    /// The pin it is, when it is one already.
    pub(crate) const fn pin(&self) -> Option<PinId> {
        match self {
            Self::Pin(pin) => Some(*pin),
            Self::Lid(_) | Self::New => None,
        }
    }
}
