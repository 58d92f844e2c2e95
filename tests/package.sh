#!/usr/bin/env bash
# Builds the plugin's zip, whole: code, help pages made from docs/, translations. usage: package.sh [ZIP [COMMIT]]
# Without a commit: the files under version control as they are now. One commit gives one zip, to the byte.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/install.sh"
install_tools

zip=$(readlink -f -m "${1:-$root/turnrow.zip}") commit=${2:-}
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
# What git calls a stash, but nothing is put away: the working tree as a commit, none where nothing has changed.
export GIT_AUTHOR_NAME=package GIT_AUTHOR_EMAIL=package@example.org
export GIT_COMMITTER_NAME=$GIT_AUTHOR_NAME GIT_COMMITTER_EMAIL=$GIT_AUTHOR_EMAIL
commit=${commit:-$(git -C "$root" stash create)}
commit=${commit:-HEAD}

# The files of the commit, those too that .gitattributes keeps out of the zip.
export GIT_INDEX_FILE=$work/index
git -C "$root" read-tree "$commit"
git -C "$root" checkout-index --all --prefix="$work/tree/"
unset GIT_INDEX_FILE

umask 022
"$root/.venv/bin/python" "$work/tree/docs/build.py" "$work/help"
mkdir "$work/i18n"
bash "$work/tree/i18n/build.sh" "$work/i18n"

added=()
for folder in i18n help help/figures; do
  added+=(--prefix="turnrow/$folder/")
  for file in "$work/$folder"/*.*; do
    added+=(--add-file="$file")
  done
done
mkdir -p "$(dirname "$zip")"
git -C "$root" archive --format=zip "${added[@]}" --prefix=turnrow/ -o "$zip" "$commit"
say "$zip: $(stat -c %s "$zip") bytes"
