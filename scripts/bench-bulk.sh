#!/usr/bin/env bash
# Many calls into an existing engine: makes CALLS records (10,000), exports them as NDJSON by resource type (HL7 bulk data
# layout), loads that with DuckDB and compares what it counts with what was made. usage: bench-bulk.sh PROGRAM [CALLS]
# DuckDB comes from PyPI into a private cache, by hash; no network is needed once it is there.
set -euo pipefail
program=$(realpath "$1")
calls=${2:-10000}
cd "$(dirname "$0")"
mark=$(sha256sum requirements-bulk.txt | cut -c1-16)
venv=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand/test-tools/bulk-$mark
if [ ! -e "$venv/ready" ]; then
  rm -rf "$venv"
  /usr/bin/python3 -m venv "$venv"
  "$venv/bin/pip" install --disable-pip-version-check --quiet --require-hashes --no-deps -r requirements-bulk.txt >&2
  touch "$venv/ready"
fi
place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT

milliseconds() { local begun; begun=$(date +%s%N); "$@" >&2; echo $((($(date +%s%N) - begun) / 1000000)); }

"$venv/bin/python" bulk.py make "$place/calls" "$calls"
took=$(milliseconds bash -c 'cd "$1" && exec "$2" export * --format ndjson --into "$3"' _ "$place/calls" "$program" "$place/bulk")
echo "bulk: $calls records exported in $took ms, $(du -sm "$place/bulk" | cut -f1) MB, $(cat "$place"/bulk/*.ndjson | wc -l) resources"
"$venv/bin/python" bulk.py query "$place/bulk" "$place/calls"
