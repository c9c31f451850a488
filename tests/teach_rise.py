"""Teach both networks of `vision.rise_seen` from looks around reflections whose rise is known.

    python -m tests.teach_rise CROPS [CROPS ...] --out FOLDER [--check CROPS] [--start vision]

CROPS are those of `tests.scenes.lessons cantilever-rise`, with `slopes.json` beside them. Wants
PyTorch and a GPU. A small U-Net makes maps of a picture; what they show along and across each place
goes through a few convolutions along it to a score. The loss is the cross entropy of the shares
that the scores give all places, summed over heights and not, and a little that of what the first
maps show of each pixel. Beside both networks FOLDER gets `rise.pt`, to go on from like a folder
that holds both networks.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from tests.scenes import rise_places
from tests.scenes.rise_places import TAUGHT_DEG
from tests.teach import (
    SHOWN,
    WIDER,
    Task,
    UNet,
    add_options,
    averaged,
    load_crops,
    loss_of,
    moves,
    repainted,
    seen_through,
    steps_of,
)
from tests.teach_slope import told as mean_and_spread
from tests.teach_start import go_on_from
from vision import rise_seen as seen
from vision.rod_mirrored import height_log_prior

TASK = Task(
    (seen.WIDTH, seen.HEIGHT), (seen.WIDTH / 2, seen.HEIGHT / 2),
    (rise_places.SIZE[0] / 2, rise_places.SIZE[1] / 2), (0.4, 0.7, 2.0, 0.4, 0.5, 0.5), (1, 2),
    channels=WIDER, scale=0.15, turn_deg=12.0, shift=14.0, drop=18.0, stretch=0.04, flips=True,
)  # fmt: skip
KINDS = len(TASK.weight)
SOFT = (0.4, 0.05)  # of what counts as the right rise (degrees) and height (its logarithm)
JOINT, KNOWN = 0.3, 0.2  # weights of the loss over rises and heights, and of the pixels' kinds
INNER = 24  # channels of the second network
LOOKED = (4, seen.STEPS, len(seen.ACROSS) * seen.CHANNELS + seen.TOLD)

Which = tuple[slice, slice]  # of the rises and of the heights
ALL: Which = (slice(None), slice(None))


class Fits(nn.Module):
    """Input (N, steps, channels); output scores (N,)."""

    def __init__(self) -> None:
        super().__init__()
        into = len(seen.ACROSS) * seen.CHANNELS + seen.TOLD
        self.layers = nn.Sequential(
            nn.Conv1d(into, INNER, 1), nn.ReLU(),
            nn.Conv1d(INNER, INNER, 5, padding=2), nn.ReLU(),
            nn.Conv1d(INNER, INNER, 5, padding=2), nn.ReLU(),
            nn.Conv1d(INNER, 2, 1),
        )  # fmt: skip

    def forward(self, x: Tensor) -> Tensor:
        x = x.transpose(1, 2)
        each = self.layers(x)
        return 4 * each[:, 0].mean(1) + 8 * (each[:, 1] * (x[:, -2] + 0.25)).mean(1)


class Both(nn.Module):
    """Both networks, and what goes between them."""

    def __init__(self) -> None:
        super().__init__()
        self.maps = UNet(WIDER, seen.CHANNELS)
        self.fits = Fits()
        self.register_buffer("along", (torch.arange(seen.STEPS) + 0.5) / seen.STEPS)
        self.register_buffer("across", torch.tensor(seen.ACROSS, dtype=torch.float32))
        prior = torch.tensor(height_log_prior(seen.HEIGHTS), dtype=torch.float32)
        self.register_buffer("prior", prior)

    def forward(self, x: Tensor, ends: Tensor, half: Tensor) -> tuple[Tensor, Tensor]:
        """Pictures, places (N, P, 2, 2), (N, P, 2) -> scores (N, P), maps."""
        maps = self.maps(x.contiguous(memory_format=torch.channels_last))
        px, py, told = seen.places(ends, half, self.along, self.across)
        n, p, s, t = px.shape
        grid = torch.stack(
            [(2 * px + 1) / seen.WIDTH - 1, (2 * py + 1) / seen.HEIGHT - 1], -1
        ).reshape(n, p, s * t, 2)
        got = functional.grid_sample(maps.float(), grid, padding_mode="border", align_corners=False)
        got = got.reshape(n, -1, p, s, t).permute(0, 2, 3, 4, 1).reshape(n * p, s, -1)
        told = torch.stack(told, -1).reshape(n * p, s, -1)
        return self.fits(torch.cat([got, told.to(got.dtype)], -1)).reshape(n, p), maps


def load(folders: list[Path]) -> tuple[Tensor, Tensor, Tensor]:
    """Pictures and masks, bytes; what is told of them (N, variants, numbers)."""
    paths, told = [], []
    for folder in folders:
        for name, numbers in sorted(json.loads((folder / "slopes.json").read_text()).items()):
            paths.append(folder / f"{name}.webp")
            told.append(np.array(numbers, np.float32).reshape(rise_places.VARIANTS, -1))
    return (*load_crops(paths), torch.tensor(np.array(told)))


def places_in(
    told: Tensor, matrix: Tensor, at: Tensor, which: Which = ALL
) -> tuple[Tensor, Tensor]:
    """Places in windows, of those kept of a picture: ends (N, P, 2, 2), half widths (N, P, 2)."""
    n = len(told)
    few = told.reshape(n, len(rise_places.RISES), len(rise_places.HEIGHTS), 6).permute(0, 3, 1, 2)
    size = (len(TAUGHT_DEG), len(seen.HEIGHTS))
    all_ = functional.interpolate(few, size, mode="bicubic", align_corners=True)
    all_ = all_.permute(0, 2, 3, 1)[:, which[0], which[1]].reshape(n, -1, 6)
    back = torch.linalg.inv(matrix)
    anchor = torch.tensor(TASK.anchor, device=told.device)
    ends = all_[..., :4].reshape(n, -1, 2, 2) - at[:, None, None]
    ends = torch.einsum("nij,npej->npei", back, ends) + anchor
    half = all_[..., 4:] * torch.linalg.det(back).abs().sqrt()[:, None, None]
    return ends, half


def wanted(true: Tensor, which: Which = ALL) -> Tensor:
    """Share (N, rises, heights) that each place, of some rises and heights, should have."""
    rises = torch.tensor(TAUGHT_DEG[which[0]], dtype=torch.float32, device=true.device)
    heights = torch.tensor(np.log(seen.HEIGHTS[which[1]]), dtype=torch.float32, device=true.device)
    r = torch.exp(-0.5 * ((rises - true[:, :1].clip(rises[0], rises[-1])) / SOFT[0]) ** 2)
    h = torch.exp(-0.5 * ((heights - true[:, 1:].clip(heights[0], heights[-1])) / SOFT[1]) ** 2)
    both = r[:, :, None] * h[:, None]
    return both / both.sum((1, 2), keepdim=True)


def told_of(net: Both, scores: Tensor, which: Which = ALL) -> Tensor:
    """Logarithm of the share (N, rises, heights) of each place, of some rises and heights."""
    prior = net.prior[which[1]]
    each = scores.float().reshape(len(scores), -1, len(prior)) + prior
    return each.flatten(1).log_softmax(1).reshape(each.shape)


def train(args: Any) -> None:
    """Train, print what is told of crops kept out, write the networks."""
    torch.manual_seed(args.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    pictures, masks, told = (v.to(device) for v in load(args.crops))
    print(len(pictures), "pictures", flush=True)
    generator = torch.Generator(device).manual_seed(args.seed)
    net = Both().to(device)
    optimiser = torch.optim.AdamW(net.parameters(), lr=args.rate, weight_decay=0.03)

    def some(pick: Tensor, move: bool, places: Which = ALL) -> tuple[Tensor, ...]:
        matrix, at = moves(TASK, len(pick), device, generator if move else None)
        x, kinds = seen_through(TASK, pictures[pick], masks[pick], matrix, at)
        if move:
            x = repainted(x, kinds, generator)
            which = torch.randint(told.shape[1], (len(pick),), generator=generator, device=device)
        else:
            which = torch.zeros(len(pick), dtype=torch.long, device=device)
        numbers = told[pick, which]
        return x, kinds, numbers[:, :2], *places_in(numbers[:, 2:], matrix, at, places)

    if args.start and args.start.is_dir():
        go_on_from(
            args.start / seen.MAPS, net.maps, some(torch.arange(SHOWN) % len(pictures), True)[0]
        )
        go_on_from(args.start / seen.FITS, net.fits, torch.zeros(LOOKED, device=device))
    elif args.start:
        net.load_state_dict(torch.load(args.start, weights_only=True))
    mean = averaged(net)
    for step in steps_of(args, optimiser):
        net.train()
        pick = torch.randint(len(pictures), (args.batch,), generator=generator, device=device)
        # every other rise and height, to be quick
        which = slice(step // 2 % 2, None, 2), slice(step % 2, None, 2)
        x, kinds, true, ends, half = some(pick, True, which)
        with torch.autocast(device.type, torch.bfloat16):
            scores, maps = net(x, ends, half)
        log = told_of(net, scores, which)
        share = wanted(true, which)
        rises = -(share.sum(2) * log.logsumexp(2)).sum(1).mean()
        joint = -(share * log).sum((1, 2)).mean()
        shown = loss_of(TASK, maps[:, :KINDS].float(), kinds)
        loss = rises + JOINT * joint + KNOWN * shown
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        mean.update_parameters(net)
        if step % 500 == 0:
            parts = ", ".join(f"{float(part):.3f}" for part in (rises, joint, shown))
            print(f"step {step}: rises, places, pixels {parts}", flush=True)
    final = mean.module.eval()
    args.out.mkdir(parents=True, exist_ok=True)
    torch.save(final.state_dict(), args.out / "rise.pt")
    for folder in args.check:
        pictures, masks, told = (v.to(device) for v in load([folder]))
        logs, misses, sds = [], [], []
        for pick in torch.arange(len(pictures), device=device).split(16):
            x, _, true, ends, half = some(pick, False)
            with torch.no_grad():
                log = told_of(final, final(x, ends, half)[0]).logsumexp(2)
            logs.append((log * wanted(true).sum(2)).sum(1))
            said, spread = mean_and_spread(log, TAUGHT_DEG)
            sds.append(spread)
            misses.append(said - true[:, 0])
        miss, sd = torch.cat(misses).cpu(), torch.cat(sds).cpu()
        print(
            f"{folder}: {len(miss)}, log-likelihood {torch.cat(logs).mean():.3f}, "
            f"RMS {miss.square().mean().sqrt():.2f}, z {(miss / sd).square().mean().sqrt():.2f}"
        )
        for part in sd.argsort().chunk(5):
            print(f"  told to {sd[part].mean():.2f}: RMS {miss[part].square().mean().sqrt():.2f}")
    write(final, args.out)


def write(net: Both, folder: Path) -> None:
    """Write both networks."""
    net = net.cpu().to(memory_format=torch.contiguous_format)
    picture, looked = torch.zeros(1, 3, seen.HEIGHT, seen.WIDTH), torch.zeros(LOOKED)
    torch.onnx.export(
        net.maps, (picture,), folder / seen.MAPS, opset_version=13, dynamo=False,
        input_names=["picture"], output_names=["maps"],
    )  # fmt: skip
    torch.onnx.export(
        net.fits, (looked,), folder / seen.FITS, opset_version=13, dynamo=False,
        input_names=["looked"], output_names=["scores"],
        dynamic_axes={"looked": {0: "places"}, "scores": {0: "places"}},
    )  # fmt: skip


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.teach_rise")
    add_options(parser, 100000)
    train(parser.parse_args())


if __name__ == "__main__":
    main()
