#!/bin/sh
# The release profile and what it was chosen against: size of the program, and time to start it, open a book, show its window
# and end, for each way to build it. Takes about half an hour. One run, one machine: only the ratios mean something.
#
# It is the desktop's program: the same Rust code as on a phone, without Skia.
#
#   android/profiles.sh [--allow-missing]      PROGRAMS names programs that are built already, instead of building.
set -eu
. "$(dirname "$0")/tools.sh"
install Xvfb xvfb
cd "$ROOT"
work=$(mktemp -d)
screen=:$((190 + $$ % 100))
Xvfb "$screen" -screen 0 1000x1000x24 >"$work/xvfb.log" 2>&1 &
server=$!
trap 'kill $server 2>/dev/null || true; rm -rf "$work"' EXIT
export DISPLAY=$screen
for wait in $(seq 50); do [ -S "/tmp/.X11-unix/X${screen#:}" ] && break; sleep 0.2; done
sleep 1

# The middle of 15 runs, ms: started on an empty book, told to end as soon as it listens.
start_ms() {
    for run in $(seq 16); do
        begun=$(date +%s%N)
        echo end | "$1" --phone --data "$work/book" >/dev/null 2>&1
        [ "$run" = 1 ] || echo $((($(date +%s%N) - begun) / 1000000))
    done | sort -n | sed -n 8p
}
megabytes() { awk -v bytes="$1" 'BEGIN { printf "%.1f", bytes / 1e6 }'; }
row() {
    strip -o "$work/stripped" "$2"
    printf '| %s | %s | %s | %s | %s |\n' "$1" "$(megabytes "$(wc -c <"$2")")" "$(megabytes "$(wc -c <"$work/stripped")")" \
        "$(megabytes "$(gzip -9 -c "$work/stripped" | wc -c)")" "$(start_ms "$2")"
}
echo '| built with | as built, MB | stripped, MB | stripped and packed, MB | start to end, ms |'
echo '|---|---|---|---|---|'
if [ -n "${PROGRAMS:-}" ]; then
    for program in $PROGRAMS; do row "$(basename "$program")" "$program"; done
    exit 0
fi
profile() {
    name=$1
    shift
    env "$@" cargo build --locked --quiet --release --bin lidmark
    row "$name" "${CARGO_TARGET_DIR:-target}/release/lidmark"
}
# The folder sizes.sh builds in, and as it builds.
CARGO_TARGET_DIR="$OUT/sizes" profile "before: no LTO, 16 units, symbols kept (what cargo does untold)" \
    CARGO_PROFILE_RELEASE_LTO=off CARGO_PROFILE_RELEASE_CODEGEN_UNITS=16 CARGO_PROFILE_RELEASE_STRIP=none
profile "fat LTO, one unit, stripped" CARGO_PROFILE_RELEASE_LTO=fat
profile "thin LTO, one unit, stripped, ends at a panic" CARGO_PROFILE_RELEASE_PANIC=abort
profile "as released: thin LTO, one unit, stripped, unwinds" CARGO_INCREMENTAL=0
