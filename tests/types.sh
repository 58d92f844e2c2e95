#!/usr/bin/env bash
# Runs mypy over the plugin under its own name, whatever the checkout is called, and prints its errors with paths from
# the root. Arguments: parts of paths to show only.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
# A link that stays, or nothing of the cache would be used again.
mkdir -p "$root/.mypy_cache/house"
ln -sfn "$root" "$root/.mypy_cache/house/turnrow"
cd "$root/.mypy_cache/house"
"$root/.venv/bin/python" -m mypy --config-file "$root/pyproject.toml" --cache-dir "$root/.mypy_cache" -p turnrow.plugin \
  -p turnrow.processing_provider | sed 's#^turnrow/##' | { [ $# = 0 ] && cat || grep -E "$(IFS='|'; echo "$*")"; }
