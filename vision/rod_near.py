"""A nearer look along a rod that a network takes.

In the copy that it sees the rod stands upright in the middle, `ACROSS_PX` wide and no more than
`ALONG_PX` long: thin rods are stretched sideways, so that their sides are seen finely. The network
says the same six kinds as `rod_kinds`; two straight sides are fitted to what it shows of the rod,
where nothing hides it, with the uncertainty that known scenes gave.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.least_squares import least_squares
from vision.network import out_of, part_of, rescaled, shares_of
from vision.rod_kinds import (
    BODY,
    ROD,
    SOFT_PX,
    SURE,
    RodOutline,
    width_step,
)

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

FILE = "rod_near.onnx"
WIDTH, HEIGHT = 128, 192  # of the copy
ACROSS_PX, ALONG_PX = 24.0, 150.0  # a rod's width and its greatest length in it
IMAGE_WIDTH = 0.98  # of a rod's image, of the rod's
LEAST_PX = 30  # of the copy that must show a thing
BESIDE_PX = 8.0  # beyond a thing's sides that tells where they lie
OPENING_SD = 0.004  # px a px: rods are no wider at the free end
END_SD_PX = 20.0  # an end that is hidden may lie so far off
LEAST_LONG_PX = 8.0
LEAST_PIECE_PX = 8
LEAST_OVERLAP = 0.86  # of two straight sides and what is shown
TAPER_SD, MOST_SLOPE = 0.03, 0.3  # px a px
# what shares are off by at a thing's border, alike over some pixels along it
MISS_SD = 1.05
# known scenes: the axis' standard deviations against the fit's own; times e for each so much
# less overlap than a fine one
FINE_OVERLAP, FOLD = 0.985, 0.05


def frame(low: Array, high: Array, width: float) -> Array:
    """Matrix from pixels of the photo to pixels of the copy.

    Parameters
    ----------
    low, high : ndarray, shape (2,)
        Lower and upper end of the rod's axis, pixels of the photo.
    width : float
        Of the rod, pixels of the photo.

    Returns
    -------
    ndarray, shape (2, 3)
        ``copy = frame[:, :2] @ photo + frame[:, 2]``
    """
    run = high - low
    length = float(np.linalg.norm(run))
    up = run / length
    side = np.array([-up[1], up[0]])  # to the right where up points up
    across = ACROSS_PX / width
    along = min(ALONG_PX / length, across)
    turn = np.array([across * side, -along * up])
    return np.column_stack([turn, np.array([WIDTH, HEIGHT]) / 2 - turn @ ((low + high) / 2)])


@dataclass(frozen=True)
class Near:
    """Probabilities (6, `HEIGHT`, `WIDTH`) of what a part of a photo shows, and its frame."""

    share: Floats
    frame: Array

    def in_photo(self, at: Array) -> Array:
        """Pixels of the photo of pixels (..., 2) of the copy."""
        return out_of(self.frame, at)

    @property
    def across(self) -> float:
        """Pixels of the copy a pixel of the photo, across the rod."""
        return float(np.linalg.norm(self.frame[0, :2]))

    @property
    def along(self) -> float:
        """Pixels of the copy a pixel of the photo, along the rod."""
        return float(np.linalg.norm(self.frame[1, :2]))


def look(rgb: NDArray[np.uint8], framed: Array, factor: float = 1.0) -> Near:
    """What the pixels of a part of a photo show.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    framed : ndarray, shape (2, 3)
        By `frame`.
    factor : float
        Pixels of the frame's photo a pixel of ``rgb``: below 1 where ``rgb`` is finer.

    Returns
    -------
    Near
    """
    copy = part_of(rgb, rescaled(framed, factor), (WIDTH, HEIGHT))
    return Near(shares_of(FILE, copy), framed)


@dataclass(frozen=True)
class Sides:
    """A rod fitted to what a nearer look shows, in pixels of its copy.

    At a distance s up from the copy's middle the axis lies ``offset + slope * s`` to the right of
    the middle and the sides ``half + widening * s`` to both sides of it; ``low`` and ``high`` are
    where the axis begins and ends, ``pivot`` where offset and slope are independent.
    """

    offset: float
    slope: float
    half: float
    widening: float
    low: float
    high: float
    pivot: float
    offset_sd: float  # at the pivot
    slope_sd: float
    overlap: float

    def ends(self, near: Near, sign: float, low: float, high: float) -> Array:
        """Lower and upper end (2, 2) of a side (-1, 1) or of the axis (0), pixels of the photo."""
        s = np.array([low, high])
        at = self.offset + self.slope * s + sign * (self.half + self.widening * s)
        height, width = near.share.shape[1:]
        return near.in_photo(np.stack([width / 2 + at, height / 2 - s], axis=1))


def sides_of(near: Near, end_on: float) -> Sides | None:
    """The rod that a look shows; None where it shows too little of one.

    Its outline is two straight sides between two ellipses, the ends of a cylinder.

    Parameters
    ----------
    near : Near
    end_on : float
        Cosine of the angle between the rod and the line of sight: what an end's ellipse is long
        along the rod, of its width.

    Returns
    -------
    Sides or None
    """
    share = near.share[ROD]
    piece = _pieces(share)
    if piece is None:
        return None
    y, x = (v.astype(float) for v in np.nonzero(piece))
    up, right = (v / 2 for v in share.shape)
    low, high = (float(v) for v in np.quantile(up - y, [0.01, 0.99]))
    middle = float(np.median(x)) - right
    if high - low < LEAST_LONG_PX:
        return None
    hidden = (near.share[BODY] > SURE).astype(np.uint8)
    hidden = cv2.dilate(hidden, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero(hidden == 0)
    s, t = (up - rows).astype(float), columns - right
    half = len(x) / (high - low) / 2
    near_by = (s > low - BESIDE_PX) & (s < high + BESIDE_PX)
    near_by &= np.abs(t - middle) < 1.3 * half + BESIDE_PX + 0.15 * np.abs(s)
    s, t = s[near_by], t[near_by]
    target = share[rows[near_by], columns[near_by]].astype(float)
    within = (s > low) & (s < high)
    step = width_step(s[within], target[within], low, high)
    if step is not None:  # a sleeve: the longer part has straight sides
        low, high = (low, step) if step - low > high - step else (step, high)
        part = (s > low + 1.5) & (s < high - 1.5)
        s, t, target = s[part], t[part], target[part]
    if (target > SURE).sum() < LEAST_PX:
        return None
    cap = max(end_on * near.along / near.across, 0.02)
    start = np.array([middle, 0.0, half, 0.0, low + cap * half, high - cap * half])
    if start[5] < start[4]:
        start[4:] = (low + high) / 2
    unsure = np.array([np.inf, MOST_SLOPE, half, TAPER_SD, END_SD_PX, END_SD_PX])

    def inside(p: Array) -> Array:
        long = math.hypot(1.0, p[1])
        up, aside = (s + p[1] * (t - p[0])) / long, (t - p[0] - p[1] * s) / long
        wide = np.maximum(p[2] + p[3] * up, 0.5)
        beyond = np.maximum(np.maximum(p[4] - up, up - p[5]), 0.0) / (cap * wide)
        aside /= wide
        return np.asarray(wide * (1 - np.sqrt(aside * aside + beyond * beyond)))

    def missed(p: Array) -> Array:
        model = 0.5 + 0.5 * np.tanh(inside(p) / SOFT_PX)
        off = (p - start) / unsure
        if p[3] < 0:
            off[3] = p[3] / OPENING_SD
        return np.concatenate([(model - target) / MISS_SD, off])

    fitted = least_squares(missed, start, [1, 0.03, 1, 0.03, 2, 2])
    p = fitted.x
    model, seen = inside(p) > 0, target > SURE
    overlap = float((model & seen).sum()) / max(float((model | seen).sum()), 1.0)
    covariance = np.linalg.pinv(fitted.slopes.T @ fitted.slopes)[:2, :2]
    if covariance[1, 1] <= 0:
        return None
    fold = math.exp(max(FINE_OVERLAP - overlap, 0.0) / FOLD)
    at_pivot = covariance[0, 0] - covariance[0, 1] ** 2 / covariance[1, 1]
    offset, slope, half, widening, low, high = (float(v) for v in p)
    return Sides(
        offset=offset,
        slope=slope,
        half=half,
        widening=widening,
        low=low,
        high=high,
        pivot=float(-covariance[0, 1] / covariance[1, 1]),
        offset_sd=fold * math.sqrt(max(float(at_pivot), 0.0)),
        slope_sd=fold * math.sqrt(float(covariance[1, 1])),
        overlap=overlap,
    )


def _pieces(share: Floats) -> NDArray[np.bool_] | None:
    """The largest piece of what shows a kind, and those above and below it."""
    sure = (share > SURE).astype(np.uint8)
    count, labels, stats, middles = cv2.connectedComponentsWithStats(sure)
    if count < 2:
        return None
    best = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    beside = np.abs(middles[:, 0] - middles[best, 0]) < ACROSS_PX / 2
    beside &= stats[:, cv2.CC_STAT_AREA] >= LEAST_PIECE_PX
    beside[0] = False
    beside[best] = True
    piece = beside[labels]
    return np.asarray(piece) if piece.sum() >= LEAST_PX else None


def nearer(
    rgb: NDArray[np.uint8], outline: RodOutline, end_on: float = 0.6, factor: float = 1.0
) -> RodOutline:
    """The outline of a rod that a nearer look shows; what was given where it shows none.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    outline : RodOutline
    end_on : float
        See `sides_of`.
    factor : float
        Pixels of the outline's photo a pixel of ``rgb``.

    Returns
    -------
    RodOutline
    """
    near = look(rgb, frame(*outline.axis, outline.width), factor)
    sides = sides_of(near, end_on)
    if sides is None or sides.overlap < LEAST_OVERLAP:
        return outline
    ends = [sides.ends(near, sign, sides.low, sides.high) for sign in (-1.0, 1.0)]
    return replace(
        outline, left=ends[0], right=ends[1], overlap=sides.overlap, pixel=1 / near.across,
        sds=(sides.offset_sd / near.across, sides.slope_sd * near.along / near.across),
    )  # fmt: skip
