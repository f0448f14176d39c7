#!/usr/bin/env python3
"""Train the detector on pictures with truth and export it as ONNX.

    train.py --pictures DIR [DIR ...] [--extra DIR] --steps 8000 --out detector.pt [--init base.pt] [--leave-out NAME ...]
    train.py --export detector.pt --out detector.onnx

Needs PyTorch, numpy and OpenCV, and a GPU for speed (a CPU works, slowly). Seeds are fixed; see README.md beside this file.
"""
import argparse
import math
import os
import time

import numpy as np
import torch
from torch.nn import functional as F

from marks import Marks
from pictures import Pictures, soil, targets, truth_files
from weights import deepen, end_of, export, start, thaw

SIZE = 192
#: weight of heat, offset, axis, width and class in the loss
WEIGHTS = (1.0, 3.0, 1.5, 4.0, 0.5)


def losses(out, heat, ask, fields, mask, gain):
    """Losses of heat, offset, axis, width and class."""
    out = out.float()
    p = torch.sigmoid(out[:, 0]).clamp(1e-5, 1 - 1e-5)
    full = (heat >= 0.999).float()
    hit = -((1 - p) ** 2) * torch.log(p) * full * gain
    miss = -((1 - heat) ** 4) * p ** 2 * torch.log(1 - p) * (1 - full) * ask * gain
    n = (full * gain).sum().clamp(min=8)
    l_heat = (hit.sum() + miss.sum()) / n
    m = mask.sum().clamp(min=8)
    l_off = (F.smooth_l1_loss(out[:, 1:3], fields[:, 0:2], reduction="none", beta=0.1).sum(1) * mask).sum() / m
    l_axis = (F.smooth_l1_loss(out[:, 3:5], fields[:, 2:4], reduction="none", beta=0.2).sum(1) * mask).sum() / m
    l_width = (F.smooth_l1_loss(out[:, 5], fields[:, 4], reduction="none", beta=0.1) * mask).sum() / m
    kind = fields[:, 5]
    known = mask * (kind >= 0)
    l_kind = (F.binary_cross_entropy_with_logits(out[:, 6], kind.clamp(0, 1) * 0.96 + 0.02, reduction="none") * known).sum() / known.sum().clamp(min=8)
    return l_heat, l_off, l_axis, l_width, l_kind


def lesson(out, told):
    """How far an answer is from a teacher's: everywhere in heat, and in the rest where the teacher sees an end."""
    out, told = out.float(), told.float()
    q = torch.sigmoid(told[:, 0])
    weight = (torch.sigmoid(out[:, 0].detach()) - q).abs() + 0.1 * q
    n = q.sum().clamp(min=8)
    heat = (F.binary_cross_entropy_with_logits(out[:, 0], q, reduction="none") * weight).sum() / n
    sure = q * (q > 0.2)
    scale = torch.tensor(WEIGHTS[1:4], device=out.device)[[0, 0, 1, 1, 2]].view(1, 5, 1, 1)
    rest = (F.smooth_l1_loss(out[:, 1:6], told[:, 1:6], reduction="none", beta=0.1) * scale).sum(1)
    kind = F.binary_cross_entropy_with_logits(out[:, 6], torch.sigmoid(told[:, 6]), reduction="none")
    return heat + ((rest + WEIGHTS[4] * kind) * sure).sum() / n


def train(args):
    torch.manual_seed(args.seed)
    torch.backends.cudnn.benchmark = True
    device = "cuda" if torch.cuda.is_available() else "cpu"
    rank, ranks = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    if ranks > 1:  # started by torchrun: one process a GPU, gradients averaged
        torch.distributed.init_process_group("nccl" if device == "cuda" else "gloo")
        if device == "cuda":
            torch.cuda.set_device(rank)
            device = f"cuda:{rank}"
    net = deepen(start(args.init, args.quick, args.planes), args.deepen).to(device)
    net = net.to(memory_format=torch.channels_last).train()
    live = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    mean = [v.clone() for v in live]
    fast = compiled(net, args, device)
    teacher = start(args.teacher).to(device, memory_format=torch.channels_last).eval() if args.teacher else None
    data = load(args, device)
    step_rule = torch.optim.AdamW(net.parameters(), lr=args.rate, weight_decay=1e-3, fused=device != "cpu")
    noise = torch.Generator(device=device).manual_seed(args.seed + 1000 * rank)
    began, reloads = time.time(), sorted(args.reload_at)
    if args.until:
        args.seconds = max(1.0, end_of(args.until) - began)
    marks = Marks(device)
    sums, last = np.zeros(5), time.time()
    if args.init and args.init.endswith(".onnx"):
        image, _ = data.crops(noise, 2 * args.batch, SIZE)
        thaw(net, soil(image, noise).contiguous(memory_format=torch.channels_last))
        if ranks > 1:  # each saw other crops: all go on from what the first saw
            for value in net.state_dict().values():
                torch.distributed.broadcast(value, 0)
        mean = [v.clone() for v in live]
    kept = time.time()
    for step in range(1, args.steps + 1):
        if reloads and time.time() - began > reloads[0]:
            del data
            data, reloads = load(args, device), reloads[1:]
        image, ends = data.crops(noise, args.batch, SIZE)
        image, ends = marks.stamp(soil(image, noise), ends, noise)
        image = image.contiguous(memory_format=torch.channels_last)
        goal = targets(ends, args.batch, SIZE, device)
        with torch.autocast(device.split(":")[0], dtype=torch.bfloat16):
            out = fast(image)
        parts = losses(out, *goal)
        data.note(ends, out[:, 0].detach())
        loss = sum(weight * part for weight, part in zip(WEIGHTS, parts))
        if teacher:
            with torch.no_grad(), torch.autocast(device.split(":")[0], dtype=torch.bfloat16):
                told = teacher(image)
            loss = loss + args.lessons * lesson(out, told)
        step_rule.zero_grad(set_to_none=True)
        loss.backward()
        if ranks > 1:
            grads = [p.grad for p in net.parameters()]
            together = torch._utils._flatten_dense_tensors(grads)
            torch.distributed.all_reduce(together)
            for grad, part in zip(grads, torch._utils._unflatten_dense_tensors(together / ranks, grads)):
                grad.copy_(part)
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        if args.until and step % 50 == 0:
            args.seconds = max(1.0, end_of(args.until) - began)
        done = max(step / args.steps, (time.time() - began) / args.seconds if args.seconds else 0.0)
        if ranks > 1:  # both leave at the same step
            agreed = torch.tensor([done], device=device)
            torch.distributed.broadcast(agreed, 0)
            done = float(agreed)
        for group in step_rule.param_groups:  # a short rise, then half a cosine down, whichever limit comes first
            fall = args.last_rate + (1 - args.last_rate) * (0.5 + 0.5 * math.cos(math.pi * min(1.0, done)))
            group["lr"] = args.rate * min(1.0, done / 0.05 + 0.02) * fall + 1e-6
        step_rule.step()
        keep = min(0.998, step / (step + 10))
        with torch.no_grad():
            torch._foreach_lerp_(mean, live, 1 - keep)
        if step % 50 == 0:
            sums += np.array([float(p.detach()) for p in parts])
        if step % 500 == 0 and rank == 0:
            print(f"step {step} heat {sums[0]/10:.3f} offset {sums[1]/10:.4f} axis {sums[2]/10:.4f} width {sums[3]/10:.4f} kind {sums[4]/10:.4f} {500/(time.time()-last):.1f}/s", flush=True)
            sums[:] = 0
            last = time.time()
        if args.keep_every and rank == 0 and time.time() - kept > args.keep_every:
            save(net, mean, args.out)
            kept = time.time()
        if done >= 1.0:
            print(f"finished at step {step}", flush=True)
            break
    if ranks > 1:
        torch.distributed.destroy_process_group()
    if rank:
        return
    save(net, mean, args.out)
    if args.onnx:
        export(args.out, args.onnx)


def save(net, mean, path):
    """Writes the network with its averaged weights."""
    averaged = {k: v.clone() for k, v in net.state_dict().items()}
    for slot, value in zip((v for v in averaged.values() if v.dtype.is_floating_point), mean):
        slot.copy_(value)
    torch.save(averaged, path + ".tmp")
    os.replace(path + ".tmp", path)


def compiled(net, args, device):
    """The network as a compiled program where that works here, else as it is; compiled before the pictures are read."""
    if not args.compile:
        return net
    try:
        fast = torch.compile(net, dynamic=False)
        with torch.autocast(device.split(":")[0], dtype=torch.bfloat16):
            fast(torch.randn(args.batch, 1, SIZE, SIZE, device=device).to(memory_format=torch.channels_last)).float().square().mean().backward()
        net.zero_grad(set_to_none=True)
        print("compiled", flush=True)
        return fast
    except Exception as error:  # a missing compiler, say
        print(f"not compiled: {error}", flush=True)
        return net


def load(args, device):
    """The pictures of --pictures and --extra on the device; those of --extra weighed to their share."""
    files = truth_files(args.pictures)
    real = [f for f in truth_files(args.extra) if os.path.splitext(os.path.basename(f))[0] not in set(args.leave_out)]
    names = {os.path.basename(f) for f in real}
    share = args.extra_share
    boost = share / max(1e-9, 1 - share) * len(files) / max(1, len(real))
    began = time.time()
    data = Pictures(files + real, device, weight=lambda n: boost if n in names else 1.0)
    print(f"{data.n} pictures ({len(real)} extra), {len(data.ends)} ends, {time.time() - began:.0f} s", flush=True)
    return data


def main():
    ap = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ap.add_argument("--pictures", nargs="*", default=[])
    ap.add_argument("--extra", nargs="*", default=[], help="folders shown as often as --extra-share says, e.g. real frames")
    ap.add_argument("--extra-share", type=float, default=0.15)
    ap.add_argument("--leave-out", nargs="*", default=[], help="picture names (no ending) of --extra not to train on")
    ap.add_argument("--steps", type=int, default=8000)
    ap.add_argument("--seconds", type=float, default=0, help="stop after this long")
    ap.add_argument("--reload-at", type=float, nargs="*", default=[], help="read the folders again after this many seconds (they may still be growing)")
    ap.add_argument("--until", help="stop at this clock time (Unix seconds, or a file that holds them and may be changed meanwhile), however long compiling and reading took")
    ap.add_argument("--deepen", type=int, nargs=2, default=(0, 0), help="so many blocks more at an eighth and a sixteenth of the size")
    ap.add_argument("--planes", type=int, nargs=4, help="planes at a half, quarter, eighth and sixteenth of the size; more than --init has make it wider")
    ap.add_argument("--last-rate", type=float, default=0.0, help="share of --rate that is left at the end")
    ap.add_argument("--keep-every", type=float, default=0, help="write --out every so many seconds")
    ap.add_argument("--compile", action="store_true", help="compile the network first (faster on a GPU)")
    ap.add_argument("--batch", type=int, default=192)
    ap.add_argument("--rate", type=float, default=1.2e-3)
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--init", help="go on from these weights (.pt) or this exported network (.onnx)")
    ap.add_argument("--quick", action="store_true", help="a new network is the quick one: quicker, finds a little less")
    ap.add_argument("--teacher", help="a trained network (.pt or .onnx) whose answers are learnt beside the truth")
    ap.add_argument("--lessons", type=float, default=1.0, help="weight of the teacher's answers")
    ap.add_argument("--export")
    ap.add_argument("--out", required=True)
    ap.add_argument("--onnx")
    args = ap.parse_args()
    if args.export:
        export(args.export, args.out)
    else:
        train(args)


if __name__ == "__main__":
    main()
