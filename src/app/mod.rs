//! What each screen shows and what a touch means, and the paper handed over.
//!
//! The screens' state is plain data; only `bind` knows the window.

#[cfg(feature = "ui")]
pub mod bind;
pub mod book;
pub mod card;
pub mod day;
pub mod demo;
pub mod device;
pub mod dig;
pub mod door;
pub mod explain;
pub mod figures;
pub mod find;
pub mod inputs;
pub mod leave;
pub mod lettering;
pub mod lifecycle;
pub mod overlay;
pub mod paper;
pub mod position;
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
pub mod what_if;
pub mod words;
