"""Distance from the spindle's axis to the arm's pivot, from a photo of the distance sheet.

In: the distance sheet lying over the spindle (one page, or two joined), the cut-out pivot cap on
the bearing, the cap's height above the paper (typed) and the print scale (typed, or a card in the
same photo). Out: the distance in millimetres.

The cap's mark is a ray; it meets the plane at the typed height (similar triangles), the spindle is
fitted where it stands on the paper, and both pages' corners share one pose, each page free to lie
a little off and turned at the join.

Typed keys of ``options.given``: ``pivot_height_mm`` (required; above the paper), and
``pivot_height_u_mm`` (0.25), the scale keys of `vision.print_scale`. ``options.marks`` may hold
``pivot`` and ``spindle`` (the mark's middle; on the paper for the spindle) where a person tapped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.measure import Options
from vision.photo import Photo
from vision.print_scale import PrintScale, known_scale
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal, Segment
from vision.sheet import SheetView, find_sheet, pivot_mark
from vision.sheet_layouts import pages
from vision.spindle import Spindle, find_spindle

Array = NDArray[np.float64]
QUANTITY = "mounting-distance"
MEASURAND = "horizontal distance from the spindle's axis to the pivot cap's mark"
U_CAP_MM = 0.2  # laying the cap's corner on the bearing's axis by eye; common practice, no source
U_TAP_PX = 2.0
U_MARK_PX = 0.15


@dataclass(frozen=True)
class DistanceMarks:
    """Pose, spindle, and the pivot's pixel with its uncertainty."""

    view: SheetView
    spindle: Spindle
    pivot_px: Array
    pivot_u_px: float


def read_mounting_distance(photo: Photo, options: Options) -> Outcome:
    """Mounting distance from one photo of the distance sheet."""
    if "pivot_height_mm" not in options.given:
        return Refusal(
            QUANTITY,
            "The pivot's height above the paper was not given.",
            "Measure from the paper to the pivot cap, to 0.5 mm, and type it (pivot_height_mm).",
        )
    marks = find_mounting_distance(photo, options)
    if isinstance(marks, Refusal):
        return marks
    scale = known_scale(photo, marks.view, options)
    if scale is None:
        return Refusal(
            QUANTITY,
            "The sheet's print scale is not known, and a print that was fitted to the page can be "
            "6 % off.",
            "Lay a blank ID-1 card on the grey field in the photo, or measure the check bars and "
            "type them, or type the print scale read before.",
            marks.view.outline(),
        )
    return solve_mounting_distance(marks, scale, options)


def find_mounting_distance(photo: Photo, options: Options) -> DistanceMarks | Refusal:
    """Find the sheet, the spindle and the pivot cap."""
    view = find_sheet(photo, QUANTITY, ("distance",), minimum=6, page=1, join=True, fine=True)
    if isinstance(view, Refusal):
        return view
    tapped = options.marks or {}
    if "spindle" in tapped:
        at = np.mean(tapped["spindle"], axis=0)
        x, y = view.to_sheet(at)[0]
        u = U_TAP_PX / view.pixels_per_mm((x, y))
        spindle: Spindle | None = Spindle(float(x), float(y), u)
    else:
        spindle = find_spindle(photo, view)
    if spindle is None:
        return Refusal(
            QUANTITY,
            "The spindle's ring is not in the picture.",
            "Have the whole ring round the spindle in view.",
            view.outline(),
        )
    if "pivot" in tapped:
        return DistanceMarks(view, spindle, np.mean(tapped["pivot"], axis=0), U_TAP_PX)
    mark = pivot_mark(view, photo)
    if mark is None:
        return Refusal(
            QUANTITY,
            "The pivot cap was not found.",
            "Cut out the pivot cap, lay it on the pivot with its print up and level, and have it "
            "sharp in the picture; or tap the pivot.",
            view.outline(),
        )
    home = np.array(pages("distance")[0].points["pivot cap"])
    if np.linalg.norm(view.to_sheet(mark)[0] - home) < 1.5:
        return Refusal(
            QUANTITY,
            "The pivot cap is still on the sheet.",
            "Cut it out and lay it on the arm's pivot, its middle corner on the axis.",
            view.outline(),
        )
    return DistanceMarks(view, spindle, mark, U_MARK_PX)


def solve_mounting_distance(
    marks: DistanceMarks, scale: PrintScale, options: Options
) -> Reading | Refusal:
    """Distance and budget.

    Raises
    ------
    ValueError
        For a pivot height outside -20 to 150 mm or an uncertainty that is not positive.
    """
    height = options.given["pivot_height_mm"]
    height_u = options.given.get("pivot_height_u_mm", 0.25)
    if not -20 <= height <= 150:
        raise ValueError(f"pivot_height_mm: expected -20 to 150 mm, got {height!r}")
    if not height_u > 0:
        raise ValueError(f"pivot_height_u_mm: expected > 0 mm, got {height_u!r}")
    view, s = marks.view, (scale.x + scale.y) / 2
    spindle_px = view.to_image([[marks.spindle.x, marks.spindle.y]])[0]

    def distance(v: SheetView, h: float = height, px: Array = marks.pivot_px) -> float:
        pivot = v.to_sheet(px, h / s if h else 1e-9)[0]
        return float(s * np.linalg.norm(pivot - v.to_sheet(spindle_px)[0]))

    value = distance(view)
    if not 120 <= value <= 400:
        return Refusal(
            QUANTITY,
            f"The pivot cap lies {value:.0f} mm from the spindle, which is no arm's mounting "
            "distance (120 to 400 mm).",
            "Check where the cap lies and the height that was typed.",
        )
    step = max(height_u, 0.1)
    by_height = (distance(view, height + step) - distance(view, height - step)) / (2 * step)
    by_px = [distance(view, px=marks.pivot_px + d) - value for d in (np.array([1.0, 0]), [0, 1.0])]
    parts = (
        *view.budget(distance),
        BudgetPart("spindle", s * marks.spindle.u),
        BudgetPart("pivot mark", marks.pivot_u_px * math.hypot(*by_px)),
        BudgetPart("surface height", abs(by_height) * height_u, "pivot height as typed"),
        BudgetPart("print scale", value * scale.u / s, scale.source),
    )
    reading = Reading(
        QUANTITY,
        value,
        "mm",
        MEASURAND,
        parts,
        definitional_uncertainty=U_CAP_MM,
        components=(Component("print scale", 100 * s, "percent", 100 * scale.u),),
        lines=(
            Segment("spindle to pivot", "axis", *map(float, (*spindle_px, *marks.pivot_px))),
            *view.outline(),
        ),
    )
    return reading.flagged(*marks.spindle.flags, *(["print_scaled"] if abs(s - 1) > 0.005 else []))
