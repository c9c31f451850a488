"""Scenes over mirrors -> small pictures of the rod's reflection and what each pixel shows.

    python -m tests.scenes.rod_around OUT --first 70000 --count 4000 --variant cuda_ad_rgb

Nothing but the surroundings of the reflection is rendered and degraded, so that thousands are to
be had. Each picture has the reflected axis upright in its middle, the free end below, and the rod's
image `rod_around.ACROSS_PX` wide; a mask drawn from the meshes is written with each. They are what
`tests.teach rods-around` teaches from.
"""

from __future__ import annotations

import argparse
import io
import json
import multiprocessing
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.scenes import assembly, degrade, photosets, recipe
from vision.rod_around import ACROSS_PX

Array = NDArray[np.float64]

SIZE = (300, 360)  # of the picture
FAMILIES = ("odd", "ninth")  # odd and even seeds
COPIES = 2
PATHS = 64
MARGIN_PX = 12  # round what is rendered, for what a phone's processing draws from
MOST_PX = 1100  # a side of what is rendered
LEAST_LONG = 0.6  # widths: a shorter reflection has no direction; the rod's own is taken


def lesson(seed: int, variant: str, out: Path, end: float) -> int:
    """Render one scene, write its pictures; how many."""
    import cv2

    from tests.scenes import physical, rod_masks
    from tests.scenes.outlines import save
    from vision.network import part_of

    if time.time() > end:
        return 0
    cv2.setNumThreads(1)
    spec = recipe.draw("cantilever", seed, FAMILIES[seed % 2])
    if spec["surface"] not in rod_masks.MIRRORS:
        return 0
    size = (photosets.WIDTH, photosets.HEIGHT)
    scene = assembly.assemble(spec, *size)
    view = scene.view
    assert view is not None
    rng = np.random.default_rng([seed, 71])
    ends = np.array([scene.points_mm[f"rod axis at {at}"] for at in ("free end", "body")])
    below = rod_masks.mirrored(ends, view.position, rod_masks.glass_mm(spec))
    both = view.project(np.concatenate([below, ends]))
    near = float(np.linalg.norm(below.mean(axis=0) - view.position))
    width = 2 * spec["cantilever"]["radius_mm"] * view.focal_px / near
    plans = [
        degrade.plan(np.random.default_rng([seed, 1, k]), spec["light"] == "dim", False, True)
        for k in range(COPIES)
    ]
    frames = [
        frame_of(
            degrade.photo_points(both, size, p), width * p["width"] / (size[0] * degrade.MARGIN)
        )
        for p in plans
    ]
    reach = [photo_window(f, p) for f, p in zip(frames, plans, strict=True)]
    window = rendered_window(reach, plans, size)
    if window is None:
        return 0
    linear = physical.render(spec, *size, PATHS, variant, window)
    drawn = rod_masks.drawing(scene, spec, window)
    for k, (frame, plan, part) in enumerate(zip(frames, plans, reach, strict=True)):
        told = degrade.Part(size, (window[0], window[1]), part)
        photo = degrade.degrade(linear, plan, rng, told)
        packed = io.BytesIO()
        Image.fromarray(photo).save(packed, "JPEG", quality=plan["jpeg_quality"])
        photo = np.asarray(Image.open(packed))
        mask = rod_masks.through_lens(drawn, view, plan, rod_masks.pixels_of(SIZE, frame), SIZE)
        moved = frame.copy()
        moved[:, 2] += frame[:, :2] @ np.array(part[:2])
        save(out / f"{seed}-{k}", part_of(photo, moved, SIZE), mask)
    return len(frames)


def frame_of(ends: Array, width: float) -> Array:
    """Frame of the picture; ``ends`` (4, 2) of the reflected axis and the rod's, photo pixels."""
    up = ends[1] - ends[0]
    if np.linalg.norm(up) < LEAST_LONG * width:
        up = ends[3] - ends[2]
    up = up / np.linalg.norm(up)
    turn = ACROSS_PX / width * np.array([[-up[1], up[0]], [-up[0], -up[1]]])
    middle = (np.array(SIZE) - 1) / 2
    return np.column_stack([turn, middle - turn @ ends[:2].mean(axis=0)])


def photo_window(frame: Array, plan: dict[str, Any]) -> tuple[int, int, int, int]:
    """The part of the photo that a picture shows, with a margin."""
    from vision.network import out_of

    w, h = SIZE
    at = out_of(frame, np.array([(0, 0), (w, 0), (0, h), (w, h)], float))
    last = np.array([plan["width"], plan["height"]])
    low = np.clip(np.floor(at.min(axis=0)).astype(int) - MARGIN_PX, 0, last - 64)
    high = np.clip(np.ceil(at.max(axis=0)).astype(int) + MARGIN_PX, low + 64, last)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def rendered_window(
    parts: list[tuple[int, int, int, int]], plans: list[dict[str, Any]], size: tuple[int, int]
) -> tuple[int, int, int, int] | None:
    """The part of the rendered frame that parts of photos come from; None where it is large."""
    corners = []
    for (x, y, w, h), plan in zip(parts, plans, strict=True):
        run = np.linspace(0, 1, 5)
        u, v = np.meshgrid(x + w * run, y + h * run)
        at = np.stack([u.ravel(), v.ravel()], axis=1)
        corners.append(degrade.rendered_points(at, size, plan))
    at = np.concatenate(corners)
    low = np.clip(np.floor(at.min(axis=0)).astype(int) - MARGIN_PX, 0, np.array(size) - 64)
    high = np.clip(np.ceil(at.max(axis=0)).astype(int) + MARGIN_PX, low + 64, size)
    if (high - low).max() > MOST_PX:
        return None
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _one(job: tuple[int, str, Path, float]) -> int:
    try:
        return lesson(*job)
    except Exception as problem:  # one scene that fails must not stop the batch
        print(f"FAILED {job[0]}: {problem!r}", flush=True)
        return 0


def main() -> None:
    """Parse the command line; see the module's text."""
    parser = argparse.ArgumentParser(prog="python -m tests.scenes.rod_around")
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--step", type=int, default=1)
    parser.add_argument("--variant", default="scalar_rgb")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=1e9)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    begun = time.time()
    jobs = [
        (args.first + k, args.variant, args.out, begun + args.seconds)
        for k in range(0, args.count, args.step)
    ]
    total = 0
    if args.workers == 1:
        total = sum(map(_one, jobs))
    else:
        with multiprocessing.get_context("spawn").Pool(args.workers) as pool:
            total = sum(pool.imap_unordered(_one, jobs))
    print(json.dumps({"pictures": total, "seconds": round(time.time() - begun)}))


if __name__ == "__main__":
    main()
