"""The nearer look along a rod: its frame, its fit, what it makes of photographs.

Outside checks: cylinders built in three dimensions and projected, their outlines by
`scipy.spatial.ConvexHull`; `scipy.ndimage.map_coordinates`; the truth of rendered photographs.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.spatial import ConvexHull
from skimage import data

from tests.limbs import turn_between
from vision import rod_near
from vision.cantilever import read_cantilever
from vision.measure import Options
from vision.network import part_of
from vision.photo import load_photo
from vision.reading import Reading
from vision.rod import RISE_U_DEG
from vision.rod_kinds import BODY, ROD, RodOutline, look, rod_outline
from vision.rod_near import (
    ACROSS_PX,
    ALONG_PX,
    HEIGHT,
    WIDTH,
    Near,
    frame,
    nearer,
    sides_of,
)

Array = NDArray[np.float64]
SAMPLES = Path(__file__).parents[1] / "sample_images"


@given(st.floats(-70, 70), st.floats(20, 900), st.floats(8, 200))
def test_the_frame_sets_a_rod_upright_in_the_middle(
    lean_deg: float, length: float, width: float
) -> None:
    up = np.array([math.sin(math.radians(lean_deg)), -math.cos(math.radians(lean_deg))])
    low = np.array([300.0, 500.0])
    at = frame(low, low + length * up, width)
    ends = np.array([low, low + length * up]) @ at[:, :2].T + at[:, 2]
    assert np.allclose(ends.mean(axis=0), [WIDTH / 2, HEIGHT / 2])
    assert ends[0, 0] == pytest.approx(ends[1, 0]) and ends[0, 1] > ends[1, 1]
    side = at[:, :2] @ [-up[1], up[0]]
    assert np.allclose(side, [ACROSS_PX / width, 0])
    assert np.ptp(ends[:, 1]) == pytest.approx(min(ALONG_PX, length * ACROSS_PX / width))


def test_a_cut_is_the_photo_seen_through_the_frame() -> None:
    photo = np.asarray(data.astronaut(), np.uint8)
    at = frame(np.array([240.0, 310.0]), np.array([270.0, 160.0]), 26.0)
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    back = (np.stack([x, y], axis=-1) - at[:, 2]) @ np.linalg.inv(at[:, :2]).T
    expected = map_coordinates(photo[..., 1].astype(float), [back[..., 1], back[..., 0]], order=1)
    shown = part_of(photo, at, (WIDTH, HEIGHT))[..., 1]
    assert np.abs(shown - expected).max() < 6  # OpenCV rounds places to 1/32 px


def _cylinder(lean_deg: float, end_on: float, length: float, radius: float) -> Array:
    """Outline of a cylinder seen from afar, leaning in the picture, pixels about its middle."""
    tilt = math.asin(end_on)
    d = np.array([0.0, math.cos(tilt), math.sin(tilt)])
    turn = np.linspace(0, 2 * math.pi, 200)[:, None]
    ring = np.cos(turn) * [1, 0, 0] + np.sin(turn) * np.cross(d, [1, 0, 0])
    points = np.concatenate([radius * ring - length / 2 * d, radius * ring + length / 2 * d])
    flat = points[:, :2] * (1, -1)
    c, s = math.cos(math.radians(lean_deg)), math.sin(math.radians(lean_deg))
    flat = flat @ np.array([[c, s], [-s, c]])
    return np.asarray(flat[ConvexHull(flat).vertices])


def _shown(outline: Array, kind: int) -> NDArray[np.float32]:
    mask = np.zeros((HEIGHT, WIDTH), np.uint8)
    corners = np.round((outline + [WIDTH / 2, HEIGHT / 2]) * 16).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, cv2.LINE_AA, 4)
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    share[kind] = mask / np.float32(255)
    return share


@pytest.mark.parametrize("lean_deg", [-7.0, 0.0, 4.0])
@pytest.mark.parametrize(("end_on", "length"), [(0.3, 130.0), (0.7, 110.0), (0.95, 120.0)])
@pytest.mark.parametrize("covered", [False, True])
def test_the_axis_is_that_of_a_cylinder_of_which_part_is_hidden(
    lean_deg: float, end_on: float, length: float, covered: bool
) -> None:
    at = frame(np.array([400.0, 500.0]), np.array([400.0, 400.0]), 12.0)
    share = _shown(_cylinder(lean_deg, end_on, length, 12.0), ROD)
    if covered:  # the body stands before its upper part
        share[BODY, : HEIGHT // 2 - 6] = 1
        share[ROD, : HEIGHT // 2 - 6] = 0
    near = Near(share, at)
    sides = sides_of(near, end_on)
    assert sides is not None
    slope = math.tan(math.radians(lean_deg))
    assert sides.slope == pytest.approx(slope, abs=0.01)
    assert abs(sides.offset + (sides.slope - slope) * sides.pivot) < max(0.2, 1.5 * sides.offset_sd)
    if covered:
        whole = sides_of(Near(_shown(_cylinder(lean_deg, end_on, length, 12.0), ROD), at), end_on)
        assert whole is not None and sides.slope_sd > 1.2 * whole.slope_sd


def test_a_ragged_share_is_doubted_more() -> None:
    at = frame(np.array([400.0, 500.0]), np.array([400.0, 400.0]), 24.0)
    smooth = _shown(_cylinder(0.0, 0.5, 100.0, 12.0), ROD)
    ragged = smooth.copy()
    ragged[ROD, 70:110, :60] = 0
    fine, rough = (sides_of(Near(share, at), 0.5) for share in (smooth, ragged))
    assert fine is not None and rough is not None
    assert fine.overlap > 0.97 > rough.overlap
    assert rough.slope_sd > 1.3 * fine.slope_sd


def test_nothing_shown_is_nothing_found(monkeypatch: pytest.MonkeyPatch) -> None:
    at = frame(np.array([400.0, 500.0]), np.array([400.0, 400.0]), 24.0)
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    assert sides_of(Near(share, at), 0.5) is None
    share[ROD, 90:94, 60:64] = 1
    assert sides_of(Near(share, at), 0.5) is None
    blank = np.full((1200, 1600, 3), 130, np.uint8)
    given = RodOutline(
        np.array([[784.0, 720], [792, 420]]), np.array([[816.0, 720], [824, 420]]), 0.97, 3.5
    )
    monkeypatch.setattr(rod_near, "shares_of", lambda file, copy: share)
    assert nearer(blank, given) is given


@pytest.mark.parametrize("number", [1, 2, 3])
def test_the_nearer_outline_is_that_of_the_rendered_rod(number: int) -> None:
    name = f"cantilever-{number}.jpg"
    points = json.loads((SAMPLES / "truth.json").read_text())[name]["points_px"]
    rgb = load_photo(SAMPLES / name).rgb
    wide = rod_outline(look(rgb))
    assert wide is not None
    outline = nearer(rgb, wide)
    assert outline.sds is not None
    low, high = (np.array(points[f"rod axis at {at}"]) for at in ("free end", "body"))
    assert (
        abs(turn_between(low, high, outline.axis)) < 3 * outline.angle_sd
        and math.degrees(outline.angle_sd) < 0.5
    )


@pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
def test_the_rise_is_the_renders_within_its_uncertainty(number: int) -> None:
    name = f"cantilever-{number}.jpg"
    truth = json.loads((SAMPLES / "truth.json").read_text())[name]
    reading = read_cantilever(load_photo(SAMPLES / name), Options())
    assert isinstance(reading, Reading)
    rise = next(c for c in reading.components if c.name == "rise")
    assert abs(rise.value - truth["cantilever_rise_deg"]) < 3 * rise.standard_uncertainty
    if number in (3, 4):  # over mirrors, seen from so far aside that the reflection tells
        assert rise.standard_uncertainty < 0.8 * RISE_U_DEG
