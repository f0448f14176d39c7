#!/usr/bin/env python3
"""Train the network that tells where the detector is worth asking, taught by truth and by the detector's own answers.

    regions.py --pictures DIR [DIR ...] --teacher detector.onnx --seconds 400 --out regions.pt --onnx regions.onnx

A square of 8 x 8 px is busy where an end lies that the detector is asked for, or where the teacher's heat says so. What is
missed is lost and what is found needlessly costs only time, so busy squares weigh more, and squares beside them nothing.
Needs PyTorch, numpy, OpenCV and onnx, and a GPU for speed. Seeds are fixed.
"""
import argparse
import math
import os
import time

import torch
from torch.nn import functional as F

from marks import Marks
from network import Regions
from pictures import Pictures, soil, targets, truth_files
from train import SIZE, save
from weights import fold, start, write

#: cells of the detector's heat along the side of a square
CELLS = 4
#: heat of the teacher from which a square is busy, and from which it is surely so
BUSY, SURE = 0.05, 0.30
#: how much more a busy square weighs than an empty one
RECALL = 10.0
#: the network counts as trained on an end so hard to see from this logit up: shown more often below
EASY = 4.0


def squares(heat):
    """Highest heat in each square."""
    return F.max_pool2d(heat[:, None], CELLS)


def lesson(truth, told):
    """Which squares are busy (0 or 1), and how much each weighs: `truth` and `told` are heat of the truth and the teacher, 0..1."""
    truth, told = squares(truth), squares(told)
    sure = ((told - BUSY) / (SURE - BUSY)).clamp(0.1, 1.0)
    busy = ((truth >= 0.6) | (told >= BUSY)).float()
    weight = torch.where(truth >= 0.6, torch.ones_like(sure), sure)
    beside = F.max_pool2d(busy, 3, 1, 1) - busy
    return busy, torch.where(busy > 0, RECALL * weight, 1 - 0.9 * beside)


def train(args):
    """Trains until the time is up; writes averaged weights and the exported network."""
    torch.manual_seed(args.seed)
    torch.backends.cudnn.benchmark = True
    device = "cuda" if torch.cuda.is_available() else "cpu"
    net = Regions().to(device, memory_format=torch.channels_last).train()
    if args.init:
        net.load_state_dict(torch.load(args.init, map_location=device))
    live = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    mean = [v.clone() for v in live]
    half = lambda: torch.autocast("cuda", dtype=torch.bfloat16, enabled=device == "cuda")  # processors are slow at it
    teacher = start(args.teacher).to(device, memory_format=torch.channels_last).eval()
    data = Pictures(truth_files(args.pictures), device)
    print(f"{data.n} pictures, {len(data.ends)} ends", flush=True)
    rule = torch.optim.AdamW(net.parameters(), lr=args.rate, weight_decay=1e-3, fused=device != "cpu")
    noise = torch.Generator(device=device).manual_seed(args.seed)
    marks, began, step, seen = Marks(device), time.time(), 0, [0.0] * 3
    while (done := (time.time() - began) / args.seconds) < 1:
        step += 1
        image, ends = data.crops(noise, args.batch, SIZE)
        image, ends = marks.stamp(soil(image, noise), ends, noise)
        image = image.contiguous(memory_format=torch.channels_last)
        with torch.no_grad(), half():
            told = torch.sigmoid(teacher(image)[:, 0].float())
        heat, ask, *_ = targets(ends, args.batch, SIZE, device)
        busy, weight = lesson(heat * ask, told)
        with half():
            out = net(image).float()
        loss = (F.binary_cross_entropy_with_logits(out, busy, reduction="none") * weight).sum() / busy.sum().clamp(min=8)
        wide = F.interpolate(out.detach(), scale_factor=CELLS, mode="nearest")[:, 0]
        data.note(ends, wide + EASY)
        rule.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        for group in rule.param_groups:  # a short rise, then half a cosine down
            group["lr"] = args.rate * min(1.0, done / 0.03 + 0.02) * (0.5 + 0.5 * math.cos(math.pi * done)) + 1e-6
        rule.step()
        keep = min(0.998, step / (step + 10))
        with torch.no_grad():
            torch._foreach_lerp_(mean, live, 1 - keep)
        if step % args.tell == 0:
            near = F.max_pool2d(out.detach(), 3, 1, 1)
            found = (near > -3)[(squares(told) > SURE) | (squares(heat * ask) >= 0.6)].float().mean()
            print(f"step {step} loss {float(loss.detach()):.3f}, of sure squares found {float(found):.4f} with {float((near > -3).float().mean()):.3f} of all,"
                  f" {step / (time.time() - began):.1f}/s", flush=True)
    save(net, mean, args.out)
    print(f"finished at step {step}", flush=True)
    if args.onnx:
        export(args.out, args.onnx)


def export(weights, path):
    """Writes saved weights as ONNX."""
    net = Regions()
    net.load_state_dict(torch.load(weights, map_location="cpu"))
    write(fold(net.eval()), path)
    print(f"{path}: {os.path.getsize(path)} bytes", flush=True)


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--pictures", nargs="+", required=True)
    ap.add_argument("--teacher", required=True, help="the detector (.onnx or .pt)")
    ap.add_argument("--seconds", type=float, default=400)
    ap.add_argument("--batch", type=int, default=384)
    ap.add_argument("--rate", type=float, default=3e-3)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--tell", type=int, default=500, help="say how it goes after so many steps each")
    ap.add_argument("--init", help="go on from these weights (.pt)")
    ap.add_argument("--out", required=True)
    ap.add_argument("--onnx")
    train(ap.parse_args())


if __name__ == "__main__":
    main()
