#!/usr/bin/env bash
# Prints the folder with the speakers of the kokoro voices, from the npm package kokoro-js (Apache 2.0); fetches it the first time.
# Prints nothing where npm is missing.
set -euo pipefail
folder=${XDG_CACHE_HOME:-$HOME/.cache}/thirdhand/kokoro-js-1.2.1
sum=1f0d0383ef0349af0bd9440d81dc12abbea3a5392eb645283eda876f537f5860
if [ ! -d "$folder/package/voices" ]; then
  command -v npm > /dev/null || { echo "kokoro: npm is missing (apt-get install npm), its voices are left out" >&2; exit 0; }
  mkdir -p "$folder"
  cd "$folder"
  npm pack --silent kokoro-js@1.2.1 > /dev/null
  echo "$sum  kokoro-js-1.2.1.tgz" | sha256sum --check --status || { rm -rf "$folder"; echo "kokoro: what npm fetched is not what was pinned" >&2; exit 1; }
  tar xzf kokoro-js-1.2.1.tgz package/voices
fi
echo "$folder/package/voices"
