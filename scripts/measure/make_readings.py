#!/usr/bin/env python3
"""Cuts the strips that the gauge learns from: one straightened strip for each true end and each way a finder may miss it.

    python make_readings.py OUT.npz SET_DIR [SET_DIR ...] [--variants 6] [--seed 1]

Needs Python 3.11+, numpy, opencv-python-headless. A set is any folder of pictures with truth (`scripts/render`, or a lab's
own in the same schema). Writes uint8 strips of 80 x 48 samples, 12 to the told width, with what is to be read from them:

- `read`: ln(true width / told width); turn of the axis in degrees; tip along and across in told widths; slope of the end's
  line in the strip, degrees, and ln(bulb ratio); NaN = not known
- `meta`: shaft diameter px, gradable, sheared, look number, picture number, first or second pass
"""
import argparse
import glob
import json
import math
import os

import cv2
import numpy as np

ROWS, COLUMNS, BEHIND, PER_WIDTH = 80, 48, 57, 12
LOOKS = ["ring", "coax", "side", "trans", "sem"]


def halved(img):
    """The picture at halving sizes, each the mean of 2 x 2."""
    levels = [img]
    while min(levels[-1].shape[:2]) > 8 and len(levels) < 6:
        a = levels[-1]
        h, w = a.shape[0] // 2 * 2, a.shape[1] // 2 * 2
        four = a[0:h:2, 0:w:2].astype(np.uint16) + a[1:h:2, 0:w:2] + a[0:h:2, 1:w:2] + a[1:h:2, 1:w:2]
        levels.append(((four + 2) // 4).astype(np.uint8))
    return levels


def cut(levels, x, y, axis_deg, width):
    """The strip at a told tip, axis and width, as the program cuts it."""
    step = width / PER_WIDTH
    level = min(int(math.log2(step)) if step >= 2 else 0, len(levels) - 1)
    a = math.radians(axis_deg)
    u, v = np.meshgrid((np.arange(ROWS) - BEHIND) * step, (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * step, indexing="ij")
    px, py = x + u * math.cos(a) - v * math.sin(a), y + u * math.sin(a) + v * math.cos(a)
    k = 0.5**level
    at = lambda p: ((p + 0.5) * k - 0.5).astype(np.float32)
    return cv2.remap(levels[level], at(px), at(py), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def told(rng, second):
    """How far a finder (first pass) or the first reading (second pass) may be off: width (log), axis, tip along and across."""
    if second:
        wide = 1.0 if rng.random() < 0.8 else 2.5
        return rng.normal(0, 0.05 * wide), rng.normal(0, 2.0 * wide), *rng.normal(0, 0.08 * wide, 2)
    wide = 1.0 if rng.random() < 0.75 else 2.2
    return rng.normal(0, 0.14 * wide), rng.normal(0, 5 * wide), *rng.normal(0, 0.17 * wide, 2)


def main():
    """Command line."""
    ap = argparse.ArgumentParser()
    ap.add_argument("out")
    ap.add_argument("sets", nargs="+")
    ap.add_argument("--variants", type=int, default=6)
    ap.add_argument("--seed", type=int, default=1)
    a = ap.parse_args()
    rng = np.random.default_rng(a.seed)
    strips, reads, metas, picture = [], [], [], 0
    for folder in a.sets:
        for path in sorted(glob.glob(os.path.join(folder, "*.json"))):
            truth = json.load(open(path, encoding="utf-8"))
            if not isinstance(truth, dict) or not truth.get("ends"):
                continue
            img = cv2.imread(os.path.join(folder, truth["image"]))
            if img is None:
                continue
            levels, picture = halved(img), picture + 1
            look = LOOKS.index(truth["look"]) if truth["look"] in LOOKS else len(LOOKS)
            for e in truth["ends"]:
                d = e["shaft_diameter_px"]
                if not d or d < 5 or e["visible_fraction"] < 0.45 or e["defocus_px"] > max(3, 0.2 * d):
                    continue
                for k in range(a.variants):
                    second = k % 2 == 1
                    dw, turn, along, across = told(rng, second)
                    width, axis = d * math.exp(dw), e["axis_deg"] + turn
                    c, s = math.cos(math.radians(axis)), math.sin(math.radians(axis))
                    x, y = e["x_px"] + d * (along * c - across * s), e["y_px"] + d * (along * s + across * c)
                    if not (0 <= x < img.shape[1] and 0 <= y < img.shape[0]):
                        continue
                    strips.append(cut(levels, x, y, axis, width))
                    line = e.get("end_line_deg")
                    bulb = e.get("bulb_ratio")
                    reads.append([-dw, -turn, -along * d / width, -across * d / width,
                                  math.nan if line is None else line + turn, math.log(bulb) if bulb else math.nan])
                    metas.append([d, e["gradable"], e["label"] == "sheared", look, picture, second])
    np.savez(a.out, img=np.array(strips), read=np.array(reads, np.float32), meta=np.array(metas, np.float32))
    print(len(strips), "strips of", picture, "pictures")


if __name__ == "__main__":
    main()
