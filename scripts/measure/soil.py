"""Random faults for strips: colours, light, halos, blur, noise, and things in front."""
import math

import torch
from torch.nn import functional as F

from networks import COLUMNS, ROWS


def norm(x):
    """Mean 0 and deviation 1, as the program does."""
    mean = x.mean((1, 2, 3), keepdim=True)
    return (x - mean) / (x.std((1, 2, 3), keepdim=True, unbiased=False) + 0.01)


def smooth(x, sigma):
    """Blurred by a Gaussian."""
    reach = math.ceil(2.5 * sigma)
    k = torch.exp(-torch.arange(-reach, reach + 1, device=x.device, dtype=torch.float32) ** 2 / (2 * sigma ** 2))
    k = (k / k.sum()).view(1, 1, 1, -1).expand(3, 1, 1, -1)
    x = F.pad(x, (reach,) * 4, mode="replicate")
    return F.conv2d(F.conv2d(x, k, groups=3), k.transpose(2, 3), groups=3)


def hide(batch, rng, share=0.12):
    """Lays a slanted band of another strip over some strips; what it covers is hidden, and a tip below it allows no verdict."""
    x, dev = batch.image, batch.image.device
    n = len(x)
    rand = lambda *s: torch.rand(*s, device=dev, generator=rng)
    angle, width = rand(n) * math.pi, 3 + rand(n) * 12
    row, column = 20 + rand(n) * 45, rand(n) * COLUMNS
    yy, xx = torch.arange(ROWS, device=dev)[None, :, None] - row[:, None, None], torch.arange(COLUMNS, device=dev)[None, None, :] - column[:, None, None]
    across = yy * torch.cos(angle)[:, None, None] + xx * torch.sin(angle)[:, None, None]
    band = ((across.abs() < width[:, None, None] / 2) & (rand(n) < share)[:, None, None])[:, None]
    batch.image = torch.where(band, x.roll(1, 0), x)
    own, hidden, known = batch.maps.unbind(1)
    band = band[:, 0]
    # below the band own fibre is known from what it hides; where it was hidden before it stays unknown
    batch.below = torch.where(band, own, torch.full_like(own, -1))
    batch.maps = torch.stack([torch.where(band, torch.zeros_like(own), own), torch.where(band, torch.ones_like(own), hidden), known], 1)
    covered = (own * band)[:, 33:69].sum((1, 2)) / own[:, 33:69].sum((1, 2)).clamp(min=1)
    batch.gradable = torch.where((covered > 0.25) & (batch.gradable > 0), torch.full_like(covered, -1), batch.gradable)
    batch.visible = batch.visible * (1 - covered)
    return batch


def soil(x, rng):
    """Other colours, light, halos, blur and noise."""
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
    # a bright line beside a dark one along every edge, on either side of focus
    for sigma in (1.0, 2.0):
        halo = torch.where(one() < 0.07, randn(n, 1, 1, 1) * 1.5, torch.zeros_like(x[:, :1, :1, :1]))
        x = x + halo * (x - smooth(x, sigma))
    lo, hi = x.amin((1, 2, 3), keepdim=True), x.amax((1, 2, 3), keepdim=True)
    x = ((x - lo) / (hi - lo).clamp_min(1e-3)).clamp(1e-4, 1)
    x = x ** torch.exp(randn(n, 1, 1, 1) * 0.3)
    along, across = torch.linspace(-1, 1, ROWS, device=dev)[None, None, :, None], torch.linspace(-1, 1, COLUMNS, device=dev)[None, None, None, :]
    x = x * (1 + 0.12 * randn(n, 1, 1, 1) * along + 0.12 * randn(n, 1, 1, 1) * across)
    k = (one() - 0.5).clamp(0, 1) * 1.6
    x = x * (1 - k) + k * F.avg_pool2d(x, 3, 1, 1, count_include_pad=False)
    x = torch.where(one() < 0.1, smooth(x, 1.6), x)
    noise = torch.where(one() < 0.5, randn(n, 1, ROWS, COLUMNS).expand(-1, 3, -1, -1), randn(n, 3, ROWS, COLUMNS))
    return norm(x + noise * torch.where(one() < 0.6, 0.06 * one(), torch.zeros_like(one())))
