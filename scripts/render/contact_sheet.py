#!/usr/bin/env python3
"""Crops of ends by subtype with their truth, to look at:  python contact_sheet.py OUT.png SET_DIR [SET_DIR ...] [--each N] [--only split,brush]"""
import argparse
import collections
import glob
import json
import os

import cv2
import numpy as np

SIZE = 190
MEASURES = dict(drawn_tail=("tail_width_d", "tail_length_d", "neck_width_d"), split=("strands", "divided_length_d"), brush=("strands", "divided_length_d"), bulb=("neck_width_d",),
                flared_cut=("flare_left_d", "flare_right_d"), crushed_cut=("flare_left_d", "flare_right_d"), torn_cut=("step_height_d", "cut_angle_signed_deg"), clean_cut=("cut_angle_signed_deg",))


def crop(im, e):
    """One end, its tip (red) and axis (yellow) in the middle."""
    wide = 9 if e["subtype"] in ("drawn_tail", "split", "brush", "taper") else 6
    k = SIZE / (wide * e["shaft_diameter_px"])
    c = cv2.warpAffine(im, np.float32([[k, 0, SIZE / 2 - k * e["x_px"]], [0, k, SIZE / 2 - k * e["y_px"]]]), (SIZE, SIZE), flags=cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC)
    a, p = np.deg2rad(e["axis_deg"]), SIZE / 2
    at = lambda r: (int(p + r * np.cos(a)), int(p + r * np.sin(a)))
    cv2.line(c, at(22), at(30), (0, 255, 255), 1); cv2.circle(c, at(0), 2, (0, 0, 255), -1)
    top = f"{e['subtype'][:7]} {e.get('form', '')[:6]} {e['shaft_diameter_px']:.0f}px r{e['bulb_ratio']:.2f}"
    low = " ".join(str(e.get(m)) for m in MEASURES.get(e["subtype"], ()))
    for t, y, colour in ((top, 10, (0, 255, 255)), (low, SIZE - 4, (0, 255, 0))):
        cv2.putText(c, t, (2, y), 0, 0.33, (0, 0, 0), 2); cv2.putText(c, t, (2, y), 0, 0.33, colour, 1)
    return c


def main():
    """Command line."""
    ap = argparse.ArgumentParser()
    ap.add_argument("out"); ap.add_argument("sets", nargs="+"); ap.add_argument("--each", type=int, default=9); ap.add_argument("--only", default="")
    a = ap.parse_args()
    by = collections.defaultdict(list)
    for f in sorted(sum((glob.glob(os.path.join(d, "*.json")) for d in a.sets), [])):
        doc = json.load(open(f))
        if "ends" in doc:
            for e in doc["ends"]:
                if e["visible_fraction"] >= 0.75 and e["shaft_diameter_px"] >= 9:
                    by[e["subtype"]].append((os.path.join(os.path.dirname(f), doc["image"]), e))
    rng, rows, read = np.random.default_rng(0), [], {}
    for kind in a.only.split(",") if a.only else sorted(by):
        some = [by[kind][i] for i in rng.permutation(len(by[kind]))[:a.each]]
        row = [crop(read.setdefault(p, cv2.imread(p)), e) for p, e in some]
        rows.append(np.hstack(row + [np.zeros((SIZE, SIZE, 3), np.uint8)] * (a.each - len(row))))
    cv2.imwrite(a.out, np.vstack(rows))
    print({k: len(v) for k, v in sorted(by.items())})


if __name__ == "__main__":
    main()
