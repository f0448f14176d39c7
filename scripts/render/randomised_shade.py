"""Shading of the set `domain_randomised`: one kernel that mixes many light terms by random weights, and the random mixes themselves.

Input: visibility buffer, mesh arrays, material table. Output: linear RGB at buffer resolution.
"""
import numpy as np
from numba import njit
from raster import at_pixel, unit_normal, vnoise

# slots of the light vector
(PU, L1X, L1Y, L1Z, L2X, L2Y, L2Z, CONST, NZ, NZ3, EDGE, LAM1, WRAP, LAM2, COAX, COAXW, RING, RINGA, RINGW, SEGN, SEGP, HALF, HALFW, RAIL, RAILN, RAILW,
 TRANS, TRCORE, TRMID, AOF, AOG, SHD, INTF, INTK, INTP, FACEM, BULBM, TR, TG, TB, BUMP, GRAD, RIMD, GROUNDL, STREAK) = range(45)
NSLOT = 48
# columns of the material table
NMAT = 18  # core rgb, dye rgb, cover, patch um, radius um, seed, gain, stripe mode, bump, grain, translucency, gloss, stripe period, sharp


@njit(cache=True, fastmath=True)
def heights(tbuf, V, F, fid, zone, REST, MAT, pu, hbuf, mbuf):
    """Bump height (um) and dye share per pixel."""
    H, W = tbuf.shape
    for y in range(H):
        for x in range(W):
            t = tbuf[y, x]
            if t < 0:
                continue
            rx, ry, rz = at_pixel(V, F, t, x, y, REST)
            k = fid[t]
            r = MAT[k, 8]; sd = MAT[k, 9]
            h = 0.0; m = 0.0
            zn = zone[t]
            if zn == 0:
                if MAT[k, 12] > 0 and 0.22 * r > pu:
                    h += MAT[k, 12] * r * vnoise(rx / (0.25 * r) + sd, ry / (0.25 * r), rz / (9 * r))
                if MAT[k, 13] > 0 and 0.3 * r > pu:
                    h += MAT[k, 13] * r * (vnoise(rx / (0.5 * r) + sd, ry / (0.5 * r), rz / (0.6 * r)) + 0.5 * vnoise(rx / (0.22 * r) + sd, ry / (0.22 * r), rz / (0.25 * r)))
                if MAT[k, 6] > 0:
                    ps = MAT[k, 7]
                    md = MAT[k, 11]
                    if md == 1.0:
                        q = np.sin(6.2832 * rz / MAT[k, 16] + sd)
                    elif md == 2.0:
                        q = 1.4 * rx / r + 0.3 * vnoise(rz / (20 * r), sd, 0.0)
                    else:
                        q = 0.7 * vnoise(rx / ps + sd * 3, ry / ps, rz / (4.0 * ps)) + 0.4 * vnoise(rx / (0.35 * ps), ry / (0.35 * ps) + sd, rz / ps)
                    m = (q + (MAT[k, 6] * 2 - 1) * 0.8) * MAT[k, 17] + 0.5
                    m = min(1.0, max(0.0, m))
            else:
                s = 0.5 * r
                a = (MAT[k, 13] + 0.05) * r
                for o in range(3):
                    if s * 0.6 > pu:
                        h += a * (1.0 - 2.2 * abs(vnoise(rx / s + sd, ry / s + o * 3.1, rz / s)))
                    a *= 0.55; s *= 0.5
                if zn >= 2 and MAT[k, 6] > 0:
                    q = vnoise(rx / (1.1 * r) + sd, ry / (1.1 * r), rz / (1.1 * r))
                    m = min(1.0, max(0.0, 0.5 + q * 1.6 + (MAT[k, 6] - 0.75) * 1.6)) * 0.7
            hbuf[y, x] = h
            mbuf[y, x] = m


@njit(cache=True, fastmath=True)
def shade(tbuf, V, F, fid, zone, N, REST, MAT, hbuf, mbuf, ao, shadow, ss, LP, bg, out):
    """Writes linear RGB into out (H, W, 3); bg (image resolution) is shown where no triangle is."""
    H, W = tbuf.shape
    for y in range(H):
        for x in range(W):
            t = tbuf[y, x]
            yi = y // ss; xi = x // ss
            A = ao[yi, xi]; SH = shadow[yi, xi]
            if t < 0:
                g = max(0.02, 1.0 - LP[AOG] * (1.0 - A) - 0.6 * LP[SHD] * (1.0 - SH))
                for c in range(3):
                    out[y, x, c] = bg[yi, xi, c] * g
                continue
            nx, ny, nz = unit_normal(V, F, t, x, y, N)
            if nz < 0.04:
                nz = 0.04
            k = fid[t]
            gz = nz
            hx = 0.0; hy = 0.0
            if x + 1 < W and tbuf[y, x + 1] >= 0 and fid[tbuf[y, x + 1]] == k:
                hx = (hbuf[y, x + 1] - hbuf[y, x]) / LP[PU]
            if y + 1 < H and tbuf[y + 1, x] >= 0 and fid[tbuf[y + 1, x]] == k:
                hy = (hbuf[y + 1, x] - hbuf[y, x]) / LP[PU]
            b = LP[BUMP] * min(1.0, nz * 2.5)
            hx = max(-1.2, min(1.2, hx)) * b; hy = max(-1.2, min(1.2, hy)) * b
            dn = hx * nx + hy * ny
            bx = nx - (hx - dn * nx); by = ny - (hy - dn * ny); bz = nz + dn * nz
            l = np.sqrt(bx * bx + by * by + bz * bz) + 1e-9
            bx /= l; by /= l; bz /= l
            if bz < 0.03:
                bz = 0.03
            zn = zone[t]
            m = mbuf[y, x]
            th = np.arccos(min(1.0, bz))
            Ad = 1.0 - LP[AOF] * (1.0 - A)
            shf = 1.0 - LP[SHD] * (1.0 - SH)
            d1 = bx * LP[L1X] + by * LP[L1Y] + bz * LP[L1Z]
            d2 = bx * LP[L2X] + by * LP[L2Y] + bz * LP[L2Z]
            v = LP[CONST] + LP[NZ] * bz + LP[NZ3] * bz * bz * bz
            v += LP[EDGE] * (1.0 / (bz + 0.28) - 0.78)
            v += LP[LAM2] * max(0.0, d2) + LP[GRAD] * (bx * LP[L1X] + by * LP[L1Y])
            v += LP[RAIL] * np.exp(-((gz - LP[RAILN]) / LP[RAILW]) ** 2)
            v -= LP[RIMD] * (1.0 - gz) ** 2
            v *= Ad
            v += LP[LAM1] * max(0.0, (d1 + LP[WRAP]) / (1.0 + LP[WRAP])) * shf * (0.4 + 0.6 * Ad)
            v = max(v, 0.0)
            if zn == 1:
                v *= LP[FACEM]
            elif zn >= 2:
                v *= LP[BULBM]
            v *= MAT[k, 10]
            sp = LP[COAX] * np.exp(-(th / LP[COAXW]) ** 2)
            az = np.arctan2(by, bx)
            sp += LP[RING] * np.exp(-((th - LP[RINGA]) / LP[RINGW]) ** 2) * (0.6 + 0.4 * np.cos(LP[SEGN] * az + LP[SEGP]))
            hl = np.sqrt(LP[L1X] ** 2 + LP[L1Y] ** 2 + (LP[L1Z] + 1.0) ** 2)
            ndh = (bx * LP[L1X] + by * LP[L1Y] + bz * (LP[L1Z] + 1.0)) / hl
            sp += LP[HALF] * np.exp(-(np.arccos(max(-1.0, min(1.0, ndh))) / LP[HALFW]) ** 2) * shf
            sp *= MAT[k, 15] * (1.0 - 0.35 * m) * (0.5 + 0.5 * Ad)
            tl = MAT[k, 14] * (1 - 0.7 * m)
            e = min(1.0, max(0.0, (gz - 0.28) / 0.5)); e = e * e * (3 - 2 * e)
            br = LP[TRCORE] + (1.0 - LP[TRCORE]) * e * 0.75 + LP[TRMID] * np.exp(-(th / 0.33) ** 2)
            glow = tl * max(0.0, -(bx * LP[L1X] + by * LP[L1Y])) * 0.4 * LP[LAM1]
            ph = 0.0
            if LP[INTF] > 0:
                _, _, i_ = at_pixel(V, F, t, x, y, REST)
                ph = LP[INTK] * gz * MAT[k, 8] * 0.12 + LP[INTP] + 0.4 * np.sin(i_ / (7 * MAT[k, 8]))
            for c in range(3):
                alb = (1 - m) * MAT[k, c] + m * MAT[k, 3 + c]
                a2 = alb
                if LP[INTF] > 0:
                    a2 = alb * (1 - LP[INTF]) + LP[INTF] * (0.5 + 0.5 * np.cos(ph * (1.0 + 0.18 * (c - 1)) * 6.2832))
                refl = a2 * (v + glow) + LP[TR + c] * sp + tl * 0.25 * bg[yi, xi, c] * gz * Ad
                tra = bg[yi, xi, c] * br * (0.3 * a2 + 0.7 * np.sqrt(max(a2, 0.0)))
                out[y, x, c] = (1 - LP[TRANS]) * refl + LP[TRANS] * (tra + 0.12 * sp)


def light_mix(rng, look, pu):
    """Random light vector. look: sem | rails | ring | coax | side | trans | becke | darkfield | polar | mix."""
    u = rng.uniform
    LP = np.zeros(NSLOT, np.float32)
    LP[PU] = pu
    for o in (L1X, L2X):
        a, el = u(0, 2 * np.pi), np.deg2rad(u(15, 60))
        LP[o:o + 3] = [np.cos(a) * np.cos(el), np.sin(a) * np.cos(el), np.sin(el)]
    LP[COAXW] = u(0.12, 0.4); LP[RINGA] = u(0.35, 0.95); LP[RINGW] = u(0.1, 0.35); LP[SEGN] = rng.choice([0, 2, 4, 8]); LP[SEGP] = u(0, 6.28)
    LP[HALFW] = u(0.12, 0.45); LP[RAILN] = u(0.2, 0.6); LP[RAILW] = u(0.08, 0.25); LP[WRAP] = u(0, 0.6)
    LP[AOF] = u(0.3, 0.95); LP[AOG] = u(0.0, 0.8); LP[SHD] = 0; LP[FACEM] = u(0.5, 1.5); LP[BULBM] = u(0.25, 0.7) if rng.random() < 0.12 else u(0.65, 1.4); LP[BUMP] = u(0.3, 1.6)
    LP[TR:TR + 3] = np.clip(1 + rng.normal(0, 0.06, 3), 0.6, 1.3)
    LP[TRCORE] = u(0.02, 0.3); LP[TRMID] = u(0, 0.4)
    w = {look: 1.0}
    if look == "mix" or (look not in ("trans", "becke") and rng.random() < 0.3):
        names = ["sem", "rails", "ring", "coax", "side", "polar"]
        w = dict(zip(names, rng.dirichlet(np.full(6, 0.5)))) if look == "mix" else {look: 0.7, str(rng.choice(names)): 0.3}
    for name, k in w.items():
        if name == "sem":
            LP[CONST] += k * u(0.05, 0.3); LP[EDGE] += k * u(0.08, 0.35); LP[GRAD] += k * u(0.0, 0.22); LP[LAM2] += k * u(0, 0.15)
        elif name == "rails":
            LP[CONST] += k * u(0.08, 0.25); LP[RAIL] += k * u(0.25, 0.9); LP[GRAD] += k * u(-0.1, 0.2); LP[AOG] *= 0.5
        elif name == "ring":
            LP[CONST] += k * 0.05; LP[NZ] += k * u(0.2, 0.55); LP[RING] += k * u(0.5, 2.2); LP[HALF] += k * u(0, 0.5); LP[LAM1] += k * u(0, 0.3)
        elif name == "coax":
            LP[CONST] += k * 0.06; LP[NZ] += k * 0.1; LP[NZ3] += k * u(0.1, 0.5); LP[COAX] += k * u(0.6, 3.0)
        elif name == "side":
            LP[CONST] += k * u(0.03, 0.12); LP[NZ] += k * u(0.05, 0.2); LP[LAM1] += k * u(0.6, 1.1); LP[HALF] += k * u(0.3, 2.2); LP[SHD] = max(LP[SHD], u(0.3, 0.9))
        elif name == "polar":
            LP[CONST] += k * u(0.1, 0.3); LP[NZ] += k * u(0.2, 0.6); LP[INTF] = max(LP[INTF], k * u(0.4, 1.0)); LP[INTK] = u(1.0, 8.0); LP[INTP] = u(0, 1); LP[RIMD] += k * u(0, 0.4)
        elif name == "darkfield":  # light scattered at edges and rough places only
            LP[CONST] += k * u(0.0, 0.05); LP[EDGE] += k * u(0.2, 0.6); LP[RAIL] += k * u(0.2, 1.0); LP[RING] += k * u(0, 0.6); LP[RINGA] = u(0.8, 1.2)
        elif name == "becke":  # clear to dyed body; rim and bright line come from becke.py
            LP[TRANS] = u(0.9, 1.0); LP[TRCORE] = u(0.3, 1.0); LP[TRMID] = u(0, 0.2); LP[CONST] += 0.1; LP[NZ] += 0.2; LP[AOG] *= 0.1; LP[AOF] *= 0.2
        elif name == "trans":
            LP[TRANS] = u(0.75, 1.0) * k; LP[CONST] += 0.1; LP[NZ] += 0.2; LP[COAX] += u(0, 0.8); LP[AOG] *= 0.25
    return LP
