"""A side-on photo -> the cantilever rod: its two limbs, the pivot's side, its mirror image.

The rod is the one long, thin, straight thing that rises by 6 to 42 degrees across the picture.
Edge pixels of a small copy vote for straight lines (a Hough transform in which each pixel votes
only near its own direction; Duda & Hart 1972, O'Gorman & Clowes 1976); two nearly parallel lines
make a rod. Where the surface is a mirror, every line of the rod has a partner of the opposite
slope below it, and all pairs agree on one line of symmetry: that agreement is the test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.bilinear import between_pixels
from vision.network import shrink

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
WIDTH = 480  # px of the small copy
SLOPES_DEG = (6.0, 42.0)
STEP_DEG = 0.5
PARALLEL_DEG = 9.0
COLLINEAR_DEG, COLLINEAR_PX = 5.0, 5.0  # a limb in pieces; a tapered rod bends a little
THICKNESS = (0.008, 0.3)  # of the picture's width
LINES_PER_SLOPE = 14
OUTER_SUPPORT = 0.3  # of the limb found first
MIRROR_SUPPORT = 0.25  # of the rod's own support
USUAL_SLOPE_DEG = (20.0, 9.0)  # rise and roll of the picture together; only chooses between rods
BORDER = 0.02  # of the picture's width: a rod that ends so near its border does not end there
# A limb alone, the other being above the picture: how near the picture's upper border it comes
# (px), its least run, of the picture's width, and the least share of it that edges support
AT_TOP_PX, LONE_RUN, LONE_SUPPORT = 5.0, 0.25, 0.4
# Then the rod is so many times as thick as the picture shows of it, and ends so many thicknesses
# beyond where the stylus interrupts the limb
LONE_THICKNESS, LONE_BEYOND = 1.2, 0.45
LONE_WORTH = 0.6  # of what two such limbs would be


@dataclass(frozen=True)
class RodLine:
    """A straight line with its run, in pixels, from left to right."""

    x0: float
    y0: float
    x1: float
    y1: float
    support: float

    @property
    def angle(self) -> float:
        """Radians, positive where the line falls to the right."""
        return math.atan2(self.y1 - self.y0, self.x1 - self.x0)

    @property
    def sign(self) -> int:
        """1 where the line falls to the right, else -1."""
        return 1 if self.y1 > self.y0 else -1

    @property
    def middle_x(self) -> float:
        """Pixels."""
        return (self.x0 + self.x1) / 2

    def at(self, x: float) -> float:
        """Height y of the line at x."""
        return self.y0 + (self.y1 - self.y0) * (x - self.x0) / (self.x1 - self.x0)


Pair = tuple[RodLine, RodLine]


@dataclass(frozen=True)
class SideRod:
    """The cantilever as seen from the side.

    Parameters
    ----------
    top, bottom : RodLine
        Upper and lower limb.
    free_end : ndarray, shape (2,)
        Where the lower limb ends, away from the pivot.
    thickness : float
        Pixels.
    pivot_right : bool
    score : float
        Pixels of the small copy that support the rod.
    pairs : tuple of (RodLine, RodLine)
        Lines of the rod with their mirror images.
    mirror_score : float
        Pixels of the small copy that support the mirror image.
    one_limb : bool
        Whether the upper limb was not seen, being above the picture: ``top`` and ``thickness``
        are then a guess.
    """

    top: RodLine
    bottom: RodLine
    free_end: Array
    thickness: float
    pivot_right: bool
    score: float
    pairs: tuple[Pair, ...] = ()
    mirror_score: float = 0.0
    one_limb: bool = False

    @property
    def slope(self) -> float:
        """Mean direction of the limbs, radians."""
        return (self.top.angle + self.bottom.angle) / 2

    @property
    def mirrored(self) -> bool:
        """Whether a sharp mirror image of the rod was found."""
        return len(self.pairs) >= 2 and self.mirror_score > MIRROR_SUPPORT * self.score

    def holds(self, line: RodLine) -> bool:
        """Whether a line runs along the rod, within its limbs."""
        x, y = line.middle_x, (line.y0 + line.y1) / 2
        return (
            line.sign == self.top.sign
            and abs(line.angle - self.slope) <= math.radians(PARALLEL_DEG)
            and self.top.at(x) - 2 < y < self.bottom.at(x) + 2
        )

    def surface_at_free_end(self) -> tuple[float, float]:
        """Height y of the line of symmetry at the free end's x, and its angle in radians."""
        votes = [_symmetry(a, b, float(self.free_end[0])) for a, b in self.pairs]
        return float(np.median([v[0] for v in votes])), float(np.median([v[1] for v in votes]))


def find_side_rod(rgb: Picture, pivot: str = "auto") -> SideRod | None:
    """The cantilever of a side-on photo, or None.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    pivot : {"auto", "left", "right"}
        Side of the pivot; ``"auto"`` takes the side towards which the upper rod rises.

    Returns
    -------
    SideRod or None
    """
    small, ratio = shrink(rgb, WIDTH / rgb.shape[1])
    lines = _lines(small)
    best: SideRod | None = None
    for rod in sorted(_rods(lines, small.shape[1]), key=lambda r: -r.score)[:12]:
        if pivot != "auto" and rod.pivot_right != (pivot == "right"):
            continue
        rod = _outlined(rod, lines)
        pairs, score = _mirror_pairs(rod, lines)
        candidate = replace(rod, pairs=pairs, mirror_score=score)
        if best is None or _rank(candidate) > _rank(best):
            best = candidate
    lone = _lone_limb(lines, small.shape[1], pivot)
    if lone is not None and (best is None or lone.score > _rank(best)):
        best = lone
    return None if best is None else _enlarged(best, ratio)


def _lone_limb(lines: list[RodLine], width: int, pivot: str) -> SideRod | None:
    """A rod so near that only its lower limb is in the picture, which it leaves at the top."""
    for line in lines:  # the best supported first
        right = line.sign > 0  # the free end, lower than the other
        run = math.hypot(line.x1 - line.x0, line.y1 - line.y0)
        if (
            pivot == ("right" if right else "left")
            or min(line.y0, line.y1) > AT_TOP_PX
            or run < LONE_RUN * width
            or line.support < LONE_SUPPORT * run
        ):
            continue
        end = _free(line, right)
        up = LONE_THICKNESS * float(end[1])
        thickness = up * math.cos(line.angle)
        out = np.array([math.cos(line.angle), math.sin(line.angle)]) * (1 if right else -1)
        end = end + LONE_BEYOND * thickness * out
        top = replace(line, y0=line.y0 - up, y1=line.y1 - up)
        if BORDER * width < end[0] < (1 - BORDER) * width:
            score = LONE_WORTH * line.support * _likely(line.angle)
            return SideRod(top, line, end, thickness, not right, score, one_limb=True)
    return None


def _likely(slope: float) -> float:
    """How usual it is that a rod runs so, at most 1."""
    usual, spread = USUAL_SLOPE_DEG
    return math.exp(-0.5 * ((abs(math.degrees(slope)) - usual) / spread) ** 2)


def _rank(rod: SideRod) -> float:
    return rod.score + 0.7 * rod.mirror_score


def _lines(small: Picture) -> list[RodLine]:
    """Straight lines of rod-like slope in the small copy, the best supported first."""
    x, y, angle, weight = _edge_pixels(small)
    lines: list[RodLine] = []
    for sign in (-1, 1):
        near = (
            (np.abs(angle) > math.radians(SLOPES_DEG[0] - 3))
            & (np.abs(angle) < math.radians(SLOPES_DEG[1] + 3))
            & (np.sign(angle) == sign)
        )
        if near.sum() > 12:
            lines += _hough(x[near], y[near], angle[near], weight[near], sign, small.shape[:2])
    kept: list[RodLine] = []
    for line in sorted(lines, key=lambda v: -v.support):
        if not any(_same(line, other) for other in kept):
            kept.append(line)
    return kept


def _edge_pixels(small: Picture) -> tuple[Array, Array, Array, Array]:
    """Sub-pixel edge places, their tangents (-pi/2..pi/2) and weights 0..1."""
    f = cv2.GaussianBlur(np.sqrt(small.astype(np.float32) / 255), (0, 0), 1.0)
    gx = cv2.Sobel(f, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(f, cv2.CV_32F, 0, 1, scale=1 / 8)
    strongest = (gx * gx + gy * gy).argmax(axis=2)[..., None]
    gx = np.take_along_axis(gx, strongest, 2)[..., 0]
    gy = np.take_along_axis(gy, strongest, 2)[..., 0]
    size = np.hypot(gx, gy)
    floor = max(0.006, 0.5 * float(np.percentile(size, 80)))
    inner = np.zeros(size.shape, bool)
    inner[2:-2, 2:-2] = True
    ys, xs = np.nonzero((size > floor) & inner)
    peak = size[ys, xs]
    ux, uy = gx[ys, xs] / peak, gy[ys, xs] / peak
    before = between_pixels(size, ys - uy, xs - ux)
    after = between_pixels(size, ys + uy, xs + ux)
    keep = (peak >= before) & (peak > after)
    xs, ys, ux, uy = xs[keep], ys[keep], ux[keep], uy[keep]
    peak, before, after = peak[keep], before[keep], after[keep]
    if len(xs) == 0:
        empty = np.zeros(0)
        return empty, empty, empty, empty
    shift = np.clip(0.5 * (before - after) / (before - 2 * peak + after - 1e-12), -0.5, 0.5)
    sign = np.where(uy > 0, -1.0, 1.0)
    angle = np.arctan2(ux * sign, -uy * sign)
    weight = np.sqrt(np.minimum(peak / np.percentile(peak, 90), 1))
    return xs + shift * ux, ys + shift * uy, angle, weight


def _hough(
    x: Array, y: Array, angle: Array, weight: Array, sign: int, shape: tuple[int, ...]
) -> list[RodLine]:
    centre = np.array([shape[1] / 2, shape[0] / 2])
    x, y = x - centre[0], y - centre[1]
    reach = int(math.hypot(*centre)) + 3
    bins = int((SLOPES_DEG[1] - SLOPES_DEG[0]) / STEP_DEG) + 1
    votes = np.zeros(bins * (2 * reach + 1))
    own = np.round((np.degrees(np.abs(angle)) - SLOPES_DEG[0]) / STEP_DEG).astype(int)
    for turn in range(-6, 7):
        b = own + turn
        ok = (b >= 0) & (b < bins)
        a = np.radians(sign * (SLOPES_DEG[0] + b[ok] * STEP_DEG))
        rho = np.round(np.cos(a) * y[ok] - np.sin(a) * x[ok]).astype(int) + reach
        votes += np.bincount(b[ok] * (2 * reach + 1) + rho, weight[ok], len(votes))
    table = cv2.GaussianBlur(votes.reshape(bins, -1), (0, 0), 0.8)
    lines = []
    for _ in range(LINES_PER_SLOPE):
        row, column = divmod(int(table.argmax()), table.shape[1])
        if table[row, column] < 3:
            break
        table[max(0, row - 6) : row + 7, max(0, column - 3) : column + 4] = 0
        direction = math.radians(sign * (SLOPES_DEG[0] + row * STEP_DEG))
        line = _settled(x, y, angle, weight, direction, float(column - reach), centre)
        if line is not None:
            lines.append(line)
    return lines


def _settled(
    x: Array, y: Array, angle: Array, weight: Array, a: float, rho: float, centre: Array
) -> RodLine | None:
    """Total least squares on the pixels near a voted line, and its longest unbroken run."""
    for tolerance in (2.5, 1.8, 1.2):
        near = (np.abs(np.cos(a) * y - np.sin(a) * x - rho) < tolerance) & (
            np.abs(angle - a) < math.radians(8)
        )
        if near.sum() < 8:
            return None
        w = weight[near]
        mx, my = np.average(x[near], weights=w), np.average(y[near], weights=w)
        spread = np.cov(np.stack([x[near], y[near]]), aweights=w)
        along = np.linalg.eigh(spread)[1][:, 1]
        along = along if along[0] > 0 else -along
        a = math.atan2(along[1], along[0])
        rho = float(math.cos(a) * my - math.sin(a) * mx)
    near = (np.abs(np.cos(a) * y - np.sin(a) * x - rho) < 1.5) & (
        np.abs(angle - a) < math.radians(8)
    )
    if near.sum() < 8:
        return None
    place = math.cos(a) * x[near] + math.sin(a) * y[near]
    order = np.argsort(place)
    place, w = place[order], weight[near][order]
    breaks = np.nonzero(np.diff(place) > 14)[0]
    starts, ends = np.r_[0, breaks + 1], np.r_[breaks, len(place) - 1]
    sums = np.add.reduceat(w, starts)
    k = int(np.argmax(sums))
    foot = np.array([-math.sin(a), math.cos(a)]) * rho + centre
    along = np.array([math.cos(a), math.sin(a)])
    p, q = foot + along * place[starts[k]], foot + along * place[ends[k]]
    if q[0] - p[0] < 3:
        return None
    return RodLine(float(p[0]), float(p[1]), float(q[0]), float(q[1]), float(sums[k]))


def _same(a: RodLine, b: RodLine) -> bool:
    if abs(a.angle - b.angle) > math.radians(2) or a.x0 > b.x1 or b.x0 > a.x1:
        return False
    x = (max(a.x0, b.x0) + min(a.x1, b.x1)) / 2
    return abs(a.at(x) - b.at(x)) < 2.6


def _rods(lines: list[RodLine], width: int) -> list[SideRod]:
    """Pairs of nearly parallel lines; what lies between them adds to their support."""
    rods = []
    whole = [_with_collinear(line, lines) for line in lines]
    for i, top in enumerate(lines):
        for j, bottom in enumerate(lines):
            if top is bottom or top.sign != bottom.sign:
                continue
            if abs(top.angle - bottom.angle) > math.radians(PARALLEL_DEG):
                continue
            slope = (top.angle + bottom.angle) / 2
            (a0, a1), (b0, b1) = (_along(whole[k], slope) for k in (i, j))
            if min(a1, b1) - max(a0, b0) < max(0.5 * min(a1 - a0, b1 - b0), 0.06 * width):
                continue
            middle = (max(top.x0, bottom.x0) + min(top.x1, bottom.x1)) / 2
            thickness = (bottom.at(middle) - top.at(middle)) * math.cos(slope)
            longer = max(top.x1 - top.x0, bottom.x1 - bottom.x0) / math.cos(slope)
            if not THICKNESS[0] * width < thickness < min(THICKNESS[1] * width, longer / 1.2):
                continue
            rod = _rod(top, bottom, thickness, lines)
            if BORDER * width < rod.free_end[0] < (1 - BORDER) * width:
                rods.append(rod)
    return rods


def _with_collinear(line: RodLine, lines: list[RodLine]) -> RodLine:
    """The line as far as others continue it: the stylus may interrupt a limb."""
    x0, x1 = line.x0, line.x1
    for other in lines:
        if abs(other.angle - line.angle) < math.radians(COLLINEAR_DEG) and (
            abs(other.at(other.middle_x) - line.at(other.middle_x)) < COLLINEAR_PX
        ):
            x0, x1 = min(x0, other.x0), max(x1, other.x1)
    return replace(line, x0=x0, y0=line.at(x0), x1=x1, y1=line.at(x1))


def _along(line: RodLine, slope: float) -> tuple[float, float]:
    """Where the line starts and ends along a direction."""
    c, s = math.cos(slope), math.sin(slope)
    return c * line.x0 + s * line.y0, c * line.x1 + s * line.y1


def _rod(top: RodLine, bottom: RodLine, thickness: float, lines: list[RodLine]) -> SideRod:
    free_right = top.sign > 0
    rod = SideRod(top, bottom, np.zeros(2), thickness, not free_right, 0.0)
    towards = np.array([math.cos(rod.slope), math.sin(rod.slope)]) * (1 if free_right else -1)
    gap = abs(float((_free(top, free_right) - _free(bottom, free_right)) @ towards))
    along_rod = [line for line in lines if rod.holds(line)]
    # a line between two limbs that is clearer than they may itself be one: it cannot speak for them
    most = min(top.support, bottom.support)
    inner = sum(min(v.support, most) for v in along_rod if v is not top and v is not bottom)
    reach = max(float(_free(v, free_right) @ towards) for v in (*along_rod, top, bottom))
    start = np.array([bottom.x0, bottom.y0])
    along = np.array([bottom.x1 - bottom.x0, bottom.y1 - bottom.y0])
    along = along / np.linalg.norm(along)
    free_end = start + along * (reach - start @ towards) / (along @ towards)
    score = math.sqrt(top.support * bottom.support) + 0.5 * inner - 0.3 * min(gap, 30.0)
    score *= _likely(rod.slope)
    return replace(rod, free_end=free_end, score=score)


def _outlined(rod: SideRod, lines: list[RodLine]) -> SideRod:
    """Each limb moved out to the outermost strong line beside it; others are highlights."""
    bottom = _outermost(rod, lines, 1.0)
    top = _outermost(rod, lines, -1.0)
    if top is rod.top and bottom is rod.bottom:
        return rod
    middle = (max(top.x0, bottom.x0) + min(top.x1, bottom.x1)) / 2
    slope = (top.angle + bottom.angle) / 2
    thickness = (bottom.at(middle) - top.at(middle)) * math.cos(slope)
    if thickness < rod.thickness:
        return rod
    return replace(_rod(top, bottom, thickness, lines), score=rod.score)


def _outermost(rod: SideRod, lines: list[RodLine], down: float) -> RodLine:
    """The outermost strong line beside the lower limb (``down`` 1) or the upper one (-1)."""
    limb, other = (rod.bottom, rod.top) if down > 0 else (rod.top, rod.bottom)
    best = limb
    for line in lines:
        x = (max(line.x0, other.x0) + min(line.x1, other.x1)) / 2
        out = down * (line.at(x) - limb.at(x))
        if (
            line.sign == other.sign
            and abs(line.angle - rod.slope) < math.radians(PARALLEL_DEG)
            and min(line.x1, other.x1) - max(line.x0, other.x0) > 0.25 * (line.x1 - line.x0)
            and line.support > OUTER_SUPPORT * max(limb.support, other.support)
            and down * (best.at(x) - limb.at(x)) < out < rod.thickness
        ):
            best = line
    return best


def _free(line: RodLine, right: bool) -> Array:
    return np.array([line.x1, line.y1] if right else [line.x0, line.y0])


def _symmetry(a: RodLine, b: RodLine, x: float) -> tuple[float, float]:
    """Height at x and angle of the line about which ``a`` and ``b`` mirror each other."""
    bisector = (a.angle + b.angle) / 2
    slope_a, slope_b = math.tan(a.angle), math.tan(b.angle)
    meet_x = (b.y0 - slope_b * b.x0 - a.y0 + slope_a * a.x0) / (slope_a - slope_b)
    meet_y = a.y0 + slope_a * (meet_x - a.x0)
    return meet_y + math.tan(bisector) * (x - meet_x), bisector


def _mirror_pairs(rod: SideRod, lines: list[RodLine]) -> tuple[tuple[Pair, ...], float]:
    """The largest set of (rod line, line below of opposite slope) that share one symmetry."""
    votes = []
    for a in (line for line in lines if rod.holds(line)):
        for b in lines:
            if b.sign == a.sign or b.x0 > a.x1 or a.x0 > b.x1:
                continue
            height, angle = _symmetry(a, b, float(rod.free_end[0]))
            if abs(angle) < math.radians(8) and height > rod.free_end[1]:
                votes.append((height, angle, min(a.support, b.support), a, b))
    best: tuple[float, tuple[Pair, ...]] = (0.0, ())
    votes.sort(key=lambda v: -v[2])
    for height, angle, *_ in votes:
        chosen: list[Pair] = []
        total = 0.0
        for h, turn, support, a, b in votes:
            if abs(h - height) > 0.04 * rod.thickness + 1.5 or abs(turn - angle) > math.radians(
                1.2
            ):
                continue
            if all(a is not c and b is not d for c, d in chosen):
                chosen.append((a, b))
                total += support
        if total > best[0]:
            best = (total, tuple(chosen))
    return best[1], best[0]


def _enlarged(rod: SideRod, ratio: Array) -> SideRod:
    """From the small copy to the full photo; pixel centres at integers in both."""
    rx, ry = (float(r) for r in ratio)

    def big(line: RodLine) -> RodLine:
        return RodLine(
            (line.x0 + 0.5) / rx - 0.5,
            (line.y0 + 0.5) / ry - 0.5,
            (line.x1 + 0.5) / rx - 0.5,
            (line.y1 + 0.5) / ry - 0.5,
            line.support,
        )

    return replace(
        rod,
        top=big(rod.top),
        bottom=big(rod.bottom),
        free_end=(rod.free_end + 0.5) / ratio - 0.5,
        thickness=rod.thickness / rx,
        pairs=tuple((big(a), big(b)) for a, b in rod.pairs),
    )
