"""Teach the network of `vision.azimuth_tilt` from nearer looks at edges whose slopes are known.

    python -m tests.teach_tilt CROPS [CROPS ...] --out FILE.onnx [--check CROPS]

CROPS are those of `tests.scenes.lessons azimuth`, with `slopes.json` beside them. Wants PyTorch and
a GPU. It learns half the angle between a body's lower edge and its mirror image, in the copy that
it sees, whatever the body: from edges, sides, prints and all that is mirrored.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from tests import teach
from tests.teach import SHOWN, TASKS, add_options, begun, moves, repainted, seen_through, write
from tests.teach_slope import Slopes, learn, told
from vision.azimuth_near import HEIGHT, WIDTH
from vision.azimuth_tilt import HALVES_DEG

TASK = TASKS["bodies-near"]
SOFT_DEG = 0.2  # of what counts as the right half


def load(folders: list[Path]) -> tuple[Tensor, Tensor, Tensor]:
    """All crops (N, 3, H, W) and masks (N, H, W), bytes; slopes of edge and image (N, 2)."""
    slopes = []
    for folder in folders:
        known = json.loads((folder / "slopes.json").read_text())
        slopes += [known[path.stem] for path in sorted(folder.glob("*.webp"))]
    return (*teach.load(folders), torch.tensor(slopes, dtype=torch.float32))


def halves(matrix: Tensor, slopes: Tensor) -> Tensor:
    """Half the angle from the image to the edge in windows, degrees (N,)."""
    along = torch.deg2rad(slopes)
    runs = torch.stack([torch.cos(along), torch.sin(along)], 1)  # (N, xy, edge or image)
    seen = torch.linalg.solve(matrix, runs)
    angles = torch.rad2deg(torch.atan(seen[:, 1] / seen[:, 0]))
    return (angles[:, 0] - angles[:, 1]) / 2


def train(args: Any) -> None:
    """Train, print the misses on crops kept out, write the network."""
    torch.manual_seed(args.seed)
    pictures, masks, slopes = (v.cuda() for v in load(args.crops))
    generator = torch.Generator("cuda").manual_seed(args.seed)
    net = Slopes(WIDTH, HEIGHT, len(HALVES_DEG)).cuda().to(memory_format=torch.channels_last)

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
    write(final, (WIDTH, HEIGHT), args.out, "halves")


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.teach_tilt")
    add_options(parser, 9000)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
