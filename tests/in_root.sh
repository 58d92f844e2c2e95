#!/usr/bin/env bash
# Runs the tests with the QGIS of another release, inside a root of it (one that debootstrap made, or a container's file
# system). Needs the right to mount. Usage: in_root.sh ROOT [COMMAND...], COMMAND being bash tests/run.sh when none is given.
#   in_root.sh /roots/trixie                                          all that tests/run.sh does
#   in_root.sh /roots/trixie bash tests/run.sh tests/engine -k place  some tests
#   in_root.sh /roots/trixie bash tests/gui/run.sh /srv/pictures      the desktop; pictures are in ROOT/srv/pictures
# The files of this checkout go to ROOT/srv/turnrow, where a .venv of that release's Python stays from run to run.
set -euo pipefail
checkout=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
if [ $# = 0 ] || [ ! -x "$1/bin/bash" ]; then
  sed -n '2,7s/^# //p' "${BASH_SOURCE[0]}" >&2
  exit 2
fi
root=$(readlink -f "$1") there=/srv/turnrow
shift
[ $# != 0 ] || set -- bash tests/run.sh

tree=$root$there
mkdir -p "$tree"
find "$tree" -mindepth 1 -maxdepth 1 ! -name .venv ! -name .git -exec rm -rf {} +
# What git knows or would know, less what is deleted.
cd "$checkout"
git ls-files -co --exclude-standard -z | while IFS= read -r -d '' file; do
  [ ! -e "$file" ] || printf '%s\0' "$file"
done | tar -c --null -T - | tar -x -C "$tree"
# Some tests ask git which files there are.
git -C "$tree" init -q
git -C "$tree" add -A
git -C "$tree" -c user.name=tests -c user.email=tests@localhost commit -q --allow-empty -m "The files as they are"

# A mount namespace of its own: nothing stays mounted, whatever happens.
exec unshare --mount --fork bash -euc '
  root=$1 there=$2
  shift 2
  mount --make-rprivate /
  mount -t proc proc "$root/proc"
  mount --bind /dev "$root/dev"
  exec chroot "$root" /usr/bin/env -i HOME=/root LC_ALL=C.UTF-8 PATH=/usr/sbin:/usr/bin:/sbin:/bin \
    bash -euc "cd \"\$0\"; exec \"\$@\"" "$there" "$@"
' in_root "$root" "$there" "$@"
