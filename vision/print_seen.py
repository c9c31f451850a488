"""Photo from the front -> which of its pixels show print, and which print seen again in silver.

A network like that of `rod_kinds`, that sees the photo twice as finely: fine enough for the ends of
ticks, and for telling the lines of a grid on back-silvered glass from their ghosts, which with few
lines no rule about straight lines can. It is asked where these leave no lattice, or a doubt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.network import fitted_in, shares_of
from vision.rod_kinds import BODY, INK, ROD

Floats = NDArray[np.float32]

FILE = "print_seen.onnx"
WIDTH, HEIGHT = 896, 672  # of the copy that the network sees
GHOST = 6  # beside the kinds of `rod_kinds`


@dataclass(frozen=True)
class Print:
    """Probabilities (H, W) that pixels of a photo's copy show print, and its ghost in silver.

    ``clear`` is the probability that no rod or body stands before the sheet; ``k`` is the pixels
    of the photo a pixel of the copy, whose upper left corner is the photo's.
    """

    front: Floats
    ghost: Floats
    clear: Floats
    k: float


def look(rgb: NDArray[np.uint8]) -> Print:
    """What a photo shows of a printed sheet.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)

    Returns
    -------
    Print
    """
    copy, k = fitted_in(rgb, WIDTH, HEIGHT)
    share = shares_of(FILE, copy, lean=True)
    high, wide = min(round(rgb.shape[0] / k), HEIGHT), min(round(rgb.shape[1] / k), WIDTH)
    share = share[:, :high, :wide]
    return Print(share[INK], share[GHOST], 1 - share[ROD] - share[BODY], k)
