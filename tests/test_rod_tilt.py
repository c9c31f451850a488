"""The word on which way a reflection runs: what it says, how sure it is, what evidence then counts.

Outside checks: the truth of rendered photographs; a mirror turns left into right; where nothing
counts the rise stays the prior's (20 +- 4 degrees, DEVELOPERS.md).
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.scenes import assembly, degrade, lessons, photosets, recipe, rod_masks
from tests.scenes.unusable import featureless
from vision import cantilever, rod_reflection
from vision.cantilever_solve import CantileverLines, solve_cantilever
from vision.measure import Options
from vision.photo import load_photo
from vision.reading import Reading
from vision.rod import RISE_DEG, RISE_U_DEG
from vision.rod_around import HEIGHT, WIDTH
from vision.rod_tilt import COUNTS, SPREADS_DEG, counts, run_of

Array = NDArray[np.float64]
Picture = NDArray[np.uint8]
SAMPLES = Path(__file__).parents[1] / "sample_images"
MIRRORED = (1, 3, 4)  # samples over mirrors


def _truth(number: int) -> dict[str, object]:
    known: dict[str, dict[str, object]] = json.loads((SAMPLES / "truth.json").read_text())
    return known[f"cantilever-{number}.jpg"]


def _looks(number: int, monkeypatch: pytest.MonkeyPatch) -> list[tuple[Picture, Array]]:
    """Copies that a sample's reading looks at for the reflection, and their frames."""
    seen: list[tuple[Picture, Array]] = []
    real = rod_reflection.copy_of

    def kept(rgb: Picture, framed: Array, factor: float = 1.0) -> Picture:
        copy = real(rgb, framed, factor)
        seen.append((copy, framed))
        return copy

    monkeypatch.setattr(rod_reflection, "copy_of", kept)
    cantilever.find_cantilever(load_photo(SAMPLES / f"cantilever-{number}.jpg"), Options())
    return seen


@pytest.mark.parametrize("number", MIRRORED)
def test_the_word_on_a_sample_is_true_within_what_it_allows(
    number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = _truth(number)
    spec = photosets.spec_of("cantilever", truth["seed"], "samples")  # type: ignore[arg-type]
    size = (photosets.WIDTH, photosets.HEIGHT)
    scene = assembly.assemble(spec, *size)
    assert scene.view is not None
    plan: dict[str, object] = truth["degradation"]  # type: ignore[assignment]
    ends = scene.view.project(rod_masks.reflected_axis(scene, spec))
    low, high = degrade.photo_points(ends, size, plan)
    looks = _looks(number, monkeypatch)
    # where glass is not proven by its lines, a second look as over a bare mirror
    assert len(looks) == (1 if truth["glass_mm"] is None else 2)
    copy, framed = looks[0]  # samples are 1600 px wide: the photo's pixels are the working ones
    right, down = framed[:, :2] @ (high - low)
    said, spread = run_of(copy)
    assert abs(said - math.degrees(math.atan2(right, -down))) < 3 * spread


@pytest.mark.parametrize("number", MIRRORED)
def test_a_mirrored_picture_is_said_to_run_the_other_way(
    number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy, _ = _looks(number, monkeypatch)[0]
    said, spread = run_of(copy)
    turned, its_spread = run_of(np.ascontiguousarray(copy[:, ::-1]))
    assert turned == pytest.approx(-said, abs=1e-3) and its_spread == pytest.approx(spread)


def test_of_noise_nothing_is_known_and_little_counts() -> None:
    for picture in featureless(HEIGHT, WIDTH):
        spread = run_of(picture)[1]
        assert spread > SPREADS_DEG[1] and counts(spread) < 1.0


def test_evidence_counts_the_less_the_wider_the_word_spreads() -> None:
    told = [counts(spread) for spread in np.linspace(0, 60, 200)]
    assert told == sorted(told, reverse=True)
    assert told[0] == max(COUNTS) and told[-1] == min(COUNTS)
    assert [counts(spread) for spread in SPREADS_DEG] == list(COUNTS)


def test_where_the_word_knows_nothing_the_rise_is_the_usual_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    photo = load_photo(SAMPLES / "cantilever-3.jpg")  # in glass
    read = {}
    for spread in (1.5, 60.0):
        monkeypatch.setattr(rod_reflection, "run_of", lambda copy, s=spread: (0.0, s))
        lines = cantilever.find_cantilever(photo, Options())
        assert isinstance(lines, CantileverLines) and lines.rises is not None
        read[spread] = solve_cantilever(lines)
        if spread > 50:
            assert np.ptp(lines.rises) < 1.2
            read["none"] = solve_cantilever(replace(lines, rises=None))
    sure, unsure, alone = (read[k] for k in (1.5, 60.0, "none"))
    assert isinstance(sure, Reading)
    rise = sure.components[0]
    true = float(_truth(3)["cantilever_rise_deg"])  # type: ignore[arg-type]
    assert abs(rise.value - true) < 2 * rise.standard_uncertainty
    assert rise.standard_uncertainty < 0.6 * RISE_U_DEG
    for outcome in (unsure, alone):
        if isinstance(outcome, Reading):
            assert outcome.components[0].value == pytest.approx(RISE_DEG, abs=2.0)
            assert outcome.components[0].standard_uncertainty > 0.6 * RISE_U_DEG
        else:
            assert "only to" in outcome.reason


def test_on_a_first_surface_all_evidence_counts_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing is seen twice the network is not asked."""
    asked: list[float] = []
    monkeypatch.setattr(rod_reflection, "run_of", lambda _: asked.append(0.0) or (0.0, 60.0))
    told = {}
    for number in (3, 4):
        photo = load_photo(SAMPLES / f"cantilever-{number}.jpg")
        lines = cantilever.find_cantilever(photo, Options())
        assert isinstance(lines, CantileverLines) and lines.rises is not None
        assert (lines.pose.thickness is None) == (number == 4) == (not asked)
        told[number] = float(np.ptp(lines.rises))
        asked.clear()
    assert told[4] > 5 * told[3]


@pytest.mark.parametrize("seed", range(12))
def test_lessons_tell_which_way_a_reflection_runs(seed: int) -> None:
    spec = recipe.draw("cantilever", seed, "common")
    scene = assembly.assemble(spec, photosets.WIDTH, photosets.HEIGHT)
    plan = degrade.plan(np.random.default_rng(seed), False, False, True)
    frames = lessons.rod_frames(scene, spec, plan)
    told = {k: lessons.reflection_lean(scene, spec, plan, k, f) for k, f in frames.items()}
    assert {k for k, lean in told.items() if lean is not None} == {"around"} & set(frames)
    if "around" not in frames:
        return
    turn = math.radians(20.0)
    clockwise = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    lean = lessons.reflection_lean(scene, spec, plan, "around", clockwise @ frames["around"])
    before = told["around"]
    assert lean is not None and before is not None
    assert (lean - before) % 360 == pytest.approx(20.0, abs=1e-6)
