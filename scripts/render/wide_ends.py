"""Fibre ends of the `wide` set: parameters of each kind, deformation of the shaft near the end, and the closing surface.

Lengths are in fibre diameters unless they say um. Local frame of an end: E1, E2 across, O outward along the fibre.
"""
import numpy as np
from raster import vnoise_arr

SHEARED = [("clean_cut", 0.30), ("flared_cut", 0.26), ("torn_cut", 0.14), ("crushed_cut", 0.09), ("frayed_cut", 0.09),
           ("rounded_cut", 0.06), ("chisel_cut", 0.06)]
TENSILE = [("round", 0.24), ("shell", 0.10), ("droop", 0.12), ("asym", 0.12), ("string", 0.08), ("weak_bulb", 0.10),
           ("taper", 0.11), ("split", 0.07), ("brush", 0.06)]
BULBS = ("round", "shell", "droop", "asym", "string", "weak_bulb")


def _pick(rng, table):
    names, w = zip(*table)
    return str(rng.choice(names, p=np.array(w) / sum(w)))


def sample_end(rng, label, cut=None, kind=None):
    """Random parameters of one end. `cut` = shared properties of a carrier's cut (angle, az, kind)."""
    u = rng.uniform
    e = dict(label=label, seed=float(u(0, 500)))
    if label == "sheared":
        e["kind"] = kind or (cut["kind"] if cut and rng.random() < 0.7 else _pick(rng, SHEARED))
        a = cut["angle"] + rng.normal(0, cut["sd"]) if cut else float(rng.choice([abs(rng.normal(0, 9)), u(0, 55)], p=[0.55, 0.45]))
        e.update(a=float(np.clip(a, -10, 66)), az=float(cut["az"] + rng.normal(0, 0.12) if cut else u(0, 2 * np.pi)), rough=u(0.01, 0.07),
                 flat=u(0, 0.2), burr=float(rng.choice([0, 1]) * u(0.03, 0.22)), rag=u(0.0, 0.05), lip=0.0, side=0.0, zone=1.0, dish=rng.normal(0, 0.05))
        k = e["kind"]
        if k == "flared_cut":
            e.update(wide=u(1.25, 2.5), thin=u(0.15, 0.7), zone=u(0.35, 2.0), side=float(rng.choice([0, 0, -1, 1]) * u(0.2, 0.8)), lip=rng.normal(0, 0.35),
                     fan=rng.normal(0, 0.22), rag=u(0.02, 0.16), pw=u(1.0, 2.6))
        elif k == "torn_cut":
            e.update(wide=u(0.8, 1.6), thin=u(0.3, 0.9), zone=u(0.6, 2.2), rag=u(0.2, 0.8), lip=rng.normal(0, 0.3), fan=rng.normal(0, 0.25), pw=u(0.8, 2), side=rng.normal(0, 0.3))
        elif k == "crushed_cut":
            e.update(wide=u(1.1, 1.6), thin=u(0.2, 0.5), zone=u(1.5, 4.0), rag=u(0.02, 0.15), fan=rng.normal(0, 0.08), pw=u(0.8, 1.5), side=rng.normal(0, 0.15))
        elif k == "frayed_cut":
            e.update(wide=u(0.9, 1.5), thin=u(0.5, 1.0), zone=u(0.8, 2.5), rag=u(0.08, 0.35), fibrils=int(rng.integers(3, 12)), flen=u(0.3, 1.4), fan=0.0, pw=1.0)
        elif k == "rounded_cut":
            e.update(dome=u(0.15, 0.5), a=float(rng.normal(0, 15)), wide=u(0.9, 1.15), thin=u(0.8, 1.0), zone=u(0.5, 1.5), fan=0.0, pw=1.0)
        elif k == "chisel_cut":
            e.update(a=u(55, 70), wide=u(0.9, 1.4), thin=u(0.4, 0.9), zone=u(1, 2.5), fan=0.0, pw=1.0)
        if "wide" in e:  # blades press fibres against their bed: mostly flattened in the picture plane (E1 lies in it)
            e["flare_az"] = float(rng.choice([-1, 1]) * np.pi / 2 + rng.normal(0, 0.45) if rng.random() < 0.7 else u(0, 2 * np.pi))
        return e
    k = kind or _pick(rng, TENSILE)
    e.update(kind=k, tilt=float(np.deg2rad(abs(rng.normal(0, 14)))), tilt_az=u(0, 6.28), off=float(abs(rng.normal(0, 0.1))), lob=u(0.08, 0.32),
             crumple=u(0.05, 0.22), ratio=1.3 + 1.5 * rng.beta(1.2, 2.0), h=u(0.4, 1.3), e1=u(0.55, 1.15), e2=u(0.5, 1.0), wisps=int(rng.choice([0, 1, 2, 4], p=[.6, .2, .13, .07])))
    if k == "shell":
        e.update(ratio=u(1.4, 2.8), h=u(0.5, 1.2), depth=u(0.3, 0.9), wall=u(0.08, 0.25))
    elif k == "droop":
        e.update(ratio=u(1.5, 3.0), h=u(0.5, 1.3), depth=u(0.4, 1.0))
    elif k == "asym":
        e.update(off=u(0.25, 0.6), tilt=u(0.3, 0.95))
    elif k == "weak_bulb":
        e.update(ratio=u(1.06, 1.28), lob=u(0.03, 0.1), crumple=u(0.02, 0.08), h=u(0.5, 1.2))
    elif k in ("taper", "split", "brush"):
        e.update(q=u(0.1, 0.5), lt=u(1.2, 6.0), fibrils=int(rng.integers(0, 6)))
        if k == "split":
            e.update(strands=int(rng.integers(2, 5)), lt=u(1.5, 5.0), open=u(0.08, 0.45))
        elif k == "brush":
            e.update(strands=int(rng.integers(8, 24)), lt=u(0.8, 3.0), open=u(0.15, 0.6))
    return e


def deform_shear(e, s, x1, x2, th, d):
    """Moves shaft points near a sheared end. s: (n,) um from the tip. Returns x1, x2, axial offset (um), all (n, M)."""
    r = d / 2
    azm = e["az"]
    ta = np.tan(np.deg2rad(e["a"]))
    tilt = x1 * np.cos(azm) + x2 * np.sin(azm)  # along the slope of the cut plane
    fz = e.get("flare_az", azm)
    cu, su = np.cos(fz), np.sin(fz)
    ou, ov = x1 * cu + x2 * su, -x1 * su + x2 * cu  # along and across the flattening direction
    z = e["zone"] * d
    w = np.clip(1 - s / z, 0, 1) ** e.get("pw", 1.5)
    if "wide" in e:
        w = w * w * (3 - 2 * w) if e["kind"] == "crushed_cut" else w
        fw = (1 + (e["wide"] - 1) * w)[:, None]
        ft = (1 + (e["thin"] - 1) * w)[:, None]
        ov = ov * fw + (e["side"] * (e["wide"] - 1) * r * w)[:, None]
        ou = ou * ft + (e["lip"] * r * w * w)[:, None] * (0.4 + 0.6 * (ov / (r * e["wide"])) ** 2)
    else:
        w2 = np.exp(-(s / (0.75 * d)) ** 2)[:, None] * e["flat"]
        ou = ou * (1 - w2); ov = ov * (1 + 0.8 * w2)
    wa = np.clip(1 - s / (3 * r * abs(ta) + 2 * r), 0, 1)[:, None]
    ax = -ta * tilt * wa
    if e["kind"] == "chisel_cut" or "wide" in e:
        ax = ax + e.get("fan", 0.0) * d * ((ov / r) ** 2 - 1).clip(-1, 4) * (w[:, None] ** 2)
    M = len(th)
    n1 = vnoise_arr(np.stack([th * 0 + np.cos(th) * 2.2 + e["seed"], np.sin(th) * 2.2, np.zeros(M)], -1))
    n2 = vnoise_arr(np.stack([np.cos(th) * 5 + e["seed"], np.sin(th) * 5, np.full(M, 7.0)], -1))
    rag = (0.7 * n1 + 0.5 * n2) * e["rag"] * d
    bs = np.exp(-(np.angle(np.exp(1j * (th - azm))) / 0.75) ** 2) * (0.7 + 0.5 * n1) * e["burr"] * d
    near = np.exp(-(s / (0.35 * d)) ** 2)[:, None]
    ax = ax + (rag + 0.7 * bs)[None] * near
    grow = 1 + 0.6 * (bs / r)[None] * np.exp(-(s / (0.15 * d)) ** 2)[:, None]
    ou = ou * grow; ov = ov * grow
    return ou * cu - ov * su, ou * su + ov * cu, ax


def shear_face(e, rim, O, d):
    """Closing surface of a cut, rows from the rim to the centre; also the face normal of the fitted plane."""
    cen = rim.mean(0)
    kr = 7
    fr = np.linspace(1.0, 0.0, kr)
    M = len(rim)
    sv = np.linalg.svd(rim - cen)[2][2]
    n = sv if sv @ O > 0 else -sv
    FG = cen + (rim - cen)[None] * np.maximum(fr, 1e-3)[:, None, None]
    if e["kind"] == "torn_cut":  # ragged rims pull toward their mean inside
        FG = FG - (((FG - cen) @ O) * (1 - fr)[:, None] * 0.6)[..., None] * O
    bump = (1 - fr ** 2) * (e.get("dome", 0.0) + e.get("dish", 0.0)) * d
    FG = FG + bump[:, None, None] * O
    nn = vnoise_arr((FG.reshape(-1, 3) - cen) / (0.3 * d) + e["seed"]).reshape(kr, M)
    FG = FG + (nn * e["rough"] * d * np.minimum(1, (1 - fr) * 4)[:, None])[..., None] * n
    FG[-1] = FG[-1].mean(0)
    return FG, n


def cap_profile(e, d, nt):
    """Axial (0 = outermost, negative inward) and radial profile of a cap in um, from the shaft to the pole."""
    r = d / 2; W = e["ratio"] * r; h = e["h"] * d
    if e["kind"] == "shell":
        wl = e["wall"] * d
        pts = [(-h, 0.85 * r), (-0.75 * h, 0.9 * r + 0.35 * (W - r)), (-0.35 * h, 0.95 * W), (-0.08 * h, W), (0, W - 0.5 * wl), (-0.05 * h, W - wl),
               (-0.3 * h * e["depth"] - 0.1 * h, 0.8 * (W - wl)), (-0.85 * h * e["depth"], 0.45 * W), (-0.95 * h * e["depth"], 0.0)]
    elif e["kind"] == "droop":
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


def taper_scale(e, s, d, th):
    """Radius factor (n, M) along a tapering end."""
    u = np.clip(s / (e["lt"] * d), 0, 1)
    if e["kind"] in ("split", "brush"):  # the shaft stops where the strands begin
        return np.ones((len(s), len(th)))
    prof = e["q"] + (1 - e["q"]) * (u * u * (3 - 2 * u))
    n = vnoise_arr(np.stack([np.repeat(s / (0.7 * d), len(th)) + e["seed"], np.tile(np.cos(th) * 1.3, len(s)), np.tile(np.sin(th) * 1.3, len(s))], -1)).reshape(len(s), -1)
    return np.maximum(prof[:, None] * (1 + 0.45 * n * (1 - u)[:, None]), 0.05)
