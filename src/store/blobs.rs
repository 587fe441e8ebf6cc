//! Photos as files beside the book, named after what is in them.
//!
//! `photos/ab/<hash>.jpg` and `photos/ab/<hash>.thumb.jpg`, `ab` being the first two digits of the hash. A file is written
//! under another name, flushed, then renamed, and its folder flushed: under its own name it is always whole. Files come
//! before the record that names them, so a cut leaves a file without a record, never a record without its file.

use super::StoreError;
use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Begins the name of a file that is still being written.
const PART: &str = ".part-";

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

    fn file(&self, hash: &str, ending: &str) -> Option<PathBuf> {
        // Only digits: no text from a book may lead out of the folder.
        let sound = hash.len() == 64 && hash.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        let folder = hash.get(..2).filter(|_| sound)?;
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
        for (path, bytes) in [(large, picture), (small, thumbnail)] {
            let there = std::fs::metadata(&path).is_ok_and(|file| file.len() == bytes.len() as u64);
            if !there {
                write_whole(&path, bytes)?;
            }
        }
        Ok(())
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
        let mut unnamed = BTreeSet::new();
        for folder in entries(&self.root)? {
            if !folder.is_dir() {
                continue;
            }
            for path in entries(&folder)? {
                let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                if name.starts_with(PART) {
                    found.unfinished.push(path);
                } else if let Some((hash, _)) = name.split_once('.')
                    && self.picture(hash).is_some()
                    && !named.contains(hash)
                {
                    unnamed.insert(hash.to_owned());
                }
            }
        }
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
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
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
        return Err(failed(std::io::ErrorKind::InvalidInput.into()));
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
fn make_folder(folder: &Path) -> std::io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    let above = folder.parent().ok_or(std::io::ErrorKind::InvalidInput)?;
    make_folder(above)?;
    match std::fs::create_dir(folder) {
        Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => Err(error),
        _ => flush_folder(above),
    }
}

/// A new name is only safe once its folder has been flushed; systems that cannot open a folder flush it themselves.
fn flush_folder(folder: &Path) -> std::io::Result<()> {
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
