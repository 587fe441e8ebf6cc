//! The day's file for the office: which day, the file made by a thread of its own, and what became of it.

use crate::app::explain;
use crate::app::overlay::{Picker, PickerTarget};
use crate::app::shell::{App, NoticeKind};
use crate::domain::record::Photo;
use crate::exchange::dayfile::seal::{OfficeKey, seal};
use crate::exchange::dayfile::sign::{PhoneKey, SecretKey};
use crate::exchange::dayfile::write::{Blob, Media, Order, file_name, write};
use crate::exchange::dayfile::{Digest, WriteError, digest_of};
use crate::store::blobs::{Blobs, flush_folder};
use crate::store::carry::{Carry, Place, SentFile, WorkedDay};
use crate::store::{Store, StoreError};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use uuid::Uuid;

/// How many past days are offered.
const MOST_DAYS: u32 = 60;

/// Why a day's file could not be made. Nothing half written stays behind.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SendError {
    /// The file cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The phone's own key cannot be read; it is never made anew by itself, because the office trusts the old one.
    #[error("the phone's key in {0} cannot be read")]
    Key(PathBuf),
    /// What is set as the office key is none.
    #[error("the office key cannot be used")]
    OfficeKey,
    /// The thread that made it has ended without a word.
    #[error("making the file was cut off")]
    CutOff,
}

impl From<StoreError> for SendError {
    fn from(error: StoreError) -> Self {
        Self::Write(error.into())
    }
}

impl From<io::Error> for SendError {
    fn from(error: io::Error) -> Self {
        Self::Write(error.into())
    }
}

/// Everything the thread needs to make one file.
#[derive(Clone, Debug)]
pub struct SendJob {
    /// The book, opened a second time and only read.
    pub book: PathBuf,
    /// Where the file goes.
    pub folder: PathBuf,
    /// Where the phone's key is kept.
    pub key_file: PathBuf,
    /// The phone.
    pub phone: Uuid,
    /// What the crew calls the truck.
    pub truck: String,
    /// The day.
    pub day: NaiveDate,
    /// The day is not over.
    pub partial: bool,
    /// What no file has carried yet goes along.
    pub rest: bool,
    /// The file's number, and what it follows.
    pub place: Place,
    /// The time now.
    pub now: DateTime<FixedOffset>,
    /// The key it is sealed to.
    pub office: Option<OfficeKey>,
}

/// A file that lies where it belongs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MadeFile {
    /// Where.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
    /// Its SHA-256 before it was sealed.
    pub sha256: Digest,
    /// What [`crate::store::carry::Carry::upto`] says.
    pub upto: Option<i64>,
    /// It is sealed.
    pub sealed: bool,
    /// Photos of the day that are not in it, because their files are gone or changed.
    pub missing_photos: usize,
}

/// A file that is being written: gone again unless it is finished.
struct Unfinished(Option<PathBuf>);

impl Unfinished {
    fn open(path: PathBuf) -> io::Result<(Self, File)> {
        let file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(true)
            .open(&path)?;
        Ok((Self(Some(path)), file))
    }

    /// Gives the file its name, for good.
    fn finish(mut self, path: &Path) -> io::Result<()> {
        if let Some(unfinished) = self.0.as_ref() {
            fs::rename(unfinished, path)?;
        }
        self.0 = None;
        // The name is on the disk only when the folder is.
        path.parent().map_or(Ok(()), flush_folder)
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        if let Some(path) = self.0.take() {
            // What cannot be removed now is removed when the next file is made.
            drop(fs::remove_file(path));
        }
    }
}

const UNFINISHED: &str = ".unfinished";

/// Makes the file: written under another name, flushed, then renamed; or nothing.
///
/// # Errors
/// [`SendError`]; then no file is there.
pub fn make_file(job: &SendJob) -> Result<MadeFile, SendError> {
    fs::create_dir_all(&job.folder)?;
    if let Some(above) = job.folder.parent() {
        // A file in a folder whose own name is lost is lost too.
        flush_folder(above)?;
    }
    remove_unfinished(&job.folder);
    let key = phone_key(&job.key_file)?;
    let store = Store::open_to_read(&job.book)?;
    let carry = store.carry(job.day, job.rest)?;
    let photos = Blobs::beside(&job.book);
    let (blobs, missing_photos) = sound_photos(&store, &carry, &photos)?;
    let order = Order {
        phone: job.phone,
        truck: &job.truck,
        day: job.day,
        partial: job.partial,
        place: &job.place,
        created_at: job.now,
        carry: &carry,
        key: Some(&key),
        blobs: &blobs,
    };
    let open = |blob: &Blob| -> io::Result<Box<dyn Read>> {
        let path = photos.picture(&blob.sha256.to_string());
        let path = path.ok_or_else(|| io::Error::new(io::ErrorKind::NotFound, blob.part_name()))?;
        Ok(Box::new(BufReader::new(File::open(path)?)))
    };
    let path = job.folder.join(file_name(job.day, job.phone, job.place.sequence));
    let beside = |what: &str| {
        let mut name = path.clone().into_os_string();
        name.push(what);
        PathBuf::from(name)
    };
    let (plain, file) = Unfinished::open(beside(UNFINISHED))?;
    let (_, out) = write(&store, &order, &open, BufWriter::new(file))?;
    let mut file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
    file.sync_all()?;
    file.rewind()?;
    let (sha256, mut bytes) = digest_of(&mut file)?;
    if let Some(office) = &job.office {
        file.rewind()?;
        let (sealed, out) = Unfinished::open(beside(&format!(".sealed{UNFINISHED}")))?;
        let mut sealing = seal(office, BufWriter::new(out))?;
        io::copy(&mut BufReader::new(file), &mut sealing)?;
        let out = sealing.finish()?.into_inner().map_err(io::IntoInnerError::into_error)?;
        out.sync_all()?;
        bytes = out.metadata()?.len();
        sealed.finish(&path)?;
    } else {
        plain.finish(&path)?;
    }
    Ok(MadeFile {
        path,
        bytes,
        sha256,
        upto: carry.upto(),
        sealed: job.office.is_some(),
        missing_photos,
    })
}

/// The photos of the day whose files are there and whole, and how many are not. One lost picture must not keep the rest of
/// the day from the office: `csv/photos.csv` in the file names it.
fn sound_photos(store: &Store, carry: &Carry, photos: &Blobs) -> Result<(Vec<Blob>, usize), StoreError> {
    let mut hashes = BTreeSet::new();
    store.each_record(carry, |photo: Photo| -> Result<(), StoreError> {
        if !photo.removed {
            hashes.insert(photo.hash);
        }
        Ok(())
    })?;
    let count = hashes.len();
    let sound = |hash: String| {
        let wanted = Digest::parse(&hash)?;
        let (sha256, bytes) = digest_of(&mut File::open(photos.picture(&hash)?).ok()?).ok()?;
        (sha256 == wanted).then_some(Blob {
            sha256,
            bytes,
            media: Media::Jpeg,
        })
    };
    let blobs = hashes.into_iter().filter_map(sound).collect::<Vec<_>>();
    let missing = count.saturating_sub(blobs.len());
    Ok((blobs, missing))
}

/// Removes what a killed app left half written.
fn remove_unfinished(folder: &Path) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        if entry.file_name().to_string_lossy().ends_with(UNFINISHED) {
            // It takes room and does no other harm; the file about to be made has a name of its own.
            drop(fs::remove_file(entry.path()));
        }
    }
}

/// Reads the phone's key, or makes it when there is none yet.
///
/// # Errors
/// [`SendError`] when it cannot be read or kept.
pub fn phone_key(path: &Path) -> Result<SecretKey, SendError> {
    match fs::read_to_string(path) {
        Ok(text) => SecretKey::parse(&text).ok_or_else(|| SendError::Key(path.to_owned())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let key = SecretKey::generate()?;
            let mut unfinished = path.to_owned().into_os_string();
            unfinished.push(UNFINISHED);
            let (made, mut file) = Unfinished::open(PathBuf::from(unfinished))?;
            for_the_owner_only(&file)?;
            file.write_all(key.to_text().as_bytes())?;
            file.sync_all()?;
            made.finish(path)?;
            Ok(key)
        }
        Err(_) => Err(SendError::Key(path.to_owned())),
    }
}

#[cfg(unix)]
fn for_the_owner_only(file: &File) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    file.set_permissions(fs::Permissions::from_mode(0o600))
}

#[cfg(not(unix))]
fn for_the_owner_only(_: &File) -> io::Result<()> {
    Ok(())
}

/// What the app knows of day files.
#[derive(Debug, Default)]
pub(crate) struct SendState {
    running: Option<Running>,
    days: Vec<WorkedDay>,
    last_today: Option<SentFile>,
}

#[derive(Debug)]
struct Running {
    sequence: u64,
    news: Receiver<Result<MadeFile, SendError>>,
}

/// Writes a size for people.
#[must_use]
pub fn size_text(bytes: u64) -> String {
    let number = |part: u64, unit: u64| {
        let tenths = part.saturating_mul(10).saturating_add(unit / 2) / unit;
        format!("{}.{}", tenths / 10, tenths % 10)
    };
    match bytes {
        0..1_000 => format!("{bytes} B"),
        1_000..1_000_000 => format!("{} kB", number(bytes, 1_000)),
        _ => format!("{} MB", number(bytes, 1_000_000)),
    }
}

impl App {
    /// The folder day files are put into: beside the slips.
    #[must_use]
    pub fn day_files(&self) -> PathBuf {
        self.slips.with_file_name("day-files")
    }

    fn key_file(&self) -> PathBuf {
        self.slips.with_file_name("phone.key")
    }

    /// Returns the phone's public key, for the office's list; made when there is none yet.
    ///
    /// # Errors
    /// [`SendError`] when it cannot be read or kept.
    pub fn phone_public_key(&self) -> Result<PhoneKey, SendError> {
        phone_key(&self.key_file()).map(|key| key.public())
    }

    /// Shows the phone's key and name, for the office to compare.
    pub fn show_phone_key(&mut self) {
        let words = self.session.words();
        let fresh = self.session.new_id();
        let phone = self.session.ask(move |store| store.phone(fresh));
        match (self.phone_public_key(), phone) {
            (Ok(key), Ok(phone)) => self.say(
                NoticeKind::Info,
                words.f("This phone is {0}.", &[&phone.to_string()]),
                words.f("Its key, for the office to compare: {0}", &[&key.grouped()]),
            ),
            (Err(error), _) => self.say_not_sent(&error),
            (_, Err(error)) => self.say_not_sent(&error.into()),
        }
    }

    /// Asks which day's file is to be made.
    pub fn tap_day_file(&mut self) {
        let (words, figures) = (self.session.words(), self.session.figures());
        if self.send.running.is_some() {
            self.say(
                NoticeKind::Info,
                words.t("A day's file is being made."),
                words.t("It says here when it is done."),
            );
            return;
        }
        let today = self.session.today();
        let listed = self.session.ask(move |store| store.days_worked(today, MOST_DAYS));
        let Some(mut days) = self.try_book(listed) else { return };
        if days.first().is_none_or(|first| first.day != today) {
            // A day without stops may still have seen changes.
            days.insert(
                0,
                WorkedDay {
                    day: today,
                    stops: 0,
                    sent: None,
                },
            );
        }
        let rows = days
            .iter()
            .map(|day| {
                let stops = usize::try_from(day.stops).unwrap_or(0);
                let title = if day.day == today {
                    words.f("Today, {0}", &[&figures.date(day.day)])
                } else {
                    figures.date(day.day)
                };
                let made = match day.sent {
                    Some(number) => words.f("file {0} made", &[&number.to_string()]),
                    None => words.t("no file yet"),
                };
                (title, format!("{} · {made}", words.n("{0} stop", "{0} stops", stops)))
            })
            .collect();
        self.send.days = days;
        self.picker = Some(Picker {
            target: PickerTarget::DayFile,
            title: words.t("Make the day's file"),
            rows,
            selected: None,
        });
    }

    pub(crate) fn day_file_chosen(&mut self, index: usize) {
        let Some(day) = self.send.days.get(index).map(|day| day.day) else {
            return;
        };
        self.make_day_file(day);
    }

    /// Begins to make the file of a day; [`App::poll`] says when it is done.
    pub fn make_day_file(&mut self, day: NaiveDate) {
        if self.send.running.is_some() {
            return;
        }
        let words = self.session.words();
        match self.begin_day_file(day) {
            Ok(running) => {
                self.send.running = Some(running);
                self.say(
                    NoticeKind::Info,
                    words.t("A day's file is being made."),
                    words.t("It says here when it is done."),
                );
            }
            Err(error) => self.say_not_sent(&error),
        }
    }

    fn begin_day_file(&self, day: NaiveDate) -> Result<Running, SendError> {
        let (now, today) = (self.session.now(), self.session.today());
        let typed = self.session.setup().office_key.trim();
        let office = if typed.is_empty() {
            None
        } else {
            Some(OfficeKey::parse(typed).map_err(|_| SendError::OfficeKey)?)
        };
        let fresh = self.session.new_id();
        let (phone, book, place, partial) = self.session.ask(move |store| {
            let open = store.day(day)?.iter().any(|row| row.stop.finished_at.is_none());
            let partial = day >= today && open;
            let phone = store.phone(fresh)?;
            Ok((
                phone,
                store.path().to_owned(),
                store.begin_file(day, now, partial)?,
                partial,
            ))
        })?;
        let sequence = place.sequence;
        let job = SendJob {
            book,
            folder: self.day_files(),
            key_file: self.key_file(),
            phone,
            truck: self.truck_name(),
            day,
            partial,
            rest: day >= today,
            place,
            now,
            office,
        };
        let (report, news) = channel();
        let waker = self.session.waker();
        std::thread::spawn(move || {
            // The app may have been closed meanwhile; the file is there all the same.
            drop(report.send(make_file(&job)));
            waker.wake();
        });
        Ok(Running { sequence, news })
    }

    /// Takes in whether the file is done; returns whether there was news.
    pub(crate) fn poll_day_file(&mut self) -> bool {
        let Some(running) = &self.send.running else {
            return false;
        };
        match running.news.try_recv() {
            Err(TryRecvError::Empty) => false,
            Ok(result) => {
                self.day_file_done(result);
                true
            }
            Err(TryRecvError::Disconnected) => {
                self.day_file_done(Err(SendError::CutOff));
                true
            }
        }
    }

    /// Waits for the file that is being made, for tests and for work without a window.
    pub fn settle_day_file(&mut self) {
        if let Some(running) = &self.send.running {
            let result = running.news.recv().unwrap_or(Err(SendError::CutOff));
            self.day_file_done(result);
        }
    }

    fn day_file_done(&mut self, result: Result<MadeFile, SendError>) {
        let words = self.session.words();
        let Some(Running { sequence, .. }) = self.send.running.take() else {
            return;
        };
        let made = match result {
            Ok(made) => made,
            Err(error) => return self.say_not_sent(&error),
        };
        let name = made
            .path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .unwrap_or_default();
        let (upto, sha256, bytes) = (made.upto, made.sha256.to_string(), made.bytes);
        let noted = self
            .session
            .ask(move |store| store.file_made(sequence, upto, &sha256, bytes, &name));
        if self.try_book(noted).is_none() {
            return;
        }
        let reloaded = self.reload_day();
        self.try_book(reloaded);
        let size = size_text(made.bytes);
        let what = if made.sealed {
            words.f("The day's file is made and sealed to the office: {0}.", &[&size])
        } else {
            words.f("The day's file is made: {0}.", &[&size])
        };
        let place = made.path.display().to_string();
        if made.missing_photos == 0 {
            self.say(NoticeKind::Info, what, place);
            return self.hand_out(&made.path);
        }
        let missing = words.n(
            "{0} photo is not in it: its file is missing or changed on this phone. csv/photos.csv in the file names it.",
            "{0} photos are not in it: their files are missing or changed on this phone. csv/photos.csv in the file names them.",
            made.missing_photos,
        );
        self.say(NoticeKind::Warning, format!("{what} {missing}"), place);
        self.hand_out(&made.path);
    }

    fn say_not_sent(&mut self, error: &SendError) {
        let text = explain::send(error, self.session.words());
        self.say(NoticeKind::Failure, text.what, text.advice);
    }

    /// Takes note of the file made last of today.
    pub(crate) fn take_day_files(&mut self, files: Vec<SentFile>) {
        let today = self.session.today();
        self.send.last_today = files.into_iter().find(|file| file.day == today);
    }

    /// Says whether today's file is being made or has been made; nothing otherwise.
    pub(crate) fn day_file_text(&self) -> Option<String> {
        let words = self.session.words();
        if self.send.running.is_some() {
            return Some(words.t("the day's file is being made"));
        }
        let file = self.send.last_today.as_ref()?;
        Some(words.f(
            "file {0} made at {1}",
            &[&file.sequence.to_string(), &file.begun_at.format("%H:%M").to_string()],
        ))
    }
}
