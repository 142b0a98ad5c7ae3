#!/usr/bin/env bash
# The main job on real audio: the sample call's sound through recognition, grammar, protocol, voice and record; then
# its timeline. usage: demo.sh PROGRAM
set -euo pipefail
program=$1
here=$(cd "$(dirname "$0")/.." && pwd)
out=$(mktemp -d "${TMPDIR:-/tmp}/thirdhand-demo-XXXXXX")
record=$out/record

# A sentence is spoken only where a voice and a sink answer; a tool without a sink can hang, so it gets two seconds.
voice=none
if timeout 2 "$program" doctor --json 2>/dev/null | grep -q '"voice".*"good"' ; then voice=auto; fi
[ "$voice" = none ] && echo "demo: no voice or no loudspeaker here, so advice is shown instead of spoken" >&2

echo "demo: playing samples/chest-pain.wav (a call of our own invention) through the program" >&2
"$program" replay "$here/samples/chest-pain.wav" --record "$record" --voice "$voice" \
  --start 2027-03-01T14:00:00-05:00
echo >&2
"$program" verify "$record"
"$program" review "$record" --html "$out/timeline.html"
"$program" review "$record"
echo
echo "the record:    $record/events.jsonl"
echo "the timeline:  $out/timeline.html"
echo "the handoff:   $program handoff $record"
