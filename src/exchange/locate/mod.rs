//! Finding a lid as JSON: pins, ties, clues and probes in; positions, ellipses and best places out.
//!
//! All lengths are metres, all angles and positions degrees. The contract is `docs/schema/`.

mod answer;
mod form;
mod out;
mod plan;

pub use form::{LocateFile, read};

use crate::domain::locate::clue::{Basis, Clue};
use crate::domain::locate::fix::{Fix, PinPlace};
use crate::domain::locate::guide::{ArrowFrom, Guidance, guide};
use crate::domain::locate::probe::{BestPlace, ProbeMap, Reason};
use crate::domain::locate::ties::{Agreement, Side};
use crate::domain::locate::yard::SetbackFrom;
use crate::domain::locate::{Point, Position};
use crate::domain::units::Length;
use crate::exchange::position::SentenceCounts;
use answer::{
    Answer, AnswerAdvice, AnswerBest, AnswerCandidate, AnswerClue, AnswerEllipse, AnswerFit, AnswerFix, AnswerGeodesic,
    AnswerLimit, AnswerMap, AnswerPin, AnswerPlace, AnswerPosition, AnswerReason, AnswerRefused, AnswerResidual,
    AnswerSentences, AnswerSuspect, AnswerTrack, AnswerWay, Spot,
};
use form::FileGeodesic;
use plan::{Found, Plan, Refused};

/// Why a file was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{path}: {reason}")]
pub struct ReadLocateError {
    /// The field, for example `ties[2].distance_m`.
    pub path: String,
    /// What is wrong and what was expected.
    pub reason: String,
}

impl ReadLocateError {
    fn new(path: impl Into<String>, reason: impl Into<String>) -> Self {
        Self {
            path: path.into(),
            reason: reason.into(),
        }
    }
}

impl Plan<'_> {
    fn outward(&self, at: Point) -> AnswerPlace {
        let earth = self.to_earth(at);
        AnswerPlace {
            x_m: short(at.x_m),
            y_m: short(at.y_m),
            lat_deg: earth.map(|position| degrees(position.latitude_deg())),
            lon_deg: earth.map(|position| degrees(position.longitude_deg())),
        }
    }

    fn bearing(&self, on_plan_deg: f64) -> f64 {
        (on_plan_deg + self.y_axis_deg().unwrap_or(0.0)).rem_euclid(180.0)
    }

    fn position(&self, found: &Found, say: &dyn Fn(Said<'_>) -> String) -> AnswerPosition {
        let from = |tie: usize| {
            let index = found.ties.get(tie).copied().unwrap_or(0);
            (index, self.file.ties.get(index).map_or("", |tie| tie.from.as_str()))
        };
        let suspect = |suspect: &crate::domain::locate::ties::Suspect| {
            let (index, from) = from(suspect.tie);
            AnswerSuspect {
                tie: index,
                from: from.to_owned(),
                off_m: short(suspect.off_m),
                standardised: short(suspect.standardised),
                text: say(Said::Suspect {
                    from,
                    off_m: suspect.off_m,
                }),
            }
        };
        let (agreement, suspects) = match &found.located.agreement {
            Agreement::Unchecked => ("unchecked", Vec::new()),
            Agreement::Agree => ("agree", Vec::new()),
            Agreement::OneDisagrees(one) => ("one_disagrees", vec![suspect(one)]),
            Agreement::SomeDisagree(some) => ("some_disagree", some.iter().map(suspect).collect()),
        };
        let candidates = found.located.candidates.iter().map(|candidate| AnswerCandidate {
            place: self.outward(candidate.at),
            ellipse: AnswerEllipse {
                major_m: short(candidate.ellipse.major_m),
                minor_m: short(candidate.ellipse.minor_m),
                bearing_deg: short(self.bearing(candidate.ellipse.bearing_deg)),
                major_95_m: short(candidate.ellipse.ninety_five_m()),
            },
            crossing_deg: short(candidate.crossing_deg),
            weak: candidate.is_weak(),
            side: match candidate.side {
                Side::Left => "left",
                Side::Right => "right",
                Side::On => "on",
            },
            residuals: candidate
                .residuals_m
                .iter()
                .zip(&candidate.standardised)
                .enumerate()
                .map(|(tie, (off_m, standardised))| AnswerResidual {
                    from: from(tie).1.to_owned(),
                    off_m: short(*off_m),
                    standardised: short(*standardised),
                })
                .collect(),
        });
        let advice = found.located.advice.map(|advice| AnswerAdvice {
            bearing_deg: short(self.bearing(advice.bearing_deg)),
            from: advice.from.map(|at| self.outward(at)),
            major_m: short(advice.now_m),
            major_then_m: short(advice.then_m),
            text: say(Said::WeakTies {
                bearing_deg: self.bearing(advice.bearing_deg),
                now_m: advice.now_m,
                then_m: advice.then_m,
            }),
        });
        AnswerPosition {
            name: found.name.clone(),
            kind: self.kind_of(&found.name).word(),
            ties: self.ties_text(found, say),
            candidates: candidates.collect(),
            agreement,
            suspects,
            advice,
            refused: None,
        }
    }
}

fn refused_position(refused: &Refused) -> AnswerPosition {
    AnswerPosition {
        name: refused.name.clone(),
        kind: "landmark",
        ties: String::new(),
        candidates: Vec::new(),
        agreement: "refused",
        suspects: Vec::new(),
        advice: None,
        refused: Some(AnswerRefused {
            tie: refused.tie,
            shortfall_m: refused.shortfall_m.map(short),
            text: refused.reason.clone(),
        }),
    }
}

/// Something to be put in words where a language is known.
#[derive(Clone, Copy, Debug)]
pub enum Said<'a> {
    /// A tie that may be wrong.
    Suspect {
        /// Where its tape was held.
        from: &'a str,
        /// By how much it is off, m.
        off_m: f64,
    },
    /// Arcs that graze.
    WeakTies {
        /// Where to hold the next tape, degrees.
        bearing_deg: f64,
        /// Half of the long axis now, m.
        now_m: f64,
        /// And after such a tie.
        then_m: f64,
    },
    /// Why a place is worth a push of the rod.
    Reason {
        /// The reason.
        reason: Reason,
        /// The clue it speaks of, if any.
        clue: Option<&'a Clue>,
    },
    /// A caution that goes with every map.
    Caution(usize),
    /// The tapes to a place: how far, m, and from where.
    Ties(&'a [(f64, &'a str)]),
    /// The way to a place.
    Way(&'a Guidance),
    /// How the plan lies on the pins.
    Fit {
        /// Root mean square of how far the pins lie off, m.
        rms_m: f64,
        /// Whether that is within their errors.
        agrees: bool,
        /// The pin to look at first when it is not.
        worst: Option<&'a str>,
    },
}

/// How many cautions there are.
pub const CAUTIONS: usize = 3;

/// Position fixes read from a receiver or a recording, and what became of its sentences.
#[derive(Clone, Debug, Default)]
pub struct Track {
    /// The fixes, in order.
    pub fixes: Vec<Fix>,
    /// The sentences; `None` for a recording that has none.
    pub sentences: Option<SentenceCounts>,
}

/// A file worked out.
#[derive(Debug)]
pub struct Worked<'a> {
    plan: Plan<'a>,
    map: Option<(ProbeMap, Vec<Clue>)>,
}

/// Works out everything the file asks for.
///
/// # Errors
/// The field that makes it impossible, and why.
pub fn work_out(file: &LocateFile) -> Result<Worked<'_>, ReadLocateError> {
    let plan = Plan::new(file)?;
    let map = plan.probe_map()?;
    plan.refuse_if_nothing_is_left(map.is_some())?;
    Ok(Worked { plan, map })
}

impl Worked<'_> {
    /// Returns everything as JSON; `say` puts things in words, `track` is what a receiver gave.
    ///
    /// # Errors
    /// The field that makes it impossible, and why.
    pub fn answer(&self, track: Option<&Track>, say: &dyn Fn(Said<'_>) -> String) -> Result<String, ReadLocateError> {
        let plan = &self.plan;
        let answer = Answer {
            y_axis_bearing_deg: plan.y_axis_deg().map(short),
            fit: plan.answer_fit(say),
            pins: plan
                .pins
                .iter()
                .map(|(pin, place)| answer_pin(&pin.name, pin.kind.word(), place))
                .collect(),
            positions: plan
                .found
                .iter()
                .map(|found| plan.position(found, say))
                .chain(plan.refused.iter().map(refused_position))
                .collect(),
            map: self.map.as_ref().map(|(map, clues)| plan.answer_map(map, clues, say)),
            ways: plan.ways(say)?,
            geodesics: plan
                .file
                .geodesics
                .iter()
                .enumerate()
                .map(|(index, line)| plan.geodesic(index, line))
                .collect::<Result<_, _>>()?,
            track: track.map(answer_track),
        };
        serde_json::to_string_pretty(&answer).map_err(|error| ReadLocateError::new("file", error.to_string()))
    }
}

fn answer_pin(name: &str, kind: &'static str, place: &PinPlace) -> AnswerPin {
    AnswerPin {
        name: name.to_owned(),
        kind,
        lat_deg: degrees(place.position.latitude_deg()),
        lon_deg: degrees(place.position.longitude_deg()),
        error_m: short(place.error_m),
        floor_m: short(place.floor_m),
        scatter_m: short(place.scatter_m),
        fixes: place.fixes,
    }
}

fn answer_track(track: &Track) -> AnswerTrack {
    let pin = crate::domain::locate::fix::average(&track.fixes);
    AnswerTrack {
        fixes: track
            .fixes
            .iter()
            .map(|fix| AnswerFix {
                lat_deg: degrees(fix.position.latitude_deg()),
                lon_deg: degrees(fix.position.longitude_deg()),
                accuracy_m: fix.accuracy_m.map(short),
                quality: form::quality_word(fix.quality),
                time: fix
                    .time
                    .map(|time| time.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true)),
                course_deg: fix.course_deg.map(short),
            })
            .collect(),
        sentences: track.sentences.map(|counts| AnswerSentences {
            taken: counts.taken,
            other: counts.other,
            skipped: counts.bad(),
            bad_checksum: counts.bad_checksum,
            bad_fields: counts.bad_fields,
            broken: counts.broken,
            without_position: counts.without_position,
        }),
        mean: pin.as_ref().map(|pin| answer_pin("", "landmark", pin)),
    }
}

impl Plan<'_> {
    fn answer_fit(&self, say: &dyn Fn(Said<'_>) -> String) -> Option<AnswerFit> {
        let fit = self.fit.as_ref()?;
        let worst = fit.worst.and_then(|worst| self.shared.get(worst)).copied();
        let residuals = self.shared.iter().zip(&fit.residuals_m);
        Some(AnswerFit {
            y_axis_sigma_deg: short(fit.turned_sigma_deg),
            rms_m: short(fit.rms_m),
            agrees: fit.agrees,
            worst: worst.map(str::to_owned),
            pins: residuals
                .map(|(name, off_m)| Spot {
                    name: (*name).to_owned(),
                    off_m: short(*off_m),
                })
                .collect(),
            text: say(Said::Fit {
                rms_m: fit.rms_m,
                agrees: fit.agrees,
                worst,
            }),
        })
    }

    fn answer_map(&self, map: &ProbeMap, clues: &[Clue], say: &dyn Fn(Said<'_>) -> String) -> AnswerMap {
        let place = |best: BestPlace| AnswerBest {
            place: self.outward(best.at),
            chance: short(best.chance),
            lid_depth_m: [short(best.lid.from_m), short(best.lid.to_m)],
            reasons: best
                .reasons
                .into_iter()
                .map(|reason| answer_reason(reason, clues, say))
                .collect(),
        };
        AnswerMap {
            cell_m: short(map.grid().cell_m()),
            area_90_m2: short(map.area(0.9).square_m),
            next_probe: map.next_probe().map(|at| self.outward(at)),
            places: map.best_places(3).into_iter().map(place).collect(),
            limits: map
                .yard()
                .code
                .setbacks()
                .into_iter()
                .map(|setback| AnswerLimit {
                    from: match setback.from {
                        SetbackFrom::Foundation => "foundation",
                        SetbackFrom::PropertyLine => "property_line",
                        SetbackFrom::Well => "well",
                    },
                    distance_m: short(setback.distance_m),
                    weight_inside: map.yard().firmness.inside(),
                    source: setback.source,
                })
                .collect(),
            clues: clues
                .iter()
                .map(|clue| AnswerClue {
                    place: self.outward(clue.at()),
                    basis: match clue.basis() {
                        Basis::Published(source) => source,
                        Basis::CommonPractice => "common practice",
                    },
                })
                .collect(),
            cautions: (0..CAUTIONS).map(|index| say(Said::Caution(index))).collect(),
        }
    }

    /// The way from where the person stands to every place that has a position, the nearest first.
    fn ways(&self, say: &dyn Fn(Said<'_>) -> String) -> Result<Vec<AnswerWay>, ReadLocateError> {
        let Some(here) = &self.file.here else {
            return Ok(Vec::new());
        };
        let fix = Fix {
            course_deg: here.course_deg,
            ..here.fix.fix("here")?
        };
        let mut ways: Vec<AnswerWay> = self
            .named()
            .into_iter()
            .filter_map(|named| {
                let (position, error_m) = named.earth?;
                let way = guide(&fix, here.heading_deg, position, error_m);
                Some(AnswerWay {
                    name: named.name.to_owned(),
                    kind: named.kind.word(),
                    distance_m: short(way.distance_m),
                    bearing_deg: short(way.bearing_deg),
                    error_m: short(way.error_m),
                    bearing_error_deg: way.bearing_error_deg.map(short),
                    arrow_deg: short(way.arrow_deg),
                    arrow_from: match way.arrow_from {
                        ArrowFrom::Heading => "heading",
                        ArrowFrom::Course => "course",
                        ArrowFrom::North => "north",
                    },
                    use_tape: way.use_tape,
                    text: say(Said::Way(&way)),
                })
            })
            .collect();
        ways.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m));
        Ok(ways)
    }

    fn geodesic(&self, index: usize, line: &FileGeodesic) -> Result<AnswerGeodesic, ReadLocateError> {
        let path = format!("geodesics[{index}]");
        let from = self.place_on_earth(&line.from, &format!("{path}.from"))?;
        let to = match (&line.to, line.bearing_deg, line.distance_m) {
            (Some(to), None, None) => self.place_on_earth(to, &format!("{path}.to"))?,
            (None, Some(bearing_deg), Some(distance_m)) => from.travel(bearing_deg, distance_m),
            _ => {
                return Err(ReadLocateError::new(
                    path,
                    "expected `to` alone, or `bearing_deg` and `distance_m`",
                ));
            }
        };
        let back_deg = to.bearing_deg(from);
        Ok(AnswerGeodesic {
            from: on_earth(from),
            to: on_earth(to),
            distance_m: (from.distance_m(to) * 1.0e7).round() / 1.0e7,
            bearing_deg: degrees(from.bearing_deg(to)),
            bearing_back_deg: degrees(back_deg),
            bearing_onward_deg: degrees((back_deg + 180.0).rem_euclid(360.0)),
        })
    }

    /// The tapes to a place in words.
    fn ties_text(&self, found: &Found, say: &dyn Fn(Said<'_>) -> String) -> String {
        let ties: Vec<(f64, &str)> = found
            .ties
            .iter()
            .filter_map(|index| self.file.ties.get(*index))
            .map(|tie| (tie.distance_m, tie.from.as_str()))
            .collect();
        say(Said::Ties(&ties))
    }
}

fn on_earth(position: Position) -> answer::EarthPlace {
    answer::EarthPlace {
        lat_deg: degrees(position.latitude_deg()),
        lon_deg: degrees(position.longitude_deg()),
    }
}

fn answer_reason(reason: Reason, clues: &[Clue], say: &dyn Fn(Said<'_>) -> String) -> AnswerReason {
    let (kind, clue, probe, distance_m, off_m, count) = match reason {
        Reason::SewerLine { off_m, along_m, .. } => ("sewer_line", None, None, Some(along_m), Some(off_m), None),
        Reason::FromWall { distance_m } => ("from_wall", None, None, Some(distance_m), None, None),
        Reason::TowardField { clue, off_m } => ("toward_field", Some(clue), None, None, Some(off_m), None),
        Reason::NearClue { clue, distance_m } => ("near_clue", Some(clue), None, Some(distance_m), None, None),
        Reason::Record { clue, off_m } => ("record", Some(clue), None, None, Some(off_m), None),
        Reason::Hit { probe, distance_m } => ("hit", None, Some(probe), Some(distance_m), None, None),
        Reason::Misses { count } => ("misses", None, None, None, None, Some(count)),
    };
    AnswerReason {
        kind,
        clue,
        probe,
        distance_m: distance_m.map(short),
        off_m: off_m.map(short),
        count,
        text: say(Said::Reason {
            reason,
            clue: clue.and_then(|index| clues.get(index)),
        }),
    }
}

fn metres(metres: f64) -> Length {
    Length::from_real_mm(metres * 1000.0).unwrap_or_default()
}

/// A tenth of a millimetre is finer than anything that is measured.
fn short(number: f64) -> f64 {
    let rounded = (number * 1.0e4).round() / 1.0e4;
    // No "-0.0" for people to wonder at.
    if rounded == 0.0 { 0.0 } else { rounded }
}

fn degrees(number: f64) -> f64 {
    (number * 1.0e9).round() / 1.0e9
}
