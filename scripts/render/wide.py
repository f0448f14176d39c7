"""The `wide` set: strongly varied pictures for training finders. plan() makes jobs, render() makes one picture and its truth."""
import json
import os
import time

import cv2
import numpy as np

import fibre_map
import raster as ra
import scene as sc
import shade as sh
import wide_camera as wc
import wide_ground as wg
import wide_scene as ws
import wide_shade as wsh

LOOKS = [("sem", 0.30), ("rails", 0.14), ("ring", 0.12), ("coax", 0.08), ("side", 0.10), ("trans", 0.07), ("polar", 0.05), ("mix", 0.14)]
VIEWS = [("loose", 0.36), ("mat", 0.15), ("close", 0.09), ("weave", 0.06), ("teased", 0.16), ("tuft", 0.10), ("none", 0.08)]
SUBTYPE = dict(round="bulb", shell="bulb", droop="bulb", asym="bulb", string="bulb", weak_bulb="weak_bulb", taper="taper", split="split", brush="brush")


def _draw(rng, table):
    k, w = zip(*table)
    return str(rng.choice(k, p=np.array(w) / sum(w)))


def plan(seed, count):
    """Jobs of the set; job i depends on (seed, i) only."""
    return [dict(name=f"wide_{seed}_{i:04d}", seed=[int(seed), 30, i], set="wide") for i in range(count)]


def setup(rng):
    """Draws all parameters of one picture."""
    u = rng.uniform
    view, look = _draw(rng, VIEWS), _draw(rng, LOOKS)
    W = int(rng.choice([800, 960, 1024, 1280, 1280, 1400, 1600], p=[.2, .2, .2, .15, .1, .08, .07])); H = int(W * rng.choice([0.7, 0.75, 0.8, 1.0], p=[.3, .4, .2, .1]))
    px = dict(loose=np.exp(u(np.log(7), np.log(38))), mat=np.exp(u(np.log(7), np.log(32))), close=np.exp(u(np.log(36), np.log(100))), weave=np.exp(u(np.log(7), np.log(30))),
              teased=np.exp(u(np.log(6.5), np.log(26))), tuft=np.exp(u(np.log(6), np.log(15))), none=np.exp(u(np.log(6), np.log(40))))[view]
    px = float(px)
    d = float(u(12, 40) if rng.random() < 0.6 else u(15, 22))
    area = (W * H) / (900 * 700) * (14 / px) ** 0.7
    ints = lambda a, b: int(np.clip(rng.integers(a, b) * area ** 0.5, 1, 160))
    n = dict(loose=ints(2, 15), mat=ints(6, 26), close=int(rng.integers(1, 7)), weave=ints(4, 16), teased=ints(6, 34), tuft=ints(20, 80), none=0)[view]
    thr = dict(loose=int(rng.integers(0, 8)), mat=ints(12, 45), close=int(rng.integers(0, 3)), weave=ints(12, 40), teased=int(rng.integers(0, 4)), tuft=int(rng.integers(0, 5)), none=int(rng.integers(1, 25)))[view]
    grey = look in ("sem", "rails") or rng.random() < 0.12
    glue = rng.random() < (0.65 if look in ("sem", "rails") else 0.15)
    kinds = dict(round=u(0.2, 3), oval=u(0, 1), ribbon=float(rng.choice([0, u(0.2, 2)])), grooved=float(rng.choice([0, u(0.2, 2)])), lumpy=float(rng.choice([0, u(0.2, 1.5)])))
    ss = 2 if (px < 22 or W * H < 8e5) else 1
    if px >= 60:
        ss = 1
    return dict(view=view, look=look, W=W, H=H, px=px, d=d, um=d / px, n=n, through=thr, grey=grey, adhesive=bool(glue), shapes=kinds, ss=ss, K=int(rng.integers(1, 7)),
                spread=float(rng.choice([0.05, u(0.15, 0.45)])), p_shear=float(rng.choice([0, 1, u(0.2, 0.8)], p=[0.22, 0.36, 0.42])), two=float(rng.choice([0, 0.15, 0.6])),
                weave=float(u(0.4, 1.2)) if view == "weave" else float(rng.choice([0, u(0.1, 0.8)])), dives=float(rng.choice([0.5, 3, 6])), dust=float(rng.choice([0, 3, 8, 25])),
                lint=float(rng.choice([0, 0.6])), mat=ws.make_material(rng, grey), style=ws.sample_style(rng))


def render(job, setup=setup):
    """Renders one job, its parameters drawn by `setup`, and writes image and truth. Returns the report row."""
    t0 = time.time()
    rng = np.random.default_rng(job["seed"])
    p = setup(rng)
    p.update(job.get("force", {}))
    W, H, um, ss = p["W"], p["H"], p["um"], p["ss"]
    hw, hh = W * um / 2, H * um / 2
    scene = p.get("compose", ws.compose)(rng, p, um, hw, hh, p.get("pad", wg.Adhesive)(rng, W, H, um, p["d"]) if p["adhesive"] else None)
    m = scene.mesh.finish()
    m["MAT"] = np.array(scene.mats, np.float32)
    if p["grey"]:
        m["MAT"][:, 0:3] = m["MAT"][:, 0:3].mean(1, keepdims=True); m["MAT"][:, 3:6] = m["MAT"][:, 3:6].mean(1, keepdims=True)
    V = sc.to_buffer(m["P"], W, H, um, ss)
    LP = p.get("light", wsh.light_mix)(rng, p["look"], um / ss)
    z1 = np.full((H * ss, W * ss), -1e9, np.float32); t1 = np.full((H * ss, W * ss), -1, np.int32)
    ra.raster(V, m["F"], m["fid"], z1, t1, False, np.zeros((1, 1), np.float32), np.zeros((1, 1), np.int32))
    bg, gz = _ground(rng, p, scene, um, LP)
    gzs = gz if ss == 1 else cv2.resize(gz, (W * ss, H * ss), interpolation=cv2.INTER_LINEAR)
    if p["adhesive"]:
        t1[z1 < gzs] = -1
    zi = np.ascontiguousarray(np.where(t1 >= 0, z1, gzs)[::ss, ::ss]).astype(np.float32)
    col = _light(rng, p, m, V, t1, zi, bg, um, LP)
    fg = t1[::ss, ::ss] >= 0
    if p["view"] == "pad":
        col = col * depth_gain(zi, p["d"], p["dark"])
    elif p["view"] in ("mat", "loose", "weave") and rng.random() < 0.3:
        col = fade(rng, col, zi, bg, p["d"])
    zf, coc = 0.0, 0.0
    if p["look"] not in ("sem", "rails") and rng.random() < 0.2 and scene.tips:
        zf = float(np.quantile([t[2] for t in scene.tips], rng.uniform(0.2, 0.9)))
        coc = rng.uniform(0.03, 0.3) / um
        col = sh.defocus(col, zi, zf, coc, fg, nslice=7).astype(np.float32)
    u8 = p.get("finish", wc.finish)(col, rng, p["grey"], fg, p["px"])
    u8, boxes, bar = wc.captions(u8, um, rng, 192.0 / um)
    mask = np.zeros((H, W), np.uint8)
    for b in boxes:
        mask[b[1]:b[3], b[0]:b[2]] = 1
    fn = sh.save_image(u8, job["path"], q0=int(rng.integers(72, 97)))
    doc = truth(job, p, scene, m, V, t1, mask, zf, coc, boxes, os.path.basename(fn), u8)
    doc["scale_bar_um"] = bar
    doc.update(fibre_map.write(job, t1, m, ss))
    with open(job["path"] + ".json", "w") as f:
        json.dump(doc, f, indent=1)
    return dict(image=os.path.basename(fn), doc=doc, sec=time.time() - t0)


def warm(path):
    """Renders pictures until every kernel was used once, so that numba's cache holds them all."""
    for look in ("side", "trans"):
        render(dict(name="warm", seed=1, path=path, force=dict(look=look, adhesive=True, W=320, H=240, px=10.0, um=2.0, d=20.0, n=3, through=1, ss=2, view="loose", grey=False)))


def _ground(rng, p, scene, um, LP):
    """Background light (H, W, 3) and ground height (H, W)."""
    W, H = p["W"], p["H"]
    base = float(np.exp(rng.uniform(np.log(0.01), np.log(0.8))))
    if p["look"] == "rails":
        base = LP[wsh.CONST] * float(p["mat"]["core"].mean()) * rng.uniform(0.6, 1.3)
    elif p["look"] == "sem":
        base = float(np.exp(rng.uniform(np.log(0.02), np.log(0.25))))
    elif p["look"] == "trans":
        base = rng.uniform(0.45, 0.85)
    if p["view"] == "pad":
        base = (LP[wsh.CONST] + LP[wsh.LAM2] * LP[wsh.L2Z]) * float(p["mat"]["core"].mean()) * p["alike"]
    if scene.ground is not None:
        z = scene.ground.z
        g = scene.ground.shade(rng, base, um, LP)
    else:
        z = np.full((H, W), rng.choice([0.0, -3.0, -12.0]) * p["d"], np.float32)
        g = wg.plain(rng, W, H, base)
    tint = np.ones(3) if p["grey"] else np.clip(1 + rng.normal(0, rng.choice([0.05, 0.35]), 3), 0.15, 1.8)
    return np.maximum(g[..., None] * tint[None, None], 0.001).astype(np.float32), z.astype(np.float32)


def _light(rng, p, m, V, t1, zi, bg, um, LP):
    """Shades the visibility buffer, with one layer seen through translucent fibres; linear RGB at image resolution."""
    W, H, ss = p["W"], p["H"], p["ss"]
    dpx = p["px"]
    ao = ra.horizon_ao(zi, um, min(120.0, max(5.0, 2.0 * dpx)), 7, 4, 77)
    ao = cv2.GaussianBlur(ao, (0, 0), 1.0)
    shd = np.ones_like(zi)
    if LP[wsh.SHD] > 0:
        shd = cv2.GaussianBlur(ra.cast_shadow(zi, um, LP[1], LP[2], LP[3], min(500.0, max(40.0, 12 * dpx)), 2.2 * p["d"]), (0, 0), 1.1)
    args = (V, m["F"], m["fid"], m["zone"])
    h = np.zeros(t1.shape, np.float32); mk = np.zeros(t1.shape, np.float32); out = np.zeros(t1.shape + (3,), np.float32)
    wsh.heights(t1, *args, m["R"], m["MAT"], um / ss, h, mk)
    wsh.shade(t1, *args, m["N"], m["R"], m["MAT"], h, mk, ao, shd, ss, LP, bg, out)
    if p["look"] in ("trans", "polar") or (p["look"] not in ("sem", "rails") and p["mat"]["transl"] > 0.35):
        zl = np.full(t1.shape, -1e9, np.float32); hit = t1 >= 0
        z1 = np.repeat(np.repeat(zi, ss, 0), ss, 1)
        zl[hit] = z1[hit] - np.float32(0.35 * p["d"])
        fl = np.where(hit, m["fid"][np.maximum(t1, 0)], -1).astype(np.int32)
        z2 = np.full(t1.shape, -1e9, np.float32); t2 = np.full(t1.shape, -1, np.int32)
        ra.raster(V, m["F"], m["fid"], z2, t2, True, zl, fl)
        if p["adhesive"]:
            t2[z2 < 0] = -1
        o2 = np.zeros_like(out)
        wsh.heights(t2, *args, m["R"], m["MAT"], um / ss, h, mk)
        wsh.shade(t2, *args, m["N"], m["R"], m["MAT"], h, mk, np.full_like(ao, 0.75), shd, ss, LP, bg, o2)
        both = (hit & (t2 >= 0))[..., None]
        if p["look"] == "trans":
            b = np.repeat(np.repeat(bg, ss, 0), ss, 1)
            out *= np.where(both, np.clip(0.2 + 0.8 * o2 / np.maximum(b, 1e-3), 0.05, 1.1), 1.0)
        else:
            k = np.where(both, np.float32(0.4 * p["mat"]["transl"]), 0)
            out = out * (1 - k) + o2 * k
    return cv2.resize(out, (W, H), interpolation=cv2.INTER_AREA) if ss > 1 else out


def fade(rng, col, z, bg, d):
    """Deep fibres fade into the ground's mean light, as in deep mats under an electron beam."""
    top = float(np.percentile(z, 99))
    k = np.exp(-np.maximum(top - z, 0) / (rng.uniform(3, 12) * d))[..., None].astype(np.float32)
    k = np.maximum(k, rng.uniform(0.15, 0.4))
    return col * k + bg.mean((0, 1)) * rng.uniform(0.6, 1.3) * (1 - k)


def depth_gain(z, d, dark):
    """Light by height: what lies deep is dimmer (`dark` a diameter), what rises towards the detector brighter."""
    return np.clip(1 + dark * (z - float(np.median(z))) / d * 0.5, 0.25, 2.2)[..., None].astype(np.float32)


def truth(job, p, scene, m, V, t1, mask, zf, coc, boxes, image, u8):
    """Truth document (schema fibre-ends-truth/1) measured from the projected meshes and the visibility buffer."""
    W, H, um, ss = p["W"], p["H"], p["um"], p["ss"]
    infos = scene.infos
    n = len(infos)
    pad = int(9 * p["px"] * 2.2 * ss) + 8
    stamp = np.zeros((H * ss + 2 * pad, W * ss + 2 * pad), np.int32)
    solo = ra.solo_counts(V, m["F"], m["eid"], m["tip"], n, stamp, pad, pad)
    vis = ra.visible_counts(t1, m["eid"], m["tip"], n, mask, ss)
    lum = u8.astype(np.float32).mean(2)
    ends, partial = [], []
    r2 = lambda v, k=2: None if v is None or not np.isfinite(v) else round(float(v), k)
    for i, inf in enumerate(infos):
        q = sc.measure(inf, W, H, um)
        if "tip3" in inf:  # split ends and brushes: the tip is where the strands end on average, not their middle
            q["x"], q["y"] = sc.to_px(inf["tip3"], W, H, um)
        x, y, sd = float(q["x"]), float(q["y"]), float(q["shaft_diameter_px"])
        if not (np.isfinite([x, y, sd]).all() and sd > 0):
            continue
        frac = float(min(1.0, vis[i] / solo[i])) if solo[i] > 0 else 0.0
        dpx = abs(float(inf["C"][-1, 2]) - zf) * coc
        sub = SUBTYPE.get(inf["end"]["kind"], inf["end"]["kind"])
        if inf["label"] == "sheared":
            sub = "fused_cut" if inf.get("fused") else ("end_on_cut" if q["face_nz"] > 0.6 and sub in ("clean_cut", "rounded_cut") else sub)
        elif sub in ("bulb", "weak_bulb"):
            sub = "weak_bulb" if q["bulb_ratio"] < 1.3 else "bulb"
        inside = -0.5 <= x < W - 0.5 and -0.5 <= y < H - 0.5
        rec = dict(id=inf["id"], carrier=inf["carrier"], fibre=int(inf["fid"]), x_px=r2(x), y_px=r2(y), apex_x_px=r2(q["apex"][0]), apex_y_px=r2(q["apex"][1]), axis_deg=r2(q["axis_deg"]), label=inf["label"],
                   subtype=sub, shaft_diameter_px=r2(sd, 3), bulb_ratio=r2(q["bulb_ratio"], 3), cut_angle_deg=r2(abs(q["cut_signed"])) if "cut_signed" in q else None,
                   cut_angle_signed_deg=r2(q.get("cut_signed")), cut_angle_3d_deg=r2(q.get("cut3d")), face_nz=r2(q.get("face_nz"), 3), face_axis_ratio=r2(q.get("face_axis_ratio"), 3),
                   end_flatness=r2(q["end_flatness"], 4), end_line_deg=r2(q["end_line_deg"]), elevation_deg=r2(q["elev_deg"], 1), visible_fraction=round(frac, 3), defocus_px=r2(dpx),
                   gradable=bool(inside and frac >= 0.6 and dpx <= max(2.0, 0.12 * sd) and sd >= 6))
        if inside:
            rec["local_contrast"] = _contrast(lum, t1, m["eid"], i, x, y, sd, ss)
            ends.append(rec)
        elif vis[i] > 0:
            partial.append(rec)
    ns = sum(i["label"] == "sheared" for i in infos)
    kind = "scissor_control" if n and ns == n else "straight_pull_control" if n and ns == 0 else "knot"
    return dict(schema="fibre-ends-truth/1", image=image, width_px=W, height_px=H, um_per_px=round(um, 5), magnification=round(192 / um), view=p["view"], look=p["look"],
                focus="single" if coc > 0 else "stacked", material="random", specimen=job["name"], specimen_kind=kind, specimen_carriers=p["K"], specimen_fibres_per_carrier=None,
                specimen_sheared_fraction=round(ns / n, 4) if n else None, fibre_diameter_um=round(p["d"], 2),
                conventions="pixel (0,0) is the centre of the top-left pixel; x right, y down; axis_deg = atan2(dy, dx) in that frame, pointing out of the fibre",
                burnt_in_boxes=[[int(v) for v in b] for b in boxes], ends=ends, partial_ends=partial)


def _contrast(lum, t1, eid, i, x, y, sd, ss):
    """Absolute difference of mean grey inside and around the tip, 0-1."""
    H, W = lum.shape
    r = int(max(3, 1.2 * sd)); xi, yi = int(round(x)), int(round(y))
    y0, y1, x0, x1 = max(0, yi - r), min(H, yi + r + 1), max(0, xi - r), min(W, xi + r + 1)
    t = t1[y0 * ss:y1 * ss:ss, x0 * ss:x1 * ss:ss]
    own = (t >= 0) & (eid[np.maximum(t, 0)] == i)
    L = lum[y0:y1, x0:x1]
    return round(float(abs(L[own].mean() - L[~own].mean()) / 255), 3) if own.sum() > 3 and (~own).sum() > 3 else 0.0
