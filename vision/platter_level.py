"""Tilt of the platter from a bull's-eye level on the printed mat, photographed from above.

In: a photo of the level standing on the mat (arrow to the pivot) and the level's sensitivity. Out:
the tilt (>= 0) and the direction of its high side (0 = towards the pivot, counter-clockwise from
above). The bubble runs to the high side: tilt = offset / 2 mm x sensitivity (arc-minutes per 2 mm,
the makers' usual figure).

One photo holds the level's own error as well; turning the level half round on the mat and
averaging cancels it (reversal, `combine_platter_level`). Four photos with the platter at 0, 90,
180 and 270 degrees separate the bearing's tilt from the platter's wobble.

Keys: ``bubble_sensitivity_arcmin_per_2mm`` (required, or ``shim_mm`` + ``shim_base_mm`` +
``shim_offset_mm``: a shim of known height under one end of a base of known length moved the bubble
by that much), ``bubble_sensitivity_u_percent`` (10), ``level_height_mm`` (the bubble above the
mat, 12), ``level_height_u_mm`` (4), ``level_own_error_deg`` (standard uncertainty, 0.1). Typed
inclinometer readings instead of a bubble: ``tilt_towards_pivot_deg``, ``tilt_left_deg`` (left when
looking at the pivot), ``inclinometer_u_deg`` (0.1). ``options.marks`` may hold ``ring`` and
``bubble``, each a diameter drawn across.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.circles import Round, find_rounds, rectified
from vision.measure import Options
from vision.photo import Photo
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal, Segment
from vision.sheet import SheetView, find_sheet

Array = NDArray[np.float64]
QUANTITY = "platter-level"
MEASURAND = "tilt of the platter's surface where the level stands"
REACH_MM = 17.0
U_TAP_MM = 0.25


@dataclass(frozen=True)
class Bubble:
    """Sheet, ring and bubble (places on the sheet at the bubble's height, mm)."""

    view: SheetView
    height: float
    ring: Round
    bubble: Round


def read_platter_level(photo: Photo, options: Options) -> Outcome:
    """Tilt from one photo, or from typed inclinometer readings."""
    given = options.given
    if "tilt_towards_pivot_deg" in given or "tilt_left_deg" in given:
        return solve_inclinometer(given)
    sensitivity = _sensitivity(given)
    if sensitivity is None:
        return Refusal(
            QUANTITY,
            "The level's sensitivity was not given.",
            "Type it as arc-minutes per 2 mm (bubble_sensitivity_arcmin_per_2mm; it is often "
            "printed on the level), or calibrate it with a shim.",
        )
    found = find_platter_level(photo, options)
    if isinstance(found, Refusal):
        return found
    return solve_platter_level(found, options)


def find_platter_level(photo: Photo, options: Options) -> Bubble | Refusal:
    """Find the mat, the level's ring and its bubble."""
    view = find_sheet(photo, QUANTITY, ("level",), minimum=4, only="mat")
    if isinstance(view, Refusal):
        return view
    height = options.given.get("level_height_mm", 12.0)
    tilt = math.degrees(
        math.acos(
            min(
                1.0,
                view.eye[2] / float(np.linalg.norm(view.eye - [*view.layout.points["mat"], 0.0])),
            )
        )
    )
    if tilt > 30:
        return Refusal(
            QUANTITY,
            f"The camera looks {tilt:.0f}° from straight down; the level's glass bends that view.",
            "Photograph from straight above, within 20°.",
            view.outline(),
        )
    marks = options.marks or {}
    if "ring" in marks and "bubble" in marks:
        rounds = [_drawn(view, marks[k], height) for k in ("ring", "bubble")]
        return Bubble(view, height, rounds[0], rounds[1])
    middle = view.layout.points["mat"]
    picture, per, origin = rectified(photo, view, middle, REACH_MM, height)
    if picture is None:
        return Refusal(
            QUANTITY,
            "The level is cut off by the frame.",
            "Have the whole mat in view.",
            view.outline(),
        )
    pair = find_rounds(picture, per)
    if isinstance(pair, str):
        return Refusal(
            QUANTITY,
            f"The level's ring and bubble were not made out: {pair}.",
            "Photograph the level from straight above, filling a third of the frame, without a "
            "lamp mirrored in its glass; or draw ring and bubble.",
            view.outline(),
        )
    ring, bubble = (r.moved(origin, per) for r in pair)
    return Bubble(view, height, ring, bubble)


def solve_platter_level(found: Bubble, options: Options) -> Reading:
    """Tilt, direction and budget."""
    given = options.given
    sensitivity = _sensitivity(given)
    assert sensitivity is not None
    per_mm = sensitivity / 2 / 60
    dx, dy = found.bubble.x - found.ring.x, found.bubble.y - found.ring.y
    u_height = given.get("level_height_u_mm", 4.0)
    offset = math.hypot(dx, dy)
    own = given.get("level_own_error_deg", 0.1)
    relative = given.get("bubble_sensitivity_u_percent", 10.0) / 100
    u_mm = math.hypot(found.bubble.u, found.ring.u)
    depth = found.view.eye[2] - found.height
    # a tilted sight line shifts ring and bubble alike unless they lie at different depths
    lean = float(np.linalg.norm(found.view.eye[:2] - [found.ring.x, found.ring.y])) / depth
    parts = (
        BudgetPart("edge fit", per_mm * u_mm),
        BudgetPart("camera direction", per_mm * lean * 0.5, "bubble 0.5 mm under the ring"),
        BudgetPart("surface height", per_mm * offset * u_height / depth, "height of the bubble"),
        BudgetPart("sensitivity", per_mm * offset * relative),
        BudgetPart("level's own error", own, "cancelled by reversal"),
    )
    mat = found.view.to_image(
        [[found.ring.x, found.ring.y, found.height], [found.bubble.x, found.bubble.y, found.height]]
    )
    reading = _tilt_reading(
        per_mm * dy,
        per_mm * -dx,
        parts,
        (
            Segment("ring to bubble", "axis", *map(float, mat.ravel())),
            _diameter("ring", found, found.ring),
            _diameter("bubble", found, found.bubble),
            *found.view.outline(),
        ),
    )
    return reading.flagged("level_own_error") if own > 0 else reading


def solve_inclinometer(given: Mapping[str, float]) -> Reading:
    """Tilt from two typed inclinations.

    Raises
    ------
    ValueError
        For an inclination beyond 15 degrees or an uncertainty that is not positive.
    """
    u = given.get("inclinometer_u_deg", 0.1)
    values = [given.get(k, 0.0) for k in ("tilt_towards_pivot_deg", "tilt_left_deg")]
    if not u > 0:
        raise ValueError(f"inclinometer_u_deg: expected > 0, got {u!r}")
    for name, value in zip(("tilt_towards_pivot_deg", "tilt_left_deg"), values, strict=True):
        if not -15 <= value <= 15:
            raise ValueError(f"{name}: expected -15 to 15 degrees, got {value!r}")
    return _tilt_reading(values[0], values[1], (BudgetPart("inclinometer", u),), ())


def combine_platter_level(
    readings: Sequence[Reading], turned_deg: Sequence[float], what: str = "level"
) -> Reading:
    """Combine photos in which the level, or the platter, was turned.

    Parameters
    ----------
    readings : sequence of Reading
        Single readings of one setting, at least two.
    turned_deg : sequence of float
        By how much the level (or the platter) was turned in each, evenly over the circle:
        (0, 180) for reversal, (0, 90, 180, 270) for four positions.
    what : {"level", "platter"}
        "level": the mat lay still and the level was turned on it. "platter": level and mat stayed
        on the platter, which was turned counter-clockwise from above.

    Returns
    -------
    Reading
        The tilt without the level's own error; for "platter" also without the platter's wobble,
        which is given as a component (with the level's own error in it).

    Raises
    ------
    ValueError
        If the turns are not evenly spread or do not match the readings.
    """
    if len(readings) != len(turned_deg) or len(readings) < 2:
        raise ValueError("turned_deg: expected one angle a reading, at least two")
    turns = np.radians(np.asarray(turned_deg, float))
    if abs(np.exp(1j * turns).mean()) > 0.02:
        raise ValueError(f"turned_deg: expected angles evenly round the circle, got {turned_deg}")
    if what not in ("level", "platter"):
        raise ValueError(f"what: expected level or platter, got {what!r}")
    tilts = np.array([_component(r, "towards the pivot") for r in readings]) + 1j * np.array(
        [_component(r, "to the left") for r in readings]
    )
    own = tilts * np.exp(-1j * turns) if what == "level" else tilts
    deck = tilts if what == "level" else tilts * np.exp(1j * turns)
    mean = complex(deck.mean())
    fixed = complex(own.mean())
    model = (
        mean + fixed * np.exp(1j * turns) if what == "level" else mean * np.exp(-1j * turns) + fixed
    )
    n = len(readings)
    single = [_without(r, ("level's own error", "sensitivity")) for r in readings]
    random = math.sqrt(sum(s**2 for s in single)) / n
    # the level's sensitivity is one figure in all photos: it does not average out
    same = max(_share(r, "sensitivity") for r in readings)
    left = float(np.sum(np.abs(tilts - model) ** 2))
    scatter = math.sqrt(left / (2 * n - 4) / n) if n > 2 else 0.0
    parts = (
        BudgetPart("single photos", random),
        BudgetPart("sensitivity", same * abs(mean)),
        BudgetPart("between photos", scatter, "type A"),
        BudgetPart("turning by hand", abs(fixed) * math.radians(3) / math.sqrt(n)),
    )
    combined = _tilt_reading(mean.real, mean.imag, parts, ())
    name = "level's own error" if what == "level" else "wobble and level's own error"
    u = math.hypot(random, scatter)
    extra = Component(name, abs(fixed), "deg", u)
    return Reading(
        QUANTITY,
        combined.value,
        "deg",
        MEASURAND if what == "level" else "tilt of the platter's bearing",
        parts,
        components=(*combined.components, extra),
    )


def combine_platter_level_photos(
    sources: Sequence[object], readings: Sequence[Reading], options: Options
) -> Outcome | None:
    """Photos in the order of turning, for the command line's ``--combine``.

    Two photos: the level turned half round. Four: the platter turned by a quarter each time
    (``given["level_turned"] = 1`` where it was the level instead). Anything else: None.
    """
    del sources
    if len(readings) == 2:
        return combine_platter_level(readings, (0.0, 180.0))
    if len(readings) == 4:
        what = "level" if options.given.get("level_turned") else "platter"
        return combine_platter_level(readings, (0.0, 90.0, 180.0, 270.0), what)
    return None


def foot_lifts(
    tilt_deg: float, direction_deg: float, feet: Mapping[str, tuple[float, float]]
) -> dict[str, float]:
    """How far to raise each foot to level the deck, the highest one left as it is.

    Parameters
    ----------
    tilt_deg, direction_deg : float
        As read: tilt and direction of the high side.
    feet : mapping of str to (float, float)
        Place of each foot in mm: first towards the pivot, second to the left.

    Returns
    -------
    dict of str to float
        Lift of each foot in mm, >= 0.
    """
    if not feet:
        raise ValueError("feet: expected at least one foot")
    slope, d = math.tan(math.radians(tilt_deg)), math.radians(direction_deg)
    heights = {k: slope * (x * math.cos(d) + y * math.sin(d)) for k, (x, y) in feet.items()}
    top = max(heights.values())
    return {k: top - h for k, h in heights.items()}


# ---------------------------------------------------------------------------------------------


def _sensitivity(given: Mapping[str, float]) -> float | None:
    """Arc-minutes per 2 mm, typed or from a shim."""
    if "bubble_sensitivity_arcmin_per_2mm" in given:
        value = given["bubble_sensitivity_arcmin_per_2mm"]
    elif all(k in given for k in ("shim_mm", "shim_base_mm", "shim_offset_mm")):
        if given["shim_offset_mm"] <= 0 or given["shim_base_mm"] <= 0:
            raise ValueError("shim_offset_mm and shim_base_mm: expected > 0 mm")
        angle = math.degrees(math.atan2(given["shim_mm"], given["shim_base_mm"]))
        value = angle * 60 / given["shim_offset_mm"] * 2
    else:
        return None
    if not 0.2 <= value <= 240:
        raise ValueError(f"bubble sensitivity: expected 0.2 to 240 arc-minutes, got {value!r}")
    return value


def _tilt_reading(
    forward: float, left: float, parts: tuple[BudgetPart, ...], lines: tuple[Segment, ...]
) -> Reading:
    u = math.hypot(*(p.standard_uncertainty for p in parts))
    tilt = math.hypot(forward, left)
    direction = math.degrees(math.atan2(left, forward)) % 360
    u_direction = min(math.degrees(u / tilt), 104.0) if tilt > 0 else 104.0
    return Reading(
        QUANTITY,
        tilt,
        "deg",
        MEASURAND,
        parts,
        components=(
            Component("direction of the high side", direction, "deg", u_direction),
            Component("towards the pivot", forward, "deg", u),
            Component("to the left", left, "deg", u),
        ),
        lines=lines,
    )


def _component(reading: Reading, name: str) -> float:
    for component in reading.components:
        if component.name == name:
            return component.value
    raise ValueError(f"reading: no component {name!r}; expected a platter-level reading")


def _share(reading: Reading, name: str) -> float:
    """A part of the budget as a share of the value."""
    u = math.hypot(*(p.standard_uncertainty for p in reading.budget if p.name == name))
    return u / reading.value if reading.value > 0 else 0.0


def _without(reading: Reading, names: tuple[str, ...]) -> float:
    return math.hypot(*(p.standard_uncertainty for p in reading.budget if p.name not in names))


def _diameter(name: str, found: Bubble, circle: Round) -> Segment:
    ends = [[circle.x + s * circle.radius, circle.y, found.height] for s in (-1, 1)]
    return Segment(name, "edge", *map(float, found.view.to_image(ends).ravel()))


def _drawn(
    view: SheetView, mark: tuple[tuple[float, float], tuple[float, float]], height: float
) -> Round:
    ends = view.to_sheet(np.asarray(mark, float), height)
    middle = ends.mean(0)
    radius = float(np.linalg.norm(ends[1] - ends[0])) / 2
    return Round(float(middle[0]), float(middle[1]), radius, U_TAP_MM)
