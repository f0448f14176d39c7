"""Grounds of the set `domain_randomised`: plain, textured, or an adhesive height field with holes, ridges and menisci.

Heights in um above the ground level, at image resolution.
"""
import numpy as np
import cv2
import raster as ra


class Adhesive:
    """Adhesive pad: height field z (um), brightness factor alb, extra light glow. Made before the fibres, menisci added as they dive."""

    def __init__(self, rng, W, H, um, d0):
        self.rng, self.um, self.d0, self.W, self.H = rng, um, d0, W, H
        self.y, self.x = np.mgrid[0:H, 0:W].astype(np.float32)
        self.seed = float(rng.uniform(0, 900))
        dpx = d0 / um
        self.z = rng.uniform(0.1, 0.8) * d0 * ra.noise_image(H, W, rng.uniform(8, 30) * dpx, 3, self.seed, 1.0)
        self.z += rng.uniform(0, 0.05) * d0 * ra.noise_image(H, W, 1.5 * dpx, 2, self.seed + 9, 1.0)
        self.alb = 1 + rng.uniform(0.02, 0.15) * ra.noise_image(H, W, rng.uniform(0.6, 3) * dpx, 3, self.seed + 4, 1.0)
        self.glow = np.zeros((H, W), np.float32)
        for _ in range(rng.poisson(1.5)):
            self._ridge(dpx)
        for _ in range(rng.poisson(1.8)):
            self._hole(dpx)

    def _polar(self):
        r = self.rng
        cx, cy, a = r.uniform(0, self.W), r.uniform(0, self.H), r.uniform(0, np.pi)
        dx, dy = self.x - cx, self.y - cy
        return dx * np.cos(a) + dy * np.sin(a), -dx * np.sin(a) + dy * np.cos(a)

    def _ridge(self, dpx):
        r = self.rng
        u, v = self._polar()
        v = v + 3 * dpx * ra.noise_image(self.H, self.W, 6 * dpx, 2, self.seed + 20, 1.0)
        g = np.exp(-(u / (r.uniform(4, 20) * dpx)) ** 2 - (v / (r.uniform(0.4, 5) * dpx)) ** 2)
        self.z += r.uniform(-0.5, 1.4) * self.d0 * g
        self.glow += r.uniform(0, 0.6) * g * (r.random() < 0.5)

    def _hole(self, dpx):
        r = self.rng
        u, v = self._polar()
        r1 = r.uniform(0.5, 2.5) * dpx; r2 = r1 * r.uniform(0.4, 1.0)
        q = np.hypot(u / r1, v / r2)
        self.alb *= 1 - r.uniform(0.5, 0.97) / (1 + np.exp(np.clip((q - 1) * r.uniform(6, 20), -40, 40)))
        self.glow += r.uniform(0, 0.5) * np.exp(-((q - 1.25) / 0.3) ** 2)
        self.z += -r.uniform(0, 0.8) * self.d0 * np.exp(-q ** 4)

    def px(self, xy):
        """Places in px of points xy (um)."""
        return xy / self.um + (np.array([self.W, self.H]) - 1) / 2

    def at(self, xy):
        """Ground height (um) under points xy (um); the nearest frame pixel outside the frame."""
        i, j = np.clip(np.round(self.px(xy)).astype(int), 0, [self.W - 1, self.H - 1]).T
        return self.z[j, i]

    def meniscus(self, p, u, d):
        """Adhesive climbing a fibre of diameter d that dives at p (um) coming from direction u."""
        r = self.rng; um = self.um
        dx = self.x - (p[0] / um + (self.W - 1) / 2); dy = self.y - (p[1] / um + (self.H - 1) / 2)
        a = -(dx * u[0] + dy * u[1]) * um / d; b = (-dx * u[1] + dy * u[0]) * um / d
        a = np.where(a > 0, a / r.uniform(1.5, 5), a / r.uniform(0.8, 1.8))
        b = b / r.uniform(0.8, 2.0)
        q = np.sqrt(a * a + b * b + 0.02)
        self.z += r.uniform(1.0, 1.6) * d * np.exp(-q)
        self.glow += (r.uniform(0, 0.9) * np.exp(-(q / r.uniform(1, 2.5)) ** 2)).astype(np.float32)

    def shade(self, rng, base, um, LP):
        """Grey level under the light vector's two lamps."""
        zs = cv2.GaussianBlur(self.z, (0, 0), 1.0)
        gy, gx = np.gradient(zs, um)
        n = 1 / np.sqrt(1 + gx * gx + gy * gy)
        lam = (-gx * LP[1] - gy * LP[2] + LP[3]) * n / LP[3]
        k = rng.uniform(0.2, 1.0)
        g = base * self.alb * (1 + k * (lam - 1)) + base * rng.uniform(0, 1.2) * (1 - n) + rng.uniform(0.2, 1.0) * base * self.glow
        return np.maximum(g, 0.002).astype(np.float32)


def plain(rng, W, H, base):
    """Flat or textured ground without height."""
    y, x = np.mgrid[0:H, 0:W].astype(np.float32)
    a = rng.uniform(0, 6.28)
    g = base * (1 + rng.uniform(0, 0.9) * ((x / W - 0.5) * np.cos(a) + (y / H - 0.5) * np.sin(a)))
    seed = float(rng.uniform(0, 900))
    st = rng.integers(0, 6)
    if st == 0:
        g *= 1 + rng.uniform(0.1, 0.6) * ra.noise_image(H, W, rng.uniform(4, 60), 4, seed, 1.0)
    elif st == 1:
        g *= 1 + rng.uniform(0.1, 0.5) * ra.noise_image(H, W, rng.uniform(2, 8), 3, seed, 0.03)
    elif st == 2:
        g *= 1 + rng.uniform(0.1, 0.3) * ra.noise_image(H, W, 30, 2, seed, 1.0)
        g *= 1 - 0.6 * np.clip((ra.noise_image(H, W, rng.uniform(6, 20), 2, seed + 3, 1.0) - 0.35) * 6, 0, 1)
    elif st == 3:
        for _ in range(rng.integers(3, 25)):  # scratches
            p = rng.uniform(0, [W, H]); a = rng.uniform(0, np.pi); L = rng.uniform(30, W)
            q = p + L * np.array([np.cos(a), np.sin(a)])
            m = np.zeros((H, W), np.float32)
            cv2.line(m, tuple(map(int, p)), tuple(map(int, q)), 1.0, 1, cv2.LINE_AA)
            g *= 1 + rng.uniform(-0.4, 0.8) * cv2.GaussianBlur(m, (0, 0), rng.uniform(0.5, 1.2))
    else:
        g *= 1 + 0.06 * ra.noise_image(H, W, 200, 2, seed, 1.0)
    return np.maximum(g, 0.001).astype(np.float32)
