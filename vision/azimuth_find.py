"""A head-on photo of a cartridge body over a mirror -> places where its two edges may lie.

Comes in: an upright RGB picture. Goes out: `Candidate`s, each four corners (the body's lower edge
and the reflected one, left and right ends) good to a pixel or two of a picture 800 px wide, best
first, with the score's parts. Ink is closed over first (grey closing), because a grid line taken
for the reflected edge is the mistake that looks right: it agrees with the sides and is wrong by
half the angle.

They come from two sides: bodies with their corners over a reflection (`vision.azimuth_cups`), and
lines that a reflection of the whole picture takes to each other (`vision.azimuth_mirror`,
`vision.azimuth_pairs`). Several are kept on purpose: choosing is done after fitting.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.azimuth_candidate import MAX_FLAT, MAX_STEEP, Candidate, to_full
from vision.azimuth_cups import find_cups, pairs_under
from vision.azimuth_mirror import MirrorMap, find_mirrors
from vision.azimuth_pairs import mirrored_pairs, with_sides
from vision.ink_lines import InkLine, bridged, find_ink_lines, ink_mask
from vision.straight_segments import EdgeField, Line, edge_fields, find_lines, fit_line

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

FIND_WIDTH = 800
_ROOT = np.sqrt(np.arange(256, dtype=np.float32) / 255)
_OPPONENT = np.array([[1 / 3, 1 / 3, 1 / 3], [0.7, -0.7, 0.0], [0.35, 0.35, -0.7]], np.float32)
COUNT, COUNTS = 18, (8, 12)  # candidates: beside lines drawn by a person, and without
INK_PX = 9  # closing window at find size; wider than a printed line there


def printed_lines(rgb: NDArray[np.uint8]) -> list[InkLine]:
    """Printed lines across an upright picture, in pixels of find size."""
    small = _reduced(rgb, min(1.0, FIND_WIDTH / max(rgb.shape[:2])))
    calm = np.asarray(cv2.medianBlur(small, 3), np.uint8)
    grey, fine_grey = (
        np.asarray(cv2.LUT(cv2.cvtColor(p, cv2.COLOR_RGB2GRAY), _ROOT), np.float32)
        for p in (calm, rgb)
    )
    return find_ink_lines(grey, fine_grey, MAX_FLAT)


def find_candidates(
    rgb: NDArray[np.uint8], count: int = COUNT, ink: Sequence[InkLine] = (), scale: float = 1.0
) -> list[Candidate]:
    """Possible places of the body's lower edge and its reflection: the last of `ever_more`."""
    *_, found = ever_more(rgb, (count, count), ink, scale)
    return found


def ever_more(
    rgb: NDArray[np.uint8],
    counts: tuple[int, int] = COUNTS,
    ink: Sequence[InkLine] = (),
    scale: float = 1.0,
    told: Sequence[tuple[Array, Array]] = (),
) -> Iterator[list[Candidate]]:
    """Possible places of the body's lower edge and its reflection, first from a small picture.

    Parameters
    ----------
    rgb : ndarray, shape (H, W, 3), uint8
        Upright picture.
    ink : sequence of InkLine
        Printed lines, as `printed_lines` gives them; they are no reflected edges.
    scale : float
        Size of ``rgb`` over that of the picture in whose pixels the candidates are wanted.
    counts : (int, int)
        Most candidates in each list.
    told : sequence of (ndarray, ndarray), each of shape (2, 2)
        Ends of edges and of their images that are known already, in the candidates' pixels.

    Yields
    ------
    list of Candidate
        Best first; empty where nothing looks like a body over its reflection. Where pairs are
        told, they come first, with the sides that the picture shows. The last list is of a picture
        twice as large too.
    """
    own = min(1.0, FIND_WIDTH / max(rgb.shape[:2]))
    small, scale = _reduced(rgb, own), own * scale
    # Half that size averages speckle away and shows weak reflected edges.
    half = _reduced(small, 0.5)
    seen = _seen(half, INK_PX // 2 | 1)
    if told:
        reduced = np.asarray((np.array(told) + 0.5) * scale / 2 - 0.5)
        beside = [with_sides(pair[0], pair[1], seen.steep, seen.sides) for pair in reduced]
        yield [to_full(candidate, scale / 2) for candidate in beside]
    bare = bridged(small, ink_mask(ink, small.shape[:2])) if ink else small
    bare_half = _reduced(bare, 0.5) if ink else half
    calm = np.asarray(cv2.medianBlur(bare_half, 3), np.uint8)
    mirrors = find_mirrors(opponent(calm))
    maps = mirrors.maps()
    found: list[Candidate] = []
    for without, size, k, count in (
        (bare_half if ink else None, INK_PX // 2 | 1, 1.0, counts[0]),
        (bare if ink else None, INK_PX, 2.0, counts[1]),
    ):
        if k > 1:
            seen = _seen(small, size)
        for c in _at_scale(seen, without, size, [m.scaled(k) for m in maps]):
            in_half = to_full(c, k)
            support = mirrors.support(in_half.edge, in_half.image)
            found.append(replace(to_full(in_half, scale / 2), support=support))
        found.sort(key=lambda c: -c.score - c.support)
        yield _diverse(_distinct(found), count)


def _reduced(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    size = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(size, np.uint8)


@dataclass(frozen=True)
class _Seen:
    """Edges of a reduced picture, flat and steep, and the steep lines."""

    channels: Picture
    flat: EdgeField
    steep: EdgeField
    sides: list[Line]


def _seen(small: NDArray[np.uint8], ink: int) -> _Seen:
    channels, flat, steep = _edges(small, ink)
    return _Seen(channels, flat, steep, find_lines(steep, MAX_STEEP))


def _at_scale(
    seen: _Seen, bare: NDArray[np.uint8] | None, ink: int, maps: Sequence[MirrorMap]
) -> list[Candidate]:
    """Candidates in a reduced picture, in its own pixels; ``bare`` has no printed lines.

    The body stands before the printed lines, so its own edge is looked for with them in place;
    its reflection lies under them.
    """
    channels, flat, steep, sides = seen.channels, seen.flat, seen.steep, seen.sides
    lines = _with_joined(find_lines(flat, MAX_FLAT))
    cups = find_cups(flat, steep, lines, sides)
    bare_flat, under = flat, lines
    if bare is not None:
        channels, bare_flat, _ = _edges(bare, ink)
        under = _with_joined(find_lines(bare_flat, MAX_FLAT))
    gradient = np.asarray(cv2.Sobel(channels, cv2.CV_32F, 0, 1, scale=1 / 8), np.float32)
    found = [
        c for cup in cups for c in pairs_under(cup, bare_flat, steep, under, channels, gradient)
    ]
    return found + mirrored_pairs(maps, flat, steep, lines, sides, bare_flat, channels)


def _edges(small: NDArray[np.uint8], ink: int) -> tuple[Picture, EdgeField, EdgeField]:
    calm = np.asarray(cv2.medianBlur(small, 5 if ink > 5 else 3), np.uint8)
    smooth = cv2.GaussianBlur(opponent(without_ink(calm, ink)), (0, 0), 1.2)
    channels = np.asarray(smooth, np.float32)
    return channels, *edge_fields(channels, (MAX_FLAT, MAX_STEEP))


def without_ink(rgb: NDArray[np.uint8], size: int) -> NDArray[np.uint8]:
    """The picture without lines and specks narrower than ``size`` px, dark or bright.

    A closing and then an opening: ink is darker than paper but brighter than a dark reflection.
    Bright specks go first, with a small opening, or the closing would join them.
    """
    kernel = np.ones((size, size), np.uint8)
    speck = np.ones((max(3, size // 3 | 1),) * 2, np.uint8)
    closed = cv2.morphologyEx(cv2.morphologyEx(rgb, cv2.MORPH_OPEN, speck), cv2.MORPH_CLOSE, kernel)
    return np.asarray(cv2.morphologyEx(closed, cv2.MORPH_OPEN, kernel), np.uint8)


def opponent(rgb: NDArray[np.uint8]) -> Picture:
    """Square-root intensity and two colour differences, shape (H, W, 3), about -1 to 1."""
    return np.asarray(cv2.transform(cv2.LUT(rgb, _ROOT), _OPPONENT), np.float32)


def _with_joined(lines: list[Line]) -> list[Line]:
    """Segments, and pairs of segments that lie on one line (an edge broken by something)."""
    result = list(lines)
    strong = lines[:45]
    for i, a in enumerate(strong):
        for b in strong[i + 1 :]:
            left, right = (a, b) if a.start < b.start else (b, a)
            if right.start < left.end + 4 or abs(left.slope - right.slope) > 0.10:
                continue
            xs = np.array([left.start, left.end, right.start, right.end])
            ys = np.array([left.at(xs[0]), left.at(xs[1]), right.at(xs[2]), right.at(xs[3])])
            weights = np.array([left.length, left.length, right.length, right.length])
            slope, intercept = fit_line(xs, ys, weights)
            if np.abs(ys - slope * xs - intercept).max() > 2.2 or abs(slope) > MAX_FLAT:
                continue
            result.append(
                Line(
                    float(slope),
                    float(intercept),
                    left.start,
                    right.end,
                    left.weight + right.weight,
                    a.steep,
                )
            )
    return result


def _distinct(found: list[Candidate]) -> list[Candidate]:
    kept: list[Candidate] = []
    for c in found:
        width = c.edge[1, 0] - c.edge[0, 0]
        if all(
            np.abs(c.edge - o.edge).max() > 0.03 * width
            or np.abs(c.image - o.image).max() > 0.02 * width
            for o in kept
        ):
            kept.append(c)
    return kept


def _diverse(found: list[Candidate], count: int, each: int = 4) -> list[Candidate]:
    """The best ``count``, no more than ``each`` of them under the same edge."""
    kept: list[Candidate] = []
    for c in found:
        width = c.edge[1, 0] - c.edge[0, 0]
        same = sum(float(np.abs(c.edge - o.edge).max()) < 0.04 * width for o in kept)
        if same < each:
            kept.append(c)
        if len(kept) >= count:
            break
    return kept
