"""The world the rendered scenes live in: signs, directions and the pinhole camera.

Comes in: angles in degrees. Goes out: unit vectors and pixel positions. Conventions are those of
DEVELOPERS.md, "Conventions": millimetres, origin at the stylus tip, z up from the surface, +x from
the stylus towards the arm pivot; pixels x right, y down, centres at integers. Written on its own,
without the package under test, so that it can serve as an outside check of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def rotation_x(deg: float) -> Array:
    """Rotation about x; positive lifts +y, that is clockwise seen head-on from the front (-x)."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rotation_y(deg: float) -> Array:
    """Rotation about y; positive lowers +x."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rotation_z(deg: float) -> Array:
    """Rotation about z; positive is counter-clockwise seen from above."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def unit(vector: ArrayLike) -> Array:
    """The vector divided by its length."""
    v = np.asarray(vector, dtype=float)
    return v / np.linalg.norm(v)


def cantilever_direction(yaw_deg: float, rise_deg: float) -> Array:
    """Unit vector along the cantilever, from the stylus towards the pivot, rising."""
    y, r = np.radians(yaw_deg), np.radians(rise_deg)
    return np.array([np.cos(r) * np.cos(y), np.cos(r) * np.sin(y), np.sin(r)])


def stylus_axis(rake_deg: float, side_lean_deg: float = 0.0, yaw_deg: float = 0.0) -> Array:
    """Unit vector along the stylus, from the tip upwards.

    Rake is measured from the pivot side in the cantilever's vertical plane (90 = upright, more =
    top away from the pivot); the side lean tilts the axis out of that plane without changing the
    rake of its projection.
    """
    r, lean, y = np.radians(rake_deg), np.radians(side_lean_deg), np.radians(yaw_deg)
    along = np.array([np.cos(y), np.sin(y), 0.0])
    across = np.array([-np.sin(y), np.cos(y), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    return np.cos(lean) * (np.cos(r) * along + np.sin(r) * up) + np.sin(lean) * across


def rake_of(axis: ArrayLike, yaw_deg: float = 0.0) -> float:
    """Rake in degrees of a stylus axis seen in the cantilever's vertical plane."""
    a = np.asarray(axis, dtype=float)
    y = np.radians(yaw_deg)
    return float(np.degrees(np.arctan2(a[2], a[0] * np.cos(y) + a[1] * np.sin(y))))


def azimuth_of(edge: ArrayLike) -> float:
    """Azimuth in degrees of the front lower edge, which points to the viewer's left."""
    return float(np.degrees(np.arcsin(unit(edge)[2])))


def yaw_of(direction: ArrayLike) -> float:
    """Direction seen from above in degrees, counter-clockwise from +x."""
    d = np.asarray(direction, dtype=float)
    return float(np.degrees(np.arctan2(d[1], d[0])))


@dataclass(frozen=True)
class View:
    """A pinhole camera in the world; `right`, `up` and `forward` are its unit axes."""

    position: Array
    right: Array
    up: Array
    forward: Array
    focal_px: float
    width: int
    height: int

    @property
    def centre(self) -> tuple[float, float]:
        """Principal point in pixels: the middle of the frame."""
        return (self.width - 1) / 2.0, (self.height - 1) / 2.0

    def project(self, points: ArrayLike) -> Array:
        """Pixel positions (N, 2) of world points (N, 3) in millimetres."""
        p = np.atleast_2d(np.asarray(points, dtype=float)) - self.position
        depth = p @ self.forward
        cx, cy = self.centre
        return np.stack(
            [
                cx + self.focal_px * (p @ self.right) / depth,
                cy - self.focal_px * (p @ self.up) / depth,
            ],
            axis=1,
        )

    def to_camera(self, vectors: ArrayLike) -> Array:
        """World vectors in the camera frame x right, y down, z forward."""
        return np.asarray(vectors, dtype=float) @ np.stack(
            [self.right, -self.up, self.forward], axis=1
        )


def look(
    bearing_deg: float,
    elevation_deg: float,
    distance_mm: float,
    aim_mm: ArrayLike,
    roll_deg: float,
    horizontal_field_deg: float,
    width: int,
    height: int,
) -> View:
    """Camera that looks at `aim_mm`.

    `bearing_deg` is where the camera stands as seen from the aim: 0 on the pivot side (+x),
    counter-clockwise from above, so 180 is head-on from the front and -90 side-on with the pivot to
    the right. Positive roll turns the picture's content counter-clockwise.
    """
    aim = np.asarray(aim_mm, dtype=float)
    position = aim + distance_mm * cantilever_direction(bearing_deg, elevation_deg)
    forward = unit(aim - position)
    level = unit(np.cross(forward, [0.0, 0.0, 1.0]))
    upright = np.cross(level, forward)
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    right, up = c * level - s * upright, s * level + c * upright
    focal = width / 2.0 / np.tan(np.radians(horizontal_field_deg) / 2.0)
    return View(position, right, up, forward, float(focal), width, height)
