"""The null's comb: 1 mm ticks along one printed column, the only lengths known in millimetres.

`with_comb` finds it on a grid's pose and so the null and the pitch; `tick_ends` measures where the
ticks end, half a millimetre on either side, which gives the scale across where a narrow picture
shows one column only.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid_fit import MIN_TICKS
from vision.grid_lines import Ridges
from vision.grid_match import COMB_MM, TICK_FAR_MM, TICK_NEAR_MM, counted, view_of
from vision.grid_pose import GridPose, apart

Array = NDArray[np.float64]
LEAST_RING = 0.5  # of the mean cosine of the ticks' phase
LEAST_RING_IN_GLASS = 0.65  # the better of two phases is 0.4 by chance
TICK_HALF_MM = 0.5
GLASS_MM = (0.9, 6.5)  # as mirrors are sold
MIN_ENDS = 4  # on the side with more of them; on both together twice as many
MOST_UNLIKE_MM = 0.05  # of one end from the others
CLEAR_OF_NOISE = (4.0, 2.5)  # times, of ticks for their ends to be looked for; first that do
BOLD_FROM, PLAIN_TO = 1.25, 1.2  # darkness of a row near the column by that farther out
LEAST_END_MM = 0.033
END_BIAS_PX = 0.12  # by which tone curve and sharpening move the ends, all alike


def with_comb(pose: GridPose, points: Ridges, pitches_mm: tuple[float, ...]) -> GridPose | None:
    """The pose moved to the null, where the comb of 1 mm ticks is seen on one of its columns.

    Ticks stand where the ridges beside a column, turned like rows, keep step with millimetres:
    the mean cosine of their phase is near 1 for a comb and near 0 for anything else.
    """
    view = view_of(pose, points)
    turned = view.turned[:, 1]
    layers = [view.grid[turned]]
    if pose.thickness is not None:
        layers.append(layers[0] + pose.thickness * view.slide[turned])
    least = LEAST_RING if len(layers) == 1 else LEAST_RING_IN_GLASS
    weight = points.weight[turned]
    rows = range(min(pose.rows), max(pose.rows) + 1)
    best: tuple[float, float, int, int] | None = None
    middle = np.array([[pose.camera.cx, pose.camera.cy]])
    centre = pose.on_sheet(middle)[0]
    for mm in pitches_mm:
        if pose.thickness is not None and not GLASS_MM[0] < pose.thickness * mm < GLASS_MM[1]:
            continue
        for column in range(min(pose.columns), max(pose.columns) + 1):
            y, phase, beside = _ticks_beside(layers, column, mm)
            w = weight[beside]
            for row in rows:
                up = y[beside] - row * mm
                tick = np.round(up)
                on = (np.abs(up) < COMB_MM) & (np.mod(tick, mm) != 0)
                total = float(w[on].sum())
                ring = float(np.sum(w[on] * phase[beside][on]))
                close = np.abs(up[on] - tick[on]) < 0.17
                if ring < least * total or len(counted(tick[on][close], 3)) < MIN_TICKS:
                    continue
                aside = np.abs(layers[0][:, 0] - column) * mm
                aside = np.where(beside & (phase > 0.5), 0.0, aside)  # ticks of either layer
                if _beyond(aside, layers[0][:, 1], weight, row, mm) > 0.4 * float(
                    w[on][close].sum()
                ):
                    continue
                away = math.hypot(column - centre[0], row - centre[1]) * mm
                value = ring * (1 - min(away, 30.0) / 100)
                if best is None or value > best[0]:
                    best = (value, mm, column, row)
    if best is None:
        return None
    _, mm, column, row = best
    moved = replace(
        pose,
        origin=pose.origin + pose.rotation[:, :2] @ np.array([column, row], float),
        pitch_mm=mm,
        columns=tuple(c - column for c in pose.columns),
        rows=tuple(r - row for r in pose.rows),
    )
    if not _half_empty(view.grid - (column, row), points.weight, view.turned, mm):
        return moved
    larger = _of_every_other(moved)
    return larger if larger.columns and larger.rows and 2 * mm in pitches_mm else None


def with_cells_told(pose: GridPose, points: Ridges, pitches_mm: tuple[float, ...]) -> GridPose:
    """The pose with cells twice as large where ticks had passed for rows."""
    if pose.pitch_mm is None or 2 * pose.pitch_mm not in pitches_mm:
        return pose
    view = view_of(pose, points)
    if not _half_empty(view.grid, points.weight, view.turned, pose.pitch_mm):
        return pose
    larger = _of_every_other(pose)
    return larger if larger.columns and larger.rows else pose


def _of_every_other(pose: GridPose) -> GridPose:
    """The lattice of the even columns and rows."""
    return replace(
        pose,
        origin=pose.origin / 2,
        pitch_mm=None if pose.pitch_mm is None else 2 * pose.pitch_mm,
        columns=tuple(c // 2 for c in pose.columns if c % 2 == 0),
        rows=tuple(r // 2 for r in pose.rows if r % 2 == 0),
        thickness=None if pose.thickness is None else pose.thickness / 2,
    )


def _ticks_beside(
    layers: list[Array], column: int, mm: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Points' y in mm, cosine of their phase, and whether they lie where ticks do.

    In glass on the layer on which they keep step the better.
    """
    y = np.zeros(len(layers[0]))
    phase = np.full(len(y), -1.0)
    beside = np.zeros(len(y), bool)
    for grid in layers:
        aside = np.abs(grid[:, 0] - column) * mm
        here = (aside > TICK_NEAR_MM) & (aside < TICK_FAR_MM)
        cosine = np.cos(2 * np.pi * grid[:, 1] * mm)
        better = here & (cosine > phase)
        y, phase = np.where(better, grid[:, 1] * mm, y), np.where(better, cosine, phase)
        beside |= here
    return y, phase, beside


def _half_empty(grid: Array, weight: Array, turned: NDArray[np.bool_], mm: float) -> bool:
    """Whether, away from the comb, every other row and column of the lattice is missing."""
    far = np.abs(grid[:, 0]) * mm > 0.9
    odd = even = 0.0
    for axis in (0, 1):
        near = np.abs(grid[:, axis] - np.round(grid[:, axis])) * mm < 0.1
        near &= turned[:, axis] & far
        parity = np.mod(np.round(grid[:, axis]), 2) == 1
        odd += float(weight[near & parity].sum())
        even += float(weight[near & ~parity].sum())
    return odd < 0.08 * even


def _beyond(aside: Array, y: Array, weight: Array, row: int, mm: float) -> float:
    """Ridge weight where ticks would go on if they were longer than half a millimetre."""
    up = (y - row) * mm
    tick = np.round(up)
    on = (aside > 0.66) & (aside < 0.66 + TICK_FAR_MM - TICK_NEAR_MM) & (np.abs(up) < COMB_MM)
    on &= (np.abs(up - tick) < 0.17) & (np.mod(tick, mm) != 0)
    return float(weight[on].sum())


def with_null(grey: NDArray[np.float32], pose: GridPose) -> GridPose:
    """The pose moved to the null where its bold cross shows, and whether it did.

    Ticks stand ten millimetres each way of the null, but where the picture or the body cuts them
    off they keep step with the next row too. On the null's row the ink is half as broad again for
    1.2 mm each side of the column: its darkness summed across (which blur leaves alone) is compared
    with that of the same row farther out.
    """
    if pose.pitch_mm is None:
        return pose
    mm = pose.pitch_mm
    reach = int(10 // mm)
    bold = {row: _boldness(grey, pose, row, mm) for row in range(-reach, reach + 1)}
    seen = {row: value for row, value in bold.items() if value is not None}
    broad = [row for row, value in seen.items() if value > BOLD_FROM]
    if len(broad) != 1 or any(v > PLAIN_TO for row, v in seen.items() if row != broad[0]):
        return replace(pose, null_known=False)
    row = broad[0]
    return replace(
        pose,
        origin=pose.origin + row * pose.rotation[:, 1],
        rows=tuple(r - row for r in pose.rows),
        null_known=True,
    )


def _boldness(grey: NDArray[np.float32], pose: GridPose, row: int, mm: float) -> float | None:
    """Ink across a row near the ticked column against farther out, or None where it is not seen."""
    height, width = grey.shape
    along = np.concatenate([np.linspace(0.55, 1.1, 12), np.linspace(1.45, 2.3, 18)])
    across = np.linspace(-0.45, 0.45, 46)
    ratios = []
    for side in (-1.0, 1.0):
        x, y = np.meshgrid(side * along / mm, row + across / mm, indexing="ij")
        xy = pose.project(np.stack([x, y, np.zeros_like(x)], axis=-1)).astype(np.float32)
        if xy.min() < 2 or xy[..., 0].max() > width - 3 or xy[..., 1].max() > height - 3:
            continue
        level = cv2.remap(grey, xy[..., 0], xy[..., 1], cv2.INTER_LINEAR)
        sheet = np.median(level[:, np.abs(across) > 0.3], axis=1, keepdims=True)
        ink = (sheet - level)[:, np.abs(across) < 0.3].mean(axis=1)
        noise = float(np.std((sheet - level)[:, np.abs(across) > 0.3]))
        near, far = ink[along < 1.2], ink[along > 1.3]
        even = [float(np.ptp(np.quantile(v, [0.2, 0.8]))) for v in (near, far)]
        base = float(np.median(far))
        if abs(base) < max(0.5 * noise, 0.004) or max(even) > 0.35 * abs(base):
            continue
        ratios.append(float(np.median(near)) / base)
    if not ratios or (len(ratios) == 2 and abs(ratios[0] - ratios[1]) > 0.3):
        return None
    return float(np.mean(ratios))


def tick_ends(grey: NDArray[np.float32], pose: GridPose) -> tuple[Array, Array] | None:
    """Pixels (M, 2) where ticks end and their grid x (M,), or None with too few of them.

    The end is where the tick's darkness against the sheet beside it falls to half. A rod may hide
    those of one side: the column's own middle then tells the scale together with the other side's.
    """
    if pose.pitch_mm is None:
        return None
    mm = pose.pitch_mm
    ticks = np.array([k for k in range(-10, 11) if k % mm])
    out = np.linspace(0.22, 0.86, 65)
    beside = np.array([-0.4, -0.36, -0.03, 0.0, 0.03, 0.36, 0.4])
    side, tick, along, away = np.meshgrid([-1.0, 1.0], ticks, beside, out, indexing="ij")
    grid = np.stack([side * away / mm, (tick + along) / mm, np.zeros_like(away)], axis=-1)
    xy = pose.project(grid).astype(np.float32)
    flat = xy.reshape(-1, len(out), 2)
    level = cv2.remap(
        grey, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(side.shape)
    height, width = grey.shape
    inside = np.all((xy > 2) & (xy < (width - 3, height - 3)), axis=(2, 3, 4))
    ink = level[:, :, 2:5].mean(axis=2)
    sheet = level[:, :, [0, 1, 5, 6]].mean(axis=2)
    depth = sheet - ink  # (2, ticks, out)
    full = np.median(depth[..., out < 0.38], axis=-1)
    rest = depth[..., out > 0.66]
    base, noise = np.median(rest, axis=-1), np.std(rest, axis=-1)
    strength = np.where(inside, np.abs(full - base), 0.0)
    strength[np.abs(base) >= 0.3 * np.abs(full)] = 0.0
    share = (depth - base[..., None]) / np.where(strength > 0, full - base, 1.0)[..., None]
    middle = (out > 0.36) & (out < 0.68)
    for one_side, times in itertools.product((False, True), CLEAR_OF_NOISE):
        clear = strength > np.maximum(times * noise, 0.02)
        ends = _at_half(share[..., middle], out[middle], clear, one_side)
        if ends is not None:
            place = [
                np.column_stack([sign * end[good] / mm, ticks[good] / mm, np.zeros(good.sum())])
                for sign, (end, good) in zip((-1.0, 1.0), ends, strict=True)
            ]
            grid_x = np.sign(np.concatenate(place)[:, 0]) * TICK_HALF_MM / mm
            return pose.project(np.concatenate(place)), grid_x
    return None


def _at_half(
    share: Array, out: Array, clear: NDArray[np.bool_], one_side: bool
) -> list[tuple[Array, NDArray[np.bool_]]] | None:
    """Where along ``out`` the shares (2, M, N) of a tick's darkness fall to half, each side.

    With which of the ticks agree; None with too few of them. ``one_side`` counts, on a side with
    few, those that are as long as the other side's.
    """
    below = share < 0.5
    clear = clear & below.any(axis=-1) & ~below[..., 0]
    last = np.maximum(np.argmax(below, axis=-1), 1)
    high, low = (np.take_along_axis(share, (last - k)[..., None], -1)[..., 0] for k in (1, 0))
    end = out[last - 1] + (out[1] - out[0]) * (high - 0.5) / np.maximum(high - low, 1e-6)
    good = [_alike(*side) for side in zip(end, clear, strict=True)]
    more = int(good[1].sum() > good[0].sum())
    if good[more].sum() < MIN_ENDS:
        return None
    if good[1 - more].sum() < MIN_ENDS:
        if not one_side:
            return None
        away = np.abs(end[1 - more] - np.median(end[more][good[more]]))
        good[1 - more] = clear[1 - more] & (away < MOST_UNLIKE_MM)
    if good[0].sum() + good[1].sum() < 2 * MIN_ENDS:
        return None
    return list(zip(end, good, strict=True))


def _alike(end: Array, clear: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the clear ends lie near their median."""
    if not clear.any():
        return clear
    return clear & (np.abs(end - np.median(end[clear])) < MOST_UNLIKE_MM)


def lopsided(ends: tuple[Array, Array]) -> bool:
    """Whether one side of the column shows too few ends to tell anything by itself."""
    return bool(min(np.sum(ends[1] < 0), np.sum(ends[1] > 0)) < MIN_ENDS)


def ends_seen(ends: tuple[Array, Array], pose: GridPose) -> int:
    """How many of the ends lie half a millimetre from the column, to a fifteenth of that."""
    if pose.pitch_mm is None:
        return 0
    miss = pose.on_sheet(ends[0])[:, 0] - ends[1]
    return int(np.sum(np.abs(miss) * pose.pitch_mm < LEAST_END_MM))


def ends_agree(ends: tuple[Array, Array], pose: GridPose) -> bool:
    """Whether the ticks are as long as their spacing and the tilt of the sheet make them."""
    if pose.pitch_mm is None:
        return True
    outward = (pose.on_sheet(ends[0])[:, 0] - ends[1]) * np.sign(ends[1]) * pose.pitch_mm
    bias_mm = max(END_BIAS_PX, 0.4 * pose.rms_px) / pixels_a_mm(pose)
    return bool(abs(np.median(outward)) < max(LEAST_END_MM, 2 * bias_mm))


def pixels_a_mm(pose: GridPose) -> float:
    """Pixels that a millimetre across the columns takes at the null."""
    return pose.camera.f / (float(pose.origin[2]) * (pose.pitch_mm or 1.0))


def with_end_bias(
    pose: GridPose,
    ends: tuple[Array, Array],
    refit: Callable[[tuple[Array, Array]], GridPose | None],
) -> GridPose | None:
    """The pose with what a common bias of the ends does to it added to its covariance.

    Parameters
    ----------
    pose : GridPose
        Fitted with ``ends``.
    ends : (ndarray (M, 2), ndarray (M,))
        Of ticks, as from `tick_ends`.
    refit : callable
        The fit to other ends; None where they do not fit.

    Returns
    -------
    GridPose or None
        None where ends a little longer do not fit.
    """
    bias = max(END_BIAS_PX, 0.4 * pose.rms_px) / pixels_a_mm(pose)  # mm; ragged ticks, ragged ends
    outward = (pose.on_sheet(ends[0])[:, 0] - ends[1]) * np.sign(ends[1]) * (pose.pitch_mm or 1.0)
    bias = max(bias, float(np.std(outward)) / math.sqrt(len(outward)))  # faint ticks, strewn ends
    # where one side shows more ends, as much again of the column, which the rod there may shade
    bias *= 1 + abs(float(np.mean(np.sign(ends[1]))))
    longer = refit((ends[0], ends[1] * (1 + bias / TICK_HALF_MM)))
    if longer is None:
        return None
    change = np.append(apart(longer, pose), math.log(longer.camera.f / pose.camera.f))
    return replace(pose, covariance=pose.covariance + np.outer(change, change))
