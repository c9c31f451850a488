"""PDF -> raster -> rendered photo -> which sheet, where, at what print scale; and refusals."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.scenes import sheet_cases
from tests.scenes.sheet_scenes import Shot, View, lay_sheet
from vision.check_drawings import ANGLES
from vision.measure import Options, measure
from vision.print_scale import solve_check_bars
from vision.reading import Reading, Refusal
from vision.sheet import SheetView, find_grid, find_sheet
from vision.sheet_layouts import CHECKED

TOL_PLACE_MM = 0.15  # a point on the sheet, whole A4 in 3 MP
TOL_SCALE_PERCENT = 0.35  # rendered, card within its standard


def _shot(**how) -> Shot:
    view = View(
        (0, -5, 0),
        how.pop("distance", 320),
        how.pop("elevation", 72),
        width=1200,
        height=1600,
        k1=-0.02,
        roll=how.pop("roll", 3.0),
    )
    return Shot(view, scale=how.pop("scale", 1))


def _photo(shot: Shot, flip: bool = False):
    return shot.photo(np.random.default_rng(5), flip=flip)


@pytest.mark.parametrize("name", ["alignment", "two-point", "level", "disc", "calibration"])
def test_sheet_is_known_and_placed(name: str) -> None:
    """Placed points against the renderer's own projection, which shares no code."""
    shot = _shot(scale=2)
    lay_sheet(shot, name)
    view = find_sheet(_photo(shot), "print-scale")
    assert isinstance(view, SheetView), view
    assert view.layout.name == name
    assert view.whole
    places = np.array([[-60.0, -100.0], [70.0, -90.0], [0.0, 20.0], [-40.0, 90.0]])
    # only where that page has marker blocks near: the disc's at its foot, the board's above
    places = {"disc": places[:2], "calibration": places[2:]}.get(name, places)
    pixels = shot.project(np.column_stack([places, np.zeros(len(places))]))
    assert np.abs(view.to_sheet(pixels) - places).max() < TOL_PLACE_MM
    rotation, shift = shot.view.pose()
    tilt = np.degrees(np.arccos(np.clip(view.normal @ rotation[:, 2], -1, 1)))
    assert tilt < 1.5  # degrees; focal length tagged to 4 %
    assert np.linalg.norm(view.eye + rotation.T @ shift) < 0.06 * 320


def test_pose_agrees_with_opencv() -> None:
    """cv2.solvePnP on the same corners with the true camera."""
    shot = Shot(View((0, -5, 0), 320, 60, width=1500, height=2000))
    lay_sheet(shot, "calibration")
    view = find_sheet(_photo(shot), "print-scale")
    assert isinstance(view, SheetView)
    f = shot.view.f_px
    matrix = np.array([[f, 0, 749.5], [0, f, 999.5], [0, 0, 1]])
    world = np.column_stack([view.corners_mm, np.zeros(len(view.corners_mm))])
    ok, turn, _ = cv2.solvePnP(world, view.corners_px, matrix, None)
    assert ok
    theirs = cv2.Rodrigues(turn)[0][:, 2]
    assert np.degrees(np.arccos(np.clip(theirs @ view.normal, -1, 1))) < 1.0


def test_numbers_are_read_off_the_sheet() -> None:
    shot = _shot()
    lay_sheet(shot, "alignment", nulls=(63.1, 119.2), length=237.0)
    view = find_sheet(_photo(shot), "null-points")
    assert isinstance(view, SheetView)
    assert view.layout.numbers["inner_null_mm"] == pytest.approx(63.1)
    assert view.layout.numbers["outer_null_mm"] == pytest.approx(119.2)
    assert view.layout.numbers["effective_length_mm"] == pytest.approx(237.0)


def test_grid_pose_for_other_readings() -> None:
    """Normal and groove direction against the renderer's pose."""
    shot = Shot(View((-9, -32, 0), 150, 40, 190.0, width=1600, height=1200))
    lay_sheet(shot, "alignment", dpi=250)
    grid = find_grid(_photo(shot), "cantilever")
    assert not isinstance(grid, Refusal), grid
    rotation, _ = shot.view.pose()
    a = np.radians(grid.null.angle)
    along = rotation @ [np.cos(a), np.sin(a), 0]
    off = np.degrees(np.arccos(np.clip([grid.normal @ rotation[:, 2], grid.along @ along], -1, 1)))
    assert off[0] < max(0.1, 3 * np.degrees(grid.normal_u))
    assert off[1] < max(0.1, 3 * np.degrees(grid.along_u) + 3 * np.degrees(grid.normal_u))


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_print_scale(seed: int) -> None:
    case = sheet_cases.print_scale(seed)
    reading = measure(case.photos[0], "print-scale")
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - case.truth) < TOL_SCALE_PERCENT
    assert abs(reading.value - case.truth) < 1.5 * reading.expanded_uncertainty
    assert ("print_scaled" in reading.flags) == (abs(reading.value - 100) > 0.5)
    assert {p.name for p in reading.budget} >= {"edge fit", "surface reference", "lens distortion"}


def test_print_scale_without_a_card_is_refused() -> None:
    """The printed field itself must never be taken for a card: that would read 100 %."""
    shot = _shot()
    lay_sheet(shot, "alignment", print_scale=(0.96, 0.96))
    outcome = measure(_photo(shot), "print-scale")
    assert isinstance(outcome, Refusal)
    assert "card" in outcome.reason


def test_something_else_on_the_field_is_refused() -> None:
    """A photo print of 89 x 57 mm is no ID-1 card; it must not pass for a scale of 96 %."""
    shot = _shot()
    lay_sheet(shot, "alignment")
    shot.rectangle(0, -95.5, (47.0, 25.0), 0.5, 0.3, 0.8)
    outcome = measure(_photo(shot), "print-scale")
    assert isinstance(outcome, Refusal), outcome


def test_check_bars_typed() -> None:
    reading = solve_check_bars({"check_bar_x_mm": 97.0, "check_bar_y_mm": 97.2})
    assert isinstance(reading, Reading)
    assert reading.value == pytest.approx(97.1)
    assert "print_scaled" in reading.flags
    with pytest.raises(ValueError, match="check_bar"):
        solve_check_bars({"check_bar_x_mm": 9.7})
    with pytest.raises(ValueError, match="check_bar_u_mm"):
        solve_check_bars({"check_bar_x_mm": 99.0, "check_bar_u_mm": 0.0})
    blank = Shot(View((0, 0, 0), 300, width=400, height=300)).photo(np.random.default_rng(0))
    typed = measure(blank, "print-scale", Options(given={"check_bar_x_mm": 98.0}))
    assert isinstance(typed, Reading)


def _refused(shot: Shot, quantity: str, flip: bool = False) -> Refusal:
    outcome = measure(_photo(shot, flip), quantity, Options(given={"pivot_height_mm": 20.0}))
    assert isinstance(outcome, Refusal), outcome
    assert outcome.advice
    return outcome


def test_older_version() -> None:
    shot = _shot()
    lay_sheet(shot, "alignment", version=0)
    refusal = _refused(shot, "null-points")
    assert "version 0" in refusal.reason
    assert "Print" in refusal.advice


def test_two_sheets_in_view() -> None:
    shot = _shot(distance=520)
    lay_sheet(shot, "alignment", shift=(-106.0, 0.0))
    lay_sheet(shot, "two-point", shift=(106.0, 0.0), window=(-104, -140, 104, 140))
    assert "wo sheets" in _refused(shot, "null-points").reason


def test_two_copies_in_view() -> None:
    shot = _shot(distance=520)
    lay_sheet(shot, "two-point", shift=(-106.0, 0.0))
    lay_sheet(shot, "two-point", shift=(106.0, 0.0), window=(-104, -140, 104, 140))
    assert "copies" in _refused(shot, "null-points").reason


def test_wrong_sheet() -> None:
    shot = _shot()
    lay_sheet(shot, "calibration")
    refusal = _refused(shot, "mounting-distance")
    assert "calibration" in refusal.reason
    assert "distance" in refusal.advice


def test_mirrored_print_and_mirrored_picture() -> None:
    shot = _shot()
    lay_sheet(shot, "alignment", mirrored=True)
    assert "mirrored" in _refused(shot, "null-points").reason
    plain = _shot()
    lay_sheet(plain, "alignment")
    assert "mirrored" in _refused(plain, "null-points", flip=True).reason


def test_curled_paper() -> None:
    shot = _shot()
    lay_sheet(shot, "alignment", curl=(14.0, 6.0, -9.0))
    assert "flat" in _refused(shot, "print-scale").reason


def test_sheet_cut_off() -> None:
    shot = Shot(View((0, 130, 0), 200, width=1200, height=900))
    lay_sheet(shot, "distance")
    refusal = _refused(shot, "mounting-distance")
    assert "view" in refusal.advice or "frame" in refusal.advice


def test_no_sheet_at_all() -> None:
    refusal = _refused(Shot(View((0, 0, 0), 300, width=800, height=600)), "overhang")
    assert "No alignment or two-point sheet" in refusal.reason


@pytest.mark.parametrize("page", [1, 2, 3])
def test_check_sheet_reads_its_drawn_angles(page: int) -> None:
    """The drawn angle is the truth; the camera looks 1 degree askew."""
    quantity = CHECKED[page - 1]
    view = View((0, 45, 0), 0, 89.0, -90, 1.0, width=1600, height=1200)
    view.distance = view.f_px * 180 / view.width
    shot = Shot(view)
    lay_sheet(shot, "check", page=page, dpi=250)
    photo = shot.photo(np.random.default_rng(4), blur=1.0, f35_tag=26.0)
    reading = measure(photo, quantity)
    assert isinstance(reading, Reading), reading
    assert abs(reading.value - ANGLES[quantity]) <= reading.expanded_uncertainty
