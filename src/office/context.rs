//! What every command over the book shares: which book, in which words, what time it is, and how a refusal reads.

use super::Refusal;
use crate::domain::record::{Language, Units};
use crate::say::words::Words;
use crate::store::StoreError;
use chrono::{DateTime, FixedOffset};
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What was asked for, whatever the command.
#[derive(Clone, Debug)]
pub struct Call {
    /// The book.
    pub book: PathBuf,
    /// Answer as JSON.
    pub json: bool,
    /// The units to print; the book's own set-up when not given.
    pub units: Option<Units>,
    /// The language to print; the book's own set-up when not given.
    pub language: Option<Language>,
    /// The time now, with the local offset.
    pub now: DateTime<FixedOffset>,
}

impl Call {
    /// Returns the words before the book has been opened.
    #[must_use]
    pub fn words(&self) -> Words {
        Words::new(self.language.unwrap_or_default())
    }
}

/// Words a store error for someone at a desk.
#[must_use]
pub fn of_store(error: &StoreError, words: Words) -> Refusal {
    match error {
        StoreError::Open { path, source } => Refusal::file(
            words.f(
                "The book {0} cannot be opened: {1}",
                &[&path.display().to_string(), &source.to_string()],
            ),
            words.t("Check the path and its permissions."),
        ),
        StoreError::NotOurs { path } => Refusal::refused(
            words.f("{0} is not a book of this program.", &[&path.display().to_string()]),
            words.t("Nothing was changed. Choose another file."),
        ),
        StoreError::TooNew { found, .. } => Refusal::refused(
            words.f(
                "This book was made by a newer version (form {0}).",
                &[&found.to_string()],
            ),
            words.t("Nothing was changed. Install the newer version, then open it again."),
        ),
        StoreError::Damaged { detail } => Refusal {
            code: 3,
            ..Refusal::refused(
                words.f("The book is damaged: {0}.", &[detail]),
                words.t("Nothing was changed. Keep the file, and restore the last copy."),
            )
        },
        StoreError::Full { doing } => Refusal::file(
            words.f("No room is left on the disk to {0}.", &[doing]),
            words.t("Nothing was changed. Free some room and run it again."),
        ),
        StoreError::Busy { doing } => Refusal::file(
            words.f("Another program is using the book: cannot {0}.", &[doing]),
            words.t("Nothing was changed. Wait for the other program and run it again."),
        ),
        StoreError::ReadOnly { doing } => Refusal::file(
            words.f("The book or its folder allows no writing: cannot {0}.", &[doing]),
            words.t("Nothing was changed. Allow writing and run it again."),
        ),
        StoreError::Missing { record } => Refusal::refused(
            words.f("This record is no longer there: {0}.", &[record]),
            words.t("Go back and choose another."),
        ),
        StoreError::Unfit { record, field, .. } => Refusal::refused(
            words.f("A record cannot be read: {0}.", &[&format!("{record}.{field}")]),
            words.t("Nothing was changed. Ask for the file again."),
        ),
        StoreError::Dangling { record, parent } => Refusal::refused(
            words.f(
                "A record belongs to one that is missing: {0}.",
                &[&format!("{record} → {parent}")],
            ),
            words.t("Nothing was changed. Take in that phone's earlier files first, or ask for the file again."),
        ),
        StoreError::Closed | StoreError::Sql { .. } => Refusal::file(
            words.f("The book cannot be read or written: {0}", &[&error.to_string()]),
            words.t("Run it again; if it goes on, check the disk."),
        ),
    }
}

/// A file could not be written.
#[must_use]
pub fn cannot_write(path: &Path, error: &std::io::Error, words: Words) -> Refusal {
    Refusal::file(
        words.f(
            "{0} cannot be written: {1}",
            &[&path.display().to_string(), &error.to_string()],
        ),
        words.t("Check the path, its permissions and the room on the disk."),
    )
}

/// Writes a file whole or not at all: into a name of its own beside the target, flushed, then renamed.
///
/// # Errors
/// What was refused, and what to do.
pub fn write_file(path: &Path, bytes: &[u8], words: Words) -> Result<(), Refusal> {
    let mut part = path.as_os_str().to_owned();
    part.push(".part");
    let part = PathBuf::from(part);
    let written = File::create(&part)
        .and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        })
        .and_then(|()| std::fs::rename(&part, path));
    written.map_err(|error| {
        // What was half written is of no use; that it cannot be taken away either changes nothing about the advice.
        drop(std::fs::remove_file(&part));
        cannot_write(path, &error, words)
    })
}
