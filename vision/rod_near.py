"""A nearer look along a rod, or along its mirror image, that a network takes.

In the copy that it sees the rod stands upright in the middle, `ACROSS_PX` wide and no more than
`ALONG_PX` long: thin rods are stretched sideways, so that their sides are seen finely.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WIDTH, HEIGHT = 128, 192  # of the copy
ACROSS_PX, ALONG_PX = 24.0, 150.0  # a rod's width and its greatest length in it


def frame(low: Array, high: Array, width: float) -> Array:
    """Matrix from pixels of the photo to pixels of the copy.

    Parameters
    ----------
    low, high : ndarray, shape (2,)
        Lower and upper end of the rod's axis, pixels of the photo.
    width : float
        Of the rod, pixels of the photo.

    Returns
    -------
    ndarray, shape (2, 3)
        ``copy = frame[:, :2] @ photo + frame[:, 2]``
    """
    run = high - low
    length = float(np.linalg.norm(run))
    up = run / length
    side = np.array([-up[1], up[0]])  # to the right where up points up
    across = ACROSS_PX / width
    along = min(ALONG_PX / length, across)
    turn = np.array([across * side, -along * up])
    return np.column_stack([turn, np.array([WIDTH, HEIGHT]) / 2 - turn @ ((low + high) / 2)])
