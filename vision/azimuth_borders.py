"""What a network shows of a body and its image -> straight stretches of their borders.

Comes in: the share of one kind of thing at each pixel of a network's copy. Goes out: `Run`s, where
that kind's border runs straight, in pixels of the copy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.straight_segments import fit_line

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

HIDDEN_PX = 3  # what is this near is touched
STRAIGHT_PX = 1.5  # of a stretch's points from its line
TRIED = 24  # points of a border whose pairs give the lines that are tried
GAP_COST = 0.3  # of a missing column, in columns seen


@dataclass(frozen=True)
class Run:
    """A straight stretch of a border, pixels of the copy.

    ``ends`` are (left, right), shape (2, 2); ``count`` columns show it, ``off`` (px, RMS) off it.
    """

    ends: Array
    count: int
    off: float

    @property
    def angle(self) -> float:
        """Radians from x to y."""
        return float(np.arctan2(*(self.ends[1] - self.ends[0])[::-1]))


def lower_border(share: Grey, hidden: Mask) -> Array:
    """Columns and rows, shape (N, 2), where a kind ends downwards, to parts of a pixel.

    Those near what is ``hidden`` are left out.
    """
    above, below = share[:-1], share[1:]
    rows, columns = np.nonzero((above > 0.5) & (below <= 0.5))
    high, low = above[rows, columns], below[rows, columns]
    seen = np.ones(len(rows), bool)
    for d in range(-HIDDEN_PX, HIDDEN_PX + 1):
        seen &= ~hidden[np.clip(rows + d, 0, len(hidden) - 1), columns]
    y = rows + (high - 0.5) / np.maximum(high - low, 1e-6)
    return np.column_stack([columns, y])[seen].astype(float)


def upper_border(share: Grey, hidden: Mask) -> Array:
    """The same where a kind begins."""
    points = lower_border(share[::-1], hidden[::-1])
    points[:, 1] = len(share) - 1 - points[:, 1]
    return points


def straight_runs(points: Array, least: float, steepest: float, most: int = 3) -> list[Run]:
    """Straight stretches of a border, longest first.

    Parameters
    ----------
    points : ndarray, shape (N, 2)
        Of the border, in any order.
    least : float
        Shortest stretch, px.
    steepest : float
        Largest |dy / dx|.
    most : int
        Stretches returned.

    Returns
    -------
    list of Run
    """
    found: list[Run] = []
    left = points[np.argsort(points[:, 0], kind="stable")]
    while len(found) < most and len(left) >= least / 2:
        line = _likeliest(left, least / 3, steepest)
        if line is None:
            break
        for _ in range(4):
            weight = np.maximum(0.0, 1 - (_off(left, line) / STRAIGHT_PX) ** 2)
            if (weight > 0).sum() < 5:
                break
            line = fit_line(left[:, 0], left[:, 1], weight**2)
        off = np.abs(_off(left, line))
        columns = np.unique(left[off < STRAIGHT_PX, 0])
        if len(columns) < 5:
            break
        first, last = _stretch(columns)
        inside = (left[:, 0] >= first) & (left[:, 0] <= last)
        on = inside & (off < STRAIGHT_PX)
        if last - first >= least:
            shown = left[on]
            line = fit_line(shown[:, 0], shown[:, 1], np.ones(len(shown)))
            ends = np.array([first, last])
            found.append(
                Run(
                    np.column_stack([ends, line[0] * ends + line[1]]),
                    len(np.unique(shown[:, 0])),
                    float(np.sqrt(np.mean(_off(shown, line) ** 2))),
                )
            )
        left = left[~(inside & (off < 1.5 * STRAIGHT_PX))]
    return sorted(found, key=lambda r: -r.count)


def _off(points: Array, line: tuple[float, float]) -> Array:
    """How far points lie below a line of a slope and an intercept."""
    return np.asarray(points[:, 1] - line[0] * points[:, 0] - line[1])


def _likeliest(points: Array, apart: float, steepest: float) -> tuple[float, float] | None:
    """Slope and intercept of the line through two of the points that most others lie near."""
    tried = points[np.linspace(0, len(points) - 1, min(TRIED, len(points))).astype(int)]
    i, j = np.triu_indices(len(tried), 1)
    across = tried[j, 0] - tried[i, 0]
    far = across > apart
    slope = (tried[j, 1] - tried[i, 1])[far] / across[far]
    start = tried[i][far][np.abs(slope) < steepest]
    slope = slope[np.abs(slope) < steepest]
    if not len(slope):
        return None
    off = points[:, 1] - start[:, 1:] - slope[:, None] * (points[:, 0] - start[:, :1])
    near = np.maximum(0.0, 1 - (off / STRAIGHT_PX) ** 2).sum(axis=1)
    k = int(np.argmax(near))
    return float(slope[k]), float(start[k, 1] - slope[k] * start[k, 0])


def _stretch(x: Array) -> tuple[float, float]:
    """From where to where columns lie close enough together, the most of them."""
    steps = np.diff(x)
    gain = np.concatenate([[0.0], np.cumsum(1.0 - GAP_COST * (steps - 1))])
    last = int(np.argmax(gain - np.minimum.accumulate(gain)))
    first = int(np.argmin(gain[: last + 1]))
    return float(x[first]), float(x[last])
