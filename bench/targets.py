"""What a reading should be: targets, tolerances and where each of them comes from.

A `Target` is an interval with an aim inside it; either side may be open. A `NoTarget` says why a
quantity has none on this deck. Defaults are common practice, from memory, and say so; a figure
from the maker's sheet, entered by the person, replaces them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

COMMON_PRACTICE = "common practice, no source"
MAKERS_SHEET = "maker's sheet, entered by the user"
CALCULATED = "calculated from the deck's geometry"
ORIGINS = (COMMON_PRACTICE, MAKERS_SHEET, CALCULATED, "standard", "user's choice")

UNIT_OF: dict[str, str] = {
    "rake": "deg",
    "cantilever": "deg",
    "azimuth": "deg",
    "arm-level": "deg",
    "platter-level": "deg",
    "body-square": "deg",
    "mounting-distance": "mm",
    "overhang": "mm",
    "null-points": "mm",
    "print-scale": "percent",
    "speed": "percent",
    "tracking-force": "gf",
    "anti-skate": "gf",
    "crosstalk-difference": "dB",
    "balance": "dB",
    "resonance": "Hz",
}
UNIT_SIGNS = {"deg": "°", "mm": " mm", "percent": " %", "gf": " gf", "dB": " dB", "Hz": " Hz"}


@dataclass(frozen=True)
class Target:
    """The interval a quantity should lie in.

    Parameters
    ----------
    quantity : str
        A key of `UNIT_OF`, which fixes the unit.
    aim : float
        Where to turn to; inside the interval.
    low, high : float or None
        Tolerance limits; None leaves that side open.
    origin : str
        One of `ORIGINS`.
    note : str
        For the person, such as what makes the target fit only some decks.
    definitional_uncertainty : float or None
        Standard uncertainty between what a photo shows (shank axis, body) and what is wanted
        (contact edge, generator) where the maker's sheet states it; None keeps the reading's own.

    Raises
    ------
    ValueError
        Naming the quantity, the figure and what is allowed.
    """

    quantity: str
    aim: float
    low: float | None
    high: float | None
    origin: str = COMMON_PRACTICE
    note: str = ""
    definitional_uncertainty: float | None = None

    def __post_init__(self) -> None:
        if self.quantity not in UNIT_OF:
            raise ValueError(f"target: got {self.quantity!r}, allowed {', '.join(UNIT_OF)}")
        if self.origin not in ORIGINS:
            raise ValueError(
                f"{self.quantity} target origin: got {self.origin!r}, allowed {', '.join(ORIGINS)}"
            )
        if self.low is None and self.high is None:
            raise ValueError(f"{self.quantity} target: at least one tolerance limit is needed")
        stated = self.definitional_uncertainty
        if stated is not None and not (math.isfinite(stated) and stated >= 0):
            raise ValueError(
                f"{self.quantity} definitional uncertainty: got {stated!r}, allowed 0 or more"
            )
        low = -math.inf if self.low is None else self.low
        high = math.inf if self.high is None else self.high
        if not (math.isfinite(self.aim) and low <= self.aim <= high and low < high):
            raise ValueError(
                f"{self.quantity} target: got aim {self.aim:g} with limits {low:g} to {high:g}, "
                "allowed an aim inside the limits and the lower limit below the upper"
            )

    @property
    def unit(self) -> str:
        """Unit of aim and limits."""
        return UNIT_OF[self.quantity]

    @property
    def half_width(self) -> float:
        """Half the tolerance interval, or the distance from the aim to the only limit."""
        if self.low is None or self.high is None:
            limit = self.high if self.low is None else self.low
            return abs((limit or 0.0) - self.aim)
        return (self.high - self.low) / 2.0

    def text(self) -> str:
        """Write the target for people: ``"92° ± 1°"`` or ``"up to 0.1°"``."""
        sign = UNIT_SIGNS[self.unit]
        if self.low is None:
            return f"up to {self.high:.6g}{sign}"
        if self.high is None:
            return f"at least {self.low:.6g}{sign}"
        if math.isclose(self.high - self.aim, self.aim - self.low, abs_tol=1e-6):
            return f"{_short(self.aim)}{sign} ± {_short(self.high - self.aim)}{sign}"
        return f"{_short(self.low)} to {_short(self.high)}{sign}, aim {_short(self.aim)}{sign}"


@dataclass(frozen=True)
class NoTarget:
    """Why a quantity has no target on this deck."""

    quantity: str
    reason: str

    @property
    def unit(self) -> str:
        """Unit the quantity would have."""
        return UNIT_OF[self.quantity]

    def text(self) -> str:
        """Write the reason for people."""
        return f"no target: {self.reason}"


DEFAULT_TARGETS: dict[str, Target] = {
    t.quantity: t
    for t in (
        Target("rake", 92.0, 91.0, 93.0),
        Target("cantilever", 0.0, -0.5, 0.5),
        Target("body-square", 0.0, -0.5, 0.5, note="used where the cantilever cannot be seen"),
        Target("azimuth", 0.0, -0.5, 0.5),
        Target("arm-level", 0.0, -0.3, 0.3),
        Target("platter-level", 0.0, None, 0.1),
        Target("null-points", 0.0, -0.5, 0.5),
        Target("print-scale", 0.0, -0.2, 0.2),
        Target("speed", 0.0, -0.3, 0.3),
        Target("crosstalk-difference", 0.0, -2.0, 2.0, note="left less right, same test signal"),
        Target("balance", 0.0, -1.0, 1.0, note="left less right output level"),
        Target("resonance", 10.0, 8.0, 12.0),
    )
}
LENGTH_TOLERANCE_MM = 0.5
FORCE_TOLERANCE_GF = 0.05
ANTI_SKATE_TOLERANCE_GF = 0.25


def force_target(
    low_gf: float | None, high_gf: float | None, aim_gf: float | None
) -> Target | None:
    """Tracking force: the aim ± 0.05 gf, kept inside the maker's range; None without figures."""
    if low_gf is None or high_gf is None:
        if aim_gf is None:
            return None
        low_gf, high_gf = aim_gf - FORCE_TOLERANCE_GF, aim_gf + FORCE_TOLERANCE_GF
    aim = (low_gf + high_gf) / 2.0 if aim_gf is None else aim_gf
    return Target(
        "tracking-force",
        aim,
        max(low_gf, aim - FORCE_TOLERANCE_GF),
        min(high_gf, aim + FORCE_TOLERANCE_GF),
        MAKERS_SHEET,
        f"maker's range {low_gf:g} to {high_gf:g} gf; ± {FORCE_TOLERANCE_GF:g} gf "
        "is common practice",
    )


def length_target(quantity: str, aim_mm: float, note: str = "") -> Target:
    """Build a length target ± 0.5 mm calculated from the geometry."""
    return Target(
        quantity,
        aim_mm,
        aim_mm - LENGTH_TOLERANCE_MM,
        aim_mm + LENGTH_TOLERANCE_MM,
        CALCULATED,
        note or f"± {LENGTH_TOLERANCE_MM:g} mm is common practice",
    )


def _short(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if value else "0"
