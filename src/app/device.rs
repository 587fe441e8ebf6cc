//! What the app asks of the device it runs on, and what the device tells it.
//!
//! The same words on a phone and on a desktop: the app never knows which. A device that cannot do a thing says so as
//! news, and the screen has a sentence for it.

use crate::app::explain;
use crate::app::overlay::{Picker, PickerTarget};
use crate::app::shell::{App, NoticeKind, Screen};
use crate::domain::locate::Position;
use crate::domain::record::Station;
use crate::exchange::planfile;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::Receiver;

/// What a file is, for the system's own choosers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FileKind {
    /// A customer's card or a plan.
    Pdf,
    /// A picture.
    Picture,
    /// A map of places (GeoJSON) or a plan from the office.
    Json,
    /// A map of places for a receiver.
    Gpx,
    /// A list for a spreadsheet.
    Table,
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
            Self::Json => "application/geo+json",
            Self::Gpx => "application/gpx+xml",
            Self::Table => "text/csv",
            Self::Own => "application/octet-stream",
            Self::Any => "*/*",
        }
    }

    /// What a file of the app's own is, by its ending.
    #[must_use]
    pub fn of(path: &Path) -> Self {
        match path.extension().and_then(|ending| ending.to_str()) {
            Some("pdf") => Self::Pdf,
            Some("geojson") => Self::Json,
            Some("gpx") => Self::Gpx,
            Some("csv") => Self::Table,
            _ => Self::Own,
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
        /// Where; the map app looks the label up when it is not known.
        at: Option<Position>,
        /// What to call it: its address when there is one.
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
    /// A file that was made and waits to be handed out.
    made: Option<PathBuf>,
    /// When the last tap was felt to be kept.
    felt_at: Option<chrono::DateTime<chrono::FixedOffset>>,
}

impl App {
    /// Connects the device this app runs on.
    ///
    /// * `news`: what it tells; whoever sends wakes the window
    pub fn connect_device(&mut self, device: Device, news: Receiver<News>) {
        self.device = DeviceState {
            device,
            news: Some(news),
            felt_at: self.session.kept_at(),
            ..DeviceState::default()
        };
        self.take_in_pictures_left_over(true);
    }

    /// Whether there is a device that can be asked.
    #[must_use]
    pub const fn has_device(&self) -> bool {
        self.device.device.ask.is_some()
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
    pub fn keep_device_in_step(&mut self) {
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
        let kept_at = self.session.kept_at();
        if kept_at != self.device.felt_at {
            self.device.felt_at = kept_at;
            if in_stop {
                self.device.device.ask(Request::Buzz);
            }
        }
        if self.device.made.is_some() && !self.has_overlay() {
            self.ask_where_to();
        }
    }

    /// Offers a file that was just made to the system's sheet, where there is one.
    pub(crate) fn hand_out(&mut self, file: &Path) {
        if self.has_device() {
            self.device.made = Some(file.to_owned());
        }
    }

    fn ask_where_to(&mut self) {
        let words = self.session.words();
        let Some(file) = self.device.made.as_ref() else { return };
        let name = file.file_name().unwrap_or_default().to_string_lossy().into_owned();
        self.picker = Some(Picker {
            target: PickerTarget::FileOut,
            title: words.f("Where to with {0}?", &[&name]),
            rows: vec![
                (
                    words.t("To another app"),
                    words.t("mail, messages, a cloud of your own"),
                ),
                (words.t("Into a folder"), words.t("of this device, or a card")),
                (words.t("Leave it in the app"), String::new()),
            ],
            selected: None,
        });
    }

    pub(crate) fn file_out_chosen(&mut self, index: usize) {
        let Some(file) = self.device.made.take() else { return };
        let kind = FileKind::of(&file);
        match index {
            0 => self.ask_device(Request::Share { file, kind }),
            1 => self.ask_device(Request::SaveTo { file, kind }),
            _ => {}
        }
    }

    /// The list of ways out was closed without a choice: the file stays in the app.
    pub(crate) fn forget_made_file(&mut self) {
        if self
            .picker
            .as_ref()
            .is_some_and(|picker| picker.target == PickerTarget::FileOut)
        {
            self.device.made = None;
        }
    }

    /// Opens a map app at the site on the screen.
    pub fn tap_map(&mut self) {
        let Some(state) = self.site.as_ref() else { return };
        let site = &state.visit.site;
        let at = site
            .lat_e7
            .zip(site.lon_e7)
            .and_then(|(lat, lon)| Position::new(degrees(lat)?, degrees(lon)?).ok());
        let address = [site.address.trim(), site.town.trim()]
            .into_iter()
            .filter(|part| !part.is_empty())
            .collect::<Vec<_>>()
            .join(", ");
        if at.is_none() && address.is_empty() {
            self.say_nothing_to_do("This site has no address and no position.", "Tap Edit and give it one.");
            return;
        }
        let label = if address.is_empty() { site.name.clone() } else { address };
        self.ask_device(Request::OpenMap { at, label });
    }

    /// Opens the telephone with the customer's number.
    pub fn tap_dial(&mut self) {
        let Some(state) = self.site.as_ref() else { return };
        let number = state.visit.site.phone.trim().to_owned();
        if number.is_empty() {
            self.say_nothing_to_do("This site has no telephone number.", "Tap Edit and give it one.");
            return;
        }
        self.ask_device(Request::Dial(number));
    }

    /// Lets the person choose a plan or a map of places on the device.
    pub(crate) fn pick_plan(&mut self) {
        let folder = self.plan_folder();
        if self.make_folder(&folder) {
            self.ask_device(Request::PickFile {
                folder,
                kind: FileKind::Any,
            });
        }
    }

    /// Makes a folder the device is to put a file into; says so when it cannot.
    pub(crate) fn make_folder(&mut self, folder: &Path) -> bool {
        let Err(error) = std::fs::create_dir_all(folder) else {
            return true;
        };
        let text = explain::file_refused(&error.to_string(), self.session.words());
        self.say(NoticeKind::Failure, text.what, text.advice);
        false
    }

    /// A file lies in one of the app's own folders; which one says what it was asked for, so that it is still known
    /// when the app was ended while the person chose.
    fn take_file(&mut self, path: &Path) {
        if path.parent() == Some(self.camera_folder().as_path()) {
            self.take_device_picture(path);
            return;
        }
        let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
        if ["gpx", "geojson"].iter().any(|map| ending.eq_ignore_ascii_case(map)) {
            let (words, name) = (
                self.session.words(),
                path.file_name().unwrap_or_default().to_string_lossy(),
            );
            self.say(
                NoticeKind::Info,
                words.f("The map {0} is here.", &[&name]),
                words.t("At Find, tap the plan's key and take its places in."),
            );
            return;
        }
        if path.parent() == Some(self.plan_folder().as_path()) || path.to_string_lossy().ends_with(planfile::EXTENSION)
        {
            self.import_plan_file(path);
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
            News::Picture(path) => self.take_device_picture(&path),
            News::NoPicture(path) => self.no_device_picture(&path),
            News::File(path) => self.take_file(&path),
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

fn degrees(e7: i64) -> Option<f64> {
    i32::try_from(e7).ok().map(|e7| f64::from(e7) / 1e7)
}
