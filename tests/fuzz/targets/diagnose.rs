//! Signs as JSON, any text; what is read is answered.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::diagnose::{answer, read};

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(facts) = read(text) {
        drop(answer(&facts, &|_| String::new()));
    }
});
