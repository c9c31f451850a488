"""Photographs of an azimuth whose scene is known -> small pictures with what each pixel shows.

    python -m tests.scenes.body_masks PHOTOS OUT CACHE [CACHE ...]

Comes in: the photographs with their `truth.json`, the renders' parameters (`photosets`). Goes out,
for each photograph: in OUT/wide the whole photo shrunk to SIZE, in OUT/near a nearer look at the
lower edge and its image (`vision.azimuth_near`, with a margin), and masks with the kinds below.
They are what `tests.teach` teaches from.

Everything is drawn through a depth buffer from the scene's own meshes. Mirror images are the same
meshes reflected in z = 0, or seen under back-silvered glass where Snell's law puts them.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import assembly, degrade, photosets
from tests.scenes.outlines import save
from tests.scenes.rod_masks import (
    UNDRAWN,
    Canvas,
    Window,
    by_scene,
    glass_mm,
    mirrored,
    pixels_of,
    shrunk,
    through_lens,
    widened,
)
from vision import azimuth_near
from vision.azimuth_body import BODY, HEIGHT, HOLDER, IMAGE, NOTHING, ROD, UNDER, WIDTH
from vision.network import part_of

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

SIZE = (WIDTH, HEIGHT)
NEAR_SIZE = (396, 380)  # the nearer look and room round it to move in
FINE = 1.0  # pixels of the drawing a rendered pixel
NAMES = ("nothing", "body", "image of its faces", "shell, arm, screws", "rod and stylus",
         "image of its underside")  # fmt: skip
LEVEL = 0.8  # vertical part of a face's normal from which it counts as underside
HOLDERS = ("shell", "arm", "screw", "thread")
RODS = ("stylus", "stylus tip", "stylus shank", "cantilever", "sleeve", "band", "collar", "glue")
OTHERS = ("table", "backdrop", "sheet", "mirror", "glass", "silver", "black glass", "rim", "record",
          "record beyond", "dust", "lint", "scratches", "thing", "card",
          "ink")  # fmt: skip


def kind_of(name: str) -> int | None:
    """What a part of the scene counts as; None for what is not drawn."""
    if name in OTHERS:
        return None
    if name == "foreground":
        return NOTHING
    return HOLDER if name in HOLDERS else ROD if name in RODS else BODY


def draw(scene: assembly.Assembly, spec: dict[str, Any], window: Window | None = None) -> Mask:
    """What each pixel of the render (of use in a window of it) shows, at FINE times its size."""
    view = scene.view
    assert view is not None
    real, below, plate = (Canvas(view, FINE, window) for _ in range(3))
    glass = glass_mm(spec)
    for name, mesh, _ in scene.parts:
        if name in ("mirror", "glass", "black glass"):
            plate.draw(mesh.vertices, mesh.faces, NOTHING)
        kind = kind_of(name)
        if kind is None:
            continue
        real.draw(mesh.vertices, mesh.faces, kind)
        if kind in (BODY, HOLDER, ROD):
            seen = mirrored(mesh.vertices, view.position, glass)
            level = facing_up(mesh.vertices, mesh.faces) > LEVEL
            for faces, shown in ((mesh.faces[~level], IMAGE), (mesh.faces[level], UNDER)):
                below.draw(seen, faces, shown if kind == BODY else kind)
    imaged = np.where(plate.nearness > 0, below.shows, UNDRAWN)
    shows = np.where(real.nearness > 0, real.shows, imaged)
    return np.asarray(np.where(shows == UNDRAWN, NOTHING, shows), np.uint8)


def facing_up(points: Array, faces: Array) -> Array:
    """How much each face looks up or down, 0 to 1."""
    corners = points[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(np.abs(normal[:, 2]) / np.maximum(np.linalg.norm(normal, axis=1), 1e-12))


def near_frame(scene: assembly.Assembly, spec: dict[str, Any], plan: dict[str, Any]) -> Array:
    """Frame of the nearer look at the lower edge and its mirror image."""
    return azimuth_near.frame(*edges(scene, spec, plan))


def edges(
    scene: assembly.Assembly, spec: dict[str, Any], plan: dict[str, Any]
) -> tuple[Array, Array]:
    """Left and right end of the lower edge and of its mirror image, pixels of the photo."""
    view = scene.view
    assert view is not None
    ends = np.array([scene.points_mm[f"front edge {side}"] for side in ("left", "right")])
    seen = [
        degrade.photo_points(view.project(points), (view.width, view.height), plan)
        for points in (ends, mirrored(ends, view.position, glass_mm(spec)))
    ]
    edge, image = (points if points[0, 0] < points[1, 0] else points[::-1] for points in seen)
    return edge, image


def _one(job: tuple[dict[str, Any], list[tuple[Path, dict[str, Any]]], Path]) -> None:
    from vision.photo import load_photo

    cv2.setNumThreads(1)
    spec, photos, out = job
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    drawn = draw(scene, spec)
    for path, truth in photos:
        plan = truth["degradation"]
        rgb = load_photo(path).rgb
        small = np.asarray(cv2.resize(rgb, SIZE, interpolation=cv2.INTER_AREA), np.uint8)
        wide = pixels_of(SIZE, shrunk(SIZE, plan))
        save(out / "wide" / path.stem, small, through_lens(drawn, scene.view, plan, wide, SIZE))
        frame = near_frame(scene, spec, plan)
        larger = widened(frame, (azimuth_near.WIDTH, azimuth_near.HEIGHT), NEAR_SIZE)
        near = through_lens(drawn, scene.view, plan, pixels_of(NEAR_SIZE, larger), NEAR_SIZE)
        save(out / "near" / path.stem, part_of(rgb, larger, NEAR_SIZE), near)


def main(photos: Path, out: Path, *caches: Path) -> None:
    """Pictures and masks of all azimuth photographs of a set."""
    jobs = [(*job, out) for job in by_scene("azimuth", photos, caches)]
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        pool.map(_one, jobs, chunksize=1)
    print(len(jobs), "scenes")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
