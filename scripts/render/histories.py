"""The set `histories`: specimens whose order of failure is known and written into the truth (`history`). Three pictures each.

What each order leaves on a face is reasoned from how a braid carries load, our own model; common practice, no published source:

- `cut_first`: some carriers are cut through in one plane; the others then take the load and break close to that place, caps and drawn ends.
- `overload`: nothing is cut; tensile breaks far apart along the line.
- `cut_sliding`: the line slides while it is cut: the cuts of the carriers follow each other along the line, oblique, torn or pushed to one side; few tensile ends.
- `two_places`: some carriers are cut or broken at one place, the rest in tension at another, both tight and well apart.
"""
import numpy as np

import braid
import braid_forms as bf
import forms

HISTORIES = ("cut_first", "overload", "cut_sliding", "two_places")
PICTURES = 3


def plan(seed, count):
    """Jobs of the set; picture i belongs to specimen i // 3, whose history goes round."""
    return [_job(int(seed), i) for i in range(count)]


def _job(seed, i):
    s, k = divmod(i, PICTURES)
    spec_rng = np.random.default_rng([seed, 51, s])
    name, history = f"histories_{seed}_{s:03d}", HISTORIES[s % 4]
    job = bf.job(f"{name}_{k}", [seed, 50, s, k])
    u = spec_rng.uniform
    carriers, d = int(spec_rng.choice([8, 8, 12])), float(u(15, 24))
    look, material, ground = forms.pick(spec_rng, bf.LOOKS), str(spec_rng.choice(list(braid.MATERIALS))), forms.pick(spec_rng, bf.GROUNDS)
    hard, order = float(u(0.05, 0.5)), [int(c) for c in spec_rng.permutation(carriers)]
    view = "tuft" if k == 0 else "teased"
    rng = np.random.default_rng([seed, 52, i])
    job.update(set="histories", history=history, view=view, look=look, material=material, bg=ground, d=d, px=float(rng.uniform(7, 12) if k == 0 else rng.uniform(11, 18)), hard=hard,
               size=(1600, 1200) if k == 0 else (1280, 960), dof=0.0, blur=float(rng.uniform(0.35, 0.9)), faint=1.0, marks=0, carriers=None if k == 0 else [order[(4 * (k - 1) + q) % carriers] for q in range(4)],
               n=None if k == 0 else int(rng.integers(7, 11)),
               spec=dict(seed=[seed, 53, s], id=name, kind="knot", material=material, n_carriers=carriers, per_carrier=int(spec_rng.integers(10, 16)), frac=0.5, d=d))
    return job


def specimen(job):
    """A specimen broken in the order job["history"]."""
    spec = braid.build_spec(job)
    rng = np.random.default_rng([job["spec"]["seed"], 9])
    n = spec["n_carriers"]
    label, along, spread, cut = BREAK[job["history"]](rng, n)
    subs = ["torn_cut", "flared_cut", "crushed_cut"] if job["history"] == "cut_sliding" else [None]
    sub = str(rng.choice(subs)) if subs[0] else forms.subtype(rng, "sheared", job["hard"])
    for c in spec["carriers"]:
        i = c["index"]
        c.update(along=float(along[i]), spread=float(spread[i]), az=float(cut[1] + rng.normal(0, 0.25)))
        c["cut"].update(angle=float(cut[0][i]), sd=float(rng.uniform(2, 5)), fuse_p=0.0)
    for f in spec["fibres"]:
        i = f["carrier"]
        lab = label[i] if rng.random() > 0.03 else ("tensile" if label[i] == "sheared" else "sheared") if job["history"] != "overload" else "tensile"
        shared = dict(angle=float(cut[0][i]), sd=3.0, az=0.0, sub=sub)
        f["end"] = forms.sample_end(rng, lab, shared if lab == "sheared" else None, job["hard"])
        if job["history"] == "cut_sliding" and lab == "sheared" and "flare" in f["end"] and rng.random() < 0.8:  # pushed the way the line slid
            total = sum(f["end"]["flare"])
            f["end"]["flare"] = (max(total, 0.1), 0.0)
    ns = sum(f["end"]["label"] == "sheared" for f in spec["fibres"])
    spec["sheared_fraction"] = ns / len(spec["fibres"])
    places = dict(along_d=[round(float(a), 1) for a in along], labels=list(label))
    spec["truth"] = dict(history=job["history"], history_carriers=places)
    return spec


def _split(rng, n, lo, hi):
    """A random set of carriers of between lo and hi of all: True for its members."""
    k = int(np.clip(round(rng.uniform(lo, hi) * n), 1, n - 1))
    return np.isin(np.arange(n), rng.permutation(n)[:k])


def _cut_first(rng, n):
    cut = _split(rng, n, 0.25, 0.8)
    angle = abs(rng.normal(rng.uniform(0, 35), 4, n))
    along = np.where(cut, rng.normal(0, 0.8, n), rng.normal(1.0, 3.0, n))
    return np.where(cut, "sheared", "tensile"), along, rng.uniform(2, 6, n), (angle, rng.choice([0, np.pi]))


def _overload(rng, n):
    return np.full(n, "tensile"), rng.normal(0, 9, n), rng.uniform(6, 16, n), (np.zeros(n), 0.0)


def _cut_sliding(rng, n):
    cut = _split(rng, n, 0.7, 0.98)
    order = rng.permutation(n)
    step = rng.uniform(2.0, 5.0)
    along = (order - (n - 1) / 2) * step + rng.normal(0, 0.6, n)
    return np.where(cut, "sheared", "tensile"), along, rng.uniform(2, 6, n), (np.clip(rng.normal(45, 8, n), 20, 62), rng.choice([0, np.pi]))


def _two_places(rng, n):
    first = _split(rng, n, 0.3, 0.7)
    gap = rng.uniform(18, 35) * rng.choice([-1, 1])
    along = np.where(first, -gap / 2, gap / 2) + rng.normal(0, 1.2, n)
    label = np.where(first, "sheared" if rng.random() < 0.7 else "tensile", "tensile")
    return label, along, rng.uniform(1, 3.5, n), (abs(rng.normal(rng.uniform(0, 30), 4, n)), rng.choice([0, np.pi]))


#: history: function(rng, carriers) -> label, place along the line (diameters), spread of tips (diameters), (cut angles, azimuth of the cuts)
BREAK = dict(cut_first=_cut_first, overload=_overload, cut_sliding=_cut_sliding, two_places=_two_places)


def render(job):
    """Renders one job and writes picture and truth. Returns the report row."""
    return bf.render(job, specimen)
