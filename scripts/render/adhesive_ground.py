"""Ground of the set `adhesive`: mounds, furrows, torn skin and pits, and adhesive that climbs fibres. Heights in um."""
import cv2
import numpy as np

import raster as ra
import randomised_ground as rg
import randomised_shade as rsh


class Pad(rg.Adhesive):
    """Adhesive of `domain_randomised` with more relief. `glow` is extra light in units of the pad's own."""

    def __init__(self, rng, W, H, um, d0):
        super().__init__(rng, W, H, um, d0)
        dpx = d0 / um
        for _ in range(rng.poisson(rng.choice([0.5, 4, 9]))):
            self._mound(dpx)
        for _ in range(rng.poisson(rng.choice([0, 1, 3]))):
            self._skin(dpx)
        for _ in range(rng.poisson(rng.choice([0, 3, 12]))):
            self._pit(dpx)

    def meniscus(self, p, u, d):
        """Adhesive climbing a diving fibre, always lit enough to be told from an end."""
        super().meniscus(p, u, d)
        x, y = self.px(p[:2])
        q = np.hypot(self.x - x, self.y - y) * self.um / d
        self.glow += (self.rng.uniform(0.4, 1.5) * np.exp(-(q / self.rng.uniform(0.8, 2)) ** 2)).astype(np.float32)

    def _mound(self, dpx):
        r = self.rng
        u, v = self._polar()
        a = r.uniform(1.5, 9) * dpx
        u = np.where(u > 0, u / a, u / (a * r.uniform(0.3, 1.0))); v = v / (a * r.uniform(0.4, 1.0))
        q = u * u + v * v + 0.3 * ra.noise_image(self.H, self.W, a, 2, self.seed + r.uniform(0, 90), 1.0)
        g = np.exp(-np.maximum(q, 0))
        self.z += r.uniform(-0.8, 2.5) * self.d0 * g
        if r.random() < 0.6:  # thin skin over a hollow, or charge: bright, with a darker foot
            self.glow += r.uniform(0.2, 2.0) * g * (0.7 + 0.6 * ra.noise_image(self.H, self.W, 0.7 * dpx, 3, self.seed + 31, 0.6)) - r.uniform(0, 0.3) * np.exp(-0.4 * np.maximum(q, 0))

    def _far(self, points, on=None):
        """Distance in px of every pixel to the line through points (px), or those of its steps that are `on`; None outside the frame."""
        line = np.full((self.H, self.W), 255, np.uint8)
        points = np.round(points).astype(np.int32)
        steps = np.stack([points[:-1], points[1:]], 1)
        cv2.polylines(line, list(steps if on is None else steps[on]), False, 0, 1)
        return cv2.distanceTransform(line, cv2.DIST_L2, 5) if (line == 0).any() else None

    def furrow(self, xy, d):
        """Groove with lips along xy (um), strong and weak in turns, as a fibre of diameter d leaves it."""
        r = self.rng
        far = self._far(self.px(xy))
        if far is None:
            return
        w = r.uniform(0.3, 0.6) * d / self.um
        lips = np.exp(-((far - w) / (r.uniform(0.25, 0.6) * w)) ** 2)
        bed = np.exp(-(far / (0.8 * w)) ** 2)
        much = np.clip(0.6 + 0.9 * ra.noise_image(self.H, self.W, r.uniform(2, 8) * d / self.um, 2, self.seed + r.uniform(0, 90), 1.0), 0, 1.3)
        self.z += d * much * (r.uniform(0.1, 0.6) * lips - r.uniform(0.0, 0.5) * bed)
        self.glow += much * (r.uniform(0, 0.8) * lips - r.uniform(0, 0.5) * bed)

    def _skin(self, dpx):
        """Torn skin: a ragged flap edge with a lit rim, one side higher than the other."""
        r = self.rng
        n = 80
        turn = np.cumsum(r.normal(0, 0.25, n)) + r.uniform(0, 6.28)
        step = r.uniform(0.2, 0.6) * dpx
        xy = np.cumsum(np.c_[np.cos(turn), np.sin(turn)] * step, 0)[: r.integers(12, n)] + r.uniform(-0.5, 0.5, 2) * [self.W, self.H]
        far = self._far(xy + [(self.W - 1) / 2, (self.H - 1) / 2])
        if far is None:
            return
        far = np.maximum(far + 0.5 * dpx * ra.noise_image(self.H, self.W, 0.8 * dpx, 3, self.seed + 61, 0.7), 0)
        w = r.uniform(0.12, 0.6) * dpx
        ridge = np.exp(-(far / w) ** 2)
        self.z += r.uniform(0.2, 1.2) * self.d0 * ridge
        self.alb *= 1 - r.uniform(0, 0.6) * np.exp(-((far - 1.6 * w) / w) ** 2)
        self.glow += r.uniform(0.2, 1.5) * np.exp(-((far - 0.7 * w) / (0.4 * w)) ** 2)

    def _pit(self, dpx):
        """A small pit or speck with a lit rim."""
        r = self.rng
        a = r.uniform(0.08, 0.5) * dpx + 1
        x, y = r.uniform(0, self.W), r.uniform(0, self.H)
        s = int(4 * a) + 2
        x0, x1, y0, y1 = max(0, int(x) - s), min(self.W, int(x) + s), max(0, int(y) - s), min(self.H, int(y) + s)
        if x1 <= x0 or y1 <= y0:
            return
        q = np.hypot(self.x[y0:y1, x0:x1] - x, self.y[y0:y1, x0:x1] - y) / a
        self.glow[y0:y1, x0:x1] += r.uniform(0.2, 2) * np.exp(-((q - r.uniform(0, 1.2)) / 0.5) ** 2)
        self.alb[y0:y1, x0:x1] *= 1 - r.uniform(0, 0.8) * np.exp(-q ** 4)

    def climb(self, path, d, much):
        """Raises the pad beside a fibre that lies on it, in places more than in others."""
        near = path[::2]
        low = near[:, 2] - self.at(near[:, :2]) < 1.3 * d
        if low.sum() < 4:
            return
        far = self._far(self.px(near[:, :2]), low[:-1])
        if far is None:
            return
        far = far * self.um / d
        part = np.clip(0.4 + 1.1 * ra.noise_image(self.H, self.W, 6 * d / self.um, 2, self.seed + float(path[0, 0]) % 50, 1.0), 0, 1.4)
        reach = self.rng.uniform(0.6, 2.5)
        self.z += (much * d * part * np.exp(-(far / reach) ** 1.5)).astype(np.float32)
        self.glow += (self.rng.uniform(-0.3, 0.5) * part * np.exp(-(far / (1.5 * reach)) ** 2)).astype(np.float32)

    def shade(self, rng, base, um, LP):
        """Grey level under a detector on one side: slopes facing it and steep slopes are lit, hollows dim."""
        zs = cv2.GaussianBlur(self.z, (0, 0), 1.0)
        gy, gx = np.gradient(zs, um)
        n = 1 / np.sqrt(1 + gx * gx + gy * gy)
        side = np.clip(-(gx * LP[rsh.L1X] + gy * LP[rsh.L1Y]) * n, -1, 1)
        broad_light = 1 + rng.uniform(0, 0.5) * ra.noise_image(self.H, self.W, 0.4 * self.W, 2, self.seed + 71, 1.0)
        low = cv2.GaussianBlur(self.z, (0, 0), max(2.0, 2 * self.d0 / um)) - cv2.GaussianBlur(self.z, (0, 0), max(4.0, 7 * self.d0 / um))
        g = 1 + rng.uniform(0.3, 2.5) * side + rng.uniform(0.3, 1.5) * (1 / (n + 0.28) - 0.78) + rng.uniform(0, 0.8) * np.clip(low / self.d0, -1, 1)
        g = base * broad_light * self.alb * np.maximum(g, 0.1) + rng.uniform(0.3, 1.2) * base * self.glow
        return np.maximum(g, 0.002).astype(np.float32)
