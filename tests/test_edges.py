"""The fitted edge against the Cramer-Rao bound, against scikit-image and OpenCV, and itself."""

import math

import cv2
import numpy as np
import pytest
from skimage.transform import radon

from tests.figures_edges import CASES, edge_crop
from vision.edges import cramer_rao_angle, fit_edge, snap_line

REPEATS = 120
RATIO_LIMIT = 1.3 * (1 + 2 / math.sqrt(2 * REPEATS))  # 1.3, plus two sampling deviations of an sd
BIAS_LIMIT = 0.2 + 2 / math.sqrt(REPEATS)


def errors_of(length, blur, k, seed=11, repeats=REPEATS):
    rng = np.random.default_rng(seed)
    errors, claimed = [], []
    for _ in range(repeats):
        grey, angle, p0, p1 = edge_crop(rng, length, blur, k)
        fit = fit_edge(grey, p0, p1, half_width=max(6.0, 6 * blur))
        assert fit is not None
        errors.append((fit.angle - angle + math.pi / 2) % math.pi - math.pi / 2)
        claimed.append(fit.angle_u)
    return np.array(errors), np.array(claimed)


@pytest.mark.parametrize(("length", "blur", "k"), CASES)
def test_near_the_bound_and_honest(length, blur, k):
    """Bound: Kay 1993, ch. 3, worked in the docstring of vision/edges.py."""
    errors, claimed = errors_of(length, blur, k)
    sd = errors.std()
    assert sd <= RATIO_LIMIT * cramer_rao_angle(length, blur, k)
    assert abs(errors.mean()) <= BIAS_LIMIT * sd
    # The stated uncertainty is neither smaller than the error nor much larger.
    assert 0.75 <= np.sqrt(np.mean((errors / claimed) ** 2)) <= 1.25


def test_bound_by_numerical_information():
    """The closed form against the Fisher information summed pixel by pixel."""
    length, blur, k = 150, 1.7, 0.05
    t, d = np.meshgrid(np.arange(length) - (length - 1) / 2, np.arange(-30, 31))
    slope = t * np.exp(-0.5 * (d / blur) ** 2) / (blur * math.sqrt(2 * math.pi))
    numeric = k / math.sqrt(float(np.sum(slope**2)))
    assert cramer_rao_angle(length, blur, k) == pytest.approx(numeric, rel=1e-3)


@pytest.mark.parametrize("degrees", [-71.3, -20.0, 3.7, 44.9, 88.0])
def test_agrees_with_radon_and_lsd_on_a_clean_edge(degrees):
    """skimage.transform.radon (0.1 degree steps) and cv2 LSD as outside references."""
    angle = math.radians(degrees)
    y, x = np.mgrid[:201, :201] - 100.0
    d = -x * math.sin(angle) + y * math.cos(angle)
    grey = (0.3 + 0.4 / (1 + np.exp(-d / 0.8))).astype(np.float32)
    half = np.array([math.cos(angle + 0.01), math.sin(angle + 0.01)]) * 70
    fit = fit_edge(grey, (100, 100) - half, (100, 100) + half)
    assert fit is not None
    assert math.degrees(fit.angle) == pytest.approx(degrees, abs=0.01)
    gx, gy = cv2.Sobel(grey, cv2.CV_64F, 1, 0), cv2.Sobel(grey, cv2.CV_64F, 0, 1)
    magnitude = np.hypot(gx, gy) * (np.hypot(x, y) < 90)
    angles = 90 - degrees + np.arange(-2, 2.05, 0.1)
    sums = radon(magnitude, theta=angles, circle=True)
    by_radon = 90 - angles[int(np.argmax(sums.max(axis=0)))]
    assert math.degrees(fit.angle) == pytest.approx(by_radon, abs=0.15)
    found = cv2.createLineSegmentDetector().detect((grey * 255).astype(np.uint8))[0]
    segment = max(found.reshape(-1, 4), key=lambda s: math.hypot(s[2] - s[0], s[3] - s[1]))
    by_lsd = math.degrees(math.atan2(segment[3] - segment[1], segment[2] - segment[0]))
    assert abs((by_lsd - degrees + 90) % 180 - 90) < 0.3


def test_polarity_is_kept():
    rng = np.random.default_rng(3)
    grey, _, p0, p1 = edge_crop(rng, 100, 1.5, 0.02)
    right = fit_edge(grey, p0, p1, polarity=1)
    assert right is not None
    assert right.contrast > 0
    assert fit_edge(grey, p0, p1, polarity=-1) is None
    turned = fit_edge(grey, p1, p0, polarity=-1)
    assert turned is not None
    assert turned.contrast == pytest.approx(-right.contrast, rel=1e-3)


def test_flat_and_outside_give_nothing():
    grey = np.full((100, 100), 0.5, np.float32)
    assert snap_line(grey, (20, 50), (80, 50)) is None
    assert fit_edge(grey, (20, 150), (80, 150)) is None


def test_snap_reaches_a_rough_line():
    rng = np.random.default_rng(5)
    for _ in range(20):
        grey, angle, p0, p1 = edge_crop(rng, 160, 1.5, 0.03)
        middle = (p0 + p1) / 2 + rng.uniform(-7, 7, 2)
        rough = angle + math.radians(rng.uniform(-2.5, 2.5))
        half = np.array([math.cos(rough), math.sin(rough)]) * 60
        snapped = snap_line(grey, middle - half, middle + half, reach=12, turn_deg=4)
        assert snapped is not None
        q0, q1, slope = snapped
        assert slope > 0
        fit = fit_edge(grey, q0, q1)
        assert fit is not None
        assert (
            abs(math.degrees(fit.angle - angle)) < 0.3
            or abs(abs(math.degrees(fit.angle - angle)) - 360) < 0.3
        )


def test_a_curved_edge_widens_the_uncertainty():
    y, x = np.mgrid[:120, :240].astype(float)
    bow = 60 + 3.0 * ((x - 120) / 100) ** 2
    straight = (0.3 + 0.4 / (1 + np.exp(-(y - 60) / 0.8))).astype(np.float32)
    curved = (0.3 + 0.4 / (1 + np.exp(-(y - bow) / 0.8))).astype(np.float32)
    noise = np.random.default_rng(0).normal(0, 0.01, y.shape).astype(np.float32)
    a = fit_edge(straight + noise, (20, 60), (220, 60))
    b = fit_edge(curved + noise, (20, 61), (220, 61))
    assert a is not None
    assert b is not None
    assert b.straightness > 5 * a.straightness
    assert b.angle_u > 5 * a.angle_u
