"""Mounting distance, overhang, null points and body square from rendered photos of our sheets."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.scenes import sheet_cases
from tests.scenes.sheet_scenes import Shot, View, lay_sheet
from vision.cantilever import sheet_pose
from vision.measure import Options, measure
from vision.print_scale import PrintScale
from vision.reading import Reading, Refusal
from vision.sheet_layouts import pages
from vision.tip import Window

TOL_DISTANCE_MM = 0.9  # known lens, scale typed to 0.08 %; 200 to 320 mm
TOL_TIP_MM = 0.3
TOL_OVERHANG_MM = 0.8  # the spindle stands up to 0.5 mm off in its hole and is hidden
TOL_TURN_DEG = 0.6


def _honest(reading: Reading, truth: float) -> bool:
    """Within 1.5 U: three seeds cannot test a 95 % claim; the figures command does."""
    return abs(reading.value - truth) <= 1.5 * reading.expanded_uncertainty


@pytest.mark.parametrize("seed", [2, 3])
def test_mounting_distance(seed: int) -> None:
    case = sheet_cases.mounting_distance(seed)
    reading = measure(case.photos[0], "mounting-distance", Options(given=case.given))
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_DISTANCE_MM
    assert _honest(reading, case.truth)
    assert {p.name for p in reading.budget} >= {"surface height", "print scale", "spindle"}
    higher = dict(case.given, pivot_height_mm=case.given["pivot_height_mm"] + 8.0)
    moved = measure(case.photos[0], "mounting-distance", Options(given=higher))
    assert isinstance(moved, Reading)
    assert moved.value != reading.value
    scaled = dict(case.given, print_scale_percent=case.given["print_scale_percent"] * 1.01)
    larger = measure(case.photos[0], "mounting-distance", Options(given=scaled))
    assert isinstance(larger, Reading)
    assert larger.value / reading.value == pytest.approx(1.01, abs=0.002)


def test_mounting_distance_needs_height_scale_and_cap() -> None:
    case = sheet_cases.mounting_distance(3)
    photo = case.photos[0]
    none = measure(photo, "mounting-distance")
    assert isinstance(none, Refusal)
    assert "height" in none.reason
    unscaled = measure(photo, "mounting-distance", Options(given={"pivot_height_mm": 20.0}))
    assert isinstance(unscaled, Refusal)
    assert "print scale" in unscaled.reason
    with pytest.raises(ValueError, match="pivot_height_mm"):
        measure(photo, "mounting-distance", Options(given=dict(case.given, pivot_height_mm=2000.0)))
    shot = Shot(View((-10, 0, 0), 330, width=1800, height=2400), scale=1)
    lay_sheet(shot, "distance")
    uncut = shot.photo(np.random.default_rng(1))
    still = measure(uncut, "mounting-distance", Options(given=case.given))
    assert isinstance(still, Refusal)
    assert "still on the sheet" in still.reason


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_null_points(seed: int) -> None:
    case = sheet_cases.null_points(seed)
    reading = measure(case.photos[0], "null-points", Options(given=case.given))
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_TIP_MM
    assert _honest(reading, case.truth)
    along = next(c for c in reading.components if c.name == "along the groove")
    assert abs(along.value - case.extra["along the groove"]) < 0.5


def test_null_points_by_hand_and_without_a_stylus() -> None:
    null = pages("two-point")[0].nulls[1]
    shot = Shot(View((null.x, null.y, 0), 170, 45, 180.0, width=1800, height=1350), scale=1)
    lay_sheet(shot, "two-point", dpi=250)
    photo = shot.photo(np.random.default_rng(2))
    refused = measure(photo, "null-points")
    assert isinstance(refused, Refusal)
    assert "stylus" in refused.reason
    tip = shot.project(np.array([[null.x + 0.3, null.y - 0.8, 0.0]]))[0]
    mark = ((float(tip[0]), float(tip[1])),) * 2
    reading = measure(photo, "null-points", Options(marks={"tip": mark}))
    assert isinstance(reading, Reading), reading
    assert reading.value == pytest.approx(0.8, abs=0.1)  # away from the spindle is positive
    assert "marked_by_hand" in reading.flags
    assert "print_scale_unknown" in reading.flags


@pytest.mark.parametrize("seed", [0, 1])
def test_overhang(seed: int) -> None:
    case = sheet_cases.overhang(seed)
    reading = measure(case.photos[0], "overhang", Options(given=case.given))
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_OVERHANG_MM
    assert _honest(reading, case.truth)
    target = dict(case.given, overhang_target_mm=case.truth - 1.0)
    against = measure(case.photos[0], "overhang", Options(given=target))
    assert isinstance(against, Reading)
    beyond = next(c for c in against.components if c.name == "beyond the target")
    assert beyond.value == pytest.approx(1.0, abs=TOL_OVERHANG_MM)
    with pytest.raises(ValueError, match="mounting_distance_mm"):
        measure(case.photos[0], "overhang", Options(given={"mounting_distance_mm": 9.0}))


@pytest.mark.parametrize("seed", [0, 1])
def test_body_square(seed: int) -> None:
    case = sheet_cases.body_square(seed)
    reading = measure(case.photos[0], "body-square", Options(given=case.given))
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_TURN_DEG
    assert _honest(reading, case.truth)
    assert reading.definitional_uncertainty > 0
    assert "not the cantilever" in reading.measurand


def test_body_square_without_a_body() -> None:
    null = pages("two-point")[0].nulls[1]
    shot = Shot(View((null.x, null.y, 0), 170, 50, 180.0, width=1600, height=1200), scale=1)
    lay_sheet(shot, "two-point", dpi=250)
    assert isinstance(measure(shot.photo(np.random.default_rng(3)), "body-square"), Refusal)


def test_window_round_trip() -> None:
    window = Window(10.0, -20.0, 33.0, (-1, 1), (-1, 1))
    points = np.array([[0.0, 0.0], [2.0, -3.0], [-7.0, 4.0]])
    assert np.allclose(window.from_sheet(window.to_sheet(points)), points)
    c, s = math.cos(math.radians(33)), math.sin(math.radians(33))
    assert np.allclose(window.to_sheet(np.array([[1.0, 0.0]])), [[10 + c, -20 + s]])
    assert PrintScale(1.0, 1.0, 0.1, "typed").source == "typed"


@pytest.mark.parametrize("seed", [3001, 3002, 3003])
def test_cantilever_on_our_own_sheet(seed: int) -> None:
    """The null grid's plane and direction give the printed line; the truth is the scene's own."""
    case = sheet_cases.body_square(seed, elevation=(40, 50), distance=(48, 62))
    photo = case.photos[0]
    pose = sheet_pose(photo)
    assert pose is not None
    reading = measure(photo, "cantilever")
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_TURN_DEG
    assert _honest(reading, case.truth)
