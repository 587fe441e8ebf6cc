#!/bin/sh
# Changes the calculations one place at a time and asks whether the tests notice (cargo-mutants): what survives is a place
# that no test holds, or a change that changes nothing. All of src/domain takes ten hours of one core; so, on request, a share:
#
#   tests/mutants.sh --shard 0/20            every twentieth change
#   tests/mutants.sh --file 'src/domain/leak.rs'
#
# Installs what it needs. What came of it lies in target/mutants/mutants.out; docs/mutants.md says what came of it last.
#
# So that a change costs seconds, only the domain and the files around it that do not need a book are built, as a crate of
# its own below target/: the same sources, the unit tests in them, and those of tests/all that need nothing else.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
command -v cargo-mutants >/dev/null || cargo install --locked cargo-mutants
crate=target/mutants/crate
rm -rf "$crate"
mkdir -p "$crate/src/exchange" "$crate/tests/all" "$crate/docs" "$crate/tests/vectors"
cp -r src/domain "$crate/src/domain"
cp -r src/exchange/locate src/exchange/rulesets src/exchange/rulefile.rs src/exchange/work.rs src/exchange/facts.rs \
    src/exchange/diagnose.rs src/exchange/marks.rs src/exchange/position.rs src/exchange/nmea.rs src/exchange/gpx.rs \
    src/exchange/geojson.rs "$crate/src/exchange/"
cp -r docs/schema docs/examples "$crate/docs/"
cp -r tests/vectors/work tests/vectors/locate "$crate/tests/vectors/"
for file in forecast locate probing rules schema work; do cp "tests/all/$file.rs" "$crate/tests/all/"; done
# What a tap costs is no check, and needs the app.
python3 - "$crate/tests/all/probing.rs" <<'PY'
import sys
text = open(sys.argv[1]).read()
start = text.index("/// What the steps between a tap and its picture cost")
end = text.index("\n}\n", start) + 3
open(sys.argv[1], "w").write(text[:start] + text[end:])
PY

{
    sed -n '/^\[package\]/,/^build/p' Cargo.toml | sed '/^build/d'
    echo 'autobins = false'
    printf '[lib]\n[workspace]\n[[bin]]\nname = "lidmark-office"\npath = "src/office.rs"\n[[test]]\nname = "all"\npath = "tests/all/main.rs"\n'
    sed -n '/^\[dependencies\]/,/^$/p' Cargo.toml | grep -E '^(\[|chrono|geo|geojson|gpx|nmea|serde|serde_json|serde_path_to_error|serialport|thiserror|toml|uuid|xml-rs|roxmltree|csv) ?'
    echo '[dev-dependencies]'
    grep -E '^(jsonschema|proptest|tempfile|uom) =' Cargo.toml
    printf '[profile.dev]\ndebug = false\nopt-level = 1\n[profile.dev.package."*"]\nopt-level = 2\n'
} >"$crate/Cargo.toml"
cp Cargo.lock "$crate/"
cat >"$crate/src/lib.rs" <<'RUST'
//! The domain and the files around it that need no book.
pub mod domain;
pub mod exchange {
    //! Files.
    pub mod diagnose;
    pub mod facts;
    pub mod geojson;
    pub mod gpx;
    pub mod locate;
    pub mod marks;
    pub mod nmea;
    pub mod position;
    pub mod rulefile;
    pub mod work;
}
RUST
cat >"$crate/src/office.rs" <<'RUST'
//! `work` alone, as the tests run it.
use std::io::Read as _;

use lidmark::exchange::{rulefile, work};

fn main() -> std::process::ExitCode {
    let name = std::env::args().nth(2).unwrap_or_default();
    let mut text = String::new();
    let read = if name == "-" { std::io::stdin().read_to_string(&mut text).map(|_| ()) } else { std::fs::read_to_string(&name).map(|found| text = found) };
    let sets = rulefile::embedded().expect("the rule sets read");
    match read.ok().and_then(|()| work::read(&text).ok()).and_then(|work| work::answer(&work, &sets, rulefile::GENERAL).ok()) {
        Some(answer) => {
            println!("{answer}");
            std::process::ExitCode::SUCCESS
        }
        None => std::process::ExitCode::from(2),
    }
}
RUST
{
    sed -n '/^#!\[allow/,/^)\]/p' tests/all/main.rs
    for file in forecast locate probing rules schema work; do echo "mod $file;"; done
    echo 'mod fixture { pub struct Dice(u64); impl Dice {'
    sed -n '/^impl Dice {/,/^}/p' tests/all/fixture.rs | sed '1d'
    echo '}'
    echo 'fn check_generated_block(_: &str, _: &str, _: &str) {}'
} >"$crate/tests/all/main.rs"
# In its own place, so that the dependencies are built once. Three tests ask the office command for more than this one knows.
cargo mutants --dir "$crate" --output target/mutants --in-place --no-shuffle --sharding round-robin --timeout 60 \
    --file 'src/domain/**' "$@" -- -- \
    --skip work::a_rule_set_of_ones_own --skip work::bad_input_is_refused --skip work::the_worked_example
