#!/bin/sh
# Lays out where the fuzzing begins: the vectors of the tests, and what earlier runs found worth keeping (corpus/).
set -eu
cd "$(dirname "$0")"
for target in dayfile dayfile_fault planfile rulefile nmea gpx geojson list work locate diagnose photo; do
    mkdir -p ".corpus/$target"
    if [ -d "corpus/$target" ]; then cp "corpus/$target"/* ".corpus/$target/"; fi
done
cp ../vectors/dayfile/*.lidmark .corpus/dayfile/
cp ../../src/exchange/rulesets/*.toml .corpus/rulefile/
cp ../vectors/work/*.json ../../docs/examples/level-cylinder.json .corpus/work/
cp ../vectors/locate/*.json .corpus/locate/
cp ../../docs/examples/diagnose-*.json .corpus/diagnose/
cp ../../docs/examples/customers* .corpus/list/
