//! `plan`: a day's stops in driving order, as a file the phones take in.

use super::area::point;
use super::context::{Call, Office, SiteNames};
use super::files::FileToBe;
use super::options::{self, METRES_PER_MILE};
use super::sheet::{Cell, Sheet};
use super::{Answer, Refusal};
use super::{due, site};
use crate::domain::record::{SiteId, Stop, Units, Visit};
use crate::domain::route::{Course, Day, Job};
use crate::domain::units::{Volume, round_to_i64};
use crate::exchange::customer_list::folded;
use crate::exchange::planfile::{self, Place, PlanFile, PlanFileError, PlannedStop, PlannedTrip, Window};
use crate::exchange::table::unguarded;
use crate::say::words::Words;
use crate::store::DayRow;
use chrono::{Days, NaiveDate};
use geo::{Distance, Geodesic};
use std::collections::HashSet;
use std::path::PathBuf;

/// What is expected of a tank whose size nobody knows, US gallons; common practice: the smallest size widely sold.
const UNKNOWN_GALLONS: f64 = 1_000.0;

/// What was asked of `plan`.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// Sites, by id or name.
    pub sites: Vec<String>,
    /// A list of them: one name or id a line, or CSV with a column `site_id` or `name`, and perhaps `window`.
    pub list: Option<PathBuf>,
    /// Who is due in this month, too.
    pub due_month: Option<String>,
    /// The day; tomorrow when not given.
    pub day: Option<String>,
    /// The truck.
    pub truck: String,
    /// Where the day begins.
    pub start: Option<String>,
    /// Where it ends; where it begins when not given.
    pub end: Option<String>,
    /// What the truck holds.
    pub capacity: Option<String>,
    /// What is on board in the morning.
    pub on_board: Option<String>,
    /// Disposal places, `NAME@LATITUDE,LONGITUDE`.
    pub disposals: Vec<String>,
    /// Time windows, `SITE=HH:MM-HH:MM`.
    pub windows: Vec<String>,
    /// When the truck leaves, `HH:MM`.
    pub depart: Option<String>,
    /// Minutes at a stop.
    pub service_min: Option<u32>,
    /// Minutes at a disposal place.
    pub disposal_min: Option<u32>,
    /// Speed along the straight line, miles or kilometres an hour.
    pub speed: Option<f64>,
    /// Leave the order as entered.
    pub as_entered: bool,
    /// What becomes of what an earlier plan for this truck has put there and this one leaves out.
    pub earlier: Earlier,
    /// The plan file.
    pub out: Option<PathBuf>,
    /// Leave the office's own book as it is.
    pub dry_run: bool,
    /// Say only what is wrong with the plan.
    pub quiet: bool,
}

/// What becomes of the stops of an earlier plan that the new one leaves out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Earlier {
    /// They stay on the day, and are named.
    #[default]
    Stays,
    /// They are taken off the day, unless they were begun.
    GoesOff,
}

/// One stop to be planned.
struct Wanted {
    id: SiteId,
    visit: Visit,
    expected_ml: i64,
    is_guess: bool,
    window: Option<(i64, i64)>,
}

/// Makes the plan of a day.
///
/// # Errors
/// What was refused, and what to do.
pub fn run(call: &Call, asked: &Asked) -> Result<Answer, Refusal> {
    if asked.dry_run {
        call.on_book(|office| made(office, asked))
    } else {
        call.on_book_to_write(|office| made(office, asked))
    }
}

fn made(office: &mut Office, asked: &Asked) -> Result<Answer, Refusal> {
    let words = office.words();
    let asked = &Asked {
        truck: own_name(office, &asked.truck)?,
        ..asked.clone()
    };
    let day = match &asked.day {
        Some(text) => options::day(text, words)?,
        None => office
            .today()
            .checked_add_days(Days::new(1))
            .unwrap_or_else(|| office.today()),
    };
    if day < office.today() {
        return Err(Refusal::input(
            words.f("{0} is past.", &[&office.figures.date(day)]),
            words.t("Give today or a coming day with --day YYYY-MM-DD."),
        ));
    }
    let (wanted, twice) = wanted(office, asked, day)?;
    let standing = Standing::read(office, asked, day, &wanted)?;
    // A day can be emptied: by naming nobody, and not by a list that happens to be empty.
    let instead = asked.earlier == Earlier::GoesOff;
    let empties = instead && asked.sites.is_empty() && asked.list.is_none() && asked.due_month.is_none();
    if empties && standing.left.is_empty() {
        return Err(Refusal::refused(
            words.t("No stop that could be taken off stands on this day for this truck."),
            words.t("Name the day and the truck as they were planned, with --day and --truck."),
        ));
    }
    if wanted.is_empty() && !empties {
        return Err(Refusal::refused(
            words.t("No site was given: there is nothing to plan."),
            words.t("Name sites, or give a list with --list, or a month with --due."),
        ));
    }
    if wanted.len() > planfile::MOST_STOPS {
        return Err(Refusal::refused(
            words.f(
                "{0} stops are more than a plan holds ({1}).",
                &[&wanted.len().to_string(), &planfile::MOST_STOPS.to_string()],
            ),
            words.t("Plan fewer, or several days."),
        ));
    }
    let route = Route::new(office, asked, &wanted)?;
    let plan = plan_file(office, asked, day, &wanted, &route)?;
    // What cannot be written is found out before the book is changed.
    let out = match &asked.out {
        Some(path) => Some(FileToBe::write(
            path,
            planfile::write(&plan).as_bytes(),
            &office.kept,
            words,
        )?),
        None => None,
    };
    if !asked.dry_run {
        let off = if instead { standing.stops() } else { Vec::new() };
        planfile::make(
            &mut office.store,
            &PlanFile {
                records: Vec::new(),
                ..plan.clone()
            },
            office.now,
            &off,
        )
        .map_err(|error| match error {
            PlanFileError::Book(error) => office.refuse(&error),
            other => Refusal::refused(other.to_string(), words.t("Correct it and run it again.")),
        })?;
    }
    if let Some(out) = out {
        out.put(words)?;
    }
    let mut wrong = wrong(office, &wanted, &route, twice);
    wrong.extend(standing.wrong(office, instead));
    if office.json {
        // The plan goes into a file or a program; who asked for it learns what is wrong with it all the same.
        return Ok(Answer {
            text: planfile::write(&plan),
            aside: wrong,
            ..Answer::default()
        });
    }
    // Where nothing else comes of it, the plan itself is what was asked for.
    let hush = asked.quiet && !(asked.dry_run && asked.out.is_none());
    let mut said = if hush {
        Vec::new()
    } else {
        report(office, day, &wanted, &route)
    };
    if instead {
        said.extend(standing.taken_off(asked.dry_run, words).filter(|_| !hush));
    }
    said.extend(wrong);
    if let Some(path) = asked.out.as_ref().filter(|_| !hush) {
        said.push(words.f("Written: {0}", &[&path.display().to_string()]));
    }
    Ok(said.join("\n").into())
}

/// The truck's name as the book has it, whatever its capital letters here: each name has a plan of its own.
fn own_name(office: &Office, truck: &str) -> Result<String, Refusal> {
    let trucks = office.store.trucks().map_err(|error| office.refuse(&error))?;
    let wanted = folded(truck);
    let own = trucks
        .into_iter()
        .map(|(truck, _)| truck.name.trim().to_owned())
        .find(|name| !wanted.is_empty() && folded(name) == wanted);
    Ok(own.unwrap_or_else(|| truck.trim().to_owned()))
}

/// What stands in the book besides the plan and has to do with it.
struct Standing {
    /// On this day for this truck, not begun, and not in the plan: the stop, with the names of its place and customer.
    left: Vec<(DayRow, String)>,
    /// On this day under another plan, by name.
    other_plan: Vec<String>,
    /// In the plan, and on another coming day: by name, with the day.
    other_day: Vec<(String, NaiveDate)>,
}

impl Standing {
    fn read(office: &Office, asked: &Asked, day: NaiveDate, wanted: &[Wanted]) -> Result<Self, Refusal> {
        let refuse = |error| office.refuse(&error);
        let plan = planfile::plan_id(day, &asked.truck);
        let sites = wanted.iter().map(|each| each.id).collect::<Vec<_>>();
        let mut left = Vec::new();
        for row in planfile::left_standing(&office.store, day, plan, &sites).map_err(refuse)? {
            let site = office.store.site(row.stop.site).map_err(refuse)?;
            let named = if site.customer.is_empty() {
                site.name
            } else {
                format!("{} ({})", site.name, site.customer)
            };
            left.push((row, named));
        }
        let (mut other_plan, mut other_day) = (Vec::new(), Vec::new());
        for each in wanted {
            let name = &each.visit.site.name;
            let mut stops = office.store.stops_of(each.id).map_err(refuse)?;
            stops.retain(|stop| !stop.removed && stop.finished_at.is_none() && stop.day >= office.today());
            let (same, others): (Vec<_>, Vec<_>) = stops.into_iter().partition(|stop| stop.day == day);
            if same.iter().any(|stop| stop.id != planfile::stop_id(plan, each.id)) {
                other_plan.push(name.clone());
            }
            other_day.extend(others.iter().map(|stop| (name.clone(), stop.day)));
        }
        Ok(Self {
            left,
            other_plan,
            other_day,
        })
    }

    fn stops(&self) -> Vec<Stop> {
        self.left.iter().map(|(row, _)| row.stop.clone()).collect()
    }

    fn left_names(&self) -> String {
        self.left
            .iter()
            .map(|(_, name)| name.as_str())
            .collect::<Vec<_>>()
            .join(", ")
    }

    /// What was taken off the day; nothing when nothing was.
    fn taken_off(&self, dry_run: bool, words: Words) -> Option<String> {
        let names = self.left_names();
        (!self.left.is_empty()).then(|| {
            if dry_run {
                words.f("Would be taken off this day: {0}.", &[&names])
            } else {
                words.f(
                    "Taken off this day: {0}. A phone that has taken in an earlier plan still shows them: tell its crew.",
                    &[&names],
                )
            }
        })
    }

    fn wrong(&self, office: &Office, instead: bool) -> Vec<String> {
        let words = office.words();
        let mut lines = Vec::new();
        if !(instead || self.left.is_empty()) {
            lines.push(words.f(
                "On this day for this truck already, and not in this plan: {0}. Run it again with --instead to take them off the day, or name them too.",
                &[&self.left_names()],
            ));
        }
        if !self.other_plan.is_empty() {
            lines.push(words.f(
                "On this day already, in the plan of another truck or put there by hand: {0}. Take the stop off there first with --instead, or leave it out here.",
                &[&self.other_plan.join(", ")],
            ));
        }
        if !self.other_day.is_empty() {
            let named = self
                .other_day
                .iter()
                .map(|(name, day)| format!("{name} ({})", office.figures.date(*day)))
                .collect::<Vec<_>>();
            lines.push(words.f(
                "On another coming day as well: {0}. To take a stop off a day, plan that day again without it and with --instead.",
                &[&named.join(", ")],
            ));
        }
        lines
    }
}

/// Gathers the sites asked for, each once.
fn wanted(office: &Office, asked: &Asked, day: NaiveDate) -> Result<(Vec<Wanted>, usize), Refusal> {
    let words = office.words();
    let mut named = asked.sites.iter().map(|site| (site.clone(), None)).collect::<Vec<_>>();
    if let Some(path) = &asked.list {
        named.extend(listed(office, path)?);
    }
    let mut ids = Vec::new();
    let sites = SiteNames::read(office)?;
    for (name, window) in named {
        let window = window.map(|text: String| hours(&text, words)).transpose()?;
        ids.push((sites.meant(&name, words)?, window));
    }
    if let Some(month) = &asked.due_month {
        let who = due::Asked {
            month: Some(month.clone()),
            ..due::Asked::default()
        };
        // Who stands on this very day belongs to it: a plan can be made anew.
        let rows = due::rows(office, &who)?.0.into_iter();
        let free = rows.filter(|row| row.planned_for.is_none_or(|planned| planned == day));
        ids.extend(free.map(|row| (row.id, None)));
        if ids.is_empty() {
            return Err(Refusal::refused(
                words.f(
                    "Nobody due in {0} is without a day: there is nothing to plan.",
                    &[month],
                ),
                words.t("Name sites, or give a list with --list, or another month with --due."),
            ));
        }
    }
    for text in &asked.windows {
        let (name, range) = text.rsplit_once('=').ok_or_else(|| bad_window(text, words))?;
        let (id, range) = (sites.meant(name, words)?, hours(range, words)?);
        let Some(entry) = ids.iter_mut().find(|(own, _)| *own == id) else {
            return Err(Refusal::input(
                words.f("A window is given for {0}, which is not in the plan.", &[name]),
                words.t("Add the site, or leave the window out."),
            ));
        };
        entry.1 = Some(range);
    }
    let mut seen = HashSet::new();
    let count = ids.len();
    ids.retain(|(id, _)| seen.insert(*id));
    let twice = count - ids.len();
    let list = ids
        .into_iter()
        .map(|(id, window)| {
            let visit = office.store.site_whole(id).map_err(|error| office.refuse(&error))?;
            let (expected_ml, is_guess) = expected(&visit);
            Ok(Wanted {
                id,
                visit,
                expected_ml,
                is_guess,
                window,
            })
        })
        .collect::<Result<Vec<_>, Refusal>>()?;
    Ok((list, twice))
}

/// What is expected to come out of a site: every tank full, and whether a size had to be guessed.
fn expected(visit: &Visit) -> (i64, bool) {
    let sizes = visit
        .tanks
        .iter()
        .map(|tank| site::capacity(visit, tank))
        .collect::<Vec<_>>();
    let is_guess = sizes.is_empty() || sizes.iter().any(Option::is_none);
    let unknown = Volume::from_us_gallons(UNKNOWN_GALLONS);
    let total: Volume = if sizes.is_empty() {
        unknown
    } else {
        sizes.into_iter().map(|size| size.unwrap_or(unknown)).sum()
    };
    (total.as_whole_ml().unwrap_or(0), is_guess)
}

/// Reads a list: CSV with a head `site_id` or `name`, or one site a line.
fn listed(office: &Office, path: &std::path::Path) -> Result<Vec<(String, Option<String>)>, Refusal> {
    let words = office.words();
    let bytes = office.kept.read(path, &mut std::io::stdin().lock(), words)?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Refusal::refused(
            words.f("{0} is not UTF-8 text.", &[&path.display().to_string()]),
            words.t("Save it as UTF-8 and try again."),
        )
    })?;
    let text = text.trim_start_matches('\u{feff}');
    let first = text.lines().next().unwrap_or_default();
    let delimiter = if first.matches(';').count() > first.matches(',').count() {
        b';'
    } else {
        b','
    };
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .flexible(true)
        .has_headers(false)
        .from_reader(text.as_bytes());
    let records = reader.records().filter_map(Result::ok).collect::<Vec<_>>();
    let head = |names: &[&str]| {
        records.first().and_then(|record| {
            names
                .iter()
                .find_map(|name| record.iter().position(|cell| cell.trim().to_lowercase() == *name))
        })
    };
    let (site, window) = (
        head(&["site_id", "id"]).or_else(|| head(&["name", "site", "nombre", "sitio"])),
        head(&["window"]),
    );
    let Some(site) = site else {
        // No heads: each line is a name, commas and all.
        return Ok(text
            .lines()
            .map(str::trim)
            .filter(|line| !line.is_empty())
            .map(|line| (line.to_owned(), None))
            .collect());
    };
    Ok(records
        .iter()
        .skip(1)
        .filter_map(|record| {
            let name = unguarded(record.get(site)?).trim().to_owned();
            let window = window
                .and_then(|index| record.get(index))
                .map(str::trim)
                .filter(|text| !text.is_empty());
            (!name.is_empty()).then(|| (name, window.map(str::to_owned)))
        })
        .collect())
}

fn bad_window(text: &str, words: Words) -> Refusal {
    Refusal::input(
        words.f("\"{0}\" is not a time window.", &[text]),
        words.t("Write it as SITE=08:00-12:00."),
    )
}

/// Reads a time of the day as minutes.
fn clock(text: &str, words: Words) -> Result<i64, Refusal> {
    text.trim()
        .split_once(':')
        .and_then(|(hour, minute)| {
            let (hour, minute) = (hour.parse::<i64>().ok()?, minute.parse::<i64>().ok()?);
            ((0..24).contains(&hour) && (0..60).contains(&minute)).then_some(hour * 60 + minute)
        })
        .ok_or_else(|| {
            Refusal::input(
                words.f("\"{0}\" is not a time of the day.", &[text]),
                words.t("Write it as HH:MM, for example 07:30."),
            )
        })
}

fn hours(text: &str, words: Words) -> Result<(i64, i64), Refusal> {
    let (from, to) = text.split_once(['-', '–']).ok_or_else(|| bad_window(text, words))?;
    let (from, to) = (clock(from, words)?, clock(to, words)?);
    if from > to {
        return Err(Refusal::input(
            words.f("The time window {0} ends before it begins.", &[text.trim()]),
            words.t("Write it as SITE=08:00-12:00."),
        ));
    }
    Ok((from, to))
}

/// Minutes of a day.
const DAY_MIN: i64 = 24 * 60;

/// A time as it stands in a plan file: past midnight the hours count on, to 99:59.
fn clock_text(minute: f64) -> String {
    let minute = round_to_i64(minute).unwrap_or(0).clamp(0, 99 * 60 + 59);
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// A time as a person reads it; the day after and those that follow are said.
fn arrival_text(minute: f64, words: Words) -> String {
    let whole = round_to_i64(minute).unwrap_or(i64::MAX).max(0);
    let (days, rest) = (whole / DAY_MIN, whole % DAY_MIN);
    let time = format!("{:02}:{:02}", rest / 60, rest % 60);
    match days {
        0 => time,
        1 => words.f("{0} the next day", &[&time]),
        days => words.f("{0}, {1} days later", &[&time, &days.to_string()]),
    }
}

/// What the truck holds, as asked, else as set up; `None` when nobody knows.
fn capacity_ml(office: &Office, asked: &Asked) -> Result<Option<i64>, Refusal> {
    let words = office.words();
    let Some(text) = &asked.capacity else {
        return Ok(Some(office.setup.truck_ml).filter(|ml| *ml > 0));
    };
    match options::volume_ml(text, office.figures)? {
        0 => Err(Refusal::input(
            words.t("A truck that holds nothing takes nothing in."),
            words.t("Give what it holds, for example --capacity 2500gal."),
        )),
        ml => Ok(Some(ml)),
    }
}

/// The way through the day.
struct Route {
    /// Which of the wanted sites can be driven to, in the order entered.
    located: Vec<usize>,
    /// Those that cannot.
    unlocated: Vec<usize>,
    start: Option<(i64, i64)>,
    end: Option<(i64, i64)>,
    disposals: Vec<(String, (i64, i64))>,
    entered: Course,
    chosen: Course,
}

impl Route {
    fn new(office: &Office, asked: &Asked, wanted: &[Wanted]) -> Result<Self, Refusal> {
        let (words, figures) = (office.words(), office.figures);
        let position = |wanted: &Wanted| wanted.visit.site.lat_e7.zip(wanted.visit.site.lon_e7);
        let (located, unlocated): (Vec<_>, Vec<_>) =
            (0..wanted.len()).partition(|index| wanted.get(*index).is_some_and(|w| position(w).is_some()));
        let start = asked
            .start
            .as_deref()
            .map(|text| options::place(text, words))
            .transpose()?;
        let end = asked
            .end
            .as_deref()
            .map(|text| options::place(text, words))
            .transpose()?
            .or(start);
        let disposals = asked
            .disposals
            .iter()
            .map(|text| {
                let (name, place) = text.rsplit_once('@').unwrap_or(("", text));
                Ok((name.trim().to_owned(), options::place(place, words)?))
            })
            .collect::<Result<Vec<_>, Refusal>>()?;
        let capacity_ml = capacity_ml(office, asked)?;
        let on_board_ml = asked
            .on_board
            .as_deref()
            .map_or(Ok(0), |text| options::volume_ml(text, figures))?;
        let depart = asked.depart.as_deref().map_or(Ok(8 * 60), |text| clock(text, words))?;
        let speed = asked
            .speed
            .unwrap_or(if figures.units == Units::Metric { 40.0 } else { 25.0 });
        if !(speed.is_finite() && speed > 0.0) {
            return Err(Refusal::input(
                words.t("A truck that does not move gets nowhere."),
                words.t("Give a speed above zero."),
            ));
        }
        let unit_m = if figures.units == Units::Metric {
            1_000.0
        } else {
            METRES_PER_MILE
        };
        // Without a start or an end the way to it costs nothing: the place stands for itself.
        let mut places = vec![start];
        places.extend(located.iter().filter_map(|index| wanted.get(*index)).map(position));
        places.push(end);
        places.extend(disposals.iter().map(|(_, at)| Some(*at)));
        let mut metres = vec![vec![0.0; places.len()]; places.len()];
        for (row, from) in places.iter().enumerate() {
            for (column, to) in places.iter().enumerate().skip(row + 1) {
                let (Some(from), Some(to)) = (from, to) else { continue };
                let way = Geodesic.distance(point(*from), point(*to));
                for (a, b) in [(row, column), (column, row)] {
                    if let Some(cell) = metres.get_mut(a).and_then(|row| row.get_mut(b)) {
                        *cell = way;
                    }
                }
            }
        }
        let day = Day {
            metres,
            jobs: located
                .iter()
                .filter_map(|index| wanted.get(*index))
                .map(|w| Job {
                    volume_ml: w.expected_ml,
                    window_min: w.window,
                })
                .collect(),
            disposals: disposals.len(),
            capacity_ml,
            on_board_ml,
            depart_min: f64::from(i32::try_from(depart).unwrap_or(0)),
            service_min: f64::from(asked.service_min.unwrap_or(45)),
            disposal_min: f64::from(asked.disposal_min.unwrap_or(30)),
            metres_per_min: speed * unit_m / 60.0,
        };
        let entered = day.drive(&(0..located.len()).collect::<Vec<_>>());
        let chosen = if asked.as_entered { entered.clone() } else { day.order() };
        Ok(Self {
            located,
            unlocated,
            start,
            end,
            disposals,
            entered,
            chosen,
        })
    }

    /// The wanted sites in the order chosen, with arrival and minutes late; those without a position come last.
    fn stops(&self) -> Vec<(usize, Option<f64>, f64)> {
        let driven = self.chosen.order.iter().enumerate().filter_map(|(place, job)| {
            let wanted = self.located.get(*job)?;
            let arrive = self.chosen.arrive_min.get(place).copied();
            let late = self.chosen.late_min.get(place).copied().unwrap_or(0.0);
            Some((*wanted, arrive, late))
        });
        driven
            .chain(self.unlocated.iter().map(|wanted| (*wanted, None, 0.0)))
            .collect()
    }
}

fn place_of((lat, lon): (i64, i64)) -> Place {
    Place {
        latitude_deg: due::degrees(lat),
        longitude_deg: due::degrees(lon),
    }
}

fn plan_file(
    office: &Office,
    asked: &Asked,
    day: NaiveDate,
    wanted: &[Wanted],
    route: &Route,
) -> Result<PlanFile, Refusal> {
    let plan_id = planfile::plan_id(day, asked.truck.trim());
    let mut records = Vec::new();
    for each in wanted {
        let visit = &each.visit;
        let mut add = |record: Result<planfile::PlannedRecord, crate::store::StoreError>| {
            record
                .map(|record| records.push(record))
                .map_err(|error| office.refuse(&error))
        };
        add(planfile::planned(&office.store, &visit.site))?;
        for tank in &visit.tanks {
            add(planfile::planned(&office.store, tank))?;
        }
        for compartment in &visit.compartments {
            add(planfile::planned(&office.store, compartment))?;
        }
        for lid in &visit.lids {
            add(planfile::planned(&office.store, lid))?;
        }
    }
    let stops = route
        .stops()
        .into_iter()
        .filter_map(|(index, arrive, late)| {
            let each = wanted.get(index)?;
            Some(PlannedStop {
                stop_id: planfile::stop_id(plan_id, each.id).0,
                site_id: each.id.0,
                expected_ml: Some(each.expected_ml),
                window: each.window.map(|(from, to)| Window {
                    from: clock_text(minutes(from)),
                    to: clock_text(minutes(to)),
                }),
                arrive: arrive.map(clock_text),
                late_min: round_to_i64(late).unwrap_or(0),
            })
        })
        .collect();
    let rounded = |metres: f64| (metres * 10.0).round() / 10.0;
    Ok(PlanFile {
        format: planfile::FORMAT.to_owned(),
        version: planfile::VERSION,
        plan_id,
        made_at: office.now,
        day,
        truck: asked.truck.trim().to_owned(),
        entered_m: rounded(route.entered.metres),
        driven_m: rounded(route.chosen.metres),
        start: route.start.map(place_of),
        end: route.end.map(place_of),
        stops,
        disposal_trips: route
            .chosen
            .trips
            .iter()
            .filter_map(|trip| {
                let (name, at) = route.disposals.get(trip.disposal)?;
                Some(PlannedTrip {
                    before: trip.before,
                    name: name.clone(),
                    at: place_of(*at),
                })
            })
            .collect(),
        records,
    })
}

fn minutes(whole: i64) -> f64 {
    f64::from(i32::try_from(whole).unwrap_or(0))
}

fn report(office: &Office, day: NaiveDate, wanted: &[Wanted], route: &Route) -> Vec<String> {
    let (words, figures) = (office.words(), office.figures);
    let mut sheet = Sheet::new(vec![
        ("place", words.t("No."), true),
        ("arrive", words.t("Arrive"), false),
        ("window", words.t("Window"), false),
        ("name", words.t("Site"), false),
        ("town", words.t("Town"), false),
        ("expected", words.t("Expected"), true),
        ("remark", words.t("Remark"), false),
    ]);
    let disposal = |trip: &crate::domain::route::Trip| {
        let name = route
            .disposals
            .get(trip.disposal)
            .map(|(name, _)| name.clone())
            .unwrap_or_default();
        let name = if name.is_empty() {
            words.t("Disposal")
        } else {
            words.f("Disposal: {0}", &[&name])
        };
        [Cell::default(), Cell::default(), Cell::default(), Cell::text(name)]
            .into_iter()
            .chain(std::iter::repeat_n(Cell::default(), 3))
            .collect::<Vec<_>>()
    };
    for (place, (index, arrive, late)) in route.stops().into_iter().enumerate() {
        let Some(each) = wanted.get(index) else { continue };
        sheet.rows.extend(
            route
                .chosen
                .trips
                .iter()
                .filter(|trip| trip.before == place)
                .map(disposal),
        );
        let mut remarks = Vec::new();
        if late > 0.5 {
            let minutes = round_to_i64(late).unwrap_or(0).to_string();
            remarks.push(words.f("{0} min too late", &[&minutes]));
        }
        if each.is_guess {
            remarks.push(words.t("size guessed"));
        }
        if arrive.is_none() {
            remarks.push(words.t("no position"));
        }
        if route
            .chosen
            .too_large
            .iter()
            .any(|job| route.located.get(*job) == Some(&index))
        {
            remarks.push(words.t("more than one load"));
        }
        let window = each.window.map_or_else(String::new, |(from, to)| {
            format!("{}-{}", clock_text(minutes(from)), clock_text(minutes(to)))
        });
        sheet.rows.push(vec![
            Cell::text((place + 1).to_string()),
            Cell::text(arrive.map_or_else(String::new, |minute| arrival_text(minute, words))),
            Cell::text(window),
            Cell::text(each.visit.site.name.clone()),
            Cell::text(each.visit.site.town.clone()),
            Cell::text(figures.volume(Volume::from_whole_ml(each.expected_ml))),
            Cell::text(remarks.join(", ")),
        ]);
    }
    let heading = words.f(
        "Plan for {0}, {1}",
        &[&figures.weekday(day), &day.format("%Y").to_string()],
    );
    if wanted.is_empty() {
        return vec![heading];
    }
    let mut lines = vec![heading, String::new(), sheet.text()];
    let saved = (route.entered.metres - route.chosen.metres).max(0.0);
    lines.push(words.f(
        "{0} as the crow flies; the order entered: {1}; saved: {2}. Roads are longer.",
        &[
            &figures.distance(route.chosen.metres),
            &figures.distance(route.entered.metres),
            &figures.distance(saved),
        ],
    ));
    lines
}

/// What a person has to see to before the plan goes out.
fn wrong(office: &Office, wanted: &[Wanted], route: &Route, twice: usize) -> Vec<String> {
    let words = office.words();
    let mut lines = Vec::new();
    let late = route.chosen.late_min.iter().filter(|late| **late > 0.5).count();
    if late > 0 {
        lines.push(words.n(
            "{0} time window cannot be met: call the customer, or move the stop.",
            "{0} time windows cannot be met: call the customers, or move the stops.",
            late,
        ));
    }
    let after_midnight = route
        .chosen
        .arrive_min
        .iter()
        .filter(|at| **at >= minutes(DAY_MIN))
        .count();
    if after_midnight > 0 {
        lines.push(words.n(
            "The day is too long: {0} stop is reached after midnight. Leave stops out, or give them to another day or truck.",
            "The day is too long: {0} stops are reached after midnight. Leave stops out, or give them to another day or truck.",
            after_midnight,
        ));
    }
    if route.chosen.lacks_disposal {
        lines.push(words.t("The truck has no room for all of it: name a disposal place with --disposal NAME@LAT,LON."));
    }
    if !route.unlocated.is_empty() {
        let names = route.unlocated.iter().filter_map(|index| wanted.get(*index));
        let names = names.map(|each| each.visit.site.name.as_str()).collect::<Vec<_>>();
        lines.push(words.f("Without a position, and so at the end: {0}.", &[&names.join(", ")]));
    }
    if twice > 0 {
        lines.push(words.n("{0} site was named twice.", "{0} sites were named twice.", twice));
    }
    lines
}
