"""Forms of fibre ends: what kinds there are and the random parameters of one end.

Forms follow the classification of fibre fracture of Hearle, Lomas and Cooke, "Atlas of Fibre Fracture and Damage to Textiles"
(2nd ed. 1998; from memory): ductile and mushroom ends, high-speed caps, tapered and drawn ends, axial splits, fibrillation,
sharp and blunt cuts, flattened and fused ends. Shapes are families drawn wide, not copies of measured ends.

Lengths are in fibre diameters. `kind` says how the end is built (cut, cap, taper, tail, split, brush), `subtype` is the word of
the truth, `form` a finer one.
"""
import numpy as np

#: forms that are easily missed, per label; `hard` is their share
HARD = dict(sheared=[("torn_cut", 0.55), ("crushed_cut", 0.45)], tensile=[("taper", 0.24), ("drawn_tail", 0.26), ("split", 0.26), ("brush", 0.24)])
PLAIN = dict(sheared=[("clean_cut", 0.55), ("flared_cut", 0.45)], tensile=[("bulb", 0.80), ("weak_bulb", 0.20)])
CAPS = [("round", 0.34), ("flat", 0.16), ("hollow", 0.15), ("droop", 0.14), ("lopsided", 0.13), ("string", 0.08)]


def pick(rng, table):
    """One name of a table of (name, weight)."""
    names, w = zip(*table)
    return str(rng.choice(names, p=np.array(w) / sum(w)))


def subtype(rng, label, hard):
    """A form of the label; with probability `hard` one of the hard ones."""
    return pick(rng, (HARD if rng.random() < hard else PLAIN)[label])


def sample_end(rng, label, cut=None, hard=0.3, sub=None):
    """Random parameters of one end. `cut`: what the cuts of a carrier share (angle, sd, az, sub); `sub` forces the form."""
    if label == "sheared":
        if sub is None:
            sub = cut["sub"] if cut and rng.random() < 0.6 else subtype(rng, label, hard)
        e = dict(label=label, kind="cut", subtype=sub, seed=float(rng.uniform(0, 500)), **_plane(rng, cut))
        CUTS[sub](rng, e)
        return e
    sub = sub or subtype(rng, label, hard)
    e = dict(label=label, subtype=sub, seed=float(rng.uniform(0, 500)))
    TEARS[sub](rng, e)
    return e


def _plane(rng, cut):
    """Plane, burr and roughness of a cut: angle `a` from square, azimuth `az` of its slope."""
    u = rng.uniform
    a = cut["angle"] + rng.normal(0, cut["sd"]) if cut else float(rng.choice([abs(rng.normal(0, 9)), u(0, 55)], p=[0.55, 0.45]))
    return dict(a=float(np.clip(a, -10, 66)), az=float(cut["az"] + rng.normal(0, 0.12) if cut else u(0, 2 * np.pi)), rough=u(0.01, 0.07), flat=u(0, 0.2),
                burr=float(rng.choice([0, 1]) * u(0.03, 0.22)), rag=u(0.0, 0.04), steps=[], dome=rng.normal(0, 0.04), zone=1.0, fibrils=0, slivers=0)


def _clean(rng, e):
    u = rng.uniform
    e["form"] = "oblique" if abs(e["a"]) > 30 else "clean"
    r = rng.random()
    if r < 0.10:
        e.update(form="rounded", dome=u(0.12, 0.35), a=float(rng.normal(0, 15)))
    elif r < 0.18:
        e.update(form="oblique", a=u(48, 68))


def _flattening(rng):
    """Direction in which a blade presses: mostly the fibre is flattened in the picture plane (E1 lies in it)."""
    return float(rng.choice([-1, 1]) * np.pi / 2 + rng.normal(0, 0.45) if rng.random() < 0.7 else rng.uniform(0, 2 * np.pi))


def _flared(rng, e):
    """Blade-flared: the edge stands out on one side or both, the front stays flat."""
    u = rng.uniform
    total = u(0.12, 0.62) if rng.random() < 0.85 else u(0.6, 1.4)
    share = float(rng.choice([0.0, 1.0, u(0.25, 0.75)], p=[0.25, 0.25, 0.5]))
    e.update(form="two_sided" if 0 < share < 1 else "one_sided", flare=(total * share, total * (1 - share)), thin=u(0.35, 1.0), zone=float(np.exp(u(np.log(0.3), np.log(2.4)))),
             pw=u(1.0, 3.2), rag=u(0.0, 0.06), lip=float(rng.choice([0, rng.normal(0, 0.3)])), fan=rng.normal(0, 0.12), flare_az=_flattening(rng), burr=0.3 * e["burr"])
    if rng.random() < 0.5:
        e["a"] = float(rng.normal(0, 10))
    e["a"] = float(np.clip(e["a"] * (0.4 if total > 0.6 else 1.0), -42, 42))  # a steep slope across a wide front would draw out a blade


def _torn(rng, e):
    """Torn or stepped: plateaus at different heights, steep walls, ragged rims, slivers."""
    u = rng.uniform
    form = pick(rng, [("stepped", 0.5), ("ragged", 0.3), ("frayed", 0.2)])
    e.update(form=form, burr=0.0, rag=u(0.02, 0.12), rough=u(0.04, 0.14), a=float(np.clip(e["a"], -45, 45)))
    if form != "frayed":
        a0 = u(0, 2 * np.pi)
        n = int(rng.choice([1, 2, 3], p=[0.5, 0.35, 0.15])) if form == "stepped" else 1
        e["steps"] = [(float(a0 + rng.normal(0, 0.5) + (np.pi if i else 0)), u(-0.28, 0.28), u(0.25, 1.3) * rng.uniform(0.5, 1), u(0.02, 0.09)) for i in range(n)]
    if form == "ragged":
        e["rag"] = u(0.15, 0.5)
    if form == "frayed":
        e.update(rag=u(0.06, 0.3), fibrils=int(rng.integers(3, 14)), flen=u(0.25, 1.1))
    elif rng.random() < 0.4:
        e["slivers"] = int(rng.integers(1, 4))
    if rng.random() < 0.5:
        e.update(flare=(u(-0.08, 0.2), u(-0.08, 0.2)), thin=u(0.5, 1.0), zone=u(0.6, 2.0), pw=u(0.8, 2), lip=0.0, fan=0.0, flare_az=_flattening(rng))


def _crushed(rng, e):
    """Pressed flat before or while it was cut: wide and thin, often creased lengthwise."""
    u = rng.uniform
    wide = u(0.2, 1.0)
    side = float(np.clip(rng.normal(0.5, 0.15), 0.1, 0.9))
    e["a"] = float(np.clip(e["a"], -42, 42))
    e.update(form="crushed", flare=(wide * side, wide * (1 - side)), thin=u(0.12, 0.5), zone=u(1.2, 5.0), pw=u(0.6, 1.4), soft=True, rag=u(0.01, 0.16), lip=float(rng.choice([0, rng.normal(0, 0.4)])),
             fan=rng.normal(0, 0.06), flare_az=_flattening(rng), crease=float(rng.choice([0, u(0.04, 0.2)])), creases=int(rng.integers(3, 8)), burr=0.0)
    if rng.random() < 0.25:
        e.update(fibrils=int(rng.integers(1, 6)), flen=u(0.2, 0.9))


CUTS = dict(clean_cut=_clean, flared_cut=_flared, torn_cut=_torn, crushed_cut=_crushed)


def _cap(rng, e):
    u = rng.uniform
    form = pick(rng, CAPS)
    e.update(kind="cap", form=form, tilt=float(np.deg2rad(abs(rng.normal(0, 14)))), tilt_az=u(0, 6.28), off=float(abs(rng.normal(0, 0.1))), lob=u(0.06, 0.32), crumple=u(0.04, 0.22),
             ratio=1.3 + 1.6 * rng.beta(1.2, 2.0), h=u(0.4, 1.3), e1=u(0.55, 1.15), e2=u(0.5, 1.0), wisps=int(rng.choice([0, 1, 2, 4], p=[.6, .2, .13, .07])), ragrim=float(rng.choice([0, u(0.05, 0.3)])),
             neck=1.0, neck_at=u(0.1, 1.0), neck_len=u(0.3, 1.4), curl=float(rng.choice([0, rng.normal(0, 0.8)], p=[0.7, 0.3])), curl_len=u(2, 6))
    if rng.random() < 0.45:
        e["neck"] = u(0.55, 0.98) if rng.random() < 0.75 else u(1.02, 1.15)
    if form == "flat":
        e.update(ratio=u(1.35, 2.6), h=u(0.16, 0.5), e1=u(0.2, 0.5), e2=u(0.3, 0.7), tilt=float(np.deg2rad(abs(rng.normal(0, 8)))))
    elif form == "hollow":
        e.update(ratio=u(1.4, 2.8), h=u(0.5, 1.2), depth=u(0.3, 0.95), wall=u(0.08, 0.25))
    elif form == "droop":
        e.update(ratio=u(1.5, 3.0), h=u(0.5, 1.3), depth=u(0.4, 1.0))
    elif form == "lopsided":
        e.update(off=u(0.25, 0.6), tilt=u(0.3, 0.95))
    elif form == "string":
        e["wisps"] += 1


def _weak(rng, e):
    u = rng.uniform
    _cap(rng, e)
    e.update(form="round", ratio=u(1.05, 1.28), lob=u(0.03, 0.1), crumple=u(0.02, 0.1), h=u(0.4, 1.3), e1=u(0.45, 1.2), ragrim=0.0, off=0.5 * e["off"])


def _curl(rng, e, length):
    """Bends the last `length` of the centre line."""
    e.update(curl=float(rng.normal(0, rng.choice([0.15, 0.6, 1.6], p=[0.45, 0.35, 0.2]))), curl_len=length, twirl=float(rng.choice([0, rng.uniform(0.05, 0.35)], p=[0.7, 0.3])))


def _taper(rng, e):
    """Drawn down to a thin tip over some diameters: cone, cigar or a flattened blade."""
    u = rng.uniform
    lt = float(np.exp(u(np.log(1.2), np.log(8.0))))
    e.update(kind="taper", form=pick(rng, [("cigar", 0.4), ("cone", 0.35), ("blade", 0.25)]), lt=lt, q=float(rng.choice([u(0.03, 0.15), u(0.12, 0.5)])), tend=u(0.6, 1.8), lump=float(rng.choice([u(0, 0.15), u(0.1, 0.45)])),
             blade=1.0, fibrils=int(rng.choice([0, rng.integers(1, 6)], p=[0.6, 0.4])))
    if e["form"] == "blade":
        e["blade"] = u(0.25, 0.7)
    _curl(rng, e, lt * u(0.8, 2.0))


def _tail(rng, e):
    """A neck, then a thin tail of some diameters, straight to curled; its tip blunt, pointed or a small knob."""
    u = rng.uniform
    lt = float(np.exp(u(np.log(1.5), np.log(9.0))))
    e.update(kind="tail", form=pick(rng, [("blunt", 0.45), ("pointed", 0.3), ("knob", 0.25)]), tail=lt, w=u(0.18, 0.52), neck_len=float(np.exp(u(np.log(0.3), np.log(2.5)))), shoulder=float(rng.choice([0, u(0.03, 0.18)], p=[0.6, 0.4])),
             lump=u(0.0, 0.25), blade=float(rng.choice([1.0, u(0.4, 0.9)])), knob=u(1.2, 2.0), fibrils=int(rng.choice([0, rng.integers(1, 4)], p=[0.7, 0.3])))
    e["lt"] = lt + e["neck_len"]
    _curl(rng, e, e["lt"])


def _split(rng, e):
    """Divided lengthwise into two to four strands that open, bend and end unevenly."""
    u = rng.uniform
    n = int(rng.choice([2, 3, 4], p=[0.55, 0.3, 0.15]))
    e.update(kind="split", form=f"{n}_strands", strands=n, lt=float(np.exp(u(np.log(1.5), np.log(6.5)))), open=u(0.05, 0.6), uneven=u(0.0, 0.5), shares=rng.dirichlet(np.full(n, u(2.0, 12.0))).tolist(),
             turn=u(0, 2 * np.pi), bend=float(rng.normal(0, 0.7)), thin=u(0.15, 0.9), twirl=u(0, 0.25), fibrils=int(rng.choice([0, rng.integers(1, 6)], p=[0.65, 0.35])), flen=u(0.5, 2.0))


def _brush(rng, e):
    """Fibrillated: a stump from which many fibrils of uneven length come."""
    u = rng.uniform
    few = rng.random() < 0.3
    e.update(kind="brush", form="loose" if few else "dense", strands=int(rng.integers(5, 12) if few else rng.integers(12, 42)), lt=float(np.exp(u(np.log(0.9), np.log(5.0)))), open=u(0.05, 0.7), uneven=u(0.1, 0.7),
             bend=u(0, 1.3), stump=u(0.0, 1.2), q=u(0.3, 1.0), rad=(0.03, u(0.06, 0.14)), clump=float(rng.choice([0, u(0.2, 0.8)])))


TEARS = dict(bulb=_cap, weak_bulb=_weak, taper=_taper, drawn_tail=_tail, split=_split, brush=_brush)
