"""Quick drawings in true perspective, for sweeps in tests.

Comes in: angles and camera of one scene, and a random generator. Goes out: 8-bit RGB, the truth and
the focal length in pixels. Everything is placed in three dimensions and projected by a pinhole
camera (`world.View`), mirror images included, so the truth is the angle in space. Convex polygons
are filled by their distance to each edge, which puts edges where they belong to a hundredth of a
pixel; then blur, noise and JPEG.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from tests.scenes import world
from tests.scenes.world import Array, View

Drawing = tuple[NDArray[np.uint8], dict[str, Any], float]
MIRROR = np.array([1.0, 1.0, -1.0])


class Canvas:
    """A linear grey-to-colour picture on which polygons are laid over one another."""

    def __init__(self, view: View, ground: Sequence[float]) -> None:
        self.view = view
        self.pixels = np.empty((view.height, view.width, 3))
        self.pixels[:] = ground

    def fill(self, points_mm: ArrayLike, colour: Sequence[float], opacity: float = 1.0) -> None:
        """Lay a convex polygon, given by its corners in space (N, 3), over the picture."""
        xy = self.view.project(points_mm)
        area = np.sum(xy[:, 0] * np.roll(xy[:, 1], -1) - np.roll(xy[:, 0], -1) * xy[:, 1])
        if area < 0:
            xy = xy[::-1]
        low = np.clip(np.floor(xy.min(0)) - 1, 0, None).astype(int)
        high = np.minimum(np.ceil(xy.max(0)) + 2, [self.view.width, self.view.height]).astype(int)
        if (high <= low).any():
            return
        y, x = np.mgrid[low[1] : high[1], low[0] : high[0]].astype(float)
        inside = np.full(x.shape, np.inf)
        for a, b in zip(xy, np.roll(xy, -1, axis=0), strict=True):
            length = float(np.hypot(*(b - a)))
            if length < 1e-9:
                continue
            d = (b - a) / length
            inside = np.minimum(inside, d[0] * (y - a[1]) - d[1] * (x - a[0]))
        cover = opacity * np.clip(inside + 0.5, 0, 1)[..., None]
        part = self.pixels[low[1] : high[1], low[0] : high[0]]
        part += cover * (np.asarray(colour) - part)

    def bar(
        self, start: Array, end: Array, start_radius: float, end_radius: float,
        colour: Sequence[float], opacity: float = 1.0,
    ) -> None:  # fmt: skip
        """The outline of a round bar between two points: a quadrilateral that faces the camera."""
        middle = (start + end) / 2
        side = world.unit(np.cross(end - start, middle - self.view.position))
        self.fill(
            [start - side * start_radius, end - side * end_radius,
             end + side * end_radius, start + side * start_radius],
            colour, opacity,
        )  # fmt: skip

    def photo(
        self, rng: np.random.Generator, blur_px: float, noise: float, jpeg_quality: int | None
    ) -> NDArray[np.uint8]:
        """Blur, add Gaussian noise (share of full scale) and compress."""
        soft = gaussian_filter(self.pixels, (blur_px, blur_px, 0)) if blur_px else self.pixels
        noisy = soft + rng.normal(0, noise, soft.shape) if noise else soft
        rgb = np.round(255 * np.clip(noisy, 0, 1)).astype(np.uint8)
        if jpeg_quality is None:
            return rgb
        packed = io.BytesIO()
        Image.fromarray(rgb).save(packed, "JPEG", quality=jpeg_quality)
        return np.asarray(Image.open(packed))


def draw_rake(
    rng: np.random.Generator,
    rake_deg: float = 92.0,
    pivot_side: str = "right",
    side_lean_deg: float = 0.0,
    off_axis_deg: float = 0.0,
    elevation_deg: float = 3.0,
    roll_deg: float = 0.0,
    field_mm: float = 3.5,
    distance_mm: float = 60.0,
    rise_deg: float = 20.0,
    yaw_deg: float = 0.0,
    stylus_mm: float = 0.2,
    cone_deg: float = 55.0,
    shank_mm: float = 0.25,
    rod_mm: float = 0.5,
    stylus_grey: float = 0.15,
    reflectance: float = 0.85,
    ground: float = 0.75,
    size: tuple[int, int] = (1200, 900),
    blur_px: float = 1.0,
    noise: float = 0.01,
    jpeg_quality: int | None = 92,
) -> Drawing:
    """Stylus and rod side-on over a mirror.

    Lengths in mm, angles in degrees with the signs of `world`; `rod_mm` is the rod's thickness,
    `reflectance` how strong the mirror image is, `noise` the standard deviation as a share of full
    scale.

    Returns
    -------
    rgb, truth, focal_px
    """
    bearing = {"right": -90.0, "left": 90.0}[pivot_side] + off_axis_deg
    view = _view(bearing, elevation_deg, distance_mm, (0.3, 0, 0.1), roll_deg, field_mm, size)
    axis = world.stylus_axis(rake_deg, side_lean_deg, yaw_deg)
    along = world.cantilever_direction(yaw_deg, rise_deg)
    cone = stylus_mm / 2 / np.tan(np.radians(cone_deg) / 2)
    joint = cone + shank_mm + rod_mm / 2
    canvas = Canvas(view, [ground] * 3)
    for flip, strength in ((MIRROR, reflectance), (np.ones(3), 1.0)):
        grey = [stylus_grey] * 3
        low, high = cone * axis * flip, joint * axis * flip
        canvas.bar(low, high, stylus_mm / 2, stylus_mm / 2, grey, strength)
        canvas.bar(np.zeros(3), low, 0.0, stylus_mm / 2, grey, strength)
        start, end = (joint * axis - 0.3 * along) * flip, (joint * axis + 12 * along) * flip
        canvas.bar(start, end, rod_mm / 2, rod_mm / 2, [0.35, 0.33, 0.3], strength)
    truth = {
        "quantity": "rake", "truth_deg": world.rake_of(axis, yaw_deg), "surface": "mirror",
        "pivot_side_in_photo": pivot_side,
        "points_px": _points(view, {"stylus tip": np.zeros(3), "cone top": cone * axis,
                                    "shank under rod": (cone + shank_mm) * axis}),
    }  # fmt: skip
    return canvas.photo(rng, blur_px, noise, jpeg_quality), truth, view.focal_px


def draw_cantilever(
    rng: np.random.Generator,
    cantilever_deg: float = 2.0,
    sheet_yaw_deg: float = 0.0,
    rise_deg: float = 20.0,
    surface: str = "mirror",
    off_axis_deg: float = 5.0,
    elevation_deg: float = 38.0,
    roll_deg: float = 0.0,
    field_mm: float = 20.0,
    distance_mm: float = 120.0,
    pitch_mm: float = 5.0,
    ink_mm: float = 0.2,
    rod_mm: float = 0.5,
    rod_mm_far: float | None = None,
    rod_grey: float = 0.85,
    null_mm: tuple[float, float] = (0.0, 0.0),
    reflectance: float = 0.8,
    size: tuple[int, int] = (1600, 1200),
    blur_px: float = 1.0,
    noise: float = 0.01,
    jpeg_quality: int | None = 92,
) -> Drawing:
    """Rod over a printed grid, from the front and above; `surface` is "mirror" or "paper".

    `cantilever_deg` is the truth: the rod's direction against the printed line, seen from above.
    """
    if surface not in ("mirror", "paper"):
        raise ValueError(f"surface: {surface!r}; allowed: mirror, paper")
    view = _view(180 + off_axis_deg, elevation_deg, distance_mm, (1.5, 0, 0.4), roll_deg, field_mm,
                 size)  # fmt: skip
    along = world.cantilever_direction(sheet_yaw_deg + cantilever_deg, rise_deg)
    tip = np.array([0.0, 0.0, 0.55])
    far = rod_mm if rod_mm_far is None else rod_mm_far
    start, end = tip - 0.3 * along, tip + 5.5 * along
    ground = 0.62 if surface == "mirror" else 0.85
    canvas = Canvas(view, [ground, ground, 0.97 * ground])
    body = _box((4.0, 22.0), 15.0, (1.6, 12.0), np.eye(3))
    grey = [rod_grey, rod_grey, 0.95 * rod_grey]
    if surface == "mirror":
        for face, shade in zip(body, (0.16, 0.1), strict=True):
            canvas.fill(face * MIRROR, [shade] * 3, reflectance)
        canvas.bar(start * MIRROR, end * MIRROR, rod_mm / 2, far / 2, grey, reflectance)
    turn = world.rotation_z(sheet_yaw_deg)
    for a, b, wide in _grid_lines(pitch_mm, ink_mm, null_mm):
        side = np.array([a[1] - b[1], b[0] - a[0]]) / np.hypot(*(b - a)) * wide / 2
        flat = np.array([a - side, b - side, b + side, a + side])
        canvas.fill(np.column_stack([flat, np.zeros(4)]) @ turn.T, [0.06] * 3)
    canvas.bar(start, end, rod_mm / 2, far / 2, grey)
    canvas.fill(body[0], [0.2] * 3)
    line = turn @ np.array([1.0, 0.0, 0.0])
    truth = {
        "quantity": "cantilever", "truth_deg": world.yaw_of(along) - world.yaw_of(line),
        "surface": surface, "grid_pitch_mm": pitch_mm, "cantilever_rise_deg": rise_deg,
        "points_px": _points(view, {"rod axis at free end": start, "rod axis at stylus": tip,
                                    "null": turn @ np.array([*null_mm, 0.0])}),
    }  # fmt: skip
    return canvas.photo(rng, blur_px, noise, jpeg_quality), truth, view.focal_px


def draw_azimuth(
    rng: np.random.Generator,
    azimuth_deg: float = 1.0,
    off_axis_deg: float = 0.0,
    elevation_deg: float = 7.0,
    roll_deg: float = 0.0,
    body_yaw_deg: float = 0.0,
    body_pitch_deg: float = 0.0,
    body_mm: tuple[float, float] = (15.0, 9.0),
    gap_mm: float = 1.6,
    front_mm: float = 3.0,
    taper: float = 0.0,
    body_grey: float = 0.15,
    reflectance: float = 0.8,
    field_mm: float = 28.0,
    distance_mm: float = 120.0,
    size: tuple[int, int] = (1600, 1200),
    blur_px: float = 1.0,
    noise: float = 0.01,
    jpeg_quality: int | None = 92,
) -> Drawing:
    """Body and its mirror image, head-on; `body_mm` is its width and height."""
    view = _view(180 + off_axis_deg, elevation_deg, distance_mm, (2.0, 0, 1.0), roll_deg, field_mm,
                 size)  # fmt: skip
    turn = world.rotation_z(body_yaw_deg) @ world.rotation_x(azimuth_deg)
    turn = turn @ world.rotation_y(body_pitch_deg)
    faces = _box(
        (front_mm, front_mm + 16.0), body_mm[0], (gap_mm, gap_mm + body_mm[1]), turn, taper
    )
    canvas = Canvas(view, [0.72, 0.72, 0.7])
    # the mirror shows the body's underside; the eye itself sees only its front
    canvas.fill(faces[1] * MIRROR, [0.6 * body_grey] * 3, reflectance)
    canvas.fill(faces[0] * MIRROR, [body_grey] * 3, reflectance)
    canvas.bar(np.zeros(3), np.array([6.0, 0, 1.9]), 0.2, 0.2, [0.5] * 3)
    canvas.fill(faces[0], [body_grey] * 3)
    right, left = faces[0][0], faces[0][1]
    truth = {
        "quantity": "azimuth", "truth_deg": world.azimuth_of(left - right), "surface": "mirror",
        "points_px": _points(view, {
            "front edge left": left, "front edge right": right,
            "image edge left": left * MIRROR, "image edge right": right * MIRROR,
        }),
    }  # fmt: skip
    return canvas.photo(rng, blur_px, noise, jpeg_quality), truth, view.focal_px


def _view(
    bearing_deg: float, elevation_deg: float, distance_mm: float, aim_mm: ArrayLike,
    roll_deg: float, field_mm: float, size: tuple[int, int],
) -> View:  # fmt: skip
    wide = 2 * np.degrees(np.arctan(field_mm / 2 / distance_mm))
    return world.look(bearing_deg, elevation_deg, distance_mm, aim_mm, roll_deg, wide, *size)


def _points(view: View, points_mm: dict[str, Array]) -> dict[str, list[float]]:
    return {name: view.project(p)[0].tolist() for name, p in points_mm.items()}


def _box(
    x: tuple[float, float], width: float, z: tuple[float, float], turn: Array, taper: float = 0.0
) -> tuple[Array, Array]:
    """Front face and underside; the first two corners of each are the lower right and left."""
    low, high = width / 2 * (1 - taper), width / 2
    front = [(x[0], -low, z[0]), (x[0], low, z[0]), (x[0], high, z[1]), (x[0], -high, z[1])]
    under = [(x[0], -low, z[0]), (x[0], low, z[0]), (x[1], low, z[0]), (x[1], -low, z[0])]
    return np.array(front) @ turn.T, np.array(under) @ turn.T


def _grid_lines(
    pitch: float, ink: float, null: tuple[float, float]
) -> list[tuple[Array, Array, float]]:
    ox, oy = null
    lines = []
    for k in range(-6, 7):
        lines.append(((-30.0, oy + k * pitch), (40.0, oy + k * pitch), ink))
        lines.append(((ox + k * pitch, -30.0), (ox + k * pitch, 30.0), ink))
    for k in range(-10, 11):
        if k % pitch:
            lines.append(((ox + k, oy - 0.5), (ox + k, oy + 0.5), 0.6 * ink))
    for dx, dy in ((1.2, 0.0), (0.0, 1.2)):
        lines.append(((ox - dx, oy - dy), (ox + dx, oy + dy), 1.5 * ink))
    return [(np.array(a), np.array(b), w) for a, b, w in lines]
