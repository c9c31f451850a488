"""Photographs of a cantilever whose scene is known -> small pictures and what each pixel shows.

    python -m tests.scenes.rod_masks CACHE PHOTOS OUT

Comes in: renders' parameters (`photosets`; CACHE may be "-" where `truth.json` holds them as
"spec"), the photographs degraded from them with their `truth.json`. Goes out, for each photograph:
the whole photo shrunk to `SIZE` and a mask of the same size drawn from the scene's meshes.
They are what `tests.teach` teaches from.
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

from tests.scenes import assembly, degrade, photosets
from tests.scenes.outlines import save
from vision.rod_kinds import BODY, BODY_IMAGE, HEIGHT, INK, ROD, ROD_IMAGE, WIDTH

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

SIZE = (WIDTH, HEIGHT)
FINER = 2  # times finer than `SIZE` the meshes are drawn
NOTHING, UNDRAWN = 0, 255
ROD_PARTS = ("cantilever", "sleeve", "band")
CLEAR = ("foreground", "card")  # hide what is behind them, are not shown
LEFT_OUT = ("sheet", "mirror", "black glass", "glass", "silver", "rim", "ink", "scratches", "dust",
            "lint", "table", "backdrop", "thing", "stylus", "stylus tip", "stylus shank",
            "glue")  # fmt: skip
GLASS_INDEX = 1.52


def mirrored(points: Array, eye: Array, thickness_mm: float) -> Array:
    """Where points (N, 3) above a mirror at z = 0 are seen in it.

    Under glass of a thickness the image lies deeper by 2 t cos(a) / sqrt(n^2 - sin(a)^2), `a` the
    angle of the line of sight from the vertical (Snell's law; exact for that ray).
    """
    image = points * [1.0, 1.0, -1.0]
    for _ in range(3 if thickness_mm else 0):
        ray = image - eye
        cos = np.abs(ray[:, 2]) / np.linalg.norm(ray, axis=1)
        deeper = 2 * thickness_mm * cos / np.sqrt(GLASS_INDEX**2 - 1 + cos**2)
        image[:, 2] = -points[:, 2] - deeper
    return image


class Canvas:
    """What the nearest face shows at each point of the undistorted picture."""

    def __init__(self, view: Any, scale: float | None = None) -> None:
        self.view = view
        self.scale = scale or FINER * SIZE[0] / view.width
        size = (round(view.height * self.scale), round(view.width * self.scale))
        self.shows = np.full(size, UNDRAWN, np.uint8)
        self.nearness = np.zeros(size)

    def draw(self, vertices: Array, faces: NDArray[np.int32], value: int) -> None:
        """Draw a mesh: depth decides, 1 / depth is linear in the picture."""
        depth = (vertices - self.view.position) @ self.view.forward
        pixels = (self.view.project(vertices) + 0.5) * self.scale - 0.5
        height, width = self.shows.shape
        corners, depths = pixels[faces], depth[faces]
        low, high = np.ceil(corners.min(1)), np.floor(corners.max(1))
        good = (depths.min(1) > 1) & (low <= high).all(1) & (high >= 0).all(1)
        good &= (low[:, 0] < width) & (low[:, 1] < height)
        for (a, b, c), inverse in zip(corners[good], 1 / depths[good], strict=True):
            area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
            if abs(area) < 1e-9:
                continue
            three = np.array([a, b, c])
            x0, y0 = np.maximum(np.ceil(three.min(0)), 0).astype(int)
            x1, y1 = np.minimum(np.floor(three.max(0)), [width - 1, height - 1]).astype(int)
            x, y = np.arange(x0, x1 + 1), np.arange(y0, y1 + 1)[:, None]
            u = ((x - a[0]) * (c[1] - a[1]) - (y - a[1]) * (c[0] - a[0])) / area
            v = ((b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])) / area
            near = inverse[0] + u * (inverse[1] - inverse[0]) + v * (inverse[2] - inverse[0])
            part = self.nearness[y0 : y1 + 1, x0 : x1 + 1]
            hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (near > part)
            part[hit] = near[hit]
            self.shows[y0 : y1 + 1, x0 : x1 + 1][hit] = value


def class_of(name: str) -> int:
    """Class of a part that stands above the surface."""
    return ROD if name in ROD_PARTS else NOTHING if name in CLEAR else BODY


def undistorted_mask(scene: assembly.Assembly, spec: dict[str, Any]) -> tuple[Mask, float]:
    """Classes in the rendered frame, and the mask's pixels a rendered pixel."""
    view = scene.view
    assert view is not None
    kind = spec["surface"]
    real, flat = Canvas(view), Canvas(view)
    standing = [(name, mesh) for name, mesh, _ in scene.parts if name not in LEFT_OUT]
    for name, mesh in standing:
        real.draw(mesh.vertices, mesh.faces, class_of(name))
    shows = np.zeros(real.shows.shape, np.uint8)
    if kind in ("mirror", "black glass", "back-silvered mirror"):
        image, plate = Canvas(view), Canvas(view)
        thick = spec["ground"]["thickness_mm"] if kind == "back-silvered mirror" else 0.0
        for name, mesh in standing:
            if name not in ("foreground", "card"):
                below = mirrored(mesh.vertices, view.position, thick)
                image.draw(below, mesh.faces, class_of(name))
        for name, mesh, _ in scene.parts:
            if name in ("mirror", "black glass", "glass"):
                plate.draw(mesh.vertices, mesh.faces, 0)
        shows[image.shows == ROD] = ROD_IMAGE
        shows[image.shows == BODY] = BODY_IMAGE
        shows[plate.shows != 0] = NOTHING
    for name, mesh, _ in scene.parts:
        if name == "ink":
            flat.draw(mesh.vertices, mesh.faces, INK)
    shows[flat.shows == INK] = INK
    shows[real.shows != UNDRAWN] = real.shows[real.shows != UNDRAWN]
    return shows, real.scale


def mask_of(scene: assembly.Assembly, spec: dict[str, Any], plan: dict[str, Any]) -> Mask:
    """Classes of the pixels of the shrunk photo, through the lens."""
    shows, scale = undistorted_mask(scene, spec)
    assert scene.view is not None
    fine = (rendered_pixels(scene.view, plan) + 0.5) * scale - 0.5
    place = fine.astype(np.float32)
    return np.asarray(cv2.remap(shows, place, None, cv2.INTER_NEAREST), np.uint8)


def rendered_pixels(view: Any, plan: dict[str, Any]) -> Array:
    """Where in the render each pixel of the shrunk photo was, (rows, columns, 2)."""
    rendered, photo_size = np.array([view.width, view.height]), (plan["width"], plan["height"])
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    photo = (np.stack([x, y], -1).reshape(-1, 2) + 0.5) * np.divide(photo_size, SIZE) - 0.5
    half = np.hypot(*photo_size) / 2
    bent = (photo - (np.array(photo_size) - 1) / 2) / half
    straight = bent.copy()
    for _ in range(20):
        straight = bent / (1 + plan["radial_k1"] * np.sum(straight**2, 1, keepdims=True))
    pixels = straight * half * degrade.MARGIN * view.width / plan["width"] + (rendered - 1) / 2
    some = slice(None, None, len(pixels) // 50)
    back = degrade.photo_points(pixels[some], (view.width, view.height), plan)
    assert np.abs(back - photo[some]).max() < 0.01 * plan["width"] / SIZE[0]
    return np.asarray(pixels.reshape(SIZE[1], SIZE[0], 2))


def _one(job: tuple[Path, dict[str, Any], dict[str, Any], Path]) -> None:
    from vision.photo import load_photo

    photo, spec, truth, out = job
    cv2.setNumThreads(1)
    rgb = load_photo(photo).rgb
    picture = np.asarray(cv2.resize(rgb, SIZE, interpolation=cv2.INTER_AREA), np.uint8)
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    save(out / photo.stem, picture, mask_of(scene, spec, truth["degradation"]))


def main(cache: Path, photos: Path, out: Path) -> None:
    """Pictures and masks of all cantilever photographs of a set."""
    truths = json.loads((photos / "truth.json").read_text())
    jobs = []
    for name, truth in truths.items():
        if truth["quantity"] != "cantilever" or not (photos / name).exists():
            continue
        spec = truth.get("spec")
        if spec is None:
            stems = sorted(cache.glob(f"*-cantilever-{name.split('-')[1]}.json"))
            spec = json.loads(stems[0].read_text()) if stems else None
        if spec is not None and not (out / name).with_suffix(".png").exists():
            jobs.append((photos / name, spec, truth, out))
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        pool.map(_one, jobs, chunksize=4)
    print(len(jobs), "pictures")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:4]))
