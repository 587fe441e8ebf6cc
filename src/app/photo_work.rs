//! The two threads behind photos: one takes pictures in, one reads kept photos for the screen.
//!
//! A picture to be taken in is first copied into the inbox beside the book; from then on a kill loses nothing, because the
//! inbox is taken up again at the next start. What is in the inbox leaves it when its record is on disk, or when it turns
//! out to be no picture. The record is written under the id of its line in the inbox, so that it is kept once however
//! often the work is begun again.

use crate::app::session::Wake;
use crate::domain::record::{LidId, Op, Photo, PhotoId, PhotoPart, SiteId, Station, StopId, TankId, changes};
use crate::exchange::photo::{self, MAX_FILE_BYTES, PhotoError};
use crate::store::StoreError;
use crate::store::blobs::{Blobs, entries, write_whole};
use crate::store::desk::Handle;
use chrono::{DateTime, FixedOffset};
use image::RgbImage;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use uuid::Uuid;

/// How often the work on a picture may be cut off before it is taken for one that cannot be read at all.
const TRIES: u32 = 3;
/// Requests for the screen that are waited for at most; older ones have been scrolled away.
const WANTED: usize = 48;

/// What a photo belongs to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Belongs {
    /// The site.
    pub site: SiteId,
    /// The stop, if at one.
    pub stop: Option<StopId>,
    /// The station of the stop.
    pub station: Option<Station>,
    /// What it shows.
    pub part: PhotoPart,
    /// Which tank.
    pub tank: Option<TankId>,
    /// Which lid.
    pub lid: Option<LidId>,
}

/// A picture to be taken in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// The photo's id, and that of the action that keeps it.
    pub id: Uuid,
    /// What it belongs to.
    pub belongs: Belongs,
    /// When it was handed over.
    pub at: DateTime<FixedOffset>,
    /// The camera's own data stay in the kept file.
    pub keep_camera_data: bool,
    /// What the file was called, to name it in a sentence.
    pub name: String,
}

/// One line of the inbox, as JSON beside the picture.
#[derive(Deserialize, Serialize)]
struct Line {
    site: Uuid,
    stop: Option<Uuid>,
    station: Option<String>,
    part: String,
    tank: Option<Uuid>,
    lid: Option<Uuid>,
    at: String,
    keep_camera_data: bool,
    name: String,
    tries: u32,
}

impl Line {
    fn of(order: &Order, tries: u32) -> Self {
        let belongs = &order.belongs;
        Self {
            site: belongs.site.0,
            stop: belongs.stop.map(|id| id.0),
            station: belongs.station.map(|station| station.word().to_owned()),
            part: belongs.part.word().to_owned(),
            tank: belongs.tank.map(|id| id.0),
            lid: belongs.lid.map(|id| id.0),
            at: order.at.to_rfc3339(),
            keep_camera_data: order.keep_camera_data,
            name: order.name.clone(),
            tries,
        }
    }

    fn order(self, id: Uuid) -> Option<Order> {
        Some(Order {
            id,
            belongs: Belongs {
                site: SiteId(self.site),
                stop: self.stop.map(StopId),
                station: self.station.as_deref().and_then(Station::from_word),
                part: PhotoPart::from_word(&self.part).unwrap_or_default(),
                tank: self.tank.map(TankId),
                lid: self.lid.map(LidId),
            },
            at: DateTime::parse_from_rfc3339(&self.at).ok()?,
            keep_camera_data: self.keep_camera_data,
            name: self.name,
        })
    }
}

/// Why a picture was not taken in.
#[derive(Debug, thiserror::Error)]
pub enum TakeError {
    /// The file cannot be read.
    #[error("cannot read the file: {0}")]
    Source(std::io::Error),
    /// It is no picture that can be kept.
    #[error("{0}")]
    Photo(#[from] PhotoError),
    /// The picture cannot be copied beside the book.
    #[error("{0}")]
    Copy(StoreError),
    /// The book or the folder beside it refused; the picture waits in the inbox.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// Working on it ended the program more than once.
    #[error("working on it was cut off {0} times")]
    CutOff(u32),
}

/// What became of a picture.
#[derive(Debug)]
pub enum News {
    /// It lies in the inbox: a kill cannot lose it any more.
    Safe(Uuid),
    /// It is a photo in the book.
    Kept(Uuid),
    /// The same picture was there already, at the same stop.
    Known(Uuid),
    /// It was refused and is out of the inbox; the file it came from has not been touched.
    Refused {
        /// What the file was called.
        name: String,
        /// Why.
        error: TakeError,
    },
    /// It waits in the inbox until the next picture or the next start.
    Waits {
        /// What the file was called.
        name: String,
        /// Why.
        error: TakeError,
    },
}

enum Ask {
    Take(Box<Order>, PathBuf),
    /// Tries again what has to wait.
    Again,
    /// Answers when everything handed over before has been worked on.
    Settled(Sender<()>),
}

/// The thread that takes pictures in.
#[derive(Debug)]
pub struct Intake {
    asks: Option<Sender<Ask>>,
    news: Receiver<News>,
    thread: Option<JoinHandle<()>>,
}

impl Intake {
    /// Begins with what lies in the inbox.
    #[must_use]
    pub fn new(blobs: Blobs, book: Handle, wake: Wake) -> Self {
        let (asks, inbox) = channel();
        let (report, news) = channel();
        let worker = Worker {
            blobs,
            book,
            wake,
            report,
        };
        Self {
            asks: Some(asks),
            news,
            thread: Some(std::thread::spawn(move || worker.serve(&inbox))),
        }
    }

    /// Hands over a picture and returns at once.
    ///
    /// * returns: whether the thread is there to take it
    #[must_use]
    pub fn take(&self, order: Order, from: PathBuf) -> bool {
        self.ask(Ask::Take(Box::new(order), from))
    }

    /// Tries again what has to wait, when the reason may be gone.
    pub fn try_again(&self) {
        // A thread that has ended has nothing waiting in its hands; the inbox is there at the next start.
        let _ = self.ask(Ask::Again);
    }

    /// Waits until everything handed over has been worked on.
    pub fn settle(&self) {
        let (answer, wait) = channel();
        if self.ask(Ask::Settled(answer)) {
            // An error means that the thread has ended: then nothing is left to wait for.
            let _ = wait.recv();
        }
    }

    fn ask(&self, ask: Ask) -> bool {
        self.asks.as_ref().is_some_and(|asks| asks.send(ask).is_ok())
    }

    /// Returns the news since the last call, without waiting.
    pub fn news(&self) -> impl Iterator<Item = News> + '_ {
        self.news.try_iter()
    }
}

impl Drop for Intake {
    fn drop(&mut self) {
        self.asks = None;
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

struct Worker {
    blobs: Blobs,
    book: Handle,
    wake: Wake,
    report: Sender<News>,
}

/// What is to be done with a line of the inbox after it has been worked on.
enum Done {
    /// It leaves the inbox.
    Leaves(News),
    /// It stays for another time.
    Stays(News),
}

impl Worker {
    fn serve(&self, asks: &Receiver<Ask>) {
        // Pictures waiting in the inbox, oldest first; those that could not be kept are left for the next round.
        let mut waiting = self.left_over();
        let mut settled: Vec<Sender<()>> = Vec::new();
        loop {
            // Copying comes first: a picture is safe once it lies in the inbox.
            let ask = if waiting.is_empty() {
                for answer in settled.drain(..) {
                    let _ = answer.send(());
                }
                match asks.recv() {
                    Ok(ask) => Some(ask),
                    Err(_) => return,
                }
            } else {
                match asks.try_recv() {
                    Ok(ask) => Some(ask),
                    Err(TryRecvError::Empty) => None,
                    // The program is closing: what is in the inbox is taken up again at the next start.
                    Err(TryRecvError::Disconnected) => return,
                }
            };
            match ask {
                Some(Ask::Take(order, from)) => match self.copy_in(&order, &from) {
                    Ok(()) => {
                        self.tell(News::Safe(order.id));
                        // Room may have been made since others had to wait.
                        waiting = self.left_over();
                    }
                    Err(error) => self.tell(News::Refused {
                        name: order.name.clone(),
                        error,
                    }),
                },
                Some(Ask::Again) => waiting = self.left_over(),
                Some(Ask::Settled(answer)) => settled.push(answer),
                None => {
                    if let Some(line) = waiting.pop_front() {
                        self.work_on(&line);
                    }
                }
            }
        }
    }

    fn tell(&self, news: News) {
        // Nobody listening means the program is closing.
        drop(self.report.send(news));
        (self.wake)();
    }

    fn picture(&self, id: Uuid) -> PathBuf {
        self.blobs.inbox().join(format!("{id}.picture"))
    }

    fn line(&self, id: Uuid) -> PathBuf {
        self.blobs.inbox().join(format!("{id}.json"))
    }

    /// The inbox, oldest first: ids count up with time. What was being copied when the program was cut off is cleared away.
    fn left_over(&self) -> VecDeque<Uuid> {
        let inbox = self.blobs.inbox();
        let paths = entries(&inbox).unwrap_or_default();
        let id_of = |path: &Path| {
            let name = path.file_stem()?.to_str()?;
            Uuid::parse_str(name).ok()
        };
        for path in &paths {
            // A file that was still being written has another name than that of a picture.
            if !id_of(path).is_some_and(|id| self.line(id).is_file()) {
                // Its source was never touched; a copy that cannot be removed now is tried again at the next start.
                drop(std::fs::remove_file(path));
            }
        }
        paths
            .iter()
            .filter(|path| path.extension().is_some_and(|ending| ending == "json"))
            .filter_map(|path| id_of(path))
            .collect()
    }

    /// Copies a picture into the inbox; the line beside it, written last, makes it count.
    fn copy_in(&self, order: &Order, from: &Path) -> Result<(), TakeError> {
        let bytes = read_capped(from)?;
        write_whole(&self.picture(order.id), &bytes)
            .and_then(|()| self.write_line(order, 0))
            .map_err(TakeError::Copy)
    }

    fn write_line(&self, order: &Order, tries: u32) -> Result<(), StoreError> {
        let path = self.line(order.id);
        let json = serde_json::to_vec(&Line::of(order, tries))
            .map_err(|error| StoreError::file("write the file", &path)(error.into()))?;
        write_whole(&path, &json)
    }

    fn work_on(&self, id: &Uuid) {
        let id = *id;
        let read = std::fs::read(self.line(id)).map_err(TakeError::Source);
        let line = read
            .and_then(|json| serde_json::from_slice::<Line>(&json).map_err(|error| TakeError::Source(error.into())));
        let done = match line {
            Ok(line) => {
                let (tries, name) = (line.tries, line.name.clone());
                match line.order(id) {
                    Some(order) => self.finish(&order, tries),
                    None => Done::Leaves(News::Refused {
                        name,
                        error: TakeError::Source(std::io::ErrorKind::InvalidData.into()),
                    }),
                }
            }
            Err(error) => Done::Leaves(News::Refused {
                name: id.to_string(),
                error,
            }),
        };
        match done {
            Done::Leaves(news) => {
                // The line goes first: a picture without a line is cleared away at the next start.
                drop(std::fs::remove_file(self.line(id)));
                drop(std::fs::remove_file(self.picture(id)));
                self.tell(news);
            }
            Done::Stays(news) => self.tell(news),
        }
    }

    fn finish(&self, order: &Order, tries: u32) -> Done {
        let name = order.name.clone();
        if tries >= TRIES {
            return Done::Leaves(News::Refused {
                name,
                error: TakeError::CutOff(tries),
            });
        }
        // Counted before the work begins: a picture that ends the program must not do so at every start.
        if let Err(error) = self.write_line(order, tries + 1) {
            return Done::Stays(News::Waits {
                name,
                error: error.into(),
            });
        }
        match self.keep(order) {
            Ok(true) => Done::Leaves(News::Kept(order.id)),
            Ok(false) => Done::Leaves(News::Known(order.id)),
            Err(TakeError::Store(error)) => {
                // This end was no cut; a full device may stay full for many starts.
                drop(self.write_line(order, tries));
                Done::Stays(News::Waits {
                    name,
                    error: error.into(),
                })
            }
            Err(error) => Done::Leaves(News::Refused { name, error }),
        }
    }

    /// Makes the photo and keeps it; `false` when the stop has it already.
    fn keep(&self, order: &Order) -> Result<bool, TakeError> {
        let bytes = read_capped(&self.picture(order.id))?;
        let made = photo::prepare(&bytes, order.keep_camera_data)?;
        drop(bytes);
        self.blobs.keep(&made.hash, &made.jpeg, &made.thumbnail)?;
        let belongs = order.belongs;
        let photo = Photo {
            id: PhotoId(order.id),
            site: belongs.site,
            stop: belongs.stop,
            station: belongs.station,
            part: belongs.part,
            tank: belongs.tank,
            lid: belongs.lid,
            place: 0,
            hash: made.hash,
            width_px: made.width_px.into(),
            height_px: made.height_px.into(),
            added_at: order.at,
            taken_at: made.camera.taken(*order.at.offset()),
            lat_e7: made.camera.position_e7.map(|(lat, _)| lat),
            lon_e7: made.camera.position_e7.map(|(_, lon)| lon),
            ..Photo::default()
        };
        let (id, at) = (order.id, order.at);
        let kept = self.book.ask(move |store| {
            if store.has_same_photo(&photo)? {
                return Ok(false);
            }
            let photo = Photo {
                place: store.next_photo_place(photo.site)?,
                ..photo
            };
            store.keep(&Op {
                id,
                stop: photo.stop,
                at,
                label: "photo".to_owned(),
                undoable: photo.stop.is_some(),
                changes: changes(&[], std::slice::from_ref(&photo)),
            })?;
            Ok(true)
        })?;
        Ok(kept)
    }
}

/// Reads a file of at most [`MAX_FILE_BYTES`], whatever its size is said to be.
fn read_capped(path: &Path) -> Result<Vec<u8>, TakeError> {
    let file = File::open(path).map_err(TakeError::Source)?;
    let said = file.metadata().map_err(TakeError::Source)?;
    if said.is_dir() {
        return Err(TakeError::Source(std::io::ErrorKind::IsADirectory.into()));
    }
    let too_many = |bytes: u64| {
        TakeError::Photo(PhotoError::TooManyBytes {
            megabytes: bytes.div_ceil(1 << 20),
        })
    };
    if said.len() > MAX_FILE_BYTES as u64 {
        return Err(too_many(said.len()));
    }
    let mut bytes = Vec::new();
    file.take(MAX_FILE_BYTES as u64 + 1)
        .read_to_end(&mut bytes)
        .map_err(TakeError::Source)?;
    if bytes.len() > MAX_FILE_BYTES {
        return Err(too_many(bytes.len() as u64));
    }
    Ok(bytes)
}

/// Which file of a photo is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Size {
    /// The thumbnail.
    Small,
    /// The photo itself.
    Large,
}

/// Names one picture for the screen: which photo, which size.
pub type Wanted = (String, Size);

/// A picture read for the screen; `None` when its file is missing or damaged.
pub type Shown = (Wanted, Option<RgbImage>);

#[derive(Default)]
struct Wishes {
    list: VecDeque<Wanted>,
    /// Wishes that are being read, or read and not taken up yet.
    in_hand: usize,
    closing: bool,
}

/// The thread that reads kept photos for the screen, the newest wish first.
#[derive(Debug)]
pub struct Viewer {
    wishes: Arc<(Mutex<Wishes>, Condvar)>,
    shown: Receiver<Shown>,
    thread: Option<JoinHandle<()>>,
}

impl std::fmt::Debug for Wishes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Wishes")
            .field("waiting", &self.list.len())
            .finish_non_exhaustive()
    }
}

/// Whoever held the lock did nothing that could be half done.
fn locked(wishes: &Mutex<Wishes>) -> MutexGuard<'_, Wishes> {
    wishes.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Viewer {
    /// Waits for wishes.
    #[must_use]
    pub fn new(blobs: Blobs, wake: Wake) -> Self {
        let wishes = Arc::new((Mutex::new(Wishes::default()), Condvar::new()));
        let (report, shown) = channel();
        let theirs = wishes.clone();
        let thread = std::thread::spawn(move || {
            while let Some(wanted) = next_wish(&theirs) {
                let path = match wanted.1 {
                    Size::Small => blobs.thumbnail(&wanted.0),
                    Size::Large => blobs.picture(&wanted.0),
                };
                let picture = path
                    .and_then(|path| read_capped(&path).ok())
                    .and_then(|bytes| photo::decode_kept(&bytes).ok());
                if report.send((wanted, picture)).is_err() {
                    return;
                }
                wake();
            }
        });
        Self {
            wishes,
            shown,
            thread: Some(thread),
        }
    }

    /// Wishes for a picture; returns at once. A wish that stands already moves to the front.
    pub fn wish(&self, wanted: Wanted) {
        let (lock, bell) = &*self.wishes;
        let mut wishes = locked(lock);
        wishes.list.retain(|other| *other != wanted);
        wishes.list.push_back(wanted);
        if wishes.list.len() > WANTED {
            wishes.list.pop_front();
        }
        drop(wishes);
        bell.notify_one();
    }

    /// Returns what has been read since the last call, without waiting.
    #[must_use]
    pub fn shown(&self) -> Vec<Shown> {
        let shown = self.shown.try_iter().collect::<Vec<_>>();
        let mut wishes = locked(&self.wishes.0);
        wishes.in_hand = wishes.in_hand.saturating_sub(shown.len());
        shown
    }

    /// Whether something wished for has not been taken up yet.
    #[must_use]
    pub fn is_busy(&self) -> bool {
        let wishes = locked(&self.wishes.0);
        wishes.in_hand > 0 || !wishes.list.is_empty()
    }
}

fn next_wish(wishes: &(Mutex<Wishes>, Condvar)) -> Option<Wanted> {
    let (lock, bell) = wishes;
    let mut wishes = locked(lock);
    loop {
        if wishes.closing {
            return None;
        }
        if let Some(wanted) = wishes.list.pop_back() {
            wishes.in_hand += 1;
            return Some(wanted);
        }
        wishes = bell.wait(wishes).unwrap_or_else(PoisonError::into_inner);
    }
}

impl Drop for Viewer {
    fn drop(&mut self) {
        let (lock, bell) = &*self.wishes;
        locked(lock).closing = true;
        bell.notify_one();
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}
