"""What a network shows of a body and its image -> whether a pair of edges lies on them.

Comes in: a picture, and pairs of fitted edges in pixels of the full photo. Goes out: `Shown`, the
shares of their lengths beside which the network (`vision.azimuth_body`) shows the body or its
image. It tells what is what; places and directions come from the edges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.azimuth_body import BODY, HOLDER, IMAGE, ROD, UNDER, show_kinds

Array = NDArray[np.float64]
NEAR_PX = 3  # of the network's copy, off a line; a border shown is good to one of them
LEAST_ON, LEAST_CLEAR, MOST_INSIDE = 0.45, 0.5, 0.5
# A cantilever and its image hang between a body's lower edge and the edge's image. Of what is shown
# of them half lies above 0.03 to 0.89 of the way from the one to the other (456 right pairs; nine
# in ten of these 0.17 to 0.67).
LEAST_ROD_PX, ROD_OUTSIDE, ROD_AT, ROD_SD = 20, 0.1, 0.4, 0.25


@dataclass(frozen=True)
class Shown:
    """Shares, 0 to 1, of the lengths of an edge and its image.

    ``body``: of the edge, with the body above it; ``border``: with neither the body nor its holder
    below it. ``image``: of the image, with the body's image below it; ``clear``: without the body
    or its holder above it; ``inside``: with the underside's image above and below, where a body
    has no edges but printed lines and shadows run.
    """

    body: float
    border: float
    image: float
    clear: float
    inside: float

    @property
    def may_be(self) -> bool:
        """Whether the two can be edges of one body and its image."""
        return (
            self.body > LEAST_ON
            and self.image > LEAST_ON
            and self.clear > LEAST_CLEAR
            and self.inside < MOST_INSIDE
        )


class Witness:
    """Looks at a picture once, then says of pairs of edges what they lie on.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    scale : float
        Size of ``rgb`` over that of the picture in whose pixels the edges are given.
    """

    def __init__(self, rgb: NDArray[np.uint8], scale: float) -> None:
        self.share, self.own = show_kinds(rgb)
        self.shows = self.share > 0.5
        self.size = self.own * scale

    @property
    def rod_seen(self) -> bool:
        """Whether a cantilever is shown anywhere."""
        return int(self.shows[ROD].sum()) >= LEAST_ROD_PX

    def __call__(self, edge: Array, image: Array) -> Shown:
        """What a pair of edges lies on; both are their (left, right) ends, shape (2, 2)."""
        above, below = (self._beside(edge, off) for off in (-NEAR_PX, NEAR_PX))
        up, down = (self._beside(image, off) for off in (-NEAR_PX, NEAR_PX))
        return Shown(
            _mean(above[BODY], ~above[ROD]),
            1 - _mean(below[BODY] | below[HOLDER], ~below[ROD]),
            _mean(down[IMAGE] | down[UNDER], ~down[ROD]),
            1 - _mean(up[BODY] | up[HOLDER], ~up[ROD]),
            _mean(up[UNDER] & down[UNDER], ~(up[ROD] | down[ROD])),
        )

    def holds_rod(self, edge: Array, image: Array) -> bool:
        """Whether the cantilever hangs between such a pair of edges, or is not seen there."""
        rod = rod_between(self.shows[ROD], self._in_copy(edge), self._in_copy(image))
        return rod is None or -ROD_OUTSIDE < rod < 1 + ROD_OUTSIDE

    def _in_copy(self, points: Array) -> Array:
        return np.asarray((points + 0.5) * self.size - 0.5)

    def _beside(self, line: Array, off: float) -> NDArray[np.bool_]:
        """What is shown at 48 points ``off`` px below a line, shape (kinds, 48)."""
        ends = self._in_copy(line)
        points = ends[0] + np.linspace(0.04, 0.96, 48)[:, None] * (ends[1] - ends[0]) + [0.0, off]
        x, y = np.rint(points).astype(int).T
        _, height, width = self.shows.shape
        return np.asarray(self.shows[:, np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)])


def rod_between(rod: NDArray[np.bool_], edge: Array, image: Array) -> float | None:
    """How far from an edge (0) to its image (1) the middle of the rod lies.

    ``rod`` is where it is shown, (H, W); ``edge`` and ``image`` are (left, right) ends in its
    pixels. None where too little of it is shown.
    """
    y, x = np.nonzero(rod)
    within = (x > min(edge[0, 0], image[0, 0])) & (x < max(edge[1, 0], image[1, 0]))
    if within.sum() < LEAST_ROD_PX:
        return None
    upper, lower = (np.interp(x[within], *line.T) for line in (edge, image))
    return float(np.median((y[within] - upper) / np.maximum(lower - upper, 1.0)))


def rod_usual(rod: float | None) -> float:
    """How usual it is that a rod hangs so far from an edge to its image: 1 at best, or not seen."""
    return 1.0 if rod is None else math.exp(-0.5 * ((rod - ROD_AT) / ROD_SD) ** 2)


def _mean(true: NDArray[np.bool_], told: NDArray[np.bool_]) -> float:
    """Share of what is true where something is told; 0 where too little is."""
    return float(true[told].mean()) if told.sum() >= 5 else 0.0
