"""A likely stylus -> candidate edges of its shank and cone, fitted to sub-pixel lines.

Every edge of a shape is located on a straightened strip: short blocks along it give the place of
the steepest slope in the colour plane that shows it best, and the straight line that gathers the
longest unbroken run of blocks is the edge, so that a corner ends it. `vision.needle_choose` picks
the edges that make one stylus, and those are fitted at full resolution (`vision.edges.fit_edge`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edges import EdgeFit, fit_edge
from vision.needle_choose import NeedleEdge
from vision.needle_search import LUMA
from vision.needle_shape import SIDES, Frame, Shape
from vision.network import shrink

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

FINE_THICKNESS = 320.0  # px of rod thickness, at most, where edges are fitted
PLANES = np.array(  # luma, red, blue, red - green, blue - green
    [LUMA, [1, 0, 0], [0, 0, 1], [1, -1, 0], [0, -1, 1]], np.float32
)
# JPEG keeps colour at half the resolution, phones smooth it, and lenses shift it.
# The last three are luma, red and blue again, smoothed more, for soft and noisy edges.
HANDICAP = np.array([1.0, 1.3, 1.3, 3.0, 3.0, 1.5, 2.0, 2.0])
SHARP, SOFT = 1.2, 3.0  # px across of the two smoothings
USUAL_BLUR = 1.2  # px, where an edge's own blur could not be fitted
SHARP_MISS, SOFT_MISS = 0.7, 1.3  # px a block may lie off an edge
BLURS_WIDE = 2.5  # half width of a fitted strip
STRAIGHT = 0.012  # of a soft edge's length, likewise
STEP = 0.5  # px across the strip
STRETCH = 0.35  # an edge may be this much longer than the shape says, at either end
MOST_TURN = 0.1  # rad
MOST_REFITTED = 0.008  # rad a fitted edge may lie askew in its strip
LINES = 2  # of either sign, beside an outline


class FineCopy:
    """The neighbourhood of the stylus at full resolution (or at ``FINE_THICKNESS``)."""

    def __init__(
        self, rgb: NDArray[np.uint8], frame: Frame, thickness: float = FINE_THICKNESS
    ) -> None:
        self.frame = frame
        self.per = float(np.linalg.norm(frame.basis[:, 0]))  # photo px per px of the copy
        h, w = frame.picture.shape[:2]
        box = frame.to_photo(
            np.array([(frame.u0 + i * w, frame.y0 + j * h) for i in (0, 1) for j in (0, 1)])
        )
        size = (rgb.shape[1], rgb.shape[0])
        self.low = np.clip(np.floor(box.min(axis=0)).astype(int) - 10, 0, np.array(size) - 16)
        high = np.clip(np.ceil(box.max(axis=0)).astype(int) + 10, self.low + 16, size)
        part = rgb[self.low[1] : high[1], self.low[0] : high[0]]
        part, self.ratio = shrink(part, min(1.0, thickness / (frame.thickness * self.per)))
        self.colour = part.astype(np.float32) / np.float32(255)
        thin = self.colour[::2, ::2]
        fine = thin - np.asarray(cv2.GaussianBlur(thin, (0, 0), 1.0))
        noise = 1.4826 * np.median(np.abs(fine[::2] @ PLANES.T), axis=(0, 1)) + 1e-3
        self.noise = np.concatenate([noise, noise[:3] * (SHARP / SOFT) ** 1.5])
        self.thickness = frame.thickness * self.per * float(self.ratio.mean())
        self.planes: dict[int, Grey] = {}

    @property
    def handed(self) -> float:
        """1 where left in the photo is left in the straightened frame, else -1."""
        return 1.0 if float(np.linalg.det(self.frame.basis)) > 0 else -1.0

    def candidates(self, shape: Shape, middle: float) -> dict[str, list[NeedleEdge]]:
        """The shape's edges as runs of steep slope, several a place; nothing fitted yet.

        Names as ``"reflected shank left"``, left and right in the photo; ``middle`` is the height
        of the frame at which edges' places are given.
        """
        slots: dict[str, list[NeedleEdge]] = {}
        for kind in ("shank", "cone"):
            ends = [segment_of(shape, self.frame, kind, side) for _, side in SIDES]
            for (_, side), uy in zip(SIDES, ends, strict=True):
                if uy is None:
                    continue
                name = f"{kind} {'left' if side * self.handed < 0 else 'right'}"
                slots[name] = self._locate(uy, 1.0, middle)
                if self.frame.mirrored:
                    slots[f"reflected {name}"] = self._locate(uy, -1.0, middle)
        return slots

    def fitted(self, edges: Mapping[str, NeedleEdge], width: float) -> dict[str, NeedleEdge]:
        """Every located edge fitted by its profile, where it can be.

        ``width`` is the stylus' in pixels of the full photo.
        """
        width = width * float(self.ratio.mean())
        half = float(np.clip(0.02 * self.thickness, 3.0, max(3.0, min(7.0, 0.3 * width))))
        found = {}
        for name, e in edges.items():
            if e.plane not in self.planes:
                self.planes[e.plane] = np.ascontiguousarray(self.colour @ PLANES[e.plane])
            fit = self._fit(e, half, max(half, 0.4 * width))
            soft = fit is not None and fit.blur > 2 * e.blur * float(self.ratio.mean())
            if fit is None or (fit.angle_u > 2 * e.angle_u and not soft):
                found[name] = e
                continue
            p0, p1 = (self._out(p) for p in fit.ends)
            lean = self._lean(p0, p1, -1.0 if name.startswith("reflected") else 1.0)
            blur = fit.blur / float(self.ratio.mean())
            found[name] = replace(e, p0=p0, p1=p1, angle_u=fit.angle_u, lean=lean, blur=blur)
        return found

    def _fit(self, edge: NeedleEdge, half: float, widest: float) -> EdgeFit | None:
        """The edge's profile fitted in a strip that is wide enough for its blur."""
        a, b = self._into(edge.p0), self._into(edge.p1)
        plane, blur = self.planes[edge.plane], edge.blur * float(self.ratio.mean())
        fit = None
        for _ in range(4):
            half = min(max(half, BLURS_WIDE * blur), widest)
            fit = fit_edge(
                plane,
                a,
                b,
                half_width=half,
                polarity=edge.sign,
                max_turn_deg=4.0,
                blur_start=blur,
            )
            wide = half >= widest
            if fit is None:
                blur = 2 * blur
            else:
                blur = fit.blur
                wide = wide or half >= 0.8 * BLURS_WIDE * blur
                turned = _turn(b - a, fit.ends[1] - fit.ends[0])
                if turned > MOST_REFITTED:  # the strip lay askew: again along the edge
                    a, b = fit.ends
                    continue
            if wide:
                break
        return fit

    def _into(self, xy: Array) -> Array:
        return np.asarray((np.asarray(xy) - self.low + 0.5) * self.ratio - 0.5)

    def _out(self, xy: Array) -> Array:
        return np.asarray((np.asarray(xy) + 0.5) / self.ratio - 0.5 + self.low)

    def _lean(self, p0: Array, p1: Array, flip: float) -> float:
        a, b = (self.frame.from_photo(p) * (1.0, flip) for p in (p0, p1))
        if a[1] < b[1]:
            a, b = b, a
        return math.degrees(math.atan2(b[0] - a[0], a[1] - b[1]))

    def _locate(self, uy: Array, flip: float, middle: float) -> list[NeedleEdge]:
        """The best straight runs near a segment of the frame, in the planes that show them."""
        p, q = (self._into(self.frame.to_photo(e * (1.0, flip))) for e in uy)
        length = float(np.linalg.norm(q - p))
        if length < 8:
            return []
        reach = max(2.5, 0.04 * self.thickness)
        strip, middles, offsets, along, across = self._strip(p, q, reach)
        inner = (middles > 0) & (middles < length)
        edges = []
        for sign, plane, shift, turn, strength, steepness in _strong_lines(
            strip[inner], middles[inner], offsets, reach, self.noise
        ):
            centre = float(middles[inner].mean())
            soft = plane >= len(PLANES)
            run = _run(
                sign * strip[..., plane],
                middles,
                offsets,
                (shift, turn, centre),
                min(SOFT_MISS, max(SHARP_MISS, STRAIGHT * length)) if soft else SHARP_MISS,
            )
            if run is None:
                continue
            t0, d0, t1, d1, u = run
            if t1 - t0 < 8:
                continue
            p0 = self._out(p + along * t0 + across * d0)
            p1 = self._out(p + along * t1 + across * d1)
            cover = min((t1 - t0) / length, 1.3)
            lean = self._lean(p0, p1, flip)
            u0, y0 = self.frame.from_photo((p0 + p1) / 2) * (1.0, flip)
            place = float(u0 - (middle - y0) * math.tan(math.radians(lean)))
            blur = (SOFT if soft else USUAL_BLUR) / float(self.ratio.mean())
            edges.append(
                NeedleEdge(
                    p0,
                    p1,
                    u,
                    cover,
                    strength,
                    lean,
                    place,
                    plane % len(PLANES),
                    sign,
                    steepness,
                    blur,
                )
            )
        return edges

    def _strip(self, p: Array, q: Array, reach: float) -> tuple[Array, Array, Array, Array, Array]:
        """Slope across p-q in every plane, averaged over short blocks along it.

        Returns slopes (blocks, offsets, planes), block middles (px from p), offsets (px), and the
        unit vectors along and across.
        """
        length = float(np.linalg.norm(q - p))
        along: Array = np.asarray((q - p) / length, float)
        across = np.array([-along[1], along[0]], float)
        half = reach + MOST_TURN * length * (0.5 + STRETCH) + 7.0
        count = math.ceil(half / STEP)
        offsets = np.arange(-count, count + 1) * STEP
        ts = np.arange(-STRETCH * length, (1 + STRETCH) * length, 1.0)
        at = (p + ts[:, None, None] * along + offsets[None, :, None] * across).astype(np.float32)
        pixels = cv2.remap(
            self.colour,
            np.ascontiguousarray(at[..., 0]),
            np.ascontiguousarray(at[..., 1]),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        blocks = int(np.clip(len(ts) / 4, 6, 40))
        edges = np.linspace(0, len(ts), blocks + 1).astype(int)
        mean = np.add.reduceat(pixels, edges[:-1], axis=0) / np.diff(edges)[:, None, None]
        rows = np.asarray(mean, np.float32)
        height, width = self.colour.shape[:2]
        outside = (at < 1).any(axis=2) | (at[..., 0] > width - 2) | (at[..., 1] > height - 2)
        lost = np.logical_or.reduceat(outside, edges[:-1], axis=0)
        lost = cv2.dilate(lost.astype(np.uint8), np.ones((1, 17))) > 0
        sharp = np.where(lost[..., None], 0, _slope(rows, SHARP)) @ PLANES.T
        soft = np.where(lost[..., None], 0, _slope(rows, SOFT)) @ PLANES[:3].T
        middles = (edges[:-1] + edges[1:] - 1) / 2 + ts[0]
        sloped = np.concatenate([sharp, soft], axis=2).astype(float)
        return sloped, middles.astype(float), offsets.astype(float), along, across


def _turn(a: Array, b: Array) -> float:
    """Angle between two directions, radians."""
    return abs(math.atan2(float(a[0] * b[1] - a[1] * b[0]), float(a @ b)))


def segment_of(shape: Shape, frame: Frame, kind: str, side: int) -> Array | None:
    """Ends (u, y) of an edge of the shape in the straightened frame, well clear of its corners."""
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
        along = axis + side * math.tan(math.radians(shape.taper)) * across
        return np.array([corner + 0.1 * free * along, corner + free * along])
    share = 0.92 * min(1.0, max(1 + to_rod / rise, 0.4))
    return apex + np.array([[0.18], [share]]) * (corner - apex)


def _slope(rows: Grey, smooth: float) -> Grey:
    """Slope along the rows of samples `STEP` apart: derivative of a Gaussian."""
    reach = round(3.2 * smooth / STEP)
    x = np.arange(-reach, reach + 1) * STEP
    kernel = x * np.exp(-0.5 * (x / smooth) ** 2)
    kernel = kernel / np.sum(kernel * x)
    return np.asarray(
        cv2.filter2D(rows, cv2.CV_32F, kernel[None], borderType=cv2.BORDER_REPLICATE), np.float32
    )


def _strong_lines(
    slope: Array, middles: Array, offsets: Array, reach: float, noise: Array
) -> list[tuple[int, int, float, float, float, float]]:
    """Sign, plane, shift, turn, strength and steepness of the few best lines of either sign.

    Strength is the mean slope along the line over the usual scatter of such means in the strip.
    """
    if len(middles) < 3:
        return []
    relative = middles - middles.mean()
    span = float(relative[-1] - relative[0])
    turns = np.linspace(-MOST_TURN * 0.7, MOST_TURN * 0.7, 2 * max(int(span * 0.07), 2) + 1)
    moved = np.rint(relative[None, :] * turns[:, None] / STEP).astype(int)
    margin = int(np.abs(moved).max())
    padded = np.pad(slope.astype(np.float32), ((0, 0), (margin, margin), (0, 0)), mode="edge")
    total = np.zeros((len(turns), *slope.shape[1:]), np.float32)
    for lines, shifted in zip(total, moved + margin, strict=True):
        for row, start in zip(padded, shifted, strict=True):
            lines += row[start : start + len(offsets)]
    total /= len(middles)
    scatter = 1.4826 * np.median(np.abs(total[:, ::2]), axis=(0, 1))
    unit = np.maximum(scatter, 0.25 * noise / math.sqrt(4 * len(middles)))
    total = total / (unit * HANDICAP)
    total = total[:, np.abs(offsets) <= reach]
    shifts = offsets[np.abs(offsets) <= reach]
    found = []
    for sign in (1, -1):
        signed = sign * total
        plane = signed.argmax(axis=2)
        score = np.take_along_axis(signed, plane[..., None], 2)[..., 0]
        for _ in range(LINES):
            i, k = divmod(int(np.argmax(score)), score.shape[1])
            if score[i, k] <= 1:
                break
            strength = float(score[i, k])
            steepness = strength * float(unit[plane[i, k]] * HANDICAP[plane[i, k]])
            found.append(
                (sign, int(plane[i, k]), float(shifts[k]), float(turns[i]), strength, steepness)
            )
            apart = shifts[None] - shifts[k] + (turns[:, None] - turns[i]) * span / 2
            other = shifts[None] - shifts[k] - (turns[:, None] - turns[i]) * span / 2
            same = (np.abs(apart) < 2.5) & (np.abs(other) < 2.5)
            score = np.where(same, -np.inf, score)
    return found


def _run(
    slope: Array,
    middles: Array,
    offsets: Array,
    line: tuple[float, float, float],
    most_miss: float,
) -> tuple[float, float, float, float, float] | None:
    """Ends and direction uncertainty (rad) of the longest straight unbroken run near a line.

    ``line`` is its shift, turn and the place along at which they hold; blocks may miss the run by
    ``most_miss`` pixels.
    Ends as (along, across, along, across) in pixels of the strip.
    """
    blocks = len(middles)
    shift, turn, centre = line
    guess = shift + turn * (middles - centre)
    near = np.abs(offsets[None] - guess[:, None]) <= 3.0
    near[:, [0, -1]] = False
    masked = np.where(near, slope, -np.inf)
    k = masked.argmax(axis=1)
    rows = np.arange(blocks)
    k = np.clip(k, 1, len(offsets) - 2)
    peak, before, after = slope[rows, k], slope[rows, k - 1], slope[rows, k + 1]
    bend = np.minimum(before - 2 * peak + after, -1e-9)
    place = offsets[k] + STEP * np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    usual = float(np.sort(peak)[blocks - 1 - (blocks - blocks // 2) // 2])
    if usual <= 0:
        return None
    strong = peak > 0.35 * usual
    i, j = np.triu_indices(blocks, max(2, blocks // 6))
    slant = (place[j] - place[i]) / (middles[j] - middles[i])
    fair = strong[i] & strong[j] & (np.abs(slant - turn) < 0.07)
    i, slants = i[fair], slant[fair]
    if i.size == 0:
        return None
    miss = place[None] - place[i][:, None] - slants[:, None] * (middles[None] - middles[i][:, None])
    start, end = _longest_runs((np.abs(miss) < most_miss) & strong[None])
    tight = np.sum(np.where(np.abs(miss) < most_miss, 1 - (miss / most_miss) ** 2, 0), axis=1)
    best = int(np.argmax(end - start + 0.3 * tight))
    if end[best] - start[best] < 3:
        return None
    size = float(middles[1] - middles[0])
    t0 = float(middles[start[best]]) - size / 2 + 1.5
    t1 = float(middles[end[best] - 1]) + size / 2 - 1.5
    used = (np.abs(miss[best]) < most_miss) & (rows >= start[best]) & (rows < end[best]) & strong
    if used.sum() < 3:
        return None
    t, d = middles[used] - t0, place[used]
    centred = t - t.mean()
    spread = float(centred @ centred)
    slant = float(centred @ d) / spread
    first = float(d.mean() - slant * t.mean())
    scatter = float(np.std(d - first - slant * t))
    u = max(1.3 * scatter, 0.12) / math.sqrt(spread)
    return t0, first, t1, first + slant * (t1 - t0), u


def _longest_runs(inside: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and one-past-last column of each row's longest run of True, lone gaps bridged."""
    bridged = inside.copy()
    bridged[:, 1:-1] |= inside[:, :-2] & inside[:, 2:]
    run = np.zeros(inside.shape[0], np.intp)
    best, end = run.copy(), run.copy()
    for column in range(inside.shape[1]):
        run = np.where(bridged[:, column], run + 1, 0)
        longer = run > best
        best = np.where(longer, run, best)
        end = np.where(longer, column + 1, end)
    return end - best, end
