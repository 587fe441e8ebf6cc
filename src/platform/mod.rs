//! What the operating system does for the app: folders, windows, files.

#[cfg(feature = "ui")]
pub mod demo;
#[cfg(feature = "ui")]
pub mod desktop;
pub mod folders;
#[cfg(feature = "ui")]
pub mod picture;
pub mod position;
