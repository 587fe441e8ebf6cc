#!/bin/sh
# Runs the real app as on a phone, in a window on a screen of its own (Xvfb), and lets it live through what a phone does
# to an app in the middle of a stop: hidden, shown, ended, turned on its side, split, larger text, the keyboard up, its
# permission taken, its clock set, killed, killed while the camera is open.
# It is the desktop's window with the phone's events, not Android: docs/android.md says what still needs a device.
#
#   android/check-phone.sh [--allow-missing]      LIDMARK names the program; it is built when not given.
set -eu
. "$(dirname "$0")/tools.sh"
install Xvfb xvfb
install xdotool xdotool
install import imagemagick
install convert imagemagick
install sqlite3 sqlite3
cd "$ROOT"
if [ -z "${LIDMARK:-}" ]; then
    cargo build --locked --bin lidmark
    LIDMARK=${CARGO_TARGET_DIR:-target}/debug/lidmark
fi
work=$(mktemp -d)
screen=:$((90 + $$ % 100))
# Without -noreset the display starts anew whenever its last window closes.
Xvfb "$screen" -noreset -screen 0 1000x1000x24 >"$work/xvfb.log" 2>&1 &
server=$!
app=
finish() {
    for process in $app $server; do kill "$process" 2>/dev/null || true; done
    rm -rf "$work"
}
trap finish EXIT
export DISPLAY=$screen
fail() { echo "FAILED: $1"; tail -n 20 "$work/said" "$work/wrong"; exit 1; }

# The display takes a moment to open.
tries=0
until xdotool getdisplaygeometry >/dev/null 2>&1; do
    tries=$((tries + 1))
    [ "$tries" -lt 100 ] || { echo "FAILED: no display after 20 s"; cat "$work/xvfb.log"; exit 1; }
    sleep 0.2
done

# What is typed goes through a pipe that stays open.
begin() {
    rm -f "$work/typed"
    mkfifo "$work/typed"
    : >"$work/said"
    "$LIDMARK" --phone --data "$work/book" <"$work/typed" >"$work/said" 2>"$work/wrong" &
    app=$!
    exec 9>"$work/typed"
    wait_for "the window" xdotool search --onlyvisible --name Lidmark
}
wait_for() {
    what=$1
    shift
    tries=0
    until "$@" >/dev/null 2>&1; do
        tries=$((tries + 1))
        [ "$tries" -lt 100 ] || fail "waited 20 s for $what"
        kill -0 "$app" 2>/dev/null || fail "the app ended while waiting for $what"
        sleep 0.2
    done
}
tell() {
    echo "$1" >&9
    wait_for "the app to hear '$1'" grep -qxF "told: $1" "$work/said"
    kill -0 "$app" 2>/dev/null || fail "the app ended at '$1'"
    ! grep -q "panicked" "$work/wrong" || fail "the app panicked at '$1'"
}
# A screen that shows something has many colours.
look() {
    sleep 0.4
    import -window root "$work/screen.png"
    colours=$(identify -format %k "$work/screen.png")
    [ "$colours" -gt 20 ] || fail "after '$1' the screen is blank ($colours colours)"
}

# A touch where a finger would be, on the window of 412 x 892 at the corner of the screen.
touch() {
    xdotool mousemove "$1" "$2" click 1
}
ask_book() { sqlite3 "$work/book/book.sqlite" "$1"; }

begin
# The demo book, its first stop: the screen is kept on, the position is asked for.
touch 200 420
wait_for "the demo book" test -s "$work/book/book.sqlite"
sleep 3
touch 350 60
sleep 1
touch 200 220
wait_for "the screen to be kept on in a stop" grep -qxF "asked: KeepScreenOn(true)" "$work/said"
wait_for "the position to be asked for at Find" grep -qxF "asked: Position(true)" "$work/said"
for event in hide show low-memory clock "text 1.5" "text 2" "text 1" no-position position-off no-camera "heading 90" \
    "picture $work/none.jpg" "no-picture $work/none.jpg" "file $work/none.gpx" hide show; do
    tell "$event"
    look "$event"
done
for size in "892 412" "412 400" "412 892"; do
    echo "size $size" >&9
    look "size $size"
done
# The keyboard covers the foot of the window: nothing but the ground is drawn there, and all is drawn again when it goes.
foot() { import -window root -crop 412x300+0+592 +repage "$work/foot.png" && identify -format %k "$work/foot.png"; }
echo "keyboard 300" >&9
look "keyboard 300"
[ "$(foot)" = 1 ] || fail "something is drawn where the keyboard lies"
echo "keyboard 0" >&9
look "keyboard 0"
[ "$(foot)" -gt 1 ] || fail "nothing is drawn where the keyboard lay"
echo "nonsense" >&9
wait_for "the refusal of a line that means nothing" grep -qxF "not understood: nonsense" "$work/said"
# The camera is open when the system takes the app's memory: the picture is written after that, and is on the list once.
# The last notice lies over the key for photos: its OK is touched first.
touch 350 60
sleep 1
touch 329 30
sleep 1
touch 70 820
wait_for "the camera to be asked for" grep -q "asked: TakePicture" "$work/said"
picture=$(sed -n 's/^asked: TakePicture("\(.*\)")$/\1/p' "$work/said")
kill -KILL "$app"
wait "$app" 2>/dev/null || true
exec 9>&-
convert -size 640x480 xc:olivedrab "jpeg:$picture"
begin
wait_for "the same stop after the kill" grep -qxF "asked: KeepScreenOn(true)" "$work/said"
pictures() { [ "$(ask_book 'SELECT count(*) FROM photo')" = 1 ]; }
wait_for "the picture to be taken in" pictures
tell "picture $picture"
sleep 1
pictures || fail "the picture was taken in twice"
# Back leads through the screens to the first one, and from there out.
window=$(xdotool search --onlyvisible --name Lidmark | head -n 1)
xdotool windowfocus "$window"
leaves() { xdotool key Escape && sleep 0.3 && grep -q "asked: LeaveApp" "$work/said"; }
wait_for "the app to ask to be left" leaves
# Ended by the system, it ends in order.
echo end >&9
tries=0
while kill -0 "$app" 2>/dev/null; do
    tries=$((tries + 1))
    [ "$tries" -lt 50 ] || fail "told to end, it did not"
    sleep 0.2
done
wait "$app" || fail "told to end, it failed"
exec 9>&-
# Killed without a word while hidden, the book is sound and the app starts again.
begin
tell hide
kill -KILL "$app"
wait "$app" 2>/dev/null || true
exec 9>&-
[ "$(sqlite3 "$work/book/book.sqlite" 'PRAGMA integrity_check')" = ok ] || fail "the book is damaged after a kill"
begin
look "start after a kill"
echo end >&9
echo "phone mode: the app lived through every event"
