//! The office command's verbs as functions that return what to print.
//!
//! Exit codes: 0 done, 1 refused, 2 bad input file or wrong usage, 3 damaged, 4 a file could not be read or written.

pub mod area;
pub mod backup;
pub mod conflicts;
pub mod context;
pub mod diagnose;
pub mod doctor;
pub mod due;
pub mod estimate;
pub mod files;
pub mod import;
pub mod key;
pub mod locate;
pub mod money;
pub mod options;
pub mod phones;
pub mod plan;
pub mod read_csv;
pub mod records;
pub mod remind;
pub mod sentences;
pub mod sheet;
pub mod site;
pub mod waste;
pub mod work;

use crate::say::words::Words;

/// What a command over the book has to say.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answer {
    /// What to print.
    pub text: String,
    /// What a person should know beside a text that a program reads: goes to standard error.
    pub aside: Vec<String>,
    /// What was refused all the same; the greatest code among them is the exit code.
    pub refusals: Vec<Refusal>,
}

impl From<String> for Answer {
    fn from(text: String) -> Self {
        Self {
            text,
            ..Self::default()
        }
    }
}

/// Why a command stopped: what happened, what to do, and the exit code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// The exit code.
    pub code: u8,
    /// What happened, one line.
    pub what: String,
    /// What to do, one line.
    pub remedy: String,
}

impl Refusal {
    /// Bad input.
    #[must_use]
    pub fn input(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self {
            code: 2,
            what: one_line(&what.into()),
            remedy: one_line(&remedy.into()),
        }
    }

    /// Understood, and not done.
    #[must_use]
    pub fn refused(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self {
            code: 1,
            ..Self::input(what, remedy)
        }
    }

    /// A file could not be read or written.
    #[must_use]
    pub fn file(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self {
            code: 4,
            what: one_line(&what.into()),
            remedy: one_line(&remedy.into()),
        }
    }
}

impl Refusal {
    /// What is printed of it: what happened, and what to do.
    #[must_use]
    pub fn said(&self, words: Words) -> String {
        let (what, remedy) = (words.t("error"), words.t("what to do"));
        format!("{what}: {}\n{remedy}: {}", self.what, self.remedy)
    }
}

/// Input may carry control characters into a message; a message stays one line of bounded length.
fn one_line(text: &str) -> String {
    const MOST: usize = 600;
    let mut line: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(MOST)
        .collect();
    if text.chars().nth(MOST).is_some() {
        line.push('…');
    }
    line
}
