"""Arm level and platter level: rendered photos, reversal, four positions, feet, typed figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.scenes import sheet_cases
from tests.scenes.sheet_scenes import Shot, View, lay_sheet
from vision.combine import combine_photos
from vision.measure import Options, measure
from vision.platter_level import combine_platter_level, foot_lifts, solve_inclinometer
from vision.reading import Reading, Refusal

TOL_ARM_DEG = 0.25  # card turned up to 3 degrees from the tube, lens within 2 degrees of its height
TOL_PLATTER_DEG = 0.1  # asked with reversal


def _part(reading: Reading, name: str) -> float:
    return next(c.value for c in reading.components if c.name == name)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_arm_level(seed: int) -> None:
    case = sheet_cases.arm_level(seed)
    reading = measure(case.photos[0], "arm-level")
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_ARM_DEG
    assert abs(reading.value - case.truth) < 1.5 * reading.expanded_uncertainty
    other = measure(case.photos[0], "arm-level", Options(pivot="left"))
    assert isinstance(other, Reading)
    assert other.value == pytest.approx(-reading.value)


def test_arm_level_without_a_tube_is_refused() -> None:
    """The card's own printed lines must not be taken for a tube."""
    shot = Shot(View((0, 65, 0), 230, 90, 90.0, roll=180.0, width=1600, height=1200), scale=1)
    lay_sheet(shot, "level", window=(-95, 22, 95, 117))
    outcome = measure(shot.photo(np.random.default_rng(1)), "arm-level")
    assert isinstance(outcome, Refusal), outcome


def test_arm_level_from_drawn_lines() -> None:
    """No card: slopes compared in the picture; the pivot's side must be said."""
    view = View((0, 0, 0), 300, 90, width=1200, height=900)
    shot = Shot(view, background=0.8, scale=1)
    lean = math.tan(math.radians(1.5))
    shot.rod((-120, 20 - 120 * lean, 0), (120, 20 + 120 * lean, 0), 5, grey=0.2)
    shot.rod((-120, -20, 0), (120, -20, 0), 3, grey=0.2)
    photo = shot.photo(np.random.default_rng(1))
    marks = {}
    for name, y, slope in (("tube top", 25, lean), ("tube bottom", 15, lean), ("surface", -17, 0)):
        ends = shot.project(np.array([[x, y + slope * x, 0.0] for x in (-60, 60)]))
        marks[name] = tuple(map(tuple, ends.tolist()))
    unknown = measure(photo, "arm-level", Options(marks=marks))
    assert isinstance(unknown, Refusal)
    reading = measure(photo, "arm-level", Options(marks=marks, pivot="right"))
    assert isinstance(reading, Reading), reading
    assert reading.value == pytest.approx(1.5, abs=0.1)


@pytest.mark.parametrize("seed", [0, 1])
def test_platter_level_with_reversal(seed: int) -> None:
    case = sheet_cases.platter_level(seed)
    options = Options(given=case.given)
    singles = [measure(p, "platter-level", options) for p in case.photos]
    assert all(isinstance(s, Reading) for s in singles), singles
    assert singles[0].value == pytest.approx(case.extra["single"], abs=0.05)
    assert "level_own_error" in singles[0].flags
    both = combine_platter_level(singles, (0, 180))
    assert abs(both.value - case.truth) < TOL_PLATTER_DEG
    assert abs(both.value - case.truth) <= 1.5 * both.expanded_uncertainty
    assert both.standard_uncertainty < singles[0].standard_uncertainty
    joint = combine_photos("platter-level", singles, ["a.jpg", "b.jpg"], options)
    assert isinstance(joint, Reading)
    assert joint.value == both.value
    if case.truth > 0.05:
        turn = _part(both, "direction of the high side") - case.extra["direction"]
        assert abs((turn + 180) % 360 - 180) < 15


def test_platter_level_asks_for_the_sensitivity() -> None:
    case = sheet_cases.platter_level(0)
    outcome = measure(case.photos[0], "platter-level")
    assert isinstance(outcome, Refusal)
    assert "sensitivity" in outcome.reason
    # a 0.5 mm shim under a 100 mm base is atan(0.005) = 0.2865 degrees; bubble moved 1.72 mm
    shim = {"shim_mm": 0.5, "shim_base_mm": 100.0, "shim_offset_mm": 1.719}
    per = math.degrees(math.atan(0.005)) * 60 / 1.719 * 2
    by_shim = measure(case.photos[0], "platter-level", Options(given=shim))
    typed = measure(
        case.photos[0],
        "platter-level",
        Options(given={"bubble_sensitivity_arcmin_per_2mm": per}),
    )
    assert isinstance(by_shim, Reading)
    assert isinstance(typed, Reading)
    assert by_shim.value == pytest.approx(typed.value)


def test_four_positions_separate_bearing_and_wobble() -> None:
    """Direct construction: tilt t in the deck's frame, wobble w fixed to the platter."""
    tilt, wobble = 0.3 * np.exp(0.7j), 0.12 * np.exp(2.1j)
    readings = []
    for turn in (0, 90, 180, 270):
        seen = tilt * np.exp(-1j * math.radians(turn)) + wobble
        readings.append(
            solve_inclinometer(
                {
                    "tilt_towards_pivot_deg": float(seen.real),
                    "tilt_left_deg": float(seen.imag),
                    "inclinometer_u_deg": 0.05,
                }
            )
        )
    both = combine_platter_level(readings, (0, 90, 180, 270), "platter")
    assert both.value == pytest.approx(0.3, abs=1e-9)
    assert _part(both, "direction of the high side") == pytest.approx(math.degrees(0.7))
    assert _part(both, "wobble and level's own error") == pytest.approx(0.12, abs=1e-9)
    with pytest.raises(ValueError, match="turned_deg"):
        combine_platter_level(readings, (0, 90, 180, 200), "platter")
    with pytest.raises(ValueError, match="turned_deg"):
        combine_platter_level(readings[:1], (0,))


def test_typed_inclinometer_and_feet() -> None:
    reading = solve_inclinometer({"tilt_towards_pivot_deg": 0.3, "tilt_left_deg": -0.4})
    assert reading.value == pytest.approx(0.5)
    direction = _part(reading, "direction of the high side")
    assert direction == pytest.approx(360 - math.degrees(math.atan2(0.4, 0.3)))
    with pytest.raises(ValueError, match="tilt_left_deg"):
        solve_inclinometer({"tilt_left_deg": 40.0})
    feet = {"front left": (-150.0, 200.0), "front right": (-150.0, -200.0), "back": (150.0, 0.0)}
    lifts = foot_lifts(reading.value, direction, feet)
    # direct construction: the plane through the lifted feet is level
    slope = math.tan(math.radians(0.5))
    d = math.radians(direction)
    heights = {
        k: slope * (x * math.cos(d) + y * math.sin(d)) + lifts[k] for k, (x, y) in feet.items()
    }
    assert max(heights.values()) - min(heights.values()) < 1e-12
    assert min(lifts.values()) == 0.0
