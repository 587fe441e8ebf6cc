#!/bin/sh
# Type check and clippy of the whole app for Android. It is not a link: that takes the NDK and the Skia library (build.sh).
#
# Where there is no SDK and no NDK, the tools that only prepare what a link would need are stood in for: Slint's own Java
# helper is not compiled, SQLite's C is not compiled, Skia's bindings are those made for its documentation.
set -eu
. "$(dirname "$0")/tools.sh"
targets="aarch64-linux-android x86_64-linux-android"
for target in $targets; do
    rustup target add "$target" >/dev/null 2>&1 || not_run "the standard library for $target cannot be installed with rustup"
done
stand=$OUT/stand-ins
mkdir -p "$stand/bin" "$stand/sdk"
: >"$stand/sdk/android.jar"
: >"$stand/sdk/d8.jar"
# Stands in for javac: does nothing. Stands in for java running d8: leaves an empty classes.dex where it was asked for.
printf '#!/bin/sh\n[ "${1:-}" = -version ] && echo "javac 17.0.0" >&2\nexit 0\n' >"$stand/bin/javac"
cat >"$stand/bin/java" <<'STAND'
#!/bin/sh
while [ $# -gt 0 ]; do
    [ "$1" = --output ] && { mkdir -p "$2"; : >"$2/classes.dex"; }
    shift
done
STAND
# Stands in for the NDK's C compiler and archiver: leaves an empty file where one was asked for.
for target in $targets; do
    for name in "$target-clang" "$target-clang++" "$target-ar"; do
        cat >"$stand/bin/$name" <<'STAND'
#!/bin/sh
case "$*" in *--version*) echo "clang version 18.0.0 (stand-in)"; exit 0 ;; esac
while [ $# -gt 0 ]; do
    case "$1" in
        -o) : >"$2"; shift ;;
        *.a) : >"$1" ;;
    esac
    shift
done
STAND
    done
done
chmod +x "$stand"/bin/*
export CC_aarch64_linux_android="$stand/bin/aarch64-linux-android-clang" AR_aarch64_linux_android="$stand/bin/aarch64-linux-android-ar"
export CC_x86_64_linux_android="$stand/bin/x86_64-linux-android-clang" AR_x86_64_linux_android="$stand/bin/x86_64-linux-android-ar"
export CXX_aarch64_linux_android="$stand/bin/aarch64-linux-android-clang++" CXX_x86_64_linux_android="$stand/bin/x86_64-linux-android-clang++"
export ANDROID_JAR="$stand/sdk/android.jar" ANDROID_D8_JAR="$stand/sdk/d8.jar" JAVA_HOME="$stand" DOCS_RS=1
# Its own folder: what stands in for a compiler must never be taken for the real thing by another build.
export CARGO_TARGET_DIR="$OUT/rust"
cd "$ROOT"
for target in $targets; do
    cargo clippy --locked --lib --target "$target" -- -D warnings
    echo "Rust for $target: type check and clippy of the whole app. Not a link: that takes the NDK (see docs/android.md)."
done
