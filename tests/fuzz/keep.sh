#!/usr/bin/env bash
# Keeps, of what the last runs found, a small set that reaches the same code, for tests/all/hostile.rs and the next runs:
#   tests/fuzz/keep.sh [TARGET...]
# At most 40 inputs and 64 kB a target, from the smallest to the largest, in place of those kept before. What has a name (it
# once broke something, or was made by hand) stays.
set -euo pipefail
cd "$(dirname "$0")"
if [ $# -eq 0 ]; then set -- dayfile dayfile_fault planfile rulefile nmea gpx geojson list work locate diagnose photo; fi
for target in "$@"; do
    small=$(mktemp -d)
    mkdir -p "corpus/$target"
    ASAN_OPTIONS=detect_odr_violation=0:detect_leaks=0 target/*/release/"$target" -set_cover_merge=1 "$small" ".corpus/$target" \
        "corpus/$target" >/dev/null 2>&1
    # libFuzzer names what it writes by its SHA-1.
    find "corpus/$target" -type f -regextype posix-extended -regex '.*/[0-9a-f]{40}' -delete
    room=65536
    while read -r bytes file; do
        room=$((room - bytes))
        if [ $room -lt 0 ]; then break; fi
        cp "$file" "corpus/$target/"
    done < <(find "$small" -type f -printf '%s %p\n' | sort -n \
        | awk '{ line[NR] = $0 } END { step = NR > 40 ? NR / 40 : 1; for (at = NR; at >= 1; at -= step) print line[int(at)] }')
    rm -rf "$small"
    echo "$target: $(find "corpus/$target" -type f | wc -l) inputs, $(du -sb "corpus/$target" | cut -f1) bytes"
done
