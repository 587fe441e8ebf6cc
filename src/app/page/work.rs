//! Work lines: what was done, from the price list; offered from what was recorded, and said yes or no to.

use super::{PageChoice, PageNumber, PageRow, PageView, PriceSlot, Rows, Target, choice};
use crate::app::leave::capitalised;
use crate::app::overlay::{PadKind, PadTarget};
use crate::app::shell::App;
use crate::domain::money::{line_amount, totals};
use crate::domain::offers::{Ground, Offer, offers};
use crate::domain::record::{Accepted, Language, Price, WorkKind, WorkLine, WorkLineId};
use crate::domain::units::Cents;
use crate::say::figures::Figures;
use crate::say::words::Words;

/// The usual name of a kind of work.
pub(crate) fn kind_text(kind: WorkKind, words: Words) -> String {
    words.t(match kind {
        WorkKind::Pumping => "Pumping a tank",
        WorkKind::Digging => "Digging out a lid",
        WorkKind::ClearBranch => "Clearing a branch in the house",
        WorkKind::ClearMain => "Clearing the main line",
        WorkKind::CleanFilter => "Cleaning the filter",
        WorkKind::ExtraHose => "Extra hose, one section",
    })
}

/// What a line is called for a person: a usual name is said in their language, one's own as it was typed.
fn line_title(line: &WorkLine, words: Words) -> String {
    let usual = |kind: WorkKind| {
        [Language::English, Language::Spanish]
            .iter()
            .any(|language| kind_text(kind, Words::new(*language)) == line.label)
    };
    match line.kind {
        Some(kind) if usual(kind) => kind_text(kind, words),
        _ => line.label.clone(),
    }
}

/// A number of thousandths without needless zeros: "1", "2.5".
fn quantity_text(thousandths: i64) -> String {
    let sign = if thousandths < 0 { "−" } else { "" };
    let size = thousandths.unsigned_abs();
    let text = format!("{sign}{}.{:03}", size / 1_000, size % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Tax in millionths as percent: "6.5 %", "8.875 %".
pub(super) fn tax_text(ppm: i64) -> String {
    format!("{} %", quantity_text(ppm / 10))
}

/// What a line comes to before tax, or that it has no price yet.
fn amount_text(line: &WorkLine, figures: Figures) -> String {
    if line.unpriced() {
        figures.words.t("no price yet")
    } else if line.unit_price == Cents(0) {
        figures.words.t("no charge")
    } else {
        line_amount(line).map_or_else(|| "?".to_owned(), |cents| figures.money(cents))
    }
}

/// How many lines the customer accepted without a price.
pub(super) fn unpriced(work: &[WorkLine]) -> usize {
    work.iter()
        .filter(|line| line.accepted == Accepted::Yes && !line.removed && line.unpriced())
        .count()
}

/// Says that the sum is not the whole of it.
fn unpriced_text(count: usize, words: Words) -> String {
    words.n(
        "{0} accepted line has no price yet and is not in the total.",
        "{0} accepted lines have no price yet and are not in the total.",
        count,
    )
}

/// The work on the slip: every accepted line, what was declined, the tax and the total.
pub(crate) fn slip_lines(work: &[WorkLine], figures: Figures) -> Vec<String> {
    let words = figures.words;
    let mut lines = Vec::new();
    let standing = |accepted: Accepted| {
        work.iter()
            .filter(move |line| line.accepted == accepted && !line.removed)
    };
    let money = |line: &WorkLine| amount_text(line, figures);
    let unpriced = unpriced(work);
    if standing(Accepted::Yes).count() > unpriced
        && let Some(sum) = totals(work)
    {
        lines.push(if sum.tax == Cents(0) {
            words.f("Total: {0}.", &[&figures.money(sum.gross())])
        } else {
            words.f(
                "Total with {0} tax: {1}.",
                &[&figures.money(sum.tax), &figures.money(sum.gross())],
            )
        });
    }
    if unpriced > 0 {
        lines.push(unpriced_text(unpriced, words));
    }
    for line in standing(Accepted::Yes) {
        let title = line_title(line, words);
        lines.push(if line.quantity_thousandths == 1_000 {
            format!("{title}: {}.", money(line))
        } else {
            format!(
                "{title}, {} ×: {}.",
                quantity_text(line.quantity_thousandths),
                money(line)
            )
        });
    }
    let declined: Vec<String> = standing(Accepted::No)
        .map(|line| {
            if line.unpriced() {
                line_title(line, words)
            } else {
                format!("{} ({})", line_title(line, words), money(line))
            }
        })
        .collect();
    if !declined.is_empty() {
        lines.push(words.f("Offered and declined: {0}.", &[&declined.join(", ")]));
    }
    lines
}

impl App {
    /// What is offered at this stop.
    fn offers(&self) -> Vec<Offer> {
        let Some(state) = self.stop.as_ref() else {
            return Vec::new();
        };
        let report = self.report(self.session.figures()).and_then(Result::ok);
        let flush = report
            .as_ref()
            .and_then(|report| report.flush.as_ref().zip(report.comparison.as_ref()));
        offers(state.shown(), flush)
    }

    /// The line of the price list for a kind of work; what digging costs may stand in the set-up alone.
    pub(super) fn price_of(&self, kind: WorkKind) -> Option<(Cents, i64)> {
        let listed = self
            .prices
            .iter()
            .find(|price| price.kind == Some(kind) && !price.removed)
            .map(|price| (price.unit_price, price.tax_ppm()));
        let dig = self.session.setup().dig_fee;
        listed.or_else(|| (kind == WorkKind::Digging && dig.0 > 0).then_some((dig, 0)))
    }

    pub(super) fn work_page(&self) -> PageView {
        let figures = self.session.figures();
        let words = figures.words;
        let Some(state) = self.stop.as_ref() else {
            return PageView::default();
        };
        let work = &state.shown().work;
        let mut view = PageView {
            title: words.t("Work and price"),
            lead: vec![words.t("Nothing is on the slip until the customer says yes.")],
            keys: [words.t("Add work"), String::new()],
            ..PageView::default()
        };
        match totals(work) {
            Some(sum) => {
                let unpriced = unpriced(work);
                view.figure = if unpriced > 0 && sum.gross() == Cents(0) {
                    "–".to_owned()
                } else {
                    figures.money(sum.gross())
                };
                view.figure_text = words.f(
                    "accepted, with {0} tax · open {1} · declined {2}",
                    &[
                        &figures.money(sum.tax),
                        &figures.money(sum.open),
                        &figures.money(sum.declined),
                    ],
                );
                if unpriced > 0 {
                    view.figure_text = format!("{}\n{}", unpriced_text(unpriced, words), view.figure_text);
                }
                for (rate, (net, tax)) in &sum.by_rate {
                    if *rate != 0 {
                        view.result.push(words.f(
                            "Tax {0} on {1}: {2}",
                            &[&tax_text(*rate), &figures.money(*net), &figures.money(*tax)],
                        ));
                    }
                }
            }
            None => view
                .result
                .push(words.t("The sum is too large to write down: check the figures.")),
        }
        view
    }

    pub(super) fn work_rows(&self) -> Rows {
        let figures = self.session.figures();
        let words = figures.words;
        let Some(state) = self.stop.as_ref() else {
            return Rows::new();
        };
        let mut rows = Rows::new();
        let answers = |accepted: Option<Accepted>| {
            vec![
                choice(words.t("Accepted"), accepted == Some(Accepted::Yes)),
                choice(words.t("Declined"), accepted == Some(Accepted::No)),
            ]
        };
        let priced = |quantity: i64, price: Cents, tax: i64| {
            let times = format!("{} × {}", quantity_text(quantity), figures.money(price));
            if tax == 0 {
                times
            } else {
                words.f("{0} + {1} tax", &[&times, &tax_text(tax)])
            }
        };
        for line in state.shown().work.iter().filter(|line| !line.removed) {
            let unpriced = line.unpriced();
            rows.push((
                PageRow {
                    title: line_title(line, words),
                    detail: if unpriced {
                        let many = quantity_text(line.quantity_thousandths);
                        words.f("{0} ×, no price yet: tap here to give it", &[&many])
                    } else if line.unit_price == Cents(0) {
                        format!("{} ×", quantity_text(line.quantity_thousandths))
                    } else {
                        priced(line.quantity_thousandths, line.unit_price, line.tax_ppm())
                    },
                    right: if unpriced {
                        "–".to_owned()
                    } else {
                        amount_text(line, figures)
                    },
                    choices: answers(Some(line.accepted)),
                    opens: true,
                    ..PageRow::default()
                },
                Target::Line(line.id),
            ));
        }
        let offered = self.offers();
        for offer in &offered {
            let grounds: Vec<String> = offer
                .grounds
                .iter()
                .map(|ground| ground_text(ground, figures))
                .collect();
            let price = self.price_of(offer.kind);
            let mut detail = vec![words.f("Offered: {0}", &[&grounds.join(", ")])];
            detail.push(match price {
                Some((price, tax)) if price != Cents(0) => priced(offer.quantity_thousandths, price, tax),
                _ => words.t("no price yet: it is asked for with a yes"),
            });
            rows.push((
                PageRow {
                    title: kind_text(offer.kind, words),
                    detail: detail.join("\n"),
                    choices: answers(None),
                    ..PageRow::default()
                },
                Target::Offer(offer.kind),
            ));
        }
        let sections = state.shown().stop.hose_sections.unwrap_or(0);
        rows.push((
            PageRow {
                title: words.t("Hose sections beyond the usual"),
                right: sections.to_string(),
                choices: vec![choice("− 1".to_owned(), false), choice("+ 1".to_owned(), false)],
                ..PageRow::default()
            },
            Target::Hose,
        ));
        rows
    }

    pub(super) fn choose_hose(&mut self, choice: usize) {
        self.change("extra hose", |visit, _| {
            let now = visit.stop.hose_sections.unwrap_or(0);
            let then = if choice == 0 { now - 1 } else { now + 1 }.clamp(0, 99);
            visit.stop.hose_sections = (then > 0).then_some(then);
        });
    }

    pub(super) fn choose_offer(&mut self, kind: WorkKind, choice: usize) {
        let Some(offer) = self.offers().into_iter().find(|offer| offer.kind == kind) else {
            return;
        };
        let (unit_price, tax_ppm) = self.price_of(kind).unwrap_or_default();
        let label = kind_text(kind, self.session.words());
        let accepted = if choice == 0 { Accepted::Yes } else { Accepted::No };
        let line = WorkLine {
            id: WorkLineId(self.session.new_id()),
            label,
            quantity_thousandths: offer.quantity_thousandths,
            unit_price,
            accepted,
            kind: Some(kind),
            ..WorkLine::default()
        };
        self.add_line(line.taxed(tax_ppm));
    }

    /// Adds a line; a price that is missing from what was agreed to is asked for.
    fn add_line(&mut self, line: WorkLine) {
        let (id, ask) = (line.id, line.unpriced() && line.accepted != Accepted::No);
        self.change("work", |visit, _| {
            let place = visit
                .work
                .iter()
                .map(|line| line.place.saturating_add(1))
                .max()
                .unwrap_or(0);
            visit.work.push(WorkLine {
                stop: visit.stop.id,
                place,
                ..line
            });
        });
        if ask {
            self.ask_price(id);
        }
    }

    fn ask_price(&mut self, id: WorkLineId) {
        self.open_pad(
            PadTarget::Page(PageNumber::LinePrice(id)),
            PadKind::Money,
            "Price of one",
            String::new(),
        );
    }

    pub(super) fn choose_accepted(&mut self, id: WorkLineId, choice: usize) {
        let answer = if choice == 0 { Accepted::Yes } else { Accepted::No };
        self.change_line("work", id, |line| {
            // A second tap takes the answer back; the line stays.
            line.accepted = if line.accepted == answer {
                Accepted::Open
            } else {
                answer
            };
        });
        let unpriced = |line: &WorkLine| line.id == id && line.accepted == Accepted::Yes && line.unpriced();
        if self
            .stop
            .as_ref()
            .is_some_and(|state| state.shown().work.iter().any(unpriced))
        {
            self.ask_price(id);
        }
    }

    /// The price of a line was given; nothing is no charge.
    pub(super) fn set_line_price(&mut self, id: WorkLineId, price: Cents) {
        self.change_line("work", id, |line| {
            line.unit_price = price;
            line.no_charge = (price == Cents(0)).then_some(true);
        });
    }

    pub(super) fn change_line(&mut self, label: &str, id: WorkLineId, change: impl FnOnce(&mut WorkLine)) {
        self.change(label, |visit, _| {
            if let Some(line) = visit.work.iter_mut().find(|line| line.id == id) {
                change(line);
            }
        });
    }

    pub(super) fn open_line(&mut self, id: WorkLineId) {
        let figures = self.session.figures();
        let words = figures.words;
        let Some(state) = self.stop.as_ref() else { return };
        let Some(line) = state.shown().work.iter().find(|line| line.id == id) else {
            return;
        };
        let title = line_title(line, words);
        let rows = vec![
            (words.t("How many"), quantity_text(line.quantity_thousandths)),
            (
                words.t("Price of one"),
                if line.unit_price == Cents(0) {
                    amount_text(line, figures)
                } else {
                    figures.money(line.unit_price)
                },
            ),
            (words.t("Tax"), tax_text(line.tax_ppm())),
            (words.t("No charge"), String::new()),
            (words.t("Take off the slip"), String::new()),
        ];
        self.open_page_list(PageChoice::Line(id), title, rows);
    }

    pub(super) fn line_chosen(&mut self, id: WorkLineId, index: usize) {
        let pad = |number| PadTarget::Page(number);
        match index {
            0 => self.open_pad(
                pad(PageNumber::Quantity(id)),
                PadKind::Quantity,
                "How many",
                String::new(),
            ),
            1 => self.ask_price(id),
            2 => self.open_pad(pad(PageNumber::LineTax(id)), PadKind::Percent, "Tax", String::new()),
            3 => self.set_line_price(id, Cents(0)),
            _ => self.change_line("work", id, |line| line.removed = true),
        }
    }

    /// The lines of the price list that can be added, in its order.
    fn addable(&self) -> Vec<(PriceSlot, String, Cents, i64)> {
        let words = self.session.words();
        let own = self
            .prices
            .iter()
            .filter(|price| price.kind.is_none() && !price.removed)
            .map(|price: &Price| {
                (
                    PriceSlot::Own(price.id),
                    price.label.clone(),
                    price.unit_price,
                    price.tax_ppm(),
                )
            });
        WorkKind::ALL
            .iter()
            .map(|kind| {
                let (price, tax) = self.price_of(*kind).unwrap_or_default();
                (PriceSlot::Kind(*kind), kind_text(*kind, words), price, tax)
            })
            .chain(own)
            .collect()
    }

    pub(super) fn open_add_work(&mut self) {
        let figures = self.session.figures();
        let rows = self
            .addable()
            .into_iter()
            .map(|(_, name, price, _)| {
                let price = if price == Cents(0) {
                    figures.words.t("no price yet")
                } else {
                    figures.money(price)
                };
                (capitalised(&name), price)
            })
            .collect();
        self.open_page_list(PageChoice::AddWork, figures.words.t("Which work?"), rows);
    }

    pub(super) fn work_chosen(&mut self, index: usize) {
        let Some((slot, label, unit_price, tax_ppm)) = self.addable().into_iter().nth(index) else {
            return;
        };
        let line = WorkLine {
            id: WorkLineId(self.session.new_id()),
            label,
            quantity_thousandths: 1_000,
            unit_price,
            kind: match slot {
                PriceSlot::Kind(kind) => Some(kind),
                PriceSlot::Own(_) => None,
            },
            ..WorkLine::default()
        };
        self.add_line(line.taxed(tax_ppm));
    }
}

/// Says what an offer rests on.
fn ground_text(ground: &Ground, figures: Figures) -> String {
    let words = figures.words;
    match ground {
        Ground::Pumped(count) => words.n("{0} tank pumped", "{0} tanks pumped", *count),
        Ground::Dug { name, cover, .. } => {
            let lid = crate::app::dig::lid_title(name, words);
            words.f("{0} under {1} of soil", &[&lid, &figures.length(*cover)])
        }
        Ground::Cleared => words.t("the second run of the flush test came back better"),
        Ground::FilterCleaned => words.t("the filter was cleaned"),
        Ground::Hose => words.t("hose beyond the usual was laid"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_and_rates_are_written_without_needless_zeros() {
        assert_eq!(quantity_text(1_000), "1");
        assert_eq!(quantity_text(2_500), "2.5");
        assert_eq!(quantity_text(333), "0.333");
        assert_eq!(tax_text(65_000), "6.5 %");
        assert_eq!(tax_text(70_000), "7 %");
        assert_eq!(tax_text(88_750), "8.875 %");
        assert_eq!(tax_text(0), "0 %");
    }
}
