"""Triangle meshes of fibres with one or two ends: ribbons, varying width, grooves, all forms of ends.

Input: a 3-D centre line and end parameters (forms.py). Output: grids added to an EndMesh and one truth `info` per end, in the
form end_truth.measure() reads. Units um.
"""
import numpy as np
from geometry import Mesh, _transport, grid_faces, SIDE, FACE, BULB, WISP
from raster import vnoise_arr
import centre_lines as cl
import end_shapes as es
import end_strands as st

TIP_ZONE = 1.5  # diameters
DIVIDED = ("split", "brush")


class EndMesh(Mesh):
    """Mesh that also records which end a tip triangle belongs to (one object may have two ends)."""

    def __init__(self):
        super().__init__()
        self.eid = []

    def add_grid(self, P, rest, S, fid, zone, tip_s=None):
        """As Mesh.add_grid; the triangles belong to no end, with `tip_s` to the end that has the fibre's number."""
        super().add_grid(P, rest, S, fid, zone)
        self.eid.append(np.full(len(self.F[-1]), -1 if tip_s is None else fid, np.int32))
        self.tip[-1] = self.eid[-1] >= 0

    def add(self, P, rest, S, fid, zone, eid=-1):
        """Adds a closed-in-theta grid; `eid` (or per-vertex ids): the end whose tip zone it is, -1 for none."""
        n0 = self.nv
        self.add_grid(P, rest, S, fid, zone)
        ids = np.full(P.shape[:2], eid, np.int32) if np.isscalar(eid) else np.broadcast_to(eid, P.shape[:2])
        self.eid[-1] = ids.reshape(-1)[self.F[-1][:, 0] - n0].astype(np.int32)
        self.tip[-1] = self.eid[-1] >= 0

    def add_many(self, G, rest, fid, zone, eid):
        """Adds tubes of one size at once: G (tubes, rows, M, 3)."""
        k, n, M = G.shape[:3]
        f = (grid_faces(n, M, 0)[None] + (np.arange(k) * n * M)[:, None, None]).reshape(-1, 3) + self.nv
        nrm = np.cross(np.roll(G, -1, 2) - np.roll(G, 1, 2), np.gradient(G, axis=1))
        nrm /= np.maximum(np.linalg.norm(nrm, axis=3, keepdims=True), 1e-12)
        self.P.append(G.reshape(-1, 3)); self.N.append(nrm.reshape(-1, 3)); self.R.append(rest.reshape(-1, 3)); self.S.append(np.zeros(k * n * M))
        self.F.append(f.astype(np.int32)); self.fid.append(np.full(len(f), fid, np.int32)); self.zone.append(np.full(len(f), zone, np.int8))
        self.eid.append(np.full(len(f), eid, np.int32)); self.tip.append(np.full(len(f), eid >= 0))
        self.nv += k * n * M

    def done(self):
        """Dictionary of arrays, with `eid` per triangle."""
        m = super().done()
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
    s = np.arange(0, L, 0.45 * d)
    for q in (0, 1):
        if ends[q] is None:
            continue
        z = max(5.0, ends[q].get("lt", 0) + 2.0) * d
        near = np.r_[0, 0.03 * d, 0.08 * d, np.arange(fine, z, fine)]
        t, mine = (s, near) if q == 0 else (L - s, L - near)
        room = min(z, L / 2 if ends[1 - q] is not None else L)
        s = np.r_[s[t > room], mine[near < room]]
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


def strand(mesh, rng, p0, dir0, length, rad, fid, eid, curl):
    """One thin tapering strand, a loose wisp when eid is -1."""
    st.fibrils(mesh, rng, np.asarray(p0)[None], np.asarray(dir0)[None], np.array([length]), np.array([rad]), fid, eid, WISP, np.array([curl]), M=7)


def _deform(e, sq, x1, x2, th, d):
    """Cross-sections near one end and their offsets outward; which rows of the shaft stay."""
    if e["kind"] == "cut":
        x1, x2, out = es.deform_cut(e, sq, x1, x2, th, d)
        return x1, x2, out, np.ones(len(sq), bool)
    a, b = es.shaft_scale(e, sq, d, th)
    stop = dict(cap=0.5 * e.get("h", 0), split=e.get("lt", 0), brush=e.get("lt", 0)).get(e["kind"], 0.0)
    return x1 * a, x2 * b, np.zeros_like(x1), sq >= stop * d


def add_fibre(mesh, rng, path, d, shape, ends, fid, eids, pxum):
    """Builds one fibre. ends = (end at the first point or None, end at the last point or None), eids their ids.

    Returns the truth infos of its ends.
    """
    for q in (0, 1):
        if ends[q] is not None and ends[q].get("curl"):
            path = cl.bend_end(path, q, ends[q]["curl_len"] * d, ends[q]["curl"], 0.85, rng)
    M = int(np.clip(np.pi * d / pxum / 3.5, 10, 48))
    th = np.arange(M) * 2 * np.pi / M
    L = cl.path_length(path)
    s = _rows(L, d, d / pxum, ends)
    P, T = cl.resample(path, s)
    e0 = np.array([-T[0, 1], T[0, 0], 0.0]); e0 /= max(np.linalg.norm(e0), 1e-9)
    E1 = _transport(T.copy(), e0)
    E2 = np.cross(T, E1)
    x1, x2 = _section(shape, d, s, th)
    ax, keep = np.zeros_like(x1), np.ones(len(s), bool)
    zone_id = np.full((len(s), 1), -1, np.int32)
    dist = (s, L - s)
    for q in (0, 1):
        if ends[q] is None:
            continue
        x1, x2, out, stay = _deform(ends[q], dist[q], x1, x2, th, d)
        ax += (-1.0, 1.0)[q] * out; keep &= stay
        tz = ends[q]["lt"] + 0.3 if ends[q]["kind"] in DIVIDED else TIP_ZONE
        zone_id[dist[q] <= tz * d] = eids[q]
    G = P[:, None] + x1[..., None] * E1[:, None] + x2[..., None] * E2[:, None] + ax[..., None] * T[:, None]
    rest = np.stack([np.broadcast_to(d / 2 * np.cos(th), G.shape[:2]), np.broadcast_to(d / 2 * np.sin(th), G.shape[:2]),
                     np.broadcast_to(s[:, None] + 37 * shape["seed"], G.shape[:2])], -1)
    rows = np.where(keep)[0]
    sl = slice(rows[0], rows[-1] + 1)
    mesh.add(G[sl], rest[sl], np.minimum(*dist)[sl, None], fid, SIDE, zone_id[sl])
    tube = dict(G=G, P=P, T=T, E1=E1, E2=E2, x1=x1, x2=x2, sl=sl, th=th, d=d, L=L, fid=fid, pxum=pxum)
    return [_close(mesh, rng, ends[q], q, tube, dist[q], eids[q]) for q in (0, 1) if ends[q] is not None]


def _close(mesh, rng, e, q, tube, sq, eid):
    """Adds the closing surface of end q and returns its truth info."""
    i = 0 if q == 0 else -1
    k = tube["sl"].start if q == 0 else tube["sl"].stop - 1  # last row of the shaft
    d, sl = tube["d"], tube["sl"]
    sign = -1 if q == 0 else 1
    near = np.where(sq <= min((12 + e.get("lt", 0)) * d, 0.8 * tube["L"]))[0]
    order = near[::-1] if q == 0 else near  # base -> tip
    side = [j for j in order if sl.start <= j < sl.stop]
    info = dict(d=d, sub=e["subtype"], label=e["label"], fid=tube["fid"], s=sq[order], C=tube["P"][order], T=tube["T"][order] * sign, G=tube["G"][side], s_side=sq[side], E1=tube["E1"][i], end=e, eid=eid)
    # (F1, F2, O) at the row is right-handed
    at = dict(q=q, k=k, O=tube["T"][k] * sign, F1=tube["E1"][k], F2=tube["E2"][k] * sign, tip=tube["P"][i], ring=tube["G"][k], local=np.c_[tube["x1"][k], sign * tube["x2"][k]], eid=eid, fid=tube["fid"], side=side)
    at["flip"] = (lambda A: A[:, ::-1]) if q == 0 else (lambda A: A)
    dict(cut=_close_cut, cap=_close_cap, taper=_close_thin, tail=_close_thin, split=_close_divided, brush=_close_divided)[e["kind"]](mesh, rng, e, at, tube, info)
    return info


def _close_cut(mesh, rng, e, at, tube, info):
    d, O, fid = tube["d"], at["O"], at["fid"]
    rim = at["ring"]
    F2 = at["F2"] if at["q"] else -at["F2"]  # cut_face works in the tube's own E1, E2
    local = np.c_[tube["x1"][at["k"]], tube["x2"][at["k"]]]
    FG, n = es.cut_face(e, rim, local, at["tip"], (at["F1"], F2, O), d)
    mesh.add(at["flip"](FG), at["flip"](FG - at["tip"] + e["seed"]), np.zeros((1, 1)), fid, FACE, at["eid"])
    info.update(rim=rim, face=FG, face_n=n, cut3d=np.degrees(np.arccos(np.clip(n @ O, -1, 1))))
    if e["zone"] > 1.3:
        info["h"] = (e["zone"] - 0.7) * d
    m = e["fibrils"]
    if m:
        p = rim[rng.integers(len(rim), size=m)] * 0.75 + rim.mean(0) * 0.25 - O * 0.1 * d
        st.fibrils(mesh, rng, p, O + rng.normal(size=(m, 3)) * 0.4, e["flen"] * d * rng.uniform(0.4, 1.3, m), rng.uniform(0.03, 0.13, m) * d, fid, at["eid"], FACE, rng.normal(0, 1.0, m))
    m = e["slivers"]
    if m:
        p = rim[rng.integers(len(rim), size=m)] * 0.85 + rim.mean(0) * 0.15 - O * 0.3 * d
        st.fibrils(mesh, rng, p, O + rng.normal(size=(m, 3)) * 0.15, d * rng.uniform(0.6, 1.6, m), rng.uniform(0.08, 0.2, m) * d, fid, at["eid"], SIDE, rng.normal(0, 0.6, m))
    if rng.random() < 0.06:
        strand(mesh, rng, rim[rng.integers(len(rim))], O + rng.normal(size=3) * 0.6, d * rng.uniform(0.8, 3), rng.uniform(0.03, 0.09) * d, fid, -1, rng.uniform(0.5, 5))


def _close_divided(mesh, rng, e, at, tube, info):
    d, O, fid = tube["d"], at["O"], at["fid"]
    plug = _plug(at["ring"], O, 0.3 * d)
    mesh.add(at["flip"](plug), at["flip"](plug - at["tip"]), np.zeros((1, 1)), fid, FACE, at["eid"])
    zone = (SIDE if rng.random() < 0.6 else FACE) if e["kind"] == "split" else (WISP if rng.random() < 0.6 else FACE)
    c = at["ring"].mean(0)
    tip, pts = dict(split=st.split, brush=st.brush)[e["kind"]](mesh, rng, e, at["local"], (c, at["F1"], at["F2"], O), d, fid, at["eid"], zone)
    m = e.get("fibrils", 0)
    if m:
        p = c + rng.normal(size=(m, 3)) * 0.2 * d - 0.2 * d * O
        st.fibrils(mesh, rng, p, O + rng.normal(size=(m, 3)) * 0.3, e["flen"] * d * rng.uniform(0.4, 1.2, m), rng.uniform(0.02, 0.07, m) * d, fid, at["eid"], WISP, rng.normal(0, 1.5, m))
    info.update(face=pts, h=e["lt"] * d, tip3=tip, base3=c, out3=O)


def _close_thin(mesh, rng, e, at, tube, info):
    d, O, fid = tube["d"], at["O"], at["fid"]
    FG = _plug(at["ring"], O, 2.0 * np.linalg.norm(at["ring"] - at["ring"].mean(0), axis=1).mean())
    mesh.add(at["flip"](FG), at["flip"](FG - at["tip"] + e["seed"]), np.zeros((1, 1)), fid, BULB if rng.random() < 0.5 else SIDE, at["eid"])
    info.update(face=FG, lt=e["lt"] * d)
    side = at["side"]
    for _ in range(e["fibrils"]):
        k = side[-1 - rng.integers(min(len(side) - 1, 14))]
        p0 = tube["G"][k, rng.integers(len(tube["th"]))]
        strand(mesh, rng, p0, O + (p0 - tube["P"][k]) / d * 0.7 + rng.normal(size=3) * 0.15, d * rng.uniform(0.6, 3), rng.uniform(0.02, 0.08) * d, fid, -1, rng.uniform(0.1, 2.5))


def _close_cap(mesh, rng, e, at, tube, info):
    d, O, fid, tip = tube["d"], info["T"][-1], at["fid"], at["tip"]
    i = 0 if at["q"] == 0 else -1
    F1, F2 = tube["E1"][i], tube["E2"][i] * (-1 if i == 0 else 1)
    FG = es.cap_surface(e, tip, F1, F2, O, tube["th"], d, tube["pxum"])
    mesh.add(FG, FG - tip + e["seed"], np.zeros((1, 1)), fid, BULB, at["eid"])
    info.update(face=FG, h=e["h"] * d)
    for _ in range(e["wisps"]):
        p0 = FG[rng.integers(FG.shape[0] // 2, FG.shape[0]), rng.integers(FG.shape[1])]
        strand(mesh, rng, p0, p0 - (tip - O * 0.5 * d) + rng.normal(size=3) * 0.2 * d, d * rng.uniform(0.8, 5), rng.uniform(0.03, 0.12) * d * (1.6 if e["form"] == "string" else 1), fid, -1, rng.uniform(0.3, 5))


def _plug(rim, O, d):
    """Rounded closing surface over a rim, 0.4 d high."""
    fr = np.linspace(1, 0, 5)
    c = rim.mean(0)
    FG = c + (rim - c)[None] * np.maximum(fr, 1e-3)[:, None, None] + (np.sqrt(1 - fr ** 2) * 0.4 * d)[:, None, None] * O
    FG[-1] = FG[-1].mean(0)
    return FG
