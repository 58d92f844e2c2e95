#!/usr/bin/env bash
# Holds the code against its rules: style, docstrings and annotations (ruff), types (mypy), the house, the sources of
# constants, and words. Says what is wrong, and ends with 1 where anything is. tests/run.sh calls it, and so does a
# commit (.pre-commit-config.yaml).
set -uo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
cd "$root" || exit 1
install_qgis && install_tools && headless || exit 1
bin=$root/.venv/bin

# Where faults are counted and do not count yet: beginnings of paths, a regular expression.
not_yet=''
wrong=0

# hold TITLE COMMAND...: shows what a command finds, lines of "path:line: what is wrong", and keeps in mind that it did.
hold() {
  local title=$1 said status=0 counted
  shift
  said=$("$@" 2>&1) || status=$?
  counted=$(grep -cE "^${not_yet:-nothing}" <<<"$said")
  said=$(grep -vE "^${not_yet:-nothing}" <<<"$said")
  if [ $status = 0 ] || { [ "$counted" != 0 ] && ! grep -qE '^[^ ]+:[0-9]+:' <<<"$said"; }; then
    printf '%s: ok, %s faults counted only\n' "$title" "$counted"
  else
    wrong=1
    printf '%s:\n%s\n' "$title" "$said"
  fi
}

hold "ruff check" "$bin/ruff" check --output-format concise .
hold "ruff format" "$bin/ruff" format --check .
hold mypy bash tests/types.sh
hold "house and constants" "$bin/python" -m pytest -q tests/engine/test_house.py tests/engine/test_constants.py
hold words "$bin/python" tests/words.py
exit $wrong
