#!/usr/bin/env python3
"""Trains the networks over straightened strips (see networks.py) and exports them as ONNX.

    train_strips.py --pictures DIR [DIR ...] --detector models/detector.onnx --plain A.npz [...] --judge DIR --seconds 1200 --out strips

Writes OUT.regression.pt and .onnx and, unless --no-maps, OUT.segmentation.pt and .onnx. Needs PyTorch, numpy, OpenCV, onnx; a GPU for speed.
Pictures with truth come from `scripts/render` (with --fibres, which outlines are learnt from) or a lab's own marks in the same
schema; the detector must not have been trained on them. `plain_shapes.py` draws the plain shapes. --start goes on from
an exported regression network; --teacher names a segmentation network whose answers are learnt where own fibre is hidden.
--extra names real pictures, shown as often as --extra-share says; --leave-out keeps some aside for cross-validation.
Colours are mixed, inverted, blurred, made noisy and half hidden at random, so that shapes are learnt and not one look. Seeds are fixed.
"""
import argparse
import copy
import math
import os
import time

import numpy as np
import torch

import judge
import soil
from losses import WEIGHTS, of_maps, of_readings
from networks import EXTRA, ROWS, COLUMNS, SCALE, Regression, Segmentation  # also makes the detector's scripts known
from onnx_teacher import Teacher
from strips import Batch, Strips, truth_files
import weights


class Plain:
    """Plain shapes on the device."""

    def __init__(self, files, device):
        data = [np.load(f) for f in files]
        self.img = torch.from_numpy(np.concatenate([d["img"] for d in data])).to(device).permute(0, 3, 1, 2)
        read, meta = np.concatenate([d["read"] for d in data]), np.concatenate([d["meta"] for d in data])
        read[meta[:, 2] == 0, 4] = np.nan
        self.read = torch.from_numpy(read).to(device)

    def some(self, n, rng):
        """n of them; nothing but their readings is known."""
        dev = self.img.device
        rows = torch.randint(len(self.img), (n,), device=dev, generator=rng)
        none = torch.full((n,), -1.0, device=dev)
        return Batch(self.img[rows].float() / 255, self.read[rows], none, none, none, none.long(), torch.full((n, len(EXTRA)), math.nan, device=dev),
                     torch.ones(n, device=dev), torch.zeros(n, 3, ROWS, COLUMNS, device=dev))


def batch(data, plain, size, rng):
    """Strips of hits, of true ends told wrong by a lot and by a little, and plain shapes, in one batch."""
    parts = [data.of_hits(size * 42 // 100, rng), data.of_ends(size * 22 // 100, False, rng), data.of_ends(size * 28 // 100, True, rng)]
    if plain:
        parts.append(plain.some(size - sum(len(p.image) for p in parts), rng))
    return parts[0].joined(*parts[1:])


class Learner:
    """A network in training: its optimiser, and the running mean of its weights, which is what is kept."""

    def __init__(self, net, rate, compile_it):
        self.net, self.rate = net, rate
        self.mean = {k: v.detach().clone() for k, v in net.state_dict().items()}
        self.fast = torch.compile(net, dynamic=False) if compile_it else net
        fused = {"fused": True} if next(net.parameters()).is_cuda else {}
        self.rule = torch.optim.AdamW(net.parameters(), rate, weight_decay=1e-3, **fused)
        self.steps = 0

    def step(self, loss, share):
        """One step down, at this share of the rate."""
        for group in self.rule.param_groups:
            group["lr"] = self.rate * min(1, (self.steps + 1) / 500) * share
        self.rule.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(self.net.parameters(), 2.0)
        self.rule.step()
        self.steps += 1
        keep = min(0.998, self.steps / (self.steps + 10.0))
        with torch.no_grad():
            live = self.net.state_dict()
            names = [k for k, v in live.items() if v.dtype.is_floating_point]
            torch._foreach_mul_([self.mean[k] for k in names], keep)
            torch._foreach_add_([self.mean[k] for k in names], [live[k] for k in names], alpha=1 - keep)

    def averaged(self):
        """A copy of the network with the mean weights."""
        other = copy.deepcopy(self.net)
        other.load_state_dict(self.mean)
        return other


def started(path, sample):
    """A regression network that goes on from an exported one, blocks and outputs that it lacks added without effect."""
    net = Regression()
    if not path:
        return net
    state = {n.replace("block4.a", "block4.0.a").replace("block4.b", "block4.0.b"): v for n, v in weights.initializers(path).items()}
    for stack in (net.block4, net.block8):
        for k, block in enumerate(stack):
            prefix = "block4" if stack is net.block4 else "block8"
            if f"{prefix}.{k}.a.0.weight" not in state:
                weights.silent(block)
    weights.fill(net, state)
    return weights.thaw(net, sample)


def outlining(path, sample):
    """A segmentation network that goes on from an exported one."""
    net = Segmentation()
    if not path:
        return net
    weights.fill(net, weights.initializers(path))
    return weights.thaw(net, sample)


def export(net, path, name):
    """The network as the program reads it, large weights in 8 bits."""
    net = weights.fold(net.cpu().eval())
    torch.onnx.export(net, torch.zeros(2, 3, ROWS, COLUMNS), path, opset_version=17, input_names=["strip"], dynamo=False, output_names=[name],
                      dynamic_axes={n: {0: "n"} for n in ("strip", name)})
    weights.in_eight_bits(path)
    print(f"{path}: {os.path.getsize(path)} bytes", flush=True)


def save(state, out):
    """Weights, written whole."""
    torch.save(state, out + ".tmp")
    os.replace(out + ".tmp", out)


def load(args, device, detector, known, found):
    """Pictures read so far with the detector's hits."""
    began = time.time()
    aside = set(args.leave_out)
    extra = [f for f in truth_files(args.extra) if os.path.splitext(os.path.basename(f))[0] not in aside]
    data = Strips(truth_files(args.pictures) + extra, device, known, extra=extra, extra_share=args.extra_share)
    data.find(detector, found)
    on = data.hits[:, 6]
    print(f"{len(data.pairs)} pictures, {len(data.true)} ends, {len(on)} hits ({int((on >= 0).sum())} on ends, {int((on == -1).sum())} on none), {time.time() - began:.0f} s", flush=True)
    return data


def arguments():
    """Command line."""
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--pictures", nargs="+", required=True)
    ap.add_argument("--detector", required=True, help="detector.onnx or weights .pt")
    ap.add_argument("--extra", nargs="*", default=[], help="folders of real pictures with truth")
    ap.add_argument("--extra-share", type=float, default=0.1)
    ap.add_argument("--leave-out", nargs="*", default=[], help="picture names (no ending) of --extra not to train on")
    only = ap.add_mutually_exclusive_group()
    only.add_argument("--no-maps", action="store_true", help="train the regression network alone")
    only.add_argument("--only-maps", action="store_true", help="train the segmentation network alone")
    ap.add_argument("--teacher", help="segmentation network whose answers are learnt where own fibre is hidden")
    ap.add_argument("--plain", nargs="*", default=[])
    ap.add_argument("--judge", nargs="*", default=[], help="folders that are only judged")
    ap.add_argument("--out", required=True)
    ap.add_argument("--start", help="exported regression network to go on from")
    ap.add_argument("--start-maps", help="exported segmentation network to go on from")
    ap.add_argument("--seconds", type=float, default=1200)
    ap.add_argument("--until", help="stop at this clock time (Unix seconds, or a file that holds them and may be changed meanwhile)")
    ap.add_argument("--judge-every", type=float, default=120)
    ap.add_argument("--keep-every", type=float, default=40)
    ap.add_argument("--reload-at", type=float, nargs="*", default=[], help="read the folders again after so many seconds (they may still be growing)")
    ap.add_argument("--batch", type=int, default=1024)
    ap.add_argument("--rate", type=float, default=2e-3)
    ap.add_argument("--last-rate", type=float, default=0.01, help="share of the rate left at the end")
    ap.add_argument("--compile", action="store_true")
    ap.add_argument("--seed", type=int, default=1)
    return ap.parse_args()


def main():
    """Trains until the time is up."""
    args = arguments()
    torch.manual_seed(args.seed)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    Run(args, device).go()


class Run:
    """One training run."""

    def __init__(self, args, device):
        self.args, self.device = args, device
        self.rng = torch.Generator(device=device).manual_seed(args.seed)
        self.detector = weights.start(args.detector).to(device).eval()
        self.teacher = Teacher(args.teacher, device) if args.teacher else None
        self.known, self.found = {}, {}
        self.plain = Plain(args.plain, device) if args.plain else None
        self.held = Strips(truth_files(args.judge), device) if args.judge else None
        if self.held:
            self.held.find(self.detector)
        self.unit = torch.tensor(SCALE, device=device)
        self.data = self.load()
        sample = soil.soil(batch(self.data, self.plain, args.batch, self.rng).image, self.rng)
        ready = lambda net: net.to(device).to(memory_format=torch.channels_last).train()
        self.regression = None if args.only_maps else Learner(ready(started(args.start, sample.cpu())), args.rate, args.compile)
        self.segmentation = None if args.no_maps else Learner(ready(outlining(args.start_maps, sample.cpu())), args.rate, args.compile)

    def load(self):
        return load(self.args, self.device, self.detector, self.known, self.found)

    def go(self):
        args = self.args
        begin = judged = kept = last = time.time()
        sums, step, reloads = torch.zeros(len(WEIGHTS) + 1, device=self.device), 0, sorted(args.reload_at)
        while (done := (time.time() - begin) / max(1.0, (weights.end_of(args.until) - begin if args.until else args.seconds))) < 1:
            if reloads and time.time() - begin > reloads[0]:
                self.data, reloads = None, reloads[1:]
                self.data = self.load()
            sums += self.step(step, args.last_rate + (1 - args.last_rate) * 0.5 * (1 + math.cos(math.pi * done)))
            step += 1
            if step % 500 == 0:
                told = " ".join(f"{v:.3f}" for v in (sums / 500).tolist())
                print(f"step {step} {done:.2f} laplace end look clear form more maps: {told} {500 / (time.time() - last):.1f}/s", flush=True)
                sums.zero_()
                last = time.time()
            if time.time() - kept > args.keep_every:
                self.keep()
                kept = time.time()
            if self.held and time.time() - judged > args.judge_every:
                self.judge(step)
                judged = time.time()
        print(f"finished at step {step}", flush=True)
        self.keep()
        if self.regression:
            export(self.regression.averaged(), args.out + ".regression.onnx", "readings")
        if self.segmentation:
            export(self.segmentation.averaged(), args.out + ".segmentation.onnx", "maps")
        if self.held:
            self.judge(step)

    def step(self, step, share):
        """One step of each network on the same strips; returns the losses."""
        b = batch(self.data, self.plain, self.args.batch, self.rng)
        if step % 2:
            b = b.mirrored()
        b = soil.hide(b, self.rng)
        x = soil.soil(b.image, self.rng).contiguous(memory_format=torch.channels_last)
        maps = x.new_zeros(())
        parts = [maps] * len(WEIGHTS)
        if self.regression:
            parts = of_readings(self.regression.fast(x), b)
            self.regression.step(sum(w * p for w, p in zip(WEIGHTS, parts)), share)
        if self.segmentation:
            with torch.no_grad():
                taught = torch.sigmoid(self.teacher(x)[0][:, 0]) if self.teacher else b.maps[:, 0]
            maps = of_maps(self.segmentation.fast(x), b, taught)
            self.segmentation.step(maps, share)
        return torch.stack([p.detach() for p in (*parts, maps)])

    def keep(self):
        if self.regression:
            save(self.regression.mean, self.args.out + ".regression.pt")
        if self.segmentation:
            save(self.segmentation.mean, self.args.out + ".segmentation.pt")

    def judge(self, step):
        if self.regression:
            print(f"  judged at {step}:", judge.regression(self.regression.averaged(), self.held, self.unit), flush=True)
        if self.segmentation:
            print("   ", judge.segmentation(self.segmentation.averaged(), self.held, self.teacher), flush=True)


if __name__ == "__main__":
    main()
