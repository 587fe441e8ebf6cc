//! `phones`: the phones whose signatures the office trusts.

use super::context::{Call, of_store};
use super::{Answer, Refusal};
use crate::exchange::dayfile::DayFileError;
use crate::exchange::dayfile::read::{self, Trust};
use crate::exchange::dayfile::sign::PhoneKey;
use crate::store::Store;
use serde_json::json;
use std::path::Path;

/// What was asked of `phones`.
#[derive(Clone, Debug)]
pub enum Asked {
    /// Show them.
    List,
    /// Trust a key, given as text or as a day file signed with it.
    Add {
        /// The key, or the path of a day file.
        key: String,
        /// Whose phone it is.
        name: Option<String>,
    },
    /// Trust a key no more.
    Remove {
        /// The key, its beginning, or the name of its owner.
        key: String,
    },
}

/// Lists, adds or removes trusted phones.
///
/// # Errors
/// What was refused, and what to do.
pub fn run(call: &Call, asked: &Asked) -> Result<Answer, Refusal> {
    match asked {
        Asked::List => list(call),
        Asked::Add { key, name } => add(call, key, name.as_deref()),
        Asked::Remove { key } => remove(call, key),
    }
}

fn list(call: &Call) -> Result<Answer, Refusal> {
    let words = call.words_of_book();
    let phones = call
        .look(Store::phone_keys)
        .map_err(|error| of_store(&error, words))?
        .unwrap_or_default();
    if call.json {
        let rows = phones
            .iter()
            .map(|phone| {
                json!({
                    "key": phone.key, "name": phone.name, "phone": phone.phone.map(|id| id.to_string()),
                    "added_at": phone.added_at, "files": phone.files, "last_sequence": phone.last_sequence,
                    "last_day": phone.last_day.map(|day| day.to_string()),
                })
            })
            .collect::<Vec<_>>();
        return Ok(Answer::from(format!("{:#}\n", json!({ "phones": rows }))));
    }
    if phones.is_empty() {
        return Ok(Answer::from(
            words.t("No phone is trusted yet. Add one with: lidmark-office phones add KEY --name NAME") + "\n",
        ));
    }
    let mut text = String::new();
    for phone in &phones {
        let name = if phone.name.is_empty() { "-" } else { &phone.name };
        let files = words.n(
            "{0} file",
            "{0} files",
            usize::try_from(phone.files).unwrap_or(usize::MAX),
        );
        let last = phone.last_day.map(|day| day.to_string()).unwrap_or_default();
        let line = [&phone.key, name, &files, &last].join("  ");
        text.push_str(line.trim_end());
        text.push('\n');
    }
    Ok(Answer::from(text))
}

fn add(call: &Call, key: &str, name: Option<&str>) -> Result<Answer, Refusal> {
    let words = call.words_of_book();
    let path = Path::new(key);
    let key = if path.is_file() {
        signer(call, path)?
    } else {
        PhoneKey::parse(key).map_err(|error| {
            Refusal::refused(
                words.f("This is no phone key: {0}", &[&error.to_string()]),
                words.t("Type the 64 digits the phone shows, or name a day file it has made."),
            )
        })?
    };
    if let Some(folder) = call.book.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).map_err(|error| super::context::cannot_write(folder, &error, words))?;
    }
    call.may_be_written(words)?;
    let store = Store::open(&call.book).map_err(|error| of_store(&error, words))?;
    let name = name.unwrap_or_default().trim();
    let is_new = store
        .trust(&key.to_string(), name, call.now)
        .map_err(|error| of_store(&error, words))?;
    store.close().map_err(|error| of_store(&error, words))?;
    let grouped = key.grouped();
    Ok(Answer::from(if call.json {
        format!(
            "{:#}\n",
            json!({ "key": key.to_string(), "name": name, "is_new": is_new })
        )
    } else if is_new {
        words.f(
            "Trusted from now on: {0}. Compare it once more with the phone's screen.",
            &[&grouped],
        ) + "\n"
    } else {
        words.f("Trusted already: {0}.", &[&grouped]) + "\n"
    }))
}

/// Reads the key a day file is signed with.
fn signer(call: &Call, path: &Path) -> Result<PhoneKey, Refusal> {
    let words = call.words_of_book();
    let refuse = |error| {
        let remedy = match error {
            DayFileError::Unsigned => {
                Some(words.t("Type the 64 digits the phone shows, or name a day file it has signed."))
            }
            _ => None,
        };
        let refusal = super::sentences::of_day_file(&error, words);
        Refusal {
            remedy: remedy.unwrap_or_else(|| refusal.remedy.clone()),
            ..refusal
        }
    };
    let secrets = super::key::beside(&call.book, words)?;
    let file = std::fs::File::open(path).map_err(|error| super::key::unreadable(path, &error, words))?;
    let reading = read::open(file, &secrets, Trust::Anyone).map_err(refuse)?;
    reading.signer().ok_or_else(|| refuse(DayFileError::Unsigned))
}

fn remove(call: &Call, wanted: &str) -> Result<Answer, Refusal> {
    let words = call.words_of_book();
    let none = || {
        Refusal::refused(
            words.f("No trusted phone is called {0}.", &[wanted]),
            words.t("Look at the list with: lidmark-office phones"),
        )
    };
    let Some(phones) = call.look(Store::phone_keys).map_err(|error| of_store(&error, words))? else {
        return Err(none());
    };
    let digits: String = wanted.chars().filter(|c| !c.is_whitespace()).collect();
    let named = phones
        .iter()
        .filter(|phone| {
            phone.name == wanted.trim() || (digits.len() >= 8 && phone.key.starts_with(&digits.to_lowercase()))
        })
        .collect::<Vec<_>>();
    let phone = match named.as_slice() {
        [] => return Err(none()),
        [one] => *one,
        _ => {
            return Err(Refusal::refused(
                words.f("Several trusted phones are called {0}.", &[wanted]),
                words.t("Give the key instead of the name."),
            ));
        }
    };
    call.may_be_written(words)?;
    let store = Store::open(&call.book).map_err(|error| of_store(&error, words))?;
    store.distrust(&phone.key).map_err(|error| of_store(&error, words))?;
    store.close().map_err(|error| of_store(&error, words))?;
    Ok(Answer::from(if call.json {
        format!(
            "{:#}\n",
            json!({ "key": phone.key, "name": phone.name, "removed": true })
        )
    } else {
        words.f(
            "Trusted no more: {0}. What it sent before stays in the book.",
            &[&phone.key],
        ) + "\n"
    }))
}
