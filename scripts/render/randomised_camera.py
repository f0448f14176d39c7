"""From linear light to a finished picture: halos, blur, noise, tone curves. Input float RGB, output uint8 RGB."""
import numpy as np
import cv2
import shade as sh


def halo(col, fg, rng, dpx):
    """Bright (charging) or dark glow of the ground around fibres."""
    s = rng.uniform(0.5, 4) * dpx
    m = cv2.GaussianBlur(fg.astype(np.float32), (0, 0), max(1.0, s))
    a = rng.choice([rng.uniform(0.1, 1.2), rng.uniform(-0.6, -0.1)], p=[0.7, 0.3])
    k = np.where(fg, 1.0, np.maximum(1 + a * m, 0.05)).astype(np.float32)
    return col * cv2.GaussianBlur(k, (0, 0), 0.7)[..., None]


def tone(v, rng, strength):
    """Random monotone curve on [0, 1]."""
    x = np.linspace(0, 1, 7)
    dy = np.exp(rng.normal(0, strength, 6))
    y = np.r_[0, np.cumsum(dy)] / dy.sum()
    return np.interp(v, x, y).astype(np.float32)


def keep_visible(im, noise, dpx):
    """Stretches contrast and limits noise where fibres would be lost: real pictures go down to about these values."""
    g = im.mean(2)
    s = float((cv2.GaussianBlur(g, (0, 0), 1.0) - cv2.GaussianBlur(g, (0, 0), float(max(dpx, 5)))).std())
    if s < 0.02:
        m = float(g.mean())
        im = np.clip(m + (im - m) * min(5.0, 0.02 / max(s, 1e-4)), 0, 1)
        s = 0.02
    return im, min(noise, 2.0 * s * np.sqrt(max(dpx, 8) / 8.0))


def finish(col, rng, grey, fg, dpx):
    """Exposure, illumination, blur, noise, curve. Returns uint8 RGB."""
    H, W = col.shape[:2]
    y, x = np.mgrid[0:H, 0:W].astype(np.float32)
    im = np.maximum(col, 0)
    if rng.random() < 0.45:
        im = halo(im, fg, rng, dpx)
    cx, cy = rng.uniform(0.2, 0.8, 2)
    im = im * np.clip(1 - abs(rng.normal(0, 0.4)) * (((x / W - cx) ** 2 + (y / H - cy) ** 2) * 2.2), 0.3, None)[..., None]
    if not grey and rng.random() < 0.7:
        hi = np.clip(im - 0.7, 0, 3)
        im = im + rng.uniform(0.05, 0.4) * (0.5 * sh._gauss(hi, 5) + 0.5 * sh._gauss(hi, 22)) + abs(rng.normal(0, 0.01))
    b = rng.choice([rng.uniform(0.3, 0.9), rng.uniform(0.9, 2.0)], p=[0.65, 0.35])
    im = cv2.GaussianBlur(im, (0, 0), b if dpx > 9 else min(b, 0.9))
    if not grey and rng.random() < 0.4:
        for c, k in ((0, 1 + rng.uniform(0, 0.0012)), (2, 1 - rng.uniform(0, 0.0012))):
            im[..., c] = cv2.warpAffine(np.ascontiguousarray(im[..., c]), np.float32([[k, 0, (1 - k) * W / 2], [0, k, (1 - k) * H / 2]]), (W, H), borderMode=cv2.BORDER_REFLECT)
    if grey:
        im = im.mean(2, keepdims=True)
    lum = im.mean(2)
    ref = float(np.percentile(lum, rng.uniform(96, 99.8)))
    e = rng.uniform(0.6, 1.15) * 0.85 / max(ref, 1e-3)
    if fg.any() and rng.random() < 0.5:
        e = min(e, rng.uniform(0.25, 0.6) / max(float(lum[fg].mean()), 1e-3)) if rng.random() < 0.5 else rng.uniform(0.15, 0.45) / max(float(lum[fg].mean()), 1e-3)
    im = im * e
    if not grey:
        im = im * (1 + rng.normal(0, 0.06, 3)).astype(np.float32)
    im = np.where(im > 0.75, 0.75 + 0.25 * (1 - np.exp(-(im - 0.75) / 0.25)), im)
    im = np.clip(im, 0, 1) ** (1 / rng.uniform(1.1, 2.5))
    if rng.random() < 0.6:
        im = tone(im, rng, rng.uniform(0.1, 0.6))
    if grey and rng.random() < 0.3:  # charging bands of the line scan
        band = cv2.GaussianBlur(np.repeat(rng.normal(0, 1, (H, 1)).astype(np.float32), 8, 1), (0, 0), rng.uniform(1, 14))[:, :1]
        im = im * (1 + rng.uniform(0.02, 0.12) * band[..., None])
    if grey and rng.random() < 0.6:  # electron pictures are mostly dark grey
        im = im * rng.uniform(0.4, 0.8)
    noise = abs(rng.normal(0, 0.02)) + 0.004
    if rng.random() < (0.35 if grey else 0.08):
        noise += rng.uniform(0.02, 0.07)
    if rng.random() < 0.3:  # low contrast: squeeze to a narrow band of greys
        span = rng.uniform(0.12, 0.5)
        im = rng.uniform(0.02, 0.95 - span) + span * im
    im, noise = keep_visible(im, noise, dpx)
    if rng.random() < 0.07:
        im = 1 - im
    n = rng.normal(0, 1, im.shape[:2]).astype(np.float32)[..., None]
    if not grey:
        n = 0.6 * n + 0.6 * rng.normal(0, 1, im.shape).astype(np.float32)
    ns = rng.uniform(0, 0.9)
    if ns > 0.35:
        n = cv2.GaussianBlur(n, (0, 0), ns)
        n = (n if n.ndim == 3 else n[..., None]) * (1 + 2.2 * ns * ns)
    im = im + n * noise * np.sqrt(0.3 + im.mean(2, keepdims=True))
    if rng.random() < 0.35 and noise < 0.03:
        im = im + rng.uniform(0.2, 1.2) * (im - cv2.GaussianBlur(im, (0, 0), 1.4).reshape(im.shape))
    if not grey:
        l = im.mean(2, keepdims=True)
        im = l + (im - l) * rng.uniform(0.4, 1.4)
    u8 = (np.clip(im, 0, 1) * 255 + 0.5).astype(np.uint8)
    return np.repeat(u8, 3, 2) if u8.shape[2] == 1 else u8
