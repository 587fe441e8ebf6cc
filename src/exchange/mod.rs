//! Carries records between devices, files and the office.
#![deny(missing_docs)]

pub mod facts;
pub mod rulefile;
pub mod work;
