#!/usr/bin/env bash
# Renders picture sets with truth into a folder outside the repository. Resumable.
#   make_sets.sh OUT_DIR [dev specimens stack train wide pad]      (default: dev specimens stack)
# JOBS: processes (default: all cores). RENDER_VENV: Python environment (made in OUT_DIR/.venv when missing). WIDE_COUNT, PAD_COUNT: pictures of wide and pad.
set -eu
here=$(cd "$(dirname "$0")" && pwd); out=${1:?OUT_DIR}; shift; sets=${*:-dev specimens stack}
venv=${RENDER_VENV:-$out/.venv}; mkdir -p "$out"; out=$(cd "$out" && pwd)
[ -x "$venv/bin/python" ] || { python3 -m venv "$venv" && "$venv/bin/pip" -q install numpy numba scipy Pillow opencv-python-headless; }
run() { # set seed folder [more options]
  set_=$1; seed=$2; dir=$out/$3; shift 3
  (cd "$here" && "$venv/bin/python" generate.py --set "$set_" --seed "$seed" --out "$dir" --jobs "${JOBS:-$(nproc)}" --resume "$@")
  "$venv/bin/python" "$here/make_series.py" "$dir"
}
for s in $sets; do case $s in
  dev) run dev 1 dev;;
  specimens) run specimens 501 specimens;;
  stack) run stack 501 stack;;
  train) for seed in 3001 3002 3003; do run dev $seed train_$seed; done;;
  wide) run wide 7001 wide_7001 --count "${WIDE_COUNT:-800}";;
  pad) run pad 7601 pad_7601 --count "${PAD_COUNT:-400}";;
  *) echo "unknown set: $s" >&2; exit 2;;
esac; done
