//! `conflicts`: where two phones said different things, which of them stands, and what the other said.

use super::context::{Call, of_store};
use super::import::phone_name;
use super::{Answer, Refusal};
use crate::domain::record::Cell;
use crate::say::words::Words;
use crate::store::{Conflict, PhoneKey, Side, Store};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Lists the conflicts, those of one site together.
///
/// * `quiet`: print nothing when there are none
///
/// # Errors
/// When the book cannot be read.
pub fn run(call: &Call, quiet: bool) -> Result<Answer, Refusal> {
    call.needs_book()?;
    let words = call.words_of_book();
    let refuse = |error| of_store(&error, words);
    let mut store = Store::look(&call.book).map_err(refuse)?;
    let mut list = store.conflicts().map_err(refuse)?;
    let phones = store.phone_keys().map_err(refuse)?;
    list.sort_by(|a, b| {
        let key = |c: &Conflict| {
            (
                c.site.as_ref().map(|(id, name)| (name.clone(), *id)),
                c.record,
                c.id,
                c.field,
            )
        };
        key(a).cmp(&key(b))
    });
    if call.json {
        let rows = list
            .iter()
            .map(|conflict| row(conflict, &phones, words))
            .collect::<Vec<_>>();
        return Ok(Answer::from(format!("{:#}\n", json!({ "conflicts": rows }))));
    }
    if list.is_empty() && quiet {
        return Ok(Answer::default());
    }
    if list.is_empty() {
        return Ok(Answer::from(words.t("No conflicts.") + "\n"));
    }
    let mut text = String::new();
    let mut site = None;
    for conflict in &list {
        if site != Some(&conflict.site) {
            let name = conflict.site.as_ref().map_or("-", |(_, name)| name);
            // Writing to a String cannot fail, here and below.
            let _ = writeln!(text, "{name}");
            site = Some(&conflict.site);
        }
        let _ = writeln!(text, "  {}.{} {}", conflict.record, conflict.field, conflict.id);
        let _ = writeln!(
            text,
            "    {}",
            words.f("stands: {0}", &[&said(&conflict.stands, &phones, words)])
        );
        let _ = writeln!(
            text,
            "    {}",
            words.f("set aside: {0}", &[&said(&conflict.lost, &phones, words)])
        );
    }
    let _ = writeln!(text, "{}", words.n("{0} conflict", "{0} conflicts", list.len()));
    Ok(Answer::from(text))
}

fn said(side: &Side, phones: &[PhoneKey], words: Words) -> String {
    let value = value(&side.value).to_string();
    let at = side
        .at
        .map(|at| at.format("%Y-%m-%d %H:%M %:z").to_string())
        .unwrap_or_default();
    let by = phone_name(side.by, phones, words);
    if side.is_sound {
        words.f("{0} ({1}, {2})", &[&value, &by, &at])
    } else {
        words.f("{0} ({1}, {2}: a time that cannot be right)", &[&value, &by, &at])
    }
}

fn value(cell: &Cell) -> Value {
    match cell {
        Cell::Null => Value::Null,
        Cell::Int(whole) => json!(whole),
        Cell::Text(text) => json!(text),
    }
}

fn row(conflict: &Conflict, phones: &[PhoneKey], words: Words) -> Value {
    let side = |side: &Side| {
        json!({
            "value": value(&side.value),
            "at": side.at.map(|at| at.to_rfc3339()),
            "phone": side.by.to_string(),
            "phone_name": phone_name(side.by, phones, words),
            "time_is_sound": side.is_sound,
        })
    };
    json!({
        "site": conflict.site.as_ref().map(|(id, name)| json!({ "id": id.to_string(), "name": name })),
        "record": conflict.record,
        "id": conflict.id.to_string(),
        "field": conflict.field,
        "stands": side(&conflict.stands),
        "set_aside": side(&conflict.lost),
    })
}
