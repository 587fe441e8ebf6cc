#!/bin/sh
# Sets up what the tests need and is missing, then runs all of them.
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
missing=
for tool in Xvfb xdotool import convert exiftool pdftotext ogrinfo xmllint geod python3 unzip age openssl zbarimg sqlite3 sha256sum strace; do command -v "$tool" >/dev/null || missing="$missing $tool"; done
/usr/bin/python3 -c 'import icalendar' 2>/dev/null || missing="$missing icalendar"
if [ -n "$missing" ]; then
    echo "installing what is missing:$missing"
    if [ "$(id -u)" = 0 ]; then as_root=; else as_root=sudo; fi
    $as_root apt-get update -qq
    $as_root apt-get install -y -qq xvfb xdotool imagemagick libimage-exiftool-perl poppler-utils gdal-bin libxml2-utils proj-bin python3 unzip age openssl zbar-tools sqlite3 coreutils python3-icalendar strace
fi
cargo test --locked "$@"
