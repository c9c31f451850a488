"""A look at a rod's reflection -> how sure it is which way that runs.

A network, taught by `tests.teach_tilt` from rendered photographs, sees what `vision.rod_reflection`
looks at, once as it is and once mirrored, and gives a share to each way that the reflection's axis
may run. Where print hides the reflection, where it is seen end-on or where there is none its shares
lie wide apart, and then, in glass, where all is seen twice, edges and spots that pass for a
reflection are most often something else.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.network import logs_both_ways, mean_and_spread

FILE = "rod_tilt.onnx"
RUNS_DEG = np.arange(-60.0, 60.1, 1.0)  # from upright, its upper end to the right positive
# What all that speaks for a rise counts at a spread (degrees), of what it would by itself: where
# the network is sure it was too little, where it is not by far too much, in known scenes.
SPREADS_DEG, COUNTS = (2.0, 5.0, 12.0), (1.5, 1.0, 0.1)


def run_of(copy: NDArray[np.uint8]) -> tuple[float, float]:
    """Which way a reflection runs, and the spread of what is told.

    Parameters
    ----------
    copy : ndarray of uint8, shape (rod_around.HEIGHT, rod_around.WIDTH, 3)

    Returns
    -------
    (float, float)
        Mean and standard deviation of the shares, degrees from upright in the copy.
    """
    return mean_and_spread(logs_both_ways(copy, FILE, FILE), RUNS_DEG)


def counts(spread: float) -> float:
    """What evidence for a rise counts where the network's word spreads so far, degrees."""
    return float(np.interp(spread, SPREADS_DEG, COUNTS))
