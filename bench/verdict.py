"""Does a reading meet its target? Within, outside, or undecided.

Guard bands after JCGM 106:2012, 8.3: the acceptance interval is the tolerance interval shrunk by
w = U = 2u on each limited side, the rejection region lies beyond the limits by the same w, and
between the two the reading decides nothing. u is the reading's standard uncertainty with the
definitional uncertainty (what the photo shows against what is wanted) added in quadrature. The
conformance probability assumes a normal distribution (JCGM 106, 7.2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench.deck import Deck
from bench.targets import UNIT_SIGNS, NoTarget, Target
from vision.reading import COVERAGE_FACTOR, Reading, rounded

OUTCOMES = ("within", "outside", "undecided", "no verdict")

# Flags that leave a number right but take away what a verdict needs.
NO_VERDICT_FLAGS = {
    "surface_height_unknown": "the thickness of mirror and record was not given, so the angle "
    "holds for this surface only",
    "mirrored_suspect": "the picture may be mirrored, so the sign is not sure",
}


@dataclass(frozen=True)
class Verdict:
    """An outcome of `OUTCOMES` with all that led to it.

    ``expanded_uncertainty`` (k = 2) includes the definitional part; ``probability`` is that of
    the true value lying within tolerance, None without a target. ``shown_outcome`` and
    ``shown_uncertainty`` leave the definitional part out: they judge what the photo shows (the
    shank, the body), for advice and for "within as shown".
    """

    quantity: str
    outcome: str
    value: float
    unit: str
    expanded_uncertainty: float
    target: Target | NoTarget
    probability: float | None
    sentence: str
    shown_outcome: str
    shown_uncertainty: float

    @property
    def within_as_shown(self) -> bool:
        """What the photo shows is within; what it cannot show may not be."""
        return self.outcome == "undecided" and self.shown_outcome == "within"


def figure(value: float, expanded_uncertainty: float, unit: str) -> str:
    """Write a value with its uncertainty, rounded by it, for any unit of `UNIT_SIGNS`."""
    if unit not in UNIT_SIGNS:
        raise ValueError(f"unit: got {unit!r}, allowed {', '.join(UNIT_SIGNS)}")
    return rounded(value, expanded_uncertainty, "mm").replace(" mm", UNIT_SIGNS[unit])


def conformance_probability(value: float, standard_uncertainty: float, target: Target) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4)."""
    upper = 1.0 if target.high is None else _normal((target.high - value) / standard_uncertainty)
    lower = 0.0 if target.low is None else _normal((target.low - value) / standard_uncertainty)
    return upper - lower


def judge(
    value: float,
    standard_uncertainty: float,
    target: Target | NoTarget,
    definitional_uncertainty: float = 0.0,
) -> Verdict:
    """Judge a value against a target.

    Parameters
    ----------
    value, standard_uncertainty : float
        In the target's unit; the uncertainty greater than zero.
    target : Target or NoTarget
    definitional_uncertainty : float
        Standard uncertainty of what was measured against what was wanted; a target that states
        its own (`Target.definitional_uncertainty`) replaces it.

    Raises
    ------
    ValueError
        If a number is not finite or the uncertainty is not positive.
    """
    if not (math.isfinite(value) and math.isfinite(standard_uncertainty)):
        raise ValueError(
            f"value and uncertainty: got {value} and {standard_uncertainty}, allowed finite numbers"
        )
    if standard_uncertainty <= 0:
        raise ValueError(f"uncertainty: got {standard_uncertainty}, allowed more than 0")
    if isinstance(target, Target) and target.definitional_uncertainty is not None:
        definitional_uncertainty = target.definitional_uncertainty
    u = math.hypot(standard_uncertainty, definitional_uncertainty)
    expanded = COVERAGE_FACTOR * u
    if isinstance(target, NoTarget):
        return Verdict(
            target.quantity,
            "no verdict",
            value,
            target.unit,
            expanded,
            target,
            None,
            f"No verdict: {target.reason}.",
            "no verdict",
            COVERAGE_FACTOR * standard_uncertainty,
        )
    outcome = _outcome(value, expanded, target)
    shown_u = COVERAGE_FACTOR * standard_uncertainty
    shown_outcome = _outcome(value, shown_u, target)
    return Verdict(
        target.quantity,
        outcome,
        value,
        target.unit,
        expanded,
        target,
        conformance_probability(value, u, target),
        _sentence(outcome, shown_outcome, value, shown_u, expanded, target),
        shown_outcome,
        shown_u,
    )


def judge_reading(reading: Reading, deck: Deck) -> Verdict:
    """Judge a photo reading on this deck; some flags take the verdict away."""
    target = deck.target(reading.quantity)
    for flag, reason in NO_VERDICT_FLAGS.items():
        if flag in reading.flags and isinstance(target, Target):
            target = NoTarget(reading.quantity, reason)
    u = math.hypot(reading.standard_uncertainty, deck.warp_u_deg(reading.quantity))
    return judge(reading.value, u, target, reading.definitional_uncertainty)


def _outcome(value: float, expanded: float, target: Target) -> str:
    low = -math.inf if target.low is None else target.low
    high = math.inf if target.high is None else target.high
    if low + expanded <= value <= high - expanded:
        return "within"
    if value < low - expanded or value > high + expanded:
        return "outside"
    return "undecided"


# What a photo shows, and what it cannot, where the two differ.
SHOWN = {
    "rake": ("the shank", "the contact edge ground on it", "the maker's sheet or a test record"),
    "azimuth": ("the body", "the generator inside it", "crosstalk figures from a test record"),
    "cantilever": ("the cantilever", "the generator", "crosstalk figures from a test record"),
    "body-square": ("the body", "the cantilever", "a photo of the cantilever"),
}
OTHERWISE = ("what the photo shows", "what is wanted", "another way of measuring")


def _sentence(
    outcome: str, shown: str, value: float, shown_u: float, expanded: float, target: Target
) -> str:
    figures, wanted = figure(value, shown_u, target.unit), target.text()
    differs = expanded > 1.001 * shown_u
    sign = UNIT_SIGNS[target.unit]
    if differs:
        seen, unseen, decider = SHOWN.get(target.quantity, OTHERWISE)
        extra = (expanded**2 - shown_u**2) ** 0.5
        figures += f" for {seen}, ± {extra:.2g}{sign} more for {unseen},"
    if outcome == "within":
        return f"Within: {figures} lies inside {wanted} with its whole uncertainty."
    if outcome == "outside":
        return f"Outside: {figures} misses {wanted} by more than its uncertainty."
    if differs and shown in ("within", "outside"):
        place = f"{shown} {wanted}" if shown == "within" else f"outside {wanted}"
        return (
            f"Undecided: {seen} reads {figure(value, shown_u, target.unit)}, {place}; {unseen} "
            f"may differ by ± {extra:.2g}{sign}, which a photo cannot see: {decider} can decide."
        )
    if shown_u > target.half_width:
        return (
            f"Undecided: {figures} against {wanted}; the uncertainty is larger than the tolerance. "
            "A better photo or several help."
        )
    return f"Undecided: {figures} straddles the limit of {wanted}."


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
