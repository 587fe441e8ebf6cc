//! What each screen shows and what a touch means.
//!
//! The screens' state is plain data; only `bind` knows the window.

pub mod figures;
pub mod words;
