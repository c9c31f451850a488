"""A grid as it is printed, at a pose -> how much of each pixel print covers, and its ghost.

Columns and rows a pitch apart, 1 mm ticks along the null's column and the null's bold cross, on the
front of the sheet and, in glass, once more where Snell's law puts its image in the silver: what
`grid_comb` reads from a picture, with the same sizes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.grid_comb import TICK_HALF_MM
from vision.grid_match import COMB_MM, bare_rays, cells_at, landing, slide_of
from vision.grid_pose import GridPose

Array = NDArray[np.float64]

TICK_WIDTH, BOLD_WIDTH, BOLD_MM = 0.6, 1.5, 1.2  # of a line's; the bold cross reaches so far


@dataclass(frozen=True)
class Inked:
    """Half the width of a line, pitches, and how long ticks are, of what they should be."""

    half: float
    tick: float = 1.0


@dataclass(frozen=True)
class Landed:
    """Where lines of sight (N) meet a sheet.

    Grid x, y (N, 2); by how much glass a pitch thick moves the ghost's; pixels a pitch across
    columns and across rows.
    """

    grid: Array
    slide: Array
    scale: Array


def landed(pose: GridPose, at: Array) -> Landed:
    """Where pixels (N, 2) lie on the sheet; far outside any grid above its horizon."""
    grid, slide, bare, down = _meet(pose, at)
    ex, ey, area = cells_at(pose, bare, down)
    wide, high = np.hypot(ey[:, 0], ey[:, 1]), np.hypot(ex[:, 0], ex[:, 1])
    return Landed(grid, slide, np.abs(area)[:, None] / np.stack([wide, high], axis=1))


def moved_on_sheet(pose: GridPose, at: Array) -> tuple[Array, Array]:
    """Grid x, y and ghosts' slide of `landed`, all that changes much with the pose."""
    grid, slide, _, _ = _meet(pose, at)
    return grid, slide


def _meet(pose: GridPose, at: Array) -> tuple[Array, Array, Array, Array]:
    bare, r = bare_rays(pose, at), pose.rotation
    rays = bare @ r[:2] + r[2]
    slide = slide_of(rays)
    rays[:, 2] = np.minimum(rays[:, 2], -1e-3)  # what lies above the horizon meets no print
    return landing(pose, rays), slide, bare, rays[:, 2]


def layers(pose: GridPose, seen: Landed, ink: Inked, blur: float) -> tuple[Array, ...]:
    """Share that print, and in glass its ghost, covers where lines of sight meet the sheet.

    Parameters
    ----------
    pose : GridPose
        Without a pitch in millimetres no ticks and no cross are expected; without glass no ghost.
    seen : Landed
    ink : Inked
    blur : float
        Pixels over which a border fades, each way.

    Returns
    -------
    front : ndarray, shape (N,)
    ghost : ndarray, shape (N,)
        Not without glass.
    """
    front = _layer(seen.grid, seen.scale, pose.pitch_mm, ink, blur)
    if pose.thickness is None:
        return (front,)
    return front, ghosts(pose, seen, ink, blur) * (1 - front)


def ghosts(pose: GridPose, seen: Landed, ink: Inked, blur: float) -> Array:
    """Share that print would cover as the silver shows it, were there none in front of it."""
    again = seen.grid + (pose.thickness or 0.0) * seen.slide
    return _layer(again, seen.scale, pose.pitch_mm, ink, blur)


def _layer(grid: Array, scale: Array, mm: float | None, ink: Inked, blur: float) -> Array:
    """Share that print covers at grid x, y (N, 2)."""
    off, half = (grid - np.round(grid)) * scale, ink.half * scale
    share = np.maximum(*(_within(off[:, k], half[:, k], blur) for k in (0, 1)))
    if mm is None:
        return np.asarray(share)
    near = np.nonzero(np.abs(grid[:, 0]) * mm < 1.2 * BOLD_MM)[0]  # only there is more than lines
    grid, scale, half = grid[near], scale[near], half[near]
    away, a_mm = grid * scale, scale / mm
    tick = np.round(grid[:, 1] * mm)
    own = (np.abs(tick) < COMB_MM) & (np.mod(tick, mm) != 0)
    more = _within(away[:, 1] - tick * a_mm[:, 1], TICK_WIDTH * half[:, 1], blur)
    more *= _within(away[:, 0], ink.tick * TICK_HALF_MM * a_mm[:, 0], blur) * own
    for k in (0, 1):
        bar = _within(away[:, k], BOLD_WIDTH * half[:, k], blur)
        more = np.maximum(more, bar * _within(away[:, 1 - k], BOLD_MM * a_mm[:, 1 - k], blur))
    share[near] = np.maximum(share[near], more)
    return np.asarray(share)


def _within(away: Array, half: Array, blur: float) -> Array:
    """1 where pixels lie within half a width, 0 outside, fading over ``blur`` each way."""
    return np.asarray(np.clip((half - np.abs(away)) / (2 * blur) + 0.5, 0.0, 1.0))
