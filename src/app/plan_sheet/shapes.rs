//! The shapes a plan is drawn with, as SVG. Nothing is worded here.

use crate::app::card::{Frame, Ink};
use std::fmt::Write as _;

/// How a shape is filled and edged.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    /// Colour inside.
    pub(super) fill: &'static str,
    /// Colour of the edge.
    pub(super) edge: &'static str,
    /// Width of the edge, points.
    pub(super) width: f64,
}

/// Path commands through points of the page.
pub(super) fn polyline(points: impl IntoIterator<Item = (f64, f64)>, closed: bool) -> String {
    let mut commands = String::new();
    for (x, y) in points {
        let letter = if commands.is_empty() { 'M' } else { 'L' };
        let _ = write!(commands, "{letter}{x:.3} {y:.3}");
    }
    if closed && !commands.is_empty() {
        commands.push('Z');
    }
    commands
}

impl Ink {
    pub(super) fn edged(&mut self, at: Frame, look: Look) {
        self.put(format_args!(
            "<rect x=\"{:.3}\" y=\"{:.3}\" width=\"{:.3}\" height=\"{:.3}\" fill=\"{}\" stroke=\"{}\" stroke-width=\"{}\"/>",
            at.x, at.y, at.width, at.height, look.fill, look.edge, look.width
        ));
    }

    pub(super) fn disc(&mut self, (x, y): (f64, f64), radius: f64, look: Look) {
        self.put(format_args!(
            "<circle cx=\"{x:.2}\" cy=\"{y:.2}\" r=\"{radius:.2}\" fill=\"{}\" stroke=\"{}\" stroke-width=\"{}\"/>",
            look.fill, look.edge, look.width
        ));
    }

    /// A faint dashed oval, its long half `major` turned clockwise from up.
    pub(super) fn oval(&mut self, (x, y): (f64, f64), (major, minor): (f64, f64), turned_deg: f64, colour: &str) {
        self.put(format_args!(
            "<ellipse cx=\"{x:.2}\" cy=\"{y:.2}\" rx=\"{minor:.2}\" ry=\"{major:.2}\" \
             transform=\"rotate({turned_deg:.2} {x:.2} {y:.2})\" fill=\"{colour}\" fill-opacity=\"0.07\" \
             stroke=\"{colour}\" stroke-width=\"0.6\" stroke-dasharray=\"2 2\"/>"
        ));
    }

    /// A line, whole or in dashes.
    pub(super) fn drawn(&mut self, commands: &str, colour: &str, width: f64, dashed: bool) {
        if commands.is_empty() {
            return;
        }
        let dash = if dashed { " stroke-dasharray=\"5 3\"" } else { "" };
        self.put(format_args!(
            "<path d=\"{commands}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash}/>"
        ));
    }

    /// White behind letters, so that no line runs through them.
    pub(super) fn halo(&mut self, at: Frame) {
        self.put(format_args!(
            "<rect x=\"{:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"{:.2}\" fill=\"#FFFFFF\" fill-opacity=\"0.86\"/>",
            at.x, at.y, at.width, at.height
        ));
    }

    /// An arrow 33 points long about a middle, turned clockwise from up.
    pub(super) fn arrow(&mut self, (x, y): (f64, f64), turned_deg: f64, colour: &str) {
        let tip = polyline(
            [(x, y - 18.0), (x + 7.0, y + 15.0), (x, y + 9.0), (x - 7.0, y + 15.0)],
            true,
        );
        self.put(format_args!(
            "<path d=\"{tip}\" transform=\"rotate({turned_deg:.2} {x:.2} {y:.2})\" fill=\"{colour}\"/>"
        ));
    }
}
