"""Finding the rod over a grid: what is printed is no rod, and what is half seen is uncertain.

Outside checks: limbs of cylinders and edges of columns are built in three dimensions (tangent
planes through the camera); slopes of blurred edges are compared with the truth they were drawn by.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.grid_views import grid_pose
from vision.grid import GridPose
from vision.ink import Ink
from vision.rod import Limb, Rod, fit_limb
from vision.rod_choice import is_reflection, weights
from vision.rod_find import printed
from vision.rod_places import near_node, usual_places
from vision.strip import Edge, edge_outside, straightened

Array = NDArray[np.float64]


def _limb(ends: Array) -> Limb:
    points = ends[0] + np.linspace(0, 1, 30)[:, None] * (ends[1] - ends[0])
    return Limb(ends[0], ends[1], 0.03, 2e-4, 0.15, 1.0, 5.0, points)


def _seen(pose: GridPose, *points: tuple[float, float, float]) -> Limb:
    return _limb(pose.project(np.array(points)))


def _column(pose: GridPose, half_width: float) -> tuple[Limb, Limb]:
    """Both edges of the column x = 0, as printed."""
    return (
        _seen(pose, (-half_width, 0.1, 0.0), (-half_width, 0.9, 0.0)),
        _seen(pose, (half_width, 0.1, 0.0), (half_width, 0.9, 0.0)),
    )


def _cylinder(
    pose: GridPose, turn_deg: float, radius: float, rise_deg: float, height: float = 0.1
) -> tuple[Limb, Limb]:
    """Left and right silhouette of a cylinder that begins above the node (0, 0)."""
    t, r = math.radians(turn_deg), math.radians(rise_deg)
    d = np.array([-math.sin(t) * math.cos(r), math.cos(t) * math.cos(r), math.sin(r)])
    start = np.array([0.0, 0.0, height])
    eye = -pose.origin @ pose.rotation
    out = eye - start - ((eye - start) @ d) * d
    distance = float(np.linalg.norm(out))
    u = out / distance
    half = math.acos(radius / distance)
    limbs = []
    for sign in (1, -1):
        touch = start + radius * (math.cos(half) * u + sign * math.sin(half) * np.cross(d, u))
        limbs.append(_limb(pose.project(np.array([touch, touch + 0.8 * d]))))
    limbs.sort(key=lambda limb: float(limb.p[0]))
    return limbs[0], limbs[1]


@pytest.mark.parametrize("half_width", [0.02, 0.035, 0.055])
@pytest.mark.parametrize("aside", [-8.0, 5.0])
def test_both_edges_of_a_printed_column_are_no_rod_however_bold(
    half_width: float, aside: float
) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    assert printed(pose, *_column(pose, half_width)) == 0.0


@pytest.mark.parametrize(("turn", "aside"), [(-3.0, 4.0), (0.0, -6.0), (0.0, 4.0), (2.0, -6.0)])
def test_a_cylinder_above_the_column_is_a_rod(turn: float, aside: float) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    assert printed(pose, *_cylinder(pose, turn, 0.04, 20.0)) == 1.0


@pytest.mark.parametrize(("turn", "aside"), [(-3.0, -6.0), (2.0, 4.0)])
def test_a_cylinder_seen_along_the_column_may_be_a_rod(turn: float, aside: float) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    assert printed(pose, *_cylinder(pose, turn, 0.04, 20.0)) == 1.0


@pytest.mark.parametrize("away", [0.2, 0.4])
def test_what_runs_along_the_columns_away_from_the_null_is_no_rod(away: float) -> None:
    pose = grid_pose(38.0, 5.0, 1.0)  # the ghost of a column, where no ghost lattice was found
    edges = [_seen(pose, (away + w, 0.1, 0.0), (away + w, 0.9, 0.0)) for w in (0.0, 0.07)]
    assert printed(pose, *edges) == 0.0


def test_the_ghost_of_a_column_is_no_rod_either() -> None:
    pose = grid_pose(38.0, 6.0, 0.0)
    left, right = _column(pose, 0.03)
    ghost = grid_pose(38.0, 6.0, 0.0, thickness=0.6)
    assert printed(ghost, left, right) == 0.0


def test_a_limb_paired_with_the_edge_of_a_column_counts_less() -> None:
    pose = grid_pose(38.0, -6.0, 0.0)
    left, right = _cylinder(pose, 0.0, 0.04, 20.0)
    edges = _column(pose, 0.03)
    mixed = (edges[0], right) if edges[0].p[0] < right.p[0] - 8 else (left, edges[1])
    assert printed(pose, left, right) == 1.0
    assert printed(pose, *mixed) < 0.5


def test_where_the_null_is_known_a_rod_points_at_it() -> None:
    pose = replace(grid_pose(38.0, 5.0, 0.0), pitch_mm=5.0)
    for away_mm, least, most in ((0.0, 0.99, 1.0), (0.5, 0.99, 1.0), (4.0, 0.0, 1e-3)):
        x = away_mm / 5.0
        axis = pose.project(np.array([[x, 0.0, 0.1], [x - 0.05, 0.8, 0.4]]))
        assert least <= near_node(pose, (axis[0], axis[1])) <= most


@pytest.mark.parametrize(
    ("begins_mm", "ends_mm", "least", "most"),
    [(0.3, 4.0, 0.95, 1.0), (1.8, 5.5, 0.9, 1.0), (4.0, 9.0, 0.0, 0.05), (0.5, 12.0, 0.0, 0.05)],
)
def test_a_rod_begins_at_its_stylus_and_ends_in_its_body(
    begins_mm: float, ends_mm: float, least: float, most: float
) -> None:
    """A rib of the body begins farther from the null than a rod, or runs on for longer."""
    pose = replace(grid_pose(38.0, 5.0, 0.0), pitch_mm=10.0, null_known=True)
    turn, rise = math.radians(2.0), math.radians(23.0)
    d = np.array([-math.sin(turn), math.cos(turn), math.tan(rise)])
    start = np.array([0.0, 0.0, 0.05])
    low, high = pose.project(np.array([start + 0.1 * mm * d for mm in (begins_mm, ends_mm)]))
    assert least <= near_node(pose, (low, high)) <= most


def test_what_ends_at_the_null_is_no_rod() -> None:
    pose = replace(grid_pose(38.0, 5.0, 0.0), pitch_mm=5.0)
    low, high = pose.project(np.array([[0.0, -0.5, 0.1], [0.0, 0.0, 0.1]]))
    assert near_node(pose, (low, high)) < 0.3


def _edge_picture(hidden: float, seed: int) -> tuple[NDArray[np.uint8], Array]:
    """A slanted step 300 px long; over a share of it another step, 2.2 px aside, is drawn."""
    x, y = np.meshgrid(np.arange(1600.0), np.arange(1200.0))
    edge = 800 + 0.02 * (y - 600)
    picture = np.where(x > edge, 150.0, 90.0)
    other = (y > 600 - 150) & (y < 600 - 150 + 300 * hidden)
    picture = np.where(other, np.where(x > edge + 2.2, 150.0, 90.0), picture)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    noise = np.random.default_rng(seed).normal(0, 6.0, (*picture.shape, 3))
    ends = np.array([[800 + 0.02 * 150, 750.0], [800 - 0.02 * 150, 450.0]])
    return np.clip(picture[..., None] + noise, 0, 255).astype(np.uint8), ends


def test_a_limb_seen_along_a_part_of_its_length_is_less_certain() -> None:
    pose = replace(grid_pose(38.0, 5.0, 0.0), ink_half_width=0.0)  # nothing printed
    sds = []
    for hidden in (0.0, 0.4):
        picture, ends = _edge_picture(hidden, seed=3)
        limb = fit_limb(picture, pose, ends[0], ends[1], 3.0)
        assert limb is not None
        d = limb.q - limb.p
        slope = math.atan2(d[0], -d[1])
        error = abs(slope - math.atan2(-0.02, 1.0))
        assert error < 3 * math.hypot(limb.angle_sd, 0.14 * math.sqrt(12) / limb.length)
        sds.append(limb.angle_sd)
    assert sds[1] > 2 * sds[0]


def test_of_two_equal_pairs_the_parallel_one_is_likelier() -> None:
    left = _limb(np.array([[100.0, 400.0], [100.0, 100.0]]))
    parallel = _limb(np.array([[130.0, 400.0], [130.0, 100.0]]))
    opening = _limb(np.array([[130.0, 400.0], [145.0, 100.0]]))
    pair = weights([Rod(left, parallel, 50.0, 30.0), Rod(left, opening, 50.0, 37.0)])
    assert pair[0] == 1.0
    assert pair[1] < 0.8


def test_a_limb_beside_strong_shading_is_fitted() -> None:
    """Brightness that climbs all across the rod is no noise: it is the same all along."""
    x, y = np.meshgrid(np.arange(1600.0), np.arange(1200.0))
    edge = 800 + 0.02 * (y - 600)
    picture = cv2.GaussianBlur(
        np.where(x > edge, 60 + 9 * (x - edge), 150 + 6 * (x - edge)), (0, 0), 1
    )
    noise = np.random.default_rng(4).normal(0, 3.0, (*picture.shape, 3))
    shaded = np.clip(picture[..., None] + noise, 0, 255).astype(np.uint8)
    pose = replace(grid_pose(38.0, 5.0, 0.0), ink_half_width=0.0)
    limb = fit_limb(shaded, pose, np.array([803.0, 750.0]), np.array([797.0, 450.0]), 3.0, 1)
    assert limb is not None
    d = limb.q - limb.p
    error = abs(math.atan2(d[0], -d[1]) - math.atan2(-0.02, 1.0))
    assert error < 3 * math.hypot(limb.angle_sd, 0.14 * math.sqrt(12) / limb.length)


@pytest.mark.parametrize(("turn", "aside"), [(-6.0, -6.0), (0.0, 12.0), (4.0, 12.0)])
def test_what_the_sheet_would_mirror_is_no_rod_though_it_is_clearer(
    turn: float, aside: float
) -> None:
    """Outlines of a cylinder and of the same cylinder below the sheet, built in space."""
    pose = grid_pose(40.0, aside, 0.0)
    rod = Rod(*_cylinder(pose, turn, 0.04, 20.0), 40.0, 30.0)
    image = Rod(*_cylinder(pose, turn, 0.04, -20.0, height=-0.1), 60.0, 30.0)
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
    limbs = _cylinder(pose, turn, 0.04, 20.0)
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
            sides.append(_limb(np.array([tip + 2 * away, tip + 3 * away])))
        return Rod(sides[0], sides[1], score, 5 * half)

    highlight, limbs = pair(3.0, 60.0), pair(9.0, 60.0 * share)
    chosen = weights([highlight, limbs])
    assert bool(chosen[1] > chosen[0]) is wins
    assert chosen.min() > 0.02  # the other one still widens the uncertainty
