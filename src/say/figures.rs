//! Numbers and dates as a person reads and types them.
//!
//! Conversion happens here, once. Rounding happens when text is made, never before storing.

use crate::domain::locate::yard::METRES_PER_FOOT;
use crate::domain::record::{Language, Units};
use crate::domain::units::{Cents, Length, MM_PER_INCH, Volume, round_to_i64};
use crate::exchange::position::ChoiceError;
use crate::say::explain;
use crate::say::words::Words;
use chrono::{Datelike, Locale, NaiveDate};

/// How figures are written for one person.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Figures {
    /// The units shown.
    pub units: Units,
    /// The language spoken.
    pub words: Words,
}

/// Why a typed value cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TypedError {
    /// Nothing was typed.
    #[error("nothing was typed")]
    Empty,
    /// It is not a number.
    #[error("not a number")]
    NotANumber,
    /// It is below zero where only zero and above exist.
    #[error("below zero")]
    Negative,
    /// It is larger than anything of its kind.
    #[error("too large")]
    TooLarge,
    /// It is finer than what is kept.
    #[error("finer than is kept")]
    TooFine,
    /// It is not a date.
    #[error("not a date")]
    NotADate,
    /// It names no position source.
    #[error("no position source")]
    NotASource(#[from] ChoiceError),
    /// It is not a time of day.
    #[error("not a time")]
    NotATime,
}

impl Figures {
    /// Writes a taped distance: "15 ft 8 in", "15 ft 8½ in", "4.35 m".
    #[must_use]
    pub fn tape(self, distance: Length) -> String {
        match self.units {
            Units::UsCustomary => {
                let halves = round_to_i64(distance.mm() / MM_PER_INCH * 2.0).unwrap_or(0);
                let (feet, inches) = (halves / 24, halves % 24);
                let half = if inches % 2 == 1 { "½" } else { "" };
                let whole = match (inches / 2, inches % 2) {
                    (0, 1) => String::new(),
                    (whole, _) => whole.to_string(),
                };
                let inches = self.words.f("{0} in", &[&format!("{whole}{half}")]);
                let feet_text = self.words.f("{0} ft", &[&feet.to_string()]);
                match (feet, halves % 24) {
                    (0, _) => inches,
                    (_, 0) => feet_text,
                    _ => format!("{feet_text} {inches}"),
                }
            }
            Units::Metric => format!("{:.2} m", distance.mm() / 1000.0),
        }
    }

    /// Writes a distance that is walked or an error, no finer than it is known: "12 ft", "1½ ft", "3 in", "3.7 m".
    #[must_use]
    pub fn stride(self, metres: f64) -> String {
        let metres = metres.max(0.0);
        match self.units {
            Units::UsCustomary => {
                let feet = metres / METRES_PER_FOOT;
                if feet < 1.5 {
                    let inches = round_to_i64((feet * 12.0).ceil()).unwrap_or(0).max(1);
                    return self.words.f("{0} in", &[&inches.to_string()]);
                }
                let whole = round_to_i64(feet).map_or_else(|| "?".to_owned(), |feet| feet.to_string());
                self.words.f("{0} ft", &[&whole])
            }
            Units::Metric if metres < 0.5 => {
                let whole = round_to_i64((metres * 100.0).ceil()).unwrap_or(0).max(1);
                self.words.f("{0} cm", &[&whole.to_string()])
            }
            Units::Metric if metres < 10.0 => format!("{metres:.1} m"),
            Units::Metric => format!("{metres:.0} m"),
        }
    }

    /// Returns the short name of the unit of length.
    #[must_use]
    pub const fn length_unit(self) -> &'static str {
        match (self.units, self.words.language()) {
            (Units::UsCustomary, Language::English) => "in",
            (Units::UsCustomary, Language::Spanish) => "pulg",
            (Units::Metric, _) => "cm",
        }
    }

    /// Returns the short name of the unit of volume.
    #[must_use]
    pub const fn volume_unit(self) -> &'static str {
        match self.units {
            Units::UsCustomary => "gal",
            Units::Metric => "L",
        }
    }

    /// Writes signed millimetres as a bare number: half inches, or centimetres to the millimetre.
    #[must_use]
    pub fn mm_value(self, mm: i64) -> String {
        let sign = if mm < 0 { "−" } else { "" };
        let mm = mm.unsigned_abs();
        let body = match self.units {
            Units::UsCustomary => {
                let halves = half_inches(mm);
                match (halves / 2, halves % 2) {
                    (0, 1) => "½".to_owned(),
                    (whole, 1) => format!("{}½", grouped(whole)),
                    (whole, _) => grouped(whole),
                }
            }
            Units::Metric => match (mm / 10, mm % 10) {
                (whole, 0) => grouped(whole),
                (whole, tenth) => format!("{}.{tenth}", grouped(whole)),
            },
        };
        if body == "0" { body } else { format!("{sign}{body}") }
    }

    /// Writes signed millimetres with the unit.
    #[must_use]
    pub fn mm(self, mm: i64) -> String {
        format!("{} {}", self.mm_value(mm), self.length_unit())
    }

    /// Writes a length with its unit.
    #[must_use]
    pub fn length(self, length: Length) -> String {
        self.mm(i64::from(length.as_mm()))
    }

    /// Moves signed millimetres by `steps` of the unit's nudge: half an inch, or one centimetre.
    #[must_use]
    pub fn nudged(self, mm: i64, steps: i64) -> i64 {
        match self.units {
            // From the half inch that is shown, so that each touch changes what is shown by exactly one step.
            Units::UsCustomary => {
                let halves = i64::try_from(half_inches(mm.unsigned_abs())).unwrap_or(i64::MAX) * mm.signum();
                mm_of_half_inches(halves.saturating_add(steps))
            }
            Units::Metric => mm.saturating_add(steps.saturating_mul(10)),
        }
    }

    /// The captions of the keys that nudge a length.
    #[must_use]
    pub const fn nudge_captions(self) -> (&'static str, &'static str) {
        match self.units {
            Units::UsCustomary => ("+ ½", "− ½"),
            Units::Metric => ("+ 1", "− 1"),
        }
    }

    /// Writes a volume as a bare whole number of gallons or litres.
    #[must_use]
    pub fn volume_value(self, volume: Volume) -> String {
        let value = match self.units {
            Units::UsCustomary => volume.as_us_gallons(),
            Units::Metric => volume.as_litres(),
        };
        round_to_i64(value).map_or_else(
            || "?".to_owned(),
            |whole| {
                let sign = if whole < 0 { "−" } else { "" };
                format!("{sign}{}", grouped(whole.unsigned_abs()))
            },
        )
    }

    /// Writes a volume with its unit.
    #[must_use]
    pub fn volume(self, volume: Volume) -> String {
        format!("{} {}", self.volume_value(volume), self.volume_unit())
    }

    /// Moves a volume by `steps` of `us` gallons or `metric` litres, never below nothing.
    #[must_use]
    pub fn nudged_volume(self, volume: Volume, steps: i32, us: f64, metric: f64) -> Volume {
        let moved = match self.units {
            Units::UsCustomary => {
                Volume::from_us_gallons(((volume.as_us_gallons() / us).round() + f64::from(steps)) * us)
            }
            Units::Metric => Volume::from_litres(((volume.as_litres() / metric).round() + f64::from(steps)) * metric),
        };
        if moved.as_litres() < 0.0 { Volume::ZERO } else { moved }
    }

    /// Writes tenths of a person.
    #[must_use]
    pub fn people_value(self, tenths: i64) -> String {
        if tenths % 10 == 0 {
            (tenths / 10).to_string()
        } else {
            format!("{}.{}", tenths / 10, (tenths % 10).abs())
        }
    }

    /// Writes tenths of a person with the word.
    #[must_use]
    pub fn people(self, tenths: i64) -> String {
        let value = self.people_value(tenths);
        self.words
            .f(if tenths == 10 { "{0} person" } else { "{0} people" }, &[&value])
    }

    /// Writes money.
    #[must_use]
    pub fn money(self, amount: Cents) -> String {
        let sign = if amount.0 < 0 { "−" } else { "" };
        let cents = amount.0.unsigned_abs();
        format!("{sign}${}.{:02}", grouped(cents / 100), cents % 100)
    }

    /// Writes a distance in miles or kilometres, to the tenth.
    #[must_use]
    pub fn distance(self, metres: f64) -> String {
        match self.units {
            // The international mile, 1,609.344 m: NIST SP 811, appendix B.8.
            Units::UsCustomary => format!("{:.1} mi", metres / 1_609.344),
            Units::Metric => format!("{:.1} km", metres / 1_000.0),
        }
    }

    /// Writes a share as whole percent.
    #[must_use]
    pub fn percent(self, share: f64) -> String {
        let text = round_to_i64(share * 100.0).map_or_else(|| "?".to_owned(), |whole| whole.to_string());
        format!("{text} %")
    }

    const fn locale(self) -> Locale {
        match self.words.language() {
            Language::English => Locale::en_US,
            Language::Spanish => Locale::es_US,
        }
    }

    fn date_as(self, date: NaiveDate, pattern: &str) -> String {
        date.format_localized(pattern, self.locale()).to_string()
    }

    /// Writes a month and year: "May 2029", "mayo de 2029".
    #[must_use]
    pub fn month(self, date: NaiveDate) -> String {
        match self.words.language() {
            Language::English => self.date_as(date, "%B %Y"),
            Language::Spanish => self.date_as(date, "%B de %Y"),
        }
    }

    /// Writes a date: "May 12, 2022", "12 de mayo de 2022".
    #[must_use]
    pub fn date(self, date: NaiveDate) -> String {
        match self.words.language() {
            Language::English => self.date_as(date, "%B %-d, %Y"),
            Language::Spanish => self.date_as(date, "%-d de %B de %Y"),
        }
    }

    /// Writes a day with its weekday: "Wednesday, November 25", "Miércoles 25 de noviembre".
    #[must_use]
    pub fn weekday(self, date: NaiveDate) -> String {
        let text = match self.words.language() {
            Language::English => self.date_as(date, "%A, %B %-d"),
            Language::Spanish => self.date_as(date, "%A %-d de %B"),
        };
        let mut letters = text.chars();
        letters
            .next()
            .map(|first| first.to_uppercase().chain(letters).collect())
            .unwrap_or_default()
    }

    /// Writes the time between two dates in years and months: "2 years 6 months".
    #[must_use]
    pub fn years_months(self, from: NaiveDate, to: NaiveDate) -> String {
        let months_of = |date: NaiveDate| i64::from(date.year()) * 12 + i64::from(date.month0());
        let mut months = months_of(to) - months_of(from);
        if to.day() < from.day() {
            months -= 1;
        }
        let months = usize::try_from(months.max(0)).unwrap_or(0);
        let years_text = self.words.n("{0} year", "{0} years", months / 12);
        let months_text = self.words.n("{0} month", "{0} months", months % 12);
        match (months / 12, months % 12) {
            (0, 0) => self.words.t("less than a month"),
            (0, _) => months_text,
            (_, 0) => years_text,
            _ => format!("{years_text} {months_text}"),
        }
    }

    /// Writes years to the tenth with the word: "1 year", "2.5 years".
    #[must_use]
    pub fn years(self, years: f64) -> String {
        let text = format!("{years:.1}");
        let text = text.strip_suffix(".0").unwrap_or(&text);
        self.words
            .f(if text == "1" { "{0} year" } else { "{0} years" }, &[text])
    }

    /// Reads a typed length; inches or centimetres, decimal comma or point, "12½".
    ///
    /// A centimetre figure finer than a millimetre is refused, because it could not be kept as typed.
    ///
    /// # Errors
    /// [`TypedError`] saying why it cannot be used.
    pub fn parse_mm(self, text: &str) -> Result<i64, TypedError> {
        let number = parse_number(text)?;
        let mm = match self.units {
            Units::UsCustomary => number * MM_PER_INCH,
            Units::Metric => number * 10.0,
        };
        let whole = round_to_i64(mm).ok_or(TypedError::TooLarge)?;
        #[expect(clippy::cast_precision_loss, reason = "rounded from an f64 a line above")]
        let lost = (mm - whole as f64).abs();
        if self.units == Units::Metric && lost > 1e-6 {
            return Err(TypedError::TooFine);
        }
        // A tank deeper or longer than 100 m does not exist; a slipped key does.
        if whole.abs() > 100_000 {
            Err(TypedError::TooLarge)
        } else {
            Ok(whole)
        }
    }

    /// Reads a typed tape: feet, a `′`, inches ("15′8½"; "15" is feet), or metres to the millimetre.
    ///
    /// # Errors
    /// [`TypedError`] saying why it cannot be used.
    pub fn parse_tape(self, text: &str) -> Result<i64, TypedError> {
        let mm = match self.units {
            Units::UsCustomary => {
                let (feet, inches) = text.split_once('′').unwrap_or((text, ""));
                let inches = if inches.trim().is_empty() {
                    0.0
                } else {
                    parse_number(inches)?
                };
                (parse_number(feet)? * 12.0 + inches) * MM_PER_INCH
            }
            Units::Metric => parse_number(text)? * 1000.0,
        };
        if mm < 0.0 {
            return Err(TypedError::Negative);
        }
        let whole = round_to_i64(mm).ok_or(TypedError::TooLarge)?;
        #[expect(clippy::cast_precision_loss, reason = "rounded from an f64 a line above")]
        let lost = (mm - whole as f64).abs();
        if self.units == Units::Metric && lost > 1e-6 {
            return Err(TypedError::TooFine);
        }
        // Three hundred metres of tape do not exist on a lot; a slipped key does.
        if whole > 300_000 {
            Err(TypedError::TooLarge)
        } else {
            Ok(whole)
        }
    }

    /// Reads a typed length that cannot be below zero.
    ///
    /// # Errors
    /// [`TypedError`] saying why it cannot be used.
    pub fn parse_length(self, text: &str) -> Result<Length, TypedError> {
        let mm = self.parse_mm(text)?;
        u32::try_from(mm).map(Length::from_mm).map_err(|_| TypedError::Negative)
    }

    /// Reads a typed volume in gallons or litres.
    ///
    /// # Errors
    /// [`TypedError`] saying why it cannot be used.
    pub fn parse_volume(self, text: &str) -> Result<Volume, TypedError> {
        let number = parse_number(text)?;
        let volume = match self.units {
            Units::UsCustomary => Volume::from_us_gallons(number),
            Units::Metric => Volume::from_litres(number),
        };
        if number < 0.0 {
            Err(TypedError::Negative)
        } else if volume.as_litres() > 10_000_000.0 {
            Err(TypedError::TooLarge)
        } else {
            Ok(volume)
        }
    }

    /// Says why a typed value cannot be used, and what to do.
    #[must_use]
    pub fn explain(self, error: TypedError) -> String {
        self.words.t(match error {
            TypedError::Empty => "Nothing typed yet.",
            TypedError::NotANumber => "This is not a number. Use digits and one point.",
            TypedError::Negative => "This cannot be below zero. Take the minus away.",
            TypedError::TooLarge => "This is too large to be true. Check the digits.",
            TypedError::TooFine => "This is finer than a millimeter. Leave out the last digit.",
            TypedError::NotADate => "This is not a date. Write it as 2019-06-30, or the year alone.",
            TypedError::NotASource(error) => {
                let text = explain::choice(error, self.words);
                return format!("{} {}", text.what, text.advice);
            }
            TypedError::NotATime => "This is not a time. Write it as 14:05.",
        })
    }
}

/// Reads a number: digits, one decimal point or comma, a leading sign, a closing ½.
fn parse_number(text: &str) -> Result<f64, TypedError> {
    let text = text.trim().replace(['\u{a0}', ' '], "").replace('−', "-");
    if text.is_empty() {
        return Err(TypedError::Empty);
    }
    let (text, half) = text.strip_suffix('½').map_or((text.as_str(), 0.0), |rest| (rest, 0.5));
    let (sign, digits) = text.strip_prefix('-').map_or((1.0, text), |rest| (-1.0, rest));
    if half > 0.0 && digits.is_empty() {
        return Ok(sign * half);
    }
    let digits = digits.replace(',', ".");
    let plain = digits.chars().all(|c| c.is_ascii_digit() || c == '.')
        && digits.matches('.').count() <= 1
        && digits.chars().any(|c| c.is_ascii_digit())
        && !(half > 0.0 && digits.contains('.'));
    let number = if plain {
        digits.parse::<f64>().map_err(|_| TypedError::NotANumber)?
    } else {
        return Err(TypedError::NotANumber);
    };
    if number.is_finite() {
        Ok(sign * (number + half))
    } else {
        Err(TypedError::TooLarge)
    }
}

/// Reads a plain typed number.
///
/// # Errors
/// [`TypedError`] saying why it cannot be used.
pub fn parse_plain(text: &str) -> Result<f64, TypedError> {
    parse_number(text)
}

/// Reads a typed date: `2019-06-30`, `2019-06` (its first day) or `2019` (its first day).
///
/// # Errors
/// [`TypedError::NotADate`] when it is none of these.
pub fn parse_date(text: &str) -> Result<NaiveDate, TypedError> {
    let text = text.trim();
    if text.is_empty() {
        return Err(TypedError::Empty);
    }
    let full = match text.matches('-').count() {
        0 => format!("{text}-01-01"),
        1 => format!("{text}-01"),
        _ => text.to_owned(),
    };
    NaiveDate::parse_from_str(&full, "%Y-%m-%d")
        .ok()
        .filter(|date| (1900..=2200).contains(&date.year()))
        .ok_or(TypedError::NotADate)
}

/// Whole half inches nearest to `mm`.
fn half_inches(mm: u64) -> u64 {
    // Half an inch is 127 tenths of a millimetre: exact in integers, half away from zero, whatever a file holds.
    u64::try_from((u128::from(mm) * 20 + 127) / 254).unwrap_or(u64::MAX)
}

fn mm_of_half_inches(halves: i64) -> i64 {
    let tenths = u128::from(halves.unsigned_abs()) * 127;
    i64::try_from((tenths + 5) / 10).unwrap_or(i64::MAX) * halves.signum()
}

/// Writes a whole number with a comma between thousands, as the United States and Mexico do in both languages.
pub(crate) fn grouped(whole: u64) -> String {
    let digits = whole.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn us() -> Figures {
        Figures::default()
    }
    fn metric() -> Figures {
        Figures {
            units: Units::Metric,
            ..Figures::default()
        }
    }
    fn spanish() -> Figures {
        Figures {
            words: Words::new(Language::Spanish),
            ..Figures::default()
        }
    }

    proptest! {
        #[test]
        fn no_length_a_file_can_hold_is_too_long_to_be_written(mm in any::<i64>(), steps in any::<i64>()) {
            for (mm, steps) in [(mm, steps), (i64::MAX, steps), (i64::MIN, steps), (mm, i64::MAX), (mm, i64::MIN)] {
                for figures in [us(), metric(), spanish()] {
                    prop_assert!(!figures.mm_value(mm).is_empty());
                    prop_assert!(!figures.mm(mm).is_empty());
                    std::hint::black_box(figures.nudged(mm, steps));
                }
            }
        }
    }

    #[test]
    fn lengths_read_as_a_tape_does() {
        for (mm, inches, centimetres) in [
            (0, "0", "0"),
            (13, "½", "1.3"),
            (356, "14", "35.6"),
            (368, "14½", "36.8"),
            (-51, "−2", "−5.1"),
            (26_000, "1,023½", "2,600"),
        ] {
            assert_eq!(us().mm_value(mm), inches);
            assert_eq!(metric().mm_value(mm), centimetres);
        }
    }

    #[test]
    fn typed_numbers_and_the_refused() {
        assert_eq!(us().parse_mm("12½"), Ok(318));
        assert_eq!(us().parse_mm("12,5"), Ok(318));
        assert_eq!(us().parse_mm("½"), Ok(13));
        assert_eq!(metric().parse_mm("31.8"), Ok(318));
        assert_eq!(metric().parse_mm("31.85"), Err(TypedError::TooFine));
        assert_eq!(us().parse_mm(""), Err(TypedError::Empty));
        for text in ["1.2.3", "abc", "1e5", ".", "-", "1½5", "1.5½", "NaN", "inf"] {
            assert_eq!(us().parse_mm(text), Err(TypedError::NotANumber), "{text}");
        }
        assert_eq!(us().parse_length("-1"), Err(TypedError::Negative));
        assert_eq!(us().parse_mm("99999999999999999999"), Err(TypedError::TooLarge));
    }

    #[test]
    fn dates_take_the_form_of_the_language() {
        let date = NaiveDate::from_ymd_opt(2029, 5, 12).unwrap();
        assert_eq!(us().month(date), "May 2029");
        assert_eq!(spanish().month(date), "mayo de 2029");
        assert_eq!(us().date(date), "May 12, 2029");
        assert_eq!(spanish().date(date), "12 de mayo de 2029");
        assert_eq!(spanish().weekday(date), "Sábado 12 de mayo");
    }

    #[test]
    fn one_year_is_no_plural() {
        for (years, text) in [
            (1.0, "1 year"),
            (0.96, "1 year"),
            (1.1, "1.1 years"),
            (2.5, "2.5 years"),
            (4.04, "4 years"),
        ] {
            assert_eq!(us().years(years), text);
        }
    }

    #[test]
    fn a_short_date_is_its_first_day() {
        assert_eq!(parse_date("2019-06"), Ok(NaiveDate::from_ymd_opt(2019, 6, 1).unwrap()));
        assert_eq!(parse_date("2019"), Ok(NaiveDate::from_ymd_opt(2019, 1, 1).unwrap()));
        for text in ["2019-13-01", "yesterday", "19", "99999", "2019-02-30", "-"] {
            assert_eq!(parse_date(text), Err(TypedError::NotADate), "{text}");
        }
    }

    proptest! {
        #[test]
        fn nudging_in_half_inches_reads_back_in_half_inches(start in 0_i64..6_000, steps in proptest::collection::vec(-1_i64..=1, 1..200)) {
            let mut mm = us().nudged(start, 0);
            let mut halves = i64::try_from(half_inches(mm.unsigned_abs())).unwrap();
            for step in steps {
                if halves + step < 0 { continue; }
                mm = us().nudged(mm, step);
                halves += step;
                prop_assert_eq!(i64::try_from(half_inches(mm.unsigned_abs())).unwrap(), halves);
                let typed = us().mm_value(mm);
                prop_assert_eq!(us().parse_mm(&typed.replace(',', "")), Ok(mm));
            }
        }

        #[test]
        fn what_is_shown_can_be_typed_back(mm in 0_i64..90_000) {
            prop_assert_eq!(metric().parse_mm(&metric().mm_value(mm).replace(',', "")), Ok(mm));
        }

        #[test]
        fn no_typed_text_panics(text in ".{0,40}") {
            let _ = us().parse_mm(&text);
            let _ = metric().parse_volume(&text);
            let _ = parse_date(&text);
        }
    }
}
