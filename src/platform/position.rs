//! Opens position sources: files, network addresses, serial lines.

use crate::app::position::{OpenSource, Opener, SourceChoice, SourceTrouble};
use crate::exchange::gpx;
use crate::exchange::nmea::NmeaReader;
use crate::exchange::position::{Paced, PositionSource};
use std::fs::File;
use std::io::{Error, ErrorKind, Read};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// How long a line may be still before what was heard of this second is taken as all of it.
///
/// A receiver sends the sentences of one second in one burst; at 4,800 bits per second a character takes 2 ms.
const STILL: Duration = Duration::from_millis(250);

/// How long a network address has to answer.
const ANSWER: Duration = Duration::from_secs(5);

/// How long a stream is read without coming back to ask whether anyone still listens.
const BREATH: Duration = Duration::from_millis(500);

/// Returns what opens sources on this device; recordings are replayed at `speed` times their own pace.
#[must_use]
pub fn opener(speed: f64) -> Opener {
    Arc::new(move |choice| open(choice, speed))
}

fn open(choice: &SourceChoice, speed: f64) -> Result<OpenSource, SourceTrouble> {
    match choice {
        SourceChoice::Device => Err(SourceTrouble::NoneHere),
        SourceChoice::NmeaFile(path) => nmea_file(path, speed),
        SourceChoice::Tcp { host, port } => tcp(host, *port),
        SourceChoice::Serial { device, baud } => serial(device, *baud),
        SourceChoice::Gpx(path) => {
            let file = open_file(path)?;
            let track = gpx::replay(file).map_err(|error| SourceTrouble::Unusable(error.to_string()))?;
            Ok(recording(Paced::new(track, speed)))
        }
    }
}

fn recording(source: impl PositionSource + Send + 'static) -> OpenSource {
    OpenSource {
        source: Box::new(source),
        live: false,
    }
}

fn stream(input: impl Read + Send + 'static) -> OpenSource {
    OpenSource {
        source: Box::new(NmeaReader::new(Breathing::new(input))),
        live: true,
    }
}

fn open_file(path: &Path) -> Result<File, SourceTrouble> {
    let file = File::open(path).map_err(|error| trouble(&error))?;
    if file.metadata().is_ok_and(|about| about.is_dir()) {
        return Err(SourceTrouble::Unusable("it is a folder".to_owned()));
    }
    Ok(file)
}

/// A file that ends is a recording, replayed at its own pace; a pipe or a device goes on for ever.
fn nmea_file(path: &Path, speed: f64) -> Result<OpenSource, SourceTrouble> {
    let file = open_file(path)?;
    if file.metadata().is_ok_and(|about| about.is_file()) {
        return Ok(recording(Paced::new(NmeaReader::new(file), speed)));
    }
    Ok(stream(file))
}

fn tcp(host: &str, port: u16) -> Result<OpenSource, SourceTrouble> {
    let addresses = (host, port).to_socket_addrs().map_err(|_| SourceTrouble::NoSuchHost)?;
    let mut last = SourceTrouble::NoSuchHost;
    for address in addresses {
        match TcpStream::connect_timeout(&address, ANSWER) {
            Ok(line) => {
                line.set_read_timeout(Some(STILL)).map_err(|error| trouble(&error))?;
                return Ok(stream(line));
            }
            Err(error) => last = trouble(&error),
        }
    }
    Err(last)
}

fn serial(device: &str, baud: u32) -> Result<OpenSource, SourceTrouble> {
    let line = serialport::new(device, baud)
        .timeout(STILL)
        .open()
        .map_err(|error| match error.kind() {
            serialport::ErrorKind::NoDevice | serialport::ErrorKind::Io(ErrorKind::NotFound) => SourceTrouble::NotThere,
            serialport::ErrorKind::Io(kind) => trouble(&Error::from(kind)),
            _ => SourceTrouble::Other(error.description),
        })?;
    Ok(stream(line))
}

fn trouble(error: &Error) -> SourceTrouble {
    match error.kind() {
        ErrorKind::NotFound => SourceTrouble::NotThere,
        ErrorKind::PermissionDenied => SourceTrouble::NotAllowed,
        ErrorKind::ConnectionRefused => SourceTrouble::Refused,
        ErrorKind::TimedOut | ErrorKind::WouldBlock | ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => {
            SourceTrouble::NoAnswer
        }
        _ => SourceTrouble::Other(error.to_string()),
    }
}

/// Comes back twice a second from a stream that never pauses, noise without end among them, and calls a still line the
/// same on every system.
struct Breathing<R> {
    input: R,
    since: Instant,
}

impl<R> Breathing<R> {
    fn new(input: R) -> Self {
        Self {
            input,
            since: Instant::now(),
        }
    }
}

impl<R: Read> Read for Breathing<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.since.elapsed() > BREATH {
            self.since = Instant::now();
            return Err(ErrorKind::WouldBlock.into());
        }
        let read = self.input.read(buffer);
        if let Err(error) = &read
            && matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut)
        {
            // Coming back now is as good as a breath.
            self.since = Instant::now();
            return Err(ErrorKind::TimedOut.into());
        }
        read
    }
}
