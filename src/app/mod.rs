//! What each screen shows and what a touch means, and the paper handed over.
//!
//! The screens' state is plain data; only `bind` knows the window.

pub use crate::exchange::inputs;
pub use crate::say::{explain, figures, lettering, paper, words};

#[cfg(feature = "ui")]
pub mod bind;
pub mod book;
pub mod card;
pub mod close_day;
pub mod day;
pub mod demo;
pub mod dig;
pub mod disposal;
pub mod door;
pub mod find;
pub mod form;
pub mod leave;
pub mod load;
pub mod overlay;
pub mod plan;
pub mod pump;
pub mod read;
pub mod scene;
pub mod section;
pub mod session;
pub mod setup;
pub mod shell;
pub mod site;
pub mod stop;
pub mod tank;
pub mod tank_scenes;
pub mod truck;
pub mod waste_page;
pub mod what_if;
