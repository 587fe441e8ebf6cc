//! A picture of any bytes: its header, its sizes, its camera data. Small files only, so that time goes to headers.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::photo::prepare;

fuzz_target!(|data: &[u8]| {
    drop(prepare(data, true));
});
