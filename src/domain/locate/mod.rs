//! Finding a lid: pins from position fixes, tape ties, the house frame, and the probing map.
//!
//! Everything works in a [`Point`] plane of metres; [`geodesy`] alone knows the shape of the Earth.
//! A tape reading is captured as whole millimetres ([`crate::domain::units::Length`]); what is calculated from it is
//! a real number of metres with its error beside it.

pub mod clue;
pub mod depth;
pub mod fix;
pub mod frame;
pub mod geodesy;
pub mod grid;
pub mod guide;
pub mod plan;
pub mod plane;
pub mod probe;
pub mod ties;
pub mod yard;

pub use geodesy::{LocalPlane, Position, PositionError};
pub use plane::{Ellipse, Point, Spread};
