"""Values of a field between its pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def between_pixels(field: NDArray[np.floating[Any]], y: Array, x: Array) -> Array:
    """Bilinear values at places, exactly: OpenCV's `remap` takes these to the nearest 1/32 px.

    Parameters
    ----------
    field : ndarray, shape (H, W)
    y, x : ndarray, any shape
        Pixel coordinates; beyond the rim the rim goes on.
    """
    height, width = field.shape
    y, x = np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)
    row = np.minimum(y.astype(np.intp), height - 2)
    column = np.minimum(x.astype(np.intp), width - 2)
    down, right = y - row, x - column
    at = row * width + column
    flat = field.ravel()
    above = flat[at] + right * (flat[at + 1] - flat[at])
    below = flat[at + width] + right * (flat[at + width + 1] - flat[at + width])
    return np.asarray(above + down * (below - above))
