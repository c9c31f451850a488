"""The choice between pairs of edges: their odds, and the sides' word against theirs."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vision.azimuth_candidate import Candidate
from vision.azimuth_choose import UNLIKE_MET, _by_the_sides, agree
from vision.azimuth_fit import Fitted, apart
from vision.azimuth_odds import odds
from vision.azimuth_shown import Shown
from vision.azimuth_word import Near
from vision.edge_blocks import BlockFit
from vision.edges import EdgeFit

SIDES = ("left", "right", "left image", "right image")


def line(x: float, y: float, angle_deg: float, blur: float = 1.0) -> Any:
    """An edge as far as the choice looks at it."""
    u = math.radians(0.03)
    return SimpleNamespace(
        edge=EdgeFit(
            x=x, y=y, angle=math.radians(angle_deg), length=500.0,
            covariance=np.diag([0.01, u**2]), blur=blur, contrast=0.2, noise=0.01,
            straightness=0.1, clipped=0.0,
        )
    )  # fmt: skip


def agreeing(half_deg: float, sides_deg: float, softer: float = 1.0, apart_px: float = 0.0) -> Any:
    """A pair of edges with four sides that meet on the surface, or not, 500 px wide."""
    sides = {
        "left": line(-250.0, -200.0, 90.0),
        "right": line(250.0, -200.0, 90.0),
        "left image": line(-250.0 + apart_px, 300.0, 90.0),
        "right image": line(250.0, 300.0, 90.0),
    }
    return SimpleNamespace(
        half=math.radians(half_deg),
        by_sides=math.radians(sides_deg),
        edge=line(0.0, 0.0, 0.0),
        image=line(0.0, 100.0, 0.0, softer),
        ink=0.0,
        sides=sides,
    )


def rival(*agreeing: Any, near: Near | None = None, wrong: float = 0.0) -> tuple[float, float]:
    """The angle told by the sides, and its weight against that of all pairs."""
    ((told, weight),), _ = _by_the_sides(list(agreeing), 1.0, (near,), wrong)
    return told, weight


def test_lines_and_their_images_meet_on_the_surface() -> None:
    """By a direct construction: a leaning line mirrored across the surface's own line."""
    turn, foot = math.radians(3.0), np.array([40.0, 50.0])
    down = np.array([-math.sin(turn), math.cos(turn)])
    mirror = np.eye(2) - 2 * np.outer(down, down)

    def image_of(fit: Any, shift: float = 0.0) -> Any:
        place = foot + mirror @ (np.array([fit.edge.x, fit.edge.y]) - foot)
        angle = math.degrees(math.atan2(*(mirror @ fit.edge.direction)[::-1]))
        return line(place[0] + shift * math.cos(turn), place[1] + shift * math.sin(turn), angle)

    edge, left, right = line(40.0, 0.0, 5.0), line(-200.0, -150.0, 84.0), line(280.0, -150.0, 101.0)
    pair = agreeing(1.0, 1.0)
    pair.edge, pair.image = edge, image_of(edge)
    for shift in (0.0, 10.0):
        pair.sides = {"left": left, "left image": image_of(left), "right": right}
        pair.sides["right image"] = image_of(right, shift)
        assert apart(pair) == pytest.approx(shift / 500.0, abs=1e-9)


def test_sides_that_do_not_meet_their_images_are_heeded_less() -> None:
    met, unmet = (rival(agreeing(1.0, 0.7, 1.0, px), wrong=0.2)[1] for px in (0.0, 20.0))
    assert unmet < 0.5 * met


def test_what_the_sides_cannot_tell_is_left_as_doubt() -> None:
    """A soft image may be bent, and sides that are unlike do not say by how much."""
    spread = [
        _by_the_sides([agreeing(1.0, 1.0 - miss, softer)], 1.0)[1]
        for miss, softer in ((0.0, 1.0), (2.0, 1.0), (2.0, 5.0))
    ]
    assert spread[0] < spread[1] < spread[2] < math.radians(0.3)


def test_sides_warn_while_more_pairs_may_be_found() -> None:
    """In the end nothing right found is a reason to refuse, not to heed the sides."""
    pairs = [fitted(1.0, 0.4, u=0.08)]
    early, late = (agree(pairs, 1000, more=more) for more in (True, False))
    assert early is not None and late is not None and early.share == late.share
    assert early.others[-1][1] > late.others[-1][1]


def test_a_rival_not_far_off_is_weighed_in() -> None:
    """Two pairs that exclude each other and differ by less than what is a doubt of the choice."""
    choice = agree([fitted(1.0, 1.2), fitted(1.4, 1.2, y=300.0)], 1000)
    assert choice is not None
    assert {round(math.degrees(half), 2) for half, _ in choice.others} == {1.2, 1.4}


def test_sides_that_differ_cast_doubt_unless_they_differ_so_much_that_they_are_not_alike() -> None:
    weights = {}
    for miss in (0.0, 0.1, 0.5, 1.5):
        told, weights[miss] = rival(agreeing(1.0, 1.0 - miss))
        assert told == pytest.approx(math.radians(1.0 - miss))
    assert weights[0.0] < weights[0.1] < 0.05 < weights[0.5] < 0.5
    assert weights[1.5] < weights[0.5]


def test_the_nearer_look_settles_between_edges_and_sides() -> None:
    """The edges say 1 degree, the sides half of it."""
    shares = [
        rival(agreeing(1.0, 0.5), near=near)[1]
        for near in (Near(1.0, 0.07, 0.1), None, Near(0.5, 0.07, 0.1))
    ]
    assert shares[0] < 0.3 * shares[1] and shares[2] > 3 * shares[1]


def test_an_image_softer_than_all_else_is_trusted_less_against_the_sides() -> None:
    """In a mirror the sides' images are as far from the focus as the edge's image."""
    sharp, soft = (rival(agreeing(1.0, 0.5, s))[1] for s in (1.0, 5.0))
    assert soft > 2 * sharp


def test_where_the_pair_may_be_wrong_the_sides_are_heeded() -> None:
    """As far as the pair is wrong and the sides alike, they are right."""
    weights = [rival(agreeing(1.0, 0.2), wrong=p)[1] for p in (0.0, 0.2)]
    sure, unsure = (w / (1 + w) for w in weights)
    assert unsure == pytest.approx(sure + (1 - sure) * 0.2 * (1 - UNLIKE_MET))


# ----------------------------------------------------------------- odds of pairs


def fitted(half_deg: float, sides_deg: float | None = None, **marks: float) -> Any:
    """A pair of straight edges as far as odds and choice look at it."""
    given = {"u": 0.03, "body": 1.0, "clear": 1.0, "whole": 1.0, "straightness": 0.1, "y": 0.0}
    given |= marks
    ends = np.array([[0.0, given["y"]], [500.0, given["y"]]])
    one = EdgeFit(
        x=250.0, y=given["y"], angle=math.radians(half_deg), length=500.0,
        covariance=np.diag([0.01, math.radians(given["u"]) ** 2]), blur=2.0,
        contrast=0.2, noise=0.01, straightness=given["straightness"], clipped=0.0,
    )  # fmt: skip
    low = replace(one, y=given["y"] + 100.0, angle=-one.angle)
    edge, image = (
        BlockFit(e, ends, given["whole"], 1.0, 9.0, np.ones(20, bool)) for e in (one, low)
    )
    return Fitted(
        Candidate(ends, ends + [0.0, 100.0], {}, 0.0, {"cup": 0.0}), edge, image,
        {} if sides_deg is None else dict.fromkeys(SIDES, image),
        math.radians(half_deg), None if sides_deg is None else math.radians(sides_deg), 0.0, 0.8,
        shown=Shown(given["body"], 1.0, 1.0, given["clear"], 0.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    "worse",
    [
        {"u": 0.1},
        {"body": 0.5},
        {"clear": 0.5},
        {"whole": 0.5},
        {"straightness": 1.5},
        {"sides_deg": 1.8},
    ],
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
