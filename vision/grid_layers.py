"""Straight lines -> guesses of the pose of a grid in glass, with the depth of the glass.

Every line has a ghost in the silver. Lattices through lines of both layers explain as much as the
right one without its ghosts, so that both layers are sought at once: through each cross of a column
and a row, for each elevation, a pitch and a depth of glass at which the lines keep step on one
layer or the other (the shift by Snell's law, `grid_match.slide_of`).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.grid_guess import (
    DISTANCES_MM,
    LEAST_LINE_PX,
    PITCHES_MM,
    Planes,
    alike,
    families,
    filled_share,
    pose_through,
    signature,
)
from vision.grid_lines import Line, Ridges
from vision.grid_match import slide_of
from vision.grid_pose import GridPose

Array = NDArray[np.float64]
LINES, MOST_LINES = 5, 26  # a family, for crosses; in all
PITCH_STEP = 0.03  # of the log
DEPTHS = np.arange(0.15, 1.1, 0.03)  # of the glass, in pitches: 1.5 to 5 mm
BINS = 40  # of a pitch
TURN_DEG = 4.0  # of a line in the plane, from its family
LOOKED_AT, LOOKED_AT_EACH = 600, 33  # in the ridge points, after the lines: at least; a pose kept
MOST_POINTS = 500
LEAST_SHARE = 0.5
ALIKE = (0.06, 0.06, 0.04, 0.06, 0.06, 0.05)  # node modulo pitch, size and shape of cell, depth


def in_glass(
    lines: list[Line], points: Ridges, camera: Camera, keep: int = 10
) -> list[tuple[float, GridPose]]:
    """Best distinct poses of a lattice and its ghost through the lines, with their scores.

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
        Best first; the score is the share of the ridges in step, less what chance gives.
    """
    columns, rows = families(lines)
    planes = Planes.through(columns[:LINES], rows[:LINES], camera)
    if planes is None or len(columns) + len(rows) < 5:
        return []
    every = sorted({id(v): v for v in columns + rows}.values(), key=lambda v: -v.weight)
    every = every[:MOST_LINES]
    x, y, weight_x, weight_y = _places(planes, every, camera)
    reach = camera.half_diagonal / camera.f
    low = max(0.17 * reach, PITCHES_MM[0] / DISTANCES_MM[1])
    high = min(1.9 * reach, PITCHES_MM[1] / DISTANCES_MM[0])
    if low > 0.9 * high:
        return []
    pitch = np.geomspace(low, high, math.ceil(math.log(high / low) / PITCH_STEP) + 1)
    grid_rays = np.stack(
        [
            np.sum(planes.cross * axis, axis=1)
            for axis in (planes.across, planes.along, planes.normal)
        ],
        axis=1,
    )
    slide = slide_of(grid_rays)
    total = sum(line.weight for line in every)
    score = (
        _in_step(x, weight_x, pitch, slide[:, 0]) + _in_step(y, weight_y, pitch, slide[:, 1])
    ) / total
    most = min(max(LOOKED_AT, LOOKED_AT_EACH * keep), score.size - 1)
    plane, step, depth = np.unravel_index(
        np.argpartition(-score, most, axis=None)[:most], score.shape
    )
    shift = slide[plane] * DEPTHS[depth, None]
    # a part at a time, for the memory
    parts = [slice(k, k + LOOKED_AT) for k in range(0, max(most, 1), LOOKED_AT)]
    worth = np.concatenate(
        [_judged(planes, plane[k], pitch[step[k]], shift[k], points, camera) for k in parts]
    )
    found: list[tuple[float, GridPose]] = []
    seen: list[Array] = []
    for n in np.argsort(-worth):
        thick = float(DEPTHS[depth[n]])
        pose = pose_through(planes, int(plane[n]), float(pitch[step[n]]), camera, None)
        mark = np.append(signature(pose), thick)
        if any(alike(mark, other, ALIKE) for other in seen):
            continue
        seen.append(mark)
        found.append((float(worth[n]), replace(pose, thickness=thick)))
        if len(found) >= keep or worth[n] < LEAST_SHARE * worth.max():
            break
    return found


def _judged(
    planes: Planes, plane: NDArray[np.intp], pitch: Array, shift: Array, points: Ridges,
    camera: Camera,
) -> Array:  # fmt: skip
    """Share of the ridges that lie on either layer, less what chance gives and gaps, (M,)."""
    thin = points.thinned(MOST_POINTS)
    some, where = np.unique(plane, return_inverse=True)
    part = planes.picked(some)
    xy = (camera.undistort(thin.xy) - (camera.cx, camera.cy)) / camera.f
    x, y, weight_x, weight_y = part.landings(xy, thin)
    least = LEAST_LINE_PX * len(thin.xy) / len(points.xy)
    on = np.zeros(len(plane))
    for place, weight, axis, short in (
        (x, weight_x, 0, np.ones(len(some))),
        (y, weight_y, 1, np.sin(part.phi)),
    ):
        px = (pitch * camera.f * short[where])[:, None]
        at, w = place[where] / pitch[:, None], weight[where]
        gain = np.zeros(at.shape)
        index = np.round(at)
        for layer in (at, at + shift[:, axis, None]):
            nearest = np.round(layer)
            away = (layer - nearest) * px / (3 + 0.02 * np.abs(nearest) * px)
            near = np.maximum(0, 1 - away**2)
            index = np.where(near > gain, nearest, index)
            gain = np.maximum(gain, near)
        on += np.sum(w * (gain - 8 / px), axis=1) * filled_share(index, w * gain, least)
    return np.asarray(on / float(points.weight.sum()) * len(points.xy) / len(thin.xy))


def _places(planes: Planes, lines: list[Line], camera: Camera) -> tuple[Array, Array, Array, Array]:
    """Where lines lie across and along each plane, (M, L); weights as columns and rows."""
    ends = np.array([[line.p, line.q] for line in lines]).reshape(-1, 2) / camera.f
    rays = np.column_stack([ends, np.ones(len(ends))])
    with np.errstate(all="ignore"):
        t = np.sum(planes.normal * planes.cross, axis=1)[:, None] / (planes.normal @ rays.T)
    ahead = (t > 0).reshape(len(t), -1, 2).all(axis=2)
    ax, ay = (
        np.sum(axis * planes.cross, axis=1)[:, None] for axis in (planes.across, planes.along)
    )
    x = (t * (planes.across @ rays.T) - ax).reshape(len(t), -1, 2)
    y = (t * (planes.along @ rays.T) - ay).reshape(len(t), -1, 2)
    turn = np.arctan2(np.abs(x[..., 1] - x[..., 0]), np.abs(y[..., 1] - y[..., 0]))
    weight = np.where(ahead, np.array([line.weight for line in lines]), 0.0)
    spread = math.radians(TURN_DEG)
    as_column = weight * np.exp(-0.5 * (turn / spread) ** 2)
    as_row = weight * np.exp(-0.5 * ((math.pi / 2 - turn) / spread) ** 2)
    return x.mean(axis=2), y.mean(axis=2), as_column, as_row


def _in_step(place: Array, weight: Array, pitch: Array, slide: Array) -> Array:
    """Weight in step with each pitch and depth on either layer, (M, pitches, depths)."""
    m, p = len(place), len(pitch)
    # lines far from the cross carry little: a small error of the pitch takes them out of step
    phase = (place[:, None, :] / pitch[None, :, None]).astype(np.float32)
    phase = np.clip(phase, -99, 99)
    w = np.broadcast_to(weight[:, None, :], phase.shape)
    w = np.where(np.abs(phase) < 4.5, w, 0.0)
    bins = np.mod(np.round(phase * BINS).astype(np.int32), BINS)
    flat = (np.arange(m * p).reshape(m, p, 1) * BINS + bins).ravel()
    table = np.bincount(flat, w.ravel(), minlength=m * p * BINS).astype(np.float32)
    table = table.reshape(m, p, BINS)
    wide = np.concatenate([table[..., -2:], table, table[..., :2]], axis=2)
    soft = wide[..., 2:-2] + 0.9 * (wide[..., 1:-3] + wide[..., 3:-1])
    soft += 0.5 * (wide[..., :-4] + wide[..., 4:])
    away = np.round(-slide[:, None] * DEPTHS * BINS).astype(np.int64)  # (M, depths)
    ghost = np.take_along_axis(soft, np.mod(away, BINS)[:, None, :], axis=2)
    apart = np.abs(np.mod(away + BINS // 2, BINS) - BINS // 2)
    ghost = ghost * np.clip((apart - 1) / 4, 0, 1)[:, None, :]
    chance = weight.sum(axis=1)[:, None, None] * (3.8 / BINS)
    return np.asarray(soft[:, :, :1] + ghost - 2 * chance)
