//! Where a lid lies, as JSON.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::locate_file(data));
