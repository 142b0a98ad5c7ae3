#!/usr/bin/env bash
# Speed, each figure beside what it is compared with: every scripts/bench-*.sh in turn. usage: bench.sh PROGRAM
set -euo pipefail
cd "$(dirname "$0")/.."
for part in scripts/bench-*.sh; do
  "$part" "$1"
done
