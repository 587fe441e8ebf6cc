//! Pins: one place from many position fixes, with an error that is never flattered.

use super::geodesy::{LocalPlane, Position};
use super::plane::{AXES_PER_RADIUS, Point, Spread};
use chrono::{DateTime, Utc};

/// The error of a phone under open sky, m, and the least a pin made of such fixes ever shows.
///
/// Averaging takes away what scatters; the rest (atmosphere, orbit, reflections) is shared by every fix of a visit.
///
/// Source: GPS.gov, "GPS accuracy": smartphones are typically accurate to within a 4.9 m (16 ft) radius under open sky
/// (read in a reprint).
pub const OPEN_SKY_FLOOR_M: f64 = 4.9;

/// Accuracy taken for a fix whose source reports none, m.
///
/// Source: Al-Azizi and Shafri (2017): phones lie within 10 m about 95 % of the time (read in a reprint).
pub const UNREPORTED_ACCURACY_M: f64 = 10.0;

/// How a receiver arrived at a fix.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FixQuality {
    /// Satellites alone, or the platform did not say.
    #[default]
    Autonomous,
    /// Corrected by a code-phase service.
    Differential,
    /// Carrier phase against a base station, whole cycles not settled.
    RtkFloat,
    /// Carrier phase against a base station, whole cycles settled.
    RtkFixed,
}

impl FixQuality {
    /// Whether a base station takes away the errors that fixes share, so that the open-sky floor does not apply.
    #[must_use]
    pub const fn is_carrier_phase(self) -> bool {
        matches!(self, Self::RtkFloat | Self::RtkFixed)
    }
}

/// One position as a source reported it, kept as it came.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fix {
    /// Where.
    pub position: Position,
    /// Radius of 68 % confidence the source reported, m; `None` when it said nothing.
    pub accuracy_m: Option<f64>,
    /// How the receiver arrived at it.
    pub quality: FixQuality,
    /// When, if the source said.
    pub time: Option<DateTime<Utc>>,
    /// Course over ground, degrees from true north; `None` when the source said nothing or was standing.
    pub course_deg: Option<f64>,
}

impl Fix {
    /// A fix with nothing but a place and its reported accuracy.
    #[must_use]
    pub const fn new(position: Position, accuracy_m: Option<f64>) -> Self {
        Self {
            position,
            accuracy_m,
            quality: FixQuality::Autonomous,
            time: None,
            course_deg: None,
        }
    }

    /// Returns the reported accuracy, or what is assumed when there is none or it makes no sense.
    #[must_use]
    pub fn weighed_accuracy_m(&self) -> f64 {
        match self.accuracy_m {
            // A millimetre to ten kilometres: outside it the number is a placeholder, and its square may not be finite.
            Some(accuracy) if accuracy > 0.0 => accuracy.clamp(0.001, 10_000.0),
            _ => UNREPORTED_ACCURACY_M,
        }
    }

    /// Returns the error to show for this fix alone: the one reported, but never less than open sky allows, m.
    #[must_use]
    pub fn honest_error_m(&self) -> f64 {
        if self.quality.is_carrier_phase() {
            self.weighed_accuracy_m()
        } else {
            self.weighed_accuracy_m().max(OPEN_SKY_FLOOR_M)
        }
    }
}

/// What a pin marks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PinKind {
    /// The lid of a tank.
    TankLid,
    /// A sewer cleanout.
    Cleanout,
    /// Where the sewer leaves the house.
    SewerExit,
    /// A corner of the house.
    HouseCorner,
    /// The distribution box.
    DistributionBox,
    /// The end of a field line.
    FieldEnd,
    /// A well.
    Well,
    /// Something in the way.
    Obstacle,
    /// Where the truck stands.
    TruckParking,
    /// The way the hose lies; a line.
    HosePath,
    /// A fixed thing to measure from: a fence post, a pole.
    #[default]
    Landmark,
}

impl PinKind {
    /// Every kind, in the order shown.
    pub const ALL: [Self; 11] = [
        Self::TankLid,
        Self::Cleanout,
        Self::SewerExit,
        Self::HouseCorner,
        Self::DistributionBox,
        Self::FieldEnd,
        Self::Well,
        Self::Obstacle,
        Self::TruckParking,
        Self::HosePath,
        Self::Landmark,
    ];

    /// The word that stands for it in files.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::TankLid => "tank_lid",
            Self::Cleanout => "cleanout",
            Self::SewerExit => "sewer_exit",
            Self::HouseCorner => "house_corner",
            Self::DistributionBox => "distribution_box",
            Self::FieldEnd => "field_end",
            Self::Well => "well",
            Self::Obstacle => "obstacle",
            Self::TruckParking => "truck_parking",
            Self::HosePath => "hose_path",
            Self::Landmark => "landmark",
        }
    }

    /// The kind a file's word stands for.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// One place from its fixes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PinPlace {
    /// The mean, weighted by `1 / accuracy²`.
    pub position: Position,
    /// Radius within which the true place lies about two times in three, m; never under `floor_m`.
    pub error_m: f64,
    /// The error that averaging cannot take away, m.
    pub floor_m: f64,
    /// How far the fixes scatter about the mean (root mean square, weighted), m.
    pub scatter_m: f64,
    /// How many fixes were averaged.
    pub fixes: usize,
}

impl PinPlace {
    /// Returns the error as a spread of the plane.
    #[must_use]
    pub fn spread(&self) -> Spread {
        Spread::round(self.error_m / AXES_PER_RADIUS)
    }
}

/// Averages fixes into one place; `None` when there are none.
///
/// `mean = Σ w p / Σ w`, `w = 1 / accuracy²`, in the plane of the first fix.
///
/// The error splits in two. What the fixes show as scatter `s` shrinks as `s / √n`. The rest of the reported accuracy
/// `a` (with `a² = n / Σ w`) is bias they share and stays: `bias² = max(a² - s², floor²)`, `error² = bias² + s² / n`.
///
/// The floor is [`OPEN_SKY_FLOOR_M`]; where every fix is carrier phase it is the best accuracy any one of them reported.
#[must_use]
pub fn average(fixes: &[Fix]) -> Option<PinPlace> {
    let plane = LocalPlane::at(fixes.first()?.position);
    let weighed: Vec<(Point, f64)> = fixes
        .iter()
        .map(|fix| (plane.point(fix.position), fix.weighed_accuracy_m().powi(-2)))
        .collect();
    let total: f64 = weighed.iter().map(|(_, w)| w).sum();
    let mean = weighed
        .iter()
        .fold(Point::ORIGIN, |sum, (p, w)| sum.plus(p.times(w / total)));
    let scatter_sq: f64 = weighed
        .iter()
        .map(|(p, w)| w / total * p.distance_m(mean).powi(2))
        .sum();
    let count = f64::from(u32::try_from(fixes.len()).unwrap_or(u32::MAX));
    // A weighted sample loses one of its n degrees to the mean.
    let sample_sq = if count > 1.0 {
        scatter_sq * count / (count - 1.0)
    } else {
        0.0
    };
    let floor_m = if fixes.iter().all(|fix| fix.quality.is_carrier_phase()) {
        fixes.iter().map(Fix::weighed_accuracy_m).fold(f64::INFINITY, f64::min)
    } else {
        OPEN_SKY_FLOOR_M
    };
    let bias_sq = (count / total - sample_sq).max(floor_m * floor_m);
    Some(PinPlace {
        position: plane.position(mean),
        error_m: (bias_sq + sample_sq / count).sqrt().max(floor_m),
        floor_m,
        scatter_m: scatter_sq.sqrt(),
        fixes: fixes.len(),
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn every_word_of_a_pin_reads_back() {
        for kind in PinKind::ALL {
            assert_eq!(PinKind::from_word(kind.word()), Some(kind));
        }
        assert_eq!(PinKind::TankLid.word(), "tank_lid");
        assert_eq!(PinKind::from_word("xyzzy"), None);
    }

    /// What makes no sense is taken as not reported; a millimetre and ten kilometres are the ends of what does.
    #[test]
    fn an_accuracy_is_shown_no_better_than_it_can_be() {
        let fix = |accuracy_m, quality| Fix {
            quality,
            ..Fix::new(Position::new(44.0, -93.0).unwrap(), accuracy_m)
        };
        let weighed = |accuracy_m| fix(accuracy_m, FixQuality::Autonomous).weighed_accuracy_m();
        for (reported, expected) in [
            (Some(12.0), 12.0),
            (Some(0.000_1), 0.001),
            (Some(1.0e9), 10_000.0),
            (Some(0.0), UNREPORTED_ACCURACY_M),
            (Some(-3.0), UNREPORTED_ACCURACY_M),
            (Some(f64::NAN), UNREPORTED_ACCURACY_M),
            (None, UNREPORTED_ACCURACY_M),
        ] {
            assert!((weighed(reported) - expected).abs() < 1e-12, "{reported:?}");
        }
        for (reported, quality, expected) in [
            (0.02, FixQuality::Autonomous, OPEN_SKY_FLOOR_M),
            (12.0, FixQuality::Autonomous, 12.0),
            (0.02, FixQuality::RtkFixed, 0.02),
        ] {
            let shown = fix(Some(reported), quality).honest_error_m();
            assert!((shown - expected).abs() < 1e-12, "{reported} m, {quality:?}: {shown}");
        }
    }

    /// By hand: one fix of 12 m is good to 12 m. Two of 5 m that lie 20 m apart scatter by 10 m about their middle, as a sample
    /// by √200; what they share is the floor, so the error is √(4.9² + 200 / 2) = 11.136 m, and as axes that over 1.50959.
    #[test]
    fn what_scatters_is_averaged_and_what_is_shared_is_not() {
        let here = Position::new(44.0, -93.0).unwrap();
        let alone = average(&[Fix::new(here, Some(12.0))]).unwrap();
        assert!((alone.error_m - 12.0).abs() < 1e-9 && alone.scatter_m.abs() < 1e-9);
        let there = LocalPlane::at(here).position(Point::new(0.0, 20.0));
        let both = average(&[Fix::new(here, Some(5.0)), Fix::new(there, Some(5.0))]).unwrap();
        assert!((both.scatter_m - 10.0).abs() < 1e-3, "{both:?}");
        assert!((both.error_m - 11.136).abs() < 1e-3, "{both:?}");
        let spread = both.spread();
        assert!(
            (spread.xx.sqrt() - 7.3768).abs() < 1e-3 && (spread.yy - spread.xx).abs() < 1e-9,
            "{spread:?}"
        );
        assert!(average(&[]).is_none());
    }
}
