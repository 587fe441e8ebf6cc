#!/bin/sh
# Lays out where the fuzzing begins: the vectors of the tests, what earlier runs found worth keeping (corpus/), and the
# words of each JSON form as a dictionary.
set -eu
cd "$(dirname "$0")"
for target in dayfile dayfile_fault planfile rulefile nmea gpx geojson list work locate diagnose photo; do
    mkdir -p ".corpus/$target"
    if [ -d "corpus/$target" ]; then cp "corpus/$target"/* ".corpus/$target/"; fi
done
cp ../vectors/dayfile/*.lidmark .corpus/dayfile/
cp ../../src/exchange/rulesets/*.toml .corpus/rulefile/
cp ../vectors/work/*.json ../../docs/examples/level-cylinder.json .corpus/work/
cp ../vectors/locate/*.json ../../docs/examples/locate-lid.json .corpus/locate/
cp ../../docs/examples/diagnose-*.json .corpus/diagnose/
cp ../../docs/examples/customers* .corpus/list/
# One field's value changed in each part of the sound file (tests/fuzz/src/entries.rs says what the bytes mean).
part=0
while [ $part -lt 30 ]; do
    printf "\\$(printf %o $part)\\000\\003\\005\\004" >.corpus/dayfile_fault/part-$part
    part=$((part + 1))
done

# A quoted word of a file becomes one line of libFuzzer's dictionary.
words() {
    grep -aoh '"[A-Za-z0-9_$-]*"' "$@" | sort -u | sed 's/"\(.*\)"/"\\"\1\\""/'
}
mkdir -p .words
words ../../docs/schema/planfile.schema.json ../../src/exchange/planfile.rs >.words/planfile
words ../../docs/schema/work-input.schema.json >.words/work
words ../../docs/schema/locate-input.schema.json >.words/locate
words ../../docs/schema/diagnose-input.schema.json >.words/diagnose
words corpus/geojson/* >.words/geojson
words ../../docs/schema/day-record.schema.json ../../docs/schema/day-log.schema.json >.words/dayfile_fault
grep -aoh '^[a-z_]*' ../../src/exchange/rulesets/*.toml | sort -u | sed -n 's/..*/"&"/p' >.words/rulefile
grep -aoh '</\{0,1\}[a-z]*' corpus/gpx/* | sort -u | sed -n 's/..*/"&"/p' >.words/gpx
