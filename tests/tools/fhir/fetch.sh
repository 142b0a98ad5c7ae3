#!/usr/bin/env bash
# Brings the FHIR validators (test tools only) into a private cache, pinned by lock file and hash; prints the folder.
# Needs no network when they are there.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
mark=$(cat "$here/package-lock.json" "$here/requirements.txt" | sha256sum | cut -c1-16)
cache=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand/test-tools/fhir-$mark
if [ ! -e "$cache/ready" ]; then
  rm -rf "$cache"
  mkdir -p "$cache"
  cp "$here/package.json" "$here/package-lock.json" "$cache/"
  (cd "$cache" && npm ci --ignore-scripts --no-audit --no-fund >&2)
  /usr/bin/python3 -m venv "$cache/venv" >&2
  "$cache/venv/bin/pip" install --disable-pip-version-check --quiet --require-hashes --no-deps \
    --requirement "$here/requirements.txt" >&2
  touch "$cache/ready"
fi
echo "$cache"
