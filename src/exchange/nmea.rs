//! NMEA 0183 from a survey receiver or a rugged tablet: a file, a TCP stream or a serial port, anything that reads.
//!
//! Framing and the checksum are done here, on a buffer of fixed size, so that noise can neither grow memory nor be taken
//! for a sentence; the fields are read by the `nmea` crate. GGA, RMC and GST of one time of day make one fix.
//!
//! A reader under it may say [`TimedOut`](std::io::ErrorKind::TimedOut) when the line has been still for a moment: what
//! has been heard of this second is then given at once. [`WouldBlock`](std::io::ErrorKind::WouldBlock) only returns to
//! the caller.

pub use super::position::SentenceCounts;
use super::position::{PositionSource, SourceError};
use crate::domain::locate::fix::{Fix, FixQuality, OPEN_SKY_FLOOR_M};
use crate::domain::locate::geodesy::Position;
use crate::domain::locate::plane::AXES_PER_RADIUS;
use chrono::{NaiveDate, NaiveTime};
use nmea::ParseResult;
use nmea::sentences::{FixType, rmc::RmcStatusOfFix};
use std::io::{ErrorKind, Read};

/// The longest sentence taken, characters between `$` and the line's end. The standard says 82 in all; receivers with
/// long coordinates send a few more.
const LONGEST: usize = 100;

/// Slower than this over ground is standing, metres per second: a receiver's course is then noise.
///
/// Source: common practice; a slow walk is about 1 m/s.
pub const STANDING_M_PER_S: f64 = 0.5;

/// Metres per second in a knot: 1,852 m in 3,600 s, by definition.
const M_PER_S_PER_KNOT: f64 = 1852.0 / 3600.0;

/// Reads fixes from a stream of NMEA 0183 sentences.
#[derive(Debug)]
pub struct NmeaReader<R> {
    input: std::io::BufReader<R>,
    counts: SentenceCounts,
    epoch: Epoch,
    date: Option<NaiveDate>,
    /// The time of day given early, because the line was still; what comes late of it is not a new fix.
    given: Option<NaiveTime>,
    line: Vec<u8>,
    in_sentence: bool,
    ended: bool,
}

/// What the sentences of one time of day have said.
#[derive(Clone, Copy, Debug, Default)]
struct Epoch {
    time: Option<NaiveTime>,
    place: Option<(f64, f64)>,
    quality: Option<FixType>,
    hdop: Option<f64>,
    void: bool,
    course_deg: Option<f64>,
    spread_m: Option<f64>,
    said_something: bool,
}

impl<R: Read> NmeaReader<R> {
    /// Reads from `input`, which it buffers itself.
    pub fn new(input: R) -> Self {
        Self {
            input: std::io::BufReader::new(input),
            counts: SentenceCounts::default(),
            epoch: Epoch::default(),
            date: None,
            given: None,
            line: Vec::with_capacity(LONGEST),
            in_sentence: false,
            ended: false,
        }
    }

    /// What became of the sentences so far.
    #[must_use]
    pub const fn counts(&self) -> SentenceCounts {
        self.counts
    }

    /// Takes one byte; returns a fix when it completes the sentence that begins the next epoch.
    fn take(&mut self, byte: u8) -> Option<Fix> {
        match byte {
            b'$' => {
                if self.in_sentence {
                    self.counts.broken += 1;
                }
                self.in_sentence = true;
                self.line.clear();
                None
            }
            b'\r' | b'\n' => self.end_line(),
            _ if !self.in_sentence => None,
            _ if self.line.len() >= LONGEST => {
                self.counts.broken += 1;
                self.in_sentence = false;
                None
            }
            _ => {
                self.line.push(byte);
                None
            }
        }
    }

    fn end_line(&mut self) -> Option<Fix> {
        if !std::mem::take(&mut self.in_sentence) {
            return None;
        }
        let line = std::mem::take(&mut self.line);
        let fix = self.sentence(&line);
        self.line = line;
        fix
    }

    fn sentence(&mut self, line: &[u8]) -> Option<Fix> {
        let Some(body) = checked(line) else {
            self.counts.bad_checksum += 1;
            return None;
        };
        // Talker and kind, as in "GPGGA"; what makers add of their own starts with P and is none of ours.
        let (kind, fields) = (body.get(2..5).unwrap_or_default(), body.get(5..).unwrap_or_default());
        if body.starts_with('P') || !matches!(kind, "GGA" | "RMC" | "GST") || !fields.starts_with(',') {
            self.counts.other += 1;
            return None;
        }
        let text = format!("${}", String::from_utf8_lossy(line));
        let parsed = nmea::parse_str(&text).ok().and_then(Said::from);
        let Some(said) = parsed.filter(|_| coordinates_are_plain(kind, body)) else {
            self.counts.bad_fields += 1;
            return None;
        };
        self.counts.taken += 1;
        if said.time().is_some() && said.time() == self.given {
            if let Said::Rmc { date, .. } = said {
                self.date = date.or(self.date);
            }
            return None;
        }
        self.given = None;
        let next_epoch = self.epoch.said_something && said.time() != self.epoch.time;
        let done = if next_epoch { self.close_epoch() } else { None };
        self.hear(&said);
        done
    }

    fn hear(&mut self, said: &Said) {
        let epoch = &mut self.epoch;
        epoch.said_something = true;
        epoch.time = said.time();
        match said {
            Said::Gga {
                place, quality, hdop, ..
            } => {
                epoch.void |= matches!(quality, FixType::Invalid | FixType::Manual | FixType::Simulation);
                epoch.place = place.or(epoch.place);
                epoch.quality = Some(*quality);
                epoch.hdop = *hdop;
            }
            Said::Rmc {
                place,
                valid,
                course_deg,
                date,
                ..
            } => {
                epoch.void |= !valid;
                epoch.place = epoch.place.or(*place);
                epoch.course_deg = *course_deg;
                self.date = date.or(self.date);
            }
            Said::Gst { spread_m, .. } => epoch.spread_m = *spread_m,
        }
    }

    fn close_epoch(&mut self) -> Option<Fix> {
        let epoch = std::mem::take(&mut self.epoch);
        if !epoch.said_something {
            return None;
        }
        let position = epoch
            .place
            .filter(|_| !epoch.void)
            .and_then(|(lat, lon)| Position::new(lat, lon).ok());
        let Some(position) = position else {
            self.counts.without_position += 1;
            return None;
        };
        let time = self
            .date
            .zip(epoch.time)
            .map(|(date, time)| date.and_time(time).and_utc());
        Some(Fix {
            position,
            accuracy_m: epoch
                .spread_m
                .or_else(|| epoch.hdop.map(|hdop| hdop * OPEN_SKY_FLOOR_M)),
            quality: match epoch.quality {
                Some(FixType::DGps) => FixQuality::Differential,
                Some(FixType::Rtk) => FixQuality::RtkFixed,
                Some(FixType::FloatRtk) => FixQuality::RtkFloat,
                _ => FixQuality::Autonomous,
            },
            time,
            course_deg: epoch.course_deg,
        })
    }
}

impl<R: Read> PositionSource for NmeaReader<R> {
    /// Returns the next fix. A fix is known to be whole when the next one begins or the line falls still.
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError> {
        while !self.ended {
            let mut byte = [0];
            let read = match self.input.read(&mut byte) {
                Err(again) if again.kind() == ErrorKind::Interrupted => continue,
                Err(again) if again.kind() == ErrorKind::WouldBlock => return Err(SourceError::Quiet),
                Err(still) if still.kind() == ErrorKind::TimedOut => {
                    self.given = self.epoch.time.or(self.given);
                    return self.close_epoch().map_or(Err(SourceError::Quiet), |fix| Ok(Some(fix)));
                }
                other => other.map_err(SourceError::Read)?,
            };
            let [byte] = byte;
            let fix = if read == 0 {
                self.ended = true;
                // A last sentence without a line end still counts when its checksum is whole.
                let last = if self.in_sentence && checked(&self.line).is_none() {
                    self.counts.broken += 1;
                    None
                } else {
                    self.end_line()
                };
                if last.is_some() { last } else { self.close_epoch() }
            } else {
                self.take(byte)
            };
            if fix.is_some() {
                return Ok(fix);
            }
        }
        Ok(self.close_epoch())
    }

    fn sentences(&self) -> SentenceCounts {
        self.counts
    }
}

/// Returns what stands before the `*`, when the two hexadecimal digits after it are the exclusive or of it.
///
/// Source: NMEA 0183, as described in the GPSD project's "NMEA Revealed".
fn checked(line: &[u8]) -> Option<&str> {
    let star = line.iter().position(|byte| *byte == b'*')?;
    let (body, rest) = (line.get(..star)?, line.get(star + 1..)?);
    let [high, low] = rest else { return None };
    let digit = |byte: &u8| char::from(*byte).to_digit(16);
    let stated = digit(high)? * 16 + digit(low)?;
    let sum = body.iter().fold(0_u8, |sum, byte| sum ^ byte);
    let printable = body.iter().all(|byte| (0x20..0x7f).contains(byte));
    if printable && stated == u32::from(sum) {
        std::str::from_utf8(body).ok()
    } else {
        None
    }
}

/// Whether latitude and longitude are written as digits with minutes under 60; the field parser is more forgiving.
fn coordinates_are_plain(kind: &str, body: &str) -> bool {
    let start = match kind {
        "GGA" => 2,
        "RMC" => 3,
        _ => return true,
    };
    let fields: Vec<&str> = body.split(',').collect();
    [(start, 2), (start + 2, 3)].into_iter().all(|(index, degree_digits)| {
        let text = fields.get(index).copied().unwrap_or_default();
        let minutes = text
            .get(degree_digits..)
            .and_then(|minutes| minutes.parse::<f64>().ok());
        let digits = text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.');
        text.is_empty() || digits && minutes.is_some_and(|minutes| minutes < 60.0)
    })
}

/// What one sentence says, of what is wanted here.
enum Said {
    Gga {
        time: Option<NaiveTime>,
        place: Option<(f64, f64)>,
        quality: FixType,
        hdop: Option<f64>,
    },
    Rmc {
        time: Option<NaiveTime>,
        date: Option<NaiveDate>,
        place: Option<(f64, f64)>,
        valid: bool,
        course_deg: Option<f64>,
    },
    Gst {
        time: Option<NaiveTime>,
        spread_m: Option<f64>,
    },
}

impl Said {
    fn from(parsed: ParseResult) -> Option<Self> {
        let sound = |number: f32| Some(f64::from(number)).filter(|n| n.is_finite() && *n > 0.0);
        match parsed {
            ParseResult::GGA(gga) => Some(Self::Gga {
                time: gga.fix_time,
                place: gga.latitude.zip(gga.longitude),
                quality: gga.fix_type.unwrap_or(FixType::Invalid),
                hdop: gga.hdop.and_then(sound),
            }),
            ParseResult::RMC(rmc) => Some(Self::Rmc {
                time: rmc.fix_time,
                date: rmc.fix_date,
                place: rmc.lat.zip(rmc.lon),
                valid: rmc.status_of_fix != RmcStatusOfFix::Invalid,
                course_deg: rmc
                    .speed_over_ground
                    .filter(|knots| f64::from(*knots) * M_PER_S_PER_KNOT > STANDING_M_PER_S)
                    .and(rmc.true_course)
                    .map(f64::from)
                    .filter(|c| (0.0..=360.0).contains(c)),
            }),
            ParseResult::GST(gst) => Some(Self::Gst {
                time: gst.time,
                // The radius of 68 % for the mean of the two axes' variances.
                spread_m: gst
                    .lat_sd
                    .and_then(sound)
                    .zip(gst.long_sd.and_then(sound))
                    .map(|(north, east)| AXES_PER_RADIUS * (f64::midpoint(north * north, east * east)).sqrt()),
            }),
            _ => None,
        }
    }

    const fn time(&self) -> Option<NaiveTime> {
        match self {
            Self::Gga { time, .. } | Self::Rmc { time, .. } | Self::Gst { time, .. } => *time,
        }
    }
}
