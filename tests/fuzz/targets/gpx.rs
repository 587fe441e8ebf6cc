//! A GPX file of any bytes, as a site plan and as a track.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::gpx::{read, replay, write};

fuzz_target!(|data: &[u8]| {
    if let Ok(plan) = read(data) {
        // What cannot be said in GPX is refused, never a panic.
        drop(write(&plan));
    }
    drop(replay(data));
});
