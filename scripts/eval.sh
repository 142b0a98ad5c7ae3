#!/usr/bin/env bash
# How well it hears, by voice and noise. usage: eval.sh PROGRAM [--part tune|measure|fresh|person|names] [--files N] [--list]
# Sets up a private Python environment for the piper voice and numpy; the other voices are Debian packages, and a voice
# that is not there is left out and named.
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
cache=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand
venv=$("$root/scripts/python-env.sh" eval)
speakers=$("$root/scripts/kokoro-speakers.sh")
exec "$venv/bin/python" "$root/scripts/eval.py" "$@" --cache "$cache/eval" --speakers "$speakers"
