//! The company's price list.

use super::work::{kind_text, tax_text};
use super::{PageChoice, PageNumber, PageRow, PageText, PageView, PriceSlot, Rows, Target};
use crate::app::overlay::{PadKind, PadTarget, SheetTarget};
use crate::app::shell::App;
use crate::domain::record::{Price, PriceId, WorkKind, changes};
use crate::domain::units::Cents;

impl App {
    /// How many lines of the price list have a price, for Setup.
    #[must_use]
    pub(crate) fn priced_count(&self) -> usize {
        self.prices
            .iter()
            .filter(|price| price.unit_price.0 != 0 && !price.removed)
            .count()
    }

    fn price_in(&self, slot: PriceSlot) -> Option<&Price> {
        self.prices.iter().find(|price| {
            !price.removed
                && match slot {
                    PriceSlot::Kind(kind) => price.kind == Some(kind),
                    PriceSlot::Own(id) => price.id == id,
                }
        })
    }

    pub(super) fn prices_page(&self) -> PageView {
        let words = self.session.words();
        PageView {
            title: words.t("Price list"),
            lead: vec![
                words.t("Prices are before tax. A change holds for work from now on, not for lines that stand."),
            ],
            keys: [words.t("Add a line"), String::new()],
            ..PageView::default()
        }
    }

    pub(super) fn prices_rows(&self) -> Rows {
        let figures = self.session.figures();
        let words = figures.words;
        let row = |title: String, slot: PriceSlot, price: Option<(Cents, i64)>| {
            let price = price.filter(|(price, _)| *price != Cents(0));
            let row = PageRow {
                title,
                detail: match price {
                    Some((_, tax)) => words.f("tax {0}", &[&tax_text(tax)]),
                    None => words.t("no price yet"),
                },
                right: price.map_or_else(|| "–".to_owned(), |(price, _)| figures.money(price)),
                opens: true,
                ..PageRow::default()
            };
            (row, Target::Price(slot))
        };
        let kinds = WorkKind::ALL
            .iter()
            .map(|kind| row(kind_text(*kind, words), PriceSlot::Kind(*kind), self.price_of(*kind)));
        let own = self
            .prices
            .iter()
            .filter(|price| price.kind.is_none() && !price.removed)
            .map(|price| {
                row(
                    price.label.clone(),
                    PriceSlot::Own(price.id),
                    Some((price.unit_price, price.tax_ppm())),
                )
            });
        kinds.chain(own).collect()
    }

    pub(super) fn open_price(&mut self, slot: PriceSlot) {
        let figures = self.session.figures();
        let words = figures.words;
        let (price, tax) = match slot {
            PriceSlot::Kind(kind) => self.price_of(kind).unwrap_or_default(),
            PriceSlot::Own(_) => self
                .price_in(slot)
                .map(|line| (line.unit_price, line.tax_ppm()))
                .unwrap_or_default(),
        };
        let mut rows = vec![
            (
                words.t("Price"),
                if price == Cents(0) {
                    words.t("no price yet")
                } else {
                    figures.money(price)
                },
            ),
            (words.t("Tax"), tax_text(tax)),
        ];
        let title = match slot {
            PriceSlot::Kind(kind) => kind_text(kind, words),
            PriceSlot::Own(_) => {
                let name = self.price_in(slot).map(|line| line.label.clone()).unwrap_or_default();
                rows.push((words.t("Name"), name.clone()));
                rows.push((words.t("Take off the list"), String::new()));
                name
            }
        };
        self.open_page_list(PageChoice::Price(slot), title, rows);
    }

    pub(super) fn price_chosen(&mut self, slot: PriceSlot, index: usize) {
        match (index, slot) {
            (0, _) => self.open_pad(
                PadTarget::Page(PageNumber::Price(slot)),
                PadKind::Money,
                "Price",
                String::new(),
            ),
            (1, _) => self.open_pad(
                PadTarget::Page(PageNumber::Tax(slot)),
                PadKind::Percent,
                "Tax",
                String::new(),
            ),
            (2, PriceSlot::Own(id)) => {
                let name = self.price_in(slot).map(|line| line.label.clone()).unwrap_or_default();
                self.open_sheet(SheetTarget::Page(PageText::PriceName(id)), "Name", name, false);
            }
            (3, PriceSlot::Own(_)) => self.change_price(slot, |line| line.removed = true),
            _ => {}
        }
    }

    pub(super) fn open_new_price(&mut self) {
        self.open_sheet(
            SheetTarget::Page(PageText::NewPrice),
            "What is sold?",
            String::new(),
            false,
        );
    }

    pub(super) fn add_price(&mut self, label: String) {
        let price = Price {
            id: PriceId(self.session.new_id()),
            place: self.next_price_place(),
            label,
            ..Price::default()
        };
        self.keep_price(price);
    }

    fn next_price_place(&self) -> i64 {
        self.prices
            .iter()
            .map(|price| price.place.saturating_add(1))
            .max()
            .unwrap_or(0)
    }

    pub(super) fn change_price(&mut self, slot: PriceSlot, change: impl FnOnce(&mut Price)) {
        let mut price = match (self.price_in(slot), slot) {
            (Some(price), _) => price.clone(),
            (None, PriceSlot::Own(_)) => return,
            (None, PriceSlot::Kind(kind)) => {
                let (unit_price, tax_ppm) = self.price_of(kind).unwrap_or_default();
                Price {
                    id: PriceId(self.session.new_id()),
                    place: self.next_price_place(),
                    label: kind_text(kind, self.session.words()),
                    unit_price,
                    kind: Some(kind),
                    ..Price::default()
                }
                .taxed(tax_ppm)
            }
        };
        change(&mut price);
        self.keep_price(price);
    }

    fn keep_price(&mut self, price: Price) {
        let before: Vec<Price> = self.prices.iter().filter(|old| old.id == price.id).cloned().collect();
        let list = changes(&before, std::slice::from_ref(&price));
        if list.is_empty() {
            return;
        }
        self.prices.retain(|old| old.id != price.id);
        let removed = price.removed;
        if !removed {
            let at = self.prices.iter().position(|old| old.place > price.place);
            self.prices.insert(at.unwrap_or(self.prices.len()), price);
        }
        self.session.keep(None, "prices", false, list);
    }
}
