//! A site's plan as it leaves and enters the program: named places and lines on the Earth, and the same drawn by tape.

use super::fix::PinKind;
use super::geodesy::Position;
use super::plane::{AXES_PER_RADIUS, Ellipse, Point};
use crate::domain::units::Length;
use chrono::NaiveDate;

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

/// Everything the sheet says and shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct YardPlan {
    /// Whose yard and where; the first line is set heavier.
    pub site_lines: Vec<String>,
    /// The day it stands for.
    pub date: NaiveDate,
    /// The true bearing of the plan's up (its y axis), degrees, when it is known.
    pub north_deg: Option<f64>,
    /// The house's outline; empty when it is not known.
    pub house: Vec<Point>,
    /// Places.
    pub marks: Vec<PlanMark>,
    /// Pipe and hose.
    pub lines: Vec<PlanLine>,
    /// Tape distances between marks.
    pub ties: Vec<PlanTie>,
    /// Anything more to say, a sentence each.
    pub notes: Vec<String>,
}

/// One place of the plan.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanMark {
    /// Its letter on the plan; where it has none it is given a number.
    pub letter: String,
    /// What it is called, in words that are finished.
    pub name: String,
    /// What it marks.
    pub kind: PinKind,
    /// Where, metres in the axes of the plan.
    pub at: Point,
    /// Its error, the ellipse of one standard deviation, in the axes of the plan.
    pub ellipse: Ellipse,
    /// Where on the Earth, when that is known.
    pub position: Option<Position>,
}

impl PlanMark {
    /// Returns the radius of about 68 % in which it lies, m.
    #[must_use]
    pub fn error_m(&self) -> f64 {
        AXES_PER_RADIUS * self.ellipse.major_m
    }
}

/// What a line of the plan is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineKind {
    /// The sewer.
    Pipe,
    /// The way the hose lies.
    Hose,
}

/// One line of the plan.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanLine {
    /// What it is.
    pub kind: LineKind,
    /// Its places in order, metres in the axes of the plan.
    pub points: Vec<Point>,
}

/// One tape distance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlanTie {
    /// The mark the tape was held at, as its index.
    pub from: usize,
    /// The mark that was measured.
    pub to: usize,
    /// What the tape read.
    pub distance: Length,
    /// Tape less the distance on the plan, m; `None` where nothing checks it.
    pub residual_m: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the radius that holds 68 % of a round bell, √(2 ln(1 / 0.32)) = 1.50959 of its axis.
    #[test]
    fn a_mark_shows_the_radius_of_its_longer_axis() {
        let mark = PlanMark {
            letter: "A".to_owned(),
            name: String::new(),
            kind: PinKind::TankLid,
            at: Point::ORIGIN,
            ellipse: Ellipse {
                major_m: 2.0,
                minor_m: 0.5,
                bearing_deg: 0.0,
            },
            position: None,
        };
        let expected = 2.0 * (2.0 * (1.0 / 0.32_f64).ln()).sqrt();
        assert!((mark.error_m() - expected).abs() < 1e-6, "{}", mark.error_m());
    }
}
