"""Strands and fibrils of split and brush-like ends, and loose wisps: many thin tubes at once. Units um."""
import numpy as np
from raster import vnoise_arr


def paths(p0, dirs, lengths, bend, wobble, rng, n=14):
    """Centre lines (k, n, 3) from p0 (k, 3) along unit `dirs` (k, 3): each turns by `bend` (k,) radians about its own axis, with random wobble."""
    k = len(p0)
    ax = np.cross(dirs, rng.normal(size=(k, 3)))
    ax /= np.maximum(np.linalg.norm(ax, axis=1, keepdims=True), 1e-9)
    P = np.empty((k, n, 3)); P[:, 0] = p0
    d = dirs.copy()
    for i in range(1, n):
        d = d + (bend / n * (0.4 + 1.4 * i / n))[:, None] * np.cross(ax, d) + rng.normal(size=(k, 3)) * wobble
        d /= np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-9)
        P[:, i] = P[:, i - 1] + d * (lengths / (n - 1))[:, None]
    return P


def frames(P, e):
    """Tangents and two cross directions along centre lines P (k, n, 3), carried without twist from first directions e (k, 3)."""
    T = np.gradient(P, axis=1)
    T /= np.maximum(np.linalg.norm(T, axis=2, keepdims=True), 1e-9)
    E = np.empty_like(T)
    for i in range(P.shape[1]):
        e = e - (e * T[:, i]).sum(1, keepdims=True) * T[:, i]
        e = e / np.maximum(np.linalg.norm(e, axis=1, keepdims=True), 1e-9)
        E[:, i] = e
    return T, E, np.cross(T, E)


def fibrils(mesh, rng, p0, dirs, lengths, rad, fid, eid, zone, bend, M=6):
    """Thin tapering tubes; returns the mean of their last points and all their points from the third on."""
    dirs = dirs / np.maximum(np.linalg.norm(dirs, axis=1, keepdims=True), 1e-9)
    P = paths(p0, dirs, lengths, bend, 0.05, rng)
    k, n = P.shape[:2]
    T, E1, E2 = frames(P, np.cross(dirs, [0.3, 0.5, 0.81]))
    th = np.arange(M) * 2 * np.pi / M
    r = rad[:, None] * (1 - 0.65 * np.linspace(0, 1, n) ** 1.5); r[:, -1] *= 0.05
    fl = rng.uniform(0.35, 1.0, k)[:, None, None, None]
    G = P[:, :, None] + r[..., None, None] * (np.cos(th)[:, None] * E1[:, :, None] + fl * np.sin(th)[:, None] * E2[:, :, None])
    rest = np.empty_like(G)
    rest[..., 0] = np.cos(th) * rad[:, None, None]; rest[..., 1] = np.sin(th) * rad[:, None, None]
    rest[..., 2] = (np.linspace(0, 1, n) * lengths[:, None])[..., None] + 7 * np.arange(k)[:, None, None]
    mesh.add_many(G, rest, fid, zone, eid)
    return P[:, -1].mean(0), G[:, 2:].reshape(-1, 3)


def _sector(a0, a1, xy, m=10):
    """Outline (m + 2, 2) of the sector between angles a0 and a1 of the section xy (M, 2), and its centre."""
    a = np.arctan2(xy[:, 1], xy[:, 0]); o = np.argsort(a)
    r = np.hypot(*xy.T)[o]; a = a[o]
    t = np.linspace(a0, a1, m)
    rr = np.interp((t + np.pi) % (2 * np.pi) - np.pi, np.r_[a[-1] - 2 * np.pi, a, a[0] + 2 * np.pi], np.r_[r[-1], r, r[0]])
    arc = np.c_[rr * np.cos(t), rr * np.sin(t)]
    mid = 0.5 * (a0 + a1); core = 0.04 * rr.mean() * np.array([np.cos(mid), np.sin(mid)])
    out = np.r_[arc, (0.35 * arc[-1] + 0.65 * core)[None], (0.35 * arc[0] + 0.65 * core)[None]]
    return out, out.mean(0)


def split(mesh, rng, e, base, frame, d, fid, eid, zone):
    """Strands of a lengthwise split. base: (M, 2) section (um) where the shaft divides, frame: its centre, E1, E2, O.

    Returns the mean of the strands' last points and all their points.
    """
    c0, E1, E2, O = frame
    cuts = e["turn"] + 2 * np.pi * np.r_[0, np.cumsum(e["shares"])]
    n, tops, pts = 14, [], []
    for i in range(e["strands"]):
        out, mid = _sector(cuts[i], cuts[i + 1], base)
        sec = (out - mid) * 0.97
        radial = mid / max(np.linalg.norm(mid), 1e-9)
        side = radial[0] * E1 + radial[1] * E2
        L = e["lt"] * d * (1 - e["uneven"] * rng.uniform(0, 1)) * rng.uniform(0.9, 1.1)
        t = np.linspace(0, 1, n)
        lean = e["open"] * rng.uniform(0.3, 1.3) * np.minimum(1, 2.2 * t) + e["bend"] * rng.uniform(0.2, 1.2) * t ** 2
        w = rng.normal(0, 0.25) * t ** 2
        V = np.cos(lean)[:, None] * O + np.sin(lean)[:, None] * (side + w[:, None] * np.cross(O, side))
        P = c0 + mid[0] * E1 + mid[1] * E2 - 0.25 * d * O + np.r_[np.zeros((1, 3)), np.cumsum(V[1:] * (L + 0.25 * d) / (n - 1), 0)]
        T, F1, F2 = frames(P[None], E1[None])
        k = 1 + (e["thin"] * rng.uniform(0.6, 1.2) - 1) * np.clip(t, 0, 1) ** rng.uniform(0.7, 2.5)
        k = np.clip(k, 0.06, 1); k[-1] *= 0.5
        phi = e["twirl"] * rng.normal() * 4 * t
        x = sec[None, :, 0] * np.cos(phi)[:, None] - sec[None, :, 1] * np.sin(phi)[:, None]
        y = sec[None, :, 0] * np.sin(phi)[:, None] + sec[None, :, 1] * np.cos(phi)[:, None]
        lump = 1 + 0.12 * vnoise_arr(np.c_[t * L / d + e["seed"], np.full(n, i), np.zeros(n)])
        G = P[:, None] + (k * lump)[:, None, None] * (x[..., None] * F1[0][:, None] + y[..., None] * F2[0][:, None])
        G = np.r_[G, np.broadcast_to(G[-1].mean(0) + 0.05 * d * T[0, -1], (1,) + G.shape[1:])]
        rest = np.empty_like(G); rest[..., :2] = out; rest[..., 2] = (np.r_[t, 1.02] * L)[:, None] + e["seed"]
        mesh.add(G, rest, np.zeros((len(G), 1)), fid, zone, eid)
        tops.append(P[-1]); pts.append(G[2:].reshape(-1, 3))
    return np.mean(tops, 0), np.concatenate(pts)


def brush(mesh, rng, e, base, frame, d, fid, eid, zone):
    """Fibrils of a brush, from a section `base` (M, 2) um with frame centre, E1, E2, O. Returns mean tip and points."""
    c0, E1, E2, O = frame
    k = e["strands"]
    rho, a = np.sqrt(rng.uniform(0, 1, k)), rng.uniform(0, 2 * np.pi, k)
    r = np.hypot(*base.T).mean()
    off = (rho * r)[:, None] * (np.cos(a)[:, None] * E1 + np.sin(a)[:, None] * E2)
    depth = rng.uniform(-0.1, 0.5, k)[:, None] * d
    dirs = O + e["open"] * (off / r * 0.9 + 0.45 * rng.normal(size=(k, 3)))
    if e["clump"]:  # fibrils stick together in a few locks
        lock = rng.normal(size=(int(rng.integers(2, 5)), 3)) * e["open"]
        dirs = dirs + e["clump"] * (O + lock[rng.integers(len(lock), size=k)] - dirs)
    L = e["lt"] * d * np.clip(1 - e["uneven"] * rng.uniform(0, 1.2, k), 0.12, None) + depth[:, 0]
    rad = rng.uniform(*e["rad"], k) * d
    return fibrils(mesh, rng, c0 + off * 0.9 - depth * O, dirs, L, rad, fid, eid, zone, e["bend"] * rng.normal(size=k))
