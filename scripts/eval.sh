#!/usr/bin/env bash
# How well it hears, by voice and noise. usage: eval.sh PROGRAM [--part tune|measure|fresh] [--files N] [--list]
# Sets up a private Python environment for the piper voice and numpy; the other voices are Debian packages, and a voice
# that is not there is left out and named.
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
cache=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand
venv=$cache/venv-eval
if [ ! -e "$venv/ready" ]; then
  echo "eval: making a private Python environment in $venv" >&2
  rm -rf "$venv"
  /usr/bin/python3 -m venv "$venv"
  "$venv/bin/pip" --disable-pip-version-check install --quiet --no-deps --require-hashes -r "$root/scripts/requirements-eval.txt"
  touch "$venv/ready"
fi
exec "$venv/bin/python" "$root/scripts/eval.py" "$@" --cache "$cache/eval"
