#!/usr/bin/env python3
"""Trains the gauge: the small network that reads a strip (see gauge_network.py), and exports it as ONNX.

    train_gauge.py --pictures DIR [DIR ...] --detector models/detector.onnx --plain A.npz [...] --judge DIR --seconds 1200 --out gauge

With --quick and --outliner models/segmentation_teacher.onnx (made by train_guide.py) the network learns to outline a strip, too, from the
other's maps, and with --reader models/regression.onnx its readings also from another gauge's, beside the truth: OUT.guide.onnx is
the guide. Needs PyTorch, numpy, OpenCV, onnx; a GPU for speed. Pictures with truth come from `scripts/render` or a lab's own marks in the
same schema; the finder must not have been trained on them. `plain_shapes.py` draws the plain shapes.
Colours are mixed, inverted, blurred and made noisy at random, so that the gauge learns shapes and not one look. Each reading is
trained with a Laplace likelihood: the reading goes to the median, its spread to the mean absolute error.
Writes OUT.pt (weights; `--start` goes on from them) and OUT.onnx. Seeds are fixed.
"""
import argparse
import math
import os
import time

import numpy as np
import onnx.utils
import torch
from torch.nn import functional as F

from gauge_network import COLUMNS, NAMES, ROWS, SCALE, Gauge, QuickGauge  # also makes the finder's scripts known
from onnx_teacher import Teacher
from strips import Strips, truth_files
import train


def norm(x):
    """Mean 0 and deviation 1, as the program does."""
    mean = x.mean((1, 2, 3), keepdim=True)
    return (x - mean) / (x.std((1, 2, 3), keepdim=True, unbiased=False) + 0.01)


def augment(x, rng):
    """Other colours, light, blur and noise."""
    n, dev = len(x), x.device
    rand = lambda *s: torch.rand(*s, device=dev, generator=rng)
    randn = lambda *s: torch.randn(*s, device=dev, generator=rng)
    one = lambda: rand(n, 1, 1, 1)
    w = -torch.log(rand(n, 3).clamp_min(1e-6))
    w = w / w.sum(1, keepdim=True)
    pick = rand(n)[:, None, None]
    eye = torch.eye(3, device=dev)
    mix = torch.where(pick < 0.35, w[:, None, :].expand(-1, 3, -1), torch.where(pick < 0.55, eye * 0.6 + randn(n, 3, 3) * 0.35, eye))
    x = torch.bmm(mix, x.flatten(2)).view_as(x)
    x = torch.where(one() < 0.2, -x, x)
    lo, hi = x.amin((1, 2, 3), keepdim=True), x.amax((1, 2, 3), keepdim=True)
    x = ((x - lo) / (hi - lo).clamp_min(1e-3)).clamp(1e-4, 1)
    x = x ** torch.exp(randn(n, 1, 1, 1) * 0.3)
    along, across = torch.linspace(-1, 1, ROWS, device=dev)[None, None, :, None], torch.linspace(-1, 1, COLUMNS, device=dev)[None, None, None, :]
    x = x * (1 + 0.12 * randn(n, 1, 1, 1) * along + 0.12 * randn(n, 1, 1, 1) * across)
    k = (one() - 0.5).clamp(0, 1) * 1.6
    x = x * (1 - k) + k * F.avg_pool2d(x, 3, 1, 1, count_include_pad=False)
    noise = torch.where(one() < 0.5, randn(n, 1, ROWS, COLUMNS).expand(-1, 3, -1, -1), randn(n, 3, ROWS, COLUMNS))
    return norm(x + noise * torch.where(one() < 0.6, 0.06 * one(), torch.zeros_like(one())))


def mirrored(x, read):
    """Strips and readings left for right."""
    read = read.clone()
    read[:, [1, 3, 4]] *= -1
    return x.flip(3), read


def loss_of(out, read, kind, is_end, asked, weight, unit):
    """Laplace likelihood of what is known, chance of an end (of hits only), of a sheared look and of a verdict."""
    known = (~torch.isnan(read)).float() * weight[:, None]
    gap = (out[:, :6] - torch.nan_to_num(read) / unit).abs().clamp(max=40)
    log_b = out[:, 6:12].clamp(-4, 3)
    laplace = ((gap * torch.exp(-log_b) + log_b) * known).sum() / known.sum().clamp(min=1)
    ask = (asked > -1).float()
    end = (F.binary_cross_entropy_with_logits(out[:, 12], asked.clamp(0, 1), reduction="none") * ask).sum() / ask.sum().clamp(min=1)
    told = (kind >= 0).float() * weight
    look = (F.binary_cross_entropy_with_logits(out[:, 13], kind.clamp(0, 1) * 0.96 + 0.02, reduction="none") * told).sum() / told.sum().clamp(min=1)
    on = (is_end >= 0).float() * (ask < 1).float()
    clear = (F.binary_cross_entropy_with_logits(out[:, 14], is_end.clamp(0, 1), reduction="none") * on).sum() / on.sum().clamp(min=1)
    return laplace, end, look, clear


def lesson_of_maps(maps, told):
    """How far maps are from a teacher's; tips are few, so they count more."""
    share = torch.sigmoid(told)
    gap = F.binary_cross_entropy_with_logits(maps, share, reduction="none")
    return gap[:, 0].mean() + 0.4 * gap[:, 1].mean() + 0.6 * (gap[:, 2] * (1 + 20 * share[:, 2])).mean()


def lesson_of_readings(out, told):
    """How far readings, their spreads and the three answers are from another gauge's; what it is sure of counts more."""
    log_b = told[:, 6:12].clamp(-4, 3)
    read = ((out[:, :6] - told[:, :6]).abs().clamp(max=40) * torch.exp(-log_b)).mean()
    spread = (out[:, 6:12] - log_b).abs().mean()
    return read + 0.3 * spread + 0.3 * F.binary_cross_entropy_with_logits(out[:, 12:], torch.sigmoid(told[:, 12:]))


def readings(answer):
    """What a network answers, without its maps."""
    return answer if torch.is_tensor(answer) else answer[0]


class Plain:
    """Plain shapes on the device."""

    def __init__(self, files, device):
        data = [np.load(f) for f in files]
        self.img = torch.from_numpy(np.concatenate([d["img"] for d in data])).to(device).permute(0, 3, 1, 2)
        read, meta = np.concatenate([d["read"] for d in data]), np.concatenate([d["meta"] for d in data])
        read[meta[:, 2] == 0, 4] = np.nan
        self.read = torch.from_numpy(read).to(device)
        self.kind = torch.from_numpy(meta[:, 2].astype(np.float32)).to(device)

    def some(self, n, rng):
        rows = torch.randint(len(self.img), (n,), device=self.img.device, generator=rng)
        none = torch.full((n,), -1.0, device=self.img.device)
        return self.img[rows].float() / 255, self.read[rows], none, none, none


def batch(data, plain, size, rng):
    """Strips of hits, of true ends told wrong by a lot and by a little, and plain shapes, in one batch."""
    parts = [data.of_hits(size * 45 // 100, rng), data.of_ends(size * 20 // 100, False, rng), data.of_ends(size * 25 // 100, True, rng)]
    if plain:
        parts.append(plain.some(size - sum(len(p[0]) for p in parts), rng))
    x, read, kind, is_end, asked = (torch.cat(p) for p in zip(*parts))
    weight = torch.where(is_end == 0, 0.4, 1.0)
    return x, read, kind, is_end, asked, weight


def judge(net, data, unit):
    """Medians of the errors on gradable ends: hits as told, then where the reading puts them; F1 of hits by finder and by gauge."""
    net.eval()
    rows = torch.arange(len(data.hits), device=data.device)
    outs, reads = [], []
    twice = []
    with torch.no_grad():
        for part in rows.split(512):
            x, read, kind, is_end, on = data.at_hits(part)
            out = readings(net(norm(x)))
            outs.append(out)
            reads.append(read)
            hits = data.hits[part]
            r = out[:, :6] * unit
            a = torch.deg2rad(hits[:, 3])
            told = (hits[:, 1] + hits[:, 4] * (r[:, 2] * torch.cos(a) - r[:, 3] * torch.sin(a)), hits[:, 2] + hits[:, 4] * (r[:, 2] * torch.sin(a) + r[:, 3] * torch.cos(a)), hits[:, 3] + r[:, 1], hits[:, 4] * torch.exp(r[:, 0]))
            again = readings(net(norm(data.cut(hits[:, 0].long(), *told))))
            ends = data.ends[hits[:, 6].long().clamp(min=0)]
            twice.append(torch.cat([again, data.reading(told, ends)], 1))
    out, read, twice = torch.cat(outs), torch.cat(reads), torch.cat(twice)
    on = data.hits[:, 6] >= 0
    ends = data.ends[data.hits[:, 6].long().clamp(min=0)]
    text = []
    for name, o, r in (("told", out, read), ("again", twice[:, :15], twice[:, 15:])):
        gap = (o[:, :6] * unit - r).abs()
        text.append(name + " " + " ".join(f"{n} {gap[on & ~torch.isnan(r[:, k]), k].median():.3f}" for k, n in enumerate(NAMES)))
    gap = (twice[:, 0] * unit[0] - twice[:, 15])
    for k, look in enumerate(("ring", "coax", "side", "trans", "sem")):
        m = on & (ends[:, 9] == k) & (ends[:, 4] >= 15)
        if m.any():
            text.append(f"{look} {gap[m].abs().median():.3f}/{gap[m].median():+.3f}")
    inside = (gap.abs() < 3 * torch.exp(twice[:, 6].clamp(-4, 3)) * unit[0])[on].float().mean()
    text.append(f"holds {inside:.3f}")
    asked = data.hits[:, 6] != -2
    total = int((data.ends[:, 8] > 0).sum())
    for name, score in (("finder", data.hits[:, 5]), ("gauge", out[:, 12]), ("both", data.hits[:, 5] + out[:, 12])):
        text.append(f"{name} F1 {best_f1(data, score, asked, total):.3f}")
    good = on & (ends[:, 7] >= 0)
    text.append(f"look {((out[:, 13] > 0).float() == ends[:, 7])[good].float().mean():.3f}")
    net.train()
    return " | ".join(text)


def best_f1(data, score, asked, total):
    """Best F1 over all thresholds; each end counts once, further hits on it are false."""
    order = torch.argsort(score, descending=True)
    order = order[asked[order]]
    on = data.hits[order, 6].long().cpu().numpy()
    seen, hit = set(), np.zeros(len(on))
    for i, e in enumerate(on):
        if e >= 0 and e not in seen:
            seen.add(e)
            hit[i] = 1
    hits = np.cumsum(hit)
    return float((2 * hits / (np.arange(1, len(hits) + 1) + total)).max()) if len(hits) else 0.0


def export(state, path):
    """The network as the program reads it, large weights in 8 bits; of a quick one the maps alone as NAME.guide.onnx, too."""
    net = QuickGauge() if "maps.weight" in state else Gauge()
    net.load_state_dict({k: v.cpu() for k, v in state.items()})
    names = ["readings", "maps"] if "maps.weight" in state else ["readings"]
    torch.onnx.export(train.fold(net.eval()), torch.zeros(2, 3, ROWS, COLUMNS), path, opset_version=17, input_names=["strip"], dynamo=False,
                      output_names=names, dynamic_axes={name: {0: "n"} for name in ["strip", *names]})
    train.in_eight_bits(path)
    print(f"{path}: {os.path.getsize(path)} bytes", flush=True)
    if len(names) > 1:
        onnx.utils.extract_model(path, path.removesuffix(".onnx") + ".guide.onnx", ["strip"], ["maps"])


def load(args, device, finder, known, found):
    """Pictures read so far with the finder's hits."""
    began = time.time()
    data = Strips(truth_files(args.pictures), device, known)
    data.find(finder, found)
    on = data.hits[:, 6]
    print(f"{len(data.pairs)} pictures, {len(data.true)} ends, {len(on)} hits ({int((on >= 0).sum())} on ends, {int((on == -1).sum())} on none), {time.time() - began:.0f} s", flush=True)
    return data


def main():
    """Command line."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--pictures", nargs="+", required=True)
    ap.add_argument("--finder", required=True, help="detector.onnx or weights .pt")
    ap.add_argument("--quick", action="store_true", help="the network that also outlines; needs --outliner")
    ap.add_argument("--outliner", help="network whose maps are learnt (models/segmentation_teacher.onnx)")
    ap.add_argument("--reader", help="gauge.onnx whose readings are learnt beside the truth")
    ap.add_argument("--lessons", type=float, default=0.5, help="weight of --reader beside the truth")
    ap.add_argument("--plain", nargs="*", default=[])
    ap.add_argument("--judge", nargs="*", default=[], help="folders that are only judged")
    ap.add_argument("--out", required=True)
    ap.add_argument("--start", help="weights to go on from")
    ap.add_argument("--seconds", type=float, default=1200)
    ap.add_argument("--judge-every", type=float, default=60)
    ap.add_argument("--reload-at", type=float, nargs="*", default=[], help="read the folders again after so many seconds (they may still be growing)")
    ap.add_argument("--batch", type=int, default=1024)
    ap.add_argument("--rate", type=float, default=2e-3)
    ap.add_argument("--last-rate", type=float, default=0.01, help="share of the rate left at the end")
    ap.add_argument("--compile", action="store_true")
    ap.add_argument("--seed", type=int, default=1)
    a = ap.parse_args()
    if a.quick != bool(a.outliner):
        ap.error("--quick and --outliner go together")
    torch.manual_seed(a.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    rng = torch.Generator(device=device).manual_seed(a.seed)
    finder = train.start(a.finder).to(device).eval()
    outliner = Teacher(a.outliner, device) if a.outliner else None
    reader = Teacher(a.reader, device) if a.reader else None
    known, found = {}, {}
    plain = Plain(a.plain, device) if a.plain else None
    held = None
    if a.judge:
        held = Strips(truth_files(a.judge), device)
        held.find(finder)
    data = load(a, device, finder, known, found)
    unit = torch.tensor(SCALE, device=device)
    net = (QuickGauge() if a.quick else Gauge()).to(device).to(memory_format=torch.channels_last).train()
    if a.start:
        net.load_state_dict(torch.load(a.start, map_location=device))
    mean = {k: v.detach().clone() for k, v in net.state_dict().items()}
    fast = torch.compile(net, dynamic=False) if a.compile else net
    opt = torch.optim.AdamW(net.parameters(), a.rate, weight_decay=1e-3, **({"fused": True} if device != "cpu" else {}))
    begin, step, judged, sums, reloads = time.time(), 0, time.time(), torch.zeros(6, device=device), sorted(a.reload_at)
    while (done := (time.time() - begin) / a.seconds) < 1:
        if reloads and time.time() - begin > reloads[0]:
            del data
            data, reloads = load(a, device, finder, known, found), reloads[1:]
        x, read, kind, is_end, asked, weight = batch(data, plain, a.batch, rng)
        x = augment(x, rng)
        if step % 2:
            x, read = mirrored(x, read)
        x = x.contiguous(memory_format=torch.channels_last)
        answer = fast(x)
        out, none = readings(answer), x.new_zeros(())
        parts = loss_of(out, read, kind, is_end, asked, weight, unit)
        with torch.no_grad():
            outlines, others = outliner(x)[0] if outliner else None, reader(x)[0] if reader else None
        parts += (lesson_of_maps(answer[1], outlines) if outliner else none, lesson_of_readings(out, others) if reader else none)
        loss = parts[0] + 0.6 * parts[1] + 0.2 * parts[2] + 0.2 * parts[3] + parts[4] + a.lessons * parts[5]
        for g in opt.param_groups:
            g["lr"] = a.rate * min(1, (step + 1) / 500) * (a.last_rate + (1 - a.last_rate) * 0.5 * (1 + math.cos(math.pi * done)))
        opt.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        opt.step()
        step += 1
        keep = min(0.998, step / (step + 10.0))
        with torch.no_grad():
            live = net.state_dict()
            names = [k for k, v in live.items() if v.dtype.is_floating_point]
            torch._foreach_mul_([mean[k] for k in names], keep)
            torch._foreach_add_([mean[k] for k in names], [live[k] for k in names], alpha=1 - keep)
            sums += torch.stack([p.detach() for p in parts])
        if step % 500 == 0:
            s = (sums / 500).tolist()
            print(f"step {step} {done:.2f} laplace {s[0]:.3f} end {s[1]:.3f} look {s[2]:.3f} clear {s[3]:.3f} maps {s[4]:.4f} lesson {s[5]:.3f} {step / (time.time() - begin):.1f}/s", flush=True)
            sums.zero_()
        if time.time() - judged > a.judge_every:
            judged = time.time()
            save(mean, a.out)
            if held:
                other = type(net)().to(device)
                other.load_state_dict(mean)
                print(f"  judged at {step}:", judge(other, held, unit), flush=True)
    save(mean, a.out)
    print(step, "steps", flush=True)
    if held:
        other = type(net)().to(device)
        other.load_state_dict(mean)
        print("  judged at the end:", judge(other, held, unit), flush=True)
    export(mean, a.out + ".onnx")


def save(mean, out):
    """Weights, written whole."""
    torch.save(mean, out + ".tmp")
    os.replace(out + ".tmp", out + ".pt")


if __name__ == "__main__":
    main()
