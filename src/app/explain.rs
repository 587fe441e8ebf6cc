//! What a person reads when something cannot be done: what happened, and what to do.
//!
//! No wildcard arm: a new error does not compile until it is worded.

use crate::app::send::SendError;
use crate::app::words::Words;
use crate::exchange::dayfile::WriteError;
use crate::exchange::dayfile::seal::BadOfficeKey;
use crate::store::StoreError;
use std::io::ErrorKind;

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

/// Words why a day's file could not be made.
#[must_use]
pub fn send(error: &SendError, words: Words) -> Explained {
    let again = "Nothing half written stays behind. Try again.";
    let (what, advice) = match error {
        SendError::Write(WriteError::Store(error)) => return store(error, words),
        SendError::Write(WriteError::Io(error)) => match error.kind() {
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::FileTooLarge => (
                words.t("No room is left on this device for the day's file."),
                words.t("Nothing half written stays behind. Free some room, then make it again."),
            ),
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => (
                words.t("The folder for day files allows no writing."),
                words.t("Nothing half written stays behind. Free the folder for writing, then make it again."),
            ),
            _ => (
                words.f("The day's file cannot be written: {0}.", &[&error.to_string()]),
                words.t(again),
            ),
        },
        SendError::Write(WriteError::ChangedBlob(name)) => (
            words.f(
                "The photo {0} has been changed since it was taken.",
                &[&name.to_string()],
            ),
            words.t("Take that photo again, then make the day's file again."),
        ),
        SendError::Write(WriteError::TooLarge) => (
            words.t("The day does not fit into one file."),
            words.t("Tell whoever looks after this program; the book has everything."),
        ),
        SendError::Key(path) => (
            words.f("The phone's key in {0} cannot be read.", &[&path.display().to_string()]),
            words.t(
                "Move that file away and make the day's file again; then the office must trust the phone's new key.",
            ),
        ),
        SendError::OfficeKey => (
            words.t("The office key in Setup cannot be used."),
            words.t("Type or paste it again in Setup, or leave it empty; then make the day's file again."),
        ),
        SendError::CutOff => (words.t("Making the day's file was cut off."), words.t(again)),
    };
    Explained { what, advice }
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
