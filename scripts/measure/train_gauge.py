#!/usr/bin/env python3
"""Teaches the guide to read numbers: width, axis, tip, end line and bulb ratio of an end, and how sure it is of each.

    python train_gauge.py features --guide guide.npz --strips A.npz[,B.npz...] --out A_seen.npz [--rounds 2]
    python train_gauge.py train --guide guide.npz --seen A_seen.npz[,...] [--judge C_seen.npz] --out guide [--epochs 40]

Needs Python 3.11+, torch (1.13 or newer; a CPU is enough) and numpy. `guide.npz` holds the weights of the network that
train_guide.py made (`unpack.py`); they stay as they are, so its maps stay the same, and only two small layers are learnt
on top: minutes on one core. Strips come from make_readings.py and plain_shapes.py. Colours are mixed, inverted, blurred and
made noisy at random, so that shapes are learnt and not one look.
Each reading is trained with a Laplace likelihood: the reading goes to the median, its spread to the mean absolute error.
Writes OUT.onnx: input `strip` (n x 3 x 80 x 48, mean 0 and deviation 1), outputs `out` (the maps, n x 3 x 80 x 48 logits: own
fibre, own fibre in view, tip) and `readings` (n x 12: six readings in the units of SCALE and the logarithms of their six
spreads). Seeds are fixed.
"""
import argparse

import numpy as np
import torch
import torch.nn.functional as F

SCALE = torch.tensor([0.1, 5.0, 0.15, 0.15, 15.0, 0.2])  # ln width, axis deg, tip along, tip across, line deg, ln bulb
CHANNELS = [8, 20, 32, 48]
NAMES = ["width", "axis", "along", "across", "line", "bulb"]
BLOCKS = 10  # rows of the strip are taken together in this many blocks


class Guide(torch.nn.Module):
    """The network of train_guide.py; gives its deepest level beside its maps."""

    def __init__(self):
        super().__init__()
        conv = lambda i, o, k=3: torch.nn.Conv2d(i, o, k, padding=k // 2)
        c, layers, before = CHANNELS, {}, 3
        for k in range(4):
            layers[f"a{k}"], layers[f"b{k}"], before = conv(before, c[k]), conv(c[k], c[k]), c[k]
        for k in (2, 1, 0):
            layers[f"u{k}"], layers[f"d{k}"] = conv(c[k + 1], c[k], 1), conv(2 * c[k], c[k])
        layers["e0"], layers["out"] = conv(c[0], c[0]), conv(c[0], 3, 1)
        self.L = torch.nn.ModuleDict(layers)

    def forward(self, x):
        """Deepest level and maps."""
        levels, act = [], lambda name, v: F.relu(self.L[name](v))
        for k in range(4):
            x = act(f"b{k}", act(f"a{k}", x if k == 0 else F.max_pool2d(x, 2)))
            levels.append(x)
        for k in (2, 1, 0):
            x = act(f"d{k}", torch.cat([F.interpolate(self.L[f"u{k}"](x), scale_factor=2.0, mode="nearest"), levels[k]], 1))
        return levels[3], self.L["out"](act("e0", x))


def digest(deep, maps):
    """What the reading layers see: the deepest level, and profiles of the maps along and across the strip."""
    own, seen, tip = torch.sigmoid(maps).chunk(3, 1)
    beside = torch.linspace(-23.5 / 12, 23.5 / 12, 48).view(1, 1, 1, 48)
    width = own.sum(3) / 12
    middle = (own * beside).sum(3) / 12 / (width + 0.1)
    front = own[:, :, 32:].sum(2) / 12
    blocks = F.avg_pool2d(own, (80 // BLOCKS, 2))
    parts = [width, middle, front, blocks, seen.sum(3) / 12, tip.sum(3) / 4, tip.sum(2) / 4, deep]
    return torch.cat([torch.flatten(p, 1) for p in parts], 1)


class Reader(torch.nn.Module):
    """Two full layers over the digest."""

    def __init__(self, hidden=32):
        super().__init__()
        self.small = 80 * 4 + 48 * 2 + BLOCKS * 24
        self.narrow = torch.nn.Conv2d(CHANNELS[3], 8, 1)
        self.first = torch.nn.Linear(self.small + 8 * 60, hidden)
        self.second = torch.nn.Linear(hidden, hidden)
        self.out = torch.nn.Linear(hidden, 12)
        self.drop = torch.nn.Dropout(0.05)

    def forward(self, digest):
        """Readings and the logarithms of their spreads."""
        small, deep = digest[:, : self.small], digest[:, self.small :].reshape(-1, CHANNELS[3], 10, 6)
        x = torch.cat([small, torch.flatten(F.relu(self.narrow(deep)), 1)], 1)
        x = self.drop(F.relu(self.first(x)))
        return self.out(F.relu(self.second(x)))


class Both(torch.nn.Module):
    """Maps and readings from one strip: what ships."""

    def __init__(self, guide, reader):
        super().__init__()
        self.guide, self.reader = guide, reader

    def forward(self, x):
        """Maps, readings."""
        deep, maps = self.guide(x)
        return maps, self.reader(digest(deep, maps))


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


def load_guide(path):
    """The guide with its weights."""
    guide = Guide()
    guide.load_state_dict({k: torch.from_numpy(v) for k, v in np.load(path).items()})
    return guide.eval()


def features(a):
    """Shows the guide every strip, some rounds with other colours and mirrored, and keeps what the reading layers see."""
    guide = load_guide(a.guide)
    files = [np.load(p) for p in a.strips.split(",")]
    img, read, meta = (np.concatenate([f[k] for f in files]) for k in ("img", "read", "meta"))
    out, reads, metas = [], [], []
    with torch.no_grad():
        for k in range(max(a.rounds, 1)):
            for i in range(0, len(img), 64):
                x = torch.from_numpy(img[i : i + 64].transpose(0, 3, 1, 2)).float() / 255
                y = torch.from_numpy(read[i : i + 64].copy())
                x = augment(x) if a.rounds else norm(x)
                if a.rounds and (i // 64 + k) % 2:
                    x = x.flip(3)
                    y[:, [1, 3, 4]] = -y[:, [1, 3, 4]]
                out.append(digest(*guide(x)).half().numpy())
                reads.append(y.numpy())
                metas.append(meta[i : i + 64])
    np.savez(a.out, digest=np.concatenate(out), read=np.concatenate(reads), meta=np.concatenate(metas))
    print(a.out, sum(map(len, out)), flush=True)


def loss_of(out, read, weight):
    """Laplace likelihood of what is known; axis differences are small, so no wrapping is needed."""
    known = (~torch.isnan(read)) * weight[:, None]
    gap = (out[:, :6] - torch.nan_to_num(read) / SCALE).abs()
    log_b = out[:, 6:].clamp(-4, 3)
    return ((gap * torch.exp(-log_b) + log_b) * known).sum() / known.sum()


def judge(net, seen):
    """Medians of the errors on gradable strips, first and second pass, and how often three spreads hold (Laplace: 95 %)."""
    net.eval()
    with torch.no_grad():
        out = torch.cat([net(d) for d in torch.from_numpy(seen["digest"]).split(4096)])
    net.train()
    read, meta = torch.from_numpy(seen["read"]), seen["meta"]
    gap = ((out[:, :6] * SCALE) - read).abs().numpy()
    b = (torch.exp(out[:, 6:].clamp(-4, 3)) * SCALE).numpy()
    text = []
    for second in (0, 1):
        m = (meta[:, 1] > 0) & (meta[:, 0] >= 15) & (meta[:, 5] == second)
        text.append(" ".join(f"{n} {np.nanmedian(gap[m, k]):.3f}" for k, n in enumerate(NAMES)))
    inside = [np.nanmean(np.where(np.isnan(gap[m, k]), np.nan, gap[m, k] < 3 * b[m, k])) for k in range(6)]
    return " | ".join(text) + " | holds " + " ".join(f"{v:.2f}" for v in inside)


def load_seen(paths):
    """Digests of some files."""
    files = [np.load(p) for p in paths.split(",")]
    return {k: np.concatenate([f[k] for f in files]).astype(np.float32) for k in ("digest", "read", "meta")}


def train(a):
    """Learns the reading layers and writes the whole network."""
    torch.manual_seed(a.seed)
    rng = np.random.default_rng(a.seed)
    seen, held = load_seen(a.seen), load_seen(a.judge) if a.judge else None
    digests, read = torch.from_numpy(seen["digest"]), torch.from_numpy(seen["read"])
    meta = seen["meta"]
    weight = torch.from_numpy(np.where(meta[:, 1] > 0, 1.0, 0.4).astype(np.float32))
    plain = meta[:, 3] == 5
    if plain.any() and not plain.all():  # plain shapes count as much as PLAIN of all, however many were drawn
        weight[torch.from_numpy(plain)] *= a.plain / (1 - a.plain) * float((~plain).sum() / plain.sum())
    net, mean = Reader(), Reader()
    mean.load_state_dict(net.state_dict())
    opt = torch.optim.AdamW(net.parameters(), a.rate, weight_decay=a.decay)
    size = 256
    steps, step = a.epochs * (len(digests) // size), 0
    print(len(digests), "digests,", steps, "steps", flush=True)
    for epoch in range(a.epochs):
        order = torch.from_numpy(rng.permutation(len(digests)))
        for rows in order.split(size)[: len(digests) // size]:
            for g in opt.param_groups:
                g["lr"] = a.rate * min(1, (step + 1) / 100) * (0.01 + 0.99 * 0.5 * (1 + np.cos(np.pi * step / steps)))
            loss = loss_of(net(digests[rows]), read[rows], weight[rows])
            opt.zero_grad()
            loss.backward()
            torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
            opt.step()
            step += 1
            keep = min(0.995, step / (step + 10.0))
            with torch.no_grad():
                for p, q in zip(mean.parameters(), net.parameters()):
                    p.lerp_(q, 1 - keep)
        if epoch % 5 == 4:
            print(epoch + 1, f"loss {loss.item():.3f}", judge(mean, held) if held else "", flush=True)
    both = Both(load_guide(a.guide), mean).eval()
    torch.onnx.export(both, torch.zeros(2, 3, 80, 48), a.out + ".onnx", opset_version=13, input_names=["strip"],
                      output_names=["out", "readings"],
                      dynamic_axes={"strip": {0: "n"}, "out": {0: "n"}, "readings": {0: "n"}})
    if held:
        mean.eval()
        with torch.no_grad():
            out = torch.cat([mean(d) for d in torch.from_numpy(held["digest"]).split(4096)])
        np.savez(a.out + "_judged.npz", out=out.numpy(), read=held["read"], meta=held["meta"])


def main():
    """Command line."""
    ap = argparse.ArgumentParser()
    ap.add_argument("what", choices=["features", "train"])
    ap.add_argument("--guide", required=True)
    ap.add_argument("--strips")
    ap.add_argument("--rounds", type=int, default=2, help="0 = once, as it is")
    ap.add_argument("--seen")
    ap.add_argument("--judge")
    ap.add_argument("--out", required=True)
    ap.add_argument("--epochs", type=int, default=40)
    ap.add_argument("--rate", type=float, default=2e-3)
    ap.add_argument("--decay", type=float, default=1e-2)
    ap.add_argument("--plain", type=float, default=0.25, help="share of the plain shapes in the loss")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--threads", type=int, default=1)
    a = ap.parse_args()
    torch.set_num_threads(a.threads)
    torch.manual_seed(a.seed)
    features(a) if a.what == "features" else train(a)


if __name__ == "__main__":
    main()
