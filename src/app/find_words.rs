//! The words of the yard: what things are called, why a place is a good one, how well a place is known.

use crate::app::dig::lid_title;
use crate::app::yard::{ClueFrom, HeldBy, Mark, Taped, YardModel};
use crate::domain::locate::fix::PinKind;
use crate::domain::locate::probe::{BestPlace, Reason};
use crate::domain::locate::ties::{Agreement, Located, TieError};
use crate::domain::locate::yard::{METRES_PER_FOOT, contains};
use crate::domain::record::{ClueKind, Lid, PinId, ProbeMet, Units};
use crate::domain::units::{Length, MM_PER_INCH, round_to_i64};
use crate::say::figures::Figures;
use crate::say::words::Words;

/// What a kind of pin is called.
#[must_use]
pub fn kind_title(kind: PinKind, words: Words) -> String {
    words.t(crate::app::plan_sheet::kind_text(kind))
}

/// How near to a place to probe the tank is said to lie, m: a long step.
#[must_use]
pub fn near_m(figures: Figures) -> f64 {
    match figures.units {
        Units::UsCustomary => 4.0 * METRES_PER_FOOT,
        Units::Metric => 1.2,
    }
}

/// What a clue is called.
#[must_use]
pub fn clue_title(kind: ClueKind, words: Words) -> String {
    words.t(match kind {
        ClueKind::Field => "field ridge",
        ClueKind::Oval => "dead or lush grass",
        ClueKind::Vent => "vent",
        ClueKind::Settled => "settled patch",
        ClueKind::Marker => "old riser or marker",
        ClueKind::Customer => "customer points here",
        ClueKind::Record => "tie on a record drawing",
        ClueKind::LotCorner => "lot corner",
    })
}

/// What the rod met.
#[must_use]
pub fn met_title(met: ProbeMet, words: Words) -> String {
    words.t(match met {
        ProbeMet::Nothing => "probed, nothing",
        ProbeMet::Tank => "probed, tank",
        ProbeMet::Edge => "probed, edge of the tank",
        ProbeMet::Pipe => "probed, pipe",
    })
}

/// The names the app gives corners itself: the English words, which are also their key in the catalogue.
pub(crate) const CORNER_NAMES: [&str; 8] = [
    "back-left corner",
    "back-right corner",
    "front-left corner",
    "front-right corner",
    "near-left corner",
    "near-right corner",
    "far-left corner",
    "far-right corner",
];

/// What a pin is called whose name is one of the app's own; other names are the crew's and stay as they are.
fn own_name(name: &str, words: Words) -> String {
    if CORNER_NAMES.contains(&name) {
        words.t(name)
    } else {
        name.to_owned()
    }
}

/// What a mark is called in a list and in a sentence: "inlet lid", "back-left corner (A)", "cleanout".
#[must_use]
pub fn mark_title(mark: &Mark, lids: &[Lid], words: Words) -> String {
    let lid = mark.lid.and_then(|id| lids.iter().find(|lid| lid.id == id));
    let plain = match (lid, mark.name.as_str()) {
        (Some(lid), "") => lid_title(&lid.name, words),
        (None, "") => kind_title(mark.kind, words),
        (_, name) => own_name(name, words),
    };
    if mark.letter.is_empty() {
        plain
    } else {
        words.f("{0} ({1})", &[&plain, &mark.letter])
    }
}

/// What a mark is called as the place a tape starts from: "the back-left corner (A)".
fn from_title(mark: &Mark, lids: &[Lid], words: Words) -> String {
    let phrase = match (mark.name.as_str(), mark.kind) {
        ("back-left corner", _) => "the back-left corner",
        ("back-right corner", _) => "the back-right corner",
        ("front-left corner", _) => "the front-left corner",
        ("front-right corner", _) => "the front-right corner",
        ("near-left corner", _) => "the near-left corner",
        ("near-right corner", _) => "the near-right corner",
        ("far-left corner", _) => "the far-left corner",
        ("far-right corner", _) => "the far-right corner",
        ("", PinKind::HouseCorner) => "the house corner",
        ("", PinKind::Cleanout) => "the cleanout",
        ("", PinKind::SewerExit) => "the sewer exit",
        ("", PinKind::DistributionBox) => "the distribution box",
        ("", PinKind::FieldEnd) => "the field end",
        ("", PinKind::Well) => "the well",
        ("", PinKind::Obstacle) => "the obstacle",
        ("", PinKind::TankLid) => return words.f("the {0}", &[&mark_title(mark, lids, words)]),
        // A name the crew gave is a name, not a kind of thing.
        _ => return mark_title(mark, lids, words),
    };
    let phrase = words.t(phrase);
    if mark.letter.is_empty() {
        phrase
    } else {
        words.f("{0} ({1})", &[&phrase, &mark.letter])
    }
}

/// Why a place is a good one, in one sentence.
#[must_use]
pub fn reason_text(best: &BestPlace, model: &YardModel, figures: Figures) -> String {
    let words = figures.words;
    let from_cleanout = model
        .marks
        .iter()
        .any(|mark| mark.kind == PinKind::Cleanout && mark.placed.is_some());
    let toward_field = best.reasons.iter().any(|r| matches!(r, Reason::TowardField { .. }));
    let on_line = best
        .reasons
        .iter()
        .any(|r| matches!(r, Reason::SewerLine { seen, .. } if *seen || from_cleanout));
    let mut parts: Vec<String> = Vec::new();
    for reason in &best.reasons {
        let part = match reason {
            Reason::SewerLine { seen, .. } => match (from_cleanout, *seen, toward_field) {
                (true, _, true) => words.t("on the line from the cleanout to the field"),
                (true, _, false) => words.t("on the line of the cleanout"),
                (false, true, true) => words.t("on the line from the sewer exit to the field"),
                (false, true, false) => words.t("on the line of the sewer"),
                (false, false, _) => words.t("straight out from where the sewer leaves"),
            },
            Reason::FromWall { distance_m } => words.f("{0} from the wall", &[&figures.stride(*distance_m)]),
            Reason::TowardField { .. } if on_line => continue,
            Reason::TowardField { .. } => words.t("on the way to the field"),
            Reason::NearClue { clue, distance_m } => {
                let title = match model.clues.get(*clue) {
                    Some((_, ClueFrom::Clue(_, ClueKind::Customer))) => words.t("where the customer pointed"),
                    Some((_, ClueFrom::Clue(_, kind))) => clue_title(*kind, words),
                    Some((_, ClueFrom::Pin(pin))) => model
                        .mark(*pin)
                        .map(|mark| kind_title(mark.kind, words))
                        .unwrap_or_default(),
                    None => continue,
                };
                if *distance_m < 1.0 {
                    words.f("at: {0}", &[&title])
                } else {
                    words.f("{0} from: {1}", &[&figures.stride(*distance_m), &title])
                }
            }
            Reason::Record { .. } => words.t("where the record drawing puts it"),
            Reason::Hit { distance_m, .. } => words.f("a hit {0} from here", &[&figures.stride(*distance_m)]),
            Reason::Misses { count } => words.n("{0} push met nothing", "{0} pushes met nothing", *count),
        };
        if parts.len() < 4 && !parts.contains(&part) {
            parts.push(part);
        }
    }
    let text = parts.join(", ");
    let mut letters = text.chars();
    letters
        .next()
        .map(|first| first.to_uppercase().chain(letters).collect::<String>() + ".")
        .unwrap_or_default()
}

/// How deep the lid is to be expected, as a range.
#[must_use]
pub fn depth_text(best: &BestPlace, figures: Figures) -> String {
    let whole = |metres: f64| match figures.units {
        Units::UsCustomary => round_to_i64(metres * 1000.0 / MM_PER_INCH).unwrap_or(0),
        Units::Metric => round_to_i64(metres * 100.0).unwrap_or(0),
    };
    let (from, to) = (whole(best.lid.from_m), whole(best.lid.to_m));
    let unit = figures.length_unit();
    if from <= 0 {
        figures.words.f("Lid up to {0} {1} down.", &[&to.to_string(), unit])
    } else {
        figures
            .words
            .f("Lid {0} to {1} {2} down.", &[&from.to_string(), &to.to_string(), unit])
    }
}

/// How a mark's place is known and how well.
#[must_use]
pub fn held_text(mark: &Mark, figures: Figures) -> String {
    let words = figures.words;
    let fixes = mark
        .pinned
        .map(|pin| words.n("{0} fix", "{0} fixes", pin.fixes))
        .unwrap_or_default();
    match (&mark.placed, &mark.pinned) {
        (Some(placed), _) => {
            let error = figures.stride(placed.error_m());
            match placed.by {
                HeldBy::Tape => words.f("By tape, ±{0}.", &[&error]),
                HeldBy::Position => words.f("By position, ±{0}, {1}.", &[&error, &fixes]),
                HeldBy::Eye if placed.error_m() < 0.01 => words.t("The plan starts here."),
                HeldBy::Eye => words.f("Placed on the plan, about ±{0}.", &[&error]),
            }
        }
        (None, Some(pin)) => words.f(
            "Position kept, ±{0}, {1}. Not on the plan yet: take the position of two points of the plan.",
            &[&figures.stride(pin.error_m), &fixes],
        ),
        (None, None) => words.t("No place yet: pull two tapes, or put it on the plan."),
    }
}

/// What the tapes to a mark come to: how they agree, which one does not, what a third would do.
#[must_use]
pub fn taped_text(mark: &Mark, model: &YardModel, lids: &[Lid], figures: Figures) -> String {
    let words = figures.words;
    let name = |pin: PinId| {
        model
            .mark(pin)
            .map_or_else(String::new, |mark| from_title(mark, lids, words))
    };
    let origin = |tie: usize| mark.ties.get(tie).map(|line| name(line.origin)).unwrap_or_default();
    match &mark.taped {
        Taped::TooFew if mark.ties.len() == 1 && mark.placed.is_none() => {
            words.t("One tape is not enough: pull a second from another point.")
        }
        Taped::TooFew => String::new(),
        Taped::Loose => words.t("A tape starts at a point that has no place yet."),
        Taped::TwoSides(located) => {
            let mut text = words.t("Two places fit these tapes. Tap the one that is right.");
            for (number, candidate) in (1_u32..).zip(&located.candidates) {
                if contains(&model.house, candidate.at) {
                    let inside = words.f("Place {0} lies inside the house.", &[&number.to_string()]);
                    push_sentence(&mut text, &inside);
                }
            }
            push_sentence(&mut text, &weak_text(located, model, lids, figures));
            text
        }
        Taped::Refused(error) => refusal_text(error, &origin, figures),
        Taped::Placed(located) => {
            let mut text = match &located.agreement {
                Agreement::Unchecked => String::new(),
                Agreement::Agree => {
                    let most = mark
                        .ties
                        .iter()
                        .filter_map(|tie| tie.off_m)
                        .map(f64::abs)
                        .fold(0.0, f64::max);
                    words.f(
                        "{0} tapes agree within {1}.",
                        &[&mark.ties.len().to_string(), &figures.stride(most)],
                    )
                }
                Agreement::OneDisagrees(suspect) => {
                    let off = Length::from_real_mm(suspect.off_m.abs() * 1000.0).unwrap_or_default();
                    let too = if suspect.off_m > 0.0 {
                        "The tape from {0} is {1} too long for the others. Pull it again; it is left out."
                    } else {
                        "The tape from {0} is {1} too short for the others. Pull it again; it is left out."
                    };
                    words.f(too, &[&origin(suspect.tie), &figures.tape(off)])
                }
                Agreement::SomeDisagree(suspects) => {
                    let names: Vec<String> = suspects.iter().map(|suspect| origin(suspect.tie)).collect();
                    words.f(
                        "The tapes disagree, and it cannot be told which is wrong: {0}. One more tape would tell.",
                        &[&names.join(", ")],
                    )
                }
            };
            push_sentence(&mut text, &weak_text(located, model, lids, figures));
            text
        }
    }
}

/// Why tapes give no place, in plain words.
#[must_use]
pub fn refusal_text(error: &TieError, origin: &dyn Fn(usize) -> String, figures: Figures) -> String {
    let words = figures.words;
    match error {
        TieError::CannotMeet {
            first,
            second,
            shortfall_m,
        } => {
            let short = Length::from_real_mm(shortfall_m * 1000.0).unwrap_or_default();
            words.f(
                "The tapes from {0} and from {1} cannot meet: {2} short. Measure again, or check which points they start at.",
                &[&origin(*first), &origin(*second), &figures.tape(short.max(Length::from_mm(13)))],
            )
        }
        TieError::SamePlace { .. } => words.t("All tapes start at the same place. Measure from another point too."),
        TieError::TooFew(_) => words.t("One tape is not enough: pull a second from another point."),
        TieError::NotAPlace(_) => words.t("A tape starts at a point that has no place yet."),
    }
}

/// Says that arcs graze, and where a third tape would help.
fn weak_text(located: &Located, model: &YardModel, lids: &[Lid], figures: Figures) -> String {
    let words = figures.words;
    let Some(advice) = &located.advice else {
        return String::new();
    };
    // A known point near the line the third tape should lie on is better advice than a bearing.
    let weak = located.candidates.first().map(|candidate| candidate.at);
    let helper = weak.and_then(|at| {
        model
            .marks
            .iter()
            .filter(|mark| mark.kind != PinKind::TankLid && mark.placed.is_some())
            .filter_map(|mark| {
                let from = mark.placed?.at;
                let off = (at.bearing_deg(from) - advice.bearing_deg).rem_euclid(180.0);
                let off = off.min(180.0 - off);
                (off < 35.0 && from.distance_m(at) > 1.0).then_some((off, mark))
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, mark)| from_title(mark, lids, words))
    });
    let (now, then) = (
        figures.stride(advice.now_m * 1.509_592_2),
        figures.stride(advice.then_m * 1.509_592_2),
    );
    match helper {
        Some(name) => words.f(
            "Weak: the tapes cross too flat, ±{0}. A third tape from {1} would make it ±{2}.",
            &[&now, &name, &then],
        ),
        None => words.f(
            "Weak: the tapes cross too flat, ±{0}. Measure a third from a point on the pink line: ±{1}.",
            &[&now, &then],
        ),
    }
}

/// The ties of a mark in large plain words: "15 ft 8 in from the back-left corner (A), 21 ft 1 in from …".
#[must_use]
pub fn ties_text(mark: &Mark, model: &YardModel, lids: &[Lid], figures: Figures) -> String {
    let words = figures.words;
    let mut parts: Vec<String> = mark
        .ties
        .iter()
        .filter_map(|tie| {
            let origin = model.mark(tie.origin)?;
            Some(words.f(
                "{0} from {1}",
                &[&figures.tape(tie.distance), &from_title(origin, lids, words)],
            ))
        })
        .collect();
    if parts.is_empty()
        && let Some(placed) = &mark.placed
    {
        // No tape was pulled: what the plan says from the two nearest points, marked as such.
        let mut near: Vec<(f64, &Mark)> = model
            .marks
            .iter()
            .filter(|other| {
                other.id != mark.id
                    && matches!(other.kind, PinKind::HouseCorner | PinKind::Landmark | PinKind::Cleanout)
            })
            .filter_map(|other| Some((other.placed?.at.distance_m(placed.at), other)))
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        parts = near
            .iter()
            .take(2)
            .map(|(away, other)| {
                words.f(
                    "about {0} from {1}",
                    &[&figures.stride(*away), &from_title(other, lids, words)],
                )
            })
            .collect();
    }
    parts.join(", ")
}

fn push_sentence(text: &mut String, more: &str) {
    if !more.is_empty() {
        if !text.is_empty() {
            text.push(' ');
        }
        text.push_str(more);
    }
}

/// What stands before anyone probes or digs.
#[must_use]
pub fn dig_cautions(words: Words) -> [String; 4] {
    [
        words.t("Call before you dig: 811 in the US, two to three working days ahead; 1100 in Australia; elsewhere the number of your country or utility. Wait for the marks."),
        words.t("Private lines are not marked: power to a pump, water, gas to a grill, sewer. Ask, and look for them."),
        words.t("Dig by hand within 24 in (60 cm) of any mark. Push the rod slowly; stop at anything that is not soil."),
        words.t("The ground over an old tank can give way. Never stand on a lid. Local rules go before these."),
    ]
}
