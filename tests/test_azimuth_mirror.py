"""Reflections of a whole picture, and the pairs of edges they propose.

Pictures are reflected by scipy (`scipy.ndimage.affine_transform`) and drawn by scikit-image, not by
the code under test.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from skimage import draw

from vision.azimuth_find import ever_more, find_candidates
from vision.azimuth_mirror import MirrorMap, between, find_mirrors

Array = NDArray[np.float64]
HEIGHT, WIDTH = 300, 400


def mirrored_at(picture: Array, angle: float, point: tuple[float, float]) -> Array:
    """Upper part of a picture with its reflection below the line through ``point`` (x, y)."""
    c, s = math.cos(2 * angle), math.sin(2 * angle)
    # scipy wants (row, column) to (row, column).
    matrix = np.array([[-c, s], [s, c]])
    middle = np.array([point[1], point[0]])
    image = ndimage.affine_transform(
        picture, matrix, middle - matrix @ middle, order=1, mode="nearest"
    )
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    below = (y - point[1]) * math.cos(angle) - (x - point[0]) * math.sin(angle) > 0
    return np.asarray(np.where(below, image, picture))


def things(seed: int) -> Array:
    """Soft blots above the middle of a picture, nothing below."""
    noise = np.random.default_rng(seed).normal(0, 1, (HEIGHT, WIDTH))
    soft = ndimage.gaussian_filter(noise, 6)
    return np.asarray(0.5 + 0.15 * np.sign(soft) * (np.abs(soft) > 0.02))


@pytest.mark.parametrize(
    ("degrees", "x", "y"), [(0.0, 200, 170), (4.3, 190, 160), (-6.6, 210, 150)]
)
def test_the_reflection_is_found(degrees: float, x: float, y: float) -> None:
    angle = math.radians(degrees)
    grey = mirrored_at(things(3), angle, (x, y))
    mirrors = find_mirrors(np.dstack([grey, 0.5 * grey, 0 * grey]).astype(np.float32))
    best = mirrors.maps()[0]
    assert math.degrees(best.angle) == pytest.approx(degrees, abs=0.6)
    for point in ((x - 80.0, y - 60.0), (x + 90.0, y - 30.0)):
        off = np.array(point) - (x, y)
        normal = np.array([-math.sin(angle), math.cos(angle)])
        expected = np.array(point) - 2 * (off @ normal) * normal
        assert np.linalg.norm(best(np.array(point)) - expected) < 5.0
    # A line and its image are supported, the same turned by five degrees are not.
    line = np.array([[x - 80.0, y - 40.0], [x + 80.0, y - 35.0]])
    turned = best(line) + np.array([[0.0, -7.0], [0.0, 7.0]])
    assert mirrors.support(line, best(line)) > 0.9
    assert mirrors.support(line, turned) < 0.6


def test_a_map_in_a_larger_picture() -> None:
    """Twice as large: pixel centres lie at integers, so point p goes to 2 p + 1/2."""
    small = MirrorMap(0.05, (99.5, 74.5), (1.0, 12.0), 1.0)
    points = np.array([[40.0, 30.0], [160.0, 50.0]])
    assert small.scaled(2)(2 * points + 0.5) == pytest.approx(2 * small(points) + 0.5)


EIGHT_SIDED = (
    np.array([-150.0, 150, 230, 230, 150, -150, -230, -230]),
    np.array([0.0, 0, -110, -260, -330, -330, -260, -110]),
)  # no side meets an end of its lower edge
TAPERED = np.array([-200.0, 200, 170, -180]), np.array([0.0, 0, -240, -240])


def over_a_mirror(
    front: tuple[Array, Array], azimuth_deg: float, roll_deg: float
) -> tuple[NDArray[np.uint8], Array, Array]:
    """A front over a mirror, and the corners of the front and of its image."""
    x, y = front
    a, r = math.radians(azimuth_deg + roll_deg), math.radians(roll_deg)
    across = np.array([math.cos(a), math.sin(a)])
    down = np.array([-math.sin(a), math.cos(a)])
    body = np.array([400.0, 270.0]) + x[:, None] * across + y[:, None] * down
    normal = np.array([-math.sin(r), math.cos(r)])
    foot = np.array([400.0, 300.0])
    image = body - 2 * ((body - foot) @ normal)[:, None] * normal
    picture = np.full((600, 800), 0.75)
    for corners, grey in ((image, 0.4), (body, 0.25)):
        rows, columns = draw.polygon(corners[:, 1], corners[:, 0], picture.shape)
        picture[rows, columns] = grey
    noise = np.random.default_rng(5).normal(0, 0.01, picture.shape)
    grey = np.clip(ndimage.gaussian_filter(picture, 1.0) + noise, 0, 1) * 255
    return np.repeat(grey.astype(np.uint8)[..., None], 3, axis=2), body, image


@pytest.mark.parametrize(("azimuth", "roll"), [(1.5, 2.0), (-2.5, -1.0)])
def test_a_front_without_corners_has_its_edge_and_image_among_the_candidates(
    azimuth: float, roll: float
) -> None:
    rgb, body, image = over_a_mirror(EIGHT_SIDED, azimuth, roll)
    assert any(
        off(c.edge, body[:2]) < 3 and off(c.image, image[:2]) < 5 and c.support > 0.5
        for c in find_candidates(rgb)
    )


def off(found: Array, true: Array) -> float:
    """Largest distance of the found ends from the true line."""
    along = (true[1] - true[0]) / np.linalg.norm(true[1] - true[0])
    return float(np.abs((found - true[0]) @ np.array([-along[1], along[0]])).max())


@pytest.mark.parametrize(("azimuth", "roll"), [(1.5, 2.0), (-2.5, -1.0)])
def test_a_pair_that_is_told_gets_the_sides_that_are_drawn(azimuth: float, roll: float) -> None:
    rgb, body, image = over_a_mirror(TAPERED, azimuth, roll)
    (told,) = next(ever_more(rgb, told=[(body[:2], image[:2])]))
    true = {
        "left": body[[0, 3]],
        "right": body[[1, 2]],
        "left image": image[[0, 3]],
        "right image": image[[1, 2]],
    }
    assert set(told.sides) == set(true)
    assert told.edge == pytest.approx(body[:2]) and told.image == pytest.approx(image[:2])
    for name, line in told.sides.items():
        assert off(line, true[name]) < 5
    above = [np.array([[220.0, 40.0], [580.0, 40.0]]), np.array([[220.0, 560.0], [580.0, 560.0]])]
    (other,) = next(ever_more(rgb, told=[(above[0], above[1])]))
    assert not other.sides


def test_the_reflection_between_a_line_and_its_image() -> None:
    _, body, image = over_a_mirror(TAPERED, 2.0, -3.0)
    assert between(body[:2], image[:2])(body) == pytest.approx(image, abs=1e-6)
