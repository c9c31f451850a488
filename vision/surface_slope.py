"""Side-on close-up and rod -> which way the surface runs, as a network sees it.

Grooves, the surface's far edge, a mirror image, dust and shadows each tell a little of it. The
network is taught by `tests.teach_slope` from rendered photographs; it gives a share to each slope,
and their spread says how sure it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.network import framed, part_of, shares_of
from vision.outline import ROD_PX
from vision.side_rod import SideRod

Array = NDArray[np.float64]
FILE = "surface_slope.onnx"
WIDTH, HEIGHT = 256, 224  # of the copy the network sees
END_AT = (100.0, 70.0)  # where in it the rod's free end lies, the pivot to the right
SLOPES_DEG = np.arange(-15.0, 15.1, 0.5)  # positive where the surface falls towards the pivot
SURE_DEG, LEAST_U_DEG, TIMES, POWER = 0.48, 0.28, 1.5, 1.5  # of spreads told, what they mean
TURNS_DEG = (-3.0, 0.0, 3.0)  # of the copies looked at: their mean is better than each


@dataclass(frozen=True)
class Slope:
    """Slope of the surface at the stylus in the photo.

    Parameters
    ----------
    slope_deg : float
        Positive where it falls to the right.
    spread_deg : float
        Standard deviation of the shares given to slopes; about 0.5 where the network is sure.
    """

    slope_deg: float
    spread_deg: float

    @property
    def u_deg(self) -> float:
        """Standard uncertainty, from photos of known scenes by the spread told."""
        told = max(self.spread_deg**2 - SURE_DEG**2, 0.0)
        return math.hypot(LEAST_U_DEG, TIMES * told ** (POWER / 2))


def surface_slope(rgb: NDArray[np.uint8], rod: SideRod) -> Slope:
    """What the network makes of the surface under a rod.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod

    Returns
    -------
    Slope
    """
    side = 1.0 if rod.pivot_right else -1.0
    slopes, variances = [], []
    for turned in TURNS_DEG:
        turn = math.radians(turned)
        rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        basis = rod.thickness / ROD_PX * np.diag([side, 1.0]) @ rotation
        origin = rod.free_end - basis @ np.array(END_AT)
        share = shares_of(FILE, part_of(rgb, framed(basis, origin), (WIDTH, HEIGHT)))
        mean = float(share @ SLOPES_DEG)
        slopes.append(mean + turned)
        variances.append(float(share @ (SLOPES_DEG - mean) ** 2))
    spread = math.sqrt(float(np.mean(variances)) + float(np.var(slopes)))
    return Slope(side * float(np.mean(slopes)), spread)
