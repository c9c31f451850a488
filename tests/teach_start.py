"""Weights of a network taught before -> a network to go on teaching.

A `.pt` file, as `tests.teach` leaves it, holds them as they were. An `.onnx` file, which is all
that `vision/` keeps, holds them with each normalisation folded into the convolution before it;
those are unfolded again so that the network says the same of the pictures shown. Wants PyTorch,
and for `.onnx` files the package `onnx`.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn


def go_on_from(path: Path, net: nn.Module, pictures: Tensor) -> None:
    """Give a network the weights of a file.

    Parameters
    ----------
    path : Path
        ``.pt`` or ``.onnx``.
    net : Module
        Made as the network of the file was.
    pictures : Tensor, shape (N, 3, H, W)
        As the network will see them, some hundred: of these the normalisations' means and
        deviations are taken.
    """
    if path.suffix != ".onnx":
        net.load_state_dict(torch.load(path, weights_only=True))
        return
    told = folded(path)
    parts = dict(net.named_modules())
    hooks = []
    for name, part in parts.items():
        if isinstance(part, nn.BatchNorm2d):
            whole, _, place = name.rpartition(".")
            bias = told[f"{whole}.{int(place) - 1}"][1]
            hooks.append(part.register_forward_pre_hook(partial(_unfold, bias)))
        elif name in told:
            weight, bias = told[name]
            part.weight.data.copy_(weight)
            if part.bias is not None:
                part.bias.data.copy_(bias)
    with torch.no_grad():
        net.eval()(pictures)
    for hook in hooks:
        hook.remove()


def folded(path: Path) -> dict[str, tuple[Tensor, Tensor]]:
    """Weight and bias of each layer in an `.onnx` file, by its name in the network."""
    import onnx

    graph = onnx.load(path).graph
    values = {v.name: torch.tensor(onnx.numpy_helper.to_array(v)) for v in graph.initializer}
    found = {}
    for node in graph.node:
        if node.op_type in ("Conv", "ConvTranspose", "Gemm"):
            name = node.name.strip("/").split("/")[-2]  # "/down.0/down.0.3/Conv": "down.0.3"
            found[name] = (values[node.input[1]], values[node.input[2]])
    return found


def _unfold(bias: Tensor, part: nn.BatchNorm2d, inputs: tuple[Any, ...]) -> None:
    """A normalisation that changes nothing but to add the bias, for what comes in."""
    x = inputs[0]
    mean, variance = x.mean((0, 2, 3)), x.var((0, 2, 3), unbiased=False)
    assert part.running_mean is not None and part.running_var is not None
    part.running_mean.copy_(mean)
    part.running_var.copy_(variance)
    part.weight.data.copy_(torch.sqrt(variance + part.eps))
    part.bias.data.copy_(mean + bias.to(mean.device))
