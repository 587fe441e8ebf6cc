//! What each screen shows and what a touch means, and the paper handed over.
//!
//! The screens' state is plain data; only `bind` knows the window.

pub use crate::exchange::inputs;
pub use crate::say::{figures, lettering, paper, words};

#[cfg(feature = "ui")]
pub mod bind;
pub mod book;
pub mod card;
pub mod close_day;
pub mod cloud_copy;
pub mod day;
pub mod demo;
pub mod device;
pub mod dig;
pub mod disposal;
pub mod door;
pub mod explain;
pub mod find;
mod find_keys;
mod find_plan;
pub mod find_tape;
pub mod find_words;
pub mod findings;
pub mod form;
pub mod leave;
pub mod lifecycle;
pub mod load;
pub mod overlay;
pub mod page;
pub mod photo_work;
pub mod photos;
pub mod plan;
pub mod plan_files;
pub mod plan_sheet;
pub mod plan_view;
pub mod position;
pub mod pump;
pub mod read;
pub mod safe_copy;
pub mod scene;
pub mod section;
pub mod send;
pub mod session;
pub mod setup;
pub mod shell;
pub mod site;
pub mod stop;
pub mod tank;
pub mod tank_scenes;
pub mod truck;
pub mod what_if;
pub mod wipe;
pub mod yard;
