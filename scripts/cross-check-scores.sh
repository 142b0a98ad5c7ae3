#!/usr/bin/env bash
# NEWS2, GCS, qSOFA, APGAR and START against an independent package, on COUNT random inputs each (10,000).
# usage: cross-check-scores.sh [COUNT]
# The package lives in an environment of its own under the build folder, pinned by hash; it is no part of the program.
set -euo pipefail
cd "$(dirname "$0")/.."
count=${1:-10000}
build=${CARGO_TARGET_DIR:-target}
oracle=$build/score-oracle
mkdir -p "$build"
if ! "$oracle/bin/python" -c 'import vitalscore' 2>/dev/null; then
  python3 -m venv "$oracle"
  "$oracle/bin/pip" install --quiet --disable-pip-version-check --no-deps --require-hashes -r scripts/score-oracle.txt
fi
"$oracle/bin/python" scripts/score-oracle.py "$count" > "$oracle/cases.txt"
THIRDHAND_SCORE_CASES=$(realpath "$oracle/cases.txt") \
  cargo test --locked --no-default-features --test score_oracle -- --ignored --nocapture
