//! How things are said and set for a person: the catalogue, figures and dates, what to do about an error, pages as PDF.
//!
//! The touch app and the office command speak with one voice.

pub mod explain;
pub mod figures;
pub mod hauled;
pub mod lettering;
pub mod paper;
pub mod waste_page;
pub mod words;
