//! The JSON Lines of a day file: one record a line, each field with its stamp; one action a line.

use crate::domain::pack::{CellRef, Pack, Stamp};
use crate::domain::record::{Cell, FieldChange, KINDS, Kind, Logged, Op, Stamped, StopId};
use chrono::{DateTime, FixedOffset, SecondsFormat};
use serde::de::{MapAccess, Visitor};
use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;
use std::io::{self, Write};
use uuid::Uuid;

/// Returns the name of the part that holds the records of one kind.
#[must_use]
pub fn part_of(kind: &Kind) -> String {
    format!("records/{}.jsonl", kind.table)
}

/// Returns the kind of the records a part holds, `None` for a part of no records or of an unknown kind.
#[must_use]
pub fn kind_of(part: &str) -> Option<&'static Kind> {
    let table = part.strip_prefix("records/")?.strip_suffix(".jsonl")?;
    KINDS.iter().find(|kind| kind.table == table)
}

/// A kept value as JSON.
struct Value(Cell);

impl Serialize for Value {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        write_cell(&self.0, serializer)
    }
}

fn write_cell<S: Serializer>(cell: &Cell, serializer: S) -> Result<S::Ok, S::Error> {
    match cell {
        Cell::Null => serializer.serialize_unit(),
        Cell::Int(whole) => serializer.serialize_i64(*whole),
        Cell::Text(text) => serializer.serialize_str(text),
    }
}

impl<'de> Deserialize<'de> for Value {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl Visitor<'_> for Any {
            type Value = Value;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("null, a whole number or text")
            }
            fn visit_unit<E>(self) -> Result<Value, E> {
                Ok(Value(Cell::Null))
            }
            fn visit_i64<E>(self, whole: i64) -> Result<Value, E> {
                Ok(Value(Cell::Int(whole)))
            }
            fn visit_u64<E: serde::de::Error>(self, whole: u64) -> Result<Value, E> {
                i64::try_from(whole)
                    .map(|whole| Value(Cell::Int(whole)))
                    .map_err(|_| E::custom("a whole number past 9223372036854775807"))
            }
            fn visit_str<E>(self, text: &str) -> Result<Value, E> {
                Ok(Value(Cell::Text(text.to_owned())))
            }
            fn visit_string<E>(self, text: String) -> Result<Value, E> {
                Ok(Value(Cell::Text(text)))
            }
        }
        deserializer.deserialize_any(Any)
    }
}

/// Text that stays in its line, unless it holds an escape.
#[derive(Deserialize)]
struct Text<'a>(#[serde(borrow)] Cow<'a, str>);

fn at_text(at: &DateTime<FixedOffset>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Millis, false)
}

/// Writes one record as a line.
///
/// * `phone`: the phone of the file; a field changed there says no phone of its own
///
/// # Errors
/// When the output cannot be written.
pub fn write_record(id: Uuid, fields: &[Stamped], phone: Uuid, mut out: impl Write) -> io::Result<()> {
    struct Fields<'a>(&'a [Stamped], Uuid);
    struct Entry<'a>(&'a Stamped, Uuid);
    #[derive(Serialize)]
    struct Line<'a> {
        id: Uuid,
        fields: Fields<'a>,
    }
    impl Serialize for Fields<'_> {
        fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
            serializer.collect_map(self.0.iter().map(|field| (field.field, Entry(field, self.1))))
        }
    }
    impl Serialize for Entry<'_> {
        fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
            let mut map = serializer.serialize_map(None)?;
            map.serialize_entry("value", &Value(self.0.value.clone()))?;
            map.serialize_entry("at", &at_text(&self.0.at))?;
            map.serialize_entry("op", &self.0.op)?;
            if self.0.by != self.1 {
                map.serialize_entry("by", &self.0.by)?;
            }
            map.end()
        }
    }
    let line = Line {
        id,
        fields: Fields(fields, phone),
    };
    serde_json::to_writer(&mut out, &line)?;
    out.write_all(b"\n")
}

/// Reads a line of JSON.
///
/// That it is UTF-8 is found out once for the whole line, which is quicker than once for each of its many short texts.
fn parse<'a, T: Deserialize<'a>>(line: &'a [u8]) -> Result<T, String> {
    let parsed = match std::str::from_utf8(line) {
        Ok(text) => serde_json::from_str(text),
        // The same fault, with its place.
        Err(_) => serde_json::from_slice(line),
    };
    parsed.map_err(|error| error.to_string())
}

/// Reads one record's line into a pack of its kind, and returns the record's id.
///
/// * `whole`: every field of the kind must be there, because the file was made by a book of this program's own form
///
/// # Errors
/// What is wrong, to stand after the part's name and the line's number.
pub fn read_record(phone: Uuid, whole: bool, line: &[u8], into: &mut Pack) -> Result<Uuid, String> {
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Entry<'a> {
        value: Value,
        #[serde(borrow)]
        at: Text<'a>,
        #[serde(borrow)]
        op: Text<'a>,
        by: Option<Uuid>,
    }
    struct Fields<'a>(Vec<(Text<'a>, Entry<'a>)>);
    impl<'de: 'a, 'a> Deserialize<'de> for Fields<'a> {
        fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
            struct All<'a>(std::marker::PhantomData<&'a ()>);
            impl<'de: 'a, 'a> Visitor<'de> for All<'a> {
                type Value = Fields<'a>;
                fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                    f.write_str("the fields of a record")
                }
                fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Fields<'a>, A::Error> {
                    let mut list: Vec<(Text<'a>, Entry<'a>)> = Vec::with_capacity(24);
                    while let Some(entry) = map.next_entry::<Text<'a>, Entry<'a>>()? {
                        list.push(entry);
                    }
                    Ok(Fields(list))
                }
            }
            deserializer.deserialize_map(All(std::marker::PhantomData))
        }
    }
    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Line<'a> {
        id: Uuid,
        #[serde(borrow)]
        fields: Fields<'a>,
    }
    let kind = into.kind();
    let Line { id, fields } = parse(line)?;
    let mut seen = vec![false; kind.fields.len()];
    let mut list: Vec<(u8, CellRef<'_>, Stamp)> = Vec::with_capacity(fields.0.len());
    // The fields of a record mostly come from a few actions: what stands in one's stamp stands in the next one's too.
    let mut before: Option<(&str, &str, DateTime<FixedOffset>, Uuid)> = None;
    for (at_most, (name, entry)) in fields.0.iter().enumerate() {
        // They mostly come in their order, too.
        let place = match kind.fields.get(at_most) {
            Some(field) if *field == name.0 => at_most,
            _ => (kind.fields.iter())
                .position(|field| *field == name.0)
                .ok_or_else(|| format!("a {} has no field `{}`", kind.table, name.0))?,
        };
        let (Some(field), Some(seen)) = (kind.fields.get(place), seen.get_mut(place)) else {
            continue;
        };
        if std::mem::replace(seen, true) {
            return Err(format!("the field `{field}` stands there twice"));
        }
        if !(kind.fits)(field, &entry.value.0) {
            return Err(format!("`{field}` cannot hold that value"));
        }
        let (at, op) = match before {
            Some((at_text, op_text, at, op)) if at_text == entry.at.0 && op_text == entry.op.0 => (at, op),
            _ => {
                let at = DateTime::parse_from_rfc3339(&entry.at.0).map_err(|error| format!("`at`: {error}"))?;
                let op = Uuid::parse_str(&entry.op.0).map_err(|error| format!("`op`: {error}"))?;
                before = Some((&entry.at.0, &entry.op.0, at, op));
                (at, op)
            }
        };
        let by = entry.by.unwrap_or(phone);
        // A kind has fewer than 255 fields.
        let place = u8::try_from(place).unwrap_or(u8::MAX);
        list.push((place, CellRef::from(&entry.value.0), Stamp { at, by, op }));
    }
    let missing = kind.fields.iter().zip(&seen).find(|(_, seen)| whole && !**seen);
    if let Some((field, _)) = missing {
        return Err(format!("the field `{field}` is missing"));
    }
    into.push(id, line.len(), &list);
    Ok(id)
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ChangeLine<'a> {
    #[serde(borrow)]
    table: Cow<'a, str>,
    id: Uuid,
    #[serde(borrow)]
    field: Cow<'a, str>,
    /// Not there at all for a new record; `null` when the field was empty before.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "there")]
    old: Option<Value>,
    new: Value,
}

fn there<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Value>, D::Error> {
    Value::deserialize(deserializer).map(Some)
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LogLine<'a> {
    id: Uuid,
    at: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    stop: Option<Uuid>,
    label: String,
    undoable: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    undoes: Option<Uuid>,
    #[serde(borrow)]
    changes: Vec<ChangeLine<'a>>,
}

/// Writes one action as a line.
///
/// # Errors
/// When the output cannot be written.
pub fn write_logged(logged: &Logged, mut out: impl Write) -> io::Result<()> {
    let changes = logged
        .op
        .changes
        .iter()
        .zip(&logged.before)
        .map(|(change, before)| ChangeLine {
            table: Cow::Borrowed(change.table),
            id: change.id,
            field: Cow::Borrowed(change.field),
            old: before.clone().map(Value),
            new: Value(change.value.clone()),
        });
    let line = LogLine {
        id: logged.op.id,
        at: at_text(&logged.op.at),
        stop: logged.op.stop.map(|stop| stop.0),
        label: logged.op.label.clone(),
        undoable: logged.op.undoable,
        undoes: logged.undoes,
        changes: changes.collect(),
    };
    serde_json::to_writer(&mut out, &line)?;
    out.write_all(b"\n")
}

/// Reads one action's line.
///
/// # Errors
/// What is wrong, to stand after the part's name and the line's number.
pub fn read_logged(line: &[u8]) -> Result<Logged, String> {
    let line: LogLine<'_> = parse(line)?;
    let at = DateTime::parse_from_rfc3339(&line.at).map_err(|error| format!("`at`: {error}"))?;
    let (mut changes, mut before) = (Vec::new(), Vec::new());
    for change in line.changes {
        let kind = Kind::named(&change.table).ok_or_else(|| format!("there is no record `{}`", change.table))?;
        let field = kind
            .field(&change.field)
            .ok_or_else(|| format!("a {} has no field `{}`", kind.table, change.field))?;
        let fits =
            (kind.fits)(field, &change.new.0) && change.old.as_ref().is_none_or(|old| (kind.fits)(field, &old.0));
        if !fits {
            return Err(format!("`{field}` cannot hold that value"));
        }
        changes.push(FieldChange {
            table: kind.table,
            id: change.id,
            field,
            value: change.new.0,
        });
        before.push(change.old.map(|old| old.0));
    }
    Ok(Logged {
        op: Op {
            id: line.id,
            stop: line.stop.map(StopId),
            at,
            label: line.label,
            undoable: line.undoable,
            changes,
        },
        undoes: line.undoes,
        before,
    })
}

/// One action as the book keeps it: what stands above its changes, and the changes as they stand in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoggedText {
    /// The action.
    pub id: Uuid,
    /// The stop it belongs to.
    pub stop: Option<Uuid>,
    /// When, by the clock of the phone.
    pub at: DateTime<FixedOffset>,
    /// What it was.
    pub label: String,
    /// The action it took back.
    pub undoes: Option<Uuid>,
    /// The fields it changed, as a JSON list.
    pub changes: String,
}

/// Reads an action's line that [`read_logged`] has found in order, without looking into its changes again.
///
/// # Errors
/// What is wrong, to stand after the part's name and the line's number.
pub fn read_logged_text(line: &[u8]) -> Result<LoggedText, String> {
    #[derive(Deserialize)]
    struct Head {
        id: Uuid,
        at: String,
        stop: Option<Uuid>,
        label: String,
        undoes: Option<Uuid>,
    }
    let written;
    let (mut head, changes) = if let Some(parts) = split_changes(line) {
        parts
    } else {
        // Set in another way than this program sets it: put in that way first.
        let mut bytes = Vec::new();
        write_logged(&read_logged(line)?, &mut bytes).map_err(|error| error.to_string())?;
        written = bytes;
        split_changes(&written).ok_or_else(|| "it has no changes".to_owned())?
    };
    head.push(b'}');
    let head: Head = parse(&head)?;
    Ok(LoggedText {
        id: head.id,
        stop: head.stop,
        at: DateTime::parse_from_rfc3339(&head.at).map_err(|error| format!("`at`: {error}"))?,
        label: head.label,
        undoes: head.undoes,
        changes: std::str::from_utf8(changes)
            .map_err(|error| error.to_string())?
            .to_owned(),
    })
}

/// Parts an action's line before its changes; `None` when they are not the last thing in it.
///
/// In a line that holds only the fields of an action, this text can be nothing but the name of that field: within a text the
/// quotation marks would stand behind a backslash. And nothing else in it ends in a bracket.
fn split_changes(line: &[u8]) -> Option<(Vec<u8>, &[u8])> {
    const NAME: &[u8] = b",\"changes\":[";
    let line = line.trim_ascii_end();
    let at = line.windows(NAME.len()).position(|window| window == NAME)?;
    let (head, rest) = line.split_at_checked(at)?;
    let changes = rest.get(NAME.len() - 1..rest.len().checked_sub(1)?)?;
    (rest.ends_with(b"]}")).then(|| (head.to_vec(), changes))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    /// Whatever stands in the label, the changes are found; set in another way, they are put into this program's way.
    #[test]
    fn the_changes_of_an_action_are_found_whatever_else_it_holds() {
        let changes = r#"[{"table":"site","id":"00000000-0000-0000-0000-000000000001","field":"note","old":"","new":",\"changes\":[ ]}"}]"#;
        let id = Uuid::from_u128(9);
        for label in ["plain", ",\"changes\":[", "\\", "]}", "a\\\",\"changes\":[]}"] {
            let label_text = serde_json::to_string(label).unwrap();
            let head =
                format!(r#""id":"{id}","at":"2026-06-17T09:00:00.000-05:00","label":{label_text},"undoable":true"#);
            for line in [
                format!("{{{head},\"changes\":{changes}}}\n"),
                format!("{{{head},\"undoes\":\"{id}\",\"changes\":{changes}}}"),
                format!("{{\"changes\":{changes},{head}}}\n"),
                format!("{{ {head} , \"changes\" : {changes} }}\n"),
                format!("{{{head},\"changes\":{changes},\"undoes\":null}}\n"),
            ] {
                let whole = read_logged(line.as_bytes()).unwrap();
                let text = read_logged_text(line.as_bytes()).unwrap();
                assert_eq!(text.changes, changes, "{line}");
                assert_eq!((text.id, text.label.as_str(), text.undoes), (id, label, whole.undoes));
                assert_eq!(text.at, whole.op.at);
            }
        }
    }
}
