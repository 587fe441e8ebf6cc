//! A GeoJSON map of any bytes; what is read is written and read back.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::geojson::{read, write};

fuzz_target!(|data: &[u8]| {
    if let Ok(plan) = read(data) {
        assert!(read(write(&plan).as_bytes()).is_ok(), "a map written can be read");
    }
});
