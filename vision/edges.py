"""Sub-pixel straight edges: a rough segment in, a fitted edge with covariance out.

The model of a straight step edge seen through a Gaussian blur s is, for a pixel at distance d from
the line, I = low + contrast * Phi(d / s), Phi the normal distribution function. All pixels of a
narrow strip are fitted at once (position, direction, blur, levels and their drift along the edge)
by Gauss-Newton on the pixels themselves, without resampling.

Bound. For white pixel noise n, contrast c and an edge of length L px, the Fisher information on
the normal offset per unit length is (c/n)^2 * integral phi_s(d)^2 dd = (c/n)^2 / (2 sqrt(pi) s), so
that on the direction is that times integral t^2 dt = L^3/12, and the Cramer-Rao bound is
sigma = sqrt(24 sqrt(pi) s) (n/c) / L^1.5 rad (Kay, Fundamentals of Statistical Signal Processing:
Estimation Theory, 1993, ch. 3; worked here for the erf edge). Levels that may drift along the
edge are fitted too; in a strip of half width W that costs a share sqrt(pi) s / W of the
information, so a strip of 6 blurs stands at 1.19 times the bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.reading import Segment

Grey = NDArray[np.float32]
MIN_LENGTH_PX = 8.0
BLOCKS = 12
CLIP_LOW, CLIP_HIGH = 2.5 / 255, 252.5 / 255


@dataclass(frozen=True)
class EdgeFit:
    """A fitted straight edge.

    Parameters
    ----------
    x, y : float
        Middle of the fitted segment, pixels.
    angle : float
        Direction from the first to the second end, radians, image convention (y down).
    length : float
        Pixels.
    covariance : ndarray, shape (2, 2)
        Of (normal offset at the middle in px, direction in rad).
    blur : float
        Gaussian standard deviation of the edge, px.
    contrast : float
        Signed step: positive where the picture is brighter on the right-hand side of the
        direction of travel (that is, on the side of ``normal``).
    noise : float
        Standard deviation of the residuals, in the units of ``contrast``.
    straightness : float
        RMS normal offset of short blocks of the edge from the line, px.
    clipped : float
        Share of the pixels within 3 blurs of the edge that are black or white.
    """

    x: float
    y: float
    angle: float
    length: float
    covariance: NDArray[np.float64]
    blur: float
    contrast: float
    noise: float
    straightness: float
    clipped: float

    @property
    def direction(self) -> NDArray[np.float64]:
        """Unit vector along the edge."""
        return np.array([math.cos(self.angle), math.sin(self.angle)])

    @property
    def normal(self) -> NDArray[np.float64]:
        """Unit vector square to the edge, 90 degrees from `direction` towards +y from +x."""
        return np.array([-math.sin(self.angle), math.cos(self.angle)])

    @property
    def ends(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """End points in pixels."""
        middle = np.array([self.x, self.y])
        half = self.direction * self.length / 2
        return middle - half, middle + half

    @property
    def angle_u(self) -> float:
        """Standard uncertainty of the direction, radians."""
        return math.sqrt(float(self.covariance[1, 1]))

    @property
    def offset_u(self) -> float:
        """Standard uncertainty of the normal offset at the middle, px."""
        return math.sqrt(float(self.covariance[0, 0]))

    def segment(self, name: str, role: str = "edge") -> Segment:
        """The edge as a named `Segment`."""
        (x0, y0), (x1, y1) = self.ends
        return Segment(name, role, float(x0), float(y0), float(x1), float(y1))


Angle = TypeVar("Angle", float, NDArray[Any])


def half_turn(angle: Angle) -> Angle:
    """The angle of an undirected line, brought into -pi/2 to pi/2 radians."""
    return (angle + math.pi / 2) % math.pi - math.pi / 2


def blurred_step(z: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Profile of a step that a Gaussian has blurred, 0 to 1, and its slope.

    They are the normal distribution's cumulative and its density.

    Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.2.17: good to 7.5e-8. SciPy
    has it to the last digit, but takes a quarter of a second to load.
    """
    t = 1 / (1 + 0.2316419 * np.abs(z))
    tail = t * (0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978
                + t * 1.330274429))))  # fmt: skip
    density = np.exp(-0.5 * z * z) * 0.3989422804014327
    tail *= density
    return np.where(z > 0, 1 - tail, tail), density


def cramer_rao_angle(length: float, blur: float, noise_over_contrast: float) -> float:
    """Smallest possible standard deviation of an edge's direction, radians (module docstring)."""
    return math.sqrt(24 * math.sqrt(math.pi) * blur) * noise_over_contrast / length**1.5


def snap_line(
    grey: Grey,
    p0: ArrayLike,
    p1: ArrayLike,
    reach: float = 10.0,
    turn_deg: float = 3.0,
    polarity: int = 0,
    smooth: float = 1.2,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float] | None:
    """Strongest straight edge near a roughly drawn segment.

    The strip round the segment is straightened, differentiated across, and summed along every
    shear and shift within reach (a local Radon transform).

    Parameters
    ----------
    grey : ndarray, shape (H, W)
    p0, p1 : array_like, shape (2,)
        Rough ends, pixels.
    reach, turn_deg : float
        Largest shift (px) and turn (degrees) searched.
    polarity : {-1, 0, 1}
        Sign of the wanted contrast (see `EdgeFit.contrast`); 0 takes either.
    smooth : float
        Gaussian smoothing across, px.

    Returns
    -------
    (q0, q1, contrast_per_px) or None
        New ends (same length along the drawn direction) and the mean signed slope along the edge;
        None where the strip leaves the picture or is flat.
    """
    start, end = np.asarray(p0, float), np.asarray(p1, float)
    length = float(np.linalg.norm(end - start))
    if length < MIN_LENGTH_PX:
        return None
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    rows = int(np.clip(length / 2, 8, 160))
    lean = math.tan(math.radians(turn_deg)) * length / 2
    half = reach + lean + 3 * smooth
    offsets = np.arange(-half, half + 0.25, 0.5)
    ts = (np.arange(rows) + 0.5) / rows * length
    points = start + ts[:, None, None] * along + offsets[None, :, None] * across
    strip = cv2.remap(
        grey,
        points[..., 0].astype(np.float32),
        points[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inside = (
        (points[..., 0] >= 0)
        & (points[..., 0] <= grey.shape[1] - 1)
        & (points[..., 1] >= 0)
        & (points[..., 1] <= grey.shape[0] - 1)
    )
    kernel = _gaussian_derivative(smooth / 0.5)
    slope = cv2.filter2D(strip, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    slope = np.where(inside, slope, 0.0) / 0.5
    shears = np.linspace(-lean, lean, 2 * max(int(lean / 0.5), 1) + 1) if lean > 0.2 else [0.0]
    relative = (ts / length - 0.5) * 2
    keep = np.abs(offsets) <= reach
    best: tuple[float, float, float, float] | None = None
    columns = np.arange(len(offsets))
    for shear in shears:
        index = columns[None, :] + np.round(relative[:, None] * shear / 0.5).astype(int)
        valid = (index >= 0) & (index < len(offsets))
        values = np.where(
            valid, np.take_along_axis(slope, np.clip(index, 0, len(offsets) - 1), 1), 0
        )
        total = values.mean(axis=0)
        score = total * polarity if polarity else np.abs(total)
        score = np.where(keep, score, -np.inf)
        k = int(np.argmax(score))
        if best is None or score[k] > best[0]:
            best = (float(score[k]), float(shear), float(offsets[k]), float(total[k]))
    if best is None or best[0] <= 1e-5:
        return None
    _, shear, shift, signed = best
    return start + across * (shift - shear), end + across * (shift + shear), signed


def fit_edge(
    grey: Grey,
    p0: ArrayLike,
    p1: ArrayLike,
    half_width: float = 6.0,
    polarity: int = 0,
    max_shift: float = 4.0,
    max_turn_deg: float = 3.0,
    blur_start: float = 1.5,
) -> EdgeFit | None:
    """Fit the edge near a segment that is already good to about two blurs.

    Parameters
    ----------
    grey : ndarray, shape (H, W), float32
    p0, p1 : array_like, shape (2,)
        Ends of the segment, pixels; the fit keeps them along the edge.
    half_width : float
        Half width of the strip, px. Keep other edges out of it.
    polarity : {-1, 0, 1}
        Required sign of the contrast; 0 takes either.
    max_shift, max_turn_deg : float
        A fit that wanders further than this is rejected.
    blur_start : float
        First guess of the blur, px.

    Returns
    -------
    EdgeFit or None
        None where no edge of the wanted sign is there, or the fit left its bounds.
    """
    start, end = np.asarray(p0, float), np.asarray(p1, float)
    length = float(np.linalg.norm(end - start))
    if length < MIN_LENGTH_PX:
        return None
    middle = (start + end) / 2
    angle0 = math.atan2(end[1] - start[1], end[0] - start[0])
    window = _strip_pixels(grey, middle, angle0, length, half_width + max_shift)
    if window is None:
        return None
    t, d, values = window
    offset, slope = 0.0, 0.0
    blur = blur_start
    solution = None
    for _ in range(4):
        near = np.abs(d - offset - slope * t) <= half_width
        if int(near.sum()) < 4 * length * 0.5:
            return None
        solution = _gauss_newton(t[near], d[near], values[near], length, offset, slope, blur)
        if solution is None:
            return None
        moved = abs(solution.offset - offset) + abs(solution.slope - slope) * length / 2
        offset, slope, blur = solution.offset, solution.slope, solution.blur
        if abs(offset) > max_shift or abs(slope) > math.tan(math.radians(max_turn_deg)):
            return None
        if moved < 0.02:
            break
    assert solution is not None
    if polarity and solution.contrast * polarity <= 0:
        return None
    if abs(solution.contrast) < 2 * solution.noise / math.sqrt(length):
        return None
    return _finish(solution, t, d, values, middle, angle0, length, half_width)


@dataclass(frozen=True)
class _Solution:
    offset: float
    slope: float
    blur: float
    contrast: float
    noise: float
    parameters: NDArray[np.float64]
    covariance: NDArray[np.float64]


def _strip_pixels(
    grey: Grey, middle: NDArray[np.float64], angle: float, length: float, half: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Pixels within ``half`` of the segment: along, across, value."""
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-along[1], along[0]])
    corners = np.array(
        [middle + sa * along * length / 2 + sc * across * half for sa in (-1, 1) for sc in (-1, 1)]
    )
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.minimum(
        np.ceil(corners.max(axis=0)).astype(int), (grey.shape[1] - 1, grey.shape[0] - 1)
    )
    if np.any(high <= low):
        return None
    if abs(along[0]) >= abs(along[1]):
        major = np.arange(low[0], high[0] + 1)
        centre = middle[1] + (major - middle[0]) * along[1] / along[0]
        reach = half / abs(along[0])
        first = np.ceil(centre - reach).astype(int)
        span = np.arange(int(2 * reach) + 1)
        ys = first[:, None] + span
        xs = np.broadcast_to(major[:, None], ys.shape)
    else:
        major = np.arange(low[1], high[1] + 1)
        centre = middle[0] + (major - middle[1]) * along[0] / along[1]
        reach = half / abs(along[1])
        first = np.ceil(centre - reach).astype(int)
        span = np.arange(int(2 * reach) + 1)
        xs = first[:, None] + span
        ys = np.broadcast_to(major[:, None], xs.shape)
    inside = (xs >= 0) & (ys >= 0) & (xs < grey.shape[1]) & (ys < grey.shape[0])
    xs, ys = xs[inside], ys[inside]
    t = (xs - middle[0]) * along[0] + (ys - middle[1]) * along[1]
    d = (xs - middle[0]) * across[0] + (ys - middle[1]) * across[1]
    keep = (np.abs(t) <= length / 2) & (np.abs(d) <= half)
    if int(keep.sum()) < 16:
        return None
    return t[keep], d[keep], grey[ys[keep], xs[keep]].astype(float)


def _gauss_newton(
    t: NDArray[np.float64],
    d: NDArray[np.float64],
    values: NDArray[np.float64],
    length: float,
    offset: float,
    slope: float,
    blur: float,
) -> _Solution | None:
    """Fit (offset, slope, ln blur, low, drift, gradient, contrast, its drift); robust weights."""
    tau = t * (2 / length)
    far = d - offset - slope * t
    low_side = values[far < -blur]
    high_side = values[far > blur]
    if low_side.size < 4 or high_side.size < 4:
        return None
    low = float(np.median(low_side))
    contrast = float(np.median(high_side)) - low
    p = np.array([offset, slope * length / 2, math.log(blur), low, 0.0, contrast, 0.0])
    weights = np.ones_like(values)
    residual = values
    jacobian = np.empty((len(values), 7))
    for iteration in range(12):
        s = math.exp(p[2])
        z = (d - p[0] - p[1] * tau) / s
        step, density = blurred_step(z)
        density /= s
        height = p[5] + p[6] * tau
        residual = values - (p[3] + p[4] * tau + height * step)
        common = -height * density
        jacobian[:, 0] = common
        jacobian[:, 1] = common * tau
        jacobian[:, 2] = common * z * s
        jacobian[:, 3] = 1.0
        jacobian[:, 4] = tau
        jacobian[:, 5] = step
        jacobian[:, 6] = tau * step
        if iteration:
            scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-6
            weights = 1.0 / np.maximum(1.0, np.abs(residual) / (2.5 * scale))
        weighted = jacobian * weights[:, None]
        normal_matrix = weighted.T @ jacobian
        normal_matrix[np.diag_indices(7)] *= 1 + 1e-6
        try:
            delta = np.linalg.solve(normal_matrix, weighted.T @ residual)
        except np.linalg.LinAlgError:
            return None
        delta[0] = np.clip(delta[0], -2, 2)
        delta[1] = np.clip(delta[1], -2, 2)
        delta[2] = np.clip(delta[2], -0.5, 0.5)
        p = p + delta
        p[2] = np.clip(p[2], math.log(0.3), math.log(12.0))
        if abs(delta[0]) + abs(delta[1]) + abs(delta[2]) < 1e-3 and iteration >= 2:
            break
    noise = math.sqrt(float(np.sum(weights * residual**2) / max(np.sum(weights) - 7, 1)))
    try:
        covariance = np.asarray(np.linalg.inv(normal_matrix) * noise**2, float)
    except np.linalg.LinAlgError:
        return None
    if not np.all(np.isfinite(p)) or not np.all(np.isfinite(covariance)):
        return None
    return _Solution(
        float(p[0]),
        float(p[1] * 2 / length),
        math.exp(p[2]),
        float(p[5]),
        noise,
        p,
        covariance,
    )


def _finish(
    solution: _Solution,
    t: NDArray[np.float64],
    d: NDArray[np.float64],
    values: NDArray[np.float64],
    middle: NDArray[np.float64],
    angle0: float,
    length: float,
    half_width: float,
) -> EdgeFit:
    """Straightness by blocks, clipping, and a covariance widened to the blocks' scatter."""
    p = solution.parameters
    tau = t * (2 / length)
    s = solution.blur
    far = d - p[0] - p[1] * tau
    near = np.abs(far) <= min(half_width, max(3 * s, 1.5))
    z = far[near] / s
    height = p[5] + p[6] * tau[near]
    step, density = blurred_step(z)
    residual = values[near] - (p[3] + p[4] * tau[near] + height * step)
    pull = -height * density / s
    count = int(np.clip(length / 6, 3, BLOCKS))
    block = np.clip(((tau[near] + 1) / 2 * count).astype(int), 0, count - 1)
    weight = np.bincount(block, pull * pull, count)
    shift = np.bincount(block, pull * residual, count) / np.maximum(weight, 1e-12)
    good = weight > 0.1 * float(np.median(weight))
    shifts = np.clip(shift[good], -3 * s - 1, 3 * s + 1)
    straightness = float(np.sqrt(np.mean(shifts**2))) if shifts.size else float("inf")
    expected = solution.noise / math.sqrt(max(float(np.median(weight)), 1e-12))
    inflate = max(1.0, straightness / max(expected, 1e-9))
    turn = math.atan(solution.slope)
    covariance = np.array(
        [
            [solution.covariance[0, 0], solution.covariance[0, 1] * 2 / length],
            [solution.covariance[0, 1] * 2 / length, solution.covariance[1, 1] * 4 / length**2],
        ]
    )
    clipped = float(np.mean((values[near] < CLIP_LOW) | (values[near] > CLIP_HIGH)))
    across = np.array([-math.sin(angle0), math.cos(angle0)])
    x, y = middle + across * solution.offset
    return EdgeFit(
        x=float(x),
        y=float(y),
        angle=angle0 + turn,
        length=length / math.cos(turn),
        covariance=covariance * inflate**2,
        blur=s,
        contrast=solution.contrast,
        noise=solution.noise,
        straightness=straightness,
        clipped=clipped,
    )


def _gaussian_derivative(sigma: float) -> NDArray[np.float32]:
    """Correlation kernel for the derivative of a Gaussian-smoothed signal (1-D)."""
    radius = max(int(3 * sigma + 0.5), 1)
    x = np.arange(-radius, radius + 1, dtype=float)
    g = np.exp(-0.5 * (x / sigma) ** 2)
    g /= g.sum()
    return (x / sigma**2 * g).astype(np.float32)
