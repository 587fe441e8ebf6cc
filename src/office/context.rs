//! What every command over the book shares: which book, whose words and units, what time it is, and how a refusal reads.

use super::Refusal;
use super::files::{Kept, is_empty, is_stdout, write_file};
use crate::domain::record::{Language, Setup, SiteId, Units};
use crate::exchange::customer_list::folded;
use crate::say::figures::Figures;
use crate::say::words::Words;
use crate::store::{SiteName, Store, StoreError, with_end};
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use uuid::Uuid;

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
    /// What no output may take the place of.
    pub kept: Kept,
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
        let own = || Some(self.look(Store::setup).ok()???.language);
        Words::new(self.language.or_else(own).unwrap_or_default())
    }

    /// Whether there is a book: a file in which something stands.
    #[must_use]
    pub fn has_book(&self) -> bool {
        self.book.is_file() && !is_empty(&self.book)
    }

    /// Looks into the book as it is; `None` where there is none yet, as while another program is making it.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn look<T>(&self, ask: impl FnOnce(&Store) -> Result<T, StoreError>) -> Result<Option<T>, StoreError> {
        if !self.has_book() {
            return Ok(None);
        }
        match Store::look(&self.book) {
            Err(StoreError::Empty { .. }) => Ok(None),
            store => ask(&store?).map(Some),
        }
    }

    /// Does one command that only reads a book, which stays byte for byte as it is.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn on_book<T>(&self, command: impl FnOnce(&mut Office) -> Result<T, Refusal>) -> Result<T, Refusal> {
        self.needs_book()?;
        let store = Store::look(&self.book).map_err(|error| of_store(&error, self.words()))?;
        command(&mut self.office(store)?)
    }

    /// Does one command that changes a book that is there, and closes the book in order.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn on_book_to_write<T>(&self, command: impl FnOnce(&mut Office) -> Result<T, Refusal>) -> Result<T, Refusal> {
        self.needs_book()?;
        self.on_any_book(command)
    }

    /// Refuses a book that is there and may not be written, before anything is laid beside it.
    ///
    /// # Errors
    /// When it is write-protected.
    pub fn may_be_written(&self, words: Words) -> Result<(), Refusal> {
        use std::io::ErrorKind::{PermissionDenied, ReadOnlyFilesystem};
        let opened = std::fs::OpenOptions::new().write(true).open(&self.book);
        match opened.map_err(|error| error.kind()) {
            Err(PermissionDenied | ReadOnlyFilesystem) if self.book.is_file() => {
                Err(allows_no_writing(&self.book, words))
            }
            _ => Ok(()),
        }
    }

    /// Refuses where there is no book.
    ///
    /// # Errors
    /// When there is none.
    pub fn needs_book(&self) -> Result<(), Refusal> {
        if self.has_book() {
            Ok(())
        } else {
            Err(no_book(&self.book, self.words()))
        }
    }

    /// Does one command over a book, made when there is none.
    ///
    /// # Errors
    /// What was refused, and what to do.
    pub fn on_any_book<T>(&self, command: impl FnOnce(&mut Office) -> Result<T, Refusal>) -> Result<T, Refusal> {
        let early = self.words();
        if let Some(folder) = self.book.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            std::fs::create_dir_all(folder).map_err(|error| cannot_write(folder, &error, early))?;
        }
        self.may_be_written(early)?;
        let store = Store::open(&self.book).map_err(|error| of_store(&error, early))?;
        let mut office = self.office(store)?;
        let result = command(&mut office);
        let words = office.words();
        let closed = office.store.close().map_err(|error| of_store(&error, words));
        let answer = result?;
        closed?;
        Ok(answer)
    }

    /// An open book with the words and units to speak of it.
    fn office(&self, store: Store) -> Result<Office, Refusal> {
        let setup = store
            .setup()
            .map_err(|error| of_store(&error, self.words()))?
            .unwrap_or_default();
        let figures = Figures {
            units: self.units.unwrap_or(setup.units),
            words: Words::new(self.language.unwrap_or(setup.language)),
        };
        Ok(Office {
            store,
            kept: Kept::of_book(&self.book),
            rules: self.rules(),
            setup,
            figures,
            json: self.json,
            now: self.now,
        })
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
    /// The telephone numbers of each site, digits alone.
    phones: HashMap<SiteId, Vec<String>>,
}

/// The fewest digits by which a telephone number is looked for, and the fewest a whole one has.
const FEWEST_DIGITS: usize = 4;
const FEWEST_OF_A_NUMBER: usize = 6;

/// The digits of a text that is a telephone number and nothing else.
fn telephone(text: &str) -> Option<String> {
    let digits = text.chars().filter(char::is_ascii_digit).collect::<String>();
    let is_plain = text
        .chars()
        .all(|c| c.is_ascii_digit() || c.is_whitespace() || "+-./()".contains(c));
    (is_plain && digits.len() >= FEWEST_DIGITS).then_some(digits)
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
        let book = office.store.book().map_err(|error| office.refuse(&error))?;
        let phones = book
            .iter()
            .map(|row| {
                // A name may hold a figure, and several numbers stand one after the other.
                let runs = row.customer.split(|c: char| c.is_alphabetic() || ";,|".contains(c));
                let digits = runs.map(|run| run.chars().filter(char::is_ascii_digit).collect::<String>());
                (row.id, digits.filter(|run| run.len() >= FEWEST_OF_A_NUMBER).collect())
            })
            .collect();
        Ok(Self {
            ids: sites.iter().map(|site| site.id).collect(),
            all: sites.iter().map(all).collect(),
            named,
            phones,
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
        let found = self.found(text, &wanted);
        match found.as_slice() {
            [one] => Ok(one.id),
            [] => Err(Refusal::refused(
                words.f("No site matches \"{0}\".", &[text]),
                words.t("Try fewer letters of the name, the street or the customer, or the telephone number."),
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

impl SiteNames {
    /// Those that hold the text as it stands, else its telephone number, else all its words in any order.
    fn found(&self, text: &str, wanted: &str) -> Vec<&SiteName> {
        let of = |passes: &dyn Fn(&SiteName, &str) -> bool| {
            let all = self.sites.iter().zip(&self.all);
            all.filter(|(site, all)| passes(site, all))
                .map(|(site, _)| site)
                .collect::<Vec<_>>()
        };
        if wanted.is_empty() {
            return Vec::new();
        }
        let whole = of(&|_, all| all.contains(wanted));
        if !whole.is_empty() {
            return whole;
        }
        if let Some(digits) = telephone(text) {
            // With the code of the country or the area, or without it, on either side.
            let is_its = |own: &String| own.contains(&digits) || digits.ends_with(own.as_str());
            let called = of(&|site, _| self.phones.get(&site.id).is_some_and(|own| own.iter().any(is_its)));
            if !called.is_empty() {
                return called;
            }
        }
        let parts = wanted.split(' ').collect::<Vec<_>>();
        of(&|_, all| parts.iter().all(|part| all.contains(part)))
    }
}

fn allows_no_writing(book: &Path, words: Words) -> Refusal {
    Refusal::file(
        words.f(
            "The book {0}, or the folder it lies in, allows no writing.",
            &[&book.display().to_string()],
        ),
        words.t("Nothing was changed. Allow writing and run it again."),
    )
}

/// Whether a log lies beside the book that could not be read with it, because nothing may be made there.
fn lacks_its_log(path: &Path, error: &rusqlite::Error) -> bool {
    use rusqlite::ErrorCode::{CannotOpen, PermissionDenied, ReadOnly};
    let code = error.sqlite_error_code();
    matches!(code, Some(CannotOpen | PermissionDenied | ReadOnly)) && with_end(path, "-wal").exists()
}

/// Says that there is no book, or nothing in it.
fn no_book(path: &Path, words: Words) -> Refusal {
    let place = path.display().to_string();
    let what = if path.is_file() {
        words.f("There is no book in {0}: nothing stands in it.", &[&place])
    } else {
        words.f("There is no book at {0}.", &[&place])
    };
    Refusal::file(
        what,
        words.t("Name it with --book FILE, or begin one with read-csv or import."),
    )
}

/// Words a store error for someone at a desk.
#[must_use]
pub fn of_store(error: &StoreError, words: Words) -> Refusal {
    match error {
        StoreError::Open { path, source } if lacks_its_log(path, source) => Refusal::file(
            words.f(
                "The book {0} cannot be read where it lies: part of it is still in the log beside it ({1}), and the folder allows no writing.",
                &[&path.display().to_string(), &with_end(path, "-wal").display().to_string()],
            ),
            words.t("Copy both files into a folder that allows writing and read the book there, or allow writing here."),
        ),
        StoreError::Open { path, source } if source.sqlite_error_code() == Some(rusqlite::ErrorCode::ReadOnly) => {
            allows_no_writing(path, words)
        }
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
        StoreError::Empty { path } => no_book(path, words),
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

/// Nobody has named a book, and the system has no usual place for one.
#[must_use]
pub fn no_home(words: Words) -> Refusal {
    Refusal::input(
        words.t("This system names no home folder."),
        words.t("Name the book with --book FILE."),
    )
}

/// A folder was named as the book.
#[must_use]
pub fn book_is_a_folder(path: &Path, words: Words) -> Refusal {
    Refusal::file(
        words.f("{0} is a folder, not a book.", &[&path.display().to_string()]),
        words.f(
            "Name the file in it, for example --book {0}.",
            &[&path.join("book.sqlite").display().to_string()],
        ),
    )
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

/// A line and what is wrong in it, of a file of someone's own in TOML; one line whatever the parser says.
#[must_use]
pub fn toml_fault(text: &str, error: &toml::de::Error, words: Words) -> String {
    let at = error.span().map_or(0, |span| span.start);
    let line = text.bytes().take(at).filter(|byte| *byte == b'\n').count() + 1;
    let fault = error.message().replace("unknown variant", "unknown name");
    let fault = fault.split_whitespace().collect::<Vec<_>>().join(" ");
    words.f("line {0}: {1}", &[&line.to_string(), &fault])
}

/// Hands text over: to the file named, or back to be printed when the name is `-`.
///
/// # Errors
/// What was refused, and what to do.
pub fn hand_over(path: &Path, text: String, office: &Office) -> Result<String, Refusal> {
    if path.as_os_str() == "-" || is_stdout(path) {
        return Ok(text);
    }
    let words = office.words();
    write_file(path, text.as_bytes(), &office.kept, words)?;
    let place = path.display().to_string();
    Ok(if office.json {
        serde_json::json!({ "written": place }).to_string()
    } else {
        words.f("Written: {0}", &[&place])
    })
}
