"""Teach the networks of `vision.azimuth_tilt` from nearer looks at bodies whose edges are known.

    python -m tests.teach_tilt CROPS [CROPS ...] --out FILE.onnx [--check CROPS]

CROPS are those of `tests.scenes.lessons azimuth`, with `slopes.json` beside them. Wants PyTorch and
a GPU. What is told is half the angle between a body's lower edge and its mirror image, in the copy
that the network sees. It learns it whatever body it is, from edges, highlights, prints and all that
is mirrored.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from tests.teach import (
    SHOWN,
    TASKS,
    add_options,
    begun,
    load_crops,
    moves,
    repainted,
    seen_through,
    write,
)
from tests.teach_slope import Slopes, learn, told
from vision.azimuth_tilt import HALVES_DEG

TASK = TASKS["bodies-near"]
SOFT_DEG = 0.2  # of what counts as the right half


def halves(matrix: Tensor, slopes: Tensor) -> Tensor:
    """Half the angle from the image to the edge in windows, degrees (N,)."""
    along = torch.deg2rad(slopes)
    runs = torch.stack([torch.cos(along), torch.sin(along)], 1)  # (N, xy, edge or image)
    seen = torch.linalg.solve(matrix, runs)
    angles = torch.rad2deg(torch.atan(seen[:, 1] / seen[:, 0]))
    return (angles[:, 0] - angles[:, 1]) / 2


def load(folders: list[Path]) -> tuple[Tensor, Tensor, Tensor]:
    """All crops (N, 3, H, W) and masks (N, H, W), bytes; both angles told of them (N, 2)."""
    paths, slopes = [], []
    for folder in folders:
        for name, slope in sorted(json.loads((folder / "slopes.json").read_text()).items()):
            paths.append(folder / f"{name}.webp")
            slopes.append(slope)
    return (*load_crops(paths), torch.tensor(np.array(slopes), dtype=torch.float32))


def train(args: Any) -> None:
    """Train, print the misses on crops kept out, write the network."""
    torch.manual_seed(args.seed)
    pictures, masks, slopes = (v.cuda() for v in load(args.crops))
    generator = torch.Generator("cuda").manual_seed(args.seed)
    net = Slopes(*TASK.size, len(HALVES_DEG)).cuda().to(memory_format=torch.channels_last)

    def some(pick: Tensor, generator: torch.Generator | None = generator) -> tuple[Tensor, Tensor]:
        matrix, at = moves(TASK, len(pick), pictures.device, generator)
        x, kinds = seen_through(TASK, pictures[pick], masks[pick], matrix, at)
        if generator is not None:
            x = repainted(x, kinds, generator)
        return x, halves(matrix, slopes[pick])

    optimiser = begun(args, net, 0.05, lambda: some(torch.randperm(len(pictures))[:SHOWN])[0])
    final = learn(args, net, optimiser, (HALVES_DEG, SOFT_DEG), len(pictures), some)
    for folder in args.check:
        pictures, masks, slopes = (v.cuda() for v in load([folder]))
        misses, spreads = [], []
        for pick in torch.arange(len(pictures)).cuda().split(64):
            with torch.no_grad():
                x, true = some(pick, None)
                said, spread = told(final(x), HALVES_DEG)
            misses.append((said - true).abs())
            spreads.append(spread)
        miss, spread = torch.cat(misses).cpu(), torch.cat(spreads).cpu()
        print(f"{folder}: {len(miss)}, median {miss.median():.3f}, 0.9: {miss.quantile(0.9):.3f}")
        order = spread.argsort()
        for part in order.chunk(5):
            rms = float(miss[part].square().mean().sqrt())
            print(f"  told to {spread[part].mean():.2f}: RMS {rms:.2f}")
    write(final, TASK.size, args.out, "angles")


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.teach_tilt")
    add_options(parser, 9000)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
