//! What is true about the work: quantities, tanks, readings, rules, forecasts.
//!
//! Pure: no files, no clock, no database, no window.
#![deny(missing_docs)]

pub mod record;
pub mod units;
