//! What a person reads when something cannot be done: what happened, and what to do.
//!
//! No wildcard arm: a new error does not compile until it is worded.

use crate::app::photo_work::TakeError;
use crate::app::words::Words;
use crate::exchange::photo::{MAX_FILE_BYTES, PhotoError};
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
