"""Truth of fibre ends, measured from their projected meshes and the visibility buffer, never from nominal parameters."""
import numpy as np

import raster as ra
import scene as sc

CONVENTIONS = "pixel (0,0) is the centre of the top-left pixel; x right, y down; axis_deg = atan2(dy, dx) in that frame, pointing out of the fibre"


def rings(info, W, H, um):
    """Distance from the tip (um) of the shaft's rings and how far each reaches from the centre line to the right and left (px), base to tip."""
    s, C = info["s"], sc.to_px(info["C"], W, H, um)
    G = sc.to_px(info["G"], W, H, um)
    Cg = np.stack([np.interp(info["s_side"], s[::-1], C[::-1, k]) for k in range(2)], -1)
    a = np.gradient(Cg, axis=0)
    a /= np.maximum(np.linalg.norm(a, axis=1, keepdims=True), 1e-9)
    q = (G - Cg[:, None]) @ np.stack([-a[:, 1], a[:, 0]], -1)[..., None]
    q = q[..., 0]
    return info["s_side"], q.max(1), -q.min(1)


def _moved(info, cut):
    """The same end with its tip `cut` um further back: what lies beyond is left out of the shaft."""
    keep, side = info["s"] >= cut, info["s_side"] >= cut
    s = np.r_[info["s"][keep], cut]
    at = np.array([np.interp(cut, info["s"][::-1], info["C"][::-1, k]) for k in range(3)])
    return {**info, "s": s - cut, "C": np.r_[info["C"][keep], at[None]], "T": np.r_[info["T"][keep], info["T"][keep][-1:]], "s_side": info["s_side"][side] - cut, "G": info["G"][side]}


def measure(info, W, H, um):
    """All measures of one end (see README, Truth schema): those of scene.measure() and what only some forms have."""
    kind, d = info["end"]["kind"], info["d"]
    extra = {}
    if kind in ("split", "brush"):  # the shaft's axis and diameter before it divides; the tip where the strands end on average
        lt = info["end"]["lt"] * d
        q = sc.measure({**_moved(info, lt), "h": 0.0}, W, H, um)
        q["x"], q["y"] = sc.to_px(info["tip3"], W, H, um)
        base = sc.to_px(info["base3"], W, H, um)
        extra = dict(strands=info["end"]["strands"], divided_length_d=float((np.array([q["x"], q["y"]]) - base) @ q["axis"] / q["shaft_diameter_px"]))
    elif kind in ("taper", "tail"):
        s, right, left = rings(info, W, H, um)
        wide = np.where(right + left >= 1.0)[0]  # the fibre visibly ends where it is a pixel wide
        cut = float(s[wide[-1]]) if len(wide) else 0.0
        q = sc.measure({**_moved(info, cut), "sub": "taper", "lt": max(info["lt"] - cut, 0.0)} if cut > 0 else {**info, "sub": "taper"}, W, H, um)
        if kind == "tail":
            extra = _tail(info, s - cut, right + left, q["shaft_diameter_px"], um)
    else:
        q = sc.measure(info, W, H, um)
        extra = _cut(info, q, W, H, um) if kind == "cut" else _neck(info, q, W, H, um)
    q.update(extra)
    return q


def _neck(info, q, W, H, um):
    """Narrowest width within two diameters behind a cap, over the shaft's."""
    s, right, left = rings(info, W, H, um)
    zone = (s >= info["h"]) & (s <= info["h"] + 2.0 * info["d"])
    return dict(neck_width_d=float((right + left)[zone].min() / q["shaft_diameter_px"])) if zone.any() else {}


def _tail(info, s, width, shaft, um):
    """Width and length of a drawn tail: the last stretch narrower than 0.65 of the shaft; lengths along the centre line."""
    thin = (width < 0.65 * shaft) & (s >= 0)
    if not thin.any():
        return {}
    start = float(s[thin].max())
    inner = thin & (s <= 0.85 * start) & (s >= 0.1 * start)
    body = width[inner if inner.any() else thin]
    flat = np.linalg.norm(np.diff(info["C"][:, :2], axis=0), axis=1).sum() / max(np.linalg.norm(np.diff(info["C"], axis=0), axis=1).sum(), 1e-9)
    return dict(tail_width_d=float(np.median(body) / shaft), tail_length_d=float(start * flat / um / shaft), neck_width_d=float(width[thin & (s >= 0.5 * start)].min() / shaft))


def _cut(info, q, W, H, um):
    """Flare by side, and for torn cuts the height of the step."""
    s, right, left = rings(info, W, H, um)
    near = s <= 1.5 * info["d"]
    half = q["shaft_diameter_px"] / 2
    face = sc.to_px(info["face"].reshape(-1, 3), W, H, um)
    C = sc.to_px(info["C"][-1], W, H, um)
    across = (face - C) @ np.array([-q["axis"][1], q["axis"][0]])
    r, l = max(right[near].max(), across.max()), max(left[near].max(), -across.min())
    out = dict(flare_right_d=float(max(r - half, 0) / (2 * half)), flare_left_d=float(max(l - half, 0) / (2 * half)))
    if info["end"]["subtype"] == "torn_cut":
        along = (face - C) @ q["axis"]
        bins = np.clip(((across + 0.45 * 2 * half) / (0.9 * 2 * half) * 18).astype(int), -1, 18)
        prof = np.array([along[bins == b].max() if (bins == b).any() else np.nan for b in range(18)])
        if np.isfinite(prof).all():
            jump = prof[3:] - prof[:-3]  # over 0.15 diameters
            out["step_height_d"] = float(np.abs(jump - np.median(jump)).max() / (2 * half))
    return out


def _word(info, q):
    """Subtype of the truth: as sampled, but seen along the axis, fused, or by the measured ratio."""
    sub = info["end"]["subtype"]
    if info["label"] == "sheared":
        return "fused_cut" if info.get("fused") else "end_on_cut" if q["face_nz"] > 0.6 and sub == "clean_cut" else sub
    if sub in ("bulb", "weak_bulb"):
        return "weak_bulb" if q["bulb_ratio"] < 1.3 else "bulb"
    return sub


def _r(v, k=2):
    return None if v is None or not np.isfinite(v) else round(float(v), k)


def record(info, q, frac, blur, size):
    """One end of the truth document; None when it cannot be measured."""
    W, H = size
    x, y, sd = float(q["x"]), float(q["y"]), float(q["shaft_diameter_px"])
    if not (np.isfinite([x, y, sd]).all() and sd > 0):
        return None
    inside = -0.5 <= x < W - 0.5 and -0.5 <= y < H - 0.5
    form = "oblique" if info["end"]["form"] == "clean" and abs(q.get("cut_signed", 0)) > 30 else info["end"]["form"]
    rec = dict(id=info["id"], carrier=info["carrier"], fibre=int(info["fid"]), x_px=_r(x), y_px=_r(y), apex_x_px=_r(q["apex"][0]), apex_y_px=_r(q["apex"][1]), axis_deg=_r(q["axis_deg"]),
               label=info["label"], subtype=_word(info, q), form=form, shaft_diameter_px=_r(sd, 3), bulb_ratio=_r(q["bulb_ratio"], 3),
               cut_angle_deg=_r(abs(q["cut_signed"])) if "cut_signed" in q else None, cut_angle_signed_deg=_r(q.get("cut_signed")), cut_angle_3d_deg=_r(q.get("cut3d")),
               face_nz=_r(q.get("face_nz"), 3), face_axis_ratio=_r(q.get("face_axis_ratio"), 3), end_flatness=_r(q["end_flatness"], 4), end_line_deg=_r(q["end_line_deg"]),
               elevation_deg=_r(q["elev_deg"], 1), strands=q.get("strands", 1), visible_fraction=round(frac, 3), defocus_px=_r(blur),
               gradable=bool(inside and frac >= 0.6 and blur <= max(2.0, 0.12 * sd) and sd >= 6))
    for name in ("divided_length_d", "tail_width_d", "tail_length_d", "neck_width_d", "flare_left_d", "flare_right_d", "step_height_d"):
        rec[name] = _r(q.get(name), 3)
    return rec


def ends(infos, m, V, t1, mask, p, zf, coc, u8):
    """Records of all ends: those whose tip lies in the frame, and those of which only a part does.

    m: mesh arrays with `eid`; V: its vertices in the buffer; t1: visibility buffer; mask: pixels drawn over; p: W, H, um, px, ss.
    """
    W, H, um, ss = p["W"], p["H"], p["um"], p["ss"]
    n = len(infos)
    pad = min(int(14 * p["px"] * ss), 1400) + 8
    stamp = np.zeros((H * ss + 2 * pad, W * ss + 2 * pad), np.int32)
    solo = ra.solo_counts(V, m["F"], m["eid"], m["tip"], n, stamp, pad, pad)
    vis = ra.visible_counts(t1, m["eid"], m["tip"], n, mask, ss)
    lum = u8.astype(np.float32).mean(2)
    whole, partial = [], []
    for i, info in enumerate(infos):
        q = measure(info, W, H, um)
        frac = float(min(1.0, vis[i] / solo[i])) if solo[i] > 0 else 0.0
        rec = record(info, q, frac, abs(float(info["C"][-1, 2]) - zf) * coc, (W, H))
        if rec is None:
            continue
        if -0.5 <= q["x"] < W - 0.5 and -0.5 <= q["y"] < H - 0.5:
            rec["local_contrast"] = contrast(lum, t1, m["eid"], i, (q["x"], q["y"], rec["shaft_diameter_px"]), ss)
            whole.append(rec)
        elif vis[i] > 0:
            partial.append(rec)
    return whole, partial


def contrast(lum, t1, eid, i, place, ss):
    """Absolute difference of mean grey inside and around the tip, 0-1."""
    H, W = lum.shape
    x, y, sd = place
    r = int(max(3, 1.2 * sd)); xi, yi = int(round(x)), int(round(y))
    y0, y1, x0, x1 = max(0, yi - r), min(H, yi + r + 1), max(0, xi - r), min(W, xi + r + 1)
    t = t1[y0 * ss:y1 * ss:ss, x0 * ss:x1 * ss:ss]
    own = (t >= 0) & (eid[np.maximum(t, 0)] == i)
    L = lum[y0:y1, x0:x1]
    return round(float(abs(L[own].mean() - L[~own].mean()) / 255), 3) if own.sum() > 3 and (~own).sum() > 3 else 0.0
