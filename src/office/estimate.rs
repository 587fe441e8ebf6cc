//! When a tank that no phone has seen yet is due: worked out from its size, its people and its last pump-out.

use super::Refusal;
use super::context::Office;
use crate::domain::assess::assess;
use crate::domain::record::{Pumping, Setup, Stop, Visit};
use crate::domain::rules::RuleSet;
use crate::exchange::inputs::work_input;
use crate::exchange::rulefile;
use chrono::NaiveDate;
use std::fs::File;
use std::io::{ErrorKind, Read as _};
use std::path::Path;

/// Returns the rule sets of the program and those in the folder `rules` beside the book.
///
/// # Errors
/// When a file there cannot be used: by other rules than the office's own nothing is worked out.
pub fn rule_sets(office: &Office) -> Result<Vec<RuleSet>, Refusal> {
    let words = office.words();
    let folder = &office.rules;
    let unreadable = |path: &Path, error: &std::io::Error| {
        Refusal::file(
            words.f(
                "{0} cannot be read: {1}",
                &[&path.display().to_string(), &error.to_string()],
            ),
            words.t("Check the path and its permissions."),
        )
    };
    let mut files = match std::fs::read_dir(folder) {
        Ok(entries) => entries
            .map(|entry| entry.map(|entry| entry.path()))
            .collect::<Result<Vec<_>, _>>()
            .map_err(|error| unreadable(folder, &error))?,
        Err(error) if error.kind() == ErrorKind::NotFound => Vec::new(),
        Err(error) => return Err(unreadable(folder, &error)),
    };
    files.retain(|path| path.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    let mut texts = Vec::new();
    for path in files {
        let mut text = Vec::new();
        let most = u64::try_from(rulefile::MOST_BYTES).unwrap_or(u64::MAX);
        File::open(&path)
            .and_then(|file| file.take(most.saturating_add(1)).read_to_end(&mut text))
            .map_err(|error| unreadable(&path, &error))?;
        let text = String::from_utf8(text).map_err(|error| std::io::Error::new(ErrorKind::InvalidData, error));
        texts.push((path.display().to_string(), text));
    }
    let (own, refused) = rulefile::read_own(texts);
    if refused.is_empty() {
        Ok(rulefile::with_bundled(own))
    } else {
        Err(Refusal::input(
            words.f("A rule file of your own cannot be used: {0}", &[&refused.join("; ")]),
            words.t("Nothing was changed. Correct that line, or take the file out of the folder; the form is in docs/rules.md."),
        ))
    }
}

/// Returns the rule set that holds at a site: its own, else the company's, else the general one.
#[must_use]
pub fn rule_set_for(sets: &[RuleSet], own: &str, setup: &Setup) -> Option<RuleSet> {
    let mut set = [own, setup.rule_set.as_str(), rulefile::GENERAL]
        .into_iter()
        .filter(|id| !id.is_empty())
        .find_map(|id| sets.iter().find(|set| set.id == id))?
        .clone();
    if let Some(months) = setup.max_months.and_then(|months| i32::try_from(months).ok()) {
        let years = f64::from(months) / 12.0;
        set.max_interval_years = Some(set.max_interval_years.map_or(years, |own| own.min(years)));
    }
    Some(set)
}

/// Returns the earliest date over the tanks of a site without any stop, counted from each tank's last pump-out.
///
/// * returns: `None` when no tank has a size, people and a last pump-out
#[must_use]
pub fn due_without_stops(office: &Office, sets: &[RuleSet], site: &Visit) -> Option<NaiveDate> {
    let rules = rule_set_for(sets, &site.site.rule_set, &office.setup)?;
    site.tanks
        .iter()
        .filter_map(|tank| {
            let mut visit = site.clone();
            visit.stop = Stop {
                day: tank.last_emptied?,
                ..Stop::default()
            };
            visit.pumpings = vec![Pumping {
                tank: tank.id,
                pumped: Some(true),
                ..Pumping::default()
            }];
            let input = work_input(&visit, &[], tank, &office.setup);
            assess(&input, &rules, &[]).forecast.dates.map(|dates| dates.due)
        })
        .min()
}
