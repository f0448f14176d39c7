"""Networks over straightened strips: `Regression` reads an end, `Segmentation` outlines its fibre.

Input of both: n x 3 x 80 x 48, blue, green and red of a strip (12 samples to the told width), mean 0 and deviation 1.
`Regression` answers n x OUTPUTS: six readings in the units of SCALE, the logarithms of their six mean absolute errors, three
logits (an end is here; it looks sheared; its picture allows a verdict), logits of the SUBTYPES, the readings of EXTRA and
the logarithms of their mean absolute errors. `Segmentation` answers n x 3 x 80 x 48 logits: own fibre, also where
another hides it; own fibre in view; tip.
"""
import os
import sys

import torch
from torch import nn
from torch.nn import functional as F

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "detector"))
from network import Block, Thin, conv, up

#: ln width, axis deg, tip along, tip across (told widths), line deg, ln bulb
SCALE = (0.1, 5.0, 0.15, 0.15, 15.0, 0.2)
NAMES = ("width", "axis", "along", "across", "line", "bulb")
#: forms of ends; the first TENSILE of them are tensile
SUBTYPES = ("cap", "weak_cap", "taper", "drawn_tail", "split", "brush", "clean", "end_on", "flared", "torn", "crushed", "fused")
TENSILE = 6
#: ln strand count, divided length (shaft diameters), ln tail width / shaft, tail length, ln neck width / shaft, flare to the
#: left and to the right, step height (shaft diameters); learnt from ends of the forms that have them
EXTRA = ("strands", "divided", "tail_width", "tail_length", "neck", "flare_left", "flare_right", "step")
ROWS, COLUMNS = 80, 48
READ = 15
FORM = slice(READ, READ + len(SUBTYPES))
MORE = slice(FORM.stop, FORM.stop + len(EXTRA))
MORE_ERRORS = slice(MORE.stop, MORE.stop + len(EXTRA))
OUTPUTS = MORE_ERRORS.stop


class Regression(nn.Module):
    """Convolutions to an eighth of the strip, then full layers over that and over the finest level averaged by quarters:
    about 43 million multiply-adds a strip, 0.6 million weights."""

    def __init__(self, c2=24, c4=40, c8=64, hidden=128):
        super().__init__()
        self.stem, self.block2 = conv(3, c2, 5, 2), Block(c2)
        self.down4, self.block4 = conv(c2, c4, 3, 2), nn.Sequential(Block(c4), Block(c4))
        self.down8, self.block8 = conv(c4, c8, 3, 2), nn.Sequential(*[Block(c8) for _ in range(3)])
        self.deep, self.fine = nn.Conv2d(c8, 14, 1), nn.Conv2d(c2, 8, 1)
        self.first = nn.Linear(14 * 10 * 6 + 8 * 4 * 24, hidden)
        self.second = nn.Linear(hidden, hidden)
        self.out = nn.Linear(hidden, OUTPUTS)
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


class Segmentation(nn.Module):
    """Outlines the fibre of a strip: half the size first and last, a quarter and an eighth between; each place of the half
    answers for 2 x 2 samples. About 29 million multiply-adds a strip."""

    def __init__(self, c2=20, c4=48, c8=96, n4=2, n8=4):
        super().__init__()
        blocks = lambda c, n: nn.Sequential(*[Thin(c) for _ in range(n)])
        self.stem = conv(3, c2, 5, 2)
        self.down4, self.block4 = conv(c2, c4, 3, 2), blocks(c4, n4)
        self.down8, self.block8 = conv(c4, c8, 3, 2), blocks(c8, n8)
        self.side4, self.out4 = conv(c8, c4, 1), Thin(c4)
        self.side2, self.out2 = conv(c4, c2, 1), conv(c2, c2)
        self.maps = nn.Conv2d(c2, 3 * 4, 1)

    def forward(self, x):
        f2 = torch.relu(self.stem(x))
        f4 = self.block4(torch.relu(self.down4(f2)))
        f8 = self.block8(torch.relu(self.down8(f4)))
        g4 = self.out4(f4 + up(self.side4(f8)))
        g2 = torch.relu(self.out2(torch.relu(f2 + up(self.side2(g4)))))
        return F.pixel_shuffle(self.maps(g2), 2)
