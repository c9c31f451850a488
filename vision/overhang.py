"""Overhang: how far the stylus stands beyond the spindle, away from the pivot.

In: a photo of the alignment or two-point sheet on the spindle, its overhang rule on the far side
of the spindle from the pivot, the stylus lowered on the rule. Out: the overhang in millimetres
(positive = beyond the spindle); where the target is known (typed, or the alignment sheet's own
effective length) the difference as a component (positive = too far).

With the tip at distance a along the rule and b beside it, overhang = sqrt((D + a)^2 + b^2) - D, D
the mounting distance, which only enters through b.

Keys: ``mounting_distance_mm``, ``overhang_target_mm``, the scale keys of `vision.print_scale`;
``options.marks["tip"]`` where a person tapped the tip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vision.measure import Options
from vision.null_points import typed_numbers
from vision.photo import Photo
from vision.print_scale import PrintScale, known_scale
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal, Segment
from vision.sheet import SheetView, find_sheet
from vision.spindle import Spindle, find_spindle
from vision.tip import Tip, Window, find_tip

QUANTITY = "overhang"
MEASURAND = "stylus tip beyond the spindle's axis, away from the pivot"
DEFAULT_DISTANCE_MM = 215.0
U_TAP_PX = 2.5
U_TURN_DEG = 1.0  # rule against the line to the pivot, by eye


@dataclass(frozen=True)
class TipOnRule:
    """Sheet, spindle and the tip in the rule's window (u towards the pivot)."""

    view: SheetView
    spindle: Spindle
    window: Window
    tip: Tip


def read_overhang(photo: Photo, options: Options) -> Outcome:
    """Read the overhang from one photo."""
    found = find_overhang(photo, options)
    if isinstance(found, Refusal):
        return found
    return solve_overhang(photo, found, options)


def find_overhang(photo: Photo, options: Options) -> TipOnRule | Refusal:
    """Find the sheet, the spindle and the tip on the rule."""
    view = find_sheet(
        photo, QUANTITY, ("alignment", "two-point"), typed_numbers(options), fine=True
    )
    if isinstance(view, Refusal):
        return view
    heads = [p for p in view.layout.patches if p.name.startswith("head")]
    if view.layout.spindle is None or not any(
        m.number in view.found for p in heads for m in p.markers()
    ):
        return Refusal(
            QUANTITY,
            "The marker blocks beside the spindle's rings are not in the picture.",
            "Have the upper part of the sheet in view: rings, rule and both marker blocks.",
            view.outline(),
        )
    spindle = find_spindle(photo, view)
    if spindle is None:
        return Refusal(
            QUANTITY,
            "The spindle's ring is not in the picture.",
            "Have the whole ring round the spindle in view.",
            view.outline(),
        )
    x, y = view.layout.spindle
    window = Window(x, y, 0.0, (-46.0, -12.2), (-5.5, 7.5))
    if options.marks and "tip" in options.marks:
        pixel = np.mean(options.marks["tip"], axis=0)
        at = view.to_sheet(pixel)
        u, v = window.from_sheet(at)[0]
        u_mm = U_TAP_PX / view.pixels_per_mm(at[0])
        return TipOnRule(view, spindle, window, Tip(float(u), float(v), pixel, u_mm))
    tip = find_tip(photo, view, window)
    if not isinstance(tip, Tip):
        return Refusal(
            QUANTITY,
            f"The stylus tip was not found on the overhang rule: {tip}.",
            "Lower the stylus on the rule beyond the spindle and photograph from straight ahead, "
            "30–50° up; or tap the tip.",
            view.outline(),
        )
    return TipOnRule(view, spindle, window, tip)


def solve_overhang(photo: Photo, found: TipOnRule, options: Options) -> Reading:
    """Overhang and budget.

    Raises
    ------
    ValueError
        For a typed mounting distance outside 120-400 mm.
    """
    view, tip, spindle, window = found.view, found.tip, found.spindle, found.window
    scale = known_scale(photo, view, options)
    flags = [*spindle.flags] + ([] if scale else ["print_scale_unknown"])
    scale = scale or PrintScale(1.0, 1.0, 0.017, "unknown")
    s = scale.x
    numbers = view.layout.numbers if view.whole else {}
    distance = options.given.get(
        "mounting_distance_mm", numbers.get("mounting_distance_mm", DEFAULT_DISTANCE_MM)
    )
    if not 120 <= distance <= 400:
        raise ValueError(f"mounting_distance_mm: expected 120 to 400 mm, got {distance!r}")

    def overhang(v: SheetView) -> float:
        at = window.to_sheet(window.from_sheet(v.to_sheet(tip.pixel)))[0]
        a, b = s * (spindle.x - at[0]), s * (at[1] - spindle.y)
        return math.hypot(distance + a, b) - distance

    value = overhang(view)
    beside = s * (tip.v - (spindle.y - window.y))
    parts = (
        *view.budget(overhang),
        BudgetPart("tip", s * tip.u_mm),
        BudgetPart("spindle", s * spindle.u),
        BudgetPart("print scale", abs(value) * scale.u, scale.source),
        BudgetPart(
            "sight line",
            abs(beside) * math.radians(U_TURN_DEG) + abs(value) * math.radians(U_TURN_DEG) ** 2,
            "rule turned by eye",
        ),
    )
    components = []
    target = options.given.get("overhang_target_mm")
    if target is None and "effective_length_mm" in numbers:
        target = numbers["effective_length_mm"] - numbers["mounting_distance_mm"]
    if target is not None:
        u = math.hypot(*(p.standard_uncertainty for p in parts))
        components.append(Component("beyond the target", value - target, "mm", u))
    ends = view.to_image([[spindle.x, spindle.y]])[0]
    reading = Reading(
        QUANTITY,
        value,
        "mm",
        MEASURAND,
        parts,
        components=tuple(components),
        lines=(Segment("spindle to tip", "axis", *map(float, (*ends, *tip.pixel))),),
    )
    return reading.flagged(*flags)
