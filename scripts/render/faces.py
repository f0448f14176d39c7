"""The set `faces`: break faces of known sheared fraction, shown in 1, 2 or 5 pictures, in series of ten faces under one light.

Faces go round 1, 2, 5 pictures; of the ten of a series one is a scissor control and one a straight pull, the others are knots. The
pictures of a face show its carriers again and again, as a real face does: one of the whole tuft, then teased views of four carriers.
"""
import numpy as np

import braid
import braid_forms as bf
import forms

ROUND = (1, 2, 5)


def plan(seed, count):
    """Jobs of the set: the first `count` pictures, face by face."""
    jobs, face = [], 0
    while len(jobs) < count:
        jobs += [_job(int(seed), face, k) for k in range(ROUND[face % 3])]
        face += 1
    return jobs[:count]


def _job(seed, face, k):
    series = np.random.default_rng([seed, 61, face // 10])
    look, material, ground = forms.pick(series, bf.LOOKS), str(series.choice(list(braid.MATERIALS))), forms.pick(series, bf.GROUNDS)
    carriers, d, hard = int(series.choice([8, 8, 12])), float(series.uniform(15, 24)), float(series.uniform(0.05, 0.45))
    own = np.random.default_rng([seed, 62, face])
    kind = {8: "scissor_control", 9: "straight_pull_control"}.get(face % 10, "knot")
    name = f"faces_{seed}_{face:03d}"
    job = bf.job(f"{name}_{k}", [seed, 60, face, k])
    rng = np.random.default_rng([seed, 63, face, k])
    whole = k == 0
    job.update(set="faces", view="tuft" if whole else "teased", look=look, material=material, bg=ground, d=d, px=float(rng.uniform(7, 12) if whole else rng.uniform(11, 20)), hard=hard,
               size=(1600, 1200) if whole else (1280, 960), dof=0.0, blur=float(rng.uniform(0.35, 0.9)), faint=1.0, marks=0,
               carriers=None if whole else [int(c) for c in rng.permutation(carriers)[:4]], n=None if whole else int(rng.integers(7, 11)),
               face=dict(series=f"{seed}_{face // 10}", face_pictures=ROUND[face % 3]),
               spec=dict(seed=[seed, 64, face], id=name, kind=kind, material=material, n_carriers=carriers, per_carrier=int(own.integers(10, 17)), frac=float(own.uniform(0.05, 0.95)), d=d))
    return job


def specimen(job):
    """The face's specimen; what the truth says of its series goes with it."""
    return {**bf.specimen(job), "truth": job["face"]}


def render(job):
    """Renders one job and writes picture and truth. Returns the report row."""
    return bf.render(job, specimen)
