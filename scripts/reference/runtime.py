#!/usr/bin/env python3
"""Writes tests/reference/runtime.json: convolutions of many shapes, each a small ONNX file, and what onnxruntime (PyPI) answers.

    python3 scripts/reference/runtime.py      (numpy, onnx, onnxruntime)
"""
import base64
import json
import pathlib

import numpy as np
import onnx
import onnxruntime
from onnx import TensorProto, helper, numpy_helper

ROOT = pathlib.Path(__file__).resolve().parents[2]
rng = np.random.default_rng(11)
cases = []
for k in range(60):
    groups = int(rng.choice([1, 1, 1, 2]))
    planes_in, planes_out = groups * int(rng.integers(1, 6)), groups * int(rng.integers(1, 9))
    kernel = [int(v) for v in rng.integers(1, 6, 2)]
    strides, dilations = [int(v) for v in rng.choice([1, 1, 1, 2, 3], 2)], [int(v) for v in rng.choice([1, 1, 2], 2)]
    pads = [int(v) for v in rng.integers(0, 4, 4)]
    if k % 3 == 0:  # as wide and high out as in: the case of the networks
        kernel, strides, dilations, pads = [3, 3], [1, 1], [1, 1], [1, 1, 1, 1]
    pictures = 1
    if 40 <= k:  # many channels, several pictures: as in the networks of strips; every fourth channel by channel
        pictures, groups = int(rng.integers(1, 4)), 1
        planes_in, planes_out, kernel, strides, dilations, pads = int(rng.integers(16, 25)), int(rng.integers(16, 25)), [3, 3], [1, 1], [1, 1], [1, 1, 1, 1]
        if k % 4 == 0:
            groups = planes_out = planes_in
        if k % 4 == 1:
            strides = [2, 2]
    height, width = (int(rng.integers(kernel[i] * dilations[i] + 1, (24, 75)[i])) for i in (0, 1))
    # few digits, so that the file stays small
    weights, bias = (np.round(rng.normal(size=s) * 8).astype(np.float32) / 8 for s in ((planes_out, planes_in // groups, *kernel), planes_out))
    y, x = np.mgrid[0:height, 0:width]
    grey = np.stack([((x * 7 + y * 13 + 5 * c) % 17 - 8) / 8 for c in range(planes_in)])[None].repeat(pictures, axis=0).astype(np.float32)
    node = helper.make_node("Conv", ["x", "w", "b"], ["y"], strides=strides, dilations=dilations, pads=pads, group=groups, kernel_shape=kernel)
    graph = helper.make_graph([node], "g", [helper.make_tensor_value_info("x", TensorProto.FLOAT, list(grey.shape))],
                              [helper.make_tensor_value_info("y", TensorProto.FLOAT, None)], [numpy_helper.from_array(weights, "w"), numpy_helper.from_array(bias, "b")])
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8).SerializeToString()
    answer = onnxruntime.InferenceSession(model, providers=["CPUExecutionProvider"]).run(None, {"x": grey})[0]
    places = rng.choice(answer.size, min(60, answer.size), replace=False)
    cases.append({"model": base64.b64encode(model).decode(), "input": list(grey.shape), "output": list(answer.shape),
                  "places": [int(p) for p in places], "values": [round(float(v), 5) for v in answer.ravel()[places]]})
text = json.dumps({"source": f"onnxruntime {onnxruntime.__version__}, CPU", "cases": cases}).replace('{"model"', '\n{"model"')
(ROOT / "tests/reference/runtime.json").write_text(text + "\n")
