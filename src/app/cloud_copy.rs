//! The sealed copy that a phone's own cloud backup may take, and only when the person has turned it on.
//!
//! The phone backs up one folder, `cloud` beside the book, and nothing else (`android/res/xml`). Off, the folder is not
//! there. On, two age files lie in it: `key.age`, a secret key sealed with the person's phrase, and `book.age`, the book
//! without its photos sealed to that key (`age -d -i key.age book.age > book.zip`). The phrase is kept nowhere, so that the
//! copy can be made anew without asking for it. What is not finished lies in another folder, which is never backed up.
//!
//! Which key this book's copy is sealed to stands in `cloud.key` beside the book and outside the folder. A copy that came
//! back from a cloud to a new phone therefore belongs to no book yet: it is offered at the first start, and nothing writes
//! over it before the person turns the switch on.

use crate::app::overlay::{Confirm, ConfirmTarget, SheetTarget};
use crate::app::safe_copy::{self, CopyError, OpenError};
use crate::app::send::size_text;
use crate::app::shell::{App, NoticeKind, Screen};
use crate::exchange::dayfile::seal::{OfficeKey, OfficeSecret};
use chrono::{DateTime, FixedOffset, Local, TimeDelta};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, TryRecvError, channel};

/// The most a phone's backup takes of one app, bytes (developer.android.com, "Back up user data with Auto Backup": 25 MB).
const CLOUD_TAKES: u64 = 25_000_000;

/// The two files of the copy.
const BOOK: &str = "book.age";
const KEY: &str = "key.age";

/// Going out of sight makes a new copy at most so often; closing a day and wiping do not wait.
const AT_MOST_EVERY: TimeDelta = TimeDelta::hours(1);

/// Where the copy lies.
#[derive(Clone, Debug)]
struct Places {
    /// The folder a cloud may take.
    folder: PathBuf,
    /// What is not finished.
    part: PathBuf,
    /// The key this book's copy is sealed to; its being there is the switch.
    switch: PathBuf,
}

impl Places {
    fn beside(book: &Path) -> Self {
        Self {
            folder: book.with_file_name("cloud"),
            part: book.with_file_name("cloud-part"),
            switch: book.with_file_name("cloud.key"),
        }
    }

    fn book(&self) -> PathBuf {
        self.folder.join(BOOK)
    }

    fn key(&self) -> PathBuf {
        self.folder.join(KEY)
    }

    fn switched_to(&self) -> Option<OfficeKey> {
        OfficeKey::parse(&fs::read_to_string(&self.switch).ok()?).ok()
    }

    /// When the copy was made and how many bytes it has.
    fn made(&self) -> Option<(DateTime<FixedOffset>, u64)> {
        let file = fs::metadata(self.book()).ok()?;
        let at = DateTime::<Local>::from(file.modified().ok()?).fixed_offset();
        Some((at, file.len()))
    }

    fn switch_on(&self, key: &OfficeKey) -> io::Result<()> {
        fs::write(&self.switch, format!("{key}\n"))
    }

    /// Removes what a killed run left unfinished: a book that nothing seals may be among it.
    fn tidy(&self) {
        // What cannot be removed now is removed before the next copy, and is in no folder that is backed up.
        drop(fs::remove_dir_all(&self.part));
    }

    /// Removes the copy, and what was begun of one.
    fn clear(&self) -> io::Result<()> {
        // The switch last: as long as anything is left, it says so.
        gone(fs::remove_dir_all(&self.folder))?;
        gone(fs::remove_dir_all(&self.part))?;
        gone(fs::remove_file(&self.switch))
    }
}

/// What is gone already need not be removed.
fn gone(result: io::Result<()>) -> io::Result<()> {
    match result {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// What a thread was asked to do, and what came of it.
#[derive(Debug)]
enum Work {
    /// The first copy, with its key.
    Begun(Result<(), CopyError>),
    /// The copy anew.
    Anew(Result<(), CopyError>),
    /// A copy opened: the book, and the key it was sealed to.
    Opened(Result<(PathBuf, OfficeKey), OpenError>),
}

/// The state of the copy.
#[derive(Debug, Default)]
pub(crate) struct CloudState {
    running: Option<Receiver<Work>>,
    /// Asked for while another was being made.
    again: bool,
    /// What the book's last action was when the copy was last made in this run, and when that was.
    last: Option<(Option<DateTime<FixedOffset>>, DateTime<FixedOffset>)>,
    /// Why the last copy could not be made.
    trouble: Option<String>,
}

/// What Setup shows of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CloudView {
    /// Whether this device has a backup of its own at all.
    pub shown: bool,
    /// Whether it is on.
    pub on: bool,
    /// How it stands.
    pub text: String,
    /// Whether that needs doing something.
    pub warns: bool,
}

impl App {
    fn cloud_places(&self) -> Places {
        Places::beside(self.session.book())
    }

    /// Returns what Setup shows of the copy for the phone's cloud backup.
    #[must_use]
    pub fn cloud_view(&self) -> CloudView {
        let words = self.session.words();
        let places = self.cloud_places();
        let on = places.switched_to().is_some();
        let mut warns = false;
        let text = if !on {
            words.t("Off: nothing of this book goes into the phone's cloud backup.")
        } else if let Some(trouble) = &self.cloud.trouble {
            warns = true;
            words.f("The copy could not be made: {0}. It is tried again.", &[trouble])
        } else if self.cloud.running.is_some() {
            words.t("The sealed copy is being made.")
        } else if let Some((at, bytes)) = places.made() {
            let at = at.with_timezone(self.session.now().offset());
            let when = format!(
                "{} {}",
                self.session.figures().date(at.date_naive()),
                at.format("%H:%M")
            );
            let size = size_text(bytes);
            if bytes > CLOUD_TAKES {
                warns = true;
                words.f(
                    "The copy has {0}; a phone's cloud backup takes at most 25 MB of an app, so it takes none. Make the sealed copy of the whole book instead.",
                    &[&size],
                )
            } else {
                words.f(
                    "On: sealed copy of {0}, {1}, without photos. The phone takes it when it next backs itself up, usually at night.",
                    &[&when, &size],
                )
            }
        } else {
            warns = true;
            words.t("On, but there is no copy yet.")
        };
        CloudView {
            shown: self.has_device(),
            on,
            text,
            warns,
        }
    }

    /// Turns the copy on, after a question and a phrase, or off.
    pub fn choose_cloud(&mut self, on: bool) {
        let words = self.session.words();
        if on == self.cloud_view().on {
            return;
        }
        if !on {
            self.stop_cloud();
            return;
        }
        let mut sentence = words.t(
            "Names, addresses and telephone numbers of customers then leave this phone, with what was found and noted; photos do not. It is sealed with a phrase of yours: whoever gets the copy and the phrase can read it, and without the phrase nobody can, you neither. Ask whether your company and your law allow it.",
        );
        if let Some((at, _)) = self.cloud_places().made() {
            let date = self.session.figures().date(at.date_naive());
            sentence.push(' ');
            sentence.push_str(&words.f("The copy of {0} that is there now is replaced.", &[&date]));
        }
        self.confirm = Some(Confirm {
            target: ConfirmTarget::CloudCopy,
            title: words.t("A sealed copy for the phone's cloud backup?"),
            sentence,
            yes: words.t("Choose a phrase"),
            no: words.t("Leave it off"),
        });
    }

    /// Removes what a run that was killed left unfinished.
    pub(crate) fn tidy_cloud(&self) {
        self.cloud_places().tidy();
    }

    pub(crate) fn ask_cloud_phrase(&mut self) {
        self.open_sheet(
            SheetTarget::CloudPhrase,
            "A phrase that opens the copy. Write it down: without it nobody can.",
            String::new(),
            false,
        );
    }

    fn stop_cloud(&mut self) {
        let words = self.session.words();
        match self.clear_cloud() {
            Ok(()) => self.say(
                NoticeKind::Info,
                words.t("The copy for the cloud is removed from this phone."),
                words.t("A cloud may keep what it took before: delete that in the phone's settings, under backup."),
            ),
            Err(error) => self.say(
                NoticeKind::Failure,
                words.f("The copy for the cloud cannot be removed: {0}.", &[&error.to_string()]),
                words.t("Try again; until then the phone may back it up."),
            ),
        }
    }

    /// Removes the copy until it is made anew: what was wiped must not live on in it.
    pub(crate) fn forget_cloud_copy(&mut self) -> io::Result<()> {
        if let Some(running) = self.cloud.running.take() {
            drop(running.recv());
        }
        self.cloud.last = None;
        let places = self.cloud_places();
        if places.switched_to().is_none() {
            return Ok(());
        }
        gone(fs::remove_file(places.book()))
    }

    /// Turns it off without a word.
    pub(crate) fn clear_cloud(&mut self) -> io::Result<()> {
        // One that is being made would lay its copy there afterwards.
        if let Some(running) = self.cloud.running.take() {
            drop(running.recv());
        }
        self.cloud = CloudState::default();
        self.cloud_places().clear()
    }

    /// Turns it on: makes a key, seals it with the phrase, and makes the first copy.
    pub(crate) fn begin_cloud(&mut self, phrase: String) {
        let kept = self.session.settle();
        if self.try_book(kept).is_none() {
            return;
        }
        let (book, places) = (self.session.book().to_owned(), self.cloud_places());
        self.cloud_work(move || {
            Work::Begun((|| {
                let secret = OfficeSecret::generate();
                let key = secret.public();
                // Both files come into their folder at once: a key and a book that do not fit open nothing.
                let made = places.part.join("folder");
                gone(fs::remove_dir_all(&made))?;
                safe_copy::write_key(&secret, phrase, &places.part, &made.join(KEY))?;
                safe_copy::write_to_key(&book, &key, &places.part, &made.join(BOOK))?;
                gone(fs::remove_dir_all(&places.folder))?;
                fs::rename(&made, &places.folder)?;
                places.switch_on(&key)?;
                Ok(())
            })())
        });
    }

    /// Makes the copy anew when it is on and something was kept since.
    ///
    /// * `at_once`: however short a time ago the last one was made
    pub(crate) fn renew_cloud(&mut self, at_once: bool) {
        let now = self.session.now();
        let kept_at = self.session.kept_at();
        if self.session.is_new() {
            return;
        }
        if let Some((known, made)) = self.cloud.last
            && !at_once
            && (known == kept_at || (TimeDelta::zero()..AT_MOST_EVERY).contains(&(now - made)))
        {
            return;
        }
        let places = self.cloud_places();
        let Some(key) = places.switched_to() else { return };
        if self.cloud.running.is_some() {
            self.cloud.again = true;
            return;
        }
        let kept = self.session.settle();
        if self.try_book(kept).is_none() {
            return;
        }
        self.cloud.last = Some((self.session.kept_at(), now));
        let book = self.session.book().to_owned();
        self.cloud_work(move || Work::Anew(safe_copy::write_to_key(&book, &key, &places.part, &places.book())));
    }

    fn cloud_work(&mut self, work: impl FnOnce() -> Work + Send + 'static) {
        let (report, news) = channel();
        let waker = self.session.waker();
        std::thread::spawn(move || {
            // The app may have been closed meanwhile; what was made is there all the same.
            drop(report.send(work()));
            waker.wake();
        });
        self.cloud.running = Some(news);
    }

    /// Takes in what has become of the copy; returns whether there was news.
    pub(crate) fn poll_cloud(&mut self) -> bool {
        let Some(news) = &self.cloud.running else { return false };
        match news.try_recv() {
            Err(TryRecvError::Empty) => false,
            Ok(work) => {
                self.cloud_done(work);
                true
            }
            Err(TryRecvError::Disconnected) => {
                self.cloud.running = None;
                self.cloud.trouble = Some(self.session.words().t("it was cut off"));
                true
            }
        }
    }

    /// Waits for what is being made or opened, for tests and for work without a window.
    pub fn settle_cloud(&mut self) {
        while let Some(news) = &self.cloud.running {
            match news.recv() {
                Ok(work) => self.cloud_done(work),
                Err(_) => self.cloud.running = None,
            }
        }
    }

    fn cloud_done(&mut self, work: Work) {
        let words = self.session.words();
        self.cloud.running = None;
        match work {
            Work::Begun(Ok(())) => {
                self.cloud.last = Some((self.session.kept_at(), self.session.now()));
                self.say(
                    NoticeKind::Info,
                    words.t("The sealed copy for the phone's cloud backup is made."),
                    words.t("It is made anew when a day is closed, after wiping, and at most once an hour when the app is left."),
                );
            }
            Work::Begun(Err(error)) => {
                self.say(
                    NoticeKind::Failure,
                    words.f("The sealed copy cannot be made: {0}.", &[&error.to_string()]),
                    words.t("It is still off. Free some room, then try again."),
                );
            }
            Work::Anew(Ok(())) => self.cloud.trouble = None,
            Work::Anew(Err(error)) => {
                self.cloud.trouble = Some(error.to_string());
                self.cloud.last = None;
            }
            Work::Opened(Ok((book, key))) => self.take_over(&book, &key),
            Work::Opened(Err(error)) => {
                let (what, advice) = match error {
                    OpenError::Phrase => (
                        words.t("This phrase does not open the copy."),
                        words.t("Type it exactly as it was chosen, spaces and capitals included."),
                    ),
                    other => (
                        words.f("The copy cannot be opened: {0}.", &[&other.to_string()]),
                        words.t("Nothing was changed. Restart the phone and try again, or start with an empty book."),
                    ),
                };
                self.say(NoticeKind::Failure, what, advice);
            }
        }
        if std::mem::take(&mut self.cloud.again) {
            self.renew_cloud(true);
        }
    }

    /// When the copy was made that came back from a cloud and is nobody's book yet.
    #[must_use]
    pub fn cloud_copy_found(&self) -> Option<String> {
        let places = self.cloud_places();
        let found = self.session.is_new() && places.switched_to().is_none() && places.key().is_file();
        let (at, bytes) = places.made().filter(|_| found)?;
        let figures = self.session.figures();
        Some(format!("{}, {}", figures.date(at.date_naive()), size_text(bytes)))
    }

    /// Asks for the phrase of the copy that came back from a cloud.
    pub fn tap_open_cloud_copy(&mut self) {
        if self.cloud_copy_found().is_some() && self.cloud.running.is_none() {
            self.open_sheet(
                SheetTarget::CloudOpen,
                "The phrase that opens the copy",
                String::new(),
                false,
            );
        }
    }

    pub(crate) fn open_cloud(&mut self, phrase: String) {
        let words = self.session.words();
        let places = self.cloud_places();
        self.cloud_work(move || {
            Work::Opened((|| {
                let secret = safe_copy::read_key(&places.key(), phrase)?;
                let key = secret.public();
                Ok((safe_copy::read_book(&places.book(), secret, &places.part)?, key))
            })())
        });
        self.say(
            NoticeKind::Info,
            words.t("The copy is being opened."),
            words.t("It says here when it is done."),
        );
    }

    /// Makes a copy's book this phone's, which nobody has begun yet.
    fn take_over(&mut self, book: &Path, key: &OfficeKey) {
        let words = self.session.words();
        let places = self.cloud_places();
        let from = book.to_owned();
        let taken = self.session.ask(move |store| store.take_over(&from));
        // The plain book is of no use any more, whatever has become of it.
        places.tidy();
        if self.try_book(taken).is_none() {
            return;
        }
        let found = self.session.look_again();
        if self.try_book(found).is_none() {
            return;
        }
        let on = places.switch_on(key);
        let (day, truck, listed) = (self.reload_day(), self.reload_truck(), self.reload_book());
        self.try_book(day);
        self.try_book(truck);
        self.try_book(listed);
        let prices = self.session.ask(|store| store.prices());
        if let Some(prices) = self.try_book(prices) {
            self.prices = prices;
        }
        self.back.clear();
        self.screen = Screen::Day;
        let advice = if on.is_ok() {
            words.t("Photos are not in it. The copy stays on, with the same phrase.")
        } else {
            words.t("Photos are not in it. Turn the copy on again in Setup.")
        };
        self.say(NoticeKind::Info, words.t("The book is back."), advice);
    }
}
