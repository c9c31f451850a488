"""A head-on photo of a cartridge body over a mirror -> places where its two edges may lie.

Comes in: an upright RGB picture. Goes out: `Candidate`s, each four corners (the body's lower edge
and the reflected one, left and right ends) good to a pixel or two of a picture 800 px wide, best
first, with the score's parts. Ink is closed over first (grey closing), because a grid line taken
for the reflected edge is the mistake that looks right: it agrees with the sides and is wrong by
half the angle.

The shapes looked for are a "cup", an edge with two sides rising from its ends, and under it a
line of the same width shifted along the mirror's normal, with the sides' mirror images falling
from its ends. Several candidates are kept on purpose: choosing is done after fitting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.ink_lines import InkLine, bridged, find_ink_lines, ink_mask
from vision.straight_segments import EdgeField, Line, edge_fields, find_lines, fit_line

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

FIND_WIDTH = 800
MAX_FLAT = 0.25  # tan of 14 degrees: roll, azimuth and perspective together
MAX_STEEP = 0.42  # tan of 23 degrees: the same and the taper
OPTIONS_EACH = 10  # lines under one edge that are looked at closely
_ROOT = np.sqrt(np.arange(256, dtype=np.float32) / 255)
_OPPONENT = np.array([[1 / 3, 1 / 3, 1 / 3], [0.7, -0.7, 0.0], [0.35, 0.35, -0.7]], np.float32)
INK_PX = 9  # closing window at find size; wider than a printed line there


@dataclass(frozen=True)
class Candidate:
    """One possible place of the two edges, full-resolution pixels.

    ``edge`` and ``image`` are (left, right) corners, shape (2, 2); ``sides`` holds rough segments
    of the sides that have support ("left", "right", "left image", "right image"), from the corner
    outwards.
    """

    edge: Array
    image: Array
    sides: dict[str, Array]
    score: float
    parts: dict[str, float]


@dataclass(frozen=True)
class _Cup:
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
        return self.xr - self.xl


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
    rgb: NDArray[np.uint8], count: int = 14, ink: Sequence[InkLine] = (), scale: float = 1.0
) -> list[Candidate]:
    """Possible places of the body's lower edge and its reflection.

    Parameters
    ----------
    rgb : ndarray, shape (H, W, 3), uint8
        Upright picture.
    ink : sequence of InkLine
        Printed lines, as `printed_lines` gives them; they are no reflected edges.
    scale : float
        Size of ``rgb`` over that of the picture in whose pixels the candidates are wanted.
    count : int
        Most candidates returned.

    Returns
    -------
    list of Candidate
        Best first; empty where nothing looks like a body over its reflection.
    """
    own = min(1.0, FIND_WIDTH / max(rgb.shape[:2]))
    small, scale = _reduced(rgb, own), own * scale
    bare = bridged(small, ink_mask(ink, small.shape[:2])) if ink else small
    found = [_to_full(c, scale) for c in _at_scale(small, bare, INK_PX)]
    # Half that size averages speckle away and shows weak reflected edges.
    half = _reduced(small, 0.5)
    bare_half = _reduced(bare, 0.5) if ink else half
    found += [_to_full(c, scale / 2) for c in _at_scale(half, bare_half, INK_PX // 2 | 1)]
    found.sort(key=lambda c: -c.score)
    return _diverse(_distinct(found), count)


def _reduced(rgb: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    size = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(size, np.uint8)


def _at_scale(small: NDArray[np.uint8], bare: NDArray[np.uint8], ink: int) -> list[Candidate]:
    """Candidates in a reduced picture, in its own pixels; ``bare`` has no printed lines.

    The body stands before the printed lines, so its own edge is looked for with them in place;
    its reflection lies under them.
    """
    channels, flat, steep = _edges(small, ink)
    lines = _with_joined(find_lines(flat, MAX_FLAT))
    sides = find_lines(steep, MAX_STEEP)
    cups = _cups(flat, steep, lines, sides)
    if bare is not small:
        channels, flat, _ = _edges(bare, ink)
        lines = _with_joined(find_lines(flat, MAX_FLAT))
    return [c for cup in cups for c in _pair(cup, flat, steep, lines, channels)]


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


def _cups(
    flat: EdgeField, steep: EdgeField, lines: list[Line], sides: list[Line], count: int = 14
) -> list[_Cup]:
    """Edges with two sides rising from their ends."""
    if len(sides) < 2:
        return []
    t = np.array([s.slope for s in sides])
    b = np.array([s.intercept for s in sides])
    top = np.array([s.start for s in sides])
    bottom = np.array([s.end for s in sides])
    cups: list[_Cup] = []
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
    kept: list[_Cup] = []
    for cup in cups:
        if not any(_same_cup(cup, o) or _part_of(cup, o) for o in kept):
            kept = [o for o in kept if not _part_of(o, cup)] + [cup]
        if len(kept) >= count:
            break
    return kept


def _same_cup(cup: _Cup, other: _Cup) -> bool:
    return (
        abs(cup.xl - other.xl) + abs(cup.xr - other.xr) < 0.04 * cup.width
        and abs(_mid(cup) - _mid(other)) < 0.015 * cup.width
        and abs(cup.line[0] - other.line[0]) < 0.02
    )


def _part_of(cup: _Cup, whole: _Cup) -> bool:
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
        support = (_along(flat.strength, np.broadcast_to(px, py.shape), py) * weight).mean(axis=2)
        a, c = np.unravel_index(int(np.argmax(support)), support.shape)
        if support[a, c] > 0.2:
            s = float(turns[a])
            xm = x[k] + w / 2
            lines.append(Line(s, float(middle[c] - s * xm), float(x[k]), float(x[m]), 1.0, False))
    return lines


def _mid(cup: _Cup) -> float:
    return cup.line[0] * (cup.xl + cup.xr) / 2 + cup.line[1]


def _score_cup(
    flat: EdgeField, steep: EdgeField, line: Line, left: Line, right: Line, xl: float, xr: float
) -> _Cup | None:
    width = xr - xl
    u = np.linspace(-0.14, 1.14, 129)
    support = _along(flat.strength, xl + u * width, line.slope * (xl + u * width) + line.intercept)
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
        rise += float(_along(steep.strength, ys, side.slope * ys + side.intercept).mean()) / 2
    square = abs((left.slope + right.slope) / 2 + line.slope)
    share = width / flat.strength.shape[1]
    score = max(cover, 0.55 * ends) + rise - 0.8 * beyond - (square / 0.06) ** 2 * 0.3
    score -= 2.0 * max(0.0, 0.28 - share)  # a body fills the frame; cells of a grid do not
    return _Cup(
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


def _pair(
    cup: _Cup, flat: EdgeField, steep: EdgeField, lines: list[Line], channels: Picture
) -> list[Candidate]:
    """Lines under a cup that may be its reflected edge."""
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
    options += _search_below(cup, channels)
    u = np.linspace(0.03, 0.97, 48)
    xs = cup.xl + u * width

    def promise(option: tuple[float, float, float]) -> float:
        s, c0, weak = option
        gap = s * xm + c0 - slope * xm - intercept
        along = xs - (slope + s) / 2 * gap
        return float(_along(flat.strength, along, s * along + c0).mean()) + 40 * weak

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


def _search_below(cup: _Cup, channels: Picture, count: int = 4) -> list[tuple[float, float, float]]:
    """Weak edges under the cup: the median over blocks of the slope across, over all leans."""
    slope, intercept = cup.line
    width = cup.width
    us = (np.arange(48) + 0.5) / 48 * 0.92 + 0.04
    xs = cup.xl + us * width
    gaps = np.arange(0.03 * width, 0.8 * width, 1.0)
    gradient = cv2.Sobel(channels, cv2.CV_32F, 0, 1, scale=1 / 8)
    found = []
    for turn in np.arange(-0.14, 0.141, 0.014):
        base = slope * xs + intercept + turn * (xs - (cup.xl + cup.xr) / 2)
        roll = slope + turn / 2
        px = (xs[None, :] - roll * gaps[:, None]).astype(np.float32)
        py = (base[None, :] + gaps[:, None]).astype(np.float32)
        values = cv2.remap(gradient, px, py, cv2.INTER_LINEAR, borderValue=(0, 0, 0))
        blocks = values.reshape(len(gaps), 12, 4, 3).mean(axis=2)
        middle = np.linalg.norm(np.median(blocks, axis=1), axis=1)
        found.append(middle)
    table = np.array(found)
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
    cup: _Cup,
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
    support = _along(flat.strength, xs, slope * xs + intercept)
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
    alike = _unlike(channels, (xl, yl, xr, yr), (il, jl, ir, jr))
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


def _unlike(channels: Picture, edge: tuple[float, ...], image: tuple[float, ...]) -> float:
    """How much the colours above the edge differ from those below its image, 0 (alike) to 1."""
    u = np.linspace(0.08, 0.92, 15)
    v = np.linspace(0.05, 0.30, 8)[:, None]
    patches = []
    for (x0, y0, x1, y1), sign in ((edge, 1.0), (image, -1.0)):
        along = np.array([x1 - x0, y1 - y0])
        x = x0 + u * along[0] + sign * v * along[1]
        y = y0 + u * along[1] - sign * v * along[0]
        ok = (y >= 0) & (y < channels.shape[0] - 1) & (x >= 0) & (x < channels.shape[1] - 1)
        patch = channels[
            np.clip(y, 0, channels.shape[0] - 1).astype(int),
            np.clip(x, 0, channels.shape[1] - 1).astype(int),
        ].astype(float)
        patch[~ok] = np.nan
        patches.append(patch)
    both = np.isfinite(patches[0][..., 0]) & np.isfinite(patches[1][..., 0])
    if both.mean() < 0.15:
        return 0.3
    difference = np.median((patches[0] - patches[1])[both], axis=0)
    colour = float(np.hypot(difference[1], difference[2]))
    return min(0.6, colour / 0.08 * 0.3) + min(0.4, max(0.0, abs(difference[0]) - 0.12) * 2)


def _supported(
    steep: EdgeField, y: float, x: float, tilt: float, width: float
) -> tuple[float, float]:
    """Where a side is seen, from and to, in widths off its corner; ``width`` < 0 goes up."""
    u = np.linspace(0.02, 0.8, 79)
    down = u * width
    support = _along(steep.strength, y + down, x + tilt * down)
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
    values = _along(steep.strength, np.broadcast_to(y + down, px.shape), px)
    # The side may start at the corner or, as above the edge, past a rounding.
    seen = np.maximum(values[..., :33].mean(axis=2), values[..., 33:].mean(axis=2))
    share = seen - 0.1 * np.abs(shifts[:, None]) / (0.045 * width)
    share = share - 0.1 * np.abs(tilts - tilt)[None, :] / 0.06
    k, m = np.unravel_index(int(np.argmax(share)), share.shape)
    return float(seen[k, m]), float(x + shifts[k]), float(tilts[m])


def _along(strength: Picture, along: Array, across: Array) -> Array:
    """Edge strength at positions (along, across); 0 outside."""
    column = np.round(along).astype(int)
    row = np.round(across).astype(int)
    ok = (column >= 0) & (row >= 0) & (column < strength.shape[1]) & (row < strength.shape[0])
    values = strength[
        np.clip(row, 0, strength.shape[0] - 1), np.clip(column, 0, strength.shape[1] - 1)
    ]
    return np.where(ok, values, 0.0)


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


def _to_full(c: Candidate, scale: float) -> Candidate:
    """From pixels of the reduced picture to the full one; pixel centres at integers."""

    def up(p: Array) -> Array:
        return (p + 0.5) / scale - 0.5

    sides = {name: up(line) for name, line in c.sides.items()}
    return Candidate(up(c.edge), up(c.image), sides, c.score, c.parts)
