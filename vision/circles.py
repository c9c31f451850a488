"""Ring and bubble of a bull's-eye level in a straightened picture.

In: a grey picture looking straight down on the level. Out: two circles: the ring drawn on the
glass (a line: the same brightness inside and outside) and the bubble (a step: its inside differs
from the liquid all round). Candidates come from gradient votes (Ballard 1981, generalised Hough);
each is then fitted to sub-pixel edge points by least squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo
from vision.sheet import SheetView

Array = NDArray[np.float64]
RADII_MM = (2.0, 9.5)
STEP = 0.035


@dataclass(frozen=True)
class Round:
    """A circle: centre, radius and the centre's standard uncertainty, all in the same unit."""

    x: float
    y: float
    radius: float
    u: float

    def moved(self, origin: tuple[float, float], per: float) -> Round:
        """From picture pixels (y down) to the sheet's millimetres."""
        return Round(
            origin[0] + self.x / per, origin[1] - self.y / per, self.radius / per, self.u / per
        )


@dataclass(frozen=True)
class _Candidate:
    x: float
    y: float
    radius: float
    step: float
    support: float
    u: float


def rectified(
    photo: Photo, view: SheetView, middle: tuple[float, float], reach: float, height: float
) -> tuple[NDArray[Any] | None, float, tuple[float, float]]:
    """View from straight above of a square round ``middle``, at a height above the sheet.

    Returns the picture (None where the frame cuts it), its pixels per mm, and the sheet's
    coordinates of its first pixel.
    """
    per = float(np.clip(view.pixels_per_mm(middle), 6, 16))
    count = int(2 * reach * per)
    xs = middle[0] - reach + np.arange(count) / per
    ys = middle[1] + reach - np.arange(count) / per
    gx, gy = np.meshgrid(xs, ys)
    points = np.column_stack([gx.ravel(), gy.ravel(), np.full(gx.size, height)])
    pixels = view.to_image(points).astype(np.float32)
    origin = (float(xs[0]), float(ys[0]))
    if (
        pixels.min() < 0
        or pixels[:, 0].max() > photo.width - 1
        or pixels[:, 1].max() > photo.height - 1
    ):
        return None, per, origin
    maps = [pixels[:, k].reshape(gx.shape) for k in (0, 1)]
    return cv2.remap(photo.grey, maps[0], maps[1], cv2.INTER_LINEAR), per, origin


def find_rounds(picture: NDArray[Any], per: float) -> tuple[Round, Round] | str:
    """Find (ring, bubble) in pixels of the picture, or say why not."""
    smooth = cv2.GaussianBlur(picture, (0, 0), max(0.08 * per, 0.8))
    found = [_fitted(smooth, per, c) for c in _votes(smooth, per)]
    rounds = [c for c in found if c is not None and c.support > 0.6]
    bubbles = [c for c in rounds if abs(c.step) > STEP]
    if not bubbles:
        return "no bubble with a clear edge"
    best: tuple[float, _Candidate, _Candidate] | None = None
    for bubble in bubbles:
        for ring in rounds:
            apart = math.hypot(ring.x - bubble.x, ring.y - bubble.y)
            if abs(ring.step) > 0.6 * abs(bubble.step) or apart > ring.radius:
                continue
            if not 0.4 * ring.radius < bubble.radius < 0.97 * ring.radius:
                continue
            if abs(ring.radius - bubble.radius) < 0.25 * per and apart < 0.25 * per:
                continue
            score = bubble.support * ring.support * min(abs(bubble.step) / 0.1, 1.0)
            if best is None or score > best[0]:
                best = (score, ring, bubble)
    if best is None:
        return "no ring round the bubble"
    _, ring, bubble = best
    for _ in range(2):  # where one circle's edge runs near the other, that stretch is left out
        again = (
            _fitted(smooth, per, bubble, avoid=ring),
            _fitted(smooth, per, ring, avoid=bubble),
        )
        fit_bubble, fit_ring = again
        if fit_bubble is None or fit_ring is None:
            return "the bubble hides too much of the ring"
        bubble, ring = fit_bubble, fit_ring
    return (
        Round(ring.x, ring.y, ring.radius, ring.u),
        Round(bubble.x, bubble.y, bubble.radius, bubble.u),
    )


def _votes(picture: NDArray[Any], per: float) -> list[_Candidate]:
    """Centres and radii that many gradients point at."""
    gx = cv2.Sobel(picture, cv2.CV_32F, 1, 0) / 8
    gy = cv2.Sobel(picture, cv2.CV_32F, 0, 1) / 8
    size = np.hypot(gx, gy)
    floor = max(float(np.percentile(size, 80)), 0.006)
    rows, cols = np.nonzero(size > floor)
    nx, ny = gx[rows, cols] / size[rows, cols], gy[rows, cols] / size[rows, cols]
    height, width = picture.shape
    weight = np.minimum(size[rows, cols] / (3 * floor), 1.0)
    peaks: list[tuple[float, float, float, float]] = []
    for radius in np.arange(RADII_MM[0] * per, RADII_MM[1] * per, 0.18 * per):
        for sign in (-1, 1):
            x = np.round(cols + sign * radius * nx).astype(int)
            y = np.round(rows + sign * radius * ny).astype(int)
            ok = (x >= 0) & (x < width) & (y >= 0) & (y < height)
            flat = np.bincount(y[ok] * width + x[ok], weight[ok], height * width)
            votes = cv2.GaussianBlur(
                flat.reshape(height, width).astype(np.float32), (0, 0), max(0.15 * per, 1.0)
            ) / float(radius)
            k = int(np.argmax(votes))
            peaks.append((float(votes.flat[k]), k % width, k // width, float(radius)))
    peaks.sort(reverse=True)
    kept: list[_Candidate] = []
    for _, px, py, size_px in peaks:
        if all(
            math.hypot(px - c.x, py - c.y) > 0.3 * per or abs(size_px - c.radius) > 0.3 * per
            for c in kept
        ):
            kept.append(_Candidate(px, py, size_px, 0.0, 0.0, 0.0))
        if len(kept) == 14:
            break
    return kept


def _fitted(
    picture: NDArray[Any], per: float, start: _Candidate, avoid: _Candidate | None = None
) -> _Candidate | None:
    """Sub-pixel edge points of one polarity along 96 spokes, then a circle by least squares."""
    angles = np.linspace(0, 2 * math.pi, 96, endpoint=False)
    ray = np.stack([np.cos(angles), np.sin(angles)], 1)
    x, y, radius = start.x, start.y, start.radius
    offsets = np.arange(-1.3 * per, 1.3 * per, 0.25)
    near = np.abs(offsets) < 0.55 * per
    support = scatter = 0.0
    strip: NDArray[Any] = np.zeros((96, len(offsets)), np.float32)
    step: NDArray[Any] = np.zeros(3)
    for _ in range(4):
        points = np.array([x, y]) + ray[:, None, :] * (radius + offsets)[None, :, None]
        maps = points.astype(np.float32)
        strip = cv2.remap(
            picture, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        slope = np.gradient(strip, axis=1) / 0.25
        mean = np.median(slope[:, near], axis=0)
        sign = 1.0 if mean.max() > -mean.min() else -1.0
        peak = sign * slope[:, near]
        k = np.clip(np.argmax(peak, axis=1), 1, peak.shape[1] - 2)
        rows = np.arange(96)
        a, b, c = (peak[rows, k + j] for j in (-1, 0, 1))
        bend = a - 2 * b + c
        shift = np.where(np.abs(bend) > 1e-9, 0.5 * (a - c) / np.where(bend, bend, 1), 0.0)
        found = offsets[near][k] + 0.25 * np.clip(shift, -1, 1)
        strong = b > 0.4 * np.percentile(b, 75)
        if avoid is not None:
            edge = np.array([x, y]) + ray * radius
            far = np.hypot(edge[:, 0] - avoid.x, edge[:, 1] - avoid.y) - avoid.radius
            strong &= np.abs(far) > 0.75 * per
        keep = strong.copy()
        for _ in range(3):
            if keep.sum() < 24:
                return None
            matrix = np.column_stack([ray, np.ones(96)])
            step, *_ = np.linalg.lstsq(matrix[keep], found[keep], rcond=None)
            miss = found - matrix @ step
            scatter = 1.4826 * float(np.median(np.abs(miss[keep])))
            keep = strong & (np.abs(miss) < max(3 * scatter, 0.5))
        x, y, radius = x + step[0], y + step[1], radius + step[2]
        support = float((strong & (np.abs(miss) < max(0.07 * per, 0.35))).mean())
        if abs(step).max() < 0.02:
            break
    if not RADII_MM[0] * 0.8 * per < radius < RADII_MM[1] * 1.1 * per:
        return None
    inside = np.median(strip[:, (offsets > -1.1 * per) & (offsets < -0.5 * per)], axis=1)
    outside = np.median(strip[:, (offsets > 0.5 * per) & (offsets < 1.1 * per)], axis=1)
    step_size = float(np.median(inside - outside))
    u = math.hypot(scatter * math.sqrt(4 / max(keep.sum(), 1)), 0.03 * per)
    return replace(
        start, x=float(x), y=float(y), radius=float(radius), step=step_size, support=support, u=u
    )
