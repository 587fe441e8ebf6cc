//! What is asked for in other words: places, trucks, lists, and what is said where it is not understood.

use super::{Desk, id_of};
use lidmark::domain::record::{Truck, TruckId, TruckTank, TruckTankId, changes};
use serde_json::Value;
use std::path::Path;
use std::process::Command;
use uuid::Uuid;

fn desk() -> Desk {
    let desk = Desk::with_customers();
    desk.done(&["read-csv", "customers.csv"]);
    desk
}

#[test]
fn a_place_is_found_by_telephone_number_and_by_words_in_any_order() {
    let desk = desk();
    let juniper = id_of(&desk, "juniper");
    for asked in [
        "555 0142",
        "5550142",
        "555-0142",
        "(555) 0142",
        "+1 555 0142",
        "0142",
        "quiroga marta",
        "MARTA  quiroga",
        "bend juniper",
        "osier quiroga",
    ] {
        assert_eq!(id_of(&desk, asked), juniper, "{asked}");
    }
    desk.refused(1, &["site", "555 9999"]);
    desk.refused(1, &["site", "marta oneil"]);
    // The name of a place goes before a number that holds the same digits.
    assert_ne!(id_of(&desk, "17"), juniper);
    assert!(desk.refused(1, &["site", "555"]).contains("No site matches"));
    let said = desk.refused(1, &["site", "osier"]);
    assert!(said.contains("Several sites match"), "{said}");
}

#[test]
fn a_truck_or_a_town_that_nobody_knows_is_said_with_those_that_are_known() {
    let desk = desk();
    for command in [&["due", "--truck", "Blue"][..], &["records", "--truck", "Blue"]] {
        let said = desk.refused(1, command);
        assert!(
            said.contains("No truck is called \"Blue\".") && said.contains("knows no truck yet"),
            "{said}"
        );
    }
    let truck = |n: u128, name: &str, plate: &str| Truck {
        id: TruckId(Uuid::from_u128(n)),
        name: name.to_owned(),
        plate: plate.to_owned(),
        ..Truck::default()
    };
    desk.keep(changes(&[], &[truck(1, "Big Red", "RED 1"), truck(2, "", "GRN 2")]));
    desk.keep(changes(
        &[],
        &[1, 2].map(|n| TruckTank {
            id: TruckTankId(Uuid::from_u128(n)),
            truck: TruckId(Uuid::from_u128(n)),
            ..TruckTank::default()
        }),
    ));
    for command in ["due", "records"] {
        let said = desk.refused(1, &[command, "--truck", "Blue"]);
        assert!(said.contains("Big Red") && said.contains("GRN 2"), "{said}");
        for known in ["big red", "BIG RED", "red 1", "grn 2"] {
            desk.done(&[command, "--truck", known]);
        }
    }
    let said = desk.refused(1, &["due", "--town", "Nowhere"]);
    assert!(said.contains("Towns in the book: Kiln End, Osier Ford."), "{said}");
    assert!(
        desk.refused(1, &["due", "--town", "Kiln End", "--town", "Nowhere"])
            .contains("Nowhere")
    );
    assert!(
        desk.refused(1, &["due", "--town", "Nowhere", "--lang", "es"])
            .contains("Ciudades en el libro")
    );
    let said = desk.done(&["due", "--month", "2026-12", "--town", "KILN  end"]);
    assert!(said.contains("1 site"), "{said}");
    assert!(
        desk.done(&["due", "--month", "2031-12", "--town", "kiln end"])
            .contains("0 sites")
    );
}

/// A litre is a cubic decimetre (SI brochure, 9th edition, table 8): 3.5 m³ are 3,500 L.
#[test]
fn a_column_of_sizes_is_read_by_the_decimal_sign_all_of_it_uses() {
    let desk = Desk::new();
    desk.write(
        "list.csv",
        "name;litros\nA;3500,5\nB;4.500\nC;3,5 m3\nD;4 m³\nE;12.345,5\nF;4.500 L\n".as_bytes(),
    );
    desk.write(
        "points.csv",
        b"name,litres\nG,3500.5\nH,\"4,500\"\nI,3.5 m3\nJ,\"1,000 gal\"\n",
    );
    // Nothing else in the column tells: a tank of four and a half litres cannot be, one of 4,500 can.
    desk.write("alone.csv", b"name;litros\nK;4.500\nL;3.500 m3\n");
    for list in ["list.csv", "points.csv", "alone.csv"] {
        let said = desk.json(&["read-csv", list, "--json"]);
        assert_eq!(said["rows_refused"], 0, "{list}: {said}");
    }
    let litres = |name: &str| desk.json(&["site", name, "--json"])["tanks"][0]["capacity_l"].clone();
    for (name, size) in [
        ("A", 3_501),
        ("B", 4_500),
        ("C", 3_500),
        ("D", 4_000),
        ("E", 12_346),
        ("F", 4_500),
        ("G", 3_501),
        ("H", 4_500),
        ("I", 3_500),
        ("J", 3_785),
        ("K", 4_500),
        ("L", 3_500),
    ] {
        assert_eq!(litres(name), Value::from(size), "{name}");
    }
}

#[test]
fn a_sum_is_no_customer_and_a_head_with_a_comma_is_a_name() {
    let desk = Desk::new();
    desk.write(
        "list.csv",
        b"\"Last, First\",\"Size, old\",gallons,phone\n\"Quiroga, Marta\",x,1000,\nTotal,,5000,\nTotals,,,\nTotal general,,1,\nGrand total: 12,,,\nTotal,,1000,555 0199\n",
    );
    let said = desk.done(&["read-csv", "list.csv"]);
    assert!(said.contains("customer <- Last, First"), "{said}");
    assert!(said.contains("Columns not used: \"Size, old\""), "{said}");
    assert!(
        said.contains("4 rows were refused.") && said.contains("line 3: A sum of the list"),
        "{said}"
    );
    // A filling station may bear that name; whoever has a telephone is no sum.
    assert!(said.contains("2 sites added."), "{said}");
    assert_eq!(
        desk.json(&["site", "marta quiroga", "--json"])["customer"],
        "Quiroga, Marta"
    );
    desk.write("both.csv", b"Customer,\"Last, First\"\nAsh,\"Ash, A\"\n");
    assert!(
        desk.done(&["read-csv", "both.csv"])
            .contains("Columns not used: \"Last, First\"")
    );
}

#[test]
fn a_list_of_which_nothing_is_taken_ends_as_refused_and_old_refusals_do_not_lie_about() {
    let desk = Desk::new();
    let run = |arguments: &[&str]| {
        let output = desk.run(&[&["read-csv", "list.csv"], arguments].concat());
        let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        (output.status.code(), said)
    };
    desk.write("list.csv", b"name,due\nAsh,some day\nBirch,another\n");
    for more in [&[][..], &["--dry-run"], &["--quiet"], &["--json"]] {
        let (code, said) = run(more);
        assert_eq!(code, Some(1), "{said}");
        assert!(
            said.contains("Every row was refused") && said.contains("what to do: "),
            "{said}"
        );
    }
    assert!(desk.path("list-rejected.csv").exists());
    let (code, said) = run(&["--lang", "es"]);
    assert!(
        code == Some(1) && said.contains("error: Se rechazaron todas") && said.contains("qué hacer: "),
        "{said}"
    );
    desk.write("list.csv", b"name,due\nAsh,2027-01-02\n");
    let (code, said) = run(&[]);
    assert!(
        code == Some(0) && said.contains("list-rejected.csv of an earlier run was taken away"),
        "{said}"
    );
    assert!(!desk.path("list-rejected.csv").exists());
    // Something of that name that is not recognisably ours stays, and is said.
    desk.write("list-rejected.csv", b"my own notes");
    let (code, said) = run(&["--quiet"]);
    assert!(
        code == Some(0) && said.contains("list-rejected.csv is not of this run"),
        "{said}"
    );
    assert_eq!(desk.read("list-rejected.csv"), "my own notes");
}

#[test]
fn what_was_not_understood_is_said_in_one_line_with_what_to_do() {
    let desk = desk();
    let vectors = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/dayfile");
    for name in ["good.lidmark", "unsigned.lidmark"] {
        std::fs::copy(vectors.join(name), desk.path(name)).unwrap();
    }
    let said = desk.refused(1, &["read-csv", "good.lidmark"]);
    assert!(
        said.contains("is a day file of a phone") && said.contains("lidmark-office import"),
        "{said}"
    );
    let said = desk.refused(1, &["phones", "add", "unsigned.lidmark"]);
    assert!(
        said.contains("not signed") && !said.contains("--accept-unsigned"),
        "{said}"
    );
    // Everything that is missing at once.
    let said = desk.refused(2, &["remind"]);
    for option in ["--month", "--out", "--company NAME", "--company-phone"] {
        assert!(said.contains(option), "{said}");
    }
    let said = desk.refused(1, &["remind", "--month", "2026-02", "--out", "l"]);
    assert!(said.contains("--company NAME --company-phone NUMBER"), "{said}");
    // The line of a mapping and of a template, on one line.
    desk.write("map.toml", b"delimiter = \";\"\n[columns]\nnope = \"Who\"\n");
    let said = desk.refused(1, &["read-csv", "customers.csv", "--map", "map.toml"]);
    assert!(
        said.contains("line 3: ") && said.contains("nope") && !said.contains('|'),
        "{said}"
    );
    desk.write("own.toml", b"page = \"a4\"\n\n[en]\nheading = 1\n");
    let said = desk.refused(
        1,
        &["remind", "--month", "2026-02", "--out", "l", "--template", "own.toml"],
    );
    assert!(said.contains("line 4: ") && !said.contains('^'), "{said}");
    // Labels in the language asked for, or the book's own.
    let said = desk.refused(2, &["due", "--from", "soon", "--lang", "es"]);
    assert!(
        said.starts_with("error: \"soon\"") && said.contains("\nqué hacer: "),
        "{said}"
    );
    std::fs::create_dir(desk.path("folder")).unwrap();
    for command in [
        &["due"][..],
        &["import", "good.lidmark"],
        &["read-csv", "customers.csv"],
        &["restore", "book.sqlite"],
    ] {
        let said = desk.refused(4, &[&["--book", "folder"], command].concat());
        assert!(said.contains("folder is a folder, not a book."), "{said}");
    }
    // An empty name in the environment is none.
    let data = desk.path("data");
    let output = Command::new(env!("CARGO_BIN_EXE_lidmark-office"))
        .arg("due")
        .env("LIDMARK_BOOK", "")
        .env("XDG_DATA_HOME", &data)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains(&*data.join("lidmark").to_string_lossy()), "{said}");
}
