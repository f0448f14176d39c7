"""The set `braid_forms`: break faces of braids in the light of the set `dev`, with all forms of ends. plan() makes jobs, render() one picture."""
import json
import os
import time

import cv2
import numpy as np

import becke
import braid
import drawn_marks
import end_truth
import fibre_map
import fibre_mesh as fm
import forms
import geometry as geo
import scene as sc
import shade as sh

LOOKS = [("ring", 0.28), ("coax", 0.16), ("side", 0.22), ("trans", 0.14), ("sem", 0.20)]
VIEWS = [("teased", 0.40), ("tuft", 0.36), ("close", 0.24)]
KINDS = [("scissor_control", 0.15), ("straight_pull_control", 0.2), ("knot", 0.65)]
GROUNDS = [("black", 0.22), ("dark", 0.16), ("grey", 0.2), ("white", 0.14), ("gradient", 0.1), ("textured", 0.18)]


def plan(seed, count):
    """Jobs of the set; job i depends on (seed, i) only."""
    return [job(f"braid_forms_{seed}_{i:04d}", [int(seed), 40, i]) for i in range(count)]


def job(name, key):
    """Random parameters of one picture."""
    rng = np.random.default_rng(key)
    u = rng.uniform
    view = forms.pick(rng, VIEWS)
    d = float(rng.choice([u(12, 34), u(15, 24)]))
    lo, hi = dict(teased=(8, 36), tuft=(6.5, 20), close=(34, 100))[view]
    px = float(np.exp(u(np.log(lo), np.log(hi))))
    carriers = int(rng.choice([8, 8, 8, 4, 12, 16])); per = int(rng.integers(10, 24))
    if view == "tuft":
        per = min(per, 170 // carriers)
    material = str(rng.choice(list(braid.MATERIALS)))
    return dict(name=name, seed=key, set="braid_forms", view=view, look=forms.pick(rng, LOOKS), bg=forms.pick(rng, GROUNDS), material=material, px=px, d=d,
                size=[(1200, 900), (1280, 960), (1600, 1200), (1200, 1200)][rng.choice(4, p=[.45, .25, .2, .1])], hard=float(rng.choice([0.05, u(0.2, 0.45), u(0.45, 0.8)], p=[0.25, 0.45, 0.3])),
                opts=dict(end_on=float(rng.choice([0, 0.3])), droplets=float(rng.choice([0, 0.15, 0.6, 1.5])), dust=float(rng.choice([1, 5, 14])), lint=float(rng.choice([0, 0.5])), through=float(rng.choice([0, 1, 3])),
                          crossings=float(rng.choice([0, u(0.03, 0.3)]))),
                blur=float(rng.choice([u(0.35, 1.0), u(1.0, 2.0)], p=[0.65, 0.35])), faint=float(rng.choice([1.0, u(0.3, 0.8)], p=[0.8, 0.2])), dof=float(u(0.2, 1.0) if rng.random() < 0.25 else 0),
                marks=int(rng.choice([0, rng.integers(1, 4), rng.integers(4, 14)], p=[0.7, 0.2, 0.1])),
                spec=dict(seed=[*key, 1], id=name, kind=forms.pick(rng, KINDS), material=material, n_carriers=carriers, per_carrier=per, frac=float(u(0.12, 0.88)), d=d))


def dress(spec, rng, hard):
    """Gives every fibre of a specimen an end of any form; fibres of a carrier share the cut's plane and mostly its form."""
    for c in spec["carriers"]:
        c["cut"]["sub"] = forms.subtype(rng, "sheared", hard)
    for f in spec["fibres"]:
        c = spec["carriers"][f["carrier"]]
        cut = dict(angle=c["cut"]["angle"], sd=c["cut"]["sd"], az=0.0, sub=c["cut"]["sub"])
        f["end"] = forms.sample_end(rng, f["end"]["label"], cut if f["end"]["label"] == "sheared" else None, hard)


def build_fibre(mesh, f, ctrl, fid, pxum, az, rng):
    """Stands in for geometry.build_fibre: the same pose with an end of any form. Fibre and end share one number."""
    d, e = f["d"], f["end"]
    P, _, _ = geo.tube_path(ctrl, np.arange(0, geo.path_length(ctrl), 0.25 * d))
    short = int(4 * (e.get("lt", 0) + 8)) - len(P)
    if short > 0:  # outside the frame there is room for the whole of a long end
        P = np.r_[P, P[-1] + np.arange(1, short + 1)[:, None] * (P[-1] - P[-2])]
    if e["label"] == "sheared":  # fibre_mesh's E1 points against geometry's
        e = {**e, "az": np.pi - (az + e["az"])}
    shape = fm.sample_shape(rng, str(rng.choice(["round", "oval", "lumpy"], p=[0.88, 0.08, 0.04])))
    info = fm.add_fibre(mesh, rng, P, d, shape, (e, None), fid, (fid, -1), pxum)[0]
    info.update(id=f["id"], carrier=int(f["carrier"]))
    return info


def crossing(rng, posed, share, d):
    """Control polygons of fibres that lie across some of the tips."""
    out = []
    for _, ctrl in posed:
        if rng.random() > share:
            continue
        t = ctrl[-1]; a = rng.uniform(0, np.pi); u = np.array([np.cos(a), np.sin(a), 0]); v = np.array([-u[1], u[0], 0])
        x = np.linspace(-1, 1, 9) * 220 * d
        out.append(t + rng.uniform(-1.2, 1.2) * d * v + x[:, None] * u + (rng.normal(0, 1e-4) * x ** 2 / d)[:, None] * v + [0, 0, rng.choice([1, -1]) * d * rng.uniform(1.0, 1.5)])
    return out[:12]


def specimen(job):
    """The specimen of a job, with ends of all forms."""
    spec = braid.build_spec(job)
    dress(spec, np.random.default_rng([job["spec"]["seed"], 7]), job["hard"])
    return spec


def scene_of(job, rng, spec):
    """Mesh, infos and picture parameters of a job."""
    W, H = job["size"]
    p = dict(W=W, H=H, d=job["d"], px=job["px"], um=job["d"] / job["px"], ss=2)
    subset = braid.pick_subset(rng, spec, job["view"], job.get("K"), job.get("n"), job.get("carriers"))
    posed, az, through, _ = sc.pose(rng, spec, job["view"], subset, W, H, p["um"], job["opts"])
    through += crossing(rng, posed, job["opts"].get("crossings", 0), job["d"])
    m, infos = sc.build(rng, spec, posed, az, through, W, H, p["um"], p["ss"], {**job["opts"], "mesh": fm.EndMesh, "fibre": build_fibre})
    return m, infos, p


def render(job, make=specimen):
    """Renders one job, its specimen made by `make`, and writes picture and truth. Returns the report row."""
    cv2.setNumThreads(1)
    t0 = time.time()
    rng = np.random.default_rng(job["seed"])
    spec = make(job)
    m, infos, p = scene_of(job, rng, spec)
    W, H, um, ss, look = p["W"], p["H"], p["um"], p["ss"], job["look"]
    V = sc.to_buffer(m["P"], W, H, um, ss)
    bg = sh.background(job["bg"], rng, W, H, look)
    col, zi, t1, _ = sh.shade_scene(m, V, W, H, um, ss, look, sh.light_params(look, rng, um / ss), bg, rng, zbg=m["zlo"] - rng.choice([0.2, 2.0, 8.0]) * p["d"])
    line = becke.sample(rng, p["d"]) if look == "trans" and rng.random() < 0.6 else None
    if line:
        col = col * becke.halo(line, [(t1, V, m)], m["MAT"][:, 13], um, ss, rng.uniform(0.4, 1.5))[..., None]
    fg = t1[::ss, ::ss] >= 0
    zf = coc = 0.0
    if job["dof"] and look != "sem":
        zf = float(np.quantile([i["C"][-1, 2] for i in infos], rng.uniform(0.3, 0.8)))
        coc = braid.coc_per_um(192 / um, um) * job["dof"] * (0.3 if job["view"] == "tuft" else 1.0)
        col = sh.defocus(col, zi, zf, coc, fg)
    u8 = expose(col, job, look, rng, fg)
    u8, boxes, kinds, bar, mask = drawn_marks.draw(u8, um, rng, job["marks"], [sc.to_px(i["C"][-1], W, H, um)[:2] for i in infos])
    fn = sh.save_image(u8, job["path"], q0=int(rng.choice([rng.integers(78, 97), rng.integers(45, 78)], p=[0.85, 0.15])))
    doc = document(job, spec, p, dict(image=os.path.basename(fn), focus="single" if coc > 0 else "stacked", becke=line))
    doc.update(burnt_in_boxes=boxes, burnt_in_kinds=kinds, scale_bar_um=bar)
    doc["ends"], doc["partial_ends"] = end_truth.ends(infos, m, V, t1, mask, p, zf, coc, u8)
    doc.update(fibre_map.write(job, t1, m, ss))
    with open(job["path"] + ".json.part", "w") as f:
        json.dump(doc, f, indent=1)
    os.replace(job["path"] + ".json.part", job["path"] + ".json")
    return dict(image=os.path.basename(fn), doc=doc, sec=time.time() - t0)


def expose(col, job, look, rng, fg):
    """Camera of the older sets with more blur and lower contrast. Returns uint8 RGB."""
    cam = braid.make_camera(rng)
    cam["blur"] = job["blur"] if job["px"] > 9 else min(job["blur"], 0.9)
    if job["bg"] == "white" and look != "trans":
        cam["exposure"] *= 0.85
    cam["contrast"] *= job["faint"]
    u8 = sh.camera(col, look, rng, cam, fg)
    return u8[..., :1].repeat(3, 2) if look == "sem" or rng.random() < 0.1 else u8


def document(job, spec, p, more):
    """Truth of a picture without its ends (schema fibre-ends-truth/1)."""
    return dict(schema="fibre-ends-truth/1", width_px=p["W"], height_px=p["H"], um_per_px=round(p["um"], 5), magnification=round(192 / p["um"]), view=job["view"], look=job["look"],
                family=f"braid/{job['look']}", hard_share=round(job["hard"], 3), material=job["material"], specimen=spec["id"], specimen_kind=spec["kind"], specimen_carriers=spec["n_carriers"],
                specimen_fibres_per_carrier=spec["per_carrier"], specimen_sheared_fraction=round(spec["sheared_fraction"], 4),
                fibre_diameter_um=round(float(np.mean([f["d"] for f in spec["fibres"]])), 2), conventions=end_truth.CONVENTIONS, **spec.get("truth", {}), **more)
