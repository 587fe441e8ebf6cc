//! Carries records between devices, files and the office.
#![deny(missing_docs)]

pub mod rulefile;
