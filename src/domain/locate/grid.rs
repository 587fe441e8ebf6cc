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

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// By hand: 10 m by 5 m in the finest cells are 40 by 20; the first middle lies an eighth of a metre in. Of 300 m by 200 m
    /// in no more than 12,000 cells the side is √5 m and a hundredth more: 133 by 89.
    #[test]
    fn a_yard_is_laid_out_in_cells() {
        let corners = |x, y| [Point::new(2.0, 1.0), Point::new(2.0 + x, 1.0 + y)];
        let grid = Grid::covering(&corners(10.0, 5.0), 0.0).unwrap();
        assert_eq!((grid.columns(), grid.rows(), grid.len()), (40, 20, 800));
        assert!((grid.cell_m() - 0.25).abs() < 1e-12 && !grid.is_empty());
        let first = grid.centre(0, 0);
        assert!((first.x_m - 2.125).abs() < 1e-9 && (first.y_m - 1.125).abs() < 1e-9);
        assert_eq!(grid.cell(Point::new(11.9, 5.9)), Some((39, 19)));
        assert_eq!(
            (grid.cell(Point::new(12.1, 2.0)), grid.cell(Point::new(3.0, 6.1))),
            (None, None)
        );
        let coarse = Grid::covering(&corners(300.0, 200.0), 0.0).unwrap();
        assert_eq!((coarse.columns(), coarse.rows()), (133, 89));
        assert!((coarse.cell_m() - 1.01 * 5.0_f64.sqrt()).abs() < 1e-9);
        for (x, y) in [
            (0.5, 5.0),
            (5.0, 0.5),
            (10_001.0, 5.0),
            (5.0, 10_001.0),
            (f64::NAN, 5.0),
            (f64::INFINITY, 5.0),
        ] {
            assert_eq!(Grid::covering(&corners(x, y), 0.0), None, "{x} by {y}");
        }
        assert!(Grid::covering(&corners(0.51, 10_000.0), 0.0).is_some());
        assert_eq!(Grid::covering(&[], 0.0), None);
    }

    /// Turned or not, the middle of each cell lies in it, the list is in order of rows, and beyond the edge there is none.
    #[test]
    fn each_cell_is_found_by_its_middle() {
        for turned_deg in [0.0, 30.0, 90.0, -120.0] {
            let corners = [(0.0, 0.0), (20.0, 3.0), (-4.0, 9.0)].map(|(x, y)| Point::new(x, y));
            let grid = Grid::covering(&corners, turned_deg).unwrap();
            assert_eq!(grid.centres().count(), grid.len());
            for (index, at) in grid.centres().enumerate() {
                let (column, row) = grid.column_row(index);
                assert_eq!(grid.index(column, row), index);
                assert_eq!(grid.cell(at), Some((column, row)), "{turned_deg} degrees");
                assert!(at.minus(grid.centre(column, row)).x_m.abs() < 1e-12);
            }
            for corner in corners {
                let nearest = grid
                    .centres()
                    .map(|at| at.distance_m(corner))
                    .fold(f64::INFINITY, f64::min);
                assert!(
                    nearest < grid.cell_m(),
                    "{corner:?} is not covered at {turned_deg} degrees"
                );
            }
            // A quarter of a turn clockwise takes the rows from east to south.
            let along = grid.centre(1, 0).minus(grid.centre(0, 0));
            let radians = f64::to_radians(turned_deg);
            assert!((along.x_m - grid.cell_m() * radians.cos()).abs() < 1e-9);
            assert!((along.y_m + grid.cell_m() * radians.sin()).abs() < 1e-9);
            for off in [
                Point::new(-900.0, 0.0),
                Point::new(900.0, 0.0),
                Point::new(0.0, 900.0),
                Point::new(0.0, -900.0),
            ] {
                assert_eq!(grid.cell(off), None);
            }
        }
    }
}
