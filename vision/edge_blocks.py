"""A rough segment on a colour picture -> a straight edge fitted block by block.

Comes in: colour channels and a segment good to a few pixels. Goes out: an `EdgeFit` and the points
it rests on. Unlike one fit over all pixels, blocks that another thing covers (a guard, a label, a
grid line, a speck) are left out as a whole, which is what long edges in a cluttered picture need.

Each block's mean profile across the edge is fitted with low + contrast * Phi(d / s) by
Gauss-Newton, the blur s shared by all blocks; a straight line through the blocks' positions is
then found by iteratively reweighted least squares with Tukey's biweight (Huber & Ronchetti,
Robust Statistics, 2nd ed., 2009, ch. 7). The channels are first projected on the colour difference
across the edge, so that an edge between two colours of equal brightness is as good as any.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.edges import EdgeFit, blurred_step

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
STEP = 0.5  # px between samples across
MAX_BLOCKS = 40
LEAST_TOLD = 0.8  # share of an edge's own slope that must be seen in a block
# Share of the window, and Gauss-Newton steps in it.
PASSES = ((1.0, 6), (0.8, 4), (0.65, 4), (0.5, 4), (0.5, 4))
ROUGH_PASSES = ((1.0, 5), (0.6, 3))
LEAST_BLUR, START_BLUR = 1.2, 0.12  # where a fit begins: px, of the window's half width
MOST_CHANGE_PX, MOST_CHANGE = 0.6, 0.2  # of the blur in one step: px, of the blur
SHIFT_BLURS = 0.15  # twice that made U a fifth too wide where edges are sharp (867 readings)


@dataclass(frozen=True)
class BlockFit:
    """A fitted edge and its blocks.

    Parameters
    ----------
    edge : EdgeFit
    points : ndarray, shape (N, 2)
        Blocks used, pixels.
    share : float
        Share of the blocks used.
    ends_share : float
        The smaller share of blocks used in the first and the last fifth.
    signal : float
        Median over used blocks of contrast over the profile's residual noise.
    used : ndarray of bool, shape (B,)
        Which of all blocks, from one end to the other, were used.
    """

    edge: EdgeFit
    points: Array
    share: float
    ends_share: float
    signal: float
    used: NDArray[np.bool_]

    def stretch(self, whole: bool) -> tuple[Array, Array]:
        """Ends of the stretch on which the edge is seen.

        From the first run of three used blocks to the last where the ``whole`` edge is asked for,
        whatever hides its middle; otherwise the stretch with the largest number of used blocks less
        unused ones.
        """
        start, end = (np.asarray(p) for p in self.edge.ends)
        if whole:
            runs = np.nonzero(np.convolve(self.used, np.ones(3), "valid") > 2.5)[0]
            first, last = (int(runs[0]), int(runs[-1]) + 3) if runs.size else (0, len(self.used))
        else:
            gain = np.concatenate([[0], np.cumsum(np.where(self.used, 1, -1))])
            last = int(np.argmax(gain - np.minimum.accumulate(gain)))
            first = int(np.argmin(gain[: last + 1]))
        step = (end - start) / len(self.used)
        return start + first * step, start + last * step

    def scaled(self, k: float) -> BlockFit:
        """The same fit in a picture ``k`` times as large; pixel centres at integers."""
        e = self.edge
        stretch = np.array([k, 1.0])
        edge = replace(
            e,
            x=(e.x + 0.5) * k - 0.5,
            y=(e.y + 0.5) * k - 0.5,
            length=e.length * k,
            covariance=e.covariance * np.outer(stretch, stretch),
            blur=e.blur * k,
            straightness=e.straightness * k,
        )
        points = (self.points + 0.5) * k - 0.5
        return replace(self, edge=edge, points=points)


def fit_blocks(
    channels: Picture,
    p0: ArrayLike,
    p1: ArrayLike,
    reach: float = 6.0,
    turn_deg: float = 1.2,
    half_width: float = 7.0,
    trim: float = 0.03,
    hidden: NDArray[np.bool_] | None = None,
    rough: bool = False,
) -> BlockFit | None:
    """Fit the straight edge near a rough segment.

    Parameters
    ----------
    channels : ndarray, shape (H, W, C), float32
    p0, p1 : array_like, shape (2,)
        Rough ends, pixels.
    reach, turn_deg : float
        Largest shift (px) and turn (degrees) of the first search.
    half_width : float
        Half width of the profile window, px.
    trim : float
        Share of the length left out at each end.
    hidden : ndarray of bool, shape (H, W), optional
        Pixels to leave out: something else, such as printed ink, is seen there.
    rough : bool
        Half the passes: good enough to tell edges apart, not to measure them.

    Returns
    -------
    BlockFit or None
        None where there is no steady edge.
    """
    start, end = np.asarray(p0, float), np.asarray(p1, float)
    length = float(np.linalg.norm(end - start))
    if length < 16:
        return None
    along = (end - start) / length
    across = np.array([-along[1], along[0]])
    middle = (start + end) / 2
    length *= 1 - 2 * trim
    blocks = int(np.clip(length / 6, 6, MAX_BLOCKS))
    columns = blocks * int(np.clip(length / blocks, 3, 12))
    t = (np.arange(columns) + 0.5) / columns * length - length / 2
    tb = t.reshape(blocks, -1).mean(axis=1)
    lean = math.tan(math.radians(turn_deg)) * length / 2
    half = reach + lean + half_width + 2
    d = np.asarray(np.arange(-math.ceil(half / STEP), math.ceil(half / STEP) + 1) * STEP, float)
    start = middle + t[0] * along + d[0] * across
    step = length / columns
    # Pixel (i, j) of the strip lies at start + i STEP across + j step along.
    turn = np.stack([STEP * across, step * along, start], axis=1)
    height, width = channels.shape[:2]
    usable, share = _inside(turn, columns, len(d), width, height)
    if share < 0.6:
        return None
    usable = usable.reshape(blocks, -1).mean(axis=1) > 0.95
    strip = cv2.warpAffine(
        channels,
        turn,
        (len(d), columns),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    cells = np.asarray(strip, np.float32).reshape(blocks, -1, len(d), channels.shape[2])
    seen = None
    if hidden is None:
        profile = cells.mean(axis=1)
    else:
        profile, seen = _without_hidden(cells, turn, hidden)
    found = _first_line(profile, d, tb, length, reach, lean, usable)
    if found is None:
        return None
    offset, slope = found
    grey = _project(profile, d, offset + slope * tb, usable, seen)
    passes = ROUGH_PASSES if rough else PASSES
    return _refine(
        grey, d, tb, length, offset, slope, half_width, usable, seen, middle, along, across, passes
    )


def _inside(turn: Array, columns: int, across: int, width: int, height: int) -> tuple[Array, float]:
    """Share of each column of a strip that lies in the picture, and of the whole strip."""
    j, i = np.mgrid[:columns, : across : max(1, (across - 1) // 4)]
    x, y = (turn[k, 0] * i + turn[k, 1] * j + turn[k, 2] for k in (0, 1))
    inside = (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)
    return inside.mean(axis=1), float(inside.mean())


def _without_hidden(
    cells: NDArray[np.float32], turn: Array, hidden: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.bool_] | None]:
    """Mean profile of each block over what is not hidden, gaps bridged, and what was seen.

    ``cells`` is (blocks, columns, across, channels); both results are (blocks, across, ...).
    """
    blocks, columns, across, _ = cells.shape
    covered = cv2.warpAffine(
        hidden.view(np.uint8),
        turn,
        (across, blocks * columns),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    open_ = 1 - np.asarray(covered, np.float32).reshape(blocks, columns, across)
    share = open_.mean(axis=1)
    if share.min() > 0.99:
        return cells.mean(axis=1), None
    seen = share > 0.34
    total = np.einsum("bkd,bkdc->bdc", open_, cells)
    profile = total / np.maximum(open_.sum(axis=1), 1.0)[..., None]
    place = np.arange(across)
    for k in np.nonzero(~seen.all(axis=1))[0]:
        if seen[k].sum() < 2:
            profile[k] = cells[k].mean(axis=0)
            continue
        for c in range(profile.shape[2]):
            profile[k, :, c] = np.interp(place, place[seen[k]], profile[k, seen[k], c])
    return np.asarray(profile, np.float32), seen


def _first_line(
    profile: NDArray[np.float32],
    d: Array,
    tb: Array,
    length: float,
    reach: float,
    lean: float,
    usable: NDArray[np.bool_],
) -> tuple[float, float] | None:
    """Strongest line by a clipped Radon sum of the colour gradient across."""
    kernel = np.exp(-0.5 * (np.arange(-6, 7) * STEP / 1.2) ** 2)
    kernel *= np.arange(-6, 7)
    kernel /= np.abs(kernel).sum()
    slope = np.stack(
        [
            cv2.filter2D(
                np.ascontiguousarray(profile[..., c]),
                cv2.CV_32F,
                kernel[None, :].astype(np.float32),
                borderType=cv2.BORDER_REPLICATE,
            )
            for c in range(profile.shape[2])
        ],
        axis=-1,
    )
    size = np.linalg.norm(slope, axis=-1, keepdims=True)
    cap = 0.6 * float(np.quantile(size.max(axis=1), 0.85)) + 1e-9
    slope = slope * np.minimum(1, cap / np.maximum(size, 1e-9))
    slope[~usable] = 0
    # Every other sample and every other lean first, then all about the best.
    coarse = np.linspace(-lean, lean, 2 * max(1, round(lean / STEP / 2)) + 1)
    _, _, near = _best_lean(slope[:, ::2], d[::2], coarse, tb, length, reach)
    fine = near + np.array([-STEP, 0.0, STEP])
    value, offset, turn = _best_lean(slope, d, fine, tb, length, reach)
    return (offset, turn * 2 / length) if value > 2e-4 else None


def _best_lean(
    slope: NDArray[np.float32], d: Array, leans: Array, tb: Array, length: float, reach: float
) -> tuple[float, float, float]:
    """Largest mean slope across along any line, its offset and its lean (px at the end)."""
    best = (-1.0, 0.0, 0.0)
    base = np.arange(len(d))
    keep = np.abs(d) <= reach
    rows = np.arange(len(tb))[:, None]
    step = float(d[1] - d[0])
    for lean in leans:
        shift = np.round(2 * tb / length * lean / step).astype(int)
        index = np.clip(base[keep] + shift[:, None], 0, len(d) - 1)
        mean = slope[rows, index].mean(axis=0)
        total = np.einsum("ij,ij->i", mean, mean)
        k = int(np.argmax(total))
        if total[k] > best[0]:
            best = (float(total[k]), float(d[keep][k]), float(lean))
    return math.sqrt(max(best[0], 0.0)), best[1], best[2]


def _project(
    profile: NDArray[np.float32],
    d: Array,
    position: Array,
    usable: NDArray[np.bool_],
    seen: NDArray[np.bool_] | None,
) -> Array:
    """Profiles along the colour difference across the line."""
    far = d[None, :] - position[:, None]
    high = np.where(((far > 1.5) & (far < 6))[..., None], profile, np.nan)
    low = np.where(((far < -1.5) & (far > -6))[..., None], profile, np.nan)
    difference = np.nanmean(high, axis=1) - np.nanmean(low, axis=1)
    difference = np.nan_to_num(difference[usable])
    # The direction in colour that most blocks' steps share; strong blocks speak loudest.
    direction = np.linalg.svd(difference, full_matrices=False)[2][0]
    return np.asarray(profile @ direction, float)


def _refine(
    grey: Array,
    d: Array,
    tb: Array,
    length: float,
    offset: float,
    slope: float,
    half_width: float,
    usable: NDArray[np.bool_],
    seen: NDArray[np.bool_] | None,
    middle: Array,
    along: Array,
    across: Array,
    passes: tuple[tuple[float, int], ...],
) -> BlockFit | None:
    blur = max(LEAST_BLUR, START_BLUR * half_width)
    shifts = np.zeros_like(tb)
    weight = usable.astype(float)
    contrast = noise = np.zeros_like(tb)
    for narrow, iterations in passes:
        # Narrowing parts the two edges of a bevel; three blurs either side carry the edge.
        width = max(narrow * half_width, min(3.2 * blur + 1.0, half_width))
        base = offset + slope * tb
        shifts, blur, contrast, noise, told = _profiles(
            grey, d, base, width, blur, usable, seen, iterations
        )
        sign = 1.0 if np.sum(contrast[usable]) >= 0 else -1.0
        strength = sign * contrast
        typical = float(np.quantile(strength[usable], 0.85))
        sound = (
            usable
            & (strength > 0.25 * max(typical, 1e-6))
            & (strength > 1.5 * noise)
            & (np.abs(shifts) < 0.6 * width)
            & (told > LEAST_TOLD)
        )
        if int(sound.sum()) < 4:
            return None
        position = base + shifts
        offset, slope, weight = _robust_line(tb, position, sound, narrow < 1.0, offset, slope)
        if int((weight > 0.3).sum()) < 4:
            return None
    residual = offset + slope * tb
    residual = position - residual
    used = weight > 0.3
    x, y, w = tb[used], residual[used], weight[used]
    scatter = math.sqrt(float(np.sum(w * y * y) / max(np.sum(w) - 2, 1)))
    near = np.diff(np.nonzero(used)[0]) == 1
    if near.sum() > 4 and scatter > 0:
        rho = float(np.clip(np.mean(y[:-1][near] * y[1:][near]) / np.mean(y * y), 0, 0.8))
    else:
        rho = 0.3
    inflate = (1 + rho) / (1 - rho)
    design = np.stack([np.ones_like(x), x], axis=1)
    covariance = np.linalg.inv(design.T @ (design * w[:, None])) * scatter**2 * inflate
    # Shading, ink and compression shift the ends of an edge by some part of its blur, whatever
    # the scatter says; the less of the edge is seen, the more that turns it.
    centre = float((w * x).sum() / w.sum())
    spread = math.sqrt(float((w * (x - centre) ** 2).sum() / w.sum()))
    turn_floor = SHIFT_BLURS * blur / min(math.sqrt(12) * spread + 1e-9, length)
    lever = np.array([-centre, 1.0])
    covariance = covariance + np.outer(lever, lever) * turn_floor**2
    fifth = max(1, len(tb) // 5)
    angle0 = math.atan2(along[1], along[0])
    turn = math.atan(slope)
    x0, y0 = middle + across * offset
    points = middle + x[:, None] * along + (offset + slope * x + y)[:, None] * across
    edge = EdgeFit(
        x=float(x0),
        y=float(y0),
        angle=angle0 + turn,
        length=length / math.cos(turn),
        covariance=covariance,
        blur=blur,
        contrast=float(np.median(contrast[used])),
        noise=float(np.median(noise[used])),
        straightness=float(np.sqrt(np.mean(y * y))),
        clipped=0.0,
    )
    return BlockFit(
        edge,
        points,
        float(used.mean()),
        float(min(used[:fifth].mean(), used[-fifth:].mean())),
        float(np.median(np.abs(contrast[used]) / np.maximum(noise[used], 1e-4))),
        used,
    )


def _profiles(
    grey: Array,
    d: Array,
    base: Array,
    width: float,
    blur: float,
    usable: NDArray[np.bool_],
    seen: NDArray[np.bool_] | None,
    iterations: int,
) -> tuple[Array, float, Array, Array, Array]:
    """Shift of the edge in every block from ``base``, common blur, contrasts, noise.

    Last, how much of the edge's own slope was seen, 0 to 1.
    """
    count = int(2 * width / STEP) + 1
    first = np.ceil((base - width - d[0]) / STEP).astype(int)
    index = np.clip(first[:, None] + np.arange(count), 0, len(d) - 1)
    values = np.take_along_axis(grey, index, axis=1)
    far0 = d[index] - base[:, None]
    window = (np.abs(far0) <= width).astype(float)
    inside = window if seen is None else window * np.take_along_axis(seen, index, axis=1)
    n = np.maximum(inside.sum(axis=1), 1.0)[:, None]
    values = inside * (values - (inside * values).sum(axis=1)[:, None] / n)
    shifts = np.zeros(len(base))
    contrast = noise = shifts
    for iteration in range(iterations):
        z = (far0 - shifts[:, None]) / blur
        step, density = (inside * part for part in blurred_step(z))
        step -= inside * (step.sum(axis=1)[:, None] / n)
        density /= blur
        variance = np.maximum(np.einsum("ij,ij->i", step, step), 1e-9)
        contrast = np.einsum("ij,ij->i", step, values) / variance
        residual = values - contrast[:, None] * step
        noise = np.sqrt(np.einsum("ij,ij->i", residual, residual) / np.maximum(n[:, 0] - 3, 1))
        delta = _pull(-density, step, variance, residual, contrast, inside, n)
        shifts = np.clip(shifts + np.clip(delta, -1.0, 1.0), -width, width)
        if 0 < iteration < iterations - 1:
            ratio = _pull(-density * z, step, variance, residual, contrast, inside, n)
            most = max(MOST_CHANGE_PX, MOST_CHANGE * blur)
            change = np.clip(_median(ratio[usable]), -most, most)
            blur = float(np.clip(blur + change, 0.5, width / 2))
    if seen is None:
        return shifts, blur, contrast, noise, np.ones(len(base))
    steepness = np.exp(-(((far0 - shifts[:, None]) / blur) ** 2))
    told = (inside * steepness).sum(axis=1) / np.maximum((window * steepness).sum(axis=1), 1e-9)
    return shifts, blur, contrast, noise, told


def _pull(
    slope: Array,
    step: Array,
    variance: Array,
    residual: Array,
    contrast: Array,
    inside: Array,
    n: Array,
) -> Array:
    """Change of a parameter that the residual asks for, the levels left free.

    Their part of ``slope`` is taken out (variable projection).
    """
    slope = slope - inside * (slope.sum(axis=1)[:, None] / n)
    slope = slope - (np.einsum("ij,ij->i", slope, step) / variance)[:, None] * step
    gain = np.einsum("ij,ij->i", slope, slope)
    asked = np.einsum("ij,ij->i", slope, residual)
    return np.asarray(contrast * asked / np.maximum(contrast**2 * gain, 1e-12))


def _median(values: Array) -> float:
    """Upper median: quicker than NumPy's for short arrays."""
    k = values.size // 2
    return float(np.partition(values, k)[k])


def _robust_line(
    x: Array, y: Array, sound: NDArray[np.bool_], started: bool, intercept: float, slope: float
) -> tuple[float, float, Array]:
    """Intercept, slope and biweight weights; starts from the median of pair slopes."""
    if not started:
        xs, ys = x[sound], y[sound]
        i, j = np.triu_indices(len(xs), 1)
        far = np.abs(xs[j] - xs[i]) > 0.2 * (xs.max() - xs.min() + 1e-9)
        slope = _median((ys[j] - ys[i])[far] / (xs[j] - xs[i])[far]) if far.any() else 0.0
        intercept = _median(ys - slope * xs)
    weight = sound.astype(float)
    for _ in range(6):
        residual = y - intercept - slope * x
        scale = max(1.4826 * _median(np.abs(residual[sound])), 0.05)
        u = residual / (4.685 * scale)
        weight = np.where(sound & (np.abs(u) < 1), (1 - u * u) ** 2, 0.0)
        total = weight.sum()
        mx, my = (weight * x).sum() / total, (weight * y).sum() / total
        sxx = (weight * (x - mx) ** 2).sum()
        if sxx <= 0:
            break
        slope = float((weight * (x - mx) * (y - my)).sum() / sxx)
        intercept = float(my - slope * mx)
    return intercept, slope, weight
