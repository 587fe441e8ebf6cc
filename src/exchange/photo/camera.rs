//! What the camera noted in the file: which way is up, when and where (EXIF 2.32, CIPA DC-008).

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime};
use exif::{Exif, In, Rational, Tag, Value};
use image::metadata::Orientation;
use std::io::Cursor;

/// What the camera noted about the moment and the place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CameraFacts {
    /// When the picture was taken, by the camera's own clock.
    pub taken_at: Option<NaiveDateTime>,
    /// How far that clock stood from universal time, minutes east; most cameras do not say.
    pub offset_minutes: Option<i32>,
    /// Latitude and longitude, WGS 84, in 1e-7 degrees.
    pub position_e7: Option<(i64, i64)>,
}

impl CameraFacts {
    /// Returns when the picture was taken; a camera that names no offset is taken to keep the time of `here`.
    #[must_use]
    pub fn taken(&self, here: FixedOffset) -> Option<DateTime<FixedOffset>> {
        let offset = self
            .offset_minutes
            .and_then(|minutes| FixedOffset::east_opt(minutes * 60))
            .unwrap_or(here);
        self.taken_at?.and_local_timezone(offset).single()
    }
}

/// Everything read from a file's EXIF.
pub(super) struct Camera {
    pub facts: CameraFacts,
    pub orientation: Orientation,
    /// The EXIF block itself, saying that the picture is upright.
    pub exif: Option<Vec<u8>>,
}

/// Reads a file's EXIF. One that is missing or damaged leaves everything unknown: the picture itself may be sound.
pub(super) fn read(bytes: &[u8]) -> Camera {
    let mut reader = exif::Reader::new();
    reader.continue_on_error(true);
    let parsed = reader
        .read_from_container(&mut Cursor::new(bytes))
        .or_else(|error| error.distill_partial_result(|_| {}));
    let Ok(exif) = parsed else {
        return Camera {
            facts: CameraFacts::default(),
            orientation: Orientation::NoTransforms,
            exif: None,
        };
    };
    let orientation = exif
        .get_field(Tag::Orientation, In::PRIMARY)
        .and_then(|field| field.value.get_uint(0))
        .and_then(|value| u8::try_from(value).ok())
        .and_then(Orientation::from_exif)
        .unwrap_or(Orientation::NoTransforms);
    Camera {
        facts: CameraFacts {
            taken_at: time(&exif),
            offset_minutes: text(&exif, Tag::OffsetTimeOriginal).and_then(|text| offset(&text)),
            position_e7: position(&exif),
        },
        orientation,
        exif: said_upright(exif.buf()),
    }
}

fn text(exif: &Exif, tag: Tag) -> Option<String> {
    match &exif.get_field(tag, In::PRIMARY)?.value {
        Value::Ascii(lines) => Some(String::from_utf8_lossy(lines.first()?).trim().to_owned()),
        _ => None,
    }
}

/// When the shutter was pressed, else when the file was written.
fn time(exif: &Exif) -> Option<NaiveDateTime> {
    [Tag::DateTimeOriginal, Tag::DateTimeDigitized, Tag::DateTime]
        .into_iter()
        .find_map(|tag| NaiveDateTime::parse_from_str(&text(exif, tag)?, "%Y:%m:%d %H:%M:%S").ok())
        // A camera whose clock was never set counts from some year long past.
        .filter(|at| NaiveDate::from_ymd_opt(1990, 1, 1).is_some_and(|first| at.date() >= first))
}

/// Minutes east of universal time, from `+05:30`.
fn offset(text: &str) -> Option<i32> {
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
    ((0..=14).contains(&hours) && (0..60).contains(&minutes)).then_some(sign * (hours * 60 + minutes))
}

fn position(exif: &Exif) -> Option<(i64, i64)> {
    let lat = degrees_e7(exif, Tag::GPSLatitude, Tag::GPSLatitudeRef, "N", "S", 90)?;
    let lon = degrees_e7(exif, Tag::GPSLongitude, Tag::GPSLongitudeRef, "E", "W", 180)?;
    // Some phones write zeros while they do not know where they are; nobody pumps a tank at sea off Ghana.
    (lat != 0 || lon != 0).then_some((lat, lon))
}

/// Degrees, minutes and seconds as three fractions, and a letter for the half of the Earth.
fn degrees_e7(exif: &Exif, tag: Tag, half: Tag, plus: &str, minus: &str, most: i64) -> Option<i64> {
    let Value::Rational(parts) = &exif.get_field(tag, In::PRIMARY)?.value else {
        return None;
    };
    let &[degrees, minutes, seconds] = parts.as_slice() else {
        return None;
    };
    let e7 = scaled(degrees, 10_000_000)? + scaled(minutes, 10_000_000)? / 60 + scaled(seconds, 10_000_000)? / 3_600;
    if e7 > i128::from(most) * 10_000_000 {
        return None;
    }
    let e7 = i64::try_from(e7).ok()?;
    match text(exif, half)? {
        letter if letter == plus => Some(e7),
        letter if letter == minus => Some(-e7),
        _ => None,
    }
}

fn scaled(fraction: Rational, by: i128) -> Option<i128> {
    (fraction.denom != 0).then(|| i128::from(fraction.num) * by / i128::from(fraction.denom))
}

/// Copies an EXIF block with its orientation set to upright; `None` when it is not in order or too large for one segment.
fn said_upright(tiff: &[u8]) -> Option<Vec<u8>> {
    // A JPEG segment holds 65533 bytes, six of them say "Exif".
    if tiff.len() > 65_527 {
        return None;
    }
    let big = match tiff.get(..4)? {
        b"MM\0*" => true,
        b"II*\0" => false,
        _ => return None,
    };
    let two = |at: usize| {
        let pair: [u8; 2] = tiff.get(at..at.checked_add(2)?)?.try_into().ok()?;
        Some(if big {
            u16::from_be_bytes(pair)
        } else {
            u16::from_le_bytes(pair)
        })
    };
    let four: [u8; 4] = tiff.get(4..8)?.try_into().ok()?;
    let first = usize::try_from(if big {
        u32::from_be_bytes(four)
    } else {
        u32::from_le_bytes(four)
    })
    .ok()?;
    let mut copy = tiff.to_vec();
    for entry in 0..usize::from(two(first)?) {
        // TIFF 6.0, section 2: an entry has 12 bytes, its value in the last four, left-justified.
        let at = first.checked_add(2)?.checked_add(entry * 12)?;
        if two(at)? == 0x0112 {
            let upright = if big { [0, 1] } else { [1, 0] };
            copy.get_mut(at.checked_add(8)?..at.checked_add(10)?)?
                .copy_from_slice(&upright);
        }
    }
    Some(copy)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_is_read_and_nonsense_is_not() {
        assert_eq!(offset("+05:30"), Some(330));
        assert_eq!(offset("-08:00"), Some(-480));
        for nonsense in ["", "Z", "+", "+99:00", "05:30", "+5", "\u{e9}5:00"] {
            assert_eq!(offset(nonsense), None, "{nonsense}");
        }
    }

    #[test]
    fn a_camera_without_an_offset_keeps_the_time_of_the_phone() {
        let facts = CameraFacts {
            taken_at: NaiveDate::from_ymd_opt(2026, 6, 17).unwrap().and_hms_opt(9, 30, 0),
            ..CameraFacts::default()
        };
        let here = FixedOffset::west_opt(5 * 3_600).unwrap();
        assert_eq!(facts.taken(here).unwrap().to_rfc3339(), "2026-06-17T09:30:00-05:00");
        let told = CameraFacts {
            offset_minutes: Some(120),
            ..facts
        };
        assert_eq!(told.taken(here).unwrap().to_rfc3339(), "2026-06-17T09:30:00+02:00");
    }
}
