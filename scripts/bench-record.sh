#!/usr/bin/env bash
# What the record costs, beside what it is compared with. usage: bench-record.sh PROGRAM
set -euo pipefail
program=$1
place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT

seconds() { local begun; begun=$(date +%s%N); "$@" >/dev/null 2>&1; echo $((($(date +%s%N) - begun) / 1000000)); }
memory() { bash -c '"$@" >/dev/null 2>&1 & pid=$!; peak=0
  while read -r kb 2>/dev/null < <(awk "/VmHWM/ {print \$2}" /proc/$pid/status 2>/dev/null) && [ -n "$kb" ]; do peak=$kb; done
  wait $pid; echo $peak' _ "$@"; }

echo "record: append (one input, synced), beside a plain synced write"
/usr/bin/python3 - "$place/long.call" <<'PY'
import sys
with open(sys.argv[1], "w") as script:
    for second in range(500):
        script.write(f"{second // 60:02}:{second % 60:02} pulse {60 + second % 60}\n")
PY
took=$(seconds "$program" replay --voice none --record "$place/call" "$place/long.call")
lines=$(wc -l < "$place/call/events.jsonl")
plain=$(seconds dd if=/dev/zero of="$place/plain" bs=400 count=500 oflag=dsync)
echo "  replay of 500 utterances: $took ms for $lines events; 500 plain synced writes: $plain ms"

echo "record: how reading grows (ms, peak kB); sha256sum of the same file beside it"
for events in 1000 10000 100000; do
  mkdir "$place/$events"
  /usr/bin/python3 - "$events" "$place/$events/events.jsonl" <<'PY'
import hashlib, json, sys
events, head = int(sys.argv[1]), "0" * 64
with open(sys.argv[2], "wb") as out:
    def emit(seq, kind, payload):
        global head
        ms = seq * 700
        day, s = 1 + ms // 86_400_000, ms // 1000
        at = f"2027-03-{day:02}T{s // 3600 % 24:02}:{s // 60 % 60:02}:{s % 60:02}.{ms % 1000:03}-05:00"
        line = json.dumps({"seq": seq, "at": at, "mono_ms": ms, "kind": kind, kind: payload}, separators=(",", ":"))[:-1].encode()
        head = hashlib.sha256(head.encode() + line).hexdigest()
        out.write(line + b',"hash":"' + head.encode() + b'"}\n')
    emit(1, "opened", {"format": "thirdhand-record-1", "version": "0.1.0", "data": "built-in", "data_digest": "", "model": "text", "purpose": "training"})
    for seq in range(2, events):
        if seq % 2:
            emit(seq, "finding", {"finding": "pulse", "rate_per_min": 60 + seq % 80})
        else:
            emit(seq, "heard", {"text": "pulse", "confidence": 0.9, "outcome": "matched", "audio_ms": 900})
    emit(events, "closed", {"reason": "end_of_input"})
PY
  record=$place/$events
  printf '  %7d events: verify %s ms (%s kB), review %s ms (%s kB), handoff %s ms, sha256sum %s ms\n' "$events" \
    "$(seconds "$program" verify "$record")" "$(memory "$program" verify "$record")" \
    "$(seconds "$program" review "$record")" "$(memory "$program" review "$record")" \
    "$(seconds "$program" handoff "$record")" "$(seconds sha256sum "$record/events.jsonl")"
done
