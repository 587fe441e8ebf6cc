//! What docs/threats.md promises is shown by tests that exist.

use std::collections::BTreeSet;
use std::path::Path;

/// `module::test` of every test in a folder, the module being the file's name.
fn tests_below(folder: &Path, found: &mut BTreeSet<String>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            tests_below(&path, found);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            let module = path.file_stem().unwrap().to_string_lossy().into_owned();
            let text = std::fs::read_to_string(&path).unwrap();
            let mut is_test = false;
            for line in text.lines().map(str::trim) {
                if line == "#[test]" {
                    is_test = true;
                } else if is_test && let Some(name) = line.strip_prefix("fn ") {
                    found.insert(format!("{module}::{}", name.split(['(', '<']).next().unwrap()));
                    is_test = false;
                }
            }
        }
    }
}

#[test]
fn every_test_the_threats_name_exists_and_every_answer_names_one() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut tests = BTreeSet::new();
    tests_below(&root.join("tests/all"), &mut tests);
    tests_below(&root.join("src"), &mut tests);
    let page = std::fs::read_to_string(root.join("docs/threats.md")).unwrap();
    // The first table says what could come from whom; those after it say what answers each.
    let (_, answered) = page.split_once("## Files that come in").unwrap();
    let (promised, _) = answered.split_once("## What is not promised").unwrap();
    let mut rows = 0;
    for line in promised
        .lines()
        .filter(|line| line.starts_with("| ") && !line.starts_with("| who"))
    {
        let shown = line.trim_end_matches('|').rsplit('|').next().unwrap();
        let named = shown.split('`').skip(1).step_by(2).collect::<Vec<_>>();
        assert!(!named.is_empty(), "no test is named: {line}");
        for name in named {
            assert!(
                tests.contains(name),
                "docs/threats.md names {name}, and there is no such test"
            );
        }
        rows += 1;
    }
    assert!(rows >= 15, "the table is not read any more");
}
