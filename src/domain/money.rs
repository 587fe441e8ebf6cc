//! Work lines in money: whole cents, rounded once and in the open.
//!
//! * The amount of a line is quantity times unit price, rounded half away from zero to the cent.
//! * Tax is worked out *per rate on the slip*, not per line: the amounts of all accepted lines of one rate are added,
//!   the rate is taken of the sum, and that is rounded half away from zero to the cent. So the tax a customer can check
//!   with a calculator on the slip's own subtotals is the tax that is charged, and ten lines at 0.005 do not make ten
//!   cents of rounding.
//! * Only lines the customer accepted count; open and declined ones are listed apart.
//! * A line without a price adds nothing, and whoever shows the sum says that it is missing.
//!
//! Rounding half away from zero is what is taught as commercial rounding; common practice. Local tax law may ask for
//! another way, and then it goes before this.

use super::record::{Accepted, Price, WorkLine};
use super::units::Cents;
use std::collections::BTreeMap;

/// Divides rounding half away from zero; `None` when the result cannot be held.
fn divided(value: i128, by: i128) -> Option<i64> {
    let half = by / 2;
    let moved = if value < 0 {
        value.checked_sub(half)?
    } else {
        value.checked_add(half)?
    };
    i64::try_from(moved / by).ok()
}

/// A tax rate in millionths of the amount, from the two fields it is kept in: 82 and 500 are 8.25 %.
const fn ppm(permille: i64, rest_ppm: i64) -> i64 {
    permille.saturating_mul(1_000).saturating_add(rest_ppm)
}

macro_rules! taxed {
    ($($record:ident)+) => { $(
        impl $record {
            /// Returns the tax, in millionths of the amount.
            #[must_use]
            pub const fn tax_ppm(&self) -> i64 {
                ppm(self.tax_permille, self.tax_rest_ppm)
            }

            /// Sets the tax, in millionths of the amount.
            pub const fn set_tax_ppm(&mut self, ppm: i64) {
                self.tax_permille = ppm.div_euclid(1_000);
                self.tax_rest_ppm = ppm.rem_euclid(1_000);
            }

            /// Returns the record with this tax, in millionths of the amount.
            #[must_use]
            pub fn taxed(mut self, ppm: i64) -> Self {
                self.set_tax_ppm(ppm);
                self
            }
        }
    )+ };
}

taxed!(WorkLine Price);

impl WorkLine {
    /// Returns whether nobody has said yet what one costs; a price of nothing that is meant is no charge.
    #[must_use]
    pub fn unpriced(&self) -> bool {
        self.unit_price == Cents(0) && self.no_charge != Some(true)
    }
}

/// Returns what a line comes to before tax: quantity times unit price, half a cent away from zero.
///
/// * returns: `None` when the amount is too large to hold
///
/// ```
/// use lidmark::domain::{money::line_amount, record::WorkLine, units::Cents};
///
/// // 2.5 hours at $95.01: 237.525, so $237.53.
/// let line = WorkLine { quantity_thousandths: 2_500, unit_price: Cents(9_501), ..WorkLine::default() };
/// assert_eq!(line_amount(&line), Some(Cents(23_753)));
/// ```
#[must_use]
pub fn line_amount(line: &WorkLine) -> Option<Cents> {
    let product = i128::from(line.quantity_thousandths).checked_mul(i128::from(line.unit_price.0))?;
    divided(product, 1_000).map(Cents)
}

/// What a slip comes to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Accepted lines before tax.
    pub net: Cents,
    /// Tax on them.
    pub tax: Cents,
    /// Amount and tax for each rate, in millionths.
    pub by_rate: BTreeMap<i64, (Cents, Cents)>,
    /// Lines not answered yet, before tax.
    pub open: Cents,
    /// Lines declined, before tax.
    pub declined: Cents,
}

impl Totals {
    /// Returns what the customer pays.
    #[must_use]
    pub fn gross(&self) -> Cents {
        self.net + self.tax
    }
}

/// Adds up the lines of one slip; see the module for how it rounds.
///
/// * returns: `None` when a sum is too large to hold
#[must_use]
pub fn totals<'a>(lines: impl IntoIterator<Item = &'a WorkLine>) -> Option<Totals> {
    let mut totals = Totals::default();
    let mut by_rate = BTreeMap::<i64, i64>::new();
    for line in lines.into_iter().filter(|line| !line.removed) {
        let amount = line_amount(line)?.0;
        let sum = match line.accepted {
            Accepted::Yes => by_rate.entry(line.tax_ppm()).or_default(),
            Accepted::Open => &mut totals.open.0,
            Accepted::No => &mut totals.declined.0,
        };
        *sum = sum.checked_add(amount)?;
    }
    for (rate, amount) in by_rate {
        let tax = divided(i128::from(amount).checked_mul(i128::from(rate))?, 1_000_000)?;
        totals.net.0 = totals.net.0.checked_add(amount)?;
        totals.tax.0 = totals.tax.0.checked_add(tax)?;
        totals.by_rate.insert(rate, (Cents(amount), Cents(tax)));
    }
    Some(totals)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::indexing_slicing)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(quantity_thousandths: i64, cents: i64, tax_permille: i64, accepted: Accepted) -> WorkLine {
        WorkLine {
            quantity_thousandths,
            unit_price: Cents(cents),
            tax_permille,
            accepted,
            ..WorkLine::default()
        }
    }

    #[test]
    fn a_price_of_nothing_is_open_unless_it_is_meant() {
        let mut free = line(1_000, 0, 0, Accepted::Open);
        assert!(free.unpriced());
        free.no_charge = Some(false);
        assert!(free.unpriced());
        free.no_charge = Some(true);
        assert!(!free.unpriced() && !line(1_000, 1, 0, Accepted::Open).unpriced());
    }

    /// Worked by hand on paper: 3 x 12.35 = 37.05; 0.333 x 10.00 = 3.33; their tax at 6.5 %: 40.38 x 0.065 = 2.6247.
    #[test]
    fn a_slip_worked_by_hand() {
        let lines = [
            line(3_000, 1_235, 65, Accepted::Yes),
            line(333, 1_000, 65, Accepted::Yes),
            line(1_000, 29_500, 0, Accepted::Yes),
            line(1_000, 7_000, 65, Accepted::No),
            line(2_000, 4_500, 65, Accepted::Open),
        ];
        let sum = totals(&lines).unwrap();
        assert_eq!(
            (sum.net, sum.tax, sum.gross()),
            (Cents(33_538), Cents(262), Cents(33_800))
        );
        assert_eq!((sum.declined, sum.open), (Cents(7_000), Cents(9_000)));
        assert_eq!(sum.by_rate.get(&65_000), Some(&(Cents(4_038), Cents(262))));
    }

    /// Rates that are not whole tenths of a percent. By hand: 325.00 x 0.0825 = 26.8125; 129.99 x 0.08875 = 11.5366125.
    #[test]
    fn a_quarter_of_a_percent_is_not_lost() {
        let texas = line(1_000, 32_500, 0, Accepted::Yes).taxed(82_500);
        assert_eq!(
            (texas.tax_permille, texas.tax_rest_ppm, texas.tax_ppm()),
            (82, 500, 82_500)
        );
        assert_eq!(totals(&[texas]).unwrap().tax, Cents(2_681));
        let new_york = line(1_000, 12_999, 0, Accepted::Yes).taxed(88_750);
        assert_eq!(totals(&[new_york]).unwrap().tax, Cents(1_154));
    }

    #[test]
    fn half_a_cent_goes_away_from_zero_both_ways() {
        assert_eq!(line_amount(&line(500, 1, 0, Accepted::Yes)), Some(Cents(1)));
        assert_eq!(line_amount(&line(-500, 1, 0, Accepted::Yes)), Some(Cents(-1)));
        assert_eq!(line_amount(&line(499, 1, 0, Accepted::Yes)), Some(Cents(0)));
        assert_eq!(line_amount(&line(i64::MAX, i64::MAX, 0, Accepted::Yes)), None);
    }

    proptest! {
        /// The exact value in thousandths of a cent is never further than half a cent from what is charged.
        #[test]
        fn no_line_is_off_by_more_than_half_a_cent(q in -1_000_000_i64..1_000_000, c in -1_000_000_i64..1_000_000) {
            let exact = i128::from(q) * i128::from(c);
            let charged = i128::from(line_amount(&line(q, c, 0, Accepted::Yes)).unwrap().0) * 1_000;
            prop_assert!((exact - charged).abs() <= 500);
        }

        #[test]
        fn the_parts_add_up(rows in proptest::collection::vec((0_i64..10_000, 0_i64..100_000, 0_i64..200, 0_usize..3), 0..20)) {
            let lines: Vec<_> = rows.iter().map(|(q, c, t, a)| line(*q, *c, *t, Accepted::ALL[*a])).collect();
            let sum = totals(&lines).unwrap();
            let all: i64 = lines.iter().map(|l| line_amount(l).unwrap().0).sum();
            prop_assert_eq!(sum.net.0 + sum.open.0 + sum.declined.0, all);
            prop_assert_eq!(sum.by_rate.values().map(|(n, _)| n.0).sum::<i64>(), sum.net.0);
            prop_assert_eq!(sum.by_rate.values().map(|(_, t)| t.0).sum::<i64>(), sum.tax.0);
        }
    }
}
