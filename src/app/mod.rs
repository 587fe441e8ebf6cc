//! What each screen shows and what a touch means.
//!
//! The screens' state is plain data; only `bind` knows the window.

mod book;
mod day;
mod dig;
mod door;
pub mod explain;
pub mod figures;
mod find;
pub mod inputs;
mod leave;
mod overlay;
mod pump;
mod read;
pub mod session;
mod setup;
mod shell;
mod site;
mod stop;
mod tank;
mod what_if;
pub mod words;
