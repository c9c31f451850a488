"""Rod and surface -> the stylus under the rod's free end: fitted edges of shank and cone.

Find coarse, fit fine. In a small straightened copy (u to the right towards the pivot, y down) a
stylus is five numbers: apex, lean, half width, cone angle. Its score is the gradient summed along
the two shank edges and the two cone edges, which must answer on both sides with opposite signs;
on a mirror the reflected half counts as much. Sums along slanted lines come from sheared running
sums, so the whole grid of shapes costs a few million look-ups. The best shapes are then polished,
every edge is snapped and fitted at full resolution (`vision.edges`), and only then is one chosen,
by the quality and agreement of its edges.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from vision.edges import EdgeFit, fit_edge, snap_line
from vision.side_rod import SideRod

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

COARSE_THICKNESS = 52.0  # px of rod thickness in the copy that is searched
FINE_THICKNESS = 320.0  # px at most where edges are fitted
HALF_WIDTHS = (0.085, 0.115, 0.15, 0.19, 0.24, 0.30)  # of the rod's thickness
CONE_HALVES_DEG = (22.0, 26.0, 30.0, 34.0)
KEEP = 6
SIDES = (("left", -1), ("right", 1))
LUMA = np.float32([0.299, 0.587, 0.114])


@dataclass(frozen=True)
class Shape:
    """A stylus in the straightened copy: pixels, degrees; lean is positive towards the pivot."""

    apex_u: float
    apex_y: float
    lean: float
    half_width: float
    cone_half: float
    score: float = 0.0


@dataclass(frozen=True)
class NeedleEdge:
    """One fitted edge, full-photo pixels; ``lean`` is its lean in the straightened frame."""

    p0: Array
    p1: Array
    angle_u: float
    coverage: float
    snr: float
    blur: float
    lean: float

    @property
    def length(self) -> float:
        """Pixels of the full photo."""
        return float(np.linalg.norm(self.p1 - self.p0))


@dataclass(frozen=True)
class Needle:
    """A stylus with its edges: names as ``"reflected shank left"``, left and right in the photo."""

    edges: Mapping[str, NeedleEdge]
    quality: float
    apex: Array
    width: float
    shape: Shape


@dataclass(frozen=True)
class Frame:
    """Straightened copy: photo = origin + basis @ (u, y)."""

    origin: Array
    basis: Array
    picture: NDArray[np.uint8]
    u0: int
    y0: int
    thickness: float
    under: float
    under_slope: float
    mirrored: bool

    def to_photo(self, uy: Array) -> Array:
        """From (u, y), shape (..., 2), to photo pixels."""
        return self.origin + np.asarray(uy, float) @ self.basis.T

    def from_photo(self, xy: Array) -> Array:
        """Inverse of `to_photo`."""
        return (np.asarray(xy, float) - self.origin) @ np.linalg.inv(self.basis).T


def find_needles(
    rgb: NDArray[np.uint8], rod: SideRod, mirrored: bool
) -> tuple[list[Needle], Frame]:
    """Candidate styli with fitted edges, best first.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    mirrored : bool
        Whether to look for the reflected half too.

    Returns
    -------
    needles : list of Needle
    frame : Frame
    """
    frame = _straightened(rgb, rod, mirrored)
    field = _gradient_field(frame.picture)
    shapes = _distinct(_polished(field, frame, _search(field, frame)), frame.thickness)[:KEEP]
    fine = _Fine(rgb, frame)
    needles = [fine.needle(shape, rod.pivot_right) for shape in shapes]
    return sorted(needles, key=lambda n: -n.quality), frame


def _straightened(rgb: NDArray[np.uint8], rod: SideRod, mirrored: bool) -> Frame:
    scale = min(1.0, COARSE_THICKNESS / rod.thickness)
    thickness = rod.thickness * scale
    origin, tilt = rod.free_end, 0.0
    if mirrored:
        height, tilt = rod.surface_at_free_end()
        origin = np.array([rod.free_end[0], height])
    to_pivot = 1.0 if rod.pivot_right else -1.0
    basis = (
        np.array([[math.cos(tilt), -math.sin(tilt)], [math.sin(tilt), math.cos(tilt)]])
        @ np.diag([to_pivot, 1.0])
        / scale
    )
    inverse = np.linalg.inv(basis)
    a = inverse @ (np.array([rod.bottom.x0, rod.bottom.y0]) - origin)
    b = inverse @ (np.array([rod.bottom.x1, rod.bottom.y1]) - origin)
    slope = (b[1] - a[1]) / (b[0] - a[0])
    under = a[1] - slope * a[0]
    u0, u1 = int(-0.5 * thickness), int(3.2 * thickness)
    y0 = int(under - (1.6 if mirrored else 1.4) * thickness)
    y1 = -y0 if mirrored else int(under + 2.2 * thickness)
    picture = _warped(rgb, origin, basis, (u0, y0), (u1 - u0 + 1, y1 - y0 + 1), scale)
    return Frame(origin, basis, picture, u0, y0, thickness, under, slope, mirrored)


def _warped(
    rgb: NDArray[np.uint8],
    origin: Array,
    basis: Array,
    first: tuple[int, int],
    size: tuple[int, int],
    scale: float,
) -> NDArray[np.uint8]:
    """Resample through an area-averaged copy of just the pixels needed."""
    ends = np.array(
        [(first[0] + i * size[0], first[1] + j * size[1]) for i in (0, 1) for j in (0, 1)]
    )
    box = origin + ends @ basis.T
    low = np.clip(np.floor(box.min(axis=0)).astype(int) - 8, 0, None)
    high = np.clip(np.ceil(box.max(axis=0)).astype(int) + 8, low + 8, (rgb.shape[1], rgb.shape[0]))
    part = rgb[low[1] : high[1], low[0] : high[0]]
    ratio = np.ones(2)
    if scale < 1:
        cells = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        ratio = np.array([cells[0] / part.shape[1], cells[1] / part.shape[0]])
        part = cv2.resize(part, cells, interpolation=cv2.INTER_AREA)
    start = origin + basis @ np.asarray(first, float)
    matrix = np.column_stack([ratio[:, None] * basis, ratio * (start - low + 0.5) - 0.5])
    return np.asarray(
        cv2.warpAffine(
            part,
            matrix,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _gradient_field(picture: NDArray[np.uint8]) -> tuple[Grey, Grey]:
    """Gradient of the locally strongest of luma and two colour differences, soft-clipped to 1."""
    f = np.sqrt(picture.astype(np.float32) / 255)
    planes = (f @ LUMA, 0.7 * (f[..., 0] - f[..., 1]), 0.7 * (f[..., 2] - f[..., 1]))
    best: tuple[Grey, Grey, Grey] | None = None
    for plane in planes:
        smooth = cv2.GaussianBlur(plane, (0, 0), 0.9)
        gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
        gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
        size = np.hypot(gx, gy)
        knee = max(3 * float(np.median(size)), 0.008)
        strength = size / knee
        here = (gx / (size + knee), gy / (size + knee), strength)
        if best is None:
            best = here
        else:
            wins = strength > 1.3 * best[2]
            best = tuple(np.where(wins, new, old) for new, old in zip(here, best, strict=True))  # type: ignore[assignment]
    assert best is not None
    return best[0], best[1]


def _search(field: tuple[Grey, Grey], frame: Frame) -> list[Shape]:
    """Best shapes of a coarse grid over all five numbers."""
    t = frame.thickness
    sums = _RunningSums(field, frame)
    us = np.arange(-0.2 * t, 2.6 * t, 1.25)
    if frame.mirrored:
        ys = np.arange(-0.08, 0.081, 0.04) * t
        leans = np.arange(-13.0, 13.1, 1.625)
    else:
        ys = np.arange(0.14, 1.9, 0.042) * t
        leans = np.arange(-14.0, 14.1, 2.0)
    u, y = (v.ravel() for v in np.meshgrid(us, ys, indexing="ij"))
    if not frame.mirrored:
        y = y + frame.under + frame.under_slope * u
    shapes: list[Shape] = []
    for lean in leans:
        slope = math.tan(math.radians(lean))
        for width in (t * w for w in HALF_WIDTHS):
            half = width / math.cos(math.radians(lean))
            tops = [
                (y - frame.under - frame.under_slope * (u + side * half))
                / (1 + frame.under_slope * slope)
                - 0.08 * t
                for _, side in SIDES
            ]
            height = (tops[0] + tops[1]) / 2
            for cone in CONE_HALVES_DEG:
                rise = width / math.tan(math.radians(cone)) * math.cos(math.radians(lean))
                possible = (height > 0.6 * rise) & (height > 0.08 * t)
                if not possible.any():
                    continue
                shanks = [
                    sums.along(lean, u + side * half + y * slope, 1.1 * rise, top, y)
                    for (_, side), top in zip(SIDES, tops, strict=True)
                ]
                cones = [
                    sums.along(
                        lean + side * cone,
                        u + y * math.tan(math.radians(lean + side * cone)),
                        0.15 * rise,
                        np.minimum(0.9 * rise, top),
                        y,
                    )
                    for (_, side), top in zip(SIDES, tops, strict=True)
                ]
                total = _answer(shanks) + 0.8 * _answer(cones)
                score = np.where(possible, total / np.maximum(height + 0.15 * t, 1), -1.0)
                for k in np.argpartition(score, -4)[-4:]:
                    shapes.append(
                        Shape(float(u[k]), float(y[k]), lean, width, cone, float(score[k]))
                    )
    return _distinct(shapes, t)[: 2 * KEEP]


def _answer(pair: list[tuple[list[Array], Array]]) -> Array:
    """Length times mean gradient of the weaker side, both sides of opposite sign; over views."""
    (left, n_left), (right, n_right) = pair
    length = (n_left + n_right) / 2
    both = np.minimum(n_left, n_right) > 0
    total = np.zeros(len(length))
    for a, b in zip(left, right, strict=True):
        a = a / np.maximum(n_left, 1)
        b = b / np.maximum(n_right, 1)
        total += np.maximum(np.minimum(-a, b), np.minimum(a, -b))
    return np.where(both, total / len(left) * length, 0.0)


class _RunningSums:
    """Sums of the gradient across a line, along that line, for lines of any lean."""

    def __init__(self, field: tuple[Grey, Grey], frame: Frame) -> None:
        self.frame = frame
        self.views = [field]
        if frame.mirrored:
            self.views.append((field[0][::-1], -field[1][::-1]))
        self.height, self.width = field[0].shape
        self.cache: dict[int, list[Grey]] = {}

    def along(
        self, lean: float, u_at_zero: Array, low: float | Array, high: Array, apex_y: Array
    ) -> tuple[list[Array], Array]:
        """Sums from height ``low`` to ``high`` above the apex, one a view, and their lengths."""
        first = np.clip(np.rint(apex_y - high - self.frame.y0), 0, self.height).astype(np.intp)
        last = np.clip(np.rint(apex_y - low - self.frame.y0), 0, self.height).astype(np.intp)
        column = np.rint(u_at_zero - self.frame.u0).astype(np.intp)
        ok = (column >= 0) & (column < self.width) & (last > first)
        column = np.clip(column, 0, self.width - 1)
        length = np.where(ok, last - first, 0)
        below, above = last * self.width + column, first * self.width + column
        return [
            np.where(ok, table[below] - table[above], 0.0) for table in self._tables(lean)
        ], length

    def _tables(self, lean: float) -> list[Grey]:
        key = round(lean)
        if key not in self.cache:
            slope = math.tan(math.radians(key))
            c, s = math.cos(math.radians(key)), math.sin(math.radians(key))
            shear = np.array([[1, -slope, -slope * self.frame.y0], [0, 1, 0]])
            tables = []
            for gx, gy in self.views:
                across = np.ascontiguousarray(c * gx + s * gy)
                sheared = cv2.warpAffine(
                    across,
                    shear,
                    (self.width, self.height),
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                )
                zero = np.zeros((1, self.width), np.float32)
                tables.append(np.vstack([zero, np.cumsum(sheared, axis=0)]).ravel())
            self.cache[key] = tables
        return self.cache[key]


def _distinct(shapes: list[Shape], t: float) -> list[Shape]:
    """Best first, near-duplicates left out."""
    kept: list[Shape] = []
    for s in sorted(shapes, key=lambda v: -v.score):
        if len(kept) >= 2 * KEEP:
            break
        if all(
            abs(s.apex_u - o.apex_u) > 0.06 * t
            or abs(s.apex_y - o.apex_y) > 0.12 * t
            or abs(s.half_width - o.half_width) > 0.05 * t
            or abs(s.lean - o.lean) > 4
            for o in kept
        ):
            kept.append(s)
    return kept


def _polished(field: tuple[Grey, Grey], frame: Frame, shapes: list[Shape]) -> list[Shape]:
    """Random search round each shape, spread shrinking; a fixed seed keeps answers the same."""
    rng = np.random.default_rng(20)
    t = frame.thickness
    spread = np.array([0.03 * t, 0.05 * t, 1.5, 0.02 * t, 3.0])
    out = []
    for shape in shapes:
        best = np.array([shape.apex_u, shape.apex_y, shape.lean, shape.half_width, shape.cone_half])
        score = -1.0
        for shrink in (1.0, 0.5, 0.25):
            tries = best + rng.standard_normal((60, 5)) * spread * shrink
            tries[0] = best
            tries[:, 3] = np.clip(tries[:, 3], 0.05 * t, 0.4 * t)
            tries[:, 4] = np.clip(tries[:, 4], 18, 38)
            scores = _scores(field, frame, tries)
            k = int(np.argmax(scores))
            best, score = tries[k], float(scores[k])
        out.append(Shape(*map(float, best), score))
    return out


def _scores(field: tuple[Grey, Grey], frame: Frame, p: Array) -> Array:
    """As in `_search`, with interpolation; ``p`` has shape (n, 5)."""
    t = frame.thickness
    u, y, lean, width, cone = p.T
    lean, cone = np.radians(lean), np.radians(cone)
    axis = np.stack([np.sin(lean), -np.cos(lean)], 1)
    across = np.stack([np.cos(lean), np.sin(lean)], 1)
    apex = np.stack([u, y], 1)
    rise = width / np.tan(cone)
    answers: dict[tuple[str, int], list[Array]] = {}
    lengths: dict[tuple[str, int], Array] = {}
    steps = (np.arange(14) + 0.5) / 14
    for _, side in SIDES:
        corner = apex + rise[:, None] * axis + side * width[:, None] * across
        to_rod = (corner[:, 1] - frame.under - frame.under_slope * corner[:, 0]) / (
            np.cos(lean) + frame.under_slope * np.sin(lean)
        )
        free = np.maximum(to_rod - 0.08 * t, 0)
        share = np.clip(1 + np.minimum(to_rod, 0) / rise, 0.3, 1)[:, None]
        for kind, start, end in (
            ("shank", corner + 0.05 * free[:, None] * axis, corner + free[:, None] * axis),
            ("cone", apex + 0.15 * (corner - apex), apex + 0.95 * share * (corner - apex)),
        ):
            along = end - start
            length = np.linalg.norm(along, axis=1)
            normal = np.stack([-along[:, 1], along[:, 0]], 1) / np.maximum(length, 1e-9)[:, None]
            points = start[:, None] + steps[None, :, None] * along[:, None]
            lengths[kind, side] = length
            answers[kind, side] = []
            for flip in (1.0, -1.0) if frame.mirrored else (1.0,):
                at = [flip * points[..., 1] - frame.y0, points[..., 0] - frame.u0]
                gx = map_coordinates(field[0], at, order=1, mode="nearest")
                gy = flip * map_coordinates(field[1], at, order=1, mode="nearest")
                answers[kind, side].append(
                    (gx * normal[:, None, 0] + gy * normal[:, None, 1]).mean(1)
                )
    total = np.zeros(len(p))
    for kind, weight in (("shank", 1.0), ("cone", 0.8)):
        length = (lengths[kind, -1] + lengths[kind, 1]) / 2
        both = np.minimum(lengths[kind, -1], lengths[kind, 1]) > 0
        for a, b in zip(answers[kind, -1], answers[kind, 1], strict=True):
            weaker = np.maximum(np.minimum(-a, b), np.minimum(a, -b))
            mean = np.abs(a - b) / 2
            total += np.where(both, weight * length * (0.6 * weaker + 0.4 * mean), 0)
    total /= 2 if frame.mirrored else 1
    height = y - frame.under - frame.under_slope * u
    return np.asarray(total / np.maximum(height + 0.15 * t, 1))


class _Fine:
    """Fits edges at full resolution (or where the rod is ``FINE_THICKNESS`` px thick)."""

    def __init__(self, rgb: NDArray[np.uint8], frame: Frame) -> None:
        self.frame = frame
        per = float(np.linalg.norm(frame.basis[:, 0]))  # photo px per copy px
        h, w = frame.picture.shape[:2]
        ends = np.array([(frame.u0 + i * w, frame.y0 + j * h) for i in (0, 1) for j in (0, 1)])
        box = frame.to_photo(ends)
        low = np.clip(np.floor(box.min(axis=0)).astype(int) - 10, 0, None)
        high = np.clip(
            np.ceil(box.max(axis=0)).astype(int) + 10, low + 8, (rgb.shape[1], rgb.shape[0])
        )
        part = rgb[low[1] : high[1], low[0] : high[0]]
        self.ratio = np.ones(2)
        if frame.thickness * per > FINE_THICKNESS:
            k = FINE_THICKNESS / (frame.thickness * per)
            cells = (round(part.shape[1] * k), round(part.shape[0] * k))
            self.ratio = np.array([cells[0] / part.shape[1], cells[1] / part.shape[0]])
            part = cv2.resize(part, cells, interpolation=cv2.INTER_AREA)
        self.low = low
        values = part.astype(np.float32) / 255
        self.planes = [
            np.ascontiguousarray(p)
            for p in (
                values @ LUMA,
                values[..., 0],
                values[..., 2],
                values[..., 0] - values[..., 1],
                values[..., 2] - values[..., 1],
            )
        ]
        self.noise = [_noise(p) for p in self.planes]
        self.thickness = frame.thickness * per * float(self.ratio.mean())
        self.done: dict[tuple[int, ...], NeedleEdge | None] = {}

    def into(self, xy: Array) -> Array:
        return (np.asarray(xy) - self.low + 0.5) * self.ratio - 0.5

    def out(self, xy: Array) -> Array:
        return (np.asarray(xy) + 0.5) / self.ratio - 0.5 + self.low

    def needle(self, shape: Shape, pivot_right: bool) -> Needle:
        edges: dict[str, NeedleEdge] = {}
        for kind in ("shank", "cone"):
            for view, flip in (("", 1.0), ("reflected ", -1.0)):
                if flip < 0 and not self.frame.mirrored:
                    continue
                found = self._both_sides(shape, kind, flip)
                for name, edge in found.items():
                    # in the straightened frame the pivot is to the right
                    seen = name if pivot_right else {"left": "right", "right": "left"}[name]
                    edges[f"{view}{kind} {seen}"] = edge
        apex = self.frame.to_photo(np.array([shape.apex_u, shape.apex_y]))
        per = float(np.linalg.norm(self.frame.basis[:, 0]))
        return Needle(
            edges,
            _quality(edges, self.frame.thickness * per, pivot_right),
            apex,
            2 * shape.half_width * per,
            shape,
        )

    def _both_sides(self, shape: Shape, kind: str, flip: float) -> dict[str, NeedleEdge]:
        """Left and right with opposite polarity, whichever polarity answers better."""
        best: tuple[float, dict[str, NeedleEdge]] = (0.0, {})
        for polarity in (1, -1):
            found = {}
            for name, side in SIDES:
                ends = _segment(shape, self.frame, kind, side)
                if ends is None:
                    continue
                edge = self._edge(ends, flip, polarity * side, shape)
                if edge is not None:
                    found[name] = edge
            score = sum(min(e.snr, 20.0) * e.coverage for e in found.values())
            score += 3.0 * (len(found) == 2)
            if score > best[0]:
                best = (score, found)
        return best[1]

    def _edge(
        self, ends: tuple[Array, Array], flip: float, polarity: int, shape: Shape
    ) -> NeedleEdge | None:
        p, q = (self.into(self.frame.to_photo(e * (1.0, flip))) for e in ends)
        key = (*np.round(p).astype(int), *np.round(q).astype(int), polarity)
        if key not in self.done:
            self.done[key] = self._fit(p, q, flip, polarity, shape)
        return self.done[key]

    def _fit(
        self, p: Array, q: Array, flip: float, polarity: int, shape: Shape
    ) -> NeedleEdge | None:
        length = float(np.linalg.norm(q - p))
        if length < 8:
            return None
        width = shape.half_width * self.thickness / self.frame.thickness
        reach = max(2.5, 0.04 * self.thickness)
        best: tuple[float, int, Array, Array, int] | None = None
        for index, plane in enumerate(self.planes):
            signed = polarity if index < 3 else 0
            near = snap_line(plane, p, q, reach=reach, turn_deg=4.0, polarity=signed)
            if near is None:
                continue
            snr = abs(near[2]) / self.noise[index] * (1.2 if index == 0 else 1.0)
            if best is None or snr > best[0]:
                best = (snr, index, near[0], near[1], 1 if near[2] > 0 else -1)
        if best is None:
            return None
        snr, index, a, b, sign = best
        plane = self.planes[index]
        half = float(np.clip(0.02 * self.thickness, 3.0, max(3.0, min(7.0, 0.6 * width))))
        fit: EdgeFit | None = None
        coverage = 0.0
        for stretch in (0.0, 0.35):
            along = b - a
            run = _run(plane, a - stretch * along, b + stretch * along, sign)
            if run is None:
                break
            a, b = run
            if np.linalg.norm(b - a) < 8:
                break
            new = fit_edge(
                plane, a, b, half_width=half, polarity=sign, max_shift=3.0, max_turn_deg=4.0
            )
            if new is None:
                break
            fit = new
            a, b = fit.ends
            coverage = fit.length / length
        if fit is None:
            return None
        e0, e1 = (self.out(e) for e in fit.ends)
        s0, s1 = (self.frame.from_photo(e) * (1.0, flip) for e in (e0, e1))
        if s0[1] < s1[1]:
            s0, s1 = s1, s0
        lean = math.degrees(math.atan2(s1[0] - s0[0], s0[1] - s1[1]))
        return NeedleEdge(
            e0, e1, fit.angle_u, min(coverage, 1.3), snr, fit.blur / float(self.ratio.mean()), lean
        )


def _noise(plane: Grey) -> float:
    fine = plane - cv2.GaussianBlur(plane, (0, 0), 1.0)
    return 1.4826 * float(np.median(np.abs(fine))) + 1e-3


def _segment(shape: Shape, frame: Frame, kind: str, side: int) -> tuple[Array, Array] | None:
    """Where an edge of the shape runs in the straightened frame, well clear of its corners."""
    lean = math.radians(shape.lean)
    axis = np.array([math.sin(lean), -math.cos(lean)])
    across = np.array([math.cos(lean), math.sin(lean)])
    apex = np.array([shape.apex_u, shape.apex_y])
    rise = shape.half_width / math.tan(math.radians(shape.cone_half))
    corner = apex + rise * axis + side * shape.half_width * across
    to_rod = (corner[1] - frame.under - frame.under_slope * corner[0]) / (
        math.cos(lean) + frame.under_slope * math.sin(lean)
    )
    if kind == "shank":
        free = to_rod - 0.05 * frame.thickness
        if free < 0.04 * frame.thickness:
            return None
        return corner + 0.1 * free * axis, corner + free * axis
    share = 0.92 * min(1.0, max(1 + to_rod / rise, 0.4))
    return apex + 0.18 * (corner - apex), apex + share * (corner - apex)


def _run(plane: Grey, p: Array, q: Array, sign: int) -> tuple[Array, Array] | None:
    """The longest unbroken straight run near p-q that answers with the wanted sign.

    Short blocks along p-q each give the place of their steepest slope; the line through two of
    them that gathers the longest run of others wins, so that a corner ends the run.
    """
    length = float(np.linalg.norm(q - p))
    along = (q - p) / length
    across = np.array([-along[1], along[0]])
    ts = np.arange(0.5, length, 1.0)
    offsets = np.arange(-7.0, 7.01, 0.5)
    at = (p + ts[:, None, None] * along + offsets[None, :, None] * across).astype(np.float32)
    strip = cv2.remap(
        plane,
        np.ascontiguousarray(at[..., 0]),
        np.ascontiguousarray(at[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    x = np.arange(-8, 9) * 0.5
    kernel = x * np.exp(-0.5 * (x / 1.2) ** 2)
    kernel = (kernel / np.sum(kernel * x)).astype(np.float32)
    slope = sign * cv2.filter2D(strip, cv2.CV_32F, kernel[None], borderType=cv2.BORDER_REPLICATE)
    blocks = int(np.clip(len(ts) / 4, 4, 28))
    edges = np.linspace(0, len(ts), blocks + 1).astype(int)
    mean = np.add.reduceat(slope, edges[:-1], axis=0) / np.diff(edges)[:, None]
    k = 6 + mean[:, 6:-6].argmax(axis=1)
    rows = np.arange(blocks)
    peak, before, after = mean[rows, k], mean[rows, k - 1], mean[rows, k + 1]
    bend = before - 2 * peak + after
    shift = 0.5 * (before - after) / np.minimum(bend, -1e-9)
    place = offsets[k] + 0.5 * np.clip(shift, -0.5, 0.5)
    middle = (edges[:-1] + edges[1:]) / 2
    usual = float(np.median(np.sort(peak)[blocks // 2 :]))
    if usual <= 0:
        return None
    strong = peak > 0.35 * usual
    i, j = np.triu_indices(blocks, max(2, blocks // 5))
    both = strong[i] & strong[j]
    i, j = i[both], j[both]
    if i.size == 0:
        return None
    turn = (place[j] - place[i]) / (middle[j] - middle[i])
    i, turn = i[np.abs(turn) < 0.12], turn[np.abs(turn) < 0.12]
    if i.size == 0:
        return None
    miss = place[None] - place[i][:, None] - turn[:, None] * (middle[None] - middle[i][:, None])
    inside = (np.abs(miss) < 0.7) & strong[None]
    start, end = _longest_runs(inside)
    best = int(np.argmax(end - start - np.abs(turn) * 4))
    if end[best] - start[best] < 2:
        return None
    t0, t1 = edges[start[best]] + 1.5, edges[end[best]] - 1.5
    origin = place[i[best]] - turn[best] * middle[i[best]]
    return (
        p + along * t0 + across * (origin + turn[best] * t0),
        p + along * t1 + across * (origin + turn[best] * t1),
    )


def _longest_runs(inside: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and one-past-last column of each row's longest run of True, lone gaps bridged."""
    count = inside.shape[1]
    bridged = inside.copy()
    bridged[:, 1:-1] |= inside[:, :-2] & inside[:, 2:]
    run = np.zeros(inside.shape[0], int)
    best = np.zeros(inside.shape[0], int)
    end = np.zeros(inside.shape[0], int)
    for column in range(count):
        run = np.where(bridged[:, column], run + 1, 0)
        longer = run > best
        best = np.where(longer, run, best)
        end = np.where(longer, column + 1, end)
    return end - best, end


def _quality(edges: Mapping[str, NeedleEdge], thickness: float, pivot_right: bool) -> float:
    """Sum over edges of strength, cover and length, less where an edge disagrees with the rest."""
    rows, seen, weights = [], [], []
    for name, edge in edges.items():
        side = (-1.0 if name.endswith("left") else 1.0) * (1 if pivot_right else -1)
        flip = -1.0 if name.startswith("reflected") else 1.0
        cone = side if "cone" in name else 0.0
        rows.append((1.0, flip, cone))
        seen.append(edge.lean)
        weights.append(
            min(edge.snr, 15.0) * edge.coverage * math.sqrt(min(edge.length / thickness, 1.0))
        )
    if not rows:
        return 0.0
    # lean, half the asymmetry of the two views, cone half angle; with priors, robust
    design = np.vstack([rows, [(1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)]])
    target = np.array([*seen, -2.0, 0.0, 27.0])
    sigma = np.array([*(0.3 if r[2] == 0 else 0.6 for r in rows), 8.0, 0.8, 6.0])
    robust = np.ones(len(sigma))
    misses = np.zeros(len(rows))
    for _ in range(6):
        w = robust / sigma**2
        x = np.linalg.solve((design * w[:, None]).T @ design, (design * w[:, None]).T @ target)
        z = (target - design @ x) / sigma
        robust[: len(rows)] = 1 / (1 + (z[: len(rows)] / 2) ** 2)
        misses = np.abs(target - design @ x)[: len(rows)]
    return float(np.sum(np.array(weights) * np.exp(-((misses / 1.5) ** 2))))


def usable(edges: Mapping[str, NeedleEdge]) -> Iterator[tuple[str, NeedleEdge]]:
    """Edges long and clear enough to measure with."""
    for name, edge in edges.items():
        if edge.coverage > 0.3 and edge.snr > 1.0:
            yield name, edge


__all__ = ["Frame", "Needle", "NeedleEdge", "Shape", "find_needles", "usable"]
