"""Pictures with truth as one block of memory on the training device, and random strips of them as the program cuts them.

Two kinds of strips: of true ends, told wrong at random; and of what the detector takes for ends, right or wrong, as it tells
them. The second kind needs the detector's weights and pictures that it was not trained on.
"""
import contextlib
import glob
import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
import torch
from torch.nn import functional as F

from networks import COLUMNS, EXTRA, ROWS
from truth import AXIS, BULB, END, FIBRE, FORM, GRADABLE, LEVELS, LINE, MORE, PULL, SHEARED, VISIBLE, WIDTH, X, Y, read

BEHIND, PER_WIDTH = 57, 12
#: columns of a hit: picture, x, y, axis, width, logit, end it stands on (-1 none, -2 not asked)
HIT = 7
#: as the program searches: widths in the copy, fibre diameters in um, least chance of a hit
WORKING, FIBRE_UM, LEAST = (5.3, 14.0), (12.0, 40.0), 0.12


@dataclass
class Batch:
    """Strips and what is to be learnt from them; NaN or -1 where it is not known."""

    #: n x 3 x ROWS x COLUMNS, 0..1
    image: torch.Tensor
    #: n x 6 readings
    read: torch.Tensor
    #: 1 sheared, 0 tensile
    sheared: torch.Tensor
    #: 1 the picture allows a verdict
    gradable: torch.Tensor
    #: 1 an end is here, 0 none is
    is_end: torch.Tensor
    #: index into SUBTYPES
    form: torch.Tensor
    #: n x len(EXTRA) readings
    more: torch.Tensor
    #: share of the end that is in view
    visible: torch.Tensor
    #: n x 3 x ROWS x COLUMNS: share of own fibre in view; 1 where another hides what lies below; 1 where that is known
    maps: torch.Tensor

    def joined(self, *others):
        """All batches as one."""
        return Batch(*(torch.cat([getattr(b, name) for b in (self, *others)]) for name in self.__dataclass_fields__))

    def mirrored(self):
        """Left for right."""
        read, more = self.read.clone(), self.more.clone()
        read[:, [1, 3, 4]] *= -1
        left, right = EXTRA.index("flare_left"), EXTRA.index("flare_right")
        more[:, [left, right]] = more[:, [right, left]]
        return Batch(self.image.flip(3), read, self.sheared, self.gradable, self.is_end, self.form, more, self.visible, self.maps.flip(3))


class Strips:
    """All pictures (with copies at halving sizes) in one tensor of bytes, their ends and the detector's hits in tables."""

    def __init__(self, files, device, known=None, jobs=16, extra=(), extra_share=0.0):
        """`extra`: those of `files` that are shown as often as `extra_share` says, real pictures for example."""
        self.device, self.extra_share = device, extra_share
        known = known if known is not None else {}
        with ThreadPoolExecutor(jobs) as pool:
            new = [f for f in files if f not in known]
            known.update((f, p) for f, p in zip(new, pool.map(read, new)) if p)
        self.pairs = [known[f] for f in files if f in known]
        extra = set(extra)
        self.is_extra = torch.tensor([p[3] in extra for p in self.pairs], device=device)
        flats, table, ends, place = [], [], [], 0
        for i, (levels, rows, *_) in enumerate(self.pairs):
            for img in levels:
                table.append((place, img.shape[1], img.shape[0]))
                flats.append(img.reshape(-1))
                place += img.size // 3
            ends += [[i] + r[1:] for r in rows]
        self.flat = torch.from_numpy(np.concatenate(flats)).to(device)
        self.lay_maps()
        self.table = torch.tensor(table, dtype=torch.long, device=device).view(-1, LEVELS, 3)
        self.ends = torch.tensor(np.array(ends, np.float32).reshape(-1, END), device=device)
        self.hits = torch.zeros(0, HIT, device=device)
        self.true = torch.nonzero(self.ends[:, GRADABLE] >= 0)[:, 0]
        true = self.ends[self.true]
        count = torch.bincount(true[:, 0].long(), minlength=len(self.pairs)).clamp(min=1)
        pull = (count.float() ** -0.5)[true[:, 0].long()] * torch.where(true[:, GRADABLE] > 0, 1.0, 0.5) * true[:, PULL]
        self.true_pull = self.shared_out(pull, true[:, 0].long())

    def shared_out(self, pull, picture):
        """The same pulls, those of extra pictures scaled to their share of the sum."""
        extra = self.is_extra[picture]
        if not bool(extra.any()) or self.extra_share <= 0:
            return pull
        factor = self.extra_share / (1 - self.extra_share) * pull[~extra].sum() / pull[extra].sum().clamp(min=1e-9)
        return torch.where(extra, pull * factor, pull)

    def lay_maps(self):
        """All maps of fibres in one tensor, and where each picture's begins (-1 none) and how far it is shifted."""
        begins, place, flats = [], 0, [np.zeros(1, np.int16)]
        for *_, fibres, _ in self.pairs:
            begins.append(place + 1 if fibres is not None else -1)
            if fibres is not None:
                flats.append(fibres.reshape(-1))
                place += fibres.size
        self.fibres = torch.from_numpy(np.concatenate(flats)).to(self.device)
        self.fibres_at = torch.tensor(begins, dtype=torch.long, device=self.device)
        self.shift = torch.tensor([p[5] for p in self.pairs], dtype=torch.float32, device=self.device)

    def places(self, x, y, axis_deg, width):
        """Where the samples of strips lie in their pictures, px (each n x ROWS x COLUMNS)."""
        step = width / PER_WIDTH
        a = torch.deg2rad(axis_deg)
        wide = lambda t: t[:, None, None]
        u = (torch.arange(ROWS, device=self.device) - BEHIND)[None, :, None] * wide(step)
        v = (torch.arange(COLUMNS, device=self.device) - (COLUMNS - 1) / 2)[None, None, :] * wide(step)
        c, s = wide(torch.cos(a)), wide(torch.sin(a))
        return wide(x) + u * c - v * s, wide(y) + u * s + v * c

    def maps_of(self, picture, fibre, told):
        """Own fibre in view, what other fibres hide, and where both are known (n x 3 x ROWS x COLUMNS)."""
        wide = lambda t: t[:, None, None]
        px, py = (p - wide(self.shift[picture]) for p in self.places(*told))
        size = self.table[picture, 0]
        w, h = wide(size[:, 1]), wide(size[:, 2])
        begin = wide(self.fibres_at[picture])
        inside = (px > -0.5) & (py > -0.5) & (px < w - 0.5) & (py < h - 0.5) & (begin > 0) & wide(fibre > 0)
        x0, y0 = torch.floor(px), torch.floor(py)
        fx, fy = px - x0, py - y0
        own, hidden = torch.zeros_like(px), torch.zeros_like(px)
        for dx, dy, share in ((0, 0, (1 - fx) * (1 - fy)), (1, 0, fx * (1 - fy)), (0, 1, (1 - fx) * fy), (1, 1, fx * fy)):
            xi = torch.minimum((x0 + dx).long().clamp(min=0), w - 1)
            yi = torch.minimum((y0 + dy).long().clamp(min=0), h - 1)
            value = self.fibres[(begin + yi * w + xi) * inside].long()
            mine = value == wide(fibre)
            own += share * mine
            hidden += share * ((value != 0) & ~mine)
        return torch.stack([own, (hidden > 0.5).float(), inside.float()], 1)

    def cut(self, picture, x, y, axis_deg, width):
        """Strips (n x 3 x 80 x 48, 0..1) at told tips, axes and widths, and the places beyond the frame as its nearest pixel."""
        step = width / PER_WIDTH
        level = torch.where(step >= 2, torch.floor(torch.log2(step.clamp(min=1e-6))), torch.zeros_like(step)).long().clamp(0, LEVELS - 1)
        wide = lambda t: t[:, None, None]
        k = wide(0.5 ** level.float())
        rows = self.table[picture, level]
        w, h, base = wide(rows[:, 1]), wide(rows[:, 2]), wide(rows[:, 0])
        px, py = self.places(x, y, axis_deg, width)
        px = torch.minimum((px + 0.5) * k - 0.5, (w - 1).float()).clamp(min=0)
        py = torch.minimum((py + 0.5) * k - 0.5, (h - 1).float()).clamp(min=0)
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
        turn = (ends[:, AXIS] - axis + 180) % 360 - 180
        a = torch.deg2rad(axis)
        dx, dy = ends[:, X] - x, ends[:, Y] - y
        along, across = (dx * torch.cos(a) + dy * torch.sin(a)) / width, (dy * torch.cos(a) - dx * torch.sin(a)) / width
        return torch.stack([torch.log(ends[:, WIDTH] / width), turn, along, across, ends[:, LINE] - turn, ends[:, BULB]], 1)

    def of_ends(self, n, second, rng):
        """Strips of true ends told wrong: as a detector tells them, or (second) as a first reading does."""
        randn = lambda *s: torch.randn(*s, device=self.device, generator=rng)
        rows = self.true[torch.multinomial(self.true_pull, n, True, generator=rng)]
        ends = self.ends[rows]
        wild = torch.rand(n, device=self.device, generator=rng) < (0.2 if second else 0.25)
        wide = torch.where(wild, 2.4, 1.0)
        sd = (0.05, 2.0, 0.07) if second else (0.15, 5.0, 0.17)
        width = ends[:, WIDTH] * torch.exp(randn(n) * sd[0] * wide)
        axis = ends[:, AXIS] + randn(n) * sd[1] * wide
        a = torch.deg2rad(axis)
        p, q = randn(2, n) * sd[2] * wide * ends[:, WIDTH]
        told = (ends[:, X] + p * torch.cos(a) - q * torch.sin(a), ends[:, Y] + p * torch.sin(a) + q * torch.cos(a), axis, width)
        return self.batch(ends[:, 0].long(), told, ends, torch.ones(n, dtype=torch.bool, device=self.device), torch.full((n,), -1.0, device=self.device))

    def of_hits(self, n, rng):
        """Strips of the detector's hits as it tells them, slightly moved, half of them on ends."""
        rows = torch.multinomial(self.hit_pull, n, True, generator=rng)
        return self.at_hits(rows, torch.randn(4, n, device=self.device, generator=rng) * torch.tensor([0.03, 0.03, 1.0, 0.02], device=self.device)[:, None])

    def at_hits(self, rows, moved=None):
        """Strips of these rows of `hits`."""
        hits = self.hits[rows]
        move = moved if moved is not None else torch.zeros(4, len(rows), device=self.device)
        told = (hits[:, 1] + move[0] * hits[:, 4], hits[:, 2] + move[1] * hits[:, 4], hits[:, 3] + move[2], hits[:, 4] * torch.exp(move[3]))
        on = hits[:, 6] >= 0
        return self.batch(hits[:, 0].long(), told, self.ends[hits[:, 6].long().clamp(min=0)], on, on.float())

    def batch(self, picture, told, ends, on, is_end):
        """Strips so told, and what is to be learnt of the ends they show where `on`."""
        known = lambda value, none: torch.where(on if value.dim() == 1 else on[:, None], value, torch.full_like(value, none))
        gradable = torch.where(on, ends[:, GRADABLE].clamp(min=0), torch.zeros_like(is_end))
        maps = self.maps_of(picture, torch.where(on, ends[:, FIBRE], torch.zeros_like(is_end)).long(), told)
        return Batch(self.cut(picture, *told), known(self.reading(told, ends), math.nan), known(ends[:, SHEARED], -1.0), gradable, is_end,
                     known(ends[:, FORM], -1.0).long(), known(ends[:, MORE:], math.nan), ends[:, VISIBLE], maps)

    def find(self, detector, known=None):
        """Fills `hits` with what the detector sees in the copies that the program would search, and what each hit stands on."""
        known = known if known is not None else {}
        all_hits = []
        for i, (levels, rows, scale, path, *_) in enumerate(self.pairs):
            if path not in known:
                known[path] = find_in(detector, levels, scale, self.device)
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
        self.hit_pull = self.shared_out(good / good.sum().clamp(min=1e-9) + bad / bad.sum().clamp(min=1e-9), picture)


def stands_on(hits, rows):
    """The gradable end that each hit (x, y, axis, width, logit) stands on; -1 none, -2 near one that is not asked for."""
    on = np.full(len(hits), -1.0)
    if not rows:
        return on
    ends = np.array(rows)
    gap = np.hypot(hits[:, None, 0] - ends[None, :, 1], hits[:, None, 1] - ends[None, :, 2]) / np.maximum(4.0, 0.75 * ends[None, :, 4])
    good = ends[:, GRADABLE] > 0
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


def find_in(detector, levels, scale, device):
    """Hits (x, y, axis, width, logit) of the detector in one picture."""
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
            maps = detector(grey).float()[0]
            other = detector(grey.flip(3)).float()[0].flip(2)
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
