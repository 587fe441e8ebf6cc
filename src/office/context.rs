//! What every command over the book shares: which book, whose words and units, what time it is, and how a refusal reads.

use super::Refusal;
use crate::domain::record::{Language, Setup, SiteId, Units};
use crate::exchange::customer_list::folded;
use crate::say::figures::Figures;
use crate::say::words::Words;
use crate::store::{SiteName, Store, StoreError};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
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
    /// The folder of the office's own rule files.
    pub rules: PathBuf,
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
    /// Returns the folder of the office's own rule files.
    #[must_use]
    pub fn rules(&self) -> PathBuf {
        self.book.with_file_name("rules")
    }

    /// Returns the words before the book has been opened.
    #[must_use]
    pub fn words(&self) -> Words {
        Words::new(self.language.unwrap_or_default())
    }

    /// Returns the words of the book's own set-up, for a command that looks into the book by itself.
    #[must_use]
    pub fn words_of_book(&self) -> Words {
        let own = || {
            let store = Some(&self.book)
                .filter(|book| book.is_file())
                .map(|book| Store::look(book))?;
            Some(store.and_then(|store| store.setup()).ok()??.language)
        };
        Words::new(self.language.or_else(own).unwrap_or_default())
    }

    /// Does one command over a book that is there, and closes the book in order.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn on_book<T>(&self, command: impl FnOnce(&mut Office) -> Result<T, Refusal>) -> Result<T, Refusal> {
        self.needs_book()?;
        self.on_any_book(command)
    }

    /// Refuses where there is no book.
    ///
    /// # Errors
    /// When there is none.
    pub fn needs_book(&self) -> Result<(), Refusal> {
        let words = self.words();
        if self.book.is_file() {
            Ok(())
        } else {
            Err(Refusal::file(
                words.f("There is no book at {0}.", &[&self.book.display().to_string()]),
                words.t("Name it with --book FILE, or begin one with read-csv or import."),
            ))
        }
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
            rules: self.rules(),
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
        if let Ok(id) = Uuid::parse_str(text.trim()) {
            // One that was taken away can still be asked for by its id.
            match self.store.site(SiteId(id)) {
                Ok(_) => return Ok(SiteId(id)),
                Err(StoreError::Missing { .. }) => {}
                Err(error) => return Err(self.refuse(&error)),
            }
        }
        SiteNames::read(self)?.meant(text, self.words())
    }
}

/// The names of all sites, to find many in.
#[derive(Debug)]
pub struct SiteNames {
    sites: Vec<SiteName>,
    ids: HashSet<SiteId>,
    /// Which sites bear a name.
    named: HashMap<String, Vec<usize>>,
    /// Name, street, town and customer of each, folded.
    all: Vec<String>,
}

impl SiteNames {
    /// Reads them.
    ///
    /// # Errors
    /// When the book cannot be read.
    pub fn read(office: &Office) -> Result<Self, Refusal> {
        let sites = office.store.site_names().map_err(|error| office.refuse(&error))?;
        let mut named = HashMap::<_, Vec<_>>::new();
        for (index, site) in sites.iter().enumerate() {
            named.entry(folded(&site.name)).or_default().push(index);
        }
        let all = |site: &SiteName| {
            folded(&format!(
                "{} {} {} {}",
                site.name, site.address, site.town, site.customer
            ))
        };
        Ok(Self {
            ids: sites.iter().map(|site| site.id).collect(),
            all: sites.iter().map(all).collect(),
            named,
            sites,
        })
    }

    /// Finds the one site meant by an id, or by a name, street or customer.
    ///
    /// # Errors
    /// When none or several match; several are listed.
    pub fn meant(&self, text: &str, words: Words) -> Result<SiteId, Refusal> {
        let text = text.trim();
        if let Ok(id) = Uuid::parse_str(text) {
            return if self.ids.contains(&SiteId(id)) {
                Ok(SiteId(id))
            } else {
                Err(Refusal::refused(
                    words.f("No site has the id {0}.", &[text]),
                    words.t("Look it up with: lidmark-office due --csv, or give the name."),
                ))
            };
        }
        let wanted = folded(text);
        let of = |index: &usize| self.sites.get(*index);
        if let Some([one]) = self.named.get(&wanted).map(Vec::as_slice)
            && let Some(site) = of(one)
        {
            return Ok(site.id);
        }
        let found = self
            .sites
            .iter()
            .zip(&self.all)
            .filter(|(_, all)| !wanted.is_empty() && all.contains(&wanted))
            .map(|(site, _)| site)
            .collect::<Vec<_>>();
        match found.as_slice() {
            [one] => Ok(one.id),
            [] => Err(Refusal::refused(
                words.f("No site matches \"{0}\".", &[text]),
                words.t("Try fewer letters of the name, the street or the customer."),
            )),
            several => {
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

/// A file that is written and flushed under a name of its own, and not yet put in its place.
///
/// Dropped before that it is taken away again.
#[derive(Debug)]
pub struct FileToBe {
    part: PathBuf,
    path: PathBuf,
}

impl FileToBe {
    /// Writes it beside where it is to lie.
    ///
    /// # Errors
    /// What was refused, and what to do; then nothing is left of it.
    pub fn write(path: &Path, bytes: &[u8], words: Words) -> Result<Self, Refusal> {
        if path.is_dir() {
            return Err(cannot_write(path, &ErrorKind::IsADirectory.into(), words));
        }
        let mut part = path.as_os_str().to_owned();
        part.push(".part");
        let file = Self {
            part: PathBuf::from(part),
            path: path.to_owned(),
        };
        let written = File::create(&file.part).and_then(|mut out| {
            out.write_all(bytes)?;
            out.sync_all()
        });
        written
            .map(|()| file)
            .map_err(|error| cannot_write(path, &error, words))
    }

    /// Puts it in its place, over what lies there.
    ///
    /// # Errors
    /// What was refused, and what to do; then what lay there is as it was.
    pub fn put(self, words: Words) -> Result<(), Refusal> {
        std::fs::rename(&self.part, &self.path).map_err(|error| cannot_write(&self.path, &error, words))
    }
}

impl Drop for FileToBe {
    fn drop(&mut self) {
        // In its place it is no longer there; that it cannot be taken away changes nothing about the advice.
        drop(std::fs::remove_file(&self.part));
    }
}

/// Writes a file whole or not at all: into a name of its own beside the target, flushed, then renamed.
///
/// # Errors
/// What was refused, and what to do.
pub fn write_file(path: &Path, bytes: &[u8], words: Words) -> Result<(), Refusal> {
    FileToBe::write(path, bytes, words)?.put(words)
}

/// Hands text over: to the file named, or back to be printed when the name is `-`.
///
/// # Errors
/// What was refused, and what to do.
pub fn hand_over(path: &Path, text: String, office: &Office) -> Result<String, Refusal> {
    if path.as_os_str() == "-" {
        return Ok(text);
    }
    let words = office.words();
    write_file(path, text.as_bytes(), words)?;
    let place = path.display().to_string();
    Ok(if office.json {
        serde_json::json!({ "written": place }).to_string()
    } else {
        words.f("Written: {0}", &[&place])
    })
}
