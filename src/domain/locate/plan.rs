//! A site's plan as it leaves and enters the program: named places and lines on the Earth.

use super::fix::PinKind;
use super::geodesy::Position;

/// A site's plan.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SitePlan {
    /// The site's name.
    pub name: String,
    /// What is on it.
    pub marks: Vec<Mark>,
}

/// One place or line of a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// What it is called.
    pub name: String,
    /// What it marks.
    pub kind: PinKind,
    /// Radius of about 68 % confidence, m, when known.
    pub error_m: Option<f64>,
    /// A remark.
    pub note: Option<String>,
    /// Where.
    pub shape: MarkShape,
}

/// Whether a mark is a place or a line.
#[derive(Clone, Debug, PartialEq)]
pub enum MarkShape {
    /// A place.
    Place(Position),
    /// A line of two places or more.
    Line(Vec<Position>),
}
