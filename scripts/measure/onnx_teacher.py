"""A network from an ONNX file as a function on the training device, for learning from its answers.

Knows the operations that the networks over strips are made of, and says so when it meets another. (onnx2torch 1.5 does
not know DequantizeLinear, in which their weights are stored.)
"""
import onnx
import torch
from onnx import numpy_helper
from torch.nn import functional as F


class Teacher:
    """Answers as the file does: a list of its outputs."""

    def __init__(self, path, device):
        graph = onnx.load(path).graph
        self.nodes = [(n.op_type, list(n.input), list(n.output), {a.name: onnx.helper.get_attribute_value(a) for a in n.attribute}) for n in graph.node]
        self.values = {i.name: torch.from_numpy(numpy_helper.to_array(i).copy()).to(device) for i in graph.initializer}
        self.input, self.outputs = graph.input[0].name, [o.name for o in graph.output]

    def __call__(self, x):
        have = dict(self.values)
        have[self.input] = x
        for kind, names, outs, how in self.nodes:
            have[outs[0]] = apply(kind, [have[n] for n in names if n], how)
        return [have[o] for o in self.outputs]

    def eval(self):
        """As a module has it."""
        return self

    def train(self):
        """As a module has it."""
        return self


def apply(kind, v, how):
    """One operation."""
    simple = {"Relu": torch.relu, "Add": torch.add, "Mul": torch.mul}
    if kind in simple:
        return simple[kind](*v)
    if kind == "Constant":
        return torch.from_numpy(numpy_helper.to_array(how["value"]).copy())
    if kind == "DequantizeLinear":
        return v[0].float() * v[1].view([-1] + [1] * (v[0].dim() - 1))
    if kind == "Conv":
        return F.conv2d(v[0], v[1], v[2] if len(v) > 2 else None, how.get("strides", [1, 1]), how.get("pads", [0] * 4)[:2], groups=how.get("group", 1))
    if kind == "MaxPool":
        return F.max_pool2d(v[0], how["kernel_shape"], how["strides"])
    if kind == "AveragePool":
        return F.avg_pool2d(v[0], how["kernel_shape"], how["strides"])
    if kind == "Resize":
        rows, columns = (int(f) for f in v[-1][2:])
        return v[0].repeat_interleave(rows, 2).repeat_interleave(columns, 3)
    if kind == "Concat":
        return torch.cat(v, how["axis"])
    if kind == "Flatten":
        return torch.flatten(v[0], 1)
    if kind == "Gemm":
        return F.linear(v[0], v[1], v[2])
    if kind == "DepthToSpace":
        return F.pixel_shuffle(v[0], how["blocksize"])
    raise ValueError(f"{kind}: not known to this teacher")
