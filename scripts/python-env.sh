#!/usr/bin/env bash
# Prints the folder of a private Python environment that holds scripts/requirements-NAME.txt; makes it the first time, and anew
# when that file has changed.
# usage: python-env.sh NAME
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
name=$1
requirements=$root/scripts/requirements-$name.txt
venv=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand/venv-$name
if ! cmp -s "$requirements" "$venv/ready"; then
  echo "$name: making a private Python environment in $venv" >&2
  rm -rf "$venv"
  /usr/bin/python3 -m venv "$venv"
  "$venv/bin/pip" --disable-pip-version-check install --quiet --no-deps --require-hashes -r "$requirements"
  cp "$requirements" "$venv/ready"
fi
echo "$venv"
