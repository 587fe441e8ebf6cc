//! A site's plan out of the program and into it, as files.

use crate::app::door::file_stem;
use crate::app::plan_sheet::{self, YardPlan};
use crate::app::shell::{App, NoticeKind};
use crate::domain::locate::plan::{Mark, SitePlan};
use crate::exchange::gpx::PlanError;
use crate::exchange::{geojson, gpx};
use crate::say::paper;
use std::fs::File;
use std::path::{Path, PathBuf};

/// The forms a plan can leave in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlanFile {
    /// A page to print.
    Sheet,
    /// `GeoJSON`, RFC 7946.
    GeoJson,
    /// GPX 1.1.
    Gpx,
}

impl PlanFile {
    /// Every form.
    pub const ALL: [Self; 3] = [Self::Sheet, Self::GeoJson, Self::Gpx];

    /// The end of its file's name.
    #[must_use]
    pub const fn extension(self) -> &'static str {
        match self {
            Self::Sheet => "pdf",
            Self::GeoJson => "geojson",
            Self::Gpx => "gpx",
        }
    }
}

/// Reads a plan from a file: GPX when its name ends so, else `GeoJSON`.
///
/// # Errors
/// [`PlanError`] saying what is wrong with it.
pub fn read_plan(path: &Path) -> Result<SitePlan, PlanError> {
    let file = File::open(path).map_err(PlanError::Read)?;
    let is_gpx = path.extension().is_some_and(|end| end.eq_ignore_ascii_case("gpx"));
    if is_gpx { gpx::read(file) } else { geojson::read(file) }
}

impl App {
    /// Writes a plan into the folder of the slips and says where.
    ///
    /// * `site`: the places with a position, for the map programs
    /// * `yard`: the plan as it is drawn
    pub fn export_plan(&mut self, form: PlanFile, site: &SitePlan, yard: &YardPlan) -> Option<PathBuf> {
        let words = self.session.words();
        if form != PlanFile::Sheet && site.marks.is_empty() {
            self.say(
                NoticeKind::Warning,
                words.t("No place of this plan has a position yet, so a map could show nothing."),
                words.t("Take a position of two places at least, or give the sheet: it works by tape alone."),
            );
            return None;
        }
        match self.write_plan(form, site, yard) {
            Ok(path) => {
                self.say(
                    NoticeKind::Info,
                    words.t("The plan is written."),
                    path.display().to_string(),
                );
                self.hand_out(&path);
                Some(path)
            }
            Err(why) => {
                self.say(
                    NoticeKind::Failure,
                    words.f("The plan cannot be written: {0}.", &[&why]),
                    words.t("Free some room or choose another folder, then try again."),
                );
                None
            }
        }
    }

    fn write_plan(&self, form: PlanFile, site: &SitePlan, yard: &YardPlan) -> Result<PathBuf, String> {
        let figures = self.session.figures();
        let bytes = match form {
            PlanFile::Sheet => {
                let page = plan_sheet::sheet(yard, figures, plan_sheet::page_for(figures.units));
                paper::pdf(&page).map_err(|error| error.to_string())?
            }
            PlanFile::GeoJson => geojson::write(site).into_bytes(),
            PlanFile::Gpx => gpx::write(site).map_err(|error| error.to_string())?.into_bytes(),
        };
        std::fs::create_dir_all(&self.slips).map_err(|error| error.to_string())?;
        let name = yard.site_lines.first().map_or(site.name.as_str(), String::as_str);
        let stem = file_stem(name);
        let path = self.slips.join(format!("{stem}-plan.{}", form.extension()));
        // Whole or not at all: a file half written must not stand under its name.
        let half = path.with_extension("part");
        std::fs::write(&half, bytes)
            .and_then(|()| std::fs::rename(&half, &path))
            .map_err(|error| error.to_string())?;
        Ok(path)
    }

    /// Reads the marks of a plan, to be taken as pins; says what is wrong when it cannot.
    pub fn import_plan(&mut self, path: &Path) -> Option<Vec<Mark>> {
        let words = self.session.words();
        let name = path.display().to_string();
        match read_plan(path) {
            Ok(plan) if plan.marks.is_empty() => {
                self.say(
                    NoticeKind::Warning,
                    words.f("The file holds no places: {0}.", &[&name]),
                    words.t("Choose a GeoJSON or GPX file with points or lines."),
                );
                None
            }
            Ok(plan) => Some(plan.marks),
            Err(error) => {
                self.say(
                    NoticeKind::Failure,
                    words.f("The plan cannot be read: {0} ({1}).", &[&name, &error.to_string()]),
                    words.t("Choose a GeoJSON or GPX file with points or lines."),
                );
                None
            }
        }
    }
}
