"""Limbs of cylinders and edges of printed columns, built in three dimensions for tests.

Tangent planes through the camera give a cylinder's silhouette; nothing here uses the finders.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.rod import Limb, Rod

Array = NDArray[np.float64]
RADIUS, TALL, TURN_DEG = 0.05, 0.12, 2.0  # of a cylinder over the grid; pitches


def limb_of(ends: Array) -> Limb:
    """A limb through two points (2, 2), lower end first."""
    points = ends[0] + np.linspace(0, 1, 30)[:, None] * (ends[1] - ends[0])
    return Limb(ends[0], ends[1], 0.03, 2e-4, 0.15, 1.0, 5.0, points)


def seen_limb(pose: GridPose, *points: tuple[float, float, float]) -> Limb:
    """The limb through two points of the sheet's space, pitches."""
    return limb_of(pose.project(np.array(points)))


def column(pose: GridPose, half_width: float) -> tuple[Limb, Limb]:
    """Both edges of the column x = 0, as printed."""
    return (
        seen_limb(pose, (-half_width, 0.1, 0.0), (-half_width, 0.9, 0.0)),
        seen_limb(pose, (half_width, 0.1, 0.0), (half_width, 0.9, 0.0)),
    )


def cylinder_axis(turn_deg: float, rise_deg: float, height: float) -> tuple[Array, Array]:
    """Where a cylinder's axis begins above the node (0, 0), and its direction."""
    t, r = math.radians(turn_deg), math.radians(rise_deg)
    d = np.array([-math.sin(t) * math.cos(r), math.cos(t) * math.cos(r), math.sin(r)])
    return np.array([0.0, 0.0, height]), d


def cylinder_rings(rise_deg: float, along: Array, count: int) -> list[Array]:
    """Points of the surface of `cylinder_rod`'s cylinder, so far along its axis (pitches)."""
    start, d = cylinder_axis(TURN_DEG, rise_deg, TALL)
    turn = np.linspace(0, 2 * math.pi, count)[:, None]
    aside = np.cross(d, [0.0, 0.0, 1.0])
    aside /= np.linalg.norm(aside)
    ring = RADIUS * (np.cos(turn) * aside + np.sin(turn) * np.cross(d, aside))
    return [start + s * d + ring for s in along]


def cylinder_rod(pose: GridPose, rise_deg: float) -> Rod:
    """A cylinder of the usual thickness and height as a rod that is seen."""
    left, right = cylinder(pose, TURN_DEG, RADIUS, rise_deg, TALL)
    return Rod(left, right, 100.0, float(np.linalg.norm(right.p - left.p)))


def cylinder(
    pose: GridPose, turn_deg: float, radius: float, rise_deg: float, height: float = 0.1
) -> tuple[Limb, Limb]:
    """Left and right silhouette of a cylinder that begins above the node (0, 0)."""
    start, d = cylinder_axis(turn_deg, rise_deg, height)
    eye = -pose.origin @ pose.rotation
    out = eye - start - ((eye - start) @ d) * d
    distance = float(np.linalg.norm(out))
    u = out / distance
    half = math.acos(radius / distance)
    limbs = []
    for sign in (1, -1):
        touch = start + radius * (math.cos(half) * u + sign * math.sin(half) * np.cross(d, u))
        limbs.append(limb_of(pose.project(np.array([touch, touch + 0.8 * d]))))
    limbs.sort(key=lambda limb: float(limb.p[0]))
    return limbs[0], limbs[1]


def turn_between(p: Array, q: Array, ends: tuple[Array, Array]) -> float:
    """Angle (radians) by which a line is turned from the line p to q."""
    run, own = q - p, ends[1] - ends[0]
    return math.atan2(run[0] * own[1] - run[1] * own[0], run @ own)
