"""Photographs of a rake whose scene is known -> crops with the outlines of rod and stylus.

    python -m tests.scenes.outlines CACHE PHOTOS OUT

Comes in: renders' parameters (`photosets`), the photographs degraded from them with their
`truth.json`. Goes out, for each photograph: in OUT/wide a crop round the stylus in which the rod
is `ROD_PX` thick and the pivot to the right, in OUT/near one in which the stylus stands upright
and is `SHANK_PX` wide; a mask of what each pixel shows with each. Over a mirror the same once more
of the stylus' image, turned upright; in OUT/wide/slopes.json which way the surface runs. They are
what `tests.teach` and `tests.teach_slope` teach from.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from tests.scenes import assembly, degrade, photosets, world
from vision.outline import ROD_PX, SHANK_PX

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]
Seen = Callable[[Array], Array]

WIDE_SIZE, WIDE_END = (334, 378), (141.0, 132.0)  # of the crop, and where in it the rod ends
NEAR_SIZE, NEAR_TIP = (200, 288), (100.0, 212.0)  # and where in it the stylus' tip is
FINE = 16  # subpixels in drawing
STYLUS = ("stylus", "stylus tip", "stylus shank")
ROD = ("cantilever", "sleeve", "band")
NOTHING, ROD_VALUE, STYLUS_VALUE = 0, 1, 2
STEP = 40  # between the grey levels of a mask's file


def seen_by(scene: assembly.Assembly, plan: dict[str, Any], image: bool) -> Seen:
    """Points in millimetres, or their mirror images, to pixels of the degraded photo."""
    view = scene.view
    assert view is not None

    def seen(points: Array) -> Array:
        if image:
            points = points * [1.0, 1.0, -1.0]
        return degrade.photo_points(view.project(points), (view.width, view.height), plan)

    return seen


def per_mm(scene: assembly.Assembly, seen: Seen) -> float:
    """Pixels a millimetre at the stylus."""
    assert scene.view is not None
    tip = scene.points_mm["stylus tip"]
    return float(np.linalg.norm(seen(np.array([tip + scene.view.right])) - seen(np.array([tip]))))


def wide_frame(scene: assembly.Assembly, spec: dict[str, Any], seen: Seen, image: bool) -> Array:
    """Matrix (2, 3) from photo to wide crop: the rod `ROD_PX` thick, the pivot to the right."""
    end, stylus = (seen(scene.points_mm[f"rod axis at {at}"][None])[0]
                   for at in ("free end", "stylus"))  # fmt: skip
    k = ROD_PX / (2 * spec["cantilever"]["radius_mm"] * per_mm(scene, seen))
    turn = np.diag([k if stylus[0] > end[0] else -k, -k if image else k])
    return np.column_stack([turn, np.array(WIDE_END) - turn @ end])


def near_frame(scene: assembly.Assembly, spec: dict[str, Any], seen: Seen, image: bool) -> Array:
    """Matrix (2, 3) from photo to near crop: the stylus upright, `SHANK_PX` wide, pivot right."""
    names = ("stylus tip", "rod axis at stylus", "rod axis at free end")
    tip, top, end = (seen(scene.points_mm[at][None])[0] for at in names)
    up = (top - tip) / np.linalg.norm(top - tip)
    right = np.array([-up[1], up[0]])
    if right @ (top - end) < 0:
        right = -right
    k = SHANK_PX / (spec["stylus"]["width_mm"] * per_mm(scene, seen))
    turn = k * np.array([right, -up])
    return np.column_stack([turn, np.array(NEAR_TIP) - turn @ tip])


def cut(
    rgb: Mask, frame: Array, size: tuple[int, int], scene: assembly.Assembly, seen: Seen
) -> tuple[Mask, Mask]:
    """A crop (H, W, 3) by a frame, and what each of its pixels shows (H, W)."""
    k = float(np.sqrt(abs(np.linalg.det(frame[:, :2]))))
    picture, matrix = rgb, frame
    if k < 0.5:  # area average first, so that nothing aliases
        picture = cv2.resize(rgb, None, fx=2 * k, fy=2 * k, interpolation=cv2.INTER_AREA)
        ratio = np.array([picture.shape[1] / rgb.shape[1], picture.shape[0] / rgb.shape[0]])
        shrunk = np.diag([*ratio, 1.0])
        shrunk[:2, 2] = 0.5 * ratio - 0.5
        matrix = (np.vstack([frame, [0, 0, 1]]) @ np.linalg.inv(shrunk))[:2]
    crop = cv2.warpAffine(
        picture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(crop, np.uint8), mask_of(frame, size, scene, seen)


def mask_of(frame: Array, size: tuple[int, int], scene: assembly.Assembly, seen: Seen) -> Mask:
    """What each pixel of a crop by a frame shows, (H, W)."""
    mask = np.zeros((size[1], size[0]), np.uint8)

    def in_crop(points: Array) -> Array:
        return seen(np.atleast_2d(points)) @ frame[:, :2].T + frame[:, 2]

    for names, value in ((STYLUS, STYLUS_VALUE), (ROD, ROD_VALUE)):
        for name, mesh, _ in scene.parts:
            if name in names:
                corners = in_crop(mesh.vertices)
                for face in np.rint(corners[mesh.faces] * FINE).astype(np.int32):
                    cv2.fillConvexPoly(mask, face, value, cv2.LINE_8, 4)
    # what of the stylus stands above the rod tells nothing
    end, stylus = (
        in_crop(scene.points_mm[f"rod axis at {at}"])[0] for at in ("free end", "stylus")
    )
    y, x = np.indices(mask.shape)
    slope = (stylus[1] - end[1]) / (stylus[0] - end[0])
    mask[(mask == STYLUS_VALUE) & (y < end[1] + slope * (x - end[0]))] = NOTHING
    return mask


def slope_deg(spec: dict[str, Any], seen: Seen) -> float:
    """Slope of the surface at the tip in the wide crop, positive where it falls to the pivot."""
    along = world.cantilever_direction(spec["cantilever_yaw_deg"], 0.0)
    before, beyond = seen(np.array([-0.05 * along, 0.05 * along]))
    run = beyond - before
    return float(np.degrees(np.arctan2(run[1], abs(run[0]))))


def _one(job: tuple[Path, Path, dict[str, Any], Path]) -> float:
    from vision.photo import load_photo

    photo, stem, truth, out = job
    cv2.setNumThreads(1)
    spec = json.loads(stem.read_text())
    rgb = load_photo(photo).rgb
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    for image in (False, True) if spec["surface"] == "mirror" else (False,):
        seen = seen_by(scene, truth["degradation"], image)
        name = photo.stem + ("-image" if image else "")
        for folder, frame, size in (
            ("wide", wide_frame(scene, spec, seen, image), WIDE_SIZE),
            ("near", near_frame(scene, spec, seen, image), NEAR_SIZE),
        ):
            save(out / folder / name, *cut(rgb, frame, size, scene, seen))
    return slope_deg(spec, seen_by(scene, truth["degradation"], False))


def save(path: Path, crop: Mask, mask: Mask) -> None:
    """Write a crop and its mask."""
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(crop).save(path.with_suffix(".webp"), quality=92, method=4)
    Image.fromarray(mask * STEP).save(path.with_suffix(".png"), optimize=True)


def main(cache: Path, photos: Path, out: Path) -> None:
    """Crops of all rake photographs of a set."""
    truths = json.loads((photos / "truth.json").read_text())
    jobs = []
    for name, truth in truths.items():
        if truth["quantity"] != "rake":
            continue
        seed = name.split("-")[1]
        stems = sorted(cache.glob(f"*-rake-{seed}.json"))
        if stems:
            jobs.append((photos / name, stems[0], truth, out))
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        slopes = pool.map(_one, jobs, chunksize=4)
    names = [job[0].stem for job in jobs]
    (out / "wide" / "slopes.json").write_text(json.dumps(dict(zip(names, slopes, strict=True))))
    print(len(jobs), "crops")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:4]))
