//! A square grid over the part of a site where a tank may lie.

use super::plane::Point;

/// The most cells a grid has; more would cost a phone more than a frame to update.
pub const MOST_CELLS: u32 = 12_000;

/// The finest cell, m: a fifth of the narrowest tank, finer than anyone places a rod.
pub const FINEST_CELL_M: f64 = 0.25;

/// A grid of square cells, its rows along the house.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grid {
    /// Sine and cosine of how far the rows are turned clockwise.
    turned: (f64, f64),
    /// The corner where both axes start, before the turn.
    low: Point,
    cell_m: f64,
    columns: u32,
    rows: u32,
}

impl Grid {
    /// The grid that covers all `corners`, turned clockwise by `turned_deg`, with cells as fine as [`MOST_CELLS`] allows.
    ///
    /// `None` when the corners span nothing, more than ten kilometres, or are not numbers.
    #[must_use]
    pub fn covering(corners: &[Point], turned_deg: f64) -> Option<Self> {
        let (sin, cos) = turned_deg.to_radians().sin_cos();
        let level = corners.iter().map(|corner| turned(*corner, -sin, cos));
        let (low, high) = level.fold(
            (
                Point::new(f64::INFINITY, f64::INFINITY),
                Point::new(f64::NEG_INFINITY, f64::NEG_INFINITY),
            ),
            |(low, high), p| {
                (
                    Point::new(low.x_m.min(p.x_m), low.y_m.min(p.y_m)),
                    Point::new(high.x_m.max(p.x_m), high.y_m.max(p.y_m)),
                )
            },
        );
        let size = high.minus(low);
        let sound = size.is_finite() && low.is_finite() && size.x_m > 0.5 && size.y_m > 0.5;
        if !sound || size.x_m > 1.0e4 || size.y_m > 1.0e4 {
            return None;
        }
        let mut cell_m = (size.x_m * size.y_m / f64::from(MOST_CELLS)).sqrt().max(FINEST_CELL_M);
        loop {
            let (columns, rows) = (whole(size.x_m / cell_m)?, whole(size.y_m / cell_m)?);
            if columns.checked_mul(rows)? <= MOST_CELLS {
                return Some(Self {
                    turned: (sin, cos),
                    low,
                    cell_m,
                    columns,
                    rows,
                });
            }
            cell_m *= 1.01;
        }
    }

    /// Side of a cell, m.
    #[must_use]
    pub const fn cell_m(self) -> f64 {
        self.cell_m
    }

    /// How many cells lie along the house.
    #[must_use]
    pub const fn columns(self) -> u32 {
        self.columns
    }

    /// How many rows of them there are.
    #[must_use]
    pub const fn rows(self) -> u32 {
        self.rows
    }

    /// How many cells there are.
    #[must_use]
    pub fn len(self) -> usize {
        usize::try_from(self.columns * self.rows).unwrap_or(0)
    }

    /// Whether there are none, which never is.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.len() == 0
    }

    /// Every cell's middle on the site's plane, row by row.
    pub fn centres(self) -> impl Iterator<Item = Point> {
        (0..self.rows).flat_map(move |row| (0..self.columns).map(move |column| self.centre(column, row)))
    }

    /// The middle of one cell.
    #[must_use]
    pub fn centre(self, column: u32, row: u32) -> Point {
        let inside = Point::new(f64::from(column) + 0.5, f64::from(row) + 0.5);
        let (sin, cos) = self.turned;
        turned(self.low.plus(inside.times(self.cell_m)), sin, cos)
    }

    /// Returns the column and row of the cell a place lies in, `None` off the grid.
    #[must_use]
    pub fn cell(self, at: Point) -> Option<(u32, u32)> {
        let (sin, cos) = self.turned;
        let inside = turned(at, -sin, cos).minus(self.low).times(1.0 / self.cell_m);
        let (column, row) = (floor(inside.x_m)?, floor(inside.y_m)?);
        (column < self.columns && row < self.rows).then_some((column, row))
    }

    /// Returns the place of a cell in a list of all.
    #[must_use]
    pub fn index(self, column: u32, row: u32) -> usize {
        usize::try_from(row * self.columns + column).unwrap_or(usize::MAX)
    }

    /// Returns the column and row of the cell at a place of the list.
    #[must_use]
    pub fn column_row(self, index: usize) -> (u32, u32) {
        let index = u32::try_from(index).unwrap_or(0);
        (index % self.columns, index / self.columns)
    }
}

/// Turns a place clockwise, its sine and cosine worked out once for a whole grid.
fn turned(at: Point, sin: f64, cos: f64) -> Point {
    Point::new(at.x_m * cos + at.y_m * sin, at.y_m * cos - at.x_m * sin)
}

fn whole(cells: f64) -> Option<u32> {
    crate::domain::units::round_to_i64(cells.ceil())
        .and_then(|n| u32::try_from(n).ok())
        .map(|n| n.max(1))
}

fn floor(cells: f64) -> Option<u32> {
    crate::domain::units::round_to_i64(cells.floor()).and_then(|n| u32::try_from(n).ok())
}
