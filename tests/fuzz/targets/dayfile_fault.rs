//! A sound day file with one part changed and its manifest fitting again: what is let in must be kept whole by a book.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::dayfile::read::{Trust, open};
use lidmark_fuzz::with_a_fault;
use std::io::Cursor;

fuzz_target!(|data: &[u8]| {
    let Some(bytes) = with_a_fault(data) else { return };
    if let Ok(file) = open(Cursor::new(&bytes[..]), &[], Trust::Anyone) {
        assert!(file.stamped().all(|field| field.is_ok()), "what was checked can be read");
        assert!(file.log().all(|action| action.is_ok()), "what was checked can be read");
    }
});
