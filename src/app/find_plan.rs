//! The yard's plan out of the Find station as a page or a map, and places of other maps into it as pins.

use crate::app::find_tape::Choice;
use crate::app::find_words::mark_title;
use crate::app::plan_files::PlanFile;
use crate::app::plan_sheet::{LineKind, PlanLine, PlanMark, PlanTie, YardPlan};
use crate::app::shell::{App, NoticeKind};
use crate::app::yard::{Mark as YardMark, YardModel, millimetres, write_fixes, write_line};
use crate::domain::locate::Position;
use crate::domain::locate::fix::{Fix, PinKind};
use crate::domain::locate::plan::{Mark, MarkShape, SitePlan};
use crate::domain::record::{Pin, PinId, Visit};

/// The most places one file may bring: a yard has fewer, a whole survey has more.
const MOST_PLACES: usize = 500;

impl App {
    /// Rows for handing the plan out and taking places in.
    pub(crate) fn plan_rows(&self) -> Vec<(Choice, String, String)> {
        let words = self.session.words();
        let mut rows = Vec::new();
        if self
            .stop
            .as_ref()
            .is_some_and(|state| !state.find.model.extent().is_empty())
        {
            rows.push((
                Choice::PlanOut(PlanFile::Sheet),
                words.t("Plan as a page (PDF)"),
                words.t("to scale, with the tape ties"),
            ));
            rows.push((
                Choice::PlanOut(PlanFile::GeoJson),
                words.t("Plan as a map (GeoJSON)"),
                words.t("what has a position"),
            ));
            rows.push((
                Choice::PlanOut(PlanFile::Gpx),
                words.t("Plan as a map (GPX)"),
                words.t("what has a position"),
            ));
        }
        for (index, name) in self.map_files().into_iter().enumerate() {
            rows.push((
                Choice::PlanIn(index),
                words.f("Take in places: {0}", &[&name]),
                String::new(),
            ));
        }
        rows
    }

    /// The maps that lie in the inbox, by name.
    fn map_files(&self) -> Vec<String> {
        let Ok(folder) = std::fs::read_dir(self.plan_folder()) else {
            return Vec::new();
        };
        let mut names = folder
            .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
            .filter(|name| {
                let end = name.rsplit('.').next().unwrap_or_default().to_lowercase();
                ["gpx", "geojson"].contains(&end.as_str())
            })
            .collect::<Vec<_>>();
        names.sort();
        names.truncate(20);
        names
    }

    /// Hands the plan out.
    pub(crate) fn plan_out(&mut self, form: PlanFile) {
        let Some((site, yard)) = self.plan_parts() else { return };
        self.export_plan(form, &site, &yard);
    }

    fn plan_parts(&self) -> Option<(SitePlan, YardPlan)> {
        let words = self.session.words();
        let state = self.stop.as_ref()?;
        let visit = state.shown();
        let title = |mark: &YardMark| mark_title(mark, &visit.lids, words);
        let model = &state.find.model;
        Some((
            site_plan(visit, model, &title),
            yard_plan(visit, model, &title, self.session.today()),
        ))
    }

    /// Takes the places of a map in the inbox as pins.
    pub(crate) fn plan_in(&mut self, index: usize) {
        let words = self.session.words();
        let Some(name) = self.map_files().into_iter().nth(index) else {
            return;
        };
        let path = self.plan_folder().join(&name);
        let Some(marks) = self.import_plan(&path) else { return };
        if marks.len() > MOST_PLACES {
            self.say(
                NoticeKind::Warning,
                words.f(
                    "The file has too many places for one yard: {0}.",
                    &[&marks.len().to_string()],
                ),
                words.t("Nothing was taken in. Cut out this site's places first."),
            );
            return;
        }
        let Some(model) = self.stop.as_ref().map(|state| state.find.model.clone()) else {
            return;
        };
        let before = self.stop.as_ref().map_or(0, |state| state.visit.pins.len());
        self.change("places taken in", |visit, new_id| {
            for mark in &marks {
                let place = i64::try_from(visit.pins.len()).unwrap_or(i64::MAX);
                let mut pin = Pin {
                    id: PinId(new_id()),
                    site: visit.site.id,
                    stop: Some(visit.stop.id),
                    place,
                    kind: mark.kind,
                    name: mark.name.chars().take(80).collect(),
                    ..Pin::default()
                };
                if fill(&mut pin, mark, &model) && !visit.pins.iter().any(|other| same(other, &pin)) {
                    visit.pins.push(pin);
                }
            }
        });
        let taken = self.stop.as_ref().map_or(0, |state| state.visit.pins.len()) - before;
        self.say(
            NoticeKind::Info,
            words.n("{0} place taken in as a pin.", "{0} places taken in as pins.", taken),
            words.t("Undo takes them away again."),
        );
    }
}

/// Whether a pin says what another says already: the same file taken in twice changes nothing.
fn same(a: &Pin, b: &Pin) -> bool {
    !a.removed && a.kind == b.kind && a.name == b.name && a.fixes == b.fixes && a.line_mm == b.line_mm
}

/// Puts a mark's place into a pin; `false` when it has none that can be used here.
fn fill(pin: &mut Pin, mark: &Mark, model: &YardModel) -> bool {
    match &mark.shape {
        MarkShape::Place(position) => {
            pin.fixes = write_fixes(&[Fix::new(*position, mark.error_m)]);
            if let Some((x, y)) = model.to_plan(*position).and_then(millimetres) {
                (pin.x_mm, pin.y_mm) = (Some(x), Some(y));
            }
            true
        }
        MarkShape::Line(places) => {
            // A line lies on the plan; it needs a plan that lies on the Earth.
            let line = places
                .iter()
                .filter_map(|place| model.to_plan(*place).and_then(millimetres))
                .collect::<Vec<_>>();
            pin.kind = PinKind::HosePath;
            pin.line_mm = write_line(&line);
            line.len() >= 2
        }
    }
}

fn position_of(model: &YardModel, mark: &YardMark) -> Option<Position> {
    let placed = mark.placed.as_ref()?;
    model
        .to_earth(placed.at)
        .or_else(|| mark.pinned.as_ref().map(|pinned| pinned.position))
}

fn site_plan(visit: &Visit, model: &YardModel, title: &dyn Fn(&YardMark) -> String) -> SitePlan {
    let marks = model
        .marks
        .iter()
        .filter_map(|mark| {
            let shape = if mark.line.len() > 1 {
                let line = mark
                    .line
                    .iter()
                    .map(|at| model.to_earth(*at))
                    .collect::<Option<Vec<_>>>()?;
                MarkShape::Line(line)
            } else {
                MarkShape::Place(position_of(model, mark)?)
            };
            // On the Earth nothing is better known than the plan's own place there.
            let spread = mark.placed.as_ref().map(|placed| {
                model.fit.as_ref().map_or(placed.spread, |fit| {
                    fit.spread_on_plane(crate::domain::locate::frame::Known {
                        at: placed.at,
                        spread: placed.spread,
                    })
                })
            });
            let from_plan =
                spread.map(|spread| crate::domain::locate::plane::AXES_PER_RADIUS * spread.ellipse().major_m);
            let pinned = mark.pinned.as_ref().map(|pinned| pinned.error_m);
            Some(Mark {
                name: title(mark),
                kind: mark.kind,
                error_m: from_plan.into_iter().chain(pinned).reduce(f64::max),
                note: None,
                shape,
            })
        })
        .collect();
    SitePlan {
        name: visit.site.name.clone(),
        marks,
    }
}

fn yard_plan(
    visit: &Visit,
    model: &YardModel,
    title: &dyn Fn(&YardMark) -> String,
    date: chrono::NaiveDate,
) -> YardPlan {
    let drawn = model
        .marks
        .iter()
        .filter(|mark| mark.placed.is_some() && mark.line.len() < 2)
        .collect::<Vec<_>>();
    let place_of = |id: PinId| drawn.iter().position(|mark| mark.id == id);
    let marks = drawn
        .iter()
        .filter_map(|mark| {
            let placed = mark.placed.as_ref()?;
            Some(PlanMark {
                letter: mark.letter.clone(),
                name: title(mark),
                kind: mark.kind,
                at: placed.at,
                ellipse: placed.spread.ellipse(),
                position: position_of(model, mark),
            })
        })
        .collect();
    let ties = drawn
        .iter()
        .enumerate()
        .flat_map(|(to, mark)| mark.ties.iter().map(move |tie| (to, tie)).collect::<Vec<_>>())
        .filter_map(|(to, tie)| {
            Some(PlanTie {
                from: place_of(tie.origin)?,
                to,
                distance: tie.distance,
                residual_m: tie.off_m,
            })
        })
        .collect();
    let lines = model
        .marks
        .iter()
        .filter(|mark| mark.line.len() > 1)
        .map(|mark| PlanLine {
            kind: LineKind::Hose,
            points: mark.line.clone(),
        })
        .collect();
    let site = &visit.site;
    let address = [site.address.as_str(), site.town.as_str()]
        .into_iter()
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(", ");
    YardPlan {
        site_lines: [site.name.clone(), address]
            .into_iter()
            .filter(|line| !line.is_empty())
            .collect(),
        date,
        north_deg: model.north_deg,
        house: model.house.clone(),
        marks,
        lines,
        ties,
        notes: Vec::new(),
    }
}
