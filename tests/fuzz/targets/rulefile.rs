//! A rule set of any text.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::rulefile::parse;

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    drop(parse(text));
});
