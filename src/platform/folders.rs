//! Where things are kept on this device.

use crate::domain::rules::RuleSet;
use crate::exchange::rulefile;
use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// The folders and files of one book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Folders {
    root: PathBuf,
}

impl Folders {
    /// The folders below `root`.
    #[must_use]
    pub const fn at(root: PathBuf) -> Self {
        Self { root }
    }

    /// The usual place for a program's data on this system; `None` when the system names no home.
    #[must_use]
    pub fn usual() -> Option<Self> {
        directories::ProjectDirs::from("", "", "lidmark").map(|dirs| Self::at(dirs.data_dir().to_owned()))
    }

    /// The folder itself.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The book.
    #[must_use]
    pub fn book(&self) -> PathBuf {
        self.root.join("book.sqlite")
    }

    /// Customers' slips.
    #[must_use]
    pub fn slips(&self) -> PathBuf {
        self.root.join("slips")
    }

    /// Day files for the office.
    #[must_use]
    pub fn day_files(&self) -> PathBuf {
        self.root.join("day-files")
    }

    /// Files made to be handed to another app.
    #[must_use]
    pub fn out(&self) -> PathBuf {
        self.root.join("out")
    }

    /// Pictures the camera is writing.
    #[must_use]
    pub fn camera(&self) -> PathBuf {
        self.root.join("camera")
    }

    /// Rule sets of one's own.
    #[must_use]
    pub fn rules(&self) -> PathBuf {
        self.root.join("rules")
    }
}

/// Reads the rule sets in a folder of one's own.
///
/// A file that cannot be used does not keep the others from being read.
///
/// * returns: the sets, and one line for each file that was refused: which, where and why
#[must_use]
pub fn own_rule_sets(folder: &Path) -> (Vec<RuleSet>, Vec<String>) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        // No folder means no rules of one's own.
        return (Vec::new(), Vec::new());
    };
    let mut files = entries
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
        .collect::<Vec<_>>();
    files.sort();
    rulefile::read_own(files.iter().map(|path| (path.display().to_string(), read_little(path))))
}

/// Reads a text file as far as it matters: one byte more than a rule file may have is refused by its reader.
fn read_little(path: &Path) -> std::io::Result<String> {
    let mut text = String::new();
    let most = u64::try_from(rulefile::MOST_BYTES).unwrap_or(u64::MAX);
    File::open(path)?
        .take(most.saturating_add(1))
        .read_to_string(&mut text)?;
    Ok(text)
}
