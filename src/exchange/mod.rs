//! Carries records between devices, files and the office.
#![deny(missing_docs)]

pub mod dayfile;
pub mod diagnose;
pub mod facts;
pub mod geojson;
pub mod gpx;
pub mod locate;
pub mod nmea;
pub mod position;
pub mod rulefile;
pub mod table;
pub mod work;
