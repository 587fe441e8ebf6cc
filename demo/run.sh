#!/bin/sh
# Sets up a bare Debian or Ubuntu, then plays the invented day into the folder .demo (or the one given).
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
cargo run --locked --bin lidmark -- demo --from demo --out "${1:-.demo}"
