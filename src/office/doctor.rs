//! `doctor`: looks through the book and what lies beside it, and says what is not as it should be.

use super::context::{Call, cannot_write, of_store};
use super::{Answer, Refusal};
use crate::domain::units::Volume;
use crate::say::figures::Figures;
use crate::say::words::Words;
use crate::store::blobs::{Blobs, Turn, entries, hash_of};
use crate::store::{Store, StoreError};
use chrono::NaiveDate;
use serde_json::json;
use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

/// What was asked of `doctor`.
#[derive(Clone, Copy, Debug, Default)]
pub struct Asked {
    /// Take away what an import that was cut off left beside the book.
    pub clean: bool,
    /// Look only whether the photos are there, without reading each.
    pub quick: bool,
    /// Print nothing when all is well.
    pub quiet: bool,
}

/// One thing that is not as it should be.
#[derive(Clone, Debug)]
struct Finding {
    /// A name that stays the same in every language.
    code: &'static str,
    what: String,
    /// Whether something is lost or wrong, rather than merely left over.
    is_damage: bool,
}

/// Looks through the book. Exit code 3 when something is damaged.
///
/// # Errors
/// When the book cannot be opened at all.
pub fn run(call: &Call, asked: Asked, watch: &dyn Fn(u64)) -> Result<Answer, Refusal> {
    call.needs_book()?;
    let words = call.words_of_book();
    let refuse = |error| of_store(&error, words);
    let store = Store::look(&call.book).map_err(refuse)?;
    let mut found = Vec::new();
    book(&store, words, &mut found).map_err(refuse)?;
    // A book whose pages are damaged is not asked for more: what it answers would be guesswork.
    if !found.iter().any(|finding| finding.code == "damaged") {
        beside(call, &store, asked, words, watch, &mut found)?;
    }
    let is_damaged = found.iter().any(|finding| finding.is_damage);
    let mut answer = Answer::default();
    if call.json {
        let rows = found
            .iter()
            .map(|finding| json!({ "code": finding.code, "what": finding.what, "is_damage": finding.is_damage }))
            .collect::<Vec<_>>();
        let counts = store.counts().unwrap_or_default();
        answer.text = format!(
            "{:#}\n",
            json!({ "sound": !is_damaged, "findings": rows, "records": counts })
        );
    } else {
        for finding in &found {
            answer.text.push_str(&finding.what);
            answer.text.push('\n');
        }
        if !(is_damaged || asked.quiet && found.is_empty()) {
            answer.text.push_str(&words.t("The book is sound."));
            answer.text.push('\n');
        }
    }
    if is_damaged {
        answer.refusals.push(Refusal {
            code: 3,
            ..Refusal::refused(
                words.t("The book is not sound."),
                words.t("Keep it as it is, and restore the last copy; what is missing there can be taken in again."),
            )
        });
    }
    Ok(answer)
}

fn book(store: &Store, words: Words, found: &mut Vec<Finding>) -> Result<(), StoreError> {
    match store.check() {
        Ok(()) => {}
        Err(StoreError::Damaged { detail }) => {
            found.push(Finding {
                code: "damaged",
                what: words.f("The book is damaged: {0}.", &[&detail]),
                is_damage: true,
            });
            return Ok(());
        }
        Err(error) => return Err(error),
    }
    for loose in store.loose_ends()? {
        found.push(Finding {
            code: "loose-end",
            what: words.f("Loose end: {0}.", &[&loose]),
            is_damage: true,
        });
    }
    for reused in store.reused_sequences()? {
        found.push(Finding {
            code: "sequence-reused",
            what: words.f(
                "Phone {0} has sent {1} different files under the number {2}: it was put back to an older state, or copied.",
                &[&reused.phone.to_string(), &reused.files.to_string(), &reused.sequence.to_string()],
            ),
            is_damage: false,
        });
    }
    for doubtful in store.doubtful_files()? {
        found.push(Finding {
            code: "doubtful-time",
            what: words.f(
                "The file of {0} from phone {1} holds {2} fields whose time cannot be right.",
                &[&doubtful.day, &doubtful.phone.to_string(), &doubtful.fields.to_string()],
            ),
            is_damage: false,
        });
    }
    balance(store, words, found)
}

/// After every day there is: dates are kept with four digits of the year.
fn last_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(9_999, 12, 31).unwrap_or(NaiveDate::MAX)
}

/// Adds up what is in each tank of each truck in two ways: entry by entry, as `records` lists them, and as one sum, as the
/// phones carry a load over. Says too where the sum cannot be what is really on board.
fn balance(store: &Store, words: Words, found: &mut Vec<Finding>) -> Result<(), StoreError> {
    let trucks = store.trucks()?;
    let entries = store.load_entries(last_day())?;
    let unnamed = entries.iter().filter(|entry| entry.tank.is_none()).count();
    let pumped = entries
        .iter()
        .filter(|entry| entry.tank.is_none() && entry.kind == "collected");
    if let Some(what) = super::records::no_truck_named(pumped.count(), trucks.len(), words) {
        found.push(Finding {
            code: "load-without-truck",
            what,
            is_damage: false,
        });
    }
    for (truck, tanks) in &trucks {
        let sums = store.truck(Some(truck.id), last_day())?.before_ml;
        let figures = Figures {
            words,
            units: store.setup()?.unwrap_or_default().units,
        };
        let volume = |ml: i128| figures.volume(Volume::from_whole_ml(i64::try_from(ml).unwrap_or(i64::MAX)));
        let called = super::waste::called(truck, words);
        for tank in tanks {
            let own = entries.iter().filter(|entry| entry.tank == Some(tank.id));
            let listed = own.map(super::records::change).sum::<i128>() + i128::from(tank.opening_ml);
            let summed = sums
                .iter()
                .find(|(id, _)| *id == tank.id)
                .map_or(0, |(_, ml)| i128::from(*ml));
            // What names no truck is everyone's in the sum of the phones: then the two cannot be compared.
            if unnamed == 0 && listed != summed {
                found.push(Finding {
                    code: "balance",
                    what: words.f(
                        "{0}: its entries add up to {1} on board, and its ledger to {2}.",
                        &[&called, &volume(listed), &volume(summed)],
                    ),
                    is_damage: true,
                });
            }
            if listed < 0 {
                found.push(Finding {
                    code: "load-below-zero",
                    what: words.f(
                        "{0}: {1} more was let out than was collected: a pump-out is missing, or a disposal is too large.",
                        &[&called, &volume(-listed)],
                    ),
                    is_damage: false,
                });
            } else if tank.capacity_ml > 0 && listed > i128::from(tank.capacity_ml) {
                found.push(Finding {
                    code: "load-over-capacity",
                    what: words.f(
                        "{0}: {1} on board is more than its tank holds: a disposal is missing, or a pump-out is too large.",
                        &[&called, &volume(listed)],
                    ),
                    is_damage: false,
                });
            }
        }
    }
    Ok(())
}

fn beside(
    call: &Call,
    store: &Store,
    asked: Asked,
    words: Words,
    watch: &dyn Fn(u64),
    found: &mut Vec<Finding>,
) -> Result<(), Refusal> {
    let blobs = Blobs::beside(&call.book);
    // Nothing may be put there while it is decided what is left over.
    let _hold = if asked.clean {
        match blobs
            .hold(Duration::from_mins(1))
            .map_err(|error| cannot_write(blobs.root(), &error, words))?
        {
            Turn::Mine(hold) => Some(hold),
            Turn::Taken => {
                return Err(of_store(
                    &StoreError::Busy {
                        doing: "take away what is left over",
                    },
                    words,
                ));
            }
        }
    } else {
        None
    };
    let rows = store.files_named().map_err(|error| of_store(&error, words))?;
    let mut named = BTreeSet::new();
    let mut awaited = 0_usize;
    for (index, row) in rows.iter().enumerate() {
        let Some(path) = blobs.file(&row.hash, &row.ending) else {
            continue;
        };
        watch(u64::try_from(index * 1_000 / rows.len()).unwrap_or(1_000));
        let place = path.display().to_string();
        let damage = |code, what| Finding {
            code,
            what,
            is_damage: true,
        };
        match (std::fs::metadata(&path), row.bytes) {
            (Err(error), None) if error.kind() == std::io::ErrorKind::NotFound => awaited += 1,
            (Err(error), Some(_)) if error.kind() == std::io::ErrorKind::NotFound => {
                found.push(damage("photo-missing", words.f("{0} is missing.", &[&place])));
            }
            (Err(error), _) => return Err(super::key::unreadable(&path, &error, words)),
            (Ok(data), bytes) => {
                let is_right = bytes.is_none_or(|bytes| data.len() == bytes)
                    && (asked.quick
                        || hash_of(&path).map_err(|error| super::key::unreadable(&path, &error, words))? == row.hash);
                if !is_right {
                    found.push(damage(
                        "photo-changed",
                        words.f("{0} has been changed since it came in.", &[&place]),
                    ));
                }
            }
        }
        named.insert(row.hash.clone());
    }
    if awaited > 0 {
        found.push(Finding {
            code: "photo-not-come",
            what: words.n(
                "{0} photo is named in the book and no day file has brought it yet.",
                "{0} photos are named in the book and no day file has brought them yet.",
                awaited,
            ),
            is_damage: false,
        });
    }
    named.extend(named_by_others(call, asked, words)?);
    let (mut left_over, unfinished) = blobs.list().map_err(|error| of_store(&error, words))?;
    left_over.retain(|path| !hash_in(path).is_some_and(|hash| named.contains(hash)));
    left_over.extend(unfinished);
    if left_over.is_empty() {
        return Ok(());
    }
    let what = if asked.clean {
        for path in &left_over {
            std::fs::remove_file(path).map_err(|error| cannot_write(path, &error, words))?;
        }
        words.n(
            "{0} file beside the book that it does not name was taken away.",
            "{0} files beside the book that it does not name were taken away.",
            left_over.len(),
        )
    } else {
        words.n(
            "{0} file lies beside the book that it does not name; doctor --clean takes it away.",
            "{0} files lie beside the book that it does not name; doctor --clean takes them away.",
            left_over.len(),
        )
    };
    found.push(Finding {
        code: "left-over",
        what,
        is_damage: false,
    });
    Ok(())
}

/// What the other books in the folder name: copies and books kept aside share the photos.
fn named_by_others(call: &Call, asked: Asked, words: Words) -> Result<BTreeSet<String>, Refusal> {
    let mut named = BTreeSet::new();
    let folder = call.book.parent().unwrap_or(Path::new(""));
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    for other in entries(folder).map_err(|error| of_store(&error, words))? {
        let is_book = other.extension().is_some_and(|extension| extension == "sqlite");
        if !is_book || !other.is_file() || other.file_name() == call.book.file_name() {
            continue;
        }
        match Store::hashes_named_in(&other) {
            Ok(hashes) => named.extend(hashes),
            // Only who takes files away has to know for certain whose they are.
            Err(_) if !asked.clean => {}
            Err(error) => {
                return Err(Refusal::refused(
                    words.f(
                        "{0} cannot be read, and may need the photos that lie here: {1}",
                        &[&other.display().to_string(), &of_store(&error, words).what],
                    ),
                    words.t("Nothing was taken away. Move that file to another folder together with a copy of the photos, or mend it."),
                ));
            }
        }
    }
    Ok(named)
}

/// The hash a file is named after.
fn hash_in(path: &Path) -> Option<&str> {
    path.file_name()?.to_str()?.split('.').next()
}
