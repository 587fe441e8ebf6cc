//! Rows and columns, for a person on a terminal and for a spreadsheet.

use crate::exchange::table;
use serde_json::{Map, Value};

/// One column: its name in files, its head on the terminal, and the side its cells lean to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Name in CSV and JSON, the same in every language, with its unit.
    pub key: &'static str,
    /// Head on the terminal; empty when it is only for files.
    pub title: String,
    /// A number: leans to the right.
    pub is_number: bool,
}

/// A cell: what a file takes and what a person reads.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cell {
    /// As JSON; `null` is an empty cell in CSV.
    pub value: Value,
    /// As read on the terminal.
    pub text: String,
}

impl Cell {
    /// A cell that reads as it is written.
    pub fn text(text: impl Into<String>) -> Self {
        let text = text.into();
        Self {
            value: Value::from(text.clone()),
            text,
        }
    }

    /// A cell whose reading differs from its value.
    pub fn shown(value: impl Into<Value>, text: impl Into<String>) -> Self {
        Self {
            value: value.into(),
            text: text.into(),
        }
    }
}

/// Columns and rows of one length.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sheet {
    /// The columns.
    pub columns: Vec<Column>,
    /// Heads of columns that come from outside, after the named ones; in files only.
    pub extra: Vec<String>,
    /// The rows.
    pub rows: Vec<Vec<Cell>>,
}

/// Widest a column of text gets on a terminal.
const WIDEST: usize = 40;

impl Sheet {
    /// Starts a sheet from names, heads and whether the column holds numbers.
    #[must_use]
    pub fn new(columns: Vec<(&'static str, String, bool)>) -> Self {
        Self {
            columns: columns
                .into_iter()
                .map(|(key, title, is_number)| Column { key, title, is_number })
                .collect(),
            ..Self::default()
        }
    }

    /// Returns the sheet as CSV: RFC 4180, comma, CRLF, quotes where needed, UTF-8.
    #[must_use]
    pub fn csv(&self) -> String {
        let named = self.columns.iter().map(|column| column.key.to_owned());
        let heads = named.chain(self.extra.iter().cloned()).collect::<Vec<_>>();
        let rows = self.rows.iter().map(|row| {
            row.iter()
                .map(|cell| match &cell.value {
                    Value::Null => String::new(),
                    Value::String(text) => text.clone(),
                    other => other.to_string(),
                })
                .collect::<Vec<_>>()
        });
        String::from_utf8(table::csv(&heads, &rows.collect::<Vec<_>>())).unwrap_or_default()
    }

    /// Returns the rows as a JSON list of objects.
    #[must_use]
    pub fn json(&self) -> Value {
        Value::from(
            self.rows
                .iter()
                .map(|row| {
                    let fields = self.columns.iter().zip(row);
                    Value::Object(
                        fields
                            .map(|(column, cell)| (column.key.to_owned(), cell.value.clone()))
                            .collect::<Map<_, _>>(),
                    )
                })
                .collect::<Vec<_>>(),
        )
    }

    /// Returns the sheet for a terminal: heads, a rule, rows in columns.
    #[must_use]
    pub fn text(&self) -> String {
        let shown = self
            .columns
            .iter()
            .enumerate()
            .filter(|(_, column)| !column.title.is_empty())
            .map(|(index, column)| {
                let cells = self.rows.iter().filter_map(|row| row.get(index));
                let widest = cells.map(|cell| printed(&cell.text).chars().count()).max().unwrap_or(0);
                (index, column, widest.max(column.title.chars().count()))
            })
            .filter(|(index, _, _)| {
                // A column in which nothing stands only takes room.
                self.rows.is_empty()
                    || self
                        .rows
                        .iter()
                        .any(|row| row.get(*index).is_some_and(|cell| !cell.text.is_empty()))
            })
            .collect::<Vec<_>>();
        let mut out = String::new();
        let mut line = |cells: Vec<String>| {
            let text = cells.join("  ");
            out.push_str(text.trim_end());
            out.push('\n');
        };
        line(
            shown
                .iter()
                .map(|(_, column, width)| padded(&column.title, *width, column.is_number))
                .collect(),
        );
        line(shown.iter().map(|(_, _, width)| "-".repeat(*width)).collect());
        for row in &self.rows {
            line(
                shown
                    .iter()
                    .map(|(index, column, width)| {
                        let text = row.get(*index).map(|cell| printed(&cell.text)).unwrap_or_default();
                        padded(&text, *width, column.is_number)
                    })
                    .collect(),
            );
        }
        out
    }
}

/// One line of bounded length: what was typed on a phone may hold line breaks and worse.
fn printed(text: &str) -> String {
    let mut line = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(WIDEST)
        .collect::<String>();
    if text.chars().nth(WIDEST).is_some() {
        line.pop();
        line.push('…');
    }
    line
}

fn padded(text: &str, width: usize, right: bool) -> String {
    let blanks = " ".repeat(width.saturating_sub(text.chars().count()));
    if right {
        format!("{blanks}{text}")
    } else {
        format!("{text}{blanks}")
    }
}
