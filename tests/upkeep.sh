#!/bin/sh
# What the project stands on: licences, advisories, what is linked twice, where crates come from, unused dependencies, and a
# build with the oldest compiler Cargo.toml promises. Installs what it needs.
#
#   tests/upkeep.sh [--allow-missing] [--oldest]
#
# The build with the oldest compiler is asked for with --oldest. What cannot be asked (the advisories live in a database that is fetched) is said and fails, unless --allow-missing is given.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
allow_missing=no
with_oldest=no
for asked in "$@"; do
    case "$asked" in
        --allow-missing) allow_missing=yes ;;
        --oldest) with_oldest=yes ;;
        *) echo "unknown: $asked" >&2; exit 2 ;;
    esac
done
command -v cargo-deny >/dev/null || cargo install --locked cargo-deny@0.20.2
command -v cargo-machete >/dev/null || cargo install --locked cargo-machete@0.9.2

cargo deny --config .ci/deny.toml check licenses bans sources
if cargo deny --config .ci/deny.toml fetch db >/dev/null 2>&1; then
    cargo deny --config .ci/deny.toml check --disable-fetch advisories
else
    echo "NOT CHECKED: the database of advisories cannot be fetched from here, so known holes in dependencies were not looked for." >&2
    [ "$allow_missing" = yes ] || exit 1
fi

cargo machete

[ "$with_oldest" = yes ] || exit 0
oldest=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' Cargo.toml)
rustup toolchain install "$oldest" --profile minimal --no-self-update
CARGO_TARGET_DIR=target/oldest cargo "+$oldest" check --locked --all-targets
CARGO_TARGET_DIR=target/oldest cargo "+$oldest" check --locked --no-default-features --all-targets
