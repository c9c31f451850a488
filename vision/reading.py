"""What every measurement returns: a `Reading` or a `Refusal`, and how both are written down.

A reading carries its value, its standard uncertainty, the named budget behind it, flags in plain
words, the lines it rests on, the photo's hash and the software version; none of these can be
separated from the value. Uncertainty follows JCGM 100:2008 (GUM): standard uncertainties of
independent parts add in quadrature; the expanded uncertainty shown to people is k = 2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version

COVERAGE_FACTOR = 2.0
SCHEMA = "deckplumb/reading/1"
UNITS = ("deg", "mm", "percent")

# Every flag a reading can carry, with the words shown to a person. One registry, one place.
FLAGS: dict[str, str] = {
    "mirrored_suspect": "This picture may be mirrored (front camera): if it is, the sign is wrong. "
    "Use the rear camera.",
    "focal_unknown": "The photo does not say which lens took it; the uncertainty allows for that.",
    "focal_solved": "The lens' focal length was worked out from the printed grid.",
    "cropped": "The photo looks cropped or zoomed; the uncertainty allows for that.",
    "no_rake_target": "A conical tip has no rake target: set the arm level instead.",
    "surface_height_unknown": "Mirror and record thickness were not given: the angle is "
    "right for this surface only, so no verdict.",
    "far_edge_reference": "The far edge of the record gave the surface's direction: light the "
    "grooves so that they glint beside the stylus.",
    "groove_reference": "The groove gave the surface direction: keep the lens low and square.",
    "no_reflection": "No usable reflection was found; the uncertainty is larger.",
    "back_silvered": "Back-silvered mirror: the glass thickness was allowed for.",
    "rise_assumed": "The cantilever's rise was assumed (20° ± 4°); photograph from straight ahead "
    "and high, or combine a left and a right photo.",
    "pivot_assumed": "The side of the pivot was judged from the cantilever's rise.",
    "seen_reference": "The surface's direction was judged roughly, from the picture as a whole: "
    "light the grooves, or stand the stylus on a small mirror.",
    "surface_doubtful": "Neither a mirror image nor clear grooves gave the surface's direction. "
    "On a shiny card or plate the angle may be off by more than U: use a mirror, or a record.",
    "soft_focus": "The edges are soft; a sharper photo would lower the uncertainty.",
    "marked_by_hand": "The lines were drawn by a person and snapped to the edges.",
    "photos_disagree": "The photos disagree by more than their uncertainties allow.",
    "one_photo_left_out": "One photo stood far from the others and was left out.",
    "short_edge": "Only a short length of edge was visible.",
    "print_scaled": "The print is not at 100 %; its scale was allowed for.",
    "print_scale_unknown": "The print's scale is not known; the uncertainty allows for 3 %.",
    "spindle_hidden": "The spindle was not seen in its ring; the printed centre was used.",
    "spindle_gap": "The hole round the spindle is wide; the uncertainty allows for it.",
    "level_own_error": "One photo holds the level's own error: turn the level half round, "
    "photograph again and combine.",
    "turning_backwards": "The disc turns anticlockwise seen from above.",
    "frames_dropped": "Some frames were dropped; the timestamps were used as they are.",
    "no_reference": "No stationary mark was in view; the uncertainty allows for a moving camera.",
    "short_video": "The clip is shorter than 30 s; the uncertainty is larger.",
    "tube_tapered": "The tube is tapered: its axis, midway between its edges, was used.",
}


@cache
def software_version() -> str:
    """Return the installed version, or ``"0+unknown"`` when run without installing."""
    try:
        return version("deckplumb")
    except PackageNotFoundError:
        return "0+unknown"


@dataclass(frozen=True)
class BudgetPart:
    """One named contribution to the standard uncertainty, in the reading's unit."""

    name: str
    standard_uncertainty: float
    note: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise ValueError(
                f"budget part {self.name!r}: expected a finite standard uncertainty >= 0, "
                f"got {self.standard_uncertainty!r}"
            )


@dataclass(frozen=True)
class Component:
    """A second number that belongs to a reading, such as the direction of a tilt."""

    name: str
    value: float
    unit: str
    standard_uncertainty: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.standard_uncertainty)):
            raise ValueError(f"component {self.name!r}: value and uncertainty must be finite")

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty, k = 2."""
        return COVERAGE_FACTOR * self.standard_uncertainty


@dataclass(frozen=True)
class Segment:
    """A straight segment in the upright photo, in pixels (x right, y down, centres at integers).

    ``role`` says what it is: one of ``edge`` (a silhouette edge that was fitted), ``axis``,
    ``surface``, ``reflection``, ``reference`` (grid line, record edge, level sheet), ``look``
    (where the tool looked before it refused). ``name`` is unique within a reading ("shank left").
    """

    name: str
    role: str
    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def length(self) -> float:
        """Length in pixels."""
        return math.hypot(self.x1 - self.x0, self.y1 - self.y0)


@dataclass(frozen=True)
class Reading:
    """A measured value and all that it rests on.

    Parameters
    ----------
    quantity : str
        Name as on the command line, such as ``"rake"``.
    value : float
        Finite. Sign conventions: DEVELOPERS.md, section "Conventions".
    unit : {"deg", "mm", "percent"}
    measurand : str
        What exactly was measured, in a person's words.
    budget : tuple of BudgetPart
        Independent parts; their root sum of squares is the standard uncertainty.
    definitional_uncertainty : float
        Standard uncertainty between what the photo shows and what the person wants (the contact
        edge, the generator). Never part of ``expanded_uncertainty``; verdicts add it.
    components, flags, lines : tuple
        Secondary values, keys of `FLAGS`, and the segments in the photo.

    Raises
    ------
    ValueError
        On a value that is not finite, an unknown unit or flag, or an empty budget.
    """

    quantity: str
    value: float
    unit: str
    measurand: str
    budget: tuple[BudgetPart, ...]
    definitional_uncertainty: float = 0.0
    components: tuple[Component, ...] = ()
    flags: tuple[str, ...] = ()
    lines: tuple[Segment, ...] = ()
    photo: str | None = None
    sha256: str | None = None
    version: str = field(default_factory=software_version)

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"{self.quantity}: value must be finite, got {self.value!r}")
        if self.unit not in UNITS:
            raise ValueError(f"{self.quantity}: unit must be one of {UNITS}, got {self.unit!r}")
        if not self.budget:
            raise ValueError(f"{self.quantity}: a reading needs at least one budget part")
        for flag in self.flags:
            if flag not in FLAGS:
                raise ValueError(f"{self.quantity}: unknown flag {flag!r}")

    @property
    def standard_uncertainty(self) -> float:
        """Root sum of squares of the budget parts (JCGM 100:2008, 5.1.2)."""
        return math.hypot(*(part.standard_uncertainty for part in self.budget))

    @property
    def expanded_uncertainty(self) -> float:
        """Expanded uncertainty, k = 2, without the definitional part."""
        return COVERAGE_FACTOR * self.standard_uncertainty

    def text(self) -> str:
        """Value and expanded uncertainty, rounded for people."""
        return rounded(self.value, self.expanded_uncertainty, self.unit)

    def flagged(self, *flags: str) -> Reading:
        """Copy with further flags; those already there are not repeated."""
        new = tuple(f for f in dict.fromkeys(flags) if f not in self.flags)
        return replace(self, flags=self.flags + new)


@dataclass(frozen=True)
class Refusal:
    """No number, and why: ``reason`` says what is wrong, ``advice`` what to change.

    ``unreadable`` is true where the file itself could not be read (exit code 2 on the command
    line) as opposed to a good file that does not show what is needed (exit code 3).
    """

    quantity: str
    reason: str
    advice: str
    lines: tuple[Segment, ...] = ()
    photo: str | None = None
    sha256: str | None = None
    unreadable: bool = False
    version: str = field(default_factory=software_version)


Outcome = Reading | Refusal

_SIGNS = {"deg": "°", "mm": " mm", "percent": " %"}


def rounded(value: float, expanded_uncertainty: float, unit: str) -> str:
    """Write a value with its expanded uncertainty, both to the same decimal place.

    The uncertainty keeps two significant digits where its first digit is 1 or 2 and one
    otherwise, and is rounded up, never down (JCGM 100:2008, 7.2.6); the value follows.

    Parameters
    ----------
    value : float
    expanded_uncertainty : float
        Greater than zero.
    unit : {"deg", "mm", "percent"}

    Returns
    -------
    str
        Such as ``"91.8° ± 0.3°"``.

    Raises
    ------
    ValueError
        If either number is not finite, or the uncertainty is not positive, or the unit is unknown.

    Examples
    --------
    >>> rounded(91.8342, 0.262, "deg")
    '91.83° ± 0.27°'
    >>> rounded(-0.0421, 0.44, "mm")
    '0.0 mm ± 0.5 mm'
    """
    if not math.isfinite(value) or not math.isfinite(expanded_uncertainty):
        raise ValueError("value and uncertainty must be finite")
    if expanded_uncertainty <= 0:
        raise ValueError(f"uncertainty must be > 0, got {expanded_uncertainty}")
    if unit not in _SIGNS:
        raise ValueError(f"unit must be one of {UNITS}, got {unit!r}")
    exponent = math.floor(math.log10(expanded_uncertainty))
    leading = expanded_uncertainty / 10**exponent
    digits = 2 if leading < 3.0 else 1
    decimals = digits - 1 - exponent
    step = 10.0**-decimals
    shown_u = math.ceil(expanded_uncertainty / step - 1e-9) * step
    shown = round(value / step) * step
    places = max(decimals, 0)
    shown = 0.0 if abs(shown) < step / 2 else shown
    sign = _SIGNS[unit]
    return f"{shown:.{places}f}{sign} ± {shown_u:.{places}f}{sign}"


def as_record(outcome: Outcome, seconds: float | None = None) -> dict[str, object]:
    """One JSON-ready object for a reading or refusal: the command line's contract.

    Keys: schema, photo, sha256, version, quantity, value, unit, expanded_uncertainty,
    components, flags, refusal, seconds, then budget, measurand, definitional_uncertainty, lines.
    """
    record: dict[str, object] = {
        "schema": SCHEMA,
        "photo": outcome.photo,
        "sha256": outcome.sha256,
        "version": outcome.version,
        "quantity": outcome.quantity,
        "value": None,
        "unit": None,
        "expanded_uncertainty": None,
        "components": [],
        "flags": [],
        "refusal": None,
        "seconds": None if seconds is None else round(seconds, 4),
    }
    lines = [
        {"name": s.name, "role": s.role, "x0": s.x0, "y0": s.y0, "x1": s.x1, "y1": s.y1}
        for s in outcome.lines
    ]
    if isinstance(outcome, Refusal):
        record["refusal"] = {"reason": outcome.reason, "advice": outcome.advice}
        record["lines"] = lines
        return record
    record.update(
        value=outcome.value,
        unit=outcome.unit,
        expanded_uncertainty=outcome.expanded_uncertainty,
        components=[
            {
                "name": c.name,
                "value": c.value,
                "unit": c.unit,
                "expanded_uncertainty": c.expanded_uncertainty,
            }
            for c in outcome.components
        ],
        flags=list(outcome.flags),
        measurand=outcome.measurand,
        budget=[
            {"name": p.name, "standard_uncertainty": p.standard_uncertainty, "note": p.note}
            for p in outcome.budget
        ],
        definitional_uncertainty=outcome.definitional_uncertainty,
        lines=lines,
    )
    return record
