"""A thin rod in a photo: its two limbs as straight lines, fitted to sub-pixel accuracy.

In: a colour picture, the sheet's plane and a rough line. Out: the limb there, in undistorted
pixels. Places where printed ink is known to lie are passed over.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid import GridPose
from vision.ink import lattices

Array = NDArray[np.float64]

RISE_DEG, RISE_U_DEG = 20.0, 4.0  # of a cantilever above the surface, and its spread
SHADING_PX = 0.14  # a limb's own shading moves it this far where all of it lies on one line
REFERENCE_HALF_DIAGONAL = 1000.0  # px; that holds for a 1600 x 1200 picture


@dataclass(frozen=True)
class Limb:
    """One straight silhouette edge, in undistorted pixels.

    ``p`` and ``q`` are its lower and upper end; ``scatter_px`` is the scatter of the points about
    the line, ``coverage`` the share of the length where the step lies on it, ``strength`` the mean
    step in noise units. ``offset_sd`` (px, at the middle) and ``angle_sd`` (radians) come from the
    scatter and, where the coverage is low, from the doubt that the line is this edge at all.
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


def tilt(limb: Limb) -> float:
    """Angle of a limb from the upright, radians, positive leaning right."""
    d = limb.q - limb.p
    return math.atan2(d[0], -d[1])


def fit_limb(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    p: Array,
    q: Array,
    gate: float,
    inward: int = 0,
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
    raw = bent(pose, p + along[:, None] * d, normal, across)
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
    noise2 = min(float(np.median(size2)), _unsteady(step)) + 1.0
    inside = np.abs(where) <= gate
    masked = np.where(inside[None, :], size2, 0)
    peak = np.argmax(masked, axis=1)
    ink = _ink_near(pose, p + centre_along[:, None] * d, normal, gate, inward)
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
    a, b = _consensus(s, t, base)
    scale = 0.4
    for _ in range(6):
        r = t - a - b * s
        near = np.abs(r) < 1.2
        scale = min(max(1.48 * _middle(np.abs(r[near])), 0.08), 0.4) if near.any() else 0.4
        w = base * near / (1 + (r / (2 * scale)) ** 2)
        sw, ss, sss = w.sum(), (w * s).sum(), (w * s * s).sum()
        det = sw * sss - ss * ss
        if det <= 0:
            return None
        st, sst = (w * t).sum(), (w * s * t).sum()
        a, b = (sss * st - ss * sst) / det, (sw * sst - ss * st) / det
    r = t - a - b * s
    fits = np.abs(r) < max(3 * scale, 0.5)
    count = max(int(fits.sum()), 3)
    spread = float(np.std(s[fits])) if count > 3 else length / 4
    scatter = float(np.sqrt(np.mean(r[fits] ** 2))) if fits.any() else gate
    points = p + (s + length / 2)[:, None] * d + t[:, None] * normal
    coverage = count / usable
    doubt = SHADING_PX * pose.camera.half_diagonal / REFERENCE_HALF_DIAGONAL
    doubt = math.hypot(doubt * math.sqrt(max(1 / coverage**2 - 1, 0.0)), _wiggle(s, r, scatter))
    offset_sd = scatter / math.sqrt(count)
    return Limb(
        p + (a - b * length / 2) * normal,
        q + (a + b * length / 2) * normal,
        math.hypot(offset_sd, doubt),
        math.hypot(offset_sd / max(spread, 1.0), doubt * math.sqrt(12) / length),
        scatter,
        coverage,
        float(np.mean(strength)),
        points[fits],
    )


def _unsteady(step: Array) -> float:
    """Squared noise of steps, from how they differ along the edge: shading does not, noise does.

    ``step`` has shape (stretches, across, 3).
    """
    return float(np.median(np.sum((step[1:] - step[:-1]) ** 2, axis=2))) / 2


def _wiggle(s: Array, r: Array, scatter: float, parts: int = 6) -> float:
    """How far parts of an edge lie off its line (px), beyond what their scatter explains.

    A straight limb has none; a line led astray by a second edge along a part of it does.
    """
    near = np.abs(r) < 2.5
    part = np.minimum((parts * (s[near] - s.min()) / max(np.ptp(s), 1.0)).astype(int), parts - 1)
    square = 0.0
    for k in range(parts):
        own = r[near][part == k]
        if len(own) >= 3:
            square += (_middle(own) ** 2 - scatter**2 / len(own)) / parts
    return math.sqrt(max(square, 0.0))


def _inner_peak(size2: Array, inward: int) -> NDArray[np.intp]:
    """First local maximum, coming from the inside, of at least half the row's largest step."""
    ordered = size2[:, ::-1] if inward > 0 else size2
    before = np.roll(ordered, 1, axis=1)
    after = np.roll(ordered, -1, axis=1)
    peak = (ordered >= before) & (ordered > after)
    peak &= ordered > 0.35 * ordered.max(axis=1, keepdims=True)
    first = np.argmax(peak, axis=1)
    return first if inward < 0 else size2.shape[1] - 1 - first


def bent(pose: GridPose, line: Array, normal: Array, across: Array) -> NDArray[np.float32]:
    """Pixels as photographed at distances ``across`` (px) from undistorted points of a line.

    The lens is taken to first order across the line, shape (len(line), len(across), 2).
    """
    middle = pose.camera.distort(line)
    side = pose.camera.distort(line + normal) - middle
    out = middle[:, None, :] + across[None, :, None] * side[:, None, :]
    return np.asarray(out, np.float32)


def _middle(values: Array) -> float:
    """Median, or for an even number of values the upper of the two in the middle."""
    k = len(values) // 2
    return float(np.partition(values, k)[k])


def _consensus(s: Array, t: Array, weight: Array, tolerance: float = 0.7) -> tuple[float, float]:
    """Offset and slope of the line that most weight lies within ``tolerance`` of.

    Lines through pairs of points, one from each end, are tried (a deterministic form of random
    sample consensus, Fischler & Bolles 1981, Comm. ACM 24): a second edge beside the first along
    part of the length, as a highlight is, then has no say.
    """
    order = np.argsort(s)
    n = len(order)
    first = order[np.unique(np.linspace(0, 0.45 * (n - 1), 14).astype(int))]
    last = order[np.unique(np.linspace(0.55 * (n - 1), n - 1, 14).astype(int))]
    i, j = (m.ravel() for m in np.meshgrid(first, last, indexing="ij"))
    apart = s[j] - s[i]
    i, j, apart = i[apart > 0], j[apart > 0], apart[apart > 0]
    if len(i) == 0:
        return float(np.median(t)), 0.0
    slope = (t[j] - t[i]) / apart
    offset = t[i] - slope * s[i]
    r = t - offset[:, None] - slope[:, None] * s
    best = int(np.argmax((weight * np.maximum(1 - (r / tolerance) ** 2, 0)).sum(axis=1)))
    return float(offset[best]), float(slope[best])


def _ink_near(
    pose: GridPose, xy: Array, normal: Array, gate: float, inward: int = 0
) -> NDArray[np.bool_]:
    """True where a printed line, or its ghost, lies within ``gate`` px across the edge.

    With ``inward`` (+1 or -1 along the normal), ink on that side is hidden by the rod.
    """
    low, high = -gate - 1, gate + 1
    if inward > 0:
        high = 1.0
    elif inward < 0:
        low = -1.0
    shift = np.linspace(low, high, 5)[:, None, None]
    out = np.zeros((5, len(xy)), bool)
    for grid in lattices(pose, xy + shift * normal):
        out |= (np.abs(grid - np.round(grid)) < pose.ink_half_width).any(axis=-1)
    return np.asarray(out.any(axis=0))
