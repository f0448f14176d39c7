"""Drawn marks for training: scale bars, letters, arrows, cross-hairs, circles, dots, frames; none of them is a fibre.

A bank of masks is drawn once with OpenCV; `Marks.stamp` lays some of them over crops at any place, size, angle and tone.
"""
import math
import string

import cv2
import numpy as np
import torch
from torch.nn import functional as F

SIDE = 128
FINE = 4  # masks are drawn so much larger, then averaged down
KINDS = ("bar", "text", "arrow", "cross", "circle", "dots", "frame", "box")
FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_PLAIN, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_TRIPLEX, cv2.FONT_HERSHEY_SCRIPT_SIMPLEX)


def draw(rng):
    """One mask, SIDE x SIDE, 0..1."""
    img = np.zeros((SIDE * FINE,) * 2, np.uint8)
    thick = int(rng.integers(4, 40))
    middle = SIDE * FINE // 2
    at = lambda: tuple(int(v) for v in rng.integers(40, SIDE * FINE - 40, 2))
    kind = str(rng.choice(KINDS, p=[0.3, 0.22, 0.12, 0.1, 0.08, 0.05, 0.08, 0.05]))
    if kind == "bar":
        half, tick = int(rng.integers(60, 250)), int(rng.choice([0, rng.integers(10, 60)], p=[0.3, 0.7]))
        cv2.line(img, (middle - half, middle), (middle + half, middle), 255, thick)
        for x in (middle - half, middle + half) if tick else ():
            cv2.line(img, (x, middle - tick), (x, middle + tick), 255, max(3, thick // int(rng.integers(1, 3))))
    elif kind == "text":
        letters = "".join(rng.choice(list(string.ascii_letters + string.digits + " .:/%"), int(rng.integers(2, 9))))
        cv2.putText(img, letters, (20, middle), int(rng.choice(FONTS)), float(rng.uniform(1.5, 6)), 255, max(2, thick // 2), cv2.LINE_AA)
    elif kind == "arrow":
        cv2.arrowedLine(img, at(), at(), 255, thick, cv2.LINE_AA, 0, float(rng.uniform(0.1, 0.4)))
    elif kind == "cross":
        gap, half = int(rng.choice([0, rng.integers(10, 60)], p=[0.3, 0.7])), int(rng.integers(60, 255))
        for c, s in ((1, 0), (0, 1)):
            for sign in (-1, 1):
                cv2.line(img, (middle + sign * gap * c, middle + sign * gap * s), (middle + sign * half * c, middle + sign * half * s), 255, thick)
    elif kind == "circle":
        cv2.circle(img, (middle, middle), int(rng.integers(30, 220)), 255, thick, cv2.LINE_AA)
    elif kind == "dots":
        for _ in range(int(rng.integers(1, 9))):
            cv2.circle(img, at(), int(rng.integers(6, 50)), 255, -1, cv2.LINE_AA)
    else:
        a, b = at(), at()
        cv2.rectangle(img, a, b, 255, thick if kind == "frame" else -1)
    return img.reshape(SIDE, FINE, SIDE, FINE).mean((1, 3)) / 255


class Marks:
    """A bank of drawn masks on the training device."""

    def __init__(self, device, count=512, seed=5):
        rng = np.random.default_rng(seed)
        self.bank = torch.from_numpy(np.stack([draw(rng) for _ in range(count)]).astype(np.float32))[:, None].to(device)

    def stamp(self, image, ends, generator, share=0.18):
        """Marks over a share of the crops; ends below one become such that are not asked for. Returns both."""
        n, dev = len(image), image.device
        r = lambda *s: torch.rand(*s, device=dev, generator=generator)
        side = image.shape[-1]
        cover = torch.zeros_like(image)
        on = (r(n) < share)[:, None, None, None]
        for _ in range(2):
            pick = torch.randint(len(self.bank), (n,), device=dev, generator=generator)
            angle, size = r(n) * 2 * math.pi, torch.exp(math.log(0.35) + r(n) * math.log(1.6 / 0.35))
            k = side / SIDE / size
            c, s = torch.cos(angle) * k, torch.sin(angle) * k
            shift = (2 * r(n, 2) - 1) * k[:, None]
            theta = torch.stack([torch.stack([c, -s, shift[:, 0]], 1), torch.stack([s, c, shift[:, 1]], 1)], 1)
            mask = F.grid_sample(self.bank[pick], F.affine_grid(theta, (n, 1, side, side), align_corners=False), align_corners=False) * on
            tone = (r(n) * 3.5 + 0.5) * torch.where(r(n) < 0.65, 1.0, -1.0)
            image = image * (1 - mask) + mask * tone[:, None, None, None]
            cover = torch.maximum(cover, mask)
        if len(ends):
            around = F.avg_pool2d(cover, 9, 1, 4)
            x, y = ends[:, 1].round().long().clamp(0, side - 1), ends[:, 2].round().long().clamp(0, side - 1)
            below = around[ends[:, 0].long(), 0, y, x] > 0.3
            ends = ends.clone()
            ends[:, 6] = torch.where(below, torch.zeros_like(ends[:, 6]), ends[:, 6])
        return image, ends
