//! The photos and signatures that lie beside the book, each under the SHA-256 of its bytes.
//!
//! A file is there whole or not at all, and is on the disk before the book says that it is there. What the book does not
//! name is left over from an import that was cut off; `doctor --clean` takes it away.

use sha2::{Digest as _, Sha256};
use std::collections::BTreeSet;
use std::fs::{self, File, TryLockError};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The folder beside a book.
#[derive(Clone, Debug)]
pub struct Blobs {
    root: PathBuf,
}

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

impl Blobs {
    /// The folder of the book at `book`: beside it, under its name.
    #[must_use]
    pub fn beside(book: &Path) -> Self {
        let mut name = book.file_stem().unwrap_or_default().to_owned();
        name.push("-files");
        Self {
            root: book.with_file_name(name),
        }
    }

    /// Returns where the folder is.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Returns where a file lies. The hash and the extension come from a checked file, so they are plain letters and digits.
    #[must_use]
    pub fn path(&self, hash: &str, extension: &str) -> PathBuf {
        self.root
            .join(hash.get(..2).unwrap_or_default())
            .join(format!("{hash}.{extension}"))
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

    /// Puts one file there, flushed, unless it is there already; returns whether it is new.
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
        let part = self.root.join(format!(".part-{}", std::process::id()));
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

    /// Makes sure that the names of the files just put there are on the disk too.
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

    /// Lists the files that are there, by path; unfinished ones and the mark of the turn left out.
    ///
    /// # Errors
    /// When the folder cannot be read. A folder that is not there holds nothing.
    pub fn list(&self) -> io::Result<Vec<PathBuf>> {
        self.entries(|name| !name.starts_with('.'))
    }

    /// Lists the files an import left unfinished.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn unfinished(&self) -> io::Result<Vec<PathBuf>> {
        self.entries(|name| name.starts_with(".part"))
    }

    fn entries(&self, wanted: impl Fn(&str) -> bool) -> io::Result<Vec<PathBuf>> {
        let mut found = Vec::new();
        let mut waiting = vec![self.root.clone()];
        while let Some(folder) = waiting.pop() {
            let entries = match fs::read_dir(&folder) {
                Ok(entries) => entries,
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                Err(error) => return Err(error),
            };
            for entry in entries {
                let entry = entry?;
                let kind = entry.file_type()?;
                if kind.is_dir() && folder == self.root {
                    waiting.push(entry.path());
                } else if kind.is_file() && wanted(&entry.file_name().to_string_lossy()) {
                    found.push(entry.path());
                }
            }
        }
        found.sort();
        Ok(found)
    }
}

/// Returns the SHA-256 of a file, as 64 hexadecimal digits.
///
/// # Errors
/// When it cannot be read.
pub fn hash_of(path: &Path) -> io::Result<String> {
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
    Ok(crate::exchange::dayfile::Digest(hasher.finalize().into()).to_string())
}

/// Flushes the names in a folder to the disk, where the system can.
///
/// # Errors
/// When the folder cannot be flushed.
pub fn flush_folder(folder: &Path) -> io::Result<()> {
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    // Only Unix flushes a folder like a file; elsewhere the system keeps names in order by itself.
    if cfg!(unix) {
        File::open(folder)?.sync_all()
    } else {
        Ok(())
    }
}
