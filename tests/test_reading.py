"""Readings, refusals and rounding."""

import json
import math

import pytest

from vision.reading import FLAGS, BudgetPart, Component, Reading, Refusal, as_record, rounded


def a_reading(**changes):
    given = {
        "quantity": "rake",
        "value": 91.8342,
        "unit": "deg",
        "measurand": "axis of the shank against the surface",
        "budget": (BudgetPart("edge fit", 0.03), BudgetPart("surface reference", 0.04)),
    }
    return Reading(**(given | changes))


# Expected strings follow JCGM 100:2008, 7.2.6: at most two significant digits in the uncertainty,
# rounded up, and the value to the same place.
@pytest.mark.parametrize(
    ("value", "u", "unit", "text"),
    [
        (91.8342, 0.262, "deg", "91.83° ± 0.27°"),
        (91.8342, 0.31, "deg", "91.8° ± 0.4°"),
        (-0.0421, 0.44, "mm", "0.0 mm ± 0.5 mm"),
        (5.0, 0.0961, "deg", "5.00° ± 0.10°"),
        (0.0123, 0.0201, "percent", "0.012 % ± 0.021 %"),
        (123.0, 37.0, "mm", "120 mm ± 40 mm"),
        (-1.25, 0.2, "deg", "-1.25° ± 0.20°"),
    ],
)
def test_rounding(value, u, unit, text):
    assert rounded(value, u, unit) == text


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan, math.inf])
def test_rounding_refuses_senseless_uncertainty(u):
    with pytest.raises(ValueError):
        rounded(1.0, u, "deg")


def test_budget_adds_in_quadrature():
    """JCGM 100:2008, 5.1.2: independent parts add in quadrature; k = 2."""
    reading = a_reading()
    assert reading.standard_uncertainty == pytest.approx(0.05)
    assert reading.expanded_uncertainty == pytest.approx(0.10)


def test_definitional_uncertainty_stays_apart():
    assert a_reading(definitional_uncertainty=1.5).expanded_uncertainty == pytest.approx(0.10)


@pytest.mark.parametrize(
    "changes",
    [
        {"value": math.nan},
        {"unit": "inch"},
        {"budget": ()},
        {"flags": ("no such flag",)},
    ],
)
def test_a_reading_cannot_be_senseless(changes):
    with pytest.raises(ValueError):
        a_reading(**changes)


def test_senseless_parts_are_refused():
    with pytest.raises(ValueError):
        BudgetPart("edge fit", math.nan)
    with pytest.raises(ValueError):
        Component("direction", math.inf, "deg", 1.0)


def test_record_has_the_contract_keys_and_is_json():
    contract = {
        "schema",
        "photo",
        "sha256",
        "version",
        "quantity",
        "value",
        "unit",
        "expanded_uncertainty",
        "components",
        "flags",
        "refusal",
        "seconds",
    }
    for outcome in (a_reading(), Refusal("rake", "The stylus spans 14 px.", "Move closer.")):
        record = as_record(outcome, 0.5)
        assert contract <= set(record)
        assert json.loads(json.dumps(record, allow_nan=False))["quantity"] == "rake"
    assert as_record(Refusal("rake", "why", "cure"))["value"] is None


def test_flags_are_plain_sentences():
    assert all(text[0].isupper() and text.endswith(".") for text in FLAGS.values())


def test_flagged_adds_once():
    reading = a_reading().flagged("cropped", "cropped")
    assert reading.flagged("cropped").flags == ("cropped",)
