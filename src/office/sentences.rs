//! What is said about a day file that was refused: what happened, and what to do.
//!
//! No wildcard arm: a new fault does not compile until it is worded.

use super::Refusal;
use crate::exchange::dayfile::{DayFileError, MOST_ENTRIES, MOST_RATIO};
use crate::say::words::Words;

/// Words a fault of a day file for someone at a desk.
///
/// Exit code 3 means that the file was changed or cut off on its way, 4 that it could not be read at all, 1 anything else.
#[must_use]
pub fn of_day_file(error: &DayFileError, words: Words) -> Refusal {
    let code = match error {
        DayFileError::Unreadable(_) => 4,
        DayFileError::CutOff
        | DayFileError::Damaged(_)
        | DayFileError::WrongSize { .. }
        | DayFileError::WrongHash { .. }
        | DayFileError::Missing { .. }
        | DayFileError::BadSignature
        | DayFileError::SealBroken(_) => 3,
        _ => 1,
    };
    Refusal {
        code,
        ..Refusal::refused(what(error, words), remedy(error, words))
    }
}

fn what(error: &DayFileError, words: Words) -> String {
    match error {
        DayFileError::Unreadable(error) => words.f("The file cannot be read: {0}", &[&error.to_string()]),
        DayFileError::NotADayFile => words.t("This is not a day file."),
        DayFileError::CutOff => words.t("The end of the file is missing."),
        DayFileError::Damaged(detail) => words.f("The file is damaged: {0}", &[detail]),
        DayFileError::TooManyEntries { found } => words.f(
            "The file has {0} entries; a day file has at most {1}.",
            &[&found.to_string(), &MOST_ENTRIES.to_string()],
        ),
        DayFileError::TooLarge { what, bytes, most } => words.f(
            "Too large: {0} ({1} bytes, where {2} are the most).",
            &[what, &bytes.to_string(), &most.to_string()],
        ),
        DayFileError::TooDense { name } => words.f(
            "{0} would unpack to more than {1} times its size.",
            &[name, &MOST_RATIO.to_string()],
        ),
        DayFileError::BadName { name } => {
            words.f("An entry has the name {0}, which no part of a day file has.", &[name])
        }
        DayFileError::Duplicate { name } => words.f("The file holds {0} twice.", &[name]),
        DayFileError::NotAFile { name } => words.f("{0} is a link or a folder, not a file.", &[name]),
        DayFileError::Packing { name } => words.f("{0} is packed in a way day files do not use.", &[name]),
        DayFileError::NoManifest => words.t("The file does not begin with its manifest."),
        DayFileError::BadManifest(detail) => words.f("The manifest cannot be read: {0}", &[detail]),
        DayFileError::TooNew { format, needs } => words.f(
            "The file was made by a newer version (form {0}): version {1} or a later one reads it.",
            &[&format.to_string(), needs],
        ),
        DayFileError::Missing { name } => words.f("{0} is missing from the file.", &[name]),
        DayFileError::Unlisted { name } => words.f("{0} is in the file but not in its manifest.", &[name]),
        DayFileError::WrongSize { name } => words.f("{0} does not have the size its manifest says.", &[name]),
        DayFileError::WrongHash { name } => words.f(
            "{0} has been changed: its SHA-256 is not the one in the manifest.",
            &[name],
        ),
        DayFileError::BadSignature => {
            words.t("The signature does not fit: the manifest has been changed since the phone signed it.")
        }
        DayFileError::Unsigned => words.t("The file is not signed."),
        DayFileError::UnknownPhone { phone, key } => words.f(
            "The file is signed by a phone the office does not trust yet: phone {0}, key {1}.",
            &[&phone.to_string(), &key.to_string()],
        ),
        DayFileError::OtherPhone { says, signed } => words.f(
            "The file says it is from phone {0}, but it is signed by phone {1}.",
            &[&says.to_string(), &signed.to_string()],
        ),
        DayFileError::Sealed => words.t("The file is sealed, and there is no office key here."),
        DayFileError::WrongKey => words.t("The file is sealed to another office key."),
        DayFileError::SealBroken(detail) => words.f("The sealed file is damaged or its end is missing: {0}", &[detail]),
        DayFileError::BadLine { name, line, detail } => words.f(
            "Line {0} of {1} cannot be used: {2}",
            &[&line.to_string(), name, detail],
        ),
    }
}

fn remedy(error: &DayFileError, words: Words) -> String {
    match error {
        DayFileError::Unreadable(_) => {
            words.t("Check the path and its permissions, copy the file again, and try once more.")
        }
        DayFileError::NotADayFile => words.t("Choose a file that ends in .lidmark, as the phone made it."),
        DayFileError::CutOff | DayFileError::SealBroken(_) => {
            words.t("It was cut short or changed on its way: send it again from the phone.")
        }
        DayFileError::Damaged(_)
        | DayFileError::WrongSize { .. }
        | DayFileError::WrongHash { .. }
        | DayFileError::Missing { .. } => {
            words.t("It was changed on its way: have the phone make the day's file again and send that.")
        }
        DayFileError::TooManyEntries { .. } | DayFileError::TooLarge { .. } => {
            words.t("No phone makes such a file: ask where it comes from before you open it with anything.")
        }
        DayFileError::TooDense { .. }
        | DayFileError::BadName { .. }
        | DayFileError::Duplicate { .. }
        | DayFileError::NotAFile { .. }
        | DayFileError::Packing { .. }
        | DayFileError::Unlisted { .. } => {
            words.t("No phone makes such a file: do not open it with anything, and ask where it comes from.")
        }
        DayFileError::NoManifest | DayFileError::BadManifest(_) | DayFileError::BadLine { .. } => words.t(
            "Have the phone make the day's file again; if that does not help, the program that made it is at fault.",
        ),
        DayFileError::TooNew { .. } => {
            words.t("Install that version here, then try again; the file has not been changed.")
        }
        DayFileError::BadSignature => {
            words.t("Do not use it: have the phone make the day's file again, and bring it another way.")
        }
        DayFileError::Unsigned => words.t("Have the phone make the day's file again, or allow it with --accept-unsigned."),
        DayFileError::UnknownPhone { .. } => words.t(
            "If it is one of yours, compare the key with the one on its screen, then: lidmark-office phones add KEY --name NAME",
        ),
        DayFileError::OtherPhone { .. } => words.t("Do not use it: ask the owners of both phones what they did."),
        DayFileError::Sealed => words.t("Put office-key.txt beside the book, or name it with --key FILE."),
        DayFileError::WrongKey => words.t(
            "Name the secret key the phone's office key belongs to with --key FILE, or scan the right office key with the phone and make the file again.",
        ),
    }
}
