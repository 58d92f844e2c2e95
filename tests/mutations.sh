#!/usr/bin/env bash
# Plants one fault at a time in a scratch copy of the checkout, runs the tests that should notice it, and prints how
# many are noticed; ends with 1 unless all are. Arguments: words of faults to plant, all when none is given.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
export QT_QPA_PLATFORM=offscreen OPENBLAS_NUM_THREADS=${OPENBLAS_NUM_THREADS:-1} PYTHONDONTWRITEBYTECODE=1
exec "$root/.venv/bin/python" "$root/tests/mutations.py" "$@"
