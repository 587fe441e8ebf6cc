//! Door: what the customer sees, signs and takes along, in the customer's own language.

use crate::app::card::{CardData, FillCurve, FillPoint, PageSize, Signature, TankPicture, TextBlock, lay_out};
use crate::app::page::slip_lines;
use crate::app::read::rule_name;
use crate::app::section::{Area, Fit, LayerKind, SectionDrawing, SectionScene, tank_section};
use crate::app::shell::{App, NoticeKind};
use crate::app::stop::StopState;
use crate::app::tank_scenes::{tank_today, tank_when_due};
use crate::domain::assess::Assessment;
use crate::domain::flags::FlagCode;
use crate::domain::forecast::{Cap, DueDates};
use crate::domain::record::{Language, Tank, Units, Visit};
use crate::say::figures::Figures;
use crate::say::hauled::read_strokes;
use crate::say::paper;
use chrono::{Datelike, NaiveDate};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

/// The sign pad, and how large the customer's pictures are.
#[derive(Clone, Debug)]
pub(crate) struct DoorState {
    pub chart_area: (f64, f64),
    pub tank_area: (f64, f64),
    pub pad_area: (f64, f64),
    pub signing: bool,
    pub signer: String,
    /// Strokes in thousandths of the pad's width.
    pub strokes: Vec<Vec<(i32, i32)>>,
}

impl Default for DoorState {
    fn default() -> Self {
        Self {
            chart_area: (364.0, 190.0),
            tank_area: (172.0, 130.0),
            pad_area: (364.0, 300.0),
            signing: false,
            signer: String::new(),
            strokes: Vec::new(),
        }
    }
}

/// What a layer of the fill curve is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChartKind {
    /// The line of years.
    Axis,
    /// Where half of such households lie.
    Band,
    /// The middle.
    Median,
    /// Full enough to pump.
    Limit,
    /// The due date.
    Marker,
}

/// A label of the fill curve; the place is its middle.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartLabel {
    /// From the left.
    pub x: f64,
    /// From the top.
    pub y: f64,
    /// What it says.
    pub text: String,
    /// What it belongs to.
    pub kind: ChartKind,
}

/// What the customer sees; every word in the customer's language.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DoorView {
    /// Whose tank.
    pub site_line: String,
    /// Words over the date.
    pub lead: String,
    /// The date, the largest thing.
    pub date: String,
    /// How far off.
    pub how_long: String,
    /// From when to when.
    pub window: String,
    /// The fill curve.
    pub chart: Vec<(ChartKind, String)>,
    /// Its labels.
    pub chart_labels: Vec<ChartLabel>,
    /// The curve in one sentence.
    pub chart_description: String,
    /// How sure.
    pub chance: String,
    /// Why.
    pub reason: String,
    /// The tank today.
    pub today: Option<SectionDrawing>,
    /// Words under it.
    pub today_caption: String,
    /// The tank on the due date.
    pub then: Option<SectionDrawing>,
    /// Words under it.
    pub then_caption: String,
    /// Over the lids.
    pub lids_heading: String,
    /// Lids and risers.
    pub lids_lines: Vec<String>,
    /// Over what was found.
    pub found_heading: String,
    /// What was found.
    pub found_lines: Vec<String>,
    /// Over the cautions.
    pub cautions_heading: String,
    /// The cautions.
    pub cautions: Vec<String>,
    /// Key to sign.
    pub sign_text: String,
    /// Key to give the slip.
    pub slip_text: String,
    /// Key to go back.
    pub done_text: String,
    /// It has been signed.
    pub signed: bool,
    /// By whom and when.
    pub signed_text: String,
    /// The sign pad shows.
    pub signing: bool,
    /// Over the pad.
    pub sign_heading: String,
    /// Beside the name.
    pub signer_label: String,
    /// The name.
    pub signer: String,
    /// The strokes, as path commands.
    pub strokes: String,
    /// Key to wipe the pad.
    pub clear_text: String,
    /// Key to leave it.
    pub cancel_text: String,
    /// Key to keep it.
    pub accept_text: String,
    /// There is something to keep.
    pub can_accept: bool,
}

/// The files a slip was written to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SlipFiles {
    /// The page, letter in US units and A4 in metric.
    pub pdf: PathBuf,
    /// The picture.
    pub png: PathBuf,
}

impl App {
    /// Returns what the customer sees.
    #[must_use]
    pub fn door_view(&self) -> DoorView {
        let Some(state) = self.stop.as_ref() else {
            return DoorView::default();
        };
        let figures = self.session.customer_figures(&state.visit.site);
        let words = figures.words;
        let Some(card) = self.card_data() else {
            return DoorView::default();
        };
        let visit = state.shown();
        let drawing = |picture: Option<&TankPicture>| {
            let (width_px, height_px) = state.door.tank_area;
            picture.map(|picture| tank_section(&picture.scene, Area { width_px, height_px }))
        };
        let (chart, chart_labels) = card
            .curve
            .as_ref()
            .map(|curve| chart(curve, state.door.chart_area))
            .unwrap_or_default();
        let signed = visit.stop.signed_at.is_some();
        DoorView {
            site_line: card.site_lines.first().cloned().unwrap_or_default(),
            lead: card.date_label.clone(),
            date: card.date_text.clone(),
            how_long: card.in_text.clone(),
            window: std::iter::once(card.window_text.clone())
                .chain(card.notes.iter().cloned())
                .filter(|line| !line.is_empty())
                .collect::<Vec<_>>()
                .join(" "),
            chart,
            chart_labels,
            chart_description: card.reason_text.clone(),
            chance: card.chance_text.clone(),
            reason: card.reason_text.clone(),
            today: drawing(card.tanks.first()),
            today_caption: card.tanks.first().map(|t| t.caption.clone()).unwrap_or_default(),
            then: drawing(card.tanks.get(1)),
            then_caption: card.tanks.get(1).map(|t| t.caption.clone()).unwrap_or_default(),
            lids_heading: card.lids.heading.clone(),
            lids_lines: card.lids.lines.clone(),
            found_heading: card.found.heading.clone(),
            found_lines: card.found.lines.clone(),
            cautions_heading: card.cautions.heading.clone(),
            cautions: card.cautions.lines.clone(),
            sign_text: words.t("Sign"),
            slip_text: words.t("Give slip"),
            done_text: words.t("Done"),
            signed,
            signed_text: visit.stop.signed_at.map_or_else(String::new, |at| {
                let name = if visit.stop.signed_name.is_empty() {
                    words.t("the customer")
                } else {
                    visit.stop.signed_name.clone()
                };
                words.f("Signed by {0}, {1}", &[&name, &figures.date(at.date_naive())])
            }),
            signing: state.door.signing,
            sign_heading: words.t("Sign here with a finger"),
            signer_label: words.t("Name"),
            signer: state.door.signer.clone(),
            strokes: strokes_path(&state.door.strokes, state.door.pad_area.0),
            clear_text: words.t("Wipe"),
            cancel_text: words.t("Back"),
            accept_text: words.t("Accept"),
            can_accept: state.door.strokes.iter().any(|stroke| stroke.len() > 1),
        }
    }

    /// Gathers the card in the customer's language.
    #[must_use]
    pub fn card_data(&self) -> Option<CardData> {
        let state = self.stop.as_ref()?;
        let visit = state.shown();
        let figures = self.session.customer_figures(&visit.site);
        let words = figures.words;
        let setup = self.session.setup();
        let (place, soonest) = state.soonest()?;
        let day = visit.stop.day;
        let rule_set = self.session.rule_set(&visit.site);
        let dates = soonest.forecast.dates;
        let is_ahead = dates.is_some_and(|dates| dates.due > day) && !state.asks_for_pumping_now();
        let (date_label, date_text, in_text) = self.date_words(dates, day, figures);
        let mut found = self.found_lines(figures);
        if !visit.stop.found_note.is_empty() {
            found.insert(0, visit.stop.found_note.clone());
        }
        found.extend(warning_lines(soonest, figures));
        let lids = self.lid_lines(figures);
        let tank = visit.tanks.get(place)?;
        Some(CardData {
            language: match words.language() {
                Language::English => "en-US".to_owned(),
                Language::Spanish => "es-US".to_owned(),
            },
            title: words.f("{0}: next service", &[&visit.site.name]),
            company: if setup.company.is_empty() {
                "Lidmark".to_owned()
            } else {
                setup.company.clone()
            },
            company_lines: [setup.company_phone.clone()]
                .into_iter()
                .filter(|line| !line.is_empty())
                .collect(),
            site_lines: [
                &visit.site.name,
                &visit.site.customer,
                &visit.site.address,
                &visit.site.town,
            ]
            .into_iter()
            .filter(|line| !line.is_empty())
            .cloned()
            .collect(),
            date_label,
            date_text,
            in_text,
            chance_text: if is_ahead {
                words.t("3 chances in 4 the tank is not due before then.")
            } else {
                String::new()
            },
            reason_text: reason(visit, soonest, figures),
            window_text: dates.filter(|_| is_ahead).map_or_else(String::new, |dates| {
                words.f(
                    "Likely between {0} and {1}.",
                    &[&figures.month(dates.early), &figures.month(dates.late)],
                )
            }),
            notes: notes(soonest, figures),
            curve: curve(soonest, figures, day),
            tanks: pictures(visit, tank, soonest, figures),
            legend: legend(figures),
            lids: TextBlock {
                heading: words.t("Lids and risers"),
                lines: if lids.is_empty() {
                    vec![words.t("How deep the lids lie was not recorded.")]
                } else {
                    lids
                },
            },
            found: TextBlock {
                heading: words.t("What we found and did"),
                lines: found,
            },
            work: TextBlock {
                heading: words.t("Work and price"),
                lines: slip_lines(&visit.work, figures),
            },
            cautions: TextBlock {
                heading: words.t("Stay safe"),
                lines: cautions(figures),
            },
            signature: Some(signature(visit, figures)),
            footer: vec![
                [setup.technician.clone(), figures.date(day)]
                    .into_iter()
                    .filter(|part| !part.is_empty())
                    .collect::<Vec<_>>()
                    .join(" · "),
                rule_set.map_or_else(String::new, |set| {
                    words.f("Judged by {0}. Local code governs.", &[&rule_name(&set, words)])
                }),
            ],
            more_text: words.t("… and {} more"),
        })
    }

    /// The words over the date, the date, and how far off it is.
    fn date_words(&self, dates: Option<DueDates>, day: NaiveDate, figures: Figures) -> (String, String, String) {
        let words = figures.words;
        if self.stop.as_ref().is_some_and(StopState::asks_for_pumping_now) {
            return (
                words.t("Time to pump"),
                words.t("now"),
                words.t("the rule asks for pumping now"),
            );
        }
        match dates {
            Some(dates) if dates.due <= day => (
                words.t("Time to pump"),
                words.t("now"),
                words.f("since {0}", &[&figures.month(dates.due)]),
            ),
            Some(dates) => (
                words.t("Call us back by"),
                figures.month(dates.due),
                words.f("{0} from today", &[&figures.years_months(day, dates.due)]),
            ),
            None => (
                words.t("Call us back"),
                words.t("when we know more"),
                words.t(&self.no_date_plain()),
            ),
        }
    }

    fn no_date_plain(&self) -> String {
        let asked = self
            .stop
            .as_ref()
            .is_some_and(|state| state.shown().site.residents_tenths.is_some());
        if asked {
            "The tank's size or its last pump-out is not known."
        } else {
            "How many people live here is not known."
        }
        .to_owned()
    }

    /// Writes the card as PDF and PNG into a folder.
    ///
    /// # Errors
    /// A sentence with what happened and what to do.
    pub fn write_slip(&self, folder: &Path) -> Result<SlipFiles, String> {
        let words = self.session.words();
        let (Some(card), Some(state)) = (self.card_data(), self.stop.as_ref()) else {
            return Err(words.t("There is no stop to write a slip for."));
        };
        let size = match self.session.setup().units {
            Units::UsCustomary => PageSize::Letter,
            Units::Metric => PageSize::A4,
        };
        let page = lay_out(&card, size);
        let stem = format!(
            "{}-{}",
            state.visit.stop.day.format("%Y-%m-%d"),
            file_stem(&state.visit.site.name)
        );
        let files = SlipFiles {
            pdf: folder.join(format!("{stem}.pdf")),
            png: folder.join(format!("{stem}.png")),
        };
        let write = |path: &Path, bytes: Vec<u8>| {
            std::fs::write(path, bytes).map_err(|error| {
                words.f(
                    "The slip {0} cannot be written: {1}.",
                    &[&path.display().to_string(), &error.to_string()],
                )
            })
        };
        std::fs::create_dir_all(folder).map_err(|error| {
            words.f(
                "The folder {0} cannot be made: {1}.",
                &[&folder.display().to_string(), &error.to_string()],
            )
        })?;
        write(&files.pdf, paper::pdf(&page).map_err(|error| error.to_string())?)?;
        write(
            &files.png,
            paper::png(&page, paper::PHONE_WIDTH_PX).map_err(|error| error.to_string())?,
        )?;
        Ok(files)
    }

    /// Gives the slip: writes both files and says where.
    pub fn give_slip(&mut self) {
        let (words, folder) = (self.session.words(), self.slips.clone());
        match self.write_slip(&folder) {
            Ok(files) => {
                self.say(
                    NoticeKind::Info,
                    words.t("The slip is written, as a page and as a picture."),
                    files.pdf.display().to_string(),
                );
                self.hand_out(&files.pdf);
            }
            Err(what) => self.say(
                NoticeKind::Failure,
                what,
                words.t("Free some room or choose another folder, then try again."),
            ),
        }
    }

    /// The area of the fill curve has changed size.
    pub fn chart_resized(&mut self, width: f64, height: f64) {
        // The dashes of the limit are drawn one by one: an area no screen has would take for ever.
        let drawable = |side: f64| (0.0..=20_000.0).contains(&side);
        if let Some(state) = self.stop.as_mut()
            && drawable(width)
            && drawable(height)
        {
            state.door.chart_area = (width, height);
        }
    }

    /// The area of a tank's picture has changed size.
    pub fn door_tank_resized(&mut self, width: f64, height: f64) {
        if let Some(state) = self.stop.as_mut() {
            state.door.tank_area = (width, height);
        }
    }

    /// Opens the sign pad.
    pub fn tap_sign(&mut self) {
        self.truck.signing = None;
        if let Some(state) = self.stop.as_mut() {
            state.door.signing = true;
            state.door.strokes.clear();
            if state.door.signer.is_empty() {
                state.door.signer.clone_from(&state.visit.site.customer);
            }
        }
    }

    /// The sign pad that shows: that of the truck's records, else that of the open stop.
    fn sign_pad(&mut self) -> Option<&mut DoorState> {
        if self.truck.signing.is_some() {
            Some(&mut self.truck.pad)
        } else {
            self.stop.as_mut().map(|state| &mut state.door)
        }
    }

    /// The pad has changed size.
    pub fn pad_resized(&mut self, width: f64, height: f64) {
        if let Some(pad) = self.sign_pad() {
            pad.pad_area = (width, height);
        }
    }

    /// A finger came down on the pad.
    pub fn pad_pressed(&mut self, x: f64, y: f64) {
        // A scribble stays a signature: this many strokes are plenty, and the record stays small.
        if let Some(pad) = self.sign_pad().filter(|pad| pad.strokes.len() < 200) {
            pad.strokes.push(Vec::new());
        }
        self.pad_dragged(x, y);
    }

    /// The finger moves.
    pub fn pad_dragged(&mut self, x: f64, y: f64) {
        let Some(pad) = self.sign_pad() else { return };
        let (width, height) = pad.pad_area;
        // Both in thousandths of the width, so that the signature keeps its proportions wherever it is shown.
        let thousandths = |value: f64, most: f64| {
            let share = if width > 0.0 {
                value.clamp(0.0, most.max(0.0)) / width
            } else {
                0.0
            };
            crate::domain::units::round_to_i64(share * 1_000.0)
                .and_then(|v| i32::try_from(v).ok())
                .unwrap_or(0)
        };
        let point = (thousandths(x, width), thousandths(y, height));
        if let Some(stroke) = pad.strokes.last_mut()
            && stroke.last() != Some(&point)
            && stroke.len() < 2_000
        {
            stroke.push(point);
        }
    }

    /// Wipes the pad.
    pub fn pad_clear(&mut self) {
        if let Some(pad) = self.sign_pad() {
            pad.strokes.clear();
        }
    }

    /// Leaves the pad, keeping nothing.
    pub fn sign_cancel(&mut self) {
        if let Some(pad) = self.sign_pad() {
            pad.signing = false;
        }
        self.truck.signing = None;
    }

    /// The name of who signs.
    pub fn edit_signer(&mut self, text: &str) {
        if let Some(pad) = self.sign_pad() {
            text.clone_into(&mut pad.signer);
        }
    }

    /// Keeps the signature.
    pub fn sign_accept(&mut self) {
        let now = self.session.now();
        let Some(pad) = self.sign_pad() else { return };
        if !pad.strokes.iter().any(|stroke| stroke.len() > 1) {
            return;
        }
        pad.signing = false;
        let signature = serde_json::json!(pad.strokes).to_string();
        let signer = pad.signer.trim().to_owned();
        if let Some(target) = self.truck.signing.take() {
            self.record_signed(target, signature, signer);
            return;
        }
        self.change("signature", |visit, _| {
            visit.stop.signature = signature;
            visit.stop.signed_name = signer;
            visit.stop.signed_at = Some(now);
        });
    }
}

/// One sentence of reason: what was read after how long with how many people, or what the date rests on without it.
fn reason(visit: &Visit, assessment: &Assessment, figures: Figures) -> String {
    let words = figures.words;
    let people = visit.site.residents_tenths.map(|tenths| figures.people(tenths));
    let last = assessment
        .forecast
        .posterior
        .used
        .iter()
        .find(|used| used.date == visit.stop.day);
    // Read today, and no evidence: there is nothing to count the years from.
    let is_read = assessment.contents.fraction_volume.is_some();
    let sludge = assessment
        .contents
        .compartments
        .iter()
        .filter_map(|compartment| compartment.sludge_mm)
        .fold(None, |most: Option<f64>, mm| Some(most.map_or(mm, |most| most.max(mm))));
    match (last, sludge) {
        (Some(used), Some(sludge)) => {
            let sludge = figures.mm(crate::domain::units::round_to_i64(sludge).unwrap_or(0));
            let years = figures.years(used.years);
            match people {
                Some(people) => words.f("{0} of sludge after {1} with {2}.", &[&sludge, &years, &people]),
                None => words.f("{0} of sludge after {1}.", &[&sludge, &years]),
            }
        }
        _ => match (assessment.forecast.posterior.used.len(), people) {
            (0, Some(people)) if is_read => words.f(
                "From {0} and the size of the tank; the pump-out before this one is not known.",
                &[&people],
            ),
            (0, Some(people)) => words.f(
                "From {0} and the size of the tank; nothing measured here yet.",
                &[&people],
            ),
            (0, None) => words.t("Nothing measured here yet."),
            (count, _) => words.n("From {0} earlier visit here.", "From {0} earlier visits here.", count),
        },
    }
}

fn notes(assessment: &Assessment, figures: Figures) -> Vec<String> {
    let words = figures.words;
    let mut lines = Vec::new();
    for cap in &assessment.forecast.caps {
        lines.push(match cap {
            Cap::MaxInterval {
                moves_due: false,
                years,
                ..
            } => words.f(
                "The window ends {0} after pumping, the longest interval.",
                &[&figures.years(*years)],
            ),
            Cap::MaxInterval { years, .. } => words.f(
                "No later than {0} after pumping, whatever the tank holds.",
                &[&figures.years(*years)],
            ),
            Cap::Calendar { years, .. } => {
                words.f("The rule here asks for pumping every {0}.", &[&figures.years(*years)])
            }
            Cap::UnderSixMonths => {
                words.t("Less than six months: look for a cause (tank too small, more people, grinder, leak).")
            }
        });
    }
    if let Some(inspect) = assessment.inspect_by {
        lines.push(words.f("Look in by {0}.", &[&figures.month(inspect)]));
    }
    lines
}

fn warning_lines(assessment: &Assessment, figures: Figures) -> Vec<String> {
    assessment
        .warnings
        .iter()
        .filter_map(|warning| {
            Some(figures.words.t(match warning.code {
                FlagCode::UnderOneDay => {
                    "This tank is too small for the people here: water stays less than a day even when it is empty."
                }
                FlagCode::PumpNowNotPumped => "The rule asks for pumping now, and the tank was not pumped today.",
                FlagCode::DueAtOnce => "What was left in the tank already reaches the limit.",
                _ => return None,
            }))
        })
        .collect()
}

fn cautions(figures: Figures) -> Vec<String> {
    [
        "Keep every lid closed and bolted, and children away. Never enter or lean over an open tank: its gas kills at once, and most who die went in to help.",
        "Do not drive over the tank. Before digging, call the line-locating service; private lines are not marked.",
        "Local code and licensed practice come before this card.",
    ]
    .iter()
    .map(|text| figures.words.t(text))
    .collect()
}

fn legend(figures: Figures) -> Vec<(LayerKind, String)> {
    let words = figures.words;
    vec![
        (LayerKind::Scum, words.t("scum: floats")),
        (LayerKind::Clear, words.t("clear liquid")),
        (LayerKind::Sludge, words.t("sludge: settles")),
    ]
}

fn signature(visit: &Visit, figures: Figures) -> Signature {
    Signature {
        label: figures.words.t("Signature"),
        name: visit.stop.signed_name.clone(),
        strokes: read_strokes(&visit.stop.signature)
            .into_iter()
            .map(|stroke| stroke.into_iter().map(|(x, y)| (f64::from(x), f64::from(y))).collect())
            .collect(),
    }
}

fn pictures(visit: &Visit, tank: &Tank, assessment: &Assessment, figures: Figures) -> Vec<TankPicture> {
    let words = figures.words;
    let pumped = visit
        .pumpings
        .iter()
        .any(|p| p.tank == tank.id && !p.removed && p.pumped == Some(true));
    let today = TankPicture {
        caption: words.t(if pumped { "today, after pumping" } else { "today" }),
        detail: String::new(),
        scene: SectionScene {
            fit: Fit::Whole,
            ..tank_today(visit, tank, pumped, figures.units)
        },
    };
    let mut list = vec![today];
    if let Some(dates) = assessment.forecast.dates {
        list.push(TankPicture {
            caption: figures.month(dates.due),
            detail: String::new(),
            scene: tank_when_due(visit, tank, assessment, figures.units),
        });
    }
    list
}

fn curve(assessment: &Assessment, figures: Figures, today: NaiveDate) -> Option<FillCurve> {
    let forecast = &assessment.forecast;
    let (start, limit, years, dates) = (
        forecast.start?,
        forecast.limit.as_ref()?,
        forecast.years?,
        forecast.dates?,
    );
    let words = figures.words;
    // Past the late date nothing is promised, so nothing is drawn.
    let longest = (years.late * 1.25).max(years.due * 1.25).max(0.5);
    let points = forecast
        .curve
        .iter()
        .filter(|point| point.years <= longest)
        .map(|point| FillPoint {
            years: point.years,
            low_litres: point.q25,
            middle_litres: point.q50,
            high_litres: point.q75,
        })
        .collect::<Vec<_>>();
    if points.len() < 2 || limit.volume.as_litres() <= 0.0 {
        return None;
    }
    let last = points.last().map_or(0.0, |point| point.years);
    let axis = (0..=40)
        .filter_map(|step| {
            let date = NaiveDate::from_ymd_opt(start.year() + step, 1, 1)?;
            let at = crate::domain::forecast::days_as_years((date - start).num_days());
            (at >= 0.0 && at <= last).then(|| (at, date.year().to_string()))
        })
        .collect();
    let since = crate::domain::forecast::days_as_years((today - start).num_days());
    Some(FillCurve {
        points,
        limit_litres: limit.volume.as_litres(),
        limit_text: words.t("full enough to pump"),
        due_years: years.due,
        due_text: figures.month(dates.due),
        window_years: Some((years.early, years.late)),
        today: (since > 0.0).then(|| (since, words.t("today"))),
        axis,
    })
}

/// Draws the fill curve into an area: paths and labels.
fn chart(curve: &FillCurve, (width, height): (f64, f64)) -> (Vec<(ChartKind, String)>, Vec<ChartLabel>) {
    let longest = curve.points.last().map_or(1.0, |point| point.years).max(0.01);
    let most = curve
        .points
        .iter()
        .map(|point| point.high_litres)
        .fold(curve.limit_litres * 1.25, f64::max)
        .min(curve.limit_litres * 1.6)
        .max(1.0);
    let (left, right, top, bottom) = (12.0, width - 12.0, 12.0, (height - 26.0).max(20.0));
    let x = |years: f64| left + (right - left).max(1.0) * (years / longest).clamp(0.0, 1.0);
    let y = |litres: f64| bottom - (bottom - top) * (litres / most).clamp(0.0, 1.0);
    let mut band = String::new();
    let mut median = String::new();
    for (index, point) in curve.points.iter().enumerate() {
        let pen = if index == 0 { 'M' } else { 'L' };
        // Writing to a String cannot fail.
        let _ = write!(band, "{pen}{:.1} {:.1}", x(point.years), y(point.high_litres));
        let _ = write!(median, "{pen}{:.1} {:.1}", x(point.years), y(point.middle_litres));
    }
    for point in curve.points.iter().rev() {
        let _ = write!(band, "L{:.1} {:.1}", x(point.years), y(point.low_litres));
    }
    band.push('Z');
    let limit_y = y(curve.limit_litres);
    let mut limit = String::new();
    let mut dash = left;
    while dash < right {
        let _ = write!(limit, "M{dash:.1} {limit_y:.1}H{:.1}", (dash + 9.0).min(right));
        dash += 15.0;
    }
    let due_x = x(curve.due_years);
    let marker = format!(
        "M{due_x:.1} {bottom:.1}V{limit_y:.1}M{:.1} {limit_y:.1}A6 6 0 1 1 {:.1} {limit_y:.1}A6 6 0 1 1 {:.1} {limit_y:.1}Z",
        due_x - 6.0,
        due_x + 6.0,
        due_x - 6.0
    );
    let paths = vec![
        (ChartKind::Axis, format!("M{left:.1} {bottom:.1}H{right:.1}")),
        (ChartKind::Band, band),
        (ChartKind::Median, median),
        (ChartKind::Limit, limit),
        (ChartKind::Marker, marker),
    ];
    // Labels of neighbouring years must not touch: every second, third … one is written when they are close.
    let gap = curve
        .axis
        .windows(2)
        .filter_map(|pair| Some(x(pair.get(1)?.0) - x(pair.first()?.0)))
        .fold(f64::INFINITY, f64::min);
    let every = if gap.is_finite() && gap > 1.0 {
        crate::domain::units::round_to_i64((44.0 / gap).ceil())
            .unwrap_or(1)
            .max(1)
    } else {
        1
    };
    let every = usize::try_from(every).unwrap_or(1);
    let mut labels = curve
        .axis
        .iter()
        .step_by(every)
        .map(|(years, text)| ChartLabel {
            x: x(*years).clamp(left + 16.0, (right - 16.0).max(left + 16.0)),
            y: bottom + 14.0,
            text: text.clone(),
            kind: ChartKind::Axis,
        })
        .collect::<Vec<_>>();
    // Beside the marker, on the side with more room.
    let limit_x = if due_x - left > right - due_x {
        left + 84.0
    } else {
        right - 84.0
    };
    labels.push(ChartLabel {
        x: limit_x,
        y: limit_y - 12.0,
        text: curve.limit_text.clone(),
        kind: ChartKind::Limit,
    });
    (paths, labels)
}

pub(crate) fn strokes_path(strokes: &[Vec<(i32, i32)>], width: f64) -> String {
    let mut path = String::new();
    for stroke in strokes {
        for (index, (x, y)) in stroke.iter().enumerate() {
            let pen = if index == 0 { 'M' } else { 'L' };
            let (x, y) = (f64::from(*x) * width / 1_000.0, f64::from(*y) * width / 1_000.0);
            // Writing to a String cannot fail.
            let _ = write!(path, "{pen}{x:.1} {y:.1}");
        }
    }
    path
}

/// A file name that every system takes: letters and digits of the name, dashes between.
#[must_use]
pub fn file_stem(name: &str) -> String {
    let mut stem = String::new();
    for c in name.chars().flat_map(char::to_lowercase) {
        if c.is_ascii_alphanumeric() {
            stem.push(c);
        } else if !stem.is_empty() && !stem.ends_with('-') {
            stem.push('-');
        }
    }
    let stem = stem.trim_end_matches('-').chars().take(60).collect::<String>();
    if stem.is_empty() { "stop".to_owned() } else { stem }
}
