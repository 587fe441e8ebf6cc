//! A day file of any bytes; what opens is read to its end.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::dayfile::read::{Trust, open};
use std::io::Cursor;

fuzz_target!(|data: &[u8]| {
    if let Ok(file) = open(Cursor::new(data), &[], Trust::Anyone) {
        assert!(file.stamped().all(|field| field.is_ok()), "what was checked can be read");
        assert!(file.log().all(|action| action.is_ok()), "what was checked can be read");
    }
});
