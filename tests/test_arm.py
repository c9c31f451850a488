"""Alignment geometry against published null points, optimisers and first principles."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from bench import arm
from bench.plots import alignment_plot, save_plot

IEC = arm.radius_set("iec")
# Published null points, mm: Löfgren 1938 and Baerwald 1941 (A), Löfgren 1938 (B), Stevenson 1966,
# for grooves from 60.325 to 146.05 mm, as the trade's tables print them.
PUBLISHED = {
    "lofgren-a": (65.998, 120.891),
    "lofgren-b": (70.285, 116.604),
    "stevenson": (60.325, 117.42),
}
RADII = st.tuples(st.floats(45.0, 70.0), st.floats(100.0, 150.0)).map(
    lambda r: arm.Radii("any", r[0], r[1], "test")
)


@pytest.mark.parametrize("geometry", arm.GEOMETRIES)
def test_null_points_are_the_published_ones(geometry):
    assert arm.null_points(geometry, IEC) == pytest.approx(PUBLISHED[geometry], abs=0.006)


def linear_error_per_r(r, nulls):
    n1, n2 = nulls
    return (r - n1) * (r - n2) / r**2


def exact_error_per_r(r, nulls, length):
    n1, n2 = nulls
    offset = math.asin((n1 + n2) / (2 * length))
    return 2 * length * (np.arcsin((r**2 + n1 * n2) / (2 * length * r)) - offset) / r


def search(objective, start):
    found = optimize.minimize(
        objective, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-13}
    )
    return found.x


def peak(error_per_r, radii, nulls):
    r = np.linspace(radii.inner_mm, radii.outer_mm, 4001)
    return float(np.max(np.abs(error_per_r(r, nulls))))


@pytest.mark.parametrize("name", ["iec", "din", "seven-inch"])
def test_lofgren_a_is_the_minimax_that_scipy_finds(name):
    radii = arm.radius_set(name)
    inner, outer = radii.inner_mm, radii.outer_mm
    start = (inner + 0.1 * (outer - inner), inner + 0.7 * (outer - inner))
    found = search(lambda n: peak(linear_error_per_r, radii, n), start)
    assert arm.null_points("lofgren-a", radii) == pytest.approx(sorted(found), abs=0.01)


@pytest.mark.parametrize("name", ["iec", "din", "seven-inch"])
def test_lofgren_b_is_the_least_mean_square_at_the_offset_of_a(name):
    radii = arm.radius_set(name)
    total = sum(arm.null_points("lofgren-a", radii))
    r = np.linspace(radii.inner_mm, radii.outer_mm, 20001)

    def mean_square(product):
        return float(np.mean((1 - total / r + product / r**2) ** 2))

    start = radii.inner_mm * radii.outer_mm
    product = optimize.minimize_scalar(mean_square, bracket=(0.8 * start, 0.9 * start), tol=1e-12).x
    root = math.sqrt(total**2 / 4 - product)
    found = (total / 2 - root, total / 2 + root)
    assert arm.null_points("lofgren-b", radii) == pytest.approx(found, abs=0.01)


@pytest.mark.parametrize("name", ["iec", "din", "seven-inch"])
def test_stevenson_is_the_minimax_with_the_inner_null_on_the_last_groove(name):
    radii = arm.radius_set(name)
    outer = optimize.minimize_scalar(
        lambda n: peak(linear_error_per_r, radii, (radii.inner_mm, n)),
        bounds=(radii.inner_mm + 5, radii.outer_mm - 1),
        method="bounded",
        options={"xatol": 1e-6},
    ).x
    assert arm.null_points("stevenson", radii) == pytest.approx((radii.inner_mm, outer), abs=0.01)


def test_exact_minimax_comes_closer_as_the_arm_grows():
    """At 230 mm the exact minimax stands at 65.975 / 121.054 mm (own minimisation, 0.01 mm)."""
    published = np.array(arm.null_points("lofgren-a", IEC))
    gaps = []
    for length in (230.0, 400.0, 1000.0):
        exact = search(
            lambda n, length=length: peak(lambda r, m: exact_error_per_r(r, m, length), IEC, n),
            published,
        )
        gaps.append(float(np.max(np.abs(np.sort(exact) - published))))
        if length == 230.0:
            assert np.sort(exact) == pytest.approx((65.975, 121.054), abs=0.02)
    assert gaps[0] > 2 * gaps[1] > 4 * gaps[2]


@settings(max_examples=60, deadline=None)
@given(RADII, st.floats(200.0, 330.0), st.sampled_from(arm.GEOMETRIES))
def test_error_vanishes_at_the_nulls_and_triangle_closes(radii, length, geometry):
    a = arm.align(length, geometry, radii)
    assert a.error_deg(a.null_points_mm) == pytest.approx((0.0, 0.0), abs=1e-9)
    # The triangle spindle-pivot-stylus by coordinates instead of the law of cosines: stylus where
    # the circle of the null crosses that of the arm; the groove tangent is square to the radius.
    for null in a.null_points_mm:
        along = (null**2 + a.mounting_distance_mm**2 - length**2) / (2 * a.mounting_distance_mm)
        stylus = np.array([along, math.sqrt(null**2 - along**2)])
        to_pivot = np.array([a.mounting_distance_mm, 0.0]) - stylus
        tangent = np.array([-stylus[1], stylus[0]]) / null
        angle = math.degrees(math.acos(abs(tangent @ to_pivot) / length))
        assert angle == pytest.approx(a.offset_deg, abs=1e-7)
    again = arm.align_at_distance(a.mounting_distance_mm, geometry, radii)
    assert again.effective_length_mm == pytest.approx(length, abs=1e-9)
    assert again.linear_offset_mm == pytest.approx(sum(a.null_points_mm) / 2, abs=1e-9)


def test_mistakes_shift_the_nulls_as_the_roots_say():
    a = arm.align(230.0, "lofgren-a", IEC)
    wrong = arm.with_mistakes(a, overhang_error_mm=1.0, cantilever_deg=0.5)
    assert wrong.error_deg(wrong.null_points_mm) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert wrong.overhang_mm == pytest.approx(a.overhang_mm + 1.0)
    turned = arm.with_mistakes(a, cantilever_deg=0.5)
    assert turned.error_deg(100.0) - a.error_deg(100.0) == pytest.approx(0.5)
    assert arm.nulls_of(230.0, 212.0, 5.0) == ()


@settings(max_examples=40, deadline=None)
@given(st.floats(-4, 4), st.floats(-4, 4), st.floats(200, 320))
def test_two_null_points_tell_overhang_from_direction(too_far, turned, length):
    """Readings made by coordinates: where the wrong arm's circle meets each null circle."""
    a = arm.align(length, "lofgren-a", IEC)
    seen = []
    for null in a.null_points_mm:
        distance, wrong = a.mounting_distance_mm, length + too_far
        along = (null**2 + distance**2 - wrong**2) / (2 * distance)
        stylus = np.array([along, math.sqrt(null**2 - along**2)])
        to_pivot = (np.array([distance, 0.0]) - stylus) / wrong
        tangent = np.array([-stylus[1], stylus[0]]) / null
        seen.append(math.degrees(math.acos(abs(tangent @ to_pivot))) - a.offset_deg + turned)
    (x, u_x), (psi, u_psi) = arm.mistakes_from_nulls(a, *seen, 0.1)
    assert x == pytest.approx(too_far, abs=1e-4)
    assert psi == pytest.approx(turned, abs=1e-4)
    assert u_x == pytest.approx(0.1 * math.sqrt(2) * abs(too_far_per_degree(a)), rel=0.2)
    assert u_psi > 0.05


def too_far_per_degree(a):
    """mm of overhang for a degree between the nulls, by a finite difference over 1 mm."""
    wrong = arm.with_mistakes(a, overhang_error_mm=1.0)
    inner, outer = wrong.error_deg(a.null_points_mm)
    return 1.0 / (inner - outer)


def test_uncertainty_from_two_nulls_is_that_of_a_simulation():
    """Monte Carlo (JCGM 101) of the same inversion: standard deviations agree to 10 %."""
    a = arm.align(230.0, "lofgren-a", IEC)
    rng = np.random.default_rng(5)
    draws = rng.normal(0.0, 0.1, (600, 2)) + (0.6, -0.2)
    found = np.array(
        [[part[0] for part in arm.mistakes_from_nulls(a, *pair, 0.1)] for pair in draws]
    )
    (_, u_x), (_, u_psi) = arm.mistakes_from_nulls(a, 0.6, -0.2, 0.1)
    assert found.std(axis=0) == pytest.approx((u_x, u_psi), rel=0.1)


def test_second_harmonic_against_a_simulated_groove():
    """Trace a sine groove at an angle, take the velocity's spectrum with NumPy's FFT."""
    radius, rpm, velocity, error = 80.0, 100 / 3, 60.0, 1.7
    speed = 2 * math.pi * rpm / 60 * radius
    frequency = 1000.0
    amplitude = velocity / (2 * math.pi * frequency)
    t = np.arange(4096) / 4096 / frequency
    lean = math.tan(math.radians(error))
    out = np.zeros_like(t)
    for _ in range(50):
        out = amplitude * np.sin(2 * math.pi * frequency * (t + out * lean / speed))
    spectrum = np.abs(np.fft.rfft(out)) * np.arange(2049)  # times frequency: velocity
    simulated = 100 * spectrum[2] / spectrum[1]
    assert arm.distortion_percent(radius, error, velocity, rpm) == pytest.approx(
        simulated, rel=0.01
    )


def test_underhung_arm_has_the_minimax_null_and_linear_arm_only_its_miss():
    a = arm.align_underhung(230.0, IEC)
    r = np.linspace(IEC.inner_mm, IEC.outer_mm, 4001)

    def worst(null):
        distance = math.hypot(230.0, null)
        return float(np.max(np.abs((r**2 + 230.0**2 - distance**2) / (460.0 * r) / r)))

    best = optimize.minimize_scalar(worst, bounds=(60, 146), method="bounded").x
    assert a.null_points_mm[0] == pytest.approx(best, abs=0.01)
    assert a.overhang_mm < 0
    assert a.offset_deg == 0
    assert arm.linear_arm_error_deg(60.0, 0.0) == 0
    assert arm.linear_arm_error_deg(60.0, 60.0 * math.sin(math.radians(1))) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: arm.Radii("x", 146.0, 60.0, ""), "swapped"),
        (lambda: arm.align(9.0, "lofgren-a", IEC), "inches"),
        (lambda: arm.align(math.nan, "lofgren-a", IEC), "effective length: got nan"),
        (lambda: arm.align(230.0, "parabola", IEC), "geometry: got 'parabola'"),
        (lambda: arm.radius_set("ten-inch"), "radii: got 'ten-inch'"),
        (
            lambda: arm.with_mistakes(arm.align(230.0, "lofgren-a", IEC), overhang_error_mm=-200),
            "30",
        ),
        (lambda: arm.tracking_error_deg([60.0], 200.0, 300.0, 0.0), "does not reach"),
        (lambda: arm.tracking_error_deg([0.0], 230.0, 212.0, 0.0), "radius: got 0"),
        (lambda: arm.mistakes_from_nulls(arm.align_underhung(230, IEC), 0, 0, 0.1), "got 1"),
        (
            lambda: arm.mistakes_from_nulls(arm.align(230, "stevenson", IEC), 20, 0, 0.1),
            "direction at the inner null: got 20",
        ),
        (
            lambda: arm.mistakes_from_nulls(arm.align(230, "stevenson", IEC), 0, 0, 0),
            "uncertainty: got 0",
        ),
        (lambda: arm.distortion_percent(60.0, 1.0, -5.0), "velocity"),
        (lambda: alignment_plot(arm.align(230.0, "stevenson", IEC), None, "gif"), "plot format"),
    ],
)
def test_bad_input_names_field_value_and_range(call, words):
    with pytest.raises(ValueError, match=r"allowed|reach") as caught:
        call()
    assert words in str(caught.value)


def test_plots_are_pictures(tmp_path):
    a = arm.align(230.0, "lofgren-a", IEC)
    save_plot(tmp_path / "p.svg", a, {"overhang_error_mm": 1.0})
    save_plot(tmp_path / "p.png", a)
    svg = (tmp_path / "p.svg").read_text(encoding="utf-8")
    assert svg.startswith("<?xml")
    assert 'href="http' not in svg
    from PIL import Image

    with Image.open(tmp_path / "p.png") as picture:
        pixels = np.asarray(picture.convert("RGB")).astype(int)
    assert pixels.shape[1] > 1200
    blue = np.abs(pixels - (0x00, 0x61, 0x8F)).sum(axis=2) < 20
    assert blue[: len(blue) // 2].any()
    assert blue[len(blue) // 2 :].any()
