#!/bin/sh
# How much of the calculations, the book and the files the tests reach: lines of src/domain, src/store and src/exchange, by
# the compiler's own counters (cargo-llvm-cov). Fails under 90 % of the lines of any of the three. Installs what it needs and
# takes about as long as the tests do; the office's and the files' child processes are counted too.
#
#   tests/coverage.sh [what cargo test takes]
set -eu
cd "$(dirname "$0")/.."
. demo/setup.sh
command -v cargo-llvm-cov >/dev/null || cargo install --locked cargo-llvm-cov
rustup component add llvm-tools 2>/dev/null || true
# A folder of its own, for what is built here counts.
export CARGO_TARGET_DIR="$PWD/target/coverage"
mkdir -p "$CARGO_TARGET_DIR"
eval "$(cargo llvm-cov show-env --sh --no-cfg-coverage)"
cargo llvm-cov clean --profraw-only
status=0
# What is killed leaves no counts: a few kills do.
LIDMARK_KILLS="${LIDMARK_KILLS:-20}" cargo test --locked --no-default-features --lib --bins --test all "$@" || status=$?
# A process that was killed while it wrote its counts left a file that cannot be read.
cargo llvm-cov report --failure-mode all --json --summary-only --output-path "$CARGO_TARGET_DIR/lines.json"
python3 - <<'PY'
import json, sys
files = json.load(open("target/coverage/lines.json"))["data"][0]["files"]
short = []
print("| layer | lines | reached | share |\n|---|---|---|---|")
for layer in ("domain", "store", "exchange"):
    lines = [file["summary"]["lines"] for file in files if f"/src/{layer}/" in file["filename"]]
    count, covered = sum(line["count"] for line in lines), sum(line["covered"] for line in lines)
    print(f"| `src/{layer}` | {count} | {covered} | {100 * covered / count:.1f} % |")
    if covered < 0.9 * count:
        short.append(layer)
if short:
    sys.exit("under 90 % of the lines: " + ", ".join(short))
PY
exit $status
