#!/bin/sh
# Sets up what the tests need and is missing, then runs all of them.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
missing=
for tool in Xvfb xdotool import pdftotext python3; do command -v "$tool" >/dev/null || missing="$missing $tool"; done
if [ -n "$missing" ]; then
    echo "installing what is missing:$missing"
    if [ "$(id -u)" = 0 ]; then as_root=; else as_root=sudo; fi
    $as_root apt-get update -qq
    $as_root apt-get install -y -qq xvfb xdotool imagemagick poppler-utils python3
fi
cargo test --locked "$@"
