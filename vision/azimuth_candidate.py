"""A possible place of a body's lower edge and its image, and what its makers share.

Comes in and goes out: `Candidate`s, made by `vision.azimuth_cups` and `vision.azimuth_pairs`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Picture = NDArray[np.float32]
MAX_FLAT = 0.25  # tan of 14 degrees: roll, azimuth and perspective together
MAX_STEEP = 0.42  # tan of 23 degrees: the same and the taper


@dataclass(frozen=True)
class Candidate:
    """One possible place of the two edges, full-resolution pixels.

    ``edge`` and ``image`` are (left, right) corners, shape (2, 2); ``sides`` holds rough segments
    of the sides that have support ("left", "right", "left image", "right image"), from the corner
    outwards. ``support`` is how well the reflection that takes the edge to its image explains the
    whole picture, 0 to 1 (`vision.azimuth_mirror`).
    """

    edge: Array
    image: Array
    sides: dict[str, Array]
    score: float
    parts: dict[str, float]
    support: float = 0.0


def along_field(strength: Picture, along: Array, across: Array) -> Array:
    """Edge strength at positions (along, across); 0 outside."""
    height, width = strength.shape
    column, row = np.rint(along).astype(np.int32), np.rint(across).astype(np.int32)
    ok = (column >= 0) & (row >= 0) & (column < width) & (row < height)
    values = strength.ravel().take(row * width + column, mode="clip")
    return np.asarray(values * ok, float)


def unlike(channels: Picture, edge: tuple[float, ...], image: tuple[float, ...]) -> float:
    """How much the colours above the edge differ from those below its image, 0 (alike) to 1."""
    u = np.linspace(0.08, 0.92, 15)
    v = np.linspace(0.05, 0.30, 8)[:, None]
    patches = []
    for (x0, y0, x1, y1), sign in ((edge, 1.0), (image, -1.0)):
        along = np.array([x1 - x0, y1 - y0])
        x = x0 + u * along[0] + sign * v * along[1]
        y = y0 + u * along[1] - sign * v * along[0]
        ok = (y >= 0) & (y < channels.shape[0] - 1) & (x >= 0) & (x < channels.shape[1] - 1)
        patch = channels[
            np.clip(y, 0, channels.shape[0] - 1).astype(int),
            np.clip(x, 0, channels.shape[1] - 1).astype(int),
        ].astype(float)
        patch[~ok] = np.nan
        patches.append(patch)
    both = np.isfinite(patches[0][..., 0]) & np.isfinite(patches[1][..., 0])
    if both.mean() < 0.15:
        return 0.3
    difference = np.median((patches[0] - patches[1])[both], axis=0)
    colour = float(np.hypot(difference[1], difference[2]))
    return min(0.6, colour / 0.08 * 0.3) + min(0.4, max(0.0, abs(difference[0]) - 0.12) * 2)


def to_full(c: Candidate, scale: float) -> Candidate:
    """From pixels of the reduced picture to the full one; pixel centres at integers."""

    def up(p: Array) -> Array:
        return (p + 0.5) / scale - 0.5

    sides = {name: up(line) for name, line in c.sides.items()}
    return Candidate(up(c.edge), up(c.image), sides, c.score, c.parts, c.support)
