//! Where position fixes come from: the platform, a receiver's stream, a recorded track, all behind one interface.

use crate::domain::locate::fix::Fix;
use chrono::{DateTime, Utc};
use std::path::PathBuf;
use std::str::FromStr;
use std::time::{Duration, Instant};

/// Gives one fix after another.
pub trait PositionSource {
    /// Returns the next fix, or `None` when the source has ended.
    ///
    /// # Errors
    /// [`SourceError::Quiet`] when there is nothing new at the moment; [`SourceError::Read`] when the source itself
    /// fails. A bad piece of it is skipped and counted instead.
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError>;

    /// Returns what became of the sentences so far; all zero for a source that has none.
    fn sentences(&self) -> SentenceCounts {
        SentenceCounts::default()
    }
}

impl<S: PositionSource + ?Sized> PositionSource for Box<S> {
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError> {
        (**self).next_fix()
    }

    fn sentences(&self) -> SentenceCounts {
        (**self).sentences()
    }
}

/// What became of the sentences of a stream.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SentenceCounts {
    /// GGA, RMC and GST sentences taken.
    pub taken: u64,
    /// Sound sentences of kinds this reader has no use for.
    pub other: u64,
    /// Sentences whose checksum is missing or wrong.
    pub bad_checksum: u64,
    /// Sentences with a right checksum whose fields make no sense.
    pub bad_fields: u64,
    /// Sentences cut short or longer than any sentence.
    pub broken: u64,
    /// Epochs in which the receiver said it had no position.
    pub without_position: u64,
}

impl SentenceCounts {
    /// Returns how many sentences were skipped because they were bad.
    #[must_use]
    pub const fn bad(&self) -> u64 {
        self.bad_checksum + self.bad_fields + self.broken
    }
}

/// Why a source gave no fix.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// Nothing new at the moment: ask again.
    #[error("nothing new from the position source")]
    Quiet,
    /// Reading failed.
    #[error("cannot read from the position source")]
    Read(#[source] std::io::Error),
}

/// The speed of a serial line when none is given, bits per second: what NMEA 0183 says.
pub const USUAL_BAUD: u32 = 4_800;

/// A position source a person can choose.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum SourceChoice {
    /// The device's own, where it has one.
    #[default]
    Device,
    /// NMEA 0183 sentences from a file or a pipe.
    NmeaFile(PathBuf),
    /// NMEA 0183 sentences from a network address.
    Tcp {
        /// Name or address.
        host: String,
        /// Port.
        port: u16,
    },
    /// NMEA 0183 sentences from a serial line.
    Serial {
        /// Its device file, or its name.
        device: String,
        /// Bits per second.
        baud: u32,
    },
    /// A recorded GPX track, replayed.
    Gpx(PathBuf),
}

/// Why a text names no position source.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChoiceError {
    /// It begins with none of the kinds.
    #[error("it begins with none of the kinds")]
    Kind,
    /// The file is not named.
    #[error("the file is not named")]
    File,
    /// Host or port is missing, or the port is not a number from 1 to 65535.
    #[error("host or port is missing or wrong")]
    Address,
    /// The device is not named.
    #[error("the device is not named")]
    Device,
    /// The speed is not a number of bits per second from 300 to 4,000,000.
    #[error("the speed is wrong")]
    Baud,
}

impl FromStr for SourceChoice {
    type Err = ChoiceError;

    fn from_str(text: &str) -> Result<Self, ChoiceError> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(Self::Device);
        }
        let (kind, rest) = text.split_once(':').ok_or(ChoiceError::Kind)?;
        let rest = rest.trim();
        let file = || {
            if rest.is_empty() {
                Err(ChoiceError::File)
            } else {
                Ok(PathBuf::from(rest))
            }
        };
        match kind.trim().to_ascii_lowercase().as_str() {
            "nmea" => Ok(Self::NmeaFile(file()?)),
            "gpx" => Ok(Self::Gpx(file()?)),
            "tcp" => {
                // The last colon: an IPv6 address has more, and stands in brackets.
                let (host, port) = rest.rsplit_once(':').ok_or(ChoiceError::Address)?;
                let host = host.trim().trim_start_matches('[').trim_end_matches(']');
                let port = port.trim().parse::<u16>().ok().filter(|port| *port > 0);
                match port {
                    Some(port) if !host.is_empty() => Ok(Self::Tcp {
                        host: host.to_owned(),
                        port,
                    }),
                    _ => Err(ChoiceError::Address),
                }
            }
            "serial" => {
                let (device, baud) = match rest.rsplit_once(':') {
                    Some((device, baud)) => {
                        let baud = baud.trim().parse::<u32>().ok();
                        let baud = baud.filter(|baud| (300..=4_000_000).contains(baud));
                        (device.trim(), baud.ok_or(ChoiceError::Baud)?)
                    }
                    None => (rest, USUAL_BAUD),
                };
                if device.is_empty() {
                    return Err(ChoiceError::Device);
                }
                Ok(Self::Serial {
                    device: device.to_owned(),
                    baud,
                })
            }
            _ => Err(ChoiceError::Kind),
        }
    }
}

/// Fixes already read, given back one by one in their order.
#[derive(Clone, Debug, Default)]
pub struct Replay {
    fixes: std::collections::VecDeque<Fix>,
}

impl Replay {
    /// Replays these fixes.
    #[must_use]
    pub fn new(fixes: Vec<Fix>) -> Self {
        Self { fixes: fixes.into() }
    }
}

impl PositionSource for Replay {
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError> {
        Ok(self.fixes.pop_front())
    }
}

/// The time between two fixes of a recording that carries no times.
const UNTIMED_GAP: Duration = Duration::from_secs(1);

/// A longer gap of a recording is cut to this, so that a lunch break does not look like a source that hangs.
const LONGEST_GAP: Duration = Duration::from_secs(10);

/// The longest that one call waits, so that whoever asks can stop in between.
const ONE_WAIT: Duration = Duration::from_millis(200);

/// Gives the fixes of a recording at the pace they were recorded.
#[derive(Debug)]
pub struct Paced<S> {
    source: S,
    speed: f64,
    last: Option<Fix>,
    waiting: Option<(Fix, Instant)>,
}

impl<S> Paced<S> {
    /// Replays `source` at `speed` times its recorded pace; a speed that is not above zero does not wait at all.
    #[must_use]
    pub const fn new(source: S, speed: f64) -> Self {
        Self {
            source,
            speed,
            last: None,
            waiting: None,
        }
    }

    fn gap(&self, next: &Fix) -> Duration {
        let Some(last) = &self.last else { return Duration::ZERO };
        let instant = |fix: &Fix| -> Option<DateTime<Utc>> { fix.time };
        let recorded = match instant(last).zip(instant(next)) {
            // A recording whose clock was set back does not wait.
            Some((then, now)) => (now - then).to_std().unwrap_or(Duration::ZERO),
            None => UNTIMED_GAP,
        };
        let seconds = recorded.min(LONGEST_GAP).as_secs_f64() / self.speed;
        Duration::try_from_secs_f64(seconds).unwrap_or(Duration::ZERO)
    }
}

impl<S: PositionSource> PositionSource for Paced<S> {
    fn next_fix(&mut self) -> Result<Option<Fix>, SourceError> {
        let (fix, due) = match self.waiting.take() {
            Some(waiting) => waiting,
            None => match self.source.next_fix()? {
                Some(fix) => {
                    let due = Instant::now() + self.gap(&fix);
                    (fix, due)
                }
                None => return Ok(None),
            },
        };
        let left = due.saturating_duration_since(Instant::now());
        std::thread::sleep(left.min(ONE_WAIT));
        if left > ONE_WAIT {
            self.waiting = Some((fix, due));
            return Err(SourceError::Quiet);
        }
        self.last = Some(fix);
        Ok(Some(fix))
    }

    fn sentences(&self) -> SentenceCounts {
        self.source.sentences()
    }
}
