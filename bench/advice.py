"""What to turn, which way and how far, for a reading that misses its target.

In: a deck, a quantity, its value and uncertainty. Out: `Advice`, one sentence and, where the
deck has an adjuster and the uncertainty proves the direction, a `Turn`. The change wanted is
target less value; a turn is offered only where it exceeds the expanded uncertainty of what the
photo shows, and it brings what the photo shows to the target. Directions follow DEVELOPERS.md,
"Conventions"; the formulas stand in `bench.mechanics`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from bench import mechanics
from bench.arm import align_at_distance
from bench.deck import ADJUSTERS, Deck
from bench.disturb import Disturbance, Turn, disturbances
from bench.targets import NoTarget
from bench.verdict import OTHERWISE, SHOWN, Verdict, figure, judge

WORKAROUNDS = {
    "mat": "the platter mat",
    "base-spacer": "the spacer under the arm base",
    "wedge": "a full-width wedge between cartridge and headshell",
}
MOST_HEIGHT_MM, MOST_SLIDE_MM = 15.0, 12.0  # beyond it the entries are wrong, not the set-up
ARM_CAUTION = "Guard on, arm locked in its rest and amplifier muted before you turn anything."
CAUTIONS: dict[str, tuple[str, ...]] = {
    "pulley": (
        "Unplug the deck from the mains before you touch motor, belt or pulley; wiring is for a "
        "qualified person.",
    ),
    "speed-trim": (
        "Turn only a trim the maker lets the user reach. Behind a cover it is work for a "
        "qualified person.",
    ),
    "feet": ("Stop the platter and lock the arm; lift a heavy deck with two hands or two people.",),
}


@dataclass(frozen=True)
class Advice:
    """One sentence for the person, the turn behind it, what it disturbs, and cautions."""

    quantity: str
    sentence: str
    turn: Turn | None = None
    disturbs: tuple[Disturbance, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Case:
    deck: Deck
    verdict: Verdict
    need: float
    expanded: float
    tilt_direction_deg: float | None


def advise(
    deck: Deck,
    quantity: str,
    value: float,
    standard_uncertainty: float,
    definitional_uncertainty: float = 0.0,
    direction_deg: float | None = None,
) -> Advice:
    """Say what to do about a reading.

    Parameters
    ----------
    deck : Deck
    quantity : str
    value, standard_uncertainty, definitional_uncertainty : float
        In the quantity's unit.
    direction_deg : float or None
        For ``platter-level``: direction of the high side, 0 towards the pivot, counter-clockwise
        from above.
    """
    verdict = judge(value, standard_uncertainty, deck.target(quantity), definitional_uncertainty)
    return advise_verdict(deck, verdict, direction_deg)


def advise_verdict(deck: Deck, verdict: Verdict, direction_deg: float | None = None) -> Advice:
    """Say what to do about a verdict already reached; see `advise`."""
    target, quantity = verdict.target, verdict.quantity
    if isinstance(target, NoTarget):
        return Advice(quantity, f"Nothing to turn: {target.reason}.")
    if verdict.outcome == "within":
        return Advice(quantity, "Leave it: it is within tolerance.")
    if verdict.within_as_shown:
        seen, unseen, decider = SHOWN.get(quantity, OTHERWISE)
        return Advice(
            quantity,
            f"Leave it: {seen} is within tolerance. Whether {unseen} is, no photo can tell; "
            f"{decider} can.",
        )
    need = target.aim - verdict.value
    if abs(need) <= verdict.shown_uncertainty:
        return Advice(
            quantity,
            "Do not turn anything yet: "
            f"{figure(verdict.value, verdict.shown_uncertainty, verdict.unit)} does not prove "
            "which way. Take two or three more photos and combine them, or measure it another way.",
        )
    case = _Case(deck, verdict, need, verdict.shown_uncertainty, direction_deg)
    found = _ADVISERS.get(quantity, _no_adviser)(case)
    if isinstance(found, str):
        return Advice(quantity, found)
    cautions = CAUTIONS.get(found.adjuster, (ARM_CAUTION,))
    if verdict.expanded_uncertainty > 1.001 * verdict.shown_uncertainty:
        seen, unseen, decider = SHOWN.get(quantity, OTHERWISE)
        cautions += (f"This sets {seen}; {unseen} may stand otherwise: {decider} can decide.",)
    return Advice(quantity, found.sentence, found, disturbances(deck, found), cautions)


def _turn(
    case: _Case,
    adjuster: str,
    direction: str,
    amount: float,
    expanded: float,
    unit: str,
    sentence: str,
    seen_from: str = "",
    turns: float | None = None,
) -> Turn:
    name = ADJUSTERS.get(adjuster) or WORKAROUNDS[adjuster]
    size = figure(abs(amount), expanded, unit)
    text = sentence.replace("{size}", size)
    if turns is not None and amount:
        count = figure(turns, turns * expanded / abs(amount), "mm").replace(" mm", "")
        text += f", {count} turns of its screw"
    return Turn(
        adjuster, name, direction, abs(amount), expanded, unit, seen_from, turns, text + "."
    )


def _rake(case: _Case) -> Turn | str:
    deck = case.deck
    arm, length, offset = deck.arm, deck.effective_length_mm, deck.offset_deg
    rise = mechanics.height_for_rake(case.need, length, offset, arm.bearing_axis)
    per_degree = abs(rise / case.need)
    spread = mechanics.height_spread(offset, arm.bearing_axis)
    expanded = math.hypot(per_degree * case.expanded, spread * rise)
    return _height(case, rise, expanded)


def _arm_level(case: _Case) -> Turn | str:
    length = case.deck.effective_length_mm
    rise = length * math.sin(math.radians(case.need))
    return _height(case, rise, length * math.radians(case.expanded))


def _height(case: _Case, rise: float, expanded: float) -> Turn | str:
    deck, up = case.deck, rise > 0
    if abs(rise) > MOST_HEIGHT_MM:
        return (
            f"The wanted change of {abs(rise):.0f} mm is more than an arm's height can give: check "
            "that the cartridge is fitted as its maker's sheet shows."
        )
    if deck.can("height"):
        pitch = deck.arm.height_screw_pitch_mm
        turns = None if pitch is None else mechanics.screw_turns(abs(rise), pitch)
        word = "Raise" if up else "Lower"
        return _turn(
            case, "height", "raise" if up else "lower", rise, expanded, "mm",
            f"{word} the arm at the pivot by {{size}}", turns=turns,
        )  # fmt: skip
    if up:
        return _turn(
            case, "base-spacer", "raise", rise, expanded, "mm",
            "This arm has no height adjustment: put a spacer of {size} under the arm base, or use "
            "a mat thinner by as much",
        )  # fmt: skip
    return _turn(
        case, "mat", "thicker", rise, expanded, "mm",
        "This arm has no height adjustment: use a mat thicker by {size}",
    )  # fmt: skip


def _azimuth(case: _Case) -> Turn | str:
    deck, need = case.deck, case.need
    way = "clockwise" if need > 0 else "counter-clockwise"
    if deck.can("azimuth-collar"):
        return _turn(
            case, "azimuth-collar", way, need, case.expanded, "deg",
            f"Turn the headshell in its collar {{size}} {way}, seen head-on from the front",
            seen_from="the front",
        )  # fmt: skip
    stretch = 1.0 / math.cos(math.radians(deck.offset_deg))
    if deck.can("azimuth-tube"):
        return _turn(
            case, "azimuth-tube", way, need * stretch, case.expanded * stretch, "deg",
            f"Roll the arm tube {{size}} {way}, seen head-on from the front", seen_from="the front",
        )  # fmt: skip
    if deck.can("lateral-balance"):
        return _turn(
            case, "lateral-balance", way, need * stretch, case.expanded * stretch, "deg",
            f"With the arm floating free, shift the sideways balance until it rolls {{size}} {way},"
            " seen head-on from the front", seen_from="the front",
        )  # fmt: skip
    if deck.cartridge.integrated:
        return (
            f"The body needs {figure(abs(need), case.expanded, 'deg')} {way}, seen head-on from "
            "the front, but this arm cannot roll it and a built-in cartridge takes no wedge: a "
            "qualified person can judge whether the headshell or its connector is worn."
        )
    side = "right" if need > 0 else "left"
    thick = figure(mechanics.shim_mm(abs(need)), mechanics.shim_mm(min(case.expanded, 45.0)), "mm")
    return _turn(
        case, "wedge", way, need, case.expanded, "deg",
        "This arm cannot roll the headshell: fit a full-width wedge of {size} between cartridge "
        f"and headshell, thick edge on the {side} seen head-on from the front ({thick} higher "
        "across the two screws)", seen_from="the front",
    )  # fmt: skip


def _cantilever(case: _Case) -> Turn | str:
    deck, need = case.deck, case.need
    way = "counter-clockwise" if need > 0 else "clockwise"
    if not deck.can("slots"):
        return (
            f"The cartridge needs {figure(abs(need), case.expanded, 'deg')} {way}, seen from "
            "above, but it cannot be turned in this headshell: align it as a whole, or ask the "
            "maker whether the stylus is within its limits."
        )
    moves = "back" if need > 0 else "forward"
    travel = figure(
        mechanics.screw_travel_mm(abs(need)),
        mechanics.screw_travel_mm(min(case.expanded, 45.0)),
        "mm",
    )
    return _turn(
        case, "slots", way, need, case.expanded, "deg",
        f"Turn the cartridge {{size}} {way}, seen from above: hold the screw nearer the spindle "
        f"and move the outer one {travel} {moves}", seen_from="above",
    )  # fmt: skip


def _overhang(case: _Case) -> Turn | str:
    deck, need = case.deck, case.need
    if abs(need) > MOST_SLIDE_MM:
        return _too_far(case)
    if deck.can("slots"):
        way = "forward" if need > 0 else "back"
        aside = "away from the pivot" if need > 0 else "towards the pivot"
        return _turn(
            case, "slots", way, need, case.expanded, "mm",
            f"Slide the cartridge {{size}} {way} in its slots, {aside}",
        )  # fmt: skip
    if deck.can("sliding-base"):
        return _base(case, -need)
    return (
        f"The stylus should reach {figure(abs(need), case.expanded, 'mm')} "
        f"{'further' if need > 0 else 'less far'}, but neither cartridge nor arm base can move on "
        "this deck. The tracking error plot shows what that costs."
    )


def _mounting_distance(case: _Case) -> Turn | str:
    if abs(case.need) > MOST_SLIDE_MM:
        return _too_far(case)
    if case.deck.can("sliding-base"):
        return _base(case, case.need)
    measured = case.verdict.value
    if case.deck.can("slots") and case.deck.arm.kind in ("pivoted", "unipivot"):
        aligned = align_at_distance(measured, case.deck.geometry, case.deck.radii)
        return (
            "The arm base is fixed: keep the measured "
            f"{figure(measured, case.expanded, 'mm')} as this deck's mounting distance and align "
            f"the cartridge for it (overhang {aligned.overhang_mm:.1f} mm)."
        )
    return (
        f"The arm base is {figure(abs(case.need), case.expanded, 'mm')} too "
        f"{'near' if case.need > 0 else 'far'} and cannot move: have the mounting checked."
    )


def _too_far(case: _Case) -> str:
    return (
        f"The wanted change of {abs(case.need):.0f} mm is more than slots or a base can give: "
        "check the effective length and mounting distance entered for this deck."
    )


def _base(case: _Case, outward: float) -> Turn:
    way = "away from the spindle" if outward > 0 else "towards the spindle"
    return _turn(
        case, "sliding-base", way, outward, case.expanded, "mm",
        f"Move the arm base {{size}} {way}",
    )  # fmt: skip


def _tracking_force(case: _Case) -> Turn | str:
    way = "more" if case.need > 0 else "less"
    word = "Increase" if case.need > 0 else "Reduce"
    text = f"{word} the tracking force by {{size}}, then weigh it again"
    weight = case.deck.arm.counterweight_g
    if weight is not None and not case.deck.arm.spring_balanced:
        travel = mechanics.counterweight_shift(
            abs(case.need), case.deck.effective_length_mm, weight
        )
        side = "towards the bearing" if case.need > 0 else "away from the bearing"
        text += f" (the counterweight moves about {travel:.1f} mm {side})"
    return _turn(case, "counterweight", way, case.need, case.expanded, "gf", text)


def _anti_skate(case: _Case) -> Turn | str:
    way = "more" if case.need > 0 else "less"
    text = f"Set the anti-skate {'higher' if case.need > 0 else 'lower'} by {{size}} on its dial"
    return _turn(case, "anti-skate", way, case.need, case.expanded, "gf", text)


def _speed(case: _Case) -> Turn | str:
    way = "faster" if case.need > 0 else "slower"
    word = "Speed the platter up by {size}" if case.need > 0 else "Slow the platter down by {size}"
    for adjuster, tail in (
        ("speed-trim", " with the speed trim"),
        ("pulley", ": clean belt and pulley first, then look at the pulley"),
    ):
        if case.deck.can(adjuster):
            return _turn(case, adjuster, way, case.need, case.expanded, "percent", word + tail)
    size = figure(abs(case.need), case.expanded, "percent")
    return (
        f"The platter turns {size} too {'slow' if case.need > 0 else 'fast'} and this deck has no "
        "speed adjustment: clean belt and pulley with the mains unplugged, then ask qualified "
        "service."
    )


def _platter_level(case: _Case) -> Turn | str:
    deck, tilt, where = case.deck, case.verdict.value, case.tilt_direction_deg
    per_100 = 100.0 * math.tan(math.radians(tilt))
    if where is None or not deck.feet or not deck.can("feet"):
        side = "" if where is None else f" (high side at {where:.0f}° from the pivot)"
        tool = "the feet" if deck.can("feet") else "shims under the deck"
        return (
            f"Raise the low side{side} with {tool}: {per_100:.1g} mm for every 100 mm between the "
            "feet."
        )
    raises = mechanics.foot_heights_mm(tilt, where, tuple((f.x_mm, f.y_mm) for f in deck.feet))
    largest = max(raises)
    expanded = largest * case.expanded / tilt
    each = " and ".join(
        f"the {foot.name} foot {figure(up, expanded, 'mm')}"
        for foot, up in zip(deck.feet, raises, strict=True)
        if up > expanded / 2.0
    )
    return _turn(case, "feet", "raise", largest, expanded, "mm", f"Raise {each}")


def _sound(case: _Case) -> Turn | str:
    return (
        "Roll the headshell a little one way, measure with the test record again and keep the "
        "direction that brings the channels together: these figures do not say which way."
    )


def _no_adviser(case: _Case) -> Turn | str:
    return f"It should change by {figure(case.need, case.expanded, case.verdict.unit)}."


_ADVISERS: dict[str, Callable[[_Case], Turn | str]] = {
    "rake": _rake,
    "arm-level": _arm_level,
    "azimuth": _azimuth,
    "cantilever": _cantilever,
    "body-square": _cantilever,
    "overhang": _overhang,
    "mounting-distance": _mounting_distance,
    "tracking-force": _tracking_force,
    "anti-skate": _anti_skate,
    "speed": _speed,
    "platter-level": _platter_level,
    "crosstalk-difference": _sound,
    "balance": _sound,
}
