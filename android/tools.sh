# Shared by the scripts of this folder: says what is missing, installs it where it can, and finds an android.jar.
# Sets ALLOW_MISSING=yes when the script was called with --allow-missing.
ALLOW_MISSING=no
for argument in "$@"; do
    case "$argument" in
        --allow-missing) ALLOW_MISSING=yes ;;
        *) echo "unknown argument: $argument (known: --allow-missing)" >&2; exit 2 ;;
    esac
done
ROOT=$(cd "$(dirname "$0")/.." && pwd)
OUT=${CARGO_TARGET_DIR:-$ROOT/target}/android-checks
mkdir -p "$OUT"

# Says loudly that a check did not run; that is a failure unless the caller said otherwise.
not_run() {
    echo "NOT RUN: $(basename "$0"): $1" >&2
    [ "$ALLOW_MISSING" = yes ] && exit 0
    exit 1
}

as_root() { if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi; }

# install COMMAND PACKAGE: makes sure a command is there.
install() {
    command -v "$1" >/dev/null && return
    echo "installing $2"
    as_root apt-get update -qq >/dev/null 2>&1 || true
    as_root apt-get install -y -qq "$2" >/dev/null 2>&1 || true
    command -v "$1" >/dev/null || not_run "$1 is not there and package $2 cannot be installed"
}

# Finds an android.jar: the newest platform of an SDK, else API 23 as packaged for Debian (its bullseye suite).
find_android_jar() {
    for jar in "${ANDROID_JAR:-}" $(ls -d "${ANDROID_HOME:-/nowhere}"/platforms/android-*/android.jar 2>/dev/null | sort -V | tail -n 1) \
        /usr/lib/android-sdk/platforms/android-23/android.jar "$OUT/sdk/usr/lib/android-sdk/platforms/android-23/android.jar"; do
        if [ -n "$jar" ] && [ -s "$jar" ]; then ANDROID_JAR=$jar; return; fi
    done
    echo "fetching Debian's android.jar for API 23"
    sources=$OUT/apt
    mkdir -p "$sources/parts" "$sources/lists/partial" "$OUT/sdk"
    # The same mirrors this machine already uses, one release back.
    for file in /etc/apt/sources.list /etc/apt/sources.list.d/*; do
        [ -s "$file" ] && sed -e 's/bookworm\|trixie\|forky/bullseye/g' "$file" >"$sources/parts/$(basename "$file")"
    done
    apt_there="-o Dir::Etc::sourcelist=/dev/null -o Dir::Etc::sourceparts=$sources/parts -o Dir::State::lists=$sources/lists"
    (
        cd "$sources"
        as_root apt-get $apt_there update -qq >/dev/null 2>&1
        as_root apt-get $apt_there download -qq libandroid-23-java >/dev/null 2>&1
        dpkg-deb -x libandroid-23-java_*.deb "$OUT/sdk"
    ) || true
    ANDROID_JAR=$(find "$OUT/sdk" -name android.jar 2>/dev/null | head -n 1)
    [ -n "$ANDROID_JAR" ] || not_run "there is no android.jar: no SDK in ANDROID_HOME, and package libandroid-23-java cannot be fetched"
}
