#!/usr/bin/env python3
"""The demo series in fixtures/demo: the invented "Tern Cove line lab" breaks one 8-carrier line in two knots.

    python3 demo.py OUT_DIR        (about 4 minutes on one core; the same pictures every time)

Writes pictures, their truth and series.csv. Loads are invented, in the usual range of such lines and knots.
"""
import csv
import os
import sys

SEED = 90_417
LINE = "TC braid 445 N green"
SIZE = (1000, 750)
CARRIERS, PER_CARRIER, DIAMETER_UM = 8, 18, 18.0
# code, kind of specimen in the renderer, kind in the table, knot, true sheared fraction, peak load in N (none for scissors)
SPECIMENS = [
    ("TC-S01-A", "scissor_control", "cut", "", None, ""),
    ("TC-S02-A", "scissor_control", "cut", "", None, ""),
    ("TC-B01-A", "straight_pull_control", "pull", "", None, 438),
    ("TC-B02-A", "straight_pull_control", "pull", "", None, 451),
    ("TC-P07-A", "knot", "knot", "Palomar", 0.22, 351),
    ("TC-P08-A", "knot", "knot", "Palomar", 0.30, 339),
    ("TC-P09-A", "knot", "knot", "Palomar", 0.15, 362),
    ("TC-C04-A", "knot", "knot", "Improved clinch", 0.72, 246),
    ("TC-C05-A", "knot", "knot", "Improved clinch", 0.62, 263),
    ("TC-C06-A", "knot", "knot", "Improved clinch", 0.80, 231),
]
# view, magnification, fibres per carrier in the view
VIEWS = [("teased", 260.0, 9), ("teased", 260.0, 9), ("close", 520.0, None)]


def jobs():
    import numpy as np

    rng = np.random.default_rng(SEED)
    for s, (code, kind, _, _, fraction, _) in enumerate(SPECIMENS):
        order = [int(c) for c in rng.permutation(CARRIERS)]
        for i, (view, magnification, n) in enumerate(VIEWS):
            carriers = order[4 * i:4 * i + 4] if view == "teased" else order[:2]
            yield dict(seed=[SEED, s, i], view=view, look="ring", mag=magnification, bg="dark", material="green", carriers=carriers,
                       n=n, size=SIZE, dof=0.0, bar=i == 0, png=False, name=f"{code}_{i + 1}",
                       spec=dict(seed=[SEED, 100 + s], id=code, kind=kind, material="green", n_carriers=CARRIERS,
                                 per_carrier=PER_CARRIER, frac=fraction, d=DIAMETER_UM),
                       opts=dict(end_on=0.0, droplets=0.15, dust=4.0, lint=0.3, through=0.6))


def main(out):
    import generate

    os.makedirs(out, exist_ok=True)
    rows = []
    for job in jobs():
        code, _, kind, knot, _, load = next(s for s in SPECIMENS if s[0] == job["spec"]["id"])
        done = generate._run({**job, "path": os.path.join(out, job["name"])})
        if "error" in done:
            sys.exit(done["error"])
        rows.append(dict(image=done["image"], specimen=code, kind=kind, knot=knot, line=LINE, side="standing",
                         site=job["name"][-1], um_per_px=done["doc"]["um_per_px"], carriers=CARRIERS, peak_load_n=load, count="yes"))
        print(job["name"], f"{done['sec']:.0f} s", flush=True)
    with open(os.path.join(out, "series.csv"), "w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main(sys.argv[1])
