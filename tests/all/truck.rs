//! The truck's ledger, disposals, corrections, the hauled-waste record and the closing of a day, played through the app.
//!
//! All people, places, numbers of permits and tickets here are invented.

use std::path::Path;
use std::process::Command;

use chrono::{DateTime, FixedOffset, NaiveDate, TimeDelta};
use lidmark::app::door::file_stem;
use lidmark::app::overlay::PadKey;
use lidmark::app::session::Session;
use lidmark::app::setup::SetupItem;
use lidmark::app::shell::{App, Screen};
use lidmark::domain::record::{
    Disposal, DisposalId, Language, LoadCorrection, LoadCorrectionId, Op, Pumping, PumpingId, Record, Site, SiteId,
    Stop, StopId, Tank, TankId, Truck, TruckId, TruckTank, TruckTankId, Units, changes,
};
use lidmark::domain::rules::RuleSet;
use lidmark::domain::waste::{Condition, WasteField, kept_until};
use lidmark::exchange::rulefile;
use lidmark::store::Store;
use rusqlite::Connection;
use uuid::Uuid;

use crate::fixture::{Dice, app_on, dump, now, strings, taps};

fn number(app: &mut App, text: &str) {
    while app.pad_view().is_some_and(|pad| !pad.text.is_empty()) {
        app.pad_key(PadKey::Back);
    }
    for c in text.chars() {
        app.pad_key(PadKey::Digit(u8::try_from(c.to_digit(10).unwrap()).unwrap()));
    }
    app.pad_keep();
    assert!(app.pad_view().is_none(), "{text} is not taken");
}

fn type_in(app: &mut App, text: &str) {
    app.sheet_edit(text);
    app.sheet_keep();
}

fn row(app: &App, title: &str) -> usize {
    let view = app.form_view();
    view.rows
        .iter()
        .position(|row| row.title == title)
        .unwrap_or_else(|| panic!("no row {title:?} in {:?}", view.rows))
}

fn sign(app: &mut App, name: &str) {
    assert!(app.record_sign_view().shown);
    app.edit_signer(name);
    app.pad_pressed(30.0, 100.0);
    app.pad_dragged(200.0, 60.0);
    app.pad_dragged(280.0, 140.0);
    app.sign_accept();
    assert!(!app.record_sign_view().shown);
}

/// An app under a rule set, with a site of full address and a stop begun there.
fn app_under(path: &Path, rule_set: &str) -> (App, StopId) {
    let mut app = app_on(path);
    app.start_empty();
    app.session_mut()
        .change_setup("rule set", |setup| rule_set.clone_into(&mut setup.rule_set));
    let stop = stop_at(&mut app, 0x51, "1 Sample Lane");
    (app, stop)
}

fn stop_at(app: &mut App, id: u128, name: &str) -> StopId {
    let site = Site {
        id: SiteId(Uuid::from_u128(id)),
        name: name.to_owned(),
        address: name.to_owned(),
        town: "Sampleton".to_owned(),
        customer: "Ana \"Nan\" Sample, owner".to_owned(),
        phone: "555 0101".to_owned(),
        ..Site::default()
    };
    let site = app.add_site(site, true).unwrap();
    let stop = app.plan_stop(site).unwrap();
    app.begin_stop(stop).unwrap();
    app.session_mut().settle().unwrap();
    stop
}

fn missing_names(app: &mut App) -> Vec<String> {
    app.tap_close_day();
    let view = app.form_view();
    view.rows
        .into_iter()
        .filter(|row| row.message == "missing")
        .map(|row| row.title)
        .collect()
}

// --- the rule sets ------------------------------------------------------------------------------

fn set(id: &str) -> RuleSet {
    rulefile::embedded()
        .unwrap()
        .into_iter()
        .find(|set| set.id == id)
        .unwrap()
}

fn asked(id: &str, condition: Condition) -> Vec<&'static str> {
    let rule = set(id).hauled_waste.unwrap();
    let mut fields = rule
        .required
        .iter()
        .filter(|(_, own)| *own == condition)
        .map(|(field, _)| field.word())
        .collect::<Vec<_>>();
    fields.sort_unstable();
    fields
}

fn sorted(mut list: Vec<&'static str>) -> Vec<&'static str> {
    list.sort_unstable();
    list
}

#[test]
fn texas_asks_for_what_30_tac_312_145_lists() {
    // 30 TAC 312.145(a) and (c), texreg.sos.state.tx.us: hauler's name, address, telephone, registration; generator's name,
    // address, telephone, signature; date; type and amount; volume of the tank or trap, (a)(8); driver's name and signature;
    // facility, its permit or registration and operator, date; receiver's signature and amount; a discrepancy noted.
    assert_eq!(
        asked("tx-285.38", Condition::Always),
        sorted(vec![
            "hauler_name",
            "hauler_address",
            "hauler_phone",
            "hauler_registration",
            "generator_name",
            "generator_address",
            "generator_phone",
            "generator_signature",
            "collected_on",
            "waste_kind",
            "amount_collected",
            "tank_volume",
            "driver_name",
            "driver_signature",
            "disposal_place",
            "disposal_on",
            "disposal_permit",
            "disposal_operator",
            "receiver_signature",
            "amount_received",
        ])
    );
    assert_eq!(asked("tx-285.38", Condition::AmountsDiffer), ["discrepancy"]);
    // Kept five years: the same section.
    assert_eq!(set("tx-285.38").hauled_waste.unwrap().retention_years, Some(5));
}

#[test]
fn the_other_states_ask_for_what_their_texts_list() {
    // Wis. Adm. Code NR 113.11(3)(c), docs.legis.wisconsin.gov.
    assert_eq!(
        asked("wi-kenosha-15.06.030", Condition::Always),
        sorted(vec![
            "generator_name",
            "generator_address",
            "collected_on",
            "collected_time",
            "waste_kind",
            "amount_collected",
            "driver_name",
            "driver_certification",
            "vehicle",
            "disposal_place",
            "disposal_on",
            "disposal_time",
        ])
    );
    assert_eq!(asked("wi-kenosha-15.06.030", Condition::WithoutAddress), ["location"]);
    assert_eq!(
        asked("wi-kenosha-15.06.030", Condition::LandApplied),
        ["land_rate", "treatment"]
    );
    // Minn. R. 7083.0770 and 7080.2450: the opening, leaks, the reason, the lids and repairs are asked for by name.
    for id in ["mn-7080.2450", "mn-north-st-paul"] {
        let fields = asked(id, Condition::Always);
        for field in ["access_point", "leak_note", "pump_reason", "lid_note", "repair_note"] {
            assert!(fields.contains(&field), "{id} {field}");
        }
        assert_eq!(asked(id, Condition::NotByMaintenanceHole), ["generator_signature"]);
        assert_eq!(set(id).hauled_waste.unwrap().report_within_days, Some(30));
    }
    // 15A NCAC 13B .0836: street address, date, type, quantity, disposal; how long to keep it is not said.
    assert_eq!(
        asked("nc-130a-335.1", Condition::Always),
        sorted(vec![
            "generator_address",
            "collected_on",
            "waste_kind",
            "amount_collected",
            "disposal_place"
        ])
    );
    assert_eq!(set("nc-130a-335.1").hauled_waste.unwrap().retention_years, None);
    // 310 CMR 15.351: to the board of health within 14 days. What is known of Form 4 from memory says so.
    let massachusetts = set("ma-310-cmr-15.351").hauled_waste.unwrap();
    assert_eq!(massachusetts.report_within_days, Some(14));
    assert!(massachusetts.from_memory.contains(&WasteField::Vehicle));
    assert!(!massachusetts.from_memory.contains(&WasteField::CollectedOn));
}

#[test]
fn a_rule_file_that_asks_for_what_does_not_exist_is_refused_with_its_line() {
    let good = "id = \"a\"\nname = \"A\"\njurisdiction = \"\"\nsection = \"\"\nsource = \"\"\nconfidence = \"user\"\n\
                [hauled_waste]\nsource = \"\"\nconfidence = \"user\"\nrequired = [\"ticket\"]\nretention_years = 5\n";
    assert!(rulefile::parse(good).unwrap().hauled_waste.is_some());
    for (from, to, line, reason) in [
        ("\"ticket\"", "\"colour\"", 10, "no field"),
        ("\"ticket\"", "\"ticket\", \"ticket\"", 10, "twice"),
        ("retention_years = 5", "retention_years = 0", 11, "1 to 100"),
        ("retention_years = 5", "from_memory = [\"vehicle\"]", 11, "not required"),
    ] {
        let error = rulefile::parse(&good.replacen(from, to, 1)).unwrap_err();
        assert_eq!(error.line, line, "{to}: {error}");
        assert!(error.reason.contains(reason), "{to}: {error}");
    }
}

// --- the ledger through the app -----------------------------------------------------------------

/// The numbers of a balance line: five figures that add up as they are read.
fn adds_up(line: &str) -> bool {
    let (left, right) = line.split_once('=').unwrap();
    let sum = |side: &str| {
        let mut total = 0_i64;
        let mut sign = 1;
        for word in side.split_whitespace() {
            let plain = word.replace([',', '.'], "");
            match word {
                "−" => sign = -1,
                "+" => sign = 1,
                _ if plain.starts_with('−') => total -= sign * plain.trim_start_matches('−').parse::<i64>().unwrap(),
                _ if plain.chars().all(|c| c.is_ascii_digit()) => total += sign * plain.parse::<i64>().unwrap(),
                _ => {}
            }
        }
        total
    };
    sum(left) == sum(right)
}

#[test]
fn a_day_on_the_truck_balances_in_both_units_and_every_language() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    // An odd number of litres, so that gallons have to be rounded.
    app.choose_units(Units::Metric);
    taps(&mut app, "out 4001");
    app.choose_units(Units::UsCustomary);
    app.go(Screen::Day);
    stop_at(&mut app, 0x52, "2 Sample Lane");
    taps(&mut app, "out 333");
    app.tap_truck();
    app.tap_dispose();
    app.picker_choose(0);
    type_in(&mut app, "Sample works");
    number(&mut app, "777");
    app.back();
    app.tap_correct();
    number(&mut app, "600");
    type_in(&mut app, "Sight glass");
    for units in [Units::UsCustomary, Units::Metric] {
        for language in Language::ALL {
            app.choose_units(units);
            app.choose_language(*language);
            let line = app.truck_view().balance;
            assert!(adds_up(&line), "{line}");
        }
    }
    app.choose_language(Language::English);
    app.choose_units(Units::Metric);
    // 4,001 L + 333 gal (x 3.785411784 L, NIST SP 811) = 5,261.5 L; − 777 gal; then 600 gal are said to be there, 2,271 L.
    let balance = app.ledger().balance();
    assert_eq!(balance.collected_ml, 4_001_000 + 1_260_542);
    assert_eq!(balance.disposed_ml, 2_941_265);
    assert!(balance.holds());
    assert!(
        app.truck_view().tanks[0].load.starts_with("2,271 of"),
        "{:?}",
        app.truck_view().tanks
    );
}

#[test]
fn all_of_it_is_exactly_all_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let (mut app, _) = app_under(&folder.path().join("book.sqlite"), "general");
    app.choose_units(Units::Metric);
    taps(&mut app, "out 4001");
    app.choose_units(Units::UsCustomary);
    app.tap_truck();
    app.tap_dispose();
    app.picker_choose(0);
    type_in(&mut app, "Sample works");
    // 4,001 L are 1,056.95 gal: 1,057 stand there, and all 4,001 L go out.
    assert_eq!(app.pad_view().unwrap().text, "1057");
    app.pad_keep();
    assert_eq!(app.ledger().on_board_ml(), 0);
}

#[test]
fn a_correction_leaves_what_it_corrects_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    taps(&mut app, "out 1000");
    app.tap_truck();
    app.tap_dispose();
    app.picker_choose(0);
    type_in(&mut app, "Sample works");
    number(&mut app, "900");
    app.session_mut().settle().unwrap();
    let before = dump(&path)["disposal"].clone();
    // The ticket says 800: 100 more are still on board.
    app.tap_form_key(1);
    number(&mut app, "800");
    assert!(!app.sheet_view().unwrap().message.is_empty() || app.sheet_view().unwrap().text.is_empty());
    app.sheet_keep();
    assert!(app.sheet_view().is_some(), "a correction without a reason is not kept");
    type_in(&mut app, "Ticket reads 800");
    app.session_mut().settle().unwrap();
    let view = app.form_view();
    let amount = &view.rows[row(&app, "Let out of the truck")];
    assert_eq!(
        (amount.right.as_str(), amount.detail.as_str()),
        ("800 gal", "was written as 900 gal")
    );
    let tables = dump(&path);
    assert_eq!(tables["disposal"], before, "the disposal itself is untouched");
    assert_eq!(tables["load_correction"].len(), 1);
    assert!(tables["load_correction"][0].contains("Ticket reads 800"));
    app.back();
    assert!(
        app.truck_view().tanks[0].load.starts_with("200 of"),
        "{:?}",
        app.truck_view()
    );
    assert!(adds_up(&app.truck_view().balance));
    // Corrected once more, it counts from what it amounts to now.
    app.tap_truck_entry(1);
    app.tap_form_key(1);
    number(&mut app, "850");
    type_in(&mut app, "Ticket was 850 after all");
    app.back();
    assert!(
        app.truck_view().tanks[0].load.starts_with("150 of"),
        "{:?}",
        app.truck_view()
    );
}

#[test]
fn a_tank_that_will_not_fit_is_said_before_it_is_pumped() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    // The first truck holds 2,500 gal; 1,800 of them are taken.
    taps(
        &mut app,
        "shape nominal\n size capacity 1000\n size liquid 48\n out 1800",
    );
    app.go(Screen::Day);
    // The next site's tank holds 1,000: 300 too much.
    let next = Site {
        id: SiteId(Uuid::from_u128(0x77)),
        name: "3 Sample Lane".to_owned(),
        ..Site::default()
    };
    let site = app.add_site(next, true).unwrap();
    let stop = app.plan_stop(site).unwrap();
    app.begin_stop(stop).unwrap();
    taps(&mut app, "shape nominal\n size capacity 1000\n size liquid 48");
    let view = app.pump_view();
    assert!(view.truck_over, "{view:?}");
    assert!(
        view.truck_text.contains("1,000 gal") && view.truck_text.contains("700 gal"),
        "{view:?}"
    );
    // With a second tank of 1,200 it is said where it fits.
    app.tap_setup_item(SetupItem::TruckTank(1));
    number(&mut app, "1200");
    let text = app.pump_view().truck_text;
    assert!(text.contains("It fits into truck tank 2 only."), "{text}");
    // A stop that waits is warned of on the day's list.
    app.go(Screen::Day);
    app.plan_stop(site).unwrap();
    app.go(Screen::Day);
    assert_eq!(app.day_view().stops[2].warning, "");
    app.tap_setup_item(SetupItem::TruckTank(1));
    number(&mut app, "0");
    assert!(
        app.day_view().stops[2].warning.contains("300 gal too much"),
        "{:?}",
        app.day_view().stops
    );
}

/// By hand, US gallons: 3,500 pumped out; 2,500 fill the first tank, 300 the second and 700 the third.
#[test]
fn what_goes_into_a_third_tank_of_the_truck_is_said_by_corrections_and_balances() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    for (place, room) in [(1, "300"), (2, "700")] {
        app.tap_setup_item(SetupItem::TruckTank(place));
        number(&mut app, room);
    }
    taps(
        &mut app,
        "shape nominal\n size capacity 3500\n size liquid 60\n out 3500",
    );
    app.tap_pump_record();
    app.tap_form_row(row(&app, "What ran over"));
    let rows = app.picker_view().unwrap().rows.clone();
    let rows = rows
        .iter()
        .map(|(title, line)| (title.as_str(), line.as_str()))
        .collect::<Vec<_>>();
    assert_eq!(
        rows,
        [
            ("All of it into truck tank 1", ""),
            ("truck tank 2", "room for 300 gal"),
            ("truck tank 3", "room for 700 gal"),
        ]
    );
    app.picker_choose(2);
    assert_eq!(
        app.pad_view().unwrap().text,
        "1000",
        "what the first tank cannot hold is offered"
    );
    app.pad_keep();
    app.tap_truck();
    for (place, really) in [(1, "300"), (2, "700")] {
        app.tap_truck_tank(place);
        app.tap_correct();
        number(&mut app, really);
        type_in(&mut app, "Ran on from tank 3 into tank 2");
    }
    let view = app.truck_view();
    let loads = view.tanks.iter().map(|tank| tank.load.as_str()).collect::<Vec<_>>();
    assert_eq!(loads, ["2,500 of 2,500 gal", "300 of 300 gal", "700 of 700 gal"]);
    assert!(adds_up(&view.balance), "{}", view.balance);
    assert!(view.balance.contains("3,500 on board"), "{}", view.balance);
}

/// By hand, US gallons: 3,000 pumped out; 2,500 fill the first tank of the truck and 500 run over into the second.
#[test]
fn one_pump_out_stands_in_two_tanks_of_the_truck_and_every_list_agrees() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    app.tap_setup_item(SetupItem::TruckTank(1));
    number(&mut app, "1200");
    taps(&mut app, "shape nominal\n size capacity 3000\n size liquid 60");
    let before = app.pump_view();
    assert!(
        before.truck_over && before.truck_text.contains("truck tank 1 and truck tank 2 together"),
        "{before:?}"
    );
    taps(&mut app, "out 3000");
    let over = app.pump_view();
    assert!(over.truck_over && over.truck_text.contains("ran over"), "{over:?}");

    app.tap_pump_record();
    app.tap_form_row(row(&app, "What ran over"));
    app.picker_choose(1);
    assert_eq!(
        app.pad_view().unwrap().text,
        "500",
        "what the first tank cannot hold is offered"
    );
    number(&mut app, "3100");
    assert!(
        app.notice().unwrap().text.what.contains("Only 3,000 gal"),
        "{:?}",
        app.notice()
    );
    app.tap_form_row(row(&app, "What ran over"));
    app.picker_choose(1);
    app.pad_keep();
    assert_eq!(
        app.form_view().rows[row(&app, "What ran over")].right,
        "500 gal into truck tank 2"
    );
    assert_eq!(app.form_view().rows[row(&app, "Amount collected")].right, "3,000 gal");

    app.tap_truck();
    let view = app.truck_view();
    let loads = view.tanks.iter().map(|tank| tank.load.as_str()).collect::<Vec<_>>();
    assert_eq!(loads, ["2,500 of 2,500 gal", "500 of 1,200 gal"]);
    assert!(
        adds_up(&view.balance) && view.balance.contains("3,000 collected"),
        "{}",
        view.balance
    );
    // The first tank let out: of this load 2,500 are gone and 500 still on board.
    app.tap_truck_tank(0);
    app.tap_dispose();
    app.picker_choose(0);
    type_in(&mut app, "Sample works");
    app.pad_keep();
    app.go(Screen::Truck);
    assert!(adds_up(&app.truck_view().balance));
    app.tap_pump_record();
    assert!(
        app.form_view()
            .lead
            .iter()
            .any(|line| line.contains("500 gal of it is still on board")),
        "{:?}",
        app.form_view().lead
    );

    app.go(Screen::Day);
    app.tap_day_file();
    app.picker_choose(0);
    app.settle_day_file();
    let made = std::fs::read_dir(folder.path().join("day-files"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let out = Command::new("unzip")
        .arg("-p")
        .arg(&made)
        .arg("csv/loads.csv")
        .output()
        .expect("unzip is needed");
    let table = folder.path().join("loads.csv");
    std::fs::write(&table, out.stdout).unwrap();
    let table = read_csv(&table);
    let cell = |name: &str| {
        let at = table[0]
            .as_array()
            .unwrap()
            .iter()
            .position(|head| head == name)
            .unwrap();
        table[1][at].as_str().unwrap().to_owned()
    };
    // NIST SP 811: one US gallon is 3.785411784 L.
    assert_eq!(cell("taken_out_l"), "11356.235");
    assert_eq!(cell("into_second_l"), "1892.706");
    assert_eq!(
        (cell("truck_tank"), cell("second_truck_tank")),
        ("1".to_owned(), "2".to_owned())
    );

    let book = folder.path().join("office/book.sqlite");
    let office = |args: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
            .arg("--book")
            .arg(&book)
            .args(args)
            .output()
            .unwrap();
        assert!(
            out.status.success(),
            "{args:?}: {}",
            String::from_utf8_lossy(&out.stderr)
        );
        String::from_utf8(out.stdout).unwrap()
    };
    office(&["import", "--accept-unsigned", made.to_str().unwrap()]);
    let period = ["records", "--from", "2026-06-01", "--to", "2026-06-30"];
    let said: serde_json::Value = serde_json::from_str(&office(&[&period[..], &["--json"]].concat())).unwrap();
    assert_eq!(said["balances"], true);
    let collected = said["entries"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|entry| entry["kind"] == "collected");
    let mut parts = collected
        .map(|entry| {
            (
                entry["truck_tank"].as_str().unwrap().to_owned(),
                entry["amount_l"].as_f64().unwrap(),
            )
        })
        .collect::<Vec<_>>();
    parts.sort_by(|a, b| a.0.cmp(&b.0));
    assert_eq!(
        parts,
        [
            ("truck tank 1".to_owned(), 9_463.529),
            ("truck tank 2".to_owned(), 1_892.706)
        ]
    );
    assert_eq!(said["on_board_l"].as_f64(), Some(1_892.706));
    let doctor: serde_json::Value = serde_json::from_str(&office(&["doctor", "--json"])).unwrap();
    assert_eq!(
        (&doctor["sound"], &doctor["findings"]),
        (&true.into(), &serde_json::json!([]))
    );

    // The record of the load as the office writes it: the amount, what is missing by name, and until when it is kept.
    let pdf = folder.path().join("records.pdf");
    let said = office(&[&period[..], &["--pdf", pdf.to_str().unwrap()]].concat());
    let text = pdf_text(&pdf);
    for wanted in [
        "Hauled-waste record",
        "3,000 gal",
        "1 Sample Lane",
        "June 17, 2031",
        "500 gal of it is still on board",
    ] {
        assert!(text.contains(wanted), "{wanted:?} is not in\n{text}");
    }
    assert!(
        said.contains("Missing on the record of 2026-06-17, 1 Sample Lane"),
        "{said}"
    );
    let each = folder.path().join("records");
    std::fs::create_dir(&each).unwrap();
    office(&[&period[..], &["--pdf", each.to_str().unwrap()]].concat());
    assert_eq!(std::fs::read_dir(&each).unwrap().count(), 1);
}

fn app_at(path: &Path, at: DateTime<FixedOffset>) -> App {
    let session = Session::new(
        Store::open(path).unwrap(),
        || rulefile::embedded().unwrap(),
        Box::new(move || at),
        || {},
    )
    .unwrap();
    App::start(session, path.with_file_name("slips")).unwrap()
}

#[test]
fn what_stays_on_board_is_carried_over_and_counts_for_the_next_day() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    taps(&mut app, "out 1000");
    app.go(Screen::Day);
    app.session_mut().settle().unwrap();
    drop(app);
    let mut app = app_at(&path, now() + TimeDelta::days(1));
    app.tap_truck();
    let view = app.truck_view();
    assert!(view.balance.starts_with("1,000 carried over + 0 collected"), "{view:?}");
    assert!(
        view.notes.iter().any(|note| note.contains("1,000 gal came over")),
        "{view:?}"
    );
    assert!(
        view.notes.iter().any(|note| note.contains("June 17, 2026")),
        "the day before is not closed: {view:?}"
    );
    // Two months later the old lines are added up instead of listed, and the load is the same.
    drop(app);
    let app = app_at(&path, now() + TimeDelta::days(60));
    assert!(app.ledger().running().is_empty());
    assert_eq!(app.truck_view().tanks[0].load, "1,000 of 2,500 gal");
}

// --- the record and the closing of the day ------------------------------------------------------

#[test]
#[allow(
    clippy::too_many_lines,
    reason = "one day, from the first missing field to the record kept"
)]
fn a_day_under_texas_rules_names_what_is_missing_and_each_is_a_tap_away() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "tx-285.38");
    taps(&mut app, "out 1000\n finish");
    app.confirm_answer(true);
    // Nothing has been let out: what the place alone knows is not missing yet.
    let names = missing_names(&mut app);
    assert_eq!(
        names,
        [
            "Hauler",
            "Hauler's address",
            "Hauler's phone",
            "Hauler's registration",
            "Generator's signature",
            "Type of waste",
            "Tank volume",
            "Driver",
            "Driver's signature",
        ]
    );
    for (name, text) in [
        ("Hauler", "Sample Hauling"),
        ("Hauler's address", "9 Sample Road"),
        ("Hauler's phone", "555 0100"),
        ("Hauler's registration", "S-1"),
        ("Driver", "Dee Sample"),
    ] {
        app.tap_close_day();
        let at = app
            .form_view()
            .rows
            .iter()
            .position(|row| row.title == name && row.message == "missing");
        app.tap_form_row(at.unwrap());
        type_in(&mut app, text);
    }
    app.tap_close_day();
    app.tap_form_row(row(&app, "Generator's signature"));
    sign(&mut app, "Ana Sample");
    app.tap_form_row(row(&app, "Driver's signature"));
    sign(&mut app, "Dee Sample");
    app.tap_form_row(row(&app, "Type of waste"));
    app.picker_choose(0);
    assert_eq!(missing_names(&mut app), ["Tank volume"]);
    app.tap_form_row(row(&app, "Tank volume"));
    assert_eq!(app.screen(), Screen::Tank);
    taps(&mut app, "shape nominal\n size capacity 1100\n size liquid 48");
    app.go(Screen::Day);
    assert_eq!(missing_names(&mut app), Vec::<String>::new());
    // Let out, the place's own fields are missing, and a difference has to be noted.
    app.tap_truck();
    app.tap_dispose();
    app.picker_choose(0);
    type_in(&mut app, "Sample works");
    app.pad_keep();
    assert_eq!(
        missing_names(&mut app),
        [
            "Place's permit",
            "Place's operator",
            "Amount received there",
            "Receiver's signature"
        ]
    );
    app.tap_form_row(row(&app, "Amount received there"));
    assert_eq!(app.screen(), Screen::Disposal);
    app.tap_form_row(row(&app, "Amount received there"));
    number(&mut app, "950");
    assert_eq!(
        missing_names(&mut app),
        [
            "Place's permit",
            "Place's operator",
            "Receiver's signature",
            "Difference noted"
        ]
    );
    app.tap_form_row(row(&app, "Difference noted"));
    for (name, text) in [
        ("Difference noted", "Meter read 950"),
        ("Place's permit", "P-1"),
        ("Place's operator", "Sample District"),
    ] {
        app.tap_form_row(row(&app, name));
        type_in(&mut app, text);
    }
    app.tap_form_key(0);
    sign(&mut app, "R. Sample");
    assert_eq!(missing_names(&mut app), Vec::<String>::new());
    // Nothing is missing, so no reason is asked for.
    app.tap_form_key(0);
    assert!(app.sheet_view().is_none());
    app.session_mut().settle().unwrap();
    let db = Connection::open(&path).unwrap();
    assert_eq!(strings(&db, "SELECT reason || missing FROM day_close"), [""]);
    // Five years from the day it was collected (30 TAC 312.145).
    assert_eq!(strings(&db, "SELECT keep_until FROM waste_record"), ["2031-06-17"]);
    // The place is kept with what was typed, to be chosen again.
    assert_eq!(
        strings(
            &db,
            "SELECT name || '|' || permit || '|' || operator FROM disposal_place"
        ),
        ["Sample works|P-1|Sample District"]
    );
    // What the customer is called later does not change the record of a closed day.
    db.execute("UPDATE site SET customer = 'Somebody Else'", []).unwrap();
    app.go(Screen::Day);
    app.tap_truck();
    let loads = app.loads_today();
    let csv = String::from_utf8(app.records_csv(&loads)).unwrap();
    assert!(csv.contains("Sample, owner") && !csv.contains("Somebody Else"), "{csv}");
}

#[test]
fn a_day_closed_with_something_missing_keeps_the_reason_and_the_list() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "nc-130a-335.1");
    taps(&mut app, "out 1000");
    app.go(Screen::Day);
    assert_eq!(missing_names(&mut app), ["Type of waste"]);
    app.tap_form_key(0);
    app.sheet_keep();
    assert!(app.sheet_view().is_some(), "no reason, not closed");
    type_in(&mut app, "Form is at the office");
    app.session_mut().settle().unwrap();
    let db = Connection::open(&path).unwrap();
    assert_eq!(strings(&db, "SELECT reason FROM day_close"), ["Form is at the office"]);
    let missing: serde_json::Value = serde_json::from_str(&strings(&db, "SELECT missing FROM day_close")[0]).unwrap();
    assert_eq!(missing[0]["field"], "waste_kind");
    assert_eq!(strings(&db, "SELECT missing FROM waste_record"), ["[\"waste_kind\"]"]);
    // North Carolina does not say how long; five years is what the states that say ask for.
    assert_eq!(strings(&db, "SELECT keep_until FROM waste_record"), ["2031-06-17"]);
    // A correction after the closing is seen, and closing again takes it in.
    app.tap_truck();
    app.tap_correct();
    number(&mut app, "900");
    type_in(&mut app, "Sight glass");
    app.tap_close_day();
    let lead = app.form_view().lead.join("\n");
    assert!(lead.contains("1,000 gal") && lead.contains("close it again"), "{lead}");
    app.tap_form_key(0);
    type_in(&mut app, "Form is at the office");
    assert!(!app.form_view().lead.join("\n").contains("close it again"));
    app.session_mut().settle().unwrap();
    assert_eq!(strings(&db, "SELECT count(*) || '' FROM day_close"), ["1"]);
}

#[test]
fn five_years_from_a_leap_day_end_on_the_last_of_february() {
    let day = |text: &str| text.parse::<NaiveDate>().unwrap();
    assert_eq!(kept_until(day("2024-02-29"), 5), Some(day("2029-02-28")));
    assert_eq!(kept_until(day("2026-06-17"), 5), Some(day("2031-06-17")));
}

/// Reads a CSV file with Python's own reader in its strict form and returns it as JSON.
fn read_csv(path: &Path) -> serde_json::Value {
    let program = "import csv, json, sys\n\
                   with open(sys.argv[1], newline='', encoding='utf-8') as f:\n    \
                   print(json.dumps(list(csv.reader(f, strict=True))))";
    let out = Command::new("python3")
        .args(["-c", program])
        .arg(path)
        .output()
        .expect("python3 is needed: apt-get install python3");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn pdf_text(path: &Path) -> String {
    let out = Command::new("pdftotext")
        .arg("-layout")
        .arg(path)
        .arg("-")
        .output()
        .expect("pdftotext is needed: apt-get install poppler-utils");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

#[test]
fn the_record_reads_back_from_its_files_in_both_languages() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    taps(
        &mut app,
        "note Behind the \"old\" shed, left\n out 1000\n waste septage\n why Backup, alarm",
    );
    app.go(Screen::Day);
    app.tap_truck();
    app.tap_dispose();
    app.picker_choose(0);
    type_in(&mut app, "Sample works, gate 2");
    app.pad_keep();
    app.tap_form_row(row(&app, "Ticket number"));
    type_in(&mut app, "T-77");
    let slips = folder.path().join("slips");
    for (language, heading, kind, amount) in [
        (
            Language::English,
            "Hauled-waste record",
            "Septic tank",
            "Amount collected (gal)",
        ),
        (
            Language::Spanish,
            "Registro de residuos transportados",
            "Tanque séptico",
            "Cantidad recogida (gal)",
        ),
    ] {
        app.choose_language(language);
        app.go(Screen::Truck);
        app.tap_truck_entry(1);
        assert_eq!(app.screen(), Screen::Load);
        for key in [0, 1] {
            app.tap_form_key(key);
        }
        let file = |end: &str| {
            let mut found = std::fs::read_dir(&slips)
                .unwrap()
                .map(|entry| entry.unwrap().path())
                .filter(|path| path.extension().is_some_and(|own| own == end))
                .collect::<Vec<_>>();
            assert_eq!(found.len(), 1, "{found:?}");
            found.pop().unwrap()
        };
        assert!(file("pdf").to_string_lossy().contains(&file_stem("1 Sample Lane")));
        let text = pdf_text(&file("pdf"));
        for wanted in [
            heading,
            kind,
            "1,000 gal",
            "Sample works, gate 2",
            "T-77",
            "Ana \"Nan\" Sample, owner",
            "1 Sample Lane",
        ] {
            assert!(text.contains(wanted), "{language:?}: {wanted:?} is not in\n{text}");
        }
        let table = read_csv(&file("csv"));
        let rows = table.as_array().unwrap();
        assert_eq!(rows.len(), 2);
        let cell = |name: &str| {
            let at = rows[0].as_array().unwrap().iter().position(|head| head == name);
            rows[1][at.unwrap_or_else(|| panic!("no column {name}"))]
                .as_str()
                .unwrap()
                .to_owned()
        };
        assert_eq!(cell(amount), "1000.0");
        let columns = rows[0].as_array().unwrap().len();
        assert_eq!(rows[1].as_array().unwrap().len(), columns);
        let values = rows[1].as_array().unwrap();
        for wanted in [
            "Ana \"Nan\" Sample, owner",
            "Behind the \"old\" shed, left",
            "2026-06-17",
            "Backup, alarm",
            "T-77",
        ] {
            assert!(
                values.iter().any(|value| value == wanted),
                "{wanted:?} is not in {values:?}"
            );
        }
        // RFC 4180: every record ends in CRLF.
        let bytes = std::fs::read(file("csv")).unwrap();
        assert!(bytes.ends_with(b"\r\n"));
        let text = String::from_utf8(bytes).unwrap();
        assert_eq!(text.matches('\n').count(), text.matches("\r\n").count());
    }
    // The day as one file.
    app.choose_language(Language::English);
    app.tap_close_day();
    app.tap_form_key(1);
    assert!(pdf_text(&slips.join("2026-06-17-hauled-waste.pdf")).contains("Hauled-waste record"));
}

#[test]
fn a_folder_that_cannot_be_written_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let (mut app, _) = app_under(&path, "general");
    taps(&mut app, "out 1000");
    // A file stands where the folder of the papers should be.
    std::fs::write(folder.path().join("slips"), b"in the way").unwrap();
    app.go(Screen::Day);
    app.tap_close_day();
    app.tap_form_key(2);
    let notice = app.notice().unwrap();
    assert!(notice.text.what.contains("cannot be written"), "{notice:?}");
}

// --- books from before --------------------------------------------------------------------------

#[test]
fn a_book_from_before_trucks_keeps_its_load() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let sql = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/store/0001_init.sql")).unwrap();
    let db = Connection::open(&path).unwrap();
    db.execute_batch(&sql).unwrap();
    db.pragma_update(None, "application_id", 0x4C49_444D).unwrap();
    db.pragma_update(None, "user_version", 1).unwrap();
    // 7,571 L of truck, emptied at ten; 2,000 L pumped at eight, 3,000 L at eleven, in another offset's words.
    db.execute_batch(
        "INSERT INTO setup (id, language, units, night, rule_set, dig_fee, riser_6, riser_12, riser_18, riser_24, truck_ml,
           truck_emptied_at, edge_mm)
         VALUES ('00000000-0000-0000-0000-000000000001', 'en', 'metric', 0, 'general', 0, 0, 0, 0, 0, 7571000,
           '2026-06-17T10:00:00.000-05:00', 25);
         INSERT INTO site (id, name) VALUES ('00000000-0000-0000-0000-0000000000a1', 'Old site');
         INSERT INTO tank (id, site, place) VALUES ('00000000-0000-0000-0000-0000000000b1', '00000000-0000-0000-0000-0000000000a1', 0);
         INSERT INTO stop (id, site, day, place, station, started_at) VALUES
           ('00000000-0000-0000-0000-0000000000c1', '00000000-0000-0000-0000-0000000000a1', '2026-06-17', 0, 'pump', '2026-06-17T08:00:00.000-05:00'),
           ('00000000-0000-0000-0000-0000000000c2', '00000000-0000-0000-0000-0000000000a1', '2026-06-17', 1, 'pump', '2026-06-17T16:00:00.000+00:00');
         INSERT INTO pumping (id, stop, tank, pumped, out_ml) VALUES
           ('00000000-0000-0000-0000-0000000000d1', '00000000-0000-0000-0000-0000000000c1', '00000000-0000-0000-0000-0000000000b1', 1, 2000000),
           ('00000000-0000-0000-0000-0000000000d2', '00000000-0000-0000-0000-0000000000c2', '00000000-0000-0000-0000-0000000000b1', 1, 3000000);",
    )
    .unwrap();
    drop(db);
    let mut app = app_at(&path, now() + TimeDelta::hours(5));
    app.tap_truck();
    let view = app.truck_view();
    assert_eq!(view.tanks[0].load, "3,000 of 7,571 L");
    assert_eq!(view.entries.len(), 1);
    assert_eq!(
        app.session().setup().truck_ml,
        7_571_000,
        "what stood there can still be read"
    );
    assert!(app.session().setup().truck_emptied_at.is_some());
    let db = Connection::open(&path).unwrap();
    let ids = strings(&db, "SELECT id FROM truck UNION ALL SELECT id FROM truck_tank");
    for id in &ids {
        assert_eq!(Uuid::parse_str(id).unwrap().get_version_num(), 4, "{id}");
    }
    app.session().ask(|store| store.check()).unwrap();
}

/// A year of one truck's pump-outs, disposals and corrections by dice, over its own three tanks and the tank of another truck.
/// The middle one is counted from a day in spring on.
fn year_by_dice(dice: &mut Dice) -> Op {
    fn made<R: Record>(list: &mut Vec<lidmark::domain::record::FieldChange>, record: R) {
        list.extend(changes(&[], &[record]));
    }
    let id = Uuid::from_u128;
    let mut list = Vec::new();
    let site = SiteId(id(1));
    made(
        &mut list,
        Site {
            id: site,
            ..Site::default()
        },
    );
    made(
        &mut list,
        Tank {
            id: TankId(id(1)),
            site,
            ..Tank::default()
        },
    );
    for n in [1, 2] {
        made(
            &mut list,
            Truck {
                id: TruckId(id(n)),
                ..Truck::default()
            },
        );
    }
    for n in 1..=4_u8 {
        let is_middle = n == 2;
        made(
            &mut list,
            TruckTank {
                id: TruckTankId(id(n.into())),
                truck: TruckId(id(if n == 4 { 2 } else { 1 })),
                place: n.into(),
                capacity_ml: 9_000_000,
                opened_at: is_middle.then(|| now() - TimeDelta::days(90)),
                opening_ml: if is_middle { 1_234_567 } else { 0 },
                ..TruckTank::default()
            },
        );
    }
    let amount = |dice: &mut Dice| i64::try_from(dice.below(4_000_000)).unwrap();
    for n in 0..160_u128 {
        let at = now() - TimeDelta::minutes(i64::try_from(dice.below(365 * 24 * 60)).unwrap());
        let tank = TruckTankId(id(u128::try_from(dice.below(4)).unwrap() + 1));
        let second = TruckTankId(id(u128::try_from(dice.below(4)).unwrap() + 1));
        let is_removed = dice.below(9) == 0;
        match dice.below(4) {
            0 => made(
                &mut list,
                Disposal {
                    id: DisposalId(id(n)),
                    truck_tank: tank,
                    at: Some(at),
                    out_ml: amount(dice),
                    removed: is_removed,
                    ..Disposal::default()
                },
            ),
            1 => made(
                &mut list,
                LoadCorrection {
                    id: LoadCorrectionId(id(n)),
                    truck_tank: tank,
                    at: Some(at),
                    change_ml: amount(dice) - 2_000_000,
                    removed: is_removed,
                    ..LoadCorrection::default()
                },
            ),
            _ => {
                let stop = StopId(id(n));
                made(
                    &mut list,
                    Stop {
                        id: stop,
                        site,
                        day: at.date_naive(),
                        started_at: Some(at),
                        ..Stop::default()
                    },
                );
                let out_ml = amount(dice);
                made(
                    &mut list,
                    Pumping {
                        id: PumpingId(id(n)),
                        stop,
                        tank: TankId(id(1)),
                        pumped: *dice.pick(&[None, Some(true), Some(true), Some(false)]),
                        out_ml: Some(out_ml),
                        truck_tank: *dice.pick(&[None, Some(tank)]),
                        second_tank: *dice.pick(&[None, Some(second)]),
                        second_ml: *dice.pick(&[None, Some(0), Some(out_ml / 3), Some(out_ml), Some(out_ml + 1)]),
                        removed: is_removed,
                        ..Pumping::default()
                    },
                );
            }
        }
    }
    Op {
        id: id(9_999),
        stop: None,
        at: now(),
        label: "by dice".to_owned(),
        undoable: false,
        changes: list,
    }
}

/// Against the ledger that adds up every entry by itself: what lies before the period is added up by the database.
#[test]
fn what_is_on_board_does_not_hang_on_where_the_period_begins() {
    let folder = tempfile::tempdir().unwrap();
    let (mut loads, mut is_different_before) = (0, false);
    for seed in 0..12 {
        let mut store = Store::open(&folder.path().join(format!("{seed}.sqlite"))).unwrap();
        store.keep(&year_by_dice(&mut Dice::new(seed))).unwrap();
        let truck = Some(TruckId(Uuid::from_u128(1)));
        let whole = store.truck(truck, NaiveDate::MIN).unwrap();
        let every = whole.ledger(None);
        loads += whole.loads.len();
        for days in [0, 1, 2, 40, 89, 90, 91, 200, 366] {
            let since = now().date_naive() - TimeDelta::days(days);
            let rows = store.truck(truck, since).unwrap();
            let ledger = rows.ledger(None);
            for tank in &whole.tanks {
                assert_eq!(
                    ledger.load_ml(tank.id),
                    every.load_ml(tank.id),
                    "seed {seed}, the last {days} days, {:?}",
                    tank.id
                );
            }
            is_different_before |= rows.loads.len() < whole.loads.len();
        }
    }
    assert!(loads > 300 && is_different_before, "{loads} loads");
}
