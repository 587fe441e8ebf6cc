//! A copy of the whole book, photos included, sealed with a phrase: what is taken away before a phone is wiped or given on.
//!
//! An age file (age-encryption.org/v1) sealed with a phrase (scrypt), around a ZIP of `book.sqlite` and `photos/`. Any age
//! program opens it (`age -d FILE > book.zip`); unpacked into an empty folder it is a book again (`lidmark --data FOLDER`).

use crate::store::blobs::Blobs;
use crate::store::{Store, StoreError};
use age::secrecy::SecretString;
use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Write};
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
    add(&mut archive, "book.sqlite", &plain, CompressionMethod::Deflated)?;
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
    out.into_inner().map_err(io::IntoInnerError::into_error)?.sync_all()?;
    fs::rename(&sealed, to)?;
    drop(unfinished);
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
