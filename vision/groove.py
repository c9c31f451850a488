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
WORK_THICKNESS = 200.0  # px of rod thickness where texture is examined
LEAST_CONTRAST = 5.0  # energy over the median of all slopes, multiplied over both scales
LEAST_LEAD = 1.4  # of the best slope over any other


@dataclass(frozen=True)
class Groove:
    """Image slope of the grooves: degrees, positive where they fall to the right."""

    slope_deg: float
    u_deg: float
    contrast: float


def groove_slope(
    rgb: NDArray[np.uint8], tip: Array, needle_width: float, rod: SideRod
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
    layers = _layers(grey.astype(np.float32) / 255, mask)
    if layers is None:
        return None
    low, high = _slope_range(rod)
    slopes = np.arange(low, high + 1e-9, 0.3)
    if len(slopes) < 12:
        return None
    energies = [_energy(layer, mask, slopes) for layer in layers]
    usual = [float(np.median(e)) for e in energies]
    standing = np.sum([np.log(e / m) for e, m in zip(energies, usual, strict=True)], axis=0)
    k = int(np.argmax(standing))
    rivals = standing[np.abs(slopes - slopes[k]) > 1.5]
    clear = rivals.size == 0 or standing[k] - float(rivals.max()) > math.log(LEAST_LEAD)
    if k in (0, len(slopes) - 1) or standing[k] < math.log(LEAST_CONTRAST) or not clear:
        return None
    fine = np.arange(slopes[k] - 0.4, slopes[k] + 0.41, 0.08)
    sharp = [np.log(_energy(layer, mask, fine)) for layer in layers]
    peaks = [_vertex(fine, e) for e in (*sharp, np.sum(sharp, axis=0))]
    u = math.hypot(0.06, (peaks[0] - peaks[1]) / 2, 0.5 / math.exp(float(standing[k]) / 2))
    return Groove(peaks[-1], u, math.exp(float(standing[k])))


def _slope_range(rod: SideRod) -> tuple[float, float]:
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


def _vertex(x: Array, y: Array) -> float:
    """Place of the maximum, by the parabola through its neighbours."""
    m = int(np.clip(np.argmax(y), 1, len(x) - 2))
    a, b, c = (float(v) for v in y[m - 1 : m + 2])
    return float(x[m] + 0.5 * (x[1] - x[0]) * (a - c) / min(a - 2 * b + c, -1e-12))


def _energy(steep: Grey, mask: Grey, slopes: Array) -> Array:
    """Energy of the picture smeared along each slope, per pixel smeared."""
    cell = 6
    height, cells = steep.shape[0], steep.shape[1] // cell
    sums = steep[:, : cells * cell].reshape(height, cells, cell).sum(axis=2)
    counts = mask[:, : cells * cell].reshape(height, cells, cell).sum(axis=2)
    x = (np.arange(cells) + 0.5) * cell - steep.shape[1] / 2
    pad = int(np.abs(x).max() * math.tan(math.radians(MAX_SLOPE_DEG + 1))) + 2
    sums = np.pad(sums, ((pad, pad), (0, 0)))
    counts = np.pad(counts, ((pad, pad), (0, 0)))
    rows = np.arange(pad, pad + height)[:, None]
    columns = np.arange(cells)[None]
    energy = []
    for slope in slopes:
        shift = np.rint(x * math.tan(math.radians(slope))).astype(int)[None]
        total = sums[rows + shift, columns].sum(axis=1)
        count = counts[rows + shift, columns].sum(axis=1)
        full = count > 0.25 * count.max()
        energy.append(float(np.mean(total[full] ** 2 / count[full])))
    return np.asarray(energy)
