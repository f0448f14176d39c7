#!/usr/bin/env python3
"""Make a model from folders of pictures with truth: the one command behind models/default.json.

usage: train_model.py PLAN.csv OUT_DIR [--program breakface] [--jobs N] [--name default]

PLAN.csv has one row for each folder of pictures: `pictures` (folder with truth files beside the pictures), `source` (its name
in the training table), and where needed `program` (breakface built with networks that have not seen this picture family),
`detector` (a detector that has not seen these pictures), `family` (INSTRUMENT or INSTRUMENT/LIGHT; by default what the truth
says), `weight` (how many ends each of its ends counts for), `only` (a text file with the names of the pictures to take) and
`impressions` (a CSV with `image, x_px, y_px, network_p_sheared` by a network that has not seen this picture family: they replace
the program's own, so that the appearance is not believed more than it deserves on new kinds of pictures; `none` leaves them out).

OUT_DIR/classified/SOURCE keeps the results of each folder, and a second call goes on from there; OUT_DIR gets NAME.json,
NAME.training.csv and the model's page. Needs Python 3.8 and nothing else.
"""
import argparse
import csv
import math
import os
import subprocess
import sys


# Farthest an impression may lie from the end that it is of: a little more than a fibre's radius in most pictures.
REACH_PX = 12.0


def run(command):
    print("+", " ".join(command), flush=True)
    done = subprocess.run(command)
    # 3: done, but some pictures could not be read.
    if done.returncode not in (0, 3):
        sys.exit(f"{command[0]} {command[1]} ended with {done.returncode}")


def pictures_of(row):
    """The folder itself, or the listed pictures in it."""
    if not row.get("only"):
        return [row["pictures"]]
    with open(row["only"], encoding="utf-8") as handle:
        return [os.path.join(row["pictures"], line.strip()) for line in handle if line.strip()]


def with_impressions(table, impressions):
    """Replaces each end's impression by the nearest one within REACH_PX in the same picture; none where there is none."""
    by_image = {}
    if impressions != "none":
        with open(impressions, newline="", encoding="utf-8") as handle:
            for r in csv.DictReader(handle):
                by_image.setdefault(os.path.basename(r["image"]), []).append(
                    (float(r["x_px"]), float(r["y_px"]), r["network_p_sheared"])
                )
    with open(table, newline="", encoding="utf-8") as handle:
        reader = csv.DictReader(handle)
        names, rows = reader.fieldnames, list(reader)
    missing = 0
    for r in rows:
        here = (float(r["x_px"]), float(r["y_px"]))
        near = [(math.dist(here, i[:2]), i[2]) for i in by_image.get(os.path.basename(r["image"]), [])]
        distance, value = min(near, default=(math.inf, ""))
        r["network_p_sheared"] = value if distance <= REACH_PX else ""
        missing += r["network_p_sheared"] == ""
    with open(table, "w", newline="", encoding="utf-8") as handle:
        writer = csv.DictWriter(handle, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    print(f"{table}: {len(rows) - missing} impressions replaced, {missing} ends have none", flush=True)


def table_of(row, classified, args):
    """Finds and measures the ends of one folder; its training table."""
    program = row.get("program") or args.program
    results, out = os.path.join(classified, row["source"]), os.path.join(classified, row["source"] + ".json")
    command = [program, "classify", *pictures_of(row), "--out", results, "--no-report", "--no-overlays", "--quiet"]
    if args.jobs:
        command += ["--threads", str(args.jobs)]
    if row.get("detector"):
        command += ["--detector", row["detector"]]
    run(command)
    command = [args.program, "train", results, "--truth", row["pictures"], "--out", out, "--source", row["source"]]
    command += ["--table-only", "--force"]
    for option in ("family", "weight"):
        if row.get(option):
            command += ["--" + option, row[option]]
    run(command)
    table = os.path.splitext(out)[0] + ".training.csv"
    if row.get("impressions"):
        with_impressions(table, row["impressions"])
    return table


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("plan")
    parser.add_argument("out")
    parser.add_argument("--program", default="target/release/breakface")
    parser.add_argument("--jobs", type=int, default=0)
    parser.add_argument("--name", default="default")
    args = parser.parse_args()
    classified = os.path.join(args.out, "classified")
    os.makedirs(classified, exist_ok=True)
    with open(args.plan, newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    command = [args.program, "train"]
    for row in rows:
        command += ["--ends", table_of(row, classified, args)]
    run(command + ["--out", os.path.join(args.out, args.name + ".json"), "--name", args.name, "--force"])


if __name__ == "__main__":
    main()
