#!/usr/bin/env python3
"""Draws strips of plain shapes whose measures are known by construction: cuts, bows, caps, rails, stripes, neighbours, crossings.

    python plain_shapes.py OUT.npz [--count 4000] [--seed 1]

Needs Python 3.11+ and numpy. Writes strips (`img`), what is to be read from them (`read`, in the order of networks.py) and `meta`; they keep the regression network from learning one renderer by heart.
"""
import argparse
import math

import numpy as np

ROWS, COLUMNS, BEHIND, PER_WIDTH, FINE = 80, 48, 57, 12, 4


def shrink(a):
    """Mean of FINE x FINE samples."""
    return a.reshape(ROWS, FINE, COLUMNS, FINE, *a.shape[2:]).mean((1, 3))


def shade(rng, s):
    """Brightness across a shaft, s = -1..1 from edge to edge: plain, dark limbs, bright rails, a highlight, stripes."""
    kind = rng.integers(0, 5)
    s = np.clip(s, -1.2, 1.2)
    if kind == 1:
        return 0.4 + 0.6 * np.sqrt(np.maximum(0, 1 - s**2 * 0.95))
    if kind == 2:
        return 0.5 + np.abs(s) ** rng.uniform(3, 8)
    if kind == 3:
        low = rng.uniform(0.2, 0.8)
        return low + rng.uniform(0.4, 1.5) * np.exp(-(((s - rng.uniform(-0.5, 0.5)) / rng.uniform(0.1, 0.35)) ** 2))
    out = np.ones_like(s)
    if kind == 4:
        for _ in range(rng.integers(1, 5)):
            out = out * np.where(np.abs(s - rng.uniform(-0.9, 0.9)) < rng.uniform(0.03, 0.2), rng.uniform(0.4, 1.5), 1)
    return out


def draw(rng):
    """One strip and its readings."""
    h, w = ROWS * FINE, COLUMNS * FINE
    grey = rng.random() < 0.5
    colour = lambda: np.full(3, rng.uniform(0, 255)) if grey else rng.uniform(0, 255, 3)
    ground, body = colour(), colour()
    while np.abs(body - ground).max() < 20:
        body = colour()
    second = rng.random() < 0.5
    sd_w, sd_a, sd_t = (0.06, 2.5, 0.09) if second else (0.18, 6, 0.2)
    d = PER_WIDTH * math.exp(rng.normal(0, sd_w))
    turn = rng.normal(0, math.radians(sd_a))
    off = rng.normal(0, sd_t * d, 2)
    tx, ty = (COLUMNS - 1) / 2 + off[0], BEHIND + off[1]
    bend = rng.normal(0, 0.04) / d if rng.random() < 0.5 else 0.0
    yy, xx = np.mgrid[0:h, 0:w]
    x, y = (xx + 0.5) / FINE - 0.5 - tx, (yy + 0.5) / FINE - 0.5 - ty
    u, v = y * math.cos(turn) + x * math.sin(turn), -y * math.sin(turn) + x * math.cos(turn)
    v = v - bend * u * np.abs(u) * 0.5
    r = d / 2
    shaft = np.abs(v) < r
    # the axis is the chord of the last 1.5 diameters
    axis = turn + 0.75 * bend * d
    line, bulb = math.nan, 1.0
    kind = rng.integers(0, 4)
    if kind in (0, 3):
        a = math.radians(rng.uniform(-60, 60)) if rng.random() < 0.7 else 0.0
        own = shaft & (u < v * math.tan(a))
        line = math.degrees(a - turn)
    elif kind == 1:
        bow = rng.uniform(0.02, 0.5) * d
        own = shaft & (u < bow * np.sqrt(np.maximum(0, 1 - (v / r) ** 2)))
    else:
        rc, hc, side = r * rng.uniform(1.03, 2.2), d * rng.uniform(0.25, 0.9), rng.normal(0, 0.08 * d)
        own = (shaft & (u < 0)) | ((((v - side) / rc) ** 2 + (u / hc) ** 2) < 1)
        bulb = (max(side + rc, r) - min(side - rc, -r)) / d
    img = np.ones((h, w, 3), np.float32) * ground
    for side in (-1, 1):
        if rng.random() < 0.5:
            gap = rng.uniform(0, 0.6) * d if rng.random() < 0.6 else 0.0
            width = d * rng.uniform(0.85, 1.15)
            vn = v - side * (0.5 * d + gap + 0.5 * width) - rng.normal(0, 0.03) * u
            mask = (np.abs(vn) < width / 2) & (u < rng.uniform(-2, 3) * d + vn * rng.uniform(-1, 1))
            other = body if rng.random() < 0.7 else colour()
            img = np.where(mask[..., None], other * shade(rng, 2 * vn / width)[..., None], img)
    face = rng.uniform(0.6, 1.5) if kind == 2 and rng.random() < 0.4 else 1.0
    img = np.where(own[..., None], body * (shade(rng, v / r) * np.where(u > -0.25 * d, face, 1))[..., None], img)
    if rng.random() < 0.2:
        ang = rng.uniform(0.5, 1.2) * rng.choice([-1, 1])
        q = (u + rng.uniform(1.5, 4.5) * d) * math.cos(ang) + v * math.sin(ang)
        img = np.where((np.abs(q) < r)[..., None], body * shade(rng, q / r)[..., None], img)
    strip = shrink(np.clip(img, 0, 255)).astype(np.uint8)
    read = [math.log(d / PER_WIDTH), math.degrees(axis), off[1] / PER_WIDTH, off[0] / PER_WIDTH, line, math.log(bulb)]
    return strip, read, [d, True, kind != 2, 5, -1, second]


def main():
    """Command line."""
    ap = argparse.ArgumentParser()
    ap.add_argument("out")
    ap.add_argument("--count", type=int, default=4000)
    ap.add_argument("--seed", type=int, default=1)
    a = ap.parse_args()
    rng = np.random.default_rng(a.seed)
    rows = [draw(rng) for _ in range(a.count)]
    np.savez(a.out, img=np.array([r[0] for r in rows]), read=np.array([r[1] for r in rows], np.float32),
             meta=np.array([r[2] for r in rows], np.float32))
    print(a.count, "plain strips")


if __name__ == "__main__":
    main()
