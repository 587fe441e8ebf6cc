//! Positions on the WGS 84 ellipsoid and the plane that stands in for it within one site.

use super::plane::Point;
use geo::{Bearing, Destination, Distance, Geodesic};

/// A place on the Earth, WGS 84.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    latitude_deg: f64,
    longitude_deg: f64,
}

/// Why two numbers are not a position.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PositionError {
    /// The latitude is not a number from -90 to 90.
    #[error("latitude {0} is not between -90 and 90 degrees")]
    Latitude(f64),
    /// The longitude is not a number from -180 to 180.
    #[error("longitude {0} is not between -180 and 180 degrees")]
    Longitude(f64),
}

impl Position {
    /// A position from degrees, north and east positive.
    ///
    /// # Errors
    /// When either is outside its range or not a number.
    pub fn new(latitude_deg: f64, longitude_deg: f64) -> Result<Self, PositionError> {
        if !(-90.0..=90.0).contains(&latitude_deg) {
            return Err(PositionError::Latitude(latitude_deg));
        }
        if !(-180.0..=180.0).contains(&longitude_deg) {
            return Err(PositionError::Longitude(longitude_deg));
        }
        Ok(Self {
            latitude_deg,
            longitude_deg,
        })
    }

    /// Degrees north of the equator.
    #[must_use]
    pub const fn latitude_deg(self) -> f64 {
        self.latitude_deg
    }

    /// Degrees east of Greenwich.
    #[must_use]
    pub const fn longitude_deg(self) -> f64 {
        self.longitude_deg
    }

    /// Returns the length of the geodesic to `other`, m.
    ///
    /// Source: Karney (2013), "Algorithms for geodesics", J. Geodesy 87, doi:10.1007/s00190-012-0578-z, by the geo crate.
    #[must_use]
    pub fn distance_m(self, other: Self) -> f64 {
        Geodesic.distance(self.as_geo(), other.as_geo())
    }

    /// Returns the bearing on which the geodesic to `other` leaves here, degrees from true north, 0 to under 360.
    ///
    /// The bearing back is `other.bearing_deg(self)`; it is not this one turned by 180°.
    #[must_use]
    pub fn bearing_deg(self, other: Self) -> f64 {
        Geodesic.bearing(self.as_geo(), other.as_geo()).rem_euclid(360.0)
    }

    /// Returns the place `distance_m` metres from here along the geodesic that leaves on `bearing_deg`.
    #[must_use]
    pub fn travel(self, bearing_deg: f64, distance_m: f64) -> Self {
        let there = Geodesic.destination(self.as_geo(), bearing_deg, distance_m);
        Self {
            latitude_deg: there.y(),
            longitude_deg: there.x(),
        }
    }

    fn as_geo(self) -> geo::Point<f64> {
        geo::Point::new(self.longitude_deg, self.latitude_deg)
    }
}

/// A plane that touches the Earth at `origin`: x east, y north, metres.
///
/// A place lies at its geodesic distance and bearing from the origin (the azimuthal equidistant projection), so lines
/// through the origin are exact and others are stretched by at most `d² / 6R²`: 4 µm in a kilometre.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LocalPlane {
    origin: Position,
}

impl LocalPlane {
    /// The plane touching at `origin`.
    #[must_use]
    pub const fn at(origin: Position) -> Self {
        Self { origin }
    }

    /// Where the plane touches.
    #[must_use]
    pub const fn origin(self) -> Position {
        self.origin
    }

    /// Returns where `position` lies on the plane.
    #[must_use]
    pub fn point(self, position: Position) -> Point {
        Point::polar(self.origin.bearing_deg(position), self.origin.distance_m(position))
    }

    /// Returns the position of a point of the plane.
    #[must_use]
    pub fn position(self, point: Point) -> Position {
        self.origin
            .travel(Point::ORIGIN.bearing_deg(point), Point::ORIGIN.distance_m(point))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// North and east are above nothing; a pole and the date line are the last places there are.
    #[test]
    fn a_position_keeps_its_degrees() {
        let at = Position::new(44.5, -93.25).unwrap();
        assert!((at.latitude_deg() - 44.5).abs() < 1e-12 && (at.longitude_deg() + 93.25).abs() < 1e-12);
        assert!(Position::new(90.0, 180.0).is_ok() && Position::new(-90.0, -180.0).is_ok());
        assert!(matches!(Position::new(90.1, 0.0), Err(PositionError::Latitude(_))));
        assert!(matches!(Position::new(0.0, f64::NAN), Err(PositionError::Longitude(_))));
    }
}
