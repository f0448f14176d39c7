#!/usr/bin/env bash
# Shows the Dask driver here: a scheduler and four worker processes, one of which is killed (kill -9) in the middle.
# Then: every picture there exactly once, and all tables the same, byte for byte, as those of a single run.
#   scripts/cluster/show.sh [INPUT] [PARTS]        needs breakface built (BREAKFACE=path) and PyPI
set -eu
cd "$(dirname "$0")/../.."
input=${1:-fixtures/demo/series.csv}
parts=${2:-8}
target=${CARGO_TARGET_DIR:-target}
breakface=$(realpath "${BREAKFACE:-$target/debug/breakface}")
venv=target/cluster-venv
if ! "$venv/bin/python" -c 'import distributed' 2>/dev/null; then
  python3 -m venv "$venv"
  "$venv/bin/pip" install --quiet -r scripts/cluster/requirements.txt
fi
work=$(mktemp -d)
started=()
# A worker whose scheduler has gone tries to reach it for minutes before it gives up: nothing here is worth waiting for.
finish() { for p in "${started[@]}"; do kill -9 "$p" 2>/dev/null || true; done; wait 2>/dev/null || true; rm -rf "$work"; }
trap finish EXIT

"$venv/bin/dask" scheduler --host 127.0.0.1 --port 0 --no-dashboard --scheduler-file "$work/scheduler.json" \
  > "$work/scheduler.log" 2>&1 & started+=($!)
for _ in $(seq 100); do [ -s "$work/scheduler.json" ] && break; sleep 0.2; done
address=$("$venv/bin/python" -c 'import json,sys; print(json.load(open(sys.argv[1]))["address"])' "$work/scheduler.json")
workers=()
for n in 1 2 3 4; do
  "$venv/bin/dask" worker "$address" --name "worker$n" --nthreads 1 --no-nanny --no-dashboard \
    --local-directory "$work" > "$work/worker$n.log" 2>&1 &
  workers+=($!); started+=($!)
done
"$venv/bin/python" scripts/cluster/dask_parts.py "$input" --out "$work/out" --parts "$parts" --scheduler "$address" \
  --breakface "$breakface" -- --no-report --parquet > "$work/driver.log" 2>&1 & driver=$!; started+=("$driver")

# Wait until parts are at work and some pictures are done, then take a worker away without a word, with its process.
for _ in $(seq 600); do
  [ "$(find "$work/out" -path '*/.cache/*.json' 2>/dev/null | wc -l)" -ge 3 ] && break
  sleep 0.1
done
victim=${workers[1]}
child=$(pgrep -P "$victim" || true)
kill -9 "$victim" $child
before=$(find "$work/out" -path '*/.cache/*.json' | wc -l)
echo "killed worker 2 (and its process: ${child:-none at that moment}) with $before pictures finished"
code=0; wait "$driver" || code=$?
cat "$work/driver.log"
grep -ho "Removing worker.*" "$work/scheduler.log" | head -1 || true
[ "$code" = 0 ] || [ "$code" = 3 ] || { echo "driver: exit code $code"; exit 1; }

"$breakface" classify "$input" --out "$work/single" --no-report --parquet --quiet || [ $? = 3 ]
for table in ends images specimens sides carriers knots pairs; do
  cmp "$work/single/$table.csv" "$work/out/whole/$table.csv"
  cmp "$work/single/$table.parquet" "$work/out/whole/$table.parquet"
done
"$venv/bin/python" - "$work" <<'PY'
import csv, sys
names = lambda f: sorted(r["image"] for r in csv.DictReader(open(f, newline="", encoding="utf-8")))
whole, single = (names(f"{sys.argv[1]}/{p}/images.csv") for p in ("out/whole", "single"))
assert whole == single and len(set(whole)) == len(whole), "a picture is missing or there twice"
print(f"{len(whole)} pictures, each once; all tables equal those of a single run, byte for byte")
PY
