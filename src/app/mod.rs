//! What each screen shows and what a touch means, and the paper handed over.

pub mod card;
pub mod lettering;
pub mod paper;
pub mod scene;
pub mod section;
