"""Alignment geometry of a tonearm: null points, lengths, tracking error and its distortion.

In: millimetres and degrees. Out: null points, mounting distance, overhang, offset, and the
tracking error or second-harmonic distortion along the radius. NumPy only.

Sources. Null points: E. Löfgren, Akustische Zeitschrift 3 (1938) 350-362; H. G. Baerwald,
J. SMPE 37 (1941) 591-622; J. K. Stevenson, Wireless World 72 (May, June 1966). With nulls n1, n2
and effective length L the law of cosines gives

    mounting distance = sqrt(L² - n1·n2)      sin(offset) = (n1 + n2) / 2L
    error(r) = asin((r² + L² - D²) / 2Lr) - offset

Signs as in DEVELOPERS.md, "Conventions": error > 0 where the arm stands more open than the
tangent; a cantilever turned counter-clockwise (seen from above) adds to the error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

GEOMETRIES = ("lofgren-a", "lofgren-b", "stevenson")
EFFECTIVE_LENGTH_RANGE_MM = (120.0, 450.0)
RADIUS_RANGE_MM = (25.0, 250.0)


@dataclass(frozen=True)
class Radii:
    """First and last recorded groove, in mm, with where the figures come from."""

    name: str
    inner_mm: float
    outer_mm: float
    origin: str

    def __post_init__(self) -> None:
        low, high = RADIUS_RANGE_MM
        for field, value in (("inner radius", self.inner_mm), ("outer radius", self.outer_mm)):
            if not (math.isfinite(value) and low <= value <= high):
                raise ValueError(f"{field}: got {value} mm, allowed {low:g} to {high:g} mm")
        if self.inner_mm >= self.outer_mm:
            raise ValueError(
                f"inner radius: got {self.inner_mm} mm, allowed less than the outer radius "
                f"{self.outer_mm} mm (are the two swapped?)"
            )


RADIUS_SETS: dict[str, Radii] = {
    "iec": Radii("iec", 60.325, 146.05, "IEC 98 (1958), twelve-inch"),
    "iec-late": Radii("iec-late", 60.325, 146.3, "IEC 98, later outer groove, from memory"),
    "din": Radii("din", 57.5, 146.05, "DIN 45547, twelve-inch, from memory"),
    "seven-inch": Radii("seven-inch", 53.975, 84.14, "IEC 98, seven-inch, from memory"),
    "78": Radii("78", 47.6, 146.05, "twelve-inch 78, common practice, no source"),
}


@dataclass(frozen=True)
class Alignment:
    """One arm aligned one way. Lengths in mm, angles in degrees.

    ``null_points_mm`` holds two radii for an offset arm, one for a straight under-hung arm.
    ``overhang_mm`` is negative where the stylus falls short of the spindle.
    """

    geometry: str
    radii: Radii
    effective_length_mm: float
    mounting_distance_mm: float
    offset_deg: float
    null_points_mm: tuple[float, ...]

    @property
    def overhang_mm(self) -> float:
        """Effective length less mounting distance."""
        return self.effective_length_mm - self.mounting_distance_mm

    @property
    def linear_offset_mm(self) -> float:
        """L·sin(offset): the same for every length, half the sum of the null points."""
        return self.effective_length_mm * math.sin(math.radians(self.offset_deg))

    def error_deg(self, radius_mm: ArrayLike, **mistakes: float) -> NDArray[np.float64]:
        """Tracking error at each radius; ``mistakes`` as for `with_mistakes`."""
        arm = with_mistakes(self, **mistakes)
        return tracking_error_deg(
            radius_mm, arm.effective_length_mm, arm.mounting_distance_mm, arm.offset_deg
        )


def radius_set(name: str) -> Radii:
    """Return the named set of groove radii; ValueError lists the names."""
    if name not in RADIUS_SETS:
        raise ValueError(f"radii: got {name!r}, allowed {', '.join(RADIUS_SETS)} or two numbers")
    return RADIUS_SETS[name]


def null_points(geometry: str, radii: Radii) -> tuple[float, float]:
    """Null points (inner, outer) in mm of the linearised optimum.

    Parameters
    ----------
    geometry : {"lofgren-a", "lofgren-b", "stevenson"}
        A: least maximum of error/r. B: least mean square of error/r with the offset of A, only
        the overhang free. Stevenson: inner null on the last groove, least maximum of error/r on
        the rest.
    radii : Radii

    Notes
    -----
    With p = n1·n2 and s = n1 + n2 the linearised error/r is (1 - s/r + p/r²)/2L, a quadratic in
    u = 1/r. A is its Chebyshev polynomial over [u2, u1]. B keeps s and solves d/dp of the
    integral of (1 - s·u + p·u²)² over r: p = ∫(s·u³ - u²)dr / ∫u⁴dr. Stevenson's roots lie at u1
    and, mirrored about the vertex, where the depth at the vertex equals the value at u2.
    """
    r1, r2 = radii.inner_mm, radii.outer_mm
    u1, u2 = 1.0 / r1, 1.0 / r2
    if geometry == "stevenson":
        vertex_to_null = (u1 - u2) / (1.0 + math.sqrt(2.0))
        return r1, 1.0 / (u1 - 2.0 * vertex_to_null)
    if geometry not in GEOMETRIES:
        raise ValueError(f"geometry: got {geometry!r}, allowed {', '.join(GEOMETRIES)}")
    half = (u1 - u2) / (2.0 * math.sqrt(2.0))
    a1, a2 = 1.0 / ((u1 + u2) / 2.0 + half), 1.0 / ((u1 + u2) / 2.0 - half)
    if geometry == "lofgren-a":
        return a1, a2
    total = a1 + a2
    cubes = (u1**2 - u2**2) / 2.0
    squares = u1 - u2
    fourths = (u1**3 - u2**3) / 3.0
    product = (total * cubes - squares) / fourths
    root = math.sqrt(total**2 / 4.0 - product)
    return total / 2.0 - root, total / 2.0 + root


def align(effective_length_mm: float, geometry: str, radii: Radii) -> Alignment:
    """Align an offset arm of known effective length: everything else follows."""
    length = _length("effective length", effective_length_mm)
    inner, outer = null_points(geometry, radii)
    if inner + outer >= 2.0 * length or inner * outer >= length**2:
        raise ValueError(
            f"effective length: got {length:g} mm, allowed more than {(inner + outer) / 2:.1f} mm "
            f"for null points at {inner:.1f} and {outer:.1f} mm"
        )
    return Alignment(
        geometry,
        radii,
        length,
        math.sqrt(length**2 - inner * outer),
        math.degrees(math.asin((inner + outer) / (2.0 * length))),
        (inner, outer),
    )


def align_at_distance(mounting_distance_mm: float, geometry: str, radii: Radii) -> Alignment:
    """Align an offset arm whose base is fixed: find the effective length that fits."""
    distance = _length("mounting distance", mounting_distance_mm)
    inner, outer = null_points(geometry, radii)
    return align(math.sqrt(distance**2 + inner * outer), geometry, radii)


def align_underhung(effective_length_mm: float, radii: Radii) -> Alignment:
    """Align a straight arm without offset: one null point, stylus short of the spindle.

    error/r is (1 - n²/r²)/2L, rising with r, so the least maximum stands where both ends are
    equal and opposite: n = sqrt(2/(1/r1² + 1/r2²)).
    """
    length = _length("effective length", effective_length_mm)
    null = math.sqrt(2.0 / (radii.inner_mm**-2 + radii.outer_mm**-2))
    return Alignment("underhung", radii, length, math.hypot(length, null), 0.0, (null,))


def with_mistakes(
    arm: Alignment,
    *,
    overhang_error_mm: float = 0.0,
    mounting_error_mm: float = 0.0,
    cantilever_deg: float = 0.0,
) -> Alignment:
    """Return the same arm wrongly set.

    Parameters
    ----------
    overhang_error_mm : float
        Stylus too far out in the headshell (positive); the base stays.
    mounting_error_mm : float
        Base too far from the spindle (positive); the effective length stays.
    cantilever_deg : float
        Cantilever turned counter-clockwise seen from above (positive).

    Raises
    ------
    ValueError
        Beyond ±30 mm or ±30°: such an arm is not wrongly set but wrongly entered.
    """
    for field, value, most, unit in (
        ("overhang error", overhang_error_mm, 30.0, "mm"),
        ("mounting distance error", mounting_error_mm, 30.0, "mm"),
        ("cantilever direction", cantilever_deg, 30.0, "°"),
    ):
        if not abs(value) <= most:
            raise ValueError(f"{field}: got {value:g} {unit}, allowed -{most:g} to {most:g} {unit}")
    length = _length("effective length", arm.effective_length_mm + overhang_error_mm)
    distance = _length("mounting distance", arm.mounting_distance_mm + mounting_error_mm)
    offset = arm.offset_deg - cantilever_deg
    return Alignment(
        arm.geometry, arm.radii, length, distance, offset, nulls_of(length, distance, offset)
    )


def mistakes_from_nulls(
    arm: Alignment, inner_deg: float, outer_deg: float, u_deg: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Overhang error and cantilever direction behind what was read at the two null points.

    Parameters
    ----------
    arm : Alignment
        As it should be, with two null points; the mounting distance is taken as right.
    inner_deg, outer_deg : float
        Cantilever against the tangent grid at each null, counter-clockwise from above positive.
    u_deg : float
        Standard uncertainty of each, independent.

    Returns
    -------
    tuple of (value, standard uncertainty)
        Overhang error in mm (positive too far) and cantilever direction in degrees.

    Notes
    -----
    error(n) = ψ + φ(n; L + x) - φ(n; L): two equations, solved by Newton's method in x; the
    difference of the readings holds x alone, at about 0.4° a millimetre on a nine-inch arm.
    """
    if len(arm.null_points_mm) != 2:
        raise ValueError(f"null points: got {len(arm.null_points_mm)}, allowed an arm with 2")
    for field, value in (("inner", inner_deg), ("outer", outer_deg)):
        if not abs(value) <= 10.0:
            raise ValueError(f"direction at the {field} null: got {value:g}°, allowed -10 to 10°")
    if not 0.0 < u_deg <= 5.0:
        raise ValueError(f"uncertainty: got {u_deg:g}°, allowed more than 0 and up to 5°")

    def opened(x: float) -> NDArray[np.float64]:
        length = arm.effective_length_mm + x
        return tracking_error_deg(
            arm.null_points_mm, length, arm.mounting_distance_mm, arm.offset_deg
        )

    x, step = 0.0, 1e-4
    for _ in range(20):
        at, slope = opened(x), (opened(x + step) - opened(x - step)) / (2.0 * step)
        x -= ((at[0] - at[1]) - (inner_deg - outer_deg)) / (slope[0] - slope[1])
        x = float(np.clip(x, -25.0, 25.0))
    lever = 1.0 / float(slope[0] - slope[1])
    u_x = abs(lever) * math.sqrt(2.0) * u_deg
    gains = np.array([1.0 - slope[0] * lever, slope[0] * lever])
    direction = inner_deg - float(opened(x)[0])
    return (x, u_x), (direction, float(np.linalg.norm(gains)) * u_deg)


def nulls_of(length_mm: float, distance_mm: float, offset_deg: float) -> tuple[float, ...]:
    """Radii in mm where the tracking error is zero: the roots of r² - 2Lr·sin(offset) + L² - D²."""
    half_sum = length_mm * math.sin(math.radians(offset_deg))
    square = half_sum**2 - (length_mm**2 - distance_mm**2)
    if square < 0:
        return ()
    roots = (half_sum - math.sqrt(square), half_sum + math.sqrt(square))
    return tuple(r for r in roots if r > 0)


def tracking_error_deg(
    radius_mm: ArrayLike, length_mm: float, distance_mm: float, offset_deg: float
) -> NDArray[np.float64]:
    """Angle between cantilever and groove tangent, in degrees, at each radius in mm.

    Raises
    ------
    ValueError
        Where the stylus cannot reach a radius with this length and mounting distance.
    """
    return skating_angle_deg(radius_mm, length_mm, distance_mm) - offset_deg


def skating_angle_deg(
    radius_mm: ArrayLike, length_mm: float, distance_mm: float
) -> NDArray[np.float64]:
    """Angle in degrees between the groove tangent and the stylus-pivot line (law of cosines)."""
    r = np.asarray(radius_mm, dtype=float)
    if not np.all(r > 0):
        raise ValueError(f"radius: got {np.min(r)} mm, allowed more than 0 mm")
    sine = (r**2 + length_mm**2 - distance_mm**2) / (2.0 * length_mm * r)
    if np.any(np.abs(sine) > 1.0):
        bad = float(np.atleast_1d(r)[np.atleast_1d(np.abs(sine) > 1.0)][0])
        raise ValueError(
            f"radius: an arm of {length_mm:g} mm mounted at {distance_mm:g} mm does not reach "
            f"{bad:.1f} mm"
        )
    return np.degrees(np.arcsin(sine))


def linear_arm_error_deg(radius_mm: ArrayLike, miss_mm: float) -> NDArray[np.float64]:
    """Tracking error of a linear arm whose stylus path misses the spindle by ``miss_mm``."""
    r = np.asarray(radius_mm, dtype=float)
    if not np.all(r > abs(miss_mm)):
        raise ValueError(f"miss: got {miss_mm} mm, allowed less than the radius {np.min(r):g} mm")
    return np.degrees(np.arcsin(miss_mm / r))


def distortion_percent(
    radius_mm: ArrayLike,
    error_deg: ArrayLike,
    peak_velocity_mm_s: float = 100.0,
    rpm: float = 100 / 3,
) -> NDArray[np.float64]:
    """Second-harmonic distortion of a velocity pickup from tracking error, in per cent.

    100·v·tan|error|/(Ω·r), Ω = 2π·rpm/60: Löfgren 1938, Baerwald 1941. At a given recorded
    velocity it does not depend on frequency. First order: good while v is well under the groove
    speed Ω·r (about 210 mm/s at 60 mm and 33⅓ a minute).

    Parameters
    ----------
    peak_velocity_mm_s : float
        Recorded peak velocity; 100 mm/s is the common practice for comparing (no source).
    """
    if not (peak_velocity_mm_s > 0 and rpm > 0):
        raise ValueError(
            f"velocity and rpm: got {peak_velocity_mm_s} mm/s and {rpm}, allowed more than 0"
        )
    r = np.asarray(radius_mm, dtype=float)
    groove_speed = 2.0 * math.pi * rpm / 60.0 * r
    return 100.0 * peak_velocity_mm_s * np.tan(np.radians(np.abs(error_deg))) / groove_speed


def weighted_error_deg_per_mm(radius_mm: ArrayLike, error_deg: ArrayLike) -> NDArray[np.float64]:
    """error/r in degrees per mm: what the null points minimise, free of velocity and speed."""
    return np.asarray(error_deg, dtype=float) / np.asarray(radius_mm, dtype=float)


def groove_radii(radii: Radii, count: int = 201) -> NDArray[np.float64]:
    """Evenly spaced radii in mm from the last to the first recorded groove."""
    return np.linspace(radii.inner_mm, radii.outer_mm, count)


def _length(name: str, value: float) -> float:
    low, high = EFFECTIVE_LENGTH_RANGE_MM
    if not (math.isfinite(value) and low <= value <= high):
        hint = " (inches? 1 inch is 25.4 mm)" if 5.0 <= value <= 16.0 else ""
        raise ValueError(f"{name}: got {value:g} mm, allowed {low:g} to {high:g} mm{hint}")
    return float(value)
