//! How things are said and set for a person.
//!
//! The touch app and the office command speak with one voice.

pub mod words;
