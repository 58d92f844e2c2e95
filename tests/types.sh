#!/usr/bin/env bash
# Runs mypy over the plugin under its own name, whatever the checkout is called. Arguments: parts of paths to show only.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
ln -s "$root" "$work/turnrow"
cd "$work"
"$root/.venv/bin/python" -m mypy --config-file "$root/pyproject.toml" --cache-dir "$root/.mypy_cache" -p turnrow.plugin \
  -p turnrow.processing_provider | { [ $# = 0 ] && cat || grep -E "$(IFS='|'; echo "$*")"; }
