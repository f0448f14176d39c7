"""Shapes of fibre ends: how the shaft is deformed near the end, and the surface that closes it. Parameters come from forms.py.

Lengths are in fibre diameters unless they say um. Local frame of an end: E1, E2 across, O outward along the fibre.
"""
import numpy as np
from raster import vnoise_arr


def front(e, u, v):
    """Height (diameters, outward) of a cut's surface at places (u, v) across the fibre (diameters): plane, steps and roughness."""
    h = -np.tan(np.deg2rad(e["a"])) * (u * np.cos(e["az"]) + v * np.sin(e["az"]))
    for turn, at, height, wall in e["steps"]:
        q = (u * np.cos(turn) + v * np.sin(turn) - at) / wall
        h = h + height * (1 / (1 + np.exp(-np.clip(q, -30, 30))) - 0.5)
    if e["rag"] > 0:
        p = np.stack([2.6 * u + e["seed"], 2.6 * v, np.zeros_like(u)], -1).reshape(-1, 3)
        h = h + e["rag"] * (0.9 * vnoise_arr(p) + 0.5 * vnoise_arr(2.3 * p)).reshape(u.shape)
    return h


def _flare(e, s, x1, x2, d):
    """Widens, thins and bends the last part of the shaft. Returns x1, x2 and the axial bulge (um) of its front."""
    r = d / 2
    c, q = np.cos(e["flare_az"]), np.sin(e["flare_az"])
    ou, ov = x1 * c + x2 * q, -x1 * q + x2 * c  # along and across the pressing direction
    w = np.clip(1 - s / (e["zone"] * d), 0, 1) ** e["pw"]
    w = (w * w * (3 - 2 * w) if e.get("soft") else w)[:, None]
    if e.get("crease"):
        k = 1 + e["crease"] * w * np.cos(e["creases"] * np.arctan2(ov, ou) + e["seed"])
        ou, ov = ou * k, ov * k
    ov = ov * (1 + 2 * np.where(ov > 0, e["flare"][0], e["flare"][1]) * w)
    ou = ou * (1 + (e["thin"] - 1) * w) + e["lip"] * r * w * w * (0.4 + 0.6 * np.clip(ov / (1.5 * r), -1, 1) ** 2)
    bulge = e["fan"] * d * ((ov / r) ** 2 - 1).clip(-1, 4) * w ** 2
    return ou * c - ov * q, ou * q + ov * c, bulge


def deform_cut(e, s, x1, x2, th, d):
    """Moves shaft points near a cut. s: (n,) um from the tip; x1, x2: (n, M). Returns x1, x2 and the offset along the fibre (um)."""
    r = d / 2
    bulge = 0.0
    if "flare" in e:
        x1, x2, bulge = _flare(e, s, x1, x2, d)
    else:  # a slight flattening along the slope of the cut
        c, q = np.cos(e["az"]), np.sin(e["az"])
        ou, ov = x1 * c + x2 * q, -x1 * q + x2 * c
        w = np.exp(-(s / (0.75 * d)) ** 2)[:, None] * e["flat"]
        ou, ov = ou * (1 - w), ov * (1 + 0.8 * w)
        x1, x2 = ou * c - ov * q, ou * q + ov * c
    h = front(e, x1 / d, x2 / d) * d
    reach = 1.6 * float(np.abs(h[np.argmin(s)]).max()) + d
    ax = h * np.clip(1 - s / reach, 0, 1)[:, None] + bulge
    if e["burr"]:
        n = vnoise_arr(np.stack([np.cos(th) * 2.2 + e["seed"], np.sin(th) * 2.2, np.zeros(len(th))], -1))
        b = np.exp(-(np.angle(np.exp(1j * (th - e["az"]))) / 0.75) ** 2) * (0.7 + 0.5 * n) * e["burr"] * d
        ax = ax + 0.7 * b[None] * np.exp(-(s / (0.35 * d)) ** 2)[:, None]
        grow = 1 + 0.6 * (b / r)[None] * np.exp(-(s / (0.15 * d)) ** 2)[:, None]
        x1, x2 = x1 * grow, x2 * grow
    return x1, x2, ax


def cut_face(e, rim, local, tip, frame, d):
    """Closing surface of a cut, rows from the rim to the centre, and the normal of the plane that fits the rim.

    rim: (M, 3) um; local: (M, 2) its places across the fibre (um); frame: E1, E2, O.
    """
    E1, E2, O = frame
    fr = np.linspace(1.0, 0.0, 9)
    xy = local[None] * np.maximum(fr, 1e-3)[:, None, None]
    h = front(e, xy[..., 0] / d, xy[..., 1] / d) * d + (1 - fr ** 2)[:, None] * e["dome"] * d
    FG = tip + xy[..., :1] * E1 + xy[..., 1:] * E2 + h[..., None] * O
    FG += (rim - FG[0])[None] * fr[:, None, None] ** 2  # burrs and bulges end at the rim
    cen = rim.mean(0)
    sv = np.linalg.svd(rim - cen)[2][2]
    n = sv if sv @ O > 0 else -sv
    nn = vnoise_arr((FG.reshape(-1, 3) - cen) / (0.3 * d) + e["seed"]).reshape(FG.shape[:2])
    FG += (nn * e["rough"] * d * np.minimum(1, (1 - fr) * 4)[:, None])[..., None] * n
    FG[-1] = FG[-1].mean(0)
    return FG, n


def shaft_scale(e, s, d, th):
    """Radius factors (n, M) across two directions of a tensile end's shaft: taper, tail or the neck behind a cap."""
    one = np.ones((len(s), len(th)))
    u = s / d
    if e["kind"] == "cap":
        g = np.exp(-((u - 0.6 * e["h"] - e["neck_at"]) / e["neck_len"]) ** 2)
        return (1 + (e["neck"] - 1) * g)[:, None] * one, one
    if e["kind"] == "taper":
        t = np.clip(u / e["lt"], 0, 1)
        shape = t * t * (3 - 2 * t) if e["form"] != "cone" else t ** e["tend"]
        prof, w = e["q"] + (1 - e["q"]) * shape, 1 - t
    elif e["kind"] == "tail":
        t = np.clip((u - e["tail"]) / e["neck_len"], 0, 1)
        prof, w = e["w"] + (1 - e["w"]) * t * t * (3 - 2 * t), 1 - t
        prof = prof + e["shoulder"] * np.exp(-((u - e["lt"]) / (0.5 + 0.3 * e["neck_len"])) ** 2)
        if e["form"] == "pointed":
            prof = prof * np.clip(0.12 + u / (0.45 * e["tail"]), 0, 1)
        elif e["form"] == "knob":
            prof = prof * (1 + (e["knob"] - 1) * np.exp(-((u - 0.5 * e["w"]) / (0.6 * e["w"])) ** 2))
    elif e["kind"] == "brush":  # a stump that may thin before it divides
        t = np.clip((u - e["lt"]) / max(e["stump"], 0.05), 0, 1)
        return (e["q"] + (1 - e["q"]) * t)[:, None] * one, one
    else:
        return one, one
    p = np.stack([np.repeat(u / 0.7, len(th)) + e["seed"], np.tile(np.cos(th) * 1.3, len(s)), np.tile(np.sin(th) * 1.3, len(s))], -1)
    prof = np.maximum(prof[:, None] * (1 + e["lump"] * vnoise_arr(p).reshape(len(s), -1) * w[:, None]), 0.02)
    return prof, prof * (1 + (e["blade"] - 1) * w[:, None])


def cap_profile(e, d, nt):
    """Axial (0 = outermost, negative inward) and radial profile of a cap in um, from the shaft to the pole."""
    r = d / 2; W = e["ratio"] * r; h = e["h"] * d
    if e["form"] == "hollow":
        wl = e["wall"] * d
        pts = [(-h, 0.85 * r), (-0.75 * h, 0.9 * r + 0.35 * (W - r)), (-0.35 * h, 0.95 * W), (-0.08 * h, W), (0, W - 0.5 * wl), (-0.05 * h, W - wl),
               (-0.3 * h * e["depth"] - 0.1 * h, 0.8 * (W - wl)), (-0.85 * h * e["depth"], 0.45 * W), (-0.95 * h * e["depth"], 0.0)]
    elif e["form"] == "droop":
        sag = h * e["depth"]
        pts = [(-0.35 * h, 0.8 * r), (-0.45 * h, 0.5 * (r + W)), (-0.6 * h - 0.5 * sag, 0.93 * W), (-0.5 * h - 0.45 * sag, W), (-0.3 * h - 0.2 * sag, 0.93 * W),
               (-0.12 * h, 0.66 * W), (-0.03 * h, 0.35 * W), (0, 0.0)]
    else:
        c0 = min(0.98, 0.85 * r / W) ** (1 / e["e2"])
        phi = np.linspace(-np.arccos(np.clip(c0, 0, 1)), np.pi / 2, nt)
        sp, cp = np.sin(phi), np.cos(phi)
        return -h / 2 + h / 2 * np.sign(sp) * np.abs(sp) ** e["e1"], W * np.maximum(np.abs(cp), 1e-4) ** e["e2"]
    p = np.array(pts)
    t = np.r_[0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
    q = np.linspace(0, t[-1], nt)
    return np.interp(q, t, p[:, 0]), np.maximum(np.interp(q, t, p[:, 1]), 1e-3)


def cap_surface(e, tip, E1, E2, O, th, d, pxum):
    """Cap of a tensile end as a grid (rows: shaft to pole)."""
    r = d / 2; W = e["ratio"] * r; h = e["h"] * d
    nt = int(np.clip(np.pi * W / pxum / 3.0, 16, 48))
    aa, rho = cap_profile(e, d, nt)
    M = len(th)
    loc = np.stack([rho[:, None] * np.cos(th)[None], rho[:, None] * np.sin(th)[None], np.broadcast_to((aa + h / 2)[:, None], (nt, M))], -1)
    dirn = (loc / np.array([W, W, max(h / 2, 0.4 * W)])).reshape(-1, 3)
    es = e["seed"]
    lo = vnoise_arr(dirn * 1.15 + es); mi = 1 - 2 * np.abs(vnoise_arr(dirn * 2.6 + es * 1.7)); hi = 1 - 2 * np.abs(vnoise_arr(dirn * 5.7 + es * 2.3))
    disp = (1.6 * e["lob"] * lo + 0.8 * e["crumple"] * mi + 0.4 * e["crumple"] * hi).reshape(nt, M)
    base = np.clip(np.arange(nt) / 3.0, 0, 1)[:, None, None]
    loc = loc * (1 + disp[..., None] * np.array([1, 1, 0.8]) * base)
    if e["ragrim"]:
        rim = vnoise_arr(np.stack([np.cos(th) * 4 + es, np.sin(th) * 4, np.full(M, es)], -1))
        loc[..., :2] *= (1 + e["ragrim"] * rim[None] * np.clip(rho / W, 0, 1)[:, None] ** 3 * base[..., 0])[..., None]
    loc[..., :2] *= W / np.max(np.linalg.norm(loc[..., :2], axis=2), axis=0).mean()
    loc[-1] = loc[-1].mean(0)
    sk = vnoise_arr(np.stack([np.cos(th) * 1.6 + es, np.sin(th) * 1.6, np.full(M, es)], -1))
    wr = np.clip((np.linalg.norm(loc[..., :2], axis=2) - r) / max(W - r, 0.1 * r), 0, 1.2)
    loc[..., 2] += 0.34 * d * sk[None] * wr * min(1.0, e["ratio"] - 1)
    t, tz = e["tilt"], e["tilt_az"]
    kx = np.array([-np.sin(tz), np.cos(tz), 0]); c, s = np.cos(t), np.sin(t)
    K = np.array([[0, -kx[2], kx[1]], [kx[2], 0, -kx[0]], [-kx[1], kx[0], 0]])
    R = c * np.eye(3) + s * K + (1 - c) * np.outer(kx, kx)
    loc = (loc + [0, 0, h / 2]) @ R.T - [0, 0, h / 2]
    k = min(1, 2 * (e["ratio"] - 1)) * e["off"] * d
    loc[..., 0] += k * np.cos(tz); loc[..., 1] += k * np.sin(tz)
    return tip - O * (h / 2) + loc[..., 0:1] * E1 + loc[..., 1:2] * E2 + loc[..., 2:3] * O
