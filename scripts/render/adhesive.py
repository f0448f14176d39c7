"""The set `adhesive`: fibres on and in an adhesive pad under the electron microscope. plan() makes jobs, render() one picture.

Fibres, ends, captions and truth are those of `domain_randomised`; ground, layout, light and exposure are this set's own: an uneven pad that
climbs fibres, furrows where fibres were lifted off, torn skin, crumbs, tangles, cut bundles, fibres that rise towards the
detector, and bodies about as dark as the pad.
"""
import cv2
import numpy as np

import adhesive_ground as ag
from geometry import add_blob, DUST
import centre_lines as cl
import domain_randomised
import randomised_camera as rc
import randomised_scene as rs
import randomised_shade as rsh


def plan(seed, count):
    """Jobs of the set; job i depends on (seed, i) only."""
    return [dict(name=f"adhesive_{seed}_{i:04d}", seed=[int(seed), 31, i], set="adhesive") for i in range(count)]


def setup(rng):
    """Draws all parameters of one picture."""
    u = rng.uniform
    W = int(rng.choice([900, 1024, 1280])); H = int(W * rng.choice([0.7, 0.75]))
    px = float(np.exp(u(np.log(8), np.log(40))))
    d = float(u(12, 40))
    area = (W * H) / (900 * 700) * (14 / px) ** 0.7
    some = lambda a, b: int(np.clip(rng.integers(a, b) * area ** 0.5, 0, 120))
    layout = str(rng.choice(["sparse", "tangle", "bundle", "bare"], p=[0.42, 0.28, 0.24, 0.06]))
    n = dict(sparse=some(2, 12), tangle=some(4, 16), bundle=some(1, 8), bare=0)[layout]
    through = dict(sparse=some(0, 7), tangle=some(10, 40), bundle=some(2, 16), bare=some(1, 9))[layout]
    style = rs.sample_style(rng)
    if rng.random() < 0.5:
        style.update(curv=float(u(0.01, 0.06)), loops=float(u(0.05, 0.6)), kinks=float(rng.choice([0, u(0.5, 4)])), hairpins=float(rng.choice([0, u(0.2, 1.0)])))
    shapes = dict(round=u(0.5, 3), oval=u(0, 1), ribbon=float(rng.choice([0, u(0.3, 3)])), grooved=float(rng.choice([0, u(0.2, 2)])), lumpy=float(rng.choice([0, u(0.2, 1)])),
                  crumpled=float(rng.choice([0, u(0.3, 2)])))
    return dict(view="adhesive", look=str(rng.choice(["sem", "rails"], p=[0.72, 0.28])), layout=layout, W=W, H=H, px=px, d=d, um=d / px, n=n, through=through, grey=True, adhesive=True,
                shapes=shapes, ss=2 if px < 22 else 1, K=int(rng.integers(1, 4)), spread=float(u(0.02, 0.35)), p_shear=float(rng.choice([1, u(0.5, 1), u(0, 0.5)], p=[0.45, 0.35, 0.2])),
                two=float(rng.choice([0, 0.3, 0.8])), hard=float(rng.choice([0.03, u(0.1, 0.4)], p=[0.5, 0.5])), crossings=float(rng.choice([0, u(0.05, 0.3)])),
                marks=int(rng.choice([0, rng.integers(1, 6)], p=[0.85, 0.15])), weave=0.0, dives=float(rng.choice([0.5, 3, 8])), dust=float(rng.choice([3, 10, 40])), lint=float(rng.choice([0, 0.6])),
                mat=material(rng), style=style, alike=float(rng.choice([u(0.5, 1.5), u(0.15, 0.6)], p=[0.7, 0.3])), dark=float(rng.choice([0, u(0.1, 0.35)])), compose=compose,
                pad=ag.Pad, light=light, finish=finish)


def material(rng):
    """Coated polymer: one grey, mostly smooth."""
    mat = rs.make_material(rng, True)
    mat.update(cov=0.0, mode=0.0, bump=float(rng.uniform(0, 0.06)), grain=float(rng.choice([0, rng.uniform(0.005, 0.05)])), gain=float(rng.uniform(0, 0.2)))
    if rng.random() < 0.12:
        mat["cov"] = float(rng.uniform(0.2, 0.8))
    return mat


def light(rng, look, pu):
    """Secondary electrons: more from steep places (edges), more from what faces the detector, little from between bodies."""
    u = rng.uniform
    LP = rsh.light_mix(rng, "sem", pu)
    for slot in (rsh.RING, rsh.COAX, rsh.HALF, rsh.INTF, rsh.TRANS, rsh.LAM1, rsh.SHD, rsh.NZ, rsh.NZ3, rsh.RIMD, rsh.RAIL):
        LP[slot] = 0
    LP[rsh.CONST], LP[rsh.EDGE], LP[rsh.GRAD], LP[rsh.LAM2] = u(0.06, 0.22), u(0.08, 0.3), u(0.03, 0.3), u(0, 0.1)
    if look == "rails":
        LP[rsh.EDGE] *= 0.5; LP[rsh.RAIL] = u(0.1, 0.5)
    LP[rsh.AOF], LP[rsh.AOG], LP[rsh.FACEM], LP[rsh.BULBM] = u(0.3, 0.9), u(0.2, 0.9), u(0.8, 1.4), u(0.8, 1.3)
    return LP


def finish(col, rng, grey, fg, dpx):
    """Charge, exposure about the pad's own grey, blur, noise. Returns uint8 RGB."""
    u = rng.uniform
    im = col.mean(2, keepdims=True)
    if rng.random() < 0.6:
        im = rc.halo(im, fg, rng, 0.5 * dpx)
    H, W = im.shape[:2]
    y, x = np.mgrid[0:H, 0:W].astype(np.float32)
    a = u(0, 6.28)
    im = im * np.clip(1 + u(0, 0.8) * ((x / W - 0.5) * np.cos(a) + (y / H - 0.5) * np.sin(a)), 0.3, None)[..., None]
    im = np.maximum(im, 0) / max(float(np.median(im)), 1e-4)
    im = im ** u(0.6, 1.3)
    im = im * min(u(0.12, 0.5), u(0.5, 1.1) / float(np.percentile(im, 98)))
    im = np.where(im > 0.7, 0.7 + 0.3 * (1 - np.exp(-(im - 0.7) / 0.3)), im)
    im = cv2.GaussianBlur(im, (0, 0), u(0.5, 1.4) if dpx > 9 else u(0.4, 0.9))[..., None]
    if rng.random() < 0.2:
        span = u(0.25, 0.6)
        im = u(0.05, 0.95 - span) + span * im
    if rng.random() < 0.2:
        band = cv2.GaussianBlur(np.repeat(rng.normal(0, 1, (H, 1)).astype(np.float32), 8, 1), (0, 0), u(1, 14))[:, :1]
        im = im * (1 + u(0.02, 0.08) * band[..., None])
    im, noise = rc.keep_visible(im, float(rng.choice([u(0.004, 0.02), u(0.02, 0.06)], p=[0.65, 0.35])), dpx)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (H, W)).astype(np.float32), (0, 0), u(0.2, 0.7))
    im = im + noise * (grain / grain.std())[..., None] * np.sqrt(0.4 + im)
    return np.repeat((np.clip(im, 0, 1) * 255 + 0.5).astype(np.uint8), 3, 2)


def compose(rng, job, um, hw, hh, ground):
    """Builds the scene of a job on its pad. Returns the Scene."""
    sc = rs.Scene(rng, job, um, hw, hh, ground)
    deep = dict(sparse=0.6, tangle=4.0, bundle=2.0, bare=1.0)[job["layout"]]
    for _ in range(rng.poisson(1.5)):
        _furrow(rng, sc)
    for i in range(job["through"]):
        sc.loose(1000 + i, with_end=False, layer=abs(rng.normal(0, deep)))
    if job["layout"] == "bundle":
        for c in rs.carriers(rng, job, job["K"]):
            turn = rng.uniform(0, 2 * np.pi)
            u = np.array([np.cos(turn), np.sin(turn)])
            spacing = rng.uniform(0.9, 2.2) * c["d"]
            sc.bundle(c, rng.uniform(-0.5, 0.5, 2) * [hw, hh] + 0.2 * u * hw, turn, int(rng.integers(3, 14)), spacing, rng.uniform(1, 9), rng.uniform(0, 1.2))
    for i in range(job["n"]):
        sc.loose(i, True, two=rng.random() < job["two"], layer=abs(rng.normal(0, deep)))
    for i in range(rng.poisson(job["dives"])):
        sc.loose(2000 + i, with_end=False, dive=True, layer=abs(rng.normal(0, 0.6)))
    cling = rng.choice([0.0, rng.uniform(0.1, 0.8)], p=[0.25, 0.75])
    for path, d in sc.paths:
        if cling and rng.random() < 0.8:
            ground.climb(path, d, cling * rng.uniform(0.4, 1.2))
    if rng.random() < 0.2:
        _sheet(rng, sc)
    sc.dirt()
    return sc


def _sheet(rng, sc):
    """A scrap of film lying among the fibres."""
    d = sc.d0
    at = np.array([rng.uniform(-sc.hw, sc.hw), rng.uniform(-sc.hh, sc.hh), rng.uniform(0.2, 2) * d])
    a = rng.uniform(0, np.pi); c, s = np.cos(a), np.sin(a)
    add_blob(sc.mesh, at, d * np.array([rng.uniform(3, 14), rng.uniform(1.5, 5), rng.uniform(0.2, 0.8)]), sc.nf, rng.uniform(0, 300), rng.uniform(0.2, 0.6), M=48, nt=24,
             frame=np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]]), zone=DUST)
    sc.mats.append(rs.mat_row(rng, sc.mat, d, rng.uniform(0, 300))); sc.nf += 1


def _furrow(rng, sc):
    """The bed of a fibre that was lifted off, or the ring of a burst bubble: two lips along a groove."""
    d = sc.diameter()
    if rng.random() < 0.25:
        t = np.linspace(0, rng.uniform(2, 6.3), 60); r = rng.uniform(1.5, 6) * d
        xy = rng.uniform(-0.9, 0.9, 2) * [sc.hw, sc.hh] + r * np.c_[np.cos(t), rng.uniform(0.7, 1) * np.sin(t)]
    else:
        xy, _ = cl.walk(rng, rng.uniform(-0.95, 0.95, 2) * [sc.hw, sc.hh], rng.uniform(0, 2 * np.pi), d, sc.style, rng.uniform(5, 40) * d, sc.hw, sc.hh)
    sc.ground.furrow(xy, d)


def render(job):
    """Renders one job and writes image and truth. Returns the report row."""
    return domain_randomised.render(job, setup)
