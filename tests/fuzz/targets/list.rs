//! A customer list of any bytes.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::customer_list::{Mapping, read};

fuzz_target!(|data: &[u8]| {
    let today = chrono::NaiveDate::from_ymd_opt(2026, 6, 17).unwrap_or_default();
    drop(read(data, &Mapping::default(), today));
});
