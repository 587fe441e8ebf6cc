//! Where the device is: the source a person chose, read on a thread of its own, and the latest it said.
//!
//! The thread opens the source, hands every fix over, opens it again when the line drops, and wakes the window; the
//! screen never waits for a receiver. Opening is the platform's: here it is only a function.

use crate::app::explain::{self, Explained};
use crate::app::shell::{App, NoticeKind};
use crate::domain::locate::fix::Fix;
pub use crate::exchange::position::{ChoiceError, SourceChoice, USUAL_BAUD};
use crate::exchange::position::{PositionSource, SentenceCounts, SourceError};
use chrono::{DateTime, FixedOffset};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

/// What is known of where the device is.
#[derive(Clone, Debug, PartialEq)]
pub struct Here {
    /// The latest fix; `None` while the source has no position.
    pub fix: Option<Fix>,
    /// The way the device points, degrees from true north, when it has a compass.
    pub heading_deg: Option<f64>,
    /// The way it moves, degrees from true north; `None` while it stands.
    pub course_deg: Option<f64>,
    /// The source, as the person chose it.
    pub source: String,
    /// How many bad sentences were skipped since the source was chosen.
    pub bad_sentences: u64,
    /// When it came.
    pub at: DateTime<FixedOffset>,
}

/// Why a position source cannot be read at the moment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SourceTrouble {
    /// This device has no position of its own that the program can use.
    #[error("this device has no position of its own")]
    NoneHere,
    /// There is no such file or device.
    #[error("there is no such file or device")]
    NotThere,
    /// The system does not allow it.
    #[error("the system does not allow it")]
    NotAllowed,
    /// The network name leads nowhere.
    #[error("the network name leads nowhere")]
    NoSuchHost,
    /// Nobody listens at that address.
    #[error("nobody listens at that address")]
    Refused,
    /// The address did not answer in time.
    #[error("the address did not answer in time")]
    NoAnswer,
    /// The file is not what it is said to be.
    #[error("the file cannot be used: {0}")]
    Unusable(String),
    /// The line was open and has dropped.
    #[error("the line has dropped")]
    Dropped,
    /// The line is open and nothing comes.
    #[error("nothing was heard for {0} s")]
    Silent(u64),
    /// Something comes, and no sentence of it is sound.
    #[error("only noise is heard")]
    Noise,
    /// Anything else the system said.
    #[error("{0}")]
    Other(String),
}

/// How a source stands.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum SourceState {
    /// None was chosen.
    #[default]
    Off,
    /// It is being opened.
    Opening,
    /// It is open and gives fixes.
    Giving,
    /// It is open and says that it has no position yet.
    NoPosition,
    /// It cannot be read; it is tried again.
    Trouble(SourceTrouble),
    /// The recording has ended.
    Ended,
}

/// A source that has been opened.
pub struct OpenSource {
    /// Gives the fixes.
    pub source: Box<dyn PositionSource + Send>,
    /// Whether it goes on for ever, so that its end is a line that dropped and it is opened again.
    pub live: bool,
}

impl std::fmt::Debug for OpenSource {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("OpenSource")
            .field("live", &self.live)
            .finish_non_exhaustive()
    }
}

/// Opens a source; the platform's.
pub type Opener = Arc<dyn Fn(&SourceChoice) -> Result<OpenSource, SourceTrouble> + Send + Sync>;

/// Tells the window that there is news; the platform's.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// What the thread reports.
#[derive(Clone, Debug, PartialEq)]
struct Report {
    state: SourceState,
    fix: Option<Fix>,
    bad_sentences: u64,
}

/// How long a source is waited for.
#[derive(Clone, Copy, Debug)]
struct Patience {
    /// Before it is opened again.
    try_again: Duration,
    /// A line that says nothing for so long has dropped without saying so.
    silent: Duration,
    /// A receiver with no position, or noise, is worth a sentence after so long.
    no_fix: Duration,
}

const PATIENCE: Patience = Patience {
    try_again: Duration::from_secs(2),
    silent: Duration::from_secs(10),
    no_fix: Duration::from_secs(3),
};

/// A source being read on a thread of its own, until this is dropped.
#[derive(Debug)]
pub struct PositionFeed {
    reports: Receiver<Report>,
    /// Dropped with the feed, which tells the thread to end.
    _open: Sender<()>,
}

impl PositionFeed {
    /// Starts reading.
    #[must_use]
    pub fn start(choice: SourceChoice, open: Opener, wake: Wake) -> Self {
        Self::start_with(PATIENCE, choice, open, wake)
    }

    fn start_with(patience: Patience, choice: SourceChoice, open: Opener, wake: Wake) -> Self {
        let (report, reports) = channel();
        let (keep_open, closed) = channel();
        std::thread::spawn(move || {
            Worker {
                patience,
                choice,
                open,
                wake,
                report,
                closed,
                state: SourceState::Off,
                earlier_bad: 0,
                bad_sentences: 0,
            }
            .run();
        });
        Self {
            reports,
            _open: keep_open,
        }
    }
}

/// Why the thread stops reading an open source.
enum Stop {
    /// Nobody wants it any more.
    Closed,
    /// The recording has ended.
    Ended,
    /// It has dropped or says nothing.
    Again(SourceTrouble),
}

struct Worker {
    patience: Patience,
    choice: SourceChoice,
    open: Opener,
    wake: Wake,
    report: Sender<Report>,
    closed: Receiver<()>,
    state: SourceState,
    /// Bad sentences of the lines that were open before this one.
    earlier_bad: u64,
    bad_sentences: u64,
}

impl Worker {
    fn run(mut self) {
        if self.tell(SourceState::Opening, None).is_err() {
            return;
        }
        loop {
            let (stop, live) = match (self.open)(&self.choice) {
                Ok(opened) => (self.read(opened.source, opened.live), opened.live),
                // Nothing grows a receiver; anything else may be plugged in while the person looks on.
                Err(SourceTrouble::NoneHere) => (Stop::Again(SourceTrouble::NoneHere), false),
                Err(trouble) => (Stop::Again(trouble), true),
            };
            let told = match stop {
                Stop::Closed => return,
                Stop::Ended => self.tell(SourceState::Ended, None),
                Stop::Again(trouble) => self.tell_change(SourceState::Trouble(trouble)),
            };
            if told.is_err() || !live || self.is_closed_within(self.patience.try_again) {
                return;
            }
        }
    }

    fn read(&mut self, mut source: Box<dyn PositionSource + Send>, live: bool) -> Stop {
        let (mut heard, mut heard_at) = (SentenceCounts::default(), Instant::now());
        let (mut taken_at_fix, mut fixed_at) = (0, Instant::now());
        let stop = loop {
            let next = source.next_fix();
            let counts = source.sentences();
            self.bad_sentences = self.earlier_bad + counts.bad();
            if counts != heard {
                (heard, heard_at) = (counts, Instant::now());
            }
            let told = match next {
                Ok(Some(fix)) => {
                    (taken_at_fix, fixed_at, heard_at) = (counts.taken, Instant::now(), Instant::now());
                    self.tell(SourceState::Giving, Some(fix))
                }
                Ok(None) if live => break Stop::Again(SourceTrouble::Dropped),
                Ok(None) => break Stop::Ended,
                Err(SourceError::Read(error)) if live => break Stop::Again(dropped(&error)),
                Err(SourceError::Read(error)) => break Stop::Again(SourceTrouble::Other(error.to_string())),
                Err(SourceError::Quiet) if live && heard_at.elapsed() > self.patience.silent => {
                    break Stop::Again(SourceTrouble::Silent(self.patience.silent.as_secs()));
                }
                Err(SourceError::Quiet) => {
                    let no_fix =
                        live && fixed_at.elapsed() > self.patience.no_fix && heard_at.elapsed() < self.patience.no_fix;
                    let state = match (no_fix, counts.taken > taken_at_fix) {
                        (true, true) => SourceState::NoPosition,
                        (true, false) if counts.bad() > 0 && counts.other == 0 => {
                            SourceState::Trouble(SourceTrouble::Noise)
                        }
                        _ => self.state.clone(),
                    };
                    self.tell_change(state)
                }
            };
            if told.is_err() || self.is_closed_within(Duration::ZERO) {
                break Stop::Closed;
            }
        };
        self.earlier_bad += source.sentences().bad();
        stop
    }

    /// Whether the feed has been dropped, or is within this time.
    fn is_closed_within(&self, time: Duration) -> bool {
        !matches!(self.closed.recv_timeout(time), Err(RecvTimeoutError::Timeout))
    }

    fn tell(&mut self, state: SourceState, fix: Option<Fix>) -> Result<(), ()> {
        self.state = state;
        let report = Report {
            state: self.state.clone(),
            fix,
            bad_sentences: self.bad_sentences,
        };
        self.report.send(report).map_err(|_| ())?;
        (self.wake)();
        Ok(())
    }

    fn tell_change(&mut self, state: SourceState) -> Result<(), ()> {
        if state == self.state {
            Ok(())
        } else {
            self.tell(state, None)
        }
    }
}

fn dropped(error: &std::io::Error) -> SourceTrouble {
    match error.kind() {
        std::io::ErrorKind::PermissionDenied => SourceTrouble::NotAllowed,
        _ => SourceTrouble::Dropped,
    }
}

/// What the app knows of its position source.
#[derive(Default)]
pub(crate) struct PositionState {
    platform: Option<(Opener, Wake)>,
    /// Chosen for this run alone, on the command line.
    run_only: Option<String>,
    feed: Option<PositionFeed>,
    state: SourceState,
    bad_sentences: u64,
    here: Option<Here>,
    /// The way the device points, as its compass said last.
    heading_deg: Option<f64>,
    /// What was last said about the source, to be taken away when it works again.
    said: Option<Explained>,
}

impl std::fmt::Debug for PositionState {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PositionState")
            .field("state", &self.state)
            .field("here", &self.here)
            .finish_non_exhaustive()
    }
}

impl App {
    /// Connects the position sources of this device, and starts the one that was chosen.
    ///
    /// * `run_only`: a source for this run alone, in place of the one in Setup
    pub fn connect_position(&mut self, open: Opener, wake: Wake, run_only: Option<String>) {
        self.position.platform = Some((open, wake));
        self.position.run_only = run_only;
        self.restart_position();
    }

    /// Returns the source in use, as typed; empty for the device's own.
    #[must_use]
    pub fn position_source(&self) -> &str {
        let setup = &self.session.setup().position_source;
        self.position.run_only.as_ref().unwrap_or(setup)
    }

    /// Returns how the source stands.
    #[must_use]
    pub const fn position_state(&self) -> &SourceState {
        &self.position.state
    }

    /// Returns what is known of where the device is.
    #[must_use]
    pub const fn position(&self) -> Option<&Here> {
        self.position.here.as_ref()
    }

    /// Takes in where the device is now.
    pub fn take_position(&mut self, here: Here) {
        self.position.here = Some(here);
        self.moved();
    }

    /// Takes in the way the device points, degrees from north.
    pub(crate) fn take_heading(&mut self, degrees: f64) {
        self.position.heading_deg = degrees.is_finite().then(|| degrees.rem_euclid(360.0));
        if let Some(here) = self.position.here.as_mut() {
            here.heading_deg = self.position.heading_deg;
        }
    }

    /// Reads the source that stands in Setup from now on, whatever was asked for on the command line.
    pub(crate) fn use_position_source_of_setup(&mut self) {
        self.position.run_only = None;
        self.restart_position();
    }

    /// Reads the chosen source anew, after it was changed.
    pub(crate) fn restart_position(&mut self) {
        self.position.feed = None;
        self.position.here = None;
        self.position.bad_sentences = 0;
        self.position.state = SourceState::Off;
        let choice = match self.position_source().parse::<SourceChoice>() {
            Ok(choice) => choice,
            Err(error) => {
                let text = explain::choice(error, self.session.words());
                self.say(NoticeKind::Warning, text.what, text.advice);
                return;
            }
        };
        let Some((open, wake)) = self.position.platform.clone() else {
            return;
        };
        // The device's own opens at once or not at all: no thread is needed to learn that there is none.
        if choice == SourceChoice::Device && matches!(open(&choice), Err(SourceTrouble::NoneHere)) {
            self.position.state = SourceState::Trouble(SourceTrouble::NoneHere);
            return;
        }
        self.position.feed = Some(PositionFeed::start(choice, open, wake));
        self.position.state = SourceState::Opening;
    }

    /// Takes in what the source has said; returns whether anything is to be drawn again.
    pub(crate) fn poll_position(&mut self) -> bool {
        let Some(feed) = &self.position.feed else { return false };
        let reports: Vec<Report> = feed.reports.try_iter().collect();
        let any = !reports.is_empty();
        for report in reports {
            self.take_report(report);
        }
        any
    }

    fn take_report(&mut self, report: Report) {
        let changed = self.position.state != report.state;
        self.position.state = report.state;
        self.position.bad_sentences = report.bad_sentences;
        if changed {
            self.say_position_state();
        }
        if matches!(self.position.state, SourceState::Opening | SourceState::Ended) {
            return;
        }
        let here = Here {
            course_deg: report.fix.and_then(|fix| fix.course_deg),
            fix: report.fix,
            heading_deg: self.position.heading_deg,
            source: self.position_source().to_owned(),
            bad_sentences: report.bad_sentences,
            at: self.session.now(),
        };
        self.take_position(here);
    }

    fn say_position_state(&mut self) {
        let words = self.session.words();
        let source = self.position_source().to_owned();
        match &self.position.state {
            // A device without a position of its own is no news, until a source was asked for.
            SourceState::Trouble(SourceTrouble::NoneHere)
            | SourceState::Off
            | SourceState::Opening
            | SourceState::NoPosition => {}
            SourceState::Trouble(trouble) => {
                let text = explain::position(trouble, &source, words);
                self.position.said = Some(text.clone());
                self.say(NoticeKind::Warning, text.what, text.advice);
            }
            SourceState::Giving => {
                let said = self.position.said.take();
                let shown = self.notice.as_ref().map(|notice| &notice.text);
                if said.is_some() && said.as_ref() == shown {
                    self.dismiss_notice();
                }
            }
            SourceState::Ended => self.say(
                NoticeKind::Info,
                words.t("The recorded track has ended."),
                words.t("The last position stays until another source is chosen in Setup."),
            ),
        }
    }

    /// Whether the chosen source gives nothing and never will without help.
    pub(crate) fn position_is_in_trouble(&self) -> bool {
        matches!(self.position.state, SourceState::Trouble(_))
            || self.position_source().parse::<SourceChoice>().is_err()
    }

    /// Says in one line how the source stands, for Setup.
    pub(crate) fn position_status(&self) -> String {
        let words = self.session.words();
        let source = self.position_source();
        if let Err(error) = source.parse::<SourceChoice>() {
            return explain::choice(error, words).what;
        }
        let status = match &self.position.state {
            SourceState::Off => String::new(),
            SourceState::Opening => words.t("being opened"),
            SourceState::Giving => words.t("gives positions"),
            SourceState::NoPosition => words.t("has no position yet: give it open sky"),
            SourceState::Trouble(trouble) => explain::position(trouble, source, words).what,
            SourceState::Ended => words.t("The recorded track has ended."),
        };
        if self.position.bad_sentences == 0 {
            return status;
        }
        let bad = usize::try_from(self.position.bad_sentences).unwrap_or(usize::MAX);
        let skipped = words.n("{0} bad sentence skipped", "{0} bad sentences skipped", bad);
        words.f("{0}; {1}", &[&status, &skipped])
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::panic)]
mod tests {
    use super::*;
    use crate::exchange::nmea::NmeaReader;
    use std::io::{ErrorKind, Read};

    const IMPATIENT: Patience = Patience {
        try_again: Duration::from_millis(10),
        silent: Duration::from_millis(80),
        no_fix: Duration::from_millis(30),
    };

    /// A line that says the same again and again, or nothing at all.
    struct Line(&'static [u8]);

    impl Read for Line {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            std::thread::sleep(Duration::from_millis(5));
            if self.0.is_empty() {
                return Err(ErrorKind::TimedOut.into());
            }
            let length = self.0.len().min(buffer.len());
            buffer
                .get_mut(..length)
                .unwrap()
                .copy_from_slice(self.0.get(..length).unwrap());
            Ok(length)
        }
    }

    /// The same, coming back between two reads as the platform's streams do.
    struct Breathing(Line, bool);

    impl Read for Breathing {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            self.1 = !self.1;
            if self.1 {
                return Err(ErrorKind::WouldBlock.into());
            }
            self.0.read(buffer)
        }
    }

    fn state_on(line: &'static [u8], wanted: &SourceState) -> bool {
        let open: Opener = Arc::new(move |_| {
            Ok(OpenSource {
                source: Box::new(NmeaReader::new(Breathing(Line(line), false))),
                live: true,
            })
        });
        let feed = PositionFeed::start_with(IMPATIENT, SourceChoice::Device, open, Arc::new(|| ()));
        let until = Instant::now() + Duration::from_secs(20);
        while Instant::now() < until {
            match feed.reports.recv_timeout(Duration::from_secs(1)) {
                Ok(report) if report.state == *wanted => return true,
                Ok(report) => assert_eq!(report.fix, None),
                Err(_) => {}
            }
        }
        false
    }

    #[test]
    fn a_silent_line_is_said_to_be_silent() {
        assert!(state_on(b"", &SourceState::Trouble(SourceTrouble::Silent(0))));
    }

    #[test]
    fn a_line_at_the_wrong_speed_is_said_to_be_noise() {
        assert!(state_on(
            b"\x80\xff$\x81\x01x\r\n",
            &SourceState::Trouble(SourceTrouble::Noise)
        ));
    }

    /// Source: `MicroNMEA`'s test sentences (stevemarple/MicroNMEA, extras/test), a receiver without a fix.
    #[test]
    fn a_receiver_under_a_roof_is_said_to_have_no_position() {
        assert!(state_on(
            b"$GPRMC,194812.00,V,,,,,,,290317,,,N*74\r\n",
            &SourceState::NoPosition
        ));
    }

    #[test]
    fn a_feed_that_is_dropped_ends_its_thread() {
        let held = Arc::new(());
        let inside = held.clone();
        let open: Opener = Arc::new(move |_| {
            let _ = &inside;
            Ok(OpenSource {
                source: Box::new(NmeaReader::new(Line(b""))),
                live: true,
            })
        });
        drop(PositionFeed::start(SourceChoice::Device, open, Arc::new(|| ())));
        let until = Instant::now() + Duration::from_secs(10);
        while Arc::strong_count(&held) > 1 && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(10));
        }
        assert_eq!(Arc::strong_count(&held), 1);
    }
}
