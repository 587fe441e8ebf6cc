//! The taps of the Find station: the yard, in feet and inches, key by key.

use super::{type_keys, type_number};
use crate::app::shell::App;

/// Does one tap of the yard.
pub(super) fn do_tap(app: &mut App, verb: &str, rest: &str) -> Result<(), String> {
    let words: Vec<&str> = rest.split_whitespace().collect();
    if verb != "side" {
        go_home(app);
    }
    match (verb, words.as_slice()) {
        // house back 40 28
        ("house", [wall, length, depth]) => {
            press(app, "Pin")?;
            choose(app, "House, by tape")?;
            let row = match *wall {
                "back" => "The back of the house",
                "front" => "The front of the house",
                "side" => "A side of the house",
                _ => return Err("expected back, front or side".to_owned()),
            };
            choose(app, row)?;
            type_tape(app, length)?;
            type_tape(app, depth)
        }
        // pin cleanout 30 -4, pin sewer-exit 12 0 12 -8
        ("pin", [kind, x, y, toward @ ..]) => {
            press(app, "Pin")?;
            choose(app, &kind.replace('-', " "))?;
            if app.sheet_view().is_some() {
                app.sheet_edit(&toward.join(" "));
                app.sheet_keep();
            }
            aim(app, x, y)?;
            press(app, "Keep")?;
            match toward {
                [tx, ty] if number(tx).is_ok() => {
                    aim(app, tx, ty)?;
                    press(app, "This way")?;
                }
                _ => {
                    // Only pipes are asked where they go.
                    drop(press(app, "Not seen"));
                }
            }
            Ok(())
        }
        // clue dead-or-lush-grass 35 -16
        ("clue", [kind, x, y, rest @ ..]) => {
            press(app, "Clue")?;
            choose(app, &kind.replace('-', " "))?;
            aim(app, x, y)?;
            press(app, "Keep")?;
            if let [distance] = rest {
                type_tape(app, distance)?;
            }
            Ok(())
        }
        // tie inlet-lid back-left-corner-(A) 14'3
        ("tie", [to, from, distance]) => {
            press(app, "Tape tie")?;
            choose(app, &to.replace('-', " "))?;
            choose(app, &from.replace('-', " "))?;
            type_tape(app, distance)
        }
        // side 2, right after the tape that left two places
        ("side", [place]) => {
            let key = app.session().words().f("Place {0}", &[place]);
            press(app, &key)
        }
        // rod 30 -14 nothing, rod 32 -16 tank
        ("rod", [x, y, met]) => {
            press(
                app,
                if *met == "nothing" {
                    "Nothing here"
                } else {
                    "Hit the tank"
                },
            )?;
            aim(app, x, y)?;
            press(
                app,
                match *met {
                    "nothing" => "Keep",
                    "tank" => "Tank",
                    "edge" => "Its edge",
                    "pipe" => "A pipe",
                    _ => return Err("expected nothing, tank, edge or pipe".to_owned()),
                },
            )?;
            if app.confirm_view().is_some() {
                app.confirm_answer(true);
            }
            Ok(())
        }
        ("sewer-depth", [depth]) => {
            app.tap_sewer_depth();
            type_number(app, depth)
        }
        _ => Err("expected what docs/demo.md says".to_owned()),
    }
}

fn number(word: &str) -> Result<f64, String> {
    word.parse()
        .map_err(|_| format!("`{word}` is no place: expected feet to the right and ahead"))
}

/// Brings what is being placed to a place in feet of the plan, nudge by nudge as the arrows do.
fn aim(app: &mut App, x: &str, y: &str) -> Result<(), String> {
    app.aim_at_feet(number(x)?, number(y)?)
        .ok_or_else(|| "nothing is being placed".to_owned())
}

/// Taps the key of the panel with these words, in the language that holds.
fn press(app: &mut App, text: &str) -> Result<(), String> {
    let wanted = app.session().words().t(text);
    let view = app.find_view();
    let keys = view.upper.iter().chain(&view.lower);
    let index = keys
        .enumerate()
        .find(|(_, key)| key.text == wanted)
        .map(|(index, _)| index)
        .ok_or_else(|| format!("there is no key `{text}` now"))?;
    app.tap_find_key(index);
    Ok(())
}

/// Taps the row of the open list that begins with these words, in English.
fn choose(app: &mut App, text: &str) -> Result<(), String> {
    // A hyphen stands for a space in a tap, and for itself in a name.
    let plain = |text: &str| text.to_lowercase().replace('-', " ");
    let wanted = plain(&app.session().words().t(text));
    let index = app
        .picker_view()
        .and_then(|picker| picker.rows.iter().position(|(row, _)| plain(row).starts_with(&wanted)))
        .ok_or_else(|| format!("no row `{text}` is offered"))?;
    app.picker_choose(index);
    Ok(())
}

/// Types a taped distance and keeps it; what is refused is said.
fn type_tape(app: &mut App, text: &str) -> Result<(), String> {
    let asked = app.pad_view().ok_or("no number is asked for")?.title;
    type_keys(app, text)?;
    match app.pad_view() {
        // Another number may be asked for next.
        Some(pad) if pad.title == asked => {
            app.cancel_overlay();
            Err(pad.message)
        }
        _ => Ok(()),
    }
}

/// Leaves whatever was going on at the plan.
fn go_home(app: &mut App) {
    app.cancel_overlay();
    for key in ["Later", "Close", "Cancel"] {
        // Only one of them is offered, or none.
        if press(app, key).is_ok() {
            return;
        }
    }
}
