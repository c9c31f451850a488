"""Thirty rendered photographs with truth, read and counted against stated tolerances.

The photographs (`tests/photos`, made by ``photosets nightly``) are scenes that the finders were
tuned on, so these are guards against getting worse, not claims of accuracy; README's figures come
from ``python -m tests.figures all``. Ten photographs a quantity: the share within U that a truly
honest U gives falls below 0.7 in one of a thousand draws (binomial, n = 10, p = 0.95).
"""

import math
from pathlib import Path

import pytest

from tests.figures_photos import details, read_marked, read_set

PHOTOS = Path(__file__).parent / "photos"
LEAST_WITHIN = 0.7
# quantity: least share answered, most RMSE and most error in degrees
TOLERANCES = {
    "rake": (0.6, 0.6, 1.5),
    "cantilever": (0.7, 0.6, 1.5),
    "azimuth": (0.9, 0.2, 0.5),
}
# the same for lines drawn as by hand
MARKED_TOLERANCES = {
    "rake": (0.6, 0.6, 1.5),
    "cantilever": (0.6, 0.8, 2.0),
    "azimuth": (0.7, 0.3, 0.8),
}


def check(results, least_answered, most_rmse, most_error):
    told = details(results)
    errors = [r.error for r in results if r.error is not None]
    assert not any("FAULT" in r.reason for r in results), told
    assert len(errors) >= least_answered * len(results), told
    assert math.sqrt(sum(e * e for e in errors) / len(errors)) <= most_rmse, told
    assert max(map(abs, errors)) <= most_error, told
    within = sum(abs(r.error) <= r.expanded_u for r in results if r.error is not None)
    assert within >= LEAST_WITHIN * len(errors), told


@pytest.mark.slow
@pytest.mark.parametrize("quantity", TOLERANCES)
def test_photographs_read_alone(quantity):
    check(read_set(PHOTOS, 1, quantity), *TOLERANCES[quantity])


@pytest.mark.slow
@pytest.mark.parametrize("quantity", MARKED_TOLERANCES)
def test_photographs_read_from_rough_lines(quantity):
    check(read_marked(PHOTOS, 1, only=quantity), *MARKED_TOLERANCES[quantity])
