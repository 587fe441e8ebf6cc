//! Wiping a stop, a site or everything, asked twice; and the sealed copy that is offered first.

use crate::app::overlay::{Confirm, ConfirmTarget, Picker, PickerTarget, SheetTarget};
use crate::app::safe_copy::{self, CopyError};
use crate::app::shell::{App, NoticeKind, Screen};
use crate::domain::record::Stop;
use crate::store::Wipe;
use crate::store::blobs::Blobs;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, TryRecvError, channel};

/// The least a phrase must have: about the strength of four words chosen at random (our judgement).
pub(crate) const LEAST_PHRASE: usize = 12;

/// A sealed copy that is being made.
#[derive(Debug, Default)]
pub(crate) struct CopyState {
    running: Option<(PathBuf, Receiver<Result<(), CopyError>>)>,
}

impl App {
    /// Asks what of the site on the screen is to be wiped.
    pub fn tap_wipe_site(&mut self) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let Some(stops) = self.stops_here() else { return };
        let whole = (
            words.t("The whole site"),
            words.t("its tanks, lids, places, photos and every stop"),
        );
        let stops = stops
            .iter()
            .map(|stop| (words.f("The stop of {0}", &[&figures.date(stop.day)]), String::new()));
        self.picker = Some(Picker {
            target: PickerTarget::Wipe,
            title: words.t("Wipe for good: what?"),
            rows: std::iter::once(whole).chain(stops).collect(),
            selected: None,
        });
    }

    fn stops_here(&mut self) -> Option<Vec<Stop>> {
        let site = self.site.as_ref()?.visit.site.id;
        let listed = self.session.ask(move |store| store.stops_at(site));
        self.try_book(listed)
    }

    /// Asks whether everything is to be wiped.
    pub fn tap_wipe_all(&mut self) {
        self.offer_copy_first(Wipe::All);
    }

    pub(crate) fn wipe_chosen(&mut self, index: usize) {
        let Some(site) = self.site.as_ref().map(|state| state.visit.site.id) else {
            return;
        };
        let what = match index.checked_sub(1) {
            None => Some(Wipe::Site(site)),
            Some(row) => self
                .stops_here()
                .and_then(|stops| stops.get(row).map(|stop| Wipe::Stop(stop.id))),
        };
        if let Some(what) = what {
            self.offer_copy_first(what);
        }
    }

    fn offer_copy_first(&mut self, what: Wipe) {
        let words = self.session.words();
        self.picker = Some(Picker {
            target: PickerTarget::WipeFirst(what),
            title: words.t("Wiping cannot be undone"),
            rows: vec![
                (
                    words.t("Make a sealed copy first"),
                    words.t("the whole book with its photos, opened by a phrase of yours"),
                ),
                (words.t("Wipe without a copy"), String::new()),
            ],
            selected: None,
        });
    }

    pub(crate) fn wipe_first_chosen(&mut self, what: Wipe, index: usize) {
        if index == 0 {
            self.tap_safe_copy();
            return;
        }
        let words = self.session.words();
        let name = || {
            self.site
                .as_ref()
                .map(|state| state.visit.site.name.clone())
                .unwrap_or_default()
        };
        let sentence = match what {
            Wipe::Stop(_) => words.f(
                "What was read, pumped, noted, signed and photographed at this stop of {0} is lost, the waste record with it. Ask first how long it must be kept by law. The tank and its places stay.",
                &[&name()],
            ),
            Wipe::Site(_) => words.f(
                "{0} is lost: its tanks, lids, places, photos and every stop with its waste records. Ask first how long these must be kept by law.",
                &[&name()],
            ),
            Wipe::All => words.t(
                "Every site, stop, photo, slip, day file and waste record on this device is lost, the set-up and the phone's key with them. Ask first how long waste records must be kept by law.",
            ),
        };
        self.ask_wipe(what, false, sentence);
    }

    pub(crate) fn ask_wipe_again(&mut self, what: Wipe) {
        let words = self.session.words();
        let mut sentence =
            words.t("There is no way back. Files that were made or handed out before are not changed by it.");
        if self.cloud_view().on {
            sentence.push(' ');
            sentence.push_str(&words.t("What a cloud took before stays there until the phone backs itself up again."));
        }
        self.ask_wipe(what, true, sentence);
    }

    fn ask_wipe(&mut self, what: Wipe, again: bool, sentence: String) {
        let words = self.session.words();
        self.confirm = Some(Confirm {
            target: ConfirmTarget::Wipe(what, again),
            title: if again {
                words.t("Really wipe it?")
            } else {
                words.t("Wipe for good?")
            },
            sentence,
            yes: words.t("Wipe"),
            no: words.t("Keep it"),
        });
    }

    /// Wipes: asked twice by now.
    pub(crate) fn wipe(&mut self, what: Wipe) {
        let words = self.session.words();
        let wiped = self.session.ask(move |store| store.wipe(what));
        let Some(hashes) = self.try_book(wiped) else { return };
        let blobs = Blobs::beside(self.session.book());
        let mut left = Vec::new();
        for hash in &hashes {
            for file in [blobs.picture(hash), blobs.thumbnail(hash)].into_iter().flatten() {
                remove(&file, &mut left);
            }
        }
        self.stop = None;
        self.site = None;
        // What was wiped must not live on in the copy for the phone's cloud backup.
        let uncopied = if what == Wipe::All {
            self.clear_cloud()
        } else {
            self.forget_cloud_copy()
        };
        if uncopied.is_err() {
            left.push(self.slips.with_file_name("cloud"));
        }
        if what == Wipe::All {
            let mut folders = vec![blobs.root().to_owned(), self.slips.clone()];
            for name in ["day-files", "out", "camera", "inbox", "phone.key"] {
                folders.push(self.slips.with_file_name(name));
            }
            for folder in &folders {
                remove(folder, &mut left);
            }
            self.session.start_over();
            let reloaded = self.reload_truck();
            self.try_book(reloaded);
        }
        self.renew_cloud(true);
        let (day, book) = (self.reload_day(), self.reload_book());
        self.try_book(day);
        self.try_book(book);
        self.back.clear();
        self.screen = if self.session.is_new() {
            Screen::FirstRun
        } else {
            Screen::Day
        };
        match left.first() {
            None => self.say(
                NoticeKind::Info,
                words.t("It is wiped."),
                words.t("Nothing of it is left in the book."),
            ),
            Some(file) => self.say(
                NoticeKind::Failure,
                words.f(
                    "It is wiped from the book, but this cannot be removed: {0}.",
                    &[&file.display().to_string()],
                ),
                words.t("Remove it by hand."),
            ),
        }
    }

    /// Asks for the phrase a copy is sealed with.
    pub fn tap_safe_copy(&mut self) {
        if self.copy.running.is_some() {
            self.say_copying();
            return;
        }
        self.open_sheet(
            SheetTarget::CopyPhrase,
            "A phrase that opens the copy. Without it nobody can.",
            String::new(),
            false,
        );
    }

    fn say_copying(&mut self) {
        let words = self.session.words();
        self.say(
            NoticeKind::Info,
            words.t("The sealed copy is being made."),
            words.t("It says here when it is done."),
        );
    }

    /// Begins to make the copy; [`App::poll`] says when it is done.
    pub(crate) fn make_copy(&mut self, phrase: String) {
        let name = format!(
            "{}.{}",
            self.session.now().format("%Y-%m-%d-%H%M%S"),
            safe_copy::EXTENSION
        );
        let path = self.slips.with_file_name("out").join(name);
        let (report, news) = channel();
        let (book, to, waker) = (self.session.book().to_owned(), path.clone(), self.session.waker());
        // What was tapped before belongs into the copy.
        let kept = self.session.settle();
        if self.try_book(kept).is_none() {
            return;
        }
        std::thread::spawn(move || {
            // The app may have been closed meanwhile; the file is there all the same.
            drop(report.send(safe_copy::write(&book, phrase, &to)));
            waker.wake();
        });
        self.copy.running = Some((path, news));
        self.say_copying();
    }

    /// Takes in whether the copy is made; returns whether there was news.
    pub(crate) fn poll_copy(&mut self) -> bool {
        let Some((_, news)) = &self.copy.running else {
            return false;
        };
        let result = match news.try_recv() {
            Err(TryRecvError::Empty) => return false,
            Ok(result) => result,
            Err(TryRecvError::Disconnected) => Err(cut_off()),
        };
        self.copy_done(result);
        true
    }

    /// Waits for the copy that is being made, for tests and for work without a window.
    pub fn settle_copy(&mut self) {
        if let Some((_, news)) = &self.copy.running {
            let result = news.recv().unwrap_or_else(|_| Err(cut_off()));
            self.copy_done(result);
        }
    }

    fn copy_done(&mut self, result: Result<(), CopyError>) {
        let words = self.session.words();
        let Some((path, _)) = self.copy.running.take() else {
            return;
        };
        match result {
            Ok(()) => {
                self.say(
                    NoticeKind::Info,
                    words.t("The sealed copy is made. Take it off this device before anything is wiped."),
                    path.display().to_string(),
                );
                self.hand_out(&path);
            }
            Err(error) => self.say(
                NoticeKind::Failure,
                words.f("The sealed copy cannot be made: {0}.", &[&error.to_string()]),
                words.t("Free some room, then try again. Nothing was wiped."),
            ),
        }
    }
}

fn cut_off() -> CopyError {
    CopyError::File(std::io::Error::other("cut off"))
}

/// Removes a file or a folder with all in it; notes what cannot be removed.
fn remove(path: &Path, left: &mut Vec<PathBuf>) {
    let gone = if path.is_dir() {
        std::fs::remove_dir_all(path)
    } else {
        std::fs::remove_file(path)
    };
    match gone {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => left.push(path.to_owned()),
        _ => {}
    }
}
