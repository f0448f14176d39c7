"""Which fibre each pixel shows: the truth that networks which outline fibres learn from."""
import os

import cv2
import numpy as np

#: zones of the mesh that are fibre proper: side, face, bulb
PROPER = 2
#: value of dust, droplets and loose wisps
OTHER = 65535


def write(job, t1, mesh, ss):
    """Writes fibres/NAME.png beside the picture (16 bits: 0 ground, k + 1 fibre k, OTHER what is no fibre) when the job asks for it.

    One sample a pixel, the first of its ss x ss: sample (i, j) shows the place (j, i) - (ss - 1) / (2 ss) of the picture.
    Strands and fibrils that belong to an end count as its fibre. Returns what the truth says of the map, {} without one.
    """
    if not job.get("fibres"):
        return {}
    tri = t1[::ss, ::ss]
    own = (mesh["zone"] <= PROPER) | mesh["tip"]
    value = np.where(own, mesh["fid"] + 1, OTHER).astype(np.uint16)
    folder, name = os.path.split(job["path"])
    os.makedirs(os.path.join(folder, "fibres"), exist_ok=True)
    file = os.path.join("fibres", name + ".png")
    cv2.imwrite(os.path.join(folder, file), np.where(tri >= 0, value[np.maximum(tri, 0)], 0).astype(np.uint16), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    return dict(fibre_map=file, fibre_map_shift_px=round(-(ss - 1) / (2 * ss), 4))
