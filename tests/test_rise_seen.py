"""What two networks tell of the rise from the place of a rod's reflection.

Outside checks: the truth of rendered photographs and of scenes drawn anew, whose reflections are
mirrored by `rod_masks` (Snell's law); a mirror turns left into right.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.scenes import assembly, degrade, lessons, photosets, rise_places, rod_masks
from tests.scenes.unusable import featureless
from vision.cantilever import find_cantilever
from vision.cantilever_solve import CantileverLines
from vision.measure import Options
from vision.network import mean_and_spread, part_of
from vision.photo import Photo, load_photo
from vision.rise_seen import (
    ACROSS,
    HEIGHT,
    HEIGHTS,
    STEPS,
    WIDTH,
    fits,
    frame_around,
    places,
    rises_told,
)
from vision.rod import RISE_DEG, RISE_U_DEG
from vision.rod_rise import RISES_DEG

Array = NDArray[np.float64]
SAMPLES = Path(__file__).parents[1] / "sample_images"
MIRRORED = (1, 3, 4)  # samples over mirrors
ALONG = (np.arange(STEPS) + 0.5) / STEPS


def _sample(number: int) -> tuple[Photo, CantileverLines, float]:
    """A sample, its lines and the true rise."""
    known = json.loads((SAMPLES / "truth.json").read_text())[f"cantilever-{number}.jpg"]
    photo = load_photo(SAMPLES / f"cantilever-{number}.jpg")
    lines = find_cantilever(photo, Options())
    assert isinstance(lines, CantileverLines)
    return photo, lines, float(known["cantilever_rise_deg"])


def _mean_and_spread(log: Array) -> tuple[float, float]:
    """With the prior of the rise."""
    return mean_and_spread(log - 0.5 * ((RISES_DEG - RISE_DEG) / RISE_U_DEG) ** 2, RISES_DEG)


@pytest.mark.parametrize("number", MIRRORED)
def test_the_rise_of_a_sample_is_told_within_what_is_allowed(number: int) -> None:
    photo, lines, true = _sample(number)
    log = rises_told(photo.rgb, lines.pose, lines.rod)
    assert log.shape == RISES_DEG.shape and log.max() == 0
    mean, spread = _mean_and_spread(log)
    assert abs(mean - true) < 3 * spread < 3 * RISE_U_DEG


def test_a_reflection_that_is_not_there_tells_next_to_nothing() -> None:
    photo, lines, _ = _sample(4)
    assert _mean_and_spread(rises_told(photo.rgb, lines.pose, lines.rod))[1] < 0.75 * RISE_U_DEG
    for plain in featureless(*photo.rgb.shape[:2]):
        assert _mean_and_spread(rises_told(plain, lines.pose, lines.rod))[1] > 0.9 * RISE_U_DEG


def test_a_copy_that_is_mirrored_is_told_alike() -> None:
    photo, lines, _ = _sample(1)
    framed = frame_around(lines.pose, lines.rod)
    copy = part_of(photo.rgb, framed, (WIDTH, HEIGHT))
    middle = np.array([WIDTH / 2, HEIGHT / 2])
    turns = np.radians(np.linspace(-40, 40, 17))
    up = 30 * np.stack([np.sin(turns), -np.cos(turns)], axis=1)
    ends = np.stack([middle - up, middle + up], axis=1)
    half = np.full((len(turns), 2), 13.0)
    one = fits(copy, ends, half)
    turned = ends.copy()
    turned[..., 0] = WIDTH - 1 - ends[..., 0]
    two = fits(np.ascontiguousarray(copy[:, ::-1]), turned, half)
    assert np.ptp(one) > 2
    assert np.corrcoef(one, two)[0, 1] > 0.8


def test_a_place_is_looked_at_along_and_across() -> None:
    ends = np.array([[[100.0, 200.0], [100.0, 100.0]]])
    half = np.array([[10.0, 10.0]])
    x, y, told = places(ends, half, ALONG, ACROSS)
    assert x.shape == y.shape == (1, STEPS, len(ACROSS))
    assert np.allclose(np.ptp(x, axis=-1), 36.0) and np.allclose(x[..., 4], 100.0)
    assert y.max() > 225 and y.min() < 45 and np.all(np.diff(y[0, :, 4]) < 0)
    share = told[0][0]  # 0 at the lower end, 1 at the upper
    assert np.allclose(y[0, :, 4], 200 - 100 * share)
    assert np.allclose(told[1][0] * 80, 100 * share) and np.allclose(told[3], 10 / 14)


@pytest.mark.parametrize("seed", [5300000, 5300004, 5300009, 5300013])
def test_lessons_places_hold_the_reflection_at_the_true_rise_and_height(seed: int) -> None:
    spec = lessons.drawn("cantilever-rise", seed)
    assert lessons.RISES_DEG[0] <= spec["cantilever_rise_deg"] <= lessons.RISES_DEG[1]
    size = (photosets.WIDTH, photosets.HEIGHT)
    scene = assembly.assemble(spec, *size)
    view = scene.view
    assert view is not None
    plan = degrade.plan(np.random.default_rng(seed), False, False, True)
    framed = rise_places.frame(scene, spec, plan)
    numbers = np.array(rise_places.told(scene, spec, plan, "", framed))
    seen = degrade.photo_points(view.project(rod_masks.reflected_axis(scene, spec)), size, plan)
    low, high = seen @ framed[:, :2].T + framed[:, 2]
    up = (high - low) / np.linalg.norm(high - low)
    shape = (len(rise_places.RISES), len(rise_places.HEIGHTS), 6)
    for told in numbers.reshape(rise_places.VARIANTS, -1):
        rise, height = told[:2]
        assert rise == pytest.approx(spec["cantilever_rise_deg"], abs=1e-3)
        kept = told[2:].reshape(shape)
        at_rise = np.array(
            [[np.interp(rise, rise_places.RISES, row) for row in part.T] for part in
             kept.transpose(1, 0, 2)]
        )  # fmt: skip
        logs = np.log(rise_places.HEIGHTS)
        place = np.array([np.interp(height, logs, row) for row in at_rise.T])
        away = (place[:4].reshape(2, 2) - low) @ [-up[1], up[0]]
        assert np.abs(away).max() < 0.25 * place[4:].mean()  # of the half width: the rod is off


def test_heights_reach_as_far_as_rods_stand() -> None:
    assert HEIGHTS[0] <= 0.6 and HEIGHTS[-1] >= 4.0
