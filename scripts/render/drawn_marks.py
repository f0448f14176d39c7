"""Marks drawn into pictures by recorders and people: scale bars, text, cross-hairs, dots, arrows, frames. None of them is a fibre end.

draw() returns the picture, one box (x0, y0, x1, y1) and one kind per mark (long thin marks are cut into short boxes), the length of
the scale bar in um, and the mask of pixels that were drawn over.
"""
import cv2
import numpy as np
from PIL import Image, ImageDraw

import shade as sh

INFO = ["{kv} kV  WD {wd:.1f} mm  x{mag:.0f}", "EHT = {kv} kV   Mag = {mag:.0f} X   Signal SE2", "SE  {kv}kV  {mag:.0f}x  {wd:.1f}mm", "HV {kv} kV | HFW {hfw:.0f} um | det ETD",
        "Sample {n:03d}   x{mag:.0f}", "Zoom:x{mag:.0f}   Lens Z{n:03d}", "frame {n:04d}", "objective {mag:.0f}x  exp {wd:.1f} ms", "site {n:d}  pos {wd:.2f}", "2026-11-{day:02d} {wd:02.0f}:{day:02d}:17",
        "\u041e\u0431\u0440\u0430\u0437\u0435\u0446 {n:d}  x{mag:.0f}", "\u03b4\u03b5\u03af\u03b3\u03bc\u03b1 {n:d}", "\u05d3\u05d2\u05d9\u05de\u05d4 {n:d}", "\u0639\u064a\u0646\u0629 {n:d}", "No.{n:04d} [{mag:.0f}X]", "A{n:d}", "*{n:d}*"]
COLOURS = [(255, 255, 255), (0, 0, 0), (255, 40, 40), (255, 230, 0), (60, 255, 90), (80, 200, 255), (255, 80, 255), (255, 140, 0), (30, 60, 255), (150, 150, 150)]
WEIGHTS = [.36, .16, .12, .10, .07, .06, .04, .04, .03, .02]

class Pen:
    """Draws on one picture and collects boxes, kinds and the mask."""

    def __init__(self, img, rng):
        self.rng, self.img = rng, img
        self.H, self.W = img.shape[:2]
        self.pil = Image.fromarray(img); self.dr = ImageDraw.Draw(self.pil)
        self.boxes, self.kinds = [], []

    def colour(self, box=None):
        """A colour; black or white is chosen to be seen where the box is."""
        r = self.rng
        c = COLOURS[r.choice(len(COLOURS), p=WEIGHTS)]
        if box is not None and c in COLOURS[:2]:
            part = self.img[max(0, int(box[1])):max(1, int(box[3])), max(0, int(box[0])):max(1, int(box[2]))]
            c = (255,) * 3 if part.size == 0 or part.mean() < 128 else (0,) * 3
        return c

    def box(self, kind, x0, y0, x1, y1):
        """Notes a mark's box, cut to the frame."""
        b = [max(0, int(x0)), max(0, int(y0)), min(self.W, int(np.ceil(x1))), min(self.H, int(np.ceil(y1)))]
        if b[2] > b[0] and b[3] > b[1]:
            self.boxes.append(b); self.kinds.append(kind)

    def line(self, kind, p, q, colour, width):
        """A straight stroke; its boxes are at most about 40 px long unless it runs along the rows or columns."""
        self.dr.line([*p, *q], fill=colour, width=width)
        m = width / 2 + 2
        slant = min(abs(p[0] - q[0]), abs(p[1] - q[1]))
        n = int(np.ceil(slant / 40)) or 1
        t = np.linspace(0, 1, n + 1)
        xs, ys = p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t
        for i in range(n):
            self.box(kind, min(xs[i:i + 2]) - m, min(ys[i:i + 2]) - m, max(xs[i:i + 2]) + m + 1, max(ys[i:i + 2]) + m + 1)

    def ring(self, kind, x0, y0, x1, y1, colour, width):
        """An ellipse in a box, its line cut into twelve boxes."""
        self.dr.ellipse([x0, y0, x1, y1], outline=colour, width=width)
        t = np.linspace(0, 2 * np.pi, 13); m = width + 2
        x, y = (x0 + x1) / 2 + (x1 - x0) / 2 * np.cos(t), (y0 + y1) / 2 + (y1 - y0) / 2 * np.sin(t)
        for i in range(12):
            self.box(kind, min(x[i:i + 2]) - m, min(y[i:i + 2]) - m, max(x[i:i + 2]) + m + 1, max(y[i:i + 2]) + m + 1)

    def text(self, x, y, txt, colour, size, kind="text"):
        """Writes a line of text, at times with a shadow, and notes its box."""
        f = sh.font(size, self.rng)
        try:
            b = self.dr.textbbox((x, y), txt, font=f)
            if self.rng.random() < 0.15:
                self.dr.text((x + 1, y + 1), txt, fill=(0,) * 3 if sum(colour) > 300 else (255,) * 3, font=f)
            self.dr.text((x, y), txt, fill=colour, font=f)
        except UnicodeEncodeError:  # a bitmap font without that script
            return self.text(x, y, "A1", colour, size, kind)
        self.box(kind, b[0] - 4, b[1] - 4, b[2] + 5, b[3] + 5)

    def glyphs(self, x, y, n, colour, size):
        """Letters of no known script: a few strokes and arcs in each square."""
        r = self.rng
        w = max(1, int(size / r.uniform(8, 16)))
        for i in range(n):
            x0 = x + i * size * 1.15
            for _ in range(r.integers(2, 7)):
                a = r.uniform(0, 1, (2, 2)).round(int(r.integers(0, 2)) + 0) if r.random() < 0.5 else r.uniform(0, 1, (2, 2))
                if r.random() < 0.7:
                    self.dr.line([x0 + a[0, 0] * size, y + a[0, 1] * size, x0 + a[1, 0] * size, y + a[1, 1] * size], fill=colour, width=w)
                else:
                    lo, hi = a.min(0), a.max(0)
                    self.dr.arc([x0 + lo[0] * size, y + lo[1] * size, x0 + hi[0] * size + 2, y + hi[1] * size + 2], int(r.integers(0, 360)), int(r.integers(0, 360)), fill=colour, width=w)
        self.box("text", x - 3, y - 3, x + n * size * 1.15 + 3, y + size + 3)


def _info(rng, um, W, mag):
    return str(rng.choice(INFO)).format(kv=rng.choice(["1.0", "2.0", "5.0", "10.0", "15.0"]), wd=rng.uniform(4, 22), mag=mag, hfw=W * um, n=int(rng.integers(1, 999)), day=int(rng.integers(1, 29)))


def info_bar(pen, um, mag):
    """A strip over the whole width, at the bottom or top, with text and scale bar. Returns the bar's length in um."""
    r, W, H = pen.rng, pen.W, pen.H
    v = sh.nice_bar(um, W, r); L = v / um
    fs = int(max(9, H * r.uniform(0.018, 0.04))); hs = int(fs * r.uniform(1.4, 2.4))
    y0 = 0 if r.random() < 0.2 else H - hs
    dark = r.random() < 0.7
    fg = (235,) * 3 if dark else (0,) * 3
    pen.dr.rectangle([0, y0, W, y0 + hs], fill=(0,) * 3 if dark else (255,) * 3)
    pen.dr.text((int(W * r.uniform(0.01, 0.1)), y0 + (hs - fs) * 0.4), _info(r, um, W, mag), fill=fg, font=sh.font(fs, r))
    x1 = int(W * 0.97); yb = y0 + hs - max(3, hs // 6)
    pen.dr.line([x1 - L, yb, x1, yb], fill=fg, width=max(2, hs // 14))
    pen.dr.text((x1 - L, y0 + 1), _length(v, r), fill=fg, font=sh.font(max(8, int(fs * 0.8)), r))
    pen.box("info_bar", 0, y0, W, y0 + hs)
    return v


def _length(v, rng):
    return f"{v} \u00b5m" if v < 1000 or rng.random() < 0.4 else f"{v / 1000:g} mm"


def scale_bar(pen, um):
    """A bar with or without end ticks, plain, segmented or as a ruler, lying or upright, its length beside it. Returns um."""
    r, W, H = pen.rng, pen.W, pen.H
    v = sh.nice_bar(um, W, r); L = v / um
    fs = int(max(9, H * r.uniform(0.016, 0.045))); m = int(0.03 * W)
    txt = _length(v, r)
    free = r.random() < 0.2
    x0 = float(r.uniform(m, max(m + 1, W - m - L))) if free else (W - m - L if r.random() < 0.6 else m)
    yb = float(r.uniform(0.1, 0.95)) * H if free else (H - int(0.035 * H) if r.random() < 0.8 else int(0.09 * H))
    tw = pen.dr.textlength(txt, font=sh.font(fs)); tx = float(np.clip(x0 + (L - tw) / 2, 2, W - tw - 2))
    below = yb + fs + 14 < H and r.random() < 0.25
    y0, y1 = (yb - 12, yb + fs + 14) if below else (yb - fs - 16, yb + 12)
    box = [min(x0, tx) - 10, y0, max(x0 + L, tx + tw) + 10, y1]
    col = pen.colour(box)
    if r.random() < 0.3:
        dark = r.random() < 0.6
        pen.dr.rectangle(box, fill=(0,) * 3 if dark else (255,) * 3); col = (255,) * 3 if dark else (0,) * 3
    w, style = int(r.integers(2, 9)), r.random()
    if style < 0.15:  # segments of two colours
        k = int(r.integers(2, 6)); other = (0,) * 3 if sum(col) > 380 else (255,) * 3
        for i in range(k):
            pen.dr.rectangle([x0 + L * i / k, yb - w, x0 + L * (i + 1) / k, yb], fill=col if i % 2 == 0 else other, outline=col)
    else:
        pen.dr.line([x0, yb, x0 + L, yb], fill=col, width=w)
    if r.random() < 0.5:  # end ticks, or a ruler's
        k = 1 if r.random() < 0.75 else int(r.choice([2, 5, 10])); h = r.uniform(4, 14)
        for i in range(k + 1):
            x = x0 + L * i / k; hh = h if i in (0, k) else 0.6 * h
            pen.dr.line([x, yb - hh, x, yb + hh * r.choice([0, 1])], fill=col, width=int(r.integers(1, 4)))
    pen.dr.text((tx, yb + 10 if below else yb - fs - 10), txt, fill=col, font=sh.font(fs, r))
    pen.box("scale_bar", *box)
    return v


def _tick(pen, kind, p, u, h, col, w):
    pen.line(kind, (p[0] - u[1] * h, p[1] + u[0] * h), (p[0] + u[1] * h, p[1] - u[0] * h), col, w)


def crosshair(pen, at):
    """Cross-hair over the whole frame or a small cross, with or without ticks, ring and gap."""
    r, W, H = pen.rng, pen.W, pen.H
    col, w = pen.colour(), int(r.integers(1, 4))
    if r.random() < 0.4:
        cx, cy, ax, ay = W / 2 + r.normal(0, 0.1) * W, H / 2 + r.normal(0, 0.1) * H, W, H
    else:
        cx, cy = at; ax = ay = r.uniform(5, 60)
    gap = float(r.choice([0, r.uniform(2, 20)]))
    for u in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        a = ax if u[0] else ay
        pen.line("crosshair", (cx + gap * u[0], cy + gap * u[1]), (cx + a * u[0], cy + a * u[1]), col, w)
        step = r.uniform(0.08, 0.3) * max(W, H) / 4
        if ax > 100 and r.random() < 0.5:
            for t in np.arange(step, a, step)[:40]:
                _tick(pen, "crosshair", (cx + t * u[0], cy + t * u[1]), u, 5, col, 1)
    if r.random() < 0.3:
        R = r.uniform(6, 80)
        pen.ring("crosshair", cx - R, cy - R, cx + R, cy + R, col, w)


def dot(pen, at):
    """One to some dots, filled or hollow, often in a row."""
    r = pen.rng
    col, R = pen.colour(), r.uniform(2, 14)
    v = r.uniform(-80, 80, 2)
    for i in range(int(r.choice([1, r.integers(2, 9)]))):
        x, y = np.asarray(at) + i * v
        kw = dict(fill=col) if r.random() < 0.6 else dict(outline=col, width=int(r.integers(1, 4)))
        (pen.dr.ellipse if r.random() < 0.8 else pen.dr.rectangle)([x - R, y - R, x + R, y + R], **kw)
        pen.box("dot", x - R - 2, y - R - 2, x + R + 3, y + R + 3)


def arrow(pen, at):
    """Arrow that points at a place, its head filled or open, thin or fat, at times with a letter at its tail."""
    r = pen.rng
    col, L, a = pen.colour(), r.uniform(20, 160), r.uniform(0, 2 * np.pi)
    w = int(r.integers(1, 8)); h = r.uniform(2.0, 4.0) * w + 5
    u = np.array([np.cos(a), np.sin(a)]); v = np.array([-u[1], u[0]]); p = np.asarray(at, float)
    pen.line("arrow", tuple(p + u * L), tuple(p + u * h * 0.7), col, w)
    head = [tuple(p), tuple(p + u * h + v * 0.5 * h), tuple(p + u * h - v * 0.5 * h)]
    if r.random() < 0.7:
        pen.dr.polygon(head, fill=col)
    else:
        pen.dr.line([head[1], head[0], head[2]], fill=col, width=w)
    xy = np.array(head); pen.box("arrow", *(xy.min(0) - w - 1), *(xy.max(0) + w + 2))
    if r.random() < 0.3:
        pen.text(*(p + u * (L + 6)), str(r.choice(list("ABCDEabc123456"))), col, int(r.uniform(12, 40)))


def frame(pen, at):
    """Rectangle, circle or ellipse around a place, at times dashed, or a border around the picture."""
    r, W, H = pen.rng, pen.W, pen.H
    col, w = pen.colour(), int(r.integers(1, 7))
    if r.random() < 0.25:
        m = r.uniform(0, 0.06) * W; x0, y0, x1, y1 = m, m, W - 1 - m, H - 1 - m
    else:
        a, b = r.uniform(12, 160, 2); x0, y0, x1, y1 = at[0] - a, at[1] - b, at[0] + a, at[1] + b
        if r.random() < 0.35:
            return pen.ring("frame", x0, y0, x1, y1, col, w)
    dash = float(r.choice([0, r.uniform(6, 30)], p=[0.7, 0.3]))
    for p, q in (((x0, y0), (x1, y0)), ((x1, y0), (x1, y1)), ((x1, y1), (x0, y1)), ((x0, y1), (x0, y0))):
        n = max(1, int(np.hypot(q[0] - p[0], q[1] - p[1]) / (2 * dash))) if dash else 1
        for i in range(n):
            f = lambda t: (p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t)
            pen.line("frame", f(i / n), f((i + (0.5 if dash else 1)) / n), col, w)


def measure_line(pen, at):
    """A measured distance: line with end ticks or small arrow heads and a number beside it."""
    r = pen.rng
    col, L, a, w = pen.colour(), r.uniform(12, 220), r.uniform(0, np.pi), int(r.integers(1, 4))
    u = np.array([np.cos(a), np.sin(a)]); p = np.asarray(at, float) - u * L / 2; q = p + u * L
    pen.line("measure_line", tuple(p), tuple(q), col, w)
    h = r.uniform(3, 10)
    for e, s in ((p, 1), (q, -1)):
        if r.random() < 0.8:
            _tick(pen, "measure_line", e, u, h, col, w)
        else:
            for t in (-0.5, 0.5):
                pen.line("measure_line", tuple(e), tuple(e + s * u * h + t * h * np.array([-u[1], u[0]])), col, w)
    if r.random() < 0.8:
        pen.text(*(q + [4, -8]), f"{r.uniform(5, 200):.{int(r.integers(0, 3))}f}" + str(r.choice([" \u00b5m", "um", ""])), col, int(r.uniform(10, 26)))


def grid(pen, at):
    """A graticule of rows and columns."""
    r = pen.rng
    col, step = pen.colour(), r.uniform(60, 300)
    for x in np.arange(r.uniform(0, step), pen.W, step):
        pen.line("grid", (x, 0), (x, pen.H), col, 1)
    for y in np.arange(r.uniform(0, step), pen.H, step):
        pen.line("grid", (0, y), (pen.W, y), col, 1)


def scrawl(pen, at):
    """A hand-drawn stroke or ring."""
    r = pen.rng
    col, w, n = pen.colour(), int(r.integers(1, 6)), int(r.integers(5, 30))
    a = r.uniform(0, 6.28) + np.cumsum(r.normal(0.25, 0.35, n))
    p = np.asarray(at) + np.cumsum(np.c_[np.cos(a), np.sin(a)] * r.uniform(4, 20), 0)
    pen.dr.line([tuple(q) for q in p], fill=col, width=w, joint="curve")
    for i in range(0, n - 1, 3):
        q = p[i:i + 4]
        pen.box("scrawl", *(q.min(0) - w - 1), *(q.max(0) + w + 2))


def text(pen, at, um, mag):
    """Recorder text, one to three lines, somewhere or at the given place; letters of many scripts."""
    r, W, H = pen.rng, pen.W, pen.H
    x, y = at if r.random() < 0.4 else (r.uniform(0.01, 0.7) * W, r.choice([0.02, 0.93]) * H)
    fs = int(max(9, H * r.uniform(0.014, 0.05)))
    col = pen.colour([x, y, x + 10 * fs, y + fs])
    for i in range(int(r.choice([1, 1, 2, 3]))):
        if r.random() < 0.2:
            pen.glyphs(x, y + i * 1.4 * fs, int(r.integers(2, 14)), col, fs)
        else:
            pen.text(x, y + i * 1.4 * fs, _info(r, um, W, mag), col, fs)


#: kinds beside bar and text, how often each is chosen
OTHERS = [(crosshair, 0.17), (dot, 0.17), (arrow, 0.2), (frame, 0.16), (measure_line, 0.2), (grid, 0.04), (scrawl, 0.06)]


def draw(img, um, rng, amount, near=()):
    """Draws `amount` marks beside a scale bar and text. near: places (px) of fibres that some marks are put on."""
    pen = Pen(img, rng)
    mag, bar = 192.0 / um, None
    if rng.random() < 0.55 or amount > 3:
        bar = info_bar(pen, um, mag) if rng.random() < 0.35 else scale_bar(pen, um)
        if rng.random() < 0.4:
            text(pen, rng.uniform(0, 0.8, 2) * [pen.W, pen.H], um, mag)
    for _ in range(amount):
        on = len(near) and rng.random() < 0.5
        at = np.asarray(near[rng.integers(len(near))]) + rng.normal(0, 40, 2) if on else rng.uniform(0, 1, 2) * [pen.W, pen.H]
        kinds, w = zip(*OTHERS)
        kind = kinds[rng.choice(len(kinds), p=np.array(w) / sum(w))]
        if rng.random() < 0.2:
            text(pen, at, um, mag)
        else:
            kind(pen, at)
    out = np.array(pen.pil)
    mask = (np.abs(out.astype(np.int16) - img).max(2) > 8).astype(np.uint8)
    return out, pen.boxes, pen.kinds, bar, cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
