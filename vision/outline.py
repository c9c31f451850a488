"""Photo and rod -> the outline of the stylus under the rod's free end, roughly.

A small network, taught by `tests.teach` from rendered photographs, tells the stylus from its
facets, highlights, glue and reflection, where rules about edges cannot; a shank with a cone is
fitted to what it shows. That only says where to look: the angle comes from edges fitted to the
photo beside this outline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.least_squares import least_squares
from vision.network import framed, part_of, shares_of
from vision.side_rod import SideRod

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

WIDE_FILE = "outline.onnx"
NEAR_FILE = "outline_near.onnx"
# of a border's unknowns: tip x and y, lean, half width, half a cone's angle, taper
SMALL_CHANGE = (1.0, 1.0, 0.03, 1.0, 0.08, 0.03)
NEAR_LOOKS = (1.0, 1.05, 1.18)  # how much closer each comes
ROD_PX = 44.0  # thickness of the rod in the copy the network sees, pivot to the right
WIDTH, HEIGHT = 224, 256  # of that copy
END_AT = (83.6, 70.4)  # where in it the rod's free end lies
SHANK_PX = 40.0  # width of the stylus in the nearer copy, the stylus upright
NEAR_WIDTH, NEAR_HEIGHT = 128, 192
TIP_AT = (64.0, 150.0)  # where in it the tip lies
LEAST_OVERLAP = 0.9  # of what is fitted and what the network shows
LEAST_PX = 40  # of the copy that must show a stylus
SOFT_PX = 0.9  # over which a model's border fades
ROD_MOST = 0.3  # probability of the rod beyond which a pixel says nothing of the stylus
MARGIN_PX = 12  # round the stylus, where the fit looks
CONE_HALF_DEG, CONE_SD_DEG = 26.0, 8.0
TAPER_SD_DEG = 3.0
AXIS_U_DEG = (0.115, 0.023)  # at a full overlap; and what lacks of that to e times as much
DRIFT_DEG = 0.25  # beyond it an axis is off by far more than it drifts
SHORT_WIDTHS, SHORT_SHARE = 2.0, 1.4  # little but the cone shows: the axis is less sure


@dataclass(frozen=True)
class Outline:
    """A stylus in pixels of the photo: the axis from the tip, half widths, and how sure.

    Parameters
    ----------
    tip : ndarray, shape (2,)
    axis : ndarray, shape (2,)
        Unit vector from the tip upwards.
    half_width : float
        Of the shank where the cone ends, pixels.
    cone_half, taper : float
        Degrees of each side from the axis: the cone's, and the shank's (opening upwards).
    length : float
        Pixels from the tip to the rod, along the axis.
    overlap : float
        Intersection over union of this model and what the network shows.
    drift_deg : float
        Standard deviation of the axis over the looks.
    """

    tip: Array
    axis: Array
    half_width: float
    cone_half: float
    taper: float
    length: float
    overlap: float
    drift_deg: float = 0.0

    @property
    def axis_u_deg(self) -> float:
        """Standard uncertainty of the axis' direction, from outlines of known scenes."""
        least, fold = AXIS_U_DEG
        short = SHORT_SHARE if self.length < SHORT_WIDTHS * 2 * self.half_width else 1.0
        told = short * least * math.exp((1 - self.overlap) / fold)
        return math.hypot(told, self.drift_deg * (1 + (self.drift_deg / DRIFT_DEG) ** 2))


def find_outline(rgb: NDArray[np.uint8], rod: SideRod, thickness: float) -> Outline | None:
    """The stylus' outline; None where the networks see none.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    thickness : float
        What to take for the rod's thickness, photo pixels.
    """
    pivot = np.array([1.0 if rod.pivot_right else -1.0, 0.0])
    basis = thickness / ROD_PX * np.diag([pivot[0], 1.0])
    origin = rod.free_end - basis @ np.array(END_AT)
    outline = _seen(rgb, basis, origin, (WIDTH, HEIGHT), WIDE_FILE)
    return _nearer(rgb, outline, pivot)


def find_image(
    rgb: NDArray[np.uint8], rod: SideRod, outline: Outline, turn: Array, shift: Array
) -> Outline | None:
    """The outline of the stylus' mirror image, looked for where a mirror would show it.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    outline : Outline
        Of the stylus itself.
    turn, shift : ndarray, shapes (2, 2) and (2,)
        ``image = turn @ point + shift``.
    """
    pivot = turn @ np.array([1.0 if rod.pivot_right else -1.0, 0.0])
    there = replace(outline, tip=turn @ outline.tip + shift, axis=turn @ outline.axis)
    return _nearer(rgb, there, pivot)


def _nearer(rgb: NDArray[np.uint8], outline: Outline | None, pivot: Array) -> Outline | None:
    """The outline in nearer looks, each at what the last one showed; the mean of the last two."""
    looks: list[Outline] = []
    for closer in NEAR_LOOKS:
        if outline is None or outline.overlap < LEAST_OVERLAP:
            return None
        right = np.array([-outline.axis[1], outline.axis[0]])
        right = right if right @ pivot > 0 else -right
        per = 2 * outline.half_width / (SHANK_PX * closer)
        basis = per * np.column_stack([right, -outline.axis])
        origin = outline.tip - basis @ np.array(TIP_AT)
        outline = _seen(rgb, basis, origin, (NEAR_WIDTH, NEAR_HEIGHT), NEAR_FILE)
        if outline is not None:
            looks.append(outline)
    if outline is None or outline.overlap < LEAST_OVERLAP:
        return None
    weights = np.array([look.axis_u_deg**-2 for look in looks[-2:]])
    axis = weights @ np.array([look.axis for look in looks[-2:]])
    leans = np.array([look.axis for look in looks]) @ [axis[1], -axis[0]]
    drift = math.degrees(float(np.std(leans)) / float(np.linalg.norm(axis)))
    return replace(outline, axis=axis / np.linalg.norm(axis), drift_deg=drift)


def _seen(
    rgb: NDArray[np.uint8], basis: Array, origin: Array, size: tuple[int, int], file: str
) -> Outline | None:
    """The outline fitted to what a network shows in one copy, photo pixels."""
    # probabilities (3, rows, columns) of nothing, rod and stylus
    kinds = shares_of(file, part_of(rgb, framed(basis, origin), size))
    inside = _inside(rgb.shape, basis, origin, size)
    piece = _largest((kinds[2] > 0.5) & inside)
    fitted = None if piece is None else _fitted(kinds[2], kinds[1], piece, inside)
    if piece is None or fitted is None:
        return None
    return _in_photo(fitted[0], piece, fitted[1], basis, origin)


def _inside(
    shape: tuple[int, ...], basis: Array, origin: Array, size: tuple[int, int]
) -> NDArray[np.bool_]:
    """Which pixels of a copy show the photo: beyond its border the copy only repeats its rim."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    at = origin + np.stack([x, y], axis=-1) @ basis.T
    return np.asarray(((at >= 0) & (at <= (shape[1] - 1, shape[0] - 1))).all(axis=2))


def _largest(mask: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    if count < 2:
        return None
    k = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return None if stats[k, cv2.CC_STAT_AREA] < LEAST_PX else np.asarray(labels == k)


def _start(piece: NDArray[np.bool_]) -> Array:
    """Tip column and row, lean (rad), half width, cone half (rad), taper (rad)."""
    rows = np.nonzero(piece.any(axis=1))[0]
    y, x = np.nonzero(piece)
    lean = float(np.polyfit(y, x, 1)[0]) if len(rows) > 4 else 0.0
    widths = piece.sum(axis=1)[rows]
    half = float(np.quantile(widths, 0.85)) / 2
    bottom = float(rows[-1]) + 0.5
    low = rows[-max(len(rows) // 6, 2) :]
    at = float(np.mean([np.nonzero(piece[r])[0].mean() for r in low]))
    lean = float(np.clip(lean, -0.35, 0.35))
    return np.array([at, bottom, -lean, half, math.radians(CONE_HALF_DEG), 0.0])


def _place(p: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Along the model's axis from the tip, and across it to the right, pixels."""
    sin, cos = math.sin(p[2]), math.cos(p[2])
    return (x - p[0]) * sin - (y - p[1]) * cos, (x - p[0]) * cos + (y - p[1]) * sin


def _within(p: Array, along: Array, across: Array) -> tuple[Array, Array]:
    """Signed distances inside the cone's flank and the shank's side, pixels, roughly."""
    cone_top = p[3] / math.tan(p[4])
    flank = (along * math.tan(p[4]) - across) * math.cos(p[4])
    side = (p[3] + (along - cone_top) * math.tan(p[5]) - across) * math.cos(p[5])
    return flank, side


def _border(p: Array, x: Array, y: Array) -> Array:
    """Signed distance inside the model, pixels, roughly."""
    along, right = _place(p, x, y)
    return np.asarray(np.minimum(*_within(p, along, np.abs(right))))


def _border_slopes(p: Array, x: Array, y: Array) -> Array:
    """Derivatives of `_border` by each parameter, shape (points, 6)."""
    sin, cos = math.sin(p[2]), math.cos(p[2])
    along, right = _place(p, x, y)
    hand, across = np.sign(right), np.abs(right)
    half, cone, taper = p[3], p[4], p[5]
    above = along - half / math.tan(cone)
    inside, beside = _within(p, along, across)
    on_flank = inside < beside
    # a row for each parameter: NumPy is slow along short rows
    out = np.where(on_flank, math.cos(cone), math.cos(taper))
    up = np.where(on_flank, math.sin(cone), math.sin(taper))
    hand = hand * out
    rows = [
        cos * hand - sin * up,
        sin * hand + cos * up,
        along * hand + right * up,
        np.where(on_flank, 0.0, math.cos(taper) - math.sin(taper) / math.tan(cone)),
        np.where(on_flank, along * out + across * up, half * math.sin(taper) / math.sin(cone) ** 2),
        np.where(on_flank, 0.0, above * out + (across - half) * up),
    ]
    return np.array(rows).T


def _fitted(
    stylus: Grey, rod: Grey, piece: NDArray[np.bool_], inside_photo: NDArray[np.bool_]
) -> tuple[Array, float] | None:
    rows, columns = (np.nonzero(piece.any(axis=k))[0] for k in (1, 0))
    y0, y1 = max(rows[0] - MARGIN_PX, 0), min(rows[-1] + MARGIN_PX, stylus.shape[0] - 1)
    x0, x1 = max(columns[0] - MARGIN_PX, 0), min(columns[-1] + MARGIN_PX, stylus.shape[1] - 1)
    y, x = np.mgrid[y0 : y1 + 1, x0 : x1 + 1].astype(float)
    shown = np.where(piece | (stylus < 0.5), stylus, 0.0)[y0 : y1 + 1, x0 : x1 + 1]
    # above the stylus' upper end the rod, or glue, is in the way
    blind = cv2.dilate((rod > ROD_MOST).astype(np.uint8), np.ones((3, 3), np.uint8))
    covered = np.maximum.accumulate(blind[::-1], axis=0)[::-1][y0 : y1 + 1, x0 : x1 + 1] > 0
    told = ~covered & (y > rows[0]) & inside_photo[y0 : y1 + 1, x0 : x1 + 1]
    if told.sum() < LEAST_PX:
        return None
    xs, ys, target = x[told], y[told], shown[told].astype(float)

    def inside_of(p: Array) -> Array:
        return np.asarray(1 / (1 + np.exp(-np.clip(_border(p, xs, ys) / (SOFT_PX / 2), -30, 30))))

    def missed(p: Array) -> Array:
        model = inside_of(p)
        prior = [
            (math.degrees(p[4]) - CONE_HALF_DEG) / CONE_SD_DEG,
            math.degrees(p[5]) / TAPER_SD_DEG,
        ]
        return np.concatenate([model - target, 0.6 * np.array(prior)])

    def slopes(p: Array) -> Array:
        model = inside_of(p)
        steep = model * (1 - model) / (SOFT_PX / 2)
        prior = np.zeros((2, len(p)))
        prior[0, 4] = 0.6 * math.degrees(1) / CONE_SD_DEG
        prior[1, 5] = 0.6 * math.degrees(1) / TAPER_SD_DEG
        return np.concatenate([steep * _border_slopes(p, xs, ys).T, prior.T], axis=1).T

    start = _start(piece)
    low = np.array([0, 0, -0.5, 1.5, 0.15, -0.12])
    high = np.array([stylus.shape[1], stylus.shape[0] + 20, 0.5, 60, 0.75, 0.2])
    p = least_squares(
        missed, np.clip(start, low, high), SMALL_CHANGE, slopes, (low, high), 40, 1e-5
    ).x
    inside = _border(p, xs, ys) > 0
    both = float((inside & (target > 0.5)).sum())
    either = float((inside | (target > 0.5)).sum())
    return p, both / max(either, 1.0)


def _in_photo(
    p: Array,
    piece: NDArray[np.bool_],
    overlap: float,
    basis: Array,
    origin: Array,
) -> Outline:
    per = float(np.linalg.norm(basis[:, 1]))
    axis = basis @ np.array([math.sin(p[2]), -math.cos(p[2])]) / per
    tip = origin + basis @ p[:2]
    rows, columns = np.nonzero(piece)
    along = (columns - p[0]) * math.sin(p[2]) - (rows - p[1]) * math.cos(p[2])
    return Outline(
        tip,
        axis,
        per * float(p[3]),
        math.degrees(p[4]),
        math.degrees(p[5]),
        per * float(np.quantile(along, 0.97)),
        overlap,
    )
