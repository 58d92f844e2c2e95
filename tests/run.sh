#!/usr/bin/env bash
# Runs every test; installs what is missing first. Arguments go on to pytest.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
install_qgis
install_gmt
headless

venv=$root/.venv
if ! "$venv/bin/python" -c 'import pytest, pytest_qgis, skimage, pyproj' 2>/dev/null; then
  say "Making $venv with pytest, pytest-qgis and the reference libraries scikit-image and pyproj."
  "$python" -m venv --clear --system-site-packages "$venv"
  # The system's numpy and scipy stay: GDAL and matplotlib of the distribution are built for them.
  "$python" -c 'import numpy, scipy; print(f"numpy=={numpy.__version__}\nscipy=={scipy.__version__}")' >"$venv/constraints.txt"
  if ! "$venv/bin/pip" install -q --disable-pip-version-check -c "$venv/constraints.txt" \
      pytest "pytest-qgis>=3,<6" "scikit-image>=0.20" pyproj; then
    say "The test libraries could not be installed from the Python package index. Is there a network?"
    exit 1
  fi
fi
install_kriging_references "$venv"
cd "$root"
exec "$venv/bin/python" -m pytest "$@"
