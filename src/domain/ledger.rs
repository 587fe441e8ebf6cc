//! What is on the truck: collected, let out, corrected, carried over; and whether the next tank fits.
//!
//! The ledger balances by construction and is checked all the same:
//!
//! > carried over + collected = disposed + on board + corrected off
//!
//! `corrected off` is what corrections took off the load: a correction that found less on the truck than the ledger said
//! counts above zero, one that found more counts below. What is on board is the last line of the running load, never a
//! figure worked out from the other four.

use crate::domain::record::TruckTankId;
use chrono::{DateTime, FixedOffset, NaiveDate};
use std::collections::{BTreeMap, VecDeque};
use uuid::Uuid;

/// What an entry is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EntryKind {
    /// Pumped out of a customer's tank.
    Collected,
    /// Let out at a disposal place.
    Disposed,
    /// Put right by a person.
    Correction {
        /// The entry it puts right, if it names one.
        of: Option<Uuid>,
    },
}

impl EntryKind {
    const fn rank(self) -> u8 {
        match self {
            Self::Collected => 0,
            Self::Disposed => 1,
            Self::Correction { .. } => 2,
        }
    }
}

/// One line of the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The record it comes from.
    pub id: Uuid,
    /// When.
    pub at: DateTime<FixedOffset>,
    /// The day it is counted on: the stop's day, or the day of `at`.
    pub day: NaiveDate,
    /// The truck's tank.
    pub tank: TruckTankId,
    /// What it is.
    pub kind: EntryKind,
    /// The amount, millilitres: as collected or let out, never signed by its kind; a correction has its own sign.
    pub amount_ml: i64,
}

impl Entry {
    /// Returns what the entry does to the load, millilitres.
    #[must_use]
    pub fn change_ml(&self) -> i128 {
        match self.kind {
            EntryKind::Collected | EntryKind::Correction { .. } => i128::from(self.amount_ml),
            EntryKind::Disposed => -i128::from(self.amount_ml),
        }
    }
}

/// One tank of the truck.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LedgerTank {
    /// Which.
    pub id: TruckTankId,
    /// What it holds, millilitres.
    pub capacity_ml: i64,
    /// What was in it before the first entry, millilitres.
    pub before_ml: i64,
}

/// The five figures of the balance, millilitres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Balance {
    /// On board when the period began.
    pub carried_over_ml: i128,
    /// Pumped out of customers' tanks.
    pub collected_ml: i128,
    /// Let out at disposal places.
    pub disposed_ml: i128,
    /// Taken off the load by corrections; below zero when they added.
    pub corrected_off_ml: i128,
    /// On board when the period ended, read off the running load.
    pub on_board_ml: i128,
}

impl Balance {
    /// Whether carried over + collected = disposed + on board + corrected off.
    #[must_use]
    pub const fn holds(&self) -> bool {
        self.carried_over_ml + self.collected_ml == self.disposed_ml + self.on_board_ml + self.corrected_off_ml
    }
}

/// Whether a customer's tank fits on the truck.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fit {
    /// It fits into this tank of the truck, which then has this much room left.
    Fits {
        /// Which.
        tank: TruckTankId,
        /// Room left after it, millilitres.
        left_ml: i128,
    },
    /// It fits only where it is let run over: the first of these tanks, the roomiest, is filled to the brim.
    OverTwo {
        /// Which.
        tanks: [TruckTankId; 2],
        /// Room left in the second after it, millilitres.
        left_ml: i128,
    },
    /// It fits into no two tanks of the truck; the roomiest two, or the only one, lack this much.
    TooMuch {
        /// What is lacking, millilitres.
        lacking_ml: i128,
    },
}

/// Part of a disposal that was made of one load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Share {
    /// The disposal.
    pub disposal: Uuid,
    /// How much of it, millilitres.
    pub ml: i128,
}

/// What became of one load.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Fate {
    /// What it amounts to after corrections that name it, millilitres.
    pub amount_ml: i128,
    /// Where it went, oldest first.
    pub shares: Vec<Share>,
    /// Still on the truck, millilitres.
    pub on_board_ml: i128,
}

/// The truck's tanks and what happened to them, in order of time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Ledger {
    tanks: Vec<LedgerTank>,
    entries: Vec<Entry>,
}

impl Ledger {
    /// Puts the entries in order of time. An entry of a tank that is not listed is left out.
    #[must_use]
    pub fn new(tanks: Vec<LedgerTank>, mut entries: Vec<Entry>) -> Self {
        entries.retain(|entry| tanks.iter().any(|tank| tank.id == entry.tank));
        // What happened in the same moment is taken in the order it can have happened in.
        entries.sort_by_key(|entry| (entry.at, entry.kind.rank(), entry.id));
        Self { tanks, entries }
    }

    /// Returns the truck's tanks.
    #[must_use]
    pub fn tanks(&self) -> &[LedgerTank] {
        &self.tanks
    }

    /// Returns every entry with what is on board, all tanks together, after it.
    #[must_use]
    pub fn running(&self) -> Vec<(Entry, i128)> {
        let mut load = self.before_ml();
        self.entries
            .iter()
            .map(|entry| {
                load += entry.change_ml();
                (*entry, load)
            })
            .collect()
    }

    fn before_ml(&self) -> i128 {
        self.tanks.iter().map(|tank| i128::from(tank.before_ml)).sum()
    }

    /// Returns what is in one tank now, millilitres; zero for a tank that is not the truck's.
    #[must_use]
    pub fn load_ml(&self, tank: TruckTankId) -> i128 {
        let before = self
            .tanks
            .iter()
            .find(|own| own.id == tank)
            .map_or(0, |own| i128::from(own.before_ml));
        let own = self.entries.iter().filter(|entry| entry.tank == tank);
        own.fold(before, |load, entry| load + entry.change_ml())
    }

    /// Returns what is on board now, millilitres.
    #[must_use]
    pub fn on_board_ml(&self) -> i128 {
        self.running()
            .last()
            .map_or_else(|| self.before_ml(), |(_, load)| *load)
    }

    /// Returns what the truck holds, millilitres.
    #[must_use]
    pub fn capacity_ml(&self) -> i128 {
        self.tanks.iter().map(|tank| i128::from(tank.capacity_ml)).sum()
    }

    /// Returns the room left in one tank, millilitres; below zero when more is in it than it holds.
    #[must_use]
    pub fn room_ml(&self, tank: TruckTankId) -> i128 {
        let capacity = self.tanks.iter().find(|own| own.id == tank);
        capacity.map_or(0, |own| i128::from(own.capacity_ml)) - self.load_ml(tank)
    }

    /// Returns the balance over everything.
    #[must_use]
    pub fn balance(&self) -> Balance {
        self.balance_where(|_| false, |_| true)
    }

    /// Returns the balance of one day: what was on board when it began is carried over.
    #[must_use]
    pub fn balance_of(&self, day: NaiveDate) -> Balance {
        self.balance_where(|entry| entry.day < day, |entry| entry.day == day)
    }

    fn balance_where(&self, earlier: impl Fn(&Entry) -> bool, within: impl Fn(&Entry) -> bool) -> Balance {
        let mut balance = Balance {
            carried_over_ml: self.before_ml()
                + self
                    .entries
                    .iter()
                    .filter(|e| earlier(e))
                    .map(Entry::change_ml)
                    .sum::<i128>(),
            ..Balance::default()
        };
        let mut load = balance.carried_over_ml;
        for entry in self.entries.iter().filter(|entry| within(entry)) {
            load += entry.change_ml();
            let amount = i128::from(entry.amount_ml);
            match entry.kind {
                EntryKind::Collected => balance.collected_ml += amount,
                EntryKind::Disposed => balance.disposed_ml += amount,
                EntryKind::Correction { .. } => balance.corrected_off_ml -= amount,
            }
        }
        balance.on_board_ml = load;
        balance
    }

    /// Says for each of the coming tanks, in order, whether it fits.
    ///
    /// Each that fits goes into the first tank of the truck with room for all of it, otherwise into the two roomiest. Before
    /// one that does not fit there either, the truck is taken to be emptied. Nothing is said of a tank whose volume is not known: it takes no room here.
    #[must_use]
    pub fn plan(&self, coming_ml: &[Option<i64>]) -> Vec<Option<Fit>> {
        let mut rooms = self
            .tanks
            .iter()
            .map(|tank| (tank.id, self.room_ml(tank.id), i128::from(tank.capacity_ml)))
            .collect::<Vec<_>>();
        coming_ml
            .iter()
            .map(|coming| {
                let need = i128::from((*coming)?);
                if let Some(fit) = put(&mut rooms, need) {
                    return Some(fit);
                }
                let room_ml = match roomiest(&mut rooms).as_slice() {
                    [(_, first, _), (_, second, _), ..] => (*first).max(*first + *second),
                    [(_, only, _)] => *only,
                    [] => 0,
                };
                for (_, room, capacity) in &mut rooms {
                    *room = *capacity;
                }
                // What it then takes up is taken up, whether or not even an empty truck is enough for it.
                if put(&mut rooms, need).is_none()
                    && let Some((_, room, _)) = rooms.first_mut()
                {
                    *room = 0;
                }
                Some(Fit::TooMuch {
                    lacking_ml: need - room_ml,
                })
            })
            .collect()
    }

    /// Says whether one more tank fits.
    #[must_use]
    pub fn fit(&self, next_ml: i64) -> Fit {
        self.plan(&[Some(next_ml)])
            .pop()
            .flatten()
            .unwrap_or(Fit::TooMuch { lacking_ml: 0 })
    }

    /// Says what became of each load: what went on first is let out first, tank by tank.
    ///
    /// Loads mix on the truck, so this is how they are counted, not how they flow. A correction that names a load changes
    /// that load; one that names nothing takes off the oldest, or adds a load without a customer.
    #[must_use]
    pub fn fates(&self) -> BTreeMap<Uuid, Fate> {
        let mut fates: BTreeMap<Uuid, Fate> = BTreeMap::new();
        for tank in &self.tanks {
            let mut lots: VecDeque<(Option<Uuid>, i128)> = VecDeque::new();
            lots.push_back((None, i128::from(tank.before_ml)));
            for entry in self.entries.iter().filter(|entry| entry.tank == tank.id) {
                let amount = i128::from(entry.amount_ml);
                match entry.kind {
                    EntryKind::Collected => {
                        lots.push_back((Some(entry.id), amount));
                        fates.entry(entry.id).or_default().amount_ml += amount;
                    }
                    EntryKind::Disposed => {
                        for (source, ml) in take(&mut lots, amount) {
                            if let Some(fate) = source.and_then(|id| fates.get_mut(&id)) {
                                fate.shares.push(Share { disposal: entry.id, ml });
                            }
                        }
                    }
                    EntryKind::Correction { of } => {
                        let named = of.filter(|id| fates.contains_key(id));
                        if let Some(fate) = named.and_then(|id| fates.get_mut(&id)) {
                            fate.amount_ml += amount;
                        }
                        let lot = lots
                            .iter_mut()
                            .find(|(source, ml)| named.is_some() && *source == named && *ml + amount >= 0);
                        if let Some((_, ml)) = lot {
                            *ml += amount;
                        } else if amount < 0 {
                            drop(take(&mut lots, -amount));
                        } else {
                            lots.push_back((named, amount));
                        }
                    }
                }
            }
            for (source, ml) in lots {
                if let Some(fate) = source.and_then(|id| fates.get_mut(&id)) {
                    fate.on_board_ml += ml;
                }
            }
        }
        fates
    }
}

/// Puts a tank's contents into the first of the truck's tanks with room for all of it, otherwise into the two roomiest.
fn put(rooms: &mut [(TruckTankId, i128, i128)], need: i128) -> Option<Fit> {
    if let Some((tank, room, _)) = rooms.iter_mut().find(|(_, room, _)| *room >= need) {
        *room -= need;
        return Some(Fit::Fits {
            tank: *tank,
            left_ml: *room,
        });
    }
    let mut by_room = roomiest(rooms);
    let [(first, first_room, _), (second, second_room, _), ..] = by_room.as_mut_slice() else {
        return None;
    };
    if *second_room <= 0 || *first_room + *second_room < need {
        return None;
    }
    *second_room -= need - *first_room;
    *first_room = 0;
    Some(Fit::OverTwo {
        tanks: [*first, *second],
        left_ml: *second_room,
    })
}

/// A truck's tanks, the one with the most room first.
fn roomiest(rooms: &mut [(TruckTankId, i128, i128)]) -> Vec<&mut (TruckTankId, i128, i128)> {
    let mut list = rooms.iter_mut().collect::<Vec<_>>();
    list.sort_by_key(|(_, room, _)| -*room);
    list
}

/// Takes an amount off the oldest lots and says off which.
fn take(lots: &mut VecDeque<(Option<Uuid>, i128)>, mut amount: i128) -> Vec<(Option<Uuid>, i128)> {
    let mut taken = Vec::new();
    while amount > 0 {
        let Some((source, ml)) = lots.front_mut() else { break };
        let part = (*ml).min(amount);
        if part > 0 {
            taken.push((*source, part));
            *ml -= part;
            amount -= part;
        }
        if *ml <= 0 {
            lots.pop_front();
        }
    }
    taken
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn id(n: u128) -> Uuid {
        Uuid::from_u128(n)
    }

    fn entry(n: u128, minute: i64, tank: u128, kind: EntryKind, amount_ml: i64) -> Entry {
        let start = DateTime::parse_from_rfc3339("2026-06-17T08:00:00-05:00").unwrap();
        let at = start + chrono::TimeDelta::minutes(minute);
        Entry {
            id: id(n),
            at,
            day: at.date_naive(),
            tank: TruckTankId(id(tank)),
            kind,
            amount_ml,
        }
    }

    fn tank(n: u128, capacity_ml: i64, before_ml: i64) -> LedgerTank {
        LedgerTank {
            id: TruckTankId(id(n)),
            capacity_ml,
            before_ml,
        }
    }

    /// At one moment what was pumped stands before what was let out, and that before what was put right: so no load is let out
    /// that has not come yet.
    #[test]
    fn of_one_moment_what_came_in_stands_first() {
        use EntryKind::{Collected, Correction, Disposed};
        let ledger = Ledger::new(
            vec![tank(1, 2_000, 0), tank(2, 500, 0)],
            vec![
                entry(1, 5, 1, Correction { of: None }, -50),
                entry(2, 5, 1, Disposed, 900),
                entry(3, 5, 1, Collected, 1_000),
            ],
        );
        let loads = ledger.running().into_iter().map(|(_, load)| load).collect::<Vec<_>>();
        assert_eq!(loads, [1_000, 100, 50]);
        assert_eq!(ledger.capacity_ml(), 2_500);
    }

    #[test]
    fn a_balance_that_lacks_a_litre_does_not_hold() {
        let balance = Balance {
            carried_over_ml: 300,
            collected_ml: 1_700,
            disposed_ml: 1_500,
            corrected_off_ml: 50,
            on_board_ml: 450,
        };
        assert!(balance.holds());
        let short = Balance {
            on_board_ml: 449,
            ..balance
        };
        assert!(!short.holds());
    }

    #[test]
    fn nothing_is_taken_off_a_lot_that_is_used_up() {
        let mut lots = VecDeque::from([(Some(id(1)), 0), (Some(id(2)), 500)]);
        assert_eq!(take(&mut lots, 200), [(Some(id(2)), 200)]);
        assert_eq!(lots, [(Some(id(2)), 300)]);
    }

    /// An invented day on paper, in litres for short: 300 carried over, 1,000 and 700 pumped, 1,500 let out, then the
    /// sight glass shows 50 less than the paper says. 300 + 1,700 = 1,500 + 450 + 50.
    #[test]
    fn a_day_worked_by_hand() {
        use EntryKind::{Collected, Correction, Disposed};
        let ledger = Ledger::new(
            vec![tank(1, 2_000, 300)],
            vec![
                entry(13, 90, 1, Disposed, 1_500),
                entry(11, 10, 1, Collected, 1_000),
                entry(14, 95, 1, Correction { of: None }, -50),
                entry(12, 50, 1, Collected, 700),
            ],
        );
        let loads = ledger.running().into_iter().map(|(_, load)| load).collect::<Vec<_>>();
        assert_eq!(loads, [1_300, 2_000, 500, 450]);
        let balance = ledger.balance();
        assert_eq!(
            balance,
            Balance {
                carried_over_ml: 300,
                collected_ml: 1_700,
                disposed_ml: 1_500,
                corrected_off_ml: 50,
                on_board_ml: 450
            }
        );
        assert!(balance.holds());
        assert_eq!(ledger.room_ml(TruckTankId(id(1))), 1_550);
        // First on, first off: of the 1,500 let out 300 were there before, 1,000 are the first load, 200 the second.
        let fates = ledger.fates();
        assert_eq!(
            fates[&id(11)].shares,
            [Share {
                disposal: id(13),
                ml: 1_000
            }]
        );
        assert_eq!(
            fates[&id(12)].shares,
            [Share {
                disposal: id(13),
                ml: 200
            }]
        );
        assert_eq!(fates[&id(12)].on_board_ml, 450);
    }

    #[test]
    fn the_next_tank_goes_where_it_fits_whole() {
        let ledger = Ledger::new(vec![tank(1, 1_000, 800), tank(2, 2_000, 500)], Vec::new());
        let fits = |tank: u128, left_ml| Fit::Fits {
            tank: TruckTankId(id(tank)),
            left_ml,
        };
        assert_eq!(ledger.fit(200), fits(1, 0));
        assert_eq!(ledger.fit(201), fits(2, 1_299));
        let over_two = |left_ml| Fit::OverTwo {
            tanks: [TruckTankId(id(2)), TruckTankId(id(1))],
            left_ml,
        };
        assert_eq!(ledger.fit(1_501), over_two(199));
        assert_eq!(ledger.fit(1_700), over_two(0));
        assert_eq!(ledger.fit(1_701), Fit::TooMuch { lacking_ml: 1 });
        // 1,400 fits, the next 1,400 does not; emptied before it, the truck has 600 and 1,000 left for what follows.
        assert_eq!(
            ledger.plan(&[Some(1_400), None, Some(1_400), Some(600), Some(1_001)]),
            [
                Some(fits(2, 100)),
                None,
                Some(Fit::TooMuch { lacking_ml: 1_100 }),
                Some(fits(1, 400)),
                Some(Fit::TooMuch { lacking_ml: 1 }),
            ]
        );
    }

    /// What becomes of two loads of 1,000 mL, the first 11 and the second 12, when the second is corrected.
    fn fates_with_second_corrected(change_ml: i64) -> BTreeMap<Uuid, Fate> {
        use EntryKind::{Collected, Correction};
        let entries = vec![
            entry(11, 0, 1, Collected, 1_000),
            entry(12, 5, 1, Collected, 1_000),
            entry(13, 9, 1, Correction { of: Some(id(12)) }, change_ml),
        ];
        Ledger::new(vec![tank(1, 5_000, 0)], entries).fates()
    }

    #[test]
    fn a_correction_of_a_load_changes_that_load() {
        let fates = fates_with_second_corrected(-100);
        assert_eq!((fates[&id(11)].amount_ml, fates[&id(12)].amount_ml), (1_000, 900));
        assert_eq!(fates[&id(12)].on_board_ml, 900);
    }

    /// By hand: 1,500 mL less than a load of 1,000 mL cannot come off that load alone; the oldest is gone and half of the next.
    #[test]
    fn no_correction_leaves_a_load_below_nothing() {
        let fates = fates_with_second_corrected(-1_500);
        assert_eq!((fates[&id(11)].on_board_ml, fates[&id(12)].on_board_ml), (0, 500));
    }

    fn entries() -> impl Strategy<Value = Vec<Entry>> {
        let one = (
            0_i64..4_000,
            1_u128..4,
            0_u8..3,
            0_i64..6_000_000,
            any::<bool>(),
            0_u128..40,
        );
        proptest::collection::vec(one, 0..40).prop_map(|list| {
            list.into_iter()
                .enumerate()
                .map(|(n, (minute, tank, kind, amount, less, of))| {
                    let kind = match kind {
                        0 => EntryKind::Collected,
                        1 => EntryKind::Disposed,
                        _ => EntryKind::Correction {
                            of: (of > 20).then(|| id(100 + of)),
                        },
                    };
                    let signed = if less && matches!(kind, EntryKind::Correction { .. }) {
                        -amount
                    } else {
                        amount
                    };
                    entry(100 + u128::try_from(n).unwrap(), minute, tank, kind, signed)
                })
                .collect()
        })
    }

    proptest! {
        /// The identity of the day and of all days, whatever was done, disposals beyond the load included; and each day
        /// begins with what the one before it ended with.
        #[test]
        fn the_ledger_balances(entries in entries(), before in 0_i64..9_000_000) {
            let ledger = Ledger::new(vec![tank(1, 9_000_000, before), tank(2, 4_000_000, 0)], entries);
            let whole = ledger.balance();
            prop_assert!(whole.holds());
            prop_assert_eq!(whole.on_board_ml, ledger.on_board_ml());
            let tanks = ledger.tanks().iter().map(|tank| ledger.load_ml(tank.id)).sum::<i128>();
            prop_assert_eq!(tanks, ledger.on_board_ml());
            let mut days = ledger.running().iter().map(|(entry, _)| entry.day).collect::<Vec<_>>();
            days.sort_unstable();
            days.dedup();
            let mut carried = i128::from(before);
            for day in days {
                let balance = ledger.balance_of(day);
                prop_assert!(balance.holds());
                prop_assert_eq!(balance.carried_over_ml, carried);
                carried = balance.on_board_ml;
            }
            prop_assert_eq!(carried, whole.on_board_ml);
        }

        /// No load is let out twice, none vanishes: with no corrections, what was let out of a load and what is left of it are the load.
        #[test]
        fn every_load_ends_somewhere(entries in entries(), before in 0_i64..9_000_000) {
            let plain = entries.into_iter().filter(|e| !matches!(e.kind, EntryKind::Correction { .. })).collect();
            let ledger = Ledger::new(vec![tank(1, 9_000_000, before), tank(2, 4_000_000, 0)], plain);
            let fates = ledger.fates();
            let mut out: BTreeMap<Uuid, i128> = BTreeMap::new();
            for fate in fates.values() {
                let gone = fate.shares.iter().map(|share| share.ml).sum::<i128>();
                prop_assert_eq!(gone + fate.on_board_ml, fate.amount_ml);
                for share in &fate.shares {
                    *out.entry(share.disposal).or_default() += share.ml;
                }
            }
            for (entry, _) in ledger.running() {
                if let Some(ml) = out.get(&entry.id) {
                    prop_assert!(*ml <= i128::from(entry.amount_ml));
                }
            }
        }

        /// A tank that is said to fit does: its amount put on, the tank named is not over what it holds.
        #[test]
        fn what_is_said_to_fit_fits(entries in entries(), next in 0_i64..9_000_000) {
            let tanks = vec![tank(1, 9_000_000, 0), tank(2, 4_000_000, 0)];
            let ledger = Ledger::new(tanks.clone(), entries.clone());
            match ledger.fit(next) {
                Fit::Fits { tank, left_ml } => {
                    let mut more = entries;
                    more.push(Entry { tank, ..entry(999, 9_999, 1, EntryKind::Collected, next) });
                    prop_assert_eq!(Ledger::new(tanks, more).room_ml(tank), left_ml);
                    prop_assert!(left_ml >= 0);
                }
                Fit::OverTwo { tanks: [first, second], left_ml } => {
                    let into_first = ledger.room_ml(first);
                    prop_assert!(into_first < i128::from(next) && left_ml >= 0);
                    prop_assert_eq!(ledger.room_ml(second) - (i128::from(next) - into_first), left_ml);
                }
                Fit::TooMuch { lacking_ml } => {
                    prop_assert!(lacking_ml > 0);
                    let rooms = tanks.iter().map(|tank| ledger.room_ml(tank.id)).collect::<Vec<_>>();
                    let most = rooms.iter().copied().max().unwrap().max(rooms.iter().sum());
                    prop_assert_eq!(most + lacking_ml, i128::from(next));
                }
            }
        }
    }
}
