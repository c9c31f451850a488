"""How likely a fitted pair of edges is a body's lower edge and its image.

Comes in: a `Fitted` and the nearer look's word. Goes out: the logarithm of its odds against there
being nothing to measure. The weights are those of a conditional logit (McFadden 1974): of all pairs
of a photo, or none, one lies along the true edges. `tests.fit_azimuth_near` finds them.
"""

from __future__ import annotations

import math

from vision.azimuth_fit import Fitted, contrast, crooked, vague
from vision.azimuth_word import Near

CONSTANT = -4.0
WEIGHTS = {
    "crooked edge": -2.1,
    "soft image": 1.77,
    "faint image": -1.83,
    "vague": -2.59,
    "sides": 4.16,
    "sides' miss": -0.98,
    "body": 4.98,
    "border": 2.21,
    "near": 0.95,
}
SIDES_DEG, SOFT, FAINT = 0.3, 0.005, 0.02


def marks_of(fitted: Fitted, near: Near | None) -> dict[str, float]:
    """What tells right pairs from wrong ones, by the names of `WEIGHTS`."""
    miss = None if fitted.by_sides is None else math.degrees(fitted.half - fitted.by_sides)
    return {
        "crooked edge": crooked(fitted.edge.edge),
        "soft image": math.log(fitted.image.edge.blur / (SOFT * fitted.image.edge.length)),
        "faint image": max(0.0, math.log(FAINT / max(contrast(fitted.image), 1e-3))),
        "vague": vague(fitted),
        "sides": 0.0 if miss is None else 1.0,
        "sides' miss": 0.0 if miss is None else math.log1p((miss / SIDES_DEG) ** 2),
        "body": 1.0 if fitted.shown is None else fitted.shown.body,
        "border": 1.0 if fitted.shown is None else fitted.shown.border,
        "near": 0.0 if near is None else near.gain(math.degrees(fitted.half)),
    }


def odds(fitted: Fitted, near: Near | None) -> float:
    """Logarithm of the odds of a pair against nothing."""
    marks = marks_of(fitted, near)
    return CONSTANT + sum(weight * marks[name] for name, weight in WEIGHTS.items())
