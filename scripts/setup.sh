#!/usr/bin/env bash
# Names what this machine lacks for `demo` or `test`; as root it installs it, otherwise prints the one command and
# exits 1. It never calls sudo. Package lists: scripts/packages.txt.
set -euo pipefail
cd "$(dirname "$0")/.."
what=${1:?usage: setup.sh demo|test}

# Prints the packages of a group that are not installed.
missing() {
  local group=$1 package tool
  grep -E "^[a-z0-9.+-]+ +$group\b" scripts/packages.txt | while read -r package _ tool _; do
    [ "$tool" = "#" ] || { command -v "$tool" >/dev/null && continue; }
    dpkg-query -W -f '${db:Status-Status}\n' "$package" 2>/dev/null | grep -qx installed || echo "$package"
  done
}

# True when cargo (and for tests clippy and rustfmt) of at least 1.89 is at hand.
cargo_is_new_enough() {
  local version
  version=$(cargo --version 2>/dev/null | sed -n 's/^cargo \([0-9]*\.[0-9]*\).*/\1/p')
  [ -n "$version" ] && [ "$(printf '1.89\n%s\n' "$version" | sort -V | head -n 1)" = 1.89 ]
}
lint_tools_are_there() { cargo clippy --version >/dev/null 2>&1 && cargo fmt --version >/dev/null 2>&1; }

if ! command -v dpkg-query >/dev/null; then
  echo "setup: this is no Debian system; install what scripts/packages.txt lists, by your system's names" >&2
  exit 0
fi

packages=$(missing demo)
[ "$what" = demo ] || packages+=$'\n'$(missing test)
cargo_is_new_enough || packages+=$'\nrustc-web\ncargo-web'
if [ "$what" = test ] && ! { cargo_is_new_enough && lint_tools_are_there; }; then
  packages+=$'\nrust-web-clippy\nrustfmt-web'
fi
packages=$(echo "$packages" | sed '/^$/d' | sort -u | tr '\n' ' ')
[ -n "${packages// /}" ] || exit 0

command="apt-get update && apt-get install -y --no-install-recommends $packages"
if [ "$(id -u)" -ne 0 ]; then
  echo "setup: packages are missing. As root, run this one command, then \`make $what\` again:" >&2
  echo "  $command" >&2
  exit 1
fi
echo "setup: installing $packages" >&2
export DEBIAN_FRONTEND=noninteractive
log=$(mktemp)
if ! scripts/progress.sh "installing system packages" bash -c "($command) >'$log' 2>&1"; then
  tail -n 20 "$log" >&2
  echo "setup: apt-get failed (above); run it by hand: $command" >&2
  exit 1
fi
rm -f "$log"
