"""The direction of a record's grooves near the stylus, from their texture.

Smear a picture along a slope and everything fades but the lines of that slope: the groove
direction is the slope at which the smeared second difference down the picture keeps the most
energy (a projection-variance search, as for the skew of scanned text; Postl 1986). Pixels are
clipped at three robust standard deviations so that dust and glints do not outvote the texture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.side_rod import SideRod

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
MAX_SLOPE_DEG = 9.0
RISE_RANGE_DEG = (9.0, 33.0)  # of the cantilever against the surface
RISE_DEG = (20.0, 6.0)
RAKE_DEG = (92.0, 5.0)  # wide: only chooses between patterns
WORK_THICKNESS = 200.0  # px of rod thickness where texture is examined
CELL = 6  # px of columns summed before smearing
LEAST_CONTRAST = 2.0  # energy over the median of all slopes
MOST_BEND_DEG = 1.8  # between one side of the tip and both together
BEND_U = 0.1  # of that difference: the sides' middles are not known exactly
# A soft line by itself, or faint ones on the pivot's side alone, may be a shadow's edge: the rod's,
# thrown 30 degrees aside by a lamp, is seen tan(30) sin(5) = 2.9 degrees off the groove from 5
# above it.
SHADOW_U_DEG, CLEAR = 2.0, 10.0
SHADOW_SHARE = 0.6  # of the energy in two neighbouring bands of rows; texture is in all of them
FINE = 1.5  # lines that stand out so many times more in the finer layer are no shadow's edges
FLOOR_U_DEG = 0.04
FAINT_U_DEG = 3.5  # over contrast squared: a line that hardly stands out is drawn aside by others
# Over contrast: among faint lines dust, speckle and shades of another slope draw the peak aside by
# more than the jackknife tells (rendered photos: 0.2 degrees at 12, nearly 1 at 4 to 6).
TEXTURE_U_DEG = 2.5
MOST_RIVAL = 0.75  # of that, at any slope further away than this:
NEAR_DEG = 2.5
REFINE_DEG = 0.64  # searched about a peak, finely
BANDS = 8  # of rows


@dataclass(frozen=True)
class Groove:
    """Image slope of the grooves: degrees, positive where they fall to the right.

    Parameters
    ----------
    slope_deg, u_deg : float
        At the stylus' tip, and its standard uncertainty.
    contrast : float
    sides : tuple of (x, y, slope, uncertainty)
        The same left and right of the tip, pixels of the photo and degrees, where it shows: a
        lens bends a level line by twice its distortion times x y, so the two tell of it.
    """

    slope_deg: float
    u_deg: float
    contrast: float
    sides: tuple[tuple[float, float, float, float], ...] = ()


def groove_slope(
    rgb: NDArray[np.uint8],
    tip: Array,
    needle_width: float,
    rod: SideRod,
    lean_deg: float | None = None,
) -> Groove | None:
    """Slope of the groove texture on both sides of the stylus' tip, or None where none shows.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    tip : ndarray, shape (2,)
        Contact point, pixels.
    needle_width : float
        Pixels; a band of this width either side of the tip is left out.
    rod : SideRod
        What lies above its lower limb is left out too; its slope bounds the search.
    lean_deg : float, optional
        How far the stylus' top leans to the right in the photo: where unresolved grooves alias
        into a second pattern, the slope that makes the likelier rake is taken.
    """
    t = rod.thickness
    x0, x1 = max(0, int(tip[0] - 3.5 * t)), min(rgb.shape[1], int(tip[0] + 3.5 * t))
    tall = 0.45 * t + 0.1 * (x1 - x0) / 2
    y0, y1 = max(0, int(tip[1] - tall)), min(rgb.shape[0], int(tip[1] + tall))
    if x1 - x0 < 40 or y1 - y0 < 24:
        return None
    grey = cv2.cvtColor(rgb[y0:y1, x0:x1], cv2.COLOR_RGB2GRAY)
    scale = min(1.0, WORK_THICKNESS / t)
    if scale < 1:
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    mask = _mask(np.asarray(grey.shape), scale, (x0, y0), tip, needle_width, rod)
    layers = _layers(np.asarray(grey, np.float32) / np.float32(255), mask)
    if layers is None:
        return None
    low, high = slope_range(rod)
    slopes = np.arange(low, high + 1e-9, 0.3)
    if len(slopes) < 12:
        return None
    middle = (tip[0] - x0) * scale
    gap = max(needle_width, 0.2 * t) * scale
    sides = [(0, int(middle - gap)), (int(middle + gap), grey.shape[1])]
    whole = [slice(max(a, 0), b) for a, b in sides if b - max(a, 0) > 6 * CELL]
    likely = _likely(slopes, rod, lean_deg)
    curves = [[_energy(layer, mask, slopes, piece) for piece in whole] for layer in layers]
    none = np.full(len(slopes), 1e-12)
    found = [_standing(sum(curve, none), slopes, likely) for curve in curves]
    best = max(range(len(found)), key=lambda i: found[i].contrast)
    peak = found[best]
    if peak.contrast < LEAST_CONTRAST or peak.rival > MOST_RIVAL or peak.at_end:
        return None
    sides_found = []
    for piece, curve in zip(whole, curves[best], strict=True):
        side = _standing(curve + 1e-12, slopes, likely)
        if side.contrast < LEAST_CONTRAST or abs(side.slope - peak.slope) > MOST_BEND_DEG:
            continue
        weight = mask[:, piece].sum(axis=0)
        x = piece.start + float(np.average(np.arange(len(weight)), weights=weight + 1e-9))
        down = mask[:, piece].sum(axis=1)
        y = float(np.average(np.arange(len(down)), weights=down + 1e-9))
        slope, u, _ = _refined(layers[best], mask, side.slope, [piece])
        u = math.hypot(FLOOR_U_DEG, u, TEXTURE_U_DEG / side.contrast)
        sides_found.append((x0 + x / scale, y0 + y / scale, slope, u))
    if len(sides_found) == 2:
        slope, u = _at_tip(sides_found[0], sides_found[1], float(tip[0]))
    else:
        slope, u, most = _refined(layers[best], mask, peak.slope, whole)
        fine = best == 0 and peak.contrast - 1 > FINE * (found[1].contrast - 1)
        faint = TEXTURE_U_DEG / peak.contrast
        alone = [(side[0] > tip[0]) == rod.pivot_right for side in sides_found] == [True]
        if (most > SHADOW_SHARE or (alone and peak.contrast < CLEAR)) and not fine:
            u, faint = max(u, SHADOW_U_DEG), FAINT_U_DEG / peak.contrast**2
        u = math.hypot(FLOOR_U_DEG, u, faint)
        sides_found = [(*side[:2], slope, u) for side in sides_found]
    return Groove(slope, u, peak.contrast, tuple(sides_found))


def _refined(
    bend: Grey, mask: Grey, slope: float, pieces: list[slice]
) -> tuple[float, float, float]:
    """The peak near ``slope``, its standard uncertainty (degrees), and the most in two bands.

    The last is the share of its energy that two neighbouring bands of rows hold.

    Columns are shifted by parts of a pixel (as phases of their waves): whole pixels would favour
    slopes at which many columns jump at once, above all in small photos. The uncertainty is the
    jackknife's over bands of rows (Efron and Stein, Ann. Stat. 9, 1981): grooves lie in all of
    them; where a shadow or a scratch in one band decided, the rest says something else.
    """
    fine = np.arange(slope - REFINE_DEG, slope + REFINE_DEG + 0.01, 0.08)
    energy = np.zeros((BANDS, len(fine)))
    reach = math.tan(math.radians(MAX_SLOPE_DEG + 1))
    for piece in pieces:
        sums, counts, x = _cells(bend, mask, piece)
        if not len(x):
            continue
        size = cv2.getOptimalDFTSize(len(bend) + int(2 * np.abs(x).max() * reach) + 2)
        waves = np.fft.rfft(sums, size, axis=0)
        turn = 2j * np.pi * np.arange(len(waves))[:, None] / size * x[None]
        filled = np.cumsum(_smeared_counts(counts, x, slope, size))
        band = np.minimum((filled / filled[-1] * BANDS).astype(int), BANDS - 1)
        for i, s in enumerate(fine):
            smeared = np.sum(waves * np.exp(turn * math.tan(math.radians(s))), axis=1)
            energy[:, i] += np.bincount(band, np.fft.irfft(smeared, size) ** 2, BANDS)
    whole = energy.sum(axis=0)
    peak = vertex(fine, np.log(whole + 1e-12))
    without = [vertex(fine, np.log(np.maximum(whole - e, 0) + 1e-12)) for e in energy]
    spread = float(np.sum((np.array(without) - peak) ** 2))
    above = np.maximum(energy[:, len(fine) // 2] - np.median(energy, axis=1), 0)
    most = float(np.max(above[:-1] + above[1:]) / max(above.sum(), 1e-12))
    return peak, math.sqrt((BANDS - 1) / BANDS * spread), most


def _smeared_counts(counts: Array, x: Array, slope: float, size: int) -> Array:
    """Pixels on each row after smearing along ``slope``; rows go round at ``size``."""
    shift = np.rint(x * math.tan(math.radians(slope))).astype(int)
    rows = (np.arange(len(counts))[:, None] - shift[None]) % size
    return np.asarray(np.bincount(rows.ravel(), counts.ravel(), size), float)


def _at_tip(
    left: tuple[float, float, float, float], right: tuple[float, float, float, float], x: float
) -> tuple[float, float]:
    """Slope at x and its uncertainty from both sides.

    Lens and arc change the slope in proportion to x, so the straight line through the two sides
    gives it at the tip.
    """
    share = (right[0] - x) / (right[0] - left[0])
    slope = share * left[2] + (1 - share) * right[2]
    u = math.hypot(share * left[3], (1 - share) * right[3])
    return slope, math.hypot(u, BEND_U * (left[2] - right[2]))


@dataclass(frozen=True)
class _Standing:
    """The highest peak of an energy curve: how far it stands out, and its highest far rival."""

    slope: float
    contrast: float
    rival: float
    at_end: bool


def _likely(slopes: Array, rod: SideRod, lean_deg: float | None) -> Array:
    """Weight of each slope by the rise and, where the lean is known, the rake it would mean."""
    to_pivot = 1.0 if rod.pivot_right else -1.0
    rise = to_pivot * (slopes - math.degrees(rod.slope))
    weight = np.exp(-0.5 * ((rise - RISE_DEG[0]) / RISE_DEG[1]) ** 2)
    if lean_deg is not None:
        rake = 90 - to_pivot * (lean_deg - slopes)
        weight = weight * np.exp(-0.5 * ((rake - RAKE_DEG[0]) / RAKE_DEG[1]) ** 2)
    return np.asarray(weight / weight.max())


def _standing(energy: Array, slopes: Array, likely: Array) -> _Standing:
    contrast = 1 + (energy / float(np.median(energy)) - 1) * likely
    k = int(np.argmax(contrast))
    inner = contrast[1:-1]
    peaks = 1 + np.nonzero((inner > contrast[:-2]) & (inner >= contrast[2:]))[0]
    far = peaks[np.abs(slopes[peaks] - slopes[k]) > NEAR_DEG]
    rival = float(contrast[far].max() / contrast[k]) if far.size else 0.0
    return _Standing(float(slopes[k]), float(contrast[k]), rival, k in (0, len(slopes) - 1))


def slope_range(rod: SideRod) -> tuple[float, float]:
    """Slopes for which the cantilever would rise plausibly."""
    slope = math.degrees(rod.slope)
    ends = [slope + (r if rod.pivot_right else -r) for r in RISE_RANGE_DEG]
    return max(-MAX_SLOPE_DEG, min(ends)), min(MAX_SLOPE_DEG, max(ends))


def _mask(
    shape: NDArray[np.intp],
    scale: float,
    corner: tuple[int, int],
    tip: Array,
    needle_width: float,
    rod: SideRod,
) -> Grey:
    x = (np.arange(shape[1]) + 0.5) / scale - 0.5 + corner[0]
    y = (np.arange(shape[0]) + 0.5) / scale - 0.5 + corner[1]
    under = rod.bottom.y0 + math.tan(rod.bottom.angle) * (x - rod.bottom.x0)
    mask = y[:, None] > under[None] + 0.12 * rod.thickness
    mask &= (np.abs(x - tip[0]) > max(needle_width, 0.2 * rod.thickness))[None]
    return mask.astype(np.float32)


def _layers(grey: Grey, mask: Grey) -> list[Grey] | None:
    """The picture's vertical bends at two scales, clipped; smooth shading and soft edges vanish."""
    layers = []
    for smooth in (1.0, 1.8):
        bend = cv2.Sobel(cv2.GaussianBlur(grey, (0, 0), smooth), cv2.CV_32F, 0, 2, scale=1 / 4)
        inside = np.abs(bend[mask > 0])
        if inside.size < 2000:
            return None
        limit = 3 * 1.4826 * float(np.median(inside)) + 1e-6
        layers.append(np.asarray(np.clip(bend, -limit, limit) * mask, np.float32))
    return layers


def vertex(x: Array, y: Array) -> float:
    """Place of the maximum, by the parabola through its neighbours."""
    m = int(np.clip(np.argmax(y), 1, len(x) - 2))
    a, b, c = (float(v) for v in y[m - 1 : m + 2])
    shift = 0.5 * (a - c) / min(a - 2 * b + c, -1e-12)
    return float(x[m] + (x[1] - x[0]) * min(max(shift, -1.0), 1.0))


def _cells(bend: Grey, mask: Grey, piece: slice) -> tuple[Array, Array, Array]:
    """Sums and counts of ``CELL`` columns each, and their places about the middle; or none."""
    cells = (piece.stop - piece.start) // CELL
    if cells < 4:
        return np.zeros((0, 0)), np.zeros((0, 0)), np.zeros(0)
    end = piece.start + cells * CELL
    sums, counts = (
        a[:, piece.start : end].reshape(len(a), cells, CELL).sum(axis=2) for a in (bend, mask)
    )
    return sums, counts, (np.arange(cells) - (cells - 1) / 2) * CELL


def _energy(bend: Grey, mask: Grey, slopes: Array, piece: slice) -> Array:
    """Energy of a piece of the picture smeared along each slope, per pixel smeared.

    Pieces are smeared one by one: lines of a regular texture that continue each other across a
    gap by chance must not count.
    """
    energy = np.zeros(len(slopes))
    sums, counts, x = _cells(bend, mask, piece)
    if not len(x):
        return energy
    height = bend.shape[0]
    reach = math.tan(math.radians(MAX_SLOPE_DEG + 1))
    pad = int(np.abs(x).max() * reach) + 2
    sums = np.pad(sums, ((pad, pad), (0, 0)))
    counts = np.pad(counts, ((pad, pad), (0, 0)))
    rows = np.arange(pad, pad + height)[:, None]
    columns = np.arange(len(x))[None]
    for i, slope in enumerate(slopes):
        shift = np.rint(x * math.tan(math.radians(slope))).astype(int)[None]
        total = sums[rows + shift, columns].sum(axis=1)
        count = counts[rows + shift, columns].sum(axis=1)
        full = count > 0.5 * len(x) * CELL
        if full.any():
            energy[i] = float(np.sum(total[full] ** 2 / count[full]))
    return energy
