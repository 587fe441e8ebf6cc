//! Other people's tools open the file and agree with it. `tests/run.sh` installs them.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use jsonschema::Validator;
use lidmark::domain::record::{
    Accepted, Disposal, DisposalId, LoadCorrection, LoadCorrectionId, Photo, PhotoId, Truck, TruckId, TruckTank,
    TruckTankId, WorkLine, WorkLineId, changes,
};
use lidmark::domain::units::Cents;
use lidmark::exchange::dayfile::seal::{OfficeSecret, seal};
use serde_json::Value;

use super::book::{self, Book, at, day};
use super::made;

fn run(command: &mut Command) -> String {
    let name = command.get_program().to_string_lossy().into_owned();
    let out = command
        .stdin(Stdio::null())
        .output()
        .unwrap_or_else(|error| panic!("{name}: {error}; tests/run.sh installs what is missing"));
    assert!(
        out.status.success(),
        "{command:?}\n{}{}",
        String::from_utf8_lossy(&out.stdout),
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).unwrap()
}

/// A file of a day with two photos, unpacked by unzip.
fn unpacked() -> (Book, tempfile::TempDir, Vec<u8>) {
    let book = Book::of_two_days();
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[book::photo(1, 30_000), book::photo(2, 60_000)]);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("day.lidmark"), &bytes).unwrap();
    run(Command::new("unzip")
        .args(["-q", "day.lidmark", "-d", "out"])
        .current_dir(&folder));
    (book, folder, bytes)
}

fn manifest(folder: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join("out/manifest.json")).unwrap()).unwrap()
}

#[test]
fn unzip_and_python_find_the_zip_sound() {
    let (_book, folder, _) = unpacked();
    let said = run(Command::new("unzip").args(["-t", "day.lidmark"]).current_dir(&folder));
    assert!(said.contains("No errors detected"), "{said}");
    let script =
        "import zipfile\nz = zipfile.ZipFile('day.lidmark')\nassert z.testzip() is None\nprint(z.namelist()[0])";
    let said = run(Command::new("python3").args(["-c", script]).current_dir(&folder));
    assert_eq!(said.trim(), "manifest.json");
}

#[test]
fn sha256sum_agrees_with_the_manifest() {
    let (_book, folder, _) = unpacked();
    let list = manifest(folder.path())["parts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|part| {
            format!(
                "{}  {}\n",
                part["sha256"].as_str().unwrap(),
                part["name"].as_str().unwrap()
            )
        })
        .collect::<Vec<_>>()
        .concat();
    std::fs::write(folder.path().join("out/SHA256SUMS"), &list).unwrap();
    let said = run(Command::new("sha256sum")
        .args(["--strict", "-c", "SHA256SUMS"])
        .current_dir(folder.path().join("out")));
    assert_eq!(
        said.lines().filter(|line| line.ends_with(": OK")).count(),
        list.lines().count()
    );
}

/// RFC 8410 gives the key the form openssl reads: twelve fixed bytes, then the key.
#[test]
fn openssl_verifies_the_signature() {
    let (_book, folder, _) = unpacked();
    let hex = |text: &str| {
        (0..text.len() / 2)
            .map(|i| u8::from_str_radix(&text[2 * i..2 * i + 2], 16).unwrap())
            .collect::<Vec<_>>()
    };
    let out = folder.path().join("out");
    let mut key = hex("302a300506032b6570032100");
    key.extend(hex(manifest(folder.path())["key"].as_str().unwrap()));
    std::fs::write(out.join("key.der"), key).unwrap();
    let signature = std::fs::read_to_string(out.join("manifest.sig")).unwrap();
    std::fs::write(out.join("sig.bin"), hex(signature.trim())).unwrap();
    let said = run(Command::new("openssl")
        .args([
            "pkeyutl", "-verify", "-rawin", "-pubin", "-keyform", "DER", "-inkey", "key.der",
        ])
        .args(["-sigfile", "sig.bin", "-in", "manifest.json"])
        .current_dir(&out));
    assert!(said.contains("Verified Successfully"), "{said}");
}

#[test]
fn age_opens_what_is_sealed_and_seals_what_is_opened() {
    let (_book, folder, bytes) = unpacked();
    let office = OfficeSecret::generate();
    std::fs::write(folder.path().join("office.key"), office.to_text()).unwrap();
    let mut sealing = seal(&office.public(), Vec::new()).unwrap();
    sealing.write_all(&bytes).unwrap();
    std::fs::write(folder.path().join("sealed.lidmark"), sealing.finish().unwrap()).unwrap();
    run(Command::new("age")
        .args(["-d", "-i", "office.key", "-o", "opened.lidmark", "sealed.lidmark"])
        .current_dir(&folder));
    assert_eq!(std::fs::read(folder.path().join("opened.lidmark")).unwrap(), bytes);
    // The other way is the vector `sealed`, which age made.
}

fn schema(name: &str) -> Validator {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schema").join(name);
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    jsonschema::meta::validate(&schema).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

fn complaints(validator: &Validator, value: &Value) -> Vec<String> {
    validator
        .iter_errors(value)
        .map(|error| {
            format!("{}: {error}", error.instance_path())
                .chars()
                .take(300)
                .collect()
        })
        .collect()
}

#[test]
fn manifest_records_and_log_fit_their_schemas() {
    let (_book, folder, _) = unpacked();
    let sheet = schema("day-manifest.schema.json");
    assert_eq!(complaints(&sheet, &manifest(folder.path())), Vec::<String>::new());
    let lines = |validator: &Validator, path: &Path| {
        let text = std::fs::read_to_string(path).unwrap();
        for line in text.lines() {
            let value: Value = serde_json::from_str(line).unwrap();
            assert_eq!(complaints(validator, &value), Vec::<String>::new(), "{line}");
        }
        text.lines().count()
    };
    let record = schema("day-record.schema.json");
    let mut count = 0;
    for entry in std::fs::read_dir(folder.path().join("out/records")).unwrap() {
        count += lines(&record, &entry.unwrap().path());
    }
    assert!(count > 10);
    let log = schema("day-log.schema.json");
    assert!(lines(&log, &folder.path().join("out/log.jsonl")) >= 4);
    // The schemas can refuse: what the reader refuses for its form, they refuse too.
    let mut wrong = manifest(folder.path());
    wrong["colour"] = "red".into();
    assert!(!complaints(&sheet, &wrong).is_empty());
    wrong = manifest(folder.path());
    wrong["parts"][0]["name"] = "../evil.txt".into();
    assert!(!complaints(&sheet, &wrong).is_empty());
    assert!(!record.is_valid(&serde_json::json!({"id": "17", "fields": {}})));
    assert!(!log.is_valid(&serde_json::json!({"id": "17"})));
}

/// RFC 4180, as Python's csv module reads it with strict=True.
#[test]
fn python_reads_the_tables() {
    let (_book, folder, _) = unpacked();
    let script = r"
import csv, glob, json
out = {}
for path in glob.glob('out/csv/*.csv') + glob.glob('out/tables/*.csv'):
    raw = open(path, 'rb').read()
    assert raw.endswith(b'\r\n'), path
    rows = list(csv.reader(open(path, newline='', encoding='utf-8'), strict=True))
    assert all(len(row) == len(rows[0]) for row in rows), path
    out[path[4:]] = [dict(zip(rows[0], row)) for row in rows[1:]]
print(json.dumps(out))
";
    let said = run(Command::new("python3").args(["-c", script]).current_dir(&folder));
    let tables: Value = serde_json::from_str(&said).unwrap();
    let stops = tables["csv/stops.csv"].as_array().unwrap();
    assert_eq!(stops.len(), 2);
    assert_eq!(stops[0]["site"], "A");
    assert_eq!(stops[0]["place"], "1");
    // 1,000 US gallons are 3,785.411784 l (NIST SP 811: one gallon is 3.785 411 784 l), kept to the millilitre.
    assert_eq!(stops[0]["taken_out_l"], "3785.412");
    assert_eq!(stops[0]["signed_by"], "A. <Signer> & Co");
    let sites = tables["csv/sites.csv"].as_array().unwrap();
    assert_eq!(sites.len(), 3);
    assert_eq!(sites[0]["address"], "12 Invented Road, \"upper\" end");
    assert_eq!(sites[0]["latitude_deg"], "44.1234567");
    assert_eq!(sites[1]["latitude_deg"], "", "unknown is empty, not zero");
    assert_eq!(tables["csv/loads.csv"].as_array().unwrap().len(), 2);
    let readings = tables["csv/readings.csv"].as_array().unwrap();
    assert_eq!(readings[0]["sludge_mm"], "300");
    assert_eq!(readings[0]["level_above_outlet_mm"], "-5");
    assert_eq!(readings[0]["scum_mm"], "");
    assert_eq!(tables["tables/lid.csv"].as_array().unwrap().len(), 6);
}

/// What a spreadsheet takes for a formula (the OWASP page "CSV Injection") stands in no cell of any table, and without the
/// apostrophe every text is what the records say.
#[test]
fn no_table_of_the_day_holds_a_formula() {
    let mut book = Book::empty();
    let name = "=HYPERLINK(\"http://example.invalid\")";
    let site = book.site(name, at(16, 9));
    book.stop(site, 17, 0);
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[]);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("day.lidmark"), bytes).unwrap();
    run(Command::new("unzip")
        .args(["-q", "day.lidmark", "-d", "out"])
        .current_dir(&folder));
    let script = r"
import csv, glob, sys
cells = [c for p in glob.glob('out/csv/*.csv') + glob.glob('out/tables/*.csv')
         for row in csv.reader(open(p, newline='', encoding='utf-8'), strict=True) for c in row]
print([c for c in cells if c[:1] in ('=', '@', '\t', '\r')])
print(sum(c == chr(39) + sys.argv[1] for c in cells))
";
    let said = run(Command::new("python3").args(["-c", script, name]).current_dir(&folder));
    let (formulas, found) = said.trim().split_once('\n').unwrap();
    assert_eq!(formulas, "[]");
    // In csv/sites.csv, csv/stops.csv and tables/site.csv at the least.
    assert!(found.trim().parse::<u32>().unwrap() >= 3, "{found}");
}

#[test]
fn ogrinfo_finds_the_sites_on_the_map() {
    let (_book, folder, _) = unpacked();
    let said = run(Command::new("ogrinfo")
        .args(["-ro", "-al", "out/map.geojson"])
        .current_dir(&folder));
    assert!(said.contains("Feature Count: 3"), "{said}");
    assert!(said.contains("POINT (-93.9876543 44.1234567)"), "{said}");
}

/// Read by the SVG library `usvg`.
#[test]
fn a_signature_is_a_picture() {
    let (_book, folder, _) = unpacked();
    let entry = std::fs::read_dir(folder.path().join("out/signatures"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    let svg = std::fs::read_to_string(entry.path()).unwrap();
    assert!(svg.contains("<title>A. &lt;Signer> &amp; Co</title>"), "{svg}");
    assert!(
        svg.contains("M10 20L300 40") && svg.contains("M500 500L500 500"),
        "{svg}"
    );
    let tree = resvg::usvg::Tree::from_str(&svg, &resvg::usvg::Options::default()).unwrap();
    assert_eq!((tree.size().width(), tree.size().height()), (1020.0, 520.0));
}

/// What the truck did, the lines of the slip and the photos, as Python's csv module reads them (RFC 4180, strict).
#[test]
fn an_office_without_the_program_has_the_truck_the_work_and_the_photos() {
    let mut book = Book::empty();
    let site = book.site("A", at(16, 9));
    let stop = book.stop(site, 17, 0);
    let truck = Truck {
        id: TruckId(book.id()),
        name: "Invented truck".to_owned(),
        ..Truck::default()
    };
    let tank = TruckTank {
        id: TruckTankId(book.id()),
        truck: truck.id,
        place: 1,
        capacity_ml: 9_463_530,
        ..TruckTank::default()
    };
    let disposal = Disposal {
        id: DisposalId(book.id()),
        truck_tank: tank.id,
        at: Some(at(17, 15)),
        place: "Invented plant, \"north\" gate".to_owned(),
        permit: "P-1".to_owned(),
        ticket: "T-77".to_owned(),
        out_ml: 3_785_412,
        accepted_ml: Some(3_700_000),
        receiver_name: "Rey <Invented>".to_owned(),
        receiver_signature: "[[[10,20],[300,40]]]".to_owned(),
        ..Disposal::default()
    };
    let correction = LoadCorrection {
        id: LoadCorrectionId(book.id()),
        truck_tank: tank.id,
        at: Some(at(17, 16)),
        change_ml: -500,
        reason: "gauge read again".to_owned(),
        ..LoadCorrection::default()
    };
    let line = WorkLine {
        id: WorkLineId(book.id()),
        stop,
        label: "Pump-out".to_owned(),
        quantity_thousandths: 1_500,
        unit_price: Cents(20_001),
        tax_permille: 68,
        accepted: Accepted::Yes,
        ..WorkLine::default()
    };
    let blob = book::photo(1, 30_000);
    let there = Photo {
        id: PhotoId(book.id()),
        site,
        stop: Some(stop),
        hash: blob.0.sha256.to_string(),
        lat_e7: Some(441_234_567),
        lon_e7: Some(-939_876_543),
        ..Photo::default()
    };
    let gone = Photo {
        id: PhotoId(book.id()),
        hash: "0".repeat(64),
        lat_e7: None,
        ..there.clone()
    };
    let mut list = changes(&[], &[truck]);
    list.extend(changes(&[], &[tank]));
    list.extend(changes(&[], &[disposal]));
    list.extend(changes(&[], &[correction]));
    list.extend(changes(&[], &[line]));
    list.extend(changes(&[], &[there, gone]));
    book.keep(Some(stop), at(17, 17), list);
    let carry = book.store.carry(day(17), false).unwrap();
    let (_, bytes) = made(&book.store, &carry, &[blob]);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("day.lidmark"), &bytes).unwrap();
    run(Command::new("unzip")
        .args(["-q", "day.lidmark", "-d", "out"])
        .current_dir(&folder));
    let script = r"
import csv, json, os
def rows(name):
    return list(csv.DictReader(open('out/csv/' + name + '.csv', newline='', encoding='utf-8'), strict=True))
photos = rows('photos')
for photo in photos:
    assert (photo['in_this_file'] == 'yes') == os.path.exists('out/' + photo['file']), photo
places = json.load(open('out/map.geojson', encoding='utf-8'))['features']
print(json.dumps([rows('disposals'), rows('corrections'), rows('work'), photos, [place['properties']['kind'] for place in places]]))
";
    let said = run(Command::new("python3").args(["-c", script]).current_dir(&folder));
    let tables: Value = serde_json::from_str(&said).unwrap();
    let (disposal, correction, work) = (&tables[0][0], &tables[1][0], &tables[2][0]);
    // 1,000 US gallons are 3,785.411784 l (NIST SP 811), kept to the millilitre.
    assert_eq!(disposal["let_out_l"], "3785.412");
    assert_eq!(disposal["accepted_l"], "3700.000");
    assert_eq!(disposal["place"], "Invented plant, \"north\" gate");
    assert_eq!(
        (&disposal["truck"], &disposal["truck_tank"]),
        (&"Invented truck".into(), &"2".into())
    );
    assert_eq!(
        (&disposal["permit"], &disposal["ticket"]),
        (&"P-1".into(), &"T-77".into())
    );
    assert_eq!(correction["change_l"], "-0.500");
    assert_eq!(correction["reason"], "gauge read again");
    // 1.5 times 200.01 is 300.015, half a cent away from zero 300.02.
    assert_eq!(work["amount_before_tax"], "300.02");
    assert_eq!(
        (&work["quantity"], &work["unit_price"], &work["tax_percent"]),
        (&"1.500".into(), &"200.01".into(), &"6.8".into())
    );
    let said = tables[3].as_array().unwrap();
    assert_eq!(said.iter().filter(|row| row["in_this_file"] == "yes").count(), 1);
    assert_eq!(said.len(), 2);
    assert_eq!(tables[4], serde_json::json!(["site", "photo"]));
    // Every part of this day, too, is what the schemas say.
    let sheet = manifest(folder.path());
    assert_eq!(
        complaints(&schema("day-manifest.schema.json"), &sheet),
        Vec::<String>::new()
    );
    let (record, log) = (schema("day-record.schema.json"), schema("day-log.schema.json"));
    let mut lines = 0;
    for name in sheet["parts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|part| part["name"].as_str().unwrap())
    {
        let validator = match name {
            "log.jsonl" => &log,
            _ if name.starts_with("records/") => &record,
            _ => continue,
        };
        for line in std::fs::read_to_string(folder.path().join("out").join(name))
            .unwrap()
            .lines()
        {
            let value = serde_json::from_str(line).unwrap();
            assert_eq!(complaints(validator, &value), Vec::<String>::new(), "{name}: {line}");
            lines += 1;
        }
    }
    assert!(lines > 12, "{lines}");
    let signatures = std::fs::read_dir(folder.path().join("out/signatures")).unwrap();
    assert_eq!(signatures.count(), 2, "the customer's and the receiver's");
}
