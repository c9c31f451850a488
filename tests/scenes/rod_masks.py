"""Photographs of a cantilever whose scene is known -> small pictures and what each pixel shows.

    python -m tests.scenes.rod_masks PHOTOS OUT CACHE [CACHE ...]

Comes in: the photographs with their `truth.json`, the renders' parameters (`photosets`). Goes out,
for each photograph: in OUT/wide the whole photo shrunk to `SIZE`, in OUT/near a nearer look along
the rod and another along its mirror image (`vision.rod_near`, with a margin round each), and with
each a mask of the same size drawn from the meshes. They are what `tests.teach` teaches from.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import sys
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes import assembly, degrade, photosets
from tests.scenes.outlines import save
from vision import rod_near
from vision.network import out_of, part_of
from vision.print_seen import GHOST
from vision.rod_kinds import (
    BODY,
    BODY_IMAGE,
    HEIGHT,
    INK,
    ROD,
    ROD_IMAGE,
    WIDTH,
    Shown,
    rod_outline,
)

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]
Window = tuple[int, int, int, int]

SIZE = (WIDTH, HEIGHT)
NEAR_SIZE = (204, 292)  # the nearer look and room round it to move in
SCALE = 1.5  # of the drawing to the render
SMALL = 4  # pixels: faces that reach over no more are drawn all at once
IN_GLASS = "back-silvered mirror"
MIRRORS = ("mirror", "black glass", IN_GLASS)
LEAST_IMAGE = 6  # pixels of the shrunk photo that must show the rod's image
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
    """What the nearest face shows at each point of the undistorted picture.

    Faces wholly outside ``window`` (left, top, width, height; pixels of the view) are not drawn.
    """

    def __init__(self, view: Any, scale: float, window: Window | None = None) -> None:
        self.view = view
        left, top, wide, high = window or (0, 0, view.width, view.height)
        frame = np.array([view.width, view.height])
        self.low = np.maximum([left, top], 0) * scale
        self.high = np.minimum([left + wide, top + high], frame) * scale
        self.scale = scale
        size = (round(view.height * self.scale), round(view.width * self.scale))
        self.shows = np.full(size, UNDRAWN, np.uint8)
        self.nearness = np.zeros(size)

    def draw(self, vertices: Array, faces: NDArray[np.int32], value: int) -> None:
        """Draw a mesh: depth decides, 1 / depth is linear in the picture."""
        depth = (vertices - self.view.position) @ self.view.forward
        pixels = (self.view.project(vertices) + 0.5) * self.scale - 0.5
        corners, depths = pixels[faces], depth[faces]
        low, high = np.ceil(corners.min(1)), np.floor(corners.max(1))
        good = (depths.min(1) > 1) & (low <= high).all(1)
        good &= (high >= self.low).all(1) & (low < self.high).all(1)
        small = good & (high - low < SMALL).all(1)
        self._draw_small(corners[small], 1 / depths[small], low[small], value)
        for (a, b, c), inverse in zip(
            corners[good & ~small], 1 / depths[good & ~small], strict=True
        ):
            area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
            if abs(area) < 1e-9:
                continue
            three = np.array([a, b, c])
            x0, y0 = np.maximum(np.ceil(three.min(0)), np.floor(self.low)).astype(int)
            x1, y1 = np.minimum(np.floor(three.max(0)), np.ceil(self.high) - 1).astype(int)
            # all three are linear in x and y: a sum of a row's and a column's part
            x, y = np.arange(x0, x1 + 1), np.arange(y0, y1 + 1)[:, None]
            row, column = _weights(a, b, c, area, x, a[1]), _weights(a, b, c, area, a[0], y)
            u, v = (along + down for along, down in zip(row, column, strict=True))
            one, two = inverse[1:] - inverse[0]
            near = (inverse[0] + row[0] * one + row[1] * two) + (column[0] * one + column[1] * two)
            part = self.nearness[y0 : y1 + 1, x0 : x1 + 1]
            hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9) & (near > part)
            part[hit] = near[hit]
            self.shows[y0 : y1 + 1, x0 : x1 + 1][hit] = value

    def _draw_small(self, corners: Array, inverse: Array, low: Array, value: int) -> None:
        """All faces at once that reach over few pixels."""
        height, width = self.shows.shape
        a, b, c = (corners[:, k].T for k in range(3))
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        area = np.where(np.abs(area) < 1e-9, np.nan, area)
        with np.errstate(invalid="ignore"):
            for off in np.ndindex(SMALL, SMALL):
                x, y = low[:, 0] + off[0], low[:, 1] + off[1]
                u, v = _weights(a, b, c, area, x, y)
                near = inverse[:, 0] + u * (inverse[:, 1] - inverse[:, 0])
                near += v * (inverse[:, 2] - inverse[:, 0])
                hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9)
                hit &= (x >= 0) & (y >= 0) & (x < width) & (y < height)
                rows, columns = y[hit].astype(int), x[hit].astype(int)
                before = self.nearness[rows, columns]
                np.maximum.at(self.nearness, (rows, columns), near[hit])
                nearer = near[hit] > before
                self.shows[rows[nearer], columns[nearer]] = value


def _weights(a: Array, b: Array, c: Array, area: Any, x: Any, y: Any) -> tuple[Array, Array]:
    """How far points lie from a triangle's first corner towards the other two."""
    u = ((x - a[0]) * (c[1] - a[1]) - (y - a[1]) * (c[0] - a[0])) / area
    v = ((b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0])) / area
    return u, v


def class_of(name: str) -> int:
    """Class of a part that stands above the surface."""
    return ROD if name in ROD_PARTS else NOTHING if name in CLEAR else BODY


def glass_mm(spec: dict[str, Any]) -> float:
    """Thickness of the glass over the mirror."""
    return spec["ground"]["thickness_mm"] if spec["surface"] == IN_GLASS else 0.0


def rod_axis(scene: assembly.Assembly) -> Array:
    """Free and other end of a rod's axis."""
    return np.array([scene.points_mm[f"rod axis at {at}"] for at in ("free end", "body")])


def reflected_axis(scene: assembly.Assembly, spec: dict[str, Any]) -> Array:
    """Where both ends of a rod's axis are seen in the mirror below."""
    assert scene.view is not None
    return mirrored(rod_axis(scene), scene.view.position, glass_mm(spec))


def drawing(
    scene: assembly.Assembly,
    spec: dict[str, Any],
    window: Window | None = None,
    scale: float = SCALE,
    ghosts: bool = False,
) -> Mask:
    """Classes in the rendered frame (of use in a window of it), at ``scale`` times its size.

    ``ghosts``: print that shows again in silver is told too.
    """
    view = scene.view
    assert view is not None
    real, flat = Canvas(view, scale, window), Canvas(view, scale, window)
    standing = [(name, mesh) for name, mesh, _ in scene.parts if name not in LEFT_OUT]
    for name, mesh in standing:
        real.draw(mesh.vertices, mesh.faces, class_of(name))
    printed = [mesh for name, mesh, _ in scene.parts if name == "ink"]
    shows = np.zeros(real.shows.shape, np.uint8)
    if spec["surface"] in MIRRORS:
        image, plate = Canvas(view, scale, window), Canvas(view, scale, window)
        for name, mesh in standing:
            if name not in ("foreground", "card"):
                below = mirrored(mesh.vertices, view.position, glass_mm(spec))
                image.draw(below, mesh.faces, class_of(name))
        for name, mesh, _ in scene.parts:
            if name in ("mirror", "black glass", "glass"):
                plate.draw(mesh.vertices, mesh.faces, 0)
        shows[image.shows == ROD] = ROD_IMAGE
        shows[image.shows == BODY] = BODY_IMAGE
        if ghosts and spec["surface"] == IN_GLASS:
            again = Canvas(view, scale, window)
            for mesh in printed:
                below = mirrored(mesh.vertices, view.position, glass_mm(spec))
                again.draw(below, mesh.faces, GHOST)
            shows[again.shows == GHOST] = GHOST
        shows[plate.shows != 0] = NOTHING
    for mesh in printed:
        flat.draw(mesh.vertices, mesh.faces, INK)
    shows[flat.shows == INK] = INK
    shows[real.shows != UNDRAWN] = real.shows[real.shows != UNDRAWN]
    return shows


def through_lens(
    shows: Mask, view: Any, plan: dict[str, Any], photo: Array, size: tuple[int, int]
) -> Mask:
    """What photo pixels (N, 2), the pixels of a picture of a size row by row, show.

    ``shows`` is drawn in the rendered frame, at any scale.
    """
    rendered = (view.width, view.height)
    pixels = degrade.rendered_points(photo, rendered, plan)
    some = slice(None, None, len(pixels) // 50)
    back = degrade.photo_points(pixels[some], rendered, plan)
    inside = (np.abs(pixels[some]) < 2 * view.width).all(1)
    assert np.abs(back - photo[some])[inside].max(initial=0.0) < 1e-4 * plan["width"]
    fine = (pixels + 0.5) * (shows.shape[1] / view.width) - 0.5
    place = fine.astype(np.float32).reshape(size[1], size[0], 2)
    return np.asarray(cv2.remap(shows, place, None, cv2.INTER_NEAREST), np.uint8)


def pixels_of(size: tuple[int, int], frame: Array) -> Array:
    """Photo pixels (N, 2) of all pixels of a picture of a size, by its frame (2, 3)."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    at = np.stack([x, y], -1).reshape(-1, 2).astype(float)
    return out_of(frame, at)


def shrunk(size: tuple[int, int], plan: dict[str, Any]) -> Array:
    """Frame of the whole photo shrunk to a size."""
    k = np.divide(size, (plan["width"], plan["height"]))
    return np.column_stack([np.diag(k), 0.5 * k - 0.5])


def widened(frame: Array, size: tuple[int, int], crop: tuple[int, int]) -> Array:
    """The frame of a larger crop with the same middle and scale."""
    out = frame.copy()
    out[:, 2] += (np.array(crop) - size) / 2
    return out


def near_frames(
    scene: assembly.Assembly, spec: dict[str, Any], plan: dict[str, Any], wide: Mask
) -> dict[str, Array]:
    """Frames of nearer looks: "" at the rod, "-image" at its mirror image, as far as shown.

    And "-beside": a look that mostly shows neither, so that the network sees such ones too.
    """
    view = scene.view
    assert view is not None
    k = plan["width"] / SIZE[0]
    share = np.stack([wide == kind for kind in range(6)]).astype(np.float32)
    outline = rod_outline(Shown(share, k))
    if outline is None:
        return {}
    frames = {"": rod_near.frame(*outline.axis, outline.width)}
    frames["-beside"] = beside(frames[""], spec, plan, (0.7, 1.5))
    if spec["surface"] in MIRRORS and (wide == ROD_IMAGE).sum() > LEAST_IMAGE:
        below = reflected_axis(scene, spec)
        seen = degrade.photo_points(view.project(below), (view.width, view.height), plan)
        frames["-image"] = rod_near.frame(seen[0], seen[1], rod_near.IMAGE_WIDTH * outline.width)
    return frames


def beside(
    frame: Array, spec: dict[str, Any], plan: dict[str, Any], reach: tuple[float, float]
) -> Array:
    """A nearer look's frame moved aside by a random share, within ``reach``, of its size."""
    rng = np.random.default_rng([spec["seed"], plan["width"]])
    away = rng.uniform(*reach, 2) * rng.choice([-1, 1], 2) * (rod_near.WIDTH, rod_near.HEIGHT)
    return np.column_stack([frame[:, :2], frame[:, 2] + away * [1, 0.4]])


def _one(job: tuple[dict[str, Any], list[tuple[Path, dict[str, Any]]], Path]) -> None:
    from vision.photo import load_photo

    cv2.setNumThreads(1)
    spec, photos, out = job
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    drawn = drawing(scene, spec)
    for path, truth in photos:
        plan = truth["degradation"]
        rgb = load_photo(path).rgb
        wide = shrunk(SIZE, plan)
        mask = through_lens(drawn, scene.view, plan, pixels_of(SIZE, wide), SIZE)
        picture = np.asarray(cv2.resize(rgb, SIZE, interpolation=cv2.INTER_AREA), np.uint8)
        save(out / "wide" / path.stem, picture, mask)
        for name, frame in near_frames(scene, spec, plan, mask).items():
            larger = widened(frame, (rod_near.WIDTH, rod_near.HEIGHT), NEAR_SIZE)
            shown = through_lens(drawn, scene.view, plan, pixels_of(NEAR_SIZE, larger), NEAR_SIZE)
            save(out / "near" / (path.stem + name), part_of(rgb, larger, NEAR_SIZE), shown)


def by_scene(quantity: str, photos: Path, caches: Sequence[Path]) -> list[tuple[Any, Any]]:
    """Scenes' parameters, each with the paths and truths of its photographs."""
    truths = json.loads((photos / "truth.json").read_text())
    names = sorted(n for n, t in truths.items() if t["quantity"] == quantity)
    out = []
    for seed, of_scene in groupby(names, lambda n: n.split("-")[1]):
        copies = [(photos / n, truths[n]) for n in of_scene if (photos / n).exists()]
        stems = [f for c in caches for f in c.glob(f"*{quantity}-{seed}.json")]
        if copies and stems:
            out.append((json.loads(stems[0].read_text()), copies))
    return out


def main(photos: Path, out: Path, *caches: Path) -> None:
    """Pictures and masks of all cantilever photographs of a set."""
    jobs = [(*job, out) for job in by_scene("cantilever", photos, caches)]
    with multiprocessing.get_context("spawn").Pool(os.cpu_count()) as pool:
        pool.map(_one, jobs, chunksize=1)
    print(len(jobs), "scenes")


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
