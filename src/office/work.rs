//! `work`: everything the program says about the tanks in a file.

use super::Refusal;
use crate::exchange::{rulefile, work};
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// Largest file that is read.
const MOST_BYTES: u64 = 16 * 1024 * 1024;

/// Answers the work file at `path` (`-` is `stdin`), with the rule set in the file at `rules` added to those of the program.
///
/// # Errors
///
/// What was refused, and what to do.
pub fn run(path: &Path, rules: Option<&Path>, stdin: impl Read) -> Result<String, Refusal> {
    let mut rule_sets = rulefile::embedded().map_err(|error| {
        Refusal::input(
            format!("a rule set of the program is damaged, {error}"),
            "install the program again.",
        )
    })?;
    if let Some(rules) = rules {
        let text = read_text(rules, std::io::empty())?;
        let set = rulefile::parse(&text).map_err(|error| {
            Refusal::input(
                format!("{}: {error}", rules.display()),
                "correct the line; the form is in docs/rules.md.",
            )
        })?;
        if rule_sets.iter().any(|other| other.id == set.id) {
            return Err(Refusal::input(
                format!("{}: the program already has a rule set `{}`", rules.display(), set.id),
                "give yours another id.",
            ));
        }
        rule_sets.push(set);
    }
    let text = read_text(path, stdin)?;
    let refuse = |error: work::ReadWorkError| {
        Refusal::input(
            error.to_string(),
            "correct that field; the form is in docs/schema/work-input.schema.json.",
        )
    };
    let read = work::read(&text).map_err(refuse)?;
    work::answer(&read, &rule_sets, rulefile::GENERAL).map_err(refuse)
}

/// Reads a whole text file of bounded size, `-` from `stdin`.
pub(super) fn read_text(path: &Path, stdin: impl Read) -> Result<String, Refusal> {
    let unreadable = |error: &std::io::Error| {
        Refusal::file(
            format!("cannot read {}: {error}", path.display()),
            "check the path and its permissions.",
        )
    };
    let mut bytes = Vec::new();
    let read = if path.as_os_str() == "-" {
        stdin.take(MOST_BYTES + 1).read_to_end(&mut bytes)
    } else {
        File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes))
    };
    read.map_err(|error| unreadable(&error))?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > MOST_BYTES {
        return Err(Refusal::input(
            format!("{} is larger than 16 MiB", path.display()),
            "give a smaller file; one site takes a few kilobytes.",
        ));
    }
    String::from_utf8(bytes).map_err(|error| {
        Refusal::input(
            format!(
                "{} is not UTF-8 text (byte {})",
                path.display(),
                error.utf8_error().valid_up_to() + 1
            ),
            "save it as UTF-8 and try again.",
        )
    })
}
