//! A map as GeoJSON.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lidmark_fuzz::geojson_file(data));
