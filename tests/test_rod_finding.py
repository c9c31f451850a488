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
from tests.limbs import column, cylinder, seen_limb
from tests.scenes.rod_masks import mirrored
from vision.ink import Ink
from vision.rod import Limb, Rod, fit_limb
from vision.rod_beside import opens_too_far, outline_alone, rods_beside, widens_to_its_end
from vision.rod_find import printed
from vision.rod_kinds import BODY, HEIGHT, INK, ROD, WIDTH, RodOutline, Shown, rod_outline
from vision.rod_sight import is_column

Array = NDArray[np.float64]


@pytest.mark.parametrize("half_width", [0.02, 0.035, 0.055])
@pytest.mark.parametrize("aside", [-8.0, 5.0])
def test_both_edges_of_a_printed_column_are_no_rod_however_bold(
    half_width: float, aside: float
) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    assert printed(pose, *column(pose, half_width)) == 0


def test_what_has_a_columns_place_course_and_width_is_one() -> None:
    pose = replace(grid_pose(38.0, 5.0, 1.0), ink_half_width=0.022)
    assert is_column(Rod(*column(pose, 0.022), 15.0, 20.0), pose)
    assert not is_column(Rod(*column(pose, 0.035), 15.0, 33.0), pose)
    for turn in (-3.0, 3.0):
        assert not is_column(Rod(*cylinder(pose, turn, 0.022, 20.0), 15.0, 20.0), pose)


@pytest.mark.parametrize(("turn", "aside"), [(-3.0, 4.0), (0.0, -6.0), (0.0, 4.0), (2.0, -6.0)])
def test_a_cylinder_above_the_column_is_a_rod(turn: float, aside: float) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    assert printed(pose, *cylinder(pose, turn, 0.04, 20.0)) == 1


@pytest.mark.parametrize(("turn", "aside"), [(-3.0, -6.0), (2.0, 4.0)])
def test_a_cylinder_seen_along_the_column_may_be_a_rod(turn: float, aside: float) -> None:
    pose = grid_pose(38.0, aside, 1.0)
    assert printed(pose, *cylinder(pose, turn, 0.04, 20.0)) == 1


@pytest.mark.parametrize("away", [0.2, 0.4])
def test_what_runs_along_the_columns_away_from_the_null_is_no_rod(away: float) -> None:
    pose = grid_pose(38.0, 5.0, 1.0)  # the ghost of a column, where no ghost lattice was found
    edges = [seen_limb(pose, (away + w, 0.1, 0.0), (away + w, 0.9, 0.0)) for w in (0.0, 0.07)]
    assert printed(pose, *edges) == 0


def test_the_ghost_of_a_column_is_no_rod_either() -> None:
    pose = grid_pose(38.0, 6.0, 0.0)
    left, right = column(pose, 0.03)
    ghost = grid_pose(38.0, 6.0, 0.0, thickness=0.6)
    assert printed(ghost, left, right) == 0


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


def _shown(kind: int, outline: Array, body: Array | None = None) -> Shown:
    """What a perfect network would say of outlines (N, 2) in the photo: drawn with OpenCV."""
    k = 1600 / WIDTH
    share = np.zeros((6, HEIGHT, WIDTH), np.float32)
    for shows, corners in ((BODY, body), (kind, outline)):
        if corners is not None:
            fine = np.zeros((4 * HEIGHT, 4 * WIDTH), np.uint8)
            at = (corners + 0.5) / k * 4 - 0.5
            cv2.fillPoly(fine, [np.round(at * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
            small = cv2.resize(fine, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
            share[shows] = small.astype(np.float32) / 255
    share[BODY] = np.minimum(share[BODY], 1 - share[kind])
    share[0] = 1 - share[1:].sum(axis=0)
    return Shown(share, k)


def _body_from(y: float) -> Array:
    """A body across the picture, from a row upwards."""
    return np.array([[200.0, 0.0], [1400.0, 0.0], [1400.0, y], [200.0, y]])


def _quad(left: Array, right: Array) -> Array:
    return np.concatenate([left, right[::-1]])


@pytest.mark.parametrize("tilt_deg", [-25.0, -4.0, 0.0, 11.0, 30.0])
def test_the_outline_of_a_rod_follows_its_sides(tilt_deg: float) -> None:
    t = math.radians(tilt_deg)
    up, side = np.array([math.sin(t), -math.cos(t)]), np.array([math.cos(t), math.sin(t)])
    low, high = np.array([800.0, 700.0]), np.array([800.0, 700.0]) + 330 * up
    left, right = (np.array([low + s * 14 * side, high + s * 18 * side]) for s in (-1, 1))
    body = _body_from(float(high[1]) + 12)
    found = rod_outline(_shown(ROD, _quad(left, right), body))
    assert found is not None and found.overlap > 0.9
    for side_found, truth in ((found.left, left), (found.right, right)):
        d = (truth[1] - truth[0]) / np.linalg.norm(truth[1] - truth[0])
        away = (side_found - truth[0]) @ np.array([-d[1], d[0]])
        assert np.abs(away).max() < 2.0  # photo pixels; those of the network are 3.6
    assert rod_outline(_shown(INK, _quad(left, right), body)) is None


def test_what_ends_in_no_body_or_in_another_ones_patch_is_no_rod() -> None:
    """A column cut off by glare looks like a rod, and the glare like a small body."""
    sides = [np.array([[800.0 + x, 900.0], [800.0 + x, 700.0]]) for x in (-14.0, 14.0)]
    patch = np.array([[700.0, 600.0], [900.0, 600.0], [900.0, 710.0], [700.0, 710.0]])
    shown = _shown(ROD, _quad(*sides), patch)
    assert rod_outline(_shown(ROD, _quad(*sides))) is None
    assert rod_outline(shown) is not None  # the only body there is
    shown.share[BODY, :150] = 1.0
    shown.share[BODY, 150:250, 150:300] = 0.0  # a tenth and less of what looks like a body
    shown.share[BODY, 190:198, 220:228] = 1.0
    assert rod_outline(shown) is None


def test_a_sleeve_is_not_taken_for_a_cone() -> None:
    """The outline of the longer part, whose sides run parallel."""
    thin, thick = 12.0, 18.0
    half, rows = np.array([thin, thin, thick, thick]), np.array([800.0, 690, 690, 400])
    left, right = (np.stack([800 + sign * half, rows], axis=1) for sign in (-1, 1))
    found = rod_outline(_shown(ROD, _quad(left, right), _body_from(405.0)))
    assert found is not None
    assert abs(found.width - 2 * thick) < 2.5
    assert abs(found.axis[0][1] - 690) < 15
    widths = np.linalg.norm(found.right - found.left, axis=1)
    assert abs(widths[1] - widths[0]) < 2.5


def test_limbs_are_the_edges_beside_the_outline_not_stronger_ones_elsewhere() -> None:
    """A faint rod with a bright streak inside and a dark bar beside it, drawn with OpenCV."""
    pose = replace(grid_pose(38.0, 5.0, 0.0), ink_half_width=0.0)
    picture = np.full((1200, 1600, 3), 120, np.uint8)
    for x0, x1, grey in ((784, 816, 145), (795, 802, 250), (840, 870, 10)):
        corners = np.array([[x0, 720], [x0 + 8, 420], [x1 + 8, 420], [x1, 720]])
        cv2.fillConvexPoly(picture, corners.astype(np.int32) * 16, (grey,) * 3, cv2.LINE_AA, 4)
    noise = np.random.default_rng(2).normal(0, 3, picture.shape)
    noisy = np.clip(cv2.GaussianBlur(picture, (0, 0), 1.2) + noise, 0, 255).astype(np.uint8)
    off = np.array([2.0, 0.0])  # of the outline, half a pixel of the network
    outline = RodOutline(
        np.array([[784.0, 720], [792, 420]]) + off, np.array([[816.0, 720], [824, 420]]) + off,
        0.97, 1600 / 448,
    )  # fmt: skip
    rods = rods_beside(noisy, Ink(pose, {}), outline)
    assert rods
    p, q = rods[0].axis
    d = np.array([8.0, -300.0])
    normal = np.array([-d[1], d[0]]) / np.linalg.norm(d)
    for end in (p, q):
        assert abs(float((end - [800, 720]) @ normal)) < 0.5
    assert abs(rods[0].width_px - 32) < 1.5


def test_points_seen_in_glass_obey_the_law_of_refraction() -> None:
    """Rays traced from the eye down through the glass and up again (Snell's law)."""
    eye, thick, index = np.array([-60.0, 12.0, 55.0]), 3.0, 1.52
    for aim in ([0.0, 0.0], [6.0, -3.0], [-4.0, 8.0]):
        ray = np.array([*aim, 0.0]) - eye
        ray /= np.linalg.norm(ray)
        level = ray[:2] / index
        slide = 2 * thick * level / math.sqrt(1 - float(level @ level))
        up = ray * [1, 1, -1]
        for along in (0.5, 4.0):
            point = np.array([aim[0] + slide[0], aim[1] + slide[1], 0.0]) + along * up
            seen = mirrored(point[None], eye, thick)[0] - eye
            assert np.allclose(seen / np.linalg.norm(seen), ray, atol=1e-9)


def test_where_no_edges_are_seen_the_outline_stands_alone_and_is_doubted() -> None:
    pose = replace(grid_pose(38.0, 5.0, 0.0), ink_half_width=0.0)
    blank = np.full((1200, 1600, 3), 120, np.uint8)
    sides = [np.array([[800.0 + x, 720.0], [808.0 + x, 420.0]]) for x in (-16.0, 16.0)]
    uncertain = []
    for overlap in (0.98, 0.9):
        outline = RodOutline(sides[0], sides[1], overlap, 1600 / WIDTH)
        assert rods_beside(blank, Ink(pose, {}), outline) == []
        rod = outline_alone(pose, outline)
        assert np.allclose(rod.left.p, sides[0][0]) and np.allclose(rod.right.q, sides[1][1])
        uncertain.append(rod.left.angle_sd)
    assert math.degrees(uncertain[0]) > 0.3  # one network pixel in 84 is 0.7 degrees
    assert uncertain[1] > 2 * uncertain[0]


@pytest.mark.parametrize("elevation_deg", [20.0, 35.0, 50.0])
def test_no_cylinder_widens_to_its_free_end_as_a_printed_line_beside_it_does(
    elevation_deg: float,
) -> None:
    """Seen by a pinhole camera (OpenCV's ``projectPoints``) 100 mm away."""
    e, rise, radius = math.radians(elevation_deg), math.radians(20.0), 0.3
    forward = -np.array([0.0, -math.cos(e), math.sin(e)])
    right = np.array([1.0, 0.0, 0.0])
    turn = np.stack([right, np.cross(forward, right), forward])
    camera = np.array([[4000.0, 0, 800], [0, 4000.0, 600], [0, 0, 1]])

    def seen(points: np.ndarray) -> np.ndarray:
        moved = cv2.Rodrigues(turn)[0], np.array([0.0, 0.0, 100.0])
        return cv2.projectPoints(points, *moved, camera, np.zeros(5))[0][:, 0]

    ends = np.array([[0.0, 0.0, 0.6], [0.0, 4.0, 0.6 + 4.0 * math.tan(rise)]])
    left, right_limb = (seen(ends + [side * radius, 0, 0]) for side in (-1, 1))
    column = seen(np.array([[-3 * radius, 0.0, 0.0], [-radius, 4.0, 0.0]]))

    def rod(a: np.ndarray, b: np.ndarray) -> Rod:
        limbs = [Limb(v[0], v[1], 0.1, 1e-3, 0.2, 1.0, 9.0, v) for v in (a, b)]
        return Rod(limbs[0], limbs[1], 9.0, 20.0)

    assert not widens_to_its_end(rod(left, right_limb))
    column[1] = left[1]
    assert widens_to_its_end(rod(column, right_limb))
    # a shadow on the sheet that starts where the rod ends: a lamp 30 degrees aside, 45 up
    aside = np.array([ends[0], [-ends[1, 2] * math.tan(math.radians(30)), 4.0 - ends[1, 2], 0.0]])
    shadow = seen(aside - [radius, 0, 0])
    foreshortened = math.sin(e + rise)
    assert not opens_too_far(rod(left, right_limb), foreshortened)
    tapered = [
        seen(ends + [[side * radius, 0, 0], [side * 1.8 * radius, 0, 0]]) for side in (-1, 1)
    ]
    assert not opens_too_far(rod(*tapered), foreshortened)
    assert opens_too_far(rod(shadow, right_limb), foreshortened)
