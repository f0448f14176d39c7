"""Centre lines of loose fibres for the set `domain_randomised`: random curvature walks with kinks, hairpins, hooks and loops.

Input: a tip position and heading (um, view space). Output: (n, 3) polylines, first row = tip or entry point.
"""
import numpy as np
from scipy.ndimage import gaussian_filter1d


def smooth_noise(rng, n, corr):
    """Unit-variance Gaussian noise of length n with correlation length `corr` samples."""
    corr = max(float(corr), 1.0)
    pad = int(3 * corr) + 1
    q = gaussian_filter1d(rng.normal(size=n + 2 * pad), corr)[pad:pad + n]
    return q * np.sqrt(2 * np.sqrt(np.pi) * corr)


def bend_events(rng, n, h, d, style):
    """Extra curvature (1/um) of sudden bends along n samples of spacing h; `style` holds rates per 100 diameters."""
    k = np.zeros(n)

    def add(angle, width, at):
        w = max(2, int(width / h))
        k[at:at + w] += angle / (w * h)
    length = n * h / (100 * d)
    for _ in range(rng.poisson(style["kinks"] * length)):
        add(rng.choice([-1, 1]) * rng.uniform(0.3, 1.9), rng.uniform(0.7, 2.5) * d, rng.integers(n))
    for _ in range(rng.poisson(style["hairpins"] * length)):
        add(rng.choice([-1, 1]) * rng.uniform(2.6, 3.4), rng.uniform(3, 9) * d, rng.integers(n))
    for _ in range(rng.poisson(style["loops"] * length)):
        add(rng.choice([-1, 1]) * rng.uniform(3, 8), rng.uniform(20, 90) * d, rng.integers(n))
    if rng.random() < style["hook"]:
        add(rng.choice([-1, 1]) * rng.uniform(0.8, 3.6), rng.uniform(3, 9) * d, int(rng.uniform(0.8, 3) * d / h))
    if rng.random() < 0.4 * style["hook"]:  # snap-back zigzag behind the tip
        a = rng.uniform(0.4, 1.2)
        for i in range(rng.integers(2, 5)):
            add(a * (-1) ** i * (2 if i else 1), 1.2 * d, int((3 + 3.5 * i) * d / h))
    return k


def walk(rng, p0, heading, d, style, max_len, hw, hh):
    """Walks from p0 until the frame is left for good or max_len is reached.

    Returns (xy (n, 2), left): `left` tells whether the far end lies outside the frame.
    """
    h = 0.25 * d
    n = max(24, int(max_len / h))
    k = style["curv"] / d * smooth_noise(rng, n, rng.uniform(6, 40) * d / h) + bend_events(rng, n, h, d, style)
    k += style["sway"] / d * smooth_noise(rng, n, 60 * d / h)
    th = heading + np.cumsum(k) * h
    th = gaussian_filter1d(th, 1.6, mode="nearest")
    xy = np.asarray(p0)[None] + np.cumsum(np.c_[np.cos(th), np.sin(th)], 0) * h
    xy = np.r_[np.asarray(p0)[None], xy]
    out = (abs(xy[:, 0]) > hw + 5 * d) | (abs(xy[:, 1]) > hh + 5 * d)
    seen = np.maximum.accumulate(~out)
    gone = np.where(out & seen)[0]
    if len(gone):
        return xy[:max(gone[0] + 1, 16)], True
    return xy, False


def extend_out(xy, d, hw, hh):
    """Continues a path straight until it is outside the frame."""
    u = xy[-1] - xy[-3]
    u = u / max(np.linalg.norm(u), 1e-9)
    m = int(2.6 * np.hypot(hw, hh) / (0.5 * d)) + 2
    return np.r_[xy, xy[-1] + u[None] * (np.arange(1, m)[:, None] * 0.5 * d)]


def heights(rng, n, h, d, base, rough, weave=0.0):
    """z along a path: base level, slow roughness (in diameters), and an over-under wave for weaves."""
    z = base + rough * d * smooth_noise(rng, n, rng.uniform(10, 30) * d / h)
    z += rng.normal(0, 0.02) * np.arange(n) * h
    if weave:
        z += weave * d * np.sin(2 * np.pi * np.arange(n) * h / (rng.uniform(7, 12) * d) + rng.uniform(0, 6.28))
    return z


def resample(P, s_new):
    """Positions and unit tangents at arc lengths s_new of polyline P; also its total length."""
    L = np.r_[0, np.cumsum(np.linalg.norm(np.diff(P, axis=0), axis=1))]
    Q = np.stack([np.interp(s_new, L, P[:, k]) for k in range(3)], -1)
    G = np.gradient(P, L, axis=0)
    G = gaussian_filter1d(G, 1.0, axis=0, mode="nearest")
    T = np.stack([np.interp(s_new, L, G[:, k]) for k in range(3)], -1)
    return Q, T / np.maximum(np.linalg.norm(T, axis=1, keepdims=True), 1e-9)


def path_length(P):
    """Arc length of a polyline."""
    return float(np.linalg.norm(np.diff(P, axis=0), axis=1).sum())


def bend_end(P, q, length, angle, flat=0.8, rng=None):
    """Turns the last `length` of a path by `angle` radians, more towards its end; q = 0: the first point is the end, 1: the last.

    The turn lies mostly in the picture plane (`flat` of its axis is z).
    """
    if abs(angle) < 0.02:
        return P
    A = P if q == 0 else P[::-1]
    s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(A, axis=0), axis=1))]
    k = int(np.searchsorted(s, length))
    if k < 2 or k >= len(A) - 1:
        return P
    seg = A[:k] - A[1:k + 1]
    turn = angle * ((length - s[:k]).clip(0) / length) ** 1.3
    a = np.array([0, 0, flat]) + (1 - flat) * (rng.normal(size=3) if rng is not None else np.zeros(3))
    a /= np.linalg.norm(a)
    c, w = np.cos(turn)[:, None], np.sin(turn)[:, None]
    seg = seg * c + np.cross(a, seg) * w + a * (seg @ a)[:, None] * (1 - c)
    B = A.copy()
    B[:k] = A[k] + np.cumsum(seg[::-1], 0)[::-1]
    return B if q == 0 else B[::-1]
