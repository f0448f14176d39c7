"""Weights of the networks: made, read from files, given normalisations again, deepened, folded, exported as ONNX in 8 bits."""
import json
import os

import numpy as np
import onnx
import torch
from onnx import helper, numpy_helper
from torch import nn

from network import CHANNELS, UNIT, Block, Detector, Quick


def normalised(net):
    """Names and modules of every convolution followed by a normalisation."""
    return [(n, m) for n, m in net.named_modules() if isinstance(m, nn.Sequential) and len(m) == 2 and isinstance(m[1], nn.BatchNorm2d)]


def initializers(path):
    """The numbers in an exported file by name, those stored in 8 bits as numbers again."""
    state = {i.name: torch.tensor(numpy_helper.to_array(i)) for i in onnx.load(path).graph.initializer}
    for name in [n for n in state if n.endswith("_8")]:
        eight, scale = state.pop(name), state.pop(name[:-2] + "_scale")
        state[name[:-2]] = eight.float() * scale.view([-1] + [1] * (eight.dim() - 1))
    return state


def blocks_in(state):
    """How many blocks a saved detector has at an eighth and a sixteenth of the size."""
    return tuple(1 + max(int(n.split(".")[1]) for n in state if n.startswith(f"block{k}.")) for k in (8, 16))


def planes_in(state):
    """How many planes a saved detector has at a half, quarter, eighth and sixteenth of the size."""
    return tuple(len(state[f"{n}.0.weight"]) for n in ("stem", "down4", "down8", "down16"))


def start(path, quick=False, planes=None):
    """A new network, or one of saved weights (.pt) or of an exported file (.onnx; fit to be shown pictures as it is, to be
    trained on after `thaw`). `planes` makes a detector wider than the exported file, which answers the same at first."""
    if not path:
        return Quick() if quick else Detector(**({"planes": planes} if planes else {}))
    exported = path.endswith(".onnx")
    state = initializers(path) if exported else torch.load(path, map_location="cpu")
    net = Detector(planes or planes_in(state), blocks_in(state)) if any(n.startswith("stem.0") for n in state) else Quick()
    if not exported:
        net.load_state_dict(state)
        return net
    fill(net, state)
    return net


def fill(net, state):
    """Puts the numbers of an exported file, whose normalisations are folded, into a network; what is larger in the network than in
    the file keeps its new part, small, and takes nothing new into the old part."""
    folded = dict(normalised(net))
    for name, module in folded.items():
        if f"{name}.0.weight" in state:
            old = state[f"{name}.0.weight"]
            rows, columns = old.shape[:2]
            module[0].weight.data[:rows] = 0
            module[0].weight.data[:rows, :columns] = old
            module[1].bias.data[:rows] = state[f"{name}.0.bias"]
            module[1].old = rows
    inside = {f"{n}.{k}" for n in folded for k in (0, 1)}
    for name, module in net.named_modules():
        if name in inside or not isinstance(module, (nn.Conv2d, nn.Linear)) or f"{name}.weight" not in state:
            continue
        weight, bias = state[f"{name}.weight"], state[f"{name}.bias"]
        with torch.no_grad():
            rows, columns = len(weight), weight.shape[1]
            module.weight[:rows] = 0
            module.weight[rows:] *= 0.3
            module.weight[:rows, :columns] = weight
            module.bias[rows:] = 0
            module.bias[:rows] = bias


def deepen(net, blocks):
    """Appends so many residual blocks at an eighth and a sixteenth of the size that change nothing yet."""
    for stack, more in zip((net.block8, net.block16), blocks):
        for _ in range(more):
            stack.append(silent(Block(stack[0].a[0].out_channels)))
    return net


def silent(block):
    """A residual block that changes nothing until it is trained."""
    nn.init.zeros_(block.b[1].weight)
    for module in block.modules():
        module.new = True
    return block


def thaw(net, image):
    """Gives a network from an exported file normalisations that do on these pictures what the folded ones did.

    Goes through the network once: each normalisation takes mean and deviation of what reaches it as its own; those of
    blocks and planes that are new keep their gain."""
    def take(module, inputs):
        mean, variance = inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3), unbiased=False)
        module.running_mean.copy_(mean)
        module.running_var.copy_(variance)
        if not getattr(module, "new", False):
            old = getattr(module, "old", len(mean))
            module.weight.data[:old] = torch.sqrt(variance + module.eps)[:old]
            module.bias.data[:old] += mean[:old]
    hooks = [m.register_forward_pre_hook(take) for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    with torch.no_grad():
        net.eval()(image)
    for hook in hooks:
        hook.remove()
    return net.train()


def fold(net):
    """The same network with every batch normalisation folded into its convolution."""
    for _, module in normalised(net):
        module[0] = torch.nn.utils.fusion.fuse_conv_bn_eval(module[0], module[1])
        module[1] = nn.Identity()
    return net


def export(weights, path):
    net = fold(start(weights).eval())
    sample = torch.zeros(1, 1, 256, 256)
    torch.onnx.export(net, sample, path, input_names=["grey"], output_names=["maps"], opset_version=17, dynamo=False,
                      dynamic_axes={"grey": {2: "h", 3: "w"}, "maps": {2: "h2", 3: "w2"}})
    in_eight_bits(path)
    print(f"{path}: {os.path.getsize(path)} bytes, channels {json.dumps(CHANNELS)}, unit {UNIT}", flush=True)


def in_eight_bits(path):
    """Stores large weights in 8 bits, with one scale an output plane; they are numbers again when loaded."""
    model = onnx.load(path)
    kept, restore = [], []
    for item in model.graph.initializer:
        weights = numpy_helper.to_array(item)
        if weights.ndim not in (2, 4) or (weights.ndim == 2 and weights.size < 4096):
            kept.append(item)
            continue
        rows = weights.reshape(len(weights), -1)
        scale = np.abs(rows).max(1).clip(1e-12) / 127
        eight = np.round(rows / scale[:, None]).astype(np.int8).reshape(weights.shape)
        kept += [numpy_helper.from_array(eight, item.name + "_8"), numpy_helper.from_array(scale.astype(np.float32), item.name + "_scale")]
        restore.append(helper.make_node("DequantizeLinear", [item.name + "_8", item.name + "_scale"], [item.name], axis=0))
    nodes = restore + list(model.graph.node)
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def end_of(until):
    """Clock time at which to stop."""
    if os.path.exists(until):
        with open(until, encoding="utf-8") as handle:
            return float(handle.read())
    return float(until)
