#!/usr/bin/env python3
"""Merge focus series with three textbook methods and score them, and ours, against the all-in-focus truth.

usage: stack_reference.py STACK_SET [--register WAY ...] [--ours DIR] [--out JSON] [--table]

STACK_SET is a rendered `focus` or `stack` set (NAME.json, NAME_aif, NAME_depth.png, NAME_frames/).
DIR holds what `breakface stack` wrote, one folder NAME each: merged.png, height.png, height.json, confidence.png.
--out keeps the figures; what a file of that name holds of the references is not computed again.
--table prints one line of Markdown a series.
Needs numpy, scipy, scikit-image, PyWavelets, Pillow, OpenCV (a virtual environment outside the repository).

Methods, all on RGB with one choice per pixel or coefficient made from grey (BT.709):
  laplacian   Burt and Adelson 1983: Laplacian pyramid, coefficient of the frame with the highest local energy, base averaged
  variance    frame with the highest local variance, per pixel
  wavelet     Li, Manjunath, Mitra 1995: discrete wavelet transform, coefficient of the frame with the largest activity
They take the frames
  as they lie (always), and with --register also laid on the first frame, each by way of the frame before it:
  phase       shift by scikit-image's phase_cross_correlation
  ecc         affine by OpenCV's findTransformECC (Evangelidis and Psarakis 2008)
  true        by the moves that the renderer wrote: no way of registering does better
Figures: PSNR and SSIM (scikit-image defaults, data range 255) of grey.
"""
import argparse, json, os, sys
import cv2, numpy as np, pywt, scipy, skimage
from PIL import Image
from scipy import ndimage as ndi
from skimage.metrics import peak_signal_noise_ratio as psnr, structural_similarity as ssim
from skimage.registration import phase_cross_correlation


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


def step_phase(before, after):
    """3x3 matrix from points of a frame to those of the next."""
    back = phase_cross_correlation(before, after, upsample_factor=50)[0]
    return np.array([[1, 0, -back[1]], [0, 1, -back[0]], [0, 0, 1.0]])


def step_ecc(before, after):
    to = np.eye(2, 3, dtype=np.float32)
    try:
        to = cv2.findTransformECC(before, after, to, cv2.MOTION_AFFINE, (3, 200, 1e-6), None, 5)[1]
    except cv2.error:
        pass  # It did not converge: the frame is taken as it lies.
    return np.vstack([to, [0, 0, 1]]).astype(float)


def true_moves(doc):
    middle = np.array([doc["width_px"] - 1, doc["height_px"] - 1]) / 2
    for zoom, dx, dy in (f["move"] for f in doc["frames"]):
        at = (1 - zoom) * middle + [dx, dy]
        yield np.array([[zoom, 0, at[0]], [0, zoom, at[1]], [0, 0, 1]])


def registered(frames, way, doc):
    """Frames laid on the first one."""
    if way == "true":
        moves = list(true_moves(doc))
    else:
        step, greys, moves = {"phase": step_phase, "ecc": step_ecc}[way], [grey(f) for f in frames], [np.eye(3)]
        for before, after in zip(greys, greys[1:]):
            moves.append(step(before, after) @ moves[-1])
    size = frames[0].shape[1::-1]
    back = dict(flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)
    return [f if np.allclose(m, np.eye(3)) else cv2.warpAffine(f, m[:2], size, **back) for f, m in zip(frames, moves)]


def references(frames, truth):
    row = {}
    for w in (5, 9):
        row[f"laplacian, window {w}"] = score(laplacian(frames, w), truth)
        row[f"wavelet db2, window {w}"] = score(wavelet(frames, window=w), truth)
    for w in (9, 17, 25):
        row[f"variance, window {w}"] = score(variance(frames, w), truth)
    return row


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


AS_THEY_LIE = "as they lie"


def table(folder, stacks):
    """Markdown: ours beside the best reference by way of registering, and how far it is above the best that a program can do."""
    ways = [w for w in (AS_THEY_LIE, "phase", "ecc", "true") if all(w in r["references"] for r in stacks.values())]
    print("| series | view | light | frames | breathing, % | wandering, px | ours, dB | " + " | ".join(ways) + " | over the best, dB |")
    print("|" + "---|" * (8 + len(ways)))
    above = []
    for name, row in stacks.items():
        doc = json.load(open(os.path.join(folder, name + ".json")))
        best = [max(v["psnr_db"] for v in row["references"][w].values()) for w in ways]
        ours = row["ours"]["psnr_db"]
        above.append([ours - b for b in best])
        over = min(a for a, w in zip(above[-1], ways) if w != "true")
        cells = [name, doc["view"], doc["look"], len(doc["frames"]), doc.get("breath_percent", 0), doc.get("shift_px", 0)]
        print("| " + " | ".join(str(c) for c in cells + [f"{v:.1f}" for v in [ours, *best]] + [f"{over:+.1f}"]) + " |")
    print()
    for way, column in zip(ways, np.transpose(above)):
        print(f"{way}: {(column >= 0).sum()} of {len(above)} series at or above the best reference, {column.min():+.2f} to {column.max():+.2f} dB")


def kept(path):
    """Figures of an earlier call."""
    return json.load(open(path))["stacks"] if path and os.path.exists(path) else {}


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument("set")
    ap.add_argument("--register", nargs="*", default=[], choices=["phase", "ecc", "true"])
    ap.add_argument("--ours")
    ap.add_argument("--out")
    ap.add_argument("--table", action="store_true")
    a = ap.parse_args()
    versions = dict(python=sys.version.split()[0], numpy=np.__version__, scipy=scipy.__version__, skimage=skimage.__version__, pywt=pywt.__version__, cv2=cv2.__version__)
    result = dict(versions=versions, stacks=kept(a.out))
    for name in sorted(n[:-5] for n in os.listdir(a.set) if n.endswith(".json")):
        doc = json.load(open(os.path.join(a.set, name + ".json")))
        if "frames" not in doc:
            continue
        truth = read(os.path.join(a.set, doc["image"]))
        row = result["stacks"].setdefault(name, dict(references={}))
        missing = [w for w in [AS_THEY_LIE, *a.register] if w not in row["references"]]
        frames = [read(os.path.join(a.set, f["file"])) for f in doc["frames"]] if missing else []
        for way in missing:
            row["references"][way] = references(frames if way == AS_THEY_LIE else registered(frames, way, doc), truth)
        if a.ours:
            folder = os.path.join(a.ours, name)
            row["ours"] = score(read(os.path.join(folder, "merged.png")), truth)
            row["ours height"] = heights(folder, doc, a.set)
        if not a.table:
            print(name, json.dumps(row), flush=True)
        if a.out:
            with open(a.out, "w") as f:
                json.dump(result, f, indent=1)
                f.write("\n")
    if a.table:
        table(a.set, result["stacks"])


main()
