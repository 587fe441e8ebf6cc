//! What a person reads when something cannot be done: what happened, and what to do.
//!
//! No wildcard arm: a new error does not compile until it is worded.

use crate::app::position::{ChoiceError, SourceTrouble};
use crate::app::device::Lack;
use crate::app::words::Words;
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

/// Words what a device lacks or will not do.
#[must_use]
pub fn lack(lack: Lack, words: Words) -> Explained {
    let (what, advice) = match lack {
        Lack::PositionNotPermitted => (
            words.t("This phone does not let the app know its position."),
            words.t("Tape ties and the plan work without. To use the position, allow it in the phone's settings."),
        ),
        Lack::PositionOff => (
            words.t("Positioning is switched off on this phone."),
            words.t("Switch it on in the phone's settings, or measure with tapes."),
        ),
        Lack::Camera => (
            words.t("There is no camera app on this device."),
            words.t("Take the picture with another device, then take it in from a file."),
        ),
        Lack::FileChooser => (
            words.t("There is nothing to choose files with on this device."),
            words.t("Put the file into the app's folder by cable."),
        ),
        Lack::ShareTarget => (
            words.t("No app on this device takes this file."),
            words.t("Save it to a folder instead."),
        ),
        Lack::Map => (
            words.t("There is no map app on this device."),
            words.t("The address and the position stand on the site's page."),
        ),
        Lack::Telephone => (
            words.t("This device cannot call."),
            words.t("The number stands on the site's page."),
        ),
    };
    Explained { what, advice }
}

/// Words a file that another app could not hand over.
#[must_use]
pub fn file_refused(detail: &str, words: Words) -> Explained {
    Explained {
        what: words.f("The file could not be taken in: {0}.", &[detail]),
        advice: words.t("Nothing was changed. Copy the file to this device first, then choose it again."),
    }
}

/// Words a file that could not be saved where the person chose.
#[must_use]
pub fn file_not_saved(detail: &str, words: Words) -> Explained {
    Explained {
        what: words.f("The file could not be saved there: {0}.", &[detail]),
        advice: words.t("It is still in the app. Choose another folder."),
    }
}
