"""A head-on photo of a body over a mirror -> which pixels are body, and which its mirror image.

A small network, taught by `tests.teach` from rendered photographs (`tests.scenes.body_masks`),
tells them from printed lines, shadows, the holder and what stands behind, where rules about edges
cannot. That says what is what (`vision.azimuth_shown`); the angle comes from edges fitted to the
photo.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.float32]

FILE = Path(__file__).with_name("azimuth_body.onnx")
WIDTH, HEIGHT = 448, 336  # of the copy the network sees
NOTHING, BODY, IMAGE, HOLDER, ROD, UNDER = range(6)


@cache
def _network() -> cv2.dnn.Net:
    return cv2.dnn.readNetFromONNX(str(FILE))


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
    scale = min(WIDTH / rgb.shape[1], HEIGHT / rgb.shape[0])
    size = min(round(rgb.shape[1] * scale), WIDTH), min(round(rgb.shape[0] * scale), HEIGHT)
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    copy = cv2.copyMakeBorder(
        small, 0, HEIGHT - size[1], 0, WIDTH - size[0], cv2.BORDER_REPLICATE
    )  # fmt: skip
    net = _network()
    net.setInput(np.ascontiguousarray(copy.transpose(2, 0, 1)[None], np.float32) / np.float32(255))
    logits = net.forward()[0]
    share = np.exp(logits - logits.max(axis=0))
    return np.asarray(share / share.sum(axis=0), np.float32), scale
