"""Pictures with truth as one block of memory on the training device, and random crops of it at the canonical scale."""
import glob
import json
import math
import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import torch

from network import UNIT

#: ends narrower or wider than POSITIVE (canonical px) belong to another scale; between POSITIVE and SILENT nothing is asked
POSITIVE, SILENT = (5.5, 14.0), (4.2, 19.0)
#: copies of a picture, each half the size of the one before
LEVELS = 6
#: picture, x, y, axis (radians), width, class (1 sheared, 0 tensile, -1 unknown), gradable, ask, weight, divided length (widths), row
END_COLUMNS = 11
#: how much more a gradable end of these forms weighs: they are rare, and missed more often
FORM_WEIGHT = {"taper": 2.2, "drawn_tail": 2.5, "split": 2.5, "brush": 2.5, "torn_cut": 1.3, "frayed_cut": 1.3, "tapered": 1.5, "torn": 1.2, "frayed": 1.2}
#: widths behind and before the tip over which a divided or drawn end may look like further ends
DIVIDED = {"split": 4.0, "brush": 3.0, "drawn_tail": 4.0, "frayed_cut": 1.5}


def weight_of(end, view):
    """Weight of an end in the loss: more for what is easily missed."""
    weight = FORM_WEIGHT.get(end.get("subtype"), 1.0)
    weight *= 1.4 if end.get("visible_fraction", 1.0) < 0.8 else 1.0
    weight *= 1.4 if end.get("local_contrast", 1.0) < 0.06 else 1.0
    weight *= 1.4 if view == "tuft" and end.get("label") == "sheared" else 1.0
    return min(weight, 4.0)


def read_pair(path):
    """Grey picture (in copies, each half the last) and its ends from a truth file; None when either is missing or half written."""
    try:
        with open(path, encoding="utf-8") as handle:
            doc = json.load(handle)
    except ValueError:
        return None
    if not isinstance(doc, dict) or "ends" not in doc or "image" not in doc:
        return None
    grey = cv2.imread(os.path.join(os.path.dirname(path), doc["image"]), cv2.IMREAD_GRAYSCALE)
    if grey is None:
        return None
    rows = []
    for end in list(doc["ends"]) + list(doc.get("partial_ends", ())):
        width = end.get("shaft_diameter_px")
        if not width or end.get("x_px") is None:
            continue
        partial = not (0 <= end["x_px"] < grey.shape[1] and 0 <= end["y_px"] < grey.shape[0])
        visible = end.get("visible_fraction", 0.5)
        gradable = bool(end["gradable"]) and not partial
        ask = 1.0 if gradable or (visible < 0.08 and not partial) else 0.0  # a hidden end is ground; a half-hidden one is not asked
        if not gradable and ask:
            continue
        kind = {"sheared": 1.0, "tensile": 0.0}.get(end.get("label"), -1.0)
        axis = math.radians(end["axis_deg"]) if end.get("axis_deg") is not None else 0.0
        divided = end.get("divided_length_d") or end.get("tail_length_d") or DIVIDED.get(end.get("subtype"), 0.0)
        rows.append([0, end["x_px"], end["y_px"], axis, width, kind, float(gradable), ask, weight_of(end, doc.get("view")), min(divided, 6.0), 0])
    widths = [r[4] for r in rows if r[6]] or [r[4] for r in rows]
    median = float(np.median(widths)) if widths else doc.get("typical_width_px") or (doc.get("fibre_diameter_um") or 18.0) / (doc.get("um_per_px") or 1.2)
    copies = []
    for _ in range(LEVELS):
        mean, deviation = cv2.meanStdDev(grey)
        copies.append((grey.reshape(-1), grey.shape[1], grey.shape[0], float(mean[0, 0]), float(deviation[0, 0]) + 1e-3))
        if min(grey.shape) >= 4:
            grey = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return copies, rows, float(median), os.path.basename(path)


#: pictures read before: reading a folder again costs only what is new
_read = {}


def read_all(files, jobs):
    """All pairs that can be read, in order of their names."""
    new = [f for f in files if f not in _read]
    with ThreadPoolExecutor(jobs) as pool:
        _read.update((f, pair) for f, pair in zip(new, pool.map(read_pair, new)) if pair)
    return [_read[f] for f in files if f in _read]


class Pictures:
    """All pictures with halved copies (mips) in one flat uint8 tensor, and all ends in one table."""

    def __init__(self, files, device, weight=None, jobs=12):
        pairs, levels = read_all(files, jobs), LEVELS
        flats, table, ends, self.names, self.median = [], [], [], [], []
        place = 0
        for index, (copies, rows, median, name) in enumerate(pairs):
            self.names.append(name)
            self.median.append(median)
            for flat, *shape_and_tone in copies:
                table.append((place, *shape_and_tone))
                flats.append(flat)
                place += flat.size
            for row in rows:
                ends.append([index] + row[1:-1] + [len(ends)])
        self.levels, self.n = levels, len(pairs)
        self.flat = torch.from_numpy(np.concatenate(flats)).to(device)
        self.table = torch.tensor(table, dtype=torch.float64, device=device).view(self.n, levels, 5)
        self.ends = torch.tensor(np.array(ends, np.float32).reshape(-1, END_COLUMNS), device=device)
        owner = self.ends[:, 0].long()
        counts = torch.bincount(owner, minlength=self.n) if len(ends) else torch.zeros(self.n, dtype=torch.long, device=device)
        most = int(max(1, counts.max()))
        # ends of every picture, padded to the most in any: gathered by picture without a loop
        self.padded = torch.zeros(self.n, most, END_COLUMNS, device=device)
        self.used = torch.arange(most, device=device)[None] < counts[:, None]
        if len(ends):
            self.padded[self.used] = self.ends
        self.grad = self.used & (self.padded[:, :, 6] > 0)
        self.middle = torch.tensor(self.median, device=device, dtype=torch.float32)
        weights = np.ones(self.n) if weight is None else np.array([weight(n) for n in self.names])
        pull = weights * np.minimum(1.0 + counts.cpu().numpy(), 25.0) ** 0.5
        self.pull = torch.tensor(pull / pull.sum(), device=device)
        self.device = device
        #: how far the network is from finding each end, as last seen; starts at one for all
        self.missed = torch.ones(max(1, len(ends)), device=device)

    def note(self, ends, heat):
        """Remembers how sure the network is (`heat`: logits at half size) of the ends that the last crops showed at a working width."""
        side = heat.shape[-1]
        shown = (ends[:, 6] > 0) & (ends[:, 4] >= POSITIVE[0]) & (ends[:, 4] <= POSITIVE[1]) & (ends[:, 1:3] > 2).all(1) & (ends[:, 1:3] < 2 * side - 3).all(1)
        ends = ends[shown]
        best = torch.nn.functional.max_pool2d(torch.sigmoid(heat[:, None].float()), 3, 1, 1)[:, 0]
        x, y = (((ends[:, k] - 0.5) / 2).round().long().clamp(0, side - 1) for k in (1, 2))
        rows = ends[:, 10].long()
        self.missed[rows] = 0.6 * self.missed[rows] + 0.4 * (1 - best[ends[:, 0].long(), y, x])

    def crops(self, generator, batch, size):
        """Random normalised crops (batch, 1, size, size) and their ends in crop px, N x END_COLUMNS, first column = crop."""
        dev = self.device
        r = lambda *shape: torch.rand(*shape, device=dev, generator=generator)
        spread = lambda lo, hi: torch.exp(math.log(lo) + r(batch) * (math.log(hi) - math.log(lo)))
        picks = torch.multinomial(self.pull, batch, True, generator=generator)
        own, used, grad = self.padded[picks], self.used[picks], self.grad[picks]
        # crops show most often what is rare and what the network still misses
        pull = grad.float() * own[:, :, 8] ** 0.5 * (0.35 + self.missed[own[:, :, 10].long()])
        aim = torch.multinomial(pull + 1e-9, 1, generator=generator)[:, 0]
        end = own[torch.arange(batch, device=dev), aim]
        on_end = grad.any(1) & (r(batch) < 0.8)
        whole = self.table[picks, 0].float()
        # most crops at the working scale, many at any other: there the network must learn to say nothing
        target = torch.where(r(batch) < 0.6, spread(5.5, 14.0), spread(2.5, 60.0))
        scale = (target / torch.where(on_end, end[:, 4].clamp(min=1.0), self.middle[picks])).clamp(max=3.0)
        reach = 0.42 * size / scale
        jitter = lambda: (2 * r(batch) - 1) * reach
        cx = torch.where(on_end, end[:, 1] + jitter(), r(batch) * whole[:, 1])
        cy = torch.where(on_end, end[:, 2] + jitter(), r(batch) * whole[:, 2])
        level = torch.floor(torch.log2((1.0 / scale).clamp(min=1.0)) + 1e-6).long().clamp(0, self.levels - 1)
        angle, sign = r(batch) * 2 * math.pi, torch.where(r(batch) < 0.5, -1.0, 1.0)
        stretch = torch.exp(0.06 * torch.randn(batch, device=dev, generator=generator))
        half = (size - 1) / 2
        grid = torch.arange(size, device=dev, dtype=torch.float32) - half
        v, u = torch.meshgrid(grid, grid, indexing="ij")
        wide = lambda t: t[:, None, None]
        cos, sin = torch.cos(angle), torch.sin(angle)
        uu, vv = u[None] * wide(sign * stretch / scale), v[None] * wide(1.0 / stretch / scale)
        x = wide(cos) * uu - wide(sin) * vv + wide(cx)
        y = wide(sin) * uu + wide(cos) * vv + wide(cy)
        rows = self.table[picks, level]
        power = wide(2.0 ** level.float())
        image = self.sample(rows, (x + 0.5) / power - 0.5, (y + 0.5) / power - 0.5)
        image = ((image - wide(rows[:, 3].float())) / wide(rows[:, 4].float()))[:, None]
        own = own.clone()
        col = lambda t: t[:, None]
        dx, dy = (own[:, :, 1] - col(cx)) * col(scale), (own[:, :, 2] - col(cy)) * col(scale)
        ax, ay = torch.cos(own[:, :, 3]), torch.sin(own[:, :, 3])
        turn_x = lambda p, q: (col(cos) * p + col(sin) * q) * col(sign)
        turn_y = lambda p, q: -col(sin) * p + col(cos) * q
        own[:, :, 1] = turn_x(dx, dy) / col(stretch) + half
        own[:, :, 2] = turn_y(dx, dy) * col(stretch) + half
        own[:, :, 3] = torch.atan2(turn_y(ax, ay) * col(stretch), turn_x(ax, ay) / col(stretch))
        own[:, :, 4] *= col(scale)
        own[:, :, 0] = torch.arange(batch, device=dev)[:, None]
        near = (own[:, :, 1:3] > -16).all(2) & (own[:, :, 1:3] < size + 16).all(2) & used
        return image, own[near]

    def sample(self, rows, x, y):
        w, h = rows[:, 1].long()[:, None, None], rows[:, 2].long()[:, None, None]
        x0, y0 = torch.floor(x), torch.floor(y)
        fx, fy = x - x0, y - y0
        base = rows[:, 0].long()[:, None, None]
        def pick(xi, yi):
            xi = torch.minimum(xi.long().clamp(min=0), w - 1)
            yi = torch.minimum(yi.long().clamp(min=0), h - 1)
            return self.flat[base + yi * w + xi].float()
        top = pick(x0, y0) * (1 - fx) + pick(x0 + 1, y0) * fx
        low = pick(x0, y0 + 1) * (1 - fx) + pick(x0 + 1, y0 + 1) * fx
        return top * (1 - fy) + low * fy


def soil(image, generator):
    """Random gain, offset, tone curve, inversion, light gradient, blur, noise and blanked boxes on normalised crops."""
    b, _, h, w = image.shape
    dev = image.device
    r = lambda *s: torch.rand(*s, device=dev, generator=generator)
    one = lambda: r(b, 1, 1, 1)
    lo, hi = image.amin((2, 3), keepdim=True), image.amax((2, 3), keepdim=True)
    unit = (image - lo) / (hi - lo + 1e-3)
    toned = unit.clamp(0, 1) ** torch.exp((one() - 0.5) * 1.4) * (hi - lo) + lo
    image = torch.where(one() < 0.6, toned, image)
    image = torch.where(one() < 0.22, -image, image)
    yy, xx = torch.linspace(-1, 1, h, device=dev)[None, None, :, None], torch.linspace(-1, 1, w, device=dev)[None, None, None, :]
    slope = (one() - 0.5) * xx + (one() - 0.5) * yy + (one() - 0.5) * xx * yy
    image = torch.where(one() < 0.4, image * (1 + 0.8 * slope) + 1.2 * slope, image)
    for sigma, p in ((0.7, 0.3), (1.2, 0.2), (2.0, 0.12), (3.0, 0.05)):
        reach = math.ceil(2.5 * sigma)
        k = torch.exp(-torch.arange(-reach, reach + 1, device=dev, dtype=torch.float32) ** 2 / (2 * sigma ** 2))
        k = k / k.sum()
        soft = torch.nn.functional.pad(image, (reach,) * 4, mode="replicate")
        soft = torch.nn.functional.conv2d(torch.nn.functional.conv2d(soft, k.view(1, 1, -1, 1)), k.view(1, 1, 1, -1))
        image = torch.where(one() < p, soft, image)
    sharp = image * 1.8 - 0.8 * torch.nn.functional.avg_pool2d(image, 3, 1, 1)
    image = torch.where(one() < 0.1, sharp, image)
    noise = torch.randn(image.shape, device=dev, generator=generator)
    coarse = torch.nn.functional.interpolate(torch.randn(b, 1, h // 2, w // 2, device=dev, generator=generator), scale_factor=2, mode="bilinear")
    image = image + (one() < 0.7) * one() ** 2 * 0.7 * noise + (one() < 0.3) * one() ** 2 * 0.5 * coarse
    lines = torch.randn(b, 1, h, 1, device=dev, generator=generator)
    image = image + (one() < 0.1) * 0.15 * lines
    image = image * torch.exp((one() - 0.5) * 1.4) + (one() - 0.5) * 1.0
    return image.clamp(-6, 6)


def targets(allends, b, size, device):
    """Target maps at half size: heat, where heat is asked, (dx, dy, cos, sin, log2 width, class), where they are asked, and how much
    each cell of heat weighs: hard ends more, and so do the strands, fibrils and tails beside the tip of a divided or drawn end,
    which are no ends of their own."""
    n = size // 2
    gain = torch.ones(b, n, n, device=device)
    heat, ask = torch.zeros(b, n, n, device=device), torch.ones(b, n, n, device=device)
    fields, mask = torch.zeros(b, 6, n, n, device=device), torch.zeros(b, n, n, device=device)
    cells = torch.arange(n, device=device, dtype=torch.float32) * 2 + 0.5
    if len(allends) == 0:
        return heat, ask, fields, mask, gain
    owner = allends[:, 0].long()
    width, gradable = allends[:, 4], allends[:, 6] > 0
    fits = (width >= POSITIVE[0]) & (width <= POSITIVE[1])
    near = (width >= SILENT[0]) & (width <= SILENT[1])
    radius = 6
    offs = torch.arange(-radius, radius + 1, device=device)
    oy, ox = torch.meshgrid(offs, offs, indexing="ij")
    ci, cj = torch.round((allends[:, 1] - 0.5) / 2).long(), torch.round((allends[:, 2] - 0.5) / 2).long()
    xi, yi = ci[:, None, None] + ox[None], cj[:, None, None] + oy[None]
    ok = (xi >= 0) & (xi < n) & (yi >= 0) & (yi < n)
    px, py = xi * 2 + 0.5, yi * 2 + 0.5
    dx, dy = allends[:, 1][:, None, None] - px, allends[:, 2][:, None, None] - py
    d2 = dx ** 2 + dy ** 2
    own = owner[:, None, None].expand_as(xi)
    flat = lambda sel: (own * n * n + yi.clamp(0, n - 1) * n + xi.clamp(0, n - 1))[sel]
    # silence around ends that are not asked for
    quiet = ok & (d2 <= (0.75 * width[:, None, None]).clamp(min=4) ** 2) & ((near & ~(gradable & fits)))[:, None, None]
    ask.view(-1)[flat(quiet)] = 0
    good = (gradable & fits)[:, None, None] & ok
    divided = allends[:, 9]
    sigma = torch.where(divided > 1, (0.3 * width).clamp(1.3, 3.4), (0.2 * width).clamp(1.3, 2.6))[:, None, None]
    value = torch.exp(-d2 / (2 * sigma ** 2))
    heat.view(-1).scatter_reduce_(0, flat(good), value[good], reduce="amax")
    # the cell nearest to the tip is the one full positive
    mid = good & (ox == 0)[None] & (oy == 0)[None]
    heat.view(-1)[flat(mid)] = 1.0
    ask.view(-1)[flat(good & (d2 <= 16))] = 1
    around_divided(gain, allends[(divided > 0) & gradable & fits])
    gain.view(-1)[flat(mid)] = allends[:, 8][:, None, None].expand_as(dx)[mid]
    # size and direction are asked a little beyond the working widths, so that they stay true where heat is not asked
    told = (gradable & near)[:, None, None] & ok
    core = told & (d2 <= (0.45 * width[:, None, None]) ** 2)
    order = torch.argsort(d2[core], descending=True)  # nearest end written last
    idx = flat(core)[order]
    def put(channel, values):
        plane = fields[:, channel].reshape(-1)
        plane[idx] = values[core][order]
        fields[:, channel] = plane.view(b, n, n)
    full = lambda v: v[:, None, None].expand_as(dx)
    put(0, dx / UNIT); put(1, dy / UNIT)
    put(2, torch.cos(full(allends[:, 3]))); put(3, torch.sin(full(allends[:, 3])))
    put(4, torch.log2(full(width) / UNIT)); put(5, full(allends[:, 5]))
    mask.view(-1)[idx] = 1.0
    return heat, ask, fields, mask, gain


def around_divided(gain, ends, reach=24, factor=2.5):
    """Raises the weight of cells as far from the tips of these ends as they are divided, but not at the tips."""
    if len(ends) == 0:
        return
    n = gain.shape[-1]
    offs = torch.arange(-reach, reach + 1, device=gain.device)
    oy, ox = torch.meshgrid(offs, offs, indexing="ij")
    x = torch.round((ends[:, 1] - 0.5) / 2).long()[:, None, None] + ox
    y = torch.round((ends[:, 2] - 0.5) / 2).long()[:, None, None] + oy
    far = 2 * torch.hypot(ox.float(), oy.float())[None]
    width = ends[:, 4][:, None, None]
    ring = (far > 0.75 * width) & (far < (ends[:, 9][:, None, None] + 0.5) * width) & (x >= 0) & (x < n) & (y >= 0) & (y < n)
    owner = ends[:, 0].long()[:, None, None].expand_as(x)
    gain.view(-1)[(owner * n * n + y * n + x)[ring]] = factor


def truth_files(folders):
    return sorted(sum((glob.glob(os.path.join(f, "*.json")) for f in folders), []))
