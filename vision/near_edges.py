"""Straight edges near a roughly drawn line: several candidates, each fitted, best first.

The strip round the line is straightened and differentiated across, in brightness and in two colour
differences. Every turn and shift within reach is tried (a local Radon transform). The answer along
a candidate is averaged in short blocks, and a block counts by the root of its contrast, so that a
long weak edge beats a short strong one that crosses. Only the longest stretch of blocks that answer
is fitted: a line drawn a little too long does no harm. Soft edges are looked for only where there
is no sharp one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edges import MIN_LENGTH_PX, EdgeFit, fit_edge
from vision.photo import Photo

Array = NDArray[np.float64]
Point = tuple[float, float]

STEP_PX = 0.5
# Smoothing across, and the half widths of the strip then fitted (px): sharp edges, soft edges.
SCALES = ((1.2, (6.0, 4.0, 2.5)), (3.5, (14.0, 9.0)))
SOFT_FROM_PX = 120.0  # a shorter line is not searched for soft edges
BLOCKS = 14
UNIT_SIGMA, MOST_UNITS = 4.0, 100.0  # a block's contrast in this many deviations of its noise
LEAST_ANSWER = 0.5
APART_PX = 2.5
LEAST_STRETCH = 0.35
SURE_DEG = 0.15  # an edge whose direction is known worse counts for less
MOST_BEND_PX, MOST_BEND_SHARE = 1.0, 0.001  # a lens bends long edges
# Parts of a stretch, longest first: one end may lie beside something else.
SPANS = ((0.0, 1.0), (0.0, 0.75), (0.25, 1.0), (0.12, 0.88), (0.0, 0.5), (0.5, 1.0))


# score, shift px, lean px at the end, plane, answer of each block
_Peak = tuple[float, float, float, NDArray[np.float32], Array]


@dataclass(frozen=True)
class NearEdge:
    """A fitted edge near a line, and how strongly it answers (less for distance)."""

    fit: EdgeFit
    score: float


def near_edges(
    photo: Photo, p0: Point, p1: Point, reach: float, turn_deg: float, most: int = 5
) -> list[NearEdge]:
    """Straight edges within reach of a rough line.

    Parameters
    ----------
    photo : Photo
    p0, p1 : (x, y)
        Ends of the line, pixels.
    reach : float
        Largest shift of its middle, px.
    turn_deg : float
        Largest turn, degrees.
    most : int
        How many at most.

    Returns
    -------
    list of NearEdge
        Best first; empty where nothing straight is there.
    """
    start, end = np.asarray(p0, float), np.asarray(p1, float)
    length = float(np.linalg.norm(end - start))
    if length < MIN_LENGTH_PX:
        return []
    across = np.array([-(end - start)[1], (end - start)[0]]) / length
    planes, corner = _planes(photo, start, end, reach)
    start, end = start - corner, end - corner
    for smooth, widths in SCALES if length >= SOFT_FROM_PX else SCALES[:1]:
        peaks: list[_Peak] = []
        for plane in planes:
            peaks += _peaks(plane, start, end, across, length, reach, turn_deg, smooth)
        found = _fitted(peaks, start, end, across, widths, most)
        if found:
            return [_moved(edge, corner) for edge in found]
    return []


def _moved(edge: NearEdge, corner: Array) -> NearEdge:
    x, y = edge.fit.x + corner[0], edge.fit.y + corner[1]
    return replace(edge, fit=replace(edge.fit, x=float(x), y=float(y)))


def _fitted(
    peaks: list[_Peak], start: Array, end: Array, across: Array, widths: tuple[float, ...],
    most: int,
) -> list[NearEdge]:  # fmt: skip
    out: list[NearEdge] = []
    length = float(np.linalg.norm(end - start))
    for score, shift, lean, plane, answers in sorted(peaks, key=lambda p: -p[0]):
        ends = start + across * (shift - lean), end + across * (shift + lean)
        if any(_same_line(x.fit, *ends) for x in out):
            continue
        fit = _fit(plane, *ends, answers, widths)
        if fit is not None and not any(_same_line(x.fit, *fit.ends) for x in out):
            share = min(1.0, 0.6 + 0.6 * fit.length / length)
            firm = math.sqrt(SURE_DEG / math.hypot(SURE_DEG, math.degrees(fit.angle_u)))
            out.append(NearEdge(fit, score * share * firm))
        if len(out) == most:
            break
    return sorted(out, key=lambda x: -x.score)


def _planes(
    photo: Photo, start: Array, end: Array, reach: float
) -> tuple[list[NDArray[np.float32]], Array]:
    """Brightness and two colour differences about the line, and where that piece begins."""
    height, width = photo.grey.shape
    margin = 5 * reach + 20  # shifted, turned and the widest strip beside it
    low = np.floor(np.minimum(start, end) - margin).astype(int)
    high = np.ceil(np.maximum(start, end) + margin).astype(int)
    x0, y0 = np.clip(low, 0, (width - 1, height - 1))
    x1, y1 = np.clip(high, 1, (width, height))
    r, g, b = cv2.split(photo.rgb[y0:y1, x0:x1].astype(np.float32) / 255)
    planes = [photo.grey[y0:y1, x0:x1], (r - g) / 1.4, (b - (r + g) / 2) / 1.3]
    return [np.ascontiguousarray(p, np.float32) for p in planes], np.array([x0, y0], float)


def _peaks(
    plane: NDArray[np.float32], start: Array, end: Array, across: Array, length: float,
    reach: float, turn_deg: float, smooth: float,
) -> list[_Peak]:  # fmt: skip
    """Local maxima over shift and lean."""
    lean = math.tan(math.radians(turn_deg)) * length / 2
    half = reach + lean + 3 * smooth
    blocks = int(np.clip(length / 5, 4, BLOCKS))
    rows = blocks * int(np.clip(math.ceil(length / blocks), 2, 24))
    offsets = np.arange(-half, half + STEP_PX / 2, STEP_PX)
    share = (np.arange(rows) + 0.5) / rows
    points = (
        start + share[:, None, None] * (end - start) + offsets[None, :, None] * across
    ).astype(np.float32)
    strip = cv2.remap(plane, points[..., 0], points[..., 1], cv2.INTER_LINEAR,
                      borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    x = np.arange(-int(3.5 * smooth / STEP_PX), int(3.5 * smooth / STEP_PX) + 1) * STEP_PX
    kernel = (x / smooth**2 * np.exp(-0.5 * (x / smooth) ** 2)).astype(np.float32)
    kernel /= float(np.abs(kernel).sum()) / 2
    slope = cv2.filter2D(strip, cv2.CV_32F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    outside = (
        (points[..., 0] < 0) | (points[..., 0] > plane.shape[1] - 1)
        | (points[..., 1] < 0) | (points[..., 1] > plane.shape[0] - 1)
    )  # fmt: skip
    slope[outside] = 0
    noise = 1.4826 * float(np.median(np.abs(slope))) + 4e-4
    full = UNIT_SIGMA * noise / math.sqrt(rows / blocks)
    keep = np.flatnonzero(np.abs(offsets) <= reach)
    leans = np.linspace(-lean, lean, 2 * max(int(lean / STEP_PX), 1) + 1)
    scores = np.zeros((len(leans), len(keep)), np.float32)
    answers = np.zeros((len(leans), blocks, len(keep)))
    for i, value in enumerate(leans):
        moved = np.round((2 * share - 1) * value / STEP_PX).astype(int)
        columns = np.clip(keep[None, :] + moved[:, None], 0, len(offsets) - 1)
        aligned = np.take_along_axis(slope, columns, 1)
        block = aligned.reshape(blocks, -1, len(keep)).mean(axis=1) / full
        answers[i] = np.sign(block) * np.sqrt(np.minimum(np.abs(block), MOST_UNITS))
        scores[i] = np.abs(answers[i].mean(axis=0))
    away = (offsets[keep] / reach) ** 2 + (leans / max(lean, 1e-9))[:, None] ** 2
    scores *= (1 - 0.12 * away).astype(np.float32)
    peaks = []
    window = max(int(APART_PX / STEP_PX), 1)
    top = cv2.dilate(scores, np.ones((2 * window + 1, 2 * window + 1)))
    for i, j in np.argwhere((scores >= top) & (scores > LEAST_ANSWER)):
        sign = np.sign(answers[i, :, j].mean())
        peaks.append((float(scores[i, j]), float(offsets[keep[j]]), float(leans[i]), plane,
                      sign * answers[i, :, j]))  # fmt: skip
    return peaks


def _same_line(fit: EdgeFit, q0: Array, q1: Array) -> bool:
    offsets = (np.stack([q0, q1]) - [fit.x, fit.y]) @ fit.normal
    return bool(np.abs(offsets).max() < APART_PX)


def _fit(
    plane: NDArray[np.float32], q0: Array, q1: Array, answers: Array, widths: tuple[float, ...]
) -> EdgeFit | None:
    """Fit the longest stretch of blocks that answer, or the longest straight part of it."""
    full = float(np.sort(answers)[len(answers) // 2 :].mean())
    best, begun = (0, 0), None
    for k, good in enumerate([*(answers > 0.4 * full), False]):
        if good and begun is None:
            begun = k
        elif not good and begun is not None:
            if k - begun > best[1] - best[0]:
                best = (begun, k)
            begun = None
    if best[1] - best[0] < LEAST_STRETCH * len(answers):
        return None
    most_bend = MOST_BEND_PX + MOST_BEND_SHARE * float(np.linalg.norm(q1 - q0))
    first, last = (q0 + (q1 - q0) * (k / len(answers)) for k in best)
    for low, high in SPANS:
        ends = first + (last - first) * low, first + (last - first) * high
        for half in widths:
            fit = fit_edge(
                plane, *ends, half_width=half, max_shift=max(2.5, half / 4), max_turn_deg=2.5,
                blur_start=half / 4,
            )  # fmt: skip
            if fit is not None and fit.straightness <= most_bend and fit.blur < half / 1.7:
                return fit
    return None
