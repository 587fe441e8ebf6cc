//! What a position receiver sends.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::nmea(data));
