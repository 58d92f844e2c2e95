#!/usr/bin/env bash
# Processes the sample survey without a window; installs what is missing first.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../tests/install.sh"
install_qgis
headless

sample=$root/sample_project out=${1:-$root/sample_project/out}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/plugins"
ln -s "$root" "$work/plugins/turnrow"
export QGIS_PLUGINPATH=$work/plugins QGIS_CUSTOM_CONFIG_PATH=$work/profile
process=$(command -v qgis_process.bin || command -v qgis_process)
"$process" plugins enable turnrow >"$work/enable.log" 2>&1 || { cat "$work/enable.log" >&2; exit 1; }

say "Processing the sample survey (9 grids, about 32,000 readings) ..."
if ! "$process" run turnrow:processregister -- \
    REGISTER="$sample/register.csv" CORNERS="$sample/corners.csv" NOTES="$sample/notes.csv" \
    TARGET_CRS=EPSG:32631 OUTPUT_FOLDER="$out" >"$work/run.log" 2>&1; then
  cat "$work/run.log" >&2
  exit 1
fi
"$python" "$sample/make_project.py" "$out" "$sample/site.qgz" >"$work/project.log" 2>&1 || { cat "$work/project.log" >&2; exit 1; }
grep -E '^(GRIDS_DONE|GRIDS_FAILED|WALK_AGAIN)' "$work/run.log" || true
cat <<X
Maps:    $out/site_eca_10.tif (and the other channels, and each grid in $out/grids)
Report:  $out/report.html
Project: $sample/site.qgz (maps, readings and the excavation plan; open it in QGIS)
X
