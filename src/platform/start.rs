//! Opens the book and runs the app in a window, the same on every device.

use crate::app::bind::{self, SharedApp};
use crate::app::demo;
use crate::app::device::{Device, News};
use crate::app::explain;
use crate::app::photos::PictureSource;
use crate::app::position::{Opener, Wake};
use crate::app::session::{Clock, Session};
use crate::app::shell::App;
use crate::platform::folders::{Folders, rule_sets};
use crate::say::words::Words;
use crate::store::{Store, StoreError};
use crate::ui;
use slint::{ComponentHandle, Global};
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::mpsc::Receiver;

/// Why the app could not run.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// There is no display, or it cannot be used.
    #[error("no window can be opened: {0}")]
    NoDisplay(String),
    /// A folder cannot be made.
    #[error("the folder {path} cannot be made")]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The book cannot be used.
    #[error("{0}")]
    Book(#[from] StoreError),
}

impl RunError {
    /// What happened and what to do, one line each.
    #[must_use]
    pub fn lines(&self) -> (String, String) {
        match self {
            Self::NoDisplay(_) => (
                "no window can be opened: there is no display that can be used".to_owned(),
                "Start it where a screen is, or run `lidmark demo --out DIR`, which needs none.".to_owned(),
            ),
            Self::Folder { .. } => (self.to_string(), "Choose another folder with --data DIR.".to_owned()),
            Self::Book(error) => {
                let text = explain::store(error, Words::default());
                (text.what, text.advice)
            }
        }
    }
}

/// What the app is given by the device it runs on.
#[allow(missing_debug_implementations, reason = "two of its parts are functions")]
pub struct Parts {
    /// The time.
    pub clock: Clock,
    /// Opens position sources.
    pub open_position: Opener,
    /// A position source for this run alone, in place of the one in Setup.
    pub position_source: Option<String>,
    /// Where pictures come from.
    pub pictures: PictureSource,
    /// The device, and what it tells; whoever sends news wakes the window.
    pub device: Device,
    /// What the device tells.
    pub news: Receiver<News>,
}

/// Opens the book and runs the app in `window` until it is closed.
///
/// # Errors
/// [`RunError`], with what to do in [`RunError::lines`].
pub fn run(window: &ui::AppWindow, folders: &Folders, parts: Parts) -> Result<(), RunError> {
    let app = match open(window, folders, parts) {
        Ok(app) => app,
        Err(error) => {
            // A desktop prints it; a phone has nowhere to print to.
            #[cfg(target_os = "android")]
            show_refusal(window, &error);
            return Err(error);
        }
    };
    let app: SharedApp = Rc::new(RefCell::new(app));
    bind::attach(
        window,
        &app,
        Box::new(|app| demo::open_bundled(app).map_err(|error| error.to_string())),
    );
    window.run().map_err(|error| RunError::NoDisplay(error.to_string()))
}

/// Says over the whole window why the book cannot be opened, until it is closed.
#[cfg(target_os = "android")]
fn show_refusal(window: &ui::AppWindow, error: &RunError) {
    let (what, advice) = error.lines();
    let api = ui::ConfirmApi::get(window);
    api.set_title(what.into());
    api.set_sentence(advice.into());
    api.set_yes_text("OK".into());
    api.set_no_text("OK".into());
    api.set_grave(true);
    api.on_yes(|| drop(slint::quit_event_loop()));
    api.on_no(|| drop(slint::quit_event_loop()));
    api.set_shown(true);
    drop(window.run());
}

fn open(window: &ui::AppWindow, folders: &Folders, parts: Parts) -> Result<App, RunError> {
    std::fs::create_dir_all(folders.root()).map_err(|source| RunError::Folder {
        path: folders.root().to_owned(),
        source,
    })?;
    let store = Store::open(&folders.book())?;
    let (sets, refused) = rule_sets(&folders.rules());
    let weak = window.as_weak();
    let wake: Wake = Arc::new(move || {
        // The window may be gone while the last actions are kept; then nobody is left to tell.
        drop(weak.upgrade_in_event_loop(|window| ui::AppApi::get(&window).invoke_news()));
    });
    let book_wake = wake.clone();
    let mut session = Session::new(store, sets, parts.clock, move || book_wake())?;
    drop(session.set_steady_clock(super::steady::clock()));
    let mut app = App::start(session, folders.slips())?;
    app.set_picture_source(parts.pictures);
    app.connect_device(parts.device, parts.news);
    app.connect_position(parts.open_position, wake, parts.position_source);
    if let Some(first) = refused.first() {
        app.say_rule_file_refused(first, refused.len());
    }
    Ok(app)
}
