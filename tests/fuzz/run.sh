#!/usr/bin/env bash
# Fuzzes every target, or those named, for so many minutes each, and prints what came of it:
#   tests/fuzz/run.sh MINUTES [TARGET...]
# FUZZ_JOBS says how many at a time (3). What is found lies in tests/fuzz/artifacts, the log of each run in tests/fuzz/.log.
set -euo pipefail
cd "$(dirname "$0")"
minutes=${1:?so many minutes for each target}
shift
all=(dayfile dayfile_fault planfile rulefile nmea gpx geojson list work locate diagnose photo)
if [ $# -eq 0 ]; then set -- "${all[@]}"; fi
# The address sanitizer is an option of the nightly compiler, or of the stable one asked for it by name.
if rustup toolchain list 2>/dev/null | grep -q '^nightly'; then
    export RUSTUP_TOOLCHAIN=nightly
else
    export RUSTC_BOOTSTRAP=1
fi
cargo fuzz build --fuzz-dir .
./seed.sh
mkdir -p .log artifacts
# A copy, so that building again does not change what runs.
programs=$(mktemp -d "$PWD/.log/programs.XXXX")
trap 'rm -rf "$programs"' EXIT
for target in "$@"; do cp target/*/release/"$target" "$programs/"; done

# Longest input, bytes: what reaches every branch, and no more, so that time goes into different inputs.
longest() {
    case $1 in
        dayfile) echo 16384 ;;
        dayfile_fault) echo 256 ;;
        photo | nmea | gpx | rulefile | list) echo 4096 ;;
        *) echo 8192 ;;
    esac
}

one() {
    local target=$1 log=.log/$1 status=0 words=() # dictionary and more
    if [ -s ".words/$target" ]; then words=("-dict=.words/$target"); fi
    # Their threads, and those of the reader of JPEG, may end a moment after what waits for them, which looks like a leak.
    case $target in dayfile | dayfile_fault | photo) words+=(-detect_leaks=0) ;; esac
    # Where each input takes long, none is spent on finding out that a longer one may be better.
    if [ "$target" = dayfile_fault ]; then words+=(-len_control=0); fi
    mkdir -p "artifacts/$target"
    local TIMEFORMAT='wall %R user %U sys %S'
    { time ASAN_OPTIONS=detect_odr_violation=0:quarantine_size_mb=32 "$programs/$target" \
        ".corpus/$target" ${words[@]+"${words[@]}"} -artifact_prefix="artifacts/$target/" -max_total_time=$((minutes * 60)) \
        -timeout=10 -rss_limit_mb=1024 -malloc_limit_mb=512 -max_len="$(longest "$target")" -print_final_stats=1 \
        >"$log" 2>&1; } 2>"$log.time" || status=$?
    figures "$target" "$status"
}

figures() {
    local log=.log/$1
    stat() { sed -n "s/^stat::$1: *//p" "$log"; }
    local last wall cpu
    last=$(grep -o 'cov: [0-9]* ft: [0-9]* corp: [0-9]*' "$log" | tail -1)
    read -r wall cpu < <(awk '{ print int($2), int($4 + $6) }' "$log.time")
    printf '| `%s` | %s | %s | %s | %s | %s | %s | %s | %s |\n' "$1" "$(stat number_of_executed_units)" "$wall" "$cpu" \
        "$(echo "$last" | cut -d' ' -f2)" "$(echo "$last" | cut -d' ' -f6)" "$(stat slowest_unit_time_sec)" \
        "$(stat peak_rss_mb)" "$([ "$2" = 0 ] && echo none || echo "see artifacts/$1, exit $2")"
}

echo '| target | inputs tried | wall s | CPU s | edges | corpus | slowest s | peak MB | found |'
echo '|---|---|---|---|---|---|---|---|---|'
for target in "$@"; do
    while [ "$(jobs -rp | wc -l)" -ge "${FUZZ_JOBS:-3}" ]; do wait -n || true; done
    one "$target" &
done
wait
