"""Triangle meshes of the `wide` set's fibres: ribbons, varying width, grooves, one or two ends each.

Input: a 3-D centre line and end parameters. Output: grids added to a WideMesh and one truth `info` per end,
in the form scene.measure() reads.
"""
import numpy as np
from geometry import Mesh, _transport, SIDE, FACE, BULB, WISP
from raster import vnoise_arr
import wide_ends as we
import wide_paths as wp

TIP_ZONE = 1.5  # diameters


class WideMesh(Mesh):
    """Mesh that also records which end a tip triangle belongs to (one object may have two ends)."""

    def __init__(self):
        super().__init__()
        self.eid = []

    def add(self, P, rest, S, fid, zone, eid=-1, tip=None):
        """Adds a closed-in-theta grid; `tip` (rows, M) marks vertices of the tip zone of end `eid` (or per-vertex ids)."""
        n0 = self.nv
        self.add_grid(P, rest, S, fid, zone)
        f = self.F[-1] - n0
        ids = np.full(P.shape[:2], eid, np.int32) if np.isscalar(eid) else np.broadcast_to(eid, P.shape[:2])
        self.eid.append(ids.reshape(-1)[f[:, 0]].astype(np.int32))
        self.tip[-1] = np.ones(len(f), np.bool_) & (self.eid[-1] >= 0)

    def finish(self):
        """Dictionary of arrays, with `eid` per triangle."""
        m = self.done()
        m["eid"] = np.concatenate(self.eid)
        return m


def sample_shape(rng, kind):
    """Cross-section of a fibre. kind: round | oval | ribbon | grooved | lumpy | crumpled."""
    u = rng.uniform
    sh = dict(flat=1 - abs(rng.normal(0, 0.05)), twist=0.0, phase=u(0, np.pi), vary=abs(rng.normal(0, 0.03)), vcorr=u(4, 14), groove=0.0, lobes=int(rng.integers(2, 6)), seed=u(0, 400))
    if kind == "oval":
        sh.update(flat=u(0.55, 0.9), twist=rng.normal(0, 0.06))
    elif kind == "ribbon":
        sh.update(flat=u(0.14, 0.5), twist=rng.normal(0, 0.25), vary=u(0.05, 0.2), groove=u(0, 0.12))
    elif kind == "grooved":
        sh.update(flat=u(0.6, 1.0), groove=u(0.06, 0.2), twist=rng.normal(0, 0.05), vary=u(0.02, 0.1))
    elif kind == "lumpy":
        sh.update(flat=u(0.6, 1.0), vary=u(0.1, 0.22), vcorr=u(1.2, 6), twist=rng.normal(0, 0.1), groove=u(0, 0.1))
    elif kind == "crumpled":
        sh.update(flat=u(0.15, 0.6), twist=rng.normal(0, 0.35), vary=u(0.08, 0.25), vcorr=u(1.5, 6), groove=u(0.08, 0.3), lobes=int(rng.integers(2, 5)))
    return sh


def _rows(L, d, dpx, ends):
    """Arc lengths of the rings, dense near ends."""
    fine = 0.12 * d if dpx > 24 else 0.18 * d
    coarse = 0.45 * d
    z = 5.0 * d
    near = np.r_[0, 0.03 * d, 0.08 * d, np.arange(fine, z, fine)]
    s = np.arange(0, L, coarse)
    if ends[0] is not None:
        s = np.r_[near[near < L / 2], s[s > min(z, L / 2)]]
    if ends[1] is not None:
        t = L - near
        s = np.r_[s[s < max(L - z, L / 2)], t[t >= L / 2][::-1]]
    s = np.unique(np.clip(s, 0, L))
    return s[np.r_[True, np.diff(s) > 1e-6 * d]]


def _section(sh, d, s, th):
    """Local coordinates (n, M) of the undeformed cross-sections."""
    n, M = len(s), len(th)
    sd = sh["seed"]
    v = vnoise_arr(np.stack([s / (sh["vcorr"] * d), np.full(n, sd), np.zeros(n)], -1))
    v2 = vnoise_arr(np.stack([s / (sh["vcorr"] * d), np.full(n, sd + 50), np.zeros(n)], -1))
    a = d / 2 * np.clip(1 + 1.6 * sh["vary"] * v, 0.55, 1.5)
    b = d / 2 * sh["flat"] * np.clip(1 + 1.2 * sh["vary"] * v2, 0.55, 1.5)
    g = 1 + sh["groove"] * np.cos(sh["lobes"] * th[None] + 2 * v2[:, None]) * (0.6 + 0.4 * v[:, None])
    x, y = a[:, None] * np.cos(th)[None] * g, b[:, None] * np.sin(th)[None] * g
    tw = vnoise_arr(np.stack([s / (9 * d), np.full(n, sd + 90), np.zeros(n)], -1))
    phi = sh["phase"] + np.cumsum(sh["twist"] * (1 + 2.0 * tw)) * np.gradient(s) / d
    c, q = np.cos(phi)[:, None], np.sin(phi)[:, None]
    return x * c - y * q, x * q + y * c


def strand(mesh, rng, p0, dir0, length, rad, fid, eid, curl, flat=None):
    """Thin tapering strand; returns its points (n, M, 3)."""
    n, M = 14, 7
    d = dir0 / np.linalg.norm(dir0)
    ax = rng.normal(size=3); ax /= np.linalg.norm(ax)
    T = np.empty((n, 3)); P = np.empty((n, 3))
    P[0], T[0] = p0, d
    for i in range(1, n):
        d = d + curl / n * np.cross(ax, d) * (0.4 + 1.4 * i / n) + rng.normal(size=3) * 0.06
        d /= np.linalg.norm(d)
        P[i], T[i] = P[i - 1] + d * length / (n - 1), d
    e = np.cross(T[0], [0.3, 0.5, 0.81]); e /= np.linalg.norm(e)
    E1 = _transport(T, e); E2 = np.cross(T, E1)
    th = np.arange(M) * 2 * np.pi / M
    r = rad * (1 - 0.7 * np.linspace(0, 1, n) ** 1.5); r[-1] *= 0.05
    fl = rng.uniform(0.3, 1.0) if flat is None else flat
    G = P[:, None] + r[:, None, None] * (np.cos(th)[None, :, None] * E1[:, None] + fl * np.sin(th)[None, :, None] * E2[:, None])
    rest = np.broadcast_to(np.stack([np.cos(th) * rad, np.sin(th) * rad, np.zeros(M)], -1)[None], G.shape).copy()
    rest[..., 2] = np.linspace(0, length, n)[:, None]
    mesh.add(G, rest, np.zeros((n, 1)), fid, WISP, eid)
    return G


def add_fibre(mesh, rng, path, d, shape, ends, fid, eids, pxum):
    """Builds one fibre. ends = (end at the first point or None, end at the last point or None), eids their ids.

    Returns the truth infos of its ends.
    """
    dpx = d / pxum
    M = int(np.clip(np.pi * dpx / 3.5, 10, 48))
    th = np.arange(M) * 2 * np.pi / M
    L = wp.path_length(path)
    s = _rows(L, d, dpx, ends)
    P, T = wp.resample(path, s)
    e0 = np.array([-T[0, 1], T[0, 0], 0.0]); e0 /= max(np.linalg.norm(e0), 1e-9)
    E1 = _transport(T.copy(), e0)
    E2 = np.cross(T, E1)
    x1, x2 = _section(shape, d, s, th)
    ax = np.zeros_like(x1)
    sgn = (-1.0, 1.0)
    lo, hi = 0, len(s)
    zone_id = np.full((len(s), 1), -1, np.int32)
    dist = (s, L - s)
    for q in (0, 1):
        e = ends[q]
        if e is None:
            continue
        sq = dist[q]
        if e["label"] == "sheared":
            x1, x2, a = we.deform_shear(e, sq, x1, x2, th, d)
            ax = ax + sgn[q] * a
        elif e["kind"] in ("taper", "split", "brush"):
            f = we.taper_scale(e, sq, d, th)
            x1, x2 = x1 * f, x2 * f
            if e["kind"] != "taper":
                keep = np.where(sq >= 0.9 * e["lt"] * d)[0]
                lo, hi = (max(lo, keep[0]), hi) if q == 0 else (lo, min(hi, keep[-1] + 1))
        else:
            keep = np.where(sq >= 0.5 * e["h"] * d)[0]
            lo, hi = (max(lo, keep[0]), hi) if q == 0 else (lo, min(hi, keep[-1] + 1))
        tz = TIP_ZONE if e["kind"] not in ("split", "brush") else max(TIP_ZONE, e["lt"])
        zone_id[(sq <= tz * d)[:, None]] = eids[q]
    G = P[:, None] + x1[..., None] * E1[:, None] + x2[..., None] * E2[:, None] + ax[..., None] * T[:, None]
    rest = np.stack([np.broadcast_to(d / 2 * np.cos(th), G.shape[:2]), np.broadcast_to(d / 2 * np.sin(th), G.shape[:2]),
                     np.broadcast_to(s[:, None] + 37 * shape["seed"], G.shape[:2])], -1)
    sl = slice(lo, hi)
    mesh.add(G[sl], rest[sl], np.minimum(*dist)[sl, None], fid, SIDE, zone_id[sl])
    infos = []
    for q in (0, 1):
        if ends[q] is not None:
            infos.append(_close(mesh, rng, ends[q], q, G, P, T, E1, E2, dist[q], sl, th, d, fid, eids[q], pxum, L))
    return infos


def _close(mesh, rng, e, q, G, P, T, E1, E2, sq, sl, th, d, fid, eid, pxum, L):
    """Adds the closing surface of end q and returns its truth info."""
    i = 0 if q == 0 else -1
    O = T[i] * (-1 if q == 0 else 1)
    tip = P[i]
    near = np.where(sq <= min(12 * d, 0.8 * L))[0]
    order = near[::-1] if q == 0 else near  # base -> tip
    side = [k for k in order if sl.start <= k < sl.stop]
    info = dict(d=d, sub=e["kind"], label=e["label"], fid=fid, s=sq[order], C=P[order], T=T[order] * (-1 if q == 0 else 1), G=G[side], s_side=sq[side], E1=E1[i], E2=E2[i],
                end=e, eid=eid)
    flip = (lambda A: A[:, ::-1]) if q == 0 else (lambda A: A)
    z1 = np.zeros((1, 1))
    if e["label"] == "sheared":
        rim = G[sl.start] if q == 0 else G[sl.stop - 1]
        FG, n = we.shear_face(e, rim, O, d)
        mesh.add(flip(FG), flip(FG - tip + e["seed"]), z1, fid, FACE, eid)
        info.update(rim=rim, face=FG, face_n=n, cut3d=np.degrees(np.arccos(np.clip(n @ O, -1, 1))))
        if e["zone"] > 1.3:
            info["h"] = (e["zone"] - 0.7) * d
        for _ in range(e.get("fibrils", 0)):
            p0 = rim[rng.integers(len(rim))] * 0.7 + rim.mean(0) * 0.3 - O * 0.1 * d
            strand(mesh, rng, p0, O + rng.normal(size=3) * 0.45, e["flen"] * d * rng.uniform(0.4, 1.3), rng.uniform(0.05, 0.16) * d, fid, eid, rng.uniform(0, 2))
        if rng.random() < 0.06:
            strand(mesh, rng, rim[rng.integers(len(rim))], O + rng.normal(size=3) * 0.6, d * rng.uniform(0.8, 3), rng.uniform(0.03, 0.09) * d, fid, -1, rng.uniform(0.5, 5))
        return info
    if e["kind"] in ("split", "brush"):
        base = G[sl.start] if q == 0 else G[sl.stop - 1]
        c = base.mean(0); lt = e["lt"] * d
        pts, tops = [], []
        for k in range(e["strands"]):
            p0 = base[rng.integers(len(base))] * 0.6 + c * 0.4 - O * 0.3 * d
            out = (p0 - c) / (0.5 * d)
            rad = d * (0.5 / np.sqrt(e["strands"]) * rng.uniform(0.7, 1.1) if e["kind"] == "split" else rng.uniform(0.04, 0.12))
            g = strand(mesh, rng, p0, O + (out - (out @ O) * O) * e["open"] + rng.normal(size=3) * 0.5 * e["open"] * (e["kind"] == "brush"),
                       lt * rng.uniform(0.65, 1.15) + 0.3 * d, rad, fid, eid, rng.uniform(0, 1.2))
            pts.append(g[2:].reshape(-1, 3)); tops.append(g[-1].mean(0))
        mesh.add(flip(_plug(base, O, d)), flip(_plug(base, O, d) - tip), z1, fid, BULB, eid)
        info.update(face=np.concatenate(pts), h=lt, tip3=np.mean(tops, 0))
        return info
    if e["kind"] == "taper":
        rim = G[sl.start] if q == 0 else G[sl.stop - 1]
        FG = _plug(rim, O, d * e["q"])
        mesh.add(flip(FG), flip(FG - tip + e["seed"]), z1, fid, BULB, eid)
        info.update(face=FG, lt=e["lt"] * d, sub="taper")
        for _ in range(e["fibrils"]):
            k = side[-1 - rng.integers(min(len(side) - 1, 14))]
            p0 = G[k, rng.integers(G.shape[1])]
            strand(mesh, rng, p0, O + (p0 - P[k]) / d * 0.7 + rng.normal(size=3) * 0.15, d * rng.uniform(0.6, 4), rng.uniform(0.03, 0.1) * d, fid, -1, rng.uniform(0.1, 2.5))
        return info
    F1, F2 = (E1[i], -E2[i]) if q == 0 else (E1[i], E2[i])  # (F1, F2, O) right-handed
    FG = we.cap_surface(e, tip, F1, F2, O, th, d, pxum)
    mesh.add(FG, FG - tip + e["seed"], z1, fid, BULB, eid)
    info.update(face=FG, h=e["h"] * d)
    for _ in range(e["wisps"] + (e["kind"] == "string")):
        p0 = FG[rng.integers(FG.shape[0] // 2, FG.shape[0]), rng.integers(FG.shape[1])]
        strand(mesh, rng, p0, p0 - (tip - O * 0.5 * d) + rng.normal(size=3) * 0.2 * d, d * rng.uniform(0.8, 5), rng.uniform(0.03, 0.12) * d * (1.6 if e["kind"] == "string" else 1), fid, -1, rng.uniform(0.3, 5))
    return info


def _plug(rim, O, d):
    """Rounded closing surface over a rim."""
    fr = np.linspace(1, 0, 5)
    c = rim.mean(0)
    FG = c + (rim - c)[None] * np.maximum(fr, 1e-3)[:, None, None] + (np.sqrt(1 - fr ** 2) * 0.4 * d)[:, None, None] * O
    FG[-1] = FG[-1].mean(0)
    return FG
