//! When, where and by which action a field came to its value, and how that is kept.
//!
//! A record that came in a file has one row in the table `stamp`. Its `marks` is a run of actions, each
//!
//! | bytes | what |
//! |---|---|
//! | 8 | when, milliseconds since 1970-01-01 UTC, big-endian, signed |
//! | 2 | the clock's offset from UTC, minutes, big-endian, signed |
//! | 16 | the phone |
//! | 16 | the action |
//! | 1 | 1 when the time can be right, 0 when it cannot |
//! | 1 | how many fields follow |
//! | 1 each | the field, as its column's number in `PRAGMA table_info` |
//!
//! Columns are only ever added, so a column's number never changes. Actions stand in their order, so that
//! equal marks are equal bytes.

use chrono::{DateTime, FixedOffset};
use uuid::Uuid;

/// Where in the order of all changes one change stands; the greatest gives a field its value.
///
/// A time that cannot be right never stands above one that can. Then the later wins; at the same millisecond the
/// phone's id and the action's id decide, so that every book decides alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Mark {
    /// Whether the time can be right.
    pub sound: bool,
    /// When, milliseconds since 1970-01-01 UTC.
    pub at_ms: i64,
    /// The phone.
    pub by: Uuid,
    /// The action.
    pub op: Uuid,
    /// The clock's offset from UTC.
    pub offset_min: i16,
}

/// 2020-01-01 00:00 UTC: no phone that runs this program was set right before that.
const EARLIEST_MS: i64 = 1_577_836_800_000;
/// A phone may be a day ahead of the office's clock: time zones set wrong, an office that is slow.
const AHEAD_MS: i64 = 24 * 60 * 60 * 1_000;

impl Mark {
    /// The mark of a value nobody knows the origin of; anything known stands above it.
    pub(super) const UNKNOWN: Self = Self {
        sound: false,
        at_ms: i64::MIN,
        by: Uuid::nil(),
        op: Uuid::nil(),
        offset_min: 0,
    };

    /// Makes a mark, judging the time by the clock of whoever takes it in.
    pub(super) fn new(at: DateTime<FixedOffset>, by: Uuid, op: Uuid, now_ms: i64) -> Self {
        let at_ms = at.timestamp_millis();
        Self {
            sound: at_ms >= EARLIEST_MS && at_ms <= now_ms.saturating_add(AHEAD_MS),
            at_ms,
            by,
            op,
            offset_min: i16::try_from(at.offset().local_minus_utc() / 60).unwrap_or(0),
        }
    }

    /// Whether both speak of the same action, whatever was thought of its time.
    pub(super) fn is_same_action(&self, other: &Self) -> bool {
        (self.at_ms, self.by, self.op) == (other.at_ms, other.by, other.op)
    }

    /// Returns the time as the phone's clock showed it; `None` for a value of unknown origin.
    pub(super) fn at(&self) -> Option<DateTime<FixedOffset>> {
        let zone = FixedOffset::east_opt(i32::from(self.offset_min) * 60)?;
        Some(DateTime::from_timestamp_millis(self.at_ms)?.with_timezone(&zone))
    }
}

/// Writes a record's marks, each with the number of its column.
pub(super) fn encode(mut marks: Vec<(u8, Mark)>) -> Vec<u8> {
    marks.sort_unstable_by_key(|(column, mark)| (*mark, *column));
    let mut bytes = Vec::with_capacity(marks.len().saturating_add(88));
    for group in marks.chunk_by(|a, b| a.1 == b.1) {
        let Some((_, mark)) = group.first() else { continue };
        bytes.extend(mark.at_ms.to_be_bytes());
        bytes.extend(mark.offset_min.to_be_bytes());
        bytes.extend(mark.by.as_bytes());
        bytes.extend(mark.op.as_bytes());
        bytes.push(u8::from(mark.sound));
        // A column has one mark, and a table here fewer than 255 columns (see `Merger::new`), so the count fits.
        bytes.push(u8::try_from(group.len()).unwrap_or(u8::MAX));
        bytes.extend(group.iter().map(|(column, _)| *column));
    }
    bytes
}

/// Reads a record's marks back; `None` when the bytes are no marks.
pub(super) fn decode(mut bytes: &[u8]) -> Option<Vec<(u8, Mark)>> {
    let mut marks = Vec::new();
    while !bytes.is_empty() {
        let (head, rest) = bytes.split_first_chunk::<44>()?;
        let (at_ms, head) = head.split_first_chunk::<8>()?;
        let (offset_min, head) = head.split_first_chunk::<2>()?;
        let (by, head) = head.split_first_chunk::<16>()?;
        let (op, head) = head.split_first_chunk::<16>()?;
        let [sound, count] = head else { return None };
        let mark = Mark {
            sound: *sound == 1,
            at_ms: i64::from_be_bytes(*at_ms),
            by: Uuid::from_bytes(*by),
            op: Uuid::from_bytes(*op),
            offset_min: i16::from_be_bytes(*offset_min),
        };
        let (columns, rest) = rest.split_at_checked(usize::from(*count))?;
        marks.extend(columns.iter().map(|column| (*column, mark)));
        bytes = rest;
    }
    marks.sort_by_key(|(column, _)| *column);
    Some(marks)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mark() -> impl Strategy<Value = Mark> {
        (any::<bool>(), any::<i64>(), 0..3_u128, 0..3_u128, any::<i16>()).prop_map(
            |(sound, at_ms, by, op, offset_min)| Mark {
                sound,
                at_ms,
                by: Uuid::from_u128(by),
                op: Uuid::from_u128(op),
                offset_min,
            },
        )
    }

    proptest! {
        #[test]
        fn marks_survive_being_kept(
            columns in prop::collection::btree_set(any::<u8>(), 0..40),
            few in prop::collection::vec(mark(), 1..4),
        ) {
            let marks = columns.iter().map(|c| (*c, *few.get(usize::from(*c) % few.len()).unwrap())).collect::<Vec<_>>();
            prop_assert_eq!(decode(&encode(marks.clone())), Some(marks));
        }

        #[test]
        fn bytes_from_anywhere_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            decode(&bytes);
        }
    }

    #[test]
    fn a_time_is_doubted_before_2020_and_more_than_a_day_ahead() {
        // Both sides of both limits; 1577836800 is 2020-01-01 00:00 UTC (date -u -d @1577836800).
        let now_ms = 1_781_000_000_000;
        for (at_ms, sound) in [
            (1_577_836_799_999, false),
            (1_577_836_800_000, true),
            (now_ms + 86_400_000, true),
            (now_ms + 86_400_001, false),
        ] {
            let at = DateTime::from_timestamp_millis(at_ms).unwrap().fixed_offset();
            assert_eq!(Mark::new(at, Uuid::nil(), Uuid::nil(), now_ms).sound, sound, "{at}");
        }
    }

    #[test]
    fn the_clock_of_the_phone_is_read_back_with_its_offset() {
        let at = DateTime::parse_from_rfc3339("2026-06-17T09:00:00.250-05:00").unwrap();
        let mark = Mark::new(at, Uuid::nil(), Uuid::nil(), 0);
        let back = mark.at().unwrap();
        assert_eq!(back, at);
        assert_eq!(back.to_rfc3339(), at.to_rfc3339());
        assert_eq!(Mark::UNKNOWN.at(), None);
    }
}
