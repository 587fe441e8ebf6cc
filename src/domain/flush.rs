//! The flush test: run every fixture, watch the inlet of the drawn-down tank, and reason about the lines.
//!
//! Common practice throughout: no published standard for this test was found. The reasoning is plain logic on a tree of
//! pipes: water that came has passed its own arm, its branch and the main line; water that did not come was stopped
//! somewhere on that way.

use super::coded::coded;
use std::collections::BTreeMap;

/// Water on its way longer than this counts as slow, s.
///
/// Common practice: a flush shows at the inlet well within a minute unless the line holds it back.
pub const SLOW_AFTER_S: u32 = 60;

/// A change in arrival of no more than this says nothing, s (common practice: two people, one at the fixture, one at the lid).
pub const SAME_WITHIN_S: u32 = 3;

coded! {
    /// What kind of fixture water was run at.
    #[derive(Default)]
    FixtureKind {
        /// A toilet.
        #[default]
        Toilet = "toilet",
        /// A tub or shower.
        Tub = "tub",
        /// The kitchen sink.
        Kitchen = "kitchen",
        /// The washing machine or laundry tub.
        Laundry = "laundry",
        /// A floor drain.
        FloorDrain = "floor_drain",
        /// Anything else.
        Other = "other",
    }
}

/// What was seen at the inlet after water was run at a fixture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Came {
    /// It came.
    Promptly {
        /// After how many seconds, when that was counted.
        after_s: Option<u32>,
    },
    /// It came slowly.
    Slowly {
        /// After how many seconds, when that was counted.
        after_s: Option<u32>,
    },
    /// Nothing came.
    Nothing,
    /// This fixture was not tried.
    NotTried,
}

impl Came {
    /// Water that was counted in, slow when it took longer than [`SLOW_AFTER_S`].
    #[must_use]
    pub const fn after(seconds: u32) -> Self {
        if seconds > SLOW_AFTER_S {
            Self::Slowly { after_s: Some(seconds) }
        } else {
            Self::Promptly { after_s: Some(seconds) }
        }
    }

    /// Returns the seconds that were counted.
    #[must_use]
    pub const fn seconds(self) -> Option<u32> {
        match self {
            Self::Promptly { after_s } | Self::Slowly { after_s } => after_s,
            Self::Nothing | Self::NotTried => None,
        }
    }

    /// The worse, the higher; `None` when it was not tried.
    const fn rank(self) -> Option<u8> {
        match self {
            Self::Promptly { .. } => Some(0),
            Self::Slowly { .. } => Some(1),
            Self::Nothing => Some(2),
            Self::NotTried => None,
        }
    }
}

/// One fixture and what came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fixture {
    /// What people here call it: "upstairs toilet".
    pub name: String,
    /// Its kind.
    pub kind: FixtureKind,
    /// The floor it stands on, in the household's words.
    pub floor: Option<String>,
    /// The branch it drains to, when known.
    pub branch: Option<String>,
    /// What was seen.
    pub came: Came,
}

impl Fixture {
    /// The part of the plumbing the fixture is counted to: its branch, else its floor, else itself.
    fn group(&self) -> Group {
        if let Some(branch) = &self.branch {
            Group::Branch(branch.clone())
        } else if let Some(floor) = &self.floor {
            Group::Floor(floor.clone())
        } else {
            Group::Own(self.name.clone())
        }
    }
}

/// Fixtures that share pipe before the main line, as far as is known.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Group {
    /// A branch somebody named.
    Branch(String),
    /// A floor, taken for a branch while nobody knows better.
    Floor(String),
    /// One fixture of which neither is known.
    Own(String),
}

impl Group {
    /// The same place however it was typed: capitals and room around and between the words say nothing.
    fn key(&self) -> Self {
        let plain = |name: &str| name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase();
        match self {
            Self::Branch(name) => Self::Branch(plain(name)),
            Self::Floor(name) => Self::Floor(plain(name)),
            Self::Own(name) => Self::Own(name.clone()),
        }
    }

    /// Returns the name people know it by.
    #[must_use]
    pub fn name(&self) -> &str {
        match self {
            Self::Branch(name) | Self::Floor(name) | Self::Own(name) => name,
        }
    }
}

/// One run of the test.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FlushTest {
    /// Whether the tank was drawn down below the inlet, so that water could be seen to come; `None`: nobody said.
    pub drawn_down: Option<bool>,
    /// The fixtures.
    pub fixtures: Vec<Fixture>,
}

coded! {
    /// What the test says about the lines.
    Verdict {
        /// No fixture was tried.
        NothingTried = "nothing_tried",
        /// Everything that was tried came promptly.
        AllCame = "all_came",
        /// Nothing came from any of several fixtures: the main line, or the inlet of the tank.
        MainLine = "main_line",
        /// Nothing came, but only one fixture or one branch was tried: that branch or the main line.
        BranchOrMain = "branch_or_main",
        /// What came was slow and the rest did not come: the main line is partly blocked, a branch perhaps too.
        MainLinePartly = "main_line_partly",
        /// Some came promptly, so the main line is open; the fault is in the branches listed.
        Branches = "branches",
        /// Everything was slow: a partly blocked or bellied line, or a vent.
        PartialOrVent = "partial_or_vent",
        /// It was slow, but only one fixture or one branch was tried.
        SlowBranchOrMain = "slow_branch_or_main",
        /// Nothing was seen to come, but the inlet may have been under water.
        InletNotSeen = "inlet_not_seen",
    }
}

coded! {
    /// What is wrong within one group of fixtures.
    BranchState {
        /// Nothing came from any of it, and more than one of it was tried: its common pipe.
        Blocked = "blocked",
        /// Everything of it that was tried was slow, and more than one was tried.
        Slow = "slow",
        /// Some of it came promptly: the arm of the fixtures listed, not the common pipe.
        OwnArm = "own_arm",
        /// Only one of it was tried: its own arm or its branch.
        ArmOrBranch = "arm_or_branch",
        /// Nothing came from some and the rest was slow: its common pipe is partly blocked.
        Partly = "partly",
    }
}

/// A group of fixtures with a fault.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BranchFault {
    /// Which group.
    pub group: Group,
    /// What is wrong.
    pub state: BranchState,
    /// The fixtures from which nothing came, or slowly.
    pub fixtures: Vec<String>,
}

coded! {
    /// What makes a verdict thinner than it looks.
    Caveat {
        /// Only one fixture was tried.
        OneFixture = "one_fixture",
        /// Only one branch was tried.
        OneBranch = "one_branch",
        /// Nobody said whether the tank was drawn down.
        DrawnDownNotSaid = "drawn_down_not_said",
        /// The tank was not drawn down: water may have come unseen.
        NotDrawnDown = "not_drawn_down",
        /// Some fixtures were not tried.
        SomeNotTried = "some_not_tried",
        /// A toilet was not tried; they carry what blocks lines.
        ToiletNotTried = "toilet_not_tried",
        /// Floors were taken for branches.
        FloorsAsBranches = "floors_as_branches",
    }
}

coded! {
    /// The next look after a flush test, easiest first.
    LineCheck {
        /// Draw the tank down below the inlet and run the test again.
        DrawDown = "draw_down",
        /// Run the fixtures that were not tried, on another branch first.
        TryMore = "try_more",
        /// Look at the inlet from above: paper, grease or roots in the device.
        LookAtInlet = "look_at_inlet",
        /// Open the cleanout between house and tank: full or empty tells which side the stop is on.
        OpenCleanout = "open_cleanout",
        /// Clear the fixture's own trap and arm.
        ClearArm = "clear_arm",
        /// Clear the branch from its cleanout or the highest fixture on it.
        ClearBranch = "clear_branch",
        /// Clear the main line from the cleanout, or back from the tank.
        ClearMain = "clear_main",
        /// Listen for gurgling traps and have the roof vent looked at.
        CheckVent = "check_vent",
        /// Look through the line with a camera for a belly, roots or a broken pipe.
        CameraForBelly = "camera_for_belly",
        /// Run every fixture again and compare.
        RunAgain = "run_again",
    }
}

coded! {
    /// What to carry from the truck.
    Carry {
        /// A hand snake, for a trap or a fixture's arm.
        HandSnake = "hand_snake",
        /// A ribbon snake, to push back from the tank or the cleanout.
        RibbonSnake = "ribbon_snake",
        /// A flexible shaft with a chain or brush, for branches and scale.
        FlexShaft = "flex_shaft",
        /// A jetter, for grease and long lines.
        Jetter = "jetter",
    }
}

/// What the test says, and what to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FlushFinding {
    /// What it says about the lines.
    pub verdict: Verdict,
    /// The groups with a fault, worst first.
    pub faults: Vec<BranchFault>,
    /// What makes it thin.
    pub caveats: Vec<Caveat>,
    /// The next looks, in the order to do them.
    pub next: Vec<LineCheck>,
    /// What to carry.
    pub carry: Vec<Carry>,
    /// Fixtures that were tried.
    pub tried: usize,
    /// Fixtures that were listed.
    pub listed: usize,
}

impl FlushFinding {
    /// Returns whether the verdict rests on one fixture, one branch, or an inlet that was not seen.
    #[must_use]
    pub fn is_thin(&self) -> bool {
        self.caveats.iter().any(|caveat| {
            matches!(
                caveat,
                Caveat::OneFixture | Caveat::OneBranch | Caveat::DrawnDownNotSaid | Caveat::NotDrawnDown
            )
        })
    }
}

/// How many fixtures came promptly, slowly, not at all.
#[derive(Clone, Copy, Debug, Default)]
struct Count {
    promptly: usize,
    slowly: usize,
    nothing: usize,
}

impl Count {
    fn of<'a>(fixtures: impl Iterator<Item = &'a Fixture>) -> Self {
        let mut count = Self::default();
        for fixture in fixtures {
            match fixture.came {
                Came::Promptly { .. } => count.promptly += 1,
                Came::Slowly { .. } => count.slowly += 1,
                Came::Nothing => count.nothing += 1,
                Came::NotTried => {}
            }
        }
        count
    }

    const fn tried(self) -> usize {
        self.promptly + self.slowly + self.nothing
    }
}

/// Returns what a run of the test says.
#[must_use]
pub fn reason(test: &FlushTest) -> FlushFinding {
    let count = Count::of(test.fixtures.iter());
    let mut groups: BTreeMap<Group, (Group, Vec<&Fixture>)> = BTreeMap::new();
    for fixture in test.fixtures.iter().filter(|fixture| fixture.came != Came::NotTried) {
        let group = fixture.group();
        let entry = groups.entry(group.key()).or_insert_with(|| (group, Vec::new()));
        entry.1.push(fixture);
    }
    let one_place = count.tried() == 1 || groups.len() == 1;
    let unseen = test.drawn_down == Some(false) && count.nothing > 0;
    let verdict = match (count.promptly, count.slowly, count.nothing) {
        (0, 0, 0) => Verdict::NothingTried,
        // What did come has been seen; what did not may have come under water.
        _ if unseen => Verdict::InletNotSeen,
        (_, 0, 0) => Verdict::AllCame,
        (0, 0, _) if one_place => Verdict::BranchOrMain,
        (0, 0, _) => Verdict::MainLine,
        (0, _, 0) if one_place => Verdict::SlowBranchOrMain,
        (0, _, 0) => Verdict::PartialOrVent,
        (0, _, _) if one_place => Verdict::BranchOrMain,
        (0, _, _) => Verdict::MainLinePartly,
        _ => Verdict::Branches,
    };
    let mut faults: Vec<BranchFault> = match verdict {
        Verdict::Branches | Verdict::BranchOrMain | Verdict::SlowBranchOrMain | Verdict::MainLinePartly => groups
            .into_values()
            .filter_map(|(group, fixtures)| fault(group, &fixtures))
            .collect(),
        _ => Vec::new(),
    };
    faults.sort_by_key(|fault| (badness(fault.state), fault.group.clone()));
    let (next, carry) = next_and_carry(verdict, &faults);
    FlushFinding {
        caveats: caveats(test, count, one_place, verdict),
        verdict,
        faults,
        next,
        carry,
        tried: count.tried(),
        listed: test.fixtures.len(),
    }
}

const fn badness(state: BranchState) -> u8 {
    match state {
        BranchState::Blocked => 0,
        BranchState::Partly => 1,
        BranchState::ArmOrBranch => 2,
        BranchState::OwnArm => 3,
        BranchState::Slow => 4,
    }
}

fn fault(group: Group, fixtures: &[&Fixture]) -> Option<BranchFault> {
    let count = Count::of(fixtures.iter().copied());
    let state = match (count.promptly, count.slowly, count.nothing) {
        (_, 0, 0) => return None,
        (0, _, _) if count.tried() == 1 => BranchState::ArmOrBranch,
        (0, 0, _) => BranchState::Blocked,
        (0, _, 0) => BranchState::Slow,
        (0, _, _) => BranchState::Partly,
        _ => BranchState::OwnArm,
    };
    let named = |wanted: u8| {
        fixtures
            .iter()
            .filter(move |fixture| fixture.came.rank() == Some(wanted))
            .map(|fixture| fixture.name.clone())
    };
    Some(BranchFault {
        group,
        state,
        fixtures: named(2).chain(named(1)).collect(),
    })
}

fn caveats(test: &FlushTest, count: Count, one_place: bool, verdict: Verdict) -> Vec<Caveat> {
    let mut caveats = Vec::new();
    if count.tried() == 0 {
        return caveats;
    }
    if count.tried() == 1 {
        caveats.push(Caveat::OneFixture);
    } else if one_place {
        caveats.push(Caveat::OneBranch);
    }
    match test.drawn_down {
        Some(false) => caveats.push(Caveat::NotDrawnDown),
        // A fixture that came was seen, so only what did not come needs the drawn-down tank.
        None if count.nothing > 0 => caveats.push(Caveat::DrawnDownNotSaid),
        _ => {}
    }
    let untried = |fixture: &&Fixture| fixture.came == Came::NotTried;
    if test.fixtures.iter().any(|fixture| untried(&fixture)) {
        caveats.push(Caveat::SomeNotTried);
    }
    let mut toilets = test
        .fixtures
        .iter()
        .filter(|fixture| fixture.kind == FixtureKind::Toilet);
    let tried_a_toilet = toilets.clone().any(|fixture| fixture.came != Came::NotTried);
    if toilets.any(|fixture| untried(&fixture)) || !tried_a_toilet {
        caveats.push(Caveat::ToiletNotTried);
    }
    let by_floor = test
        .fixtures
        .iter()
        .any(|fixture| fixture.came != Came::NotTried && matches!(fixture.group(), Group::Floor(_)));
    if verdict == Verdict::Branches && by_floor {
        caveats.push(Caveat::FloorsAsBranches);
    }
    caveats
}

fn next_and_carry(verdict: Verdict, faults: &[BranchFault]) -> (Vec<LineCheck>, Vec<Carry>) {
    use Carry::{FlexShaft, HandSnake, Jetter, RibbonSnake};
    use LineCheck::{
        CameraForBelly, CheckVent, ClearArm, ClearBranch, ClearMain, DrawDown, LookAtInlet, OpenCleanout, RunAgain,
        TryMore,
    };
    match verdict {
        Verdict::NothingTried => (vec![DrawDown, TryMore], vec![]),
        Verdict::InletNotSeen => (vec![DrawDown, RunAgain], vec![]),
        Verdict::AllCame => (vec![], vec![]),
        Verdict::MainLine | Verdict::MainLinePartly => (
            vec![LookAtInlet, OpenCleanout, ClearMain, RunAgain],
            vec![RibbonSnake, FlexShaft, Jetter],
        ),
        Verdict::BranchOrMain | Verdict::SlowBranchOrMain => (
            vec![TryMore, LookAtInlet, OpenCleanout],
            vec![HandSnake, RibbonSnake, FlexShaft],
        ),
        Verdict::PartialOrVent => (
            vec![
                LookAtInlet,
                OpenCleanout,
                CheckVent,
                CameraForBelly,
                ClearMain,
                RunAgain,
            ],
            vec![FlexShaft, Jetter],
        ),
        Verdict::Branches => {
            let any = |states: &[BranchState]| faults.iter().any(|fault| states.contains(&fault.state));
            let arm = any(&[BranchState::OwnArm, BranchState::ArmOrBranch]);
            let branch = any(&[
                BranchState::Blocked,
                BranchState::Partly,
                BranchState::Slow,
                BranchState::ArmOrBranch,
            ]);
            let pick = |wanted: bool, check| wanted.then_some(check);
            (
                [pick(arm, ClearArm), pick(branch, ClearBranch), Some(RunAgain)]
                    .into_iter()
                    .flatten()
                    .collect(),
                [
                    arm.then_some(HandSnake),
                    branch.then_some(FlexShaft),
                    // Grease lies in branches; only a pipe that several fixtures share is worth the hose.
                    any(&[BranchState::Blocked, BranchState::Partly, BranchState::Slow]).then_some(Jetter),
                ]
                .into_iter()
                .flatten()
                .collect(),
            )
        }
    }
}

coded! {
    /// How a fixture did the second time.
    Change {
        /// Nothing came before, it comes now.
        Opened = "opened",
        /// It comes sooner, or promptly instead of slowly.
        Faster = "faster",
        /// No difference that can be told.
        Same = "same",
        /// It comes later, or slowly instead of promptly.
        Slower = "slower",
        /// It came before, nothing comes now.
        Closed = "closed",
        /// It was tried before and not again.
        NotRunAgain = "not_run_again",
        /// It was tried the second time only.
        OnlyAfter = "only_after",
        /// It was never tried.
        NeverTried = "never_tried",
    }
}

coded! {
    /// What the clearing did, over all fixtures.
    Outcome {
        /// Everything that had a fault comes promptly now, and nothing got worse.
        Cleared = "cleared",
        /// Something got better and nothing worse, but a fault is left.
        Better = "better",
        /// No fault before and none now.
        StillClear = "still_clear",
        /// Nothing changed, and a fault is left.
        Unchanged = "unchanged",
        /// Something got worse.
        Worse = "worse",
        /// What had a fault was not run again, or nothing was.
        NotShown = "not_shown",
    }
}

/// One fixture, before and after.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Compared {
    /// Its name.
    pub name: String,
    /// What was seen before.
    pub before: Came,
    /// What was seen after.
    pub after: Came,
    /// The difference.
    pub change: Change,
}

/// Two runs side by side.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Comparison {
    /// What the clearing did.
    pub outcome: Outcome,
    /// Every fixture of either run, in the order of the first.
    pub fixtures: Vec<Compared>,
}

/// Compares two runs, matching fixtures by name.
#[must_use]
pub fn compare(before: &FlushTest, after: &FlushTest) -> Comparison {
    let came_in = |test: &FlushTest, name: &str| {
        test.fixtures
            .iter()
            .find(|fixture| fixture.name == name)
            .map_or(Came::NotTried, |fixture| fixture.came)
    };
    let mut names: Vec<&str> = Vec::new();
    for fixture in before.fixtures.iter().chain(&after.fixtures) {
        if !names.contains(&fixture.name.as_str()) {
            names.push(&fixture.name);
        }
    }
    let fixtures: Vec<Compared> = names
        .into_iter()
        .map(|name| {
            let (first, second) = (came_in(before, name), came_in(after, name));
            Compared {
                name: name.to_owned(),
                before: first,
                after: second,
                change: change(first, second),
            }
        })
        .collect();
    Comparison {
        // An inlet under water hides what would have come.
        outcome: if after.drawn_down == Some(false) && after.fixtures.iter().any(|f| f.came == Came::Nothing) {
            Outcome::NotShown
        } else {
            outcome(&fixtures)
        },
        fixtures,
    }
}

fn change(before: Came, after: Came) -> Change {
    match (before.rank(), after.rank()) {
        (None, None) => Change::NeverTried,
        (Some(_), None) => Change::NotRunAgain,
        (None, Some(_)) => Change::OnlyAfter,
        (Some(first), Some(second)) if first == second => match (before.seconds(), after.seconds()) {
            (Some(was), Some(is)) if is.saturating_add(SAME_WITHIN_S) < was => Change::Faster,
            (Some(was), Some(is)) if was.saturating_add(SAME_WITHIN_S) < is => Change::Slower,
            _ => Change::Same,
        },
        (Some(2), Some(_)) => Change::Opened,
        (Some(_), Some(2)) => Change::Closed,
        (Some(first), Some(second)) if second < first => Change::Faster,
        (Some(_), Some(_)) => Change::Slower,
    }
}

fn outcome(fixtures: &[Compared]) -> Outcome {
    let is_fault = |came: Came| came.rank().is_some_and(|rank| rank > 0);
    let any = |wanted: &dyn Fn(&Compared) -> bool| fixtures.iter().any(wanted);
    // A prompt fixture that is a few seconds later is still prompt.
    let worse =
        |each: &Compared| each.change == Change::Closed || (each.change == Change::Slower && is_fault(each.after));
    let compared = |each: &Compared| each.before.rank().is_some() && each.after.rank().is_some();
    let had_fault = any(&|each| is_fault(each.before));
    let fault_left = any(&|each| is_fault(each.after));
    let fault_not_rerun = any(&|each| is_fault(each.before) && each.after == Came::NotTried);
    let better = any(&|each| is_fault(each.before) && matches!(each.change, Change::Opened | Change::Faster));
    if any(&worse) {
        Outcome::Worse
    } else if !any(&compared) || (fault_not_rerun && !better && !fault_left) {
        Outcome::NotShown
    } else if better && !fault_left && !fault_not_rerun {
        Outcome::Cleared
    } else if better {
        Outcome::Better
    } else if had_fault || fault_left {
        Outcome::Unchanged
    } else {
        Outcome::StillClear
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PROMPT: Came = Came::Promptly { after_s: None };
    const SLOW: Came = Came::Slowly { after_s: None };

    fn fixture(name: &str, branch: Option<&str>, came: Came) -> Fixture {
        Fixture {
            name: name.to_owned(),
            kind: FixtureKind::Toilet,
            floor: None,
            branch: branch.map(str::to_owned),
            came,
        }
    }

    fn test(fixtures: Vec<Fixture>) -> FlushTest {
        FlushTest {
            drawn_down: Some(true),
            fixtures,
        }
    }

    /// Source: logic of a tree of pipes (module text), cases written by hand.
    #[test]
    fn verdicts_of_hand_written_cases() {
        use Came::{NotTried, Nothing};
        let cases: [(&[Came], Verdict); 14] = [
            (&[], Verdict::NothingTried),
            (&[NotTried, NotTried], Verdict::NothingTried),
            (&[PROMPT], Verdict::AllCame),
            (&[PROMPT, PROMPT, NotTried], Verdict::AllCame),
            (&[Nothing, Nothing, Nothing], Verdict::MainLine),
            (&[Nothing], Verdict::BranchOrMain),
            (&[Nothing, NotTried], Verdict::BranchOrMain),
            (&[PROMPT, Nothing], Verdict::Branches),
            (&[SLOW, SLOW], Verdict::PartialOrVent),
            (&[SLOW], Verdict::SlowBranchOrMain),
            (&[SLOW, Nothing], Verdict::MainLinePartly),
            (&[PROMPT, SLOW], Verdict::Branches),
            (&[PROMPT, SLOW, Nothing], Verdict::Branches),
            (&[Came::after(61), Came::after(90)], Verdict::PartialOrVent),
        ];
        for (came, verdict) in cases {
            let fixtures = came
                .iter()
                .enumerate()
                .map(|(place, came)| fixture(&place.to_string(), None, *came))
                .collect();
            assert_eq!(reason(&test(fixtures)).verdict, verdict, "{came:?}");
        }
    }

    #[test]
    fn what_one_branch_brings_slowly_or_not_at_all_may_be_the_branch() {
        let run = |second: &str| {
            test(vec![
                fixture("a", Some("bath"), SLOW),
                fixture("b", Some(second), Came::Nothing),
            ])
        };
        assert_eq!(reason(&run("bath")).verdict, Verdict::BranchOrMain);
        assert_eq!(reason(&run("kitchen")).verdict, Verdict::MainLinePartly);
    }

    #[test]
    fn the_seconds_counted_are_given_back() {
        use Came::{NotTried, Nothing};
        let just = Came::after(SLOW_AFTER_S);
        assert!(matches!(just, Came::Promptly { .. }) && just.seconds() == Some(SLOW_AFTER_S));
        let slow = Came::after(SLOW_AFTER_S + 1);
        assert!(matches!(slow, Came::Slowly { .. }) && slow.seconds() == Some(SLOW_AFTER_S + 1));
        assert_eq!([PROMPT, SLOW, Nothing, NotTried].map(Came::seconds), [None; 4]);
    }

    /// What is said to be wrong with one branch, beside another where the water came promptly.
    #[test]
    fn each_state_of_a_branch_by_hand() {
        use BranchState::{ArmOrBranch, Blocked, OwnArm, Partly, Slow};
        use Came::{NotTried, Nothing};
        let cases: [(&[Came], Option<BranchState>); 9] = [
            (&[PROMPT, PROMPT], None),
            (&[PROMPT, NotTried], None),
            (&[Nothing], Some(ArmOrBranch)),
            (&[SLOW, NotTried], Some(ArmOrBranch)),
            (&[Nothing, Nothing], Some(Blocked)),
            (&[SLOW, SLOW], Some(Slow)),
            (&[SLOW, Nothing], Some(Partly)),
            (&[PROMPT, Nothing], Some(OwnArm)),
            (&[PROMPT, SLOW], Some(OwnArm)),
        ];
        for (came, state) in cases {
            let mut fixtures = vec![fixture("other", Some("west"), PROMPT)];
            let named = came.iter().enumerate();
            fixtures.extend(named.map(|(place, came)| fixture(&place.to_string(), Some("east"), *came)));
            let found = reason(&test(fixtures));
            assert_eq!(found.faults.first().map(|fault| fault.state), state, "{came:?}");
            assert!(found.faults.len() <= 1, "{came:?}");
        }
    }

    /// What makes a verdict thin, one thing at a time.
    #[test]
    fn each_caveat_by_hand() {
        use Came::{NotTried, Nothing};
        use Caveat::{
            DrawnDownNotSaid, FloorsAsBranches, NotDrawnDown, OneBranch, OneFixture, SomeNotTried, ToiletNotTried,
        };
        let of = |drawn_down, fixtures: Vec<Fixture>| {
            let found = reason(&FlushTest { drawn_down, fixtures });
            (found.caveats.clone(), found.is_thin())
        };
        let both = |first, second| vec![fixture("a", Some("east"), first), fixture("b", Some("west"), second)];
        let kitchen = |mut fixture: Fixture| {
            fixture.kind = FixtureKind::Kitchen;
            fixture
        };
        let on = |floor: &str, mut fixture: Fixture| {
            fixture.floor = Some(floor.to_owned());
            fixture
        };
        let done = Some(true);
        assert_eq!(of(done, both(PROMPT, PROMPT)), (vec![], false));
        assert_eq!(of(None, vec![]), (vec![], false));
        assert_eq!(of(None, both(PROMPT, SLOW)), (vec![], false), "what came was seen");
        assert_eq!(of(None, both(PROMPT, Nothing)), (vec![DrawnDownNotSaid], true));
        assert_eq!(of(done, both(PROMPT, Nothing)), (vec![], false));
        assert_eq!(of(Some(false), both(PROMPT, PROMPT)), (vec![NotDrawnDown], true));
        assert_eq!(of(done, vec![fixture("a", None, PROMPT)]), (vec![OneFixture], true));
        let same = vec![fixture("a", Some("east"), SLOW), fixture("b", Some("East "), SLOW)];
        assert_eq!(of(done, same), (vec![OneBranch], true));
        // A toilet that was left out, and none at all that was run.
        assert_eq!(
            of(
                done,
                [both(PROMPT, PROMPT), vec![fixture("c", None, NotTried)]].concat()
            ),
            (vec![SomeNotTried, ToiletNotTried], false)
        );
        assert_eq!(
            of(
                done,
                [both(PROMPT, PROMPT), vec![kitchen(fixture("c", None, NotTried))]].concat()
            ),
            (vec![SomeNotTried], false)
        );
        assert_eq!(
            of(done, both(PROMPT, PROMPT).into_iter().map(kitchen).collect()),
            (vec![ToiletNotTried], false)
        );
        // Floors stand for branches only where branches are blamed, and only with what was run on them.
        let floors = |first, second| {
            vec![
                on("up", fixture("a", None, first)),
                on("down", fixture("b", None, second)),
            ]
        };
        assert_eq!(of(done, floors(PROMPT, Nothing)), (vec![FloorsAsBranches], false));
        assert_eq!(of(done, floors(PROMPT, PROMPT)), (vec![], false));
        assert_eq!(
            of(
                done,
                [both(PROMPT, Nothing), vec![on("up", fixture("c", None, NotTried))]].concat()
            ),
            (vec![SomeNotTried, ToiletNotTried], false)
        );
    }

    /// One fixture before and after; counted seconds tell a difference only from the first second past what counts as the same.
    #[test]
    fn each_change_of_a_fixture_by_hand() {
        use Came::{NotTried, Nothing};
        use Change::{Closed, Faster, NeverTried, NotRunAgain, OnlyAfter, Opened, Same, Slower};
        let s = Came::after;
        for (before, after, expected) in [
            (NotTried, NotTried, NeverTried),
            (PROMPT, NotTried, NotRunAgain),
            (NotTried, Nothing, OnlyAfter),
            (Nothing, SLOW, Opened),
            (Nothing, PROMPT, Opened),
            (SLOW, Nothing, Closed),
            (PROMPT, Nothing, Closed),
            (SLOW, PROMPT, Faster),
            (PROMPT, SLOW, Slower),
            (Nothing, Nothing, Same),
            (PROMPT, PROMPT, Same),
            (s(9), PROMPT, Same),
            (s(9 + SAME_WITHIN_S), s(9), Same),
            (s(9), s(9 + SAME_WITHIN_S), Same),
            (s(10 + SAME_WITHIN_S), s(9), Faster),
            (s(9), s(10 + SAME_WITHIN_S), Slower),
        ] {
            assert_eq!(change(before, after), expected, "{before:?} to {after:?}");
        }
    }

    #[test]
    fn nothing_from_one_branch_alone_does_not_condemn_the_main_line() {
        let same = test(vec![
            fixture("a", Some("east"), Came::Nothing),
            fixture("b", Some("east"), Came::Nothing),
        ]);
        let found = reason(&same);
        assert_eq!(found.verdict, Verdict::BranchOrMain);
        assert_eq!(found.caveats[0], Caveat::OneBranch);
        assert_eq!(found.next[0], LineCheck::TryMore);
        let two = test(vec![
            fixture("a", Some("east"), Came::Nothing),
            fixture("b", Some("west"), Came::Nothing),
        ]);
        assert_eq!(reason(&two).verdict, Verdict::MainLine);
    }

    #[test]
    fn a_branch_is_one_branch_however_it_was_typed() {
        let found = reason(&test(vec![
            fixture("toilet", Some("Upstairs bath"), Came::Nothing),
            fixture("tub", Some("upstairs  Bath "), Came::Nothing),
            fixture("kitchen", Some("Kitchen"), PROMPT),
        ]));
        assert_eq!(found.faults.len(), 1);
        assert_eq!(found.faults[0].state, BranchState::Blocked);
        assert_eq!(found.faults[0].group.name(), "Upstairs bath");
    }

    #[test]
    fn the_fault_is_named_where_it_must_be() {
        let found = reason(&test(vec![
            fixture("up toilet", Some("stack"), Came::Nothing),
            fixture("up tub", Some("stack"), Came::Nothing),
            fixture("kitchen", Some("kitchen line"), PROMPT),
            fixture("laundry", Some("kitchen line"), SLOW),
            fixture("hall toilet", None, SLOW),
        ]));
        assert_eq!(found.verdict, Verdict::Branches);
        let faults: Vec<_> = found
            .faults
            .iter()
            .map(|fault| (fault.group.name(), fault.state, fault.fixtures.len()))
            .collect();
        assert_eq!(
            faults,
            [
                ("stack", BranchState::Blocked, 2),
                ("hall toilet", BranchState::ArmOrBranch, 1),
                ("kitchen line", BranchState::OwnArm, 1),
            ]
        );
        assert_eq!(found.carry, [Carry::HandSnake, Carry::FlexShaft, Carry::Jetter]);
    }

    #[test]
    fn under_water_nothing_is_not_nothing() {
        let mut run = test(vec![
            fixture("a", None, Came::Nothing),
            fixture("b", None, Came::Nothing),
        ]);
        run.drawn_down = Some(false);
        let found = reason(&run);
        assert_eq!(
            (found.verdict, found.next[0]),
            (Verdict::InletNotSeen, LineCheck::DrawDown)
        );
        // What did come was seen, under water or not.
        let before = test(vec![fixture("a", None, Came::Nothing)]);
        assert_eq!(compare(&before, &run).outcome, Outcome::NotShown);
        run.fixtures = vec![fixture("a", None, PROMPT)];
        assert_eq!(compare(&before, &run).outcome, Outcome::Cleared);
        assert_eq!(reason(&run).verdict, Verdict::AllCame);
        assert!(reason(&run).is_thin());
    }

    #[test]
    fn before_and_after() {
        use Came::{NotTried, Nothing};
        let run = |came: &[Came]| {
            test(
                came.iter()
                    .enumerate()
                    .map(|(place, came)| fixture(&place.to_string(), None, *came))
                    .collect(),
            )
        };
        let cases: [(&[Came], &[Came], Outcome); 12] = [
            (&[Nothing, Nothing], &[PROMPT, PROMPT], Outcome::Cleared),
            (&[Nothing, Nothing], &[PROMPT, SLOW], Outcome::Better),
            (&[Nothing, PROMPT], &[PROMPT, Nothing], Outcome::Worse),
            (&[Nothing], &[Nothing], Outcome::Unchanged),
            (&[PROMPT], &[PROMPT], Outcome::StillClear),
            (&[Nothing, Nothing], &[PROMPT, NotTried], Outcome::Better),
            (&[Nothing, PROMPT], &[NotTried, PROMPT], Outcome::NotShown),
            (&[Nothing], &[], Outcome::NotShown),
            // No fixture was run both times.
            (&[PROMPT, NotTried], &[NotTried, PROMPT], Outcome::NotShown),
            // A fault that is only found afterwards is a fault.
            (&[PROMPT, NotTried], &[PROMPT, Nothing], Outcome::Unchanged),
            (&[Came::after(10)], &[Came::after(40)], Outcome::StillClear),
            (&[Came::after(90)], &[Came::after(20)], Outcome::Cleared),
        ];
        for (before, after, outcome) in cases {
            assert_eq!(
                compare(&run(before), &run(after)).outcome,
                outcome,
                "{before:?} {after:?}"
            );
        }
    }

    fn any_came() -> impl Strategy<Value = Came> {
        prop_oneof![
            Just(PROMPT),
            Just(SLOW),
            Just(Came::Nothing),
            Just(Came::NotTried),
            any::<u32>().prop_map(Came::after)
        ]
    }

    fn any_test() -> impl Strategy<Value = FlushTest> {
        let one = (
            0..6_u8,
            prop::option::of(0..3_u8),
            prop::option::of(0..3_u8),
            any_came(),
        )
            .prop_map(|(name, floor, branch, came)| Fixture {
                name: name.to_string(),
                kind: FixtureKind::ALL[usize::from(name)],
                floor: floor.map(|floor| floor.to_string()),
                branch: branch.map(|branch| branch.to_string()),
                came,
            });
        (prop::option::of(any::<bool>()), prop::collection::vec(one, 0..8))
            .prop_map(|(drawn_down, fixtures)| FlushTest { drawn_down, fixtures })
    }

    proptest! {
        #[test]
        fn a_line_that_let_water_through_is_never_called_blocked(run in any_test()) {
            let found = reason(&run);
            let prompt = run.fixtures.iter().any(|each| matches!(each.came, Came::Promptly { .. }));
            if prompt {
                prop_assert!(!matches!(found.verdict, Verdict::MainLine | Verdict::MainLinePartly | Verdict::PartialOrVent));
            }
            // Whatever is called a fault names its fixtures, and each of them did not come promptly.
            for fault in &found.faults {
                prop_assert!(!fault.fixtures.is_empty());
            }
            prop_assert!(found.tried <= found.listed);
        }

        #[test]
        fn a_run_compared_with_itself_changed_nothing(run in any_test()) {
            let outcome = compare(&run, &run).outcome;
            prop_assert!(matches!(outcome, Outcome::Unchanged | Outcome::StillClear | Outcome::NotShown), "{:?}", outcome);
        }
    }
}
