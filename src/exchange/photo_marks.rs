//! Marks on a photo as JSON, the form they are kept in.
//!
//! `[{"arrow": {"from": [x, y], "to": [x, y]}}, {"circle": …}, {"known": {"from": …, "to": …, "mm": 610, "aim_px": 4}},
//! {"measured": {"from": …, "to": …, "aim_px": 4}}]`, places in pixels of the kept photo from its upper left corner.

use crate::domain::mark::{Mark, Spot, Stretch};
use crate::domain::units::Length;
use serde::{Deserialize, Serialize};

/// More marks than anyone draws on one photo.
pub const MOST: usize = 100;

#[derive(Deserialize, Serialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
enum Written {
    Arrow {
        from: (u32, u32),
        to: (u32, u32),
    },
    Circle {
        from: (u32, u32),
        to: (u32, u32),
    },
    Known {
        from: (u32, u32),
        to: (u32, u32),
        mm: u32,
        aim_px: u32,
    },
    Measured {
        from: (u32, u32),
        to: (u32, u32),
        aim_px: u32,
    },
}

/// Why marks cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum MarksError {
    /// Not the form described here.
    #[error("{0}")]
    Json(#[from] serde_json::Error),
    /// More than [`MOST`].
    #[error("there are {0} marks, more than {MOST}")]
    TooMany(usize),
}

/// Writes marks; none is the empty text.
#[must_use]
pub fn write(marks: &[Mark]) -> String {
    if marks.is_empty() {
        return String::new();
    }
    let pair = |spot: Spot| (spot.x, spot.y);
    let list = marks
        .iter()
        .map(|mark| match *mark {
            Mark::Arrow(Stretch { from, to }) => Written::Arrow {
                from: pair(from),
                to: pair(to),
            },
            Mark::Circle(Stretch { from, to }) => Written::Circle {
                from: pair(from),
                to: pair(to),
            },
            Mark::Known {
                stretch,
                length,
                aim_px,
            } => Written::Known {
                from: pair(stretch.from),
                to: pair(stretch.to),
                mm: length.as_mm(),
                aim_px,
            },
            Mark::Measured { stretch, aim_px } => Written::Measured {
                from: pair(stretch.from),
                to: pair(stretch.to),
                aim_px,
            },
        })
        .collect::<Vec<_>>();
    // Numbers in fixed places always have a JSON form.
    serde_json::to_string(&list).unwrap_or_default()
}

/// Reads marks back.
///
/// # Errors
/// [`MarksError`] when the text is not what [`write()`] writes.
pub fn read(text: &str) -> Result<Vec<Mark>, MarksError> {
    if text.is_empty() {
        return Ok(Vec::new());
    }
    let list: Vec<Written> = serde_json::from_str(text)?;
    if list.len() > MOST {
        return Err(MarksError::TooMany(list.len()));
    }
    let stretch = |from: (u32, u32), to: (u32, u32)| Stretch {
        from: Spot { x: from.0, y: from.1 },
        to: Spot { x: to.0, y: to.1 },
    };
    Ok(list
        .into_iter()
        .map(|written| match written {
            Written::Arrow { from, to } => Mark::Arrow(stretch(from, to)),
            Written::Circle { from, to } => Mark::Circle(stretch(from, to)),
            Written::Known { from, to, mm, aim_px } => Mark::Known {
                stretch: stretch(from, to),
                length: Length::from_mm(mm),
                aim_px,
            },
            Written::Measured { from, to, aim_px } => Mark::Measured {
                stretch: stretch(from, to),
                aim_px,
            },
        })
        .collect())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn marks_survive_their_text() {
        let stretch = Stretch {
            from: Spot { x: 1, y: 2 },
            to: Spot { x: 1_599, y: 0 },
        };
        let marks = [
            Mark::Arrow(stretch),
            Mark::Circle(stretch),
            Mark::Known {
                stretch,
                length: Length::from_mm(610),
                aim_px: 4,
            },
            Mark::Measured { stretch, aim_px: 9 },
        ];
        let text = write(&marks);
        assert!(
            text.contains(r#"{"known":{"from":[1,2],"to":[1599,0],"mm":610,"aim_px":4}}"#),
            "{text}"
        );
        assert_eq!(read(&text).unwrap(), marks);
        assert_eq!(write(&[]), "");
        assert!(read("").unwrap().is_empty());
    }

    #[test]
    fn what_is_no_list_of_marks_is_refused() {
        for text in [
            "{}",
            "[1]",
            r#"[{"arrow":{"from":[-1,2],"to":[3,4]}}]"#,
            r#"[{"star":{}}]"#,
        ] {
            assert!(read(text).is_err(), "{text}");
        }
        let many = vec![Mark::Arrow(Stretch::default()); MOST + 1];
        assert!(matches!(read(&write(&many)), Err(MarksError::TooMany(_))));
    }
}
