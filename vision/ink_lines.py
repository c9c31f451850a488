"""A small picture -> the printed lines that run across it from side to side.

Comes in: a colour picture reduced to find-size. Goes out: `InkLine`s, the thin dark (or bright)
lines near the horizontal that go on beyond anything standing on the surface, and masks of them.
A printed line of the grid, and on glass its ghost, passes under the reflection of the body and is
easily taken for the reflected edge; but an edge of the body ends at its corners and is a step,
while ink is a ridge, darker (or brighter) than *both* its sides, and goes on over the bare surface.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.straight_segments import EdgeField, Line, find_lines, fit_line

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
REACHES_PX = (2, 4, 7, 12)  # distances at which both sides are compared, at find size
LEAST_SPAN = 0.72  # of the frame's width; a body that is to be read with its sides spans less
LEAST_COVER = 0.33  # of the frame's width
LEAST_RIDGE = 0.015  # in square-root intensity
BRIDGE_PX = 1.6  # two pieces of one line lie this close to a common straight line


@dataclass(frozen=True)
class InkLine:
    """``y = slope * x + intercept`` with half its width, pixels of the picture looked at."""

    slope: float
    intercept: float
    half_width: float


def find_ink_lines(grey: Picture, fine: Picture, max_slope: float) -> list[InkLine]:
    """Printed lines that run across the picture near the horizontal.

    Parameters
    ----------
    grey : ndarray, shape (H, W), float32
        Square-root intensity, 0 to 1, at find size.
    fine : ndarray, shape (H', W'), float32
        The same at a larger size, for place and width.
    max_slope : float
        Largest |dy / dx|.

    Returns
    -------
    list of InkLine
        In pixels of find size.
    """
    # Ink is darker than the bare surface, and may be brighter than the image of a dark body; only
    # where nothing darker is found is the ink itself bright (what lies between two lines is not).
    dark, reach = _ridges(grey)
    bright, bright_reach = _ridges(np.asarray(-grey, np.float32))
    darker, brighter = (
        find_lines(field, max_slope, count=60, min_length=18.0, gap=12.0)
        for field in (dark, bright)
    )
    lines = _across(darker, brighter, grey.shape[1])
    if not lines:
        lines, reach = _across(brighter, [], grey.shape[1]), bright_reach
    if not lines:
        return []
    scale = fine.shape[1] / grey.shape[1]
    rooms = _rooms(lines, grey.shape[1] / 2)
    return [
        _refined(line, room, reach, fine, scale) for line, room in zip(lines, rooms, strict=True)
    ]


def ink_mask(
    lines: Iterable[InkLine], shape: tuple[int, int], scale: float = 1.0, margin: float = 1.0
) -> NDArray[np.bool_]:
    """Pixels of the lines, each wider by ``margin`` find-size px on both sides.

    ``shape`` is that of a picture ``scale`` times find size.
    """
    height, width = shape
    mask = np.zeros((height, width), bool)
    x = (np.arange(width) + 0.5) / scale - 0.5
    rows = np.arange(height)[:, None]
    for line in lines:
        y = (line.slope * x + line.intercept + 0.5) * scale - 0.5
        reach = (line.half_width + margin) * scale
        low, high = int(max(0, y.min() - reach)), int(min(height, y.max() + reach + 2))
        if low < high:
            mask[low:high] |= np.abs(rows[low:high] - y[None, :]) <= reach
    return mask


def bridged(rgb: NDArray[np.uint8], mask: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """The picture with masked pixels filled straight down their column from both sides."""
    inked = np.nonzero(mask.any(axis=1))[0]
    if not inked.size:
        return rgb
    low, high = max(int(inked[0]) - 1, 0), min(int(inked[-1]) + 2, mask.shape[0])
    part = mask[low:high]
    height = part.shape[0]
    rows = np.broadcast_to(np.arange(height, dtype=np.int16)[:, None], part.shape)
    above = np.maximum.accumulate(np.where(part, np.int16(-1), rows), axis=0)
    below = np.minimum.accumulate(np.where(part, np.int16(height), rows)[::-1], axis=0)[::-1]
    r, c = np.nonzero(part)
    a, b = above[r, c].astype(int), below[r, c].astype(int)
    a, b = np.where(a < 0, b, a), np.where(b >= height, a, b)
    ok = (a >= 0) & (b < height) & (a < height)
    r, c, a, b = r[ok] + low, c[ok], a[ok] + low, b[ok] + low
    share = ((r - a) / np.maximum(b - a, 1))[:, None]
    calm = np.asarray(cv2.blur(rgb, (3, 1)), np.uint8)
    result = rgb.copy()
    result[r, c] = ((1 - share) * calm[a, c] + share * calm[b, c] + 0.5).astype(np.uint8)
    return result


def _ridges(grey: Picture) -> tuple[EdgeField, NDArray[np.int32]]:
    """Pixels darker than what lies above *and* below them, as a field of line elements."""
    smooth = np.asarray(cv2.GaussianBlur(grey, (0, 0), sigmaX=2.0, sigmaY=0.8), np.float32)
    depths = []
    for k in REACHES_PX:
        ridge = np.zeros_like(smooth)
        ridge[k:-k] = np.minimum(smooth[: -2 * k], smooth[2 * k :]) - smooth[k:-k]
        depths.append(ridge)
    best = np.maximum.reduce(depths)
    reach = np.zeros(smooth.shape, np.int32)
    for k, ridge in zip(REACHES_PX[::-1], depths[::-1], strict=True):
        # The least reach that finds most of the depth: wider ones see neighbouring lines.
        reach[(ridge >= 0.7 * best) & (best > 0)] = k
    threshold = max(LEAST_RIDGE, 2.0 * float(np.median(np.abs(best[::3, ::3]))))
    inner = best[1:-1]
    peak = (inner >= best[:-2]) & (inner > best[2:]) & (inner > threshold)
    rows, columns = np.nonzero(peak)
    rows = rows + 1
    broad = cv2.GaussianBlur(grey, (0, 0), 2.0)
    yy = cv2.Sobel(broad, cv2.CV_32F, 0, 2)[rows, columns]
    xy = cv2.Sobel(broad, cv2.CV_32F, 1, 1)[rows, columns]
    slope = np.clip(-xy / np.maximum(yy, 1e-6), -2, 2).astype(float)
    weight = np.minimum(best[rows, columns] / threshold, 3.0).astype(float)
    strength = np.zeros_like(best)
    strength[rows, columns] = 1.0
    return (
        EdgeField(False, columns.astype(float), rows.astype(float), slope, weight, strength),
        reach,
    )


def _across(pieces: list[Line], others: list[Line], width: int) -> list[Line]:
    """Lines, joined from collinear pieces, that run from side to side of the frame.

    ``others`` may lengthen a line but not make one.
    """
    result: list[Line] = []
    free = sorted(pieces, key=lambda p: -p.length)
    spare = sorted(others, key=lambda p: -p.length)
    while free:
        group = [free.pop(0)]
        slope, intercept = group[0].slope, group[0].intercept
        grown = True
        while grown:
            grown = False
            for pool in (free, spare):
                for piece in list(pool):
                    fit = _joint([*group, piece])
                    if fit is not None:
                        group.append(piece)
                        pool.remove(piece)
                        slope, intercept = fit
                        grown = True
        start, end = min(p.start for p in group), max(p.end for p in group)
        cover = sum(p.length for p in group)
        if end - start >= LEAST_SPAN * width and cover >= LEAST_COVER * width:
            weight = sum(p.weight for p in group)
            result.append(Line(slope, intercept, start, end, weight, False))
    return result


def _joint(group: list[Line]) -> tuple[float, float] | None:
    """Common straight line of pieces, or None where the last does not continue the others."""
    last = group[-1]
    if any(last.start < p.end - 4 and p.start < last.end - 4 for p in group[:-1]):
        return None
    first = group[0]
    middle = (last.start + last.end) / 2
    if abs(last.at(middle) - first.at(middle)) > 4 + 0.02 * abs(middle - first.start):
        return None
    xs = np.array([v for p in group for v in (p.start, p.end)])
    ys = np.array([p.at(v) for p in group for v in (p.start, p.end)])
    slope, intercept = fit_line(xs, ys, np.repeat([p.length for p in group], 2))
    if np.abs(ys - slope * xs - intercept).max() > BRIDGE_PX:
        return None
    return slope, intercept


def _refined(
    line: Line, room: float, seen: NDArray[np.int32], fine: Picture, scale: float
) -> InkLine:
    """Place and width of a line from its profiles in the finer picture, where it is seen.

    ``room`` is the distance to the nearest other line. Medians of up to eight groups of columns
    give the places; a straight line through them, and their median half width, are the result.
    """
    x = np.arange(max(int(line.start), 0), min(int(line.end), seen.shape[1]))
    y = np.round(line.slope * x + line.intercept).astype(int)
    ok = (y >= 0) & (y < seen.shape[0])
    x, reach = x[ok], seen[y[ok], x[ok]]
    x, reach = x[reach > 0], reach[reach > 0]
    if x.size < 8:
        return InkLine(line.slope, line.intercept, float(REACHES_PX[0]))
    far = max(min(1.5 * float(np.median(reach)), 0.6 * room), 2.0)
    d = np.linspace(-far, far, 2 * int(np.ceil(far * scale * 2)) + 1)
    rows = (line.slope * x + line.intercept)[None, :] + d[:, None]
    columns = np.broadcast_to(x, rows.shape)
    values = cv2.remap(
        fine,
        ((columns + 0.5) * scale - 0.5).astype(np.float32),
        ((rows + 0.5) * scale - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    share = ((d + far) / (2 * far))[:, None]
    depth = (1 - share) * values[0] + share * values[-1] - values
    places, widths, counts = [], [], []
    for group in np.array_split(np.arange(x.size), int(np.clip(x.size // 20, 1, 8))):
        profile = np.median(depth[:, group], axis=1)
        top = int(np.argmax(np.abs(profile)))
        profile = profile * np.sign(profile[top])
        if profile[top] <= 0:
            continue
        low = profile < 0.25 * profile[top]
        first = top - int(np.argmax(low[top::-1])) + 1 if low[:top].any() else 0
        last = top + int(np.argmax(low[top:])) if low[top:].any() else low.size
        weights = profile[first:last]
        places.append((float(x[group].mean()), float((weights @ d[first:last]) / weights.sum())))
        widths.append(0.5 * (last - first) * (d[1] - d[0]))
        counts.append(group.size)
    if not places:
        return InkLine(line.slope, line.intercept, float(REACHES_PX[0]))
    at, off = np.array(places).T
    weight = np.array(counts, float)
    middle = float(weight @ at / weight.sum())
    spread = float(weight @ (at - middle) ** 2)
    turn = float(weight @ ((at - middle) * off)) / spread if spread > 0 else 0.0
    shift = float(weight @ off / weight.sum()) - turn * middle
    return InkLine(line.slope + turn, line.intercept + shift, float(np.median(widths)))


def _rooms(lines: list[Line], x: float) -> list[float]:
    """Distance of each line to the nearest other one, in the middle of the frame."""
    y = np.array([line.at(x) for line in lines])
    apart = np.abs(y[:, None] - y[None, :]) + np.where(np.eye(len(y)) > 0, np.inf, 0)
    return [float(v) for v in apart.min(axis=1)]
