"""The surface's slope as a network sees it: signs and turns, by turning and mirroring photos."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.photo import load_photo
from vision.rake_surface import find_rod_over_surface
from vision.surface_slope import Slope, surface_slope

PHOTOS = Path(__file__).parent / "photos"
TRUTH = json.loads((PHOTOS / "truth.json").read_text())
RAKES = sorted(name for name, truth in TRUTH.items() if truth["quantity"] == "rake")


def _slope(rgb: NDArray[np.uint8]) -> Slope | None:
    found = find_rod_over_surface(rgb)
    return None if found is None else surface_slope(rgb, found.rod)


@pytest.fixture(scope="module")
def pictures() -> list[NDArray[np.uint8]]:
    return [load_photo(PHOTOS / name).rgb for name in RAKES]


def test_a_mirrored_photo_slopes_the_other_way(pictures: list[NDArray[np.uint8]]) -> None:
    sums = []
    for rgb in pictures:
        one, other = _slope(rgb), _slope(np.ascontiguousarray(rgb[:, ::-1]))
        if one is not None and other is not None:
            sums.append(one.slope_deg + other.slope_deg)
    assert len(sums) >= 0.8 * len(pictures)
    assert np.median(np.abs(sums)) < 0.15


@pytest.mark.parametrize("turn_deg", [-3.0, 2.0])
def test_a_turned_photo_slopes_by_the_turn(
    pictures: list[NDArray[np.uint8]], turn_deg: float
) -> None:
    # cv2.getRotationMatrix2D turns counter-clockwise as seen: slopes, positive down, get less
    misses = []
    for rgb in pictures:
        height, width = rgb.shape[:2]
        turn = cv2.getRotationMatrix2D((width / 2, height / 2), turn_deg, 1.0)
        turned = cv2.warpAffine(rgb, turn, (width, height), borderMode=cv2.BORDER_REFLECT)
        before, after = _slope(rgb), _slope(np.asarray(turned, np.uint8))
        if before is not None and after is not None and before.u_deg < 0.6:
            misses.append(after.slope_deg - before.slope_deg + turn_deg)
    assert len(misses) >= 4
    assert np.median(np.abs(misses)) < 0.35


def test_it_says_when_it_sees_nothing() -> None:
    rgb = load_photo(PHOTOS / RAKES[0]).rgb
    found = find_rod_over_surface(rgb)
    assert found is not None
    noise = np.random.default_rng(1).integers(90, 160, rgb.shape, np.uint8)
    assert surface_slope(noise, found.rod).u_deg > 1.0
