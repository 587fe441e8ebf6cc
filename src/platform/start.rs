//! Opens the book and runs the app in a window, the same on every device.

use crate::app::bind::{self, SharedApp};
use crate::app::demo;
use crate::app::device::{Device, News};
use crate::app::explain;
use crate::app::photos::PictureSource;
use crate::app::position::{Opener, Wake};
use crate::app::session::{Clock, Session};
use crate::app::shell::App;
use crate::domain::rules::RuleSet;
use crate::exchange::rulefile;
use crate::platform::folders::{Folders, own_rule_sets};
use crate::say::words::Words;
use crate::store::{Store, StoreError};
use crate::ui;
use slint::{ComponentHandle, Global};
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::thread::{self, JoinHandle};

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

/// The book on its way: opened, and rule files of one's own read, while the window is being made.
#[derive(Debug)]
pub enum Opening {
    /// By a thread of its own.
    Begun(JoinHandle<Result<Opened, RunError>>),
    /// On a system without a thread to spare.
    Done(Box<Result<Opened, RunError>>),
}

/// A book that is open, and what was found beside it.
#[derive(Debug)]
pub struct Opened {
    store: Store,
    /// Rule sets of one's own.
    own: Vec<RuleSet>,
    /// Rule files of one's own that were refused.
    refused: Vec<String>,
}

impl Opening {
    /// Begins to open the book.
    #[must_use]
    pub fn begin(folders: &Folders) -> Self {
        let open = {
            let folders = folders.clone();
            move || {
                std::fs::create_dir_all(folders.root()).map_err(|source| RunError::Folder {
                    path: folders.root().to_owned(),
                    source,
                })?;
                let store = Store::open(&folders.book())?;
                let (own, refused) = own_rule_sets(&folders.rules());
                Ok(Opened { store, own, refused })
            }
        };
        match thread::Builder::new().name("opening".to_owned()).spawn(open.clone()) {
            Ok(thread) => Self::Begun(thread),
            Err(_) => Self::Done(Box::new(open())),
        }
    }

    fn wait(self) -> Result<Opened, RunError> {
        match self {
            Self::Begun(thread) => thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            Self::Done(opened) => *opened,
        }
    }

    /// Closes the book again in order, where no window can be opened.
    pub fn give_up(self) {
        if let Ok(opened) = self.wait() {
            // Without the note that it is closed, the next start checks the book.
            drop(opened.store.close());
        }
    }
}

/// Runs the app in `window` until it is closed.
///
/// # Errors
/// [`RunError`], with what to do in [`RunError::lines`].
pub fn run(window: &ui::AppWindow, folders: &Folders, opening: Opening, parts: Parts) -> Result<(), RunError> {
    let filled = fill(window, folders, opening, parts);
    // A desktop prints it; a phone has nowhere to print to.
    #[cfg(target_os = "android")]
    if let Err(error) = &filled {
        show_refusal(window, error);
    }
    let _app = filled?;
    window.run().map_err(|error| RunError::NoDisplay(error.to_string()))
}

/// Fills the window from the book; returns the app behind it.
///
/// # Errors
/// [`RunError`] when the book cannot be used.
pub fn fill(window: &ui::AppWindow, folders: &Folders, opening: Opening, parts: Parts) -> Result<SharedApp, RunError> {
    let app: SharedApp = Rc::new(RefCell::new(open(window, folders, opening, parts)?));
    bind::attach(
        window,
        &app,
        Box::new(|app| demo::open_bundled(app).map_err(|error| error.to_string())),
    );
    Ok(app)
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

fn open(window: &ui::AppWindow, folders: &Folders, opening: Opening, parts: Parts) -> Result<App, RunError> {
    let weak = window.as_weak();
    let wake: Wake = Arc::new(move || {
        // The window may be gone while the last actions are kept; then nobody is left to tell.
        drop(weak.upgrade_in_event_loop(|window| ui::AppApi::get(&window).invoke_news()));
    });
    let book_wake = wake.clone();
    let Opened { store, own, refused } = opening.wait()?;
    let rules = move || rulefile::with_bundled(own);
    let mut session = Session::new(store, rules, parts.clock, move || book_wake())?;
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
