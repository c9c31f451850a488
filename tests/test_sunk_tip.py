"""How deep a tip stands below the dark line beside it, in drawings whose distances are known."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from vision.outline import Outline
from vision.side_rod import RodLine, SideRod
from vision.sunk_tip import ROUND, card_chance, sunk_tip

WIDE, TALL, THICK = 900, 700, 88.0
TIP, WIDTH, CONE_DEG = np.array([400.0, 420.0]), 40.0, 25.0


def _outline() -> Outline:
    return Outline(TIP, np.array([0.0, -1.0]), WIDTH / 2, CONE_DEG, 0.0, 150.0, 0.99)


def _rod(pivot_right: bool) -> SideRod:
    limbs = [RodLine(300.0, 200.0 + d, 880.0, 40.0 + d, 400.0) for d in (0.0, THICK)]
    return SideRod(*limbs, np.array([300.0, 288.0]), THICK, pivot_right, 400.0)


def _picture(above: float, slope_deg: float, thick: float = 4.0) -> np.ndarray:
    """A dark line so many widths of the stylus above the tip, and nothing else but noise."""
    y, x = np.mgrid[:TALL, :WIDE].astype(float)
    line = TIP[1] - above * WIDTH + math.tan(math.radians(slope_deg)) * (x - TIP[0])
    grey = 150.0 - 40 * (np.abs(y - line) < thick / 2)
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0) + np.random.default_rng(5).normal(0, 3, grey.shape)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("above", [0.0, 0.15, 0.3])
@pytest.mark.parametrize(("slope", "told"), [(0.0, 0.0), (-4.0, -4.0), (3.0, 4.0)])
def test_the_line_is_as_far_above_the_tip_as_drawn(above: float, slope: float, told: float) -> None:
    pointed = ROUND * (1 / math.sin(math.radians(CONE_DEG)) - 1)
    found = sunk_tip(_picture(above, slope), _outline(), _rod(True), told)
    assert found == pytest.approx(above - pointed, abs=1.0 / WIDTH)


def test_a_mirrored_picture_tells_the_same() -> None:
    picture = _picture(0.2, -3.0)
    found = sunk_tip(picture, _outline(), _rod(True), -3.0)
    turned = Outline(np.array([WIDE - 1 - TIP[0], TIP[1]]), *list(vars(_outline()).values())[1:])
    other = sunk_tip(np.ascontiguousarray(picture[:, ::-1]), turned, _rod(False), 3.0)
    assert other == pytest.approx(found, abs=0.6 / WIDTH)


def test_nothing_is_told_where_the_photo_ends() -> None:
    cut = _picture(0.2, 0.0)[:, : int(TIP[0] + WIDTH)]
    assert sunk_tip(np.ascontiguousarray(cut), _outline(), _rod(True), 0.0) is None


def test_a_tip_on_the_line_stands_on_a_card_and_one_below_it_in_a_groove() -> None:
    chances = [card_chance(sunk) for sunk in (-0.2, 0.0, 0.1, 0.2, 0.5)]
    assert chances == sorted(chances, reverse=True)
    assert chances[1] > 0.7 and chances[3] < 0.1 and chances[4] > 0.01
    assert chances[2] < card_chance(None) < chances[1]
