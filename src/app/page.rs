//! The pages behind the Pump station: flush test, signs, leak gauge, parts, work; and the price list behind Setup.
//!
//! They share one screen: rows with answers on them, one large figure, a drawing with places to tap, two keys. A page
//! makes its rows together with what a touch of each means, so that a touch can only mean what its row says.

mod flush;
mod gauge;
mod looks;
mod parts;
mod prices;
mod work;

pub(crate) use parts::photo_part;
pub(crate) use work::slip_lines;

use crate::app::findings::Findings;
use crate::app::overlay::{PadValue, Picker, PickerTarget};
use crate::app::section::SectionDrawing;
use crate::app::session::Steady;
use crate::app::shell::{App, Screen};
use crate::domain::diagnose::Report;
use crate::domain::flush::{FixtureKind, Group};
use crate::domain::leak::Direction;
use crate::domain::record::{
    FixtureId, FlushRound, LeakRunId, LidId, PartState, PriceId, TankPart, WorkKind, WorkLineId,
};
use crate::domain::signs::{Contradiction, Sign};
use crate::exchange::looked_at;
use crate::say::figures::Figures;
use chrono::{DateTime, FixedOffset};

/// One of the pages.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Page {
    /// Every fixture run, the inlet watched.
    Flush,
    /// What was looked for.
    Looks,
    /// What it comes to.
    Found,
    /// The level marked, and marked again.
    Gauge,
    /// What each part looks like.
    Parts,
    /// What was done and what it costs.
    Work,
    /// What work costs.
    Prices,
}

impl Page {
    /// Every page.
    pub const ALL: &'static [Self] = &[
        Self::Flush,
        Self::Looks,
        Self::Found,
        Self::Gauge,
        Self::Parts,
        Self::Work,
        Self::Prices,
    ];

    /// Returns whether the page is about the open stop.
    #[must_use]
    pub const fn is_of_stop(self) -> bool {
        !matches!(self, Self::Prices)
    }
}

/// An answer that stands on a row.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ChoiceView {
    /// Its words.
    pub text: String,
    /// It stands.
    pub chosen: bool,
}

/// One row of a page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PageRow {
    /// What it is about.
    pub title: String,
    /// A line under it.
    pub detail: String,
    /// A word at the right.
    pub right: String,
    /// The answers on it.
    pub choices: Vec<ChoiceView>,
    /// A touch of the row itself opens something.
    pub opens: bool,
    /// It heads the rows below it.
    pub heading: bool,
}

/// A place in the drawing that can be tapped.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SpotView {
    /// Its middle from the left of the page's drawing, dp.
    pub x: f64,
    /// Its middle from the top, dp.
    pub y: f64,
    /// Which part.
    pub name: String,
    /// How it stands.
    pub state: String,
    /// Something is wrong with it.
    pub fault: bool,
}

/// What a page shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PageView {
    /// Its name.
    pub title: String,
    /// A line under it.
    pub detail: String,
    /// Cautions of this step.
    pub cautions: Vec<String>,
    /// What to do, or what it is about.
    pub lead: Vec<String>,
    /// One large figure; empty for none.
    pub figure: String,
    /// The words under it.
    pub figure_text: String,
    /// It changes by itself.
    pub ticking: bool,
    /// The tank, when its parts can be tapped.
    pub drawing: Option<SectionDrawing>,
    /// The places to tap in it.
    pub spots: Vec<SpotView>,
    /// The rows.
    pub rows: Vec<PageRow>,
    /// What it comes to.
    pub result: Vec<String>,
    /// The captions of the two keys; empty for none.
    pub keys: [String; 2],
    /// The last action can be taken back from here.
    pub has_undo: bool,
}

/// What a touch of a row means.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Target {
    Nothing,
    DrawnDown,
    Round,
    Fixture(FixtureId),
    AddFixture(Vec<FixtureKind>),
    Sign(Sign),
    Direction,
    GaugeCompartment,
    Wait,
    Run(LeakRunId),
    Part(TankPart, Option<LidId>),
    Line(WorkLineId),
    Offer(WorkKind),
    Hose,
    Price(PriceSlot),
}

pub(crate) type Rows = Vec<(PageRow, Target)>;

/// A line of the price list: of the work that is offered, or one of the company's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PriceSlot {
    /// Of work that is offered from what was recorded.
    Kind(WorkKind),
    /// One of the company's own.
    Own(PriceId),
}

/// What a number is typed for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PageNumber {
    /// The level of the leak gauge.
    Level,
    /// How many of a line.
    Quantity(WorkLineId),
    /// What one of a line costs.
    LinePrice(WorkLineId),
    /// The tax on a line.
    LineTax(WorkLineId),
    /// A price of the list.
    Price(PriceSlot),
    /// The tax on it.
    Tax(PriceSlot),
}

/// What a text is typed for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PageText {
    /// What a fixture is called.
    FixtureName(FixtureId),
    /// The branch it drains to.
    FixtureBranch(FixtureId),
    /// The floor it stands on.
    FixtureFloor(FixtureId),
    /// A note on the part that was tapped.
    PartNote,
    /// The name of a new line of the price list.
    NewPrice,
    /// The name of a line of the price list.
    PriceName(PriceId),
}

/// What is chosen from a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PageChoice {
    /// What to do with a fixture.
    Fixture(FixtureId),
    /// What the part that was tapped looks like.
    Part,
    /// What to do with a line of work.
    Line(WorkLineId),
    /// Which line of the price list to add.
    AddWork,
    /// What to do with a line of the price list.
    Price(PriceSlot),
}

/// What the pages hold that is not kept.
#[derive(Clone, Debug)]
pub(crate) struct PageState {
    /// Which run of the flush test is being filled in.
    pub round: Option<FlushRound>,
    /// What the leak gauge is to look for.
    pub direction: Direction,
    /// In which compartment, by its place; all of them when none.
    pub compartment: Option<usize>,
    /// How long to wait, by its place among the choices.
    pub wait: usize,
    /// When the level was read that is being typed, by both clocks.
    pub marked_at: Option<(DateTime<FixedOffset>, Option<Steady>)>,
    /// Which fixture runs in the flush test, and since when by the clock that nobody can set.
    pub running: Option<(FixtureId, Steady)>,
    /// The part that was tapped.
    pub part: Option<(TankPart, Option<LidId>)>,
    /// The states that were offered for it.
    pub states: Vec<PartState>,
    /// The size of the drawing.
    pub area: (f64, f64),
}

impl Default for PageState {
    fn default() -> Self {
        Self {
            round: None,
            direction: Direction::Inflow,
            compartment: None,
            wait: 1,
            marked_at: None,
            running: None,
            part: None,
            states: Vec::new(),
            area: (380.0, 300.0),
        }
    }
}

pub(crate) fn choice(text: String, chosen: bool) -> ChoiceView {
    ChoiceView { text, chosen }
}

impl App {
    pub(crate) fn findings(&self) -> Findings {
        Findings::new(self.session.figures())
    }

    /// Opens a page.
    pub fn tap_page(&mut self, page: Page) {
        self.go(Screen::Page(page));
    }

    /// Returns what the page on the screen shows.
    #[must_use]
    pub fn page_view(&self) -> PageView {
        let Screen::Page(page) = self.screen else {
            return PageView::default();
        };
        let mut view = match page {
            Page::Flush => self.flush_page(),
            Page::Looks => self.looks_page(),
            Page::Found => self.found_page(),
            Page::Gauge => self.gauge_page(),
            Page::Parts => self.parts_page(),
            Page::Work => self.work_page(),
            Page::Prices => self.prices_page(),
        };
        view.rows = self.page_rows(page).into_iter().map(|(row, _)| row).collect();
        view.has_undo = page.is_of_stop();
        if page.is_of_stop()
            && let Some(state) = self.stop.as_ref()
        {
            view.detail.clone_from(&state.shown().site.name);
        }
        view
    }

    fn page_rows(&self, page: Page) -> Rows {
        match page {
            Page::Flush => self.flush_rows(),
            Page::Looks => self.looks_rows(),
            Page::Found => self.found_rows(),
            Page::Gauge => self.gauge_rows(),
            Page::Parts => self.parts_rows(),
            Page::Work => self.work_rows(),
            Page::Prices => self.prices_rows(),
        }
    }

    fn target_of(&self, row: usize) -> Target {
        let Screen::Page(page) = self.screen else {
            return Target::Nothing;
        };
        self.page_rows(page)
            .into_iter()
            .nth(row)
            .map_or(Target::Nothing, |(_, target)| target)
    }

    /// A row was tapped beside its answers.
    pub fn tap_page_row(&mut self, row: usize) {
        match self.target_of(row) {
            Target::Fixture(fixture) => self.open_fixture(fixture),
            Target::Part(part, lid) => self.open_part(part, lid),
            Target::Line(line) => self.open_line(line),
            Target::Price(slot) => self.open_price(slot),
            Target::Nothing
            | Target::DrawnDown
            | Target::Round
            | Target::AddFixture(_)
            | Target::Sign(_)
            | Target::Direction
            | Target::GaugeCompartment
            | Target::Wait
            | Target::Run(_)
            | Target::Offer(_)
            | Target::Hose => {}
        }
    }

    /// An answer on a row was tapped.
    pub fn tap_page_choice(&mut self, row: usize, choice: usize) {
        match self.target_of(row) {
            Target::DrawnDown => self.choose_drawn_down(choice),
            Target::Round => self.choose_round(choice),
            Target::Fixture(fixture) => self.choose_flush(fixture, choice),
            Target::AddFixture(kinds) => {
                if let Some(kind) = kinds.get(choice) {
                    self.add_fixture(*kind);
                }
            }
            Target::Sign(sign) => self.choose_sign(sign, choice),
            Target::Direction => self.choose_direction(choice),
            Target::GaugeCompartment => self.choose_gauge_compartment(choice),
            Target::Wait => self.choose_wait(choice),
            Target::Run(run) => self.drop_run(run),
            Target::Line(line) => self.choose_accepted(line, choice),
            Target::Offer(kind) => self.choose_offer(kind, choice),
            Target::Hose => self.choose_hose(choice),
            Target::Nothing | Target::Part(..) | Target::Price(_) => {}
        }
    }

    /// One of the two keys of a page was tapped.
    pub fn tap_page_key(&mut self, key: usize) {
        let Screen::Page(page) = self.screen else { return };
        match (page, key) {
            (Page::Flush | Page::Looks | Page::Parts, 0) => self.tap_page(Page::Found),
            (Page::Looks, 1) => self.tap_page(Page::Parts),
            (Page::Gauge, 0) => self.mark_level(),
            (Page::Work, 0) => self.open_add_work(),
            (Page::Prices, 0) => self.open_new_price(),
            _ => {}
        }
    }

    /// A place in the drawing was tapped.
    pub fn tap_page_spot(&mut self, spot: usize) {
        if self.screen == Screen::Page(Page::Parts)
            && let Some((part, lid)) = self.part_spots().get(spot).map(|spot| (spot.part, spot.lid))
        {
            self.open_part(part, lid);
        }
    }

    /// The drawing of a page has another size.
    pub fn page_resized(&mut self, width: f64, height: f64) {
        if let Some(state) = self.stop.as_mut()
            && width.is_finite()
            && height.is_finite()
        {
            state.page.area = (width, height);
        }
    }

    pub(crate) fn page_number(&mut self, number: PageNumber, value: PadValue) {
        match (number, value) {
            (PageNumber::Level, PadValue::Mm(below_mm)) => self.keep_mark(below_mm),
            (PageNumber::Quantity(line), PadValue::Thousandths(quantity)) => {
                self.change_line("work", line, |line| line.quantity_thousandths = quantity);
            }
            (PageNumber::LinePrice(line), PadValue::Money(price)) => {
                self.set_line_price(line, price);
            }
            (PageNumber::LineTax(line), PadValue::Ppm(tax)) => {
                self.change_line("work", line, |line| line.set_tax_ppm(tax));
            }
            (PageNumber::Price(slot), PadValue::Money(price)) => {
                self.change_price(slot, |line| line.unit_price = price);
            }
            (PageNumber::Tax(slot), PadValue::Ppm(tax)) => {
                self.change_price(slot, |line| line.set_tax_ppm(tax));
            }
            _ => {}
        }
    }

    pub(crate) fn page_text(&mut self, target: PageText, text: String) {
        match target {
            PageText::FixtureName(id) => self.change_fixture(id, |fixture| fixture.name = text),
            PageText::FixtureBranch(id) => self.change_fixture(id, |fixture| fixture.branch = text),
            PageText::FixtureFloor(id) => self.change_fixture(id, |fixture| fixture.floor = text),
            PageText::PartNote => self.set_part_note(text),
            PageText::NewPrice => self.add_price(text),
            PageText::PriceName(id) => self.change_price(PriceSlot::Own(id), |line| line.label = text),
        }
    }

    pub(crate) fn page_chosen(&mut self, target: PageChoice, index: usize) {
        match target {
            PageChoice::Fixture(id) => self.fixture_chosen(id, index),
            PageChoice::Part => self.part_chosen(index),
            PageChoice::Line(id) => self.line_chosen(id, index),
            PageChoice::AddWork => self.work_chosen(index),
            PageChoice::Price(slot) => self.price_chosen(slot, index),
        }
    }

    pub(crate) fn open_page_list(&mut self, target: PageChoice, title: String, rows: Vec<(String, String)>) {
        self.picker = Some(Picker {
            target: PickerTarget::Page(target),
            title,
            rows,
            selected: None,
        });
    }

    /// What stands under the keys of the Pump station: how many fixtures were run, how many signs were looked for, what is
    /// left of the wait of the leak gauge, what the accepted work comes to.
    pub(crate) fn page_key_texts(&self) -> [String; 4] {
        let Some(state) = self.stop.as_ref() else {
            return [const { String::new() }; 4];
        };
        let visit = state.shown();
        let run = visit
            .fixtures
            .iter()
            .filter(|fixture| {
                let came =
                    |round| looked_at::flush_of(visit, fixture, round).is_some_and(|flush| flush.result.is_some());
                FlushRound::ALL.iter().any(|round| came(*round))
            })
            .count();
        let signs = visit.signs.iter().filter(|sign| sign.present.is_some()).count();
        let sum = crate::domain::money::totals(&visit.work).map(|sum| sum.gross());
        let some = |count: usize, text: String| if count == 0 { String::new() } else { text };
        [
            some(visit.fixtures.len(), format!("{run}/{}", visit.fixtures.len())),
            some(
                signs + visit.conditions.len(),
                (signs + visit.conditions.len()).to_string(),
            ),
            self.gauge_key_text(),
            sum.filter(|sum| sum.0 != 0)
                .map(|sum| self.session.figures().money(sum))
                .or_else(|| (work::unpriced(&visit.work) > 0).then(|| self.session.words().t("no price yet")))
                .unwrap_or_default(),
        ]
    }

    /// What was looked at at the stop, weighed.
    pub(crate) fn report(&self, figures: Figures) -> Option<Result<Report, Contradiction>> {
        let state = self.stop.as_ref()?;
        let visit = state.shown();
        let decisions: Vec<_> = state
            .assessments
            .iter()
            .map(|assessment| assessment.verdict.decision)
            .collect();
        let facts = looked_at::facts(visit, &decisions, &|fixture| {
            flush::fixture_title(visit, fixture, figures)
        });
        Some(crate::domain::diagnose::diagnose(&facts))
    }

    /// What was found, for the customer: the lines of the house, the causes, the leak gauge, the parts.
    pub(crate) fn check_lines(&self, figures: Figures) -> Vec<String> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let says = Findings::new(figures);
        let mut lines = Vec::new();
        if let Some(Ok(report)) = self.report(figures) {
            if let Some(flush) = &report.flush {
                lines.extend(flush_sentences(flush, says));
            }
            if let Some(comparison) = &report.comparison {
                lines.push(says.outcome(comparison.outcome));
            }
            // A cause that clearing has answered is told above; what else stands is told with what waiting costs.
            for cause in report.diagnosis.standing().take(2) {
                lines.push(
                    [
                        says.finding(cause),
                        says.means(cause.cause),
                        says.waiting(cause.cause),
                        says.full_advice(cause),
                    ]
                    .join(" "),
                );
            }
            if let Some(Ok(found)) = &report.gauge {
                lines.push(says.gauge(found));
            }
            if report.diagnosis.standing().next().is_some() {
                lines.push(says.limit());
            }
        }
        lines.extend(parts::part_lines(state, figures));
        lines
    }
}

/// What a flush test says, with the places that are at fault.
pub(crate) fn flush_sentences(finding: &crate::domain::flush::FlushFinding, says: Findings) -> Vec<String> {
    let mut lines = vec![says.verdict(finding.verdict)];
    // Fixtures of which nobody knows what they share stand for themselves, together in one sentence.
    let mut alone = Vec::new();
    for fault in &finding.faults {
        if let Group::Own(name) = &fault.group {
            alone.push(name.as_str());
        } else {
            lines.push(format!(
                "{}: {} ({}).",
                fault.group.name(),
                says.branch_state(fault.state),
                fault.fixtures.join(", ")
            ));
        }
    }
    if !alone.is_empty() {
        lines.push(says.own_pipes(&alone));
    }
    lines
}
