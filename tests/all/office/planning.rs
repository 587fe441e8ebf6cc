//! A day planned anew: who is left standing, who is taken off, and what the phones make of it.

use super::Desk;
use crate::fixture::now;
use crate::import::{Phone, text};
use lidmark::domain::record::{SiteId, Stop, StopId, Truck, TruckId, changes};
use lidmark::exchange::planfile;
use lidmark::store::Store;
use uuid::Uuid;

/// The day of the plans here, and a desk on the day before.
const DAY: &str = "2026-06-17";
const EVE: [&str; 2] = ["--today", "2026-06-16"];

fn desk() -> Desk {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    desk
}

fn plan(desk: &Desk, arguments: &[&str]) -> String {
    desk.done(&[&EVE[..], &["plan"], arguments].concat())
}

fn is_planned(desk: &Desk, name: &str) -> bool {
    let list = [
        "due",
        "--from",
        "2023-01-01",
        "--to",
        "2030-01-01",
        "--not-planned",
        "--json",
    ];
    !desk.done(&[&EVE[..], &list].concat()).contains(name)
}

fn stops_on(desk: &Desk, day: &str) -> Vec<Stop> {
    let rows = desk.store().day(day.parse().unwrap()).unwrap();
    rows.into_iter().map(|row| row.stop).collect()
}

#[test]
fn who_is_left_out_of_a_day_planned_anew_is_named_and_can_be_taken_off() {
    let desk = desk();
    plan(&desk, &["juniper", "plover", "--day", DAY]);
    let said = plan(&desk, &["plover", "--day", DAY]);
    assert!(
        said.contains("not in this plan: 9 Juniper Bend (Marta Quiroga).") && said.contains("--instead"),
        "{said}"
    );
    assert!(is_planned(&desk, "Juniper"), "naming alone takes nobody off");
    let quiet = plan(&desk, &["plover", "--day", DAY, "--quiet"]);
    assert!(
        quiet.contains("9 Juniper Bend") && quiet.lines().count() == 1,
        "{quiet}"
    );
    let as_json = desk.run(&[&EVE[..], &["plan", "plover", "--day", DAY, "--json"]].concat());
    assert_eq!(String::from_utf8_lossy(&as_json.stderr), quiet, "said beside the plan");
    assert!(planfile::read(&String::from_utf8(as_json.stdout).unwrap()).is_ok());
    let said = plan(&desk, &["plover", "--day", DAY, "--instead", "--dry-run"]);
    assert!(said.contains("Would be taken off this day: 9 Juniper Bend"), "{said}");
    assert!(is_planned(&desk, "Juniper"), "a trial took somebody off");
    let said = plan(&desk, &["plover", "--day", DAY, "--instead"]);
    assert!(
        said.contains("Taken off this day: 9 Juniper Bend (Marta Quiroga)."),
        "{said}"
    );
    assert!(!is_planned(&desk, "Juniper") && is_planned(&desk, "Plover"));
    assert_eq!(stops_on(&desk, DAY).len(), 1);
    // Named again she stands there again, once.
    let said = plan(&desk, &["juniper", "plover", "--day", DAY]);
    assert!(!said.contains("already"), "{said}");
    assert_eq!(stops_on(&desk, DAY).len(), 2);
    assert!(is_planned(&desk, "Juniper"));
    // Another truck's plan leaves this one's alone.
    let said = plan(&desk, &["weir house", "--day", DAY, "--truck", "Blue", "--instead"]);
    assert!(!said.contains("Taken off"), "{said}");
    assert_eq!(stops_on(&desk, DAY).len(), 3);
    // A whole day can be emptied, by naming nobody and not by an empty list.
    desk.write("empty.txt", b"\n");
    desk.refused(
        1,
        &[
            "--today",
            "2026-06-16",
            "plan",
            "--list",
            "empty.txt",
            "--day",
            DAY,
            "--instead",
        ],
    );
    assert_eq!(stops_on(&desk, DAY).len(), 3);
    plan(&desk, &["--day", DAY, "--instead"]);
    assert_eq!(stops_on(&desk, DAY).len(), 1);
    let said = desk.refused(1, &["--today", "2026-06-16", "plan", "--day", DAY, "--instead"]);
    assert!(said.contains("No stop that could be taken off"), "{said}");
    let spanish = plan(&desk, &["--day", DAY, "--truck", "Blue", "--instead", "--lang", "es"]);
    assert!(
        spanish.contains("Plan para") && spanish.contains("de 2026") && spanish.contains("Quitado"),
        "{spanish}"
    );
}

#[test]
fn a_stop_that_was_begun_or_finished_is_never_taken_off() {
    let desk = desk();
    plan(&desk, &["juniper", "plover", "weir house", "--day", DAY]);
    let name_of = |stop: &Stop| desk.store().site(stop.site).unwrap().name;
    let on_day = stops_on(&desk, DAY);
    let with = |name: &str, change: &dyn Fn(&mut Stop)| {
        let before = on_day.iter().find(|stop| name_of(stop).contains(name)).unwrap().clone();
        let mut after = before.clone();
        change(&mut after);
        desk.keep(changes(&[before], &[after]));
    };
    with("Juniper", &|stop| stop.started_at = Some(now()));
    with("Weir", &|stop| {
        stop.started_at = Some(now());
        stop.finished_at = Some(now());
    });
    let said = plan(&desk, &["alder creek", "--day", DAY, "--instead"]);
    assert!(
        said.contains("Taken off this day: 52 Plover Lane (Pat O'Neil)."),
        "{said}"
    );
    let mut left = stops_on(&desk, DAY).iter().map(name_of).collect::<Vec<_>>();
    left.sort();
    assert_eq!(left, ["1 Weir Road", "17 Alder Creek", "9 Juniper Bend"]);
}

/// What docs/office.md says of a phone that has the earlier plan.
#[test]
fn what_a_phone_does_at_a_stop_that_was_taken_off_is_not_lost() {
    for was_done in [true, false] {
        a_phone_with_the_earlier_plan(was_done);
    }
}

fn a_phone_with_the_earlier_plan(was_done: bool) {
    let desk = desk();
    plan(
        &desk,
        &[
            "juniper",
            "plover",
            "--day",
            DAY,
            "--truck",
            "Truck 1",
            "--out",
            "first.json",
        ],
    );
    let of_site = |name: &str| {
        let id = super::id_of(&desk, name);
        SiteId(Uuid::parse_str(&id).unwrap())
    };
    let (juniper, plover) = (of_site("juniper"), of_site("plover"));
    // The phone takes both plans in: the later one takes nothing off it.
    let first = planfile::read(&desk.read("first.json")).unwrap();
    let path = desk.path("phone-1.sqlite");
    let mut store = Store::open(&path).unwrap();
    planfile::take_in(&mut store, &first, now()).unwrap();
    let day = DAY.parse().unwrap();
    let said = plan(
        &desk,
        &[
            "plover",
            "--day",
            DAY,
            "--truck",
            "truck 1",
            "--instead",
            "--out",
            "second.json",
        ],
    );
    assert!(
        !said.contains("Taken off"),
        "no truck is known yet, so its name counts letter by letter: {said}"
    );
    desk.keep(changes(
        &[],
        &[Truck {
            id: TruckId(Uuid::from_u128(5)),
            name: "Truck 1".to_owned(),
            ..Truck::default()
        }],
    ));
    let said = plan(
        &desk,
        &[
            "plover",
            "--day",
            DAY,
            "--truck",
            "truck 1",
            "--instead",
            "--out",
            "second.json",
        ],
    );
    assert!(said.contains("tell its crew"), "{said}");
    let second = planfile::read(&desk.read("second.json")).unwrap();
    planfile::take_in(&mut store, &second, now()).unwrap();
    assert_eq!(store.day(day).unwrap().len(), 2, "the phone keeps what it has");
    assert!(!is_planned(&desk, "Juniper"));
    store.close().unwrap();
    let mut phone = Phone::new(desk.folder.path(), 1);
    let stop = StopId(planfile::stop_id(planfile::plan_id(day, "Truck 1"), juniper).0);
    let begun = Stop {
        id: stop,
        site: juniper,
        day,
        ..Stop::default()
    };
    let done = Stop {
        started_at: Some(now()),
        finished_at: Some(now()),
        found_note: "All was well.".to_owned(),
        ..begun.clone()
    };
    if was_done {
        phone.keep(now(), changes(&[begun], &[done]));
    }
    let file = phone.send(desk.folder.path(), 0..0);
    desk.done(&["import", "--accept-unsigned", "--trust-new", text(&file)]);
    let history = desk.json(&["history", "juniper", "--json"]);
    assert_eq!(history.to_string().contains("All was well."), was_done, "{history}");
    // Both stand on the day: a stop stands unless everybody takes it off.
    let stand = stops_on(&desk, DAY);
    assert!(
        stand
            .iter()
            .any(|stop| stop.site == juniper && stop.finished_at.is_some() == was_done)
    );
    assert!(stand.iter().any(|stop| stop.site == plover));
}

#[test]
fn a_day_that_cannot_be_or_is_taken_already_is_said() {
    let desk = desk();
    let said = desk.refused(2, &["plan", "juniper", "--day", "2020-01-01"]);
    assert!(said.contains("January 1, 2020 is past."), "{said}");
    desk.refused(2, &["plan", "juniper", "--day", "2026-11-27", "--dry-run"]);
    assert!(
        desk.done(&["plan", "juniper", "--day", "2026-11-28"])
            .starts_with("Plan for Saturday, November 28, 2026")
    );
    let said = desk.done(&["plan", "juniper", "plover", "--day", "2026-12-03"]);
    assert!(
        said.contains("On another coming day as well: 9 Juniper Bend (November 28, 2026)."),
        "{said}"
    );
    assert!(!said.contains("Plover Lane ("), "{said}");
    let said = desk.done(&["plan", "plover", "--day", "2026-12-03", "--truck", "Red"]);
    assert!(
        said.contains("in the plan of another truck or put there by hand: 52 Plover Lane."),
        "{said}"
    );
    for none in ["0gal", "0", "0L"] {
        let said = desk.refused(2, &["plan", "juniper", "--day", "2026-12-03", "--capacity", none]);
        assert!(said.contains("holds nothing"), "{said}");
    }
    let said = desk.refused(2, &["plan", "juniper", "--window", "juniper=11:00-09:00"]);
    assert!(said.contains("11:00-09:00 ends before it begins"), "{said}");
}

#[test]
fn a_day_that_runs_past_midnight_is_said_in_times_people_use() {
    let desk = desk();
    let said = desk.done(&[
        "plan",
        "juniper",
        "plover",
        "weir house",
        "--day",
        "2026-12-03",
        "--depart",
        "23:00",
        "--service",
        "900",
        "--as-entered",
        "--out",
        "p.json",
    ]);
    // 23:00, and 15 hours and a short way on each time.
    assert!(
        said.contains("  23:00 ") && said.contains(" the next day ") && said.contains(", 2 days later"),
        "{said}"
    );
    assert!(!said.contains("24:") && !said.contains("99:"), "{said}");
    assert!(
        said.contains("The day is too long: 2 stops are reached after midnight."),
        "{said}"
    );
    // The file counts the hours on, as docs/planfile.md says.
    assert!(planfile::read(&desk.read("p.json")).is_ok());
}
