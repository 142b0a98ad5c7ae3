#!/usr/bin/env bash
# Trains the recogniser on crew talk: writes models/tiny.en.tuning.safetensors. An hour or two on two idle cores.
# usage: tune.sh [--sentences N] [--steps N] [--rate R] [--seed N] [--from OLD.safetensors]
# Needs the model (make model), cargo, the voices (flite, espeak-ng, festival, festvox-kdlpc16k, and npm for kokoro's speakers), sox,
# and wordnet-base for talk about anything else.
set -euo pipefail
root=$(cd "$(dirname "$0")/.." && pwd)
cache=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand
model=${XDG_DATA_HOME:-$HOME/.local/share}/thirdhand/models/ggml-tiny.en.bin
work=$cache/tune
sentences=10000
more=()
while [ $# -gt 0 ]; do
  case $1 in
    --sentences) sentences=${2:?--sentences wants a number}; shift 2 ;;
    --steps | --rate | --seed | --from) more+=("$1" "${2:?$1 wants a value}"); shift 2 ;;
    *) echo "tune: unknown argument $1; usage: tune.sh [--sentences N] [--steps N] [--rate R] [--seed N] [--from OLD.safetensors]" >&2; exit 2 ;;
  esac
done
for tool in flite espeak-ng festival sox npm /usr/share/wordnet/data.noun; do
  command -v "$tool" > /dev/null || [ -e "$tool" ] ||
    { echo "tune: $tool is missing; apt-get install flite espeak-ng festival festvox-kdlpc16k sox npm wordnet-base" >&2; exit 1; }
done
[ -e "$model" ] || { echo "tune: $model is missing; run make model" >&2; exit 1; }
venv=$("$root/scripts/python-env.sh" tune)
mkdir -p "$work"
cd "$root"
cargo run --locked --quiet --no-default-features --example crew_talk -- 5000 > "$work/talk.tsv"
"$venv/bin/python" scripts/tune/general.py 6000 >> "$work/talk.tsv"
"$venv/bin/python" scripts/tune/named.py 8 >> "$work/talk.tsv"
"$venv/bin/python" scripts/tune/speech.py "$work/talk.tsv" "$sentences" "$(scripts/kokoro-speakers.sh)" "$work/speech.pickle"
# Large blocks are kept, or every step asks the kernel for its memory anew.
export MALLOC_MMAP_THRESHOLD_=4000000000 MALLOC_TRIM_THRESHOLD_=40000000000 MALLOC_TOP_PAD_=500000000
exec "$venv/bin/python" scripts/tune/train.py "$model" "$work/speech.pickle" models/tiny.en.tuning.safetensors "${more[@]}"
