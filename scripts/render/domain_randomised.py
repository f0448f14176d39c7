"""The set `domain_randomised`: strongly varied pictures to train on. plan() makes jobs, render() makes one picture and its truth.

Domain randomisation: Tobin et al., IROS 2017 (looks that vary more than reality does teach what does not vary).
"""
import json
import os
import time

import cv2
import numpy as np

import becke
import drawn_marks
import end_truth
import fibre_map
import randomised_camera as rc
import randomised_ground as rg
import randomised_scene as rs
import randomised_shade as rsh
import raster as ra
import scene as sc
import shade as sh

LOOKS = [("sem", 0.22), ("rails", 0.09), ("ring", 0.14), ("coax", 0.09), ("side", 0.11), ("trans", 0.05), ("becke", 0.09), ("polar", 0.04), ("darkfield", 0.04), ("mix", 0.13)]
VIEWS = [("loose", 0.33), ("mat", 0.14), ("close", 0.10), ("weave", 0.05), ("teased", 0.16), ("tuft", 0.15), ("none", 0.07)]
ELECTRON = ("sem", "rails")
TRANSMITTED = ("trans", "becke")


def _draw(rng, table):
    k, w = zip(*table)
    return str(rng.choice(k, p=np.array(w) / sum(w)))


def plan(seed, count):
    """Jobs of the set; job i depends on (seed, i) only."""
    return [dict(name=f"domain_randomised_{seed}_{i:04d}", seed=[int(seed), 30, i], set="domain_randomised") for i in range(count)]


def plan_transmitted(seed, count):
    """Pictures in transmitted light, most of them with a Becke line."""
    look = lambda i: "trans" if i % 5 == 4 else "becke"
    return [dict(name=f"transmitted_{seed}_{i:04d}", seed=[int(seed), 32, i], set="transmitted", force=dict(look=look(i), grey=i % 4 == 0), hard=(0.05, 0.1, 0.3)[i % 3]) for i in range(count)]


def plan_marks(seed, count):
    """Pictures with dozens of drawn marks, a third of them without an end."""
    return [dict(name=f"drawn_marks_{seed}_{i:04d}", seed=[int(seed), 33, i], set="drawn_marks", marks=6 + (i * 7) % 34, force=dict(view="none", n=0) if i % 3 == 0 else {}) for i in range(count)]


def setup(rng):
    """Draws all parameters of one picture."""
    u = rng.uniform
    view, look = _draw(rng, VIEWS), _draw(rng, LOOKS)
    W = int(rng.choice([800, 960, 1024, 1280, 1280, 1400, 1600], p=[.2, .2, .2, .15, .1, .08, .07])); H = int(W * rng.choice([0.7, 0.75, 0.8, 1.0], p=[.3, .4, .2, .1]))
    px = dict(loose=np.exp(u(np.log(7), np.log(38))), mat=np.exp(u(np.log(7), np.log(32))), close=np.exp(u(np.log(36), np.log(100))), weave=np.exp(u(np.log(7), np.log(30))),
              teased=np.exp(u(np.log(6.5), np.log(30))), tuft=np.exp(u(np.log(6), np.log(18))), none=np.exp(u(np.log(6), np.log(40))))[view]
    px = float(px)
    d = float(u(12, 40) if rng.random() < 0.6 else u(15, 22))
    area = (W * H) / (900 * 700) * (14 / px) ** 0.7
    ints = lambda a, b: int(np.clip(rng.integers(a, b) * area ** 0.5, 1, 160))
    n = dict(loose=ints(2, 15), mat=ints(6, 26), close=int(rng.integers(1, 7)), weave=ints(4, 16), teased=ints(6, 34), tuft=ints(20, 80), none=0)[view]
    thr = dict(loose=int(rng.integers(0, 8)), mat=ints(12, 45), close=int(rng.integers(0, 3)), weave=ints(12, 40), teased=int(rng.integers(0, 4)), tuft=int(rng.integers(0, 5)), none=int(rng.integers(1, 25)))[view]
    grey = look in ELECTRON or rng.random() < 0.12
    glue = rng.random() < (0.65 if look in ELECTRON else 0.15)
    kinds = dict(round=u(0.2, 3), oval=u(0, 1), ribbon=float(rng.choice([0, u(0.2, 2)])), grooved=float(rng.choice([0, u(0.2, 2)])), lumpy=float(rng.choice([0, u(0.2, 1.5)])))
    ss = 2 if (px < 22 or W * H < 8e5) else 1
    if px >= 60:
        ss = 1
    return dict(view=view, look=look, W=W, H=H, px=px, d=d, um=d / px, n=n, through=thr, grey=grey, adhesive=bool(glue), shapes=kinds, ss=ss, K=int(rng.integers(1, 7)),
                spread=float(rng.choice([0.05, u(0.15, 0.45)])), hard=float(rng.choice([0.05, u(0.15, 0.4), u(0.4, 0.8)], p=[0.3, 0.45, 0.25])),
                p_shear=float(rng.choice([0, 1, u(0.25, 0.75)], p=[0.2, 0.25, 0.55]) if view != "tuft" else u(0.2, 0.8)), crossings=float(rng.choice([0, u(0.05, 0.4)])),
                marks=int(rng.choice([0, rng.integers(1, 4), rng.integers(4, 14)], p=[0.7, 0.2, 0.1])), two=float(rng.choice([0, 0.15, 0.6])),
                weave=float(u(0.4, 1.2)) if view == "weave" else float(rng.choice([0, u(0.1, 0.8)])), dives=float(rng.choice([0.5, 3, 6])), dust=float(rng.choice([0, 3, 8, 25])),
                lint=float(rng.choice([0, 0.6])), mat=rs.make_material(rng, grey), style=rs.sample_style(rng))


def render(job, setup=setup):
    """Renders one job, its parameters drawn by `setup`, and writes image and truth. Returns the report row."""
    t0 = time.time()
    rng = np.random.default_rng(job["seed"])
    p = setup(rng)
    p.update(job.get("force", {}))
    if p["look"] == "becke" and rng.random() < 0.6:  # clear fibres: hardly more than their outlines is seen
        p["mat"].update(core=np.full(3, rng.uniform(0.82, 1.0)), cov=float(rng.choice([0, rng.uniform(0, 0.4)])))
    p.update({k: job[k] for k in ("hard", "marks") if job.get(k) is not None})
    W, H, um, ss = p["W"], p["H"], p["um"], p["ss"]
    hw, hh = W * um / 2, H * um / 2
    scene = p.get("compose", rs.compose)(rng, p, um, hw, hh, p.get("pad", rg.Adhesive)(rng, W, H, um, p["d"]) if p["adhesive"] else None)
    m = scene.mesh.done()
    m["MAT"] = np.array(scene.mats, np.float32)
    if p["grey"]:
        m["MAT"][:, 0:3] = m["MAT"][:, 0:3].mean(1, keepdims=True); m["MAT"][:, 3:6] = m["MAT"][:, 3:6].mean(1, keepdims=True)
    V = sc.to_buffer(m["P"], W, H, um, ss)
    LP = p.get("light", rsh.light_mix)(rng, p["look"], um / ss)
    z1 = np.full((H * ss, W * ss), -1e9, np.float32); t1 = np.full((H * ss, W * ss), -1, np.int32)
    ra.raster(V, m["F"], m["fid"], z1, t1, False, np.zeros((1, 1), np.float32), np.zeros((1, 1), np.int32))
    bg, gz = _ground(rng, p, scene, um, LP)
    gzs = gz if ss == 1 else cv2.resize(gz, (W * ss, H * ss), interpolation=cv2.INTER_LINEAR)
    if p["adhesive"]:
        t1[z1 < gzs] = -1
    zi = np.ascontiguousarray(np.where(t1 >= 0, z1, gzs)[::ss, ::ss]).astype(np.float32)
    col = _light(rng, p, m, V, t1, zi, bg, um, LP)
    fg = t1[::ss, ::ss] >= 0
    if p["view"] == "adhesive":
        col = col * depth_gain(zi, p["d"], p["dark"])
    elif p["view"] in ("mat", "loose", "weave") and rng.random() < 0.3:
        col = fade(rng, col, zi, bg, p["d"])
    zf, coc = 0.0, 0.0
    if p["look"] not in ELECTRON and rng.random() < 0.2 and scene.tips:
        zf = float(np.quantile([t[2] for t in scene.tips], rng.uniform(0.2, 0.9)))
        coc = rng.uniform(0.03, 0.3) / um
        col = sh.defocus(col, zi, zf, coc, fg, nslice=7).astype(np.float32)
    u8 = p.get("finish", rc.finish)(col, rng, p["grey"], fg, p["px"])
    tips = [sc.to_px(t, W, H, um)[:2] for t in scene.tips]
    u8, boxes, kinds, bar, mask = drawn_marks.draw(u8, um, rng, p["marks"], tips)
    fn = sh.save_image(u8, job["path"], q0=int(rng.choice([rng.integers(72, 97), rng.integers(40, 72)], p=[0.8, 0.2])))
    doc = document(job, p, scene.infos, dict(image=os.path.basename(fn), focus="single" if coc > 0 else "stacked"))
    doc.update(burnt_in_boxes=boxes, burnt_in_kinds=kinds, scale_bar_um=bar)
    doc["ends"], doc["partial_ends"] = end_truth.ends(scene.infos, m, V, t1, mask, p, zf, coc, u8)
    doc.update(fibre_map.write(job, t1, m, ss))
    with open(job["path"] + ".json.part", "w") as f:
        json.dump(doc, f, indent=1)
    os.replace(job["path"] + ".json.part", job["path"] + ".json")
    return dict(image=os.path.basename(fn), doc=doc, sec=time.time() - t0)


def warm(path):
    """Renders pictures until every kernel was used once, so that numba's cache holds them all."""
    for look in ("side", "becke"):
        render(dict(name="warm", seed=1, path=path, force=dict(look=look, adhesive=True, W=320, H=240, px=10.0, um=2.0, d=20.0, n=3, through=1, ss=2, view="loose", grey=False, marks=2)))


def _ground(rng, p, scene, um, LP):
    """Background light (H, W, 3) and ground height (H, W)."""
    W, H = p["W"], p["H"]
    base = float(np.exp(rng.uniform(np.log(0.01), np.log(0.8))))
    if p["look"] == "rails":
        base = LP[rsh.CONST] * float(p["mat"]["core"].mean()) * rng.uniform(0.6, 1.3)
    elif p["look"] == "sem":
        base = float(np.exp(rng.uniform(np.log(0.02), np.log(0.25))))
    elif p["look"] in TRANSMITTED:
        base = rng.uniform(0.45, 0.85)
    if p["view"] == "adhesive":
        base = (LP[rsh.CONST] + LP[rsh.LAM2] * LP[rsh.L2Z]) * float(p["mat"]["core"].mean()) * p["alike"]
    if scene.ground is not None:
        z = scene.ground.z
        g = scene.ground.shade(rng, base, um, LP)
    else:
        z = np.full((H, W), rng.choice([0.0, -3.0, -12.0]) * p["d"], np.float32)
        g = rg.plain(rng, W, H, base)
    tint = np.ones(3) if p["grey"] else np.clip(1 + rng.normal(0, rng.choice([0.05, 0.35]), 3), 0.15, 1.8)
    return np.maximum(g[..., None] * tint[None, None], 0.001).astype(np.float32), z.astype(np.float32)


def _light(rng, p, m, V, t1, zi, bg, um, LP):
    """Shades the visibility buffer, with one layer seen through translucent fibres; linear RGB at image resolution."""
    W, H, ss = p["W"], p["H"], p["ss"]
    dpx = p["px"]
    ao = ra.horizon_ao(zi, um, min(120.0, max(5.0, 2.0 * dpx)), 7, 4, 77)
    ao = cv2.GaussianBlur(ao, (0, 0), 1.0)
    shd = np.ones_like(zi)
    if LP[rsh.SHD] > 0:
        shd = cv2.GaussianBlur(ra.cast_shadow(zi, um, LP[1], LP[2], LP[3], min(500.0, max(40.0, 12 * dpx)), 2.2 * p["d"]), (0, 0), 1.1)
    args = (V, m["F"], m["fid"], m["zone"])
    h = np.zeros(t1.shape, np.float32); mk = np.zeros(t1.shape, np.float32); out = np.zeros(t1.shape + (3,), np.float32)
    rsh.heights(t1, *args, m["R"], m["MAT"], um / ss, h, mk)
    rsh.shade(t1, *args, m["N"], m["R"], m["MAT"], h, mk, ao, shd, ss, LP, bg, out)
    if p["look"] in (*TRANSMITTED, "polar") or (p["look"] not in ELECTRON and p["mat"]["transl"] > 0.35):
        zl = np.full(t1.shape, -1e9, np.float32); hit = t1 >= 0
        z1 = np.repeat(np.repeat(zi, ss, 0), ss, 1)
        zl[hit] = z1[hit] - np.float32(0.35 * p["d"])
        fl = np.where(hit, m["fid"][np.maximum(t1, 0)], -1).astype(np.int32)
        z2 = np.full(t1.shape, -1e9, np.float32); t2 = np.full(t1.shape, -1, np.int32)
        ra.raster(V, m["F"], m["fid"], z2, t2, True, zl, fl)
        if p["adhesive"]:
            t2[z2 < 0] = -1
        o2 = np.zeros_like(out)
        rsh.heights(t2, *args, m["R"], m["MAT"], um / ss, h, mk)
        rsh.shade(t2, *args, m["N"], m["R"], m["MAT"], h, mk, np.full_like(ao, 0.75), shd, ss, LP, bg, o2)
        both = (hit & (t2 >= 0))[..., None]
        if p["look"] in TRANSMITTED:
            b = np.repeat(np.repeat(bg, ss, 0), ss, 1)
            out *= np.where(both, np.clip(0.2 + 0.8 * o2 / np.maximum(b, 1e-3), 0.05, 1.1), 1.0)
        else:
            k = np.where(both, np.float32(0.4 * p["mat"]["transl"]), 0)
            out = out * (1 - k) + o2 * k
    out = cv2.resize(out, (W, H), interpolation=cv2.INTER_AREA) if ss > 1 else out
    if p["look"] == "becke":
        p["becke"] = becke.sample(rng, p["d"])
        out = out * becke.halo(p["becke"], [(t1, V, m), (t2, V, m)], m["MAT"][:, 8], um, ss, rng.uniform(0.4, 1.5))[..., None]
    return out


def fade(rng, col, z, bg, d):
    """Deep fibres fade into the ground's mean light, as in deep mats under an electron beam."""
    top = float(np.percentile(z, 99))
    k = np.exp(-np.maximum(top - z, 0) / (rng.uniform(3, 12) * d))[..., None].astype(np.float32)
    k = np.maximum(k, rng.uniform(0.15, 0.4))
    return col * k + bg.mean((0, 1)) * rng.uniform(0.6, 1.3) * (1 - k)


def depth_gain(z, d, dark):
    """Light by height: what lies deep is dimmer (`dark` a diameter), what rises towards the detector brighter."""
    return np.clip(1 + dark * (z - float(np.median(z))) / d * 0.5, 0.25, 2.2)[..., None].astype(np.float32)


def document(job, p, infos, more):
    """Truth of a picture without its ends (schema fibre-ends-truth/1)."""
    n, ns = len(infos), sum(i["label"] == "sheared" for i in infos)
    kind = "scissor_control" if n and ns == n else "straight_pull_control" if n and ns == 0 else "knot"
    renderer = "adhesive" if p["view"] == "adhesive" else "domain_randomised"
    return dict(schema="fibre-ends-truth/1", width_px=p["W"], height_px=p["H"], um_per_px=round(p["um"], 5), magnification=round(192 / p["um"]), view=p["view"], look=p["look"],
                family=f"{renderer}/{p['look']}", hard_share=round(p["hard"], 3), becke=p.get("becke"), material="random", specimen=job["name"], specimen_kind=kind, specimen_carriers=p["K"],
                specimen_fibres_per_carrier=None, specimen_sheared_fraction=round(ns / n, 4) if n else None, fibre_diameter_um=round(p["d"], 2), conventions=end_truth.CONVENTIONS, **more)
