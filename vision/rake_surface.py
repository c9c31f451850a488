"""Which way the surface runs in a side-on close-up: mirror image or grooves.

In: the photo, then the rod and the stylus. Out: the rod with its mirror image, and lines
for `vision.rake_model`: ``normal`` (from a mirror image) or ``surface`` (from grooves).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.groove import Groove
from vision.mirror_image import Normal, SymmetryLine, find_normal, find_symmetry
from vision.rake_model import Line
from vision.side_rod import Pair, RodLine, SideRod, find_side_rod

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]

LEAST_MATCHED = 5.0  # blocks found again in the mirror image
LEAST_NEAR = 2.5  # of them about the rod, where the whole picture mirrors itself
ABOUT_STYLUS = 0.3  # of the rod's thickness: what lies so near the stylus counts as stylus
LEAST_SHARPNESS = 0.6  # of the image against the object: a record smears what it reflects
LEAST_SHARE = 0.08
WEAK_MATCHED, WEAK_SHARE = 10.0, 0.45  # where the image is weak
# Half of 2 mm along a groove of 60 to 146 mm radius, seen at the usual few degrees of elevation.
ARC_U_DEG = 0.04


@dataclass(frozen=True)
class RodOverSurface:
    """The cantilever, and the mirror's normal where there is a mirror.

    ``rod.pairs`` then hold the rod's limbs mirrored about the line of symmetry.
    """

    rod: SideRod
    normal: Normal | None


def find_rod_over_surface(rgb: Picture, pivot: str = "auto") -> RodOverSurface | None:
    """The cantilever of a side-on photo and the mirror under it, or None without a cantilever.

    The line of symmetry is looked for first, so that the rod's image is not taken for the rod.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    pivot : {"auto", "left", "right"}
    """
    line = find_symmetry(rgb)
    if line is not None and line.matched > LEAST_MATCHED:
        width = rgb.shape[1]
        lowest = max(line.y_at(0), line.y_at(width))
        rod = find_side_rod(rgb[: max(int(lowest), 1)], pivot)
        normal = None if rod is None else find_normal(rgb, rod, line)
        if rod is not None and normal is not None and _is_mirror(normal.line, LEAST_NEAR):
            return RodOverSurface(_mirrored(rod, normal), normal)
    rod = find_side_rod(rgb, pivot)
    if rod is None:
        return None
    if rod.mirrored:
        height, tilt = rod.surface_at_free_end()
        start = SymmetryLine(np.array([rod.free_end[0], height]), tilt, 0.0, 0.0, 0.0)
        normal = find_normal(rgb, rod, start)
        if normal is not None and _is_mirror(normal.line):
            return RodOverSurface(_mirrored(rod, normal), normal)
    return RodOverSurface(replace(rod, pairs=(), mirror_score=0.0), None)


def normal_line(normal: Normal, stylus_x: float, rod: SideRod) -> Line:
    """The mirror's normal, as the stylus shows it, as a line for `vision.rake_model.solve`."""
    normal = normal.about(stylus_x, ABOUT_STYLUS * rod.thickness)
    (ax, ay), (bx, by) = normal.p0, normal.p1
    return Line("normal", float(ax), float(ay), float(bx), float(by), normal.angle_u)


def groove_lines(groove: Groove, tip: Array, reach: float) -> list[Line]:
    """The grooves' direction as lines for `vision.rake_model.solve`.

    One for each side of the tip on which they show, where they were seen, so that the lens'
    distortion is allowed for; an arc's own bend up to the tip is part of their uncertainty.
    """
    sides = [("surface", float(tip[0]), float(tip[1]), groove.slope_deg, groove.u_deg)]
    if groove.sides:
        sides = [
            (f"surface {side}", x, y, slope, math.hypot(u, ARC_U_DEG))
            for side, (x, y, slope, u) in zip(("one", "other"), groove.sides, strict=False)
        ]
    lines = []
    for name, x, y, slope, u in sides:
        dx, dy = reach * math.cos(math.radians(slope)), reach * math.sin(math.radians(slope))
        lines.append(Line(name, x - dx, y - dy, x + dx, y + dy, math.radians(u)))
    return lines


def _is_mirror(line: SymmetryLine, least: float = LEAST_MATCHED) -> bool:
    """Whether the image is as steep as the object, or weak but the same block by block.

    A record smears what it reflects: its image is neither. Black glass gives a weak, sharp one.
    """
    steep = line.sharpness > LEAST_SHARPNESS and line.share > LEAST_SHARE
    same = line.matched > WEAK_MATCHED and line.share > WEAK_SHARE
    return line.matched > least and (steep or same)


def _mirrored(rod: SideRod, normal: Normal) -> SideRod:
    """The rod with its limbs mirrored across the normal, about the line at its free end."""
    along = normal.p1 - normal.p0
    along = along / np.linalg.norm(along)
    x = float(rod.free_end[0])
    foot = np.array([x, normal.line.y_at(x)])

    def image(limb: RodLine) -> RodLine:
        a, b = (
            p - 2 * along * float((p - foot) @ along)
            for p in (np.array([limb.x0, limb.y0]), np.array([limb.x1, limb.y1]))
        )
        return RodLine(float(a[0]), float(a[1]), float(b[0]), float(b[1]), limb.support)

    pairs: tuple[Pair, ...] = ((rod.top, image(rod.top)), (rod.bottom, image(rod.bottom)))
    return replace(rod, pairs=pairs, mirror_score=rod.score)
