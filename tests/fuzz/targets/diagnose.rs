//! Signs as JSON.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::diagnose_file(data));
