#!/usr/bin/env bash
# Tries in the real desktop what a person does there, on a screen in memory (Xvfb), in a light and a dark theme, and
# keeps pictures. Usage: run.sh [FOLDER [PART...]]; pictures go to FOLDER/light and FOLDER/dark (a new temporary folder
# when not given). PART is a name of PARTS in startup.py; all when none is given.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/../install.sh"
install_qgis
headless
if ! command -v Xvfb >/dev/null; then
  say "Xvfb is not installed. Install the package xvfb and run this again."
  exit 1
fi

out=$(readlink -m "${1:-$(mktemp -d)}")
parts=${*:2}
work=$(mktemp -d)
screen=
trap '[ -z "$screen" ] || kill "$screen" 2>/dev/null || true; rm -rf "$work"' EXIT

mkdir -p "$work/plugins" "$work/survey" "$work/runtime"
chmod 700 "$work/runtime"
ln -s "$root" "$work/plugins/turnrow"
cp -r "$root"/sample_project/{logs,layouts,register.csv,corners.csv,notes.csv,excavation_plan.geojson} "$work/survey"

# The survey that the workbench opens, processed by the algorithm itself.
process=$(command -v qgis_process.bin || command -v qgis_process)
export QGIS_PLUGINPATH=$work/plugins
say "Processing the sample survey ..."
QGIS_CUSTOM_CONFIG_PATH=$work/profile "$process" plugins enable turnrow >"$work/log" 2>&1 || { cat "$work/log" >&2; exit 1; }
QGIS_CUSTOM_CONFIG_PATH=$work/profile "$process" run turnrow:processregister -- REGISTER="$work/survey/register.csv" \
  CORNERS="$work/survey/corners.csv" NOTES="$work/survey/notes.csv" TARGET_CRS=EPSG:32631 \
  OUTPUT_FOLDER="$work/survey/out" >"$work/log" 2>&1 || { cat "$work/log" >&2; exit 1; }

Xvfb -displayfd 4 -screen 0 1600x1000x24 -nolisten tcp >/dev/null 2>&1 4>"$work/display" &
screen=$!
for _ in $(seq 100); do [ -s "$work/display" ] && break; sleep 0.1; done

# A profile without tips, news and update checks, which would put windows in the way.
settings=$work/profiles/test/QGIS
mkdir -p "$settings"
cat >"$settings/QGIS3.ini" <<'INI'
[locale]
overrideFlag=true
userLocale=en_US

[PythonPlugins]
turnrow=true
processing=true

[app]
showTips=false

[qgis]
checkVersion=false
firstRunVersionFlag=99999999

[core]
NewsFeed\disabled=true

[plugins]
automatically-check-for-updates=false
INI
cp "$settings/QGIS3.ini" "$settings/QGIS4.ini"

desktop=$(command -v qgis.bin || command -v qgis)
for look in light: "dark:Night Mapping"; do
  name=${look%%:*}
  mkdir -p "$out/$name"
  rm -rf "$out/$name"/{*.png,rc,figures.txt,survey,models}
  say "The desktop in a $name window ..."
  env DISPLAY=":$(cat "$work/display")" QT_QPA_PLATFORM=xcb XDG_RUNTIME_DIR="$work/runtime" LIBGL_ALWAYS_SOFTWARE=1 \
    NO_AT_BRIDGE=1 GUI_OUT="$out/$name" GUI_SURVEY="$work/survey/out" GUI_THEME="${look#*:}" \
    GUI_PARTS="$parts" PYTHONPATH="$root/tests/gui" timeout -k 5 600 \
    "$desktop" --nologo --noversioncheck --profile test --profiles-path "$work" \
    --code "$root/tests/gui/startup.py" >"$out/$name/desktop.log" 2>&1 || true
  if [ "$(cat "$out/$name/rc" 2>/dev/null || echo none)" != 0 ]; then
    tail -n 40 "$out/$name/desktop.log" >&2
    say "The desktop did not come to a good end; pictures and its log are in $out/$name."
    exit 1
  fi
  cat "$out/$name/figures.txt"
  "$python" "$root/tests/gui/not_blank.py" "$out/$name"/*.png
done
say "Pictures: $out/light and $out/dark"
