//! A plan from the office, taken in by a phone.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::plan_file(data));
