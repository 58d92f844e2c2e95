# Installs QGIS and what the tests need, where it is missing. Sourced by tests/run.sh and sample_project/run.sh.
# Quiet when all is there; says what it does otherwise, and why where it cannot.

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
python=/usr/bin/python3
packages=(qgis python3-qgis qgis-providers python3-gdal python3-numpy python3-scipy python3-matplotlib python3-jinja2 python3-venv)

say() { printf '%s\n' "$*" >&2; }

qgis_is_there() {
  [ -x "$python" ] && "$python" -c 'import qgis.core, osgeo.gdal, numpy, scipy, matplotlib, jinja2, ensurepip' 2>/dev/null \
    && command -v qgis_process >/dev/null
}

install_qgis() {
  qgis_is_there && return 0
  if ! command -v apt-get >/dev/null; then
    say "QGIS is not installed, and there is no apt-get to install it with."
    say "Install QGIS 3.22 or later with its Python bindings, scipy and matplotlib, then run this again."
    return 1
  fi
  say "Installing QGIS from the distribution (a few minutes, about 1 GB): ${packages[*]}"
  install_packages "${packages[@]}"
}

# The Generic Mapping Tools, whose program surface minimum curvature is held against; without them that test is skipped.
install_gmt() {
  command -v gmt >/dev/null || ! command -v apt-get >/dev/null && return 0
  say "Installing the Generic Mapping Tools from the distribution, for one reference test."
  install_packages gmt || say "The comparison with gmt surface is skipped."
}

# Installs packages of the distribution, as root or by sudo.
install_packages() {
  local sudo= log
  if [ "$(id -u)" != 0 ]; then
    if ! command -v sudo >/dev/null; then
      say "There is no right to install. Run this once as root, or install: $*"
      return 1
    fi
    sudo=sudo
  fi
  log=$(mktemp)
  if ! { $sudo apt-get update -q && $sudo env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "$@"; } >"$log" 2>&1; then
    tail -n 15 "$log" >&2
    say "The installation failed; the whole of what apt-get said is in $log."
    return 1
  fi
  rm -f "$log"
}

# Prints what groups of pyproject.toml ask for, a line each.
requirements() {
  "$python" - "$root/pyproject.toml" "$@" <<'PYTHON'
import pathlib, sys, tomllib
groups = tomllib.loads(pathlib.Path(sys.argv[1]).read_text("utf-8"))["dependency-groups"]
print(*(need for group in sys.argv[2:] for need in groups[group]), sep="\n")
PYTHON
}

# Makes .venv with the test libraries and tools that pyproject.toml pins, and again when what it pins has changed.
install_tools() {
  local venv=$root/.venv tools samples
  tools=$(requirements test check docs) && samples=$(requirements samples) || return 1
  [ "$(cat "$venv/installed.txt" 2>/dev/null)" != "$tools$samples" ] || return 0
  say "Installing the test libraries and tools that pyproject.toml names into $venv."
  [ -x "$venv/bin/pip" ] || "$python" -m venv --clear --system-site-packages "$venv" || return 1
  # The system's numpy and scipy stay: GDAL and matplotlib of the distribution are built for them. What only brings data
  # comes without its own needs, which are heavy.
  "$python" -c 'import numpy, scipy; print(f"numpy=={numpy.__version__}\nscipy=={scipy.__version__}")' >"$venv/constraints.txt"
  if ! "$venv/bin/pip" install -q --disable-pip-version-check -c "$venv/constraints.txt" -r <(cat <<<"$tools") \
      || ! "$venv/bin/pip" install -q --disable-pip-version-check --no-deps -r <(cat <<<"$samples"); then
    say "They could not be installed from the Python package index. Is there a network?"
    return 1
  fi
  printf %s "$tools$samples" >"$venv/installed.txt"
}

# Headless Qt needs a platform and a private run-time folder; numeric libraries need no threads of their own here.
headless() {
  export QT_QPA_PLATFORM=${QT_QPA_PLATFORM:-offscreen} OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 PYTHONDONTWRITEBYTECODE=1
  if [ -z "${XDG_RUNTIME_DIR:-}" ] || [ ! -d "$XDG_RUNTIME_DIR" ]; then
    XDG_RUNTIME_DIR=$(mktemp -d)
    chmod 700 "$XDG_RUNTIME_DIR"
    export XDG_RUNTIME_DIR
  fi
}
