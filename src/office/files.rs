//! What a command reads and what it writes: an output never takes the place of what must not be lost.

use super::Refusal;
use super::context::cannot_write;
use crate::say::words::Words;
use crate::store::{APPLICATION_ID, log_length, with_end};
use std::cell::RefCell;
use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

/// Largest list, template or map that is read.
const MOST_BYTES: u64 = 256 * 1024 * 1024;

/// How every `SQLite` database begins (sqlite.org/fileformat.html, 1.3).
const DATABASE: &[u8] = b"SQLite format 3\0";

/// How the line of a secret office key begins.
const SECRET: &[u8] = b"AGE-SECRET-KEY-";

/// What lies beside a database and is part of it (sqlite.org/tempfiles.html).
const BESIDE: [&str; 3] = ["-wal", "-shm", "-journal"];

/// How many links are followed one after the other.
const MOST_LINKS: usize = 40;

/// What no output of a command may take the place of: the book with all that belongs to it, any other database, a secret
/// key, and what the same command reads.
#[derive(Debug, Default)]
pub struct Kept {
    book: Option<PathBuf>,
    read: RefCell<Vec<PathBuf>>,
}

impl Kept {
    /// For a command over this book.
    #[must_use]
    pub fn of_book(book: &Path) -> Self {
        Self {
            book: Some(book.to_owned()),
            ..Self::default()
        }
    }

    /// Notes a file the command reads.
    pub fn note(&self, path: &Path) {
        if path.as_os_str() != "-" {
            self.read.borrow_mut().push(path.to_owned());
        }
    }

    /// Reads a whole file of bounded size, `-` from `stdin`, and notes it.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn read(&self, path: &Path, stdin: &mut dyn Read, words: Words) -> Result<Vec<u8>, Refusal> {
        self.note(path);
        let mut bytes = Vec::new();
        let read = if path.as_os_str() == "-" {
            stdin.take(MOST_BYTES + 1).read_to_end(&mut bytes)
        } else {
            File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes))
        };
        read.map_err(|error| super::key::unreadable(path, &error, words))?;
        if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > MOST_BYTES {
            return Err(Refusal::refused(
                words.f("{0} is larger than 256 MiB.", &[&path.display().to_string()]),
                words.t("Split it and give the parts one after the other."),
            ));
        }
        Ok(bytes)
    }

    /// Refuses outputs that would take the place of what must not be lost, or of each other.
    ///
    /// Asked of all outputs of a command before it changes anything; [`write_file`] asks again.
    ///
    /// # Errors
    /// Which one, and why.
    pub fn allow<'a>(&self, outputs: impl IntoIterator<Item = &'a Path>, words: Words) -> Result<(), Refusal> {
        let mut before = Vec::<&Path>::new();
        for path in outputs {
            if path.as_os_str() == "-" || goes_straight(path) {
                continue;
            }
            if let Some(what) = self.why_not(path, words) {
                return Err(Refusal::refused(
                    what,
                    words.t("Nothing was written. Give the output a file name of its own."),
                ));
            }
            if before.iter().any(|other| same_file(other, path)) {
                return Err(Refusal::input(
                    words.f("{0} is named for two outputs.", &[&path.display().to_string()]),
                    words.t("Nothing was written. Give the output a file name of its own."),
                ));
            }
            before.push(path);
        }
        Ok(())
    }

    fn why_not(&self, path: &Path, words: Words) -> Option<String> {
        let place = path.display().to_string();
        if let Some(book) = &self.book {
            let book_place = book.display().to_string();
            if same_file(path, book) {
                return Some(words.f("{0} is the book itself: no output takes its place.", &[&place]));
            }
            if BESIDE.iter().any(|end| same_file(path, &with_end(book, end))) {
                return Some(words.f(
                    "{0} is part of the book {1}: no output takes its place.",
                    &[&place, &book_place],
                ));
            }
            let photos = book.with_file_name("photos");
            let rules = book.with_file_name("rules");
            if lies_in(path, &photos) || path.exists() && lies_in(path, &rules) {
                return Some(words.f(
                    "{0} lies in a folder that belongs to the book {1}.",
                    &[&place, &book_place],
                ));
            }
        }
        if self.read.borrow().iter().any(|read| same_file(read, path)) {
            return Some(words.f("{0} is read by this command, and cannot be its output too.", &[&place]));
        }
        let target = followed(path).unwrap_or_else(|_| path.to_owned());
        let name = target.as_os_str().to_string_lossy().into_owned();
        if is_database(&target) {
            return Some(words.f("{0} is a database: no output takes its place.", &[&place]));
        }
        if holds_a_secret(&target) {
            return Some(words.f("{0} holds a secret key: no output takes its place.", &[&place]));
        }
        let database = BESIDE.iter().find_map(|end| name.strip_suffix(end));
        database
            .filter(|database| is_database(Path::new(database)))
            .map(|database| {
                words.f(
                    "{0} is part of the database {1}: no output takes its place.",
                    &[&place, database],
                )
            })
    }
}

/// The first bytes of an `SQLite` database.
struct Head([u8; 72]);

impl Head {
    /// `None` when it is no database.
    fn of(path: &Path) -> Option<Self> {
        let mut head = [0; 72];
        let read = path.is_file() && File::open(path).and_then(|mut file| file.read_exact(&mut head)).is_ok();
        (read && head.starts_with(DATABASE)).then_some(Self(head))
    }

    // sqlite.org/fileformat.html, 1.3: the number of pages stands at byte 28, the application id at byte 68.
    fn has_mark(&self) -> bool {
        self.0.get(68..) == Some(APPLICATION_ID.to_be_bytes().as_slice())
    }

    /// Every table has a page of its own besides the first.
    fn is_bare(&self) -> bool {
        self.0.get(28..32) == Some([0, 0, 0, 1].as_slice())
    }
}

/// Whether a file holds nothing that could be looked up: no byte, or a database without any table.
///
/// With a log beside it what it holds may still stand there.
#[must_use]
pub fn is_empty(path: &Path) -> bool {
    let has_log = log_length(path) > 0;
    path.is_file()
        && !has_log
        && (fs::metadata(path).is_ok_and(|file| file.len() == 0) || Head::of(path).is_some_and(|head| head.is_bare()))
}

/// Whether a file is certainly no book: no database, or one without the mark of a book.
#[must_use]
pub fn is_no_book(path: &Path) -> bool {
    let has_log = log_length(path) > 0;
    path.is_file() && !has_log && !Head::of(path).is_some_and(|head| head.has_mark())
}

/// Whether it is an `SQLite` database, whoever's.
#[must_use]
pub fn is_database(path: &Path) -> bool {
    Head::of(path).is_some()
}

/// A key file begins with lines that say what it is.
fn holds_a_secret(path: &Path) -> bool {
    const MOST: u64 = 4_096;
    let mut bytes = Vec::new();
    let read = path.is_file()
        && File::open(path)
            .and_then(|file| file.take(MOST).read_to_end(&mut bytes))
            .is_ok();
    read && bytes.split(|byte| *byte == b'\n').any(|line| line.starts_with(SECRET))
}

/// Whether two names are those of one file, whatever links and ways lead to it; it need not be there yet.
#[must_use]
pub fn same_file(a: &Path, b: &Path) -> bool {
    match (place_of(a), place_of(b)) {
        (Some(one), Some(other)) if one == other => true,
        _ => same_node(a, b),
    }
}

/// Two names in the file system may stand for one file.
#[cfg(unix)]
fn same_node(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let node = |path: &Path| fs::metadata(path).ok().map(|data| (data.dev(), data.ino()));
    node(a).is_some_and(|one| node(b) == Some(one))
}

#[cfg(not(unix))]
fn same_node(_: &Path, _: &Path) -> bool {
    false
}

/// The one name of a file with no link in it; of one that is not there, its name in its folder.
fn place_of(path: &Path) -> Option<PathBuf> {
    let path = followed(path).ok()?;
    if let Ok(place) = path.canonicalize() {
        return Some(place);
    }
    Some(folder_of(&path).canonicalize().ok()?.join(path.file_name()?))
}

fn lies_in(path: &Path, folder: &Path) -> bool {
    let folder = folder.canonicalize();
    place_of(path)
        .zip(folder.ok())
        .is_some_and(|(path, folder)| path.starts_with(folder))
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// What a link points to in the end, whether it is there or not.
///
/// # Errors
/// When there are too many links, or one cannot be read.
pub fn followed(path: &Path) -> io::Result<PathBuf> {
    let mut path = path.to_owned();
    for _ in 0..MOST_LINKS {
        if !path.is_symlink() {
            return Ok(path);
        }
        let next = fs::read_link(&path)?;
        path = folder_of(&path).join(next);
    }
    Err(io::Error::other("too many links"))
}

/// Standard output under the names systems give it.
#[must_use]
pub fn is_stdout(path: &Path) -> bool {
    ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"]
        .iter()
        .any(|name| path == Path::new(name))
}

/// Whether it is no regular file, and so written into instead of replaced: a pipe, a device, an open file's number.
fn goes_straight(path: &Path) -> bool {
    let open_file = ["/dev/fd", "/proc/self/fd"]
        .iter()
        .any(|folder| path.starts_with(folder));
    let named = [Path::new("/dev/stdout"), Path::new("/dev/stderr")].contains(&path);
    open_file || named || fs::metadata(path).is_ok_and(|data| !data.is_file() && !data.is_dir())
}

/// A file that is written and flushed under a name of its own, and not yet put in its place.
///
/// Dropped before that it is taken away again. Where it is to lie a link is followed; what is no regular file is written
/// into when it is put there.
#[derive(Debug)]
pub struct FileToBe {
    /// What was named.
    path: PathBuf,
    way: Way,
}

#[derive(Debug)]
enum Way {
    Replace { part: PathBuf, target: PathBuf },
    Straight(Vec<u8>),
}

impl FileToBe {
    /// Writes it beside where it is to lie.
    ///
    /// # Errors
    /// What was refused, and what to do; then nothing is left of it.
    pub fn write(path: &Path, bytes: &[u8], kept: &Kept, words: Words) -> Result<Self, Refusal> {
        kept.allow([path], words)?;
        let failed = |error: &io::Error| cannot_write(path, error, words);
        if path.is_dir() {
            return Err(failed(&ErrorKind::IsADirectory.into()));
        }
        if is_stdout(path) && fs::metadata(path).is_ok_and(|data| data.is_file()) {
            // What the command has to say goes into the same file, at a place of its own.
            return Err(Refusal::refused(
                words.f("{0} leads to a file here.", &[&path.display().to_string()]),
                words.t("Nothing was written. Give the output a file name of its own."),
            ));
        }
        if goes_straight(path) {
            return Ok(Self {
                path: path.to_owned(),
                way: Way::Straight(bytes.to_owned()),
            });
        }
        let target = followed(path).map_err(|error| failed(&error))?;
        let standing = fs::metadata(&target).ok().map(|data| data.permissions());
        if standing.as_ref().is_some_and(fs::Permissions::readonly) {
            return Err(failed(&ErrorKind::PermissionDenied.into()));
        }
        let (part, mut out) = new_part(&target).map_err(|error| failed(&error))?;
        let file = Self {
            path: path.to_owned(),
            way: Way::Replace { part, target },
        };
        let written = out.write_all(bytes).and_then(|()| {
            // Who may read what lay there may read what takes its place, and nobody else.
            if let Some(standing) = standing {
                out.set_permissions(standing)?;
            }
            out.sync_all()
        });
        written.map(|()| file).map_err(|error| failed(&error))
    }

    /// Puts it in its place, over what lies there.
    ///
    /// # Errors
    /// What was refused, and what to do; then what lay there is as it was.
    pub fn put(self, words: Words) -> Result<(), Refusal> {
        let put = match &self.way {
            Way::Replace { part, target } => fs::rename(part, target),
            Way::Straight(bytes) => OpenOptions::new()
                .append(true)
                .open(&self.path)
                .and_then(|mut out| out.write_all(bytes)),
        };
        put.map_err(|error| cannot_write(&self.path, &error, words))
    }
}

impl Drop for FileToBe {
    fn drop(&mut self) {
        if let Way::Replace { part, .. } = &self.way {
            // In its place it is no longer there; that it cannot be taken away changes nothing about the advice.
            drop(fs::remove_file(part));
        }
    }
}

/// Makes a file of a new name beside the target: what somebody else has there is none of ours.
fn new_part(target: &Path) -> io::Result<(PathBuf, File)> {
    const MOST_TRIES: u32 = 100;
    let mut tries = 0;
    loop {
        let part = with_end(target, &format!(".{}-{tries}.part", std::process::id()));
        match OpenOptions::new().write(true).create_new(true).open(&part) {
            Ok(file) => return Ok((part, file)),
            Err(error) if error.kind() == ErrorKind::AlreadyExists && tries < MOST_TRIES => tries += 1,
            Err(error) => return Err(error),
        }
    }
}

/// Writes a file whole or not at all: into a name of its own beside the target, flushed, then renamed.
///
/// # Errors
/// What was refused, and what to do.
pub fn write_file(path: &Path, bytes: &[u8], kept: &Kept, words: Words) -> Result<(), Refusal> {
    FileToBe::write(path, bytes, kept, words)?.put(words)
}
