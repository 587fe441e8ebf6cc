//! What a person reads when something the screens do cannot be done; the rest is said everywhere alike.

pub use crate::say::explain::{Explained, choice, office_key, store};

use crate::app::device::Lack;
use crate::app::photo_work::TakeError;
use crate::app::position::SourceTrouble;
use crate::app::send::SendError;
use crate::exchange::dayfile::WriteError;
use crate::exchange::photo::{MAX_FILE_BYTES, PhotoError};
use crate::say::words::Words;
use std::io::ErrorKind;

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

/// Words why a picture was not taken in.
///
/// * `name`: what the file is called
#[must_use]
pub fn photo(error: &TakeError, name: &str, words: Words) -> Explained {
    let save_again = || words.t("Open it in a picture program, save it as an ordinary JPEG, and take that.");
    let damaged = || words.t("Take the photo again, or copy the file anew. The file itself was not touched.");
    let (what, advice) = match error {
        TakeError::Source(source) => (
            words.f("The file {0} cannot be read: {1}.", &[name, &source.to_string()]),
            words.t("Check that it is still there and may be read, then choose it again."),
        ),
        TakeError::Copy(error) => (
            words.f("{0} was not taken in.", &[name]) + " " + &store(error, words).what,
            words.t("Mend that, then choose it again. The file itself was not touched."),
        ),
        TakeError::Store(error) => (
            words.f("{0} waits to be taken in.", &[name]) + " " + &store(error, words).what,
            words.t("Mend that, then open Photos: what waits is tried again."),
        ),
        TakeError::CutOff(_) => (
            words.f(
                "{0} was not taken in: the work on it ended the program again and again.",
                &[name],
            ),
            save_again(),
        ),
        TakeError::Photo(error) => match error {
            PhotoError::Empty => (words.f("{0} is empty.", &[name]), damaged()),
            PhotoError::TooManyBytes { megabytes } => (
                words.f(
                    "{0} has {1} MB; at most {2} MB are read.",
                    &[name, &megabytes.to_string(), &(MAX_FILE_BYTES >> 20).to_string()],
                ),
                words.t("Take the photo with fewer megapixels, or save it smaller."),
            ),
            PhotoError::NotAPicture => (
                words.f("{0} is no picture.", &[name]),
                words.t("Choose a JPEG, PNG or WebP file."),
            ),
            PhotoError::Heic => (
                words.f("{0} is a HEIC or AVIF picture, which cannot be read here.", &[name]),
                words.t("Set the phone's camera to save JPEG, or save this picture as JPEG, and take that."),
            ),
            PhotoError::OtherFormat { name: form } => (
                words.f("{0} is a {1} file, which is not read here.", &[name, form]),
                words.t("Choose a JPEG, PNG or WebP file."),
            ),
            PhotoError::TooManyPixels { megapixels, most } => (
                words.f(
                    "{0} has {1} megapixels; at most {2} are read.",
                    &[name, &megapixels.to_string(), &most.to_string()],
                ),
                words.t("Take the photo with fewer megapixels, or save it smaller."),
            ),
            PhotoError::NoSize => (words.f("{0} has no width or no height.", &[name]), damaged()),
            PhotoError::Lying { width, height } => (
                words.f(
                    "{0} says it is {1} by {2} pixels, and is far too small for that.",
                    &[name, &width.to_string(), &height.to_string()],
                ),
                damaged(),
            ),
            PhotoError::CutShort => (words.f("The end of {0} is missing.", &[name]), damaged()),
            PhotoError::Moving => (
                words.f("{0} is a moving picture.", &[name]),
                words.t("Save one picture of it as JPEG, and take that."),
            ),
            PhotoError::Unsupported { .. } => (
                words.f("{0} is a JPEG of a rare kind, which is not read here.", &[name]),
                save_again(),
            ),
            PhotoError::Damaged { .. } => (words.f("{0} is damaged.", &[name]), damaged()),
        },
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
