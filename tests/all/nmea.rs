//! NMEA 0183 streams: published sentences, noise, truncation.

use lidmark::domain::locate::fix::{Fix, FixQuality};
use lidmark::exchange::nmea::NmeaReader;
use lidmark::exchange::position::PositionSource;
use proptest::prelude::*;

/// Source: example data in the readme of the `nmea` package for Elixir (hex.pm, version 0.1.0): a real receiver's log.
const DUBLIN: &str = "\
$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,*76\r
$GPGSA,A,3,10,07,05,02,29,04,08,13,,,,,1.72,1.03,1.38*0A\r
$GPGSV,3,3,11,29,09,301,24,16,09,020,,36,,,*76\r
$GPRMC,092750.000,A,5321.6802,N,00630.3372,W,0.02,31.66,280511,,,A*43\r
$GPGGA,092751.000,5321.6802,N,00630.3371,W,1,8,1.03,61.7,M,55.3,M,,*75\r
$GPRMC,092751.000,A,5321.6802,N,00630.3371,W,0.06,31.66,280511,,,A*45\r
";

/// Source: the example of GST in the documentation of the `nmea` crate.
const GST: &str = "$GPGST,182141.000,15.5,15.3,7.2,21.8,0.9,0.5,0.8*54";

fn read_all(bytes: &[u8]) -> (Vec<Fix>, lidmark::exchange::nmea::SentenceCounts) {
    let mut reader = NmeaReader::new(bytes);
    let mut fixes = Vec::new();
    while let Some(fix) = reader.next_fix().unwrap() {
        fixes.push(fix);
    }
    (fixes, reader.counts())
}

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |sum, byte| sum ^ byte))
}

#[test]
fn a_receivers_log_gives_one_fix_a_second() {
    let (fixes, counts) = read_all(DUBLIN.as_bytes());
    assert_eq!((fixes.len(), counts.taken, counts.other, counts.bad()), (2, 4, 2, 0));
    // 53° 21.6802' N, 6° 30.3372' W, worked by hand.
    assert!((fixes[0].position.latitude_deg() - (53.0 + 21.6802 / 60.0)).abs() < 1e-9);
    assert!((fixes[0].position.longitude_deg() + 6.0 + 30.3372 / 60.0).abs() < 1e-9);
    assert_eq!(fixes[0].time.unwrap().to_rfc3339(), "2011-05-28T09:27:50+00:00");
    // 0.02 knots over ground: the receiver stands, and the course it names is noise.
    assert_eq!(fixes[0].course_deg, None);
    assert!((fixes[0].accuracy_m.unwrap() - 1.03 * 4.9).abs() < 1e-5);
}

/// A knot is 0.514 m/s: 0.9 knots is a stroll's start, 1.0 is over half a metre a second.
#[test]
fn a_course_counts_only_while_the_receiver_moves() {
    let course = |knots: &str| {
        let rmc = sentence(&format!(
            "GPRMC,092750.000,A,5321.6802,N,00630.3372,W,{knots},31.66,280511,,,A"
        ));
        read_all(rmc.as_bytes()).0[0].course_deg
    };
    assert!((course("1.0").unwrap() - 31.66).abs() < 1e-4);
    assert_eq!(course("0.9"), None);
    assert_eq!(course(""), None);
}

#[test]
fn gst_gives_the_accuracy_of_its_own_second() {
    let gga = sentence("GNGGA,182141.000,4807.038,N,01131.324,E,4,12,0.9,545.4,M,46.9,M,,");
    let (fixes, counts) = read_all(format!("{gga}{GST}\r\n").as_bytes());
    assert_eq!((fixes.len(), counts.taken), (1, 2));
    assert_eq!(fixes[0].quality, FixQuality::RtkFixed);
    // 68 % radius of axes 0.9 and 0.5 m: 1.5096 · √((0.81 + 0.25) / 2).
    assert!((fixes[0].accuracy_m.unwrap() - 1.0990).abs() < 1e-3);
}

#[test]
fn a_wrong_or_missing_checksum_is_counted_and_skipped() {
    let wrong = DUBLIN.replacen("*76", "*77", 1);
    let (fixes, counts) = read_all(wrong.as_bytes());
    assert_eq!(counts.bad_checksum, 1);
    assert_eq!(fixes.len(), 2, "the RMC of that second still gives its place");
    let (fixes, counts) = read_all(DUBLIN.replace("*76", "").replace("*43", "").as_bytes());
    assert_eq!((fixes.len(), counts.bad_checksum), (1, 3));
}

#[test]
fn a_receiver_without_a_position_says_so() {
    // Source: MicroNMEA's test sentences (stevemarple/MicroNMEA, extras/test), a receiver without a fix.
    let (fixes, counts) = read_all(b"$GPRMC,194812.00,V,,,,,,,290317,,,N*74\r\n");
    assert_eq!(
        (fixes.len(), counts.taken, counts.without_position, counts.bad()),
        (0, 1, 1, 0)
    );
}

#[test]
fn right_checksums_over_impossible_fields_are_refused() {
    for body in [
        "GPGGA,092750.000,5399.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,",
        "GPGGA,092750.000,53-1.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,",
        "GPGGA,092750.000,53nan,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,",
        "GPGGA,092750.000,5321.6802,Q,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,",
        "GPRMC,092750.000,A",
        "GPGGA,",
    ] {
        let (fixes, counts) = read_all(sentence(body).as_bytes());
        assert_eq!((fixes.len(), counts.bad_fields), (0, 1), "{body}");
    }
    let (fixes, counts) =
        read_all(sentence("GPGGA,092750.000,9521.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,").as_bytes());
    assert_eq!((fixes.len(), counts.without_position), (0, 1));
}

#[test]
fn a_sentence_cut_off_by_the_next_is_counted() {
    let cut = format!("$GPGGA,092749.000,5321.68{DUBLIN}");
    let (fixes, counts) = read_all(cut.as_bytes());
    assert_eq!((fixes.len(), counts.broken), (2, 1));
}

/// Gives line noise without end; a reader that gathers it would run out of memory.
struct Noise(u64);

impl std::io::Read for Noise {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.0 == 0 {
            return Ok(0);
        }
        self.0 -= 1;
        for byte in buffer.iter_mut() {
            *byte = b'x';
        }
        if let Some(first) = buffer.first_mut() {
            *first = b'$';
        }
        Ok(buffer.len())
    }
}

#[test]
fn endless_noise_is_read_in_bounded_memory() {
    let mut reader = NmeaReader::new(Noise(1000));
    assert!(reader.next_fix().unwrap().is_none());
    assert_eq!(reader.counts().broken, 1000);
}

proptest! {
    #[test]
    fn noise_never_makes_a_fix_or_a_panic(noise in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let (fixes, _) = read_all(&noise);
        prop_assert!(fixes.is_empty());
    }

    #[test]
    fn noise_between_sentences_costs_none(noise in "[^$\r\n]{0,60}") {
        let noisy: String = DUBLIN.split_inclusive('\n').flat_map(|line| [noise.as_str(), line]).collect();
        let (fixes, counts) = read_all(noisy.as_bytes());
        prop_assert_eq!((fixes.len(), counts.taken), (2, 4));
    }

    #[test]
    fn a_stream_cut_anywhere_gives_only_true_fixes(cut in 0..DUBLIN.len()) {
        let (all, _) = read_all(DUBLIN.as_bytes());
        let (fixes, _) = read_all(&DUBLIN.as_bytes()[..cut]);
        for fix in fixes {
            prop_assert!(all.iter().any(|whole| whole.position == fix.position));
        }
    }

    #[test]
    fn one_flipped_bit_never_moves_a_fix(at in 0..DUBLIN.len(), bit in 0..8_u8) {
        let (all, _) = read_all(DUBLIN.as_bytes());
        let mut bytes = DUBLIN.as_bytes().to_vec();
        bytes[at] ^= 1 << bit;
        for fix in read_all(&bytes).0 {
            prop_assert!(all.iter().any(|whole| whole.position == fix.position));
        }
    }

    #[test]
    fn any_fields_under_a_right_checksum_do_not_panic(kind in "(GGA|RMC|GST)", fields in "[-+.,0-9ANSEWVMeinf ]{0,80}") {
        drop(read_all(sentence(&format!("GP{kind},{fields}")).as_bytes()));
    }
}
