"""Truth files read for the networks over strips: pictures at halving sizes, ends as rows of numbers, the map of fibres."""
import json
import math
import os

import cv2
import numpy as np

from networks import EXTRA, SUBTYPES, TENSILE

LEVELS = 6
LOOKS = ("ring", "coax", "side", "trans", "sem")
#: columns of an end: picture, x, y, axis, width, line, ln bulb, sheared (-1 unknown), gradable (-1 not asked), look, visible share,
#: subtype (-1 unknown), fibre (its value in the map, 0 unknown), pull, then the readings of EXTRA
X, Y, AXIS, WIDTH, LINE, BULB, SHEARED, GRADABLE, LOOK, VISIBLE, FORM, FIBRE, PULL, MORE = range(1, 15)
END = MORE + len(EXTRA)
#: subtypes of the truth by the names of `SUBTYPES`
FORM_OF = {"bulb": "cap", "weak_bulb": "weak_cap", "clean_cut": "clean", "rounded_cut": "clean", "chisel_cut": "clean", "oblique_cut": "clean", "end_on_cut": "end_on",
           "flared_cut": "flared", "torn_cut": "torn", "stepped_cut": "torn", "frayed_cut": "torn", "crushed_cut": "crushed", "fused_cut": "fused"}
#: how much more often an end of a rare form is shown
FORM_PULL = {"taper": 1.8, "drawn_tail": 2.0, "split": 2.0, "brush": 2.0, "torn": 1.5, "crushed": 1.5, "flared": 1.3, "end_on": 1.3, "fused": 1.3}
#: fields of the truth for EXTRA: name, whether its logarithm is read, and the forms that have it; it is learnt from these alone, since
#: a median over all ends would be that of the many that lack it
DIVIDED, CUTS = ("split", "brush"), SUBTYPES[TENSILE:]
EXTRA_OF = (("strands", True, DIVIDED), ("divided_length_d", False, DIVIDED), ("tail_width_d", True, ("drawn_tail",)), ("tail_length_d", False, ("drawn_tail",)),
            ("neck_width_d", True, ("cap", "weak_cap", "drawn_tail")), ("flare_left_d", False, CUTS), ("flare_right_d", False, CUTS), ("step_height_d", False, ("torn",)))


def halved(img):
    """The picture at halving sizes, each the mean of 2 x 2."""
    levels = [img]
    while len(levels) < LEVELS:
        h, w = img.shape[:2]
        if min(h, w) >= 4:
            img = cv2.resize(img, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        levels.append(img)
    return levels


def extras(end, form):
    """The readings of EXTRA of one end; NaN where its form lacks them or the truth does not hold them."""
    out = []
    for field, logarithm, forms in EXTRA_OF:
        value = end.get(field) if form in forms else None
        out.append(math.nan if value is None else math.log(max(float(value), 0.02)) if logarithm else float(value))
    return out


def row(e, doc, shape):
    """One end as a row of numbers, or None when it cannot be read."""
    d = e.get("shaft_diameter_px")
    if not d or e.get("axis_deg") is None:
        return None
    line, bulb = e.get("end_line_deg"), e.get("bulb_ratio")
    sheared = {"sheared": 1.0, "tensile": 0.0}.get(e.get("label"), -1.0)
    visible = e.get("visible_fraction", 1.0)
    inside = 0 <= e["x_px"] < shape[1] and 0 <= e["y_px"] < shape[0]
    seen = inside and d >= 5 and visible >= 0.3 and (e.get("defocus_px") or 0) <= max(4, 0.25 * d)
    form = FORM_OF.get(e.get("subtype"), e.get("subtype"))
    look = LOOKS.index(doc["look"]) if doc.get("look") in LOOKS else len(LOOKS)
    return [0, e["x_px"], e["y_px"], e["axis_deg"], d, line if line is not None and sheared == 1 else math.nan, math.log(bulb) if bulb else math.nan, sheared,
            float(bool(e["gradable"])) if seen or e["gradable"] else -1.0, look, visible, SUBTYPES.index(form) if form in SUBTYPES else -1,
            e.get("fibre", -1) + 1, FORM_PULL.get(form, 1.0), *extras(e, form)]


def read(path):
    """Picture at halving sizes, rows of its ends, scale, path, map of fibres (or None) and its shift; None when this is no truth
    file or half written."""
    try:
        with open(path, encoding="utf-8") as handle:
            doc = json.load(handle)
    except ValueError:
        return None
    if not isinstance(doc, dict) or "ends" not in doc or "image" not in doc:
        return None
    folder = os.path.dirname(path)
    img = cv2.imread(os.path.join(folder, doc["image"]))
    if img is None:
        return None
    partial = [dict(p, gradable=False) for p in doc.get("partial_ends", ()) if p.get("x_px") is not None]
    rows = [r for r in (row(e, doc, img.shape) for e in doc["ends"] + partial) if r]
    file = os.path.join(folder, doc.get("fibre_map") or "")
    fibres = cv2.imread(file, cv2.IMREAD_UNCHANGED) if os.path.isfile(file) else None
    if fibres is not None:
        fibres = np.ascontiguousarray(fibres).view(np.int16)
    return halved(img), rows, doc.get("um_per_px"), path, fibres, doc.get("fibre_map_shift_px", 0.0)
