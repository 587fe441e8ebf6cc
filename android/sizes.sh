#!/bin/sh
# Lists what is linked into the app with its size, crate by crate, and how large the program is with and without symbols.
#
# It is the desktop's program: the same Rust code as on a phone, with the desktop's window and software renderer in place of
# Skia. Built without link-time optimisation, which moves code from one crate into another; profiles.sh says what that takes
# away. An APK is only linked where the NDK is (build.sh prints its size).
#
#   android/sizes.sh [--allow-missing]
set -eu
. "$(dirname "$0")/tools.sh"
cd "$ROOT"
command -v cargo-bloat >/dev/null || {
    echo "installing cargo-bloat"
    cargo install --locked --quiet cargo-bloat || not_run "cargo-bloat cannot be installed"
}
# With symbols, which say which crate a piece of code is from.
export CARGO_PROFILE_RELEASE_STRIP=none CARGO_PROFILE_RELEASE_LTO=off CARGO_PROFILE_RELEASE_CODEGEN_UNITS=16
export CARGO_TARGET_DIR="$OUT/sizes"
cargo bloat --locked --release --bin lidmark --crates -n 40
program=$CARGO_TARGET_DIR/release/lidmark
size -A "$program" | awk '/^\.(text|rodata|eh_frame|gcc_except_table|data.rel.ro|rela.dyn|data|bss) / { printf "%-20s %6.1f MB\n", $1, $2 / 1e6 }'
strip -o "$program-stripped" "$program"
for file in "$program" "$program-stripped"; do
    printf '%-20s %6.1f MB\n' "$(basename "$file")" "$(wc -c <"$file" | awk '{ print $1 / 1e6 }')"
done
gzip -9 -c "$program-stripped" | wc -c | awk '{ printf "%-20s %6.1f MB\n", "packed, as in an APK", $1 / 1e6 }'
