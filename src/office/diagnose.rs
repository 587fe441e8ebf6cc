//! `diagnose`: what the yard, the house and the tank tell, from a file of signs, fixtures, levels and the leak gauge.

use super::Refusal;
use super::work::read_text;
use crate::exchange::diagnose::{self, Say};
use std::io::Read;
use std::path::Path;

/// Answers the file at `path` (`-` is `stdin`), worded by `say`.
///
/// # Errors
///
/// What was refused, and what to do.
pub fn run(path: &Path, say: Say<'_>, stdin: impl Read) -> Result<String, Refusal> {
    let text = read_text(path, stdin)?;
    diagnose::read(&text)
        .and_then(|facts| diagnose::answer(&facts, say))
        .map_err(|error| {
            Refusal::input(
                error.to_string(),
                "correct that field; the form is in docs/schema/diagnose-input.schema.json.",
            )
        })
}
