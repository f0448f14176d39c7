#!/usr/bin/env python3
"""Writes tests/reference/detector.json and quick.json: what onnxruntime (PyPI) answers for each network on a fixed input.

    python3 scripts/reference/detector.py      (numpy, onnxruntime; run again whenever models/detector.onnx or models/quick.onnx changes)
"""
import json
import pathlib

import numpy as np
import onnxruntime

ROOT = pathlib.Path(__file__).resolve().parents[2]
SIDE = 96
#: every so many cells of the answer are kept
EVERY = 5

y, x = np.mgrid[0:SIDE, 0:SIDE]
grey = ((x * 7 + y * 13) % 17 - 8) / 32 + ((np.abs(y - 48) < 5) & (x < 60)) * 2.0
for name in ("detector", "quick"):
    session = onnxruntime.InferenceSession(str(ROOT / f"models/{name}.onnx"), providers=["CPUExecutionProvider"])
    maps = session.run(None, {"grey": grey[None, None].astype(np.float32)})[0][0]
    kept = maps[:, ::EVERY, ::EVERY]
    (ROOT / f"tests/reference/{name}.json").write_text(json.dumps({
        "source": f"onnxruntime {onnxruntime.__version__}, CPU",
        "side": SIDE, "every": EVERY, "shape": list(kept.shape), "values": [round(float(v), 6) for v in kept.ravel()],
    }) + "\n")
