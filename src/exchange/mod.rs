//! Carries records between devices, files and the office.
#![deny(missing_docs)]

pub mod facts;
pub mod geojson;
pub mod gpx;
pub mod locate;
pub mod marks;
pub mod nmea;
pub mod photo;
pub mod position;
pub mod rulefile;
pub mod work;
