//! A copy of the whole book, photos included, sealed with a phrase: what is taken away before a phone is wiped or given on.
//!
//! An age file (age-encryption.org/v1) sealed with a phrase (scrypt), around a ZIP of `book.sqlite` and `photos/`. Any age
//! program opens it (`age -d FILE > book.zip`); unpacked into an empty folder it is a book again (`lidmark --data FOLDER`).

use crate::exchange::dayfile::seal::{self, OfficeKey, OfficeSecret};
use crate::store::blobs::Blobs;
use crate::store::{Store, StoreError};
use age::secrecy::SecretString;
use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// The ending of a sealed copy.
pub const EXTENSION: &str = "lidmark-copy.age";

/// Why a copy could not be made. Nothing half written stays behind.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CopyError {
    /// The book cannot be copied.
    #[error(transparent)]
    Book(#[from] StoreError),
    /// A file cannot be read or written.
    #[error("{0}")]
    File(#[from] io::Error),
    /// The archive cannot be written.
    #[error("{0}")]
    Archive(#[from] zip::result::ZipError),
}

/// Why a copy cannot be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OpenError {
    /// Another phrase seals it.
    #[error("another phrase opens it")]
    Phrase,
    /// It is not whole, or not what it is said to be.
    #[error("{0}")]
    Damaged(String),
    /// A file cannot be read or written.
    #[error("{0}")]
    File(#[from] io::Error),
}

/// What the book is called in a copy.
const BOOK: &str = "book.sqlite";

/// The most work that is spent on a phrase, as a power of two: this takes 1 GiB of memory (scrypt, RFC 7914: 128 · N · r).
const MOST_WORK: u8 = 20;

/// A key and its remark take about 150 bytes.
const LONGEST_KEY: u64 = 4_096;

/// Files that are gone again unless all went well.
struct Unfinished(Vec<PathBuf>);

impl Drop for Unfinished {
    fn drop(&mut self) {
        for path in &self.0 {
            // One that was never made, or has its name by now, need not be removed.
            drop(fs::remove_file(path));
        }
    }
}

/// Copies the book and its photos into one sealed file.
///
/// * `book`: the book, which may be in use
/// * `phrase`: what opens it; nobody can without it
/// * `to`: the file, which is whole or not there
///
/// # Errors
/// [`CopyError`]; then there is no file.
pub fn write(book: &Path, phrase: String, to: &Path) -> Result<(), CopyError> {
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder)?;
    }
    let (plain, sealed) = (to.with_extension("book-part"), to.with_extension("part"));
    let unfinished = Unfinished(vec![plain.clone(), sealed.clone()]);
    Store::copy(book, &plain, &|_, _| {})?;
    let sealing = age::Encryptor::with_user_passphrase(SecretString::from(phrase))
        .wrap_output(BufWriter::new(File::create(&sealed)?))?;
    let mut archive = ZipWriter::new_stream(sealing);
    add(&mut archive, BOOK, &plain, CompressionMethod::Deflated)?;
    let photos = Blobs::beside(book);
    for folder in crate::store::blobs::entries(photos.root())? {
        let Some(name) = folder.file_name().and_then(|name| name.to_str()) else {
            continue;
        };
        if !folder.is_dir() {
            continue;
        }
        for photo in crate::store::blobs::entries(&folder)? {
            if let Some(file) = photo.file_name().and_then(|name| name.to_str()) {
                // Pictures are compressed already.
                add(
                    &mut archive,
                    &format!("photos/{name}/{file}"),
                    &photo,
                    CompressionMethod::Stored,
                )?;
            }
        }
    }
    let out = archive.finish()?.into_inner().finish()?;
    put_in_place(out, &sealed, to)?;
    drop(unfinished);
    Ok(())
}

/// Copies the book without its photos into one file sealed to a key.
///
/// * `part`: a folder for what is not finished; it lies on the same disk as `to`, and nothing else is in it
/// * `to`: the file, which is whole or as it was before
///
/// # Errors
/// [`CopyError`]; then `to` is as it was.
pub fn write_to_key(book: &Path, key: &OfficeKey, part: &Path, to: &Path) -> Result<(), CopyError> {
    fs::create_dir_all(part)?;
    let (plain, sealed) = (part.join(BOOK), part.join("sealed"));
    let unfinished = Unfinished(vec![plain.clone(), sealed.clone()]);
    // What a killed run left behind is of no use.
    remove(&plain)?;
    Store::copy(book, &plain, &|_, _| {})?;
    let mut archive = ZipWriter::new_stream(seal::seal(key, BufWriter::new(File::create(&sealed)?))?);
    add(&mut archive, BOOK, &plain, CompressionMethod::Deflated)?;
    let out = archive.finish()?.into_inner().finish()?;
    put_in_place(out, &sealed, to)?;
    drop(unfinished);
    Ok(())
}

/// Seals a secret key with a phrase, as `age -d -i` reads it: whoever has the phrase opens what is sealed to the key.
///
/// # Errors
/// [`io::Error`]; then `to` is as it was.
pub fn write_key(secret: &OfficeSecret, phrase: String, part: &Path, to: &Path) -> io::Result<()> {
    fs::create_dir_all(part)?;
    let sealed = part.join("key");
    let unfinished = Unfinished(vec![sealed.clone()]);
    let mut sealing = age::Encryptor::with_user_passphrase(SecretString::from(phrase))
        .wrap_output(BufWriter::new(File::create(&sealed)?))?;
    sealing.write_all(secret.to_text().as_bytes())?;
    put_in_place(sealing.finish()?, &sealed, to)?;
    drop(unfinished);
    Ok(())
}

/// Opens a key that a phrase seals.
///
/// # Errors
/// [`OpenError::Phrase`] for another phrase, otherwise what is wrong with the file.
pub fn read_key(from: &Path, phrase: String) -> Result<OfficeSecret, OpenError> {
    let mut identity = age::scrypt::Identity::new(SecretString::from(phrase));
    // The phone that sealed it may have been faster: one second of its work may be several here, an hour is no key of ours.
    identity.set_max_work_factor(MOST_WORK);
    let mut plain = String::new();
    age::Decryptor::new(BufReader::new(File::open(from)?))
        .and_then(|sealed| sealed.decrypt(std::iter::once(&identity as &dyn age::Identity)))
        .map_err(|error| match error {
            age::DecryptError::NoMatchingKeys
            | age::DecryptError::DecryptionFailed
            | age::DecryptError::KeyDecryptionFailed => OpenError::Phrase,
            other => OpenError::Damaged(other.to_string()),
        })?
        .take(LONGEST_KEY)
        .read_to_string(&mut plain)
        .map_err(|error| OpenError::Damaged(error.to_string()))?;
    OfficeSecret::parse(&plain).ok_or_else(|| OpenError::Damaged("there is no key in it".to_owned()))
}

/// Unpacks the book of a sealed copy into a folder and returns the file.
///
/// # Errors
/// [`OpenError`]; then nothing of use is in the folder.
pub fn read_book(from: &Path, secret: OfficeSecret, part: &Path) -> Result<PathBuf, OpenError> {
    fs::create_dir_all(part)?;
    let plain = part.join(BOOK);
    remove(&plain)?;
    let damaged = |error: &dyn std::fmt::Display| OpenError::Damaged(error.to_string());
    let sealed = seal::unseal(BufReader::new(File::open(from)?), &[secret]).map_err(|error| damaged(&error))?;
    let mut archive = zip::ZipArchive::new(sealed).map_err(|error| damaged(&error))?;
    let mut book = archive.by_name(BOOK).map_err(|error| damaged(&error))?;
    let mut out = File::create(&plain)?;
    let length = book.size();
    let written = io::copy(&mut (&mut book).take(length), &mut out).map_err(|error| damaged(&error))?;
    if written != length {
        return Err(OpenError::Damaged("the end of it is missing".to_owned()));
    }
    out.sync_all()?;
    Ok(plain)
}

fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

fn put_in_place(out: BufWriter<File>, made: &Path, to: &Path) -> io::Result<()> {
    out.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()?;
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder)?;
    }
    fs::rename(made, to)?;
    if let Some(folder) = to.parent() {
        File::open(folder)?.sync_all()?;
    }
    Ok(())
}

fn add<W: Write + io::Seek>(
    archive: &mut ZipWriter<W>,
    name: &str,
    path: &Path,
    method: CompressionMethod,
) -> Result<(), CopyError> {
    archive.start_file(name, SimpleFileOptions::default().compression_method(method))?;
    io::copy(&mut BufReader::new(File::open(path)?), archive)?;
    Ok(())
}
