//! A visit as JSON, any text; what is read is answered.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::{rulefile, work};
use std::sync::OnceLock;

fuzz_target!(|data: &[u8]| {
    static RULES: OnceLock<Vec<lidmark::domain::rules::RuleSet>> = OnceLock::new();
    let rules = RULES.get_or_init(|| rulefile::embedded().unwrap_or_default());
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(work) = work::read(text) {
        drop(work::answer(&work, rules, rulefile::GENERAL));
    }
});
