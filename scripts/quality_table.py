"""Reads docs/quality-curves.csv and tells what the thresholds of picture quality cost. Needs nothing but Python 3.9.

    python3 scripts/quality_table.py docs/quality-curves.csv [--into docs/quality.md]

For each measure: its threshold, the share of the useful ends (found and labelled right) that is left there, and where the measure
stands when three quarters and half of them are left, by straight lines between the steps.
"""

import argparse
import csv
from pathlib import Path

MARKS = ("<!-- tables: begin -->", "<!-- tables: end -->")
# kind of harm, column of its measure, name, setting and its default (src/settings/quality.rs)
MEASURES = [
    ("blur", "sharpness", "sharpness", "sharpness", 0.16),
    ("noise", "noise", "noise", "noise", 0.1),
    ("overexposure", "clipped_high", "lost in white", "high_share", 0.03),
    ("underexposure", "clipped_low", "lost in black", "low_share", 0.3),
    ("jpeg", "blockiness", "blockiness", "blockiness", 0.25),
    ("smaller", "fibre_px", "px per fibre", "fibre_px", 10.0),
]


def between(points, x):
    """Height of a polyline at x; its last height beyond its ends."""
    points = sorted(points)
    for (x0, y0), (x1, y1) in zip(points, points[1:]):
        if x0 <= x <= x1:
            return y0 if x0 == x1 else y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return (points[0] if x < points[0][0] else points[-1])[1]


def first_fall(steps, share):
    """Measure at which the share left first falls to this; None when it never does."""
    for (m0, s0), (m1, s1) in zip(steps, steps[1:]):
        if s1 <= share < s0:
            return m0 + (m1 - m0) * (s0 - share) / (s0 - s1)
    return None


def table(path):
    rows = list(csv.DictReader(path.open(encoding="utf-8")))
    lines = [
        "| measure | setting | threshold | useful ends left there | measure at 75 % left | at 50 % left |",
        "|---|---|---|---|---|---|",
    ]
    for kind, column, name, setting, threshold in MEASURES:
        steps = [r for r in rows if r["kind"] == kind]
        whole = float(steps[0]["found_and_right"])
        left = [(float(r[column]), float(r["found_and_right"]) / whole) for r in steps]
        marks = [first_fall(left, share) for share in (0.75, 0.5)]
        cells = ["never" if m is None else f"{m:.2g}" for m in marks]
        lines.append(
            f"| {name} | `quality.{setting}` | {threshold:g} | {100 * min(1.0, between(left, threshold)):.0f} % | {' | '.join(cells)} |"
        )
    return "\n".join(lines) + "\n"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("curves", type=Path)
    parser.add_argument("--into", type=Path, help="file whose table is replaced")
    args = parser.parse_args()
    text = table(args.curves)
    if args.into is None:
        print(text, end="")
        return
    page = args.into.read_text(encoding="utf-8")
    before, rest = page.split(MARKS[0], 1)
    after = rest.split(MARKS[1], 1)[1]
    args.into.write_text(f"{before}{MARKS[0]}\n{text}{MARKS[1]}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
