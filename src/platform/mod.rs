//! What the operating system does for the app.

#[cfg(feature = "ui")]
pub mod picture;
