"""Where a thin rod may lie above a printed sheet: pairs of limbs, each with what speaks for it.

In: a colour picture and the sheet's plane. Out: candidate `Rod`s, best first.

Two steps. First, places: the picture is sampled on a plane rising along the printed lines, where a
rod stands nearly upright with parallel limbs. Colours are averaged along slightly slanted columns,
printed ink left out, so that faint limbs rise out of the noise; pairs of columns that step together
over one unbroken stretch are kept (maximum-sum run, Bentley 1984, Comm. ACM 27). Second, limbs: in
a straightened strip about each place all straight edges are found by a local Radon sum, every pair
of them is a candidate, and the best pairs are fitted to sub-pixel accuracy before any is chosen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import Ink, find_ink, sheet_scale, sheet_xy
from vision.rod import Limb, Rod, fit_limb, tilt

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
Line = tuple[Array, Array]  # lower and upper end, undistorted pixels

RISE_GUESS_DEG = 20.0
SLOPES_DEG = np.arange(-17.5, 17.6, 2.5)
MAP_WIDTH = 900  # map pixels to the width of the picture
WIDTH_SHARE = (0.007, 0.050)  # rod width / picture width
ROW_STEP, ROW_BLUR = 6, 3  # map rows a sample; samples averaged along a column
THRESHOLD = 0.45  # evidence that neither lengthens nor shortens a run
OPENINGS = (0, 1)  # steps of slope between the limbs: a rod may widen towards the body
MOST_PLACES = 6
BLOCK_PX = 7.0  # length of strip averaged before edges are looked for
CENTRAL = 0.22  # of the half diagonal: people are told to put the tip in the middle


def find_rods(rgb: NDArray[np.uint8], pose: GridPose) -> list[Rod]:
    """Candidate rods, best first.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
        In pixels of ``rgb``.

    Returns
    -------
    list of Rod
        May be empty.
    """
    rgb = cv2.medianBlur(rgb, 3).astype(np.uint8, copy=False)
    ink = find_ink(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), pose)
    rods: list[Rod] = []
    for place in find_places(rgb, ink):
        best = max((r.score for r in rods), default=0.0)
        _add(rods, limb_pairs(rgb, ink, place.axis, place.width, least=0.15 * best))
    rods.sort(key=lambda r: -r.score)
    for rod in rods[:2]:  # again, in a strip that now follows the rod
        _add(rods, limb_pairs(rgb, ink, rod.axis, rod.width_px, least=0.15 * rods[0].score))
    return sorted(rods, key=lambda r: -r.score)


def _add(rods: list[Rod], more: list[Rod]) -> None:
    for rod in more:
        if not any(_same_limbs(rod, r) for r in rods):
            rods.append(rod)


def _same_limbs(rod: Rod, other: Rod) -> bool:
    return _along(rod.left.ends, other.left.ends, 2.5) and _along(
        rod.right.ends, other.right.ends, 2.5
    )


def _along(line: Line, other: Line, near: float) -> bool:
    """Whether both ends of a line lie within ``near`` px of another line."""
    d = other[1] - other[0]
    normal = np.array([-d[1], d[0]]) / np.linalg.norm(d)
    return all(abs(float((p - other[0]) @ normal)) < near for p in line)


# --------------------------------------------------------------------------- places


@dataclass(frozen=True)
class Place:
    """A stretch where two limbs may run: axis and width in undistorted pixels."""

    axis: Line
    width: float
    score: float


def find_places(rgb: NDArray[np.uint8], ink: Ink, most: int = MOST_PLACES) -> list[Place]:
    """Places that may hold a rod, best first."""
    pose = ink.pose
    h, cols, rows, pitch_step = _rising_map(rgb, pose)
    flat = _sampled(rgb, ink, h, cols, rows, pitch_step)
    views = [_view_along(flat, float(slope)) for slope in SLOPES_DEG]
    noise = float(np.median([np.median(v.raw[~v.blocked[1]]) for v in views]))
    found: list[Place] = []
    for opening in OPENINGS:
        for i in range(len(views) - opening):
            found += _runs(ink, views[i], views[i + opening], noise + 0.6, h, rows)
    centre = np.array([(rgb.shape[1] - 1) / 2, (rgb.shape[0] - 1) / 2])
    scored = [
        (p.score * _central(*p.axis, centre) * _near_node(pose, p.axis), k)
        for k, p in enumerate(found)
    ]
    chosen: list[Place] = []
    for score, k in sorted(scored, reverse=True):
        place = found[k]
        near = max(4.0, 0.4 * place.width)
        if not any(_along(place.axis, c.axis, near) for c in chosen):
            chosen.append(Place(place.axis, place.width, score))
        if len(chosen) >= most:
            break
    return chosen


def _rising_map(rgb: NDArray[np.uint8], pose: GridPose) -> tuple[Array, int, int, float]:
    """Homography map pixels -> undistorted pixels, columns, rows, pitches per map pixel."""
    height, width = rgb.shape[:2]
    middle = pose.on_sheet(np.array([[width / 2, height / 2]]))[0]
    rise = math.tan(math.radians(RISE_GUESS_DEG))
    # camera-frame homography of the plane z = (y - y0) tan(rise)
    e1 = pose.rotation[:, 0]
    e2 = pose.rotation[:, 1] + rise * pose.rotation[:, 2]
    o = pose.origin - pose.rotation[:, 2] * rise * middle[1]
    k = np.array(
        [[pose.camera.f, 0, pose.camera.cx], [0, pose.camera.f, pose.camera.cy], [0, 0, 1]]
    )
    h = k @ np.column_stack([e1, e2, o])
    inverse = np.linalg.inv(h)
    x, y = np.meshgrid([0, width / 2, width - 1], [0, height / 2, height - 1])
    frame = np.column_stack([x.ravel(), y.ravel(), np.ones(9)]) @ inverse.T
    frame = frame[:, :2] / frame[:, 2:]
    centre = frame[4]
    scale = np.linalg.norm(_apply(h, centre + np.array([1e-3, 0.0])) - _apply(h, centre)) / 1e-3
    step = width / MAP_WIDTH / scale
    low, high = frame.min(axis=0), frame.max(axis=0)
    # the cantilever's tip is near the middle, its body end farther from the camera
    below, above = np.array([0.22, 0.17]), np.array([0.22, 0.32])
    low = np.maximum(low, centre - below * MAP_WIDTH * step)
    high = np.minimum(high, centre + above * MAP_WIDTH * step)
    cols, rows = np.maximum(((high - low) / step).astype(int), 8)
    to_plane = np.array([[step, 0, low[0]], [0, -step, high[1]], [0, 0, 1.0]])
    return h @ to_plane, int(cols), int(rows), float(step)


def _apply(h: Array, xy: Array) -> Array:
    p = h @ np.array([xy[0], xy[1], 1.0])
    return np.asarray(p[:2] / p[2])


def _sampled(
    rgb: NDArray[np.uint8], ink: Ink, h: Array, cols: int, rows: int, step: float
) -> tuple[Floats, Floats, Floats]:
    """The rising map: colour x weight and weight, twice; and where edges of ink lie.

    Printed rows and the outside of the picture weigh 0 in both; printed columns only in the second:
    a rod may lie over a column and hide it, so ink tells nothing about what is inside a rod.
    """
    shrink = min(1.0, 1.25 * MAP_WIDTH / rgb.shape[1])
    source = rgb
    if shrink < 0.75:
        size = (round(rgb.shape[1] * shrink), round(rgb.shape[0] * shrink))
        source = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
        shrink = size[0] / rgb.shape[1]
    else:
        shrink = 1.0
    shift = (shrink - 1) / 2
    down = np.array([[shrink, 0, shift], [0, shrink, shift], [0, 0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    flat = cv2.warpPerspective(
        source, down @ h, (cols, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    inside = cv2.warpPerspective(
        np.ones(source.shape[:2], np.float32), down @ h, (cols, rows), flags=flags
    )
    x, y = np.meshgrid(np.arange(0, cols, 2.0), np.arange(0, rows, 2.0))
    p = np.stack([x, y, np.ones_like(x)], -1).reshape(-1, 3) @ h.T
    at = p[:, :2] / p[:, 2:]
    covered = ink.covers(at, 1.2 * step).reshape(*x.shape, 2)
    out = []
    for clear in (~covered[..., 1], ~covered.any(axis=-1)):
        weight = cv2.resize(clear.astype(np.float32), (cols, rows), interpolation=cv2.INTER_NEAREST)
        weight = weight * (inside > 0.99)
        out.append(np.dstack([flat * weight[..., None], weight]).astype(np.float32, copy=False))
    edge = ink.edge_near(at, 0.35 * ink.pose.ink_half_width + 0.9 * step)
    near = cv2.resize(edge.reshape(x.shape).astype(np.float32), (cols, rows))
    return out[0], out[1], near


@dataclass(frozen=True)
class _View:
    """The rising map sheared so that limbs of one slope stand upright, a few rows a sample.

    ``sharp`` holds, for left and right limbs, colour steps where they peak, ``blocked`` where ink
    hides what is outside; ``raw`` holds unsharpened steps, ``level`` the brightness without ink.
    """

    slope: float
    level: Floats
    raw: Floats
    sharp: tuple[Floats, Floats]
    blocked: tuple[NDArray[np.bool_], NDArray[np.bool_]]


def _view_along(maps: tuple[Floats, Floats, Floats], slope: float) -> _View:
    rows, cols = maps[0].shape[:2]
    t = math.tan(math.radians(slope))
    # a column leans by the slope about the map's middle row
    shear = np.array([[1, t * ROW_STEP, t * (1 - (rows - 1) / 2)], [0, ROW_STEP, 1]], np.float32)
    size, flags = (cols, rows // ROW_STEP), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    means, weights = [], []
    for flat in maps[:2]:
        mean = cv2.blur(cv2.warpAffine(flat, shear, size, flags=flags), (3, ROW_BLUR))
        weights.append(mean[..., 3])
        means.append(mean[..., :3] / np.maximum(mean[..., 3:], np.float32(1e-3)))
    near_ink = cv2.blur(cv2.warpAffine(maps[2], shear, size, flags=flags), (1, ROW_BLUR)) > 0.4
    sharps, blocks = [], []
    raw = np.zeros(weights[0].shape, np.float32)
    for inward in (1, -1):
        lower, upper = (slice(None, -4), slice(4, None))
        ins, outs = (upper, lower) if inward > 0 else (lower, upper)
        difference = means[0][:, ins] - means[1][:, outs]
        raw = np.zeros(weights[0].shape, np.float32)
        raw[:, 2:-2] = np.sqrt(np.einsum("ijk,ijk->ij", difference, difference))
        least = np.zeros(raw.shape, np.float32)
        least[:, 2:-2] = np.minimum(weights[0][:, ins], weights[1][:, outs])
        blocked = (least < 0.3) | near_ink
        raw[blocked] = 0
        peak = np.maximum(np.roll(raw, 1, axis=1), np.roll(raw, -1, axis=1))
        sharp = cv2.dilate(np.where(raw >= 0.9 * peak, raw, 0), np.ones((1, 5), np.uint8))
        sharps.append(np.asarray(sharp, np.float32))
        blocks.append(blocked)
    level = cv2.transform(means[1], np.array([[0.5, 0.6, 0.4]], np.float32))
    return _View(
        slope, np.asarray(level, np.float32), raw, (sharps[0], sharps[1]), (blocks[0], blocks[1])
    )


def _widths(picture_width: float) -> NDArray[np.intp]:
    low, high = (s * picture_width for s in WIDTH_SHARE)
    return np.unique(np.round(np.geomspace(max(low, 4), high, 11)).astype(int))


def _runs(ink: Ink, left: _View, right: _View, noise: float, h: Array, rows: int) -> list[Place]:
    """Longest, surest pairs of steps with much the same background on both outer sides."""
    n_rows, cols = left.raw.shape
    lean = [math.tan(math.radians(v.slope)) for v in (right, left)]
    widths = _widths(float(MAP_WIDTH))
    stack = np.full((n_rows, len(widths), cols), -THRESHOLD, np.float32)
    outside = 4  # map pixels outside a limb where the background is read
    cap = np.float32(4 * noise)
    ones = np.minimum(right.sharp[0], cap) * (1 / cap)
    others = np.minimum(left.sharp[1], cap) * (1 / cap)
    hidden_ones, hidden_others = right.blocked[0], left.blocked[1]
    for k, w in enumerate(widths):
        span = cols - int(w)
        one, other = ones[:, :span], others[:, w:]
        hidden_one, hidden_other = hidden_ones[:, :span], hidden_others[:, w:]
        pair = np.minimum(one, other)
        np.copyto(pair, np.float32(0.6) * other, where=hidden_one)
        np.copyto(pair, np.float32(0.6) * one, where=hidden_other)
        inner = slice(outside, span - outside)
        apart = np.abs(right.level[:, : span - 2 * outside] - left.level[:, w + 2 * outside :])
        both = right.sharp[0][:, :span][:, inner] + left.sharp[1][:, w:][:, inner]
        pair[:, inner] *= 1 - np.float32(0.6) * np.minimum(apart / (both + np.float32(1e-3)), 1)
        pair -= np.float32(THRESHOLD)
        pair[hidden_one & hidden_other] = -0.2
        stack[:, k, :span] = pair
    run = stack[0].copy()
    best = run.copy()
    for gain in stack[1:]:
        np.maximum(run, 0, out=run)
        run += gain
        np.maximum(best, run, out=best)
    out: list[Place] = []
    middle_row = (rows - 1) / 2

    def image(column: float, tangent: float, row: float) -> Array:
        return _apply(h, np.array([column + tangent * (row - middle_row), row]))

    for _ in range(6):
        k, c = divmod(int(np.argmax(best)), cols)
        if best[k, c] < 0.8:
            break
        w = int(widths[k])
        score, first, last = _best_run(stack[:, k, c])
        y0, y1 = first * ROW_STEP + 1, last * ROW_STEP + 1
        one_line, two_line = (
            (image(column, tangent, y1), image(column, tangent, y0))
            for column, tangent in ((c, lean[0]), (c + w, lean[1]))
        )
        best[max(0, k - 1) : k + 2, max(0, c - 4) : c + 5] = 0
        gap = [float(two_line[e][0] - one_line[e][0]) for e in (0, 1)]
        if min(gap) < 3 or _apart_from_ink(ink, one_line, two_line) == 0.0:
            continue
        axis = ((one_line[0] + two_line[0]) / 2, (one_line[1] + two_line[1]) / 2)
        out.append(Place(axis, float(np.mean(gap)), score))
    return out


def _central(low: Array, high: Array, centre: Array) -> float:
    """People put what they photograph near the middle: a mild preference for it."""
    d = high - low
    t = float(np.clip((centre - low) @ d / (d @ d), 0.0, 0.5))
    away = np.linalg.norm(low + t * d - centre) / np.linalg.norm(centre)
    return float(math.exp(-((away / CENTRAL) ** 2)))


def _near_node(pose: GridPose, axis: Line) -> float:
    """The stylus stands on a crossing of the grid, so the axis begins near one: mild."""
    d = axis[1] - axis[0]
    s = np.linspace(-0.2, 0.2, 11)[:, None]
    xy = sheet_xy(pose, axis[0] + s * d, height=0.1)
    miss = np.hypot(*(xy - np.round(xy)).T).min()
    return float(0.5 + 0.5 * math.exp(-((miss / 0.18) ** 2)))


# --------------------------------------------------------------------------- limbs


@dataclass(frozen=True)
class Strip:
    """A picture straightened about an axis: blocks along it, pixels across it.

    ``edge`` is the evidence (0-1) of a colour step at each place, ``clear`` where it could be seen
    apart from edges of ink, ``colour`` the block means with printed rows left out.
    """

    low: Array
    along: Array
    normal: Array
    stations: Array  # px along the axis from ``low``, block centres
    across: Array
    edge: Floats
    near: Floats  # the same, spread by a pixel
    clear: NDArray[np.bool_]
    colour: Floats
    noise: float

    def line(self, offset: float, slope: float, first: float, last: float) -> Line:
        """Undistorted ends of the line at ``offset`` + ``slope`` x station."""
        a, b = (
            self.low + s * self.along + (offset + slope * s) * self.normal for s in (first, last)
        )
        return a, b

    def read(self, values: NDArray[np.generic], offset: float, slope: float) -> Array:
        """Values along such a line, block by block."""
        where = offset + slope * self.stations
        column = np.round((where - self.across[0]) / (self.across[1] - self.across[0]))
        column = np.clip(column, 0, len(self.across) - 1).astype(int)
        return np.asarray(values[np.arange(len(self.stations)), column])

    def edge_along(self, limb: Limb) -> _Edge:
        """A fitted limb as an edge of the strip."""
        (s0, t0), (s1, t1) = (
            ((v - self.low) @ self.along, (v - self.low) @ self.normal) for v in limb.ends
        )
        slope = (t1 - t0) / (s1 - s0)
        return _Edge(float(t0 - slope * s0), float(slope), 1.0)


def straightened(
    rgb: NDArray[np.uint8], ink: Ink, axis: Line, half: float, more: tuple[float, float]
) -> Strip | None:
    """Strip of ``half`` px each side about an axis, longer by ``more`` px below and above."""
    pose = ink.pose
    low, high = axis
    length = float(np.linalg.norm(high - low))
    d = (high - low) / length
    normal = np.array([-d[1], d[0]])
    n = int((length + sum(more)) / BLOCK_PX)
    if n < 6:
        return None
    stations = -more[0] + (np.arange(n) + 0.5) * BLOCK_PX
    inner = np.linspace(-0.5, 0.5, int(BLOCK_PX) + 1)[:-1] * BLOCK_PX + 0.5
    s = (stations[:, None] + inner).ravel()
    across = np.arange(-half, half + 0.01, 1.0)
    xy = low + s[:, None, None] * d + across[None, :, None] * normal
    raw = pose.camera.distort(xy).astype(np.float32)
    picture = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    scale = sheet_scale(pose, (low + high) / 2)
    coarse = xy[::3, ::2]
    shown = ~ink.covers(coarse, 0.7 / scale)[..., 1] & (
        (raw[::3, ::2] > 2) & (raw[::3, ::2] < (rgb.shape[1] - 3, rgb.shape[0] - 3))
    ).all(axis=-1)
    size = picture.shape[1::-1]
    weight = cv2.resize(shown.astype(np.float32), size, interpolation=cv2.INTER_NEAREST)
    near_ink = ink.edge_near(coarse, 2.8 / scale).astype(np.float32)
    near_ink = cv2.resize(near_ink, size, interpolation=cv2.INTER_NEAREST)
    full = np.dstack([picture * weight[..., None], weight])
    blocks = full.reshape(n, len(inner), len(across), 4).mean(axis=1)
    calm = cv2.blur(blocks, (2, 1), anchor=(0, 0), borderType=cv2.BORDER_REPLICATE)
    mass = calm[..., 3]
    mean = calm[..., :3] / np.maximum(calm[..., 3:], np.float32(1e-3))
    step = np.zeros(mass.shape, np.float32)
    difference = mean[:, 3:] - mean[:, :-3]
    step[:, 2:-1] = np.sqrt(np.einsum("ijk,ijk->ij", difference, difference))
    clear = np.zeros(step.shape, bool)
    clear[:, 2:-1] = np.minimum(mass[:, 3:], mass[:, :-3]) > 0.35
    clear &= near_ink.reshape(n, len(inner), len(across)).mean(axis=1) < 0.5
    step[~clear] = 0
    noise = float(np.median(step[clear])) + 0.8 if clear.any() else 1.0
    peak = step >= 0.9 * np.asarray(cv2.dilate(step, np.ones((1, 5), np.uint8)))
    edge = np.where(peak, np.clip((step / noise - 1.2) / 3.0, 0, 1), 0).astype(np.float32)
    near = np.asarray(cv2.dilate(edge, np.ones((1, 3), np.uint8)), np.float32)
    return Strip(low, d, normal, stations, across, edge, near, clear, mean, noise)


@dataclass(frozen=True)
class _Edge:
    """A straight edge: px across at station 0, px across per px along, and evidence (0-1)."""

    offset: float
    slope: float
    strength: float


def _edges(strip: Strip, rows: NDArray[np.bool_], most: int = 8) -> list[_Edge]:
    """Straight edges in a strip with the most step along them, by a Radon sum over ``rows``."""
    s = strip.stations[rows]
    clear = strip.clear[rows]
    middle, reach = float(s.mean()), float(np.ptp(s)) / 2
    t = (s - middle) / reach
    offsets = np.arange(strip.across[0] + 3, strip.across[-1] - 2.9, 1.0)
    turn_most = min(0.12 * reach, 22.0)
    turns = np.linspace(-turn_most, turn_most, 2 * math.ceil(turn_most / 1.3) + 1)
    where = offsets[:, None, None] + turns[None, :, None] * t
    column = np.clip(np.round(where - strip.across[0]), 0, len(strip.across) - 1).astype(np.intp)
    flat = column + np.arange(len(s)) * len(strip.across)
    total = strip.near[rows].ravel()[flat].sum(axis=2)
    visible = clear.ravel()[flat].sum(axis=2)
    score = total / np.maximum(visible, 0.35 * len(s))
    out: list[_Edge] = []
    best = float(score.max())
    for _ in range(most):
        i, j = np.unravel_index(int(np.argmax(score)), score.shape)
        if score[i, j] < max(0.18, 0.25 * best):
            break
        a, b = float(offsets[i]), float(turns[j])
        out.append(_Edge(a - b * middle / reach, b / reach, float(score[i, j])))
        cross = np.abs(offsets[:, None] - a)
        score[cross < 2.6 + 0.6 * np.abs(turns[None, :] - b)] = 0
    return out


def _all_edges(strip: Strip, rows: NDArray[np.bool_], most: int = 12) -> list[_Edge]:
    """Edges along the whole stretch, and along its upper and its lower part."""
    which = np.flatnonzero(rows)
    parts = [which]
    if len(which) >= 16:
        third = len(which) // 3
        parts += [which[: 2 * third], which[third:]]
    if len(which) >= 24:
        half = len(which) // 2
        parts += [which[:half], which[half:]]
    out: list[_Edge] = []
    length = float(strip.stations[which[-1]])
    for part in parts:
        chosen = np.zeros(len(rows), bool)
        chosen[part] = True
        for e in _edges(strip, chosen):
            ends = [
                [abs(e.offset - o.offset + (e.slope - o.slope) * s) for o in out]
                for s in (0.0, length)
            ]
            if not out or (np.maximum(ends[0], ends[1]) > 2.5).all():
                out.append(e)
    return sorted(out, key=lambda e: -e.strength)[:most]


def limb_pairs(
    rgb: NDArray[np.uint8],
    ink: Ink,
    axis: Line,
    width: float,
    most: int = 4,
    least: float = 0.0,
) -> list[Rod]:
    """Rods made of pairs of straight edges about an axis, best first."""
    length = float(np.linalg.norm(axis[1] - axis[0]))
    half = max(0.8 * width + 14.0, 0.02 * rgb.shape[1])
    reach = 0.3 * rgb.shape[1]
    spare = max(0.0, reach - length) + 0.15 * length
    strip = straightened(rgb, ink, axis, half, (0.5 * spare, 0.6 * spare))
    if strip is None:
        return []
    rows = (strip.stations > 0) & (strip.stations < length)
    if rows.sum() < 5:
        return []
    edges = _all_edges(strip, rows)
    widest = 0.055 * rgb.shape[1]
    likely = []
    for one in edges:
        for two in edges:
            ends = [two.offset - one.offset + (two.slope - one.slope) * s for s in (0.0, length)]
            if min(ends) < 5 or max(ends) > widest:
                continue
            if abs(two.slope - one.slope) > math.tan(math.radians(9)):
                continue
            likely.append((min(one.strength, two.strength), one, two))
    likely.sort(key=lambda p: -p[0])
    pairs = []
    for _, one, two in likely[:18]:
        evidence = _evidence(strip, one, two)[0]
        if evidence > least:
            pairs.append((evidence, one, two))
    pairs.sort(key=lambda p: -p[0])
    out: list[Rod] = []
    for evidence, one, two in pairs[:most]:
        if evidence < 0.3 * pairs[0][0]:
            break
        rod = settled(rgb, ink, strip, one, two)
        if rod is not None:
            out.append(rod)
    return sorted(out, key=lambda r: -r.score)


def _evidence(strip: Strip, one: _Edge, two: _Edge) -> tuple[float, float, float]:
    """Summed evidence (px) of the best stretch of a pair of edges, and its two ends."""
    seen, value = [], []
    for e in (one, two):
        seen.append(strip.read(strip.clear, e.offset, e.slope).astype(bool))
        value.append(_lasting(strip.read(strip.near, e.offset, e.slope)))
    left = np.where(seen[0], value[0], 0.65 * value[1])
    right = np.where(seen[1], value[1], 0.65 * value[0])
    middle = float(np.median(strip.stations))
    width = two.offset - one.offset + (two.slope - one.slope) * middle
    depth = float(np.clip(0.4 * width, 2.0, 6.0))
    out_l = strip.read(strip.colour, one.offset - depth, one.slope)
    out_r = strip.read(strip.colour, two.offset + depth, two.slope)
    in_l = strip.read(strip.colour, one.offset + depth, one.slope)
    in_r = strip.read(strip.colour, two.offset - depth, two.slope)
    # a rod differs from both sides; a bevel's colour lies between them; a scratch is no step
    apart = np.linalg.norm(out_l - out_r, axis=1)
    steps = [np.linalg.norm(o - i, axis=1) for o, i in ((out_l, in_l), (out_r, in_r))]
    distinct = 1 - np.clip(apart / np.maximum(steps[0] + steps[1], 1.0), 0, 1)
    step = np.clip(np.minimum(*steps) / (3 * strip.noise), 0, 1)
    gain = (0.25 * (left + right) + 0.5 * np.minimum(left, right)) * (
        0.3 + 0.4 * distinct + 0.3 * step
    ) - 0.28
    gain[~seen[0] & ~seen[1]] = -0.1
    best, first, last = _best_run(gain)
    if last - first < 3:
        return 0.0, 0.0, 0.0
    return best * BLOCK_PX, float(strip.stations[first]), float(strip.stations[last])


def _lasting(values: Array) -> Array:
    """Values less what lasts for fewer than three of five blocks, as the ends of ticks do."""
    padded = np.concatenate([values[2:0:-1], values, values[-2:-4:-1]])
    around = np.stack([padded[k : k + len(values)] for k in range(5)])
    return np.minimum(values, np.sort(around, axis=0)[2])


def _best_run(gain: Array) -> tuple[float, int, int]:
    best, run, start, first, last = 0.0, 0.0, 0, 0, 0
    for i, g in enumerate(gain):
        if run <= 0:
            run, start = 0.0, i
        run += float(g)
        if run > best:
            best, first, last = run, start, i
    return best, first, last


def settled(rgb: NDArray[np.uint8], ink: Ink, strip: Strip, one: _Edge, two: _Edge) -> Rod | None:
    """Sub-pixel fit of two limbs from good starting edges, with its score."""
    pose = ink.pose
    edges = (one, two)
    left = right = None
    evidence = 0.0
    for gate in (3.0, 2.0):
        evidence, first, last = _evidence(strip, *edges)
        if evidence <= 0:
            return None
        lines = [strip.line(e.offset, e.slope, first, last) for e in edges]
        left = fit_limb(rgb, pose, *lines[0], gate, 1)
        right = fit_limb(rgb, pose, *lines[1], gate, -1)
        if left is None or right is None:
            return None
        edges = (strip.edge_along(left), strip.edge_along(right))
    assert left is not None and right is not None
    opening = tilt(right) - tilt(left)
    along = (left.q + right.q - left.p - right.p) / 2
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    gap = float(((right.p + right.q - left.p - left.q) / 2) @ normal)
    if gap < 4 or abs(opening) > math.radians(9):
        return None
    length = min(left.length, right.length)
    whole = min(left.coverage, 0.7) * min(right.coverage, 0.7) / 0.49
    for limb in (left, right):
        whole /= 1 + (limb.scatter_px / 0.4) ** 2
    centre = np.array([(rgb.shape[1] - 1) / 2, (rgb.shape[0] - 1) / 2])
    axis = ((left.p + right.p) / 2, (left.q + right.q) / 2)
    score = (
        evidence
        * math.sqrt(whole)
        * (1 - math.exp(-((length / (2 * gap)) ** 2)))
        * _apart_from_ink(ink, left.ends, right.ends)
        * _likely_width(pose, (left.p + right.p) / 2, gap)
        * _likely_opening(opening)
        * _near_node(pose, axis)
        * _central(*axis, centre)
    )
    return Rod(left, right, score, gap)


def _likely_opening(opening: float) -> float:
    """A rod is a cylinder or widens towards the body by up to 4 degrees."""
    degrees = math.degrees(opening)
    miss = max(0.0, -0.5 - degrees) / 1.0 + max(0.0, degrees - 4.0) / 1.5
    return math.exp(-0.5 * miss**2)


def _apart_from_ink(ink: Ink, left: Line, right: Line) -> float:
    """Penalty for limbs that follow printed lines."""
    one, two = (_on_ink_edge(ink, line) for line in (left, right))
    if (one & two).mean() > 0.6:
        return 0.0
    return 0.3 if max(one.mean(), two.mean()) > 0.75 else 1.0


def _on_ink_edge(ink: Ink, line: Line) -> NDArray[np.bool_]:
    """Where along a limb it follows the edge of a printed line or its ghost."""
    p, q = line
    xy = p + np.linspace(0.05, 0.95, 13)[:, None] * (q - p)
    scale = sheet_scale(ink.pose, (p + q) / 2)
    return ink.edge_near(xy, max(0.5 * ink.pose.ink_half_width, 2.5 / scale))


def _likely_width(pose: GridPose, at: Array, width: float) -> float:
    """Preference for 0.25 to 0.75 mm on a grid of 5 or 10 mm (the usual ones), mild."""
    share = width / sheet_scale(pose, at)
    miss = min(abs(math.log(share / usual)) for usual in (0.45 / 5, 0.45 / 10))
    return math.exp(-0.5 * (miss / 0.55) ** 2)


def marked_rod(
    rgb: NDArray[np.uint8], pose: GridPose, left: Line, right: Line, reach: float
) -> Rod | None:
    """The rod whose limbs lie within ``reach`` px of two roughly drawn lines, lower ends first."""
    rgb = cv2.medianBlur(rgb, 3).astype(np.uint8, copy=False)
    ink = find_ink(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), pose)
    axis = ((left[0] + right[0]) / 2, (left[1] + right[1]) / 2)
    width = float(np.linalg.norm(right[0] + right[1] - left[0] - left[1]) / 2)
    found = [
        rod
        for rod in limb_pairs(rgb, ink, axis, width, most=8)
        if _along(left, rod.left.ends, reach) and _along(right, rod.right.ends, reach)
    ]
    return found[0] if found else None
