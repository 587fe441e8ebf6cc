//! When a tank that no phone has seen yet is due: worked out from its size, its people and its last pump-out.

use super::context::Office;
use crate::domain::assess::assess;
use crate::domain::record::{Pumping, Setup, Stop, Visit};
use crate::domain::rules::RuleSet;
use crate::exchange::inputs::work_input;
use crate::exchange::rulefile;
use chrono::NaiveDate;

/// The rule sets of the program; a test holds them to being readable.
#[must_use]
pub fn rule_sets() -> Vec<RuleSet> {
    rulefile::embedded().unwrap_or_default()
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
