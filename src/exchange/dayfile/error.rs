//! Why a day file was refused or could not be made.

use super::{MOST_BYTES, MOST_ENTRIES, MOST_RATIO};
use crate::store::StoreError;
use std::io;

/// Why a day file was refused. Nothing of a refused file has been handed out.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DayFileError {
    /// Reading failed.
    #[error("the file cannot be read: {0}")]
    Unreadable(io::Error),
    /// It is neither a zip nor a sealed file.
    #[error("this is not a day file")]
    NotADayFile,
    /// The end is missing.
    #[error("the end of the file is missing")]
    CutOff,
    /// The directory of the zip contradicts itself or its parts.
    #[error("the file is damaged: {0}")]
    Damaged(String),
    /// More entries than a day file may have.
    #[error("the file has {found} entries; a day file has at most {MOST_ENTRIES}")]
    TooManyEntries {
        /// How many it says it has.
        found: u64,
    },
    /// Larger than a day file may be.
    #[error("{what} is too large: {bytes} bytes, where {most} are the most")]
    TooLarge {
        /// What is too large.
        what: String,
        /// How large.
        bytes: u64,
        /// The most it may be.
        most: u64,
    },
    /// Packed so tightly that unpacking it would flood the disk.
    #[error("`{name}` would unpack to more than {MOST_RATIO} times its size")]
    TooDense {
        /// The entry.
        name: String,
    },
    /// An entry's name is not one a day file uses.
    #[error("an entry has the name `{name}`, which no part of a day file has")]
    BadName {
        /// The name, made printable.
        name: String,
    },
    /// Two entries have one name.
    #[error("the file holds `{name}` twice")]
    Duplicate {
        /// The name, or what is known of it.
        name: String,
    },
    /// An entry is a folder or a link.
    #[error("`{name}` is a link or a folder, not a file")]
    NotAFile {
        /// The name.
        name: String,
    },
    /// An entry is packed or locked in a way day files do not use.
    #[error("`{name}` is packed in a way day files do not use")]
    Packing {
        /// The name.
        name: String,
    },
    /// There is no manifest, or not in its place.
    #[error("the file does not begin with its manifest")]
    NoManifest,
    /// The manifest is not what its description says.
    #[error("the manifest cannot be read: {0}")]
    BadManifest(String),
    /// Made by a newer program.
    #[error("the file was made by a newer version (form {format}); version {needs} or a later one reads it")]
    TooNew {
        /// Its form.
        format: u32,
        /// The version that reads it, as the file says.
        needs: String,
    },
    /// The manifest lists a part that is not there.
    #[error("`{name}` is missing from the file")]
    Missing {
        /// The part.
        name: String,
    },
    /// A part the manifest does not list.
    #[error("`{name}` is in the file but not in its manifest")]
    Unlisted {
        /// The part.
        name: String,
    },
    /// A part does not have the size its manifest says.
    #[error("`{name}` does not have the size its manifest says")]
    WrongSize {
        /// The part.
        name: String,
    },
    /// A part is not the one its manifest was made for.
    #[error("`{name}` has been changed: its SHA-256 is not the one in the manifest")]
    WrongHash {
        /// The part.
        name: String,
    },
    /// The signature does not fit the manifest.
    #[error("the signature does not fit: the manifest has been changed since the phone signed it")]
    BadSignature,
    /// Not signed, where a signature is asked for.
    #[error("the file is not signed")]
    Unsigned,
    /// Signed by a phone the office does not trust.
    #[error("the file is signed by a phone the office does not know: phone {phone}, key {key}")]
    UnknownPhone {
        /// What the file says about its phone.
        phone: uuid::Uuid,
        /// The key it is signed with.
        key: super::sign::PhoneKey,
    },
    /// Signed with a trusted phone's key, but in another phone's name.
    #[error("the file says it is from phone {says}, but it is signed by phone {signed}")]
    OtherPhone {
        /// Whose it says it is.
        says: uuid::Uuid,
        /// Whose key signed it.
        signed: uuid::Uuid,
    },
    /// Sealed, and no key was given.
    #[error("the file is sealed, and no office key was given")]
    Sealed,
    /// Sealed to another key.
    #[error("the file is sealed to another office key")]
    WrongKey,
    /// The seal is broken.
    #[error("the sealed file is damaged or its end is missing: {0}")]
    SealBroken(String),
    /// A line of a part is not what its description says.
    #[error("line {line} of `{name}` cannot be used: {detail}")]
    BadLine {
        /// The part.
        name: String,
        /// The line, counted from one.
        line: u64,
        /// What is wrong.
        detail: String,
    },
}

impl DayFileError {
    /// Returns a short name that stays the same in every language and version.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Unreadable(_) => "unreadable",
            Self::NotADayFile => "not-a-day-file",
            Self::CutOff => "cut-off",
            Self::Damaged(_) => "damaged",
            Self::TooManyEntries { .. } => "too-many-entries",
            Self::TooLarge { .. } => "too-large",
            Self::TooDense { .. } => "too-dense",
            Self::BadName { .. } => "bad-name",
            Self::Duplicate { .. } => "duplicate",
            Self::NotAFile { .. } => "not-a-file",
            Self::Packing { .. } => "packing",
            Self::NoManifest => "no-manifest",
            Self::BadManifest(_) => "bad-manifest",
            Self::TooNew { .. } => "too-new",
            Self::Missing { .. } => "missing",
            Self::Unlisted { .. } => "unlisted",
            Self::WrongSize { .. } => "wrong-size",
            Self::WrongHash { .. } => "wrong-hash",
            Self::BadSignature => "bad-signature",
            Self::Unsigned => "unsigned",
            Self::UnknownPhone { .. } => "unknown-phone",
            Self::OtherPhone { .. } => "other-phone",
            Self::Sealed => "sealed",
            Self::WrongKey => "wrong-key",
            Self::SealBroken(_) => "seal-broken",
            Self::BadLine { .. } => "bad-line",
        }
    }

    /// Returns what to do about it, one sentence.
    #[must_use]
    pub const fn remedy(&self) -> &'static str {
        match self {
            Self::Unreadable(_) => "Check the path and its permissions, copy the file again, and try once more.",
            Self::NotADayFile => "Choose a file that ends in .lidmark, as the phone made it.",
            Self::CutOff | Self::SealBroken(_) => {
                "It was cut short or changed on its way: send it again from the phone."
            }
            Self::Damaged(_) | Self::WrongSize { .. } | Self::WrongHash { .. } | Self::Missing { .. } => {
                "It was changed on its way: have the phone make the day's file again and send that."
            }
            Self::TooManyEntries { .. } | Self::TooLarge { .. } => {
                "No phone makes such a file: ask where it comes from before you open it with anything."
            }
            Self::TooDense { .. }
            | Self::BadName { .. }
            | Self::Duplicate { .. }
            | Self::NotAFile { .. }
            | Self::Packing { .. }
            | Self::Unlisted { .. } => {
                "No phone makes such a file: do not open it with anything, and ask where it comes from."
            }
            Self::NoManifest | Self::BadManifest(_) | Self::BadLine { .. } => {
                "Have the phone make the day's file again; if that does not help, the program that made it is at fault."
            }
            Self::TooNew { .. } => "Install that version here, then try again; the file has not been changed.",
            Self::BadSignature => "Do not use it: have the phone make the day's file again, and bring it another way.",
            Self::Unsigned => "Have the phone make the day's file again, or allow unsigned files for this once.",
            Self::UnknownPhone { .. } => {
                "If it is one of your phones, compare the key with the one on its screen and add it to the phones you trust."
            }
            Self::OtherPhone { .. } => "Do not use it: ask the owners of both phones what they did.",
            Self::Sealed => "Give the office's secret key.",
            Self::WrongKey => {
                "Give the secret key the phone's office key belongs to, or set the right office key on the phone and make the file again."
            }
        }
    }
}

/// Why a day file could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The book cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Writing, or reading a photo, failed.
    #[error("the file cannot be written: {0}")]
    Io(#[from] io::Error),
    /// A photo is not the one it was.
    #[error("the photo {0} has been changed since it was taken")]
    ChangedBlob(super::Digest),
    /// More than a day file may hold.
    #[error("the day does not fit into one file ({} MiB)", MOST_BYTES / 1024 / 1024)]
    TooLarge,
}

impl From<zip::result::ZipError> for WriteError {
    fn from(error: zip::result::ZipError) -> Self {
        Self::Io(error.into())
    }
}

impl From<serde_json::Error> for WriteError {
    fn from(error: serde_json::Error) -> Self {
        Self::Io(error.into())
    }
}

impl From<::csv::Error> for WriteError {
    fn from(error: ::csv::Error) -> Self {
        Self::Io(error.into())
    }
}
