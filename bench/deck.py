"""A deck as the person has it: arm with its adjusters, cartridge, geometry, targets.

Validated frozen records in millimetres, grams, gram-force and degrees. Nothing here is a product:
every figure is entered by the person or is marked as an assumption. `Deck.target` answers what a
quantity should be; `Deck.can` answers whether the deck has the screw for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bench.arm import (
    EFFECTIVE_LENGTH_RANGE_MM,
    GEOMETRIES,
    RADIUS_SETS,
    Alignment,
    Radii,
    align,
    align_at_distance,
    align_underhung,
)
from bench.mechanics import BEARING_AXES, compliance_at_10_hz, in_range, resonance_hz
from bench.targets import (
    ANTI_SKATE_TOLERANCE_GF,
    COMMON_PRACTICE,
    DEFAULT_TARGETS,
    MAKERS_SHEET,
    UNIT_OF,
    NoTarget,
    Target,
    force_target,
    length_target,
)

ADJUSTERS: dict[str, str] = {
    "height": "the arm height at the pivot",
    "azimuth-collar": "the headshell's collar",
    "azimuth-tube": "the roll of the arm tube",
    "lateral-balance": "the sideways balance weight",
    "slots": "the cartridge in the headshell slots",
    "sliding-base": "the sliding arm base",
    "removable-headshell": "the removable headshell",
    "counterweight": "the counterweight or force dial",
    "anti-skate": "the anti-skate setting",
    "speed-trim": "the speed trim",
    "pulley": "the pulley",
    "feet": "the feet",
}
ARM_KINDS = ("pivoted", "underhung", "linear", "unipivot")
ARM_SHAPES = ("straight", "s", "j")
TIPS = ("conical", "elliptical", "long-edge", "unknown")
GENERATORS = ("moving-magnet", "moving-iron", "moving-coil", "ceramic", "unknown")
ANTI_SKATE_KINDS = ("spring", "weight", "magnet", "none")
IEC_RADII = RADIUS_SETS["iec"]
SCREWS_G = 1.0  # two screws and nuts; common practice, no source


@dataclass(frozen=True)
class Cartridge:
    """A cartridge with the figures of its maker's sheet; None where not known.

    Masses in g, forces in gf, compliance in µm/mN with the frequency it was stated at.
    ``edge_u_deg`` and ``generator_u_deg`` are standard uncertainties of the contact edge against
    the shank and of the generator against the body, where the maker states how true they are.
    """

    name: str
    mass_g: float = 6.0
    tip: str = "unknown"
    generator: str = "unknown"
    integrated: bool = False
    stylus_guard: bool = True
    force_low_gf: float | None = None
    force_high_gf: float | None = None
    force_gf: float | None = None
    rake_deg: float | None = None
    edge_u_deg: float | None = None
    generator_u_deg: float | None = None
    compliance_um_per_mn: float | None = None
    compliance_stated_at: str = "10 Hz"

    def __post_init__(self) -> None:
        _named("cartridge name", self.name)
        in_range("cartridge mass", self.mass_g, 1.0, 60.0, "g")
        _choice("tip", self.tip, TIPS)
        _choice("generator", self.generator, GENERATORS)
        for field in ("force_low_gf", "force_high_gf", "force_gf"):
            _force(field.removesuffix("_gf").replace("_", " "), getattr(self, field))
        low, high, force = self.force_low_gf, self.force_high_gf, self.force_gf
        if low is not None and high is not None:
            if low > high:
                raise ValueError(f"force range: got {low:g} to {high:g} gf, allowed low to high")
            if force is not None:
                in_range("tracking force within the maker's range", force, low, high, "gf")
        if self.rake_deg is not None:
            in_range("rake target", self.rake_deg, 80.0, 105.0, "°")
        for field in ("edge_u_deg", "generator_u_deg"):
            if getattr(self, field) is not None:
                in_range(
                    field.removesuffix("_u_deg") + " trueness", getattr(self, field), 0, 5, "°"
                )
        if self.compliance_um_per_mn is not None:
            compliance_at_10_hz(self.compliance_um_per_mn, self.compliance_stated_at)


@dataclass(frozen=True)
class Arm:
    """An arm and the adjusters it really has.

    ``offset_deg`` is the cartridge's offset from the stylus-pivot line; None lets the geometry
    say. ``pivot_height_mm`` is the bearing above the record. ``bearing_axis`` is ``arm-line``
    where the horizontal bearing stands square to the stylus-pivot line, ``cartridge`` where it
    stands square to the cartridge. Moving mass, the depth of its centre below the bearing and
    the counterweight sharpen the predicted changes of force.
    """

    name: str
    kind: str = "pivoted"
    shape: str = "straight"
    effective_length_mm: float = 230.0
    offset_deg: float | None = None
    adjusters: frozenset[str] = frozenset({"slots", "counterweight"})
    bearing_axis: str = "unknown"
    pivot_height_mm: float = 10.0
    effective_mass_g: float | None = None
    moving_mass_g: float | None = None
    centre_below_bearing_mm: float | None = None
    counterweight_g: float | None = None
    spring_balanced: bool = False
    anti_skate: str = "spring"
    height_screw_pitch_mm: float | None = None

    def __post_init__(self) -> None:
        _named("arm name", self.name)
        _choice("arm kind", self.kind, ARM_KINDS)
        _choice("arm shape", self.shape, ARM_SHAPES)
        _choice("bearing axis", self.bearing_axis, BEARING_AXES)
        _choice("anti-skate", self.anti_skate, ANTI_SKATE_KINDS)
        object.__setattr__(self, "adjusters", _adjusters("arm adjusters", self.adjusters))
        low, high = EFFECTIVE_LENGTH_RANGE_MM
        if self.kind != "linear" and 5.0 <= self.effective_length_mm <= 16.0:
            raise ValueError(
                f"effective length: got {self.effective_length_mm:g} mm, allowed {low:g} to "
                f"{high:g} mm (inches? 1 inch is 25.4 mm)"
            )
        shortest = 20.0 if self.kind == "linear" else low
        in_range("effective length", self.effective_length_mm, shortest, high, "mm")
        if self.offset_deg is not None:
            in_range("offset", self.offset_deg, 0.0, 35.0, "°")
            if self.kind in ("underhung", "linear") and self.offset_deg != 0:
                raise ValueError(
                    f"offset: got {self.offset_deg:g}°, allowed 0° for an arm of kind {self.kind}"
                )
        in_range("pivot height", self.pivot_height_mm, -30.0, 80.0, "mm")
        for field, limits, unit in (
            ("effective_mass_g", (1.0, 60.0), "g"),
            ("moving_mass_g", (20.0, 2000.0), "g"),
            ("centre_below_bearing_mm", (-40.0, 40.0), "mm"),
            ("counterweight_g", (5.0, 1000.0), "g"),
            ("height_screw_pitch_mm", (0.1, 5.0), "mm"),
        ):
            value = getattr(self, field)
            if value is not None:
                in_range(field.rsplit("_", 1)[0].replace("_", " "), value, *limits, unit)


@dataclass(frozen=True)
class Foot:
    """A foot of the deck: x mm towards the arm pivot, y mm a quarter turn ccw from above."""

    name: str
    x_mm: float
    y_mm: float

    def __post_init__(self) -> None:
        _named("foot name", self.name)
        in_range(f"foot {self.name} x", self.x_mm, -1000.0, 1000.0, "mm")
        in_range(f"foot {self.name} y", self.y_mm, -1000.0, 1000.0, "mm")


@dataclass(frozen=True)
class Deck:
    """A deck, its arm and cartridge, the geometry chosen for it, and any targets of its own.

    ``mounting_distance_mm`` is the spindle-to-pivot distance as built; None leaves it to the
    geometry. ``record_mm`` and ``mirror_mm`` are the thicknesses of the record it is set up for
    and of the mirror used under the stylus.
    """

    name: str
    arm: Arm
    cartridge: Cartridge
    geometry: str = "lofgren-a"
    radii: Radii = IEC_RADII
    speeds_rpm: tuple[float, ...] = (100.0 / 3.0, 45.0)
    mounting_distance_mm: float | None = None
    record_mm: float | None = None
    mirror_mm: float | None = None
    warp_mm: float | None = None
    suspended: bool = False
    factory_assembled: bool = False
    adjusters: frozenset[str] = frozenset({"feet"})
    feet: tuple[Foot, ...] = ()
    targets: tuple[Target, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        _named("deck name", self.name)
        _choice("geometry", self.geometry, GEOMETRIES)
        object.__setattr__(self, "adjusters", _adjusters("deck adjusters", self.adjusters))
        if not self.speeds_rpm:
            raise ValueError("speeds: got none, allowed one or more between 15 and 85 rpm")
        for rpm in self.speeds_rpm:
            in_range("speed", rpm, 15.0, 85.0, "rpm")
        for field in ("record_mm", "mirror_mm"):
            value = getattr(self, field)
            if value is not None:
                in_range(field.removesuffix("_mm") + " thickness", value, 0.3, 12.0, "mm")
        if self.warp_mm is not None:
            in_range("warp", self.warp_mm, 0.0, 10.0, "mm")
        if self.feet and len(self.feet) < 3:
            raise ValueError(f"feet: got {len(self.feet)}, allowed 3 or more, or none entered")
        twice = [t.quantity for t in self.targets]
        if len(set(twice)) != len(twice):
            raise ValueError(f"targets: a quantity is named twice in {', '.join(twice)}")
        distance, length = self.mounting_distance_mm, self.arm.effective_length_mm
        if distance is not None and self.arm.kind != "linear":
            in_range("mounting distance", distance, *EFFECTIVE_LENGTH_RANGE_MM, "mm")
            if self.arm.kind == "underhung" and distance <= length:
                raise ValueError(
                    f"mounting distance: got {distance:g} mm, allowed more than the effective "
                    f"length {length:g} mm for an under-hung arm"
                )
            if self.arm.kind != "underhung" and distance >= length:
                raise ValueError(
                    f"mounting distance: got {distance:g} mm, allowed less than the effective "
                    f"length {length:g} mm for an offset arm"
                )
        self.alignment()

    def can(self, adjuster: str) -> bool:
        """Whether this deck has the adjuster (a key of `ADJUSTERS`)."""
        _choice("adjuster", adjuster, tuple(ADJUSTERS))
        if adjuster == "slots" and self.cartridge.integrated:
            return False
        return adjuster in self.arm.adjusters or adjuster in self.adjusters

    def alignment(self) -> Alignment | None:
        """Alignment wanted on this deck; None for a linear arm, which has no null points.

        A known mounting distance with slots fixes the effective length; without slots, or without
        the distance, the arm's own effective length decides.
        """
        if self.arm.kind == "linear":
            return None
        if self.arm.kind == "underhung":
            return align_underhung(self.arm.effective_length_mm, self.radii)
        if self.mounting_distance_mm is not None and self.can("slots"):
            return align_at_distance(self.mounting_distance_mm, self.geometry, self.radii)
        return align(self.arm.effective_length_mm, self.geometry, self.radii)

    @property
    def effective_length_mm(self) -> float:
        """Effective length once aligned."""
        alignment = self.alignment()
        return self.arm.effective_length_mm if alignment is None else alignment.effective_length_mm

    @property
    def offset_deg(self) -> float:
        """Offset of the cartridge from the stylus-pivot line, 0 for straight and linear arms."""
        if self.arm.offset_deg is not None:
            return self.arm.offset_deg
        alignment = self.alignment()
        return 0.0 if alignment is None else alignment.offset_deg

    def warp_u_deg(self, quantity: str) -> float:
        """Standard uncertainty in degrees that a warped record adds to the arm level.

        One wave a turn of height w/2 at the rim has the slope (w/2)/r there; met at any place of
        the turn its standard deviation is that over √2.
        """
        if self.warp_mm is None or quantity != "arm-level":
            return 0.0
        return math.degrees(self.warp_mm / 2.0 / self.radii.outer_mm) / math.sqrt(2.0)

    def resonance_hz(self) -> tuple[float, float] | None:
        """Low and high estimate of the resonance in Hz; None where a figure is missing."""
        mass, cartridge = self.arm.effective_mass_g, self.cartridge
        if mass is None or cartridge.compliance_um_per_mn is None:
            return None
        total = mass + cartridge.mass_g + (0.0 if cartridge.integrated else SCREWS_G)
        soft = compliance_at_10_hz(cartridge.compliance_um_per_mn, cartridge.compliance_stated_at)
        return resonance_hz(total, min(soft[1], 100.0)), resonance_hz(total, soft[0])

    def target(self, quantity: str) -> Target | NoTarget:
        """What the quantity should be on this deck, or why there is no such figure."""
        _choice("quantity", quantity, tuple(UNIT_OF))
        for target in self.targets:
            if target.quantity == quantity:
                return target
        if quantity in ("mounting-distance", "overhang", "null-points"):
            return self._geometry_target(quantity)
        if quantity == "rake":
            return self._rake_target()
        if quantity == "tracking-force":
            c = self.cartridge
            force = force_target(c.force_low_gf, c.force_high_gf, c.force_gf)
            return force or NoTarget(quantity, "enter the force range of the cartridge's sheet")
        if quantity == "anti-skate":
            return self._anti_skate_target()
        if quantity in ("azimuth", "cantilever"):
            return replace(
                DEFAULT_TARGETS[quantity], definitional_uncertainty=self.cartridge.generator_u_deg
            )
        return DEFAULT_TARGETS[quantity]

    def with_target(self, target: Target) -> Deck:
        """Copy with this target in place of any earlier one for the quantity."""
        others = tuple(t for t in self.targets if t.quantity != target.quantity)
        return replace(self, targets=(*others, target))

    def _geometry_target(self, quantity: str) -> Target | NoTarget:
        alignment = self.alignment()
        if alignment is None:
            return NoTarget(quantity, "a linear arm carries the stylus along the radius")
        if quantity == "null-points":
            return DEFAULT_TARGETS[quantity]
        if quantity == "overhang":
            return length_target(quantity, alignment.overhang_mm)
        return length_target(quantity, alignment.mounting_distance_mm)

    def _rake_target(self) -> Target | NoTarget:
        if self.cartridge.tip == "conical":
            return NoTarget("rake", "a conical tip has no rake target: set the arm level")
        c = self.cartridge
        default = replace(DEFAULT_TARGETS["rake"], definitional_uncertainty=c.edge_u_deg)
        if c.rake_deg is None:
            return default
        return replace(
            default,
            aim=c.rake_deg,
            low=c.rake_deg - 1.0,
            high=c.rake_deg + 1.0,
            origin=MAKERS_SHEET,
            note="± 1° is common practice",
        )

    def _anti_skate_target(self) -> Target | NoTarget:
        if self.arm.kind == "linear":
            return NoTarget("anti-skate", "a linear arm has no skating force")
        if self.arm.kind == "underhung":
            return NoTarget("anti-skate", "an under-hung arm's skating force changes sign")
        if self.arm.anti_skate == "none" or not self.can("anti-skate"):
            return NoTarget("anti-skate", "this arm has no anti-skate")
        force = self.target("tracking-force")
        if isinstance(force, NoTarget):
            return NoTarget("anti-skate", force.reason)
        half = ANTI_SKATE_TOLERANCE_GF
        return Target(
            "anti-skate",
            force.aim,
            max(force.aim - half, 0.0),
            force.aim + half,
            COMMON_PRACTICE,
            "a start: the dial at the tracking force; the figure on the dial is not the side force",
        )


def _named(field: str, value: str) -> None:
    if not isinstance(value, str) or not value.strip() or len(value) > 120:
        raise ValueError(f"{field}: got {value!r}, allowed 1 to 120 characters")


def _choice(field: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise ValueError(f"{field}: got {value!r}, allowed {', '.join(allowed)}")


def _adjusters(field: str, names: frozenset[str]) -> frozenset[str]:
    if isinstance(names, str):
        raise ValueError(f"{field}: got {names!r}, allowed a list of names")
    for name in names:
        _choice(field, name, tuple(ADJUSTERS))
    return frozenset(names)


def _force(field: str, value: float | None) -> None:
    if value is None:
        return
    if 10.0 < value <= 98.0:
        raise ValueError(
            f"{field}: got {value:g} gf, allowed 0.1 to 10 gf "
            f"(millinewtons? {value:g} mN is {value / 9.80665:.2f} gf)"
        )
    in_range(field, value, 0.1, 10.0, "gf")
