//! Plans as files, judged by programs that are not the project's: GDAL, libxml2, Python.

use crate::fixture::app_on;
use crate::geojson::{over_the_antimeridian, plan};
use lidmark::app::plan_files::PlanFile;
use lidmark::app::plan_sheet::YardPlan;
use lidmark::domain::locate::Position;
use lidmark::domain::locate::fix::PinKind;
use lidmark::domain::locate::plan::{Mark, MarkShape, SitePlan};
use lidmark::exchange::{geojson, gpx};
use std::path::Path;
use std::process::Command;

/// Runs an outside program; without it nothing is checked, so its absence fails.
fn run(tool: &str, package: &str, arguments: &[&str]) -> String {
    let output = Command::new(tool).args(arguments).output().unwrap_or_else(|error| {
        panic!("{tool} cannot be run ({error}); install Debian's {package}, this test means nothing without it")
    });
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{tool} {arguments:?}: {said}");
    assert!(
        !said.contains("ERROR") && !said.contains("Warning"),
        "{tool} complains: {said}"
    );
    String::from_utf8(output.stdout).unwrap()
}

/// One mark of every kind, names with markup and accents among them.
fn every_kind() -> SitePlan {
    let mut all = plan();
    for (index, kind) in PinKind::ALL.into_iter().enumerate() {
        let at = Position::new(44.0 + 0.0001 * index as f64, -93.0).unwrap();
        all.marks.push(Mark {
            name: format!("<b>{}</b> & \"Ñandú\" {index}", kind.word()),
            kind,
            error_m: (index % 2 == 0).then_some(0.123),
            note: (index % 3 == 0).then(|| "5 < 6 & ]]>".to_owned()),
            shape: MarkShape::Place(at),
        });
    }
    all
}

fn in_file(name: &str, text: &str) -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, text).unwrap();
    let path = path.display().to_string();
    (folder, path)
}

#[test]
fn gdal_reads_the_geojson_as_it_was_meant() {
    let (_folder, path) = in_file("plan.geojson", &geojson::write(&every_kind()));
    let said = run("ogrinfo", "gdal-bin", &["-ro", "-al", &path]);
    for words in [
        "Feature Count: 13",
        "WGS 84",
        "POINT (-93.9876543 44.1234568)",
        "<b>well</b> & \"Ñandú\" 6",
        "error_m",
    ] {
        assert!(said.contains(words), "{words} is not in\n{said}");
    }
}

/// GDAL writes by RFC 7946 itself: its antimeridian cut must be the one we made.
#[test]
fn gdals_own_rfc_7946_file_says_the_same() {
    for plan in [every_kind(), over_the_antimeridian()] {
        let (folder, path) = in_file("plan.geojson", &geojson::write(&plan));
        let again = folder.path().join("again.geojson").display().to_string();
        let arguments = ["-f", "GeoJSON", "-lco", "RFC7946=YES", &again, &path];
        run("ogr2ogr", "gdal-bin", &arguments);
        let text = std::fs::read_to_string(&again).unwrap();
        let back = geojson::read(text.as_bytes()).unwrap();
        let shapes = |plan: &SitePlan| plan.marks.iter().map(|mark| mark.shape.clone()).collect::<Vec<_>>();
        assert_eq!(shapes(&back), shapes(&plan));
    }
}

#[test]
fn python_reads_the_geojson_as_json() {
    let (_folder, path) = in_file("plan.geojson", &geojson::write(&every_kind()));
    let code = "import json,sys; d=json.load(open(sys.argv[1],encoding='utf-8')); \
                print(d['type'], len(d['features']), d['features'][0]['geometry']['coordinates'])";
    let said = run("python3", "python3", &["-c", code, &path]);
    assert_eq!(said.trim(), "FeatureCollection 13 [-93.9876543, 44.1234568]");
}

#[test]
fn the_gpx_holds_to_its_schema_and_gdal_reads_it() {
    let rules = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/gpx/plan.rng");
    for plan in [every_kind(), over_the_antimeridian(), SitePlan::default()] {
        let (_folder, path) = in_file("plan.gpx", &gpx::write(&plan).unwrap());
        run(
            "xmllint",
            "libxml2-utils",
            &["--noout", "--nonet", "--relaxng", &rules.display().to_string(), &path],
        );
        assert_eq!(
            gpx::read(std::fs::File::open(&path).unwrap()).unwrap().marks.len(),
            plan.marks.len()
        );
    }
    let (_folder, path) = in_file("plan.gpx", &gpx::write(&every_kind()).unwrap());
    let said = run("ogrinfo", "gdal-bin", &["-ro", "-al", &path, "waypoints"]);
    for words in [
        "Feature Count: 12",
        "POINT (-93.9876543 44.1234568)",
        "<b>well</b> & \"Ñandú\" 6",
        "5 < 6 & ]]>",
        "lidmark_error_m",
    ] {
        assert!(said.contains(words), "{words} is not in\n{said}");
    }
    assert!(run("ogrinfo", "gdal-bin", &["-ro", "-al", &path, "tracks"]).contains("Feature Count: 1"));
}

#[test]
fn a_broken_gpx_fails_the_same_check() {
    let rules = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/vectors/gpx/plan.rng");
    let text = gpx::write(&plan()).unwrap();
    // The type before the name: the order that GPX does not allow.
    let broken = text.replacen("<name>inlet lid</name>", "<type>x</type><name>inlet lid</name>", 1);
    assert_ne!(broken, text);
    let (_folder, path) = in_file("plan.gpx", &broken);
    let checked = Command::new("xmllint")
        .args(["--noout", "--relaxng"])
        .arg(&rules)
        .arg(&path)
        .output()
        .unwrap();
    assert!(!checked.status.success());
}

#[test]
fn the_app_writes_every_form_and_reads_the_maps_back() {
    let folder = tempfile::tempdir().unwrap();
    let mut app = app_on(&folder.path().join("book.sqlite"));
    app.start_empty();
    let yard = YardPlan {
        site_lines: vec!["1 Sample Lane / \"back\" (invented)".into()],
        ..YardPlan::default()
    };
    for form in PlanFile::ALL {
        let path = app.export_plan(form, &plan(), &yard).unwrap();
        assert!(path.starts_with(folder.path().join("slips")), "{}", path.display());
        assert!(app.notice().unwrap().text.advice.contains(form.extension()));
        if form != PlanFile::Sheet {
            assert_eq!(app.import_plan(&path).unwrap(), plan().marks);
        }
    }
    let left: Vec<_> = std::fs::read_dir(folder.path().join("slips")).unwrap().collect();
    assert_eq!(left.len(), 3, "nothing half written is left");
    assert_eq!(app.export_plan(PlanFile::Gpx, &SitePlan::default(), &yard), None);
    assert!(app.notice().unwrap().text.what.contains("position"));
    for (name, text) in [
        ("no.gpx", None),
        ("bad.gpx", Some("<kml/>")),
        ("bad.json", Some("{")),
        ("empty.json", Some(r#"{"type":"FeatureCollection","features":[]}"#)),
    ] {
        let path = folder.path().join(name);
        if let Some(text) = text {
            std::fs::write(&path, text).unwrap();
        }
        app.dismiss_notice();
        assert_eq!(app.import_plan(&path), None);
        assert!(app.notice().unwrap().text.what.contains(name));
    }
}
