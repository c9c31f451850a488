"""Likely styli -> fitted edges of shank and cone, and the stylus whose edges agree best.

Every edge of every shape is first located on a straightened strip: short blocks along it give the
place of the steepest slope in the colour plane that shows it best, and the straight line that
gathers the longest unbroken run of blocks is the edge, so that a corner ends it. The shapes whose
edges are strong and agree are then fitted at full resolution (`vision.edges.fit_edge`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edges import fit_edge
from vision.needle_search import (
    LUMA,
    SIDES,
    Frame,
    Search,
    Shape,
    search_reflection,
    search_shapes,
    shrunk,
)
from vision.side_rod import SideRod, shrink

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

FINE_THICKNESS = 320.0  # px of rod thickness, at most, where edges are fitted
PLANES = np.array(  # luma, red, blue, red - green, blue - green
    [LUMA, [1, 0, 0], [0, 0, 1], [1, -1, 0], [0, -1, 1]], np.float32
)
GOOD_QUALITY = 18.0  # of one view: no need to look further
LEAST_STEEP = 0.5  # slope of the reflection's edges against the stylus' own
# JPEG keeps colour at half the resolution, phones smooth it, and lenses shift it.
HANDICAP = np.array([1.0, 1.3, 1.3, 3.0, 3.0])
FITTED = 3  # shapes whose edges are fitted
USUAL_BLUR = 1.2  # px, where an edge's own blur could not be fitted
STEP = 0.5  # px across the strip
STRETCH = 0.35  # an edge may be this much longer than the shape says, at either end
MOST_TURN = 0.1  # rad


@dataclass(frozen=True)
class NeedleEdge:
    """One edge, full-photo pixels; ``lean`` (degrees) is its lean in the straightened frame."""

    p0: Array
    p1: Array
    angle_u: float
    coverage: float
    strength: float
    lean: float
    plane: int
    sign: int
    steepness: float
    blur: float

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

    def mirrored(self, rod_mirrored: bool) -> bool:
        """Whether the reflection's edges are steep enough against the originals to be a mirror's.

        A record smears what it reflects; only where the rod's own mirror image vouches for the
        mirror are a few faint edges enough.
        """
        ratios = [
            edge.steepness / max(self.edges[name.removeprefix("reflected ")].steepness, 1e-6)
            for name, edge in self.edges.items()
            if name.startswith("reflected") and name.removeprefix("reflected ") in self.edges
        ]
        if rod_mirrored:
            return bool(ratios) and float(np.median(ratios)) > 0.2
        return len(ratios) >= 3 and float(np.median(ratios)) > LEAST_STEEP


def find_needle(rgb: NDArray[np.uint8], rod: SideRod) -> Needle | None:
    """The stylus whose edges are clearest and agree best, or None.

    The reflection is looked for about the line of symmetry of the rod and its image where they
    were found, else straight below the stylus' tip.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    """
    best: Needle | None = None
    for thickness in (rod.thickness, 2.3 * rod.thickness):
        for needle in _at_scale(rgb, rod, thickness):
            if best is None or needle.quality > best.quality:
                best = needle
        if best is not None and best.quality > GOOD_QUALITY * (
            1.6 if best.mirrored(rod.mirrored) else 1.0
        ):
            break
    return best


def _at_scale(rgb: NDArray[np.uint8], rod: SideRod, thickness: float) -> list[Needle]:
    needles: list[Needle] = []
    small = shrunk(rgb, thickness)
    if rod.mirrored:
        height, tilt = rod.surface_at_free_end()
        line = (np.array([rod.free_end[0], height]), tilt)
        needles += _fit_best(rgb, search_shapes(small, rod, thickness, line))
        if needles and needles[0].quality > 1.6 * GOOD_QUALITY:
            return needles
    direct = search_shapes(small, rod, thickness, None)
    found = _fit_best(rgb, direct)
    needles += found
    if found and not rod.mirrored:
        both = search_reflection(small, rod, thickness, direct.frame, found[0].shape)
        if both is not None:
            needles += [n for n in _fit_best(rgb, both) if n.mirrored(False)]
    return needles


def _fit_best(rgb: NDArray[np.uint8], search: Search) -> list[Needle]:
    fine = _Fine(rgb, search.frame)
    located = sorted((fine.located(s) for s in search.shapes), key=lambda n: -n.quality)
    return sorted((fine.fitted(n) for n in located[:FITTED]), key=lambda n: -n.quality)


def usable(edges: Mapping[str, NeedleEdge]) -> Iterator[tuple[str, NeedleEdge]]:
    """Edges long and clear enough to measure with."""
    for name, edge in edges.items():
        if edge.coverage > 0.3 and edge.strength > 2.0:
            yield name, edge


class _Fine:
    """The neighbourhood of the stylus at full resolution (or at ``FINE_THICKNESS``)."""

    def __init__(self, rgb: NDArray[np.uint8], frame: Frame) -> None:
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
        part, self.ratio = shrink(part, min(1.0, FINE_THICKNESS / (frame.thickness * self.per)))
        self.colour = part.astype(np.float32) / np.float32(255)
        thin = self.colour[::2, ::2]
        fine = thin - np.asarray(cv2.GaussianBlur(thin, (0, 0), 1.0))
        self.noise = 1.4826 * np.median(np.abs(fine @ PLANES.T), axis=(0, 1)) + 1e-3
        self.thickness = frame.thickness * self.per * float(self.ratio.mean())
        self.planes: dict[int, Grey] = {}

    def located(self, shape: Shape) -> Needle:
        """The shape's edges as runs of steep slope; nothing fitted yet."""
        slots: dict[str, list[NeedleEdge]] = {}
        handed = float(np.linalg.det(self.frame.basis))
        for kind in ("shank", "cone"):
            for view, flip in (("", 1.0), ("reflected ", -1.0)):
                if flip < 0 and not self.frame.mirrored:
                    continue
                for _, side in SIDES:
                    ends = _segment(shape, self.frame, kind, side)
                    if ends is None:
                        continue
                    p, q = (self._into(self.frame.to_photo(e * (1.0, flip))) for e in ends)
                    name = "left" if side * handed < 0 else "right"
                    slots[f"{view}{kind} {name}"] = self._locate(p, q, flip)
        width = 2 * shape.half_width * self.per
        edges, quality = self._chosen({k: v for k, v in slots.items() if v}, width)
        apex = self.frame.to_photo(np.array([shape.apex_u, shape.apex_y]))
        return Needle(edges, quality, apex, width, shape)

    def fitted(self, needle: Needle) -> Needle:
        """Every located edge fitted by its profile; those that do not fit are left out."""
        width = needle.width * float(self.ratio.mean())
        half = float(np.clip(0.02 * self.thickness, 3.0, max(3.0, min(7.0, 0.3 * width))))
        edges = {}
        for name, e in needle.edges.items():
            if e.plane not in self.planes:
                self.planes[e.plane] = np.ascontiguousarray(self.colour @ PLANES[e.plane])
            a, b = self._into(e.p0), self._into(e.p1)
            fit = fit_edge(
                self.planes[e.plane], a, b, half_width=half, polarity=e.sign, max_turn_deg=4.0
            )
            if fit is None or fit.angle_u > 2 * e.angle_u:
                edges[name] = e
                continue
            p0, p1 = (self._out(p) for p in fit.ends)
            lean = self._lean(p0, p1, -1.0 if name.startswith("reflected") else 1.0)
            blur = fit.blur / float(self.ratio.mean())
            edges[name] = replace(e, p0=p0, p1=p1, angle_u=fit.angle_u, lean=lean, blur=blur)
        _, _, misses = self._model(edges)
        return replace(needle, edges=edges, quality=self._quality(edges, misses, needle.width))

    def _into(self, xy: Array) -> Array:
        return np.asarray((np.asarray(xy) - self.low + 0.5) * self.ratio - 0.5)

    def _out(self, xy: Array) -> Array:
        return np.asarray((np.asarray(xy) + 0.5) / self.ratio - 0.5 + self.low)

    def _lean(self, p0: Array, p1: Array, flip: float) -> float:
        a, b = (self.frame.from_photo(p) * (1.0, flip) for p in (p0, p1))
        if a[1] < b[1]:
            a, b = b, a
        return math.degrees(math.atan2(b[0] - a[0], a[1] - b[1]))

    def _locate(self, p: Array, q: Array, flip: float) -> list[NeedleEdge]:
        """The best straight runs near p-q, two of either polarity, in the planes that show them."""
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
            run = _run(sign * strip[..., plane], middles, offsets, shift, turn, centre)
            if run is None:
                continue
            t0, d0, t1, d1, u = run
            if t1 - t0 < 8:
                continue
            p0 = self._out(p + along * t0 + across * d0)
            p1 = self._out(p + along * t1 + across * d1)
            cover = min((t1 - t0) / length, 1.3)
            lean = self._lean(p0, p1, flip)
            blur = USUAL_BLUR / float(self.ratio.mean())
            edges.append(NeedleEdge(p0, p1, u, cover, strength, lean, plane, sign, steepness, blur))
        return edges

    def _strip(self, p: Array, q: Array, reach: float) -> tuple[Array, Array, Array, Array, Array]:
        """Slope across p-q in every plane, averaged over short blocks along it.

        Returns slopes (blocks, offsets, planes), block middles (px from p), offsets (px), and the
        unit vectors along and across.
        """
        length = float(np.linalg.norm(q - p))
        along: Array = np.asarray((q - p) / length, float)
        across = np.array([-along[1], along[0]], float)
        half = reach + MOST_TURN * length * (0.5 + STRETCH) + 5.0
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
        x = np.arange(-8, 9) * STEP
        kernel = x * np.exp(-0.5 * (x / 1.2) ** 2)
        kernel = kernel / np.sum(kernel * x)
        slope = cv2.filter2D(
            mean.astype(np.float32), cv2.CV_32F, kernel[None], borderType=cv2.BORDER_REPLICATE
        )
        height, width = self.colour.shape[:2]
        outside = (at < 1).any(axis=2) | (at[..., 0] > width - 2) | (at[..., 1] > height - 2)
        lost = np.logical_or.reduceat(outside, edges[:-1], axis=0)
        slope = np.where(cv2.dilate(lost.astype(np.uint8), np.ones((1, 17)))[..., None], 0, slope)
        middles = (edges[:-1] + edges[1:] - 1) / 2 + ts[0]
        sloped = np.asarray(slope @ PLANES.T, float)
        return sloped, middles.astype(float), offsets.astype(float), along, across

    def _weight(self, edge: NeedleEdge, width: float) -> float:
        share = min(edge.length / (1.5 * width), 1.0)
        return min(edge.strength, 12.0) * edge.coverage * math.sqrt(share)

    def _quality(self, edges: Mapping[str, NeedleEdge], misses: Array, width: float) -> float:
        """Sum over edges of strength, cover and length, less where one disagrees with the rest."""
        weights = np.array([self._weight(e, width) for e in edges.values()])
        return float(np.sum(weights * np.exp(-((misses / 1.5) ** 2)))) if edges else 0.0

    def _roles(self, names: Iterable[str]) -> Array:
        """Factors of (lean, asymmetry of the two views, cone half angle) for each edge."""
        handed = 1.0 if float(np.linalg.det(self.frame.basis)) > 0 else -1.0
        rows = []
        for name in names:
            side = handed * (-1.0 if name.endswith("left") else 1.0)
            flip = -1.0 if name.startswith("reflected") else 1.0
            rows.append((1.0, flip, side if "cone" in name else 0.0))
        return np.array(rows).reshape(-1, 3)

    def _model(self, edges: Mapping[str, NeedleEdge]) -> tuple[Array, Array, Array]:
        """Lean, asymmetry and cone half angle that suit the edges; roles; misses in degrees."""
        rows = self._roles(edges)
        design = np.vstack([rows, np.eye(3)])
        target = np.array([*(e.lean for e in edges.values()), -2.0, 0.0, 27.0])
        sigma = np.array([*np.where(rows[:, 2] == 0, 0.3, 0.6), 5.0, 0.8, 6.0])
        robust = np.ones(len(sigma))
        x = target[-3:]
        misses = np.zeros(len(rows))
        for _ in range(6):
            w = robust / sigma**2
            x = np.linalg.solve((design * w[:, None]).T @ design, (design * w[:, None]).T @ target)
            misses = np.abs(target - design @ x)[: len(rows)]
            robust[: len(rows)] = 1 / (1 + (misses / sigma[: len(rows)] / 2) ** 2)
        return x, rows, misses

    def _chosen(
        self, slots: Mapping[str, list[NeedleEdge]], width: float
    ) -> tuple[dict[str, NeedleEdge], float]:
        """One edge a place, so that as many strong ones as possible agree on one stylus."""
        if not slots:
            return {}, 0.0
        names = list(slots)
        roles = self._roles(names)
        each = [(i, e) for i, name in enumerate(names) for e in slots[name]]
        place = np.array([i for i, _ in each])
        lean = np.array([e.lean for _, e in each])
        weight = np.array([self._weight(e, width) for _, e in each])
        flip, cone = roles[place, 1], roles[place, 2]
        starts = _starts(lean, flip, cone)
        miss = lean[None] - starts[:, :1] - flip * starts[:, 1:2] - cone * starts[:, 2:3]
        tolerance = np.where(cone == 0, 1.0, 1.5)
        value = weight * np.exp(-((miss / tolerance) ** 2))
        total = np.zeros(len(starts))
        for i in range(len(names)):
            total += value[:, place == i].max(axis=1)
        total *= np.exp(-0.5 * ((starts[:, 0] + 2) / 7) ** 2)
        best = int(np.argmax(total))
        edges = {}
        for i, name in enumerate(names):
            k = int(np.argmax(np.where(place == i, value[best], -1.0)))
            if abs(miss[best, k]) < 2 * tolerance[k]:
                edges[name] = each[k][1]
        if not edges:
            return {}, 0.0
        return edges, self._quality(edges, self._model(edges)[2], width)


def _starts(lean: Array, flip: Array, cone: Array) -> Array:
    """Trial values of (lean, asymmetry, cone half angle) from single edges and pairs of them."""
    leans = [(-2.0, 0.0)]
    own, image = lean[(cone == 0) & (flip > 0)], lean[(cone == 0) & (flip < 0)]
    leans += [(float(a), 0.0) for a in (*own, *image)]
    leans += [((a + b) / 2, (a - b) / 2) for a in own for b in image if abs(a - b) < 3]
    for view in (1.0, -1.0):
        one, other = (lean[(flip == view) & (cone == c)] for c in (-1.0, 1.0))
        leans += [((a + b) / 2, 0.0) for a in one for b in other]
    trials = []
    for a, b in leans:
        halves = cone * (lean - a - flip * b)
        halves = halves[(cone != 0) & (halves > 17) & (halves < 38)]
        trials += [(a, b, float(h)) for h in (27.0, *halves)]
    return np.array(trials)


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


def _strong_lines(
    slope: Array, middles: Array, offsets: Array, reach: float, noise: Array
) -> list[tuple[int, int, float, float, float, float]]:
    """Sign, plane, shift, turn, strength and steepness of the two best lines of either sign.

    Strength is the mean slope along the line over the usual scatter of such means in the strip.
    """
    if len(middles) < 3:
        return []
    relative = middles - middles.mean()
    span = float(relative[-1] - relative[0])
    turns = np.linspace(-MOST_TURN * 0.7, MOST_TURN * 0.7, 2 * max(int(span * 0.07), 2) + 1)
    moved = np.rint(relative[None, :] * turns[:, None] / STEP).astype(int)
    columns = np.arange(len(offsets))[None, None] + moved[:, :, None]
    rows = np.arange(len(middles))[None, :, None]
    total = slope[rows, np.clip(columns, 0, len(offsets) - 1)].mean(axis=1)
    scatter = 1.4826 * np.median(np.abs(total), axis=(0, 1))
    unit = np.maximum(scatter, 0.25 * noise / math.sqrt(4 * len(middles)))
    total = total / (unit * HANDICAP)
    total = total[:, np.abs(offsets) <= reach]
    shifts = offsets[np.abs(offsets) <= reach]
    found = []
    for sign in (1, -1):
        signed = sign * total
        plane = signed.argmax(axis=2)
        score = np.take_along_axis(signed, plane[..., None], 2)[..., 0]
        for _ in range(2):
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
            score = np.where((np.abs(apart) < 2.5) & (np.abs(other) < 2.5), -np.inf, score)
    return found


def _run(
    slope: Array, middles: Array, offsets: Array, shift: float, turn: float, centre: float
) -> tuple[float, float, float, float, float] | None:
    """Ends and direction uncertainty (rad) of the longest straight unbroken run near a line.

    Ends as (along, across, along, across) in pixels of the strip.
    """
    blocks = len(middles)
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
    usual = float(np.median(np.sort(peak)[blocks // 2 :]))
    if usual <= 0:
        return None
    strong = peak > 0.35 * usual
    i, j = np.triu_indices(blocks, max(2, blocks // 6))
    slant = (place[j] - place[i]) / (middles[j] - middles[i])
    fair = strong[i] & strong[j] & (np.abs(slant - turn) < 0.07)
    i, slant = i[fair], slant[fair]
    if i.size == 0:
        return None
    miss = place[None] - place[i][:, None] - slant[:, None] * (middles[None] - middles[i][:, None])
    start, end = _longest_runs((np.abs(miss) < 0.7) & strong[None])
    tight = np.sum(np.where(np.abs(miss) < 0.7, 1 - (miss / 0.7) ** 2, 0), axis=1)
    best = int(np.argmax(end - start + 0.3 * tight))
    if end[best] - start[best] < 3:
        return None
    size = float(middles[1] - middles[0])
    t0 = float(middles[start[best]]) - size / 2 + 1.5
    t1 = float(middles[end[best] - 1]) + size / 2 - 1.5
    used = (np.abs(miss[best]) < 0.7) & (rows >= start[best]) & (rows < end[best]) & strong
    if used.sum() < 3:
        return None
    line, spread = np.polyfit(middles[used] - t0, place[used], 1, cov="unscaled")
    scatter = float(np.std(place[used] - np.polyval(line, middles[used] - t0)))
    u = math.sqrt(float(spread[0, 0])) * max(1.3 * scatter, 0.12)
    return t0, float(line[1]), t1, float(line[1] + line[0] * (t1 - t0)), u


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
