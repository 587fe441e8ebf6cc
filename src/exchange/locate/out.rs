//! The plan of a file as it is handed on: places on the Earth for map programs, and the sheet with its tapes.

use super::{Said, Worked};
use crate::domain::locate::fix::PinKind;
use crate::domain::locate::plan::{LineKind, Mark, MarkShape, PlanLine, PlanMark, PlanTie, SitePlan, YardPlan};
use crate::domain::locate::{Point, Position};
use chrono::NaiveDate;

impl Worked<'_> {
    /// Returns every place and path that lies on the Earth, for `GeoJSON` and GPX.
    #[must_use]
    pub fn site_plan(&self, say: &dyn Fn(Said<'_>) -> String) -> SitePlan {
        let plan = &self.plan;
        let places = plan.named().into_iter().filter_map(|named| {
            let (position, error_m) = named.earth?;
            let found = plan.found.iter().find(|found| found.name == named.name);
            Some(Mark {
                name: named.name.to_owned(),
                kind: named.kind,
                error_m: Some(error_m),
                note: found.map(|found| plan.ties_text(found, say)),
                shape: MarkShape::Place(position),
            })
        });
        let paths = plan.file.paths.iter().filter_map(|path| {
            let line = path.places.iter().map(|at| plan.place_on_earth(at, "paths").ok());
            let line: Vec<Position> = line.collect::<Option<_>>()?;
            (line.len() > 1).then(|| Mark {
                name: path.name.clone(),
                kind: PinKind::HosePath,
                error_m: None,
                note: None,
                shape: MarkShape::Line(line),
            })
        });
        SitePlan {
            name: plan.file.name.clone(),
            marks: places.chain(paths).collect(),
        }
    }

    /// Returns the plan as it is drawn on a sheet.
    #[must_use]
    pub fn yard_plan(&self, date: NaiveDate, say: &dyn Fn(Said<'_>) -> String) -> YardPlan {
        let plan = &self.plan;
        let named = plan.named();
        let drawn: Vec<_> = named.iter().filter_map(|named| Some((named, named.known?))).collect();
        let mut letters = ('A'..='Z').map(String::from);
        let marks = drawn
            .iter()
            .map(|(named, known)| PlanMark {
                letter: if named.kind == PinKind::HouseCorner {
                    letters.next().unwrap_or_default()
                } else {
                    String::new()
                },
                name: named.name.to_owned(),
                kind: named.kind,
                at: known.at,
                ellipse: known.spread.ellipse(),
                position: named.earth.map(|(position, _)| position),
            })
            .collect();
        let place_of = |name: &str| drawn.iter().position(|(named, _)| named.name == name);
        let ties = plan.found.iter().flat_map(|found| {
            let residuals = found.located.candidates.first().map(|only| only.residuals_m.as_slice());
            found.ties.iter().enumerate().filter_map(move |(number, index)| {
                let tie = plan.file.ties.get(*index)?;
                Some(PlanTie {
                    from: place_of(&tie.from)?,
                    to: place_of(&tie.to)?,
                    distance: super::metres(tie.distance_m),
                    // Two tapes always meet: only a third checks them.
                    residual_m: residuals
                        .filter(|all| all.len() > 2)
                        .and_then(|all| all.get(number))
                        .copied(),
                })
            })
        });
        let lines = plan.file.paths.iter().filter_map(|path| {
            let points = path.places.iter().map(|at| plan.place(at, "paths").ok());
            let points: Vec<Point> = points.collect::<Option<_>>()?;
            (points.len() > 1).then_some(PlanLine {
                kind: LineKind::Hose,
                points,
            })
        });
        let fit = plan.answer_fit(say).map(|fit| fit.text);
        YardPlan {
            site_lines: [plan.file.name.clone()]
                .into_iter()
                .filter(|name| !name.is_empty())
                .collect(),
            date,
            north_deg: plan.y_axis_deg(),
            house: plan.places(&plan.file.yard.house, "yard.house").unwrap_or_default(),
            marks,
            lines: lines.collect(),
            ties: ties.collect(),
            notes: plan
                .refused
                .iter()
                .map(|refused| refused.reason.clone())
                .chain(fit)
                .collect(),
        }
    }
}
