#!/usr/bin/env bash
# Fits models/history.json again: simulates ends, takes the figures of simulated and rendered faces, fits, says what it reaches.
# usage: fit.sh WORK OUT.json TRUTH=RESULTS... [--judge TRUTH=RESULTS...]
# TRUTH is a rendered set `histories`, RESULTS the tables of `breakface classify` on it. WORK keeps the simulated ends.
# PYTHON and HISTORY_FIGURES name other programs than python3 and `cargo run`.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
work=$1 out=$2
shift 2
python=${PYTHON:-python3}
figures=${HISTORY_FIGURES:-cargo run --quiet --example history_figures --}
mkdir -p "$work"
[ -e "$work/simulated/truth.csv" ] || "$python" "$here/simulate.py" "$work/simulated"
results=() truths=("$work/simulated/truth.csv") judged=() judge=
for pair in "$@"; do
  if [ "$pair" = --judge ]; then judge=1; continue; fi
  truths+=("${pair%%=*}") results+=("${pair#*=}")
  [ -z "$judge" ] || judged+=(--judge "${pair#*=}")
done
(cd "$here/../.." && $figures "${results[@]}" --group "$work/simulated") >"$work/figures.csv"
exec "$python" "$here/fit.py" "$out" --figures "$work/figures.csv" --truth "${truths[@]}" "${judged[@]}"
