//! `locate`: where the lids are and where to push the rod, from a file of pins, ties, clues and probes.

use super::Refusal;
use super::work::read_text;
use crate::domain::locate::clue::Clue;
use crate::domain::locate::probe::Reason;
use crate::domain::locate::yard::METRES_PER_FOOT;
use crate::exchange::locate::{self, Said};
use std::io::Read;
use std::path::Path;

/// Answers the file at `path` (`-` is `stdin`).
///
/// # Errors
///
/// What was refused, and what to do.
pub fn run(path: &Path, stdin: impl Read) -> Result<String, Refusal> {
    let text = read_text(path, stdin)?;
    locate::read(&text)
        .and_then(|file| locate::answer(&file, &say))
        .map_err(|error| {
            Refusal::input(
                error.to_string(),
                "correct that field; the form is in docs/schema/locate-input.schema.json.",
            )
        })
}

/// The usual cautions before a rod or a spade goes in.
///
/// Source: the calling notice and hand-digging distances on city and co-operative pages of the US call-before-you-dig
/// service; that private lines are usually not marked: common practice.
const CAUTIONS: [&str; locate::CAUTIONS] = [
    "Call before you dig or probe: 811 in the US, two to three working days ahead; other countries have their own number.",
    "Private lines (septic pipes, power to a pump, gas to a barbecue) are usually not marked: ask the owner.",
    "Dig by hand within 24 in (61 cm) of any mark. Local rules go before these.",
];

fn say(said: Said<'_>) -> String {
    match said {
        Said::Suspect { from, off_m } => {
            let way = if off_m > 0.0 { "long" } else { "short" };
            format!(
                "the tape from {from} reads {} too {way} for the others",
                both(off_m.abs())
            )
        }
        Said::WeakTies {
            bearing_deg,
            now_m,
            then_m,
        } => format!(
            "the tapes cross flatly, so the place is loose by {}; hold a third tape from a place on the bearing {:.0}° or {:.0}° from the lid, and that becomes {}",
            both(now_m),
            bearing_deg,
            bearing_deg + 180.0,
            both(then_m)
        ),
        Said::Reason { reason, clue } => why(reason, clue),
        Said::Caution(index) => CAUTIONS.get(index).copied().unwrap_or_default().to_owned(),
    }
}

fn why(reason: Reason, clue: Option<&Clue>) -> String {
    let named = clue.map_or("a clue", name);
    match reason {
        Reason::SewerLine { off_m, along_m, seen } => {
            let how = if seen {
                "the sewer as seen"
            } else {
                "the sewer, taken as square to the wall"
            };
            format!("{} along {how}, {} off its line", both(along_m), both(off_m))
        }
        Reason::FromWall { distance_m } => {
            format!("{} from the wall; tanks usually lie 10 to 25 ft out", both(distance_m))
        }
        Reason::TowardField { off_m, .. } => format!("{} off the line from the sewer to the field", both(off_m)),
        Reason::NearClue { distance_m, .. } => format!("{} from {named}", both(distance_m)),
        Reason::Record { off_m, .. } => format!("{} off the distance on {named}", both(off_m)),
        Reason::Hit { distance_m, .. } => format!("{} from where the rod met something", both(distance_m)),
        Reason::Misses { count } => format!("what {count} probes that met nothing leave"),
    }
}

const fn name(clue: &Clue) -> &'static str {
    match clue {
        Clue::SewerExit { .. } => "the sewer exit",
        Clue::Cleanout { .. } => "the cleanout",
        Clue::Field { .. } => "the field",
        Clue::Oval { .. } => "the dead or lush oval",
        Clue::Vent { .. } => "the vent",
        Clue::Settled { .. } => "the settled patch",
        Clue::Marker { .. } => "the old riser or marker",
        Clue::Customer { .. } => "where the customer pointed",
        Clue::Record { .. } => "the record drawing",
    }
}

/// A length in metres and feet.
fn both(metres: f64) -> String {
    format!("{metres:.2} m ({:.1} ft)", metres / METRES_PER_FOOT)
}
