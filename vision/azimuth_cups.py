"""Lines of a head-on photo -> bodies standing over their reflections.

Comes in: straight segments and edge strengths of a reduced picture. Goes out: `Candidate`s in the
same pixels. The shapes looked for are a "cup", an edge with two sides rising from its ends, and
under it a line of the same width shifted along the mirror's normal, with the sides' mirror images
falling from its ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.azimuth_candidate import Candidate, along_field, unlike
from vision.straight_segments import EdgeField, Line

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
OPTIONS_EACH = 10  # lines under one edge that are looked at closely


@dataclass(frozen=True)
class Cup:
    """An edge, ``y = slope * x + intercept`` from xl to xr, with two sides ``x = t * y + b``.

    ``gaps`` is how far each side stops short of the edge, in widths.
    """

    line: tuple[float, float]
    xl: float
    xr: float
    left: tuple[float, float]
    right: tuple[float, float]
    score: float
    cover: float
    sides: float
    gaps: tuple[float, float]

    @property
    def width(self) -> float:
        """Pixels between the corners."""
        return self.xr - self.xl


def find_cups(
    flat: EdgeField, steep: EdgeField, lines: list[Line], sides: list[Line], count: int = 14
) -> list[Cup]:
    """Edges with two sides rising from their ends."""
    if len(sides) < 2:
        return []
    t = np.array([s.slope for s in sides])
    b = np.array([s.intercept for s in sides])
    top = np.array([s.start for s in sides])
    bottom = np.array([s.end for s in sides])
    cups: list[Cup] = []
    unit = flat.strength.shape[1] / 100
    for line in lines + _bridges(flat, t, b, top, bottom, unit):
        y = (line.slope * b + line.intercept) / (1 - line.slope * t)
        x = t * y + b
        # Positive where the side stops short of the line; negative where body and image line up.
        above = y - bottom
        rise = np.minimum(bottom, y) - top
        ok = np.nonzero((above < 12 * unit) & (rise > 2 * unit))[0]
        if ok.size < 2:
            continue
        i, j = np.meshgrid(ok, ok, indexing="ij")
        width = x[j] - x[i]
        mean, spread = (t[i] + t[j]) / 2, (t[i] - t[j]) / 2
        reach_left = line.start - x[i]
        reach_right = x[j] - line.end
        good = (
            (width > 13 * unit)
            & (np.abs(mean + line.slope) < 0.08)
            & (spread > -0.24)
            & (spread < 0.30)
            & (np.maximum(above[i], above[j]) < 0.24 * width)
            & (np.minimum(rise[i], rise[j]) > 0.08 * width)
            & (np.maximum(reach_left, reach_right) < 0.27 * width)
            & (np.minimum(reach_left, reach_right) > -0.25 * width)
        )
        for k, m in zip(i[good], j[good], strict=True):
            cup = _score_cup(flat, steep, line, sides[k], sides[m], x[k], x[m])
            if cup is not None:
                cups.append(cup)
    cups.sort(key=lambda c: -c.score)
    kept: list[Cup] = []
    for cup in cups:
        if not any(_same_cup(cup, o) or _part_of(cup, o) for o in kept):
            kept = [o for o in kept if not _part_of(o, cup)] + [cup]
        if len(kept) >= count:
            break
    return kept


def _same_cup(cup: Cup, other: Cup) -> bool:
    return (
        abs(cup.xl - other.xl) + abs(cup.xr - other.xr) < 0.04 * cup.width
        and abs(_mid(cup) - _mid(other)) < 0.015 * cup.width
        and abs(cup.line[0] - other.line[0]) < 0.02
    )


def _part_of(cup: Cup, whole: Cup) -> bool:
    """Whether a cup is only a stretch of another's edge, cut off by something on the body."""
    middle = (cup.xl + cup.xr) / 2
    return (
        whole.width > 1.25 * cup.width
        and whole.score > cup.score - 0.35
        and whole.xl - 0.03 * whole.width < cup.xl
        and cup.xr < whole.xr + 0.03 * whole.width
        and abs(_mid(cup) - whole.line[0] * middle - whole.line[1]) < 0.03 * whole.width
        and abs(cup.line[0] - whole.line[0]) < 0.03
    )


def _bridges(
    flat: EdgeField, t: Array, b: Array, top: Array, bottom: Array, unit: float, most: int = 60
) -> list[Line]:
    """Best edge near the lower ends of every plausible pair of sides, however broken it is."""
    x = t * bottom + b
    i, j = np.meshgrid(np.arange(t.size), np.arange(t.size), indexing="ij")
    width = x[j] - x[i]
    slope = (bottom[j] - bottom[i]) / np.where(width > 0, width, np.inf)
    length = np.minimum((bottom - top)[i], (bottom - top)[j])
    lean = (t[i] + t[j]) / 2
    good = (
        (width > 13 * unit)
        & (np.abs(slope + lean) < 0.16)
        & (length > 0.15 * width)
        & (t[i] - t[j] > -0.24)
        & (t[i] - t[j] < 0.5)
        & (np.abs(lean) < 0.2)
    )
    pairs = sorted(zip(i[good], j[good], strict=True), key=lambda p: -length[p[0], p[1]])[:most]
    u = np.linspace(0.03, 0.97, 48)
    weight = np.where((u < 0.2) | (u > 0.8), 1.5, 0.67)
    lines = []
    for k, m in pairs:
        w = width[k, m]
        turns = -lean[k, m] + np.arange(-0.07, 0.071, 0.01)
        middle = (bottom[k] + bottom[m]) / 2 + np.arange(-0.10, 0.14, 1.0 / w) * w
        px = x[k] + u * w
        py = middle[None, :, None] + turns[:, None, None] * ((u - 0.5) * w)
        support = (along_field(flat.strength, np.broadcast_to(px, py.shape), py) * weight).mean(
            axis=2
        )
        a, c = np.unravel_index(int(np.argmax(support)), support.shape)
        if support[a, c] > 0.2:
            s = float(turns[a])
            xm = x[k] + w / 2
            lines.append(Line(s, float(middle[c] - s * xm), float(x[k]), float(x[m]), 1.0, False))
    return lines


def _mid(cup: Cup) -> float:
    return cup.line[0] * (cup.xl + cup.xr) / 2 + cup.line[1]


def _score_cup(
    flat: EdgeField, steep: EdgeField, line: Line, left: Line, right: Line, xl: float, xr: float
) -> Cup | None:
    width = xr - xl
    u = np.linspace(-0.14, 1.14, 129)
    support = along_field(
        flat.strength, xl + u * width, line.slope * (xl + u * width) + line.intercept
    )
    inside = (u > 0.02) & (u < 0.98)
    cover = float(support[inside].mean())
    ends = min(
        float(support[(u > 0.02) & (u < 0.28)].mean()),
        float(support[(u > 0.72) & (u < 0.98)].mean()),
    )
    if ends < 0.25:
        return None
    beyond = float(support[u < -0.04].mean() + support[u > 1.04].mean()) / 2
    rise, gaps = 0.0, []
    for side, x in ((left, xl), (right, xr)):
        y = line.slope * x + line.intercept
        # A rounded corner keeps the side off the edge by its radius.
        gap = min(max((y - side.end) / width, 0.02), 0.26)
        gaps.append(gap)
        ys = y - (gap + np.linspace(0.02, 0.36, 40)) * width
        rise += float(along_field(steep.strength, ys, side.slope * ys + side.intercept).mean()) / 2
    square = abs((left.slope + right.slope) / 2 + line.slope)
    share = width / flat.strength.shape[1]
    score = max(cover, 0.55 * ends) + rise - 0.8 * beyond - (square / 0.06) ** 2 * 0.3
    score -= 2.0 * max(0.0, 0.28 - share)  # a body fills the frame; cells of a grid do not
    return Cup(
        (line.slope, line.intercept),
        xl,
        xr,
        (left.slope, left.intercept),
        (right.slope, right.intercept),
        score,
        max(cover, 0.55 * ends),
        rise,
        (gaps[0], gaps[1]),
    )


def pairs_under(
    cup: Cup,
    flat: EdgeField,
    steep: EdgeField,
    lines: list[Line],
    channels: Picture,
    gradient: Picture,
) -> list[Candidate]:
    """Lines under a cup that may be its reflected edge; ``gradient`` is that of channels, down."""
    slope, intercept = cup.line
    width = cup.width
    options: list[tuple[float, float, float]] = []
    xm = (cup.xl + cup.xr) / 2
    for line in lines:
        gap = line.at(xm) - (slope * xm + intercept)
        if not 0.03 * width < gap < 0.85 * width or abs(line.slope - slope) > 0.16:
            continue
        if line.start > cup.xl + 0.35 * width or line.end < cup.xr - 0.35 * width:
            continue
        options.append((line.slope, line.intercept, 0.0))
    options += _search_below(cup, gradient)
    u = np.linspace(0.03, 0.97, 48)
    xs = cup.xl + u * width

    def promise(option: tuple[float, float, float]) -> float:
        s, c0, weak = option
        gap = s * xm + c0 - slope * xm - intercept
        along = xs - (slope + s) / 2 * gap
        return float(along_field(flat.strength, along, s * along + c0).mean()) + 40 * weak

    options.sort(key=promise, reverse=True)
    chosen: list[tuple[float, float, float]] = []
    for option in options:
        turn, place = option[0], option[0] * xm + option[1]
        if all(
            abs(turn - s) > 0.012 or abs(place - s * xm - c0) > 0.012 * width for s, c0, _ in chosen
        ):
            chosen.append(option)
        if len(chosen) >= OPTIONS_EACH:
            break
    return [
        c
        for s, c0, weak in chosen
        if (c := _score_pair(cup, flat, steep, s, c0, weak, channels)) is not None
    ]


def _search_below(cup: Cup, gradient: Picture, count: int = 4) -> list[tuple[float, float, float]]:
    """Weak edges under the cup: the median over blocks of the slope across, over all leans."""
    slope, intercept = cup.line
    width = cup.width
    us = (np.arange(36) + 0.5) / 36 * 0.92 + 0.04
    xs = cup.xl + us * width
    gaps = np.arange(0.03 * width, 0.8 * width, max(1.0, width / 180))
    turns = np.arange(-0.14, 0.141, 0.014)[:, None, None]
    base = slope * xs + intercept + turns * (xs - (cup.xl + cup.xr) / 2)
    px = (xs - (slope + turns / 2) * gaps[:, None]).astype(np.float32)
    py = (base + gaps[:, None]).astype(np.float32)
    values = cv2.remap(
        gradient,
        px.reshape(-1, us.size),
        py.reshape(-1, us.size),
        cv2.INTER_LINEAR,
        borderValue=(0, 0, 0),
    )
    # Means of three, and the median of the twelve of them, channel by channel.
    blocks = (values[:, ::3] + values[:, 1::3] + values[:, 2::3]) / 3
    ranked = np.sort(np.ascontiguousarray(blocks.transpose(0, 2, 1)), axis=2)
    middle = (ranked[..., 5] + ranked[..., 6]) / 2
    table = np.linalg.norm(middle, axis=1).reshape(turns.size, gaps.size)
    options: list[tuple[float, float, float]] = []
    for _ in range(count):
        k, g = np.unravel_index(int(np.argmax(table)), table.shape)
        if table[k, g] < 0.002:
            break
        turn = -0.14 + 0.014 * k
        s = slope + turn
        xm = (cup.xl + cup.xr) / 2
        options.append((s, slope * xm + intercept + gaps[g] - s * xm, float(table[k, g])))
        table[max(0, k - 3) : k + 4, max(0, g - 5) : g + 6] = 0
    return options


def _score_pair(
    cup: Cup,
    flat: EdgeField,
    steep: EdgeField,
    slope: float,
    intercept: float,
    weak: float,
    channels: Picture,
) -> Candidate | None:
    width = cup.width
    height, wide = flat.strength.shape
    roll = (cup.line[0] + slope) / 2
    corners = []
    for x in (cup.xl, cup.xr):
        y = cup.line[0] * x + cup.line[1]
        # Down the mirror's normal, direction (-roll, 1), to the lower line.
        gap = (slope * x + intercept - y) / (1 + slope * roll)
        corners.append((x, y, x - roll * gap, y + gap))
    (xl, yl, il, jl), (xr, yr, ir, jr) = corners
    if min(jl - yl, jr - yr) < 0.02 * width or max(jl, jr) > height - 3:
        return None
    if il < -0.02 * width or ir > wide + 0.02 * width:
        return None
    u = np.linspace(-0.14, 1.14, 129)
    xs = il + u * (ir - il)
    support = along_field(flat.strength, xs, slope * xs + intercept)
    inside = (u > 0.03) & (u < 0.97)
    cover = float(support[inside].mean())
    ends = min(
        float(support[(u > 0.02) & (u < 0.28)].mean()),
        float(support[(u > 0.72) & (u < 0.98)].mean()),
    )
    cover = max(cover, 0.55 * ends, min(0.5, 40 * weak))
    beyond = float(support[u < -0.05].mean() + support[u > 1.05].mean()) / 2
    fall, fitted = 0.0, []
    sides: dict[str, Array] = {}
    for name, (t, b), y in (("left", cup.left, yl), ("right", cup.right, yr)):
        near, far = _supported(steep, y, t * y + b, t, -width)
        if far > near + 0.06:
            ys = y - np.array([near, far]) * width
            sides[name] = np.stack([t * ys + b, ys], axis=1)
    for (t, _), x, y, gap in (
        (cup.left, il, jl, cup.gaps[0]),
        (cup.right, ir, jr, cup.gaps[1]),
    ):
        tilt = -2 * roll - t
        value, x0, s = _best_side(steep, x, y, tilt, width, gap)
        fall += value / 2
        fitted.append((x0, s, value))
        name = "left image" if x < (il + ir) / 2 else "right image"
        near, far = _supported(steep, y, x0, s, width)
        if far > near + 0.06:
            down = np.array([near, far]) * width
            sides[name] = np.stack([x0 + s * down, y + down], axis=1)
    agree = abs(fitted[0][0] - il) / width + abs(fitted[1][0] - ir) / width
    half = (cup.line[0] - slope) / 2
    by_sides = half_sides(cup.left[0], cup.right[0], fitted[0][1], fitted[1][1])
    miss = abs(half - by_sides)
    score = (
        cup.score
        + 0.9 * cover
        + fall
        - 0.5 * beyond
        - min(0.6, (miss / 0.03) ** 2 * 0.15)
        - min(0.4, (agree / 0.03) * 0.1)
        - 0.3 * max(0.0, abs(half) - 0.07) / 0.03
    )
    alike = unlike(channels, (xl, yl, xr, yr), (il, jl, ir, jr))
    # Without the reflected sides an edge with something under it is not yet a reflection.
    score -= alike + 2.0 * max(0.0, 0.4 - fall)
    parts = {
        "unlike": alike,
        "cup": cup.score,
        "cover": cover,
        "fall": fall,
        "beyond": beyond,
        "miss": miss,
    }
    return Candidate(
        np.array([[xl, yl], [xr, yr]]),
        np.array([[il, jl], [ir, jr]]),
        sides,
        score,
        parts,
    )


def _supported(
    steep: EdgeField, y: float, x: float, tilt: float, width: float
) -> tuple[float, float]:
    """Where a side is seen, from and to, in widths off its corner; ``width`` < 0 goes up."""
    u = np.linspace(0.02, 0.8, 79)
    down = u * width
    support = along_field(steep.strength, y + down, x + tilt * down)
    solid = np.convolve(support, np.ones(6) / 6, "valid") > 0.6
    starts = np.nonzero(solid[:25])[0]
    if not starts.size:
        return 0.0, 0.0
    first = int(starts[0])
    share = np.cumsum(support[first:]) / np.arange(1, u.size - first + 1)
    good = np.nonzero((share > 0.6) & (support[first:] > 0.3))[0]
    return (float(u[first]), float(u[first + good[-1]])) if good.size else (0.0, 0.0)


def half_sides(left: float, right: float, left_image: float, right_image: float) -> float:
    """Azimuth slope from the sides alone: the taper cancels where it is alike on both."""
    return -((left + right) - (left_image + right_image)) / 4


def _best_side(
    steep: EdgeField, x: float, y: float, tilt: float, width: float, gap: float
) -> tuple[float, float, float]:
    """Support of the reflected side that falls from (x, y), over small shifts and leans."""
    steps = np.linspace(0.02, 0.34, 33)
    down = np.concatenate([steps, gap + steps]) * width
    shifts = np.arange(-0.045, 0.046, 0.0075) * width
    tilts = tilt + np.arange(-0.06, 0.061, 0.012)
    px = x + shifts[:, None, None] + tilts[None, :, None] * down[None, None, :]
    values = along_field(steep.strength, np.broadcast_to(y + down, px.shape), px)
    # The side may start at the corner or, as above the edge, past a rounding.
    seen = np.maximum(values[..., :33].mean(axis=2), values[..., 33:].mean(axis=2))
    share = seen - 0.1 * np.abs(shifts[:, None]) / (0.045 * width)
    share = share - 0.1 * np.abs(tilts - tilt)[None, :] / 0.06
    k, m = np.unravel_index(int(np.argmax(share)), share.shape)
    return float(seen[k, m]), float(x + shifts[k]), float(tilts[m])
