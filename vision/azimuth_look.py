"""A head-on photo of a body over a mirror -> rough places of its edges, by two looks of networks.

Comes in: an upright RGB picture. Goes out: `Borders`, straight stretches of the borders of the body
and of its image, in pixels of the full photo. The wide look (`vision.azimuth_body`) finds the body,
the nearer one (`vision.azimuth_near`) its lower edge, the edge's image and the underside's sides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import azimuth_near
from vision.azimuth_body import BODY, HOLDER, IMAGE, ROD, UNDER
from vision.azimuth_borders import Run, lower_border, straight_runs, upper_border
from vision.azimuth_candidate import MAX_FLAT
from vision.azimuth_shown import rod_between, rod_usual
from vision.network import out_of

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

LEAST_EDGE = 0.14  # shortest stretch, of the body's width
LEAST_DEPTH_PX, STEEPEST_DEPTH = 14.0, 3.0  # in the nearer look; columns a row
FRAME_PX = 15.0  # frames less than this apart show the same
ROOM_PX = 4  # a border as near the copy's own is not seen
LEAST_WIDTH = 40.0  # of the body in the wide look, px
LEAST_PIECE = 0.25  # of its largest piece's area
MOST_HALF = 0.11  # azimuth, radians
LEAST_GAP = 0.02  # of edge and image, of the edge's length
ABOVE_PX, GAP_PX = 10, 9  # of the wide look: the body is seen so far above its edge; gaps closed
MUCH = 0.8  # of the whole edge: a border as long is it
SHOWN = 0.3  # from this share on something may hide a border


@dataclass(frozen=True)
class Line:
    """A straight border: ends (left, right; upper, lower) in photo px, and its run in the copy."""

    ends: Array
    run: Run

    @property
    def angle(self) -> float:
        """Radians from x to y."""
        return float(np.arctan2(*(self.ends[1] - self.ends[0])[::-1]))


@dataclass(frozen=True)
class Borders:
    """Straight borders, likeliest first.

    ``edges`` are of the body, downwards, ``images`` where the image of its faces begins;
    ``depths`` are the left and right border of the underside's image, which run away from the
    camera. ``frame`` is that of the nearer look.
    """

    edges: list[Line]
    images: list[Line]
    depths: list[Line]
    frame: Array

    @property
    def both(self) -> bool:
        """Whether an edge and an image are shown."""
        return bool(self.edges and self.images)


def find_borders(rgb: NDArray[np.uint8], scale: float, kinds: Grey, own: float) -> list[Borders]:
    """Borders of the body and of its image, by one nearer look or two.

    A second one is framed by the body's corners, where the longest straight border of its lower
    side is only a part of that: between the bars of a guard, say.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    scale : float
        Size of ``rgb`` over the full photo's.
    kinds, own : ndarray, float
        What the wide look shows (`vision.azimuth_body.show_kinds`).

    Returns
    -------
    list of Borders
        Empty where no body over its image is shown.
    """
    start = _start(kinds)
    if start is None:
        return []
    size = own * scale
    edge, image = (_up(ends, size) for ends in start)
    whole = _up(_to_corners(kinds[BODY] + kinds[ROD], start[0]), size)
    first = look_nearer(rgb, scale, edge, image)
    if not first.both:
        return [first]
    shown = first.edges[0].ends
    found = [_look_again(rgb, scale, first, shown)]
    moved = beneath(whole, image)
    if min(_long(edge), _long(shown)) < MUCH * _long(whole) and moved is not None:
        wider = look_nearer(rgb, scale, whole, moved)
        if wider.both:
            shown = _as_long(wider.edges[0].ends, whole)
            found.append(_look_again(rgb, scale, wider, shown))
    return found


def _look_again(rgb: NDArray[np.uint8], scale: float, first: Borders, edge: Array) -> Borders:
    """Borders by a look framed by an edge that a first one shows, and its image."""
    moved = beneath(edge, first.images[0].ends)
    if moved is None or _alike(first.frame, azimuth_near.frame(edge, moved)):
        return first
    return look_nearer(rgb, scale, edge, moved)


def _long(ends: Array) -> float:
    return float(np.linalg.norm(ends[1] - ends[0]))


def _as_long(edge: Array, whole: Array) -> Array:
    """Ends of an edge, those of the ``whole`` one on its line where it is only a part of that."""
    if _long(edge) >= MUCH * _long(whole):
        return edge
    along = (edge[1] - edge[0]) / _long(edge)
    return np.asarray(edge[0] + np.outer((whole - edge[0]) @ along, along))


def _alike(frame: Array, other: Array) -> bool:
    """Whether the edge and its image lie where they should in both of two frames."""
    at = np.concatenate(azimuth_near.edges_of(other))
    apart = frame - other
    moved = at @ apart[:, :2].T + apart[:, 2]
    return float(np.abs(moved).max()) < FRAME_PX


def look_nearer(rgb: NDArray[np.uint8], scale: float, edge: Array, image: Array) -> Borders:
    """The same where the edge and its image are known roughly, ends in photo px."""
    shares, frame = azimuth_near.look(rgb, scale, edge, image)
    edges, images = _flat_borders(shares, LEAST_EDGE * azimuth_near.EDGE_PX)

    def lines(runs: list[Run]) -> list[Line]:
        return [Line(out_of(frame, run.ends), run) for run in runs]

    depths = lines(_depths(shares))
    return Borders(lines(edges), lines(images), depths, frame)


def _up(points: Array, scale: float) -> Array:
    return np.asarray((points + 0.5) / scale - 0.5)


def _flat_borders(kinds: Grey, least: float) -> tuple[list[Run], list[Run]]:
    """Runs of the body's lower border and of its faces' image's upper one."""
    edges = straight_runs(lower_border(kinds[BODY], kinds[ROD] > SHOWN), least, MAX_FLAT)
    return edges, _upper_runs(kinds, kinds[IMAGE], least)


def _upper_runs(kinds: Grey, image: Grey, least: float) -> list[Run]:
    """Runs of the upper border of (a part of) the image, where nothing stands before it."""
    before = (kinds[ROD] > SHOWN) | (kinds[BODY] + kinds[HOLDER] > 0.5)
    return straight_runs(upper_border(image, before), least, MAX_FLAT)


def _start(kinds: Grey) -> tuple[Array, Array] | None:
    """Ends of the lower edge and of its image, copy pixels."""
    kinds = kinds.copy()
    kinds[BODY] *= _main(kinds[BODY])
    kinds[[IMAGE, UNDER]] *= _main(kinds[IMAGE] + kinds[UNDER])
    columns = np.nonzero((kinds[BODY] > 0.5).sum(axis=0) > 3)[0]
    if not len(columns) or columns[-1] - columns[0] < LEAST_WIDTH:
        return None
    width = float(columns[-1] - columns[0])
    edges, images = _flat_borders(kinds, LEAST_EDGE * width)
    backs = _upper_runs(kinds, kinds[IMAGE] + kinds[UNDER], LEAST_EDGE * width)
    rod = kinds[ROD] > 0.5
    best: tuple[float, Array, Array] | None = None
    for edge in edges:
        for runs, worth in ((images, 1.0), (backs, 0.5)):
            for image in runs:
                moved = beneath(edge.ends, image.ends)
                if moved is None:
                    continue
                value = edge.count + worth * image.count
                value *= rod_usual(rod_between(rod, edge.ends, moved))
                if best is None or value > best[0]:
                    best = value, edge.ends, moved
    return None if best is None else best[1:]


def _to_corners(share: Grey, edge: Array) -> Array:
    """Ends of an edge moved out along its line as far as the body above it reaches.

    A guard or a bar under the body parts its edge, and what is seen of it says little of its width.
    """
    (left, y), (right, other) = edge
    columns = np.arange(share.shape[1])
    slope = (other - y) / (right - left)
    rows = np.rint(y + slope * (columns - left)).astype(int) - ABOVE_PX
    body = share[np.clip(rows, 0, len(share) - 1), columns] > 0.5
    closed = cv2.morphologyEx(
        body.astype(np.uint8)[None], cv2.MORPH_CLOSE, np.ones((1, 2 * GAP_PX + 1), np.uint8)
    )[0]
    _, pieces = cv2.connectedComponents(closed[None])
    there = pieces[0, max(0, round(left)) : round(right) + 1]
    on = there[there > 0]
    if not len(on):
        return edge
    own = np.nonzero(pieces[0] == np.bincount(on).argmax())[0]
    ends = np.array([min(left, own[0]), max(right, own[-1])])
    return np.column_stack([ends, y + slope * (ends - left)])


def _main(share: Grey) -> NDArray[np.bool_]:
    """Where a kind is not shown in pieces far smaller than its largest one."""
    _, pieces, stats, _ = cv2.connectedComponentsWithStats((share > 0.5).astype(np.uint8))
    areas = stats[:, cv2.CC_STAT_AREA]
    areas[0] = 0
    small = areas < LEAST_PIECE * areas.max()
    small[0] = False
    return np.asarray(~small[pieces])


def beneath(edge: Array, image: Array) -> Array | None:
    """Where the ends of an edge are seen on the line of its image; None where it cannot be that.

    Both are (left, right) ends, shape (2, 2), in pixels that are square: a stretched copy turns
    edge and image apart.
    """
    own, other = (math.atan2(*(ends[1] - ends[0])[::-1]) for ends in (edge, image))
    half, turn = (own - other) / 2, (own + other) / 2
    along, down = (
        np.array([math.cos(turn), math.sin(turn)]),
        np.array([-math.sin(turn), math.cos(turn)]),
    )
    length = float((edge[1] - edge[0]) @ along)
    normal = np.array([-math.sin(other), math.cos(other)])
    gaps = ((image[0] - edge) @ normal) / float(normal @ down)
    overlap = min((image[1] - edge[0]) @ along, (edge[1] - image[0]) @ along)
    if abs(half) > MOST_HALF or gaps.min() < LEAST_GAP * length or overlap < 0.3 * length:
        return None
    return np.asarray(edge + gaps[:, None] * down)


def _depths(kinds: Grey) -> list[Run]:
    """Left and right border of the underside's image; none where one of them is not seen."""
    under, rod = (np.ascontiguousarray(kinds[k].T) for k in (UNDER, ROD))
    found = []
    for border in (upper_border, lower_border):
        points = border(under, rod > SHOWN)
        inside = (points[:, 1] > ROOM_PX) & (points[:, 1] < under.shape[0] - 1 - ROOM_PX)
        runs = straight_runs(points[inside], LEAST_DEPTH_PX, STEEPEST_DEPTH)
        if not runs:
            return []
        found.append(Run(runs[0].ends[:, ::-1], runs[0].count, runs[0].off))
    return found
