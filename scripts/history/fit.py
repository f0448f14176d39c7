"""Fits models/history.json: the probability of each order of failure from the figures of a face.

usage: fit.py OUT.json --figures FIGURES.csv --truth TRUTH... [--judge PART] [--weight PART=W]

FIGURES.csv is what `cargo run --example history_figures -- RESULTS...` prints; TRUTH is a folder of truth JSON (`specimen`, `history`) or a
CSV with these columns. Rows whose folder holds PART are judged only. Multinomial logistic regression (scikit-learn), figures
standardised, a missing figure at its mean; cross-validated by specimen, one row each. Prints what it reaches.
"""
import argparse
import csv
import glob
import json
import os

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import StratifiedKFold, cross_val_predict

ORDERS = ["cut first", "overload", "cut sliding", "two places", "not known"]
LIMIT = 0.8
RIDGE = 1.0


def truths(paths):
    """History of every specimen."""
    found = {}
    for path in paths:
        if path.endswith(".csv"):
            rows = csv.DictReader(open(path))
        else:
            rows = (json.load(open(f)) for f in sorted(glob.glob(os.path.join(path, "*.json"))))
        found.update({r["specimen"]: r["history"].replace("_", " ") for r in rows if r.get("history")})
    return found


def rows(path, known):
    """Names of the figures; per specimen of known history: folder, order, figures (NaN = missing)."""
    table = csv.DictReader(open(path))
    names = table.fieldnames[3:]
    kept, without = [], 0
    for r in table:
        if r["specimen"] not in known:
            continue
        if r["reason"]:
            without += 1
            continue
        kept.append((r["folder"], ORDERS.index(known[r["specimen"]]), [float(r[n]) if r[n] else np.nan for n in names]))
    print(f"{len(kept)} faces of known history, {without} more show too little")
    return names, [k[0] for k in kept], np.array([k[1] for k in kept]), np.array([k[2] for k in kept])


def say(what, y, p):
    """Accuracy, and how the told ones fare."""
    best = p.argmax(1)
    told = (p.max(1) >= LIMIT) & (best != ORDERS.index("not known"))
    right = best == y
    loss = -np.mean(np.log(np.maximum(p[np.arange(len(y)), y], 1e-9)))
    shares = f"{told.mean():.2f} told at {LIMIT} or more, {right[told].mean():.3f} of these right (mean probability {p.max(1)[told].mean():.3f})" if told.any() else "none told"
    print(f"{what}: n {len(y)}, accuracy {right.mean():.3f}, log loss {loss:.3f}; {shares}")
    for k, name in enumerate(ORDERS):
        of = y == k
        if of.any():
            print(f"  {name}: " + ", ".join(f"{n} as {ORDERS[j]}" for j, n in enumerate(np.bincount(best[of], minlength=5)) if n) + f"; {told[of].mean():.2f} told")


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out")
    ap.add_argument("--figures", required=True)
    ap.add_argument("--truth", nargs="+", required=True)
    ap.add_argument("--judge", action="append", default=[])
    ap.add_argument("--weight", action="append", default=[])
    args = ap.parse_args()
    names, folders, y, x = rows(args.figures, truths(args.truth))
    judged = np.array([any(part in f for part in args.judge) for f in folders])
    weight = np.ones(len(y))
    for item in args.weight:
        part, w = item.split("=")
        weight[[part in f for f in folders]] = float(w)
    learn = ~judged
    centre = np.nanmean(x[learn], 0)
    scale = np.nanstd(x[learn], 0)
    z = np.where(np.isnan(x), 0.0, (x - centre) / scale)
    model = LogisticRegression(C=1 / RIDGE, max_iter=5000)
    folds = StratifiedKFold(10, shuffle=True, random_state=1)
    p = cross_val_predict(model, z[learn], y[learn], cv=folds, method="predict_proba", params=dict(sample_weight=weight[learn]))
    parts = sorted({f for f, l in zip(folders, learn) if l})
    for part in parts:
        of = np.array([f == part for f, l in zip(folders, learn) if l])
        say(f"cross-validated, {os.path.basename(part)}", y[learn][of], p[of])
    model.fit(z[learn], y[learn], sample_weight=weight[learn])
    for part in sorted({f for f, j in zip(folders, judged) if j}):
        of = judged & np.array([f == part for f in folders])
        say(f"judged, {os.path.basename(part)}", y[of], model.predict_proba(z[of]))
    tidy = lambda v: float(f"{v:.6g}")
    doc = dict(schema="breakface-history/1",
               figures={n: dict(centre=tidy(centre[k]), scale=tidy(scale[k]), low=tidy(np.nanmin(x[learn][:, k])), high=tidy(np.nanmax(x[learn][:, k]))) for k, n in enumerate(names)},
               orders={o: dict(bias=tidy(model.intercept_[i]), weights={n: tidy(model.coef_[i, k]) for k, n in enumerate(names)}) for i, o in enumerate(ORDERS)})
    with open(args.out + ".part", "w") as f:
        json.dump(doc, f, indent=1)
        f.write("\n")
    os.replace(args.out + ".part", args.out)


if __name__ == "__main__":
    main()
