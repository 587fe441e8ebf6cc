//! The power fails, the disk fills, the device answers with an error: at every point of a run, what had been said to be
//! kept is there, whole, and nothing is half done.
//!
//! A child process plays a stop, a day's file, an import or the opening of an old book on the real store while strace(1)
//! writes down every write, flush, rename and deletion it
//! asks the system for. The parent plays that list back into a model of a disk that keeps only what was flushed: at each
//! point of the list the power is cut, and of what was not flushed each 512-byte sector is kept, dropped, or filled with
//! rubbish, and each new name kept or dropped, by the dice. The real store then opens what is left. The same strace makes
//! the n-th call of each kind fail, for every n.
//!
//! What a disk may do to unflushed writes: sqlite.org/atomiccommit.html sections 2 and 9, fsync(2), rename(2).
//! `LIDMARK_POWER=1000 cargo test --test all power` cuts with so many damages at each point, `LIDMARK_FAULTS=1` makes every
//! single call fail and not every twelfth; `LIDMARK_SEED` repeats a run.

mod runs;

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use self::runs::Run;
use crate::fixture::Dice;

/// Names the folder that is worked in, for the child; what is only read lies beside it in `inputs`.
const FOLDER: &str = "LIDMARK_TEST_POWER_FOLDER";
/// Says which run the child plays.
const RUN: &str = "LIDMARK_TEST_POWER_RUN";
/// What the child says when it has come to its end.
const END: &str = "the end";

fn say(what: &str) {
    let mut out = std::io::stdout().lock();
    // One write, so that it is one line of strace's list; a leading break, because the harness has begun a line.
    out.write_all(format!("\n{what}\n").as_bytes()).unwrap();
    out.flush().unwrap();
}

// --- strace ------------------------------------------------------------------------------------------

/// Every call that changes what is on the disk, those that make it safe, and the one that says where a write begins.
const CALLS: &str = "openat,open,creat,lseek,write,writev,pwrite64,pwritev,pwritev2,ftruncate,truncate,fallocate,fsync,fdatasync,\
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
    if let (Some(folder), Ok(run)) = (std::env::var_os(FOLDER), std::env::var(RUN)) {
        let folder = Path::new(&folder);
        (Run::named(&run).play)(folder, &folder.with_file_name("inputs"));
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

/// Puts together the calls that strace wrote in two pieces because another thread's came between: a write stands where it
/// began, as some of it may lie on the disk from then on; everything else where it ended, as nothing is sure before.
fn whole_calls(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut begun: BTreeMap<&str, usize> = BTreeMap::new();
    for line in text.lines() {
        let Some((thread, call)) = line.split_once(' ') else {
            continue;
        };
        if let Some(start) = line.strip_suffix(" <unfinished ...>") {
            begun.insert(thread, lines.len());
            lines.push(start.to_owned());
        } else if let Some((_, rest)) = call
            .trim_start()
            .strip_prefix("<... ")
            .and_then(|call| call.split_once(" resumed>"))
        {
            let start = begun.remove(thread).expect("a call ends that has begun");
            let line = std::mem::take(&mut lines[start]) + rest;
            if line.contains(" write(") || line.contains(" pwrite64(") {
                lines[start] = line;
            } else {
                lines.push(line);
            }
        } else {
            lines.push(line.to_owned());
        }
    }
    // A thread that never came back, at the end of the process, has said no result.
    for start in begun.into_values() {
        lines[start].clear();
    }
    lines
}

#[test]
fn calls_in_two_pieces_are_put_together() {
    // By the manual, strace(1): "unfinished" and "resumed".
    let list = "7 pwrite64(3<\\x61>, \"\\x62\", 1, 0 <unfinished ...>\n8 fsync(4<\\x63> <unfinished ...>\n\
                9 close(5) = 0\n7 <... pwrite64 resumed>) = 1\n8 <... fsync resumed>) = 0\n8 futex(0x7f <unfinished ...>\n";
    let kept = whole_calls(list).into_iter().filter(|line| !line.is_empty());
    assert_eq!(
        kept.collect::<Vec<_>>(),
        [
            "7 pwrite64(3<\\x61>, \"\\x62\", 1, 0) = 1",
            "9 close(5) = 0",
            "8 fsync(4<\\x63>) = 0",
        ]
    );
}

/// Reads strace's list; a call on the book's folder that is not known here fails, because the model would be wrong.
fn events(list: &Path, folder: &Path) -> Vec<Event> {
    let text = std::fs::read_to_string(list).unwrap();
    let mut ends: BTreeMap<PathBuf, u64> = BTreeMap::new();
    let mut found = Vec::new();
    for line in whole_calls(&text) {
        let Some((call, rest)) = line
            .split_once(' ')
            .and_then(|(_, call)| call.trim_start().split_once('('))
        else {
            continue;
        };
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
            "lseek" => {
                if let Some(path) = handle.filter(|path| !failed && ours(path)) {
                    ends.insert(path, result());
                }
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
    /// A disk on which all that lies in a folder is safe.
    fn holding(folder: &Path) -> Self {
        let mut disk = Self::default();
        let mut waiting = vec![folder.to_owned()];
        while let Some(place) = waiting.pop() {
            for entry in std::fs::read_dir(place).unwrap() {
                let path = entry.unwrap().path();
                let name = if path.is_dir() {
                    waiting.push(path.clone());
                    Name::Folder
                } else {
                    disk.files.push(FileOnDisk {
                        safe: std::fs::read(&path).unwrap(),
                        unflushed: Vec::new(),
                    });
                    Name::File(disk.files.len() - 1)
                };
                disk.seen.insert(path.clone(), name);
                disk.safe.insert(path, name);
            }
        }
        disk
    }

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
fn cut_everywhere(made: &Recorded, damages: usize, honest: bool, seed: u64) -> (usize, usize, Vec<String>) {
    let (mut disk, mut kept, mut dice) = (made.before.clone(), BTreeSet::new(), Dice::new(seed));
    let (mut cuts, mut images, mut bad) = (0, 0, Vec::new());
    for (point, event) in made.list.iter().enumerate() {
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
            disk.cut(&mut dice, &made.folder(), folder.path());
            images += 1;
            if let Err(fault) = (made.run.faults)(folder.path(), &made.inputs(), &kept) {
                bad.push(format!(
                    "{}, cut {point} after {}: {fault}",
                    made.run.name,
                    short(event)
                ));
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

/// What the child did, as strace saw it.
struct Recorded {
    run: &'static Run,
    place: tempfile::TempDir,
    before: Disk,
    list: Vec<Event>,
}

impl Recorded {
    fn folder(&self) -> PathBuf {
        self.place.path().join("folder")
    }

    fn inputs(&self) -> PathBuf {
        self.place.path().join("inputs")
    }
}

/// The folders of a run, with what is there before it.
fn prepared(run: &Run) -> tempfile::TempDir {
    let place = in_memory();
    let [folder, inputs] = ["folder", "inputs"].map(|name| place.path().join(name));
    std::fs::create_dir(&folder).unwrap();
    std::fs::create_dir(&inputs).unwrap();
    (run.prepare)(&folder, &inputs);
    place
}

fn recorded(run: &str) -> Recorded {
    let run = Run::named(run);
    let place = prepared(run);
    let folder = place.path().join("folder");
    let before = Disk::holding(&folder);
    let list = place.path().join("list");
    let said = traced(&folder, run.name, &list, &["-e".to_owned(), format!("trace={CALLS}")]);
    assert_eq!(kept_in(&said).len(), run.kept, "{said}");
    let list = events(&list, &folder);
    // The list, played back whole, is the folder the child left: the model of the disk is the system's.
    let mut disk = before.clone();
    for event in &list {
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
    assert!(disk.seen.contains_key(&folder.join("book.sqlite")));
    Recorded {
        run,
        place,
        before,
        list,
    }
}

/// Cuts a run at every point, `LIDMARK_POWER` times or as often as given, and asks that nothing be lost.
fn nothing_is_lost(run: &str, usual: usize) {
    let made = recorded(run);
    let (seed, damages) = (seed(), damages(usual));
    println!("repeat with: LIDMARK_SEED={seed} LIDMARK_POWER={damages} cargo test --test all power -- --nocapture");
    let (cuts, images, bad) = cut_everywhere(&made, damages, true, seed);
    println!("{run}: {cuts} cuts, {images} disks opened, {} bad", bad.len());
    assert!(
        bad.is_empty(),
        "seed {seed}: {} of {images} are bad, such as {:#?}",
        bad.len(),
        &bad[..bad.len().min(5)]
    );
}

#[test]
fn the_power_fails_at_every_point_and_nothing_kept_is_lost() {
    nothing_is_lost("stop", 2);
}

#[test]
fn a_days_file_is_whole_or_not_there_wherever_the_power_fails() {
    nothing_is_lost("day file", 2);
}

#[test]
fn an_import_is_whole_or_not_there_wherever_the_power_fails() {
    nothing_is_lost("import", 2);
}

#[test]
fn an_old_book_is_brought_to_todays_form_wherever_the_power_fails() {
    nothing_is_lost("old book", 2);
}

/// The tests above would see it: on a disk whose flushes do nothing the same run loses what was said to be kept.
#[test]
fn a_disk_that_only_says_it_flushed_is_found_out() {
    let made = recorded("stop");
    let later = made.list.len() - 60;
    let (mut disk, mut kept) = (Disk::default(), BTreeSet::new());
    let mut bad = 0;
    let mut dice = Dice::new(7);
    for (point, event) in made.list.iter().enumerate() {
        if let Event::Said(text) = event
            && let Some(place) = text.strip_prefix("kept ")
        {
            kept.insert(place.parse().unwrap());
        }
        disk.take(event, false);
        if point >= later {
            let left = in_memory();
            disk.cut(&mut dice, &made.folder(), left.path());
            bad += usize::from((made.run.faults)(left.path(), &made.inputs(), &kept).is_err());
        }
    }
    assert!(bad > 30, "only {bad} of 60 cuts on a lying disk were noticed");
}

/// The same actions written past the store pass when written as the store writes them, and are found out without flushing
/// and without a transaction: the tests above see what either of them is for.
#[test]
fn without_flushing_or_without_a_transaction_the_same_work_is_found_out() {
    let seed = seed();
    println!("repeat with: LIDMARK_SEED={seed} cargo test --test all power -- --nocapture");
    let bad = |run: &str| cut_everywhere(&recorded(run), 2, true, seed).2;
    assert_eq!(bad("bare"), Vec::<String>::new());
    let lost = bad("bare, not flushed");
    assert!(
        lost.iter().any(|fault| fault.contains("is gone")),
        "nothing was lost without flushing: {lost:#?}"
    );
    let half = bad("bare, no transaction");
    assert!(
        half.iter()
            .any(|fault| fault.contains("by half") || fault.contains("what the log says")),
        "nothing was half done without a transaction: {half:#?}"
    );
    println!(
        "{} bad disks without flushing, {} without transactions",
        lost.len(),
        half.len()
    );
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

/// Every path an undisturbed run touches, from the folder on: strace's `-P` makes only calls on these fail.
fn paths(run: &'static Run) -> Vec<PathBuf> {
    let made = recorded(run.name);
    let mut found = made.before.seen.keys().cloned().collect::<BTreeSet<_>>();
    for event in &made.list {
        match event {
            Event::Create(path, _)
            | Event::Write(path, ..)
            | Event::Truncate(path, _)
            | Event::Flush(path)
            | Event::Remove(path)
            | Event::Folder(path) => found.extend([path.clone()]),
            Event::Rename(from, to) => found.extend([from.clone(), to.clone()]),
            Event::Said(_) => {}
        }
    }
    found.extend([made.folder(), made.folder().join("book.sqlite-shm")]);
    let inside = found
        .iter()
        .map(|path| path.strip_prefix(made.folder()).unwrap().to_owned());
    inside.collect()
}

/// The options with which strace looks at these paths only.
fn only(paths: &[PathBuf], folder: &Path) -> Vec<String> {
    let places = paths
        .iter()
        .map(|path| folder.join(path).to_string_lossy().into_owned());
    // A folder joined with nothing ends in a slash, and no call names it so.
    places
        .flat_map(|place| ["-P".to_owned(), place.trim_end_matches('/').to_owned()])
        .collect()
}

/// Runs with the `n`-th call of a kind failing (and all after it, with a `+`); returns whether anything failed.
fn refused(run: &Run, paths: &[PathBuf], call: &str, error: &str, when: &str) -> bool {
    let place = prepared(run);
    let [folder, inputs] = ["folder", "inputs"].map(|name| place.path().join(name));
    let list = place.path().join("list");
    let mut options = vec!["-e".to_owned(), format!("trace={call}")];
    options.extend(only(paths, &folder));
    options.extend(["-e".to_owned(), format!("inject={call}:error={error}:when={when}")]);
    let said = traced(&folder, run.name, &list, &options);
    let injected = std::fs::read_to_string(&list).unwrap().contains("(INJECTED)");
    if let Err(fault) = (run.faults)(&folder, &inputs, &kept_in(&said)) {
        panic!("{}: {call} number {when} answered {error}: {fault}\n{said}", run.name);
    }
    injected
}

/// Each kind of call fails at its n-th place until the run has none left: once, and from there on for good.
///
/// Every place with `step` 1; else every `step`-th, begun by the dice, the first and the next to it always.
fn every_place(run: &'static Run, paths: &[PathBuf], mine: impl Fn(usize) -> bool, step: usize, seed: u64) -> usize {
    let (mut runs, mut dice) = (0, Dice::new(seed));
    for (index, (call, error)) in REFUSED.iter().enumerate() {
        if !mine(index) {
            continue;
        }
        for for_good in ["", "+"] {
            if !refused(run, paths, call, error, &format!("1{for_good}")) {
                assert!(
                    run.name != "stop again",
                    "{call} is never called: the test no longer reaches it"
                );
                continue;
            }
            let mut n = 2 + dice.below(step);
            runs += 1;
            while refused(run, paths, call, error, &format!("{n}{for_good}")) {
                runs += 1;
                n += step;
            }
        }
    }
    runs
}

/// Makes a run's calls fail, one in so many or one in `LIDMARK_FAULTS`.
fn any_call_may_fail(run: &str, usual: usize) {
    let step = std::env::var("LIDMARK_FAULTS")
        .ok()
        .map_or(usual, |text| text.parse().unwrap());
    let seed = seed();
    println!("repeat with: LIDMARK_SEED={seed} LIDMARK_FAULTS={step} cargo test --test all power -- --nocapture");
    let run = Run::named(run);
    let paths = paths(run);
    let runs = std::thread::scope(|scope| {
        // Two at a time: each waits for processes.
        let half = scope.spawn(|| every_place(run, &paths, |index| index % 2 == 0, step, seed));
        every_place(run, &paths, |index| index % 2 == 1, step, seed) + half.join().unwrap()
    });
    println!("{}: {runs} runs with a failing call, none lost anything", run.name);
}

#[test]
fn a_call_that_fails_at_any_place_loses_nothing() {
    any_call_may_fail("stop again", 12);
}

#[test]
fn a_call_that_fails_while_a_days_file_is_made_loses_nothing() {
    any_call_may_fail("day file", 24);
}

#[test]
fn a_call_that_fails_during_an_import_loses_nothing() {
    any_call_may_fail("import", 40);
}

#[test]
fn a_call_that_fails_while_an_old_book_is_opened_loses_nothing() {
    any_call_may_fail("old book", 40);
}

#[test]
fn a_disk_that_may_not_be_written_loses_nothing_and_says_so() {
    for name in ["stop again", "day file", "import", "old book"] {
        let run = Run::named(name);
        let place = prepared(run);
        let [folder, inputs] = ["folder", "inputs"].map(|name| place.path().join(name));
        let calls = "pwrite64,write,ftruncate,rename,unlink,mkdir";
        let mut options = vec!["-e".to_owned(), format!("trace={calls}")];
        options.extend(only(&paths(run), &folder));
        options.extend(["-e".to_owned(), format!("inject={calls}:error=EROFS")]);
        let said = traced(&folder, run.name, &place.path().join("list"), &options);
        assert!(kept_in(&said).is_empty(), "{name}: {said}");
        assert!(said.contains("no book: ") || said.contains("refused"), "{name}: {said}");
        (run.faults)(&folder, &inputs, &BTreeSet::new()).unwrap();
    }
}
