#!/usr/bin/env bash
# Everything that must hold, quickest first. usage: test.sh PROGRAM
# Prints the ten slowest tests at the end; each step's own output is what cargo prints.
set -euo pipefail
cd "$(dirname "$0")/.."
export THIRDHAND_BIN=$1
log=$(mktemp)
trap 'rm -f "$log"' EXIT

step() { echo "== $*" >&2; "$@" 2>&1 | tee -a "$log"; }

step cargo fmt --check
step cargo clippy --locked --no-default-features --all-targets -- -D warnings
step cargo clippy --locked --all-targets -- -D warnings
step cargo test --locked --no-default-features --no-fail-fast
step scripts/cross-check-scores.sh
step cargo test --locked --no-fail-fast

echo "== the ten slowest test files" >&2
awk '/^ *(Running|Doc-tests)/ { name = $2 == "unittests" ? $2 " " $3 : $2 }
     /^test result:/ && /finished in/ { sub(/.*finished in /, ""); sub(/s.*/, ""); print $0 "\t" name }' "$log" |
  sort -rn | head -n 10 | awk -F '\t' '{ printf "  %7.1f s  %s\n", $1, $2 }' >&2
