//! Records of one kind with the stamp of each field, packed tight: what waits between a file and a book.
//!
//! A day of many thousand stops fits into memory like this, so that a file that has been checked need not be read a second
//! time. What is packed has been found to fit its fields by whoever packed it.

use super::record::{Cell, Kind, Stamped};
use chrono::{DateTime, FixedOffset};
use uuid::Uuid;

/// When a field was given its value, by which phone, in which action.
#[derive(Clone, Copy, Debug)]
pub struct Stamp {
    /// When, by the clock of the phone.
    pub at: DateTime<FixedOffset>,
    /// The phone.
    pub by: Uuid,
    /// The action.
    pub op: Uuid,
}

impl PartialEq for Stamp {
    /// Two times of the same moment in different zones are two stamps: the clock of the phone is kept as it showed.
    fn eq(&self, other: &Self) -> bool {
        let parts = |stamp: &Self| (stamp.at, *stamp.at.offset(), stamp.by, stamp.op);
        parts(self) == parts(other)
    }
}

impl Eq for Stamp {}

/// A kept value that lies elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CellRef<'a> {
    /// Not known.
    Null,
    /// A whole number in the unit of its field.
    Int(i64),
    /// Text.
    Text(&'a str),
}

impl<'a> From<&'a Cell> for CellRef<'a> {
    fn from(cell: &'a Cell) -> Self {
        match cell {
            Cell::Null => Self::Null,
            Cell::Int(whole) => Self::Int(*whole),
            Cell::Text(text) => Self::Text(text),
        }
    }
}

impl CellRef<'_> {
    /// Returns the value on its own.
    #[must_use]
    pub fn to_cell(self) -> Cell {
        match self {
            Self::Null => Cell::Null,
            Self::Int(whole) => Cell::Int(whole),
            Self::Text(text) => Cell::Text(text.to_owned()),
        }
    }
}

/// Records of one kind.
#[derive(Debug)]
pub struct Pack {
    kind: &'static Kind,
    /// One record after the other: its id (16 bytes), how many stamps and how many fields it has (1 byte each), the places of
    /// its stamps in `stamps` (4 bytes each), and its fields: the place in [`Kind::fields`], the place among the record's
    /// stamps (1 byte each), and the value, whose first byte says what it is.
    bytes: Vec<u8>,
    stamps: Vec<Stamp>,
    records: u64,
    read_bytes: u64,
}

const NULL: u8 = 0;
const INT: u8 = 1;
const TEXT: u8 = 2;

/// Records come from few actions, mostly the last ones seen: so many are looked through before a stamp is noted anew.
const RECENT: usize = 4;

impl Pack {
    /// Begins an empty pack.
    #[must_use]
    pub const fn of(kind: &'static Kind) -> Self {
        Self {
            kind,
            bytes: Vec::new(),
            stamps: Vec::new(),
            records: 0,
            read_bytes: 0,
        }
    }

    /// Returns what kind of records it holds.
    #[must_use]
    pub const fn kind(&self) -> &'static Kind {
        self.kind
    }

    /// Returns how many records it holds.
    #[must_use]
    pub const fn len(&self) -> u64 {
        self.records
    }

    /// Whether it holds none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.records == 0
    }

    /// Returns how much memory it takes, bytes.
    #[must_use]
    pub const fn weight(&self) -> usize {
        self.bytes.capacity() + self.stamps.capacity() * size_of::<Stamp>()
    }

    /// Gives back what was held for growing.
    pub fn shrink(&mut self) {
        self.bytes.shrink_to_fit();
        self.stamps.shrink_to_fit();
    }

    /// Returns how many bytes of a file one of its records came from, on average.
    #[must_use]
    pub fn read_bytes_each(&self) -> u64 {
        self.read_bytes.checked_div(self.records).unwrap_or(0)
    }

    /// Adds a record.
    ///
    /// * `read_bytes`: how many bytes of a file it came from
    /// * `fields`: the place of each in [`Kind::fields`], none twice, with its value and stamp
    pub fn push(&mut self, id: Uuid, read_bytes: usize, fields: &[(u8, CellRef<'_>, Stamp)]) {
        let mut own: Vec<u32> = Vec::with_capacity(RECENT);
        let mut among = Vec::with_capacity(fields.len());
        for (_, _, stamp) in fields {
            let place = self.place_of(*stamp);
            among.push(own.iter().position(|known| *known == place).unwrap_or_else(|| {
                own.push(place);
                own.len() - 1
            }));
        }
        // A kind has fewer than 255 fields, so neither number can be greater.
        let short = |number: usize| u8::try_from(number).unwrap_or(u8::MAX);
        self.bytes.extend(id.as_bytes());
        self.bytes.extend([short(own.len()), short(fields.len())]);
        for place in &own {
            self.bytes.extend(place.to_le_bytes());
        }
        for ((field, value, _), stamp) in fields.iter().zip(among) {
            self.bytes.extend([*field, short(stamp)]);
            match value {
                CellRef::Null => self.bytes.push(NULL),
                CellRef::Int(whole) => {
                    self.bytes.push(INT);
                    self.bytes.extend(whole.to_le_bytes());
                }
                CellRef::Text(text) => {
                    self.bytes.push(TEXT);
                    // A line of a file, and so a text in it, has at most a few million bytes.
                    self.bytes
                        .extend(u32::try_from(text.len()).unwrap_or(u32::MAX).to_le_bytes());
                    self.bytes.extend(text.as_bytes());
                }
            }
        }
        self.records += 1;
        self.read_bytes += u64::try_from(read_bytes).unwrap_or(0);
    }

    /// Returns where a stamp is noted, and notes it when it is new.
    fn place_of(&mut self, stamp: Stamp) -> u32 {
        let from = self.stamps.len().saturating_sub(RECENT);
        let known = self.stamps.iter().skip(from).rposition(|known| *known == stamp);
        let place = known.map_or(self.stamps.len(), |place| from + place);
        if known.is_none() {
            self.stamps.push(stamp);
        }
        u32::try_from(place).unwrap_or(u32::MAX)
    }

    /// Returns the records, in the order they were added.
    pub fn records(&self) -> impl Iterator<Item = Packed<'_>> {
        let mut rest = self.bytes.as_slice();
        std::iter::from_fn(move || {
            let (packed, after) = Packed::read(self, rest)?;
            rest = after;
            Some(packed)
        })
    }
}

/// One record of a [`Pack`].
#[derive(Clone, Debug)]
pub struct Packed<'a> {
    pack: &'a Pack,
    id: Uuid,
    stamps: &'a [u8],
    fields: Vec<(u8, u8, CellRef<'a>)>,
}

impl<'a> Packed<'a> {
    fn read(pack: &'a Pack, bytes: &'a [u8]) -> Option<(Self, &'a [u8])> {
        let (id, rest) = bytes.split_first_chunk::<16>()?;
        let ([stamps, count], rest) = rest.split_first_chunk::<2>()?;
        let (stamps, mut rest) = rest.split_at_checked(usize::from(*stamps) * 4)?;
        let mut fields = Vec::with_capacity(usize::from(*count));
        for _ in 0..*count {
            let ([field, stamp, tag], after) = rest.split_first_chunk::<3>()?;
            let (value, after) = match *tag {
                NULL => (CellRef::Null, after),
                INT => {
                    let (whole, after) = after.split_first_chunk::<8>()?;
                    (CellRef::Int(i64::from_le_bytes(*whole)), after)
                }
                _ => {
                    let (length, after) = after.split_first_chunk::<4>()?;
                    let length = usize::try_from(u32::from_le_bytes(*length)).ok()?;
                    let (text, after) = after.split_at_checked(length)?;
                    (CellRef::Text(std::str::from_utf8(text).ok()?), after)
                }
            };
            fields.push((*field, *stamp, value));
            rest = after;
        }
        let id = Uuid::from_bytes(*id);
        Some((
            Self {
                pack,
                id,
                stamps,
                fields,
            },
            rest,
        ))
    }

    /// Returns what kind of record it is.
    #[must_use]
    pub const fn kind(&self) -> &'static Kind {
        self.pack.kind
    }

    /// Returns the record's id.
    #[must_use]
    pub const fn id(&self) -> Uuid {
        self.id
    }

    /// Returns the stamps of its fields.
    pub fn stamps(&self) -> impl Iterator<Item = Stamp> + '_ {
        self.stamps.chunks_exact(4).filter_map(|place| {
            let place = u32::from_le_bytes(place.try_into().ok()?);
            self.pack.stamps.get(usize::try_from(place).ok()?).copied()
        })
    }

    /// Returns its fields in the order they were given: the place in [`Kind::fields`], the place in [`Packed::stamps`], and the
    /// value.
    #[must_use]
    pub fn fields(&self) -> impl ExactSizeIterator<Item = (usize, usize, CellRef<'a>)> + '_ {
        self.fields
            .iter()
            .map(|(field, stamp, value)| (usize::from(*field), usize::from(*stamp), *value))
    }

    /// Whether it holds every field of its kind, in their order.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.fields.len() == self.pack.kind.fields.len()
            && self.fields().enumerate().all(|(at, (field, _, _))| at == field)
    }

    /// Returns its fields one by one.
    pub fn stamped(&self) -> impl Iterator<Item = Stamped> + '_ {
        let kind = self.pack.kind;
        let stamps = self.stamps().collect::<Vec<_>>();
        self.fields().filter_map(move |(field, stamp, value)| {
            let stamp = stamps.get(stamp)?;
            Some(Stamped {
                table: kind.table,
                id: self.id,
                field: kind.fields.get(field)?,
                value: value.to_cell(),
                at: stamp.at,
                by: stamp.by,
                op: stamp.op,
            })
        })
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::domain::record::KINDS;
    use proptest::prelude::*;

    fn cell() -> impl Strategy<Value = Cell> {
        prop_oneof![
            Just(Cell::Null),
            any::<i64>().prop_map(Cell::Int),
            ".*".prop_map(Cell::Text)
        ]
    }

    fn stamp() -> impl Strategy<Value = Stamp> {
        (0..6_i64, 0..3_i32, 0..3_u128, 0..4_u128).prop_map(|(second, zone, by, op)| Stamp {
            at: DateTime::from_timestamp(1_781_000_000 + second, 0)
                .unwrap()
                .with_timezone(&FixedOffset::west_opt(zone * 3_600).unwrap()),
            by: Uuid::from_u128(by),
            op: Uuid::from_u128(op),
        })
    }

    /// A stamp is noted once for all fields that share it, and a record is whole with every field of its kind in order.
    #[test]
    fn a_pack_notes_a_stamp_once_and_knows_a_whole_record() {
        let kind = KINDS.iter().find(|kind| kind.fields.len() > 2).unwrap();
        let at = |second| Stamp {
            at: DateTime::from_timestamp(1_781_000_000 + second, 0)
                .unwrap()
                .fixed_offset(),
            by: Uuid::from_u128(1),
            op: Uuid::from_u128(2),
        };
        let fields = |order: &[u8], second: i64| {
            order
                .iter()
                .map(|place| (*place, CellRef::Null, at(second)))
                .collect::<Vec<_>>()
        };
        let all = (0..u8::try_from(kind.fields.len()).unwrap()).collect::<Vec<_>>();
        let turned = [&[1, 0], all.get(2..).unwrap()].concat();
        let mut pack = Pack::of(kind);
        let empty = pack.weight();
        assert!(pack.is_empty());
        for (n, list) in [
            fields(&all, 0),
            fields(&turned, 0),
            fields(all.get(1..).unwrap(), 0),
            fields(&all, 1),
        ]
        .iter()
        .enumerate()
        {
            pack.push(Uuid::from_u128(n as u128), 100 + n, list);
        }
        assert!(!pack.is_empty());
        // 100 + 101 + 102 + 103 bytes of four records.
        assert_eq!(pack.read_bytes_each(), 101);
        assert_eq!(pack.stamps.len(), 2);
        let whole = pack.records().map(|record| record.is_whole()).collect::<Vec<_>>();
        assert_eq!(whole, [true, false, false, true]);
        pack.shrink();
        // An empty value takes three bytes, a record 18 and 4 for its one stamp.
        let bytes = 4 * 22 + 3 * (4 * all.len() - 1);
        assert_eq!(pack.weight() - empty, bytes + 2 * size_of::<Stamp>());
    }

    proptest! {
        #[test]
        fn what_is_packed_is_unpacked(
            kind in 0..KINDS.len(),
            records in prop::collection::vec((any::<u128>(), prop::collection::vec((cell(), stamp()), 0..12)), 0..20),
        ) {
            let kind = KINDS.get(kind).unwrap();
            let mut pack = Pack::of(kind);
            let mut told = Vec::new();
            for (id, fields) in &records {
                let id = Uuid::from_u128(*id);
                let fields = fields.iter().zip(0_u8..).zip(kind.fields);
                let list = fields.clone().map(|(((cell, stamp), place), _)| (place, CellRef::from(cell), *stamp));
                pack.push(id, 0, &list.collect::<Vec<_>>());
                told.push(
                    fields
                        .map(|(((cell, stamp), _), field)| Stamped {
                            table: kind.table,
                            id,
                            field,
                            value: cell.clone(),
                            at: stamp.at,
                            by: stamp.by,
                            op: stamp.op,
                        })
                        .collect::<Vec<_>>(),
                );
            }
            prop_assert_eq!(pack.len(), u64::try_from(records.len()).unwrap());
            let back = pack.records().map(|record| record.stamped().collect::<Vec<_>>()).collect::<Vec<_>>();
            // Equal times may stand in different zones; the zone has to come back too.
            prop_assert_eq!(format!("{back:?}"), format!("{told:?}"));
            let ids = pack.records().map(|record| record.id().as_u128()).collect::<Vec<_>>();
            prop_assert_eq!(ids, records.iter().map(|(id, _)| *id).collect::<Vec<_>>());
        }
    }
}
