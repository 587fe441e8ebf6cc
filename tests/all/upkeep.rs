//! What the crate stands on: every licence is one the project can live with, every dependency is used, and the stated
//! compiler is new enough for all of them.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

/// Licences that ask for their text to be passed on and no more, MPL-2.0 (which asks for changes to its own files), and the
/// one under which Slint may be used free of charge in an application.
const FINE: [&str; 17] = [
    "0BSD",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSL-1.0",
    "CC0-1.0",
    "IJG",
    "ISC",
    "LicenseRef-Slint-Royalty-free-2.0",
    "MIT",
    "MIT-0",
    "MPL-2.0",
    "NCSA",
    "Unicode-3.0",
    "Unlicense",
    "Zlib",
];

/// What cargo knows of the crate and of all it is built from on this platform.
fn metadata() -> Value {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args([
            "metadata",
            "--locked",
            "--format-version",
            "1",
            "--filter-platform",
            "x86_64-unknown-linux-gnu",
        ])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo cannot be run; the test means nothing without it");
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "Cargo.lock is not as Cargo.toml asks, or a crate is not there: {complaint}"
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Whether an SPDX expression can be met with [`FINE`]: all of what is joined by AND, one of what is joined by OR. A slash
/// is how crates wrote OR before.
fn is_fine(expression: &str) -> bool {
    let plain = expression.replace('/', " OR ");
    let mut depth = 0_i32;
    for joint in [" OR ", " AND "] {
        let mut parts = vec![String::new()];
        let mut rest = plain.as_str();
        while let Some(letter) = rest.chars().next() {
            if depth == 0 && rest.starts_with(joint) {
                parts.push(String::new());
                rest = &rest[joint.len()..];
                continue;
            }
            depth += i32::from(letter == '(') - i32::from(letter == ')');
            parts.last_mut().unwrap().push(letter);
            rest = &rest[letter.len_utf8()..];
        }
        if parts.len() > 1 {
            let mut met = parts.iter().map(|part| is_fine(part.trim()));
            return if joint == " AND " {
                met.all(|fine| fine)
            } else {
                met.any(|fine| fine)
            };
        }
    }
    let inner = plain.trim();
    match inner.strip_prefix('(').and_then(|inner| inner.strip_suffix(')')) {
        Some(inner) => is_fine(inner),
        None => FINE.contains(&inner),
    }
}

#[test]
fn every_licence_is_one_the_project_can_live_with() {
    assert!(is_fine("(MIT OR Apache-2.0) AND Unicode-3.0") && is_fine("GPL-2.0-only/MIT"));
    assert!(!is_fine("GPL-3.0-only") && !is_fine("MIT AND GPL-3.0-only") && !is_fine(""));
    let metadata = metadata();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100);
    let bad = packages
        .iter()
        .filter(|package| !is_fine(package["license"].as_str().unwrap_or_default()))
        .map(|package| format!("{} {}", package["name"], package["license"]))
        .collect::<Vec<_>>();
    assert!(bad.is_empty(), "{bad:#?}");
}

fn own(metadata: &Value) -> &Value {
    let packages = metadata["packages"].as_array().unwrap();
    packages.iter().find(|package| package["name"] == "lidmark").unwrap()
}

fn sources(folder: &Path, text: &mut String) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            sources(&path, text);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            text.push_str(&std::fs::read_to_string(path).unwrap());
        }
    }
}

#[test]
fn every_dependency_is_used() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut text = String::new();
    for folder in ["src", "tests/all", "tests/bench", "ui"] {
        sources(&root.join(folder), &mut text);
    }
    let metadata = metadata();
    for dependency in own(&metadata)["dependencies"].as_array().unwrap() {
        let name = dependency["name"].as_str().unwrap();
        // Two crates are called otherwise than their package.
        let called = match name {
            "kamadak-exif" => "exif".to_owned(),
            "xml-rs" => "xml".to_owned(),
            other => other.replace('-', "_"),
        };
        let used = text.match_indices(&called).any(|(at, _)| {
            let before = text[..at].chars().next_back();
            let after = text[at + called.len()..].chars().next();
            let in_word = |letter: Option<char>| letter.is_some_and(|letter| letter.is_alphanumeric() || letter == '_');
            !in_word(before) && matches!(after, Some(':' | ';' | ' ' | ',' | '}'))
        });
        assert!(used, "{name} is in Cargo.toml and used nowhere");
    }
}

#[test]
fn the_stated_compiler_is_new_enough_for_every_crate() {
    let metadata = metadata();
    let version = |text: &str| text.split('.').map(|part| part.parse().unwrap()).collect::<Vec<u32>>();
    let stated = version(
        own(&metadata)["rust_version"]
            .as_str()
            .expect("Cargo.toml states no rust-version"),
    );
    let newer = metadata["packages"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|package| Some((package["name"].as_str()?, package["rust_version"].as_str()?)))
        .filter(|(_, needed)| version(needed)[..2] > stated[..2])
        .collect::<BTreeSet<_>>();
    assert!(newer.is_empty(), "newer than the stated {stated:?}: {newer:?}");
}
