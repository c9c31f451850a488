"""Several photos of one setting."""

import numpy as np
import pytest

from vision.combine import combine_photos, combine_readings
from vision.measure import Options
from vision.reading import BudgetPart, Reading, Refusal


def reading(value, own=0.1, shared=0.0):
    budget = [BudgetPart("edge fit", own)]
    if shared:
        budget.append(BudgetPart("surface height", shared))
    return Reading("rake", value, "deg", "axis", tuple(budget))


def test_weighted_mean_by_the_textbook():
    """Inverse-variance mean and its uncertainty (Bevington & Robinson, 3rd ed., eq. 4.17, 4.19)."""
    combined = combine_readings([reading(91.0, 0.1), reading(91.2, 0.2)])
    weights = np.array([1 / 0.01, 1 / 0.04])
    assert combined.value == pytest.approx(np.average([91.0, 91.2], weights=weights))
    assert combined.standard_uncertainty == pytest.approx(1 / np.sqrt(weights.sum()))


def test_shared_parts_do_not_average_out():
    many = combine_readings([reading(91.0, 0.1, shared=0.3) for _ in range(100)])
    assert many.standard_uncertainty == pytest.approx(np.hypot(0.01, 0.3))


def test_disagreement_is_said_and_widens():
    combined = combine_readings([reading(91.0, 0.05), reading(92.0, 0.05)])
    assert "photos_disagree" in combined.flags
    assert combined.standard_uncertainty == pytest.approx(0.5)  # the sd of the mean of the two


def test_one_bad_photo_is_left_out():
    good = [reading(91.0 + e) for e in (-0.1, 0.0, 0.05, 0.1)]
    combined = combine_readings([*good, reading(85.0)])
    assert "one_photo_left_out" in combined.flags
    assert combined.value == pytest.approx(91.01, abs=0.02)


def test_coverage_over_many_settings():
    """Type A scatter: the share within U over simulated photos (JCGM 100:2008, 4.2)."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(400):
        photos = [reading(float(rng.normal(91, 0.1))) for _ in range(4)]
        combined = combine_readings(photos)
        inside += abs(combined.value - 91) <= combined.expanded_uncertainty
    assert 0.92 <= inside / 400 <= 0.995


def test_refusals_and_misuse():
    refused = Refusal("rake", "why", "cure")
    assert isinstance(combine_photos("rake", [refused], ["a.jpg"], Options()), Refusal)
    one = combine_photos("rake", [refused, reading(91.0)], ["a.jpg", "b.jpg"], Options())
    assert isinstance(one, Reading)
    with pytest.raises(ValueError):
        combine_readings([])
