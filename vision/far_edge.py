"""The surface's far edge, or the edge of what lies beyond it, as the surface's direction.

Seen from the side a record or a card ends a little above the stylus' tip, in a blurred line from
one side of the picture to the other. The rim of a record, seen along its radius, runs as the
grooves do; a card lies about square. Smeared along its slope that line outlasts everything else
(as in `vision.groove`), and the jackknife over columns says how well its slope is known. It may
also be a shelf's or a table's edge behind, which is only about level: how often that is so stands
in `vision.rake_surface.WRONG`.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.groove import slope_range, vertex
from vision.network import shrink
from vision.rake_model import Line
from vision.side_rod import SideRod

Array = NDArray[np.float64]

WIDTH = 400.0  # px of the working copy: the edge is out of focus
SMOOTH_PX = 2.0
CLEAR = 0.6  # thicknesses of the rod: what is nearer to it is left out,
ABOVE = 0.9  # and what is lower than that above the tip, where shadows lie
COARSE_DEG, FINE_DEG = 0.5, 0.1
BLOCKS = 8  # of columns, for the jackknife
LEAST_SHARE = 0.5  # of the columns beside the rod
LEAST_SPAN = 0.2  # of the picture's width
LEAST_STEP = 0.006  # mean gradient of the root of the light along the edge, 1/px
LEAST_CONTRAST = 8.0  # over the median of all rows and slopes
MOST_RIVAL, NEAR_DEG = 0.6, 0.8  # of its strength; how far its slope may be off the edge's
OWN_PX = 16.0  # rows that a blurred edge answers in
FAR_U_DEG = 0.35  # of a rim or a card, square to the camera or not


def far_edge(
    rgb: NDArray[np.uint8],
    tip: Array,
    needle_width: float,
    rod: SideRod,
) -> Line | None:
    """The far edge as a line named ``surface beyond``, or None where none is clear.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    tip : ndarray, shape (2,)
        Contact point, pixels.
    needle_width : float
        Pixels.
    rod : SideRod
        Its slope bounds the search.

    Returns
    -------
    Line or None
        Pixels of the photo.
    """
    small, ratio = shrink(rgb, min(1.0, WIDTH / rgb.shape[1]))
    scale = float(ratio[0])
    light = cv2.GaussianBlur(np.sqrt(small.astype(np.float32) / 255), (0, 0), SMOOTH_PX)
    steps = cv2.Sobel(light, cv2.CV_32F, 0, 1, scale=1 / 8)
    ys, xs, free = _places(small.shape[:2], scale, tip, needle_width, rod)
    if free < LEAST_SPAN * small.shape[1]:
        return None
    values = np.asarray(steps[ys, xs], float)
    x0 = float(np.mean(np.unique(xs)))
    low, high = slope_range(rod)
    slopes = np.arange(low, high + 1e-9, COARSE_DEG)
    beside = np.asarray(xs - x0, float)
    if len(slopes) < 6:
        return None
    size = 3 * small.shape[0]
    table = np.stack([_smeared(ys, beside, values, s, size, free) for s in slopes])
    if not (table > 0).any():
        return None
    k, row = (int(v) for v in np.unravel_index(np.argmax(table), table.shape))
    contrast = float(table[k, row] / np.median(table[table > 0]))
    if contrast < LEAST_CONTRAST or k in (0, len(slopes) - 1):
        return None
    turn = np.abs(slopes - slopes[k])[:, None]
    own = np.radians(turn) * float(np.ptp(xs)) / 2 + OWN_PX > np.abs(np.arange(size) - row)
    if float(np.max(table * (~own & (turn > NEAR_DEG)))) > MOST_RIVAL * float(table[k, row]):
        return None
    here = row - size // 3 + math.tan(math.radians(slopes[k])) * (tip[0] * scale - x0)
    if here > (tip[1] - ABOVE * rod.thickness) * scale - OWN_PX / 4:
        return None  # cut off: it goes on among the shadows
    near = np.abs(_level(ys, beside, float(slopes[k])) + small.shape[0] - row) < 3 * SMOOTH_PX
    ys, xs, beside, values = ys[near], xs[near], beside[near], values[near]
    columns = np.unique(xs)
    if len(columns) < LEAST_SPAN * small.shape[1]:
        return None
    if float(table[k, row]) / math.sqrt(len(columns)) < LEAST_STEP:
        return None
    fine = np.arange(slopes[k] - COARSE_DEG, slopes[k] + COARSE_DEG + 0.01, FINE_DEG)
    block = (np.searchsorted(columns, xs) * BLOCKS) // len(columns)
    sums = np.array([_sums(ys, beside, values, s, size, block) for s in fine])
    slope = vertex(fine, sums.sum(axis=1))
    without = np.array([vertex(fine, sums.sum(axis=1) - sums[:, b]) for b in range(BLOCKS)])
    u = math.sqrt((BLOCKS - 1) / BLOCKS * float(np.sum((without - slope) ** 2)))
    x = (float(np.mean(columns)) + 0.5) / scale - 0.5
    y = (row - small.shape[0] + 0.5) / scale - 0.5
    y += math.tan(math.radians(slope)) * (x - ((x0 + 0.5) / scale - 0.5))
    reach = 2 * rod.thickness
    dx, dy = reach * math.cos(math.radians(slope)), reach * math.sin(math.radians(slope))
    u = math.radians(math.hypot(FAR_U_DEG, u))
    return Line("surface beyond", x - dx, y - dy, x + dx, y + dy, u)


def _places(
    shape: tuple[int, ...], scale: float, tip: Array, needle_width: float, rod: SideRod
) -> tuple[NDArray[np.intp], NDArray[np.intp], int]:
    """Pixels above the tip's level and beside the rod and the stylus, and over how many columns."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    x, y = (x + 0.5) / scale - 0.5, (y + 0.5) / scale - 0.5
    t = rod.thickness
    end = float(rod.free_end[0])
    beside = x < end - CLEAR * t if rod.pivot_right else x > end + CLEAR * t
    under = rod.bottom.y0 + math.tan(rod.bottom.angle) * (x - rod.bottom.x0) + 0.3 * t
    mask = (beside | (y > under)) & (y < tip[1] - ABOVE * t)
    mask &= np.abs(x - tip[0]) > 1.2 * max(needle_width, 0.3 * t)
    border = int(3 * SMOOTH_PX)
    mask[:border], mask[:, :border], mask[:, -border:] = False, False, False
    ys, xs = np.nonzero(mask)
    return ys, xs, int(beside.any(axis=0).sum())


def _level(ys: NDArray[np.intp], x: Array, slope: float) -> NDArray[np.int_]:
    """Row at x = 0 of the line of that slope through each pixel."""
    return np.asarray(np.rint(ys - x * math.tan(math.radians(slope))), int)


def _smeared(
    ys: NDArray[np.intp], x: Array, values: Array, slope: float, size: int, free: int
) -> Array:
    """Strength of every row after smearing: the strongest colour's sum over the count's root."""
    rows = np.clip(_level(ys, x, slope) + size // 3, 0, size - 1)
    count = np.bincount(rows, minlength=size)
    sums = [np.abs(np.bincount(rows, v, size)) for v in values.T]
    strength = np.max(sums, axis=0) / np.sqrt(np.maximum(count, 1))
    return np.where(count > LEAST_SHARE * free, strength, 0.0)


def _sums(
    ys: NDArray[np.intp],
    x: Array,
    values: Array,
    slope: float,
    size: int,
    block: NDArray[np.intp],
) -> Array:
    """Energy of the rows after smearing, with each block's part in it."""
    rows = np.clip(_level(ys, x, slope) + size // 3, 0, size - 1)
    energy = np.zeros(BLOCKS)
    for v in values.T:
        total = np.bincount(rows, v, size)
        energy += np.bincount(block, v * total[rows], BLOCKS)
    return energy
