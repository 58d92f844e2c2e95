#!/usr/bin/env bash
# Holds the code against its rules (check.sh) and runs every test, in two processes beside each other; installs what is
# missing first. With arguments, which go on to pytest, the tests alone and in one process.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
install_qgis
install_gmt
install_tools
headless
cd "$root"
if [ $# = 0 ]; then
  bash tests/check.sh
  # A process that has done its half takes tests from the other. Each has a profile of QGIS of its own (pytest-qgis).
  set -- -n 2 --dist worksteal
fi
exec .venv/bin/python -m pytest "$@"
