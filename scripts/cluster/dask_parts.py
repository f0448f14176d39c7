"""Runs a classification in parts on the workers of a Dask scheduler, and merges them.

    python scripts/cluster/dask_parts.py series.csv --out OUT --parts 64 --scheduler tcp://host:8786 -- --um-per-px 0.48

What follows `--` goes to `breakface classify`. Without --scheduler, workers are started on this machine.
The scheduler gives a lost worker's parts to others; this script adds only what it cannot know: when a part is finished.
"""

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path

from distributed import Client, LocalCluster, as_completed

# Exit codes of breakface: done; some rows of the series table cannot be used, or wrong usage; some pictures unreadable.
DONE, WRONG, UNREAD = 0, 2, 3


def finished(folder):
    """Whether the run in this folder reached its end, by its own word."""
    try:
        return (Path(folder) / ".breakface-lock").read_text() == "finished\n"
    except OSError:
        return False


def run_part(command, folder, patience_s):
    """Runs one part on a worker; waits while a lost worker's process is still writing the same part."""
    deadline = time.monotonic() + patience_s
    while True:
        done = subprocess.run(command, capture_output=True, text=True)
        if "another run is writing there" in done.stderr and time.monotonic() < deadline:
            time.sleep(1)
            continue
        if done.returncode in (DONE, UNREAD) or (done.returncode == WRONG and finished(folder)):
            return done.returncode, done.stderr
        raise RuntimeError(f"{folder}: exit code {done.returncode}: {done.stderr.strip()[-2000:]}")


def arguments():
    own, more = sys.argv[1:], []
    if "--" in own:
        cut = own.index("--")
        own, more = own[:cut], own[cut + 1 :]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("input", help="folder or series table, on storage that every worker sees")
    parser.add_argument("--out", required=True, type=Path, help="folder for parts and the whole, on the same storage")
    parser.add_argument("--parts", type=int, required=True, help="number of parts; several per worker keep all busy")
    parser.add_argument("--scheduler", help="address of a running scheduler")
    parser.add_argument("--workers", type=int, default=os.cpu_count(), help="workers to start without a scheduler")
    parser.add_argument("--threads", type=int, default=1, help="threads of one part")
    parser.add_argument("--retries", type=int, default=3, help="how often a part that failed is run again")
    parser.add_argument("--patience", type=float, default=3600, help="seconds to wait for a lost worker's process")
    parser.add_argument("--breakface", default="breakface", help="the program")
    return parser.parse_args(own), more


def main():
    args, more = arguments()
    parts = {index: (args.out / "parts" / f"{index:05}").absolute() for index in range(1, args.parts + 1)}
    for folder in parts.values():
        folder.parent.mkdir(parents=True, exist_ok=True)

    def command(index):
        run = [args.breakface, "classify", str(Path(args.input).absolute()), "--shard", f"{index}/{args.parts}"]
        return [*run, "--out", str(parts[index]), "--threads", str(args.threads), "--quiet", *more]

    if args.scheduler:
        client = Client(args.scheduler)
    else:
        client = Client(LocalCluster(n_workers=args.workers, threads_per_worker=1, dashboard_address=None))
    start = time.monotonic()
    unread = False
    with client:
        # A part is worth running again however many workers died under it: it goes on where it was.
        futures = {
            client.submit(run_part, command(i), str(parts[i]), args.patience, pure=False, retries=args.retries): i
            for i in parts
        }
        for n, future in enumerate(as_completed(futures), 1):
            code, said = future.result()
            unread |= code != DONE
            print(f"part {futures[future]} of {args.parts} done ({n} are), exit code {code}", flush=True)
            print(said, end="", file=sys.stderr, flush=True)
    print(f"all parts done in {time.monotonic() - start:.1f} s", flush=True)
    merge = [args.breakface, "merge", *map(str, parts.values()), "--out", str(args.out / "whole")]
    for option in ("--model", "--no-overlays", "--no-report", "--parquet"):
        if option in more:
            merge += more[more.index(option) :][: 2 if option == "--model" else 1]
    code = subprocess.run(merge).returncode
    return code if code != DONE else UNREAD if unread else DONE


if __name__ == "__main__":
    sys.exit(main())
