//! A site's plan as GPX 1.1, and a recorded GPX track as a source of fixes, with the `gpx` crate.

use super::nmea::STANDING_M_PER_S;
use super::position::Replay;
use crate::domain::locate::fix::{Fix, FixQuality, OPEN_SKY_FLOOR_M, PinKind};
use crate::domain::locate::geodesy::{Position, PositionError};
use crate::domain::locate::plan::{Mark, MarkShape, SitePlan};
use chrono::{DateTime, Utc};
use gpx::{Fix as GpxFix, Gpx, Waypoint};
use std::io::Read;
use xml::writer::{EmitterConfig, EventWriter, XmlEvent};

/// The largest plan or track read, bytes. A day of one fix a second is about a quarter of it.
pub const LARGEST: u64 = 32 * 1024 * 1024;

/// The most points, lines and links read; a day of one fix a second has 86,400. Each takes some hundred bytes of memory,
/// however few it has in the file.
const MOST_MARKS: usize = 100_000;

/// The most elements of any kind read.
const MOST_ELEMENTS: usize = 1_000_000;

/// Why a plan or track cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// Reading failed.
    #[error("cannot read the file")]
    Read(#[source] std::io::Error),
    /// It is larger than anything that is read.
    #[error("the file is larger than {} MiB", LARGEST / 1024 / 1024)]
    TooLarge,
    /// It holds more than anything that is read.
    #[error("the file holds more than {most} {what}")]
    TooMuch {
        /// How many are read.
        most: usize,
        /// Of what.
        what: &'static str,
    },
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

/// The namespace of what GPX has no element for: one element, `error_m`, the radius of about 68 % confidence in metres.
pub const NAMESPACE: &str = "urn:lidmark:gpx:1";

/// The namespace of GPX 1.1.
const GPX_11: &str = "http://www.topografix.com/GPX/1/1";

type Writer<'a> = EventWriter<&'a mut Vec<u8>>;

/// Returns the plan as GPX 1.1: places as waypoints, lines as tracks; the kind stands in `type`, the note in `desc`.
///
/// GPX has no element for a position's error in metres: it stands in `cmt` for people, and for programs among the
/// extensions, in [`NAMESPACE`]. Degrees have seven decimals, about a centimetre.
///
/// # Errors
/// When the writer fails, which it does not for any plan of ours.
pub fn write(plan: &SitePlan) -> Result<String, PlanError> {
    let mut bytes = Vec::new();
    let mut out = EmitterConfig::new().perform_indent(true).create_writer(&mut bytes);
    write_all(plan, &mut out).map_err(|error| PlanError::Write(error.to_string()))?;
    String::from_utf8(bytes).map_err(|_| PlanError::NotText)
}

fn write_all(plan: &SitePlan, out: &mut Writer<'_>) -> xml::writer::Result<()> {
    out.write(
        XmlEvent::start_element("gpx")
            .default_ns(GPX_11)
            .ns("lidmark", NAMESPACE)
            .attr("version", "1.1")
            .attr("creator", "Lidmark"),
    )?;
    out.write(XmlEvent::start_element("metadata"))?;
    element(out, "name", &plan.name)?;
    out.write(XmlEvent::end_element())?;
    // GPX wants every waypoint before the first track.
    for mark in &plan.marks {
        if let MarkShape::Place(at) = mark.shape {
            start_point(out, "wpt", at)?;
            describe(out, mark)?;
            out.write(XmlEvent::end_element())?;
        }
    }
    for mark in &plan.marks {
        if let MarkShape::Line(line) = &mark.shape {
            out.write(XmlEvent::start_element("trk"))?;
            describe(out, mark)?;
            out.write(XmlEvent::start_element("trkseg"))?;
            for at in line {
                start_point(out, "trkpt", *at)?;
                out.write(XmlEvent::end_element())?;
            }
            out.write(XmlEvent::end_element())?;
            out.write(XmlEvent::end_element())?;
        }
    }
    out.write(XmlEvent::end_element())
}

fn start_point(out: &mut Writer<'_>, name: &str, at: Position) -> xml::writer::Result<()> {
    // GPX's longitude stays under 180, GeoJSON's may be 180: the two are one meridian.
    let longitude_deg = if at.longitude_deg() >= 179.999_999_95 {
        -180.0
    } else {
        at.longitude_deg()
    };
    let (lat, lon) = (format!("{:.7}", at.latitude_deg()), format!("{longitude_deg:.7}"));
    out.write(XmlEvent::start_element(name).attr("lat", &lat).attr("lon", &lon))
}

/// Name, comment, description, type, extensions: the order of GPX 1.1 for waypoints and tracks alike.
fn describe(out: &mut Writer<'_>, mark: &Mark) -> xml::writer::Result<()> {
    let error_m = mark.error_m.filter(|error| error.is_finite());
    element(out, "name", &mark.name)?;
    if let Some(error_m) = error_m {
        // Signs that need no translation; a tape's centimetres are not rounded away.
        let digits = if error_m < 1.0 { 2 } else { 1 };
        element(out, "cmt", &format!("± {error_m:.digits$} m"))?;
    }
    if let Some(note) = &mark.note {
        element(out, "desc", note)?;
    }
    element(out, "type", mark.kind.word())?;
    if let Some(error_m) = error_m {
        out.write(XmlEvent::start_element("extensions"))?;
        element(out, "lidmark:error_m", &format!("{error_m:.3}"))?;
        out.write(XmlEvent::end_element())?;
    }
    Ok(())
}

fn element(out: &mut Writer<'_>, name: &str, text: &str) -> xml::writer::Result<()> {
    out.write(XmlEvent::start_element(name))?;
    out.write(XmlEvent::characters(&plain(text)))?;
    out.write(XmlEvent::end_element())
}

/// XML cannot carry control characters, not even escaped.
fn plain(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control() && !matches!(c, '\u{fffe}' | '\u{ffff}'))
        .collect()
}

/// The deepest element in elements read; a track's point stands at the fourth place. Readers of XML take time that grows
/// with the square of it: a megabyte of nothing but beginnings took minutes.
const MOST_DEEP: usize = 200;

/// The longest tag read, bytes: the time its attributes take grows with the square of their number.
const LONGEST_TAG: usize = 8 * 1024;

/// Counts what takes memory and time before any is taken.
fn count(text: &str) -> Result<(), PlanError> {
    let (mut elements, mut marks) = (0, 0);
    let (mut depth, mut deepest, mut longest) = (0_usize, 0, 0);
    for after in text.split('<').skip(1) {
        let tag = after.split('>').next().unwrap_or_default();
        longest = longest.max(tag.len());
        if tag.starts_with('/') {
            depth = depth.saturating_sub(1);
        } else if !(tag.ends_with('/') || tag.starts_with(['!', '?'])) {
            depth += 1;
            deepest = deepest.max(depth);
        }
        let end = after.find(|c: char| c.is_whitespace() || matches!(c, '>' | '/'));
        let name = after.get(..end.unwrap_or(after.len())).unwrap_or_default();
        let name = name.rsplit(':').next().unwrap_or_default();
        elements += 1;
        marks += usize::from(matches!(
            name,
            "wpt" | "trk" | "trkpt" | "trkseg" | "rte" | "rtept" | "link"
        ));
    }
    for (found, most, what) in [
        (marks, MOST_MARKS, "points"),
        (elements, 2 * MOST_ELEMENTS, "tags"),
        (deepest, MOST_DEEP, "elements inside each other"),
        (longest, LONGEST_TAG, "bytes in one tag"),
    ] {
        if found > most {
            return Err(PlanError::TooMuch { most, what });
        }
    }
    Ok(())
}

fn parse(text: &str) -> Result<Gpx, PlanError> {
    count(text)?;
    gpx::read(text.as_bytes()).map_err(|error| PlanError::NotGpx(error.to_string()))
}

/// The error and the kind that stand in the extensions of every element of these names, in their order; the `gpx` crate
/// passes extensions by.
///
/// The namespace is not asked for: a general tool that carries a plan from one form to another writes the same words in
/// a namespace of its own.
fn extensions_of<const N: usize>(text: &str, names: [&str; N]) -> [Vec<(Option<f64>, Option<PinKind>)>; N] {
    let options = roxmltree::ParsingOptions {
        nodes_limit: u32::try_from(2 * MOST_ELEMENTS).unwrap_or(u32::MAX),
        ..roxmltree::ParsingOptions::default()
    };
    // What the one reader takes and the other does not has no extension of ours.
    let Ok(document) = roxmltree::Document::parse_with_options(text, options) else {
        return std::array::from_fn(|_| Vec::new());
    };
    let said = |element: roxmltree::Node<'_, '_>, word: &str| -> Option<String> {
        let extensions = element
            .children()
            .find(|child| child.has_tag_name((GPX_11, "extensions")))?;
        let own = extensions
            .children()
            .find(|child| child.is_element() && child.tag_name().name() == word)?;
        Some(own.text()?.trim().to_owned())
    };
    let both = |element: roxmltree::Node<'_, '_>| {
        let error = said(element, "error_m").and_then(|text| text.parse::<f64>().ok());
        (
            error.filter(|error| error.is_finite() && *error >= 0.0),
            said(element, "kind").and_then(|word| PinKind::from_word(&word)),
        )
    };
    let root = document.root_element();
    names.map(|name| {
        root.children()
            .filter(|child| child.has_tag_name((GPX_11, name)))
            .map(both)
            .collect()
    })
}

/// Reads a plan from GPX 1.0 or 1.1: waypoints become places, routes and track segments become lines.
///
/// A mark whose `type` is not one of ours, nor a `kind` among its extensions, is a landmark.
///
/// # Errors
/// When it is too large, not GPX, or holds a coordinate that is not on the Earth.
pub fn read(input: impl Read) -> Result<SitePlan, PlanError> {
    let text = read_capped(input)?;
    let gpx = parse(&text)?;
    let [places, routes, tracks] = extensions_of(&text, ["wpt", "rte", "trk"]);
    let of = |all: &[(Option<f64>, Option<PinKind>)], index: usize| all.get(index).copied().unwrap_or_default();
    let mut plan = SitePlan {
        name: gpx.metadata.and_then(|metadata| metadata.name).unwrap_or_default(),
        marks: Vec::with_capacity(gpx.waypoints.len()),
    };
    let mut add = |said: (Option<String>, Option<String>, Option<String>),
                   (error_m, in_extensions): (Option<f64>, Option<PinKind>),
                   points: &[Waypoint],
                   is_place| {
        let (name, kind, note) = said;
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
                .or(in_extensions)
                .unwrap_or(PinKind::Landmark),
            error_m,
            note,
            shape,
        });
        Ok(())
    };
    for (index, point) in gpx.waypoints.into_iter().enumerate() {
        let said = (point.name.clone(), point.type_.clone(), point.description.clone());
        add(said, of(&places, index), std::slice::from_ref(&point), true)?;
    }
    for (index, route) in gpx.routes.into_iter().enumerate() {
        let said = (route.name, route.type_, route.description);
        add(said, of(&routes, index), &route.points, false)?;
    }
    for (index, track) in gpx.tracks.into_iter().enumerate() {
        for segment in &track.segments {
            let said = (track.name.clone(), track.type_.clone(), track.description.clone());
            add(said, of(&tracks, index), &segment.points, false)?;
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
    let gpx = parse(&read_capped(input)?)?;
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
