#!/usr/bin/env bash
# The long versions of the crash tests, and ten minutes through the sound server. usage: soak.sh PROGRAM
set -euo pipefail
cd "$(dirname "$0")/.."
THIRDHAND_KILLS=${THIRDHAND_KILLS:-1000} cargo test --locked --no-default-features --test journal_kill -- --nocapture
THIRDHAND_CASES=${THIRDHAND_CASES:-200000} cargo test --locked --no-default-features --test journal_reader -- --nocapture
THIRDHAND_BIN=$(realpath "$1") THIRDHAND_SOAK_MINUTES=${THIRDHAND_SOAK_MINUTES:-10} \
  cargo test --locked --test live minutes_through -- --nocapture
