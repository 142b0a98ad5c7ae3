#!/usr/bin/env bash
# A made-up call of two hours (about 390 lines spoken) replayed as fast as it can be. usage: bench-encounter.sh PROGRAM
set -euo pipefail
program=$(realpath "$1")
place=$(mktemp -d)
trap 'rm -rf "$place"' EXIT
line() { printf '%02d:%02d %s\n' $(($1 / 60)) $(($1 % 60)) "$2"; }
{
  echo "00:00 on scene"
  echo "00:40 sixty four year old male with chest pain"
  echo "00:50 no allergies to anything"
  for ((k = 0; k < 24; k++)); do
    at=$((90 + k * 290))
    for words in "pulse $((84 + k % 9)) regular" "respirations $((16 + k % 4))" \
      "blood pressure $((148 - k % 12)) over $((84 + k % 5))" "oxygen saturation $((95 + k % 3)) percent on room air" \
      "pain is $((8 - k % 4)) out of ten" "lungs are clear on both sides" "skin is pale and cool" \
      "he is alert and oriented times four" "pupils are equal and reactive" "no change in the pain" "abdomen is soft" \
      "any nausea" "no" "capillary refill under two seconds" "glucose one twelve" "moving him to the cot"; do
      line "$at" "$words"
      at=$((at + 12))
    done
  done
  echo "120:00"
} > "$place/long.call"
begun=$(date +%s%N)
"$program" replay "$place/long.call" --voice none --record "$place/record" > "$place/out" 2>&1
echo "encounter: two hours, $(wc -l < "$place/long.call") lines, $(wc -l < "$place/record/events.jsonl") events in $((($(date +%s%N) - begun) / 1000000)) ms"
