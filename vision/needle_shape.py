"""A stylus as five numbers in a straightened copy of the photo, and that copy.

In the copy u runs to the right towards the pivot and y down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

SIDES = (("left", -1), ("right", 1))
HEIGHT_BIAS = 0.6  # thicknesses added to a shape's height: longer edges that answer count more


@dataclass(frozen=True)
class Shape:
    """A stylus in the straightened copy: pixels, degrees; lean is positive towards the pivot.

    ``taper`` is how far each side of the shank leans from the axis, opening upwards.
    """

    apex_u: float
    apex_y: float
    lean: float
    half_width: float
    cone_half: float
    taper: float = 0.0

    @property
    def middle(self) -> float:
        """Height of the cone's top."""
        rise = self.half_width / math.tan(math.radians(self.cone_half))
        return self.apex_y - rise * math.cos(math.radians(self.lean))


@dataclass(frozen=True)
class Frame:
    """Straightened copy: photo = origin + basis @ (u, y)."""

    origin: Array
    basis: Array
    picture: NDArray[np.uint8]
    inside: NDArray[np.bool_]
    u0: int
    y0: int
    thickness: float
    under: float
    under_slope: float
    free_u: float
    mirrored: bool

    def to_photo(self, uy: Array) -> Array:
        """From (u, y), shape (..., 2), to photo pixels."""
        return self.origin + np.asarray(uy, float) @ self.basis.T

    def from_photo(self, xy: Array) -> Array:
        """Inverse of `to_photo`."""
        return (np.asarray(xy, float) - self.origin) @ np.linalg.inv(self.basis).T
