//! What a person reads when something cannot be done: what happened, and what to do.
//!
//! No wildcard arm: a new error does not compile until it is worded.

use crate::exchange::dayfile::seal::BadOfficeKey;
use crate::exchange::position::ChoiceError;
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
        StoreError::Empty { path } => (
            words.f(
                "There is no book in {0}: nothing stands in it.",
                &[&path.display().to_string()],
            ),
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
        StoreError::Unfit { record, field, .. } => (
            words.f("A record cannot be read: {0}.", &[&format!("{record}.{field}")]),
            words.t("Nothing was changed. Ask for the file again."),
        ),
        StoreError::Dangling { record, parent } => (
            words.f(
                "A record belongs to one that is missing: {0}.",
                &[&format!("{record} → {parent}")],
            ),
            words.t("Nothing was changed. Ask for the file again."),
        ),
        StoreError::File { path, source, .. } => (
            words.f(
                "The file {0} cannot be used: {1}.",
                &[&path.display().to_string(), &source.to_string()],
            ),
            words.t("Check that the folder is there and may be written to; what waits is tried again."),
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

/// Words why a text names no position source.
#[must_use]
pub fn choice(error: ChoiceError, words: Words) -> Explained {
    Explained {
        what: words.t(match error {
            ChoiceError::Kind => "This names no position source.",
            ChoiceError::File => "The file of the position source is not named.",
            ChoiceError::Address => "Host or port of the position source is missing or wrong.",
            ChoiceError::Device => "The serial device of the position source is not named.",
            ChoiceError::Baud => {
                "The speed of the serial line is wrong: give bits per second, 4800 for most receivers."
            }
        }),
        advice: words
            .t("Write nmea:FILE, tcp:HOST:PORT, serial:DEVICE, serial:DEVICE:SPEED or gpx:FILE; nothing for none."),
    }
}

/// Words why a text is no office key.
#[must_use]
pub fn office_key(error: BadOfficeKey, words: Words) -> String {
    words.t(match error {
        BadOfficeKey::Empty | BadOfficeKey::NotAKey => "An office key begins with age1.",
        BadOfficeKey::Secret => {
            "This is the office's secret key. The phone needs the other one, which begins with age1."
        }
        BadOfficeKey::OtherKind => "This is another kind of age key. The office key has 62 letters and digits.",
        BadOfficeKey::Damaged => "The key is incomplete or has a wrong letter. Copy or scan it again.",
    })
}
