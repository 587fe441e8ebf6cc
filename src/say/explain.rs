//! What a person reads when something cannot be done: what happened, and what to do.
//!
//! No wildcard arm: a new error does not compile until it is worded.

use crate::say::words::Words;
use crate::store::StoreError;

/// What happened and what to do next.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Explained {
    /// What happened.
    pub what: String,
    /// What to do.
    pub advice: String,
}

/// Words a store error.
#[must_use]
pub fn store(error: &StoreError, words: Words) -> Explained {
    let (what, advice) = match error {
        StoreError::Open { path, .. } => (
            words.f("The book {0} cannot be opened.", &[&path.display().to_string()]),
            words.t("Check that the folder is there and may be written to, then start again."),
        ),
        StoreError::NotOurs { path } => (
            words.f("{0} is not a book of this program.", &[&path.display().to_string()]),
            words.t("Nothing was changed. Choose another file."),
        ),
        StoreError::TooNew { found, .. } => (
            words.f(
                "This book was made by a newer version (form {0}).",
                &[&found.to_string()],
            ),
            words.t("Nothing was changed. Install the newer version, then open it again."),
        ),
        StoreError::Damaged { detail } => (
            words.f("The book is damaged: {0}.", &[detail]),
            words.t("Nothing was changed. Keep the file, and restore the last copy."),
        ),
        StoreError::Full { .. } => (
            words.t("Not kept: no room is left on this device."),
            words.t("Free some room, then tap anything: what waits is kept first, in order."),
        ),
        StoreError::Busy { .. } => (
            words.t("Not kept yet: another program is using the book."),
            words.t("Close the other program, then tap anything: what waits is kept first."),
        ),
        StoreError::ReadOnly { .. } => (
            words.t("Not kept: this device or folder allows no writing."),
            words.t("Free the folder for writing, then tap anything: what waits is kept first."),
        ),
        StoreError::Missing { record } => (
            words.f("This record is no longer there: {0}.", &[record]),
            words.t("Go back and choose another."),
        ),
        StoreError::Closed => (
            words.t("The book has been closed."),
            words.t("Start the program again; what was kept is there."),
        ),
        StoreError::Sql { doing, source } => (
            words.f("Not kept: {0}.", &[&format!("{doing} ({source})")]),
            words.t("Tap anything to try again. If it goes on, start the program again; what was kept is there."),
        ),
    };
    Explained { what, advice }
}
