"""The choice between pairs of edges: their odds, and the sides' word against theirs."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vision.azimuth_candidate import Candidate
from vision.azimuth_choose import _by_the_sides, agree
from vision.azimuth_fit import Fitted
from vision.azimuth_odds import odds
from vision.azimuth_shown import Shown
from vision.azimuth_word import Near
from vision.edge_blocks import BlockFit
from vision.edges import EdgeFit

SIDES = ("left", "right", "left image", "right image")


def agreeing(half_deg: float, sides_deg: float, softer: float = 1.0) -> Any:
    """A pair of edges with four sides, as far as the choice looks at them."""
    edge = {"angle_u": math.radians(0.03), "y": 0.0, "length": 500.0}
    fit = SimpleNamespace(edge=SimpleNamespace(**edge, blur=1.0))
    image = SimpleNamespace(edge=SimpleNamespace(**edge, blur=softer))
    return SimpleNamespace(
        half=math.radians(half_deg),
        by_sides=math.radians(sides_deg),
        edge=fit,
        image=image,
        ink=0.0,
        sides=dict.fromkeys(SIDES, fit),
    )


def test_sides_that_differ_cast_doubt_unless_they_differ_so_much_that_they_are_not_alike() -> None:
    weights = {}
    for miss in (0.0, 0.1, 0.5, 1.5):
        ((told, weights[miss]),) = _by_the_sides([agreeing(1.0, 1.0 - miss)], 1.0)
        assert told == pytest.approx(math.radians(1.0 - miss))
    assert weights[0.0] < weights[0.1] < 0.05 < weights[0.5] < 0.5
    assert weights[1.5] < weights[0.5]


def test_the_nearer_look_settles_between_edges_and_sides() -> None:
    """The edges say 1 degree, the sides half of it."""
    shares = [
        _by_the_sides([agreeing(1.0, 0.5, 1.0)], 1.0, near)[0][1]
        for near in (Near(1.0, 0.07, 0.1), None, Near(0.5, 0.07, 0.1))
    ]
    assert shares[0] < 0.3 * shares[1] and shares[2] > 3 * shares[1]


def test_an_image_softer_than_all_else_is_trusted_less_against_the_sides() -> None:
    """In a mirror the sides' images are as far from the focus as the edge's image."""
    sharp, soft = (_by_the_sides([agreeing(1.0, 0.5, s)], 1.0)[0][1] for s in (1.0, 5.0))
    assert soft > 2 * sharp


def test_where_the_pair_may_be_wrong_the_sides_are_heeded() -> None:
    sure, unsure = (_by_the_sides([agreeing(1.0, 0.2)], 1.0, None, p)[0][1] for p in (0.0, 0.2))
    assert unsure / (1 + unsure) == pytest.approx(sure / (1 + sure) + 0.15, abs=0.01)


# ----------------------------------------------------------------- odds of pairs


def fitted(half_deg: float, sides_deg: float | None = None, **marks: float) -> Any:
    """A pair of straight edges as far as odds and choice look at it."""
    given = {"u": 0.03, "body": 1.0, "contrast": 0.2, "straightness": 0.1, "y": 0.0} | marks
    ends = np.array([[0.0, given["y"]], [500.0, given["y"]]])
    one = EdgeFit(
        x=250.0, y=given["y"], angle=math.radians(half_deg), length=500.0,
        covariance=np.diag([0.01, math.radians(given["u"]) ** 2]), blur=2.0,
        contrast=given["contrast"], noise=0.01, straightness=given["straightness"], clipped=0.0,
    )  # fmt: skip
    low = replace(one, y=given["y"] + 100.0, angle=-one.angle)
    edge, image = (BlockFit(e, ends, 1.0, 1.0, 9.0, np.ones(20, bool)) for e in (one, low))
    return Fitted(
        Candidate(ends, ends + [0.0, 100.0], {}, 0.0, {"cup": 0.0}), edge, image,
        {} if sides_deg is None else dict.fromkeys(SIDES, image),
        math.radians(half_deg), None if sides_deg is None else math.radians(sides_deg), 0.0, 0.8,
        shown=Shown(given["body"], 1.0, 1.0, 1.0, 0.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    "worse",
    [{"u": 0.1}, {"body": 0.5}, {"contrast": 0.005}, {"straightness": 1.5}, {"sides_deg": 1.8}],
)
def test_what_makes_a_pair_less_likely(worse: dict[str, float]) -> None:
    assert odds(fitted(1.0, **{"sides_deg": 1.0, **worse}), None) < odds(fitted(1.0, 1.0), None)


def test_odds_are_the_shares_of_a_choice() -> None:
    """Of two pairs that exclude each other and nothing, by their odds' exponentials."""
    pairs = [fitted(1.0, 1.0), fitted(2.5, 2.9, y=300.0)]
    logs = [odds(pair, None) for pair in pairs]
    total = 1 + sum(math.exp(v) for v in logs)
    choice = agree(pairs, 1000)
    assert choice is not None and choice.best.half == pairs[int(np.argmax(logs))].half
    assert choice.share == pytest.approx(math.exp(max(logs)) / total)
    assert choice.nothing == pytest.approx(1 / total)


def test_the_nearer_look_decides_between_two_pairs() -> None:
    pairs = [fitted(1.0, 1.0), fitted(2.5, 2.5, y=300.0)]
    for half in (1.0, 2.5):
        choice = agree(pairs, 1000, near=Near(half, 0.08, 0.08))
        assert choice is not None and math.degrees(choice.best.half) == pytest.approx(half)
