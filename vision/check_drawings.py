"""Three drawn scenes with known angles, for the check sheet: anyone can test their own phone.

In: nothing. Out: filled polygons in millimetres, to be printed in a panel of 180 x 135 mm and
photographed straight on so that the panel fills the frame. Each shows what a phone with a 26 mm
(35 mm equivalent) lens would see of a real scene: a stylus and its image in a mirror from the
side, a cartridge body and its image from the front, a cantilever and its image over a grid from
the front and above. Plain pinhole projection; angles as in DEVELOPERS.md, "Conventions".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
PANEL_MM = (180.0, 135.0)
FOCAL_MM = 26.0 / 43.27 * math.hypot(*PANEL_MM)
ANGLES = {"rake": 93.0, "azimuth": 1.5, "cantilever": 2.0}
Drawn = list[tuple[Array, float]]


@dataclass(frozen=True)
class _Eye:
    """A pinhole looking at the origin from ``distance``, ``elevation``, ``azimuth`` (degrees)."""

    distance: float
    elevation: float
    azimuth: float

    @property
    def place(self) -> Array:
        e, a = math.radians(self.elevation), math.radians(self.azimuth)
        back = [math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)]
        return self.distance * np.array(back)

    def see(self, points: ArrayLike) -> Array:
        """Panel millimetres (x right, y up) of points (N, 3)."""
        e, a = math.radians(self.elevation), math.radians(self.azimuth)
        ahead = -self.place / self.distance
        up = np.array([-math.sin(e) * math.cos(a), -math.sin(e) * math.sin(a), math.cos(e)])
        right = np.cross(ahead, up)
        q = np.atleast_2d(np.asarray(points, float)) - self.place
        return np.column_stack([q @ right, q @ up]) / (q @ ahead)[:, None] * FOCAL_MM


def drawing(quantity: str) -> Drawn:
    """Polygons (N, 2) in panel millimetres and their greys, back to front.

    Raises
    ------
    ValueError
        For anything but rake, azimuth or cantilever.
    """
    if quantity == "rake":
        return _needle(ANGLES["rake"])
    if quantity == "azimuth":
        return _body(ANGLES["azimuth"])
    if quantity == "cantilever":
        return _rod(ANGLES["cantilever"])
    raise ValueError(f"quantity: expected rake, azimuth or cantilever, got {quantity!r}")


def _needle(rake: float) -> Drawn:
    """Side view at the mirror's level, pivot to the right: 47 mm of paper a millimetre of scene."""
    scale, zero = 47.0, np.array([-9.0, -8.0])
    t, rise, half = math.radians(rake), math.radians(20), 0.11
    axis = np.array([math.cos(t), math.sin(t)])
    side = np.array([-axis[1], axis[0]])
    cone = half / math.tan(math.radians(55 / 2))
    needle = np.array(
        [
            0.008 * side,
            cone * axis + half * side,
            0.75 * axis + half * side,
            0.75 * axis - half * side,
            cone * axis - half * side,
            -0.008 * side,
        ]
    )
    along = np.array([math.cos(rise), math.sin(rise)])
    across = np.array([-along[1], along[0]])
    end, far = 0.65 * axis - 0.45 * along, 0.65 * axis + 2.4 * along
    rod = np.array(
        [end + 0.2 * across, end - 0.2 * across, far - 0.25 * across, far + 0.25 * across]
    )
    drawn: Drawn = []
    for sign, needle_grey, rod_grey in ((-1, 0.5, 0.45), (1, 0.25, 0.18)):
        flip = np.array([1.0, sign])
        drawn.append((needle * flip * scale + zero, needle_grey))
        drawn.append((rod * flip * scale + zero, rod_grey))
    return drawn


def _body(azimuth: float) -> Drawn:
    """Front view from 8 degrees above, x towards the pivot, y to the viewer's left."""
    eye, a = _Eye(55, 8, 180), math.radians(azimuth)

    def at(depth: float, left: float, high: float) -> list[float]:
        y = left * math.cos(a) - (high - 6.5) * math.sin(a)
        return [depth, y, 6.5 + left * math.sin(a) + (high - 6.5) * math.cos(a)]

    drawn: Drawn = []
    for sign, front_grey, top_grey in ((-1, 0.5, 0.62), (1, 0.22, 0.4)):
        flip = np.array([1.0, 1.0, sign])
        lid = 10.0 if sign > 0 else 3.0  # the image shows the underside
        top = [at(x, y, lid) for x, y in ((0, -8.3), (0, 8.3), (11, 8.3), (11, -8.3))]
        front = [at(0, y, z) for y, z in ((-8.3, 3), (8.3, 3), (8.3, 10), (-8.3, 10))]
        drawn.append((eye.see(np.array(top) * flip), top_grey))
        drawn.append((eye.see(np.array(front) * flip), front_grey))
    return drawn


def _rod(direction: float) -> Drawn:
    """Cantilever over a 5 mm grid on a mirror, from 40 degrees up and 6 degrees aside."""
    eye = _Eye(28, 40, 186)
    drawn: Drawn = []

    def line(p: ArrayLike, q: ArrayLike) -> None:
        a, b = np.asarray(p, float), np.asarray(q, float)
        d = (b - a) / np.linalg.norm(b - a)
        n = np.array([-d[1], d[0], 0.0]) * 0.10
        drawn.append((eye.see([a + n, b + n, b - n, a - n]), 0.35))

    def tube(p: Array, q: Array, radius: float, grey: float) -> None:
        d = (q - p) / np.linalg.norm(q - p)
        rims = []
        for end in (p, q):
            s = np.cross(d, eye.place - end)
            s *= radius / np.linalg.norm(s)
            rims.append((end + s, end - s))
        drawn.append((eye.see([rims[0][0], rims[1][0], rims[1][1], rims[0][1]]), grey))

    for k in range(-10, 11, 5):
        line((-10, k, 0), (15, k, 0))
    for k in range(-10, 16, 5):
        line((k, -10, 0), (k, 10, 0))
    psi, rise = math.radians(direction), math.radians(20)
    d = np.array([math.cos(rise) * math.cos(psi), math.cos(rise) * math.sin(psi), math.sin(rise)])
    start, tip = np.array([-0.3, 0.0, 0.55]), np.zeros(3)
    flip, above = np.array([1.0, 1.0, -1.0]), np.array([0.0, 0.0, 0.5])
    tube(start * flip, (start + 8 * d) * flip, 0.225, 0.5)
    tube(tip, -above, 0.1, 0.5)
    tube(tip, above, 0.1, 0.25)
    tube(start, start + 8 * d, 0.225, 0.2)
    return drawn
