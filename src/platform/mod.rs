//! What the operating system does for the app: folders, windows, files.

#[cfg(all(feature = "ui", target_os = "android"))]
mod android;
#[cfg(all(feature = "ui", not(target_os = "android")))]
pub mod demo;
#[cfg(all(feature = "ui", not(target_os = "android")))]
pub mod desktop;
pub mod folders;
#[cfg(all(feature = "ui", not(target_os = "android")))]
pub mod phone;
pub mod picture_folder;
pub mod position;
#[cfg(all(feature = "ui", not(target_os = "android")))]
pub mod screen;
#[cfg(feature = "ui")]
pub mod start;
#[cfg(feature = "ui")]
mod steady;
