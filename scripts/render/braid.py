"""Pictures of braid break faces: the sets dev, specimens and stack. Input: a job (see plans.py). Output: picture and truth files."""
import json
import os
import time

import cv2
import numpy as np

import fibre_map
import geometry as geo
import raster as ra
import scene as sc
import shade as sh

MATERIALS = {
    "blue":   dict(core=(0.70, 0.72, 0.70), dyes=[(0.03, 0.12, 0.50)], cov=0.80, gloss=0.9, gw=0.20, transl=0.45),
    "green":  dict(core=(0.68, 0.70, 0.64), dyes=[(0.05, 0.27, 0.09)], cov=0.78, gloss=0.8, gw=0.22, transl=0.45),
    "yellow": dict(core=(0.75, 0.73, 0.62), dyes=[(0.80, 0.62, 0.06)], cov=0.82, gloss=0.9, gw=0.20, transl=0.5),
    "red":    dict(core=(0.70, 0.64, 0.62), dyes=[(0.50, 0.04, 0.05)], cov=0.76, gloss=0.9, gw=0.20, transl=0.45),
    "white":  dict(core=(0.78, 0.78, 0.75), dyes=[(0.85, 0.85, 0.83)], cov=0.6, gloss=1.0, gw=0.18, transl=0.6),
    "undyed": dict(core=(0.62, 0.63, 0.62), dyes=[(0.70, 0.70, 0.66)], cov=0.3, gloss=1.1, gw=0.16, transl=0.75),
    "mossy":  dict(core=(0.66, 0.68, 0.60), dyes=[(0.10, 0.16, 0.06), (0.06, 0.20, 0.10)], cov=0.62, gloss=0.7, gw=0.26, transl=0.4),
    "multi":  dict(core=(0.70, 0.70, 0.68), dyes=[(0.03, 0.12, 0.50), (0.80, 0.62, 0.06), (0.5, 0.04, 0.05), (0.05, 0.3, 0.09)], cov=0.75, gloss=0.9, gw=0.2, transl=0.45),
}



def W_H():
    """Picture size of the older sets."""
    return 1600, 1200


def pick_subset(rng, spec, view, K=None, n=None, carriers=None):
    """Fibres of a specimen shown in one view; `carriers` given = unbiased sampling. Marks neighbours that are fused."""
    by = {}
    for f in spec["fibres"]:
        f["end"]["fused_with"] = None
        by.setdefault(f["carrier"], []).append(f)
    cs = list(by)
    if view == "tuft":
        out = list(spec["fibres"])
    else:
        both = spec["kind"] == "knot"
        K = K or (int(rng.integers(2, 5)) if view == "teased" else int(rng.integers(1, 3)))
        K = min(K, len(cs))
        sh = [c for c in cs if any(f["end"]["label"] == "sheared" for f in by[c])]
        te = [c for c in cs if any(f["end"]["label"] == "tensile" for f in by[c])]
        pick = []
        if both and sh and te and K >= 2:
            pick = [sh[rng.integers(len(sh))]]
            t = [c for c in te if c != pick[0]]
            if t:
                pick.append(t[rng.integers(len(t))])
        rest = [c for c in cs if c not in pick]
        rng.shuffle(rest)
        pick = (pick + rest)[:K]
        if carriers is not None:  # unbiased sampling for the specimens set
            pick = [c for c in carriers if c in by]; K = len(pick)
        out = []
        tot = n or (int(rng.integers(1, 9)) if view == "close" else None)
        for i, c in enumerate(pick):
            if view == "close":
                k = tot // K + (1 if i < tot % K else 0)
            else:
                k = n or int(rng.integers(4, 13))
            k = min(k, len(by[c]))
            mixed = len({f["end"]["label"] for f in by[c]}) > 1
            if mixed and carriers is None:
                b = next(j for j in range(1, len(by[c])) if by[c][j]["end"]["label"] != by[c][j - 1]["end"]["label"])
                a = int(np.clip(b - k // 2, 0, len(by[c]) - k))
            else:
                a = int(rng.integers(0, len(by[c]) - k + 1))
            if carriers is not None:
                out += [by[c][i] for i in sorted(rng.choice(len(by[c]), k, replace=False))]
            else:
                out += by[c][a:a + k]
    prev = None
    for f in out:
        if (prev is not None and prev["carrier"] == f["carrier"] and f["end"]["label"] == prev["end"]["label"] == "sheared"
                and prev["end"]["fused_with"] is None and rng.random() < spec["carriers"][f["carrier"]]["cut"]["fuse_p"]):
            f["end"]["fused_with"] = prev
        prev = f
    return out


def make_camera(rng):
    """Random camera: illumination, blur, noise, contrast."""
    g = rng.normal
    c = dict(uneven=abs(g(0, 0.35)), vignette=rng.uniform(0.0, 0.35), bloom=rng.uniform(0.05, 0.35), veil=abs(g(0, 0.008)),
             blur=rng.uniform(0.35, 1.15), ca=rng.choice([0, rng.uniform(0.0002, 0.0012)]), exposure=rng.uniform(0.75, 1.35),
             wb=(1 + g(0, 0.05), 1.0, 1 + g(0, 0.06)), shot=rng.uniform(0.012, 0.06), sat=rng.uniform(0.8, 1.3), contrast=rng.uniform(0.9, 1.15),
             bright=g(0, 0.02), sharpen=rng.choice([0, rng.uniform(0.2, 1.0)]), charge=rng.choice([0, rng.uniform(0.05, 0.4)]),
             gamma_sem=rng.uniform(1.1, 1.7), bgmax=rng.uniform(0.6, 1.0), jq=int(rng.integers(80, 96)))
    return c


def coc_per_um(mag, um):
    """Diameter of the blur circle in px per um of defocus."""
    na = float(np.clip(0.015 + 0.0004 * mag, 0.03, 0.45))
    return 2 * na / um


def move_of(i, n, breath, shift):
    """Magnification and shift (px) of frame i of n against the first, of a lens that breathes by so many percent over the series and a stage that wanders by so many px."""
    t = i / (n - 1)
    return 1 + breath / 100 * t, shift * np.sin(2.1 * i) * t, shift * np.cos(1.3 * i) * t


def moved(u8, zoom, dx, dy):
    """The picture magnified about its middle, then shifted."""
    if zoom == 1 and dx == 0 and dy == 0:
        return u8
    h, w = u8.shape[:2]
    to = np.array([[zoom, 0, (1 - zoom) * (w - 1) / 2 + dx], [0, zoom, (1 - zoom) * (h - 1) / 2 + dy]])
    return cv2.warpAffine(u8, to, (w, h), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)


def truth_doc(job, spec, um, infos, m, V, t1, zi, mask, W, H, ss, zf, coc, look, view, boxes, image, final):
    """Truth of one picture, schema fibre-ends-truth/1 (see README)."""
    nf = m["nf"]
    dmax = max(f["d"] for f in spec["fibres"])
    pad = int(5 * dmax / um * ss) + 8
    stamp = np.zeros((H * ss + 2 * pad, W * ss + 2 * pad), np.int32)
    solo = ra.solo_counts(V, m["F"], m["fid"], m["tip"], nf, stamp, pad, pad)
    vis = ra.visible_counts(t1, m["fid"], m["tip"], nf, mask, ss)
    lum = final.astype(np.float32).mean(2) if final is not None else None
    ends, partial = [], []
    for i, inf in enumerate(infos):
        q = sc.measure(inf, W, H, um)
        f = inf["fibre"]
        frac = float(vis[i] / solo[i]) if solo[i] > 0 else 0.0
        x, y = float(q["x"]), float(q["y"])
        ztip = float(inf["C"][-1, 2])
        dpx = abs(ztip - zf) * coc if coc > 0 else 0.0
        sub = inf["sub"]
        if inf["label"] == "sheared":
            if inf.get("fused"):
                sub = "fused_cut"
            elif q["face_nz"] > 0.6:
                sub = "end_on_cut"
        elif sub in ("bulb", "weak_bulb"):
            sub = "weak_bulb" if q["bulb_ratio"] < 1.3 else "bulb"
        inside = -0.5 <= x < W - 0.5 and -0.5 <= y < H - 0.5
        sd = q["shaft_diameter_px"]
        rec = dict(id=f["id"], carrier=f["carrier"], fibre=i, x_px=round(x, 2), y_px=round(y, 2), apex_x_px=round(float(q["apex"][0]), 2),
                   apex_y_px=round(float(q["apex"][1]), 2), axis_deg=round(q["axis_deg"], 2), label=inf["label"], subtype=sub,
                   shaft_diameter_px=round(sd, 3), bulb_ratio=round(q["bulb_ratio"], 3),
                   cut_angle_deg=round(abs(q["cut_signed"]), 2) if "cut_signed" in q else None,
                   cut_angle_signed_deg=round(q["cut_signed"], 2) if "cut_signed" in q else None,
                   cut_angle_3d_deg=round(q["cut3d"], 2) if "cut3d" in q else None,
                   face_nz=round(q["face_nz"], 3) if "face_nz" in q else None,
                   face_axis_ratio=round(q["face_axis_ratio"], 3) if "face_axis_ratio" in q else None,
                   end_flatness=None if q["end_flatness"] is None else round(q["end_flatness"], 4),
                   end_line_deg=None if q["end_line_deg"] is None else round(q["end_line_deg"], 2),
                   elevation_deg=round(q["elev_deg"], 1), visible_fraction=round(min(frac, 1.0), 3),
                   defocus_px=round(dpx, 2), gradable=bool(inside and frac >= 0.6 and dpx <= max(2.0, 0.12 * sd) and sd >= 6))
        if lum is not None and inside:
            r = int(max(3, 1.2 * sd)); xi, yi = int(round(x)), int(round(y))
            y0, y1, x0, x1 = max(0, yi - r), min(H, yi + r + 1), max(0, xi - r), min(W, xi + r + 1)
            tt = t1[y0 * ss:y1 * ss:ss, x0 * ss:x1 * ss:ss]
            own = (tt >= 0) & (m["fid"][np.maximum(tt, 0)] == i)
            L = lum[y0:y1, x0:x1]
            rec["local_contrast"] = round(float(abs(L[own].mean() - L[~own].mean()) / 255), 3) if own.sum() > 3 and (~own).sum() > 3 else 0.0
        if inside:
            ends.append(rec)
        elif vis[i] > 0:
            partial.append(rec)
    doc = dict(schema="fibre-ends-truth/1", image=image, width_px=W, height_px=H, um_per_px=round(um, 5), magnification=round(192 / um),
               view=view, look=look, family=f"braid/{look}", focus="single" if coc > 0 else "stacked", material=job["material"], specimen=spec["id"], specimen_kind=spec["kind"],
               specimen_carriers=spec["n_carriers"], specimen_fibres_per_carrier=spec["per_carrier"],
               specimen_sheared_fraction=round(spec["sheared_fraction"], 4), fibre_diameter_um=round(float(np.mean([f["d"] for f in spec["fibres"]])), 2),
               conventions="pixel (0,0) is the centre of the top-left pixel; x right, y down; axis_deg = atan2(dy, dx) in that frame, pointing out of the fibre",
               burnt_in_boxes=[[int(v) for v in b] for b in boxes], ends=ends, partial_ends=partial)
    return doc


def render(job):
    """Renders one job of the older sets: picture (or focus series) and truth. Returns the report row."""
    cv2.setNumThreads(1)
    t0 = time.time()
    rng = np.random.default_rng(job["seed"])
    W, H = job.get("size", W_H())
    ss = 2
    mag = job["mag"]; um = 192.0 / mag * 1600 / W
    spec = build_spec(job)
    look, view = job["look"], job["view"]
    subset = pick_subset(rng, spec, view, job.get("K"), job.get("n"), job.get("carriers"))
    posed, az, through, rot = sc.pose(rng, spec, view, subset, W, H, um, job.get("opts", {}))
    m, infos = sc.build(rng, spec, posed, az, through, W, H, um, ss, job.get("opts", {}))
    V = sc.to_buffer(m["P"], W, H, um, ss)
    LP = sh.light_params(look, rng, um / ss)
    bgk = job["bg"]
    bg = sh.background(bgk, rng, W, H, look, job.get("tint"))
    d0 = np.mean([f["d"] for f in subset])
    zbg = m["zlo"] - rng.choice([0.2, 2.0, 8.0]) * d0
    col, zi, t1, ao = sh.shade_scene(m, V, W, H, um, ss, look, LP, bg, rng, zbg=zbg)
    cam = make_camera(rng)
    if bgk == "white" and look != "trans":
        cam["exposure"] *= 0.85
    base = job["path"]
    name = os.path.basename(base)
    coc = coc_per_um(mag, um)
    ztips = np.array([inf["C"][-1, 2] for inf in infos])
    fgmask = (t1[::ss, ::ss] >= 0)
    results = []
    if job.get("stack"):
        sh.camera(col, look, np.random.default_rng(0), cam, fgmask)
        cam["fix_exposure"] = cam["used_exposure"]
        zz = zi[fgmask]
        lo, hi = np.percentile(zz, 1) - 0.4 * d0, np.percentile(zz, 99.5) + 0.3 * d0
        nfr = job["stack"]
        frames = []
        os.makedirs(base + "_frames", exist_ok=True)
        c0 = job["seed"] & 0xFFFF
        for i, zf in enumerate(np.linspace(lo, hi, nfr)):
            im = sh.defocus(col, zi, zf, coc, fgmask)
            u8 = sh.camera(im, look, np.random.default_rng([c0, i]), {**cam, "uneven": 0.1, "charge": 0})
            move = move_of(i, nfr, job.get("breath", 0.0), job.get("shift", 0.0))
            u8 = moved(u8, *move)
            fn = sh.save_image(u8, os.path.join(base + "_frames", f"f{i:02d}"), limit=0.9e6, q0=90)
            frames.append(dict(file=os.path.relpath(fn, os.path.dirname(base)), focus_z_um=round(float(zf - zi.min()), 3), move=[round(float(v), 6) for v in move]))
        u8 = sh.camera(col, look, np.random.default_rng([c0, 999]), {**cam, "uneven": 0.1, "charge": 0})
        dz = zi - zi.min()
        scale = float(max(dz.max(), 1e-3) / 65000)
        cv2.imwrite(base + "_depth.png", np.round(dz / scale).astype(np.uint16))
        fn = sh.save_image(u8, base + "_aif")
        mask = np.zeros((H, W), np.uint8)
        doc = truth_doc(job, spec, um, infos, m, V, t1, zi, mask, W, H, ss, 0.0, 0.0, look, view, [], os.path.basename(fn), u8)
        doc.update(frames=frames, depth_file=name + "_depth.png", depth_um_per_unit=scale, coc_diameter_px_per_um=round(coc, 5),
                   depth_note="16-bit, larger = nearer the objective; background carries the stage height",
                   breath_percent=job.get("breath", 0.0), shift_px=job.get("shift", 0.0))
        json.dump(doc, open(base + ".json", "w"), indent=1)
        return dict(image=os.path.basename(fn), doc=doc, sec=time.time() - t0)
    zf = 0.0
    if job.get("dof"):
        inz = ztips
        zf = float(np.quantile(inz, rng.uniform(0.3, 0.8)))
        coc_use = coc * job["dof"]
        col = sh.defocus(col, zi, zf, coc_use, fgmask)
    else:
        coc_use = 0.0
    u8 = sh.camera(col, look, rng, cam, fgmask)
    boxes, bar = [], None
    if job.get("bar", True):
        u8, boxes, bar = sh.scale_bar(u8, um, rng, look, mag)
    mask = np.zeros((H, W), np.uint8)
    for b in boxes:
        mask[b[1]:b[3], b[0]:b[2]] = 1
    if look == "sem":
        u8 = u8[..., :1].repeat(3, 2)
    fn = sh.save_image(u8, base, prefer_png=job.get("png", False), q0=cam["jq"])
    doc = truth_doc(job, spec, um, infos, m, V, t1, zi, mask, W, H, ss, zf, coc_use, look, view, boxes, os.path.basename(fn), u8)
    doc["scale_bar_um"] = bar
    doc.update(fibre_map.write(job, t1, m, ss))
    json.dump(doc, open(base + ".json", "w"), indent=1)
    return dict(image=os.path.basename(fn), doc=doc, sec=time.time() - t0)


def build_spec(job):
    """The specimen of a job: carriers, fibres, ends, material."""
    s = job["spec"]
    rng = np.random.default_rng(s["seed"])
    mats = MATERIALS
    mat = dict(mats[s["material"]])
    mat["core"] = tuple(c * float(rng.uniform(0.6, 0.9)) for c in mat["core"])
    mat["kink"] = float(rng.choice([0.0, 0.04, 0.12])); mat["stri"] = float(rng.uniform(0.015, 0.06))
    mat["inner_frac"] = float(rng.uniform(0.15, 0.55))
    return geo.make_specimen(rng, s["id"], s["kind"], s["n_carriers"], s["per_carrier"], mat, s.get("frac"), s["d"])
