#!/usr/bin/env python3
"""Train the second look: a small network that judges every candidate of the finder from two straightened patches.

    second_look.py --pair PICTURES=CANDIDATES.csv [--pair ...] --judge PICTURES=CANDIDATES.csv --minutes 8 --out second_look

PICTURES is a folder of pictures with truth; CANDIDATES.csv comes from `cargo run --example finder_alone -- PICTURES
CANDIDATES.csv FINDER.onnx 0.08 none raw`: every hit of every size. The patch is turned so that the candidate's axis points
up; its spacing is the power of two nearest to width / 8 (channel 0) and twice that (channel 1). Answer: see ANSWERS.
A CPU is enough. Seeds are fixed. Writes OUT.pt and OUT.onnx.
"""
import argparse
import csv
import json
import math
import os
import time

import cv2
import numpy as np
import torch
from torch import nn
from torch.nn import functional as F

SIDE, WIDE, UNIT, BEHIND = 48, 80, 8.0, 6.0
#: real (logit), log2(width / 8 spacings), tip ahead and to the right (units of 8 spacings), turn of the axis (cos, sin), sheared (logit)
ANSWERS = ("real", "log2_width", "ahead", "right", "cos", "sin", "sheared")
#: true widths, in spacings, that a patch can judge
JUDGED = (3.6, 30.0)


class SecondLook(nn.Module):
    def __init__(self):
        super().__init__()
        c = lambda i, o, k, s: nn.Sequential(nn.Conv2d(i, o, k, s, k // 2, bias=False), nn.BatchNorm2d(o), nn.ReLU())
        self.see = nn.Sequential(c(2, 24, 5, 2), c(24, 32, 3, 1), c(32, 48, 3, 2), c(48, 48, 3, 1), c(48, 64, 3, 2), c(64, 64, 3, 1), c(64, 32, 1, 1))
        self.tell = nn.Sequential(nn.Flatten(), nn.Linear(32 * (SIDE // 8) ** 2, 96), nn.ReLU(), nn.Linear(96, len(ANSWERS)))

    def forward(self, x):
        return self.tell(self.see(x))


class Candidates:
    """Pictures as halved copies, and candidates matched to true ends."""

    def __init__(self, pairs):
        self.planes, self.rows, self.ends = [], [], []
        for folder, table in pairs:
            hits = {}
            with open(table, newline="") as handle:
                for row in csv.DictReader(handle):
                    hits.setdefault(row["image"], []).append([float(row[k]) for k in ("x_px", "y_px", "axis_deg", "shaft_diameter_px", "score")])
            for name in sorted(os.listdir(folder)):
                if not name.endswith(".json"):
                    continue
                doc = json.load(open(os.path.join(folder, name)))
                if not isinstance(doc, dict) or doc.get("image") not in hits:
                    continue
                grey = cv2.imread(os.path.join(folder, doc["image"]), cv2.IMREAD_GRAYSCALE).astype(np.float32)
                mips = []
                while True:
                    mean, std = float(grey.mean()), max(float(grey.std()), 0.25)
                    mips.append((grey - mean) / std)
                    if min(grey.shape) < 24:
                        break
                    h, w = grey.shape[0] // 2 * 2, grey.shape[1] // 2 * 2
                    grey = grey[:h, :w].reshape(h // 2, 2, w // 2, 2).mean((1, 3))
                index = len(self.planes)
                self.planes.append(mips)
                ends = [e for e in list(doc["ends"]) + list(doc.get("partial_ends", ())) if e.get("shaft_diameter_px") and e.get("x_px") is not None]
                for x, y, axis, width, score in hits[doc["image"]]:
                    step = 2.0 ** max(0, round(math.log2(width / UNIT)))
                    best, near = None, 1e9
                    for e in ends:
                        gap = math.hypot(e["x_px"] - x, e["y_px"] - y) / max(4.0, 0.6 * e["shaft_diameter_px"])
                        if gap < near:
                            best, near = e, gap
                    truth = [0.0, 0, 0, 0, 1.0, -1.0]  # real, x, y, axis, width, sheared
                    if best is not None and near < 1:
                        fits = JUDGED[0] <= best["shaft_diameter_px"] / step <= JUDGED[1]
                        if not best["gradable"] and best.get("visible_fraction", 0.5) >= 0.08:
                            continue  # half hidden: neither right nor wrong
                        if best["gradable"] and fits:
                            sheared = {"sheared": 1.0, "tensile": 0.0}.get(best["label"], -1.0)
                            truth = [1.0, best["x_px"], best["y_px"], math.radians(best["axis_deg"]), best["shaft_diameter_px"], sheared]
                        elif best["gradable"]:
                            truth[0] = 0.0
                    self.rows.append([index, x, y, math.radians(axis), step, score] + truth)
        self.rows = np.array(self.rows)
        flats, table, place = [], [], 0
        for mips in self.planes:
            line = []
            for k in range(9):
                m = mips[min(k, len(mips) - 1)]
                if k < len(mips):
                    flats.append(m.reshape(-1))
                    line.append((place, m.shape[1], m.shape[0], 2.0 ** k))
                    place += m.size
                else:
                    line.append(line[-1])
            table.append(line)
        self.flat = torch.from_numpy(np.concatenate(flats))
        self.table = torch.tensor(table, dtype=torch.float64)

    def straightened(self, rows):
        """Patches of candidate rows, wider than the network's by a rim for jitter: (n, 2, WIDE, WIDE)."""
        t = torch.as_tensor(rows, dtype=torch.float64)
        x, y, axis, step = t[:, 1], t[:, 2], t[:, 3], t[:, 4]
        cos, sin = torch.cos(axis), torch.sin(axis)
        grid = torch.arange(WIDE, dtype=torch.float64) - (WIDE - 1) / 2
        down, right = torch.meshgrid(grid, grid, indexing="ij")
        layers = []
        for k in (0, 1):
            spacing = (step * 2 ** k)[:, None, None]
            ahead = (-down[None] - BEHIND) * spacing
            side = right[None] * spacing
            px = x[:, None, None] + ahead * cos[:, None, None] - side * sin[:, None, None]
            py = y[:, None, None] + ahead * sin[:, None, None] + side * cos[:, None, None]
            layers.append(self.sample(t[:, 0].long(), (torch.log2(step).round() + k).long(), px, py))
        return torch.stack(layers, 1).float()

    def prepare(self):
        """All patches at once, as half floats."""
        self.wide = torch.cat([self.straightened(self.rows[i:i + 500]).half() for i in range(0, len(self.rows), 500)])

    def patches(self, pick, generator, jitter):
        """Normalised patches (n, 2, SIDE, SIDE) of candidates and their answers (n, ANSWERS)."""
        n = len(pick)
        t = torch.as_tensor(self.rows[pick]).float()
        wide = self.wide[torch.as_tensor(pick)].float()
        zero, one = torch.zeros(n), torch.ones(n)
        forward, side, turn, zoom, flip = zero, zero, zero, one, one
        if jitter:
            normal = lambda: torch.randn(n, generator=generator)
            forward, side, turn = normal() * 1.3, normal() * 1.3, normal() * math.radians(8)
            zoom = torch.exp(0.18 * normal()).clamp(0.7, 1.35)
            flip = torch.where(torch.rand(n, generator=generator) < 0.5, -1.0, 1.0)
        # new patch place (right, down from the new tip, spacings) -> old place: turn, stretch and shift about the tip
        grid = torch.arange(SIDE, dtype=torch.float32) - (SIDE - 1) / 2
        down, right = torch.meshgrid(grid, grid, indexing="ij")
        wide_image = []
        cos, sin = torch.cos(turn)[:, None, None], torch.sin(turn)[:, None, None]
        for k in (0, 1):
            ahead = (-down[None] - BEHIND) * zoom[:, None, None]
            across = right[None] * (zoom * flip)[:, None, None]
            old_ahead = ahead * cos - across * sin + forward[:, None, None] / 2 ** k
            old_side = ahead * sin + across * cos + side[:, None, None] / 2 ** k
            half = (WIDE - 1) / 2
            place = torch.stack([old_side / half, (-old_ahead - BEHIND) / half], -1)
            wide_image.append(F.grid_sample(wide[:, k:k + 1], place, padding_mode="border", align_corners=True))
        image = torch.cat(wide_image, 1)
        image = (image - image.mean((2, 3), keepdim=True)) / (image.std((2, 3), keepdim=True) + 0.1)
        c0, s0 = torch.cos(t[:, 3]), torch.sin(t[:, 3])
        dx, dy = t[:, 7] - t[:, 1], t[:, 8] - t[:, 2]
        step = t[:, 4]
        old_ahead, old_side = (dx * c0 + dy * s0) / step - forward, (-dx * s0 + dy * c0) / step - side
        cos, sin = torch.cos(turn), torch.sin(turn)
        scale = zoom * UNIT
        ahead, across = (old_ahead * cos + old_side * sin) / scale, (-old_ahead * sin + old_side * cos) / scale * flip
        bend = (t[:, 9] - t[:, 3] - turn) * flip
        answers = torch.stack([t[:, 6], torch.log2(t[:, 10] / (step * scale)), ahead, across, torch.cos(bend), torch.sin(bend), t[:, 11]], 1)
        return image, answers

    def sample(self, pictures, level, px, py):
        rows = self.table[pictures, level.clamp(max=8)]
        place, w, h, size = (rows[:, i][:, None, None] for i in range(4))
        u, v = (px + 0.5) / size - 0.5, (py + 0.5) / size - 0.5
        u0, v0 = torch.floor(u), torch.floor(v)
        fu, fv = (u - u0).float(), (v - v0).float()
        def at(a, b):
            a, b = torch.minimum(a.clamp(min=0), w - 1), torch.minimum(b.clamp(min=0), h - 1)
            return self.flat[(place + b * w + a).long()]
        top = at(u0, v0) * (1 - fu) + at(u0 + 1, v0) * fu
        low = at(u0, v0 + 1) * (1 - fu) + at(u0 + 1, v0 + 1) * fu
        return top * (1 - fv) + low * fv


def soil(image, generator):
    """Random tone, inversion, blur and noise."""
    n = len(image)
    r = lambda: torch.rand(n, 1, 1, 1, generator=generator)
    image = torch.where(r() < 0.15, -image, image)
    low, high = image.amin((1, 2, 3), keepdim=True), image.amax((1, 2, 3), keepdim=True)
    unit = ((image - low) / (high - low + 1e-3)).clamp(0, 1)
    image = torch.where(r() < 0.5, unit ** torch.exp((r() - 0.5) * 1.2) * (high - low) + low, image)
    soft = F.avg_pool2d(F.pad(image, (1, 1, 1, 1), mode="replicate"), 3, 1)
    image = torch.where(r() < 0.25, soft, image)
    image = image + (r() < 0.5) * r() ** 2 * 0.6 * torch.randn(image.shape, generator=generator)
    return (image - image.mean((2, 3), keepdim=True)) / (image.std((2, 3), keepdim=True) + 0.1)


def cost(out, answers):
    real = answers[:, 0]
    m = real
    n = m.sum().clamp(min=1)
    known = m * (answers[:, 6] >= 0)
    parts = [F.binary_cross_entropy_with_logits(out[:, 0], real * 0.98 + 0.01),
             (F.smooth_l1_loss(out[:, 1], answers[:, 1], reduction="none", beta=0.1) * m).sum() / n,
             (F.smooth_l1_loss(out[:, 2:4], answers[:, 2:4], reduction="none", beta=0.05).sum(1) * m).sum() / n,
             (F.smooth_l1_loss(out[:, 4:6], answers[:, 4:6], reduction="none", beta=0.1).sum(1) * m).sum() / n,
             (F.binary_cross_entropy_with_logits(out[:, 6], answers[:, 6].clamp(0, 1) * 0.96 + 0.02, reduction="none") * known).sum() / known.sum().clamp(min=1)]
    return parts


def judge(net, data, name):
    net.eval()
    with torch.no_grad():
        out, ans = [], []
        for i in range(0, len(data.rows), 512):
            image, answers = data.patches(np.arange(i, min(i + 512, len(data.rows))), None, False)
            out.append(net(image)), ans.append(answers)
        out, ans = torch.cat(out), torch.cat(ans)
    real = ans[:, 0] > 0.5
    p = torch.sigmoid(out[:, 0])
    order = torch.argsort(p, descending=True)
    hits = real[order].float().cumsum(0)
    precision, recall = hits / torch.arange(1, len(order) + 1), hits / hits[-1]
    f1 = (2 * precision * recall / (precision + recall + 1e-9)).max()
    width = (out[real, 1] - ans[real, 1]).abs().median() * math.log(2)
    tip = torch.hypot(out[real, 2] - ans[real, 2], out[real, 3] - ans[real, 3]) / 2 ** ans[real, 1]
    axis = torch.rad2deg(torch.atan2(out[real, 5], out[real, 4]) - torch.atan2(ans[real, 5], ans[real, 4]))
    axis = ((axis + 180) % 360 - 180).abs().median()
    kind = ((out[real, 6] > 0).float() == ans[real, 6]).float()
    both = [kind[ans[real, 6] == v].mean().item() for v in (0.0, 1.0)]
    print(f"  {name}: {len(real)} candidates, {int(real.sum())} real; best F1 {f1:.3f}, width {width:.3f}, tip {tip.median():.3f} d, axis {axis:.2f}, label tensile/sheared {both[0]:.3f}/{both[1]:.3f}", flush=True)
    net.train()
    return p.numpy(), out.numpy()


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--pair", action="append", required=True)
    ap.add_argument("--judge", action="append", default=[])
    ap.add_argument("--minutes", type=float, default=8)
    ap.add_argument("--batch", type=int, default=96)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--init")
    ap.add_argument("--out", required=True)
    args = ap.parse_args()
    torch.manual_seed(args.seed)
    rng, generator = np.random.default_rng(args.seed), torch.Generator().manual_seed(args.seed)
    data = Candidates([p.split("=") for p in args.pair])
    others = [(p, Candidates([p.split("=")])) for p in args.judge]
    for c in [data] + [o for _, o in others]:
        c.prepare()
    real = np.flatnonzero(data.rows[:, 6] > 0)
    false = np.flatnonzero(data.rows[:, 6] == 0)
    print(len(real), "real", len(false), "false", flush=True)
    net = SecondLook()
    if args.init:
        net.load_state_dict(torch.load(args.init))
    rule = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=2e-3)
    began, step, sums, told = time.time(), 0, np.zeros(5), 0
    done = 0.0
    while done < 1.0:
        pick = np.concatenate([rng.choice(real, args.batch // 2), rng.choice(false, args.batch - args.batch // 2)])
        image, answers = data.patches(pick, generator, True)
        parts = cost(net(soil(image, generator)), answers)
        loss = parts[0] + 2 * parts[1] + 3 * parts[2] + parts[3] + 0.6 * parts[4]
        rule.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        done = (time.time() - began) / (60 * args.minutes)
        for group in rule.param_groups:
            group["lr"] = 2e-3 * min(1.0, done / 0.03 + 0.05) * (0.5 + 0.5 * math.cos(math.pi * min(1.0, done))) + 1e-6
        rule.step()
        step += 1
        sums += [float(p.detach()) for p in parts]
        if done > told / 6:
            told += 1
            print(f"step {step} real {sums[0]/step:.3f} width {sums[1]/step:.3f} tip {sums[2]/step:.3f} axis {sums[3]/step:.3f} kind {sums[4]/step:.3f} (means so far)", flush=True)
            for name, other in others:
                judge(net, other, name.split("=")[0][-12:])
            torch.save(net.state_dict(), args.out + ".pt")
    torch.save(net.state_dict(), args.out + ".pt")
    net.eval()
    torch.onnx.export(net, torch.zeros(1, 2, SIDE, SIDE), args.out + ".onnx", input_names=["patches"], output_names=["answers"], opset_version=17, dynamo=False,
                      dynamic_axes={"patches": {0: "n"}, "answers": {0: "n"}})
    print(os.path.getsize(args.out + ".onnx"), "bytes")


if __name__ == "__main__":
    main()
