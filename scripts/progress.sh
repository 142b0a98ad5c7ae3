#!/usr/bin/env bash
# Runs a long command with a line that shows it lives. usage: progress.sh "what" command...
# On a terminal the elapsed time ticks; elsewhere one line at the start and one at the end.
set -u
what=$1
shift
start=$SECONDS
if [ ! -t 2 ]; then
  echo "$what ..." >&2
  "$@"
  status=$?
  echo "$what: $([ $status -eq 0 ] && echo done || echo failed) after $((SECONDS - start)) s" >&2
  exit $status
fi
"$@" &
job=$!
trap 'kill $job 2>/dev/null' INT TERM
while kill -0 $job 2>/dev/null; do
  printf '\r%s ... %d s ' "$what" $((SECONDS - start)) >&2
  timeout 1 tail --pid=$job -f /dev/null || true
done
wait $job
status=$?
printf '\r%s: %s after %d s\033[K\n' "$what" "$([ $status -eq 0 ] && echo done || echo failed)" $((SECONDS - start)) >&2
exit $status
