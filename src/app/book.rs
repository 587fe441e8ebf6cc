//! Book: all known sites, searched as you type.

use crate::app::shell::App;
use crate::domain::record::SiteId;
use crate::exchange::customer_list::without_accent;
use crate::say::figures::Figures;
use crate::store::{BookList, BookRow, StoreError};
use geo::{Distance, Geodesic, Point};
use memchr::memmem;

/// The order of the rows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum BookSort {
    /// By name.
    #[default]
    Name,
    /// From where the truck stands, nearest first.
    Nearest,
    /// By due date, the ones without a date last.
    SoonestDue,
}

/// How a site's date stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DueState {
    /// No date.
    None,
    /// Later than three months from now.
    Ok,
    /// Within three months.
    Soon,
    /// Past.
    Over,
}

/// One row of the book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BookLine {
    /// The site.
    pub title: String,
    /// Its address.
    pub detail: String,
    /// Its date, or its distance.
    pub right: String,
    /// How the date stands.
    pub due: DueState,
}

/// What is known of a site of the list besides its line.
#[derive(Clone, Copy, Debug)]
struct Entry {
    /// Where its words end in the folded text; they begin where those of the site before end.
    folded_end: usize,
    metres: Option<f64>,
}

/// The book in memory: what is searched, and which rows show.
#[derive(Clone, Debug, Default)]
pub struct BookState {
    list: BookList,
    /// Every site's words in lower case, accents taken off: what the search looks at.
    folded: String,
    entries: Vec<Entry>,
    shown: Vec<u32>,
    search: String,
    sort: BookSort,
    revision: u64,
}

/// Counts every time the rows that show may have changed, over all books of the process.
static REVISION: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(1);

impl BookState {
    /// Takes in all sites.
    #[must_use]
    pub fn new(list: BookList, search: &str, sort: BookSort, here: Option<(i64, i64)>) -> Self {
        let mut folded = String::new();
        let entries = list
            .iter()
            .map(|row| {
                for part in [row.name, " ", row.address, " ", row.customer] {
                    fold_into(&mut folded, part);
                }
                Entry {
                    folded_end: folded.len(),
                    metres: here.zip(row.position_e7).map(|(from, to)| metres_between(from, to)),
                }
            })
            .collect();
        folded.shrink_to_fit();
        let mut state = Self {
            list,
            folded,
            entries,
            shown: Vec::new(),
            search: String::new(),
            sort,
            revision: 0,
        };
        state.search(search);
        state
    }

    /// Shows the sites in which every word typed occurs.
    pub fn search(&mut self, text: &str) {
        text.clone_into(&mut self.search);
        let mut typed = String::new();
        fold_into(&mut typed, text);
        let terms = typed.split_whitespace().map(memmem::Finder::new).collect::<Vec<_>>();
        let mut start = 0;
        self.shown = self
            .entries
            .iter()
            .zip(0_u32..)
            .filter(|(entry, _)| {
                let words = self.folded.get(start..entry.folded_end).unwrap_or_default();
                start = entry.folded_end;
                terms.iter().all(|term| term.find(words.as_bytes()).is_some())
            })
            .map(|(_, index)| index)
            .collect();
        self.order();
        self.revision = REVISION.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    }

    /// Lets the sites go while they are not looked at; what is searched for and the order stay.
    pub fn put_away(&mut self) {
        *self = Self::new(BookList::default(), &std::mem::take(&mut self.search), self.sort, None);
    }

    /// Changes whenever the rows that show may have changed.
    #[must_use]
    pub const fn revision(&self) -> u64 {
        self.revision
    }

    /// Orders the rows.
    pub fn sort(&mut self, sort: BookSort) {
        self.sort = sort;
        let search = std::mem::take(&mut self.search);
        self.search(&search);
    }

    fn order(&mut self) {
        let (entries, list) = (&self.entries, &self.list);
        match self.sort {
            // The book comes in order of name.
            BookSort::Name => {}
            BookSort::Nearest => self.shown.sort_by(|a, b| {
                let metres = |index: &u32| {
                    entries
                        .get(*index as usize)
                        .and_then(|entry| entry.metres)
                        .unwrap_or(f64::INFINITY)
                };
                metres(a).total_cmp(&metres(b))
            }),
            BookSort::SoonestDue => self.shown.sort_by_key(|index| {
                list.get(*index as usize)
                    .and_then(|row| row.due_on)
                    .unwrap_or(chrono::NaiveDate::MAX)
            }),
        }
    }

    /// Returns how many rows show.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.shown.len()
    }

    /// Returns how many sites there are, whatever is searched for.
    #[must_use]
    pub const fn total(&self) -> usize {
        self.list.len()
    }

    /// Whether no row shows.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.shown.is_empty()
    }

    /// Returns the site of a row that shows.
    #[must_use]
    pub fn site(&self, index: usize) -> Option<SiteId> {
        self.row(index).map(|(row, _)| row.id)
    }

    fn row(&self, index: usize) -> Option<(BookRow<'_>, Entry)> {
        let place = *self.shown.get(index)? as usize;
        Some((self.list.get(place)?, *self.entries.get(place)?))
    }

    /// Returns one row, written out; rows that are not looked at are never written.
    #[must_use]
    pub fn line(&self, index: usize, figures: Figures, today: chrono::NaiveDate) -> Option<BookLine> {
        let (row, entry) = self.row(index)?;
        let due = match row.due_on {
            None => DueState::None,
            Some(due) if due < today => DueState::Over,
            Some(due) if due <= today + chrono::TimeDelta::days(92) => DueState::Soon,
            Some(_) => DueState::Ok,
        };
        let right = match (self.sort, entry.metres) {
            (BookSort::Nearest, Some(metres)) => figures.distance(metres),
            _ => row
                .due_on
                .map_or_else(|| figures.words.t("no date yet"), |due| figures.month(due)),
        };
        Some(BookLine {
            title: row.name.to_owned(),
            detail: row.address.to_owned(),
            right,
            due,
        })
    }

    /// Returns what is searched for.
    #[must_use]
    pub fn search_text(&self) -> &str {
        &self.search
    }

    /// Returns the order of the rows.
    #[must_use]
    pub const fn sorted_by(&self) -> BookSort {
        self.sort
    }
}

impl App {
    /// Reads the book again.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn reload_book(&mut self) -> Result<(), StoreError> {
        let list = self.session.ask(|store| store.book())?;
        let here = self.here();
        let search = self.book.search_text().to_owned();
        self.book = BookState::new(list, &search, self.book.sorted_by(), here);
        Ok(())
    }

    /// Where the truck stands, as far as is known: the last stop of the day that was begun and has a position.
    #[must_use]
    pub fn here(&self) -> Option<(i64, i64)> {
        self.day
            .iter()
            .filter(|row| row.stop.started_at.is_some())
            .filter_map(|row| row.position_e7)
            .next_back()
    }

    /// Returns the book's rows.
    #[must_use]
    pub const fn book(&self) -> &BookState {
        &self.book
    }

    /// Returns how many sites show.
    #[must_use]
    pub fn book_count_text(&self) -> String {
        self.session.words().n("{0} site", "{0} sites", self.book.len())
    }

    /// Returns what stands in place of the rows when none shows.
    #[must_use]
    pub fn book_empty_text(&self) -> String {
        self.session.words().t(if self.book.total() == 0 {
            "The book is empty. Start a stop where you stand, or add a new site."
        } else {
            "No site matches. Try fewer letters, or add a new site."
        })
    }

    /// The search text has changed.
    pub fn edit_search(&mut self, text: &str) {
        self.book.search(text);
    }

    /// Another order.
    pub fn tap_sort(&mut self, sort: BookSort) {
        if sort == BookSort::Nearest && self.here().is_none() {
            self.say_nothing_to_do(
                "Where the truck stands is not known yet.",
                "Begin a stop at a site with a position: the distances count from there.",
            );
        }
        self.book.sort(sort);
    }

    /// Opens a site.
    pub fn tap_book_row(&mut self, index: usize) {
        if let Some(site) = self.book.site(index) {
            self.open_site(site);
        }
    }
}

/// Adds `text` in lower case with the accents of Spanish and its neighbours taken off, so that "nino" finds "Niño".
fn fold_into(folded: &mut String, text: &str) {
    if text.is_ascii() {
        let start = folded.len();
        folded.push_str(text);
        if let Some(added) = folded.get_mut(start..) {
            added.make_ascii_lowercase();
        }
        return;
    }
    folded.extend(text.chars().flat_map(char::to_lowercase).map(without_accent));
}

/// Distance on the ellipsoid between two positions in 1e-7 degrees, latitude first, metres.
fn metres_between(from: (i64, i64), to: (i64, i64)) -> f64 {
    let point = |(lat, lon): (i64, i64)| {
        #[expect(clippy::cast_precision_loss, reason = "at most 1.8e9, exact in an f64")]
        let degrees = |e7: i64| e7 as f64 / 1e7;
        Point::new(degrees(lon), degrees(lat))
    };
    Geodesic.distance(point(from), point(to))
}

/// Writes the distance between two positions.
pub(crate) fn miles_text(from: (i64, i64), to: (i64, i64), figures: Figures) -> String {
    figures.distance(metres_between(from, to))
}
