"""Ridge points and a rough grid pose -> the pose that fits them.

Robust Gauss-Newton least squares of pose, focal length, radial term and glass thickness, with
derivatives written out (Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 6).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.grid_lines import Ridges
from vision.grid_match import (
    AN_END,
    COLUMN,
    ROW,
    TICK,
    Match,
    bare_rays,
    counted,
    layers_told,
    match,
    slide_of,
)
from vision.grid_pose import GLASS_INDEX, GridPose

Array = NDArray[np.float64]
LEAST_POINTS = 9  # one for each number that is fitted
MIN_LINES = 2  # a family needs at least this many distinct lattice lines, or ticks
MIN_TICKS = 5
SHARED_NOISE = 10.0  # ridge points along a line that share one error
# Standard uncertainty that fresh points would not lessen: shading of the lines, lens, ghosts.
FLOOR_DEG, GHOST_FLOOR_DEG, BLENDED_FLOOR_DEG = 0.008, 0.03, 0.15
EITHER_LAYER_DEG = 1.5
FEW_LINES = 3  # of a family, for one on the wrong layer to pass
CLEAN_PX = 0.3  # rms of ridge points about a clean line
RAGGED_PX = 0.28  # above the scatter of clean lines, 0.1 to 0.25 px


def moved_by(pose: GridPose, p: Array) -> GridPose:
    """Pose after the small change p: rotation vector, origin (3), log f, k1, thickness."""
    camera = replace(
        pose.camera, f=pose.camera.f * math.exp(float(p[6])), k1=pose.camera.k1 + float(p[7])
    )
    depth = float(np.linalg.norm(pose.origin))
    # the origin moves with the focal length, so that a change of f leaves the picture's scale
    origin = (pose.origin + depth * p[3:6]) * (1, 1, math.exp(float(p[6])))
    thickness = None if pose.thickness is None else pose.thickness + float(p[8])
    rotation = _small_turn(p[:3]) @ pose.rotation
    return replace(pose, camera=camera, rotation=rotation, origin=origin, thickness=thickness)


def _small_turn(v: Array) -> Array:
    """Rotation matrix of a rotation vector (Rodrigues' formula)."""
    angle = math.sqrt(float(v @ v))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + k)
    return np.asarray(
        np.eye(3) + math.sin(angle) / angle * k + (1 - math.cos(angle)) / angle**2 * (k @ k)
    )


def _cross(a: Array, b: Array) -> Array:
    """Cross products of rows; `numpy.cross` takes several times as long."""
    x, y, z = a.T
    p, q, r = b.T
    return np.stack([y * r - z * q, z * p - x * r, x * q - y * p], axis=1)


def residuals(pose: GridPose, xy: Array, matched: Match) -> tuple[Array, Array]:
    """Pixels from each point's lattice line, (N,), and their derivatives by `moved_by`'s p, (N, 9).

    With X the landing of the ray u and o the origin, a coordinate of X in the grid changes by
    v.dX, v = e_axis less the sheet's normal times the ray's slope; a turn w gives
    v.((X - o) x w), a shift of o gives -v.do, a change of the ray gives depth v.du.
    """
    r = pose.rotation
    bare = bare_rays(pose, xy)
    u = np.column_stack([bare, np.ones(len(bare))])
    rays = u @ r
    start = -pose.origin @ r
    depth = -start[2] / rays[:, 2]
    grid = start[:2] + rays[:, :2] * depth[:, None]
    side = np.minimum(matched.axis, 1)
    row = np.arange(len(xy))
    slope = rays[:, :2] / rays[:, 2:]
    vx = r[:, 0] - slope[:, :1] * r[:, 2]
    vy = r[:, 1] - slope[:, 1:] * r[:, 2]
    v = np.where(side[:, None] == 0, vx, vy)
    value = grid[row, side] - matched.target
    from_origin = depth[:, None] * u - pose.origin
    jac = np.empty((len(xy), 9))
    jac[:, :3] = _cross(v, from_origin)
    jac[:, 3:6] = -float(np.linalg.norm(pose.origin)) * v
    by_ray = depth[:, None] * v  # derivative by the ray
    jac[:, 8] = 0.0
    if pose.thickness is not None:
        t = matched.share * pose.thickness
        slide = slide_of(rays)
        value = value + t * slide[row, side]
        q = -slope  # rays go down: their third component is negative
        long2 = (GLASS_INDEX**2 - 1) * (q[:, 0] ** 2 + q[:, 1] ** 2) + GLASS_INDEX**2
        long = np.sqrt(long2)
        a = -2 * q[row, side][:, None] * (GLASS_INDEX**2 - 1) * q / (long2 * long)[:, None]
        a[row, side] += 2 / long
        bent = (t / -rays[:, 2])[:, None] * (a[:, :1] * vx + a[:, 1:] * vy)
        jac[:, :3] += _cross(bent, u)
        by_ray = by_ray + bent
        jac[:, 8] = matched.share * slide[row, side]
    flat = by_ray[:, 0] * bare[:, 0] + by_ray[:, 1] * bare[:, 1]
    jac[:, 6] = -flat - v[:, 2] * pose.origin[2]
    r2 = (bare[:, 0] ** 2 + bare[:, 1] ** 2) * (pose.camera.f / pose.camera.half_diagonal) ** 2
    jac[:, 7] = -flat * r2 / (1 + 3 * pose.camera.k1 * r2)
    return value * matched.across, jac * matched.across[:, None]


def equations(
    pose: GridPose, xy: Array, matched: Match, focal: tuple[float, float], shared: float = 1.0
) -> tuple[Array, Array]:
    """Normal equations of `moved_by`'s p, Cauchy weights and priors of the lens included.

    The points count ``shared`` times less against the priors. Ends of ticks were picked as those
    that agree among themselves: where they lie off the lattice it is the lattice that is wrong.
    """
    r, jac = residuals(pose, xy, matched)
    sigma = max(1.48 * float(np.median(np.abs(r))), 0.12)
    odd = np.where(matched.which == AN_END, 0.0, r)
    weight = matched.trust / (1 + (odd / (2 * sigma)) ** 2) / sigma**2
    weight /= SHARED_NOISE * shared
    normal = (jac * weight[:, None]).T @ jac
    right = -(jac * weight[:, None]).T @ r
    normal[6, 6] += 1 / focal[1] ** 2
    right[6] += (focal[0] - math.log(pose.camera.f)) / focal[1] ** 2
    normal[7, 7] += 1 / 0.06**2
    right[7] -= pose.camera.k1 / 0.06**2
    normal[8, 8] += 1e-6 if pose.thickness is not None else 1e6
    return normal + 1e-9 * np.diag(np.diag(normal)), right


def fit(
    pose: GridPose,
    points: Ridges,
    focal: tuple[float, float],
    gates: tuple[float, ...] = (3.0, 1.5),
    most: int = 400,
    rounds: int = 4,
    ends: tuple[Array, Array] | None = None,
) -> GridPose | None:
    """Robust (Cauchy) Gauss-Newton of pose, focal length, radial term and glass thickness.

    Parameters
    ----------
    pose : GridPose
        Start; lines to within about a tenth of a pitch.
    points : Ridges
    focal : (float, float)
        Prior mean and standard deviation of the log of the focal length in pixels.
    gates : tuple of float
        Distances in pixels within which points count, one stage after another.
    most, rounds : int
        Points used, and steps a stage.
    ends : (ndarray (M, 2), ndarray (M,)), optional
        Pixels of ends of ticks, and their grid x.

    Returns
    -------
    GridPose or None
        None where too few points or lines lie on the lattice, or the lens would be absurd.
    """
    normal, shared = np.eye(9), 1.0
    least = min(100.0, max(0.1 * len(points.xy), LEAST_POINTS))
    for gate in gates:
        for _ in range(rounds):
            matched = match(pose, points, gate)
            if len(matched) > most:
                matched = matched.picked(np.linspace(0, len(matched) - 1, most).astype(int))
            if len(matched) < least:
                return None
            xy = points.xy[matched.which]
            if ends is not None:
                if not (matched.axis == COLUMN).any():
                    return None
                shared = _shared(matched)  # a lens fitted to the lines' bends would be odd
                xy, matched = np.concatenate([xy, ends[0]]), matched.with_ends(ends[1])
            normal, right = equations(pose, xy, matched, focal, shared)
            try:
                step = np.linalg.solve(normal, right)
            except np.linalg.LinAlgError:
                return None
            step[6] = np.clip(step[6], -0.2, 0.2)
            if np.max(np.abs(step[:3])) > 0.3:
                return None
            pose = moved_by(pose, np.asarray(step, float))
            if pose.thickness is not None and not 0.03 < pose.thickness < 4:
                pose = replace(pose, thickness=None)
            if abs(pose.camera.k1) > 0.3 or abs(math.log(pose.camera.f) - focal[0]) > max(
                4 * focal[1], 0.3
            ):
                return None
            if np.max(np.abs(step[:3])) < (3e-5 if gate == gates[-1] else 1e-3):
                break
    matched = match(pose, points, gates[-1])
    if len(matched) < least:
        return None
    columns, rows, ticks = _lines_of(matched)
    enough = 1 if ticks >= MIN_TICKS else MIN_LINES
    if min(len(columns), len(rows)) < enough:
        return None
    rms_px = float(np.sqrt(np.mean(matched.miss**2)))
    covariance = np.linalg.pinv(normal) * (_shared(matched, most) / shared)
    floor = FLOOR_DEG if pose.thickness is None else GHOST_FLOOR_DEG
    for axis in (COLUMN, ROW):
        if np.sum((matched.axis == axis) & (matched.trust == 1)) < 10:
            # every line of the family has its ghost too near; ragged ones wander from midway
            floor = BLENDED_FLOOR_DEG * max(1.0, rms_px / RAGGED_PX) ** 2
    told = pose.thickness is not None and layers_told(matched)
    pose = replace(pose, columns=columns, rows=rows, layers_told=told)
    if on_either_layer(pose):
        floor = max(floor, EITHER_LAYER_DEG)
    covariance[:3, :3] += np.eye(3) * math.radians(floor) ** 2
    keep = [0, 1, 2, 6]
    return replace(
        pose,
        covariance=np.asarray(covariance[np.ix_(keep, keep)], float),
        rms_px=rms_px,
        ticks=ticks,
        support=float(points.weight[matched.which].sum() / points.weight.sum()),
    )


def _lines_of(matched: Match) -> tuple[tuple[int, ...], tuple[int, ...], int]:
    """Columns and rows that were seen, and how many ticks."""
    columns, rows = (counted(matched.index[matched.axis == axis]) for axis in (COLUMN, ROW))
    return columns, rows, len(counted(matched.index[matched.axis == TICK], 3))


def _shared(matched: Match, most: int | None = None) -> float:
    """How many times less the points tell than if each erred by itself.

    Scatter above that of clean ridges is shared by whole lines: bent, or not the lattice's.
    """
    columns, rows, ticks = _lines_of(matched)
    number = len(matched) if most is None else min(len(matched), most)
    a_line = number / (2 * max(len(columns) + len(rows) + ticks / 4, 1))
    excess = max(0.0, float(np.mean(matched.miss**2)) / CLEAN_PX**2 - 1)
    return 1 + excess * a_line / SHARED_NOISE


def on_either_layer(pose: GridPose) -> bool:
    """Whether in glass a family has so few lines that one on the wrong layer would fit as well."""
    few = min(len(pose.columns), len(pose.rows)) < FEW_LINES
    return pose.thickness is not None and few and not pose.layers_told
