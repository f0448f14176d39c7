#!/usr/bin/env python3
"""Synthetic micrographs of cut and broken fibres with exact truth.

    python3 generate.py --set NAME --seed N --out DIR [--count K] [--jobs J] [--limit K] [--resume] [--fibres] [--hard X]
    NAME: a key of SETS

Kernel-using modules are imported inside functions, after --threads has set numba's thread count.
"""
import argparse
import csv
import hashlib
import importlib
import json
import multiprocessing as mp
import os
import sys
import tempfile
import time
import traceback

#: set: (module, name of its plan function); the module's render(job) makes one picture
SETS = dict(dev=("plans", ""), specimens=("plans", ""), stack=("plans", ""), focus=("plans", ""), braid_forms=("braid_forms", "plan"), domain_randomised=("domain_randomised", "plan"), adhesive=("adhesive", "plan"),
            transmitted=("domain_randomised", "plan_transmitted"), drawn_marks=("domain_randomised", "plan_marks"),
            histories=("histories", "plan"), faces=("faces", "plan"))


def number(seed):
    """Stable 56-bit seed from a list of numbers."""
    return int.from_bytes(hashlib.blake2b(repr(seed).encode(), digest_size=7).digest(), "little")


def _run(job):
    """One job in a worker process."""
    try:
        module = SETS[job["set"]][0] if "set" in job else "braid"
        return importlib.import_module(module).render(job)
    except Exception as e:  # one bad picture must not stop the set; it is reported with its name
        return dict(error=f"{job['name']}: {e}\n{traceback.format_exc()}")


def main():
    """Command line."""
    ap = argparse.ArgumentParser()
    ap.add_argument("--set", required=True, choices=list(SETS))
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--out", required=True)
    ap.add_argument("--jobs", type=int, default=1)
    ap.add_argument("--threads", type=int, default=1)
    ap.add_argument("--count", type=int, default=100, help="number of pictures, but for dev, specimens and stack")
    ap.add_argument("--limit", type=int, default=0)
    ap.add_argument("--only", default="", help="comma list of job names, e.g. dev_003,dev_007")
    ap.add_argument("--manifest", action="store_true", help="only rebuild manifest.csv from the truth files in --out")
    ap.add_argument("--resume", action="store_true", help="skip jobs whose truth file exists")
    ap.add_argument("--hard", type=float, help="share of hard forms (taper, drawn tail, split, brush, torn, crushed); drawn per picture without it")
    ap.add_argument("--fibres", action="store_true", help="also write which fibre each pixel shows (fibres/NAME.png)")
    a = ap.parse_args()
    os.environ["NUMBA_NUM_THREADS"] = str(a.threads)
    os.makedirs(a.out, exist_ok=True)
    if a.manifest:
        write_manifest(a.out)
        return
    jobs = plan(a)
    if a.only:
        keep = set(a.only.split(","))
        jobs = [j for j in jobs if j["name"] in keep]
    if a.limit:
        jobs = jobs[: a.limit]
    if a.resume:
        jobs = [j for j in jobs if not os.path.exists(os.path.join(a.out, j["name"] + ".json"))]
    for j in jobs:
        j["seed"] = number(j["seed"])
        if "spec" in j:
            j["spec"]["seed"] = number(j["spec"]["seed"])
        j["path"] = os.path.join(a.out, j["name"])
        j["fibres"] = a.fibres
        if a.hard is not None:
            j["hard"] = a.hard
    t0 = time.time()
    if a.jobs > 1:
        if not os.environ.get("NUMBA_DISABLE_JIT"):
            with mp.get_context("spawn").Pool(1) as p:  # one process fills the kernel cache, the others read it
                p.map(warm_up, [0])
        with mp.get_context("spawn").Pool(a.jobs) as p:
            it = p.imap(_run, jobs)
            res = report(it, len(jobs))
    else:
        res = report(map(_run, jobs), len(jobs))
    write_manifest(a.out)
    print(f"{len(res)} images in {time.time() - t0:.0f} s")


def plan(a):
    """All jobs of the set asked for."""
    module, make = SETS[a.set]
    m = importlib.import_module(module)
    return getattr(m, make)(a.seed, a.count) if make else m.plan(a.set, a.seed)


def warm_up(_):
    """Compiles every kernel into numba's cache by rendering small pictures into a temporary folder."""
    import braid_forms
    import domain_randomised
    with tempfile.TemporaryDirectory() as t:
        domain_randomised.warm(os.path.join(t, "w"))
        for look in ("side", "trans", "sem"):
            job = braid_forms.job("warm", [1])
            job["spec"]["seed"] = number(job["spec"]["seed"])
            job.update(look=look, size=(320, 240), px=10.0, seed=1, path=os.path.join(t, look), view="close", marks=0, dof=0.5)
            braid_forms.render(job)


def report(it, n):
    """Prints one line per finished picture; returns the finished ones."""
    res = []
    for i, r in enumerate(it):
        if "error" in r:
            print(r["error"], file=sys.stderr, flush=True)
            continue
        e = r["doc"]["ends"]
        print(f"[{i + 1}/{n}] {r['image']} {r['doc']['view']} {r['doc']['look']} x{r['doc']['magnification']} ends {len(e)} gradable {sum(q['gradable'] for q in e)} {r['sec']:.1f}s", flush=True)
        res.append(r)
    return res


def write_manifest(out):
    """manifest.csv from the truth files present in the folder."""
    docs = []
    for f in sorted(os.listdir(out)):
        if f.endswith(".json"):
            d = json.load(open(os.path.join(out, f)))
            if d.get("schema", "").startswith("fibre-ends-truth"):
                docs.append((f, d))
    with open(os.path.join(out, "manifest.csv"), "w", newline="") as fh:
        w = csv.writer(fh)
        w.writerow(["image", "specimen", "kind", "um_per_px", "view", "look", "magnification", "material", "ends", "gradable", "sheared_gradable", "tensile_gradable", "true_sheared_fraction", "truth"])
        for f, d in docs:
            e = d["ends"]
            w.writerow([d["image"], d["specimen"], d["specimen_kind"], d["um_per_px"], d["view"], d["look"], d["magnification"], d["material"], len(e), sum(q["gradable"] for q in e),
                        sum(q["gradable"] and q["label"] == "sheared" for q in e), sum(q["gradable"] and q["label"] == "tensile" for q in e), d["specimen_sheared_fraction"], f])


if __name__ == "__main__":
    main()
