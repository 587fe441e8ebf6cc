//! What the app asks of the device it runs on, and what the device tells it.
//!
//! The same words on a phone and on a desktop: the app never knows which. A device that cannot do a thing says so as
//! news, and the screen has a sentence for it.

use crate::app::explain;
use crate::app::shell::{App, NoticeKind, Screen};
use crate::domain::record::Station;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::Receiver;

/// What a file is, for the system's own choosers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FileKind {
    /// A customer's card or a plan.
    Pdf,
    /// A picture.
    Picture,
    /// A day file or another of the program's own.
    Own,
    /// Any file.
    Any,
}

impl FileKind {
    /// Its media type (RFC 6838).
    #[must_use]
    pub const fn media_type(self) -> &'static str {
        match self {
            Self::Pdf => "application/pdf",
            Self::Picture => "image/jpeg",
            Self::Own => "application/zip",
            Self::Any => "*/*",
        }
    }
}

/// What the app asks of the device.
#[derive(Clone, Debug, PartialEq)]
pub enum Request {
    /// Report positions and where the top of the device points, or stop to. The first time, a phone asks for leave.
    Position(bool),
    /// Take a full-size picture into this file.
    TakePicture(PathBuf),
    /// Let the person choose a file and copy it into this folder.
    PickFile {
        /// Where to.
        folder: PathBuf,
        /// What kinds are offered.
        kind: FileKind,
    },
    /// Hand a file to another app.
    Share {
        /// The file.
        file: PathBuf,
        /// What it is.
        kind: FileKind,
    },
    /// Save a file where the person says.
    SaveTo {
        /// The file.
        file: PathBuf,
        /// What it is.
        kind: FileKind,
    },
    /// A short buzz: a tap was kept.
    Buzz,
    /// Keep the screen on, or let it go dark as usual.
    KeepScreenOn(bool),
    /// Open a map app at a place.
    OpenMap {
        /// Latitude, WGS 84, degrees.
        latitude_deg: f64,
        /// Longitude, WGS 84, degrees.
        longitude_deg: f64,
        /// What to call it.
        label: String,
    },
    /// Open the telephone with a number; the person presses call.
    Dial(String),
    /// Leave the app for whatever was there before, as the back key does on the first screen.
    LeaveApp,
}

/// What the device lacks or will not do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Lack {
    /// The position was not permitted.
    PositionNotPermitted,
    /// Positioning is switched off.
    PositionOff,
    /// There is no camera app.
    Camera,
    /// There is nothing to choose files with.
    FileChooser,
    /// There is no app that takes the file.
    ShareTarget,
    /// There is no map app.
    Map,
    /// There is no telephone.
    Telephone,
}

/// A moment in the life of the app on a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Moment {
    /// Out of sight: locked, a call, another app. It may be ended without another word.
    Hidden,
    /// In sight again.
    Shown,
    /// Memory is short.
    LowMemory,
    /// The clock, the date or the time zone was changed.
    ClockChanged,
    /// The end.
    Ending,
}

/// What the device tells the app.
#[derive(Clone, Debug, PartialEq)]
pub enum News {
    /// The way the top of the device points, degrees from north.
    Heading(f64),
    /// The picture that was asked for is in this file.
    Picture(PathBuf),
    /// No picture was taken; the file may be empty or missing.
    NoPicture(PathBuf),
    /// A file was copied into the folder that was named.
    File(PathBuf),
    /// A file could not be taken in: what the system said.
    NoFile(String),
    /// The file was saved where the person said.
    Saved,
    /// It was not: what the system said.
    NotSaved(String),
    /// The device lacks something.
    Lacks(Lack),
    /// A moment in the app's life.
    Moment(Moment),
    /// How large the person wants text, as a factor of the usual size.
    TextScale(f64),
}

/// Hands a request to the device. It must not wait: what comes of it is news.
pub type Ask = Arc<dyn Fn(Request) + Send + Sync>;

/// The device as the app sees it.
#[derive(Clone, Default)]
pub struct Device {
    ask: Option<Ask>,
}

impl std::fmt::Debug for Device {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Device").field("there", &self.ask.is_some()).finish()
    }
}

impl Device {
    /// A device that is asked through `ask`.
    #[must_use]
    pub fn new(ask: Ask) -> Self {
        Self { ask: Some(ask) }
    }

    /// Asks; without a device nothing happens.
    pub fn ask(&self, request: Request) {
        if let Some(ask) = &self.ask {
            ask(request);
        }
    }
}

/// The device, as the app keeps it.
#[derive(Debug, Default)]
pub(crate) struct DeviceState {
    device: Device,
    news: Option<Receiver<News>>,
    /// Whether positions are being reported.
    positions: bool,
    /// Whether the screen is kept on.
    awake: bool,
    text_scale: Option<f64>,
}

impl App {
    /// Connects the device this app runs on.
    ///
    /// * `news`: what it tells; whoever sends wakes the window
    pub fn connect_device(&mut self, device: Device, news: Receiver<News>) {
        self.device = DeviceState {
            device,
            news: Some(news),
            ..DeviceState::default()
        };
    }

    /// Returns how large text is to be, as a factor of the usual size: 1 to 2.
    #[must_use]
    pub fn text_scale(&self) -> f64 {
        self.device.text_scale.unwrap_or(1.0).clamp(1.0, 2.0)
    }

    /// Takes in what the device has told; returns whether anything is to be drawn again.
    pub(crate) fn poll_device(&mut self) -> bool {
        let Some(news) = &self.device.news else { return false };
        let list = news.try_iter().collect::<Vec<_>>();
        let any = !list.is_empty();
        for news in list {
            self.hear(news);
        }
        any
    }

    /// Asks for what the screen needs: positions while a tank is looked for, the screen on while a stop is open.
    pub(crate) fn keep_device_in_step(&mut self) {
        let at_find = matches!(self.screen, Screen::At(Station::Find));
        if at_find != self.device.positions {
            self.device.positions = at_find;
            self.device.device.ask(Request::Position(at_find));
        }
        let in_stop = self.stop.as_ref().is_some_and(|state| state.stop_id().is_some());
        if in_stop != self.device.awake {
            self.device.awake = in_stop;
            self.device.device.ask(Request::KeepScreenOn(in_stop));
        }
    }

    /// Asks the device for something.
    pub(crate) fn ask_device(&self, request: Request) {
        self.device.device.ask(request);
    }

    /// Takes in one thing the device told.
    pub fn hear(&mut self, news: News) {
        let words = self.session.words();
        match news {
            News::Heading(degrees) => self.take_heading(degrees),
            News::Picture(_) | News::NoPicture(_) | News::File(_) => {}
            News::NoFile(detail) => {
                let text = explain::file_refused(&detail, words);
                self.say(NoticeKind::Warning, text.what, text.advice);
            }
            News::Saved => self.say(NoticeKind::Info, words.t("The file is saved."), String::new()),
            News::NotSaved(detail) => {
                let text = explain::file_not_saved(&detail, words);
                self.say(NoticeKind::Warning, text.what, text.advice);
            }
            News::Lacks(lack) => {
                let text = explain::lack(lack, words);
                self.say(NoticeKind::Warning, text.what, text.advice);
            }
            News::TextScale(scale) => self.device.text_scale = scale.is_finite().then_some(scale),
            News::Moment(moment) => self.live_through(moment),
        }
    }
}
