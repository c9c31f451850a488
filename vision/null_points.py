"""The stylus against a null cross of the alignment or two-point sheet.

In: a photo, from straight ahead and high, of the stylus standing on (or near) a null cross. Out:
how far its tip stands from the cross across the groove (positive = farther from the spindle), and
as components along the groove (positive = towards the pivot), the radius from the spindle, and on
the alignment sheet how much too long (positive) or short the arm is against the printed arc: the
overhang's error.

The tip's place is read on the paper itself, so no height enters. The spindle's place in its hole
counts where the spindle is in view; otherwise 0.2 mm is budgeted for a hand-cut hole.

Keys: ``inner_null_mm``, ``outer_null_mm`` (with the effective length) where the digit markers
are not in view; the scale keys of `vision.print_scale`; ``options.marks["tip"]`` where a person
tapped the tip (the mark's middle).
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
from vision.sheet import SheetView, find_sheet
from vision.sheet_layouts import Null
from vision.spindle import find_spindle
from vision.tip import Tip, Window, find_tip

Array = NDArray[np.float64]
QUANTITY = "null-points"
MEASURAND = "stylus tip from the null cross, across the groove (positive = away from the spindle)"
U_HOLE_MM = 0.2
U_TAP_PX = 2.5
GRID_U, GRID_V = (-17.5, 13.5), (-10.4, 10.4)


@dataclass(frozen=True)
class TipOnGrid:
    """Sheet, the null cross that was used and the tip in its window."""

    view: SheetView
    null: Null
    window: Window
    tip: Tip


def read_null_points(photo: Photo, options: Options) -> Outcome:
    """Read the stylus' offset from the nearest null cross."""
    found = find_null_points(photo, options)
    if isinstance(found, Refusal):
        return found
    return solve_null_points(photo, found, options)


def find_null_points(photo: Photo, options: Options) -> TipOnGrid | Refusal:
    """Find the sheet and the tip near either null cross."""
    words: list[str] = []
    refusal = None
    for prefer in ("null", "inner", "outer"):
        view = find_sheet(
            photo, QUANTITY, ("alignment", "two-point"), typed_numbers(options), prefer=prefer
        )
        if isinstance(view, Refusal):
            refusal = refusal or view
            continue
        if options.marks and "tip" in options.marks:
            return _tapped(view, np.mean(options.marks["tip"], axis=0))
        nulls = [view.null] if view.null else sorted(view.layout.nulls, key=_seen(view))
        if not view.whole and view.null is None:
            nulls = []
        for null in nulls:
            window = Window(null.x, null.y, null.angle, GRID_U, GRID_V)
            tip = find_tip(photo, view, window)
            if isinstance(tip, Tip):
                return TipOnGrid(view, null, window, tip)
            if f"{null.name} null: {tip}" not in words:
                words.append(f"{null.name} null: {tip}")
        if view.whole:
            break
    if not words:
        return refusal or Refusal(
            QUANTITY,
            "No null grid is in the picture.",
            "Have the grid under the stylus and its two marker strips in view.",
        )
    return Refusal(
        QUANTITY,
        "The stylus tip was not found (" + "; ".join(words) + ").",
        "Photograph from straight ahead of the cartridge, 30–50° up, tip and whole grid in view, "
        "no hard shadow on the grid; or tap the tip.",
    )


def solve_null_points(photo: Photo, found: TipOnGrid, options: Options) -> Reading:
    """Offsets and budget."""
    view, null, tip, window = found.view, found.null, found.tip, found.window
    scale = known_scale(photo, view, options)
    flags = [] if scale else ["print_scale_unknown"]
    scale = scale or PrintScale(1.0, 1.0, 0.017, "unknown")
    s = scale.x
    spindle = find_spindle(photo, view, s)
    shift, u_hole = np.zeros(2), U_HOLE_MM
    if spindle and "spindle_hidden" not in spindle.flags and view.layout.spindle:
        home = np.array([view.layout.spindle])
        moved = window.from_sheet(np.array([[spindle.x, spindle.y]])) - window.from_sheet(home)
        shift, u_hole = moved[0], spindle.u
        flags += [f for f in spindle.flags if f != "spindle_hidden"]

    def across(v: SheetView) -> float:
        uv = window.from_sheet(v.to_sheet(tip.pixel))[0]
        return float(-s * uv[1])

    # v points to the spindle; a spindle off its ring moves the true radius with it
    radius = -s * tip.v + s * shift[1] + null.radius * (s - 1)
    u_scale = abs(null.radius) * scale.u
    parts = (
        *view.budget(across),
        BudgetPart("tip", s * tip.u_mm),
        BudgetPart("spindle", s * u_hole, "spindle in its hole"),
        BudgetPart("print scale", u_scale, scale.source),
    )
    u = math.hypot(*(p.standard_uncertainty for p in parts))
    u_along = math.hypot(s * tip.u_mm, parts[0].standard_uncertainty, U_HOLE_MM)
    components = [
        Component("along the groove", float(s * (tip.u - shift[0])), "mm", u_along),
        Component("radius", float(null.radius + radius), "mm", u),
        Component("null radius", null.radius, "mm", 0.0),
    ]
    if view.whole and view.layout.name == "alignment":
        error, u_error = _arc_error(view, window, tip, s, u_hole, scale.u)
        components.append(Component("overhang error", error, "mm", u_error))
    cross = view.to_image(window.to_sheet(np.array([[-4.0, 0], [4, 0], [0, -4], [0, 4]])))
    reading = Reading(
        QUANTITY,
        float(radius),
        "mm",
        MEASURAND,
        parts,
        components=tuple(components),
        lines=(
            Segment("groove direction", "reference", *map(float, cross[:2].ravel())),
            Segment("across the groove", "reference", *map(float, cross[2:].ravel())),
            _tick(tip.pixel),
        ),
    )
    return reading.flagged(*flags)


def typed_numbers(options: Options) -> tuple[float, float, float] | None:
    """Null radii and effective length as typed, where both radii are."""
    given = options.given
    if "inner_null_mm" not in given or "outer_null_mm" not in given:
        return None
    length = options.effective_length_mm or given.get("effective_length_mm", 230.0)
    return given["inner_null_mm"], given["outer_null_mm"], length


def _arc_error(
    view: SheetView, window: Window, tip: Tip, s: float, u_hole: float, u_scale: float
) -> tuple[float, float]:
    """Distance of the tip beyond the printed arc, measured from the printed pivot."""
    numbers, spindle = view.layout.numbers, view.layout.spindle
    assert spindle is not None
    pivot = np.array([spindle[0] + numbers["mounting_distance_mm"], spindle[1]])
    at = window.to_sheet(np.array([[tip.u, tip.v]]))[0]
    length = numbers["effective_length_mm"]
    # the sheet is turned about the spindle until its sight line meets the pivot: a turn of 0.3
    # degrees (by eye) moves the pivot across the line
    aim = math.radians(0.3) * numbers["mounting_distance_mm"]
    lever = abs(at[1] - pivot[1]) / length
    u = math.hypot(s * tip.u_mm, u_hole, aim * lever, length * u_scale)
    return float(s * np.linalg.norm(at - pivot) - length), u


def _seen(view: SheetView):
    def key(null: Null) -> int:
        own = [p for p in view.layout.patches if p.name.startswith(null.name)]
        return -sum(m.number in view.found for p in own for m in p.markers())

    return key


def _tapped(view: SheetView, pixel: Array) -> TipOnGrid:
    at = view.to_sheet(pixel)
    nulls = [view.null] if view.null else list(view.layout.nulls)
    null = min(nulls, key=lambda n: float(np.hypot(*(at[0] - [n.x, n.y]))))
    window = Window(null.x, null.y, null.angle, GRID_U, GRID_V)
    u, v = window.from_sheet(at)[0]
    u_mm = U_TAP_PX / view.pixels_per_mm(at[0])
    return TipOnGrid(view, null, window, Tip(float(u), float(v), pixel, u_mm))


def _tick(pixel: Array) -> Segment:
    x, y = map(float, pixel)
    return Segment("stylus tip", "edge", x - 6, y, x + 6, y)
