"""A camera over a printed grid, by construction: where tests of grid and cantilever start."""

from __future__ import annotations

import math

import numpy as np

from vision.camera import Camera
from vision.grid import GridPose


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
