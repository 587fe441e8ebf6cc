//! A map or track as GPX.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::gpx_file(data));
