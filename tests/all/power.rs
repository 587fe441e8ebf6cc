//! The power fails, the disk fills, the device answers with an error: at every point of a run, what had been said to be
//! kept is there, whole, and nothing is half done.
//!
//! A child process plays a stop on the real store while strace(1) writes down every write, flush, rename and deletion it
//! asks the system for. The parent plays that list back into a model of a disk that keeps only what was flushed: at each
//! point of the list the power is cut, and of what was not flushed each 512-byte sector is kept, dropped, or filled with
//! rubbish, and each new name kept or dropped, by the dice. The real store then opens what is left. The same strace makes
//! the n-th call of each kind fail, for every n.
//!
//! What a disk may do to unflushed writes: sqlite.org/atomiccommit.html sections 2 and 9, fsync(2), rename(2).
//! `LIDMARK_POWER=1000 cargo test --test all power` cuts with so many damages at each point, `LIDMARK_FAULTS=1` makes every
//! single call fail and not every twelfth; `LIDMARK_SEED` repeats a run.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use lidmark::domain::record::{
    Compartment, CompartmentId, FieldChange, Op, Photo, PhotoId, Reading, ReadingId, Site, SiteId, Stop, StopId, Tank,
    TankId, changes,
};
use lidmark::domain::units::Length;
use lidmark::exchange::photo::hash_of;
use lidmark::store::blobs::Blobs;
use lidmark::store::{Store, StoreError};
use rusqlite::Connection;
use uuid::Uuid;

use crate::fixture::{Dice, agrees_with_log, now, strings};

/// Names the folder of the book, for the child.
const FOLDER: &str = "LIDMARK_TEST_POWER_FOLDER";
/// Says which run the child plays.
const RUN: &str = "LIDMARK_TEST_POWER_RUN";
/// What the child says when it has come to its end.
const END: &str = "the end";

// --- the run ---------------------------------------------------------------------------------------

const STOP: StopId = StopId(Uuid::from_u128(5));

/// One thing the child does; its place in the list is its id in the log.
enum Step {
    Keep(Vec<FieldChange>, bool),
    Undo,
    Photo(u32),
    Reopen,
}

fn site() -> Site {
    Site {
        id: SiteId(Uuid::from_u128(1)),
        name: "1 Sample Lane".to_owned(),
        ..Site::default()
    }
}

fn reading(n: u128, sludge_mm: u32) -> Reading {
    Reading {
        id: ReadingId(Uuid::from_u128(100 + n)),
        stop: STOP,
        compartment: CompartmentId(Uuid::from_u128(3)),
        sludge_mm: Some(Length::from_mm(sludge_mm)),
        ..Reading::default()
    }
}

fn note(text: &str) -> Vec<FieldChange> {
    let before = site();
    let after = Site {
        note: text.to_owned(),
        ..before.clone()
    };
    changes(&[before], &[after])
}

/// A stop as it is played: small actions, one of many pages, two taken back, two photos, the app closed and opened again.
fn steps() -> Vec<Step> {
    let tank = Tank {
        id: TankId(Uuid::from_u128(2)),
        site: site().id,
        ..Tank::default()
    };
    let compartment = Compartment {
        id: CompartmentId(Uuid::from_u128(3)),
        tank: tank.id,
        ..Compartment::default()
    };
    let stop = Stop {
        id: STOP,
        site: site().id,
        day: now().date_naive(),
        ..Stop::default()
    };
    let mut first = changes(&[], &[site()]);
    first.extend(changes(&[], &[tank]));
    first.extend(changes(&[], &[compartment]));
    first.extend(changes(&[], &[stop]));
    vec![
        Step::Keep(first, false),
        Step::Keep(changes(&[], &[reading(1, 210)]), true),
        Step::Keep(changes(&[reading(1, 210)], &[reading(1, 220)]), true),
        Step::Undo,
        Step::Photo(1),
        Step::Keep(note(&"The lid is under the third flagstone. ".repeat(900)), true),
        Step::Keep(changes(&[], &[reading(2, 90)]), true),
        Step::Reopen,
        Step::Undo,
        Step::Photo(2),
        Step::Keep(changes(&[reading(1, 210)], &[reading(1, 230)]), true),
        Step::Keep(note("dog"), true),
    ]
}

/// How many lines the log has in the end: reopening writes none.
fn lines_in_all() -> usize {
    steps().iter().filter(|step| !matches!(step, Step::Reopen)).count()
}

fn picture(number: u32) -> (Vec<u8>, Vec<u8>) {
    let mut dice = Dice::new(u64::from(number));
    let noise = (0..3_000).map(|_| dice.roll().to_le_bytes()[3]).collect::<Vec<_>>();
    (noise[..2_400].to_vec(), noise[2_400..].to_vec())
}

fn photo(number: u32) -> Photo {
    let (large, _) = picture(number);
    Photo {
        id: PhotoId(Uuid::from_u128(200 + u128::from(number))),
        site: site().id,
        stop: Some(STOP),
        hash: hash_of(&large),
        ..Photo::default()
    }
}

fn op_id(step: usize) -> Uuid {
    Uuid::from_u128(1_000 + step as u128)
}

fn act(store: &mut Store, book: &Path, place: usize, step: &Step) -> Result<(), StoreError> {
    let op = |changes: &[FieldChange], undoable| Op {
        id: op_id(place),
        stop: Some(STOP),
        at: now(),
        label: place.to_string(),
        undoable,
        changes: changes.to_vec(),
    };
    match step {
        Step::Keep(list, undoable) => store.keep(&op(list, *undoable)),
        Step::Undo => store.undo(STOP, op_id(place), now()).map(drop),
        Step::Photo(number) => {
            let (large, small) = picture(*number);
            Blobs::beside(book).keep(&hash_of(&large), &large, &small)?;
            store.keep(&op(&changes(&[], &[photo(*number)]), true))
        }
        Step::Reopen => Ok(()),
    }
}

fn say(what: &str) {
    let mut out = std::io::stdout().lock();
    // One write, so that it is one line of strace's list; a leading break, because the harness has begun a line.
    out.write_all(format!("\n{what}\n").as_bytes()).unwrap();
    out.flush().unwrap();
}

/// The child. What is refused is tried again once, as the desk tries it with the next action; then the child gives up, as
/// a person would with the app, and closes the book.
fn play(folder: &Path) {
    let book = folder.join("book.sqlite");
    let open = || {
        (0..2).find_map(|_| {
            Store::open(&book)
                .map_err(|error| say(&format!("no book: {error}")))
                .ok()
        })
    };
    let Some(mut store) = open() else {
        return say(END);
    };
    say("opened");
    for (place, step) in steps().iter().enumerate() {
        if matches!(step, Step::Reopen) {
            if let Err(error) = store.close() {
                say(&format!("not closed: {error}"));
            }
            let Some(again) = open() else {
                return say(END);
            };
            store = again;
            continue;
        }
        let kept = (0..2).any(|_| match act(&mut store, &book, place, step) {
            Ok(()) => true,
            Err(error) => {
                say(&format!("refused {place}: {error}"));
                false
            }
        });
        if !kept {
            break;
        }
        say(&format!("kept {place}"));
    }
    if let Err(error) = store.close() {
        say(&format!("not closed: {error}"));
    }
    say(END);
}

// --- what must hold afterwards -----------------------------------------------------------------------

/// Opens the book that is left and says what is wrong with it; `kept` are the steps said to be kept.
fn faults(book: &Path, kept: &BTreeSet<usize>) -> Result<(), String> {
    let wrong = |error: StoreError| format!("{error} ({error:?})");
    let store = Store::open(book).map_err(|error| format!("does not open: {}", wrong(error)))?;
    store.check().map_err(wrong)?;
    let found = store.orphans().map_err(wrong)?;
    if !found.is_empty() {
        return Err(format!("orphans {found:?}"));
    }
    let agreement = Blobs::beside(book)
        .agreement(&store.photo_hashes().map_err(wrong)?)
        .map_err(wrong)?;
    if !agreement.missing.is_empty() {
        return Err(format!("photos without a file: {:?}", agreement.missing));
    }
    for hash in store.photo_hashes().map_err(wrong)? {
        let file = Blobs::beside(book).picture(&hash).unwrap();
        if hash_of(&std::fs::read(file).unwrap()) != hash {
            return Err(format!("the file of photo {hash} holds something else"));
        }
    }
    let db = Connection::open(book).map_err(|error| error.to_string())?;
    let ids = strings(&db, "SELECT id FROM op ORDER BY seq");
    let all = steps();
    let attempted = (0..all.len()).filter(|place| !matches!(all[*place], Step::Reopen));
    let expected = attempted
        .map(|place| op_id(place).to_string())
        .take(ids.len())
        .collect::<Vec<_>>();
    if ids != expected {
        return Err(format!("the log is no beginning of what was done: {ids:?}"));
    }
    if let Some(lost) = kept.iter().find(|place| !ids.contains(&op_id(**place).to_string())) {
        return Err(format!("step {lost} was said to be kept and is gone"));
    }
    agrees_with_log(&db)?;
    // Work goes on.
    drop(db);
    let mut store = store;
    let op = Op {
        id: op_id(900),
        stop: None,
        at: now(),
        label: "after".to_owned(),
        undoable: false,
        changes: changes(
            &[],
            &[Site {
                id: SiteId(Uuid::from_u128(77)),
                name: "2 Sample Lane".to_owned(),
                ..Site::default()
            }],
        ),
    };
    store.keep(&op).map_err(wrong)?;
    store.close().map_err(wrong)
}

// --- strace ------------------------------------------------------------------------------------------

/// Every call that changes what is on the disk, and those that make it safe.
const CALLS: &str = "openat,open,creat,write,writev,pwrite64,pwritev,pwritev2,ftruncate,truncate,fallocate,fsync,fdatasync,\
sync_file_range,rename,renameat,renameat2,unlink,unlinkat,mkdir,mkdirat,rmdir,link,linkat,symlink,symlinkat,\
copy_file_range,sendfile";

/// Runs the child under strace and returns what it said, in order.
fn traced(folder: &Path, run: &str, list: &Path, options: &[String]) -> String {
    let output = Command::new("strace")
        .args(["-f", "-qq", "-y", "-xx", "-s", "1000000", "-e", "signal=none", "-o"])
        .arg(list)
        .args(options)
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", "power::child", "--nocapture", "--test-threads=1"])
        .env(FOLDER, folder)
        .env(RUN, run)
        .output()
        .unwrap_or_else(|error| {
            panic!("strace cannot be run ({error}); install Debian's strace, this test means nothing without it")
        });
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && said.lines().any(|line| line == END),
        "the child ended by itself with {options:?}: {said}\n{complaint}"
    );
    said
}

fn kept_in(said: &str) -> BTreeSet<usize> {
    said.lines()
        .filter_map(|line| line.strip_prefix("kept ")?.parse().ok())
        .collect()
}

/// Not a test of its own: what the others start as a process.
#[test]
fn child() {
    if let Some(folder) = std::env::var_os(FOLDER) {
        play(Path::new(&folder));
    }
}

/// One line of the list that matters.
#[derive(Clone, Debug)]
enum Event {
    Create(PathBuf, bool),
    Write(PathBuf, u64, Vec<u8>),
    Truncate(PathBuf, u64),
    Flush(PathBuf),
    Rename(PathBuf, PathBuf),
    Remove(PathBuf),
    Folder(PathBuf),
    Said(String),
}

/// `\x61\x62` as bytes.
fn bytes_of(hex: &str) -> Vec<u8> {
    let hex = hex.as_bytes();
    let digit = |byte: u8| char::from(byte).to_digit(16).unwrap() as u8;
    assert!(hex.len().is_multiple_of(4), "strace wrote text that is not in hex");
    hex.chunks_exact(4)
        .map(|four| digit(four[2]) << 4 | digit(four[3]))
        .collect()
}

fn path_of(hex: &str) -> PathBuf {
    PathBuf::from(String::from_utf8(bytes_of(hex)).unwrap())
}

/// Reads strace's list; a call on the book's folder that is not known here fails, because the model would be wrong.
fn events(list: &Path, folder: &Path) -> Vec<Event> {
    let text = std::fs::read_to_string(list).unwrap();
    let mut ends: BTreeMap<PathBuf, u64> = BTreeMap::new();
    let mut found = Vec::new();
    for line in text.lines() {
        let Some((call, rest)) = line
            .split_once(' ')
            .and_then(|(_, call)| call.trim_start().split_once('('))
        else {
            continue;
        };
        if line.contains("<unfinished") || line.contains("resumed>") {
            // Only waiting and reading on other threads is interrupted in a child with one thread at work.
            assert!(
                !line.contains("pwrite64") && !line.contains("sync"),
                "the calls of two threads are mixed: {call}"
            );
            continue;
        }
        let failed = rest
            .rsplit_once(") = ")
            .is_none_or(|(_, result)| result.starts_with('-'));
        let quoted = rest.split('"').skip(1).step_by(2).collect::<Vec<_>>();
        let handle = rest
            .split_once('<')
            .and_then(|(number, rest)| number.bytes().all(|byte| byte.is_ascii_digit()).then_some(rest))
            .and_then(|rest| rest.split_once('>'))
            .map(|(name, _)| name)
            .filter(|name| name.starts_with("\\x"))
            .map(path_of);
        let ours = |path: &Path| path.starts_with(folder) && !path.to_string_lossy().ends_with("-shm");
        let number = |from_end: usize| -> u64 {
            let inside = rest.rsplit_once(") = ").unwrap().0;
            inside.rsplit(", ").nth(from_end).unwrap().trim().parse().unwrap()
        };
        let result = || {
            rest.rsplit_once(") = ")
                .unwrap()
                .1
                .split_whitespace()
                .next()
                .unwrap()
                .parse::<u64>()
                .unwrap()
        };
        match call {
            "openat" => {
                let path = path_of(quoted[0]);
                if !failed && ours(&path) && rest.contains("O_CREAT") {
                    let emptied = rest.contains("O_TRUNC");
                    if emptied {
                        ends.insert(path.clone(), 0);
                    }
                    found.push(Event::Create(path, emptied));
                }
            }
            "write" | "pwrite64" => {
                let Some(path) = handle else { continue };
                if call == "write" && rest.starts_with("1<") {
                    found.push(Event::Said(
                        String::from_utf8_lossy(&bytes_of(quoted[0])).trim().to_owned(),
                    ));
                    continue;
                }
                if failed || !ours(&path) {
                    continue;
                }
                let bytes = bytes_of(quoted[0]);
                assert_eq!(
                    bytes.len() as u64,
                    result(),
                    "a write the model does not know: half done"
                );
                let at = if call == "write" {
                    let end = ends.entry(path.clone()).or_default();
                    *end += bytes.len() as u64;
                    *end - bytes.len() as u64
                } else {
                    number(0)
                };
                found.push(Event::Write(path, at, bytes));
            }
            "ftruncate" => {
                if let Some(path) = handle.filter(|path| !failed && ours(path)) {
                    found.push(Event::Truncate(path, number(0)));
                }
            }
            "fsync" | "fdatasync" => {
                if let Some(path) = handle.filter(|path| !failed && ours(path)) {
                    found.push(Event::Flush(path));
                }
            }
            "rename" => {
                let (from, to) = (path_of(quoted[0]), path_of(quoted[1]));
                if !failed && ours(&from) {
                    found.push(Event::Rename(from, to));
                }
            }
            "unlink" => {
                let path = path_of(quoted[0]);
                if !failed && ours(&path) {
                    found.push(Event::Remove(path));
                }
            }
            "mkdir" => {
                let path = path_of(quoted[0]);
                if !failed && ours(&path) {
                    found.push(Event::Folder(path));
                }
            }
            _ => {
                let named = quoted
                    .iter()
                    .any(|name| name.starts_with("\\x") && ours(&path_of(name)));
                assert!(
                    failed || !(named || handle.is_some_and(|path| ours(&path))),
                    "the model of the disk does not know {call}"
                );
            }
        }
    }
    found
}

// --- the disk ----------------------------------------------------------------------------------------

/// What stands under a name: which file, or a folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Name {
    File(usize),
    Folder,
}

/// A change of a file that no flush has followed.
#[derive(Clone, Debug)]
enum Unflushed {
    Write(u64, Vec<u8>),
    Length(u64),
}

#[derive(Clone, Debug, Default)]
struct FileOnDisk {
    safe: Vec<u8>,
    unflushed: Vec<Unflushed>,
}

/// A disk that is sure only of what was flushed.
#[derive(Clone, Debug, Default)]
struct Disk {
    files: Vec<FileOnDisk>,
    /// The names as the running program sees them.
    seen: BTreeMap<PathBuf, Name>,
    /// The names a flush of their folder has made safe.
    safe: BTreeMap<PathBuf, Name>,
    /// Changes of names in order, `None` for a name taken away, that no flush of their folder has followed.
    unflushed: Vec<(PathBuf, Option<Name>)>,
}

fn write_at(bytes: &mut Vec<u8>, at: u64, new: &[u8]) {
    let at = usize::try_from(at).unwrap();
    if bytes.len() < at + new.len() {
        bytes.resize(at + new.len(), 0);
    }
    bytes[at..at + new.len()].copy_from_slice(new);
}

impl Disk {
    fn name(&mut self, path: PathBuf, name: Option<Name>) {
        match name {
            Some(name) => self.seen.insert(path.clone(), name),
            None => self.seen.remove(&path),
        };
        self.unflushed.push((path, name));
    }

    fn file(&mut self, path: &Path) -> &mut FileOnDisk {
        match self.seen.get(path) {
            Some(Name::File(file)) => &mut self.files[*file],
            other => panic!("{} is {other:?}, not a file", path.display()),
        }
    }

    /// `honest`: whether a flush flushes.
    fn take(&mut self, event: &Event, honest: bool) {
        match event {
            Event::Create(path, emptied) => {
                if !self.seen.contains_key(path) {
                    self.files.push(FileOnDisk::default());
                    self.name(path.clone(), Some(Name::File(self.files.len() - 1)));
                } else if *emptied {
                    self.file(path).unflushed.push(Unflushed::Length(0));
                }
            }
            Event::Write(path, at, bytes) => self.file(path).unflushed.push(Unflushed::Write(*at, bytes.clone())),
            Event::Truncate(path, length) => self.file(path).unflushed.push(Unflushed::Length(*length)),
            Event::Rename(from, to) => {
                let name = self.seen.get(from).copied();
                self.name(to.clone(), name);
                self.name(from.clone(), None);
            }
            Event::Remove(path) => self.name(path.clone(), None),
            Event::Folder(path) => self.name(path.clone(), Some(Name::Folder)),
            Event::Flush(path) if honest => {
                if let Some(Name::File(_)) = self.seen.get(path) {
                    let file = self.file(path);
                    for change in std::mem::take(&mut file.unflushed) {
                        match change {
                            Unflushed::Write(at, bytes) => write_at(&mut file.safe, at, &bytes),
                            Unflushed::Length(length) => file.safe.resize(usize::try_from(length).unwrap(), 0),
                        }
                    }
                } else {
                    let (now, later) = std::mem::take(&mut self.unflushed)
                        .into_iter()
                        .partition::<Vec<_>, _>(|(name, _)| name.parent() == Some(path));
                    self.unflushed = later;
                    for (name, what) in now {
                        set(&mut self.safe, name, what);
                    }
                }
            }
            Event::Flush(_) | Event::Said(_) => {}
        }
    }

    fn is_all_flushed(&self) -> bool {
        self.unflushed.is_empty() && self.files.iter().all(|file| file.unflushed.is_empty())
    }

    /// Lays out in `to` what is left when the power fails now; `from` is what the paths began with.
    fn cut(&self, dice: &mut Dice, from: &Path, to: &Path) {
        let fate = dice.below(8);
        // Of eight cuts one keeps all that was not flushed, one nothing; the others throw for each piece.
        let mut keeps = |dice: &mut Dice| match fate {
            0 => true,
            1 => false,
            _ => dice.below(2) == 0,
        };
        let mut names = self.safe.clone();
        for (path, what) in &self.unflushed {
            if keeps(dice) {
                set(&mut names, path.clone(), *what);
            }
        }
        for (path, name) in &names {
            let place = to.join(path.strip_prefix(from).unwrap());
            match name {
                Name::Folder => std::fs::create_dir_all(&place).unwrap(),
                Name::File(file) => {
                    // A name may be safe whose folder's is not; then nobody finds it.
                    let folder = path.parent().unwrap();
                    if folder != from && !names.contains_key(folder) {
                        continue;
                    }
                    std::fs::create_dir_all(place.parent().unwrap()).unwrap();
                    let file = &self.files[*file];
                    let mut bytes = file.safe.clone();
                    for change in &file.unflushed {
                        match change {
                            Unflushed::Length(length) if keeps(dice) => {
                                bytes.resize(usize::try_from(*length).unwrap(), 0);
                            }
                            Unflushed::Length(_) => {}
                            Unflushed::Write(at, new) => tear(&mut bytes, *at, new, dice, &mut keeps, fate),
                        }
                    }
                    std::fs::write(&place, bytes).unwrap();
                }
            }
        }
    }
}

/// A write that was not flushed: whole, not at all, or sector by sector, now and then with rubbish in one.
fn tear(
    bytes: &mut Vec<u8>,
    at: u64,
    new: &[u8],
    dice: &mut Dice,
    keeps: &mut impl FnMut(&mut Dice) -> bool,
    fate: usize,
) {
    if fate < 5 {
        if keeps(dice) {
            write_at(bytes, at, new);
        }
        return;
    }
    let mut start = 0;
    while start < new.len() {
        let place = at + start as u64;
        let end = new.len().min(start + 512 - usize::try_from(place % 512).unwrap());
        if keeps(dice) {
            write_at(bytes, place, &new[start..end]);
        } else if fate == 7 && dice.below(4) == 0 {
            let rubbish = (start..end).map(|_| dice.roll().to_le_bytes()[2]).collect::<Vec<_>>();
            write_at(bytes, place, &rubbish);
        }
        start = end;
    }
}

fn set(names: &mut BTreeMap<PathBuf, Name>, path: PathBuf, what: Option<Name>) {
    match what {
        Some(name) => names.insert(path, name),
        None => names.remove(&path),
    };
}

/// What is cut at every point of a run is opened; returns how many cuts, images and bad images there were.
fn cut_everywhere(list: &[Event], from: &Path, damages: usize, honest: bool, seed: u64) -> (usize, usize, Vec<String>) {
    let (mut disk, mut kept, mut dice) = (Disk::default(), BTreeSet::new(), Dice::new(seed));
    let (mut cuts, mut images, mut bad) = (0, 0, Vec::new());
    for (point, event) in list.iter().enumerate() {
        if let Event::Said(text) = event {
            if let Some(place) = text.strip_prefix("kept ") {
                kept.insert(place.parse().unwrap());
            } else {
                continue;
            }
        }
        disk.take(event, honest);
        cuts += 1;
        // Where nothing hangs in the air every cut leaves the same.
        let times = if disk.is_all_flushed() { 1 } else { damages };
        for _ in 0..times {
            let folder = in_memory();
            disk.cut(&mut dice, from, folder.path());
            images += 1;
            if let Err(fault) = faults(&folder.path().join("book.sqlite"), &kept) {
                bad.push(format!("cut {point} after {}: {fault}", short(event)));
            }
        }
    }
    (cuts, images, bad)
}

fn short(event: &Event) -> String {
    let text = match event {
        Event::Write(path, at, bytes) => format!("{} bytes at {at} of {}", bytes.len(), path.display()),
        other => format!("{other:?}"),
    };
    text.chars().take(160).collect()
}

/// A folder in memory where there is one: the disk is the model's, so that a real flush proves nothing more here.
fn in_memory() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .unwrap()
}

fn seed() -> u64 {
    std::env::var("LIDMARK_SEED").ok().map_or_else(
        || std::time::UNIX_EPOCH.elapsed().unwrap().as_secs(),
        |text| text.parse().unwrap(),
    )
}

fn damages(usual: usize) -> usize {
    std::env::var("LIDMARK_POWER")
        .ok()
        .map_or(usual, |text| text.parse().unwrap())
}

/// What the child does to an empty folder, as strace saw it.
fn recorded() -> (tempfile::TempDir, Vec<Event>) {
    let folder = in_memory();
    let book_folder = folder.path().join("folder");
    std::fs::create_dir(&book_folder).unwrap();
    let list = folder.path().join("list");
    let said = traced(&book_folder, "all", &list, &["-e".to_owned(), format!("trace={CALLS}")]);
    assert_eq!(kept_in(&said).len(), lines_in_all(), "{said}");
    let events = events(&list, &book_folder);
    // The list, played back whole, is the folder the child left: the model of the disk is the system's.
    let mut disk = Disk::default();
    for event in &events {
        disk.take(event, true);
    }
    for (path, name) in &disk.seen {
        if let Name::File(file) = name {
            let mut file = disk.files[*file].clone();
            for change in file.unflushed.drain(..) {
                match change {
                    Unflushed::Write(at, bytes) => write_at(&mut file.safe, at, &bytes),
                    Unflushed::Length(length) => file.safe.resize(usize::try_from(length).unwrap(), 0),
                }
            }
            assert!(
                std::fs::read(path).unwrap() == file.safe,
                "{} is not as the list makes it",
                path.display()
            );
        }
    }
    assert!(disk.seen.contains_key(&book_folder.join("book.sqlite")));
    (folder, events)
}

#[test]
fn the_power_fails_at_every_point_and_nothing_kept_is_lost() {
    let (folder, list) = recorded();
    let (seed, damages) = (seed(), damages(2));
    println!("repeat with: LIDMARK_SEED={seed} LIDMARK_POWER={damages} cargo test --test all power -- --nocapture");
    let (cuts, images, bad) = cut_everywhere(&list, &folder.path().join("folder"), damages, true, seed);
    println!("{cuts} cuts, {images} disks opened, {} bad", bad.len());
    assert!(
        bad.is_empty(),
        "seed {seed}: {} of {images} are bad, such as {:#?}",
        bad.len(),
        &bad[..bad.len().min(5)]
    );
}

/// The test above would see it: on a disk whose flushes do nothing the same run loses what was said to be kept.
#[test]
fn a_disk_that_only_says_it_flushed_is_found_out() {
    let (folder, list) = recorded();
    let later = list.len() - 60;
    let from = folder.path().join("folder");
    let (mut disk, mut kept) = (Disk::default(), BTreeSet::new());
    let mut bad = 0;
    let mut dice = Dice::new(7);
    for (point, event) in list.iter().enumerate() {
        if let Event::Said(text) = event
            && let Some(place) = text.strip_prefix("kept ")
        {
            kept.insert(place.parse().unwrap());
        }
        disk.take(event, false);
        if point >= later {
            let left = in_memory();
            disk.cut(&mut dice, &from, left.path());
            bad += usize::from(faults(&left.path().join("book.sqlite"), &kept).is_err());
        }
    }
    assert!(bad > 30, "only {bad} of 60 cuts on a lying disk were noticed");
}

/// The calls strace makes fail, each kind counted for itself, with what the device answers (the bundled SQLite flushes by
/// fsync).
const REFUSED: [(&str, &str); 11] = [
    ("pwrite64", "EIO"),
    ("pwrite64", "ENOSPC"),
    ("write", "EIO"),
    ("write", "ENOSPC"),
    ("fsync", "EIO"),
    ("ftruncate", "EIO"),
    ("ftruncate", "ENOSPC"),
    ("pread64", "EIO"),
    ("openat", "EMFILE"),
    ("rename", "EIO"),
    ("unlink", "EIO"),
];

/// A book that is there already with one site, so that what fails is the work and not the making of the book.
fn worked_book(folder: &Path) {
    let mut store = Store::open(&folder.join("book.sqlite")).unwrap();
    let all = steps();
    act(&mut store, &folder.join("book.sqlite"), 0, &all[0]).unwrap();
    store.close().unwrap();
}

/// Every path the run touches: strace's `-P` makes only calls on these fail.
fn paths(folder: &Path) -> Vec<PathBuf> {
    let mut list = [
        "book.sqlite",
        "book.sqlite-wal",
        "book.sqlite-shm",
        "book.sqlite-journal",
        "photos",
    ]
    .map(|name| folder.join(name))
    .to_vec();
    list.push(folder.to_owned());
    for number in [1, 2] {
        let blobs = Blobs::beside(&folder.join("book.sqlite"));
        let hash = photo(number).hash;
        for file in [blobs.picture(&hash).unwrap(), blobs.thumbnail(&hash).unwrap()] {
            let name = file.file_name().unwrap().to_string_lossy().into_owned();
            list.push(file.with_file_name(format!(".part-{name}")));
            list.push(file.parent().unwrap().to_owned());
            list.push(file);
        }
    }
    list
}

/// Runs with the `n`-th call of a kind failing (and all after it, with a `+`); returns whether anything failed.
fn refused(call: &str, error: &str, when: &str) -> bool {
    let folder = in_memory();
    let place = folder.path().join("folder");
    std::fs::create_dir(&place).unwrap();
    worked_book(&place);
    let list = folder.path().join("list");
    let mut options = vec!["-e".to_owned(), format!("trace={call}")];
    for path in paths(&place) {
        options.extend(["-P".to_owned(), path.to_string_lossy().into_owned()]);
    }
    options.extend(["-e".to_owned(), format!("inject={call}:error={error}:when={when}")]);
    let said = traced(&place, "all", &list, &options);
    let injected = std::fs::read_to_string(&list).unwrap().contains("(INJECTED)");
    let mut kept = kept_in(&said);
    // The first step was there before.
    kept.insert(0);
    if let Err(fault) = faults(&place.join("book.sqlite"), &kept) {
        panic!("{call} number {when} answered {error}: {fault}\n{said}");
    }
    injected
}

/// Each kind of call fails at its n-th place until the run has none left: once, and from there on for good.
///
/// Every place with `step` 1; else every `step`-th, begun by the dice, the first and the next to it always.
fn every_place(mine: impl Fn(usize) -> bool, step: usize, seed: u64) -> usize {
    let (mut runs, mut dice) = (0, Dice::new(seed));
    for (index, (call, error)) in REFUSED.iter().enumerate() {
        if !mine(index) {
            continue;
        }
        for for_good in ["", "+"] {
            assert!(
                refused(call, error, &format!("1{for_good}")),
                "{call} is never called: the test no longer reaches it"
            );
            let mut n = 2 + dice.below(step);
            runs += 1;
            while refused(call, error, &format!("{n}{for_good}")) {
                runs += 1;
                n += step;
            }
        }
    }
    runs
}

#[test]
fn a_call_that_fails_at_any_place_loses_nothing() {
    let step = std::env::var("LIDMARK_FAULTS")
        .ok()
        .map_or(12, |text| text.parse().unwrap());
    let seed = seed();
    println!("repeat with: LIDMARK_SEED={seed} LIDMARK_FAULTS={step} cargo test --test all power -- --nocapture");
    // Two at a time: each waits for processes.
    let half = std::thread::spawn(move || every_place(|index| index % 2 == 0, step, seed));
    let runs = every_place(|index| index % 2 == 1, step, seed) + half.join().unwrap();
    println!("{runs} runs with a failing call, none lost anything");
}

#[test]
fn a_disk_that_may_not_be_written_loses_nothing_and_says_so() {
    let folder = in_memory();
    let place = folder.path().join("folder");
    std::fs::create_dir(&place).unwrap();
    worked_book(&place);
    let calls = "pwrite64,write,ftruncate,rename,unlink,mkdir";
    let mut options = vec!["-e".to_owned(), format!("trace={calls}")];
    for path in paths(&place) {
        options.extend(["-P".to_owned(), path.to_string_lossy().into_owned()]);
    }
    options.extend(["-e".to_owned(), format!("inject={calls}:error=EROFS")]);
    let said = traced(&place, "all", &folder.path().join("list"), &options);
    assert!(kept_in(&said).is_empty(), "{said}");
    assert!(said.contains("no book: ") || said.contains("refused"), "{said}");
    faults(&place.join("book.sqlite"), &BTreeSet::from([0])).unwrap();
}
