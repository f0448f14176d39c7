#!/usr/bin/env python3
"""Trains the trees that score the detector's detections anew by what surrounds them, and writes them as JSON.

    rescore.py --pair TRUTH_DIR=HITS.csv [...] [--real TRUTH_DIR=HITS.csv ... --real-weight 3] --out models/rescore.json

HITS.csv comes from `cargo run --example detector_alone -- TRUTH_DIR HITS.csv DETECTOR.onnx 0 scale hits`, made by a detector that
was not trained on these pictures. Needs numpy and scikit-learn. Figures are cross-validated, grouped by specimen (by picture
where no series.csv names specimens). Seeds are fixed.
"""
import argparse
import csv
import json
import math
import os

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import GroupKFold

#: columns of HITS.csv before the features
PLAIN = 8


def read(pair):
    """Features, outcome (1 gradable end, 0 none, -1 not asked), group, picture and count of gradable ends of one set."""
    folder, table = pair.split("=")
    specimens = {}
    series = os.path.join(folder, "series.csv")
    if os.path.exists(series):
        with open(series, encoding="utf-8-sig") as handle:
            specimens = {r["image"]: r["specimen"] for r in csv.DictReader(handle)}
    with open(table, encoding="utf-8") as handle:
        lines = csv.reader(handle)
        names = next(lines)[PLAIN:]
        rows = [(r[0], [float(v) for v in r[1:5]], float(r[7]), [float(v) for v in r[PLAIN:]]) for r in lines]
    ends, gradable = {}, {}
    for entry in os.listdir(folder):
        if not entry.endswith(".json"):
            continue
        with open(os.path.join(folder, entry), encoding="utf-8") as handle:
            doc = json.load(handle)
        if "ends" not in doc:
            continue
        ends[doc["image"]] = [(e["x_px"], e["y_px"], e.get("shaft_diameter_px") or 0, bool(e["gradable"])) for e in doc["ends"]]
        ends[doc["image"]] += [(e["x_px"], e["y_px"], e.get("shaft_diameter_px") or 0, False) for e in doc.get("partial_ends", ())
                               if e.get("x_px") is not None]
        gradable[doc["image"]] = sum(bool(e["gradable"]) for e in doc["ends"])
    outcome, taken = np.zeros(len(rows)), set()
    for i in sorted(range(len(rows)), key=lambda i: -rows[i][2]):  # the strongest hit takes the end, a second one is none
        image, (x, y, _, _), _, _ = rows[i]
        near = [(math.hypot(x - e[0], y - e[1]), j) for j, e in enumerate(ends[image])]
        near = [(d, j) for d, j in near if d <= max(4.0, 0.75 * ends[image][j][2]) and (image, j) not in taken]
        if near:
            j = min(near)[1]
            taken.add((image, j))
            outcome[i] = 1 if ends[image][j][3] else -1
    groups = [f"{folder}/{specimens.get(r[0], r[0])}" for r in rows]
    return names, np.array([r[3] for r in rows]), outcome, groups, [r[0] for r in rows], sum(gradable.values())


def model():
    return HistGradientBoostingClassifier(max_iter=160, learning_rate=0.05, max_leaf_nodes=10, min_samples_leaf=40,
                                          l2_regularization=2.0, random_state=1, early_stopping=False)


def best(chance, outcome, total):
    """Best F1 over all thresholds, and the threshold."""
    asked = outcome >= 0
    order = np.argsort(-chance[asked], kind="stable")
    hits = np.cumsum(outcome[asked][order])
    f1 = 2 * hits / (np.arange(1, len(hits) + 1) + total)
    at = int(np.argmax(f1))
    return f1[at], chance[asked][order][at], f1, chance[asked][order]


def f1_at(chance, outcome, total, threshold):
    kept = (chance >= threshold) & (outcome >= 0)
    return 2 * outcome[kept].sum() / (kept.sum() + total)


def export(fitted, names, path):
    """Writes the trees; one line a tree."""
    trees = []
    for stage in fitted._predictors:
        nodes = stage[0].nodes
        leaf = nodes["is_leaf"].astype(bool)
        trees.append({
            "feature": [-1 if l else int(f) for l, f in zip(leaf, nodes["feature_idx"])],
            "threshold": [0.0 if l else float(f"{t:.6g}") for l, t in zip(leaf, nodes["num_threshold"])],
            "left": [0 if l else int(n) for l, n in zip(leaf, nodes["left"])],
            "right": [0 if l else int(n) for l, n in zip(leaf, nodes["right"])],
            "value": [float(f"{v:.5g}") if l else 0.0 for l, v in zip(leaf, nodes["value"])],
        })
    head = {"schema": "breakface-rescore/1", "features": names, "base": float(f"{float(np.ravel(fitted._baseline_prediction)[0]):.6g}")}
    text = json.dumps(head, separators=(",", ":"))[:-1] + ',"trees":[\n' + ",\n".join(json.dumps(t, separators=(",", ":")) for t in trees) + "\n]}\n"
    with open(path, "w", encoding="utf-8") as handle:
        handle.write(text)
    print(f"{path}: {len(trees)} trees, {len(text)} bytes")


def average(path, others):
    """Writes the mean of the trees in two files (of their log odds) over the first: halved values, all trees in a row."""
    docs = []
    for file in (path, others):
        with open(file, encoding="utf-8") as handle:
            docs.append(json.load(handle))
    if docs[0]["features"] != docs[1]["features"]:
        raise SystemExit(f"{others}: its trees ask for other features")
    head = {"schema": docs[0]["schema"], "features": docs[0]["features"], "base": round(0.5 * (docs[0]["base"] + docs[1]["base"]), 6)}
    trees = [dict(t, value=[round(0.5 * v, 6) for v in t["value"]]) for d in docs for t in d["trees"]]
    lines = ",\n".join(json.dumps(t, separators=(",", ":")) for t in trees)
    with open(path, "w", encoding="utf-8") as handle:
        handle.write(json.dumps(head, separators=(",", ":"))[:-1] + ',"trees":[\n' + lines + "\n]}\n")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--pair", nargs="+", required=True)
    ap.add_argument("--real", nargs="*", default=[])
    ap.add_argument("--real-weight", type=float, default=3.0)
    ap.add_argument("--judge", nargs="*", default=[], help="sets that are only judged, not learnt from")
    ap.add_argument("--out")
    ap.add_argument("--average-with", help="trees of other pictures, whose log odds are averaged with the new ones' (only when written)")
    args = ap.parse_args()
    sets = [(read(p), 1.0) for p in args.pair] + [(read(p), args.real_weight) for p in args.real]
    names = sets[0][0][0]
    x = np.concatenate([s[1] for s, _ in sets])
    y = np.concatenate([s[2] for s, _ in sets])
    groups = np.concatenate([s[3] for s, _ in sets])
    weight = np.concatenate([np.full(len(s[2]), w) for s, w in sets])
    part = np.concatenate([np.full(len(s[2]), i) for i, (s, _) in enumerate(sets)])
    chance = np.zeros(len(y))
    for learn, judge in GroupKFold(5).split(x, y, groups):
        learn = learn[y[learn] >= 0]
        chance[judge] = model().fit(x[learn], y[learn], sample_weight=weight[learn]).predict_proba(x[judge])[:, 1]
    network = 1 / (1 + np.exp(-x[:, 0]))
    kinds = [("rendered", part < len(args.pair)), ("real", part >= len(args.pair))]
    for kind, rows in kinds:
        total = sum(s[5] for i, (s, _) in enumerate(sets) if (i < len(args.pair)) == (kind == "rendered"))
        if not rows.any():
            continue
        plain, weighed = best(network[rows], y[rows], total), best(chance[rows], y[rows], total)
        print(f"{kind}: gradable {total}, F1 of the network alone {plain[0]:.3f} at {plain[1]:.2f}; weighed {weighed[0]:.3f} at {weighed[1]:.2f}; "
              + " ".join(f"{t}:{f1_at(chance[rows], y[rows], total, t):.3f}" for t in (0.3, 0.35, 0.4, 0.45, 0.5, 0.55)))
    learn = y >= 0
    fitted = model().fit(x[learn], y[learn], sample_weight=weight[learn])
    for pair in args.judge:
        s = read(pair)
        told = fitted.predict_proba(s[1])[:, 1]
        plain, weighed = best(1 / (1 + np.exp(-s[1][:, 0])), s[2], s[5]), best(told, s[2], s[5])
        print(f"{pair}: F1 of the network alone {plain[0]:.3f} at {plain[1]:.2f}; weighed {weighed[0]:.3f} at {weighed[1]:.2f}; "
              + " ".join(f"{t}:{f1_at(told, s[2], s[5], t):.3f}" for t in (0.3, 0.35, 0.4, 0.45, 0.5, 0.55)))
    if args.out:
        export(fitted, names, args.out)
        if args.average_with:
            average(args.out, args.average_with)


if __name__ == "__main__":
    main()
