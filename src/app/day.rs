//! Day: today's stops, and what is on the truck.

use crate::app::book::miles_text;
use crate::app::overlay::{Picker, PickerTarget};
use crate::app::pump::ratio;
use crate::app::shell::{App, Screen};
use crate::app::stop::add_tank;
use crate::app::truck::{read_truck, waiting};
use crate::domain::ledger::Fit;
use crate::domain::record::{Site, SiteId, StopId, Visit};
use crate::domain::units::Volume;
use crate::say::hauled::volume_of;
use crate::store::StoreError;

/// How far a stop has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StopProgress {
    /// Not begun.
    Waiting,
    /// Begun.
    Open,
    /// Finished.
    Done,
}

/// One row of the day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayLine {
    /// The stop.
    pub id: StopId,
    /// The site.
    pub title: String,
    /// What is known.
    pub detail: String,
    /// Distance from the stop before it.
    pub right: String,
    /// That its tank will not fit on the truck.
    pub warning: String,
    /// How far it has come.
    pub progress: StopProgress,
    /// How much of its record is filled, in quarters.
    pub quarters: i32,
}

/// What Day shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DayView {
    /// The date.
    pub date: String,
    /// How many stops, how many done.
    pub counts: String,
    /// What is on board.
    pub load_text: String,
    /// What still fits.
    pub room_text: String,
    /// On board over capacity.
    pub load_ratio: f64,
    /// More on board than the truck holds.
    pub load_over: bool,
    /// The stops.
    pub stops: Vec<DayLine>,
}

impl App {
    /// Reads the day and the truck again.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn reload_day(&mut self) -> Result<(), StoreError> {
        let today = self.session.today();
        let asked = self.truck_asked();
        let (day, truck, files) = self.session.ask(move |store| {
            store.at_one_moment(|store| {
                let day = store.day(today)?;
                let truck = asked
                    .map(|asked| read_truck(store, asked, &waiting(&day)))
                    .transpose()?;
                Ok((day, truck, store.files_made()?))
            })
        })?;
        self.day = day;
        if let Some(truck) = truck {
            self.take_truck(truck);
        }
        self.take_day_files(files);
        Ok(())
    }

    /// Returns what Day shows.
    #[must_use]
    pub fn day_view(&self) -> DayView {
        let (words, figures) = (self.session.words(), self.session.figures());
        let done = self.day.iter().filter(|row| row.stop.finished_at.is_some()).count();
        let ledger = self.truck.rows.ledger(None);
        let on_board = volume_of(ledger.on_board_ml());
        let capacity = volume_of(ledger.capacity_ml());
        let coming = self
            .day
            .iter()
            .map(|row| self.truck.coming.get(&row.stop.id).copied().flatten())
            .collect::<Vec<_>>();
        let fits = ledger.plan(&coming);
        let room = Volume::from_litres((capacity - on_board).as_litres().max(0.0));
        let over = on_board.as_litres() > capacity.as_litres();
        let mut before = None;
        let stops = self
            .day
            .iter()
            .zip(fits)
            .map(|(row, fit)| {
                let right = before
                    .zip(row.position_e7)
                    .map(|(from, to)| miles_text(from, to, figures))
                    .unwrap_or_default();
                before = row.position_e7.or(before);
                let progress = match (row.stop.started_at, row.stop.finished_at) {
                    (_, Some(_)) => StopProgress::Done,
                    (Some(_), None) => StopProgress::Open,
                    (None, None) => StopProgress::Waiting,
                };
                let detail = match (progress, row.due_on) {
                    (StopProgress::Done, Some(due)) => words.f("done · next by {0}", &[&figures.month(due)]),
                    (StopProgress::Done, None) => words.t("done · no date"),
                    (StopProgress::Open, _) => words.f("begun, at {0}", &[&words.t(station_name(row.stop.station))]),
                    (StopProgress::Waiting, _) if row.earlier == 0 => words.t("first visit · tank not located"),
                    (StopProgress::Waiting, Some(due)) => words.f("due {0}", &[&figures.month(due)]),
                    (StopProgress::Waiting, None) => words.n(
                        "{0} visit before",
                        "{0} visits before",
                        usize::try_from(row.earlier).unwrap_or(0),
                    ),
                };
                DayLine {
                    id: row.stop.id,
                    title: row.site_name.clone(),
                    detail,
                    right,
                    warning: match fit {
                        Some(Fit::TooMuch { lacking_ml }) if capacity.as_litres() > 0.0 => words.f(
                            "Will not fit: {0} too much. Empty the truck first.",
                            &[&figures.volume(volume_of(lacking_ml))],
                        ),
                        Some(Fit::OverTwo { tanks, .. }) => {
                            let [first, second] = tanks.map(|tank| self.truck_tank_name(tank));
                            words.f("It fits only into {0} and {1} together.", &[&first, &second])
                        }
                        _ => String::new(),
                    },
                    progress,
                    quarters: match progress {
                        StopProgress::Waiting => 0,
                        StopProgress::Done => 4,
                        StopProgress::Open => station_quarters(row.stop.station),
                    },
                }
            })
            .collect::<Vec<_>>();
        DayView {
            date: figures.weekday(self.session.today()),
            counts: [
                Some(words.n("{0} stop", "{0} stops", self.day.len())),
                Some(words.f("{0} done", &[&done.to_string()])),
                self.day_file_text(),
            ]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(" · "),
            load_text: words.f("{0} on board", &[&figures.volume(on_board)]),
            room_text: if over {
                words.t("over what it holds")
            } else {
                words.f("room for {0}", &[&figures.volume(room)])
            },
            load_ratio: ratio(on_board, capacity).min(1.0),
            load_over: over,
            stops,
        }
    }

    /// Opens a stop of the day, beginning it when the truck has just arrived.
    pub fn tap_stop(&mut self, index: usize) {
        let Some(id) = self.day.get(index).map(|row| row.stop.id) else {
            return;
        };
        let begun = self.begin_stop(id);
        self.try_book(begun);
    }

    /// Asks where the stop begins: at a place with no record, or at one in the book.
    pub fn tap_start(&mut self) {
        let words = self.session.words();
        self.picker = Some(Picker {
            target: PickerTarget::Start,
            title: words.t("Start a stop"),
            rows: vec![
                (
                    words.t("A place with no record"),
                    words.t("Begins at Find; the name can be typed later."),
                ),
                (
                    words.t("A site in the book"),
                    words.t("Search by name, street or customer."),
                ),
                (
                    words.t("Take in a plan"),
                    words.t("The office's stops for a day, in driving order."),
                ),
            ],
            selected: None,
        });
    }

    pub(crate) fn start_chosen(&mut self, index: usize) {
        match index {
            0 => {
                let started = self.start_at_new_place();
                self.try_book(started);
            }
            1 => self.go(Screen::Book),
            _ => self.tap_plans(),
        }
    }

    /// Begins a stop at a place nothing is known of, with nothing typed.
    fn start_at_new_place(&mut self) -> Result<(), StoreError> {
        let words = self.session.words();
        let name = words.f("New place {0}", &[&self.session.now().format("%H:%M").to_string()]);
        let site = Site {
            id: SiteId(self.session.new_id()),
            name,
            ..Site::default()
        };
        let id = site.id;
        self.add_site(site, true)?;
        let stop = self.plan_stop(id)?;
        self.begin_stop(stop)
    }

    /// Puts a new site into the book, with a tank still to be measured when asked for.
    ///
    /// # Errors
    /// [`StoreError`] when the book cannot be read.
    pub fn add_site(&mut self, site: Site, with_tank: bool) -> Result<SiteId, StoreError> {
        let id = site.id;
        let mut after = Visit {
            site,
            ..Visit::default()
        };
        if with_tank {
            let session = &self.session;
            let mut new_id = || session.new_id();
            add_tank(&mut after, &mut new_id);
        }
        let mut list = crate::domain::record::changes(&[], std::slice::from_ref(&after.site));
        list.extend(crate::domain::record::changes(&[], &after.tanks));
        list.extend(crate::domain::record::changes(&[], &after.compartments));
        list.extend(crate::domain::record::changes(&[], &after.lids));
        self.session.keep(None, "new site", false, list);
        // On these screens the list is put away, and read when it is next looked at.
        if !matches!(self.screen, Screen::Day | Screen::At(_)) {
            self.reload_book()?;
        }
        Ok(id)
    }
}

/// The name of a station, as a message id.
#[must_use]
pub const fn station_name(station: crate::domain::record::Station) -> &'static str {
    use crate::domain::record::Station;
    match station {
        Station::Find => "Find",
        Station::Dig => "Dig",
        Station::Read => "Read",
        Station::Pump => "Pump",
        Station::Leave => "Leave",
    }
}

const fn station_quarters(station: crate::domain::record::Station) -> i32 {
    use crate::domain::record::Station;
    match station {
        Station::Find | Station::Dig => 1,
        Station::Read => 2,
        Station::Pump | Station::Leave => 3,
    }
}
