"""Mechanics of an arm and cartridge: forces, resonance, and what each turn does to the rest.

In: grams, millimetres, degrees, gram-force. Out: the same units, named in every function.
NumPy/SciPy only, no deck records. World axes as in DEVELOPERS.md, "Conventions": x from the
stylus to the pivot, z up, so y points to the spindle side. The cartridge's front is turned
inward by the offset β: its tail points along c = (cos β, -sin β, 0). A small rotation ω of the
body changes azimuth by ω·c and rake by -ω·(z × c) = -ω·(sin β, cos β, 0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MILLINEWTON_PER_GRAM_FORCE = 9.80665  # standard gravity, CGPM 1901
SCREW_SPACING_MM = 12.7  # half-inch mount
STYLUS_AHEAD_OF_SCREWS_MM = 9.5  # common practice, no source
BEARING_AXES = ("arm-line", "cartridge", "unknown")
RESONANCE_WINDOW_HZ = (8.0, 12.0)  # common practice, no source


@dataclass(frozen=True)
class Tilt:
    """Changes in degrees of arm level, rake and azimuth."""

    arm_level_deg: float
    rake_deg: float
    azimuth_deg: float


def in_range(field: str, value: float, low: float, high: float, unit: str) -> float:
    """Return ``value`` if it is finite and within range; the ValueError names all four."""
    if not (math.isfinite(value) and low <= value <= high):
        raise ValueError(f"{field}: got {value:g} {unit}, allowed {low:g} to {high:g} {unit}")
    return float(value)


def tracking_force_gf(value: float, unit: str = "gf") -> float:
    """Tracking force in gram-force from ``"gf"`` (shown as g on most scales) or ``"mN"``.

    Valid 0 to 10 gf; a figure that fits the other unit is told so.
    """
    if unit not in ("gf", "mN"):
        raise ValueError(f"tracking force unit: got {unit!r}, allowed gf or mN")
    force = value / MILLINEWTON_PER_GRAM_FORCE if unit == "mN" else value
    if unit == "gf" and 10.0 < value <= 98.0:
        raise ValueError(
            f"tracking force: got {value:g} gf, allowed 0 to 10 gf "
            f"({value:g} mN would be {value / MILLINEWTON_PER_GRAM_FORCE:.2f} gf)"
        )
    return in_range("tracking force", force, 0.0, 10.0, "gf")


def height_tilt(
    raise_mm: float, effective_length_mm: float, offset_deg: float, bearing_axis: str
) -> Tilt:
    """Changes from raising the pivot, the stylus staying on the record.

    With the bearing axis square to the stylus-pivot line: δ = asin(h/L), rake δ·cos β, azimuth
    δ·sin β. With it square to the cartridge: rake δ/cos β, azimuth 0. ``"unknown"`` gives the
    mean of the two (see `height_spread` for the half-width). Valid for |h| up to 30 mm.
    """
    in_range("arm height change", raise_mm, -30.0, 30.0, "mm")
    level = math.degrees(math.asin(raise_mm / effective_length_mm))
    cosine, sine = math.cos(math.radians(offset_deg)), math.sin(math.radians(offset_deg))
    line, square = Tilt(level, level * cosine, level * sine), Tilt(level, level / cosine, 0.0)
    if bearing_axis == "arm-line":
        return line
    if bearing_axis == "cartridge":
        return square
    if bearing_axis != "unknown":
        raise ValueError(f"bearing axis: got {bearing_axis!r}, allowed {', '.join(BEARING_AXES)}")
    return Tilt(
        level,
        (line.rake_deg + square.rake_deg) / 2.0,
        (line.azimuth_deg + square.azimuth_deg) / 2.0,
    )


def height_spread(offset_deg: float, bearing_axis: str) -> float:
    """Relative half-width of rake per height where the bearing axis is unknown, else 0."""
    if bearing_axis != "unknown":
        return 0.0
    cosine = math.cos(math.radians(offset_deg))
    return (1.0 / cosine - cosine) / (1.0 / cosine + cosine)


def height_for_rake(
    rake_change_deg: float, effective_length_mm: float, offset_deg: float, bearing_axis: str
) -> float:
    """Rise of the pivot in mm for a wanted change of rake (inverse of `height_tilt`)."""
    per_degree = height_tilt(
        math.sin(math.radians(1.0)) * effective_length_mm,
        effective_length_mm,
        offset_deg,
        bearing_axis,
    ).rake_deg
    return effective_length_mm * math.sin(math.radians(rake_change_deg / per_degree))


def surface_height_rake(mirror_mm: float, record_mm: float, effective_length_mm: float) -> float:
    """Change of rake in degrees from standing on a mirror instead of the record: -(t - t₀)/L."""
    return -math.degrees(math.atan((mirror_mm - record_mm) / effective_length_mm))


def height_overhang(raise_mm: float, effective_length_mm: float, pivot_height_mm: float) -> float:
    """Change of overhang in mm from raising the pivot.

    The pivot-stylus distance √(L² + H²) stays, its level part shrinks. ``pivot_height_mm`` is the
    height H of the bearing above the record's surface.
    """
    slant = math.hypot(effective_length_mm, pivot_height_mm)
    return math.sqrt(slant**2 - (pivot_height_mm + raise_mm) ** 2) - effective_length_mm


def height_force(
    raise_mm: float,
    effective_length_mm: float,
    moving_mass_g: float,
    centre_below_bearing_mm: float,
) -> float:
    """Change of tracking force in gf from raising the pivot of a statically balanced arm.

    The tilt δ swings the centre of mass, which hangs b below the bearing, by b·sin δ towards the
    pivot's far side: force changes by -M·b·sin δ / L. Spring-balanced arms: use b = 0.
    """
    return -moving_mass_g * centre_below_bearing_mm * raise_mm / effective_length_mm**2


def slide_force(
    forward_mm: float, cartridge_mass_g: float, force_gf: float, effective_length_mm: float
) -> float:
    """Change of tracking force in gf from sliding the cartridge away from the pivot.

    Moments about the bearing: (F·L + m·x)/(L + x) - F. Valid for |x| up to 20 mm.
    """
    in_range("cartridge shift", forward_mm, -20.0, 20.0, "mm")
    moment = force_gf * effective_length_mm + cartridge_mass_g * forward_mm
    return moment / (effective_length_mm + forward_mm) - force_gf


def counterweight_shift(
    force_change_gf: float, effective_length_mm: float, counterweight_g: float
) -> float:
    """Travel of the counterweight in mm towards the bearing for more force: ΔF·L/W."""
    in_range("counterweight", counterweight_g, 5.0, 1000.0, "g")
    return force_change_gf * effective_length_mm / counterweight_g


def tube_roll_for_azimuth(azimuth_change_deg: float, offset_deg: float) -> Tilt:
    """Roll of the whole tube about the stylus-pivot line that gives a change of azimuth.

    ω = ρ·x: azimuth ρ·cos β, rake -ρ·sin β. A collar on the cartridge's own axis leaves rake.
    """
    return Tilt(0.0, -azimuth_change_deg * math.tan(math.radians(offset_deg)), azimuth_change_deg)


def shim_mm(angle_deg: float) -> float:
    """Height difference in mm across the 12.7 mm screw spacing for a roll of the body."""
    return SCREW_SPACING_MM * math.tan(math.radians(angle_deg))


def screw_travel_mm(angle_deg: float) -> float:
    """Fore-aft travel in mm of one screw, the other held, that turns the body by an angle."""
    return SCREW_SPACING_MM * math.sin(math.radians(angle_deg))


def turn_overhang(clockwise_deg: float) -> float:
    """Forward shift of the stylus in mm when the body turns about its spindle-side screw.

    Seen from above. The stylus sits 6.35 mm outward of that screw; first order in the angle.
    """
    return SCREW_SPACING_MM / 2.0 * math.sin(math.radians(clockwise_deg))


def screw_turns(travel_mm: float, pitch_mm: float) -> float:
    """Turns of a screw of given pitch (mm a turn) for a travel in mm."""
    return travel_mm / in_range("screw pitch", pitch_mm, 0.1, 5.0, "mm")


def skating_force_gf(force_gf: float, skating_angle_deg: float, friction: float = 0.3) -> float:
    """Side force at the stylus in gf, positive towards the spindle: μ·F·sin φ.

    φ is the angle between groove tangent and stylus-pivot line (`bench.arm.skating_angle_deg`),
    not the headshell's offset: the friction pulls along the groove whatever the body's direction.
    It is zero for linear arms and changes sign beyond an under-hung arm's null. μ depends on
    record, tip and modulation: 0.2 to 0.5, 0.3 by default (common practice, no source), so treat
    the result as good to a factor of about 1.7.
    """
    in_range("friction", friction, 0.05, 1.0, "")
    return friction * tracking_force_gf(force_gf) * math.sin(math.radians(skating_angle_deg))


def resonance_hz(moving_mass_g: float, compliance_um_per_mn: float) -> float:
    """Resonance of arm and cartridge in Hz: 1/(2π√(m·c)), damping neglected.

    Parameters
    ----------
    moving_mass_g : float
        Effective mass of the arm plus cartridge and screws, 2 to 80 g.
    compliance_um_per_mn : float
        At the resonance (a 10 Hz figure), 1 to 100 µm/mN.
    """
    in_range("moving mass", moving_mass_g, 2.0, 80.0, "g")
    in_range("compliance", compliance_um_per_mn, 1.0, 100.0, "µm/mN")
    return 1.0 / (2.0 * math.pi * math.sqrt(moving_mass_g * 1e-3 * compliance_um_per_mn * 1e-3))


def compliance_at_10_hz(compliance_um_per_mn: float, stated_at: str) -> tuple[float, float]:
    """Low and high estimate in µm/mN of the 10 Hz compliance.

    A 100 Hz figure is multiplied by 1.5 to 2, a static figure by 0.5 to 0.7 (common practice, no
    source): makers differ, so the range is carried along rather than one number.
    """
    in_range("compliance", compliance_um_per_mn, 1.0, 100.0, "µm/mN")
    factors = {"10 Hz": (1.0, 1.0), "100 Hz": (1.5, 2.0), "static": (0.5, 0.7)}
    if stated_at not in factors:
        raise ValueError(f"compliance stated at: got {stated_at!r}, allowed {', '.join(factors)}")
    low, high = factors[stated_at]
    return compliance_um_per_mn * low, compliance_um_per_mn * high


def foot_heights_mm(
    tilt_deg: float, high_side_deg: float, feet_mm: tuple[tuple[float, float], ...]
) -> tuple[float, ...]:
    """How far to raise each foot, in mm, so that the platter levels; the highest foot stays.

    ``feet_mm`` are (x, y) on the deck, x towards the pivot, y a quarter turn counter-clockwise
    from above; ``high_side_deg`` counts the same way. At least three feet.
    """
    if len(feet_mm) < 3:
        raise ValueError(f"feet: got {len(feet_mm)}, allowed 3 or more")
    slope = math.tan(math.radians(in_range("tilt", tilt_deg, 0.0, 10.0, "°")))
    cosine, sine = math.cos(math.radians(high_side_deg)), math.sin(math.radians(high_side_deg))
    heights = [slope * (x * cosine + y * sine) for x, y in feet_mm]
    return tuple(max(heights) - height for height in heights)
