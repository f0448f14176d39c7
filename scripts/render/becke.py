"""Transmitted light through fibres out of focus: the Becke line, a bright line beside a dark rim.

A fibre of another refractive index than its surroundings bends rays at its edges. Rays are followed through the thickness map by
geometric optics: where focus lies `dz` above the fibre a ray meets the focal plane dz * dn * grad(thickness) off its place, so
light gathers in a bright line on one side of the edge and leaves a dark rim on the other; rays bent beyond the objective's aperture
are lost. The line moves to the side of the higher index as the focus is raised (F. Becke 1893; F. D. Bloss, "An Introduction to the
Methods of Optical Crystallography", 1961, from memory); the first-order form is the transport-of-intensity equation (Teague,
J. Opt. Soc. Am. 73, 1434, 1983). The true edge stays where the thickness begins.
"""
import cv2
import numpy as np
from numba import njit

from raster import unit_normal


@njit(cache=True, fastmath=True)
def thickness(tbuf, V, F, fid, N, radius, out):
    """Adds the path length (um) through each pixel's body: a round body of radius r seen under normal n is 2 r n_z thick."""
    H, W = tbuf.shape
    for y in range(H):
        for x in range(W):
            t = tbuf[y, x]
            if t < 0:
                continue
            _, _, nz = unit_normal(V, F, t, x, y, N)
            out[y, x] += 2.0 * radius[fid[t]] * max(nz, 0.0)


@njit(cache=True, fastmath=True)
def follow(T, pu, bend, dz, na, lost):
    """Light (H, W) on the focal plane after one unit fell on each pixel: bend = index difference, dz and T in um, pu um per pixel."""
    H, W = T.shape
    out = np.zeros((H, W), np.float32)
    for y in range(H):
        for x in range(W):
            xa = max(x - 1, 0); xb = min(x + 1, W - 1); ya = max(y - 1, 0); yb = min(y + 1, H - 1)
            gx = bend * (T[y, xb] - T[y, xa]) / ((xb - xa) * pu); gy = bend * (T[yb, x] - T[ya, x]) / ((yb - ya) * pu)
            g = np.sqrt(gx * gx + gy * gy)
            w = 1.0
            if g > na:  # beyond the aperture; a part still arrives by scatter
                w = lost + (1.0 - lost) * np.exp(-(g / na - 1.0) * 2.0)
                gx *= na / g; gy *= na / g
            px = x + dz * gx / pu; py = y + dz * gy / pu
            ix = int(np.floor(px)); iy = int(np.floor(py))
            if ix < 0 or iy < 0 or ix >= W - 1 or iy >= H - 1:
                continue
            fx = px - ix; fy = py - iy
            out[iy, ix] += w * (1 - fx) * (1 - fy); out[iy, ix + 1] += w * fx * (1 - fy)
            out[iy + 1, ix] += w * (1 - fx) * fy; out[iy + 1, ix + 1] += w * fx * fy
    return out


def sample(rng, d):
    """Random conditions: focus (um, + above), index difference, aperture, light that strays into the rim."""
    u = rng.uniform
    bend = float(np.exp(u(np.log(0.008), np.log(0.5))) * rng.choice([1, -1], p=[0.75, 0.25]))
    na = float(u(0.05, 0.5))
    reach = d * float(np.exp(u(np.log(0.03), np.log(0.35))))  # how far the bent rays get, um
    return dict(contrast_index=round(bend, 4), defocus_um=round(float(rng.choice([1, -1])) * reach / min(max(abs(bend) * 1.5, 0.01), na), 2), aperture=round(na, 3), lost=float(u(0.0, 0.5)))


def halo(b, maps, radius, um, ss, blur):
    """Factor (H, W) on the transmitted light. maps: (visibility buffer, V, mesh) of every layer; radius: um of each body."""
    T = None
    for t, V, m in maps:
        T = np.zeros(t.shape, np.float32) if T is None else T
        thickness(t, V, m["F"], m["fid"], m["N"], radius, T)
    T = cv2.GaussianBlur(T, (0, 0), 0.7)
    k = follow(T, um / ss, b["contrast_index"], b["defocus_um"], b["aperture"], b["lost"])
    reach = abs(b["defocus_um"]) * min(abs(b["contrast_index"]) * 1.5, b["aperture"]) * ss / um
    k = cv2.GaussianBlur(k, (0, 0), max(0.6, blur * ss, 0.15 * reach))  # rays fall between pixels where they are spread far
    h, w = T.shape
    return np.clip(cv2.resize(k, (w // ss, h // ss), interpolation=cv2.INTER_AREA), 0.03, 3.5)
