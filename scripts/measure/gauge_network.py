"""The gauge: a small network that reads width, axis, tip, end line and cap of an end from a straightened strip, says how sure
it is of each, and whether a fibre ends there at all.

Input: n x 3 x 80 x 48, blue, green and red of a strip (12 samples to the told width), mean 0 and deviation 1.
Output: n x 15: six readings in the units of SCALE, the logarithms of their six spreads, and three logits: an end is here; it
looks sheared; its picture allows a verdict. About 31 million multiply-adds a strip, 0.3 million weights.
"""
import os
import sys

import torch
from torch import nn
from torch.nn import functional as F

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "finder"))
from network import Block, Thin, conv, up

#: ln width, axis deg, tip along, tip across (told widths), line deg, ln bulb
SCALE = (0.1, 5.0, 0.15, 0.15, 15.0, 0.2)
NAMES = ("width", "axis", "along", "across", "line", "bulb")
ROWS, COLUMNS = 80, 48


class Gauge(nn.Module):
    """Convolutions to a sixteenth of the strip, then full layers over that and over the finest level averaged by quarters."""

    def __init__(self, c2=24, c4=40, c8=64, hidden=96):
        super().__init__()
        self.stem, self.block2 = conv(3, c2, 5, 2), Block(c2)
        self.down4, self.block4 = conv(c2, c4, 3, 2), Block(c4)
        self.down8, self.block8 = conv(c4, c8, 3, 2), nn.Sequential(Block(c8), Block(c8))
        self.deep, self.fine = nn.Conv2d(c8, 14, 1), nn.Conv2d(c2, 8, 1)
        self.first = nn.Linear(14 * 10 * 6 + 8 * 4 * 24, hidden)
        self.second = nn.Linear(hidden, hidden)
        self.out = nn.Linear(hidden, 15)
        nn.init.zeros_(self.out.bias)
        with torch.no_grad():
            self.out.weight.mul_(0.1)

    def forward(self, x):
        f2 = self.block2(torch.relu(self.stem(x)))
        f4 = self.block4(torch.relu(self.down4(f2)))
        f8 = self.block8(torch.relu(self.down8(f4)))
        deep = torch.relu(self.deep(f8))
        fine = torch.relu(self.fine(F.avg_pool2d(f2, (10, 1))))
        both = torch.cat([torch.flatten(deep, 1), torch.flatten(fine, 1)], 1)
        return self.out(torch.relu(self.second(torch.relu(self.first(both)))))


class QuickGauge(nn.Module):
    """Reads a strip and outlines it: the readings of `Gauge`, and maps (n x 3 x 80 x 48 logits) of own fibre, also where
    another hides it, of own fibre in view and of the tip.

    Patches of a quarter and an eighth of the strip; each place of the quarter answers for 4 x 4 samples.
    """

    def __init__(self, c4=48, c8=96, n4=2, n8=3, hidden=96):
        super().__init__()
        blocks = lambda c, n: nn.Sequential(*[Thin(c) for _ in range(n)])
        self.down4 = nn.Sequential(nn.Conv2d(3, c4, 8, 4, 2, bias=False), nn.BatchNorm2d(c4))
        self.block4 = blocks(c4, n4)
        self.down8, self.block8 = conv(c4, c8, 3, 2), blocks(c8, n8)
        self.deep, self.fine = nn.Conv2d(c8, 16, 1), nn.Conv2d(c4, 16, 1)
        self.first = nn.Linear(16 * 10 * 6 + 16 * 4 * 12, hidden)
        self.second = nn.Linear(hidden, hidden)
        self.out = nn.Linear(hidden, 15)
        self.side4, self.out4 = conv(c8, c4, 1), Thin(c4)
        self.maps = nn.Conv2d(c4, 3 * 16, 1)
        nn.init.zeros_(self.out.bias)
        with torch.no_grad():
            self.out.weight.mul_(0.1)

    def forward(self, x):
        f4 = self.block4(torch.relu(self.down4(x)))
        f8 = self.block8(torch.relu(self.down8(f4)))
        deep = torch.relu(self.deep(f8))
        fine = torch.relu(self.fine(F.avg_pool2d(f4, (5, 1))))
        both = torch.cat([torch.flatten(deep, 1), torch.flatten(fine, 1)], 1)
        readings = self.out(torch.relu(self.second(torch.relu(self.first(both)))))
        g4 = self.out4(f4 + up(self.side4(f8)))
        return readings, F.pixel_shuffle(self.maps(g4), 4)
