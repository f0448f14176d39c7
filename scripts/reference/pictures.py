#!/usr/bin/env python3
"""Small pictures in many formats, written by Pillow and tifffile, and what these libraries read back from them.

    pip install numpy==2.4.6 pillow==13.0.0 tifffile==2026.3.3 scikit-image==0.26.0
    python3 scripts/reference/pictures.py        (writes tests/reference/pictures and pictures.json)

Also ships two pictures of the scikit-image package: camera (CC0, Lav Varshney) and coins (public domain, Brooklyn Museum).
"""
import json
import os
import sys

import numpy as np
import PIL
import skimage
import tifffile
from PIL import Image, ImageOps
from skimage import data

HERE = os.path.dirname(os.path.abspath(__file__))
OUT = os.path.join(HERE, "..", "..", "tests", "reference", "pictures")
UM_PER_PX = 0.345  # 28985.5072 px/cm, 73623.1884 px/inch
PER_CM, PER_INCH = 1e4 / UM_PER_PX, 25400 / UM_PER_PX
expected = {}


def texture(height, width, depth):
    """Something that is not square, not symmetric and has all greys."""
    y, x = np.mgrid[0:height, 0:width]
    value = 0.5 + 0.3 * np.sin(x / 7.0 + y / 11.0) + 0.2 * (x / width - y / height)
    return np.clip(value * (2**depth - 1), 0, 2**depth - 1).astype(np.uint8 if depth == 8 else np.uint16)


def grey16(array):
    array = np.asarray(array)
    if array.dtype == np.uint8:
        array = array.astype(np.uint32) * 257
    array = array.astype(np.uint32)
    if array.ndim == 3:
        array = (2126 * array[..., 0] + 7152 * array[..., 1] + 722 * array[..., 2] + 5000) // 10000
    return array


def note(name, read, um_per_px=None, warnings=(), grey_within=0):
    grey = grey16(read)
    h, w = grey.shape
    points = [(0, 0), (w - 1, 0), (0, h - 1), (w // 3, h // 2), (w - 7, h - 5)]
    expected[name] = dict(width=w, height=h, mean=float(grey.mean()), at=[[x, y, int(grey[y, x])] for x, y in points],
                          um_per_px=um_per_px, warnings=list(warnings), grey_within=grey_within)


def path(name):
    return os.path.join(OUT, name)


def main():
    os.makedirs(OUT, exist_ok=True)
    g8, g16 = texture(66, 90, 8), texture(66, 90, 16)
    rgb = np.dstack([g8, g8[::-1], g8[:, ::-1]])
    # TIFF resolution and OME, by tifffile.
    for name, resolution, unit, um, warn in [
        ("tiff_cm.tif", PER_CM, 3, UM_PER_PX, []), ("tiff_inch.tif", PER_INCH, 2, UM_PER_PX, []),
        ("tiff_none.tif", 2.9, 1, None, []), ("tiff_72.tif", 72, 2, None, ["print_resolution"]),
        ("tiff_96.tif", 96, 2, None, ["print_resolution"]), ("tiff_300.tif", 300, 2, None, ["print_resolution"]),
        ("tiff_118_per_cm.tif", 118.11, 3, None, ["print_resolution"]),
    ]:
        tifffile.imwrite(path(name), g8, resolution=(resolution, resolution), resolutionunit=unit, metadata=None)
        note(name, tifffile.imread(path(name)), um, warn)
    for name, size, unit, um in [("ome_um.ome.tif", 0.345, "µm", UM_PER_PX), ("ome_nm.ome.tif", 345, "nm", UM_PER_PX),
                                 ("ome_m.ome.tif", 0.345e-6, "m", UM_PER_PX), ("ome_pixel.ome.tif", 1, "pixel", None),
                                 ("ome_frame.ome.tif", 1, "reference frame", None)]:
        tifffile.imwrite(path(name), g16, ome=True, metadata=dict(axes="YX", PhysicalSizeX=size, PhysicalSizeXUnit=unit,
                                                                  PhysicalSizeY=size, PhysicalSizeYUnit=unit))
        note(name, tifffile.imread(path(name)), um, [])
    tifffile.imwrite(path("ome_default_unit.ome.tif"), g8, ome=True, metadata=dict(axes="YX", PhysicalSizeX=0.345))
    note("ome_default_unit.ome.tif", g8, UM_PER_PX)
    tifffile.imwrite(path("ome_oblong.ome.tif"), g8, ome=True, metadata=dict(axes="YX", PhysicalSizeX=0.345, PhysicalSizeY=0.4))
    note("ome_oblong.ome.tif", g8, UM_PER_PX, ["pixels_not_square"])
    tifffile.imwrite(path("unit_in_text.tif"), g8, imagej=True, resolution=(1 / UM_PER_PX,) * 2, metadata=dict(unit="um"))
    note("unit_in_text.tif", g8, UM_PER_PX)
    # Depth, pages, compression, colour models.
    tifffile.imwrite(path("pages.tif"), np.stack([g8, g8[::-1], g8[:, ::-1]]), photometric="minisblack", metadata=None)
    note("pages.tif", g8, None, ["first_page"])
    tifffile.imwrite(path("grey16_deflate.tif"), g16, compression="zlib", predictor=True, metadata=None)
    note("grey16_deflate.tif", g16)
    tifffile.imwrite(path("camera12.tif"), g16 >> 4, metadata=None)
    note("camera12.tif", (g16 >> 4) << 4, None, ["shallow_grey"])
    tifffile.imwrite(path("white_is_zero.tif"), 255 - g8, photometric="miniswhite", metadata=None)
    note("white_is_zero.tif", g8)
    tifffile.imwrite(path("rgb16.tif"), rgb.astype(np.uint16) * 257, photometric="rgb", metadata=None)
    note("rgb16.tif", rgb)
    for name, depth in [("bigtiff.tif", g8), ("bigtiff16.tif", g16)]:
        tifffile.imwrite(path(name), depth, bigtiff=True, byteorder=">" if depth is g16 else "<", metadata=None)
        note(name, tifffile.imread(path(name)))
    Image.fromarray(g8).save(path("lzw.tif"), compression="tiff_lzw")
    note("lzw.tif", g8)
    palette = Image.fromarray(rgb).quantize(37)
    for name in ("palette.png", "palette.bmp", "palette.tif"):
        palette.save(path(name))
        note(name, palette.convert("RGB"))
    Image.fromarray(g8).save(path("grey.png"))
    note("grey.png", g8)
    Image.fromarray(g16).save(path("grey16.png"))
    note("grey16.png", g16)
    Image.fromarray(rgb).save(path("rgb.webp"), lossless=True)
    note("rgb.webp", rgb)
    Image.fromarray(rgb).save(path("rgb.bmp"))
    note("rgb.bmp", rgb)
    alpha = np.full_like(g8, 255)
    Image.fromarray(np.dstack([g8, alpha]), "LA").save(path("grey_alpha.png"))
    note("grey_alpha.png", g8)
    alpha[:20] = 0
    Image.fromarray(np.dstack([rgb, alpha]), "RGBA").save(path("rgba.png"))
    black = rgb.copy()
    black[:20] = 0
    note("rgba.png", black, None, ["transparent"])
    Image.fromarray(g8 > 128).save(path("bilevel.png"))
    note("bilevel.png", (g8 > 128).astype(np.uint8) * 255)
    # Resolution and orientation in EXIF, physical size of PNG, by Pillow.
    Image.fromarray(g8).save(path("phys.png"), dpi=(PER_INCH, PER_INCH))
    note("phys.png", g8, UM_PER_PX)
    Image.fromarray(g8).save(path("phys_96.png"), dpi=(96, 96))
    note("phys_96.png", g8, None, ["print_resolution"])
    for name, per, unit, um, warn in [("exif_cm.jpg", PER_CM, 3, UM_PER_PX, []), ("exif_72.jpg", 72, 2, None, ["print_resolution"])]:
        exif = Image.Exif()
        exif[282], exif[283], exif[296] = per, per, unit
        Image.fromarray(g8).save(path(name), exif=exif, quality=95)
        note(name, Image.open(path(name)), um, warn, grey_within=2 * 257)
    for turn in range(2, 9):
        exif = Image.Exif()
        exif[274] = turn
        name = f"turned_{turn}.jpg"
        Image.fromarray(g8).save(path(name), exif=exif, quality=95)
        note(name, ImageOps.exif_transpose(Image.open(path(name))), grey_within=2 * 257)
    Image.fromarray(rgb).save(path("rgb_progressive.jpg"), quality=95, progressive=True, subsampling=0)
    note("rgb_progressive.jpg", Image.open(path("rgb_progressive.jpg")), grey_within=3 * 257)
    for name in ("camera", "coins"):
        Image.fromarray(getattr(data, name)()).save(path(f"{name}.png"), optimize=True)
        note(f"{name}.png", getattr(data, name)())
    made = dict(python=sys.version.split()[0], numpy=np.__version__, pillow=PIL.__version__, tifffile=tifffile.__version__,
                scikit_image=skimage.__version__, pictures=expected)
    with open(os.path.join(OUT, "..", "pictures.json"), "w", encoding="utf-8") as handle:
        json.dump(made, handle, indent=1, ensure_ascii=False)
        handle.write("\n")


if __name__ == "__main__":
    main()
