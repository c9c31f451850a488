"""Finding a rod by its edges alone: printed columns and reflections are no rods.

Outside checks: limbs of cylinders and edges of columns are built in three dimensions (tangent
planes through the camera); slopes of blurred edges are compared with the truth they were drawn by.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.grid_views import grid_pose
from tests.limbs import cylinder, limb_of
from vision.ink import Ink
from vision.rod import Rod
from vision.rod_choice import is_reflection, weights
from vision.rod_places import usual_places
from vision.strip import Edge, edge_outside, straightened

Array = NDArray[np.float64]


def test_of_two_equal_pairs_the_parallel_one_is_likelier() -> None:
    left = limb_of(np.array([[100.0, 400.0], [100.0, 100.0]]))
    parallel = limb_of(np.array([[130.0, 400.0], [130.0, 100.0]]))
    opening = limb_of(np.array([[130.0, 400.0], [145.0, 100.0]]))
    pair = weights([Rod(left, parallel, 50.0, 30.0), Rod(left, opening, 50.0, 37.0)])
    assert pair[0] == 1.0
    assert pair[1] < 0.8


@pytest.mark.parametrize(("turn", "aside"), [(-6.0, -6.0), (0.0, 12.0), (4.0, 12.0)])
def test_what_the_sheet_would_mirror_is_no_rod_though_it_is_clearer(
    turn: float, aside: float
) -> None:
    """Outlines of a cylinder and of the same cylinder below the sheet, built in space."""
    pose = grid_pose(40.0, aside, 0.0)
    rod = Rod(*cylinder(pose, turn, 0.04, 20.0), 40.0, 30.0)
    image = Rod(*cylinder(pose, turn, 0.04, -20.0, height=-0.1), 60.0, 30.0)
    assert weights([rod, image])[1] == 1.0
    assert weights([rod, image], pose)[0] == 1.0
    assert is_reflection(image, rod, pose)
    assert not is_reflection(rod, image, pose)


@pytest.mark.parametrize("turn", [-14.0, -5.0, 0.0, 9.0, 14.0])
@pytest.mark.parametrize("aside", [-8.0, 5.0])
def test_a_rod_on_the_null_is_looked_for_whatever_the_picture_shows(
    turn: float, aside: float
) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    blank = np.zeros((1200, 1600, 3), np.uint8)
    limbs = cylinder(pose, turn, 0.04, 20.0)
    slopes = []
    for place in usual_places(blank, pose):
        low, high = place.axis
        d = (high - low) / np.linalg.norm(high - low)
        normal = np.array([-d[1], d[0]])
        for limb in limbs:
            assert abs(float((limb.p - low) @ normal)) < 50  # px; strips are wider
        run = limbs[0].q - limbs[0].p
        slopes.append(abs(float(run @ normal) / float(run @ d)))
    assert min(slopes) < 0.17  # what a Radon sum over a strip covers


@pytest.mark.parametrize("gap", [7.0, 15.0])
def test_an_edge_outside_another_is_found(gap: float) -> None:
    x, _ = np.meshgrid(np.arange(1600.0), np.arange(1200.0))
    levels = np.where(x < 800, 120.0, np.where(x < 800 + gap, 60.0, 160.0))
    noise = np.random.default_rng(5).normal(0, 4.0, (*levels.shape, 3))
    picture = np.clip(cv2.GaussianBlur(levels, (0, 0), 1.0)[..., None] + noise, 0, 255)
    ink = Ink(replace(grid_pose(38.0, 5.0, 0.0), ink_half_width=0.0), {})
    axis = (np.array([800.0, 800.0]), np.array([800.0, 500.0]))
    strip = straightened(picture.astype(np.uint8), ink, axis, 60.0, (0.0, 0.0))
    assert strip is not None
    sign = float(np.sign(strip.normal[0]))  # to the right, in pixels across the strip
    outer = edge_outside(strip, Edge(0.0, 0.0, 1.0), sign, 25.0, (0.0, 300.0))
    assert outer is not None
    assert abs(outer.offset * sign - gap) < 1.5
    assert abs(outer.slope) < 0.02
    assert edge_outside(strip, Edge(0.0, 0.0, 1.0), -sign, 25.0, (0.0, 300.0)) is None


@pytest.mark.parametrize(("share", "wins"), [(0.2, False), (0.6, True)])
def test_highlights_of_a_cone_lie_within_its_limbs(share: float, wins: bool) -> None:
    """All lines along a cone meet in its tip: those of a highlight open less than the limbs."""
    tip = np.array([200.0, 1200.0])

    def pair(half: float, score: float) -> Rod:
        sides = []
        for sign in (-1, 1):
            away = np.array([sign * half, -300.0])
            sides.append(limb_of(np.array([tip + 2 * away, tip + 3 * away])))
        return Rod(sides[0], sides[1], score, 5 * half)

    highlight, limbs = pair(3.0, 60.0), pair(9.0, 60.0 * share)
    chosen = weights([highlight, limbs])
    assert bool(chosen[1] > chosen[0]) is wins
    assert chosen.min() > 0.02  # the other one still widens the uncertainty
