"""A small picture -> straight segments near one direction, strongest first.

Comes in: a colour picture already reduced to find-size (up to about 800 px wide). Goes out:
oriented edge strength and the segments of it. The colour gradient is Di Zenzo's (the largest
eigenvalue of the summed structure tensor of the channels; Computer Vision, Graphics, and Image
Processing 33, 1986), thinned across the edge; segments come from a Hough transform in which every
pixel votes only near its own direction, taken one by one with their pixels removed (the
progressive idea of Matas, Galambos & Kittler, CVIU 78, 2000). Good to about a pixel: find here,
fit elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
BESIDE_PX = 8.0  # only pixels as near as this are looked at while a line is refitted


@dataclass(frozen=True)
class EdgeField:
    """Thinned edges of a picture near one axis.

    Parameters
    ----------
    steep : bool
        False for edges that run along x (value: y over x), True for edges that run along y.
    along, across : ndarray, shape (N,)
        Pixel positions, along x and y, or y and x where ``steep``.
    slope : ndarray, shape (N,)
        d across / d along, from the gradient of each pixel.
    weight : ndarray, shape (N,)
        Edge strength over the threshold, capped.
    strength : ndarray, shape (H, W) or (W, H) where ``steep``
        Edge weight spread a pixel across, indexed [across, along].
    """

    steep: bool
    along: Array
    across: Array
    slope: Array
    weight: Array
    strength: Picture


@dataclass(frozen=True)
class Line:
    """A segment ``across = slope * along + intercept`` from ``start`` to ``end`` (along)."""

    slope: float
    intercept: float
    start: float
    end: float
    weight: float
    steep: bool

    def at(self, along: float) -> float:
        """Position across at a position along."""
        return self.slope * along + self.intercept

    @property
    def length(self) -> float:
        """Length along, pixels."""
        return self.end - self.start


def edge_fields(
    channels: Picture, max_slopes: tuple[float, float], floor: float = 0.012, cap: float = 3.0
) -> tuple[EdgeField, EdgeField]:
    """Thinned flat and steep edges of a picture.

    Parameters
    ----------
    channels : ndarray, shape (H, W, C)
        Smoothed channels, about 0 to 1.
    max_slopes : (float, float)
        Largest |d across / d along| of the flat and of the steep edges.
    floor : float
        Least gradient per pixel that counts as an edge; raised in noisy pictures.
    cap : float
        Weights are cut off at this many thresholds.

    Returns
    -------
    flat, steep : EdgeField
    """
    gx = cv2.Sobel(channels, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(channels, cv2.CV_32F, 0, 1, scale=1 / 8)
    jxx = np.einsum("ijk,ijk->ij", gx, gx)
    jyy = np.einsum("ijk,ijk->ij", gy, gy)
    jxy = np.einsum("ijk,ijk->ij", gx, gy)
    difference = jxx - jyy
    root = np.sqrt(difference * difference + 4 * jxy * jxy)
    magnitude = np.sqrt(np.maximum(0.5 * (jxx + jyy + root), 0))
    threshold = max(floor, 3.0 * float(np.median(magnitude[::4, ::4])))
    flat = _field(magnitude, jxx, jyy, jxy, threshold, cap, max_slopes[0], False)
    steep = _field(magnitude.T.copy(), jyy.T, jxx.T, jxy.T, threshold, cap, max_slopes[1], True)
    return flat, steep


def _field(
    magnitude: Picture,
    j_along: Picture,
    j_across: Picture,
    j_cross: Picture,
    threshold: float,
    cap: float,
    max_slope: float,
    steep: bool,
) -> EdgeField:
    inner = magnitude[1:-1, 1:-1]
    peak = (
        (inner >= magnitude[:-2, 1:-1]) & (inner > magnitude[2:, 1:-1]) & (inner > 0.5 * threshold)
    )
    rows, columns = np.nonzero(peak & (j_across[1:-1, 1:-1] > j_along[1:-1, 1:-1]))
    rows, columns = rows + 1, columns + 1
    # The gradient is square to the edge: tan(2 theta) = 2 jxy / (jxx - jyy).
    theta = 0.5 * np.arctan2(
        2 * j_cross[rows, columns], j_across[rows, columns] - j_along[rows, columns]
    )
    slope = -np.tan(theta)
    near = np.abs(slope) <= max_slope + 0.12
    rows, columns, slope = rows[near], columns[near], slope[near]
    weight = np.minimum(magnitude[rows, columns] / threshold, cap)
    strength = np.zeros_like(magnitude)
    strength[rows, columns] = np.minimum(weight, 1.0)
    spread = np.asarray(cv2.dilate(strength, np.ones((3, 1), np.uint8)), np.float32)
    return EdgeField(
        steep, columns.astype(float), rows.astype(float), slope, weight.astype(float), spread
    )


def fit_line(x: Array, y: Array, weight: Array) -> tuple[float, float]:
    """Slope and intercept of the weighted least-squares line y over x."""
    total = float(weight.sum())
    mx, my = float(weight @ x) / total, float(weight @ y) / total
    dx = x - mx
    spread = float(weight @ (dx * dx))
    slope = float(weight @ (dx * (y - my))) / spread if spread > 0 else 0.0
    return slope, my - slope * mx


def find_lines(
    field: EdgeField,
    max_slope: float,
    count: int = 60,
    min_length: float = 14.0,
    gap: float = 9.0,
) -> list[Line]:
    """Strongest straight segments of an edge field.

    Parameters
    ----------
    field : EdgeField
    max_slope : float
    count : int
        Most segments returned.
    min_length, gap : float
        Least length of a segment and longest hole in it, pixels.

    Returns
    -------
    list of Line
        In order of extraction, strongest first.
    """
    if field.along.size < min_length:
        return []
    size_across, size_along = field.strength.shape
    middle = size_along / 2
    slopes = np.linspace(-max_slope, max_slope, 2 * int(max_slope / 0.009) + 1)
    reach = 6
    step = slopes[1] - slopes[0]
    offset = int(max_slope * middle) + 2
    bins = size_across + 2 * offset
    order = np.argsort(field.along, kind="stable")
    x, y, w, own = (v[order] for v in (field.along, field.across, field.weight, field.slope))
    x = x - middle
    nearest = np.round((own + max_slope) / step).astype(int)
    cells = []
    for shift in range(-reach, reach + 1):
        index = nearest + shift
        ok = (index >= 0) & (index < len(slopes))
        index = np.clip(index, 0, len(slopes) - 1)
        rho = np.round(y - slopes[index] * x).astype(int) + offset
        cells.append(np.where(ok, index * bins + rho, -1))
    cell = np.stack(cells, axis=1)
    flat = np.where(cell >= 0, cell, len(slopes) * bins)
    votes = np.bincount(flat.ravel(), np.repeat(w, 2 * reach + 1), len(slopes) * bins + 1)
    votes[-1] = 0
    # Pairs of neighbouring offsets are one edge.
    pairs = votes[:-1] + votes[1:]
    alive = np.ones(x.size, bool)
    lines: list[Line] = []
    for _ in range(4 * count):
        if len(lines) >= count:
            break
        best = int(np.argmax(pairs))
        if pairs[best] < min_length:
            break
        slope, rho0 = slopes[best // bins], best % bins - offset + 0.5
        taken, line = _run(x, y, w, own, alive, slope, rho0, min_length, gap)
        if taken.size == 0:
            votes[best] = votes[best + 1] = 0
            changed = np.array([best, best + 1])
        else:
            alive[taken] = False
            changed = flat[taken].ravel()
            np.subtract.at(votes, changed, np.repeat(w[taken], 2 * reach + 1))
            votes[-1] = 0
        # Each cell belongs to the pairs that begin with it and before it.
        for first in (np.maximum(changed - 1, 0), np.minimum(changed, len(pairs) - 1)):
            pairs[first] = votes[first] + votes[first + 1]
        if line is not None:
            s, c, x0, x1, weight = line
            lines.append(Line(s, c - s * middle, x0 + middle, x1 + middle, weight, field.steep))
    return lines


def _run(
    x: Array,
    y: Array,
    w: Array,
    own: Array,
    alive: NDArray[np.bool_],
    slope: float,
    rho: float,
    min_length: float,
    gap: float,
) -> tuple[NDArray[np.intp], tuple[float, float, float, float, float] | None]:
    """Heaviest unbroken run of pixels on a line; refitted twice. Pixels in order of x."""
    near, start = _beside(x, y, alive, slope, rho), (slope, rho)
    members: NDArray[np.intp] = np.empty(0, np.intp)
    for tolerance in (2.0, 1.5, 1.5):
        turn, shift = slope - start[0], rho - start[1]
        if max(abs(turn * x[0] + shift), abs(turn * x[-1] + shift)) > BESIDE_PX - tolerance:
            near, start = _beside(x, y, alive, slope, rho), (slope, rho)
        off = np.abs(y[near] - slope * x[near] - rho)
        on = near[(off <= tolerance) & (np.abs(own[near] - slope) <= 0.14)]
        if on.size < 3:
            return on, None
        starts = np.concatenate([[0], np.nonzero(np.diff(x[on]) > gap)[0] + 1])
        heaviest = int(np.argmax(np.add.reduceat(w[on], starts)))
        stops = np.append(starts[1:], on.size)
        members = on[starts[heaviest] : stops[heaviest]]
        if x[members[-1]] - x[members[0]] < 4:
            return members, None
        slope, rho = fit_line(x[members], y[members], w[members])
    length = float(x[members[-1]] - x[members[0]])
    filled = 1 + np.count_nonzero(np.diff(x[members]))
    if length < min_length or filled < 0.5 * length:
        return members, None
    return members, (
        slope,
        rho,
        float(x[members[0]]),
        float(x[members[-1]]),
        float(w[members].sum()),
    )


def _beside(
    x: Array, y: Array, alive: NDArray[np.bool_], slope: float, rho: float
) -> NDArray[np.intp]:
    """Pixels left that lie near a line."""
    return np.nonzero(alive & (np.abs(y - slope * x - rho) <= BESIDE_PX))[0]
