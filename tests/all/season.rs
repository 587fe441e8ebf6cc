//! A season lived through: three trucks, eight stops a day with photos, day files, plans, and what goes wrong on the way.
//!
//! Everything is done as people do it: stops by taps on the app's view-models, day files made by the app, taken in by the
//! office's commands, plans made by the office and taken in by the phones. At the end `truth` says what every book has to
//! hold, from the logs alone. People, places and readings are invented.
//!
//! A few days run with the other tests. The whole season, which writes docs/season.md and docs/season.svg:
//! `LIDMARK_SEASON=200 cargo test --release --no-default-features --test all season -- --nocapture`

mod chart;
mod truth;

use std::cell::Cell;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::rc::Rc;

use chrono::{DateTime, Days, FixedOffset, NaiveDate, NaiveTime, TimeDelta};
use lidmark::app::session::Session;
use lidmark::app::setup::SetupItem;
use lidmark::app::shell::{App, NoticeKind, Screen};
use lidmark::app::site::SiteField;
use lidmark::domain::record::SiteId;
use lidmark::exchange::rulefile;
use lidmark::office::context::Call;
use lidmark::office::{doctor, import, plan, read_csv, records};
use lidmark::store::Store;
use serde_json::Value;

use crate::fixture::{Dice, taps};

/// How many days; the child is told by the same name.
const DAYS: &str = "LIDMARK_SEASON";
/// Names the folder, for the child.
const CHILD: &str = "LIDMARK_TEST_SEASON_FOLDER";
const TRUCKS: usize = 3;
const PHOTOS_A_STOP: usize = 2;

/// The shape of a season.
#[derive(Clone, Copy)]
struct Plan {
    days: u64,
    stops_a_day: usize,
}

impl Plan {
    /// The day one phone breaks in the middle of the work, and is put back to how its book was two days before.
    ///
    /// Not on a day when a stop is handed over, and its truck is empty then and on the morning of the copy.
    fn breaks_on(self) -> u64 {
        (5.max(self.days * 2 / 5)..=self.days)
            .find(|day| day % 3 == 2 && (day - 1) % 7 != 5 && (day - 3) % 7 != 5)
            .unwrap()
    }

    /// Each truck's stops of a day but the last, which is a place nobody knew.
    fn planned(self) -> usize {
        self.stops_a_day - 1
    }
}

#[test]
fn a_season_of_three_trucks_leaves_books_that_agree() {
    if let Some(folder) = std::env::var_os(CHILD) {
        let days = std::env::var(DAYS).unwrap().parse().unwrap();
        let stops_a_day = if days > 20 { 8 } else { 4 };
        live(Path::new(&folder), Plan { days, stops_a_day });
        return;
    }
    let days = std::env::var(DAYS).ok().map_or(6, |text| {
        text.parse::<u64>().expect("LIDMARK_SEASON is a number of days")
    });
    assert!((6..=1_000).contains(&days), "6 to 1,000 days");
    // On the disk, not in memory; and in a process of its own, so that handles and memory are the season's alone.
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let status = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "season::a_season_of_three_trucks_leaves_books_that_agree",
            "--nocapture",
        ])
        .env(CHILD, folder.path())
        .env(DAYS, days.to_string())
        .status()
        .unwrap();
    assert!(status.success(), "the season did not end well: see above");
}

// --- the days ------------------------------------------------------------------------------------

fn first_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, 2).unwrap()
}

fn at(day: u64, time: &str) -> DateTime<FixedOffset> {
    (first_day() + Days::new(day))
        .and_time(NaiveTime::parse_from_str(time, "%H:%M").unwrap())
        .and_local_timezone(FixedOffset::west_opt(5 * 3_600).unwrap())
        .unwrap()
}

type Hand = Rc<Cell<DateTime<FixedOffset>>>;

struct Phone {
    number: usize,
    folder: PathBuf,
    app: Option<App>,
    clock: Hand,
    knows_works: bool,
}

impl Phone {
    fn book(&self) -> PathBuf {
        self.folder.join("book.sqlite")
    }

    fn app(&mut self) -> &mut App {
        self.app.as_mut().unwrap()
    }

    fn start(&mut self) {
        self.app = Some(start(&self.book(), &self.clock));
    }

    fn set_clock(&self, time: DateTime<FixedOffset>) {
        // A phone's clock goes on; what was done later in the day has moved it already.
        self.clock.set(time.max(self.clock.get()));
    }

    /// Taps, each some seconds after the one before.
    fn taps(&mut self, lines: &str) {
        for line in lines.lines().map(str::trim).filter(|line| !line.is_empty()) {
            self.clock.set(self.clock.get() + TimeDelta::seconds(15));
            taps(self.app(), line);
        }
    }
}

fn start(book: &Path, clock: &Hand) -> App {
    let store = Store::open(book).unwrap();
    let clock = clock.clone();
    let session = Session::new(
        store,
        || rulefile::embedded().unwrap(),
        Box::new(move || clock.get()),
        || {},
    );
    App::start(session.unwrap(), book.with_file_name("slips")).unwrap()
}

/// What was done in all, counted while it was done.
#[derive(Default)]
struct Done {
    stops: u64,
    photos: u64,
    collected_ml: i128,
    disposed_ml: i128,
    corrected_off_ml: i128,
    /// By truck, as the driver would reckon it.
    on_board_ml: [i128; TRUCKS],
    plans: u64,
    files: u64,
    late: u64,
    twice: u64,
    handed_over: u64,
    both_sides: u64,
}

/// NIST SP 811, appendix B.8: a US gallon is 3.785 411 784 litres; a book keeps whole millilitres.
fn gallons_ml(gallons: u32) -> i128 {
    (f64::from(gallons) * 3_785.411_784).round() as i128
}

/// One line of the season's table.
struct Measured {
    day: u64,
    stops: u64,
    office_bytes: u64,
    phone_bytes: u64,
    file_bytes: u64,
    import_ms: f64,
    phone_ms: f64,
    handles: usize,
    resident_kib: u64,
}

/// The state of the whole company.
struct Season {
    plan: Plan,
    folder: PathBuf,
    phones: Vec<Phone>,
    office: PathBuf,
    sites: Vec<SiteId>,
    dice: Dice,
    done: Done,
    /// Files on their way: the day they arrive, and the file.
    under_way: Vec<(u64, PathBuf)>,
    measured: Vec<Measured>,
    file_bytes: u64,
    phone_ms: f64,
    picture: u64,
}

fn live(folder: &Path, plan: Plan) {
    let mut season = Season::begin(folder, plan);
    for day in 0..plan.days {
        season.day(day);
        if plan.days > 20 && day % 10 == 9 {
            let line = season.measured.last().unwrap();
            println!(
                "day {:3}: {} stops, office {:.1} MB, import {:.0} ms, {} handles, {} MiB",
                day + 1,
                line.stops,
                mb(line.office_bytes),
                line.import_ms,
                line.handles,
                line.resident_kib / 1_024
            );
        }
    }
    season.end();
}

impl Season {
    fn begin(folder: &Path, plan: Plan) -> Self {
        let office = folder.join("office/book.sqlite");
        let mut season = Self {
            plan,
            folder: folder.to_owned(),
            phones: Vec::new(),
            office,
            sites: Vec::new(),
            dice: Dice::new(20_260_302),
            done: Done::default(),
            under_way: Vec::new(),
            measured: Vec::new(),
            file_bytes: 0,
            phone_ms: 0.0,
            picture: 0,
        };
        season.read_customers();
        for number in 0..TRUCKS {
            let folder = folder.join(format!("phone-{}", number + 1));
            std::fs::create_dir_all(folder.join("inbox")).unwrap();
            let mut phone = Phone {
                number,
                folder,
                app: None,
                clock: Rc::new(Cell::new(at(0, "05:00"))),
                knows_works: false,
            };
            phone.start();
            phone.app().start_empty();
            for (item, text) in [
                (SetupItem::Company, "Season Pumping (invented)"),
                (SetupItem::TruckName, ["Red truck", "Blue truck", "Green truck"][number]),
            ] {
                phone.app().tap_setup_item(item);
                phone.app().sheet_edit(text);
                phone.app().sheet_keep();
            }
            phone.app().session_mut().settle().unwrap();
            season.phones.push(phone);
        }
        season
    }

    fn call(&self, now: DateTime<FixedOffset>, json: bool) -> Call {
        Call {
            book: self.office.clone(),
            json,
            units: None,
            language: None,
            now,
        }
    }

    /// The office's own customer list, with as many customers as the season's plans name.
    fn read_customers(&mut self) {
        let count = self.plan.days as usize * TRUCKS * self.plan.planned();
        let mut list =
            "name,address,town,customer,phone,people,latitude,longitude,tank gallons,last pumped\n".to_owned();
        for number in 0..count {
            list += &format!(
                "{number} Season Road,{number} Season Road,Town {},Customer {number} (invented),555 {:04},{},{:.4},{:.4},{},20{:02}-05-01\n",
                number % 12,
                number % 10_000,
                1 + number % 6,
                45.0 + number as f64 * 0.000_3,
                -94.0 - (number % 97) as f64 * 0.003,
                750 + 250 * (number % 4),
                19 + number % 5,
            );
        }
        let file = self.folder.join("customers.csv");
        std::fs::write(&file, list).unwrap();
        let asked = read_csv::Asked {
            file,
            ..read_csv::Asked::default()
        };
        read_csv::run(&self.call(at(0, "04:00"), false), &asked, std::io::empty()).unwrap();
        let mut names = Store::look(&self.office).unwrap().site_names().unwrap();
        assert_eq!(names.len(), count);
        names.sort_by_key(|site| site.name.split(' ').next().unwrap().parse::<usize>().unwrap());
        self.sites = names.into_iter().map(|site| site.id).collect();
    }

    /// The customers the office gives a truck on a day: new ones, and now and then one that another truck was at.
    fn asked_for(&self, day: u64, truck: usize) -> Vec<SiteId> {
        let planned = self.plan.planned();
        let first = (day as usize * TRUCKS + truck) * planned;
        let mut list = self.sites[first..first + planned].to_vec();
        if day >= 2 && day.is_multiple_of(2) {
            // A call-back: the truck after this one was there two days ago.
            let other = ((day as usize - 2) * TRUCKS + (truck + 1) % TRUCKS) * planned;
            list[0] = self.sites[other];
        }
        list
    }

    fn send_plan(&mut self, day: u64, truck: usize, sites: &[SiteId], time: &str) -> PathBuf {
        self.done.plans += 1;
        let out = self.folder.join(format!("plan-{truck}.lidmark-plan.json"));
        let asked = plan::Asked {
            sites: sites.iter().map(ToString::to_string).collect(),
            day: Some((first_day() + Days::new(day)).to_string()),
            truck: format!("Truck {truck}"),
            as_entered: true,
            out: Some(out.clone()),
            ..plan::Asked::default()
        };
        plan::run(&self.call(at(day, time), false), &asked).unwrap();
        out
    }

    fn take_plan(&mut self, truck: usize, plan: &Path) {
        let phone = &mut self.phones[truck];
        let inbox = phone.folder.join("inbox/today.lidmark-plan.json");
        std::fs::copy(plan, &inbox).unwrap();
        phone.app().import_plan_file(&inbox);
        let said = phone.app().notice().unwrap();
        assert_eq!(said.kind, NoticeKind::Info, "{said:?}");
        phone.app().go(Screen::Day);
    }

    fn day(&mut self, day: u64) {
        let cpu = cpu_ms();
        let plans = (0..TRUCKS)
            .map(|truck| {
                let sites = self.asked_for(day, truck);
                self.send_plan(day, truck, &sites, "05:30")
            })
            .collect::<Vec<_>>();
        let planning = cpu_ms() - cpu;
        self.phone_ms = 0.0;
        self.file_bytes = 0;
        for (truck, plan) in plans.iter().enumerate() {
            if truck == 1 {
                if day + 2 == self.plan.breaks_on() {
                    self.copy_of_phone(truck);
                }
                if day == self.plan.breaks_on() {
                    self.break_phone(day, truck, plan);
                }
            }
            let cpu = cpu_ms();
            self.phones[truck].set_clock(at(day, "06:00"));
            self.take_plan(truck, plan);
            // One of the first truck's stops is handed to the second: by turns one that only the first knows, and one where
            // the second was two days ago.
            let handed = (truck == 0 && day % 3 == 1).then(|| {
                if day.is_multiple_of(2) {
                    0
                } else {
                    self.plan.planned() - 1
                }
            });
            for index in 0..self.plan.planned() {
                if Some(index) != handed {
                    self.stop(day, truck, Some(index));
                }
            }
            self.stop(day, truck, None);
            if let Some(index) = handed {
                self.hand_over(day, index);
            }
            self.close(day, truck);
            self.phone_ms += cpu_ms() - cpu;
        }
        self.edit_on_both_sides(day);
        for truck in 0..TRUCKS {
            let cpu = cpu_ms();
            self.send_day(day, truck);
            self.phone_ms += cpu_ms() - cpu;
        }
        let cpu = cpu_ms();
        self.take_in(day);
        self.measured.push(Measured {
            day: day + 1,
            stops: self.done.stops,
            office_bytes: bytes_of(&self.office),
            phone_bytes: bytes_of(&self.phones[0].book()),
            file_bytes: self.file_bytes,
            import_ms: cpu_ms() - cpu + planning,
            phone_ms: self.phone_ms,
            handles: std::fs::read_dir("/proc/self/fd").unwrap().count(),
            resident_kib: status_kib("VmRSS:"),
        });
    }

    /// One stop from arrival to driving off; `index` is its place on the day, `None` a place nobody knew.
    fn stop(&mut self, day: u64, truck: usize, index: Option<usize>) {
        let (dice, phone) = (&mut self.dice, &mut self.phones[truck]);
        phone.clock.set(phone.clock.get() + TimeDelta::minutes(20));
        phone.app().go(Screen::Day);
        if let Some(index) = index {
            phone.app().tap_stop(index);
        } else {
            phone.app().tap_start();
            phone.app().picker_choose(0);
        }
        assert!(
            matches!(phone.app().screen(), Screen::At(_)),
            "{:?}",
            phone.app().notice()
        );
        let gallons = u32::try_from(600 + dice.below(50) * 10).unwrap();
        let (scum, sludge) = (dice.below(8), 3 + dice.below(20));
        phone.taps(&format!(
            "go find\nfound yes\ngo dig\nlid inlet\ncover {}\nlid outlet\ncover {}\ngo read\nshape box\nsize length 96\n\
             size width 60\nsize liquid 48\nsize device 18\nscum {scum}\nsludge {sludge}",
            dice.below(30),
            dice.below(30),
        ));
        if dice.below(4) == 0 {
            phone.taps("nudge sludge +1\nundo\nnudge scum +1\nnudge scum -1\nundo");
        }
        if dice.below(3) == 0 {
            phone.taps(&format!(
                "note {} paces from the gate\nfound-note The baffle was set back.",
                5 + dice.below(40)
            ));
        }
        for _ in 0..PHOTOS_A_STOP {
            self.picture += 1;
            let file = self.folder.join("camera.jpg");
            std::fs::write(&file, picture(self.picture)).unwrap();
            phone.app().take_photo(&file);
            phone.app().settle_photos();
            assert!(
                phone
                    .app()
                    .notice()
                    .is_none_or(|notice| notice.kind != NoticeKind::Failure)
            );
        }
        phone.taps(&format!(
            "go pump\nout {gallons}\nheel {}\nrinsed yes\nclosed yes",
            dice.below(40)
        ));
        if dice.below(5) == 0 {
            phone.taps("sign A. Customer");
        }
        phone.taps("finish");
        assert_eq!(phone.app().screen(), Screen::Day, "{:?}", phone.app().notice());
        self.done.stops += 1;
        self.done.photos += PHOTOS_A_STOP as u64;
        self.done.collected_ml += gallons_ml(gallons);
        self.done.on_board_ml[truck] += gallons_ml(gallons);
        // The truck holds two of these.
        if self.done.on_board_ml[truck] > gallons_ml(1_400) {
            self.dispose(truck, day);
        }
    }

    /// Lets all of it out.
    fn dispose(&mut self, truck: usize, day: u64) {
        let phone = &mut self.phones[truck];
        phone.clock.set(phone.clock.get() + TimeDelta::minutes(20));
        if std::mem::replace(&mut phone.knows_works, true) {
            phone.taps("dispose Season works (invented)");
        } else {
            phone.app().go(Screen::Truck);
            phone.app().tap_dispose();
            phone.app().picker_choose(0);
            phone.app().sheet_edit("Season works (invented)");
            phone.app().sheet_keep();
            phone.app().pad_keep();
        }
        phone.taps(&format!("ticket S-{day}"));
        self.done.disposed_ml += self.done.on_board_ml[truck];
        self.done.on_board_ml[truck] = 0;
    }

    /// The evening: now and then the sight glass says otherwise, mostly the truck is emptied, the day is closed.
    fn close(&mut self, day: u64, truck: usize) {
        if day % 9 == 4 && self.done.on_board_ml[truck] > 0 {
            let really = gallons_ml(100);
            self.phones[truck].taps("correct 100 Sight glass shows less than was written");
            self.done.corrected_off_ml += self.done.on_board_ml[truck] - really;
            self.done.on_board_ml[truck] = really;
        }
        // A phone that is about to be copied stands empty, as its truck does.
        if day % 7 != 5 && self.done.on_board_ml[truck] > 0 {
            self.dispose(truck, day);
        }
        let phone = &mut self.phones[truck];
        phone.taps("driver J. Driver\nclose-day The rest is written on the slip");
        phone.app().session_mut().settle().unwrap();
        assert_eq!(phone.app().ledger().on_board_ml(), self.done.on_board_ml[truck]);
        assert!(phone.app().ledger().balance().holds());
    }

    /// The first truck cannot make its last stop: its file of the half day goes in, and the second truck is sent there.
    fn hand_over(&mut self, day: u64, index: usize) {
        let note = format!("Gate code {day}, told to the first truck");
        let site = self.edit_note_on_day(0, index, &note);
        self.send_day(day, 0);
        let (_, file) = self.under_way.pop().unwrap();
        let now = self.phones[0].clock.get();
        self.import(&[file], now, day == 0);
        let mut sites = self.asked_for(day, 1);
        sites.push(site);
        self.phones[1].set_clock(now);
        let plan = self.send_plan(day, 1, &sites, &now.format("%H:%M").to_string());
        self.take_plan(1, &plan);
        let place = self.phones[1].app().day_view().stops.len() - 1;
        assert_eq!(
            self.phones[1]
                .app()
                .session()
                .ask(move |store| Ok(store.site(site)?.note))
                .unwrap(),
            note,
            "what the first truck was told has not come to the second"
        );
        assert_eq!(self.phones[1].app().day_view().stops.len(), self.plan.planned() + 1);
        self.stop(day, 1, Some(place));
        self.done.handed_over += 1;
    }

    fn edit_note_on_day(&mut self, truck: usize, index: usize, note: &str) -> SiteId {
        let phone = &mut self.phones[truck];
        phone.app().go(Screen::Day);
        let stop = phone.app().day_view().stops[index].id;
        let site = phone
            .app()
            .session()
            .ask(move |store| Ok(store.visit(stop)?.site.id))
            .unwrap();
        edit_note(phone.app(), site, note);
        site
    }

    /// The office changes what is known of a customer while a truck does the same.
    fn edit_on_both_sides(&mut self, day: u64) {
        if day % 4 != 3 {
            return;
        }
        let truck = day as usize % TRUCKS;
        self.phones[truck]
            .clock
            .set(self.phones[truck].clock.get() + TimeDelta::minutes(1));
        let site = self.edit_note_on_day(truck, 0, &format!("Dog, says the driver on day {day}"));
        // By turns the office is the later one and the earlier one.
        let hand = if day % 8 == 3 {
            at(day, "23:00")
        } else {
            at(day, "05:45")
        };
        let clock = Rc::new(Cell::new(hand));
        let mut office = start(&self.office, &clock);
        if office.session().is_new() {
            office.start_empty();
        }
        office.open_site(site);
        edit_note(&mut office, site, &format!("Call first, says the office on day {day}"));
        office.session_mut().settle().unwrap();
        self.done.both_sides += 1;
    }

    fn send_day(&mut self, day: u64, truck: usize) {
        let arrives = match self.dice.below(6) {
            // The first file of a phone is how the office comes to trust it.
            0 if day > 0 => {
                self.done.late += 1;
                day + 1 + self.dice.below(5) as u64
            }
            _ => day,
        };
        let phone = &mut self.phones[truck];
        let today = phone.app().session().today();
        phone.app().make_day_file(today);
        phone.app().settle_day_file();
        let said = phone.app().notice().unwrap();
        assert_eq!(said.kind, NoticeKind::Info, "{said:?}");
        let file = PathBuf::from(said.text.advice);
        self.file_bytes += std::fs::metadata(&file).unwrap().len();
        self.done.files += 1;
        self.under_way.push((arrives, file.clone()));
        if self.dice.below(8) == 0 {
            self.done.twice += 1;
            self.under_way.push((day + self.dice.below(4) as u64, file));
        }
    }

    /// What has arrived by now goes into the office's book, in no order.
    fn take_in(&mut self, day: u64) {
        let (mut here, later): (Vec<_>, Vec<_>) = self.under_way.drain(..).partition(|(arrives, _)| *arrives <= day);
        self.under_way = later;
        for i in (1..here.len()).rev() {
            here.swap(i, self.dice.below(i + 1));
        }
        let files = here.into_iter().map(|(_, file)| file).collect::<Vec<_>>();
        self.import(&files, at(day, "23:30"), day == 0);
        for file in files {
            // What comes once more is still needed.
            if !self.under_way.iter().any(|(_, other)| *other == file) {
                std::fs::remove_file(file).ok();
            }
        }
    }

    fn import(&self, files: &[PathBuf], now: DateTime<FixedOffset>, trust_new: bool) {
        if files.is_empty() {
            return;
        }
        let asked = import::Asked {
            files: files.to_vec(),
            trust_new,
            ..import::Asked::default()
        };
        let answer = import::run(&self.call(now, true), &asked, &|_| {}).unwrap();
        assert!(answer.refusals.is_empty(), "{:?}", answer.refusals);
    }

    fn copy_of_phone(&mut self, truck: usize) {
        assert_eq!(self.done.on_board_ml[truck], 0, "the copy is made of an empty truck");
        let phone = &mut self.phones[truck];
        phone.app().session_mut().settle().unwrap();
        Store::copy(&phone.book(), &phone.folder.join("copy.sqlite"), &|_, _| {}).unwrap();
    }

    /// In the middle of the day the phone is lost; the copy of two days before is put onto another one, and the day's
    /// work that no file has carried is entered anew.
    fn break_phone(&mut self, day: u64, truck: usize, plan: &Path) {
        assert_eq!(self.done.on_board_ml[truck], 0, "the phone breaks with an empty truck");
        self.phones[truck].set_clock(at(day, "06:00"));
        self.take_plan(truck, plan);
        let was = std::mem::take(&mut self.done);
        self.stop(day, truck, Some(0));
        self.done = was;
        let phone = &mut self.phones[truck];
        phone.app().session_mut().settle().unwrap();
        phone.app = None;
        // Kept aside: what it told the office before, the books have to agree with too.
        std::fs::rename(phone.book(), phone.folder.join("before.sqlite")).unwrap();
        std::fs::rename(phone.folder.join("copy.sqlite"), phone.book()).unwrap();
        phone.start();
    }

    // --- the end -----------------------------------------------------------------------------------

    fn end(mut self) {
        let last = self.plan.days;
        for truck in 0..TRUCKS {
            self.phones[truck].set_clock(at(last, "08:00"));
            self.phones[truck].app().go(Screen::Day);
            self.send_day(last, truck);
        }
        for (arrives, _) in &mut self.under_way {
            *arrives = last;
        }
        self.take_in(last);
        self.ledger_balances(last);
        self.doctor_is_content(last);
        for phone in &mut self.phones {
            phone.app = None;
        }
        let mut tellers = vec![truth::Teller::office(&self.office)];
        for phone in &self.phones {
            tellers.push(truth::Teller::phone(
                &phone.book(),
                &format!("phone {}", phone.number + 1),
            ));
            let before = phone.folder.join("before.sqlite");
            if before.exists() {
                tellers.push(truth::Teller::phone(
                    &before,
                    &format!("phone {}, before it was put back", phone.number + 1),
                ));
            }
        }
        let agreed = truth::check(&self.office, &tellers);
        self.photos_are_everywhere();
        let counted = rusqlite::Connection::open(&self.office).unwrap();
        let count = |sql: &str| counted.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
        assert_eq!(
            count("SELECT count(*) FROM stop WHERE removed = 0 AND finished_at IS NOT NULL"),
            self.done.stops.cast_signed()
        );
        assert_eq!(
            count("SELECT count(*) FROM photo WHERE removed = 0"),
            self.done.photos.cast_signed()
        );
        self.report(&agreed);
    }

    /// Carried over + collected = disposed + on board + corrected off, and each of them is what was typed.
    fn ledger_balances(&mut self, last: u64) {
        let asked = records::Asked {
            from: Some(first_day().to_string()),
            to: Some((first_day() + Days::new(last)).to_string()),
            ..records::Asked::default()
        };
        let told = records::run(&self.call(at(last, "23:40"), true), &asked).unwrap();
        let told: Value = serde_json::from_str(&told).unwrap();
        assert_eq!(told["balances"], true);
        let ml = |name: &str| (told[name].as_f64().unwrap() * 1_000.0).round() as i128;
        let on_board = self.done.on_board_ml.iter().sum::<i128>();
        assert_eq!(ml("collected_l"), self.done.collected_ml);
        assert_eq!(ml("disposed_l"), self.done.disposed_ml);
        assert_eq!(ml("corrected_off_l"), self.done.corrected_off_ml);
        assert_eq!(ml("on_board_l"), on_board);
        assert_eq!(ml("carried_over_l"), 0);
        for (phone, on_board) in self.phones.iter_mut().zip(self.done.on_board_ml) {
            let balance = phone.app().ledger().balance();
            assert!(balance.holds(), "{balance:?}");
            assert_eq!(
                phone.app().ledger().on_board_ml(),
                on_board,
                "truck {}",
                phone.number + 1
            );
        }
    }

    /// Nothing is damaged; the one thing `doctor` has to say is that a phone was put back.
    fn doctor_is_content(&self, last: u64) {
        let answer = doctor::run(&self.call(at(last, "23:50"), true), doctor::Asked::default(), &|_| {}).unwrap();
        assert!(answer.refusals.is_empty(), "{:?}", answer.refusals);
        let told: Value = serde_json::from_str(&answer.text).unwrap();
        assert_eq!(told["sound"], true);
        let codes = told["findings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|finding| finding["code"].as_str().unwrap().to_owned())
            .collect::<BTreeSet<_>>();
        assert_eq!(codes, BTreeSet::from(["sequence-reused".to_owned()]), "{}", answer.text);
        for phone in &self.phones {
            Store::look(&phone.book()).unwrap().check().unwrap();
        }
    }

    /// Every photo a phone took lies at the office with the same bytes, but those no file has carried.
    fn photos_are_everywhere(&self) {
        let office = lidmark::store::blobs::Blobs::beside(&self.office);
        let mut seen = 0;
        for phone in &self.phones {
            let own = lidmark::store::blobs::Blobs::beside(&phone.book());
            let named = Store::look(&phone.book()).unwrap().photo_hashes().unwrap();
            for hash in &named {
                let (here, there) = (own.picture(hash).unwrap(), office.picture(hash).unwrap());
                assert_eq!(std::fs::read(here).unwrap(), std::fs::read(there).unwrap(), "{hash}");
                seen += 1;
            }
        }
        assert!(seen > 0);
    }

    fn report(&self, agreed: &truth::Agreed) {
        let days = self.plan.days;
        println!(
            "{days} days, {} stops, {} photos, {} files ({} late, {} twice), {} plans, {} sites handed over, {} edited on both sides",
            self.done.stops,
            self.done.photos,
            self.done.files,
            self.done.late,
            self.done.twice,
            self.done.plans,
            self.done.handed_over,
            self.done.both_sides
        );
        println!("{agreed}");
        let growth = chart::Growth::of(&self.measured);
        println!("{growth}");
        if days > 20 {
            chart::write(&self.measured, &self.done, agreed, &growth, self.plan);
        }
        growth.hold();
    }
}

fn edit_note(app: &mut App, site: SiteId, note: &str) {
    app.open_site(site);
    app.tap_edit_site();
    app.edit_site_field(SiteField::Note, note);
    app.keep_site_form();
    app.session_mut().settle().unwrap();
}

/// A small photo of its own: a sky over ground with grain, whose places follow from the number.
fn picture(number: u64) -> Vec<u8> {
    const SIDE: (u16, u16) = (320, 240);
    let mut dice = Dice::new(number);
    let (hue, horizon) = (dice.below(120), 60 + dice.below(120));
    let mut pixels = Vec::with_capacity(usize::from(SIDE.0) * usize::from(SIDE.1) * 3);
    for y in 0..usize::from(SIDE.1) {
        for x in 0..usize::from(SIDE.0) {
            let base = if y < horizon { 200 - y / 2 } else { 60 + hue / 2 };
            let grain = dice.below(12);
            for channel in [base + grain, base + x / 16, hue + grain] {
                pixels.push(channel.min(255) as u8);
            }
        }
    }
    let mut bytes = Vec::new();
    jpeg_encoder::Encoder::new(&mut bytes, 85)
        .encode(&pixels, SIDE.0, SIDE.1, jpeg_encoder::ColorType::Rgb)
        .unwrap();
    bytes
}

fn mb(bytes: u64) -> f64 {
    bytes as f64 / 1e6
}

/// A book's size with what its last commits have not been folded into it yet.
fn bytes_of(book: &Path) -> u64 {
    let db = rusqlite::Connection::open(book).unwrap();
    db.query_row(
        "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size",
        [],
        |row| row.get::<_, i64>(0),
    )
    .unwrap()
    .cast_unsigned()
}

/// The processor time this process has taken, milliseconds: proc(5), utime and stime in ticks of 10 ms (`sysconf(_SC_CLK_TCK)`).
///
/// Not the time on the wall: other work on the machine would make days long that were not.
fn cpu_ms() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let fields = stat.rsplit_once(") ").unwrap().1.split(' ').collect::<Vec<_>>();
    let ticks = |index: usize| fields[index].parse::<f64>().unwrap();
    (ticks(11) + ticks(12)) * 10.0
}

fn status_kib(name: &str) -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix(name)).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}
