"""Ridge points seen through a grid pose, and the lattice line on which each of them lies.

A point goes to the nearest column, row or tick of the null's comb, on the front of the sheet or
(glass) in the silver (refraction by Snell's law).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.grid_lines import Ridges
from vision.grid_pose import GLASS_INDEX, GridPose

Array = NDArray[np.float64]
COMB_MM, TICK_NEAR_MM, TICK_FAR_MM = 10.4, 0.12, 0.56  # the comb's reach, where its ticks show
COLUMN, ROW, TICK = 0, 1, 2
AN_END = -1  # in place of a ridge point's number
END_TRUST = 3.0  # an end of a tick is seen once, a line in many points
LEAST_TICK_POINTS = 25  # on each layer
LEAST_TWICE = 0.15  # of the longer layer's length
ONE_LINE, TWO_LINES = 2.2, 4.5  # of the ridge's scale: front and ghost nearer, farther than this


@dataclass(frozen=True)
class View:
    """Ridge points seen through a pose: grid coordinates, pixels per pitch, direction mismatch."""

    grid: Array  # (N, 2) on the front of the sheet
    slide: Array  # (N, 2) by which a ghost's grid coordinates move for glass one pitch thick
    across: Array  # (N, 2) signed pixels for one pitch, across columns and across rows
    turned: NDArray[np.bool_]  # (N, 2) ridge direction agrees with columns, with rows


def bare_rays(pose: GridPose, xy: Array) -> Array:
    """Undistorted x/f, y/f of pixels, x and y each in one piece: NumPy is slow along short rows."""
    c = pose.camera
    d = (np.asfortranarray(xy) - (c.cx, c.cy)) / c.half_diagonal
    scale = np.ones(len(d))
    if c.k1:
        far2 = d[:, 0] ** 2 + d[:, 1] ** 2
        for _ in range(4):
            scale = 1 / (1 + c.k1 * far2 * scale * scale)
    return np.asarray(d * (scale * (c.half_diagonal / c.f))[:, None])


def landing(pose: GridPose, rays: Array) -> Array:
    """Grid x, y where rays (grid axes) meet the sheet."""
    start = -pose.origin @ pose.rotation
    return np.asarray(start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None])


def slide_of(rays: Array) -> Array:
    """How far glass one pitch thick moves the ghost's grid coordinates (Snell's law)."""
    across2 = rays[:, 0] ** 2 + rays[:, 1] ** 2
    full = across2 + rays[:, 2] ** 2
    return np.asarray(2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 * full - across2)[:, None])


def cells_at(pose: GridPose, bare: Array, down: Array) -> tuple[Array, Array, Array]:
    """Pixels (N, 2) that a pitch along rows and one along columns takes, and a cell's area.

    Where rays with `bare_rays` meet the sheet, ``down`` their components along its normal.
    """
    r = pose.rotation
    depth = (pose.origin @ r)[2] / down
    scale = pose.camera.f / depth
    ex, ey = (scale[:, None] * (r[:2, k] - bare * r[2, k]) for k in (0, 1))
    return ex, ey, ex[:, 0] * ey[:, 1] - ex[:, 1] * ey[:, 0]


def view_of(pose: GridPose, points: Ridges) -> View:
    """Where the points lie in the grid, and which way their ridges run there."""
    bare = bare_rays(pose, points.xy)
    r = pose.rotation
    rays = np.asfortranarray(bare @ r[:2] + r[2])
    grid = landing(pose, rays)
    ex, ey, area = cells_at(pose, bare, rays[:, 2])
    across = np.empty((len(grid), 2), order="F")
    turned = np.empty((len(grid), 2), bool, order="F")
    for axis, e in ((COLUMN, ey), (ROW, ex)):
        length = np.sqrt(e[:, 0] ** 2 + e[:, 1] ** 2)
        across[:, axis] = area / length
        # sine of the angle between the ridge and the lattice line
        turn = (e[:, 0] * points.sine - e[:, 1] * points.cosine) / length
        turned[:, axis] = (np.abs(turn) < math.sin(math.radians(9))) & (np.abs(across[:, axis]) > 8)
    return View(grid, slide_of(rays), across, turned)


@dataclass(frozen=True)
class Match:
    """Ridge points with the lattice lines that they lie on."""

    which: NDArray[np.intp]
    axis: NDArray[np.intp]  # COLUMN, ROW or TICK
    index: Array  # of the line, or of the tick in millimetres
    ghost: NDArray[np.bool_]
    target: Array  # grid coordinate of the line, pitches
    share: Array  # 0 on the front, 1 in the silver, between where both blur into one line
    trust: Array
    miss: Array  # pixels
    across: Array  # pixels for one pitch

    def __len__(self) -> int:
        return len(self.which)

    def with_ends(self, ends: Array) -> Match:
        """Together with ends of ticks at grid x ``ends``, as if they were points of columns."""
        n, across = len(ends), float(np.median(np.abs(self.across[self.axis == COLUMN])))
        zero = np.zeros(n)
        more = Match(
            np.full(n, AN_END), np.full(n, COLUMN), zero, zero > 0, ends, zero,
            np.full(n, END_TRUST), zero, np.full(n, across),
        )  # fmt: skip
        return Match(
            *(
                np.concatenate([getattr(self, name), getattr(more, name)])
                for name in self.__dataclass_fields__
            )
        )

    def picked(self, pick: NDArray[np.intp] | NDArray[np.bool_]) -> Match:
        """A part of the points."""
        return Match(*(getattr(self, name)[pick] for name in self.__dataclass_fields__))


def match(pose: GridPose, points: Ridges, gate: float) -> Match:
    """Each point's nearest lattice line within ``gate`` px, on the front or in the silver."""
    view = view_of(pose, points)
    layers = [(0.0, view.grid)]
    if pose.thickness is not None:
        layers.append((1.0, view.grid + pose.thickness * view.slide))
    misses, targets, indices, shares, axes = [], [], [], [], []
    for share, where in layers:
        index = np.round(where)
        miss = np.where(view.turned, (where - index) * view.across, np.inf)
        for axis in (COLUMN, ROW):
            misses.append(miss[:, axis])
            targets.append(index[:, axis])
            indices.append(index[:, axis])
        shares += [share, share]
        axes += [COLUMN, ROW]
        if pose.pitch_mm is not None:
            mm = where * pose.pitch_mm
            tick = np.round(mm[:, 1])
            aside = np.abs(mm[:, 0])
            on = view.turned[:, 1] & (aside > TICK_NEAR_MM) & (aside < TICK_FAR_MM)
            on &= (np.abs(tick) < COMB_MM) & (np.mod(tick, pose.pitch_mm) != 0)
            pixels = (mm[:, 1] - tick) * view.across[:, 1] / pose.pitch_mm
            misses.append(np.where(on, pixels, np.inf))
            targets.append(tick / pose.pitch_mm)
            indices.append(tick)
            shares.append(share)
            axes.append(TICK)
    # a row for each kind of line: NumPy is slow along short rows
    every, target = np.stack(misses), np.stack(targets)
    trust = np.ones(every.shape)
    layer: Array = np.broadcast_to(np.array(shares)[:, None], every.shape)
    if pose.thickness is not None:
        # a line and its ghost close by make one ridge midway, or pull at each other
        per = len(axes) // 2
        front, back = every[:per], every[per:]
        with np.errstate(invalid="ignore"):
            apart = np.abs(front - back) / points.scale
            middle = (front + back) / 2
        blurred = apart < ONE_LINE
        trust = _twice(np.where(apart < TWO_LINES, 0.08, 1.0))
        midway = (target[:per] + target[per:]) / 2
        every = np.where(_twice(blurred), _twice(middle), every)
        target = np.where(_twice(blurred), _twice(midway), target)
        layer = np.where(_twice(blurred), 0.5, layer)
    pick, nearest = _smallest(np.abs(every))
    which = np.nonzero(nearest < gate)[0]
    pick = pick[which]
    kind = np.asarray(axes)[pick]
    return Match(
        which,
        kind,
        np.stack(indices)[pick, which],
        layer[pick, which] > 0.7,
        target[pick, which],
        layer[pick, which],
        trust[pick, which],
        every[pick, which],
        view.across[which, np.minimum(kind, 1)],
    )


def _twice(rows: NDArray[Any]) -> NDArray[Any]:
    return np.concatenate([rows, rows])


def _smallest(rows: Array) -> tuple[NDArray[np.intp], Array]:
    """Which row is the smallest at each place, the first of equals, and its value."""
    least, pick = rows[0].copy(), np.zeros(rows.shape[1], np.intp)
    for k in range(1, len(rows)):
        less = rows[k] < least
        pick[less] = k
        least = np.minimum(least, rows[k])
    return pick, least


def counted(index: Array, least: int = 5) -> tuple[int, ...]:
    """Indices that occur at least ``least`` times."""
    values, counts = np.unique(index, return_counts=True)
    return tuple(int(v) for v, c in zip(values, counts, strict=True) if c >= least)


def seen_twice(matched: Match, axis: int) -> int:
    """How many lines of a family show on both layers, or in one ridge that both blur into."""
    of_axis = matched.axis == axis
    number = 0
    for line in counted(matched.index[of_axis]):
        share = matched.share[of_axis & (matched.index == line)]
        front, merged, ghost = (int(np.sum(share == k)) for k in (0.0, 0.5, 1.0))
        both = min(front, ghost)
        number += max(both, merged) >= LEAST_TWICE * max(front, ghost, 20)
    return number


def layers_told(matched: Match) -> bool:
    """Whether no line can be taken for another's ghost: each family shows two lines twice.

    For rows ticks on both layers will do: they are a millimetre apart, and the layers are not.
    """
    ticks = matched.share[matched.axis == TICK]
    by_ticks = min(int(np.sum(ticks == k)) for k in (0.0, 1.0)) >= max(
        LEAST_TICK_POINTS, 0.2 * len(ticks)
    )
    return seen_twice(matched, COLUMN) > 1 and (by_ticks or seen_twice(matched, ROW) > 1)


def doubled(matched: Match) -> float:
    """Share of the lines' lengths seen on both layers: ink in glass never goes without its ghost.

    Where fronts of some lines are fitted with ghosts of others, or with what is no ghost, few lines
    show on both.
    """
    line = 4096 * matched.axis + matched.index.astype(int)
    of_line = matched.axis < TICK
    _, line = np.unique(line[of_line], return_inverse=True)
    share = matched.share[of_line]
    front, merged, ghost = (np.bincount(line[share == k], minlength=1) for k in (0.0, 0.5, 1.0))
    size = max(len(front), len(merged), len(ghost))
    front, merged, ghost = (np.pad(v, (0, size - len(v))) for v in (front, merged, ghost))
    longest = (np.maximum(front, ghost) + merged).sum()
    return float((np.minimum(front, ghost) + merged).sum() / max(longest, 1))
