#!/usr/bin/env python3
"""Weights of guide.onnx as train_gauge.py starts from them: `python unpack.py models/guide.onnx start.npz` (needs onnx, numpy)."""
import sys

import numpy as np
import onnx
from onnx import numpy_helper

weights = {w.name: numpy_helper.to_array(w) for w in onnx.load(sys.argv[1]).graph.initializer}
names = [n[:-1] for n in weights if n.endswith("w") and n[:-1] + "b" in weights]
np.savez(sys.argv[2], **{f"L.{n}.{long}": weights[n + short].astype(np.float32)
                         for n in names for short, long in (("w", "weight"), ("b", "bias"))})
