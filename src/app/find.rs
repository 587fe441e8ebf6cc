//! Find: where is the tank?

use crate::app::dig::lid_depths;
use crate::app::inputs::last_emptied_before;
use crate::app::overlay::{Answer, Field, SheetTarget, Verdict, degrees_text};
use crate::app::shell::App;

/// What the Find station shows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FindView {
    /// What is known from before.
    pub known: Vec<String>,
    /// The note of this stop.
    pub note: String,
    /// The site's latitude.
    pub latitude: Field,
    /// The site's longitude.
    pub longitude: Field,
    /// Whether a lid has been found.
    pub found: Answer,
}

impl App {
    /// Returns what the Find station shows.
    #[must_use]
    pub fn find_view(&self) -> FindView {
        let Some(state) = self.stop.as_ref() else {
            return FindView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let visit = state.shown();
        let mut known = Vec::new();
        for row in state
            .history
            .iter()
            .rev()
            .filter(|row| row.stop.id != visit.stop.id)
            .take(2)
        {
            if !row.stop.find_note.is_empty() {
                known.push(words.f("{0}: {1}", &[&figures.date(row.stop.day), &row.stop.find_note]));
            }
        }
        let covers = lid_depths(&state.lids(), figures);
        if !covers.is_empty() {
            known.push(covers.join(", "));
        }
        for tank in &visit.tanks {
            if let Some(date) = last_emptied_before(tank, &state.history, visit.stop.day) {
                known.push(words.f("Last emptied {0}", &[&figures.date(date)]));
            }
        }
        if !visit.site.note.is_empty() {
            known.push(visit.site.note.clone());
        }
        if known.is_empty() {
            known.push(words.t("Nothing on record here yet."));
            known.push(words.t("An oval of dead or lush grass marks a shallow tank (common practice)."));
        }
        let degrees = |e7: Option<i64>| Field {
            text: e7.map(degrees_text).unwrap_or_default(),
            verdict: if e7.is_some() { Verdict::Ok } else { Verdict::Empty },
            message: String::new(),
        };
        FindView {
            known,
            note: visit.stop.find_note.clone(),
            latitude: degrees(visit.site.lat_e7),
            longitude: degrees(visit.site.lon_e7),
            found: visit.stop.lid_found.into(),
        }
    }

    /// The lid has been found, or not; tapping the answer that stands takes it back.
    pub fn tap_found(&mut self, answer: Answer) {
        self.change("lid found", |visit, _| {
            visit.stop.lid_found = answer.tapped_on(visit.stop.lid_found);
        });
    }

    /// Opens the note on where the tank is.
    pub fn tap_find_note(&mut self) {
        let text = self
            .stop
            .as_ref()
            .map(|state| state.visit.stop.find_note.clone())
            .unwrap_or_default();
        self.open_sheet(SheetTarget::FindNote, "Where the tank is", text, true);
    }

    /// Opens the latitude.
    pub fn tap_latitude(&mut self) {
        let text = self
            .stop
            .as_ref()
            .and_then(|state| state.visit.site.lat_e7)
            .map(degrees_text)
            .unwrap_or_default();
        self.open_sheet(SheetTarget::Latitude, "Latitude, degrees", text, false);
    }

    /// Opens the longitude.
    pub fn tap_longitude(&mut self) {
        let text = self
            .stop
            .as_ref()
            .and_then(|state| state.visit.site.lon_e7)
            .map(degrees_text)
            .unwrap_or_default();
        self.open_sheet(SheetTarget::Longitude, "Longitude, degrees", text, false);
    }
}
