//! What each screen shows and what a touch means, and the paper handed over.

pub mod section;
