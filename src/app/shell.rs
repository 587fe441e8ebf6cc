//! The whole app without its window: which screen shows, and what the keys that are on every screen do.

use crate::app::book::BookState;
use crate::app::cloud_copy::CloudState;
use crate::app::device::{DeviceState, Request};
use crate::app::explain::{self, Explained};
use crate::app::overlay::{Confirm, Pad, Picker, Sheet};
use crate::app::page::Page;
use crate::app::photos::Photos;
use crate::app::position::PositionState;
use crate::app::send::SendState;
use crate::app::session::Session;
use crate::app::site::{SiteForm, SiteState};
use crate::app::stop::StopState;
use crate::app::truck::TruckState;
use crate::app::what_if::Trial;
use crate::app::wipe::CopyState;
use crate::domain::record::{Price, Station, StopId};
use crate::store::{DayRow, StoreError};
use std::path::PathBuf;

/// Every screen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Screen {
    /// The first start: the demo book or an empty one.
    FirstRun,
    /// Today's stops and the truck.
    #[default]
    Day,
    /// All known sites.
    Book,
    /// One site.
    Site,
    /// The form of one site.
    SiteEdit,
    /// A station of the stop.
    At(Station),
    /// A page behind the Pump station, or the price list.
    Page(Page),
    /// The tank sheet.
    Tank,
    /// The stop's photos.
    Photos,
    /// One photo.
    Photo,
    /// The customer's card.
    Door,
    /// Other people, another tank.
    WhatIf,
    /// The truck's load and what was done with it.
    Truck,
    /// The hauled-waste record of one load.
    Load,
    /// One ticket of a disposal place.
    Disposal,
    /// What is missing before the day is closed.
    CloseDay,
    /// How the phone is set up.
    Setup,
    /// Version and licences.
    About,
}

/// How serious a notice is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoticeKind {
    /// Good to know.
    Info,
    /// Look at this.
    Warning,
    /// Something was not done.
    Failure,
}

/// A sentence over the screen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Notice {
    /// How serious.
    pub kind: NoticeKind,
    /// What happened and what to do.
    pub text: Explained,
}

/// The app without its window.
#[derive(Debug)]
pub struct App {
    // First, so that its threads end while the book is still there to keep what they have in hand.
    pub(crate) photos: Photos,
    pub(crate) session: Session,
    pub(crate) slips: PathBuf,
    pub(crate) screen: Screen,
    pub(crate) back: Vec<Screen>,
    pub(crate) notice: Option<Notice>,
    pub(crate) day: Vec<DayRow>,
    pub(crate) truck: TruckState,
    pub(crate) prices: Vec<Price>,
    pub(crate) book: BookState,
    pub(crate) site: Option<SiteState>,
    pub(crate) form: Option<SiteForm>,
    pub(crate) stop: Option<StopState>,
    pub(crate) trial: Option<Trial>,
    pub(crate) pad: Option<Pad>,
    pub(crate) sheet: Option<Sheet>,
    pub(crate) picker: Option<Picker>,
    pub(crate) confirm: Option<Confirm>,
    pub(crate) position: PositionState,
    pub(crate) device: DeviceState,
    pub(crate) send: SendState,
    pub(crate) copy: CopyState,
    pub(crate) cloud: CloudState,
}

impl App {
    /// Starts the app: at the first question, at the stop that was open when it was cut off, or at the day.
    ///
    /// * `slips`: the folder customers' cards are written to
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn start(session: Session, slips: PathBuf) -> Result<Self, StoreError> {
        let is_new = session.is_new();
        let open = session.ask(|store| store.open_stop())?;
        let prices = session.ask(|store| store.prices())?;
        let mut app = Self {
            photos: Photos::new(&session),
            session,
            slips,
            screen: if is_new { Screen::FirstRun } else { Screen::Day },
            back: Vec::new(),
            notice: None,
            day: Vec::new(),
            truck: TruckState::default(),
            prices,
            book: BookState::default(),
            site: None,
            form: None,
            stop: None,
            trial: None,
            pad: None,
            sheet: None,
            picker: None,
            confirm: None,
            position: PositionState::default(),
            device: DeviceState::default(),
            send: SendState::default(),
            copy: CopyState::default(),
            cloud: CloudState::default(),
        };
        app.tidy_cloud();
        // The book is read when it is looked at: the day must not wait for thousands of sites.
        app.reload_day()?;
        if let Some(stop) = open {
            app.open_stop(stop)?;
        }
        Ok(app)
    }

    /// Returns what every screen shares.
    #[must_use]
    pub const fn session(&self) -> &Session {
        &self.session
    }

    /// Returns what every screen shares, to wait for it or to set its clock.
    pub const fn session_mut(&mut self) -> &mut Session {
        &mut self.session
    }

    /// Returns the screen that shows.
    #[must_use]
    pub const fn screen(&self) -> Screen {
        self.screen
    }

    /// Returns the notice over the screen: what keeps an action waiting comes first.
    #[must_use]
    pub fn notice(&self) -> Option<Notice> {
        self.session
            .trouble()
            .map(|error| Notice {
                kind: NoticeKind::Failure,
                text: explain::store(error, self.session.words()),
            })
            .or_else(|| self.notice.clone())
    }

    /// Takes the notice away.
    pub fn dismiss_notice(&mut self) {
        self.notice = None;
    }

    /// Takes a notice away that only informed; warnings and failures stay until they are dismissed.
    pub(crate) fn drop_info(&mut self) {
        self.notice = self.notice.take().filter(|notice| notice.kind != NoticeKind::Info);
    }

    pub(crate) fn say(&mut self, kind: NoticeKind, what: String, advice: String) {
        self.notice = Some(Notice {
            kind,
            text: Explained { what, advice },
        });
    }

    /// Runs something that may fail on the book, and says so on the screen when it does.
    pub(crate) fn try_book<T>(&mut self, result: Result<T, StoreError>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(error) => {
                let text = explain::store(&error, self.session.words());
                self.notice = Some(Notice {
                    kind: NoticeKind::Failure,
                    text,
                });
                None
            }
        }
    }

    /// Shows a screen. Within a stop, moving to a station is kept, so that a killed app comes back to it.
    pub fn go(&mut self, screen: Screen) {
        self.close_overlays();
        // What was good to know on the last screen must not cover the next one.
        self.drop_info();
        if self.session.is_new() && screen != Screen::About {
            return;
        }
        let screen = match screen {
            Screen::Tank if self.stop.is_some() => Screen::Tank,
            Screen::At(_) | Screen::Tank | Screen::Door | Screen::WhatIf
                if self.stop.as_ref().is_none_or(|state| state.stop_id().is_none()) =>
            {
                Screen::Day
            }
            Screen::Page(page)
                if page.is_of_stop() && self.stop.as_ref().is_none_or(|state| state.stop_id().is_none()) =>
            {
                Screen::Day
            }
            Screen::Photos if self.stop.as_ref().is_none_or(|state| state.stop_id().is_none()) => Screen::Day,
            Screen::Photo if !self.has_photo() => return,
            other => other,
        };
        if let Some(state) = self.stop.as_mut().filter(|_| screen != Screen::Page(Page::Parts)) {
            // A photo taken elsewhere is not one of the part that was tapped last.
            state.page.part = None;
        }
        match screen {
            Screen::Day => {
                let reloaded = self.reload_day();
                self.try_book(reloaded);
                self.leave_stop_on_screen();
                self.back.clear();
                self.book.put_away();
            }
            Screen::Book => {
                let reloaded = self.reload_book();
                self.try_book(reloaded);
                self.leave_stop_on_screen();
                self.back.clear();
            }
            Screen::Setup => {
                // Setup says how many sites there are.
                let reloaded = self.reload_book();
                self.try_book(reloaded);
                self.back.clear();
            }
            Screen::At(station) => {
                self.back.clear();
                self.book.put_away();
                self.stand_at(station);
            }
            Screen::WhatIf => {
                self.begin_trial();
                self.back.push(self.screen);
            }
            Screen::Truck | Screen::Load | Screen::Disposal | Screen::CloseDay => {
                let reloaded = self.reload_truck();
                self.try_book(reloaded);
                if self.screen != screen {
                    self.back.push(self.screen);
                }
            }
            _ => self.back.push(self.screen),
        }
        self.screen = screen;
    }

    /// Goes back to where this screen was opened from.
    pub fn back(&mut self) {
        if self.has_overlay() {
            self.close_overlays();
            return;
        }
        match self.back.pop() {
            Some(screen) => {
                self.screen = screen;
                if matches!(
                    screen,
                    Screen::Truck | Screen::Load | Screen::Disposal | Screen::CloseDay
                ) {
                    let reloaded = self.reload_truck();
                    self.try_book(reloaded);
                }
                if screen == Screen::Site {
                    // Tanks opened from the site's page are no stop to come back to.
                    if let Some(tanks) = self.stop.as_ref().filter(|state| state.stop_id().is_none()) {
                        let site = tanks.visit.site.id;
                        self.refresh_due(site);
                    }
                    self.stop = self.stop.take().filter(|state| state.stop_id().is_some());
                    self.reload_site();
                }
            }
            // From the first screen back leads out, as it does in every app of a phone.
            None if matches!(self.screen, Screen::Day | Screen::FirstRun) => self.ask_device(Request::LeaveApp),
            None => self.go(Screen::Day),
        }
    }

    /// Starts with an empty book.
    pub fn start_empty(&mut self) {
        // Writing the set-up answers the first question for good.
        self.session.change_setup("first start", |_| {});
        self.go(Screen::Day);
    }

    /// Starts with the demo book, which says that it is invented.
    pub fn start_demo(&mut self, open_demo: &dyn Fn(&mut Self) -> Result<(), String>) {
        let words = self.session.words();
        self.session.change_setup("first start", |_| {});
        let opened = open_demo(self);
        self.go(Screen::Day);
        match opened {
            Ok(()) => self.say(
                NoticeKind::Info,
                words.t("This is the demo book: people, places and readings are invented."),
                words.t("Try anything; nothing leaves this device."),
            ),
            Err(error) => self.say(
                NoticeKind::Failure,
                words.f("The demo book cannot be opened: {0}.", &[&error]),
                words.t("The book is empty; you can start all the same."),
            ),
        }
    }

    /// Takes in news from the book and the position source; returns whether anything is to be drawn again.
    pub fn poll(&mut self) -> bool {
        // Each is asked: nobody's news may wait for another's.
        let told = self.poll_device();
        let photos = self.poll_photos();
        let moved = self.poll_position();
        let made = self.poll_day_file();
        let copied = self.poll_copy();
        let cloud = self.poll_cloud();
        self.session.poll() || told || photos || moved || made || copied || cloud
    }

    fn leave_stop_on_screen(&mut self) {
        self.stop = None;
        let noted = self.session.ask(|store| store.set_open_stop(None));
        self.try_book(noted);
    }

    pub(crate) fn note_stop_on_screen(&mut self, stop: StopId) {
        let noted = self.session.ask(move |store| store.set_open_stop(Some(stop)));
        self.try_book(noted);
    }

    pub(crate) const fn has_overlay(&self) -> bool {
        self.pad.is_some()
            || self.sheet.is_some()
            || self.picker.is_some()
            || self.confirm.is_some()
            || self.truck.signing.is_some()
    }

    pub(crate) fn close_overlays(&mut self) {
        self.forget_made_file();
        self.pad = None;
        self.sheet = None;
        self.picker = None;
        self.confirm = None;
        self.truck.signing = None;
        self.truck.pad.signing = false;
    }
}
