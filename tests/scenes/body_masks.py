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

from tests.scenes import assembly, degrade, photosets, world
from tests.scenes.outlines import save

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

SIZE = (448, 336)
FINE = 0.5  # pixels of the drawing a rendered pixel
NOTHING, BODY, IMAGE, HOLDER, ROD, UNDER = range(6)
NAMES = ("nothing", "body", "image of its faces", "shell, arm, screws", "rod and stylus",
         "image of its underside")  # fmt: skip
LEVEL = 0.8  # vertical part of a face's normal from which it counts as underside
HOLDERS = ("shell", "arm", "screw", "thread")
RODS = ("stylus", "stylus tip", "stylus shank", "cantilever", "sleeve", "band", "collar", "glue")
OTHERS = ("table", "backdrop", "sheet", "mirror", "glass", "silver", "black glass", "rim", "record",
          "record beyond", "dust", "lint", "scratches", "thing", "card",
          "ink")  # fmt: skip
INDEX = 1.52  # of the renderer's glass


def kind_of(name: str) -> int | None:
    """What a part of the scene counts as; None for what is not drawn."""
    if name in OTHERS:
        return None
    if name == "foreground":
        return NOTHING
    return HOLDER if name in HOLDERS else ROD if name in RODS else BODY


def mirrored(points: Array, camera: Array, glass_mm: float | None) -> Array:
    """Where the mirror images of points (N, 3) are seen from a camera."""
    sunk = points[:, 2].copy()
    if glass_mm:
        across = np.hypot(points[:, 0] - camera[0], points[:, 1] - camera[1])
        for _ in range(4):
            slope = (camera[2] + sunk) / np.hypot(across, camera[2] + sunk)
            lost = 2 * glass_mm * slope / np.sqrt(INDEX**2 - 1 + slope**2)
            sunk = points[:, 2] + lost
    return np.column_stack([points[:, :2], -sunk])


def draw(spec: dict[str, Any]) -> Mask:
    """What each pixel of the render shows, at FINE times its size."""
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    view = scene.view
    assert view is not None
    shape = (round(view.height * FINE), round(view.width * FINE))
    real, near = np.zeros(shape, np.uint8), np.zeros(shape)
    below, below_near = np.zeros(shape, np.uint8), np.zeros(shape)
    plate = np.zeros(shape, np.uint8)
    glass = spec["ground"]["thickness_mm"] if spec["surface"] == "back-silvered mirror" else None
    for name, mesh, _ in scene.parts:
        if name in ("mirror", "glass", "black glass"):
            cover(plate, np.zeros(shape), view, mesh.vertices, mesh.faces, 1)
        kind = kind_of(name)
        if kind is None:
            continue
        cover(real, near, view, mesh.vertices, mesh.faces, kind)
        if kind in (BODY, HOLDER, ROD):
            seen = mirrored(mesh.vertices, view.position, glass)
            level = facing_up(mesh.vertices, mesh.faces) > LEVEL
            for faces, shown in ((mesh.faces[~level], IMAGE), (mesh.faces[level], UNDER)):
                cover(below, below_near, view, seen, faces, shown if kind == BODY else kind)
    return np.asarray(np.where((near == 0) & (plate > 0), below, real), np.uint8)


def facing_up(points: Array, faces: Array) -> Array:
    """How much each face looks up or down, 0 to 1."""
    corners = points[faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(np.abs(normal[:, 2]) / np.maximum(np.linalg.norm(normal, axis=1), 1e-12))


def cover(
    kinds: Mask, near: Array, view: world.View, points: Array, faces: Array, kind: int
) -> None:
    """Lay triangles over a picture where they are nearest; `near` holds 1 / depth."""
    inverse = 1 / np.maximum((points - view.position) @ view.forward, 1e-3)
    corners = (view.project(points) + 0.5) * FINE - 0.5
    height, width = kinds.shape
    for face in faces:
        p, w = corners[face], inverse[face]
        x0, y0 = np.maximum(np.ceil(p.min(axis=0)), 0).astype(int)
        x1, y1 = np.minimum(np.floor(p.max(axis=0)), (width - 1, height - 1)).astype(int)
        if x1 < x0 or y1 < y0:
            continue
        a, b = p[1] - p[0], p[2] - p[0]
        area = a[0] * b[1] - a[1] * b[0]
        if abs(area) < 1e-9:
            continue
        x = np.arange(x0, x1 + 1) - p[0, 0]
        y = (np.arange(y0, y1 + 1) - p[0, 1])[:, None]
        u, v = (x * b[1] - y * b[0]) / area, (a[0] * y - a[1] * x) / area
        depth = w[0] + u * (w[1] - w[0]) + v * (w[2] - w[0])
        part = np.s_[y0 : y1 + 1, x0 : x1 + 1]
        wins = (u >= 0) & (v >= 0) & (u + v <= 1) & (depth > near[part])
        kinds[part][wins] = kind
        near[part][wins] = depth[wins]


def in_photo(drawn: Mask, plan: dict[str, Any]) -> Mask:
    """The drawing as the degraded photo shows it, in SIZE."""
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    width, height = plan["width"], plan["height"]
    half = np.hypot(width, height) / 2
    at = np.stack([(x + 0.5) * width / SIZE[0], (y + 0.5) * height / SIZE[1]], axis=-1)
    bent = (at - np.array([width, height]) / 2) / half
    grow = np.ones(bent.shape[:2])
    square = np.sum(bent**2, axis=-1)
    for _ in range(8):
        grow = 1 / (1 + plan["radial_k1"] * square * grow**2)
    rendered = bent * grow[..., None] * half * degrade.MARGIN * photosets.WIDTH / width
    rendered += np.array([photosets.WIDTH, photosets.HEIGHT]) / 2
    place = (rendered * FINE - 0.5).astype(np.float32)
    return np.asarray(cv2.remap(drawn, place, None, cv2.INTER_NEAREST), np.uint8)


def _one(job: tuple[dict[str, Any], list[tuple[Path, dict[str, Any]]], Path]) -> None:
    from vision.photo import load_photo

    cv2.setNumThreads(1)
    spec, photos, out = job
    drawn = draw(spec)
    for path, truth in photos:
        small = cv2.resize(load_photo(path).rgb, SIZE, interpolation=cv2.INTER_AREA)
        save(out / path.stem, np.asarray(small, np.uint8), in_photo(drawn, truth["degradation"]))


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
