//! Everything checked from outside the modules, in one binary so that it links once.

#[cfg(feature = "ui")]
mod look;
