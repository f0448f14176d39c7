#!/usr/bin/env python3
"""Merge focus series with three textbook methods and score them, and ours, against the all-in-focus truth.

usage: stack_reference.py STACK_SET [--ours DIR] [--out JSON] [--table] [--read JSON]

STACK_SET is a rendered `stack` set (NAME.json, NAME_aif, NAME_depth.png, NAME_frames/).
DIR holds what `breakface stack` wrote, one folder NAME each: merged.png, height.png, height.json, confidence.png.
--table prints one line of Markdown a series; with --read the figures are those of an earlier --out.
Needs numpy, scipy, scikit-image, PyWavelets, Pillow, tifffile (a virtual environment outside the repository).

Methods, all on RGB with one choice per pixel or coefficient made from grey (BT.709):
  laplacian   Burt and Adelson 1983: Laplacian pyramid, coefficient of the frame with the highest local energy, base averaged
  variance    frame with the highest local variance, per pixel
  wavelet     Li, Manjunath, Mitra 1995: discrete wavelet transform, coefficient of the frame with the largest activity
Figures: PSNR and SSIM (scikit-image defaults, data range 255) of grey.
"""
import argparse, json, os, sys
import numpy as np, pywt, scipy, skimage
from PIL import Image
from scipy import ndimage as ndi
from skimage.metrics import peak_signal_noise_ratio as psnr, structural_similarity as ssim


def read(path):
    im = np.asarray(Image.open(path).convert("RGB"), np.float32)
    return im


def grey(rgb):
    return rgb @ np.array([0.2126, 0.7152, 0.0722], np.float32)


def down(a):
    k = np.array([1, 4, 6, 4, 1], np.float32) / 16
    for ax in (0, 1):
        a = ndi.convolve1d(a, k, axis=ax, mode="mirror")
    return a[::2, ::2]


def up(a, shape):
    k = np.array([1, 4, 6, 4, 1], np.float32) / 8
    out = np.zeros(shape[:2] + a.shape[2:], np.float32)
    out[::2, ::2] = a
    for ax in (0, 1):
        out = ndi.convolve1d(out, k, axis=ax, mode="mirror")
    return out


def pyramid(a, n):
    g = [a]
    for _ in range(n):
        g.append(down(g[-1]))
    return [g[i] - up(g[i + 1], g[i].shape) for i in range(n)] + [g[-1]]


def laplacian(frames, window=5, levels=6):
    best = None
    for f in frames:
        p = pyramid(f, levels)
        e = [ndi.uniform_filter(grey(c) ** 2, window) for c in p[:-1]]
        if best is None:
            best, energy, base = [c.copy() for c in p], e, p[-1].copy()
            continue
        for i in range(levels):
            m = e[i] > energy[i]
            best[i][m] = p[i][m]
            energy[i][m] = e[i][m]
        base += p[-1]
    out = base / len(frames)
    for c in reversed(best[:-1]):
        out = up(out, c.shape) + c
    return out


def variance(frames, window):
    best = out = None
    for f in frames:
        g = grey(f).astype(np.float64)
        v = ndi.uniform_filter(g * g, window) - ndi.uniform_filter(g, window) ** 2
        if best is None:
            best, out = v, f.copy()
            continue
        m = v > best
        best[m] = v[m]
        out[m] = f[m]
    return out


def wavelet(frames, name="db2", levels=5, window=5):
    n = len(frames)
    acc = None
    for f in frames:
        wg = pywt.wavedec2(grey(f), name, level=levels)
        wc = [pywt.wavedec2(f[..., c], name, level=levels) for c in range(3)]
        act = [tuple(ndi.uniform_filter(np.abs(b), window) for b in lev) for lev in wg[1:]]
        if acc is None:
            acc, top = [[w[0].copy()] + [tuple(b.copy() for b in lev) for lev in w[1:]] for w in wc], act
            top = [tuple(b.copy() for b in lev) for lev in act]
            continue
        for c in range(3):
            acc[c][0] += wc[c][0]
        for i, lev in enumerate(act):
            for b in range(3):
                m = lev[b] > top[i][b]
                top[i][b][m] = lev[b][m]
                for c in range(3):
                    acc[c][i + 1][b][m] = wc[c][i + 1][b][m]
    out = []
    for c in range(3):
        acc[c][0] /= n
        out.append(pywt.waverec2(acc[c], name))
    h, w = frames[0].shape[:2]
    return np.stack(out, -1)[:h, :w]


def score(merged, truth):
    a, b = np.clip(grey(merged), 0, 255), grey(truth)
    return dict(psnr_db=round(float(psnr(b, a, data_range=255)), 3), ssim=round(float(ssim(b, a, data_range=255)), 5))


def heights(folder, doc, base):
    """Median height error in frame steps where our map is confident."""
    z = np.asarray(Image.open(os.path.join(folder, "height.png")), np.float64)
    conf = np.asarray(Image.open(os.path.join(folder, "confidence.png")), np.float64)
    conf /= 65535 if conf.max() > 255 else 255
    meta = json.load(open(os.path.join(folder, "height.json")))
    frame = z * meta["frames_per_unit"] + meta.get("frames_offset", 0.0)
    fz = np.array([f["focus_z_um"] for f in doc["frames"]])
    true = np.asarray(Image.open(os.path.join(base, doc["depth_file"])), np.float64) * doc["depth_um_per_unit"]
    step = np.median(np.diff(fz))
    err = np.abs(np.interp(frame, np.arange(len(fz)), fz) - true) / step
    inside = (true >= fz[0]) & (true <= fz[-1])
    out = {}
    for t in (0.3, 0.5, 0.7):
        m = (conf >= t) & inside
        out[f"conf>={t}"] = dict(share=round(float(m.mean()), 4), median=round(float(np.median(err[m])), 3), p90=round(float(np.percentile(err[m], 90)), 3)) if m.any() else None
    # textured where the truth picture has detail, whatever our map says
    aif = grey(read(os.path.join(base, doc["image"])))
    tex = ndi.gaussian_filter((aif - ndi.gaussian_filter(aif, 2)) ** 2, 3) ** 0.5
    m = (tex > 4) & inside
    out["textured"] = dict(share=round(float(m.mean()), 4), median=round(float(np.median(err[m])), 3), p90=round(float(np.percentile(err[m], 90)), 3))
    return out


def table(folder, stacks):
    """Markdown: ours beside the best setting of each reference, and how far it is above the best of all."""
    print("| series | view | light | frames | breathing, % | wandering, px | ours, dB | pyramid | variance | wavelet | over the best, dB |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    above = []
    for name, row in stacks.items():
        doc = json.load(open(os.path.join(folder, name + ".json")))
        best = {m: max(v["psnr_db"] for k, v in row.items() if k.startswith(m)) for m in ("laplacian", "variance", "wavelet")}
        ours = row["ours"]["psnr_db"]
        above.append(ours - max(best.values()))
        cells = [name, doc["view"], doc["look"], len(doc["frames"]), doc.get("breath_percent", 0), doc.get("shift_px", 0)]
        print("| " + " | ".join(str(c) for c in cells + [f"{v:.1f}" for v in [ours, *best.values()]] + [f"{above[-1]:+.1f}"]) + " |")
    print(f"\n{sum(a >= 0 for a in above)} of {len(above)} series at or above the best reference, {min(above):+.1f} to {max(above):+.1f} dB")


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("set")
    ap.add_argument("--ours")
    ap.add_argument("--out")
    ap.add_argument("--skip-reference", action="store_true")
    ap.add_argument("--table", action="store_true")
    ap.add_argument("--read")
    a = ap.parse_args()
    if a.read:
        return table(a.set, json.load(open(a.read))["stacks"])
    result = dict(versions=dict(python=sys.version.split()[0], numpy=np.__version__, scipy=scipy.__version__, skimage=skimage.__version__, pywt=pywt.__version__), stacks={})
    for name in sorted(n[:-5] for n in os.listdir(a.set) if n.endswith(".json")):
        doc = json.load(open(os.path.join(a.set, name + ".json")))
        if "frames" not in doc:
            continue
        truth = read(os.path.join(a.set, doc["image"]))
        row = {}
        if not a.skip_reference:
            frames = [read(os.path.join(a.set, f["file"])) for f in doc["frames"]]
            for w in (5, 9):
                row[f"laplacian, window {w}"] = score(laplacian(frames, w), truth)
                row[f"wavelet db2, window {w}"] = score(wavelet(frames, window=w), truth)
            for w in (9, 17, 25):
                row[f"variance, window {w}"] = score(variance(frames, w), truth)
        if a.ours:
            folder = os.path.join(a.ours, name)
            row["ours"] = score(read(os.path.join(folder, "merged.png")), truth)
            row["ours height"] = heights(folder, doc, a.set)
        result["stacks"][name] = row
        for k, v in row.items():
            print(name, k, v, flush=True, file=sys.stderr if a.table else sys.stdout)
    if a.table:
        table(a.set, result["stacks"])
    if a.out:
        json.dump(result, open(a.out, "w"), indent=1)
        open(a.out, "a").write("\n")


main()
