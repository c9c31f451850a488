"""Camera geometry against OpenCV and direct three-dimensional construction."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.camera import (
    Camera,
    frame_from_up,
    mirror_normal,
    plane_normal,
    reflection,
    solve_direction,
    unit,
)

ANGLE = st.floats(-0.3, 0.3)


def test_projection_agrees_with_opencv():
    """cv2.projectPoints with no distortion is the reference pinhole."""
    rng = np.random.default_rng(1)
    points = rng.uniform(-1, 1, (50, 3)) + (0, 0, 5)
    camera = Camera(1500.0, 799.5, 599.5)
    matrix = np.array([[1500.0, 0, 799.5], [0, 1500.0, 599.5], [0, 0, 1]])
    expected, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, None)
    assert np.allclose(camera.project(points), expected.reshape(-1, 2), atol=1e-9)
    assert np.allclose(np.cross(camera.ray(camera.project(points)), unit(points)), 0, atol=1e-12)


def test_distortion_agrees_with_opencv_and_inverts():
    """One radial term: OpenCV's k1 works on normalised coordinates, ours on the half diagonal."""
    half = np.hypot(800, 600)
    camera = Camera(1500.0, 799.5, 599.5, k1=-0.05, half_diagonal=half)
    rng = np.random.default_rng(2)
    points = rng.uniform(-1, 1, (50, 3)) * (1, 0.8, 0.3) + (0, 0, 3)
    matrix = np.array([[1500.0, 0, 799.5], [0, 1500.0, 599.5], [0, 0, 1]])
    k1 = -0.05 * (1500.0 / half) ** 2
    expected, _ = cv2.projectPoints(
        points, np.zeros(3), np.zeros(3), matrix, np.array([k1, 0, 0, 0])
    )
    assert np.allclose(camera.project(points), expected.reshape(-1, 2), atol=1e-9)
    xy = rng.uniform((0, 0), (1600, 1200), (50, 2))
    assert np.allclose(camera.distort(camera.undistort(xy)), xy, atol=1e-3)


@settings(max_examples=80, deadline=None)
@given(tilt=ANGLE, roll=ANGLE, seed=st.integers(0, 10_000))
def test_mirror_normal_from_point_pairs(tilt, roll, seed):
    """Points reflected by hand in a known plane give back that plane's normal."""
    rng = np.random.default_rng(seed)
    m = unit([np.sin(roll), -np.cos(roll) * np.cos(tilt), -np.sin(tilt) - 0.15])
    foot = np.array([0.0, 0.5, 10.0])
    points = foot + rng.uniform(-2, 2, (4, 3)) + 0.8 * m
    images = points - 2 * ((points - foot) @ m)[:, None] * m
    camera = Camera(2000.0, 799.5, 599.5)
    pairs = list(zip(camera.project(points), camera.project(images), strict=True))
    assert np.allclose(mirror_normal(camera, pairs), m, atol=1e-6)


@settings(max_examples=80, deadline=None)
@given(a=ANGLE, b=ANGLE, lift=st.floats(0.1, 0.8))
def test_edge_and_its_reflection_give_the_direction(a, b, lift):
    """A segment and its mirror image constructed in space: the solve returns its direction."""
    m = unit([0.02, -1.0, -lift])
    x, y, z = frame_from_up(m, [1.0, 0.0, 0.0])
    d = unit(z + np.tan(a) * x + np.tan(b) * y)
    foot = np.array([0.1, 0.4, 10.0])
    near, far = foot + 0.2 * d, foot + 1.4 * d
    h = reflection(m)
    camera = Camera(2500.0, 799.5, 599.5)

    def image(p):
        return foot + h @ (p - foot)

    n1 = plane_normal(camera, camera.project(near), camera.project(far))
    n2 = plane_normal(camera, camera.project(image(near)), camera.project(image(far)))
    constraints = [(n1, 1e-3), (h @ n2, 1e-3)]
    if np.linalg.norm(np.cross(n1, h @ n2)) < 1e-3:
        return  # the singular pose; its prior is tested below
    found, _ = solve_direction(constraints, z)
    assert np.allclose(found, d, atol=1e-6)


def test_prior_carries_the_singular_direction():
    """Upright edge seen from the mirror's own level: rake from pixels, side lean from the prior."""
    m = np.array([0.0, -1.0, 0.0])
    x, y, z = frame_from_up(m, [1.0, 0.0, 0.0])
    camera = Camera(2500.0, 799.5, 599.5)
    d = unit(z + np.tan(0.03) * x)
    foot = np.array([0.0, 0.0, 10.0])
    h = reflection(m)
    n1 = plane_normal(camera, camera.project(foot), camera.project(foot + d))
    n2 = plane_normal(camera, camera.project(foot), camera.project(foot + h @ d))
    constraints = [(n1, 1e-3), (h @ n2, 1e-3)]
    with pytest.raises(ValueError, match="do not determine"):
        solve_direction(constraints, z)
    found, covariance = solve_direction(constraints, z, priors=[(y, 0.0, np.radians(1.5))])
    assert np.arctan2(found @ x, found @ z) == pytest.approx(0.03, abs=1e-6)
    assert np.sqrt(np.linalg.eigvalsh(covariance)[1]) == pytest.approx(np.radians(1.5), rel=0.05)


def test_misuse_names_the_field():
    with pytest.raises(ValueError, match="f:"):
        Camera(0.0, 1.0, 1.0)
    with pytest.raises(ValueError, match="pairs"):
        mirror_normal(Camera(1.0, 0.0, 0.0), [((0, 0), (1, 1))])
    with pytest.raises(ValueError, match="parallel"):
        frame_from_up([0, 0, 1], [0, 0, 2])
