//! Photos and signatures as files beside the book, named after what is in them.
//!
//! `photos/ab/<hash>.jpg` and `photos/ab/<hash>.thumb.jpg`, `ab` being the first two digits of the hash; signatures that a
//! day file brought to an office are `.svg` in the same folders. An office has no thumbnails: nobody looks at its photos in
//! rows. A file is written under another name, flushed, then renamed, and its folder flushed: under its own name it is
//! always whole. Files come before the record that names them, so a cut leaves a file without a record, never a record
//! without its file. The books that lie in one folder share their photos: what two of them name lies there once.

use super::StoreError;
use sha2::{Digest as _, Sha256};
use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Begins the name of a file that is still being written.
const PART: &str = ".part-";

/// Held while files are put into the folder or taken from it; given back when dropped, also by a process that is killed.
#[derive(Debug)]
pub struct Hold {
    _file: File,
}

/// Whether an import got its turn.
#[derive(Debug)]
pub enum Turn {
    /// Nobody else is at it.
    Mine(Hold),
    /// Another program still is.
    Taken,
}

/// The folder of photos beside a book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Blobs {
    root: PathBuf,
}

/// How the files agree with the records.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Agreement {
    /// Hashes that a record names and whose picture or thumbnail is not there.
    pub missing: Vec<String>,
    /// Hashes of files that no record names; they do no harm and may be deleted by hand.
    pub unnamed: Vec<String>,
    /// Files that were being written when the program was cut off.
    pub unfinished: Vec<PathBuf>,
}

impl Blobs {
    /// The photos beside the book at `book`.
    #[must_use]
    pub fn beside(book: &Path) -> Self {
        Self {
            root: book.with_file_name("photos"),
        }
    }

    /// The folder itself.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Where pictures wait that are not photos yet.
    #[must_use]
    pub fn inbox(&self) -> PathBuf {
        self.root.join("inbox")
    }

    /// Where a photo's picture lies; `None` when `hash` is none.
    #[must_use]
    pub fn picture(&self, hash: &str) -> Option<PathBuf> {
        self.file(hash, "jpg")
    }

    /// Where its thumbnail lies.
    #[must_use]
    pub fn thumbnail(&self, hash: &str) -> Option<PathBuf> {
        self.file(hash, "thumb.jpg")
    }

    /// Where a file lies; `None` when `hash` is none, or `ending` leads elsewhere.
    #[must_use]
    pub fn file(&self, hash: &str, ending: &str) -> Option<PathBuf> {
        // Only digits and letters: no text from a book may lead out of the folder.
        let is_sound = hash.len() == 64
            && hash.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
            && ending.bytes().all(|b| b == b'.' || b.is_ascii_alphanumeric());
        let folder = hash.get(..2).filter(|_| is_sound)?;
        Some(self.root.join(folder).join(format!("{hash}.{ending}")))
    }

    /// Keeps a photo's two files; what is already there stays.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be written; then neither name holds half a file.
    pub fn keep(&self, hash: &str, picture: &[u8], thumbnail: &[u8]) -> Result<(), StoreError> {
        let (Some(large), Some(small)) = (self.picture(hash), self.thumbnail(hash)) else {
            return Err(StoreError::Damaged {
                detail: "a photo without a hash".to_owned(),
            });
        };
        let mut is_found = false;
        for (path, bytes) in [(&large, picture), (&small, thumbnail)] {
            if std::fs::metadata(path).is_ok_and(|file| file.len() == bytes.len() as u64) {
                is_found = true;
            } else {
                write_whole(path, bytes)?;
            }
        }
        if is_found {
            // Whoever laid it there may have been cut off before its name was on the disk.
            self.flush_names([&large, &small].into_iter())
                .map_err(StoreError::file("write the file", &large))?;
        }
        Ok(())
    }

    /// Waits for its turn to change the folder, and with it the book, until another import has ended.
    ///
    /// # Errors
    /// When the folder cannot be made or written to.
    pub fn hold(&self, patience: Duration) -> io::Result<Turn> {
        fs::create_dir_all(&self.root)?;
        let file = File::create(self.root.join(".turn"))?;
        let begun = Instant::now();
        loop {
            match file.try_lock() {
                Ok(()) => return Ok(Turn::Mine(Hold { _file: file })),
                Err(TryLockError::WouldBlock) if begun.elapsed() < patience => {
                    std::thread::sleep(Duration::from_millis(50));
                }
                Err(TryLockError::WouldBlock) => return Ok(Turn::Taken),
                Err(TryLockError::Error(error)) => return Err(error),
            }
        }
    }

    /// Puts one file there as it is read, flushed, unless it is there already; returns whether it is new. Only who holds
    /// the folder may; [`Blobs::flush_names`] comes after, for what was there already too.
    ///
    /// * `bytes`: its size; a file of another size is one that was cut off, and is written anew
    ///
    /// # Errors
    /// When reading or writing fails; then nothing has been left behind.
    pub fn put(&self, path: &Path, bytes: u64, mut from: impl Read) -> io::Result<bool> {
        if fs::metadata(path).is_ok_and(|known| known.is_file() && known.len() == bytes) {
            return Ok(false);
        }
        if let Some(folder) = path.parent() {
            fs::create_dir_all(folder)?;
        }
        let part = self.root.join(format!("{PART}import"));
        let written = File::create(&part)
            .and_then(|mut file| {
                io::copy(&mut from, &mut file)?;
                file.flush()?;
                file.sync_all()
            })
            .and_then(|()| fs::rename(&part, path));
        if written.is_err() {
            // It may not have been made at all; the reason given is the first one.
            drop(fs::remove_file(&part));
        }
        written.map(|()| true)
    }

    /// Makes sure that the names of files are on the disk too: of those just put there, and of those found there, because
    /// whoever put them there may have been cut off before.
    ///
    /// # Errors
    /// When a folder cannot be flushed.
    pub fn flush_names<'a>(&self, paths: impl Iterator<Item = &'a PathBuf>) -> io::Result<()> {
        let mut folders: BTreeSet<&Path> = paths.filter_map(|path| path.parent()).collect();
        if folders.is_empty() {
            return Ok(());
        }
        folders.insert(&self.root);
        folders.extend(self.root.parent());
        folders.into_iter().try_for_each(flush_folder)
    }

    /// Lists the files that are there under a hash, by path, and then those that were left unfinished. What waits in the
    /// inbox, and files whose name is no hash, belong to somebody else.
    ///
    /// # Errors
    /// [`StoreError`] when the folder cannot be read. A folder that is not there holds nothing.
    pub fn list(&self) -> Result<(Vec<PathBuf>, Vec<PathBuf>), StoreError> {
        let (mut whole, mut unfinished) = (Vec::new(), Vec::new());
        let mut sort = |path: PathBuf| {
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if name.starts_with(PART) {
                unfinished.push(path);
            } else if name
                .split_once('.')
                .is_some_and(|(hash, ending)| self.file(hash, ending).as_ref() == Some(&path))
            {
                whole.push(path);
            }
        };
        for entry in entries(&self.root)? {
            if entry == self.inbox() {
                continue;
            }
            if entry.is_dir() {
                entries(&entry)?.into_iter().for_each(&mut sort);
            } else {
                sort(entry);
            }
        }
        Ok((whole, unfinished))
    }

    /// Compares the files with the hashes that records name.
    ///
    /// # Errors
    /// [`StoreError`] when a folder cannot be read.
    pub fn agreement(&self, named: &BTreeSet<String>) -> Result<Agreement, StoreError> {
        let mut found = Agreement::default();
        for hash in named {
            let there = |path: Option<PathBuf>| path.is_some_and(|path| path.is_file());
            if !there(self.picture(hash)) || !there(self.thumbnail(hash)) {
                found.missing.push(hash.clone());
            }
        }
        let (whole, unfinished) = self.list()?;
        let hashes = whole.iter().filter_map(|path| {
            let name = path.file_name()?.to_str()?;
            name.split_once('.').map(|(hash, _)| hash.to_owned())
        });
        let unnamed = hashes.filter(|hash| !named.contains(hash)).collect::<BTreeSet<_>>();
        found.unfinished = unfinished;
        found.unnamed = unnamed.into_iter().collect();
        Ok(found)
    }
}

/// Lists a folder in order; one that is not there holds nothing.
///
/// # Errors
/// [`StoreError`] when it cannot be read.
pub fn entries(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let doing = "list the folder";
    let list = match std::fs::read_dir(folder) {
        Ok(list) => list,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(StoreError::file(doing, folder)(error)),
    };
    let mut paths = list
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<Vec<_>, _>>()
        .map_err(StoreError::file(doing, folder))?;
    paths.sort();
    Ok(paths)
}

/// Writes a file so that it is either not there or whole, whenever the device loses its power.
///
/// # Errors
/// [`StoreError`] when it cannot be written; then nothing stands under its name that was not there before.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let doing = "write the file";
    let failed = StoreError::file(doing, path);
    let (Some(folder), Some(name)) = (path.parent(), path.file_name()) else {
        return Err(failed(io::ErrorKind::InvalidInput.into()));
    };
    make_folder(folder).map_err(&failed)?;
    let part = folder.join(format!("{PART}{}", name.to_string_lossy()));
    let written = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .open(&part)
        .and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        })
        .and_then(|()| std::fs::rename(&part, path))
        .and_then(|()| flush_folder(folder));
    written.map_err(|error| {
        // What could not be written takes room that is missing; if it cannot be removed either, the check finds it.
        drop(std::fs::remove_file(&part));
        failed(error)
    })
}

/// Makes a folder with those above it, so that their names survive too.
fn make_folder(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    let above = folder.parent().ok_or(io::ErrorKind::InvalidInput)?;
    make_folder(above)?;
    match std::fs::create_dir(folder) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(error),
        _ => flush_folder(above),
    }
}

/// Returns the SHA-256 of a file, as 64 hexadecimal digits.
///
/// # Errors
/// When it cannot be read.
pub fn hash_of(path: &Path) -> io::Result<String> {
    use std::fmt::Write as _;
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 64 * 1024];
    loop {
        let count = file.read(&mut buffer)?;
        let Some(read) = buffer.get(..count).filter(|read| !read.is_empty()) else {
            break;
        };
        hasher.update(read);
    }
    Ok(hasher.finalize().iter().fold(String::new(), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    }))
}

/// Flushes the names in a folder to the disk: a new name is only safe then.
///
/// # Errors
/// When the folder cannot be flushed. Systems that cannot open a folder keep names in order by themselves.
pub fn flush_folder(folder: &Path) -> io::Result<()> {
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    if cfg!(unix) {
        File::open(folder)?.sync_all()
    } else {
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const HASH: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    #[test]
    fn only_a_hash_names_a_file() {
        let blobs = Blobs::beside(Path::new("/nowhere/book.sqlite"));
        assert_eq!(
            blobs.picture(HASH).unwrap(),
            Path::new("/nowhere/photos/ba").join(format!("{HASH}.jpg"))
        );
        let upper = HASH.to_uppercase();
        for wrong in ["", "..", "ba", &HASH[1..], &upper, &HASH.replace("ba78", "../.")] {
            assert_eq!(blobs.picture(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn files_and_records_are_held_against_each_other() {
        let folder = tempfile::tempdir().unwrap();
        let blobs = Blobs::beside(&folder.path().join("book.sqlite"));
        let none = BTreeSet::new();
        let named = BTreeSet::from([HASH.to_owned()]);
        assert_eq!(blobs.agreement(&none).unwrap(), Agreement::default());
        assert_eq!(blobs.agreement(&named).unwrap().missing, [HASH]);
        blobs.keep(HASH, b"large", b"small").unwrap();
        assert_eq!(blobs.agreement(&named).unwrap(), Agreement::default());
        assert_eq!(blobs.agreement(&none).unwrap().unnamed, [HASH]);
        let part = blobs.root().join("ba").join(format!("{PART}x"));
        std::fs::write(&part, b"half").unwrap();
        assert_eq!(blobs.agreement(&named).unwrap().unfinished, [part]);
        std::fs::remove_file(blobs.thumbnail(HASH).unwrap()).unwrap();
        assert_eq!(blobs.agreement(&named).unwrap().missing, [HASH]);
        // Kept again, what is missing comes back.
        blobs.keep(HASH, b"large", b"small").unwrap();
        assert_eq!(std::fs::read(blobs.thumbnail(HASH).unwrap()).unwrap(), b"small");
    }
}
