"""Pictures with truth as one block of memory on the training device, and random strips of them as the program cuts them.

Two kinds of strips: of true ends, told wrong at random; and of what the finder takes for ends, right or wrong, as it tells
them. The second kind needs the finder's weights and pictures that it was not trained on.
"""
import contextlib
import glob
import json
import math
import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import torch
from torch.nn import functional as F

from gauge_network import COLUMNS, ROWS

BEHIND, PER_WIDTH, LEVELS = 57, 12, 6
LOOKS = ("ring", "coax", "side", "trans", "sem")
#: columns of an end: picture, x, y, axis, width, line, ln bulb, sheared (-1 unknown), gradable, look
END = 10
#: columns of a hit: picture, x, y, axis, width, logit, end it stands on (-1 none, -2 not asked)
HIT = 7
#: as the program searches: widths in the copy, fibre diameters in um, least chance of a hit
WORKING, FIBRE_UM, LEAST = (5.3, 14.0), (12.0, 40.0), 0.12


def halved(img):
    """The picture at halving sizes, each the mean of 2 x 2."""
    levels = [img]
    while len(levels) < LEVELS:
        h, w = img.shape[:2]
        if min(h, w) >= 4:
            img = cv2.resize(img, (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        levels.append(img)
    return levels


def read(path):
    """Picture, ends, ends not asked for and scale of a truth file; None when it is no such file or half written."""
    try:
        with open(path, encoding="utf-8") as handle:
            doc = json.load(handle)
    except ValueError:
        return None
    if not isinstance(doc, dict) or "ends" not in doc or "image" not in doc:
        return None
    img = cv2.imread(os.path.join(os.path.dirname(path), doc["image"]))
    if img is None:
        return None
    look = LOOKS.index(doc["look"]) if doc.get("look") in LOOKS else len(LOOKS)
    ends = []
    for e in doc["ends"] + [dict(p, gradable=False) for p in doc.get("partial_ends", ()) if p.get("x_px") is not None]:
        d = e.get("shaft_diameter_px")
        if not d or e.get("axis_deg") is None:
            continue
        line, bulb = e.get("end_line_deg"), e.get("bulb_ratio")
        sheared = {"sheared": 1.0, "tensile": 0.0}.get(e.get("label"), -1.0)
        inside = 0 <= e["x_px"] < img.shape[1] and 0 <= e["y_px"] < img.shape[0]
        seen = inside and d >= 5 and e.get("visible_fraction", 1.0) >= 0.45 and (e.get("defocus_px") or 0) <= max(3, 0.2 * d)
        ends.append([0, e["x_px"], e["y_px"], e["axis_deg"], d, line if line is not None and sheared == 1 else math.nan,
                     math.log(bulb) if bulb else math.nan, sheared, float(bool(e["gradable"])) if seen or e["gradable"] else -1.0, look])
    return halved(img), ends, doc.get("um_per_px"), path


class Strips:
    """All pictures (with copies at halving sizes) in one tensor of bytes, their ends and the finder's hits in tables."""

    def __init__(self, files, device, known=None, jobs=16):
        self.device = device
        known = known if known is not None else {}
        with ThreadPoolExecutor(jobs) as pool:
            new = [f for f in files if f not in known]
            known.update((f, p) for f, p in zip(new, pool.map(read, new)) if p)
        self.pairs = [known[f] for f in files if f in known]
        flats, table, ends, place = [], [], [], 0
        for i, (levels, rows, _, _) in enumerate(self.pairs):
            for img in levels:
                table.append((place, img.shape[1], img.shape[0]))
                flats.append(img.reshape(-1))
                place += img.size // 3
            ends += [[i] + r[1:] for r in rows]
        self.flat = torch.from_numpy(np.concatenate(flats)).to(device)
        self.table = torch.tensor(table, dtype=torch.long, device=device).view(-1, LEVELS, 3)
        self.ends = torch.tensor(np.array(ends, np.float32).reshape(-1, END), device=device)
        self.hits = torch.zeros(0, HIT, device=device)
        told = self.ends[:, 8] >= 0
        self.true = torch.nonzero(told)[:, 0]
        count = torch.bincount(self.ends[self.true, 0].long(), minlength=len(self.pairs)).clamp(min=1)
        self.true_pull = (count.float() ** -0.5)[self.ends[self.true, 0].long()] * torch.where(self.ends[self.true, 8] > 0, 1.0, 0.4)

    def cut(self, picture, x, y, axis_deg, width):
        """Strips (n x 3 x 80 x 48, 0..1) at told tips, axes and widths, and the places beyond the frame as its nearest pixel."""
        step = width / PER_WIDTH
        level = torch.where(step >= 2, torch.floor(torch.log2(step.clamp(min=1e-6))), torch.zeros_like(step)).long().clamp(0, LEVELS - 1)
        a = torch.deg2rad(axis_deg)
        u = (torch.arange(ROWS, device=self.device) - BEHIND)[None, :, None] * step[:, None, None]
        v = (torch.arange(COLUMNS, device=self.device) - (COLUMNS - 1) / 2)[None, None, :] * step[:, None, None]
        wide = lambda t: t[:, None, None]
        c, s = wide(torch.cos(a)), wide(torch.sin(a))
        k = wide(0.5 ** level.float())
        rows = self.table[picture, level]
        w, h, base = wide(rows[:, 1]), wide(rows[:, 2]), wide(rows[:, 0])
        px = torch.minimum(((wide(x) + u * c - v * s) + 0.5) * k - 0.5, (w - 1).float()).clamp(min=0)
        py = torch.minimum(((wide(y) + u * s + v * c) + 0.5) * k - 0.5, (h - 1).float()).clamp(min=0)
        x0, y0 = px.long(), py.long()
        x1, y1 = torch.minimum(x0 + 1, w - 1), torch.minimum(y0 + 1, h - 1)
        fx, fy = (px - x0)[:, None], (py - y0)[:, None]
        channels = torch.arange(3, device=self.device)[None, :, None, None]
        pick = lambda yy, xx: self.flat[((base + yy * w + xx) * 3)[:, None] + channels].float()
        top = pick(y0, x0) * (1 - fx) + pick(y0, x1) * fx
        low = pick(y1, x0) * (1 - fx) + pick(y1, x1) * fx
        return (top * (1 - fy) + low * fy) / 255

    def reading(self, told, ends):
        """What is to be read in strips told (x, y, axis, width) of these ends; NaN = not known."""
        x, y, axis, width = told
        turn = (ends[:, 3] - axis + 180) % 360 - 180
        a = torch.deg2rad(axis)
        dx, dy = ends[:, 1] - x, ends[:, 2] - y
        along, across = (dx * torch.cos(a) + dy * torch.sin(a)) / width, (dy * torch.cos(a) - dx * torch.sin(a)) / width
        return torch.stack([torch.log(ends[:, 4] / width), turn, along, across, ends[:, 5] - turn, ends[:, 6]], 1)

    def of_ends(self, n, second, rng):
        """Strips of true ends told wrong: as a finder tells them, or (second) as a first reading does."""
        randn = lambda *s: torch.randn(*s, device=self.device, generator=rng)
        rows = self.true[torch.multinomial(self.true_pull, n, True, generator=rng)]
        ends = self.ends[rows]
        wild = torch.rand(n, device=self.device, generator=rng) < (0.2 if second else 0.25)
        wide = torch.where(wild, 2.4, 1.0)
        sd = (0.05, 2.0, 0.07) if second else (0.15, 5.0, 0.17)
        width = ends[:, 4] * torch.exp(randn(n) * sd[0] * wide)
        axis = ends[:, 3] + randn(n) * sd[1] * wide
        a = torch.deg2rad(axis)
        p, q = randn(2, n) * sd[2] * wide * ends[:, 4]
        x, y = ends[:, 1] + p * torch.cos(a) - q * torch.sin(a), ends[:, 2] + p * torch.sin(a) + q * torch.cos(a)
        told = (x, y, axis, width)
        return self.cut(ends[:, 0].long(), *told), self.reading(told, ends), ends[:, 7], ends[:, 8], torch.full((n,), -1.0, device=self.device)

    def of_hits(self, n, rng):
        """Strips of the finder's hits as it tells them, slightly moved, half of them on ends."""
        randn = lambda *s: torch.randn(*s, device=self.device, generator=rng)
        rows = torch.multinomial(self.hit_pull, n, True, generator=rng)
        return self.at_hits(rows, (randn(4, n)) * torch.tensor([0.03, 0.03, 1.0, 0.02], device=self.device)[:, None])

    def at_hits(self, rows, moved=None):
        """Strips of these rows of `hits`."""
        hits = self.hits[rows]
        move = moved if moved is not None else torch.zeros(4, len(rows), device=self.device)
        told = (hits[:, 1] + move[0] * hits[:, 4], hits[:, 2] + move[1] * hits[:, 4], hits[:, 3] + move[2], hits[:, 4] * torch.exp(move[3]))
        on = hits[:, 6].long()
        ends = self.ends[on.clamp(min=0)]
        read = torch.where((on >= 0)[:, None], self.reading(told, ends), math.nan)
        kind = torch.where(on >= 0, ends[:, 7], -1.0)
        is_end = torch.where(on >= 0, ends[:, 8].clamp(min=0), 0.0)
        return self.cut(hits[:, 0].long(), *told), read, kind, is_end, (on >= 0).float()

    def find(self, finder, known=None):
        """Fills `hits` with what the finder sees in the copies that the program would search, and what each hit stands on."""
        known = known if known is not None else {}
        all_hits = []
        for i, (levels, rows, scale, path) in enumerate(self.pairs):
            if path not in known:
                known[path] = find_in(finder, levels, scale, self.device)
            hits = known[path]
            if len(hits):
                on = stands_on(hits, rows)
                first = int((self.ends[:, 0] < i).sum()) if len(rows) else 0
                on = np.where(on >= 0, on + first, on)
                all_hits.append(np.column_stack([np.full(len(hits), i), hits, on]))
        table = np.concatenate(all_hits).astype(np.float64)
        self.hits = torch.tensor(table.astype(np.float32), device=self.device)
        on, picture = self.hits[:, 6], self.hits[:, 0].long()
        good, bad = (on >= 0).float(), (on == -1).float()
        per = torch.bincount(picture, minlength=len(self.pairs)).float().clamp(min=1) ** -0.5
        good, bad = good * per[picture], bad * per[picture]
        self.hit_pull = good / good.sum() + bad / bad.sum()


def stands_on(hits, rows):
    """The gradable end that each hit (x, y, axis, width, logit) stands on; -1 none, -2 near one that is not asked for."""
    on = np.full(len(hits), -1.0)
    if not rows:
        return on
    ends = np.array(rows)
    gap = np.hypot(hits[:, None, 0] - ends[None, :, 1], hits[:, None, 1] - ends[None, :, 2]) / np.maximum(4.0, 0.75 * ends[None, :, 4])
    good = ends[:, 8] > 0
    turn = np.abs((hits[:, None, 2] - ends[None, :, 3] + 180) % 360 - 180)
    best = np.where(good[None], gap, np.inf)
    at = best.argmin(1)
    pick = np.arange(len(hits))
    near = best[pick, at] <= 1
    fits = near & (turn[pick, at] < 60) & (np.abs(np.log(hits[:, 3] / ends[at, 4])) < 0.7)
    other = (np.where(~good[None], gap, np.inf) <= 1).any(1)
    on[near | other] = -2
    on[fits] = at[fits]
    return on


def find_in(finder, levels, scale, device):
    """Hits (x, y, axis, width, logit) of the finder in one picture."""
    hits = []
    for k, img in enumerate(levels):
        reduction = 2.0 ** k
        if min(img.shape[:2]) < 24:
            break
        if scale and not (FIBRE_UM[0] / scale / reduction < 2 * WORKING[0] and WORKING[0] <= FIBRE_UM[1] / scale / reduction):
            continue
        grey = torch.from_numpy(cv2.cvtColor(img, cv2.COLOR_BGR2GRAY)).to(device).float()
        grey = (grey - grey.mean()) / grey.std(unbiased=False).clamp(min=0.25)
        h, w = grey.shape
        grey = F.pad(grey[None, None], (0, -w % 16, 0, -h % 16), mode="replicate")
        half = torch.autocast("cuda", dtype=torch.bfloat16) if str(device).startswith("cuda") else contextlib.nullcontext()
        with torch.no_grad(), half:
            maps = finder(grey).float()[0]
            other = finder(grey.flip(3)).float()[0].flip(2)
        other[[1, 3]] *= -1
        maps = 0.5 * (maps + other)
        heat = maps[0]
        peak = (F.max_pool2d(heat[None, None], 3, 1, 1)[0, 0] == heat) & (torch.sigmoid(heat) >= LEAST)
        at = torch.nonzero(peak)
        if not len(at):
            continue
        m = maps[:, at[:, 0], at[:, 1]]
        x, y = at[:, 1] * 2 + 0.5 + 8 * m[1], at[:, 0] * 2 + 0.5 + 8 * m[2]
        width = 8 * torch.exp2(m[5])
        keep = (width >= WORKING[0] * 0.8) & (width <= WORKING[1] * 1.25) & (x > 0) & (y > 0) & (x < w - 1) & (y < h - 1)
        rows = torch.stack([(x + 0.5) * reduction - 0.5, (y + 0.5) * reduction - 0.5, torch.rad2deg(torch.atan2(m[4], m[3])), width * reduction, heat[at[:, 0], at[:, 1]]], 1)
        hits.append(rows[keep].double().cpu().numpy())
    return np.concatenate(hits) if hits else np.zeros((0, 5))


def truth_files(folders):
    """Truth files of folders, by name."""
    return sorted(sum((glob.glob(os.path.join(f, "*.json")) for f in folders), []))
