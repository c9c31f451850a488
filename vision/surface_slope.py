"""Side-on close-up and rod -> which way the surface runs, as a network sees it.

Grooves, the surface's far edge, a mirror image, dust and shadows each tell a little of it. Two
networks, taught by `tests.teach_slope` from rendered photographs, look at it, one at the rod's end
and one at twice as much round it; each gives a share to each slope. The shares of all looks
together, and their spread, say which slope and how sure it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.network import framed, logits_of, mean_and_spread, part_of
from vision.outline import ROD_PX
from vision.side_rod import SideRod

Array = NDArray[np.float64]
FILE, FAR_FILE = "surface_slope.onnx", "surface_slope_far.onnx"
WIDTH, HEIGHT = 256, 224  # of the copy the network sees
END_AT = (100.0, 70.0)  # where in it the rod's free end lies, the pivot to the right
SLOPES_DEG = np.arange(-15.0, 15.1, 0.5)  # positive where the surface falls towards the pivot
SURE_DEG, LEAST_U_DEG, TIMES = 0.41, 0.2, 1.25  # of spreads told, what they mean
# The looks: whose, how much smaller the rod is in it, and how the copy is turned, degrees.
LOOKS = ((FILE, 1.0, 0.0), (FAR_FILE, 0.5, -3.0), (FAR_FILE, 0.5, 3.0))
FINE_DEG = np.arange(-18.0, 18.05, 0.1)  # slopes at which their shares are joined
NEVER = -25.0  # log share of a slope that a turned copy cannot tell


@dataclass(frozen=True)
class Slope:
    """Slope of the surface at the stylus in the photo.

    Parameters
    ----------
    slope_deg : float
        Positive where it falls to the right.
    spread_deg : float
        Standard deviation of the shares given to slopes; about 0.4 where the networks are sure.
    """

    slope_deg: float
    spread_deg: float

    @property
    def u_deg(self) -> float:
        """Standard uncertainty, from photos of known scenes by the spread told."""
        told = max(self.spread_deg**2 - SURE_DEG**2, 0.0)
        return math.hypot(LEAST_U_DEG, TIMES * math.sqrt(told))


def surface_slope(rgb: NDArray[np.uint8], rod: SideRod) -> Slope:
    """What the networks make of the surface under a rod.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod

    Returns
    -------
    Slope
    """
    side = 1.0 if rod.pivot_right else -1.0
    logs = np.zeros_like(FINE_DEG)
    for name, size, turned in LOOKS:
        turn = math.radians(turned)
        rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        basis = rod.thickness / (size * ROD_PX) * np.diag([side, 1.0]) @ rotation
        origin = rod.free_end - basis @ np.array(END_AT)
        told = logits_of(name, part_of(rgb, framed(basis, origin), (WIDTH, HEIGHT)))
        told = told - np.logaddexp.reduce(told)
        logs += np.interp(FINE_DEG, SLOPES_DEG + turned, told, left=NEVER, right=NEVER)
    mean, spread = mean_and_spread(logs / len(LOOKS), FINE_DEG)
    return Slope(side * mean, spread)
