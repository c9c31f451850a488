"""Photographs of an azimuth whose scene is known -> small pictures with what each pixel shows.

    python -m tests.scenes.body_masks PHOTOS OUT CACHE [CACHE ...]

Comes in: the photographs with their `truth.json`, the renders' parameters (`photosets`; not needed
where the truth holds them as "spec"). Goes out: each photograph shrunk to SIZE and a mask with the
kinds below. They are what `tests.teach` teaches from.

Everything is drawn through a depth buffer from the scene's own meshes. Mirror images are the same
meshes reflected in z = 0, or seen under back-silvered glass where Snell's law puts them.
"""

from __future__ import annotations

import json
import multiprocessing
import sys
from itertools import groupby
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import assembly, photosets, world
from tests.scenes.outlines import save
from tests.scenes.rod_masks import UNDRAWN, Canvas, mirrored, rendered_pixels
from vision.azimuth_body import BODY, HEIGHT, HOLDER, IMAGE, NOTHING, ROD, UNDER, WIDTH

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

SIZE = (WIDTH, HEIGHT)
FINE = 0.5  # pixels of the drawing a rendered pixel
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


def draw(scene: assembly.Assembly, spec: dict[str, Any]) -> Mask:
    """What each pixel of the render shows, at FINE times its size."""
    view = scene.view
    assert view is not None
    real, below, plate = (Canvas(view, FINE) for _ in range(3))
    glass = spec["ground"]["thickness_mm"] if spec["surface"] == "back-silvered mirror" else 0.0
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


def in_photo(drawn: Mask, view: world.View, plan: dict[str, Any]) -> Mask:
    """The drawing as the degraded photo shows it, in SIZE."""
    place = ((rendered_pixels(view, plan) + 0.5) * FINE - 0.5).astype(np.float32)
    return np.asarray(cv2.remap(drawn, place, None, cv2.INTER_NEAREST), np.uint8)


def _one(job: tuple[dict[str, Any], list[tuple[Path, dict[str, Any]]], Path]) -> None:
    from vision.photo import load_photo

    cv2.setNumThreads(1)
    spec, photos, out = job
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    drawn = draw(scene, spec)
    assert scene.view is not None
    for path, truth in photos:
        small = cv2.resize(load_photo(path).rgb, SIZE, interpolation=cv2.INTER_AREA)
        mask = in_photo(drawn, scene.view, truth["degradation"])
        save(out / path.stem, np.asarray(small, np.uint8), mask)


def main(photos: Path, out: Path, *caches: Path) -> None:
    """Pictures and masks of all azimuth photographs of a set."""
    truths = json.loads((photos / "truth.json").read_text())
    names = sorted(n for n, t in truths.items() if t["quantity"] == "azimuth")
    jobs = []
    for seed, of_scene in groupby(names, lambda n: n.split("-")[1]):
        copies = [(photos / n, truths[n]) for n in of_scene]
        spec = copies[0][1].get("spec")
        stems = [f for c in caches for f in c.glob(f"*azimuth-{seed}.json")]
        if spec is None and stems:
            spec = json.loads(stems[0].read_text())
        if spec is not None:
            jobs.append((spec, copies, out))
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_one, jobs, chunksize=2)
    print(len(jobs), "scenes")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
