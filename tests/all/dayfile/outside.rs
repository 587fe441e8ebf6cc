//! Other people's tools open the file and agree with it. `tests/run.sh` installs them.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use jsonschema::Validator;
use lidmark::exchange::dayfile::seal::{OfficeSecret, seal};
use serde_json::Value;

use super::book::{self, Book, day};
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
