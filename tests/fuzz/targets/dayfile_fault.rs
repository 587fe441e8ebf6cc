//! A sound day file with one fault, taken in by the office.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::dayfile_fault(data));
