#!/usr/bin/env bash
# Renders picture sets with truth into a folder outside the repository. Resumable.
#   make_sets.sh OUT_DIR [dev specimens stack train braid_forms domain_randomised adhesive transmitted drawn_marks histories faces focus]      (default: dev specimens stack)
# JOBS: processes (default: all cores). RENDER_VENV: Python environment (made in OUT_DIR/.venv when missing). COUNT: pictures of each set of any size (default: the number beside its name below).
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
  focus) run focus 9201 focus_9201;;
  train) for seed in 3001 3002 3003; do run dev $seed train_$seed; done;;
  braid_forms) run braid_forms 8001 braid_forms_8001 --count "${COUNT:-1200}";;
  domain_randomised) run domain_randomised 7001 domain_randomised_7001 --count "${COUNT:-1400}";;
  adhesive) run adhesive 7601 adhesive_7601 --count "${COUNT:-400}";;
  transmitted) run transmitted 7701 transmitted_7701 --count "${COUNT:-250}";;
  drawn_marks) run drawn_marks 7801 drawn_marks_7801 --count "${COUNT:-150}";;
  histories) run histories 9001 histories_9001 --count "${COUNT:-120}";;
  faces) run faces 9101 faces_9101 --count "${COUNT:-240}";;
  *) echo "unknown set: $s" >&2; exit 2;;
esac; done
