"""The look around a rod and its reflection: frames, two outlines made one, what tells the rise.

Outside checks: reflections built in three dimensions, through glass by Snell's law solved with
`scipy.optimize.brentq` (`grid_views`); weighted means by `numpy.average` and JCGM 100:2008, 4.1;
the truth of rendered photographs.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.grid_views import grid_pose, seen_in_mirror
from tests.limbs import (
    TALL,
    TURN_DEG,
    cylinder_axis,
    cylinder_rings,
    cylinder_rod,
    turn_between,
)
from tests.scenes import assembly, degrade, photosets
from tests.scenes.rod_masks import reflected_axis
from vision import rod_around
from vision.cantilever import find_cantilever, lines_above
from vision.cantilever_solve import CantileverLines
from vision.grid import GridPose
from vision.measure import Options
from vision.photo import Photo, load_photo
from vision.rod import Rod
from vision.rod_around import ACROSS_PX, ALONG_PX, HEIGHT, WIDTH, frame, joined, second_outline
from vision.rod_kinds import INK, ROD_IMAGE, RodOutline, look, rod_outline
from vision.rod_near import Near, nearer
from vision.rod_reflection import _frame, find_reflection, reflection_in
from vision.rod_rise import RISES_DEG

Array = NDArray[np.float64]
SAMPLES = Path(__file__).parents[1] / "sample_images"


def _shown(pose: GridPose, rod: Rod, rise_deg: float) -> Near:
    """What a perfect network shows of the cylinder's mirror image: its points' hull, drawn."""
    long = np.ptp(_along(pose, rod, *cylinder_axis(TURN_DEG, rise_deg, TALL)))
    ends = cylinder_rings(rise_deg, np.array([0.0, long]), 24)
    framed = _frame(pose, rod)
    seen = pose.camera.distort(seen_in_mirror(pose, np.concatenate(ends)))
    at = seen @ framed[:, :2].T + framed[:, 2]
    mask = np.zeros((HEIGHT, WIDTH), np.uint8)
    hull = cv2.convexHull(np.round(at * 16).astype(np.int32))
    cv2.fillConvexPoly(mask, hull, 255, cv2.LINE_AA, 4)
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    share[ROD_IMAGE] = mask / np.float32(255)
    share[0] = 1 - share[ROD_IMAGE]
    return Near(share, framed)


def _along(pose: GridPose, rod: Rod, start: Array, d: Array) -> Array:
    """How far along the axis the rod's ends lie, pitches."""
    runs = np.linspace(-0.3, 2.0, 400)
    seen = pose.project(start + runs[:, None] * d)
    ends = np.array(rod.axis)
    return runs[np.argmin(np.linalg.norm(seen[:, None] - ends, axis=-1), axis=0)]


@pytest.mark.parametrize("thickness", [None, 0.4])
@pytest.mark.parametrize("aside", [12.0, -8.0])
@pytest.mark.parametrize("rise", [15.0, 20.0, 26.0])
def test_what_is_shown_of_the_reflection_tells_the_rise(
    rise: float, aside: float, thickness: float | None
) -> None:
    pose = grid_pose(42, aside, 0, thickness=thickness)
    rod = cylinder_rod(pose, rise)
    near = _shown(pose, rod, rise)
    told = reflection_in(near, pose, rod)
    assert abs(RISES_DEG[np.argmax(told.log)] - rise) <= 1.0
    assert told.sides is not None
    covered = np.zeros((HEIGHT, WIDTH), np.uint8)
    corners = told.sides.reshape(-1, 2)[[0, 1, 3, 2]] @ near.frame[:, :2].T + near.frame[:, 2]
    cv2.fillConvexPoly(covered, np.round(corners).astype(np.int32), 1)
    both = (covered > 0) & (near.share[ROD_IMAGE] > 0.5)
    assert both.sum() > 0.7 * (near.share[ROD_IMAGE] > 0.5).sum()


def test_print_before_the_reflection_hides_it_without_telling_anything() -> None:
    pose = grid_pose(42, 12.0, 0)
    rod = cylinder_rod(pose, 24.0)
    near = _shown(pose, rod, 24.0)
    hidden = near.share.copy()
    hidden[:, :, WIDTH // 2 - 4 : WIDTH // 2 + 4] = 0
    hidden[INK, :, WIDTH // 2 - 4 : WIDTH // 2 + 4] = 1
    whole, part = (reflection_in(Near(s, near.frame), pose, rod) for s in (near.share, hidden))
    assert abs(RISES_DEG[np.argmax(part.log)] - 24.0) <= 1.5
    assert _spread(part.log) > _spread(whole.log)
    hidden[:] = 0
    hidden[INK] = 1
    assert np.ptp(reflection_in(Near(hidden, near.frame), pose, rod).log) < 1e-6


def _spread(log: Array) -> float:
    weight = np.exp(log - log.max())
    mean = float(np.average(RISES_DEG, weights=weight))
    return math.sqrt(float(np.average((RISES_DEG - mean) ** 2, weights=weight)))


def test_where_no_reflection_is_shown_all_rises_are_alike() -> None:
    pose = grid_pose(42, 12.0, 0)
    rod = cylinder_rod(pose, 20.0)
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    share[0] = 1
    told = reflection_in(Near(share, _frame(pose, rod)), pose, rod)
    assert told.sides is None and np.ptp(told.log) < 0.1


def test_what_lies_where_no_reflection_may_tells_little() -> None:
    pose = grid_pose(42, 12.0, 0)
    rod = cylinder_rod(pose, 20.0)
    right = _shown(pose, rod, 20.0)
    share = np.zeros_like(right.share)
    share[ROD_IMAGE, 190:, :40] = 1  # a corner that no rise and height reaches
    share[0] = 1 - share[ROD_IMAGE]
    wrong = reflection_in(Near(share, right.frame), pose, rod)
    assert _spread(wrong.log) > 3 * _spread(reflection_in(right, pose, rod).log)


def test_a_camera_in_line_with_the_rod_asks_for_no_look(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("looked")

    monkeypatch.setattr("vision.rod_reflection.copy_of", never)
    pose = grid_pose(42, -2.0, 0)  # the rod is turned by 2
    assert find_reflection(np.zeros((8, 8, 3), np.uint8), pose, cylinder_rod(pose, 20.0)) is None


@given(st.floats(-170, 170), st.floats(1, 900), st.floats(8, 200))
def test_the_frame_keeps_shapes_and_sets_an_axis_upright(
    lean_deg: float, length: float, width: float
) -> None:
    low = np.array([300.0, 500.0])
    lean = math.radians(lean_deg)
    high = low + length * np.array([math.sin(lean), -math.cos(lean)])
    at = frame(low, high, width)
    turn, k = at[:, :2], min(ACROSS_PX / width, ALONG_PX / length)
    assert np.allclose(turn @ turn.T, k * k * np.eye(2)) and np.linalg.det(turn) > 0
    assert np.allclose(turn @ (high - low), [0, -k * length])
    assert np.allclose(turn @ (low + high) / 2 + at[:, 2], [WIDTH / 2, HEIGHT / 2])


def _outline(offset: float, turn: float, half: float, sds: tuple[float, float]) -> RodOutline:
    """A rod 200 px long that stands at x = 400 but for an offset and a turn (rad)."""
    y = np.array([600.0, 400.0])
    x = 400.0 + offset + turn * (500.0 - y)
    sides = [np.column_stack([x + s * half, y]) for s in (-1, 1)]
    return RodOutline(sides[0], sides[1], 0.97, 1.0, sds)


def test_two_outlines_become_their_weighted_mean() -> None:
    one, two = _outline(0.0, 0.0, 12.0, (0.4, 0.006)), _outline(0.3, 0.004, 13.0, (0.2, 0.003))
    both = joined(one, two)
    low, high = both.axis
    weights = [1 / 0.4**2, 1 / 0.2**2]
    middle = np.average([400.0, 400.3], weights=weights)
    assert (low + high)[0] / 2 == pytest.approx(middle, abs=1e-3)
    turn = np.average([0.0, 0.004], weights=weights)
    assert (high - low)[0] / (low - high)[1] == pytest.approx(turn, abs=1e-5)
    assert both.offset_sd == pytest.approx(1 / math.sqrt(sum(weights)))
    assert both.width == pytest.approx(25.0, abs=0.01)


def test_outlines_that_disagree_are_doubted() -> None:
    far = joined(_outline(0.0, 0.0, 12.0, (0.2, 0.003)), _outline(0.0, 0.03, 12.0, (0.2, 0.003)))
    near = joined(_outline(0.0, 0.0, 12.0, (0.2, 0.003)), _outline(0.0, 0.001, 12.0, (0.2, 0.003)))
    assert far.angle_sd == pytest.approx(0.015, rel=0.01)  # half of what they differ by
    assert near.angle_sd == pytest.approx(0.003 / math.sqrt(2))


def test_an_outline_stays_where_the_look_shows_no_rod(monkeypatch: pytest.MonkeyPatch) -> None:
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    monkeypatch.setattr(rod_around, "shares_of", lambda file, copy: share)
    given_ = _outline(0.0, 0.0, 12.0, (0.2, 0.003))
    assert second_outline(np.full((800, 800, 3), 90, np.uint8), given_, 0.5) is given_


@pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
def test_the_second_outline_is_that_of_the_rendered_rod(number: int) -> None:
    name = f"cantilever-{number}.jpg"
    points = json.loads((SAMPLES / "truth.json").read_text())[name]["points_px"]
    rgb = load_photo(SAMPLES / name).rgb
    wide = rod_outline(look(rgb))
    assert wide is not None
    first = nearer(rgb, wide)
    outline = second_outline(rgb, first, 0.5)
    assert outline is not first
    low, high = (np.array(points[f"rod axis at {at}"]) for at in ("free end", "body"))
    assert (
        abs(turn_between(low, high, outline.axis)) < 3 * outline.angle_sd
        and math.degrees(outline.angle_sd) < 0.5
    )


@pytest.mark.parametrize("number", [3, 4])
def test_the_reflection_of_a_rendered_rod_lies_where_its_scene_puts_it(number: int) -> None:
    name = f"cantilever-{number}.jpg"
    truth = json.loads((SAMPLES / "truth.json").read_text())[name]
    spec = photosets.spec_of("cantilever", truth["seed"], "samples")
    size = (photosets.WIDTH, photosets.HEIGHT)
    scene = assembly.assemble(spec, *size)
    assert scene.view is not None
    below = reflected_axis(scene, spec)
    true = degrade.photo_points(scene.view.project(below), size, truth["degradation"])
    lines = find_cantilever(load_photo(SAMPLES / name), Options())
    assert isinstance(lines, CantileverLines) and lines.image is not None
    d = (true[1] - true[0]) / np.linalg.norm(true[1] - true[0])
    off = (lines.pose.camera.distort(lines.image.mean(axis=0)) - true[0]) @ [-d[1], d[0]]
    assert np.abs(off).max() < lines.rod.width_px / 2
    named = {s.name for s in lines.segments()}
    assert {"reflected edge 1", "reflected edge 2", "reflected axis"} <= named
    shown = {s.name for s in replace(lines, image=None).segments()}
    assert not any("reflected" in name for name in shown)


@pytest.mark.parametrize("number", [1, 4])
def test_glass_that_is_none_is_told_by_where_the_reflection_lies(number: int) -> None:
    photo, lines = _lines_of(number)
    assert lines.pose.thickness is None
    for told, expected in ((False, None), (True, 0.55)):
        deep = replace(lines.pose, thickness=0.55, layers_told=told)
        found = lines_above(photo.rgb, deep)
        assert isinstance(found, CantileverLines)
        assert found.pose.thickness == expected


def test_glass_over_the_silver_stays_where_the_reflection_lies_as_deep() -> None:
    photo, lines = _lines_of(3)
    assert lines.pose.thickness is not None
    found = lines_above(photo.rgb, replace(lines.pose, layers_told=False))
    assert isinstance(found, CantileverLines)
    assert found.pose.thickness == lines.pose.thickness


def _lines_of(number: int) -> tuple[Photo, CantileverLines]:
    photo = load_photo(SAMPLES / f"cantilever-{number}.jpg")
    lines = find_cantilever(photo, Options())
    assert isinstance(lines, CantileverLines)
    return photo, lines
