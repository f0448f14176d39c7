"""Jobs of the sets dev, specimens and stack: which views, looks, materials and specimens they hold."""
import numpy as np

from braid import MATERIALS


def plan(set_name, seed):
    """List of jobs of one set. The draws are in a fixed order: changing it changes every picture of the set."""
    rng = np.random.default_rng([seed, dict(dev=1, specimens=4, stack=5, focus=6)[set_name]])
    jobs = []

    def cyc(items, n):
        """n items in proportion to weights, shuffled."""
        k, w = zip(*items)
        w = np.array(w, float) / sum(w)
        c = np.floor(w * n).astype(int)
        while c.sum() < n:
            c[np.argmax(w * n - c)] += 1
        out = sum(([a] * b for a, b in zip(k, c)), [])
        rng.shuffle(out)
        return out

    def mag_for(view):
        if view == "tuft":
            return float(rng.choice([80, 80, 100, 120, 150, 200, 250, 300, 400]))
        if view == "teased":
            return float(rng.choice([80, 100, 150, 200, 200, 250, 300, 400]))
        return float(rng.choice([400, 500, 600, 800, 1000, 1000, 1500, 2000]))

    def opts_for(view, hard=0.0):
        return dict(end_on=float(rng.choice([0.0, 0.35])) if view != "tuft" else float(rng.choice([0, 0.2])),
                    droplets=float(rng.choice([0.0, 0.15, 0.6, 1.5])), dust=float(rng.choice([1, 5, 14])),
                    lint=float(rng.choice([0, 0.5])), through=float(rng.choice([0, 1.0, 2.5])))

    if set_name == "dev":
        n = 60
        views = cyc([("teased", 0.4), ("tuft", 0.27), ("close", 0.33)], n)
        looks = cyc([("ring", 0.28), ("coax", 0.14), ("side", 0.22), ("trans", 0.12), ("sem", 0.24)], n)
        kinds = cyc([("scissor_control", 0.25), ("straight_pull_control", 0.25), ("knot", 0.5)], n)
        mats = cyc([(k, 1) for k in MATERIALS], n)
        bgs = cyc([("black", 0.3), ("dark", 0.15), ("grey", 0.15), ("white", 0.12), ("gradient", 0.1), ("textured", 0.18)], n)
        for i in range(n):
            v = views[i]
            d = float(rng.choice([15, 17, 18, 18, 18, 20, 24]))
            per = int(rng.integers(14, 27)) if v == "tuft" else int(rng.integers(14, 31))
            nc = int(rng.choice([8, 8, 8, 4, 12, 16]))
            if v == "tuft":
                per = min(per, 220 // nc)
            mg = mag_for(v)
            if d > 25:
                mg = min(mg, 1000.0)
            tint = None
            jobs.append(dict(seed=[int(seed), 10, i], view=v, look=looks[i], mag=mg, bg=bgs[i], material=mats[i], tint=tint,
                             spec=dict(seed=[int(seed), 20, i], id=f"{set_name}_s{i:03d}", kind=kinds[i], material=mats[i], n_carriers=nc, per_carrier=per,
                                       frac=float(rng.uniform(0.1, 0.9)), d=d), opts=opts_for(v),
                             dof=float(rng.uniform(0.35, 1.0) * (0.3 if v == "tuft" else 1.0)) if (looks[i] != "sem" and rng.random() < 0.25) else 0.0,
                             bar=bool(rng.random() < 0.7) or looks[i] == "sem", png=bool(rng.random() < 0.25), name=f"{set_name}_{i:03d}"))
    elif set_name == "specimens":
        fr = [0.12, 0.27, 0.42, 0.58, 0.73, 0.88]
        rng.shuffle(fr)
        kinds = [("scissor_control", None)] * 2 + [("straight_pull_control", None)] * 2 + [("knot", f) for f in fr]
        mats = list(MATERIALS) * 2
        rng.shuffle(mats)
        for s, (k, f) in enumerate(kinds):
            nc = int(rng.choice([8, 8, 8, 4, 12])); per = int(rng.integers(14, 25))
            per = min(per, 200 // nc)
            mat = mats[s]; d = float(rng.choice([16, 18, 18, 20]))
            look = ["ring", "sem", "side", "ring", "ring", "side", "coax", "sem", "ring", "coax"][s]; bg = str(rng.choice(["black", "dark", "grey", "textured", "white"]))
            nimg = int(rng.integers(4, 7))
            views = ["tuft", "teased", "teased", "close", "teased", "tuft"][:nimg]
            perm = [int(c) for c in rng.permutation(nc)]
            nt = 0
            for i, v in enumerate(views):
                car = None
                if v == "teased":
                    car = [perm[(nt * 4 + q) % nc] for q in range(4)]; nt += 1
                elif v == "close":
                    car = [int(c) for c in rng.choice(nc, 2, replace=False)]
                mg = {"tuft": float(rng.choice([80, 100, 150])), "teased": float(rng.choice([150, 200, 250])), "close": float(rng.choice([500, 800]))}[v]
                jobs.append(dict(seed=[int(seed), 12, s, i], view=v, look=look, mag=mg, bg=bg, material=mat, carriers=car, n=(10 if v == "teased" else None),
                                 spec=dict(seed=[int(seed), 22, s], id=f"spec{s:02d}", kind=k, material=mat, n_carriers=nc, per_carrier=per, frac=f, d=d),
                                 opts=opts_for(v), dof=0.0, bar=True, png=False, name=f"spec{s:02d}_{i}"))
    elif set_name == "stack":
        cfg = [("teased", 300, "ring", "knot", 16), ("close", 800, "side", "scissor_control", 14), ("tuft", 250, "ring", "knot", 20), ("close", 1000, "coax", "straight_pull_control", 12)]
        mats = ["blue", "white", "green", "yellow"]
        for i, (v, mg, look, k, nfr) in enumerate(cfg):
            jobs.append(dict(seed=[int(seed), 13, i], view=v, look=look, mag=float(mg), bg=str(rng.choice(["black", "dark", "grey"])), material=mats[i], stack=nfr,
                             n=6 if v == "close" else None,
                             spec=dict(seed=[int(seed), 23, i], id=f"stack{i}", kind=k, material=mats[i], n_carriers=8, per_carrier=18, frac=0.5, d=18.0),
                             opts={**opts_for(v), "end_on": 0.0}, name=f"stack_{i}"))
    elif set_name == "focus":
        mats = ["blue", "white", "green", "yellow"]
        for i in range(24):
            v = ["tuft", "close", "teased"][i % 3]
            look = ["ring", "side", "coax", "ring", "trans", "sem"][(i + i // 3) % 6]
            mg = {"tuft": float(rng.choice([80, 150, 250])), "close": float(rng.choice([500, 800, 1000])), "teased": float(rng.choice([200, 300]))}[v]
            jobs.append(dict(seed=[int(seed), 14, i], view=v, look=look, mag=mg, bg=str(rng.choice(["black", "dark", "grey"])), material=mats[i % 4], stack=int(rng.integers(9, 15)),
                             n=6 if v == "close" else None, size=(640, 480), breath=[0.0, 0.2, 1.0][(i // 2) % 3], shift=[0.0, 1.5, 0.0, 4.0][i // 6 % 4],
                             spec=dict(seed=[int(seed), 24, i], id=f"focus{i}", kind=["knot", "scissor_control", "straight_pull_control"][i // 2 % 3], material=mats[i % 4], n_carriers=8, per_carrier=18, frac=0.5, d=18.0),
                             opts={**opts_for(v), "end_on": 0.0}, name=f"focus_{i:02d}"))
    return jobs
