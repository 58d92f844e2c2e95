#!/usr/bin/env bash
# Brings every turnrow_<language>.ts up to date with the texts of the code; new ones are marked as unfinished.
# For another language, name it: update.sh fr
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
. "$here/../tests/install.sh"
install_qgis
command -v lupdate >/dev/null || install_packages qttools5-dev-tools
headless

[ $# = 0 ] || set -- "$here/turnrow_$1.ts"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
"$python" "$here/strings.py" >"$work/texts.cpp" 2>"$work/log" || { cat "$work/log" >&2; exit 1; }
lupdate -silent -no-obsolete -locations none "$work/texts.cpp" -ts "$here"/turnrow_*.ts "$@"
