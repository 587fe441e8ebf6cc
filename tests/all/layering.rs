//! The layers name only what stands to their left (DEVELOPERS.md).

use std::path::{Path, PathBuf};

fn sources(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, into);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            into.push(path);
        }
    }
}

/// Lists `file:line: word` for every forbidden word in a layer's code, remarks left out.
fn uses(folder: &str, forbidden: &[&str], except: &[&str]) -> Vec<String> {
    let mut files = Vec::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), &mut files);
    assert!(!files.is_empty(), "{folder} has no sources");
    let mut found = Vec::new();
    for file in files
        .iter()
        .filter(|file| !except.iter().any(|name| file.ends_with(name)))
    {
        let text = std::fs::read_to_string(file).unwrap();
        // What stands below `mod tests` may look at whatever it likes.
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        for (number, line) in code.lines().enumerate() {
            let line = line.split("//").next().unwrap_or_default();
            for word in forbidden.iter().filter(|word| line.contains(**word)) {
                found.push(format!("{}:{}: {word}", file.display(), number + 1));
            }
        }
    }
    found
}

const NONE: Vec<String> = Vec::new();

#[test]
fn the_domain_knows_no_files_no_clock_no_formats_and_nobody_else() {
    let forbidden = [
        "slint",
        "rusqlite",
        "serde",
        "std::fs",
        "std::io",
        "SystemTime",
        "Instant",
        "::now()",
        "crate::store",
        "crate::exchange",
        "crate::say",
        "crate::app",
        "crate::office",
        "crate::platform",
        "crate::ui",
    ];
    assert_eq!(uses("src/domain", &forbidden, &[]), NONE);
}

#[test]
fn the_store_knows_the_domain_only() {
    let forbidden = [
        "slint",
        "crate::exchange",
        "crate::say",
        "crate::app",
        "crate::office",
        "crate::platform",
        "crate::ui",
    ];
    assert_eq!(uses("src/store", &forbidden, &[]), NONE);
}

#[test]
fn exchange_knows_no_screens_and_no_paths() {
    let forbidden = [
        "slint",
        "std::fs",
        "crate::say",
        "crate::app",
        "crate::office",
        "crate::platform",
        "crate::ui",
    ];
    assert_eq!(uses("src/exchange", &forbidden, &[]), NONE);
}

#[test]
fn what_is_said_knows_no_screens_and_no_files() {
    let forbidden = [
        "slint",
        "std::fs",
        "rusqlite",
        "::now()",
        "crate::app",
        "crate::office",
        "crate::platform",
        "crate::ui",
    ];
    assert_eq!(uses("src/say", &forbidden, &[]), NONE);
}

#[test]
fn only_bind_knows_the_window() {
    let forbidden = ["slint::", "crate::ui", "crate::office", "crate::platform"];
    assert_eq!(uses("src/app", &forbidden, &["bind.rs"]), NONE);
}

#[test]
fn the_office_prints_nothing_and_knows_no_screens() {
    let forbidden = [
        "slint",
        "println!",
        "stdout()",
        "crate::app",
        "crate::platform",
        "crate::ui",
    ];
    assert_eq!(uses("src/office", &forbidden, &[]), NONE);
}

#[test]
fn every_test_file_is_part_of_the_binary() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/all");
    let main = std::fs::read_to_string(folder.join("main.rs")).unwrap();
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
        if path.is_file() && stem != "main" {
            assert!(
                main.contains(&format!("mod {stem};")),
                "tests/all/{stem}.rs is not in main.rs"
            );
        }
    }
}
