"""What two networks make of an edge and its image as a whole, and how it is heeded.

References: SciPy's Student's distribution; the samples' truth; the mean of two normal
distributions (scipy.stats). The drawn scene is plane geometry written here.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from tests.scenes import assembly, body_masks, degrade, lessons, photosets, recipe
from tests.scenes.unusable import featureless
from vision import azimuth, azimuth_near, azimuth_tilt
from vision.azimuth import SHARE_ALONE, WORD, AzimuthLines, _doubted, _heeding
from vision.azimuth_choose import LEAST_SHARE, agree
from vision.azimuth_fit import fit_picture
from vision.azimuth_look import find_borders
from vision.azimuth_shown import Witness
from vision.azimuth_tilt import (
    ANYWHERE_DEG,
    FAR,
    FREEDOM,
    HALVES_DEG,
    LARGEST_DEG,
    LEAST_U_DEG,
    SURE_DEG,
    TIMES,
    Tilt,
    student,
    tilt_in,
)
from vision.measure import measure_file
from vision.photo import load_photo
from vision.reading import Reading, Refusal

SAMPLES = Path(__file__).parents[1] / "sample_images"
EDGE, IMAGE = (
    np.array([[400.0, 500.0], [1200.0, 512.0]]),
    np.array([[400.0, 700.0], [1200.0, 690.0]]),
)


def test_students_density_is_scipys() -> None:
    for off in (0.0, 0.1, -0.7):
        assert student(off, 0.08) == pytest.approx(stats.t.pdf(off, FREEDOM, scale=0.08))


def test_a_word_favours_what_it_says_and_rules_nothing_out() -> None:
    told = Tilt(1.0, 0.1)
    assert told.gain(1.0) > told.gain(1.2) > told.gain(2.0) > math.log(FAR)
    # over all that may be, its likelihood is that of anything as likely
    at = np.linspace(-60, 60, 200_001)
    near = np.array([student(x - told.half, told.u) for x in at[::50]])
    assert float(near.sum() * (at[50] - at[0])) == pytest.approx(1.0, abs=0.01)
    assert math.exp(told.gain(1.0)) > FAR + (1 - FAR) * ANYWHERE_DEG


@pytest.mark.parametrize("name", [f"azimuth-{k}.jpg" for k in range(1, 6)])
def test_the_word_on_a_sample_is_its_truth_and_turns_with_a_mirrored_picture(name: str) -> None:
    truth = json.loads((SAMPLES / "truth.json").read_text())[name]["truth_deg"]
    rgb, scale = fit_picture(load_photo(SAMPLES / name))
    told = []
    for picture in (rgb, np.ascontiguousarray(rgb[:, ::-1])):
        witness = Witness(picture, scale)
        looks = find_borders(picture, scale, witness.share, witness.own)
        assert looks
        told.append(tilt_in(picture, scale, looks[0].frame))
    # the camera stands up to six degrees aside, which adds up to 0.15 degrees
    for one, sign in zip(told, (1, -1), strict=True):
        assert abs(sign * one.half - truth) < 0.15 + 3 * one.u


@pytest.mark.parametrize("seed", range(4))
def test_lessons_tell_slopes_whose_half_difference_is_the_azimuth(seed: int) -> None:
    spec = recipe.draw("azimuth", seed, "common")
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plan = degrade.plan(np.random.default_rng(seed), False, False, True)
    frame = body_masks.near_frame(scene, spec, plan)
    edge, image = lessons.edge_slopes(scene, spec, plan, "", frame)
    stretch = float(np.linalg.norm(frame[1, :2]) / np.linalg.norm(frame[0, :2]))
    half = math.degrees(math.atan(math.tan(math.radians((edge - image) / 2)) / stretch))
    # a camera up to six degrees aside, and where it stands, add up to this
    assert half == pytest.approx(photosets.asked_deg(spec), abs=0.2)


def test_nothing_is_told_of_noise() -> None:
    for picture in featureless(1200, 1600):
        assert tilt_in(picture, 1.0, azimuth_near.frame(EDGE, IMAGE)).u > 0.3


def test_a_word_less_sure_is_worth_less_than_its_shares_say(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where it is sure they hold; twice as wide shares are worth far less than half as much."""
    framed = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])

    def told(spread: float) -> Tilt:
        logs = -0.5 * ((HALVES_DEG - 1.0) / spread) ** 2
        monkeypatch.setattr(azimuth_tilt, "logs_both_ways", lambda *_: logs)
        return tilt_in(np.zeros((400, 400, 3), np.uint8), 1.0, framed)

    us = [told(spread).u for spread in (0.205, 0.215, 0.25, 0.3, 0.4)]
    assert us == sorted(us) and us[0] < 0.08
    spreads = [TIMES * math.sqrt(v**2 - SURE_DEG**2) for v in (0.215, 0.3)]
    plain = [math.hypot(LEAST_U_DEG, v) for v in spreads]
    assert us[1] == pytest.approx(plain[0], rel=0.1) and us[3] > 3 * plain[1]
    assert all(told(v).half == pytest.approx(1.0, abs=0.01) for v in (0.215, 0.3))
    # what knows next to nothing speaks against nothing: its shares are wide enough by themselves
    assert told(0.8).u == LARGEST_DEG
    nothing = told(2.0)
    assert nothing.u == pytest.approx(TIMES * math.sqrt(2.0**2 - SURE_DEG**2), rel=0.01)
    assert nothing.gain(2.5) > -0.5


@pytest.mark.parametrize(
    ("word", "least", "read"),
    [(0.0, LEAST_SHARE, True), (0.6, LEAST_SHARE, False), (None, LEAST_SHARE, False),
     (0.0, SHARE_ALONE, False)],
)  # fmt: skip
def test_a_pair_without_sides_needs_the_looks_word(
    word: float | None, least: float, read: bool
) -> None:
    photo = load_photo(SAMPLES / "azimuth-1.jpg")
    known = [f for stage in azimuth.stages(photo) if stage.settled for f in stage.known]
    choice = agree(known, photo.width, [f.candidate for f in known])
    assert choice is not None and choice.best.sides
    bare = replace(choice, best=replace(choice.best, sides={}, by_sides=None), share=0.99)
    off = None if word is None else Tilt(math.degrees(choice.best.half) + word, 0.08)
    lines = azimuth._lines_of(bare, photo, (), off, least)
    assert isinstance(lines, AzimuthLines) == read
    if not read:
        assert isinstance(lines, Refusal) and "sides" in lines.reason


@pytest.mark.parametrize(("shown", "read"), [(True, True), (False, False)])
def test_what_neither_look_bears_out_must_be_surer(shown: bool, read: bool) -> None:
    photo = load_photo(SAMPLES / "azimuth-1.jpg")
    known = [f for stage in azimuth.stages(photo) if stage.settled for f in stage.known]
    choice = agree(known, photo.width, [f.candidate for f in known])
    assert choice is not None and choice.best.shown is not None
    may_be = SimpleNamespace(may_be=shown, border=choice.best.shown.border)
    doubted = replace(choice, best=replace(choice.best, shown=may_be), share=0.9)
    unsure = Tilt(math.degrees(choice.best.half), LARGEST_DEG)
    for tilt in (unsure, None):
        lines = azimuth._lines_of(doubted, photo, (), tilt, LEAST_SHARE)
        assert isinstance(lines, AzimuthLines) == read
    assert isinstance(
        azimuth._lines_of(replace(doubted, share=0.96), photo, (), unsure, LEAST_SHARE),
        AzimuthLines,
    )


def test_two_words_that_agree_are_weighed_by_their_variances() -> None:
    """The product of two normal distributions has this mean and variance."""
    parts = {"edge fit": 0.06, "choice of edges": 0.0}
    value = math.degrees(_heeding(Tilt(1.05, 0.08), 1.0, math.radians(1.0), 0.0, parts))
    x = np.linspace(0, 2, 20_001)
    p = stats.norm.pdf(x, 1.0, 0.06) * stats.norm.pdf(x, 1.05, 0.08)
    mean = float((x * p).sum() / p.sum())
    assert value == pytest.approx(mean, abs=1e-4)
    u = math.sqrt(float(((x - mean) ** 2 * p).sum() / p.sum()))
    assert math.hypot(*parts.values()) == pytest.approx(u, abs=1e-4)


def test_words_that_disagree_are_known_less_well_and_a_doubted_pair_is_heeded_less() -> None:
    def heeded(half: float, belief: float) -> tuple[float, float]:
        parts = {"edge fit": 0.05, "choice of edges": 0.0}
        value = _heeding(Tilt(half, 0.1), belief, 0.0, math.radians(0.04), parts)
        return math.degrees(value), math.hypot(*parts.values())

    # half the slopes' difference is 0.04 less than the azimuth here
    assert heeded(-0.04, 1.0)[0] == pytest.approx(0.0, abs=1e-9)
    agree, differ, doubted = heeded(0.0, 1.0), heeded(0.5, 1.0), heeded(0.5, 0.2)
    assert agree[1] < 0.05 < differ[1]
    assert 0 < differ[0] < doubted[0] < 0.54
    assert heeded(0.5, 0.0) == pytest.approx((0.54, 0.1))


def test_a_reading_says_how_much_of_it_the_networks_word_is() -> None:
    outcome = measure_file(SAMPLES / "azimuth-1.jpg", "azimuth")
    assert isinstance(outcome, Reading)
    part = {p.name: p for p in outcome.budget}[WORD]
    assert 0 < part.standard_uncertainty < 0.1


def test_a_word_far_from_all_that_edges_tell_is_less_sure() -> None:
    """Two quantities of these variances differ by as much as was seen, in square, on average."""
    edges = np.array([1.4, 0.9])
    assert _doubted(Tilt(1.5, 0.08), edges, 0.1) == Tilt(1.5, 0.08)
    far = _doubted(Tilt(1.15, 0.08), edges, 0.1)
    assert far.half == 1.15
    rng = np.random.default_rng(3)
    apart = rng.normal(0, far.u, 200_000) - rng.normal(0, 0.1, 200_000)
    assert float((apart**2).mean()) == pytest.approx(0.25**2, rel=0.02)
