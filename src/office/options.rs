//! What is typed behind an option: days, months, places, distances.

use super::Refusal;
use crate::domain::record::Units;
use crate::say::figures::Figures;
use crate::say::words::Words;
use chrono::{Datelike, Months, NaiveDate};

/// Metres in an international mile, exact (NIST SP 811, appendix B.8).
pub const METRES_PER_MILE: f64 = 1_609.344;

/// Reads a day.
///
/// # Errors
/// When it is not a day written `YYYY-MM-DD`.
pub fn day(text: &str, words: Words) -> Result<NaiveDate, Refusal> {
    NaiveDate::parse_from_str(text.trim(), "%Y-%m-%d")
        .ok()
        .filter(|day| (1900..=2200).contains(&day.year()))
        .ok_or_else(|| {
            Refusal::input(
                words.f("\"{0}\" is not a day.", &[text]),
                words.t("Write it as YYYY-MM-DD, for example 2026-12-01."),
            )
        })
}

/// Reads a month and returns its first and last day.
///
/// # Errors
/// When it is not a month written `YYYY-MM`.
pub fn month(text: &str, words: Words) -> Result<(NaiveDate, NaiveDate), Refusal> {
    let first = NaiveDate::parse_from_str(&format!("{}-01", text.trim()), "%Y-%m-%d")
        .ok()
        .filter(|day| (1900..=2200).contains(&day.year()));
    first
        .and_then(|first| Some((first, first.checked_add_months(Months::new(1))?.pred_opt()?)))
        .ok_or_else(|| {
            Refusal::input(
                words.f("\"{0}\" is not a month.", &[text]),
                words.t("Write it as YYYY-MM, for example 2026-12."),
            )
        })
}

/// The first day lies behind the last.
#[must_use]
pub fn backwards(from: NaiveDate, to: NaiveDate, words: Words) -> Refusal {
    Refusal::input(
        words.f("{0} lies after {1}.", &[&from.to_string(), &to.to_string()]),
        words.t("Give the earlier day with --from and the later with --to."),
    )
}

/// Reads both ends of a period; without them the month that `today` is in.
///
/// # Errors
/// When a day cannot be read or they are the wrong way round.
pub fn period(
    from: Option<&str>,
    to: Option<&str>,
    today: NaiveDate,
    words: Words,
) -> Result<(NaiveDate, NaiveDate), Refusal> {
    let from = match from {
        Some(text) => day(text, words)?,
        None => today.with_day(1).unwrap_or(today),
    };
    let to = match to {
        Some(text) => day(text, words)?,
        None => today.max(from),
    };
    if from > to {
        return Err(backwards(from, to, words));
    }
    Ok((from, to))
}

/// Reads a place in degrees, latitude first, and returns 1e-7 degrees.
///
/// # Errors
/// When it is not two numbers in range.
pub fn place(text: &str, words: Words) -> Result<(i64, i64), Refusal> {
    let degrees = |text: &str, most: f64| {
        let value = text.trim().parse::<f64>().ok()?;
        (value.is_finite() && value.abs() <= most)
            .then(|| crate::domain::units::round_to_i64(value * 1e7))
            .flatten()
    };
    text.split_once(',')
        .and_then(|(lat, lon)| degrees(lat, 90.0).zip(degrees(lon, 180.0)))
        .ok_or_else(|| {
            Refusal::input(
                words.f("\"{0}\" is not a place.", &[text]),
                words.t("Write latitude and longitude in degrees, for example 45.4120,-94.2210."),
            )
        })
}

/// Splits `12.5 km` into the number and the unit.
fn number_and_unit(text: &str) -> (Option<f64>, String) {
    let text = text.trim();
    let split = text
        .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-' || c == '+'))
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(split);
    let number = number.parse::<f64>().ok().filter(|number| number.is_finite());
    (number, unit.trim().to_lowercase())
}

/// Reads a distance: `10mi`, `16km`, or a bare number in the units of `figures`. Metres.
///
/// # Errors
/// When it is none of these.
pub fn distance(text: &str, figures: Figures) -> Result<f64, Refusal> {
    let (number, unit) = number_and_unit(text);
    let metres = match (unit.as_str(), figures.units) {
        ("mi", _) | ("", Units::UsCustomary) => METRES_PER_MILE,
        ("km", _) | ("", Units::Metric) => 1_000.0,
        ("m", _) => 1.0,
        _ => f64::NAN,
    };
    number
        .map(|number| number * metres)
        .filter(|metres| metres.is_finite() && *metres >= 0.0)
        .ok_or_else(|| {
            Refusal::input(
                figures.words.f("\"{0}\" is not a distance.", &[text]),
                figures.words.t("Write it as 10mi or 16km."),
            )
        })
}

/// Reads a volume: `2500gal`, `9500L`, or a bare number in the units of `figures`. Millilitres.
///
/// # Errors
/// When it is none of these.
pub fn volume_ml(text: &str, figures: Figures) -> Result<i64, Refusal> {
    let (number, unit) = number_and_unit(text);
    let litres = match (unit.as_str(), figures.units) {
        ("gal", _) | ("", Units::UsCustomary) => crate::domain::units::LITRES_PER_US_GALLON,
        ("l", _) | ("", Units::Metric) => 1.0,
        ("m3" | "m³", _) => 1_000.0,
        _ => f64::NAN,
    };
    number
        .filter(|number| *number >= 0.0)
        .and_then(|number| crate::domain::units::round_to_i64(number * litres * 1_000.0))
        .ok_or_else(|| {
            Refusal::input(
                figures.words.f("\"{0}\" is not a volume.", &[text]),
                figures.words.t("Write it as 2500gal or 9500L."),
            )
        })
}
