//! One site: who, where, what is in the ground, what was done; and its form.

use crate::app::book::DueState;
use crate::app::dig::lid_depths;
use crate::app::overlay::{
    Answer, Field, FigureView, PadKind, PadTarget, Picker, PickerTarget, Verdict, parse_degrees_e7,
};
use crate::app::shell::{App, Screen};
use crate::app::stop::StopState;
use crate::domain::assess::assess;
use crate::domain::record::{Language, ShapeKind, Site, SiteId, Visit, changes};
use crate::domain::units::Volume;
use crate::exchange::inputs::{compartments_of, work_input};
use crate::say::figures::parse_date;
use crate::say::hauled::degrees_text;
use crate::store::HistoryRow;

/// A site on the screen.
#[derive(Debug)]
pub struct SiteState {
    pub(crate) visit: Visit,
    pub(crate) history: Vec<HistoryRow>,
}

/// The typed fields of the form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SiteField {
    /// What the crew calls it.
    Name,
    /// Street.
    Address,
    /// Anything worth knowing.
    Note,
    /// Town.
    Town,
    /// The customer's name.
    Customer,
    /// Telephone.
    Phone,
    /// When the system was permitted.
    PermitDate,
    /// Latitude.
    Latitude,
    /// Longitude.
    Longitude,
}

/// The form of one site: text as typed, whatever it is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SiteForm {
    pub(crate) id: Option<SiteId>,
    pub(crate) name: String,
    pub(crate) address: String,
    pub(crate) note: String,
    pub(crate) town: String,
    pub(crate) customer: String,
    pub(crate) phone: String,
    pub(crate) permit: String,
    pub(crate) latitude: String,
    pub(crate) longitude: String,
    pub(crate) language: Option<Language>,
    pub(crate) residents_tenths: Option<i64>,
    pub(crate) grinder: Option<bool>,
    pub(crate) rule_set: String,
}

/// What the site's page shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SiteView {
    /// What the crew calls it.
    pub name: String,
    /// Where.
    pub address: String,
    /// Who, and in which language.
    pub customer: String,
    /// Telephone.
    pub phone: String,
    /// There is a device that opens a map, and a place to open it at.
    pub can_map: bool,
    /// There is a device that calls, and a number to call.
    pub can_call: bool,
    /// The date.
    pub due_text: String,
    /// What it rests on.
    pub due_detail: String,
    /// How it stands.
    pub due: Option<DueState>,
    /// Tanks: title and a line under it.
    pub tanks: Vec<(String, String)>,
    /// Stops, newest first: title and a line under it.
    pub history: Vec<(String, String)>,
    /// Notes.
    pub notes: Vec<String>,
}

/// What the form shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SiteFormView {
    /// A new site.
    pub is_new: bool,
    /// Name.
    pub name: Field,
    /// Street.
    pub address: Field,
    /// Note.
    pub note: Field,
    /// Town.
    pub town: Field,
    /// Customer.
    pub customer: Field,
    /// Telephone.
    pub phone: Field,
    /// Permit date.
    pub permit: Field,
    /// Latitude.
    pub latitude: Field,
    /// Longitude.
    pub longitude: Field,
    /// The customer's language.
    pub language: Language,
    /// People.
    pub residents: FigureView,
    /// Garbage grinder.
    pub grinder: Answer,
    /// The rule set's name.
    pub rule_set: String,
    /// It can be kept.
    pub can_keep: bool,
    /// Why not.
    pub message: String,
}

impl App {
    /// Opens a site's page.
    pub fn open_site(&mut self, id: SiteId) {
        let result = self
            .session
            .ask(move |store| Ok((store.site_whole(id)?, store.history(id)?)));
        if let Some((visit, history)) = self.try_book(result) {
            self.site = Some(SiteState { visit, history });
            self.go(Screen::Site);
        }
    }

    pub(crate) fn reload_site(&mut self) {
        if let Some(id) = self.site.as_ref().map(|site| site.visit.site.id) {
            let result = self
                .session
                .ask(move |store| Ok((store.site_whole(id)?, store.history(id)?)));
            if let Some((visit, history)) = self.try_book(result) {
                self.site = Some(SiteState { visit, history });
            }
        }
    }

    /// Returns what the site's page shows.
    #[must_use]
    pub fn site_view(&self) -> SiteView {
        let Some(state) = self.site.as_ref() else {
            return SiteView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let site = &state.visit.site;
        let rule_set = self.session.rule_set(site);
        let today = self.session.today();
        let due = site.due_on;
        let people = site
            .residents_tenths
            .map_or_else(|| words.t("people not asked"), |n| figures.people(n));
        let grinder = match site.grinder {
            Some(true) => words.t("grinder"),
            Some(false) => words.t("no grinder"),
            None => words.t("grinder not asked"),
        };
        let rule_name = rule_set.as_ref().map(|set| words.rule_set(set)).unwrap_or_default();
        let language = site.language.map(|language| match language {
            Language::English => "English",
            Language::Spanish => "Español",
        });
        SiteView {
            name: site.name.clone(),
            address: joined(&[&site.address, &site.town], ", "),
            customer: joined(&[&site.customer, language.unwrap_or_default()], " · "),
            phone: site.phone.clone(),
            can_map: self.has_device()
                && (site.lat_e7.is_some() || !site.address.trim().is_empty() || !site.town.trim().is_empty()),
            can_call: self.has_device() && !site.phone.trim().is_empty(),
            due_text: due.map_or_else(
                || words.t("No date yet"),
                |due| words.f("Next by {0}", &[&figures.month(due)]),
            ),
            due_detail: joined(&[&people, &grinder, &rule_name], " · "),
            due: Some(match due {
                None => DueState::None,
                Some(due) if due < today => DueState::Over,
                Some(due) if due <= today + chrono::TimeDelta::days(92) => DueState::Soon,
                Some(_) => DueState::Ok,
            }),
            tanks: state
                .visit
                .tanks
                .iter()
                .enumerate()
                .map(|(i, tank)| self.tank_line(&state.visit, i, tank))
                .collect(),
            history: state
                .history
                .iter()
                .rev()
                .map(|row| self.history_line(state, row))
                .collect(),
            notes: if site.note.is_empty() {
                Vec::new()
            } else {
                vec![site.note.clone()]
            },
        }
    }

    fn tank_line(&self, visit: &Visit, place: usize, tank: &crate::domain::record::Tank) -> (String, String) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let input = work_input(visit, &[], tank, self.session.setup());
        let liquid = input.tank.liquid();
        let number = words.f("Tank {0}", &[&(place + 1).to_string()]);
        let title = if tank.name.is_empty() {
            number
        } else {
            tank.name.clone()
        };
        let size = if liquid.as_litres() > 0.5 {
            figures.volume(liquid)
        } else {
            words.t("size not known")
        };
        let compartments = compartments_of(visit, tank.id);
        let shape = compartments.first().map_or("", |c| shape_name(c.shape));
        let lids = visit.lids.iter().filter(|lid| lid.tank == tank.id).collect::<Vec<_>>();
        let covers = lid_depths(&lids, figures);
        let mut detail = vec![words.t(shape)];
        if compartments.len() > 1 {
            detail.push(words.f("{0} compartments", &[&compartments.len().to_string()]));
        }
        detail.extend(covers);
        (format!("{title} · {size}"), detail.join(", "))
    }

    fn history_line(&self, state: &SiteState, row: &HistoryRow) -> (String, String) {
        let (words, figures) = (self.session.words(), self.session.figures());
        let out: i64 = row.pumpings.iter().filter_map(|p| p.out_ml).sum();
        let what = if row.pumpings.iter().any(|p| p.pumped == Some(true)) {
            if out > 0 {
                words.f("pumped {0}", &[&figures.volume(Volume::from_whole_ml(out))])
            } else {
                words.t("pumped")
            }
        } else {
            words.t("not pumped")
        };
        let mut then = state.visit.clone();
        then.stop = row.stop.clone();
        then.readings.clone_from(&row.readings);
        let share = state.visit.tanks.first().and_then(|tank| {
            let rule_set = self.session.rule_set(&state.visit.site)?;
            let input = work_input(&then, &state.history, tank, self.session.setup());
            assess(&input, &rule_set, &[]).contents.fraction_volume
        });
        let mut detail = Vec::new();
        if let Some(share) = share {
            detail.push(words.f("{0} solids", &[&figures.percent(share)]));
        }
        for reading in row.readings.iter().take(1) {
            if let Some(scum) = reading.scum_mm {
                detail.push(words.f("scum {0}", &[&figures.length(scum)]));
            }
            if let Some(sludge) = reading.sludge_mm {
                detail.push(words.f("sludge {0}", &[&figures.length(sludge)]));
            }
        }
        if !row.stop.found_note.is_empty() {
            detail.push(row.stop.found_note.clone());
        }
        (format!("{} · {what}", figures.date(row.stop.day)), detail.join(" · "))
    }

    /// Works the site's date out again after its tanks were changed without a stop.
    pub(crate) fn refresh_due(&mut self, id: SiteId) {
        let read = self.session.ask(move |store| store.site(id));
        let Some(before) = self.try_book(read) else { return };
        let mut after = before.clone();
        // Without an earlier stop there is nothing to count from, and whatever stands stays.
        let Some(due) = self.due_of(&before) else { return };
        after.due_on = Some(due);
        let list = changes(std::slice::from_ref(&before), std::slice::from_ref(&after));
        self.session.keep(None, "site facts", false, list);
    }

    /// Opens the tank sheet on one of the site's tanks, without a stop.
    pub fn tap_site_tank(&mut self, index: usize) {
        let Some(state) = self.site.as_ref() else { return };
        let mut tanks = StopState::new(state.visit.clone(), state.history.clone());
        tanks.visit.stop.day = self.session.today();
        tanks.tank = index.min(tanks.visit.tanks.len().saturating_sub(1));
        self.stop = Some(tanks);
        self.assess_stop();
        self.go(Screen::Tank);
    }

    /// Adds a tank to the site and opens its sheet.
    pub fn tap_site_add_tank(&mut self) {
        self.tap_site_tank(0);
        self.tap_add_tank();
    }

    /// Opens an earlier stop of the site, newest first.
    pub fn tap_site_visit(&mut self, index: usize) {
        let stop = self
            .site
            .as_ref()
            .and_then(|state| state.history.iter().rev().nth(index))
            .map(|row| row.stop.id);
        if let Some(stop) = stop {
            let opened = self.open_stop(stop);
            self.try_book(opened);
        }
    }

    /// Begins a stop at the site shown: the one already on today's list, or a new one.
    pub fn tap_start_here(&mut self) {
        let Some(site) = self.site.as_ref().map(|site| site.visit.site.id) else {
            return;
        };
        let started = self.start_at(site);
        self.try_book(started);
    }

    /// Begins a stop at a site.
    ///
    /// # Errors
    /// [`StoreError`](crate::store::StoreError) when the book cannot be read.
    pub fn start_at(&mut self, site: SiteId) -> Result<(), crate::store::StoreError> {
        self.reload_day()?;
        let waiting = self
            .day
            .iter()
            .find(|row| row.stop.site == site && row.stop.finished_at.is_none());
        let stop = match waiting {
            Some(row) => row.stop.id,
            None => self.plan_stop(site)?,
        };
        self.begin_stop(stop)
    }

    /// Opens the form of the site shown.
    pub fn tap_edit_site(&mut self) {
        let Some(site) = self.site.as_ref().map(|site| site.visit.site.clone()) else {
            return;
        };
        self.form = Some(SiteForm {
            id: Some(site.id),
            name: site.name,
            address: site.address,
            note: site.note,
            town: site.town,
            customer: site.customer,
            phone: site.phone,
            permit: site
                .permit_on
                .map(|date| date.format("%Y-%m-%d").to_string())
                .unwrap_or_default(),
            latitude: site.lat_e7.map(degrees_text).unwrap_or_default(),
            longitude: site.lon_e7.map(degrees_text).unwrap_or_default(),
            language: site.language,
            residents_tenths: site.residents_tenths,
            grinder: site.grinder,
            rule_set: site.rule_set,
        });
        self.go(Screen::SiteEdit);
    }

    /// Opens the form of a new site.
    pub fn tap_new_site(&mut self) {
        self.form = Some(SiteForm {
            language: Some(self.session.setup().language),
            ..SiteForm::default()
        });
        self.go(Screen::SiteEdit);
    }

    /// Returns what the form shows.
    #[must_use]
    pub fn site_form_view(&self) -> SiteFormView {
        let Some(form) = self.form.as_ref() else {
            return SiteFormView::default();
        };
        let (words, figures) = (self.session.words(), self.session.figures());
        let plain = |text: &str| Field {
            text: text.to_owned(),
            verdict: if text.trim().is_empty() {
                Verdict::Empty
            } else {
                Verdict::Ok
            },
            message: String::new(),
        };
        let checked = |text: &str, error: Option<crate::say::figures::TypedError>| match error {
            Some(error) if !text.trim().is_empty() => Field {
                text: text.to_owned(),
                verdict: Verdict::Invalid,
                message: figures.explain(error),
            },
            _ => plain(text),
        };
        let degrees = |text: &str, limit: f64, sentence: &str| {
            let mut field = checked(text, parse_degrees_e7(text, limit).err());
            if field.verdict == Verdict::Invalid {
                field.message = words.t(sentence);
            }
            field
        };
        let latitude = degrees(
            &form.latitude,
            90.0,
            "A latitude lies between -90 and 90 degrees. Check the digits.",
        );
        let longitude = degrees(
            &form.longitude,
            180.0,
            "A longitude lies between -180 and 180 degrees. Check the digits.",
        );
        let permit = checked(&form.permit, parse_date(&form.permit).err());
        let mut name = plain(&form.name);
        if name.verdict == Verdict::Empty {
            name.message = words.t("Give the place a name: the street will do.");
        }
        let bad = [&latitude, &longitude, &permit]
            .iter()
            .any(|field| field.verdict == Verdict::Invalid);
        let half = latitude.verdict != longitude.verdict && !bad;
        let message = if name.verdict == Verdict::Empty {
            name.message.clone()
        } else if bad {
            words.t("One field cannot be used yet; its line says why.")
        } else if half {
            words.t("A position needs both latitude and longitude.")
        } else {
            String::new()
        };
        SiteFormView {
            is_new: form.id.is_none(),
            name,
            address: plain(&form.address),
            note: plain(&form.note),
            town: plain(&form.town),
            customer: plain(&form.customer),
            phone: plain(&form.phone),
            permit,
            latitude,
            longitude,
            language: form.language.unwrap_or(self.session.setup().language),
            residents: FigureView {
                name: words.t("People living here"),
                value: form
                    .residents_tenths
                    .map_or_else(|| "–".to_owned(), |tenths| figures.people_value(tenths)),
                unit: String::new(),
                verdict: if form.residents_tenths.is_some() {
                    Verdict::Ok
                } else {
                    Verdict::Empty
                },
                message: String::new(),
            },
            grinder: form.grinder.into(),
            rule_set: self
                .session
                .rule_set_named(&form.rule_set)
                .map_or_else(|| words.t("The company's usual rule set"), |set| words.rule_set(set)),
            can_keep: message.is_empty(),
            message,
        }
    }

    /// A field of the form has changed; the text stays as typed, whatever it is.
    pub fn edit_site_field(&mut self, field: SiteField, text: &str) {
        let Some(form) = self.form.as_mut() else { return };
        let slot = match field {
            SiteField::Name => &mut form.name,
            SiteField::Address => &mut form.address,
            SiteField::Note => &mut form.note,
            SiteField::Town => &mut form.town,
            SiteField::Customer => &mut form.customer,
            SiteField::Phone => &mut form.phone,
            SiteField::PermitDate => &mut form.permit,
            SiteField::Latitude => &mut form.latitude,
            SiteField::Longitude => &mut form.longitude,
        };
        text.clone_into(slot);
    }

    /// The customer's language.
    pub fn choose_site_language(&mut self, language: Language) {
        if let Some(form) = self.form.as_mut() {
            form.language = Some(language);
        }
    }

    /// One person more or less.
    pub fn nudge_form_residents(&mut self, steps: i32) {
        if let Some(form) = self.form.as_mut() {
            form.residents_tenths = Some(
                form.residents_tenths
                    .map_or(30, |tenths| (tenths + i64::from(steps) * 10).clamp(0, 10_000)),
            );
        }
    }

    /// Opens the number pad on the people.
    pub fn pad_form_residents(&mut self) {
        self.open_pad(
            PadTarget::FormResidents,
            PadKind::People,
            "People living here",
            String::new(),
        );
    }

    pub(crate) fn set_form_residents(&mut self, tenths: i64) {
        if let Some(form) = self.form.as_mut() {
            form.residents_tenths = Some(tenths);
        }
    }

    /// Grinder or not.
    pub fn tap_form_grinder(&mut self, answer: Answer) {
        if let Some(form) = self.form.as_mut() {
            form.grinder = answer.tapped_on(form.grinder);
        }
    }

    /// Opens the list of rule sets for this site.
    pub fn tap_form_rule_set(&mut self) {
        let Some(form) = self.form.as_ref() else { return };
        let words = self.session.words();
        let mut rows = vec![(words.t("The company's usual rule set"), String::new())];
        rows.extend(
            self.session
                .rules()
                .iter()
                .map(|set| (words.rule_set(set), words.rule_place(set))),
        );
        let selected = self
            .session
            .rules()
            .iter()
            .position(|set| set.id == form.rule_set)
            .map_or(0, |at| at + 1);
        self.picker = Some(Picker {
            target: PickerTarget::SiteRuleSet,
            title: words.t("Rule set"),
            rows,
            selected: Some(selected),
        });
    }

    /// Keeps the form.
    pub fn keep_site_form(&mut self) {
        if !self.site_form_view().can_keep {
            return;
        }
        let Some(form) = self.form.take() else { return };
        let before = match form.id {
            Some(id) => {
                let read = self.session.ask(move |store| store.site(id));
                match self.try_book(read) {
                    Some(site) => Some(site),
                    None => return,
                }
            }
            None => None,
        };
        let mut site = before.clone().unwrap_or_else(|| Site {
            id: SiteId(self.session.new_id()),
            ..Site::default()
        });
        form.name.trim().clone_into(&mut site.name);
        form.address.trim().clone_into(&mut site.address);
        form.note.trim().clone_into(&mut site.note);
        form.town.trim().clone_into(&mut site.town);
        form.customer.trim().clone_into(&mut site.customer);
        form.phone.trim().clone_into(&mut site.phone);
        site.permit_on = parse_date(&form.permit).ok();
        site.lat_e7 = parse_degrees_e7(&form.latitude, 90.0).ok();
        site.lon_e7 = parse_degrees_e7(&form.longitude, 180.0).ok();
        site.language = form.language;
        site.residents_tenths = form.residents_tenths;
        site.grinder = form.grinder;
        site.rule_set = form.rule_set;
        let id = site.id;
        match before {
            None => {
                let added = self.add_site(site, true);
                self.try_book(added);
            }
            Some(before) => {
                site.due_on = self.due_of(&site);
                let list = changes(std::slice::from_ref(&before), std::slice::from_ref(&site));
                self.session.keep(None, "site facts", false, list);
            }
        }
        // The form was opened from the book, or from the page it now goes back to.
        self.back.pop();
        if self.back.last() == Some(&Screen::Site) {
            self.back.pop();
        }
        self.open_site(id);
        self.back.retain(|screen| *screen != Screen::SiteEdit);
    }

    /// The earliest due date over a site's tanks with its facts as given, counted from its last finished stop.
    fn due_of(&self, site: &Site) -> Option<chrono::NaiveDate> {
        let id = site.id;
        let (mut visit, history) = self
            .session
            .ask(move |store| Ok((store.site_whole(id)?, store.history(id)?)))
            .ok()?;
        let last = history.last()?.clone();
        visit.site = site.clone();
        visit.stop = last.stop;
        visit.readings = last.readings;
        visit.pumpings = last.pumpings;
        let rule_set = self.session.rule_set(site)?;
        visit
            .tanks
            .iter()
            .filter_map(|tank| {
                let input = work_input(&visit, &history, tank, self.session.setup());
                assess(&input, &rule_set, &[]).forecast.dates.map(|dates| dates.due)
            })
            .min()
    }

    /// Leaves the form; what was typed is dropped, what was kept stays.
    pub fn cancel_site_form(&mut self) {
        self.form = None;
        self.back();
    }
}

/// The name of a shape, as a message id.
#[must_use]
pub const fn shape_name(shape: ShapeKind) -> &'static str {
    match shape {
        ShapeKind::Box => "box",
        ShapeKind::UprightCylinder => "upright cylinder",
        ShapeKind::LevelCylinder => "level cylinder",
        ShapeKind::ObroundPlan => "obround from above",
        ShapeKind::ObroundSection => "obround from the end",
        ShapeKind::EllipseSection => "ellipse from the end",
        ShapeKind::DipTable => "dip table",
        ShapeKind::Nominal => "capacity only",
    }
}

fn joined(parts: &[&str], by: &str) -> String {
    parts
        .iter()
        .filter(|part| !part.is_empty())
        .copied()
        .collect::<Vec<_>>()
        .join(by)
}
