//! Where the device is, as the position sources report it.

use crate::app::shell::App;
use crate::domain::locate::fix::Fix;
use chrono::{DateTime, FixedOffset};

/// What is known of where the device is.
#[derive(Clone, Debug, PartialEq)]
pub struct Here {
    /// The latest fix; `None` while the source has no position.
    pub fix: Option<Fix>,
    /// The way the device points, degrees from true north, when it has a compass.
    pub heading_deg: Option<f64>,
    /// The way it moves, degrees from true north; `None` while it stands.
    pub course_deg: Option<f64>,
    /// The source, as the person chose it.
    pub source: String,
    /// How many bad sentences were skipped since the source was chosen.
    pub bad_sentences: u64,
    /// When it came.
    pub at: DateTime<FixedOffset>,
}

/// What the app knows of its position source.
#[derive(Debug, Default)]
pub(crate) struct PositionState {
    here: Option<Here>,
}

impl App {
    /// Returns what is known of where the device is.
    #[must_use]
    pub const fn position(&self) -> Option<&Here> {
        self.position.here.as_ref()
    }

    /// Takes in where the device is now.
    pub fn take_position(&mut self, here: Here) {
        self.position.here = Some(here);
        self.moved();
    }
}
