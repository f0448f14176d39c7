"""Ends of specimens of known history, without pictures: the tables that `breakface classify` would write of them.

usage: simulate.py OUT [--seed N] [--specimens N]

Specimens and poses are those of the rendered set `histories` (../render/histories.py, ../render/scene.py), half of them drawn wider
than that set (WIDE), and as many as of each order whose carriers are placed at random (history `not_known`). Instead of
rendering, each tip is hidden when another fibre lies over it, and finding, measuring, labelling and grouping err as they do on
rendered pictures (ERRORS). Half of the specimens show one or two of their three pictures. OUT gets ends.csv, images.csv and
truth.csv (specimen, history). Needs what the renderer needs.
"""
import argparse
import csv
import os
import sys

import numpy as np

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "render"))
import braid  # noqa: E402
import braid_forms  # noqa: E402
import histories  # noqa: E402
import scene  # noqa: E402

#: By view: share of the visible ends found, sheared and tensile; share of these labelled; share of wrong labels; share of ends
#: put into a wrong carrier; share of carriers taken for one with their neighbour; standard deviation of a cut angle, degrees.
ERRORS = dict(teased=dict(found=(0.88, 0.90), labelled=0.9, wrong=0.04, misplaced=0.03, merged=0.1, angle=7.0),
              tuft=dict(found=(0.69, 0.82), labelled=0.85, wrong=0.05, misplaced=0.12, merged=0.4, angle=9.0))
#: A tip is hidden by a fibre whose middle passes it nearer than this, in diameters, on the side of the viewer.
COVERS = 0.7


def cut_first(rng, n):
    """As in histories.py, with more or fewer carriers cut, at any angle, less in one plane, and the others broken farther off."""
    cut = histories._split(rng, n, 0.15, 0.9)
    angle = abs(rng.normal(rng.uniform(0, 55), 4, n))
    along = np.where(cut, rng.normal(0, rng.uniform(0.5, 2.5), n), rng.normal(rng.uniform(-3, 3), rng.uniform(1, 5), n))
    return np.where(cut, "sheared", "tensile"), along, rng.uniform(2, 10, n), (angle, rng.choice([0, np.pi]))


def overload(rng, n):
    """As in histories.py, with breaks closer together or farther apart."""
    return np.full(n, "tensile"), rng.normal(0, rng.uniform(3, 12), n), rng.uniform(3, 16, n), (np.zeros(n), 0.0)


def cut_sliding(rng, n):
    """As in histories.py, with shorter or longer slides, fewer carriers cut, and other slopes."""
    cut = histories._split(rng, n, 0.5, 1.0)
    along = (rng.permutation(n) - (n - 1) / 2) * rng.uniform(1.2, 6) + rng.normal(0, rng.uniform(0.3, 1.5), n)
    return np.where(cut, "sheared", "tensile"), along, rng.uniform(2, 8, n), (np.clip(rng.normal(rng.uniform(25, 55), 8, n), 10, 62), rng.choice([0, np.pi]))


def two_places(rng, n):
    """As in histories.py, with places closer together or farther apart."""
    first = histories._split(rng, n, 0.2, 0.8)
    gap = rng.uniform(9, 40) * rng.choice([-1, 1])
    along = np.where(first, -gap / 2, gap / 2) + rng.normal(0, rng.uniform(0.8, 2.5), n)
    label = np.where(first, "sheared" if rng.random() < 0.7 else "tensile", "tensile")
    return label, along, rng.uniform(1, 5, n), (abs(rng.normal(rng.uniform(0, 45), 4, n)), rng.choice([0, np.pi]))


#: history: function as in histories.BREAK, drawn wider
WIDE = dict(cut_first=cut_first, overload=overload, cut_sliding=cut_sliding, two_places=two_places)


def plan(seed, specimens):
    """Jobs of all pictures: four orders and none in turn, plain and wide in turn, all or some of the pictures."""
    jobs = []
    for s, three in enumerate(zip(*[iter(histories.plan(seed, specimens * histories.PICTURES))] * histories.PICTURES)):
        rng = np.random.default_rng([seed, 90, s])
        history = (*histories.HISTORIES, "not_known")[s % 5]
        frac, wide = float(rng.uniform(0.03, 0.97)), bool(rng.random() < 0.5)
        shown = rng.permutation(3)[:rng.integers(1, 3)] if rng.random() < 0.5 else range(3)
        jobs += [dict(three[k], history=history, wide=wide, spec=dict(three[k]["spec"], frac=frac)) for k in sorted(shown)]
    return jobs


def specimen(job):
    """The specimen of a job, broken in its order, or its carriers anywhere."""
    if job["history"] == "not_known":
        return braid_forms.specimen(job)
    plain = histories.BREAK
    histories.BREAK = WIDE if job["wide"] else plain
    try:
        return histories.specimen(job)
    finally:
        histories.BREAK = plain


def ends_of(job):
    """Ends of one picture as the tables have them."""
    rng = np.random.default_rng(job["seed"])
    spec = specimen(job)
    W, H = job["size"]
    um = job["d"] / job["px"]
    subset = braid.pick_subset(rng, spec, job["view"], job.get("K"), job.get("n"), job.get("carriers"))
    posed, az, _, _ = scene.pose(rng, spec, job["view"], subset, W, H, um, job["opts"])
    err = ERRORS[job["view"]]
    tips = np.array([c[-1] for _, c in posed])
    d = np.array([f["d"] for f, _ in posed])
    lines = [dense(c, 0.5 * f["d"]) for f, c in posed]
    group, count = {}, 0
    for c in {f["carrier"]: 0 for f, _ in posed}:
        count += not (count and rng.random() < err["merged"])
        group[c] = count
    rows = []
    for i, (f, ctrl) in enumerate(posed):
        x, y = scene.to_px(tips[i], W, H, um)
        if not (0 <= x < W and 0 <= y < H) or hidden(i, tips[i], d[i], lines):
            continue
        label = f["end"]["label"]
        if rng.random() > err["found"][label == "tensile"]:
            continue
        told = label if rng.random() > err["wrong"] else ("tensile" if label == "sheared" else "sheared")
        told = told if rng.random() < err["labelled"] else "unclear"
        back = ctrl[-1] - ctrl[-3]
        carrier = group[f["carrier"]] if rng.random() > err["misplaced"] else int(rng.integers(1, count + 1))
        angle = np.degrees(np.arctan(np.tan(np.radians(f["end"]["a"])) * np.cos(az[f["carrier"]]))) if "a" in f["end"] else rng.normal(0, 25)
        rows.append(dict(image=job["name"], specimen=job["spec"]["id"], end=len(rows) + 1, carrier=carrier, x_px=round(float(x), 2), y_px=round(float(y), 2),
                         axis_deg=round(float(np.degrees(np.arctan2(back[1], back[0])) + rng.normal(0, 2)), 2), shaft_diameter_px=round(float(d[i] / um), 3),
                         cut_angle_deg=round(float(angle + rng.normal(0, err["angle"])), 2), label=told, quality=1))
    return rows


def dense(ctrl, step):
    """Points along a control polygon, close together."""
    length = np.r_[0, np.cumsum(np.linalg.norm(np.diff(ctrl, axis=0), axis=1))]
    at = np.arange(0, length[-1], step)
    return np.stack([np.interp(at, length, ctrl[:, k]) for k in range(3)], -1)


def hidden(i, tip, d, lines):
    """Whether another fibre lies over a tip."""
    for j, line in enumerate(lines):
        if j != i:
            over = line[line[:, 2] > tip[2] + 0.3 * d]
            if len(over) and np.min(np.hypot(*(over[:, :2] - tip[:2]).T)) < COVERS * d:
                return True
    return False


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("out")
    ap.add_argument("--seed", type=int, default=70001)
    ap.add_argument("--specimens", type=int, default=600)
    args = ap.parse_args()
    os.makedirs(args.out, exist_ok=True)
    jobs = plan(args.seed, args.specimens)
    ends, images, truth = [], [], {}
    for job in jobs:
        ends += ends_of(job)
        images.append(dict(image=job["name"], specimen=job["spec"]["id"], kind="knot", carriers=job["spec"]["n_carriers"], width_px=job["size"][0], height_px=job["size"][1]))
        truth[job["spec"]["id"]] = job["history"]
    write(os.path.join(args.out, "ends.csv"), ends)
    write(os.path.join(args.out, "images.csv"), images)
    write(os.path.join(args.out, "truth.csv"), [dict(specimen=s, history=h) for s, h in truth.items()])


def write(path, rows):
    with open(path, "w", newline="") as f:
        out = csv.DictWriter(f, list(rows[0]))
        out.writeheader()
        out.writerows(rows)


if __name__ == "__main__":
    main()
