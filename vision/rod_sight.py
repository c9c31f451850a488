"""A thin rod above a mirror or print: planes of sight, reflected rays, printed columns beside it.

Lines and pixels (undistorted) in, planes and directions in grid axes out, or yes and no. Reflection
in a back-silvered mirror follows Snell's law.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GLASS_INDEX, GridPose
from vision.ink import lattices, local_rays, sheet_scale
from vision.rod import RISE_DEG, RISE_U_DEG, Limb, Rod

Array = NDArray[np.float64]

PLAIN_SPREAD = 0.2  # paper: at most 0.11 on the tuning photographs; mirrors: 0.29 and more
BESIDE = 0.12  # pitches from a column at which a line along it is not its own
COLUMN_PX = 1.5  # what the middle and the sides of a column are off by at most
ACROSS_PX = 4.0  # a limb that drifts so far from a column's direction is none of its edges
BOLD_TIMES = 3.0  # a null column is drawn at most so many times as wide as the others
LEAST_LEVERAGE_DEG = 0.08  # below, the reflection would not change the reading


def axis_normal(rod: Rod, pose: GridPose) -> Array:
    """Normal, in grid axes, of the plane through the camera and the rod's axis.

    The axis lies midway between the two tangent planes of the limbs (exact for cylinder and cone).
    """
    normals = [line_normal(limb, pose) for limb in (rod.left, rod.right)]
    n = normals[0] + normals[1]
    return np.asarray(n / np.linalg.norm(n))


def line_normal(limb: Limb, pose: GridPose) -> Array:
    """Unit normal, in grid axes, of the plane through the camera and an undistorted line."""
    rays = local_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(rays[0], rays[1])
    return np.asarray(n / np.linalg.norm(n))


def mirrored_rays(undistorted: Array, pose: GridPose) -> tuple[Array, Array]:
    """Where rays leave the mirror upwards (grid x, y, 0) and their directions, in grid axes."""
    rays = local_rays(undistorted, pose)
    start = -pose.origin @ pose.rotation
    foot = start - rays * (start[2] / rays[..., 2])[..., None]
    if pose.thickness is not None:
        slide = 2 * rays[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[..., 2] ** 2)[..., None]
        foot = foot + pose.thickness * np.concatenate(
            [slide, np.zeros((*slide.shape[:-1], 1))], axis=-1
        )
    return foot, rays * (1, 1, -1)


def mirrored_normal(limb: Limb, pose: GridPose) -> Array:
    """Like `line_normal` for a line seen in the mirror: the plane holds the reflected rays."""
    foot, up = mirrored_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(foot[1] - foot[0], up[0] + up[1])
    return np.asarray(n / np.linalg.norm(n))


def image_points(xyz: Array, pose: GridPose) -> Array:
    """Undistorted pixels where points above the mirror (grid axes) are seen reflected."""
    c = pose.camera
    thickness = pose.thickness or 0.0
    foot = xyz * (1, 1, -1)
    eye = -pose.origin @ pose.rotation
    for _ in range(4):
        ray = foot - eye
        ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
        slide = 2 * ray[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + ray[..., 2] ** 2)[..., None]
        run = ray[..., :2] / -ray[..., 2:] * xyz[..., 2:]
        on_sheet = xyz[..., :2] - run - thickness * slide
        foot = np.concatenate([on_sheet, np.zeros((*on_sheet.shape[:-1], 1))], axis=-1)
    q = foot @ pose.rotation.T + pose.origin
    return np.asarray(q[..., :2] / q[..., 2:] * c.f + (c.cx, c.cy))


def direction(turn: Array | float, rise: Array | float) -> Array:
    """Unit vectors in grid axes (..., 3): ``turn`` counter-clockwise from the line, ``rise`` up."""
    level = np.cos(rise)
    return np.stack(
        np.broadcast_arrays(-np.sin(turn) * level, np.cos(turn) * level, np.sin(rise)), axis=-1
    )


def turns_for_rises(normal: Array, rises: Array) -> Array:
    """Turns of the directions of the given rises that lie in the plane with this normal.

    Of the two solutions, the one that runs away from the camera.
    """
    a, b = normal[1] * np.cos(rises), -normal[0] * np.cos(rises)
    half = np.arccos(np.clip(-normal[2] * np.sin(rises) / np.hypot(a, b), -1, 1))
    both = np.arctan2(b, a) + np.stack([half, -half])
    both = (both + math.pi) % (2 * math.pi) - math.pi
    return np.asarray(np.where(np.abs(both[0]) < np.abs(both[1]), both[0], both[1]))


def turn_for_rise(normal: Array, rise: float) -> float:
    """One of `turns_for_rises`."""
    return float(turns_for_rises(normal, np.array(rise)))


def matters(normal: Array) -> bool:
    """Whether knowing the rise would change the reading of an axis in the plane of this normal."""
    spread = [turn_for_rise(normal, math.radians(RISE_DEG + v)) for v in (-RISE_U_DEG, RISE_U_DEG)]
    return math.degrees(abs(spread[1] - spread[0])) / 2 > LEAST_LEVERAGE_DEG


def hidden_by_rod(at: Array, rod: Rod) -> NDArray[np.bool_]:
    """Behind the rod itself, or above its upper end, where the body begins."""
    low, high = rod.axis
    d = (high - low) / np.linalg.norm(high - low)
    normal = np.array([-d[1], d[0]])
    rel = at - low
    along = rel @ d
    off = np.abs(rel @ normal)
    length = np.linalg.norm(high - low)
    beside = off < rod.width_at(at) / 2 + 3.0
    return (beside & (along > -0.6 * rod.width_px)) | (along > length)


def shows_nothing(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod) -> bool:
    """Whether the sheet in front of the rod is plain, as paper is and a mirror is not."""
    low = pose.camera.distort(rod.axis[0])
    origin = pose.on_sheet(low[None])[0]
    steps = np.arange(-12, 13)[:, None] + np.array([0.2, 0.35, 0.5, 0.65, 0.8])
    x, y = np.meshgrid(steps.ravel(), steps.ravel())
    x, y = x.ravel() + round(float(origin[0])), y.ravel() + round(float(origin[1]))
    rel = np.stack([x - origin[0], y - origin[1]], axis=1)
    near = (np.abs(rel[:, 0]) < 1.6) & (rel[:, 1] < -0.2) & (rel[:, 1] > -1.8)
    xy = pose.project(np.stack([x[near], y[near], 0 * x[near]], axis=1))
    height, width = rgb.shape[:2]
    ok = (xy[:, 0] > 4) & (xy[:, 1] > 4) & (xy[:, 0] < width - 5) & (xy[:, 1] < height - 5)
    if ok.sum() < 20:
        return False
    at = xy[ok].astype(int)
    level = cv2.blur(rgb, (7, 7))[at[:, 1], at[:, 0]].astype(float)
    spread = np.quantile(level, 0.85, axis=0) - np.quantile(level, 0.15, axis=0)
    return bool(np.max(spread) < PLAIN_SPREAD * max(float(np.median(level)), 20.0))


def straight_px(limb: Limb) -> float:
    """Drift (px) that errors of the grid and of the fit leave an edge of ink."""
    return max(1.5, 3 * math.sqrt(12 / len(limb.points)) * limb.scatter_px)


def beside_columns(pose: GridPose, limb: Limb) -> list[tuple[float, float, float]]:
    """Mean lattice x of a limb on the sheet, its drift (px) over the length, px a pitch.

    One entry for the lattice and one for its ghost.
    """
    s = np.linspace(0.0, 1.0, 7)
    scale = sheet_scale(pose, (limb.p + limb.q) / 2)
    out = []
    for grid in lattices(pose, limb.p + s[:, None] * (limb.q - limb.p)):
        x = grid[:, 0]
        slope = float((s - 0.5) @ (x - x.mean()) / ((s - 0.5) @ (s - 0.5)))
        out.append((float(x.mean()), abs(slope) * scale, scale))
    return out


def is_column(rod: Rod, pose: GridPose) -> bool:
    """Whether a rod has the place, the course and the width of a printed column."""
    for (one, drift, scale), (other, its_drift, _) in zip(
        *(beside_columns(pose, limb) for limb in (rod.left, rod.right)), strict=True
    ):
        middle, half = (one + other) / 2, abs(other - one) / 2
        beside = abs(middle - round(middle)) * scale
        wider = abs(half - pose.ink_half_width) * scale
        if max(drift, its_drift) < ACROSS_PX and beside < COLUMN_PX and wider < COLUMN_PX:
            return True
    return False
