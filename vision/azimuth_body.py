"""A head-on photo of a body over a mirror -> which pixels are body, and which its mirror image.

A small network, taught by `tests.teach` from rendered photographs (`tests.scenes.body_masks`),
tells them from printed lines, shadows, the holder and what stands behind, where rules about edges
cannot. That says what is what (`vision.azimuth_shown`); the angle comes from edges fitted to the
photo.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.network import fitted_in, shares_of

Grey = NDArray[np.float32]

FILE = "azimuth_body.onnx"
WIDTH, HEIGHT = 448, 336  # of the copy the network sees
NOTHING, BODY, IMAGE, HOLDER, ROD, UNDER = range(6)


def show_kinds(rgb: NDArray[np.uint8]) -> tuple[Grey, float]:
    """What each pixel of a copy shows, and the copy's size over the picture's.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)

    Returns
    -------
    (ndarray, shape (6, 336, 448)), float
        Probabilities; the copy's upper left corner is the picture's.
    """
    copy, k = fitted_in(rgb, WIDTH, HEIGHT)
    return shares_of(FILE, copy), 1 / k
