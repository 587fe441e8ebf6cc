//! Where position fixes come from: the platform, a receiver's stream, a recorded track, all behind one interface.

use crate::domain::locate::fix::Fix;

/// Gives one fix after another.
pub trait PositionSource {
    /// Returns the next fix, or `None` when the source has ended.
    ///
    /// # Errors
    /// When the source itself fails; a bad piece of it is skipped and counted instead.
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError>;
}

/// Why a source stopped.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// Reading failed.
    #[error("cannot read from the position source")]
    Read(#[source] std::io::Error),
}

/// Fixes already read, given back one by one in their order.
#[derive(Clone, Debug, Default)]
pub struct Replay {
    fixes: std::collections::VecDeque<Fix>,
}

impl Replay {
    /// Replays these fixes.
    #[must_use]
    pub fn new(fixes: Vec<Fix>) -> Self {
        Self { fixes: fixes.into() }
    }
}

impl PositionSource for Replay {
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError> {
        Ok(self.fixes.pop_front())
    }
}
