"""How finding, measuring and labelling hold up when pictures change. Needs numpy and opencv-python-headless.

    python3 scripts/robustness.py SET --score SCORE.py [--program target/release/breakface] [--sample 3] [--empty SET]
        [--into docs/robustness.md]

SET is a folder of rendered pictures with truth beside them (`scripts/render/README.md`). Every k-th picture (`--sample`)
is copied with a known change, its truth changed alike; `breakface classify` runs on the copies with known scale and bundled
models; `--score` names the script whose rules are the score: it has `load_ends(csv)` and `Tally` with `add(ends, rows, partial)`
and `figures()`. The unchanged pictures are all scored, for the table by magnification. Frames without any end come from
the set itself and from `--empty`. Tables go to standard output, or between the two marks of the file named by `--into`.
"""

import argparse
import csv
import importlib.util
import json
import math
import re
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

import cv2
import numpy as np

ROOT = Path(__file__).resolve().parent.parent
MARKS = ("<!-- tables: begin -->", "<!-- tables: end -->")
BANDS = [(0, 125), (125, 225), (225, 450), (450, 900), (900, math.inf)]
# Rules of the truth schema.
LEAST_VISIBLE, MOST_DEFOCUS_PX, MOST_DEFOCUS_D, LEAST_SHAFT_PX, TIP_ZONE_D = 0.6, 2.0, 0.12, 6.0, 1.5


def gradable(end):
    shaft = end["shaft_diameter_px"]
    return bool(
        LEAST_VISIBLE <= end["visible_fraction"]
        and end["defocus_px"] <= max(MOST_DEFOCUS_PX, MOST_DEFOCUS_D * shaft)
        and LEAST_SHAFT_PX <= shaft
    )


# Changes: (picture, truth, number generator) -> changed picture, changed truth.


def same(picture, truth, _):
    return picture, truth


def scaled(by):
    def change(picture, truth, _):
        height, width = picture.shape[:2]
        size = round(width * by), round(height * by)
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA if by < 1 else cv2.INTER_CUBIC)

        def moved(x, y):
            return (x + 0.5) * size[0] / width - 0.5, (y + 0.5) * size[1] / height - 0.5

        return picture, moved_truth(truth, moved, size, scale=by)

    return change


def turned(degrees):
    """Turned clockwise as seen, cropped to the largest upright rectangle inside, so that no corners appear."""

    def change(picture, truth, _):
        height, width = picture.shape[:2]
        turn = math.radians(degrees)
        sin, cos = math.sin(turn), math.cos(turn)
        size = (height, width) if degrees == 90 else inner_rectangle(width, height, turn)
        from_middle, to_middle = ((width - 1) / 2, (height - 1) / 2), ((size[0] - 1) / 2, (size[1] - 1) / 2)

        def moved(x, y):
            x, y = x - from_middle[0], y - from_middle[1]
            return x * cos - y * sin + to_middle[0], x * sin + y * cos + to_middle[1]

        if degrees == 90:
            picture = cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE)
        else:
            left, top = moved(0, 0)
            matrix = np.array([[cos, -sin, left], [sin, cos, top]])
            picture = cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_CUBIC)
        return picture, moved_truth(truth, moved, size, turn=degrees)

    return change


def inverted(picture, truth, _):
    return 255 - picture, truth


def jpeg(quality):
    def change(picture, truth, _):
        _, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
        return cv2.imdecode(coded, cv2.IMREAD_ANYCOLOR), truth

    return change


def noisy(sd):
    def change(picture, truth, random):
        noise = random.normal(0, sd, picture.shape)
        return np.clip(np.rint(picture + noise), 0, 255).astype(np.uint8), truth

    return change


def blurred(sigma):
    def change(picture, truth, _):
        return cv2.GaussianBlur(picture, (0, 0), sigma), truth

    return change


CHANGES = {
    "scale 0.5": scaled(0.5),
    "scale 0.7": scaled(0.7),
    "scale 1.4": scaled(1.4),
    "scale 2": scaled(2.0),
    "turned 17°": turned(17),
    "turned 90°": turned(90),
    "inverted": inverted,
    "JPEG, quality 60": jpeg(60),
    "noise, sd 5": noisy(5),
    "noise, sd 10": noisy(10),
    "noise, sd 20": noisy(20),
    "blur, sigma 1 px": blurred(1),
    "blur, sigma 2 px": blurred(2),
    "blur, sigma 3 px": blurred(3),
}


def inner_rectangle(width, height, turn):
    """Width and height of the largest upright rectangle inside a turned one."""
    sin, cos = abs(math.sin(turn)), abs(math.cos(turn))
    long, short = max(width, height), min(width, height)
    if short <= 2 * sin * cos * long:
        half = 0.5 * short
        size = (half / sin, half / cos) if height <= width else (half / cos, half / sin)
    else:
        double = cos * cos - sin * sin
        size = (width * cos - height * sin) / double, (height * cos - width * sin) / double
    # One pixel less on each side, for what the interpolation draws in.
    return int(size[0]) - 2, int(size[1]) - 2


def moved_truth(truth, moved, size, scale=1.0, turn=0.0):
    """Truth of a scaled or turned picture; ends outside are absent, those just outside neither right nor wrong."""
    truth = dict(truth, width_px=size[0], height_px=size[1])
    if truth.get("um_per_px"):
        truth["um_per_px"] /= scale
    ends, partial = [], []
    for end in truth["ends"]:
        end = moved_end(end, moved, scale, turn)
        if turn:
            end["visible_fraction"] *= share_inside(end, size)
        end["gradable"] = gradable(end)
        (ends if inside(end["x_px"], end["y_px"], size) else partial).append(end)
    partial += [moved_end(e, moved, scale, turn) for e in truth.get("partial_ends", ()) if "x_px" in e]
    return dict(truth, ends=ends, partial_ends=partial, burnt_in_boxes=[])


def moved_end(end, moved, scale, turn):
    end = dict(end)
    end["x_px"], end["y_px"] = moved(end["x_px"], end["y_px"])
    for key in ("shaft_diameter_px", "defocus_px"):
        if end.get(key) is not None:
            end[key] *= scale
    if end.get("axis_deg") is not None:
        end["axis_deg"] = (end["axis_deg"] + turn + 180) % 360 - 180
    return end


def inside(x, y, size):
    return -0.5 <= x < size[0] - 0.5 and -0.5 <= y < size[1] - 0.5


def share_inside(end, size):
    """Share of the tip zone that the frame leaves, on a grid over it."""
    axis = math.radians(end["axis_deg"])
    half = 0.5 * end["shaft_diameter_px"] * max(1.0, end.get("bulb_ratio") or 1.0)
    back = np.linspace(-TIP_ZONE_D * end["shaft_diameter_px"], 0, 16)
    points = [(b, s) for b in back for s in np.linspace(-half, half, 9)]
    cos, sin = math.cos(axis), math.sin(axis)
    within = [inside(end["x_px"] + b * cos - s * sin, end["y_px"] + b * sin + s * cos, size) for b, s in points]
    return sum(within) / len(within)


def load_set(folder):
    """Truth and row of the series table of each picture, in order of names."""
    table = folder / "series.csv"
    rows = {}
    if table.exists():
        with open(table, newline="", encoding="utf-8-sig") as handle:
            rows = {Path(r["image"]).name: r for r in csv.DictReader(handle)}
    pictures = []
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(truth, dict) and "ends" in truth and (folder / truth.get("image", "")).is_file():
            row = rows.get(truth["image"], {"image": truth["image"], "specimen": truth.get("specimen") or path.stem})
            pictures.append((folder / truth["image"], truth, row))
    return pictures


def classify(program, pictures, change, work, threads):
    """Changes the pictures, runs the program on them; truth and path of the table of ends."""
    work.mkdir(parents=True, exist_ok=True)
    truths, table = [], []
    for source, truth, row in pictures:
        picture = cv2.imread(str(source), cv2.IMREAD_ANYCOLOR)
        # The same noise whichever pictures are taken.
        random = np.random.default_rng(zlib.crc32(source.name.encode()))
        picture, truth = change(picture, truth, random)
        name = source.stem + ".png"
        cv2.imwrite(str(work / name), picture, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        truths.append(dict(truth, image=name))
        table.append(dict(row, image=name, um_per_px=truth.get("um_per_px") or ""))
    with open(work / "series.csv", "w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, table[0].keys())
        writer.writeheader()
        writer.writerows(table)
    command = [program, "classify", work / "series.csv", "--out", work / "out", "--no-overlays", "--no-report", "--quiet"]
    command += ["--threads", str(threads)]
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True)
    if done.returncode not in (0, 1):
        sys.exit(f"{work}: exit code {done.returncode}\n{done.stderr}")
    for picture in work.glob("*.png"):
        picture.unlink()
    return truths, work / "out" / "ends.csv"


def figures(score, truths, rows):
    tally = score.Tally()
    for truth in truths:
        tally.add(truth["ends"], rows.get(truth["image"], []), truth.get("partial_ends", ()))
    return tally.figures()


def show(value, form="{:.3f}"):
    return "–" if value is None else form.format(value)


def condition_row(name, f):
    return " | ".join([
        f"| {name}", f"{f['gradable']}", show(f["f1"]), show(f["recall"]), show(f["precision"]), show(f["tip_err_d"]),
        show(f["axis_err_deg"], "{:.2f}"), show(f["diameter15_err"] and 100 * f["diameter15_err"], "{:.1f}"),
        show(f["diameter15_bias"] and 100 * f["diameter15_bias"], "{:+.1f}"), show(f["balanced_acc"]), show(f["labelled"]),
    ]) + " |"


def has_no_ends(truth):
    return not truth["ends"] and not truth.get("partial_ends")


def band_rows(score, truths, rows):
    lines = []
    for low, high in BANDS:
        chosen = [t for t in truths if t["ends"] and low <= (t.get("magnification") or 0) < high]
        if not chosen:
            continue
        at = sorted({t["magnification"] for t in chosen})
        name = f"{at[0]:g}x" if at[0] == at[-1] else f"{at[0]:g}x to {at[-1]:g}x"
        f = figures(score, chosen, rows)
        lines.append(f"| {name} | {len(chosen)} | {f['gradable']} | {show(f['f1'])} | {show(f['recall'])} | {show(f['precision'])} |")
    return lines


def into(path, text):
    """Puts the tables between the marks of a file."""
    page = path.read_text(encoding="utf-8")
    before, rest = page.split(MARKS[0])
    _, after = rest.split(MARKS[1])
    path.write_text(f"{before}{MARKS[0]}\n{text}{MARKS[1]}{after}", encoding="utf-8")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("set", type=Path)
    parser.add_argument("--score", type=Path, required=True, help="script with the rules of the score")
    parser.add_argument("--program", type=Path, default=ROOT / "target" / "release" / "breakface")
    parser.add_argument("--sample", type=int, default=1, help="change every k-th picture")
    parser.add_argument("--sample-unchanged", type=int, default=1, help="take every k-th picture for the table by magnification")
    parser.add_argument("--empty", type=Path, help="another set whose frames without ends are taken")
    parser.add_argument("--only", help="regular expression: conditions with such names")
    parser.add_argument("--threads", type=int, default=0)
    parser.add_argument("--work", type=Path, help="folder to keep the runs in; what is finished there is not done again")
    parser.add_argument("--into", type=Path, help="file whose tables are replaced")
    args = parser.parse_args()

    spec = importlib.util.spec_from_file_location("score", args.score)
    score = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(score)
    pictures = load_set(args.set)
    if not pictures:
        sys.exit(f"{args.set}: no pictures with truth")
    with tempfile.TemporaryDirectory() as scratch:
        text = tables(score, pictures, args, args.work or Path(scratch) / "runs")
    if args.into:
        into(args.into, text)
    else:
        print(text, end="")


def tables(score, pictures, args, work):
    few = pictures[:: args.sample]
    many = [p for i, p in enumerate(pictures) if i % args.sample == 0 or i % args.sample_unchanged == 0]
    if args.empty:
        many += [p for p in load_set(args.empty) if has_no_ends(p[1])]
    truths, ends = classify(args.program, many, same, work / "unchanged", args.threads)
    rows = score.load_ends(ends)
    sampled = {source.stem for source, _, _ in few}
    lines = [
        f"{len(few)} pictures, every change on the same ones:",
        "",
        "| condition | ends | F1 | recall | precision | tip, d | axis, ° | diameter error, % | diameter bias, % | balanced accuracy | labelled |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
        condition_row("as they are", figures(score, [t for t in truths if Path(t["image"]).stem in sampled], rows)),
    ]
    print(lines[-1], file=sys.stderr, flush=True)
    for number, (name, change) in enumerate(CHANGES.items()):
        if args.only and not re.search(args.only, name):
            continue
        changed, ends = classify(args.program, few, change, work / f"{number:02}", args.threads)
        lines.append(condition_row(name, figures(score, changed, score.load_ends(ends))))
        print(lines[-1], file=sys.stderr, flush=True)

    lines += ["", f"{len(many)} unchanged pictures by magnification:", ""]
    lines += ["| magnification | pictures | ends | F1 | recall | precision |", "|---|---|---|---|---|---|"]
    lines += band_rows(score, truths, rows)
    empty = [len(rows.get(t["image"], [])) for t in truths if has_no_ends(t)]
    if empty:
        lines += ["", f"Frames without ends: {sum(empty) / len(empty):.2f} false alarms a picture ({sum(empty)} in {len(empty)} frames)."]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
