//! What a person reads when something cannot be done: what happened, and what to do.
//!
//! No wildcard arm: a new error does not compile until it is worded.

use crate::app::position::{ChoiceError, SourceTrouble};
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

/// Words why a position source cannot be read.
#[must_use]
pub fn position(trouble: &SourceTrouble, source: &str, words: Words) -> Explained {
    let again = "It is tried again every few seconds; everything but live positions works without it.";
    let (what, advice) = match trouble {
        SourceTrouble::NoneHere => (
            words.t("This device has no position of its own that can be used."),
            words.t("Connect a receiver and name it in Setup, or work with tape and plan."),
        ),
        SourceTrouble::NotThere => (
            words.f("The position source is not there: {0}.", &[source]),
            words.t("Plug the receiver in, or correct its name in Setup."),
        ),
        SourceTrouble::NotAllowed => (
            words.f("The position source may not be read: {0}.", &[source]),
            words.t("Allow this user to read it (for a serial device often the group dialout)."),
        ),
        SourceTrouble::NoSuchHost => (
            words.f("The position source has an unknown host: {0}.", &[source]),
            words.t("Check the name in Setup, or give the address in numbers."),
        ),
        SourceTrouble::Refused => (
            words.f("Nobody gives positions at {0}.", &[source]),
            words.t("Start the receiver's stream, or correct the port in Setup."),
        ),
        SourceTrouble::NoAnswer => (
            words.f("The position source does not answer: {0}.", &[source]),
            words.t("Check that this device is on the receiver's network."),
        ),
        SourceTrouble::Unusable(why) => (
            words.f("The recording cannot be used: {0} ({1}).", &[source, why]),
            words.t("Choose another file in Setup."),
        ),
        SourceTrouble::Dropped => (
            words.f("The line to the position source has dropped: {0}.", &[source]),
            words.t(again),
        ),
        SourceTrouble::Silent(seconds) => (
            words.f(
                "Nothing was heard from the position source for {0} s: {1}.",
                &[&seconds.to_string(), source],
            ),
            words.t(again),
        ),
        SourceTrouble::Noise => (
            words.f("Only noise comes from the position source: {0}.", &[source]),
            words.t("Check the speed of the line in Setup, and that the receiver speaks NMEA 0183."),
        ),
        SourceTrouble::Other(why) => (
            words.f("The position source cannot be read: {0} ({1}).", &[source, why]),
            words.t(again),
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
