#!/usr/bin/env python3
"""Trains the gauge: the small network that reads width, axis, tip, end line and bulb ratio, and how sure it is, from a strip.

    python train_gauge.py --strips A.npz[,B.npz...] --judge C.npz --out gauge [--minutes 15] [--start W.npz] [--keep]

Needs Python 3.11+, torch (1.13 or newer; a CPU is enough) and numpy. Strips come from make_readings.py and plain_shapes.py;
`unpack.py` turns guide.onnx into weights to start from. Colours are mixed, inverted, blurred and made noisy at random, so
that the gauge learns shapes and not one look.
Each reading is trained with a Laplace likelihood: the reading goes to the median, its spread to the mean absolute error.
Writes OUT.npz (weights; `--start` goes on from them) and OUT.onnx (input `strip`, n x 3 x 80 x 48, mean 0 and deviation 1;
output `readings`, n x 12: six readings in the units of SCALE and the logarithms of their six spreads). Seeds are fixed.
"""
import argparse
import time

import numpy as np
import torch
import torch.nn.functional as F

SCALE = torch.tensor([0.1, 5.0, 0.15, 0.15, 15.0, 0.2])  # ln width, axis deg, tip along, tip across, line deg, ln bulb
CHANNELS = [8, 20, 32, 48]
NAMES = ["width", "axis", "along", "across", "line", "bulb"]


class Gauge(torch.nn.Module):
    """The guide's four levels, then two full layers over the deepest level and over the second one taken together by rows."""

    def __init__(self, hidden=48):
        super().__init__()
        conv = lambda i, o, k=3: torch.nn.Conv2d(i, o, k, padding=k // 2)
        layers, before = {}, 3
        for k, c in enumerate(CHANNELS):
            layers[f"a{k}"], layers[f"b{k}"], before = conv(before, c), conv(c, c), c
        self.L = torch.nn.ModuleDict(layers)
        self.deep, self.fine = conv(CHANNELS[3], 8, 1), conv(CHANNELS[1], 6, 1)
        self.first = torch.nn.Linear(8 * 60 + 6 * 96, hidden)
        self.second = torch.nn.Linear(hidden, hidden)
        self.out = torch.nn.Linear(hidden, 12)

    def level(self, k, x):
        """Two convolutions."""
        return F.relu(self.L[f"b{k}"](F.relu(self.L[f"a{k}"](x))))

    def early(self, x):
        """The two finest levels: what goes on to the third, and the second one averaged over quarters of its rows."""
        x = self.level(1, F.max_pool2d(self.level(0, x), 2))
        return F.max_pool2d(x, 2), F.avg_pool2d(x, (10, 1))

    def late(self, x, quarters):
        """Readings and the logarithms of their spreads."""
        deep = F.relu(self.deep(self.level(3, F.max_pool2d(self.level(2, x), 2))))
        fine = F.relu(self.fine(quarters))
        both = torch.cat([torch.flatten(deep, 1), torch.flatten(fine, 1)], 1)
        return self.out(F.relu(self.second(F.relu(self.first(both)))))

    def forward(self, x):
        """Readings of normalised strips."""
        return self.late(*self.early(x))


def norm(x):
    """Mean 0 and deviation 1, as the program does."""
    mean = x.mean((1, 2, 3), keepdim=True)
    return (x - mean) / (x.std((1, 2, 3), keepdim=True, unbiased=False) + 0.01)


def augment(x):
    """Other colours, light, blur and noise."""
    n = len(x)
    rand, randn = torch.rand, torch.randn
    w = -torch.log(rand(n, 3).clamp_min(1e-6))
    w = w / w.sum(1, keepdim=True)
    pick = rand(n)[:, None, None]
    mix = torch.where(pick < 0.35, w[:, None, :].expand(-1, 3, -1),
                      torch.where(pick < 0.6, torch.eye(3) * 0.6 + randn(n, 3, 3) * 0.35, torch.eye(3)))
    x = torch.bmm(mix, x.flatten(2)).view_as(x)
    x = torch.where(rand(n, 1, 1, 1) < 0.25, -x, x)
    lo, hi = x.amin((1, 2, 3), keepdim=True), x.amax((1, 2, 3), keepdim=True)
    x = ((x - lo) / (hi - lo).clamp_min(1e-3)).clamp(1e-4, 1)
    x = x ** torch.exp(randn(n, 1, 1, 1) * 0.3)
    along, across = torch.linspace(-1, 1, 80)[None, None, :, None], torch.linspace(-1, 1, 48)[None, None, None, :]
    x = x * (1 + 0.12 * randn(n, 1, 1, 1) * along + 0.12 * randn(n, 1, 1, 1) * across)
    k = (rand(n, 1, 1, 1) - 0.5).clamp(0, 1) * 1.6
    x = x * (1 - k) + k * F.avg_pool2d(x, 3, 1, 1, count_include_pad=False)
    noise = torch.where(rand(n, 1, 1, 1) < 0.5, randn(n, 1, 80, 48).expand(-1, 3, -1, -1), randn(n, 3, 80, 48))
    return norm(x + noise * torch.where(rand(n, 1, 1, 1) < 0.6, 0.06 * rand(n, 1, 1, 1), torch.zeros(n, 1, 1, 1)))


def load(paths):
    """All strips of some files; end lines of tensile ends are no cuts and teach nothing."""
    files = [np.load(p) for p in paths.split(",")]
    img, read, meta = (np.concatenate([f[k] for f in files]) for k in ("img", "read", "meta"))
    read[meta[:, 2] == 0, 4] = np.nan
    return img, torch.from_numpy(read), meta


def batch(img, rows):
    """Strips as numbers 0..1."""
    return torch.from_numpy(img[rows].transpose(0, 3, 1, 2)).float() / 255


def loss_of(out, read, weight, warm):
    """Laplace likelihood of what is known (at first with fixed spreads); axis differences are small: no wrapping."""
    known = (~torch.isnan(read)) * weight[:, None]
    gap = (out[:, :6] - torch.nan_to_num(read) / SCALE).abs()
    log_b = out[:, 6:].clamp(-4, 3)
    if warm:
        return ((gap + 0.5 * log_b**2) * known).sum() / known.sum()
    return ((gap * torch.exp(-log_b) + log_b) * known).sum() / known.sum()


def shown(net, img, read, rounds):
    """What the two finest levels make of every strip, `rounds` times with other colours and mirrored; kept in half precision."""
    parts, reads = ([], []), []
    with torch.no_grad():
        for k in range(rounds):
            for i in range(0, len(img), 96):
                rows = np.arange(i, min(i + 96, len(img)))
                x, y = augment(batch(img, rows)), read[rows].clone()
                if (i // 96 + k) % 2:
                    x = x.flip(3)
                    y[:, [1, 3, 4]] = -y[:, [1, 3, 4]]
                for part, value in zip(parts, net.early(x)):
                    part.append(value.half())
                reads.append(y)
    return torch.cat(parts[0]), torch.cat(parts[1]), torch.cat(reads)


def answers(net, img):
    """Outputs for strips as they are."""
    with torch.no_grad():
        return torch.cat([net(norm(batch(img, np.arange(i, min(i + 128, len(img)))))) for i in range(0, len(img), 128)])


def judge(net, img, read, meta):
    """Medians of the errors on gradable strips, first and second pass, and how often three spreads hold (Laplace: 95 %)."""
    out = answers(net, img)
    gap = ((out[:, :6] * SCALE) - read).abs().numpy()
    b = (torch.exp(out[:, 6:].clamp(-4, 3)) * SCALE).numpy()
    text = []
    for second in (0, 1):
        m = (meta[:, 1] > 0) & (meta[:, 5] == second)
        text.append(" ".join(f"{n} {np.nanmedian(gap[m, k]):.3f}" for k, n in enumerate(NAMES)))
    inside = [np.nanmean(np.where(np.isnan(gap[m, k]), np.nan, gap[m, k] < 3 * b[m, k])) for k in range(6)]
    return " | ".join(text) + " | holds " + " ".join(f"{v:.2f}" for v in inside)


def save(net, path):
    """Weights, to go on from."""
    np.savez(path, **{k: v.numpy() for k, v in net.state_dict().items()})


def export(net, path):
    """The network as the program reads it."""
    torch.onnx.export(net.eval(), torch.zeros(2, 3, 80, 48), path, opset_version=13, input_names=["strip"],
                      output_names=["readings"], dynamic_axes={"strip": {0: "n"}, "readings": {0: "n"}})


def main():
    """Command line."""
    ap = argparse.ArgumentParser()
    ap.add_argument("--strips", required=True)
    ap.add_argument("--judge")
    ap.add_argument("--out", required=True)
    ap.add_argument("--minutes", type=float, default=15)
    ap.add_argument("--start")
    ap.add_argument("--keep", type=int, default=0, help="leave the two finest levels as --start has them, and show them every "
                    "strip this many times beforehand: five times as fast without a GPU")
    ap.add_argument("--rate", type=float, default=2e-3)
    ap.add_argument("--last", type=float, default=0.02, help="rate at the end, as a share")
    ap.add_argument("--plain", type=float, default=0.25, help="share of the plain shapes")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--threads", type=int, default=1)
    a = ap.parse_args()
    torch.set_num_threads(a.threads)
    torch.manual_seed(a.seed)
    rng = np.random.default_rng(a.seed)
    img, read, meta = load(a.strips)
    held = load(a.judge) if a.judge else None
    weight = torch.from_numpy(np.where(meta[:, 1] > 0, 1.0, 0.4).astype(np.float32))
    plain = meta[:, 3] == 5
    share = np.where(plain, a.plain / max(plain.sum(), 1), (1 - a.plain) / max((~plain).sum(), 1))
    reach = np.cumsum(share)
    net, mean = Gauge(), Gauge()
    start = {k: torch.from_numpy(v) for k, v in np.load(a.start).items()} if a.start else {}
    net.load_state_dict({k: v for k, v in start.items() if k in net.state_dict()}, strict=False)
    if "out.weight" not in start:
        with torch.no_grad():  # the loaded levels speak louder than fresh ones
            net.deep.weight.mul_(0.2)
            net.fine.weight.mul_(0.2)
            net.out.weight.mul_(0.1)
    mean.load_state_dict(net.state_dict())
    if a.keep:
        for p in [*net.L["a0"].parameters(), *net.L["b0"].parameters(), *net.L["a1"].parameters(), *net.L["b1"].parameters()]:
            p.requires_grad = False
        first, quarters, turned = shown(net, img, read, a.keep)
        print("shown", tuple(first.shape), flush=True)
    opt = torch.optim.AdamW(net.parameters(), a.rate, weight_decay=1e-3)  # what has no gradient stays
    begin, step, size, warm = time.time(), 0, 128, "out.weight" not in start
    print(len(img), "strips", flush=True)
    while (done := (time.time() - begin) / 60 / a.minutes) < 1:
        rows = np.searchsorted(reach, rng.random(size) * reach[-1]).clip(0, len(img) - 1)
        w = weight[rows]
        if a.keep:
            rows = rows + len(img) * rng.integers(0, a.keep, size)
            out, y = net.late(first[rows].float(), quarters[rows].float()), turned[rows]
        else:
            x, y = augment(batch(img, rows)), read[rows].clone()
            if rng.random() < 0.5:
                x = x.flip(3)
                y[:, [1, 3, 4]] = -y[:, [1, 3, 4]]
            out = net(x)
        for g in opt.param_groups:
            g["lr"] = a.rate * min(1, (step + 1) / 50) * (a.last + (1 - a.last) * 0.5 * (1 + np.cos(np.pi * done)))
        loss = loss_of(out, y, w, warm and step < 250)
        opt.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        opt.step()
        step += 1
        keep = min(0.995, step / (step + 10.0))
        with torch.no_grad():
            for p, q in zip(mean.parameters(), net.parameters()):
                p.lerp_(q, 1 - keep)
        if step % 200 == 0:
            print(step, f"{done:.2f} loss {loss.item():.3f}", judge(mean, *held) if held and step % 600 == 0 else "", flush=True)
            save(mean, a.out + ".npz")
    print(step, "done", judge(mean, *held) if held else "", flush=True)
    save(mean, a.out + ".npz")
    export(mean, a.out + ".onnx")
    if held:
        np.savez(a.out + "_judged.npz", out=answers(mean, held[0]).numpy(), read=held[1].numpy(), meta=held[2])


if __name__ == "__main__":
    main()
