//! What every screen shares: the book, the clock, the set-up, the rule sets.

use crate::domain::record::{FieldChange, Language, Op, Setup, SetupId, Site, StopId, changes};
use crate::domain::rules::RuleSet;
use crate::domain::units::{Cents, Length, Volume};
use crate::say::figures::Figures;
use crate::say::words::Words;
use crate::store::desk::{Desk, Handle, Outcome};
use crate::store::{Store, StoreError};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::borrow::Cow;
use std::cell::LazyCell;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use uuid::Uuid;

/// The rule set for people with no local rule.
pub const GENERAL_RULE_SET: &str = "general";

/// Tells the window that a thread has news for it.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// Tells the time; a fixed one in tests and in the demo.
pub type Clock = Box<dyn Fn() -> DateTime<FixedOffset>>;

/// A moment by a clock that nobody can set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Steady {
    /// Which start of the device it counts from.
    pub boot: String,
    /// Seconds since that start, sleep included.
    pub seconds: i64,
}

impl Steady {
    /// Returns the seconds since a count of the same start, `None` when it was another.
    #[must_use]
    pub fn since(&self, boot: &str, seconds: i64) -> Option<i64> {
        (self.boot == boot).then(|| self.seconds.saturating_sub(seconds))
    }
}

/// Tells the time by a clock that nobody can set, where the device has one.
pub type SteadyClock = Box<dyn Fn() -> Option<Steady>>;

/// The book, the clock, the set-up and the rule sets.
pub struct Session {
    desk: Desk,
    wake: Wake,
    book: PathBuf,
    clock: Clock,
    steady: SteadyClock,
    /// Read when first asked for: the day needs none.
    rules: LazyCell<Vec<RuleSet>, Box<dyn FnOnce() -> Vec<RuleSet>>>,
    setup: Setup,
    is_new: bool,
    pending: usize,
    kept_at: Option<DateTime<FixedOffset>>,
    trouble: Option<StoreError>,
    /// Whether an action could not be kept when it was tried last: no news of it comes before it is tried again.
    is_stuck: bool,
}

impl std::fmt::Debug for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Session")
            .field("setup", &self.setup)
            .field("pending", &self.pending)
            .finish_non_exhaustive()
    }
}

/// How a phone is set up before anyone has touched it.
#[must_use]
pub fn first_setup() -> Setup {
    Setup {
        id: SetupId::OWN,
        language: Language::English,
        rule_set: GENERAL_RULE_SET.to_owned(),
        dig_fee: Cents(0),
        // 2,500 US gallons: a middling truck; the company sets its own.
        truck_ml: Volume::from_us_gallons(2_500.0).as_whole_ml().unwrap_or(0),
        edge_mm: Length::from_mm(25),
        ..Setup::default()
    }
}

impl Session {
    /// Opens a session on a book.
    ///
    /// `rules` is called when a rule set is first asked for, `wake` from the book's thread whenever there is news for
    /// [`Session::poll`].
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn new(
        store: Store,
        rules: impl FnOnce() -> Vec<RuleSet> + 'static,
        clock: Clock,
        wake: impl Fn() + Send + Sync + 'static,
    ) -> Result<Self, StoreError> {
        let found = store.setup()?;
        let book = store.path().to_owned();
        let wake: Wake = Arc::new(wake);
        let desk_wake = wake.clone();
        Ok(Self {
            desk: Desk::new(store, move || desk_wake()),
            wake,
            book,
            clock,
            steady: Box::new(|| None),
            rules: LazyCell::new(Box::new(rules)),
            is_new: found.is_none(),
            setup: found.unwrap_or_else(first_setup),
            pending: 0,
            kept_at: None,
            trouble: None,
            is_stuck: false,
        })
    }

    /// Whether nobody has answered the first question yet.
    #[must_use]
    pub const fn is_new(&self) -> bool {
        self.is_new
    }

    /// Returns how the phone is set up.
    #[must_use]
    pub const fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Returns how figures are written for the technician.
    #[must_use]
    pub const fn figures(&self) -> Figures {
        Figures {
            units: self.setup.units,
            words: Words::new(self.setup.language),
        }
    }

    /// Returns the technician's words.
    #[must_use]
    pub const fn words(&self) -> Words {
        Words::new(self.setup.language)
    }

    /// Returns how figures are written for the customer of `site`.
    #[must_use]
    pub fn customer_figures(&self, site: &Site) -> Figures {
        let language = site.language.unwrap_or(self.setup.language);
        Figures {
            units: self.setup.units,
            words: Words::new(language),
        }
    }

    /// Returns the time now.
    #[must_use]
    pub fn now(&self) -> DateTime<FixedOffset> {
        (self.clock)()
    }

    /// Returns the time by a clock that nobody can set.
    #[must_use]
    pub fn steady(&self) -> Option<Steady> {
        (self.steady)()
    }

    /// Returns the day now, where the phone is.
    #[must_use]
    pub fn today(&self) -> NaiveDate {
        self.now().date_naive()
    }

    /// Returns a new id that sorts by the session's clock.
    #[must_use]
    pub fn new_id(&self) -> Uuid {
        let now = self.now();
        let seconds = u64::try_from(now.timestamp()).unwrap_or(0);
        Uuid::new_v7(uuid::Timestamp::from_unix(
            uuid::NoContext,
            seconds,
            now.timestamp_subsec_nanos(),
        ))
    }

    /// Returns every rule set.
    #[must_use]
    pub fn rules(&self) -> &[RuleSet] {
        &self.rules
    }

    /// Returns the rule set with this id.
    #[must_use]
    pub fn rule_set_named(&self, id: &str) -> Option<&RuleSet> {
        self.rules.iter().find(|set| set.id == id)
    }

    /// Returns the rule set that holds at a site: its own, else the company's, else the general one.
    #[must_use]
    pub fn rule_set(&self, site: &Site) -> Option<Cow<'_, RuleSet>> {
        let set = [site.rule_set.as_str(), self.setup.rule_set.as_str(), GENERAL_RULE_SET]
            .into_iter()
            .filter(|id| !id.is_empty())
            .find_map(|id| self.rule_set_named(id))
            .or_else(|| self.rules.first())?;
        // The company may promise less than the rule set allows, never more.
        if let Some(months) = self.setup.max_months.and_then(|months| i32::try_from(months).ok()) {
            let years = f64::from(months) / 12.0;
            let mut held = set.clone();
            held.max_interval_years = Some(set.max_interval_years.map_or(years, |own| own.min(years)));
            return Some(Cow::Owned(held));
        }
        Some(Cow::Borrowed(set))
    }

    /// Hands one action to the book.
    pub fn keep(&mut self, stop: Option<StopId>, label: &str, undoable: bool, list: Vec<FieldChange>) {
        if list.is_empty() {
            return;
        }
        let op = Op {
            id: self.new_id(),
            stop,
            at: self.now(),
            label: label.to_owned(),
            undoable,
            changes: list,
        };
        match self.desk.keep(op) {
            Ok(()) => self.pending += 1,
            Err(error) => self.trouble = Some(error),
        }
    }

    /// Changes how the phone is set up.
    pub fn change_setup(&mut self, label: &str, change: impl FnOnce(&mut Setup)) {
        let mut after = self.setup.clone();
        change(&mut after);
        let before: &[Setup] = if self.is_new {
            &[]
        } else {
            std::slice::from_ref(&self.setup)
        };
        let list = changes(before, std::slice::from_ref(&after));
        self.setup = after;
        self.is_new = false;
        self.keep(None, label, false, list);
    }

    /// Speaks another language before the first question is answered, when there is nothing to keep it in yet.
    pub(crate) fn prefer_language(&mut self, language: Language) {
        self.setup.language = language;
    }

    /// Begins as on a new phone, after everything was wiped; only the language stays that was spoken.
    pub(crate) fn start_over(&mut self) {
        self.setup = Setup {
            language: self.setup.language,
            ..first_setup()
        };
        self.is_new = true;
        self.kept_at = None;
    }

    /// Takes a clock that nobody can set, and returns the one before.
    pub fn set_steady_clock(&mut self, steady: SteadyClock) -> SteadyClock {
        std::mem::replace(&mut self.steady, steady)
    }

    /// Reads the set-up again, after another book has taken the place of a new one.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub(crate) fn look_again(&mut self) -> Result<(), StoreError> {
        if let Some(setup) = self.ask(|store| store.setup())? {
            self.setup = setup;
            self.is_new = false;
        }
        self.kept_at = None;
        Ok(())
    }

    /// Takes another clock, so that a demo can live through years.
    pub fn set_clock(&mut self, clock: Clock) {
        self.clock = clock;
    }

    /// Asks the book something, after everything handed over so far.
    ///
    /// # Errors
    /// What the question returns.
    pub fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&mut Store) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        self.desk.ask(question)
    }

    /// Returns a way to the book for another thread.
    #[must_use]
    pub fn handle(&self) -> Handle {
        self.desk.handle()
    }

    /// Returns what tells the window that there is news.
    #[must_use]
    pub fn wake(&self) -> Wake {
        self.wake.clone()
    }

    /// Returns where the book is.
    #[must_use]
    pub fn book(&self) -> &Path {
        &self.book
    }

    /// Returns a way for other threads to wake the window.
    #[must_use]
    pub fn waker(&self) -> crate::store::desk::Waker {
        self.desk.waker()
    }

    /// Takes in what has become of the actions handed over; returns whether anything has changed.
    pub fn poll(&mut self) -> bool {
        let news = self.desk.outcomes().collect::<Vec<_>>();
        let any = !news.is_empty();
        for outcome in news {
            self.hear(outcome);
        }
        any
    }

    fn hear(&mut self, outcome: Outcome) {
        match outcome {
            Outcome::Kept => {
                self.pending = self.pending.saturating_sub(1);
                self.kept_at = Some((self.clock)());
                self.trouble = None;
                self.is_stuck = false;
            }
            Outcome::Waiting(error) => {
                self.trouble = Some(error);
                self.is_stuck = true;
            }
        }
    }

    /// Waits until everything handed over has been tried, for tests and for work without a window.
    ///
    /// # Errors
    /// What keeps an action waiting.
    pub fn settle(&mut self) -> Result<(), StoreError> {
        while self.pending > 0 && !self.is_stuck {
            let outcome = self.desk.next_outcome()?;
            self.hear(outcome);
        }
        if self.is_stuck {
            // A question has what waits tried again.
            self.ask(|_| Ok(()))?;
            self.poll();
        }
        match self.trouble.take() {
            Some(error) => Err(error),
            None => Ok(()),
        }
    }

    /// Whether everything on the screen is on disk.
    #[must_use]
    pub const fn is_kept(&self) -> bool {
        self.pending == 0
    }

    /// Returns when the last action was kept.
    #[must_use]
    pub const fn kept_at(&self) -> Option<DateTime<FixedOffset>> {
        self.kept_at
    }

    /// Notes when a stop's last action was kept, after opening it.
    pub fn set_kept_at(&mut self, at: Option<DateTime<FixedOffset>>) {
        self.kept_at = at;
    }

    /// Returns what keeps actions waiting.
    #[must_use]
    pub const fn trouble(&self) -> Option<&StoreError> {
        self.trouble.as_ref()
    }
}
