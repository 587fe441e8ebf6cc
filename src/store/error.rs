//! Why the store could not do what was asked.

use std::path::{Path, PathBuf};
use uuid::Uuid;

/// Why the store could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The file cannot be opened or made.
    #[error("cannot open {path}")]
    Open {
        /// The file.
        path: PathBuf,
        /// What `SQLite` said.
        source: rusqlite::Error,
    },
    /// The file is a database of some other program, or no database.
    #[error("{path} is not a Lidmark book")]
    NotOurs {
        /// The file.
        path: PathBuf,
    },
    /// Nothing stands in the file yet: whoever looks makes no book of it.
    #[error("nothing stands in {path}")]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The file was made by a newer program; it has not been touched.
    #[error("the book was made by a newer version (form {found}, this program knows {known})")]
    TooNew {
        /// The form found.
        found: u32,
        /// The newest form known here.
        known: u32,
    },
    /// The file is damaged.
    #[error("the book is damaged: {detail}")]
    Damaged {
        /// What is wrong.
        detail: String,
    },
    /// No room is left on the device.
    #[error("no room is left to {doing}")]
    Full {
        /// What was tried.
        doing: &'static str,
    },
    /// Another program has the book.
    #[error("another program is using the book: cannot {doing}")]
    Busy {
        /// What was tried.
        doing: &'static str,
    },
    /// The device or folder allows no writing.
    #[error("the book is read-only: cannot {doing}")]
    ReadOnly {
        /// What was tried.
        doing: &'static str,
    },
    /// A record that was asked for is not there.
    #[error("there is no such {record}")]
    Missing {
        /// The kind of record.
        record: &'static str,
    },
    /// A file beside the book cannot be written or read.
    #[error("cannot {doing} {path}: {source}")]
    File {
        /// What was tried.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// What was to be taken in holds a record this program cannot keep.
    #[error("the {field} of {record} {id} cannot be kept")]
    Unfit {
        /// The kind of record.
        record: &'static str,
        /// The record.
        id: Uuid,
        /// The field that does not fit.
        field: &'static str,
    },
    /// What was to be taken in names a record that is neither in it nor in the book.
    #[error("a {record} belongs to a {parent} that is neither in the file nor in the book")]
    Dangling {
        /// The kind of record.
        record: String,
        /// The kind it names.
        parent: String,
    },
    /// The thread that keeps the book has ended.
    #[error("the book has been closed")]
    Closed,
    /// Anything else `SQLite` refused.
    #[error("cannot {doing}: {source}")]
    Sql {
        /// What was tried.
        doing: &'static str,
        /// What `SQLite` said.
        source: rusqlite::Error,
    },
}

impl StoreError {
    /// Wraps a `SQLite` error with what was being done, telling apart what needs different advice.
    pub(crate) fn sql(doing: &'static str) -> impl Fn(rusqlite::Error) -> Self {
        use rusqlite::ErrorCode::{DatabaseBusy, DatabaseCorrupt, DatabaseLocked, DiskFull, NotADatabase, ReadOnly};
        move |source| match source.sqlite_error_code() {
            Some(DiskFull) => Self::Full { doing },
            Some(DatabaseBusy | DatabaseLocked) => Self::Busy { doing },
            Some(ReadOnly) => Self::ReadOnly { doing },
            Some(DatabaseCorrupt | NotADatabase) => Self::Damaged {
                detail: source.to_string(),
            },
            _ => Self::Sql { doing, source },
        }
    }

    /// Wraps an error of a file with what was being done to it, telling apart what needs different advice.
    pub(crate) fn file(doing: &'static str, path: &Path) -> impl Fn(std::io::Error) -> Self {
        use std::io::ErrorKind::{QuotaExceeded, ReadOnlyFilesystem, StorageFull};
        let path = path.to_owned();
        move |source| match source.kind() {
            StorageFull | QuotaExceeded => Self::Full { doing },
            ReadOnlyFilesystem => Self::ReadOnly { doing },
            _ => Self::File {
                doing,
                path: path.clone(),
                source,
            },
        }
    }

    pub(crate) fn from_sqlite_open(path: &Path, source: rusqlite::Error) -> Self {
        match source.sqlite_error_code() {
            Some(rusqlite::ErrorCode::NotADatabase) => Self::NotOurs { path: path.to_owned() },
            Some(rusqlite::ErrorCode::DatabaseCorrupt) => Self::Damaged {
                detail: source.to_string(),
            },
            _ => Self::Open {
                path: path.to_owned(),
                source,
            },
        }
    }
}
