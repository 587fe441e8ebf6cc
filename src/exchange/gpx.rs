//! A site's plan as GPX 1.1, and a recorded GPX track as a source of fixes, with the `gpx` crate.

use super::nmea::STANDING_M_PER_S;
use super::position::Replay;
use crate::domain::locate::fix::{Fix, FixQuality, OPEN_SKY_FLOOR_M, PinKind};
use crate::domain::locate::geodesy::{Position, PositionError};
use crate::domain::locate::plan::{Mark, MarkShape, SitePlan};
use chrono::{DateTime, Utc};
use gpx::{Fix as GpxFix, Gpx, GpxVersion, Metadata, Track, TrackSegment, Waypoint};
use std::io::Read;

/// The largest plan or track read, bytes. A day of one fix a second is about a tenth of it.
pub const LARGEST: u64 = 64 * 1024 * 1024;

/// Why a plan or track cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// Reading failed.
    #[error("cannot read the file")]
    Read(#[source] std::io::Error),
    /// It is larger than anything that is read.
    #[error("the file is larger than {} MiB", LARGEST / 1024 / 1024)]
    TooLarge,
    /// It is not text.
    #[error("the file is not UTF-8 text")]
    NotText,
    /// It is not `GeoJSON`.
    #[error("the file is not GeoJSON: {0}")]
    NotGeoJson(String),
    /// It is not GPX.
    #[error("the file is not GPX: {0}")]
    NotGpx(String),
    /// A coordinate is not on the Earth.
    #[error("mark {mark} of the file has an impossible position: {source}")]
    Position {
        /// Which mark, counted from one.
        mark: usize,
        /// What is wrong with it.
        source: PositionError,
    },
    /// A coordinate has fewer than two numbers.
    #[error("mark {mark} of the file has a coordinate of fewer than two numbers")]
    ShortCoordinate {
        /// Which mark, counted from one.
        mark: usize,
    },
    /// The plan cannot be written.
    #[error("cannot write the plan as GPX: {0}")]
    Write(String),
}

/// Reads text up to [`LARGEST`] bytes.
pub(super) fn read_capped(input: impl Read) -> Result<String, PlanError> {
    let mut bytes = Vec::new();
    input
        .take(LARGEST + 1)
        .read_to_end(&mut bytes)
        .map_err(PlanError::Read)?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > LARGEST {
        return Err(PlanError::TooLarge);
    }
    String::from_utf8(bytes).map_err(|_| PlanError::NotText)
}

/// Returns the plan as GPX 1.1: places as waypoints, lines as tracks; the kind stands in `type`, the note in `desc`.
///
/// GPX has no element for a position's error in metres, so that stands in `cmt`, for people.
///
/// # Errors
/// When the writer fails, which it does not for any plan of ours.
pub fn write(plan: &SitePlan) -> Result<String, PlanError> {
    let mut out = Gpx {
        version: GpxVersion::Gpx11,
        creator: Some("Lidmark".into()),
        metadata: Some(Metadata {
            name: Some(plain(&plan.name)),
            ..Metadata::default()
        }),
        ..Gpx::default()
    };
    for mark in &plan.marks {
        let comment = mark.error_m.map(|error| format!("within about {error:.1} m"));
        match &mark.shape {
            MarkShape::Place(position) => {
                let mut waypoint = waypoint(*position);
                waypoint.name = Some(plain(&mark.name));
                waypoint.type_ = Some(mark.kind.word().into());
                waypoint.description = mark.note.as_deref().map(plain);
                waypoint.comment = comment;
                out.waypoints.push(waypoint);
            }
            MarkShape::Line(line) => out.tracks.push(Track {
                name: Some(plain(&mark.name)),
                type_: Some(mark.kind.word().into()),
                description: mark.note.as_deref().map(plain),
                comment,
                segments: vec![TrackSegment {
                    points: line.iter().map(|at| waypoint(*at)).collect(),
                }],
                ..Track::default()
            }),
        }
    }
    let mut bytes = Vec::new();
    gpx::write(&out, &mut bytes).map_err(|error| PlanError::Write(error.to_string()))?;
    String::from_utf8(bytes).map_err(|_| PlanError::NotText)
}

fn waypoint(at: Position) -> Waypoint {
    Waypoint::new(geo::Point::new(at.longitude_deg(), at.latitude_deg()))
}

/// XML cannot carry control characters, not even escaped.
fn plain(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}'))
        .collect()
}

fn parse(input: impl Read) -> Result<Gpx, PlanError> {
    let text = read_capped(input)?;
    gpx::read(text.as_bytes()).map_err(|error| PlanError::NotGpx(error.to_string()))
}

/// Reads a plan from GPX 1.0 or 1.1: waypoints become places, routes and track segments become lines.
///
/// A mark whose `type` is not one of ours is a landmark.
///
/// # Errors
/// When it is too large, not GPX, or holds a coordinate that is not on the Earth.
pub fn read(input: impl Read) -> Result<SitePlan, PlanError> {
    let gpx = parse(input)?;
    let mut plan = SitePlan {
        name: gpx.metadata.and_then(|metadata| metadata.name).unwrap_or_default(),
        marks: Vec::with_capacity(gpx.waypoints.len()),
    };
    let mut add = |name: Option<String>, kind: Option<String>, note: Option<String>, points: &[Waypoint], is_place| {
        let number = plan.marks.len() + 1;
        let line = points
            .iter()
            .map(|point| position(point, number))
            .collect::<Result<Vec<_>, _>>()?;
        let shape = match line.as_slice() {
            [only] if is_place => MarkShape::Place(*only),
            _ => MarkShape::Line(line),
        };
        plan.marks.push(Mark {
            name: name.unwrap_or_else(|| format!("mark {number}")),
            kind: kind
                .and_then(|word| PinKind::from_word(&word))
                .unwrap_or(PinKind::Landmark),
            error_m: None,
            note,
            shape,
        });
        Ok(())
    };
    for point in gpx.waypoints {
        let one = std::slice::from_ref(&point);
        add(
            point.name.clone(),
            point.type_.clone(),
            point.description.clone(),
            one,
            true,
        )?;
    }
    for route in gpx.routes {
        add(route.name, route.type_, route.description, &route.points, false)?;
    }
    for track in gpx.tracks {
        for segment in &track.segments {
            add(
                track.name.clone(),
                track.type_.clone(),
                track.description.clone(),
                &segment.points,
                false,
            )?;
        }
    }
    Ok(plan)
}

fn position(point: &Waypoint, mark: usize) -> Result<Position, PlanError> {
    Position::new(point.point().y(), point.point().x()).map_err(|source| PlanError::Position { mark, source })
}

/// Reads a recorded track as fixes to replay, for demonstration and tests.
///
/// Track points come in their order; a file without tracks gives its routes' points, then its waypoints.
///
/// # Errors
/// As [`read`].
pub fn replay(input: impl Read) -> Result<Replay, PlanError> {
    let gpx = parse(input)?;
    let mut points: Vec<Waypoint> = gpx
        .tracks
        .into_iter()
        .flat_map(|track| track.segments)
        .flat_map(|segment| segment.points)
        .collect();
    if points.is_empty() {
        points = gpx
            .routes
            .into_iter()
            .flat_map(|route| route.points)
            .chain(gpx.waypoints)
            .collect();
    }
    let fix = |(index, point): (usize, &Waypoint)| {
        Ok(Fix {
            position: position(point, index + 1)?,
            // GPX knows dilution but no metres; one unit of it under open sky is worth the open-sky figure.
            accuracy_m: point
                .hdop
                .filter(|hdop| *hdop > 0.0)
                .map(|hdop| hdop * OPEN_SKY_FLOOR_M),
            quality: match point.fix {
                Some(GpxFix::DGPS) => FixQuality::Differential,
                _ => FixQuality::Autonomous,
            },
            time: point
                .time
                .and_then(|time| time.format().ok())
                .and_then(|text| instant(&text)),
            course_deg: None,
        })
    };
    let mut fixes = points
        .iter()
        .enumerate()
        .map(fix)
        .collect::<Result<Vec<_>, PlanError>>()?;
    give_courses(&mut fixes);
    Ok(Replay::new(fixes))
}

/// GPX 1.1 names no course: it is the bearing from the point before, while the walk is faster than standing.
fn give_courses(fixes: &mut [Fix]) {
    let mut before: Option<Fix> = None;
    for fix in fixes {
        if let Some(last) = before
            && let Some((then, now)) = last.time.zip(fix.time)
            && let Ok(elapsed) = (now - then).to_std()
            && last.position.distance_m(fix.position) > STANDING_M_PER_S * elapsed.as_secs_f64()
        {
            fix.course_deg = Some(last.position.bearing_deg(fix.position));
        }
        before = Some(*fix);
    }
}

/// The track's own form may carry a sign and six digits of year, which is no RFC 3339.
fn instant(text: &str) -> Option<DateTime<Utc>> {
    let text = text.strip_prefix("+00").unwrap_or(text);
    DateTime::parse_from_rfc3339(text)
        .ok()
        .map(|time| time.with_timezone(&Utc))
}
