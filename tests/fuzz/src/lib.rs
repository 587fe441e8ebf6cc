//! What the targets share.

mod entries;

pub use entries::*;
