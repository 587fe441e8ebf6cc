//! The app in a window on a desktop.

use crate::app::bind::{self, SharedApp};
use crate::app::demo;
use crate::app::explain;
use crate::app::position::Wake;
use crate::app::session::Session;
use crate::app::shell::App;
use crate::app::words::Words;
use crate::platform::folders::{Folders, rule_sets};
use crate::platform::position;
use crate::store::{Store, StoreError};
use crate::ui;
use slint::{ComponentHandle, Global};
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;

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

/// Opens the window on a book and runs until it is closed.
///
/// * `position_source`: a position source for this run alone, in place of the one in Setup
///
/// # Errors
/// [`RunError`], with what to do in [`RunError::lines`].
pub fn run(folders: &Folders, position_source: Option<String>) -> Result<(), RunError> {
    choose_renderer()?;
    let window = ui::AppWindow::new().map_err(|error| RunError::NoDisplay(error.to_string()))?;
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
    let clock = Box::new(|| chrono::Local::now().fixed_offset());
    let session = Session::new(store, sets, clock, move || book_wake())?;
    let mut app = App::start(session, folders.slips())?;
    app.connect_position(position::opener(1.0), wake, position_source);
    if let Some(first) = refused.first() {
        app.say_rule_file_refused(first, refused.len());
    }
    let app: SharedApp = Rc::new(RefCell::new(app));
    bind::attach(
        &window,
        &app,
        Box::new(|app| demo::open_bundled(app).map_err(|error| error.to_string())),
    );
    window.run().map_err(|error| RunError::NoDisplay(error.to_string()))
}

/// Draws in software unless the person says otherwise: it needs no graphics driver and repaints only what changed.
fn choose_renderer() -> Result<(), RunError> {
    if std::env::var_os("SLINT_BACKEND").is_some() {
        return Ok(());
    }
    slint::BackendSelector::new()
        .backend_name("winit".to_owned())
        .renderer_name("software".to_owned())
        .select()
        .map_err(|error| RunError::NoDisplay(error.to_string()))
}
