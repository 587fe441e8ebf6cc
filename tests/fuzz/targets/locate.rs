//! Where a lid lies as JSON, any text; what is read is answered.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::locate::{answer, read};

fuzz_target!(|data: &[u8]| {
    let Ok(text) = std::str::from_utf8(data) else { return };
    if let Ok(file) = read(text) {
        drop(answer(&file, &|_| String::new()));
    }
});
