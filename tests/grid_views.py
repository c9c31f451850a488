"""A camera over a printed grid, by construction: where tests of grid and cantilever start."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from vision.camera import Camera
from vision.grid import GLASS_INDEX, GridPose

Array = NDArray[np.float64]


def grid_pose(
    elevation: float, aside: float, roll: float, f: float = 9000.0, thickness: float | None = None
) -> GridPose:
    """Camera ``elevation`` degrees up, grid turned by ``aside``, looking at the node (0, 0)."""
    e, a, r = (math.radians(v) for v in (elevation, aside, roll))
    right, ahead = np.array([1.0, 0, 0]), np.array([0, -math.sin(e), math.cos(e)])
    up = np.array([0, -math.cos(e), -math.sin(e)])
    x, y = math.cos(a) * right + math.sin(a) * ahead, math.cos(a) * ahead - math.sin(a) * right
    turn = np.array([[math.cos(r), -math.sin(r), 0], [math.sin(r), math.cos(r), 0], [0, 0, 1]])
    rotation = turn @ np.column_stack([x, y, up])
    return GridPose(
        Camera(f, 799.5, 599.5, 0.0, 1000.0),
        rotation,
        np.array([0.0, 0.0, 28.0]),
        np.diag([1e-5, 1e-5, 1e-5, 1e-3]) ** 2,
        0.2,
        0.9,
        (-2, 2),
        (-2, 2),
        thickness,
    )


def seen_in_mirror(pose: GridPose, points: Array) -> Array:
    """Pixels of reflections: mirrored points, or Snell's law through the glass by root finding."""
    if pose.thickness is None:
        return pose.project(points * (1, 1, -1))
    eye = -pose.origin @ pose.rotation
    out = []
    for p in points:
        span = np.hypot(*(p[:2] - eye[:2]))
        towards = (p[:2] - eye[:2]) / span

        def miss(x: float, p: Array = p, span: float = span) -> float:
            angle = math.atan2(x, eye[2])
            inside = math.asin(math.sin(angle) / GLASS_INDEX)
            return x + 2 * pose.thickness * math.tan(inside) + p[2] * math.tan(angle) - span

        x = brentq(miss, 0.0, span)
        out.append([*(eye[:2] + x * towards), 0.0])
    return pose.project(np.array(out))
