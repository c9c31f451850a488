"""Mechanics against first principles built another way: rotation matrices, statics, handbooks."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from bench import mechanics as m

# Axes: x stylus to pivot, y towards the spindle, z up. The cartridge's tail points along c.
X, Y, Z = np.eye(3)
OFFSETS = st.floats(0.0, 28.0)


def body(offset_deg):
    """Columns: forward, left as seen from the front (b), up; and the stylus axis at rake 92°."""
    beta = math.radians(offset_deg)
    tail = np.array([math.cos(beta), -math.sin(beta), 0.0])
    forward = -tail
    right = np.cross(tail, Z)  # of a viewer in front, looking along the tail
    return forward, -right


def rake_of(axis, forward):
    """Angle of the stylus axis to the surface from the pivot side, in the cantilever's plane."""
    return math.degrees(math.atan2(axis @ Z, -(axis @ forward)))


def azimuth_of(left):
    """Positive clockwise from the front: the viewer's left goes up."""
    return math.degrees(math.asin(left @ Z))


def turned(rotation, offset_deg, rake_deg=92.0):
    forward, left = body(offset_deg)
    rake = math.radians(rake_deg)
    axis = -forward * math.cos(rake) + Z * math.sin(rake)
    flat = rotation.apply(forward) * (1, 1, 0)
    flat /= np.linalg.norm(flat)
    return rake_of(rotation.apply(axis), flat), azimuth_of(rotation.apply(left))


@settings(max_examples=50, deadline=None)
@given(st.floats(-6.0, 6.0), st.floats(200.0, 320.0), OFFSETS)
def test_raising_the_pivot_agrees_with_rotation_matrices(rise, length, offset):
    """The arm turns about its bearing axis until the stylus is back on the record."""
    beta = math.radians(offset)
    tail = np.array([math.cos(beta), -math.sin(beta), 0.0])
    for name, axis in (("arm-line", Y), ("cartridge", np.cross(Z, tail))):
        lift = axis @ Y * length  # height gained by the stylus end per radian, first order
        angle = math.asin(rise / lift)
        rotation = Rotation.from_rotvec(-axis * angle)
        assert rotation.apply(X * length) @ Z == pytest.approx(rise, rel=1e-3, abs=1e-9)
        rake, azimuth = turned(rotation, offset)
        tilt = m.height_tilt(rise, length, offset, name)
        assert tilt.rake_deg == pytest.approx(rake - 92.0, abs=0.02)
        assert tilt.azimuth_deg == pytest.approx(azimuth, abs=0.02)
        assert tilt.arm_level_deg == pytest.approx(math.degrees(math.asin(rise / length)))


def test_height_identities_at_24_degrees():
    """cos and sin of 24° from a table; 3.7 to 4.3 mm a degree on a nine-inch arm follow."""
    line = m.height_tilt(math.sin(math.radians(1)) * 230, 230, 24.0, "arm-line")
    assert (line.rake_deg, line.azimuth_deg) == pytest.approx((0.9135, 0.4067), abs=1e-4)
    square = m.height_tilt(math.sin(math.radians(1)) * 230, 230, 24.0, "cartridge")
    assert (square.rake_deg, square.azimuth_deg) == pytest.approx((1.0946, 0.0), abs=1e-4)
    heights = [m.height_for_rake(1.0, 230, 24.0, axis) for axis in ("cartridge", "arm-line")]
    assert heights == pytest.approx([3.7, 4.4], abs=0.05)
    between = m.height_for_rake(1.0, 230, 24.0, "unknown")
    assert heights[0] < between < heights[1]
    spread = m.height_spread(24.0, "unknown") * between
    assert between - spread == pytest.approx(heights[0], rel=0.02)
    assert between + spread == pytest.approx(heights[1], rel=0.02)


@settings(max_examples=40, deadline=None)
@given(st.floats(-3.0, 3.0), OFFSETS)
def test_rolling_the_tube_agrees_with_rotation_matrices(azimuth, offset):
    roll = math.radians(azimuth / math.cos(math.radians(offset)))
    rake, got = turned(Rotation.from_rotvec(X * roll), offset)
    assert got == pytest.approx(azimuth, abs=0.02)
    tilt = m.tube_roll_for_azimuth(azimuth, offset)
    assert tilt.rake_deg == pytest.approx(rake - 92.0, abs=0.03)


def test_mirror_thickness_on_a_nine_inch_arm():
    """A millimetre thicker is 1/230 rad, about a quarter of a degree less."""
    assert m.surface_height_rake(3.0, 2.0, 230.0) == pytest.approx(-math.degrees(1 / 230), rel=1e-4)


def test_overhang_and_force_by_height_agree_with_statics():
    slant = math.hypot(230.0, 10.0)
    moved = math.sqrt(slant**2 - 13.2**2) - 230.0
    assert m.height_overhang(3.2, 230.0, 10.0) == pytest.approx(moved)
    assert m.height_overhang(3.2, 230.0, 5.0) == pytest.approx(-0.09, abs=0.01)
    # Balance of moments of a rigid body whose centre of mass is turned with the arm.
    mass, below, length, rise = 340.0, 2.0, 230.0, 3.2
    force = 2.0
    centre = np.array([-force * length / mass, 0.0, -below])  # stylus side is -x from the pivot
    tilt = Rotation.from_rotvec(-Y * math.asin(rise / length))
    after = -tilt.apply(centre)[0] * mass / (length * math.cos(math.asin(rise / length)))
    assert m.height_force(rise, length, mass, below) == pytest.approx(after - force, abs=2e-4)


def test_sliding_the_cartridge_agrees_with_moments():
    """Moments before and after of point masses at their distances."""
    cartridge, force, length, shift = 6.5, 2.0, 230.0, 1.5
    rest = force * length - cartridge * length  # everything but the cartridge, about the bearing
    after = (rest + cartridge * (length + shift)) / (length + shift)
    assert m.slide_force(shift, cartridge, force, length) == pytest.approx(after - force, abs=1e-12)
    assert m.counterweight_shift(0.1, 230.0, 115.0) == pytest.approx(0.2)


def test_resonance_of_the_handbook_example():
    """20 g and 15 µm/mN give 9.19 Hz: 1/(2π√(0.02 kg · 0.015 m/N))."""
    assert m.resonance_hz(20.0, 15.0) == pytest.approx(9.19, abs=0.005)


def test_screws_and_shims():
    """Half-inch mount: 12.7 mm between the screws (one inch is 25.4 mm exactly)."""
    assert m.SCREW_SPACING_MM == 25.4 / 2
    assert m.shim_mm(1.0) == pytest.approx(0.2217, abs=1e-4)
    assert m.screw_travel_mm(1.0) == pytest.approx(0.2216, abs=1e-4)
    assert m.screw_turns(3.0, 0.75) == 4.0


def test_turning_about_the_spindle_side_screw_moves_the_stylus_forward_when_clockwise():
    """A plane rotation of the stylus about the screw, seen from above."""
    forward, left = body(0.0)
    outward = np.cross(Z, forward)  # away from the spindle, since y points to the spindle
    assert outward @ Y < 0
    stylus = m.STYLUS_AHEAD_OF_SCREWS_MM * forward + m.SCREW_SPACING_MM / 2 * outward
    clockwise = Rotation.from_rotvec(-Z * math.radians(1.5))
    ahead = (clockwise.apply(stylus) - stylus) @ forward
    assert m.turn_overhang(1.5) == pytest.approx(ahead, abs=0.005)
    screw = m.SCREW_SPACING_MM * outward
    assert (clockwise.apply(screw) - screw) @ forward == pytest.approx(m.screw_travel_mm(1.5))
    assert left @ Y != 0


def test_skating_is_a_tenth_to_a_seventh_of_the_force_and_zero_along_the_arm():
    """0.1 to 0.15 of the force is common practice, no source, for offsets near 23°."""
    for friction in (0.25, 0.35):
        assert 0.09 < m.skating_force_gf(1.0, 23.5, friction) < 0.15
    assert m.skating_force_gf(2.0, 0.0) == 0.0
    assert m.skating_force_gf(2.0, -5.0) < 0


def test_feet_level_the_plane():
    """Least squares plane through the raised feet (NumPy) has no slope left."""
    feet = ((-300.0, 50.0), (120.0, -260.0), (200.0, 240.0), (-50.0, 300.0))
    raises = m.foot_heights_mm(0.5, 40.0, feet)
    slope = math.tan(math.radians(0.5))
    up = np.array([math.cos(math.radians(40)), math.sin(math.radians(40))]) * slope
    heights = np.array(feet) @ up + raises
    assert np.ptp(heights) < 1e-9
    assert min(raises) == 0


def test_units_are_told_apart():
    """1 gf is 9.80665 mN (CGPM 1901)."""
    assert m.tracking_force_gf(19.6133, "mN") == pytest.approx(2.0)
    with pytest.raises(ValueError, match=r"20 mN would be 2.04 gf"):
        m.tracking_force_gf(20.0)


@pytest.mark.parametrize(
    "call",
    [
        lambda: m.tracking_force_gf(-1.0),
        lambda: m.tracking_force_gf(2.0, "oz"),
        lambda: m.height_tilt(60.0, 230.0, 23.0, "arm-line"),
        lambda: m.height_tilt(1.0, 230.0, 23.0, "diagonal"),
        lambda: m.resonance_hz(0.0, 10.0),
        lambda: m.resonance_hz(20.0, math.inf),
        lambda: m.compliance_at_10_hz(10.0, "1 kHz"),
        lambda: m.screw_turns(1.0, 0.0),
        lambda: m.slide_force(50.0, 6.0, 2.0, 230.0),
        lambda: m.foot_heights_mm(0.5, 0.0, ((0.0, 0.0), (1.0, 1.0))),
        lambda: m.skating_force_gf(2.0, 20.0, 3.0),
    ],
)
def test_bad_input_says_what_is_allowed(call):
    with pytest.raises(ValueError, match=r"got .* allowed"):
        call()
