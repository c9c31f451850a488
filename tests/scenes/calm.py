"""Stored renders -> the same without the path tracer's speckle.

    python -m tests.scenes.calm CACHE OUT [--only "sealed-azimuth-*"]

No camera has such noise: where light comes by way of a mirror, single paths bring most of it, and
an underside looks sprinkled with salt that `degrade.py` then takes for things. Open Image Denoise
(through `mitsuba-oidn`, extra "render") takes it out. That expects noise that differs from pixel to
pixel; the renderer's Gaussian filter shares each path between neighbours. So every second pixel of
every second row is cleaned by itself, four times, and nothing is smoothed across what lies between.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.scenes import photosets

Picture = NDArray[np.float32]


def by_quarters(linear: Picture, clean: Callable[[Picture], Picture]) -> Picture:
    """A picture (H, W, 3) of which each quarter, every second pixel both ways, was cleaned."""
    out = np.empty_like(linear)
    for i, j in product((0, 1), repeat=2):
        out[i::2, j::2] = clean(np.ascontiguousarray(linear[i::2, j::2], np.float32))
    return out


def denoised(linear: Picture) -> Picture:
    """A linear picture (H, W, 3) without speckle."""
    import mitsuba_oidn

    return by_quarters(linear, lambda part: np.asarray(mitsuba_oidn.denoise(part, hdr=True)))


def main() -> None:
    """Clean the renders of a cache that OUT does not hold yet."""
    parser = argparse.ArgumentParser(prog="python -m tests.scenes.calm")
    parser.add_argument("cache", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--only", default="*", help="pattern of names")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    for kept in sorted(args.cache.glob(f"{args.only}.json")):
        stem = args.out / kept.stem
        if not stem.with_suffix(".jpg").exists():
            linear, spec = photosets.load(kept.with_suffix(""))
            photosets.store(stem, denoised(linear), spec)
            print(stem.name, flush=True)


if __name__ == "__main__":
    main()
