#!/usr/bin/env bash
# Installs the plugin's zip in a fresh profile of this machine's QGIS, as a person does, and runs the sample with it through
# qgis_process. usage: installed.sh ZIP OUT
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
install_qgis
headless

zip=$(readlink -f "$1") out=$(readlink -f -m "$2") sample=$root/sample_project
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
export QGIS_CUSTOM_CONFIG_PATH=$work/profile
unset QGIS_PLUGINPATH
plugins=$work/profile/profiles/default/python/plugins
mkdir -p "$plugins"
"$python" -m zipfile -e "$zip" "$plugins"
process=$(command -v qgis_process.bin || command -v qgis_process)
cd "$work"
"$process" plugins enable turnrow >"$work/log" 2>&1 || { cat "$work/log" >&2; exit 1; }
if ! "$process" run turnrow:processregister -- \
    REGISTER="$sample/register.csv" CORNERS="$sample/corners.csv" NOTES="$sample/notes.csv" \
    TARGET_CRS=EPSG:32631 OUTPUT_FOLDER="$out" >"$work/log" 2>&1 || grep -n Traceback "$work/log"; then
  cat "$work/log" >&2
  exit 1
fi
"$process" --version 2>/dev/null | head -1
grep -E '^(GRIDS_DONE|GRIDS_FAILED|WALK_AGAIN)' "$work/log"
