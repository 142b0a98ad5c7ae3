#!/usr/bin/env bash
# From the end of speech to the first sound of spoken advice, through PulseAudio and speech-dispatcher, with its parts.
# usage: bench-latency.sh PROGRAM
set -euo pipefail
cd "$(dirname "$0")/.."
echo "latency, end of speech to first sound (20 rounds; a few minutes):"
THIRDHAND_BIN=$(realpath "$1") cargo test --locked --quiet --test live latency_from -- --ignored --nocapture |
  grep -E "median|target|panicked|SKIPPED|answered"
