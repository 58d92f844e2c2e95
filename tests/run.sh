#!/usr/bin/env bash
# Holds the code against its rules (check.sh) and runs every test; installs what is missing first. With arguments, which
# go on to pytest, the tests alone.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
install_qgis
install_gmt
install_tools
headless
cd "$root"
[ $# != 0 ] || bash tests/check.sh
exec .venv/bin/python -m pytest "$@"
