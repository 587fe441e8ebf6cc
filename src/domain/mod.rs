//! What is true about the work: quantities, tanks, readings, rules, forecasts.
//!
//! Pure: no files, no clock, no database, no window.
//!
//! [`assess::assess`] is the way in: facts of one tank and the rule sets go in,
//! everything the program says about that tank comes out.
#![deny(missing_docs)]

pub mod assess;
pub mod causes;
pub mod cautions;
mod coded;
pub mod diagnose;
pub mod flags;
pub mod flush;
pub mod forecast;
pub mod judge;
pub mod leak;
pub mod ledger;
pub mod locate;
pub mod mark;
pub mod money;
pub mod offers;
pub mod pack;
pub mod reading;
pub mod record;
pub mod riser;
pub mod route;
pub mod rules;
pub mod signs;
pub mod tank;
pub mod units;
pub mod waste;
