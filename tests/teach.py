"""Teach the networks of `vision` from crops whose every pixel is known.

    python -m tests.teach TASK CROPS [CROPS ...] --out FILE.onnx [--steps 6000] [--check CROPS]
                          [--start FILE.onnx --rate 0.001]

Wants PyTorch and a GPU (minutes there). Each network is a small U-Net (Ronneberger et al. 2015,
arXiv:1505.04597) that says what each pixel shows. Scale, turn, shift, colours (of each kind of
thing by itself too), light, blur and noise are changed at random at every step, so that it learns
shapes and not this renderer's looks. Beside FILE.onnx goes FILE.pt; either is one to go on from
with other crops.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as functional
from numpy.typing import NDArray
from PIL import Image
from torch import Tensor, nn

from tests.scenes import lessons
from tests.scenes.outlines import NEAR_TIP, STEP, WIDE_END
from tests.teach_start import go_on_from
from vision import azimuth_near, outline, print_seen, rod_around, rod_near

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Task:
    """What a network sees and says.

    `size` is the picture (width, height) it is taught with, `anchor` the point of it (x, y) on
    which `crop_anchor` of a crop comes to lie; `whole` is what it sees in the end, where that is
    larger; `weight` has one value for each kind; of the `solid` kinds the overlap counts too;
    `shift` (and down, where it is another, `drop`) is in pixels.
    """

    size: tuple[int, int]
    anchor: tuple[float, float]
    crop_anchor: tuple[float, float]
    weight: tuple[float, ...]
    solid: tuple[int, ...]
    channels: tuple[int, ...] = (16, 24, 40, 56, 72)
    scale: float = 0.5
    turn_deg: float = 8.0
    shift: float = 26.0
    drop: float | None = None
    stretch: float = 0.06
    flips: bool = False
    whole: tuple[int, int] | None = None


SHOWN = 256  # pictures shown to a network that goes on
WIDER = (24, 36, 56, 80, 104)  # channels of networks for small pictures
TASKS = {
    "outline": Task(
        (outline.WIDTH, outline.HEIGHT), outline.END_AT, WIDE_END, (0.6, 0.8, 2.5), (2,)
    ),
    "near": Task(
        (outline.NEAR_WIDTH, outline.NEAR_HEIGHT), outline.TIP_AT, NEAR_TIP, (0.8, 0.8, 1.5), (2,),
        channels=WIDER, scale=0.3, turn_deg=5.0, shift=9.0,
    ),
    "rods": Task(
        (448, 336), (224, 168), (224, 168), (0.4, 2.0, 2.0, 0.4, 0.5, 1.5), (1, 2, 5),
        scale=0.3, shift=40.0, flips=True,
    ),
    "print": Task(
        (640, 480), (320, 240), (print_seen.WIDTH / 2, print_seen.HEIGHT / 2),
        (0.4, 0.5, 0.5, 0.3, 0.3, 1.5, 1.5), (5, 6),
        channels=(8, 20, 36, 56, 80, 104), scale=0.25, shift=140.0, drop=105.0, flips=True,
        whole=(print_seen.WIDTH, print_seen.HEIGHT),
    ),
    "rods-near": Task(
        (rod_near.WIDTH, rod_near.HEIGHT), (64, 96), (102, 146),
        (0.4, 1.0, 2.0, 0.4, 0.5, 0.5), (1, 2),
        channels=WIDER, scale=0.3, shift=18.0, stretch=0.2, flips=True,
    ),
    "rods-around": Task(
        (rod_around.WIDTH, rod_around.HEIGHT), (rod_around.WIDTH / 2, rod_around.HEIGHT / 2),
        (lessons.AROUND_SIZE[0] / 2, lessons.AROUND_SIZE[1] / 2),
        (0.4, 0.7, 2.0, 0.4, 0.5, 0.5), (1, 2),
        channels=WIDER, scale=0.3, turn_deg=35.0, shift=30.0, drop=60.0, stretch=0.1, flips=True,
    ),
    "bodies-near": Task(
        (azimuth_near.WIDTH, azimuth_near.HEIGHT), (144, 144), (198, 190),
        (0.6, 1.0, 1.0, 0.6, 0.6, 1.0), (1, 2, 5),
        scale=0.2, turn_deg=4.0, shift=18.0, stretch=0.2, flips=True,
    ),
    "bodies": Task(
        (448, 336), (224, 168), (224, 168), (0.6, 1.0, 1.0, 0.6, 0.6, 1.0), (1, 2, 5),
        scale=0.3, shift=40.0, flips=True,
    ),
}  # fmt: skip


def pair(inner: int, outer: int) -> nn.Sequential:
    """Two 3 x 3 convolutions, each normalised and rectified."""
    layers: list[nn.Module] = []
    for n in (inner, outer):
        layers += [nn.Conv2d(n, outer, 3, padding=1, bias=False), nn.BatchNorm2d(outer), nn.ReLU()]
    return nn.Sequential(*layers)


class UNet(nn.Module):
    """Input (N, 3, H, W) in 0-1; output logits (N, kinds, H, W)."""

    def __init__(self, channels: tuple[int, ...], kinds: int) -> None:
        super().__init__()
        c = channels
        self.down = nn.ModuleList([pair(a, b) for a, b in zip((3, *c), c, strict=False)])
        self.up = nn.ModuleList([nn.ConvTranspose2d(b, a, 2, 2) for a, b in pairwise(c)])
        self.join = nn.ModuleList([pair(2 * a, a) for a in c[:-1]])
        self.last = nn.Conv2d(c[0], kinds, 1)

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
    return load_crops([path for folder in folders for path in sorted(folder.glob("*.webp"))])


def load_crops(paths: list[Path]) -> tuple[Tensor, Tensor]:
    """Some crops (N, 3, H, W) and their masks (N, H, W), bytes."""

    def one(path: Path) -> tuple[Bytes, Bytes]:
        picture = np.asarray(Image.open(path).convert("RGB")).transpose(2, 0, 1)
        return picture, np.asarray(Image.open(path.with_suffix(".png"))) // STEP

    with ThreadPoolExecutor() as pool:
        pictures, masks = zip(*pool.map(one, paths), strict=True)
    return torch.from_numpy(np.stack(pictures)), torch.from_numpy(np.stack(masks))


def windows(
    task: Task, pictures: Tensor, masks: Tensor, generator: torch.Generator | None
) -> tuple[Tensor, Tensor]:
    """Network-sized windows of crops, moved at random where a generator is given."""
    matrix, at = moves(task, len(pictures), pictures.device, generator)
    return seen_through(task, pictures, masks, matrix, at)


def moves(
    task: Task, n: int, device: torch.device, generator: torch.Generator | None
) -> tuple[Tensor, Tensor]:
    """Where windows lie: ``crop = matrix @ (window - anchor) + at``; (n, 2, 2) and (n, 2)."""

    def spread(low: float, high: float) -> Tensor:
        if generator is None:
            return torch.full((n,), (low + high) / 2, device=device)
        return low + (high - low) * torch.rand(n, generator=generator, device=device)

    scale = torch.exp(spread(-task.scale, task.scale))
    turn = torch.deg2rad(spread(-task.turn_deg, task.turn_deg))
    drop = task.shift if task.drop is None else task.drop
    dx, dy = spread(-task.shift, task.shift), spread(-drop, drop)
    stretch = torch.exp(spread(-task.stretch, task.stretch))
    if task.flips and generator is not None:
        stretch = stretch * torch.where(spread(-1, 1) < 0, -1.0, 1.0)
    cos, sin = torch.cos(turn) / scale, torch.sin(turn) / scale
    matrix = torch.stack([cos * stretch, -sin * stretch, sin, cos], 1).reshape(n, 2, 2)
    return matrix, torch.stack([dx + task.crop_anchor[0], dy + task.crop_anchor[1]], 1)


def seen_through(
    task: Task, pictures: Tensor, masks: Tensor, matrix: Tensor, at: Tensor
) -> tuple[Tensor, Tensor]:
    """Windows of crops, and shares of the kinds in them."""
    _, _, h, w = pictures.shape
    x = torch.arange(task.size[0], device=pictures.device) - task.anchor[0]
    y = torch.arange(task.size[1], device=pictures.device) - task.anchor[1]
    gy, gx = torch.meshgrid(y, x, indexing="ij")
    a, b, c, d = (matrix[:, i, j, None, None] for i in (0, 1) for j in (0, 1))
    px, py = a * gx + b * gy + at[:, 0, None, None], c * gx + d * gy + at[:, 1, None, None]
    grid = torch.stack([2 * (px + 0.5) / w - 1, 2 * (py + 0.5) / h - 1], -1)
    seen = functional.grid_sample(
        pictures.float() / 255, grid, padding_mode="border", align_corners=False
    )
    kinds = torch.stack([masks == k for k in range(len(task.weight))], 1).float()
    kinds = functional.grid_sample(kinds, grid, padding_mode="zeros", align_corners=False)
    kinds[:, 0] = torch.clamp(1 - kinds[:, 1:].sum(1), 0, 1)
    return seen, kinds / kinds.sum(1, keepdim=True)


def repainted(x: Tensor, kinds: Tensor, generator: torch.Generator) -> Tensor:
    """Other colours, light, blur and noise."""
    n, device = len(x), x.device

    def chance(p: float) -> Tensor:
        return (torch.rand(n, 1, 1, 1, generator=generator, device=device) < p).float()

    def spread(low: float, high: float, channels: int = 1) -> Tensor:
        r = torch.rand(n, channels, 1, 1, generator=generator, device=device)
        return low + (high - low) * r

    for k in range(kinds.shape[1]):
        there = kinds[:, k : k + 1] * chance(0.3)
        x = x + there * ((spread(0.6, 1.4, 3) - 1) * x + spread(-0.15, 0.15))
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
    half = (x.shape[2] // 2, x.shape[3] // 2)
    coarse = torch.randn(n, 3, *half, generator=generator, device=device)
    fine = torch.randn(x.shape, generator=generator, device=device)
    coarse = functional.interpolate(coarse, x.shape[2:], mode="bilinear", align_corners=False)
    x = x + chance(0.7) * (spread(0, 0.05) * fine + spread(0, 0.05) * coarse)
    return x.clamp(0, 1)


def loss_of(task: Task, logits: Tensor, kinds: Tensor) -> Tensor:
    """Weighted cross entropy, and Dice's measure of each solid kind's area."""
    weight = torch.tensor(task.weight, device=logits.device)
    log = functional.log_softmax(logits, 1)
    loss = -(kinds * log * weight[:, None, None]).sum(1).mean()
    for k in task.solid:
        p, q = log.exp()[:, k], kinds[:, k]
        dice = 1 - (2 * (p * q).sum((1, 2)) + 20) / ((p + q).sum((1, 2)) + 20)
        loss = loss + 0.5 / len(task.solid) * dice.mean()
    return loss


@torch.no_grad()
def overlap(task: Task, net: nn.Module, pictures: Tensor, masks: Tensor) -> Tensor:
    """Intersection over union of the solid kinds, (crops, kinds); 1 where there is none."""
    net.eval()
    shares = []
    for i in range(0, len(pictures), 64):
        x, kinds = windows(task, pictures[i : i + 64].cuda(), masks[i : i + 64].cuda(), None)
        said, true = net(x).argmax(1), kinds.argmax(1)
        row = []
        for k in task.solid:
            both = ((said == k) & (true == k)).sum((1, 2)).float()
            row.append((both + 1) / (((said == k) | (true == k)).sum((1, 2)) + 1))
        shares.append(torch.stack(row, 1))
    return torch.cat(shares).cpu()


def steps_of(args: Any, optimiser: Any) -> Iterator[int]:
    """Steps 1, 2 ... until all are done or the time is up, each at its rate of learning."""
    begun, step, done = time.time(), 0, 0.0
    while done < 1:
        step += 1
        rate = args.rate * min(step / 200, 0.5 * (1 + math.cos(math.pi * done)))
        for group in optimiser.param_groups:
            group["lr"] = rate
        yield step
        done = max(step / args.steps, (time.time() - begun) / args.seconds)


def begun(
    args: Any, net: nn.Module, decay: float, shown: Callable[[], Tensor]
) -> torch.optim.AdamW:
    """What changes a network's weights, which are those taught before where they are given.

    ``shown`` gives pictures as the network will see them.
    """
    if args.start:
        go_on_from(args.start, net, shown())
    return torch.optim.AdamW(net.parameters(), lr=args.rate, weight_decay=decay)


def train(args: Any) -> None:
    """Train, print the overlap on crops kept out, write the network."""
    task = TASKS[args.task]
    torch.manual_seed(args.seed)
    pictures, masks = (v.cuda() for v in load(args.crops))
    generator = torch.Generator("cuda").manual_seed(args.seed)
    net = UNet(task.channels, len(task.weight)).cuda().to(memory_format=torch.channels_last)

    def shown() -> Tensor:
        some = torch.randperm(len(pictures))[:SHOWN]
        return repainted(*windows(task, pictures[some], masks[some], generator), generator)

    optimiser = begun(args, net, 0.02, shown)
    mean = averaged(net)
    for step in steps_of(args, optimiser):
        net.train()
        pick = torch.randint(len(pictures), (args.batch,), generator=generator, device="cuda")
        x, kinds = windows(task, pictures[pick], masks[pick], generator)
        x = repainted(x, kinds, generator)
        with torch.autocast("cuda", torch.bfloat16):
            logits = net(x.to(memory_format=torch.channels_last))
        loss = loss_of(task, logits.float(), kinds)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
        mean.update_parameters(net)
        if step % 500 == 0:
            print(f"step {step}: loss {float(loss):.4f}", flush=True)
    final = mean.module.to(memory_format=torch.contiguous_format).eval()
    for folder in args.check:
        shares = overlap(task, final, *load([folder]))
        for k, column in zip(task.solid, shares.T, strict=True):
            tenth = torch.quantile(column, 0.1)
            print(f"{folder}: kind {k}: overlap median {column.median():.3f}, tenth {tenth:.3f}")
    write(final, task.whole or task.size, args.out, "kinds")


def averaged(net: nn.Module) -> torch.optim.swa_utils.AveragedModel:
    """What keeps the running mean of a network's weights, which is what is written in the end."""
    return torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )


def write(net: nn.Module, size: tuple[int, int], out: Path, told: str) -> None:
    """Write a network that sees a picture of a size (width, height), and its weights beside it."""
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    example = torch.zeros(1, 3, size[1], size[0])
    torch.onnx.export(
        net.cpu(), (example,), out, opset_version=13, dynamo=False,
        input_names=["picture"], output_names=[told],
    )  # fmt: skip


def add_options(parser: argparse.ArgumentParser, steps: int) -> None:
    """What every network's teaching can be told."""
    parser.add_argument("crops", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--check", type=Path, nargs="*", default=[])
    parser.add_argument("--steps", type=int, default=steps)
    parser.add_argument(
        "--seconds", type=float, default=1e9, help="fewer steps if they take longer"
    )
    parser.add_argument("--batch", type=int, default=64)
    parser.add_argument("--rate", type=float, default=2e-3, help="of learning, at most")
    parser.add_argument("--start", type=Path, help=".onnx or .pt of a network taught before")
    parser.add_argument("--seed", type=int, default=1)


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.teach")
    parser.add_argument("task", choices=list(TASKS))
    add_options(parser, 6000)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
