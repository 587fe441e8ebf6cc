//! Lidmark records a septic tank pump-out by touch, computes what is in the
//! tank, when to come back and whether risers make sense, and shows the
//! customer why.
//!
//! Layers, each naming only what stands to its left:
//! `domain <- store <- exchange <- say <- app / office <- platform <- bin`.

pub mod app;
pub mod domain;
pub mod exchange;
pub mod office;
pub mod platform;
pub mod say;
pub mod store;

/// The compiled screens: everything in here is generated from `ui/app.slint`.
#[cfg(feature = "ui")]
#[allow(
    warnings,
    clippy::all,
    clippy::pedantic,
    clippy::restriction,
    reason = "generated code"
)]
pub mod ui {
    slint::include_modules!();
}
