"""Grids in glass: every line and its ghost in the silver, and which of the two is the line.

With few lines a ghost passes for a line. The poses made here differ in what is taken for which;
how much each explains (`grid_choose`) decides.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.grid_choose import explained
from vision.grid_fit import FEW_LINES, equations, fit, moved_by
from vision.grid_lines import Ridges
from vision.grid_match import COLUMN, ROW, counted, doubled, match, view_of
from vision.grid_pose import GridPose

Array = NDArray[np.float64]
LEAST_DOUBLED = 0.25  # of the lines' lengths, on both layers


def with_ghost(pose: GridPose, points: Ridges) -> GridPose | None:
    """The pose with the glass thickness that explains most of what the front lattice does not."""
    view = view_of(pose, points)
    miss = np.where(view.turned, (view.grid - np.round(view.grid)) * view.across, np.inf)
    rest = np.all(np.abs(miss) > 2.0, axis=1) & np.any(view.turned, axis=1)
    if rest.sum() < 60:
        return None
    # a row for columns, one for rows: NumPy is slow along short rows
    grid, slide, across, turned = (
        np.ascontiguousarray(v[rest].T) for v in (view.grid, view.slide, view.across, view.turned)
    )
    weight = points.weight[rest]
    steps = np.arange(0.10, 1.5, 0.015)
    gain = np.empty(len(steps))
    for k, thickness in enumerate(steps):
        where = grid + thickness * slide
        away = np.where(turned, (where - np.round(where)) * across, np.inf)
        m = np.minimum(*np.abs(away))
        gain[k] = np.sum(weight * np.maximum(0, 1 - (m / 3.0) ** 2))
    k = int(np.argmax(gain))
    if gain[k] < 0.12 * weight.sum() or gain[k] < 1.5 * np.median(gain):
        return None
    return replace(pose, thickness=float(steps[k]))


def has_ghosts(pose: GridPose, points: Ridges) -> bool:
    """Whether ghosts of columns and rows, three in all, were seen, in glass of a likely depth."""
    if pose.thickness is None or pose.thickness > 1.3:
        return False
    matched = match(pose, points, 1.5)
    if doubled(matched) < LEAST_DOUBLED:
        return False
    alone = [counted(matched.index[matched.ghost & (matched.axis == k)]) for k in (COLUMN, ROW)]
    back = [
        counted(matched.index[(matched.share > 0) & (matched.axis == k)]) for k in (COLUMN, ROW)
    ]
    enough = len(back[0]) + len(back[1]) >= 3 and min(len(back[0]), len(back[1])) >= 1
    # ghosts of one family only, midway between its lines: as well the lines of smaller cells
    slide = np.median(view_of(pose, points).slide, axis=0) * pose.thickness
    midway = np.abs(np.mod(slide, 1) - 0.5) < 0.07
    if any(midway[k] and not alone[1 - k] for k in (COLUMN, ROW)):
        return False
    return enough and len(alone[0]) + len(alone[1]) >= 2


def swapped(
    best: tuple[float, GridPose], points: Ridges, prior: tuple[float, float]
) -> tuple[float, GridPose]:
    """Undo a front/ghost mix-up in one family of lines, where that explains more.

    Fronts of the columns with ghosts of the rows also make a good lattice, but a tilted one.
    """
    _score, pose = best
    if pose.thickness is None:
        return best
    slide = np.median(view_of(pose, points).slide, axis=0) * pose.thickness
    some = points.thinned(600)
    level = explained(pose, some, prior, 2.0)
    for move in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        start = replace(pose, origin=pose.origin + pose.rotation[:, :2] @ (slide * move))
        tried = fit(start, some, prior, (3.0, 2.0))
        if tried is None or explained(tried, some, prior, 2.0) < level - 0.05:
            continue
        tried = fit(tried, points, prior, (1.5,))
        reach = -1.0 if tried is None else explained(tried, points, prior)
        if tried is not None and reach > best[0]:
            best = (reach, tried)
    return best


def line_swapped(
    pose: GridPose, points: Ridges, prior: tuple[float, float]
) -> list[tuple[float, GridPose]]:
    """Poses with one line's front taken for its ghost, or the other way round, and their scores.

    A line that shows on one layer only may be on either. With two or three lines a family nothing
    but these poses' fits tells which, so that they are rivals of the first.
    """
    matched = match(pose, points, 1.5)
    out = []
    for axis in (COLUMN, ROW):
        of_axis = matched.axis == axis
        lines = counted(matched.index[of_axis])
        if len(lines) > FEW_LINES:
            continue
        for line in lines:
            here = of_axis & (matched.index == line) & (matched.trust == 1)
            front, ghost = (here & (matched.share == k) for k in (0.0, 1.0))
            if min(front.sum(), ghost.sum()) > 0.3 * max(front.sum(), ghost.sum(), 20):
                continue
            share = np.where(here, 1 - matched.share, matched.share)
            moved: GridPose | None = pose
            for _ in range(5):
                if moved is None or moved.thickness is None:
                    break
                normal, right = equations(
                    moved, points.xy[matched.which], replace(matched, share=share), prior
                )
                step = np.asarray(np.linalg.solve(normal, right), float)
                step[6] = np.clip(step[6], -0.2, 0.2)
                moved = moved_by(moved, step) if np.max(np.abs(step[:3])) < 0.3 else None
            moved = None if moved is None else fit(moved, points, prior, (3.0, 1.5))
            if moved is not None:
                out.append((explained(moved, points, prior), moved))
    return out
