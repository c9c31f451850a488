"""Several readings of one setting -> one, with the scatter between photos in its uncertainty.

Parts of the budget that repeat from photo to photo (the same phone's focal length, the same
mirror, the same prior) do not average out: they are kept whole. The other parts are averaged with
inverse-variance weights, widened by the Birge ratio where the photos scatter more than they should
(JCGM 100:2008, 4.2 type A; Birge, Phys. Rev. 40, 207, 1932). With three or more photos one that
stands further than 3.5 robust deviations from the median is left out, and said so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from vision.reading import BudgetPart, Outcome, Reading, Refusal

if TYPE_CHECKING:
    from vision.measure import Options

# Budget parts that are the same in every photo of one phone and one setting.
SHARED_PARTS = (
    "focal length and principal point",
    "lens distortion",
    "priors used",
    "surface height",
    "print scale",
    "networks' word",
)
OUTLIER = 3.5
DISAGREE_P = 0.01
JOINT = ("cantilever", "platter-level")


def combine_photos(
    quantity: str, outcomes: Sequence[Outcome], sources: Sequence[str], options: Options
) -> Outcome:
    """Combined value of photos of one setting; ``photo`` is None.

    Quantities whose geometry gains from a joint solution (a left and a right photo of the
    cantilever, a level turned half round) are solved jointly by their own module.
    """
    readings = [o for o in outcomes if isinstance(o, Reading)]
    if not readings:
        return Refusal(
            quantity, "None of the photos could be read.", "Mend what each photo's refusal says."
        )
    if quantity in JOINT and len(readings) > 1:
        module = import_module("vision." + quantity.replace("-", "_"))
        joint = getattr(module, "combine_" + quantity.replace("-", "_") + "_photos", None)
        if joint is not None:
            used = [s for s, o in zip(sources, outcomes, strict=True) if isinstance(o, Reading)]
            outcome: Outcome | None = joint(used, readings, options)
            if outcome is not None:
                return replace(outcome, photo=None, sha256=None)
    return combine_readings(readings)


def combine_readings(readings: Sequence[Reading]) -> Reading:
    """Inverse-variance mean of readings of one setting.

    Parameters
    ----------
    readings : sequence of Reading
        At least one; all of one quantity and unit.

    Returns
    -------
    Reading

    Raises
    ------
    ValueError
        If empty, or quantities or units differ.
    """
    if not readings:
        raise ValueError("readings: expected at least one")
    if len({(r.quantity, r.unit) for r in readings}) > 1:
        raise ValueError("readings: all must be of one quantity and unit")
    flags = list(dict.fromkeys(f for r in readings for f in r.flags))
    kept = list(readings)
    if len(kept) >= 3:
        kept = _without_outlier(kept)
        if len(kept) < len(readings):
            flags.append("one_photo_left_out")
    values = np.array([r.value for r in kept])
    own = np.array([_own_u(r) for r in kept])
    weights = 1 / own**2
    mean = float(np.sum(weights * values) / np.sum(weights))
    u_own = float(1 / math.sqrt(np.sum(weights)))
    budget = []
    if len(kept) > 1:
        chi2 = float(np.sum(weights * (values - mean) ** 2))
        degrees = len(kept) - 1
        birge = math.sqrt(max(1.0, chi2 / degrees))
        if float(stats.chi2.sf(chi2, degrees)) < DISAGREE_P:
            flags.append("photos_disagree")
        budget.append(
            BudgetPart("photos", u_own * birge, f"{len(kept)} photos, Birge ratio {birge:.2f}")
        )
    else:
        budget.append(BudgetPart("photos", u_own, "one photo"))
    for name in SHARED_PARTS:
        shared = [p.standard_uncertainty for r in kept for p in r.budget if p.name == name]
        if shared and max(shared) > 0:
            budget.append(BudgetPart(name, max(shared), "does not average out"))
    return replace(
        kept[0],
        value=mean,
        budget=tuple(budget),
        definitional_uncertainty=max(r.definitional_uncertainty for r in kept),
        components=(),
        flags=tuple(dict.fromkeys(flags)),
        lines=(),
        photo=None,
        sha256=None,
    )


def _own_u(reading: Reading) -> float:
    parts = [p.standard_uncertainty for p in reading.budget if p.name not in SHARED_PARTS]
    return max(math.hypot(*parts) if parts else 0.0, 1e-6)


def _without_outlier(readings: list[Reading]) -> list[Reading]:
    values = np.array([r.value for r in readings])
    median = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - median)))
    typical = float(np.median([_own_u(r) for r in readings]))
    distance = np.abs(values - median) / max(spread, typical)
    worst = int(np.argmax(distance))
    if distance[worst] <= OUTLIER:
        return readings
    return readings[:worst] + readings[worst + 1 :]
