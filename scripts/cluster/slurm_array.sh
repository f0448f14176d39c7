#!/usr/bin/env bash
# The parts of a classification as one Slurm array job, and the merge as a job that starts when all are done.
#   INPUT=series.csv OUT=/shared/out PARTS=64 scripts/cluster/slurm_array.sh submit [classify options]
# Lost nodes: Slurm puts a part back into the queue (--requeue), and it goes on where it was. After other failures,
# submit again: finished pictures are kept.
#SBATCH --job-name=breakface
#SBATCH --requeue
#SBATCH --cpus-per-task=2
#SBATCH --mem=2G
#SBATCH --output=breakface-%A-%a.log
set -eu
: "${INPUT:?folder or series table, on storage that every node sees}" "${OUT:?folder on the same storage}" "${PARTS:?number of parts}"
breakface=${BREAKFACE:-breakface}

part() {
  index=$SLURM_ARRAY_TASK_ID
  mkdir -p "$OUT/parts"
  folder=$OUT/parts/$(printf %05d "$index")
  code=0
  "$breakface" classify "$INPUT" --shard "$index/$PARTS" --out "$folder" \
    --threads "${SLURM_CPUS_PER_TASK:-1}" --quiet "$@" || code=$?
  # Unreadable pictures (3) and unusable rows (2) are in the tables; the part is done when its run says so.
  case $code in
    0|3) ;;
    2) [ "$(cat "$folder/.breakface-lock" 2>/dev/null)" = finished ] ;;
    *) exit "$code" ;;
  esac
}

whole() {
  "$breakface" merge "$OUT"/parts/* --out "$OUT/whole" ${MERGE_OPTIONS:-}
}

case ${1:-} in
  submit)
    shift
    array=$(sbatch --parsable --export=ALL --array="1-$PARTS" "$0" part "$@")
    sbatch --export=ALL --dependency="afterok:${array%%;*}" "$0" whole
    ;;
  part) shift; part "$@" ;;
  whole) whole ;;
  *) echo "usage: INPUT=... OUT=... PARTS=... $0 submit [classify options]" >&2; exit 2 ;;
esac
