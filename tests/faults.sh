#!/usr/bin/env bash
# Ends runs by kill, cancel, full disk, locks and little memory, prints what was tried and what survived, and ends with 1
# when anything was lost or mixed. With "few" a few moments of each, as the tests do.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
install_qgis
install_tools
headless
cd "$root"
exec .venv/bin/python tests/faults/faults.py "$@"
