"""A picture over a mirror -> the reflections in it: directions and shifts, strongest first.

Comes in: colour channels of a head-on photo. Goes out: `Mirrors`, a table of how well the picture
agrees with itself reflected across a line of every direction and place, and its peaks. All of the
body and of its image (sides, edges, lettering) votes at once, so that an edge found later can be
asked whether it and its image lie where the reflection of everything else puts them.

The picture's gradient, compressed in size, is correlated with that of the reflected picture by the
fast Fourier transform (the Fourier correlation of vector fields; gradient correlation after
Argyriou & Vlachos, BMVC 2003). A reflection across a line that makes the angle phi with x takes the
direction a to 2 phi - a; edges of one body and their images have phi = (a + b) / 2 in common, where
the azimuth is (a - b) / 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

WIDTH = 200  # px; a pixel across a body half as wide is 0.6 degrees
STEP_DEG, MOST_DEG = 1.0, 10.0
MOST_SHIFT = 0.7  # of the height
MOST_ASIDE = 0.05  # of the width: perspective shifts the image a little along the edge
LEAST_GRADIENT = 0.012


@dataclass(frozen=True)
class MirrorMap:
    """``p -> reflect(p - centre) + centre + shift``, across direction ``angle`` (radians)."""

    angle: float
    centre: tuple[float, float]
    shift: tuple[float, float]
    value: float

    def __call__(self, points: Array) -> Array:
        """Where points, shape (..., 2), are seen in the mirror."""
        return (points - self.centre) @ reflection(self.angle) + np.add(self.centre, self.shift)

    def scaled(self, k: float) -> MirrorMap:
        """The same in a picture ``k`` times as large; pixel centres at integers."""
        x, y = self.centre
        centre = (x + 0.5) * k - 0.5, (y + 0.5) * k - 0.5
        return MirrorMap(self.angle, centre, (self.shift[0] * k, self.shift[1] * k), self.value)


def reflection(angle: float) -> Array:
    """Matrix of the reflection across a line through the origin; symmetric."""
    c, s = math.cos(2 * angle), math.sin(2 * angle)
    return np.array([[c, s], [s, -c]])


def between(edge: Array, image: Array) -> MirrorMap:
    """The reflection that takes a line to another; both are (left, right) ends, shape (2, 2)."""
    angle = sum(math.atan2(*(ends[1] - ends[0])[::-1]) for ends in (edge, image)) / 2
    (x, y), (u, v) = edge.mean(axis=0).tolist(), image.mean(axis=0).tolist()
    return MirrorMap(angle, (x, y), (u - x, v - y), 1.0)


@dataclass(frozen=True)
class Mirrors:
    """Agreement by direction and shift.

    Parameters
    ----------
    table : ndarray, shape (directions, H, W)
        Agreement over the largest; shifts wrap round as the Fourier transform's do.
    angles : ndarray, shape (directions,)
        Radians.
    centre : (float, float)
        Point about which the picture was reflected, px of the small picture.
    scale : float
        Width of the small picture over that of the picture given.
    """

    table: Picture
    angles: Array
    centre: tuple[float, float]
    scale: float

    def maps(self, count: int = 5) -> list[MirrorMap]:
        """The strongest reflections, in pixels of the picture given."""
        left = self.table.copy()
        directions, height, width = left.shape
        found = []
        for _ in range(count):
            k, i, j = (int(v) for v in np.unravel_index(int(np.argmax(left)), left.shape))
            if left[k, i, j] <= 0:
                break
            y, x = _signed(i, height), _signed(j, width)
            # The peak between the directions tried, by a parabola.
            turn = 0.0
            if 0 < k < directions - 1:
                low, high = (
                    float(self.table[q][np.ix_(_about(i, 1, height), _about(j, 2, width))].max())
                    for q in (k - 1, k + 1)
                )
                bend = low + high - 2 * float(left[k, i, j])
                turn = float(np.clip((low - high) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0
            angle = float(self.angles[k]) + turn * math.radians(STEP_DEG)
            found.append(
                MirrorMap(angle, self.centre, (x, y), float(left[k, i, j])).scaled(1 / self.scale)
            )
            near = np.ix_(
                range(max(0, k - 2), min(directions, k + 3)),
                _about(i, 3, height),
                _about(j, width // 2, width),
            )
            left[near] = -1
        return found

    def support(self, edge: Array, image: Array) -> float:
        """How well the reflection that takes ``edge`` to ``image`` explains the picture, 0 to 1.

        Both are (left, right) ends, shape (2, 2), in pixels of the picture given.
        """
        turns = [math.atan2(*(p[1] - p[0])[::-1]) for p in (edge, image)]
        angle = sum(turns) / 2
        directions, height, width = self.table.shape
        k = round((angle - float(self.angles[0])) / math.radians(STEP_DEG))
        e, i = ((p.mean(axis=0) + 0.5) * self.scale - 0.5 for p in (edge, image))
        x, y = i - (e - self.centre) @ reflection(angle) - self.centre
        rows, columns = _about(round(y), 2, height), _about(round(x), 4, width)
        best = 0.0
        for q in range(max(0, k - 1), min(directions, k + 2)):
            best = max(best, float(self.table[q][np.ix_(rows, columns)].max()))
        return best


def find_mirrors(channels: Picture) -> Mirrors:
    """How well a picture agrees with its own reflections.

    Parameters
    ----------
    channels : ndarray, shape (H, W, C), float32
        Channels without printed lines, about 0 to 1.

    Returns
    -------
    Mirrors
    """
    scale = WIDTH / channels.shape[1]
    area = cv2.INTER_AREA
    small = np.asarray(
        cv2.resize(channels, None, fx=scale, fy=scale, interpolation=area), np.float32
    )
    h, w = small.shape[:2]
    size = (
        cv2.getOptimalDFTSize(round((1 + MOST_SHIFT) * h)),
        cv2.getOptimalDFTSize(round(1.12 * w)),
    )
    angles = np.radians(np.arange(-MOST_DEG, MOST_DEG + STEP_DEG / 2, STEP_DEG))
    small = _two_colours(small)
    own = _field(small)
    for edge in (own[:2], own[-2:], own[:, :2], own[:, -2:]):
        edge[:] = 0
    spectra = _spectra(own, size)
    centre = np.array([(w - 1) / 2, (h - 1) / 2])
    inside = np.zeros((h, w), np.float32)
    inside[3:-3, 3:-3] = 1
    table = np.empty((len(angles), *size), np.float32)
    for k, angle in enumerate(angles):
        turn = reflection(float(angle))
        matrix = np.hstack([turn, (centre - turn @ centre)[:, None]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        seen = cv2.warpAffine(small, matrix, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        mask = cv2.warpAffine(inside, matrix, (w, h), flags=flags) > 0.99
        others = _spectra(_field(np.asarray(seen, np.float32)) * mask[..., None], size)
        both = [cv2.mulSpectrums(a, b, 0, conjB=True) for a, b in zip(spectra, others, strict=True)]
        table[k] = cv2.idft(np.add.reduce(both), flags=cv2.DFT_SCALE)[..., 0]
    y = np.array([_signed(i, size[0]) for i in range(size[0])])[:, None]
    x = np.array([_signed(j, size[1]) for j in range(size[1])])[None, :]
    for k, angle in enumerate(angles):
        aside = np.abs(x * math.cos(angle) + y * math.sin(angle))
        table[k][(aside > MOST_ASIDE * w) | (np.abs(y) > MOST_SHIFT * h)] = -1
    table /= max(float(table.max()), 1e-9)
    return Mirrors(table, angles, (float(centre[0]), float(centre[1])), scale)


def _field(channels: Picture) -> NDArray[np.complex64]:
    """Gradient as a complex number, one a channel; strong edges count little more than weak."""
    gx = cv2.Sobel(channels, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(channels, cv2.CV_32F, 0, 1, scale=1 / 8)
    size = np.sqrt((gx * gx + gy * gy).sum(axis=2))
    floor = max(LEAST_GRADIENT, 2 * float(np.median(size)))
    return np.asarray((gx + 1j * gy) * (size / (size + floor) ** 2)[..., None], np.complex64)


def _spectra(field: NDArray[np.complex64], size: tuple[int, int]) -> list[NDArray[np.float32]]:
    """Fourier transform of each channel of a field (H, W, C), filled up with zeros to a size."""
    h, w, count = field.shape
    out = []
    for k in range(count):
        filled = np.zeros((*size, 2), np.float32)
        filled[:h, :w, 0], filled[:h, :w, 1] = field[..., k].real, field[..., k].imag
        out.append(np.asarray(cv2.dft(filled), np.float32))
    return out


def _two_colours(channels: Picture) -> Picture:
    """The two combinations of the channels that vary most from pixel to pixel."""
    steps = np.diff(channels, axis=0).reshape(-1, channels.shape[2])
    directions = np.linalg.eigh(steps.T @ steps)[1][:, -2:]
    return np.asarray(channels @ directions, np.float32)


def _signed(index: int, size: int) -> int:
    return index if index < size - size // 2 else index - size


def _about(index: int, reach: int, size: int) -> list[int]:
    return sorted({(index + k) % size for k in range(-reach, reach + 1)})
