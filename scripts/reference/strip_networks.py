#!/usr/bin/env python3
"""Writes tests/reference/regression.json, segmentation.json and those of the forms: what onnxruntime (PyPI) answers for the bundled strip
networks on two fixed strips.

    python3 scripts/reference/strip_networks.py      (numpy, onnxruntime; run again whenever one of these networks in models/ changes)
"""
import json
import pathlib

import numpy as np
import onnxruntime

ROOT = pathlib.Path(__file__).resolve().parents[2]
ROWS, COLUMNS = 80, 48

n, c, i, j = np.mgrid[0:2, 0:3, 0:ROWS, 0:COLUMNS]
strip = ((i * 7 + j * 13 + c * 5 + n * 3) % 17 - 8) / 32 + ((np.abs(2 * j - 47) < 12 + n) & (i < 57)) * 2.0 - 0.5
for name, every in (("regression", 1), ("segmentation", 7), ("forms_regression", 1), ("forms_segmentation", 7)):
    session = onnxruntime.InferenceSession(str(ROOT / f"models/{name}.onnx"), providers=["CPUExecutionProvider"])
    answer = session.run(None, {"strip": strip.astype(np.float32)})[0]
    (ROOT / f"tests/reference/{name}.json").write_text(json.dumps({
        "source": f"onnxruntime {onnxruntime.__version__}, CPU", "shape": list(answer.shape), "every": every,
        "values": [round(float(v), 6) for v in answer.ravel()[::every]],
    }) + "\n")
