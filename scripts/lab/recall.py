#!/usr/bin/env python3
"""Measures models/recall.json: how often the ends of each class are found and labelled in pictures of whole tufts.

usage: recall.py OUT.json TRUTH RESULTS [TRUTH RESULTS ...]

TRUTH is a folder of truth JSON, RESULTS the tables of `breakface classify` on its pictures. A true end inside the picture, gradable or not,
counts as labelled when a row lies within one shaft diameter of its tip and is labelled sheared or tensile. Recalls are
over all ends of a class; `ratio_sd` is the standard deviation of the logarithm of their ratio over looks (less what
counting alone makes of it), `picture_sd` that of the logarithm of a recall over pictures of one class and view. Needs Python 3.8
and nothing else.
"""
import collections
import csv
import glob
import json
import math
import os
import statistics
import sys

#: Ends of each class that a group must have, and of one class a picture, to be compared.
FEWEST_OF_GROUP, FEWEST_OF_PICTURE = 30, 10


def rows_by_picture(results):
    found = collections.defaultdict(list)
    with open(os.path.join(results, "ends.csv"), newline="") as f:
        for row in csv.DictReader(f):
            found[os.path.basename(row["image"])].append((float(row["x_px"]), float(row["y_px"]), row["label"]))
    return found


def labelled(end, rows):
    """Whether a row of a verdict lies at a true end; it is used up."""
    gap = lambda r: math.hypot(r[0] - end["x_px"], r[1] - end["y_px"])
    near = [r for r in rows if gap(r) <= end["shaft_diameter_px"]]
    if not near:
        return False
    best = min(near, key=gap)
    rows.remove(best)
    return best[2] in ("sheared", "tensile")


def main():
    if len(sys.argv) < 4 or len(sys.argv) % 2:
        sys.exit(__doc__)
    groups, pictures = collections.defaultdict(collections.Counter), []
    for truth, results in zip(sys.argv[2::2], sys.argv[3::2]):
        rows = rows_by_picture(results)
        for path in sorted(glob.glob(os.path.join(truth, "*.json"))):
            with open(path) as f:
                doc = json.load(f)
            if doc.get("view") != "tuft":
                continue
            here, counts = list(rows[doc["image"]]), collections.Counter()
            for end in doc["ends"]:
                counts[end["label"], "of"] += 1
                counts[end["label"], "found"] += labelled(end, here)
            groups[doc["look"], os.path.basename(truth.rstrip("/"))].update(counts)
            pictures += [(doc["view"], c, counts[c, "found"] / counts[c, "of"]) for c in ("sheared", "tensile") if counts[c, "of"] >= FEWEST_OF_PICTURE]
    total = sum(groups.values(), collections.Counter())
    share = lambda counts, c: counts[c, "found"] / counts[c, "of"]
    ratios, counting = [], []
    for group, counts in sorted(groups.items()):
        if min(counts["sheared", "of"], counts["tensile", "of"]) < FEWEST_OF_GROUP:
            continue
        s, t = share(counts, "sheared"), share(counts, "tensile")
        ratios.append(math.log(s / t))
        counting.append((1 - s) / counts["sheared", "found"] + (1 - t) / counts["tensile", "found"])
        print(f"{group[0]}, {group[1]}: recall of sheared {s:.3f}, of tensile {t:.3f}, ratio {s / t:.3f}")
    between = statistics.variance(ratios) - statistics.mean(counting)
    spreads = [statistics.variance(v) for v in logs(pictures).values() if len(v) > 2]
    doc = dict(schema="breakface-recall/1", sheared=round(share(total, "sheared"), 4), tensile=round(share(total, "tensile"), 4),
               ratio_sd=round(math.sqrt(max(between, statistics.mean(counting))), 4), picture_sd=round(math.sqrt(statistics.mean(spreads)), 4))
    print(doc, {k: v for k, v in total.items()})
    with open(sys.argv[1] + ".part", "w") as f:
        json.dump(doc, f, indent=1)
        f.write("\n")
    os.replace(sys.argv[1] + ".part", sys.argv[1])


def logs(pictures):
    """Logarithms of the recalls of pictures by view and class."""
    found = collections.defaultdict(list)
    for view, label, share in pictures:
        if share:
            found[view, label].append(math.log(share))
    return found


if __name__ == "__main__":
    main()
