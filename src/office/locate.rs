//! `locate`: where the lids are and where to push the rod, from a file of pins, ties, clues and probes.

use super::Refusal;
use super::files::{Kept, write_file};
use super::work::read_text;
use crate::domain::locate::clue::Clue;
use crate::domain::locate::guide::Guidance;
use crate::domain::locate::plan::{SitePlan, YardPlan};
use crate::domain::locate::probe::Reason;
use crate::domain::record::Units;
use crate::domain::units::Length;
use crate::exchange::locate::{self, LocateFile, ReadLocateError, Said, Track};
use crate::exchange::nmea::NmeaReader;
use crate::exchange::position::{PositionSource, SourceError};
use crate::exchange::{geojson, gpx};
use crate::say::figures::Figures;
use crate::say::words::Words;
use chrono::NaiveDate;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The most fixes one recording may hold: a day at one a second.
const MOST_FIXES: usize = 100_000;

/// What is asked for.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// The file (`-` is standard input); `None` when pins or fixes alone are given.
    pub file: Option<PathBuf>,
    /// `GeoJSON` or GPX files whose places are taken as pins.
    pub pins: Vec<PathBuf>,
    /// A recording of a receiver (NMEA 0183), or a GPX track, to be read and averaged.
    pub fixes: Option<PathBuf>,
    /// Where to write the plan as `GeoJSON`.
    pub geojson: Option<PathBuf>,
    /// Where to write it as GPX.
    pub gpx: Option<PathBuf>,
    /// Where to write it as a page.
    pub pdf: Option<PathBuf>,
    /// The units of what is said; both when `None`.
    pub units: Option<Units>,
    /// The language of what is said.
    pub words: Words,
    /// The day the page stands for.
    pub today: NaiveDate,
}

/// Draws the plan as a page in one person's language and units, as PDF.
pub type Draw<'a> = dyn Fn(&YardPlan, Figures) -> Result<Vec<u8>, String> + 'a;

/// Answers what is asked as JSON, and writes the files asked for.
///
/// # Errors
///
/// What was refused, and what to do. Nothing is written unless everything could be worked out.
pub fn run(asked: &Asked, draw: &Draw<'_>, stdin: impl Read) -> Result<String, Refusal> {
    let words = asked.words;
    if asked.file.is_none() && asked.pins.is_empty() && asked.fixes.is_none() {
        return Err(Refusal::input(
            words.t("nothing to work on was given"),
            words.t("Name a JSON file, or --pins, or --fixes."),
        ));
    }
    let kept = Kept::default();
    let read = asked.file.iter().chain(&asked.pins).chain(&asked.fixes);
    read.for_each(|path| kept.note(path));
    let outputs = [&asked.geojson, &asked.gpx, &asked.pdf];
    kept.allow(outputs.into_iter().flatten().map(PathBuf::as_path), words)?;
    let refused = |error: &ReadLocateError| {
        Refusal::input(
            error.to_string(),
            words.t("correct that field; the form is in docs/schema/locate-input.schema.json."),
        )
    };
    let mut file = match &asked.file {
        Some(path) => locate::read(&read_text(path, stdin)?).map_err(|error| refused(&error))?,
        None => LocateFile::default(),
    };
    for path in &asked.pins {
        file.take_plan(read_plan(path, words)?)
            .map_err(|error| refused(&error))?;
    }
    let track = asked.fixes.as_deref().map(|path| read_fixes(path, words)).transpose()?;
    if let Some(last) = track.as_ref().and_then(|track| track.fixes.last()) {
        file.stand_at(last);
    }
    let voice = Voice {
        units: asked.units,
        words,
    };
    let say = |said: Said<'_>| voice.say(said);
    let worked = locate::work_out(&file).map_err(|error| refused(&error))?;
    let answer = worked.answer(track.as_ref(), &say).map_err(|error| refused(&error))?;
    let site = worked.site_plan(&say);
    if (asked.geojson.is_some() || asked.gpx.is_some()) && site.marks.is_empty() {
        return Err(Refusal::refused(
            words.t("no place of this plan has a position, so a map could show nothing"),
            words.t("Give two places of the plan a pin, or write the page: it works by tape alone."),
        ));
    }
    if let Some(path) = &asked.geojson {
        write_file(path, geojson::write(&site).as_bytes(), &kept, words)?;
    }
    if let Some(path) = &asked.gpx {
        let text = gpx::write(&site).map_err(|error| cannot_make(path, &error.to_string(), words))?;
        write_file(path, text.as_bytes(), &kept, words)?;
    }
    if let Some(path) = &asked.pdf {
        let figures = Figures {
            units: asked.units.unwrap_or_default(),
            words,
        };
        let page = draw(&worked.yard_plan(asked.today, &say), figures).map_err(|why| cannot_make(path, &why, words))?;
        write_file(path, &page, &kept, words)?;
    }
    Ok(answer)
}

fn cannot_make(path: &Path, why: &str, words: Words) -> Refusal {
    Refusal::file(
        words.f("{0} cannot be made: {1}", &[&path.display().to_string(), why]),
        words.t("Check the names and places of the file."),
    )
}

fn is_gpx(path: &Path) -> bool {
    path.extension().is_some_and(|end| end.eq_ignore_ascii_case("gpx"))
}

fn open(path: &Path, words: Words) -> Result<File, Refusal> {
    File::open(path).map_err(|error| cannot_read(path, &error.to_string(), words))
}

fn cannot_read(path: &Path, why: &str, words: Words) -> Refusal {
    Refusal::file(
        words.f("{0} cannot be read: {1}", &[&path.display().to_string(), why]),
        words.t("Check the path and its permissions."),
    )
}

fn read_plan(path: &Path, words: Words) -> Result<SitePlan, Refusal> {
    let file = open(path, words)?;
    let plan = if is_gpx(path) {
        gpx::read(file)
    } else {
        geojson::read(file)
    };
    plan.map_err(|error| match error {
        gpx::PlanError::Read(error) => cannot_read(path, &error.to_string(), words),
        error => Refusal::input(
            format!("{}: {error}", path.display()),
            words.t("Give a GeoJSON file, or a GPX file whose name ends in .gpx."),
        ),
    })
}

fn read_fixes(path: &Path, words: Words) -> Result<Track, Refusal> {
    let file = open(path, words)?;
    let track = if is_gpx(path) {
        let replay = gpx::replay(file).map_err(|error| {
            Refusal::input(
                format!("{}: {error}", path.display()),
                words.t("Give NMEA 0183 sentences, or a GPX track whose name ends in .gpx."),
            )
        })?;
        Track {
            sentences: None,
            ..drain(replay).map_err(|why| cannot_read(path, &why, words))?
        }
    } else {
        drain(NmeaReader::new(file)).map_err(|why| cannot_read(path, &why, words))?
    };
    if track.fixes.is_empty() {
        let skipped = track.sentences.map_or(0, |counts| counts.bad());
        return Err(Refusal::input(
            words.f(
                "{0}: there is no position in it; bad sentences skipped: {1}",
                &[&path.display().to_string(), &skipped.to_string()],
            ),
            words.t("Give NMEA 0183 sentences, or a GPX track whose name ends in .gpx."),
        ));
    }
    Ok(track)
}

fn drain(mut source: impl PositionSource) -> Result<Track, String> {
    let mut fixes = Vec::new();
    while fixes.len() < MOST_FIXES {
        match source.next_fix() {
            Ok(Some(fix)) => fixes.push(fix),
            // A file has nothing to wait for.
            Ok(None) | Err(SourceError::Quiet) => break,
            Err(error) => return Err(error.to_string()),
        }
    }
    Ok(Track {
        fixes,
        sentences: Some(source.sentences()),
    })
}

/// The usual cautions before a rod or a spade goes in.
///
/// Source: the calling notice and hand-digging distances on city and co-operative pages of the US call-before-you-dig
/// service; that private lines are usually not marked: common practice.
fn caution(index: usize, words: Words) -> String {
    match index {
        0 => words.t(
            "Call before you dig or probe: 811 in the US, two to three working days ahead; other countries have their own number.",
        ),
        1 => words.t(
            "Private lines (septic pipes, power to a pump, gas to a barbecue) are usually not marked: ask the owner.",
        ),
        _ => words.t("Dig by hand within 24 in (61 cm) of any mark. Local rules go before these."),
    }
}

/// Says figures in one language, in one person's units or in both.
struct Voice {
    units: Option<Units>,
    words: Words,
}

impl Voice {
    fn say(&self, said: Said<'_>) -> String {
        let words = self.words;
        match said {
            Said::Suspect { from, off_m } => {
                let off = self.length(off_m.abs());
                if off_m > 0.0 {
                    words.f("the tape from {0} reads {1} too long for the others", &[from, &off])
                } else {
                    words.f("the tape from {0} reads {1} too short for the others", &[from, &off])
                }
            }
            Said::WeakTies {
                bearing_deg,
                now_m,
                then_m,
            } => words.f(
                "the tapes cross flatly, so the place is loose by {0}; hold a third tape from a place on the bearing {1}° or {2}° from the lid, and that becomes {3}",
                &[
                    &self.length(now_m),
                    &whole(bearing_deg),
                    &whole(bearing_deg + 180.0),
                    &self.length(then_m),
                ],
            ),
            Said::Reason { reason, clue } => self.why(reason, clue),
            Said::Caution(index) => caution(index, words),
            Said::Ties(ties) => {
                let said = ties
                    .iter()
                    .map(|(distance_m, from)| words.f("{0} from {1}", &[&self.tape(*distance_m), from]));
                said.collect::<Vec<_>>().join(", ")
            }
            Said::Way(way) => self.way(way),
            Said::Fit {
                rms_m,
                agrees: true,
                ..
            } => words.f("Plan and positions agree within {0}.", &[&self.length(rms_m)]),
            Said::Fit {
                rms_m,
                worst: Some(worst),
                ..
            } => words.f(
                "Plan and positions disagree by {0}; look at {1} first.",
                &[&self.length(rms_m), worst],
            ),
            Said::Fit { rms_m, .. } => words.f(
                "Plan and positions disagree by {0}, and two places cannot tell which is wrong: give a third a pin.",
                &[&self.length(rms_m)],
            ),
        }
    }

    fn way(&self, way: &Guidance) -> String {
        let words = self.words;
        if way.use_tape {
            return words.f(
                "You are within the error of the positions (±{0}): from here use the tape.",
                &[&self.stride(way.error_m)],
            );
        }
        words.f(
            "{0} on the bearing {1}°, ±{2}.",
            &[
                &self.stride(way.distance_m),
                &whole(way.bearing_deg),
                &self.stride(way.error_m),
            ],
        )
    }

    fn why(&self, reason: Reason, clue: Option<&Clue>) -> String {
        let words = self.words;
        let named = clue.map_or_else(|| words.t("a clue"), |clue| name(clue, words));
        match reason {
            Reason::SewerLine { off_m, along_m, seen } => {
                let values = [self.length(along_m), self.length(off_m)];
                let values = [values[0].as_str(), values[1].as_str()];
                if seen {
                    words.f("{0} along the sewer as seen, {1} off its line", &values)
                } else {
                    words.f(
                        "{0} along the sewer, taken as square to the wall, {1} off its line",
                        &values,
                    )
                }
            }
            Reason::FromWall { distance_m } => words.f(
                "{0} from the wall; tanks usually lie 10 to 25 ft (3 to 7.6 m) out",
                &[&self.length(distance_m)],
            ),
            Reason::TowardField { off_m, .. } => {
                words.f("{0} off the line from the sewer to the field", &[&self.length(off_m)])
            }
            Reason::NearClue { distance_m, .. } => words.f("{0} from {1}", &[&self.length(distance_m), &named]),
            Reason::Record { off_m, .. } => words.f("{0} off the distance on {1}", &[&self.length(off_m), &named]),
            Reason::Hit { distance_m, .. } => {
                words.f("{0} from where the rod met something", &[&self.length(distance_m)])
            }
            Reason::Misses { count } => words.n(
                "what {0} push that met nothing leaves",
                "what {0} pushes that met nothing leave",
                count,
            ),
        }
    }

    /// Says a length in the units asked, or in both.
    fn both(&self, write: impl Fn(Figures) -> String) -> String {
        let in_units = |units| {
            write(Figures {
                units,
                words: self.words,
            })
        };
        self.units.map_or_else(
            || format!("{} ({})", in_units(Units::Metric), in_units(Units::UsCustomary)),
            in_units,
        )
    }

    fn tape(&self, metres: f64) -> String {
        let length = Length::from_real_mm(metres * 1000.0).unwrap_or_default();
        self.both(|figures| figures.tape(length))
    }

    fn stride(&self, metres: f64) -> String {
        self.both(|figures| figures.stride(metres))
    }

    fn length(&self, metres: f64) -> String {
        self.both(|figures| match figures.units {
            Units::Metric => format!("{metres:.2} m"),
            Units::UsCustomary => self.words.f(
                "{0} ft",
                &[&format!("{:.1}", metres / crate::domain::locate::yard::METRES_PER_FOOT)],
            ),
        })
    }
}

fn whole(degrees: f64) -> String {
    format!("{:.0}", degrees.rem_euclid(360.0))
}

fn name(clue: &Clue, words: Words) -> String {
    match clue {
        Clue::SewerExit { .. } => words.t("the sewer exit"),
        Clue::Cleanout { .. } => words.t("the cleanout"),
        Clue::Field { .. } => words.t("the field"),
        Clue::Oval { .. } => words.t("the dead or lush oval"),
        Clue::Vent { .. } => words.t("the vent"),
        Clue::Settled { .. } => words.t("the settled patch"),
        Clue::Marker { .. } => words.t("the old riser or marker"),
        Clue::Customer { .. } => words.t("where the customer pointed"),
        Clue::Record { .. } => words.t("the record drawing"),
        Clue::Pin { .. } => words.t("the lid's pin"),
    }
}
