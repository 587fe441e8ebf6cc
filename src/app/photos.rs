//! Photos of a stop: taken in behind the screen, listed, linked to what they show, marked, and measured on.

use crate::app::device::{FileKind, Request};
use crate::app::dig::lid_title;
use crate::app::explain;
use crate::app::overlay::{Confirm, ConfirmTarget, PadKind, PadTarget, Picker, PickerTarget, SheetTarget};
use crate::app::page::photo_part;
use crate::app::photo_work::{Belongs, Intake, News, Order, Size, TakeError, Viewer, Wanted};
use crate::app::session::Session;
use crate::app::shell::{App, NoticeKind, Screen};
use crate::app::stop::{StopState, stepped};
use crate::domain::mark::{Mark, MeasureError, Measured, Spot, Stretch, measure};
use crate::domain::record::{LidId, Photo, PhotoId, PhotoPart, Station, StopId, TankId, Units, changes};
use crate::domain::units::{Length, round_to_i64};
use crate::exchange::photo_marks;
use crate::say::lettering::count;
use crate::store::StoreError;
use crate::store::blobs::{Blobs, entries};
use image::RgbImage;
use std::cell::{OnceCell, RefCell};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// Thumbnails kept ready to be shown: some screens full, 15 MB at the most.
const SMALL_READY: usize = 64;
/// Photos kept ready to be shown in full size, 6 MB each.
const LARGE_READY: usize = 3;
/// Files offered to choose from, the newest first.
const OFFERED: usize = 200;
/// The standard error of a fingertip that sees its line follow, dp: about 1 mm on a phone's screen (our judgement).
const AIM_DP: f64 = 6.0;
/// A finger that moves less than this has tapped.
const TAP_DP: f64 = 12.0;

/// Lists picture files, the newest first; given by whoever knows where this device keeps them.
pub type ListPictures = Box<dyn Fn() -> std::io::Result<Vec<PathBuf>>>;

/// Where new pictures come from.
pub struct PictureSource {
    /// What the camera has taken, when this device has one or a folder stands for it.
    pub camera: Option<ListPictures>,
    /// Pictures that lie on this device.
    pub files: ListPictures,
}

impl std::fmt::Debug for PictureSource {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PictureSource")
            .field("camera", &self.camera.is_some())
            .finish_non_exhaustive()
    }
}

/// What can be drawn on a photo.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Tool {
    /// Nothing: the photo is only looked at.
    #[default]
    None,
    /// An arrow.
    Arrow,
    /// A circle.
    Circle,
    /// Something whose length is known.
    Known,
    /// A length measured against the known one.
    Measure,
}

/// What a photo shows, to ask for the last one of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PhotoOf {
    /// This lid.
    Lid(LidId),
    /// This part, of any tank.
    Part(PhotoPart),
}

/// The photos of the stop on the screen.
#[derive(Debug, Default)]
pub(crate) struct PhotoState {
    /// The site's photos, in the order they were taken in.
    pub list: Vec<Photo>,
    pub selected: Option<PhotoId>,
    pub tool: Tool,
    /// The first of two taps.
    first: Option<Spot>,
    /// Where a finger went down, and where it is.
    drag: Option<((f64, f64), (f64, f64))>,
    /// A known length that waits for its number.
    unsized_known: Option<(Stretch, u32)>,
    area: (f64, f64),
    /// What may be chosen in the open list of files.
    offered: Vec<PathBuf>,
    /// Counts up whenever the list differs.
    revision: u64,
}

/// The threads behind the photos, and what they have made ready.
#[derive(Debug)]
pub(crate) struct Photos {
    blobs: Blobs,
    intake: Option<Intake>,
    viewer: OnceCell<Viewer>,
    source: Option<PictureSource>,
    under_way: usize,
    /// Files the device's camera wrote, by the photo they become: removed once that is safe.
    from_device: Vec<(uuid::Uuid, PathBuf)>,
    ready: RefCell<Ready>,
}

/// Pictures ready to be shown, the last used at the end.
#[derive(Debug, Default)]
struct Ready {
    list: VecDeque<(Wanted, Picture)>,
    arrived: Vec<String>,
}

impl Ready {
    fn get(&mut self, wanted: &Wanted) -> Option<Picture> {
        let at = self.list.iter().position(|(other, _)| other == wanted)?;
        let found = self.list.remove(at)?;
        let picture = found.1.clone();
        self.list.push_back(found);
        Some(picture)
    }

    fn put(&mut self, wanted: Wanted, picture: Picture) {
        self.list.retain(|(other, _)| *other != wanted);
        let most = match wanted.1 {
            Size::Small => SMALL_READY,
            Size::Large => LARGE_READY,
        };
        let same = |(other, _): &(Wanted, Picture)| other.1 == wanted.1;
        if self.list.iter().filter(|entry| same(entry)).count() >= most
            && let Some(oldest) = self.list.iter().position(same)
        {
            drop(self.list.remove(oldest));
        }
        self.arrived.push(wanted.0.clone());
        self.list.push_back((wanted, picture));
    }
}

/// How a picture for the screen stands.
#[derive(Clone, Debug, Default)]
pub enum Picture {
    /// It is being read.
    #[default]
    Coming,
    /// Here it is.
    Here(Rc<RgbImage>),
    /// Its file is missing or damaged.
    Missing,
}

/// What the list of photos shows around its rows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PhotosView {
    /// How many photos.
    pub count_text: String,
    /// How many are being taken in; empty when none is.
    pub busy_text: String,
    /// A camera, or a folder that stands for one, is there.
    pub has_camera: bool,
}

/// One row of the list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PhotoLine {
    /// What it shows.
    pub title: String,
    /// When, and how many marks.
    pub detail: String,
    /// What was noted.
    pub note: String,
}

/// One mark, ready to be drawn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MarkPath {
    /// A path in dp of the picture's place.
    pub commands: String,
    /// It is being drawn at this moment, or is only the first of two taps.
    pub unfinished: bool,
}

/// A label of a mark.
#[derive(Clone, Debug, PartialEq)]
pub struct MarkLabel {
    /// Its middle, dp.
    pub x: f64,
    /// Its middle, dp.
    pub y: f64,
    /// The words.
    pub text: String,
}

/// What the screen of one photo shows.
#[derive(Clone, Debug, Default)]
pub struct PhotoView {
    /// Names the photo.
    pub id: String,
    /// What it shows.
    pub part: String,
    /// When it was taken, and at which station.
    pub detail: String,
    /// "2 of 14".
    pub count_text: String,
    /// There is a newer one.
    pub can_previous: bool,
    /// There is an older one.
    pub can_next: bool,
    /// What was noted.
    pub note: String,
    /// The picture.
    pub picture: Picture,
    /// Why there is no picture; empty when there is one, or it is on its way.
    pub missing_text: String,
    /// The marks.
    pub marks: Vec<MarkPath>,
    /// Their labels.
    pub labels: Vec<MarkLabel>,
    /// What is being drawn.
    pub tool: Tool,
    /// How to draw it, or what a measured length is worth.
    pub hint: String,
    /// There are marks to take off.
    pub has_marks: bool,
}

/// Where a picture lies in its place on the screen, the whole of it showing.
#[derive(Clone, Copy, Debug)]
struct Place {
    x: f64,
    y: f64,
    /// dp for one pixel of the picture.
    scale: f64,
    width_px: f64,
    height_px: f64,
}

impl Place {
    fn of(photo: &Photo, area: (f64, f64)) -> Option<Self> {
        let side = |px: i64| u32::try_from(px).ok().filter(|px| *px > 0).map(f64::from);
        let (width_px, height_px) = (side(photo.width_px)?, side(photo.height_px)?);
        let scale = (area.0 / width_px).min(area.1 / height_px);
        (scale.is_finite() && scale > 0.0).then_some(Self {
            x: (area.0 - width_px * scale) / 2.0,
            y: (area.1 - height_px * scale) / 2.0,
            scale,
            width_px,
            height_px,
        })
    }

    /// The pixel under a place on the screen, the nearest one when that lies beside the picture.
    fn spot(&self, (x, y): (f64, f64)) -> Option<Spot> {
        let pixel = |at: f64, from: f64, most: f64| {
            let px = ((at - from) / self.scale).clamp(0.0, most - 1.0);
            round_to_i64(px).and_then(|px| u32::try_from(px).ok())
        };
        Some(Spot {
            x: pixel(x, self.x, self.width_px)?,
            y: pixel(y, self.y, self.height_px)?,
        })
    }

    fn dp(&self, spot: Spot) -> (f64, f64) {
        (
            self.x + f64::from(spot.x) * self.scale,
            self.y + f64::from(spot.y) * self.scale,
        )
    }

    /// How far a tap may miss, in pixels of the picture.
    fn aim_px(&self) -> u32 {
        round_to_i64((AIM_DP / self.scale).ceil())
            .and_then(|px| u32::try_from(px).ok())
            .unwrap_or(u32::MAX)
    }
}

impl PhotoState {
    pub fn with(list: Vec<Photo>) -> Self {
        Self {
            list,
            ..Self::default()
        }
    }

    /// Takes in the photos as the book has them now.
    pub fn set(&mut self, list: Vec<Photo>) {
        if self.list != list {
            self.list = list;
            self.revision += 1;
        }
        if self.photo().is_none() {
            self.selected = None;
            self.put_down();
        }
    }

    fn photo(&self) -> Option<&Photo> {
        let selected = self.selected?;
        self.list.iter().find(|photo| photo.id == selected)
    }

    /// Ends what is being drawn.
    fn put_down(&mut self) {
        self.tool = Tool::None;
        self.first = None;
        self.drag = None;
        self.unsized_known = None;
    }
}

/// The stop's photos, the newest first.
fn of_stop(state: &StopState) -> Vec<&Photo> {
    let stop = state.stop_id();
    state
        .photos
        .list
        .iter()
        .rev()
        .filter(|photo| photo.stop == stop)
        .collect()
}

impl Photos {
    pub fn new(session: &Session) -> Self {
        let blobs = Blobs::beside(session.book());
        // A folder that cannot be read now is read when a picture is taken in, and the reason is said then.
        let left_over = entries(&blobs.inbox()).is_ok_and(|list| !list.is_empty());
        let mut photos = Self {
            blobs,
            intake: None,
            viewer: OnceCell::new(),
            source: None,
            under_way: 0,
            from_device: Vec::new(),
            ready: RefCell::default(),
        };
        if left_over {
            photos.begin(session);
        }
        photos
    }

    fn begin(&mut self, session: &Session) -> &Intake {
        self.intake
            .get_or_insert_with(|| Intake::new(self.blobs.clone(), session.handle(), session.wake()))
    }

    /// A picture of the camera lies safe with the book: its own file only takes room now.
    fn drop_device_file(&mut self, id: uuid::Uuid) {
        if let Some(at) = self.from_device.iter().position(|(other, _)| *other == id) {
            let (_, path) = self.from_device.swap_remove(at);
            // What cannot be removed is found again at the next start.
            drop(std::fs::remove_file(path));
        }
    }

    /// A picture of a photo, when it is ready; otherwise it is wished for.
    fn picture(&self, session: &Session, hash: &str, size: Size) -> Picture {
        let wanted = (hash.to_owned(), size);
        if let Some(picture) = self.ready.borrow_mut().get(&wanted) {
            return picture;
        }
        self.viewer
            .get_or_init(|| Viewer::new(self.blobs.clone(), session.wake()))
            .wish(wanted);
        Picture::Coming
    }
}

impl App {
    /// Says where new pictures come from on this device.
    pub fn set_picture_source(&mut self, source: PictureSource) {
        self.photos.source = Some(source);
    }

    /// Takes a picture file in as a photo of the stop on the screen. Returns at once; the work is done behind the screen.
    pub fn take_photo(&mut self, from: &Path) {
        let Some(belongs) = self.photo_belongs() else {
            self.say_nothing_to_do("No stop is open.", "Begin a stop, then take its photos.");
            return;
        };
        let id = self.session.new_id();
        if from.parent() == Some(self.camera_folder().as_path()) {
            self.photos.from_device.push((id, from.to_owned()));
        }
        let order = Order {
            id,
            belongs,
            at: self.session.now(),
            keep_camera_data: self.session.setup().keep_camera_data,
            name: file_name(from),
        };
        let name = order.name.clone();
        if self.photos.begin(&self.session).take(order, from.to_owned()) {
            self.photos.under_way += 1;
            return;
        }
        // The thread has ended, which it does on a fault of its own only; another one takes the inbox up again.
        self.photos.intake = None;
        self.photos.under_way = 0;
        self.say_not_taken(&name, &TakeError::Store(StoreError::Closed), NoticeKind::Failure);
    }

    /// The folder the device's camera writes into.
    pub(crate) fn camera_folder(&self) -> PathBuf {
        self.slips.with_file_name("camera")
    }

    /// The device's camera has written a picture, or the person chose one.
    pub(crate) fn take_device_picture(&mut self, path: &Path) {
        let is_under_way = self.photos.from_device.iter().any(|(_, known)| known == path);
        // Already taken in as one that was left over; the phone tells of it once more after a restart.
        if is_under_way || !path.exists() {
            return;
        }
        if self.photo_belongs().is_none() {
            self.say_nothing_to_do(
                "A picture was taken, but no stop is open.",
                "Open its stop and tap Photos: the picture waits until then.",
            );
            return;
        }
        self.take_photo(path);
    }

    /// The camera was left without a picture: the file it was given is empty.
    pub(crate) fn no_device_picture(&mut self, path: &Path) {
        if path.parent() == Some(self.camera_folder().as_path()) {
            // A file that was never made need not be removed.
            drop(std::fs::remove_file(path));
        }
    }

    /// Takes in what the camera wrote when the app was ended, or the battery pulled, before it could tell.
    ///
    /// * `at_start`: nothing can be on its way yet, so that what is unfinished never will be finished
    pub(crate) fn take_in_pictures_left_over(&mut self, at_start: bool) {
        let Ok(folder) = std::fs::read_dir(self.camera_folder()) else {
            return;
        };
        let mut files = folder.flatten().map(|entry| entry.path()).collect::<Vec<_>>();
        files.sort();
        for path in files {
            let is_part = path.extension().is_some_and(|ending| ending == "part");
            let is_empty = std::fs::metadata(&path).is_ok_and(|about| about.len() == 0);
            if is_part || is_empty {
                if at_start {
                    self.no_device_picture(&path);
                }
            } else if self.photo_belongs().is_some() {
                self.take_device_picture(&path);
            }
        }
    }

    /// What a photo taken now belongs to: the stop, the station, and what is selected there.
    fn photo_belongs(&self) -> Option<Belongs> {
        let state = self.stop.as_ref()?;
        let stop = state.stop_id()?;
        let station = state.visit.stop.station;
        let lid = state.lids().get(state.lid).map(|lid| (lid.id, lid.tank));
        let tapped = state.page.part.map(|(part, lid)| (photo_part(part), lid));
        let (part, tank, lid) = match station {
            _ if tapped.is_some() => (
                tapped.map(|(part, _)| part).unwrap_or_default(),
                state.tank().map(|tank| tank.id),
                tapped.and_then(|(_, lid)| lid),
            ),
            Station::Find => (PhotoPart::Yard, None, None),
            Station::Dig => (PhotoPart::Lid, lid.map(|(_, tank)| tank), lid.map(|(lid, _)| lid)),
            Station::Read | Station::Pump => (PhotoPart::Other, state.tank().map(|tank| tank.id), None),
            Station::Leave => (PhotoPart::Other, None, None),
        };
        Some(Belongs {
            site: state.visit.site.id,
            stop: Some(stop),
            station: Some(station),
            part,
            tank,
            lid,
        })
    }

    fn say_not_taken(&mut self, name: &str, error: &TakeError, kind: NoticeKind) {
        let text = explain::photo(error, name, self.session.words());
        self.say(kind, text.what, text.advice);
    }

    /// Takes in what the threads have to tell; returns whether anything is to be drawn again.
    pub(crate) fn poll_photos(&mut self) -> bool {
        let mut any = false;
        if let Some(viewer) = self.photos.viewer.get() {
            for (wanted, picture) in viewer.shown() {
                let picture = picture.map_or(Picture::Missing, |picture| Picture::Here(Rc::new(picture)));
                self.photos.ready.borrow_mut().put(wanted, picture);
                any = true;
            }
        }
        let news = self
            .photos
            .intake
            .as_ref()
            .map(|intake| intake.news().collect::<Vec<_>>())
            .unwrap_or_default();
        let mut changed = false;
        for news in news {
            any = true;
            match news {
                News::Safe(id) => {
                    self.photos.drop_device_file(id);
                    continue;
                }
                News::Kept(_) => changed = true,
                News::Known(_) => {
                    self.say_nothing_to_do("This photo is on the list already.", "It was not added again.");
                }
                News::Refused { name, error } => self.say_not_taken(&name, &error, NoticeKind::Failure),
                News::Waits { name, error } => self.say_not_taken(&name, &error, NoticeKind::Warning),
            }
            self.photos.under_way = self.photos.under_way.saturating_sub(1);
        }
        if changed {
            self.reload_photos();
        }
        any
    }

    /// Waits until every picture handed over has been worked on, for tests and for work without a window.
    pub fn settle_photos(&mut self) {
        if let Some(intake) = self.photos.intake.as_ref() {
            intake.settle();
        }
        self.poll_photos();
    }

    /// Reads the site's photos again, and what Undo would take back.
    fn reload_photos(&mut self) {
        let Some((site, stop)) = self
            .stop
            .as_ref()
            .and_then(|state| Some((state.visit.site.id, state.stop_id()?)))
        else {
            return;
        };
        let read = self
            .session
            .ask(move |store| Ok((store.photos(site)?, store.undo_label(stop)?)));
        if let (Some((list, undo)), Some(state)) = (self.try_book(read), self.stop.as_mut()) {
            state.photos.set(list);
            state.undo_label = undo;
        }
    }

    /// Undo may have taken a photo away that is on the screen.
    pub(crate) fn leave_missing_photo(&mut self) {
        let gone = self.stop.as_ref().is_none_or(|state| state.photos.photo().is_none());
        if self.screen == Screen::Photo && gone {
            self.back();
        }
    }

    /// Shows the stop's photos.
    pub fn tap_photos(&mut self) {
        if self.stop.as_ref().and_then(StopState::stop_id).is_some() {
            if let Some(intake) = self.photos.intake.as_ref() {
                intake.try_again();
            }
            if self.has_device() {
                self.take_in_pictures_left_over(false);
            }
            self.go(Screen::Photos);
        }
    }

    /// Takes what the camera took last.
    pub fn tap_camera(&mut self) {
        let folder = self.camera_folder();
        if self.has_device() && self.photo_belongs().is_some() {
            if self.make_folder(&folder) {
                let path = folder.join(format!("{}.jpg", self.session.new_id()));
                self.ask_device(Request::TakePicture(path));
            }
            return;
        }
        let Some(list) = self.photos.source.as_ref().and_then(|source| source.camera.as_ref()) else {
            self.say_nothing_to_do("There is no camera here.", "Choose a file instead.");
            return;
        };
        match list() {
            Ok(files) => match files.first() {
                Some(newest) => {
                    let newest = newest.clone();
                    self.take_photo(&newest);
                }
                None => self.say_nothing_to_do("The camera has no photo yet.", "Take one, then tap again."),
            },
            Err(error) => self.say_no_pictures(&error),
        }
    }

    fn say_no_pictures(&mut self, error: &std::io::Error) {
        let words = self.session.words();
        self.say(
            NoticeKind::Failure,
            words.f("The folder of pictures cannot be read: {0}.", &[&error.to_string()]),
            words.t("Check that it is there and may be read."),
        );
    }

    /// Offers the pictures on this device.
    pub fn tap_photo_file(&mut self) {
        let folder = self.camera_folder();
        if self.has_device() && self.photo_belongs().is_some() {
            if self.make_folder(&folder) {
                self.ask_device(Request::PickFile {
                    folder,
                    kind: FileKind::Picture,
                });
            }
            return;
        }
        let listed = self.photos.source.as_ref().map(|source| (source.files)());
        let files = match listed {
            Some(Ok(files)) => files,
            Some(Err(error)) => return self.say_no_pictures(&error),
            None => Vec::new(),
        };
        let title = self.session.words().t("Which picture?");
        let Some(state) = self.stop.as_mut() else { return };
        if files.is_empty() {
            self.say_nothing_to_do(
                "There are no pictures to choose from.",
                "Put JPEG, PNG or WebP files into the folder of pictures.",
            );
            return;
        }
        state.photos.offered = files.into_iter().take(OFFERED).collect();
        let rows = state
            .photos
            .offered
            .iter()
            .map(|path| {
                let folder = path.parent().map(|folder| folder.display().to_string());
                (file_name(path), folder.unwrap_or_default())
            })
            .collect();
        self.picker = Some(Picker {
            target: PickerTarget::PhotoFile,
            title,
            rows,
            selected: None,
        });
    }

    pub(crate) fn choose_photo_file(&mut self, index: usize) {
        let chosen = self
            .stop
            .as_mut()
            .map(|state| std::mem::take(&mut state.photos.offered))
            .and_then(|offered| offered.into_iter().nth(index));
        if let Some(path) = chosen {
            self.take_photo(&path);
        }
    }

    /// Opens a photo of the list, counted from the newest.
    pub fn tap_photo(&mut self, row: usize) {
        let Some(state) = self.stop.as_mut() else { return };
        let Some(id) = of_stop(state).get(row).map(|photo| photo.id) else {
            return;
        };
        state.photos.selected = Some(id);
        state.photos.put_down();
        self.go(Screen::Photo);
    }

    /// Whether a photo is selected that [`Screen::Photo`] can show.
    pub(crate) fn has_photo(&self) -> bool {
        self.stop.as_ref().is_some_and(|state| state.photos.photo().is_some())
    }

    /// Shows an older or a newer photo.
    pub fn step_photo(&mut self, by: isize) {
        let Some(state) = self.stop.as_mut() else { return };
        let ids = of_stop(state).iter().map(|photo| photo.id).collect::<Vec<_>>();
        let at = ids.iter().position(|id| Some(*id) == state.photos.selected);
        if let Some(id) = at.and_then(|at| ids.get(stepped(at, by, ids.len()))) {
            state.photos.selected = Some(*id);
            state.photos.put_down();
        }
    }

    /// Changes the photo on the screen: one action, kept at once, and one step of Undo.
    fn change_photo(&mut self, label: &str, change: impl FnOnce(&mut Photo)) {
        let Some(state) = self.stop.as_mut() else { return };
        let stop = state.stop_id();
        let Some(selected) = state.photos.selected else { return };
        let Some(photo) = state.photos.list.iter_mut().find(|photo| photo.id == selected) else {
            return;
        };
        let before = photo.clone();
        change(photo);
        let list = changes(&[before], std::slice::from_ref(photo));
        if list.is_empty() {
            return;
        }
        state.photos.revision += 1;
        state.photos.list.retain(|photo| !photo.removed);
        state.undo_label = Some(label.to_owned());
        self.session.keep(stop, label, true, list);
    }

    /// Asks whether the photo on the screen is to go.
    pub fn tap_photo_remove(&mut self) {
        if !self.has_photo() {
            return;
        }
        let words = self.session.words();
        self.confirm = Some(Confirm {
            target: ConfirmTarget::RemovePhoto,
            title: words.t("Take this photo off the list?"),
            sentence: words.t("Its note and its marks go with it. Undo brings all of it back."),
            yes: words.t("Take away"),
            no: words.t("Leave it"),
        });
    }

    /// Takes the photo on the screen away; Undo brings it back.
    pub(crate) fn remove_photo(&mut self) {
        if !self.has_photo() {
            return;
        }
        self.change_photo("photo taken away", |photo| photo.removed = true);
        if let Some(state) = self.stop.as_mut() {
            state.photos.selected = None;
            state.photos.put_down();
        }
        self.leave_missing_photo();
    }

    /// Opens the note on the photo.
    pub fn tap_photo_note(&mut self) {
        let note = self
            .stop
            .as_ref()
            .and_then(|state| state.photos.photo())
            .map(|photo| photo.note.clone());
        if let Some(note) = note {
            self.open_sheet(SheetTarget::PhotoNote, "What the photo shows", note, true);
        }
    }

    pub(crate) fn set_photo_note(&mut self, note: String) {
        self.change_photo("photo note", |photo| photo.note = note);
    }

    /// What a photo can be linked to: each lid by its name, then the parts.
    fn photo_choices(&self) -> Vec<(PhotoPart, Option<LidId>, Option<TankId>)> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let lids = state
            .lids()
            .into_iter()
            .map(|lid| (PhotoPart::Lid, Some(lid.id), Some(lid.tank)));
        let tank = state.tank().map(|tank| tank.id);
        let parts = PhotoPart::ALL
            .iter()
            .filter(|part| **part != PhotoPart::Lid)
            .map(|part| {
                let in_tank = !matches!(part, PhotoPart::Field | PhotoPart::Yard | PhotoPart::Receipt);
                (*part, None, tank.filter(|_| in_tank))
            });
        lids.chain(parts).collect()
    }

    /// Offers what the photo may show.
    pub fn tap_photo_part(&mut self) {
        let choices = self.photo_choices();
        let Some(state) = self.stop.as_ref() else { return };
        let Some(photo) = state.photos.photo() else { return };
        let rows = choices
            .iter()
            .map(|(part, lid, tank)| (self.part_title(*part, *lid), self.tank_title(*tank)))
            .collect();
        let selected = choices
            .iter()
            .position(|(part, lid, _)| *part == photo.part && (*part != PhotoPart::Lid || *lid == photo.lid));
        self.picker = Some(Picker {
            target: PickerTarget::PhotoPart,
            title: self.session.words().t("What does it show?"),
            rows,
            selected,
        });
    }

    pub(crate) fn choose_photo_part(&mut self, index: usize) {
        if let Some((part, lid, tank)) = self.photo_choices().get(index).copied() {
            self.change_photo("photo part", |photo| {
                photo.part = part;
                photo.lid = lid;
                photo.tank = tank;
            });
        }
    }

    fn part_title(&self, part: PhotoPart, lid: Option<LidId>) -> String {
        let words = self.session.words();
        let name = lid.and_then(|id| {
            let state = self.stop.as_ref()?;
            state.shown().lids.iter().find(|lid| lid.id == id)
        });
        match (part, name) {
            (PhotoPart::Lid, Some(lid)) => lid_title(&lid.name, words),
            (part, _) => words.t(part_name(part)),
        }
    }

    /// Which tank, when there are several.
    fn tank_title(&self, tank: Option<TankId>) -> String {
        let Some(state) = self.stop.as_ref().filter(|state| state.shown().tanks.len() > 1) else {
            return String::new();
        };
        let found = state
            .shown()
            .tanks
            .iter()
            .enumerate()
            .find(|(_, other)| Some(other.id) == tank);
        match found {
            Some((_, tank)) if !tank.name.is_empty() => tank.name.clone(),
            Some((place, _)) => self.session.words().f("tank {0}", &[&(place + 1).to_string()]),
            None => String::new(),
        }
    }

    /// The photo of a lid from the last stop before this one that has one.
    fn earlier_photo_of(&self, lid: LidId) -> Option<&Photo> {
        let state = self.stop.as_ref()?;
        let now = state.stop_id();
        let mut newest_first = state.photos.list.iter().rev();
        newest_first.find(|photo| photo.lid == Some(lid) && photo.stop != now)
    }

    /// Returns the day of the photo that a lid has from an earlier stop, with its thumbnail.
    #[must_use]
    pub fn earlier_photo(&self, lid: LidId) -> Option<(String, Picture)> {
        let photo = self.earlier_photo_of(lid)?;
        let day = photo.taken_at.unwrap_or(photo.added_at).date_naive();
        let picture = self.photos.picture(&self.session, &photo.hash, Size::Small);
        Some((self.session.figures().date(day), picture))
    }

    /// Opens the photo that the lid led to has from an earlier stop.
    pub fn tap_earlier_photo(&mut self) {
        let lid = self.lid_on_show();
        let Some(id) = lid.and_then(|lid| self.earlier_photo_of(lid)).map(|photo| photo.id) else {
            return;
        };
        if let Some(state) = self.stop.as_mut() {
            state.photos.selected = Some(id);
            state.photos.put_down();
        }
        self.go(Screen::Photo);
    }

    /// What else the camera notes in a file stays with the photos taken from now on, or does not.
    pub fn tap_keep_camera_data(&mut self) {
        self.session
            .change_setup("camera data", |setup| setup.keep_camera_data = !setup.keep_camera_data);
    }

    // --- marks ---------------------------------------------------------------------------------------

    /// Takes up a tool, or puts it down when it is in the hand already.
    pub fn tap_tool(&mut self, tool: Tool) {
        let Some(marks) = self.photo_marks() else { return };
        let has_known = marks.iter().any(|mark| matches!(mark, Mark::Known { .. }));
        if tool == Tool::Measure && !has_known {
            self.say_nothing_to_do(
                "Nothing in this photo has a known length yet.",
                "First mark a tape, a riser or a shovel with Known length; then measure.",
            );
            return;
        }
        let Some(state) = self.stop.as_mut() else { return };
        let held = state.photos.tool;
        state.photos.put_down();
        if held != tool {
            state.photos.tool = tool;
        }
    }

    /// The marks of the photo on the screen; says so when they cannot be read, so that none is written over.
    fn photo_marks(&mut self) -> Option<Vec<Mark>> {
        let read = {
            let photo = self.stop.as_ref()?.photos.photo()?;
            photo_marks::read(&photo.marks)
        };
        if let Ok(list) = read {
            return Some(list);
        }
        self.say_nothing_to_do(
            "The marks on this photo were made by a newer version.",
            "They are left as they are; nothing can be drawn on it here.",
        );
        None
    }

    fn keep_marks(&mut self, list: &[Mark]) {
        if list.len() > photo_marks::MOST {
            self.say_nothing_to_do("There are too many marks on this photo.", "Take some off first.");
            return;
        }
        let text = photo_marks::write(list);
        self.change_photo("photo marks", |photo| photo.marks = text);
    }

    /// Takes every mark off the photo; Undo brings them back.
    pub fn tap_marks_off(&mut self) {
        if self.photo_marks().is_some() {
            self.keep_marks(&[]);
            if let Some(state) = self.stop.as_mut() {
                state.photos.put_down();
            }
        }
    }

    /// The picture's place has another size.
    pub fn photo_resized(&mut self, width: f64, height: f64) {
        if let Some(state) = self.stop.as_mut()
            && width.is_finite()
            && height.is_finite()
        {
            state.photos.area = (width.clamp(1.0, 10_000.0), height.clamp(1.0, 10_000.0));
        }
    }

    fn photo_place(&self) -> Option<Place> {
        let photos = &self.stop.as_ref()?.photos;
        Place::of(photos.photo()?, photos.area)
    }

    /// A finger goes down on the photo.
    pub fn photo_pressed(&mut self, x: f64, y: f64) {
        if let Some(state) = self.stop.as_mut()
            && state.photos.tool != Tool::None
            && x.is_finite()
            && y.is_finite()
        {
            state.photos.drag = Some(((x, y), (x, y)));
        }
    }

    /// The finger moves.
    pub fn photo_dragged(&mut self, x: f64, y: f64) {
        if let Some(state) = self.stop.as_mut()
            && let Some((_, to)) = state.photos.drag.as_mut()
            && x.is_finite()
            && y.is_finite()
        {
            *to = (x, y);
        }
    }

    /// The finger lets go: a drag draws from where it began to here; a tap is the first or the second of two.
    pub fn photo_released(&mut self) {
        let Some(place) = self.photo_place() else { return };
        let Some(state) = self.stop.as_mut() else { return };
        let Some((from, to)) = state.photos.drag.take() else {
            return;
        };
        let is_tap = (from.0 - to.0).hypot(from.1 - to.1) < TAP_DP;
        let (Some(begin), Some(end)) = (place.spot(from), place.spot(to)) else {
            return;
        };
        let stretch = match (is_tap, state.photos.first.take()) {
            (true, None) => {
                state.photos.first = Some(begin);
                return;
            }
            (true, Some(first)) => Stretch { from: first, to: end },
            (false, _) => Stretch { from: begin, to: end },
        };
        self.draw_mark(stretch, place.aim_px());
    }

    fn draw_mark(&mut self, stretch: Stretch, aim_px: u32) {
        if stretch.length_px() < 1.0 {
            return;
        }
        let Some(mut list) = self.photo_marks() else { return };
        let Some(state) = self.stop.as_mut() else { return };
        let tool = state.photos.tool;
        state.photos.put_down();
        match tool {
            Tool::None => return,
            Tool::Arrow => list.push(Mark::Arrow(stretch)),
            Tool::Circle => list.push(Mark::Circle(stretch)),
            Tool::Measure => list.push(Mark::Measured { stretch, aim_px }),
            Tool::Known => {
                state.photos.unsized_known = Some((stretch, aim_px));
                self.open_pad(
                    PadTarget::KnownLength,
                    PadKind::Length,
                    "How long is what you marked?",
                    String::new(),
                );
                return;
            }
        }
        self.keep_marks(&list);
    }

    pub(crate) fn set_known_length(&mut self, mm: i64) {
        let Some(length) = u32::try_from(mm).ok().filter(|mm| *mm > 0).map(Length::from_mm) else {
            self.say_nothing_to_do(
                "A known length of nothing measures nothing.",
                "Mark it again, and type its length.",
            );
            return;
        };
        let Some(mut list) = self.photo_marks() else { return };
        let Some((stretch, aim_px)) = self.stop.as_mut().and_then(|state| state.photos.unsized_known.take()) else {
            return;
        };
        // One scale for one photo: a second one would only say something else.
        list.retain(|mark| !matches!(mark, Mark::Known { .. }));
        list.push(Mark::Known {
            stretch,
            length,
            aim_px,
        });
        self.keep_marks(&list);
    }

    // --- what shows ----------------------------------------------------------------------------------

    /// Returns what the list of photos shows around its rows.
    #[must_use]
    pub fn photos_view(&self) -> PhotosView {
        let words = self.session.words();
        PhotosView {
            count_text: words.n("{0} photo", "{0} photos", self.photo_count()),
            busy_text: match self.photos.under_way {
                0 => String::new(),
                count => words.n("{0} photo is being taken in", "{0} photos are being taken in", count),
            },
            has_camera: self.has_device()
                || self
                    .photos
                    .source
                    .as_ref()
                    .is_some_and(|source| source.camera.is_some()),
        }
    }

    /// Returns how many photos the stop has.
    #[must_use]
    pub fn photo_count(&self) -> usize {
        self.stop.as_ref().map_or(0, |state| of_stop(state).len())
    }

    /// Whether a picture that was asked for is still being read.
    #[must_use]
    pub fn photos_coming(&self) -> bool {
        self.photos.viewer.get().is_some_and(Viewer::is_busy)
    }

    /// Differs whenever the list of photos differs from before: the stop, and a count of the changes since it was opened.
    #[must_use]
    pub fn photos_revision(&self) -> (StopId, u64) {
        self.stop
            .as_ref()
            .map(|state| (state.visit.stop.id, state.photos.revision))
            .unwrap_or_default()
    }

    /// Returns one row of the list, the newest first.
    #[must_use]
    pub fn photo_line(&self, row: usize) -> Option<PhotoLine> {
        let state = self.stop.as_ref()?;
        let photo = *of_stop(state).get(row)?;
        let words = self.session.words();
        let count = photo_marks::read(&photo.marks).map_or(0, |list| list.len());
        let mut detail = vec![self.when(photo)];
        detail.extend(Some(self.tank_title(photo.tank)).filter(|title| !title.is_empty()));
        if count > 0 {
            detail.push(words.n("{0} mark", "{0} marks", count));
        }
        Some(PhotoLine {
            title: self.part_title(photo.part, photo.lid),
            detail: detail.join(" · "),
            note: photo.note.clone(),
        })
    }

    /// Returns the thumbnail of a row, or wishes for it.
    #[must_use]
    pub fn photo_thumbnail(&self, row: usize) -> Picture {
        let hash = self
            .stop
            .as_ref()
            .and_then(|state| of_stop(state).get(row).map(|photo| photo.hash.clone()));
        hash.map_or(Picture::Missing, |hash| {
            self.photos.picture(&self.session, &hash, Size::Small)
        })
    }

    /// Returns the rows whose pictures have arrived since the last call.
    #[must_use]
    pub fn photos_arrived(&self) -> Vec<usize> {
        let arrived = std::mem::take(&mut self.photos.ready.borrow_mut().arrived);
        let Some(state) = self.stop.as_ref().filter(|_| !arrived.is_empty()) else {
            return Vec::new();
        };
        of_stop(state)
            .iter()
            .enumerate()
            .filter(|(_, photo)| arrived.contains(&photo.hash))
            .map(|(row, _)| row)
            .collect()
    }

    /// When a photo was taken, as far as anyone knows.
    fn when(&self, photo: &Photo) -> String {
        let at = photo.taken_at.unwrap_or(photo.added_at);
        let figures = self.session.figures();
        let time = at.format("%H:%M").to_string();
        if at.date_naive() == self.session.today() {
            time
        } else {
            format!("{} · {time}", figures.date(at.date_naive()))
        }
    }

    /// Returns what the screen of one photo shows.
    #[must_use]
    pub fn photo_view(&self) -> PhotoView {
        let Some((state, photo)) = self
            .stop
            .as_ref()
            .and_then(|state| Some((state, state.photos.photo()?)))
        else {
            return PhotoView::default();
        };
        let words = self.session.words();
        let all = of_stop(state);
        let at = all.iter().position(|other| other.id == photo.id).unwrap_or(0);
        let picture = self.photos.picture(&self.session, &photo.hash, Size::Large);
        let missing_text = match picture {
            Picture::Missing => words.t("The file of this photo is missing or damaged. Bring it back from a copy."),
            Picture::Coming | Picture::Here(_) => String::new(),
        };
        let mut detail = vec![self.when(photo)];
        detail.extend(Some(self.tank_title(photo.tank)).filter(|title| !title.is_empty()));
        // Marks of a newer version are left alone and not drawn.
        let list = photo_marks::read(&photo.marks).unwrap_or_default();
        let (paths, labels, measured) = self.drawn_marks(state, photo, &list);
        let hint = match (state.photos.tool, state.photos.first) {
            (Tool::None, _) if measured => {
                words.t("A measured length holds only in the same plane as the known one, seen squarely.")
            }
            (Tool::None, _) => String::new(),
            (_, Some(_)) => words.t("Now the other end."),
            (Tool::Arrow, None) => words.t("Drag from the tail to the tip, or tap both."),
            (Tool::Circle, None) => words.t("Drag from the middle to the edge, or tap both."),
            (Tool::Known, None) => words.t("Tap both ends of something whose length you know."),
            (Tool::Measure, None) => words.t("Tap both ends of what you want to measure."),
        };
        PhotoView {
            id: photo.id.to_string(),
            part: self.part_title(photo.part, photo.lid),
            detail: detail.join(" · "),
            count_text: words.f("{0} of {1}", &[&(at + 1).to_string(), &all.len().to_string()]),
            can_previous: all.len() > 1,
            can_next: all.len() > 1,
            note: photo.note.clone(),
            picture,
            missing_text,
            marks: paths,
            labels,
            tool: state.photos.tool,
            hint,
            has_marks: !photo.marks.is_empty(),
        }
    }

    /// The marks as paths and labels, and whether one of them is a measured length.
    fn drawn_marks(&self, state: &StopState, photo: &Photo, list: &[Mark]) -> (Vec<MarkPath>, Vec<MarkLabel>, bool) {
        let Some(place) = Place::of(photo, state.photos.area) else {
            return (Vec::new(), Vec::new(), false);
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let known = list.iter().find_map(|mark| match *mark {
            Mark::Known {
                stretch,
                length,
                aim_px,
            } => Some((stretch, length, aim_px)),
            _ => None,
        });
        let (mut paths, mut labels, mut measured) = (Vec::new(), Vec::new(), false);
        for mark in list {
            let (commands, label) = match *mark {
                Mark::Arrow(stretch) => (arrow(&place, stretch), None),
                Mark::Circle(stretch) => (circle(&place, stretch), None),
                Mark::Known { stretch, length, .. } => (
                    ends(&place, stretch),
                    Some((stretch, words.f("known {0}", &[&figures.length(length)]))),
                ),
                Mark::Measured { stretch, aim_px } => {
                    measured = true;
                    let text = match known.map(|(of, length, aim)| {
                        let aims = (f64::from(aim), f64::from(aim_px));
                        let edge = self.session.setup().edge_mm;
                        measure(length, edge, of.length_px(), stretch.length_px(), aims)
                    }) {
                        Some(Ok(found)) => {
                            let (mm, error_mm) = said(found, figures.units);
                            words.f("{0} ± {1}", &[&figures.mm_value(mm), &figures.mm(error_mm)])
                        }
                        Some(Err(MeasureError::KnownTooShort | MeasureError::KnownIsZero)) => {
                            words.t("known length too short")
                        }
                        None => words.t("no known length"),
                    };
                    (ends(&place, stretch), Some((stretch, text)))
                }
            };
            paths.push(MarkPath {
                commands,
                unfinished: false,
            });
            if let Some((stretch, text)) = label {
                let (a, b) = (place.dp(stretch.from), place.dp(stretch.to));
                let middle = (f64::midpoint(a.0, b.0), f64::midpoint(a.1, b.1));
                labels.push(beside(middle, text, &labels));
            }
        }
        paths.extend(unfinished(&place, &state.photos).map(|commands| MarkPath {
            commands,
            unfinished: true,
        }));
        (paths, labels, measured)
    }
}

/// A measured length and its error to the steps a person nudges by; the error is rounded up, never down.
fn said(found: Measured, units: Units) -> (i64, i64) {
    let tenths_of_mm = match units {
        // Half an inch.
        Units::UsCustomary => 127.0,
        Units::Metric => 100.0,
    };
    let steps = |steps: f64| round_to_i64(steps.max(0.0) * tenths_of_mm / 10.0).unwrap_or(i64::MAX);
    let in_steps = |mm: f64| mm * 10.0 / tenths_of_mm;
    (
        steps(in_steps(found.mm).round()),
        steps(in_steps(found.error_mm).ceil().max(1.0)),
    )
}

/// A label at a place, or as far below it as keeps it off those that stand already.
fn beside((x, mut y): (f64, f64), text: String, others: &[MarkLabel]) -> MarkLabel {
    /// The height of a label, dp, and half of the usual width of one of its letters; some air included.
    const HEIGHT: f64 = 36.0;
    const HALF_LETTER: f64 = 6.0;
    let half_width = |text: &str| count(text.chars().count()) * HALF_LETTER + 12.0;
    let own = half_width(&text);
    for _ in 0..others.len() {
        let covers =
            |other: &&MarkLabel| (other.x - x).abs() < half_width(&other.text) + own && (other.y - y).abs() < HEIGHT;
        match others.iter().find(covers) {
            Some(other) => y = other.y + HEIGHT,
            None => break,
        }
    }
    MarkLabel { x, y, text }
}

/// What a finger is drawing, or the first of two taps.
fn unfinished(place: &Place, photos: &PhotoState) -> Option<String> {
    if let Some((from, to)) = photos.drag {
        let stretch = Stretch {
            from: place.spot(from)?,
            to: place.spot(to)?,
        };
        return Some(match photos.tool {
            Tool::Arrow => arrow(place, stretch),
            Tool::Circle => circle(place, stretch),
            Tool::None | Tool::Known | Tool::Measure => ends(place, stretch),
        });
    }
    let (x, y) = place.dp(photos.first?);
    Some(format!(
        "M{:.1} {y:.1}H{:.1}M{x:.1} {:.1}V{:.1}",
        x - 12.0,
        x + 12.0,
        y - 12.0,
        y + 12.0
    ))
}

/// A line with a head of two strokes at its end.
fn arrow(place: &Place, stretch: Stretch) -> String {
    let ((x0, y0), (x1, y1)) = (place.dp(stretch.from), place.dp(stretch.to));
    let way = (y1 - y0).atan2(x1 - x0);
    let barb = |turn: f64| {
        let back = way + std::f64::consts::PI + turn;
        (x1 + 22.0 * back.cos(), y1 + 22.0 * back.sin())
    };
    let ((ax, ay), (bx, by)) = (barb(0.5), barb(-0.5));
    format!("M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}M{ax:.1} {ay:.1}L{x1:.1} {y1:.1}L{bx:.1} {by:.1}")
}

fn circle(place: &Place, stretch: Stretch) -> String {
    let ((x, y), (x1, y1)) = (place.dp(stretch.from), place.dp(stretch.to));
    let r = (x1 - x).hypot(y1 - y);
    format!(
        "M{:.1} {y:.1}A{r:.1} {r:.1} 0 1 1 {:.1} {y:.1}A{r:.1} {r:.1} 0 1 1 {:.1} {y:.1}Z",
        x - r,
        x + r,
        x - r
    )
}

/// A line with a short stroke across each end, as on a drawing.
fn ends(place: &Place, stretch: Stretch) -> String {
    let ((x0, y0), (x1, y1)) = (place.dp(stretch.from), place.dp(stretch.to));
    let length = (x1 - x0).hypot(y1 - y0).max(1e-6);
    let (dx, dy) = (-(y1 - y0) / length * 10.0, (x1 - x0) / length * 10.0);
    format!(
        "M{x0:.1} {y0:.1}L{x1:.1} {y1:.1}M{:.1} {:.1}L{:.1} {:.1}M{:.1} {:.1}L{:.1} {:.1}",
        x0 - dx,
        y0 - dy,
        x0 + dx,
        y0 + dy,
        x1 - dx,
        y1 - dy,
        x1 + dx,
        y1 + dy
    )
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}

/// The name of a part, as a message id.
#[must_use]
pub const fn part_name(part: PhotoPart) -> &'static str {
    match part {
        PhotoPart::Lid => "lid",
        PhotoPart::Inlet => "inlet",
        PhotoPart::Outlet => "outlet",
        PhotoPart::Baffle => "baffle wall",
        PhotoPart::Wall => "tank wall",
        PhotoPart::Filter => "filter",
        PhotoPart::PumpChamber => "pump chamber",
        PhotoPart::Field => "drain field",
        PhotoPart::Yard => "yard",
        PhotoPart::Receipt => "receipt",
        PhotoPart::Other => "something else",
    }
}
