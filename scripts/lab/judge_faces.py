#!/usr/bin/env python3
"""Whole-face fractions of runs against the truth, by number of pictures.

usage: judge_faces.py TRUTH RESULTS [TRUTH RESULTS ...]

TRUTH is a folder of truth JSON (`specimen`, `specimen_sheared_fraction`), RESULTS the tables of `breakface classify` on its pictures.
Prints for knots with 1, 2, 3, ... pictures: how many, mean absolute error and mean error of the published fraction, share of the
95 % intervals that hold the truth, their mean width; wrong verdicts; the same of all. Needs Python 3.8 and nothing else.
"""
import csv
import glob
import json
import os
import sys


def truths(folder):
    """True sheared fraction of every specimen."""
    found = {}
    for path in glob.glob(os.path.join(folder, "*.json")):
        with open(path) as f:
            doc = json.load(f)
        if "specimen_sheared_fraction" in doc:
            found[doc["specimen"]] = doc["specimen_sheared_fraction"]
    return found


def judged(truth, results):
    """Per knot: number of pictures, error, whether the interval holds the truth, its width, verdict wrong or not."""
    known = truths(truth)
    with open(os.path.join(results, "specimens.csv"), newline="") as f:
        for row in csv.DictReader(f):
            if row["kind"] in ("cut", "pull") or row["specimen"] not in known:
                continue
            if not row["sheared_fraction"]:
                print(f"{row['specimen']}: no fraction")
                continue
            true = known[row["specimen"]]
            at, low, high = (float(row[c]) for c in ("sheared_fraction", "sheared_low", "sheared_high"))
            wrong = row["verdict"] == "mostly shear" and true <= 0.5 or row["verdict"] == "mostly tensile" and true >= 0.5
            yield int(row["n_pictures"]), at - true, low <= true <= high, high - low, wrong


def say(what, rows):
    n = len(rows)
    mean = lambda k, f=float: sum(f(r[k]) for r in rows) / n
    print(f"{what}: {n} knots, mean absolute error {mean(1, abs):.3f}, mean error {mean(1):+.3f}, "
          f"{sum(r[2] for r in rows)} of {n} intervals hold the truth, mean width {mean(3):.3f}, {sum(r[4] for r in rows)} wrong verdicts")


def main():
    paths = sys.argv[1:]
    if not paths or len(paths) % 2:
        sys.exit(__doc__)
    rows = [r for pair in zip(paths[::2], paths[1::2]) for r in judged(*pair)]
    for pictures in sorted({r[0] for r in rows}):
        say(f"{pictures} picture{'s' * (pictures != 1)}", [r for r in rows if r[0] == pictures])
    if rows:
        say("all", rows)


if __name__ == "__main__":
    main()
