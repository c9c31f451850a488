"""Teach a network of `vision.surface_slope` from crops whose surface's slope is known.

    python -m tests.teach_slope CROPS [CROPS ...] --out FILE.onnx [--check CROPS]

CROPS are wide crops of `tests.scenes.outlines`, or wide or far ones of `tests.scenes.lessons
rake-wide`, with `slopes.json` beside them. Wants PyTorch and a GPU. The crops are turned at random,
so that a few scenes show every slope.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor, nn
from torch.nn import functional

from tests.scenes.outlines import WIDE_END
from tests.teach import SHOWN, add_options, averaged, begun, pair, repainted, steps_of, write
from vision.surface_slope import END_AT, HEIGHT, SLOPES_DEG, WIDTH

SOFT_DEG = 0.35  # of what counts as the right slope
NOWHERE = 1e-6  # of all angles alike, where the right one is none of them
CHANNELS = (16, 24, 40, 56, 72, 96)


class Slopes(nn.Module):
    """Input (N, 3, height, width) in 0-1; output logits (N, slopes)."""

    def __init__(
        self, width: int = WIDTH, height: int = HEIGHT, slopes: int = len(SLOPES_DEG)
    ) -> None:
        super().__init__()
        steps = zip((3, *CHANNELS), CHANNELS, strict=False)
        self.down = nn.ModuleList([pair(a, b) for a, b in steps])
        self.thin = nn.Conv2d(CHANNELS[-1], 24, 1)
        size = 24 * (height // 32) * (width // 32)
        self.last = nn.Sequential(
            nn.Dropout(0.2), nn.Linear(size, 128), nn.ReLU(), nn.Linear(128, slopes)
        )

    def forward(self, x: Tensor) -> Tensor:
        x = (x - 0.5) * 4
        for i, block in enumerate(self.down):
            x = block(functional.max_pool2d(x, 2) if i else x)
        return self.last(functional.relu(self.thin(x)).flatten(1))


def load(folders: list[Path]) -> tuple[Tensor, Tensor]:
    """All crops (N, 3, H, W), bytes, and their slopes (N,), degrees."""
    pictures, slopes = [], []
    for folder in folders:
        for name, slope in sorted(json.loads((folder / "slopes.json").read_text()).items()):
            path = folder / f"{name}.webp"
            pictures.append(np.asarray(Image.open(path).convert("RGB")).transpose(2, 0, 1))
            slopes.append(slope)
    return torch.from_numpy(np.stack(pictures)), torch.tensor(slopes, dtype=torch.float32)


def windows(
    pictures: Tensor, slopes: Tensor, generator: torch.Generator | None
) -> tuple[Tensor, Tensor]:
    """Network-sized windows of crops, moved at random where a generator is given; the slopes."""
    n, _, h, w = pictures.shape
    device = pictures.device

    def spread(most: float) -> Tensor:
        if generator is None:
            return torch.zeros(n, device=device)
        return most * (2 * torch.rand(n, generator=generator, device=device) - 1)

    scale, stretch = torch.exp(spread(0.3)), torch.exp(spread(0.06))
    turn = torch.deg2rad(spread(7.0))
    cos, sin = torch.cos(turn) / scale, torch.sin(turn) / scale
    a, b, c, d = cos * stretch, -sin * stretch, sin, cos  # crop = (a b; c d) window
    x = torch.arange(WIDTH, device=device) - END_AT[0]
    y = torch.arange(HEIGHT, device=device) - END_AT[1]
    gy, gx = torch.meshgrid(y, x, indexing="ij")
    gx, gy = gx[None].float(), gy[None].float()
    px = a[:, None, None] * gx + b[:, None, None] * gy + (spread(26.0) + WIDE_END[0])[:, None, None]
    py = c[:, None, None] * gx + d[:, None, None] * gy + (spread(26.0) + WIDE_END[1])[:, None, None]
    grid = torch.stack([2 * (px + 0.5) / w - 1, 2 * (py + 0.5) / h - 1], -1)
    seen = functional.grid_sample(
        pictures.float() / 255, grid, padding_mode="border", align_corners=False
    )
    along = torch.deg2rad(slopes)
    u, v = torch.cos(along), torch.sin(along)
    return seen, torch.rad2deg(torch.atan2(a * v - c * u, d * u - b * v))


def told(logits: Tensor, angles: NDArray[np.float64] = SLOPES_DEG) -> tuple[Tensor, Tensor]:
    """Mean and standard deviation of the angles, degrees."""
    at = torch.tensor(angles, dtype=torch.float32, device=logits.device)
    share = logits.softmax(1)
    mean = share @ at
    return mean, torch.sqrt((share * (at - mean[:, None]) ** 2).sum(1))


def train(args: Any) -> None:
    """Train, print the misses on crops kept out, write the network."""
    torch.manual_seed(args.seed)
    pictures, slopes = (v.cuda() for v in load(args.crops))
    generator = torch.Generator("cuda").manual_seed(args.seed)
    net = Slopes().cuda().to(memory_format=torch.channels_last)

    def shown() -> Tensor:
        some = torch.randperm(len(pictures))[:SHOWN]
        return windows(pictures[some], slopes[some], generator)[0]

    def some(pick: Tensor) -> tuple[Tensor, Tensor]:
        x, true = windows(pictures[pick], slopes[pick], generator)
        nothing = torch.zeros(len(x), 1, *x.shape[2:], device=x.device)
        return repainted(x, nothing, generator), true

    optimiser = begun(args, net, 0.05, shown)
    final = learn(args, net, optimiser, (SLOPES_DEG, SOFT_DEG), len(pictures), some)
    for folder in args.check:
        with torch.no_grad():
            x, true = windows(*(v.cuda() for v in load([folder])), None)
            said, sd = told(final(x))
        miss = (said - true).abs().cpu()
        for low, high in ((0, 0.45), (0.45, 0.6), (0.6, 0.9), (0.9, 1.5), (1.5, 9)):
            group = miss[((sd >= low) & (sd < high)).cpu()]
            if len(group):
                rms = float(group.square().mean().sqrt())
                print(f"{folder}: told to {low}-{high}: {len(group)}, RMS {rms:.2f}")
    write(final, (WIDTH, HEIGHT), args.out, "slopes")


def learn(
    args: Any,
    net: nn.Module,
    optimiser: Any,
    told: tuple[NDArray[np.float64], float],
    count: int,
    some: Callable[[Tensor], tuple[Tensor, Tensor]],
) -> nn.Module:
    """A network taught which share each of some angles has.

    ``told`` are the angles, degrees, and how far off one that counts as right may be; ``some``
    gives pictures, as they are shown, and their angles, by their numbers of ``count``.
    """
    angles, soft = told
    mean = averaged(net)
    device = next(net.parameters()).device
    generator = torch.Generator(device).manual_seed(args.seed + 1)
    at = torch.tensor(angles, dtype=torch.float32, device=device)
    for step in steps_of(args, optimiser):
        net.train()
        x, true = some(torch.randint(count, (args.batch,), generator=generator, device=device))
        wanted = torch.exp(-0.5 * ((at - true[:, None]) / soft) ** 2) + NOWHERE
        wanted = wanted / wanted.sum(1, keepdim=True)
        with torch.autocast("cuda", torch.bfloat16):
            logits = net(x.to(memory_format=torch.channels_last))
        loss = -(wanted * logits.float().log_softmax(1)).sum(1).mean()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        mean.update_parameters(net)
        if step % 500 == 0:
            print(f"step {step}: loss {float(loss):.4f}", flush=True)
    return mean.module.to(memory_format=torch.contiguous_format).eval()


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.teach_slope")
    add_options(parser, 9000)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
