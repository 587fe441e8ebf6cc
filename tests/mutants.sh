#!/bin/sh
# Changes the calculations one place at a time and asks whether the tests notice: what survives is a place that no test holds,
# or a change that changes nothing. The changes are those of cargo-mutants.
#
#   tests/mutants.sh                              all of src/domain: 3,700 changes, an hour and a half of two cores
#   tests/mutants.sh --re src/domain/leak         a part of it; what follows is handed on to `cargo mutants --list`
#
# Installs what it needs. docs/tests.md says what came of it last.
#
# Built one by one, the changes take six hours. So they are built into one program that is told at its start which one holds
# (tests/mutants/), and only the few that cannot be switched are built one by one. Only the domain and the files around it that
# do not need a book are built, as a crate of its own below target/: the same sources, the unit tests in them, and those of
# tests/all that need nothing else.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
command -v cargo-mutants >/dev/null || cargo install --locked cargo-mutants
out=target/mutants
crate=$out/crate
rm -rf "$crate" "$out/switched"
mkdir -p "$crate/src/exchange" "$crate/src/say" "$crate/src/app" "$crate/src/office" "$crate/ui" "$crate/tests/all" "$crate/docs" "$crate/tests/vectors"
cp -r src/domain "$crate/src/domain"
cp -r src/exchange/locate src/exchange/rulesets src/exchange/rulefile.rs src/exchange/work.rs src/exchange/facts.rs \
    src/exchange/diagnose.rs src/exchange/photo_marks.rs src/exchange/position.rs src/exchange/nmea.rs src/exchange/gpx.rs \
    src/exchange/geojson.rs "$crate/src/exchange/"
cp src/say/words.rs src/say/figures.rs "$crate/src/say/"
cp src/app/findings.rs "$crate/src/app/"
cp src/office/diagnose.rs "$crate/src/office/"
cp -r ui/lang "$crate/ui/"
cp -r docs/schema docs/examples docs/*.md "$crate/docs/"
cp -r tests/vectors/work tests/vectors/locate "$crate/tests/vectors/"
for file in diagnose forecast locate probing rules schema work; do cp "tests/all/$file.rs" "$crate/tests/all/"; done
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
    printf '[lib]\n[workspace]\n'
    sed -n '/^\[dependencies\]/,/^$/p' Cargo.toml | grep -E '^(\[|chrono|geo|geojson|gpx|nmea|polib|serde|serde_json|serde_path_to_error|serialport|thiserror|toml|uuid|xml-rs|roxmltree|csv) ?'
    echo '[dev-dependencies]'
    grep -E '^(jsonschema|proptest|tempfile|uom) =' Cargo.toml
    printf '[profile.dev]\ndebug = false\nopt-level = 1\n[profile.dev.package."*"]\nopt-level = 2\n'
} >"$crate/Cargo.toml"
cp Cargo.lock "$crate/"
# The groups of tests/all are made part of the library, so that a change is compiled once and linked once.
{
    sed -n '/^#!\[allow/,/^)\]/p' tests/all/main.rs
    cat <<'RUST'
#![cfg_attr(test, allow(unused))]
//! The domain and the files around it that need no book.
pub mod domain;
pub mod exchange {
    //! Files.
    pub mod diagnose;
    pub mod facts;
    pub mod geojson;
    pub mod gpx;
    pub mod locate;
    pub mod photo_marks;
    pub mod nmea;
    pub mod position;
    pub mod rulefile;
    pub mod work;
}
pub mod say {
    //! Words and figures.
    pub mod figures;
    pub mod words;
    pub mod explain {
        //! Nothing of what this words is reckoned.
        pub struct Explained {
            pub what: String,
            pub advice: String,
        }
        pub fn choice(error: crate::exchange::position::ChoiceError, _: super::words::Words) -> Explained {
            Explained { what: error.to_string(), advice: String::new() }
        }
    }
}
pub mod app {
    //! What is said of what was found.
    pub mod findings;
}
pub mod office {
    //! `diagnose` alone.
    use crate::say::words::Words;
    pub mod diagnose;
    pub mod work {
        //! Standard input alone.
        pub fn read_text(_: &std::path::Path, mut stdin: impl std::io::Read) -> Result<String, super::Refusal> {
            let mut text = String::new();
            stdin.read_to_string(&mut text).map_err(|error| super::Refusal::file(error.to_string(), ""))?;
            Ok(text)
        }
    }
RUST
    sed -n '/^\/\/\/ Why a command stopped/,$p' src/office/mod.rs
    cat <<'RUST'
}
#[cfg(test)]
extern crate self as lidmark;
RUST
    for file in diagnose forecast locate probing rules schema work; do
        printf '#[cfg(test)]\n#[path = "../tests/all/%s.rs"]\nmod %s;\n' "$file" "$file"
    done
    echo '#[cfg(test)] mod fixture { pub struct Dice(u64); impl Dice {'
    sed -n '/^impl Dice {/,/^}/p' tests/all/fixture.rs | sed '1d'
    echo '}'
    echo '#[cfg(test)]'
    sed -n '/^fn check_generated_block/,/^}/p' tests/all/main.rs
} >"$crate/src/lib.rs"
# `work` alone, as the tests run it, without a program of its own.
python3 - "$crate/tests/all/work.rs" <<'PY'
import sys
text = open(sys.argv[1]).read()
start = text.index("fn office(")
end = text.index("\n}\n", start) + 3
text = text[:start] + """fn office(arguments: &[&str], input: &[u8]) -> Output {
    use crate::exchange::{rulefile, work};
    use std::os::unix::process::ExitStatusExt as _;

    let sets = rulefile::embedded().unwrap();
    let text = match arguments[1] {
        "-" => String::from_utf8(input.to_vec()).unwrap(),
        file => std::fs::read_to_string(file).unwrap(),
    };
    let said = work::read(&text).ok().and_then(|work| work::answer(&work, &sets, rulefile::GENERAL).ok());
    Output {
        status: std::process::ExitStatus::from_raw(if said.is_some() { 0 } else { 2 << 8 }),
        stdout: said.map(|answer| answer.to_string()).unwrap_or_default().into_bytes(),
        stderr: Vec::new(),
    }
}
""" + text[end:]
open(sys.argv[1], "w").write(text)
PY
cp -r "$crate" "$out/switched"
# Built once and run thousands of times.
sed -i 's/^opt-level = 1/opt-level = 2/' "$out/switched/Cargo.toml"
cargo mutants --dir "$crate" --list --json --file 'src/domain/**' "$@" >"$out/list.json"
CARGO_TARGET_DIR=$PWD/$out/tool cargo build --release --locked --manifest-path tests/mutants/Cargo.toml
export CARGO_TARGET_DIR="$PWD/$out/build"
"$out/tool/release/lidmark-mutants" "$out/switched" "$out/list.json"
left=$(cat "$out/switched/one-by-one.txt")
[ -n "$left" ] || exit 0
echo "one by one: what cannot be switched"
cargo mutants --dir "$crate" --output "$out" --in-place --no-shuffle --timeout 60 --file 'src/domain/**' \
    --re "$left" --cargo-test-arg=--lib -- -- --skip work::a_rule_set_of_ones_own --skip work::bad_input_is_refused
