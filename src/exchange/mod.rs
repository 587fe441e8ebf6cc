//! Carries records between devices, files and the office.
#![deny(missing_docs)]

pub mod customer_list;
pub mod dayfile;
pub mod diagnose;
pub mod facts;
pub mod geojson;
pub mod gpx;
pub mod inputs;
pub mod locate;
pub mod looked_at;
pub mod nmea;
pub mod photo;
pub mod photo_marks;
pub mod planfile;
pub mod position;
pub mod rulefile;
pub mod table;
pub mod work;
