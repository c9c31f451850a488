"""Photographs of a rake whose scene is known -> crops with the outlines of rod and stylus.

    python -m tests.scenes.outlines CACHE PHOTOS OUT

Comes in: renders' parameters (`photosets`), the photographs degraded from them with their
`truth.json`. Goes out: for each photograph a crop round the stylus in which the rod is
`ROD_PX` thick and the pivot to the right, and a mask of what each pixel shows; over a mirror one
more round the stylus' image, turned upright. They are what `tests.outline_net` learns from.
"""

from __future__ import annotations

import json
import multiprocessing
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.scenes import assembly, degrade, photosets
from vision.outline import ROD_PX

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

LEFT, RIGHT, UP, DOWN = 3.2, 4.4, 3.0, 5.6  # of the crop from the rod's free end, in thicknesses
FINE = 16  # subpixels in drawing
STYLUS = ("stylus", "stylus tip", "stylus shank")
ROD = ("cantilever", "sleeve", "band")
NOTHING, ROD_VALUE, STYLUS_VALUE = 0, 1, 2


def crop_of(
    photo: Path, spec: dict[str, Any], truth: dict[str, Any], image: bool = False
) -> tuple[Mask, Mask]:
    """Crop (H, W, 3) and mask (H, W) of one photograph, or of its mirror image turned upright."""
    from vision.photo import load_photo

    rgb = load_photo(photo).rgb
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plan, view = truth["degradation"], scene.view
    assert view is not None

    def seen(points: Array) -> Array:
        if image:
            points = points * [1.0, 1.0, -1.0]
        rendered = view.project(points)
        return degrade.photo_points(rendered, (view.width, view.height), plan)

    points = {name: seen(np.atleast_2d(at))[0] for name, at in scene.points_mm.items()}
    tip = scene.points_mm["stylus tip"]
    per_mm = float(np.linalg.norm(seen(np.array([tip + view.right])) - seen(np.array([tip]))))
    thickness = 2 * spec["cantilever"]["radius_mm"] * per_mm
    k = ROD_PX / thickness
    end = points["rod axis at free end"]
    size = (round((LEFT + RIGHT) * ROD_PX), round((UP + DOWN) * ROD_PX))
    flip = 1.0 if points["rod axis at stylus"][0] > end[0] else -1.0
    upright = -1.0 if image else 1.0
    to_crop = np.array([[flip * k, 0.0, LEFT * ROD_PX - flip * k * end[0]],
                        [0.0, upright * k, UP * ROD_PX - upright * k * end[1]]])  # fmt: skip
    if k < 0.5:  # area average first, so that nothing aliases
        part = cv2.resize(rgb, None, fx=2 * k, fy=2 * k, interpolation=cv2.INTER_AREA)
        ratio = np.array([part.shape[1] / rgb.shape[1], part.shape[0] / rgb.shape[0]])
        shrunk = np.diag([*ratio, 1.0])
        shrunk[:2, 2] = 0.5 * ratio - 0.5
        picture, matrix = part, (np.vstack([to_crop, [0, 0, 1]]) @ np.linalg.inv(shrunk))[:2]
    else:
        picture, matrix = rgb, to_crop
    crop = cv2.warpAffine(
        picture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    mask = np.zeros((size[1], size[0]), np.uint8)

    def in_crop(at: Array) -> Array:
        return at @ to_crop[:, :2].T + to_crop[:, 2]

    for names, value in ((STYLUS, STYLUS_VALUE), (ROD, ROD_VALUE)):
        for name, mesh, _ in scene.parts:
            if name in names:
                corners = in_crop(seen(mesh.vertices))
                for face in np.rint(corners[mesh.faces] * FINE).astype(np.int32):
                    cv2.fillConvexPoly(mask, face, value, cv2.LINE_8, 4)
    # what of the stylus stands above the rod tells nothing
    low, high = in_crop(points["rod axis at free end"]), in_crop(points["rod axis at stylus"])
    y, x = np.indices(mask.shape)
    slope = (high[1] - low[1]) / (high[0] - low[0])
    mask[(mask == STYLUS_VALUE) & (y < low[1] + slope * (x - low[0]))] = NOTHING
    return np.asarray(crop, np.uint8), mask


def _one(job: tuple[Path, Path, dict[str, Any], Path]) -> None:
    photo, stem, truth, out = job
    cv2.setNumThreads(1)
    spec = json.loads(stem.read_text())
    for image in (False, True) if spec["surface"] == "mirror" else (False,):
        crop, mask = crop_of(photo, spec, truth, image)
        name = photo.stem + ("-image" if image else "")
        Image.fromarray(crop).save(out / f"{name}.webp", quality=92, method=4)
        Image.fromarray(mask * 100).save(out / f"{name}.png", optimize=True)


def main(cache: Path, photos: Path, out: Path) -> None:
    """Crops of all rake photographs of a set."""
    out.mkdir(parents=True, exist_ok=True)
    truths = json.loads((photos / "truth.json").read_text())
    jobs = []
    for name, truth in truths.items():
        if truth["quantity"] != "rake":
            continue
        seed = name.split("-")[1]
        stems = sorted(cache.glob(f"*-rake-{seed}.json"))
        if stems:
            jobs.append((photos / name, stems[0], truth, out))
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_one, jobs, chunksize=4)
    print(len(jobs), "crops")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:4]))
