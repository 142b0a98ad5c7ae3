#!/usr/bin/env bash
# What understanding a line of text costs, and how that grows when every frame of the grammar is there twice.
# usage: bench-parse.sh PROGRAM
set -euo pipefail
program=$1
root=$(cd "$(dirname "$0")/.." && pwd)
place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT

/usr/bin/python3 - "$root" "$place" <<'PY'
import pathlib, re, sys
root, place = map(pathlib.Path, sys.argv[1:])
lines = [l for f in sorted((root / "tests/findings").glob("*.txt")) for l in f.read_text().splitlines()
         if l.strip() and not l.startswith(("#", " ", "\t", "?"))]
(place / "lines").write_text("\n".join(lines * 5) + "\n")
(place / "none").write_text("")
(place / "twice/grammars/en").mkdir(parents=True)
for source in (root / "grammars/en").glob("*.toml"):
    blocks = re.split(r"(?m)^(?=\[)", source.read_text())
    frames = [re.sub(r'(?m)^id = "', 'id = "again_', b, count=1) for b in blocks if b.startswith("[[frame]]")]
    if frames:
        (place / "twice/grammars/en" / source.name).write_text("".join(frames))
PY

# Processor time in microseconds: what else the machine does is left out.
took() { local TIMEFORMAT=%U; { time "$@" >/dev/null; } 2>&1 | awk '{ printf "%d", $1 * 1000000 }'; }
count=$(wc -l < "$place/lines")
each() { set -e # microseconds a line, the program's start taken off
  local start all
  start=$(took "$program" "$@" parse --fresh --json < "$place/none")
  all=$(took "$program" "$@" parse --fresh --json < "$place/lines")
  echo $(((all - start) / count))
}
shipped=$(each)
twice=$(each --data "$place/twice")
echo "understanding: $count lines of the tables"
echo "  the grammar as shipped: $shipped us a line"
echo "  every frame twice:      $twice us a line (each meaning is then found twice: the worst way to grow)"
