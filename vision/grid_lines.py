"""A grey picture -> ridge points on its thin lines, and the straight lines that they make.

Ridges are where the larger eigenvalue of the Hessian peaks across a line (Lindeberg 1998, Int. J.
Computer Vision 30); lines come from a Hough vote gated on the ridges' direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.edges import half_turn

Array = NDArray[np.float64]
FINE_SCALES, WIDE_SCALES = (1.4, 2.3, 3.8), (6.2, 10.0)  # px; the wide ones at half size
SCALE_POWER = 1.75  # 1.5 takes both edges of a broad line, 2 blurs neighbours into one
MIN_RIDGE_PX = 14
DRAWN_REACH_PX = 9.0  # of a line drawn by hand, in the coarse picture
MOST_RIDGE_POINTS = 40000


@dataclass(frozen=True)
class Ridges:
    """Sub-pixel centres of thin lines in a picture."""

    xy: Array
    angle: Array  # direction of the line through the point, radians in [0, pi)
    weight: Array
    scale: Array  # of the Gaussian that answered best, px: about half the line's width

    @cached_property
    def cosine(self) -> Array:
        """Of ``angle``."""
        return np.cos(self.angle)

    @cached_property
    def sine(self) -> Array:
        """Of ``angle``."""
        return np.sin(self.angle)

    def thinned(self, most: int) -> Ridges:
        """At most so many of the points, evenly picked."""
        if len(self.xy) <= most:
            return self
        return self.picked(np.linspace(0, len(self.xy) - 1, most).astype(int))

    def picked(self, pick: NDArray[np.intp] | NDArray[np.bool_]) -> Ridges:
        """A part of the points."""
        return Ridges(self.xy[pick], self.angle[pick], self.weight[pick], self.scale[pick])


def dark_lines(grey: NDArray[np.float32]) -> Ridges:
    """Sub-pixel centres of dark lines."""
    (dark,) = _ridges_of(grey, 1)
    return dark


def dark_and_all_lines(grey: NDArray[np.float32]) -> tuple[Ridges, Ridges]:
    """The dark lines; and the bright ones too: ink is the brighter over a black reflection."""
    dark, bright = _ridges_of(grey, 1, -1)
    names = ("xy", "angle", "weight", "scale")
    return dark, Ridges(*(np.concatenate([getattr(r, n) for r in (dark, bright)]) for n in names))


def _calm(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Speckle is not ink: a small median takes it away and leaves all but faint lines."""
    eight = np.round(grey * np.float32(255)).astype(np.uint8)
    return cv2.medianBlur(eight, 3).astype(np.float32) / np.float32(255)


def _derivatives(grey: NDArray[np.float32], sigma: float) -> list[NDArray[np.float32]]:
    """First and second derivatives x, y, xx, yy, xy of the blurred picture."""
    g = cv2.GaussianBlur(grey, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
    gx = cv2.Sobel(g, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    out = [
        gx,
        cv2.Sobel(g, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8),
        cv2.Sobel(g, cv2.CV_32F, 2, 0, ksize=3, scale=1 / 4),
        cv2.Sobel(g, cv2.CV_32F, 0, 2, ksize=3, scale=1 / 4),
        cv2.Sobel(gx, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8),
    ]
    return [np.asarray(d, np.float32) for d in out]


def _slopes(grey: NDArray[np.float32]) -> list[list[NDArray[np.float32]]]:
    """Derivatives at each scale, at half size from the wide ones on."""
    every = [_derivatives(grey, sigma) for sigma in FINE_SCALES]
    size = (grey.shape[1] // 2, grey.shape[0] // 2)
    half = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.float32)
    return every + [_derivatives(half, sigma / 2) for sigma in WIDE_SCALES]


def _ridges_of(grey: NDArray[np.float32], *signs: int) -> list[Ridges]:
    """Ridges of each sign; what they have in common is worked out once."""
    slopes = _slopes(_calm(grey))
    bends = [_bends(slope) for slope in slopes]
    return [_ridges(slopes, bends, grey.shape, sign) for sign in signs]


def _bends(derivatives: list[NDArray[np.float32]]) -> list[NDArray[np.float32]]:
    """Mean of the Hessian's two eigenvalues, and by how much they differ from it."""
    _, _, xx, yy, xy = derivatives
    half = np.float32(0.5)
    return [half * (xx + yy), np.asarray(cv2.magnitude(half * (xx - yy), xy), np.float32)]


def _ridges(
    every: list[list[NDArray[np.float32]]],
    bends: list[list[NDArray[np.float32]]],
    shape: tuple[int, ...],
    sign: int,
) -> Ridges:
    """Where the Hessian's larger eigenvalue peaks across a line, over several scales.

    ``sign`` is 1 for dark lines and -1 for bright ones.
    """
    height, width = shape
    scales = (*FINE_SCALES, *WIDE_SCALES)
    strengths = []
    for k, ((mean, root), sigma) in enumerate(zip(bends, scales, strict=True)):
        strength = (root + mean if sign > 0 else root - mean) * np.float32(sigma**SCALE_POWER)
        if k >= len(FINE_SCALES):
            strength = _resized(strength / np.float32(4), width, height)
        strengths.append(strength)
    best = np.maximum(np.maximum.reduce(strengths), 0)
    border = 4
    inside = np.zeros(shape, bool)
    inside[border:-border, border:-border] = True
    noise = float(np.median(best[border:-border:3, border:-border:3])) + 1e-6
    # Ink over a dark patch is faint: judge each ridge against its surroundings.
    # A broad line fills a small surrounding: the calmer of two counts.
    local = cv2.min(cv2.blur(best, (41, 41)), cv2.blur(best, (121, 121)))
    ys, xs = np.nonzero(inside & (best > 2.2 * local) & (best > 1.6 * noise))
    top = best[ys, xs]
    picked = np.zeros((len(xs), 5))
    scale = np.empty(len(xs))
    taken = np.zeros(len(xs), bool)
    for k, sigma in enumerate(scales):
        here = ~taken & (strengths[k][ys, xs] >= top)
        taken |= here
        scale[here] = sigma
        y, x = ys[here], xs[here]
        if k < len(FINE_SCALES):
            picked[here] = np.stack([d[y, x] for d in every[k]], axis=1)
        elif here.any():
            # remap refuses more than 32767 rows: fold the points into a table
            at_x, at_y = _folded((x - 0.5) / 2), _folded((y - 0.5) / 2)
            values = [cv2.remap(d, at_x, at_y, cv2.INTER_LINEAR).ravel() for d in every[k]]
            halved = np.stack(values, axis=1)[: len(x)] * (0.5, 0.5, 0.25, 0.25, 0.25)
            picked[here] = halved
    dx, dy, dxx, dyy, dxy = sign * picked.T
    theta = 0.5 * np.arctan2(2 * dxy, dxx - dyy)
    nx, ny = np.cos(theta), np.sin(theta)
    curvature = 0.5 * (dxx + dyy) + np.hypot(0.5 * (dxx - dyy), dxy)
    t = -(dx * nx + dy * ny) / np.maximum(curvature, 1e-6)
    crest = np.abs(t) <= 0.6
    # Speckle makes ridges of a few pixels; ink makes long ones.
    keep = np.zeros(shape, np.uint8)
    keep[ys[crest], xs[crest]] = 1
    _, label, stats, _ = cv2.connectedComponentsWithStats(keep, connectivity=8)
    crest &= stats[label[ys, xs], cv2.CC_STAT_AREA] >= MIN_RIDGE_PX
    chosen = np.nonzero(crest)[0]
    if len(chosen) > MOST_RIDGE_POINTS:
        chosen = np.sort(chosen[np.argsort(top[chosen])[-MOST_RIDGE_POINTS:]])
    nx, ny, t = nx[chosen], ny[chosen], t[chosen]
    strength = top[chosen].astype(float)
    cap = np.quantile(strength, 0.5) if len(strength) else 1.0
    return Ridges(
        np.stack([xs[chosen] + t * nx, ys[chosen] + t * ny], axis=1),
        np.mod(np.arctan2(nx, -ny), np.pi),
        np.minimum(strength / max(cap, 1e-9), 1.0),
        scale[chosen],
    )


def _resized(values: NDArray[np.float32], width: int, height: int) -> NDArray[np.float32]:
    large = cv2.resize(values, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(large, np.float32)


def _folded(values: Array) -> NDArray[np.float32]:
    width = 512
    table = np.zeros(math.ceil(len(values) / width) * width, np.float32)
    table[: len(values)] = values
    return table.reshape(-1, width)


def _unbend(xy: Array, centre: tuple[float, float], half_diagonal: float, k1: float) -> Array:
    return Camera(1000.0, *centre, k1, half_diagonal).undistort(xy)


_ANGLE_STEP = math.radians(0.5)
_WINDOW = np.arange(-6, 7)


def _votes(xy: Array, angle: Array, weight: Array, reach: float) -> tuple[Array, int]:
    """Hough accumulator (angle bin, offset bin), each point voting only near its direction."""
    n_angles = round(math.pi / _ANGLE_STEP)
    n_offsets = int(2 * reach) + 3
    first = np.round(angle / _ANGLE_STEP).astype(int)
    bins = first[:, None] + _WINDOW[None, :]
    a = bins * _ANGLE_STEP
    rho = -np.sin(a) * xy[:, :1] + np.cos(a) * xy[:, 1:]
    wrapped = bins % n_angles
    rho = np.where(wrapped == bins, rho, -rho)
    column = np.clip(np.round(rho + reach), 0, n_offsets - 1).astype(int)
    flat = wrapped * n_offsets + column
    total = np.bincount(
        flat.ravel(), np.repeat(weight, len(_WINDOW)), minlength=n_angles * n_offsets
    )
    return np.asarray(total.reshape(n_angles, n_offsets), float), n_offsets


def straightest(points: Ridges, centre: tuple[float, float], half_diagonal: float) -> float:
    """Radial term that makes the ridges gather on the fewest straight lines."""
    trial = np.array([-0.09, -0.06, -0.03, 0.0, 0.03, 0.06, 0.09])
    score = np.empty(len(trial))
    for i, k1 in enumerate(trial):
        xy = _unbend(points.xy, centre, half_diagonal, k1) - centre
        total, _ = _votes(xy, points.angle, points.weight, 1.4 * half_diagonal)
        votes = np.asarray(cv2.blur(total.astype(np.float32), (3, 1)), np.float32)
        score[i] = float(np.sum(votes * votes * votes, dtype=float))
    score[trial == 0.0] *= 1.02
    best = int(np.clip(np.argmax(score), 1, len(trial) - 2))
    a, b, _ = np.polyfit(trial[best - 1 : best + 2], score[best - 1 : best + 2], 2)
    peak = -b / (2 * a) if a < 0 else trial[best]
    return float(np.clip(peak, trial[best - 1], trial[best + 1]))


def along_drawn(points: Ridges, drawn: Array) -> Ridges:
    """The ridges of the line nearest in course to each roughly drawn one.

    Parameters
    ----------
    points : Ridges
    drawn : ndarray, shape (N, 2, 2)
        Ends of the lines in pixels, good to about ``DRAWN_REACH_PX`` and 4 degrees.

    Returns
    -------
    Ridges
    """
    kept = np.zeros(len(points.xy), bool)
    for p, q in drawn:
        length = float(np.hypot(*(q - p)))
        course = math.atan2(q[1] - p[1], q[0] - p[0])
        along = (points.xy - (p + q) / 2) @ np.array([math.cos(course), math.sin(course)])
        away = (points.xy - (p + q) / 2) @ np.array([-math.sin(course), math.cos(course)])
        near = np.abs(half_turn(points.angle - course)) < math.radians(9)
        near &= (np.abs(along) < 0.55 * length) & (np.abs(away) < 2 * DRAWN_REACH_PX)
        best, most = np.zeros(len(near), bool), 0.0
        for turn in np.tan(np.radians(np.arange(-4.0, 4.1, 0.5))):
            offset = away - turn * along
            for start in np.arange(-DRAWN_REACH_PX, DRAWN_REACH_PX + 0.1, 1.0):
                on = near & (np.abs(offset - start) < 1.5)
                weight = float(points.weight[on].sum()) * (1 - 0.4 * abs(start) / DRAWN_REACH_PX)
                if weight > most:
                    best, most = on, weight
        kept |= best
    return points.picked(kept)


@dataclass(frozen=True)
class Line:
    """A straight run of ridge points, undistorted pixels about the principal point."""

    p: Array
    q: Array
    weight: float

    @property
    def tilt_deg(self) -> float:
        """Angle to the picture's horizontal, 0 to 90."""
        d = self.q - self.p
        return abs(math.degrees(math.atan2(abs(d[1]), abs(d[0]))))


def find_lines(
    points: Ridges, centre: tuple[float, float], half_diagonal: float, k1: float, limit: int = 44
) -> list[Line]:
    """Straight lines through the ridge points, strongest first; ``limit`` votes are tried."""
    xy = _unbend(points.xy, centre, half_diagonal, k1) - centre
    reach = 1.4 * half_diagonal
    alive = np.ones(len(xy), bool)
    total, n_offsets = _votes(xy, points.angle, points.weight, reach)
    shortest = 0.10 * half_diagonal
    found: list[Line] = []
    for _ in range(limit):
        peak = int(np.argmax(total))
        if total.flat[peak] < 0.5 * shortest:
            break
        angle = (peak // n_offsets) * _ANGLE_STEP
        rho = peak % n_offsets - reach
        members = np.zeros(len(xy), bool)
        gate = 3.0
        for _ in range(3):
            n = np.array([-math.sin(angle), math.cos(angle)])
            miss = xy @ n - rho
            turn = np.abs(half_turn(points.angle - angle))
            members = alive & (np.abs(miss) < gate) & (turn < math.radians(9))
            if members.sum() < 12:
                break
            w = points.weight[members]
            mean = np.average(xy[members], axis=0, weights=w)
            d = xy[members] - mean
            spread = (d * w[:, None]).T @ d
            direction = np.linalg.eigh(spread)[1][:, 1]
            angle = math.atan2(direction[1], direction[0]) % math.pi
            n = np.array([-math.sin(angle), math.cos(angle)])
            rho = float(mean @ n)
            gate = 2.0
        spent = members if members.sum() >= 12 else None
        if spent is None:
            total.flat[peak] = 0
            continue
        d = np.array([math.cos(angle), math.sin(angle)])
        along = np.sort(xy[members] @ d)
        low, high = np.quantile(along, [0.01, 0.99])
        base = n * rho
        # one pixel of a clean ridge is about one point
        weight = float(np.minimum(points.weight[members].sum(), high - low))
        if high - low > shortest and weight > 0.17 * (high - low):
            found.append(Line(base + low * d, base + high * d, weight))
        near = alive & (np.abs(xy @ n - rho) < 3.0)
        turn = np.abs(half_turn(points.angle - angle))
        near &= turn < math.radians(12)
        removed, _ = _votes(xy[near], points.angle[near], points.weight[near], reach)
        total -= removed
        alive &= ~near
    return found
