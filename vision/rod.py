"""A thin rod that rises from a printed sheet towards the camera's far side -> its two limbs.

In: a colour picture and the sheet's plane. Out: candidate rods, best first, each with two limbs as
sub-pixel points and robust lines, in undistorted pixels.

Search: the picture is sampled on a plane rising along the printed lines, where a rod stands nearly
upright with parallel limbs; colour steps across it are gathered along slightly slanted columns, and
pairs of columns that step together over one unbroken stretch are kept (maximum-sum run, Bentley
1984, Comm. ACM 27). Then every candidate is refined at full resolution before any is chosen.
Places where printed ink is known to lie count neither for nor against.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GLASS_INDEX, GridPose

Array = NDArray[np.float64]

RISE_GUESS_DEG = 20.0
SLOPES_DEG = np.arange(-16.0, 16.1, 2.0)
MAP_WIDTH = 520
CENTRAL = 0.22  # of the half diagonal: people are told to put the tip in the middle
ENOUGH_TRIED, SURE_SCORE = 10, 80.0
WIDTH_SHARE = (0.007, 0.050)  # rod width / picture width
ROW_STEP = 4


@dataclass(frozen=True)
class Limb:
    """One straight silhouette edge, in undistorted pixels.

    ``p`` and ``q`` are its lower and upper end; ``offset_sd`` (px, at the middle) and ``angle_sd``
    (radians) come from the scatter of the points; ``scatter_px`` is that scatter, ``coverage`` the
    share of the length with a usable step, ``strength`` the mean step in noise units.
    """

    p: Array
    q: Array
    offset_sd: float
    angle_sd: float
    scatter_px: float
    coverage: float
    strength: float
    points: Array

    @property
    def ends(self) -> tuple[Array, Array]:
        """Lower and upper end."""
        return self.p, self.q

    @property
    def length(self) -> float:
        """Length in pixels."""
        return float(np.hypot(*(self.q - self.p)))


@dataclass(frozen=True)
class Rod:
    """Two limbs, left and right as seen, and how good the pair is."""

    left: Limb
    right: Limb
    score: float
    width_px: float

    @property
    def axis(self) -> tuple[Array, Array]:
        """Lower and upper end of the line midway between the limbs."""
        return (self.left.p + self.right.p) / 2, (self.left.q + self.right.q) / 2

    def width_at(self, xy: Array) -> Array:
        """Width in pixels, linear along the axis, at points beside it."""
        low, high = self.axis
        d = high - low
        t = (xy - low) @ d / (d @ d)
        bottom = float(np.linalg.norm(self.right.p - self.left.p))
        top = float(np.linalg.norm(self.right.q - self.left.q))
        return np.asarray(bottom + (top - bottom) * t)


@dataclass(frozen=True)
class _Column:
    """A candidate from the coarse search: both limbs, lower to upper end, in picture pixels."""

    left: tuple[Array, Array]
    right: tuple[Array, Array]
    score: float

    @property
    def low(self) -> Array:
        return (self.left[0] + self.right[0]) / 2

    @property
    def high(self) -> Array:
        return (self.left[1] + self.right[1]) / 2

    @property
    def width(self) -> float:
        apart = self.left[0] + self.left[1] - self.right[0] - self.right[1]
        return float(np.linalg.norm(apart) / 2)


def find_rods(rgb: NDArray[np.uint8], pose: GridPose, keep: int = 20) -> list[Rod]:
    """Candidate rods, best first.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
        In pixels of ``rgb``.
    keep : int
        How many coarse candidates are refined.

    Returns
    -------
    list of Rod
        May be empty.
    """
    rgb = cv2.medianBlur(rgb, 3).astype(np.uint8, copy=False)
    rods: list[Rod] = []
    for tried, column in enumerate(_coarse(rgb, pose, keep)):
        if tried >= ENOUGH_TRIED and max((r.score for r in rods), default=0.0) > SURE_SCORE:
            break
        if any(
            _along(column.left, r.left.ends, 4.0) and _along(column.right, r.right.ends, 4.0)
            for r in rods
        ):
            continue
        rod = refine_rod(rgb, pose, column.left, column.right, known=rods)
        if rod is not None and not _is_ink(pose, rod.left.ends, rod.right.ends):
            rods.append(rod)
    return sorted(rods, key=lambda r: -r.score)


# --------------------------------------------------------------------------- coarse search


def _rising_map(rgb: NDArray[np.uint8], pose: GridPose) -> tuple[Array, NDArray[np.intp], float]:
    """Homography map pixels -> undistorted picture pixels, map size, pitches per map pixel."""
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
    below, above = np.array([0.36, 0.30]), np.array([0.36, 0.50])
    low = np.maximum(low, centre - below * MAP_WIDTH * step)
    high = np.minimum(high, centre + above * MAP_WIDTH * step)
    cols, rows = np.maximum(((high - low) / step).astype(int), 8)
    to_plane = np.array([[step, 0, low[0]], [0, -step, high[1]], [0, 0, 1.0]])
    return h @ to_plane, np.array([cols, rows]), step


def _apply(h: Array, xy: Array) -> Array:
    p = h @ np.array([xy[0], xy[1], 1.0])
    return np.asarray(p[:2] / p[2])


def _ink_mask(pose: GridPose, shape: tuple[int, int], h: Array, share: float) -> NDArray[np.bool_]:
    """Where printed lines (or their ghosts) lie in the rising map."""
    rows, cols = shape
    x, y = np.meshgrid(np.arange(0, cols, 2.0), np.arange(0, rows, 2.0))
    p = np.stack([x, y, np.ones_like(x)], -1).reshape(-1, 3) @ h.T
    xy = pose.camera.distort(p[:, :2] / p[:, 2:])
    rays = pose.camera.ray(xy) @ pose.rotation
    start = -pose.origin @ pose.rotation
    grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
    ink = np.abs(grid - np.round(grid)) < share
    near = ink.any(axis=1)
    if pose.thickness is not None:
        slide = 2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[:, 2] ** 2)[:, None]
        ghost = grid + pose.thickness * slide
        near |= (np.abs(ghost - np.round(ghost)) < share).any(axis=1)
    small = near.reshape(x.shape).astype(np.uint8)
    return cv2.resize(small, (cols, rows), interpolation=cv2.INTER_NEAREST).astype(bool)


def _coarse(rgb: NDArray[np.uint8], pose: GridPose, keep: int) -> list[_Column]:
    h, (cols, rows), step_pitch = _rising_map(rgb, pose)
    factor = MAP_WIDTH / rgb.shape[1]
    source = rgb
    shrink = 1.0
    if factor < 0.6:
        size = (round(rgb.shape[1] * factor * 1.25), round(rgb.shape[0] * factor * 1.25))
        source = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
        shrink = size[0] / rgb.shape[1]
    shift = (shrink - 1) / 2
    down = np.array([[shrink, 0, shift], [0, shrink, shift], [0, 0, 1.0]])
    flat = cv2.warpPerspective(
        source,
        down @ h,
        (int(cols), int(rows)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)
    valid = cv2.warpPerspective(
        np.full(source.shape[:2], 255, np.uint8),
        down @ h,
        (int(cols), int(rows)),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
    )
    outside = cv2.erode(valid, np.ones((5, 5), np.uint8)) == 0
    ink = pose.ink_half_width + 1.5 * step_pitch
    neutral = _ink_mask(pose, (int(rows), int(cols)), h, ink) | outside
    flat = cv2.blur(cv2.GaussianBlur(flat, (3, 1), 0.7), (1, 5)).astype(np.float32, copy=False)
    views = [_view_along(flat, neutral, float(slope)) for slope in SLOPES_DEG]
    noise = float(np.median([np.median(v.raw) for v in views])) + 1.5
    found: list[_Column] = []
    for opening in OPENINGS:
        for i in range(len(views) - opening):
            found += _runs(views[i], views[i + opening], noise, h, int(rows))
    centre = np.array([(rgb.shape[1] - 1) / 2, (rgb.shape[0] - 1) / 2])
    found = [c for c in found if not _is_ink(pose, c.left, c.right)]
    found = [replace(c, score=c.score * _central(c, centre)) for c in found]
    found.sort(key=lambda c: -c.score)
    chosen: list[_Column] = []
    near = 0.0035 * rgb.shape[1]
    for c in found:
        if not any(_along(c.left, o.left, near) and _along(c.right, o.right, near) for o in chosen):
            chosen.append(c)
        if len(chosen) >= keep:
            break
    return chosen


def _along(line: tuple[Array, Array], other: tuple[Array, Array], near: float) -> bool:
    """Whether both ends of a line lie within ``near`` px of another line."""
    d = other[1] - other[0]
    normal = np.array([-d[1], d[0]]) / np.linalg.norm(d)
    return all(abs(float((p - other[0]) @ normal)) < near for p in line)


def _widths(picture_width: float) -> NDArray[np.intp]:
    low, high = (s * picture_width for s in WIDTH_SHARE)
    return np.unique(np.round(np.geomspace(max(low, 4), high, 9)).astype(int))


def _central(column: _Column, centre: Array) -> float:
    """People put what they photograph near the middle: a mild preference for it."""
    return _central_end(column.low, column.high, centre)


def _central_end(low: Array, high: Array, centre: Array) -> float:
    """Likewise for the part of an axis that is nearest to the middle."""
    d = high - low
    t = float(np.clip((centre - low) @ d / (d @ d), 0.0, 0.5))
    away = np.linalg.norm(low + t * d - centre) / np.linalg.norm(centre)
    return float(math.exp(-((away / CENTRAL) ** 2)))


OUTSIDE = 3  # map pixels outside a limb where the background is read
THRESHOLD = 0.45
OPENINGS = (0, 1, 2)  # steps of slope between the limbs: a rod may widen towards the body


@dataclass(frozen=True)
class _View:
    """The rising map sheared so that limbs of one slope stand upright, every fourth row."""

    slope: float
    level: NDArray[np.float32]
    raw: NDArray[np.float32]
    sharp: NDArray[np.float32]
    blocked: NDArray[np.bool_]


def _view_along(flat: NDArray[np.float32], neutral: NDArray[np.bool_], slope: float) -> _View:
    rows, cols = flat.shape[:2]
    t = math.tan(math.radians(slope))
    # a column leans by the slope about the map's middle row
    shear = np.array([[1, t * ROW_STEP, t * (1 - (rows - 1) / 2)], [0, ROW_STEP, 1]], np.float32)
    size, flags = (cols, rows // ROW_STEP), cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    turned = np.asarray(
        cv2.warpAffine(flat, shear, size, flags=flags, borderMode=cv2.BORDER_REPLICATE),
        np.float32,
    )
    blocked = cv2.warpAffine(neutral.astype(np.float32), shear, size, flags=flags, borderValue=1)
    raw = np.zeros(turned.shape[:2], np.float32)
    difference = turned[:, 4:] - turned[:, :-4]
    raw[:, 2:-2] = np.sqrt(np.sum(difference**2, axis=2))
    peak = np.maximum(np.roll(raw, 1, axis=1), np.roll(raw, -1, axis=1))
    sharp = cv2.dilate(np.where(raw >= 0.9 * peak, raw, 0), np.ones((1, 3), np.uint8))
    level = cv2.transform(turned, np.array([[0.5, 0.6, 0.4]], np.float32))
    return _View(
        slope,
        np.asarray(level, np.float32),
        raw,
        np.asarray(sharp, np.float32),
        np.asarray(blocked > 0.3),
    )


def _runs(left: _View, right: _View, noise: float, h: Array, rows: int) -> list[_Column]:
    """Longest, surest pairs of steps with much the same background on both outer sides."""
    n_rows, cols = left.sharp.shape
    lean = [math.tan(math.radians(v.slope)) for v in (left, right)]
    # wider towards the top of the map: the right limb leans less in map coordinates
    parallel = left.slope == right.slope
    widths = _widths(float(MAP_WIDTH))
    if not parallel:
        widths = np.unique(np.concatenate([[3], widths]))
    stack = np.full((n_rows, len(widths), cols), -THRESHOLD, np.float32)
    for k, w in enumerate(widths):
        span = cols - int(w)
        one, other = right.sharp[:, :span], left.sharp[:, w:]
        weaker = np.minimum(one, other)
        inner = slice(OUTSIDE, span - OUTSIDE)
        apart = np.abs(right.level[:, : span - 2 * OUTSIDE] - left.level[:, w + 2 * OUTSIDE :])
        both = one[:, inner] + other[:, inner] + np.float32(1e-3)
        weaker[:, inner] *= 1 - np.float32(0.7) * np.minimum(apart / both, 1)
        pair = np.minimum(weaker * np.float32(1 / (3 * noise)), 1) - np.float32(THRESHOLD)
        pair[right.blocked[:, :span] & left.blocked[:, w:]] = -0.12
        stack[:, k, :span] = pair
    # largest run that ends in each row: the running sum less its least value so far
    total = np.cumsum(stack, axis=0)
    lowest = np.minimum(np.minimum.accumulate(total - stack, axis=0), 0)
    best = (total - lowest).max(axis=0)
    out: list[_Column] = []
    middle_row = (rows - 1) / 2

    def image(column: float, tangent: float, row: float) -> Array:
        return _apply(h, np.array([column + tangent * (row - middle_row), row]))

    for _ in range(8):
        k, c = divmod(int(np.argmax(best)), cols)
        if best[k, c] < 3 * 3 / ROW_STEP:
            break
        w = int(widths[k])
        last = int(np.argmax(total[:, k, c] - lowest[:, k, c]))
        before = np.concatenate([[0.0], total[:last, k, c]])
        first = int(np.argmin(before))
        y0, y1 = first * ROW_STEP + 1, last * ROW_STEP + 1
        limbs = tuple(
            (image(column, tangent, y1), image(column, tangent, y0))
            for column, tangent in ((c, lean[1]), (c + w, lean[0]))
        )
        score = float(best[k, c]) * ROW_STEP / 3
        best[max(0, k - 1) : k + 2, max(0, c - 4) : c + 5] = 0
        gap = [float(np.linalg.norm(limbs[0][e] - limbs[1][e])) for e in (0, 1)]
        if min(gap) < 3 or limbs[1][0][0] <= limbs[0][0][0] or limbs[1][1][0] <= limbs[0][1][0]:
            continue
        out.append(_Column(limbs[0], limbs[1], score))
    return out


def _is_ink(pose: GridPose, left: tuple[Array, Array], right: tuple[Array, Array]) -> bool:
    """Whether both limbs run along edges of printed lines or their ghosts."""
    return bool((_on_ink_edge(pose, left) & _on_ink_edge(pose, right)).mean() > 0.6)


def _on_ink_edge(pose: GridPose, line: tuple[Array, Array]) -> NDArray[np.bool_]:
    """Where along a limb it follows the edge of a printed line or its ghost."""
    p, q = line
    xy = pose.camera.distort(p + np.linspace(0.05, 0.95, 13)[:, None] * (q - p))
    near, scale = _ink_distance(pose, xy)
    tolerance = max(0.5 * pose.ink_half_width, 2.5 / scale)
    return np.asarray(np.abs(near - pose.ink_half_width) < tolerance)


def _ink_distance(pose: GridPose, xy: Array) -> tuple[Array, float]:
    """Distance from pixels to the nearest column's ink or ghost, in pitches; pixels a pitch."""
    rays = pose.camera.ray(xy) @ pose.rotation
    start = -pose.origin @ pose.rotation
    grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
    near = np.abs(grid[:, 0] - np.round(grid[:, 0]))
    if pose.thickness is not None:
        slide = 2 * rays[:, 0] / np.sqrt(GLASS_INDEX**2 - 1 + rays[:, 2] ** 2)
        ghost = grid[:, 0] + pose.thickness * slide
        near = np.minimum(near, np.abs(ghost - np.round(ghost)))
    base = np.column_stack([grid, np.zeros(len(grid))])
    side = pose.project(base + np.array([1e-3, 0.0, 0.0])) - pose.project(base)
    return near, float(np.median(np.hypot(side[:, 0], side[:, 1])) / 1e-3)


# --------------------------------------------------------------------------- refinement


def refine_rod(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    left_line: tuple[Array, Array],
    right_line: tuple[Array, Array],
    reach: float | None = None,
    known: Sequence[Rod] = (),
) -> Rod | None:
    """Fit both limbs near rough lines (undistorted pixels, lower end first), as far as they go.

    Pairs of lines that ``known`` rods already follow are passed over.
    """
    middle = [(p + q) / 2 for p, q in (left_line, right_line)]
    width = float(np.linalg.norm(middle[1] - middle[0]))
    window = reach if reach is not None else max(4.0, 0.28 * width)
    evidence, lines = _extent(rgb, pose, left_line, right_line, slack=window)
    best_known = max((r.score for r in known), default=0.0)
    if evidence < max(5.0, 0.15 * best_known):
        return None
    starts = [_strongest_lines(rgb, pose, *line, window) for line in lines]
    best: tuple[float, Rod] | None = None
    tried = 0
    for total, one, two in sorted(
        ((a[0] + b[0], a[1], b[1]) for a in starts[0] for b in starts[1]), key=lambda c: -c[0]
    ):
        if tried >= 3 or (best is not None and total < 0.75 * best[0]):
            break
        if any(_along(one, r.left.ends, 3.5) and _along(two, r.right.ends, 3.5) for r in known):
            continue
        rod = _settled(rgb, pose, one, two)
        tried += 1
        if rod is not None and (best is None or rod.score > best[1].score):
            best = (total if best is None else best[0], rod)
    return None if best is None else best[1]


def _strongest_lines(
    rgb: NDArray[np.uint8], pose: GridPose, p: Array, q: Array, reach: float
) -> list[tuple[float, tuple[Array, Array]]]:
    """Lines near p-q with the most step along them: up to three, by a local Radon sum."""
    length = float(np.linalg.norm(q - p))
    d = (q - p) / length
    normal = np.array([-d[1], d[0]])
    n = int(np.clip(length / 4, 12, 60))
    at = np.linspace(-1, 1, n)
    across = np.arange(-2 * reach - 1, 2 * reach + 1.01, 0.5)
    base = (p + q) / 2 + at[:, None] * (q - p) / 2
    raw = pose.camera.distort(base[:, None] + across[None, :, None] * normal).astype(np.float32)
    strip = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    strip = cv2.GaussianBlur(strip, (5, 3), 1.0, borderType=cv2.BORDER_REPLICATE).astype(np.float32)
    size = np.zeros(strip.shape[:2], np.float32)
    size[:, 2:-2] = np.sqrt(np.sum((strip[:, 4:] - strip[:, :-4]) ** 2, axis=2))
    noise = float(np.median(size)) + 1.0
    evidence = np.clip((size / noise - 1.2) / 3.0, 0, 1)
    offsets = np.arange(-reach, reach + 0.01, 0.5)
    turns = np.arange(-reach, reach + 0.01, max(0.5, reach / 12))
    where = offsets[:, None, None] + turns[None, :, None] * at
    index = np.clip(np.round((where - across[0]) * 2), 0, len(across) - 1).astype(int)
    total = evidence[np.arange(n), index].mean(axis=2)
    out: list[tuple[float, tuple[Array, Array]]] = []
    best = float(total.max())
    for _ in range(3):
        i, j = np.unravel_index(int(np.argmax(total)), total.shape)
        if total[i, j] < max(0.25, 0.6 * best):
            break
        a, b = offsets[i], turns[j]
        out.append((float(total[i, j]), (p + (a - b) * normal, q + (a + b) * normal)))
        near = (np.abs(offsets[:, None] - a) < 2.5) | (
            np.abs(offsets[:, None] - a) < 0.7 * np.abs(turns[None, :] - b)
        )
        total[near] = 0
    return out


def _settled(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    left_line: tuple[Array, Array],
    right_line: tuple[Array, Array],
) -> Rod | None:
    """Sub-pixel fit of two limbs from good starting lines."""
    lines = (left_line, right_line)
    left = right = None
    evidence = 0.0
    for gate in (3.0, 2.0):
        left = fit_limb(rgb, pose, *lines[0], gate, 1)
        right = fit_limb(rgb, pose, *lines[1], gate, -1)
        if left is None or right is None:
            return None
        evidence, lines = _extent(rgb, pose, (left.p, left.q), (right.p, right.q))
        if evidence <= 0:
            return None
    assert left is not None and right is not None
    axis = (left.q + right.q - left.p - right.p) / 2
    direction = axis / np.linalg.norm(axis)
    normal = np.array([-direction[1], direction[0]])
    gap = float(((right.p + right.q - left.p - left.q) / 2) @ normal)
    if gap < 0:
        left, right, gap = right, left, -gap
    opening = abs(_angle(left) - _angle(right))
    if gap < 3 or opening > math.radians(11):
        return None
    centre = np.array([(rgb.shape[1] - 1) / 2, (rgb.shape[0] - 1) / 2])
    length = min(left.length, right.length)
    straight = 1 / ((1 + left.scatter_px**2) * (1 + right.scatter_px**2))
    score = (
        evidence
        * math.sqrt(straight)
        * (1 - math.exp(-((length / (2 * gap)) ** 2)))
        * _apart_from_ink(pose, left.ends, right.ends)
        * _likely_width(pose, (left.p + right.p) / 2, gap)
        * math.exp(-((opening / 0.20) ** 2))
        * _central_end((left.p + right.p) / 2, (left.q + right.q) / 2, centre)
    )
    return Rod(left, right, score, gap)


def _apart_from_ink(pose: GridPose, left: tuple[Array, Array], right: tuple[Array, Array]) -> float:
    """Penalty for a limb that follows a printed line: its partner is then tick ends or a shadow."""
    worst = max(float(_on_ink_edge(pose, line).mean()) for line in (left, right))
    return 0.3 if worst > 0.75 else 1.0


def _likely_width(pose: GridPose, at: Array, width: float) -> float:
    """Preference for 0.25 to 0.75 mm on a grid of 5 or 10 mm (the usual ones), mild."""
    _, scale = _ink_distance(pose, pose.camera.distort(at)[None])
    share = width / scale
    miss = min(abs(math.log(share / usual)) for usual in (0.45 / 5, 0.45 / 10))
    return math.exp(-0.5 * (miss / 0.55) ** 2)


def _extent(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    left: tuple[Array, Array],
    right: tuple[Array, Array],
    slack: float = 2.0,
) -> tuple[float, tuple[tuple[Array, Array], tuple[Array, Array]]]:
    """How far both limbs go on: summed evidence (px) and the lines cut to that stretch."""
    low, high = (left[0] + right[0]) / 2, (left[1] + right[1]) / 2
    length = float(np.linalg.norm(high - low))
    d = (high - low) / length
    normal = np.array([-d[1], d[0]])
    most = 0.30 * rgb.shape[1]
    more = min(1.5 * length, max(0.0, (most - length) / 2 + 0.1 * most))
    group = max(2.0, length / 60)
    s = np.arange(-more, length + more, group)
    evidence = np.zeros((2, len(s)))
    outer, inner, on_ink = [], [], []
    across = np.arange(-7, 7.01, 1.0)
    for k, (p, q) in enumerate((left, right)):
        u = (q - p) / np.linalg.norm(q - p)
        # the limb's own points at the same station along the axis
        at = ((low - p) @ d + s) / (u @ d)
        xy = p + at[:, None, None] * u + across[None, :, None] * normal
        raw = pose.camera.distort(xy).astype(np.float32)
        strip = cv2.remap(
            rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ).astype(np.float32)
        strip = cv2.blur(strip, (1, 5)).astype(np.float32, copy=False)
        step = np.sqrt(np.sum((strip[:, 2:] - strip[:, :-2]) ** 2, axis=2))
        noise = float(np.median(step)) + 1.0
        peak = np.argmax(step, axis=1) + 1
        top = step[np.arange(len(s)), peak - 1]
        near = np.exp(-((across[peak] / slack) ** 2))
        evidence[k] = near * np.clip((top / noise - 1.5) / 2.5, 0, 1)
        inside = (raw[:, 7] > (3, 3)) & (raw[:, 7] < (rgb.shape[1] - 4, rgb.shape[0] - 4))
        evidence[k] = np.where(inside.all(axis=1), evidence[k], 0)
        apart, scale = _ink_distance(pose, raw[:, 7].astype(float))
        tolerance = max(0.5 * pose.ink_half_width, 2.5 / scale)
        on_ink.append(np.abs(apart - pose.ink_half_width) < tolerance)
        outer.append(strip[:, :4].mean(axis=1) if k == 0 else strip[:, -4:].mean(axis=1))
        inner.append(strip[:, -5:-2].mean(axis=1) if k == 0 else strip[:, 2:5].mean(axis=1))
    # a rod differs from both sides; a bevel's colour lies between them
    apart = np.linalg.norm(outer[0] - outer[1], axis=1)
    steps = sum(np.linalg.norm(o - i, axis=1) for o, i in zip(outer, inner, strict=True))
    distinct = 1 - np.clip(apart / np.maximum(steps, 1.0), 0, 1)
    evidence *= 0.4 + 0.6 * distinct
    gain = 0.5 * evidence.mean(axis=0) + 0.5 * evidence.min(axis=0) - 0.30
    gain[on_ink[0] & on_ink[1]] = -0.1
    best, first, last = _best_run(gain)
    if last - first < 4:
        return 0.0, (left, right)
    ends = []
    for p, q in (left, right):
        u = (q - p) / np.linalg.norm(q - p)
        at = ((low - p) @ d + s[[first, last]]) / (u @ d)
        ends.append((p + at[0] * u, p + at[1] * u))
    return best * group / 0.70, (ends[0], ends[1])


def _best_run(gain: Array) -> tuple[float, int, int]:
    best, run, start, first, last = 0.0, 0.0, 0, 0, 0
    for i, g in enumerate(gain):
        if run <= 0:
            run, start = 0.0, i
        run += float(g)
        if run > best:
            best, first, last = run, start, i
    return best, first, last


def _angle(limb: Limb) -> float:
    d = limb.q - limb.p
    return math.atan2(d[0], -d[1])


def fit_limb(
    rgb: NDArray[np.uint8], pose: GridPose, p: Array, q: Array, gate: float, inward: int = 0
) -> Limb | None:
    """Straight colour step within ``gate`` px of the line p-q (undistorted pixels).

    Each stretch of the edge gives one point, the centroid of the squared colour gradient across
    it; the line is fitted to the points by iteratively reweighted least squares (Cauchy weights).
    Stretches with known ink beside them are dropped; where too few are left, the step nearest to
    the rod's inside (``inward`` = +1 or -1 along the normal) counts there.
    """
    length = float(np.linalg.norm(q - p))
    if length < 20:
        return None
    d = (q - p) / length
    normal = np.array([-d[1], d[0]])
    half = math.ceil(gate) + 3
    across = np.arange(-half, half + 0.01, 0.5)
    n_along = int(length) + 1
    along = np.linspace(0, length, n_along)
    xy = p + along[:, None, None] * d + across[None, :, None] * normal
    raw = pose.camera.distort(xy).astype(np.float32)
    strip = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    group = max(3, round(length / 70))
    n = n_along // group
    if n < 6:
        return None
    strip = strip[: n * group].reshape(n, group, len(across), 3).mean(axis=1)
    centre_along = along[: n * group].reshape(n, group).mean(axis=1)
    strip = cv2.GaussianBlur(strip, (5, 1), 1.0, borderType=cv2.BORDER_REPLICATE)
    step = (strip[:, 2:] - strip[:, :-2]).astype(float)
    where = across[1:-1]
    size2 = np.sum(step**2, axis=2)
    noise2 = float(np.median(size2)) + 1.0
    inside = np.abs(where) <= gate
    masked = np.where(inside[None, :], size2, 0)
    peak = np.argmax(masked, axis=1)
    ink = _ink_near(pose, p + centre_along[:, None] * d, normal, gate)
    clear = (masked.max(axis=1) > 4 * noise2) & ~ink
    if clear.sum() < max(8, 0.3 * n):
        if inward:
            peak = np.where(ink, _inner_peak(masked, inward), peak)
        ink = np.zeros(n, bool)
    top = masked[np.arange(n), peak]
    local = np.abs(where[None, :] - where[peak][:, None]) <= 1.5
    weight = np.where(local, np.maximum(size2 - noise2, 0), 0)
    total = weight.sum(axis=1)
    with np.errstate(all="ignore"):
        t = (weight @ where) / total
    good = (top > 4 * noise2) & (total > 0) & ~ink & (np.abs(t) < gate + 1)
    usable = max(int((~ink).sum()), 1)
    if good.sum() < 5 or good.sum() < 0.2 * n:
        return None
    s, t = centre_along[good] - length / 2, t[good]
    strength = np.sqrt(top[good] / noise2)
    base = np.minimum(strength, 8.0) / 8
    a, b = float(np.median(t)), 0.0
    if len(s) >= 8:
        a, b = _line_start(s, t)
    scale = 1.0
    for _ in range(12):
        r = t - a - b * s
        scale = max(1.48 * float(np.median(np.abs(r))), 0.08)
        w = base / (1 + (r / (2 * scale)) ** 2)
        sw, ss, sss = w.sum(), (w * s).sum(), (w * s * s).sum()
        det = sw * sss - ss * ss
        if det <= 0:
            return None
        st, sst = (w * t).sum(), (w * s * t).sum()
        a, b = (sss * st - ss * sst) / det, (sw * sst - ss * st) / det
    r = t - a - b * s
    fits = np.abs(r) < max(3 * scale, 0.5)
    count = max(int(fits.sum()), 3)
    spread = float(np.sqrt(np.average(s[fits] ** 2))) if fits.any() else length / 4
    scatter = float(np.sqrt(np.mean(r[fits] ** 2))) if fits.any() else gate
    points = p + (s + length / 2)[:, None] * d + t[:, None] * normal
    return Limb(
        p + (a - b * length / 2) * normal,
        q + (a + b * length / 2) * normal,
        scatter / math.sqrt(count),
        scatter / math.sqrt(count) / max(spread, 1.0),
        scatter,
        count / usable,
        float(np.mean(strength)),
        points[fits],
    )


def _inner_peak(size2: Array, inward: int) -> NDArray[np.intp]:
    """First local maximum, coming from the inside, of at least half the row's largest step."""
    ordered = size2[:, ::-1] if inward > 0 else size2
    before = np.roll(ordered, 1, axis=1)
    after = np.roll(ordered, -1, axis=1)
    peak = (ordered >= before) & (ordered > after)
    peak &= ordered > 0.35 * ordered.max(axis=1, keepdims=True)
    first = np.argmax(peak, axis=1)
    return first if inward < 0 else size2.shape[1] - 1 - first


def _line_start(s: Array, t: Array) -> tuple[float, float]:
    """Median of pairwise slopes between the halves (repeated-median flavour of Theil-Sen)."""
    order = np.argsort(s)
    s, t = s[order], t[order]
    k = len(s) // 2
    slope = float(np.median((t[k : 2 * k] - t[:k]) / (s[k : 2 * k] - s[:k])))
    return float(np.median(t - slope * s)), slope


def _ink_near(pose: GridPose, xy: Array, normal: Array, gate: float) -> NDArray[np.bool_]:
    """True where a printed line, or its ghost, lies within ``gate`` px across the edge."""
    out = np.zeros(len(xy), bool)
    margin = pose.ink_half_width
    for shift in np.linspace(-gate - 1, gate + 1, 5):
        raw = pose.camera.distort(xy + shift * normal)
        rays = pose.camera.ray(raw) @ pose.rotation
        start = -pose.origin @ pose.rotation
        grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
        out |= (np.abs(grid - np.round(grid)) < margin).any(axis=1)
        if pose.thickness is not None:
            slide = 2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[:, 2] ** 2)[:, None]
            ghost = grid + pose.thickness * slide
            out |= (np.abs(ghost - np.round(ghost)) < margin).any(axis=1)
    return out


# --------------------------------------------------------------------------- reflection


@dataclass(frozen=True)
class Image:
    """The rod's mirror image: its axis line, fitted to both limbs at once.

    ``axis`` is the line midway between the reflected limbs; ``limbs`` the limbs where they are in
    sight; ``share`` the part of the visible outline that fits, ``count`` how many stretches that
    is, ``paired`` how many have a partner on the other limb, ``tell`` the part of its visible
    length whose inside differs from what lies beside it.
    ``rivals`` are axes of other places that fit nearly as well.
    """

    axis: Limb
    limbs: tuple[Limb, ...]
    share: float
    count: int
    paired: int
    tell: float
    rivals: tuple[Limb, ...] = ()

    @property
    def merit(self) -> float:
        """What rival reflections are compared by."""
        return (0.6 * self.count + 1.4 * self.paired) * self.share * self.tell


def axis_normal(rod: Rod, pose: GridPose) -> Array:
    """Normal, in grid axes, of the plane through the camera and the rod's axis.

    The axis lies midway between the two tangent planes of the limbs (exact for cylinder and cone).
    """
    normals = [line_normal(limb, pose) for limb in (rod.left, rod.right)]
    n = normals[0] + normals[1]
    return np.asarray(n / np.linalg.norm(n))


def line_normal(limb: Limb, pose: GridPose) -> Array:
    """Unit normal, in grid axes, of the plane through the camera and an undistorted line."""
    rays = _local_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(rays[0], rays[1])
    return np.asarray(n / np.linalg.norm(n))


def _local_rays(undistorted: Array, pose: GridPose) -> Array:
    c = pose.camera
    u = (undistorted - (c.cx, c.cy)) / c.f
    rays = np.concatenate([u, np.ones((*u.shape[:-1], 1))], axis=-1)
    rays = rays / np.linalg.norm(rays, axis=-1, keepdims=True)
    return np.asarray(rays @ pose.rotation)


def mirrored_rays(undistorted: Array, pose: GridPose) -> tuple[Array, Array]:
    """Where rays leave the mirror upwards (grid x, y, 0) and their directions, in grid axes."""
    rays = _local_rays(undistorted, pose)
    start = -pose.origin @ pose.rotation
    foot = start - rays * (start[2] / rays[..., 2])[..., None]
    if pose.thickness is not None:
        slide = 2 * rays[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[..., 2] ** 2)[..., None]
        foot = foot + pose.thickness * np.concatenate(
            [slide, np.zeros((*slide.shape[:-1], 1))], axis=-1
        )
    return foot, rays * (1, 1, -1)


def mirrored_normal(limb: Limb, pose: GridPose) -> Array:
    """Like `line_normal` for a line seen in the mirror: the plane holds the reflected rays."""
    foot, up = mirrored_rays(np.array([limb.p, limb.q]), pose)
    n = np.cross(foot[1] - foot[0], up[0] + up[1])
    return np.asarray(n / np.linalg.norm(n))


def image_points(xyz: Array, pose: GridPose) -> Array:
    """Undistorted pixels where points above the mirror (grid axes) are seen reflected."""
    c = pose.camera
    thickness = pose.thickness or 0.0
    foot = xyz * (1, 1, -1)
    eye = -pose.origin @ pose.rotation
    for _ in range(4):
        ray = foot - eye
        ray = ray / np.linalg.norm(ray, axis=-1, keepdims=True)
        slide = 2 * ray[..., :2] / np.sqrt(GLASS_INDEX**2 - 1 + ray[..., 2] ** 2)[..., None]
        run = ray[..., :2] / -ray[..., 2:] * xyz[..., 2:]
        on_sheet = xyz[..., :2] - run - thickness * slide
        foot = np.concatenate([on_sheet, np.zeros((*on_sheet.shape[:-1], 1))], axis=-1)
    q = foot @ pose.rotation.T + pose.origin
    return np.asarray(q[..., :2] / q[..., 2:] * c.f + (c.cx, c.cy))


def direction(turn: float, rise: float) -> Array:
    """Unit vector in grid axes: ``turn`` counter-clockwise from the printed line, ``rise`` up."""
    return np.array(
        [-math.sin(turn) * math.cos(rise), math.cos(turn) * math.cos(rise), math.sin(rise)]
    )


def turn_for_rise(normal: Array, rise: float) -> float:
    """Turn of the direction of the given rise that lies in the plane with this normal."""
    a, b = normal[1] * math.cos(rise), -normal[0] * math.cos(rise)
    middle = math.atan2(b, a)
    half = math.acos(max(-1.0, min(1.0, -normal[2] * math.sin(rise) / math.hypot(a, b))))
    turns = [math.remainder(middle + s * half, 2 * math.pi) for s in (1, -1)]
    return min(turns, key=abs)


PLAIN_SPREAD = 0.2  # paper: at most 0.11 on the tuning photographs; mirrors: 0.29 and more
RISES_DEG = np.arange(11.0, 31.1, 0.5)
HEIGHTS = np.linspace(0.2, 5.0, 33)  # of the axis at the rod's lower end, in rod widths


def find_image(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod) -> Image | None:
    """The rod's reflection in the mirror, searched over the rod's rise and height.

    Both follow from where the reflection lies once the axis plane is known. Stretches hidden by
    the rod itself, or beside known ink, count neither for nor against.
    """
    normal = axis_normal(rod, pose)
    low, high = rod.axis
    rays = _local_rays(np.array([low, high]), pose)
    eye = -pose.origin @ pose.rotation
    # rod width in pitches, near enough: width over distance
    distance = abs(eye[2] / rays[0, 2])
    width = rod.width_px / pose.camera.f * distance
    stations = np.linspace(0.0, 1.0, 40)
    rises, _ = np.meshgrid(np.radians(RISES_DEG), HEIGHTS * width, indexing="ij")
    axis = np.empty((*rises.shape, len(stations), 3))
    for i, rise in enumerate(np.radians(RISES_DEG)):
        d = direction(turn_for_rise(normal, float(rise)), float(rise))
        for j, h in enumerate(HEIGHTS * width):
            foot = eye + rays[0] * ((h - eye[2]) / rays[0, 2])
            # length along d until the ray through the upper end passes nearest
            reach = _meet(foot, d, eye, rays[1])
            axis[i, j] = foot + stations[:, None] * reach * d
    seen = image_points(axis, pose)
    along = seen[:, :, -1] - seen[:, :, 0]
    length = np.linalg.norm(along, axis=-1, keepdims=True)
    unit = along / np.maximum(length, 1e-9)
    side = np.stack([-unit[..., 1], unit[..., 0]], axis=-1)
    half = 0.49 * _width_along(rod, stations)
    total = np.zeros(rises.shape)
    field = _Steps(rgb, pose, seen, rod.width_px)
    for sign in (-1.0, 1.0):
        at = seen + sign * half[:, None] * side[:, :, None, :]
        evidence, visible = field.read(at, side, rod)
        total += np.sum((evidence - 0.42) * visible, axis=2)
    prior = np.exp(-0.5 * ((np.degrees(rises) - RISE_GUESS_DEG) / 5) ** 2)
    # seen along the rows, ticks and rows look like limbs
    ahead = pose.on_sheet(pose.camera.distort(seen[:, :, 20]))
    base = np.concatenate([ahead, np.zeros((*ahead.shape[:-1], 1))], axis=-1)
    row = pose.project(base + np.array([0.02, 0.0, 0.0])) - pose.project(base)
    row /= np.maximum(np.linalg.norm(row, axis=-1, keepdims=True), 1e-9)
    slanted = np.abs(row[..., 0] * unit[..., 1] - row[..., 1] * unit[..., 0]) > math.sin(
        math.radians(14)
    )
    total = np.where(length[..., 0] > 0.8 * rod.width_px, total, 0) * (0.5 + 0.5 * prior)
    total *= np.sqrt(length[..., 0] / rod.width_px) * slanted
    tried: list[tuple[float, Image]] = []
    room = total.copy()
    for _ in range(7):
        i, j = divmod(int(np.argmax(room)), room.shape[1])
        if room[i, j] < 2.0:
            break
        found = _fit_image(rgb, pose, rod, seen[i, j], half)
        if found is not None and not _along_rows(found.axis, pose):
            tried.append((found.merit * (0.1 + 0.9 * float(prior[i, j])), found))
        apart = np.linalg.norm(seen[:, :, 20] - seen[i, j, 20], axis=-1)
        tilt = np.sum(unit * unit[i, j], axis=-1)
        room[(apart < 0.35 * rod.width_px) & (tilt > 0.99)] = 0
    if not tried:
        return None
    tried.sort(key=lambda m: -m[0])
    best = tried[0][1]
    rivals = tuple(other.axis for merit, other in tried[1:] if merit > 0.7 * tried[0][0])
    return replace(best, rivals=rivals)


def _along_rows(axis: Limb, pose: GridPose) -> bool:
    """Whether a line runs along the sheet's rows, as ticks do."""
    foot = pose.on_sheet(pose.camera.distort((axis.p + axis.q) / 2)[None])[0]
    row = pose.project(np.array([[foot[0] + 0.05, foot[1], 0.0], [foot[0] - 0.05, foot[1], 0.0]]))
    r, d = row[0] - row[1], axis.q - axis.p
    cross = abs(float(r[0] * d[1] - r[1] * d[0])) / float(np.hypot(*r) * np.hypot(*d))
    return cross < math.sin(math.radians(12))


def _meet(foot: Array, d: Array, eye: Array, ray: Array) -> float:
    """Length along d from foot to where it passes nearest to a ray."""
    w = foot - eye
    b = float(d @ ray)
    return float((b * (ray @ w) - d @ w) / (1 - b * b))


def _width_along(rod: Rod, stations: Array) -> Array:
    bottom = float(np.linalg.norm(rod.right.p - rod.left.p))
    top = float(np.linalg.norm(rod.right.q - rod.left.q))
    return np.asarray(bottom + (top - bottom) * stations)


class _Steps:
    """Colour gradients of the neighbourhood, read along predicted edges."""

    def __init__(self, rgb: NDArray[np.uint8], pose: GridPose, seen: Array, width: float) -> None:
        raw = pose.camera.distort(seen.reshape(-1, 2))
        margin = width + 8
        low = np.maximum(np.floor(raw.min(axis=0) - margin), 0).astype(int)
        high = np.minimum(np.ceil(raw.max(axis=0) + margin), rgb.shape[1::-1]).astype(int)
        self.low = low
        self.pose = pose
        self.gradient: list[NDArray[np.float32]] = []
        crop = rgb[low[1] : high[1], low[0] : high[0]].astype(np.float32)
        self.empty = min(crop.shape[:2]) < 8
        if self.empty:
            return
        smooth = cv2.GaussianBlur(crop, (0, 0), 1.2)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 4)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 4)
        self.gx, self.gy = gx, gy
        size = np.sqrt(np.sum(gx**2 + gy**2, axis=2))
        self.noise = float(np.median(size)) + 0.7

    def read(self, at: Array, side: Array, rod: Rod) -> tuple[Array, Array]:
        """Evidence 0-1 of a step across ``side`` at pixels, and which of them are in sight."""
        if self.empty:
            return np.zeros(at.shape[:-1]), np.zeros(at.shape[:-1], bool)
        raw = self.pose.camera.distort(at) - self.low
        flat = raw.reshape(-1, raw.shape[-2], 2).astype(np.float32)
        gx = cv2.remap(self.gx, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(
            *at.shape[:-1], 3
        )
        gy = cv2.remap(self.gy, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR).reshape(
            *at.shape[:-1], 3
        )
        s = side[:, :, None, :]
        across = np.linalg.norm(gx * s[..., :1] + gy * s[..., 1:], axis=-1)
        evidence = np.clip((across / self.noise - 1.5) / 3.5, 0, 1)
        h, w = self.gx.shape[:2]
        inside = (
            (raw[..., 0] > 2) & (raw[..., 1] > 2) & (raw[..., 0] < w - 3) & (raw[..., 1] < h - 3)
        )
        return evidence, inside & ~_hidden(at, rod) & ~_on_ink(self.pose, at)


def _hidden(at: Array, rod: Rod) -> NDArray[np.bool_]:
    """Behind the rod itself, or above its upper end, where the body begins."""
    low, high = rod.axis
    d = (high - low) / np.linalg.norm(high - low)
    normal = np.array([-d[1], d[0]])
    rel = at - low
    along = rel @ d
    off = np.abs(rel @ normal)
    length = np.linalg.norm(high - low)
    beside = off < rod.width_at(at) / 2 + 3.0
    return (beside & (along > -0.6 * rod.width_px)) | (along > length)


def _on_ink(pose: GridPose, at: Array) -> NDArray[np.bool_]:
    xy = pose.camera.distort(at.reshape(-1, 2))
    rays = pose.camera.ray(xy) @ pose.rotation
    start = -pose.origin @ pose.rotation
    grid = start[:2] - rays[:, :2] * (start[2] / rays[:, 2])[:, None]
    margin = 2 * pose.ink_half_width + 0.008  # crosses are often drawn bolder
    ink = (np.abs(grid - np.round(grid)) < margin).any(axis=1)
    if pose.thickness is not None:
        slide = 2 * rays[:, :2] / np.sqrt(GLASS_INDEX**2 - 1 + rays[:, 2] ** 2)[:, None]
        ghost = grid + pose.thickness * slide
        ink |= (np.abs(ghost - np.round(ghost)) < margin).any(axis=1)
    return np.asarray(ink.reshape(at.shape[:-1]))


def _fit_image(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, seen: Array, half: Array
) -> Image | None:
    """Fit offset, tilt and width of one predicted reflection to both its limbs."""
    spread_width = 0.06 * float(half.mean())
    for gate in (0.30 * rod.width_px, 0.2 * rod.width_px, 0.12 * rod.width_px):
        gate = max(gate, 2.0)
        p, q = seen[0], seen[-1]
        length = float(np.linalg.norm(q - p))
        if length < 0.8 * rod.width_px:
            return None
        unit = (q - p) / length
        side = np.array([-unit[1], unit[0]])
        n = int(np.clip(length / 3.0, 8, 90))
        s = np.linspace(-1, 1, n)
        line = p + (s[:, None] + 1) / 2 * (q - p)
        wide = np.interp(s, np.linspace(-1, 1, len(half)), half)
        read = [
            _peaks(rgb, pose, rod, line + sign * wide[:, None] * side, side, gate)
            for sign in (-1.0, 1.0)
        ]
        t = np.concatenate([r[0] for r in read])
        strength = np.concatenate([r[1] for r in read])
        visible = np.concatenate([r[2] for r in read])
        sign = np.repeat([-1.0, 1.0], n)
        station = np.tile(s, 2)
        use = visible & (strength > 1.8)
        if use.sum() < 8 or np.ptp(station[use]) * length / 2 < 0.8 * rod.width_px:
            return None
        design = np.stack([np.ones(2 * n), station, sign, sign * station], axis=1)[use]
        base = np.minimum(strength[use] / 6, 1)
        x = np.array([float(np.median(t[use])), 0.0, 0.0, 0.0])
        prior = np.diag([0.0, 1e-6, 1 / spread_width**2, 1 / (0.5 * spread_width) ** 2])
        scale, normal = 1.0, np.eye(4)
        for _ in range(12):
            r = t[use] - design @ x
            scale = max(1.48 * float(np.median(np.abs(r))), 0.15)
            w = base / (1 + (r / (2 * scale)) ** 2) / scale**2
            normal = (design * w[:, None]).T @ design + prior
            x = np.linalg.solve(normal, (design * w[:, None]).T @ t[use])
        r = t[use] - design @ x
        fits = np.abs(r) < max(2.5 * scale, 0.8)
        shift = x[0] + np.array([-1.0, 1.0]) * x[1]
        seen = (p + shift[0] * side)[None] + np.linspace(0, 1, len(half))[:, None] * (
            q + shift[1] * side - p - shift[0] * side
        )
        half = half + x[2] + x[3] * np.linspace(-1, 1, len(half))
    if half.min() <= 0.5:
        return None
    count = int(fits.sum())
    share = count / max(int(visible.sum()), 1)
    per_limb = [int((fits & (sign[use] == which)).sum()) for which in (-1.0, 1.0)]
    paired = min(per_limb)
    covariance = np.linalg.inv(normal)
    stretch = station[use][fits]
    if count < 8 or np.ptp(stretch) * length / 2 < 0.8 * rod.width_px:
        return None
    first, last = float(stretch.min()), float(stretch.max())
    ends = [seen[0] + (v + 1) / 2 * (seen[-1] - seen[0]) for v in (first, last)]
    middle = (first + last) / 2
    across = np.array([1.0, middle, 0.0, 0.0])
    axis = Limb(
        ends[0],
        ends[1],
        math.sqrt(float(across @ covariance @ across)),
        math.sqrt(float(covariance[1, 1])) / (length / 2),
        float(np.sqrt(np.mean(r[fits] ** 2))),
        share,
        float(np.mean(strength[use][fits])),
        np.empty((0, 2)),
    )
    limbs = []
    for k, which in enumerate((-1.0, 1.0)):
        mine = station[use][fits & (sign[use] == which)]
        if len(mine) < 4:
            continue
        span = np.array([mine.min(), mine.max()])
        wide = np.interp(span, np.linspace(-1, 1, len(half)), half)
        base_line = seen[0] + (span[:, None] + 1) / 2 * (seen[-1] - seen[0])
        edge = base_line + which * wide[:, None] * side
        limbs.append(replace(axis, p=edge[0], q=edge[1]))
        del k
    tell = _tells(rgb, pose, rod, seen, half, side)
    return Image(axis, tuple(limbs), share, count, paired, tell)


def _tells(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, seen: Array, half: Array, side: Array
) -> float:
    """Share of the visible length along which inside and outside differ in colour."""
    places = [seen, seen - (half + 4)[:, None] * side, seen + (half + 4)[:, None] * side]
    in_sight = [~_hidden(p, rod) & ~_on_ink(pose, p) for p in places]
    colour = []
    low = np.floor(np.min([p.min(axis=0) for p in places], axis=0)).astype(int) - 12
    high = np.ceil(np.max([p.max(axis=0) for p in places], axis=0)).astype(int) + 13
    low, high = np.maximum(low, 0), np.minimum(high, rgb.shape[1::-1])
    crop = rgb[low[1] : high[1], low[0] : high[0]]
    if min(crop.shape[:2]) < 12:
        return 0.0
    calm = cv2.blur(crop, (5, 5)).astype(np.float32)
    noise = float(np.median(np.abs(calm[:, 4:] - calm[:, :-4]))) + 1.0
    for p in places:
        raw = (pose.camera.distort(p) - low).astype(np.float32)[None]
        colour.append(
            cv2.remap(
                calm, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
            )[0]
        )
    seen_beside = np.zeros(len(seen), bool)
    differs = np.ones(len(seen), bool)
    for k in (1, 2):
        usable = in_sight[0] & in_sight[k]
        step = np.linalg.norm(colour[0] - colour[k], axis=1)
        differs &= ~usable | (step > 3.0 * noise)
        seen_beside |= usable
    if seen_beside.sum() < 4:
        return 0.3
    return float(differs[seen_beside].mean())


def _peaks(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, at: Array, side: Array, gate: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Where the strongest colour step lies across each point, how strong, and whether in sight."""
    across = np.arange(-gate - 2.5, gate + 2.51, 0.5)
    xy = at[:, None, :] + across[None, :, None] * side
    raw = pose.camera.distort(xy).astype(np.float32)
    strip = cv2.remap(
        rgb, raw[..., 0], raw[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float32)
    strip = cv2.GaussianBlur(strip, (5, 5), 1.0, borderType=cv2.BORDER_REPLICATE).astype(np.float32)
    step = (strip[:, 2:] - strip[:, :-2]).astype(float)
    size2 = np.sum(step**2, axis=2)
    noise2 = float(np.median(size2)) + 0.5
    where = across[1:-1]
    masked = np.where(np.abs(where) <= gate, size2, 0)
    peak = np.argmax(masked, axis=1)
    top = masked[np.arange(len(at)), peak]
    local = np.abs(where[None, :] - where[peak][:, None]) <= 1.5
    weight = np.where(local, np.maximum(size2 - noise2, 0), 0)
    total = weight.sum(axis=1)
    t = (weight @ where) / np.maximum(total, 1e-9)
    height, width = rgb.shape[:2]
    middle = raw[:, len(across) // 2]
    inside = (
        (middle[:, 0] > 3)
        & (middle[:, 1] > 3)
        & (middle[:, 0] < width - 4)
        & (middle[:, 1] < height - 4)
    )
    return t, np.sqrt(top / noise2), inside & ~_hidden(at, rod) & ~_on_ink(pose, at)


def shows_nothing(rgb: NDArray[np.uint8], pose: GridPose, rod: Rod) -> bool:
    """Whether the sheet in front of the rod is plain, as paper is and a mirror is not."""
    low = pose.camera.distort(rod.axis[0])
    origin = pose.on_sheet(low[None])[0]
    steps = np.arange(-12, 13)[:, None] + np.array([0.2, 0.35, 0.5, 0.65, 0.8])
    x, y = np.meshgrid(steps.ravel(), steps.ravel())
    x, y = x.ravel() + round(float(origin[0])), y.ravel() + round(float(origin[1]))
    rel = np.stack([x - origin[0], y - origin[1]], axis=1)
    near = (np.abs(rel[:, 0]) < 1.6) & (rel[:, 1] < -0.2) & (rel[:, 1] > -1.8)
    xy = pose.project(np.stack([x[near], y[near], 0 * x[near]], axis=1))
    height, width = rgb.shape[:2]
    ok = (xy[:, 0] > 4) & (xy[:, 1] > 4) & (xy[:, 0] < width - 5) & (xy[:, 1] < height - 5)
    if ok.sum() < 20:
        return False
    at = xy[ok].astype(int)
    level = cv2.blur(rgb, (7, 7))[at[:, 1], at[:, 0]].astype(float)
    spread = np.quantile(level, 0.85, axis=0) - np.quantile(level, 0.15, axis=0)
    return bool(np.max(spread) < PLAIN_SPREAD * max(float(np.median(level)), 20.0))
