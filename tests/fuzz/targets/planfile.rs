//! A day's plan of any text; what is read is written and read back the same.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::planfile::{read, write};

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(plan) = read(text) {
        let again = read(&write(&plan));
        assert!(again.is_ok_and(|again| again == plan), "a plan written is the plan read");
    }
});
