"""One column, one row and the null's 1 mm ticks along the column -> guesses of the grid's pose.

Where the picture shows one line each way, the spacing of the ticks is all that gives the scale.
Along each column that crosses a row, and for each elevation, the spacing is sought at which the
ridges beside the column keep step (a periodogram, Lomb 1976, Astrophys. Space Sci. 39).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.grid_guess import DISTANCES_MM, PITCHES_MM, Planes, families, pose_through
from vision.grid_lines import Line, Ridges
from vision.grid_pose import GridPose

Array = NDArray[np.float64]
LINES = 4  # a family
ELEVATION_STEP = 3  # every so many of the elevations
MOST_POINTS = 800  # beside the lines
SPACING_STEP = 0.018  # of the log: ten ticks on, a fifth of their spacing
INNER, OUTER, FAR = 0.14, 0.52, 10.4  # mm from the column, and along it, where ticks show
ROW_MM = 0.4  # what lies so near the row is the row's
LEAST_RING = 0.55  # mean cosine of the phase
LEAST_SEEN = 0.6  # of the ticks between the outermost ones
MIN_TICKS = 5


def ticked(
    lines: list[Line], points: Ridges, camera: Camera, keep: int = 6
) -> list[tuple[float, GridPose]]:
    """Best poses with the ticks' scale, their pitch known in millimetres, and their scores.

    Parameters
    ----------
    lines : list of Line
    points : Ridges
    camera : Camera
        With a likely focal length.
    keep : int

    Returns
    -------
    list of (float, GridPose)
        Best first; each spacing with every pitch that a printed grid may have.
    """
    columns, rows = families(lines)
    planes = Planes.through(columns[:LINES], rows[:LINES], camera, ELEVATION_STEP)
    if planes is None:
        return []
    all_xy = (camera.undistort(points.xy) - (camera.cx, camera.cy)) / camera.f
    beside = _beside(all_xy * camera.f, columns[:LINES], camera.f / DISTANCES_MM[0])
    some = Ridges(
        points.xy[beside], points.angle[beside], points.weight[beside], points.scale[beside]
    )
    if len(some.xy) > MOST_POINTS:
        pick = np.linspace(0, len(some.xy) - 1, MOST_POINTS).astype(int)
        some, beside = some.thinned(MOST_POINTS), np.nonzero(beside)[0][pick]
    x, y, _, weight = planes.landings(all_xy[beside], some)
    spacing = np.geomspace(
        1 / DISTANCES_MM[1],
        1 / DISTANCES_MM[0],
        math.ceil(math.log(DISTANCES_MM[1] / DISTANCES_MM[0]) / SPACING_STEP),
    )
    found = []
    for k in range(len(x)):
        use = (weight[k] > 0) & (np.abs(x[k]) < OUTER * spacing[-1])
        if use.sum() < 15:
            continue
        score, mm = _in_step(x[k, use], y[k, use], weight[k, use], spacing)
        if score > 0:
            found.append((score, k, mm))
    found.sort(reverse=True)
    return [
        (score, pose_through(planes, k, mm * pitch, camera, pitch))
        for score, k, mm in found[:keep]
        for pitch in PITCHES_MM
    ]


def _beside(xy: Array, columns: list[Line], reach: float) -> NDArray[np.bool_]:
    """Whether points lie within ``reach`` px of one of the columns."""
    near = np.zeros(len(xy), bool)
    for line in columns:
        d = (line.q - line.p) / np.hypot(*(line.q - line.p))
        near |= np.abs((xy - line.p) @ np.array([-d[1], d[0]])) < OUTER * reach
    return near


def _in_step(x: Array, y: Array, weight: Array, spacing: Array) -> tuple[float, float]:
    """How well ridges keep step with the best spacing, less those that do not; and the spacing."""
    aside = np.abs(x) / spacing[:, None]
    up = y / spacing[:, None]
    on = (aside > INNER) & (aside < OUTER) & (np.abs(up) < FAR) & (np.abs(up) > ROW_MM)
    w = np.where(on, weight, 0.0)
    ring = np.sum(w * np.cos(2 * np.pi * up), axis=1)
    mass = np.sum(w, axis=1)
    share = ring / np.maximum(mass, 1e-9)
    value = np.where(share > LEAST_RING, ring * share, 0.0)
    for k in np.argsort(-value)[:6]:
        if value[k] <= 0:
            break
        tick = np.round(up[k])
        close = on[k] & (np.abs(up[k] - tick) < 0.2) & (tick != 0)
        values, counts = np.unique(tick[close], return_counts=True)
        seen = values[counts >= 3]
        if len(seen) < MIN_TICKS:
            continue
        span = int(seen.max() - seen.min() + 1) - int(seen.min() < 0 < seen.max())
        if len(seen) >= LEAST_SEEN * span:
            return float(value[k]), float(spacing[k])
    return 0.0, 0.0
