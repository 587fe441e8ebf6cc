//! A table as comma-separated values, RFC 4180: commas, double quotes where needed, CRLF at the end of each record.

/// Writes a heading and rows. Every row is as wide as the heading: what is missing is empty, what is too much is left out.
///
/// The text is UTF-8 without a byte order mark, as RFC 7111 and RFC 4180 readers expect.
#[must_use]
pub fn csv(heading: &[String], rows: &[Vec<String>]) -> Vec<u8> {
    let mut bytes = Vec::new();
    {
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(&mut bytes);
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
