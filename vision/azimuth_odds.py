"""How likely a fitted pair of edges is a body's lower edge and its image.

Comes in: a `Fitted` and two words of the nearer look. Goes out: the logarithm of its odds against
there being nothing to measure. The weights are those of a conditional logit (McFadden 1974): of all
pairs of a photo, or none, one lies along the true edges. `tests.fit_azimuth_near` finds them.
"""

from __future__ import annotations

import math

from vision.azimuth_fit import Fitted, crooked, vague
from vision.azimuth_tilt import Tilt
from vision.azimuth_word import Near

CONSTANT = -4.83
WEIGHTS = {
    "crooked image": -2.07,
    "whole image": 2.30,
    "vague": -0.79,
    "sides": 1.98,
    "sides' miss": -0.67,
    "body": 1.33,
    "clear": 2.50,
    "near": 0.42,
    "tilt": 0.68,
}
SIDES_DEG = 0.3


def marks_of(fitted: Fitted, near: Near | None, tilt: Tilt | None) -> dict[str, float]:
    """What tells right pairs from wrong ones, by the names of `WEIGHTS`."""
    miss = fitted.sides_miss_deg
    return {
        "crooked image": crooked(fitted.image.edge),
        "whole image": fitted.image.share,
        "vague": vague(fitted),
        "sides": 0.0 if miss is None else 1.0,
        "sides' miss": 0.0 if miss is None else math.log1p((miss / SIDES_DEG) ** 2),
        "body": 1.0 if fitted.shown is None else fitted.shown.body,
        "clear": 1.0 if fitted.shown is None else fitted.shown.clear,
        "near": 0.0 if near is None else near.gain(math.degrees(fitted.half)),
        "tilt": 0.0 if tilt is None else tilt.gain(math.degrees(fitted.half)),
    }


def odds(fitted: Fitted, near: Near | None, tilt: Tilt | None = None) -> float:
    """Logarithm of the odds of a pair against nothing."""
    marks = marks_of(fitted, near, tilt)
    return CONSTANT + sum(weight * marks[name] for name, weight in WEIGHTS.items())
