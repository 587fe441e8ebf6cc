//! What a receiver sends, any bytes: every position is on the earth.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lidmark::exchange::nmea::NmeaReader;
use lidmark::exchange::position::PositionSource;

fuzz_target!(|data: &[u8]| {
    let mut reader = NmeaReader::new(data);
    while let Ok(Some(fix)) = reader.next_fix() {
        let place = fix.position;
        assert!(place.latitude_deg().abs() <= 90.0 && place.longitude_deg().abs() <= 180.0, "{fix:?}");
    }
});
