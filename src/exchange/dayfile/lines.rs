//! The JSON Lines of a day file: one record a line, each field with its stamp; one action a line.

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

/// Reads one record's line.
///
/// * `whole`: every field of the kind must be there, because the file was made by a book of this program's own form
///
/// # Errors
/// What is wrong, to stand after the part's name and the line's number.
pub fn read_record(kind: &'static Kind, phone: Uuid, whole: bool, line: &[u8]) -> Result<(Uuid, Vec<Stamped>), String> {
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
                    while let Some((name, entry)) = map.next_entry::<Text<'a>, Entry<'a>>()? {
                        if list.iter().any(|(known, _)| known.0 == name.0) {
                            return Err(serde::de::Error::custom(format!(
                                "the field `{}` stands there twice",
                                name.0
                            )));
                        }
                        list.push((name, entry));
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
    let Line { id, fields } = serde_json::from_slice(line).map_err(|error| error.to_string())?;
    let mut list: Vec<Stamped> = Vec::with_capacity(fields.0.len());
    // The fields of a record mostly come from a few actions: what stands in one's stamp stands in the next one's too.
    let mut before: Option<(Text<'_>, Text<'_>, DateTime<FixedOffset>, Uuid)> = None;
    for (name, entry) in fields.0 {
        let field = kind
            .field(&name.0)
            .ok_or_else(|| format!("a {} has no field `{}`", kind.table, name.0))?;
        if !(kind.fits)(field, &entry.value.0) {
            return Err(format!("`{field}` cannot hold that value"));
        }
        let (at, op) = match &before {
            Some((at_text, op_text, at, op)) if at_text.0 == entry.at.0 && op_text.0 == entry.op.0 => (*at, *op),
            _ => {
                let at = DateTime::parse_from_rfc3339(&entry.at.0).map_err(|error| format!("`at`: {error}"))?;
                let op = Uuid::parse_str(&entry.op.0).map_err(|error| format!("`op`: {error}"))?;
                before = Some((entry.at, entry.op, at, op));
                (at, op)
            }
        };
        list.push(Stamped {
            table: kind.table,
            id,
            field,
            value: entry.value.0,
            at,
            by: entry.by.unwrap_or(phone),
            op,
        });
    }
    let missing = kind
        .fields
        .iter()
        .find(|field| whole && !list.iter().any(|stamped| stamped.field == **field));
    match missing {
        Some(field) => Err(format!("the field `{field}` is missing")),
        None => Ok((id, list)),
    }
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
    let line: LogLine<'_> = serde_json::from_slice(line).map_err(|error| error.to_string())?;
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
