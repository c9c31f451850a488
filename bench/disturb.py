"""What a turn changes besides the thing it was meant for, in the deck's own numbers.

In: a deck and a turn. Out: one `Disturbance` for each quantity the turn moves, the wanted one
first, with the predicted change where the deck's figures allow one. The formulas are those of
`bench.mechanics`; a change under a fifth of the tolerance is named but asks for no new check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from bench import mechanics
from bench.deck import Deck
from bench.targets import UNIT_OF, UNIT_SIGNS, Target

MATTERS_ABOVE = 0.2  # share of the half tolerance
STYLUS_BELOW_ROLL_AXIS_MM = 15.0  # headshell axis to stylus tip; common practice, no source
CANTILEVER_MM = 6.0  # free length; common practice, no source
MOVING_MASS_G, CENTRE_BELOW_MM = 350.0, 3.0  # where the deck does not say; an upper guess

# Quantities each adjuster moves: the graph. Sizes come from `_changes`.
MOVES: dict[str, tuple[str, ...]] = {
    "height": ("rake", "azimuth", "arm-level", "overhang", "tracking-force"),
    "base-spacer": ("rake", "azimuth", "arm-level", "overhang", "tracking-force"),
    "mat": ("rake", "azimuth", "arm-level", "overhang", "tracking-force"),
    "azimuth-collar": ("azimuth", "overhang"),
    "azimuth-tube": ("azimuth", "rake"),
    "lateral-balance": ("azimuth", "rake"),
    "wedge": ("azimuth", "rake", "overhang", "cantilever", "tracking-force"),
    "slots": ("overhang", "cantilever", "tracking-force"),
    "removable-headshell": ("overhang", "azimuth", "cantilever"),
    "sliding-base": ("mounting-distance", "overhang"),
    "counterweight": ("tracking-force", "rake"),
    "anti-skate": ("anti-skate",),
    "speed-trim": ("speed",),
    "pulley": ("speed",),
    "feet": ("platter-level",),
}
STEP_OF: dict[str, str] = {
    "rake": "rake",
    "azimuth": "azimuth",
    "arm-level": "arm-level",
    "overhang": "overhang",
    "cantilever": "cantilever",
    "tracking-force": "force-again",
    "mounting-distance": "mounting-distance",
    "anti-skate": "anti-skate",
    "speed": "speed",
    "platter-level": "platter-level",
}


@dataclass(frozen=True)
class Turn:
    """One thing to turn, or that was turned.

    ``adjuster`` is a key of `MOVES`; ``direction`` a word of `DIRECTIONS`; ``amount`` >= 0 in
    ``unit`` (mm, deg, gf, percent) with its expanded uncertainty (k = 2). ``turns`` of the screw
    where its pitch is known. ``seen_from`` says where to look from for a roll or turn.
    """

    adjuster: str
    adjuster_name: str
    direction: str
    amount: float
    expanded_uncertainty: float
    unit: str
    seen_from: str = ""
    turns: float | None = None
    sentence: str = ""

    def __post_init__(self) -> None:
        if self.adjuster not in MOVES:
            raise ValueError(f"adjuster: got {self.adjuster!r}, allowed {', '.join(MOVES)}")
        if self.direction not in DIRECTIONS:
            raise ValueError(f"direction: got {self.direction!r}, allowed {', '.join(DIRECTIONS)}")
        if not (math.isfinite(self.amount) and self.amount >= 0):
            raise ValueError(f"amount: got {self.amount!r} {self.unit}, allowed 0 or more")


DIRECTIONS = (
    "raise",
    "lower",
    "clockwise",
    "counter-clockwise",
    "forward",
    "back",
    "towards the spindle",
    "away from the spindle",
    "more",
    "less",
    "faster",
    "slower",
    "thicker",
    "thinner",
)
_POSITIVE = {"raise", "clockwise", "forward", "away from the spindle", "more", "faster", "thicker"}


@dataclass(frozen=True)
class Disturbance:
    """A reading that a turn moves: by how much (None: not predictable) and whether it matters."""

    step: str
    quantity: str
    change: float | None
    unit: str
    matters: bool
    sentence: str


def disturbances(deck: Deck, turn: Turn) -> tuple[Disturbance, ...]:
    """Everything the turn moves on this deck, the wanted quantity first."""
    signed = turn.amount if turn.direction in _POSITIVE else -turn.amount
    changes = _changes(deck, turn.adjuster, signed, turn)
    out = []
    for place, quantity in enumerate(sorted(changes, key=lambda q: q != _wanted(turn, changes))):
        change = changes[quantity]
        target = deck.target(quantity)
        if not isinstance(target, Target):
            continue
        unit = UNIT_OF[quantity]
        matters = place == 0 or change is None or abs(change) > MATTERS_ABOVE * target.half_width
        out.append(
            Disturbance(
                STEP_OF[quantity],
                quantity,
                change,
                unit,
                matters,
                _sentence(turn, quantity, change, unit, matters),
            )
        )
    return tuple(out)


def _wanted(turn: Turn, changes: dict[str, float | None]) -> str:
    if turn.adjuster == "slots" and turn.unit == "deg":
        return "cantilever"
    if turn.adjuster == "sliding-base":
        return "overhang"
    return next(iter(changes))


def _changes(deck: Deck, adjuster: str, signed: float, turn: Turn) -> dict[str, float | None]:
    length, offset = deck.effective_length_mm, deck.offset_deg
    if adjuster in ("height", "base-spacer", "mat"):
        return _height_changes(deck, -signed if adjuster == "mat" else signed)
    if adjuster == "azimuth-collar":
        arc = STYLUS_BELOW_ROLL_AXIS_MM * math.sin(math.radians(signed))
        return {"azimuth": signed, "overhang": -arc * math.sin(math.radians(offset))}
    if adjuster in ("azimuth-tube", "lateral-balance"):
        roll = math.cos(math.radians(offset)) * signed
        return {
            "azimuth": roll,
            "rake": mechanics.tube_roll_for_azimuth(roll, offset).rake_deg,
        }
    if adjuster == "slots":
        force = deck.target("tracking-force")
        forward = mechanics.turn_overhang(signed) if turn.unit == "deg" else signed
        heavier = (
            mechanics.slide_force(forward, deck.cartridge.mass_g, force.aim, length)
            if isinstance(force, Target)
            else None
        )
        turned = -signed if turn.unit == "deg" else None
        return {"overhang": forward, "cantilever": turned, "tracking-force": heavier}
    if adjuster == "sliding-base":
        return {"mounting-distance": signed, "overhang": -signed}
    if adjuster == "counterweight":
        return {"tracking-force": signed, "rake": _force_rake(deck, signed)}
    if adjuster == "wedge":
        return dict.fromkeys(MOVES["wedge"], None) | {"azimuth": signed}
    if adjuster in ("removable-headshell", "feet"):
        return dict.fromkeys(MOVES[adjuster], None)
    return dict.fromkeys(MOVES[adjuster], signed)


def _height_changes(deck: Deck, raise_mm: float) -> dict[str, float | None]:
    arm, length = deck.arm, deck.effective_length_mm
    tilt = mechanics.height_tilt(raise_mm, length, deck.offset_deg, arm.bearing_axis)
    mass = arm.moving_mass_g or MOVING_MASS_G
    below = CENTRE_BELOW_MM if arm.centre_below_bearing_mm is None else arm.centre_below_bearing_mm
    return {
        "rake": tilt.rake_deg,
        "azimuth": tilt.azimuth_deg,
        "arm-level": tilt.arm_level_deg,
        "overhang": mechanics.height_overhang(raise_mm, length, arm.pivot_height_mm),
        "tracking-force": 0.0
        if arm.spring_balanced
        else mechanics.height_force(raise_mm, length, mass, below),
    }


def _force_rake(deck: Deck, more_gf: float) -> float | None:
    compliance = deck.cartridge.compliance_um_per_mn
    if compliance is None:
        return None
    soft = mechanics.compliance_at_10_hz(compliance, deck.cartridge.compliance_stated_at)[1]
    sinks_mm = more_gf * mechanics.MILLINEWTON_PER_GRAM_FORCE * soft * 1e-3
    return -math.degrees(sinks_mm / CANTILEVER_MM)


def _sentence(turn: Turn, quantity: str, change: float | None, unit: str, matters: bool) -> str:
    name = quantity.replace("-", " ")
    if change is None:
        return f"{doing(turn)} can shift {name}: check it again."
    sign = UNIT_SIGNS[unit]
    size = f"{abs(change):.2g}" if abs(change) < 0.995 else f"{abs(change):.1f}"
    if abs(change) < 0.005 and not matters:
        return f"{doing(turn)} leaves {name} as it is (less than 0.01{sign})."
    tail = "" if matters else ", too little to matter"
    return f"{doing(turn)} shifts {name} by {'−' if change < 0 else '+'}{size}{sign}{tail}."


def doing(turn: Turn) -> str:
    """Name the turn as an act: ``"Raising the pivot 3.2 mm"``."""
    amount = f"{turn.amount:.2g}{UNIT_SIGNS.get(turn.unit, ' ' + turn.unit)}"
    noun, way = _NOUNS[turn.adjuster], turn.direction
    if way in ("raise", "lower"):
        return f"{'Raising' if way == 'raise' else 'Lowering'} {noun} {amount}"
    if way in ("more", "less"):
        return f"{'Adding' if way == 'more' else 'Taking off'} {amount} with {noun}"
    if way in ("faster", "slower"):
        return f"Making the platter {amount} {way}"
    if way in ("thicker", "thinner"):
        return f"Making {noun} {amount} {way}"
    if way in ("clockwise", "counter-clockwise"):
        return f"Turning {noun} {amount} {way}"
    return f"Moving {noun} {amount} {way}"


_NOUNS = {
    "height": "the pivot",
    "base-spacer": "the pivot",
    "mat": "the mat",
    "azimuth-collar": "the headshell",
    "azimuth-tube": "the arm tube",
    "lateral-balance": "the arm",
    "wedge": "the cartridge with a wedge",
    "slots": "the cartridge",
    "removable-headshell": "the headshell",
    "sliding-base": "the arm base",
    "counterweight": "the counterweight",
    "anti-skate": "the anti-skate",
    "speed-trim": "the speed trim",
    "pulley": "the pulley",
    "feet": "the feet",
}
