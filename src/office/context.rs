//! What every command over the book shares: which book, whose words and units, what time it is, and how a refusal reads.

use super::Refusal;
use crate::domain::record::{Language, Setup, SiteId, Units};
use crate::exchange::customer_list::folded;
use crate::say::figures::Figures;
use crate::say::words::Words;
use crate::store::{Store, StoreError};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// Largest list, template or map that is read.
const MOST_BYTES: u64 = 256 * 1024 * 1024;

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

/// An open book with the words and units to speak of it.
#[derive(Debug)]
pub struct Office {
    /// The book.
    pub store: Store,
    /// The book's set-up, empty when nobody has set it up.
    pub setup: Setup,
    /// How figures are written.
    pub figures: Figures,
    /// Answer as JSON.
    pub json: bool,
    /// The time now.
    pub now: DateTime<FixedOffset>,
}

impl Call {
    /// Returns the words before the book has been opened.
    #[must_use]
    pub fn words(&self) -> Words {
        Words::new(self.language.unwrap_or_default())
    }

    /// Does one command over a book that is there, and closes the book in order.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn on_book<T>(&self, command: impl FnOnce(&mut Office) -> Result<T, Refusal>) -> Result<T, Refusal> {
        let words = self.words();
        if !self.book.is_file() {
            return Err(Refusal {
                code: 4,
                ..Refusal::refused(
                    words.f("There is no book at {0}.", &[&self.book.display().to_string()]),
                    words.t("Name it with --book FILE, or begin one with read-csv or import."),
                )
            });
        }
        self.on_any_book(command)
    }

    /// Does one command over a book, made when there is none.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn on_any_book<T>(&self, command: impl FnOnce(&mut Office) -> Result<T, Refusal>) -> Result<T, Refusal> {
        let early = self.words();
        let wrap = |error: StoreError| of_store(&error, early);
        if let Some(folder) = self.book.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| cannot_write(folder, &error, early))?;
        }
        let store = Store::open(&self.book).map_err(wrap)?;
        let setup = store.setup().map_err(wrap)?.unwrap_or_default();
        let figures = Figures {
            units: self.units.unwrap_or(setup.units),
            words: Words::new(self.language.unwrap_or(setup.language)),
        };
        let mut office = Office {
            store,
            setup,
            figures,
            json: self.json,
            now: self.now,
        };
        let result = command(&mut office);
        let words = office.words();
        let closed = office.store.close().map_err(|error| of_store(&error, words));
        let answer = result?;
        closed?;
        Ok(answer)
    }
}

impl Office {
    /// Returns the words.
    #[must_use]
    pub const fn words(&self) -> Words {
        self.figures.words
    }

    /// Returns the day now.
    #[must_use]
    pub fn today(&self) -> NaiveDate {
        self.now.date_naive()
    }

    /// Returns a new id that sorts by the office's clock.
    #[must_use]
    pub fn new_id(&self) -> Uuid {
        let seconds = u64::try_from(self.now.timestamp()).unwrap_or(0);
        Uuid::new_v7(uuid::Timestamp::from_unix(
            uuid::NoContext,
            seconds,
            self.now.timestamp_subsec_nanos(),
        ))
    }

    /// Words a store error.
    #[must_use]
    pub fn refuse(&self, error: &StoreError) -> Refusal {
        of_store(error, self.words())
    }

    /// Finds the one site meant by an id, or by a name, street or customer.
    ///
    /// # Errors
    /// When none or several match; several are listed.
    pub fn site_meant(&self, text: &str) -> Result<SiteId, Refusal> {
        let words = self.words();
        let text = text.trim();
        if let Ok(id) = Uuid::parse_str(text) {
            self.store.site(SiteId(id)).map_err(|error| match error {
                StoreError::Missing { .. } => Refusal::refused(
                    words.f("No site has the id {0}.", &[text]),
                    words.t("Look it up with: lidmark-office due --csv, or give the name."),
                ),
                other => self.refuse(&other),
            })?;
            return Ok(SiteId(id));
        }
        let wanted = folded(text);
        let mut found = self.store.site_names().map_err(|error| self.refuse(&error))?;
        found.retain(|site| {
            let all = format!("{} {} {} {}", site.name, site.address, site.town, site.customer);
            !wanted.is_empty() && folded(&all).contains(&wanted)
        });
        let exact = found
            .iter()
            .filter(|site| folded(&site.name) == wanted)
            .collect::<Vec<_>>();
        match (exact.as_slice(), found.as_slice()) {
            ([one], _) => Ok(one.id),
            (_, [one]) => Ok(one.id),
            (_, []) => Err(Refusal::refused(
                words.f("No site matches \"{0}\".", &[text]),
                words.t("Try fewer letters of the name, the street or the customer."),
            )),
            (_, several) => {
                let list = several
                    .iter()
                    .take(8)
                    .map(|site| format!("{} ({}, {}) {}", site.name, site.town, site.customer, site.id))
                    .collect::<Vec<_>>()
                    .join("; ");
                Err(Refusal::refused(
                    words.f("Several sites match \"{0}\": {1}", &[text, &list]),
                    words.t("Give more of the name, or the id."),
                ))
            }
        }
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
        StoreError::File { path, source, .. } => Refusal::file(
            words.f(
                "The file {0} cannot be used: {1}.",
                &[&path.display().to_string(), &source.to_string()],
            ),
            words.t("Check the path and its permissions."),
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

/// Reads a whole file of bounded size, `-` from `stdin`.
///
/// # Errors
/// What was refused, and what to do.
pub fn read_bytes(path: &Path, stdin: &mut dyn Read, words: Words) -> Result<Vec<u8>, Refusal> {
    let mut bytes = Vec::new();
    let read = if path.as_os_str() == "-" {
        stdin.take(MOST_BYTES + 1).read_to_end(&mut bytes)
    } else {
        File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes))
    };
    read.map_err(|error| {
        Refusal::file(
            words.f(
                "{0} cannot be read: {1}",
                &[&path.display().to_string(), &error.to_string()],
            ),
            words.t("Check the path and its permissions."),
        )
    })?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > MOST_BYTES {
        return Err(Refusal::refused(
            words.f("{0} is larger than 256 MiB.", &[&path.display().to_string()]),
            words.t("Split it and give the parts one after the other."),
        ));
    }
    Ok(bytes)
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

/// Hands text over: to the file named, or back to be printed when the name is `-`.
///
/// # Errors
/// What was refused, and what to do.
pub fn hand_over(path: &Path, text: String, words: Words) -> Result<String, Refusal> {
    if path.as_os_str() == "-" {
        return Ok(text);
    }
    write_file(path, text.as_bytes(), words)?;
    Ok(words.f("Written: {0}", &[&path.display().to_string()]))
}
