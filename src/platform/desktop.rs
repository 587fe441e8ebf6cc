//! The app in a window on a desktop.

use crate::app::device::Device;
use crate::platform::folders::Folders;
use crate::platform::start::{self, Opening, Parts, RunError};
use crate::platform::{phone as played, picture_folder, position};
use crate::ui;
use slint::ComponentHandle;
use std::path::PathBuf;
use std::sync::mpsc::channel;

/// Opens the window on a book and runs until it is closed.
///
/// * `position_source`: a position source for this run alone, in place of the one in Setup
/// * `camera`: a folder that stands for the camera
/// * `phone`: whether a phone is played on standard input and output
///
/// # Errors
/// [`RunError`], with what to do in [`RunError::lines`].
pub fn run(
    folders: &Folders,
    position_source: Option<String>,
    camera: Option<PathBuf>,
    phone: bool,
) -> Result<(), RunError> {
    let opening = Opening::begin(folders);
    let made =
        choose_renderer().and_then(|()| ui::AppWindow::new().map_err(|error| RunError::NoDisplay(error.to_string())));
    let window = match made {
        Ok(window) => window,
        Err(error) => {
            opening.give_up();
            return Err(error);
        }
    };
    let (device, news) = if phone {
        played::played(window.as_weak())
    } else {
        (Device::default(), channel().1)
    };
    let parts = Parts {
        clock: Box::new(|| chrono::Local::now().fixed_offset()),
        open_position: position::opener(1.0),
        position_source,
        pictures: picture_folder::source(camera),
        device,
        news,
    };
    start::run(&window, folders, opening, parts)
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
