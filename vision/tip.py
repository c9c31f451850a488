"""Where the stylus stands on a printed sheet: what lies on the paper that was not printed there.

In: a photo, a sheet's pose and a window on the sheet (its own axes u towards the arm's pivot, v
across). Out: the place of the stylus tip. The window is straightened, the print that the layout
says is there is drawn at the same scale and taken away, and the rest that hangs together with the
arm's side is the cartridge, cantilever and stylus; its foremost point is where the stylus touches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import Photo
from vision.sheet import SheetView
from vision.sheet_layouts import Circle, Line, Polygon, marker_ink

Array = NDArray[np.float64]
INK = 0.06  # grey of solid ink relative to the paper, from memory
THRESHOLD, THRESHOLD_BLANK = 0.22, 0.09  # of the paper's brightness: near print, on blank paper
U_TIP_MM = 0.08  # foremost point of the silhouette against the contact, rendered photos


@dataclass(frozen=True)
class Window:
    """A rectangle on the sheet: origin, angle of u (degrees), and ranges of u and v, mm."""

    x: float
    y: float
    angle: float
    u: tuple[float, float]
    v: tuple[float, float]

    def to_sheet(self, uv: Array) -> Array:
        """Sheet coordinates of window coordinates (N, 2)."""
        c, s = math.cos(math.radians(self.angle)), math.sin(math.radians(self.angle))
        return np.asarray(uv @ np.array([[c, s], [-s, c]]) + [self.x, self.y])

    def from_sheet(self, xy: Array) -> Array:
        """Window coordinates of sheet coordinates (N, 2)."""
        c, s = math.cos(math.radians(self.angle)), math.sin(math.radians(self.angle))
        return np.asarray((xy - [self.x, self.y]) @ np.array([[c, -s], [s, c]]))


@dataclass(frozen=True)
class Tip:
    """Tip in window coordinates (u, v) mm, its pixel, and the standard uncertainty in mm."""

    u: float
    v: float
    pixel: Array
    u_mm: float


def find_tip(photo: Photo, view: SheetView, window: Window) -> Tip | str:
    """Find the stylus tip in a window, or say in words why it cannot be told."""
    scale = view.pixels_per_mm((window.x, window.y))
    if scale < 5:
        return (
            f"the picture holds {scale:.1f} px per millimetre there; move closer until it holds 8"
        )
    per = float(np.clip(scale, 8, 24))
    us = np.arange(window.u[0], window.u[1], 1 / per)
    vs = np.arange(window.v[1], window.v[0], -1 / per)
    grid = np.stack(np.meshgrid(us, vs), -1).reshape(-1, 2)
    pixels = view.to_image(window.to_sheet(grid)).astype(np.float32)
    if (
        pixels.min() < 0
        or pixels[:, 0].max() > photo.width - 1
        or pixels[:, 1].max() > photo.height - 1
    ):
        return "the grid round the cross is cut off by the frame"
    shape = (len(vs), len(us))
    seen = cv2.remap(
        photo.grey,
        pixels[:, 0].reshape(shape),
        pixels[:, 1].reshape(shape),
        cv2.INTER_LINEAR,
    )
    drawn = _print(view, window, us, vs, per)
    mask = _foreign(seen, drawn, per)
    blob = _arm_side(mask)
    if blob is None:
        return "no stylus reaches into the grid from the arm's side"
    rows, cols = np.nonzero(blob)
    first = cols.min()
    if first < 0.4 * per:
        return "something crosses the whole grid, so the tip cannot be told"
    front = cols <= first + max(1.0, 0.12 * per)
    spread = float(np.ptp(rows[front])) / per
    if spread > 1.6:
        return "what reaches foremost is too broad for a stylus tip; a shadow, perhaps"
    row = round(float(rows[front].mean()))
    if (
        drawn[max(row - round(0.25 * per), 0) : row + round(0.25 * per) + 1][
            :, max(first - round(0.5 * per), 0) : first + 1
        ].min(initial=1.0)
        < 0.93
    ):
        return "the tip stands on a printed line, which may hide it; stand it in the clear middle"
    u = float(us[first]) + 0.3 / per
    v = float(np.interp(rows[front].mean(), np.arange(len(vs)), vs))
    pixel = view.to_image(window.to_sheet(np.array([[u, v]])))[0]
    return Tip(u, v, pixel, math.hypot(U_TIP_MM, 0.5 / per, 0.25 * spread))


def _foreign(seen: NDArray[Any], drawn: NDArray[Any], per: float) -> NDArray[Any]:
    """Pixels that neither paper nor print explains, with the paper's own light divided out."""
    size = int(4 * per) | 1
    bright = cv2.morphologyEx(seen, cv2.MORPH_CLOSE, np.ones((size // 4 | 1,) * 2))
    paper = float(np.percentile(bright, 60))
    white = (np.abs(bright / paper - 1) < 0.25).astype(np.float32)
    weight = cv2.GaussianBlur(white, (0, 0), size) + 1e-3
    light = (cv2.GaussianBlur(bright * white, (0, 0), size) + 1e-3 * paper) / weight
    ratio = seen / light
    reach = np.ones((2 * max(1, round(0.1 * per)) + 1,) * 2)
    low, high = cv2.erode(drawn, reach), cv2.dilate(drawn, reach)
    allowed = np.where(low > 0.97, THRESHOLD_BLANK, THRESHOLD)
    odd = (ratio < low - allowed) | (ratio > high + allowed)
    odd = odd.astype(np.uint8)
    return cv2.morphologyEx(odd, cv2.MORPH_CLOSE, np.ones((round(0.15 * per) * 2 + 1,) * 2))


def _arm_side(mask: NDArray[Any]) -> NDArray[Any] | None:
    """The largest connected piece that touches the arm's side of the window."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    touching = [k for k in np.unique(labels[:, -2:]) if k]
    if not touching or count < 2:
        return None
    best = max(touching, key=lambda k: stats[k, cv2.CC_STAT_AREA])
    if stats[best, cv2.CC_STAT_AREA] < 0.002 * mask.size:
        return None
    return labels == best


def _print(view: SheetView, window: Window, us: Array, vs: Array, per: float) -> NDArray[Any]:
    """The print that belongs in the window, blurred like the photo."""
    fine = 4
    height, width = len(vs) * fine, len(us) * fine
    canvas = np.full((height, width), 255, np.uint8)

    def place(xy: Array) -> NDArray[np.int32]:
        uv = window.from_sheet(np.atleast_2d(xy))
        px = np.stack([(uv[:, 0] - us[0]) * per, (vs[0] - uv[:, 1]) * per], 1)
        return np.round(((px + 0.5) * fine - 0.5) * 16).astype(np.int32)

    def grey(value: float) -> int:
        return round(255 * (INK + (1 - INK) * value))

    shapes = list(view.layout.shapes)
    for patch in view.layout.patches:
        shapes += [Polygon(tuple(map(tuple, quad))) for quad in patch.black().tolist()]
    for marker in (*view.layout.markers(), *view.layout.digits):
        shapes += marker_ink(marker)
    for shape in shapes:
        if isinstance(shape, Polygon):
            cv2.fillPoly(canvas, [place(np.array(shape.points))], grey(shape.grey), shift=4)
        elif isinstance(shape, Line):
            ends = place(np.array([[shape.x0, shape.y0], [shape.x1, shape.y1]]))
            thick = max(1, round(shape.width * per * fine))
            cv2.line(
                canvas,
                tuple(map(int, ends[0])),
                tuple(map(int, ends[1])),
                grey(shape.grey),
                thick,
                shift=4,
            )
        elif isinstance(shape, Circle) and shape.width:
            centre = place(np.array([[shape.x, shape.y]]))[0]
            thick = max(1, round(shape.width * per * fine))
            radius = round(shape.radius * per * fine * 16)
            cv2.circle(canvas, tuple(map(int, centre)), radius, grey(shape.grey), thick, shift=4)
    small = cv2.resize(canvas, (len(us), len(vs)), interpolation=cv2.INTER_AREA)
    return cv2.GaussianBlur(small.astype(np.float32) / 255, (0, 0), 1.0)
