"""The small fit of every reading finds certified answers, and SciPy's."""

import numpy as np
import pytest
import scipy.ndimage
import scipy.optimize
import scipy.special
import scipy.stats

from vision.bilinear import between_pixels
from vision.edges import blurred_step
from vision.least_squares import least_squares

# NIST/ITL Statistical Reference Datasets, nonlinear regression, Misra1a (Misra 1978): data, both
# certified parameters and the residual sum of squares; typed in from memory, which the sum checks.
MISRA_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
           75.47, 81.78]  # fmt: skip
MISRA_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1,
           689.1, 760.0]  # fmt: skip
MISRA = (238.94212918, 5.5015643181e-4)


def misra(p):
    return np.array(MISRA_Y) - p[0] * (1 - np.exp(-p[1] * np.array(MISRA_X)))


def misra_slopes(p):
    fading = np.exp(-p[1] * np.array(MISRA_X))
    return -np.stack([1 - fading, p[0] * np.array(MISRA_X) * fading], axis=1)


@pytest.mark.parametrize("slopes", [None, misra_slopes])
@pytest.mark.parametrize("start", [(500, 1e-4), (250, 5e-4)])  # NIST's two starts
def test_certified_answer(start, slopes):
    found = least_squares(misra, start, (100, 1e-4), slopes, most=200, tolerance=1e-12)
    np.testing.assert_allclose(found.x, MISRA, rtol=1e-6)
    assert misra(found.x) @ misra(found.x) == pytest.approx(1.2455138894e-1, rel=1e-9)
    np.testing.assert_allclose(found.slopes, misra_slopes(found.x), rtol=1e-6)


@pytest.mark.parametrize("high", [(np.inf, np.inf), (200, np.inf), (np.inf, 5e-4)])
def test_bounds_hold_as_with_scipy(high):
    bounds = ((0, 0), high)
    start = np.array([150, 3e-4])
    ours = least_squares(misra, start, (100, 1e-4), misra_slopes, bounds, 200, 1e-12)
    scipys = scipy.optimize.least_squares(
        misra, start, misra_slopes, bounds, xtol=1e-14, ftol=1e-14, gtol=1e-14, x_scale=(100, 1e-4)
    )
    assert (ours.x <= high).all()
    np.testing.assert_allclose(ours.x, scipys.x, rtol=1e-5)


def test_few_steps_end_at_the_best_seen():
    start = (500, 1e-4)
    costs = [
        misra(p) @ misra(p) for p in (start, least_squares(misra, start, (100, 1e-4), most=2).x)
    ]
    assert 0.1246 < costs[1] < costs[0]


def test_values_between_pixels_are_scipys():
    rng = np.random.default_rng(2)
    field, y, x = rng.random((7, 9)), rng.uniform(-3, 9, (40, 3)), rng.uniform(-3, 12, (40, 3))
    expected = scipy.ndimage.map_coordinates(field, [y, x], order=1, mode="nearest")
    np.testing.assert_allclose(between_pixels(field, y, x), expected, atol=1e-12)


def test_the_blurred_step_is_the_normal_distributions():
    z = np.linspace(-9, 9, 20001)
    step, slope = blurred_step(z)
    assert np.abs(step - scipy.special.ndtr(z)).max() < 7.5e-8
    np.testing.assert_allclose(slope, scipy.stats.norm.pdf(z), rtol=1e-12)


def test_readings_load_without_scipy():
    """Its half second would be spent at every `deckplumb read`."""
    import subprocess
    import sys

    names = ("rake", "cantilever", "azimuth", "profile", "overlay")
    told = "; ".join(f"import vision.{name}" for name in names)
    told += "; import sys; print(sorted(m for m in sys.modules if m.startswith('scipy')))"
    ran = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
