//! A table as comma-separated values, RFC 4180: commas, double quotes where needed, CRLF at the end of each record.
//!
//! A cell a spreadsheet would take for a formula is written behind an apostrophe, and our own readers take it off again.

use std::borrow::Cow;
use std::io::Write;

/// Writes rows; every cell goes through [`guarded`].
#[derive(Debug)]
pub struct TableWriter<W: Write>(csv::Writer<W>);

impl<W: Write> TableWriter<W> {
    /// Begins a table.
    pub fn new(out: W) -> Self {
        Self(
            csv::WriterBuilder::new()
                .terminator(csv::Terminator::CRLF)
                .from_writer(out),
        )
    }

    /// Writes one row, which is as wide as the first.
    ///
    /// # Errors
    /// When the output cannot be written or the row has another width.
    pub fn write_record<T: AsRef<str>>(&mut self, cells: impl IntoIterator<Item = T>) -> Result<(), csv::Error> {
        for cell in cells {
            self.0.write_field(guarded(cell.as_ref()).as_bytes())?;
        }
        self.0.write_record(None::<&[u8]>)
    }

    /// Hands on what is held back.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub fn flush(&mut self) -> std::io::Result<()> {
        self.0.flush()
    }
}

/// Returns the text of a cell so that no spreadsheet takes it for a formula: behind an apostrophe where it begins with `=`,
/// `@`, a tab, a line break or their full-width twins, or with a sign that stands before no plain number or telephone number.
///
/// The signs are those of the OWASP page "CSV Injection". A text that is one of these behind apostrophes of its own gets one
/// more, so that [`unguarded`] always gives back what was there.
///
/// ```
/// use lidmark::exchange::table::{guarded, unguarded};
///
/// assert_eq!(guarded("=HYPERLINK(0)"), "'=HYPERLINK(0)");
/// assert_eq!(guarded("+1 555 0142"), "+1 555 0142");
/// assert_eq!(guarded("O'Neil"), "O'Neil");
/// assert_eq!(unguarded("'=HYPERLINK(0)"), "=HYPERLINK(0)");
/// ```
#[must_use]
pub fn guarded(text: &str) -> Cow<'_, str> {
    if is_formula(text) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// Takes the apostrophe off again that [`guarded`] has set; any other text is as it was.
#[must_use]
pub fn unguarded(text: &str) -> &str {
    text.strip_prefix('\'').filter(|rest| is_formula(rest)).unwrap_or(text)
}

fn is_formula(text: &str) -> bool {
    let text = text.trim_start_matches('\'');
    match text.chars().next() {
        Some('=' | '@' | '\t' | '\r' | '\n' | '＝' | '＠' | '＋' | '－') => true,
        Some('+' | '-') => {
            let rest = text.get(1..).unwrap_or_default();
            let is_plain = rest
                .chars()
                .all(|c| c.is_ascii_digit() || matches!(c, ' ' | '.' | ',' | '-' | '/' | '(' | ')'));
            !(is_plain && rest.contains(|c: char| c.is_ascii_digit()))
        }
        _ => false,
    }
}

/// Writes a heading and rows. Every row is as wide as the heading: what is missing is empty, what is too much is left out.
///
/// The text is UTF-8 without a byte order mark, as RFC 7111 and RFC 4180 readers expect.
#[must_use]
pub fn csv(heading: &[String], rows: &[Vec<String>]) -> Vec<u8> {
    let mut bytes = Vec::new();
    {
        let mut writer = TableWriter::new(&mut bytes);
        let empty = String::new();
        for row in std::iter::once(heading).chain(rows.iter().map(Vec::as_slice)) {
            let cells = (0..heading.len()).map(|at| row.get(at).unwrap_or(&empty));
            // Writing to memory cannot fail, and every record has the width of the heading.
            drop(writer.write_record(cells));
        }
        drop(writer.flush());
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::{guarded, unguarded};
    use proptest::prelude::{any, proptest};

    proptest! {
        #[test]
        fn what_was_guarded_comes_back(text in any::<String>(), start in "['=@+\\-\t\r\n]{0,4}[0-9 ]{0,2}") {
            for text in [text.clone(), start.clone(), format!("{start}{text}")] {
                assert_eq!(unguarded(&guarded(&text)), text);
                assert!(!guarded(&text).starts_with(['=', '@', '\t', '\r', '\n']));
            }
        }
    }

    #[test]
    fn numbers_and_telephone_numbers_stay_as_they_are() {
        for plain in [
            "",
            "-94.2052",
            "+1 (555) 014-2",
            "-5",
            "+49 30/123456",
            "1-800",
            "'",
            "O'Neil",
            "'quoted'",
            "a=b",
        ] {
            assert_eq!(guarded(plain), plain);
            assert_eq!(unguarded(plain), plain);
        }
        for formula in [
            "=1+1", "+1+1", "-cmd", "-", "+", "@SUM(A1)", "\t=1", "'=1", "''=1", "＝1", "-2*3", "+A1",
        ] {
            assert_eq!(guarded(formula), format!("'{formula}"));
        }
    }
}
