#!/bin/sh
# Draws the pictures of the README anew: screens of the running app on the invented book and day of demo/.
# Needs ImageMagick (convert) besides what demo/setup.sh installs. The demo is played into the folder given, or .demo.
set -eu
cd "$(dirname "$0")/../.."
command -v convert >/dev/null || {
    echo "error: ImageMagick's convert is not there" >&2
    echo "what to do: install the package imagemagick, then run this again" >&2
    exit 1
}
out=${1:-.demo}
demo/run.sh "$out"
# Three screens side by side, at the size of a phone; flat colours need no more than a palette.
strip() {
    to=$1
    shift
    for screen in "$@"; do set -- "$@" "$out/screens/$screen.en.us.day.png"; shift; done
    convert "$@" -filter Lanczos -resize 400x -bordercolor white -border 8 +append \
        -strip -dither None -colors 160 -define png:compression-level=9 "png8:docs/pictures/$to.png"
}
strip find-dig-read find-stop5 dig-2 read
strip pump-leave-card pump leave door
ls -l docs/pictures/*.png
