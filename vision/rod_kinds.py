"""Photo from the front -> what each pixel shows: rod, its image, body, its image, printed lines.

A small network, taught by `tests.teach` from rendered photographs, tells a rod from its highlights,
shadow, reflection and the lines it lies over, where rules about edges cannot. It only says what is
what and roughly where: the angle comes from edges fitted to the photo beside what it shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.least_squares import least_squares
from vision.network import fitted_in, shares_of

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

FILE = "rod_kinds.onnx"
WIDTH, HEIGHT = 448, 336  # of the copy that the network sees
ROD, ROD_IMAGE, BODY, BODY_IMAGE, INK = 1, 2, 3, 4, 5
SURE = 0.5  # probability
LEAST_OVERLAP = 0.86  # of two straight sides and what is shown
LEAST_PX = 25  # of the copy that must show a rod
# of a body, and of its image to it: mirrors show 1.1 times as much image as body and more, paper
# and glossy card not half as much
LEAST_BODY_PX, LEAST_IMAGE = 400, 0.7
LEAST_BODY, BODY_WITHIN_PX = 0.1, 8.0  # a rod ends in its body, a good part of what looks so
SOFT_PX = 0.9  # over which a model's border fades
ENDS = 0.08  # share of the rod's length at each end that tells nothing of its sides
MARGIN_PX = 6.0
TAPER_SD = 0.02
LEAST_STEP, STEP_SHARE = 0.2, 0.8  # of a rod's width; of the squared misses that a cone leaves
# what the network's axis is off by, in its pixels: at its middle, and of one end against the other,
# at a fine overlap; and over what lack of overlap these grow e-fold
OFFSET_SD, ENDS_SD, FINE_OVERLAP, FOLD = 0.18, 0.37, 0.985, 0.065
CREST_BLUR_PX, LEAST_CREST, CREST_SHARE = 1.0, 0.15, 0.75  # of printed lines


@dataclass(frozen=True)
class Shown:
    """Probabilities of what a photo shows, (6, `HEIGHT`, `WIDTH`).

    ``k`` is the pixels of the photo a pixel of the copy; their upper left corners are one.
    """

    share: Floats
    k: float

    def in_photo(self, at: Array) -> Array:
        """Pixels of the photo of pixels (..., 2) of the copy."""
        return np.asarray(self.k * (at + 0.5) - 0.5)

    def in_copy(self, at: Array) -> Array:
        """Pixels of the copy of pixels (..., 2) of the photo."""
        return np.asarray((at + 0.5) / self.k - 0.5)

    def shares_at(self, at: Array) -> Floats:
        """Probabilities (6, N) at pixels (N, 2) of the photo, those outside as at the rim."""
        x, y = np.rint(self.in_copy(at)).astype(int).T
        rows, columns = self.share.shape[1:]
        return self.share[:, np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)]

    @property
    def mirrored(self) -> bool | None:
        """Whether body and rod are seen in a mirror below; None where little of them is seen."""
        real, image = (
            int((self.share[list(kinds)].sum(axis=0) > SURE).sum())
            for kinds in ((ROD, BODY), (ROD_IMAGE, BODY_IMAGE))
        )
        return image > LEAST_IMAGE * real if real > LEAST_BODY_PX else None

    @property
    def rod_missing(self) -> bool:
        """Whether a body is seen and no rod at all, as where it lies outside the picture."""
        rod, body = (int((self.share[kind] > SURE).sum()) for kind in (ROD, BODY))
        return body > LEAST_BODY_PX and rod < LEAST_PX

    def crest(self, kind: int, at: Array) -> NDArray[np.bool_]:
        """Whether pixels (N, 2) of the photo lie along the middle of what shows a kind."""
        if not len(at):
            return np.zeros(0, bool)
        soft = cv2.GaussianBlur(self.share[kind], (0, 0), CREST_BLUR_PX)
        most = cv2.dilate(soft, np.ones((5, 5), np.uint8))
        xy = self.in_copy(at).astype(np.float32)
        parts = [xy[k : k + 16384][None] for k in range(0, len(xy), 16384)]
        here, best = (
            np.concatenate([cv2.remap(v, p[..., 0], p[..., 1], cv2.INTER_LINEAR)[0] for p in parts])
            for v in (soft, most)
        )
        return np.asarray((here > LEAST_CREST) & (here > CREST_SHARE * best))


@dataclass(frozen=True)
class RodOutline:
    """A rod's two sides, lower ends first, in pixels of the photo, and how sure.

    Parameters
    ----------
    left, right : ndarray, shape (2, 2)
        Lower and upper end of each side.
    overlap : float
        Intersection over union of the space between and what the network shows there.
    pixel : float
        Pixels of the photo a pixel of what the network shows.
    sds : (float, float), optional
        Of the axis' middle (pixels of the photo) and of its direction (radians), where known.
    """

    left: Array
    right: Array
    overlap: float
    pixel: float
    sds: tuple[float, float] | None = None

    @property
    def offset_sd(self) -> float:
        """Standard deviation (pixels of the photo) of the axis' middle, from known scenes."""
        if self.sds is not None:
            return self.sds[0]
        return self.pixel * OFFSET_SD * math.exp(max(FINE_OVERLAP - self.overlap, 0.0) / FOLD)

    @property
    def angle_sd(self) -> float:
        """Standard deviation (radians) of the axis' direction, from known scenes."""
        if self.sds is not None:
            return self.sds[1]
        length = float(np.linalg.norm(self.axis[1] - self.axis[0]))
        return ENDS_SD / OFFSET_SD * self.offset_sd / length

    @property
    def axis(self) -> tuple[Array, Array]:
        """Lower and upper end of the line midway."""
        middle = (self.left + self.right) / 2
        return middle[0], middle[1]

    @property
    def width(self) -> float:
        """Mean distance of the sides, pixels of the photo."""
        return float(np.linalg.norm(self.right - self.left, axis=1).mean())


def look(rgb: NDArray[np.uint8]) -> Shown:
    """What each pixel shows.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)

    Returns
    -------
    Shown
    """
    copy, k = fitted_in(rgb, WIDTH, HEIGHT)
    return Shown(shares_of(FILE, copy), k)


def rod_outline(shown: Shown) -> RodOutline | None:
    """The outline of the rod, None where none is shown.

    Parameters
    ----------
    shown : Shown

    Returns
    -------
    RodOutline or None
    """
    rod = shown.share[ROD]
    piece = _largest(rod)
    if piece is None:
        return None
    y, x = (v.astype(float) for v in np.nonzero(piece))
    middle = np.array([x.mean(), y.mean()])
    about = np.stack([x, y], axis=1) - middle
    up = np.linalg.eigh(about.T @ about)[1][:, 1]
    up = up if up[1] < 0 else -up
    side = np.array([-up[1], up[0]])  # to the right where up points up
    s = about @ up
    low, high = (float(v) for v in np.quantile(s, [0.01, 0.99]))
    length = high - low
    if length < 8 or _body_at(shown, middle + high * up, up) < LEAST_BODY:
        return None
    half = len(x) / length / 2
    span = math.ceil(half + MARGIN_PX + length)
    x0, y0 = np.maximum(np.floor(middle - span), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(middle + span), [WIDTH - 1, HEIGHT - 1]).astype(int)
    gy, gx = np.mgrid[y0 : y1 + 1, x0 : x1 + 1]
    rel = np.stack([gx.ravel(), gy.ravel()], axis=1) - middle
    along, across = rel @ up, rel @ side
    told = (along > low + ENDS * length) & (along < high - ENDS * length)
    told &= np.abs(across) < half + MARGIN_PX
    along, across = along[told], across[told]
    target = rod[gy.ravel()[told], gx.ravel()[told]].astype(float)
    step = width_step(along, target, low, high)
    if step is not None:  # a sleeve: the longer part has straight sides
        low, high = (low, step) if step - low > high - step else (step, high)
        part = (along > low + 1.5) & (along < high - 1.5)
        along, across, target = along[part], across[part], target[part]
        half = float(target.sum()) / (high - low) / 2
    p, overlap = _sides(along, across, target, half, (low + high) / 2)
    ends = []
    for sign in (-1.0, 1.0):
        run = np.array([low, high])
        away = run - (low + high) / 2
        at = p[0] + p[1] * away + sign * (p[2] + p[3] * away)
        ends.append(shown.in_photo(middle + run[:, None] * up + at[:, None] * side))
    if overlap < LEAST_OVERLAP:
        return None
    return RodOutline(ends[0], ends[1], overlap, shown.k)


def _body_at(shown: Shown, end: Array, up: Array) -> float:
    """Share of all that shows a body that is the piece from a rod's upper end on."""
    body = (shown.share[BODY] > SURE).astype(np.uint8)
    steps = end + np.arange(0.0, BODY_WITHIN_PX)[:, None] * up
    at = np.clip(np.rint(steps).astype(int), 0, [WIDTH - 1, HEIGHT - 1])
    _, labels = cv2.connectedComponents(body)
    met = labels[at[:, 1], at[:, 0]]
    met = met[met > 0]
    if not len(met):
        return 0.0
    size = np.bincount(labels.ravel())
    return float(size[met].max() / size[1:].sum())


def _sides(
    along: Array, across: Array, target: Array, half: float, centre: float
) -> tuple[Array, float]:
    """Axis offset and slope, half width and its slope, of two straight sides; and the overlap."""
    run = along - centre

    def inside(p: Array) -> Array:
        return np.asarray(p[2] + p[3] * run - np.abs(across - p[0] - p[1] * run))

    def missed(p: Array) -> Array:
        model = 1 / (1 + np.exp(-np.clip(inside(p) / (SOFT_PX / 2), -30, 30)))
        return np.append(model - target, 0.6 * p[3] / TAPER_SD)

    p = least_squares(missed, [0.0, 0.0, half, 0.0], [1, 0.03, 1, 0.03]).x
    model, seen = inside(p) > 0, target > SURE
    return p, float((model & seen).sum()) / max(float((model | seen).sum()), 1.0)


def width_step(along: Array, target: Array, low: float, high: float) -> float | None:
    """Where along a rod its width steps, as at the end of a sleeve; None where it does not."""
    n = int((high - low) / 2)
    if n < 12:
        return None
    at = np.floor((along - low) / (high - low) * n).astype(int)
    width = (
        np.bincount(at, target, minlength=n)[:n] / np.maximum(np.bincount(at, minlength=n), 1)[:n]
    )
    k0, k1 = math.ceil(ENDS * n) + 1, n - math.ceil(ENDS * n) - 1
    width = width[k0:k1] / max(float(width[k0:k1].mean()), 1e-6)
    s = np.arange(len(width)) - (len(width) - 1) / 2
    straight = np.polynomial.polynomial.polyfit(s, width, 1)
    line = float(np.sum((width - straight[0] - straight[1] * s) ** 2))
    best, where = line, 0
    for k in range(3, len(width) - 3):
        one, two = width[:k], width[k:]
        miss = float(np.sum((one - one.mean()) ** 2) + np.sum((two - two.mean()) ** 2))
        if miss < best and abs(two.mean() - one.mean()) > LEAST_STEP:
            best, where = miss, k
    if best > STEP_SHARE * line:
        return None
    return low + (k0 + where) * (high - low) / n


def _largest(rod: Floats) -> NDArray[np.bool_] | None:
    """The piece in which most of the rod's probability lies."""
    count, labels = cv2.connectedComponents((rod > SURE).astype(np.uint8))
    if count < 2:
        return None
    mass = np.bincount(labels.ravel(), rod.ravel(), minlength=count)
    mass[0] = 0
    best = int(np.argmax(mass))
    return None if mass[best] < LEAST_PX else np.asarray(labels == best)
