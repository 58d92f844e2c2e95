#!/usr/bin/env bash
# Makes turnrow_<language>.qm, which the plugin loads, of every turnrow_<language>.ts beside it; or in the folder $1.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
. "$here/../tests/install.sh"
command -v lrelease >/dev/null || install_packages qttools5-dev-tools

for file in "$here"/turnrow_*.ts; do
  name=$(basename "$file" .ts)
  lrelease -silent -removeidentical "$file" -qm "${1:-$here}/$name.qm"
done
