"""Teach the networks that tell one angle of what a nearer look shows, from looks that are known.

    python -m tests.teach_tilt KIND CROPS [CROPS ...] --out FILE.onnx [--check CROPS]

Wants PyTorch and a GPU. CROPS are those of `tests.scenes.lessons`:

- edges: of "azimuth"; half the angle between a body's lower edge and its mirror image, for
  `vision.azimuth_tilt`;
- reflections: those around a reflection of "cantilever"; which way its axis runs, for
  `vision.rod_tilt`.

With them lie `slopes.json`. An angle is one in the copy that the network sees. It learns it
whatever body or rod it is, from edges, highlights, prints and all that is mirrored.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from tests.teach import (
    SHOWN,
    TASKS,
    Task,
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
from vision.rod_tilt import RUNS_DEG


def halves(matrix: Tensor, slopes: Tensor) -> Tensor:
    """Half the angle from the image to the edge in windows, degrees (N,)."""
    along = torch.deg2rad(slopes)
    runs = torch.stack([torch.cos(along), torch.sin(along)], 1)  # (N, xy, edge or image)
    seen = torch.linalg.solve(matrix, runs)
    angles = torch.rad2deg(torch.atan(seen[:, 1] / seen[:, 0]))
    return (angles[:, 0] - angles[:, 1]) / 2


def leans(matrix: Tensor, slopes: Tensor) -> Tensor:
    """How far an axis leans to the right from upright in windows, degrees (N,)."""
    away = torch.deg2rad(slopes[:, 0])
    seen = torch.linalg.solve(matrix, torch.stack([torch.sin(away), -torch.cos(away)], 1))
    return torch.rad2deg(torch.atan2(seen[:, 0], -seen[:, 1]))


@dataclass(frozen=True)
class Kind:
    """What a network sees and says: its angles, and how far off one that counts as right may be.

    ``angle`` gives the angles in windows (N,) from those in their crops.
    """

    task: Task
    angles: NDArray[np.float64]
    soft_deg: float
    angle: Callable[[Tensor, Tensor], Tensor]


KINDS = {
    "edges": Kind(TASKS["bodies-near"], HALVES_DEG, 0.2, halves),
    "reflections": Kind(TASKS["rods-around"], RUNS_DEG, 0.8, leans),
}


def load(folders: list[Path]) -> tuple[Tensor, Tensor, Tensor]:
    """All crops (N, 3, H, W) and masks (N, H, W), bytes; angles told of them (N, 1 or 2)."""
    paths, slopes = [], []
    for folder in folders:
        for name, slope in sorted(json.loads((folder / "slopes.json").read_text()).items()):
            paths.append(folder / f"{name}.webp")
            slopes.append(np.atleast_1d(slope))
    return (*load_crops(paths), torch.tensor(np.array(slopes), dtype=torch.float32))


def train(args: Any) -> None:
    """Train, print the misses on crops kept out, write the network."""
    kind = KINDS[args.kind]
    torch.manual_seed(args.seed)
    pictures, masks, slopes = (v.cuda() for v in load(args.crops))
    generator = torch.Generator("cuda").manual_seed(args.seed)
    net = Slopes(*kind.task.size, len(kind.angles)).cuda().to(memory_format=torch.channels_last)

    def some(pick: Tensor, generator: torch.Generator | None = generator) -> tuple[Tensor, Tensor]:
        matrix, at = moves(kind.task, len(pick), pictures.device, generator)
        x, kinds = seen_through(kind.task, pictures[pick], masks[pick], matrix, at)
        if generator is not None:
            x = repainted(x, kinds, generator)
        return x, kind.angle(matrix, slopes[pick])

    optimiser = begun(args, net, 0.05, lambda: some(torch.randperm(len(pictures))[:SHOWN])[0])
    final = learn(args, net, optimiser, (kind.angles, kind.soft_deg), len(pictures), some)
    for folder in args.check:
        pictures, masks, slopes = (v.cuda() for v in load([folder]))
        misses, spreads = [], []
        for pick in torch.arange(len(pictures)).cuda().split(64):
            with torch.no_grad():
                x, true = some(pick, None)
                said, spread = told(final(x), kind.angles)
            misses.append((said - true).abs())
            spreads.append(spread)
        miss, spread = torch.cat(misses).cpu(), torch.cat(spreads).cpu()
        print(f"{folder}: {len(miss)}, median {miss.median():.3f}, 0.9: {miss.quantile(0.9):.3f}")
        order = spread.argsort()
        for part in order.chunk(5):
            rms = float(miss[part].square().mean().sqrt())
            print(f"  told to {spread[part].mean():.2f}: RMS {rms:.2f}")
    write(final, kind.task.size, args.out, "angles")


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.teach_tilt")
    parser.add_argument("kind", choices=list(KINDS))
    add_options(parser, 9000)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
