"""Lines of a head-on photo and its reflections -> pairs of a body's edge and its image.

Comes in: straight segments and edge strengths of a reduced picture, and the reflections
(`vision.azimuth_mirror`) that explain it best. Goes out: `Candidate`s in the same pixels: any long
enough flat line whose image is seen about where a reflection puts it. No sides need to meet the
line's ends, so that rounded, chamfered and half-hidden bodies have candidates too; sides are taken
where both they and their images are seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vision.azimuth_candidate import Candidate, along_field, unlike
from vision.azimuth_mirror import MirrorMap, between
from vision.straight_segments import EdgeField, Line

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

LEAST_LENGTH, MOST_LINES = 0.16, 24  # of the frame's width
MOST_TURN = 0.12  # of a lower edge against the mirror, slope
TURN_STEPS = np.arange(-0.03, 0.031, 0.006)  # the reflections' directions are good to a degree
LEAST_COVER = 0.3
SIDE_LENGTH = 0.06  # of the frame's width, at least


def mirrored_pairs(
    maps: Sequence[MirrorMap],
    flat: EdgeField,
    steep: EdgeField,
    lines: Sequence[Line],
    sides: Sequence[Line],
    bare: EdgeField,
    channels: Picture,
) -> list[Candidate]:
    """Pairs of flat lines that a reflection takes to each other.

    Parameters
    ----------
    maps : sequence of MirrorMap
        In pixels of the picture.
    flat, steep : EdgeField
    lines, sides : sequence of Line
        Flat and steep segments.
    bare : EdgeField
        Flat edges without printed lines, where images are looked for.
    channels : ndarray, shape (H, W, 3)

    Returns
    -------
    list of Candidate
        Not sorted.
    """
    height, width = flat.strength.shape
    long = [line for line in lines if line.length >= LEAST_LENGTH * width]
    long = sorted(long, key=lambda line: -line.weight)[:MOST_LINES]
    steep_ends = _ends_of(sides, SIDE_LENGTH * width)
    found = []
    for mirror in maps:
        side_pairs = _side_pairs(mirror, steep, steep_ends)
        for line in long:
            if abs(math.atan(line.slope) - mirror.angle) > MOST_TURN:
                continue
            candidate = _pair(mirror, line, flat, bare, side_pairs, channels, height, width)
            if candidate is not None:
                found.append(candidate)
    return found


def with_sides(edge: Array, image: Array, steep: EdgeField, sides: Sequence[Line]) -> Candidate:
    """A pair of lines with the sides that lie beside it, where both they and images are seen.

    Parameters
    ----------
    edge, image : ndarray, shape (2, 2)
        Left and right ends, pixels of the picture.
    steep : EdgeField
    sides : sequence of Line
    """
    ends = _ends_of(sides, SIDE_LENGTH * steep.strength.shape[0])
    pairs = _side_pairs(between(edge, image), steep, ends)
    found, _, _ = _sides_of(edge, float(np.linalg.norm(edge[1] - edge[0])), pairs)
    return Candidate(edge, image, found, 0.0, {"cup": 0.0})


def _ends_of(sides: Sequence[Line], least: float) -> Array:
    """Upper and lower ends (x, y) of steep segments, shape (N, 2, 2)."""
    ends = [[[s.at(s.start), s.start], [s.at(s.end), s.end]] for s in sides if s.length >= least]
    return np.array(ends, float).reshape(-1, 2, 2)


def _side_pairs(
    mirror: MirrorMap, steep: EdgeField, ends: Array
) -> list[tuple[Array, Array, float]]:
    """Steep segments and where their images are seen, with the image's support, 0 to 1."""
    if not ends.size:
        return []
    images = mirror(ends)
    t = np.linspace(0.04, 0.96, 32)[:, None]
    pairs = []
    size = steep.strength.shape  # (W, H): steep fields are transposed
    shifts = np.arange(-0.02, 0.021, 0.005) * size[0]
    for side, image in zip(ends, images, strict=True):
        points = image[0] + t * (image[1] - image[0])
        inside = (points[:, 1] >= 0) & (points[:, 1] < size[1] - 2)
        if inside.sum() < 10:
            continue
        x = (
            points[:, 0]
            + shifts[:, None, None]
            + np.arange(-0.03, 0.031, 0.01)[:, None] * (points[:, 1] - points[:, 1].mean())
        )
        support = along_field(steep.strength, np.broadcast_to(points[:, 1], x.shape), x)
        value = support[..., inside].mean(axis=2)
        k, m = np.unravel_index(int(np.argmax(value)), value.shape)
        seen = np.nonzero(inside)[0]
        placed = np.stack([x[k, m, seen[[0, -1]]], points[seen[[0, -1]], 1]], axis=1)
        pairs.append((side, placed, float(value[k, m])))
    return pairs


def _pair(
    mirror: MirrorMap,
    line: Line,
    flat: EdgeField,
    bare: EdgeField,
    side_pairs: Sequence[tuple[Array, Array, float]],
    channels: Picture,
    height: int,
    width: int,
) -> Candidate | None:
    edge = np.array([[line.start, line.at(line.start)], [line.end, line.at(line.end)]])
    image = mirror(edge)
    length = float(np.linalg.norm(edge[1] - edge[0]))
    if (image[:, 1] - edge[:, 1]).min() < 0.03 * length or image[:, 1].max() > height - 3:
        return None
    if image[:, 0].min() < -0.02 * width or image[:, 0].max() > 1.02 * width:
        return None
    # The image within what the reflection is good to.
    u = np.linspace(-0.12, 1.12, 63)
    inside = (u > 0.02) & (u < 0.98)
    x = image[0, 0] + u * (image[1, 0] - image[0, 0])
    offsets = np.arange(-0.03, 0.031, 1.0 / width) * width
    y = image[0, 1] + u * (image[1, 1] - image[0, 1])
    y = y + offsets[:, None, None] + TURN_STEPS[:, None] * (x - image[:, 0].mean())
    support = along_field(bare.strength, np.broadcast_to(x, y.shape), y)
    cover = support[..., inside].mean(axis=2)
    # Not far from where it should lie, if several lines are about as good.
    cover = cover - 0.1 * np.abs(offsets[:, None]) / (0.03 * width)
    k, m = np.unravel_index(int(np.argmax(cover)), cover.shape)
    if support[k, m, inside].mean() < LEAST_COVER:
        return None
    placed = np.stack([x[[0, -1]], y[k, m, [0, -1]]], axis=1)
    along = placed[1] - placed[0]
    image = placed[0] + np.array([0.12, 1.12])[:, None] / 1.24 * along
    if (image[:, 1] - edge[:, 1]).min() < 0.02 * length:
        return None
    own = along_field(
        flat.strength, edge[0, 0] + u * length, edge[0, 1] + u * (edge[1, 1] - edge[0, 1])
    )
    beyond_own = float(own[~inside].mean())
    beyond = float(support[k, m, ~inside].mean())
    cover_edge, cover_image = float(own[inside].mean()), float(support[k, m, inside].mean())
    sides, rise, fall = _sides_of(edge, length, side_pairs)
    alike = unlike(channels, tuple(edge.ravel()), tuple(image.ravel()))
    parts = {
        "unlike": alike,
        "cup": cover_edge + rise - 0.8 * beyond_own,
        "cover": cover_image,
        "fall": fall,
        "beyond": beyond,
        "miss": 0.0,
    }
    score = parts["cup"] + 0.9 * cover_image + fall - 0.5 * beyond - alike
    score -= 2.0 * max(0.0, 0.4 - fall) + 2.0 * max(0.0, 0.28 - length / width)
    return Candidate(edge, image, sides, score, parts)


def _sides_of(
    edge: Array, length: float, side_pairs: Sequence[tuple[Array, Array, float]]
) -> tuple[dict[str, Array], float, float]:
    """The best side left and right of an edge, its image, and the support of both."""
    sides: dict[str, Array] = {}
    rise = fall = 0.0
    middle = edge.mean(axis=0)
    for name, sign in (("left", -1.0), ("right", 1.0)):
        best = 0.0
        for side, image, value in side_pairs:
            low = side[1]
            # From the edge's end outwards, rising from about its height.
            off = sign * (low[0] - middle[0]) / length
            y = edge[0, 1] + (edge[1, 1] - edge[0, 1]) / length * (low[0] - edge[0, 0])
            above = (y - low[1]) / length
            if not 0.35 < off < 0.9 or not -0.1 < above < 0.6:
                continue
            tall = float(side[1, 1] - side[0, 1]) / length
            worth = value * min(tall, 0.4) / 0.4
            if worth > best:
                best = worth
                sides[name], sides[f"{name} image"] = side[::-1], image
        rise += min(best * 1.2, 1.0) / 2
        fall += best / 2
    return sides, rise, fall
