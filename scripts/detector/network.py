"""Detector networks: small encoder-decoders that mark fibre ends at a canonical scale (fibre about 8-10 px wide).

Input: 1 x 1 x H x W grey, normalised to zero mean and unit deviation of the picture; H and W multiples of 16.
Output: 1 x 7 x H/2 x W/2, see CHANNELS. `Detector` is compiled into the program; `Quick` takes less time and finds a
little less. Weights are stored in 8 bits each (see `export.py`).
"""
import torch
from torch import nn
from torch.nn import functional as F

#: 0 heat (logit: an end is here), 1-2 offset of the tip (dx, dy; units of UNIT px), 3-4 axis (cos, sin),
#: 5 log2(width / UNIT), 6 sheared (logit)
CHANNELS = ("heat", "dx", "dy", "cos", "sin", "log2_width", "sheared")
UNIT = 8.0


def conv(cin, cout, k=3, s=1):
    return nn.Sequential(nn.Conv2d(cin, cout, k, s, k // 2, bias=False), nn.BatchNorm2d(cout))


class Block(nn.Module):
    """Two 3x3 convolutions with a short cut."""

    def __init__(self, c):
        super().__init__()
        self.a, self.b = conv(c, c), conv(c, c)

    def forward(self, x):
        return torch.relu(x + self.b(torch.relu(self.a(x))))


def up(x):
    return F.interpolate(x, scale_factor=2, mode="nearest")


def surroundings(x):
    """Mean and deviation of the surroundings (36 px square), at a quarter of the size."""
    pool = lambda t: F.avg_pool2d(F.avg_pool2d(t, 4, count_include_pad=False), 9, 1, 4, count_include_pad=False)
    mean = pool(x)
    return mean, torch.sqrt(torch.relu(pool(x * x) - mean * mean) + 0.01)


class Surroundings(nn.Module):
    """The picture, and beside it the picture relative to the mean and deviation of its surroundings (36 px square).

    Without the second the network learns widths and tips very slowly: contrast differs a hundredfold between pictures.
    """

    def forward(self, x):
        mean, spread = surroundings(x)
        wide = lambda t: F.interpolate(t, scale_factor=4, mode="nearest")
        return torch.cat([x, (x - wide(mean)) / wide(spread)], 1)


class Patches(nn.Module):
    """The same at a quarter of the size: the 16 pixels of each 4x4 patch as planes, beside them relative to their surroundings."""

    def __init__(self):
        super().__init__()
        self.register_buffer("places", torch.eye(16).view(16, 1, 4, 4))

    def forward(self, x):
        fine = F.conv2d(x, self.places, stride=4)
        mean, spread = surroundings(x)
        return torch.cat([fine, (fine - mean) / spread], 1)


class Detector(nn.Module):
    """Whole 3x3 convolutions down to the answer's own size. With planes (24, 48, 80, 128) at a half, quarter, eighth and
    sixteenth of the size and three and two blocks at the last two: 20 000 multiply-adds per input pixel, 1.4 million weights;
    1 800 and 1 150 more multiply-adds for each further block."""

    def __init__(self, planes=(24, 48, 80, 128), blocks=(3, 2)):
        super().__init__()
        c2, c4, c8, c16 = planes
        self.surroundings = Surroundings()
        self.stem = conv(2, c2, 5, 2)
        self.down4, self.block4 = conv(c2, c4, 3, 2), nn.Sequential(Block(c4), Block(c4))
        self.down8, self.block8 = conv(c4, c8, 3, 2), nn.Sequential(*[Block(c8) for _ in range(blocks[0])])
        self.down16, self.block16 = conv(c8, c16, 3, 2), nn.Sequential(*[Block(c16) for _ in range(blocks[1])])
        self.mid16 = conv(c16, c16)
        self.side8, self.out8 = conv(c16, c8, 1), conv(c8, c8)
        self.side4, self.out4 = conv(c8, c4, 1), conv(c4, c4)
        self.side2, self.out2 = conv(c4, c2, 1), conv(c2, 32)
        self.head = nn.Conv2d(32, len(CHANNELS), 1)
        nn.init.zeros_(self.head.bias)
        self.head.bias.data[0] = -4.0  # ends are rare

    def forward(self, x):
        f2 = torch.relu(self.stem(self.surroundings(x)))
        f4 = self.block4(torch.relu(self.down4(f2)))
        f8 = self.block8(torch.relu(self.down8(f4)))
        f16 = self.block16(torch.relu(self.down16(f8)))
        f16 = torch.relu(self.mid16(f16))
        g8 = torch.relu(self.out8(torch.relu(f8 + up(self.side8(f16)))))
        g4 = torch.relu(self.out4(torch.relu(f4 + up(self.side4(g8)))))
        g2 = torch.relu(self.out2(torch.relu(f2 + up(self.side2(g4)))))
        return self.head(g2)


class Thin(nn.Module):
    """Each plane by itself with its neighbours (3x3), then all planes together (twice as many between), with a short cut."""

    def __init__(self, c):
        super().__init__()
        self.near = nn.Sequential(nn.Conv2d(c, c, 3, 1, 1, groups=c, bias=False), nn.BatchNorm2d(c))
        self.a, self.b = conv(c, 2 * c, 1), conv(2 * c, c, 1)

    def forward(self, x):
        return x + self.b(torch.relu(self.a(self.near(x))))


class Quick(nn.Module):
    """Made for a runtime where gathering a convolution's inputs costs as much as multiplying them.

    Nothing is done at more than a quarter of the size; whole convolutions only where the size changes. About 9 500
    multiply-adds per input pixel, 1.1 million weights.
    """

    def __init__(self, c4=48, c8=96, c16=192, n4=2, n8=4, n16=4):
        super().__init__()
        blocks = lambda c, n: nn.Sequential(*[Thin(c) for _ in range(n)])
        self.patches = Patches()
        self.down4, self.block4 = conv(32, c4), blocks(c4, n4)
        self.down8, self.block8 = conv(c4, c8, 3, 2), blocks(c8, n8)
        self.down16, self.block16 = conv(c8, c16, 3, 2), blocks(c16, n16)
        self.side8, self.out8 = conv(c16, c8, 1), Thin(c8)
        self.side4, self.out4 = conv(c8, c4, 1), Thin(c4)
        self.head = nn.Conv2d(c4, 4 * len(CHANNELS), 1)  # four cells of the answer at each place
        nn.init.zeros_(self.head.bias)
        self.head.bias.data[:4] = -4.0  # ends are rare

    def forward(self, x):
        f4 = self.block4(torch.relu(self.down4(self.patches(x))))
        f8 = self.block8(torch.relu(self.down8(f4)))
        f16 = self.block16(torch.relu(self.down16(f8)))
        g8 = self.out8(f8 + up(self.side8(f16)))
        g4 = self.out4(f4 + up(self.side4(g8)))
        return F.pixel_shuffle(self.head(g4), 2)
