"""A nearer look at a body's lower edge and its image -> half the angle between them.

Two networks, taught by `tests.teach_tilt` from rendered photographs, see what `vision.azimuth_near`
shows, one of them mirrored, and give a share to each angle. The spread of their shares together
says how sure they are. They see edges, sides, prints and shadows as a whole, so that they know
which of several edges is meant, and know nothing where there is no body over its image.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.azimuth_near import copy_of
from vision.network import logs_both_ways, mean_and_spread

Array = NDArray[np.float64]
FILE, MIRRORED_FILE = "azimuth_tilt.onnx", "azimuth_tilt_mirrored.onnx"
HALVES_DEG = np.arange(-14.0, 14.05, 0.25)  # in the copy; positive where the edge falls rightwards
# Of spreads told, what they mean in the copy; from `rehearsal`, which they were not taught. There
# the surest are good to 0.03 degrees; they are heeded less, because they know renderings only.
SURE_DEG, LEAST_U_DEG, TIMES = 0.197, 0.06, 0.6
# Where they are less sure they are off by more and more than that: 1.3 times at 0.11 degrees, twice
# at 0.14, 3.5 times at 0.17, by 0.75 degrees from 0.2 on (776 photographs of seven spent sets).
UNSURE_DEG, STEEP, LARGEST_DEG = 0.13, 6, 0.75
FREEDOM, FAR, ANYWHERE_DEG = 4.0, 0.03, 5.0  # of Student's distribution; how often it is far off


@dataclass(frozen=True)
class Tilt:
    """Half the slopes' difference of edge and image (degrees), and its standard uncertainty."""

    half: float
    u: float

    def gain(self, half: float) -> float:
        """Logarithm of how much likelier its word is if ``half`` (degrees) is right than if not."""
        near = student(half - self.half, self.u)
        return math.log(FAR + (1 - FAR) * near * ANYWHERE_DEG)


def student(off: float, u: float) -> float:
    """Density of Student's distribution of `FREEDOM` degrees, of scale ``u``."""
    scale = math.gamma((FREEDOM + 1) / 2) / math.gamma(FREEDOM / 2)
    scale /= math.sqrt(FREEDOM * math.pi) * u
    return scale * (1 + (off / u) ** 2 / FREEDOM) ** (-(FREEDOM + 1) / 2)


def tilt_in(rgb: NDArray[np.uint8], scale: float, frame: Array) -> Tilt:
    """What the networks make of an edge and its image.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    scale : float
        Size of ``rgb`` over the full photo's.
    frame : ndarray, shape (2, 3)
        From pixels of the photo to those of the copy (`vision.azimuth_near.frame`).

    Returns
    -------
    Tilt
    """
    copy = copy_of(rgb, scale, frame)
    mean, spread = mean_and_spread(logs_both_ways(copy, FILE, MIRRORED_FILE), HALVES_DEG)
    # upright the copy is stretched, so that angles look larger in it
    stretch = float(np.linalg.norm(frame[1, :2]) / np.linalg.norm(frame[0, :2]))
    half = math.degrees(math.atan(math.tan(math.radians(mean)) / stretch))
    u = TIMES * math.sqrt(max(spread**2 - SURE_DEG**2, 0.0)) / stretch
    u = math.hypot(LEAST_U_DEG, u)
    return Tilt(half, max(u, min(LARGEST_DEG, u * (1 + (u / UNSURE_DEG) ** STEEP))))
