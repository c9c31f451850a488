"""Teach the network of `vision.outline` from crops with known outlines (`tests.scenes.outlines`).

    python -m tests.outline_net CROPS [CROPS ...] --out FILE.onnx [--steps 6000] [--check CROPS]

Wants PyTorch and a GPU (minutes there). The network is a small U-Net (Ronneberger et al. 2015,
arXiv:1505.04597); scale, turn, shift, colours, light, blur and noise are changed at random at every
step, so that it learns shapes and not this renderer's looks.
"""

from __future__ import annotations

import argparse
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as functional
from PIL import Image
from torch import Tensor, nn

from tests.scenes.outlines import LEFT, UP
from vision.outline import ABOVE, AHEAD, HEIGHT, ROD_PX, WIDTH

CHANNELS = (16, 24, 40, 56, 72)
CLASSES = 3  # nothing, rod, stylus
CLASS_WEIGHT = (0.6, 0.8, 2.5)


def pair(inner: int, outer: int) -> nn.Sequential:
    """Two 3 x 3 convolutions, each normalised and rectified."""
    layers: list[nn.Module] = []
    for n in (inner, outer):
        layers += [nn.Conv2d(n, outer, 3, padding=1, bias=False), nn.BatchNorm2d(outer), nn.ReLU()]
    return nn.Sequential(*layers)


class UNet(nn.Module):
    """Input (N, 3, HEIGHT, WIDTH) in 0-1; output logits (N, CLASSES, HEIGHT, WIDTH)."""

    def __init__(self) -> None:
        super().__init__()
        c = CHANNELS
        self.down = nn.ModuleList([pair(a, b) for a, b in zip((3, *c), c, strict=False)])
        self.up = nn.ModuleList([nn.ConvTranspose2d(b, a, 2, 2) for a, b in pairwise(c)])
        self.join = nn.ModuleList([pair(2 * a, a) for a in c[:-1]])
        self.last = nn.Conv2d(c[0], CLASSES, 1)

    def forward(self, x: Tensor) -> Tensor:
        x = (x - 0.5) * 4
        seen = []
        for i, block in enumerate(self.down):
            x = block(functional.max_pool2d(x, 2) if i else x)
            seen.append(x)
        for i in reversed(range(len(self.up))):
            x = self.join[i](torch.cat([seen[i], self.up[i](x)], 1))
        return self.last(x)


def load(folders: list[Path]) -> tuple[Tensor, Tensor]:
    """All crops (N, 3, H, W) and masks (N, H, W), bytes."""
    pictures, masks = [], []
    for folder in folders:
        for path in sorted(folder.glob("*.webp")):
            pictures.append(np.asarray(Image.open(path).convert("RGB")).transpose(2, 0, 1))
            masks.append(np.asarray(Image.open(path.with_suffix(".png"))) // 100)
    return torch.from_numpy(np.stack(pictures)), torch.from_numpy(np.stack(masks))


def windows(
    pictures: Tensor, masks: Tensor, generator: torch.Generator | None
) -> tuple[Tensor, Tensor]:
    """Network-sized windows of crops, moved at random where a generator is given."""
    n, _, h, w = pictures.shape
    device = pictures.device

    def spread(low: float, high: float) -> Tensor:
        if generator is None:
            return torch.full((n,), (low + high) / 2, device=device)
        return low + (high - low) * torch.rand(n, generator=generator, device=device)

    scale, turn = torch.exp(spread(-0.5, 0.5)), torch.deg2rad(spread(-8, 8))
    dx, dy = ROD_PX * spread(-0.6, 0.6), ROD_PX * spread(-0.6, 0.6)
    stretch = torch.exp(spread(-0.06, 0.06))
    cos, sin = torch.cos(turn) / scale, torch.sin(turn) / scale
    x = torch.arange(WIDTH, device=device) - AHEAD * ROD_PX
    y = torch.arange(HEIGHT, device=device) - ABOVE * ROD_PX
    gy, gx = torch.meshgrid(y, x, indexing="ij")
    px = (cos[:, None, None] * gx - sin[:, None, None] * gy) * stretch[:, None, None]
    py = sin[:, None, None] * gx + cos[:, None, None] * gy
    px = px + (dx + LEFT * ROD_PX)[:, None, None]
    py = py + (dy + UP * ROD_PX)[:, None, None]
    grid = torch.stack([2 * (px + 0.5) / w - 1, 2 * (py + 0.5) / h - 1], -1)
    seen = functional.grid_sample(
        pictures.float() / 255, grid, padding_mode="border", align_corners=False
    )
    kinds = torch.stack([masks == k for k in range(CLASSES)], 1).float()
    kinds = functional.grid_sample(kinds, grid, padding_mode="zeros", align_corners=False)
    kinds[:, 0] = torch.clamp(1 - kinds[:, 1:].sum(1), 0, 1)
    return seen, kinds / kinds.sum(1, keepdim=True)


def repainted(x: Tensor, generator: torch.Generator) -> Tensor:
    """Other colours, light, blur and noise."""
    n, device = len(x), x.device

    def chance(p: float) -> Tensor:
        return (torch.rand(n, 1, 1, 1, generator=generator, device=device) < p).float()

    def spread(low: float, high: float, channels: int = 1) -> Tensor:
        r = torch.rand(n, channels, 1, 1, generator=generator, device=device)
        return low + (high - low) * r

    order = torch.rand(n, 3, generator=generator, device=device).argsort(1)
    mixed = torch.gather(x, 1, order[:, :, None, None].expand_as(x))
    x = torch.lerp(x, mixed, chance(0.4))
    grey = x.mean(1, keepdim=True).expand_as(x)
    x = torch.lerp(x, grey, chance(0.25) * spread(0.3, 1.0))
    field = torch.randn(n, 1, 4, 4, generator=generator, device=device)
    field = functional.interpolate(field, x.shape[2:], mode="bicubic", align_corners=True)
    x = x * torch.exp(0.25 * chance(0.6) * field)
    x = x.clamp(1e-4, 1) ** torch.exp(spread(-0.6, 0.6))
    x = x * spread(0.75, 1.25, 3) * spread(0.6, 1.25) + spread(-0.12, 0.12)
    soft = x
    for _ in range(3):
        soft = functional.avg_pool2d(functional.pad(soft, (1, 1, 1, 1), mode="replicate"), 3, 1)
    x = torch.lerp(x, soft, chance(0.5) * spread(-0.6, 1.0))  # sharpened where negative
    coarse = torch.randn(n, 3, HEIGHT // 2, WIDTH // 2, generator=generator, device=device)
    fine = torch.randn(x.shape, generator=generator, device=device)
    coarse = functional.interpolate(coarse, x.shape[2:], mode="bilinear", align_corners=False)
    x = x + chance(0.7) * (spread(0, 0.05) * fine + spread(0, 0.05) * coarse)
    return x.clamp(0, 1)


def loss_of(logits: Tensor, kinds: Tensor) -> Tensor:
    """Weighted cross entropy, and Dice's measure of the stylus' area."""
    weight = torch.tensor(CLASS_WEIGHT, device=logits.device)
    log = functional.log_softmax(logits, 1)
    cross = -(kinds * log * weight[:, None, None]).sum(1).mean()
    p, q = log.exp()[:, 2], kinds[:, 2]
    dice = 1 - (2 * (p * q).sum((1, 2)) + 20) / ((p + q).sum((1, 2)) + 20)
    return cross + 0.5 * dice.mean()


@torch.no_grad()
def overlap(net: nn.Module, pictures: Tensor, masks: Tensor) -> Tensor:
    """Intersection over union of the stylus, one a crop."""
    net.eval()
    shares = []
    for i in range(0, len(pictures), 64):
        x, kinds = windows(pictures[i : i + 64].cuda(), masks[i : i + 64].cuda(), None)
        said, true = net(x).argmax(1) == 2, kinds.argmax(1) == 2
        both = (said & true).sum((1, 2)).float()
        shares.append(both / (said | true).sum((1, 2)).clamp(min=1))
    return torch.cat(shares).cpu()


def train(args: Any) -> None:
    """Train, print the overlap on crops kept out, write the network."""
    torch.manual_seed(args.seed)
    pictures, masks = (v.cuda() for v in load(args.crops))
    generator = torch.Generator("cuda").manual_seed(args.seed)
    net = UNet().cuda().to(memory_format=torch.channels_last)
    optimiser = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=0.02)
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    for step in range(args.steps):
        rate = 2e-3 * min((step + 1) / 200, 0.5 * (1 + math.cos(math.pi * step / args.steps)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        net.train()
        pick = torch.randint(len(pictures), (args.batch,), generator=generator, device="cuda")
        x, kinds = windows(pictures[pick], masks[pick], generator)
        x = repainted(x, generator)
        with torch.autocast("cuda", torch.bfloat16):
            logits = net(x.to(memory_format=torch.channels_last))
        loss = loss_of(logits.float(), kinds)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        mean.update_parameters(net)
        if step % 500 == 499:
            print(f"step {step + 1}: loss {float(loss):.4f}", flush=True)
    final = mean.module.to(memory_format=torch.contiguous_format).eval()
    for folder in args.check:
        shares = overlap(final, *load([folder]))
        tenth = torch.quantile(shares, 0.1)
        print(f"{folder.name}: overlap median {shares.median():.3f}, tenth {tenth:.3f}")
    example = torch.zeros(1, 3, HEIGHT, WIDTH)
    torch.onnx.export(
        final.cpu(), (example,), args.out, opset_version=13, dynamo=False,
        input_names=["picture"], output_names=["kinds"],
    )  # fmt: skip


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.outline_net")
    parser.add_argument("crops", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--check", type=Path, nargs="*", default=[])
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--seed", type=int, default=1)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
