//! `money`: work lines and what they come to, slip by slip and day by day.

use super::Refusal;
use super::context::{Call, Office, hand_over};
use super::options;
use super::sheet::{Cell, Sheet};
use crate::domain::money::{Totals, line_amount, totals};
use crate::domain::record::Accepted;
use crate::domain::units::Cents;
use crate::store::WorkRow;
use serde_json::{Value, json};
use std::path::PathBuf;

/// What was asked of `money`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// First day.
    pub from: Option<String>,
    /// Last day.
    pub to: Option<String>,
    /// Each line, not only the days.
    pub lines: bool,
    /// Write CSV there: the lines with `lines`, otherwise the days.
    pub csv: Option<PathBuf>,
}

/// A sum of slips.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Sum {
    slips: usize,
    net: i64,
    tax: i64,
    open: i64,
    declined: i64,
}

impl Sum {
    /// Adds a slip; `None` when it is too large to hold.
    fn with(self, slip: &Totals) -> Option<Self> {
        Some(Self {
            slips: self.slips + 1,
            net: self.net.checked_add(slip.net.0)?,
            tax: self.tax.checked_add(slip.tax.0)?,
            open: self.open.checked_add(slip.open.0)?,
            declined: self.declined.checked_add(slip.declined.0)?,
        })
    }
}

/// Lists the money of a period.
///
/// # Errors
/// What was refused, and what to do.
pub fn run(call: &Call, asked: &Asked) -> Result<String, Refusal> {
    call.on_book(|office| {
        let words = office.words();
        let (from, to) = options::period(asked.from.as_deref(), asked.to.as_deref(), office.today(), words)?;
        let rows = office
            .store
            .work_between(from, to)
            .map_err(|error| office.refuse(&error))?;
        let (days, all) = by_day(&rows).ok_or_else(|| {
            Refusal::refused(
                words.t("An amount is too large to add up."),
                words.t("Look for a slipped key in the quantities and prices."),
            )
        })?;
        let sheet = if asked.lines {
            lines(office, &rows)
        } else {
            day_sheet(office, &days, all)
        };
        if let Some(path) = &asked.csv {
            return hand_over(path, sheet.csv(), office);
        }
        if office.json {
            return Ok(json!({
                "from": from.to_string(),
                "to": to.to_string(),
                "slips": all.slips,
                "net_cents": all.net,
                "tax_cents": all.tax,
                "gross_cents": all.net.saturating_add(all.tax),
                "open_cents": all.open,
                "declined_cents": all.declined,
                if asked.lines { "lines" } else { "days" }: sheet.json(),
            })
            .to_string());
        }
        let money = |cents: i64| office.figures.money(Cents(cents));
        Ok(format!(
            "{}{}",
            sheet.text(),
            words.f(
                "Before tax {0}, tax {1}, together {2}. Tax is rounded once a slip and rate.",
                &[
                    &money(all.net),
                    &money(all.tax),
                    &money(all.net.saturating_add(all.tax))
                ],
            )
        ))
    })
}

/// Adds the lines up slip by slip, and the slips day by day.
fn by_day(rows: &[WorkRow]) -> Option<(Vec<(chrono::NaiveDate, Sum)>, Sum)> {
    let mut days = Vec::<(chrono::NaiveDate, Sum)>::new();
    let mut all = Sum::default();
    for slip in rows.chunk_by(|a, b| a.line.stop == b.line.stop) {
        let total = totals(slip.iter().map(|row| &row.line))?;
        let day = slip.first()?.day;
        all = all.with(&total)?;
        match days.last_mut() {
            Some((last, sum)) if *last == day => *sum = sum.with(&total)?,
            _ => days.push((day, Sum::default().with(&total)?)),
        }
    }
    Some((days, all))
}

/// Cents as a decimal number, exact as text.
fn decimal(cents: i64) -> String {
    let sign = if cents < 0 { "-" } else { "" };
    let whole = cents.unsigned_abs();
    format!("{sign}{}.{:02}", whole / 100, whole % 100)
}

fn money_cell(office: &Office, cents: i64) -> Cell {
    Cell::shown(decimal(cents), office.figures.money(Cents(cents)))
}

fn day_sheet(office: &Office, days: &[(chrono::NaiveDate, Sum)], all: Sum) -> Sheet {
    let words = office.words();
    let mut sheet = Sheet::new(vec![
        ("day", words.t("Day"), false),
        ("slips", words.t("Slips"), true),
        ("net", words.t("Before tax"), true),
        ("tax", words.t("Tax"), true),
        ("gross", words.t("Together"), true),
        ("open", words.t("Open"), true),
        ("declined", words.t("Declined"), true),
    ]);
    let row = |day: String, sum: &Sum| {
        vec![
            Cell::text(day),
            Cell::shown(Value::from(sum.slips), sum.slips.to_string()),
            money_cell(office, sum.net),
            money_cell(office, sum.tax),
            money_cell(office, sum.net.saturating_add(sum.tax)),
            money_cell(office, sum.open),
            money_cell(office, sum.declined),
        ]
    };
    sheet.rows = days.iter().map(|(day, sum)| row(day.to_string(), sum)).collect();
    sheet.rows.push(row("total".to_owned(), &all));
    if let Some(cell) = sheet.rows.last_mut().and_then(|row| row.first_mut()) {
        cell.text = words.t("total");
    }
    sheet
}

fn lines(office: &Office, rows: &[WorkRow]) -> Sheet {
    let words = office.words();
    let mut sheet = Sheet::new(vec![
        ("day", words.t("Day"), false),
        ("site", words.t("Site"), false),
        ("customer", words.t("Customer"), false),
        ("label", words.t("Work"), false),
        ("quantity", words.t("Quantity"), true),
        ("unit_price", words.t("Price"), true),
        ("net", words.t("Before tax"), true),
        ("tax_percent", words.t("Tax"), true),
        ("accepted", words.t("Accepted"), false),
        ("stop_id", String::new(), false),
    ]);
    sheet.rows = rows
        .iter()
        .map(|row| {
            let line = &row.line;
            let accepted = match line.accepted {
                Accepted::Open => words.t("open"),
                Accepted::Yes => words.t("yes"),
                Accepted::No => words.t("no"),
            };
            // A price that nobody gave stays empty.
            let priced = Some(line).filter(|line| !line.unpriced());
            let quantity = thousandths(line.quantity_thousandths);
            let percent = thousandths(line.tax_ppm() / 10);
            vec![
                Cell::text(row.day.to_string()),
                Cell::text(row.name.clone()),
                Cell::text(row.customer.clone()),
                Cell::text(line.label.clone()),
                Cell::shown(quantity.clone(), quantity),
                priced.map_or_else(Cell::default, |line| money_cell(office, line.unit_price.0)),
                priced
                    .and_then(line_amount)
                    .map_or_else(Cell::default, |amount| money_cell(office, amount.0)),
                Cell::shown(percent.clone(), format!("{percent} %")),
                Cell::shown(line.accepted.word(), accepted),
                Cell::text(line.stop.to_string()),
            ]
        })
        .collect();
    sheet
}

/// Thousandths as a decimal number without needless zeros.
fn thousandths(value: i64) -> String {
    let sign = if value < 0 { "-" } else { "" };
    let whole = value.unsigned_abs();
    let text = format!("{sign}{}.{:03}", whole / 1_000, whole % 1_000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
